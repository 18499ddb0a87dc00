"""What the notebook prints of the harvest: sentences true of their data, refusals where data are missing."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.pages import full_stand_page, harvest_page, moisture_page, trait_page
from culmbook.show.palette import use_style
from notebook_runs import figures, sentences, shown_by, tables
from page_frames import (
    TABLES,
    figures_of,
    gathered,
    hybrid_table,
    is_refusal,
    join,
    network_of,
    table_of,
    texts,
    trial,
)
from small_network import small_network, write_network

NOTEBOOK = "40_yield_components.ipynb"
OF_HARVEST = {
    "harvest-trials",
    "yields",
    "yield-hybrids",
    "yield-against-control",
    "moisture",
    "moisture-hybrids",
    "contributions",
    "paths",
}
OF_STEMS = {
    "components",
    "component-means",
    "contributions",
    "paths",
    "compensation",
    "plan",
    "prediction-errors",
}
GONE_WITH = {
    "harvests": OF_HARVEST,
    "stem_measures": OF_STEMS,
    "stand_counts": {"full-stand", "contributions", "compensation"},
    "phenology": set(),
}
"""What may not be shown while a table is away."""


@pytest.fixture(autouse=True)
def style():
    use_style()


@pytest.fixture
def one():
    return trial(np.random.default_rng(11))


def _yields(network, **choices):
    harvest, _ = gathered(network, **choices)
    means = harvest_page.yield_means(harvest)
    return harvest, means, harvest_page.yield_gaps(harvest, means)


def _plain_means(tables):
    """Dry yield of every plot by hand, averaged by hybrid: 10 m (1 - M/100) / a."""
    cut = tables["harvests"].merge(tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"])
    dry = (
        10
        * cut["fresh_mass_kg"]
        * cut["subsample_dry_g"]
        / cut["subsample_fresh_g"]
        / cut["harvested_area_m2"]
    )
    return dry.groupby(cut["hybrid"]).mean()


# -- what was cut ---------------------------------------------------------------------------------


def test_cuts_not_like_the_others_are_listed_with_their_reason(one):
    harvests = one["harvests"]
    harvests.loc[0, "harvested_on"] = pd.Timestamp("2026-01-10")
    harvests.loc[1, ["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    harvests.loc[2, ["status", "status_reason"]] = ["damaged", "wild boar"]
    harvests.loc[3, "harvested_area_m2"] = 20.0
    harvest, _ = gathered(network_of(one))
    shown = harvest_page.show_cut(harvest)
    rows = table_of(shown, "harvest-remarks").set_index("plot")
    assert rows.loc["001", "remark"] == "left out: cut 14 days or more before the others"
    assert rows.loc["002", "remark"] == "moisture filled from: hybrid at the site"
    assert rows.loc["003", ["remark", "reason"]].tolist() == [
        "left out: cut set aside",
        "wild boar",
    ]
    assert "not the planned area" in set(rows.loc["004", "remark"])
    assert "22 plots can be used" in texts(shown)[0]


def test_a_suspected_unit_slip_is_left_out(one):
    network = network_of(one)
    slip = {"code": "N-SLIP", "file": "S1/harvests.csv", "line": 2, "severity": "note"}
    network.problems = pd.concat([network.problems, pd.DataFrame([slip])], ignore_index=True)
    harvest, _ = gathered(network)
    assert table_of(harvest_page.show_cut(harvest), "harvest-remarks")["remark"].tolist() == [
        "left out: unit slip suspected"
    ]


def test_clean_harvest_says_that_no_cut_stands_out(one):
    shown = harvest_page.show_cut(gathered(network_of(one))[0])
    assert any("No cut stands out" in t for t in texts(shown))


@pytest.mark.parametrize(
    ("years", "season", "named", "chosen"),
    [
        ((2022, 2025), 2025, 0, 2022),
        ((2019, 2022, 2025), 2025, 0, 2022),
        ((2024, 2025), 2025, 0, 2024),
        ((2022, 2025), 2025, 2025, 2025),
    ],
)
def test_planting_looked_at_is_the_newest_full_grown(years, season, named, chosen):
    plots = pd.DataFrame(
        {
            "site": "S1",
            "trial": [f"T{y}" for y in years],
            "planted_on": [pd.Timestamp(y, 5, 1) for y in years],
        }
    )
    assert harvest_page.plantings_looked_at(plots, season, named)["planting_season"].tolist() == [
        chosen
    ]


def test_an_unknown_planting_is_refused_with_those_there_are(one):
    with pytest.raises(ValueError, match="plantings there are: 2022"):
        gathered(network_of(one), planting=1999)


# -- yields ---------------------------------------------------------------------------------------


def test_yields_of_complete_blocks_are_the_plain_means(one):
    harvest, means, gaps = _yields(network_of(one))
    shown = harvest_page.show_yields(harvest, means, gaps, rank=1)
    plain, printed = _plain_means(one), table_of(shown, "yields").set_index("hybrid")["mean"]
    np.testing.assert_allclose(printed[plain.index], plain, rtol=1e-9)
    (said,) = texts(shown, "finding")
    ends = f"from {plain.min():.1f} ({plain.idxmin()}) to {plain.max():.1f} ({plain.idxmax()})"
    assert f"gave {plain.mean():.1f} t/ha" in said and ends in said
    assert (
        "24 plots" in said and "Controls are squares" in figures_of(shown)["yield-hybrids"].caption
    )


def test_hybrids_far_below_the_control_are_named_and_no_other(one):
    harvest, means, gaps = _yields(network_of(one))
    (said,) = texts(harvest_page.show_against(harvest, means, gaps, rank=1), "finding")
    below = gaps[gaps["upper"] < 0]["hybrid"]
    assert "H1" in set(below) and "yielded less than the control STD" in said
    assert all((name in said) == (name in set(below)) for name in gaps["hybrid"])


def test_alike_hybrids_do_not_differ_from_the_control():
    harvest, means, gaps = _yields(network_of(trial(np.random.default_rng(3), stems_effect=0.0)))
    (said,) = texts(harvest_page.show_against(harvest, means, gaps, rank=1), "finding")
    assert said.startswith("No hybrid's yield differs clearly")


@pytest.mark.parametrize(
    ("controls", "reference", "words"),
    [((), "", "names no control"), (("STD",), "H9", "control 'H9' has no plot")],
)
def test_without_the_control_yields_are_shown_and_not_compared(one, controls, reference, words):
    codes = sorted(one["plots"]["hybrid"].unique())
    harvest, means, gaps = _yields(
        network_of(one, hybrid_table(codes, controls), reference_control=reference)
    )
    shown = harvest_page.show_against(harvest, means, gaps, rank=1)
    assert is_refusal(shown) and words in texts(shown)[0]
    assert "difference" not in table_of(
        harvest_page.show_yields(harvest, means, gaps, rank=1), "yields"
    )


def test_a_young_stand_is_provisional(one):
    old, young = one, trial(np.random.default_rng(5), planted=2025)
    for given, words in ((old, 0), (young, 1)):
        harvest, means, gaps = _yields(network_of(given))
        assert (
            len(texts(harvest_page.show_yields(harvest, means, gaps, rank=1), "provisional"))
            == words
        )


def test_all_samples_lost_leave_no_yield_and_say_so(one):
    one["harvests"][["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    harvest, means, gaps = _yields(network_of(one))
    assert any(
        "All moisture samples were lost at S1 in 2025" in t
        for t in texts(harvest_page.show_cut(harvest))
    )
    for shown in (
        harvest_page.show_yields(harvest, means, gaps, rank=1),
        harvest_page.show_against(harvest, means, gaps, rank=1),
        moisture_page.show_moisture(harvest, rank=1),
    ):
        assert is_refusal(shown)


# -- full stand -----------------------------------------------------------------------------------


def test_yield_at_full_stand_follows_the_plants_standing():
    tables = trial(np.random.default_rng(8), replicates=8)
    network = network_of(tables)
    shown = full_stand_page.show_full_stand(gathered(network)[0], network, "all")
    low, high = map(
        float, re.search(r"interval (-?[\d.]+) to (-?[\d.]+)", texts(shown)[0]).groups()
    )
    assert low < 1 < high  # the trial's yield falls in step with the plants
    rows = table_of(shown, "full-stand")
    assert (rows["mean"] > rows["planted_mean"]).all()  # 20 to 28 of 36 stand


def test_counts_after_the_cut_do_not_change_the_stand(one):
    network = network_of(one)
    before = table_of(
        full_stand_page.show_full_stand(gathered(network)[0], network, "all"), "full-stand"
    )
    late = one["stand_counts"].assign(counted_on=pd.Timestamp("2026-06-20"), plants_alive=1)
    network = network_of(one | {"stand_counts": pd.concat([one["stand_counts"], late])})
    pd.testing.assert_frame_equal(
        before,
        table_of(
            full_stand_page.show_full_stand(gathered(network)[0], network, "all"), "full-stand"
        ),
    )


# -- moisture -------------------------------------------------------------------------------------


def test_moisture_is_that_of_plots_with_a_sample_and_energy_that_of_all(one):
    one["harvests"].loc[0, ["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    shown = moisture_page.show_moisture(gathered(network_of(one))[0], rank=1)
    rows = table_of(shown, "moisture").set_index("hybrid")
    assert rows.loc["H1", "n_plots"] == 3 and rows.loc["H2", "n_plots"] == 4
    assert "23 plots with a sample of their own" in texts(shown, "finding")[0]
    assert rows.loc["H1", "mean"] < rows.loc["H4", "mean"] and rows["mean"].idxmax() == "STD"


def test_moisture_of_one_plot_gives_the_energy_of_the_formula(one):
    # ISO 18125, from memory: q = q_d (1 - M/100) - 0.02443 M; with q_d = 17 and M = 30: 11.167 MJ/kg
    one["harvests"]["subsample_dry_g"] = 350.0 + np.random.default_rng(1).normal(0, 0.2, 24)
    rows = table_of(
        moisture_page.show_moisture(gathered(network_of(one))[0], rank=1), "moisture"
    ).set_index("hybrid")
    fresh = 10 * one["harvests"]["fresh_mass_kg"] / 12
    expected = (fresh * 11.167).groupby(one["plots"]["hybrid"]).mean()
    np.testing.assert_allclose(rows["energy"][expected.index], expected, rtol=2e-3)
    assert set(rows["moisture_class"]) <= {"M30", "M35"}


def test_moistures_of_far_days_are_not_compared(one):
    one["harvests"].loc[::2, "harvested_on"] = pd.Timestamp("2026-02-22")
    shown = moisture_page.show_moisture(gathered(network_of(one))[0], rank=1)
    assert is_refusal(shown) and "8 days apart" in texts(shown)[0]


def test_one_day_of_cutting_shows_no_drying(one):
    shown = moisture_page.show_dry_down(gathered(network_of(one))[0])
    assert is_refusal(shown) and "no trial was cut on two days" in texts(shown)[0]


def test_two_days_of_cutting_show_the_drying_that_was_put_in(one):
    one["harvests"].loc[:11, "harvested_on"] = pd.Timestamp("2026-02-04")
    one["harvests"].loc[:11, "subsample_dry_g"] -= (
        25.0  # of 500 g: 5 points wetter, 10 days earlier
    )
    shown = moisture_page.show_dry_down(gathered(network_of(one))[0])
    low, high = map(
        float, re.search(r"\((\S+) to (\S+)\)", texts(shown)[0].replace("−", "-")).groups()
    )
    assert low < -0.5 < high < 0 and set(figures_of(shown)) == {"dry-down-1"}


# -- lodging and other traits ---------------------------------------------------------------------


def test_lodging_names_every_hybrid_that_lodged_most(one):
    one["harvests"].loc[[0, 1], "lodged_pct"] = 30.0
    shown = trait_page.show_lodging(gathered(network_of(one))[0], rank=1)
    assert texts(shown) == [
        "2 of 24 plots had lodged at the cut, most often those of H1 and H2 (25 % of their plots)."
    ]


def test_no_lodging_is_said_and_lodging_not_recorded_is_refused(one):
    assert texts(trait_page.show_lodging(gathered(network_of(one))[0], rank=1)) == [
        "None of 24 plots looked at for lodging had lodged."
    ]
    one["harvests"]["lodged_pct"] = np.nan
    assert is_refusal(trait_page.show_lodging(gathered(network_of(one))[0], rank=1))


def test_traits_recorded_are_drawn_and_the_others_named(one):
    network = network_of(one)
    harvest, components = gathered(network)
    shown = trait_page.show_traits(harvest, components.plots, network, "all")
    assert "ash" in texts(shown, "refusal")[0] and "leaf share" not in texts(shown, "refusal")[0]
    assert "24 of 24 plots with an answer flowered (100 %)." in texts(shown)
    assert figures_of(shown)["traits"].caption.startswith("Leaf share")


def test_hybrids_that_never_flowered_are_named(one):
    one["phenology"].loc[
        one["plots"]["hybrid"].eq("H3").to_numpy(), ["flowered", "flowered_on"]
    ] = ["no", pd.NaT]
    network = network_of(one)
    harvest, components = gathered(network)
    assert "20 of 24 plots with an answer flowered (83 %). No plot of H3 did." in texts(
        trait_page.show_traits(harvest, components.plots, network, "all")
    )


# -- several sites, hostile names, missing tables -------------------------------------------------


def test_several_sites_are_said_with_their_number():
    rng = np.random.default_rng(2)
    harvest, means, gaps = _yields(
        network_of(join(trial(rng), trial(rng, site="S2", planted=2023)))
    )
    (said,) = texts(harvest_page.show_yields(harvest, means, gaps, rank=1), "finding")
    assert "48 plots at 2 sites, the plantings of 2022 and 2023 in crop years 3 and 4" in said


NASTY = ["$x$", "#1", "<script>alert(1)</script>", "*b*", "_u", "H" * 60, "%d {0}"]


def test_hostile_names_stand_unchanged_and_are_escaped_on_the_screen():
    tables = trial(np.random.default_rng(4), codes=NASTY)
    network = network_of(tables, hybrid_table(NASTY, ("_u",)))
    harvest, means, gaps = _yields(network)
    shown = [
        *harvest_page.show_cut(harvest),
        *harvest_page.show_yields(harvest, means, gaps, rank=1),
        *harvest_page.show_against(harvest, means, gaps, rank=1),
        *moisture_page.show_moisture(harvest, rank=1),
    ]
    assert set(table_of(shown, "yields")["hybrid"]) == set(NASTY)
    assert all("<script>" not in part.html() for part in shown)


@pytest.mark.parametrize("away", [*TABLES])
def test_notebook_says_which_table_is_away_and_shows_nothing_of_it(away, tmp_path, monkeypatch):
    sheets = {
        name: sheet for name, sheet in small_network().items() if not name.endswith(f"{away}.csv")
    }
    shown = shown_by(
        NOTEBOOK, monkeypatch, data=str(write_network(tmp_path / "net", sheets)), site="S01"
    )
    labels = {*tables(shown), *figures(shown)}
    assert not GONE_WITH[away] & labels
    assert sentences(shown, "refusal")
    seen = {part.see for part in shown if getattr(part, "kind", "") == "finding" and part.see}
    assert seen <= labels


def test_notebook_of_a_whole_small_network_shows_harvest_and_components(tmp_path, monkeypatch):
    shown = shown_by(
        NOTEBOOK,
        monkeypatch,
        data=str(write_network(tmp_path / "net", small_network())),
        site="S01",
    )
    assert {"harvest-trials", "yields", "components", "plan"} <= {*tables(shown), *figures(shown)}


@pytest.mark.parametrize(
    "choice", [{"planting": 2025}, {"season": 2022}, {"cut_chosen_at_random": True}]
)
def test_what_the_notebook_invites_to_try_does_what_it_says(choice, monkeypatch):
    shown = shown_by(NOTEBOOK, monkeypatch, site="KRAVO", **choice)
    if "planting" in choice:
        assert any("crop year 1" in t for t in sentences(shown, "provisional"))
    if "season" in choice:
        assert any(
            "carry no prediction" in t for t in sentences(shown, "refusal")
        ) and "prediction-errors" not in tables(shown)
    if "cut_chosen_at_random" in choice:
        assert len(tables(shown)["joined-means"]["rows"]) == 2
