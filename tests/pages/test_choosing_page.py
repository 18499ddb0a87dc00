"""What the notebook on choosing prints: sentences true of their data, refusals where data are missing."""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from choosing_frames import CODES, choosing_network, choosing_tables
from culmbook.pages import (
    decision_page,
    firmness_page,
    floors_page,
    outlook_page,
    selection_page,
    sites_page,
)
from culmbook.selection.decide import PROMOTE
from culmbook.selection.decisions import last_decisions
from culmbook.selection.gains import candidate_gains
from culmbook.selection.more_data import hold_table
from culmbook.sheets.read import read_network
from culmbook.show.palette import use_style
from culmbook.trials.seasons import of_season
from page_frames import figures_of, is_refusal, table_of, texts

DRAWS = 300


@pytest.fixture(autouse=True)
def style():
    use_style()


def choice_on(network, season=2025, site="all"):
    return selection_page.choice_of(of_season(network, season), site, season, draws=DRAWS)


@lru_cache
def plain():
    return choice_on(choosing_network())


@lru_cache
def floored():
    return choice_on(choosing_network(floors={"moisture_pct": 31.5, "lt50_c": -2.0}))


@lru_cache
def sensitivity_shown():
    return firmness_page.show_sensitivity(floored(), firmness_page.worth_of(floored()), {}, rank=4)


def everything(choice, plots=None, decisions=None):
    """All that the notebook shows."""
    plots = choosing_tables()["plots"] if plots is None else plots
    decisions = choosing_network().tables["decisions"] if decisions is None else decisions
    worth, stages = firmness_page.worth_of(choice), sites_page.two_stages_of(choice, plots)
    return [
        decision_page.show_decisions(choice, rank=1),
        decision_page.show_reasons(choice, rank=2),
        selection_page.show_gains(choice),
        floors_page.show_floors(choice),
        selection_page.show_losses(choice),
        firmness_page.show_sensitivity(choice, worth, stages, rank=4),
        firmness_page.show_index(choice, worth, rank=7),
        sites_page.show_correlation(choice, rank=6),
        sites_page.show_links(choice),
        sites_page.show_stages(choice, stages),
        outlook_page.show_plans(choice),
        outlook_page.show_last(choice, decisions, 2025, rank=8),
        outlook_page.show_funnel(choice, rank=9),
    ]


def decision_table(choice):
    return table_of(decision_page.show_decisions(choice, rank=1), "decisions").set_index("shown")


# -- the decision ---------------------------------------------------------------------------------


