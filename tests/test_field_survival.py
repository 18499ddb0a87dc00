"""Overwinter survival in the field: the table of winters, the model, the comparison with the freeze test."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from stand_frames import make_counts, make_hybrids, make_plots

from culmbook.field_survival import (add_severity, field_draws, field_shares, field_words, fit_field, freeze_against_field,
                                     observed_by_winter, rank_agreement, severity_line, winters_survived)


def test_the_first_winter_runs_from_autumn_to_early_summer():
    plots = make_plots()
    cells = winters_survived(plots, make_counts(plots, autumn=38, summer=30), make_hybrids(), 2025)
    assert len(cells) == 9 and set(cells["total"]) == {38} and set(cells["alive"]) == {30}
    assert cells["is_first"].all() and set(cells["before"]) == {"autumn"} and set(cells["label"]) == {"winter 2025/26"}


def test_later_winters_hold_only_survivors():
    plots = make_plots(year=2024)
    counts = pd.concat([make_counts(plots, 2024, autumn=38, summer=30), make_counts(plots, 2025, summer=27)])
    later = winters_survived(plots, counts, make_hybrids(), 2025).query("winter == 2025")
    assert set(later["total"]) == {30} and set(later["alive"]) == {27}
    assert not later["is_first"].any() and set(later["before"]) == {"early summer"}


def test_a_plant_seen_later_was_alive_before():
    plots = make_plots(year=2024)
    counts = pd.concat([make_counts(plots, 2024, autumn=38, summer=30), make_counts(plots, 2025, summer=32)])
    later = winters_survived(plots, counts, make_hybrids(), 2025).query("winter == 2025")
    assert set(later["total"]) == {32} and set(later["alive"]) == {32}


def test_spring_counts_alone_are_provisional_and_guards_are_left_out():
    plots = make_plots("ABG")
    cells = winters_survived(plots, make_counts(plots, autumn=38, spring=20), make_hybrids("ABG", guards="G"), 2025)
    assert cells["is_provisional"].all() and set(cells["hybrid"]) == {"A", "B"}


def test_no_plots_and_no_counts_are_empty():
    plots = make_plots()
    assert winters_survived(plots.iloc[:0], make_counts(plots), make_hybrids(), 2025).empty
    assert winters_survived(plots, make_counts(plots), make_hybrids(), 2025).empty


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
                    rows.append((f"S{s}", 2010 + w, f"w{w}", "ABCDEFGHIJKL"[h], f"{h}.{p}", minimum, 40, rng.binomial(40, expit(eta))))
    frame = pd.DataFrame(rows, columns=["site", "winter", "label", "hybrid", "plot", "minimum_c", "total", "alive"])
    return frame.assign(is_first=True, before="autumn", is_provisional=False)


def test_severity_and_order_are_found_again(rng):
    fit = fit_field(field(rng))
    assert fit.severity["lower"] < -0.5 < fit.severity["upper"] < 0 and fit.severity["df"] == 13
    assert set(fit.terms) == {"site_winter", "hybrid_site_winter", "plot_key", "cell"}
    shares = field_shares(fit)
    assert shares["hybrid"].iloc[0] in "AB" and ((shares["lower"] < shares["share"]) & (shares["share"] < shares["upper"])).all()


def test_shares_agree_with_the_counts_where_the_field_is_even(rng):
    cells = field(rng, slope=0, sd=0.0)
    raw = cells.groupby("hybrid")[["alive", "total"]].sum().eval("alive / total")
    shares = field_shares(fit_field(cells)).set_index("hybrid")["share"]
    assert (shares - raw).abs().max() < 0.01


def test_two_winters_have_no_severity_and_say_so(rng):
    fit = fit_field(field(rng, sites=1, winters=2))
    assert fit.severity is None and "at least 3 are needed" in fit.why_no_severity
    words = " ".join(field_words(fit))
    assert "few winters" in words and fit.why_no_severity in words
    with pytest.raises(ValueError, match="at least 3"):
        severity_line(fit)


def test_winters_without_a_minimum_count_only_without_severity(rng):
    cells = field(rng)
    cells.loc[cells["winter"] == 2010, "minimum_c"] = np.nan
    assert len(fit_field(cells).winters) == 12
    assert len(fit_field(cells.assign(minimum_c=np.nan)).winters) == 15


def test_no_loss_and_one_hybrid_are_refused_in_words(rng):
    cells = field(rng, winters=2, sites=1)
    with pytest.raises(ValueError, match="No plant was lost in 2 winters"):
        fit_field(cells.assign(alive=40))
    with pytest.raises(ValueError, match="Every plant was lost"):
        fit_field(cells.assign(alive=0))
    with pytest.raises(ValueError, match="two or more hybrids"):
        fit_field(cells[cells["hybrid"] == "A"])


def test_a_hybrid_without_loss_has_a_finite_interval(rng):
    cells = field(rng)
    cells.loc[cells["hybrid"] == "A", "alive"] = 40
    row = field_shares(fit_field(cells)).set_index("hybrid").loc["A"]
    assert 0.9 < row["lower"] < row["share"] <= 1


def test_severity_line_falls_with_the_cold(rng):
    line = severity_line(fit_field(field(rng)))
    assert line["share"].is_monotonic_increasing and line["minimum_c"].is_monotonic_increasing


def test_severity_joins_by_site_and_winter(rng):
    cells = field(rng).drop(columns="minimum_c")
    minima = pd.DataFrame({"site": ["S0"], "winter": [2010], "minimum_c": [-7.5]})
    joined = add_severity(cells, minima)
    assert joined["minimum_c"].notna().sum() == 24 and len(joined) == len(cells)
    assert observed_by_winter(joined)["total"].sum() == cells["total"].sum()


def both(lt50, share):
    names = [f"H{i}" for i in range(len(lt50))]
    return freeze_against_field(pd.DataFrame({"hybrid": names, "lt50_c": lt50}), pd.DataFrame({"hybrid": names, "share": share}))


def test_spearman_interval_matches_bonett_2000():
    """Formula of the paper by hand for 10 hybrids and one far swap: r = 1 - 6·2·81/990 = 0.0182."""
    lt50 = -np.arange(10.0)
    share = np.array([9, 1, 2, 3, 4, 5, 6, 7, 8, 0]) / 10
    row = rank_agreement(both(lt50, share)).set_index("coefficient").loc["Spearman"]
    r = 1 - 6 * 2 * 81 / 990
    half = 1.959964 * np.sqrt((1 + r**2 / 2) / 7)
    assert row["estimate"] == pytest.approx(r)
    assert [row["lower"], row["upper"]] == pytest.approx(np.tanh(np.arctanh(r) + np.array([-half, half])).tolist())


def test_full_agreement_is_one_but_not_certain():
    table = rank_agreement(both(-np.arange(8.0), np.linspace(0.2, 0.9, 8)))
    assert table["estimate"].tolist() == pytest.approx([1, 1]) and (table["upper"] == 1).all() and (table["lower"] < 0.95).all()


def test_joint_draws_give_the_chance_of_a_positive_correlation(rng):
    names = [f"H{i}" for i in range(8)]
    lt50 = pd.concat([pd.DataFrame({"hybrid": h, "draw": range(200), "lt50_c": rng.normal(-i, 0.1, 200)}) for i, h in enumerate(names)])
    logits = pd.DataFrame({h: rng.normal(i, 0.1, 200) for i, h in enumerate(names)})
    table = rank_agreement(both(-np.arange(8.0), np.linspace(0.2, 0.9, 8)), curve_draws=lt50, logit_draws=logits)
    assert (table["p_positive"] == 1).all()


def test_field_draws_have_the_model_covariance(rng):
    fit = fit_field(field(rng))
    draws = field_draws(fit, 20_000)
    assert draws.mean().to_numpy() == pytest.approx(fit.fit.coefficients[draws.columns].to_numpy(), abs=0.02)
    assert draws.std()["A"] == pytest.approx(np.sqrt(fit.fit.covariance.loc["A", "A"]), rel=0.03)


def test_few_or_equal_hybrids_are_refused():
    with pytest.raises(ValueError, match="needs 5"):
        rank_agreement(both([-1.0, -2.0], [0.5, 0.6]))
    with pytest.raises(ValueError, match="nothing to rank"):
        rank_agreement(both([-1.0] * 6, np.linspace(0, 1, 6)))


def test_hybrids_without_a_curve_are_left_out():
    assert both([-1.0, np.nan, -3.0], [0.1, 0.2, 0.3])["hybrid"].tolist() == ["H2", "H0"]
