"""What the frost notebook prints of winters, survival and late frosts: true sentences, refusals in words."""

import numpy as np
import pandas as pd
import pytest

from culmbook.frost.soil import FORMULA
from culmbook.pages import (
    cold_page,
    expected_page,
    field_page,
    freeze_page,
    frost_limits,
    late_frost_page,
)
from culmbook.show.page import ReportFigure, ReportTable, ReportText
from culmbook.show.palette import use_style
from freeze_frames import freeze_table
from stand_frames import make_counts, make_hybrids, make_plots

HYBRIDS = "ABCDEF"
LT50 = {"A": -2.0, "B": -2.4, "C": -2.8, "D": -3.2, "E": -3.6, "F": -4.0}


@pytest.fixture(autouse=True)
def style():
    use_style()


def _weather(first=2004, last=2025, site="S1", soil=True, seed=3, warmer=0.0):
    """Daily weather with winters of different cold; the soil follows the air damped."""
    days = pd.date_range(f"{first}-07-01", f"{last + 1}-06-30")
    rng = np.random.default_rng(seed)
    winter = days.year - (days.month < 7)
    cold = pd.Series(rng.normal(0, 1.5, 60), index=range(2000, 2060))[winter].to_numpy()
    mean = (
        warmer
        + 9
        - 10 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365.25)
        + cold
        + rng.normal(0, 2, len(days))
    )
    depth = pd.Series(mean).rolling(21, min_periods=1).mean().to_numpy()
    return pd.DataFrame(
        {
            "site": site,
            "date": days,
            "air_temperature_min_c": mean - 4,
            "air_temperature_max_c": mean + 4,
            "precipitation_mm": 1.5,
            "soil_temperature_5cm_min_c": depth + 0.3 * (mean - depth) - 2 if soil else np.nan,
            "snow_depth_cm": 0.0,
        }
    )


@pytest.fixture(scope="module")
def weather():
    return _weather()


@pytest.fixture(scope="module")
def minima(weather):
    return cold_page.site_winters(weather, 5.0, 2025, "S1")


@pytest.fixture(scope="module")
def freezer():
    tests = freeze_table(LT50, temperatures=(np.nan, -1.0, -2.0, -3.0, -4.0, -5.0, -6.0, -7.0))
    return freeze_page.main_set(freeze_page.freeze_answers(tests, "A"))


def _stand(survival, seasons=(2024, 2025), planted=2024):
    """Tables of plots counted in autumn and early summer of each season; survival of a winter by hybrid."""
    plots, rng = make_plots(HYBRIDS, 4, year=planted), np.random.default_rng(7)
    alive, parts = np.full(len(plots), 40), []
    for season in seasons:
        after = rng.binomial(alive, plots["hybrid"].map(survival))
        parts.append(make_counts(plots, season, autumn=list(alive), summer=list(after)))
        alive = after
    counts = pd.concat(parts, ignore_index=True) if parts else make_counts(plots)
    return {"plots": plots, "stand_counts": counts, "hybrids": make_hybrids(HYBRIDS)}


ORDER = {"A": 0.55, "B": 0.65, "C": 0.75, "D": 0.85, "E": 0.93, "F": 0.98}


@pytest.fixture(scope="module")
def survived(minima):
    return field_page.field_answer(_stand(ORDER), minima, 2025)


def _texts(shown, *kinds):
    return [
        " ".join(p.sentences)
        for p in shown
        if isinstance(p, ReportText) and (not kinds or p.kind in kinds)
    ]


def _labels(shown):
    return [p.label for p in shown if isinstance(p, (ReportTable, ReportFigure))]


def _table(shown, label):
    part = next(p for p in shown if isinstance(p, ReportTable) and p.label == label)
    return pd.DataFrame(
        part.content["values"], columns=[c["name"] for c in part.content["columns"]]
    )


def _is_refusal(shown):
    return bool(shown) and all(isinstance(p, ReportText) and p.kind == "refusal" for p in shown)


