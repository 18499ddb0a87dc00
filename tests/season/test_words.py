from collections import namedtuple

import numpy as np
import pandas as pd
import pytest

from culmbook.season.words import (
    agreement_words,
    facts_of,
    growing_words,
    index_words,
    look_words,
    plots_words,
    progress_words,
    rank_words,
    received_words,
    stand_words,
    winter_words,
)
from culmbook.text.words import n_of, ordinal

ROW = {
    "site": "A",
    "index": "min_soil_c",
    "label": "Lowest soil temperature",
    "unit": "°C",
    "digits": 1,
    "period": "winter 2025/26",
    "first_day": pd.Timestamp("2025-10-01"),
    "last_day": pd.Timestamp("2026-03-31"),
    "is_over": True,
    "value": -3.1,
    "n_days": 182,
    "n_missing": 0,
    "reason": None,
    "rank_low": 3,
    "rank_high": 18,
    "n_tied": 0,
    "n_years": 20,
    "median": -2.0,
    "low": -4.0,
    "high": -1.0,
    "first_season": 2006,
    "last_season": 2024,
}


def row(**changed):
    return namedtuple("Row", ROW)(**{**ROW, **changed})


def place(*rows):
    return pd.DataFrame([{**ROW, **changed} for changed in rows])


def status(**changed):
    counts = {"n_plots": 78, "n_ok": 75, "n_damaged": 2, "n_abandoned": 1, "n_plant": 1}
    return pd.DataFrame([{"site": "A", "trial": "T", **counts, **changed}])


def rounds(*states):
    rows = [
        {"trial": "T", "table": "harvests", "occasion": "", "n_to_measure": left, "stage": stage}
        for stage, left in states
    ]
    return pd.DataFrame(rows)


def overall(**changed):
    agreed = {
        "site": "A",
        "n_scored": 12,
        "n_equal": 6,
        "n_within_1": 11,
        "icc": 0.8,
        "low": 0.5,
        "high": 0.9,
        "reason": None,
    }
    return pd.DataFrame([{**agreed, **changed}])


def apart(**changed):
    one = {"site": "A", "observer": "CC", "n_higher": 7, "n_lower": 1, "adjusted_p": 0.04}
    return pd.DataFrame([{**one, **changed}])


def test_counts_take_the_number_of_their_noun():
    assert [n_of(n, "plot") for n in (0, 1, 2)] == ["0 plots", "1 plot", "2 plots"]
    assert [ordinal(n) for n in (1, 2, 3, 4, 12, 13, 21, 112)] == [
        "",
        "2nd ",
        "3rd ",
        "4th ",
        "12th ",
        "13th ",
        "21st ",
        "112th ",
    ]


@pytest.mark.parametrize(
    "changed, text",
    [
        ({"n_ok": 78, "n_damaged": 0, "n_abandoned": 0, "n_plant": 0}, "All have the status ok."),
        ({}, "3 plots (4 %) are not ok: 2 damaged and 1 abandoned; 1 lost by the hybrid itself."),
        (
            {"n_ok": 77, "n_damaged": 1, "n_abandoned": 0, "n_plant": 0},
            "1 plot (1 %) is not ok: 1 damaged; none lost by the hybrid itself.",
        ),
        ({"n_plant": 0}, "2 damaged and 1 abandoned; none lost by the hybrid itself."),
        (
            {"n_ok": 77, "n_damaged": 0},
            "1 plot (1 %) is not ok: 1 abandoned; 1 lost by the hybrid itself.",
        ),
        ({"n_plant": 3}, "2 damaged and 1 abandoned; 3 lost by the hybrid itself."),
    ],
)
def test_plots_are_said_in_their_number(changed, text):
    words = " ".join(plots_words(status(**changed)))
    assert words.startswith("78 plots in 1 trial.") and text in words


def test_stand_says_what_was_never_counted():
    plots = pd.DataFrame(
        {
            "status": ["ok", "ok", "damaged"],
            "missing_share": [0.25, None, 0.9],
            "n_missing": [10, None, 36],
            "plants_planted": [40, 40, 40],
            "counted_on": pd.to_datetime(["2025-10-07", None, "2025-10-08"]),
        }
    )
    assert stand_words(plots) == [
        "In the latest counts (2025-10-07) 25 % of the plants are missing.",
        "1 plot has never been counted.",
    ]
    assert stand_words(plots.assign(missing_share=None)) == ["No plot has been counted."]


