"""What would more data change? The expected loss of the decisions after one more season, site or replicate.

Data that are not yet there can be simulated from what is known: a truth from the posterior, records from the
model, and from both what would be known afterwards. Given the variances all of this is normal, so what new
records do to the joint uncertainty of the hybrids follows from the layout alone, yields unseen.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.consistency import RESIDUAL, SeasonsFit, season_records
from culmbook.decision import Costs
from culmbook.formats import fmt_list, fmt_number, fmt_share
from culmbook.mixed.gaussian_model import Model
from culmbook.season_draws import SeasonDraws
from culmbook.selection import candidate_gains, covariance_at, in_top, worthy

NEW = "+"
FUTURES, TRUTHS = 400, 600
LIKELY_FLIP = 0.2
_WORST = -0.99  # gains below, which an index may have, are far from every margin; they have no logarithm


@dataclass(frozen=True)
class Plan:
    """What is cut next: ``seasons`` more of the plots of last season, with ``sites`` and ``replicates`` more.

    New sites and replicates have as many plots of every hybrid as is usual, resp. one more at every site;
    they are taken as established, so they must have been planted in time.
    """

    label: str
    seasons: int = 1
    sites: int = 0
    replicates: int = 0


ONE_SEASON = Plan("one more season")
PLANS = (
    ONE_SEASON,
    Plan("one more season, with one more replicate at every site", replicates=1),
    Plan("one more season, with one more site", sites=1),
    Plan("two more seasons", seasons=2),
)


def after_data(before: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Covariance of normal values once they have been observed with normal errors.

    Parameters
    ----------
    before : ndarray, shape (n, n)
        Covariance before.
    error : ndarray, shape (n, n)
        Covariance of the errors.

    Returns
    -------
    ndarray
        ``S - S (S + R)^-1 S``.

    References
    ----------
    Raiffa & Schlaifer (1961) Applied Statistical Decision Theory, ch. 12.

    Examples
    --------
    >>> after_data(np.array([[2.0]]), np.array([[2.0]])).tolist()
    [[1.0]]
    """
    return before - before @ np.linalg.solve(before + error, before)


def future_means(mean: np.ndarray, before, after, n: int = FUTURES, seed: int = 1) -> np.ndarray:
    """Means that more data may lead to: n draws of a normal distribution with covariance before - after.

    Notes
    -----
    Drawn in pairs mirrored at the present mean, so that their average is that mean exactly for even n.

    References
    ----------
    Raiffa & Schlaifer (1961) Applied Statistical Decision Theory, ch. 5 and 12.
    """
    return mean + _mirrored(n, len(mean), np.random.default_rng([seed, 1])) @ _root(before - after).T


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
    floors_settled: float = 0.0,
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
        Draws x hybrids: floors passed. They are taken as independent of yield.
    k, delta, costs
        As in :func:`culmbook.decision.decide`.
    futures, truths : int
        Data sets simulated, and true values drawn after each.
    floors_settled : float
        Probability, 0 to 1, that by then it is known which hybrids pass the floors; otherwise what is
        known of floors stays as it is.
    seed : int

    Returns
    -------
    DataFrame
        By hybrid ``chance``, ``loss_before``, ``loss_after``, ``chance_flips`` (probability that the other
        of promoting and dropping will have the lower expected loss).

    Notes
    -----
    ``loss_after = E min(wrong_promote (1 - W), wrong_drop W)``, W the probability of being worth it after
    the data. W averages to the present probability, so the loss cannot rise.

    References
    ----------
    Raiffa & Schlaifer (1961) Applied Statistical Decision Theory, ch. 4; DeGroot (1970) Optimal Statistical
    Decisions, ch. 8.
    """
    if not 0 <= floors_settled <= 1:
        raise ValueError(f"floors_settled = {floors_settled}: a probability lies between 0 and 1")
    rng = np.random.default_rng([seed, 2])
    names = mean.index
    before, after = (c.loc[names, names].to_numpy() for c in (before, after))
    spread = _mirrored(truths, len(names), rng) @ _root(after).T
    passes = None if eligible is None else eligible[list(names)].to_numpy(bool)
    own = None if passes is None else passes[rng.integers(len(passes), size=truths)]
    chances = np.empty((futures, len(names)))
    for j, now in enumerate(future_means(mean.to_numpy(), before, after, futures, seed)):
        floors = own
        if own is not None and rng.random() < floors_settled:
            floors = np.broadcast_to(passes[rng.integers(len(passes))], own.shape)
        values = now + spread
        chances[j] = (in_top(values, k, floors) * (values > np.log1p(delta))).mean(axis=0)
    return _losses(chances, names, costs)


def _losses(chances, names, costs):
    chance = chances.mean(axis=0)
    is_promoted = chance > costs.threshold
    return pd.DataFrame(
        {
            "chance": chance,
            "loss_before": costs.least(chance),
            "loss_after": costs.least(chances).mean(axis=0),
            "chance_flips": ((chances > costs.threshold) != is_promoted).mean(axis=0),
        },
        index=names,
    )


def plan_records(records: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Records that a plan would add, yields left at 1.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.season_records`.
    plan : Plan

    Returns
    -------
    DataFrame
        Records of both, old ones first, with a column ``is_new``. Cut again are the plots of each hybrid and
        trial that were cut in the last season, those that were missing in it included.
    """
    last = records["growing_season"].max()
    standing = _standing(records, last)
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
    """A new site of the usual number of replicates, every hybrid that stands anywhere in each of them."""
    usual = int(round(records.groupby(["place", "hybrid"])["plot_key"].nunique().median()))
    columns = ["planting_method", "film"]
    treatment = standing[columns].mode().iloc[0]
    one = standing.drop_duplicates("hybrid").assign(
        site=f"{NEW}{number}", trial=NEW, crop_year=standing["crop_year"].min(), **treatment
    )
    return pd.concat([_named(one, r) for r in range(usual)])


