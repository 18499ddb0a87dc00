"""Covariance of the records of a mixed model: factorised once, then used for everything that is
asked of it.

The records' covariance is ``V = B + U D U'``. One grouping of the records, the *elimination
factor*, cuts them into small blocks; random terms nested in it and the residual make up the
block-diagonal ``B``, whose blocks are inverted in batches. The other terms are the columns of
``U``, with variances ``D``. With ``W = [U X]``, ``M = W'B^-1 W`` and the diagonal scale ``s`` (root
of the variance for U, 1 for X),

    K = s M s + (I on the U part),   H = s K^-1 s,   P = B^-1 - B^-1 W H W' B^-1,

so a variance of exactly zero needs no special case. A block touches few columns of ``W``; only
those are kept with it. Covariance between inner levels is possible for terms nested in the
elimination factor only.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import linalg

from culmbook.mixed.terms import is_nested

_CHUNK = 2_000_000  # floats in one batch of blocks: bounds the memory, not the result
_PADDING = 1.2  # blocks are filled up to a common size if that adds no more than this factor,
_PADDING_FEW = 3.0  # or this one
_WHOLE = 1_500  # so few records may be one block
_INVERT = 6  # work of inverting and using many small blocks, over that of one large matrix
_SCATTER = 20  # work of adding one number of a block to M, in multiplications
_FEW = 5_000  # with so few records, where the number of batches counts more than their size


@dataclass(frozen=True)
class _Piece:
    """A nested term within one batch of blocks."""

    same: np.ndarray  # blocks x size x size: are two records of the block in one outer level
    inner: np.ndarray | None  # blocks x size: inner level
    design: np.ndarray | None  # blocks x size x m

    def covariance(self, k):
        if self.inner is not None:
            return k[self.inner[:, :, None], self.inner[:, None, :]] * self.same
        if self.design is not None:
            return (self.design @ k @ self.design.transpose(0, 2, 1)) * self.same
        return k[0, 0] * self.same

    def collect(self, p, m):
        """``sum Z'pZ`` over blocks and outer levels, m x m, for blocks ``p`` of a matrix."""
        if self.inner is not None:
            index = (self.inner[:, :, None] * m + self.inner[:, None, :]).ravel()
            return np.bincount(index, (p * self.same).ravel(), m * m).reshape(m, m)
        if self.design is not None:
            z = self.design
            return np.einsum("gia,gij,gjb->ab", z, p * self.same, z, optimize=True)
        return np.array([[np.vdot(p, self.same)]])


def _piece(term, rows, n):
    code = np.append(term.code, -1)[rows]
    same = (code[:, :, None] == code[:, None, :]) & (rows < n)[:, :, None]
    inner = None if term.inner is None else np.append(term.inner, 0)[rows]
    design = None if term.design is None else np.vstack([term.design, np.zeros(term.m)])[rows]
    return _Piece(same, inner, design)


@dataclass(frozen=True)
class _Batch:
    """Blocks of one size. Empty places point to record ``n`` and column ``q + p``, which hold
    zeros.
    """

    rows: np.ndarray  # blocks x size
    columns: np.ndarray  # blocks x local columns
    w: np.ndarray  # blocks x size x local columns
    pieces: list  # of the nested terms
    width: int  # of the matrix that pairs of columns are added up in

    @cached_property
    def pairs(self):
        """Place of every pair of the blocks' columns in that matrix, flat."""
        return (self.columns[:, :, None] * self.width + self.columns[:, None, :]).ravel()