NO_DAYS = _weather(last=2005).iloc[:0]
NO_MINIMA = cold_page.site_winters(NO_DAYS, 5.0, 2025, "S1")


# -- winters in the field -------------------------------------------------------------------------


def test_no_counts_is_a_refusal(minima, weather):
    answer = field_page.field_answer(_stand(ORDER, seasons=()), minima, 2025)
    assert _is_refusal(field_page.show_field(answer, minima, weather, ["A"], rank=32))
    assert field_page.headline_words(answer) == "winters in the field: no answer"


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "No plant was lost"), (0.0, "Every plant was lost")]
)
def test_winters_that_tell_nothing_apart_are_listed_without_a_finding(
    minima, weather, share, words
):
    answer = field_page.field_answer(_stand(dict.fromkeys(HYBRIDS, share)), minima, 2025)
    shown = field_page.show_field(answer, minima, weather, ["A"], rank=32)
    assert (
        words in _texts(shown, "refusal")[0]
        and not _texts(shown, "finding")
        and _labels(shown) == ["winters-counted"]
    )


def test_finding_of_winters_agrees_with_the_counts(survived, minima, weather):
    shown = field_page.show_field(survived, minima, weather, ["A"], rank=32)
    cells, found = survived.cells, _texts(shown, "finding")[0]
    share = cells["alive"].sum() / cells["total"].sum()
    assert found.startswith(
        f"Over 2 winters, {100 * share:.0f} % of {cells['total'].sum()} plants at risk came through;"
    )
    top, low = survived.shares.iloc[0], survived.shares.iloc[-1]
    assert (
        f"{100 * low['share']:.0f} %" in found
        and f"for {low['hybrid']} to" in found
        and found.rstrip(".").endswith(f"for {top['hybrid']}")
    )
    assert low["hybrid"] == "A" and top["hybrid"] == "F"
    assert {"field-survival", "field-hybrids", "winters-counted"} <= set(_labels(shown))


def test_winters_without_weather_are_still_counted(minima):
    answer = field_page.field_answer(_stand(ORDER), NO_MINIMA, 2025)
    shown = field_page.show_field(answer, NO_MINIMA, NO_DAYS, ["A"], rank=32)
    assert "field-severity" not in _labels(shown) and "minimum_c" not in _table(
        shown, "winters-counted"
    )
    assert _texts(shown, "finding") and any(
        "not drawn against severity" in t for t in _texts(shown, "refusal")
    )


@pytest.mark.parametrize(
    ("p_value", "start"),
    [
        (0.003, "For every °C colder"),
        (
            0.3,
            "These winters show no clear effect of the cold at rhizome depth: for every °C colder",
        ),
    ],
)
def test_severity_is_clear_or_not(p_value, start):
    words = field_page.severity_sentence(
        {"odds_ratio": 0.5, "lower": -1.0, "upper": -0.4, "p_value": p_value, "df": 12}, 0.95
    )
    assert words.startswith(start)


# -- freezer and field ----------------------------------------------------------------------------


def test_agreement_of_the_same_order_is_found(freezer, survived):
    shown = field_page.show_agreement(freezer, survived, ["A"], rank=33)
    found = _texts(shown, "finding")[0]
    assert found.startswith(
        "The freeze test ranked hybrids in line with the field's winters: Spearman's rank correlation 1.00"
    )
    assert "6 hybrids" in found and _labels(shown) == ["freeze-field"]


def test_agreement_against_the_order_says_so(freezer, minima):
    answer = field_page.field_answer(
        _stand(dict(zip(HYBRIDS, reversed(ORDER.values())))), minima, 2025
    )
    assert _texts(field_page.show_agreement(freezer, answer, [], rank=33), "finding")[0].startswith(
        "The freeze test ranked hybrids against"
    )


