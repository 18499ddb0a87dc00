import numpy as np
import pandas as pd
import pytest

from component_frames import make_ground, make_harvests
from culmbook.yields.harvest import plot_harvests
from culmbook.yields.traits import flowering_shares, lodging, phenology_days, trait_means


def phenology(ground, **columns):
    blank = pd.Series(pd.NaT, index=range(len(ground)))
    frame = pd.DataFrame(
        {
            "site": ground["site"],
            "plot": ground["plot"],
            "growing_season": 2025,
            "emerged_on": blank,
            "flowered": "yes",
            "flowered_on": pd.Timestamp("2025-09-01"),
            "senescence_score": 5,
        }
    )
    return frame.assign(**columns)


def test_days_of_the_year_count_from_new_year():
    frame = phenology_days(phenology(make_ground()), make_ground())
    assert (
        frame["flowering_day"].eq(244).all() and frame["emergence_day"].isna().all()
    )  # 31+28+31+30+31+30+31+31+1


def test_a_plot_that_never_flowered_counts_and_one_not_looked_at_does_not():
    ground = make_ground(("A", "B"), replicates=3)  # plots A B A B A B
    table = flowering_shares(
        phenology_days(phenology(ground, flowered=["yes", "no", "yes", "no", None, "no"]), ground)
    ).set_index("hybrid")
    assert table.loc["A", ["n_plots", "n_flowered", "share"]].tolist() == [2, 2, 1.0]
    # Clopper & Pearson for 0 of 3: upper limit 1 - 0.025^(1/3)
    assert table.loc["B", "share"] == 0 and table.loc["B", "upper"] == pytest.approx(
        1 - 0.025 ** (1 / 3)
    )


def test_lodging_is_a_share_of_plots_and_how_much_of_them():
    ground = make_ground(("A", "B"), replicates=4)
    cut = make_harvests(ground).assign(lodged_pct=[0.0, 0, 40, 0, 20, 0, np.nan, 0])
    table = lodging(plot_harvests(cut, ground)).set_index("hybrid")
    assert table.loc["A", ["n_plots", "n_lodged", "lodged_pct"]].tolist() == [3, 2, 30.0]
    assert table.loc["B", "share"] == 0 and np.isnan(table.loc["B", "lodged_pct"])


def test_means_of_scores_and_shares_stay_in_their_range(rng):
    ground = make_ground(tuple("ABCD"), replicates=3)
    frame = phenology_days(
        phenology(
            ground, senescence_score=np.where(ground["hybrid"] == "A", 9, rng.integers(3, 9, 12))
        ),
        ground,
    )
    table = trait_means(frame, "senescence_score").set_index("hybrid")
    assert table.loc["A", "mean"] == pytest.approx(9.0) and table["upper"].max() == 9.0
    days = trait_means(frame.assign(flowering_day=240 + rng.normal(size=12)), "flowering_day")
    assert days["mean"].between(237, 243).all() and (days["lower"] < days["mean"]).all()


def test_traits_that_nobody_recorded_are_refused_or_empty():
    ground = make_ground()
    frame = phenology_days(phenology(ground, flowered=None), ground)
    assert flowering_shares(frame).empty
    with pytest.raises(ValueError, match="emergence_day was observed in fewer than two hybrids"):
        trait_means(frame, "emergence_day")