class Structure:
    """Designs of one model; :meth:`factor` gives the covariance at any parameters.

    Parameters
    ----------
    x : ndarray
        Fixed-effect design of full column rank.
    terms : list of Term
    candidates : list of ndarray
        Further groupings that may serve as elimination factor.

    Raises
    ------
    ValueError
        Two terms with covariance between inner levels, neither nested in the other's outer levels.
    """

    def __init__(self, x, terms, candidates=()):
        self.x, self.terms = x, terms
        self.n, self.p = x.shape
        ends = np.cumsum([0] + [len(t.kernel.labels) for t in terms])
        self.places = [slice(a, b) for a, b in zip(ends, ends[1:], strict=False)]
        self.n_theta = int(ends[-1])
        bounds = [(np.empty(0), np.empty(0)), *((t.kernel.lower, t.kernel.upper) for t in terms)]
        self.lower, self.upper = (np.concatenate(ends) for ends in zip(*bounds, strict=True))
        block = _elimination(x, terms, candidates)
        within = [t.code is not None and is_nested(t.code, block) for t in terms]
        self.nested = [k for k, is_within in enumerate(within) if is_within]
        self.crossed = [k for k, is_within in enumerate(within) if not is_within]
        owner = [np.empty(0, int)]  # the parameter behind each column of U
        for k in self.crossed:
            own = np.arange(terms[k].m) + self.places[k].start
            owner.append(np.tile(own, len(terms[k].levels)))
        self.owner = np.concatenate(owner)
        self.q = len(self.owner)
        self.batches = self._batches(block)
        first = terms[self.nested[0]] if len(self.nested) == 1 else None
        self.is_one_level = first is not None and first.m == 1 and is_nested(block, first.code)

    def _batches(self, block):
        width = self.q + self.p
        row, column = np.nonzero(self.x)
        parts, start = [(row, column + self.q, self.x[row, column])], 0
        for k in self.crossed:
            z = self.terms[k].z.tocoo()
            parts.append((z.coords[0], z.coords[1] + start, z.data))
            start += z.shape[1]
        # row, column and value of the entries of W that are not zero
        row, column, value = (np.concatenate(part) for part in zip(*parts, strict=True))
        pairs, local = np.unique(block[row] * width + column, return_inverse=True)
        owner = pairs // width  # of each column that a block touches
        n_columns, sizes = np.bincount(owner, minlength=block.max() + 1), np.bincount(block)
        column_place = np.arange(len(pairs)) - (np.cumsum(n_columns) - n_columns)[owner]
        order, place = np.argsort(block, kind="stable"), np.empty(self.n, int)
        place[order] = np.arange(self.n) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        batches, home = [], np.empty(len(sizes), int)
        for members in _alike(sizes, n_columns, _PADDING_FEW if self.n < _FEW else _PADDING):
            home[:] = -1
            home[members] = np.arange(len(members))
            rows = np.full((len(members), sizes[members].max()), self.n)
            columns = np.full((len(members), n_columns[members].max()), width)
            w = np.zeros((*rows.shape, columns.shape[1]))
            mine, hers, here = (np.flatnonzero(home[of] >= 0) for of in (block, owner, block[row]))
            rows[home[block[mine]], place[mine]] = mine
            columns[home[owner[hers]], column_place[hers]] = pairs[hers] % width
            w[home[block[row[here]]], place[row[here]], column_place[local[here]]] = value[here]
            pieces = [_piece(self.terms[k], rows, self.n) for k in self.nested]
            batches.append(_Batch(rows, columns, w, pieces, width + 1))
        return batches

    def kernels(self, theta):
        """``K`` of each term."""
        both = zip(self.terms, self.places, strict=True)
        return [term.kernel.matrix(theta[place]) for term, place in both]

    def variances(self, theta, unit=1.0):
        """Variances by name, a term's own or one for each inner level, and covariances over inner
        levels.
        """
        variances, kernels = {}, {}
        for term, k in zip(self.terms, self.kernels(theta), strict=True):
            levels, own = term.inner_levels, {term.name: k[0, 0] * unit}
            if term.m > 1:
                kernels[term.name] = pd.DataFrame(k * unit, index=levels, columns=levels)
                if term.kernel.has_free_diagonal:
                    own = {
                        f"{term.name}[{level}]": k[i, i] * unit for i, level in enumerate(levels)
                    }
            variances |= own
        return variances, kernels

    def random_times(self, theta, vector):
        """``(V - residual) v``."""
        both = zip(self.terms, self.kernels(theta), strict=True)
        return sum((t.times(t.collect(vector), k) for t, k in both), np.zeros(self.n))

    def simulated(self, theta, n, rng):
        """Random parts drawn from the model: records x n, and each term's effects, (outer x inner)
        x n.
        """
        tables = []
        for term, kernel in zip(self.terms, self.kernels(theta), strict=True):
            size, vectors = np.linalg.eigh(kernel)
            normal = rng.normal(size=(len(term.levels), term.m, n))
            root = vectors * np.sqrt(np.maximum(size, 0))
            tables.append(np.einsum("ab,gbk->gak", root, normal).reshape(-1, n))
        parts = [term.z @ table for term, table in zip(self.terms, tables, strict=True)]
        return sum(parts, np.zeros((self.n, n))), tables

    def derivatives(self, theta, vector):
        """``V_i v`` by record for each parameter i of the terms, records x parameters."""
        f = np.empty((self.n, self.n_theta))
        for term, place in zip(self.terms, self.places, strict=True):
            table = term.collect(vector)
            for i, slope in enumerate(term.kernel.slopes(theta[place]), start=place.start):
                f[:, i] = term.times(table, slope)
        return f

    def chain(self, theta, by_kernel):
        """Derivatives by each parameter from those by each term's K."""
        each = zip(self.terms, self.places, by_kernel, strict=True)
        parts = [np.tensordot(t.kernel.slopes(theta[place]), g) for t, place, g in each]
        return np.concatenate([np.empty(0), *parts])

    def second(self, theta, by_kernel, size=None):
        """What the average information of loadings lacks, in a matrix of all parameters (or
        ``size``).
        """
        extra = np.zeros((size or self.n_theta, size or self.n_theta))
        for term, place, g in zip(self.terms, self.places, by_kernel, strict=True):
            extra[place, place] = term.kernel.second(theta[place], g)
        return extra

    def factor(self, theta, residual, with_fixed=True):
        """Factorise ``V`` at parameters ``theta`` and the records' ``residual`` variances.

        Parameters
        ----------
        theta : ndarray
            Parameters of all terms in order, within their bounds.
        residual : ndarray
            Residual variance of each record, at least 0.
        with_fixed : bool
            Is ``P`` to leave out the fixed effects too?

        Returns
        -------
        Factor

        Raises
        ------
        numpy.linalg.LinAlgError
            ``V`` is not positive definite in double precision.
        """
        padded, k = np.append(residual, 1.0), self.kernels(theta)
        width = self.q + self.p + 1
        m, parts, log_b = np.zeros(width * width), [], 0.0
        for batch in self.batches:
            own = padded[batch.rows]
            if self.is_one_level:
                inverse, log_det = _invert_level(own, k[self.nested[0]][0, 0], batch.rows < self.n)
            else:
                b, diagonal = np.zeros((*own.shape, own.shape[1])), np.arange(own.shape[1])
                for i, piece in zip(self.nested, batch.pieces, strict=True):
                    b += piece.covariance(k[i])
                b[:, diagonal, diagonal] += own
                inverse, log_det = _invert(b)
            a = inverse @ batch.w
            parts.append((inverse, a))
            log_b += log_det
            products = (batch.w.transpose(0, 2, 1) @ a).ravel()
            m += np.bincount(batch.pairs, products, width * width)
        m = m.reshape(width, width)[:-1, :-1]
        scale = np.append(np.sqrt(theta[self.owner]), np.full(self.p, float(with_fixed)))
        inner = scale[:, None] * m * scale
        own = np.arange(self.q if with_fixed else self.q + self.p)
        inner[own, own] += 1.0
        chol = linalg.cholesky(inner, lower=True, overwrite_a=True, check_finite=False)
        return Factor(self, theta, parts, m, log_b, scale, chol)


