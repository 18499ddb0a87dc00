"""Repeatability and reliability: the definition by simulation, limits, plans."""

import numpy as np
import pytest

from consistency_frames import make_seasons
from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.consistency.reliability import (
    estimates,
    layout_of,
    needed_words,
    reliability,
    reliability_grid,
    reliability_table,
    repeatability,
    seasons_needed,
)


@pytest.fixture(scope="module")
def fitted():
    return fit_seasons(season_records(make_seasons(np.random.default_rng(5))), ["H00"])


VARIANCES = {
    "hybrid": 0.0144,
    "hybrid_site": 0.01,
    "hybrid_season": 0.0036,
    "hybrid_site_season": 0.0064,
    "plot_key": 0.0081,
    "residual": 0.0484,
}


def hybrid_means(rng, hybrids, s, y, r):
    """Lasting values and means over a plan, drawn part by part."""

    def draw(name, *shape):
        return rng.normal(0, np.sqrt(VARIANCES[name]), (hybrids, *shape))

    own = draw("hybrid")
    cells = (
        draw("hybrid_site", s, 1, 1)
        + draw("hybrid_season", 1, y, 1)
        + draw("hybrid_site_season", s, y, 1)
    )
    cells = cells + draw("plot_key", s, 1, r) + draw("residual", s, y, r)
    return own, own + cells.mean(axis=(1, 2, 3))


@pytest.mark.parametrize("plan", [(1, 1, 3), (3, 3, 3), (5, 2, 1)])
def test_reliability_is_the_squared_correlation_of_mean_and_truth(rng, plan):
    own, mean = hybrid_means(rng, 60_000, *plan)
    assert reliability(VARIANCES, *plan) == pytest.approx(
        np.corrcoef(own, mean)[0, 1] ** 2, abs=0.01
    )


def test_repeatability_is_the_correlation_of_two_seasons(rng):
    n = 200_000

    def draw(*names):
        return sum(rng.normal(0, np.sqrt(VARIANCES[name]), n) for name in names)

    stays = draw("hybrid", "hybrid_site", "plot_key")
    a, b = (stays + draw("hybrid_season", "hybrid_site_season", "residual") for _ in range(2))
    assert repeatability(VARIANCES) == pytest.approx(np.corrcoef(a, b)[0, 1], abs=0.01)


def test_reliability_of_one_site_and_season_by_hand():
    # r plots of one variance and nothing else: h / (h + e / r)
    assert reliability({"hybrid": 1.0, "residual": 3.0}, 1, 1, 3) == pytest.approx(0.5)


def test_repeatability_by_hand():
    # what stays over all that varies: (0.0144 + 0.01 + 0.0081) / (0.0325 + 0.0036 + 0.0064 +
    # 0.0484)
    assert repeatability(VARIANCES) == pytest.approx(0.0325 / 0.0909)


def test_more_never_hurts_and_sites_set_the_limit():
    grid = reliability(VARIANCES, np.arange(1, 9)[:, None], np.arange(1, 9), 3)
    assert (np.diff(grid, axis=0) > 0).all() and (np.diff(grid, axis=1) > 0).all()
    assert seasons_needed(VARIANCES, 1, 3) is None
    needed = seasons_needed(VARIANCES, 8, 3)
    assert reliability(VARIANCES, 8, needed, 3) >= 0.8 > reliability(VARIANCES, 8, needed - 1, 3)


def test_no_variance_at_all_has_no_reliability():
    assert np.isnan(reliability({"hybrid": 0.0}, 1, 1, 1)) and np.isnan(
        repeatability({"residual": 0.0})
    )
    assert reliability({"hybrid": 0.0, "residual": 1.0}, 2, 2, 2) == 0


def test_plans_without_plots_are_refused():
    with pytest.raises(ValueError, match="at least 1"):
        reliability(VARIANCES, 0, 1, 1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        seasons_needed(VARIANCES, 1, 1, enough=1.0)


def test_seasons_needed_are_those_in_which_reliability_is_reached(fitted):
    sites, had, plots = layout_of(fitted.records)
    grid = reliability_grid(fitted)
    assert (sites, had) == (2, 3) and grid.index.name == "sites" and grid.shape == (8, 8)
    assert grid.loc[sites, had] == pytest.approx(reliability(estimates(fitted), sites, had, plots))
    now = float(grid.loc[sites, had])
    assert "more season" in needed_words(fitted, (now + float(grid.loc[sites, 8])) / 2)
    assert "sites and plots set the limit" in needed_words(fitted, 0.9999)


def test_plan_at_hand_comes_first_and_lies_between_its_limits(fitted):
    table = reliability_table(fitted, draw_seasons(fitted, 60, 1, 30))
    own = table.loc[1, ["sites", "seasons", "replicates"]].tolist()
    assert own == list(layout_of(fitted.records)) and table["what"].iloc[0] == "repeatability"
    assert len(table) == 6 and (table["lower"] <= table["value"]).all()


def test_enough_seasons_are_those_at_hand_and_two_of_them_still_wait_for_the_third(fitted):
    assert needed_words(fitted, 0.01) == (
        "By the estimated variances the 3 seasons at hand are enough for 0.01."
    )
    frame = make_seasons(np.random.default_rng(6), hybrids=14, seasons=2)
    two = fit_seasons(season_records(frame), ["H00"])
    assert needed_words(two, 0.01) == (
        "By the estimated variances the 2 seasons at hand are enough for 0.01, but 2 tell little of how much "
        "seasons differ: no hybrid counts as proven before 3."
    )
