"""What the notebook on yield components says of the harvest: what was cut and what each hybrid gave."""

from dataclasses import dataclass

import pandas as pd

from culmbook.pages.harvest_figures import plot_yield_differences, plot_yields
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_date, fmt_list, fmt_number
from culmbook.text.words import at_sites, each_n, marked, n_of, shown_of
from culmbook.trials.entries import control_of, controls_of, without_guards
from culmbook.trials.seasons import planting_year
from culmbook.yields.harvest import KEY, MEASURED, area_remarks, harvest_words, plot_harvests
from culmbook.yields.means import MeansFit, against_control, fit_means, hybrid_means

FULL_YIELD_YEAR = 3  # crop year from which on a stand is full-grown
STORE = (
    "Bales: dry chaff is dust that harms lungs and feeds fire, and damp biomass heats and uses up the "
    "oxygen of a closed store and gives off carbon monoxide. Air a store and measure before anyone goes "
    "in, wear a mask, keep sparks away, and stop balers and cutters before clearing them."
)


@dataclass(frozen=True)
class Harvest:
    """What was cut in a season.

    ``reason`` why there is nothing, blank where there is; ``yields`` from
    :func:`culmbook.yields.harvest.plot_harvests`, all seasons; ``cut`` the season's rows of the plantings looked at
    and ``others`` of other plantings; ``plantings`` one row per site with ``planting_season``; ``plots``
    without guards; ``controls`` and the reference ``control``.
    """

    season: int
    reason: str
    yields: pd.DataFrame
    cut: pd.DataFrame
    others: pd.DataFrame
    plantings: pd.DataFrame
    plots: pd.DataFrame
    controls: list
    control: str
    level: float

    @property
    def used(self) -> pd.DataFrame:
        """Cuts that estimates rest on."""
        return self.cut[self.cut["left_out"].isna()]

    @property
    def percent(self) -> int:
        return round(100 * self.level)


def plantings_looked_at(plots: pd.DataFrame, season: int, planting: int = 0) -> pd.DataFrame:
    """The planting of each site that a page on yields is about.

    Parameters
    ----------
    plots : DataFrame
        Table ``plots``, planted up to the season.
    season : int
    planting : int
        Planting season; 0 = each site's newest that is full-grown (third crop year on), else its oldest.

    Returns
    -------
    DataFrame
        ``site, planting_season``.

    Raises
    ------
    ValueError
        No plot of the named planting; the plantings that there are, are listed.
    """
    there = plots[["site"]].assign(planting_season=planting_year(plots)).dropna().drop_duplicates()
    if planting:
        mine = there[there["planting_season"].eq(planting)]
        if mine.empty:
            known = (
                fmt_list([str(int(y)) for y in sorted(there["planting_season"].unique())]) or "none"
            )
            raise ValueError(
                f"planting={planting}: no plot was planted then; plantings there are: {known}"
            )
        return mine.reset_index(drop=True)
    grown = (
        there[season - there["planting_season"] + 1 >= FULL_YIELD_YEAR]
        .groupby("site")["planting_season"]
        .max()
    )
    oldest = there.groupby("site")["planting_season"].min()
    return grown.reindex(oldest.index).fillna(oldest).rename("planting_season").reset_index()


def harvest_of(
    network, site: str, season: int, *, planting: int = 0, level: float = 0.95
) -> Harvest:
    """Gather what was cut in a season.

    Parameters
    ----------
    network : Network
        As :func:`culmbook.trials.seasons.of_season` gives it.
    site : str
        A site, or 'all'.
    season : int
        Growing season; it is cut the late winter after.
    planting : int
        As for :func:`plantings_looked_at`.
    level : float
        Confidence of every interval, 0-1.

    Returns
    -------
    Harvest
    """
    plots = without_guards(network.tables["plots"], network.tables["hybrids"])
    plantings = plantings_looked_at(plots, season, planting)
    yields = plot_harvests(network.tables["harvests"], plots, network.problems)
    own = yields[yields["growing_season"].eq(season)]
    is_looked_at = pd.MultiIndex.from_frame(own[["site", "planting_season"]]).isin(
        pd.MultiIndex.from_frame(plantings.astype({"planting_season": "float64"}))
    )
    cut, others = (
        own[is_looked_at].reset_index(drop=True),
        own[~is_looked_at].reset_index(drop=True),
    )
    reason = network.stopped(site, "harvests") or ""
    if not reason and cut.empty:
        reason = f"No plot of the planting looked at has a row for season {season} in the table harvests."
    return Harvest(
        season,
        reason,
        yields,
        cut,
        others,
        plantings,
        plots,
        controls_of(network),
        control_of(network),
        level,
    )


