"""Did the freeze test see the field's winters coming? Both rankings side by side."""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.text.numbers import fmt_count

MIN_HYBRIDS = 5
"""Fewest hybrids for a rank correlation."""


def freeze_against_field(curves, shares):
    """Freeze test and field side by side, for the figure and the correlation.

    Parameters
    ----------
    curves : pandas.DataFrame
        From :func:`culmbook.frost.freeze_curves.lethal_temperatures`: hybrid, lt50_c [°C] and, where given,
        lt50_lower_c, lt50_upper_c; hybrids without a bracketed curve have a missing lt50_c and are left out.
    shares : pandas.DataFrame
        From :func:`culmbook.frost.winters.field_shares`.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid known in both: hybrid, the columns of both.
    """
    known = curves.dropna(subset=["lt50_c"])
    known = known[
        [name for name in ("hybrid", "lt50_c", "lt50_lower_c", "lt50_upper_c") if name in known]
    ]
    return known.merge(shares, on="hybrid").sort_values("lt50_c", ignore_index=True)


def rank_agreement(both, *, level=0.95, curve_draws=None, logit_draws=None):
    """Does the freeze test order hybrids as the field does?

    Parameters
    ----------
    both : pandas.DataFrame
        From :func:`freeze_against_field`.
    level : float
        Confidence level, 0–1.
    curve_draws : pandas.DataFrame, optional
        Draws of the freeze curves: hybrid, draw, lt50_c.
    logit_draws : pandas.DataFrame, optional
        From :func:`field_draws`.

    Returns
    -------
    pandas.DataFrame
        Two rows, 'Spearman' and 'Kendall': coefficient, estimate (positive: hardier in the test, better in
        the field), lower, upper, n_hybrids, p_value; with both draws also p_positive, the share of joint
        draws with a positive coefficient.

    Raises
    ------
    ValueError
        Fewer than 5 hybrids in both, or all alike on one side.

    Notes
    -----
    Interval by Fisher's z with the number of hybrids: variance (1 + r²/2)/(n - 3) for Spearman, 0.437/(n -
    4) for Kendall. It is about estimates, whose errors on both sides are part of the scatter it measures;
    the errors make the coefficient smaller than that of the true values.

    References
    ----------
    Bonett, D. & Wright, T. 2000, Psychometrika 65: 23–28; Fieller, E., Hartley, H. & Pearson, E. 1957,
    Biometrika 44: 470–481.
    """
    n = len(both)
    if n < MIN_HYBRIDS:
        raise ValueError(
            f"A rank correlation of freeze test and field needs {MIN_HYBRIDS} hybrids known in both; here "
            f"are {fmt_count(n) if n else 'none'}."
        )
    if both["lt50_c"].nunique() == 1 or both["share"].nunique() == 1:
        raise ValueError(
            "All hybrids are alike in the freeze test or in the field: there is nothing to rank."
        )
    rows = []
    for name, test, variance, swap in (
        ("Spearman", stats.spearmanr, lambda r: (1 + r**2 / 2) / (n - 3), 12 / (n**3 - n)),
        ("Kendall", stats.kendalltau, lambda r: 0.437 / (n - 4), 4 / (n**2 - n)),
    ):
        result = test(-both["lt50_c"], both["share"])
        low, high = _fisher(result.statistic, variance, 1 - swap, level)
        rows.append(
            (
                name,
                result.statistic,
                low,
                high,
                n,
                result.pvalue,
                _share_positive(test, both["hybrid"], curve_draws, logit_draws),
            )
        )
    return pd.DataFrame(
        rows,
        columns=["coefficient", "estimate", "lower", "upper", "n_hybrids", "p_value", "p_positive"],
    )


def _fisher(r, variance, next_to_one, level):
    """Limits; where all ranks agree z is infinite: the limit towards zero is then that of one swap."""
    inner = np.clip(r, -next_to_one, next_to_one)
    half = stats.norm.ppf(0.5 + level / 2) * np.sqrt(variance(inner))
    low, high = np.tanh(np.arctanh(inner) + np.array([-half, half]))
    return (-1.0 if r <= -1 + 1e-12 else low), (1.0 if r >= 1 - 1e-12 else high)


def _share_positive(test, hybrids, curve_draws, logit_draws):
    if curve_draws is None or logit_draws is None:
        return np.nan
    lt50 = curve_draws.pivot(index="draw", columns="hybrid", values="lt50_c")[
        list(hybrids)
    ].to_numpy()
    logit = logit_draws[list(hybrids)].to_numpy()
    k = min(len(lt50), len(logit), 500)
    return float(np.mean([test(-lt50[i], logit[i]).statistic > 0 for i in range(k)]))
