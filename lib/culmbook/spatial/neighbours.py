"""Do neighbouring plots resemble each other? Moran's I and the variogram along rows and columns."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed import projection, residuals
from culmbook.spatial.choice import FieldModels
from culmbook.spatial.trend import BLOCKS, refuse_unplaced
from culmbook.text.refusal import Refusal

BINARY, ROW_STANDARDISED = "binary", "row standardised"
STYLES = (BINARY, ROW_STANDARDISED)
LEAST_PLOTS = 4
DRAWS = 999
_NOTHING = 1e-12


@dataclass(frozen=True)
class Moran:
    """Moran's I of some values.

    Attributes
    ----------
    i : float
        1 or less in practice: positive where neighbours are alike, negative where they differ.
    expected : float
        What it would be on average without any autocorrelation.
    variance : float
        Its variance then.
    p : float
        Two-sided, by the normal distribution for :func:`moran`, else by simulation.
    p_drawn : float
        Two-sided, by permutations or draws.
    n : int
        Plots with a neighbour.
    n_alone : int
        Plots without one, which are left out.
    style : str
        How neighbours are weighted.
    """

    i: float
    expected: float
    variance: float
    p: float
    p_drawn: float
    n: int
    n_alone: int
    style: str

    @property
    def z(self) -> float:
        return (self.i - self.expected) / np.sqrt(self.variance)


def rook_neighbours(rows, columns) -> np.ndarray:
    """Which plots share a side?

    Parameters
    ----------
    rows, columns : array_like
        Whole numbers, one for each plot.

    Returns
    -------
    ndarray of float, shape (plots, plots)
        1 for neighbours (one row or one column apart), else 0.

    Raises
    ------
    ValueError
        Places missing or no whole numbers.

    Examples
    --------
    >>> rook_neighbours([1, 1, 2], [1, 2, 2]).tolist()
    [[0.0, 1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 1.0, 0.0]]
    """
    places = np.column_stack([np.asarray(rows, float), np.asarray(columns, float)])
    if not np.isfinite(places).all():
        raise ValueError("plots without row or column have no neighbours")
    if not np.allclose(places, np.round(places)):
        raise ValueError("rows and columns are no whole numbers: the plots do not lie on a grid")
    apart = np.abs(places[:, None] - places[None]).sum(axis=2)
    return (np.round(apart) == 1).astype(float)


def _weighted(neighbours, style):
    """Places that have a neighbour, and the weights among them."""
    if style not in STYLES:
        raise ValueError(f"style is {style!r}; it must be one of {', '.join(STYLES)}")
    w = np.asarray(neighbours, float)
    if w.ndim != 2 or w.shape[0] != w.shape[1] or np.diag(w).any() or (w < 0).any():
        raise ValueError(
            "neighbours must be a square matrix without negative numbers and with a diagonal of zeros"
        )
    linked = np.flatnonzero(w.any(axis=1) | w.any(axis=0))
    if len(linked) < LEAST_PLOTS:
        raise ValueError(
            f"{len(linked)} plots have a neighbour; Moran's I needs at least {LEAST_PLOTS}"
        )
    w = w[np.ix_(linked, linked)]
    sums = w.sum(axis=1, keepdims=True)
    return linked, w / np.where(sums > 0, sums, 1) if style == ROW_STANDARDISED else w


def _index(z, w):
    """Moran's I of deviations, one set to a column."""
    return len(w) / w.sum() * ((w @ z) * z).sum(axis=0) / (z**2).sum(axis=0)


