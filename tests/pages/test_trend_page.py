"""What the notebook prints of the field: sentences true of their data, refusals where data are missing."""

import re

import numpy as np
import pandas as pd
import pytest

from component_frames import make_ground, make_harvests
from culmbook.pages import neighbours_page, trend_means_page, trend_page
from culmbook.pages.trend_figures import trend_maps
from culmbook.show.palette import use_style
from field_frames import LINES, NONE, make_trial
from notebook_runs import figures, sentences, shown_by, tables
from page_frames import figures_of, hybrid_table, is_refusal, network_of, table_of, texts

NOTEBOOK = "60_field_variation.ipynb"
SIZE = {"hybrids": 12, "rows": 6, "columns": 6}


@pytest.fixture(autouse=True)
def style():
    use_style()


def field_tables(seed=3, scenario=NONE, *, trial="T1", season=2025, **more):
    """Tables of one trial on a grid; a plot gives the exponential of its log yield in t/ha."""
    frame = make_trial(np.random.default_rng(seed), scenario, missing=0, **(SIZE | more))
    ground = make_ground(tuple(sorted(frame["hybrid"].unique())), 3, trial=trial)
    own = ["plot", "hybrid", "replicate", "row", "column"]
    ground = ground.assign(**{c: frame[c].to_numpy() for c in own}, block="B" + frame["replicate"])
    ground["plot"] = trial + ground["plot"]
    fresh = np.exp(frame["response"].to_numpy()) * 12 / 7  # 12 m² at 30 % moisture
    return {"plots": ground, "harvests": make_harvests(ground, season, fresh_kg=fresh)}


def fields(tables, season=2025, controls=("H00",), **choices):
    network = network_of(tables, hybrid_table(sorted(tables["plots"]["hybrid"].unique()), controls))
    return trend_page.fields_of(network, "S1", season, **choices)


def everything(found):
    return [
        *trend_page.show_trials(found),
        *trend_page.show_maps(found),
        *trend_page.show_choice(found, rank=1),
        *neighbours_page.show_neighbours(found),
        *neighbours_page.show_borders(found, rank=2),
        *trend_means_page.show_means(found, rank=3),
        *trend_page.show_limits(found),
    ]


@pytest.fixture(scope="module")
def lined():
    return fields(field_tables(5, LINES, share=0.8))


# -- trials and maps --------------------------------------------------------------------------------------


def test_trials_are_counted(lined):
    (said,) = texts(trend_page.show_trials(lined))
    assert said == (
        "Trial T1, season 2025: 36 plots of 36 with a yield that can be used, 12 hybrids, 3 replicates."
    )


def test_map_holds_every_plot_and_its_yield_as_harvested():
    own = field_tables()
    own["harvests"].loc[4, ["status", "status_reason"]] = ["damaged", "wild boar"]
    drawn = figures_of(trend_page.show_maps(fields(own)))["trend-map-1"]
    names = [c["name"] for c in drawn.data["columns"]]
    plots = pd.DataFrame(drawn.data["values"], columns=names).set_index("plot")
    expected = (own["harvests"]["fresh_mass_kg"] * 7 / 12).to_numpy()
    assert len(plots) == 36 and plots["yield_t_ha"].isna().sum() == 1
    there = plots.loc[own["plots"]["plot"], "yield_t_ha"].astype(float).to_numpy()
    assert np.delete(there, 4) == pytest.approx(np.delete(expected, 4))
    assert "Hatched: plots that are not used." in drawn.caption and "thick" in drawn.caption.lower()


def test_no_plot_is_hatched_in_the_caption_of_a_complete_trial(lined):
    assert "Hatched" not in figures_of(trend_page.show_maps(lined))["trend-map-1"].caption


def test_span_of_the_trend_is_that_of_the_plots(lined):
    (said,) = texts(trend_page.show_maps(lined))
    low, high = (
        float(x.replace("−", "-")) for x in re.search(r"from (\S+) % to \+(\S+) %", said).groups()
    )
    trend = 100 * np.expm1(lined.shown[0].parts["trend"])
    assert (low, high) == (pytest.approx(trend.min(), abs=0.5), pytest.approx(trend.max(), abs=0.5))
    assert "rows" in said and "columns" in said


def test_a_slip_of_the_scales_is_named_with_its_size():
    own = field_tables()
    own["harvests"].loc[7, "fresh_mass_kg"] *= 9
    plot = own["plots"].loc[7]
    (said,) = texts(trend_page.show_maps(fields(own)))
    assert f"Look first at plot {plot['plot']} ({plot['hybrid']}, " in said
    assert "Look first" not in " ".join(texts(trend_page.show_maps(fields(field_tables()))))


