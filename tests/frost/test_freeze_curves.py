"""Freeze curves: plain logits against published fits, natural death, runs, separation, answers in
words.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats

from culmbook.frost import words
from culmbook.frost.freeze_curves import (
    Survival,
    _Problem,
    against_control,
    curve_draws,
    each_set,
    firth_leverage,
    fit_freeze,
    freeze_answers,
    lethal_temperatures,
    main_set,
    survival_curves,
    unevenness,
)
from culmbook.frost.freeze_tests import survival_sets
from culmbook.text.refusal import Refusal
from freeze_frames import LT50, freeze_table

# Venables & Ripley (2002) section 7.2: moths of 20 that died at log2 doses 0 … 5, read here as
# degrees of
# frost
BUDWORM = {"M": [1, 4, 9, 13, 18, 20], "F": [0, 2, 6, 10, 12, 16]}


def only_set(table):
    (cells,) = survival_sets(table).values()
    return cells


@pytest.fixture
def budworm():
    table = pd.DataFrame(
        [
            {"hybrid": sex, "temperature_c": -float(dose), "units_alive": 20 - dead}
            for sex, row in BUDWORM.items()
            for dose, dead in enumerate(row)
        ]
    )
    return only_set(table.assign(run="r1", protocol="p", tissue="shoot", units_tested=20))


def test_lethal_temperatures_match_venables_2002_budworm(budworm):
    # Values from memory, recomputed with R 4.2.2, MASS 7.3-58.2, dose.p: females 2.2313, 3.2636,
    # 4.2959 for
    # 25, 50, 75 % dead, males 1.1969, 2.2293, 3.2616. The table is less uneven than chance
    # (deviance 6.76 on
    # 9 df), so no variance is left.
    fit = fit_freeze(budworm, slopes="common", penalised=False)
    assert fit.variances.to_numpy() == pytest.approx(0, abs=1e-6)
    table = lethal_temperatures(fit, killed=(0.25, 0.5, 0.75)).set_index("hybrid")[
        ["lt25_c", "lt50_c", "lt75_c"]
    ]
    assert table.loc["F"].to_list() == pytest.approx([-2.2313, -3.2636, -4.2959], abs=1e-4)
    assert table.loc["M"].to_list() == pytest.approx([-1.1969, -2.2293, -3.2616], abs=1e-4)


def test_slopes_test_matches_venables_2002_budworm(budworm):
    # Deviances 6.7571 (common slope) and 4.9937 (own slopes): chi-squared 1.763 on 1 df, p 0.184;
    # as above.
    test = fit_freeze(budworm, slopes="tested", penalised=False).slopes_test
    assert test["chi2"] == pytest.approx(1.763, abs=5e-4)
    assert test["p_value"] == pytest.approx(0.184, abs=5e-4)


def test_differences_are_fieller_limits_of_parallel_lines_matching_venables_2002(budworm):
    # The covariance of R 4.2.2, vcov(glm(SF ~ sex + ldose - 1, binomial)): difference of the sexes
    # 1.10074
    # (SE 0.35583), slope 1.06421 (0.13108), covariance 0.012993; limits by solving Fieller's
    # definition, t
    # quantile on 9 df.
    fit = fit_freeze(budworm, slopes="common", penalised=False)
    row = against_control(fit, "M").iloc[0]
    height, slope, error = (
        1.10074,
        1.06421,
        np.array([[0.35583**2, 0.012993], [0.012993, 0.13108**2]]),
    )

    def excess(x):
        at = np.array([1.0, -x])
        return abs(at @ [height, slope]) / np.sqrt(at @ error @ at) - stats.t.ppf(0.975, fit.df)

    assert row["difference_c"] == pytest.approx(-height / slope, abs=1e-4)
    assert -row["upper_c"] == pytest.approx(optimize.brentq(excess, 0, 1.0), abs=1e-4)
    assert -row["lower_c"] == pytest.approx(optimize.brentq(excess, 1.1, 5), abs=1e-4)


def test_survival_derivatives_are_those_of_its_likelihood():
    eta, one = np.linspace(-6, 9, 31), np.ones(31)
    for alive in (0.0, 3.0, 8.0):
        counts = Survival(alive * one, 8 * one, 0.07)

        def each(e):
            return np.array(
                [
                    Survival(alive * one[:1], 8 * one[:1], 0.07).log_likelihood(np.array([v]))
                    for v in e
                ]
            )

        numeric = (each(eta + 1e-5) - each(eta - 1e-5)) / 2e-5
        assert counts.derivatives(eta)[0] == pytest.approx(numeric, abs=1e-6)
    share = 0.93 * special.expit(eta)
    binomial = stats.binom.pmf(np.arange(9)[:, None], 8, share)
    scores = np.array([Survival(k * one, 8 * one, 0.07).derivatives(eta)[0] for k in range(9)])
    assert (binomial * scores).sum(0) == pytest.approx(0, abs=1e-9)  # a score has mean zero
    assert counts.derivatives(eta)[1] == pytest.approx(
        (binomial * scores**2).sum(0), rel=1e-9
    )  # and the information as variance
    slope = (counts.derivatives(eta + 1e-5)[1] - counts.derivatives(eta - 1e-5)[1]) / 2e-5
    assert counts.derivatives(eta)[2] == pytest.approx(slope, abs=1e-6)


def test_fit_freeze_takes_natural_death_from_large_controls():
    """With 4000 control units natural death is known; scipy maximises the plain likelihood at its
    value.
    """
    table = freeze_table(units=40, death=0.2)
    table.loc[table["temperature_c"].isna(), ["units_tested", "units_alive"]] = [4000, 3200]
    cells = only_set(table)
    fit = fit_freeze(cells, slopes="common", penalised=False)
    frozen = cells[cells["temperature_c"].notna()]
    codes = frozen["hybrid"].map({h: i for i, h in enumerate(fit.hybrids)}).to_numpy()

    def cost(theta):
        share = 0.8 * special.expit(theta[3] * (frozen["temperature_c"].to_numpy() - theta[codes]))
        return -stats.binom.logpmf(frozen["alive"], frozen["tested"], share).sum()

    best = optimize.minimize(
        cost,
        [-4, -3, -3.5, 2],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000},
    )
    table = lethal_temperatures(fit).set_index("hybrid").loc[fit.hybrids]
    assert fit.natural_death == pytest.approx(0.2, abs=0.002)
    assert table["lt50_c"].to_list() == pytest.approx(best.x[:3], abs=0.01)
    assert table["slope"].to_list() == pytest.approx([best.x[3]] * 3, rel=0.01)


def test_interval_of_natural_death_contains_a_plain_binomial_one_without_frost_to_speak_of():
    # 9 of 180 control units died: Clopper-Pearson .0231 to .0928 (scipy 1.17); mild frosts tell a
    # little more
    fit = fit_freeze(only_set(freeze_table()))
    assert 0.018 < fit.natural_death_lower < fit.natural_death < fit.natural_death_upper < 0.0928
    assert fit.natural_death_upper - fit.natural_death_lower < 0.0928 - 0.0231


def test_firth_leverage_match_the_published_penalty_of_one_proportion():
    """For a single share Firth's estimate is (y + 1/2)/(n + 1): Firth (1993), section 3.3."""
    alive, tested = np.array([5.0, 3.0, 0.0]), np.array([5.0, 4.0, 1.0])
    extra = firth_leverage(np.ones((3, 1)), alive, tested, 0.0)
    assert (alive + extra / 2).sum() / (tested + extra).sum() == pytest.approx(8.5 / 11, abs=1e-6)
    penalised = Survival(alive, tested, 0.0, extra)
    assert penalised.derivatives(np.full(3, special.logit(8.5 / 11)))[0].sum() == pytest.approx(
        0, abs=1e-5
    )


