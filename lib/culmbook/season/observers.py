"""How well observers agree who scored the same plots."""

import numpy as np
import pandas as pd
from scipy.special import bdtr, fdtri

MIN_PLOTS = 10
"""Fewest plots scored by both observers for an agreement coefficient."""
NO_ERROR = "no error left between the observers: no interval"


def double_scores(scores, value="damage_score"):
    """Pair the scores of plots that two observers scored after the same event.

    Parameters
    ----------
    scores : pandas.DataFrame
        Columns site, plot, frost_on, scored_on, observer and `value`; rows with a blank observer or value
        are left out.
    value : str
        The column to compare.

    Returns
    -------
    pandas.DataFrame
        One row per site, plot, event and pair of observers: site, plot, frost_on, observer_a, observer_b,
        days_apart, a, b. Of several scores by one observer after one event, the first counts.

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
    kept = scores.dropna(subset=["observer", value])
    kept = kept.sort_values([*unit, "observer", "scored_on"], kind="stable")
    kept = kept.drop_duplicates([*unit, "observer"])[[*unit, "observer", "scored_on", value]]
    pairs = kept.merge(kept, on=unit, suffixes=("_a", "_b"))
    pairs = pairs[pairs["observer_a"] < pairs["observer_b"]].reset_index(drop=True)
    pairs["days_apart"] = (pairs["scored_on_b"] - pairs["scored_on_a"]).dt.days.abs()
    pairs = pairs.rename(columns={f"{value}_a": "a", f"{value}_b": "b"})
    return pairs[[*unit, "observer_a", "observer_b", "days_apart", "a", "b"]]


def weighted_kappa(a, b):
    """Cohen's kappa with quadratic weights of two observers' ordinal scores.

    Parameters
    ----------
    a, b : array_like of int
        Scores of the same plots, none missing.

    Returns
    -------
    float
        1 for full agreement, 0 for what chance gives; missing when all scores are one value.

    Notes
    -----
    κ = 1 − Σ (a_i − b_i)² / n ÷ mean of (a_i − b_j)² over all i, j. Its large-sample interval
    (Fleiss, Cohen & Everitt 1969) covered only 0.78–0.90 of simulated sets of 8 to 20 plots, so the
    interval shown is that of :func:`icc_agreement`, which κ approaches as plots increase.

    References
    ----------
    Cohen, J. 1968, Psychological Bulletin 70: 213–220, doi:10.1037/h0026256. Fleiss, J. L. & Cohen, J.
    1973, Educational and Psychological Measurement 33: 613–619, doi:10.1177/001316447303300309.

    Examples
    --------
    >>> round(weighted_kappa([0, 1, 2, 3], [0, 1, 2, 2]), 3)
    0.875
    """
    a, b = _same_plots(a, b)
    by_chance = ((a[:, None] - b[None, :]) ** 2).mean()
    return float(1 - ((a - b) ** 2).mean() / by_chance) if by_chance > 0 else np.nan


def icc_agreement(a, b, level=0.95):
    """Intraclass correlation for absolute agreement of single scores by two observers.

    Parameters
    ----------
    a, b : array_like
        Scores of the same plots, none missing.
    level : float
        Confidence level, between 0 and 1.

    Returns
    -------
    tuple of float
        Estimate, lower and upper limit; limits are missing where the scores leave none to be found
        (every pair equal, or fewer than three plots).

    Notes
    -----
    Two-way random model, single score: (R − E) / (R + (k−1)E + k(C − E)/n) with mean squares of plots R,
    observers C and error E, k = 2. Interval from F with Satterthwaite's degrees of freedom.

    References
    ----------
    Shrout, P. E. & Fleiss, J. L. 1979, Psychological Bulletin 86: 420–428, doi:10.1037/0033-2909.86.2.420,
    ICC(2,1). McGraw, K. O. & Wong, S. P. 1996, Psychological Methods 1: 30–46,
    doi:10.1037/1082-989X.1.1.30, ICC(A,1).

    Examples
    --------
    >>> [round(x, 2) for x in icc_agreement([0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, 4])]
    [0.97, 0.85, 1.0]
    """
    if not 0 < level < 1:
        raise ValueError(f"level = {level}: a confidence level lies between 0 and 1")
    return _icc(np.column_stack(_same_plots(a, b)), level)


def icc_any_two(a, b, level=0.95):
    """Intraclass correlation of single scores when any two of several observers scored each plot.

    Parameters, returns and missing limits are those of :func:`icc_agreement`.

    Notes
    -----
    One-way random model: (R − W) / (R + W) with mean squares between plots R and within plots W; what sets
    observers apart counts as disagreement. Interval from F(n − 1, n).

    References
    ----------
    Shrout & Fleiss 1979, as for :func:`icc_agreement`, ICC(1,1).

    Examples
    --------
    >>> [round(x, 2) for x in icc_any_two([0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, 4])]
    [0.97, 0.85, 1.0]
    """
    if not 0 < level < 1:
        raise ValueError(f"level = {level}: a confidence level lies between 0 and 1")
    return _icc_one_way(np.column_stack(_same_plots(a, b)), level)


def _icc_one_way(scores, level):
    """ICC(1,1) of a plots × scores array, with its interval."""
    n, k = scores.shape
    if n < 2 or np.ptp(scores) == 0:
        return np.nan, np.nan, np.nan
    plots, within = k * scores.mean(axis=1).var(ddof=1), scores.var(axis=1, ddof=1).mean()
    icc = (plots - within) / (plots + (k - 1) * within)
    if within == 0:
        return float(icc), np.nan, np.nan
    df = n - 1, n * (k - 1)
    low = plots / within / fdtri(*df, (1 + level) / 2)
    high = plots / within * fdtri(*df[::-1], (1 + level) / 2)
    return float(icc), float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))


def _icc(scores, level):
    """ICC(A,1) of a plots × observers array, with its interval."""
    n, k = scores.shape
    if n < 2 or np.ptp(scores) == 0:
        return np.nan, np.nan, np.nan
    plots, observers, error = _mean_squares(scores)
    icc = (plots - error) / (plots + (k - 1) * error + k * (observers - error) / n)
    if error <= 1e-12 * plots or n < 3:
        return float(icc), np.nan, np.nan
    ratio, own = observers / error, n * (1 + (k - 1) * icc) - k * icc
    df = (
        (k - 1)
        * (n - 1)
        * (k * icc * ratio + own) ** 2
        / ((n - 1) * k**2 * icc**2 * ratio**2 + own**2)
    )
    f_low, f_high = fdtri([n - 1, df], [df, n - 1], (1 + level) / 2)
    rest = k * observers + (k * n - k - n) * error
    low = n * (plots - f_low * error) / (f_low * rest + n * plots)
    high = n * (f_high * plots - error) / (rest + n * f_high * plots)
    return float(icc), float(low), float(high)


def _mean_squares(scores):
    n, k = scores.shape
    of_plots, of_observers = scores.mean(axis=1, keepdims=True), scores.mean(axis=0, keepdims=True)
    rest = scores - of_plots - of_observers + scores.mean()
    return (
        k * of_plots.var(ddof=1),
        n * of_observers.var(ddof=1),
        (rest**2).sum() / ((n - 1) * (k - 1)),
    )


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
        One row per site and pair: site, observer_a, observer_b, n_scored, n_plots, n_equal, n_within_1,
        n_a_higher, n_b_higher, mean_difference (b − a, score units), sign_p (exact two-sided sign test
        of one observer scoring higher), kappa, icc, low, high, reason. Coefficients are missing where
        `reason` says why.
    """
    rows = [
        {"site": site, "observer_a": a, "observer_b": b, **_judge(group, min_plots)}
        for (site, a, b), group in pairs.groupby(["site", "observer_a", "observer_b"], sort=True)
    ]
    columns = [
        "site",
        "observer_a",
        "observer_b",
        "n_scored",
        "n_plots",
        "n_equal",
        "n_within_1",
        "n_a_higher",
        "n_b_higher",
        "mean_difference",
        "sign_p",
        "kappa",
        "icc",
        "low",
        "high",
        "reason",
    ]
    return pd.DataFrame(rows, columns=columns).astype({"reason": "str"})


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
        One row per site: site, n_scored, n_equal, n_within_1, icc, low, high (from
        :func:`icc_any_two`), reason.
    """
    one = pairs.drop_duplicates(["site", "plot", "frost_on"])
    rows = []
    for site, group in one.groupby("site", sort=True):
        a, b = group["a"].to_numpy(float), group["b"].to_numpy(float)
        reason = _why_none(a, b, min_plots)
        icc, low, high = [np.nan] * 3 if reason else icc_any_two(a, b)
        rows.append(
            (
                site,
                len(a),
                (a == b).sum(),
                (np.abs(a - b) <= 1).sum(),
                icc,
                low,
                high,
                NO_ERROR if reason is None and np.isnan(low) else reason,
            )
        )
    columns = ["site", "n_scored", "n_equal", "n_within_1", "icc", "low", "high", "reason"]
    return pd.DataFrame(rows, columns=columns).astype({"reason": "str"})


def observers_apart(pairs):
    """Compare each observer with whoever scored the same plots.

    Parameters
    ----------
    pairs : pandas.DataFrame
        From :func:`double_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per site and observer: site, observer, n_pairs, n_higher, n_lower, n_equal, mean_difference
        (own score − the other's), sign_p, adjusted_p (Holm, over the observers of the site).

    Notes
    -----
    Exact sign test of higher against lower, ties left out: scores are ordinal, so no means are tested.
    """
    swap = {"observer_a": "observer_b", "observer_b": "observer_a", "a": "b", "b": "a"}
    turned = pairs.rename(columns=swap)
    both = pd.concat([pairs, turned], ignore_index=True)
    rows = [
        (site, observer, *_lean(group))
        for (site, observer), group in both.groupby(["site", "observer_a"], sort=True)
    ]
    columns = [
        "site",
        "observer",
        "n_pairs",
        "n_higher",
        "n_lower",
        "n_equal",
        "mean_difference",
        "sign_p",
    ]
    out = pd.DataFrame(rows, columns=columns)
    return out.assign(adjusted_p=out.groupby("site")["sign_p"].transform(_holm).astype("float64"))


def _lean(group):
    d = (group["a"] - group["b"]).to_numpy(float)
    n_higher, n_lower = int((d > 0).sum()), int((d < 0).sum())
    return len(d), n_higher, n_lower, int((d == 0).sum()), d.mean(), _sign_p(n_higher, n_lower)


def _sign_p(n_up, n_down):
    """Exact two-sided sign test: twice the smaller tail of a fair binomial."""
    return min(1.0, 2 * float(bdtr(min(n_up, n_down), n_up + n_down, 0.5)))


def _holm(p):
    order = np.argsort(p.to_numpy(), kind="stable")
    steps = np.maximum.accumulate(p.to_numpy()[order] * np.arange(len(p), 0, -1))
    return pd.Series(np.minimum(steps, 1)[np.argsort(order, kind="stable")], index=p.index)


def _judge(group, min_plots):
    a, b = group["a"].to_numpy(float), group["b"].to_numpy(float)
    n_a, n_b = int((a > b).sum()), int((b > a).sum())
    reason = _why_none(a, b, min_plots)
    kappa, icc, low, high = [np.nan] * 4 if reason else [weighted_kappa(a, b), *icc_agreement(a, b)]
    if reason is None and np.isnan(low):
        reason = NO_ERROR
    return {
        "n_scored": len(a),
        "n_plots": group["plot"].nunique(),
        "n_equal": int((a == b).sum()),
        "n_within_1": int((np.abs(a - b) <= 1).sum()),
        "n_a_higher": n_a,
        "n_b_higher": n_b,
        "mean_difference": (b - a).mean(),
        "sign_p": _sign_p(n_b, n_a),
        "kappa": kappa,
        "icc": icc,
        "low": low,
        "high": high,
        "reason": reason,
    }


def _why_none(a, b, min_plots):
    if len(a) < min_plots:
        return f"fewer than {min_plots} plots scored twice"
    if np.ptp(np.r_[a, b]) == 0:
        return "all scores are the same"
    return None


def _same_plots(a, b):
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    if a.shape != b.shape or a.ndim != 1 or not len(a) or np.isnan(a).any() or np.isnan(b).any():
        raise ValueError(
            "the two observers' scores must be of the same plots, one or more, none missing"
        )
    return a, b
