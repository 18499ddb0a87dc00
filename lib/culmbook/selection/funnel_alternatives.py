"""Would the same plots, laid out in another way, bring a breeding programme further?"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from culmbook.selection.funnel import Funnel, as_gain, funnel_table, mean_and_error, run_funnel
from culmbook.text.numbers import fmt_share
from culmbook.text.words import n_of


def alternatives(funnel: Funnel) -> dict[str, Funnel]:
    """Other funnels with just as many plots: the largest stage after the first laid out in another way.

    Parameters
    ----------
    funnel : Funnel

    Returns
    -------
    dict of str to Funnel
        ``as planned`` first; then, where whole numbers allow, half as many hybrids at twice the sites, twice
        as many at half the sites, and every replicate at a site of its own.
    """
    found = {"as planned": funnel}
    if len(funnel.stages) < 2:
        return found
    at = 1 + int(np.argmax(funnel.plots[1:]))
    stage, n = funnel.stages[at], funnel.entering[at]
    changes = []
    if n % 2 == 0 and n // 2 > stage.kept:
        changes.append((n // 2, 2 * stage.sites, stage.replicates))
    if stage.sites % 2 == 0 and 2 * n < funnel.entering[at - 1]:
        changes.append((2 * n, stage.sites // 2, stage.replicates))
    if stage.replicates > 1:
        changes.append((n, stage.sites * stage.replicates, 1))
    for kept, sites, replicates in changes:
        stages = list(funnel.stages)
        stages[at - 1] = replace(stages[at - 1], kept=kept)
        stages[at] = replace(stage, sites=sites, replicates=replicates)
        trial = [n_of(kept, "hybrid"), n_of(sites, "site"), n_of(replicates, "replicate")]
        name = f"{' × '.join(trial)} in the {stage.name} stage"
        found[name] = Funnel(funnel.entries, tuple(stages))
    return found


def compare_funnels(
    funnels: Mapping[str, Funnel], variances, *, scale: str = "log", **options
) -> pd.DataFrame:
    """Funnels side by side.

    Parameters
    ----------
    funnels : mapping of str to Funnel
        The first is the one that others are compared with.
    variances, **options
        As in :func:`run_funnel`.
    scale : {'log', 'raw'}

    Returns
    -------
    DataFrame
        ``funnel, plots, years, gain, lower, upper, p_best, p_best_error, difference, difference_error``: the
        last stage's figures of :func:`funnel_table`; the difference in gain from the first funnel with its
        Monte Carlo standard error. Where as many crosses enter, they are the same crosses.
    """
    rows, first = [], None
    for name, funnel in funnels.items():
        runs = run_funnel(funnel, variances, **options)
        first = runs if first is None else first
        last = funnel_table(runs, scale=scale).iloc[-1]
        apart = as_gain(runs.gains[:, -1:], scale) - as_gain(first.gains[:, -1:], scale)
        difference, error = mean_and_error(apart, runs.sets)
        rows.append(
            {
                "funnel": name,
                "plots": sum(funnel.plots),
                **last[["years", "gain", "lower", "upper", "p_best", "p_best_error"]],
                "difference": difference[0],
                "difference_error": error[0],
            }
        )
    return pd.DataFrame(rows)


def comparison_words(compared: pd.DataFrame) -> str:
    """Say whether another layout of as many plots gains more.

    Parameters
    ----------
    compared : DataFrame
        From :func:`culmbook.selection.funnel.compare_funnels` on the log scale; the first row is what is planned. A
        difference within two Monte Carlo errors does not count.

    Returns
    -------
    str
    """
    planned, others = compared.iloc[0], compared.iloc[1:]
    if others.empty:
        return "There is no other layout with as many plots to compare with."
    better = others[others["difference"] > 2 * others["difference_error"]]
    if better.empty:
        tried = "The other layout" if len(others) == 1 else f"None of {len(others)} other layouts"
        gains = "does not gain" if len(others) == 1 else "gains"
        return f"{tried} with as many plots {gains} more than the planned one."
    best = better.sort_values("difference").iloc[-1]
    return (
        f"With as many plots, another layout ({best['funnel']}) would gain {fmt_share(best['gain'])} instead "
        f"of {fmt_share(planned['gain'])}, and keep the best cross with a probability of "
        f"{fmt_share(best['p_best'])} instead of {fmt_share(planned['p_best'])}."
    )