def test_complete_separation_stays_finite():
    """One hybrid, one run, all alive to -3 and all dead from -4: LT50 lies between, with a finite
    slope.
    """
    table = freeze_table({"A": -3.5}, runs=("r1",), slope=60.0, death=0.0, units=8)
    row = lethal_temperatures(fit_freeze(only_set(table))).iloc[0]
    assert -4 < row["lt50_c"] < -3
    assert 1 < row["slope"] < 20


def test_runs_that_shift_all_hybrids_widen_lt50_and_leave_differences():
    still = fit_freeze(only_set(freeze_table(units=200)))
    moved = fit_freeze(only_set(freeze_table(units=200, shifts=[-0.5, 0.0, 0.5])))
    wide, narrow = (lethal_temperatures(f).set_index("hybrid").loc["A"] for f in (moved, still))
    # by hand: the runs' means scatter with sd 0.5 °C, so t(0.975, 2 df) * 0.5/sqrt(3) = 1.242 °C to
    # either
    # side
    assert wide["lt50_upper_c"] - wide["lt50_c"] == pytest.approx(1.242, rel=0.05)
    assert narrow["lt50_upper_c"] - narrow["lt50_c"] < 0.2
    for one, other in zip(
        against_control(moved, "STD").itertuples(),
        against_control(still, "STD").itertuples(),
        strict=True,
    ):
        assert one.upper_c - one.lower_c == pytest.approx(other.upper_c - other.lower_c, rel=0.15)
        assert one.difference_c == pytest.approx(LT50[one.hybrid] - LT50["STD"], abs=0.05)


