"""From the bare cells of one sheet to a header and rows: blank lines, titles, widths, odd
characters.

A :class:`Grid` is what a CSV file or a worksheet holds, before anything is known about it. `shape`
finds the header and sorts the lines below it into rows, refused rows and notes; it judges form
only, never the meaning of a value.
"""

import re
from dataclasses import dataclass, field

from culmbook.sheets.problems import note, refuse_file, refuse_row
from culmbook.sheets.values import trimmed

MOST_COLUMNS = 300
WALK = ("trial", "row", "column", "plants_planted", "last_count")
"""Columns that our own sheets hold for the walk, which are not read."""
LONGEST_CELL = 32_767  # what a spreadsheet cell can hold
HEADER_WITHIN = 30  # lines searched for the header
MUST_BE_FILLED = "(must be filled)"  # stands above a needed column's name in our own empty sheets
READ_ME = "read_me"  # the sheet beside the table in them, and how it begins
READ_ME_BEGINS = "Type into the sheet beside this one and save it as XLSX under the name it has."

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028\u2029]")


@dataclass
class Grid:
    """Cells of one sheet as they stand, with the physical line each row starts on.

    Parameters
    ----------
    file : str
        Path relative to the network folder.
    rows, lines : list
        Cells and first physical line of every record, blank ones included.
    ends : dict of int to int
        Last physical line of the records (by index) that span several lines.
    kinds : dict
        (record index, column index) → kind of a worksheet cell; absent means text.
    padded : bool
        True for worksheets, whose rows may end early without losing a cell.
    delimiter, encoding, sheet : str or None
    first_line : int
        First line of the sheet proper (2 under a ``sep=`` line).
    is_cut : bool
        The text does not end with a line end.
    has_control : bool
        Some cell may hold a control character or be overlong; False skips the search.
    problems : list of Problem
    """

    file: str
    rows: list
    lines: list
    ends: dict = field(default_factory=dict)
    kinds: dict = field(default_factory=dict)
    padded: bool = False
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None
    first_line: int = 1
    is_cut: bool = False
    has_control: bool = True
    problems: list = field(default_factory=list)


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
        (row index, column index) → "number", "percent", "date", "datetime", "time", "boolean",
        "error" or "formula_uncached"; absent means text. Workbooks only. Numbers are in shortest
        round-trip form, a percent is the stored fraction, dates are ISO 8601, a formula without
        stored result is its own text.
    columns : list of int
        0-based column of the sheet each header cell stands in.
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
        from openpyxl.utils import get_column_letter  # loads only when a workbook turns up

        return f"{get_column_letter(self.columns[column] + 1)}{self.lines[row]}"


def has_control(text):
    """Tell whether `text` holds a control or text-direction character.

    Tab, line feed and carriage return do not count: a quoted field may hold them.
    """
    return bool(_CONTROL.search(text))


def is_blank(row):
    """Tell whether every cell of `row` is empty or holds only white space."""
    return not row or (not row[0].strip() and not any(cell.strip() for cell in row))


def n_names(row, names):
    """Return how many different column names of `names` stand in `row`."""
    return len(names & {plain_header(cell) for cell in row})


def find_header(rows, names):
    """Return the index of the header among the first rows, or None.

    Parameters
    ----------
    rows : list of list of str
    names : set of str
        Column names of the table in the form of :func:`culmbook.sheets.headers.plain_header`; when
        empty, the header is the first row that fills at least half as many cells as rows usually
        do.
    """
    first = [(i, row) for i, row in enumerate(rows[:HEADER_WITHIN]) if not is_blank(row)]
    if names:
        return next((i for i, row in first if n_names(row, names) >= 2), None)
    filled = [sum(bool(cell.strip()) for cell in row) for _, row in first]
    usual = max(sorted(set(filled)), key=filled.count, default=0)
    return next((i for (i, _), n in zip(first, filled) if n >= usual / 2), None)


