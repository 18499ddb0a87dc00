"""Joint posterior draws of what is true of every hybrid, at every site and in every season."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.consistency.model import RESIDUAL, SeasonsFit
from culmbook.mixed import draws


@dataclass(frozen=True)
class SeasonDraws:
    """Joint posterior draws of what is true of every hybrid.

    Attributes
    ----------
    lasting : DataFrame
        A hybrid's lasting part (its group's mean and its own effect), one row per draw, on the model's scale.
    cells : ndarray, shape (draws, hybrids, sites, seasons)
        True value of every hybrid at every site in every season, on the model's scale; where a hybrid did
        not stand it is drawn from the model. Sites and seasons that were not cut are missing.
    variances : DataFrame
        Variance of each random term kept, and the residual's, by draw.
    hybrids, sites, seasons : list of str
    scale : {'log', 'raw'}
    controls : tuple of str
    sets : DataFrame
        Each set of variances once: draws that share a set say no more about variances than one of them.
    """

    lasting: pd.DataFrame = field(repr=False)
    cells: np.ndarray = field(repr=False)
    variances: pd.DataFrame = field(repr=False)
    hybrids: list
    sites: list
    seasons: list
    scale: str
    controls: tuple
    sets: pd.DataFrame = field(repr=False)

    def variance(self, *terms: str) -> np.ndarray:
        """Sum of terms' variances by draw; a term that the layout could not show adds nothing."""
        return sum(
            (self.variances[t].to_numpy() for t in terms if t in self.variances),
            np.zeros(len(self.variances)),
        )


def draw_seasons(
    seasons: SeasonsFit, n: int = 1_000, seed: int = 1, variances: int = 100
) -> SeasonDraws:
    """Draw jointly what is true of every hybrid, with the uncertainty of all variances.

    Parameters
    ----------
    seasons : SeasonsFit
    n : int
        Draws.
    seed : int
    variances : int
        Different sets of variances among them.

    Returns
    -------
    SeasonDraws
    """
    drawn = draws(seasons.conditional, n, seed, variances)
    records, hybrids = seasons.records, seasons.hybrids
    sites, years = sorted(records["site"].astype(str).unique()), sorted(records["season"].unique())
    rng = np.random.default_rng([seed, n])
    group = np.zeros((n, len(hybrids)))
    for k, name in enumerate(seasons.groups):
        if f"group {name}" in drawn.fixed:
            group[:, k] = drawn.fixed[f"group {name}"]
    lasting = group + _levels(drawn, "hybrid", hybrids, rng)
    cells = (
        np.stack([_conditions(drawn, records, site, years) for site in sites], axis=1)[:, None]
        + lasting[:, :, None, None]
    )
    cells = cells + _grid(
        drawn, "hybrid_site", [[[f"{h}:{s}"] for s in sites] for h in hybrids], rng
    )
    cells = cells + _grid(
        drawn, "hybrid_season", [[[f"{h}:{y}" for y in years]] for h in hybrids], rng
    )
    cells = cells + _grid(
        drawn,
        "hybrid_site_season",
        [[[f"{h}:{s}:{y}" for y in years] for s in sites] for h in hybrids],
        rng,
    )
    spread = drawn.parameters.reindex(columns=list(seasons.terms))
    if RESIDUAL in drawn.parameters:
        spread[RESIDUAL] = drawn.parameters[RESIDUAL]
    else:
        spread[RESIDUAL] = seasons.residual_variance
    share = np.bincount(np.arange(n) % max(variances, 1), minlength=max(variances, 1))
    first = np.cumsum(share)[share > 0] - share[share > 0]
    return SeasonDraws(
        pd.DataFrame(lasting, columns=hybrids),
        cells,
        spread,
        hybrids,
        sites,
        years,
        seasons.scale,
        seasons.controls,
        spread.iloc[first],
    )


def _conditions(drawn, records, site, years):
    """Mean over a site's conditions of each season, draws x seasons; missing where nothing was cut."""
    own = records[records["site"].astype(str) == site]
    out = np.full((len(drawn.fixed), len(years)), np.nan)
    for k, year in enumerate(years):
        names = [f"condition {c}" for c in own.loc[own["season"] == year, "condition"].unique()]
        if names:
            out[:, k] = drawn.fixed[names].mean(axis=1)
    return out


def _grid(drawn, term, names, rng):
    """Effects of a term in the shape of a nested list of its levels, draws first; 0 without the term."""
    names = np.array(names)
    if term not in drawn.effects:
        return np.zeros((1, *names.shape))
    return _levels(drawn, term, list(names.ravel()), rng).reshape(-1, *names.shape)


def _levels(drawn, term, levels, rng):
    """Effects of levels, those that did not occur drawn from the model."""
    known = drawn.effects[term]
    out = known.reindex(columns=levels).to_numpy(copy=True)
    absent = ~pd.Index(levels).isin(known.columns)
    sd = np.sqrt(drawn.parameters[term].to_numpy())[:, None]
    out[:, absent] = sd * rng.normal(size=(len(out), int(absent.sum())))
    return out


def limits(values, level: float = 0.95, axis: int = 0) -> tuple:
    """Median and central limits of draws.

    Notes
    -----
    The k-th of m sorted draws stands for a probability of k / (m + 1), so that limits of few draws are not
    too narrow.

    References
    ----------
    Hyndman & Fan (1996) Am. Stat. 50:361-365, definition 6.
    """
    tail = (1 - level) / 2
    middle, low, high = np.quantile(values, [0.5, tail, 1 - tail], axis=axis, method="weibull")
    return middle, low, high