def test_plots_that_gave_nothing_are_said():
    own = field_tables()
    own["harvests"].loc[[2, 3], "fresh_mass_kg"] = 0.0
    (said,) = texts(trend_page.show_trials(fields(own)))
    assert "34 plots of 36" in said
    assert "2 plots gave nothing; nothing has no logarithm, so they are left" in said


def test_map_without_a_value_is_refused():
    layout = pd.DataFrame({"row": [1], "column": [1], "yield_t_ha": [np.nan]})
    with pytest.raises(ValueError, match="no plot has a value"):
        trend_maps(layout)


# -- choice -----------------------------------------------------------------------------------------------


def test_finding_and_table_name_the_model_with_the_least_criterion(lined):
    shown = trend_page.show_choice(lined, rank=1)
    rows, (said,) = table_of(shown, "trends"), texts(shown, "finding")
    best = rows.loc[rows["above_best"].astype(float).idxmin()]
    assert lined.shown[0].choice.chosen == best["model"] == "rows and columns"
    assert said.startswith("Of 4 models rows and columns describe the yields of trial T1 best")
    gain = re.search(r"with (\d+) % more replicates", said)
    assert float(gain[1]) == pytest.approx(100 * (float(best["efficiency"]) - 1), abs=0.5)
    assert "flattered" in " ".join(texts(shown, "text"))


def test_an_even_field_is_called_even_as_far_as_its_blocks_go():
    found = fields(field_tables(8, NONE))
    assert found.shown[0].choice.chosen == "blocks"
    (said,) = texts(trend_page.show_choice(found, rank=1), "finding")
    assert "no trend over the field shows beyond the blocks" in said


# -- neighbours and borders ---------------------------------------------------------------------------------


def test_likeness_before_and_after_is_that_of_the_table(lined):
    shown = neighbours_page.show_neighbours(lined)
    rows = table_of(shown, "neighbours")
    assert rows["model"].tolist() == ["blocks", "rows and columns"]
    said = texts(shown)[0]
    for row in rows.itertuples():
        assert f"{float(row.i):.2f}, {float(row.expected):.2f} expected".replace("-", "−") in said
    assert set(figures_of(shown)) == {"variogram-1"}


@pytest.mark.parametrize(
    ("i", "p", "words"),
    [
        (0.4, 0.001, "neighbouring plots are alike"),
        (-0.4, 0.01, "less alike than chance"),
        (0.1, 0.2, "no clear likeness"),
    ],
)
def test_likeness_in_words(i, p, words):
    assert (
        words
        in neighbours_page.LIKENESS[neighbours_page._likeness({"i": i, "p": p, "expected": -0.03})]
    )


def test_a_border_that_yields_more_is_a_finding_with_its_interval():
    own = field_tables()
    own["harvests"].loc[own["plots"]["column"].isin([1, 6]).to_numpy(), "fresh_mass_kg"] *= 2
    shown = neighbours_page.show_borders(fields(own), rank=1)
    (said,) = texts(shown, "finding")
    row = table_of(shown, "borders").set_index("border").loc["first and last column"]
    assert "in the first and last column yielded" in said and "more than inner ones" in said
    assert float(row["estimate"]) == pytest.approx(1.0, abs=0.35) and row["n_border"] == 12


def test_borders_that_do_not_differ_are_no_finding():
    shown = neighbours_page.show_borders(fields(field_tables()), rank=1)
    assert not texts(shown, "finding") and "No plots on a border clearly yield" in texts(shown)[0]


# -- means --------------------------------------------------------------------------------------------------


def test_means_under_blocks_of_a_complete_trial_are_geometric_means():
    own = field_tables(5, LINES, share=0.8)
    rows = table_of(
        trend_means_page.show_means(fields(own), rank=1), "trend-means-all-1"
    ).set_index("hybrid")
    logs = np.log(own["harvests"]["fresh_mass_kg"] * 7 / 12)
    plain = np.exp(logs.groupby(own["plots"]["hybrid"]).mean())
    assert rows["blocks"].astype(float)[plain.index].to_numpy() == pytest.approx(plain.to_numpy())
    assert list(rows.columns) == [
        "n_plots",
        "blocks",
        "rows and columns",
        "surface",
        "surface with rows and columns",
    ]


