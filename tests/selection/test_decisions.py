"""The table of decisions: what is written can be read, nothing is overwritten, and looking back is
honest.
"""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from consistency_frames import make_seasons
from culmbook.consistency.model import season_records
from culmbook.selection.decisions import (
    compare_with_last,
    decision_rows,
    last_decisions,
    last_words,
    record_decisions,
    season_gains,
    write_decisions,
)
from culmbook.sheets.dictionary import empty_table
from culmbook.sheets.read import read_network
from culmbook.text.refusal import Refusal
from small_network import TODAY, Sheet, small_network

HEADER = "hybrid,growing_season,decision,stage,decided_on,reason"
DAY = date(2025, 7, 1)
STAGES = dict.fromkeys(["H001", "H002", "H003"], "replicated")


def _decided(*decisions, reason="as expected"):
    return pd.DataFrame(
        {
            "hybrid": [f"H00{i + 1}" for i in range(len(decisions))],
            "decision": decisions,
            "reason": reason,
        }
    )


def _rows(*decisions, season=2024, **more):
    return decision_rows(_decided(*decisions, **more), season, STAGES, DAY, today=TODAY)


def _network(folder, decisions=None):
    sheets = small_network()
    if decisions is not None:
        sheets["decisions.csv"] = Sheet(HEADER, decisions)
    for name, sheet in sheets.items():
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(sheet.text())
    return folder / "decisions.csv"


def _read(folder):
    network = read_network(folder, today=TODAY)
    said = network.problems[network.problems["file"].str.contains("decisions", na=False)]
    return network.tables["decisions"], said


@pytest.mark.parametrize("old", [None, [["H003", 2023, "drop", "nursery", "2024-06-01", "=1+1"]]])
def test_what_is_written_is_read_back_the_same(tmp_path, old):
    path = _network(tmp_path, old)
    rows = _rows(
        "promote", "hold", "drop", reason=['heavy, "all" sites – sure', None, "two\nlines; no more"]
    )
    written = write_decisions(rows, path, hybrids=["H001", "H002", "H003"], today=TODAY)
    table, problems = _read(tmp_path)
    new = table[table["growing_season"] == 2024].reset_index(drop=True)
    pd.testing.assert_frame_equal(new[list(rows)], rows)
    assert (
        new["reason"].iloc[0] == 'heavy, "all" sites – sure'
        and new["reason"].iloc[2] == "two lines; no more"
    )
    assert len(table) == 3 + (old is not None) and written.startswith("3 decisions were added")
    assert not problems["severity"].ne("note").any() and len(problems) == (
        old is not None
    )  # the old formula


def test_reason_is_no_formula(tmp_path):
    path = _network(tmp_path)
    write_decisions(_rows("hold", reason="=HYPERLINK(1)"), path, today=TODAY)
    assert path.read_text().splitlines()[1].endswith(",'=HYPERLINK(1)")
    assert _read(tmp_path)[1].empty


def test_another_decision_is_never_overwritten(tmp_path):
    path = _network(
        tmp_path, [["H001", 2024, "hold", "", "", "earlier"], ["H001", 2023, "drop", "", "", ""]]
    )
    before = path.read_bytes()
    with pytest.raises(
        ValueError, match=r"another decision for H001 after 2024 \(hold, now promote\)"
    ):
        write_decisions(_rows("promote", "hold"), path, today=TODAY)
    assert path.read_bytes() == before
    written = write_decisions(_rows("hold", "hold"), path, today=TODAY)
    assert path.read_bytes().startswith(before) and path.read_text().count("H001,2024") == 1
    assert path.read_text().splitlines()[-1].startswith("H002,2024,hold")
    assert written == "1 decision was added to decisions.csv; 1 decision stood there already."
    same = path.read_bytes()
    again = write_decisions(_rows("hold", "hold"), path, today=TODAY)
    assert path.read_bytes() == same
    assert (
        again
        == "Nothing was written: what was decided stands in decisions.csv already (2 decisions)."
    )


