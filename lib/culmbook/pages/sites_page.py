"""What the notebook on choosing says of sites: one stage and two, how alike they rank, what links them."""

"linked."

from matplotlib.figure import Figure

from culmbook.pages.seasons_page import sentence
from culmbook.pages.selection_page import NO_DECISION, Choice
from culmbook.pages.site_figures import ladder_height, plot_site_ladder
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.sites.choosing_elsewhere import ALL_SITES, choosing_elsewhere
from culmbook.sites.correlation import correlation_words, fit_site_correlation
from culmbook.sites.groups import HALF_IN_COMMON, site_groups
from culmbook.sites.two_stage import compare_stages, fit_two_stage, site_means
from culmbook.spatial.trend import BLOCKS, SURFACE_ROWS_COLUMNS, with_places
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import joined, n_of
from culmbook.trials.connected import common_entries, linking_words

ONE_SITE = "The yields are of one site: {what} takes two."
TRENDS = {"two stages": BLOCKS, "two stages, field trend taken out": SURFACE_ROWS_COLUMNS}
"""Ways of putting sites together in two stages, with what is taken out of each field."""


def two_stages_of(choice: Choice, plots) -> dict:
    """The two-stage fits by what they are called in a sentence, or why there is none.

    Parameters
    ----------
    choice : Choice
    plots : DataFrame
        Table ``plots``, for the places of plots.

    Returns
    -------
    dict of str to TwoStageFit or str
    """
    if choice.reason:
        return {}
    if not choice.part.is_network:
        return dict.fromkeys(TRENDS, ONE_SITE.format(what="putting sites together"))
    fit, made = choice.part.fit, {}
    records = with_places(fit.records, plots)
    for name, trend in TRENDS.items():
        try:
            made[name] = fit_two_stage(site_means(records, trend=trend), fit.controls, fit.groups)
        except ValueError as error:
            made[name] = sentence(error)
    return made


def show_stages(choice: Choice, stages: dict) -> tuple:
    """One stage and two side by side: sentences and table, or why not.

    Parameters
    ----------
    choice : Choice
    stages : dict
        From :func:`two_stages_of`.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    refused = {name: why for name, why in stages.items() if isinstance(why, str)}
    k = min(choice.k, len(choice.decided) - 1)
    compared = {
        name: compare_stages(choice.part.fit, fit, k=k)
        for name, fit in stages.items()
        if name not in refused
    }
    if not compared:
        return tuple(say(why, kind="refusal") for why in dict.fromkeys(refused.values()))
    told = [_stage_words(name, own) for name, own in compared.items()]
    not_made = [
        say(f"{name[0].upper()}{name[1:]}: {why}", kind="refusal") for name, why in refused.items()
    ]
    return (
        say("One model of all plots is the main answer; the other ways serve to compare.", *told),
        *not_made,
        _stage_table(choice, compared),
    )


def _stage_words(name, own):
    change = (
        f"{fmt_list(own.entering)} would take the place of {fmt_list(own.leaving)} among the best "
        f"{own.k} by yield"
        if own.entering
        else f"the best {own.k} by yield are the same"
    )
    return (
        f"{name[0].upper()}{name[1:]}: the values correlate with those of one stage by "
        f"{fmt_number(own.correlation, 2)}, and {change}."
    )


def _stage_table(choice, compared):
    first = next(iter(compared.values())).table
    frame = first[["hybrid", "one_stage", "rank_one"]].copy()
    columns = {
        "hybrid": Column("Hybrid"),
        "one_stage": Column(
            "One stage",
            "log",
            digits=2,
            kind="number",
            meaning="Value less the mean of all hybrids.",
        ),
        "rank_one": Column("Rank", kind="count"),
    }
    for i, (name, own) in enumerate(compared.items(), 1):
        other = own.table.set_index("hybrid").reindex(frame["hybrid"])
        frame[f"value_{i}"] = other["two_stage"].to_numpy()
        frame[f"rank_{i}"] = other["rank_two"].to_numpy()
        columns[f"value_{i}"] = Column(
            f"{name[0].upper()}{name[1:]}", "log", digits=2, kind="number"
        )
        columns[f"rank_{i}"] = Column("Rank", kind="count")
    frame["is_control"] = frame["hybrid"].isin(choice.part.controls)
    return table(
        frame,
        label="stages",
        columns=columns,
        strong="is_control",
        caption="Lasting values of the hybrids by one model of all plots and in two stages, on the log "
        "scale.",
        note=joined(
            choice.part.mark,
            "Values are differences from the mean of all hybrids: 0.10 is about 10 %. Two stages: adjusted "
            "means of each site over its seasons with their full covariance, then all sites. Controls "
            "in bold, "
            "ranked with the others.",
        ),
    )


# -- sites that rank alike ------------------------------------------------------------------------


def show_correlation(choice: Choice, *, rank: int) -> tuple:
    """Do sites rank the hybrids alike: finding, figure and tables, or why it is not told.

    Parameters
    ----------
    choice : Choice
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.part.reason:
        return (say(NO_DECISION, kind="refusal"),)
    if not choice.part.is_network:
        return (say(ONE_SITE.format(what="a comparison of sites"), kind="refusal"),)
    try:
        found = fit_site_correlation(choice.part.fit, level=choice.part.level)
    except ValueError as error:
        return (say(sentence(error), kind="refusal"),)
    if found.pairs["correlation"].isna().all():
        return (say(correlation_words(found), kind="refusal"),)
    try:
        groups, why = site_groups(found), ""
    except ValueError as error:
        groups, why = None, sentence(error)
    told = finding(
        _alike_words(found), why or groups.why, rank=rank, label="Sites", see="site-correlations"
    )
    drawn = _correlation_figure(choice, found, None if groups is None else groups.groups)
    return told, say(correlation_words(found)), drawn, *_elsewhere(found)


