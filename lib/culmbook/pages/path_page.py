"""What the notebook on yield components says of paths to the yield, and of what gives way to what."""

from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from culmbook.pages.component_figures import label_of, plot_paths
from culmbook.pages.component_page import (
    NO_COMPONENTS,
    OUTCOME,
    SITE_BY_SITE,
    Components,
    covariances_of,
    in_words,
    with_units,
)
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.words import at_sites, n_of
from culmbook.yields.components import log_components
from culmbook.yields.paths import GENOTYPIC, PHENOTYPIC, compensation, path_intervals, paths_of

ON_PATHS = ["plants_per_m2", "stems_per_plant", "stem_height_cm", "stem_diameter_mm"]


def show_paths(part: Components) -> tuple:
    """Direct and indirect effects on the cut yield, among hybrids and among plots, or why there are none."""
    names = [n for n in ON_PATHS if n in part.plots and part.plots[n].notna().any()]
    if not part.reason and len(names) < 2:
        return (
            say("Fewer than two components were observed, so there are no paths.", kind="refusal"),
        )
    cov = covariances_of(part, names)
    if isinstance(cov, str):
        return (say(cov, kind="refusal"),)
    found = {
        among: _paths(cov, names, among, part.harvest.level) for among in (GENOTYPIC, PHENOTYPIC)
    }
    refused = [
        say(f"Among {_among(a, part)}: {in_words(f)}.", kind="refusal")
        for a, f in found.items()
        if isinstance(f, str)
    ]
    found = {a: f for a, f in found.items() if not isinstance(f, str)}
    if not found:
        return tuple(refused)
    notes = [
        say(f"Among {_among(a, part)}: {' '.join(p.notes)}", kind="caution")
        for a, (p, _) in found.items()
        if p.notes
    ]
    said = _path_words(found, part)
    return (*said, *refused, *notes, _path_figure(found, part), _path_table(found, names, part))


def _paths(cov, names, among, level):
    """Paths with their intervals, or why none; components in which hybrids do not differ are left out."""
    still = [n for n in names if among == GENOTYPIC and cov.between.loc[n, n] <= 0]
    names = [n for n in names if n not in still]
    if len(names) < 2:
        return "the hybrids differ in fewer than two components beyond what their plots do"
    try:
        paths = paths_of(cov, names, OUTCOME, among)
        limits = path_intervals(cov, names, OUTCOME, among, level=level)
    except ValueError as error:
        return str(error)
    if still:
        out = fmt_list([label_of(n).lower() for n in still])
        note = f"Left out: {out}, in which the hybrids do not differ beyond what their plots do."
        paths = replace(paths, notes=(note, *paths.notes))
    return paths, limits


def _among(among, part):
    return SITE_BY_SITE if part.is_wide and among == PHENOTYPIC else among


def _path_words(found, part):
    if GENOTYPIC not in found:
        return ()
    paths, limits = found[GENOTYPIC]
    limits = limits.sort_values("direct", ascending=False)
    top, clear = limits.iloc[0], limits[(limits["lower"] > 0) | (limits["upper"] < 0)]
    told = [
        f"{label_of(r.component).lower()} {fmt_number(r.direct, 2)} "
        f"({fmt_interval(r.lower, r.upper, 2, share=False)})"
        for r in clear.itertuples()
    ]
    if clear.empty:
        sentence = (
            f"Among hybrids no component's direct effect on yield is clear of 0; the largest is that "
            f"of {label_of(top['component']).lower()}, {fmt_number(top['direct'], 2)} "
            f"({fmt_interval(top['lower'], top['upper'], 2, share=False)})."
        )
    else:
        sentence = (
            f"Among hybrids, with the other components held still, yield goes directly with "
            f"{fmt_list(told)} (standard deviations of log yield per standard deviation of the log "
            f"component, {part.harvest.percent} % intervals)."
        )
    return (say(sentence),)


def _path_figure(found, part):
    fig = Figure(figsize=page_size(2.3 * len(found)), layout="constrained")
    axes = fig.subplots(len(found), 1, squeeze=False)[:, 0]
    for ax, (among, (paths, _)) in zip(axes, found.items(), strict=True):
        plot_paths(paths, OUTCOME, ax=ax)
        ax.set_title(f"among {_among(among, part)}")
    data = pd.concat([limits for _, limits in found.values()], ignore_index=True)
    words = [
        f"Among {_among(a, part)}: "
        + ", ".join(f"{label_of(n).lower()} {fmt_number(v, 2)}" for n, v in p.direct.items())
        for a, (p, _) in found.items()
    ]
    return figure(
        fig,
        label="paths",
        data=data,
        alt=f"Path diagrams with direct effects. {'; '.join(words)}.",
        caption="Paths to the cut yield: arrows are direct effects, broken ones negative; bows are "
        "correlations of the components; rest is what the "
        f"components leave open. All on log scales and standardised; {len(part.plots['hybrid'].unique())} "
        f"hybrids"
        f"{at_sites(part.plots)}.",
    )