@dataclass(frozen=True)
class Factor:
    """The covariance at one set of parameters."""

    structure: Structure
    theta: np.ndarray
    parts: list = field(repr=False)  # (B^-1, B^-1 W) of each batch
    m: np.ndarray = field(repr=False)
    log_b: float
    scale: np.ndarray = field(repr=False)
    chol: np.ndarray = field(repr=False)

    @cached_property
    def h(self):
        return _inverse(self.chol, self.scale)

    @cached_property
    def h_random(self):
        """H when the fixed effects are held."""
        q, h = self.structure.q, np.zeros_like(self.m)
        h[:q, :q] = _inverse(self.chol[:q, :q], self.scale[:q])
        return h

    @property
    def log_v(self):
        """log |V|."""
        return self.log_b + 2 * np.log(np.diag(self.chol)[: self.structure.q]).sum()

    @property
    def log_x(self):
        """log |X'V^-1 X|."""
        return 2 * np.log(np.diag(self.chol)[self.structure.q :]).sum()

    def solve(self, y):
        """``H W'B^-1 y`` (effects of crossed columns, then b) and ``Py``, for a vector or several
        columns.
        """
        s = self.structure
        columns = np.atleast_2d(y.T).T
        t, width = columns.shape[1], s.q + s.p + 1
        padded, by = np.vstack([columns, np.zeros(t)]), np.zeros((s.n + 1, t))
        c = np.zeros(width * t)
        for batch, (inverse, a) in zip(s.batches, self.parts, strict=True):
            here = padded[batch.rows]
            by[batch.rows] = inverse @ here
            index = (batch.columns[:, :, None] * t + np.arange(t)).ravel()
            c += np.bincount(index, (a.transpose(0, 2, 1) @ here).ravel(), width * t)
        c = c.reshape(width, t)[:-1]
        if "h" in self.__dict__:
            solution = self.h @ c
        else:
            scale, root = self.scale[:, None], (self.chol, True)
            solution = scale * linalg.cho_solve(root, scale * c, check_finite=False)
        py = self.subtract(by, solution)
        return (solution, py) if y.ndim == 2 else (solution[:, 0], py[:, 0])

    def spread(self, b):
        """``B^-1 W H[:, X] b``: each record's weight in combinations of fixed effects, one or
        columns of ``b``.
        """
        s = self.structure
        columns = self.h[:, s.q :] @ np.atleast_2d(b.T).T
        weights = -self.subtract(np.zeros((s.n + 1, columns.shape[1])), columns)
        return weights if b.ndim == 2 else weights[:, 0]

    def subtract(self, start, solution):
        """``start - B^-1 W solution`` by record; ``start`` has a row too many."""
        result, padded = start.copy(), np.vstack([solution, np.zeros(solution.shape[1])])
        for batch, (_, a) in zip(self.structure.batches, self.parts, strict=True):
            result[batch.rows] -= a @ padded[batch.columns]
        return result[:-1]

    def projected(self, h):
        """Diagonal of P by record, and ``Z'PZ`` summed over outer levels for each term's K.

        For crossed terms only the diagonal of the latter is found, which is all their kernels need.
        """
        s = self.structure
        by_kernel, diagonal = [np.zeros((t.m, t.m)) for t in s.terms], np.zeros(s.n + 1)
        padded = np.zeros((s.q + s.p + 1, s.q + s.p + 1))
        padded[:-1, :-1] = h
        for batch, (inverse, a) in zip(s.batches, self.parts, strict=True):
            inner = padded[batch.columns[:, :, None], batch.columns[:, None, :]]
            p = inverse - (a @ inner) @ a.transpose(0, 2, 1)
            diagonal[batch.rows] = np.einsum("gii->gi", p)
            for k, piece in zip(s.nested, batch.pieces, strict=True):
                by_kernel[k] += piece.collect(p, s.terms[k].m)
        left = np.diag(self.m)[: s.q] - np.einsum("ij,ij->i", self.m[: s.q] @ h, self.m[: s.q])
        sums = np.bincount(s.owner, left, minlength=s.n_theta)
        for k in s.crossed:
            by_kernel[k][np.diag_indices(s.terms[k].m)] = sums[s.places[k]]
        return diagonal[:-1], by_kernel

    def levels_p(self, k):
        """``Z'PZ`` of term k, outer x inner levels."""
        s, term = self.structure, self.structure.terms[k]
        if term.cell is None:
            z = term.z.toarray()
            return z.T @ self.solve(z)[1]
        n_levels, width = term.z.shape[1], s.q + s.p + 1
        code = np.append(term.cell, n_levels)
        inner, outer = np.zeros((n_levels + 1) ** 2), np.zeros((n_levels + 1) * width)
        for batch, (inverse, a) in zip(s.batches, self.parts, strict=True):
            here = code[batch.rows]
            index = here[:, :, None] * (n_levels + 1) + here[:, None, :]
            inner += np.bincount(index.ravel(), inverse.ravel(), minlength=len(inner))
            index = here[:, :, None] * width + batch.columns[:, None, :]
            outer += np.bincount(index.ravel(), a.ravel(), minlength=len(outer))
        inner = inner.reshape(n_levels + 1, -1)[:-1, :-1]
        outer = outer.reshape(n_levels + 1, -1)[:-1, :-1]
        return inner - outer @ self.h @ outer.T


