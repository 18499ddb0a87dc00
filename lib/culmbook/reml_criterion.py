"""Criterion, gradient and average information of a gaussian mixed model at given variances.

The records' covariance is ``V = B + U D U'``. One grouping of the records, the *elimination factor*, cuts
them into small blocks; random terms nested in it and the residual make up the block-diagonal ``B``, whose
blocks are inverted in batches. The other terms are the columns of ``U``, with variances ``D``. With
``W = [U X]``, ``M = W'B^-1 W`` and the diagonal scale ``s`` (root of the variance for U, 1 for X),

    K = s M s + (I on the U part),   H = s K^-1 s,   P = B^-1 - B^-1 W H W' B^-1,

so a variance of exactly zero needs no special case. ``-2 log L`` restricted is
``log|B| + log|K| + y'Py + (n - p) log 2 pi``; maximum likelihood takes the U part of ``K`` alone and ``n``.

A block touches few columns of ``W``; only those are kept with it.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import linalg

_CHUNK = 2_000_000  # floats in one batch of blocks: bounds the memory, not the result
_PADDING = 1.2  # blocks are filled up to a common size if that adds no more than this factor


@dataclass(frozen=True)
class State:
    """What the criterion and its derivatives are at one set of variances."""

    theta: np.ndarray
    criterion: float
    gradient: np.ndarray
    information: np.ndarray  # average information of the criterion -2 log L
    solution: np.ndarray  # mixed-model solution: effects of the crossed levels, then b
    h: np.ndarray
    py: np.ndarray  # Py by record
    parts: list = field(repr=False)  # (B^-1, B^-1 W) of each batch


@dataclass(frozen=True)
class _Batch:
    """Blocks of one size. Empty places point to record ``n`` and column ``q + p``, which hold zeros."""

    rows: np.ndarray  # blocks x size
    columns: np.ndarray  # blocks x local columns
    w: np.ndarray  # blocks x size x local columns
    same: list  # for each nested term: are two records of the block in one level


class Criterion:
    """Data of one model; ``at`` gives the state at any variances.

    Parameters
    ----------
    y : ndarray
        Response, one value per record.
    x : ndarray
        Fixed-effect design of full column rank.
    codes : list of ndarray
        Level of each record in each random term, 0, 1, 2 ...
    candidates : list of ndarray
        Groupings that may serve as elimination factor.
    groups : ndarray
        Residual group of each record, 0, 1, 2 ...; empty when the residual variances are known.
    known : ndarray
        Known part of each record's residual variance, zeros when there is none.
    restricted : bool
        REML, else maximum likelihood.

    Notes
    -----
    The variances are those of the terms in the order of ``codes``, then of the residual groups.
    """

    def __init__(self, y, x, codes, candidates, groups, known, restricted):
        self.y, self.x, self.codes = y, x, codes
        self.groups, self.known, self.restricted = groups, known, restricted
        self.n, self.p = x.shape
        block = _elimination([np.arange(self.n), *candidates], codes, self.p)
        self.nested = [k for k, code in enumerate(codes) if is_nested(code, block)]
        self.crossed = [k for k in range(len(codes)) if k not in self.nested]
        ends = np.cumsum([0] + [codes[k].max() + 1 for k in self.crossed])
        self.q = int(ends[-1])
        self.slices = {k: slice(a, b) for k, a, b in zip(self.crossed, ends, ends[1:], strict=False)}
        self.batches = self._batches(block)

    @property
    def n_groups(self):
        """Number of residual variances to be estimated."""
        return int(self.groups.max()) + 1 if len(self.groups) else 0

    def _entries(self):
        """Row, column and value of the entries of W that are not zero."""
        row, column = np.nonzero(self.x)
        parts = [(row, column + self.q, self.x[row, column])]
        for k, place in self.slices.items():
            parts.append((np.arange(self.n), self.codes[k] + place.start, np.ones(self.n)))
        return (np.concatenate(part) for part in zip(*parts, strict=True))

    def _batches(self, block):
        width = self.q + self.p
        row, column, value = self._entries()
        pairs, local = np.unique(block[row] * width + column, return_inverse=True)
        owner = pairs // width  # of each column that a block touches
        n_columns, sizes = np.bincount(owner, minlength=block.max() + 1), np.bincount(block)
        column_place = np.arange(len(pairs)) - (np.cumsum(n_columns) - n_columns)[owner]
        order, place = np.argsort(block, kind="stable"), np.empty(self.n, int)
        place[order] = np.arange(self.n) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        batches, home = [], np.empty(len(sizes), int)
        for members in _alike(sizes, n_columns):
            home[:] = -1
            home[members] = np.arange(len(members))
            rows = np.full((len(members), sizes[members].max()), self.n)
            columns = np.full((len(members), n_columns[members].max()), width)
            w = np.zeros((*rows.shape, columns.shape[1]))
            mine, hers, here = (np.flatnonzero(home[of] >= 0) for of in (block, owner, block[row]))
            rows[home[block[mine]], place[mine]] = mine
            columns[home[owner[hers]], column_place[hers]] = pairs[hers] % width
            w[home[block[row[here]]], place[row[here]], column_place[local[here]]] = value[here]
            batches.append(_Batch(rows, columns, w, [self._same(k, rows) for k in self.nested]))
        return batches

    def _same(self, k, rows):
        code = np.append(self.codes[k], -1)[rows]
        return (code[:, :, None] == code[:, None, :]) & (rows < self.n)[:, :, None]

    # One evaluation.

    def residual(self, theta):
        """Residual variance of each record."""
        own = theta[len(self.codes) :]
        return self.known + (own[self.groups] if len(own) else 0.0)

    def at(self, theta):
        """State at the variances ``theta``; residual variances above zero, the others at least zero.

        Raises
        ------
        numpy.linalg.LinAlgError
            The covariance is not positive definite in double precision.
        """
        parts, log_b, m, c, by = self._eliminate(theta)
        scale, chol = self._factor(theta, m)
        h = _inverse(chol, scale)
        solution = h @ c
        py = self._each(parts, by, solution)
        within = h
        if not self.restricted:
            within = np.zeros_like(h)
            within[: self.q, : self.q] = _inverse(chol[: self.q, : self.q], scale[: self.q])
        kept = self.q + self.p if self.restricted else self.q
        dimension = self.n - self.p if self.restricted else self.n
        log_k = 2 * np.log(np.diag(chol)[:kept]).sum()
        derivative, f = self.through(py)
        return State(
            theta=theta,
            criterion=float(log_b + log_k + self.y @ py + dimension * np.log(2 * np.pi)),
            gradient=self._traces(parts, m, within) - derivative,
            information=self.times_p(parts, h, f),
            solution=solution, h=h, py=py, parts=parts,
        )

    def _eliminate(self, theta):
        residual, y = np.append(self.residual(theta), 1.0), np.append(self.y, 0.0)
        width = self.q + self.p + 1
        m, c = np.zeros(width * width), np.zeros(width)
        by, parts, log_b = np.zeros(self.n + 1), [], 0.0
        for batch in self.batches:
            b = np.zeros((*batch.rows.shape, batch.rows.shape[1]))
            for k, same in zip(self.nested, batch.same, strict=True):
                b += theta[k] * same
            diagonal = np.arange(b.shape[1])
            b[:, diagonal, diagonal] += residual[batch.rows]
            inverse, log_det = _invert(b)
            a = inverse @ batch.w
            parts.append((inverse, a))
            log_b += log_det
            index = batch.columns[:, :, None] * width + batch.columns[:, None, :]
            local = batch.w.transpose(0, 2, 1) @ a
            m += np.bincount(index.ravel(), local.ravel(), minlength=width * width)
            here = y[batch.rows]
            by[batch.rows] = np.einsum("gij,gj->gi", inverse, here)
            c += np.bincount(batch.columns.ravel(), np.einsum("gij,gi->gj", a, here).ravel(), minlength=width)
        return parts, log_b, m.reshape(width, width)[:-1, :-1], c[:-1], by[:-1]

    def _factor(self, theta, m):
        scale = np.ones(self.q + self.p)
        for k, place in self.slices.items():
            scale[place] = np.sqrt(theta[k])
        k = scale[:, None] * m * scale
        own = np.arange(self.q)
        k[own, own] += 1.0
        return scale, linalg.cholesky(k, lower=True, overwrite_a=True, check_finite=False)

    def _each(self, parts, start, solution):
        """``start - B^-1 W solution`` by record."""
        result, padded = np.append(start, 0.0), np.append(solution, 0.0)
        for batch, (_, a) in zip(self.batches, parts, strict=True):
            result[batch.rows] -= np.einsum("gij,gj->gi", a, padded[batch.columns])
        return result[:-1]

    def spread(self, state, vector):
        """``B^-1 W vector`` by record."""
        return -self._each(state.parts, np.zeros(self.n), vector)

    def through(self, vector):
        """``v'V_i v`` and ``V_i v`` for the vector v (one value per record) and every variance i."""
        n_terms = len(self.codes)
        f = np.zeros((self.n, n_terms + self.n_groups))
        for k, code in enumerate(self.codes):
            f[:, k] = np.bincount(code, vector)[code]
        for r in range(self.n_groups):
            f[:, n_terms + r] = np.where(self.groups == r, vector, 0.0)
        return f.T @ vector, f

    def _traces(self, parts, m, h):
        """``tr(P V_i)`` for every variance, from the diagonal blocks of P and from M."""
        n_terms = len(self.codes)
        traces, diagonal = np.zeros(n_terms + self.n_groups), np.zeros(self.n + 1)
        padded = np.zeros((self.q + self.p + 1, self.q + self.p + 1))
        padded[:-1, :-1] = h
        for batch, (inverse, a) in zip(self.batches, parts, strict=True):
            inner = padded[batch.columns[:, :, None], batch.columns[:, None, :]]
            p = inverse - (a @ inner) @ a.transpose(0, 2, 1)
            diagonal[batch.rows] = np.einsum("gii->gi", p)
            for k, same in zip(self.nested, batch.same, strict=True):
                traces[k] += np.vdot(p, same)
        crossed = np.diag(m)[: self.q] - np.einsum("ij,ij->i", m[: self.q] @ h, m[: self.q])
        for k, place in self.slices.items():
            traces[k] = crossed[place].sum()
        if self.n_groups:
            traces[n_terms:] = np.bincount(self.groups, diagonal[:-1], minlength=self.n_groups)
        return traces

    def times_p(self, parts, h, f):
        """``F'PF`` for the columns of F, one row per record."""
        f, t = np.vstack([f, np.zeros(f.shape[1])]), f.shape[1]
        inner, outer = np.zeros((t, t)), np.zeros((self.q + self.p + 1) * t)
        for batch, (inverse, a) in zip(self.batches, parts, strict=True):
            here = f[batch.rows]
            inner += np.tensordot(here, inverse @ here, axes=((0, 1), (0, 1)))
            index = batch.columns[:, :, None] * t + np.arange(t)
            outer += np.bincount(index.ravel(), (a.transpose(0, 2, 1) @ here).ravel(), minlength=len(outer))
        outer = outer.reshape(self.q + self.p + 1, t)[:-1]
        return inner - outer.T @ h @ outer

    def levels_p(self, state, k):
        """``Z'PZ`` for the levels of random term k."""
        n_levels = self.codes[k].max() + 1
        code = np.append(self.codes[k], n_levels)
        inner = np.zeros((n_levels + 1) ** 2)
        outer = np.zeros((n_levels + 1) * (self.q + self.p + 1))
        for batch, (inverse, a) in zip(self.batches, state.parts, strict=True):
            here = code[batch.rows]
            index = here[:, :, None] * (n_levels + 1) + here[:, None, :]
            inner += np.bincount(index.ravel(), inverse.ravel(), minlength=len(inner))
            index = here[:, :, None] * (self.q + self.p + 1) + batch.columns[:, None, :]
            outer += np.bincount(index.ravel(), a.ravel(), minlength=len(outer))
        inner = inner.reshape(n_levels + 1, -1)[:-1, :-1]
        outer = outer.reshape(n_levels + 1, -1)[:-1, :-1]
        return inner - outer @ state.h @ outer.T


