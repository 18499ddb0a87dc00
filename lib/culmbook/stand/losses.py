"""When and where are plants lost: life tables over the dates of counting, runs along the planted
row.

A clustered gap is a fault of field or machine; scattered gaps are the plant's own.
"""

import math
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.stand.model import fit_stand, hybrid_shares
from culmbook.text.refusal import Refusal

_OCCASIONS = "planting after_planting autumn spring summer".split()
INTERVALS = dict(zip(_OCCASIONS, ["planted", "first count", "autumn", "spring", "early summer"]))


def life_table(intervals: pd.DataFrame, by: list[str] | None = None) -> pd.DataFrame:
    """Share still alive after each interval, from plants at risk and plants lost.

    Parameters
    ----------
    intervals : DataFrame
        One row per interval (pooled here over plots): the columns in ``by``, ``interval``
        (sortable), ``at_risk`` and ``lost`` plants, 0 <= lost <= at_risk. Plants no longer followed
        are simply not at risk in later intervals.
    by : list of str, optional
        Columns that separate the tables.

    Returns
    -------
    DataFrame
        ``by``, ``interval, at_risk, lost, hazard, survival, se``; ``se`` is Greenwood's, which
        treats plants as independent.

    Raises
    ------
    ValueError
        More plants lost than at risk.

    References
    ----------
    Kaplan & Meier (1958) J. Am. Stat. Assoc. 53:457-481; Greenwood (1926).

    Examples
    --------
    >>> steps = pd.DataFrame({"interval": [1, 2], "at_risk": [100, 80], "lost": [20, 8]})
    >>> life_table(steps)["survival"].round(4).tolist()
    [0.8, 0.72]
    """
    by = by or []
    if (intervals["lost"] > intervals["at_risk"]).any():
        raise ValueError("an interval lost more plants than were at risk")
    groups = intervals.groupby([*by, "interval"], observed=True)
    table = groups[["at_risk", "lost"]].sum().query("at_risk > 0").reset_index()
    table["hazard"] = table["lost"] / table["at_risk"]
    alive = table["at_risk"] - table["lost"]
    term = table["lost"] / (table["at_risk"] * alive.where(alive > 0))
    own = [table[column] for column in by] or [pd.Series(0, table.index)]
    table["survival"] = (1 - table["hazard"]).groupby(own, observed=True).cumprod()
    spread = term.groupby(own, observed=True).cumsum()
    return table.assign(se=table["survival"] * np.sqrt(spread))


def logrank(
    intervals: pd.DataFrame, group: str, *, inflation: float = 1.0
) -> tuple[float, int, float]:
    """Log-rank test of equal losses over all intervals.

    Parameters
    ----------
    intervals : DataFrame
        ``interval, at_risk, lost`` and the column ``group``.
    group : str
        Column with the groups compared.
    inflation : float
        Variance inflation of plot counts against independent plants, >= 1; the statistic is divided
        by it, since plants of one plot share its fate.

    Returns
    -------
    tuple
        chi-squared, degrees of freedom, p.

    References
    ----------
    Mantel (1966) Cancer Chemother. Rep. 50:163-170; Rao & Scott (1992) Biometrics 48:577-585 for
    dividing by the design effect.
    """
    groups = intervals.groupby(["interval", group], observed=True)
    counts = groups[["at_risk", "lost"]].sum().unstack(group, fill_value=0)
    at_risk, lost = counts["at_risk"].to_numpy(float), counts["lost"].to_numpy(float)
    n, d = at_risk.sum(1), lost.sum(1)
    share = at_risk / n[:, None]
    excess = (lost - share * d[:, None]).sum(0)
    spread = np.where(n > 1, d * (n - d) / np.where(n > 1, n - 1, 1), 0.0)
    apart = np.eye(at_risk.shape[1]) - share[:, None, :]
    covariance = np.einsum("t,ti,tij->ij", spread, share, apart)
    chi2 = float(excess @ np.linalg.pinv(covariance) @ excess) / inflation
    df = at_risk.shape[1] - 1
    return chi2, df, float(stats.chi2.sf(chi2, df))


