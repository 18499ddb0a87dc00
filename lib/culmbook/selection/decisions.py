"""The table of decisions: write this season's, read the last ones back, and see what came of them."""

import csv
import io
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from culmbook.sheets.csvtext import decode
from culmbook.sheets.dictionary import tables
from culmbook.sheets.folder import TABLE_FILES
from culmbook.sheets.headers import plain_header
from culmbook.sheets.keys import check_key
from culmbook.sheets.raw import RawTable, read_raw
from culmbook.sheets.typed import read_sheet
from culmbook.text.files import write_whole
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.words import is_are, n_of
from culmbook.yields.means import against_control, fit_means

TABLE = tables()["decisions"]
KEY = list(TABLE.key)
RIGHT, WRONG, OPEN, NO_YIELD = "looks right", "looks wrong", "not settled", "no yield"
ABOVE, BELOW = "above", "below"
_VERDICTS = {
    ("promote", ABOVE): RIGHT,
    ("promote", BELOW): WRONG,
    ("drop", ABOVE): WRONG,
    ("drop", BELOW): RIGHT,
}


@dataclass(frozen=True)
class Written:
    """What :func:`write_decisions` did: the file, hybrids added, and hybrids whose decision stood there."""

    path: Path
    added: tuple
    standing: tuple


def decision_rows(
    decided: pd.DataFrame, season: int, stage, decided_on: date, *, today: date | None = None
) -> pd.DataFrame:
    """Decisions as rows of the table of decisions.

    Parameters
    ----------
    decided : DataFrame
        ``hybrid, decision``, and ``reason`` where one is to be kept: one line of at most 500 characters.
    season : int
        Growing season after which it was decided.
    stage : str or mapping
        Stage that the hybrids are in, or by hybrid; one that is not known is left blank.
    decided_on : date
    today : date, optional
        No decision is later; the clock's date by default.

    Returns
    -------
    DataFrame
        The table's columns with their types, by hybrid.

    Raises
    ------
    ValueError
        No decision, or one that the data dictionary refuses: every fault is named.

    Notes
    -----
    The rows are read as a sheet would be, so what is returned here can be read back. A reason that a
    spreadsheet would run as a formula gets an apostrophe in front.
    """
    if decided.empty:
        raise ValueError("there is no decision to write")
    stages = (
        stage if isinstance(stage, Mapping | pd.Series) else dict.fromkeys(decided["hybrid"], stage)
    )
    reasons = decided["reason"] if "reason" in decided else pd.Series("", decided.index)
    cells = pd.DataFrame(
        {
            "hybrid": decided["hybrid"].map(_text),
            "growing_season": str(season),
            "decision": decided["decision"].map(_text),
            "stage": [_text(stages.get(hybrid)) for hybrid in decided["hybrid"]],
            "decided_on": _text(decided_on)[:10],
            "reason": reasons.map(_safe),
        }
    )[TABLE.columns].sort_values("hybrid", kind="stable")
    numbers = list(range(1, len(cells) + 1))
    raw = RawTable(
        "decisions", None, list(cells), 0, numbers, cells.to_numpy().tolist(), delimiter=","
    )
    return _read_back(raw, today, list(cells["hybrid"]))[TABLE.columns]


def _text(value):
    return "" if pd.isna(value) else str(value)


def _safe(reason):
    from culmbook.report.workbook import (
        safe_text,  # its parsers load only when something is written
    )

    return safe_text(" ".join(_text(reason).split()))


def _read_back(raw, today, names=None):
    """Rows of a sheet of decisions, or ValueError with all that is wrong in it; `names` of its lines."""
    rows, _ = read_sheet(raw, TABLE, today or date.today())
    check_key(rows)
    faults = [p for p in rows.problems if p.severity != "note"]
    if faults:
        place = {
            p.line: f"line {p.line}" if names is None else names[p.line - 1]
            for p in faults
            if p.line
        }
        named = [": ".join([*filter(None, [place.get(p.line), p.column]), p.rule]) for p in faults]
        raise ValueError(f"{raw.file} cannot be used: {fmt_list(named)}")
    return rows.kept()


