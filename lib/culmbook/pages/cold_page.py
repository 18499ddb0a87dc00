"""What the frost notebook says of a site's cold: winter minima at rhizome depth and their return levels."""

from dataclasses import replace

import numpy as np
import pandas as pd

from culmbook.frost.return_levels import PERIODS, chance_colder, cold_levels, trend, why_no_levels
from culmbook.frost.soil import BORROWED, FORMULA, OWN, fit_damping, site_damping
from culmbook.frost.winter_minimum import minima_words, winter_minima
from culmbook.frost.words import share_words
from culmbook.pages.cold_figures import plot_return_levels
from culmbook.pages.freeze_page import FreezeAnswer
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.words import n_of

NO_WEATHER = "There is no weather record, so nothing is said about how cold it gets."
PANELS_ACROSS, PANELS_DOWN = 3, 4
FEW = 0.01  # a chance below it is said as an upper bound


def site_winters(weather: pd.DataFrame, depth_cm: float, season: int, site: str) -> pd.DataFrame:
    """Winter minima of one site, or of a network whose sites lend each other the damping of their soil.

    Parameters
    ----------
    weather : DataFrame
        Table ``weather``.
    depth_cm : float
        Depth of the rhizomes [cm].
    season : int
        Last growing season whose winter counts.
    site : str
        A site, or 'all'.

    Returns
    -------
    DataFrame
        As :func:`culmbook.frost.winter_minimum.winter_minima`.
    """
    lent = fit_damping(weather) if site == "all" and _needs_loan(weather) else None
    minima = winter_minima(weather, depth_cm, borrowed=lent and replace(lent, kind=BORROWED))
    return minima[minima["winter"] <= season].reset_index(drop=True)


def _needs_loan(weather):
    """Whether the soil of some site, but not of all, was never read."""
    read = weather.groupby("site")["soil_temperature_5cm_min_c"].count()
    return bool((read == 0).any() and (read > 0).any())


def usable(minima: pd.DataFrame) -> pd.DataFrame:
    """Winters whose minimum at rhizome depth is known well enough to calculate with."""
    return minima[minima["minimum_c"].notna() & minima["kind"].ne(FORMULA)]


def why_no_depth(minima: pd.DataFrame) -> str:
    """Why nothing is calculated from the winters of one site at rhizome depth; blank when it can be.

    Parameters
    ----------
    minima : DataFrame
        Rows of one site.
    """
    if minima.empty:
        return NO_WEATHER
    site, known = minima["site"].iloc[0], minima[minima["minimum_c"].notna()]
    if known.empty:
        return f"No winter of {site} has a complete record, so its minimum is not known."
    if known["kind"].eq(FORMULA).all():
        return (
            f"At {site} the soil was never read. Air temperature and a formula for bare, unfrozen ground give"
            " minima that are too cold by an unknown amount, so no return level and no expected survival is"
            " given. A report on the whole network borrows the soil readings of other sites, where there are"
            " any."
        )
    return ""


# -- how cold it gets -----------------------------------------------------------------------------


def show_levels(
    minima: pd.DataFrame,
    weather: pd.DataFrame,
    freeze: FreezeAnswer | None,
    *,
    level: float,
    rank: int,
) -> tuple:
    """Return levels of the winter minimum at rhizome depth: finding, figure and table, or why there are none.

    Parameters
    ----------
    minima : DataFrame
        From :func:`site_winters`.
    weather : DataFrame
        Table ``weather``; its damping is named beside estimated winters.
    freeze : FreezeAnswer or None
        From :func:`culmbook.pages.freeze_page.main_set`; the control's LT50 is drawn across.
    level : float
        Confidence, 0-1.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if minima.empty:
        return (say(NO_WEATHER, kind="refusal"),)
    sites = [rows for _, rows in minima.groupby("site", sort=True)]
    refused = {rows["site"].iloc[0]: _why_no_level(rows) for rows in sites}
    told = [rows for rows in sites if not refused[rows["site"].iloc[0]]]
    shown = [
        say(f"{site}: {text}" if len(sites) > 1 else text, kind="refusal")
        for site, text in refused.items()
        if text
    ]
    if not told:
        return tuple(shown)
    levels = pd.concat([_levels_of(rows, level) for rows in told], ignore_index=True)
    sentences = level_sentences(levels, told, freeze, level, len(sites) > 1)
    said = finding(*sentences, rank=rank, label="How cold it gets", see="return-levels")
    return (
        said,
        *shown,
        *_background(told, weather, len(sites) > 1),
        *_level_figures(told, freeze, level, sentences),
        _level_table(levels, level),
    )


def _why_no_level(rows):
    return why_no_depth(rows) or why_no_levels(usable(rows)["minimum_c"]) or ""


def _levels_of(rows, level):
    known = usable(rows)
    found = cold_levels(known["minimum_c"], PERIODS, level=level)
    return found.assign(
        site=rows["site"].iloc[0],
        how=how_known(known),
        coldest_c=known["minimum_c"].min(),
        median_c=known["minimum_c"].median(),
    )


def how_known(known):
    """How a site's minima are known, in a word or two."""
    if known["kind"].eq(BORROWED).any():
        return "from air, readings of other sites"
    return "read, some from air" if known["kind"].eq(OWN).any() else "read"


