"""Gains over the control, chances and the choice of the best few on networks that no model of ours
made: yields in t/ha grow out of stand, cold, age and ground, and their noise is not lognormal.

``python tests/judge/known_truth_choice.py [--networks N] [--jobs J]`` prints bias, calibration and
what is lost by choosing in several ways. What is true of a hybrid is its mean yield per planted
area over the sites, full-grown, plots that died counted. Seeds are fixed beforehand.
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

from culmbook.consistency.draws import draw_seasons, limits
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import candidate_gains, in_mean_yield

CONTROL, DELTA, K = "C", 0.10, 5
PLANTS, DENSITY_POWER = 40, 0.65  # thinner stands carry more stems a plant (common practice)
PLOT_SD, SEASON_SD, NOISE_SHAPE = 0.09, 0.06, 25
DRAWS, VARIANCES = 400, 20
FATES = ("logs", "mean yields")
WAYS = ("model", "raw means", "log means less their season's", "log means less their trial's")


def network(seed, hybrids=24, sites=5, seasons=2, replicates=3, there=0.7, kills=True, hardy=3.0):
    """Cuts as :func:`culmbook.trials.dry_yield.plot_harvests` gives them, and true yields.

    ``there`` is the share of the sites at which a candidate stands; with ``kills`` the first winter
    takes plants, of tender hybrids whole plots; ``hardy`` says how much more cold the control bears
    than the candidates' mean [°C].
    """
    rng = np.random.default_rng([140, seed])
    names = [CONTROL, *(f"H{i:02d}" for i in range(hybrids))]
    n = len(names)
    fine = np.arange(n) % 2 == 0
    potential = rng.normal(0.0, 0.16, n) + 0.12 * fine
    hardiness, rooting = rng.normal(0, 0.8, n), rng.normal(1.9, 0.5, n)
    youth = rng.normal(0.0, 0.08, n)  # of a stand in its third year
    of_season = rng.normal(0, SEASON_SD, (n, seasons))
    hardiness[0] = hardy
    rows, expected = [], np.zeros((n, sites))
    for s in range(sites):
        level, cold, planted = (
            rng.normal(2.3, 0.3),
            rng.normal(-2.0, 0.9),
            int(rng.integers(2021, 2023)),
        )
        local = rng.normal(0, 0.10, n)
        tough = special.expit(2 * (hardiness + 3.0 + cold)) if kills else 1.0
        share = special.expit(rooting + rng.normal(0, 0.5, (2000, n))) * _spread(
            tough, (2000, n), rng
        )
        grown = (rng.binomial(PLANTS, share) / PLANTS) ** DENSITY_POWER
        expected[:, s] = grown.mean(axis=0) * np.exp(level + local + potential)
        stands = np.flatnonzero((rng.random(n) < there) | (np.arange(n) == 0))
        by_season = rng.normal(0, 0.12, seasons) + rng.normal(0, 0.08, (n, seasons))
        for r in range(replicates):
            own = special.expit(rooting + rng.normal(0, 0.5, n)) * _spread(tough, n, rng)
            alive, plot = rng.binomial(PLANTS, own), rng.normal(0, PLOT_SD, n)
            for h in stands:
                for y in range(seasons):
                    season = 2026 - seasons + y
                    age = season - planted + 1
                    log = level + local[h] + potential[h] + plot[h] + of_season[h, y]
                    log += by_season[h, y] + youth[h] * (age == 3)
                    noise = rng.gamma(NOISE_SHAPE, 1 / NOISE_SHAPE)
                    dry = np.exp(log) * (alive[h] / PLANTS) ** DENSITY_POWER * noise
                    rows.append((f"S{s}", str(planted), str(r), names[h], season, age, dry))
    columns = ["site", "trial", "replicate", "hybrid", "growing_season", "crop_year"]
    cuts = pd.DataFrame(rows, columns=[*columns, "dry_yield_t_ha"])
    kinds = dict(zip(names, np.where(fine, "fine", "tall")))
    cuts = cuts.assign(
        plot=cuts["replicate"] + "-" + cuts["hybrid"],
        block=cuts["replicate"],
        main_plot=None,
        planting_method="hand",
        film="none",
        left_out=None,
        crop_type=cuts["hybrid"].map(kinds),
    )
    return cuts, pd.Series(expected.mean(axis=1), names)


def _spread(share, size, rng):
    """Shares of plots around a hybrid's own."""
    return special.expit(special.logit(np.clip(share, 1e-6, 1 - 1e-6)) + rng.normal(0, 0.5, size))