def write_decisions(
    rows: pd.DataFrame, path, *, hybrids=None, today: date | None = None
) -> Written:
    """Add decisions to a file of the table of decisions; what stands there stays as it is.

    Parameters
    ----------
    rows : DataFrame
        From :func:`decision_rows`.
    path : path-like
        A CSV file, there or not; its folder must exist. ``decisions.csv`` at the root of a network folder
        is what the next report reads.
    hybrids : collection of str, optional
        Known hybrids; decisions on others are refused.
    today : date, optional
        As in :func:`decision_rows`.

    Returns
    -------
    Written
        A decision that stands in the file already is not written twice: its reason and day stay.

    Raises
    ------
    ValueError
        The file holds another decision on a hybrid after the same season, cannot be read without a refusal,
        is no CSV file, or stands beside another file of the same table.

    Notes
    -----
    New lines go below those that are there, in the file's own columns, delimiter, encoding and line ends.
    The file is written whole or not at all, after it has been read back.
    """
    path = Path(path)
    _check_place(path)
    unknown = [] if hybrids is None else sorted(set(rows["hybrid"]) - set(hybrids))
    if unknown:
        raise ValueError(f"not in the table hybrids: {fmt_list(unknown)}")
    raw, content = _standing(path)
    old = _read_back(raw, today)
    both = rows.merge(old[[*KEY, "decision"]], on=KEY, how="left", suffixes=("", "_old"))
    differs = both["decision_old"].notna() & both["decision_old"].ne(both["decision"])
    if differs.any():
        apart = both.loc[differs, [*KEY, "decision_old", "decision"]]
        named = [
            f"{h} after {y} ({was}, now {now})" for h, y, was, now in apart.itertuples(index=False)
        ]
        raise ValueError(
            f"{path.name} holds another decision for {fmt_list(named)}. Nothing was written; change or "
            "delete the lines there if the new decision is to count"
        )
    new = rows[both["decision_old"].isna().to_numpy()]
    if len(new):
        write_whole(path, _checked(content + _lines(new, raw, content), rows, path.name, today))
    standing = rows.loc[both["decision_old"].notna().to_numpy(), "hybrid"]
    return Written(path, tuple(new["hybrid"]), tuple(standing))


def _check_place(path):
    if path.suffix.lower() != ".csv":
        raise ValueError(f"{path.name}: decisions are written to a CSV file, such as decisions.csv")
    if not path.parent.is_dir():
        raise ValueError(f"there is no folder {path.parent}")
    twins = [
        other.name
        for other in sorted(path.parent.iterdir())
        if other.name != path.name
        and other.suffix.lower() in TABLE_FILES
        and plain_header(other.stem) == plain_header(path.stem) == TABLE.name
    ]
    if twins:
        raise ValueError(
            f"{fmt_list(twins)} stands beside {path.name} and holds the same table: put its rows into "
            f"{path.name} first"
        )


def _standing(path):
    """The file and its bytes; one that is not there has its header only."""
    if path.exists() or path.is_symlink():
        raw = read_raw(path, path.parent, TABLE.columns)
        return raw, b"" if raw.refused else path.read_bytes()
    header = TABLE.columns
    raw = RawTable(path.name, header=header, header_line=1, delimiter=",", encoding="utf-8")
    return raw, _csv_line(header, ",", "\n").encode()


def _csv_line(cells, delimiter, end):
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator=end).writerow(cells)
    return text.getvalue()


