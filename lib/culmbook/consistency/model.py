"""Do hybrids yield alike year after year? The model of yield over sites and seasons that the
answers rest on.

Only seasons after establishment count: before, yield tells how fast a hybrid builds up (see
:mod:`culmbook.consistency.build_up`). Sites and seasons that occurred are fixed, because a few of
them say little about their spread and every comparison of hybrids is made within them; hybrids
under test and all that hybrids do from site to site and season to season are random; controls are
fixed, so that they are not drawn towards the candidates.
"""

import re
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from culmbook.mixed import CONVERGED, GaussianFit, compare, fit_gaussian, over
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of
from culmbook.trials.entries import refuse_disconnected
from culmbook.trials.layout import add_strata, dummies

ESTABLISHED = 3
"""First crop year that counts as established: full yield comes in the third year (common
practice).
"""
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
"""Random terms, in the order in which they are kept where two of them are the same in the data at
hand.
"""
OF_LAYOUT = ("replicate_season", "main_plot_season", "block_key")
LEAST_RANDOM = 5
"""Levels from which on a term of the layout is random: fewer leave its variance open upwards, and
then no yield itself, only differences, would be known (Gelman 2006, section 5)."""
"""Terms that say where a plot lies, the same for all hybrids."""
RESIDUAL = "residual"
_AR1_SEASONS = 4
_IN_WORDS = TERMS | {
    "cohort_site": "planting year × site",
    "hybrid_stage": "hybrid × stage",
    "trial_season": "trial × season",
}


@contextmanager
def in_words(before: str = "", after: str = ""):
    """Turn the reason of an error of data into a refusal: a sentence that calls the model's terms
    by their nouns.

    Parameters
    ----------
    before, after : str
        What stands before the reason, and a sentence that follows it.

    Raises
    ------
    Refusal
        In the place of every ValueError; a refusal from further down is left as it is.
    """
    try:
        yield
    except Refusal:
        raise
    except ValueError as why:
        text = before + re.sub(r"\bresponse\b", "log yield", str(why))
        for name in sorted((n for n in _IN_WORDS if "_" in n), key=len, reverse=True):
            text = text.replace(name, _IN_WORDS[name])
        raise Refusal(f"{text[0].upper()}{text[1:].rstrip('.')}. {after}".strip()) from None


