"""Floors: what a hybrid must reach in traits beside its yield before it is ranked at all.

A floor on a trait that is better high is a least value, on one that is better low a greatest value. A hybrid
passes with a probability, because its traits are known with error; one whose trait is not known is never
passed in silence.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.trait_kinds import KINDS
from culmbook.sheets.values import did_you_mean
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share

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
    return fmt_list(
        [
            f"{KINDS[name].word} {KINDS[name].bound} {value_words(name, value)}"
            for name, value in _known(floors).items()
        ]
    )


def value_words(name: str, value: float) -> str:
    """A trait's value with its unit, shares in percent."""
    if KINDS[name].unit == "share":
        return fmt_share(value)
    return f"{fmt_number(value, DIGITS[name])} {KINDS[name].unit}"


def _known(floors):
    for name in floors:
        if name not in KINDS:
            raise ValueError(
                f"{name} is no trait that a floor can be put on ({fmt_list(list(KINDS))} are): "
                f"{did_you_mean(name, list(KINDS))}"
            )
    return floors


def applied_floors(traits: dict, floors: dict) -> tuple[dict, list[str]]:
    """Part the floors that can be judged from those that cannot, with a sentence on each of the latter.

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
    for name, value in _known(floors).items():
        if name in traits and not traits[name].why_not:
            judged[name] = value
            continue
        why = traits[name].why_not if name in traits else "it was not looked at."
        floor = f"{KINDS[name].bound} {value_words(name, value)}"
        words.append(
            f"The floor on {KINDS[name].word} ({floor}) could not be applied to any hybrid: {why}"
        )
    return judged, words


def passing(traits: dict, floors: dict, hybrids, n: int, *, unknown: bool = False) -> pd.DataFrame:
    """Does a hybrid pass all floors, in every joint draw?

    Parameters
    ----------
    traits : dict of str to Trait
        A trait's draws are used in their order, from the first again where there are fewer than ``n``.
    floors : dict of str to float
        Of :func:`applied_floors`.
    hybrids : sequence of str
    n : int
        Draws.
    unknown : bool
        What a hybrid gets that is not known in one of the traits and fails no other.

    Returns
    -------
    DataFrame
        n × hybrids, bool; all true without floors.

    Raises
    ------
    ValueError
        A floor on a trait that is not given or of which no hybrid is known.
    """
    hybrids = list(hybrids)
    out = np.ones((n, len(hybrids)), bool)
    for name, value in _known(floors).items():
        out &= _meets(traits, name, value, hybrids, n, unknown)
    return pd.DataFrame(out, columns=hybrids)


def _meets(traits, name, value, hybrids, n, unknown):
    if name not in traits or traits[name].why_not:
        raise ValueError(f"the floor on {name} cannot be judged: leave it out, and say so")
    drawn = traits[name].draws
    drawn = drawn.reindex(columns=hybrids).to_numpy()[np.arange(n) % len(drawn)]
    meets = drawn >= value if KINDS[name].better == "higher" else drawn <= value
    return np.where(np.isnan(drawn), unknown, meets)


def unknown_traits(traits: dict, floors: dict, hybrids) -> dict:
    """Traits with a floor of which a hybrid's value is not known: a list by hybrid that has any."""
    out = {}
    for hybrid in hybrids:
        missing = [name for name in _known(floors) if _is_unknown(traits.get(name), hybrid)]
        if missing:
            out[hybrid] = missing
    return out


def _is_unknown(trait, hybrid):
    return trait is None or hybrid not in trait.draws or bool(trait.draws[hybrid].isna().all())


def floor_table(traits: dict, floors: dict, hybrids, n: int) -> pd.DataFrame:
    """Probability that each hybrid passes each floor and all of them.

    Parameters
    ----------
    traits, floors, hybrids, n
        As in :func:`passing`.

    Returns
    -------
    DataFrame
        ``hybrid``, a column ``p_<trait>`` for every floor (0-1; missing where the trait is not known),
        ``p_all`` (missing where one is not known, unless another is surely failed), ``remark`` (which traits
        were not tested or lie beyond the test; blank where there is nothing to say), ``fails_on`` (the trait
        with the least probability, where ``p_all`` is under one half; blank else).
    """
    hybrids = list(hybrids)
    table = pd.DataFrame({"hybrid": hybrids})
    missing = unknown_traits(traits, floors, hybrids)
    for name in floors:
        met = passing(traits, {name: floors[name]}, hybrids, n).mean().to_numpy()
        table[f"p_{name}"] = [
            np.nan if name in missing.get(h, ()) else p for h, p in zip(hybrids, met)
        ]
    best = passing(traits, floors, hybrids, n, unknown=True).mean().to_numpy()
    is_open = table["hybrid"].isin(missing).to_numpy() & (best > 0)
    each = table[[f"p_{name}" for name in floors]]
    table["p_all"] = np.where(is_open, np.nan, best)
    table["remark"] = [_remarks(traits, floors, hybrid) for hybrid in hybrids]
    weakest = each.fillna(2).idxmin(axis=1).str.removeprefix("p_") if len(floors) else ""
    table["fails_on"] = np.where(table["p_all"] < 0.5, weakest, "")
    return table


def _remarks(traits, floors, hybrid):
    told = []
    for name in floors:
        own = traits[name].table
        remark = own.loc[own["hybrid"].eq(hybrid), "remark"]
        if len(remark) and remark.iloc[0]:
            told.append(f"{KINDS[name].word} {remark.iloc[0]}")
    return "; ".join(told)
