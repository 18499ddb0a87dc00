"""What the notebook on consistency says of steadiness: mean and spread, stability, agreement of rankings."""

from dataclasses import dataclass

import pandas as pd

from culmbook.consistency.stability import (
    REWARDS,
    cell_means,
    environment_regression,
    stability_variances,
)
from culmbook.consistency.statistics import season_concordance, season_ranks, season_statistics
from culmbook.pages.consistency_figures import plot_mean_and_spread, plot_rank_ribbons
from culmbook.pages.seasons_page import NOTHING, PANELS, Seasons, sentence
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.stats.ranks import concordance, friedman, intraclass
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.words import is_are, joined, marked, n_of

NAMED = 3  # hybrids with a ribbon of their own, beside the control
SHOWN = ("mean", "worst season", "coefficient of variation", "superiority")
ANSWERS = ("stability variance", "regression on the environment", "deviation from regression")


@dataclass(frozen=True)
class Cells:
    """Adjusted means of hybrids in site-seasons, or the ``reason`` why there are none."""

    reason: str
    cells: pd.DataFrame | None
    left_out: dict

    @property
    def n(self) -> int:
        return self.cells["environment"].nunique()


def cells_of(part: Seasons) -> Cells:
    """Means of hybrids in each site-season, from the plots' own layout there.

    Parameters
    ----------
    part : Seasons

    Returns
    -------
    Cells
    """
    if part.reason:
        return Cells(NOTHING, None, {})
    try:
        return Cells("", *cell_means(part.records))
    except ValueError as error:
        return Cells(sentence(error), None, {})


# -- mean, worst season, spread -------------------------------------------------------------------


def show_statistics(part: Seasons, *, rank: int) -> tuple:
    """Mean, worst season, coefficient of variation and superiority of every hybrid, or why not.

    Parameters
    ----------
    part : Seasons
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if lacking := part.lacking("a worst season or a spread over seasons"):
        return (say(lacking, kind="refusal"),)
    frame = season_statistics(part.drawn, level=part.level)
    sure = _steadiest(frame, part.percent)
    fig, ax = new_figure(4.6)
    unnamed = plot_mean_and_spread(frame, part.controls, ax=ax)
    rest = f" {n_of(unnamed, 'name')} found no room; the table has all." if unnamed else ""
    shown = figure(
        fig,
        label="mean-and-spread",
        data=frame,
        alt=f"Mean yield against standard deviation over seasons, one lozenge per hybrid. {sure}",
        caption=f"Mean yield [t/ha] and its standard deviation over {n_of(len(part.seasons), 'season')} [% "
        f"of the mean], weather included; up is even, right is high. A lozenge reaches as far as the "
        f"{part.percent} % intervals of both.{marked(frame['hybrid'], part.controls)}{rest} "
        f"{part.mark}".strip(),
    )
    said = finding(sure, part.mark, rank=rank, label="Steadiness", see="mean-and-spread")
    return said, shown, _statistics_table(part, frame), _rewards_table(SHOWN, "rewards-seasons")


def _steadiest(frame, percent):
    even = frame.loc[frame["cv"].idxmin()]
    loose = frame.loc[frame["cv"].idxmax()]
    words = (
        f"From season to season yields varied least in {even['hybrid']} ({fmt_share(even['cv'])} of its "
        f"mean, {percent} % interval {fmt_interval(even['cv_lower'], even['cv_upper'])}) and most in "
        f"{loose['hybrid']} ({fmt_share(loose['cv'])}, "
        f"{fmt_interval(loose['cv_lower'], loose['cv_upper'])})"
    )
    is_apart = even["cv_upper"] < loose["cv_lower"]
    return words + ("." if is_apart else "; these intervals overlap, so the order is not settled.")


def _statistics_table(part, frame):
    columns = {"hybrid": Column("Hybrid")}
    for name, heading, unit, kind, digits in (
        ("mean_t_ha", "Mean", "t/ha", "", 1),
        ("worst_t_ha", "Worst season", "t/ha", "", 1),
        ("cv", "Coefficient of variation", "", "share", 0),
        ("superiority", "Superiority", "(t/ha)²", "", 1),
    ):
        columns[name] = Column(heading, unit, digits=digits, kind=kind or "number")
        columns[f"{name}_interval"] = Column(
            f"{part.percent} % interval",
            unit,
            digits=digits,
            kind=f"{kind}_interval" if kind else "interval",
            ends=(f"{name}_lower", f"{name}_upper"),
        )
    return table(
        frame.assign(is_control=frame["hybrid"].isin(part.controls)),
        label="steadiness",
        columns=columns,
        strong="is_control",
        caption="Mean, worst season, spread over seasons and distance from the best, by hybrid.",
        note=joined(
            part.mark,
            "Controls in bold. All are of the hybrids' true values as far as the model knows them: the noise "
            "of plots does not count as spread. Superiority is half the mean squared distance from the best "
            "hybrid in each site-season; 0 is best everywhere.",
        ),
    )


def _rewards_table(names, label):
    rows = [(name.capitalize(), REWARDS[name]) for name in names]
    frame = pd.DataFrame(rows, columns=["statistic", "rewards"])
    columns = {"statistic": Column("Statistic"), "rewards": Column("What it rewards")}
    return table(frame, label=label, columns=columns, caption="What these statistics reward.")


# -- answers to good and bad environments ---------------------------------------------------------


def show_stability(part: Seasons, cells: Cells) -> tuple:
    """Stability variance and regression on the environment of every hybrid, or why not.

    Parameters
    ----------
    part : Seasons
    cells : Cells
        From :func:`cells_of`.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if cells.reason:
        return (say(cells.reason, kind="refusal"),)
    if cells.n < 3:
        few = f"{n_of(cells.n, 'season')} after establishment {is_are(cells.n)} too few to tell how"
        return (
            say(
                f"{few} hybrids answer to good and poor environments: it takes three.",
                kind="refusal",
            ),
        )
    try:
        stable = stability_variances(cells.cells, level=part.level)
    except ValueError as error:
        return (
            say(
                f"No stability variance and no regression on the environment: {error}.",
                kind="refusal",
            ),
        )
    told, frame = [], stable
    try:
        lines = environment_regression(cells.cells, level=part.level)
        frame = stable.merge(lines.drop(columns="n_environments"), on="hybrid")
    except ValueError as error:
        told.append(say(f"No regression on the environment: {error}.", kind="refusal"))
    return (
        *told,
        _stability_table(part, frame, cells),
        _rewards_table(ANSWERS, "rewards-environments"),
    )


