"""The table of decisions: write this season's, read the last ones back, and see what came of them."""

import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from culmbook.consistency.model import in_words
from culmbook.selection.decide import DECISIONS, DROP, EARLY, PROMOTE
from culmbook.sheets.csvtext import decode
from culmbook.sheets.dictionary import tables
from culmbook.sheets.grid import plain_header
from culmbook.sheets.raw import TABLE_FILES, RawTable, read_raw
from culmbook.sheets.rows import read_sheet
from culmbook.sheets.rules import check_key
from culmbook.text.files import write_whole
from culmbook.text.glyphs import safe_text
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, joined, n_of
from culmbook.yields.means import against_control, fit_means

TABLE = tables()["decisions"]
KEY = list(TABLE.key)
RIGHT, WRONG, OPEN, NO_YIELD = "looks right", "looks wrong", "not settled", "no yield"
ABOVE, BELOW = "above", "below"
_VERDICTS = {
    (PROMOTE, ABOVE): RIGHT,
    (PROMOTE, BELOW): WRONG,
    (DROP, ABOVE): WRONG,
    (DROP, BELOW): RIGHT,
}


def decision_rows(
    decided: pd.DataFrame, season: int, stages, decided_on: date, *, today: date | None = None
) -> pd.DataFrame:
    """Decisions as rows of the table of decisions.

    Parameters
    ----------
    decided : DataFrame
        ``hybrid, decision``, and ``reason`` where one is to be kept: one line of at most 500
        characters.
    season : int
        Growing season after which it was decided.
    stages : mapping
        Stage that each hybrid is in; one that is not known is left blank.
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
    The rows are read as a sheet would be, so what is returned here can be read back. A reason that
    a spreadsheet would run as a formula gets an apostrophe in front.
    """
    if decided.empty:
        raise ValueError("there is no decision to write")
    reasons = decided.get("reason", pd.Series("", decided.index))
    cells = {
        "hybrid": decided["hybrid"],
        "growing_season": str(season),
        "decision": decided["decision"],
        "stage": decided["hybrid"].map(dict(stages)),
        "decided_on": str(decided_on)[:10],
        "reason": [safe_text(" ".join(str(r).split())) if pd.notna(r) else "" for r in reasons],
    }
    cells = pd.DataFrame(cells)[TABLE.columns].astype("object")
    cells = cells.where(cells.notna(), "").sort_values("hybrid", kind="stable")
    numbers, values = list(range(1, len(cells) + 1)), cells.to_numpy().tolist()
    raw = RawTable("decisions", None, list(cells), 0, numbers, values, delimiter=",")
    return _read_back(raw, today, list(cells["hybrid"]))[TABLE.columns]


def _read_back(raw, today, names=None):
    """Rows of a sheet of decisions, or ValueError with all that is wrong in it; `names` of its
    lines.
    """
    rows, _ = read_sheet(raw, TABLE, today or date.today())
    check_key(rows)
    faults = []
    for p in (p for p in rows.problems if p.severity != "note"):
        place = (names[p.line - 1] if names else f"line {p.line}") if p.line else None
        faults.append(": ".join(filter(None, [place, p.column, p.rule])))
    if faults:
        raise ValueError(f"{raw.file} cannot be used: {fmt_list(faults)}")
    return rows.kept()


