"""What is known of each hybrid beside its yield: stand, LT50 and moisture, as joint draws over
hybrids.

Every trait comes from the model that its own notebook uses; its draws hold all hybrids together, so
that what they share (a freezer run, a site) is shared in the draws too. Hybrids that were not
tested for a trait are drawn as further ones of the kind that was tested.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.frost.freeze_curves import curve_draws, freeze_answers, main_set
from culmbook.frost.freeze_tests import bracketing, observed_survival
from culmbook.mixed import CONVERGED, fit_gaussian
from culmbook.sheets.settings import KINDS
from culmbook.stand.counts import model_cells, plot_stand
from culmbook.stand.model import fit_stand
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are
from culmbook.trials.dry_yield import plot_harvests
from culmbook.trials.entries import controls_of, without_guards
from culmbook.trials.layout import dummies
from culmbook.yields.moisture import at_common_dates

# Candidates tested from which on the value of one not tested is drawn from their distribution: with
# fewer,
# their spread is not known well enough (common practice).
LEAST_TESTED = 8
NOT_TESTED, NOT_KNOWN = "not tested", "not known"
_MANY_SAMPLES = 5000  # moisture samples beyond which plots enter by their means, to save time
_VARIANCES = 20  # sets of variances behind the draws of moisture
_FAR = 50.0  # standard deviations beyond the test within which a hybrid's value is drawn


@dataclass(frozen=True)
class Trait:
    """A trait of all hybrids.

    Attributes
    ----------
    name : str
        Of :data:`culmbook.sheets.settings.KINDS`.
    draws : DataFrame
        Joint draws, n × hybrids, in the trait's unit; a hybrid that nothing is known of is missing
        in all.
    table : DataFrame
        ``hybrid, estimate, lower, upper, n, remark``: middle and 95 % limits of the draws of
        hybrids that were tested; the number of plots, samples or freezer loads behind them; and
        what must be said of a hybrid that was not tested or lies beyond the test (then there is no
        estimate).
    why_not : str
        Why nothing is known of any hybrid; blank where something is.
    unshrunk : callable or None
        Gives ``estimate, variance`` by hybrid on the trait's scale, not drawn towards other
        hybrids; None where the draws themselves are not.
    """

    name: str
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
    answers = answers or {}
    known = draws.notna().all().to_numpy()
    limits = np.full((3, draws.shape[1]), np.nan)
    if known.any():
        values = draws.loc[:, known].to_numpy()
        limits[:, known] = np.quantile(values, [0.5, 0.025, 0.975], axis=0, method="weibull")
    numbers = ["estimate", "lower", "upper"]
    table = pd.DataFrame(limits.T, draws.columns, numbers).rename_axis("hybrid")
    table["n"] = table.index.to_series().map(n_behind).fillna(0).astype(int)
    table["remark"] = np.where(table["n"].gt(0), "", NOT_KNOWN if why_not else NOT_TESTED)
    table.loc[table["n"].eq(0) | table.index.isin(answers), numbers] = np.nan
    for hybrid, answer in answers.items():
        table.loc[hybrid, ["remark", "lower", "upper"]] = answer
    return Trait(name, draws, table.reset_index(), why_not, unshrunk)


def unknown_trait(name: str, hybrids, n: int, why: str) -> Trait:
    """A trait that nothing is known of, with the sentence that says why."""
    draws = pd.DataFrame(np.nan, index=range(n), columns=list(hybrids))
    return make_trait(name, draws, pd.Series(dtype=float), why_not=why)


# -- hybrids that were not tested
# --------------------------------------------------------------------


def with_untested(
    draws: pd.DataFrame, entries: pd.DataFrame, kind: str, seed: int, *, is_shrunk: bool = False
) -> pd.DataFrame:
    """Draws of all hybrids, those not tested from the distribution of the candidates that were.

    Parameters
    ----------
    draws : DataFrame
        n × hybrids tested, in the trait's unit.
    entries : DataFrame
        ``hybrid, role`` and, where known, ``crop_type``: a candidate is drawn from candidates of
        its own type.
    kind : str
        The trait's name.
    seed : int
    is_shrunk : bool
        Whether the draws are posterior draws of hybrids taken as random.

    Returns
    -------
    DataFrame
        n × hybrids of ``entries``; missing for a control that was not tested, and for a candidate
        where fewer than eight of its type were.

    Notes
    -----
    Per draw a t deviate with m - 1 degrees of freedom, m candidates tested, around their mean in
    that draw with the variance ``G (1 + 1/m)``. G is the variance of the candidates' estimates less
    their mean error variance (plus it, where the estimates are drawn towards each other), on the
    trait's scale.
    """
    entries, kind = entries.drop_duplicates("hybrid"), KINDS[kind]
    out = draws.reindex(columns=list(entries["hybrid"]))
    groups = entries.get("crop_type", pd.Series("", entries.index)).astype("str")
    candidates = entries["role"].eq("candidate")
    rng = np.random.default_rng([seed, 71])
    for group in sorted(groups[candidates].unique()):
        own = list(entries.loc[candidates & groups.eq(group), "hybrid"])
        tested = [h for h in own if h in draws and draws[h].notna().all()]
        absent, m = [h for h in own if h not in tested], len(tested)
        if m >= LEAST_TESTED and absent:
            values = kind.to_scale(draws[tested].to_numpy())
            spread = true_sd(values, is_shrunk) * np.sqrt(1 + 1 / m)
            apart = spread * rng.standard_t(m - 1, size=(len(values), len(absent)))
            out[absent] = kind.from_scale(values.mean(axis=1)[:, None] + apart)
    return out


def true_sd(values, is_shrunk):
    """Standard deviation of hybrids' true values behind draws of them (n × hybrids), on one scale."""
    error = (values - values.mean(axis=1, keepdims=True)).var(axis=0, ddof=1).mean()
    apart = values.mean(axis=0).var(ddof=1)
    return np.sqrt(max(apart + error if is_shrunk else apart - error, 0.0))


