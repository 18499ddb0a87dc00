"""Figures of year-on-year consistency: drawn where the numbers are."""

import numpy as np
import pandas as pd
import pytest
from test_component_figures import NASTY, drawn

from culmbook.consistency_figures import (
    plot_build_up,
    plot_mean_and_spread,
    plot_rank_ribbons,
    plot_reliability,
    plot_season_yields,
)
from culmbook.growth_curves import fit_growth
from culmbook.reliability import reliability_grid
from culmbook.stand_figures import new_figure
from culmbook.style import CONTROL, use_style


@pytest.fixture(autouse=True)
def style():
    use_style()


def seasons(names=("A", "STD", "B"), years=("2023", "2024")):
    rows = [{"hybrid": h, "season": y, "yield_t_ha": 10.0 - i + k} for i, h in enumerate(names) for k, y in enumerate(years)]
    frame = pd.DataFrame(rows)
    return frame.assign(lower=frame["yield_t_ha"] - 1, upper=frame["yield_t_ha"] + 2)


def test_season_panels_share_the_order_and_show_the_control_as_a_band():
    fig = new_figure(3.0)[0]
    fig.clear()
    axes = fig.subplots(1, 2)
    plot_season_yields(seasons(), ["STD"], "STD", axes=axes)
    assert [t.get_text() for t in axes[0].get_yticklabels()] == ["A", "STD", "B"]
    for ax, low in zip(axes, (8.0, 9.0), strict=True):
        band = ax.patches[0]
        assert (band.get_x(), band.get_width()) == (low, 3.0)
        assert ax.get_xlim() == axes[0].get_xlim()
    with pytest.raises(ValueError, match="2 seasons need"):
        plot_season_yields(seasons(), [], "STD", axes=axes[:1])


def test_build_up_marks_where_the_curve_is_full():
    x = np.arange(1.0, 6.0)
    table = pd.DataFrame({"crop_year": x, "yield_t_ha": 10 * (1 - np.exp(-1.2 * x)), "lower": 1.0, "upper": 11.0})
    curve = fit_growth(x, table["yield_t_ha"], "monomolecular")
    ax = drawn(lambda ax: plot_build_up(table, curve, table, ax=ax, title="A"))
    marks = [seg[0, 0] for c in ax.collections for seg in c.get_segments()]
    assert curve.time_to(0.95) in marks and ax.get_title(loc="left") == "A"
    assert len(drawn(lambda ax: plot_build_up(table, None, None, ax=ax, title="A")).lines) == 1


def statistics(names):
    mean = np.linspace(12, 4, len(names))
    return pd.DataFrame({"hybrid": names, "mean_t_ha": mean, "mean_t_ha_lower": mean - 1, "mean_t_ha_upper": mean + 1.5,
                         "cv": 0.15, "cv_lower": 0.05, "cv_upper": 0.3})


@pytest.mark.parametrize("names", [["A", "STD"], NASTY])
def test_lozenges_are_spanned_by_both_intervals(names):
    ax = drawn(lambda ax: plot_mean_and_spread(statistics(names), ["STD"], ax=ax))
    first = ax.patches[0].get_xy()[:4]
    assert first.ravel() == pytest.approx([11, 15, 12, 30, 13.5, 15, 12, 5])
    assert ax.get_ylim()[0] > ax.get_ylim()[1]
    squares = [line for line in ax.lines if line.get_marker() == "s"]
    assert squares[0].get_color() == CONTROL
    with pytest.raises(ValueError, match="one season"):
        plot_mean_and_spread(statistics(names).assign(cv=np.nan), [], ax=ax)


def test_reliability_contour_of_enough_runs_through_its_plans():
    variances = {"hybrid": 1.0, "hybrid_season": 1.0}  # y/(y + 1), whatever the sites: 0.8 at four seasons
    ax = drawn(lambda ax: plot_reliability(reliability_grid(variances, 3), 0.8, ax=ax, here=(2, 3)))
    heavy = [c for c in ax.collections if hasattr(c, "levels") and list(c.levels) == [0.8]]
    assert np.vstack([p.vertices for p in heavy[0].get_paths()])[:, 0] == pytest.approx(4.0)
    assert [line.get_xydata().tolist() for line in ax.lines] == [[[3, 2]]]
    drawn(lambda ax: plot_reliability(reliability_grid({"hybrid": 1.0}, 3), 0.8, ax=ax))


def test_contour_in_a_corner_is_left_out_because_its_label_would_be_cut():
    grid = pd.DataFrame(np.full((8, 8), 0.75), index=range(1, 9), columns=range(1, 9))
    grid.iloc[0, 0], grid.iloc[4:] = 0.45, 0.85
    ax = drawn(lambda ax: plot_reliability(grid, 0.7, ax=ax))
    lines = {level for c in ax.collections if hasattr(c, "levels") and not c.filled for level in c.levels}
    assert lines == {0.7, 0.8}


def test_ribbons_are_as_wide_as_ranks_are_uncertain():
    ranks = seasons().rename(columns={"yield_t_ha": "rank"}).assign(rank=[1, 2, 2, 1, 3, 3.0], lower=[1, 1, 1, 1, 3, 3.0],
                                                                     upper=[2, 3, 3, 2, 3, 3.0])
    ax = drawn(lambda ax: plot_rank_ribbons(ranks, ["A", "STD"], ax=ax))
    ribbon = ax.collections[0].get_paths()[0].vertices
    assert ribbon[:, 1].min() == pytest.approx(0.7) and ribbon[:, 1].max() == pytest.approx(3.3)
    assert {t.get_text() for t in ax.texts} == {"A", "STD"} and ax.get_ylim()[0] > ax.get_ylim()[1]
    with pytest.raises(ValueError, match="told apart"):
        plot_rank_ribbons(ranks, list("ABCDEFG"), ax=ax)
    with pytest.raises(ValueError, match="one season"):
        plot_rank_ribbons(ranks[ranks["season"] == "2023"], ["A"], ax=ax)


def test_names_at_the_same_rank_do_not_cover_each_other():
    ranks = pd.DataFrame({"hybrid": np.repeat(list("ABC"), 2), "season": ["1", "2"] * 3, "rank": 1.0, "lower": 1.0, "upper": 2.0})
    ax = drawn(lambda ax: plot_rank_ribbons(ranks, ["A", "B", "C"], ax=ax))
    boxes = sorted((t.get_window_extent() for t in ax.texts), key=lambda b: b.y0)
    assert all(low.y1 <= high.y0 + 1 for low, high in zip(boxes, boxes[1:]))
