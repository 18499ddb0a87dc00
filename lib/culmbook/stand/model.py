"""How large a share of each hybrid's plants lives, and does a hybrid beat the control?

Counts of one event (autumn of the planting year, early summer) are modelled with a binomial mixed
model: hybrids, replicates and planting treatments fixed; blocks, main plots and plots random.
Shares are marginal: what the mean plot of the hybrid shows, not the middle one.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from culmbook import mixed
from culmbook.stats.shares import combine_limits
from culmbook.text.numbers import fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of
from culmbook.trials.entries import refuse_control
from culmbook.trials.layout import add_strata, random_terms

# with fewer plants dead (or alive) than this, Wald limits are too lopsided: use the likelihood
FEW = 20
# how far the mean of the model's shares may lie outside the means that were counted
SLACK = 0.1
AT_ONE_SITE = ("main_plot", "block", "hybrid:treatment", "plot")
OVER_SITES = ("hybrid:site", "replicate", "main_plot", "block", "plot")


@dataclass(frozen=True)
class StandFit:
    """A fitted stand model.

    ``fit`` the mixed model; ``cells`` the plots it used; ``grid`` the fixed conditions (replicates,
    sites, treatments) that a hybrid's share is averaged over, with their weights (sum 1) and logit
    deviations; ``terms`` what each random term stands for, in words.
    """

    fit: mixed.BinomialFit
    cells: pd.DataFrame
    grid: pd.DataFrame
    terms: dict

    @property
    def hybrids(self) -> list[str]:
        return sorted(self.cells["hybrid"].unique())

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance of the hybrids' mean logits."""
        return self.fit.covariance.loc[self.hybrids, self.hybrids]

    def shares_at(self, logits, spread=None):
        """Marginal share at each mean logit, averaged over the grid."""
        spread = self.fit.spread if spread is None else spread
        spread = np.broadcast_to(np.asarray(spread, float), np.shape(logits))
        eta = np.asarray(logits, float)[..., None] + self.grid["deviation"].to_numpy()
        return mixed.marginal_share(eta, spread[..., None]) @ self.grid["weight"].to_numpy()


def fit_stand(cells: pd.DataFrame, random=None) -> StandFit:
    """Fit the stand model of one event.

    Parameters
    ----------
    cells : DataFrame
        One row per counted plot: ``site, trial, replicate, block, main_plot, plot, hybrid,
        planting_method, film, alive, total``. ``main_plot`` and ``block`` may be missing.
    random : iterable of str, optional
        Random terms, names as in :data:`culmbook.trials.layout.TERMS`; those that the layout cannot
        carry are left out. By default `AT_ONE_SITE` or `OVER_SITES`.

    Returns
    -------
    StandFit
        At one site replicates and treatments are fixed (with three replicates a variance is a
        guess, and the shares are those of these replicates); over several sites site x treatment is
        fixed. Half a plant alive and half a plant dead are added to each hybrid.

    Raises
    ------
    Refusal
        No plot, fewer than two hybrids, no more plots than fixed effects, hybrids that share no
        condition, all plants alive or all dead, or a search that does not settle.
    """
    _refuse_untelling(cells)
    cells = add_strata(cells)
    wide = cells["site"].nunique() > 1
    conditions = ["condition"] if wide else ["replicate_key", "treatment"]
    columns = [
        _centred(cells[c], _level_weights(cells, c)) for c in conditions if cells[c].nunique() > 1
    ]
    dummies = pd.get_dummies(cells["hybrid"], dtype=float).sort_index(axis=1)
    design = pd.concat([dummies, *columns], axis=1)
    if len(cells) <= design.shape[1]:
        effects = n_of(design.shape[1], "fixed effect")
        raise Refusal(
            f"There are {n_of(len(cells), 'plot')} for {effects}: too few to know how plots differ."
        )
    asked = random or (OVER_SITES if wide else AT_ONE_SITE)
    terms = random_terms(cells, asked, fixed=[*conditions, "hybrid"])
    fit = settled("The shares of hybrids", cells, design, terms)
    return StandFit(fit, cells, _grid(cells, conditions, columns, fit), terms)


