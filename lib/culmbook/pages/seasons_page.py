"""What the notebook on consistency says of the seasons cut: records, chances, yields by season."""

import re
from dataclasses import dataclass, field

import pandas as pd
from matplotlib.figure import Figure

from culmbook.consistency.chances import (
    BAD_SEASONS,
    ERRATIC_CLASS,
    NOT_SHOWN,
    PROMISING_CLASS,
    PROVEN_CLASS,
    few_seasons_words,
    verdict_words,
    verdicts,
)
from culmbook.consistency.draws import SeasonDraws, draw_seasons
from culmbook.consistency.model import (
    ESTABLISHED,
    LEAST_SEASONS,
    TERMS,
    SeasonsFit,
    fit_seasons,
    is_provisional,
    lost_words,
    provisional_words,
    season_records,
)
from culmbook.consistency.statistics import season_yields, unequal_words
from culmbook.pages.consistency_figures import plot_season_yields
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.words import at_sites, joined, marked, n_of
from culmbook.trials.entries import control_of, controls_of, without_guards
from culmbook.yields.harvest import plot_harvests

NOTHING = "Without yields of established stands there is nothing to say here."
ONE_SEASON = (
    "One season was cut after establishment ({season}): it takes two at least to tell {what}."
)
WEATHER_LABELS = {"cohort_site": "planting year × site", "hybrid_stage": "hybrid × stage"}
SHORT = {PROMISING_CLASS: "promising", NOT_SHOWN: "not shown"}
"""Verdicts as a narrow column has them."""
NO_REPEAT = (
    "What a hybrid does in one season cannot be told from what a single plot does, because hybrids have one "
    "plot a season: it takes repeated plots to tell {what}."
)
PANELS = 4  # seasons beside each other that stay readable


@dataclass(frozen=True)
class Thresholds:
    """From where on a hybrid counts as proven, promising or erratic.

    ``proven``, ``promising``, ``erratic`` are least probabilities; ``fall`` how far below its own mean an
    erratic hybrid fell, and ``beat_by`` by how much the control must be beaten, both as shares.
    """

    proven: float
    promising: float
    erratic: float
    fall: float
    beat_by: float = 0.0


@dataclass(frozen=True)
class Seasons:
    """Yields after establishment with their model.

    ``reason`` why there is no model, blank where there is; ``harvests`` from
    :func:`culmbook.yields.harvest.plot_harvests` with ``crop_type``, all crop years; ``records`` from
    :func:`culmbook.consistency.model.season_records`, no rows where there are none; ``fit`` and ``drawn`` its model
    and joint draws; ``controls`` and the reference ``control``.
    """

    site: str
    reason: str
    harvests: pd.DataFrame = field(repr=False)
    records: pd.DataFrame = field(repr=False)
    fit: SeasonsFit | None = field(repr=False)
    drawn: SeasonDraws | None = field(repr=False)
    controls: list
    control: str
    level: float

    @property
    def percent(self) -> int:
        return round(100 * self.level)

    @property
    def seasons(self) -> list[str]:
        """Seasons with a record, in order."""
        return sorted(self.records["season"].unique()) if len(self.records) else []

    @property
    def is_network(self) -> bool:
        return self.records["site"].nunique() > 1 if len(self.records) else False

    @property
    def lost(self) -> str:
        """Which hybrids have cuts that gave nothing, which no result on the log scale contains."""
        gone = self.harvests[
            self.harvests["left_out"].isna()
            & self.harvests["dry_yield_t_ha"].eq(0)
            & self.harvests["crop_year"].ge(ESTABLISHED)
        ]
        names = fmt_list(sorted(gone["hybrid"].astype(str).unique()))
        return f"Cuts that gave nothing are not in it ({names})." if names else ""

    @property
    def mark(self) -> str:
        """What stands at every result that rests on too few seasons; blank where none does."""
        return provisional_mark(self.records) if len(self.records) else ""

    def lacking(self, what: str) -> str:
        """Why what compares seasons cannot be told: no model, one season, no repeated plots; or blank."""
        if self.reason:
            return NOTHING
        if len(self.seasons) < 2:
            return ONE_SEASON.format(season=self.seasons[0], what=what)
        if not {"hybrid_season", "hybrid_site_season"} & set(self.fit.terms):
            return NO_REPEAT.format(what=what)
        return ""


