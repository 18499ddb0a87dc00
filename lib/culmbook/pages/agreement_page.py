"""What a site's report says of its agreement with the network: this site's hybrids beside all other sites."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from culmbook.pages.seasons_page import Seasons, sentence
from culmbook.pages.site_figures import plot_site_against_rest
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.sites.agreement import SiteAgreement, agreement_words, fit_site_agreement
from culmbook.sites.correlation import shared_seasons
from culmbook.sites.two_stage import site_means
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import joined, n_of

NOT_SET_BESIDE = "So this site is not set beside the others."


@dataclass(frozen=True)
class Beside:
    """One site beside the others: ``found``, or the ``reason`` why there is nothing to set beside."""

    site: str
    part: Seasons = field(repr=False)
    found: SiteAgreement | None = field(repr=False)
    reason: str


def beside_others(part: Seasons, site: str) -> Beside:
    """Set a site's means beside what all other sites predict of its hybrids.

    Parameters
    ----------
    part : Seasons
        Of all sites, from :func:`culmbook.pages.seasons_page.seasons_of`.
    site : str

    Returns
    -------
    Beside
    """
    if part.fit is None:
        return Beside(site, part, None, f"{part.reason} {NOT_SET_BESIDE}")
    if site not in set(part.records["site"].astype(str)):
        return Beside(
            site, part, None, f"{site} has no yield of an established stand. {NOT_SET_BESIDE}"
        )
    try:
        sites = site_means(part.records)
        shared = shared_seasons(
            part.records, float(part.fit.fit.variances.get("hybrid_season", 0.0))
        )
        found = fit_site_agreement(
            sites, site, part.fit.controls, part.fit.groups, shared=shared, level=part.level
        )
    except ValueError as error:
        return Beside(site, part, None, f"{sentence(error)} {NOT_SET_BESIDE}")
    return Beside(site, part, found, "")


def show_stands(part: Seasons, site: str) -> tuple:
    """Which hybrids and seasons each site has: a sentence and a table; a refusal where there is no yield."""
    if part.records.empty:
        return (say(f"{part.reason} {NOT_SET_BESIDE}", kind="refusal"),)
    here = set(part.records.loc[part.records["site"].astype(str) == site, "hybrid"])
    rows = [
        _stand_row(name, own, here)
        for name, own in part.records.groupby(part.records["site"].astype(str))
    ]
    frame = pd.DataFrame(rows).assign(is_here=lambda t: t["site"] == site)
    words = (
        f"{n_of(len(frame), 'site')} of the network {'has' if len(frame) == 1 else 'have'} yields of established "
        f"stands ({fmt_list(frame['site'].tolist())}); the tables of other sites are read for this section only."
    )
    return say(words), _stand_table(part, frame, site)


def _stand_row(name, own, here):
    stands = set(own["hybrid"])
    return {
        "site": name,
        "seasons": fmt_list(sorted(own["season"].unique())),
        "hybrids": len(stands),
        "common": len(stands & here),
        "plots": own["plot_key"].nunique(),
        "cuts": len(own),
    }


def _stand_table(part, frame, site):
    columns = {
        "site": Column("Site"),
        "seasons": Column("Seasons", meaning="With cuts after establishment."),
        "hybrids": Column("Hybrids", kind="count"),
        "common": Column(f"Also at {site}", kind="count"),
        "plots": Column("Plots", kind="count"),
        "cuts": Column("Cuts", kind="count"),
    }
    return table(
        frame,
        label="stands",
        columns=columns,
        order="site",
        strong="is_here",
        caption="Yields of established stands, by site.",
        note=joined("In bold: this site.", part.mark),
    )


def show_beside(beside: Beside, controls: list, *, rank: int) -> tuple:
    """What this site saw against what the others predict: finding, figure and table, or why not.

    Parameters
    ----------
    beside : Beside
    controls : list of str
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if beside.found is None:
        return (say(beside.reason, kind="refusal"),)
    part = beside.part
    words = agreement_words(beside.found, scale=part.fit.scale, level=part.level)
    said = finding(
        words, part.mark, rank=rank, label="This site and the network", see="beside-others"
    )
    return said, _beside_figure(beside, controls), _beside_table(beside)


def _beside_figure(beside, controls):
    drawn = Figure(figsize=page_size(4.2), layout="constrained")
    left_out = plot_site_against_rest(
        beside.found, controls, ax=drawn.subplots(), scale=beside.part.fit.scale
    )
    unnamed = f" {n_of(left_out, 'name')} found no room; the table has all." if left_out else ""
    return figure(
        drawn,
        label="beside-others",
        caption=f"Hybrids as {beside.site} saw them and as the other sites predict them, each set of means about its own "
        f"mean. A lozenge reaches over both {beside.part.percent} % intervals; on the broken line a hybrid does here what "
        f"is expected of it. Filled and named: clearly apart, all hybrids together.{unnamed} {beside.part.mark}".strip(),
        alt=f"Scatter of {len(beside.found.table)} hybrids: yield expected from other sites across, yield seen at "
        f"{beside.site} upwards. Correlation of the means as seen {fmt_number(beside.found.seen, 2)}.",
    )


def _beside_table(beside):
    logs = beside.found.table.columns.drop(["hybrid", "apart"])
    frame = beside.found.table.assign(apart=beside.found.table["apart"].replace("", "no"))
    frame = frame.assign(**{c: np.expm1(frame[c]) for c in logs}, is_apart=frame["apart"].ne("no"))
    columns = {
        "hybrid": Column("Hybrid"),
        "own": Column(
            "Seen here", kind="share", meaning="Yield against the mean of the hybrids compared."
        ),
        "rest": Column(
            "Expected", kind="share", meaning="The same, predicted from the other sites."
        ),
        "difference": Column("Difference", kind="share", meaning="Seen over expected, less 1."),
        "interval": Column(
            f"{beside.part.percent} % interval",
            kind="share_interval",
            ends=("lower", "upper"),
            meaning="For all hybrids at once.",
        ),
        "apart": Column("Clearly apart"),
    }
    return table(
        frame,
        label="beside-others-table",
        columns=columns,
        strong="is_apart",
        caption=f"Each hybrid as {beside.site} saw it and as the other sites predict it.",
        note=joined("The largest difference first.", beside.part.mark),
    )


def show_limits(beside: Beside) -> tuple:
    """What agreement with other sites does not tell."""
    if beside.found is None:
        return ()
    return (
        say(
            "A hybrid that stands apart here may suit this site, or may have met a fault of this field that the layout "
            "does not show; one site's seasons do not tell which. The network's answer holds for sites like those "
            "tested. Local codes and qualified people decide what is planted."
        ),
    )


def headline(beside: Beside) -> str:
    """Three numbers that do not depend on the machine."""
    if beside.found is None:
        return f"not set beside the others: {beside.reason}"
    apart = beside.found.table.loc[beside.found.table["apart"] != "", "hybrid"].astype(str)
    return "\n".join(
        [
            f"hybrids compared: {len(beside.found.table)}",
            f"correlation of the means as seen: {fmt_number(beside.found.seen, 2)}",
            f"clearly apart: {fmt_list(sorted(apart)) if len(apart) else 'none'}",
        ]
    )
