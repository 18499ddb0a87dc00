"""Where plants are missing: runs along the planted row, and whether gaps cluster.

A clustered gap is a fault of field or machine; scattered gaps are the plant's own.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

KEYS = ["site", "plot", "counted_on"]


def longest_runs(gaps: pd.DataFrame) -> pd.DataFrame:
    """Runs of missing plants in each plot.

    Parameters
    ----------
    gaps : DataFrame
        ``site, plot, counted_on, position_row, position, alive``; ``alive`` is 'yes' or 'no', one row
        per planted position. A position that was not looked at breaks a run.

    Returns
    -------
    DataFrame
        ``site, plot, counted_on, positions, missing, longest_run, runs_of_three`` (runs of at least
        three) and ``position_row``, the row that holds the longest run (missing where there is none).
    """
    if gaps.empty:
        return pd.DataFrame(columns=[*KEYS, "positions", "missing", "longest_run", "runs_of_three", "position_row"])
    runs = _runs(gaps)
    plots = gaps.assign(missing=gaps["alive"].eq("no")).groupby(KEYS, as_index=False)
    table = plots.agg(positions=("alive", "size"), missing=("missing", "sum"))
    longest = runs.sort_values("length", ascending=False, kind="stable").drop_duplicates(KEYS)
    table = table.merge(longest.rename(columns={"length": "longest_run"})[[*KEYS, "longest_run", "position_row"]],
                        on=KEYS, how="left")
    threes = runs[runs["length"] >= 3].groupby(KEYS).size().rename("runs_of_three")
    table = table.merge(threes.reset_index(), on=KEYS, how="left")
    for column in ("longest_run", "runs_of_three"):
        table[column] = table[column].fillna(0).astype(int)
    return table


def _runs(gaps):
    """One row per run of missing plants: keys, position_row, length."""
    rows = gaps.sort_values([*KEYS, "position_row", "position"])
    missing = rows["alive"].eq("no")
    line = rows.groupby([*KEYS, "position_row"], sort=False).ngroup()
    follows = line.eq(line.shift()) & rows["position"].eq(rows["position"].shift() + 1) & missing.shift(fill_value=False)
    starts = (missing & ~follows).cumsum()
    held = rows[missing].groupby(starts[missing], sort=False)
    return held.agg(**{k: (k, "first") for k in [*KEYS, "position_row"]}, length=("position", "size"))


@dataclass(frozen=True)
class GapTest:
    """Result of the permutation test of clustering.

    ``joins`` neighbouring pairs of missing plants against ``joins_expected`` at random;
    ``longest_run`` in any plot; ``p_joins``, ``p_run`` and the combined ``p_value``;
    ``plots`` that say something (at least two plants missing and two alive).
    """

    plots: int
    missing: int
    joins: int
    joins_expected: float
    longest_run: int
    p_joins: float
    p_run: float
    p_value: float


def clustering(gaps: pd.DataFrame, *, permutations: int = 999, seed: int = 1) -> GapTest:
    """Are missing plants neighbours along the row more often than chance would have it?

    Parameters
    ----------
    gaps : DataFrame
        As for :func:`longest_runs`, one date per plot.
    permutations : int
        Random arrangements drawn; each keeps the number of missing plants of every plot.
    seed : int
        Seed of the arrangements and of the draw that breaks ties.

    Returns
    -------
    GapTest

    Raises
    ------
    ValueError
        A plot with two dates, or no plot with two missing and two living plants.

    Notes
    -----
    Two statistics are pooled over the plots: the number of neighbouring pairs of missing plants (many
    small clusters) and the longest run in any plot (one machine row). Ties are broken at random, so
    each p is exactly uniform when gaps are random; the combined p is twice the smaller, at most 1.
    """
    if gaps.groupby(["site", "plot"])["counted_on"].nunique().gt(1).any():
        raise ValueError("a plot has gaps on two dates; test one date at a time")
    rng = np.random.default_rng(seed)
    observed, drawn, plots, missing = np.zeros(2), np.zeros((permutations, 2)), 0, 0
    for _, plot in gaps.groupby(["site", "plot"], sort=True):
        gone, follows = _lines(plot)
        if gone.sum() < 2 or (~gone).sum() < 2:
            continue
        plots, missing = plots + 1, missing + int(gone.sum())
        here = _joins_and_run(gone[None, :], follows)[0]
        chance = _joins_and_run(rng.permuted(np.tile(gone, (permutations, 1)), axis=1), follows)
        observed = np.array([observed[0] + here[0], max(observed[1], here[1])])
        drawn = np.column_stack([drawn[:, 0] + chance[:, 0], np.maximum(drawn[:, 1], chance[:, 1])])
    if not plots:
        raise ValueError("no plot has two missing and two living plants: there is nothing to arrange")
    p = [_randomised_p(observed[k], drawn[:, k], rng) for k in (0, 1)]
    return GapTest(plots, missing, int(observed[0]), float(drawn[:, 0].mean()), int(observed[1]),
                   p[0], p[1], min(1.0, 2 * min(p)))





def _lines(plot):
    """Missing flags along the rows, and whether each position follows its predecessor in the row."""
    plot = plot.sort_values(["position_row", "position"])
    row, position = plot["position_row"].to_numpy(), plot["position"].to_numpy()
    follows = np.append(False, (row[1:] == row[:-1]) & (position[1:] == position[:-1] + 1))
    return plot["alive"].eq("no").to_numpy(), follows


def _joins_and_run(gone, follows):
    """Neighbouring pairs and longest run of each arrangement, shape (arrangements, 2)."""
    length, longest, joins = (np.zeros(len(gone), int) for _ in range(3))
    for j in range(gone.shape[1]):
        here = gone[:, j]
        joined = here & (length > 0) & follows[j]
        joins += joined
        length = np.where(joined, length + 1, here.astype(int))
        longest = np.maximum(longest, length)
    return np.column_stack([joins, longest])


def _randomised_p(observed, drawn, rng):
    above, ties = (drawn > observed).sum(), (drawn == observed).sum()
    return float((above + rng.uniform() * (ties + 1)) / (len(drawn) + 1))
