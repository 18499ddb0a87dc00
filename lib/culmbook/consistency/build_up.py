"""How soon does each hybrid reach full yield? Shares of the plateau from free crop-year effects.

No curve is forced through the years: a crop year is compared with the plateau (crop year 3 and
later) as it was cut. The share relative to the control cancels the weather of the seasons compared
and stands first; the absolute share needs the weather's own spread, of which a few seasons say
little. Whether age can be told from weather at all, and whether yield falls in old stands, is asked
here too.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.consistency.draws import limits
from culmbook.consistency.model import (
    ESTABLISHED,
    RESIDUAL,
    TERMS,
    fix_few,
    in_words,
    random_terms,
    season_records,
)
from culmbook.mixed import CONVERGED, GaussianFit, draws, fit_gaussian
from culmbook.stats.curves import best_growth
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_p, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, n_of
from culmbook.trials.entries import refuse_control
from culmbook.trials.layout import dummies

EARLY, PLATEAU = "early", "plateau"
EARLY_YEAR = 2
MARGIN = 0.10
"""A crop year within this share of the plateau counts as full yield (common practice, no source).
"""
ALPHA = 0.025
ASSUMED = 0.95
"""True share at which the power of the test is stated."""
LEAST_LATE = 3
"""Seasons on the plateau from which the spread of seasons is learnt when all plots are of one age.
"""
_SPARE = 5
_SHARED = tuple(TERMS)[1:]  # all but the hybrid itself
WEATHER = ("season", "environment", "trial_season", "cohort_site")
OLD = 5
"""Crop year after which stands count as old."""
_STARTS = 6  # searches per curve, from the best of a grid


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


@in_words("no share of full yield: ")
def build_up_records(harvests: pd.DataFrame, early_year: int = EARLY_YEAR) -> pd.DataFrame:
    """Log yields of one early crop year and of the plateau.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`.
    early_year : int
        1 or 2.

    Returns
    -------
    DataFrame
        As :func:`culmbook.consistency.model.season_records`, with ``stage``, ``cohort`` (planting
        year) and ``hybrid_stage``; hybrids without a cut in both stages are left out.

    Raises
    ------
    ValueError
        No cut in one of the two stages.
    """
    if not 1 <= early_year < ESTABLISHED:
        raise ValueError(
            f"early_year = {early_year}: a crop year before the plateau is 1 to {ESTABLISHED - 1}"
        )
    cells = _with_cohorts(season_records(harvests, first_crop_year=early_year))
    is_early = cells["crop_year"].eq(early_year)
    cells = cells[is_early | cells["crop_year"].ge(ESTABLISHED)]
    hybrid, stage = cells["hybrid"].astype("str"), is_early.map({True: EARLY, False: PLATEAU})
    cells = cells.assign(hybrid=hybrid, stage=stage, hybrid_stage=hybrid + ":" + stage)
    cells = cells[cells.groupby("hybrid")["stage"].transform("nunique").eq(2)]
    if cells.empty:
        raise ValueError(
            f"no hybrid was cut both in crop year {early_year} and in crop year {ESTABLISHED} or later"
        )
    return cells.reset_index(drop=True)


def _with_cohorts(cells):
    """Records with the planting year, that at its site, and the trial's season."""
    planted = cells["growing_season"] - cells["crop_year"] + 1
    cohort = planted.astype("int64").astype("str")
    return cells.assign(
        cohort=cohort,
        cohort_site=cells["site"].astype(str) + ":" + cohort,
        trial_season=cells["place"] + ":" + cells["season"],
    )


@in_words("no share of full yield: ")
def fit_build_up(
    harvests: pd.DataFrame, control: str, *, early_year: int = EARLY_YEAR
) -> BuildUpFit:
    """Fit one early crop year against the plateau.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, log of dry yield over 0 is used.
    control : str
    early_year : int

    Returns
    -------
    BuildUpFit

    Raises
    ------
    ValueError
        Stages without cuts, the control in only one of them, fewer than two candidates in both, one
        season of each stage, so that a hybrid's build-up is its answer to that season too, or a
        search that does not settle.

    Notes
    -----
    Log yield = conditions + hybrid + hybrid × stage + random hybrid × site, hybrid × season, hybrid
    × site × season, plot, replicate × season, main plot × season, block, as far as the layout shows
    them; the control's own stage effect is fixed. For the absolute share the conditions are site
    and stage, with season, site × season, trial × season and planting year at a site random: a
    planting year is random because age, season and planting year are bound by ``season = planting year + age - 1``,
    so that their linear trends never separate without such a choice.
    """
    records = build_up_records(harvests, early_year)
    both = f"was not cut both in crop year {early_year} and after"
    refuse_control(control, set(records["hybrid"]), both)
    if records["hybrid"].nunique() < 3:
        raise ValueError("fewer than two candidates were cut both early and on the plateau")
    is_early = records["stage"].eq(EARLY).astype(float)
    hybrids = pd.get_dummies(records["hybrid"], dtype=float).drop(columns=control)
    base = pd.concat([dummies(records, "condition"), hybrids.add_prefix("hybrid ")], axis=1)
    kept = random_terms(records, ("hybrid", "hybrid_stage", *_SHARED))
    if records.groupby("hybrid_stage")["hybrid_season"].nunique().max() == 1:
        late = fmt_list(sorted(records.loc[records["stage"] == PLATEAU, "season"].unique()))
        raise ValueError(
            f"every hybrid was cut in one season of full yield only ({late}), and what it did in that "
            "season looks the same as its build-up: it takes two"
        )
    shared = [t for t in kept if t in _SHARED]
    each = hybrids.mul(is_early, axis=0).add_prefix("stage ")
    fixed = settled(base.join(each), records, shared)
    together = each.sum(axis=1).rename("stage candidates")
    relative = settled(base.join(together), records, ["hybrid_stage", *shared])
    absolute, why = _absolute(records, hybrids, control, is_early, shared)
    return BuildUpFit(relative, absolute, fixed, records, control, early_year, why)


def settled(design: pd.DataFrame, records: pd.DataFrame, terms: list) -> GaussianFit:
    """Fit ``response``, pairs of the layout fixed; ValueError where the search does not settle."""
    fit = fit_gaussian(records, "response", *fix_few(design, records, terms))
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
    is_control = (records["hybrid"] == control).astype(float)
    parts = [dummies(records, "site"), dummies(records, "treatment").iloc[:, 1:]]
    parts += [hybrids.add_prefix("hybrid "), (is_early * is_control).rename("stage control")]
    parts += [(is_early * (1 - is_control)).rename("stage candidates")]
    design = pd.concat(parts, axis=1)
    # site and planting year may be one and the same; then the site, which is fixed, stands for both
    weather = random_terms(records, WEATHER, within="site")
    try:
        return settled(design, records, [*weather, "hybrid_stage", *shared]), ""
    except ValueError as error:
        return None, str(error)


@in_words("no share of full yield: ")
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
        ``hybrid, relative, relative_lower, relative_upper, share, lower, upper``: the hybrid's
        share over the control's, and the share itself (missing where the seasons cannot carry it),
        control included with ``relative`` 1; highest relative share first. Candidates' shares are
        drawn together as far as the data do not tell them apart.

    Notes
    -----
    Draws of the share itself have a prior density of one over the standard deviation of a season's
    mean, so that with few seasons its limits are near those of Student's t; all other standard
    deviations have a flat prior.

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
    table[["share", "lower", "upper"]], why = np.nan, built.why_no_absolute
    if built.absolute is not None:
        try:
            with in_words():
                own = _stage_draws(built, built.absolute, n, seed, variances, is_absolute=True)
            table[["share", "lower", "upper"]] = np.transpose(np.exp(limits(own, level)))
        except Refusal as open_variance:
            why = str(open_variance).rstrip(".")
    table.attrs["why_no_share"] = why
    return table.sort_values(["relative", "hybrid"], ascending=[False, True], ignore_index=True)


def _stage_draws(built, fit, n, seed, variances, *, is_absolute=False):
    """Log share of the plateau by draw: candidates' over the control's, or of control and
    candidates.
    """
    drawn = draws(fit, n, seed, variances, _weather_prior(built) if is_absolute else None)
    term = drawn.effects.get("hybrid_stage")

    def apart(hybrid):
        if term is None:
            return np.zeros(n)
        return (term[f"{hybrid}:{EARLY}"] - term[f"{hybrid}:{PLATEAU}"]).to_numpy()

    common = drawn.fixed["stage candidates"].to_numpy()
    candidates = np.column_stack([common + apart(h) for h in built.candidates])
    # the control's random part cannot be told from its fixed one, so both together are its own
    # share
    if not is_absolute:
        return candidates - apart(built.control)[:, None]
    own = drawn.fixed["stage control"].to_numpy() + apart(built.control)
    return np.column_stack([own, candidates])


def _weather_prior(built):
    """Log prior density of the variances: one over the standard deviation of a season's mean as it
    is seen.

    Flat in the standard deviations, as for all else, the prior would cost one degree of freedom
    where a few seasons tell the weather's spread: of three, the limits would be those of t with one
    instead of two.
    """
    own, seasons = built.records, built.records["season"].nunique()
    shares = {"season": 1.0, "environment": 1 / own["site"].nunique()}
    shares |= {"trial_season": 1 / own["place"].nunique(), RESIDUAL: seasons / len(own)}

    def log_density(parameters):
        return -0.5 * np.log(sum(parameters[t] * k for t, k in shares.items() if t in parameters))

    return log_density


def full_yield_test(
    built: BuildUpFit, *, margin: float = MARGIN, alpha: float = ALPHA
) -> pd.DataFrame:
    """Is a hybrid's early yield, set against the control's build-up, not inferior to full yield?

    Parameters
    ----------
    built : BuildUpFit
    margin : float
        Largest shortfall that still counts as full, over 0 and under 1.
    alpha : float
        One-sided error rate.

    Returns
    -------
    DataFrame
        ``hybrid, relative, lower, df, p, power, is_shown, assumed``: share relative to the control
        without shrinkage, its one-sided limit of confidence ``1 - alpha``, Satterthwaite's degrees
        of freedom; power at the true share ``assumed``, 0.95, or halfway between the bound and 1
        where that is more.

    Raises
    ------
    ValueError
        A margin out of range.

    Notes
    -----
    Null hypothesis: the share is at most ``1 - margin``. Not shown is not the same as not so: read
    the power.

    References
    ----------
    Wellek (2010) Testing Statistical Hypotheses of Equivalence and Noninferiority, 2nd ed., ch. 2.
    """
    if not 0 < margin < 1:
        raise ValueError(f"margin = {margin}: a share over 0 and under 1")
    assumed = max(ASSUMED, 1 - margin / 2)
    names = [f"stage {h}" for h in built.candidates]
    weights = pd.DataFrame(np.eye(len(names)), index=built.candidates, columns=names)
    table = built.fixed_hybrids.contrast(weights)
    bound = np.log1p(-margin)
    critical = stats.t.ppf(1 - alpha, table["df"])
    out = pd.DataFrame({"hybrid": built.candidates})
    out["relative"] = np.exp(table["estimate"]).to_numpy()
    out["lower"] = np.exp(table["estimate"] - critical * table["se"]).to_numpy()
    out["df"] = table["df"].to_numpy()
    out["p"] = stats.t.sf((table["estimate"] - bound) / table["se"], table["df"])
    shift = (np.log(assumed) - bound) / table["se"]
    out["power"] = np.asarray(stats.nct.sf(critical, table["df"], shift))
    out = out.assign(is_shown=out["p"] < alpha, assumed=assumed)
    return out.sort_values(["relative", "hybrid"], ascending=[False, True], ignore_index=True)


@in_words("no build-up is drawn: ")
def crop_year_table(harvests: pd.DataFrame) -> pd.DataFrame:
    """Mean yield of each hybrid by crop year over the site-seasons in which it stood, for drawing.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`.

    Returns
    -------
    DataFrame
        ``hybrid, crop_year, yield_t_ha, lower, upper, n_plots``: geometric means adjusted for
        sites, with t intervals.

    Notes
    -----
    Log yield = site + hybrid × crop year, with hybrid × site, plot and replicate × season random,
    and site × season where there are at least five more of them than sites and crop years. Where
    there are not, weather is part of what is drawn, and the intervals are those of the seasons as
    they were.
    """
    cells = season_records(harvests, first_crop_year=1)
    year = cells["crop_year"].astype("int64")
    key = cells["hybrid"].astype(str) + ":" + year.astype(str)
    cells = cells.assign(crop_year=year, year_key=key)
    if year.nunique() < 2:
        raise Refusal("Stands of one age only were cut: there is no build-up to draw.")
    sites, keys = dummies(cells, "site"), pd.get_dummies(cells["year_key"], dtype=float)
    treated = dummies(cells, "treatment").iloc[:, 1:]
    centred = sites.iloc[:, 1:] - 1 / sites.shape[1]
    spare = cells["environment"].nunique() - sites.shape[1] - year.nunique()
    weather = ["environment"] if spare >= _SPARE else []
    terms = (*weather, "hybrid_site", "plot_key", "replicate_season")
    design = pd.concat([keys, centred, treated - treated.mean()], axis=1)
    fit = settled(design, cells, random_terms(cells, terms, within="year_key"))
    each = pd.DataFrame(np.eye(keys.shape[1]), index=keys.columns, columns=keys.columns)
    out = cells.drop_duplicates("year_key").set_index("year_key").loc[keys.columns]
    out = out[["hybrid", "crop_year"]].astype({"hybrid": str})
    means = np.exp(fit.contrast(each)[["estimate", "lower", "upper"]])
    out[["yield_t_ha", "lower", "upper"]] = means.to_numpy()
    return out.assign(n_plots=cells["year_key"].value_counts()).reset_index(drop=True)


def fit_curves(years: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fit the build-up of every hybrid with the curve that suits it best.

    Parameters
    ----------
    years : DataFrame
        From :func:`crop_year_table`.

    Returns
    -------
    DataFrame
        ``hybrid, shape, full``: the crop year at which the curve reaches 95 % of its plateau,
        missing where that is after the last cut or where the points determine no curve.
    DataFrame
        ``hybrid, crop_year, yield_t_ha``: points of the curves, for drawing.
    """
    rows, points = [], []
    for hybrid, own in years.groupby("hybrid"):
        x = own["crop_year"].to_numpy(float)
        try:
            curve = best_growth(x, own["yield_t_ha"].to_numpy(float), most_starts=_STARTS)
        except ValueError:
            rows.append((hybrid, None, np.nan))
            continue
        full, along = curve.time_to(0.95), np.linspace(x.min(), x.max(), 80)
        rows.append((hybrid, curve.shape, full if full <= x.max() else np.nan))
        drawn = {"hybrid": hybrid, "crop_year": along, "yield_t_ha": curve.height(along)}
        points.append(pd.DataFrame(drawn))
    columns = ["hybrid", "crop_year", "yield_t_ha"]
    drawn = pd.concat(points, ignore_index=True) if points else pd.DataFrame(columns=columns)
    return pd.DataFrame(rows, columns=["hybrid", "shape", "full"]), drawn


