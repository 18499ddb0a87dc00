"""Counts and their nouns, and the small words that captions and sentences share."""

import pandas as pd

from culmbook.text.numbers import fmt_count


def n_of(n, noun, plural=None):
    """Give a count with its noun.

    Examples
    --------
    >>> n_of(1, "plot"), n_of(0, "plot"), n_of(2, "entry", "entries")
    ('1 plot', '0 plots', '2 entries')
    """
    return f"{fmt_count(n)} {noun if n == 1 else plural or noun + 's'}"


def is_are(n, singular="is", plural="are"):
    """Choose the verb for a count."""
    return singular if n == 1 else plural


def ordinal(n):
    """Give a rank in digits, blank for the first.

    Examples
    --------
    >>> [ordinal(n) for n in (1, 2, 3, 11, 22)]
    ['', '2nd ', '3rd ', '11th ', '22nd ']
    """
    if n == 1:
        return ""
    tail = "th" if 10 < n % 100 < 14 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{tail} "


def joined(*parts: str) -> str:
    """Sentences that are there, in one string."""
    return " ".join(filter(None, parts))


def at_sites(frame: pd.DataFrame) -> str:
    """' at 3 sites', or blank for one site."""
    n = frame["site"].nunique()
    return f" at {n} sites" if n > 1 else ""


def each_n(counts: pd.Series, noun: str = "plot", owner: str = "hybrid") -> str:
    """How much stands behind each: '12 plots per hybrid', '4 to 12 plots per hybrid'."""
    low, high = counts.min(), counts.max()
    return f"{n_of(low, noun) if low == high else f'{low} to {high} {noun}s'} per {owner}"


def shown_of(shown: int, there: int, which: str) -> str:
    """Note of a table that lists the first plots only; blank when it lists all."""
    if shown == there:
        return ""
    return f"The first {fmt_count(shown)} of {fmt_count(there)} plots {which}."


def marked(hybrids, controls: list[str]) -> str:
    """Sentence for a caption where controls are among the hybrids drawn."""
    return " Controls are squares." if set(hybrids) & set(controls) else ""