def choice_set(seed, **made):
    """By candidate what is said and what is true, and by way of choosing what the best few lose."""
    cuts, true = network(seed, **made)
    records = season_records(cuts)
    drawn = draw_seasons(fit_seasons(records, [CONTROL]), DRAWS, seed, VARIANCES)
    names = [h for h in drawn.hybrids if h != CONTROL]
    true, of_control = true[names], true[CONTROL]
    lost = cuts["dry_yield_t_ha"].le(0).groupby(cuts["hybrid"]).mean()[names]
    gain, parts = np.log(true / of_control), []
    for name, draws in zip(FATES, (drawn, in_mean_yield(drawn, cuts, CONTROL))):
        over = candidate_gains(draws, CONTROL)[names]
        middle, low, high = limits(np.log1p(over).to_numpy(), 0.95)
        said = {"estimate": middle, "lower": low, "upper": high, "chance": (over > DELTA).mean()}
        parts.append(pd.DataFrame(said, names).assign(by=name))
    claims = pd.concat(parts).assign(network=seed)
    claims["true"], claims["lost"] = gain[claims.index], lost[claims.index]
    logs = records.set_index("hybrid")["response"]
    centred = [
        records["response"] - records.groupby(c)["response"].transform("mean")
        for c in ("season", "condition")
    ]
    scores = [
        over.median(),
        cuts.groupby("hybrid")["dry_yield_t_ha"].mean(),
        *(pd.Series(c.to_numpy(), logs.index).groupby(level=0).mean() for c in centred),
    ]
    best = true.nlargest(K).mean()
    return claims, {w: best - true[s[names].nlargest(K).index].mean() for w, s in zip(WAYS, scores)}


def run_choice(networks, jobs=1, first=0, **made):
    """Claims and losses of so many networks."""
    one = partial(choice_set, **made)
    if jobs == 1:
        found = [one(seed) for seed in range(first, first + networks)]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            found = list(pool.map(one, range(first, first + networks)))
    return pd.concat([claims for claims, _ in found]), pd.DataFrame([loss for _, loss in found])


def lost_bias(claims):
    """By network, how much too high hybrids that lost plots are estimated beside those that lost
    none: the control's error, which all share, is no part of it. Log scale.
    """
    error = (claims["estimate"] - claims["true"]).groupby([claims["network"], claims["lost"].gt(0)])
    apart = error.mean().unstack()
    return (apart[True] - apart[False]).dropna()


def calibration(claims):
    """By fifth of the chance stated: claims, mean stated and share that came true."""
    fifth = (claims["chance"] * 5).clip(upper=4.9).astype(int)
    own = claims.assign(came=claims["true"].gt(np.log1p(DELTA)))
    return own.groupby(fifth.to_numpy()).agg(
        n=("came", "size"), stated=("chance", "mean"), came=("came", "mean")
    )


def show(claims, losses):
    for by, own in claims.groupby("by", sort=False):
        error = (own["estimate"] - own["true"]).groupby(own["network"]).mean()
        inside = own["true"].between(own["lower"], own["upper"])
        bias = lost_bias(own)
        print(
            f"{by}: {error.size} networks, bias {error.mean():.3f} (SE {error.sem():.3f}), coverage"
        )
        print(
            f"{inside.mean():.3f}, of hybrids that lost plots {bias.mean():.3f} ({bias.sem():.3f})"
        )
        print(calibration(own).round(2).to_string())
    apart = losses.sub(losses["model"], axis=0)
    table = {"loss": losses.mean(), "less by the model": apart.mean(), "se": apart.sem()}
    print(pd.DataFrame(table).round(3).to_string(), flush=True)


def main():
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--networks", type=int, default=30)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    cases = {
        "winters kill, a hardy control": {},
        "winters kill, a tender control": {"hardy": -0.8},
        "none is killed": {"kills": False},
    }
    for title, made in cases.items():
        print(title)
        show(*run_choice(args.networks, args.jobs, **made))


if __name__ == "__main__":
    main()
