"""What the notebook on consistency prints: sentences true of their data, refusals where data are missing."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.pages import build_up_page, seasons_page, steadiness_page, trust_page
from culmbook.pages.seasons_page import Thresholds
from culmbook.sheets.read import read_network
from culmbook.show.palette import use_style
from culmbook.trials.seasons import of_season
from notebook_runs import bundles, figures, sentences, shown_by, tables
from page_frames import HYBRIDS, hybrid_table, join, network_of, table_of, texts, trial
from small_network import small_network, write_network

NOTEBOOK = "50_consistency.ipynb"
USUAL = Thresholds(0.8, 0.6, 0.8, 0.15)
WITHOUT_RESULTS = {"rewards-seasons", "rewards-environments"}  # words, true whatever the seasons
OF_SEASONS = {
    "chances",
    "season-yields",
    "mean-and-spread",
    "steadiness",
    "rank-ribbons",
    "rank-changes",
    "reliability",
    "trust",
    "variance-components",
    "plot-covariances",
}
OF_ONE = {
    "seasons-cut",
    "season-yields",
    "season-yield-table",
    "variance-components",
    "full-yield",
    "build-up-shares",
    "build-up-table",
    "build-up-curves",
    "build-up-years",
}
"""What one season after establishment still carries."""


@pytest.fixture(autouse=True)
def style():
    use_style()


def trials(seasons=(2022, 2023, 2024, 2025), *, seed=5, planted=2021, **choices):
    """One planting cut every season from crop year 2 on; H1 gives least and STD most."""
    return trial(np.random.default_rng(seed), seasons, planted=planted, **choices)


def with_yields(tables, yields):
    """The tables with the dry yield [t/ha] of every cut replaced: a function of hybrid, season and plot."""
    cut = tables["harvests"].merge(tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"])
    dry = 1 - (cut["subsample_fresh_g"] - cut["subsample_dry_g"]) / cut["subsample_fresh_g"]
    wanted = np.array([yields(r.hybrid, r.growing_season, r.plot) for r in cut.itertuples()], float)
    fresh = wanted * cut["harvested_area_m2"] / 10 / dry
    return tables | {"harvests": tables["harvests"].assign(fresh_mass_kg=fresh.to_numpy())}


def without(tables, **where):
    """The tables without the cuts of a hybrid, in a season where one is named."""
    cut = tables["harvests"].merge(tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"])
    seasons = where.get("seasons", cut["growing_season"])
    gone = cut["hybrid"].eq(where["hybrid"]) & cut["growing_season"].isin(seasons)
    return tables | {"harvests": tables["harvests"][~gone.to_numpy()]}


def part_of(tables, **choices):
    return seasons_page.seasons_of(network_of(tables, **choices), "all", draws=200, variances=40)


def pages(part, thresholds=USUAL):
    """Everything the notebook shows, in one list."""
    chances, cells = seasons_page.verdicts_of(part, thresholds), steadiness_page.cells_of(part)
    built = build_up_page.build_up_of(part, early_year=2, margin=0.1)
    return [
        *seasons_page.show_seasons(part),
        *seasons_page.show_chances(part, chances, thresholds, rank=60),
        *seasons_page.show_yields(part),
        *steadiness_page.show_statistics(part, rank=61),
        *steadiness_page.show_stability(part, cells),
        *steadiness_page.show_rankings(part, cells, rank=62),
        *trust_page.show_trust(part, rank=63),
        *trust_page.show_components(part),
        *build_up_page.show_shares(part, built, draws=200, rank=64),
        *build_up_page.show_full_yield(part, built),
        *build_up_page.show_curves(part),
        *build_up_page.show_decline(part),
        *build_up_page.show_untold(part, built),
        *trust_page.show_limits(part),
    ]


def shown_labels(shown):
    return {*tables(shown), *figures(shown)}


def marks(shown):
    """Caption and note of every result, and every finding."""
    results = {
        b["label"]: b["caption"] + b.get("note", "")
        for b in bundles(shown)
        if "caption" in b and b["label"] not in WITHOUT_RESULTS
    }
    return results | {
        f"finding {b['rank']}": " ".join(b["sentences"])
        for b in bundles(shown)
        if b.get("kind") == "finding"
    }


@pytest.fixture(scope="module")
def young():
    """Two seasons after establishment, one planting."""
    use_style()
    part = part_of(trials((2022, 2023, 2024), planted=2021))
    return part, pages(part)


@pytest.fixture(scope="module")
def grown():
    """Two sites, three and four seasons after establishment, plantings of two years."""
    use_style()
    rng = np.random.default_rng(8)
    both = join(
        trial(rng, (2022, 2023, 2024, 2025, 2026), planted=2021),
        trial(rng, (2023, 2024, 2025, 2026), planted=2022, site="S2"),
    )
    part = part_of(both)
    return part, pages(part)


# -- provisional, and what it takes not to be -----------------------------------------------------


def test_every_result_of_few_seasons_is_marked_provisional(young):
    _, shown = young
    assert shown_labels(shown) >= OF_SEASONS | OF_ONE
    assert [k for k, text in marks(shown).items() if "rovisional" not in text] == []
    assert texts(shown, "provisional") == [
        "The yields cover 2 seasons after establishment (2023 and 2024), and no hybrid has 3. "
        "A bad year may not have come yet."
    ]


def test_nothing_is_provisional_after_three_seasons(grown):
    _, shown = grown
    assert OF_SEASONS | OF_ONE | {"stability"} <= shown_labels(shown)
    assert not any("rovisional" in text for text in [*marks(shown).values(), *texts(shown)])


def test_hybrid_that_came_late_is_provisional_alone():
    part = part_of(without(trials((2023, 2024, 2025)), hybrid="H2", seasons=[2023]))
    assert (
        part.mark == "Provisional for 1 hybrid of 6, with fewer than 3 seasons after establishment."
    )
    (said,) = texts(seasons_page.show_seasons(part), "provisional")
    assert said.startswith("For H2: fewer than 3 seasons after establishment.")
    chances = seasons_page.verdicts_of(part, USUAL).set_index("hybrid")
    assert chances["is_provisional"].to_dict() == {h: h == "H2" for h in chances.index}


def test_no_hybrid_is_proven_before_its_third_season():
    rng = np.random.default_rng(1)

    def with_noise(hybrid, season, plot):
        return (20.0 if hybrid == "H4" else 8.0) * np.exp(rng.normal(0, 0.05))

    few = seasons_page.verdicts_of(part_of(with_yields(trials((2023, 2024)), with_noise)), USUAL)
    more = seasons_page.verdicts_of(
        part_of(with_yields(trials((2023, 2024, 2025)), with_noise)), USUAL
    )
    assert few.set_index("hybrid").loc["H4", "verdict"] == "promising but unproven"
    assert more.set_index("hybrid").loc["H4", "verdict"] == "proven"


# -- age and weather ------------------------------------------------------------------------------


def test_single_planting_names_the_seasons_that_cannot_be_told_apart(young):
    _, shown = young
    told = " ".join(texts(shown, "caution"))
    assert re.search(
        "Planted in 2021: crop year 2 is the season 2022 .*the plateau is 2023 and 2024", told
    )
    assert "Age and weather cannot be told apart" in told
    assert "2023 and 2024 are crop years 3 and 4" in told
    refused = " ".join(texts(shown, "refusal"))
    assert "The share itself, not relative to STD, is not given" in refused


def test_staggered_plantings_lose_that_sentence_and_say_what_is_known(grown):
    _, shown = grown
    told = " ".join(texts(shown, "caution"))
    assert "cannot be told apart" not in told and "look the same" not in told
    assert "crop year 2 fell into 2022 and 2023" in told and "can be told from the weather" in told
    assert "stands of different ages stood in the same season (2024, 2025 and 2026)" in told
    assert "Share itself" in [c["heading"] for c in tables(shown)["build-up-table"]["columns"]]


# -- sentences and numbers ------------------------------------------------------------------------


def test_first_sentence_is_that_of_the_table(grown):
    part, shown = grown
    (said,) = [t for t in texts(shown, "finding") if t.startswith("Against STD")]
    rows = table_of(shown, "chances").set_index("hybrid")
    named = dict(re.findall(r"(\w+) \((\d+) %\)", said))
    erratic = rows.index[rows["verdict"].eq("erratic")]
    for hybrid, chance in named.items():
        column = "chance_erratic" if hybrid in erratic else "chance_next"
        assert round(100 * rows.loc[hybrid, column]) == int(chance)
    assert set(named) == set(rows.index[rows["verdict"].isin(["proven", "promising", "erratic"])])
    assert "in a new season at a new site" in said


def test_second_control_gets_no_verdict():
    two = ("STD", "H5")
    part = part_of(trials((2023, 2024, 2025)), hybrids=hybrid_table(HYBRIDS, two), controls=two)
    chances = seasons_page.verdicts_of(part, USUAL)
    assert chances.set_index("hybrid").loc["H5", "verdict"] == "control"
    (said,) = texts(seasons_page.show_chances(part, chances, USUAL, rank=1), "finding")
    assert "H5" not in said


def test_chances_fall_with_the_margin_and_verdicts_follow_the_thresholds(grown):
    part, _ = grown
    plain = seasons_page.verdicts_of(part, USUAL).set_index("hybrid")
    strict = seasons_page.verdicts_of(part, Thresholds(0.8, 0.6, 0.8, 0.15, beat_by=0.2)).set_index(
        "hybrid"
    )
    assert (strict["chance_next"] <= plain.loc[strict.index, "chance_next"]).all()
    assert (strict["chance_next"] < plain.loc[strict.index, "chance_next"]).any()
    easy = seasons_page.verdicts_of(part, Thresholds(1e-9, 0.0, 1.0, 0.9))
    assert set(easy["verdict"]) == {"proven"}


def test_yields_of_a_balanced_trial_are_near_its_plain_means():
    rng = np.random.default_rng(3)
    level = dict(zip(HYBRIDS, (4.0, 6.0, 8.0, 10.0, 12.0, 9.0)))
    weather = {2023: 1.0, 2024: 0.8, 2025: 1.1}
    part = part_of(
        with_yields(
            trials(tuple(weather)),
            lambda h, s, p: level[h] * weather[s] * np.exp(rng.normal(0, 0.03)),
        )
    )
    shown = pages(part)
    rows = table_of(shown, "season-yield-table").set_index("hybrid")
    plain = part.records.groupby(["hybrid", "season"])["response"].mean().map(np.exp).unstack()
    for season in ("2023", "2024", "2025"):
        np.testing.assert_allclose(
            rows[f"yield_t_ha_{season}"], plain.loc[rows.index, season], rtol=0.03
        )
    ranks = table_of(shown, "rank-changes").set_index("hybrid")
    assert ranks.loc[["H5", "H4", "STD", "H3", "H2", "H1"], "rank_2024"].tolist() == [
        1,
        2,
        3,
        4,
        5,
        6,
    ]
    assert set(ranks["change"]) == {0}
    (said,) = [t for t in texts(shown, "finding") if "Kendall" in t]
    assert "much the same order: Kendall's W of their true yields is 1.00" in said
    # the season of 0.8 is the worst of all: 0.8 times the level
    worst = table_of(shown, "steadiness").set_index("hybrid")["worst_t_ha"]
    np.testing.assert_allclose(worst[list(level)], [0.8 * v for v in level.values()], rtol=0.04)


def test_fast_builder_is_named_and_shown_to_give_full_yield_early():
    rng, early = np.random.default_rng(4), {"H1": 1.0, "H2": 1.0}
    part = part_of(
        with_yields(
            trials(),
            lambda h, s, p: (
                (early.get(h, 0.5) if s == 2022 else 1.0) * 10 * np.exp(rng.normal(0, 0.04))
            ),
        )
    )
    built = build_up_page.build_up_of(part, early_year=2, margin=0.1)
    shown = build_up_page.show_shares(part, built, draws=200, rank=1)
    (said,) = texts(shown, "finding")
    assert re.match(r"By crop year 2, (H1 and H2|H2 and H1) built up faster than STD", said)
    rows = table_of(shown, "build-up-table").set_index("hybrid")
    assert (
        rows.loc["H1", "relative"] == pytest.approx(2.0, rel=0.06)
        and rows.loc["STD", "relative"] == 1
    )
    tested = table_of(build_up_page.show_full_yield(part, built), "full-yield").set_index("hybrid")
    assert tested.loc["H1", "answer"] == "shown"
    # a wide margin shows what a narrow one does not: all other hybrids build up as the control does
    strict = build_up_page.build_up_of(part, early_year=2, margin=0.01)
    wide = build_up_page.build_up_of(part, early_year=2, margin=0.4)
    answers = [
        table_of(build_up_page.show_full_yield(part, b), "full-yield").set_index("hybrid")["answer"]
        for b in (strict, wide)
    ]
    assert (answers[0].loc[["H3", "H4", "H5"]] == "not shown").all() and (
        answers[1] == "shown"
    ).all()


def test_hybrid_that_falls_off_is_erratic_and_the_others_are_not():
    rng = np.random.default_rng(6)
    part = part_of(
        with_yields(
            trials((2023, 2024, 2025)),
            lambda h, s, p: (
                (0.4 if (h, s) == ("H3", 2024) else 1.0) * 9 * np.exp(rng.normal(0, 0.05))
            ),
        )
    )
    chances = seasons_page.verdicts_of(part, USUAL).set_index("hybrid")
    assert list(chances.index[chances["verdict"].eq("erratic")]) == ["H3"]
    (said,) = texts(
        seasons_page.show_chances(part, chances.reset_index(), USUAL, rank=1), "finding"
    )
    assert re.search(r"erratic: H3 \(", said)


def test_seasons_needed_are_those_in_which_reliability_is_reached(grown):
    part, shown = grown
    (said,) = [t for t in texts(shown, "finding") if "reliability" in t]
    rows = table_of(shown, "trust")
    sites, seasons, plots = trust_page.layout_of(part)
    assert rows.loc[1, ["sites", "seasons", "replicates"]].tolist() == [2, 4, plots]
    assert f"reliability of {rows.loc[1, 'value']:.2f}" in said
    assert (
        "Hybrids that were not cut everywhere" in said
    )  # the second site has three seasons, not four
    grid = pd.DataFrame(figures(shown)["reliability"]["data"]["values"])
    assert grid.iloc[sites - 1, seasons] == pytest.approx(rows.loc[1, "value"])


def test_cuts_that_gave_nothing_are_named_where_they_are_missing():
    rng = np.random.default_rng(2)
    part = part_of(
        with_yields(
            trials((2023, 2024)),
            lambda h, s, p: (
                0.0 if (h, s, p) == ("H1", 2024, "001") else 8 * np.exp(rng.normal(0, 0.1))
            ),
        )
    )
    shown = [*seasons_page.show_seasons(part), *seasons_page.show_yields(part)]
    assert "1 cut gave nothing (H1)" in texts(shown)[0]
    assert (
        "Cuts that gave nothing are not in it (H1)." in tables(shown)["season-yield-table"]["note"]
    )


# -- edge inputs ----------------------------------------------------------------------------------


def test_one_season_refuses_what_takes_two_and_answers_the_rest():
    part = part_of(trials((2022, 2023)))
    shown = pages(part)
    assert shown_labels(shown) == OF_ONE
    refused = " ".join(texts(shown, "refusal"))
    for what in (
        "the chances against the control in a new season",
        "a worst season or a spread over seasons",
        "whether rankings agree",
        "repeatability and reliability",
    ):
        assert f"(2023): it takes two at least to tell {what}." in refused
    assert "1 season after establishment is too few" in refused
    assert "every plot was cut in one season only" in refused.lower()
    assert [k for k, text in marks(shown).items() if "rovisional" not in text] == []
    assert "One season (2023) was cut after establishment" in " ".join(texts(shown, "caution"))


def test_one_plot_per_hybrid_and_season_refuses_what_takes_repeated_plots():
    part = part_of(trials((2022, 2023, 2024, 2025), replicates=1))
    shown = pages(part)
    refused = " ".join(texts(shown, "refusal"))
    assert (
        refused.count("it takes repeated plots to tell") == 4
        and "One season was cut" not in refused
    )
    assert "every plot was cut" not in refused.lower() and "response" not in refused
    assert not {"chances", "steadiness", "rank-ribbons", "trust"} & shown_labels(shown)


def test_without_established_stands_nothing_is_said():
    part = part_of(trials((2021, 2022)))
    shown = pages(part)
    assert texts(shown)[0].startswith(
        "No plot has a yield in crop year 3 or later. So nothing is said"
    )
    assert shown_labels(shown) <= {"build-up-curves", "build-up-years"} and not texts(
        shown, "finding"
    )
    assert "Without yields of established stands nothing is concluded here." in texts(shown)


def test_one_hybrid_is_refused_in_words():
    part = part_of(trials((2023, 2024, 2025), codes=["H1", "STD"]))
    assert "fewer than two candidates" in part.reason
    shown = pages(part)
    assert not texts(shown, "finding") and "fewer than two candidates" in " ".join(
        texts(shown, "refusal")
    )
    assert not OF_SEASONS & shown_labels(shown)


def test_control_missing_in_a_season_is_filled_in_with_a_wider_interval():
    part = part_of(without(trials((2023, 2024, 2025), replicates=2), hybrid="STD", seasons=[2024]))
    rows = (
        table_of(seasons_page.show_yields(part), "season-yield-table")
        .set_index("hybrid")
        .loc["STD"]
    )
    width = {
        s: np.log(rows[f"interval_{s}"][1] / rows[f"interval_{s}"][0])
        for s in ("2023", "2024", "2025")
    }
    assert width["2024"] > max(width["2023"], width["2025"])
    assert isinstance(seasons_page.verdicts_of(part, USUAL), pd.DataFrame)


def test_without_the_control_chances_and_build_up_are_refused_and_the_rest_stands():
    part = part_of(without(trials((2022, 2023, 2024)), hybrid="STD"))
    shown = pages(part)
    refused = " ".join(texts(shown, "refusal"))
    assert "The control 'STD' has no yield after establishment" in refused
    assert "'STD' was not cut both in crop year 2 and after" in refused
    assert {"steadiness", "rank-ribbons", "trust", "build-up-curves"} <= shown_labels(shown)
    assert "chances" not in shown_labels(shown)


def test_network_without_a_control_is_told_so():
    part = part_of(trials((2022, 2023, 2024)), hybrids=hybrid_table(HYBRIDS, ()))
    shown = pages(part)
    assert "The network names no control, so no hybrid is set against one." in texts(
        shown, "refusal"
    )
    assert "steadiness" in shown_labels(shown)
    assert "Controls are squares" not in figures(shown)["season-yields"]["caption"]


def test_variance_of_zero_is_named_and_starts_its_interval():
    rng, level = np.random.default_rng(12), dict(zip(HYBRIDS, (5, 6, 7, 8, 9, 10)))
    noise = iter(rng.permutation(np.tile([-0.05, 0.05], 36)))
    part = part_of(
        with_yields(trials((2023, 2024, 2025)), lambda h, s, p: level[h] * np.exp(next(noise)))
    )
    shown = trust_page.show_components(part)
    rows = table_of(shown, "variance-components").set_index("label")
    zero = rows.index[rows["variance"] < 1e-10]
    assert len(zero) and all(rows.loc[z, "interval"][0] == 0 for z in zero)
    note = tables(shown)["variance-components"]["note"]
    assert "At zero: " in note and all(z in note for z in zero)


def test_residual_variance_that_the_draws_hold_has_no_interval():
    rng, noise = np.random.default_rng(15), {2023: 0.1, 2024: 0.4, 2025: 0.15}
    part = part_of(
        with_yields(
            trials(tuple(noise)),
            lambda h, s, p: (8 + ord(h[-1]) % 5) * np.exp(rng.normal(0, noise[s])),
        )
    )
    shown = trust_page.show_components(part)
    rows = table_of(shown, "variance-components").set_index("label")
    assert (
        rows.loc["residual", "interval"] == [None, None] and rows.loc["hybrid", "interval"][1] > 0
    )
    assert (
        "The residual variance differs between site-seasons"
        in tables(shown)["variance-components"]["note"]
    )
    assert (
        "In this layout hybrid × site cannot be told from hybrid: its variance is part of that."
        in texts(shown)[0]
    )


def test_perfect_ties_give_words_and_no_number():
    part = part_of(with_yields(trials((2022, 2023, 2024)), lambda *at: 8.0))
    shown = pages(part)
    assert part.reason and part.reason.endswith(".")
    assert not texts(shown, "finding") and not OF_SEASONS & shown_labels(shown)


def test_ranks_of_an_incomplete_table_are_refused():
    part = part_of(without(trials((2023, 2024)), hybrid="H2", seasons=[2023]))
    shown = steadiness_page.show_rankings(part, steadiness_page.cells_of(part), rank=1)
    assert "1 hybrid did not stand in every season" in " ".join(texts(shown, "refusal"))
    assert texts(shown, "finding") and "rank-changes" in shown_labels(shown)


def test_measured_agreement_of_complete_table_is_that_of_its_ranks():
    part = part_of(trials((2023, 2024, 2025)))
    cells = steadiness_page.cells_of(part)
    (said,) = texts(steadiness_page.show_rankings(part, cells, rank=1), "text")
    wide = cells.cells.pivot(index="hybrid", columns="environment", values="value")
    # W by its definition, Kendall & Gibbons (1990) ch. 6: 12 S / (m^2 (n^3 - n))
    sums = wide.rank().sum(axis=1)
    w = 12 * ((sums - sums.mean()) ** 2).sum() / (9 * (6**3 - 6))
    assert f"W = {w:.2f}; Friedman" in said and "5 degrees of freedom" in said
    assert "Intraclass correlation of log yield (consistency)" in said


def test_old_stands_are_judged_where_plantings_differ_in_age():
    rng = np.random.default_rng(9)
    seasons = tuple(range(2018, 2026))
    both = join(trial(rng, seasons, planted=2016), trial(rng, seasons[4:], planted=2020, site="S2"))
    both = with_yields(both, lambda h, s, p: 9 * np.exp(rng.normal(0, 0.05)))
    (said,) = texts(build_up_page.show_decline(part_of(both)))
    assert re.match(
        "In old stands yield is not shown to change: .* per year past crop year 5", said
    )


NASTY = ["$x$", "#1", "<script>alert(1)</script>", "*b*", "_u", "H" * 60, "%d {0}"]


def test_hostile_names_stand_unchanged_and_are_escaped_on_the_screen():
    part = part_of(trials((2022, 2023, 2024), codes=NASTY), hybrids=hybrid_table(NASTY, ("_u",)))
    shown = pages(part)
    assert set(table_of(shown, "season-yield-table")["hybrid"]) == set(NASTY)
    assert all("<script>" not in thing.html() for thing in shown)


# -- the notebook ---------------------------------------------------------------------------------


@pytest.mark.parametrize("away", ["harvests", "plots", "hybrids"])
def test_notebook_says_which_table_is_away_and_shows_nothing_of_it(away, tmp_path, monkeypatch):
    sheets = {
        name: sheet for name, sheet in small_network().items() if not name.endswith(f"{away}.csv")
    }
    shown = shown_by(
        NOTEBOOK, monkeypatch, data=str(write_network(tmp_path / "net", sheets)), site="S01"
    )
    assert not shown_labels(shown) and not sentences(shown, "finding")
    assert away in sentences(shown, "refusal")[0]
    assert len(sentences(shown, "refusal")) >= 9


@pytest.fixture(scope="module")
def demo():
    with pytest.MonkeyPatch.context() as patch:
        return shown_by(NOTEBOOK, patch)


def test_findings_of_the_notebook_point_at_what_is_there_in_their_order(demo):
    shown = demo
    found = [b for b in bundles(shown) if b.get("kind") == "finding"]
    assert [b["rank"] for b in found] == [60, 61, 62, 63, 64]
    assert {b["see"] for b in found} <= shown_labels(shown)
    assert [k for k, text in marks(shown).items() if "rovisional" not in text] == []
    assert max(f["height_in"] for f in figures(shown).values()) <= 8.5
    assert all(len(f["alt"]) > 40 for f in figures(shown).values())


def test_site_of_one_season_shows_what_it_invites_to_try(monkeypatch):
    shown = shown_by(NOTEBOOK, monkeypatch, site="DRYSA")
    assert shown_labels(shown) == OF_ONE
    assert len([t for t in sentences(shown, "refusal") if t.startswith("One season was cut")]) == 4


def test_thresholds_that_the_notebook_invites_to_try_do_what_it_says(demo):
    part = seasons_page.seasons_of(
        of_season(read_network("data/demo", site="KRAVO"), 2025), "KRAVO"
    )
    usual = table_of(demo, "chances").set_index("hybrid")
    beaten = seasons_page.verdicts_of(part, Thresholds(0.8, 0.6, 0.8, 0.15, 0.1)).set_index(
        "hybrid"
    )
    assert (beaten["chance_next"] <= usual.loc[beaten.index, "chance_next"]).all()
    easy = seasons_page.verdicts_of(part, Thresholds(0.8, 0.2, 0.8, 0.15))
    assert (
        easy["verdict"].eq("promising but unproven").sum() > usual["verdict"].eq("promising").sum()
    )
    assert not easy["verdict"].eq("proven").any()
