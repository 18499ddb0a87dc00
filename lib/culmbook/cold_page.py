"""What the frost notebook says of a site's cold: winter minima at rhizome depth, and what they would leave of a hybrid."""

from dataclasses import replace

import numpy as np
import pandas as pd

from culmbook.cold_figures import plot_return_levels
from culmbook.columns import Column
from culmbook.formats import fmt_count, fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.freeze_curves import curve_draws
from culmbook.freeze_page import FreezeAnswer, share_words
from culmbook.interval_figure import plot_intervals
from culmbook.present import figure, finding, say, table
from culmbook.return_levels import PERIODS, chance_colder, cold_levels, trend, why_no_levels
from culmbook.soil_damping import BORROWED, FORMULA, OWN, fit_damping, site_damping
from culmbook.stand_figures import height_for, named_words, new_figure
from culmbook.stand_report import count_of
from culmbook.style import page_size
from culmbook.winter_minimum import minima_words, winter_minima
from culmbook.winter_survival import CAUTION, MIN_WINTERS, expected_survival

NO_WEATHER = "There is no weather record, so nothing is said about how cold it gets."
NO_FORECAST = "This compares hybrids and sites and is no forecast."
NO_CURVE = "No set of freeze tests of rhizomes gives curves, so no survival is expected from the site's winters."
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
        As :func:`culmbook.winter_minimum.winter_minima`.
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
        return (f"At {site} the soil was never read. Air temperature and a formula for bare, unfrozen ground give minima that are too cold by an "
                "unknown amount, so no return level and no expected survival is given. A report on the whole network borrows the soil readings of "
                "other sites, where there are any.")
    return ""


# -- how cold it gets -----------------------------------------------------------------------------


def show_levels(minima: pd.DataFrame, weather: pd.DataFrame, freeze: FreezeAnswer | None, *, level: float, rank: int) -> tuple:
    """Return levels of the winter minimum at rhizome depth: finding, figure and table, or why there are none.

    Parameters
    ----------
    minima : DataFrame
        From :func:`site_winters`.
    weather : DataFrame
        Table ``weather``; its damping is named beside estimated winters.
    freeze : FreezeAnswer or None
        From :func:`culmbook.freeze_page.main_set`; the control's LT50 is drawn across.
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
    shown = [say(f"{site}: {text}" if len(sites) > 1 else text, kind="refusal") for site, text in refused.items() if text]
    if not told:
        return tuple(shown)
    levels = pd.concat([_levels_of(rows, level) for rows in told], ignore_index=True)
    sentences = level_sentences(levels, told, freeze, level)
    said = finding(*sentences, rank=rank, label="How cold it gets", see="return-levels")
    return (said, *shown, *_background(told, weather, len(sites) > 1), *_level_figures(told, freeze, level, sentences),
            _level_table(levels, level))


def _why_no_level(rows):
    return why_no_depth(rows) or why_no_levels(usable(rows)["minimum_c"]) or ""


def _levels_of(rows, level):
    known = usable(rows)
    found = cold_levels(known["minimum_c"], PERIODS, level=level)
    return found.assign(site=rows["site"].iloc[0], how=_how(known), coldest_c=known["minimum_c"].min(), median_c=known["minimum_c"].median())


def _how(known):
    """How a site's minima are known, in a word or two."""
    if known["kind"].eq(BORROWED).any():
        return "from air, readings of other sites"
    return "read, some from air" if known["kind"].eq(OWN).any() else "read"


def level_sentences(levels: pd.DataFrame, sites: list[pd.DataFrame], freeze: FreezeAnswer | None, level: float) -> list[str]:
    """What the first page says of the site's cold, or of every site's, coldest first."""
    ten = levels[levels["period"].eq(10)].sort_values(["minimum_c", "site"])
    several = len(ten) > 1
    told = [f"{_c(r.minimum_c)}{f' at {r.site}' if several else ''} ({fmt_interval(r.lower_c, r.upper_c, 1, share=False)}"
            f"{', soil estimated with readings of other sites' if 'other sites' in r.how else ''})" for r in ten.itertuples()]
    words = [f"One winter in ten is expected to be colder at rhizome depth than {fmt_list(told, most=8)}."]
    if not several:
        known = usable(sites[0])
        row = known.loc[known["minimum_c"].idxmin()]
        words.append(f"The coldest of {count_of(len(known), 'winter')} on record was {row['label'].removeprefix('winter ')} with {_c(row['minimum_c'])}.")
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
    size = share_words(estimate, low, high) if estimate >= FEW else f"under {fmt_share(max(high, FEW))}"
    return [f"The chance that a winter is colder than the LT50 of the control {freeze.control} ({_c(lt50)}) is {size} a year."]