def inflation(intervals: pd.DataFrame) -> float:
    """How much more plots of one hybrid scatter than independent plants would: 1 or more.

    Parameters
    ----------
    intervals : DataFrame
        From :func:`plot_intervals`.

    Raises
    ------
    Refusal
        One hybrid, or no two plots of a hybrid that lost plants in an interval.

    Notes
    -----
    Pearson's chi-squared of the plots' losses within hybrid and interval, divided by its degrees of
    freedom.
    """
    keys = ["interval", "hybrid"]
    plots = intervals.groupby(keys, observed=True)
    at_risk, lost = intervals["at_risk"], intervals["lost"]
    expected = at_risk * plots["lost"].transform("sum") / plots["at_risk"].transform("sum")
    spread = expected * (1 - expected / at_risk)
    telling = spread > 0
    df = telling.sum() - len(intervals[telling].drop_duplicates(keys))
    if df < 1 or intervals["hybrid"].nunique() < 2:
        raise Refusal(
            "Whether hybrids differ over all intervals takes two plots each of two hybrids."
        )
    return max(1.0, float(((lost - expected) ** 2 / spread)[telling].sum()) / df)


def plot_intervals(history: pd.DataFrame) -> pd.DataFrame:
    """Plants at risk and lost between one count of a plot and the next.

    Parameters
    ----------
    history : DataFrame
        One row per plot and count in order: plot columns, ``occasion`` in {planting,
        after_planting, autumn, spring, summer}, ``alive`` (original plants).

    Returns
    -------
    DataFrame
        Plot columns, ``interval`` (the count that ends it: 'first count', 'autumn' …), ``order``,
        ``at_risk``, ``lost``, ``alive``. A plant seen later was alive before: an earlier, smaller
        count is raised to the later one. Where a count is missing, the interval reaches back to the
        one before.

    Raises
    ------
    Refusal
        No plot was counted after planting.
    """
    order = {name: i for i, name in enumerate(INTERVALS)}
    rows = history.assign(order=history["occasion"].map(order))
    rows = rows.sort_values(["site", "plot", "order"])
    plot = [rows["site"], rows["plot"]]
    seen = rows["alive"][::-1].groupby([p[::-1] for p in plot]).cummax()[::-1]
    before = seen.groupby(plot).shift()
    names = pd.Categorical(rows["occasion"].map(INTERVALS), INTERVALS.values(), ordered=True)
    out = rows.assign(at_risk=before, lost=before - seen, alive=seen, interval=names)
    out = out[before.notna() & (before > 0)]
    if out.empty:
        raise Refusal(
            "No plot has a count of its original plants in this season: losses have no date."
        )
    return out.astype({"at_risk": int, "lost": int})


def fit_hazards(intervals: pd.DataFrame, random=None, *, level: float = 0.95) -> pd.DataFrame:
    """Chance that a plant alive at the start of an interval is lost in it, by hybrid.

    Parameters
    ----------
    intervals : DataFrame
        From :func:`plot_intervals`, with the columns of the stand model.
    random : iterable of str, optional
        Random terms of the stand model.
    level : float
        Confidence level, 0-1.

    Returns
    -------
    DataFrame
        ``interval, order, hybrid, plots, lost, at_risk, hazard, lower, upper``. An interval in
        which no plant at all was lost (or all were), or that the model cannot be fitted to (one
        hybrid, few plots), is given as observed, without limits.

    Notes
    -----
    Discrete-time survival: the likelihood is a product over intervals, so each interval has its own
    binomial mixed model (:func:`culmbook.stand.model.fit_stand`) of the plants lost.

    References
    ----------
    Allison (1982) Sociol. Methodol. 13:61-98.
    """
    steps = [_hazards(rows, random, level) for _, rows in intervals.groupby("order")]
    names = ["interval", "order", "hybrid", "plots", "lost", "at_risk", "hazard", "lower", "upper"]
    return pd.concat(steps)[names].reset_index(drop=True)