@dataclass(frozen=True)
class SeasonsFit:
    """A fitted model of yield over seasons.

    Attributes
    ----------
    fit : GaussianFit
        With the residual variances estimated.
    conditional : GaussianFit
        The same with the residual variances of site-seasons taken as known where they differ; equal
        to ``fit`` where one variance serves all. Posterior draws are made from it.
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
    def residual_variances(self) -> pd.Series:
        """Residual variance by site-season where it differs among them, else of all."""
        own = self.fit.variances[self.fit.variances.index.str.startswith(RESIDUAL)]
        return own.rename(lambda name: name.removeprefix(f"{RESIDUAL}[").removesuffix("]"))

    @property
    def residual_variance(self) -> float:
        """Residual variance, the mean over records where it differs among site-seasons."""
        own = self.residual_variances
        by_record = self.records["environment"].map(own) if len(own) > 1 else own
        return float(by_record.mean())


def season_records(harvests: pd.DataFrame, *, first_crop_year: int = ESTABLISHED) -> pd.DataFrame:
    """Log yields of plots after establishment, one row per plot and season, with what they are grouped
    by.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`; rows left out there are not used.
    first_crop_year : int
        First crop year used, at least 1; the planting season is 1.

    Returns
    -------
    DataFrame
        The plot's columns, ``season, crop_year, dry_yield_t_ha``, ``response`` (log of dry t/ha) and
        keys. Plots that gave nothing have no row: :func:`lost_words` counts them.

    Raises
    ------
    Refusal
        No record left.
    """
    used = usable(harvests, first_crop_year).query("dry_yield_t_ha > 0")
    if used.empty:
        raise Refusal(f"No plot has a yield in crop year {first_crop_year} or later.")
    cells = add_strata(used)
    season = ":" + cells["growing_season"].astype("int64").astype("str")
    site, hybrid = cells["site"].astype("str"), cells["hybrid"].astype("str")
    place = site + ":" + cells["trial"].astype("str")
    return cells.assign(
        season=season.str[1:],
        place=place,
        environment=site + season,
        condition=place + season + ": " + cells["treatment"],
        response=np.log(cells["dry_yield_t_ha"].astype("float64")),
        hybrid_season=hybrid + season,
        hybrid_site_season=cells["hybrid_site"] + season,
        replicate_season=cells["replicate_key"] + season,
        main_plot_season=cells["main_plot_key"] + season,
    )


def usable(harvests: pd.DataFrame, first_crop_year: int = ESTABLISHED) -> pd.DataFrame:
    """Cuts with a yield that count, from a crop year on; those that gave nothing among them."""
    late = harvests["crop_year"].ge(first_crop_year).fillna(False)
    return harvests[harvests["left_out"].isna() & harvests["dry_yield_t_ha"].notna() & late]


@in_words("not estimable: ")
def fit_seasons(
    records: pd.DataFrame, controls=(), *, random=None, scale: str = "log"
) -> SeasonsFit:
    """Fit yield over sites and seasons.

    Parameters
    ----------
    records : DataFrame
        From :func:`season_records`; with a column ``crop_type`` candidates of each crop type have a
        mean of their own.
    controls : sequence of str
        Hybrids with fixed effects; those without records are passed over.
    random : sequence of str, optional
        Random terms, of :data:`TERMS`, ``hybrid`` among them; by default those of
        :func:`random_terms`.
    scale : {'log', 'raw'}
        What ``response`` is in.

    Returns
    -------
    SeasonsFit

    Raises
    ------
    Refusal
        Fewer than two candidates, one record per hybrid, trials that no common hybrid joins (both
        sides named), or a search that does not settle.

    Notes
    -----
    Fixed: site × trial × season × planting treatment, controls, crop type, and replicates or blocks
    where there are fewer than five. Cuts of one plot share the plot's effect (compound symmetry). The
    residual variance is one for all or one for each site-season, whichever has the lower criterion
    of Akaike.

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
    random = random_terms(records) if random is None else list(random)
    design, terms = fix_few(season_design(records, groups), records, random)
    if "hybrid" not in terms:
        raise ValueError("no hybrid has two records: nothing tells hybrids from chance")
    one = fit_gaussian(records, "response", design, terms)
    _refuse_unsettled(one)
    alike = SeasonsFit(one, one, records, controls, groups, tuple(terms), scale)
    if records["environment"].nunique() < 2 or records["environment"].value_counts().min() <= 3:
        return alike
    each = fit_gaussian(records, "response", design, terms, residual_by="environment")
    if each.verdict != CONVERGED or each.information_criterion >= one.information_criterion:
        return alike
    apart = replace(alike, fit=each)
    known = records.assign(known=records["environment"].map(apart.residual_variances))
    conditional = fit_gaussian(known, "response", design, terms, known_variance="known")
    _refuse_unsettled(conditional)
    return replace(apart, conditional=conditional)


def _refuse_unsettled(fit):
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of yield over seasons has {fit.verdict}")


def _groups(records, controls):
    first = records.drop_duplicates("hybrid")
    first = first.set_index(first["hybrid"].astype("str")).sort_index()
    kind = first.get("crop_type", pd.Series("candidates", first.index)).astype("str")
    names = pd.Series(first.index, first.index)
    return kind.where(~names.isin(controls), "control " + names).rename("group")


def season_design(records: pd.DataFrame, groups: pd.Series) -> pd.DataFrame:
    """Fixed columns of records: every condition, and every group of hybrids but the first."""
    """Every condition, and every group but the first."""
    own = records.assign(group=records["hybrid"].astype("str").map(groups))
    return pd.concat([dummies(own, "condition"), dummies(own, "group").iloc[:, 1:]], axis=1)


def term_table(
    records: pd.DataFrame, candidates=tuple(TERMS), within: str = "condition"
) -> pd.DataFrame:
    """Which random terms the layout can tell apart, and why others are left out.

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
    DataFrame
        ``term, label, n_levels, is_kept, remark`` in the order of the candidates.
    """
    seen, rows = {}, []
    for term in candidates:
        label, n = _IN_WORDS.get(term, term), records[term].nunique()
        partition = tuple(pd.factorize(records[term])[0])
        remark = ""
        if n == 1:
            remark = "one level only"
        elif n == len(records):
            remark = "one level per record: part of the residual"
        elif records.groupby(within)[term].nunique().max() == 1:
            remark = "part of the fixed conditions"
        elif partition in seen:
            remark = f"cannot be told from {seen[partition]}"
        is_kept = not remark
        if is_kept:
            seen[partition] = label
            remark = "fixed, as it has few levels" if _has_few(records, term) else "random"
        rows.append((term, label, n, is_kept, remark))
    return pd.DataFrame(rows, columns=["term", "label", "n_levels", "is_kept", "remark"])


def random_terms(
    records: pd.DataFrame, candidates=tuple(TERMS), within: str = "condition"
) -> list[str]:
    """Terms that the layout can tell apart: those that :func:`term_table` keeps."""
    table = term_table(records, candidates, within)
    return list(table.loc[table["is_kept"], "term"])


def _has_few(records, term):
    return term in OF_LAYOUT and records[term].nunique() < LEAST_RANDOM


def fix_few(design: pd.DataFrame, records: pd.DataFrame, terms: list) -> tuple[pd.DataFrame, list]:
    """Take terms of the layout that have fewer than `LEAST_RANDOM` levels as fixed.

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
        The design with a column for every level but the first of each such term, as far as it does
        not hold it already, so that its other effects stay those of the middle of the levels; and
        the terms left.

    References
    ----------
    Gelman (2006) Bayesian Anal. 1:515-533.
    """
    few = [t for t in terms if _has_few(records, t)]
    for term in few:
        levels = dummies(records, term)
        for name in levels.columns[1:]:
            more = pd.concat([design, levels[name] - 1 / levels.shape[1]], axis=1)
            if np.linalg.matrix_rank(more.to_numpy()) > np.linalg.matrix_rank(design.to_numpy()):
                design = more
    return design, [t for t in terms if t not in few]


@in_words()
def compare_plot_kernels(records: pd.DataFrame, controls=()) -> pd.DataFrame:
    """How cuts of the same plot go together over seasons: which covariance fits best.

    Parameters
    ----------
    records, controls
        As in :func:`fit_seasons`.

    Returns
    -------
    DataFrame
        ``criterion, parameters, aic, above_best`` by name, best first: alike over all seasons
        (compound symmetry), dying away with the years between (first-order autoregression beside
        the residual, four seasons or more), and any (unstructured).

    Raises
    ------
    Refusal
        Plots with one season each, or a model that does not settle.

    Notes
    -----
    All have the same fixed effects, so their restricted likelihoods may be compared.
    """
    design = season_design(records, _groups(records, controls))
    design, terms = fix_few(design, records, random_terms(records))
    if "plot_key" not in terms:
        if records.groupby("plot_key")["season"].nunique().max() > 1:
            raise ValueError(
                "hybrids have one plot at a site: what a plot keeps is part of what they keep"
            )
        raise ValueError(
            "every plot was cut in one season only: nothing tells how its cuts go together"
        )
    others = [t for t in terms if t not in ("plot_key", *OF_LAYOUT)]
    others += [t for t in terms if t in OF_LAYOUT]
    number = records.assign(season_number=records["season"].astype(float))
    any_kernel = over("plot_key", "season", "unstructured")
    given = number, "response", design
    fits = {"alike over seasons": fit_gaussian(*given, terms)}
    fits["any covariance"] = fit_gaussian(*given, [*others, any_kernel], residual=False)
    if records["season"].nunique() >= _AR1_SEASONS:
        dying = over("plot_key", "season_number", "autoregressive")
        fits["dying away"] = fit_gaussian(*given, [*others, dying])
    return compare({name: fit for name, fit in fits.items() if fit.verdict == CONVERGED})


def is_provisional(records: pd.DataFrame) -> pd.Series:
    """Is a hybrid known from too few seasons after establishment? True or false by hybrid."""
    return records.groupby("hybrid")["growing_season"].nunique().lt(LEAST_SEASONS)


def provisional_words(harvests: pd.DataFrame) -> str:
    """Say for which hybrids all that is said is provisional; blank where it is for none.

    Parameters
    ----------
    harvests : DataFrame
        As for :func:`season_records`.
    """
    used, after = usable(harvests).query("dry_yield_t_ha > 0"), "seasons after establishment"
    few, had = is_provisional(used), n_of(used["growing_season"].nunique(), "season")
    if len(few) and few.all():
        return f"Provisional: {had} after establishment, not {LEAST_SEASONS}."
    names = fmt_list([str(h) for h in few[few].index])
    return f"Provisional for {names}: fewer than {LEAST_SEASONS} {after}." if names else ""


def lost_words(harvests: pd.DataFrame) -> str:
    """Say which hybrids had cuts that gave nothing and so have no logarithm; blank where there is
    none.
    """
    used = usable(harvests)
    none = sorted(set(used.loc[used["dry_yield_t_ha"] <= 0, "hybrid"].astype(str)))
    return f"Cuts that gave nothing are not in it ({fmt_list(none)})." if none else ""