def _c(value, digits=1):
    return f"{fmt_number(value, digits)} °C"


def _background(sites, weather, several):
    """How the minima are known, and whether they drift, one paragraph a site."""
    shown = []
    for rows in sites:
        site, known = rows["site"].iloc[0], usable(rows)
        damping = site_damping(weather[weather["site"].eq(site)]) if known["kind"].eq(OWN).any() else None
        if known["kind"].eq(BORROWED).any():
            damping = replace(fit_damping(weather), kind=BORROWED)
        words = minima_words(rows, damping)
        if several and len(words) == 1:
            continue
        shown.append(say(f"{site}: {words[0]}" if several else words[0], *words[1:], *([] if several else [trend_sentence(known)])))
    return shown


def trend_sentence(known: pd.DataFrame) -> str:
    """Drift of the minima over the record, which return levels take to be none."""
    change, low, high, p = trend(known["minimum_c"], known["winter"])
    size = f"{fmt_number(change, 1)} °C in ten years ({fmt_interval(low, high, 1, share=False)}, {fmt_p(p)})"
    if p < 0.05:
        return f"The minima changed over the record by {size}; return levels take the climate as steady, so they are off for the years to come."
    return f"No clear drift of the minima over the record: {size}. Return levels take the climate as steady."


def _level_figures(sites, freeze, level, sentences):
    size = PANELS_ACROSS * PANELS_DOWN
    parts = [sites[i : i + size] for i in range(0, len(sites), size)]
    lt50 = _control_lt50(freeze)
    marks = {} if lt50 is None else {f"LT50 of {freeze.control}": lt50}
    drawn = f" Dashed: LT50 of the control {freeze.control}." if marks else ""
    shown = []
    for k, part in enumerate(parts, 1):
        caption = (f"Lowest temperature of each winter at rhizome depth by its return period: dots the winters on record ({_winters_each(part)}), line the "
                   f"extreme value distribution with its {round(100 * level)} % band.{drawn}")
        shown.append(figure(_level_panels(part, marks, level), caption=caption, data=pd.concat(part), alt=" ".join(sentences),
                            label="return-levels" if k == 1 else f"return-levels-{k}"))
    return shown


def _winters_each(sites):
    n = [len(usable(rows)) for rows in sites]
    return count_of(n[0], "winter") if len(n) == 1 else f"{min(n)} to {max(n)} a site" if min(n) < max(n) else f"{n[0]} a site"


