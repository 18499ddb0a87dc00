"""What would more data change? The expected loss of the decisions after one more season, site or
replicate.

Data that are not yet there can be simulated from what is known: a truth from the posterior, records
from the model, and from both what would be known afterwards. Given the variances all of this is
normal, so what new records do to the joint uncertainty of the hybrids follows from the layout
alone, yields unseen.
"""

from dataclasses import dataclass
from functools import cache, partial

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws
from culmbook.consistency.model import RESIDUAL, SeasonsFit, dummies, season_records
from culmbook.mixed import Model
from culmbook.selection.decide import Costs
from culmbook.selection.gains import candidate_gains, covariance_at, in_top, worthy
from culmbook.text.refusal import Refusal

FUTURES, TRUTHS = 400, 600
NEW = "+"
# gains below, which an index may have, are far from every margin; they have no logarithm
_WORST = -0.99


@dataclass(frozen=True)
class Plan:
    """What is cut next: ``seasons`` more of the plots of last season, with ``sites`` and
    ``replicates`` more.

    New sites and replicates have as many plots of every hybrid as is usual, resp. one more at every
    site; they are taken as established, so they must have been planted in time.
    """

    label: str
    seasons: int = 1
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
        As in :func:`culmbook.selection.gains.candidate_gains`.
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
        As :func:`culmbook.selection.gains.candidate_gains`.

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
    new = [
        plots.assign(growing_season=last + y, crop_year=plots["crop_year"] + y, is_new=True)
        for y in range(1, plan.seasons + 1)
    ]
    both = pd.concat([records.assign(is_new=False), *new], ignore_index=True)
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
    frame = frame.assign(
        known=known, response=0.0, group=frame["hybrid"].astype("str").map(seasons.groups)
    )
    design = pd.concat([dummies(frame, "condition"), dummies(frame, "group").iloc[:, 1:]], axis=1)
    terms = list(seasons.terms)
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
        one = "one season was cut after establishment"
        cut = (
            one
            if years == 1
            else "no hybrid was cut twice at a site, or the model has no such term"
        )
        return f"{cut}, which does not tell what another season will do"
    if plan.sites and "hybrid_site" not in seasons.terms:
        cut = "one site was cut" if sites == 1 else "no hybrid was cut at two sites"
        return f"{cut}, so nothing tells how hybrids change from site to site"
    return ""
