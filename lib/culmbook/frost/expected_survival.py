"""What would the site's winters have left of a hybrid, going by its freeze curve?

Every winter's minimum at rhizome depth is put into the hybrid's freeze curve. It is a calculation, not an
observation: a freezer run cools pieces of rhizome for hours after a set hardening, while the field does it
for days, to plants hardened by their own autumn, under residue and snow. It ranks hybrids and sites; it
does not forecast plants.
"""

import numpy as np
import pandas as pd
from scipy.special import expit

MIN_WINTERS = 10
"""Fewest winters with which the worst in ten is given."""
CAUTION = (
    "Expected survival puts past winters into the freeze curve. Freezer and field differ in hardening, "
    "duration, residue and snow, so it compares hybrids and sites and is no forecast of plants."
)


def expected_survival(minima, draws, *, level=0.95, seed=1):
    """Survival that a freeze curve expects over the winters on record.

    Parameters
    ----------
    minima : array_like
        Lowest temperature at rhizome depth of every complete winter [°C], none missing; one site.
    draws : pandas.DataFrame
        Joint draws of the curves: hybrid, draw, lt50_c [°C], slope [1/°C], above 0.
    level : float
        Level of the intervals, 0–1.
    seed : int
        For the winters drawn again.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, hardiest first: hybrid, expected (mean over the winters), worst_in_ten (survival
        that one winter in ten falls below; missing under 10 winters), below_lt50 (share of winters colder
        than LT50), each with ``_lower`` and ``_upper``; climate_lower, climate_upper (of `expected`, the
        winters also taken as a sample of the site's climate); n_winters. Shares 0–1.

    Raises
    ------
    ValueError
        No winter, a missing minimum, a missing draw, or a slope not above 0.

    Notes
    -----
    P(alive | T) = 1/(1 + exp(-slope (T - LT50))), the freezer's natural death taken out. A point estimate
    is the mean over draws, an interval their quantiles: it holds what is uncertain of the curve, and
    nothing of freezer against field. For the climate the winters are weighted anew in each draw (Bayesian
    bootstrap).

    References
    ----------
    Rubin, D. B. 1981, Annals of Statistics 9: 130–134, for the weights.

    Examples
    --------
    >>> curve = pd.DataFrame({"hybrid": "A", "draw": [0, 1], "lt50_c": [-4.0, -4.0], "slope": 2.0})
    >>> float(expected_survival([-4.0, -4.0], curve)["expected"].iloc[0])
    0.5
    """
    minima = _checked(minima, draws)
    weights = np.random.default_rng(seed).dirichlet(
        np.ones(len(minima)), size=int(draws.groupby("hybrid").size().max())
    )
    rows = [
        {"hybrid": hybrid, **_of_hybrid(minima, curve, weights, level)}
        for hybrid, curve in draws.groupby("hybrid", sort=True)
    ]
    table = pd.DataFrame(rows).assign(n_winters=len(minima))
    return table.sort_values(["expected", "hybrid"], ascending=[False, True], ignore_index=True)


def _checked(minima, draws):
    minima = np.asarray(minima, dtype=float)
    if len(minima) == 0 or np.isnan(minima).any():
        raise ValueError(
            "minima: give one or more winters, none missing; leave incomplete winters out and say so"
        )
    if (
        draws.empty
        or draws[["lt50_c", "slope"]].isna().any(axis=None)
        or not (draws["slope"] > 0).all()
    ):
        raise ValueError(
            "draws: every one needs lt50_c and a slope above 0; leave hybrids without a bracketed curve "
            "out and say so"
        )
    return minima


def _of_hybrid(minima, curve, weights, level):
    lt50, slope = (curve[name].to_numpy(float)[:, None] for name in ("lt50_c", "slope"))
    survival = expit(slope * (minima - lt50))
    expected = survival.mean(axis=1)
    cold = np.quantile(minima, 0.1) if len(minima) >= MIN_WINTERS else np.nan
    quantities = {
        "expected": expected,
        "worst_in_ten": expit(slope[:, 0] * (cold - lt50[:, 0])),
        "below_lt50": (minima < lt50).mean(axis=1),
    }
    tails = [(1 - level) / 2, (1 + level) / 2]
    out = {}
    for name, values in quantities.items():
        low, high = np.quantile(values, tails)
        out |= {name: values.mean(), f"{name}_lower": low, f"{name}_upper": high}
    climate = np.quantile((survival * weights[: len(survival)]).sum(axis=1), tails)
    return out | {"climate_lower": climate[0], "climate_upper": climate[1]}
