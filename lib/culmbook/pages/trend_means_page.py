"""What the notebook on field variation says of the hybrids' means with and without the trend."""

import numpy as np
import pandas as pd

from culmbook.pages.trait_page import plot_side_by_side
from culmbook.pages.trend_page import Fields, TrialField, model_label
from culmbook.show.figures import named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, table
from culmbook.spatial.choice import contrasts
from culmbook.spatial.trend import BLOCKS
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share
from culmbook.text.words import marked, n_of
from culmbook.yields.means import hybrid_means


def show_means(fields: Fields, *, rank: int) -> tuple:
    """The hybrids' means under blocks only and under the trend, and how far their order changes."""
    sentences = [words for field in fields.shown if (words := _order_words(field))]
    found = (
        [finding(*sentences, rank=rank, label="Order of hybrids", see="trend-means-1")]
        if sentences
        else []
    )
    return (
        *found,
        *(
            part
            for number, field in enumerate(fields.shown, 1)
            for part in _means(field, number, fields)
        ),
    )


def model_means(field: TrialField, level: float = 0.95) -> pd.DataFrame:
    """Means of the hybrids under every model, in t/ha.

    Returns
    -------
    DataFrame
        ``measure`` (the model), ``hybrid, n_plots, mean, lower, upper``: means of log yield put back, which
        is what the middle plot gives.
    """
    frames = []
    for kind, means in field.choice.fits.items():
        own = hybrid_means(means, level=level, contrasts=contrasts)
        frames.append(
            own.assign(measure=kind, **{c: np.exp(own[c]) for c in ("mean", "lower", "upper")})
        )
    return pd.concat(frames, ignore_index=True)


def _order_words(field):
    if not field.other:
        return ""
    means = model_means(field).pivot(index="hybrid", columns="measure", values="mean")
    one, other = means[BLOCKS], means[field.other]
    change = other / one - 1
    moved = (other.rank(ascending=False) - one.rank(ascending=False)).abs()
    most = change.abs().idxmax()
    name, places = model_label(field.other, field), int(np.ceil(moved.max()))
    largest = change.abs().max()
    by = f"by up to {fmt_share(largest)} ({most})" if largest >= 0.01 else "by less than 1 %"
    ranks = f"ranks by up to {n_of(places, 'place')}" if places else "ranks not at all"
    first = (
        f"{one.idxmax()} comes first under both"
        if one.idxmax() == other.idxmax()
        else f"{one.idxmax()} comes first under blocks only, {other.idxmax()} under {name}"
    )
    return f"Trial {field.trial}: {first}; with {name} means change {by}, {ranks}."


def _means(field, number, fields):
    frame = model_means(field, fields.level)
    chosen = frame[frame["measure"].eq(field.choice.chosen)]
    names = list(chosen["hybrid"])
    panels = [BLOCKS] + ([field.other] if field.other else [])
    labels = dict.fromkeys(panels, "Dry yield [t/ha]")
    fig = plot_side_by_side(frame, panels, labels, fields.controls, names)
    for ax, name in zip(fig.axes, panels, strict=True):
        ax.set_title(model_label(name, field).capitalize())
    _same_axis(fig)
    spread = chosen.sort_values("mean")
    caption = (
        f"Trial {field.trial}, season {fields.season}: dry yield of the hybrids with {fields.percent} % "
        "intervals, side by side under "
        f"{fmt_list([model_label(n, field) for n in panels])}; hybrids in the order of the chosen model."
        f"{marked(names, fields.controls)}{named_words(len(names))}"
    )
    alt = (
        f"One line per hybrid and panel. Under {model_label(field.choice.chosen, field)} from "
        f"{fmt_number(spread['mean'].iloc[0], 1)} "
        f"({spread['hybrid'].iloc[0]}) to {fmt_number(spread['mean'].iloc[-1], 1)} t/ha "
        f"({spread['hybrid'].iloc[-1]})."
    )
    drawn = figure(
        fig,
        label=f"trend-means-{number}",
        data=frame.rename(columns={"measure": "model"}),
        caption=caption,
        alt=alt,
    )
    return (drawn, _means_table(frame, field, number, names, fields))


def _same_axis(fig):
    """One span of yields in all panels, so that they can be compared by eye."""
    limits = [ax.get_xlim() for ax in fig.axes]
    for ax in fig.axes:
        ax.set_xlim(min(low for low, _ in limits), max(high for _, high in limits))


def _means_table(frame, field, number, names, fields):
    wide = frame.pivot(index="hybrid", columns="measure", values="mean")[list(field.choice.fits)]
    plots = field.choice.best.n_plots
    rows = wide.reindex(names).rename_axis("hybrid").reset_index()
    rows = rows.assign(
        n_plots=plots.reindex(names).to_numpy(), is_control=rows["hybrid"].isin(fields.controls)
    )
    columns = {"hybrid": Column("Hybrid"), "n_plots": Column("Plots", kind="count")}
    columns |= {
        kind: Column(kind.capitalize(), "t/ha", digits=2, kind="number")
        for kind in field.choice.fits
    }
    return table(
        rows,
        label=f"trend-means-all-{number}",
        columns=columns,
        strong="is_control",
        caption=f"Trial {field.trial}: dry yield of the hybrids under every model.",
        note=(
            f"Chosen: {field.choice.chosen}. Means of log yield put back into t/ha: what the middle plot "
            "gives, a little below the "
            "plain mean. Controls in bold."
        ),
    )