def test_one_run_gives_differences_but_no_interval_of_lt50():
    fit = fit_freeze(only_set(freeze_table(runs=("r1",))))
    table = lethal_temperatures(fit)
    assert table["lt50_c"].notna().all() and table[["lt50_lower_c", "lt90_upper_c"]].isna().all(
        axis=None
    )
    assert against_control(fit, "STD")[["lower_c", "upper_c"]].notna().all(axis=None)


def test_hybrids_that_are_not_bracketed_get_words_in_their_place():
    fit = fit_freeze(only_set(freeze_table({**LT50, "HARD": -8.0, "SOFT": 0.5})))
    table = lethal_temperatures(fit)
    assert list(table["hybrid"]) == ["HARD", "A", "STD", "B", "SOFT"]
    answers = table.set_index("hybrid")["answer"]
    assert (answers["HARD"], answers["SOFT"], answers["A"]) == ("below −6 °C", "above −1 °C", "")
    assert table.set_index("hybrid").loc[["HARD", "SOFT"], "lt50_c"].isna().all()
    compared = against_control(fit, "STD").set_index("hybrid")
    assert compared.loc[["HARD", "SOFT"], "difference_c"].isna().all()
    with pytest.raises(Refusal, match="The control HARD has no LT50 .below −6 °C."):
        against_control(fit, "HARD")
    assert lethal_temperatures(fit, "HARD")["difference_c"].isna().all()
    assert set(curve_draws(fit, 10, 1)["hybrid"]) == set(LT50)


def test_fit_freeze_refuses_in_words():
    table = freeze_table()
    with pytest.raises(ValueError, match="minus sign"):
        fit_freeze(only_set(table.assign(temperature_c=-table["temperature_c"])))
    with pytest.raises(ValueError, match="slopes is 'free'"):
        fit_freeze(only_set(table), slopes="free")
    with pytest.raises(ValueError, match="The control X was not in these runs"):
        against_control(fit_freeze(only_set(table)), "X")


def test_without_control_natural_death_is_none():
    fit = fit_freeze(only_set(freeze_table()).dropna(subset="temperature_c").reset_index(drop=True))
    assert fit.natural_death == 0 and np.isnan(fit.natural_death_upper)


