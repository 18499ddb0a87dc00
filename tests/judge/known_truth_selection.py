"""Calibration of the probabilities behind a selection, and realised losses of its decisions, on
networks whose truth is known.

``python tests/known_truth_selection.py [--sets N] [--uneven N] [--jobs J]`` prints the tables;
tests run a short version. Spreads, size, control and floors are drawn anew for every network; seeds
are fixed beforehand. In the even networks all hybrids stand at all sites, and both wrong decisions
cost the same; in the uneven ones a hybrid stands at about half of the sites, and a good one dropped
costs three times as much as a poor one promoted.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pandas as pd
from scipy import special

from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import (
    Costs,
    candidate_gains,
    decide,
    heritability,
    in_top,
    lasting_values,
)
from culmbook.selection.sensitivity import hold_table
from culmbook.text.refusal import Refusal
from known_truth_consistency import CONTROL, draw_spreads, layout, simulate

K, DELTA, COSTS, UNEVEN_COSTS = 5, 0.10, Costs(1.0, 1.0, 0.05), Costs(1.0, 3.0, 0.05)
SITE_SHARE = 0.55  # of hybrid x site in uneven networks
STAND = {"mean": 1.5, "sd": 0.6, "error": 0.25, "floor": special.logit(0.70)}
HARDINESS = {
    "mean": 3.5,
    "sd": 0.8,
    "error": 0.3,
    "floor": 3.0,
}  # degrees of frost, that is LT50 with its sign turned
LARGE = ((24, 41), (4, 7), (2, 4))
SMALL = ((12, 17), (3, 4), (2, 3))
DRAWS, VARIANCES = 600, 30
STEP = 50
SHARPER = {"": 1.0, "narrowed ": 0.85, "halved ": 0.5}


def floor_trait(names, trait, rng, n=DRAWS):
    """True passes of a floor, raw estimates and shrunk ones less the floor, and posterior draws of
    passing.
    """
    true = rng.normal(trait["mean"], trait["sd"], len(names))
    raw = true + rng.normal(0, trait["error"], len(names))
    weight = trait["sd"] ** 2 / (trait["sd"] ** 2 + trait["error"] ** 2)
    shrunk = trait["mean"] + weight * (raw - trait["mean"])
    drawn = shrunk + rng.normal(0, np.sqrt(weight) * trait["error"], (n, len(names)))
    below = trait["floor"]
    return (
        true > below,
        pd.Series(raw - below, names),
        pd.Series(shrunk - below, names),
        drawn > below,
    )


def stands(frame, rng):
    """Is a hybrid at a site at all? The control is everywhere, every other at one site at least."""
    sites, hybrids = sorted(frame["site"].unique()), sorted(frame["hybrid"].unique())
    there = rng.random((len(hybrids), len(sites))) < SITE_SHARE
    there[np.arange(len(hybrids)), rng.integers(len(sites), size=len(hybrids))] = True
    there = pd.DataFrame(there, hybrids, sites)
    there.loc[CONTROL] = True
    return there.stack().reindex(pd.MultiIndex.from_frame(frame[["hybrid", "site"]])).to_numpy()


def network(seed, size=LARGE, uneven=False):
    """A network with one season to come, what is true of it, and its floors."""
    rng = np.random.default_rng([71, seed, size[0][0], *([1] if uneven else [])])
    hybrids, sites, seasons = (int(rng.integers(*limits)) for limits in size)
    sd = draw_spreads(rng)
    frame = layout(rng, sites, seasons + 1, hybrids=hybrids + 1)
    frame = frame[stands(frame, rng)].reset_index(drop=True) if uneven else frame
    y, lasting = simulate(frame, sd, rng)
    frame = frame.assign(dry_yield_t_ha=np.exp(y))
    names = sorted(set(lasting.index) - {CONTROL})
    gain = np.expm1(lasting[names] - lasting[CONTROL])
    floors = [floor_trait(names, trait, rng) for trait in (STAND, HARDINESS)]
    passes = np.logical_and.reduce([f[0] for f in floors])
    top = pd.Series(in_top(gain, K, passes), names)
    truth = pd.DataFrame(
        {"gain": gain, "is_top": top, "is_over": gain > DELTA, "is_worthy": top * (gain > DELTA)}
    )
    return frame, sd, lasting, truth, floors


def selection_set(seed, size=LARGE, uneven=False):
    """Claims about every candidate of a network beside the truth, and the network's losses; None
    where a fit is refused.
    """
    frame, sd, lasting, truth, floors = network(seed, size, uneven)
    last = frame["growing_season"].max()
    now = season_records(frame[frame["growing_season"] < last])
    try:
        seasons = fit_seasons(now, [CONTROL])
        drawn = draw_seasons(seasons, DRAWS, seed, variances=VARIANCES)
    except ValueError as error:
        return str(error)
    gains = candidate_gains(drawn, CONTROL)
    eligible = pd.DataFrame(floors[0][3] & floors[1][3], columns=list(truth.index))[gains.columns]
    claims = _claims(gains, eligible, truth).assign(network=seed)
    rule = {"k": K, "delta": DELTA, "costs": UNEVEN_COSTS if uneven else COSTS}
    more = hold_table(seasons, drawn, CONTROL, eligible, **rule, seed=seed)
    table = decide(gains, eligible, **rule, more=more).set_index("hybrid")
    try:
        promoted, waited = _in_the_end(frame, last, table, eligible, rule, seed)
    except ValueError as error:
        return str(error)
    at_once = decide(gains, eligible, **rule).set_index("hybrid")["decision"].eq("promote")
    losses = _losses(now, seasons, table, promoted, at_once, truth, floors, rule["costs"])
    return claims, losses | waited | _heritability(seasons, lasting, sd)


def _claims(gains, eligible, truth):
    rows = {}
    for name, by in SHARPER.items():
        log = np.log1p(gains)
        own = np.expm1(log.mean() + by * (log - log.mean()))
        table = decide(own, eligible, k=K, delta=DELTA, costs=COSTS).set_index("hybrid")
        rows |= {
            name + "top": table["p_top"],
            name + "beats": table["p_beats"],
            name + "worthy": table["chance_worthy"],
        }
    return pd.DataFrame(rows).join(truth[["is_top", "is_over", "is_worthy"]].astype(float))


def _in_the_end(frame, last, table, eligible, rule, seed):
    """Promoted in the end, and what was stated of waiting beside what came of it.

    What is held is cut one more season, with what was promoted, and then decided for good; there
    are k places again.
    """
    promoted, held = (table["decision"].eq(d) for d in ("promote", "hold"))
    if not held.any():
        return promoted, {}
    kept, costs = {CONTROL, *table.index[promoted | held]}, rule["costs"]
    records = frame[(frame["growing_season"] < last) | frame["hybrid"].isin(kept)]
    again = draw_seasons(
        fit_seasons(season_records(records), [CONTROL]), DRAWS, seed, variances=VARIANCES
    )
    later = decide(candidate_gains(again, CONTROL), eligible, **rule).set_index("hybrid")
    chance = later["chance_worthy"].reindex(table.index)[held]
    flips = (chance > costs.threshold) != (table["chance_worthy"][held] > costs.threshold)
    before, stated = costs.least(table["chance_worthy"][held]), table["loss_after"][held]
    waited = {
        "loss before waiting": before.mean(),
        "loss stated after": stated.mean(),
        "loss after": costs.least(chance).mean(),
        "flips stated": table["chance_flips"][held].mean(),
        "flips": flips.mean(),
    }
    best = chance[chance > costs.threshold].sort_values(ascending=False, kind="stable").index
    return promoted | promoted.index.isin(best[:K]), waited


def _losses(now, seasons, table, promoted, at_once, truth, floors, costs):
    value = lasting_values(seasons)
    blup = np.expm1(value - value[CONTROL]).drop(CONTROL)
    raw = now.groupby(now["hybrid"].astype("str"))["dry_yield_t_ha"].mean()
    raw = raw.drop(CONTROL) / raw[CONTROL] - 1
    unshrunk, shrunk = (pd.concat([f[i] for f in floors], axis=1).gt(0).all(axis=1) for i in (1, 2))
    n = int(promoted.sum())
    chosen = {
        "decided": promoted,
        "decided at once": at_once,
        "BLUP, best k": _best(blup[shrunk[blup.index]], K),
        "BLUP, as many": _best(blup[shrunk[blup.index]], n),
        "BLUP over the margin, best k": _best(blup[shrunk[blup.index] & (blup > DELTA)], K),
        "raw means, best k": _best(raw[unshrunk[raw.index]], K),
        "raw means, as many": _best(raw[unshrunk[raw.index]], n),
    }
    held = int(table["decision"].eq("hold").sum())
    out = {f"loss, {name}": _loss(names, truth, costs) for name, names in chosen.items()}
    out["loss, decided"] += costs.hold * held
    first = {
        "expected loss": table["loss"].sum(),
        "held": held,
        "promoted": n,
        "promoted at once": int(at_once.sum()),
    }
    return out | first | {"worthy": truth["is_worthy"].sum(), "candidates": len(truth)}


def _best(values, n):
    return values.sort_values(ascending=False, kind="stable").index[:n]


def _loss(chosen, truth, costs):
    """Loss of promoting some and dropping the rest; ``chosen`` names, or true and false by hybrid."""
    is_chosen = (
        chosen[truth.index]
        if isinstance(chosen, pd.Series)
        else pd.Series(truth.index.isin(chosen), truth.index)
    )
    wrong = np.where(
        is_chosen,
        costs.wrong_promote * (1 - truth["is_worthy"]),
        costs.wrong_drop * truth["is_worthy"],
    )
    return float(wrong.sum())


def _heritability(seasons, lasting, sd):
    """Estimate, 0 where not estimable, and one less the realised mean squared error of differences
    over twice the true variance.
    """
    try:
        stated = heritability(seasons)
    except Refusal:
        stated = np.nan
    value = lasting_values(seasons).drop(CONTROL)
    error = value - lasting[value.index]
    realised = 1 - error.var(ddof=1) / sd["hybrid"] ** 2
    stated = 0.0 if np.isnan(stated) else stated
    return {
        "heritability": stated,
        "realised heritability": realised,
        "heritability, bias": stated - realised,
    }


def run_selection(sets, size=LARGE, jobs=1, first=0, uneven=False):
    """Claims, losses by network, and reasons of refused fits."""
    one = partial(selection_set, size=size, uneven=uneven)
    if jobs == 1:
        results = [one(seed) for seed in range(first, first + sets)]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            results = list(pool.map(one, range(first, first + sets)))
    good = [r for r in results if not isinstance(r, str)]
    return (
        pd.concat([c for c, _ in good]),
        pd.DataFrame([x for _, x in good]),
        [r for r in results if isinstance(r, str)],
    )


def calibration(claims):
    """Slope of what came by what was stated, and squared error over that expected of calibrated
    claims; errors clustered by network.
    """
    rows = {}
    for name in SHARPER:
        for what, came in (("top", "is_top"), ("beats", "is_over"), ("worthy", "is_worthy")):
            stated, true, group = (
                claims[name + what].to_numpy(),
                claims[came].to_numpy(),
                claims["network"].to_numpy(),
            )
            x = stated - stated.mean()
            slope = x @ true / (x @ x)
            rest = (true - true.mean() - slope * x) * x
            n = len(np.unique(group))
            se = np.sqrt((pd.Series(rest).groupby(group).sum() ** 2).sum() * n / (n - 1)) / (x @ x)
            apart = pd.Series((true - stated) ** 2 - stated * (1 - stated)).groupby(group).sum()
            own = (stated * (1 - stated)).sum()
            bias = pd.Series(true - stated).groupby(group).mean()
            ratio = 1 + apart.sum() / own, apart.std(ddof=1) * np.sqrt(n) / own
            rows[name + what] = (slope, se, *ratio, bias.mean(), bias.sem())
    return pd.DataFrame.from_dict(
        rows,
        orient="index",
        columns=["slope", "slope se", "error ratio", "ratio se", "bias", "bias se"],
    )


def loss_table(networks):
    """Mean loss of every way of choosing, what the decisions lose less than it, and the 95 %
    interval of that.
    """
    losses = networks.filter(like="loss, ").rename(columns=lambda c: c.removeprefix("loss, "))
    less = losses.sub(losses["decided"], axis=0)
    less_at_once = losses.sub(losses["decided at once"], axis=0)
    out = pd.DataFrame({"loss": losses.mean(), "se": losses.std(ddof=1) / np.sqrt(len(losses))})
    for name, apart in (("less", less), ("less at once", less_at_once)):
        reach = 1.96 * apart.std(ddof=1) / np.sqrt(len(apart))
        out[name], out[f"{name} from"], out[f"{name} to"] = (
            apart.mean(),
            apart.mean() - reach,
            apart.mean() + reach,
        )
    return out


def deciles(claims, what, came):
    """Claims by decile: how many, mean stated and what came."""
    tenth = np.minimum((claims[what] * 10).astype(int), 9)
    return claims.groupby(tenth).agg(n=(what, "size"), stated=(what, "mean"), came=(came, "mean"))


def show(claims, networks, refused):
    print(
        f"{len(networks)} networks, {len(claims)} candidates, {len(refused)} refused {sorted(set(refused))}"
    )
    print(calibration(claims).round(3).to_string())
    for what, came in (("top", "is_top"), ("beats", "is_over"), ("worthy", "is_worthy")):
        print(what, deciles(claims, what, came).round(3).to_string(), sep="\n")
    print(loss_table(networks).round(3).to_string())
    others = networks.drop(columns=list(networks.filter(like="loss, ")))
    print(
        pd.DataFrame({"networks": others.count(), "mean": others.mean(), "se": others.sem()})
        .round(3)
        .to_string(),
        flush=True,
    )


def main():
    """Print the tables, again after every fifty networks."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=300)
    parser.add_argument("--uneven", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    for uneven, sets in ((False, args.sets), (True, args.uneven)):
        parts = []
        for first in range(0, sets, STEP):
            parts.append(run_selection(min(STEP, sets - first), LARGE, args.jobs, first, uneven))
            claims, networks = (pd.concat([p[i] for p in parts], ignore_index=True) for i in (0, 1))
            print("uneven" if uneven else "even", end=": ")
            show(claims, networks, [r for p in parts for r in p[2]])


if __name__ == "__main__":
    main()
