import matplotlib.pyplot as plt
import pandas as pd
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from culmbook.show.field_map import (
    BORDERS,
    caption,
    draw,
    in_words,
    kind_of_plot,
    pages,
    plot_trial_map,
)
from culmbook.show.page import figure
from culmbook.show.palette import GRADIENT, MIN_TEXT_PT, PAGE_WIDTH_IN, use_style
from culmbook.text.refusal import Refusal


@pytest.fixture(autouse=True)
def style():
    with plt.rc_context():
        use_style()
        yield
    plt.close("all")


def trial(n_rows=3, n_columns=4, site="A", name="T25", main_plots=False, **columns):
    place = [(r, c) for r in range(1, n_rows + 1) for c in range(1, n_columns + 1)]
    frame = {
        "site": site,
        "trial": name,
        "plot": [f"{r:02d}{c:02d}" for r, c in place],
        "row": [r for r, _ in place],
        "column": [c for _, c in place],
        "replicate": [str(1 + (r - 1) // 4) for r, _ in place],
        "block": [f"{r}-{1 + (c - 1) // 2}" for r, c in place],
        "main_plot": [f"M{r}" if main_plots else None for r, _ in place],
        "planting_method": ["machine" if main_plots and r % 2 else "hand" for r, _ in place],
        "film": ["film" if main_plots and r % 3 else "none" for r, _ in place],
        "status": "ok",
        "n_missing": [i % 41 for i in range(len(place))],
        "missing_share": [i % 41 / 40 for i in range(len(place))],
    }
    frame = pd.DataFrame({**frame, **columns})
    return frame.astype({"n_missing": "Int64", "missing_share": "float64", "main_plot": "str"})


def tiles(ax):
    plots = [patch for patch in ax.patches if isinstance(patch, Rectangle)]
    return {(round(p.get_x() + 0.5), round(p.get_y() + 0.5)): p for p in plots}


def test_every_plot_is_drawn_in_its_place_with_its_share():
    frame = trial()
    drawn = tiles(plot_trial_map(frame, plt.figure().subplots()))
    assert len(drawn) == 12
    for plot in frame.itertuples():
        assert drawn[plot.column, plot.row].get_facecolor() == pytest.approx(
            GRADIENT(plot.missing_share)
        )


def test_row_one_is_at_the_top():
    ax = plot_trial_map(trial(), plt.figure().subplots())
    assert ax.get_ylim()[0] > ax.get_ylim()[1]


def test_the_number_in_a_plot_is_its_missing_plants():
    ax = plot_trial_map(trial(2, 2, n_missing=[0, 7, 12, 40]), plt.figure().subplots())
    assert {text.get_text(): text.get_position() for text in ax.texts} == {
        "0": (1, 1),
        "7": (2, 1),
        "12": (1, 2),
        "40": (2, 2),
    }


def test_lost_and_uncounted_plots_are_hatched_without_number():
    frame = trial(
        1, 4, status=["ok", "damaged", "abandoned", "ok"], missing_share=[0.1, 0.2, 0.3, None]
    )
    ax = plot_trial_map(frame, plt.figure().subplots())
    hatches = [tiles(ax)[i, 1].get_hatch() for i in (1, 2, 3, 4)]
    assert not hatches[0] and len(set(hatches[1:])) == 3 and all(hatches[1:])
    assert [text.get_text() for text in ax.texts] == ["0"]
    assert kind_of_plot(frame).tolist() == ["ok", "damaged", "abandoned", "not counted"]


def test_shades_get_darker_with_missing_plants_in_a_grey_print():
    grey = [
        0.299 * r + 0.587 * g + 0.114 * b for r, g, b, _ in (GRADIENT(i / 20) for i in range(21))
    ]
    assert all(a > b for a, b in zip(grey, grey[1:]))


def test_numbers_read_against_their_plot():
    """Contrast by the formula of the Web Content Accessibility Guidelines 2.1: at least 3 to 1."""

    def luminance(colour):
        linear = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)
        ]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    ax = plot_trial_map(trial(5, 8), plt.figure().subplots())
    for text in ax.texts:
        x, y = text.get_position()
        pair = sorted([luminance(tiles(ax)[x, y].get_facecolor()), luminance(text.get_color())])
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 3