def _hazards(rows, random, level):
    cells = rows.assign(alive=rows["lost"], total=rows["at_risk"])
    try:
        shares = hybrid_shares(fit_stand(cells, random), level=level)
    except ValueError:  # too few hybrids or plots, or none lost
        counts = cells.groupby("hybrid").agg(
            plots=("alive", "size"), alive=("alive", "sum"), total=("total", "sum")
        )
        counts = counts.assign(share=counts["alive"] / counts["total"], lower=np.nan, upper=np.nan)
        shares = counts.reset_index()
    names = {"alive": "lost", "total": "at_risk", "share": "hazard"}
    step = rows[["interval", "order"]].iloc[0]
    return shares.rename(columns=names).assign(**step).sort_values("hybrid")


# -- where
# ------------------------------------------------------------------------------------------

KEYS = ["site", "plot", "counted_on"]


def longest_runs(gaps: pd.DataFrame) -> pd.DataFrame:
    """Runs of missing plants in each plot.

    Parameters
    ----------
    gaps : DataFrame
        ``site, plot, counted_on, position_row, position, alive``; ``alive`` is 'yes' or 'no', one
        row per planted position. A position that was not looked at breaks a run.

    Returns
    -------
    DataFrame
        ``site, plot, counted_on, positions, missing, longest_run, runs_of_three`` (runs of at least
        three) and ``position_row``, the row that holds the longest run (missing where there is
        none).
    """
    if gaps.empty:
        names = ["positions", "missing", "longest_run", "runs_of_three", "position_row"]
        return pd.DataFrame(columns=[*KEYS, *names])
    runs = _runs(gaps)
    plots = gaps.assign(missing=gaps["alive"].eq("no")).groupby(KEYS, as_index=False)
    table = plots.agg(positions=("alive", "size"), missing=("missing", "sum"))
    longest = runs.sort_values("longest_run", ascending=False, kind="stable").drop_duplicates(KEYS)
    threes = runs[runs["longest_run"] >= 3].groupby(KEYS).size().rename("runs_of_three")
    table = table.merge(longest, on=KEYS, how="left").join(threes, on=KEYS)
    counts = ["longest_run", "runs_of_three"]
    return table.fillna(dict.fromkeys(counts, 0)).astype(dict.fromkeys(counts, int))


def _runs(gaps):
    """One row per run of missing plants: keys, longest_run, position_row."""
    rows = gaps.sort_values([*KEYS, "position_row", "position"])
    missing, line = rows["alive"].eq("no"), rows.groupby([*KEYS, "position_row"]).ngroup()
    is_next = line.eq(line.shift()) & rows["position"].eq(rows["position"].shift() + 1)
    starts = (missing & ~(is_next & missing.shift(fill_value=False))).cumsum()
    held = rows[missing].groupby(starts[missing], sort=False)
    firsts = {key: (key, "first") for key in [*KEYS, "position_row"]}
    return held.agg(**firsts, longest_run=("position", "size"))


def first_gaps(gaps: pd.DataFrame, stand: pd.DataFrame, season: int) -> pd.DataFrame:
    """First gap record of the season of each plot: gaps before the winter's where there is one.

    Parameters
    ----------
    gaps : DataFrame
        Table ``plant_gaps`` with ``growing_season``; may be empty.
    stand : DataFrame
        Plots looked at: ``site, plot``.
    season : int

    Returns
    -------
    DataFrame
        Rows of `gaps`.
    """
    mine = gaps[gaps["growing_season"].eq(season)].merge(stand[["site", "plot"]])
    first = mine.groupby(["site", "plot"])["counted_on"].transform("min")
    return mine[mine["counted_on"].eq(first)].reset_index(drop=True)


