"""Sentences about a breeding programme's funnel: what it may gain, and what that rests on."""

import numpy as np

from culmbook.consistency.model import ESTABLISHED
from culmbook.selection.funnel import FunnelRuns, best_possible, first_stage_gain, funnel_table
from culmbook.text.numbers import fmt_interval, fmt_share
from culmbook.text.words import n_of


def funnel_words(runs: FunnelRuns, *, level: float = 0.95) -> str:
    """Say what the whole funnel may gain and how likely the best cross comes through.

    Parameters
    ----------
    runs : FunnelRuns
        On the log scale.
    level : float
        As in :func:`culmbook.selection.funnel.funnel_table`.

    Returns
    -------
    str
    """
    table = funnel_table(runs, level=level)
    end, steps = table.iloc[-1], " → ".join(map(str, [runs.funnel.entries, *table["kept"]]))
    left, them = f"the {end['kept']} hybrids left are", "among them"
    if end["kept"] == 1:
        left, them = "the hybrid left is", "the one"
    return (
        f"{steps} hybrids in {end['years']} years and {n_of(table['plots'].sum(), 'plot')}: {left} expected "
        f"to yield {fmt_share(end['gain'])} more than the mean of all crosses "
        f"({fmt_interval(end['lower'], end['upper'])} in {fmt_share(level)} of programmes), and the truly "
        f"best cross is {them} with a probability of {fmt_share(end['p_best'])}. That cross is expected to "
        f"lie {fmt_share(best_possible(runs))} above the mean."
    )


def assumption_words(
    runs: FunnelRuns, hybrid_spread: float, before: float | None = None, *, same_sites: bool = True
) -> str:
    """Say what the funnel rests on that the data do not tell.

    Parameters
    ----------
    runs : FunnelRuns
    hybrid_spread : float
        Standard deviation of the network's hybrids on the log scale.
    before : float, optional
        From :func:`culmbook.selection.funnel.spread_before`, where that is to be said.
    same_sites : bool
        As the funnel was run.

    Returns
    -------
    str
    """
    first = runs.funnel.stages[0]
    said = (
        "How much crosses differ before any selection is not in the data: a standard deviation of "
        f"{runs.first_spread:.2f} in log yield is taken; this network's hybrids have {hybrid_spread:.2f}. "
    )
    if before is not None:
        said += (
            "Had they come through the first stage as planned here, their crosses would have had "
            f"{before:.2f}. "
        )
    if first.likeness < 1 or first.residual != 1:
        said += (
            f"Assumed of the {first.name}: a genetic correlation of {first.likeness:g} with the yield of "
            f"full plots, and {first.residual:g} times their residual variance. "
        )
    sites = "the same sites serve all stages" if same_sites else "every stage has new sites"
    return said + (
        f"Yield alone decides; {sites}; {ESTABLISHED - 1} years of establishment come before the seasons of "
        "a stage; interactions are as large among crosses as among this network's hybrids; the data of "
        "earlier stages go on counting, with their best weights."
    )


def check_words(runs: FunnelRuns, variances, *, spread: float | None = None) -> str:
    """Set the simulated gain of the first stage beside that of the order statistics of so many crosses.

    Parameters
    ----------
    runs : FunnelRuns
        On the log scale.
    variances, spread
        Those that the programmes were played with.

    Returns
    -------
    str
    """
    exact = np.expm1(first_stage_gain(runs.funnel, variances, spread=spread))
    found, stage = np.expm1(runs.gains[:, 0].mean()), runs.funnel.stages[0]
    return (
        f"Check: order statistics of {runs.funnel.entries} crosses put the gain of the {stage.name} at "
        f"{fmt_share(exact, 1)} (geometric mean); the programmes played have {fmt_share(found, 1)}."
    )
