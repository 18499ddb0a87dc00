"""How soon does each hybrid reach full yield? Shares of the plateau from free crop-year effects.

No curve is forced through the years: a crop year is compared with the plateau (crop year 3 and later) as it
was cut. The share relative to the control cancels the weather of the seasons compared and stands first; the
absolute share needs the weather's own spread, of which a few seasons say little.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.consistency.age_or_weather import EARLY, PLATEAU, is_apart
from culmbook.consistency.draws import limits
from culmbook.consistency.model import (
    ESTABLISHED,
    RESIDUAL,
    fix_pairs,
    random_terms,
    season_records,
)
from culmbook.mixed import CONVERGED, GaussianFit, draws, fit_gaussian
from culmbook.text.words import n_of

EARLY_YEAR = 2
MARGIN = 0.10
"""A crop year within this share of the plateau counts as full yield (common practice, no source)."""
ALPHA = 0.025
ASSUMED = 0.95
"""True share at which the power of the test is stated."""
LEAST_LATE = 3
"""Seasons on the plateau from which the spread of seasons is learnt when all plots are of one age."""
_SPARE = 5
_SHARED = (
    "hybrid_site",
    "hybrid_season",
    "hybrid_site_season",
    "plot_key",
    "replicate_season",
    "main_plot_season",
    "block_key",
)
WEATHER = ("season", "environment", "cohort_site")


@dataclass(frozen=True)
class BuildUpFit:
    """Models of one early crop year against the plateau.

    Attributes
    ----------
    relative : GaussianFit
        Site-seasons fixed: hybrids' shares relative to the control's.
    absolute : GaussianFit or None
        Site-seasons random: the shares themselves; None where the seasons cannot carry it.
    fixed_hybrids : GaussianFit
        Site-seasons and hybrids' shares fixed, for the test.
    records : DataFrame
    control : str
    early_year : int
    why_no_absolute : str
        Blank where there is an absolute share.
    """

    relative: GaussianFit = field(repr=False)
    absolute: GaussianFit | None = field(repr=False)
    fixed_hybrids: GaussianFit = field(repr=False)
    records: pd.DataFrame = field(repr=False)
    control: str
    early_year: int
    why_no_absolute: str

    @property
    def candidates(self) -> list[str]:
        return sorted(set(self.records["hybrid"]) - {self.control})


def build_up_records(harvests: pd.DataFrame, early_year: int = EARLY_YEAR) -> pd.DataFrame:
    """Log yields of one early crop year and of the plateau.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`.
    early_year : int
        1 or 2.

    Returns
    -------
    DataFrame
        As :func:`culmbook.consistency.model.season_records`, with ``stage``, ``cohort`` (planting year) and
        ``hybrid_stage``; hybrids without a cut in both stages are left out.

    Raises
    ------
    ValueError
        No cut in one of the two stages.
    """
    if not 1 <= early_year < ESTABLISHED:
        raise ValueError(
            f"early_year = {early_year}: a crop year before the plateau is 1 to {ESTABLISHED - 1}"
        )
    cells = season_records(harvests, first_crop_year=early_year)
    cells = cells[cells["crop_year"].eq(early_year) | cells["crop_year"].ge(ESTABLISHED)]
    stage = cells["crop_year"].eq(early_year).map({True: EARLY, False: PLATEAU})
    hybrid = cells["hybrid"].astype("str")
    cells = cells.assign(
        stage=stage,
        hybrid=hybrid,
        hybrid_stage=hybrid + ":" + stage,
        cohort=(cells["growing_season"] - cells["crop_year"] + 1).astype("int64").astype("str"),
    )
    both = cells.groupby("hybrid")["stage"].nunique().eq(2)
    cells = cells[cells["hybrid"].isin(both[both].index)].reset_index(drop=True)
    if cells.empty:
        raise ValueError(
            f"no hybrid was cut both in crop year {early_year} and in crop year {ESTABLISHED} or later"
        )
    return cells.assign(cohort_site=cells["site"].astype(str) + ":" + cells["cohort"])


def fit_build_up(
    harvests: pd.DataFrame, control: str, *, early_year: int = EARLY_YEAR
) -> BuildUpFit:
    """Fit one early crop year against the plateau.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, log of dry yield over 0 is used.
    control : str
    early_year : int

    Returns
    -------
    BuildUpFit

    Raises
    ------
    ValueError
        Stages without cuts, the control in only one of them, fewer than two candidates in both, a search
        that does not settle.

    Notes
    -----
    Log yield = conditions + hybrid + hybrid × stage + random hybrid × site, hybrid × season, hybrid × site
    × season, plot, replicate × season, main plot × season, block, as far as the layout shows them; the
    control's own stage effect is fixed. For the absolute share the conditions are site and stage, with
    season, site × season and planting year at a site random: a planting year is random because age, season
    and planting year are bound by ``season = planting year + age - 1``, so that their linear trends never
    separate without such a choice.
    """
    records = build_up_records(harvests, early_year)
    if control not in set(records["hybrid"]):
        raise ValueError(
            f"the control {control!r} was not cut both in crop year {early_year} and after: "
            "shares relative to it cannot be told"
        )
    if records["hybrid"].nunique() < 3:
        raise ValueError(
            "fewer than two candidates were cut both early and on the plateau: there is nothing to compare"
        )
    is_early, conditions = records["stage"].eq(EARLY).astype(float), dummies(records, "condition")
    hybrids = pd.get_dummies(records["hybrid"], dtype=float).drop(columns=control)
    own = hybrids.add_prefix("hybrid ")
    candidate = (records["hybrid"] != control).astype(float)
    kept = random_terms(records, ("hybrid", "hybrid_stage", *_SHARED))
    shared = [t for t in kept if t in _SHARED]
    relative = settled(
        pd.concat(
            [conditions, own, (candidate * is_early).rename("stage candidates").to_frame()], axis=1
        ),
        records,
        ["hybrid_stage", *shared],
    )
    each = hybrids.mul(is_early, axis=0).add_prefix("stage ")
    fixed = settled(pd.concat([conditions, own, each], axis=1), records, shared)
    absolute, why = _absolute(records, hybrids, control, is_early, shared)
    return BuildUpFit(relative, absolute, fixed, records, control, early_year, why)


def dummies(records: pd.DataFrame, column: str) -> pd.DataFrame:
    """A column of 0 and 1 for every level of a column, in order."""
    return pd.get_dummies(records[column], dtype=float).sort_index(axis=1).add_prefix(f"{column} ")


def settled(design: pd.DataFrame, records: pd.DataFrame, terms: list) -> GaussianFit:
    """Fit ``response``, pairs of the layout fixed; ValueError where the search does not settle."""
    fit = fit_gaussian(records, "response", *fix_pairs(design, records, terms))
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of the build-up has {fit.verdict}")
    return fit


def _absolute(records, hybrids, control, is_early, shared):
    """The model with random seasons, or why the seasons cannot carry it."""
    late = records.loc[records["stage"] == PLATEAU, "season"].nunique()
    if late < LEAST_LATE and not is_apart(records, is_early):
        return None, (
            f"{n_of(late, 'season')} on the plateau and one planting year do not tell how much seasons "
            f"differ: it takes {LEAST_LATE} seasons, or plantings of several years"
        )
    sites = dummies(records, "site")
    treated = dummies(records, "treatment").iloc[:, 1:]
    candidate = (records["hybrid"] != control).astype(float)
    stages = pd.DataFrame(
        {"stage control": is_early * (1 - candidate), "stage candidates": is_early * candidate}
    )
    design = pd.concat([sites, treated, hybrids.add_prefix("hybrid "), stages], axis=1)
    # site and planting year may be one and the same; then the site, which is fixed, stands for both
    weather = random_terms(records, WEATHER, within="site")
    try:
        return settled(design, records, [*weather, "hybrid_stage", *shared]), ""
    except ValueError as error:
        return None, str(error)


def plateau_shares(
    built: BuildUpFit, *, level: float = 0.95, n: int = 1_000, seed: int = 1, variances: int = 100
) -> pd.DataFrame:
    """Share of the plateau that each hybrid reached at the early crop year.

    Parameters
    ----------
    built : BuildUpFit
    level : float
    n, seed, variances
        As in :func:`culmbook.mixed.draws`.

    Returns
    -------
    DataFrame
        ``hybrid, relative, relative_lower, relative_upper, share, lower, upper``: the hybrid's share over
        the control's, and the share itself (missing where the seasons cannot carry it), control included
        with ``relative`` 1; highest relative share first. Candidates' shares are drawn together as far as
        the data do not tell them apart.

    Notes
    -----
    Draws of the share itself have a prior density of one over the standard deviation of a season's mean,
    so that with few seasons its limits are near those of Student's t; all other standard deviations have a
    flat prior.

    References
    ----------
    Datta & Ghosh (1995) Biometrika 82:37-45 for priors whose limits hold their level.
    """
    relative = _stage_draws(built, built.relative, n, seed, variances)
    table = pd.DataFrame({"hybrid": [built.control, *built.candidates]})
    zero = np.zeros((n, 1))
    table[["relative", "relative_lower", "relative_upper"]] = np.transpose(
        np.exp(limits(np.hstack([zero, relative]), level))
    )
    if built.absolute is None:
        table[["share", "lower", "upper"]] = np.nan
    else:
        absolute = _stage_draws(built, built.absolute, n, seed, variances, is_absolute=True)
        table[["share", "lower", "upper"]] = np.transpose(np.exp(limits(absolute, level)))
    return table.sort_values(["relative", "hybrid"], ascending=[False, True], ignore_index=True)


def _stage_draws(built, fit, n, seed, variances, *, is_absolute=False):
    """Log share of the plateau by draw: candidates' over the control's, or of control and candidates."""
    drawn = draws(fit, n, seed, variances, _weather_prior(built) if is_absolute else None)
    term = drawn.effects.get("hybrid_stage")

    def apart(hybrid):
        return (
            (term[f"{hybrid}:{EARLY}"] - term[f"{hybrid}:{PLATEAU}"]).to_numpy()
            if term is not None
            else np.zeros(n)
        )

    common = drawn.fixed["stage candidates"].to_numpy()
    candidates = np.column_stack([common + apart(h) for h in built.candidates])
    # the control's random part cannot be told from its fixed one, so both together are its own share
    if not is_absolute:
        return candidates - apart(built.control)[:, None]
    return np.column_stack(
        [drawn.fixed["stage control"].to_numpy() + apart(built.control), candidates]
    )


def _weather_prior(built):
    """Log prior density of the variances: one over the standard deviation of a season's mean as it is seen.

    Flat in the standard deviations, as for all else, the prior would cost one degree of freedom where a few
    seasons tell the weather's spread: of three, the limits would be those of t with one instead of two.
    """
    sites, seasons = (built.records[c].nunique() for c in ("site", "season"))

    def log_density(parameters):
        weather = sum(
            parameters[t] / k for t, k in (("season", 1), ("environment", sites)) if t in parameters
        )
        return -0.5 * np.log(weather + parameters[RESIDUAL] * seasons / len(built.records))

    return log_density


def full_yield_test(
    built: BuildUpFit, *, margin: float = MARGIN, alpha: float = ALPHA, assumed: float = ASSUMED
) -> pd.DataFrame:
    """Is a hybrid's early yield, set against the control's build-up, not inferior to full yield?

    Parameters
    ----------
    built : BuildUpFit
    margin : float
        Largest shortfall that still counts as full, over 0 and under 1.
    alpha : float
        One-sided error rate.
    assumed : float
        True share at which the power is stated, over ``1 - margin``.

    Returns
    -------
    DataFrame
        ``hybrid, relative, lower, df, p, is_shown, power``: share relative to the control without
        shrinkage, its one-sided limit of confidence ``1 - alpha``, Satterthwaite's degrees of freedom.

    Raises
    ------
    ValueError
        A margin, error rate or assumed share out of range.

    Notes
    -----
    Null hypothesis: the share is at most ``1 - margin``. Not shown is not the same as not so: read the power.

    References
    ----------
    Wellek (2010) Testing Statistical Hypotheses of Equivalence and Noninferiority, 2nd ed., ch. 2.
    """
    _refuse_test(margin, alpha, assumed)
    names = [f"stage {h}" for h in built.candidates]
    weights = pd.DataFrame(np.eye(len(names)), index=built.candidates, columns=names)
    table = built.fixed_hybrids.contrast(weights)
    bound = np.log1p(-margin)
    critical = stats.t.ppf(1 - alpha, table["df"])
    t = (table["estimate"] - bound) / table["se"]
    power = stats.nct.sf(critical, table["df"], (np.log(assumed) - bound) / table["se"])
    out = pd.DataFrame(
        {
            "hybrid": built.candidates,
            "relative": np.exp(table["estimate"]).to_numpy(),
            "lower": np.exp(table["estimate"] - critical * table["se"]).to_numpy(),
            "df": table["df"].to_numpy(),
            "p": stats.t.sf(t, table["df"]),
            "power": np.asarray(power),
        }
    )
    return out.assign(is_shown=out["p"] < alpha).sort_values(
        ["relative", "hybrid"], ascending=[False, True], ignore_index=True
    )


def _refuse_test(margin, alpha, assumed):
    if not 0 < margin < 1:
        raise ValueError(f"margin = {margin}: a share over 0 and under 1")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha = {alpha}: an error rate over 0 and under 0.5")
    if assumed <= 1 - margin:
        raise ValueError(f"assumed = {assumed}: it must be over the bound {1 - margin}")


def absolute_test(
    built: BuildUpFit, shares: pd.DataFrame, *, margin: float = MARGIN, assumed: float = ASSUMED
) -> pd.DataFrame:
    """The same question of the share itself: its lower limit against the margin.

    Parameters
    ----------
    built : BuildUpFit
    shares : DataFrame
        From :func:`plateau_shares` with ``level`` 0.95, so that the lower limit has an error rate of 0.025.
    margin, assumed : float

    Returns
    -------
    DataFrame
        ``hybrid, share, lower, is_shown, power``; no rows where there is no absolute share.

    Notes
    -----
    Power: the estimate is taken as normal on the log scale with the interval's width, which stays as wide
    as it is now.
    """
    _refuse_test(margin, ALPHA, assumed)
    own = shares[shares["lower"].notna()]
    reach = np.log(own["share"] / own["lower"])
    sd = np.log(own["upper"] / own["lower"]) / (2 * stats.norm.ppf(1 - ALPHA))
    power = stats.norm.cdf((np.log(assumed) - np.log1p(-margin) - reach) / sd)
    return own[["hybrid", "share", "lower"]].assign(is_shown=own["lower"] > 1 - margin, power=power)


def crop_year_table(harvests: pd.DataFrame) -> pd.DataFrame:
    """Mean yield of each hybrid by crop year over the site-seasons in which it stood, for drawing.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`.

    Returns
    -------
    DataFrame
        ``hybrid, crop_year, yield_t_ha, lower, upper, n_plots``: geometric means adjusted for sites, with t
        intervals.

    Notes
    -----
    Log yield = site + hybrid × crop year, with hybrid × site, plot and replicate × season random, and site
    × season where there are at least five more of them than sites and crop years. Where there are not,
    weather is part of what is drawn, and the intervals are those of the seasons as they were.
    """
    cells = season_records(harvests, first_crop_year=1)
    cells = cells.assign(
        year_key=cells["hybrid"].astype(str) + ":" + cells["crop_year"].astype("int64").astype(str)
    )
    sites = dummies(cells, "site")
    centred = sites.iloc[:, 1:] - 1 / sites.shape[1]
    keys = pd.get_dummies(cells["year_key"], dtype=float)
    treated = dummies(cells, "treatment").iloc[:, 1:]
    spare = cells["environment"].nunique() - cells["site"].nunique() - cells["crop_year"].nunique()
    weather = ["environment"] if spare >= _SPARE else []
    terms = random_terms(
        cells, (*weather, "hybrid_site", "plot_key", "replicate_season"), within="year_key"
    )
    design = pd.concat([keys, centred, treated - treated.mean()], axis=1)
    fit = settled(design, cells, terms)
    table = fit.contrast(
        pd.DataFrame(np.eye(keys.shape[1]), index=keys.columns, columns=keys.columns)
    )
    count, parts = cells["year_key"].value_counts(), [k.rsplit(":", 1) for k in keys.columns]
    return pd.DataFrame(
        {
            "hybrid": [h for h, _ in parts],
            "crop_year": [int(y) for _, y in parts],
            "yield_t_ha": np.exp(table["estimate"]).to_numpy(),
            "lower": np.exp(table["lower"]).to_numpy(),
            "upper": np.exp(table["upper"]).to_numpy(),
            "n_plots": count[keys.columns].to_numpy(),
        }
    )
