"""One page for each hybrid: what it is, what was decided, how it did at every site, what would
settle it.
"""

import pandas as pd

from culmbook.report.frames import HAS_VALUE, NETWORK, finite, questions
from culmbook.report.glance import cell_of, decision_of, glance_column, letter_of, ordered
from culmbook.report.markdown import words
from culmbook.text.numbers import fmt_list

COLUMNS = "established overwinter lt50 spring yield gain beats moisture lodging".split()
"""Questions with a column, sites in rows; the network's row has `winter` for `overwinter`."""
WHO = ("role", "crop_type", "propagation", "stage", "seed_lot")


def hybrid_pages(frames: dict, hybrids: pd.DataFrame) -> list[dict]:
    """Give the content of all pages, in the order of the network's glance.

    Parameters
    ----------
    frames : dict
        ``answers``, ``numbers`` and ``controls`` of a season.
    hybrids : DataFrame
        Table ``hybrids``.

    Returns
    -------
    list of dict
        ``hybrid, who, decision, said`` (pairs of label and sentence), ``columns``, ``rows`` (a
        place, its cells and yields by season), ``notes``.
    """
    answers, controls = frames["answers"], frames["controls"]
    known = {key: rows.set_index(["hybrid", "question"]) for key, rows in answers.groupby("scope")}
    decided = known.get(NETWORK, answers[:0].set_index(["hybrid", "question"]))
    places = sorted(set(known) - {NETWORK}) + [NETWORK] * (NETWORK in known)
    headings = questions().drop_duplicates("question").set_index("question")
    asked = [
        q for q in COLUMNS if answers.loc[answers["question"].eq(q), "state"].isin(HAS_VALUE).any()
    ]
    all_sites = answers.set_index(["hybrid", "question"])
    columns = [glance_column(all_sites, q, headings.loc[q], controls, False) for q in asked]
    seasons, lost = _season_yields(frames["numbers"]), _lost_plots(frames["numbers"])
    top = max((y for own in seasons.values() for _, y in own), default=1.0)
    about, made = hybrids.set_index("hybrid"), []
    for hybrid in ordered(list(all_sites.index.unique("hybrid")), decided, decided, controls):
        letters: dict[str, str] = {}
        rows = [
            _row(place, known[place], hybrid, asked, columns, controls, letters)
            | {"seasons": _drawn(seasons, place, hybrid, controls, top)}
            for place in places
            if (hybrid, "yield") in known[place].index
        ]
        verdict = decision_of(decided, hybrid, letters)
        made.append({
            "hybrid": hybrid, "who": _who(about.loc[hybrid]) if hybrid in about.index else "", "verdict": verdict,
            "said": _said(decided, hybrid, lost.get(hybrid, [])), "columns": columns, "rows": rows,
            "notes": [[letter, reason] for reason, letter in letters.items()],
        })  # fmt: skip
    return made


def _who(row: pd.Series) -> str:
    known = [str(row[name]) for name in WHO if pd.notna(row.get(name))]
    parents = [
        str(row[name]) for name in ("female_parent", "male_parent") if pd.notna(row.get(name))
    ]
    return words(" · ".join([*known, *[" × ".join(parents)] * bool(parents)]))


def _row(place: str, own, hybrid: str, asked, columns, controls, letters: dict) -> dict:
    """Give the cells of one place, each with the place of its control and its number of plots."""
    cells = []
    for question, column in zip(asked, columns, strict=True):
        question = "winter" if (place, question) == (NETWORK, "overwinter") else question
        cell = cell_of(own.loc[(hybrid, question)], column, {})
        plots, low, high = own.loc[(hybrid, question), "n_plots"], *column["ends"]
        reference = (
            own.loc[(controls[0], question)]
            if controls and (controls[0], question) in own.index
            else None
        )
        at = column["control"]
        if (
            at is None
            and reference is not None
            and reference["state"] in HAS_VALUE
            and finite(reference["value"])
        ):
            at = min(max((reference["value"] * column["factor"] - low) / (high - low), 0), 1)
        reason = own.loc[(hybrid, question), "reason"]
        note = {"note": letter_of(letters, reason)} if not cell["sign"] and reason else {}
        cells.append(
            {**cell, **note, "control": at, "plots": f"{plots:.0f}" if finite(plots) else ""}
        )
    return {"place": "All sites" if place == NETWORK else place, "cells": cells}


def _season_yields(numbers: pd.DataFrame) -> dict[tuple[str, str], list[tuple[int, float]]]:
    """Give season and yield [t/ha] by scope and hybrid, of the model over seasons."""
    own = numbers[
        numbers["label"].eq("season-yield-table") & numbers["column"].str.startswith("yield_t_ha_")
    ]
    found: dict = {}
    for row in own.itertuples():
        if finite(row.raw):
            season = int(row.column.rsplit("_", 1)[1])
            found.setdefault((row.scope, row.key), []).append((season, float(row.raw)))
    return {key: sorted(pairs) for key, pairs in found.items()}


def _drawn(seasons: dict, place: str, hybrid: str, controls: list[str], top: float) -> dict:
    """Give a hybrid's yields by season and the control's as places 0-1 in a frame from 0 to `top`."""
    own = seasons.get((place, hybrid), [])
    beside = seasons.get((place, controls[0]), []) if controls and controls[0] != hybrid else []
    years = sorted({season for season, _ in own + beside})

    def at(pairs):
        return [[(years.index(s) + 0.5) / len(years), 1 - y / (1.1 * top)] for s, y in pairs]

    return {
        "own": at(own),
        "control": at(beside),
        "years": [str(y) for y in years[:: max(len(years) - 1, 1)]],
    }


def _lost_plots(numbers: pd.DataFrame) -> dict[str, list[str]]:
    """Name the plots that each hybrid lost, with the reason."""
    own = numbers[numbers["label"].eq("lost-plots") & numbers["scope"].ne(NETWORK)]
    found: dict[str, list[str]] = {}
    for (scope, key), cells in own.groupby(["scope", "key"], sort=False):
        shown = cells.set_index("column")["shown"]
        plot = f"{scope} {key.split(' · ')[-1]} ({shown['status']}: {shown['status_reason'] or 'no reason given'})"
        found.setdefault(shown["hybrid"], []).append(plot)
    return found


def _said(decided: pd.DataFrame, hybrid: str, lost: list[str]) -> list[list[str]]:
    """Say why, what would change it, and what happened to its plots."""
    lines = []
    for question, label in (("reason", "Why"), ("change", "What would change it")):
        if (hybrid, question) in decided.index and decided.loc[
            (hybrid, question), "state"
        ] in HAS_VALUE:
            lines.append((label, decided.loc[(hybrid, question), "shown"]))
    lines += [("Plots not ok", f"{fmt_list(lost, 8)}.")] * bool(lost)
    return [[label, words(said)] for label, said in lines]