def shape(grid, names=frozenset()):
    """Find the header of a grid and sort what is below it into rows and refusals.

    Parameters
    ----------
    grid : Grid
    names : set of str
        Known column names (see :func:`find_header`).

    Returns
    -------
    RawTable
        With `problems`: E-EMPTY, E-HEADER, E-CTRL, E-QUOTE (whole file); E-FIELDS, E-CTRL, E-LONG,
        E-TABLE2 (one row each); N-TITLE, N-BLANK, N-TRAILSEP, N-EMPTYCOL.
    """
    said = {"delimiter": grid.delimiter, "encoding": grid.encoding}
    found, at = RawTable(grid.file, grid.sheet, **said), find_header(grid.rows, names)
    if at is None:
        found.problems.append(_no_header(grid, names))
        return found
    cells = grid.rows[at]
    found.header_line, found.problems = grid.lines[at], _above(grid, at)
    width = max(i for i, cell in enumerate(cells) if cell.strip()) + 1
    faults = _header_faults(grid, at, width)
    if faults:
        found.problems += faults
        return found
    kept = _body(grid, at, width, names, found)
    _select_columns(grid, cells, width, kept, found)
    if grid.has_control:
        _refuse_cells(grid.file, found)
    return found


def empty(file, what="file"):
    """Return the refusal of a file without header and rows."""
    rule = f"the {what} is empty: it holds no header and no row"
    return refuse_file("E-EMPTY", file, rule, "fill it in, or remove the file")


def _no_header(grid, names):
    """Refuse a file without header, saying which rows were read and what the first ones hold."""
    filled = [i for i, row in enumerate(grid.rows[:HEADER_WITHIN]) if not is_blank(row)]
    if not filled:
        return empty(grid.file)
    words = {grid.lines[i]: [c.strip() for c in grid.rows[i] if c.strip()] for i in filled[:2]}
    read = "; ".join(f"line {n} reads “{' | '.join(cells[:8])}”" for n, cells in words.items())
    rule = f"no header: none of lines {grid.lines[0]} to {grid.lines[filled[-1]]} holds two column "
    rule += f"names of this table ({', '.join(sorted(names)[:4])} …); {read}"
    mend = (
        "write the column names above the first row, or name your own headings: culmbook headings"
    )
    return refuse_file("E-HEADER", grid.file, rule, mend)


def _above(grid, at):
    """Note what stands above the header, unless it is the title and the units of our own empty
    sheets.
    """
    n = grid.lines[at] - grid.first_line
    if n == 2 and at == 2 and any(cell.strip().endswith(MUST_BE_FILLED) for cell in grid.rows[1]):
        return []
    if all(is_blank(row) for row in grid.rows[:at]):
        return []
    rule = f"{n} row{'s' * (n > 1)} above the header: not read"
    return [note("N-TITLE", grid.file, rule, line=grid.first_line)]


def _header_faults(grid, at, width):
    line, faults = grid.lines[at], []
    if width > MOST_COLUMNS:
        rule = f"the header has {width} or more columns, at most {MOST_COLUMNS} are read"
        mend = "keep the columns of one table"
        return [refuse_file("E-HEADER", grid.file, rule, mend, line=line)]
    for cell in grid.rows[at][:width]:
        if c := _CONTROL.search(cell):
            rule = f"control character U+{ord(c[0]):04X} in the header"
            place = {"line": line, "column": cell.strip(), "value": cell}
            faults.append(refuse_file("E-CTRL", grid.file, rule, "type this header again", **place))
    return faults


def _body(grid, at, width, names, found):
    """Return the indices of the records kept as rows; refusals and notes go to `found`."""
    n_header = len(grid.rows[at])
    below = [i for i in range(at + 1, len(grid.rows)) if not is_blank(grid.rows[i])]
    found.n_rows = len(below)
    found.problems += _blank_note(grid, at, below)
    own = {plain_header(c) for c in grid.rows[at]} - {""}
    below = _refuse_second_table(grid, at, below, (own & names) or own, found)
    swallowed = [i for i in below if i in grid.ends and _has_swallowed(grid, i, n_header)]
    for i in swallowed:
        rule = (
            f"a quoted field that starts on line {grid.lines[i]} runs on to line {grid.ends[i]} "
            "and takes in other rows"
        )
        place = {"line": grid.lines[i], "value": _as_text(grid, i)}
        mend = "remove the stray quote"
        found.problems.append(refuse_file("E-QUOTE", grid.file, rule, mend, **place))
    if swallowed:
        return []
    if grid.padded:
        return [i for i in below if not _outside(grid, i, width, found)]
    return _of_full_width(grid, n_header, width, below, found)


