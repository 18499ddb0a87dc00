"""Planting method and film in the stratum they were randomised in."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats

from culmbook.stand.treatments import fit_treatments
from culmbook.text.refusal import Refusal
from known_truth import ALL_TREATMENTS, draw_trial

OATS = Path(__file__).parents[1] / "published" / "yates_1935_oats.csv"


def test_stratum_fit_matches_yates_1935_main_plot_f():
    """Variety on main plots: F 1.485 on (2, 10); Venables & Ripley section 10.2, value from
    memory.
    """
    oats = pd.read_csv(OATS, comment="#")
    units = oats.groupby(["block", "variety"], as_index=False)["yield"].mean()
    variety = pd.get_dummies(units["variety"], dtype=float)
    design = pd.concat([pd.get_dummies(units["block"], dtype=float), variety.iloc[:, 1:]], axis=1)
    fit = sm.OLS(units["yield"], design).fit()
    assert fit.df_resid == 10
    assert fit.f_test(np.eye(8)[-2:]).fvalue == pytest.approx(1.485, abs=0.0005)


@pytest.fixture(scope="module")
def split_plot():
    return draw_trial(
        np.random.default_rng(3), hybrids=10, blocks=2, treatments=ALL_TREATMENTS, extreme=False
    )[0]


def test_effects_have_the_main_plots_degrees_of_freedom(split_plot):
    result = fit_treatments(split_plot)
    assert result.effects["effect"].tolist() == ["planting method", "film", "interaction"]
    assert result.effects["df"].tolist() == [6, 6, 6]
    assert result.shares["main_plots"].tolist() == [3, 3, 3, 3]


def test_limits_and_p_are_those_of_student_with_the_main_plots_degrees_of_freedom(split_plot):
    # t with 6 degrees of freedom: 97.5 % quantile 2.4469 (Fisher & Yates 1963, table III)
    for row in fit_treatments(split_plot).effects.itertuples():
        se = np.log(row.odds_ratio) / row.t
        for end in (row.odds_lower, row.odds_upper):
            assert abs(np.log(end / row.odds_ratio)) / se == pytest.approx(2.4469, abs=5e-5)
        assert row.p_value == pytest.approx(2 * stats.t.sf(abs(row.t), 6))


def test_limits_are_students_with_the_main_plots_degrees_of_freedom(split_plot):
    """12 main plots less 3 replicates and 3 effects are 6 df; the standard error is estimate / t."""
    for effect in fit_treatments(split_plot).effects.itertuples():
        se = np.log(effect.odds_ratio) / effect.t
        half = np.log(effect.odds_upper / effect.odds_lower) / 2
        assert half / se == pytest.approx(stats.t.ppf(0.975, 6))


def test_film_effect_recovers_a_large_true_odds_ratio(split_plot):
    rng = np.random.default_rng(9)
    logit = 0.4 + 1.2 * split_plot["film"].eq("film")
    cells = split_plot.assign(alive=rng.binomial(36, special.expit(logit)))
    film = fit_treatments(cells).effects.set_index("effect").loc["film"]
    assert film["odds_ratio"] == pytest.approx(np.exp(1.2), rel=0.12)
    assert film["difference"] == pytest.approx(special.expit(1.6) - special.expit(0.4), abs=0.02)
    assert film["lower"] < film["difference"] < film["upper"] and film["p_value"] < 0.001


def test_effect_of_even_main_plots_is_the_plain_log_odds():
    """Every plot of a treatment shows the same share: odds ratio and difference follow from two
    shares.
    """
    rows = [
        {
            "site": "S",
            "trial": "T",
            "replicate": r,
            "main_plot": film,
            "block": f"{r}{film}",
            "plot": f"{r}{film}{h}",
            "hybrid": h,
            "planting_method": "hand",
            "film": film,
            "total": 36000,
            "alive": 32400 if film == "film" else 27000,
        }
        for r in "123"
        for film in ("film", "none")
        for h in "abc"
    ]
    result = fit_treatments(pd.DataFrame(rows))
    film = result.effects.set_index("effect").loc["film"]
    assert film["odds_ratio"] == pytest.approx((0.9 / 0.1) / (0.75 / 0.25), rel=1e-3)
    assert film["difference"] == pytest.approx(0.9 - 0.75, abs=1e-3)
    assert result.shares.set_index("treatment")["share"].to_dict() == pytest.approx(
        {"hand, film": 0.9, "hand, no film": 0.75}, abs=1e-3
    )


def test_swapping_film_labels_flips_the_effect(split_plot):
    swapped = split_plot.assign(film=split_plot["film"].map({"film": "none", "none": "film"}))
    first, second = (
        fit_treatments(c).effects.set_index("effect").loc["film"] for c in (split_plot, swapped)
    )
    assert second["difference"] == pytest.approx(-first["difference"], abs=1e-6)
    assert second["t"] == pytest.approx(-first["t"], abs=1e-6)


def _one(split_plot, **changes):
    return split_plot.assign(**changes)


def test_one_treatment_is_not_compared(split_plot):
    with pytest.raises(Refusal, match="planted alike .hand, no film."):
        fit_treatments(_one(split_plot, film="none", planting_method="hand"))


def test_treatment_that_follows_replicates_is_refused(split_plot):
    cells = split_plot.assign(
        film=np.where(split_plot["replicate"].eq("0"), "film", "none"), planting_method="hand"
    )
    with pytest.raises(Refusal, match="only from replicate to replicate"):
        fit_treatments(cells)


def test_method_and_film_that_go_together_are_refused(split_plot):
    cells = split_plot.assign(
        film=np.where(split_plot["planting_method"].eq("hand"), "none", "film")
    )
    with pytest.raises(Refusal, match="not crossed within replicates"):
        fit_treatments(cells)


def test_treatment_inside_main_plots_is_refused(split_plot):
    cells = split_plot.assign(film=np.where(split_plot.index % 2 == 0, "film", "none"))
    with pytest.raises(Refusal, match="inside a main plot"):
        fit_treatments(cells)


def test_one_complete_replicate_is_not_enough(split_plot):
    with pytest.raises(Refusal, match="Only one replicate"):
        fit_treatments(split_plot[split_plot["replicate"].eq("0")])