def settled(what: str, cells: pd.DataFrame, design: pd.DataFrame, terms) -> mixed.BinomialFit:
    """Fit ``alive`` of ``total`` with half a plant in every hybrid, or refuse to estimate `what`."""
    given = {"alive": "alive", "total": "total", "half_plant_in": "hybrid"}
    try:
        fit = mixed.fit_binomial(cells, fixed=design, random=list(terms), **given)
    except ValueError as error:
        raise Refusal(f"{what} cannot be estimated: {str(error).rstrip('.')}.") from error
    if fit.verdict != mixed.CONVERGED:
        raise Refusal(f"{what} cannot be estimated: the model has {fit.verdict}.")
    return fit


def _refuse_untelling(cells):
    if cells.empty:
        raise Refusal(
            "No plot has the counts of this season that this takes: nothing is estimated."
        )
    if cells["hybrid"].nunique() < 2:
        raise Refusal("Only one hybrid was counted: there is nothing to compare.")
    alive, total = cells["alive"].sum(), cells["total"].sum()
    if alive in (0, total):
        raise Refusal(
            f"Of {n_of(total, 'plant')} in {n_of(len(cells), 'plot')} all were "
            f"{'alive' if alive else 'dead'}: there are no differences to estimate."
        )


def refuse_implausible(shares, cells, by: str) -> None:
    """Raise a Refusal where the mean of hybrids' shares is none that the counts could give.

    Parameters
    ----------
    shares : Series
        The model's share of every hybrid.
    cells : DataFrame
        ``hybrid, alive, total`` and the column `by`.
    by : str
        Conditions that shares are averaged over: the mean of hybrids lies between those of the
        conditions, or near them, as hybrids differ between conditions.
    """
    counted = cells.groupby([by, "hybrid"])[["alive", "total"]].sum()
    counted = (counted["alive"] / counted["total"]).groupby(level=by).mean()
    low, high = counted.min(), counted.max()
    if not low - SLACK <= shares.mean() <= high + SLACK:
        seen = fmt_share(low) if len(counted) == 1 else f"{fmt_share(low)} to {fmt_share(high)}"
        raise Refusal(
            f"The model gives a mean share of {fmt_share(shares.mean())} where {seen} was counted: it "
            "does not describe these counts, so no share is given."
        )


def _level_weights(cells, column):
    """Equal weights for levels; for conditions, equal for sites and within a site."""
    levels = cells[[column, "site"]].drop_duplicates().set_index(column)["site"]
    per_site = levels.groupby(levels).transform("size") if column == "condition" else len(levels)
    weight = 1.0 / (per_site * (levels.nunique() if column == "condition" else 1))
    return pd.Series(weight, index=levels.index).sort_index()


def _centred(values, weights):
    """Columns for a factor whose effects have weighted mean zero."""
    last = weights.index[-1]
    against = values.eq(last).astype(float) / weights[last]
    levels = pd.get_dummies(values, dtype=float)[list(weights.index[:-1])]
    return levels - np.outer(against, weights[levels.columns])


def _grid(cells, conditions, columns, fit):
    """Every combination of the conditions' levels with its weight and its deviation on the logit
    scale.
    """
    grid = pd.DataFrame({"weight": [1.0], "deviation": [0.0]})
    for condition in conditions:
        weights = _level_weights(cells, condition)
        own = (
            [c for c in columns if set(c.columns) <= set(weights.index)] if len(weights) > 1 else []
        )
        effects = fit.coefficients[own[0].columns] if own else pd.Series(dtype=float)
        last = -(effects * weights[effects.index]).sum() / weights.drop(effects.index)
        levels = {"level_weight": weights, "effect": pd.concat([effects, last])}
        grid = grid.merge(pd.DataFrame(levels).rename_axis(condition).reset_index(), how="cross")
        grid["weight"] *= grid.pop("level_weight")
        grid["deviation"] += grid.pop("effect")
    return grid