def provisional_mark(records: pd.DataFrame) -> str:
    """Short form of :func:`culmbook.consistency.model.provisional_words` for notes and captions."""
    few = is_provisional(records, LEAST_SEASONS)
    if not few.any():
        return ""
    if few.all():
        had = n_of(records["season"].nunique(), "season")
        return f"Provisional: {had} after establishment, not {LEAST_SEASONS}."
    return (
        f"Provisional for {n_of(int(few.sum()), 'hybrid')} of {len(few)}, with fewer than {LEAST_SEASONS} "
        "seasons after establishment."
    )


def seasons_of(
    network, site: str, *, level: float = 0.95, draws: int = 800, variances: int = 40, seed: int = 1
) -> Seasons:
    """Gather the yields of established stands, fit their model and draw from it.

    Parameters
    ----------
    network : Network
        As :func:`culmbook.trials.seasons.of_season` gives it.
    site : str
        A site, or 'all'.
    level : float
        Confidence of every interval, 0-1.
    draws, variances, seed : int
        As in :func:`culmbook.consistency.draws.draw_seasons`; without draws the model is fitted only.

    Returns
    -------
    Seasons
    """
    hybrids = network.tables["hybrids"]
    plots = without_guards(network.tables["plots"], hybrids)
    harvests = plot_harvests(network.tables["harvests"], plots, network.problems)
    kinds = hybrids[["hybrid", "crop_type"]].assign(
        crop_type=hybrids["crop_type"].fillna("not known")
    )
    harvests = harvests.merge(kinds, on="hybrid", how="left")
    controls = controls_of(network)
    rest = (controls, control_of(network), level)
    reason = network.stopped(site, "harvests") or ""
    if reason:
        return Seasons(site, reason, harvests.iloc[:0], harvests.iloc[:0], None, None, *rest)
    try:
        records = season_records(harvests)
    except ValueError as error:
        return Seasons(site, sentence(error), harvests, harvests.iloc[:0], None, None, *rest)
    try:
        fit = fit_seasons(records, controls)
        drawn = draw_seasons(fit, draws, seed, variances) if draws else None
    except ValueError as error:
        return Seasons(
            site, f"Not estimable: {plain(error)}.", harvests, records, None, None, *rest
        )
    return Seasons(site, "", harvests, records, fit, drawn, *rest)


def plain(error) -> str:
    """A library's reason with what the model's terms are called instead of their names."""
    text = re.sub(r"\bresponse\b", "log yield", str(error))
    names = {name: label for name, label in TERMS.items() if "_" in name} | WEATHER_LABELS
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, names[name])
    return text


def sentence(error) -> str:
    """A library's reason as a sentence."""
    text = plain(error)
    return f"{text[0].upper()}{text[1:]}."


# -- what was cut ---------------------------------------------------------------------------------


def show_seasons(part: Seasons) -> tuple:
    """What was cut after establishment, in which seasons, and what is provisional because of it."""
    if part.records.empty:
        return (
            say(f"{part.reason} So nothing is said of consistency over seasons.", kind="refusal"),
        )
    records, lost = part.records, lost_words(part.harvests)
    words = (
        f"{n_of(len(records), 'cut')} of {n_of(records['hybrid'].nunique(), 'hybrid')} in "
        f"{n_of(len(part.seasons), 'season')} ({fmt_list(part.seasons)}){at_sites(records)} "
        f"{'was' if len(records) == 1 else 'were'} made after establishment, in crop year {ESTABLISHED} or "
        "later. Younger stands tell how fast a hybrid builds up, further down."
    )
    few = provisional_words(records)
    told = [say(words, lost)]
    if few:
        rest = few.removeprefix("Provisional").lstrip(": ")  # the box says the word itself
        told.append(say(f"{rest[0].upper()}{rest[1:]}", kind="provisional"))
    if part.reason:
        told.append(say(part.reason, kind="refusal"))
    return *told, _cut_table(part)