def write_decisions(rows: pd.DataFrame, path, *, hybrids=None, today: date | None = None) -> str:
    """Add decisions to a file of the table of decisions; what stands there stays as it is.

    Parameters
    ----------
    rows : DataFrame
        From :func:`decision_rows`.
    path : path-like
        A CSV file, there or not; its folder must exist. ``decisions.csv`` at the root of a network
        folder is what the next report reads.
    hybrids : collection of str, optional
        Known hybrids; decisions on others are refused.
    today : date, optional
        As in :func:`decision_rows`.

    Returns
    -------
    str
        What was written and what stood there already: a decision that stands in the file is not
        written twice, its reason and day stay.

    Raises
    ------
    ValueError
        The file holds another decision on a hybrid after the same season, cannot be read without a
        refusal, is no CSV file, or stands beside another file of the same table.

    Notes
    -----
    New lines go below those that are there, in the file's own columns, delimiter, encoding and line
    ends. The file is written whole or not at all, after it has been read back.
    """
    path = Path(path)
    _check_place(path)
    if unknown := sorted(set(rows["hybrid"]) - set(rows["hybrid"] if hybrids is None else hybrids)):
        raise ValueError(f"not in the table hybrids: {fmt_list(unknown)}")
    if path.exists() or path.is_symlink():
        raw = read_raw(path, path.parent, TABLE.columns)
        content = b"" if raw.refused else path.read_bytes()
    else:
        names = TABLE.columns
        raw = RawTable(path.name, header=names, header_line=1, delimiter=",", encoding="utf-8")
        content = f"{','.join(names)}\n".encode()
    old = _read_back(raw, today)
    both = rows.merge(old[[*KEY, "decision"]], on=KEY, how="left", suffixes=("", "_old"))
    stands = both["decision_old"].notna()
    apart = both[stands & both["decision_old"].ne(both["decision"])]
    if len(apart):
        named = [
            f"{row.hybrid} after {row.growing_season} ({row.decision_old}, now {row.decision})"
            for row in apart.itertuples()
        ]
        raise ValueError(
            f"{path.name} holds another decision for {fmt_list(named)}. Nothing was written; change or "
            "delete the lines there if the new decision is to count"
        )
    new = rows[~stands.to_numpy()]
    if len(new):
        content += _lines(new, raw, content)
        with tempfile.TemporaryDirectory() as folder:  # read back before anything is written
            trial = Path(folder) / path.name
            trial.write_bytes(content)
            found = _read_back(read_raw(trial, folder, TABLE.columns), today)
        if len(rows.merge(found, on=[*KEY, "decision"])) != len(rows):
            raise ValueError(
                f"{path.name} could not be read back with the new lines; nothing was written"
            )
        write_whole(path, content)
    n, stood = len(new), n_of(int(stands.sum()), "decision")
    if not n:
        return f"Nothing was written: what was decided stands in {path.name} already ({stood})."
    also = f"; {stood} stood there already" if stands.any() else ""
    return f"{n_of(n, 'decision')} {is_are(n, 'was', 'were')} added to {path.name}{also}."


def _check_place(path):
    if path.suffix.lower() != ".csv":
        raise ValueError(f"{path.name}: decisions are written to a CSV file, such as decisions.csv")
    if not path.parent.is_dir():
        raise ValueError(f"there is no folder {path.parent}")
    tables = (p for p in sorted(path.parent.iterdir()) if p.suffix.lower() in TABLE_FILES)
    twins = [p.name for p in tables if p.name != path.name and plain_header(p.stem) == TABLE.name]
    if twins and plain_header(path.stem) == TABLE.name:
        raise ValueError(
            f"{fmt_list(twins)} stands beside {path.name} and holds the same table: put its rows into "
            f"{path.name} first"
        )


def _lines(rows, raw, content):
    """The rows as they go below what is in the file, in its columns, delimiter, encoding and line
    ends.
    """
    if raw.encoding == "utf-16":
        raise ValueError(f"{raw.file} is UTF-16 text: save it as CSV UTF-8 first")
    text, _, _ = decode(content, raw.file)
    end = next((mark for mark in ("\r\n", "\n", "\r") if mark in text), "\n")
    cells = rows.assign(decided_on=rows["decided_on"].dt.strftime("%Y-%m-%d"))
    cells = cells.reindex(columns=[plain_header(name) for name in raw.header])
    form = {"sep": raw.delimiter, "lineterminator": end, "header": False, "index": False}
    try:
        return (("" if text.endswith(end) else end) + cells.to_csv(**form)).encode(raw.encoding)
    except UnicodeEncodeError as error:
        lacks = f"{raw.file} is {raw.encoding} text and lacks {error.object[error.start]!r}"
        raise ValueError(f"{lacks}: save it as CSV UTF-8 first") from error


