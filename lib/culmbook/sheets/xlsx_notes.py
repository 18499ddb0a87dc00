"""What a worksheet says beside its values: merged, hidden, coloured, struck-out and commented cells, macros.

None of it is read as data; a merged range, which leaves cells blank that look filled, refuses the file.
"""

from collections import Counter

from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import range_boundaries

from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.xlsx_parts import elements, local_name, targets


def macro_notes(archive, file):
    if not any(
        part.endswith("vbaProject.bin") or "macrosheets/" in part for part in archive.namelist()
    ):
        return []
    return [
        note(
            "N-MACRO",
            file,
            "the workbook holds a macro: its values were read, the macro was not run",
            "save as .xlsx",
        )
    ]


def merged_faults(sheet, found, file):
    """Refuse the file for every merged range that reaches into the table."""
    last = max([found.header_line, *found.lines, *(p.line or 0 for p in found.problems)])
    faults = []
    for ref in sheet.merged:
        left, top, right, bottom = range_boundaries(ref)
        inside = [k for k, column in enumerate(found.columns) if left <= column + 1 <= right]
        if inside and bottom >= found.header_line and top <= last:
            faults.append(
                refuse_file(
                    "E-MERGED",
                    file,
                    f"merged cells {ref}: only the first holds a value",
                    "unmerge and fill down",
                    line=max(top, found.header_line),
                    column=found.header[inside[0]].strip(),
                )
            )
    return faults


def hidden_notes(sheet, sheets, found, file):
    """Note hidden rows and columns of the table, and hidden sheets with cells."""
    rows = [line for line in found.lines if line in sheet.hidden_rows]
    columns = [column for column in found.columns if column in sheet.hidden_columns]
    others = [s.name for s in sheets if s.is_hidden and any(s.rows)]
    notes = []
    if rows:
        said = f"{len(rows)} hidden row{'s' * (len(rows) > 1)} read like the others"
        notes.append(note("N-HIDDEN", file, said, line=rows[0]))
    notes += [
        note(
            "N-HIDDEN",
            file,
            f"hidden column {get_column_letter(column + 1)} read like the others",
            column=found.header[found.columns.index(column)].strip(),
        )
        for column in columns
    ]
    return notes + [note("N-HIDDEN", file, f"hidden sheet “{name}” not read") for name in others]


def formatting_notes(archive, sheet, found, styles, file):
    """Note cells set apart by colour, strike-out or comment: what they mean is not read."""
    line_at = {line: k for k, line in enumerate(sheet.lines)}
    at, columns = {line_at[line] for line in found.lines}, set(found.columns)
    looks = {
        place: style
        for place, style in sheet.looks.items()
        if place[0] in at and place[1] in columns and style < len(styles.colours)
    }
    n_coloured = _n_unusual(looks, styles.colours, len(at))
    n_struck = sum(styles.is_struck[style] for style in looks.values())
    n_comments = _n_comments(archive, sheet)
    if not n_coloured + n_struck + n_comments:
        return []
    said = (
        f"{n_coloured} coloured, {n_struck} struck-out and {n_comments} commented cells: their values "
        "are read, what the marks mean is not"
    )
    return [note("N-FORMATTING", file, said, "write what they mean into a column of the table")]


def _n_unusual(looks, colours, n_rows):
    """Return how many cells are coloured unlike most of their column (one of one colour says nothing)."""
    in_column = {}
    for (_, column), style in looks.items():
        in_column.setdefault(column, Counter())[colours[style]] += 1
    n_unusual = 0
    for count in in_column.values():
        count[(None, None)] += n_rows - count.total()
        n_unusual += n_rows - count.most_common(1)[0][1]
    return n_unusual


def _n_comments(archive, sheet):
    parts = [
        target
        for kind, target in targets(archive, sheet.part).values()
        if kind.endswith(("/comments", "/threadedComment"))
    ]
    return len(
        {
            e.get("ref")
            for part in parts
            for e in elements(archive, part)
            if local_name(e) in ("comment", "threadedComment")
        }
    )