def spreads(seasons: SeasonsFit, drawn: SeasonDraws, plan: Plan | None = None) -> pd.DataFrame:
    """Covariance of what lasts of each hybrid, now or once the plan has been carried out.

    Parameters
    ----------
    seasons : SeasonsFit
    drawn : SeasonDraws
        Of the same fit: the variances are their medians.
    plan : Plan, optional
        Without it, now.

    Returns
    -------
    DataFrame
        Hybrids x hybrids, squared unit of the response; only differences mean something.
    """
    variances = drawn.sets.median()
    frame = seasons.records.assign(is_new=False) if plan is None else plan_records(seasons.records, plan)
    conditions = pd.get_dummies(frame["condition"], dtype=float).add_prefix("condition ")
    kinds = pd.get_dummies(frame["hybrid"].astype("str").map(seasons.groups), dtype=float)
    kinds = kinds.sort_index(axis=1).iloc[:, 1:].add_prefix("group ")
    known = _error_variances(seasons, frame, variances)
    model = Model(frame.assign(known=known, response=0.0), "response", pd.concat([conditions, kinds], axis=1),
                  list(seasons.terms), "reml", None, "known", residual=True)
    theta = variances[list(seasons.terms)].to_numpy(float) / model.scale**2
    factor = model.problem.structure.factor(theta, model.problem.known)
    return covariance_at(model, theta, factor, seasons.groups)


def _error_variances(seasons, frame, variances):
    """Residual variance of each record; new ones have that of the records at hand on average."""
    fit = seasons.conditional
    own = fit.data["known"].to_numpy(float) if RESIDUAL not in fit.variances else variances[RESIDUAL]
    values = np.full(len(frame), variances[RESIDUAL], float)
    values[~frame["is_new"].to_numpy(bool)] = own
    return values


