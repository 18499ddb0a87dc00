"""What the frost notebook says of survival that freeze curves expect over a site's winters on record."""

from dataclasses import replace

import pandas as pd

from culmbook.frost.expected_survival import CAUTION, MIN_WINTERS, expected_survival
from culmbook.frost.freeze_curves import curve_draws
from culmbook.frost.words import share_words
from culmbook.pages.cold_page import NO_WEATHER, how_known, of_estimate, usable, why_no_depth
from culmbook.pages.freeze_page import FreezeAnswer
from culmbook.pages.interval_figure import plot_intervals
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_list, fmt_share
from culmbook.text.words import n_of

NO_FORECAST = "This compares hybrids and sites and is no forecast."
NO_CURVE = "No set of freeze tests of rhizomes gives curves, so no survival is expected from the site's winters."
SITES_ACROSS = 4  # sites side by side in a table of expected survival
SAFE = 0.98  # a site where this much of every hybrid is expected to live needs no column
WHAT = {
    "expected": "averaged over the winters on record",
    "worst_in_ten": "in the worst of ten winters",
}


def expected_by_site(
    freeze: FreezeAnswer, minima: pd.DataFrame, *, draws: int, level: float
) -> pd.DataFrame:
    """Survival that the freeze curves expect over every site's winters on record.

    Parameters
    ----------
    freeze : FreezeAnswer
    minima : DataFrame
        From :func:`culmbook.pages.cold_page.site_winters`.
    draws : int
        Joint draws of the curves.
    level : float
        Level of the intervals, 0-1.

    Returns
    -------
    DataFrame
        ``site, how`` (how the minima are known, in words) and the columns of
        :func:`culmbook.frost.expected_survival.expected_survival`; empty where no site's winters are known at
        rhizome depth.
    """
    curves = curve_draws(freeze.fit, draws, 1)
    parts = [
        expected_survival(rows["minimum_c"], curves, level=level).assign(
            site=site, how=how_known(rows)
        )
        for site, rows in usable(minima).groupby("site", sort=True)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def show_expected(
    freeze: FreezeAnswer | None,
    minima: pd.DataFrame,
    controls: list[str],
    *,
    draws: int,
    level: float,
    rank: int,
) -> tuple:
    """Survival expected over the winters on record and in the worst in ten, by hybrid; or why not.

    Parameters
    ----------
    freeze : FreezeAnswer or None
        From :func:`culmbook.pages.freeze_page.main_set`.
    minima : DataFrame
        From :func:`culmbook.pages.cold_page.site_winters`.
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
    shown = [
        say(f"{site}: {text}" if sites > 1 else text, kind="refusal")
        for site, text in refused.items()
        if text
    ]
    try:
        found = expected_by_site(freeze, minima, draws=draws, level=level)
    except ValueError as error:
        text = str(error)
        return (say(f"{text[0].upper()}{text[1:].removesuffix('.')}.", kind="refusal"),)
    if found.empty:
        return tuple(shown)
    basis = say(_basis_words(freeze, found), CAUTION, kind="caution")
    label = "Survival the freeze curves expect"
    if is_safe(found):
        return finding(safe_sentence(found), NO_FORECAST, rank=rank, label=label), *shown, basis
    sentences = expected_sentences(found, freeze.control, sites > 1)
    said = finding(*sentences, rank=rank, label=label, see="expected-survival")
    printed = (
        _one_site(found, controls, level) if sites == 1 else _many_sites(found, controls, level)
    )
    return said, *shown, basis, *printed


def is_safe(found: pd.DataFrame) -> bool:
    """Whether next to nothing of any hybrid is lost at any site, even in the worst of ten winters."""
    return bool(found[["expected", "worst_in_ten"]].min(axis=1).ge(SAFE).all())


def safe_sentence(found: pd.DataFrame) -> str:
    """What is said in place of a figure and a table where next to nothing is lost."""
    n = found["n_winters"]
    told = (
        f"{fmt_share(SAFE)} or more of every hybrid ({fmt_count(found['hybrid'].nunique())} with a curve) to"
        " survive"
    )
    if n.min() < MIN_WINTERS:
        return f"Averaged over the winters on record ({_winters_of(found)}) the freeze curves expect {told}."
    return (
        f"Even in a winter as cold as one in ten ({_winters_of(found)} on record) the freeze curves"
        f" expect {told}."
    )


def _basis_words(freeze, found):
    without = sorted(set(freeze.fit.hybrids) - set(found["hybrid"]))
    words = f"Curves of {freeze.name}."
    if without:
        words += f" Without a curve, and so without a number: {fmt_list(without)}."
    if len(freeze.fit.runs) == 1:
        words += " There was one freezer run: how far it was off is not in the intervals."
    return words


def expected_sentences(found: pd.DataFrame, control: str, is_named: bool) -> list[str]:
    """What the first page says: the control and the range, at the site or (named) where fewest survive."""
    means = found.groupby("site")["expected"].mean()
    site = means.idxmin()
    rows = found[found["site"].eq(site)]
    n = int(rows["n_winters"].iloc[0])
    column = "worst_in_ten" if n >= MIN_WINTERS else "expected"
    rows = rows.sort_values([column, "hybrid"], ascending=[False, True])
    where = (
        f" at {site}{', the site with most loss,' if len(means) > 1 else ''}" if is_named else ""
    )
    ends = [row for _, row in rows.iloc[[0, -1]].iterrows()] if len(rows) > 1 else [rows.iloc[0]]
    of_control = [row for _, row in rows[rows["hybrid"].eq(control)].iterrows()]
    picked = {row["hybrid"]: row for row in [*of_control, *ends]}
    told = [
        f"{share_words(row[column], row[f'{column}_lower'], row[f'{column}_upper'])} of"
        f" {'the control ' if name == control else ''}{name}"
        for name, row in picked.items()
    ]
    if column == "expected":
        return [
            (
                f"Averaged over the {n_of(n, 'winter')} on record{where} the freeze curves expect"
                f" {fmt_list(told)} to survive."
            ),
            NO_FORECAST,
        ]
    mean = rows.set_index("hybrid")["expected"]
    return [
        f"In a winter as cold as one in ten{where} the freeze curves expect {fmt_list(told)} to survive.",
        (
            f"Averaged over the {n_of(n, 'winter')} on record:"
            f" {fmt_list([f'{fmt_share(mean[name])} of {name}' for name in picked])}."
        ),
        NO_FORECAST,
    ]


def _share_columns(level):
    percent = round(100 * level)
    return {
        "expected": Column(
            "Mean of the winters",
            kind="share",
            meaning="Survival expected, averaged over the winters on record.",
        ),
        "expected_interval": Column(
            f"{percent} % interval",
            kind="share_interval",
            ends=("expected_lower", "expected_upper"),
        ),
        "worst_in_ten": Column(
            "Worst in ten", kind="share", meaning="Survival that one winter in ten falls below."
        ),
        "worst_interval": Column(
            f"{percent} % interval",
            kind="share_interval",
            ends=("worst_in_ten_lower", "worst_in_ten_upper"),
        ),
        "below_lt50": Column(
            "Winters below LT50",
            kind="share",
            meaning="Share of the winters that were colder than LT50.",
        ),
        "climate": Column(
            "Mean, other winters",
            kind="share_interval",
            ends=("climate_lower", "climate_upper"),
            meaning="Interval of the mean with the winters, too, taken as a sample of the climate.",
        ),
    }


def _one_site(found, controls, level):
    column = "worst_in_ten" if found["worst_in_ten"].notna().all() else "expected"
    n, percent = int(found["n_winters"].iloc[0]), round(100 * level)
    fig, ax = new_figure(height_for(len(found)))
    plot_intervals(
        _in_percent(found, column), controls, centre="share", xlabel="Survival expected [%]", ax=ax
    )
    columns = {"hybrid": Column("Hybrid"), **_share_columns(level)}
    if column == "expected":
        columns = {name: c for name, c in columns.items() if not name.startswith("worst")}
    what = "in the worst of ten winters" if column == "worst_in_ten" else "on average"
    top, low = found.sort_values(column, ascending=False).iloc[[0, -1]].to_dict("records")
    return (
        figure(
            fig,
            label="expected-survival",
            data=found,
            columns=columns,
            alt=(
                f"One line per hybrid, from {fmt_share(top[column])} ({top['hybrid']}) to"
                f" {fmt_share(low[column])} ({low['hybrid']})."
            ),
            caption=(
                f"Survival that the freeze curves expect {what}, from {n_of(n, 'winter')} on record:"
                f" points with {percent} % intervals of the curves; controls are squares. A calculation, not"
                f" an observation.{named_words(len(found))}"
            ),
        ),
        table(
            found.assign(is_control=found["hybrid"].isin(controls)),
            label="expected-hybrids",
            columns=columns,
            strong="is_control",
            caption=(
                f"Survival that the freeze curves expect over {n_of(n, 'winter')} on record, by hybrid."
            ),
            note=(
                "Controls in bold. Intervals hold what is uncertain of the curves, nothing of freezer against"
                " field."
            ),
        ),
    )


def _in_percent(found, column):
    return pd.DataFrame(
        {
            "hybrid": found["hybrid"],
            "share": 100 * found[column],
            "lower": 100 * found[f"{column}_lower"],
            "upper": 100 * found[f"{column}_upper"],
        }
    )


def _many_sites(found, controls, level):
    """One row per hybrid and one pair of columns per site; the site where most is lost is drawn."""
    worst = found.groupby("site")["expected"].mean().idxmin()
    drawn = found[found["site"].eq(worst)]
    loss = ", the site with most loss" if found["site"].nunique() > 1 else ""
    figures = [
        replace(shown, caption=f"{worst}{loss}: {shown.caption}")
        for shown in _one_site(drawn, controls, level)[:1]
    ]
    order = drawn["hybrid"].tolist()
    listed = [
        _wide(found, column, order, controls, level)
        for column in ("expected", "worst_in_ten")
        if found[column].notna().any()
    ]
    return *figures, *[part for parts in listed for part in parts]


def _wide(found, column, order, controls, level):
    """Tables of a few sites each; sites where next to nothing is lost are named in the note only."""
    lowest = found.groupby("site")[column].min()
    safe = sorted(lowest.index[lowest >= SAFE])
    sites = [site for site in sorted(lowest.index[lowest.notna()]) if site not in safe]
    note = (
        f" Left out, with {fmt_share(SAFE)} or more of every hybrid: {fmt_list(safe)}."
        if safe
        else ""
    )
    parts = [sites[i : i + SITES_ACROSS] for i in range(0, len(sites), SITES_ACROSS)]
    if not parts:
        return [
            say(
                f"{WHAT[column].capitalize()}, the freeze curves expect {fmt_share(SAFE)} or more of every"
                " hybrid at every site."
            )
        ]
    return [
        _wide_part(
            found[found["site"].isin(part)],
            column,
            order,
            controls,
            level,
            note,
            f"-{k}" if k > 1 else "",
        )
        for k, part in enumerate(parts, 1)
    ]


def _wide_part(found, column, order, controls, level, left_out, suffix):
    names = [column, f"{column}_lower", f"{column}_upper"]
    wide = found.pivot(index="hybrid", columns="site", values=names).reindex(order)
    wide.columns = [f"{site}_{name}" for name, site in wide.columns]
    columns = {"hybrid": Column("Hybrid")}
    for site in sorted(found["site"].unique()):
        columns |= {
            f"{site}_{column}": Column(site, kind="share"),
            f"{site}_interval": Column(
                "Interval",
                kind="share_interval",
                ends=(f"{site}_{column}_lower", f"{site}_{column}_upper"),
            ),
        }
    rows = wide.reset_index().assign(is_control=lambda t: t["hybrid"].isin(controls))
    return table(
        rows,
        label=f"expected-sites-{'mean' if column == 'expected' else 'worst'}{suffix}",
        columns=columns,
        strong="is_control",
        caption=f"Survival that the freeze curves expect {WHAT[column]}, by hybrid and site.",
        note=(
            f"Controls in bold. {_winters_of(found)}. Intervals with {round(100 * level)} %, of the curves"
            f" alone.{of_estimate(found)}{left_out}"
        ),
    )


def _winters_of(found):
    n = found.groupby("site")["n_winters"].first()
    if len(n) == 1:
        return n_of(n.iloc[0], "winter")
    span = (
        fmt_count(n.min())
        if n.min() == n.max()
        else f"{fmt_count(n.min())} to {fmt_count(n.max())}"
    )
    return f"{span} winters a site"