def _cut_table(part):
    used = part.harvests["left_out"].isna() & part.harvests["dry_yield_t_ha"].notna()
    cut = part.harvests[used].assign(is_established=lambda t: t["crop_year"].ge(ESTABLISHED))
    frame = (
        cut.groupby(["site", "trial", "growing_season", "crop_year", "is_established"])
        .agg(hybrids=("hybrid", "nunique"), plots=("plot", "size"), mean=("dry_yield_t_ha", "mean"))
        .reset_index()
        .assign(season=lambda t: t["growing_season"].astype("int64").astype("str"))
    )
    columns = {
        "site": Column("Site"),
        "trial": Column("Trial"),
        "season": Column("Season"),
        "crop_year": Column("Crop year", kind="count", meaning="The planting season is 1."),
        "hybrids": Column("Hybrids", kind="count"),
        "plots": Column("Plots cut", kind="count", meaning="Plots with a usable yield."),
        "mean": Column(
            "Mean yield", "t/ha", digits=1, kind="number", meaning="Plain mean, dry matter."
        ),
    }
    return table(
        frame,
        label="seasons-cut",
        columns=columns,
        strong="is_established",
        order=["site", "trial", "season"],
        caption="What was cut, by trial and season.",
        note=joined(
            "In bold: crop years after establishment, on which consistency rests.", part.mark
        ),
    )


# -- chances against the control ------------------------------------------------------------------


def verdicts_of(part: Seasons, thresholds: Thresholds) -> pd.DataFrame | str:
    """Chances and verdict of every hybrid, or why there are none.

    Parameters
    ----------
    part : Seasons
    thresholds : Thresholds

    Returns
    -------
    DataFrame or str
        As :func:`culmbook.consistency.chances.verdicts`; other controls have the verdict 'control'.
    """
    if lacking := part.lacking("the chances against the control in a new season"):
        return lacking
    if not part.control:
        return "The network names no control, so no hybrid is set against one."
    try:
        found = verdicts(
            part.drawn,
            part.control,
            is_provisional(part.records),
            proven=thresholds.proven,
            promising=thresholds.promising,
            erratic=thresholds.erratic,
            fall=thresholds.fall,
            margin=thresholds.beat_by,
        )
    except ValueError as error:
        return sentence(error)
    return found.assign(
        verdict=found["verdict"].mask(found["hybrid"].isin(part.controls), "control")
    )