def test_agreement_needs_both_sides_and_five_hybrids(freezer, survived, minima):
    nothing = field_page.field_answer(_stand(ORDER, seasons=()), minima, 2025)
    few = _stand(ORDER)
    few["plots"] = few["plots"][few["plots"]["hybrid"].isin(list("ABC"))]
    for shown in (
        field_page.show_agreement(None, survived, [], rank=33),
        field_page.show_agreement(freezer, nothing, [], rank=33),
        field_page.show_agreement(freezer, field_page.field_answer(few, minima, 2025), [], rank=33),
    ):
        assert _is_refusal(shown)


@pytest.mark.parametrize(
    ("low", "high", "start"),
    [
        (0.2, 0.9, "The freeze test ranked hybrids in line"),
        (-0.3, 0.6, "It is not shown that"),
        (-0.9, -0.2, "The freeze test ranked hybrids against"),
    ],
)
def test_sentence_of_agreement_follows_the_interval(low, high, start):
    row = pd.DataFrame(
        {
            "coefficient": ["Spearman"],
            "estimate": [(low + high) / 2],
            "lower": [low],
            "upper": [high],
            "n_hybrids": [12],
        }
    )
    assert field_page.agreement_sentence(row, 0.95).startswith(start)


# -- how cold it gets -----------------------------------------------------------------------------


def test_levels_agree_with_the_record(minima, weather, freezer):
    shown = cold_page.show_levels(minima, weather, freezer, level=0.95, rank=35)
    found, coldest = _texts(shown, "finding")[0], minima["minimum_c"].min()
    assert (
        f"The coldest of {len(minima)} winters on record" in found
        and f"{abs(coldest):.1f} °C" in found
    )
    assert "colder than the LT50 of the control A" in found
    table = _table(shown, "return-level-table")
    assert (
        table["coldest_c"].eq(coldest).all()
        and table["minimum_c"].is_monotonic_decreasing
        and len(table) == 4
    )


def test_levels_without_weather_are_refused(freezer):
    assert _is_refusal(cold_page.show_levels(NO_MINIMA, NO_DAYS, freezer, level=0.95, rank=35))
    assert cold_page.headline_words(NO_MINIMA) == "cold at rhizome depth: no answer"


def test_fourteen_winters_have_no_level_but_an_expected_survival(freezer):
    days = _weather(first=2012)
    minima = cold_page.site_winters(days, 5.0, 2025, "S1")
    assert len(cold_page.usable(minima)) == 14
    shown = cold_page.show_levels(minima, days, freezer, level=0.95, rank=35)
    assert _is_refusal(shown) and "14 complete winters" in _texts(shown)[0]
    assert "expected-survival" in _labels(
        expected_page.show_expected(freezer, minima, ["A"], draws=100, level=0.95, rank=36)
    )


def test_soil_never_read_is_refused_at_the_site_and_points_to_the_network(freezer):
    days = _weather(soil=False)
    minima = cold_page.site_winters(days, 5.0, 2025, "S1")
    assert minima["kind"].eq(FORMULA).all()
    for shown in (
        cold_page.show_levels(minima, days, freezer, level=0.95, rank=35),
        expected_page.show_expected(freezer, minima, [], draws=100, level=0.95, rank=36),
    ):
        assert _is_refusal(shown) and "the whole network borrows" in _texts(shown)[0]


def test_network_borrows_the_soil_of_other_sites_and_marks_it(weather, freezer):
    days = pd.concat([weather, _weather(site="S2", soil=False, seed=5)], ignore_index=True)
    minima = cold_page.site_winters(days, 5.0, 2025, "all")
    shown = cold_page.show_levels(minima, days, freezer, level=0.95, rank=35)
    assert not _texts(shown, "refusal") and "S2 (" in _texts(shown, "finding")[0]
    assert (
        "soil estimated with readings of other sites, whose error is not in this"
        in _texts(shown, "finding")[0]
    )
    assert any("fitted to the soil readings of other sites" in t for t in _texts(shown, "text"))
    table = _table(shown, "return-level-table")
    assert set(table.loc[table["site"].eq("S2"), "how"]) == {"from air, readings of other sites"}
    assert set(table.loc[table["site"].eq("S1"), "how"]) == {"read"}


