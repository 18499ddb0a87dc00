"""Index of injury, its sigmoid and LT50 by leakage."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.frost.leakage import (
    fit_leakage,
    injury_index,
    leakage_against_control,
    leakage_answers,
    leakage_temperatures,
)
from culmbook.stats.curves import fit_sigmoid
from culmbook.text.refusal import Refusal

PUBLISHED = Path(__file__).parents[1] / "published"
TEMPERATURES = (np.nan, -1.5, -3.0, -4.5, -6.0, -9.0)


def leakage_table(
    lt50,
    runs=("r1", "r2", "r3"),
    shifts=(0.0, 0.0, 0.0),
    upper=0.95,
    unfrozen=0.2,
    slope=2.0,
    noise=0.004,
):
    """Readings on the formula's own curve, total leakage 150; a fixed pattern in place of noise."""
    rows = []
    for r, (run, shift) in enumerate(zip(runs, shifts, strict=False)):
        for h, (hybrid, middle) in enumerate(lt50.items()):
            for k, t in enumerate(TEMPERATURES):
                injury = 0.0 if np.isnan(t) else upper / (1 + np.exp(slope * (t + shift - middle)))
                wobble = noise * (((3 * r + 5 * h + 7 * k) % 5) - 2)
                share = unfrozen + (1 - unfrozen) * injury + (0 if np.isnan(t) else wobble)
                rows.append(
                    {
                        "run": run,
                        "protocol": "p",
                        "tissue": "leaf",
                        "hybrid": hybrid,
                        "temperature_c": t,
                        "unit": "1",
                        "leakage_after": 150 * share,
                        "leakage_total": 150.0,
                    }
                )
    return pd.DataFrame(rows)


def test_injury_index_by_hand_of_flint_1967():
    """No published readings found; I = (R - R0)/(1 - R0) of Flint, Boyce & Beattie (1967) worked
    by hand.

    Control 24/120 and 36/120, R0 = 0.25; frozen 75/100: (0.75 - 0.25)/0.75 = 2/3; 100/100: 1;
    25/100: 0.
    """
    table = pd.DataFrame(
        {
            "run": "r1",
            "protocol": "p",
            "tissue": "leaf",
            "hybrid": "A",
            "temperature_c": [np.nan, np.nan, -3.0, -6.0, -1.0],
            "leakage_after": [24.0, 36.0, 75.0, 100.0, 25.0],
            "leakage_total": [120.0, 120.0, 100.0, 100.0, 100.0],
        }
    )
    assert injury_index(table)["injury"].to_list() == pytest.approx([2 / 3, 1, 0])


def test_injury_index_takes_the_control_of_its_own_run_where_there_is_one():
    table = leakage_table({"A": -4.0}, noise=0.0)
    table.loc[table["run"].eq("r2") & table["temperature_c"].isna(), "leakage_after"] = 60.0
    table = table[~(table["run"].eq("r3") & table["temperature_c"].isna())]
    unfrozen = injury_index(table).groupby("run")["unfrozen"].first()
    assert unfrozen.to_list() == pytest.approx([0.2, 0.4, 0.3])


def test_variance_of_a_control_is_pooled_within_runs():
    """By hand: shares .10, .14 | .20, .26, .32 have squares .0008 and .0072 on 1 and 2 df, so units
    vary by .008/3; a mean of two or of three has that over two or three.
    """
    rows = [("r1", None, 10), ("r1", None, 14), ("r1", -3.0, 50)]
    rows += [("r2", None, 20), ("r2", None, 26), ("r2", None, 32), ("r2", -3.0, 60)]
    table = pd.DataFrame(rows, columns=["run", "temperature_c", "leakage_after"])
    table = table.assign(protocol="p", tissue="leaf", hybrid="A", leakage_total=100.0)
    variance = injury_index(table).set_index("run")["unfrozen_variance"]
    assert variance.to_list() == pytest.approx([0.008 / 3 / 2, 0.008 / 3 / 3])