def test_replicates_main_plots_and_blocks_are_outlined():
    with_main = plot_trial_map(trial(8, 4, main_plots=True), plt.figure().subplots())
    without = plot_trial_map(trial(8, 4), plt.figure().subplots())
    n_lines = [[len(c.get_segments()) for c in ax.collections[3:]] for ax in (with_main, without)]
    assert len(BORDERS) == 3 and n_lines[0][1] > 0 and n_lines[1][1] == 0
    assert n_lines[0][0] == n_lines[1][0] > n_lines[0][2] > 0


def test_treatments_are_named_beside_their_rows_when_there_are_several():
    many = plot_trial_map(trial(4, 3, main_plots=True), plt.figure().subplots())
    names = {text.get_text() for text in many.texts if "," in text.get_text()}
    assert names == {"machine, film", "hand, film", "machine, no film"}
    assert not [
        t for t in plot_trial_map(trial(), plt.figure().subplots()).texts if "," in t.get_text()
    ]


@pytest.mark.parametrize("shape", [(12, 26), (6, 13), (12, 14), (26, 3), (1, 1)])
def test_map_fits_the_page_and_its_text_is_large_enough(shape):
    fig = draw(trial(*shape, main_plots=shape[0] == 12))
    fig.draw_without_rendering()
    assert fig.get_figwidth() == pytest.approx(PAGE_WIDTH_IN) and fig.get_figheight() <= 9
    sizes = [t.get_fontsize() for t in fig.findobj(Text) if t.get_text().strip()]
    assert min(sizes) >= MIN_TEXT_PT


def test_numbers_fit_into_the_plots_of_the_largest_trial():
    fig = draw(trial(12, 26, main_plots=True, n_missing=88))
    fig.draw_without_rendering()
    ax = fig.axes[0]
    width = abs(ax.transData.transform((1, 0))[0] - ax.transData.transform((0, 0))[0])
    numbers = [t for t in ax.texts if t.get_text() == "88"]
    assert len(numbers) == 312
    assert max(t.get_window_extent().width for t in numbers) < width


def test_two_plots_in_one_place_are_refused():
    with pytest.raises(ValueError, match="plots 0101, 0102 share row 1, column 1"):
        draw(trial(1, 2, column=[1, 1]))


def test_plots_without_a_place_are_refused():
    with pytest.raises(Refusal, match="no map to draw"):
        pages(trial(row=None))


def test_small_maps_show_every_trial_and_fit_the_page():
    frame = pd.concat([trial(6, 13, site=s, name=f"{s}{y}") for s in "ABCDE" for y in (22, 25)])
    [page] = pages(frame)
    fig = draw(page)
    assert [ax.get_title(loc="left") for ax in fig.axes[:2]] == ["A: A22", "A: A25"]
    shown = figure(fig, label="maps", caption="Maps.", alt="Ten maps.")
    assert shown.height_in <= 9 and shown.width_in == pytest.approx(PAGE_WIDTH_IN)


def test_a_trial_without_any_count_needs_no_scale():
    fig = draw(trial(2, 2, missing_share=None, n_missing=None))
    assert len(fig.axes) == 1 and fig.legends[0].get_texts()[0].get_text() == "not counted"


def test_captions_explain_the_signs_that_occur():
    plain, split = trial(3, 4, name="T22"), trial(3, 4, name="T24", main_plots=True)
    first, second = map(caption, pages(pd.concat([plain, split])))
    assert first.startswith("Trial T22, 12 plots. Number in a plot: plants missing")
    assert "medium" not in first and "medium lines part main plots" in second
    assert "Hatched" not in first and "Hatched" in caption(trial(status="damaged"))
    assert "2 trials. Shade:" in caption(pages(pd.concat([plain, trial(site="B", name="B22")]))[0])


def test_maps_are_said_in_words():
    assert in_words(trial(1, 4, missing_share=[0.1, 0.2, 0.3, None])) == (
        "Map of T25: 3 plots counted, with 10 % to 30 % of their plants missing and 20 % in the median "
        "plot; 0 plots damaged or abandoned."
    )


def test_scale_and_hatches_share_a_row():
    kinds = {
        "status": ["ok", "damaged", "abandoned", "ok"] * 2,
        "missing_share": [0.1, 0.1, 0.1, None] * 2,
    }
    fig = draw(trial(2, 4, **kinds))
    fig.draw_without_rendering()
    bar, legend = fig.axes[1].get_window_extent(), fig.axes[1].get_legend().get_window_extent()
    assert legend.x0 > bar.x1 and legend.y0 < bar.y1 and legend.y1 > bar.y0
    assert legend.x1 <= fig.bbox.x1
