"""Bias, coverage and calibration of the consistency methods on simulated networks whose truth is
known.

``python tests/known_truth_consistency.py [--sets N] [--jobs J]`` prints the table; tests run a
short version of it. Spreads are drawn anew around those of the demo generator for every data set;
seeds are fixed beforehand.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
from scipy import special

from culmbook.consistency.build_up import MARGIN, fit_build_up, full_yield_test, plateau_shares
from culmbook.consistency.chances import beats_control
from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import RESIDUAL, fit_seasons, season_records
from culmbook.consistency.reliability import estimates, reliability_table, repeatability
from known_truth import NARROW, each_set, passes, run, summary

SD = {
    "hybrid": 0.14,
    "hybrid_site": 0.10,
    "hybrid_season": 0.06,
    "hybrid_site_season": 0.08,
    "plot_key": 0.09,
    "block_key": 0.05,
    "replicate_season": 0.05,
    RESIDUAL: 0.20,
}
CONTROL = "H00"
CONTROLS = ("H00", "H01", "H02", "H03")
"""Several controls of one network say more of chances and gains than one, because all claims
against one share its error.
"""
DECILES = 10
CONTROL_RANGE = 0.7
"""The control's effect lies as far from the candidates' mean at most: both sides of every chance
occur.
"""
SMALL, LARGE = (3, 3), (6, 5)
NEW_PLACE = ("hybrid_site", "hybrid_season", "hybrid_site_season")

__all__ = [
    "boundary_set",
    "claims_of",
    "component_set",
    "consistency_set",
    "each_set",
    "is_calibrated",
    "passes",
    "run",
    "share_set",
    "slope_of",
    "summary",
]


def draw_spreads(rng):
    return {name: sd * np.exp(rng.normal(0, 0.2)) for name, sd in SD.items()}


def layout(
    rng,
    sites,
    seasons,
    first_crop_year=3,
    hybrids=24,
    replicates=3,
    missing=0.10,
    plantings=(2020,),
):
    """Rows as :func:`culmbook.trials.dry_yield.plot_harvests` gives them, without yields; one trial
    per site and planting.
    """
    grid = pd.MultiIndex.from_product(
        [range(sites), plantings, range(replicates), range(hybrids), range(seasons)],
        names=["site", "planted", "replicate", "hybrid", "year"],
    ).to_frame(index=False)
    season = 2020 + first_crop_year - 1 + grid["year"]
    frame = pd.DataFrame(
        {
            "site": "S" + grid["site"].astype(str),
            "trial": "T" + grid["planted"].astype(str),
            "replicate": grid["replicate"].astype(str),
            "hybrid": "H" + grid["hybrid"].astype(str).str.zfill(2),
            "growing_season": season,
            "crop_year": season - grid["planted"] + 1,
            "planting_method": "hand",
            "film": "none",
            "main_plot": None,
            "left_out": None,
        }
    )
    frame["plot"] = frame["trial"] + "-" + frame["replicate"] + "-" + frame["hybrid"]
    frame["block"] = frame["replicate"] + "." + (grid["hybrid"] * 4 // hybrids).astype(str)
    frame = frame[frame["crop_year"] >= first_crop_year]
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def effects(levels, sd, rng):
    code, names = pd.factorize(levels)
    return pd.Series(rng.normal(0, sd, len(names)), names), code


def simulate(frame, sd, rng, controls=(CONTROL,)):
    """Log yields of a layout, and true lasting effects of the hybrids; controls' are no draws from
    the candidates' population.
    """
    site, hybrid, season = frame["site"], frame["hybrid"], frame["growing_season"].astype(str)
    place = site + frame["trial"]
    keys = {
        "hybrid": hybrid,
        "hybrid_site": hybrid + site,
        "hybrid_season": hybrid + season,
        "hybrid_site_season": hybrid + site + season,
        "plot_key": site + frame["plot"],
        "block_key": place + frame["block"],
        "replicate_season": place + frame["replicate"] + season,
    }
    y = 2.2 + rng.normal(0, sd[RESIDUAL], len(frame))
    known = {}
    for name, key in keys.items():
        known[name], code = effects(key, sd[name], rng)
        if name == "hybrid":
            known[name][list(controls)] = rng.uniform(-CONTROL_RANGE, CONTROL_RANGE, len(controls))
        y = y + known[name].to_numpy()[code]
    for key, spread in ((site, 0.25), (season, 0.17), (site + season, 0.09)):
        values, code = effects(key, spread, rng)
        y = y + values.to_numpy()[code]
    return y, known["hybrid"]


def _fitted(rng, size, controls=(CONTROL,), are_apart=True):
    sd = draw_spreads(rng)
    frame = layout(rng, *size)
    y, true = simulate(frame, sd, rng, controls if are_apart else ())
    seasons = fit_seasons(season_records(frame.assign(dry_yield_t_ha=np.exp(y))), controls)
    return seasons, true, {name: s**2 for name, s in sd.items()}


def component_set(seed, size=SMALL):
    """Estimated over true components of one network, and which of them are estimated as zero."""
    seasons, _, known = _fitted(np.random.default_rng([33, *size, seed]), size)
    own = estimates(seasons)
    return {f"ratio, {t}": own[t] / known[t] for t in own.index} | {
        f"at zero, {t}": own[t] == 0 for t in own.index
    }


def consistency_set(seed, size=SMALL, are_apart=True, n=400, variances=40):
    """Repeatability, gains and chances of one network, beside the truth; ``are_apart=False`` draws
    the controls from the
    candidates' population, which the model does not assume."""
    seasons, true, known = _fitted(
        np.random.default_rng([31, *size, seed]), size, CONTROLS, are_apart
    )
    drawn = draw_seasons(seasons, n, seed, variances)
    row, truth = reliability_table(seasons, drawn).iloc[0], repeatability(known)
    table = pd.concat([_against(drawn, true, c, seasons) for c in CONTROLS], ignore_index=True)
    rates = {}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        low, high = (row["value"] + narrow * (row[c] - row["value"]) for c in ("lower", "upper"))
        rates[f"{name}repeatability"] = low <= truth <= high
        rates[f"{name}lasting gain"] = _inside(
            1 + table, ("gain", "lower", "upper"), table["true"], narrow
        ).mean()
    actual = special.ndtr(table["true"] / np.sqrt(2 * sum(known[t] for t in NEW_PLACE)))
    return (
        rates
        | _claims("", table["chance_next"], actual)
        | _claims("baseline ", table["baseline"], actual)
    )


