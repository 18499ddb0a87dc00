"""What the notebook on choosing says of the whole breeding programme: many crosses down to a few hybrids."""

from dataclasses import replace

import numpy as np

from culmbook.columns import Column
from culmbook.funnel import COMMON, Funnel, funnel_table, run_funnel, spread_before
from culmbook.funnel_alternatives import alternatives, compare_funnels, comparison_words
from culmbook.funnel_words import assumption_words, funnel_words
from culmbook.present import say, table
from culmbook.reliability import estimates
from culmbook.seasons_page import NOTHING, Seasons, joined, sentence


def funnel_of(crosses: int, kept) -> Funnel:
    """The usual programme with other numbers of hybrids.

    Parameters
    ----------
    crosses : int
        That enter the nursery.
    kept : sequence of int
        Hybrids that leave each stage of :data:`culmbook.funnel.COMMON`.

    Returns
    -------
    Funnel

    Raises
    ------
    ValueError
        Another number of stages, or numbers that do not fall.
    """
    names = [stage.name for stage in COMMON.stages]
    if len(kept) != len(names):
        raise ValueError(f"{len(kept)} numbers of hybrids kept; one is needed for each of {', '.join(names)}")
    stages = [replace(stage, kept=n) for stage, n in zip(COMMON.stages, kept, strict=True)]
    return Funnel(crosses, tuple(stages))


def show_funnel(
    part: Seasons, funnel: Funnel = COMMON, *, spread: float = 0.0, same_sites: bool = True, seed: int = 1
) -> tuple:
    """Expected gain of the whole funnel, other layouts of as many plots, and what that rests on; or why not.

    Parameters
    ----------
    part : Seasons
    funnel : Funnel
    spread : float
        Standard deviation of the crosses' lasting log yield; 0 = that of this network's hybrids.
    same_sites : bool
        Do all stages use the same sites?
    seed : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if part.reason:
        return (say(NOTHING, kind="refusal"),)
    own = estimates(part.fit)
    options = {"spread": spread or None, "same_sites": same_sites, "seed": seed}
    try:
        runs = run_funnel(funnel, part.drawn.sets, **options)
        compared = compare_funnels(alternatives(funnel), part.drawn.sets, **options)
        before = spread_before(funnel, own)
    except ValueError as error:
        return (say(f"{sentence(error)} So nothing is said of the whole programme.", kind="refusal"),)
    rests = assumption_words(runs, float(np.sqrt(own["hybrid"])), before, same_sites=same_sites)
    return (
        say(funnel_words(runs, level=part.level)),
        _stage_table(part, runs),
        say(comparison_words(compared)),
        _layout_table(part, compared),
        say(rests, kind="caution"),
    )


def _stage_table(part, runs):
    frame = funnel_table(runs, level=part.level)
    trial = frame[["sites", "seasons", "replicates"]].astype("str").agg(" × ".join, axis=1)
    columns = {
        "stage": Column("Stage"),
        "entering": Column("Enter", kind="count", meaning="Hybrids that enter the stage."),
        "kept": Column("Kept", kind="count", meaning="Hybrids that leave it."),
        "trial": Column("Sites × seasons × replicates", meaning="Seasons are those after establishment."),
        "plots": Column("Plots", kind="count", meaning="Planted, without controls."),
        "years": Column("Years", kind="count", meaning="Since the first planting."),
        "spread": Column("Spread", "log", digits=2, kind="number",
                         meaning="Standard deviation of the true values that enter the stage."),
        "accuracy": Column("Accuracy", digits=2, kind="number",
                           meaning="Correlation of criterion and true value among those that enter."),
        "gain": Column("Gain", kind="share", meaning="True yield of the kept over the mean of all crosses."),
        "interval": Column(f"{part.percent} % of programmes", kind="share_interval", ends=("lower", "upper")),
        "p_best": Column("Best kept", kind="share", meaning="Probability that the truly best cross is kept."),
    }
    worst = frame["p_best_error"].max()
    return table(
        frame.assign(trial=trial),
        label="funnel-stages",
        columns=columns,
        caption="A breeding programme by stage, played through with this network's variances.",
        note=joined(
            part.mark,
            "Gain: true yield of the kept over the mean of all crosses. Best kept: the truly best cross is "
            f"among them. From {len(runs.gains)} programmes; Monte Carlo error of a probability up to "
            f"{100 * worst:.1f} points.",
        ),
    )


def _layout_table(part, compared):
    columns = {
        "funnel": Column("Layout"),
        "plots": Column("Plots", kind="count"),
        "years": Column("Years", kind="count"),
        "gain": Column("Gain", kind="share"),
        "interval": Column(f"{part.percent} % of programmes", kind="share_interval", ends=("lower", "upper")),
        "p_best": Column("Best kept", kind="share"),
        "difference": Column("Difference", digits=1, kind="share", meaning="In gain, from the first layout."),
        "difference_error": Column("Error", digits=1, kind="share", meaning="Monte Carlo standard error."),
    }
    return table(
        compared.astype({"years": "int64"}),
        label="funnel-layouts",
        columns=columns,
        caption="The same number of plots laid out in other ways.",
        note=joined(part.mark, "Gain and best kept at the end of the last stage."),
    )
