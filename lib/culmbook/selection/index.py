"""One figure for several traits: an index by money weights.

The index of a hybrid is what its true values are worth more than the control's. From joint draws it comes
with everything that is not known of the traits.
"""

import pandas as pd

from culmbook.consistency.draws import limits
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number
from culmbook.text.refusal import Refusal


def index_draws(traits: dict, weights: dict, control: str) -> pd.DataFrame:
    """Worth of every hybrid over the control, draw by draw.

    Parameters
    ----------
    traits : dict of str to Trait
        Those with a weight must be there; draws of the same number belong together.
    weights : dict of str to float
        Money per unit of the trait, hectare and year.
    control : str

    Returns
    -------
    DataFrame
        Draws × hybrids but the control, money per hectare and year; missing for a hybrid that is not known in
        a trait with a weight.

    Raises
    ------
    Refusal
        No weight; a trait that is not known of any hybrid, or not of the control.
    ValueError
        A weight on something that is no trait; traits with different numbers of draws.

    Notes
    -----
    ``sum_t a_t (x_t - x_t,control)``. Given joint draws, its mean is the index of best linear prediction,
    which for known covariances equals the one of Smith and Hazel. Yield per planted area already holds what
    a poor stand costs: a weight on the stand is for what it costs besides.

    References
    ----------
    Henderson (1963) in Statistical Genetics and Plant Breeding, NAS-NRC 982:141-163.
    """
    weights = {name: a for name, a in weights.items() if a != 0}
    if not weights:
        raise Refusal(
            "No money weights are set (settings, selection.weights), so there is no index over traits."
        )
    for name in weights:
        if name not in KINDS:
            raise ValueError(
                f"{name} is no trait that can have a weight ({fmt_list(list(KINDS))} can)"
            )
        if name not in traits or traits[name].why_not:
            why = traits[name].why_not if name in traits else "it was not looked at."
            raise Refusal(f"{KINDS[name].label} has a weight but is not known of any hybrid: {why}")
        if control not in traits[name].draws or traits[name].draws[control].isna().all():
            raise Refusal(
                f"The control {control} is not known in {KINDS[name].word}, so worth over it is not either."
            )
    if len({len(traits[name].draws) for name in weights}) > 1:
        raise ValueError("traits of an index need the same number of draws")
    known = dict.fromkeys(h for name in weights for h in traits[name].draws.columns)
    hybrids = [h for h in known if h != control]
    total = 0.0
    for name, a in weights.items():
        drawn = traits[name].draws.reindex(columns=[*hybrids, control]).reset_index(drop=True)
        total = total + a * drawn[hybrids].sub(drawn[control], axis=0)
    return total


def index_gains(traits: dict, weights: dict, control: str) -> pd.DataFrame:
    """Index as a share of what the control's yield is worth, on the scale on which gains are decided.

    Parameters
    ----------
    traits, weights, control
        As in :func:`index_draws`; ``yield_t_ha`` needs a weight over 0.

    Returns
    -------
    DataFrame
        Draws × hybrids. With a weight on yield alone these are the gains in yield.

    Raises
    ------
    Refusal
        As :func:`index_draws`.
    ValueError
        Without a weight on yield.
    """
    price = weights.get("yield_t_ha", 0.0)
    if price <= 0:
        raise ValueError(
            "the index is held against the worth of the control's yield, which needs a weight "
            "over 0 for yield_t_ha"
        )
    worth = price * traits["yield_t_ha"].draws[control].reset_index(drop=True)
    return index_draws(traits, weights, control).div(worth, axis=0)


def index_table(index: pd.DataFrame, gains: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Index of each hybrid with its limits and rank, beside its rank by yield alone.

    Parameters
    ----------
    index : DataFrame
        From :func:`index_draws`.
    gains : DataFrame
        Draws of gains in yield, from :func:`culmbook.selection.gains.candidate_gains`; its hybrids are listed.
    level : float
        Of the limits, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, index, lower, upper`` (money per hectare and year over the control), ``p_above``
        (probability of being worth more than the control, 0-1), ``rank, yield_rank``; highest index first,
        hybrids without an index (missing) last.

    Raises
    ------
    Refusal
        No candidate has an index.
    """
    shown = index.reindex(columns=list(gains.columns))
    if shown.isna().all(axis=None):
        raise Refusal("No candidate is known in all traits with a weight, so there is no index.")
    middle, low, high = limits(shown.to_numpy(), level)
    table = pd.DataFrame({"index": middle, "lower": low, "upper": high}, gains.columns)
    table["p_above"] = shown.gt(0).mean().where(shown.notna().all())
    for name, values in (("rank", table["index"]), ("yield_rank", gains.median())):
        table[name] = values.rank(ascending=False, method="min").astype("Int64")
    by = ["rank", "yield_rank", "hybrid"]
    return table.rename_axis("hybrid").reset_index().sort_values(by, ignore_index=True)


def index_words(table: pd.DataFrame, weights: dict, control: str) -> str:
    """Say which hybrids are worth most over the control and how that differs from their yields.

    Parameters
    ----------
    table : DataFrame
        From :func:`index_table`.
    weights : dict of str to float
    control : str

    Returns
    -------
    str
    """
    best, given = table.iloc[0], []
    for name, a in weights.items():
        kind = KINDS[name]
        of, a = ("percentage point", a / 100) if kind.unit == "share" else (kind.unit, a)
        given += [f"{fmt_number(a, 1)} per {of} of {kind.word}"] if a else []
    worth = (
        f"no hybrid is estimated to be worth more than {control}; the nearest is {best['hybrid']}"
    )
    if best["index"] > 0:
        worth = (
            f"{best['hybrid']} is worth {fmt_number(best['index'], 0)} more per hectare and year than "
            f"{control} ({fmt_interval(best['lower'], best['upper'], share=False)})"
        )
    top = table.loc[table["yield_rank"].eq(1), ["hybrid", "rank"]].iloc[0]
    place = "has no index" if pd.isna(top["rank"]) else f"is number {top['rank']} by the index"
    other = f"{top['hybrid']}, first by yield alone, {place}"
    if top["hybrid"] == best["hybrid"]:
        other = "it is also first by yield alone"
    return f"By the weights stated ({fmt_list(given)}), {worth}; {other}."