@pytest.mark.parametrize(
    ("content", "ending"),
    [
        (
            "reason;Decision;hybrid;growing season;stage;decided_on;own\r\nold;drop;H003;2023;;;x\r\n".encode(
                "utf-8-sig"
            ),
            b"as expected;hold;H001;2024;replicated;2025-07-01;\r\n",
        ),
        (
            f"{HEADER}\nH003,2023,drop,,,süß".encode("cp1252"),
            b"\nH001,2024,hold,replicated,2025-07-01,as expected\n",
        ),
        (HEADER.encode(), b"\nH001,2024,hold,replicated,2025-07-01,as expected\n"),
        (
            f"{HEADER}\rH003,2023,drop,,,\r".encode(),
            b"\rH001,2024,hold,replicated,2025-07-01,as expected\r",
        ),
    ],
)
def test_new_lines_take_the_form_of_the_file(tmp_path, content, ending):
    path = _network(tmp_path)
    path.write_bytes(content)
    write_decisions(_rows("hold"), path, today=TODAY)
    assert path.read_bytes().startswith(content) and path.read_bytes().endswith(ending)
    table, problems = _read(tmp_path)
    assert "H001" in set(table["hybrid"]) and not problems["severity"].ne("note").any()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (f"{HEADER}\nH003,2023,maybe,,,\n".encode(), "line 2: decision: allowed"),
        (b"hybrid,decision\nH003,drop\n", "column growing_season is missing"),
        (f"{HEADER}\nH003,2023,drop,,,\n".encode("utf-16"), "UTF-16"),
        (f"{HEADER}\nH003,2023,drop,,,caf\xe9\n".encode("cp1252"), "save it as CSV UTF-8"),
        (b"\x00\x01\x02", "cannot be used"),
    ],
)
def test_file_that_cannot_take_the_lines_is_left_alone(tmp_path, content, words):
    path = tmp_path / "decisions.csv"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=words):
        write_decisions(_rows("hold", reason="30 → 40 %"), path, today=TODAY)
    assert path.read_bytes() == content and [p.name for p in tmp_path.iterdir()] == [
        "decisions.csv"
    ]


def test_place_and_hybrids_are_checked(tmp_path):
    rows = _rows("hold", "drop")
    with pytest.raises(ValueError, match="CSV file"):
        write_decisions(rows, tmp_path / "decisions.xlsx", today=TODAY)
    with pytest.raises(ValueError, match="no folder"):
        write_decisions(rows, tmp_path / "none" / "decisions.csv", today=TODAY)
    with pytest.raises(ValueError, match="not in the table hybrids: H002"):
        write_decisions(rows, tmp_path / "decisions.csv", hybrids=["H001"], today=TODAY)
    (tmp_path / "Decisions.xlsx").write_bytes(b"")
    with pytest.raises(ValueError, match="Decisions.xlsx stands beside"):
        write_decisions(rows, tmp_path / "decisions.csv", today=TODAY)
    said = write_decisions(rows, tmp_path / "proposed.csv", today=TODAY)
    assert said == "2 decisions were added to proposed.csv."


@pytest.mark.parametrize(
    ("decided", "more", "words"),
    [
        (
            _decided("promote", "keep"),
            {},
            "H002: decision: allowed: promote, hold, too early, drop",
        ),
        (_decided("hold", reason="x" * 501), {}, "H001: reason: 501 characters"),
        (_decided("hold"), {"stages": {"H001": "field"}}, "H001: stage"),
        (_decided("hold"), {"season": 1900}, "H001: growing_season"),
        (_decided("hold"), {"decided_on": date(2031, 1, 1)}, "future"),
        (_decided("hold", "drop").assign(hybrid="H001"), {}, "H001"),
        (_decided("hold").assign(hybrid=None), {}, "hybrid: blank"),
        (_decided(), {}, "no decision"),
    ],
)
def test_decisions_that_the_dictionary_refuses_are_named(decided, more, words):
    given = {"season": 2024, "stages": {}, "decided_on": DAY, **more}
    with pytest.raises(ValueError, match=words):
        decision_rows(decided, **given, today=TODAY)


