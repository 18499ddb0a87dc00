"""How well observers agree who scored the same plots."""

import warnings

import numpy as np
import pandas as pd
import pingouin as pg
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.multitest import multipletests

from culmbook.text.refusal import Refusal

pg.options["round.column.CI95"] = None  # the limits as they were computed

MIN_PLOTS = 10
"""Fewest plots scored by both observers for an agreement coefficient."""
NO_ERROR = "no error left between the observers: no interval"


def double_scores(scores, value="damage_score"):
    """Pair the scores of plots that two observers scored after the same event.

    Parameters
    ----------
    scores : pandas.DataFrame
        Columns site, plot, frost_on, scored_on, observer and `value`; rows with a blank observer or
        value are left out.
    value : str
        The column to compare.

    Returns
    -------
    pandas.DataFrame
        One row per site, plot, event and pair of observers: site, plot, frost_on, observer_a,
        observer_b, days_apart, a, b. Of several scores by one observer after one event, the first
        counts.

    Raises
    ------
    Refusal
        No plot was scored, or none by two observers after the same event.

    Examples
    --------
    >>> day = pd.Timestamp("2025-05-04")
    >>> rows = [("1", "ann", 2), ("1", "ben", 3), ("2", "ann", 0)]
    >>> frame = pd.DataFrame(rows, columns=["plot", "observer", "damage_score"])
    >>> frame = frame.assign(site="X", frost_on=day, scored_on=day)
    >>> double_scores(frame)[["plot", "observer_a", "observer_b", "a", "b"]].values.tolist()
    [['1', 'ann', 'ben', 2, 3]]
    """
    unit = ["site", "plot", "frost_on"]
    if scores[value].isna().all():
        raise Refusal("No frost damage was scored in this season.")
    kept = scores.dropna(subset=["observer", value])
    kept = kept.sort_values([*unit, "observer", "scored_on"], kind="stable")
    kept = kept.drop_duplicates([*unit, "observer"])[[*unit, "observer", "scored_on", value]]
    pairs = kept.merge(kept, on=unit, suffixes=("_a", "_b"))
    pairs = pairs[pairs["observer_a"] < pairs["observer_b"]].reset_index(drop=True)
    if pairs.empty:
        raise Refusal(
            "No plot was scored by two observers after the same frost: agreement cannot be judged."
        )
    pairs["days_apart"] = (pairs["scored_on_b"] - pairs["scored_on_a"]).dt.days.abs()
    pairs = pairs.rename(columns={f"{value}_a": "a", f"{value}_b": "b"})
    return pairs[[*unit, "observer_a", "observer_b", "days_apart", "a", "b"]]


def agreement(pairs, min_plots=MIN_PLOTS):
    """Judge each pair of observers.

    Parameters
    ----------
    pairs : pandas.DataFrame
        From :func:`double_scores`.
    min_plots : int
        Fewest double-scored plots for a coefficient.

    Returns
    -------
    pandas.DataFrame
        One row per site and pair: site, observer_a, observer_b, n_scored, n_equal, n_within_1,
        n_a_higher, n_b_higher, kappa (Cohen's, quadratic weights), icc (ICC(A,1): absolute
        agreement of single scores, two-way), low, high, reason. Coefficients are missing where
        `reason` says why.

    Notes
    -----
    The large-sample interval of kappa (Fleiss, Cohen & Everitt 1969) covered only 0.78–0.90 of
    simulated sets of 8 to 20 plots, so the interval is that of the intraclass correlation, which
    kappa approaches as plots increase.

    References
    ----------
    Cohen 1968, Psychological Bulletin 70: 213–220. Fleiss & Cohen 1973, Educational and
    Psychological Measurement 33: 613–619. McGraw & Wong 1996, Psychological Methods 1: 30–46.
    """
    rows = []
    for (site, first, second), own in pairs.groupby(["site", "observer_a", "observer_b"]):
        named = {"site": site, "observer_a": first, "observer_b": second}
        d = own["a"] - own["b"]
        higher = {"n_a_higher": (d > 0).sum(), "n_b_higher": (d < 0).sum()}
        judged = _judge(own, "ICC(A,1)", min_plots)
        kappa = np.nan
        if judged["reason"] in (None, NO_ERROR):
            labels = np.arange(own[["a", "b"]].to_numpy().max() + 1)  # every class between counts
            a, b = own["a"].astype(int), own["b"].astype(int)
            kappa = cohen_kappa_score(a, b, labels=labels.astype(int), weights="quadratic")
        rows.append(named | higher | {"kappa": kappa} | judged)
    return pd.DataFrame(rows).astype({"reason": "str"})