def show_chances(
    part: Seasons, chances: pd.DataFrame | str, thresholds: Thresholds, *, rank: int
) -> tuple:
    """Who is proven, promising and erratic, with the probabilities: finding and table, or why not.

    Parameters
    ----------
    part : Seasons
    chances : DataFrame or str
        From :func:`verdicts_of`.
    thresholds : Thresholds
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if isinstance(chances, str):
        return (say(chances, kind="refusal"),)
    where = "in a new season at a new site" if part.is_network else "in a new season at this site"
    said = finding(
        verdict_words(chances, part.control, where=where),
        part.mark,
        rank=rank,
        label="Year on year",
        see="chances",
        numbers={
            "Seasons after establishment": f"{len(part.seasons)} ({fmt_list(part.seasons)})",
            "Cuts": f"{len(part.records)}",
        },
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "n_seasons": Column(
            "Seasons", kind="count", meaning="Seasons with a cut after establishment."
        ),
        "gain": Column(
            "Lasting gain", kind="share", meaning=f"Yield over that of {part.control}, less 1."
        ),
        "interval": Column(
            f"{part.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "chance_lasting": Column("Lastingly better", kind="share", meaning="Probability."),
        "chance_next": Column("Beats control next", kind="share", meaning=f"Probability {where}."),
        "worst": Column(
            "Worst of five",
            kind="share",
            meaning=f"Gain expected in the worst of {BAD_SEASONS} seasons at one site.",
        ),
        "worst_interval": Column(
            f"{part.percent} % interval", kind="share_interval", ends=("worst_lower", "worst_upper")
        ),
        "chance_erratic": Column(
            "Fell off", kind="share", meaning="Probability, in a season seen."
        ),
        "verdict": Column("Verdict"),
    }
    seasons = part.records.groupby("hybrid")["season"].nunique()
    listed = table(
        chances.assign(
            n_seasons=chances["hybrid"].map(seasons),
            verdict=chances["verdict"].replace(SHORT),
            is_control=chances["hybrid"].isin(part.controls),
        ),
        label="chances",
        columns=columns,
        strong="is_control",
        caption=f"Gain over {part.control} and the chances of beating it {where}.",
        note=_chance_note(part, thresholds, where),
    )
    few = few_seasons_words(chances)
    return (said, *([say(few)] if few else []), listed)


def _chance_note(part, t, where):
    over = f" by {fmt_share(t.beat_by)}" if t.beat_by else ""
    return joined(
        part.mark,
        part.lost,
        f"Gains and probabilities come from joint draws with the uncertainty of all variances. "
        f"{PROVEN_CLASS.capitalize()}: beats {part.control}{over} {where} with a probability of "
        f"{fmt_share(t.proven)} or more, after {LEAST_SEASONS} seasons or more; {PROMISING_CLASS}: "
        f"{fmt_share(t.promising)} or more; not shown: less; {ERRATIC_CLASS}, before the others: fell "
        f"{fmt_share(t.fall)} or more below its own mean in a season, what all hybrids went through taken "
        f"off, with a probability of {fmt_share(t.erratic)} or more. Worst of five: difference from {part.control} "
        f"expected in the worst of {BAD_SEASONS} seasons.",
    )


# -- yields by season -----------------------------------------------------------------------------


def show_yields(part: Seasons) -> tuple:
    """Yield of every hybrid in every season: figure and table."""
    if part.reason:
        return (say(NOTHING, kind="refusal"),)
    frame, drawn_seasons = season_yields(part.drawn, level=part.level), part.seasons[-PANELS:]
    drawn = frame[frame["season"].isin(drawn_seasons)]
    n = frame["hybrid"].nunique()
    fig = Figure(figsize=page_size(height_for(n)), layout="constrained")
    axes = fig.subplots(1, len(drawn_seasons), squeeze=False)[0]
    plot_season_yields(drawn, part.controls, part.control, axes=axes)
    band = (
        f" The band is the interval of {part.control}."
        if part.control in set(frame["hybrid"])
        else ""
    )
    last = f" The last {PANELS} seasons are drawn." if len(part.seasons) > PANELS else ""
    shown = figure(
        fig,
        label="season-yields",
        data=frame,
        alt=f"One panel per season ({fmt_list(drawn_seasons)}), one line per hybrid with its yield and "
        f"interval. {_range_words(frame)}",
        caption=f"Yield of the hybrids by season{_over(part)}, dry matter in t/ha, with {part.percent} % "
        f"intervals.{band}{marked(frame['hybrid'], part.controls)}{last}{named_words(n)} {part.mark}".strip(),
    )
    unequal = unequal_words(part.drawn)
    return (*([say(unequal, kind="caution")] if unequal else []), shown, _yield_table(part, frame))


def _over(part):
    return " over the sites cut in it" if part.is_network else ""


def _range_words(frame):
    mean = frame.groupby("hybrid")["yield_t_ha"].mean().sort_values()
    return f"On average {mean.index[-1]} gave most and {mean.index[0]} least."


def _yield_table(part, frame):
    wide = frame.pivot(index="hybrid", columns="season")
    table_frame = pd.DataFrame({"hybrid": wide.index})
    columns = {"hybrid": Column("Hybrid")}
    for season in part.seasons[-PANELS:]:
        for name in ("yield_t_ha", "lower", "upper"):
            table_frame[f"{name}_{season}"] = wide[name, season].to_numpy()
        columns[f"yield_t_ha_{season}"] = Column(f"Yield {season}", "t/ha", digits=1, kind="number")
        columns[f"interval_{season}"] = Column(
            f"{part.percent} % interval",
            "t/ha",
            digits=1,
            kind="interval",
            ends=(f"lower_{season}", f"upper_{season}"),
        )
    table_frame["mean"] = wide["yield_t_ha"].mean(axis=1).to_numpy()
    table_frame = table_frame.sort_values(
        ["mean", "hybrid"], ascending=[False, True], ignore_index=True
    )
    return table(
        table_frame.assign(is_control=table_frame["hybrid"].isin(part.controls)),
        label="season-yield-table",
        columns=columns,
        strong="is_control",
        caption=f"Yield by hybrid and season{_over(part)}, dry matter.",
        note=joined(
            part.mark,
            part.lost,
            "Controls in bold. Medians of what the model holds possible, so a few poor plots do not make a "
            "poor season; a hybrid that did not stand at a site or in a season is filled in by the model, "
            "with the wider interval that belongs to it.",
        ),
    )
