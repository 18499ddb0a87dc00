"""What the stand notebook prints: every sentence true of its data, refusals where data are missing."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.pages import stand_causes, stand_report, stand_verdicts
from culmbook.sheets.settings import StandSettings
from culmbook.show.page import ReportFigure, ReportTable, ReportText
from culmbook.show.palette import use_style
from culmbook.stand.counts import judge_plots, plot_stand, stand_history, what_is_unknown
from culmbook.stand.gaps import longest_runs
from stand_frames import make_counts, make_gaps, make_hybrids, make_network, make_plots

RULES = StandSettings()
HYBRIDS = "ABCDEF"
CROSSED = (("machine", "none"), ("machine", "film"), ("hand", "none"), ("hand", "film"))


@pytest.fixture(autouse=True)
def style():
    use_style()


def _numbers(text):
    """Numbers of a sentence in order; thin spaces, true minus and the names of hybrids taken out."""
    text = re.sub(r"\([A-Za-z]\w*\)|STD|df|95 %", " ", text.replace("\u202f", "").replace("−", "-"))
    return [float(n) for n in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", text)]


def _stand(plots, seed=1, share=None, **counts):
    rng = np.random.default_rng(seed)
    if share is not None:
        planted = plots["plants_planted"].astype(int)
        autumn = rng.binomial(planted, plots["hybrid"].map(share))
        counts = {"autumn": list(autumn), "summer": list(rng.binomial(autumn, 0.9))} | counts
    return plot_stand(plots, make_counts(plots, **counts), 2025)


def _answer(stand, event="establishment", controls="A", **settings):
    codes = sorted(stand["hybrid"].unique())
    return stand_report.answer(
        stand, make_network(make_hybrids(codes, controls), **settings), event
    )


def _texts(shown):
    return [part for part in shown if isinstance(part, ReportText)]


def _finding(shown):
    found = [part for part in _texts(shown) if part.kind == "finding"]
    assert len(found) == 1
    return found[0]


def _tables(shown):
    return {part.label: part for part in shown if isinstance(part, ReportTable)}


def _rows(part):
    return pd.DataFrame(
        part.content["values"], columns=[c["name"] for c in part.content["columns"]]
    )


def _printed(part):
    return _rows(part)[list(part.printed)]


def _is_refusal(shown):
    return (
        bool(_texts(shown))
        and all(p.kind == "refusal" for p in _texts(shown))
        and not any(isinstance(p, (ReportFigure, ReportTable)) for p in shown)
    )


SPREAD = dict(zip(HYBRIDS, (0.7, 0.72, 0.97, 0.3, 0.68, 0.75)))


@pytest.fixture(scope="module")
def trial():
    return _stand(make_plots(HYBRIDS, 4), share=SPREAD)


@pytest.fixture(scope="module")
def answered(trial):
    return _answer(trial)


# -- refusals -------------------------------------------------------------------------------------


EMPTY = {
    "no plots": lambda: plot_stand(make_plots().iloc[:0], make_counts(make_plots().iloc[:0]), 2025),
    "no counts": lambda: _stand(make_plots()),
    "all set aside": lambda: _stand(make_plots().assign(status="damaged"), autumn=30, summer=20),
    "all alive": lambda: _stand(make_plots(), autumn=40, summer=40),
    "all dead": lambda: _stand(make_plots(), autumn=0, summer=0),
    "one hybrid": lambda: _stand(make_plots("A"), autumn=30, summer=20),
    "one plot": lambda: _stand(make_plots("A", 1), autumn=30, summer=20),
    "replants hidden": lambda: _stand(make_plots(), autumn=30, summer=20, replanted={"autumn": 3}),
}


@pytest.mark.parametrize("event", ["establishment", "overwinter", "stand"])
@pytest.mark.parametrize("name", EMPTY)
def test_answer_without_data_is_a_refusal_in_every_part(name, event):
    answer = _answer(EMPTY[name](), event)
    assert answer.reason and answer.fit is None
    for shown in (
        stand_report.show_shares(answer, ["A"], what="By autumn 2025", rank=1),
        stand_report.show_contrasts(answer, rank=1),
        stand_report.show_variances(answer),
        stand_causes.show_treatments(answer, rank=1),
    ):
        assert _is_refusal(shown)


@pytest.mark.parametrize("name", ["no plots", "no counts", "all set aside", "replants hidden"])
def test_other_parts_without_data_are_refusals(name):
    stand, gaps = EMPTY[name](), make_gaps([], [])
    history = stand_history(stand, make_hybrids())
    judged = judge_plots(stand[stand["status"].eq("ok")], longest_runs(gaps), RULES)
    assert _is_refusal(stand_causes.show_losses(history, ["A"], level=0.95, rank=1))
    assert _is_refusal(stand_causes.show_gaps(gaps, longest_runs(gaps), permutations=99, rank=1))
    assert _is_refusal(stand_verdicts.show_verdicts(judged, _answer(stand, "stand"), RULES, rank=1))
    assert _is_refusal(stand_verdicts.show_older(judged))


def test_show_counted_without_plots_is_a_refusal():
    assert _is_refusal(stand_report.show_counted(EMPTY["no plots"](), EMPTY["no plots"](), 2025))


@pytest.mark.parametrize(("name", "fate"), [("all alive", "alive"), ("all dead", "dead")])
def test_refusal_says_what_became_of_the_plants(name, fate):
    assert (
        _answer(EMPTY[name]()).reason
        == f"Of 360 plants in 9 plots all were {fate}: there are no differences to estimate."
    )


@pytest.mark.parametrize(
    ("settings", "words"),
    [({}, "names no control"), ({"reference_control": "Z"}, "control Z has no counted plot")],
)
def test_contrasts_without_control_are_refused(trial, settings, words):
    answer = _answer(trial, controls="", **settings)
    shown = stand_report.show_contrasts(answer, rank=1)
    assert _is_refusal(shown) and words in shown[0].sentences[0]
    assert not _is_refusal(stand_report.show_shares(answer, [], what="By autumn 2025", rank=1))


# -- shares ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("event", "whose", "alive"),
    [
        ("establishment", "planted", "alive_autumn"),
        ("overwinter", "alive in autumn", "alive_summer"),
    ],
)
def test_sentence_of_shares_agrees_with_the_counts(trial, event, whose, alive):
    total = 40 * len(trial) if event == "establishment" else trial["alive_autumn"].sum()
    answer = _answer(trial, event)
    found = _finding(stand_report.show_shares(answer, ["A"], what="By then", rank=1))
    top, low = answer.shares.iloc[0], answer.shares.iloc[-1]
    assert f"of the plants {whose} lived" in found.sentences[0]
    assert _numbers(found.sentences[0]) == [
        round(100 * trial[alive].sum() / total),
        trial[alive].sum(),
        total,
        len(trial),
        round(100 * low["share"]),
        round(100 * top["share"]),
    ]
    assert f"({low['hybrid']})" in found.sentences[0] and f"({top['hybrid']})" in found.sentences[0]
    assert len(found.sentences) == 1


def test_table_of_shares_holds_raw_totals_and_marks_controls(trial, answered):
    listed = _tables(stand_report.show_shares(answered, ["A", "B"], what="By then", rank=1))[
        "establishment-hybrids"
    ]
    rows = _rows(listed).set_index("hybrid")
    assert rows["alive"].to_dict() == trial.groupby("hybrid")["alive_autumn"].sum().to_dict()
    assert [h for h, bold in zip(rows.index, listed.strong) if bold] == [
        h for h in rows.index if h in "AB"
    ]


@pytest.mark.parametrize(("dead", "percent"), [(1, ">99 %"), (719, "<1 %")])
def test_sentence_never_rounds_to_none_or_all(dead, percent):
    plots = make_plots("AB", 9)
    alive = [39] + [40] * 17 if dead == 1 else [1] + [0] * 17
    answer = _answer(_stand(plots, autumn=alive))
    found = _finding(stand_report.show_shares(answer, ["A"], what="By then", rank=1))
    assert (
        f"By then, {percent} of the plants planted lived ({720 - dead} of 720 in 18 plots)"
        in found.sentences[0]
    )


def test_shares_over_sites_name_the_extremes_and_list_each_site():
    plots = pd.concat(
        [
            make_plots(HYBRIDS, 3, site="S1"),
            make_plots(HYBRIDS, 3, site="S2"),
            make_plots("ABC", 3, site="S3"),
        ],
        ignore_index=True,
    )
    stand = _stand(plots, share=SPREAD)
    shown = stand_report.show_shares(_answer(stand), ["A"], what="By then", rank=1)
    plain = stand.groupby("site")["alive_autumn"].sum() / (40 * stand.groupby("site").size())
    low, high = plain.idxmin(), plain.idxmax()
    assert "in 45 plots at 3 sites)" in _finding(shown).sentences[0]
    assert (
        _finding(shown).sentences[1]
        == f"Sites ranged from {100 * plain[low]:.0f} % ({low}) to {100 * plain[high]:.0f} % ({high})."
    )
    assert _rows(_tables(shown)["establishment-sites"]).set_index("site")[
        "share"
    ].to_dict() == pytest.approx(plain.to_dict())


# -- contrasts ------------------------------------------------------------------------------------


def test_sentence_of_contrasts_agrees_with_the_intervals(answered):
    sentence = _finding(stand_report.show_contrasts(answered, rank=1)).sentences[0]
    frame, control = answered.contrasts, answered.shares.set_index("hybrid").loc["A", "share"]
    assert frame.loc[frame["lower"] > 0, "hybrid"].tolist() == ["C"] and frame.loc[
        frame["upper"] < 0, "hybrid"
    ].tolist() == ["D"]
    assert sentence == (
        f"C established better than the control A ({100 * control:.0f} %); D established worse; "
        "3 others do not differ clearly, all 95 % intervals taken together."
    )


@pytest.mark.parametrize(
    ("share", "words"),
    [
        ({"A": 0.5, "B": 0.95, "C": 0.95}, "B and C established better than the control A"),
        ({"A": 0.95, "B": 0.4, "C": 0.4}, "B and C established worse than the control A"),
        ({"A": 0.7, "B": 0.7, "C": 0.7}, "No hybrid differs clearly from the control A"),
        ({"A": 0.7, "B": 0.7, "C": 0.2}, "C established worse than the control A"),
    ],
)
def test_contrasts_all_better_all_worse_none_and_one(share, words):
    answer = _answer(_stand(make_plots("ABC", 6), seed=3, share=share))
    sentence = _finding(stand_report.show_contrasts(answer, rank=1)).sentences[0]
    named = set(re.findall(r"\b[BC]\b", sentence))
    frame = answer.contrasts
    if not words.startswith("No"):
        assert named == set(frame.loc[(frame["lower"] > 0) | (frame["upper"] < 0), "hybrid"])
    assert set(re.sub(r"[^BC]", "", words)) == named and all(
        part in sentence for part in words.split(" and ")[-1:]
    )
    expected = {2: "none is left that does not differ", 1: "1 other does not differ clearly"}.get(
        len(named)
    )
    assert expected is None or expected in sentence


def test_variances_note_agrees_with_its_own_numbers(answered):
    listed = stand_report.show_variances(answered)[0]
    rho, plants, worth = _numbers(listed.note)
    assert plants == 40 and worth == pytest.approx(40 / (1 + 39 * rho), abs=0.6 + 40 * 39 * 0.005)
    assert listed.note.endswith("independent one." if worth == 1 else "independent ones.")


# -- planting treatments --------------------------------------------------------------------------


def _treated(film, seed=5, site="S1"):
    plots = make_plots(HYBRIDS, 4, treatments=CROSSED, site=site)
    rng = np.random.default_rng(seed)
    main = dict(zip(plots["main_plot"].unique(), rng.normal(0, 0.02, 16)))
    share = 0.7 + film * plots["film"].eq("film") + plots["main_plot"].map(main)
    return _stand(plots, autumn=list(rng.binomial(40, share)))


@pytest.mark.parametrize(
    ("film", "words"),
    [
        (0.2, "The share established was {} points higher with film than without"),
        (-0.2, "The share established was {} points lower with film than without"),
        (0.0, "No clear effect of film: the share established was {} points"),
    ],
)
def test_film_sentence_agrees_with_the_effect(film, words):
    answer = _answer(_treated(film))
    shown = stand_causes.show_treatments(answer, rank=1)
    sentence = next(s for s in _finding(shown).sentences if "with film" in s)
    row = _rows(_tables(shown)["treatment-effects"]).set_index("contrast").loc["film less no film"]
    assert words.format(f"{abs(row['difference']):.1f}") in sentence
    assert ("higher" in sentence) == (row["difference"] > 0) and (row["p_value"] < 0.05) == (
        film != 0
    )
    assert _numbers(sentence)[:3] == pytest.approx(
        [abs(row["difference"]), *row["interval"]], abs=0.051
    )
    assert _numbers(sentence)[3] == row["df"]


def test_treatments_over_sites_say_where_they_were_judged():
    stand = pd.concat(
        [_treated(0.2), _stand(make_plots(HYBRIDS, 3, site="S2"), share=SPREAD)], ignore_index=True
    )
    assert (
        "Judged at S1." in _finding(stand_causes.show_treatments(_answer(stand), rank=1)).sentences
    )


def test_plots_planted_alike_are_refused(answered):
    shown = stand_causes.show_treatments(answered, rank=1)
    assert _is_refusal(shown) and "planted alike (machine, no film)" in shown[0].sentences[0]


# -- losses ---------------------------------------------------------------------------------------


def _losses(stand):
    history = stand_history(stand, make_hybrids(sorted(stand["hybrid"].unique())))
    return stand_causes.show_losses(history, ["A"], level=0.95, rank=1)


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        (
            {"autumn": 30, "summer": 26},
            "126 plants went missing between planting and the last count, most of them (71 %) in the interval "
            "that ended with the autumn count.",
        ),
        (
            {"after_planting": 38, "autumn": 35, "spring": 33, "summer": 31},
            "81 plants went missing between planting and the last count, "
            "the largest part of them (33 %) in the interval that ended with the autumn count.",
        ),
        (
            {"autumn": 40, "summer": [39] + [40] * 8},
            "1 plant went missing between planting and the last count, and that in the interval that "
            "ended with the early summer count.",
        ),
        (
            {"autumn": 30, "summer": 30},
            "90 plants went missing between planting and the last count, all of them in the interval that ended with "
            "the autumn count.",
        ),
        ({"autumn": 30}, "90 plants went missing between planting and the autumn count."),
        ({"after_planting": 39}, "9 plants went missing between planting and the first count."),
        ({"autumn": 40, "summer": 40}, "No plant was lost between the counts."),
    ],
)
def test_sentence_of_losses(counts, words):
    assert _finding(_losses(_stand(make_plots(), **counts))).sentences == (words,)


def test_life_table_ends_at_the_stand(trial):
    rows = _rows(_tables(_losses(trial))["life-table"])
    assert rows["survival"].iloc[-1] == pytest.approx(
        trial["alive_summer"].sum() / (40 * len(trial))
    )
    assert rows["lost"].sum() == 40 * len(trial) - trial["alive_summer"].sum()


def _flat(part):
    return [v for row in part.content["values"] for v in row if isinstance(v, float)]


def test_losses_of_one_hybrid_are_given_as_counted():
    hazards = _tables(_losses(_stand(make_plots("A"), autumn=30, summer=20)))["hazards"]
    assert {0.25, 1 / 3} <= set(_flat(hazards)) and "Without limits: as counted" in hazards.note


def test_intervals_without_losses_are_named_not_listed():
    hazards = _tables(
        _losses(
            _stand(
                make_plots(),
                autumn=[30, 29, 31] * 3,
                spring=[30, 29, 31] * 3,
                summer=[30, 29, 31] * 3,
            )
        )
    )["hazards"]
    assert len(hazards.content["rows"]) == 3 and 0.0 not in _flat(hazards)
    assert all(words in hazards.note.lower() for words in ("no plant", "spring", "early summer"))


# -- gaps -----------------------------------------------------------------------------------------


def _scattered(plot):
    return {(plot, r, (3 * r) % 8 + 1) for r in range(1, 6)}


def _gaps(missing, sites=("S1",)):
    plots = [(site, f"{i:02d}") for site in sites for i in range(12)]
    gaps = make_gaps(plots, missing)
    return stand_causes.show_gaps(gaps, longest_runs(gaps), permutations=199, rank=1)


def test_sentence_of_gaps_found_together():
    shown = _gaps({(f"{i:02d}", 2, p) for i in range(12) for p in range(1, 7)})
    sentence = _finding(shown).sentences[0]
    assert sentence.startswith("Missing plants lie together more than chance would have it")
    assert (
        _numbers(sentence.split(";")[1])[:2] == [72, 12]
        and "60 neighbouring pairs" in sentence
        and "longest run 6)" in sentence
    )
    assert (
        _rows(_tables(shown)["gap-runs"])["longest_run"].eq(6).all()
        and _tables(shown)["gap-runs"].note == ""
    )


def test_sentence_of_gaps_scattered():
    shown = _gaps({gap for i in range(12) for gap in _scattered(f"{i:02d}")})
    assert (
        "no more than chance" in _finding(shown).sentences[0]
        and "0 neighbouring pairs" in _finding(shown).sentences[0]
    )
    assert shown[-1].sentences == ("No plot has three or more neighbouring plants missing.",)


def test_one_missing_plant_is_not_tested():
    shown = _gaps({("00", 1, 1)})
    assert shown[0].kind == "refusal" and "nothing to arrange" in shown[0].sentences[0]
    assert not any(part.kind == "finding" for part in _texts(shown))


def test_gaps_of_several_sites_are_tested_one_by_one():
    plots = [(site, f"{site}{i}") for site in ("S1", "S2", "S3") for i in range(12)]
    missing = {(f"S1{i}", 2, p) for i in range(12) for p in range(1, 7)} | {
        gap for i in range(12) for gap in _scattered(f"S2{i}")
    }
    gaps = make_gaps(plots, missing)
    shown = stand_causes.show_gaps(gaps, longest_runs(gaps), permutations=199, rank=1)
    first, second = _finding(shown).sentences
    assert first.startswith("S1: missing plants lie together more than") and second.startswith(
        "S2: missing plants lie together no more"
    )
    assert any(
        part.kind == "refusal" and part.sentences[0].startswith("S3: clustering is not tested")
        for part in _texts(shown)
    )


def test_first_gap_record_of_the_season_is_looked_at():
    stand = _stand(make_plots("A", 1), autumn=30, summer=20)
    plot = [("S1", stand.loc[0, "plot"])]
    gaps = pd.concat(
        [
            make_gaps(plot, [], day=day, season=season)
            for day, season in (("2024-10-05", 2024), ("2025-10-05", 2025), ("2026-06-24", 2025))
        ],
        ignore_index=True,
    )
    assert (
        stand_causes.gaps_looked_at(gaps, stand, 2025)["counted_on"]
        .eq(pd.Timestamp("2025-10-05"))
        .all()
    )


# -- verdicts -------------------------------------------------------------------------------------


def _verdicts(stand, gaps=None, **rules):
    gaps = make_gaps([], []) if gaps is None else gaps
    return stand_verdicts.show_verdicts(
        judge_plots(stand, longest_runs(gaps), StandSettings(**rules)),
        _answer(stand, "stand"),
        StandSettings(**rules),
        rank=1,
    )


@pytest.mark.parametrize(
    ("summer", "words"),
    [
        (
            [40, 38, 37, 30, 29, 27, 26, 20, 5],
            (
                "Of 9 plots judged by the last count: 3 good, 2 to fill, 4 to replant.",
                "2 of them stand below 60 %: their yield is not ranked.",
            ),
        ),
        (
            [40, 38, 37, 36, 39, 37, 36, 38, 5],
            (
                "Of 9 plots judged by the last count: 8 good, 1 to replant.",
                "1 of them stands below 60 %: its yield is not ranked.",
            ),
        ),
        ([40, 38, 37, 36, 39, 37, 36, 38, 35], ("Of 9 plots judged by the last count: 9 good.",)),
    ],
)
def test_sentences_of_verdicts_count_the_plots(summer, words):
    assert _finding(_verdicts(_stand(make_plots(), summer=summer))).sentences[: len(words)] == words


def test_sentence_of_future_plots_agrees_with_the_chances():
    stand = _stand(make_plots("ABCD", 6), summer=[n for _ in range(6) for n in (39, 32, 12, 28)])
    shown = _verdicts(stand)
    rows = _rows(_tables(shown)["hybrid-verdicts"]).set_index("hybrid")
    assert (
        rows.loc["A", "p_good"] >= 0.8
        and rows.loc["B", ["p_good", "p_fill"]].sum() >= 0.8
        and rows.loc["C", "p_replant"] >= 0.8
    )
    assert rows.loc["D", "verdict"] == "undecided"
    assert _finding(shown).sentences[-1] == (
        "A future plot's stand is, with a chance of 80 % or more, at 85 % or more for A; "
        "at 70 % or more for B; below 70 % for C."
    )


def test_no_hybrid_sure_enough_is_said():
    summer = list(np.random.default_rng(2).binomial(40, 0.71, 9))
    shown = _verdicts(_stand(make_plots(), summer=summer), probability=0.99)
    assert set(_rows(_tables(shown)["hybrid-verdicts"])["verdict"]) == {"undecided"}
    assert _finding(shown).sentences[-1] == "For no hybrid is the stand of a future plot 99 % sure."


def test_dead_trial_still_lists_its_plots():
    shown = _verdicts(_stand(make_plots(), autumn=0, summer=0))
    assert _finding(shown).sentences[0] == "Of 9 plots judged by the last count: 9 to replant."
    assert len(_rows(_tables(shown)["plots-to-replant"])) == 9


def test_list_of_weak_plots_is_true_to_its_note():
    shown = _verdicts(_stand(make_plots("ABC", 12), summer=[n % 28 for n in range(36)]))
    listed = _tables(shown)["plots-to-replant"]
    assert listed.note == "The first 25 of 36 plots to replant, the weakest of each site."
    assert len(_printed(listed)) == 25 and len(_rows(listed)) == 36
    assert _printed(listed)["stand"].is_monotonic_increasing and "longest_run" not in _rows(listed)


def test_list_of_weak_plots_says_that_alive_counts_replants():
    judged = judge_plots(
        _stand(make_plots("ABC", 3), summer=[20] * 9), longest_runs(make_gaps([], [])), RULES
    )
    notes = [
        stand_verdicts._weak_plots(frame, RULES)[0].note
        for frame in (judged, judged.assign(latest_alive=22))
    ]
    assert notes == ["", "Alive counts replants, Stand does not."]


def test_weak_plots_of_several_sites_are_listed_for_each():
    plots = pd.concat([make_plots(HYBRIDS, 3, site=s) for s in ("S1", "S2")], ignore_index=True)
    summer = [2] * 17 + [20] + [25] * 16 + [39] * 2
    shown = _verdicts(_stand(plots, summer=summer))
    assert _printed(_tables(shown)["plots-to-replant"])["site"].value_counts().to_dict() == {
        "S1": 5,
        "S2": 5,
    }
    by_site = _rows(_tables(shown)["site-verdicts"]).set_index("site")
    assert by_site[["good", "fill", "replant"]].to_numpy().tolist() == [[0, 0, 18], [2, 0, 16]]


def test_older_plantings_are_summed_up_by_trial():
    plots = make_plots("ABC", 1, year=2022)
    judged = judge_plots(_stand(plots, summer=[40, 20, 30]), longest_runs(make_gaps([], [])), RULES)
    row = _rows(_tables(stand_verdicts.show_older(judged))["older-stand"]).iloc[0]
    assert row[["plots", "median", "replant", "unranked"]].tolist() == [3, 0.75, 1, 1] and row[
        "spread"
    ] == [0.5, 1.0]


# -- what was counted, what is unknown ------------------------------------------------------------


@pytest.mark.parametrize(
    ("others", "words"),
    [
        (0, "Planting 2025: 9 plots."),
        (1, "Planting 2025: 9 plots; 1 plot of other plantings is judged by stand only."),
        (2, "Planting 2025: 9 plots; 2 plots of other plantings are judged by stand only."),
    ],
)
def test_show_counted_counts_other_plantings(others, words):
    planted = _stand(make_plots(), autumn=30)
    stand = pd.concat([planted, _stand(make_plots("AB", 1, year=2022), autumn=30).iloc[:others]])
    shown = stand_report.show_counted(planted, stand, 2025)
    assert shown[0].sentences == (words,)
    row = _rows(_tables(shown)["counted"]).iloc[0]
    assert row[["plots", "set_aside", "autumn", "summer", "bounded"]].tolist() == [9, 0, 9, 0, 0]


def test_show_counted_lists_plots_set_aside_and_hidden_replants():
    plots = make_plots()
    plots.loc[0, ["status", "status_reason"]] = ["damaged", "flood"]
    stand = _stand(plots, autumn=30, summer=32, replanted={"summer": [0] * 8 + [6]})
    tables = _tables(stand_report.show_counted(stand, stand, 2025))
    assert _rows(tables["set-aside"])["status_reason"].tolist() == ["flood"]
    hidden = _rows(tables["hidden-replants"]).iloc[0]
    assert hidden["bounds"] == [26 / 40, 32 / 40] and hidden["replanted"] == 6


def test_show_unknown_marks_what_is_provisional():
    stand = _stand(make_plots(), autumn=30)
    shown = stand_verdicts.show_unknown(what_is_unknown(stand, make_gaps([], []), 2025))
    assert [part.kind for part in shown] == ["provisional", "caution"]
    assert stand_verdicts.show_unknown([])[0].kind == "text"


# -- the planting and the control looked at -------------------------------------------------------


def test_planting_of_takes_the_named_the_seasons_own_or_the_newest():
    stand = pd.concat(
        [_stand(make_plots(year=2022), autumn=30), _stand(make_plots(year=2025), autumn=30)]
    )

    def year(planting, season):
        return (
            stand_report.planting_of(stand, planting, season)["planting_season"].unique().tolist()
        )

    assert year(0, 2025) == [2025] and year(2022, 2025) == [2022] and year(0, 2026) == [2025]


@pytest.mark.parametrize(
    ("stand", "words"), [("full", "plantings of 2025"), ("no plots", "no plots at all")]
)
def test_planting_of_refuses_a_planting_that_is_not_there(trial, stand, words):
    with pytest.raises(ValueError, match=words):
        stand_report.planting_of(trial if stand == "full" else EMPTY[stand](), 2019, 2025)


def test_control_is_the_named_one_else_the_first():
    hybrids = make_hybrids("ABC", controls="BC")
    assert stand_report.control_of(make_network(hybrids)) == "B"
    assert stand_report.control_of(make_network(hybrids, reference_control="C")) == "C"
    assert stand_report.control_of(make_network(hybrids, controls=("C",))) == "C"
    assert stand_report.control_of(make_network(make_hybrids(controls=""))) == ""


def test_headline_names_the_best_and_says_when_there_is_no_answer(trial, answered):
    judged = judge_plots(trial, longest_runs(make_gaps([], [])), RULES)
    text = stand_report.headline(
        answered, _answer(EMPTY["no counts"](), "overwinter"), _answer(trial, "stand"), judged
    )
    best = answered.shares.iloc[0]
    assert (
        f"highest {best['hybrid']} {best['share']:.2f}" in text
        and "survived the winter: no answer" in text
    )
    assert f"plots: {judged['verdict'].eq('good').sum()} good" in text


# -- hostile names --------------------------------------------------------------------------------

NASTY = ["$x$", "#1", "<script>alert(1)</script>", "*b*", "_u", "H" * 60, "a\\b{c}", "%d {0}"]


@pytest.fixture(scope="module")
def nasty():
    use_style()
    plots = make_plots(NASTY, 4)
    stand = _stand(plots, share=dict(zip(NASTY, (0.7, 0.9, 0.95, 0.2, 0.8, 0.97, 0.6, 0.75))))
    hybrids = make_hybrids(NASTY, controls=["_u"])
    answers = [
        stand_report.answer(stand, make_network(hybrids), event)
        for event in ("establishment", "stand")
    ]
    judged = judge_plots(stand, longest_runs(make_gaps([], [])), RULES)
    return [
        *stand_report.show_shares(answers[0], ["_u"], what="By then", rank=1),
        *stand_report.show_contrasts(answers[0], rank=1),
        *stand_causes.show_losses(stand_history(stand, hybrids), ["_u"], level=0.95, rank=1),
        *stand_verdicts.show_verdicts(judged, answers[1], RULES, rank=1),
    ]


def test_hostile_names_stand_unchanged_in_tables(nasty):
    tables = _tables(nasty)
    for label in ("establishment-hybrids", "hybrid-verdicts", "hazards"):
        at = [c["name"] for c in tables[label].content["columns"]].index("hybrid")
        assert {row[at] for row in tables[label].content["rows"]} == set(NASTY)


def test_hostile_names_are_escaped_on_the_screen(nasty):
    for part in nasty:
        bundle = part._repr_mimebundle_()
        assert "<script>" not in bundle["text/html"]
        assert not isinstance(part, ReportFigure) or "<script>" not in part.svg
