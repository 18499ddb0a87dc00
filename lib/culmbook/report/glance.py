"""The season on one page: a row for each hybrid, a column for each question, a mark in each cell.

A mark shows the estimate and its limits on one scale per column, the control as a hairline. What
is missing says so in words.
"""

import math
from importlib.resources import files
from string import ascii_lowercase

import pandas as pd

from culmbook.report.frames import CONTROL, HAS_VALUE, NETWORK, finite, questions
from culmbook.report.markdown import words
from culmbook.show.figures import short_name
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import n_of

MOST_ROWS = 40
"""Hybrids on the page; of more, the promoted and held and those nearest to them."""
SHOWN = {
    NETWORK: "gain beats worst established winter lt50 spring moisture lodging".split(),
    "site": "yield gain beats worst established overwinter lt50 spring moisture lodging".split(),
}
"""Questions with a column, in this order, after the decision."""
DECISIONS = ("promote", "hold", "too early", "drop")
"""In the order of the rows; a hybrid that was not decided on stands before those dropped."""
HEADLINES = {NETWORK: (1, 51, 20, 30), "site": (51, 20, 30)}
"""Ranks of the findings of which the first that is there is the headline."""
LEGEND = (
    "dot: clearly unlike the control; ring: not distinguished from it; tick: not compared. Upright line: the control. "
    "Lines: 95 % limits, cut at the frame. A last decision in grey is this season's too."
)


def glance(answers: pd.DataFrame, said: pd.DataFrame, scope: str, controls: list[str]) -> dict:
    """Give the page's content.

    Parameters
    ----------
    answers, said : DataFrame
        As `culmbook.report.frames.answers` and `sentences` give them, of all scopes.
    scope : str
        A site, or ``network``.
    controls : list of str
        The reference control first.

    Returns
    -------
    dict
        ``headline``; ``order`` (all hybrids); ``decided`` (heading of the decisions, blank where there are none); ``columns`` (heading, unit, scale, better, control as a place 0-1 or None);
        ``rows`` (hybrid, is_control, decision, chance, before, cells of text, note, place, low,
        high, sign); ``below`` (pairs of label and sentence); ``notes`` (pairs of letter and
        reason); ``legend``.
    """
    own = answers[answers["scope"].eq(scope)].set_index(["hybrid", "question"])
    decided = answers[answers["scope"].eq(NETWORK)].set_index(["hybrid", "question"])
    hybrids = ordered(list(own.index.unique("hybrid")), decided, own, controls)
    kept, left_out = hybrids[:MOST_ROWS], hybrids[MOST_ROWS:]
    if left_out:  # the controls stay
        kept = [h for h in hybrids if h not in controls][: MOST_ROWS - len(controls)]
        kept += [h for h in hybrids if h in controls]
        left_out = [h for h in hybrids if h not in kept]
    headings = questions().drop_duplicates("question").set_index("question")
    known = set(own.index.unique("question"))
    wanted = [q for q in SHOWN[NETWORK if scope == NETWORK else "site"] if q in known]
    asked = [q for q in wanted if any(own["state"].xs(q, level="question").isin(HAS_VALUE))]
    letters: dict[str, str] = {}
    columns = [glance_column(own, q, headings.loc[q], controls) for q in asked]
    rows = [
        {
            "hybrid": short_name(hybrid),
            "is_control": hybrid in controls,
            **decision_of(decided, hybrid, letters),
            "cells": [cell_of(own.loc[(hybrid, q)], c, letters) for q, c in zip(asked, columns)],
        }
        for hybrid in kept
    ]
    any_decided = any(row["decision"] in DECISIONS for row in rows)
    if not asked and not any_decided:
        rows, letters = [], {}
    unasked = [q for q in wanted if q not in asked]
    return {
        "headline": _headline(said, scope),
        "order": hybrids,
        "columns": columns,
        "rows": rows,
        "below": _below(
            said,
            scope,
            _left_out(decided, hybrids if not rows else left_out),
            _not_answered(own, unasked, headings, controls),
        ),
        "notes": [[letter, reason] for reason, letter in letters.items()],
        "legend": LEGEND,
        "decided": ("Decision" if scope == NETWORK else "Decision of the network") * any_decided,
        "name_mm": min(
            max(1.65 * max((len(row["hybrid"]) for row in rows), default=0) + 4, 14), 44
        ),
        "row_mm": min(5.2, 121 / max(len(rows), 1)),
    }


