"""Floors: what a hybrid must reach in traits beside its yield before it is ranked at all.

A floor on a trait that is better high is a least value, on one that is better low a greatest value.
A hybrid passes with a probability, because its traits are known with error; one whose trait is not
known is never passed in silence.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.trait_kinds import KINDS
from culmbook.sheets.values import did_you_mean
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share
from culmbook.text.words import n_of

DIGITS = {"yield_t_ha": 1, "lt50_c": 1, "moisture_pct": 1}


def floor_words(floors: dict) -> str:
    """Say the floors in words.

    Parameters
    ----------
    floors : dict of str to float
        As in ``settings.toml``.

    Returns
    -------
    str

    Examples
    --------
    >>> floor_words({"stand": 0.65, "lt50_c": -2.5})
    'stand at least 65 % and LT50 at most −2.5 °C'
    """
    said = [f"{KINDS[n].word} {KINDS[n].bound} {value_words(n, v)}" for n, v in floors.items()]
    return fmt_list(said)


def value_words(name: str, value: float) -> str:
    """A trait's value with its unit, shares in percent."""
    if KINDS[name].unit == "share":
        return fmt_share(value)
    return f"{fmt_number(value, DIGITS[name])} {KINDS[name].unit}"


def applied_floors(traits: dict, floors: dict) -> tuple[dict, list[str]]:
    """Part the floors that can be judged from those that cannot, with a sentence on each of the
    latter.

    Parameters
    ----------
    traits : dict of str to Trait
    floors : dict of str to float

    Returns
    -------
    dict
        Floors on traits that at least one hybrid's value is known of.
    list of str

    Raises
    ------
    ValueError
        A floor on something that is no trait.
    """
    judged, words = {}, []
    for name, value in floors.items():
        if name not in KINDS:
            raise ValueError(
                f"{name} is no trait that a floor can be put on ({fmt_list(list(KINDS))} are): "
                f"{did_you_mean(name, list(KINDS))}"
            )
        if name in traits and not traits[name].why_not:
            judged[name] = value
            continue
        why = traits[name].why_not if name in traits else "it was not looked at."
        floor = f"{KINDS[name].bound} {value_words(name, value)}"
        words.append(
            f"The floor on {KINDS[name].word} ({floor}) could not be applied to any hybrid: {why}"
        )
    return judged, words


def passing(
    traits: dict, floors: dict, hybrids, n: int, *, unknown: bool = False
) -> pd.DataFrame | None:
    """Does a hybrid pass all floors, in every joint draw?

    Parameters
    ----------
    traits : dict of str to Trait
        A trait's draws are used in their order, from the first again where there are fewer than
        ``n``.
    floors : dict of str to float
        Of :func:`applied_floors`.
    hybrids : sequence of str
    n : int
        Draws.
    unknown : bool
        What a hybrid gets that is not known in one of the traits and fails no other.

    Returns
    -------
    DataFrame or None
        n × hybrids, bool; None without floors.

    Raises
    ------
    ValueError
        A floor on a trait that is not given or of which no hybrid is known.
    """
    hybrids = list(hybrids)
    out = np.ones((n, len(hybrids)), bool)
    for name, value in floors.items():
        if name not in traits or traits[name].why_not:
            raise ValueError(f"the floor on {name} cannot be judged: leave it out, and say so")
        drawn = traits[name].draws
        drawn = drawn.reindex(columns=hybrids).to_numpy()[np.arange(n) % len(drawn)]
        meets = drawn >= value if KINDS[name].better == "higher" else drawn <= value
        out &= np.where(np.isnan(drawn), unknown, meets)
    return pd.DataFrame(out, columns=hybrids) if floors else None


def unknown_traits(traits: dict, floors: dict, hybrids) -> dict:
    """Traits with a floor of which a hybrid's value is not known: a list by hybrid that has any."""
    known = {name: traits[name].draws.notna().any() for name in floors}
    missing = {h: [name for name in floors if not known[name].get(h, False)] for h in hybrids}
    return {h: names for h, names in missing.items() if names}


def floor_table(traits: dict, floors: dict, hybrids, n: int) -> pd.DataFrame:
    """Probability that each hybrid passes each floor and all of them.

    Parameters
    ----------
    traits, floors, hybrids, n
        As in :func:`passing`.

    Returns
    -------
    DataFrame
        ``hybrid``, a column ``p_<trait>`` for every floor (0-1; missing where the trait is not
        known), ``p_all`` (missing where one is not known, unless another is surely failed),
        ``fails_on`` (the trait with the least probability, where ``p_all`` is under one half; blank
        else). Only ``hybrid`` without floors.
    """
    hybrids = list(hybrids)
    table, missing = pd.DataFrame(index=hybrids), unknown_traits(traits, floors, hybrids)
    for name in floors:
        met = passing(traits, {name: floors[name]}, hybrids, n).mean()
        table[f"p_{name}"] = met.mask([name in missing.get(h, ()) for h in hybrids])
    if floors:
        weakest = table.fillna(2).idxmin(axis=1).str.removeprefix("p_")
        best = passing(traits, floors, hybrids, n, unknown=True).mean()
        table["p_all"] = best.mask(table.index.isin(list(missing)) & (best > 0))
        table["fails_on"] = weakest.where(table["p_all"] < 0.5, "")
    return table.rename_axis("hybrid").reset_index()


def passed_words(passed: pd.DataFrame, floors: dict) -> str:
    """Say the floors and who more likely fails them than passes, by the floor it passes least
    likely.

    Parameters
    ----------
    passed : DataFrame
        From :func:`floor_table`.
    floors : dict of str to float
    """
    if not floors:
        return "No floor on another trait is applied: only yield decides."
    fails, n = passed[passed["fails_on"].ne("")], n_of(len(passed), "candidate")
    told = f"None of {n} is more likely to fail them than to pass."
    if len(fails):
        by = [
            f"{KINDS[name].word} ({fmt_list(list(own), 30)})"
            for name, own in fails.groupby("fails_on", sort=False)["hybrid"]
        ]
        more = f"{len(fails)} of {n} are more likely to fail than to pass"
        told = f"{more}, least sure on {fmt_list(by)}."
    return f"Floors: {floor_words(floors)}. {told}"
