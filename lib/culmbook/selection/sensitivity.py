"""What would change a decision: one more season, site or replicate, or another setting.

Data that are not yet there can be simulated from what is known: a truth from the posterior, records
from the model, and from both what would be known afterwards. Given the variances all of this is
normal, so what new records do to the joint uncertainty of the hybrids follows from the layout
alone, yields unseen. A decision also rests on choices that are not data: the margin over the
control, the places in the next stage, what errors cost, floors, weights, and which model of yield
is believed. Each is changed by itself, everything else as it was set.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache, partial

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws
from culmbook.consistency.model import RESIDUAL, SeasonsFit, season_design, season_records
from culmbook.mixed import Model
from culmbook.selection.decide import (
    PROMOTE,
    Costs,
    candidate_gains,
    covariance_at,
    decide,
    in_top,
    worthy,
)
from culmbook.selection.index import index_gains, passing, value_words
from culmbook.selection.words import DONE, fmt_chance
from culmbook.sheets.settings import KINDS
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, joined, n_of

FUTURES, TRUTHS = 400, 600
NEW = "+"
# gains below, which an index may have, are far from every margin; they have no logarithm
_WORST = -0.99


@dataclass(frozen=True)
class Plan:
    """What is cut next: the plots of last season once more, with ``sites`` and ``replicates`` more.

    New sites and replicates have as many plots of every hybrid as is usual, resp. one more at every
    site; they are taken as established, so they must have been planted in time.
    """

    label: str
    sites: int = 0
    replicates: int = 0


ONE_SEASON = Plan("one more season")


def future_means(mean: np.ndarray, before, after, n: int = FUTURES, seed: int = 1) -> np.ndarray:
    """Means that more data may lead to: n draws of a normal distribution with covariance before -
    after.

    Notes
    -----
    Drawn in pairs mirrored at the present mean, so that their average is that mean exactly for even
    n.

    References
    ----------
    Raiffa & Schlaifer (1961) Applied Statistical Decision Theory, ch. 5 and 12.
    """
    drawn = _mirrored(n, len(mean), np.random.default_rng([seed, 1]))
    return mean + drawn @ _root(before - after).T


def _mirrored(n, width, rng):
    half = rng.normal(size=((n + 1) // 2, width))
    return np.vstack([half, -half])[:n]


def _root(covariance):
    """Square root of a covariance; rounding below zero is taken as zero."""
    size, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return vectors * np.sqrt(np.maximum(size, 0.0))


def preposterior(
    mean: pd.Series,
    before: pd.DataFrame,
    after: pd.DataFrame,
    eligible: pd.DataFrame | None = None,
    *,
    k: int,
    delta: float,
    costs: Costs,
    futures: int = FUTURES,
    truths: int = TRUTHS,
    seed: int = 1,
) -> pd.DataFrame:
    """Expected loss of the better of promoting and dropping, before and after more data.

    Parameters
    ----------
    mean : Series
        By hybrid: lasting log yield less the control's.
    before, after : DataFrame, hybrids x hybrids
        Its covariance now and after more data.
    eligible : DataFrame of bool, optional
        Draws x hybrids: floors passed. They are taken as independent of yield, and what is known of
        them stays as it is.
    k, delta, costs
        As in :func:`culmbook.selection.decide.decide`.
    futures, truths : int
        Data sets simulated, and true values drawn after each.
    seed : int

    Returns
    -------
    DataFrame
        By hybrid ``chance``, ``loss_before``, ``loss_after``, ``chance_flips`` (probability that
        the other of promoting and dropping will have the lower expected loss).

    Notes
    -----
    ``loss_after = E min(wrong_promote (1 - W), wrong_drop W)``, W the probability of being worth it
    after the data. W averages to the present probability, so the loss cannot rise.

    References
    ----------
    Raiffa & Schlaifer (1961) Applied Statistical Decision Theory, ch. 4; DeGroot (1970) Optimal
    Statistical Decisions, ch. 8.
    """
    rng = np.random.default_rng([seed, 2])
    names = mean.index
    before, after = (c.loc[names, names].to_numpy() for c in (before, after))
    spread = _mirrored(truths, len(names), rng) @ _root(after).T
    passes = None
    if eligible is not None:
        passes = eligible[list(names)].to_numpy(bool)[rng.integers(len(eligible), size=truths)]
    chances = np.empty((futures, len(names)))
    for j, now in enumerate(future_means(mean.to_numpy(), before, after, futures, seed)):
        values = now + spread
        chances[j] = (in_top(values, k, passes) * (values > np.log1p(delta))).mean(axis=0)
    chance, turn = chances.mean(axis=0), costs.threshold
    table = {
        "chance": chance,
        "loss_before": costs.least(chance),
        "loss_after": costs.least(chances).mean(axis=0),
        "chance_flips": ((chances > turn) != (chance > turn)).mean(axis=0),
    }
    return pd.DataFrame(table, names)


def hold_table(
    seasons: SeasonsFit,
    drawn: SeasonDraws,
    control: str,
    eligible: pd.DataFrame | None = None,
    *,
    k: int,
    delta: float,
    costs: Costs,
    among=None,
    plan: Plan = ONE_SEASON,
    gains: pd.DataFrame | None = None,
    all_cut: bool = False,
    spread=None,
    **options,
) -> pd.DataFrame:
    """What carrying out a plan is worth for the decision on each candidate.

    Parameters
    ----------
    seasons, drawn : SeasonsFit, SeasonDraws
    control : str
    eligible, k, delta, costs
        As in :func:`culmbook.selection.decide.decide`.
    among
        As in :func:`culmbook.selection.decide.candidate_gains`.
    plan : Plan
    gains : DataFrame, optional
        Draws of gains by another model or an index, of the same candidates. What the data tell of
        them is taken from the model of ``seasons``, its covariance scaled to the variance of these
        draws.
    all_cut : bool
        Are hybrids that will be dropped cut too? If not, only controls and hybrids that are likely
        promoted or worth holding are, which tells less of each of them.
    spread : callable, optional
        From :func:`remembered_spreads` of the same fit, where several tables are made.
    **options
        ``futures, truths, seed`` of :func:`preposterior`.

    Returns
    -------
    DataFrame
        By hybrid ``chance_worthy, loss_now, loss_after, saving, chance_flips, note``. ``loss_now``
        is that of the better of promoting and dropping, ``saving`` what the data are expected to
        take off it, their cost not counted. Where the records do not tell what the plan would bring
        the last three numbers are missing and ``note`` says why.

    Raises
    ------
    Refusal
        As :func:`culmbook.selection.decide.candidate_gains`.

    Notes
    -----
    The saving is computed for a normal distribution with the draws' mean and, on average over
    hybrids, their variance, and taken off the loss from the draws themselves. Which hybrids are cut
    is found by leaving out those that are neither promoted nor worth holding until none is left
    out; these keep the saving of the last round in which they were cut.
    """
    own = candidate_gains(drawn, control, among)
    gains = own if gains is None else gains[list(own.columns)]
    chance = worthy(gains, eligible, k, delta).mean()
    now, names = costs.least(chance), list(gains.columns)
    table = pd.DataFrame({"chance_worthy": chance, "loss_now": now}, names)
    table[["loss_after", "saving", "chance_flips"]] = np.nan
    table["note"] = untold(seasons, plan)
    if table["note"].any():
        return table
    logs = np.log1p(gains.clip(lower=_WORST))
    spread = remembered_spreads(seasons, drawn) if spread is None else spread
    before = _against(spread(), control, names)
    wider = logs.var().sum() / np.trace(before)
    asked, cut = {"k": k, "delta": delta, "costs": costs, **options}, names
    while cut:
        after = _against(spread(plan, frozenset({*cut, *seasons.controls})), control, names)
        told = preposterior(logs.mean(), before * wider, after * wider, eligible, **asked)
        left = (now - (told["loss_before"] - told["loss_after"])).clip(lower=0.0)
        told = told.assign(loss_after=left, saving=now - left)
        table.update(told.loc[cut, ["loss_after", "saving", "chance_flips"]])
        is_kept = (chance > costs.threshold) | (table["saving"] > costs.hold)
        kept = [h for h in cut if is_kept[h]]
        if all_cut or kept == cut:
            break
        cut = kept
    return table


def _against(covariance, control, candidates):
    """Covariance of differences from the control."""
    own = covariance.loc[candidates, candidates].to_numpy()
    shared = covariance.loc[candidates, control].to_numpy()
    values = own - shared[:, None] - shared[None, :] + covariance.loc[control, control]
    return pd.DataFrame(values, candidates, candidates)


def plan_table(
    seasons: SeasonsFit,
    drawn: SeasonDraws,
    control: str,
    eligible: pd.DataFrame | None = None,
    *,
    plans,
    **options,
) -> pd.DataFrame:
    """Expected loss over all candidates, now and after each plan.

    Parameters
    ----------
    seasons, drawn, control, eligible
        As in :func:`hold_table`.
    plans : sequence of Plan
    **options
        Further ones of :func:`hold_table`; ``k``, ``delta`` and ``costs`` are needed.

    Returns
    -------
    DataFrame
        ``plan, plots, expected_loss, saving, flips, note``: plots cut, all hybrids that stand; sum
        over candidates of the lesser expected loss; what is saved of it; expected number of
        candidates for which the better of promoting and dropping changes; where nothing can be said
        ``note`` says why. First row: now.

    Raises
    ------
    Refusal
        The records tell nothing of any plan.
    """
    rows = []
    for plan in plans:
        table = hold_table(seasons, drawn, control, eligible, plan=plan, all_cut=True, **options)
        sums = table[["loss_after", "saving", "chance_flips"]].sum(min_count=1)
        note = table["note"].iloc[0]
        plots = None if note else int(plan_records(seasons.records, plan)["is_new"].sum())
        rows.append((plan.label, plots, *sums, note))
    now = table["loss_now"].sum()
    columns = ["plan", "plots", "expected_loss", "saving", "flips", "note"]
    out = pd.DataFrame([("now", 0, now, 0.0, 0.0, ""), *rows], columns=columns)
    if out["expected_loss"].iloc[1:].isna().all():
        raise Refusal(f"What more data would change is not told: {out['note'].iloc[-1]}.")
    return out.astype({"plots": "Int64"})


# -- the records of a plan
# ---------------------------------------------------------------------------


def plan_records(records: pd.DataFrame, plan: Plan, hybrids=None) -> pd.DataFrame:
    """Records that a plan would add, yields left at 1.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.
    plan : Plan
    hybrids : collection of str, optional
        The only ones that are cut again; without it all that stand.

    Returns
    -------
    DataFrame
        Records of both, old ones first, with a column ``is_new``. Cut again are the plots of each
        hybrid and trial that were cut in the last season, those that were missing in it included.
    """
    last = records["growing_season"].max()
    standing = _standing(records, last)
    if hybrids is not None:
        standing = standing[standing["hybrid"].isin(set(hybrids))]
    if plan.replicates:
        one = standing.drop_duplicates(["place", "hybrid"])
        standing = pd.concat([standing, *(_named(one, r) for r in range(plan.replicates))])
    plots = [standing, *(_site(records, standing, s) for s in range(plan.sites))]
    plots = pd.concat(plots, ignore_index=True)
    new = plots.assign(growing_season=last + 1, crop_year=plots["crop_year"] + 1, is_new=True)
    both = pd.concat([records.assign(is_new=False), new], ignore_index=True)
    return season_records(both.assign(dry_yield_t_ha=1.0, left_out=None), first_crop_year=1)


def _standing(records, last):
    """The newest record of every plot whose hybrid was cut in its trial in the last season."""
    own = records["place"].astype("str") + "/" + records["hybrid"].astype("str")
    cut = own.isin(own[records["growing_season"] == last])
    newest = records[cut].sort_values("growing_season", kind="stable").groupby("plot_key").tail(1)
    return newest.assign(crop_year=newest["crop_year"] + last - newest["growing_season"])


def _named(plots, replicate):
    """Plots of a new replicate."""
    name = f"{NEW}{replicate}"
    plot = name + "-" + plots["trial"].astype("str") + "-" + plots["hybrid"].astype("str")
    return plots.assign(replicate=name, block=name, main_plot=None, plot=plot)


def _site(records, standing, number):
    """A new site of the usual number of replicates, every hybrid that stands anywhere in each of
    them.
    """
    usual = int(round(records.groupby(["place", "hybrid"])["plot_key"].nunique().median()))
    columns = ["planting_method", "film"]
    treatment = standing[columns].mode().iloc[0]
    one = standing.drop_duplicates("hybrid").assign(
        site=f"{NEW}{number}", trial=NEW, crop_year=standing["crop_year"].min(), **treatment
    )
    return pd.concat([_named(one, r) for r in range(usual)])


def spreads(
    seasons: SeasonsFit, drawn: SeasonDraws, plan: Plan | None = None, hybrids=None
) -> pd.DataFrame:
    """Covariance of what lasts of each hybrid, now or once the plan has been carried out.

    Parameters
    ----------
    seasons : SeasonsFit
    drawn : SeasonDraws
        Of the same fit: the variances are their medians.
    plan : Plan, optional
        Without it, now.
    hybrids : collection of str, optional
        As in :func:`plan_records`.

    Returns
    -------
    DataFrame
        Hybrids x hybrids, squared unit of the response; only differences mean something.
    """
    variances, fit = drawn.sets.median(), seasons.conditional
    frame = seasons.records.assign(is_new=False)
    if plan is not None:
        frame = plan_records(seasons.records, plan, hybrids)
    # new records have the residual variance of the records at hand on average
    known = np.full(len(frame), variances[RESIDUAL], float)
    if RESIDUAL not in fit.variances:
        known[~frame["is_new"].to_numpy(bool)] = fit.data["known"].to_numpy(float)
    frame = frame.assign(known=known, response=0.0)
    design, terms = season_design(frame, seasons.groups), list(seasons.terms)
    model = Model(frame, "response", design, terms, "reml", None, "known", residual=True)
    theta = variances[terms].to_numpy(float) / model.scale**2
    factor = model.problem.structure.factor(theta, model.problem.known)
    return covariance_at(model, theta, factor, seasons.groups)


def remembered_spreads(seasons: SeasonsFit, drawn: SeasonDraws):
    """:func:`spreads` of one fit as a function of plan and frozen set of hybrids, each computed
    once.
    """
    return cache(partial(spreads, seasons, drawn))


def untold(seasons: SeasonsFit, plan: Plan) -> str:
    """Why the records at hand do not tell what a plan would bring; blank where they do."""
    sites, years = (seasons.records[column].nunique() for column in ("site", "season"))
    if not {"hybrid_season", "hybrid_site_season"} & set(seasons.terms):
        cut = "no hybrid was cut twice at a site, or the model has no such term"
        cut = "one season was cut after establishment" if years == 1 else cut
        return f"{cut}, which does not tell what another season will do"
    if plan.sites and "hybrid_site" not in seasons.terms:
        cut = "one site was cut" if sites == 1 else "no hybrid was cut at two sites"
        return f"{cut}, so nothing tells how hybrids change from site to site"
    return ""


# By how much a floor is made stricter and looser, in the trait's unit (a choice, no source).
STEPS = {"yield_t_ha": 1.0, "stand": 0.05, "lt50_c": 0.5, "moisture_pct": 2.0}
# Saving, as a share of the lesser cost of a wrong decision, under which a change is not counted.
TIE = 0.02


@dataclass(frozen=True)
class Way:
    """One way of deciding.

    ``name`` says what is changed; ``gains`` and ``eligible`` are draws × candidates and ``rule`` is
    ``k, delta, costs``, as :func:`culmbook.selection.decide.decide` takes them.
    """

    name: str
    gains: pd.DataFrame = field(repr=False)
    eligible: pd.DataFrame | None = field(repr=False)
    rule: dict


def other_rules(base: Way) -> list[Way]:
    """Other margins (none, half and double), places (half and double) and costs (each half and
    double; a cost of 0 stays).
    """
    k, delta, costs = (base.rule[name] for name in ("k", "delta", "costs"))
    rules = {}
    for margin in dict.fromkeys((0.0, delta / 2, 2 * delta)):
        digits = 0 if abs(100 * margin - round(100 * margin)) < 1e-9 else 1
        rules[f"margin {fmt_share(margin, digits)}"] = {"delta": margin}
    for places in (max(k // 2, 1), 2 * k):
        rules[n_of(places, "place")] = {"k": places}
    kinds = {
        "wrong_promote": "a wrong promotion",
        "wrong_drop": "a wrong drop",
        "hold": "one more season",
    }
    for key, label in kinds.items():
        for times, value in _times(getattr(costs, key)):
            changed = replace(costs, **{key: value}) if value > 0 else costs
            rules[f"{times} the cost of {label}"] = {"costs": changed}
    made = {name: base.rule | rule for name, rule in rules.items()}
    most = len(base.gains.columns)
    return [
        replace(base, name=name, rule=rule)
        for name, rule in made.items()
        if rule != base.rule and rule["k"] <= most
    ]


def _times(value):
    """A value twice and half, and how that is called."""
    return ("twice", 2 * value), ("half", value / 2)


def other_floors(base: Way, traits: dict, floors: dict) -> list[Way]:
    """Each floor taken off, and made stricter and looser by a step of :data:`STEPS`.

    Parameters
    ----------
    base : Way
    traits : dict of str to Trait
    floors : dict of str to float
        Those of the base, from :func:`culmbook.selection.index.applied_floors`.

    Returns
    -------
    list of Way
        Hybrids that are not known in a trait pass its floor here, as in the base.
    """
    made = []
    for name, value in floors.items():
        kind, others = KINDS[name], {other: floors[other] for other in floors if other != name}
        stricter = STEPS[name] if kind.better == "higher" else -STEPS[name]
        tried = {f"no floor on {kind.word}": others}
        for moved in (value + stricter, value - stricter):
            if kind.low <= moved <= kind.high:
                words = f"{kind.word} {kind.bound} {value_words(name, moved)}"
                tried[words] = others | {name: moved}
        for words, own in tried.items():
            passes = passing(traits, own, base.gains.columns, len(base.gains), unknown=True)
            made.append(replace(base, name=words, eligible=passes))
    return made


def other_gains(base: Way, gains: dict, traits: dict, floors: dict) -> list[Way]:
    """Other models of yield, or an index in its place.

    Parameters
    ----------
    base : Way
    gains : dict of str to DataFrame
        By what it is called in a sentence: draws × candidates, those of the base among them.
    traits, floors
        As in :func:`other_floors`.
    """
    made = []
    for name, own in gains.items():
        own = own[list(base.gains.columns)]
        passes = passing(traits, floors, own.columns, len(own), unknown=True)
        made.append(replace(base, name=name, gains=own, eligible=passes))
    return made


def other_traits(base: Way, joint, floors: dict, control: str) -> list[Way]:
    """Yield and the traits with a floor drawn together; nothing where they were not.

    Parameters
    ----------
    base : Way
    joint : JointTraits
        From :func:`culmbook.selection.index.joint_traits`.
    floors : dict of str to float
    control : str
    """
    if not joint.is_joint:
        return []
    gains = index_gains(joint.traits, {"yield_t_ha": 1.0}, control)
    return other_gains(base, {"traits drawn together with yield": gains}, joint.traits, floors)


def other_weights(base: Way, traits: dict, weights: dict, control: str) -> list[Way]:
    """The index by the weights in the place of yield, and each weight but that of yield doubled
    and halved.

    Parameters
    ----------
    base : Way
    traits : dict of str to Trait
        As they go into the index.
    weights : dict of str to float
    control : str

    Returns
    -------
    list of Way
        None without a weight on yield, or where a candidate is not known in a trait with a weight.
    """
    if weights.get("yield_t_ha", 0) <= 0:
        return []
    tried = {"by the index instead of yield": weights}
    for name, a in weights.items():
        for times, value in _times(a) if name != "yield_t_ha" and a != 0 else ():
            tried[f"{times} the weight of {KINDS[name].word}"] = weights | {name: value}
    hybrids = list(base.gains.columns)
    gains = {name: index_gains(traits, own, control)[hybrids] for name, own in tried.items()}
    if next(iter(gains.values())).isna().any(axis=None):
        return []
    return [replace(base, name=name, gains=own) for name, own in gains.items()]


def stage_gains(two, gains: pd.DataFrame, control: str) -> pd.DataFrame:
    """Gains over the control by means of sites put together in a second stage, drawn as the gains
    given.

    Parameters
    ----------
    two : TwoStageFit
        From :func:`culmbook.sites.two_stage.fit_two_stage`.
    gains : DataFrame
        Draws × candidates.
    control : str
    """
    names = [control, *gains.columns]
    rng, covariance = np.random.default_rng(1), two.covariance.loc[names, names]
    draws = rng.multivariate_normal(two.values[names], covariance, len(gains), method="eigh")
    return pd.DataFrame(np.expm1(draws[:, 1:] - draws[:, :1]), columns=names[1:])


def decider(seasons, drawn, control: str, base: Way, decided: pd.DataFrame, **more) -> Callable:
    """How every way is decided: with what one more season would bring, near ties left as they are.

    What waiting is worth is simulated, so a hybrid between two decisions would otherwise turn by
    chance: a change that would save less than :data:`TIE` of the lesser cost of a wrong decision is
    not made.

    Parameters
    ----------
    seasons, drawn : SeasonsFit, SeasonDraws
    control : str
    base : Way
        As it was decided.
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide` for the base.
    **more
        Further ones of :func:`culmbook.selection.decide.decide`: ``untested``.

    Returns
    -------
    callable
        Of a way, for :func:`sensitivity`.
    """
    spread, now = remembered_spreads(seasons, drawn), decided.set_index("hybrid")["decision"]
    among = list(base.gains.columns)

    def decide_again(way):
        own = None if way.gains is base.gains else way.gains
        known = {"gains": own, "among": among, "spread": spread, **way.rule}
        told = hold_table(seasons, drawn, control, way.eligible, **known)
        table = decide(way.gains, way.eligible, **way.rule, more=told, **more)
        costs = [way.rule["costs"].wrong_promote, way.rule["costs"].wrong_drop]
        least = TIE * min(cost for cost in costs if cost > 0)
        for i, row in table.iterrows():
            losses = [row.get(f"loss_{d}", np.nan) for d in (now[row["hybrid"]], row["decision"])]
            stays = losses[0] - losses[1] < least
            if stays and not row["is_capped"]:
                table.loc[i, "decision"] = now[row["hybrid"]]
        return table

    return decide_again


def sensitivity(base: Way, ways, decide: Callable) -> pd.DataFrame:
    """Decide in every way and compare with the decisions as set.

    Parameters
    ----------
    base : Way
    ways : sequence of Way
    decide : callable
        Of a way: its decisions, as :func:`culmbook.selection.decide.decide` gives them; from
        :func:`decider`.

    Returns
    -------
    DataFrame
        ``scenario, hybrid, decision, chance_worthy, base_decision, base_chance, flips`` (is the
        decision another one?); one row per way and hybrid, ways in their order.

    Raises
    ------
    ValueError
        Two ways of one name, or as ``decide``.
    """
    names = [way.name for way in ways]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"several ways of deciding are called {fmt_list(twice)}")
    columns = ["scenario", "hybrid", "decision", "chance_worthy", "base_decision", "base_chance"]
    wanted = ["hybrid", "decision", "chance_worthy"]
    first = decide(base)[wanted].set_index("hybrid").add_prefix("base_")
    first = first.rename(columns={"base_chance_worthy": "base_chance"})
    parts = [decide(way)[wanted].assign(scenario=way.name).join(first, on="hybrid") for way in ways]
    table = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return table.assign(flips=table["decision"].ne(table["base_decision"]))


def sensitivity_words(table: pd.DataFrame) -> str:
    """Say how many ways change a decision, which promotions stand, and who else would be promoted.

    Parameters
    ----------
    table : DataFrame
        From :func:`sensitivity`.
    """
    n, changing = table["scenario"].nunique(), table[table["flips"]]
    if n == 0:
        return "No other way of deciding was tried."
    if changing.empty:
        ways = "the one other way" if n == 1 else f"any of {n} other ways"
        return f"No decision changes with {ways} of deciding."
    promoted = table.assign(is_promoted=table["decision"].eq(PROMOTE)).groupby("hybrid")
    promoted = promoted.agg(base=("base_decision", "first"), times=("is_promoted", "sum"))
    now, often = promoted["base"].eq(PROMOTE), promoted["times"]
    often = often.sort_values(ascending=False, kind="stable")
    firm = promoted.index[now & promoted["times"].eq(n)]
    stands = "no promotion stands with all of them" if now.any() else "no hybrid is promoted as set"
    if len(firm):
        stands = f"promoted with all of them: {fmt_list(list(firm))}"

    def named(hybrids):
        return fmt_list([f"{h} ({promoted.at[h, 'times']})" for h in hybrids])

    stay = named(promoted.index[now & promoted["times"].lt(n)])
    also = named([h for h in often.index if not now[h] and often[h] > 0])
    k = changing["scenario"].nunique()
    return joined(
        f"Of {n_of(n, 'other way', 'other ways')} of deciding, {k} {is_are(k, 'changes', 'change')} a "
        f"decision; {stands}.",
        f"Still promoted in so many of the {n}: {stay}." if stay else "",
        f"Not promoted now, but in some of the {n}: {also}." if also else "",
    )


def floor_turn_words(table: pd.DataFrame) -> list[str]:
    """What becomes of the decisions without each floor.

    Raises
    ------
    Refusal
        No floor is applied.
    """
    told, own = [], table[table["scenario"].str.startswith("no floor")]
    if own.empty:
        raise Refusal("No floor is applied, so none can be taken off.")
    for way, rows in own.groupby("scenario", sort=False):
        changes = []
        for decision, own in rows[rows["flips"]].groupby("decision", sort=False):
            named = [
                f"{row.hybrid} ({fmt_chance(row.chance_worthy)}, {DONE[row.base_decision]} now)"
                for row in own.itertuples()
            ]
            become = f"would be {DONE[decision]}".replace("be not decided", "not be decided")
            changes.append(f"{fmt_list(named)} {become}")
        without = way.replace("no floor", "Without the floor")
        told.append(f"{without}, {'; '.join(changes) or 'no decision changes'}.")
    return told