def test_injury_index_refuses_swapped_columns_and_missing_controls():
    table = leakage_table({"A": -4.0, "B": -3.0})
    swapped = table.rename(
        columns={"leakage_after": "leakage_total", "leakage_total": "leakage_after"}
    )
    with pytest.raises(ValueError, match="were the two columns exchanged"):
        injury_index(swapped)
    with pytest.raises(ValueError, match="No unfrozen control units of B"):
        injury_index(table[table["hybrid"].ne("B") | table["temperature_c"].notna()])


def test_fit_sigmoid_matches_ritz_2005_ryegrass():
    # Four-parameter log-logistic fit of root length on log concentration: Ritz & Streibig (2005) J.
    # Stat. Softw.
    # 12(5) and Ritz et al. (2015) PLoS ONE 10:e0146021; values from memory, recomputed with scipy
    # 1.17.
    rye = pd.read_csv(PUBLISHED / "ritz_2005_ryegrass.csv", comment="#")
    with np.errstate(divide="ignore"):
        fit = fit_sigmoid(np.log(rye["conc"]), rye["rootl"])
    assert (fit.slope, fit.lower, fit.upper, np.exp(fit.middle)) == pytest.approx(
        (2.982, 0.481, 7.793, 3.058), abs=5e-4
    )
    assert fit.verdict == "converged" and fit.df == 20
    assert np.sqrt(fit.squares / fit.df) == pytest.approx(0.520, abs=5e-4)
    assert fit.height(fit.middle) == pytest.approx((0.481 + 7.793) / 2, abs=1e-3)


def test_fit_sigmoid_finds_the_height_again_and_refuses_what_it_cannot_carry():
    x = np.linspace(-8, -1, 12)
    fit = fit_sigmoid(x, 0.9 / (1 + np.exp(1.5 * (x + 4))) + 0.01 * np.sin(9 * x))
    assert fit.height(fit.at(0.5)) == pytest.approx(0.5)
    assert np.isnan(fit.at(1.2))
    with pytest.raises(ValueError, match="needs more than 4 observations"):
        fit_sigmoid([1, 2, 3, 4], [0, 0.2, 0.8, 1])
    assert fit_sigmoid(x, x).verdict == "the temperatures do not determine a sigmoid"


def test_half_gradient_is_the_change_of_the_half_point():
    """With lower limit 0 the half point is the middle and moves with it alone."""
    x = np.linspace(-8, -1, 30)
    fit = fit_sigmoid(x, 0.9 / (1 + np.exp(2 * (x + 4))))
    assert fit.half_gradient()[1:4] == pytest.approx([0, 0, 1], abs=1e-3)


def test_lt50_is_where_injury_is_half_its_upper_limit():
    """Upper limit 0.8: LT50 at the middle; the unscaled half where 0.8/(1 + exp(2 d)) = 0.5, d =
    log(0.6)/2.
    """
    table = leakage_temperatures(
        fit_leakage(injury_index(leakage_table({"A": -4.0, "B": -3.0}, upper=0.8)))
    ).set_index("hybrid")
    assert table["lt50_c"].loc[["A", "B"]].to_list() == pytest.approx([-4, -3], abs=0.03)
    assert table["upper_limit"].to_list() == pytest.approx([0.8, 0.8], abs=0.01)
    assert (table["half_c"] - table["lt50_c"]).to_list() == pytest.approx(
        [np.log(0.6) / 2] * 2, abs=0.03
    )
    full = leakage_temperatures(fit_leakage(injury_index(leakage_table({"A": -4.0}, upper=0.97))))
    assert full["half_c"].isna().all()