def refusal(seasons: SeasonsFit, plan: Plan) -> str:
    """Why the records at hand do not tell what a plan would bring; blank where they do."""
    sites, years = (seasons.records[column].nunique() for column in ("site", "season"))
    if not {"hybrid_season", "hybrid_site_season"} & set(seasons.terms):
        cut = "one season was cut after establishment" if years == 1 else "no hybrid was cut twice at a site"
        return f"{cut}: it does not tell what another season will do"
    if plan.sites and "hybrid_site" not in seasons.terms:
        cut = "one site was cut" if sites == 1 else "no hybrid was cut at two sites"
        return f"{cut}: nothing tells how hybrids change from site to site"
    return ""


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
    **options,
) -> pd.DataFrame:
    """What carrying out a plan is worth for the decision on each candidate.

    Parameters
    ----------
    seasons, drawn : SeasonsFit, SeasonDraws
    control : str
    eligible, k, delta, costs
        As in :func:`culmbook.decision.decide`.
    among
        As in :func:`culmbook.selection.candidate_gains`.
    plan : Plan
    gains : DataFrame, optional
        Draws of gains by another model or an index, of the same candidates. What the data tell of them is
        taken from the model of ``seasons``, its covariance scaled to the variance of these draws.
    **options
        ``futures, truths, floors_settled, seed`` of :func:`preposterior`.

    Returns
    -------
    DataFrame
        By hybrid ``chance_worthy, loss_now, loss_after, saving, chance_flips``. ``loss_now`` is that of the
        better of promoting and dropping, ``saving`` what the data are expected to take off it, their cost
        not counted.

    Raises
    ------
    ValueError
        The control has no record; one season only; a plan with a new site where nothing tells how hybrids
        change from site to site.

    Notes
    -----
    The saving is computed for a normal distribution with the draws' mean and, on average over hybrids, their
    variance, and taken off the loss from the draws themselves.
    """
    why = refusal(seasons, plan)
    if why:
        raise ValueError(why)
    own = candidate_gains(drawn, control, among)
    gains = own if gains is None else gains[list(own.columns)]
    logs = np.log1p(gains.clip(lower=_WORST))
    mean = logs.mean()
    before, after = (_against(spreads(seasons, drawn, p), control, gains.columns) for p in (None, plan))
    wider = logs.var().sum() / np.trace(before)
    told = preposterior(
        mean, before * wider, after * wider, eligible, k=k, delta=delta, costs=costs, **options
    )
    chance = worthy(gains, eligible, k, delta).mean()
    now = costs.least(chance)
    left = (now - (told["loss_before"] - told["loss_after"])).clip(lower=0.0)
    return pd.DataFrame(
        {"chance_worthy": chance, "loss_now": now, "loss_after": left, "saving": now - left,
         "chance_flips": told["chance_flips"]}
    )


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
    plans=PLANS,
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
        ``plan, plots, expected_loss, saving, flips, note``: plots cut, sum over candidates of the lesser
        expected loss, what is saved of it, expected number of candidates for which the better of promoting
        and dropping changes; where nothing can be said ``note`` says why. First row: now.
    """
    rows = []
    for plan in plans:
        why = refusal(seasons, plan)
        if why:
            rows.append((plan.label, None, np.nan, np.nan, np.nan, why))
            continue
        table = hold_table(seasons, drawn, control, eligible, plan=plan, **options)
        plots = int(plan_records(seasons.records, plan)["is_new"].sum())
        sums = table[["loss_after", "saving", "chance_flips"]].sum()
        rows.append((plan.label, plots, *sums, ""))
    gains = candidate_gains(drawn, control, options.get("among"))
    now = options["costs"].least(worthy(gains, eligible, options["k"], options["delta"]).mean()).sum()
    columns = ["plan", "plots", "expected_loss", "saving", "flips", "note"]
    out = pd.DataFrame([("now", 0, now, 0.0, 0.0, ""), *rows], columns=columns)
    return out.astype({"plots": "Int64"})


def plan_words(table: pd.DataFrame) -> str:
    """Say what each plan is expected to save.

    Parameters
    ----------
    table : DataFrame
        From :func:`plan_table`.
    """
    now, told = table["expected_loss"].iloc[0], table.iloc[1:]
    parts = [
        f"{row.plan} to {fmt_number(row.expected_loss, 2)}" for row in told.itertuples() if not row.note
    ]
    notes = [f" Nothing is said of {row.plan}: {row.note}." for row in told.itertuples() if row.note]
    saves = f"would bring it down: {fmt_list(parts, 9)}."
    now = f"The expected loss over all candidates is {fmt_number(now, 2)} now"
    return f"{now}; more data {saves}{''.join(notes)}" if parts else f"{now}.{''.join(notes)}"


def flip_words(table: pd.DataFrame, plan: Plan = ONE_SEASON, *, least: float = LIKELY_FLIP) -> str:
    """Name the candidates whose decision a plan is likely to turn.

    Parameters
    ----------
    table : DataFrame
        From :func:`hold_table`.
    plan : Plan
        The same.
    least : float
        Probability from which on a hybrid is named.
    """
    likely = table[table["chance_flips"] >= least].sort_values("chance_flips", ascending=False, kind="stable")
    if likely.empty:
        return (
            f"With {plan.label} the better of promoting and dropping changes for no candidate with a "
            f"probability of {fmt_share(least)} or more."
        )
    named = [f"{h} ({fmt_share(p)})" for h, p in likely["chance_flips"].items()]
    return (
        f"With {plan.label} the better of promoting and dropping may change for {fmt_list(named, 8)}; in "
        "brackets is the probability."
    )
