"""Reading one file of a network folder into text cells with physical line numbers.

Nothing here knows the dictionary: what a column means, and whether a value fits, is judged by whoever reads
the :class:`RawTable`. What can be known from the bytes alone (encoding, form, file type) is settled here.
"""

import hashlib
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

from culmbook.sheets.csvtext import read_text
from culmbook.sheets.filetype import foreign_bytes
from culmbook.sheets.grid import shape
from culmbook.sheets.headers import plain_header
from culmbook.sheets.problems import refuse_file

LARGEST_FILE = 400_000_000  # bytes; a million rows of a field table are some 60 MB
WORKBOOKS = (".xlsx", ".xlsm")


@dataclass
class RawTable:
    """Cells of one table as text, and where each stands in its file.

    Parameters
    ----------
    file : str
        Path relative to the network folder, with ``/`` between its parts.
    sheet : str or None
        Worksheet the cells come from; None for text files.
    header : list of str
        Header cells as they stand.
    header_line : int
        Physical 1-based line (text) or sheet row (workbook) of the header.
    lines : list of int
        Physical line or sheet row on which each row starts.
    rows : list of list of str
        One list per row kept, as long as `header`; cells as they stand, a blank cell is ``""``.
    kinds : dict of (int, int) to str
        (row index, column index) → "number", "percent", "date", "datetime", "time", "boolean", "error" or
        "formula_uncached"; absent means text. Workbooks only. Numbers are in shortest round-trip form, a
        percent is the stored fraction, dates are ISO 8601, a formula without stored result is its own text.
    columns : list of int
        0-based column of the sheet each header cell stands in.
    decimal : str or None
        Left None here: known once the number columns are.
    delimiter, encoding : str or None
        Text files only.
    sha256 : str
    n_bytes : int
    n_rows : int
        Rows below the header, kept and refused.
    problems : list of Problem
    """

    file: str
    sheet: str | None = None
    header: list[str] = field(default_factory=list)
    header_line: int = 0
    lines: list[int] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    kinds: dict[tuple[int, int], str] = field(default_factory=dict)
    columns: list[int] = field(default_factory=list)
    decimal: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    sha256: str = ""
    n_bytes: int = 0
    n_rows: int = 0
    problems: list = field(default_factory=list)

    @property
    def refused(self):
        """Whether the whole file was refused."""
        return any(p.severity == "error_file" for p in self.problems)

    def cell_name(self, row, column):
        """Return the spreadsheet name (``J2``) of a cell given by its indices in `rows`."""
        from openpyxl.utils import get_column_letter

        return f"{get_column_letter(self.columns[column] + 1)}{self.lines[row]}"


def read_raw(path, root, names=()):
    """Read a CSV file or an XLSX workbook into text cells.

    Parameters
    ----------
    path, root : path-like
        The file, and the network folder it must lie in.
    names : iterable of str
        Column names of the table, if known: they tell the header from title rows, the table's sheet from
        others, and the delimiter in doubtful files.

    Returns
    -------
    RawTable
        Never raises for bad content: a refused file comes back without rows, with an ``error_file`` problem.
    """
    path, root = Path(path), Path(root)
    file = os.path.relpath(path, root).replace(os.sep, "/")
    data, fault = _content(path, root, file)
    if fault:
        return RawTable(file, problems=[fault])
    facts = {"sha256": hashlib.sha256(data).hexdigest(), "n_bytes": len(data)}
    names = frozenset(map(plain_header, names))
    fault = foreign_bytes(data, file)
    if fault:
        return RawTable(file, problems=[fault], **facts)
    if path.suffix.lower() in WORKBOOKS:
        from culmbook.sheets.xlsx import (
            read_workbook,  # its parsers load only when a workbook turns up
        )

        grid, found = read_workbook(data, file, names)
    else:
        grid = read_text(data, file, names)
        found = None
    return _assembled(grid, found, names, facts)


def _assembled(grid, found, names, facts):
    """Return the table of a grid, shaping it unless it was refused or already shaped."""
    table = RawTable(
        grid.file, grid.sheet, delimiter=grid.delimiter, encoding=grid.encoding, **facts
    )
    table.problems = list(grid.problems)
    if table.refused:
        return table
    found = found or shape(grid, names)
    table.problems += found.problems
    table.header, table.header_line, table.columns = found.header, found.header_line, found.columns
    table.n_rows = found.n_seen + sum(p.severity == "error_row" for p in grid.problems)
    if not table.refused:
        table.lines, table.rows, table.kinds = found.lines, found.rows, found.kinds
    return table


def _content(path, root, file):
    """Return (bytes, None), or (None, problem) for what is not a plain readable file inside `root`."""
    copy = "copy the file itself into the folder"

    def refuse(rule, mend=""):
        return None, refuse_file("E-PATH", file, rule, mend)

    try:
        if not path.resolve(strict=True).is_relative_to(root.resolve()):
            return refuse("a link that leads outside the network folder", copy)
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            return refuse("a folder with the name of a table", "rename or remove the folder")
        if not stat.S_ISREG(mode):
            return refuse("not a regular file", "remove it")
        return _read_unchanged(path, file)
    except PermissionError:
        return refuse("no permission to read the file", "give yourself read permission")
    except FileNotFoundError:
        return refuse("the file is not there (a link that leads nowhere)", copy)
    except (OSError, RuntimeError) as error:
        return refuse(f"the file cannot be read: {error}", "copy the file again")


def _read_unchanged(path, file):
    """Return (bytes, None); the file is refused if it changed in between or is too large."""
    before = _stamp(path)
    if before[0] > LARGEST_FILE:
        return None, refuse_file(
            "E-SIZE",
            file,
            f"{before[0]} bytes, at most {LARGEST_FILE} are read",
            "split the table by site",
        )
    data = _read_all(path)
    if _stamp(path) != before or len(data) != before[0]:
        return None, refuse_file(
            "E-CHANGED", file, "the file changed while it was read", "run again"
        )
    return data, None


def _stamp(path):
    """Return what changes when a file does: size, time of change, identity."""
    now = path.stat()
    return now.st_size, now.st_mtime_ns, now.st_ino


def _read_all(path):
    # O_NONBLOCK: were the file swapped for a pipe after the check, opening it would otherwise wait for ever
    with open(
        path, "rb", opener=lambda p, flags: os.open(p, flags | getattr(os, "O_NONBLOCK", 0))
    ) as source:
        return source.read()