def test_rows_have_the_columns_and_types_of_the_table():
    rows = decision_rows(
        _decided("hold", "drop"), 2024, {"H002": "nursery"}, pd.Timestamp(DAY), today=TODAY
    )
    assert (
        rows.dtypes.to_dict()
        == empty_table("decisions").drop(columns=["source_file", "source_line"]).dtypes.to_dict()
    )
    assert (
        rows["stage"].isna().tolist() == [True, False]
        and rows["decided_on"].eq(pd.Timestamp(DAY)).all()
    )
    bare = decision_rows(
        _decided("hold").drop(columns="reason"), np.int64(2024), {}, DAY, today=TODAY
    )
    assert bare["reason"].isna().all()


def test_last_decisions_are_those_of_the_newest_season_before():
    table = pd.concat(
        [
            _rows("hold", "hold", season=2022),
            _rows("drop", season=2023),
            _rows("promote", season=2024),
        ]
    )
    assert last_decisions(table, 2024)["decision"].tolist() == ["drop"]
    assert last_decisions(table, 2023)["growing_season"].tolist() == [2022, 2022]
    for frame, season in ((table, 2022), (empty_table("decisions"), 2024)):
        with pytest.raises(Refusal, match=f"no decision from before {season} to look back on"):
            last_decisions(frame, season)


def test_gain_of_a_season_is_the_t_interval_of_its_log_yields(rng):
    # one site, complete blocks: two-way analysis of variance, Snedecor & Cochran (1989) ch. 14
    frame = make_seasons(rng, sites=1, hybrids=6, missing=0.0)
    frame = frame.assign(block=None)
    records = season_records(frame)
    season = records["season"].max()
    y = records[records["season"] == season].pivot(
        index="hybrid", columns="replicate", values="response"
    )
    apart = y.sub(y.mean(axis=1), axis=0).sub(y.mean(axis=0) - y.to_numpy().mean(), axis=1)
    h, r = y.shape
    spread = np.sqrt((apart.to_numpy() ** 2).sum() / ((h - 1) * (r - 1)) * 2 / r)
    middle = (y.mean(axis=1) - y.loc["H00"].mean()).drop("H00")
    reach = stats.t.ppf(0.975, (h - 1) * (r - 1)) * spread
    table = season_gains(records, int(season), "H00").set_index("hybrid").loc[middle.index]
    assert table["gain"].to_numpy() == pytest.approx(np.expm1(middle).to_numpy(), rel=1e-6)
    assert table["lower"].to_numpy() == pytest.approx(np.expm1(middle - reach).to_numpy(), rel=1e-4)
    assert table["upper"].to_numpy() == pytest.approx(np.expm1(middle + reach).to_numpy(), rel=1e-4)
    assert table["n_plots"].eq(r).all()
    earlier = records.assign(response=records["response"].where(records["season"] == season, 99.0))
    assert (
        season_gains(earlier, int(season), "H00")["gain"].tolist()
        == season_gains(records, int(season), "H00")["gain"].tolist()
    )


def test_gain_of_a_season_needs_cuts_and_the_control(rng):
    records = season_records(make_seasons(rng, sites=1))
    with pytest.raises(ValueError, match="no established plot has a yield in 1999"):
        season_gains(records, 1999, "H00")
    with pytest.raises(ValueError, match="control H99 has no plot with log yield"):
        season_gains(records, int(records["season"].max()), "H99")