def level_sentences(
    levels: pd.DataFrame,
    sites: list[pd.DataFrame],
    freeze: FreezeAnswer | None,
    level: float,
    is_named: bool,
) -> list[str]:
    """What the first page says of the site's cold, or of every site's (then named), coldest first."""
    ten = levels[levels["period"].eq(10)].sort_values(["minimum_c", "site"])
    lent = ", soil estimated with readings of other sites, whose error is not in this"
    told = [
        f"{_c(r.minimum_c)}{f' at {r.site}' if is_named else ''}"
        f" ({fmt_interval(r.lower_c, r.upper_c, 1, share=False)}"
        f"{lent if 'other sites' in r.how else ''})"
        for r in ten.itertuples()
    ]
    words = [
        f"One winter in ten is expected to be colder at rhizome depth than {fmt_list(told, most=8)}."
    ]
    if not is_named:
        known = usable(sites[0])
        row = known.loc[known["minimum_c"].idxmin()]
        words.append(
            f"The coldest of {n_of(len(known), 'winter')} on record was"
            f" {row['label'].removeprefix('winter ')} with {_c(row['minimum_c'])}."
        )
        words += _chance_of_control(known, freeze, level)
    return words


def _control_lt50(freeze):
    """LT50 of the control in the set, or None."""
    if freeze is None or freeze.control not in freeze.fit.hybrids:
        return None
    value = freeze.temperatures.set_index("hybrid").loc[freeze.control, "lt50_c"]
    return None if np.isnan(value) else float(value)


def _chance_of_control(known, freeze, level):
    lt50 = _control_lt50(freeze)
    if lt50 is None:
        return []
    estimate, low, high = chance_colder(known["minimum_c"], lt50, level=level)
    size = (
        share_words(estimate, low, high)
        if estimate >= FEW
        else f"under {fmt_share(max(high, FEW))}"
    )
    return [
        f"The chance that a winter is colder than the LT50 of the control {freeze.control} ({_c(lt50)}) is"
        f" {size} a year."
    ]


def _c(value, digits=1):
    return f"{fmt_number(value, digits)} °C"


def _background(sites, weather, several):
    """How the minima are known, and whether they drift, one paragraph a site."""
    shown = []
    for rows in sites:
        site, known = rows["site"].iloc[0], usable(rows)
        damping = (
            site_damping(weather[weather["site"].eq(site)]) if known["kind"].eq(OWN).any() else None
        )
        if known["kind"].eq(BORROWED).any():
            damping = replace(fit_damping(weather), kind=BORROWED)
        words = minima_words(rows, damping)
        if several and len(words) == 1:
            continue
        shown.append(
            say(
                f"{site}: {words[0]}" if several else words[0],
                *words[1:],
                *([] if several else [trend_sentence(known)]),
            )
        )
    return shown


def trend_sentence(known: pd.DataFrame) -> str:
    """Drift of the minima over the record, which return levels take to be none."""
    change, low, high, p = trend(known["minimum_c"], known["winter"])
    size = f"{fmt_number(change, 1)} °C in ten years ({fmt_interval(low, high, 1, share=False)}, {fmt_p(p)})"
    if p < 0.05:
        return (
            f"The minima changed over the record by {size}; return levels take the climate as steady, so they"
            " are off for the years to come."
        )
    return f"No clear drift of the minima over the record: {size}. Return levels take the climate as steady."