def test_order_is_told_for_both_models(lined):
    shown = trend_means_page.show_means(lined, rank=1)
    rows, (said,) = (
        table_of(shown, "trend-means-all-1").set_index("hybrid"),
        texts(shown, "finding"),
    )
    one, other = rows["blocks"].astype(float), rows["rows and columns"].astype(float)
    assert one.idxmax() in said and other.idxmax() in said
    largest = (other / one - 1).abs()
    assert f"by up to {100 * largest.max():.0f} % ({largest.idxmax()})" in said
    moved = (one.rank() - other.rank()).abs().max()
    assert f"ranks by up to {moved:.0f} place" in said
    assert "Controls are squares." in figures_of(shown)["trend-means-1"].caption


def test_a_model_that_was_not_chosen_is_marked():
    shown = trend_means_page.show_means(fields(field_tables(8, NONE)), rank=1)
    assert "(not chosen)" in texts(shown, "finding")[0]
    assert "(not chosen)" in figures_of(shown)["trend-means-1"].caption


# -- what is missing ----------------------------------------------------------------------------------------


def test_a_trial_that_was_not_cut_is_refused_and_the_other_is_shown():
    cut, young = field_tables(3), field_tables(4, trial="T2")
    both = {name: pd.concat([cut[name], young[name]], ignore_index=True) for name in cut}
    both["harvests"] = cut["harvests"]
    found = fields(both)
    assert [field.trial for field in found.shown] == ["T1"]
    refused = texts(trend_page.show_trials(found), "refusal")
    assert refused == [
        "Trial T2: No plot of it has a row for season 2025 in the table harvests. "
        "So nothing is said of its field."
    ]
    assert set(figures_of(everything(found))) == {"trend-map-1", "variogram-1", "trend-means-1"}


def test_without_harvests_nothing_is_shown():
    found = fields(field_tables() | {"harvests": field_tables()["harvests"].iloc[:0]})
    assert is_refusal(trend_page.show_trials(found))
    assert not trend_page.show_choice(found, rank=1) and not trend_means_page.show_means(
        found, rank=1
    )
    assert not neighbours_page.show_neighbours(found) and not neighbours_page.show_borders(
        found, rank=1
    )
    assert "no trial with yields" in trend_page.headline(found)


def test_a_harvest_without_a_usable_yield_says_why():
    own = field_tables()
    own["harvests"][["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    (said,) = texts(trend_page.show_trials(fields(own)))
    assert "no moisture at the site in this season" in said


def test_without_places_there_are_means_and_no_map():
    own = field_tables()
    own["plots"] = own["plots"].assign(row=np.nan, column=np.nan)
    shown = everything(fields(own))
    assert set(figures_of(shown)) == {"trend-means-1"}
    refused = " ".join(texts(shown, "refusal"))
    assert "36 plots of 36 have no row or column" in refused and "so there is no map" in refused
    assert "blocks alone were fitted" in texts(shown, "finding")[0]


def test_one_hybrid_is_refused_in_words():
    own = field_tables()
    own["plots"]["hybrid"] = "H00"
    (said,) = texts(trend_page.show_trials(fields(own)))
    assert "fewer than two hybrids" in said


NASTY = [
    "$x$",
    "#1",
    "<script>alert(1)</script>",
    "*b*",
    "_u",
    "H" * 60,
    "%d {0}",
    "a",
    "b",
    "c",
    "d",
    "e",
]


def test_hostile_names_stand_unchanged_and_are_escaped_on_the_screen():
    own = field_tables()
    names = dict(zip(sorted(own["plots"]["hybrid"].unique()), NASTY, strict=True))
    own["plots"]["hybrid"] = own["plots"]["hybrid"].map(names)
    shown = everything(fields(own, controls=("_u",)))
    assert set(table_of(shown, "trend-means-all-1")["hybrid"]) == set(NASTY)
    assert "<script>" not in "".join(thing.html() for thing in shown)


# -- the notebook -----------------------------------------------------------------------------------------


def test_notebook_shows_both_trials_of_a_site(monkeypatch):
    shown = shown_by(NOTEBOOK, monkeypatch, site="KRAVO")
    labels = {f"{name}-{i}" for name in ("trend-map", "variogram", "trend-means") for i in (1, 2)}
    assert labels == set(figures(shown))
    assert {"trends", "neighbours", "borders"} <= set(tables(shown))
    assert "4 planting treatments" in " ".join(sentences(shown))


def test_notebook_of_a_season_before_the_first_planting_says_so(monkeypatch):
    shown = shown_by(NOTEBOOK, monkeypatch, site="KRAVO", season=2021)
    assert not figures(shown) and not tables(shown) and sentences(shown, "refusal")
