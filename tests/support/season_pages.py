"""Executed notebooks of an invented season: every table that the short pages read, as wanted."""

from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
from nbformat.v4 import new_code_cell, new_notebook, new_output

from culmbook.report.frames import questions
from culmbook.show import page
from culmbook.show.headings import Column

TEXTS = {"decision": "drop", "before": "hold", "stand": "good", "reason": "Why.", "change": "What."}


def hybrids_of(n):
    """Names of n hybrids, the first the control."""
    return ["STD", *(f"H{k:03d}" for k in range(1, n))][:n]


def _cell(label, *shown):
    outputs = [new_output("display_data", data=thing._repr_mimebundle_()) for thing in shown]
    return new_code_cell(f'show.table(frame, label="{label}")', outputs=outputs)


def _table(label, rows, hybrids, values):
    frame, columns = pd.DataFrame({"hybrid": hybrids}), {"hybrid": Column("Hybrid")}
    for asked in rows.itertuples():
        given = values.get(asked.question, {})
        if asked.question in TEXTS:
            frame[asked.value] = [given.get(h, TEXTS[asked.question]) for h in hybrids]
            columns[asked.value] = Column(asked.value)
            continue
        step = np.linspace(-0.4, 0.4, len(hybrids))
        frame[asked.value] = [given.get(h, x) for h, x in zip(hybrids, step, strict=True)]
        columns[asked.value] = Column(asked.value, "u", 2, "number")
        for name in {asked.interval, asked.difference if asked.against == label else ""} - {""}:
            frame[name] = [(x - 0.1, x + 0.1) for x in frame[asked.value]]
            columns[name] = Column(name, "u", 2, "interval")
        if asked.plots:
            frame[asked.plots] = 4
            columns[asked.plots] = Column("Plots", kind="count")
    for asked in questions().query("against == @label and label != @label").itertuples():
        frame[asked.difference] = [(0.1, 0.3)] * len(hybrids)
        columns[asked.difference] = Column(asked.difference, "u", 2, "interval")
    return page.table(frame, columns, label=label, caption=f"Table {label}.")


def write_season(folder, hybrids, scopes=("S1", "network"), *, refused=(), values=None, more=()):
    """Write the notebooks of every scope.

    `refused` holds labels whose cell shows only its refusal; `values` maps question to hybrid to
    value; `more` are further things shown in notebook 70.
    """
    asked, made = questions(), {}
    labels = {(r.notebook, r.label) for r in asked.itertuples()}
    labels |= {(r.notebook, r.against) for r in asked.itertuples() if r.against}
    for scope in scopes:
        (Path(folder) / scope).mkdir(parents=True, exist_ok=True)
        for name in sorted({name for name, _ in labels}):
            cells = []
            for label in sorted(label for book, label in labels if book == name):
                why = page.ReportText("refusal", (f"Too few plots for {label}.",))
                rows = asked[asked["notebook"].eq(name) & asked["label"].eq(label)]
                shown = why if label in refused else _table(label, rows, hybrids, values or {})
                cells.append(_cell(label, shown))
            cells += [_cell("more", *more)] * (name.startswith("70") and bool(more))
            path = Path(folder) / scope / f"{name}.ipynb"
            nbformat.write(new_notebook(cells=cells), path)
            made.setdefault(scope, []).append(path)
    return made
