"""Sentences about a field's unevenness."""

import numpy as np
import pandas as pd

from culmbook.spatial.trend import BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS, FieldModels
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of

# Criteria no further apart hardly tell which model is nearer the truth (common practice).
CLOSE = 2.0
CLEAR = 0.05
IN_WORDS = {
    BLOCKS: "blocks only",
    SURFACE: "a smooth surface",
    SURFACE_ROWS_COLUMNS: "a smooth surface with rows and columns",
}


def model_label(models: FieldModels, trial: str, model: str) -> str:
    """How a model is called beside others, and whether it was chosen."""
    label = IN_WORDS.get(model, model)
    return label if model in (BLOCKS, models.chosen[trial]) else f"{label} (not chosen)"


def choice_words(models: FieldModels) -> list[str]:
    """Which trend describes each trial best: uneven fields first, then those that blocks describe."""
    table = models.table.set_index(["trial", "model"])
    n_models = models.table.groupby("trial").size()
    told = [
        _chosen(table, trial, n_models[trial])
        for trial, kind in models.chosen.items()
        if kind != BLOCKS
    ]
    even = [t for t, kind in models.chosen.items() if kind == BLOCKS and n_models[t] > 1]
    alone = [t for t in models.chosen if n_models[t] == 1]
    if even:
        told.append(f"In {_trials(even)} no trend over the field shows beyond the blocks.")
    if alone:
        told.append(
            f"In {_trials(alone)} blocks alone were fitted, so nothing is known of a trend."
        )
    return told


def _trials(names):
    return f"trial{'s' if len(names) > 1 else ''} {fmt_list(names)}"


def _chosen(table, trial, n_models):
    kind = table.loc[trial].query("is_chosen").index[0]
    gain = table.loc[(trial, kind), "efficiency"] - 1
    close = ", blocks only close behind" if table.loc[(trial, BLOCKS), "above_best"] < CLOSE else ""
    verb = "describe" if kind == ROWS_COLUMNS else "describes"
    best = f"Of {n_models} models {IN_WORDS.get(kind, kind)} {verb} the yields of trial {trial} best{close}"
    if gain > 0.005:
        return f"{best}; correcting for the trend is worth {fmt_share(gain)} more replicates."
    return f"{best}. Correcting for the field's trend does not sharpen the comparison."


def suspect_words(suspects: pd.DataFrame) -> str:
    """Plots far off what the other plots let expect; blank for none."""
    if suspects.empty:
        return ""
    named = [
        f"{row.plot} ({row.hybrid}, {fmt_number(row.factor, 1)} times what the other plots let expect)"
        for row in suspects.itertuples()
    ]
    return (
        f"Look first at plot{'s' if len(named) > 1 else ''} {fmt_list(named)}: a slip of the pen or of "
        "the scales is likelier than such a place."
    )


def neighbour_words(morans: pd.DataFrame) -> list[str]:
    """Are neighbouring plots alike, trial by trial, before and after the trend is taken off?"""
    told = []
    for trial, own in morans[morans["reason"].eq("")].groupby("trial"):
        parts = [
            f"with {IN_WORDS.get(row.model, row.model)} {_likeness(row)} (Moran's I "
            f"{fmt_number(row.i, 2)}, {fmt_number(row.expected, 2)} expected, {fmt_p(row.p)})"
            for row in own.itertuples()
        ]
        told.append(f"Trial {trial}: {'; '.join(parts)}.")
    return told


def _likeness(row):
    if row.p >= CLEAR:
        return "neighbouring plots are not clearly alike"
    if row.i > row.expected:
        return "neighbouring plots are alike"
    return "neighbouring plots are less alike than chance has it"


def border_words(borders: pd.DataFrame, level: float) -> str:
    """Which borders yield clearly more or less than inner plots."""
    clear = borders[(borders["lower"] > 0) | (borders["upper"] < 0)]
    if clear.empty:
        widest = borders.loc[(borders["upper"] - borders["lower"]).idxmax()]
        return (
            "No plots on a border clearly yield more or less than the others. The widest interval, of trial "
            f"{widest['trial']}, {widest['border']}, is {fmt_interval(widest['lower'], widest['upper'])}."
        )
    parts = [
        f"in trial {row.trial} plots in the {row.border} yielded {fmt_share(abs(row.estimate))} "
        f"{'more' if row.estimate > 0 else 'less'} than inner ones ({round(100 * level)} % interval "
        f"{fmt_interval(row.lower, row.upper)})"
        for row in clear.itertuples()
    ]
    text = fmt_list(parts)
    return f"{text[0].upper()}{text[1:]}."


def order_words(models: FieldModels, means: pd.DataFrame) -> list[str]:
    """How far the hybrids' means and their order move with the trend, trial by trial.

    Raises
    ------
    Refusal
        Blocks only were fitted to every trial.
    """
    if not models.other:
        raise Refusal("Blocks alone were fitted, so there are no two sets of means to compare.")
    told = []
    for trial, kind in models.other.items():
        wide = means[means["trial"].eq(trial)].pivot(index="hybrid", columns="model", values="mean")
        one, other, name = wide[BLOCKS], wide[kind], model_label(models, trial, kind)
        change = (other / one - 1).abs()
        moved = (other.rank(ascending=False) - one.rank(ascending=False)).abs()
        places = int(np.ceil(moved.max()))
        by = (
            f"by up to {fmt_share(change.max())} ({change.idxmax()})"
            if change.max() >= 0.01
            else "by less than 1 %"
        )
        ranks = f"ranks by up to {n_of(places, 'place')}" if places else "ranks not at all"
        first = f"{one.idxmax()} comes first under both"
        if one.idxmax() != other.idxmax():
            first = f"{one.idxmax()} comes first under blocks only, {other.idxmax()} under {name}"
        told.append(f"Trial {trial}: {first}; with {name} means change {by}, {ranks}.")
    return told
