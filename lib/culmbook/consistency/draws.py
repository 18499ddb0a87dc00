"""Joint posterior draws of what is true of every hybrid, at every site and in every season.

What each hybrid gave over the seasons (mean, worst season, spread, distance from the best, ranks)
is computed on these draws, so missing cells are filled by the model with the uncertainty that
belongs to them, and the noise of plots does not count as spread of the hybrid.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.consistency.model import RESIDUAL, SeasonsFit
from culmbook.consistency.stability import superiority_of
from culmbook.mixed import draws
from culmbook.text.refusal import Refusal


@dataclass(frozen=True)
class SeasonDraws:
    """Joint posterior draws of what is true of every hybrid.

    Attributes
    ----------
    lasting : DataFrame
        A hybrid's lasting part (its group's mean and its own effect), one row per draw, on the
        model's scale.
    cells : ndarray, shape (draws, hybrids, sites, seasons)
        True value of every hybrid at every site in every season, on the model's scale; where a
        hybrid did not stand it is drawn from the model. Sites and seasons that were not cut are
        missing.
    variances : DataFrame
        Variance of each random term kept, and the residual's, by draw.
    hybrids, sites, seasons : list of str
    scale : {'log', 'raw'}
    controls : tuple of str
    sets : DataFrame
        Each set of variances once: draws that share a set say no more about variances than one of
        them.
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
        return self.variances.reindex(columns=list(terms)).sum(axis=1).to_numpy()

    def require_seasons(self, what: str) -> None:
        """Raise where what compares seasons cannot be told: one season, or no repeated plots.

        Parameters
        ----------
        what : str
            What it takes them to tell, for the sentence.

        Raises
        ------
        Refusal
        """
        if len(self.seasons) < 2:
            raise Refusal(
                f"One season was cut after establishment ({self.seasons[0]}): it takes two at least to tell "
                f"{what}."
            )
        if not {"hybrid_season", "hybrid_site_season"} & set(self.variances):
            raise Refusal(
                "What a hybrid does in one season cannot be told from what a single plot does, because "
                f"hybrids have one plot a season: it takes repeated plots to tell {what}."
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
    lasting = _levels(drawn, "hybrid", hybrids, rng)
    for k, name in enumerate(seasons.groups):
        if f"group {name}" in drawn.fixed:
            lasting[:, k] += drawn.fixed[f"group {name}"]
    cells = lasting[:, :, None, None] + _conditions(drawn, records, sites, years)[:, None]
    for term, shape, parts in (
        ("hybrid_site", (len(sites), 1), [f":{s}" for s in sites]),
        ("hybrid_season", (1, len(years)), [f":{y}" for y in years]),
        (
            "hybrid_site_season",
            (len(sites), len(years)),
            [f":{s}:{y}" for s in sites for y in years],
        ),
    ):
        if term in drawn.effects:
            own = _levels(drawn, term, [h + part for h in hybrids for part in parts], rng)
            cells = cells + own.reshape(n, len(hybrids), *shape)
    spread = drawn.parameters.reindex(columns=list(seasons.terms))
    spread[RESIDUAL] = drawn.parameters.get(RESIDUAL, seasons.residual_variance)
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


def _conditions(drawn, records, sites, years):
    """Mean over the conditions of each site and season, by draw; missing where nothing was cut."""
    out = np.full((len(drawn.fixed), len(sites), len(years)), np.nan)
    own = records.drop_duplicates("condition")
    for (site, year), part in own.groupby([own["site"].astype(str), "season"]):
        names = [f"condition {c}" for c in part["condition"]]
        out[:, sites.index(site), years.index(year)] = drawn.fixed[names].mean(axis=1)
    return out


def _levels(drawn, term, levels, rng):
    """Effects of levels, those that did not occur drawn from the model."""
    known = drawn.effects[term]
    out = known.reindex(columns=levels).to_numpy(copy=True)
    absent = ~pd.Index(levels).isin(known.columns)
    sd = np.sqrt(drawn.parameters[term].to_numpy())[:, None]
    out[:, absent] = sd * rng.normal(size=(len(out), int(absent.sum())))
    return out


def limits(values, level: float = 0.95) -> tuple:
    """Median and central limits of draws.

    Notes
    -----
    The k-th of m sorted draws stands for a probability of k / (m + 1), so that limits of few draws
    are not too narrow.

    References
    ----------
    Hyndman & Fan (1996) Am. Stat. 50:361-365, definition 6.
    """
    tail = (1 - level) / 2
    return tuple(np.quantile(values, [0.5, tail, 1 - tail], axis=0, method="weibull"))


def true_yields(drawn: SeasonDraws) -> np.ndarray:
    """True values in dry t/ha (draws, hybrids, sites, seasons); on the log scale those of the
    median plot.
    """
    return np.exp(drawn.cells) if drawn.scale == "log" else drawn.cells


def season_yields(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Yield of every hybrid in every season, over the sites cut in it.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, season, yield_t_ha, lower, upper``.
    """
    return _by_season(drawn, "yield_t_ha", np.nanmean(true_yields(drawn), axis=2), level)


def _by_season(drawn, name, values, level):
    """Medians and limits of draws by hybrid and season, as a long table."""
    index = pd.MultiIndex.from_product([drawn.hybrids, drawn.seasons], names=["hybrid", "season"])
    middle, low, high = (v.ravel() for v in limits(values, level))
    return pd.DataFrame({name: middle, "lower": low, "upper": high}, index=index).reset_index()


def season_statistics(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Mean, worst season, coefficient of variation and superiority of every hybrid.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid`` and, each with ``_lower`` and ``_upper``: ``mean_t_ha`` over all site-seasons
        cut; ``worst_t_ha``, the poorest season's mean over sites; ``cv``, standard deviation over
        seasons by mean (missing with one season); ``superiority`` [(t/ha)²]; highest mean first.

    Notes
    -----
    Where not all sites were cut in all seasons, seasons are compared over the sites cut in them, so
    that sites and seasons are mixed up in ``worst_t_ha`` and ``cv``: :func:`unequal_words` says so.
    """
    yields = true_yields(drawn)
    by_season = np.nanmean(yields, axis=2)
    flat = yields.reshape(*yields.shape[:2], -1)
    values = {
        "mean_t_ha": np.nanmean(flat, axis=2),
        "worst_t_ha": by_season.min(axis=2),
        "cv": _spread(by_season) / by_season.mean(axis=2),
        "superiority": superiority_of(flat[:, :, ~np.isnan(flat[0, 0])]),
    }
    table = pd.DataFrame({"hybrid": drawn.hybrids})
    for name, value in values.items():
        table[name], table[f"{name}_lower"], table[f"{name}_upper"] = limits(value, level)
    return table.sort_values(["mean_t_ha", "hybrid"], ascending=[False, True], ignore_index=True)


def _spread(by_season):
    is_one = by_season.shape[2] < 2
    return np.full(by_season.shape[:2], np.nan) if is_one else by_season.std(axis=2, ddof=1)


def unequal_words(drawn: SeasonDraws) -> str:
    """Say that seasons were not cut at the same sites; blank where they were."""
    missing = np.isnan(drawn.cells[0, 0])
    if not missing.any():
        return ""
    gaps = [f"{drawn.sites[i]} in {drawn.seasons[j]}" for i, j in np.argwhere(missing)]
    return (
        f"Not cut: {'; '.join(gaps)}. Seasons are means over different sites, so differences between seasons "
        "are partly differences between sites; comparisons of hybrids within a season are not touched by it."
    )


def season_ranks(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Rank of every hybrid in every season, 1 for the highest yield.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, season, rank, lower, upper``: ranks are medians over draws with central limits, so
        a hybrid whose place is not known has a wide interval rather than a false rank.
    """
    return _by_season(drawn, "rank", _ranks(drawn), level)


def _ranks(drawn):
    yields = np.nanmean(true_yields(drawn), axis=2)
    return yields.shape[1] - np.argsort(np.argsort(yields, axis=1), axis=1)


def season_concordance(drawn: SeasonDraws, *, level: float = 0.95) -> tuple[float, float, float]:
    """Agreement of the seasons' rankings: Kendall's W of the true values, with limits.

    Returns
    -------
    tuple
        W 0-1, lower, upper; NaN with one season.

    References
    ----------
    Kendall & Gibbons (1990) Rank Correlation Methods, ch. 6: ``W = 12 S / (m^2 (n^3 - n))`` with S
    the squared deviations of the rank sums; true yields have no ties.
    """
    ranks = _ranks(drawn)
    _, n, m = ranks.shape
    if m < 2:
        return np.nan, np.nan, np.nan
    squares = n * ranks.sum(axis=2).var(axis=1)
    return tuple(float(v) for v in limits(12 * squares / (m**2 * (n**3 - n)), level))