def hybrid_shares(stand: StandFit, *, level: float = 0.95, critical: float | None = None):
    """Share of each hybrid with its interval.

    Parameters
    ----------
    stand : StandFit
    level : float
        Confidence level, 0-1; t quantile with the plots' residual degrees of freedom.
    critical : float, optional
        Critical value in the quantile's place.

    Returns
    -------
    DataFrame
        ``hybrid, plots, alive, total, share, lower, upper``, highest share first; a hybrid with
        none dead reaches 1, with none alive 0.

    Raises
    ------
    Refusal
        The model's shares are none that the counts could give.

    Notes
    -----
    The point is free of the two small biases of plugging the mean logit in: the hybrid's own plots
    already carry their random effects, so only the spread they do not carry is averaged over; and
    the half plants added for the fit are taken out again. Limits are of the likelihood where plants
    are few, else Wald's.
    """
    fit, hybrids, counted = stand.fit, stand.hybrids, stand.cells.groupby("hybrid")
    totals = counted[["alive", "total"]].sum()
    totals.insert(0, "plots", counted.size())
    critical = critical or stats.t.ppf(0.5 + level / 2, fit.residual_df)
    alive, total = totals["alive"], totals["total"]
    logit, variance = fit.coefficients[hybrids].to_numpy(), np.diag(stand.covariance)
    limits = logit + np.outer([-critical, critical], np.sqrt(variance))
    for place in np.flatnonzero(np.minimum(alive, total - alive) < FEW):
        limits[:, place] = fit.profile_limits(hybrids[place], critical)
    lower = np.where(alive.eq(0), 0.0, stand.shares_at(limits[0]))
    upper = np.where(alive.eq(total), 1.0, stand.shares_at(limits[1]))
    carried = np.maximum(variance - fit.sampling_variance()[hybrids].to_numpy(), 0)
    share = stand.shares_at(logit, np.sqrt(np.maximum(fit.spread**2 - carried, 0)))
    share = share + (share - 0.5) / total.to_numpy(float)
    share = np.where(alive.eq(total), 1.0, np.where(alive.eq(0), 0.0, share))
    table = totals.assign(share=np.clip(np.clip(share, 0, 1), lower, upper))
    refuse_implausible(table["share"], stand.cells, "condition")
    table = table.assign(lower=lower, upper=upper).rename_axis("hybrid").reset_index()
    return table.sort_values(["share", "hybrid"], ascending=[False, True], ignore_index=True)


def against_control(
    stand: StandFit, control: str, *, level: float = 0.95, together: bool = True
) -> pd.DataFrame:
    """Differences and ratios of every hybrid's share against the control's, all valid together.

    Parameters
    ----------
    stand : StandFit
    control : str
        A hybrid of the fit.
    level : float
        Confidence that *all* intervals hold at once, 0-1.
    together : bool
        False gives each interval its own confidence instead (t quantile).

    Returns
    -------
    DataFrame
        ``hybrid, plots, share, difference, lower, upper, ratio, ratio_lower, ratio_upper``. A ratio
        to a control whose limit reaches 0 is missing.

    Raises
    ------
    Refusal
        There is no control, or it was not counted here.

    Notes
    -----
    The critical value is the single-step one of the correlated logit contrasts (multivariate t). At
    that value each share gets its own limits, and limits of differences and of log ratios are
    composed from them with the estimates' correlation, which keeps them inside -1 … 1 and above 0.

    References
    ----------
    Zou & Donner (2008) Stat. Med. 27:1693-1702; Hothorn, Bretz & Westfall (2008) Biometr. J.
    50:346-363.
    """
    refuse_control(control, stand.hybrids, "has no counted plot here")
    others = [h for h in stand.hybrids if h != control]
    covariance = stand.covariance
    contrast = pd.DataFrame(np.eye(len(covariance)), stand.hybrids, stand.hybrids).loc[others]
    contrast[control] = -1.0
    joint = contrast.to_numpy() @ covariance.to_numpy() @ contrast.to_numpy().T
    largest = mixed.simultaneous_draws(joint, stand.fit.residual_df)
    critical = np.quantile(largest, level) if together else None
    shares = hybrid_shares(stand, level=level, critical=critical).set_index("hybrid")
    sd = pd.Series(np.sqrt(np.diag(covariance)), stand.hybrids)
    correlation = (covariance[control] / sd / sd[control])[others].to_numpy()
    table = shares.loc[others].assign(**_composed(shares, control, others, correlation))
    columns = "hybrid plots share difference lower upper ratio ratio_lower ratio_upper".split()
    order = {"by": ["difference", "hybrid"], "ascending": [False, True], "ignore_index": True}
    return table.rename_axis("hybrid").reset_index()[columns].sort_values(**order)


