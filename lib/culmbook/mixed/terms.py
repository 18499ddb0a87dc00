"""Terms of mixed models: what may be written in a list of random terms, and what it means for the
records.
"""

from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import NamedTuple

import numpy as np
import pandas as pd
from formulaic import Formula
from scipy import interpolate, linalg, sparse

from culmbook.mixed import kernels

_MOST_SEGMENTS = 10  # of a smooth trend
_FLAT_BEND = 1e-8  # a bend this much smaller than the largest is none
_NOTHING = 1e-9  # a pivot this much smaller than the largest holds no information


@dataclass(frozen=True)
class Over:
    """Effects of an outer term's levels over an inner index; see :func:`over`."""

    outer: str
    inner: tuple
    kernel: str | int
    link = "over"

    @property
    def name(self):
        return f"{self.outer} {self.link} {' and '.join(self.inner)}"

    @property
    def columns(self):
        return [*self.outer.split(":"), *self.inner]


class Slopes(Over):
    """Intercept and slopes of each level on the inner columns; see :func:`slopes`."""

    link = "on"


@dataclass(frozen=True)
class Basis:
    """Independent coefficients of the columns of a matrix; see :func:`basis`."""

    name: str
    matrix: np.ndarray = field(repr=False)
    columns = ()


def over(outer: str, inner: str | tuple, kernel: str | int) -> Over:
    """Random effects of every level of ``outer`` for each level of ``inner``, correlated by a
    kernel.

    Parameters
    ----------
    outer : str
        Column, or columns joined by ``:``; its levels are independent.
    inner : str or tuple of str
        Column of the inner index: seasons, sites, traits; for kernels along coordinates, the
        columns with the numbers, for example ``('row', 'column')``.
    kernel : str or int
        ``'diagonal'`` a variance for each inner level; ``'unstructured'`` any covariance;
        ``'autoregressive'`` ``s rho^|difference|``; ``'separable autoregressive'`` the product
        along two coordinates; ``'exponential'``, ``'gaussian'``, ``'rational quadratic'`` by
        distance; :func:`factor_analytic` for k common factors.

    Returns
    -------
    Over

    Examples
    --------
    >>> over("plot", "season", "autoregressive").name
    'plot over season'
    """
    return Over(outer, (inner,) if isinstance(inner, str) else tuple(inner), kernel)


def factor_analytic(k: int) -> int:
    """Kernel ``L L' + diagonal`` with k common factors, for example of hybrids over sites.

    Raises
    ------
    ValueError
        ``k`` is not a whole number of at least 1.

    References
    ----------
    Smith, Cullis & Thompson (2001) Biometrics 57:1138-1147.
    """
    if not isinstance(k, int) or k < 1:
        needs = "a factor-analytic kernel needs a whole number of factors, at least 1"
        raise ValueError(f"{needs}; not {k!r}")
    return k


def slopes(outer: str, numbers: str | tuple, correlated: bool = True) -> Slopes:
    """Random intercept and slopes of each level of ``outer`` on numeric columns.

    Parameters
    ----------
    outer : str
    numbers : str or tuple of str
        Numeric columns; centre and scale them where their size differs much from 1.
    correlated : bool
        Any covariance of intercept and slopes, else independent ones.

    Returns
    -------
    Slopes
    """
    numbers = (numbers,) if isinstance(numbers, str) else tuple(numbers)
    return Slopes(outer, numbers, "unstructured" if correlated else "diagonal")


def basis(name: str, matrix) -> Basis:
    """Random coefficients, all of one variance, of the columns of a matrix, for example of a
    smooth trend.

    Parameters
    ----------
    name : str
    matrix : array_like, shape (records, columns)
        One row for every row of the frame fitted.

    Returns
    -------
    Basis
    """
    return Basis(name, np.asarray(matrix, float))