@pytest.mark.parametrize(
    "changed, text",
    [
        ({}, "the 3rd lowest of 20 winters"),
        ({"rank_low": 20, "rank_high": 1}, "the highest of 20 winters"),
        ({"rank_low": 1, "n_tied": 1}, "the lowest of 20 winters, shared with 1 other"),
        (
            {"rank_low": 1, "rank_high": 1, "n_tied": 19},
            "the same as in all the others of 20 winters",
        ),
        ({"n_years": 1, "rank_low": 1, "rank_high": 1}, "with no other year to compare"),
        ({"period": "growing season 2025"}, "the 3rd lowest of 20 growing seasons"),
    ],
)
def test_a_rank_is_told_from_the_nearer_end(changed, text):
    assert rank_words(row(**changed)) == text


def test_an_index_tells_its_spread_its_gaps_and_its_end():
    text = index_words(row(n_missing=1, is_over=False, last_day=pd.Timestamp("2025-12-05")))
    assert text == (
        "Lowest soil temperature −3.1\u00a0°C from 2025-10-01 to 2025-12-05, the 3rd lowest of "
        "20 winters (median of the others −2.0, 10–90 % range −4.0 to −1.0); 1 day missing."
    )


def test_an_index_without_range_or_value_says_so():
    assert "range" not in index_words(row(low=np.nan, high=np.nan))
    assert index_words(row(value=np.nan, reason="9 of 182 days missing")) == (
        "Lowest soil temperature without a value for the winter 2025/26: 9 of 182 days missing."
    )


def test_the_winter_of_several_sites_is_told_by_the_coldest_and_the_mildest():
    air = {"site": "B", "index": "min_air_c", "label": "Lowest air temperature", "value": -9.0}
    frame = place(
        {},
        {"site": "B", "value": np.nan},
        {**air, "rank_low": 1, "rank_high": 20},
        {"site": "C", "value": -1.0, "rank_low": 19, "rank_high": 1, "n_years": 19},
        {"site": "D", "value": np.nan},
    )
    assert winter_words(frame) == [
        "Winter 2025/26, by rank among each site's own years: coldest at B (lowest air temperature −9.0\u00a0°C, the "
        "lowest of 20 winters), mildest at C (lowest soil temperature −1.0\u00a0°C, the highest of 19 winters). "
        "Not ranked: D."
    ]


def test_sites_that_rank_alike_are_not_set_apart():
    assert winter_words(place({}, {"site": "B"})) == [
        "Winter 2025/26 by lowest soil temperature: no site stands out, A (−3.1\u00a0°C, the 3rd lowest of 20 winters)."
    ]
    assert winter_words(place({}, {"site": "B", "value": np.nan})) == [
        "Winter 2025/26: the only site ranked, A (lowest soil temperature −3.1\u00a0°C, the 3rd lowest of 20 winters). "
        "Not ranked: B."
    ]
    none = place({"value": np.nan}, {"site": "B", "value": np.nan})
    assert winter_words(none) == ["Winter 2025/26: no site has a value to rank."]


def test_the_growing_season_of_several_sites_names_its_index_once():
    heat = {
        "index": "degree_days_sine",
        "label": "Degree days",
        "period": "growing season 2025",
        "unit": "°C d",
    }
    frame = place(heat, {**heat, "site": "B", "rank_low": 18, "rank_high": 3})
    assert growing_words(frame) == [
        "Growing season 2025 by degree days: coolest at A (−3.1\u00a0°C\u00a0d, the 3rd "
        "lowest of 20 growing seasons), warmest at B (−3.1\u00a0°C\u00a0d, the 3rd highest of 20 growing seasons)."
    ]


def test_the_weather_of_one_site_tells_what_is_missing_or_not_over():
    assert winter_words(place({"n_missing": 2, "is_over": False})) == [
        "Winter 2025/26: lowest soil temperature −3.1\u00a0°C from 2025-10-01 to 2026-03-31, the 3rd lowest of 20 "
        "winters; 2 days missing."
    ]
    assert winter_words(place({"value": np.nan, "reason": "9 of 182 days missing"})) == [
        "Winter 2025/26: lowest soil temperature without a value (9 of 182 days missing)."
    ]


def test_the_growing_season_of_one_site_is_a_sentence():
    frame = place(
        {"index": "degree_days_sine", "label": "Degree days", "period": "growing season 2025"}
    )
    assert growing_words(frame)[0].startswith("Growing season 2025: degree days −3.1")