def _against(drawn, true, control, seasons):
    """What is said of the candidates against a control, and the true difference on the log scale."""
    table = (
        beats_control(drawn, control)
        .set_index("hybrid")
        .drop(index=[c for c in CONTROLS if c != control])
    )
    return table.assign(
        true=true[table.index] - true[control], baseline=_shrunk_only(seasons, table.index, control)
    )


def _claims(prefix, stated, actual):
    """Sums over the claims of one network, by decile and over all, and the score of the chances
    stated.
    """
    decile = np.minimum((stated * DECILES).astype(int), DECILES - 1)
    parts = {"n": stated * 0 + 1, "stated": stated, "true less stated": actual - stated}
    sums = {
        f"{prefix}{what} {d}": values[decile == d].sum()
        for d in range(DECILES)
        for what, values in parts.items()
    }
    products = {
        "n": 1 + 0 * stated,
        "x": stated,
        "y": actual,
        "xx": stated**2,
        "xy": stated * actual,
    }
    return (
        sums
        | {f"{prefix}sum {k}": v.sum() for k, v in products.items()}
        | {f"{prefix}Brier": _brier(stated, actual)}
    )


def _shrunk_only(seasons, hybrids, control):
    """Chance from shrunk means and their error alone, new interactions and the variances'
    uncertainty left out.
    """
    fit = seasons.conditional
    group = pd.Series(
        [fit.coefficients.get(f"group {g}", 0.0) for g in seasons.groups], seasons.groups.index
    )
    value = group + fit.effects("hybrid").reindex(group.index)
    error = fit.prediction_covariance("hybrid").loc[hybrids, hybrids].to_numpy().diagonal()
    own = fit.covariance.loc[f"group control {control}", f"group control {control}"]
    return pd.Series(
        special.ndtr((value[hybrids] - value[control]) / np.sqrt(error + own)), hybrids
    )


def _brier(stated, actual):
    """Expected squared error of a stated chance, over outcomes of their true chance."""
    return ((stated - actual) ** 2 + actual * (1 - actual)).mean()


def claims_of(table, prefix=""):
    """Deciles of the claims of all networks: number, mean stated chance, true less stated,
    standard error by network.
    """
    rows = []
    for d in range(DECILES):
        n, stated, apart = (
            table[f"{prefix}{what} {d}"] for what in ("n", "stated", "true less stated")
        )
        mean = apart.sum() / n.sum()
        rows.append(
            (d, int(n.sum()), stated.sum() / n.sum(), mean, _clustered(apart - mean * n, n.sum()))
        )
    return pd.DataFrame(rows, columns=["decile", "claims", "stated", "estimate", "se"]).set_index(
        "decile"
    )


def _clustered(scores, over):
    return np.sqrt((scores**2).sum() * len(scores) / (len(scores) - 1)) / over