def moran(values, neighbours, *, style: str = BINARY, draws: int = DRAWS, seed: int = 1) -> Moran:
    """Moran's I of observed values.

    Parameters
    ----------
    values : array_like
        One for each plot, complete, any unit.
    neighbours : ndarray, shape (plots, plots)
        From :func:`rook_neighbours`, or any weights of 0 and above.
    style : {'binary', 'row standardised'}
        Weights as they are, or divided by their sum over each plot's neighbours, so that plots with
        few neighbours count as much as others.
    draws : int
        Random permutations for ``p_drawn``.
    seed : int

    Returns
    -------
    Moran
        Expectation and variance are those under randomisation.

    Raises
    ------
    ValueError
        Missing or constant values, fewer than four plots with a neighbour, another style.

    Notes
    -----
    ``I = n / S0 * sum_ij w_ij z_i z_j / sum_i z_i^2`` with deviations z from the mean and the
    weights' sum S0; expectation ``-1/(n - 1)``. For the residuals of a model use
    :func:`moran_of_residuals`: they are correlated even where the field is even.

    References
    ----------
    Moran (1950) Biometrika 37:17-23; Cliff & Ord (1981) Spatial Processes, eq. 2.30 for the
    variance.

    Examples
    --------
    >>> line = rook_neighbours([1] * 6, range(6))
    >>> round(moran([1.0, 2, 3, 4, 5, 6], line).i, 2), moran([1.0, 2, 3, 4, 5, 6], line).expected
    (0.6, -0.2)
    """
    values = np.asarray(values, float)
    if not np.isfinite(values).all():
        raise ValueError("values are missing: give the plots that have one")
    linked, w = _weighted(neighbours, style)
    z = values[linked] - values[linked].mean()
    if (z**2).sum() <= _NOTHING * max((values[linked] ** 2).sum(), _NOTHING):
        raise ValueError("all values are the same: there is nothing to compare")
    n, i, expected = len(z), float(_index(z, w)), -1 / (len(z) - 1)
    variance = _randomisation_variance(z, w)
    shuffled = np.random.default_rng(seed).permuted(np.tile(z[:, None], draws), axis=0)
    p = float(2 * stats.norm.sf(abs(i - expected) / np.sqrt(variance)))
    p_drawn = _share_as_far(_index(shuffled, w), i, expected)
    return Moran(i, expected, variance, p, p_drawn, n, len(values) - n, style)


def _randomisation_variance(z, w):
    n, s0 = len(z), w.sum()
    s1, s2 = ((w + w.T) ** 2).sum() / 2, ((w.sum(axis=0) + w.sum(axis=1)) ** 2).sum()
    peak = n * (z**4).sum() / (z**2).sum() ** 2
    first = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * s0**2)
    second = peak * ((n**2 - n) * s1 - 2 * n * s2 + 6 * s0**2)
    return float((first - second) / ((n - 1) * (n - 2) * (n - 3) * s0**2) - 1 / (n - 1) ** 2)


def _share_as_far(drawn, observed, centre):
    """Two-sided p: share of draws as far from the centre, the observed one among them."""
    return float(
        (1 + (np.abs(drawn - centre) >= abs(observed - centre) - _NOTHING).sum()) / (1 + len(drawn))
    )


def moran_of_residuals(
    fit, neighbours, *, style: str = BINARY, draws: int = DRAWS, seed: int = 1
) -> Moran:
    """Moran's I of a mixed model's residuals, against what the model itself makes of it.

    Parameters
    ----------
    fit : GaussianFit
        With a residual.
    neighbours : ndarray, shape (records, records)
        Of the records used.
    style, draws, seed
        As in :func:`moran`.

    Returns
    -------
    Moran
        ``expected``, ``variance`` and both ``p`` from residuals drawn from the model: what is left
        once its hybrids, blocks and trend are taken off plots whose errors are independent.

    Raises
    ------
    ValueError
        As in :func:`moran`.

    Notes
    -----
    Residuals are ``s Py`` with the residual variance s and have covariance ``s^2 P``. Fixed and
    random effects tie them together, so that their I is below ``-1/(n - 1)`` on average even in an
    even field. Variances are taken as known.

    References
    ----------
    Cliff & Ord (1981) Spatial Processes, ch. 8, for the residuals of a regression.
    """
    linked, w = _weighted(neighbours, style)
    p = projection(fit)
    size, vectors = np.linalg.eigh((p + p.T) / 2)
    normal = np.random.default_rng(seed).normal(size=(len(p), draws))
    drawn = (vectors * np.sqrt(np.maximum(size, 0))) @ normal
    each = _index(_centred(drawn[linked]), w)
    i, expected = float(_index(_centred(fit.state.py[linked]), w)), float(each.mean())
    share = _share_as_far(each, i, expected)
    return Moran(
        i, expected, float(each.var(ddof=1)), share, share, len(linked), len(p) - len(linked), style
    )