def _elimination(x, terms, candidates):
    """The grouping with the least work: blocks and what is left crossed, cubed, and adding up what
    blocks touch.
    """
    n, p = x.shape
    tied = [t for t in terms if not t.kernel.is_diagonal]
    whole = [np.zeros(n, int)] if n <= _WHOLE else []
    groupings = [np.arange(n), *(t.code for t in terms if t.code is not None), *candidates, *whole]
    fit = [block for block in groupings if all(is_nested(t.code, block) for t in tied)]
    if not fit:
        names = " and ".join(repr(t.name) for t in tied)
        only = "is possible for several terms only if one's outer levels hold the others'"
        raise ValueError(f"{names} are crossed; covariance between inner levels {only}")
    in_row, bases = np.count_nonzero(x) / n, [t.z.shape[1] for t in terms if t.code is None]

    def work(block):
        crossed = [t for t in terms if t.code is not None and not is_nested(t.code, block)]
        width = p + sum(bases) + sum(t.z.shape[1] for t in crossed)
        sizes = np.bincount(block).astype(float)
        touched = np.minimum(sizes * (in_row + len(crossed)) + sum(bases), width)
        return _INVERT * (sizes**3).sum() + _SCATTER * (touched**2).sum() + 1.5 * float(width) ** 3

    return min(fit, key=work)


def _alike(sizes, n_columns, padding):
    """Blocks of about one size together, in batches of bounded memory."""
    order = np.lexsort((n_columns, sizes))
    start = 0
    while start < len(order):
        ceiling = padding * sizes[order[start]]
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


def _invert_level(residual, variance, is_there):
    """The same for blocks that are one level each: ``diag(residual) + variance 11'`` (Sherman &
    Morrison 1950).
    """
    if (residual <= 0).any():
        raise np.linalg.LinAlgError("a record has no variance")
    weight = 1.0 / residual
    own = weight * is_there
    total = 1.0 + variance * own.sum(axis=1)
    inverse = (-variance / total)[:, None, None] * own[:, :, None] * own[:, None, :]
    diagonal = np.arange(residual.shape[1])
    inverse[:, diagonal, diagonal] += weight
    return inverse, np.log(total).sum() + np.log(residual).sum()


def _inverse(chol, scale):
    """``s K^-1 s`` from the Cholesky factor of K."""
    half = linalg.solve_triangular(chol, np.diag(scale), lower=True, check_finite=False)
    return half.T @ half