def is_nested(code, block):
    """Does every level of ``code`` lie within one level of ``block``?"""
    home = np.empty(code.max() + 1, int)
    home[code] = block
    return bool((home[code] == block).all())


def _elimination(candidates, codes, p):
    """The grouping with the least work: blocks cubed plus what is left crossed, cubed."""
    def work(block):
        crossed = sum(int(code.max()) + 1 for code in codes if not is_nested(code, block))
        return (np.bincount(block).astype(float) ** 3).sum() + float(p + crossed) ** 3

    return min(candidates, key=work)


def _alike(sizes, n_columns):
    """Blocks of about one size together, in batches of bounded memory."""
    order = np.lexsort((n_columns, sizes))
    start = 0
    while start < len(order):
        ceiling = max(_PADDING * sizes[order[start]], sizes[order[start]])
        stop = int(np.searchsorted(sizes[order], ceiling, side="right"))
        each = sizes[order[stop - 1]], n_columns[order[start:stop]].max()
        most = max(1, int(_CHUNK / (sum(each) ** 2)))
        yield order[start : min(stop, start + most)]
        start = min(stop, start + most)


def _invert(b):
    """Inverses of symmetric positive definite blocks, and their log determinants' sum."""
    if b.shape[1] == 1:
        if (b <= 0).any():
            raise np.linalg.LinAlgError("a record has no variance")
        return 1.0 / b, np.log(b).sum()
    chol = np.linalg.cholesky(b)
    log_det = 2 * np.log(np.einsum("gii->gi", chol)).sum()
    half = np.linalg.inv(chol)
    return half.transpose(0, 2, 1) @ half, log_det


def _inverse(chol, scale):
    """``s K^-1 s`` from the Cholesky factor of K."""
    half = linalg.solve_triangular(chol, np.diag(scale), lower=True, check_finite=False)
    return half.T @ half
