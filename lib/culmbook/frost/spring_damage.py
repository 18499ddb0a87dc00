"""What did a spring frost do to each hybrid's leaves?

Damage is scored 0 (none) to 6 (all leaf killed): an order, not a quantity. Scores of a season are modelled
with proportional odds, P(a higher score) going up with the effect: an odds ratio above 1 means *more* damage
than the control. Late emergers escape frost, so hybrids are compared as they stood (what the frost did), and
once more at an equal time since emergence (how tender the leaf is).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import linalg, stats

from culmbook.frost.damage_scores import HIGHEST, refuse_observers_alone, rows_to_fit
from culmbook.frost.proportional_odds import nominal_test
from culmbook.mixed import CONVERGED, OrdinalFit, fit_ordinal, marginal_share, simultaneous_draws

SEVERE = 3
"""Score from which on damage is called severe: common practice, no source."""
PRIOR_SD = 5.0
"""Spread of the weak normal prior of all contrasts, logit scale: keeps a hybrid without damage finite."""
MIN_REPEATED = 5
"""Fewest plots scored more than once with which plots get a variance of their own."""
MIN_CLASS = 10
"""Fewest scores in a class for the test of proportional odds; smaller ones join their neighbour."""


@dataclass(frozen=True)
class DamageFit:
    """Damage scores fitted.

    Attributes
    ----------
    fit : OrdinalFit
    scores : pandas.DataFrame
        The scores used.
    factors : dict of str to pandas.DataFrame
        Fixed factors; levels x contrasts of each. Effects of a factor's levels sum to 0.
    terms : dict of str to str
        Random terms kept, in words.
    left_out : list of str
        What this fit could not use, in sentences.
    """

    fit: OrdinalFit
    scores: pd.DataFrame
    factors: dict
    terms: dict
    left_out: list

    @property
    def spread(self):
        """Standard deviation of all random effects together, logit scale."""
        return float(np.sqrt(self.fit.variances.sum()))

    @property
    def is_adjusted(self):
        """Are hybrids compared at an equal time since emergence?"""
        return "weeks_up" in self.fit.coefficients.index


def fit_damage(frame, *, at_equal_emergence=False, with_observers=True):
    """Model the damage scores of a season by hybrid.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.
    at_equal_emergence : bool
        Weeks from emergence to the frost as a covariate; plots that were not up yet, or whose emergence was
        not noted, are left out then: their leaf was not tried.
    with_observers : bool
        False leaves differences between observers out: right only where each scored whole blocks, which
        then carry the observer.

    Returns
    -------
    DamageFit

    Raises
    ------
    ValueError
        No score, one hybrid, all scores equal, too few plots, an observer who scored a site or block alone
        (named), no emergence dates where they are needed, or hybrids that share no condition.

    Notes
    -----
    logit P(score <= j) = threshold_j - (hybrid + event + replicate + treatment + observer + weeks up + random
    terms). Events, replicates of one site, treatments and observers are few, so fixed; random, where the
    layout tells them apart: hybrid x event, replicates over several sites, main plots, blocks, and plots
    scored more than once. All fixed contrasts have a normal prior around 0 with standard deviation
    `PRIOR_SD`, the same for every hybrid: two hybrids' odds may then differ a million times, and a hybrid
    that was never damaged still has a finite effect. Where few plots were scored twice, the plots' variance is
    understated (Laplace's approximation), and odds ratios lean towards those of the mean plot, nearer 1.

    References
    ----------
    McCullagh, P. 1980, Journal of the Royal Statistical Society B 42: 109–142; Gelman, A. et al. 2008, Annals
    of Applied Statistics 2: 1360–1383, for weak priors against separation.

    Examples
    --------
    >>> plots = pd.DataFrame({"plot": [str(i) for i in range(12)], "hybrid": list("AAAAAABBBBBB")})
    >>> plots["damage_score"] = [0, 0, 1, 1, 2, 3, 1, 2, 3, 3, 4, 4]
    >>> same = {"site": "S", "trial": "T", "replicate": "1", "block": "1", "main_plot": None, "film": "none",
    ...         "planting_method": "hand", "event": "S 2025-05-14", "observer": "AA", "why_left_out": None}
    >>> damage = fit_damage(plots.assign(**same))
    >>> damage_chances(damage)[["hybrid", "chance"]].round(2).values.tolist()
    [['A', 0.15], ['B', 0.69]]
    >>> damage_against_control(damage, "A")[["hybrid", "verdict"]].values.tolist()
    [['B', 'not told apart']]
    """
    rows, left_out = rows_to_fit(frame, at_equal_emergence=at_equal_emergence)
    if with_observers:
        refuse_observers_alone(rows)
    factors = _factors(rows, with_observers)
    design = pd.concat([_columns(rows[name], weights) for name, weights in factors.items()], axis=1)
    if at_equal_emergence:
        design["weeks_up"] = (rows["days_up"] - rows["days_up"].mean()) / 7
    n_plots = len(rows[["site", "plot"]].drop_duplicates())
    if n_plots <= design.shape[1] + 1:
        raise ValueError(
            f"{n_plots} plots for {design.shape[1]} fixed effects: too few to compare hybrids"
        )
    terms = _random_terms(rows, set(factors))
    fit = fit_ordinal(
        rows, score="damage_score", fixed=design, random=list(terms), prior_sd=PRIOR_SD
    )
    if fit.verdict != CONVERGED:
        raise ValueError(f"The model of damage scores has {fit.verdict}: no number is given.")
    if not (np.diag(fit.covariance) > 0).all():
        raise ValueError(
            "The damage scores are too few for this model: what is uncertain of it cannot be told."
        )
    return DamageFit(fit, rows, factors, terms, left_out)


# -- design ---------------------------------------------------------------------------------------


def _contrasts(levels):
    """Levels x contrasts: orthonormal, so that one prior of all contrasts treats every level alike."""
    return pd.DataFrame(linalg.helmert(len(levels)).T, index=levels)


NEEDED = {
    "event": "No hybrid links the frosts: those scored after one were not scored after another, "
    "so they cannot be compared.",
    "observer": "Observers scored different hybrids or frosts: what sets an observer apart cannot be told "
    "from these.",
}


def _factors(rows, with_observers):
    """Fixed factors with two levels or more that the rows can tell from those before, and their contrasts."""
    names = ["hybrid", "event", *(["observer"] if with_observers else [])]
    if rows["site"].nunique() == 1:
        names += ["replicates", "treatment"]
    kept, columns = {}, np.ones((len(rows), 1))
    for name in names:
        weights = _contrasts(sorted(rows[name].unique()))
        together = np.hstack([columns, _columns(rows[name], weights).to_numpy()])
        if np.linalg.matrix_rank(together) < together.shape[1]:
            if name in NEEDED:
                raise ValueError(NEEDED[name])
        elif weights.shape[1]:
            kept[name], columns = weights, together
    return kept


def _columns(values, weights):
    names = [f"{values.name} {i + 1}" for i in range(weights.shape[1])]
    return pd.DataFrame(weights.loc[values].to_numpy(), columns=names, index=values.index)


TERMS = {
    "hybrid_event": "hybrid × frost",
    "replicate_key": "replicate within site",
    "main_plot_key": "main plot",
    "block_key": "block",
    "plot_key": "plot scored more than once",
    "plot_event": "plot at one frost",
}


def _random_terms(rows, fixed):
    """Random terms that the layout supports, no two of the same partition as each other or a fixed factor."""
    seen = {_partition(rows[name]) for name in fixed}
    kept = {}
    for term, words in TERMS.items():
        partition, levels = _partition(rows[term]), rows[term].value_counts()
        is_plot = term in ("plot_key", "plot_event")
        repeated = (levels > 1).sum() >= (MIN_REPEATED if is_plot else 1)
        if len(levels) > 1 and repeated and partition not in seen:
            kept[term] = words
            seen.add(partition)
    return kept


def _partition(values):
    return tuple(pd.factorize(values)[0])


# -- what each hybrid suffered --------------------------------------------------------------------


def _weights(damage, factor):
    """Weights of thresholds and coefficients in every level's effect."""
    names = damage.fit.covariance.index
    own = damage.factors[factor]
    out = pd.DataFrame(0.0, index=own.index, columns=names)
    out[[f"{factor} {i + 1}" for i in range(own.shape[1])]] = own.to_numpy()
    return out


def _estimates(damage, weights):
    """Linear combinations of thresholds and coefficients, with their covariance."""
    vector = pd.concat([damage.fit.thresholds, damage.fit.coefficients])
    w = weights.to_numpy()
    return w @ vector.to_numpy(), w @ damage.fit.covariance.to_numpy() @ w.T


def _deviations(damage):
    """Sum of effects of each combination of the factors beside the hybrid."""
    total = np.zeros(1)
    for factor in damage.factors:
        if factor != "hybrid":
            total = (total[:, None] + _estimates(damage, _weights(damage, factor))[0]).ravel()
    return total


def damage_chances(damage, *, threshold=SEVERE, level=0.95):
    """Chance that a plot of each hybrid is scored at a threshold or above.

    Parameters
    ----------
    damage : DamageFit
    threshold : int
        Score, 1–6.
    level : float
        Confidence level of each interval, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, least damaged first: hybrid, n_plots, n_scores, observed (share of its scores at
        the threshold or above), chance, lower, upper (0–1).

    Raises
    ------
    ValueError
        A threshold outside 1–6, or one that no score, or every score, reaches.

    Notes
    -----
    Marginal: averaged over frosts, replicates, treatments and observers with the same weight, and over blocks
    and plots. Limits are those of the hybrid's log odds carried over, so they stay within 0 and 1.
    """
    cut = _cut(damage, threshold)
    weights = _weights(damage, "hybrid").assign(**{cut: -1.0})
    logit, covariance = _estimates(damage, weights)
    over, spread = _deviations(damage), np.full((1, 1), damage.spread)

    def averaged(logit):
        return marginal_share(logit[:, None] + over, spread).mean(axis=1)

    half = stats.t.ppf(0.5 + level / 2, damage.fit.residual_df) * np.sqrt(np.diag(covariance))
    chance = [averaged(logit + d) for d in (0, -half, half)]
    reached = damage.scores["damage_score"].ge(threshold)
    table = (
        damage.scores.assign(reached=reached)
        .groupby("hybrid")
        .agg(
            n_plots=("plot_key", "nunique"),
            n_scores=("reached", "size"),
            observed=("reached", "mean"),
        )
    )
    table = table.loc[weights.index].assign(chance=chance[0], lower=chance[1], upper=chance[2])
    return (
        table.rename_axis("hybrid")
        .reset_index()
        .sort_values(["chance", "hybrid"], ignore_index=True)
    )


def _cut(damage, threshold):
    """Name of the cut between the scores below a threshold and the others."""
    if not 1 <= threshold <= HIGHEST:
        raise ValueError(
            f"threshold = {threshold}: a threshold of the damage score lies between 1 and {HIGHEST}"
        )
    n_below = sum(score < threshold for score in damage.fit.scores)
    if n_below in (0, len(damage.fit.scores)):
        which = "No" if n_below else "Every"
        raise ValueError(
            f"{which} plot was scored {threshold} or above: how often that happens to a hybrid is not known."
        )
    return damage.fit.thresholds.index[n_below - 1]


def damage_against_control(damage, control, *, level=0.95):
    """Odds of a higher score against the control's, one by one and all together.

    Parameters
    ----------
    damage : DamageFit
    control : str
    level : float
        Confidence level, 0–1: of each interval, and that all of the simultaneous ones hold at once.

    Returns
    -------
    pandas.DataFrame
        One row per other hybrid, least damaged first: hybrid, n_plots, odds_ratio (above 1 = more damage than
        the control), lower, upper, all_lower, all_upper (simultaneous), p_value (adjusted for the number of
        comparisons), verdict in {'less damaged', 'more damaged', 'not told apart'} (by the simultaneous
        limits).

    Raises
    ------
    ValueError
        The control was not scored here.

    Notes
    -----
    Odds ratios of plots in the same block scored by the same observer. Critical values of t, or single-step of the
    correlated contrasts (multivariate t), with the scores less fixed effects as degrees of freedom.

    References
    ----------
    Hothorn, T., Bretz, F. & Westfall, P. 2008, Biometrical Journal 50: 346–363.
    """
    weights = _weights(damage, "hybrid")
    if control not in weights.index:
        raise ValueError(
            f"the control {control!r} has no damage score here, so nothing can be compared with it"
        )
    contrast = weights.drop(index=control) - weights.loc[control]
    value, covariance = _estimates(damage, contrast)
    se = np.sqrt(np.diag(covariance))
    df = damage.fit.residual_df
    largest = simultaneous_draws(covariance / np.outer(se, se), df)
    single, together = stats.t.ppf(0.5 + level / 2, df), np.quantile(largest, level)
    p = 1 - np.searchsorted(largest, np.abs(value) / se, side="left") / len(largest)
    limits = {"lower": -single, "upper": single, "all_lower": -together, "all_upper": together}
    n_plots = damage.scores.groupby("hybrid")["plot_key"].nunique()[contrast.index]
    table = pd.DataFrame(
        {
            "hybrid": contrast.index,
            "n_plots": n_plots.to_numpy(),
            "odds_ratio": np.exp(value),
            **{name: np.exp(value + c * se) for name, c in limits.items()},
            "p_value": p,
        }
    )
    verdict = np.select(
        [table["all_upper"] < 1, table["all_lower"] > 1],
        ["less damaged", "more damaged"],
        "not told apart",
    )
    return table.assign(verdict=verdict).sort_values(["odds_ratio", "hybrid"], ignore_index=True)


def other_effects(damage, *, level=0.95):
    """Odds ratios of what stands beside the hybrids: observers, and time since emergence.

    Parameters
    ----------
    damage : DamageFit
    level : float
        Confidence level of each interval, 0–1.

    Returns
    -------
    pandas.DataFrame
        effect ('observer' or 'emergence'), name (the observer, or 'a week earlier up'), odds_ratio of a higher
        score (against the mean observer), lower, upper, p_value. Empty where neither is in the model.
    """
    parts = (
        [_weights(damage, "observer").assign(effect="observer")]
        if "observer" in damage.factors
        else []
    )
    if damage.is_adjusted:
        row = pd.DataFrame(0.0, index=["a week earlier up"], columns=damage.fit.covariance.index)
        parts.append(row.assign(weeks_up=1.0, effect="emergence"))
    if not parts:
        return pd.DataFrame(columns=["effect", "name", "odds_ratio", "lower", "upper", "p_value"])
    weights = pd.concat(parts)
    effect = weights.pop("effect")
    value, covariance = _estimates(damage, weights)
    se = np.sqrt(np.diag(covariance))
    df = damage.fit.residual_df
    half = stats.t.ppf(0.5 + level / 2, df) * se
    return pd.DataFrame(
        {
            "effect": effect.to_numpy(),
            "name": weights.index,
            "odds_ratio": np.exp(value),
            "lower": np.exp(value - half),
            "upper": np.exp(value + half),
            "p_value": 2 * stats.t.sf(np.abs(value) / se, df),
        }
    )


def proportionality(damage, *, alpha=0.05):
    """Does each effect shift all cuts between scores alike?

    Parameters
    ----------
    damage : DamageFit
    alpha : float
        Level of each effect's test, 0–1: below it the answer is no.

    Returns
    -------
    pandas.DataFrame
        effect ('hybrid', 'observer', 'emergence'), chi2, df, p_value, verdict in {'no sign against one
        odds ratio', 'differs between scores', 'not tested'}, reason (why not tested, else missing).

    Notes
    -----
    Likelihood ratio of :func:`culmbook.frost.proportional_odds.nominal_test`, first score of each plot and frost,
    random terms left out. Hybrids are tested together, by their fitted effect as one number: slopes for every
    hybrid at every cut are more than plots can carry. Classes of fewer than `MIN_CLASS` scores join their
    neighbour. Chi-square is multiplied by (n - p)/n, n scores and p fixed effects: without it 5 to 11 % of
    simulated sets of 40 to 60 plots with proportional odds were rejected at 5 %, with it 3 to 6 %.
    """
    rows = damage.scores.sort_values(["scored_on", "observer"], kind="stable")
    rows = rows.drop_duplicates("plot_event").sort_index()
    score = _merged(rows["damage_score"])
    design = _summarised(damage, rows)
    groups = {
        "hybrid": ["hybrid"],
        "observer": [c for c in design if c.startswith("observer ")],
        "emergence": [c for c in design if c == "weeks_up"],
    }
    found = pd.DataFrame(
        [
            {
                "effect": effect,
                **_tested(score, design, columns, damage.fit.residual_df / damage.fit.n_records),
            }
            for effect, columns in groups.items()
            if columns
        ]
    )
    verdict = np.select(
        [found["p_value"].isna(), found["p_value"] < alpha],
        ["not tested", "differs between scores"],
        "no sign against one odds ratio",
    )
    return found.assign(verdict=verdict)[["effect", "chi2", "df", "p_value", "verdict", "reason"]]


def _merged(score):
    """Scores with classes of too few joined to the neighbour below (the lowest: above)."""
    score = score.copy()
    while score.nunique() > 1 and score.value_counts().min() < MIN_CLASS:
        counts = score.value_counts().sort_index()
        rare, levels = counts.idxmin(), list(counts.index)
        at = levels.index(rare)
        score = score.replace(rare, levels[at - 1] if at else levels[1])
    return score


def _summarised(damage, rows):
    """Design with the hybrids' fitted effects as one column."""
    weights = _weights(damage, "hybrid")
    effects = pd.Series(_estimates(damage, weights)[0], index=weights.index)
    parts = [rows["hybrid"].map(effects).rename("hybrid").to_frame()]
    parts += [
        _columns(rows[name], weights)
        for name, weights in damage.factors.items()
        if name != "hybrid"
    ]
    if damage.is_adjusted:
        parts.append((rows["days_up"] / 7).rename("weeks_up").to_frame())
    return pd.concat(parts, axis=1)


def _tested(score, design, columns, factor):
    try:
        result = nominal_test(score, design, columns)
    except ValueError as problem:
        return {"chi2": np.nan, "df": np.nan, "p_value": np.nan, "reason": str(problem)}
    chi2 = factor * result.chi2
    return {
        "chi2": chi2,
        "df": result.df,
        "p_value": stats.chi2.sf(chi2, result.df),
        "reason": None,
    }
