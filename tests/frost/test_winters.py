"""Overwinter survival in the field: the table of winters, the model, the comparison with the freeze test."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from culmbook.frost.soil import FORMULA
from culmbook.frost.winters import (
    add_severity,
    field_draws,
    field_shares,
    field_words,
    fit_field,
    observed_by_winter,
    severity_line,
    winters_survived,
)
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
    fit = fit_field(field(rng))
    assert fit.severity["lower"] < -0.5 < fit.severity["upper"] < 0 and fit.severity["df"] == 13
    assert set(fit.terms) == {"site_winter", "hybrid_site_winter", "plot_key", "cell"}
    shares = field_shares(fit)
    assert (
        shares["hybrid"].iloc[0] in "AB"
        and ((shares["lower"] < shares["share"]) & (shares["share"] < shares["upper"])).all()
    )


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


def test_winters_without_a_minimum_tell_hybrids_apart_but_not_severity(rng):
    cells = field(rng)
    cells.loc[cells["winter"] == 2010, "minimum_c"] = np.nan
    fit = fit_field(cells)
    assert (
        len(fit.winters) == 15
        and fit.severity["df"] == 10
        and fit.severity["lower"] < -0.5 < fit.severity["upper"]
    )
    assert "3 of them" in " ".join(field_words(fit))
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


def test_severity_line_is_the_mean_of_the_plots_in_a_winter_so_cold(rng):
    """Integral of the logistic over the normal random effects, by quadrature of scipy."""
    cells = field(rng)
    fit = fit_field(cells)
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
    fit = fit_field(cells)
    given = cells.drop_duplicates(["site", "winter"]).set_index(["site", "winter"])["minimum_c"]
    found = fit.winters.set_index(["site", "winter"])["minimum_c"]
    assert found.to_dict() == given.to_dict()


def test_observed_shares_by_hand():
    cells = pd.DataFrame(
        {
            "site": "S",
            "winter": 2020,
            "label": "w",
            "minimum_c": [-3.0, -3.0],
            "hybrid": "A",
            "plot": ["1", "2"],
            "alive": [10, 20],
            "total": [20, 40],
        }
    )
    row = observed_by_winter(cells).iloc[0]
    assert (row["n_plots"], row["alive"], row["total"], row["share"]) == (2, 30, 60, 0.5)


def test_severity_line_falls_with_the_cold(rng):
    line = severity_line(fit_field(field(rng)))
    assert line["share"].is_monotonic_increasing and line["minimum_c"].is_monotonic_increasing


def test_severity_joins_by_site_and_winter(rng):
    cells = field(rng).drop(columns="minimum_c")
    minima = pd.DataFrame(
        {
            "site": ["S0", "S1"],
            "winter": [2010, 2010],
            "minimum_c": [-7.5, -20.0],
            "kind": ["measured", FORMULA],
        }
    )
    joined = add_severity(cells, minima)
    assert joined["minimum_c"].notna().sum() == 24 and len(joined) == len(cells)
    assert observed_by_winter(joined)["total"].sum() == cells["total"].sum()


def test_field_draws_have_the_model_covariance(rng):
    fit = fit_field(field(rng))
    draws = field_draws(fit, 20_000)
    assert draws.mean().to_numpy() == pytest.approx(
        fit.fit.coefficients[draws.columns].to_numpy(), abs=0.02
    )
    assert draws.std()["A"] == pytest.approx(np.sqrt(fit.fit.covariance.loc["A", "A"]), rel=0.03)