@in_words("whether yield falls in old stands cannot be told: ")
def decline(harvests: pd.DataFrame) -> pd.Series:
    """Does yield fall in old stands? Relative change per crop year past the fifth.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`.

    Returns
    -------
    Series
        ``change, lower, upper, p, n_seasons``: share per year; t interval with Satterthwaite's
        degrees of freedom.

    Raises
    ------
    ValueError
        No or one cut season past crop year 5, or age that cannot be told from the season.

    Notes
    -----
    Log yield = site + years past the fifth + hybrid, with season, site × season, planting year at a
    site, hybrid × site, plot random: needs plantings of several years, because in one planting a
    run of poor seasons looks the same.
    """
    cells = _with_cohorts(season_records(harvests))
    cells["past"] = (cells["crop_year"].astype(float) - OLD).clip(lower=0)
    old = sorted(cells.loc[cells["past"] > 0, "season"].unique())
    if len(old) < 2:
        raise ValueError(
            f"decline needs two seasons past crop year {OLD}; there {is_are(len(old))} {len(old) or 'none'}"
        )
    if not is_apart(cells, cells["past"]):
        raise ValueError(
            f"all plots were as old as each other in {fmt_list(old)}: "
            "an old stand and poor seasons look the same"
        )
    parts = [dummies(cells, "site"), dummies(cells, "hybrid").iloc[:, 1:], cells[["past"]]]
    terms = random_terms(cells, (*WEATHER, "hybrid_site", "plot_key"), within="site")
    fit = settled(pd.concat(parts, axis=1), cells, terms)
    row = fit.contrast(pd.DataFrame({"past": [1.0]})).iloc[0]
    change = np.expm1(row[["estimate", "lower", "upper"]]).rename({"estimate": "change"})
    return pd.concat([change, pd.Series({"p": row["p"], "n_seasons": len(old)})])