def _lines(rows, raw, content):
    """The rows as they go below what is in the file."""
    if raw.encoding == "utf-16":
        raise ValueError(f"{raw.file} is UTF-16 text: save it as CSV UTF-8 first")
    text, _, _ = decode(content, raw.file)
    end = next((mark for mark in ("\r\n", "\n", "\r") if mark in text), "\n")
    cells = (
        rows.assign(decided_on=rows["decided_on"].dt.strftime("%Y-%m-%d"))
        .astype("object")
        .fillna("")
    )
    cells = cells.reindex(columns=[plain_header(name) for name in raw.header], fill_value="")
    new = "".join(_csv_line(row, raw.delimiter, end) for row in cells.to_numpy().tolist())
    try:
        return (("" if text.endswith(end) else end) + new).encode(raw.encoding)
    except UnicodeEncodeError as error:
        lacks = f"{raw.file} is {raw.encoding} text and lacks {error.object[error.start]!r}"
        raise ValueError(f"{lacks}: save it as CSV UTF-8 first") from error


def _checked(content, rows, name, today):
    """The new content, once it has been read back with every new decision in it."""
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / name
        trial.write_bytes(content)
        found = _read_back(read_raw(trial, folder, TABLE.columns), today)
    if len(rows.merge(found, on=[*KEY, "decision"])) != len(rows):
        raise ValueError(
            f"{name} could not be read back with the new lines below it; nothing was written"
        )
    return content


def written_words(written: Written) -> str:
    """Say what was written and what stood there already."""
    name, n = written.path.name, len(written.added)
    stood = len(written.standing)
    if not n:
        return f"Nothing was written: what was decided stands in {name} already ({n_of(stood, 'decision')})."
    words = f"{n_of(n, 'decision')} {'was' if n == 1 else 'were'} added to {name}"
    also = f"; {n_of(stood, 'decision')} stood there already" if stood else ""
    return f"{words}{also}."


def last_decisions(decisions: pd.DataFrame, season: int) -> pd.DataFrame:
    """Decisions after the last season before this one that has any.

    Parameters
    ----------
    decisions : DataFrame
        Table ``decisions``.
    season : int
        Growing season of the report.

    Returns
    -------
    DataFrame
        The table's columns, by hybrid; no rows where nothing was decided before.
    """
    before = decisions[decisions["growing_season"] < season]
    last = before[before["growing_season"] == before["growing_season"].max()]
    return last[TABLE.columns].sort_values("hybrid", ignore_index=True)


def season_gains(
    records: pd.DataFrame, season: int, control: str, *, level: float = 0.95
) -> pd.DataFrame:
    """What each hybrid gave against the control in one season, by that season's cuts alone.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records` on the log scale: established plots.
    season : int
    control : str
    level : float
        Confidence of each interval by itself, 0 to 1.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, gain, lower, upper``: gain over the control, a share; highest first.

    Raises
    ------
    ValueError
        No cut of an established plot in the season, none of the control, or too few plots for an error.

    Notes
    -----
    Means of :func:`culmbook.yields.means.fit_means` on log yield. Data of earlier seasons, on which hybrids
    were chosen, have no part in it, so it does not suffer from having chosen the lucky ones.
    """
    own = records[records["season"].astype(str) == str(season)] if len(records) else records
    if own.empty:
        raise ValueError(f"no established plot has a yield in {season}")
    means = fit_means(own.rename(columns={"response": "log yield"}), "log yield")
    table = against_control(means, control, level=level, together=False)
    shares = np.expm1(table[["difference", "lower", "upper"]]).rename(
        columns={"difference": "gain"}
    )
    return table[["hybrid", "n_plots"]].join(shares)