@dataclass(frozen=True)
class Term:
    """A random term as the records see it: ``Z u`` with u independent over outer levels, K over
    inner ones.

    Columns of ``z`` are outer level x inner level. ``code`` is each record's outer level (None for
    a basis), ``inner`` its inner level, or ``design`` its values on the inner index.
    """

    name: str
    kernel: kernels.Kernel
    z: sparse.csr_array = field(repr=False)
    levels: pd.Index
    inner_levels: list
    code: np.ndarray | None = field(repr=False, default=None)
    inner: np.ndarray | None = field(repr=False, default=None)
    design: np.ndarray | None = field(repr=False, default=None)

    @property
    def m(self):
        return len(self.inner_levels)

    @property
    def cells(self):
        """Labels of the columns of ``z``: levels, or outer by inner levels."""
        if self.m == 1:
            return self.levels
        return pd.MultiIndex.from_product([self.levels, self.inner_levels])

    @cached_property
    def cell(self):
        """Column of ``z`` that holds each record's one, or None where the records have other
        values.
        """
        if self.code is None or self.design is not None:
            return None
        return self.code if self.inner is None else self.code * self.m + self.inner

    def collect(self, vector):
        """``Z'v`` as outer x inner."""
        if self.cell is None:
            return (self.z.T @ vector).reshape(-1, self.m)
        return np.bincount(self.cell, vector, self.z.shape[1]).reshape(-1, self.m)

    def times(self, table, k):
        """``Z (I x K) u`` by record for a table u, outer x inner."""
        values = (table @ k).reshape(-1)
        return self.z @ values if self.cell is None else values[self.cell]


def code_levels(frame: pd.DataFrame, term: str) -> tuple[np.ndarray, pd.Index]:
    """Code the levels of a term.

    Parameters
    ----------
    frame : DataFrame
    term : str
        A column, or several joined by ``:`` (each combination that occurs is a level).

    Returns
    -------
    tuple
        Code of each row, 0 … levels - 1, and the levels' labels with ``:`` between the columns'
        values.

    Examples
    --------
    >>> plots = pd.DataFrame({"site": ["A", "A", "B"], "block": ["1", "2", "1"]})
    >>> code_levels(plots, "site:block")[0].tolist()
    [0, 1, 2]
    """
    columns = term.split(":")
    code = frame.groupby(columns, sort=True, observed=True, dropna=False).ngroup().to_numpy()
    first = frame.iloc[np.unique(code, return_index=True)[1]]
    labels = first[columns[0]].astype(str)
    for column in columns[1:]:
        labels = labels + ":" + first[column].astype(str)
    return code, pd.Index(labels, name=term)


def make_terms(frame: pd.DataFrame, random) -> list[Term]:
    """Terms of a model from what was written in its list.

    Raises
    ------
    ValueError
        A term with one level, an inner index with one level, coordinates that are no numbers, a
        basis of the wrong length, two terms with the same levels.
    """
    terms = [_make(frame, spec) for spec in random]
    for one, other in combinations(terms, 2):
        plain = one.code is not None and other.code is not None and one.m == other.m == 1
        both = plain and is_nested(one.code, other.code) and is_nested(other.code, one.code)
        if one.name == other.name or both:
            names = f"{one.name!r} and {other.name!r}"
            raise ValueError(f"random terms {names} have the same levels; keep one")
    return terms