def test_gains_go_with_plain_means_over_the_control():
    tables = choosing_tables()
    cut = tables["harvests"].merge(tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"])
    dry = np.log(cut["fresh_mass_kg"] * cut["subsample_dry_g"] / cut["harvested_area_m2"])
    means = (
        dry.groupby([cut["site"], cut["growing_season"], cut["hybrid"]])
        .mean()
        .groupby("hybrid")
        .mean()
    )
    own = np.expm1(means.drop("STD") - means["STD"])
    found = plain().decided.set_index("hybrid")["gain"]
    assert found.corr(own[found.index]) > 0.98 and found.idxmax() == own.idxmax() == "H8"


def test_losses_are_costs_times_probabilities_and_places_add_up():
    found, costs = plain().decided, plain().costs
    np.testing.assert_allclose(
        found["loss_promote"], costs.wrong_promote * (1 - found["chance_worthy"])
    )
    np.testing.assert_allclose(found["loss_drop"], costs.wrong_drop * found["chance_worthy"])
    assert found["p_top"].sum() == pytest.approx(2) and found["decision"].eq(PROMOTE).sum() <= 2
    taken = [row[f"loss_{row['decision']}"] for _, row in found.iterrows()]
    np.testing.assert_allclose(found["loss"], taken)


def test_first_finding_names_the_promoted_with_their_probability_and_the_rules_their_settings():
    shown = decision_page.show_decisions(plain(), rank=1)
    finding, rules = texts(shown)[:2]
    chance = plain().decided.iloc[0]
    assert (
        chance["hybrid"] == "H8"
        and f"Promote: H8 ({100 * chance['chance_worthy']:.0f} %)" in finding
    )
    assert (
        "All of it is provisional: 2 seasons after establishment are in, and it takes 3." in finding
    )
    for words in (
        "5 % above STD",
        "true best 2",
        "wrongly costs 1.00",
        "one more season of a hybrid 0.02",
    ):
        assert words in rules
    assert "No floor on another trait is set" in rules
    means = "of being worth promoting, that is giving more than 5 % above STD and being among the best 2."
    assert means in finding
    above = texts(decision_page.show_decisions(floored(), rank=1))[0]
    assert (
        "that is passing the floors, giving more than 5 % above STD and being among the best 2."
        in above
    )


def test_all_conditions_that_are_open_are_named_the_least_settled_first():
    row = plain().decided.iloc[0].copy()
    row["hybrid"], row["p_floors"], row["p_beats"], row["p_top"] = "H1", 0.6, 0.45, 0.57
    words = decision_page._open_words(row, plain())
    assert words == "Open for H1: 5 % over STD (probability 45 %) and floors (probability 60 %)."
    row["p_beats"] = row["p_top"] = row["p_floors"] = 1.0
    assert decision_page._open_words(row, plain()).startswith("Open for H1: ")


def test_why_some_are_held_is_said_where_some_are():
    told = {
        d: " ".join(decision_page.top_words(c)) for d, c in (("some", plain()), ("none", floored()))
    }
    for key, choice in (("some", plain()), ("none", floored())):
        is_held = (choice.decided["decision"].eq("hold") & ~choice.decided["is_capped"]).any()
        assert ("A held one loses less still by waiting, at 0.02 a season." in told[key]) == is_held


def test_table_lists_every_candidate_once_and_no_control():
    table = decision_table(plain())
    assert sorted(h.rstrip("*") for h in table.index) == sorted(set(CODES) - {"STD"})
    assert all(h.endswith("*") for h in table.index) and "p_floors" not in table
    order = table["decision"].map({"promote": 0, "hold": 1, "drop": 2})
    assert order.is_monotonic_increasing
    assert table["reason"].str.endswith(".").all() and table["change"].str.endswith(".").all()
    assert table["reason"].str.len().max() <= 50  # 24 of them fit a page


def test_highest_yielder_that_fails_a_floor_is_not_promoted_and_the_page_says_why():
    row = decision_table(floored()).loc["H8*"]
    assert row["decision"] == "drop" and row["reason"] == "Fails the moisture floor."
    assert row["change"] == "Moisture floor passed or eased."
    why = texts(decision_page.show_reasons(floored(), rank=2), "finding")[0]
    assert (
        why.startswith("H8 has the highest predicted yield")
        and "dropped, as it passes the floor on moisture" in why
    )
    floors = texts(sensitivity_shown(), "finding")[0]
    assert (
        "Without the floor on moisture at harvest" in floors
        and "H8" in floors
        and "would be promoted" in floors
    )


def test_probability_of_no_draw_is_neither_0_nor_1():
    table = decision_table(plain())
    assert table["chance_worthy"].between(0.5 / DRAWS, 1 - 0.5 / DRAWS).all()
    assert decision_page.fmt_chance(0.0) == "<1 %" and decision_page.fmt_chance(1.0) == ">99 %"


def test_three_seasons_are_not_provisional():
    choice = choice_on(choosing_network(choosing_tables(seasons=(2023, 2024, 2025))))
    shown = decision_page.show_decisions(choice, rank=1)
    assert "provisional" not in " ".join(texts(shown)) and not any(
        decision_table(choice).index.str.endswith("*")
    )


def test_one_place_is_called_the_best():
    choice = choice_on(choosing_network(k=1))
    table = decision_table(choice)
    shown = " ".join(texts(decision_page.show_decisions(choice, rank=1)))
    assert (
        "is the true best." in shown
        and "best 1" not in shown
        and "at most one hybrid is promoted" in shown
    )
    assert not table["reason"].str.contains("best 1").any() and "Not the best." in set(
        table["reason"]
    )


def test_places_taken_by_others_are_said():
    choice = choice_on(
        choosing_network(
            k=1, delta=0.0, costs={"wrong_promote": 0.2, "wrong_drop": 5.0, "hold": 5.0}
        )
    )
    capped = choice.decided[choice.decided["is_capped"]]
    assert len(capped) and choice.named(PROMOTE) == ["H8"]
    rows = decision_table(choice).loc[capped["hybrid"] + "*"]
    assert set(rows["reason"]) == {"Worth it, but the places are taken."} and set(
        rows["decision"]
    ) == {"hold"}


# -- what is missing ------------------------------------------------------------------------------


def test_floor_on_a_trait_that_was_not_tested_is_refused_in_words():
    choice = choice_on(choosing_network(away=("freeze_tests",), floors={"lt50_c": -3.0}))
    assert choice.eligible is None and choice.unjudged
    shown = floors_page.show_floors(choice)
    assert (
        "The floor on LT50 (at most −3.0 °C) could not be applied to any hybrid"
        in texts(shown, "refusal")[0]
    )
    assert "p_floors" not in decision_table(choice)


def test_hybrid_not_tested_for_a_floor_is_held_until_it_is():
    tables = choosing_tables()
    tables["freeze_tests"] = tables["freeze_tests"][tables["freeze_tests"]["hybrid"].ne("H8")]
    choice = choice_on(choosing_network(tables, floors={"lt50_c": -2.0}))
    row = decision_table(choice).loc["H8*"]
    assert (
        row["decision"] == "hold"
        and row["reason"] == "Not tested: LT50."
        and row["change"] == "A test of LT50."
    )
    assert (
        choice.decided.set_index("hybrid").at["H8", "loss"]
        == choice.decided.set_index("hybrid").at["H8", "loss_hold"]
    )


@pytest.mark.parametrize(
    ("network", "words"),
    [
        (lambda: choosing_network(controls=()), "names no control"),
        (
            lambda: choosing_network(choosing_tables(codes=["H1", "STD"])),
            "fewer than two candidates",
        ),
        (lambda: choosing_network(away=("harvests",)), "harvests has no usable rows"),
        (lambda: choosing_network(_apart()), "have no hybrid in common"),
        (lambda: choosing_network(_young()), "no plot has a yield in crop year 3"),
    ],
    ids=["no control", "one candidate", "no harvests", "disconnected", "young stands"],
)
def test_without_a_basis_nothing_is_decided_and_every_section_says_so(network, words):
    choice = choice_on(network())
    shown = everything(choice)
    assert words.lower() in texts(shown[0], "refusal")[0].lower()
    first = [
        part for i, part in enumerate(shown) if i not in (7, 8, 12)
    ]  # sites and funnel need no control
    assert all(is_refusal(part) for part in first)
    assert not [
        t for part in shown for t in part if getattr(t, "kind", "") == "finding" and t.rank < 6
    ]
    assert outlook_page.headline(choice) == "choosing: no decision"


def _apart():
    """Two sites that share no hybrid."""
    one, two = choosing_tables(sites=("S1",)), choosing_tables(sites=("S2",))
    two["plots"] = two["plots"].assign(hybrid="X" + two["plots"]["hybrid"])
    return {name: pd.concat([one[name], two[name]], ignore_index=True) for name in one}


def _young():
    tables = choosing_tables()
    planted = pd.Timestamp(2024, 5, 4)
    return tables | {"plots": tables["plots"].assign(planted_on=planted)}


def test_control_that_was_not_cut_is_named():
    tables = choosing_tables()
    of = tables["harvests"].merge(
        tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"], how="left"
    )
    tables["harvests"] = tables["harvests"][of["hybrid"].ne("STD").to_numpy()]
    choice = choice_on(choosing_network(tables))
    assert (
        "'STD' has no yield here"
        in texts(decision_page.show_decisions(choice, rank=1), "refusal")[0]
    )


def test_one_season_decides_without_waiting_and_says_so():
    choice = choice_on(choosing_network(choosing_tables(seasons=(2025,))))
    assert choice.more is None and set(choice.decided["decision"]) <= {"promote", "drop"}
    told = " ".join(texts(decision_page.show_reasons(choice, rank=2), "refusal"))
    assert "One season was cut" in choice.no_more and "one season was cut" in told
    assert "Holding is not weighed" in texts(selection_page.show_losses(choice))[0]
    assert is_refusal(outlook_page.show_plans(choice)) and is_refusal(
        outlook_page.show_funnel(choice, rank=9)
    )


def test_one_site_says_that_sites_take_two():
    tables = choosing_tables(sites=("S1",))
    choice = choice_on(choosing_network(tables))
    stages = sites_page.two_stages_of(choice, tables["plots"])
    for shown in (
        sites_page.show_correlation(choice, rank=6),
        sites_page.show_links(choice),
        sites_page.show_stages(choice, stages),
    ):
        assert is_refusal(shown) and "takes two" in texts(shown)[0]
    assert not is_refusal(decision_page.show_decisions(choice, rank=1))


def test_no_weights_no_floors_no_decisions_are_said():
    choice = plain()
    assert (
        "No money weights are set"
        in texts(firmness_page.show_index(choice, firmness_page.worth_of(choice), rank=7))[0]
    )
    assert "No floor is set" in texts(floors_page.show_floors(choice))[0]
    last = outlook_page.show_last(choice, choosing_network().tables["decisions"], 2025, rank=8)
    assert is_refusal(last) and "none from before 2025" in texts(last)[0]


# -- evidence -------------------------------------------------------------------------------------


def test_every_section_answers_for_a_whole_network():
    choice = choice_on(
        choosing_network(
            weights={"yield_t_ha": 60.0, "moisture_pct": -6.0}, floors={"moisture_pct": 32.5}
        )
    )
    shown = everything(
        choice, decisions=_decided_before({"H8": "promote", "H1": "drop", "H2": "hold"})
    )
    assert not any(is_refusal(part) for part in shown)
    ranks = [t.rank for part in shown for t in part if getattr(t, "kind", "") == "finding"]
    assert ranks == [1, 2, 3, 4, 5, 7, 6, 8, 9]
    labels = [
        t.label for part in shown for t in part if getattr(t, "label", "") and hasattr(t, "caption")
    ]
    assert len(labels) == len(set(labels))
    assert {t.see for part in shown for t in part if getattr(t, "see", "")} <= set(labels)
    for part in shown:
        for fig in figures_of(part).values():
            assert fig.height_in <= 8.5 and len(fig.alt) > 40 and fig.caption.endswith(".")


def _decided_before(decisions):
    empty = choosing_network().tables["decisions"]
    made = pd.DataFrame(
        {"hybrid": list(decisions), "decision": list(decisions.values()), "growing_season": 2024}
    )
    return made.reindex(columns=list(empty)).astype(
        {"growing_season": "Int64", "decided_on": empty["decided_on"].dtype}
    )


def test_hybrid_dropped_before_and_no_longer_cut_is_not_decided_on_but_its_records_stay():
    tables = choosing_tables()
    of = tables["harvests"].merge(
        tables["plots"][["site", "plot", "hybrid"]], on=["site", "plot"], how="left"
    )
    gone = of["hybrid"].eq("H1").to_numpy() & tables["harvests"]["growing_season"].eq(
        2025
    ).to_numpy(bool)
    tables["harvests"] = tables["harvests"][~gone].reset_index(drop=True)
    network = choosing_network(
        tables | {"decisions": _decided_before({"H1": "drop", "H2": "drop"})}
    )
    choice = choice_on(network)
    assert "H1" not in set(choice.decided["hybrid"]) and "H2" in set(choice.decided["hybrid"])
    assert "H1" in choice.part.fit.hybrids


def test_one_thing_changed_at_a_time_flips_no_more_than_is_said():
    choice = floored()
    frame, untried = firmness_page.sensitivity_of(choice, firmness_page.worth_of(choice), {})
    assert not untried and frame["hybrid"].nunique() == len(choice.decided)
    base = choice.decided.set_index("hybrid")["decision"]
    assert (frame["base_decision"] == frame["hybrid"].map(base)).all()
    counts = table_of(sensitivity_shown(), "firmness").set_index("hybrid")
    n = frame["scenario"].nunique()
    assert (counts[["promote", "hold", "drop"]].sum(axis=1) == n).all()
    assert set(counts.index) == set(frame.loc[frame["flips"], "hybrid"])


def test_value_of_a_season_by_gains_given_is_that_of_the_model_they_come_from():
    choice = plain()
    gains = candidate_gains(choice.part.drawn, "STD")
    again = hold_table(choice.part.fit, choice.part.drawn, "STD", gains=gains, **choice.rules)
    pd.testing.assert_frame_equal(again, choice.more)


def test_index_with_a_weight_on_yield_alone_ranks_as_yields_do():
    choice = choice_on(choosing_network(weights={"yield_t_ha": 60.0}))
    shown = firmness_page.show_index(choice, firmness_page.worth_of(choice), rank=7)
    table = table_of(shown, "index")
    assert (table["rank"] == table["yield_rank"]).all() and "also first by yield alone" in texts(
        shown, "finding"
    )[0]


def test_floor_on_yield_is_judged_by_the_draws_that_gains_come_from():
    choice = choice_on(choosing_network(floors={"yield_t_ha": 5.0}))
    level = choice.traits["yield_t_ha"].draws
    np.testing.assert_array_equal(choice.eligible["H5"], level["H5"] >= 5.0)


# -- written and read back ------------------------------------------------------------------------


def test_decisions_written_are_what_the_next_report_looks_back_on(tmp_path):
    path = tmp_path / "decisions.csv"
    shown = outlook_page.show_written(plain(), 2025, str(path), "2026-03-01")
    assert texts(shown) == ["8 decisions were added to decisions.csv."]
    plain().entries[["hybrid", "role", "crop_type", "stage"]].assign(propagation="plug").to_csv(
        tmp_path / "hybrids.csv", index=False
    )
    back = last_decisions(read_network(tmp_path).tables["decisions"], 2026).set_index("hybrid")
    assert back["decision"].to_dict() == plain().decided.set_index("hybrid")["decision"].to_dict()
    assert set(back["growing_season"]) == {2025} and back["reason"].str.len().gt(0).all()
    again = outlook_page.show_written(plain(), 2025, str(path), "2026-03-02")
    assert "Nothing was written" in texts(again)[0]


def test_decisions_that_cannot_be_written_are_said(tmp_path):
    for path, day in (
        (str(tmp_path / "no" / "decisions.csv"), ""),
        (str(tmp_path / "decisions.csv"), "tomorrow"),
    ):
        shown = outlook_page.show_written(plain(), 2025, path, day)
        assert is_refusal(shown) and texts(shown)[0].startswith("The decisions were not written")
    assert not list(tmp_path.iterdir())
    assert outlook_page.show_written(plain(), 2025, "") == ()


def test_headline_is_coarse_and_complete():
    lines = outlook_page.headline(plain()).splitlines()
    assert (
        lines[0] == f"promote: {' and '.join(sorted(plain().named(PROMOTE)))}" and "H8" in lines[0]
    )
    assert lines[-1].endswith("provisional: yes")
    assert "drop: " in lines[2] and "of 8" in lines[2]


def test_rows_left_to_the_workbook_are_counted_and_a_table_is_never_left_empty():
    shown = selection_page.show_losses(plain())[-1]
    n = shown.printed.count(False)
    assert (
        n and f"{n} dropped hybrids with a probability under 5 % are in the workbook." in shown.note
    )
    none = choice_on(choosing_network(delta=5.0))
    assert set(none.decided["decision"]) == {"drop"}
    for table in (
        selection_page.show_losses(none)[-1],
        decision_page.show_reasons(none, rank=2)[-1],
    ):
        assert all(table.printed) and "workbook" not in table.note
    assert "nothing to settle" in " ".join(texts(decision_page.show_reasons(none, rank=2)))
    assert texts(decision_page.show_decisions(none, rank=1))[0].startswith(
        "Promote: none; hold: none; drop: 8."
    )
