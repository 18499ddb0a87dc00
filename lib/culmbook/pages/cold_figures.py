"""Figures of the site's cold: return levels, frosts against emergence, field survival against severity."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from culmbook.frost.return_levels import plotting_positions, why_no_levels
from culmbook.show.figures import LONGEST_NAME, short_name
from culmbook.show.palette import ACCENT, CANDIDATE, CONTROL, LINES, MARKERS, MUTED, RULE, SERIES
from culmbook.stats.extremes import fit_gev, return_level

LINE_PERIODS = np.geomspace(1.05, 30, 14)
PERIOD_TICKS = (1.1, 2, 5, 10, 20, 50)
MONTH_STARTS = {
    60: "1 Mar",
    74: "15 Mar",
    91: "1 Apr",
    105: "15 Apr",
    121: "1 May",
    135: "15 May",
    152: "1 Jun",
    166: "15 Jun",
}


def plot_return_levels(
    minima: pd.Series, *, ax: Axes, level: float = 0.95, marks: dict | None = None
) -> Axes:
    """Winter minima against their return period, with the fitted distribution and its interval.

    Parameters
    ----------
    minima : Series
        One minimum per complete winter [°C], none missing; 15 or more.
    ax : Axes
    level : float
        Confidence level of the band, 0–1 (profile likelihood).
    marks : dict of str to float, optional
        Temperatures to draw across with their names, such as the control's LT50 [°C].

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        With the sentence of :func:`culmbook.frost.return_levels.why_no_levels`.
    """
    negated = -minima.to_numpy(dtype=float)
    reason = why_no_levels(negated)
    if reason:
        raise ValueError(reason)
    fit = fit_gev(negated)
    line = -np.array([return_level(fit, period, level=level) for period in LINE_PERIODS])
    ax.fill_between(LINE_PERIODS, *_finite(line[:, 1:].T), color=CANDIDATE, alpha=0.15, linewidth=0)
    ax.plot(LINE_PERIODS, line[:, 0], color=CANDIDATE, linestyle="-")
    ax.plot(
        plotting_positions(negated), minima, "o", color=ACCENT, linestyle="none", markersize=3.5
    )
    for (name, value), dash in zip((marks or {}).items(), LINES[1:]):
        ax.axhline(value, color=CONTROL, linestyle=dash, linewidth=1)
        ax.annotate(
            short_name(name),
            (1, value),
            xycoords=("axes fraction", "data"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="right",
            fontsize=7.5,
        )
    ax.set_xscale("log")
    ax.xaxis.set_major_locator(FixedLocator(PERIOD_TICKS))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    ax.set_xlim(LINE_PERIODS[0], LINE_PERIODS[-1])
    ax.set_xlabel("Return period [winters]")
    ax.set_ylabel("Lowest temperature of a winter [°C]")
    ax.grid(axis="y")
    return ax


def _finite(limits):
    """Limits with an unbounded one drawn to the far side of all others."""
    known = limits[np.isfinite(limits)]
    return (
        np.clip(limits, known.min() - 1, known.max() + 1)
        if len(known)
        else np.full_like(limits, np.nan)
    )


def plot_frost_calendar(
    latest: pd.DataFrame, emergence: pd.DataFrame, *, ax: Axes, controls: list[str] = ()
) -> Axes:
    """Last damaging frost of every spring beside the emergence of the hybrids, over the calendar.

    Parameters
    ----------
    latest : DataFrame
        One site's rows of :func:`culmbook.frost.late_frosts.latest_frosts`. A year without a damaging frost
        shows a hollow marker at the window's first day, an unknown year none.
    emergence : DataFrame
        The site's rows of :func:`culmbook.frost.late_frosts.emergence_days`; may be empty.
    ax : Axes
    controls : list of str
        Hybrids whose emergence is drawn as a line of its own and named, six at most.

    Returns
    -------
    Axes
    """
    known = latest[latest["is_known"]]
    has = known["latest_day"].notna()
    ax.hlines(
        known["year"][has],
        known["first_day"][has],
        known["latest_day"][has],
        color=RULE,
        linewidth=0.7,
    )
    ax.plot(
        known["latest_day"][has],
        known["year"][has],
        "o",
        color=CANDIDATE,
        linestyle="none",
        label="last damaging frost",
    )
    if (~has).any():
        ax.plot(
            known["first_day"][~has],
            known["year"][~has],
            "o",
            markerfacecolor="white",
            color=MUTED,
            linestyle="none",
            label="no damaging frost",
        )
    if len(emergence):
        ax.axvspan(
            emergence["day"].min(),
            emergence["day"].max(),
            color=ACCENT,
            alpha=0.18,
            linewidth=0,
            label="emergence, all hybrids",
        )
    for hybrid, dash in zip(controls, LINES[1:] + LINES[:1]):
        for day in emergence.loc[emergence["hybrid"] == hybrid, "day"]:
            ax.axvline(
                day,
                color=CONTROL,
                linestyle=dash,
                linewidth=1.2,
                label=f"emergence, {short_name(hybrid)}",
            )
    ends = [*known["latest_day"].dropna(), *emergence["day"], 121]
    ax.set_xlim(latest["first_day"].min() - 2, max(ends) + 8)
    ticks = [day for day in MONTH_STARTS if ax.get_xlim()[0] <= day <= ax.get_xlim()[1]]
    ax.set_xticks(ticks, [MONTH_STARTS[day] for day in ticks])
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_ylabel("Year")
    ax.set_xlabel("Date of the last damaging frost")
    ax.grid(axis="x")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    return ax


def plot_field_against_severity(
    observed: pd.DataFrame, *, ax: Axes, named: list[str] = (), line: pd.DataFrame | None = None
) -> Axes:
    """Survival of every hybrid in every winter against the winter's lowest temperature at rhizome depth.

    Parameters
    ----------
    observed : DataFrame
        From :func:`culmbook.frost.winters.observed_by_winter`; winters without a minimum are not drawn.
    ax : Axes
    named : list of str
        At most six hybrids in colour with their marker; the others are pale dots.
    line : DataFrame, optional
        From :func:`culmbook.frost.winters.severity_line`.

    Returns
    -------
    Axes
    """
    known = observed[observed["minimum_c"].notna()]
    others = known[~known["hybrid"].isin(named)]
    ax.plot(
        others["minimum_c"],
        100 * others["share"],
        ".",
        color=MUTED,
        alpha=0.45,
        linestyle="none",
        markersize=3,
    )
    handles = {}
    for i, hybrid in enumerate(named):
        rows = known[known["hybrid"] == hybrid].sort_values("minimum_c")
        handles[short_name(hybrid)] = ax.plot(
            rows["minimum_c"], 100 * rows["share"], MARKERS[i], color=SERIES[i], linestyle="none"
        )[0]
    if line is not None:
        handles["all hybrids, model"] = ax.plot(
            line["minimum_c"], 100 * line["share"], color=ACCENT, linestyle="-"
        )[0]
    ax.set_xlabel("Lowest temperature of the winter at rhizome depth [°C]")
    ax.set_ylabel("Alive after winter [%]")
    ax.set_ylim(-3, 103)
    ax.grid(axis="y")
    if handles:
        _legend(ax, handles)
    return ax


def _legend(ax, handles):
    """Legend above the axes; a name starting with an underscore shows only if set afterwards."""
    columns = 4 if max(map(len, handles)) < LONGEST_NAME else 2
    legend = ax.legend(
        list(handles.values()),
        [str(i) for i in range(len(handles))],
        loc="lower center",
        bbox_to_anchor=(0.5, 1.0),
        ncols=min(columns, len(handles)),
    )
    for text, name in zip(legend.get_texts(), handles, strict=True):
        text.set_text(name)


def plot_freeze_against_field(both: pd.DataFrame, *, ax: Axes, controls: list[str] = ()) -> Axes:
    """LT50 of the freeze test against survival in the field, with both intervals.

    Parameters
    ----------
    both : DataFrame
        From :func:`culmbook.frost.agreement.freeze_against_field`: hybrid, lt50_c, and where given lt50_lower_c,
        lt50_upper_c [°C], infinite ones drawn to the edge; share, lower, upper (0–1).
    ax : Axes
    controls : list of str
        Hybrids drawn as controls, with their names.

    Returns
    -------
    Axes
    """
    for is_control, colour, marker in ((False, CANDIDATE, "o"), (True, CONTROL, "s")):
        rows = both[both["hybrid"].isin(controls) == is_control]
        ax.vlines(
            rows["lt50_c"],
            100 * rows["lower"],
            100 * rows["upper"],
            color=colour,
            linewidth=0.8,
            alpha=0.6,
        )
        if {"lt50_lower_c", "lt50_upper_c"} <= set(both) and len(rows):
            low, high = _finite(rows[["lt50_lower_c", "lt50_upper_c"]].to_numpy().T)
            ax.hlines(100 * rows["share"], low, high, color=colour, linewidth=0.8, alpha=0.6)
        ax.plot(rows["lt50_c"], 100 * rows["share"], marker, color=colour, linestyle="none")
    for i, row in enumerate(both[both["hybrid"].isin(controls)].itertuples()):
        ax.annotate(
            short_name(row.hybrid),
            (row.lt50_c, 100 * row.share),
            xytext=(5, 5 if i % 2 else -11),
            textcoords="offset points",
            fontsize=7.5,
        )
    ax.set_xlabel("LT50 in the freeze test [°C]")
    ax.set_ylabel("Alive after winter [%]")
    ax.grid(axis="y")
    return ax
