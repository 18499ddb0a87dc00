"""Figures of harvest and components: drawn where the numbers are."""

import numpy as np
import pandas as pd
import pytest
from component_frames import make_ground, make_harvests
from matplotlib.backends.backend_agg import FigureCanvasAgg
from test_yield_prediction import BOTH, cut_plots

from culmbook.component_figures import name_points, plot_contributions, plot_paths, plot_plan, plot_plane, plot_predicted
from culmbook.harvest import plot_harvests
from culmbook.harvest_figures import plot_dry_down, plot_yield_differences, plot_yields
from culmbook.moisture import Trend
from culmbook.sampling_plan import Spread, plan_plants
from culmbook.stand_figures import height_for, new_figure
from culmbook.style import CONTROL, MIN_TEXT_PT, use_style
from culmbook.yield_paths import path_coefficients
from culmbook.yield_prediction import calibrate, cross_validate, predict

NASTY = ["$x$", "#1", "<script>", "*b*", "_hidden", "H" * 60, "a\\b{c}", "%d"]


@pytest.fixture(autouse=True)
def style():
    use_style()


def drawn(draw, height=3.0):
    fig, ax = new_figure(height)
    FigureCanvasAgg(fig)
    draw(ax)
    fig.draw_without_rendering()
    small = [t for t in fig.findobj(lambda a: hasattr(a, "get_fontsize")) if t.get_text() and t.get_fontsize() < MIN_TEXT_PT]
    assert not small
    return ax


def shares(values, among=("hybrids", "plots")):
    names = ["plants_per_m2", "stems_per_plant", "stem_mass_g", "rest"]
    frames = [pd.DataFrame({"among": a, "component": names, "share": values, "lower": np.array(values) - 0.1,
                            "upper": np.array(values) + 0.2}) for a in among]
    return pd.concat(frames, ignore_index=True)


def test_contributions_stack_to_their_sum_and_negative_ones_to_the_left():
    ax = drawn(lambda ax: plot_contributions(shares([0.5, -0.2, 0.6, 0.1]), ax=ax))
    bars = [(p.get_x(), p.get_width()) for p in ax.patches][:4]
    ends = sorted((min(x, x + w), max(x, x + w)) for x, w in bars)
    assert np.ravel(ends) == pytest.approx([-0.2, 0, 0, 0.5, 0.5, 1.1, 1.1, 1.2])
    assert [t.get_text() for t in ax.get_yticklabels()] == ["among plots", "among hybrids"]
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["Plants", "Stems per plant", "Mass per stem", "Not explained"]
    intervals = [seg[:, 0].round(6).tolist() for c in ax.collections for seg in c.get_segments()]
    assert [0.4, 0.7] in intervals and [-0.3, 0.0] in intervals  # from where the segment starts


def test_iso_yield_lines_lie_where_the_model_puts_that_yield(rng):
    model = calibrate(cut_plots(rng), BOTH, "tall")
    hybrids = pd.DataFrame({"hybrid": ["A", "STD"], "stems_per_m2": [25.0, 35.0], "stem_height_cm": [180.0, 190.0]})
    ax = drawn(lambda ax: plot_plane(hybrids, model, ["STD"], ax=ax))
    contours = next(c for c in ax.collections if hasattr(c, "levels"))
    for level, path in zip(contours.levels, contours.get_paths(), strict=True):
        for x, y in path.vertices[:5]:
            at = pd.DataFrame({"stems_per_m2": [x], "stem_height_cm": [y], "crop_type": "tall", "site_year": "new"})
            assert predict(model, at)["predicted_t_ha"].fillna(level).iloc[0] == pytest.approx(level, rel=0.02)
    squares = [line for line in ax.lines if line.get_marker() == "s"]
    assert squares[0].get_color() == CONTROL and squares[0].get_xdata().tolist() == [35.0]
    assert {"A", "STD"} <= {t.get_text() for t in ax.texts}
    with pytest.raises(ValueError, match="the plane needs"):
        plot_plane(hybrids, calibrate(cut_plots(rng), BOTH[:1], "tall"), [], ax=ax)


