"""What the notebook on consistency says of trust: components, repeatability, seasons still needed, limits."""

import numpy as np
import pandas as pd

from culmbook.consistency.chances import ERRATIC_CLASS, PROMISING_CLASS, PROVEN_CLASS
from culmbook.consistency.model import LEAST_SEASONS, compare_plot_kernels, is_provisional
from culmbook.consistency.reliability import (
    ENOUGH,
    component_table,
    estimates,
    merged_words,
    reliability,
    reliability_grid,
    repeatability,
    seasons_needed,
    trust_table,
)
from culmbook.pages.consistency_figures import plot_reliability
from culmbook.pages.seasons_page import NOTHING, Seasons, sentence
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.words import is_are, joined, n_of

REACH = 8  # sites, seasons or replicates looked at
KERNELS = {
    "alike over seasons": "alike over all seasons (compound symmetry)",
    "dying away": "dying away with the years between (first-order autoregression)",
    "any covariance": "any covariance (unstructured)",
}


# -- components -----------------------------------------------------------------------------------


def show_components(part: Seasons) -> tuple:
    """Components of variance with intervals, and how cuts of one plot go together over seasons.

    Parameters
    ----------
    part : Seasons

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if part.reason:
        return (say(NOTHING, kind="refusal"),)
    frame = component_table(part.fit, part.drawn, level=part.level)
    columns = {
        "label": Column("Component"),
        "variance": Column("Variance", "log²", digits=4, kind="number"),
        "interval": Column(
            f"{part.percent} % interval", "log²", digits=4, kind="interval", ends=("lower", "upper")
        ),
        "sd": Column(
            "Standard deviation", "log", digits=2, kind="number", meaning="Near a relative one."
        ),
        "share": Column("Of all", kind="share"),
    }
    is_given = frame["lower"].eq(frame["upper"]) & (frame["variance"] > 0)
    frame = frame.assign(**{end: frame[end].mask(is_given) for end in ("lower", "upper")})
    zero = list(frame.loc[frame["variance"] <= 1e-10, "label"])
    listed = table(
        frame,
        label="variance-components",
        columns=columns,
        caption="Components of variance of log yield after establishment.",
        note=joined(
            part.mark,
            "Restricted maximum likelihood; intervals from the posterior. Not listed: what the layout cannot "
            "tell apart from a component that is, and replicates or blocks where there are two only, which "
            "are fixed.",
            f"At zero: {fmt_list(zero)}; nothing in the data asks for it."
            if len(zero) == 1
            else "",
            f"At zero: {fmt_list(zero)}; nothing in the data asks for them."
            if len(zero) > 1
            else "",
            _residual_words(part),
        ),
    )
    merged = merged_words(part.fit)
    return (*([say(merged)] if merged else []), listed, *_kernels(part))


def _residual_words(part):
    own = part.fit.fit.variances
    own = own[own.index.str.startswith("residual")]
    if len(own) == 1:
        return "One residual variance serves all site-seasons."
    return (
        f"The residual variance differs between site-seasons ({fmt_number(own.min(), 3)} to "
        f"{fmt_number(own.max(), 3)}); its mean is listed, without an interval because the draws hold it."
    )


def _kernels(part):
    try:
        frame = compare_plot_kernels(part.records, part.controls)
    except ValueError as error:
        return (say(sentence(error), kind="refusal"),)
    best = frame.index[0]
    plain = (
        frame.loc["alike over seasons", "above_best"]
        if "alike over seasons" in frame.index
        else np.nan
    )
    words = (
        f"Cuts of one plot in different seasons go together best with a covariance that is {KERNELS[best]}."
        if len(frame) > 1
        else f"Only one covariance of a plot's cuts could be fitted: {KERNELS[best]}."
    )
    used = (
        f"The results here take it as {KERNELS['alike over seasons']}; its criterion is "
        f"{fmt_number(plain, 1)} above the best."
        if best != "alike over seasons" and plain == plain
        else ""
    )
    columns = {
        "label": Column("Cuts of one plot over seasons"),
        "criterion": Column("−2 log likelihood", digits=1, kind="number", meaning="Restricted."),
        "parameters": Column("Parameters", kind="count"),
        "aic": Column("Akaike's criterion", digits=1, kind="number"),
        "above_best": Column("Above the best", digits=1, kind="number"),
    }
    listed = table(
        frame.assign(
            label=[KERNELS[k] for k in frame.index], parameters=frame["parameters"].astype(int)
        ),
        label="plot-covariances",
        columns=columns,
        caption="Which covariance fits the repeated cuts of a plot.",
        note=joined(part.mark, "All have the same fixed effects and one residual variance."),
    )
    return say(words, used), listed


# -- repeatability and reliability ----------------------------------------------------------------


def layout_of(part: Seasons) -> tuple[int, int, int]:
    """Sites, seasons and middle number of plots per hybrid and site-season in the data at hand."""
    plots = part.records.groupby(["environment", "hybrid"]).size()
    return part.records["site"].nunique(), len(part.seasons), max(int(plots.median()), 1)


def plans_of(part: Seasons) -> list[tuple[int, int, int]]:
    """The data's own plan, with more seasons, with more plots and, in a network, with more sites."""
    s, y, r = layout_of(part)
    plans = [(s, y, r), (s, y + 1, r), (s, y + 2, r), (s, y, 2 * r)]
    return [*plans, (2 * s, y, r)] if part.is_network else plans


