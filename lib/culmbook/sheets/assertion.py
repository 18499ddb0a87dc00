"""The last check of what was read, by an independent validator built from the same Table Schema.

Every fault of a sheet is found before, with its place and mend; a failure here is a fault of this library.
"""

import re
from functools import cache

import pandera.pandas as pa

from culmbook.sheets.dictionary import tables


@cache
def frame_schema(name):
    """Return the pandera schema of one table of the dictionary."""
    table = tables()[name]
    columns = {field.name: _column(field) for field in table.fields}
    return pa.DataFrameSchema(columns, unique=list(table.key) if name != "freeze_tests" else None)


def _column(field):
    checks = []
    if field.enum:
        checks.append(pa.Check.isin(list(field.enum)))
    if field.minimum is not None:
        checks.append(pa.Check.ge(field.minimum))
    if field.exclusive_minimum is not None:
        checks.append(pa.Check.gt(field.exclusive_minimum))
    if field.maximum is not None:
        checks.append(pa.Check.le(field.maximum))
    if field.pattern:
        checks.append(
            pa.Check(lambda values, it=field.pattern: _matches(values, it), name="pattern")
        )
    return pa.Column(
        field.dtype, checks=checks, nullable=not field.required or bool(field.na_means)
    )


def _matches(values, pattern):
    """Return whether each text matches as a whole; each distinct text is tried once."""
    good = [text for text in values.dropna().unique() if _is_full_match(pattern, text)]
    return values.isin(good) | values.isna()


@cache
def _is_full_match(pattern, text):
    return re.fullmatch(pattern, text) is not None


def assert_table(name, frame):
    """Raise if a table that was read does not fit its schema.

    Parameters
    ----------
    name : str
        Table of the dictionary.
    frame : pandas.DataFrame

    Raises
    ------
    RuntimeError
        Naming the table, the columns and the first rows that failed: an internal error.
    """
    if frame.empty:
        return
    try:
        frame_schema(name).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
        columns = ", ".join(map(str, dict.fromkeys(cases["column"].fillna("key"))))
        rows = [int(i) for i in cases["index"].dropna().unique()[:5]]
        places = ", ".join(
            f"{frame['source_file'].iat[i]} line {frame['source_line'].iat[i]}" for i in rows
        )
        checks = ", ".join(map(str, dict.fromkeys(cases["check"])))
        raise RuntimeError(
            f"internal error: the table {name} was read but does not fit its schema: "
            f"{columns} ({checks}) in {places or 'the whole table'}; please "
            "report this"
        ) from error