def _compared(margin=0.1):
    last = pd.DataFrame(
        {
            "hybrid": list("ABCDEFG"),
            "growing_season": 2023,
            "decision": ["promote", "promote", "promote", "hold", "drop", "drop", "drop"],
        }
    )
    gains = pd.DataFrame(
        {
            "hybrid": list("ABCDEF"),
            "n_plots": 9,
            "gain": [0.3, 0.0, 0.1, 0.4, 0.3, -0.1],
            "lower": [0.15, -0.1, 0.0, 0.2, 0.2, -0.2],
            "upper": [0.5, 0.09, 0.2, 0.6, 0.5, 0.0],
        }
    )
    now = pd.DataFrame({"hybrid": list("ABD"), "decision": ["promote", "drop", "promote"]})
    return compare_with_last(last, now, gains, margin=margin)


def test_promoted_looks_right_above_and_dropped_below_the_margin():
    table = _compared().set_index("hybrid")
    verdicts = {
        "A": "looks right",
        "B": "looks wrong",
        "C": "not settled",
        "E": "looks wrong",
        "F": "looks right",
        "G": "no yield",
    }
    assert table["verdict"].dropna().to_dict() == verdicts
    assert table.loc["D", "came"] == "above" and pd.isna(table.loc["D", "verdict"])
    assert table.index.tolist() == list("ACBDEFG")
    assert _compared(0.0).set_index("hybrid").loc["B", "verdict"] == "not settled"


def test_words_count_and_name():
    assert last_words(_compared(), 2024, "STD", margin=0.1) == (
        "The decisions after 2023 were: promote 3, hold 1, drop 3. Right or wrong is told by the cuts of 2024 alone: by "
        "whether a hybrid's whole interval lies above or below STD plus 10 %. Of the promoted, 1 looks right (A), 1 "
        "looks wrong (B) and 1 is not settled (C). Of the dropped, 1 looks right (F), 1 looks wrong (E) and 1 has no "
        "yield in 2024 (G). Of those promoted or dropped, decided otherwise now: B (promote → drop)."
    )
    held = _compared()[lambda t: t["decision"] == "hold"]
    assert last_words(held, 2024, "STD").endswith(
        "hold 1, drop 0. Waiting takes no side: none of them can look right or wrong."
    )
    gone = _compared().assign(now=None)
    assert "otherwise" not in last_words(gone, 2024, "STD")
    assert "None of them is decided otherwise" in last_words(
        _compared().assign(now=lambda t: t["decision"]), 2024, "STD"
    )


def test_what_it_was_too_early_for_takes_no_side_and_is_said_beside_what_is_decided_now():
    table = _compared().assign(decision=lambda t: t["decision"].replace("drop", "too early"))
    table["now"] = table["hybrid"].map({"E": "promote", "F": "drop", "G": "drop"})
    again = compare_with_last(
        table[["hybrid", "growing_season", "decision"]],
        table[["hybrid"]].assign(decision=table["now"]),
        table[["hybrid", "n_plots", "gain", "lower", "upper"]],
    ).set_index("hybrid")
    assert again.loc[list("EFG"), "verdict"].isna().all()
    said = last_words(table, 2024, "STD")
    assert "were: promote 3, hold 1, too early 3, drop 0." in said and "Of the dropped" not in said
    assert said.endswith("Of those it was too early to decide on then, now: promote 1 and drop 2.")


def test_decisions_are_recorded_when_a_path_is_given(tmp_path):
    hybrids = pd.DataFrame({"hybrid": ["H001", "H002"], "stage": "replicated"})
    decided, path = _decided("promote", "hold"), tmp_path / "decisions.csv"
    assert record_decisions(decided, 2025, hybrids, "") == []
    said = record_decisions(decided, 2025, hybrids, str(path), "2026-03-01")
    assert said == ["2 decisions were added to decisions.csv."] and "2026-03-01" in path.read_text()
    for place, day in ((str(tmp_path / "no" / "decisions.csv"), ""), (str(path), "tomorrow")):
        with pytest.raises(Refusal, match="The decisions were not written: .*[.]$"):
            record_decisions(decided, 2025, hybrids, place, day)
