"""What a season found, as three frames made once from its executed notebooks.

Every short page (the glance, the short reports, the page of a hybrid) is drawn from these and from
nothing else, so that no two of them can print different numbers.
"""

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path

import pandas as pd

from culmbook.report.compose import read_notebook, shown_as
from culmbook.show.page import FIGURE_MIME, TABLE_MIME, TEXT_MIME, key_of

NETWORK = "network"
MEASURED, PREDICTED, PROVISIONAL = "measured", "predicted", "provisional"
CONTROL, NOT_MEASURED, ONE_SIDED = "control", "not measured", "one-sided"
NOT_ESTIMABLE, NOT_ASKED, NOT_MADE = "not estimable", "not asked", "not made"
HAS_VALUE = (MEASURED, PREDICTED, PROVISIONAL)
"""States of an answer that carry a value; the others say in words why there is none."""
_LABEL = re.compile(r'label="([a-z][a-z0-9-]*)"')
_NO_DATA = re.compile(r"has no usable rows|is missing|Not measured|no .* came in", re.IGNORECASE)


@dataclass(frozen=True)
class Book:
    """One executed notebook of one scope: its tables, figures and texts, and why labels show
    nothing.
    """

    scope: str
    name: str
    tables: dict = field(repr=False)
    figures: dict = field(repr=False)
    texts: list = field(repr=False)
    unanswered: dict = field(repr=False)

    @property
    def is_provisional(self) -> bool:
        return any(text["kind"] == "provisional" for text in self.texts)


def read_book(scope: str, path: Path) -> Book:
    """Read an executed notebook.

    A table that is not there is explained by the refusal under the cell that would have shown it.
    """
    tables, figures, texts, unanswered = {}, {}, [], {}
    for cell in read_notebook(path)["cells"]:
        tables |= {bundle["label"]: bundle for bundle in shown_as(cell, TABLE_MIME)}
        figures |= {bundle["label"]: bundle for bundle in shown_as(cell, FIGURE_MIME)}
        said = shown_as(cell, TEXT_MIME)
        texts += said
        reasons = [" ".join(t["sentences"]) for t in said if t["kind"] in ("refusal", "skipped")]
        unanswered |= dict.fromkeys(_LABEL.findall("".join(cell["source"])), " ".join(reasons))
    return Book(scope, path.stem, tables, figures, texts, unanswered)


@cache
def questions() -> pd.DataFrame:
    """What is asked of every hybrid, and which column of which table answers it.

    Returns
    -------
    DataFrame
        From ``answers.csv``, one row per question and scope: question, scope {network, site, both}, heading,
        better {up, down, blank}, notebook, label, value, interval, plots (columns of the table),
        against and difference (table and column of the interval of the difference from the
        control).
    """
    rows = csv.DictReader(files("culmbook.report").joinpath("answers.csv").open(encoding="utf-8"))
    return pd.DataFrame(list(rows))


def numbers(books: list[Book]) -> pd.DataFrame:
    """Give every number and word that a table prints, one row each.

    Returns
    -------
    DataFrame
        scope, notebook, label, key (what names the row), column, raw (unrounded; the lower end of
        an interval), raw_upper, shown (as printed), digits, state {measured, not estimable}.
    """
    rows = []
    for book in books:
        for label, bundle in book.tables.items():
            names = [column["name"] for column in bundle["columns"]]
            lines = zip(bundle["rows"], bundle["values"], strict=True)
            for number, (shown, raw) in enumerate(lines, 1):
                named = key_of(raw, names, bundle["key"])
                key = " · ".join("" if part is None else str(part) for part in named) or str(number)
                for column, printed, value in zip(bundle["columns"], shown, raw, strict=True):
                    low, high = value if isinstance(value, list) else (value, None)
                    state = NOT_ESTIMABLE if value in (None, [None, None]) else MEASURED
                    about = (book.scope, book.name, label, key, column["name"])
                    rows.append((*about, low, high, printed, column["digits"], state))
    columns = "scope notebook label key column raw raw_upper shown digits state"
    return pd.DataFrame(rows, columns=columns.split())


def sentences(books: list[Book]) -> pd.DataFrame:
    """Give what the notebooks say: findings, cautions, refusals, provisional notes, plain sentences.

    Returns
    -------
    DataFrame
        scope, notebook, kind, rank, label, text, first (its first sentence), see (label of the table or figure behind it); a
        refusal once, whatever else rests on it.
    """
    rows = [
        (b.scope, b.name, t["kind"], t["rank"], t["label"], " ".join(t["sentences"]))
        + (t["sentences"][0], t["see"])
        for b in books
        for t in b.texts
    ]
    columns = ["scope", "notebook", "kind", "rank", "label", "text", "first", "see"]
    said = pd.DataFrame(rows, columns=columns)
    said["kind"] = said["kind"].replace("skipped", "refusal")
    is_repeated = said.duplicated(["scope", "notebook", "text"]) & said["kind"].eq("refusal")
    return said[~is_repeated].reset_index(drop=True)