def likeness(models: FieldModels) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Moran's I and variograms of the residuals, with blocks only and with the trend shown beside
    them.

    Parameters
    ----------
    models : FieldModels

    Returns
    -------
    DataFrame
        ``trial, model, is_chosen, n, i, expected, p`` and ``reason`` where there is none.
    DataFrame
        ``trial, model`` and the columns of :func:`variogram`.

    Raises
    ------
    Refusal
        No trial has neighbouring plots.
    """
    rows, curves = [], []
    for (trial, model), means in models.fits.items():
        if model not in (BLOCKS, models.other.get(trial)):
            continue
        fit, row = means.fit, {"trial": trial, "model": model, "reason": ""}
        try:
            refuse_unplaced(fit.data)
            near = rook_neighbours(fit.data["row"], fit.data["column"])
            found = moran_of_residuals(fit, near)
            row |= {"n": found.n, "i": found.i, "expected": found.expected, "p": found.p}
            table = variogram(residuals(fit), fit.data["row"], fit.data["column"])
            curves.append(table.assign(trial=trial, model=model))
        except ValueError as error:
            row["reason"] = str(error)
        rows.append(row | {"is_chosen": model == models.chosen[trial]})
    if not curves:
        why = dict.fromkeys(f"Trial {row['trial']}: {row['reason']}." for row in rows)
        raise Refusal(" ".join(why))
    return pd.DataFrame(rows), pd.concat(curves, ignore_index=True)


def _centred(z):
    return z - z.mean(axis=0)


def variogram(values, rows, columns, most: int | None = None) -> pd.DataFrame:
    """Semivariance of values by the distance between plots, along rows and along columns.

    Parameters
    ----------
    values : array_like
        One for each plot, complete.
    rows, columns : array_like
        Whole numbers.
    most : int, optional
        Greatest distance, in plots; by default half the field's length in each direction.

    Returns
    -------
    DataFrame
        ``direction`` ('across rows': plots of one column, some rows apart; 'across columns': plots
        of one row), ``distance`` [plots], ``semivariance`` (squared unit of the values),
        ``n_pairs``. Distances without a pair have no row.

    Raises
    ------
    ValueError
        Values missing.

    Notes
    -----
    Half the mean squared difference of all pairs at that distance. The further apart, the fewer the
    pairs.

    References
    ----------
    Matheron (1963) Econ. Geol. 58:1246-1266.

    Examples
    --------
    >>> table = variogram([1.0, 2, 4], [1, 1, 1], [1, 2, 3], most=2)
    >>> table[["distance", "semivariance", "n_pairs"]].values.tolist()
    [[1.0, 1.25, 2.0], [2.0, 4.5, 1.0]]
    """
    frame = pd.DataFrame(
        {
            "value": np.asarray(values, float),
            "row": np.asarray(rows, float),
            "column": np.asarray(columns, float),
        }
    )
    if frame["value"].isna().any():
        raise ValueError("values are missing: give the plots that have one")
    parts = [_along(frame, "row", "column", most), _along(frame, "column", "row", most)]
    return pd.concat(parts, ignore_index=True)


def _along(frame, along, within, most):
    most = most or max(1, int(frame[along].max() - frame[along].min() + 1) // 2)
    one, other = np.triu_indices(len(frame), 1)
    place, line, value = (frame[c].to_numpy() for c in (along, within, "value"))
    distance = np.abs(place[one] - place[other])
    kept = (line[one] == line[other]) & (distance > 0) & (distance <= most)
    half = (value[one] - value[other])[kept] ** 2 / 2
    by = pd.Series(half).groupby(distance[kept]).agg(["mean", "size"])
    return pd.DataFrame(
        {
            "direction": f"across {along}s",
            "distance": by.index.astype(int),
            "semivariance": by["mean"].to_numpy(),
            "n_pairs": by["size"].to_numpy(),
        }
    )