def record_decisions(
    decided: pd.DataFrame, season: int, hybrids: pd.DataFrame, path: str, decided_on: str = ""
) -> list[str]:
    """Write the decisions to a file of the table of decisions when a path is given, and say what
    was done.

    Parameters
    ----------
    decided : DataFrame
        As for :func:`decision_rows`.
    season : int
        Growing season after which it was decided.
    hybrids : DataFrame
        Table ``hybrids``: ``hybrid, stage``.
    path : str
        A CSV file; blank = nothing is written.
    decided_on : str
        Day of the decision, as 2026-06-30; blank = today.

    Returns
    -------
    list of str
        What was done; nothing without a path.

    Raises
    ------
    Refusal
        Where :func:`decision_rows` or :func:`write_decisions` refuses, or the file cannot be
        written.
    """
    if not path:
        return []
    try:
        day = date.fromisoformat(decided_on) if decided_on else date.today()
        stages = hybrids.drop_duplicates("hybrid").set_index("hybrid")["stage"]
        rows = decision_rows(decided, season, stages, day)
        return [write_decisions(rows, path, hybrids=list(hybrids["hybrid"]))]
    except (ValueError, OSError) as error:
        raise Refusal(f"The decisions were not written: {str(error).rstrip('.')}.") from None


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
        The table's columns, by hybrid.

    Raises
    ------
    Refusal
        Nothing was decided before.
    """
    before = decisions[decisions["growing_season"] < season]
    if before.empty:
        raise Refusal(f"There is no decision from before {season} to look back on.")
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
    Refusal
        No cut of an established plot in the season, none of the control, or too few plots for an
        error.

    Notes
    -----
    Means of :func:`culmbook.yields.means.fit_means` on log yield. Data of earlier seasons, on which
    hybrids were chosen, have no part in it, so it does not suffer from having chosen the lucky
    ones.
    """
    own = records[records["season"].astype(str) == str(season)] if len(records) else records
    why = f"Earlier decisions are not set against {season}: "
    if own.empty:
        raise Refusal(f"{why}no established plot has a yield in {season}.")
    with in_words(why):
        means = fit_means(own.rename(columns={"response": "log yield"}), "log yield")
        table = against_control(means, control, level=level, together=False)
    shares = np.expm1(table[["difference", "lower", "upper"]])
    return table[["hybrid", "n_plots"]].join(shares.rename(columns={"difference": "gain"}))


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
        ``hybrid, growing_season, decision, now, n_plots, gain, lower, upper, came, verdict``, by
        decision and gain. ``came``: the interval lies *above* or *below* the margin, is *not
        settled*, or there is *no yield*. ``verdict`` of a promoted hybrid: *looks right* above,
        *looks wrong* below; of a dropped one the other way round; blank for others, since waiting
        takes no side.
    """
    table = last[["hybrid", "growing_season", "decision"]].merge(gains, on="hybrid", how="left")
    decided = now.drop_duplicates("hybrid").set_index("hybrid")["decision"]
    sides = [table["gain"].isna(), table["lower"] > margin, table["upper"] < margin]
    came = np.select(sides, [NO_YIELD, ABOVE, BELOW], OPEN)
    pairs = zip(table["decision"], came, strict=True)
    verdicts = [_VERDICTS.get((d, c), c) if d in (PROMOTE, DROP) else None for d, c in pairs]
    table = table.assign(
        now=table["hybrid"].map(decided),
        n_plots=table["n_plots"].astype("Int64"),
        came=came,
        verdict=pd.Series(verdicts, table.index, dtype="str"),
        place=table["decision"].map(DECISIONS.index),
    )
    columns = ["hybrid", "growing_season", "decision", "now", *gains.columns[1:], "came", "verdict"]
    by = ["place", "gain", "hybrid"]
    return table.sort_values(by, ascending=[True, False, True], ignore_index=True)[columns]


def last_words(compared: pd.DataFrame, season: int, control: str, *, margin: float = 0.0) -> str:
    """Say what was decided last, what came of it in the new season, and what is decided otherwise
    now.

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
    season_before, n = compared["growing_season"].iloc[0], compared["decision"].value_counts()
    said = ", ".join(f"{d} {n.get(d, 0)}" for d in DECISIONS if d != EARLY or d in n)
    said = f"The decisions after {season_before} were: {said}."
    taken = compared[compared["decision"].isin([PROMOTE, DROP])]
    waited = compared.loc[compared["decision"].eq(EARLY), "now"].value_counts()
    since = fmt_list([f"{d} {waited[d]}" for d in DECISIONS if d in waited])
    since = f"Of those it was too early to decide on then, now: {since}." if since else ""
    if taken.empty:
        return joined(said, "Waiting takes no side: none of them can look right or wrong.", since)
    least = f"{control} plus {fmt_share(margin)}" if margin else control
    told = [
        f"{said} Right or wrong is told by the cuts of {season} alone: by whether a hybrid's whole interval "
        f"lies above or below {least}."
    ]
    verbs = {RIGHT: ("looks right", "look right"), WRONG: ("looks wrong", "look wrong")}
    verbs |= {OPEN: ("is not settled", "are not settled")}
    verbs |= {NO_YIELD: (f"has no yield in {season}", f"have no yield in {season}")}
    for decision, own in taken.groupby("decision", sort=False):
        parts = []
        for verdict, verb in verbs.items():
            names = list(own.loc[own["verdict"] == verdict, "hybrid"])
            if n := len(names):
                parts.append(f"{n} {is_are(n, *verb)} ({fmt_list(names)})")
        done = "promoted" if decision == PROMOTE else "dropped"
        told.append(f"Of the {done}, {fmt_list(parts)}.")
    taken = taken[taken["now"].notna()]
    turned = taken[taken["now"] != taken["decision"]]
    named = fmt_list([f"{row.hybrid} ({row.decision} → {row.now})" for row in turned.itertuples()])
    if named:
        told.append(f"Of those promoted or dropped, decided otherwise now: {named}.")
    elif len(taken):
        told.append("None of them is decided otherwise now.")
    return joined(*told, since)