# -- the traits
# --------------------------------------------------------------------------------------


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
    Refusal
        As :func:`culmbook.stand.model.fit_stand`; all plants alive, or none.

    Notes
    -----
    Trials take the place of sites in the stand model, so that plantings of one site are not pooled.
    Mean logits are drawn from a multivariate t with the plots' residual degrees of freedom.
    """
    place = cells["site"].astype("str") + ":" + cells["trial"].astype("str")
    stand = fit_stand(cells.assign(site=place, plot=place + ":" + cells["plot"].astype("str")))
    rng, df = np.random.default_rng(seed), stand.fit.residual_df
    covariance = stand.fit.covariance.loc[stand.hybrids, stand.hybrids].to_numpy()
    off = rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=n, method="eigh")
    off = off * np.sqrt(df / rng.chisquare(df, (n, 1)))
    logits = stand.fit.coefficients[stand.hybrids].to_numpy() + off
    draws = pd.DataFrame(stand.shares_at(logits), columns=stand.hybrids)
    draws = with_untested(draws, entries, "stand", seed)
    return make_trait("stand", draws, cells.groupby("hybrid").size())


def freeze_trait(fit, entries: pd.DataFrame, *, n: int = 800, seed: int = 1) -> Trait:
    """Temperature that kills half, from the curves of one protocol.

    Parameters
    ----------
    fit : FreezeFit
        From :func:`culmbook.frost.freeze_curves.fit_freeze`: of the main protocol, since others are
        not comparable.
    entries, n, seed
        As in :func:`stand_trait`.

    Returns
    -------
    Trait
        In °C. ``n`` counts freezer loads. A hybrid whose LT50 lies beyond the temperatures tested
        has no estimate; its draws are those of the other candidates' distribution that lie beyond,
        or, where too few candidates have an LT50, all at the coldest temperature tested (the least
        hardiness that fits), and missing on the warm side.

    Raises
    ------
    Refusal
        One freezer run (its shift is not known, so nothing can be held against a temperature), or
        no curve with a number.
    """
    if len(fit.runs) < 2:
        raise Refusal(
            "There was one freezer run, so no hybrid's LT50 has an interval of its own: only differences "
            "from the control are known."
        )
    drawn = curve_draws(fit, n, seed)
    if drawn.empty:
        raise Refusal("No hybrid's LT50 lies within the temperatures tested.")
    draws = drawn.pivot(index="draw", columns="hybrid", values="lt50_c").rename_axis(columns=None)
    beyond = bracketing(observed_survival(fit.cells))
    beyond = beyond[~beyond["hybrid"].isin(draws.columns)]
    tested = entries[~entries["hybrid"].isin(beyond["hybrid"])]
    draws = with_untested(draws, tested, "lt50_c", seed).reindex(columns=list(entries["hybrid"]))
    rng, answers = np.random.default_rng([seed, 72]), {}
    for row in beyond[beyond["hybrid"].isin(entries["hybrid"])].itertuples():
        answers[row.hybrid] = _one_sided(row)
        draws[row.hybrid] = _beyond_the_test(*answers[row.hybrid][1:], draws, entries, rng)
    frozen = fit.cells.dropna(subset="temperature_c")
    return make_trait("lt50_c", draws, frozen.groupby("hybrid")["load"].nunique(), answers=answers)


def _one_sided(row):
    if row.side == "cold" and row.most_kill <= 0.5:
        return row.answer, np.nan, row.coldest_c
    if row.side == "warm" and row.least_kill >= 0.5:
        return row.answer, row.warmest_c, np.nan
    return row.answer or "no clear fall of survival with the cold", np.nan, np.nan


def _beyond_the_test(lower, upper, draws, entries, rng):
    """Draws of a hybrid known on one side only."""
    candidates = entries.loc[entries["role"].eq("candidate"), "hybrid"]
    known = draws[[h for h in candidates if draws[h].notna().all()]].to_numpy()
    if known.shape[1] < LEAST_TESTED or np.isnan([lower, upper]).all():
        return upper
    centre, sd = known.mean(axis=1), max(true_sd(known, False), 1e-3)
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
        From :func:`culmbook.trials.dry_yield.plot_harvests`, all seasons.
    entries : DataFrame
        Table ``hybrids`` without guards.
    controls : sequence of str
    n, seed
        As in :func:`stand_trait`.

    Returns
    -------
    Trait
        Percent of water in the fresh mass, at the mean level of the sites and seasons cut. ``n``
        counts samples (plots × seasons); hybrids are taken as random, as their yields are. Of more
        than 5,000 samples those of a hybrid under one condition (site, trial, season, treatment)
        enter by their mean.
    list of str
        What was moved or left out, in sentences.

    Raises
    ------
    Refusal
        No sample, or as :func:`culmbook.consistency.model.fit_seasons`.
    """
    rows, words = at_common_dates(harvests)
    if rows.empty:
        raise Refusal("No moisture sample was taken of cuts that can be compared.")
    records = season_records(rows)
    records = records.assign(response=records["moisture_then_pct"])
    n_behind = records.groupby("hybrid").size()
    if len(records) > _MANY_SAMPLES:  # then the plots' own terms add nothing
        groups = records.groupby(["hybrid", "condition"])
        records = groups.first().assign(response=groups["response"].mean()).reset_index()
        alone = records.index.astype("str")
        strata = ("plot_key", "replicate_season", "main_plot_season", "block_key")
        records = records.assign(**dict.fromkeys(strata, alone))
    if "crop_type" in entries:
        records = records.merge(entries[["hybrid", "crop_type"]], on="hybrid", how="left")
    seasons = fit_seasons(records, controls, scale="raw")
    drawn = draw_seasons(seasons, n, seed, _VARIANCES)
    return _of_seasons("moisture_pct", seasons, drawn, entries, n_behind, seed), words


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
    cuts = seasons.records.groupby("hybrid").size()
    return _of_seasons("yield_t_ha", seasons, drawn, entries, cuts, seed)


