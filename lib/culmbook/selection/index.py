"""One figure for several traits: an index by money weights or by desired gains, and what to expect of it.

The index of a hybrid is what its true values are worth more than the control's. From joint draws it comes
with everything that is not known of the traits; the classical coefficients (what a plot's phenotype counts)
and the response they promise are for planning.
"""

import numpy as np
import pandas as pd

from culmbook.consistency.draws import limits
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number


def smith_hazel(phenotypic: pd.DataFrame, genetic: pd.DataFrame, weights: pd.Series) -> pd.Series:
    """Coefficients of the index that goes best with worth.

    Parameters
    ----------
    phenotypic : DataFrame
        Covariance of the observed traits (of hybrid means, where these are chosen by).
    genetic : DataFrame
        Covariance of observed traits (rows) with the true values of traits that count (columns).
    weights : Series
        Money per unit of each trait that counts.

    Returns
    -------
    Series
        By observed trait: money per unit.

    Raises
    ------
    ValueError
        Traits that do not match, or a phenotypic covariance that is not positive definite.

    Notes
    -----
    ``b = P⁻¹ G a``: of all linear indices the one whose correlation with worth ``a'g`` is highest.

    References
    ----------
    Smith (1936) Ann. Eugen. 7:240-250; Hazel (1943) Genetics 28:476-490.

    Examples
    --------
    >>> traits = ["yield", "moisture"]
    >>> p = pd.DataFrame([[4.0, 0.0], [0.0, 9.0]], traits, traits)
    >>> g = pd.DataFrame([[2.0, 1.0], [1.0, 6.0]], traits, traits)
    >>> smith_hazel(p, g, pd.Series({"yield": 60.0, "moisture": -6.0})).round(3).to_dict()
    {'yield': 28.5, 'moisture': 2.667}
    """
    observed = _positive_definite(phenotypic, "phenotypic")
    _refuse_mismatch(genetic.columns, weights.index)
    _refuse_mismatch(genetic.index, observed.index)
    right = genetic.loc[observed.index].to_numpy() @ weights[genetic.columns].to_numpy(float)
    return pd.Series(np.linalg.solve(observed.to_numpy(), right), observed.index)


def desired_gains(genetic: pd.DataFrame, gains: pd.Series) -> pd.Series:
    """Coefficients of the index that moves traits in the proportions wanted.

    Parameters
    ----------
    genetic : DataFrame
        Covariance of the true values, positive definite.
    gains : Series
        What is wanted of each trait, in its unit; only the proportions count.

    Returns
    -------
    Series
        By trait.

    Raises
    ------
    ValueError
        Traits that do not match, or a covariance that is not positive definite.

    Notes
    -----
    ``b = G⁻¹ d``; the response, proportional to ``G b``, is then proportional to d.

    References
    ----------
    Pesek & Baker (1969) Can. J. Plant Sci. 49:803-804.
    """
    genetic = _positive_definite(genetic, "genetic")
    _refuse_mismatch(genetic.index, gains.index)
    return pd.Series(
        np.linalg.solve(genetic.to_numpy(), gains[genetic.index].to_numpy(float)), genetic.index
    )


def implied_weights(
    coefficients: pd.Series, phenotypic: pd.DataFrame, genetic: pd.DataFrame
) -> pd.Series:
    """Money weights that would have led to given coefficients: what an index by desired gains says they are.

    Parameters
    ----------
    coefficients : Series
    phenotypic, genetic : DataFrame
        As in :func:`smith_hazel`, with the same traits in both.

    Returns
    -------
    Series
        ``G⁻¹ P b`` by trait; only the proportions count for an index by desired gains.
    """
    genetic = _positive_definite(genetic, "genetic")
    names = list(genetic.index)
    right = phenotypic.loc[names, names].to_numpy() @ coefficients[names].to_numpy(float)
    return pd.Series(np.linalg.solve(genetic.to_numpy(), right), names)


def expected_response(
    coefficients: pd.Series, phenotypic: pd.DataFrame, genetic: pd.DataFrame, intensity: float
) -> pd.Series:
    """Change expected of each trait when hybrids are chosen by an index.

    Parameters
    ----------
    coefficients : Series
    phenotypic, genetic : DataFrame
        As in :func:`smith_hazel`.
    intensity : float
        Standardised selection differential, for example from :mod:`culmbook.stats.order`.

    Returns
    -------
    Series
        By trait that counts, in its unit: ``i G'b / sqrt(b'Pb)``.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 19.
    """
    names = list(coefficients.index)
    b = coefficients.to_numpy(float)
    spread = np.sqrt(b @ phenotypic.loc[names, names].to_numpy() @ b)
    return pd.Series(intensity * genetic.loc[names].to_numpy().T @ b / spread, genetic.columns)


