"""May one odds ratio stand for all cuts between scores?

The proportional-odds model lets an effect shift every cut alike. The test here gives chosen effects a slope
of their own at each cut and compares the likelihoods.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from culmbook.mixed import refuse_aliased

_STEPS = 200
_TOLERANCE = 1e-10
_FLAT = 1e-9  # of the largest curvature: below it the records say nothing about a direction
_RUN_OFF = 8.0  # a slope past this, per standard deviation of its effect, has run off to a boundary


@dataclass(frozen=True)
class NominalTest:
    """Slopes of their own against proportional odds.

    ``chi2``, ``df``, ``p``, and ``slopes``: effect on the logit of a *higher* score, one row per cut, one column
    per effect tested, infinite where the scores are separated there.
    """

    chi2: float
    df: int
    p: float
    slopes: pd.DataFrame


def nominal_test(score, design: pd.DataFrame, tested: list[str], weight=None) -> NominalTest:
    """Likelihood-ratio test of proportional odds for some effects, the others kept proportional.

    Parameters
    ----------
    score : array_like
        Ordered scores, three or more different ones.
    design : DataFrame
        Fixed effects without a constant, one row per score.
    tested : list of str
        Columns of ``design`` that get a slope for each cut.
    weight : array_like, optional
        Number of times a row counts.

    Returns
    -------
    NominalTest

    Raises
    ------
    ValueError
        Fewer than three scores, an unknown column, or aliased effects.

    Notes
    -----
    logit P(score <= j) = threshold_j - x'b - z'g_j against g_j = g, chi-square with (cuts - 1) x effects
    tested degrees of freedom. Rows are taken as independent.

    References
    ----------
    Peterson & Harrell (1990) Appl. Stat. 39:205-217; Agresti (2010) Analysis of Ordinal Categorical Data,
    ch. 3.6; for the same question answered by separate binary fits, Brant (1990) Biometrics 46:1171-1178.

    Examples
    --------
    >>> x = pd.DataFrame({"tender": [0.0] * 6 + [1.0] * 6})
    >>> result = nominal_test([0, 0, 0, 1, 1, 2, 0, 1, 1, 1, 2, 2], x, ["tender"])
    >>> result.df, round(result.chi2, 2)
    (1, 0.2)
    """
    code, levels = pd.factorize(np.asarray(score), sort=True)
    unknown = [c for c in tested if c not in design.columns]
    if unknown:
        raise ValueError(f"no effect {', '.join(unknown)} in the design")
    if len(levels) < 3:
        raise ValueError("proportional odds can be tested with three different scores or more")
    refuse_aliased(design.assign(thresholds=1.0))
    weight = np.ones(len(code)) if weight is None else np.asarray(weight, float)
    own, common = design[tested].to_numpy(float), design.drop(columns=tested).to_numpy(float)
    n_cuts, cuts = len(levels) - 1, [f"{a}|{b}" for a, b in zip(levels, levels[1:], strict=False)]
    both = np.hstack([common, own])
    start = _start(code, weight, n_cuts, both.shape[1])
    alike, height = _maximise(_Ends(code, n_cuts, own[:, :0], both), weight, start)
    rest, slope = np.split(alike, [n_cuts + common.shape[1]])
    start = np.concatenate([rest[:n_cuts], np.tile(slope, n_cuts), rest[n_cuts:]])
    apart, higher = _maximise(_Ends(code, n_cuts, own, common), weight, start)
    own_slopes = apart[n_cuts:][: n_cuts * len(tested)].reshape(n_cuts, -1)
    slopes = _infinite_where_separated(pd.DataFrame(own_slopes, index=cuts, columns=tested), own)
    chi2, df = max(2 * (higher - height), 0.0), (n_cuts - 1) * len(tested)
    return NominalTest(float(chi2), df, float(stats.chi2.sf(chi2, df)), slopes)


def _start(code, weight, n_cuts, n_effects):
    below = np.cumsum(np.bincount(code, weight))[:n_cuts] / weight.sum()
    return np.concatenate([special.logit(below), np.zeros(n_effects)])


def _infinite_where_separated(slopes, own):
    """Slopes that ran off are infinite; the likelihood has its limit all the same."""
    size = slopes.abs() * own.std(axis=0)
    return slopes.where(size.le(_RUN_OFF), np.sign(slopes) * np.inf)


class _Ends:
    """Upper and lower end of each record's class on the logit scale.

    Linear functions of thresholds, slopes by cut, and common effects.
    """

    def __init__(self, code, n_cuts, own, common):
        self.has_upper, self.has_lower = code < n_cuts, code > 0
        self.upper = _rows_at(code, self.has_upper, n_cuts, own, common)
        self.lower = _rows_at(code - 1, self.has_lower, n_cuts, own, common)

    def at(self, parameters):
        return (
            np.where(self.has_upper, self.upper @ parameters, np.inf),
            np.where(self.has_lower, self.lower @ parameters, -np.inf),
        )


def _rows_at(cut, is_there, n_cuts, own, common):
    at_cut = (cut[:, None] == np.arange(n_cuts)).astype(float)
    slopes = (at_cut[:, :, None] * -own[:, None, :]).reshape(len(cut), -1)
    return np.hstack([at_cut, slopes, -common]) * is_there[:, None]


def _log_likelihood(ends, weight, parameters):
    a, b = ends.at(parameters)
    if not (a > b).all():  # slopes that differ can make thresholds cross
        return -np.inf
    return float(weight @ (special.log_expit(a) + special.log_expit(-b) + np.log(-np.expm1(b - a))))


def _maximise(ends, weight, parameters):
    """Newton's steps with halving; the log likelihood is concave where thresholds do not cross."""
    height = _log_likelihood(ends, weight, parameters)
    for _ in range(_STEPS):
        gradient, information = _derivatives(ends, weight, parameters)
        step = np.linalg.lstsq(information, gradient, rcond=_FLAT)[0]
        along = 1.0
        new = _log_likelihood(ends, weight, parameters + along * step)
        while new < height and along > _TOLERANCE:
            along /= 2
            new = _log_likelihood(ends, weight, parameters + along * step)
        if along <= _TOLERANCE:
            break
        parameters, gain, height = parameters + along * step, new - height, new
        if gain < _TOLERANCE:
            break
    return parameters, height


def _derivatives(ends, weight, parameters):
    """Gradient of the log likelihood and minus its second derivatives."""
    a, b = ends.at(parameters)
    upper, lower = special.expit(a), special.expit(b)
    chance = upper - lower
    f, g = upper * (1 - upper), lower * (1 - lower)
    by_a, by_b = f / chance, g / chance
    aa = weight * (by_a**2 - f * (1 - 2 * upper) / chance)
    bb = weight * (by_b**2 + g * (1 - 2 * lower) / chance)
    cross = (ends.upper.T * (weight * by_a * by_b)) @ ends.lower
    gradient = ends.upper.T @ (weight * by_a) - ends.lower.T @ (weight * by_b)
    return gradient, (ends.upper.T * aa) @ ends.upper + (
        ends.lower.T * bb
    ) @ ends.lower - cross - cross.T
