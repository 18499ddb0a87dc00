"""How large a share of each hybrid's plants lives, and does a hybrid beat the control?

Counts of one event (autumn of the planting year, early summer) are modelled with a binomial mixed
model: hybrids, replicates and planting treatments fixed; blocks, main plots and plots random. Shares are
marginal: what the mean plot of the hybrid shows, not the middle one.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from culmbook.mixed import (
    NODES,
    WEIGHTS,
    BinomialFit,
    fit_binomial,
    marginal_share,
    simultaneous_draws,
)
from culmbook.stats.shares import combine_limits

FEW = 20  # with fewer plants dead (or alive) than this, Wald limits are too lopsided: use the likelihood
TREATMENTS = ["planting_method", "film"]


@dataclass(frozen=True)
class StandFit:
    """A fitted stand model.

    ``fit`` the mixed model; ``cells`` the plots it used; ``grid`` the fixed conditions (replicates,
    sites, treatments) that a hybrid's share is averaged over, with their weights (sum 1) and logit
    deviations; ``terms`` what each random term stands for, in words.
    """

    fit: BinomialFit
    cells: pd.DataFrame
    grid: pd.DataFrame
    terms: dict

    @property
    def hybrids(self) -> list[str]:
        return sorted(self.cells["hybrid"].unique())

    def shares_at(self, logits, spread=None):
        """Marginal share at each mean logit, averaged over the grid."""
        spread = self.fit.spread if spread is None else spread
        spread = np.broadcast_to(np.asarray(spread, float), np.shape(logits))
        eta = np.asarray(logits, float)[..., None] + self.grid["deviation"].to_numpy()
        return marginal_share(eta, spread[..., None]) @ self.grid["weight"].to_numpy()


def fit_stand(cells: pd.DataFrame) -> StandFit:
    """Fit the stand model of one event.

    Parameters
    ----------
    cells : DataFrame
        One row per counted plot: ``site, trial, replicate, block, main_plot, plot, hybrid,
        planting_method, film, alive, total``. ``main_plot`` and ``block`` may be missing.

    Returns
    -------
    StandFit
        At one site replicates are fixed (with three of them a variance is a guess, and the shares are
        those of these replicates); over several sites site x treatment is fixed and replicate within
        site, hybrid x site random. Half a plant alive and half a plant dead are added to each hybrid.

    Raises
    ------
    ValueError
        Fewer than two hybrids, no more plots than fixed effects, or hybrids that share no condition.
    """
    cells = add_strata(cells)
    if cells["hybrid"].nunique() < 2:
        raise ValueError("one hybrid only: there is nothing to compare")
    network = cells["site"].nunique() > 1
    conditions = ["condition"] if network else ["replicate_key", "treatment"]
    grid = _grid(cells, conditions)
    columns = [
        _centred(cells[c], _level_weights(cells, c)) for c in conditions if cells[c].nunique() > 1
    ]
    dummies = pd.get_dummies(cells["hybrid"], dtype=float).sort_index(axis=1)
    design = pd.concat([dummies, *columns], axis=1)
    if len(cells) <= design.shape[1]:
        raise ValueError(
            f"{len(cells)} plots for {design.shape[1]} fixed effects: too few to know the plots' spread"
        )
    terms = _random_terms(cells, network)
    fit = fit_binomial(
        cells,
        alive="alive",
        total="total",
        fixed=design,
        random=list(terms),
        half_plant_in="hybrid",
    )
    return StandFit(fit, cells, _with_deviation(grid, conditions, columns, fit), terms)


def add_strata(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells with the keys of the strata they lie in: treatment, condition, replicate, main plot, block, plot."""
    where = cells["site"].astype(str) + ":" + cells["trial"].astype(str)
    out = cells.assign(
        treatment=cells["planting_method"].astype(str) + ", " + _film_words(cells["film"])
    )
    replicate = where + ":" + cells["replicate"].astype(str)
    return out.assign(
        condition=cells["site"].astype(str) + ": " + out["treatment"],
        replicate_key=replicate,
        main_plot_key=replicate + ":" + cells["main_plot"].astype("str").fillna("-"),
        block_key=where + ":" + cells["block"].astype("str").fillna("-"),
        plot_key=cells["site"].astype(str) + ":" + cells["plot"].astype(str),
        hybrid_site=cells["hybrid"].astype(str) + ":" + cells["site"].astype(str),
        hybrid_treatment=cells["hybrid"].astype(str) + ":" + out["treatment"],
    ).reset_index(drop=True)


def _film_words(film):
    return film.astype("str").map({"film": "film", "none": "no film"})


def _level_weights(cells, column):
    """Equal weights for levels; for conditions, equal for sites and within a site."""
    levels = cells[[column, "site"]].drop_duplicates().set_index(column)["site"]
    per_site = levels.groupby(levels).transform("size") if column == "condition" else len(levels)
    weight = 1.0 / (per_site * (levels.nunique() if column == "condition" else 1))
    return pd.Series(weight, index=levels.index).sort_index()


