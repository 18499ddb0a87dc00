"""Which column of a sheet is which column of its table."""

import re

from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.values import did_you_mean, odd_spaces, trimmed

MOST_COLUMNS = 300
WALK = ("trial", "row", "column")
"""Columns of the table of plots that our own sheets repeat for the walk; elsewhere they are not
read.
"""


def plain_header(text):
    """Return a header cell trimmed, case-folded, with spaces and hyphens as underscores; nothing
    looser.

    Examples
    --------
    >>> plain_header(" Counted on "), plain_header("Fresh-mass kg")
    ('counted_on', 'fresh_mass_kg')
    """
    return re.sub("[ \u00a0\u202f\u2007-]", "_", trimmed(text).casefold())


def match_header(raw, table):
    """Return where each column of the table stands in a sheet, and what was wrong with the header.

    Parameters
    ----------
    raw : RawTable
    table : culmbook.sheets.dictionary.Table

    Returns
    -------
    places : dict of str to int
        Column name to position in the sheet.
    problems : list of Problem
        A refusal of the file (``E-HEADER``, ``E-DUPHEADER``) or notes (``N-HEADER``).
    """
    if len(raw.header) > MOST_COLUMNS:
        rule = f"{len(raw.header)} columns, at most {MOST_COLUMNS}"
        return {}, [_refusal(raw, table, "E-HEADER", None, rule, "delete the surplus columns")]
    names = [plain_header(text) for text in raw.header]
    if not set(names) & set(table.columns):
        rule = f"no header line with columns {', '.join(table.columns[:4])} …"
        mend = "put the column names in the first line"
        return {}, [_refusal(raw, table, "E-HEADER", None, rule, mend)]
    problems = []
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        rule = f"column {name} stands twice"
        problems.append(_refusal(raw, table, "E-DUPHEADER", name, rule, "keep one", name))
    for field in table.fields:
        if not field.optional and field.name not in names:
            mend = f"add the column {field.name}"
            mend += "; its cells may stay blank" * (not field.required)
            rule = f"column {field.name} is missing"
            problems.append(_refusal(raw, table, "E-HEADER", field.name, rule, mend))
    problems += _unknown(raw, table, names, is_complete=not problems)
    places = {name: i for i, name in enumerate(names) if name in table.columns}
    if not any(problem.severity == "error_file" for problem in problems):
        problems += _notes(raw, table, names)
    return places, problems


def _refusal(raw, table, code, column, rule, mend, value=None):
    place = {"line": raw.header_line, "column": column, "value": value, "table": table.name}
    return refuse_file(code, raw.file, rule, mend, **place)


def _note(raw, table, rule, mend, **place):
    return note("N-HEADER", raw.file, rule, mend, line=raw.header_line, table=table.name, **place)


def _unknown(raw, table, names, is_complete):
    """Return a refusal or note for each header that names no column of the table.

    A column of the sheet's own is only noted, as long as nothing is missing and its name is unlike
    that of any column that the sheet lacks; those that our own sheets carry for the walk are passed
    over.
    """
    free = [name for name in table.columns if name not in names]
    found = []
    for text, name in zip(raw.header, names):
        if name in table.columns:
            continue
        mend = did_you_mean(name, free) if name else ""
        is_misspelt = mend.startswith("did you mean")
        rule = f"{text.strip()} is no column of {table.name}"
        if name in WALK and "plot" in table.columns and not is_misspelt:
            continue
        if is_complete and name and not is_misspelt:
            found.append(_note(raw, table, rule + " and was not read", "", column=text.strip()))
            continue
        if not name:
            rule = "a column has no name"
            mend = f"type its name; not found: {', '.join(free) or 'none'}"
        odd = ", ".join(f"U+{ord(c):04X}" for c in text if ord(c) > 127)
        rule += f" ({odd} inside)" if odd else ""
        found.append(_refusal(raw, table, "E-HEADER", text.strip() or None, rule, mend, text))
    return found


def _notes(raw, table, names):
    found = []
    for text, name in zip(raw.header, names):
        if name in table.columns and text.strip(" ") != name:
            spaces = odd_spaces(text)
            rule = f"{text.strip()} read as {name}" + (f"; {spaces} removed" if spaces else "")
            found.append(_note(raw, table, rule, f"write {name}", column=name, value=text))
    absent = [field.name for field in table.fields if field.name not in names]
    if absent:
        rule = f"optional columns not there: {', '.join(absent)}"
        found.append(_note(raw, table, rule, "add them if they were observed"))
    return found
