"""What the notebook prints of yield components: sentences true of their data, refusals where data are missing."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.pages import component_page, path_page
from culmbook.show.palette import use_style
from culmbook.yields.components import MEASURES
from culmbook.yields.paths import paths_of
from page_frames import figures_of, gathered, is_refusal, join, network_of, table_of, texts, trial

COLUMN_NAMES = re.compile(r"\b[a-z]+_[a-z0-9_]+\b")


@pytest.fixture(autouse=True)
def style():
    use_style()


@pytest.fixture
def one():
    return trial(np.random.default_rng(21))


def _components(tables, **choices):
    return gathered(network_of(tables, **choices))[1]


def _contributions(part):
    return component_page.show_contributions(part, component_page.contribution_shares(part), rank=1)


def _change(tables, table, column, how):
    """The tables with a column of one of them changed."""
    frame = tables[table]
    return tables | {table: frame.assign(**{column: how(frame)})}


# -- means ----------------------------------------------------------------------------------------


def test_component_means_of_complete_blocks_are_the_plain_means(one):
    part = _components(one)
    rows = table_of(component_page.show_components(part, rank=1), "component-means").set_index(
        "hybrid"
    )
    hybrid = one["plots"].set_index("plot")["hybrid"]
    stems = (
        one["stem_measures"].groupby("plot")["stems"].mean().astype(float).groupby(hybrid).mean()
    )
    plants = (
        one["stand_counts"].set_index("plot")["plants_alive"].astype(float).groupby(hybrid).mean()
        / 24
    )
    np.testing.assert_allclose(rows.loc[stems.index, "stems_per_plant"], stems, rtol=1e-9)
    np.testing.assert_allclose(rows.loc[plants.index, "plants_per_m2"], plants, rtol=1e-9)


def test_finding_names_the_hybrids_with_fewest_and_most_stems(one):
    (said,) = texts(component_page.show_components(_components(one), rank=1), "finding")
    assert re.search(r"from \d+ \(H1\) to \d+ \(STD\) stems per plant", said)


def test_units_stand_on_every_axis_and_heading(one):
    shown = component_page.show_components(_components(one), rank=1)
    (listed,) = [p for p in shown if getattr(p, "label", "") == "component-means"]
    units = {c["name"]: c["unit"] for c in listed.content["columns"]}
    assert (
        units["plants_per_m2"],
        units["stem_height_cm"],
        units["stem_mass_g"],
        units["product_t_ha"],
    ) == ("1/m²", "cm", "g", "t/ha")


def test_a_component_never_observed_is_named_and_the_others_shown(one):
    part = _components(_change(one, "stem_measures", "stem_diameter_mm", lambda t: np.nan))
    shown = component_page.show_components(part, rank=1)
    assert any("Not observed in any plot: stem diameter." in t for t in texts(shown, "caution"))
    assert "stem_diameter_mm" not in table_of(shown, "component-means")
    assert "through_stem_diameter_mm" not in table_of(path_page.show_paths(part), "path-effects")


def test_heights_by_two_methods_are_kept_apart_and_said(one):
    part = _components(
        _change(
            one,
            "stem_measures",
            "height_method",
            lambda t: np.where(t["plot"] < "005", "panicle", "ligule"),
        )
    )
    assert any(
        "measured by two methods" in t
        for t in texts(component_page.show_components(part, rank=1), "caution")
    )


def test_a_unit_slip_is_counted_and_left_out(one):
    network = network_of(one)
    slip = {"code": "N-SLIP", "file": "S1/stem_measures.csv", "line": 2, "severity": "note"}
    network.problems = pd.concat([network.problems, pd.DataFrame([slip])], ignore_index=True)
    part = gathered(network)[1]
    assert any(
        "1 measured plant with a suspected unit slip is left out" in t
        for t in texts(component_page.show_components(part, rank=1), "caution")
    )


@pytest.mark.parametrize(
    ("factor", "words"), [(0.5, "50 % less was cut"), (1.5, "50 % more was cut")]
)
def test_cut_is_compared_with_what_stood(one, factor, words):
    exact = (
        one["stem_measures"]
        .groupby("plot")
        .apply(
            lambda t: (t["stems"].astype(float) * t["stem_dry_mass_g"]).sum() / len(t),
            include_groups=False,
        )
    )
    dry = (
        one["stand_counts"].set_index("plot")["plants_alive"].astype(float)
        / 24
        * exact
        / 100
        * factor
    )
    share = one["harvests"]["subsample_dry_g"] / 500
    tables = _change(
        one, "harvests", "fresh_mass_kg", lambda t: dry[t["plot"]].to_numpy() * 1.2 / share
    )
    assert any(
        t.startswith(words)
        for t in texts(component_page.show_components(_components(tables), rank=1))
    )


# -- contributions --------------------------------------------------------------------------------


def test_a_difference_in_stems_alone_is_put_down_to_stems():
    shown = _contributions(
        _components(trial(np.random.default_rng(21), alive=24, stems_effect=0.8))
    )
    rows = table_of(shown, "contribution-shares")
    own = rows[rows["among"].eq("hybrids")].set_index("label")["share"]
    assert own.sum() == pytest.approx(1, abs=1e-9) and own["Stems per plant"] == pytest.approx(
        1, abs=0.1
    )
    assert "among these 6 hybrids, shared out: stems per plant" in texts(shown, "finding")[0]


def test_a_negative_share_is_explained_where_there_is_one(one):
    for shown in (
        _contributions(_components(one)),
        _contributions(_components(trial(np.random.default_rng(9)))),
    ):
        rows = table_of(shown, "contribution-shares")
        own = rows[rows["among"].eq("hybrids") & rows["label"].ne("Not explained")]
        is_negative = (own["share"] < 0).any()
        assert ("works against the others" in texts(shown, "finding")[0]) == is_negative


def test_hybrids_that_do_not_differ_have_nothing_to_share_out():
    shown = _contributions(_components(trial(np.random.default_rng(3), stems_effect=0.0)))
    assert is_refusal(shown) and "do not differ in yield" in texts(shown)[0]


def test_over_sites_each_hybrid_and_site_is_one_record():
    rng = np.random.default_rng(6)
    part = _components(join(trial(rng), trial(rng, site="S2"), trial(rng, site="S3")))
    shown = _contributions(part)
    assert set(table_of(shown, "contribution-shares")["among"]) == {
        "hybrids",
        "hybrids, site by site",
    }
    assert "72 plots at 3 sites" in figures_of(shown)["contributions"].caption
    assert (
        component_page.covariances_of(part, component_page.PARTS).n_plots == 18
    )  # six hybrids at three sites


@pytest.mark.parametrize("codes", [["H1", "STD"], ["STD"]])
def test_few_hybrids_are_refused_in_words(codes):
    part = _components(trial(np.random.default_rng(3), codes=codes))
    for shown in (_contributions(part), path_page.show_paths(part)):
        assert is_refusal(shown)


def test_a_hybrid_in_one_plot_is_carried_along(one):
    keep = ~(one["plots"]["hybrid"].eq("H2") & one["plots"]["replicate"].ne("1"))
    part = _components(one | {"plots": one["plots"][keep.to_numpy()]})
    assert "21 plots" in figures_of(_contributions(part))["contributions"].caption


# -- paths ----------------------------------------------------------------------------------------


def test_direct_and_indirect_effects_add_up_to_the_correlation(one):
    rows = table_of(path_page.show_paths(_components(one)), "path-effects")
    through = rows[[c for c in rows if c.startswith("through_")]].astype(float).sum(axis=1)
    np.testing.assert_allclose(rows["direct"] + through, rows["correlation"], atol=1e-9)


def test_condition_number_and_bending_stand_beside_the_paths():
    part = _components(trial(np.random.default_rng(31)))
    shown = path_page.show_paths(part)
    (listed,) = [p for p in shown if getattr(p, "label", "") == "path-effects"]
    paths = paths_of(
        component_page.covariances_of(part, path_page.ON_PATHS),
        path_page.ON_PATHS,
        component_page.OUTCOME,
    )
    assert f"condition number {paths.condition:.1f}" in listed.note
    # six hybrids are too few for four components
    assert "had to be raised to a least variance" in " ".join(paths.notes)
    assert [t for t in texts(shown, "caution") if t.endswith(" ".join(paths.notes))]


def test_components_in_which_hybrids_do_not_differ_are_left_out_and_named(one):
    part = _components(one)
    between = component_page.covariances_of(part, path_page.ON_PATHS).between
    still = [MEASURES[n][0].lower() for n in path_page.ON_PATHS if between.loc[n, n] <= 0]
    shown = path_page.show_paths(part)
    assert still and [
        t for t in texts(shown, "caution") if f"Left out: {' and '.join(still)}, in which" in t
    ]
    rows = table_of(shown, "path-effects")
    among = rows[rows["among"].eq("hybrids")]["label"].str.lower()
    assert len(among) == 4 - len(still) and not set(among) & set(still)


def test_paths_sentence_names_only_effects_clear_of_zero():
    shown = path_page.show_paths(_components(trial(np.random.default_rng(31))))
    (said,) = [t for t in texts(shown, "text") if t.startswith("Among hybrids")]
    rows = table_of(shown, "path-effects")
    own = rows[rows["among"].eq("hybrids")]
    is_clear = [low > 0 or high < 0 for low, high in own["interval"]]
    assert any(is_clear) and [f"{label.lower()} " in said for label in own["label"]] == is_clear


# -- compensation ---------------------------------------------------------------------------------


def test_compensation_says_how_much_the_stems_give_way():
    # stems per plant fall as the square root of density: 10 % more plants, 100 (1.1^-0.5 - 1) = 4.7 % fewer stems
    tables = trial(np.random.default_rng(13), replicates=8, plants=6)
    alive = tables["stand_counts"].set_index("plot")["plants_alive"].astype(float)
    rng = np.random.default_rng(1)
    noise = np.exp(rng.normal(0, 0.01, len(tables["stem_measures"])))
    stems = 3000 / np.sqrt(alive[tables["stem_measures"]["plot"]].to_numpy()) * noise
    tables = _change(
        tables,
        "stem_measures",
        "stems",
        lambda t: pd.array(stems.round().astype(int), dtype="Int64"),
    )
    shown = path_page.show_compensation(_components(tables), rank=1)
    change = float(
        re.search(
            r"number of stems per plant was ([\d.]+) % lower", texts(shown, "finding")[0]
        ).group(1)
    )
    assert change == pytest.approx(4.7, abs=0.3)


def test_no_compensation_is_said_as_not_clear():
    shown = path_page.show_compensation(_components(trial(np.random.default_rng(17))), rank=1)
    rows = table_of(shown, "compensation")
    said = texts(shown, "finding")[0]
    assert said.count("did not clearly change") == sum(
        low <= 0 <= high for low, high in rows["slope_interval"]
    )


def test_stands_all_alike_show_no_compensation(one):
    part = _components(_change(one, "stand_counts", "plants_alive", lambda t: 24))
    shown = path_page.show_compensation(part, rank=1)
    assert is_refusal(shown) and "vary too little" in texts(shown)[0]


# -- words ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "away", [("stand_counts",), ("harvests",), ("stem_measures",), ("stand_counts", "harvests")]
)
def test_refusals_speak_of_components_and_not_of_columns(one, away):
    part = gathered(network_of(one, away=away))[1]
    shown = [
        *component_page.show_components(part, rank=1),
        *_contributions(part),
        *path_page.show_paths(part),
        *path_page.show_compensation(part, rank=1),
    ]
    said = [re.sub("stem_measures", "", t) for t in texts(shown, "refusal", "caution")]
    assert said and not [t for t in said if COLUMN_NAMES.search(t)]
