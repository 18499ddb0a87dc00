"""What the notebook prints of uncut plots and of the next season: numbers by hand, refusals in words."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.pages import component_page, harvest_page, plants_page, prediction_page
from culmbook.show.palette import use_style
from culmbook.yields.prediction import predict
from culmbook.yields.sampling import plan_plants, plant_spread
from page_frames import (
    figures_of,
    gathered,
    hybrid_table,
    is_refusal,
    network_of,
    table_of,
    texts,
    trial,
)

SEASONS = (2022, 2023, 2024, 2025)


@pytest.fixture(autouse=True)
def style():
    use_style()


@pytest.fixture(scope="module")
def years():
    """Four seasons; in the last one three plots were not cut, one of them far outside the others."""
    tables = trial(np.random.default_rng(31), SEASONS)
    last = tables["harvests"]["growing_season"].eq(2025)
    tables["harvests"] = tables["harvests"][
        ~(last & tables["harvests"]["plot"].isin(["003", "010", "020"]))
    ]
    stems = tables["stem_measures"]
    giant = stems["growing_season"].eq(2025) & stems["plot"].eq("020")
    tables["stem_measures"] = stems.assign(
        stem_height_cm=stems["stem_height_cm"].where(~giant, 900.0)
    )
    return tables


@pytest.fixture(scope="module")
def foretold(years):
    network = network_of(years)
    part = gathered(network)[1]
    return part, prediction_page.prediction_of(part, network)


# -- errors ---------------------------------------------------------------------------------------


def test_ladder_goes_from_cheap_to_dear_and_names_the_best(foretold):
    part, prediction = foretold
    shown = prediction_page.show_ladder(part, prediction, rank=1)
    rows = table_of(shown, "prediction-errors")
    assert rows["set"].tolist()[:3] == [
        "Stem height",
        "Stems per m²",
        "Stems per m² and stem height",
    ]
    best = rows.loc[rows["rmse_log"].idxmin()]
    (said,) = texts(shown, "finding")
    assert (
        f"from {best['set'][0].lower()}{best['set'][1:]} erred by about {100 * best['rmse_log']:.0f} % in one ("
        in said
    )
    assert f"{best['n_plots']} cut plots in 4 site-years" in said
    assert f"stem height alone the error was {100 * rows['rmse_log'][0]:.0f} %" in said


def test_one_season_carries_no_prediction():
    network = network_of(trial(np.random.default_rng(5)))
    part = gathered(network)[1]
    prediction = prediction_page.prediction_of(part, network)
    for shown in (
        prediction_page.show_ladder(part, prediction, rank=1),
        prediction_page.show_predicted(prediction),
        prediction_page.show_uncut(part, prediction),
        prediction_page.show_plane(part, prediction),
    ):
        assert is_refusal(shown)
    assert "carry no prediction" in texts(prediction_page.show_ladder(part, prediction, rank=1))[0]


def test_predicted_and_cut_are_drawn_for_each_crop_type(foretold):
    drawn = figures_of(prediction_page.show_predicted(foretold[1]))["predicted-and-cut"]
    data = pd.DataFrame(drawn.data["values"], columns=[c["name"] for c in drawn.data["columns"]])
    assert len(data) == 24 * 4 - 3 and set(data["crop_type"]) == {"one"}


# -- uncut plots ----------------------------------------------------------------------------------


def test_uncut_plots_are_predicted_unless_they_lie_outside(foretold):
    shown = prediction_page.show_uncut(*foretold)
    rows = table_of(shown, "uncut").set_index("plot")
    assert set(rows.index) == {"003", "010", "020"}
    assert rows.loc["020", "predicted_t_ha"] is None or np.isnan(rows.loc["020", "predicted_t_ha"])
    assert "outside the calibrated" in rows.loc["020", "why"] and "_" not in rows.loc["020", "why"]
    assert (
        texts(shown)[0]
        == "3 measured plots of the season have no cut that can be used; 2 can be predicted."
    )


def test_predictions_of_uncut_plots_hold_what_was_really_there(foretold):
    whole = trial(np.random.default_rng(31), SEASONS)["harvests"]
    cut = whole[whole["growing_season"].eq(2025)].set_index("plot")
    dry = (
        10
        * cut["fresh_mass_kg"]
        * cut["subsample_dry_g"]
        / cut["subsample_fresh_g"]
        / cut["harvested_area_m2"]
    )
    rows = table_of(prediction_page.show_uncut(*foretold), "uncut").set_index("plot")
    for plot in ("003", "010"):
        low, high = rows.loc[plot, "interval"]
        assert low < dry[plot] < high


def test_with_every_plot_cut_none_is_left_to_predict():
    network = network_of(trial(np.random.default_rng(32), SEASONS))
    part = gathered(network)[1]
    assert (
        "none is left to predict"
        in texts(prediction_page.show_uncut(part, prediction_page.prediction_of(part, network)))[0]
    )


# -- the plane ------------------------------------------------------------------------------------


def test_plane_places_every_hybrid_of_the_crop_type(foretold):
    (drawn,) = figures_of(prediction_page.show_plane(*foretold)).values()
    data = pd.DataFrame(drawn.data["values"], columns=[c["name"] for c in drawn.data["columns"]])
    assert len(data) == 6 and "Controls are squares" in drawn.caption and drawn.height_in <= 8.5


def test_plane_keeps_crop_types_apart(years):
    codes = sorted(years["plots"]["hybrid"].unique())
    types = ["a", "a", "a", "b", "b", "b"]
    network = network_of(years, hybrid_table(codes).assign(crop_type=types))
    part = gathered(network)[1]
    drawn = figures_of(
        prediction_page.show_plane(part, prediction_page.prediction_of(part, network))
    )
    assert set(drawn) == {"stems-and-height-1", "stems-and-height-2"}
    assert all(len(f.data["values"]) == 3 for f in drawn.values())


# -- joining cut and uncut ------------------------------------------------------------------------


def test_cut_and_uncut_are_joined_only_where_chance_chose(foretold):
    (said,) = prediction_page.show_double_sampling(*foretold, cut_chosen_at_random=False)
    assert "only where chance decided" in said.sentences[0]


def test_joined_mean_is_the_regression_estimate(foretold):
    part, prediction = foretold
    row = table_of(
        prediction_page.show_double_sampling(part, prediction, cut_chosen_at_random=True),
        "joined-means",
    ).iloc[0]
    assert (row["n_cut"], row["n_measured"]) == (
        21,
        23,
    )  # the plot outside the range is no part of it
    own = prediction.frame[prediction.frame["growing_season"].eq(2025)]
    cheap = predict(prediction.models["one"], own).dropna(subset=["predicted_t_ha"])
    cut = cheap.dropna(subset=["dry_yield_t_ha"])
    slope, _ = np.polyfit(
        cut["predicted_t_ha"], cut["dry_yield_t_ha"], 1
    )  # Cochran (1977), section 7.3
    by_hand = cut["dry_yield_t_ha"].mean() + slope * (
        cheap["predicted_t_ha"].mean() - cut["predicted_t_ha"].mean()
    )
    assert row["mean"] == pytest.approx(by_hand)


# -- how many plants ------------------------------------------------------------------------------


def test_plan_says_the_errors_of_the_formula(foretold):
    part, _ = foretold
    network = network_of(trial(np.random.default_rng(31), SEASONS))
    spreads, refused = plants_page.plan_of(part, network)
    shown = plants_page.show_plan(part, spreads, refused, rank=1)
    s = spreads["stems"]
    now, more = (100 * np.sqrt((s.between_plots + s.between_plants / n) / 4) for n in (3, 6))
    assert f"from {now:.1f} to {more:.1f} % for stems per plant" in texts(shown, "finding")[0]
    assert (
        plant_spread(part.stems, network.tables["plots"], "stems") == s
        and plan_plants(s, 4)["plots"].eq(4).all()
    )


def test_plan_without_single_plants_is_refused():
    tables = trial(np.random.default_rng(5))
    pooled = (
        tables["stem_measures"].drop_duplicates(["plot", "growing_season"]).assign(plant="pooled")
    )
    network = network_of(tables | {"stem_measures": pooled})
    part = gathered(network)[1]
    shown = plants_page.show_plan(part, *plants_page.plan_of(part, network), rank=1)
    assert (
        is_refusal(shown)
        and len(shown) == 4
        and not [t for t in texts(shown) if re.search("_[a-z]", t)]
    )


# -- limits and headline --------------------------------------------------------------------------


def test_headline_holds_the_best_hybrid_and_says_when_there_is_no_answer(years, foretold):
    network = network_of(years)
    harvest, part = gathered(network)
    means = harvest_page.yield_means(harvest)
    shares = component_page.contribution_shares(part)
    text = prediction_page.headline(
        harvest, means, harvest_page.yield_gaps(harvest, means), shares, foretold[1]
    )
    assert (
        "highest STD" in text
        and re.search(r"stems per plant \d\.\d\d", text)
        and "prediction, one: error" in text
    )
    empty, nothing = gathered(network_of(years, away=("harvests", "stem_measures")))
    means = harvest_page.yield_means(empty)
    text = prediction_page.headline(
        empty,
        means,
        harvest_page.yield_gaps(empty, means),
        component_page.contribution_shares(nothing),
        prediction_page.prediction_of(nothing, network),
    )
    assert "dry yield: no answer" in text and "contributions: no answer" in text


@pytest.mark.parametrize(
    ("away", "said"),
    [((), 3), (("harvests",), 1), (("stem_measures",), 1), (("harvests", "stem_measures"), 1)],
)
def test_limits_speak_only_of_what_was_shown(years, away, said):
    assert len(prediction_page.show_unknown(*gathered(network_of(years, away=away)))) == said


def test_uncut_plots_of_a_crop_type_without_prediction_are_named(years):
    codes = sorted(years["plots"]["hybrid"].unique())
    rare = [h for h in codes if h == years["plots"].set_index("plot").loc["003", "hybrid"]]
    types = ["rare" if code in rare else "one" for code in codes]
    network = network_of(years, hybrid_table(codes).assign(crop_type=types))
    part = gathered(network)[1]
    prediction = prediction_page.prediction_of(part, network)
    rows = table_of(prediction_page.show_uncut(part, prediction), "uncut").set_index("plot")
    assert (
        set(rows.index) == {"003", "010", "020"}
        and rows.loc["003", "why"] == "no prediction for its crop type"
    )
    assert any(
        t.startswith("Crop type rare:")
        for t in texts(prediction_page.show_ladder(part, prediction, rank=1), "refusal")
    )