def show_trust(part: Seasons, *, enough: float = ENOUGH, rank: int) -> tuple:
    """Repeatability, reliability for plans, seasons still needed: finding, figure, table, or why not.

    Parameters
    ----------
    part : Seasons
    enough : float
        Reliability at which a mean counts as known, 0-1.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if lacking := part.lacking("repeatability and reliability"):
        return (say(lacking, kind="refusal"),)
    frame = trust_table(part.fit, part.drawn, plans_of(part), level=part.level)
    own, (sites, seasons, plots) = estimates(part.fit), layout_of(part)
    here = frame.iloc[1]
    said = (
        f"A hybrid's mean over {_plan_words(sites, seasons, plots)} has a reliability of "
        f"{fmt_number(here['value'], 2)} ({part.percent} % interval "
        f"{fmt_interval(here['lower'], here['upper'], 2, share=False)}).{_uneven(part)}"
    )
    need = _need_words(seasons_needed(own, sites, plots, enough=enough), seasons, enough)
    finding_shown = finding(
        said,
        need,
        part.mark,
        rank=rank,
        label="How sure",
        see="reliability",
        numbers={"Repeatability of a plot": fmt_number(frame["value"].iloc[0], 2)},
    )
    return (
        finding_shown,
        *_site_words(part),
        _contours(part, own, enough),
        _trust_table(part, frame),
    )


def _plan_words(sites, seasons, plots):
    where = f"{n_of(sites, 'site')}, " if sites > 1 else ""
    return f"{where}{n_of(seasons, 'season')} and {n_of(plots, 'plot')} {'each' if sites > 1 else 'a season'}"


def _uneven(part):
    """Where hybrids were not cut in every site and season that the plan counts, theirs is less."""
    cells = part.records.groupby("hybrid")["environment"].nunique()
    sites, seasons, _ = layout_of(part)
    is_even = cells.min() == sites * seasons
    return "" if is_even else " Hybrids that were not cut everywhere fall short of that."


def _need_words(needed, seasons, enough):
    goal = fmt_number(enough, 2)
    if needed is None:
        return f"No number of seasons up to 30 brings it to {goal}: sites and plots set the limit."
    if needed <= seasons:
        return f"By the estimated variances {n_of(needed, 'season')} {is_are(needed)} enough for {goal}."
    return (
        f"By the estimated variances it takes {n_of(needed - seasons, 'more season')}, {needed} in all, to "
        f"reach {goal}."
    )


def _site_words(part):
    if part.is_network:
        return ()
    return (
        say(
            "At one site, what a hybrid does everywhere and what it does only here cannot be told apart: "
            "reliability is of its yield at this site.",
            kind="caution",
        ),
    )


def _contours(part, variances, enough):
    sites, seasons, plots = layout_of(part)
    reach = max(REACH, seasons, sites if part.is_network else plots)
    if part.is_network:
        grid = reliability_grid(variances, plots, sites=reach, seasons=reach)
        ylabel, spot, held = (
            "Sites",
            sites,
            f"with {n_of(plots, 'plot')} per hybrid, site and season",
        )
    else:
        across = np.arange(1, reach + 1)
        values = reliability(variances, 1, across[None, :], across[:, None])
        grid = pd.DataFrame(values, index=across, columns=across)
        ylabel, spot, held = "Plots per hybrid and season", plots, "at this one site"
    fig, ax = new_figure(3.4, 0.75)
    plot_reliability(grid, enough, ax=ax, here=(spot, seasons), ylabel=ylabel)
    now = float(grid.loc[spot, seasons])
    return figure(
        fig,
        label="reliability",
        data=grid.rename_axis(index=ylabel.lower())
        .rename(columns=lambda c: f"{c} seasons")
        .reset_index(),
        alt=f"Contours of reliability; the data at hand lie at {fmt_number(now, 2)}.",
        caption=f"Reliability of a hybrid's mean by {ylabel.lower()} and seasons after establishment, "
        f"{held}, at the estimated variances. The square marks the data at hand ({fmt_number(now, 2)}); the "
        f"heavy line is {fmt_number(enough, 2)}. {part.mark}".strip(),
    )


def _trust_table(part, frame):
    names = {
        "repeatability": "Repeatability of a plot",
        "reliability": "Reliability of a hybrid's mean",
    }
    columns = {
        "label": Column("What"),
        "sites": Column("Sites", kind="count"),
        "seasons": Column("Seasons", kind="count"),
        "replicates": Column("Plots", kind="count", meaning="Per hybrid, site and season."),
        "value": Column("Value", digits=2, kind="number"),
        "interval": Column(
            f"{part.percent} % interval", digits=2, kind="interval", ends=("lower", "upper")
        ),
    }
    return table(
        frame.assign(label=frame["what"].map(names)),
        label="trust",
        columns=columns,
        caption="Repeatability, and reliability of hybrid means for this plan and larger ones.",
        note=joined(
            part.mark,
            "Repeatability is the correlation of two seasons' cuts of one plot; reliability the squared "
            "correlation of a hybrid's mean with its lasting value. The first plan is that of the data at "
            f"hand. {fmt_share(1)} would be known without error.",
        ),
    )


# -- limits and headline --------------------------------------------------------------------------


def show_limits(part: Seasons) -> tuple:
    """What may not be concluded, one paragraph each."""
    if part.records.empty:
        return (
            say("Without yields of established stands nothing is concluded here.", kind="caution"),
        )
    told = [
        f"Results hold for the sites, seasons and ages tested: {_tested_words(part.records)}. A winter or a "
        "drought that has not come yet is no part of them, and a probability for a new season takes it to be "
        "like those seen.",
        "Candidates are taken as drawn from one population per crop type and pulled towards its mean as far "
        "as their own data are few. The control is fixed and is not pulled: it must be an established "
        "standard chosen beforehand, not the best of these candidates, or chances against it come out wrong.",
    ]
    few = is_provisional(part.records)
    if few.any():
        told.append(
            f"Provisional: a hybrid with fewer than {LEAST_SEASONS} seasons after establishment does not "
            "count as proven, however high its chances: how much seasons differ is learnt from the few there "
            "are."
        )
    return tuple(say(t, kind="caution") for t in told)


def _tested_words(records):
    ages = sorted({int(a) for a in records["crop_year"]})
    sites, seasons = (
        sorted(records["site"].astype(str).unique()),
        sorted(records["season"].unique()),
    )
    return (
        f"{fmt_list(sites)}; season{'s' if len(seasons) > 1 else ''} {fmt_list(seasons)}; "
        f"crop year{'s' if len(ages) > 1 else ''} {fmt_list([str(a) for a in ages])}"
    )


def headline(part: Seasons, chances: pd.DataFrame | str) -> str:
    """Main results as a few coarse lines of plain text, equal on every machine."""
    if part.reason:
        return "consistency: no answer"
    lines = [f"cuts after establishment: {len(part.records)}, seasons {fmt_list(part.seasons)}"]
    if isinstance(chances, str):
        return "\n".join([*lines, "chances against the control: no answer"])
    own = chances[chances["verdict"] != "control"]
    for verdict in (PROVEN_CLASS, PROMISING_CLASS, ERRATIC_CLASS):
        named = sorted(own.loc[own["verdict"].eq(verdict), "hybrid"])
        lines.append(f"{verdict}: {fmt_list(named) or 'none'}")
    best = own.iloc[0]
    lines.append(
        f"highest chance against {part.control}: {best['hybrid']}, {best['chance_next']:.1f}"
    )
    lines.append(f"repeatability of a plot: {repeatability(estimates(part.fit)):.2f}")
    return "\n".join(lines)