def compare_with_last(
    last: pd.DataFrame, now: pd.DataFrame, gains: pd.DataFrame, *, margin: float = 0.0
) -> pd.DataFrame:
    """Set the last decisions against what came in the new season and what is decided now.

    Parameters
    ----------
    last : DataFrame
        From :func:`last_decisions`.
    now : DataFrame
        ``hybrid, decision`` of this season; hybrids may be missing.
    gains : DataFrame
        From :func:`season_gains` of the new season; hybrids may be missing.
    margin : float
        Gain over the control that a promoted hybrid must have, a share.

    Returns
    -------
    DataFrame
        ``hybrid, growing_season, decision, now, n_plots, gain, lower, upper, came, verdict``, by decision and
        gain. ``came``: the interval lies *above* or *below* the margin, is *not settled*, or there is *no
        yield*. ``verdict`` of a promoted hybrid: *looks right* above, *looks wrong* below; of a dropped one
        the other way round; blank for held ones, since holding takes no side.
    """
    table = last[["hybrid", "growing_season", "decision"]].merge(gains, on="hybrid", how="left")
    table["now"] = table["hybrid"].map(
        now.drop_duplicates("hybrid").set_index("hybrid")["decision"]
    )
    sides = [table["gain"].isna(), table["lower"] > margin, table["upper"] < margin]
    table["came"] = np.select(sides, [NO_YIELD, ABOVE, BELOW], OPEN)
    pairs = zip(table["decision"], table["came"], strict=True)
    verdicts = [None if d == "hold" else _VERDICTS.get((d, came), came) for d, came in pairs]
    table["verdict"] = pd.Series(verdicts, table.index, dtype="str")
    place = table["decision"].map({"promote": 0, "hold": 1, "drop": 2})
    columns = ["hybrid", "growing_season", "decision", "now", *gains.columns[1:], "came", "verdict"]
    table = table.assign(place=place, n_plots=table["n_plots"].astype("Int64"))
    by = ["place", "gain", "hybrid"]
    return table.sort_values(by, ascending=[True, False, True], ignore_index=True)[columns]


def last_words(compared: pd.DataFrame, season: int, control: str, *, margin: float = 0.0) -> str:
    """Say what was decided last, what came of it in the new season, and what is decided otherwise now.

    Parameters
    ----------
    compared : DataFrame
        From :func:`compare_with_last`.
    season : int
        The new season.
    control : str
    margin : float
        As there.

    Returns
    -------
    str
    """
    if compared.empty:
        return f"The table of decisions holds none from before {season}: there is nothing to look back on."
    n = compared["decision"].value_counts()
    said = ", ".join(f"{decision} {n.get(decision, 0)}" for decision in ("promote", "hold", "drop"))
    said = f"The decisions after {compared['growing_season'].iloc[0]} were: {said}."
    if compared["decision"].eq("hold").all():
        return f"{said} Holding takes no side: none of them can look right or wrong."
    least = f"{control} plus {fmt_share(margin)}" if margin else control
    how = (
        f"Right or wrong is told by the cuts of {season} alone: by whether a hybrid's whole interval lies "
        f"above or below {least}."
    )
    groups = [_group_words(compared, decision, season) for decision in ("promote", "drop")]
    return " ".join(part for part in [said, how, *groups, _turned_words(compared)] if part)


def _group_words(compared, decision, season):
    own = compared[compared["decision"] == decision]
    verbs = {
        RIGHT: ("looks right", "look right"),
        WRONG: ("looks wrong", "look wrong"),
        OPEN: ("is not settled", "are not settled"),
        NO_YIELD: (f"has no yield in {season}", f"have no yield in {season}"),
    }
    parts = []
    for verdict, verb in verbs.items():
        names = list(own.loc[own["verdict"] == verdict, "hybrid"])
        if names:
            parts.append(f"{len(names)} {is_are(len(names), *verb)} ({fmt_list(names)})")
    done = {"promote": "promoted", "drop": "dropped"}[decision]
    return f"Of the {done}, {fmt_list(parts)}." if parts else ""


def _turned_words(compared):
    """Hybrids promoted or dropped last that are decided otherwise now."""
    taken = compared[compared["decision"].ne("hold") & compared["now"].notna()]
    turned = taken.loc[taken["now"] != taken["decision"], ["hybrid", "decision", "now"]]
    if taken.empty:
        return ""
    named = [f"{h} ({was} → {now})" for h, was, now in turned.itertuples(index=False)]
    if not named:
        return "None of them is decided otherwise now."
    return f"Of those promoted or dropped, decided otherwise now: {fmt_list(named)}."
