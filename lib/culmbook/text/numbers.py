"""Numbers and dates as they stand on the page.

A missing value is an en dash, never a blank or a zero. A share that only rounds to 0 or 100 % is
shown as "<1" or ">99", because "none" and "all" are statements of their own in a stand count.
"""

import math
from datetime import date

import pandas as pd

MISSING = "–"
MINUS = "\u2212"
THIN = "\u202f"


def is_missing(value: object) -> bool:
    """True for None, NaN, NaT and pandas' NA."""
    return value is None or (not isinstance(value, (str, tuple, list)) and bool(pd.isna(value)))


def fmt_number(value: float, digits: int = 1) -> str:
    """Give a number with a fixed count of decimals, a true minus sign and thin spaces from 10,000
    up.

    Examples
    --------
    >>> fmt_number(-0.04, 1)
    '0.0'
    >>> fmt_number(float("nan"))
    '–'
    """
    if is_missing(value):
        return MISSING
    if math.isinf(value):
        return MINUS + "∞" if value < 0 else "∞"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    whole, _, rest = text.lstrip("-").partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,d}".replace(",", THIN)
    return (MINUS if text.startswith("-") else "") + whole + ("." + rest if rest else "")


def fmt_count(value: float) -> str:
    """Give a whole number; raises ValueError when it is none.

    Examples
    --------
    >>> fmt_count(78)
    '78'
    """
    if is_missing(value):
        return MISSING
    if value != round(value):
        raise ValueError(f"{value} is no count: use kind 'number' for values that are not whole")
    return fmt_number(int(value), 0)


def percent(share: float, digits: int = 0) -> str:
    """Give a share (0–1) in percent without the sign.

    Examples
    --------
    >>> percent(0.998), percent(1.0), percent(0.002), percent(-0.12)
    ('>99', '100', '<1', '−12')
    """
    if is_missing(share):
        return MISSING
    text, step = fmt_number(100 * share, digits), 10.0**-digits
    if share < 1 and text == fmt_number(100, digits):
        return ">" + fmt_number(100 - step, digits)
    if share > 0 and text == fmt_number(0, digits):
        return "<" + fmt_number(step, digits)
    return text


def fmt_share(share: float, digits: int = 0) -> str:
    """Give a share (0–1) in percent with its sign, for a sentence.

    Examples
    --------
    >>> fmt_share(0.8731)
    '87 %'
    """
    return MISSING if is_missing(share) else percent(share, digits) + " %"


def fmt_interval(
    low: float, high: float, digits: int = 0, *, share: bool = True, unit: str = ""
) -> str:
    """Give an interval with "to" between its ends, safe for negative ends.

    Parameters
    ----------
    low, high : float
        Ends; shares (0–1) when `share` is true, and then printed in percent.
    digits : int
        Decimals.
    share : bool
        Whether the ends are shares.
    unit : str
        Put behind the interval when it is not a share.

    Examples
    --------
    >>> fmt_interval(0.71, 0.93)
    '71 to 93 %'
    >>> fmt_interval(-1.25, 3.5, 1, share=False, unit="t/ha")
    '−1.2 to 3.5 t/ha'
    """
    if is_missing(low) and is_missing(high):
        return MISSING
    form = percent if share else fmt_number
    behind = "%" if share else unit
    return f"{form(low, digits)} to {form(high, digits)}" + (f" {behind}" if behind else "")


def fmt_p(p: float) -> str:
    """Give a p value with its letter.

    Examples
    --------
    >>> fmt_p(0.0321), fmt_p(0.00002), fmt_p(0.2)
    ('p = 0.032', 'p < 0.001', 'p = 0.20')
    """
    if is_missing(p):
        return "p not known"
    if not 0 <= p <= 1:
        raise ValueError(f"p = {p} lies outside 0 to 1")
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.3f}" if p < 0.0995 else f"p = {p:.2f}"


def fmt_date(day: date) -> str:
    """Give a date as ISO 8601.

    Examples
    --------
    >>> fmt_date(pd.Timestamp("2025-05-14"))
    '2025-05-14'
    """
    return MISSING if is_missing(day) else pd.Timestamp(day).strftime("%Y-%m-%d")


def fmt_list(words: list[str], most: int = 6) -> str:
    """Join words for a sentence, at most `most` of them; by semicolons where a word has a comma.

    Examples
    --------
    >>> fmt_list(["a", "b", "c"]), fmt_list(["North, low field", "South", "West"])
    ('a, b and c', 'North, low field; South; and West')
    >>> fmt_list(["a", "b", "c", "d"], most=2)
    'a, b and 2 more'
    """
    words = [str(word) for word in words]
    comma, last = ("; ", "; and ") if any("," in word for word in words) else (", ", " and ")
    if len(words) > most:
        return comma.join(words[:most]) + f"{last}{len(words) - most} more"
    return last.join(filter(None, [comma.join(words[:-1]), *words[-1:]]))