def _alike_words(found):
    known = found.pairs.dropna(subset="correlation")
    low, high = (known.loc[known["correlation"].agg(f)] for f in ("idxmin", "idxmax"))
    least, most = (fmt_number(row["correlation"], 2) for row in (low, high))
    if len(known) == 1:
        return f"{low['site']} and {low['other']} rank the hybrids with a genetic correlation of {least}."
    if high["correlation"] - low["correlation"] < 0.005:
        return f"All sites rank the hybrids alike to the same degree: their genetic correlation is {least}."
    how = "much alike" if low["correlation"] >= HALF_IN_COMMON else "alike only in part"
    return (
        f"Sites rank the hybrids {how}: genetic correlations run from {least} ({low['site']} and "
        f"{low['other']}) "
        f"to {most} ({high['site']} and {high['other']}); 1 is the same order."
    )


def _correlation_figure(choice, found, groups):
    n = len(found.correlation)
    fig = Figure(figsize=page_size(ladder_height(n)), layout="constrained")
    plot_site_ladder(found, groups, ax=fig.subplots())
    marks = (
        ""
        if groups is None or groups.nunique() == 1
        else " Colour and marker: the other site's group."
    )
    return figure(
        fig,
        label="site-correlations",
        data=found.pairs,
        alt=f"Correlation of the hybrids' true values for each of {n_of(n, 'site')} with every other "
        "site, with "
        "intervals, the most alike on top.",
        caption="Genetic correlation of the hybrids' lasting yields at each site (left) with every "
        "other (right), "
        f"errors of the means taken off, with {choice.part.percent} % intervals.{marks} "
        f"{choice.part.mark}".strip(),
    )


def _elsewhere(found):
    frame = choosing_elsewhere(found)
    everywhere = frame[frame["chosen_at"].eq(ALL_SITES)].set_index("grown_at")
    own = frame[frame["chosen_at"].ne(ALL_SITES) & frame["efficiency"].notna()]
    if own.empty:
        return ()
    best = own.loc[own.groupby("grown_at")["efficiency"].idxmax()].set_index("grown_at")
    merged = best.join(
        everywhere[["efficiency"]].rename(columns={"efficiency": "all_sites"})
    ).reset_index()
    columns = {
        "grown_at": Column("Grown at"),
        "own_accuracy": Column(
            "Accuracy of its own trial",
            digits=2,
            kind="number",
            meaning="Correlation of means and true values of hybrids at the site.",
        ),
        "all_sites": Column(
            "By all sites",
            digits=2,
            kind="number",
            meaning="Gain by choosing by the mean of all sites over that by its own trial.",
        ),
        "chosen_at": Column("Best other site"),
        "efficiency": Column(
            "By that site",
            digits=2,
            kind="number",
            meaning="Gain by choosing there over that by its own trial.",
        ),
    }
    return (
        table(
            merged,
            label="choosing-elsewhere",
            columns=columns,
            caption="Gain at a site by choosing elsewhere, over that by choosing by its own trial.",
            note="Over 1, the other place chooses better for the site than its own trial does; as many "
            "chosen of "
            "as many hybrids. All sites: the plain mean over them, the site's own trial included.",
        ),
    )


# -- links ----------------------------------------------------------------------------------------


def show_links(choice: Choice) -> tuple:
    """How strongly trials hang together: sentences and table, or why not."""
    records = choice.part.records
    if records.empty:
        return (say(NO_DECISION, kind="refusal"),)
    if records["site"].nunique() < 2:
        return (say(ONE_SITE.format(what="a link between trials"), kind="refusal"),)
    frame = common_entries(records, choice.part.controls)
    columns = {
        "site": Column("Site"),
        "other": Column("Other site"),
        "n_hybrids": Column("Hybrids at the one", kind="count"),
        "n_other": Column("At the other", kind="count"),
        "n_common": Column("At both", kind="count"),
        "n_common_controls": Column("Of these controls", kind="count"),
    }
    listed = table(
        frame, label="links", columns=columns, caption="Hybrids that pairs of sites have in common."
    )
    return say(linking_words(records, choice.part.controls)), listed