def index_accuracy(
    coefficients: pd.Series,
    phenotypic: pd.DataFrame,
    genetic: pd.DataFrame,
    weights: pd.Series,
    true: pd.DataFrame | None = None,
) -> float:
    """Correlation of an index with worth.

    Parameters
    ----------
    coefficients, phenotypic, genetic, weights
        As in :func:`smith_hazel` and :func:`expected_response`.
    true : DataFrame, optional
        Covariance of the true values of traits that count; by default ``genetic``, where these are the traits
        observed.

    Returns
    -------
    float
        ``a'G'b / sqrt(b'Pb a'Ca)``, -1 to 1.
    """
    true = genetic if true is None else true
    a = weights[genetic.columns].to_numpy(float)
    worth = np.sqrt(a @ true.loc[genetic.columns, genetic.columns].to_numpy() @ a)
    return float(a @ expected_response(coefficients, phenotypic, genetic, 1.0).to_numpy() / worth)


def _positive_definite(matrix, what):
    names = list(matrix.index)
    if set(names) != set(matrix.columns):
        raise ValueError(f"the {what} covariance has other traits in rows than in columns")
    matrix = matrix[names]
    if np.linalg.eigvalsh(matrix.to_numpy(float)).min() <= 0:
        raise ValueError(
            f"the {what} covariance is not positive definite: a trait is a sum of others, or "
            "its variance is estimated at 0"
        )
    return matrix


def _refuse_mismatch(wanted, given):
    if set(wanted) != set(given):
        raise ValueError(
            f"traits do not match: {fmt_list(sorted(wanted))} against {fmt_list(sorted(given))}"
        )


# -- the index of hybrids, from joint draws -------------------------------------------------------


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
    ValueError
        No weight; a trait that is not given or not known of any hybrid, or not of the control; traits with
        different numbers of draws.

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
    _refuse_unknown(traits, weights, control)
    if len({len(traits[name].draws) for name in weights}) > 1:
        raise ValueError("traits of an index need the same number of draws")
    known = dict.fromkeys(h for name in weights for h in traits[name].draws.columns)
    hybrids = [h for h in known if h != control]
    total = 0.0
    for name, a in weights.items():
        drawn = traits[name].draws.reindex(columns=[*hybrids, control]).reset_index(drop=True)
        total = total + a * drawn[hybrids].sub(drawn[control], axis=0)
    return total


def _refuse_unknown(traits, weights, control):
    if not weights:
        raise ValueError("no trait has a weight other than 0: there is no index")
    for name in weights:
        if name not in KINDS:
            raise ValueError(
                f"{name} is no trait that can have a weight ({fmt_list(list(KINDS))} can)"
            )
        if name not in traits:
            raise ValueError(f"{name} has a weight but was not looked at")
        if traits[name].why_not:
            raise ValueError(
                f"{name} has a weight but is not known of any hybrid: {traits[name].why_not}"
            )
        if control not in traits[name].draws or traits[name].draws[control].isna().all():
            raise ValueError(
                f"the control {control} is not known in {name}, so worth over it is not either"
            )


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
    ValueError
        As :func:`index_draws`, or without a weight on yield.
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
    """
    shown = index.reindex(columns=list(gains.columns))
    middle, low, high = limits(shown.to_numpy(), level)
    above = shown.gt(0).mean().where(shown.notna().all())
    table = pd.DataFrame(
        {
            "hybrid": list(gains.columns),
            "index": middle,
            "lower": low,
            "upper": high,
            "p_above": above.to_numpy(),
        }
    )
    table["rank"] = table["index"].rank(ascending=False, method="min").astype("Int64")
    yields = gains.median().rank(ascending=False, method="min").astype("Int64")
    table["yield_rank"] = yields.to_numpy()
    return table.sort_values(
        ["rank", "yield_rank", "hybrid"], na_position="last", ignore_index=True
    )


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
    best = table.iloc[0]
    given = fmt_list([_weight_words(name, a) for name, a in weights.items() if a])
    if best["index"] > 0:
        text = (
            f"By the weights stated ({given}), {best['hybrid']} is worth {fmt_number(best['index'], 0)} "
            f"more per hectare and year than {control} "
            f"({fmt_interval(best['lower'], best['upper'], share=False)})"
        )
    else:
        text = (
            f"By the weights stated ({given}), no hybrid is estimated to be worth more than {control}; "
            f"the nearest is {best['hybrid']}"
        )
    top = table.loc[table["yield_rank"].eq(1), "hybrid"].iloc[0]
    if top == best["hybrid"]:
        return f"{text}; it is also first by yield alone."
    own = table.set_index("hybrid").loc[top, "rank"]
    place = "has no index" if pd.isna(own) else f"is number {own} by the index"
    return f"{text}; {top}, first by yield alone, {place}."


def _weight_words(name, weight):
    kind = KINDS[name]
    if kind.unit == "share":
        return f"{fmt_number(weight / 100, 1)} per percentage point of {kind.word}"
    return f"{fmt_number(weight, 1)} per {kind.unit} of {kind.word}"