def _blank_note(grid, at, below):
    """Note blank lines above the last row, and in a worksheet blank-looking cells far below it."""
    last = max(below, default=at)
    n_records = last - at - len(below)
    n = grid.lines[last] - grid.lines[at] - len(below) if grid.padded else n_records
    where = ""
    if grid.padded and last < len(grid.rows) - 1:
        n += len(grid.rows) - 1 - last
        where = f", down to row {grid.lines[-1]} far below the table"
    if all(is_blank(row) for row in grid.rows[:at]):
        n += grid.lines[at] - grid.first_line
    rule = f"{n} blank line{'s' * (n > 1)} skipped{where}"
    return [note("N-BLANK", grid.file, rule)] if n else []


def _refuse_second_table(grid, at, below, names, found):
    """Return `below` without repeated headers, and without all rows from where another header
    stands.
    """
    starts = {cell for cell in {grid.rows[i][0] for i in below} if plain_header(cell) in names}
    repeats = set()
    header = list(map(plain_header, grid.rows[at]))
    for k, i in enumerate(below) if starts else ():
        if grid.rows[i][0] not in starts or n_names(grid.rows[i], names) < 2:
            continue
        is_same = list(map(plain_header, grid.rows[i])) == header
        what = "the header again" if is_same else "another header"
        rule = f"a second table starts in line {grid.lines[i]} ({what})"
        for j in [i] if is_same else below[k:]:
            mend = "one table per file: move it to a file of its own"
            place = (grid.lines[j], None, _as_text(grid, j))
            found.problems.append(refuse_row("E-TABLE2", grid.file, *place, rule, mend))
        if not is_same:
            below = below[:k]
            break
        repeats.add(i)
    return [i for i in below if i not in repeats] if repeats else below


def _has_swallowed(grid, i, width):
    """Tell whether a record over several lines has taken in other rows."""
    row = grid.rows[i]
    parts = [part for cell in row if "\n" in cell for part in cell.split("\n")]
    return len(row) < width or (
        width > 1 and any(part.count(grid.delimiter) >= width - 1 for part in parts)
    )


def _outside(grid, i, width, found):
    """Refuse a row that has a cell to the right of the header."""
    cell = next((c for c in grid.rows[i][width:] if c.strip()), None)
    if cell is not None:
        rule = f"a cell to the right of the table: the header ends with column {width}"
        mend = "move the remark into a column of the table"
        row = refuse_row("E-FIELDS", grid.file, grid.lines[i], None, cell, rule, mend)
        found.problems.append(row)
    return cell is not None


def _of_full_width(grid, n_header, width, below, found):
    """Return the records of the right number of fields, refusing the others."""
    exact = [i for i in below if len(grid.rows[i]) == n_header]
    others = [i for i in below if len(grid.rows[i]) != n_header] if len(exact) < len(below) else []
    if not exact and others:
        exact, others = _with_trailing_delimiter(grid, n_header, others, found)
    found.problems += [_wrong_width(grid, i, n_header) for i in others]
    if n_header > width:
        exact = [i for i in exact if not _outside(grid, i, width, found)]
    return exact


def _with_trailing_delimiter(grid, n_header, others, found):
    """Accept rows that all end with the same surplus of empty fields; return (accepted, refused)."""
    surplus = {i: len(grid.rows[i]) - n_header for i in others if is_blank(grid.rows[i][n_header:])}
    longer = [n for n in surplus.values() if n > 0]
    if not longer:
        return [], others
    usual = max(sorted(set(longer)), key=longer.count)
    taken = [i for i in others if surplus.get(i) == usual]
    said = (
        f"{len(taken)} rows end with a trailing delimiter that the header does not have: the empty field "
        "at their end is left out"
    )
    found.problems.append(note("N-TRAILSEP", grid.file, said))
    return taken, [i for i in others if surplus.get(i) != usual]


