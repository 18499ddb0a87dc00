"""Survival of winters: counted, modelled, compared with the freeze test, expected from freeze
curves.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm
from scipy.stats import t as student

from culmbook.frost import words
from culmbook.frost.winter_survival import (
    add_severity,
    expected_by_site,
    expected_survival,
    fit_winters,
    observed_by_winter,
    rank_agreement,
    severity_line,
    winter_shares,
    winters_survived,
    with_loss,
)
from culmbook.frost.winters import FORMULA, MEASURED
from culmbook.text.refusal import Refusal
from stand_frames import make_counts, make_hybrids, make_plots


def test_the_first_winter_runs_from_autumn_to_early_summer():
    plots = make_plots()
    cells = winters_survived(plots, make_counts(plots, autumn=38, summer=30), make_hybrids(), 2025)
    assert len(cells) == 9 and set(cells["total"]) == {38} and set(cells["alive"]) == {30}
    assert (
        cells["is_first"].all()
        and set(cells["before"]) == {"autumn"}
        and set(cells["label"]) == {"winter 2025/26"}
    )


def test_later_winters_hold_only_survivors():
    plots = make_plots(year=2024)
    counts = pd.concat(
        [make_counts(plots, 2024, autumn=38, summer=30), make_counts(plots, 2025, summer=27)]
    )
    later = winters_survived(plots, counts, make_hybrids(), 2025).query("winter == 2025")
    assert set(later["total"]) == {30} and set(later["alive"]) == {27}
    assert not later["is_first"].any() and set(later["before"]) == {"early summer"}


def test_a_plant_seen_later_was_alive_before():
    plots = make_plots(year=2024)
    counts = pd.concat(
        [make_counts(plots, 2024, autumn=38, summer=30), make_counts(plots, 2025, summer=32)]
    )
    later = winters_survived(plots, counts, make_hybrids(), 2025).query("winter == 2025")
    assert set(later["total"]) == {32} and set(later["alive"]) == {32}


def test_spring_counts_alone_are_provisional_and_guards_are_left_out():
    plots = make_plots("ABG")
    cells = winters_survived(
        plots, make_counts(plots, autumn=38, spring=20), make_hybrids("ABG", guards="G"), 2025
    )
    assert cells["is_provisional"].all() and set(cells["hybrid"]) == {"A", "B"}


def test_no_plots_and_no_counts_are_empty():
    plots = make_plots()
    for none in (plots.iloc[:0], plots):
        with pytest.raises(Refusal, match="No plot was counted before and after a winter"):
            winters_survived(none, make_counts(plots), make_hybrids(), 2025)


def field(rng, hybrids=8, sites=3, winters=5, slope=-0.5, plots=3, sd=0.3):
    """Counts with a known effect of severity; the hardier a hybrid, the earlier its letter."""
    logit = np.linspace(3, 1, hybrids)
    rows = []
    for s in range(sites):
        for w in range(winters):
            minimum, shared = rng.normal(-3, 2), rng.normal(0, sd)
            for h in range(hybrids):
                for p in range(plots):
                    eta = logit[h] + slope * (-3 - minimum) + shared + rng.normal(0, 0.2)
                    rows.append(
                        (
                            f"S{s}",
                            2010 + w,
                            f"w{w}",
                            "ABCDEFGHIJKL"[h],
                            f"{h}.{p}",
                            minimum,
                            40,
                            rng.binomial(40, expit(eta)),
                        )
                    )
    frame = pd.DataFrame(
        rows, columns=["site", "winter", "label", "hybrid", "plot", "minimum_c", "total", "alive"]
    )
    return frame.assign(is_first=True, before="autumn", is_provisional=False)


def test_severity_and_order_are_found_again(rng):
    fit = fit_winters(field(rng))
    assert fit.severity["lower"] < -0.5 < fit.severity["upper"] < 0 and fit.severity["df"] == 13
    assert set(fit.terms) == {"site_winter", "hybrid_site_winter", "plot_key", "cell"}
    shares = winter_shares(fit)
    assert (
        shares["hybrid"].iloc[0] in "AB"
        and ((shares["lower"] < shares["share"]) & (shares["share"] < shares["upper"])).all()
    )


def test_shares_agree_with_the_counts_where_the_field_is_even(rng):
    cells = field(rng, slope=0, sd=0.0)
    raw = cells.groupby("hybrid")[["alive", "total"]].sum().eval("alive / total")
    shares = winter_shares(fit_winters(cells)).set_index("hybrid")["share"]
    assert (shares - raw).abs().max() < 0.01


def test_two_winters_have_no_severity_and_say_so(rng):
    fit = fit_winters(field(rng, sites=1, winters=2))
    assert fit.severity is None and "at least 3 are needed" in fit.why_no_severity
    assert "few winters" in " ".join(words.limits_of_survival(fit, 0.95))
    assert words.severity(fit, 0.95) == fit.why_no_severity and severity_line(fit).empty


def test_winters_without_a_minimum_tell_hybrids_apart_but_not_severity(rng):
    cells = field(rng)
    cells.loc[cells["winter"] == 2010, "minimum_c"] = np.nan
    fit = fit_winters(cells)
    assert (
        len(fit.winters) == 15
        and fit.severity["df"] == 10
        and fit.severity["lower"] < -0.5 < fit.severity["upper"]
    )
    assert "Of 3 of 15 site-winters the minimum" in " ".join(words.limits_of_survival(fit, 0.95))
    assert len(fit_winters(cells.assign(minimum_c=np.nan)).winters) == 15


def test_no_loss_and_one_hybrid_are_refused_in_words(rng):
    cells = field(rng, winters=2, sites=1)
    with pytest.raises(ValueError, match="No plant was lost in 2 winters"):
        fit_winters(cells.assign(alive=40))
    with pytest.raises(ValueError, match="Every plant was lost"):
        fit_winters(cells.assign(alive=0))
    with pytest.raises(ValueError, match="two or more hybrids"):
        fit_winters(cells[cells["hybrid"] == "A"])


def test_a_hybrid_without_loss_has_a_finite_interval(rng):
    cells = field(rng)
    cells.loc[cells["hybrid"] == "A", "alive"] = 40
    row = winter_shares(fit_winters(cells)).set_index("hybrid").loc["A"]
    assert 0.9 < row["lower"] < row["share"] <= 1


def two_winters(rng, lost, hybrids="ABCDEFGHI", plots=3, planted=40):
    """One planting at one site: a first winter that tells hybrids apart, then `lost` plants."""
    first = rng.binomial(planted, np.repeat(np.linspace(0.72, 0.96, len(hybrids)), plots))
    plant = np.repeat(np.arange(len(first)), first)
    gone = np.bincount(rng.choice(plant, lost, replace=False), minlength=len(first))
    names = {"hybrid": np.repeat(list(hybrids), plots), "plot": np.arange(len(first)).astype(str)}
    same = {"site": "S", "minimum_c": np.nan, "before": "autumn", "is_provisional": False}
    counts = [(2024, planted, first), (2025, first, first - gone)]
    parts = [
        pd.DataFrame({"winter": w, "label": str(w), "total": n, "alive": a, **names, **same})
        for w, n, a in counts
    ]
    return pd.concat(parts, ignore_index=True).assign(is_first=lambda c: c["winter"].eq(2024))


@pytest.mark.parametrize("lost", [0, 1, 5, 20])
def test_two_winters_of_one_planting_give_the_shares_that_were_counted(rng, lost):
    """A hybrid's survival is the mean of its two plain shares; the winters' difference is fixed."""
    cells = two_winters(rng, lost)
    fit = fit_winters(cells)
    assert "site_winter" not in fit.terms and fit.fit.variances.max() < 1
    shares = winter_shares(fit).set_index("hybrid")
    counted = cells.groupby(["hybrid", "winter"])[["alive", "total"]].sum().eval("alive / total")
    assert (shares["share"] - counted.groupby("hybrid").mean()).abs().max() < 0.03
    assert (shares["upper"] - shares["lower"]).max() < 0.3
    assert shares["upper"].min() < 1 and "100 % " not in words.survival(
        shares.reset_index(), fit, 0.95
    )[0].replace(" to 100 %)", "")


def test_degrees_of_freedom_are_winters_less_what_is_fixed_between_them(rng):
    """15 site-winters less mean and severity; less hybrids and winters where the winters are fixed.

    The limits are the logit's, its standard error times Student's t by hand.
    """
    fit, two = fit_winters(field(rng)), fit_winters(two_winters(rng, 20))
    assert fit.df == 15 - 2 and two.df == (9 - 1) * (2 - 1)
    shares = winter_shares(fit, level=0.9).set_index("hybrid")
    for side, column in ((-1, "lower"), (1, "upper")):
        se = np.sqrt(fit.fit.covariance.loc["A", "A"])
        logit = fit.fit.coefficients["A"] + side * student.ppf(0.95, 13) * se
        over = fit.fit.design["colder_c"].unique() * fit.fit.coefficients["colder_c"]
        expected = [
            quad(lambda z: norm.pdf(z) * expit(logit + o + z * fit.fit.spread), -9, 9)[0]
            for o in over
        ]
        assert shares.loc["A", column] == pytest.approx(np.mean(expected), abs=1e-6)


def test_severity_line_is_the_mean_of_the_plots_in_a_winter_so_cold(rng):
    """Integral of the logistic over the normal random effects, by quadrature of scipy."""
    cells = field(rng)
    fit = fit_winters(cells)
    line = severity_line(fit).iloc[20]
    known = cells.drop_duplicates(["site", "winter"])["minimum_c"].mean()
    shift = fit.severity["log_odds"] * (known - line["minimum_c"])
    shares = [
        quad(
            lambda z: norm.pdf(z) * expit(fit.fit.coefficients[h] + shift + z * fit.fit.spread),
            -9,
            9,
        )[0]
        for h in cells["hybrid"].unique()
    ]
    assert line["share"] == pytest.approx(np.mean(shares), abs=1e-6)


def test_winters_of_the_model_are_those_of_the_cells(rng):
    cells = field(rng)
    fit = fit_winters(cells)
    given = cells.drop_duplicates(["site", "winter"]).set_index(["site", "winter"])["minimum_c"]
    found = fit.winters.set_index(["site", "winter"])["minimum_c"]
    assert found.to_dict() == given.to_dict()


def test_observed_shares_by_hand():
    rows = {"minimum_c": [-3.0, -3.0, -1.0], "plot": ["1", "2", "1"], "alive": [10, 20, 5]}
    cells = pd.DataFrame({"site": "S", "label": "w", "hybrid": "A", "total": [20, 40, 5], **rows})
    row = observed_by_winter(cells.assign(winter=[2020, 2020, 2021])).iloc[0]
    assert (row["n_plots"], row["alive"], row["total"], row["share"]) == (2, 30, 60, 0.5)
    with pytest.raises(Refusal, match="fewer than two winters"):
        observed_by_winter(cells.assign(winter=2020, minimum_c=-3.0))


def test_severity_line_falls_with_the_cold(rng):
    line = severity_line(fit_winters(field(rng)))
    assert line["share"].is_monotonic_increasing and line["minimum_c"].is_monotonic_increasing


def test_severity_joins_by_site_and_winter(rng):
    cells = field(rng).drop(columns="minimum_c")
    minima = pd.DataFrame(
        {
            "site": ["S0", "S0", "S1"],
            "winter": [2010, 2011, 2010],
            "minimum_c": [-7.5, -2.0, -20.0],
            "kind": ["measured", "measured", FORMULA],
        }
    )
    joined = add_severity(cells, minima)
    assert joined["minimum_c"].notna().sum() == 48 and len(joined) == len(cells)
    assert observed_by_winter(joined)["total"].sum() == cells["total"].sum()


def test_words_of_survival_and_severity(rng):
    fit = fit_winters(field(rng))
    shares = winter_shares(fit)
    first, sites, second = words.survival(shares, fit, 0.95)
    assert first.startswith("Over 15 winters of 3 sites") and shares["hybrid"].iloc[0] in first
    assert second == words.severity(fit, 0.95) and second.startswith("For every °C colder")
    assert second not in words.limits_of_survival(fit, 0.95)  # said once
    assert words.severity(fit, 1.0) == words.limits_of_survival(fit, 1.0)[0]
    plain = fit.cells.groupby("site")[["alive", "total"]].sum().eval("alive / total")
    coldest = fit.cells.groupby("site")["minimum_c"].min()[plain.idxmin()]
    assert (
        f"{100 * plain.min():.0f} % at {plain.idxmin()} (winters down to −{-coldest:.1f} °C)"
        in sites
    )
    assert words.severity(fit, 1.0).startswith(
        "These winters do not settle how much the cold mattered"
    )


# -- freeze test beside winters --------------------------------------------------------------------


def both(lt50, share):
    return pd.DataFrame(
        {"hybrid": [f"H{i}" for i in range(len(lt50))], "lt50_c": lt50, "share": share}
    )


def test_spearman_interval_matches_bonett_2000():
    """Formula of the paper by hand for 10 hybrids and one far swap: r = 1 - 6·2·81/990 = 0.0182."""
    lt50 = -np.arange(10.0)
    share = np.array([9, 1, 2, 3, 4, 5, 6, 7, 8, 0]) / 10
    row = rank_agreement(both(lt50, share)).set_index("coefficient").loc["Spearman"]
    r = 1 - 6 * 2 * 81 / 990
    half = 1.959964 * np.sqrt((1 + r**2 / 2) / 7)
    assert row["estimate"] == pytest.approx(r)
    assert [row["lower"], row["upper"]] == pytest.approx(
        np.tanh(np.arctanh(r) + np.array([-half, half])).tolist()
    )


def test_full_agreement_is_one_but_not_certain():
    table = rank_agreement(both(-np.arange(8.0), np.linspace(0.2, 0.9, 8)))
    assert (
        table["estimate"].tolist() == pytest.approx([1, 1])
        and (table["upper"] == 1).all()
        and (table["lower"] < 0.95).all()
    )


def test_few_or_equal_hybrids_are_refused():
    with pytest.raises(ValueError, match="needs 5 hybrids; here are 2 known in both"):
        rank_agreement(both([-1.0, -2.0], [0.5, 0.6]))
    with pytest.raises(ValueError, match="nothing to rank"):
        rank_agreement(both([-1.0] * 6, np.linspace(0, 1, 6)))


@pytest.mark.parametrize(
    ("order", "start"),
    [
        (1, "The freeze test ranked hybrids in line with"),
        (-1, "The freeze test ranked hybrids against"),
        (0, "It is not shown that the freeze test ranks"),
    ],
)
def test_agreement_is_said_with_its_interval(order, start):
    share = np.array([0, 5, 2, 8, 4, 1, 9, 3, 7, 6.0]) if order == 0 else order * np.arange(10.0)
    row = rank_agreement(both(-np.arange(10.0), share)).iloc[0]
    assert words.agreement(row).startswith(start) and "10 hybrids" in words.agreement(row)


# -- survival expected -----------------------------------------------------------------------------


def curves(n=1, sd=0.0, seed=3, **lt50):
    rng = np.random.default_rng(seed)
    return pd.concat(
        [
            pd.DataFrame(
                {"hybrid": h, "draw": range(n), "lt50_c": rng.normal(v, sd, n), "slope": 2.0}
            )
            for h, v in lt50.items()
        ],
        ignore_index=True,
    )


def test_two_winters_by_hand():
    row = expected_survival([-3.0, -5.0], curves(A=-4.0)).iloc[0]
    high, low = 1 / (1 + np.exp(-2)), 1 / (1 + np.exp(2))
    assert row["expected"] == pytest.approx((high + low) / 2) and row["below_lt50"] == 0.5
    assert np.isnan(row["worst_in_ten"])


def test_worst_in_ten_of_eleven_winters_is_the_second_coldest():
    minima = np.arange(-10.0, 1.0)
    row = expected_survival(minima, curves(A=-4.0)).iloc[0]
    assert row["worst_in_ten"] == pytest.approx(1 / (1 + np.exp(-2 * (-9 + 4))))


def test_mild_and_deadly_winters_are_one_and_zero():
    assert expected_survival([20.0] * 12, curves(A=-4.0))["expected"].iloc[0] == pytest.approx(1)
    assert expected_survival([-30.0] * 12, curves(A=-4.0))["worst_in_ten"].iloc[0] == pytest.approx(
        0, abs=1e-12
    )


def test_intervals_come_from_the_draws():
    """One winter, LT50 normal: the limits are the monotone curve's at LT50's 2.5 and 97.5 %
    points.
    """
    row = expected_survival([-4.0], curves(40_000, 0.5, A=-4.0)).iloc[0]
    z = 0.5 * norm.ppf(0.975)
    assert row["expected_lower"] == pytest.approx(1 / (1 + np.exp(2 * z)), abs=0.005)
    assert row["expected_upper"] == pytest.approx(1 / (1 + np.exp(-2 * z)), abs=0.005)
    mean = quad(lambda x: norm.pdf(x, -4, 0.5) / (1 + np.exp(-2 * (-4.5 - x))), -9, 1)[0]
    assert expected_survival([-4.5], curves(40_000, 0.5, A=-4.0))["expected"].iloc[
        0
    ] == pytest.approx(mean, abs=0.005)


def test_the_climate_is_less_certain_than_the_record(rng):
    row = expected_survival(rng.normal(-4, 1.5, 20), curves(2000, 0.2, A=-4.0)).iloc[0]
    assert (
        row["climate_lower"] < row["expected_lower"]
        and row["climate_upper"] > row["expected_upper"]
    )


def test_hardiest_first_whatever_the_order_of_draws():
    draws = curves(5, 0.1, A=-3.0, B=-6.0)
    one = expected_survival([-4.0, -5.0], draws)
    assert one["hybrid"].tolist() == ["B", "A"]
    pd.testing.assert_frame_equal(
        one[["hybrid", "expected"]],
        expected_survival([-5.0, -4.0], draws.iloc[::-1])[["hybrid", "expected"]],
    )


def test_faulty_input_is_refused():
    with pytest.raises(ValueError, match="one or more winters"):
        expected_survival([], curves(A=-4.0))
    with pytest.raises(ValueError, match="slope above 0"):
        expected_survival([-4.0], curves(A=-4.0).assign(slope=0.0))


def minima_of(cold):
    years = {"winter": np.arange(2000, 2012), "label": "winter 2000/01", "kind": MEASURED}
    parts = [pd.DataFrame({"site": s, "minimum_c": c, **years}) for s, c in cold.items()]
    return pd.concat(parts, ignore_index=True)


def test_the_site_with_most_loss_comes_first_and_safe_sites_are_not_drawn():
    minima = minima_of({"MILD": 2.0, "COLD": -5.0})
    found = expected_by_site(minima, curves(5, 0.1, A=-4.0, B=-6.0))
    assert found["site"].tolist() == ["COLD"] * 2 + ["MILD"] * 2
    drawn = with_loss(found)
    assert set(drawn["site"]) == {"COLD"} and drawn["share"].equals(drawn["worst_in_ten"])
    first, second = words.expected(found, "A")
    assert first.startswith("In a winter as cold as one in ten at COLD, the site with most loss,")
    assert "of the control A" in first and "12 winters on record" in second
    safe = found[found["site"] == "MILD"]
    assert words.expected(safe, "A")[0].startswith("In a winter as cold as one in ten the freeze")
    with pytest.raises(Refusal, match="Next to nothing is expected to die"):
        with_loss(safe)


def test_an_expectation_colder_than_the_winters_counted_says_so():
    """Twelve winters from −12 to −1 °C: the tenth quantile lies at −10.9 (linear interpolation)."""
    found = expected_by_site(minima_of({"COLD": np.arange(-12.0, 0)}), curves(5, 0.1, A=-4.0))
    counted = pd.DataFrame({"site": "COLD", "minimum_c": [-3.0, np.nan]})
    told = words.beyond_counted(found, counted)
    assert "goes down to −10.9 °C; of 1 winter with a known minimum" in told
    assert told.endswith(
        "none came within 0.5 °C of it, so losses that the curves expect cannot show in the counts."
    )
    cold = words.beyond_counted(found, counted.assign(minimum_c=[-10.5, -3.0]))
    assert "of 2 winters" in cold and cold.endswith("1 came within 0.5 °C of it.")


def test_nothing_is_expected_without_curves_or_winters():
    minima = minima_of({"COLD": -5.0})
    with pytest.raises(Refusal, match="No hybrid has a freeze curve"):
        expected_by_site(minima, curves(A=-4.0).iloc[:0])
    with pytest.raises(Refusal, match="the soil was never read"):
        expected_by_site(minima.assign(kind=FORMULA), curves(A=-4.0))


def test_chance_of_a_winter_colder_than_the_control_is_said(rng):
    known = pd.DataFrame({"site": "S1", "minimum_c": rng.normal(-3, 1, 20)})
    lethal = pd.DataFrame({"hybrid": ["A", "B"], "lt50_c": [-3.0, np.nan]})
    assert "LT50 of the control A (−3.0 °C) is" in words.chance_colder(known, lethal, "A", 0.95)
    far = lethal.assign(lt50_c=-15.0)
    assert words.chance_colder(known, far, "A", 0.95).split(" is ")[-1].startswith("under ")
    with pytest.raises(Refusal, match="The control has no LT50"):
        words.chance_colder(known, lethal, "B", 0.95)