def test_names_keep_clear_of_each_other_and_of_points():
    count = {}

    def draw(ax):
        ax.set(xlim=(0, 1), ylim=(0, 1))
        count["free"] = name_points(ax, [0.2, 0.8], [0.5, 0.5], ["a", "b"])
        count["crowded"] = name_points(ax, np.full(20, 0.5), np.full(20, 0.9), [f"H{i}" for i in range(20)])

    drawn(draw)
    assert count["free"] == 0 and count["crowded"] > 0


def test_path_diagram_shows_every_effect_and_correlation():
    r = pd.DataFrame([[1, 0.20, 0.24, 0.70], [0.20, 1, 0.30, 0.80], [0.24, 0.30, 1, 0.30], [0.70, 0.80, 0.30, 1]], list("abcy"), list("abcy"))
    ax = drawn(lambda ax: plot_paths(path_coefficients(r, "y"), "dry_yield_t_ha", ax=ax))
    texts = {t.get_text() for t in ax.texts}
    assert {"0.57", "0.70", "−0.05", "0.20", "0.24", "0.30", "rest 0.23", "a", "b", "c", "Yield"} <= texts
    broken = [p for p in ax.patches if p.get_linestyle() != "solid" and p.get_linestyle() != "-"]
    assert len(broken) == 1  # the negative effect


def test_predicted_against_cut_draws_every_plot_inside_the_range(rng):
    table = cross_validate(cut_plots(rng), BOTH, "tall")
    ax = drawn(lambda ax: plot_predicted(table, ax=ax))
    points = next(line for line in ax.lines if line.get_marker() == "o")
    assert len(points.get_xdata()) == (~table["is_outside"]).sum()
    assert ax.get_xlim() == ax.get_ylim()


@pytest.mark.parametrize("names", [["H01", "STD", "H02"], NASTY, [f"H{i}" for i in range(120)]])
def test_yields_and_differences_name_hybrids_as_typed(names):
    middle = np.linspace(12, 2, len(names))
    frame = pd.DataFrame({"hybrid": names, "mean": middle, "difference": middle - 7, "lower": middle - 1, "upper": middle + 1})
    ax = drawn(lambda ax: plot_yields(frame, ["STD"], ax=ax), height_for(len(names)))
    assert ax.get_yticklabels()[0].get_text() == names[0] and ax.get_xlabel() == "Dry yield [t/ha]"
    lines = [seg for c in ax.collections for seg in c.get_segments()]
    assert len(lines) == len(names)
    ax = drawn(lambda ax: plot_yield_differences(frame, "STD", ax=ax), height_for(len(names)))
    assert any(list(line.get_xdata()) == [0, 0] for line in ax.lines) and "STD" in ax.get_xlabel()


def test_dry_down_line_falls_with_its_slope():
    ground = make_ground()
    cut = make_harvests(ground)
    cut.loc[::2, "harvested_on"] = pd.Timestamp("2026-03-06")
    frame = plot_harvests(cut, ground, early_days=30)
    trend = Trend(-0.3, 0.05, 8, -0.4, -0.2, ("S1",), frame["harvested_on"].min(), frame["harvested_on"].max(), 9, 2)
    ax = drawn(lambda ax: plot_dry_down(frame, trend, ["STD"], ax=ax))
    line = next(line for line in ax.lines if line.get_marker() in ("None", "")).get_xydata()
    assert line[1, 1] - line[0, 1] == pytest.approx(-0.3 * 20) and line[1, 0] - line[0, 0] == pytest.approx(20)
    ax = drawn(lambda ax: plot_dry_down(frame, None, ["STD"], ax=ax))
    assert all(line.get_marker() in ("o", "s") for line in ax.lines)


def test_plan_marks_the_first_number_that_is_enough():
    plan = plan_plants(Spread("stems", 0.04, 0.09, 60, 300), 3)
    ax = drawn(lambda ax: plot_plan({"Stems": plan}, ax=ax))
    ring = next(line for line in ax.lines if line.get_markersize() == 8)
    assert list(ring.get_xdata()) == [10]  # 0.09/n over 0.04 + 0.09/n is at most 0.2 from n = 9 on; 10 is the next looked at
