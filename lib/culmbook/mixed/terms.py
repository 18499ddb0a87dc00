"""Terms of mixed models: what may be written in a list of random terms, and what it means for the records."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from formulaic import Formula
from scipy import linalg, sparse

from culmbook.mixed import kernels

_NOTHING = 1e-9  # a pivot this much smaller than the largest holds no information


@dataclass(frozen=True)
class Over:
    """Effects of an outer term's levels over an inner index; see :func:`over`."""

    outer: str
    inner: tuple
    kernel: str | int

    @property
    def name(self):
        return f"{self.outer} over {' and '.join(self.inner)}"

    @property
    def columns(self):
        return [*self.outer.split(":"), *self.inner]


@dataclass(frozen=True)
class Slopes:
    """Intercept and slopes of each level; see :func:`slopes`."""

    outer: str
    numbers: tuple
    correlated: bool

    @property
    def name(self):
        return f"{self.outer} on {' and '.join(self.numbers)}"

    @property
    def columns(self):
        return [*self.outer.split(":"), *self.numbers]


@dataclass(frozen=True)
class Basis:
    """Independent coefficients of the columns of a matrix; see :func:`basis`."""

    name: str
    matrix: np.ndarray = field(repr=False)
    columns = ()


def over(outer: str, inner: str | tuple, kernel: str | int) -> Over:
    """Random effects of every level of ``outer`` for each level of ``inner``, correlated by a kernel.

    Parameters
    ----------
    outer : str
        Column, or columns joined by ``:``; its levels are independent.
    inner : str or tuple of str
        Column of the inner index: seasons, sites, traits; for kernels along coordinates, the columns with
        the numbers, for example ``('row', 'column')``.
    kernel : str or int
        ``'diagonal'`` a variance for each inner level; ``'unstructured'`` any covariance; ``'autoregressive'``
        ``s rho^|difference|``; ``'separable autoregressive'`` the product along two coordinates; ``'exponential'``,
        ``'gaussian'``, ``'rational quadratic'`` by distance; :func:`factor_analytic` for k common factors.

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
        raise ValueError(
            f"a factor-analytic kernel needs a whole number of factors, at least 1; not {k!r}"
        )
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
    return Slopes(outer, (numbers,) if isinstance(numbers, str) else tuple(numbers), correlated)


def basis(name: str, matrix) -> Basis:
    """Random coefficients, all of one variance, of the columns of a matrix, for example of a smooth trend.

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
    """A random term as the records see it: ``Z u`` with u independent over outer levels, K over inner ones.

    Columns of ``z`` are outer level x inner level. ``code`` is each record's outer level (None for a
    basis), ``inner`` its inner level, or ``design`` its values on the inner index.
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

    @cached_property
    def cell(self):
        """Column of ``z`` that holds each record's one, or None where the records have other values."""
        if self.code is None or self.design is not None:
            return None
        return self.code if self.inner is None else self.code * self.m + self.inner

    def collect(self, vector):
        """``Z'v`` as outer x inner."""
        sums = (
            self.z.T @ vector
            if self.cell is None
            else np.bincount(self.cell, vector, self.z.shape[1])
        )
        return sums.reshape(len(self.levels), self.m)

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
        Code of each row, 0 … levels - 1, and the levels' labels with ``:`` between the columns' values.

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
        A term with one level, an inner index with one level, coordinates that are no numbers, a basis of
        the wrong length, two terms with the same levels.
    """
    terms = [_make(frame, spec) for spec in random]
    for i, one in enumerate(terms):
        for other in terms[:i]:
            if one.name == other.name or _alike(one, other):
                raise ValueError(
                    f"random terms {other.name!r} and {one.name!r} have the same levels; keep one"
                )
    return terms


def _make(frame, spec):
    if isinstance(spec, Basis):
        if len(spec.matrix) != len(frame):
            raise ValueError(
                f"the matrix of {spec.name!r} has {len(spec.matrix)} rows, the frame {len(frame)}"
            )
        refuse_rows(
            frame,
            f"the matrix of {spec.name!r}",
            ~np.isfinite(spec.matrix).all(axis=1),
            "is not finite",
        )
        levels = pd.RangeIndex(spec.matrix.shape[1])
        return Term(spec.name, kernels.Diagonal([""]), sparse.csr_array(spec.matrix), levels, [""])
    outer = spec if isinstance(spec, str) else spec.outer
    code, labels = code_levels(frame, outer)
    if isinstance(spec, Over):
        return _over(frame, spec, code, labels)
    if len(labels) < 2:
        raise ValueError(f"random term {outer!r} has one level: its variance cannot be estimated")
    if isinstance(spec, Slopes):
        names = ["intercept", *spec.numbers]
        design = np.column_stack(
            [np.ones(len(frame)), *(_numbers(frame, c, spec) for c in spec.numbers)]
        )
        kernel = kernels.make("unstructured" if spec.correlated else "diagonal", names, None, None)
        return Term(spec.name, kernel, _columns(code, design), labels, names, code, design=design)
    return Term(
        spec, kernels.Diagonal([""]), _columns(code, np.ones((len(frame), 1))), labels, [""], code
    )


def _numbers(frame, column, spec):
    if not pd.api.types.is_numeric_dtype(frame[column]):
        raise ValueError(f"slopes of {spec.name!r} need numbers in {column}")
    values = frame[column].to_numpy(float)
    refuse_rows(frame, column, pd.Series(~np.isfinite(values), index=frame.index), "is not finite")
    return values


def _over(frame, spec, code, labels):
    inner, inner_labels = code_levels(frame, ":".join(spec.inner))
    if len(inner_labels) < 2:
        raise ValueError(
            f"the inner index of {spec.name!r} has one level ({inner_labels[0]}); a kernel needs two"
        )
    m, n = len(inner_labels), len(frame)
    kernel = kernels.make(
        spec.kernel, list(inner_labels), _coordinates(frame, spec, inner), spec.inner
    )
    z = sparse.csr_array((np.ones(n), (np.arange(n), code * m + inner)), shape=(n, len(labels) * m))
    return Term(spec.name, kernel, z, labels, list(inner_labels), code, inner=inner)


def _coordinates(frame, spec, inner):
    if spec.kernel not in kernels.ALONG_NUMBERS:
        return None
    first = frame.iloc[np.unique(inner, return_index=True)[1]]
    try:
        return first[list(spec.inner)].astype(float).to_numpy()
    except (TypeError, ValueError):
        raise ValueError(
            f"kernel {spec.kernel!r} of {spec.name!r} needs numbers in {', '.join(spec.inner)}"
        ) from None


def _columns(code, design):
    """Sparse Z with a column for each outer level and column of the design."""
    n, m = design.shape
    row = np.repeat(np.arange(n), m)
    column = (code[:, None] * m + np.arange(m)).ravel()
    z = sparse.csr_array((design.ravel(), (row, column)), shape=(n, (code.max() + 1) * m))
    z.eliminate_zeros()
    return z


def _alike(one, other):
    """Plain intercepts with the same levels in another order."""
    if any(t.code is None or t.m > 1 for t in (one, other)):
        return False
    return is_nested(one.code, other.code) and is_nested(other.code, one.code)


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
    columns = [
        c for term in random for c in (term.split(":") if isinstance(term, str) else term.columns)
    ]
    return columns + (sorted(Formula(fixed).required_variables) if isinstance(fixed, str) else [])


def refuse_absent(frame: pd.DataFrame, columns) -> None:
    """Raise where a frame lacks columns, naming them."""
    absent = [c for c in dict.fromkeys(columns) if c not in frame.columns]
    if absent:
        raise ValueError(
            f"no column {', '.join(absent)}; there are {', '.join(map(str, frame.columns))}"
        )


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
    """Raise where a column that a model needs is absent or has missing values, or its design another length.

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
            refuse_rows(
                frame,
                f"fixed effect {column}",
                ~np.isfinite(fixed[column].to_numpy(float)),
                "is missing",
            )


def weight_rows(weights: pd.DataFrame, names: pd.Index) -> np.ndarray:
    """Weights of combinations of coefficients, a column for every coefficient in order.

    Raises
    ------
    ValueError
        A column that is no coefficient.
    """
    unknown = [str(c) for c in weights.columns if c not in names]
    if unknown:
        raise ValueError(
            f"no such coefficient: {', '.join(unknown)}; there are {', '.join(map(str, names))}"
        )
    return weights.reindex(columns=names, fill_value=0.0).to_numpy(float)