def _centred(values, weights):
    """Columns for a factor whose effects have weighted mean zero."""
    last = weights.index[-1]
    return pd.DataFrame(
        {
            level: values.eq(level).astype(float)
            - values.eq(last).astype(float) * weights[level] / weights[last]
            for level in weights.index[:-1]
        },
        index=values.index,
    )


def _grid(cells, conditions):
    grid = pd.DataFrame({"weight": [1.0]})
    for column in conditions:
        levels = (
            _level_weights(cells, column).rename("level_weight").rename_axis(column).reset_index()
        )
        grid = grid.merge(levels, how="cross")
        grid["weight"] = grid["weight"] * grid.pop("level_weight")
    return grid


def _with_deviation(grid, conditions, columns, fit):
    deviation = np.zeros(len(grid))
    for condition in conditions:
        own = [c for c in columns if set(c.columns) <= set(grid[condition])]
        if own and grid[condition].nunique() > 1:
            effects = fit.coefficients[own[0].columns]
            weights = grid.groupby(condition)["weight"].sum()
            last = -(effects * weights[effects.index]).sum() / weights.drop(effects.index)
            deviation += grid[condition].map(pd.concat([effects, last])).to_numpy()
    return grid.assign(deviation=deviation)


def _random_terms(cells, network):
    """Random terms that the layout supports, each with its meaning; no two of the same partition."""
    candidates = {}
    if network:
        candidates["hybrid_site"] = "hybrid x site"
        candidates["replicate_key"] = "replicate within site"
    candidates["main_plot_key"] = "main plot"
    candidates["block_key"] = "block"
    if not network and cells["treatment"].nunique() > 1:
        candidates["hybrid_treatment"] = "hybrid x planting treatment"
    candidates["plot_key"] = "plot (overdispersion)"
    kept, partitions = (
        {},
        {("fixed", _partition(cells, "condition" if network else "replicate_key"))},
    )
    for term, meaning in candidates.items():
        partition = ("fixed", _partition(cells, term))
        if cells[term].nunique() > 1 and partition not in partitions:
            kept[term] = meaning
            partitions.add(partition)
    return kept


def _partition(cells, column):
    return tuple(pd.factorize(cells[column])[0])


# -- shares of hybrids ----------------------------------------------------------------------------


def _few(stand):
    totals = stand.cells.groupby("hybrid")[["alive", "total"]].sum()
    return np.minimum(totals["alive"], totals["total"] - totals["alive"]).lt(FEW)


def _logit_limits(stand, critical):
    """Lower and upper limit of every hybrid's mean logit: likelihood where plants are few, else Wald."""
    fit, few = stand.fit, _few(stand)
    limits = {}
    for hybrid in stand.hybrids:
        centre, se = fit.coefficients[hybrid], np.sqrt(fit.covariance.loc[hybrid, hybrid])
        wald = (centre - critical * se, centre + critical * se)
        limits[hybrid] = fit.profile_limits(hybrid, critical) if few[hybrid] else wald
    return pd.DataFrame(limits, index=["lower", "upper"]).T


def _share_limits(stand, critical):
    """Limits on the share scale; a hybrid with none dead reaches 1, with none alive 0."""
    limits = _logit_limits(stand, critical)
    totals = stand.cells.groupby("hybrid")[["alive", "total"]].sum().loc[limits.index]
    lower = np.where(totals["alive"].eq(0), 0.0, stand.shares_at(limits["lower"].to_numpy()))
    upper = np.where(
        totals["alive"].eq(totals["total"]), 1.0, stand.shares_at(limits["upper"].to_numpy())
    )
    return lower, upper


def _point_shares(stand):
    """Marginal shares without the two small biases of plugging the mean logit in.

    The hybrid's own plots already carry their random effects, so only the spread they do not carry is
    averaged over; and the half plants added for the fit are taken out again.
    """
    fit, hybrids = stand.fit, stand.hybrids
    carried = (
        np.diag(fit.covariance.loc[hybrids, hybrids]) - fit.sampling_variance()[hybrids].to_numpy()
    )
    left = np.sqrt(np.maximum(fit.spread**2 - np.maximum(carried, 0), 0))
    share = stand.shares_at(fit.coefficients[hybrids].to_numpy(), left)
    sums = stand.cells.groupby("hybrid")[["alive", "total"]].sum().loc[hybrids]
    alive, total = sums["alive"].to_numpy(float), sums["total"].to_numpy(float)
    share = np.where(alive == total, 1.0, np.where(alive == 0, 0.0, share + (share - 0.5) / total))
    return np.clip(share, 0, 1)


def hybrid_shares(stand: StandFit, *, level: float = 0.95) -> pd.DataFrame:
    """Share of each hybrid with its interval.

    Parameters
    ----------
    stand : StandFit
    level : float
        Confidence level, 0-1; t quantile with the plots' residual degrees of freedom.

    Returns
    -------
    DataFrame
        ``hybrid, plots, alive, total, share, lower, upper``, highest share first.
    """
    totals = stand.cells.groupby("hybrid").agg(
        plots=("alive", "size"), alive=("alive", "sum"), total=("total", "sum")
    )
    lower, upper = _share_limits(stand, stats.t.ppf(0.5 + level / 2, stand.fit.residual_df))
    share = np.clip(_point_shares(stand), lower, upper)
    table = totals.loc[stand.hybrids].assign(share=share, lower=lower, upper=upper)
    return (
        table.rename_axis("hybrid")
        .reset_index()
        .sort_values(["share", "hybrid"], ascending=[False, True], ignore_index=True)
    )