def plantings_words(plantings: pd.DataFrame, season: int) -> str:
    """Which planting the page is about, and the crop year it was in, for the middle of a sentence."""
    years = sorted(int(y) for y in plantings["planting_season"].unique())
    words = (
        f"the planting of {years[0]}" if len(years) == 1 else f"the plantings of {fmt_list(years)}"
    )
    ages = sorted({season - year + 1 for year in years})
    return f"{words} in crop year{'s' if len(ages) > 1 else ''} {fmt_list(ages)}"


def means_or_reason(frame: pd.DataFrame, column: str, name: str) -> MeansFit | str:
    """Means of the hybrids, or why there are none.

    Parameters
    ----------
    frame : DataFrame
        As for :func:`culmbook.yields.means.fit_means`.
    column : str
    name : str
        What the column is called in a sentence.
    """
    try:
        return fit_means(frame.rename(columns={column: name}), name)
    except ValueError as error:
        return f"No {name} by hybrid: {error}."


# -- what was cut ---------------------------------------------------------------------------------


def show_cut(harvest: Harvest) -> tuple:
    """What was cut and can be used, with everything that is remarkable about it."""
    if harvest.reason:
        return (
            say(
                f"{harvest.reason} So there is no yield, and nothing that rests on it.",
                kind="refusal",
            ),
        )
    season, cut = harvest.season, harvest.cut
    days = cut["harvested_on"].dropna()
    when = (
        f"on {fmt_date(days.min())}"
        if days.nunique() == 1
        else f"between {fmt_date(days.min())} and {fmt_date(days.max())}"
    )
    words = (
        f"What grew in season {season} was cut {when}. This part looks at "
        f"{plantings_words(harvest.plantings, season)}: "
        f"{n_of(len(harvest.used), 'plot')}{at_sites(harvest.used)} can be used."
    )
    rest = (
        f"{n_of(len(harvest.others), 'cut')} of other plantings stand in the table only."
        if len(harvest.others)
        else ""
    )
    return (
        say(words, rest),
        _cut_table(harvest),
        *[say(s) for s in harvest_words(cut)],
        *_remark_table(cut),
    )


def _cut_table(harvest):
    both = pd.concat(
        [harvest.cut.assign(is_looked_at=True), harvest.others.assign(is_looked_at=False)]
    )
    both["used_yield"] = both["dry_yield_t_ha"].where(both["left_out"].isna())
    both["is_filled"] = _is_filled(both)
    frame = both.groupby(["site", "trial", "planting_season", "is_looked_at"], as_index=False).agg(
        crop_year=("crop_year", "first"),
        hybrids=("hybrid", "nunique"),
        rows=("plot", "size"),
        used=("used_yield", "count"),
        filled=("is_filled", "sum"),
        first=("harvested_on", "min"),
        last=("harvested_on", "max"),
        mean=("used_yield", "mean"),
    )
    columns = {
        "site": Column("Site"),
        "trial": Column("Trial"),
        "crop_year": Column("Crop year", kind="count", meaning="The planting season is 1."),
        "hybrids": Column("Hybrids", kind="count"),
        "rows": Column("Plots", kind="count"),
        "used": Column("Used", kind="count"),
        "filled": Column(
            "Moisture filled",
            kind="count",
            meaning="Plots whose lost moisture sample was filled from others.",
        ),
        "first": Column("First cut", kind="date"),
        "last": Column("Last cut", kind="date"),
        "mean": Column(
            "Mean dry yield",
            "t/ha",
            digits=1,
            kind="number",
            meaning="Plain mean over the used plots, per planted area.",
        ),
    }
    return table(
        frame,
        label="harvest-trials",
        columns=columns,
        strong="is_looked_at",
        order=["site", "trial"],
        caption=f"Trials with a harvest of season {harvest.season}.",
        note="In bold: the plantings that the rest of this part is about.",
    )


def _is_filled(cut):
    """Used cuts whose lost moisture sample was filled from others."""
    return cut["moisture_from"].notna() & cut["moisture_from"].ne(MEASURED) & cut["left_out"].isna()