def _level_figures(sites, freeze, level, sentences):
    size = PANELS_ACROSS * PANELS_DOWN
    parts = [sites[i : i + size] for i in range(0, len(sites), size)]
    lt50 = _control_lt50(freeze)
    marks = {} if lt50 is None else {f"LT50 of {freeze.control}": lt50}
    drawn = f" Dashed: LT50 of the control {freeze.control}." if marks else ""
    shown = []
    for k, part in enumerate(parts, 1):
        caption = (
            "Lowest temperature of each winter at rhizome depth by its return period: dots the winters on"
            f" record ({_winters_each(part)}), line the extreme value distribution with its"
            f" {round(100 * level)} % band.{drawn}"
        )
        shown.append(
            figure(
                _level_panels(part, marks, level),
                caption=caption,
                data=pd.concat(part),
                alt=" ".join(sentences),
                label="return-levels" if k == 1 else f"return-levels-{k}",
            )
        )
    return shown


def _winters_each(sites):
    n = [len(usable(rows)) for rows in sites]
    return (
        n_of(n[0], "winter")
        if len(n) == 1
        else f"{min(n)} to {max(n)} a site"
        if min(n) < max(n)
        else f"{n[0]} a site"
    )


def _level_panels(sites, marks, level):
    if len(sites) == 1:
        fig, ax = new_figure(3.0)
        plot_return_levels(usable(sites[0])["minimum_c"], ax=ax, level=level, marks=marks)
        ax.set_title(sites[0]["site"].iloc[0])
        return fig
    from matplotlib.figure import Figure

    down = -(-len(sites) // PANELS_ACROSS)
    fig = Figure(figsize=page_size(2.0 * down + 0.3), layout="constrained")
    axes = fig.subplots(down, PANELS_ACROSS, sharey=True, squeeze=False).flat
    for ax, rows in zip(axes, sites, strict=False):
        plot_return_levels(usable(rows)["minimum_c"], ax=ax, level=level, marks=marks)
        ax.set_title(rows["site"].iloc[0], fontsize=7.5)
        ax.set(xlabel="", ylabel="")
    for ax in list(fig.axes)[len(sites) :]:
        ax.set_visible(False)
    fig.supxlabel("Return period [winters]")
    fig.supylabel("Lowest temperature of a winter [°C]")
    return fig


def _level_table(levels, level):
    columns = {
        "site": Column("Site"),
        "period": Column("Once in", "winters", kind="count"),
        "minimum_c": Column("Colder than", "°C", digits=1, kind="number"),
        "interval": Column(
            f"{round(100 * level)} % interval",
            "°C",
            digits=1,
            kind="interval",
            ends=("lower_c", "upper_c"),
        ),
        "n_winters": Column("Winters", kind="count"),
        "coldest_c": Column("Coldest on record", "°C", digits=1, kind="number"),
        "median_c": Column("Median", "°C", digits=1, kind="number"),
        "how": Column("Soil"),
    }
    if levels["site"].nunique() > 1:
        levels = levels[levels["period"].isin([2, 10, 20])]
    else:
        del columns["site"]
    beyond = " Periods longer than the record are extrapolated." if levels["beyond"].any() else ""
    return table(
        levels,
        label="return-level-table",
        columns=columns,
        caption="How cold at rhizome depth, once in so many winters.",
        note=(
            "Generalised extreme value distribution of the winters' minima; intervals from the profile of"
            f" the likelihood.{beyond}{of_estimate(levels)}"
        ),
    )


def of_estimate(frame):
    """Note on sites whose soil is estimated; blank without one."""
    sites = sorted(frame.loc[frame["how"].str.contains("other sites"), "site"].unique())
    return (
        f" The soil of {fmt_list(sites)} is estimated from its air; the estimate's error is not in the"
        " intervals."
        if sites
        else ""
    )


def headline_words(found_levels: pd.DataFrame) -> str:
    """The site's cold in one coarse line, equal on every machine: the winters known, and the coldest."""
    known = usable(found_levels)
    if known.empty:
        return "cold at rhizome depth: no answer"
    return f"cold at rhizome depth: {len(known)} winters, coldest {known['minimum_c'].min():.1f} °C"
