"""Bias, coverage and calibration of the consistency methods on simulated networks whose truth is known.

``python tests/known_truth_consistency.py [--sets N] [--jobs J]`` prints the table; tests run a short version of it. Spreads are
drawn anew around those of the demo generator for every data set; seeds are fixed beforehand.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
from known_truth import NARROW, passes, run
from scipy import special

from culmbook.beating_the_control import beats_control
from culmbook.build_up import fit_build_up, full_yield_test, plateau_shares
from culmbook.consistency import RESIDUAL, fit_seasons, season_records
from culmbook.reliability import estimates, repeatability, trust_table
from culmbook.season_draws import draw_seasons

SD = {"hybrid": 0.14, "hybrid_site": 0.10, "hybrid_season": 0.06, "hybrid_site_season": 0.08, "plot_key": 0.09, "block_key": 0.05,
      "replicate_season": 0.05, RESIDUAL: 0.20}
CONTROL, BOUNDARY = "H00", "H01"
DECILES, CONTROL_RANGE = 10, 0.45
SMALL, LARGE = (3, 3), (6, 5)

__all__ = ["claims_of", "consistency_set", "passes", "run", "share_set"]


def draw_spreads(rng):
    return {name: sd * np.exp(rng.normal(0, 0.2)) for name, sd in SD.items()}


def layout(rng, sites, seasons, first_crop_year=3, hybrids=24, replicates=3, missing=0.10, plantings=(2020,)):
    """Rows as :func:`culmbook.harvest.plot_harvests` gives them, without yields; one trial per site and planting."""
    grid = pd.MultiIndex.from_product([range(sites), plantings, range(replicates), range(hybrids), range(seasons)],
                                      names=["site", "planted", "replicate", "hybrid", "year"]).to_frame(index=False)
    season = 2020 + first_crop_year - 1 + grid["year"]
    frame = pd.DataFrame({
        "site": "S" + grid["site"].astype(str), "trial": "T" + grid["planted"].astype(str), "replicate": grid["replicate"].astype(str),
        "hybrid": "H" + grid["hybrid"].astype(str).str.zfill(2), "growing_season": season, "crop_year": season - grid["planted"] + 1,
        "planting_method": "hand", "film": "none", "main_plot": None, "left_out": None})
    frame["plot"] = frame["trial"] + "-" + frame["replicate"] + "-" + frame["hybrid"]
    frame["block"] = frame["replicate"] + "." + (grid["hybrid"] * 4 // hybrids).astype(str)
    frame = frame[frame["crop_year"] >= first_crop_year]
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def effects(levels, sd, rng):
    code, names = pd.factorize(levels)
    return pd.Series(rng.normal(0, sd, len(names)), names), code


def simulate(frame, sd, rng, control=True):
    """Log yields of a layout, and true lasting effects of the hybrids; the control's is no draw from the candidates' population."""
    site, hybrid, season = frame["site"], frame["hybrid"], frame["growing_season"].astype(str)
    place = site + frame["trial"]
    keys = {"hybrid": hybrid, "hybrid_site": hybrid + site, "hybrid_season": hybrid + season, "hybrid_site_season": hybrid + site + season,
            "plot_key": site + frame["plot"], "block_key": place + frame["block"], "replicate_season": place + frame["replicate"] + season}
    y = 2.2 + rng.normal(0, sd[RESIDUAL], len(frame))
    known = {}
    for name, key in keys.items():
        known[name], code = effects(key, sd[name], rng)
        if name == "hybrid" and control:
            known[name][CONTROL] = rng.uniform(-CONTROL_RANGE, CONTROL_RANGE)
        y = y + known[name].to_numpy()[code]
    for key, spread in ((site, 0.25), (season, 0.17), (site + season, 0.09)):
        values, code = effects(key, spread, rng)
        y = y + values.to_numpy()[code]
    return y, known["hybrid"]


def consistency_set(seed, size=SMALL, control=True):
    """Components, repeatability and chances of one network, beside the truth; ``control=False`` draws the control from the
    candidates' population, which the model does not assume."""
    rng = np.random.default_rng([31, *size, seed])
    sd = draw_spreads(rng)
    frame = layout(rng, *size)
    y, true = simulate(frame, sd, rng, control)
    seasons = fit_seasons(season_records(frame.assign(dry_yield_t_ha=np.exp(y))), [CONTROL])
    drawn = draw_seasons(seasons, 400, seed, variances=80)
    variances = {name: s**2 for name, s in sd.items()}
    own = estimates(seasons)
    rates = {f"ratio, {name}": own[name] / variances[name] for name in own.index}
    row = trust_table(seasons, drawn, []).iloc[0]
    truth = repeatability(variances)
    for narrow, name in ((1.0, "repeatability"), (NARROW, "narrowed repeatability")):
        low, high = (row["value"] + narrow * (row[c] - row["value"]) for c in ("lower", "upper"))
        rates[name] = low <= truth <= high
    return rates | _claims(seasons, drawn, true, variances)


