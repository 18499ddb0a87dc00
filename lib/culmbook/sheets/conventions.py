"""How a whole file writes numbers and dates: one decimal mark and one order of dates, or none."""

import re
from collections import Counter
from dataclasses import dataclass

from culmbook.sheets.values import both_orders, trimmed

_MARKED = re.compile(r"[+\u2212\u2013-]?([0-9]*)([.,])([0-9]+)", re.ASCII)


@dataclass(frozen=True)
class Conventions:
    """The file's decimal mark (``.``, ``,`` or None when unsettled) and its order of year-last dates."""

    decimal: str | None
    order: str


def file_conventions(numbers, dates, delimiter):
    """Return how a file writes numbers and dates.

    Parameters
    ----------
    numbers, dates : iterable of str
        Distinct texts of all its number cells and of all its date cells.
    delimiter : str or None
        The file's field delimiter.

    Returns
    -------
    Conventions
    """
    return Conventions(decimal_mark(numbers, delimiter), date_order(dates))


def decimal_mark(texts, delimiter=None):
    """Return the decimal mark that the distinct number texts of a file settle.

    ``1,234`` may be a thousands mark and settles nothing; ``0,234``, ``1,5`` and ``12,3456`` do. Where both
    marks occur the commoner one is the file's; a tie settles nothing. A file without any settling cell uses
    the point, except that a semicolon file holding only cells like ``1.234`` stays unsettled.

    Examples
    --------
    >>> decimal_mark(["1,5", "30"]), decimal_mark(["1,234"]), decimal_mark(["30"])
    (',', None, '.')
    """
    settling, unsettling = Counter(), Counter()
    for match in filter(None, (_MARKED.fullmatch(trimmed(text)) for text in texts)):
        whole, mark, fraction = match.groups()
        may_be_thousands = len(fraction) == 3 and 1 <= len(whole) <= 3 and whole != "0"
        (unsettling if may_be_thousands else settling)[mark] += 1
    if settling["."] != settling[","]:
        return "." if settling["."] > settling[","] else ","
    open_question = settling["."] or unsettling[","] or (unsettling["."] and delimiter == ";")
    return None if open_question else "."


def date_order(texts):
    """Return the one order that all year-last dates of a file admit.

    Returns
    -------
    str
        ``d/m/y`` or ``m/d/y``; ``ambiguous`` when both fit and differ; ``contradictory`` when some dates
        fit only the one and some only the other. Without such dates ``d/m/y``, which then is never used.

    Examples
    --------
    >>> date_order(["15/06/2025", "05/06/2025"]), date_order(["05/06/2025"])
    ('d/m/y', 'ambiguous')
    """
    found = [both_orders(trimmed(text)) for text in texts]
    found = [days for days in found if days and any(days)]
    day_first, month_first = all(days[0] for days in found), all(days[1] for days in found)
    if day_first and month_first:
        return "ambiguous" if any(first != second for first, second in found) else "d/m/y"
    if day_first or month_first:
        return "d/m/y" if day_first else "m/d/y"
    return "contradictory"
