"""Workbooks as bytes that are the same whenever and wherever they are saved."""

import zipfile
from datetime import datetime
from io import BytesIO

# ZIP's earliest date stands in every entry
FIXED_DATE = (1980, 1, 1, 0, 0, 0)


def workbook_bytes(book, compress=True):
    """Save a workbook without the time of saving.

    Parameters
    ----------
    book : openpyxl.Workbook
        Its creation date is set to 1980-01-01.
    compress : bool
        Uncompressed files are larger but do not depend on the machine's zlib.

    Returns
    -------
    bytes

    Examples
    --------
    >>> from openpyxl import Workbook
    >>> workbook_bytes(Workbook()) == workbook_bytes(Workbook())
    True
    """
    book.properties.creator = "culmbook"
    book.properties.created = datetime(*FIXED_DATE)
    raw, out = BytesIO(), BytesIO()
    book.save(raw)
    form = zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w", form) as target:
        for name in sorted(source.namelist()):
            content = source.read(name)
            if name == "docProps/core.xml":
                content = _without_save_time(content)
            entry = zipfile.ZipInfo(name, FIXED_DATE)
            entry.compress_type = form
            target.writestr(entry, content)
    return out.getvalue()


def _without_save_time(core):
    """openpyxl stamps the time of saving over `modified`; put the fixed one back."""
    start = core.index(b"<dcterms:modified")
    inside = core.index(b">", start) + 1
    end = core.index(b"</dcterms:modified>", inside)
    return core[:inside] + b"1980-01-01T00:00:00Z" + core[end:]
