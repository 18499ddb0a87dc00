"""Sentences about freeze tests: which hybrids are hardier than the control, by how much; shares."""

import numpy as np
import pandas as pd

from culmbook.frost.freeze_model import SLOPES_DIFFER_P, FreezeFit
from culmbook.text.numbers import fmt_count, fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.words import n_of

NAMED = 2  # hybrids that a sentence gives numbers of on either side of the control


def share_words(share: float, low: float, high: float) -> str:
    """A share with its interval, which is left out where it prints like the share itself.

    Examples
    --------
    >>> share_words(0.87, 0.71, 0.93), share_words(0.999, 0.998, 0.9999)
    ('87 % (71 to 93 %)', '>99 %')
    """
    if fmt_share(low) == fmt_share(high) == fmt_share(share):
        return fmt_share(share)
    return f"{fmt_share(share)} ({fmt_interval(low, high)})"


def control_words(temperatures: pd.DataFrame, hybrid: str) -> str:
    """LT50 of a hybrid with its interval, for a sentence: '−3.5 °C, −3.8 to −3.2'."""
    row = temperatures.set_index("hybrid").loc[hybrid]
    low, high = row["lt50_lower_c"], row["lt50_upper_c"]
    limits = (
        f", {fmt_interval(low, high, 1, share=False)}"
        if np.isfinite(low) and np.isfinite(high)
        else ""
    )
    return degrees_c(row["lt50_c"]) + limits


def contrast_sentence(
    contrasts: pd.DataFrame, control: str, level: float, own: str, test: str, together: bool = True
) -> str:
    """Which hybrids are clearly hardier or tenderer than the control, with numbers, and how many are neither.

    Parameters
    ----------
    contrasts : DataFrame
        ``hybrid, difference_c, lower_c, upper_c``, hardiest first.
    control : str
    level : float
    own : str
        The control's LT50 in words.
    test : str
        Such as 'in the freeze test'.
    together : bool
        Whether the intervals hold all at once.

    Returns
    -------
    str
    """
    known = contrasts.dropna(subset=["difference_c"])
    hardier, tenderer = known[known["upper_c"] < 0], known[known["lower_c"] > 0][::-1]
    held = (
        f"{'all ' if together else 'each with its own '}{round(100 * level)} %"
        f" interval{'s taken together' if together else ''}"
    )
    than = f"the control {control} (LT50 {own})"
    if hardier.empty and tenderer.empty:
        return f"No hybrid of {fmt_count(len(known))} is clearly hardier or tenderer than {than} {test}, {held}."
    parts = [
        f"{_hybrids(rows)} {'is' if len(rows) == 1 else 'are'} {word}{' than ' + than if first else ''}:"
        f" {_by_how_much(rows)}"
        for rows, word, first in ((hardier, "hardier", True), (tenderer, "tenderer", hardier.empty))
        if len(rows)
    ]
    rest = len(known) - len(hardier) - len(tenderer)
    neither = (
        "none is left that does not differ"
        if not rest
        else f"{fmt_count(rest)} {'does' if rest == 1 else 'do'} not differ clearly"
    )
    start = test[0].upper() + test[1:]
    return f"{start}, {'; '.join(parts)}; {neither}, {held}."


def _hybrids(rows):
    return n_of(len(rows), "hybrid")


def _by_how_much(rows):
    """The clearest hybrids with the size of their difference; an open end is said as 'at least'."""
    told = []
    for row in rows.head(NAMED).itertuples():
        ends = sorted([abs(row.lower_c), abs(row.upper_c)])
        limits = (
            fmt_interval(*ends, 1, share=False)
            if np.isfinite(ends[1])
            else f"at least {fmt_number(ends[0], 1)}"
        )
        told.append(f"{row.hybrid} by {degrees_c(abs(row.difference_c))} ({limits})")
    more = len(rows) - len(told)
    return fmt_list([*told, f"{fmt_count(more)} more"] if more else told, most=NAMED + 1)


def slope_words(fit: FreezeFit) -> str:
    """Common or own slopes, in a sentence; blank with one hybrid."""
    test = fit.slopes_test
    if not test:
        return ""
    tested = f"chi-squared {fmt_number(test['chi2'], 1)} on {fmt_count(test['df'])} df, {fmt_p(test['p_value'])}"
    if fit.slopes == "own":
        return (
            f"Curves differ in steepness ({tested}), so every hybrid has a slope of its own: ranks at LT10 or"
            " LT90 need not be those at LT50."
        )
    return (
        f"Curves do not differ clearly in steepness ({tested}; limit {SLOPES_DIFFER_P:g}), so hybrids share"
        " one slope: differences at LT10 and LT90 are those at LT50."
    )


def degrees_c(value: float, digits: int = 1) -> str:
    """A temperature for a sentence: '−3.5 °C'."""
    return f"{fmt_number(value, digits)} °C"


def lethal_sentences(
    temperatures: pd.DataFrame, contrasts: pd.DataFrame | None, control: str, level: float
) -> list[str]:
    """What the first page says of one set: against the control or the range, and who has no LT50.

    Parameters
    ----------
    temperatures : DataFrame
        From :func:`culmbook.frost.freeze_curves.lethal_temperatures`.
    contrasts : DataFrame or None
        From :func:`culmbook.frost.freeze_curves.against_control`.
    control : str
    level : float

    Returns
    -------
    list of str
    """
    known = temperatures.dropna(subset=["lt50_c"])
    words = []
    if contrasts is not None:
        words.append(
            contrast_sentence(
                contrasts,
                control,
                level,
                control_words(temperatures, control),
                "in the freeze test",
            )
        )
    elif len(known) > 1:
        top, low = known.iloc[0], known.iloc[-1]
        words.append(
            f"LT50 in the freeze test ranged from {degrees_c(top['lt50_c'])} ({top['hybrid']}) to"
            f" {degrees_c(low['lt50_c'])} ({low['hybrid']}), in {n_of(len(known), 'hybrid')}."
        )
    elif len(known) == 1:
        words.append(
            f"LT50 of {known['hybrid'].iloc[0]} in the freeze test was"
            f" {control_words(known, known['hybrid'].iloc[0])}."
        )
    else:
        words.append(
            "No hybrid has an LT50 from the freeze test: the temperatures tested do not hold it between them."
        )
    open_ended = temperatures[temperatures["answer"].ne("")]
    if len(open_ended) and len(known):
        named = fmt_list(
            [f"{r.hybrid} ({r.answer})" for r in open_ended.itertuples()], most=NAMED + 1
        )
        words.append(f"Without an LT50: {named}.")
    return words