def test_only_site_of_several_with_levels_is_named(weather, freezer):
    days = pd.concat([weather, _weather(first=2016, site="S2", seed=5)], ignore_index=True)
    minima = cold_page.site_winters(days, 5.0, 2025, "all")
    shown = cold_page.show_levels(minima, days, freezer, level=0.95, rank=35)
    found = _texts(shown, "finding")[0]
    assert " at S1 (" in found and "S2" not in found and "coldest of" not in found
    assert _texts(shown, "refusal") == [
        "S2: There are 10 complete winters, and return levels need 15: none is given."
    ]


@pytest.mark.parametrize(
    ("step", "words"),
    [(0.3, "The minima changed over the record by 3.0 °C"), (0.0, "No clear drift")],
)
def test_drift_of_the_minima_is_told(step, words):
    known = pd.DataFrame(
        {
            "winter": range(2005, 2025),
            "minimum_c": -5 + step * np.arange(20) + 0.1 * np.tile([0, 1, 1, 0], 5),
        }
    )
    assert cold_page.trend_sentence(known).startswith(words)


# -- expected survival ----------------------------------------------------------------------------


def test_expected_survival_names_control_and_ends(freezer, minima):
    shown = expected_page.show_expected(freezer, minima, ["A"], draws=200, level=0.95, rank=36)
    found, table = (
        _texts(shown, "finding")[0],
        _table(shown, "expected-hybrids").set_index("hybrid"),
    )
    assert list(table.index) == list("FEDCBA")  # hardiest first
    assert (
        "of the control A" in found
        and "of F" in found
        and f"{len(minima)} winters on record" in found
    )
    assert f"{100 * table.loc['A', 'worst_in_ten']:.0f} %" in found and "no forecast" in found
    assert any("no forecast of plants" in t for t in _texts(shown, "caution"))


def test_under_ten_winters_there_is_no_worst_in_ten(freezer):
    days = _weather(first=2018)
    shown = expected_page.show_expected(
        freezer, cold_page.site_winters(days, 5.0, 2025, "S1"), [], draws=100, level=0.95, rank=36
    )
    assert (
        "worst_in_ten" not in _table(shown, "expected-hybrids")
        and "Averaged over the 8 winters on record" in _texts(shown, "finding")[0]
    )


def test_mild_site_gets_a_sentence_and_no_figure(freezer):
    minima = cold_page.site_winters(_weather(warmer=15), 5.0, 2025, "S1")
    shown = expected_page.show_expected(freezer, minima, ["A"], draws=100, level=0.95, rank=36)
    assert not _labels(shown) and _texts(shown, "finding")[0].startswith(
        "Even in a winter as cold as one in ten (22 winters on record) the freeze curves expect 98 % or more"
        " of every hybrid (6 with a curve) to survive."
    )


def test_expected_survival_without_curves_or_weather_is_refused(freezer, minima):
    assert _is_refusal(
        expected_page.show_expected(None, minima, [], draws=100, level=0.95, rank=36)
    )
    assert _is_refusal(
        expected_page.show_expected(freezer, NO_MINIMA, [], draws=100, level=0.95, rank=36)
    )


def test_expected_survival_of_sites_stands_side_by_side_without_the_safe_ones(weather, freezer):
    sites = [weather, _weather(site="S2", seed=5), _weather(site="S3", seed=6, warmer=15)]
    minima = cold_page.site_winters(pd.concat(sites, ignore_index=True), 5.0, 2025, "all")
    shown = expected_page.show_expected(freezer, minima, ["A"], draws=100, level=0.95, rank=36)
    wide = next(
        p for p in shown if isinstance(p, ReportTable) and p.label == "expected-sites-worst"
    )
    assert [c["heading"] for c in wide.content["columns"]] == [
        "Hybrid",
        "S1",
        "Interval",
        "S2",
        "Interval",
    ]
    assert (
        "98 % or more of every hybrid: S3." in wide.note
        and "the site with most loss" in _texts(shown, "finding")[0]
    )