def _make(frame, spec):
    n = len(frame)
    if isinstance(spec, Basis):
        what = f"the matrix of {spec.name!r}"
        if len(spec.matrix) != n:
            raise ValueError(f"{what} has {len(spec.matrix)} rows, the frame {n}")
        refuse_rows(frame, what, ~np.isfinite(spec.matrix).all(axis=1), "is not finite")
        levels = pd.RangeIndex(spec.matrix.shape[1])
        return Term(spec.name, kernels.Diagonal([""]), sparse.csr_array(spec.matrix), levels, [""])
    code, labels = code_levels(frame, spec if isinstance(spec, str) else spec.outer)
    if len(labels) < 2 and (isinstance(spec, (str, Slopes))):
        one = f"random term {labels.name!r} has one level"
        raise ValueError(f"{one}: its variance cannot be estimated")
    if isinstance(spec, str):
        z = _columns(code, np.ones((n, 1)))
        return Term(spec, kernels.Diagonal([""]), z, labels, [""], code)
    if isinstance(spec, Slopes):
        names = ["intercept", *spec.inner]
        numbers = [_numbers(frame, column, spec) for column in spec.inner]
        design = np.column_stack([np.ones(n), *numbers])
        kernel = kernels.make(spec.kernel, names, None, None)
        return Term(spec.name, kernel, _columns(code, design), labels, names, code, design=design)
    inner, inner_labels = code_levels(frame, ":".join(spec.inner))
    if len(inner_labels) < 2:
        one = f"the inner index of {spec.name!r} has one level ({inner_labels[0]})"
        raise ValueError(f"{one}; a kernel needs two")
    coordinates, m = None, len(inner_labels)
    if spec.kernel in kernels.ALONG_NUMBERS:
        first = frame.iloc[np.unique(inner, return_index=True)[1]]
        try:
            coordinates = first[list(spec.inner)].astype(float).to_numpy()
        except (TypeError, ValueError):
            where = f"numbers in {', '.join(spec.inner)}"
            raise ValueError(f"kernel {spec.kernel!r} of {spec.name!r} needs {where}") from None
    kernel = kernels.make(spec.kernel, list(inner_labels), coordinates, spec.inner)
    z = sparse.csr_array((np.ones(n), (np.arange(n), code * m + inner)), shape=(n, len(labels) * m))
    return Term(spec.name, kernel, z, labels, list(inner_labels), code, inner=inner)


def _numbers(frame, column, spec):
    if not pd.api.types.is_numeric_dtype(frame[column]):
        raise ValueError(f"slopes of {spec.name!r} need numbers in {column}")
    values = frame[column].to_numpy(float)
    refuse_rows(frame, column, ~np.isfinite(values), "is not finite")
    return values


def _columns(code, design):
    """Sparse Z with a column for each outer level and column of the design."""
    n, m = design.shape
    row = np.repeat(np.arange(n), m)
    column = (code[:, None] * m + np.arange(m)).ravel()
    z = sparse.csr_array((design.ravel(), (row, column)), shape=(n, (code.max() + 1) * m))
    z.eliminate_zeros()
    return z


def is_nested(code, block):
    """Does every level of ``code`` lie within one level of ``block``?"""
    home = np.empty(code.max() + 1, int)
    home[code] = block
    return bool((home[code] == block).all())


def refuse_aliased(design: pd.DataFrame) -> None:
    """Raise when a fixed-effect column follows from the others, naming those that do.

    Parameters
    ----------
    design : DataFrame
        One row per record, one column per fixed effect.

    Raises
    ------
    ValueError
    """
    x = design.to_numpy(float)
    r, pivot = linalg.qr(x, mode="r", pivoting=True)
    sizes = np.abs(np.diag(r))
    rank = int((sizes > _NOTHING * sizes[0]).sum()) if sizes.size else 0
    if rank < x.shape[1]:
        names = ", ".join(map(str, design.columns[pivot[rank:]]))
        raise ValueError(f"the data cannot tell these fixed effects from the others: {names}")


def columns_of(fixed: str | pd.DataFrame, random) -> list[str]:
    """Columns that the fixed effects' formula and the random terms name."""
    names = [term.split(":") if isinstance(term, str) else term.columns for term in random]
    own = sorted(Formula(fixed).required_variables) if isinstance(fixed, str) else []
    return [*(column for columns in names for column in columns), *own]


def refuse_absent(frame: pd.DataFrame, columns) -> None:
    """Raise where a frame lacks columns, naming them."""
    absent = [c for c in dict.fromkeys(columns) if c not in frame.columns]
    if absent:
        there = ", ".join(map(str, frame.columns))
        raise ValueError(f"no column {', '.join(absent)}; there are {there}")