def _stability_table(part, frame, cells):
    interval = f"{part.percent} % interval"
    squared = "log² ×1000"
    scaled = frame.assign(
        **{
            c: 1000 * frame[c]
            for c in ("stability_variance", "lower", "upper", "deviation_variance")
            if c in frame
        }
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "n_environments": Column("Site-seasons", kind="count"),
        "stability_variance": Column(
            "Stability variance",
            squared,
            digits=0,
            kind="number",
            meaning="Of log yield, times 1000.",
        ),
        "interval": Column(interval, squared, digits=0, kind="interval", ends=("lower", "upper")),
    }
    if "slope" in frame:
        columns |= {
            "slope": Column(
                "Slope", digits=2, kind="number", meaning="Log yield on the others' mean."
            ),
            "slope_interval": Column(
                interval, digits=2, kind="interval", ends=("slope_lower", "slope_upper")
            ),
            "deviation_variance": Column(
                "Deviation from it",
                squared,
                digits=0,
                kind="number",
                meaning="Error variance taken off.",
            ),
        }
    out = [f"{where}: {why}" for where, why in cells.left_out.items()]
    left = f"Left out: {'; '.join(out)}." if out else ""
    return table(
        scaled.assign(is_control=scaled["hybrid"].isin(part.controls)),
        label="stability",
        columns=columns,
        strong="is_control",
        order=["stability_variance", "hybrid"],
        caption=f"How hybrids answer to {n_of(cells.n, 'site-season')}: steadiest first.",
        note=joined(
            part.mark,
            "Controls in bold. Sites count as much as seasons here. The stability variance is unbiased, so "
            "it may fall below 0; it includes the error of the hybrid's means, the deviation from the "
            "regression does not. Each hybrid is set against the mean of the others. On the log scale a "
            "slope of 1 keeps its relative distance from the others.",
            left,
        ),
    )


# -- agreement of rankings ------------------------------------------------------------------------