def decline_words(row: pd.Series) -> str:
    """Say whether yield falls in old stands, from what :func:`decline` gives."""
    verdict = (
        "falls" if row["upper"] < 0 else "rises" if row["lower"] > 0 else "is not shown to change"
    )
    return (
        f"In old stands yield {verdict}: {fmt_share(row['change'])} per year past crop year {OLD} (95 % interval "
        f"{fmt_interval(row['lower'], row['upper'])}, {fmt_p(row['p'])}; {n_of(int(row['n_seasons']), 'season')})."
    )


def is_apart(cells, column):
    """Is a column more than a function of plantings and seasons?

    Parameters
    ----------
    cells : DataFrame
        ``cohort_site`` (planting year at a site) and ``season``.
    column : array_like
        Numbers by row.

    Returns
    -------
    bool
        False where plantings and seasons together determine the column, so that its effect is
        theirs too.
    """
    parts = [dummies(cells, "cohort_site"), dummies(cells, "season").iloc[:, 1:]]
    left, size, _ = np.linalg.svd(pd.concat(parts, axis=1).to_numpy(), full_matrices=False)
    basis = left[:, size > 1e-9 * size[0]]
    own = np.asarray(column, float)
    rest = own - basis @ (basis.T @ own)
    return bool(rest @ rest > 1e-9 * (own @ own))