def slope_of(table, prefix=""):
    """Slope of the true on the stated chance over all claims, standard error by network: 1 is
    calibrated.
    """
    n, x, y, xx, xy = (table[f"{prefix}sum {k}"] for k in ("n", "x", "y", "xx", "xy"))
    mx, my = x.sum() / n.sum(), y.sum() / n.sum()
    squares = xx - 2 * mx * x + n * mx**2
    products = xy - mx * y - my * x + n * mx * my
    slope = products.sum() / squares.sum()
    return pd.Series({"slope": slope, "se": _clustered(products - slope * squares, squares.sum())})


def is_calibrated(slope):
    """The rule, of a slope and its standard error: within 0.01 and two standard errors of 1."""
    return abs(slope["slope"] - 1) <= 0.01 + 2 * slope["se"]


def _planted(rng, size, plantings, **design):
    """Layout from crop year 2 on, its log yields on the plateau, and a year-2 share of every
    hybrid on the log scale.
    """
    frame = layout(rng, size[0], size[1] + 1, first_crop_year=2, plantings=plantings, **design)
    y, true = simulate(frame, draw_spreads(rng), rng)
    share = pd.Series(
        rng.normal(rng.uniform(-0.3, 0.0), rng.uniform(0.03, 0.10), len(true)), true.index
    )
    return frame, y, share


def _built(frame, y, share):
    y = y + np.where(frame["crop_year"] == 2, share[frame["hybrid"]].to_numpy(), 0.0)
    return fit_build_up(frame.assign(dry_yield_t_ha=np.exp(y)), CONTROL)


def share_set(seed, size=SMALL, plantings=(2020,), n=400, variances=40, **design):
    """Year-2 shares covered, relative to the control and, where the seasons carry them, the shares
    themselves.
    """
    frame, y, share = _planted(
        np.random.default_rng([32, *size, len(plantings), seed]), size, plantings, **design
    )
    built = _built(frame, y, share)
    table = plateau_shares(built, n=n, seed=seed, variances=variances).set_index("hybrid")
    known, usual = share[table.index], table.index != CONTROL
    rates = {"absolute share told": built.absolute is not None}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        inside = _inside(
            table, ("relative", "relative_lower", "relative_upper"), known - share[CONTROL], narrow
        )
        rates[f"{name}relative share"] = inside[usual].mean()
        if built.absolute is not None:
            inside = _inside(table, ("share", "lower", "upper"), known, narrow)
            rates |= {
                f"{name}absolute share": inside[usual].mean(),
                f"{name}absolute share of the control": inside[~usual].mean(),
            }
    return rates


def boundary_set(seed, size=SMALL, plantings=(2020,), **design):
    """Error rate of the test of full yield where the candidates lie on its boundary."""
    frame, y, share = _planted(
        np.random.default_rng([34, *size, len(plantings), seed]), size, plantings, **design
    )
    share[share.index != CONTROL] = share[CONTROL] + np.log1p(-MARGIN)
    built, rates = _built(frame, y, share), {}
    for alpha in (0.025, 0.05):
        table = full_yield_test(built, alpha=alpha)
        nearer = np.log(table["relative"]) - NARROW * np.log(table["relative"] / table["lower"])
        rates |= {
            f"shown on the boundary, {alpha}": table["is_shown"].mean(),
            f"narrowed shown on the boundary, {alpha}": (nearer > np.log1p(-MARGIN)).mean(),
        }
    return rates


def _inside(table, columns, true, narrow):
    centre, low, high = (np.log(table[c]) for c in columns)
    return (centre - narrow * (centre - low) <= true) & (true <= centre + narrow * (high - centre))


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    for name, size in (("3 sites x 3 seasons", SMALL), ("6 sites x 5 seasons", LARGE)):
        print(
            f"\n{name}\n{run(partial(component_set, size=size), given.sets, given.jobs).round(4).to_string()}",
            flush=True,
        )
        table = each_set(partial(consistency_set, size=size), given.sets, given.jobs)
        print(summary(table.filter(regex="repeatability|gain|Brier")).round(4).to_string())
        for prefix in ("", "baseline "):
            print(
                prefix,
                claims_of(table, prefix).round(4).to_string(),
                slope_of(table, prefix).round(4).to_string(),
                sep="\n",
                flush=True,
            )
        lead = table["baseline Brier"] - table["Brier"]
        print(
            f"Brier score less than the baseline's by {lead.mean():.5f}, standard error {lead.std() / np.sqrt(len(lead)):.5f}"
        )
    for name, plantings in (("one planting", (2020,)), ("two plantings", (2020, 2021))):
        for one in (share_set, boundary_set):
            print(
                f"\n{name}\n{run(partial(one, plantings=plantings), given.sets, given.jobs).round(4).to_string()}",
                flush=True,
            )


if __name__ == "__main__":
    main()