def _remark_table(cut):
    """Every plot whose cut is not like the others, and why."""
    parts = [
        cut[cut["left_out"].notna()].assign(remark=lambda t: "left out: " + t["left_out"]),
        cut[_is_filled(cut)].assign(remark=lambda t: "moisture filled from: " + t["moisture_from"]),
        cut[cut["is_plant_loss"]].assign(remark="lost to the hybrid itself"),
        area_remarks(cut).merge(cut.drop(columns="harvested_area_m2"), on=KEY),
    ]
    rows = pd.concat(parts, ignore_index=True).sort_values(
        ["site", "plot", "remark"], kind="stable"
    )
    if rows.empty:
        return (
            say(
                "No cut stands out: none is early, set aside or of an odd area, and no moisture sample "
                "was lost."
            ),
        )
    rows["reason"] = rows["status_reason"].fillna("")
    rows["is_printed"] = rows.groupby("site").cumcount() < (20 if cut["site"].nunique() == 1 else 6)
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "hybrid": Column("Hybrid"),
        "remark": Column("Remark"),
        "reason": Column("Reason given"),
        "dry_yield_t_ha": Column(
            "Dry yield",
            "t/ha",
            digits=1,
            kind="number",
            meaning="As computed; not used where left out.",
        ),
    }
    if rows["reason"].eq("").all():
        del columns["reason"]
    return (
        table(
            rows,
            label="harvest-remarks",
            columns=columns,
            printed="is_printed",
            caption="Cuts that are not like the others.",
            note=shown_of(int(rows["is_printed"].sum()), len(rows), "with a remark"),
        ),
    )


def show_store_caution() -> tuple:
    """What the harvest does to people who handle it."""
    return (say(STORE, kind="caution"),)


# -- yields ---------------------------------------------------------------------------------------


def yield_means(harvest: Harvest) -> MeansFit | str:
    """Model of the hybrids' dry yields, or why there is none."""
    return (
        harvest.reason and NO_YIELD or means_or_reason(harvest.used, "dry_yield_t_ha", "dry yield")
    )


NO_YIELD = "There are no yields to compare, for the reason given above."


