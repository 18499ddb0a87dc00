"""What the frost notebook says of late frosts: do they find shoots above ground?"""

import pandas as pd

from culmbook.frost.freeze_tests import degrees
from culmbook.frost.late_frosts import (
    day_name,
    emergence_days,
    frost_after,
    frost_words,
    latest_frosts,
    latest_levels,
    latest_words,
    why_no_latest_level,
)
from culmbook.pages.cold_figures import plot_frost_calendar
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_interval, fmt_list, fmt_share
from culmbook.text.words import n_of

NO_WEATHER = "There is no weather record of a spring, so nothing is said about late frosts."
NO_EMERGENCE = "No date of emergence was noted, so late frosts cannot be set against the shoots that they would find."


def show_late_frosts(
    tables: dict, controls: list[str], control: str, *, damaging_c: float, level: float, rank: int
) -> tuple:
    """Last damaging frosts against emergence: finding, calendar and chances by hybrid, or a row per site.

    Parameters
    ----------
    tables : dict of str to DataFrame
        ``weather, phenology, plots, hybrids``.
    controls : list of str
    control : str
        The reference control; blank where there is none.
    damaging_c : float
        A frost counts when the day's minimum lies below this [°C].
    level : float
        Confidence, 0-1.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    latest = latest_frosts(tables["weather"], damaging_c)
    if latest.empty:
        return (say(NO_WEATHER, kind="refusal"),)
    hybrids = tables["hybrids"]
    wanted = set(hybrids.loc[hybrids["role"].ne("guard"), "hybrid"])
    emergence = emergence_days(tables["phenology"], tables["plots"], wanted)
    if emergence.empty:
        return (say(NO_EMERGENCE, kind="refusal"),)
    chances = frost_after(latest, emergence, level=level)
    if chances.empty:
        return (
            say(
                "No spring on record can be judged at the sites where emergence was noted.",
                kind="refusal",
            ),
        )
    if chances["site"].nunique() == 1 and latest["site"].nunique() == 1:
        return _one_site(latest, emergence, chances, controls, control, damaging_c, level, rank)
    return _many_sites(latest, chances, control, damaging_c, level, rank)


def chance_sentence(chances: pd.DataFrame, control: str, damaging_c: float) -> str:
    """Chance per year that a damaging frost finds shoots, of the control and the ends of the range.

    Parameters
    ----------
    chances : DataFrame
        Rows of one site of :func:`culmbook.frost.late_frosts.frost_after`.
    control : str
    damaging_c : float

    Returns
    -------
    str
    """
    rows = chances.sort_values(["day", "hybrid"])
    frost = f"a frost below {degrees(damaging_c)}"
    n = fmt_count(rows["n_years"].iloc[0])
    if rows["n_after"].eq(0).all():
        return f"In none of {n} springs did {frost} come after the mean emergence of any hybrid."
    own = rows[rows["hybrid"].eq(control)]
    picked = (
        [("the earliest hybrid", rows.iloc[0]), ("the latest", rows.iloc[-1])]
        if len(rows) > 1
        else [("the only hybrid", rows.iloc[0])]
    )
    picked += [
        ("the control", row)
        for _, row in own.iterrows()
        if row["hybrid"] not in [p["hybrid"] for _, p in picked]
    ]
    told = [
        f"{who} {row['hybrid']} ({day_name(row['day'])}) in {fmt_count(row['n_after'])} "
        f"({fmt_share(row['chance'])}, {fmt_interval(row['lower'], row['upper'])})"
        for who, row in picked
    ]
    return f"{frost[0].upper()}{frost[1:]} came after emergence of {fmt_list(told)} of {n} springs."


def _one_site(latest, emergence, chances, controls, control, damaging_c, level, rank):
    known, percent = latest[latest["is_known"]], round(100 * level)
    reason = why_no_latest_level(known)
    words = [] if reason else [latest_words(latest_levels(known, level=level))]
    sentences = [chance_sentence(chances, control, damaging_c), *words]
    drawn = [c for c in controls if c in set(emergence["hybrid"])][:2]
    fig, ax = new_figure(3.8)
    plot_frost_calendar(latest, emergence, ax=ax, controls=drawn)
    caption = (
        f"Last frost below {degrees(damaging_c)} of every spring ({n_of(len(known), 'spring')} known),"
        f" and mean emergence of {n_of(len(emergence), 'hybrid')}"
        f" (band{', lines: controls' if drawn else ''}). A dot right of a hybrid's day is a spring in which"
        " frost found its shoots."
    )
    return (
        finding(*sentences, rank=rank, label="Late frosts", see="frost-calendar"),
        say(*frost_words(latest, damaging_c), reason or ""),
        figure(fig, label="frost-calendar", caption=caption, data=latest, alt=" ".join(sentences)),
        _chance_table(chances, controls, percent),
    )


def _chance_table(chances, controls, percent):
    rows = chances.assign(
        emerged=[day_name(day) for day in chances["day"]],
        is_control=chances["hybrid"].isin(controls),
        low=chances[["chance_earliest", "chance_latest"]].min(axis=1),
        high=chances[["chance_earliest", "chance_latest"]].max(axis=1),
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "emerged": Column("Mean emergence"),
        "n_seasons": Column("Seasons", kind="count"),
        "n_plots": Column("Plots × seasons", kind="count"),
        "n_after": Column("Frost after", "springs", kind="count"),
        "n_years": Column("Of", "springs", kind="count"),
        "chance": Column("Chance a year", kind="share"),
        "interval": Column(f"{percent} % interval", kind="share_interval", ends=("lower", "upper")),
        "seasons": Column(
            "By season's date",
            kind="share_interval",
            ends=("low", "high"),
            meaning="Chance for the season with the latest and the earliest emergence seen.",
        ),
        "fitted": Column(
            "Fitted",
            kind="share",
            digits=1,
            meaning="From the extreme value distribution of the last frost.",
        ),
        "fitted_interval": Column(
            f"{percent} % interval", kind="share_interval", ends=("fitted_lower", "fitted_upper")
        ),
    }
    if rows["fitted"].isna().all():
        columns = {
            name: column for name, column in columns.items() if not name.startswith("fitted")
        }
    return table(
        rows,
        label="frost-after-emergence",
        columns=columns,
        order=["day", "hybrid"],
        strong="is_control",
        caption="Chance per year of a damaging frost after emergence, by hybrid, earliest first.",
        note=(
            "Controls in bold. Chance: share of the springs on record, for the mean date of emergence; where"
            " warm springs bring shoots up early the true chance is higher. Fitted: from the distribution of"
            " the last frost."
        ),
    )


def _many_sites(latest, chances, control, damaging_c, level, rank):
    rows = [
        _site_row(site, latest[latest["site"].eq(site)], own, control, level)
        for site, own in chances.groupby("site", sort=True)
    ]
    frame = pd.DataFrame(rows)
    percent = round(100 * level)
    columns = {
        "site": Column("Site"),
        "known": Column("Springs", kind="count"),
        "with_frost": Column("With frost", kind="count"),
        "one_in_ten": Column(
            "Last frost, one in ten",
            meaning="Date after which the last damaging frost comes in one spring in ten.",
        ),
        "emergence": Column("Emergence of hybrids"),
        "hybrids": Column("Hybrids", kind="count"),
        "low": Column("Least chance", kind="share"),
        "high": Column("Greatest chance", kind="share"),
        "control": Column(control or "Control", kind="share"),
        "interval": Column(
            f"{percent} % interval", kind="share_interval", ends=("control_lower", "control_upper")
        ),
    }
    columns = {
        name: column
        for name, column in columns.items()
        if name == "interval" or frame[name].notna().any()
    }
    if frame["control"].isna().all():
        del columns["interval"]
    worst = frame.sort_values(["high", "site"], ascending=[False, True])
    told = [f"{row.site} {_range(row.low, row.high)}" for row in worst.itertuples()]
    sentence = (
        f"Chance per year that a frost below {degrees(damaging_c)} finds shoots, from the latest hybrid to"
        f" the earliest: {fmt_list(told, most=8)}."
    )
    return (
        finding(sentence, rank=rank, label="Late frosts", see="frost-after-emergence"),
        table(
            frame,
            label="frost-after-emergence",
            columns=columns,
            caption=(
                f"Damaging frosts (below {degrees(damaging_c)}) after emergence, by site; calendars stand in"
                " the sites' own reports."
            ),
            note=(
                "Least and greatest chance are those of the hybrids of the site, shares of the springs on"
                " record for each hybrid's mean date of emergence. Last frost, one in ten: from the fitted"
                " distribution, where there is one."
            ),
        ),
    )


def _range(low, high):
    return fmt_share(low) if low == high else fmt_interval(low, high)


def _site_row(site, latest, own, control, level):
    known = latest[latest["is_known"]]
    mine = own[own["hybrid"].eq(control)]
    found = (
        None
        if why_no_latest_level(known)
        else latest_levels(known, (10,), level=level)["day"].iloc[0]
    )
    days = sorted([own["day"].min(), own["day"].max()])
    row = {
        "site": site,
        "known": len(known),
        "with_frost": int(known["latest_day"].notna().sum()),
        "hybrids": len(own),
        "one_in_ten": None if found is None or pd.isna(found) else day_name(found),
        "emergence": f"{day_name(days[0])} to {day_name(days[1])}",
        "low": own["chance"].min(),
        "high": own["chance"].max(),
    }
    return row | {
        "control": mine["chance"].iloc[0] if len(mine) else None,
        "control_lower": mine["lower"].iloc[0] if len(mine) else None,
        "control_upper": mine["upper"].iloc[0] if len(mine) else None,
    }
