"""Sentences about spring frost damage: chances, odds against the control, proportionality."""

import pandas as pd

from culmbook.frost.spring_damage import SEVERE
from culmbook.frost.words import share_words
from culmbook.text.numbers import fmt_count, fmt_list, fmt_number, fmt_p
from culmbook.text.words import n_of

MOST_ODDS = 100  # an odds ratio beyond it, or below its inverse, is printed as that
NAMED = 2  # hybrids that a sentence gives odds of on either side of the control
EFFECTS = {"hybrid": "hybrids", "observer": "observers", "emergence": "time since emergence"}


def odds(ratio: float) -> str:
    """An odds ratio with two figures; beyond a hundred, or below its inverse, only that.

    Examples
    --------
    >>> odds(17.1), odds(0.082), odds(2.04), odds(52000.0), odds(0.0002)
    ('17', '0.08', '2.0', '>100', '<0.01')
    """
    if pd.isna(ratio):
        return "–"
    if ratio > MOST_ODDS:
        return f">{MOST_ODDS}"
    if ratio < 1 / MOST_ODDS:
        return f"<{1 / MOST_ODDS:g}"
    return fmt_number(ratio, 0 if ratio >= 10 else 1 if ratio >= 1 else 2)


def chance_sentence(chances: pd.DataFrame, control: str, frosts: str) -> str:
    """Chance of severe damage of the control and the ends of the range."""
    picked = {
        row["hybrid"]: row
        for row in [
            *(r for _, r in chances[chances["hybrid"].eq(control)].iterrows()),
            chances.iloc[0],
            chances.iloc[-1],
        ]
    }
    told = [
        f"{share_words(row['chance'], row['lower'], row['upper'])} for"
        f" {'the control ' if name == control else ''}{name}"
        for name, row in picked.items()
    ]
    return (
        f"After {frosts}, the chance that a plot was scored {SEVERE} or more was {fmt_list(told)}, in"
        f" {n_of(len(chances), 'hybrid')}."
    )


def odds_sentence(contrasts: pd.DataFrame, control: str, level: float) -> str:
    """Which hybrids were clearly less or more damaged than the control, with odds ratios.

    Parameters
    ----------
    contrasts : DataFrame
        From :func:`culmbook.frost.spring_damage.damage_against_control`.
    control : str
    level : float

    Returns
    -------
    str
    """
    held = f"all {round(100 * level)} % intervals taken together"
    less, more = (
        contrasts[contrasts["verdict"].eq(f"{word} damaged")] for word in ("less", "more")
    )
    if less.empty and more.empty:
        return (
            f"No hybrid of {fmt_count(len(contrasts))} was clearly less or more damaged than the control"
            f" {control}, {held}."
        )
    parts = [
        f"{n_of(len(rows), 'hybrid')} {'was' if len(rows) == 1 else 'were'} {word}"
        f" damaged{f' than the control {control} (odds of a higher score)' if first else ''}:"
        f" {_by_odds(rows)}"
        for rows, word, first in ((less, "less", True), (more[::-1], "more", less.empty))
        if len(rows)
    ]
    rest = len(contrasts) - len(less) - len(more)
    neither = (
        "none is left that was not told apart"
        if not rest
        else f"{fmt_count(rest)} {'was' if rest == 1 else 'were'} not told apart"
    )
    return f"{'; '.join(parts)}; {neither}, {held}."


def _by_odds(rows):
    told = [
        f"{r.hybrid} × {odds(r.odds_ratio)} ({odds(r.all_lower)} to {odds(r.all_upper)})"
        for r in rows.head(NAMED).itertuples()
    ]
    more = len(rows) - len(told)
    return fmt_list([*told, f"{fmt_count(more)} more"] if more else told, most=NAMED + 1)


def equal_sentence(contrasts: pd.DataFrame, control: str) -> str:
    """Which hybrids differ from the control at an equal time since emergence; odds stand in the table."""
    told = []
    for word in ("less", "more"):
        names = list(contrasts.loc[contrasts["verdict"].eq(f"{word} damaged"), "hybrid"])
        if names:
            told.append(
                f"{fmt_list(names if word == 'less' else names[::-1])} {'was' if len(names) == 1 else 'were'}"
                f" {word} damaged"
            )
    if not told:
        return f"At an equal time since emergence none was told apart from {control}."
    return f"At an equal time since emergence, {'; '.join(told)} than {control}."


def proportional_words(found: pd.DataFrame) -> list[str]:
    """Whether one odds ratio may stand for all scores, in sentences.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.spring_damage.proportionality`.

    Returns
    -------
    list of str
    """
    words = []
    for row in found.itertuples():
        if row.verdict == "not tested":
            words.append(
                f"Whether one odds ratio for {EFFECTS[row.effect]} holds at every score is not tested:"
                f" {row.reason}."
            )
            continue
        tested = (
            f"chi-squared {fmt_number(row.chi2, 1)} on {fmt_count(row.df)} df, {fmt_p(row.p_value)}"
        )
        if row.verdict == "differs between scores":
            words.append(
                f"The effect of {EFFECTS[row.effect]} differs between low and high scores ({tested}): its"
                " odds ratio is an average, so look at the distributions."
            )
        else:
            words.append(
                f"Nothing speaks against one odds ratio for {EFFECTS[row.effect]} at every score ({tested})."
            )
    return words
