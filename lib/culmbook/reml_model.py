"""From a data frame to the numbers of a gaussian mixed model; what cannot be fitted is refused in words."""

import numpy as np
import pandas as pd
from formulaic import Formula
from scipy import linalg

from culmbook.terms import code_levels, refuse_aliased
from culmbook.reml_criterion import Criterion, is_nested
from culmbook.reml_search import CONVERGED, VANISHED

RESIDUAL = "residual"
_NOTHING = 1e-9  # what is left of a column or response, relative, when another explains all of it


class Model:
    """The data in units in which the residual mean square of least squares and the columns' norms are 1."""

    def __init__(self, used, response, design, random, method, residual_by, known_variance):
        self.method, self.columns = method, list(design.columns)
        x = design.to_numpy(float)
        for column, bad in zip(self.columns, ~np.isfinite(x).T, strict=True):
            _refuse_rows(used, f"fixed effect {column}", bad, "is missing or not finite")
        norms = np.sqrt((x**2).sum(axis=0))
        self.column_scale = np.where(norms > 0, norms, 1.0)
        x = x / self.column_scale
        refuse_aliased(pd.DataFrame(x, columns=self.columns))
        self.levels, codes = _levels(used, random, known_variance is None)
        _refuse_determined(x, dict(zip(self.levels, codes, strict=True)))
        known = np.zeros(len(used)) if known_variance is None else used[known_variance].to_numpy(float)
        y = self._standardise(used[response].to_numpy(float), x, known)
        groups, self.residuals = _residual_groups(used, residual_by, known_variance)
        candidates = [*codes, *_columns_within(used, random)]
        restricted = method == "reml"
        self.problem = Criterion(y, x, codes, candidates, groups, known / self.scale**2, restricted)
        self.start = np.full(len(codes) + len(self.residuals), 1.0 / (len(codes) + 1))

    def _standardise(self, y, x, known):
        self.least_squares = np.linalg.lstsq(x, y, rcond=None)[0]
        rest, df = y - x @ self.least_squares, len(y) - x.shape[1]
        if df < 1:
            raise ValueError(f"{len(y)} records and {x.shape[1]} fixed effects leave no variance to estimate")
        self.scale = float(np.sqrt(known.mean() if known.any() else rest @ rest / df))
        if self.scale <= _NOTHING * np.sqrt((y**2).mean()):
            raise ValueError("the fixed effects fit the response exactly: there is no variance to estimate")
        return rest / self.scale

    @property
    def unit(self):
        """Factor of each fixed effect from the fitted units to the data's own."""
        return self.scale / self.column_scale

    def covariance(self, state):
        """Records' covariance in the fitted units, records x records, and its derivative by each variance."""
        problem = self.problem
        parts = [(code[:, None] == code).astype(float) for code in problem.codes]
        parts += [np.diag((problem.groups == r).astype(float)) for r in range(problem.n_groups)]
        known = np.diag(problem.known)
        return known + sum(t * part for t, part in zip(state.theta, parts, strict=True)), parts

    @property
    def names(self):
        """Names of the variances."""
        return [*self.levels, *self.residuals]

    def criterion(self, state):
        """-2 log likelihood in the data's own units."""
        p = len(self.columns) if self.method == "reml" else 0
        own = 2 * np.log(self.column_scale).sum() if self.method == "reml" else 0.0
        return state.criterion + 2 * (self.problem.n - p) * np.log(self.scale) + own

    def in_words(self, state, verdict):
        """The search's verdict, with the names of what is to blame."""
        if verdict == CONVERGED:
            return verdict
        if verdict == VANISHED:
            least = self.residuals[int(np.argmin(state.theta[len(self.levels) :]))]
            return f"not converged: {verdict} ({least}); the other terms leave it nothing"
        return f"not converged: {verdict}"


def _levels(frame, random, residual_estimated):
    """Levels of each term, and the level of every record as a code."""
    levels, codes = {}, []
    for term in random:
        code, labels = code_levels(frame, term)
        counts = np.bincount(code)
        if len(labels) < 2:
            raise ValueError(f"random term {term!r} has one level: its variance cannot be estimated")
        if residual_estimated and counts.max() < 2:
            raise ValueError(
                f"no level of random term {term!r} has two records: it cannot be told from the residual")
        for other, known in zip(levels, codes, strict=True):
            if is_nested(code, known) and is_nested(known, code):
                raise ValueError(f"random terms {other!r} and {term!r} have the same levels; keep one")
        levels[term] = labels
        codes.append(code)
    return levels, codes


def _columns_within(frame, random):
    """Columns that occur only as part of a term: they may cut the records into blocks too."""
    parts = dict.fromkeys(c for term in random for c in term.split(":"))
    return [code_levels(frame, c)[0] for c in parts if c not in random]


def _refuse_determined(x, codes):
    q = linalg.qr(x, mode="economic")[0]
    for term, code in codes.items():
        probe = np.cos(1.0 + np.arange(code.max() + 1))[code]  # any values without a pattern
        rest = probe - q @ (q.T @ probe)
        if rest @ rest <= _NOTHING**2 * (probe @ probe):
            raise ValueError(
                f"fixed effects determine every level of random term {term!r}; keep one of the two")


def _residual_groups(frame, residual_by, known_variance):
    if known_variance is not None:
        return np.empty(0, int), []
    if residual_by is None:
        return np.zeros(len(frame), int), [RESIDUAL]
    code, labels = code_levels(frame, residual_by)
    alone = labels[np.bincount(code) < 2]
    if len(alone):
        raise ValueError(
            f"{residual_by} has levels with one record, which cannot show a variance: {', '.join(alone)}")
    return code, [f"{RESIDUAL}[{label}]" for label in labels]


def used_records(frame, response, fixed, random, residual_by, known_variance):
    """Rows with a response, after a look at every column the model needs."""
    columns = [c for term in random for c in term.split(":")]
    columns += [c for c in (residual_by, known_variance) if c is not None]
    if isinstance(fixed, str):
        columns += sorted(v for v in Formula(fixed).required_variables)
    absent = [c for c in dict.fromkeys([response, *columns]) if c not in frame.columns]
    if absent:
        raise ValueError(f"no column {', '.join(absent)}; there are {', '.join(map(str, frame.columns))}")
    used = frame[frame[response].notna()]
    for column in dict.fromkeys(columns):
        _refuse_rows(used, column, used[column].isna(), "is missing")
    _refuse_rows(used, response, ~np.isfinite(used[response].astype(float)), "is not finite")
    if known_variance is not None:
        _refuse_rows(used, known_variance, ~(used[known_variance] > 0), "is not above 0")
        if residual_by is not None:
            raise ValueError("residual_by has no meaning where known_variance gives the residual variances")
    if not isinstance(fixed, str) and len(fixed) != len(frame):
        raise ValueError(f"the design has {len(fixed)} rows, the frame {len(frame)}")
    return used, len(frame) - len(used)


def _refuse_rows(frame, column, bad, what):
    if bad.any():
        rows = ", ".join(str(i) for i in frame.index[bad][:5])
        n, of = int(bad.sum()), len(frame)
        raise ValueError(f"{column} {what} in {n} of {of} rows with a response (index {rows})")
