"""What is known of each hybrid beside its yield: stand, LT50 and moisture, as joint draws over hybrids.

Every trait comes from the model that its own notebook uses; its draws hold all hybrids together, so that what
they share (a freezer run, a site) is shared in the draws too.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.selection.trait_words import remark_words
from culmbook.selection.untested import LEAST_TESTED, NOT_KNOWN, NOT_TESTED, true_sd, with_untested
from culmbook.sheets.trait_kinds import KINDS

_MANY_SAMPLES = 5000  # moisture samples beyond which plots enter by their means, to save time
_VARIANCES = 20  # sets of variances behind the draws of moisture
_FAR = 50.0  # standard deviations beyond the test within which a hybrid's value is drawn


@dataclass(frozen=True)
class Trait:
    """A trait of all hybrids.

    Attributes
    ----------
    name : str
        Of :data:`culmbook.sheets.trait_kinds.KINDS`.
    label, unit : str
    better : {'higher', 'lower'}
    draws : DataFrame
        Joint draws, n × hybrids, in the trait's unit; a hybrid that nothing is known of is missing in all.
    table : DataFrame
        ``hybrid, estimate, lower, upper, n, remark``: middle and 95 % limits of the draws of hybrids that
        were tested; the number of plots, samples or freezer loads behind them; and what must be said of a
        hybrid that was not tested or lies beyond the test (then there is no estimate).
    why_not : str
        Why nothing is known of any hybrid; blank where something is.
    unshrunk : callable or None
        Gives ``estimate, variance`` by hybrid on the trait's scale, not drawn towards other hybrids; None
        where the draws themselves are not.
    """

    name: str
    label: str
    unit: str
    better: str
    draws: pd.DataFrame = field(repr=False)
    table: pd.DataFrame = field(repr=False)
    why_not: str = ""
    unshrunk: Callable | None = field(default=None, repr=False)


def make_trait(
    name: str,
    draws: pd.DataFrame,
    n_behind: pd.Series,
    *,
    answers: dict | None = None,
    unshrunk: Callable | None = None,
    why_not: str = "",
) -> Trait:
    """A trait from its draws.

    Parameters
    ----------
    name : str
    draws : DataFrame
        n × hybrids.
    n_behind : Series
        Plots, samples or loads by hybrid; 0 or absent = not tested.
    answers : dict of str to tuple
        By hybrid that lies beyond the test: remark, lower and upper limit.
    unshrunk : callable, optional
    why_not : str

    Returns
    -------
    Trait
    """
    kind, answers = KINDS[name], answers or {}
    known = draws.notna().all().to_numpy()
    limits = np.full((3, draws.shape[1]), np.nan)
    if known.any():
        limits[:, known] = np.quantile(
            draws.loc[:, known], [0.5, 0.025, 0.975], axis=0, method="weibull"
        )
    table = pd.DataFrame(limits.T, columns=["estimate", "lower", "upper"])
    table.insert(0, "hybrid", list(draws.columns))
    table["n"] = table["hybrid"].map(n_behind).fillna(0).astype(int)
    is_known = table["n"].gt(0) & ~table["hybrid"].isin(answers)
    table["remark"] = np.where(table["n"].gt(0), "", NOT_KNOWN if why_not else NOT_TESTED)
    table.loc[~is_known, ["estimate", "lower", "upper"]] = np.nan
    for hybrid, answer in answers.items():
        table.loc[table["hybrid"].eq(hybrid), ["remark", "lower", "upper"]] = answer
    return Trait(name, kind.label, kind.unit, kind.better, draws, table, why_not, unshrunk)


def unknown_trait(name: str, hybrids, n: int, why: str) -> Trait:
    """A trait that nothing is known of, with the sentence that says why."""
    draws = pd.DataFrame(np.nan, index=range(n), columns=list(hybrids))
    return make_trait(name, draws, pd.Series(dtype=float), why_not=why)


# -- the traits -----------------------------------------------------------------------------------


def stand_trait(
    cells: pd.DataFrame, entries: pd.DataFrame, *, n: int = 800, seed: int = 1
) -> Trait:
    """Share of plants planted that stand, over all trials.

    Parameters
    ----------
    cells : DataFrame
        From :func:`culmbook.stand.counts.model_cells` for the event 'stand': any plantings.
    entries : DataFrame
        Table ``hybrids`` without guards.
    n : int
        Draws.
    seed : int

    Returns
    -------
    Trait
        Of the mean plot of a hybrid, trials weighed alike. ``n`` counts plots.

    Raises
    ------
    ValueError
        As :func:`culmbook.stand.model.fit_stand`; all plants alive, or none.

    Notes
    -----
    Trials take the place of sites in the stand model, so that plantings of one site are not pooled. Mean
    logits are drawn from a multivariate t with the plots' residual degrees of freedom.
    """
    from culmbook.mixed import CONVERGED
    from culmbook.stand.model import fit_stand

    if cells.empty:
        raise ValueError("no plot has the counts that tell its stand")
    if cells["alive"].sum() in (0, cells["total"].sum()):
        fate = "alive" if cells["alive"].sum() else "dead"
        raise ValueError(f"all plants counted were {fate}: there are no differences to estimate")
    place = cells["site"].astype("str") + ":" + cells["trial"].astype("str")
    stand = fit_stand(cells.assign(site=place, plot=place + ":" + cells["plot"].astype("str")))
    if stand.fit.verdict != CONVERGED:
        raise ValueError(f"the model of the stand did {stand.fit.verdict}")
    rng, df = np.random.default_rng(seed), stand.fit.residual_df
    covariance = stand.fit.covariance.loc[stand.hybrids, stand.hybrids].to_numpy()
    off = rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=n, method="eigh")
    logits = stand.fit.coefficients[stand.hybrids].to_numpy() + off * np.sqrt(
        df / rng.chisquare(df, (n, 1))
    )
    draws = pd.DataFrame(stand.shares_at(logits), columns=stand.hybrids)
    return make_trait(
        "stand", with_untested(draws, entries, "stand", seed), cells.groupby("hybrid").size()
    )


def freeze_trait(fit, entries: pd.DataFrame, *, n: int = 800, seed: int = 1) -> Trait:
    """Temperature that kills half, from the curves of one protocol.

    Parameters
    ----------
    fit : FreezeFit
        From :func:`culmbook.frost.freeze_model.fit_freeze`: of the main protocol, since others are
        not comparable.
    entries, n, seed
        As in :func:`stand_trait`.

    Returns
    -------
    Trait
        In °C. ``n`` counts freezer loads. A hybrid whose LT50 lies beyond the temperatures tested has no
        estimate; its draws are those of the other candidates' distribution that lie beyond, or, where too few
        candidates have an LT50, all at the coldest temperature tested (the least hardiness that fits), and
        missing on the warm side.

    Raises
    ------
    ValueError
        One freezer run (its shift is not known, so nothing can be held against a temperature), or no curve
        with a number.
    """
    from culmbook.frost.freeze_curves import curve_draws
    from culmbook.frost.freeze_tests import bracketing, observed_survival

    if len(fit.runs) < 2:
        raise ValueError(
            "there was one freezer run, so no hybrid's LT50 has an interval of its own: only "
            "differences from the control are known"
        )
    drawn = curve_draws(fit, n, seed)
    if drawn.empty:
        raise ValueError("no hybrid's LT50 lies within the temperatures tested")
    draws = drawn.pivot(index="draw", columns="hybrid", values="lt50_c").rename_axis(columns=None)
    beyond = bracketing(observed_survival(fit.cells))
    beyond = beyond[~beyond["hybrid"].isin(draws.columns)]
    tested = entries[~entries["hybrid"].isin(beyond["hybrid"])]
    draws = with_untested(draws, tested, "lt50_c", seed).reindex(columns=list(entries["hybrid"]))
    rng = np.random.default_rng([seed, 72])
    answers = {}
    for row in beyond[beyond["hybrid"].isin(entries["hybrid"])].itertuples():
        draws[row.hybrid] = _beyond_the_test(row, draws, entries, rng)
        answers[row.hybrid] = _one_sided(row)
    frozen = fit.cells.dropna(subset="temperature_c")
    return make_trait("lt50_c", draws, frozen.groupby("hybrid")["load"].nunique(), answers=answers)


def _one_sided(row):
    if row.side == "cold" and row.most_kill <= 0.5:
        return row.answer, np.nan, row.coldest_c
    if row.side == "warm" and row.least_kill >= 0.5:
        return row.answer, row.warmest_c, np.nan
    return row.answer or "no clear fall of survival with the cold", np.nan, np.nan


def _beyond_the_test(row, draws, entries, rng):
    """Draws of a hybrid known on one side only."""
    candidates = entries.loc[entries["role"].eq("candidate"), "hybrid"]
    known = draws[[h for h in candidates if draws[h].notna().all()]]
    _, lower, upper = _one_sided(row)
    if np.isnan(lower) and np.isnan(upper):
        return np.nan
    if known.shape[1] < LEAST_TESTED:
        return np.nan if np.isnan(upper) else upper
    centre, sd = known.to_numpy().mean(axis=1), max(true_sd(known.to_numpy(), False), 1e-3)
    end = ((upper if np.isnan(lower) else lower) - centre) / sd
    ends = (end - _FAR, end) if np.isnan(lower) else (end, end + _FAR)
    return centre + sd * stats.truncnorm.rvs(*ends, size=len(centre), random_state=rng)


def moisture_trait(
    harvests: pd.DataFrame, entries: pd.DataFrame, controls=(), *, n: int = 800, seed: int = 1
) -> tuple[Trait, list[str]]:
    """Moisture at harvest of full-grown stands, at one date in every trial and season.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, all seasons.
    entries : DataFrame
        Table ``hybrids`` without guards.
    controls : sequence of str
    n, seed
        As in :func:`stand_trait`.

    Returns
    -------
    Trait
        Percent of water in the fresh mass, at the mean level of the sites and seasons cut. ``n`` counts
        samples (plots × seasons); hybrids are taken as random, as their yields are. Of more than 5,000
        samples those of a hybrid under one condition (site, trial, season, treatment) enter by their mean.
    list of str
        What was moved or left out, in sentences.

    Raises
    ------
    ValueError
        No sample, or as :func:`culmbook.consistency.model.fit_seasons`.
    """
    from culmbook.consistency.draws import draw_seasons
    from culmbook.consistency.model import fit_seasons, season_records
    from culmbook.yields.moisture import at_common_dates

    rows, words = at_common_dates(harvests)
    if rows.empty:
        raise ValueError("no moisture sample was taken of cuts that can be compared")
    records = season_records(rows)
    records = records.assign(response=records["moisture_then_pct"])
    n_behind = records.groupby("hybrid").size()
    if len(records) > _MANY_SAMPLES:
        records = _condition_means(records)
    if "crop_type" in entries:
        records = records.merge(entries[["hybrid", "crop_type"]], on="hybrid", how="left")
    seasons = fit_seasons(records, controls, scale="raw")
    drawn = draw_seasons(seasons, n, seed, _VARIANCES)
    return _of_seasons("moisture_pct", seasons, drawn, entries, n_behind, seed), words


def _condition_means(records):
    """Mean of a hybrid's samples under one condition: with many samples the plots' own terms add nothing."""
    groups = records.groupby(["hybrid", "condition"])
    means = groups.first().assign(response=groups["response"].mean()).reset_index()
    alone = means.index.astype("str")
    strata = ("plot_key", "replicate_season", "main_plot_season", "block_key")
    return means.assign(**dict.fromkeys(strata, alone))


def yield_trait(seasons, drawn, entries: pd.DataFrame, seed: int = 1) -> Trait:
    """Lasting dry yield of full-grown stands, from the joint model over sites and seasons.

    Parameters
    ----------
    seasons : SeasonsFit
        On the log scale.
    drawn : SeasonDraws
        Draws of it.
    entries : DataFrame
        Table ``hybrids`` without guards.
    seed : int

    Returns
    -------
    Trait
        In t/ha at the mean (log) level of the sites and seasons cut. ``n`` counts cuts.

    Raises
    ------
    ValueError
        Draws of raw yields.
    """
    if drawn.scale != "log":
        raise ValueError("the trait is made of draws on the log scale")
    return _of_seasons(
        "yield_t_ha", seasons, drawn, entries, seasons.records.groupby("hybrid").size(), seed
    )


def _of_seasons(name, seasons, drawn, entries, n_behind, seed):
    kind, lasting = KINDS[name], drawn.lasting
    rest = drawn.cells - lasting.to_numpy()[:, :, None, None]
    level = np.nanmean(rest, axis=(1, 2, 3))
    draws = pd.DataFrame(
        kind.from_scale(lasting.to_numpy() + level[:, None]), columns=lasting.columns
    )
    draws = with_untested(draws, entries, name, seed, is_shrunk=True)
    centre = float((lasting.mean(axis=1) + level).mean())
    return make_trait(name, draws, n_behind, unshrunk=partial(unshrunk_means, seasons, centre))


def unshrunk_means(seasons, centre: float = 0.0) -> pd.DataFrame:
    """Hybrids' values with every hybrid fixed, for models that draw them together over traits.

    Parameters
    ----------
    seasons : SeasonsFit
    centre : float
        Mean of all hybrids.

    Returns
    -------
    DataFrame
        ``estimate`` (deviation from the mean of all hybrids, plus ``centre``) and ``variance`` (of the
        deviation) by hybrid, on the model's scale.

    Raises
    ------
    ValueError
        A search that does not settle.
    """
    from culmbook.mixed import CONVERGED, fit_gaussian

    records = seasons.records
    conditions = pd.get_dummies(records["condition"], dtype=float).sort_index(axis=1)
    hybrids = pd.get_dummies(records["hybrid"].astype("str"), dtype=float).sort_index(axis=1)
    columns = [conditions.add_prefix("condition "), hybrids.iloc[:, 1:].add_prefix("hybrid ")]
    design = pd.concat(columns, axis=1)
    fit = fit_gaussian(records, "response", design, [t for t in seasons.terms if t != "hybrid"])
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model with fixed hybrids has {fit.verdict}")
    h = hybrids.shape[1]
    centring = (np.eye(h) - 1 / h)[:, 1:]
    own = [f"hybrid {name}" for name in hybrids.columns[1:]]
    covariance = centring @ fit.covariance.loc[own, own].to_numpy() @ centring.T
    return pd.DataFrame(
        {
            "estimate": centre + centring @ fit.coefficients[own].to_numpy(),
            "variance": np.diag(covariance),
        },
        index=list(hybrids.columns),
    )


def network_traits(network, season: int, *, n: int = 800, seed: int = 1) -> tuple[dict, list[str]]:
    """Stand, LT50 and moisture of a network's hybrids.

    Parameters
    ----------
    network : Network
        As :func:`culmbook.trials.seasons.of_season` gives it.
    season : int
        Growing season reported.
    n : int
        Draws.
    seed : int

    Returns
    -------
    dict of str to Trait
        All three; where nothing is known, a trait with its ``why_not``.
    list of str
        What has to be said beside them.
    """
    from culmbook.trials.entries import controls_of

    tables, words = network.tables, []
    entries = tables["hybrids"][tables["hybrids"]["role"].ne("guard")]
    controls = controls_of(network)
    makers = {
        "stand": lambda: _network_stand(tables, entries, season, n, seed),
        "lt50_c": lambda: _network_freeze(tables, entries, n, seed, words),
        "moisture_pct": lambda: _network_moisture(network, entries, controls, n, seed, words),
    }
    traits = {}
    for name, make in makers.items():
        try:
            traits[name] = make()
        except ValueError as error:
            why = str(error).rstrip(".") + "."
            traits[name] = unknown_trait(name, entries["hybrid"], n, why[0].upper() + why[1:])
    return traits, [*words, *remark_words(traits)]


def _network_stand(tables, entries, season, n, seed):
    from culmbook.stand.counts import model_cells, plot_stand

    stand = plot_stand(tables["plots"], tables["stand_counts"], season)
    return stand_trait(model_cells(stand, tables["hybrids"], "stand"), entries, n=n, seed=seed)


def _network_freeze(tables, entries, n, seed, words):
    from culmbook.pages.freeze_page import freeze_answers, main_set

    answers = freeze_answers(tables["freeze_tests"], "")
    chosen = main_set(answers)
    if chosen is None:
        raise ValueError("no freeze test of rhizomes gave a curve")
    if len(answers) > 1:
        words.append(
            f"LT50 is that of {chosen.name}: other protocols and tissues are not comparable."
        )
    return freeze_trait(chosen.fit, entries, n=n, seed=seed)


def _network_moisture(network, entries, controls, n, seed, words):
    from culmbook.trials.entries import without_guards
    from culmbook.yields.harvest import plot_harvests

    plots = without_guards(network.tables["plots"], network.tables["hybrids"])
    harvests = plot_harvests(network.tables["harvests"], plots, network.problems)
    trait, told = moisture_trait(harvests, entries, controls, n=n, seed=seed)
    words.extend(told)
    return trait
