"""The parts of a workbook archive: which there are, their elements, styles and strings.

An archive is judged by its directory before anything is unpacked, and no part with a document type
declaration is parsed.
"""

import posixpath
import re
from dataclasses import dataclass
from datetime import datetime

from defusedxml.ElementTree import iterparse
from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format, is_timedelta_format
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900
from openpyxl.utils.escape import unescape

LARGEST_UNPACKED = 120_000_000  # bytes; ten times a full weather table of twenty years
LARGEST_RATIO = 250  # a sheet of equal rows packs some hundredfold
SMALL_PART = 1_000_000  # bytes below which a high ratio is harmless


@dataclass
class Styles:
    """What the style numbers of a workbook mean: per style its kind of number, colour and strike-out."""

    kinds: list
    colours: list
    is_struck: list
    epoch: datetime


@dataclass
class Book:
    """Worksheets as (name, path, is hidden) in the order of their tabs, styles, and shared strings."""

    tabs: list
    styles: Styles
    strings: list


def too_large(archive):
    """Return in words why an archive would unpack to more than any field table needs, or None."""
    parts = archive.infolist()
    total = sum(part.file_size for part in parts)
    if total > LARGEST_UNPACKED:
        return f"the workbook would unpack to {total} bytes, at most {LARGEST_UNPACKED} are read"
    for part in parts:
        if part.file_size > max(SMALL_PART, LARGEST_RATIO * part.compress_size):
            return f"a part would grow more than {LARGEST_RATIO}-fold on unpacking, to {part.file_size} bytes"
    return None


def local_name(element):
    return element.tag.rpartition("}")[2]


def elements(archive, part):
    """Yield the elements of an XML part as they close; a document type declaration is refused."""
    with archive.open(part) as source:
        for _, element in iterparse(source, events=("end",), forbid_dtd=True):
            yield element


def _attribute(element, name):
    """Return an attribute whatever its namespace."""
    return next(
        (value for key, value in element.attrib.items() if key.rpartition("}")[2] == name), None
    )


def targets(archive, part):
    """Return {relation id: (type, path)} of the parts that `part` refers to."""
    folder, name = posixpath.split(part)
    rels = f"{folder}/_rels/{name}.rels"
    if rels not in archive.namelist():
        return {}
    return {
        e.get("Id"): (e.get("Type", ""), _inside(folder, e.get("Target", "")))
        for e in elements(archive, rels)
        if local_name(e) == "Relationship"
    }


def _inside(folder, target):
    """Return the path inside the archive of a target that may be relative to `folder`."""
    return posixpath.normpath(posixpath.join("/" + folder, target))[1:]


def read_book(archive):
    """Return what the sheets of a workbook share.

    Parameters
    ----------
    archive : zipfile.ZipFile

    Returns
    -------
    Book

    Raises
    ------
    KeyError, ValueError, ParseError
        If parts are missing or damaged.
    DefusedXmlException
        If a part has a document type declaration.
    """
    part = next(
        (path for kind, path in targets(archive, "").values() if kind.endswith("/officeDocument")),
        "xl/workbook.xml",
    )
    related, tabs, epoch = targets(archive, part), [], CALENDAR_WINDOWS_1900
    for element in elements(archive, part):
        if local_name(element) == "workbookPr" and element.get("date1904") in ("1", "true"):
            epoch = CALENDAR_MAC_1904
        if local_name(element) == "sheet":
            kind, path = related[_attribute(element, "id")]
            if kind.endswith("/worksheet"):
                tabs.append(
                    (element.get("name"), path, element.get("state", "visible") != "visible")
                )
    part_of = {kind.rpartition("/")[2]: path for kind, path in related.values()}
    styles = _styles(archive, part_of.get("styles"), epoch)
    return Book(tabs, styles, _strings(archive, part_of.get("sharedStrings")))


def _styles(archive, part, epoch):
    styles = Styles([], [], [], epoch)
    if part is None:
        return styles
    own, fonts, fills = {}, [], []
    for element in elements(archive, part):
        name = local_name(element)
        if name == "numFmt":
            own[int(element.get("numFmtId"))] = element.get("formatCode", "")
        elif name == "fonts":
            fonts = [_font(font) for font in element]
        elif name == "fills":
            fills = [_fill(fill) for fill in element]
        elif name == "cellXfs":
            for xf in element:
                number = int(xf.get("numFmtId", 0))
                font, fill = fonts[int(xf.get("fontId", 0))], fills[int(xf.get("fillId", 0))]
                styles.kinds.append(
                    number_kind(own.get(number) or BUILTIN_FORMATS.get(number, "General"))
                )
                styles.colours.append((font[0], fill))
                styles.is_struck.append(font[1])
    return styles


def number_kind(code):
    """Return what a number format makes of a number: "number", "percent", "date" or "duration".

    Examples
    --------
    >>> number_kind("0.0%"), number_kind('0.0"%"'), number_kind("dd/mm/yyyy"), number_kind("[h]:mm")
    ('percent', 'number', 'date', 'duration')
    """
    if is_timedelta_format(code):
        return "duration"
    if is_date_format(code):
        return "date"
    return (
        "percent" if "%" in re.sub(r'"[^"]*"|\\.', "", code) else "number"
    )  # a quoted % is only printed


def _font(font):
    """Return (colour, struck out) of a font."""
    parts = {local_name(part): part for part in font}
    struck = "strike" in parts and parts["strike"].get("val", "1") not in ("0", "false")
    return _colour(parts.get("color")), struck


def _fill(fill):
    """Return the colour of a fill, None when there is none."""
    pattern = next(iter(fill), None)
    if pattern is None or pattern.get("patternType") in (None, "none"):
        return None
    return _colour(next(iter(pattern), None)) or pattern.get("patternType")


def _colour(element):
    """Return what names a colour; None for the automatic and the black text colour, however written."""
    if element is None or element.get("auto") or element.get("theme") == "1":
        return None
    if element.get("indexed") in ("8", "64") or element.get("rgb", "")[-6:] == "000000":
        return None
    return tuple(sorted(element.attrib.items()))


def _strings(archive, part):
    strings = []
    for element in elements(archive, part) if part else ():
        if local_name(element) == "si":
            strings.append(text_of(element))
            element.clear()
    return strings


def text_of(element):
    """Return the text of a string item: its runs joined, phonetic guides left out."""
    runs = [child for child in element if local_name(child) in ("t", "r")]
    pieces = [piece for run in runs for piece in (run if local_name(run) == "r" else [run])]
    return unescaped("".join(piece.text or "" for piece in pieces if local_name(piece) == "t"))


def unescaped(text):
    """Return text with ``_x000D_`` and the like as the characters they stand for."""
    return unescape(text) if "_x" in text else text
