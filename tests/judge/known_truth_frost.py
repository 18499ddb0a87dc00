"""Coverage and bias of freeze-test results on simulated tests whose truth is known.

``python tests/known_truth_frost.py [--sets N] [--jobs J]`` prints the tables; tests run a short
version. Three runs, six temperatures and a control, 5 to 10 units; parameters are drawn anew for
every data set and seeds are fixed beforehand. Two truths: hybrids in a load that scatter beyond
chance, and runs that shift every LT50 (sd 0.3 °C) besides. The rule for passing is that of
``known_truth.py``.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.special import expit, logit
from scipy.stats import norm

from culmbook.frost.freeze_curves import against_control, fit_freeze, lethal_temperatures
from culmbook.frost.freeze_tests import survival_sets, why_no_curve
from culmbook.frost.leakage import (
    fit_leakage,
    injury_index,
    leakage_against_control,
    leakage_temperatures,
)
from culmbook.stats.curves import crossing, fieller_limits
from known_truth import NARROW, run

TEMPERATURES = np.array([np.nan, -1.0, -2.1, -3.2, -4.3, -5.4, -6.5])
RUN_SHIFT_C = 0.3
CONTROL = "H00"


def draw_tests(
    rng, hybrids=8, runs=3, run_shift=0.0, load_shift=0.0, slope_sd=0.0, middle=-3.5, spread=0.7
):
    """The freeze tests table of one protocol, with its true LT50, slopes and natural death."""
    lt50, units = rng.normal(middle, spread, hybrids), int(rng.integers(5, 11))
    slope = rng.uniform(1.3, 2.8) * np.exp(
        rng.normal(0, slope_sd, hybrids) if slope_sd else np.zeros(hybrids)
    )
    death, cell_sd = rng.uniform(0, 0.1), rng.uniform(0.2, 0.6)
    parts = []
    for r in range(runs):
        shift = rng.normal(0, run_shift)
        for temperature in TEMPERATURES:
            eta = slope * (temperature + shift + rng.normal(0, load_shift) - lt50) + rng.normal(
                0, cell_sd, hybrids
            )
            alive = rng.binomial(
                units, (1 - death) * (np.ones(hybrids) if np.isnan(temperature) else expit(eta))
            )
            parts.append(
                pd.DataFrame(
                    {
                        "run": f"r{r}",
                        "temperature_c": temperature,
                        "hybrid": NAMES[:hybrids],
                        "units_tested": units,
                        "units_alive": alive,
                    }
                )
            )
    table = pd.concat(parts, ignore_index=True).assign(protocol="p", tissue="rhizome")
    return table, {
        "lt50": pd.Series(lt50, NAMES[:hybrids]),
        "slope": pd.Series(slope, NAMES[:hybrids]),
        "death": death,
    }


NAMES = [f"H{h:02d}" for h in range(40)]


def kill_seen(table):
    """Least and most kill of each hybrid, corrected by the control's share; counted here anew."""
    control = table[table["temperature_c"].isna()]
    death = 1 - control["units_alive"].sum() / control["units_tested"].sum()
    sums = table.groupby(["hybrid", "temperature_c"])[["units_alive", "units_tested"]].sum()
    kill = (1 - sums["units_alive"] / sums["units_tested"] / (1 - death)).clip(lower=0)
    return kill.groupby("hybrid").agg(["min", "max"])


def naive_limits(table):
    """LT50 by a plain binomial logit, natural death plugged in: ``estimate, lower, upper`` by
    hybrid.
    """
    control, frozen = (
        table[mask] for mask in (table["temperature_c"].isna(), table["temperature_c"].notna())
    )
    living = control["units_alive"].sum() / control["units_tested"].sum()
    share = np.minimum(frozen["units_alive"] / frozen["units_tested"] / living, 1)
    hybrid = pd.get_dummies(frozen["hybrid"], dtype=float)
    fit = sm.GLM(
        share,
        hybrid.assign(t=frozen["temperature_c"]),
        family=sm.families.Binomial(),
        var_weights=frozen["units_tested"] * living,
    ).fit()
    rows, covariance = {}, fit.cov_params()
    for name in hybrid:
        line = (
            fit.params[name],
            fit.params["t"],
            covariance.loc[[name, "t"], [name, "t"]].to_numpy(),
        )
        rows[name] = crossing(*line[:2]), *fieller_limits(*line, norm.ppf(0.975))
    return pd.DataFrame(rows, index=["estimate", "lower", "upper"]).T