def _of_seasons(name, seasons, drawn, entries, n_behind, seed):
    kind, lasting = KINDS[name], drawn.lasting
    rest = drawn.cells - lasting.to_numpy()[:, :, None, None]
    level = np.nanmean(rest, axis=(1, 2, 3))
    values = kind.from_scale(lasting.to_numpy() + level[:, None])
    draws = pd.DataFrame(values, columns=lasting.columns)
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
        ``estimate`` (deviation from the mean of all hybrids, plus ``centre``) and ``variance`` (of
        the deviation) by hybrid, on the model's scale.

    Raises
    ------
    Refusal
        A search that does not settle.
    """
    records = seasons.records.assign(hybrid=seasons.records["hybrid"].astype("str"))
    hybrids = dummies(records, "hybrid")
    names = [name.removeprefix("hybrid ") for name in hybrids.columns]
    design = pd.concat([dummies(records, "condition"), hybrids.iloc[:, 1:]], axis=1)
    fit = fit_gaussian(records, "response", design, [t for t in seasons.terms if t != "hybrid"])
    if fit.verdict != CONVERGED:
        raise Refusal(f"The model with fixed hybrids has {fit.verdict}.")
    own, centring = hybrids.columns[1:], (np.eye(len(names)) - 1 / len(names))[:, 1:]
    covariance = centring @ fit.covariance.loc[own, own].to_numpy() @ centring.T
    estimate = centre + centring @ fit.coefficients[own].to_numpy()
    return pd.DataFrame({"estimate": estimate, "variance": np.diag(covariance)}, names)


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
    tables, words, traits = network.tables, [], {}
    entries = without_guards(tables["hybrids"], tables["hybrids"])
    makers = {"stand": _network_stand, "lt50_c": _network_freeze, "moisture_pct": _network_moisture}
    for name, make in makers.items():
        try:
            traits[name], told = make(network, entries, season, n=n, seed=seed)
            words += told
        except ValueError as error:
            text = str(error).rstrip(".")
            why = f"{text[0].upper()}{text[1:]}."
            traits[name] = unknown_trait(name, entries["hybrid"], n, why)
    return traits, [*words, *remark_words(traits)]


def _network_stand(network, entries, season, **draws):
    tables = network.tables
    stand = plot_stand(tables["plots"], tables["stand_counts"], season)
    return stand_trait(model_cells(stand, tables["hybrids"], "stand"), entries, **draws), []


def _network_freeze(network, entries, season, **draws):
    answers = freeze_answers(network.tables["freeze_tests"])
    chosen = main_set(answers)
    other = f"LT50 is that of {chosen.name}: other protocols and tissues are not comparable."
    return freeze_trait(chosen.fit, entries, **draws), [other] if len(answers) > 1 else []


def _network_moisture(network, entries, season, **draws):
    plots = without_guards(network.tables["plots"], network.tables["hybrids"])
    harvests = plot_harvests(network.tables["harvests"], plots, network.problems)
    return moisture_trait(harvests, entries, controls_of(network), **draws)


def trait_values(traits: dict, names, hybrids) -> pd.DataFrame:
    """Traits side by side: ``hybrid``, and for each name its estimate with ``low_`` and ``high_``
    limits.
    """
    wide = pd.DataFrame(index=list(hybrids))
    for name in names:
        own = traits[name].table.set_index("hybrid")[["estimate", "lower", "upper"]]
        wide = wide.join(own.set_axis([name, f"low_{name}", f"high_{name}"], axis=1))
    return wide.rename_axis("hybrid").reset_index()


def remark_words(traits: dict) -> list[str]:
    """What must be said of hybrids that were not tested or lie beyond the test.

    Parameters
    ----------
    traits : dict of str to Trait
        Those with a ``why_not`` are passed over.

    Returns
    -------
    list of str
    """
    told = []
    for trait in (trait for trait in traits.values() if not trait.why_not):
        known, remark = trait.draws.notna().all(), trait.table.set_index("hybrid")["remark"]
        label = KINDS[trait.name].label
        absent = remark.index[remark.eq(NOT_TESTED)]
        for is_drawn, fate in _ABSENT.items():
            if names := [h for h in absent if known[h] == is_drawn]:
                were = is_are(len(names), "was", "were")
                told.append(f"{label}: {fmt_list(names)} {were} not tested{fate}.")
        for hybrid, text in remark[~remark.isin(["", NOT_TESTED])].items():
            n = trait.draws[hybrid].nunique()
            told.append(f"{label}: {hybrid} is {text}, beyond the test; {_BEYOND[min(n, 2)]}.")
    return told


_ABSENT = {
    True: "; drawn from the distribution of the candidates that were",
    False: f", and there is no distribution to draw from (it takes {LEAST_TESTED} candidates of the type, and "
    "controls have none): not known",
}
_BEYOND = {
    0: "so it counts as not known",
    1: "it is taken at that temperature, the least hardiness that fits",
    2: "drawn from what of the candidates' distribution lies there",
}
