"""What did a spring frost do to each hybrid's leaves?

Damage is scored 0 (none) to 6 (all leaf killed): an order, not a quantity, so nothing here is a
mean score. Scores of a season are modelled with proportional odds, P(a higher score) going up with
the effect: an odds ratio above 1 means *more* damage than the control. Late emergers escape frost,
so hybrids are compared as they stood (what the frost did), and once more at an equal time since
emergence (how tender the leaf is).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import linalg, stats

from culmbook.mixed import CONVERGED, OrdinalFit, fit_ordinal, marginal_share, simultaneous_draws
from culmbook.text.numbers import fmt_count, fmt_list
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are
from culmbook.trials.entries import is_used, refuse_control
from culmbook.trials.layout import add_strata, random_terms

# Highest damage score.
HIGHEST = 6
PLOT = "plot trial replicate block main_plot hybrid planting_method film".split()
# Score from which on damage is called severe: common practice, no source.
SEVERE = 3
# Spread of the weak normal prior of all contrasts, logit scale: keeps a hybrid without damage
# finite.
PRIOR_SD = 5.0
# Random terms: hybrid at one frost, replicate within site, main plot, block, plot scored more than
# once, plot at
# one frost.
TERMS = ("hybrid_event", "replicate_key", "main_plot_key", "block_key", "plot_key", "plot_event")
EVENT_KEYS = {"hybrid_event": "hybrid", "plot_event": "plot_key"}
# Fewest plots scored more than once with which plots get a variance of their own.
MIN_REPEATED = 5


def damage_scores(plots, scores, phenology, hybrids, season):
    """Scores of a season's spring frosts, each with its plot, and why some are not used.

    Parameters
    ----------
    plots, phenology, hybrids : pandas.DataFrame
        Tables of these names; `phenology` may be empty.
    scores : pandas.DataFrame
        Table ``frost_scores`` with ``growing_season``.
    season : int

    Returns
    -------
    pandas.DataFrame
        One row per score: site, the plot's columns, status, event (site and date of the frost),
        frost_on, scored_on, observer, damage_score (0–6), leaf_killed (0–1), emerged_on, days_up
        (days from emergence to the frost, negative when it came later; missing where either date
        is), why_left_out (missing for the scores that are used).

    Raises
    ------
    Refusal
        No score of that season.

    Notes
    -----
    Left out, with the reason: guards, plots set aside by status (unless the hybrid itself was the
    cause), plots not in the table ``plots``, blank scores or observers, and a second score by the
    same observer of the same plot and frost. A frost without a date is known by the day of scoring.
    """
    rows = scores[scores["growing_season"].eq(season)]
    rows = rows.sort_values(["site", "plot", "scored_on", "observer"])
    if rows.empty:
        raise Refusal("No score of spring frost damage came in for this season.")
    kept = plots[["site", *PLOT, "status", "status_cause"]]
    rows = rows.merge(kept, on=["site", "plot"], how="left")
    rows = rows.merge(hybrids[["hybrid", "role"]], on="hybrid", how="left")
    seen = phenology.loc[phenology["growing_season"].eq(season), ["site", "plot", "emerged_on"]]
    rows = rows.merge(seen.drop_duplicates(["site", "plot"]), on=["site", "plot"], how="left")
    frost = pd.to_datetime(rows["frost_on"])
    day = frost.fillna(pd.to_datetime(rows["scored_on"]))
    rows = rows.assign(
        event=rows["site"].astype(str) + " " + day.dt.strftime("%Y-%m-%d"),
        leaf_killed=rows["leaf_killed_pct"].astype("float64") / 100,
        emerged_on=pd.to_datetime(rows["emerged_on"]),
    )
    days_up = (frost - rows["emerged_on"]).dt.days.astype("float64")
    rows = rows.assign(days_up=days_up, why_left_out=_why_left_out(rows))
    columns = "frost_on scored_on observer damage_score leaf_killed emerged_on days_up why_left_out"
    return rows[["site", *PLOT, "status", "event", *columns.split()]].reset_index(drop=True)


def _why_left_out(rows):
    again = rows.duplicated(["site", "plot", "event", "observer"])
    reasons = [
        (rows["hybrid"].isna(), "its plot is not in the table of plots"),
        (rows["role"].eq("guard"), "guard plot"),
        (~is_used(rows), "plot set aside by its status"),
        (rows["damage_score"].isna(), "no score"),
        (rows["observer"].isna(), "no observer"),
        (again, "scored again by the same observer"),
    ]
    masks, texts = [mask.to_numpy(bool) for mask, _ in reasons], [text for _, text in reasons]
    why = pd.Series(np.select(masks, texts, default=""), index=rows.index, dtype="str")
    return why.where(why.ne(""))


def used_scores(frame):
    """Scores that estimates rest on, as whole numbers."""
    return frame[frame["why_left_out"].isna()].astype({"damage_score": int}).reset_index(drop=True)


def observers_alone(frame):
    """Observers who cannot be told from the site or the block that they scored.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per observer none of whose scores lies where anyone else scored too: observer, where
        (the sites or blocks, in words). Empty when there is one observer only, who differs from
        nobody.
    """
    rows = add_strata(used_scores(frame))
    word = "block" if rows["block"].notna().all() else "replicate"
    names = rows["site"].astype(str)
    label = names + " " + rows[word].astype(str)
    again = rows[f"{word}_key"].groupby(label).transform("nunique").gt(1)
    label += (" of replicate " + rows["replicate"].astype(str)).where(again, "")
    labels = {word: label, "site": names}
    found = {}
    for what, column in ((word, f"{word}_key"), ("site", "site")):  # the site, said last, says more
        is_shared = rows.groupby(column)["observer"].transform("nunique").gt(1)
        shares = is_shared.groupby(rows["observer"]).any()
        for observer in shares.index[~shares & (len(shares) > 1)]:
            places = sorted(labels[what][rows["observer"].eq(observer)].unique())
            found[observer] = f"{what} {fmt_list(places)}"
    return pd.DataFrame(sorted(found.items()), columns=["observer", "where"]).astype("str")


def rows_to_fit(frame, *, at_equal_emergence=False):
    """Scores that hybrids can be compared by, and in words what had to stay away.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.
    at_equal_emergence : bool
        Keep only plots that were up at the frost, since a known date.

    Returns
    -------
    tuple of (pandas.DataFrame, list of str)
        The scores with the keys of the strata that they lie in, and sentences.

    Raises
    ------
    Refusal
        No score, one hybrid, all scores equal; at equal emergence also no date, or all on one day.
    """
    rows, left_out = add_strata(used_scores(frame)), []
    if at_equal_emergence:
        rows, left_out = _rows_up(rows)
    if rows.empty:
        raise Refusal("There is no damage score to use: nothing is known about spring frost.")
    if rows["hybrid"].nunique() < 2:
        raise Refusal("One hybrid only was scored: there is nothing to compare.")
    if rows["damage_score"].nunique() < 2:
        only = rows["damage_score"].iloc[0]
        raise Refusal(f"Every score is {only}: hybrids do not differ in it.")
    keys = {name: rows[key] + " " + rows["event"] for name, key in EVENT_KEYS.items()}
    rows = rows.assign(replicates=rows["replicate_key"], **keys)
    return rows.reset_index(drop=True), left_out


def _rows_up(rows):
    if rows["days_up"].isna().all():
        raise Refusal("No date of emergence (or of the frost) is known to compare hybrids at.")
    kept = rows[rows["days_up"].gt(0)]
    if kept["days_up"].nunique() < 2:
        raise Refusal("All plots that were up emerged on one day: there is nothing to adjust for.")
    n, left_out = fmt_count(len(rows)), []
    late = {"not dated": rows["days_up"].isna(), "not before the frost": rows["days_up"].le(0)}
    for text, out in late.items():
        if out.any():
            told = f"{fmt_count(out.sum())} of {n} scores, of plots whose emergence was {text}"
            left_out.append(f"{told}, {is_are(out.sum())} left out at equal emergence.")
    gone = sorted(set(rows["hybrid"]) - set(kept["hybrid"]))
    if gone:
        left_out.append(f"No plot of {fmt_list(gone)} is left at equal emergence.")
    return kept, left_out


def score_shares(frame):
    """How the scores of each hybrid are spread, every plot and frost counting once.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid (the index), one column per score 0 … 6: shares that sum to 1. A plot
        scored by several observers gives each of its scores the same part of one.

    Examples
    --------
    >>> scores = pd.DataFrame({"event": "X", "site": "X", "plot": ["1", "1", "2"], "hybrid": "A",
    ...                        "damage_score": [1, 2, 2], "why_left_out": [None] * 3})
    >>> score_shares(scores).loc["A"].tolist()
    [0.0, 0.25, 0.75, 0.0, 0.0, 0.0, 0.0]
    """
    rows = used_scores(frame)
    part = 1.0 / rows.groupby(["site", "plot", "event"])["plot"].transform("size")
    sums = part.groupby([rows["hybrid"], rows["damage_score"]]).sum().unstack(fill_value=0.0)
    sums = sums.reindex(columns=range(HIGHEST + 1), fill_value=0.0)
    return sums.div(sums.sum(axis=1), axis=0)


# -- model ---------------------------------------------------------------------------------------


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
    terms : list of str
        Random terms kept.
    left_out : list of str
        What this fit could not use, in sentences.
    """

    fit: OrdinalFit
    scores: pd.DataFrame
    factors: dict
    terms: list
    left_out: list

    @property
    def spread(self):
        """Standard deviation of all random effects together, logit scale."""
        return float(np.sqrt(self.fit.variances.sum()))

    @property
    def is_adjusted(self):
        """Are hybrids compared at an equal time since emergence?"""
        return "weeks_up" in self.fit.coefficients.index