def _level_panels(sites, marks, level):
    if len(sites) == 1:
        fig, ax = new_figure(3.0)
        plot_return_levels(usable(sites[0])["minimum_c"], ax=ax, level=level, marks=marks)
        return fig
    from matplotlib.figure import Figure
    down = -(-len(sites) // PANELS_ACROSS)
    fig = Figure(figsize=page_size(2.0 * down + 0.3), layout="constrained")
    axes = fig.subplots(down, PANELS_ACROSS, sharey=True, squeeze=False).flat
    for ax, rows in zip(axes, sites, strict=False):
        plot_return_levels(usable(rows)["minimum_c"], ax=ax, level=level, marks=marks)
        ax.set_title(rows["site"].iloc[0], fontsize=7.5)
        ax.set(xlabel="", ylabel="")
    for ax in list(fig.axes)[len(sites):]:
        ax.set_visible(False)
    fig.supxlabel("Return period [winters]")
    fig.supylabel("Lowest temperature of a winter [°C]")
    return fig


def _level_table(levels, level):
    columns = {"site": Column("Site"), "period": Column("Once in", "winters", kind="count"),
               "minimum_c": Column("Colder than", "°C", digits=1, kind="number"),
               "interval": Column(f"{round(100 * level)} % interval", "°C", digits=1, kind="interval", ends=("lower_c", "upper_c")),
               "n_winters": Column("Winters", kind="count"), "coldest_c": Column("Coldest on record", "°C", digits=1, kind="number"),
               "median_c": Column("Median", "°C", digits=1, kind="number"), "how": Column("Soil")}
    if levels["site"].nunique() > 1:
        levels = levels[levels["period"].isin([2, 10, 20])]
    else:
        del columns["site"]
    beyond = " Periods longer than the record are extrapolated." if levels["beyond"].any() else ""
    return table(levels, label="return-level-table", columns=columns, caption="How cold at rhizome depth, once in so many winters.",
                 note=f"Generalised extreme value distribution of the winters' minima; intervals from the profile of the likelihood.{beyond}")


# -- what these winters would leave ----------------------------------------------------------------


def expected_by_site(freeze: FreezeAnswer, minima: pd.DataFrame, *, draws: int, level: float) -> pd.DataFrame:
    """Survival that the freeze curves expect over every site's winters on record.

    Parameters
    ----------
    freeze : FreezeAnswer
    minima : DataFrame
        From :func:`site_winters`.
    draws : int
        Joint draws of the curves.
    level : float
        Level of the intervals, 0-1.

    Returns
    -------
    DataFrame
        ``site`` and the columns of :func:`culmbook.winter_survival.expected_survival`; empty where no site's winters are
        known at rhizome depth.
    """
    curves = curve_draws(freeze.fit, draws, 1)
    parts = [expected_survival(rows["minimum_c"], curves, level=level).assign(site=site)
             for site, rows in usable(minima).groupby("site", sort=True)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def show_expected(freeze: FreezeAnswer | None, minima: pd.DataFrame, controls: list[str], *, draws: int, level: float, rank: int) -> tuple:
    """Survival expected over the winters on record and in the worst in ten, by hybrid; or why not.

    Parameters
    ----------
    freeze : FreezeAnswer or None
        From :func:`culmbook.freeze_page.main_set`.
    minima : DataFrame
        From :func:`site_winters`.
    controls : list of str
    draws : int
    level : float
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if freeze is None:
        return (say(NO_CURVE, kind="refusal"),)
    if minima.empty:
        return (say(NO_WEATHER, kind="refusal"),)
    sites = minima["site"].nunique()
    refused = {site: why_no_depth(rows) for site, rows in minima.groupby("site", sort=True)}
    shown = [say(f"{site}: {text}" if sites > 1 else text, kind="refusal") for site, text in refused.items() if text]
    try:
        found = expected_by_site(freeze, minima, draws=draws, level=level)
    except ValueError as error:
        text = str(error)
        return (say(f"{text[0].upper()}{text[1:].removesuffix('.')}.", kind="refusal"),)
    if found.empty:
        return tuple(shown)
    said = finding(*expected_sentences(found, freeze.control), rank=rank, label="Survival the freeze curves expect", see="expected-survival")
    basis = say(_basis_words(freeze, found), CAUTION, kind="caution")
    printed = _one_site(found, controls, level) if found["site"].nunique() == 1 else _many_sites(found, controls, level)
    return said, *shown, basis, *printed


def _basis_words(freeze, found):
    without = sorted(set(freeze.fit.hybrids) - set(found["hybrid"]))
    words = f"Curves of {freeze.name}."
    if without:
        words += f" Without a curve, and so without a number: {fmt_list(without)}."
    if len(freeze.fit.runs) == 1:
        words += " There was one freezer run: how far it was off is not in the intervals."
    return words


def expected_sentences(found: pd.DataFrame, control: str) -> list[str]:
    """What the first page says: the control and the ends of the range, at one site or at the site where fewest survive."""
    means = found.groupby("site")["expected"].mean()
    site = means.idxmin()
    rows = found[found["site"].eq(site)]
    n = int(rows["n_winters"].iloc[0])
    column = "worst_in_ten" if n >= MIN_WINTERS else "expected"
    rows = rows.sort_values([column, "hybrid"], ascending=[False, True])
    where = f" at {site}, the site with most loss," if len(means) > 1 else ""
    ends = [row for _, row in rows.iloc[[0, -1]].iterrows()] if len(rows) > 1 else [rows.iloc[0]]
    of_control = [row for _, row in rows[rows["hybrid"].eq(control)].iterrows()]
    picked = {row["hybrid"]: row for row in [*of_control, *ends]}
    told = [f"{share_words(row[column], row[f'{column}_lower'], row[f'{column}_upper'])} of {'the control ' if name == control else ''}{name}"
            for name, row in picked.items()]
    if column == "expected":
        return [f"Averaged over the {count_of(n, 'winter')} on record{where} the freeze curves expect {fmt_list(told)} to survive.", NO_FORECAST]
    mean = rows.set_index("hybrid")["expected"]
    return [f"In a winter as cold as one in ten{where} the freeze curves expect {fmt_list(told)} to survive.",
            f"Averaged over the {count_of(n, 'winter')} on record: {fmt_list([f'{fmt_share(mean[name])} of {name}' for name in picked])}.", NO_FORECAST]


def _share_columns(level):
    percent = round(100 * level)
    return {"expected": Column("Mean of the winters", kind="share", meaning="Survival expected, averaged over the winters on record."),
            "expected_interval": Column(f"{percent} % interval", kind="share_interval", ends=("expected_lower", "expected_upper")),
            "worst_in_ten": Column("Worst in ten", kind="share", meaning="Survival that one winter in ten falls below."),
            "worst_interval": Column(f"{percent} % interval", kind="share_interval", ends=("worst_in_ten_lower", "worst_in_ten_upper")),
            "below_lt50": Column("Winters below LT50", kind="share", meaning="Share of the winters that were colder than LT50."),
            "climate": Column("Mean, other winters", kind="share_interval", ends=("climate_lower", "climate_upper"),
                              meaning="Interval of the mean with the winters, too, taken as a sample of the climate.")}


def _one_site(found, controls, level):
    column = "worst_in_ten" if found["worst_in_ten"].notna().all() else "expected"
    n, percent = int(found["n_winters"].iloc[0]), round(100 * level)
    fig, ax = new_figure(height_for(len(found)))
    plot_intervals(_in_percent(found, column), controls, centre="share", xlabel="Survival expected [%]", ax=ax)
    columns = {"hybrid": Column("Hybrid"), **_share_columns(level)}
    if column == "expected":
        columns = {name: c for name, c in columns.items() if not name.startswith("worst")}
    what = "in the worst of ten winters" if column == "worst_in_ten" else "on average"
    top, low = found.sort_values(column, ascending=False).iloc[[0, -1]].to_dict("records")
    return (figure(fig, label="expected-survival", data=found, columns=columns,
                   alt=f"One line per hybrid, from {fmt_share(top[column])} ({top['hybrid']}) to {fmt_share(low[column])} ({low['hybrid']}).",
                   caption=f"Survival that the freeze curves expect {what}, from {count_of(n, 'winter')} on record: points with {percent} % intervals of the "
                           f"curves; controls are squares. A calculation, not an observation.{named_words(len(found))}"),
            table(found.assign(is_control=found["hybrid"].isin(controls)), label="expected-hybrids", columns=columns, strong="is_control",
                  caption=f"Survival that the freeze curves expect over {count_of(n, 'winter')} on record, by hybrid.",
                  note="Controls in bold. Intervals hold what is uncertain of the curves, nothing of freezer against field."))


def _in_percent(found, column):
    return pd.DataFrame({"hybrid": found["hybrid"], "share": 100 * found[column], "lower": 100 * found[f"{column}_lower"],
                         "upper": 100 * found[f"{column}_upper"]})


def _many_sites(found, controls, level):
    """One row per hybrid and one pair of columns per site; the site where most is lost is drawn."""
    worst = found.groupby("site")["expected"].mean().idxmin()
    drawn = found[found["site"].eq(worst)]
    figures = [replace(shown, caption=f"{worst}, the site with most loss: {shown.caption}") for shown in _one_site(drawn, controls, level)[:1]]
    order = drawn["hybrid"].tolist()
    return (*figures, *[_wide(found, column, order, controls, level) for column in ("expected", "worst_in_ten") if found[column].notna().any()])


def _wide(found, column, order, controls, level):
    names = [column, f"{column}_lower", f"{column}_upper"]
    wide = found.pivot(index="hybrid", columns="site", values=names).reindex(order)
    wide.columns = [f"{site}_{name}" for name, site in wide.columns]
    columns = {"hybrid": Column("Hybrid")}
    for site in sorted(found["site"].unique()):
        columns |= {f"{site}_{column}": Column(site, kind="share"),
                    f"{site}_interval": Column("Interval", kind="share_interval", ends=(f"{site}_{column}_lower", f"{site}_{column}_upper"))}
    what = "averaged over the winters on record" if column == "expected" else "in the worst of ten winters"
    rows = wide.reset_index().assign(is_control=lambda t: t["hybrid"].isin(controls))
    return table(rows, label=f"expected-sites-{'mean' if column == 'expected' else 'worst'}", columns=columns, strong="is_control",
                 caption=f"Survival that the freeze curves expect {what}, by hybrid and site.",
                 note=f"Controls in bold. {_winters_of(found)} Intervals with {round(100 * level)} %, of the curves alone.")


def _winters_of(found):
    n = found.groupby("site")["n_winters"].first()
    return f"{fmt_count(n.min())} to {fmt_count(n.max())} winters a site." if n.min() < n.max() else f"{fmt_count(n.min())} winters a site."


def headline_words(found_levels: pd.DataFrame) -> str:
    """The site's cold in one coarse line, equal on every machine: the winters known, and the coldest."""
    known = usable(found_levels)
    if known.empty:
        return "cold at rhizome depth: no answer"
    return f"cold at rhizome depth: {len(known)} winters, coldest {known['minimum_c'].min():.1f} °C"
