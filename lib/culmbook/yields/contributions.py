"""What makes one hybrid yield more than another: more plants, more stems, or heavier stems?"""

import numpy as np
import pandas as pd

from culmbook.yields.covariances import THESE, Covariances, draw_covariances

HYBRIDS, PLOTS = "hybrids", "plots"
LARGEST_P = 0.05


def shares_of(matrices: np.ndarray, parts: list[int], outcome: int) -> np.ndarray:
    """Share of each part in the outcome's variance.

    Parameters
    ----------
    matrices : ndarray, shape (..., k, k)
        Covariances on the log scale; the outcome is the sum of the parts.
    parts : list of int
    outcome : int

    Returns
    -------
    ndarray, shape (..., parts)
        ``cov(part, outcome) / var(outcome)``; they sum to 1.
    """
    matrices = np.asarray(matrices, float)
    return matrices[..., parts, outcome] / matrices[..., outcome, outcome][..., None]


def contributions(
    cov: Covariances,
    parts: list[str],
    outcome: str,
    *,
    level: float = 0.95,
    target: str = THESE,
    draws: int = 2000,
    seed: int = 1,
) -> pd.DataFrame:
    """Contribution of each component to the differences in yield, among hybrids and among plots.

    Parameters
    ----------
    cov : Covariances
        From :func:`culmbook.yields.covariances.fit_covariances` on logs: the parts (with ``rest`` where the outcome
        is the harvested yield) and the outcome.
    parts : list of str
        Components whose logs sum to the log outcome.
    outcome : str
    level : float
        Confidence of each interval, 0-1.
    target : {'these hybrids', 'their population'}
        What the intervals are for: the hybrids of the trial, or those they were drawn from.
    draws, seed : int
        Of the parametric bootstrap.

    Returns
    -------
    DataFrame
        ``among`` {hybrids, plots}, ``component, share, lower, upper, target``. Shares 0-1 sum to 1 in either
        level; a share below 0 is compensation.

    Raises
    ------
    ValueError
        The parts do not add up to the outcome, or the hybrids do not differ in the outcome beyond what
        plots of one hybrid do (F test at 5 %): a share of nothing has no meaning.

    Notes
    -----
    ``cov(log x_i, log Y) / var(log Y)``. Among hybrids the covariances are those of the true means, so error
    that a component shares with its product does not count. Among plots they are between + within.
    Intervals are percentiles of a parametric bootstrap; resampling plots within hybrids instead covers far
    too little, because a few plots of a hybrid say little about its error.

    References
    ----------
    Efron & Tibshirani (1993) An Introduction to the Bootstrap, section 13.3.
    """
    _check(cov, parts, outcome)
    i, j = [cov.traits.index(p) for p in parts], cov.traits.index(outcome)
    between, within = draw_covariances(cov, draws, seed, target)
    levels = {
        HYBRIDS: (cov.between.to_numpy(), between),
        PLOTS: (cov.plots.to_numpy(), between + within),
    }
    rows = []
    for among, (estimate, drawn) in levels.items():
        share = shares_of(estimate, i, j)
        lower, upper = np.quantile(
            shares_of(drawn, i, j), [0.5 - level / 2, 0.5 + level / 2], axis=0
        )
        rows.append(
            pd.DataFrame(
                {
                    "among": among,
                    "component": parts,
                    "share": share,
                    "lower": lower,
                    "upper": upper,
                    "target": target,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


def _check(cov, parts, outcome):
    whole = cov.means[parts].sum(axis=1) - cov.means[outcome]
    if np.ptp(whole) > 1e-6:
        raise ValueError(f"the logs of {', '.join(parts)} do not add up to that of {outcome}")
    if cov.between.loc[outcome, outcome] <= 0 or cov.f_test(outcome) > LARGEST_P:
        raise ValueError(
            f"the hybrids do not differ in {outcome} beyond what plots of one hybrid do, so "
            "there is no difference to share out"
        )