def sites_against_control(
    cells: pd.DataFrame, control: str, *, random=AT_ONE_SITE, level: float = 0.95
) -> pd.DataFrame:
    """Hybrids against the control at every site by itself: the mean over sites hides one that is
    cold.

    Parameters
    ----------
    cells : DataFrame
        As for :func:`fit_stand`.
    control, random, level
        As for :func:`fit_stand` and :func:`against_control`; the intervals of a site hold together.

    Returns
    -------
    DataFrame
        ``site`` and the columns of :func:`against_control`. A site that carries no comparison is
        not in it.
    """
    found = {}
    for site, own in cells.groupby("site"):
        try:
            found[site] = against_control(fit_stand(own, random), control, level=level)
        except Refusal:
            continue
    if not found:
        raise Refusal(f"At no site can hybrids be compared with the control {control}.")
    return pd.concat(found, names=["site"]).reset_index("site").reset_index(drop=True)


def _composed(shares, control, others, correlation):
    """Columns of difference and ratio to the control: limits composed from those of the two."""
    first = shares.loc[others, ["share", "lower", "upper"]].to_numpy().T
    second = shares.loc[control, ["share", "lower", "upper"]].to_numpy(float)[:, None]
    lower, upper = combine_limits(first, np.broadcast_to(second, first.shape), correlation)
    table = {"difference": first[0] - second[0], "lower": lower, "upper": upper}
    table |= dict.fromkeys(["ratio", "ratio_lower", "ratio_upper"], np.nan)
    if second[1, 0] > 0:
        tiny = 1e-12  # a hybrid with none alive has ratio 0; its log is only shifted out of the way
        log_second = np.broadcast_to(np.log(second), first.shape)
        low, high = combine_limits(np.log(np.maximum(first, tiny)), log_second, correlation)
        low = np.where(first[1] <= 0, 0.0, np.exp(low))
        table |= {"ratio": first[0] / second[0], "ratio_lower": low, "ratio_upper": np.exp(high)}
    return table


def chance_of_stand(stand: StandFit, threshold: float, plants: int) -> pd.Series:
    """Probability that a future plot of each hybrid shows at least a given share alive.

    Parameters
    ----------
    stand : StandFit
    threshold : float
        Share, 0-1.
    plants : int
        Plants in the future plot; its count varies like the plots counted here.

    Returns
    -------
    Series
        Probability by hybrid: a new plot in a new block and main plot under the replicates, sites
        and treatments of this fit, with the uncertainty of the hybrid's mean.
    """
    spread = np.sqrt(stand.fit.spread**2 + np.diag(stand.covariance))
    means = stand.fit.coefficients[stand.hybrids].to_numpy()
    eta = means[:, None] + stand.grid["deviation"].to_numpy()
    shares = special.expit(eta[..., None] + spread[:, None, None] * mixed.NODES)
    reached = stats.binom.sf(np.ceil(threshold * plants - 1e-9) - 1, plants, shares)
    chance = (reached @ mixed.WEIGHTS) @ stand.grid["weight"].to_numpy()
    return pd.Series(chance, stand.hybrids)


def variance_table(stand: StandFit) -> pd.DataFrame:
    """Where the unevenness lies: ``source, levels, sd_logit, at_zero`` of each random term."""
    variances = stand.fit.variances[list(stand.terms)]
    table = pd.DataFrame({"source": list(stand.terms.values())})
    table["levels"] = [stand.cells[term].nunique() for term in stand.terms]
    sd = np.sqrt(variances.to_numpy(float))
    return table.assign(sd_logit=sd, at_zero=variances.le(0).to_numpy())
