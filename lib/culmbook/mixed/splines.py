"""Smooth trends along one or two directions of a field, as fixed columns and random terms of a mixed model.

A P-spline is a curve of cubic B-splines whose second differences of coefficients are penalised. Written by the
eigenvectors of the penalty, it falls into a straight line, which is fixed, and wiggles, whose
coefficients are independent with one variance: the more variance, the less smooth.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import interpolate

from culmbook.mixed.terms import Basis, basis

_MOST_SEGMENTS = 10
_NOTHING = 1e-8


class Smooth(NamedTuple):
    """Fixed columns and random terms of a smooth trend."""

    fixed: pd.DataFrame
    terms: list[Basis]


def smooth_line(values: pd.Series, segments: int | None = None) -> Smooth:
    """Smooth trend along one direction.

    Parameters
    ----------
    values : Series
        Position of each record, a number; its name names the terms.
    segments : int, optional
        Pieces of the curve; by default one for each step between distinct positions, at most ten.

    Returns
    -------
    Smooth
        A straight line from -1 to 1 as a fixed column, one random term.

    Raises
    ------
    ValueError
        Missing positions, or fewer than four distinct ones.

    References
    ----------
    Eilers & Marx (1996) Stat. Sci. 11:89-121; Currie & Durban (2002) Stat. Model. 2:333-349.

    Examples
    --------
    >>> smooth_line(pd.Series(range(1, 9), name="row")).terms[0].matrix.shape
    (8, 8)
    """
    line, wiggles = _parts(values, segments)
    fixed = pd.DataFrame({values.name: line}, index=values.index)
    return Smooth(fixed, [basis(f"smooth {values.name}", wiggles)])


def smooth_surface(rows: pd.Series, columns: pd.Series) -> Smooth:
    """Smooth trend over a field's rows and columns.

    Parameters
    ----------
    rows, columns : Series
        Position of each record.

    Returns
    -------
    Smooth
        Fixed: both straight lines and their product. Random, each with its own variance: the wiggles along
        rows and along columns, each direction's line times the other's wiggles, and wiggles times wiggles.

    Raises
    ------
    ValueError
        As in :func:`smooth_line`.

    References
    ----------
    Lee, Durban & Eilers (2013) Comput. Stat. Data Anal. 61:22-37 for the surface in parts; Rodriguez-Alvarez et al.
    (2018) Spat. Stat. 23:52-71 for field trials.
    """
    (line_r, wiggles_r), (line_c, wiggles_c) = _parts(rows), _parts(columns)
    r, c = rows.name, columns.name
    fixed = pd.DataFrame({r: line_r, c: line_c, f"{r} x {c}": line_r * line_c}, index=rows.index)
    both = (wiggles_r[:, :, None] * wiggles_c[:, None, :]).reshape(len(rows), -1)
    parts = {
        f"smooth {r}": wiggles_r,
        f"smooth {c}": wiggles_c,
        f"{c} x smooth {r}": line_c[:, None] * wiggles_r,
        f"{r} x smooth {c}": line_r[:, None] * wiggles_c,
        f"smooth {r} x smooth {c}": both,
    }
    return Smooth(fixed, [basis(name, _scaled(matrix)) for name, matrix in parts.items()])


def _parts(values, segments=None):
    """The line, from -1 to 1, and the wiggles of mean variance 1."""
    position = values.to_numpy(float)
    distinct = np.unique(position)
    if not np.isfinite(position).all():
        n = int((~np.isfinite(position)).sum())
        raise ValueError(f"{values.name} is missing in {n} of {len(values)} rows")
    if len(distinct) < 4:
        few = f"{values.name} has {len(distinct)} distinct positions"
        raise ValueError(f"{few}; a smooth trend needs at least four")
    low, high = distinct[0], distinct[-1]
    segments = segments or min(len(distinct) - 1, _MOST_SEGMENTS)
    step = (high - low) / segments
    knots = low + step * np.arange(-3, segments + 4)
    splines = interpolate.BSpline.design_matrix(np.clip(position, low, high), knots, 3).toarray()
    penalty = np.diff(np.eye(splines.shape[1]), 2, axis=0)
    size, vectors = np.linalg.eigh(penalty.T @ penalty)
    kept = size > _NOTHING * size[-1]
    wiggles = _scaled(splines @ vectors[:, kept] / np.sqrt(size[kept]))
    return 2 * (position - low) / (high - low) - 1, wiggles


def _scaled(matrix):
    """The matrix with effects of unit variance giving records a mean variance of 1."""
    return matrix / np.sqrt((matrix**2).sum(axis=1).mean())