def _claims(seasons, drawn, true, variances):
    """Calibration by decile and Brier scores of the chance to beat the control in a new season at a new site."""
    table = beats_control(drawn, CONTROL).set_index("hybrid")
    stated = table["chance_next"]
    spread = np.sqrt(2 * sum(variances[t] for t in ("hybrid_site", "hybrid_season", "hybrid_site_season")))
    actual = pd.Series(special.ndtr((true[stated.index] - true[CONTROL]) / spread), stated.index)
    baseline = _shrunk_only(seasons, stated.index)
    decile = np.minimum((stated * DECILES).astype(int), DECILES - 1)
    counts = {f"n {d}": (decile == d).sum() for d in range(DECILES)}
    parts = {"stated": stated, "true less stated": actual - stated}
    sums = {f"{what} {d}": values[decile == d].sum() for d in range(DECILES) for what, values in parts.items()}
    return counts | sums | {"Brier": _brier(stated, actual), "Brier, shrinkage only": _brier(baseline, actual)}


def _shrunk_only(seasons, hybrids):
    """Chance from shrunk means and their error alone, new interactions and the variances' uncertainty left out."""
    fit = seasons.conditional
    group = pd.Series([fit.coefficients.get(f"group {g}", 0.0) for g in seasons.groups], seasons.groups.index)
    value = group + fit.effects("hybrid").reindex(group.index)
    error = fit.prediction_covariance("hybrid")
    apart = error.loc[hybrids, hybrids].to_numpy().diagonal() + fit.covariance.iloc[-1, -1]
    return pd.Series(special.ndtr((value[hybrids] - value[CONTROL]) / np.sqrt(apart)), hybrids)


def _brier(stated, actual):
    """Expected squared error of a stated chance, over outcomes of their true chance."""
    return ((stated - actual) ** 2 + actual * (1 - actual)).mean()


def claims_of(table):
    """Deciles of the claims of all networks: number, mean stated and true chance, their difference and its standard error."""
    rows, sets = [], table["sets"].iloc[0]
    for d in range(DECILES):
        n, stated, apart = (table.loc[f"{what} {d}", "estimate"] for what in ("n", "stated", "true less stated"))
        se = table.loc[f"true less stated {d}", "se"] / n if n else np.nan
        rows.append((d, round(n * sets), stated / n if n else np.nan, apart / n if n else np.nan, se))
    return pd.DataFrame(rows, columns=["decile", "claims", "stated", "true less stated", "se"]).set_index("decile")


def share_set(seed, size=SMALL, plantings=(2020,)):
    """Year-2 shares covered, and the test's error rate for a hybrid that lies on the boundary."""
    rng = np.random.default_rng([32, *size, len(plantings), seed])
    sd = draw_spreads(rng)
    frame = layout(rng, size[0], size[1] + 1, first_crop_year=2, plantings=plantings)
    y, true = simulate(frame, sd, rng)
    share = pd.Series(rng.normal(rng.uniform(-0.3, 0.0), rng.uniform(0.03, 0.10), len(true)), true.index)
    share[BOUNDARY] = share[CONTROL] + np.log(0.9)
    y = y + np.where(frame["crop_year"] == 2, share[frame["hybrid"]].to_numpy(), 0.0)
    built = fit_build_up(frame.assign(dry_yield_t_ha=np.exp(y)), CONTROL)
    table = plateau_shares(built, n=400, seed=seed, variances=60).set_index("hybrid")
    known = share[table.index]
    usual = ~table.index.isin([CONTROL, BOUNDARY])
    rates = {}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        rates[f"{name}relative share"] = _inside(table, ("relative", "relative_lower", "relative_upper"), known - share[CONTROL], narrow)[usual].mean()
        if built.absolute is not None:
            rates[f"{name}absolute share"] = _inside(table, ("share", "lower", "upper"), known, narrow)[usual].mean()
    for alpha in (0.025, 0.05):
        shown = full_yield_test(built, alpha=alpha).set_index("hybrid")["is_shown"]
        rates[f"shown on the boundary, {alpha}"] = shown[BOUNDARY]
    return rates


def _inside(table, columns, true, narrow):
    centre, low, high = (np.log(table[c]) for c in columns)
    return (centre - narrow * (centre - low) <= true) & (true <= centre + narrow * (high - centre))


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    for name, size in (("3 sites x 3 seasons", SMALL), ("6 sites x 5 seasons", LARGE)):
        table = run(partial(consistency_set, size=size), args.sets, args.jobs)
        print(name, table[~table.index.str.match(r".* \d$")].to_string(), claims_of(table).to_string(), sep="\n", flush=True)
    for name, plantings in (("one planting", (2020,)), ("three plantings", (2020, 2021, 2022))):
        table = run(partial(share_set, plantings=plantings), args.sets, args.jobs)
        print(name, table.to_string(), sep="\n", flush=True)


if __name__ == "__main__":
    main()
