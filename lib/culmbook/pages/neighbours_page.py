"""What the notebook on field variation says of neighbouring plots and of plots on the border."""

import numpy as np
import pandas as pd

from culmbook.mixed import residuals
from culmbook.pages.trend_figures import variogram_figure
from culmbook.pages.trend_page import IN_WORDS, Fields, model_label
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.spatial.border import border_effects
from culmbook.spatial.neighbours import Moran, moran_of_residuals, rook_neighbours, variogram
from culmbook.spatial.trend import BLOCKS, ROWS_COLUMNS
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share

CLEAR = 0.05
LIKENESS = {
    "none": "no clear likeness of neighbouring plots",
    "alike": "neighbouring plots are alike",
    "unlike": "neighbouring plots are less alike than chance has it",
}


def show_neighbours(fields: Fields) -> tuple:
    """Are neighbouring plots alike before and after the trend is taken out? Moran's I and variograms."""
    placed = [field for field in fields.shown if not field.no_place]
    rows = [row for field in placed for row in _moran_rows(field)]
    refused = [
        say(
            f"Trial {field.trial}: {field.no_place}; so nothing is said of neighbours.",
            kind="refusal",
        )
        for field in fields.shown
        if field.no_place
    ]
    refused += [
        say(f"Trial {row['trial']}: {row['why']}.", kind="refusal") for row in rows if row["why"]
    ]
    frame = pd.DataFrame([row for row in rows if not row["why"]])
    if frame.empty:
        return tuple(refused)
    found = say(*[_moran_words(own) for _, own in frame.groupby("trial")])
    drawn = [_variogram(field, number, fields) for number, field in enumerate(placed, 1)]
    return (found, _moran_table(frame, fields), *refused, *drawn)


def _moran_rows(field):
    models = {BLOCKS: field.choice.blocks, field.other: field.choice.fits.get(field.other)}
    for name, means in models.items():
        if means is None:
            continue
        try:
            moran = moran_of_residuals(
                means.fit, rook_neighbours(means.fit.data["row"], means.fit.data["column"])
            )
        except ValueError as error:
            yield {"trial": field.trial, "why": str(error)}
            return
        yield _moran_row(field, name, moran)


def _moran_row(field, name, moran: Moran):
    return {
        "trial": field.trial,
        "model": name,
        "i": moran.i,
        "expected": moran.expected,
        "p": moran.p,
        "n": moran.n,
        "is_chosen": name == field.choice.chosen,
        "why": "",
    }


def _moran_words(own):
    before = own.iloc[0]
    likeness = LIKENESS[_likeness(before)]
    sentence = (
        f"Trial {before['trial']}: with blocks only {likeness} (Moran's I {_moran_numbers(before)})"
    )
    if len(own) == 1:
        return sentence + "."
    after = own.iloc[1]
    same = "still " if _likeness(after) == _likeness(before) else ""
    chosen, name = (
        "" if after["is_chosen"] else " (not chosen)",
        IN_WORDS.get(after["model"], after["model"]),
    )
    likeness = LIKENESS[_likeness(after)]
    return f"{sentence}; with {name}{chosen} {same}{likeness} ({_moran_numbers(after)})."


def _likeness(row):
    if row["p"] >= CLEAR:
        return "none"
    return "alike" if row["i"] > row["expected"] else "unlike"


def _moran_numbers(row):
    return (
        f"{fmt_number(row['i'], 2)}, {fmt_number(row['expected'], 2)} expected, {fmt_p(row['p'])}"
    )


