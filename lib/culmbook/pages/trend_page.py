"""What the notebook on field variation says of each field: maps, and which trend describes it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.mixed import left_out
from culmbook.pages.trend_figures import trend_maps
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.spatial.border import plot_parts
from culmbook.spatial.choice import CANDIDATES, TrendChoice, choose_trend
from culmbook.spatial.trend import (
    BLOCKS,
    ROWS_COLUMNS,
    SURFACE,
    SURFACE_ROWS_COLUMNS,
    refuse_unplaced,
    trial_records,
)
from culmbook.text.numbers import MINUS, fmt_list, fmt_number, fmt_share
from culmbook.text.words import is_are, n_of
from culmbook.trials.entries import controls_of, without_guards
from culmbook.yields.harvest import plot_harvests

STANDS_OUT = 3.5  # errors of a left-out plot beyond so many of their standard deviations
LAYOUT = ["plot", "row", "column", "replicate", "block", "main_plot", "hybrid"]
CLOSE = (
    2.0  # criteria no further apart hardly tell which model is nearer the truth (common practice)
)
IN_WORDS = {
    BLOCKS: "blocks only",
    SURFACE: "a smooth surface",
    SURFACE_ROWS_COLUMNS: "a smooth surface with rows and columns",
}
OPTIMISM = (
    "The trend was chosen with the same plots that the means come from, so what it seems to gain is a little "
    "flattered: among several models the one that suits chance best has an advantage."
)

CHOICE_COLUMNS = {
    "trial": Column("Trial"),
    "model": Column("Model"),
    "above_best": Column(
        "Criterion above the best",
        digits=1,
        kind="number",
        meaning=(
            "Akaike's criterion of the restricted likelihood less that of the best model of the trial."
        ),
    ),
    "parameters": Column("Variances and correlations", kind="count"),
    "error": Column(
        "Error of left-out plots",
        digits=3,
        kind="number",
        meaning="Root mean square difference of log yield from the prediction by the other plots.",
    ),
    "n_left_out": Column("Plots left out in turn", kind="count"),
    "se": Column(
        "Standard error of a difference",
        digits=3,
        kind="number",
        meaning="Root of the mean variance of a difference of two hybrids' means of log yield.",
    ),
    "efficiency": Column(
        "Efficiency",
        kind="share",
        meaning="Mean variance of a difference under blocks only over the model's.",
    ),
}


@dataclass(frozen=True)
class TrialField:
    """One trial in one season.

    ``reason`` why nothing is said of it, blank where something is; ``plots`` all its plots, guards and lost
    ones too; ``records`` the plots used; ``choice`` the trends; ``parts`` each used plot's yield in parts.
    """

    trial: str
    reason: str
    plots: pd.DataFrame
    records: pd.DataFrame
    n_nothing: int = 0
    choice: TrendChoice | None = None
    parts: pd.DataFrame | None = None

    @property
    def other(self) -> str:
        """The trend shown beside blocks only: the chosen or next best one; blank where there is none."""
        rest = self.choice.table["aic"].drop(BLOCKS)
        return "" if rest.empty else str(rest.idxmin())

    @property
    def no_place(self) -> str:
        """Why plots have no neighbours and no map; blank where they have."""
        try:
            refuse_unplaced(self.records)
        except ValueError as error:
            return str(error)
        return ""


@dataclass(frozen=True)
class Fields:
    """The trials of a site in one season."""

    site: str
    season: int
    reason: str
    trials: list
    controls: list
    level: float

    @property
    def shown(self) -> list:
        return [field for field in self.trials if not field.reason]

    @property
    def percent(self) -> int:
        return round(100 * self.level)


def fields_of(
    network, site: str, season: int, *, level: float = 0.95, candidates=CANDIDATES
) -> Fields:
    """Fit the trends of every trial of a site that was cut.

    Parameters
    ----------
    network : Network
        As :func:`culmbook.trials.seasons.of_season` gives it.
    site : str
    season : int
        Growing season; it is cut the late winter after.
    level : float
        Confidence of every interval, 0-1.
    candidates : sequence of str
        Of :data:`culmbook.spatial.trend.KINDS`.

    Returns
    -------
    Fields
    """
    reason = network.stopped(site, "harvests") or network.stopped(site, "plots") or ""
    if reason:
        return Fields(site, season, reason, [], controls_of(network), level)
    all_plots = network.tables["plots"]
    plots = without_guards(all_plots, network.tables["hybrids"])
    harvests = plot_harvests(network.tables["harvests"], plots, network.problems)
    harvests = harvests[harvests["growing_season"].eq(season)]
    trials = [
        _trial_field(
            str(trial), own, harvests[harvests["trial"].eq(trial)], plots, season, candidates
        )
        for trial, own in all_plots.groupby("trial", sort=True)
    ]
    return Fields(
        site,
        season,
        "" if trials else "There are no plots at this site.",
        trials,
        controls_of(network),
        level,
    )


def _trial_field(trial, own, harvests, plots, season, candidates):
    empty = harvests.iloc[:0]
    if harvests.empty:
        return TrialField(
            trial, f"No plot of it has a row for season {season} in the table harvests.", own, empty
        )
    used = harvests[harvests["left_out"].isna() & harvests["dry_yield_t_ha"].notna()]
    nothing = int(used["dry_yield_t_ha"].le(0).sum())
    if used.empty or nothing == len(used):
        why = (
            fmt_list(sorted(harvests["left_out"].dropna().unique()))
            if used.empty
            else "every plot gave nothing"
        )
        return TrialField(
            trial, f"No plot of it has a yield that can be used ({why}).", own, empty, nothing
        )
    records = trial_records(used, plots)
    try:
        choice = choose_trend(records, candidates=candidates)
    except ValueError as error:
        return TrialField(trial, f"Its yields carry no model: {error}.", own, records, nothing)
    return TrialField(trial, "", own, records, nothing, choice, plot_parts(choice.best))


def model_label(name: str, field: TrialField) -> str:
    """How a model is called beside others, and whether it was chosen."""
    label = IN_WORDS.get(name, name)
    return label if name in (BLOCKS, field.choice.chosen) else f"{label} (not chosen)"


# -- what can be looked at ------------------------------------------------------------------------


def show_trials(fields: Fields) -> tuple:
    """Which trials were cut and which plots are used."""
    if fields.reason:
        return (say(f"{fields.reason} So nothing is said of the field.", kind="refusal"),)
    told = [say(_trial_words(field, fields.season)) for field in fields.shown]
    refused = [
        say(f"Trial {field.trial}: {field.reason} So nothing is said of its field.", kind="refusal")
        for field in fields.trials
        if field.reason
    ]
    return (*told, *refused)


def _trial_words(field, season):
    n, records = len(field.records), field.records
    films = records["treatment"].nunique()
    planted = f", {n_of(films, 'planting treatment')}" if films > 1 else ""
    words = (
        f"Trial {field.trial}, season {season}: {n_of(n, 'plot')} of {len(field.plots)} with a yield that "
        "can be used, "
        f"{n_of(records['hybrid'].nunique(), 'hybrid')}, "
        f"{n_of(records['replicate'].nunique(), 'replicate')}{planted}."
    )
    nothing = (
        f" {n_of(field.n_nothing, 'plot')} gave nothing; nothing has no logarithm, so "
        f"{is_are(field.n_nothing, 'it is', 'they are')} left out here and counted with the yields."
        if field.n_nothing
        else ""
    )
    return words + nothing


# -- maps -----------------------------------------------------------------------------------------


def show_maps(fields: Fields) -> tuple:
    """Yield, trend and rest of every plot in its place, and the plots that stand out."""
    return tuple(
        part for number, field in enumerate(fields.shown, 1) for part in _map(field, number, fields)
    )


def _map(field, number, fields):
    if field.no_place:
        return (say(f"Trial {field.trial}: {field.no_place}; so there is no map.", kind="refusal"),)
    parts = field.parts.assign(yield_t_ha=np.exp(field.parts["response"]))
    plots = field.plots.dropna(subset=["row", "column"])[LAYOUT].merge(
        parts[["plot", "yield_t_ha", "trend", "residual"]], on="plot", how="left"
    )
    low, high = (np.expm1(parts["trend"].min()), np.expm1(parts["trend"].max()))
    spread = f"The trend runs from {_signed(low)} to {_signed(high)} of yield"
    hatched = " Hatched: plots that are not used." if plots["yield_t_ha"].isna().any() else ""
    taken = [
        "hybrid",
        *(["planting treatment"] if field.records["treatment"].nunique() > 1 else []),
        "trend",
    ]
    caption = (
        f"Trial {field.trial}, season {fields.season}: dry yield, trend "
        f"({model_label(field.choice.chosen, field)}) and what is "
        f"left once {fmt_list(taken)} are taken off. + and {MINUS} mark plots far above and "
        f"below.{hatched} {_lines_words(plots)}"
    )
    drawn = figure(
        trend_maps(plots),
        label=f"trend-map-{number}",
        data=plots,
        caption=caption,
        alt=f"Three maps of trial {field.trial} side by side. {spread}.",
    )
    return (drawn, say(f"{spread} at the mean place ({_made_of(field)}).", *_standing_out(field)))


def _signed(share):
    """A relative difference in percent with its sign."""
    text = fmt_number(100 * share, 0)
    return f"{'+' if share > 0 and text != '0' else ''}{text} %"


def _lines_words(plots):
    levels = (
        ("Thick", "replicates", "replicate"),
        ("medium", "main plots", "main_plot"),
        ("thin", "blocks", "block"),
    )
    there = [
        f"{width} lines part {name}"
        for width, name, column in levels
        if plots[column].notna().any()
    ]
    return f"{fmt_list(there)}."


def _made_of(field):
    """What stands in the trend, in words."""
    levels = field.choice.best.fit.levels
    terms = {
        "main_plot_key": "main plots",
        "block_key": "blocks",
        "place:row": "rows",
        "place:column": "columns",
    }
    known = [name for term, name in terms.items() if term in levels]
    is_smooth = field.choice.chosen not in (BLOCKS, ROWS_COLUMNS)
    replicates = ["replicates"] if field.records["replicate"].nunique() > 1 else []
    return (
        fmt_list([*replicates, *known, *(["a course over the field"] if is_smooth else [])])
        or "nothing"
    )


def _standing_out(field):
    """Plots far off what their hybrid and place let expect."""
    fit = field.choice.best.fit
    errors = left_out(fit)
    far = errors["error"].abs() > STANDS_OUT * np.sqrt(errors["variance"])
    if not far.any():
        return ()
    own = fit.data.assign(factor=np.exp(errors["error"]))[far.to_numpy()]
    named = fmt_list(
        [
            f"{row.plot} ({row.hybrid}, {fmt_number(row.factor, 1)} times what the other plots let expect)"
            for row in own.itertuples()
        ]
    )
    return (
        f"Look first at plot{'s' if len(own) > 1 else ''} {named}: a slip of the pen or of the scales is "
        "likelier than such a "
        "place.",
    )


# -- choice ---------------------------------------------------------------------------------------


def show_choice(fields: Fields, *, rank: int) -> tuple:
    """Which trend was chosen for each trial, and what it gains."""
    if not fields.shown:
        return ()
    found = finding(*_choice_sentences(fields.shown), rank=rank, label="Field", see="trends")
    refused = [
        say(
            f"Trial {field.trial}, not fitted: {_refused_words(field.choice.refused)}.",
            kind="refusal",
        )
        for field in fields.shown
        if field.choice.refused
    ]
    several = any(len(field.choice.fits) > 1 for field in fields.shown)
    return (found, _choice_table(fields), *refused, *([say(OPTIMISM)] if several else []))


def _choice_sentences(shown):
    """Uneven fields first, then those that blocks describe, then those of which nothing is known."""
    alone = [field.trial for field in shown if len(field.choice.table) == 1]
    even = [
        field.trial for field in shown if field.choice.chosen == BLOCKS and field.trial not in alone
    ]
    told = [_choice_words(field) for field in shown if field.choice.chosen != BLOCKS]
    if even:
        told.append(
            f"In {_trials(even)} no trend over the field shows beyond the blocks: no other model has a lower "
            "criterion than blocks only."
        )
    if alone:
        told.append(
            f"In {_trials(alone)} blocks alone were fitted, so nothing is known of a trend."
        )
    return told


def _trials(names):
    return f"trial{'s' if len(names) > 1 else ''} {fmt_list(names)}"


def _choice_words(field):
    chosen, table_ = field.choice.chosen, field.choice.table
    gain, behind = table_.loc[chosen, "efficiency"] - 1, table_.loc[BLOCKS, "above_best"]
    more = (
        f"by it hybrids are compared as surely as by blocks only with {fmt_share(gain)} more replicates"
        if gain > 0.005
        else "by its own account it compares hybrids no more surely than blocks only"
    )
    close = ", blocks only close behind" if behind < CLOSE else ""
    verb = "describe" if chosen == ROWS_COLUMNS else "describes"
    name = IN_WORDS.get(chosen, chosen)
    best = f"Of {len(table_)} models {name} {verb} the yields of trial {field.trial} best"
    return f"{best}{close}; {more}."


def _refused_words(refused):
    """Each reason once, with the trends it stops."""
    reasons = {}
    for kind, reason in refused.items():
        reasons.setdefault(reason, []).append(kind)
    return "; ".join(f"{fmt_list(kinds)} ({reason})" for reason, kinds in reasons.items())


def _choice_table(fields):
    frames = [
        field.choice.table.rename_axis("model")
        .reset_index()
        .assign(trial=field.trial, chosen=field.choice.chosen)
        for field in fields.shown
    ]
    rows = pd.concat(frames, ignore_index=True)
    rows = rows.assign(
        is_chosen=rows["model"].eq(rows["chosen"]), se=np.sqrt(rows["difference_variance"])
    )
    note = (
        "In bold: the model chosen, that with the lowest criterion. Errors are differences of log yield: "
        "0.100 is about 10 %. All "
        "models have hybrids, replicates and planting treatments as fixed and blocks and main plots as "
        "random effects. "
        "Efficiency: 110 % is worth a tenth more replicates."
    )
    return table(
        rows,
        label="trends",
        columns=CHOICE_COLUMNS,
        strong="is_chosen",
        note=note,
        caption=f"Models of the field's unevenness, season {fields.season}.",
    )


# -- limits ---------------------------------------------------------------------------------------


def show_limits(fields: Fields) -> tuple:
    """What may not be concluded."""
    return (
        say(
            "One season of one field. A trend is part soil, part chance of that season: it need not be "
            "there next year, and it says nothing of "
            "what causes it.",
            "Neighbours also compete: a tall hybrid shades the next plot. Such effects of hybrids on their "
            "neighbours are not told from the "
            "field's own.",
            "A trend that runs as the hybrids happen to lie cannot be told from them; randomisation makes "
            "that rare, not impossible.",
        ),
    )


def headline(fields: Fields) -> str:
    """The results in a few lines."""
    if not fields.shown:
        return f"{fields.site}, season {fields.season}: no trial with yields"
    lines = [
        f"{field.trial}: {field.choice.chosen}, {len(field.records)} plots, efficiency "
        f"{field.choice.table.loc[field.choice.chosen, 'efficiency']:.2f}"
        for field in fields.shown
    ]
    return "\n".join([f"{fields.site}, season {fields.season}", *lines])