def test_own_slopes_are_used_where_they_differ_clearly():
    steep, flat = (
        only_set(freeze_table({h: LT50[h]}, slope=s, units=60)) for h, s in (("A", 4.0), ("B", 1.0))
    )
    both = pd.concat([steep, flat], ignore_index=True)
    fit = fit_freeze(both)
    assert fit.slopes == "own" and fit.slopes_test["p_value"] < 0.001
    assert lethal_temperatures(fit).set_index("hybrid")["slope"].to_list() == pytest.approx(
        [4.0, 1.0], rel=0.2
    )
    assert against_control(fit, "B").iloc[0]["difference_c"] == pytest.approx(-1.0, abs=0.1)
    assert fit_freeze(both, slopes="common").slopes == "common"


def test_slope_scatter_of_two_steep_and_two_flat_hybrids():
    """Slopes 1.5 and 3 with thousands of units: log slopes lie ln 2 / 2 from their mean, 4 of them,
    so the posterior of their sd is that of a known sample: its mean by scipy's quad.
    """
    lt50 = {"A": -4.0, "B": -3.0, "C": -3.6, "D": -3.2}
    slopes = {"A": 1.5, "B": 3.0, "C": 1.5, "D": 3.0}
    parts = [freeze_table({h: lt50[h]}, slope=slopes[h], units=4000, death=0.0) for h in lt50]
    found = _Problem(only_set(pd.concat(parts, ignore_index=True)), True, True).slope_scatter()

    def posterior(sd, power=0):
        squares = 4 * (np.log(2) / 2) ** 2
        return sd**power * np.exp(-squares / (2 * sd**2) - sd**2 / (2 * 0.3**2)) * sd**-3

    below, above = (integrate.quad(posterior, 1e-3, 1, args=(k,))[0] for k in (2, 0))
    assert found == pytest.approx(below / above, rel=0.02)


def test_slopes_that_scatter_widen_lt10_and_leave_lt50():
    """Against the same fit without scatter: half-widths add as squares, 1.96 sd 2.197 / slope."""
    fit = fit_freeze(only_set(freeze_table(units=40)))
    wide, plain = (
        lethal_temperatures(f).set_index("hybrid").loc["A"]
        for f in (replace(fit, slope_scatter=0.04), replace(fit, slope_scatter=0.0))
    )
    assert wide["lt50_lower_c"] == pytest.approx(plain["lt50_lower_c"])
    apart = stats.norm.ppf(0.975) * 0.2 * np.log(9) / plain["slope"]
    for name in ("lt10", "lt90"):
        half = plain[f"{name}_upper_c"] - plain[f"{name}_c"]
        assert wide[f"{name}_upper_c"] - wide[f"{name}_c"] == pytest.approx(np.hypot(half, apart))
    assert fit.slope_scatter > 0 and fit_freeze(fit.cells, slopes="common").slope_scatter == 0


def test_simultaneous_intervals_are_wider_than_single_ones():
    fit = fit_freeze(only_set(freeze_table()))
    together, single = against_control(fit, "STD"), against_control(fit, "STD", together=False)
    assert (together["lower_c"] < single["lower_c"]).all() and (
        together["upper_c"] > single["upper_c"]
    ).all()


def test_row_order_and_a_shift_of_the_thermometer_change_nothing():
    table = freeze_table()
    base = lethal_temperatures(fit_freeze(only_set(table)))
    mixed = lethal_temperatures(fit_freeze(only_set(table.sample(frac=1, random_state=1))))
    pd.testing.assert_frame_equal(base, mixed)
    colder = lethal_temperatures(
        fit_freeze(only_set(table.assign(temperature_c=table["temperature_c"] - 3)))
    )
    assert (colder["lt50_c"] + 3).to_list() == pytest.approx(base["lt50_c"].to_list(), abs=1e-6)