def _moran_table(frame, fields):
    columns = {
        "trial": Column("Trial"),
        "model": Column("Model"),
        "n": Column("Plots", kind="count"),
        "i": Column("Moran's I", digits=2, kind="number"),
        "expected": Column(
            "Expected",
            digits=2,
            kind="number",
            meaning="Mean over residuals drawn from the model, in which plots' errors are independent.",
        ),
        "p": Column(
            "p",
            kind="p",
            meaning="Share of 999 drawn residuals whose I is as far from the mean, two-sided.",
        ),
    }
    return table(
        frame,
        label="neighbours",
        columns=columns,
        strong="is_chosen",
        caption=f"Likeness of neighbouring plots' residuals, season {fields.season}.",
        note=(
            "In bold: the model chosen. Neighbours share a side; each pair counts once (binary weights). "
            "Expected is below zero "
            "because a model's residuals are tied together by what it takes off."
        ),
    )


def _variogram(field, number, fields):
    names = [BLOCKS] + ([field.other] if field.other else [])
    fits = {name: field.choice.fits[name].fit for name in names}
    tables = {
        model_label(name, field): variogram(residuals(fit), fit.data["row"], fit.data["column"])
        for name, fit in fits.items()
    }
    data = pd.concat([each.assign(model=name) for name, each in tables.items()], ignore_index=True)
    near = data[data["distance"].eq(1)]
    told = fmt_list(
        [
            f"{row.model}, {row.direction}, neighbours {fmt_number(row.semivariance, 3)}"
            for row in near.itertuples()
        ]
    )
    return figure(
        variogram_figure(tables),
        label=f"variogram-{number}",
        data=data,
        alt=f"Semivariance against distance. {told}.",
        caption=(
            f"Trial {field.trial}: half the mean squared difference of two plots' residuals by their "
            "distance, with rows and "
            "with columns between them. Lower at short distances: neighbours are alike. Open marks: fewer "
            "than 30 pairs."
        ),
    )


def show_borders(fields: Fields, *, rank: int) -> tuple:
    """Do plots on the border of a trial yield more?"""
    frames, refused = [], []
    for field in fields.shown:
        kind = ROWS_COLUMNS if ROWS_COLUMNS in field.choice.fits else BLOCKS
        found, why = border_effects(field.records, field.plots, kind, level=fields.level)
        frames.append(found.assign(trial=field.trial, model=kind))
        refused += [
            say(f"Trial {field.trial}, {name}: {reason}.", kind="refusal")
            for name, reason in why.items()
        ]
    rows = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    if rows.empty:
        return tuple(refused)
    rows = rows.assign(**{c: np.expm1(rows[c]) for c in ("estimate", "lower", "upper")})
    clear = rows[(rows["lower"] > 0) | (rows["upper"] < 0)]
    if clear.empty:
        widest = rows.loc[(rows["upper"] - rows["lower"]).idxmax()]
        told = say(
            "No plots on a border clearly yield more or less than the others. The widest interval, of trial "
            f"{widest['trial']}, {widest['border']}, is {fmt_interval(widest['lower'], widest['upper'])}."
        )
    else:
        told = finding(_border_words(clear, fields), rank=rank, label="Borders", see="borders")
    return (told, _border_table(rows, fields), *refused)


def _border_words(clear, fields):
    parts = [
        f"in trial {row.trial} plots in the {row.border} yielded {fmt_share(abs(row.estimate))} "
        f"{'more' if row.estimate > 0 else 'less'} than inner ones ({fields.percent} % interval "
        f"{fmt_interval(row.lower, row.upper)})"
        for row in clear.itertuples()
    ]
    text = fmt_list(parts)
    return f"{text[0].upper()}{text[1:]}."


def _border_table(rows, fields):
    columns = {
        "trial": Column("Trial"),
        "border": Column("Border"),
        "n_border": Column("Plots there", kind="count"),
        "n_inner": Column("Other plots", kind="count"),
        "estimate": Column("Difference in yield", kind="share"),
        "interval": Column(
            f"{fields.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "p": Column("p", kind="p"),
        "model": Column("Model"),
    }
    return table(
        rows,
        label="borders",
        columns=columns,
        caption="Yield of plots on the borders of a trial against the others.",
        note=(
            "Hybrids, replicates, planting treatments and the model's trend taken off. Guards and lost "
            "plots count when it is "
            "said where a border is."
        ),
    )