def _value(frame: pd.DataFrame, hybrid: str, question: str):
    """Give a value where there is one, else None."""
    if (hybrid, question) not in frame.index:
        return None
    row = frame.loc[(hybrid, question)]
    return row["value"] if row["state"] in HAS_VALUE else None


def ordered(hybrids: list[str], decided, own, controls: list[str]) -> list[str]:
    """Sort by decision, then chance, gain and yield, an answer that is missing never first or as
    the worst by itself; controls last.
    """

    def place(hybrid):
        decision = _value(decided, hybrid, "decision")
        ranks = [
            _value(f, hybrid, q) for f, q in ((decided, "chance"), (own, "gain"), (own, "yield"))
        ]
        order = DECISIONS.index(decision) if decision in DECISIONS else 2.5
        values = [-v if finite(v) else 0.0 for v in ranks]
        if hybrid in controls:
            return 4, controls.index(hybrid)
        return order, *values, hybrid

    return sorted(hybrids, key=place)


def decision_of(decided: pd.DataFrame, hybrid: str, letters: dict) -> dict:
    """Give a hybrid's decision, its chance and the decision before as words for its row."""
    found = {}
    for question in ("decision", "chance", "before"):
        row = decided.loc[(hybrid, question)] if (hybrid, question) in decided.index else None
        found[question] = "not decided" if row is None else row["shown"]
        if (
            row is not None
            and row["state"] not in HAS_VALUE
            and row["reason"]
            and question != "chance"
        ):
            found[f"{question}_note"] = letter_of(letters, row["reason"])
    if _value(decided, hybrid, "chance") is None:
        found["chance"] = ""
    return found | {"is_strong": found["decision"] == "promote"}


def letter_of(letters: dict[str, str], reason: str) -> str:
    """Give the footnote's letter of a reason, a new one for a new reason."""
    at = len(letters)
    name = (
        ascii_lowercase[at]
        if at < 26
        else f"{ascii_lowercase[at // 26 - 1]}{ascii_lowercase[at % 26]}"
    )
    return letters.setdefault(reason, name)


def glance_column(
    own, question: str, about, controls: list[str], is_one_place: bool = True
) -> dict:
    """Give a column's heading, unit, scale and, at one place, where its control stands."""
    rows = own.xs(question, level="question")
    factor = 100 if rows["kind"].eq("share").any() else 1
    values = [v * factor for v in rows["value"] if finite(v)]
    ends = [v * factor for end in ("lower", "upper") for v in rows[end] if finite(v)]
    is_difference = about["difference"] and about["against"] == about["label"]
    control = _value(own, controls[0], question) if controls and is_one_place else None
    at = 0.0 if is_difference else control * factor if finite(control) else None
    low, high = _scale(values + ([at] if at is not None else []), ends)
    if factor == 100 and not is_difference:
        low, high = (max(low, 0), min(high, 100)) if about["interval"] else (0, 100)
    name = controls[0] if controls else "the control"
    return {
        "heading": about["heading"].format(control=short_name(name)),
        "unit": next(filter(None, rows["unit"].fillna("")), ""),
        "scale": [_plain(low), _plain(high)],
        "better": about["better"],
        "control": None if at is None or not controls else (at - low) / (high - low),
        "ends": [low, high],
        "factor": factor,
    }


def _scale(values: list[float], ends: list[float]) -> tuple[float, float]:
    """Give round ends that hold all estimates and, where it does not squeeze them, their limits."""
    low, high = min(values), max(values)
    reach = (high - low) or abs(high) or 1
    low, high = (max(min([low, *ends]), low - reach / 2), min(max([high, *ends]), high + reach / 2))
    size = 10 ** math.floor(math.log10((high - low) or reach))
    step = next(s * size for s in (0.1, 0.2, 0.5, 1) if (high - low) / (s * size) <= 12)
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return (low, high) if high > low else (low - step, high + step)