def test_curves_pass_half_of_the_living_at_lt50_and_draws_scatter_like_the_interval():
    fit = fit_freeze(only_set(freeze_table(units=60)))
    row = lethal_temperatures(fit).set_index("hybrid").loc["STD"]
    curve = survival_curves(fit, [row["lt50_c"]]).set_index("hybrid").loc["STD"]
    assert curve["alive"] == pytest.approx((1 - fit.natural_death) / 2, abs=1e-9)
    assert curve["lower"] < curve["alive"] < curve["upper"]
    draws = curve_draws(fit, 4000, 3).query("hybrid == 'STD'")
    assert draws["lt50_c"].mean() == pytest.approx(row["lt50_c"], abs=0.01)
    assert (draws["slope"] > 0).all() and len(draws) == 4000


def test_unevenness_names_its_sources():
    table = unevenness(fit_freeze(only_set(freeze_table(units=200, shifts=[-0.5, 0.0, 0.5]))))
    assert list(table["source"]) == ["run", "load (run × temperature)", "hybrid in a load"]
    assert table["sd_c"].iloc[0] == pytest.approx(0.5, rel=0.05)
    assert table["levels"].to_list() == [3, 18, 54]
    assert table["sd_logit"].iloc[0] / table["sd_c"].iloc[0] == pytest.approx(
        2.0, rel=0.05
    )  # the slope


def test_unevenness_of_loads_and_cells_is_that_of_the_fit():
    table = freeze_table({"A": -4.0, "B": -3.0}, runs=("r1", "r2"), units=40)
    uneven = np.clip(table["units_alive"] + np.resize([6, -6, 0, -6, 6], len(table)), 0, 40)
    fit = fit_freeze(
        only_set(table.assign(units_alive=uneven.where(table["temperature_c"].notna(), 38)))
    )
    assert fit.variances["cell"] > 0.05 and fit.variances["load"] > 0.05
    assert unevenness(fit)["sd_logit"].iloc[1:].to_list() == pytest.approx(
        np.sqrt(fit.variances).to_list()
    )


def test_runs_of_one_temperature_each_are_part_of_the_loads():
    """Every temperature in a run of its own: the two are aliased, LT50 still has an interval."""
    table = freeze_table(runs=("a",), units=40)
    table["run"] = "r" + table["temperature_c"].astype(str)
    cells = only_set(table)
    fit = fit_freeze(cells)
    assert not fit.has_run_shifts
    row = lethal_temperatures(fit).set_index("hybrid").loc["A"]
    assert row["lt50_lower_c"] < row["lt50_c"] < row["lt50_upper_c"] and row["df"] == 4
    assert row["lt50_c"] == pytest.approx(-4.0, abs=0.1)
    assert unevenness(fit)["source"].to_list() == [
        "run",
        "load (run × temperature)",
        "hybrid in a load",
    ]


def test_a_hybrid_frozen_at_one_temperature_keeps_the_common_slope():
    table = freeze_table()
    cells = only_set(
        table[
            table["hybrid"].ne("B") | table["temperature_c"].isna() | table["temperature_c"].eq(-3)
        ]
    )
    fit = fit_freeze(cells)
    assert fit.slopes == "common" and fit.slopes_test == {}
    assert "not bracketed" in lethal_temperatures(fit).set_index("hybrid").loc["B", "answer"]
    with pytest.raises(ValueError, match="B was frozen at one temperature"):
        fit_freeze(cells, slopes="own")


def test_slopes_are_tested_between_bracketed_hybrids_only():
    fit = fit_freeze(only_set(freeze_table({**LT50, "HARD": -9.0})))
    assert fit.slopes_test["df"] == len(LT50) - 1
    assert fit_freeze(only_set(freeze_table({"A": -4.0, "HARD": -9.0}))).slopes_test == {}