def answers(
    books: list[Book], entries: Mapping[str, list[str]], controls: list[str], season: int
) -> pd.DataFrame:
    """Give the answer to every question about every hybrid, or the state in which it is missing.

    Parameters
    ----------
    books : list of Book
        Of all scopes.
    entries : mapping of str to list of str
        Hybrids of each scope.
    controls : list of str
        The reference control first; may be empty.
    season : int
        Growing season.

    Returns
    -------
    DataFrame
        scope, hybrid, growing_season, question, value, lower, upper, shown and shown_interval (as
        printed), unit, kind, digits, n_plots, compared_with, versus {above, below, alike, blank: not compared},
        state, reason, notebook, label, column.
    """
    known, rows = {(book.scope, book.name): book for book in books}, []
    for scope, hybrids in entries.items():
        for asked in questions().itertuples():
            if asked.scope not in ("both", NETWORK if scope == NETWORK else "site"):
                continue
            book = known.get((scope, asked.notebook))
            found = _column_answers(book, asked)
            for hybrid in hybrids:
                answer = found.get(hybrid) or _missing(book, asked, hybrid, controls)
                rows.append({"scope": scope, "hybrid": hybrid, "question": asked.question} | answer)
    shown = pd.DataFrame(rows, columns=_ANSWER_COLUMNS)
    control = controls[0] if controls else ""
    is_other = shown["hybrid"] != control
    shown["compared_with"] = shown["versus"].ne("").mul(is_other).map({True: control, False: ""})
    return shown.assign(growing_season=season)


_ANSWER_COLUMNS = (
    "scope hybrid growing_season question value lower upper shown shown_interval unit kind digits n_plots "
    "compared_with versus state reason notebook label column"
).split()


def _column_answers(book: Book | None, asked) -> dict[str, dict]:
    """Give the answers of one table by hybrid; none where the table is not there."""
    table = book and book.tables.get(asked.label)
    if not table:
        return {}
    heads = {column["name"]: (at, column) for at, column in enumerate(table["columns"])}
    absent = {asked.value, asked.interval, asked.plots, "hybrid"} - {"", *heads}
    if absent:
        raise ValueError(
            f"answers.csv: the table {asked.label} of {asked.notebook} has no column "
            f"{', '.join(sorted(absent))}; the question {asked.question!r} rests on it"
        )
    versus, found = _differences(book, asked), {}
    for raw, printed in zip(table["values"], table["rows"], strict=True):
        cell = {name: (raw[at], printed[at]) for name, (at, _) in heads.items()}
        hybrid, (value, shown) = cell["hybrid"][0], cell[asked.value]
        ends, shown_ends = cell[asked.interval] if asked.interval else (None, "")
        low, high = ends or (None, None)
        plots = cell[asked.plots][0] if asked.plots else None
        if value is None and (low is None) == (high is None):
            continue
        state = PROVISIONAL if book.is_provisional else PREDICTED if plots == 0 else MEASURED
        found[hybrid] = {
            "value": value, "lower": low, "upper": high, "shown": shown,
            "shown_interval": shown_ends, "n_plots": plots, **{k: heads[asked.value][1][k] for k in ("unit", "kind", "digits")},
            "versus": versus.get(hybrid, ""), "state": ONE_SIDED if value is None else state,
            "reason": "", "notebook": asked.notebook, "label": asked.label, "column": asked.value,
        }  # fmt: skip
    return found


def _differences(book: Book, asked) -> dict[str, str]:
    """Say of each hybrid whether its difference from the control lies clear of none."""
    table = book.tables.get(asked.against)
    if not table:
        return {}
    names = [column["name"] for column in table["columns"]]
    hybrid, ends = names.index("hybrid"), names.index(asked.difference)
    return {row[hybrid]: _side(*(row[ends] or (None, None))) for row in table["values"]}


def _side(low: float | None, high: float | None) -> str:
    if low is None or high is None or isinstance(low, str) or isinstance(high, str):
        return ""
    return "above" if low > 0 else "below" if high < 0 else "alike"


def _missing(book: Book | None, asked, hybrid: str, controls: list[str]) -> dict:
    """Give the state of an answer that no row holds, with its reason."""
    reason = book.unanswered.get(asked.label, "") if book else ""
    is_reference = hybrid in controls[:1] and "{control}" in asked.heading
    if is_reference or (hybrid in controls and asked.scope == NETWORK):
        state, reason = CONTROL, ""
    elif book is None:
        state, reason = NOT_MADE, f"The section {asked.notebook} was not made."
    elif asked.label in book.tables and asked.question in ("reason", "change", "before"):
        state, reason = NOT_ASKED, "It was not among the candidates then."
    elif asked.label in book.tables:
        state, reason = NOT_MEASURED, "Nothing of it could be used for this."
    elif _NO_DATA.search(reason) or not reason:
        state, reason = NOT_MEASURED, reason or "There were no records for this."
    else:
        state = NOT_ESTIMABLE
    about = {"notebook": asked.notebook, "label": asked.label, "column": asked.value}
    return {
        "shown": state,
        "shown_interval": "",
        "versus": "",
        "state": state,
        "reason": reason,
        **about,
    }


def finite(value: object) -> bool:
    """Tell whether a raw cell is a number that can be drawn."""
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return is_number and math.isfinite(value)