def _path_table(found, names, part):
    rows = []
    for among, (paths, limits) in found.items():
        through = paths.effects.where(~np.eye(len(paths.direct), dtype=bool)).reindex(columns=names)
        through = through.add_prefix("through_").reset_index(drop=True)
        rows.append(
            pd.concat(
                [
                    limits.assign(
                        among=_among(among, part), label=limits["component"].map(label_of)
                    ).reset_index(drop=True),
                    through,
                ],
                axis=1,
            )
        )
    columns = {
        "among": Column("Among"),
        "label": Column("Component"),
        "direct": Column("Direct", digits=2, kind="number", meaning="Standardised direct effect."),
        "interval": Column(
            f"{part.harvest.percent} % interval", digits=2, kind="interval", ends=("lower", "upper")
        ),
        **{
            f"through_{n}": Column(
                f"Through {label_of(n).lower()}",
                digits=2,
                kind="number",
                meaning="Indirect effect.",
            )
            for n in names
        },
        "correlation": Column(
            "Correlation",
            digits=2,
            kind="number",
            meaning="With yield: direct plus all indirect effects.",
        ),
    }
    notes = [
        f"Among {_among(a, part)}: {fmt_share(p.explained)} of the variance of yield explained, "
        f"condition number {fmt_number(p.condition, 1)}"
        for a, (p, _) in found.items()
    ]
    return table(
        pd.concat(rows, ignore_index=True),
        label="path-effects",
        columns=columns,
        note="; ".join(notes) + ".",
        caption="Direct and indirect effects of the components on cut yield; a row adds up to its "
        "correlation.",
    )


# -- compensation ---------------------------------------------------------------------------------


def show_compensation(part: Components, *, rank: int) -> tuple:
    """Does one component give way where another is higher: finding and table, or why it is not known."""
    if part.reason:
        return (say(NO_COMPONENTS, kind="refusal"),)
    found, refused = [], []
    for second in ("stems_per_plant", "stem_mass_g"):
        try:
            logs = with_units(log_components(part.plots, ("plants_per_m2",), outcome=second))
            entry = logs.assign(
                hybrid=logs[["site", "trial", "hybrid"]].astype("str").agg(":".join, axis=1)
            )
            found.append(compensation(entry, "plants_per_m2", second, level=part.harvest.level))
        except ValueError as error:
            refused.append(
                say(
                    f"Plants against {label_of(second).lower()}: {in_words(str(error))}.",
                    kind="refusal",
                )
            )
    if not found:
        return tuple(refused)
    frame = pd.DataFrame(found).assign(
        pair=[f"{label_of(f.first)} and {label_of(f.second).lower()}" for f in found]
    )
    percent = part.harvest.percent
    columns = {
        "pair": Column("Components"),
        "n_plots": Column("Plots", kind="count"),
        "correlation": Column(
            "Partial correlation",
            digits=2,
            kind="number",
            meaning="Hybrids, replicates and treatments taken off.",
        ),
        "interval": Column(
            f"{percent} % interval", digits=2, kind="interval", ends=("lower", "upper")
        ),
        "slope": Column(
            "Slope",
            "% per %",
            digits=2,
            kind="number",
            meaning="Per cent of the second per per cent of the first.",
        ),
        "slope_interval": Column(
            f"{percent} % interval",
            "% per %",
            digits=2,
            kind="interval",
            ends=("slope_lower", "slope_upper"),
        ),
        "p_value": Column("p", kind="p"),
    }
    listed = table(
        frame,
        label="compensation",
        columns=columns,
        caption="Compensation within hybrids, from plot to plot.",
        note="Only pairs measured apart from each other: stems and their mass come from the same few "
        "plants, whose errors would look like compensation.",
    )
    said = " ".join(_compensation_sentence(f, percent) for f in found)
    return finding(said, rank=rank, label="Compensation", see="compensation"), *refused, listed


def _compensation_sentence(f, percent):
    name = {"stems_per_plant": "the number of stems per plant", "stem_mass_g": "the mass per stem"}[
        f.second
    ]
    if f.slope_lower <= 0 <= f.slope_upper:
        return f"Where plots of a hybrid had more plants, {name} did not clearly change."
    change, low, high = (
        100 * (1.1**slope - 1) for slope in (f.slope, f.slope_lower, f.slope_upper)
    )
    way = "lower" if change < 0 else "higher"
    low, high = sorted((abs(low), abs(high)))
    return (
        f"Where plots of a hybrid had 10 % more plants, {name} was {fmt_number(abs(change), 1)} % {way} "
        f"({percent} % interval {fmt_interval(low, high, 1, share=False, unit='%')}; "
        f"{n_of(f.n_plots, 'plot')})."
    )