# -- late frosts ----------------------------------------------------------------------------------


def _springs(weather, emerged="04-25", hybrids=HYBRIDS, spread=2):
    plots = make_plots(hybrids, 2, year=2024)
    days = pd.Timestamp(f"2025-{emerged}") + pd.to_timedelta(
        plots["hybrid"].map({h: spread * i for i, h in enumerate(hybrids)}), unit="D"
    )
    seen = pd.DataFrame(
        {
            "site": "S1",
            "plot": plots["plot"],
            "growing_season": pd.array([2025] * len(plots), dtype="Int64"),
            "emerged_on": days,
        }
    )
    return {"weather": weather, "plots": plots, "hybrids": make_hybrids(hybrids), "phenology": seen}


def _late(tables, **settings):
    return late_frost_page.show_late_frosts(
        tables, ["A"], "A", **({"damaging_c": -2.0, "level": 0.95, "rank": 37} | settings)
    )


def test_late_frosts_agree_with_the_record(weather):
    tables = _springs(weather, emerged="03-20")
    shown = _late(tables)
    table = _table(shown, "frost-after-emergence").set_index("hybrid")
    for hybrid, day in zip("AF", (79, 89), strict=True):
        spring = weather[
            (weather["date"].dt.month.between(3, 6)) & (weather["air_temperature_min_c"] < -2)
        ]
        common = spring["date"].dt.day_of_year - (spring["date"].dt.is_leap_year)
        assert table.loc[hybrid, "n_after"] == spring[common > day]["date"].dt.year.nunique()
    found = _texts(shown, "finding")[0]
    assert (
        "the earliest hybrid A (20 March)" in found
        and "the latest F (30 March)" in found
        and "the control" not in found
    )
    assert _labels(shown) == ["frost-calendar", "frost-after-emergence"]


def test_no_frost_after_emergence_is_said_plainly(weather):
    assert _texts(_late(_springs(weather, emerged="06-20")), "finding")[0].startswith(
        "In none of 22 springs did a frost below −2 °C come after the mean emergence of any hybrid."
    )


def test_one_hybrid_is_neither_earliest_nor_latest(weather):
    found = _texts(_late(_springs(weather, emerged="03-20", hybrids="A")), "finding")[0]
    assert "the only hybrid A" in found and "latest" not in found.split(" springs.")[0]


@pytest.mark.parametrize("away", ["weather", "phenology"])
def test_late_frosts_need_both_tables(weather, away):
    tables = _springs(weather)
    tables[away] = tables[away].iloc[:0]
    assert _is_refusal(_late(tables))


def test_sites_without_emergence_are_not_in_the_networks_table(weather):
    tables = _springs(
        pd.concat([weather, _weather(site="S2", seed=5)], ignore_index=True), emerged="03-20"
    )
    shown = _late(tables)
    assert (
        _table(shown, "frost-after-emergence")["site"].tolist() == ["S1"]
        and "S2" not in _texts(shown, "finding")[0]
    )


# -- limits ---------------------------------------------------------------------------------------


def test_limits_belong_to_what_was_shown(survived, minima):
    tests, nothing = (
        freeze_table(LT50),
        field_page.field_answer(_stand(ORDER, seasons=()), minima, 2025),
    )
    both = _texts(frost_limits.show_limits(tests, survived, 2025))
    assert any("glycol" in t for t in both) and any(
        "need not have been killed by frost" in t for t in both
    )
    neither = _texts(frost_limits.show_limits(tests.iloc[:0], nothing, 2025))
    assert len(neither) == 1


def test_survival_without_the_early_summer_count_is_provisional(minima):
    tables = _stand(ORDER)
    counts = tables["stand_counts"]
    counts["occasion"] = counts["occasion"].mask(
        counts["occasion"].eq("summer") & counts["growing_season"].eq(2025), "spring"
    )
    answer = field_page.field_answer(tables, minima, 2025)
    assert _texts(frost_limits.show_limits(pd.DataFrame(), answer, 2025), "provisional")