def aliasing_words(records: pd.DataFrame, early_year: int = 2) -> str:
    """Say what age, season and planting year leave together in these data, and what is known in
    spite of it.

    Parameters
    ----------
    records : DataFrame
        From :func:`build_up_records`.
    early_year : int

    Returns
    -------
    str
    """
    told = records.groupby("stage")["season"].unique().map(lambda s: fmt_list(sorted(s)))
    early, late = told[EARLY], told[PLATEAU]
    planted = f"Planted in {fmt_list(sorted(records['cohort'].unique()))}: crop year {early_year}"
    if not is_apart(records, records["stage"].eq(EARLY)):
        return (
            f"{planted} is the season {early} for every plot it is known from, the plateau is {late}. Age and "
            f"weather cannot be distinguished: if {early} was a poor season, it looks like a slow build-up. The share "
            "relative to the control is free of this: both met the same seasons."
        )
    return (
        f"{planted} fell into {early}, so plots of different ages stood in the same seasons and the step from early "
        "to full yield can be told from the weather. A steady trend over the years still cannot be shared out between "
        "age, season and planting year; planting years are taken as random here, so such a trend is read as one of age "
        "and season. A season that treats young stands otherwise than old ones, at all sites alike, is no part of the "
        "interval of the share itself."
    )


def established_words(records: pd.DataFrame) -> str:
    """Say whether what a hybrid does with age can be told from what it does in a season, among
    established stands.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.
    """
    ages = records.groupby("season")["crop_year"].nunique()
    seasons, mixed = fmt_list(list(ages.index)), fmt_list(list(ages[ages > 1].index))
    if mixed:
        return (
            f"Established stands of different ages stood in the same season ({mixed}), so what a hybrid does with age "
            "can in part be told from what it does in a season."
        )
    if len(ages) == 1:
        return (
            f"One season ({seasons}) was cut after establishment: neither weather nor age can be told from what the "
            "hybrids are."
        )
    by_age = fmt_list([str(int(a)) for a in sorted(records["crop_year"].unique())])
    return (
        f"After establishment every stand was of the same age in each season ({seasons} are crop years {by_age}): a "
        "hybrid that changes with age and one that answers to the season look the same."
    )