def test_a_set_where_no_hybrid_is_bracketed_gives_words_only():
    table = freeze_table({"A": -9.0, "STD": -8.5}, death=0.0)
    table.loc[5, "units_alive"] -= 1
    fit = fit_freeze(only_set(table))
    assert lethal_temperatures(fit)["answer"].to_list() == ["below −6 °C"] * 2
    assert lethal_temperatures(fit)["lt50_c"].isna().all() and curve_draws(fit, 5, 1).empty
    with pytest.raises(Refusal, match="The control STD has no LT50"):
        against_control(fit, "STD")


# -- sets of protocols and tissues -----------------------------------------------------------------


@pytest.fixture(scope="module")
def two_sets():
    shoots = freeze_table({"A": -2.0, "STD": -1.5}).assign(tissue="shoot")
    warm = freeze_table().assign(protocol="warm", units_alive=20.0)
    return freeze_answers(pd.concat([freeze_table(), shoots, warm], ignore_index=True))


def test_every_set_is_fitted_or_says_why_not(two_sets):
    assert two_sets.index.tolist() == ["rhizome, protocol slow", "shoot", "rhizome, protocol warm"]
    assert two_sets["fit"].notna().tolist() == [True, True, False]
    assert "All units lived" in two_sets.loc["rhizome, protocol warm", "answer"]
    row = two_sets.loc["rhizome, protocol slow"]
    assert (row["hybrids"], row["runs"], row["n_temperatures"]) == (3, 3, 6)
    assert row["from_to"] == "−1 to −6" and 0 < row["death_lower"] < row["death"]


def test_the_main_set_is_of_the_tissue_and_has_most_hybrids(two_sets):
    assert main_set(two_sets).name == "rhizome, protocol slow"
    assert main_set(two_sets, "shoot")["fit"].hybrids == ["A", "STD"]
    with pytest.raises(Refusal, match="No set of freeze tests of leafs gives"):
        main_set(two_sets, "leaf")


def test_results_of_all_sets_stand_below_each_other(two_sets):
    found = each_set(two_sets, lethal_temperatures, "STD")
    assert found.groupby("set").size().to_dict() == {"rhizome, protocol slow": 3, "shoot": 2}
    gaps = each_set(two_sets, against_control, "B")
    assert set(gaps["set"]) == {"rhizome, protocol slow"}
    with pytest.raises(Refusal, match="All units lived.*The control X was not in these runs"):
        each_set(two_sets, against_control, "X")
    with pytest.raises(Refusal, match="The network names no control"):
        each_set(two_sets, against_control, "")


def test_lethal_temperatures_are_said_set_by_set(two_sets):
    found = each_set(two_sets, lethal_temperatures, "STD")
    first, second = words.lethal(found, "STD", 0.95)
    assert first.startswith(
        "rhizome, protocol slow: B proved tenderer than the control STD (LT50 −3.5 °C"
    )
    assert "A proved hardier" in first and "taken together" in first
    assert second.endswith("in 2 hybrids.")
    found = each_set(two_sets, lethal_temperatures, "X")
    (alone,) = words.lethal(found[found["set"] == "shoot"], "X", 0.95)
    assert alone.startswith("LT50 ranged from −2.0 °C (A) to −1.5 °C (STD)")


def test_hybrids_without_lt50_are_named():
    cells = freeze_answers(freeze_table({**LT50, "HARD": -8.0, "SOFT": 0.5}))
    (told,) = words.lethal(each_set(cells, lethal_temperatures, "STD"), "STD", 0.95)
    assert told.endswith("Without an LT50: HARD (below −6 °C) and SOFT (above −1 °C).")


def test_slopes_are_said():
    common = fit_freeze(only_set(freeze_table()))
    assert "share one slope" in words.slopes(common)
    steep, flat = (
        only_set(freeze_table({h: LT50[h]}, slope=s, units=60)) for h, s in (("A", 4.0), ("B", 1.0))
    )
    own = fit_freeze(pd.concat([steep, flat], ignore_index=True))
    assert "Curves differ in steepness" in words.slopes(own)
    assert "was not compared" in words.slopes(fit_freeze(only_set(freeze_table({"A": -4.0}))))
