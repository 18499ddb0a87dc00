"""Text files as cells: encoding, delimiter, line ends and quotes, with physical line numbers.

Encodings are told by byte-order mark and validity only: UTF-8 (with or without mark), UTF-16 with
mark, else Windows-1252 if no piece of the file is UTF-8. Nothing is replaced or guessed character
by character.
"""

import csv
import io
import re
from sys import intern

from culmbook.sheets.grid import HEADER_WITHIN, LONGEST_CELL, Grid, has_control, n_names
from culmbook.sheets.problems import note, refuse_file, refuse_row

DELIMITERS = ",;\t"
_C0 = bytes(b for b in range(32) if b not in b"\t\n\r") + b"\x7f"
_UTF8_PAIR = re.compile(rb"[\xc2-\xf4][\x80-\xbf]")
_NO_CP1252 = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
_CONFLICT = re.compile(r"^(<{7}|>{7})(?: |\r?$)", re.MULTILINE)
_LONE_CR = re.compile(r"\r(?=[^\r\n])")
_UTF8_MEND = "re-save as CSV UTF-8"


def read_text(data, file, names=frozenset()):
    """Return the cells of a delimited text file.

    Parameters
    ----------
    data : bytes
        Content of the file.
    file : str
        Name used in messages.
    names : set of str
        Known column names in the form of :func:`culmbook.sheets.headers.plain_header`, used to tell
        the delimiter.

    Returns
    -------
    Grid
        A file that cannot be read as text comes back with no rows and an ``error_file`` problem:
        E-ENCODING, E-NUL, E-TYPE (web page, JSON), E-CONFLICT or E-QUOTE. Rows whose quoting or
        line end is broken are left out, each with its E-FIELDS, E-QUOTE or E-LONG problem.
    """
    text, encoding, problems = decode(data, file)
    if text is None:
        return Grid(file, [], [], problems=problems)
    fault = _foreign_text(text, file)
    if fault:
        return Grid(file, [], [], encoding=encoding, problems=[*problems, fault])
    if "\r" in text and "\n" not in text:
        text = text.replace("\r", "\n")
    grid = _parsed(text, file, names)
    grid.encoding, grid.problems = encoding, problems + grid.problems
    grid.has_control = _any_control(data, text)
    return grid


def decode(data, file):
    """Return (text, encoding, problems); text is None when the file is refused.

    Examples
    --------
    >>> decode(b"plot\\n1\\n", "x.csv")[:2]
    ('plot\\n1\\n', 'utf-8')
    """
    if data.startswith((b"\xff\xfe\0\0", b"\0\0\xfe\xff")):
        return None, None, [refuse_file("E-ENCODING", file, "UTF-32 text is not read", _UTF8_MEND)]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _utf16(data, file)
    if b"\0" in data:
        return None, None, [_nul(data, file)]
    try:
        return data.decode("utf-8-sig"), "utf-8", []
    except UnicodeDecodeError as error:
        offset = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)
    is_mixed = _UTF8_PAIR.search(data) or data.startswith(b"\xef\xbb\xbf")
    unknown = _NO_CP1252.search(data)
    if is_mixed or unknown:
        return None, None, [_undecodable(data, file, offset if is_mixed else unknown.start())]
    said = "the text is not UTF-8: read as Windows-1252 (cp1252)"
    return data.decode("cp1252"), "cp1252", [note("N-ENCODING", file, said, "save as CSV UTF-8")]


def _utf16(data, file):
    try:
        text = data.decode("utf-16")
    except UnicodeDecodeError:
        rule, mend = "the UTF-16 text is cut or damaged", "copy the file again"
        return None, None, [refuse_file("E-ENCODING", file, rule, mend)]
    if "\0" in text:
        return None, None, [_nul(text.encode(), file)]
    said = note("N-ENCODING", file, "the text is UTF-16: read as such", "save as CSV UTF-8")
    return text, "utf-16", [said]


def _nul(data, file):
    if data.count(b"\0") * 4 > len(data):
        rule = "every second byte is NUL: UTF-16 text without its byte-order mark"
        return refuse_file("E-NUL", file, rule, "save as CSV UTF-8")
    line = data.count(b"\n", 0, data.index(b"\0")) + 1
    rule, mend = f"NUL byte in line {line}", "the file is damaged: copy it again"
    return refuse_file("E-NUL", file, rule, mend, line=line)


def _undecodable(data, file, offset):
    """Refuse a file with bytes of two encodings, naming the first cell that is not UTF-8."""
    text = data.decode("latin-1")  # one character per byte, so that offsets stay
    line = text.count("\n", 0, offset) + 1
    start = text.rfind("\n", 0, offset) + 1
    delimiter = find_delimiter(text)
    first = next(ln for ln in text.split("\n") if ln.strip("\r ﻿"))
    header = _cells_of(first.removeprefix("\xef\xbb\xbf"), delimiter)
    place = _last_cell(header, _cells_of(text[start : offset + 1], delimiter))
    byte = f"byte 0x{data[offset]:02X}"
    rule = f"line {line} does not fit the encoding of the rest of the file ({byte})"
    return refuse_file("E-ENCODING", file, rule, _UTF8_MEND, line=line, **place)


def _last_cell(header, cells):
    """Return where the last of some cells stands and what it holds, as keywords of a problem."""
    column = header[len(cells) - 1].strip() if len(cells) <= len(header) else None
    return {"column": column, "value": cells[-1]}