def fit_damage(frame, *, at_equal_emergence=False, random=TERMS):
    """Model the damage scores of a season by hybrid.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.
    at_equal_emergence : bool
        Weeks from emergence to the frost as a covariate; plots that were not up yet, or whose
        emergence was not noted, are left out then: their leaf was not tried.
    random : sequence of str
        Random terms wanted, of :data:`TERMS`; kept where the layout supports them.

    Returns
    -------
    DamageFit

    Raises
    ------
    Refusal
        No score, one hybrid, all scores equal, too few plots, an observer who scored a site or
        block alone (named), no emergence dates where they are needed, or hybrids that share no
        condition.

    Notes
    -----
    logit P(score <= j) = threshold_j - (hybrid + event + replicate + treatment + observer + weeks
    up + random terms). Events, replicates of one site, treatments and observers are few, so fixed;
    random, where the layout tells them apart: hybrid x event, replicates over several sites, main
    plots, blocks, and plots scored more than once. All fixed contrasts have a normal prior around 0
    with standard deviation `PRIOR_SD`, the same for every hybrid: two hybrids' odds may then differ
    a million times, and a hybrid that was never damaged still has a finite effect. Where few plots
    were scored twice, the plots' variance is understated (Laplace's approximation), and odds ratios
    lean towards those of the mean plot, nearer 1.

    References
    ----------
    McCullagh, P. 1980, Journal of the Royal Statistical Society B 42: 109–142; Gelman, A. et al.
    2008, Annals of Applied Statistics 2: 1360–1383, for weak priors against separation.

    Examples
    --------
    >>> plots = pd.DataFrame({"plot": [str(i) for i in range(12)], "hybrid": list("AAAAAABBBBBB")})
    >>> plots["damage_score"] = [0, 0, 1, 1, 2, 3, 1, 2, 3, 3, 4, 4]
    >>> same = {"site": "S", "trial": "T", "replicate": "1", "block": "1", "main_plot": None, "film": "none",
    ...         "planting_method": "hand", "event": "S 2025-05-14", "observer": "AA", "why_left_out": None}
    >>> damage = fit_damage(plots.assign(**same))
    >>> damage_chances(damage)[["hybrid", "chance"]].round(2).values.tolist()
    [['A', 0.15], ['B', 0.69]]
    >>> damage_against_control(damage, "A")[["hybrid", "odds_ratio"]].round(1).values.tolist()
    [['B', 12.2]]
    """
    rows, left_out = rows_to_fit(frame, at_equal_emergence=at_equal_emergence)
    alone = observers_alone(rows)
    if len(alone):
        who = fmt_list("observer " + alone["observer"] + " scored " + alone["where"] + " alone")
        raise Refusal(
            f"{who[0].upper()}{who[1:]}: what sets the observer apart looks like an effect of the place."
            " Have some plots of every block scored by two observers."
        )
    factors = _factors(rows)
    design = pd.concat([_columns(rows[name], weights) for name, weights in factors.items()], axis=1)
    if at_equal_emergence:
        design["weeks_up"] = (rows["days_up"] - rows["days_up"].mean()) / 7
    n_plots = len(rows[["site", "plot"]].drop_duplicates())
    if n_plots <= design.shape[1] + 1:
        raise Refusal(
            f"{n_plots} plots for {design.shape[1]} fixed effects: too few to compare hybrids."
        )
    plots = [name for name in ("plot_key", "plot_event") if name in random]
    few = [n for n in plots if rows[n].value_counts().gt(1).sum() < MIN_REPEATED]
    wanted = [name for name in random if name not in few]
    terms = list(random_terms(rows, wanted, fixed=list(factors), residual=True))
    given = {"score": "damage_score", "random": terms, "prior_sd": PRIOR_SD}
    fit = fit_ordinal(rows, fixed=design, **given)
    if fit.verdict != CONVERGED:
        raise Refusal(f"The model of damage scores has {fit.verdict}: no number is given.")
    if not (np.diag(fit.covariance) > 0).all():
        raise Refusal("The damage scores are too few for this model: its errors are not known.")
    return DamageFit(fit, rows, factors, terms, left_out)