def _plain(value: float) -> str:
    return fmt_number(value, 0 if float(value).is_integer() else 1)


def cell_of(row: pd.Series, column: dict, letters: dict) -> dict:
    """Give an answer as its cell: number and mark, or its state in words with a letter to the reason."""
    if row["state"] not in HAS_VALUE:
        note = letter_of(letters, row["reason"]) if row["reason"] else ""
        said = row["state"] if row["state"] != "one-sided" else row["shown_interval"]
        return {"text": words(said), "note": note, "sign": ""}
    low, high = column["ends"]

    def place(value):
        inside = finite(value)
        return min(max((value * column["factor"] - low) / (high - low), 0), 1) if inside else None

    signs = {"above": "dot", "below": "dot", "alike": "ring"}
    cell = {"text": words(row["shown"]), "note": "", "sign": signs.get(row["versus"], "tick")}
    return cell | {
        k: place(row[n]) for k, n in (("at", "value"), ("low", "lower"), ("high", "upper"))
    }


def _headline(said: pd.DataFrame, scope: str) -> str:
    found = said[said["scope"].eq(scope) & said["kind"].eq("finding")].set_index("rank")["first"]
    ranks = [r for r in HEADLINES[NETWORK if scope == NETWORK else "site"] if r in found.index]
    if ranks:
        return words(found.loc[[ranks[0]]].iloc[0])
    return words("No hybrid can be judged from these data." if found.empty else found.iloc[0])


def _not_answered(own: pd.DataFrame, unasked: list[str], headings, controls: list[str]) -> str:
    """Name the questions that nobody has an answer to, with the reason of each."""
    by_reason: dict[str, list[str]] = {}
    for question in unasked:
        rows = own.xs(question, level="question")
        reasons = rows.loc[rows["state"].ne(CONTROL), "reason"]
        named = headings.loc[question, "heading"].format(
            control=controls[0] if controls else "the control"
        )
        word = named if named[1:2].isupper() else named[:1].lower() + named[1:]  # LT50 stays
        by_reason.setdefault(next(iter(reasons), ""), []).append(word)
    return " ".join(f"Not answered: {fmt_list(named)}. {why}" for why, named in by_reason.items())


def _left_out(decided: pd.DataFrame, hybrids: list[str]) -> str:
    """Count the hybrids without a row by decision; blank for none."""
    if not hybrids:
        return ""
    made = pd.Series([_value(decided, hybrid, "decision") for hybrid in hybrids]).value_counts()
    counts = ", ".join(f"{name} {made[name]}" for name in DECISIONS if name in made)
    counts = f"{counts}; " * bool(len(made))
    return f"{n_of(len(hybrids), 'hybrid')} ({counts}{fmt_list(hybrids, 12)}): see the full record."


def _below(said: pd.DataFrame, scope: str, left_out: str, not_answered: str) -> list[list[str]]:
    """Give what becomes of the highest yield, what is provisional, what is open and what is to be
    done now.
    """
    own = said[said["scope"].eq(scope)]
    provisional = own.loc[own["kind"].eq("provisional"), "text"].unique()
    findings = own[own["kind"].eq("finding")].drop_duplicates("rank").set_index("rank")["first"]
    lines = [
        *[("Highest yield", why) for why in findings.reindex([2]).dropna() if scope == NETWORK],
        ("Provisional", " ".join(provisional) or "Nothing of this is provisional."),
        ("Open", " ".join([*findings.reindex([3]).dropna(), not_answered]).strip() or "Every question of this table is answered."),
        ("To do now", " ".join(findings.reindex([60, 80]).dropna()) or "Nothing is due."),
    ]  # fmt: skip
    return [[k, words(v)] for k, v in [*lines, *[("Not shown", left_out)] * bool(left_out)]]


def glance_html(page: dict, title: str) -> str:
    """Give the glance as one HTML file without scripts; `page` as from :func:`glance`."""
    from jinja2 import Environment  # only where pages are written

    environment = Environment(autoescape=True)
    source = files("culmbook.report").joinpath("template/glance.html").read_text(encoding="utf-8")
    return environment.from_string(source).render(page=page, title=title).replace("\u200b", "")