# -- against the control --------------------------------------------------------------------------


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
        ``hybrid, plots, share, difference, lower, upper, ratio, ratio_lower, ratio_upper``. A ratio to a
        control whose limit reaches 0 is missing.

    Raises
    ------
    ValueError
        The control was not counted here.

    Notes
    -----
    The critical value is the single-step one of the correlated logit contrasts (multivariate t). At
    that value each share gets its own limits, and limits of differences and of log ratios are composed
    from them with the estimates' correlation, which keeps them inside -1 … 1 and above 0.

    References
    ----------
    Zou & Donner (2008) Stat. Med. 27:1693-1702; Hothorn, Bretz & Westfall (2008) Biometr. J. 50:346-363.
    """
    others = [h for h in stand.hybrids if h != control]
    if control not in stand.hybrids:
        raise ValueError(
            f"the control {control!r} has no counted plot here, so nothing can be compared with it"
        )
    fit = stand.fit
    covariance = fit.covariance.loc[stand.hybrids, stand.hybrids]
    contrast = pd.DataFrame(np.eye(len(stand.hybrids)), stand.hybrids, stand.hybrids).loc[others]
    contrast[control] = -1.0
    joint = contrast.to_numpy() @ covariance.to_numpy() @ contrast.to_numpy().T
    se = np.sqrt(np.diag(joint))
    largest = simultaneous_draws(joint / np.outer(se, se), fit.residual_df)
    single = stats.t.ppf(0.5 + level / 2, fit.residual_df)
    lower, upper = _share_limits(stand, np.quantile(largest, level) if together else single)
    shares = pd.DataFrame(
        {"share": np.clip(_point_shares(stand), lower, upper), "lower": lower, "upper": upper},
        stand.hybrids,
    )
    table = _composed(shares, control, others, covariance)
    plots = stand.cells.groupby("hybrid").size()[others].to_numpy()
    table = table.assign(hybrid=others, plots=plots)
    order = [
        "hybrid",
        "plots",
        "share",
        "difference",
        "lower",
        "upper",
        "ratio",
        "ratio_lower",
        "ratio_upper",
    ]
    return table[order].sort_values(
        ["difference", "hybrid"], ascending=[False, True], ignore_index=True
    )


def _composed(shares, control, others, covariance):
    sd = np.sqrt(np.diag(covariance))
    correlation = (covariance[control] / sd / np.sqrt(covariance.loc[control, control]))[
        others
    ].to_numpy()
    first = [shares.loc[others, c].to_numpy() for c in ("share", "lower", "upper")]
    second = [np.full(len(others), shares.loc[control, c]) for c in ("share", "lower", "upper")]
    lower, upper = combine_limits(first, second, correlation)
    table = pd.DataFrame(
        {"share": first[0], "difference": first[0] - second[0], "lower": lower, "upper": upper}
    )
    if shares.loc[control, "lower"] <= 0:
        return table.assign(ratio=np.nan, ratio_lower=np.nan, ratio_upper=np.nan)
    tiny = 1e-12  # a hybrid with none alive has ratio 0; its log is only shifted out of the way
    logs = [np.log(np.maximum(v, tiny)) for v in first]
    low, high = combine_limits(logs, [np.log(v) for v in second], correlation)
    return table.assign(
        ratio=first[0] / second[0],
        ratio_lower=np.where(first[1] <= 0, 0.0, np.exp(low)),
        ratio_upper=np.exp(high),
    )


def chance_above(stand: StandFit, threshold: float, plants: int) -> pd.Series:
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
        Probability by hybrid: a new plot in a new block and main plot under the replicates, sites and
        treatments of this fit, with the uncertainty of the hybrid's mean.
    """
    fit, hybrids = stand.fit, stand.hybrids
    spread = np.sqrt(fit.spread**2 + np.diag(fit.covariance.loc[hybrids, hybrids]))
    eta = fit.coefficients[hybrids].to_numpy()[:, None] + stand.grid["deviation"].to_numpy()
    shares = special.expit(eta[..., None] + spread[:, None, None] * NODES)
    reached = stats.binom.sf(np.ceil(threshold * plants - 1e-9) - 1, plants, shares)
    return pd.Series((reached @ WEIGHTS) @ stand.grid["weight"].to_numpy(), index=hybrids)


def variance_table(stand: StandFit) -> pd.DataFrame:
    """Where the unevenness lies: ``source, levels, sd_logit, at_zero`` of each random term."""
    rows = [
        (
            meaning,
            stand.cells[term].nunique(),
            float(np.sqrt(stand.fit.variances[term])),
            stand.fit.variances[term] <= 0,
        )
        for term, meaning in stand.terms.items()
    ]
    return pd.DataFrame(rows, columns=["source", "levels", "sd_logit", "at_zero"])