def test_runs_that_shift_alike_widen_lt50_and_leave_differences():
    still, moved = (
        fit_leakage(injury_index(leakage_table({"A": -4.0, "STD": -3.5}, shifts=s)))
        for s in ((0, 0, 0), (-0.5, 0, 0.5))
    )
    wide, narrow = (leakage_temperatures(f).iloc[0] for f in (moved, still))
    # by hand: shifts with sd 0.5 in 3 runs, t(0.975, 2 df) * 0.5/sqrt(3) = 1.242
    assert wide["lt50_upper_c"] - wide["lt50_c"] == pytest.approx(1.242, rel=0.05)
    assert narrow["lt50_upper_c"] - narrow["lt50_c"] < 0.1
    for fit in (still, moved):
        row, own = (
            leakage_against_control(fit, "STD").iloc[0],
            leakage_temperatures(fit).set_index("hybrid")["lt50_c"],
        )
        assert row["difference_c"] == pytest.approx(own["A"] - own["STD"])
        assert row["difference_c"] == pytest.approx(-0.5, abs=0.03)
        assert row["upper_c"] - row["lower_c"] < 0.25


def test_limits_have_the_degrees_of_freedom_that_the_sigmoids_leave():
    """Widths at two levels tell the t distribution. By hand: 15 means of a hybrid less 4 of its
    sigmoid and 2 shifts of 3 runs leave 9, of two hybrids 18; runs that are copies do not shift.
    """
    one = leakage_table({"A": -4.0, "STD": -3.5}, runs=("r1",), shifts=(0.0,))
    fit = fit_leakage(injury_index(pd.concat([one.assign(run=f"r{k}") for k in (1, 2, 3)])))
    expected = stats.t.ppf(0.975, 18) / stats.t.ppf(0.75, 18)
    for table, lower, upper in (
        ([leakage_against_control(fit, "STD", level=x) for x in (0.95, 0.5)], "lower_c", "upper_c"),
        ([leakage_temperatures(fit, level=x) for x in (0.95, 0.5)], "lt50_lower_c", "lt50_upper_c"),
    ):
        wide, narrow = ((t[upper] - t[lower]).iloc[0] for t in table)
        assert wide / narrow == pytest.approx(expected, rel=1e-3)


def test_leakage_says_why_there_is_no_number():
    table = leakage_table({"A": -4.0, "HARD": -14.0, "STD": -3.5})
    fit = fit_leakage(injury_index(table))
    assert fit.answers["HARD"] != "" and "HARD" not in fit.curves
    rows = leakage_temperatures(fit).set_index("hybrid")
    assert np.isnan(rows.loc["HARD", "lt50_c"]) and rows.loc["A", "answer"] == ""
    with pytest.raises(Refusal, match="Nothing can be compared with the control by leakage"):
        leakage_against_control(fit, "HARD")
    with pytest.raises(Refusal, match="The control X has no leakage here"):
        leakage_against_control(fit, "X")
    assert leakage_temperatures(fit, "X")["difference_c"].isna().all()


def test_leakage_refuses_too_few_temperatures_wrong_signs_and_two_protocols():
    injury = injury_index(leakage_table({"A": -4.0}))
    with pytest.raises(Refusal, match="needs at least 4"):
        fit_leakage(injury[injury["temperature_c"] > -5])
    with pytest.raises(Refusal, match="minus sign"):
        fit_leakage(injury.assign(temperature_c=-injury["temperature_c"]))
    both = pd.concat([injury, injury.assign(protocol="q")])
    with pytest.raises(ValueError, match="never joined"):
        fit_leakage(both)


def test_one_run_gives_lt50_without_interval():
    row = leakage_temperatures(
        fit_leakage(injury_index(leakage_table({"A": -4.0}, runs=("r1",), shifts=(0,))))
    )
    assert row["lt50_c"].notna().all() and row["lt50_lower_c"].isna().all()


def test_every_protocol_and_tissue_is_fitted_or_says_why_not():
    bad = leakage_table({"A": -4.0}).assign(tissue="stem", leakage_total=10.0)
    found = leakage_answers(pd.concat([leakage_table({"A": -4.0, "STD": -3.5}), bad]))
    assert found["fit"].notna().to_dict() == {"leaf": True, "stem": False}
    assert "were the two columns exchanged" in found.loc["stem", "answer"]
    with pytest.raises(Refusal, match="No freeze test of these hybrids read electrolyte leakage"):
        leakage_answers(bad.assign(leakage_total=np.nan))
