"""What would more data change? The expected loss of the decisions after one more season, site or replicate.

Data that are not yet there can be simulated from what is known: a truth from the posterior, records from the
model, and from both what would be known afterwards. Given the variances all of this is normal, so what new
records do to the joint uncertainty of the hybrids follows from the layout alone, yields unseen.
"""

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws
from culmbook.consistency.model import SeasonsFit
from culmbook.selection.decide import Costs
from culmbook.selection.gains import candidate_gains, in_top, worthy
from culmbook.selection.next_season import (
    ONE_SEASON,
    PLANS,
    Plan,
    plan_records,
    refusal,
    remembered_spreads,
)
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share

FUTURES, TRUTHS = 400, 600
LIKELY_FLIP = 0.2
_WORST = (
    -0.99
)  # gains below, which an index may have, are far from every margin; they have no logarithm


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
    return (
        mean + _mirrored(n, len(mean), np.random.default_rng([seed, 1])) @ _root(before - after).T
    )


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
        As in :func:`culmbook.selection.decide.decide`.
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
        Draws of gains by another model or an index, of the same candidates. What the data tell of them is
        taken from the model of ``seasons``, its covariance scaled to the variance of these draws.
    all_cut : bool
        Are hybrids that will be dropped cut too? If not, only controls and hybrids that are likely promoted
        or worth holding are, which tells less of each of them.
    spread : callable, optional
        From :func:`culmbook.selection.next_season.remembered_spreads` of the same fit, where several tables are made.
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
    variance, and taken off the loss from the draws themselves. Which hybrids are cut is found by leaving out
    those that are neither promoted nor worth holding until none is left out; these keep the saving of the
    last round in which they were cut.
    """
    why = refusal(seasons, plan)
    if why:
        raise ValueError(why)
    own = candidate_gains(drawn, control, among)
    gains = own if gains is None else gains[list(own.columns)]
    logs = np.log1p(gains.clip(lower=_WORST))
    mean = logs.mean()
    spread = remembered_spreads(seasons, drawn) if spread is None else spread
    before = _against(spread(), control, gains.columns)
    wider = logs.var().sum() / np.trace(before)
    chance = worthy(gains, eligible, k, delta).mean()
    table, cut = None, list(gains.columns)
    while cut:
        after = spread(plan, {*cut, *seasons.controls})
        after = _against(after, control, gains.columns)
        told = preposterior(
            mean, before * wider, after * wider, eligible, k=k, delta=delta, costs=costs, **options
        )
        told = _waiting(chance, told, costs)
        table = (
            told
            if table is None
            else pd.concat([told.loc[cut], table.drop(cut)]).loc[gains.columns]
        )
        kept = [h for h in cut if _is_kept(table.loc[h], costs)]
        if all_cut or kept == cut:
            break
        cut = kept
    return table


def _waiting(chance, told, costs):
    now = costs.least(chance)
    left = (now - (told["loss_before"] - told["loss_after"])).clip(lower=0.0)
    columns = {"chance_worthy": chance, "loss_now": now, "loss_after": left, "saving": now - left}
    return pd.DataFrame(columns | {"chance_flips": told["chance_flips"]})


def _is_kept(row, costs):
    """Is a hybrid promoted, or held because that is expected to save more than it costs?"""
    return row["chance_worthy"] > costs.threshold or row["saving"] > costs.hold


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
        ``plan, plots, expected_loss, saving, flips, note``: plots cut, all hybrids that stand; sum over
        candidates of the lesser expected loss; what is saved of it; expected number of candidates for which
        the better of promoting and dropping changes; where nothing can be said ``note`` says why. First row:
        now.
    """
    rows = []
    for plan in plans:
        why = refusal(seasons, plan)
        if why:
            rows.append((plan.label, None, np.nan, np.nan, np.nan, why))
            continue
        table = hold_table(seasons, drawn, control, eligible, plan=plan, all_cut=True, **options)
        plots = int(plan_records(seasons.records, plan)["is_new"].sum())
        sums = table[["loss_after", "saving", "chance_flips"]].sum()
        rows.append((plan.label, plots, *sums, ""))
    gains = candidate_gains(drawn, control, options.get("among"))
    now = (
        options["costs"].least(worthy(gains, eligible, options["k"], options["delta"]).mean()).sum()
    )
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
        f"{row.plan} to {fmt_number(row.expected_loss, 2)}"
        for row in told.itertuples()
        if not row.note
    ]
    notes = [
        f" Nothing is said of {row.plan}: {row.note}." for row in told.itertuples() if row.note
    ]
    saves = f"would bring it down: {fmt_list(parts, 9)}."
    now = f"Promoting or dropping every candidate now has an expected loss of {fmt_number(now, 2)} in all"
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
    likely = table[table["chance_flips"] >= least].sort_values(
        "chance_flips", ascending=False, kind="stable"
    )
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