NEEDED = {
    "event": "No hybrid links the frosts: those scored after one were not scored after another, "
    "so they are not compared.",
    "observer": "Observers scored different hybrids or frosts: what sets an observer apart looks like an "
    "effect of these.",
}


def _factors(rows):
    """Fixed factors with two levels or more whose effects the rows separate, and their contrasts."""
    names = ["hybrid", "event", "observer"]
    if rows["site"].nunique() == 1:
        names += ["replicates", "treatment"]
    kept, columns = {}, np.ones((len(rows), 1))
    for name in names:
        levels = sorted(rows[name].unique())
        # orthonormal, so that one prior of all contrasts treats every level alike
        weights = pd.DataFrame(linalg.helmert(len(levels)).T, index=levels)
        together = np.hstack([columns, _columns(rows[name], weights).to_numpy()])
        if np.linalg.matrix_rank(together) == together.shape[1]:
            if weights.shape[1]:
                kept[name], columns = weights, together
        elif name in NEEDED:
            raise Refusal(NEEDED[name])
    return kept


def _columns(values, weights):
    names = [f"{values.name} {i + 1}" for i in range(weights.shape[1])]
    return pd.DataFrame(weights.loc[values].to_numpy(), columns=names, index=values.index)


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
        One row per hybrid, least damaged first: hybrid, n_plots, n_scores, observed (share of its
        scores at the threshold or above), chance, lower, upper (0–1).

    Raises
    ------
    Refusal
        A threshold that no score, or every score, reaches.
    ValueError
        A threshold outside 1–6.

    Notes
    -----
    Marginal: averaged over frosts, replicates, treatments and observers with the same weight, and
    over blocks and plots. Limits are those of the hybrid's log odds carried over, so they stay
    within 0 and 1.
    """
    cut = _cut(damage, threshold)
    weights = _weights(damage, "hybrid").assign(**{cut: -1.0})
    logit, covariance = _estimates(damage, weights)
    over = np.zeros(1)  # of each combination of the factors beside the hybrid
    for factor in damage.factors:
        if factor != "hybrid":
            over = (over[:, None] + _estimates(damage, _weights(damage, factor))[0]).ravel()
    half = stats.t.ppf(0.5 + level / 2, damage.fit.residual_df) * np.sqrt(np.diag(covariance))
    spread = np.full((1, 1), damage.spread)
    chance = [
        marginal_share((logit + d)[:, None] + over, spread).mean(axis=1) for d in (0, -half, half)
    ]
    reached = damage.scores.assign(reached=damage.scores["damage_score"].ge(threshold))
    table = reached.groupby("hybrid").agg({"plot_key": "nunique", "reached": ["size", "mean"]})
    table.columns = ["n_plots", "n_scores", "observed"]
    table = table.loc[weights.index].assign(chance=chance[0], lower=chance[1], upper=chance[2])
    table = table.rename_axis("hybrid").reset_index()
    return table.sort_values(["chance", "hybrid"], ignore_index=True)


def _cut(damage, threshold):
    """Name of the cut between the scores below a threshold and the others."""
    if not 1 <= threshold <= HIGHEST:
        raise ValueError(f"threshold = {threshold}: damage scores lie between 1 and {HIGHEST}")
    n_below = sum(score < threshold for score in damage.fit.scores)
    if n_below in (0, len(damage.fit.scores)):
        which = "No" if n_below else "Every"
        raise Refusal(f"{which} plot was scored {threshold} or above.")
    return damage.fit.thresholds.index[n_below - 1]


def damage_against_control(damage, control, *, level=0.95):
    """Odds of a higher score against the control's, with limits that hold all at once.

    Parameters
    ----------
    damage : DamageFit
    control : str
    level : float
        Confidence that all intervals hold at once, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per other hybrid, least damaged first: hybrid, n_plots, odds_ratio (above 1 = more
        damage than the control), all_lower, all_upper.

    Raises
    ------
    Refusal
        The control was not scored here.

    Notes
    -----
    Odds ratios of plots in the same block scored by the same observer. Critical values are
    single-step, of the correlated contrasts (multivariate t), with the scores less fixed effects as
    degrees of freedom.

    References
    ----------
    Hothorn, T., Bretz, F. & Westfall, P. 2008, Biometrical Journal 50: 346–363.
    """
    weights = _weights(damage, "hybrid")
    refuse_control(control, weights.index, "has no damage score here")
    contrast = weights.drop(index=control) - weights.loc[control]
    value, covariance = _estimates(damage, contrast)
    largest = simultaneous_draws(covariance, damage.fit.residual_df)
    half = np.quantile(largest, level) * np.sqrt(np.diag(covariance))
    n_plots = damage.scores.groupby("hybrid")["plot_key"].nunique()[contrast.index]
    table = pd.DataFrame({"n_plots": n_plots, "odds_ratio": np.exp(value)}, contrast.index)
    table = table.assign(all_lower=np.exp(value - half), all_upper=np.exp(value + half))
    table = table.rename_axis("hybrid").reset_index()
    return table.sort_values(["odds_ratio", "hybrid"], ignore_index=True)


def damage_by_hybrid(damage, control, *, level=0.95):
    """Share of severe scores, chance of one, and odds against the control, by hybrid.

    Parameters
    ----------
    damage : DamageFit
    control : str
        Blank for none.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, least damaged first: hybrid, n_plots, observed (plain share of scores
        from `SEVERE` on), and the columns of :func:`damage_chances` and
        :func:`damage_against_control`, missing where these are refused.
    """
    severe = damage.scores["damage_score"].ge(SEVERE).groupby(damage.scores["hybrid"])
    table = damage.scores.groupby("hybrid")[["plot_key"]].nunique().set_axis(["n_plots"], axis=1)
    table["observed"] = severe.mean()
    odds = "odds_ratio all_lower all_upper"
    asked = {"chance lower upper": damage_chances, odds: damage_against_control}
    for names, estimator in asked.items():
        columns, given = names.split(), [control] if estimator is damage_against_control else []
        try:
            found = estimator(damage, *given, level=level)
            table = table.join(found.set_index("hybrid")[columns])
        except Refusal:
            table[columns] = np.nan
    return table.reset_index().sort_values(["chance", "observed", "hybrid"], ignore_index=True)


def spread_by_chance(damage):
    """Share of the variance of hybrids' effects that hybrids all alike would show, 0–1.

    Notes
    -----
    Trace of the effects' covariance over their sum of squares (both effects less their mean): what
    a shrunken estimate would take off. Chances and odds here are not shrunk.

    References
    ----------
    Morris, C. 1983, Journal of the American Statistical Association 78: 47–55.
    """
    effects, covariance = _estimates(damage, _weights(damage, "hybrid"))
    return min(float(np.trace(covariance) / (effects @ effects)), 1.0)


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
        effect ('observer' or 'emergence'), name (the observer, or 'a week earlier up'), odds_ratio
        of a higher score (against the mean observer), lower, upper, p_value. Empty where neither is
        in the model.
    """
    names, parts = damage.fit.covariance.index, []
    if "observer" in damage.factors:
        parts.append(_weights(damage, "observer").assign(effect="observer"))
    if damage.is_adjusted:
        row = pd.DataFrame(0.0, index=["a week earlier up"], columns=names)
        parts.append(row.assign(weeks_up=1.0, effect="emergence"))
    if not parts:
        return pd.DataFrame(columns=["effect", "name", "odds_ratio", "lower", "upper", "p_value"])
    weights = pd.concat(parts)
    effect = weights.pop("effect")
    value, covariance = _estimates(damage, weights)
    se, df = np.sqrt(np.diag(covariance)), damage.fit.residual_df
    half, p = stats.t.ppf(0.5 + level / 2, df) * se, 2 * stats.t.sf(np.abs(value) / se, df)
    found = {"effect": effect.to_numpy(), "name": weights.index, "odds_ratio": np.exp(value)}
    limits = {"lower": np.exp(value - half), "upper": np.exp(value + half)}
    return pd.DataFrame(found | limits | {"p_value": p})
