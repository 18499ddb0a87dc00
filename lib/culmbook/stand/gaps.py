"""Where plants are missing: runs along the planted row, and whether gaps cluster.

A clustered gap is a fault of field or machine; scattered gaps are the plant's own.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

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
        return pd.DataFrame(
            columns=[*KEYS, "positions", "missing", "longest_run", "runs_of_three", "position_row"]
        )
    runs = _runs(gaps)
    plots = gaps.assign(missing=gaps["alive"].eq("no")).groupby(KEYS, as_index=False)
    table = plots.agg(positions=("alive", "size"), missing=("missing", "sum"))
    longest = runs.sort_values("length", ascending=False, kind="stable").drop_duplicates(KEYS)
    table = table.merge(
        longest.rename(columns={"length": "longest_run"})[[*KEYS, "longest_run", "position_row"]],
        on=KEYS,
        how="left",
    )
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
    follows = (
        line.eq(line.shift())
        & rows["position"].eq(rows["position"].shift() + 1)
        & missing.shift(fill_value=False)
    )
    starts = (missing & ~follows).cumsum()
    held = rows[missing].groupby(starts[missing], sort=False)
    return held.agg(
        **{k: (k, "first") for k in [*KEYS, "position_row"]}, length=("position", "size")
    )


@dataclass(frozen=True)
class GapTest:
    """Result of the test of clustering.

    ``plots`` that say something (at least two plants missing and two alive) with ``missing`` plants;
    ``joins`` neighbouring pairs of missing plants against ``joins_expected`` at random; ``longest_run`` in
    any plot; ``p_joins``, ``p_runs`` and the combined ``p_value``.
    """

    plots: int
    missing: int
    joins: int
    joins_expected: float
    longest_run: int
    p_joins: float
    p_runs: float
    p_value: float


def clustering(gaps: pd.DataFrame, *, permutations: int = 999, seed: int = 1) -> GapTest:
    """Are missing plants neighbours along the row more often than chance would have it?

    Parameters
    ----------
    gaps : DataFrame
        As for :func:`longest_runs`, one date per plot.
    permutations : int
        Random arrangements drawn for the joins; each keeps the number of missing plants of every plot.
    seed : int
        Seed of the arrangements and of the draws that break ties.

    Returns
    -------
    GapTest

    Raises
    ------
    ValueError
        A plot with two dates, or no plot with two missing and two living plants.

    Notes
    -----
    Two statistics, both given each plot's number of missing plants. Joins: neighbouring pairs of missing
    plants, pooled over plots (many small clusters), by permutation. Runs: the exact chance, at random, of
    a longest run like the plot's, combined over plots by Fisher's sum of logarithms (a failed machine row
    shows in a few plots). Ties are broken at random, since one small plot can hardly reject, so each p
    is uniform when gaps are random; the combined p is twice the smaller, at most 1.

    References
    ----------
    Moran (1948) J. R. Stat. Soc. B 10:243-251 for join counts; Fisher (1932) Statistical Methods for
    Research Workers, 4th ed., section 21.1; Edgington & Onghena (2007) Randomization Tests, 4th ed.
    """
    if gaps.groupby(["site", "plot"])["counted_on"].nunique().gt(1).any():
        raise ValueError("a plot has gaps on two dates; test one date at a time")
    rng = np.random.default_rng(seed)
    plots = [_lines(plot) for _, plot in gaps.groupby(["site", "plot"], sort=True)]
    plots = [(gone, follows) for gone, follows in plots if gone.sum() >= 2 and (~gone).sum() >= 2]
    if not plots:
        raise ValueError(
            "no plot has two missing and two living plants: there is nothing to arrange"
        )
    drawn = sum(
        _joins(rng.permuted(np.tile(gone, (permutations, 1)), axis=1), follows)
        for gone, follows in plots
    )
    joins = sum(int(_joins(gone[None, :], follows)[0]) for gone, follows in plots)
    p_joins = _randomised_p(joins, drawn, rng)
    p_runs = _fisher([_run_p(gone, follows, rng) for gone, follows in plots])
    return GapTest(
        len(plots),
        int(sum(gone.sum() for gone, _ in plots)),
        joins,
        float(drawn.mean()),
        max(_longest(gone, follows) for gone, follows in plots),
        p_joins,
        p_runs,
        min(1.0, 2 * min(p_joins, p_runs)),
    )


def _lines(plot):
    """Missing flags along the rows, and whether each position follows its predecessor in the row."""
    plot = plot.sort_values(["position_row", "position"])
    row, position = plot["position_row"].to_numpy(), plot["position"].to_numpy()
    follows = np.append(False, (row[1:] == row[:-1]) & (position[1:] == position[:-1] + 1))
    return plot["alive"].eq("no").to_numpy(), follows


def _joins(gone, follows):
    """Neighbouring pairs of missing plants in each arrangement."""
    return (gone[:, 1:] & gone[:, :-1] & follows[1:]).sum(axis=1)


def _longest(gone, follows):
    longest = length = 0
    for missing, joined in zip(gone, follows):
        length = (length + 1 if joined else 1) if missing else 0
        longest = max(longest, length)
    return longest


def _randomised_p(observed, drawn, rng):
    above, ties = (drawn > observed).sum(), (drawn == observed).sum()
    return float((above + rng.uniform() * (ties + 1)) / (len(drawn) + 1))


def _run_p(gone, follows, rng):
    """Chance of a longest run like this plot's or longer, a tie counted by a random share."""
    starts = np.flatnonzero(~follows)
    segments = tuple(sorted(np.diff(np.append(starts, len(gone)))))
    longest = _longest(gone, follows)
    at_least = run_chance(segments, int(gone.sum()), longest)
    longer = run_chance(segments, int(gone.sum()), longest + 1)
    return longer + rng.uniform() * (at_least - longer)


@lru_cache(maxsize=4096)
def run_chance(segments: tuple[int, ...], missing: int, run: int) -> float:
    """Chance that missing plants placed at random form a run of at least a given length.

    Parameters
    ----------
    segments : tuple of int
        Lengths of the plot's unbroken stretches of positions.
    missing : int
        Missing plants, each set of positions equally likely.
    run : int
        Length of run, >= 1.

    Returns
    -------
    float
        Exact probability 0-1, by counting the arrangements without such a run.

    Examples
    --------
    Two of three positions in one row are neighbours in two of the three arrangements:

    >>> round(run_chance((3,), 2, 2), 4)
    0.6667
    """
    without = [1]
    for length in segments:
        without = _product(without, _strings_without(int(length), run))
    count = without[missing] if missing < len(without) else 0
    return 1.0 - count / math.comb(int(sum(segments)), missing)


def _product(a, b):
    """Product of two polynomials with whole-number coefficients of any size."""
    out = [0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            out[i + j] += x * y
    return out


@lru_cache(maxsize=1024)
def _strings_without(length, run):
    """Number of 0/1 strings by their number of ones, with no ``run`` ones in a row.

    A string starts with j < run ones and then a zero, or is all ones and shorter than the run.
    """
    counts = [0] * (length + 1)
    for j in range(min(run, length + 1)):
        if j == length:
            counts[j] += 1
            continue
        for k, n in enumerate(_strings_without(length - j - 1, run)):
            counts[k + j] += n
    return counts


def _fisher(p):
    return float(stats.chi2.sf(-2 * np.log(np.maximum(p, 1e-300)).sum(), 2 * len(p)))
