"""Figures of the stand: drawn where the numbers are, readable with any number and kind of names."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from culmbook.pages.stand_figures import (
    new_figure,
    plot_differences,
    plot_shares,
    plot_survival,
    plot_treatments,
    plot_verdicts,
)
from culmbook.show.figures import LONGEST_NAME, MOST_NAMES, height_for, named_words, short_name
from culmbook.show.page import figure
from culmbook.show.palette import CONTROL, MIN_TEXT_PT, use_style

NASTY = ["$x$", "#1", "<script>", "*b*", "_hidden", "H" * 60, "a\\b{c}", "%d"]


@pytest.fixture(autouse=True)
def style():
    use_style()


def _shares(names, low=0.5, high=0.95):
    share = np.linspace(high, low, len(names))
    return pd.DataFrame(
        {"hybrid": names, "share": share, "lower": share - 0.04, "upper": share + 0.04}
    )


def _survival(names, steps=("autumn", "early summer")):
    return pd.DataFrame(
        [
            (h, step, k, 0.95 ** (k * (i + 1)))
            for i, h in enumerate(names)
            for k, step in enumerate(steps, 1)
        ],
        columns=["hybrid", "interval", "order", "survival"],
    )


def _chances(names):
    good = np.linspace(1, 0, len(names))
    return pd.DataFrame(
        {"hybrid": names, "p_good": good, "p_fill": (1 - good) / 2, "p_replant": (1 - good) / 2}
    )


def _drawn(draw, rows):
    fig, ax = new_figure(height_for(rows))
    FigureCanvasAgg(fig)  # measures text
    draw(ax)
    fig.draw_without_rendering()
    return fig, ax


def _overlaps(fig, texts):
    """Neighbouring texts that lie over one another."""
    boxes = [t.get_window_extent(fig.canvas.get_renderer()) for t in texts if t.get_text()]
    return [i for i, (above, below) in enumerate(zip(boxes, boxes[1:])) if above.y0 < below.y1]


def _named(ax):
    return [t.get_text() for t in ax.get_yticklabels()]


def test_plot_shares_draws_percent_from_the_top_in_order():
    frame = _shares(["a", "b", "c"])
    fig, ax = _drawn(lambda ax: plot_shares(frame, ["b"], xlabel="Alive [%]", ax=ax), 3)
    points = {float(x): float(y) for line in ax.lines for x, y in zip(*line.get_data())}
    assert [points[x] for x in 100 * frame["share"]] == [2, 1, 0] and _named(ax) == ["a", "b", "c"]
    assert ax.get_xlabel() == "Alive [%]"


def test_plot_shares_sets_controls_apart_by_colour_and_marker():
    fig, ax = _drawn(lambda ax: plot_shares(_shares(["a", "b", "c"]), ["b"], xlabel="x", ax=ax), 3)
    looks = {line.get_marker(): (line.get_color(), len(line.get_xdata())) for line in ax.lines}
    assert looks["s"] == (CONTROL, 1) and looks["o"][0] != CONTROL and looks["o"][1] == 2


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 0.0), (0.0, 0.05), (0.5, 0.5), (0.97, 1.0), (1.0, 1.0), (0.0, 1.0)]
)
def test_plot_shares_shows_every_interval_near_0_and_100(low, high):
    frame = _shares(["a", "b"], low, high).assign(
        lower=lambda t: t["lower"].clip(0, 1), upper=lambda t: t["upper"].clip(0, 1)
    )
    fig, ax = _drawn(lambda ax: plot_shares(frame, [], xlabel="x", ax=ax), 2)
    left, right = ax.get_xlim()
    assert left <= 100 * frame["lower"].min() and 100 * frame["upper"].max() <= right
    assert left > -1 and right < 101 + 1e-9 + 20 and right - left >= 20


def test_plot_differences_marks_no_difference_and_names_the_control():
    frame = _shares(["a", "b"]).rename(columns={"share": "difference"})
    fig, ax = _drawn(lambda ax: plot_differences(frame, "STD", ax=ax), 2)
    assert any(list(line.get_xdata()) == [0, 0] for line in ax.lines)
    assert ax.get_xlabel() == "Difference from STD [percentage points]"


def test_plot_treatments_draws_each_treatment():
    frame = _shares(["hand, film", "machine, no film"]).rename(columns={"hybrid": "treatment"})
    fig, ax = _drawn(lambda ax: plot_treatments(frame, ax=ax), 2)
    assert _named(ax) == ["hand, film", "machine, no film"] and "[%]" in ax.get_xlabel()


def test_plot_survival_starts_at_all_planted_and_names_the_chosen():
    frame = _survival(["a", "b", "c", "d"])
    fig, ax = _drawn(lambda ax: plot_survival(frame, ["c", "a"], ax=ax), 4)
    assert all(line.get_ydata()[0] == 100 for line in ax.lines) and len(ax.lines) == 4
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["c", "a"]
    assert [t.get_text() for t in ax.get_xticklabels()] == ["planted", "autumn", "early summer"]


def test_plot_survival_lines_differ_without_colour():
    fig, ax = _drawn(lambda ax: plot_survival(_survival(list("abcdefg")), list("abcdef"), ax=ax), 7)
    named = [line for line in ax.lines if line.get_marker() != "None"]
    assert len(named) == 6 and len({line.get_marker() for line in named}) == 6


def test_plot_verdicts_bars_fill_the_hundred():
    frame = _chances(["a", "b", "c"])
    fig, ax = _drawn(lambda ax: plot_verdicts(frame, ax=ax), 3)
    ends = pd.Series([bar.get_x() + bar.get_width() for bar in ax.containers[-1]])
    assert ends.to_numpy() == pytest.approx([100] * 3)
    assert len({bar[0].get_hatch() for bar in ax.containers}) == 3
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["good", "fill gaps", "replant"]


@pytest.mark.parametrize("rows", [1, 2, 26, MOST_NAMES, MOST_NAMES + 1, 120, 250])
def test_names_never_overlap_however_many(rows):
    names = [f"H{i:03d}" for i in range(rows)]
    for draw in (
        lambda ax: plot_shares(_shares(names), names[:1], xlabel="x", ax=ax),
        lambda ax: plot_verdicts(_chances(names), ax=ax),
    ):
        fig, ax = _drawn(draw, rows)
        assert _overlaps(fig, ax.get_yticklabels()) == []
        assert all(t.get_fontsize() >= MIN_TEXT_PT for t in ax.get_yticklabels())
    assert (named_words(rows) == "") == (len(_named(ax)) == rows)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (MOST_NAMES, ""),
        (2 * MOST_NAMES, " Every 2nd hybrid"),
        (3 * MOST_NAMES, " Every 3rd hybrid"),
        (6 * MOST_NAMES, " Every 6th hybrid"),
    ],
)
def test_named_words_say_which_names_are_left_out(rows, words):
    assert named_words(rows).startswith(words) and (words != "" or named_words(rows) == "")


def test_short_name_keeps_both_ends():
    assert short_name("H" * LONGEST_NAME) == "H" * LONGEST_NAME
    first, second = (short_name("x" * 30 + str(i) + "y" * 3) for i in (1, 2))
    assert first != second and len(first) == LONGEST_NAME


@pytest.mark.parametrize(
    "draw",
    [
        lambda ax: plot_shares(_shares(NASTY), ["_hidden"], xlabel="x", ax=ax),
        lambda ax: plot_differences(
            _shares(NASTY).rename(columns={"share": "difference"}), "$" * 60, ax=ax
        ),
        lambda ax: plot_survival(_survival(NASTY), ["_hidden", "$x$", "H" * 60, "<script>"], ax=ax),
        lambda ax: plot_verdicts(_chances(NASTY), ax=ax),
    ],
)
@pytest.mark.filterwarnings("error")
def test_hostile_names_are_drawn_as_they_stand(draw):
    fig, ax = _drawn(draw, len(NASTY))
    legend = ax.get_legend()
    texts = {*_named(ax), *([t.get_text() for t in legend.get_texts()] if legend else [])}
    assert {"$x$", "<script>", "_hidden"} <= texts
    assert ax.get_window_extent().width > 0.5 * fig.bbox.width
    svg = figure(fig, label="nasty", caption="c", alt="a").svg
    assert "<script>" not in svg and "&lt;script&gt;" in svg and "$x$" in svg


def test_legend_of_survival_lies_clear_of_the_lines():
    frame = _survival(list("abcdef")).assign(survival=0.0)
    fig, ax = _drawn(lambda ax: plot_survival(frame, list("abcdef"), ax=ax), 12)
    renderer = fig.canvas.get_renderer()
    assert ax.get_legend().get_window_extent(renderer).y0 >= ax.get_window_extent(renderer).y1 - 1
    assert ax.get_legend().get_window_extent(renderer).x1 <= fig.bbox.x1


def test_figures_do_not_change_their_frames():
    for frame, draw in (
        (_shares(["a", "b"]), lambda f, ax: plot_shares(f, [], xlabel="x", ax=ax)),
        (_chances(["a", "b"]), lambda f, ax: plot_verdicts(f, ax=ax)),
        (_survival(["a", "b"]), lambda f, ax: plot_survival(f, ["a"], ax=ax)),
    ):
        before = frame.copy()
        _drawn(lambda ax: draw(frame, ax), 2)
        pd.testing.assert_frame_equal(frame, before)