def clustering(gaps: pd.DataFrame, *, permutations: int = 999, seed: int = 1) -> pd.DataFrame:
    """Are missing plants neighbours along the row more often than chance would have it? One test
    per site.

    Parameters
    ----------
    gaps : DataFrame
        As for :func:`longest_runs`, one date per plot.
    permutations : int
        Random arrangements drawn for the joins; each keeps the number of missing plants of every
        plot.
    seed : int
        Seed of the arrangements and of the draws that break ties.

    Returns
    -------
    DataFrame
        One row per site: ``site``; ``plots`` that say something (at least two plants missing and
        two alive) with ``missing`` plants; ``joins`` neighbouring pairs of missing plants against
        ``joins_expected`` at random; ``longest_run`` in any plot; ``p_joins, p_runs`` and the
        combined ``p_value``. A site without such a plot has none of them.

    Raises
    ------
    ValueError
        A plot with two dates.
    Refusal
        No record, or no plot with two missing and two living plants at any site.

    Notes
    -----
    Two statistics, both given each plot's number of missing plants. Joins: neighbouring pairs of
    missing plants, pooled over plots (many small clusters), by permutation. Runs: the exact chance,
    at random, of a longest run like the plot's, combined over plots by Fisher's sum of logarithms
    (a failed machine row shows in a few plots). Ties are broken at random, since one small plot can
    hardly reject, so each p is uniform when gaps are random; the combined p is twice the smaller,
    at most 1.

    References
    ----------
    Moran (1948) J. R. Stat. Soc. B 10:243-251 for join counts; Fisher (1932) Statistical Methods
    for Research Workers, 4th ed., section 21.1; Edgington & Onghena (2007) Randomization Tests, 4th
    ed.
    """
    if gaps.groupby(["site", "plot"])["counted_on"].nunique().gt(1).any():
        raise ValueError("a plot has gaps on two dates; test one date at a time")
    if gaps.empty:
        raise Refusal(
            "There are no gap records of this planting: whether missing plants lie together is not known."
        )
    sites = {site: _site_test(rows, permutations, seed) for site, rows in gaps.groupby("site")}
    if not any(sites.values()):
        raise Refusal(
            "No plot has two missing and two living plants: there is nothing to arrange, so whether "
            "missing plants lie together is not tested."
        )
    return pd.DataFrame([{"site": site, "plots": 0} | test for site, test in sites.items()])


def _site_test(gaps, permutations, seed):
    rng = np.random.default_rng(seed)
    plots = [_lines(plot) for _, plot in gaps.groupby("plot", sort=True)]
    plots = [(gone, follows) for gone, follows in plots if min(gone.sum(), (~gone).sum()) >= 2]
    if not plots:
        return {}
    drawn = sum(
        _joins(rng.permuted(np.tile(gone, (permutations, 1)), axis=1), follows)
        for gone, follows in plots
    )
    joins = sum(int(_joins(gone[None, :], follows)[0]) for gone, follows in plots)
    above, ties = (drawn > joins).sum(), (drawn == joins).sum()
    p_joins = float((above + rng.uniform() * (ties + 1)) / (permutations + 1))
    p = [_run_p(gone, follows, rng) for gone, follows in plots]
    p_runs = stats.combine_pvalues(np.maximum(p, 1e-300), method="fisher").pvalue
    return {
        "plots": len(plots),
        "missing": int(sum(gone.sum() for gone, _ in plots)),
        "joins": joins,
        "joins_expected": float(drawn.mean()),
        "longest_run": max(_longest(gone, follows) for gone, follows in plots),
        "p_joins": p_joins,
        "p_runs": float(p_runs),
        "p_value": min(1.0, 2 * min(p_joins, float(p_runs))),
    }


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
    without = np.array([1], dtype=object)  # whole numbers of any size
    for length in segments:
        without = np.convolve(without, np.array(_strings_without(int(length), run), dtype=object))
    count = without[missing] if missing < len(without) else 0
    return 1.0 - count / math.comb(int(sum(segments)), missing)


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