def refuse_rows(frame: pd.DataFrame, column: str, bad, what: str, of: str = "rows") -> None:
    """Raise where a column is ``bad`` in some rows, with the first of their labels."""
    if bad.any():
        rows = ", ".join(str(i) for i in frame.index[bad][:5])
        raise ValueError(f"{column} {what} in {int(bad.sum())} of {len(frame)} {of} (index {rows})")


def refuse_other_length(frame: pd.DataFrame, fixed: str | pd.DataFrame) -> None:
    """Raise where a design given has another number of rows than the frame."""
    if not isinstance(fixed, str) and len(fixed) != len(frame):
        raise ValueError(f"the design has {len(fixed)} rows, the frame {len(frame)}")


def refuse_incomplete(frame: pd.DataFrame, columns, fixed: str | pd.DataFrame, random) -> None:
    """Raise where a column that a model needs is absent or has missing values, or its design
    another length.

    Parameters
    ----------
    frame : DataFrame
    columns : list of str
        Columns needed besides those of the terms.
    fixed, random
        As the fit takes them.

    Raises
    ------
    ValueError
    """
    needed = [*columns, *columns_of(fixed, random)]
    refuse_absent(frame, needed)
    for column in dict.fromkeys(needed):
        refuse_rows(frame, column, frame[column].isna(), "is missing")
    refuse_other_length(frame, fixed)
    if not isinstance(fixed, str):
        for column in fixed.columns:
            bad = ~np.isfinite(fixed[column].to_numpy(float))
            refuse_rows(frame, f"fixed effect {column}", bad, "is missing")


def weight_rows(weights: pd.DataFrame, names: pd.Index) -> np.ndarray:
    """Weights of combinations of coefficients, a column for every coefficient in order.

    Raises
    ------
    ValueError
        A column that is no coefficient.
    """
    unknown = [str(c) for c in weights.columns if c not in names]
    if unknown:
        there = ", ".join(map(str, names))
        raise ValueError(f"no such coefficient: {', '.join(unknown)}; there are {there}")
    return weights.reindex(columns=names, fill_value=0.0).to_numpy(float)


class Smooth(NamedTuple):
    """Fixed columns and random terms of a smooth trend."""

    fixed: pd.DataFrame
    terms: list[Basis]


def smooth_line(values: pd.Series) -> Smooth:
    """Smooth trend along one direction, with a piece of the curve for each step between distinct
    positions, at most ten.

    Parameters
    ----------
    values : Series
        Position of each record, a number; its name names the terms.

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
    line, wiggles = _parts(values)
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
        Fixed: both straight lines and their product. Random, each with its own variance: the
        wiggles along rows and along columns, each direction's line times the other's wiggles, and
        wiggles times wiggles.

    Raises
    ------
    ValueError
        As in :func:`smooth_line`.

    References
    ----------
    Lee, Durban & Eilers (2013) Comput. Stat. Data Anal. 61:22-37 for the surface in parts;
    Rodriguez-Alvarez et al. (2018) Spat. Stat. 23:52-71 for field trials.
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


def _parts(values):
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
    segments = min(len(distinct) - 1, _MOST_SEGMENTS)
    step = (high - low) / segments
    knots = low + step * np.arange(-3, segments + 4)
    splines = interpolate.BSpline.design_matrix(np.clip(position, low, high), knots, 3).toarray()
    penalty = np.diff(np.eye(splines.shape[1]), 2, axis=0)
    size, vectors = np.linalg.eigh(penalty.T @ penalty)
    kept = size > _FLAT_BEND * size[-1]
    wiggles = _scaled(splines @ vectors[:, kept] / np.sqrt(size[kept]))
    return 2 * (position - low) / (high - low) - 1, wiggles


def _scaled(matrix):
    """The matrix with effects of unit variance giving records a mean variance of 1."""
    return matrix / np.sqrt((matrix**2).sum(axis=1).mean())