def test_rounds_are_said_by_stage():
    assert progress_words(rounds(("complete", 0))) == [
        "Nothing is left to measure: every round that is due or was begun is complete."
    ]
    assert progress_words(rounds(("complete", 0), ("under way", 1), ("not begun", 78))) == [
        "1 of 3 rounds is complete.",
        "1 plot is left in rounds under way: harvest (T, 1 plot).",
        "Not begun: harvest (T).",
    ]
    assert progress_words(rounds(("not begun", 3)))[0] == "None of 1 round is complete."


def test_observers_are_named_only_when_apart():
    assert agreement_words(overall(), apart(), 60) == [
        "12 plots of 60 (20 %) were scored by two observers: equal on 6, at most one class apart on 11; agreement "
        "0.80 (intraclass correlation, 95 % interval 0.50 to 0.90).",
        "CC scored higher than the other on 7 of the 8 plots that differ (sign test, p = 0.040).",
    ]
    assert agreement_words(overall(), apart(adjusted_p=0.4), 60)[-1] == (
        "No observer scored clearly higher or lower this season (sign tests at 5 %)."
    )


def test_observers_of_several_sites_are_told_by_the_ends_and_by_name():
    sites = pd.concat(
        [overall(), overall(site="B", icc=0.1), overall(site="C", icc=np.nan, reason="few")]
    )
    far = pd.concat(
        [
            apart(),
            apart(site="B", observer="AA", n_higher=1, n_lower=9),
            apart(site="C", adjusted_p=0.9),
        ]
    )
    assert agreement_words(sites, far, 180) == [
        "36 plots of 180 (20 %) were scored by two observers: equal on 18, at most one class apart on 33; agreement "
        "(intraclass correlation) 0.10 at B to 0.80 at A, no coefficient of agreement for C.",
        "Clearly higher than the other (sign tests at 5 %): CC at A.",
        "Clearly lower than the other (sign tests at 5 %): AA at B.",
    ]


def test_no_coefficient_is_said():
    none = overall(icc=np.nan, reason="fewer than 10 plots scored twice", n_scored=1)
    assert agreement_words(none, apart(adjusted_p=1), 60)[0] == (
        "1 plot of 60 (2 %) was scored by two observers: equal on 6, at most one class apart on 11; no coefficient of "
        "agreement: fewer than 10 plots scored twice."
    )


def test_received_tables_are_counted_and_named():
    sheets = pd.DataFrame(
        {
            "table": ["plots", "weather"],
            "n_files": [1, 0],
            "n_kept": [78, 0],
            "n_refused": [1, 0],
            "n_files_refused": [0, 2],
            "n_notes": [0, 0],
        }
    )
    assert received_words(sheets) == [
        "1 of 2 tables came in and gave 78 rows that can be used.",
        "2 whole files and 1 row were refused; what is wrong and what fixes it stands in the appendix.",
        "No file came for weather.",
    ]
    whole = sheets.iloc[:1].assign(n_refused=0)
    assert received_words(whole) == [
        "1 of 1 table came in and gave 78 rows that can be used.",
        "Nothing was refused.",
    ]


def test_rows_to_look_at_are_counted_by_kind():
    assert look_words(pd.DataFrame({"why": []})) == "No row calls for a look."
    assert look_words(pd.DataFrame({"why": ["a"]})) == "1 place calls for a look (a: 1)."
    three = pd.DataFrame({"why": ["a", "a", "b"]})
    assert look_words(three) == "3 places call for a look (a: 2; b: 1)."


def test_trials_are_named_or_counted_and_sites_only_where_there_are_several():
    def told(*trials):
        rows = [
            {"site": site, "trial": name, "planted_on": pd.Timestamp(day), "hybrid": "H01"}
            for site, name, day in trials
        ]
        counts = pd.DataFrame({"counted_on": pd.to_datetime(["2025-10-07"])})
        hybrids = pd.DataFrame({"hybrid": ["H01"], "role": ["candidate"]})
        tables = {"plots": pd.DataFrame(rows), "stand_counts": counts, "hybrids": hybrids}
        return facts_of(tables)

    one = told(("A", "A22", "2022-05-02"), ("A", "A25", "2025-05-02"))
    assert one == {
        "Trials": "A22 and A25",
        "Plots": "2",
        "Entries": "1 candidate",
        "Latest stand count": "2025-10-07",
    }
    many = told(*((site, f"{site}{year}", f"20{year}-05-02") for site in "AB" for year in (22, 25)))
    assert (many["Sites"], many["Trials"]) == ("A and B", "4, planted in 2022 and 2025")
    assert told(*(("A", f"A{i}", None) for i in range(4)))["Trials"] == "4"
