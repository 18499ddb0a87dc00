"""Figures of the cold draw what they were given, with units."""

import numpy as np
import pandas as pd
import pytest
from test_spring_frost import emerged, springs

from culmbook.cold_figures import (
    plot_field_against_severity,
    plot_freeze_against_field,
    plot_frost_calendar,
    plot_return_levels,
)
from culmbook.spring_frost import latest_frosts
from culmbook.stand_figures import new_figure


@pytest.fixture
def ax():
    return new_figure(3.0)[1]


def texts(ax):
    return [t.get_text() for t in ax.get_legend().get_texts()]


def test_return_levels_show_every_winter_and_the_marks(ax, rng):
    minima = pd.Series(rng.gumbel(-3, 1, 20))
    plot_return_levels(minima, ax=ax, marks={"LT50 of STD": -3.5})
    dots = next(line for line in ax.lines if line.get_marker() == "o")
    assert (
        sorted(dots.get_ydata()) == sorted(minima)
        and dots.get_xdata()[minima.argmin()] == dots.get_xdata().max()
    )
    assert [t.get_text() for t in ax.texts] == ["LT50 of STD"]
    assert "[winters]" in ax.get_xlabel() and "[°C]" in ax.get_ylabel()


def test_fitted_line_falls_through_the_median_winter(ax, rng):
    minima = pd.Series(rng.gumbel(-3, 1, 40))
    line = plot_return_levels(minima, ax=ax).lines[0]
    assert (np.diff(line.get_ydata()) < 0).all()
    assert np.interp(2, line.get_xdata(), line.get_ydata()) == pytest.approx(minima.median(), abs=0.5)


def test_fourteen_winters_are_not_drawn(ax, rng):
    with pytest.raises(ValueError, match="There are 14 complete winters"):
        plot_return_levels(pd.Series(rng.normal(-3, 1, 14)), ax=ax)


def test_calendar_marks_years_without_frost_and_leaves_unknown_years_out(ax):
    weather = springs(["04-10", None, "05-14"])
    weather = weather[weather["date"] != "2001-05-01"]
    plot_frost_calendar(latest_frosts(weather), emerged([120.0], "STD"), ax=ax, controls=["STD"])
    frost, none = ax.lines[:2]
    assert frost.get_xdata().tolist() == [134] and none.get_ydata().tolist() == [2002]
    assert texts(ax) == [
        "last damaging frost",
        "no damaging frost",
        "emergence, all hybrids",
        "emergence, STD",
    ]


def test_calendar_without_emergence_shows_frosts_alone(ax):
    plot_frost_calendar(latest_frosts(springs(["04-10", "04-20"])), emerged([120.0]).iloc[:0], ax=ax)
    assert texts(ax) == ["last damaging frost"]


def test_severity_names_hybrids_and_skips_winters_without_a_minimum(ax):
    observed = pd.DataFrame(
        {"hybrid": ["_A", "B", "_A"], "minimum_c": [-3.0, -3.0, np.nan], "share": [0.9, 0.5, 0.1]}
    )
    plot_field_against_severity(
        observed, ax=ax, named=["_A"], line=pd.DataFrame({"minimum_c": [-4.0, -2.0], "share": [0.4, 0.8]})
    )
    drawn = {tuple(line.get_ydata()) for line in ax.lines}
    assert drawn == {(50.0,), (90.0,), (40.0, 80.0)} and texts(ax) == ["_A", "all hybrids, model"]
    assert "[°C]" in ax.get_xlabel() and "[%]" in ax.get_ylabel()


def test_freeze_against_field_names_controls(ax):
    both = pd.DataFrame(
        {
            "hybrid": ["A", "STD"],
            "lt50_c": [-4.0, -3.0],
            "share": [0.9, 0.8],
            "lower": [0.8, 0.7],
            "upper": [0.95, 0.9],
            "lt50_lower_c": [-np.inf, -3.5],
            "lt50_upper_c": [-3.8, -2.5],
        }
    )
    plot_freeze_against_field(both, ax=ax, controls=["STD"])
    assert [t.get_text() for t in ax.texts] == ["STD"]
    assert np.isfinite(ax.get_xlim()).all() and ax.get_xlim()[0] < -4.5
