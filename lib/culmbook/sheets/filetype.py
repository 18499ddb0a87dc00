"""What kind of file some bytes are, told by how they begin, so that no wrong parser ever sees them."""

import io
import zipfile
from pathlib import PurePosixPath

from culmbook.sheets.problems import refuse_file

_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MAGIC = {
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\0": "xz",
    b"7z\xbc\xaf": "7z",
    b"Rar!": "RAR",
    b"\x28\xb5\x2f\xfd": "zstandard",
    b"%PDF": "PDF",
    b"\x89PNG": "PNG picture",
    b"\xff\xd8\xff": "JPEG picture",
    b"PAR1": "Parquet",
    b"SQLite format 3": "SQLite",
    b"\x80\x02": "pickle",
    b"\x80\x03": "pickle",
    b"\x80\x04": "pickle",
    b"\x80\x05": "pickle",
    b"{\\rtf": "RTF",
    b"\x93NUMPY": "NumPy",
    b"ARROW1": "Arrow",
    b"\x89HDF": "HDF5",
}


def foreign_bytes(data, file):
    """Return the problem of a file that is not what its name says, or None.

    Parameters
    ----------
    data : bytes
    file : str
        Name, whose ending says what is expected: a workbook (.xlsx, .xlsm) or text (anything else).

    Returns
    -------
    Problem or None
        E-TYPE or E-PASSWORD, naming what the bytes are and what to do. Nothing is unpacked or loaded.
    """
    is_workbook = PurePosixPath(file).suffix.lower() in (".xlsx", ".xlsm")
    if data.startswith(_OLE):
        return _ole(data, file)
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _zip(data, file, is_workbook)
    kind = next((name for magic, name in _MAGIC.items() if data.startswith(magic)), None)
    if kind:
        return refuse_file(
            "E-TYPE",
            file,
            f"this is {kind} data, not a text table or workbook",
            "export the table itself as CSV UTF-8 or XLSX",
        )
    if is_workbook and data.strip():
        return refuse_file(
            "E-TYPE",
            file,
            "this is not a workbook, whatever its name says (text or damaged)",
            "rename to .csv if it is text; else copy the file again",
        )
    return None


def _ole(data, file):
    if "EncryptedPackage".encode("utf-16-le") in data:
        return refuse_file(
            "E-PASSWORD", file, "the workbook is protected by a password", "save without password"
        )
    return refuse_file(
        "E-TYPE", file, "an old .xls workbook (or other old office file)", "save as .xlsx"
    )


def _zip(data, file, is_workbook):
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = set(archive.namelist())
            mimetype = archive.open("mimetype").read(100) if "mimetype" in parts else b""
    except (
        Exception
    ):  # a damaged archive can raise nearly anything; the bytes begin like a workbook's
        return refuse_file(
            "E-TYPE", file, "a workbook that is damaged or cut off", "copy the file again"
        )
    if mimetype.startswith(b"application/vnd.oasis"):
        return refuse_file("E-TYPE", file, "an OpenDocument file", "save as .xlsx or .csv")
    if "xl/workbook.bin" in parts:
        return refuse_file("E-TYPE", file, "a binary workbook (.xlsb)", "save as .xlsx")
    if not any(part.startswith("xl/") for part in parts):
        return refuse_file("E-TYPE", file, "a ZIP archive, but no workbook", "unpack it first")
    if not is_workbook:
        return refuse_file(
            "E-TYPE", file, "this is a workbook, whatever its name says", "rename to .xlsx"
        )
    return None