def show_yields(
    harvest: Harvest, means: MeansFit | str, gaps: pd.DataFrame | str, *, rank: int
) -> tuple:
    """Finding, figure and table of the hybrids' yields per planted area.

    Parameters
    ----------
    harvest : Harvest
    means : MeansFit or str
        From :func:`yield_means`.
    gaps : DataFrame or str
        From :func:`yield_gaps`.
    rank : int
        The finding's place on the first page.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if isinstance(means, str):
        return (say(means, kind="refusal"),)
    frame, percent = hybrid_means(means, level=harvest.level), harvest.percent
    top, low = frame.iloc[0], frame.iloc[-1]
    used = harvest.used
    sentence = (
        f"Season {harvest.season} gave {fmt_number(frame['mean'].mean(), 1)} t/ha of dry matter on "
        f"average over {len(frame)} hybrids "
        f"({n_of(int(frame['n_plots'].sum()), 'plot')}{at_sites(used)}, "
        f"{plantings_words(harvest.plantings, harvest.season)}), from {fmt_number(low['mean'], 1)} "
        f"({low['hybrid']}) to {fmt_number(top['mean'], 1)} ({top['hybrid']})."
    )
    fig, ax = new_figure(height_for(len(frame)))
    plot_yields(frame, harvest.controls, ax=ax)
    drawn = figure(
        fig,
        label="yield-hybrids",
        data=frame,
        alt=f"One line per hybrid with its yield and interval. {sentence}",
        caption=f"Dry yield per planted area, season {harvest.season}: means of the hybrids with {percent} "
        f"% intervals; {each_n(frame)}{at_sites(used)}.{marked(frame['hybrid'], harvest.controls)}"
        f"{named_words(len(frame))}",
    )
    said = finding(sentence, rank=rank, label="Yield", see="yield-hybrids")
    return said, *_young(harvest), drawn, _yield_table(harvest, frame, gaps)


def _young(harvest):
    """Plantings that are not full-grown: their yields are provisional."""
    ages = harvest.season - harvest.plantings["planting_season"] + 1
    young = harvest.plantings[ages < FULL_YIELD_YEAR].assign(age=ages)
    return tuple(
        say(
            f"The planting of {int(year)}{at_sites(rows)} is in crop year "
            f"{int(rows['age'].iloc[0])}: yields before the third say little of "
            "a full-grown stand.",
            kind="provisional",
        )
        for year, rows in young.groupby("planting_season")
    )


def _yield_table(harvest, frame, gaps):
    """Yields with their intervals and, where there is a control, the differences from it."""
    percent = harvest.percent
    columns = {
        "hybrid": Column("Hybrid"),
        "n_plots": Column("Plots", kind="count"),
        "mean": Column("Dry yield", "t/ha", digits=2, kind="number", meaning="Mean of the model."),
        "interval": Column(
            f"{percent} % interval", "t/ha", digits=2, kind="interval", ends=("lower", "upper")
        ),
    }
    weighed = "sites" if harvest.used["site"].nunique() > 1 else "replicates"
    note = (
        f"Controls in bold. Means of the model, {weighed} and treatments weighed alike. Gaps in a stand "
        "count as they are."
    )
    if not isinstance(gaps, str):
        names = {"difference": "difference", "lower": "least", "upper": "most"}
        frame = frame.merge(gaps[["hybrid", *names]].rename(columns=names), on="hybrid", how="left")
        columns |= {
            "difference": Column(
                "Difference",
                "t/ha",
                digits=2,
                kind="number",
                meaning=f"Dry yield less that of {harvest.control}.",
            ),
            "simultaneous": Column(
                f"Simultaneous {percent} % interval",
                "t/ha",
                digits=2,
                kind="interval",
                ends=("least", "most"),
            ),
        }
        note += (
            f" Differences are from the control {harvest.control}; their intervals hold together with "
            f"{percent} % confidence."
        )
    return table(
        frame.assign(is_control=frame["hybrid"].isin(harvest.controls)),
        label="yields",
        note=note,
        columns=columns,
        strong="is_control",
        caption="Dry yield per planted area, by hybrid.",
    )


def yield_gaps(harvest: Harvest, means: MeansFit | str) -> pd.DataFrame | str:
    """Differences of the hybrids' yields from the control's, all intervals holding together, or why none.

    Parameters
    ----------
    harvest : Harvest
    means : MeansFit or str
        From :func:`yield_means`.

    Returns
    -------
    DataFrame or str
        As :func:`culmbook.yields.means.against_control`.
    """
    if isinstance(means, str):
        return NO_YIELD
    if not harvest.control:
        return "The network names no control, so yields are not compared with one."
    try:
        return against_control(means, harvest.control, level=harvest.level)
    except ValueError as error:
        return f"Not compared: {error}."


def show_against(
    harvest: Harvest, means: MeansFit | str, gaps: pd.DataFrame | str, *, rank: int
) -> tuple:
    """Finding, figure and table of the differences from the control.

    Parameters
    ----------
    harvest : Harvest
    means : MeansFit or str
        From :func:`yield_means`.
    gaps : DataFrame or str
        From :func:`yield_gaps`.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if isinstance(gaps, str):
        return (say(gaps, kind="refusal"),)
    control, percent = harvest.control, harvest.percent
    own = hybrid_means(means, level=harvest.level)
    sentence = _against_sentence(
        gaps, control, own.set_index("hybrid").loc[control, "mean"], percent
    )
    fig, ax = new_figure(height_for(len(gaps)))
    plot_yield_differences(gaps, control, ax=ax)
    drawn = figure(
        fig,
        label="yield-against-control",
        data=gaps,
        alt=f"One line per hybrid with its difference from the control. {sentence}",
        caption=f"Dry yield less that of the control {control}; lines are simultaneous {percent} % "
        "intervals, so a line clear of the dashed one is a difference, however many hybrids are compared; "
        f"{each_n(gaps)}.{named_words(len(gaps))}",
    )
    said = finding(
        sentence, rank=rank, label=f"Yield against {control}", see="yield-against-control"
    )
    return said, drawn


def _against_sentence(frame, control, own, percent):
    named = f"the control {control} ({fmt_number(own, 1)} t/ha)"
    more, less = frame[frame["lower"] > 0]["hybrid"], frame[frame["upper"] < 0][::-1]["hybrid"]
    if not len(more) and not len(less):
        widest = fmt_number((frame["upper"] - frame["lower"]).median() / 2, 1)
        return (
            f"No hybrid's yield differs clearly from that of {named}, all {percent} % intervals taken "
            f"together; differences under about {widest} t/ha could not have been seen."
        )
    said = [
        f"{fmt_list(list(names))} yielded {word}"
        for names, word in ((more, "more"), (less, "less"))
        if len(names)
    ]
    said[0] += f" than {named}"
    left = len(frame) - len(more) - len(less)
    rest = (
        f"; {n_of(left, 'other')} {'does' if left == 1 else 'do'} not differ clearly"
        if left
        else ""
    )
    return "; ".join(said) + f"{rest}, all {percent} % intervals taken together."
