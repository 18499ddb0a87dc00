import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from culmbook.pages.stem_height import (
    height_differences,
    in_words,
    plot_differences,
    plot_heights,
    show_heights,
)

# Dobson 1983, An Introduction to Statistical Modelling: dried weight of plants of a control and two
# treatments, as carried by R under the name PlantGrowth
WEIGHTS = {
    "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
    "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
    "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
}


def trial(rng, n_units=6, n_hybrids=5, sd=4.0):
    rows = [
        (f"H{h}", str(u), 150 + 10 * h + 6 * u + rng.normal(0, sd))
        for u in range(n_units)
        for h in range(n_hybrids)
    ]
    return pd.DataFrame(rows, columns=["hybrid", "unit", "stem_height_cm"])


def test_differences_match_dobson_1983():
    # R's documentation prints -0.371 and 0.494 with standard error 0.2788 on 27 degrees of freedom; values
    # from memory, recomputed here as differences of the group means
    frame = pd.DataFrame(
        [(name, x) for name, xs in WEIGHTS.items() for x in xs],
        columns=["hybrid", "stem_height_cm"],
    )
    out = height_differences(frame, "ctrl", "stem_height_cm ~ hybrid").set_index("hybrid")
    assert out.loc["trt1", "difference_cm"] == pytest.approx(-0.371, abs=5e-4)
    assert out.loc["trt2", "difference_cm"] == pytest.approx(0.494, abs=5e-4)
    half = (out["high_cm"] - out["low_cm"]) / 2
    assert half.to_numpy() == pytest.approx(
        2.0518 * 0.2788, abs=5e-4
    )  # t(27, 0.975) of any t table


def test_unit_differences_are_taken_out():
    rng = np.random.default_rng(7)
    out = height_differences(trial(rng, sd=1e-6), "H0").set_index("hybrid")
    assert out["difference_cm"].sort_index().tolist() == pytest.approx([10, 20, 30, 40], abs=1e-3)


def test_intervals_cover_the_true_differences():
    rng = np.random.default_rng(11)
    hits = []
    for _ in range(300):
        out = height_differences(trial(rng), "H0")
        true = 10 * out["hybrid"].str[1:].astype(int)
        hits += list((out["low_cm"] <= true) & (true <= out["high_cm"]))
    assert (
        0.92 <= np.mean(hits) <= 0.98
    )  # Monte Carlo standard error about 0.01, contrasts sharing a control


def test_row_order_does_not_matter():
    frame = trial(np.random.default_rng(3))
    again = height_differences(frame.sample(frac=1, random_state=1), "H0")
    pd.testing.assert_frame_equal(again, height_differences(frame, "H0"))


def test_unconnected_hybrids_are_refused():
    frame = trial(np.random.default_rng(5))
    frame.loc[frame["hybrid"] == "H4", "unit"] = "alone"
    with pytest.raises(ValueError, match="never share a unit"):
        height_differences(frame, "H0")


def test_a_missing_control_is_refused_and_named():
    with pytest.raises(ValueError, match="the control STD and another hybrid need a measured plot"):
        height_differences(trial(np.random.default_rng(5)), "STD")


def test_too_few_plots_are_refused():
    with pytest.raises(ValueError, match="2 degrees of freedom"):
        height_differences(trial(np.random.default_rng(5), 2, 3), "H0")


def test_heights_are_means_of_the_last_round():
    days = pd.to_datetime(["2025-08-20", "2025-11-12", "2025-11-12", "2025-08-20"])
    measures = pd.DataFrame(
        {
            "site": "A",
            "plot": ["1", "1", "1", "2"],
            "growing_season": 2025,
            "measured_on": days,
            "stem_height_cm": [100.0, 150.0, None, 90.0],
        }
    )
    plots = pd.DataFrame(
        {
            "site": "A",
            "plot": ["1", "2"],
            "trial": "T",
            "replicate": "1",
            "main_plot": None,
            "block": "3",
            "hybrid": "H1",
            "status": "ok",
        }
    )
    out = plot_heights(measures, plots, 2025, "T")
    assert out[["plot", "n_plants", "stem_height_cm", "unit"]].values.tolist() == [
        ["1", 1, 150.0, "1 / 3"]
    ]
    assert (
        plot_heights(measures, plots, 2024, "T").empty
        and plot_heights(measures, plots, 2025, "U").empty
    )


def test_the_figure_has_a_line_per_hybrid_and_the_unit_on_its_axis():
    out = height_differences(trial(np.random.default_rng(3)), "H0")
    ax = plot_differences(out, "H0", plt.figure().subplots())
    assert [label.get_text() for label in ax.get_yticklabels()] == list(out["hybrid"])
    assert ax.get_xlabel().endswith("[cm]")
    plt.close("all")


def test_words_count_each_hybrid_once():
    frame = pd.DataFrame({"low_cm": [1.0, -5.0, -9.0], "high_cm": [5.0, 4.0, -2.0]})
    assert in_words(frame, "STD") == (
        "Compared with STD, of 3 hybrids 1 is taller, 1 is shorter and 1 is "
        "not to be told apart from it."
    )
    assert in_words(frame.iloc[:1], "STD") == "Compared with STD, of 1 hybrid 1 is taller."


def test_a_trial_without_heights_or_control_says_so():
    heights = trial(np.random.default_rng(3)).assign(measured_on=pd.Timestamp("2025-11-12"))
    for frame, control, why, text in (
        (heights.iloc[:0], "H0", None, "No stem height"),
        (heights, "STD", None, "cannot be compared"),
        (heights, "H0", "plots.csv was refused.", "plots.csv was refused."),
    ):
        shown = show_heights(frame, control, why=why)
        assert len(shown) == 1 and shown[0].kind == "refusal" and text in shown[0].plain()