def survival_set(seed, scenario=0, **truth):
    """Rates of one data set of freeze tests."""
    rng = np.random.default_rng([41, scenario, seed])
    table, true = draw_tests(rng, **truth)
    (cells,) = survival_sets(table).values()
    if why_no_curve(cells):  # by bad luck of the draw
        return {"refused": 1.0}
    fit = fit_freeze(cells)
    found = lethal_temperatures(fit).set_index("hybrid")
    given = found.index[found["answer"].eq("")]
    kill = kill_seen(table).loc[found.index]
    not_bracketed = (kill["min"] >= 0.3) | (kill["max"] <= 0.7)
    flagged = found["answer"].ne("")
    rates = {
        "natural death covered": fit.natural_death_lower
        <= true["death"]
        <= fit.natural_death_upper,
        "not bracketed and flagged": flagged[not_bracketed].mean()
        if not_bracketed.any()
        else np.nan,
        "bracketed and flagged": flagged[~not_bracketed].mean(),
        "hybrids not bracketed": not_bracketed.mean(),
        "slopes found to differ": fit.slopes_test.get("p_value", 1.0) < 0.05,
        "converged": fit.verdict == "converged",
        "refused": 0.0,
    }
    if len(given) < 2:
        return rates
    control = CONTROL if CONTROL in given else given[0]
    lt50, true_lt50 = found.loc[given], true["lt50"][given]
    rates["bias of LT50 [°C]"] = (lt50["lt50_c"] - true_lt50).mean()
    rates["slope, share of the truth"] = (lt50["slope"] / true["slope"][given]).mean()
    single = (
        against_control(fit, control, together=False)
        .set_index("hybrid")
        .drop(index=flagged.index[flagged], errors="ignore")
    )
    together = against_control(fit, control).set_index("hybrid").loc[single.index]
    differences = true["lt50"][single.index] - true["lt50"][control]
    naive = naive_limits(table).loc[given]
    rates["naive binomial, LT50"] = _inside(naive, ("lower", "upper", "estimate"), true_lt50).mean()
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        for part, share in (("lt10", 0.1), ("lt50", 0.5), ("lt90", 0.9)):
            place = true_lt50 + logit(1 - share) / true["slope"][given]
            columns = (f"{part}_lower_c", f"{part}_upper_c", f"{part}_c")
            rates[f"{name}{part.upper()}"] = _inside(lt50, columns, place, narrow).mean()
        columns = ("lower_c", "upper_c", "difference_c")
        rates[name + "difference from control, single"] = _inside(
            single, columns, differences, narrow
        ).mean()
        rates[name + "differences, simultaneous"] = _inside(
            together, columns, differences, narrow
        ).all()
    return rates


def _inside(frame, columns, truth, narrow=1.0):
    low, high, centre = (frame[c] for c in columns)
    return (centre - narrow * (centre - low) <= truth) & (
        truth <= centre + narrow * (high - centre)
    )


def leakage_set(seed, hybrids=7, runs=3, units=4):
    """Rates of one data set of leakage: runs shift every LT50, loads shift it too, units scatter."""
    rng = np.random.default_rng([42, seed])
    lt50, slope, upper = (
        rng.normal(-3.8, 0.6, hybrids),
        rng.uniform(1.2, 2.2),
        rng.uniform(0.75, 0.98),
    )
    unit_sd, load_shift, parts = rng.uniform(0.05, 0.2), rng.uniform(0, 0.1), []
    for r in range(runs):
        shift = rng.normal(0, RUN_SHIFT_C)
        for temperature in TEMPERATURES:
            at = temperature + shift + rng.normal(0, load_shift)
            injury = (
                np.zeros(hybrids) if np.isnan(temperature) else upper * expit(-slope * (at - lt50))
            )
            for unit in range(units):
                share = expit(logit(0.15 + 0.85 * injury) + rng.normal(0, unit_sd, hybrids))
                parts.append(
                    pd.DataFrame(
                        {
                            "run": f"r{r}",
                            "temperature_c": temperature,
                            "hybrid": NAMES[:hybrids],
                            "unit": str(unit),
                            "leakage_after": 150 * share,
                            "leakage_total": 150.0,
                        }
                    )
                )
    table = pd.concat(parts, ignore_index=True).assign(protocol="p", tissue="leaf")
    true = pd.Series(lt50, NAMES[:hybrids])
    fit = fit_leakage(injury_index(table))
    found = leakage_temperatures(fit).set_index("hybrid")
    found = found[found["answer"].eq("")]
    rates = {
        "leakage: answers in words": 1 - len(found) / hybrids,
        "leakage: bias of LT50 [°C]": (found["lt50_c"] - true[found.index]).mean(),
    }
    control = CONTROL if CONTROL in found.index else found.index[0]
    single = leakage_against_control(fit, control).set_index("hybrid").dropna()
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        rates[name + "leakage: LT50"] = _inside(
            found, ("lt50_lower_c", "lt50_upper_c", "lt50_c"), true[found.index], narrow
        ).mean()
        rates[name + "leakage: difference"] = _inside(
            single,
            ("lower_c", "upper_c", "difference_c"),
            true[single.index] - true[control],
            narrow,
        ).mean()
    return rates


CELLS = partial(survival_set, scenario=1)
RUNS = partial(survival_set, scenario=2, run_shift=RUN_SHIFT_C)
SLOPES = partial(survival_set, scenario=7, run_shift=0.1, slope_sd=0.15, hybrids=12)
SCENARIOS = {
    "hybrids in a load scatter": CELLS,
    "and runs shift every LT50": RUNS,
    "and loads shift too (0.2 °C)": partial(
        survival_set, scenario=3, run_shift=RUN_SHIFT_C, load_shift=0.2
    ),
    "runs shift, slopes differ (20 %)": partial(
        survival_set, scenario=4, run_shift=RUN_SHIFT_C, slope_sd=0.2
    ),
    "three hybrids, runs shift": partial(
        survival_set, scenario=5, run_shift=RUN_SHIFT_C, hybrids=3
    ),
    "half the hybrids near the coldest test": partial(
        survival_set, scenario=6, run_shift=RUN_SHIFT_C, middle=-5.5, spread=1.2
    ),
    "12 hybrids, runs shift (0.1 °C), slopes differ (15 %)": SLOPES,
    "leakage, runs shift": leakage_set,
}


def main():
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    for k, (title, one) in enumerate(SCENARIOS.items()):
        sets = given.sets if k < 2 else given.sets // 2
        print(f"\n{title}\n{run(one, sets, given.jobs).round(4).to_string()}", flush=True)


if __name__ == "__main__":
    main()
