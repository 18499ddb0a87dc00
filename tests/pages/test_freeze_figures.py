"""Figures of freeze tests show every hybrid once, with its numbers or its answer."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from culmbook.frost.freeze_curves import against_control, lethal_temperatures, survival_curves
from culmbook.frost.freeze_curves import fit_freeze
from culmbook.frost.freeze_tests import observed_survival, survival_sets
from culmbook.pages.freeze_figures import MOST_CURVES, panels_height, plot_curves, plot_lt50
from freeze_frames import LT50, freeze_table

HYBRIDS = {**LT50, "HARD": -9.0, "SOFT": 0.5, "C6": -4.2, "C7": -2.8}


@pytest.fixture(scope="module")
def fit():
    (cells,) = survival_sets(freeze_table(HYBRIDS)).values()
    return fit_freeze(cells)


def test_plot_curves_draws_a_panel_per_hybrid(fit):
    table = lethal_temperatures(fit)
    figure = plot_curves(
        survival_curves(fit, np.linspace(-6, -1, 20)), observed_survival(fit.cells), table, ["STD"]
    )
    panels = [ax for ax in figure.axes if ax.get_visible()]
    assert [ax.get_title(loc="left") or ax.get_title() for ax in panels] == list(table["hybrid"])
    words = {
        (ax.get_title(loc="left") or ax.get_title()): [t.get_text() for t in ax.texts]
        for ax in panels
    }
    assert (
        words["HARD"] == ["below −6 °C"] and words["SOFT"] == ["above −1 °C"] and words["A"] == []
    )
    middle = next(
        line for line in panels[list(table["hybrid"]).index("A")].lines if line.get_marker() == "|"
    )
    assert middle.get_xdata()[0] == pytest.approx(-4.0, abs=0.1)
    figure.savefig("/dev/null", format="svg")


def test_plot_curves_refuses_more_than_a_page(fit):
    many = lethal_temperatures(fit).sample(MOST_CURVES + 1, replace=True, random_state=1)
    with pytest.raises(ValueError, match="draw them in parts"):
        plot_curves(survival_curves(fit, [-3.0]), observed_survival(fit.cells), many, [])
    assert panels_height(7) > panels_height(6) == panels_height(2)


def test_plot_lt50_draws_intervals_and_answers(fit):
    table = against_control(fit, "STD")
    ax = plot_lt50(table, "STD", ax=Figure().subplots())
    assert [label.get_text() for label in ax.get_yticklabels()] == list(table["hybrid"])
    assert sorted(t.get_text() for t in ax.texts) == ["above −1 °C", "below −6 °C"]
    points = next(line for line in ax.lines if line.get_marker() == "o")
    assert list(points.get_xdata()) == pytest.approx(table["difference_c"].dropna().to_list())
    assert "STD" in ax.get_xlabel()


def test_plot_lt50_keeps_endless_intervals_on_the_axis(fit):
    table = against_control(fit, "STD")
    table.loc[table["hybrid"].eq("A"), ["lower_c", "upper_c"]] = [-np.inf, np.inf]
    ax = plot_lt50(table, "STD", ax=Figure().subplots())
    assert np.isfinite(ax.get_xlim()).all()