def _wrong_width(grid, i, n_header):
    n = len(grid.rows[i])
    rule = f"{n} field{'s' * (n != 1)}, header has {n_header}"
    mend = "leave no field out: keep its delimiter"
    if n > n_header:
        mend = "remove the extra delimiter, or put the field that holds it in quotes"
        if grid.delimiter == ",":
            mend = "export with semicolons, or with decimal points; else remove the extra comma"
    elif grid.is_cut and i == len(grid.rows) - 1:
        rule, mend = f"{rule}: the file is cut off in its last line", "copy the file again"
    return refuse_row("E-FIELDS", grid.file, grid.lines[i], None, _as_text(grid, i), rule, mend)


def _as_text(grid, i):
    return (grid.delimiter or "\t").join(grid.rows[i])


def _select_columns(grid, cells, width, kept, found):
    """Fill header, rows and kinds of `found`, leaving out columns without name and content."""
    rows = [grid.rows[i] for i in kept]
    nameless = [j for j in range(width) if not cells[j].strip()]
    empty = {j for j in nameless if not any(j < len(row) and row[j].strip() for row in rows)}
    found.columns = columns = [j for j in range(width) if j not in empty]
    found.header = [cells[j] for j in columns]
    found.lines = [grid.lines[i] for i in kept]
    n_empty = (len(cells) if not grid.padded else width) - len(columns)
    if n_empty:
        said = f"{n_empty} empty column{'s' * (n_empty > 1)} without a name left out"
        found.problems.append(note("N-EMPTYCOL", grid.file, said))
    if grid.padded:
        rows = [row + [""] * (width - len(row)) for row in rows]
    if n_empty or grid.padded or any(len(row) != len(columns) for row in rows):
        rows = [[row[j] for j in columns] for row in rows]
    found.rows = rows
    row_at, column_at = {i: k for k, i in enumerate(kept)}, {j: k for k, j in enumerate(columns)}
    for (i, j), kind in grid.kinds.items():
        if i in row_at and j in column_at:
            found.kinds[row_at[i], column_at[j]] = kind


def _refuse_cells(file, found):
    """Refuse the rows that hold a control character or an overlong cell."""
    bad = set()
    for i, row in enumerate(found.rows):
        for j, cell in enumerate(row):
            if c := _CONTROL.search(cell):
                code, mend = "E-CTRL", "type this cell again"
                rule = f"control character U+{ord(c[0]):04X} in the cell"
            elif len(cell) > LONGEST_CELL:
                code, mend = "E-LONG", "shorten the text"
                rule = f"{len(cell)} characters in one cell, at most {LONGEST_CELL} are read"
            else:
                continue
            place = (found.lines[i], found.header[j].strip(), cell)
            found.problems.append(refuse_row(code, file, *place, rule, mend))
            bad.add(i)
    if bad:
        drop_rows(found, bad)


def drop_rows(found, bad):
    """Drop rows from a table of text cells, in place.

    Parameters
    ----------
    found : RawTable
        Its `rows`, `lines` and `kinds` are replaced.
    bad : set of int
        Positions in `rows`.
    """
    kept = [i for i in range(len(found.rows)) if i not in bad]
    at = {i: k for k, i in enumerate(kept)}
    found.rows, found.lines = [found.rows[i] for i in kept], [found.lines[i] for i in kept]
    found.kinds = {(at[i], j): kind for (i, j), kind in found.kinds.items() if i in at}


# ---------------------------------------------------------------- headers


def plain_header(text):
    """Return a header cell trimmed, case-folded, with spaces and hyphens as underscores; nothing
    looser.

    Examples
    --------
    >>> plain_header(" Counted on "), plain_header("Fresh-mass kg")
    ('counted_on', 'fresh_mass_kg')
    """
    return re.sub("[ \u00a0\u202f\u2007-]", "_", trimmed(text).casefold())