def show_rankings(part: Seasons, cells: Cells, *, rank: int) -> tuple:
    """Do the seasons put the hybrids into one order? Coefficients, ribbons and changes of rank, or why not.

    Parameters
    ----------
    part : Seasons
    cells : Cells
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if lacking := part.lacking("whether rankings agree"):
        return (say(lacking, kind="refusal"),)
    w, low, high = season_concordance(part.drawn, level=part.level)
    ranks = season_ranks(part.drawn, level=part.level)
    said = (
        f"The {n_of(len(part.seasons), 'season')} put the {len(part.fit.hybrids)} hybrids into "
        f"{_alike(w)} order: Kendall's W of their true yields is {fmt_number(w, 2)} ({part.percent} % "
        f"interval {fmt_interval(low, high, 2, share=False)}; 1 is the same order, 0 none in common)."
    )
    shown = [finding(said, part.mark, rank=rank, label="Ranking", see="rank-ribbons")]
    return *shown, _measured_agreement(part, cells), _ribbons(part, ranks), _rank_table(part, ranks)


def _alike(w):
    if w >= 0.8:
        return "much the same"
    return "a partly common" if w >= 0.5 else "little common"


def _measured_agreement(part, cells):
    """Coefficients of the adjusted means, which take a complete table; else why there are none."""
    if cells.reason:
        return say(cells.reason, kind="refusal")
    wide = cells.cells.pivot(index="hybrid", columns="environment", values="value")
    what = "season" if not part.is_network else "site-season"
    if wide.isna().any(axis=None):
        return say(
            f"{n_of(int(wide.isna().any(axis=1).sum()), 'hybrid')} did not stand in every {what}, and ranks "
            "of an incomplete table are not comparable: Friedman's test and the intraclass correlation are "
            "not given. W above is of the model's values of every hybrid in every season.",
            kind="refusal",
        )
    try:
        own = concordance(wide.T)
        chi2, p = friedman(wide.T)
    except ValueError as error:
        return say(f"No agreement of the measured means: {error}.", kind="refusal")
    words = (
        f"Of the measured means in {n_of(wide.shape[1], what)}, noise included: W = {fmt_number(own.w, 2)}; "
        f"Friedman's test that all rank alike on average: chi-squared {fmt_number(chi2, 1)} on "
        f"{own.df} degrees of freedom, {fmt_p(p)}."
    )
    return say(words, _intraclass_words(wide, what), part.mark)


def _intraclass_words(wide, what):
    try:
        icc = intraclass(wide).set_index("form")
    except ValueError as error:
        return f"No intraclass correlation: {error}."
    one, mean = icc.loc["ICC(C,1)"], icc.loc["ICC(C,k)"]
    return (
        f"Intraclass correlation of log yield (consistency): {fmt_number(one['icc'], 2)} for one {what} "
        f"(95 % interval {fmt_interval(one['lower'], one['upper'], 2, share=False)}), "
        f"{fmt_number(mean['icc'], 2)} for the mean of all "
        f"({fmt_interval(mean['lower'], mean['upper'], 2, share=False)})."
    )


def _named(part, ranks):
    best = ranks.groupby("hybrid")["rank"].mean().sort_values(kind="stable").index
    others = [h for h in best if h != part.control][:NAMED]
    # the second of the series has the colour of controls
    return [*others[:1], part.control, *others[1:]] if part.control in set(best) else others


def _ribbons(part, ranks):
    fig, ax = new_figure(3.6, 0.75)
    named = _named(part, ranks)
    plot_rank_ribbons(ranks, named, ax=ax)
    n = ranks["hybrid"].nunique()
    others = f" The other {n - len(named)} are grey." if n > len(named) else ""
    return figure(
        fig,
        label="rank-ribbons",
        data=ranks,
        alt=f"Rank over seasons with ribbons for {fmt_list(named)}; wide ribbons are uncertain ranks.",
        caption=f"Rank by yield in {n_of(len(part.seasons), 'season')}, 1 the highest: {fmt_list(named)} "
        f"with ribbons as wide as the {part.percent} % intervals of their ranks.{others} {part.mark}".strip(),
    )


def _rank_table(part, ranks):
    wide = ranks.pivot(index="hybrid", columns="season")
    frame, columns = pd.DataFrame({"hybrid": wide.index}), {"hybrid": Column("Hybrid")}
    for season in part.seasons[-PANELS:]:
        for name in ("rank", "lower", "upper"):
            frame[f"{name}_{season}"] = wide[name, season].to_numpy()
        columns[f"rank_{season}"] = Column(f"Rank {season}", digits=0, kind="number")
        columns[f"interval_{season}"] = Column(
            f"{part.percent} % interval",
            digits=0,
            kind="interval",
            ends=(f"lower_{season}", f"upper_{season}"),
        )
    frame["change"] = (wide["rank"].max(axis=1) - wide["rank"].min(axis=1)).to_numpy()
    frame["mean_rank"] = wide["rank"].mean(axis=1).to_numpy()
    columns["change"] = Column(
        "Change", digits=0, kind="number", meaning="Lowest rank less highest."
    )
    return table(
        frame.assign(is_control=frame["hybrid"].isin(part.controls)),
        label="rank-changes",
        columns=columns,
        strong="is_control",
        order=["mean_rank", "change", "hybrid"],
        caption="Ranks by yield and how far they moved.",
        note=joined(
            part.mark, "Controls in bold. Medians of the true ranks that the model holds possible."
        ),
    )