def overall_agreement(pairs, min_plots=MIN_PLOTS):
    """Judge the double-scored plots of a site together, whoever scored them.

    Parameters
    ----------
    pairs : pandas.DataFrame
        From :func:`double_scores`; of a plot scored by more than two, the first pair counts.
    min_plots : int
        Fewest double-scored plots for a coefficient.

    Returns
    -------
    pandas.DataFrame
        One row per site: site, n_scored, n_equal, n_within_1, icc (ICC(1,1): single scores, any two
        of several observers, so that what sets observers apart counts as disagreement), low, high,
        reason.

    References
    ----------
    Shrout & Fleiss 1979, Psychological Bulletin 86: 420–428.
    """
    one = pairs.drop_duplicates(["site", "plot", "frost_on"])
    rows = [
        {"site": site} | _judge(own, "ICC(1,1)", min_plots) for site, own in one.groupby("site")
    ]
    return pd.DataFrame(rows).astype({"reason": "str"})


def _judge(own, kind, min_plots):
    """Counts of equal and near scores, and the intraclass correlation with its 95 % interval."""
    distance, n = (own["a"] - own["b"]).abs(), len(own)
    out = {"n_scored": n, "n_equal": (distance == 0).sum(), "n_within_1": (distance <= 1).sum()}
    out |= {"icc": np.nan, "low": np.nan, "high": np.nan, "reason": None}
    if n < min_plots:
        return out | {"reason": f"fewer than {min_plots} plots scored twice"}
    if own[["a", "b"]].stack().nunique() == 1:
        return out | {"reason": "all scores are the same"}
    if not distance.any():
        return out | {"icc": 1.0, "reason": NO_ERROR}
    long = own.assign(unit=range(n)).melt("unit", ["a", "b"]).astype({"value": float})
    with warnings.catch_warnings(action="ignore"):  # divisions by an error of 0: no interval then
        found = pg.intraclass_corr(long, targets="unit", raters="variable", ratings="value")
    row = found.set_index("Type").loc[kind]
    low, high = row["CI95"]
    reason = None if np.isfinite(low) else NO_ERROR
    return out | {"icc": row["ICC"], "low": low, "high": high, "reason": reason}


def observers_apart(pairs):
    """Compare each observer with whoever scored the same plots.

    Parameters
    ----------
    pairs : pandas.DataFrame
        From :func:`double_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per site and observer: site, observer, n_pairs, n_higher, n_lower, n_equal,
        mean_difference (own score − the other's), sign_p, adjusted_p (Holm, over the observers of
        the site).

    Notes
    -----
    Exact sign test of higher against lower, ties left out: scores are ordinal, so no means are
    tested.
    """
    swap = {"observer_a": "observer_b", "observer_b": "observer_a", "a": "b", "b": "a"}
    both = pd.concat([pairs, pairs.rename(columns=swap)], ignore_index=True)
    d = (both["a"] - both["b"]).astype(float)
    both = both.assign(n_pairs=1, n_higher=d > 0, n_lower=d < 0, n_equal=d == 0, d=d)
    of_one = both.rename(columns={"observer_a": "observer"}).groupby(["site", "observer"])
    out = of_one[["n_pairs", "n_higher", "n_lower", "n_equal"]].sum()
    out = out.assign(mean_difference=of_one["d"].mean()).reset_index()
    counts = zip(out["n_higher"], out["n_lower"])
    out["sign_p"] = [stats.binomtest(a, a + b).pvalue if a + b else 1.0 for a, b in counts]
    holm = out.groupby("site")["sign_p"].transform(lambda p: multipletests(p, method="holm")[1])
    return out.assign(adjusted_p=holm)
