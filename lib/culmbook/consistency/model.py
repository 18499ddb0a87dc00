"""Do hybrids yield alike year after year? The model of yield over sites and seasons that the answers rest on.

Only seasons after establishment count: before, yield tells how fast a hybrid builds up (see
:mod:`culmbook.consistency.build_up`). Sites and seasons that occurred are fixed, because a few of them say little about
their spread and every comparison of hybrids is made within them; hybrids under test and all that hybrids do
from site to site and season to season are random; controls are fixed, so that they are not drawn towards
the candidates.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.mixed import CONVERGED, GaussianFit, compare, fit_gaussian, over
from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of
from culmbook.trials.connected import refuse_disconnected
from culmbook.trials.layout import add_strata

ESTABLISHED = 3
"""First crop year that counts as established: full yield comes in the third year (common practice)."""
LEAST_SEASONS = 3
"""Fewer seasons after establishment than this are provisional (common practice)."""
TERMS = {
    "hybrid": "hybrid",
    "hybrid_site": "hybrid × site",
    "hybrid_season": "hybrid × season",
    "hybrid_site_season": "hybrid × site × season",
    "plot_key": "plot",
    "replicate_season": "replicate × season",
    "main_plot_season": "main plot × season",
    "block_key": "block",
}
"""Random terms, in the order in which they are kept where two of them are the same in the data at hand."""
OF_LAYOUT = ("replicate_season", "main_plot_season", "block_key")
"""Terms that say where a plot lies, the same for all hybrids."""
SCALES = ("log", "raw")
RESIDUAL = "residual"
_AR1_SEASONS = 4


@dataclass(frozen=True)
class SeasonsFit:
    """A fitted model of yield over seasons.

    Attributes
    ----------
    fit : GaussianFit
        With the residual variances estimated.
    conditional : GaussianFit
        The same with the residual variances of site-seasons taken as known where they differ; equal to
        ``fit`` where one variance serves all. Posterior draws are made from it.
    records : DataFrame
        Records used, from :func:`season_records`.
    controls : tuple of str
        Controls that have records.
    groups : Series
        Group by hybrid: a control is its own, candidates share one (per crop type where known).
    terms : tuple of str
        Random terms kept, of :data:`TERMS`.
    scale : {'log', 'raw'}
    """

    fit: GaussianFit = field(repr=False)
    conditional: GaussianFit = field(repr=False)
    records: pd.DataFrame = field(repr=False)
    controls: tuple
    groups: pd.Series
    terms: tuple
    scale: str

    @property
    def hybrids(self) -> list[str]:
        return list(self.groups.index)

    @property
    def residual_variance(self) -> float:
        """Residual variance, the mean over records where it differs among site-seasons."""
        own = self.fit.variances[self.fit.variances.index.str.startswith(RESIDUAL)]
        if len(own) == 1:
            return float(own.iloc[0])
        return float(self.records["environment"].map(_by_level(own)).mean())


def season_records(
    harvests: pd.DataFrame, *, scale: str = "log", first_crop_year: int = ESTABLISHED
) -> pd.DataFrame:
    """Yields of plots after establishment, one row per plot and season, with what they are grouped by.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`; rows left out there are not used.
    scale : {'log', 'raw'}
        Unit of ``response``: log of dry t/ha, or dry t/ha.
    first_crop_year : int
        First crop year used, at least 1; the planting season is 1.

    Returns
    -------
    DataFrame
        The plot's columns, ``season, crop_year, dry_yield_t_ha, response`` and keys. On the log scale plots
        that gave nothing have no row: :func:`lost_words` counts them.

    Raises
    ------
    ValueError
        Another scale, a plot twice in a season, or no record left.
    """
    if scale not in SCALES:
        raise ValueError(f"scale is {scale!r}; it must be one of {', '.join(SCALES)}")
    used = _usable(harvests, first_crop_year)
    if scale == "log":
        used = used[used["dry_yield_t_ha"] > 0]
    if used.empty:
        raise ValueError(f"no plot has a yield in crop year {first_crop_year} or later")
    if used.duplicated(["site", "plot", "growing_season"]).any():
        raise ValueError("a plot has two rows in one season: a plot is cut once a season")
    cells = add_strata(used)
    season = cells["growing_season"].astype("int64").astype("str")
    place = cells["site"].astype("str") + ":" + cells["trial"].astype("str")
    hybrid = cells["hybrid"].astype("str")
    yields = cells["dry_yield_t_ha"].astype("float64")
    return cells.assign(
        season=season,
        place=place,
        environment=cells["site"].astype("str") + ":" + season,
        condition=place + ":" + season + ": " + cells["treatment"],
        response=np.log(yields) if scale == "log" else yields,
        hybrid_season=hybrid + ":" + season,
        hybrid_site_season=cells["hybrid_site"] + ":" + season,
        replicate_season=cells["replicate_key"] + ":" + season,
        main_plot_season=cells["main_plot_key"] + ":" + season,
    )


def _usable(harvests, first_crop_year):
    late = harvests["crop_year"].ge(first_crop_year).fillna(False)
    return harvests[harvests["left_out"].isna() & harvests["dry_yield_t_ha"].notna() & late]


def lost_words(harvests: pd.DataFrame, *, first_crop_year: int = ESTABLISHED) -> str:
    """Say how many plots gave nothing and so have no logarithm; blank where there is none."""
    none = _usable(harvests, first_crop_year)
    none = none[none["dry_yield_t_ha"] <= 0]
    if none.empty:
        return ""
    hybrids = fmt_list(sorted(set(none["hybrid"].astype(str))))
    return (
        f"{n_of(len(none), 'cut')} gave nothing ({hybrids}). Nothing has no logarithm, so these are not "
        "part of the model of log yield: what is said of consistency there holds for plots that stand."
    )


def fit_seasons(records: pd.DataFrame, controls=(), *, scale: str = "log") -> SeasonsFit:
    """Fit yield over sites and seasons.

    Parameters
    ----------
    records : DataFrame
        From :func:`season_records`; with a column ``crop_type`` candidates of each crop type have a mean of
        their own.
    controls : sequence of str
        Hybrids with fixed effects; those without records are passed over.
    scale : {'log', 'raw'}
        What ``response`` is in.

    Returns
    -------
    SeasonsFit

    Raises
    ------
    ValueError
        Fewer than two candidates, one record per hybrid, trials that no common hybrid joins (both sides
        named), or a search that does not settle.

    Notes
    -----
    Fixed: site × trial × season × planting treatment, controls, crop type, and replicates or blocks where
    there are two only. Random: what of :data:`TERMS`
    the layout can tell apart; cuts of one plot share the plot's effect (compound symmetry). The residual
    variance is one for all or one for each site-season, whichever has the lower criterion of Akaike.

    References
    ----------
    Smith, Cullis & Thompson (2005) J. Agric. Sci. 143:449-462 for plots that are cut again.
    """
    controls = tuple(c for c in controls if c in set(records["hybrid"].astype(str)))
    groups = _groups(records, controls)
    if (~groups.index.isin(controls)).sum() < 2:
        raise ValueError(
            "fewer than two candidates have a yield after establishment: there is no spread among "
            "hybrids to estimate"
        )
    refuse_disconnected(records)
    design, terms = fix_pairs(_design(records, groups), records, random_terms(records))
    if "hybrid" not in terms:
        raise ValueError("no hybrid has two records: nothing tells hybrids from chance")
    fits = {"one": fit_gaussian(records, "response", design, terms)}
    _refuse_unsettled(fits["one"])
    if records["environment"].nunique() > 1 and records["environment"].value_counts().min() > 3:
        fits["each"] = fit_gaussian(records, "response", design, terms, residual_by="environment")
    apart = fits.get("each")
    is_apart = (
        apart is not None
        and apart.verdict == CONVERGED
        and apart.information_criterion < fits["one"].information_criterion
    )
    fit = apart if is_apart else fits["one"]
    known = _with_known_residuals(fit, records, design, terms) if is_apart else fit
    return SeasonsFit(fit, known, records, controls, groups, tuple(terms), scale)


def _refuse_unsettled(fit):
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of yield over seasons has {fit.verdict}")


def _with_known_residuals(fit, records, design, terms):
    own = _by_level(fit.variances[fit.variances.index.str.startswith(RESIDUAL)])
    again = fit_gaussian(
        records.assign(known=records["environment"].map(own)),
        "response",
        design,
        terms,
        known_variance="known",
    )
    _refuse_unsettled(again)
    return again


def _by_level(variances):
    return variances.rename(lambda name: name.removeprefix(f"{RESIDUAL}[").removesuffix("]"))


def _groups(records, controls):
    first = (
        records.drop_duplicates("hybrid")
        .assign(hybrid=lambda t: t["hybrid"].astype("str"))
        .set_index("hybrid")
        .sort_index()
    )
    kind = (
        first["crop_type"].astype("str")
        if "crop_type" in first
        else pd.Series("candidates", first.index)
    )
    names = pd.Series(first.index, first.index)
    return kind.where(~names.isin(controls), "control " + names).rename("group")


def _design(records, groups):
    """Every condition, and every group but the first."""
    conditions = (
        pd.get_dummies(records["condition"], dtype=float)
        .sort_index(axis=1)
        .add_prefix("condition ")
    )
    own = records["hybrid"].astype("str").map(groups)
    kinds = pd.get_dummies(own, dtype=float).sort_index(axis=1).iloc[:, 1:].add_prefix("group ")
    return pd.concat([conditions, kinds], axis=1)


def random_terms(
    records: pd.DataFrame, candidates=tuple(TERMS), within: str = "condition"
) -> list[str]:
    """Terms that the layout can tell apart: no two with the same levels, none without a level of two records.

    Parameters
    ----------
    records : DataFrame
        From :func:`season_records`.
    candidates : sequence of str
        Columns, the first of two equal ones is kept.
    within : str
        Column of the fixed conditions; a term that they determine is left out.

    Returns
    -------
    list of str
    """
    seen, kept = set(), []
    for term in candidates:
        partition = tuple(pd.factorize(records[term])[0])
        levels = records[term].nunique()
        determined = records.groupby(within)[term].nunique().max() == 1
        if 1 < levels < len(records) and partition not in seen and not determined:
            seen.add(partition)
            kept.append(term)
    return kept


def fix_pairs(
    design: pd.DataFrame, records: pd.DataFrame, terms: list
) -> tuple[pd.DataFrame, list]:
    """Take terms of the layout that have two levels as fixed: two levels leave a variance open upwards.

    Parameters
    ----------
    design : DataFrame
        Fixed effects.
    records : DataFrame
        From :func:`season_records`.
    terms : list of str
        Random terms.

    Returns
    -------
    tuple
        The design with a column of half the difference for each such term, as far as it does not hold it
        already, so that its other effects stay those of the middle; and the terms left.
    """
    pairs = [t for t in terms if t in OF_LAYOUT and records[t].nunique() == 2]
    for term in pairs:
        half = (records[term] == records[term].max()).astype(float) - 0.5
        more = pd.concat([design, half.rename(term)], axis=1)
        if np.linalg.matrix_rank(more.to_numpy()) > np.linalg.matrix_rank(design.to_numpy()):
            design = more
    return design, [t for t in terms if t not in pairs]


def compare_plot_kernels(records: pd.DataFrame, controls=()) -> pd.DataFrame:
    """How cuts of the same plot go together over seasons: which covariance fits best.

    Parameters
    ----------
    records, controls
        As in :func:`fit_seasons`.

    Returns
    -------
    DataFrame
        ``criterion, parameters, aic, above_best`` by name, best first: alike over all seasons (compound
        symmetry), dying away with the years between (first-order autoregression beside the residual, four
        seasons or more), and any (unstructured).

    Raises
    ------
    ValueError
        Plots with one season each, or a model that does not settle.

    Notes
    -----
    All have the same fixed effects, so their restricted likelihoods may be compared.
    """
    terms = random_terms(records)
    design, terms = fix_pairs(_design(records, _groups(records, controls)), records, terms)
    if "plot_key" not in terms:
        if records.groupby("plot_key")["season"].nunique().max() > 1:
            raise ValueError(
                "hybrids have one plot at a site: what a plot keeps is part of what they keep"
            )
        raise ValueError(
            "every plot was cut in one season only: nothing tells how its cuts go together"
        )
    others = [
        t
        for t in terms
        if t not in ("plot_key", "block_key", "replicate_season", "main_plot_season")
    ]
    strata = [t for t in terms if t not in (*others, "plot_key")]
    number = records.assign(season_number=records["season"].astype(float))
    fits = {"alike over seasons": fit_gaussian(number, "response", design, terms)}
    if records["season"].nunique() >= _AR1_SEASONS:
        fits["dying away"] = fit_gaussian(
            number,
            "response",
            design,
            [*others, *strata, over("plot_key", "season_number", "autoregressive")],
        )
    fits["any covariance"] = fit_gaussian(
        number,
        "response",
        design,
        [*others, *strata, over("plot_key", "season", "unstructured")],
        residual=False,
    )
    return compare({name: fit for name, fit in fits.items() if fit.verdict == CONVERGED})


def is_provisional(records: pd.DataFrame, least: int = LEAST_SEASONS) -> pd.Series:
    """Is a hybrid known from too few seasons after establishment? True or false by hybrid."""
    return records.groupby("hybrid")["season"].nunique().lt(least)


def provisional_words(records: pd.DataFrame, least: int = LEAST_SEASONS) -> str:
    """Say for which hybrids all that is said is provisional, and why; blank where it is for none."""
    few = is_provisional(records, least)
    seasons = sorted(records["season"].unique())
    if not few.any():
        return ""
    had = f"{n_of(len(seasons), 'season')} after establishment ({fmt_list(seasons)})"
    if few.all():
        return (
            f"Provisional: the yields cover {had}, and no hybrid has {least}. "
            "A bad year may not have come yet."
        )
    names = fmt_list([str(h) for h in few[few].index])
    return f"Provisional for {names}: fewer than {least} seasons after establishment. The yields cover {had}."