def _foreign_text(text, file):
    """Return the problem of text that is no table, or that version control has spoilt; else None."""
    start = text[:2000].lstrip().lower()
    mend = "export the table itself as CSV UTF-8"
    if start.startswith(("<!doctype", "<html", "<?xml", "<head", "<body", "<table")):
        rule = "this is a web page (or other markup), not a text table"
        return refuse_file("E-TYPE", file, rule, "download the file again; " + mend)
    if re.match(r'[\[{]\s*(["\[{\]}]|$)', start):
        return refuse_file("E-TYPE", file, "this is JSON, not a text table", mend)
    if start.startswith("version https://git-lfs"):
        rule = "this is a pointer to a file kept elsewhere, not the table itself"
        return refuse_file("E-TYPE", file, rule, "fetch the file it stands for")
    mark = ("<<<<<<<" in text or ">>>>>>>" in text) and _CONFLICT.search(text)
    if mark:
        rule = f"conflict marker {mark[1]} left by version control"
        place = {"line": text.count("\n", 0, mark.start()) + 1, "value": mark[1]}
        return refuse_file("E-CONFLICT", file, rule, "resolve the conflict", **place)
    return None


def _any_control(data, text):
    """Tell cheaply whether any cell may hold a control character: whole file first, cells only if
    so.
    """
    if len(data.translate(None, _C0)) != len(data):
        return True
    return not text.isascii() and has_control(text)


def find_delimiter(text, names=frozenset()):
    """Return the delimiter of the first lines: the one that finds column names, else the steadiest.

    Parameters
    ----------
    text : str
    names : set of str
        Known column names.

    Returns
    -------
    str
        Comma, semicolon or tab; comma when there is none.
    """
    lines = text[:200_000].split("\n")[: HEADER_WITHIN + 20]
    scores = {delimiter: _delimiter_score(lines, delimiter, names) for delimiter in DELIMITERS}
    return max(DELIMITERS, key=scores.get)


def _delimiter_score(lines, delimiter, names):
    """Return (column names found, share of lines with the usual number of fields, that number)."""
    rows = [_cells_of(line, delimiter) for line in lines if line.strip()]
    counts = [len(row) for row in rows]
    usual = max(sorted(set(counts)), key=counts.count, default=1)
    if usual == 1:
        return 0, 0.0, 1
    found = max(n_names(row, names) for row in rows[:HEADER_WITHIN]) if names else 0
    return found, counts.count(usual) / len(counts), usual


def _parsed(text, file, names):
    """Return the grid of decoded text."""
    hint = re.match(r"sep=([,;\t])\r?\n", text, re.IGNORECASE)
    skip = 1 if hint else 0
    delimiter = hint[1] if hint else find_delimiter(text, names)
    rows, lines, ends, faults = _records(text, delimiter)
    grid = Grid(
        file,
        rows[skip:],
        lines[skip:],
        {i - skip: end for i, end in ends.items()},
        delimiter=delimiter,
        first_line=1 + skip,
        is_cut=not text.endswith("\n"),
    )
    if hint:
        said = f"delimiter {delimiter!r} taken from the sep= line"
        grid.problems.append(note("N-DELIM", file, said, line=1))
    if faults:
        _explain(grid, faults, text.split("\n"))
    return grid


def _records(text, delimiter):
    """Return (rows, first lines, {row: last line} where several, faults as (first, last, message)).

    A record the csv module refuses ends with the line the fault is in; reading goes on after it.
    """
    source = io.TextIOWrapper(io.BytesIO(text.encode()), "utf-8", newline="\n")
    rows, lines, ends, faults, done = [], [], {}, [], 0
    limit = csv.field_size_limit(LONGEST_CELL)
    try:
        while True:
            reader, start = csv.reader(source, delimiter=delimiter, strict=True), done
            try:
                for row in reader:
                    first, done = done + 1, start + reader.line_num
                    if done > first:
                        ends[len(rows)] = done
                    rows.append(
                        list(map(intern, row))
                    )  # codes repeat: sharing them keeps a long file small
                    lines.append(first)
                return rows, lines, ends, faults
            except csv.Error as error:
                faults.append((done + 1, start + reader.line_num, str(error)))
                done = start + reader.line_num
    finally:
        csv.field_size_limit(limit)


def _explain(grid, faults, text_lines):
    """Turn the faults of the csv module into problems."""
    header = next((row for row in grid.rows if row), [])
    for first, last, message in faults:
        raw = "\n".join(text_lines[first - 1 : last])
        cells = _cells_of(text_lines[first - 1], grid.delimiter)
        is_open = "end of data" in message or last > first
        if is_open and not last == first == len(text_lines):
            rule = f"the quote opened in line {first} is not closed in its cell and takes in the lines that follow"
            place = {"line": first} | _last_cell(header, cells)
            problem = refuse_file("E-QUOTE", grid.file, rule, "remove the stray quote", **place)
            grid.problems.append(problem)
            continue
        code, column, value = "E-FIELDS", None, raw
        if is_open:
            rule, mend = "the file is cut off in its last line", "copy the file again"
        elif "field limit" in message:
            j = max(range(len(cells)), key=lambda k: len(cells[k]))
            code, column, value = "E-LONG", header[j].strip() if j < len(header) else None, cells[j]
            rule = f"{len(value)} characters in one cell, at most {LONGEST_CELL} are read"
            mend = "shorten the text"
        elif _LONE_CR.search(raw):
            rule = "carriage return inside a field that is not in quotes"
            mend = "remove the line break inside the cell"
        else:
            code, rule = "E-QUOTE", "text after a closing quote"
            mend = "remove the stray quote, or write a quote inside a quoted field twice"
        grid.problems.append(refuse_row(code, grid.file, first, column, value, rule, mend))


def _cells_of(line, delimiter):
    """Return the fields of one physical line by itself, whatever is wrong with it."""
    limit = csv.field_size_limit(max(LONGEST_CELL, len(line) + 1))
    try:
        return next(csv.reader([line.replace("\r", " ")], delimiter=delimiter), [""])
    finally:
        csv.field_size_limit(limit)
