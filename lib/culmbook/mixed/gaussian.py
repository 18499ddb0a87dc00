"""Gaussian linear mixed models by restricted or full maximum likelihood.

The model for a record is ``y = x'b + sum_k z_k'u_k + e``. The effects ``u_k`` of a term are
independent over its outer levels, with one variance or, over an inner index, with a covariance that
a kernel gives. Terms may be crossed or nested in any way; covariance between inner levels needs
nested outer levels. The residual has one variance, one for each level of a column, known variances,
or none. Parameters are found by average-information steps within their bounds, so an estimate of
zero is exactly zero.
"""

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from formulaic import model_matrix
from scipy import stats

from culmbook.mixed.gaussian_model import (
    CONVERGED,
    Model,
    State,
    curvature,
    minimise,
    profile_limit,
    used_records,
)
from culmbook.mixed.inference import FTest, student_table
from culmbook.mixed.terms import Basis, weight_rows

METHODS = ("reml", "ml")


class Heritability(NamedTuple):
    """Generalised heritability of a term; ``value`` is NaN where ``verdict`` is not
    ``'estimated'``.
    """

    value: float
    verdict: str


@dataclass(frozen=True)
class GaussianFit:
    """A fitted gaussian mixed model.

    Attributes
    ----------
    coefficients : Series
        Fixed effects by column of the design, in the response's unit.
    covariance : DataFrame
        Covariance of the fixed effects given the variances.
    variances : Series
        Variance of each random term (``'term[level]'`` for each inner level where they differ),
        then the residual variance (``'residual'``, or ``'residual[level]'`` for each level of
        ``residual_by``; none where they were known).
    shapes : Series
        Correlations and log ranges of the kernels that have such.
    kernels : dict of str to DataFrame
        Covariance over the inner levels of each term that has an inner index, squared unit of the
        response.
    criterion : float
        -2 log likelihood, restricted for ``method='reml'``. Restricted values are comparable only
        between models with the same fixed effects.
    method : {'reml', 'ml'}
    verdict : str
        ``'converged'``, or what went wrong in words.
    n_records : int
        Records used.
    n_missing : int
        Records left out because the response is missing.
    levels : dict of str to Index
        (Outer) levels of each random term.
    design : DataFrame
        Fixed-effect design, one row per record used, with the formula's own coding.
    data : DataFrame
        The records used.
    response : ndarray
        Their response.
    """

    coefficients: pd.Series
    covariance: pd.DataFrame
    variances: pd.Series
    shapes: pd.Series
    kernels: dict
    criterion: float
    method: str
    verdict: str
    n_records: int
    n_missing: int
    levels: dict
    design: pd.DataFrame = field(repr=False)
    data: pd.DataFrame = field(repr=False)
    response: np.ndarray = field(repr=False)
    model: Model = field(repr=False)
    state: State = field(repr=False)

    @property
    def information_criterion(self) -> float:
        """Akaike's criterion; with ``method='reml'`` only the covariance's parameters count."""
        return self.criterion + 2 * self.n_parameters

    @property
    def n_parameters(self) -> int:
        """Parameters of the criterion: those of the covariance, for maximum likelihood the fixed
        effects too.
        """
        return len(self.state.theta) + (len(self.coefficients) if self.method == "ml" else 0)

    def effects(self, term: str) -> pd.Series | pd.DataFrame:
        """Best linear unbiased predictions of a random term, in the response's unit.

        Returns
        -------
        Series or DataFrame
            By level, or outer level by inner level where the term has an inner index.
        """
        k = self.position(term)
        own = self.model.terms[k]
        values = own.collect(self.state.py) @ self.kernel(k) * self.model.scale
        if own.m > 1:
            return pd.DataFrame(values, index=own.levels, columns=own.inner_levels)
        return pd.Series(values[:, 0], index=own.levels, name=term)

    def prediction_covariance(self, term: str) -> pd.DataFrame:
        """Prediction error covariance of a random term: of predicted less true effects.

        Notes
        -----
        ``G - G Z'PZ G``, fixed effects' uncertainty included, the covariance's parameters taken as
        known. It is of the size levels x levels; with an inner index, levels are outer x inner.
        """
        k = self.position(term)
        own, kernel = self.model.terms[k], self.kernel(k)
        n, m = len(own.levels), own.m
        values = self.state.factor.levels_p(k).reshape(n, m, n, m)
        values = -np.einsum("ab,gbhc,cd->gahd", kernel, values, kernel, optimize=True)
        values[np.arange(n), :, np.arange(n)] += kernel
        values = values.reshape(n * m, -1) * self.model.scale**2
        return pd.DataFrame(values, index=own.cells, columns=own.cells)

    def kernel(self, k: int) -> np.ndarray:
        """Covariance over the inner levels of the k-th term, in the model's own units."""
        structure = self.model.problem.structure
        return structure.terms[k].kernel.matrix(self.state.theta[structure.places[k]])

    def heritability(self, term: str) -> Heritability:
        """Generalised heritability of a random term's differences.

        Returns
        -------
        Heritability
            One less the mean variance of a predicted difference over twice the term's variance;
            not estimable where that variance is zero or the fit has not converged.

        References
        ----------
        Cullis, Smith & Coombes (2006) J. Agric. Biol. Environ. Stat. 11:381-393.
        """
        k = self.position(term)
        if self.model.terms[k].m > 1:
            raise ValueError(f"{term!r} has an inner index; take the inner levels one by one")
        variance = float(self.kernel(k)[0, 0]) * self.model.scale**2
        if self.verdict != CONVERGED:
            return Heritability(np.nan, f"not estimable: {self.verdict}")
        if variance == 0:
            return Heritability(np.nan, f"not estimable: the variance of {term} is 0")
        errors = self.prediction_covariance(term).to_numpy()
        n, own = len(errors), np.trace(errors)
        between = (errors.sum() - own) / (n * (n - 1))
        return Heritability(float(1 - (own / n - between) / variance), "estimated")

    def contrast(self, weights, level: float = 0.95) -> pd.DataFrame:
        """Estimates of linear combinations of the fixed effects with Satterthwaite's degrees of
        freedom.

        Parameters
        ----------
        weights : DataFrame
            One row per combination, one column per coefficient (columns not given weigh nothing).
        level : float
            Coverage of the intervals, 0 to 1.

        Returns
        -------
        DataFrame
            ``estimate``, ``se``, ``df``, ``t``, ``p``, ``lower``, ``upper``, by row of ``weights``.

        Raises
        ------
        ValueError
            A column that is no coefficient.

        Notes
        -----
        ``df = 2 f^2 / (g'Ag)``: f the combination's variance, g its gradient by the variances, A
        their covariance from the observed second derivatives. Parameters at a bound are held there;
        where all variances are known or zero the degrees of freedom are infinite.

        References
        ----------
        Satterthwaite (1946) Biometrics Bull. 2:110-114; Kuznetsova et al. (2017) J. Stat. Softw.
        82(13).
        """
        rows = self.weigh(weights)
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        df = self._satterthwaite(rows, variance)
        estimate = rows @ self.coefficients.to_numpy()
        return student_table(estimate, np.sqrt(variance), df, level, weights.index)

    def f_test(self, weights) -> FTest:
        """F test that all combinations in ``weights`` are zero, with Satterthwaite's degrees of
        freedom.

        Notes
        -----
        Independent combinations are made of the given ones; their degrees of freedom ``v`` give
        ``2E / (E - q)`` with ``E`` the sum of ``v / (v - 2)``.

        References
        ----------
        Fai & Cornelius (1996) J. Stat. Comput. Simul. 54:363-378.
        """
        rows = self.weigh(weights, together=True)
        size, vectors = np.linalg.eigh(rows @ self.covariance.to_numpy() @ rows.T)
        apart = vectors.T @ rows
        f = float(((apart @ self.coefficients.to_numpy()) ** 2 / size).mean())
        df, q = self._satterthwaite(apart, size), len(rows)
        common = float(df[0])
        if not np.allclose(df, common, rtol=1e-8):
            e = (df[df > 2] / (df[df > 2] - 2)).sum()
            common = float(2 * e / (e - q)) if e > q else 2.0
        return FTest(f, q, common, float(stats.f.sf(f, q, common)))

    def intervals(self, level: float = 0.95) -> pd.DataFrame:
        """Profile likelihood intervals of the variances and shapes.

        Returns
        -------
        DataFrame
            ``estimate``, ``lower``, ``upper`` and ``note`` by parameter; loadings, which mean
            nothing one by one, are left out. The limits are where the criterion, least over all
            other parameters, has risen by the chi-squared quantile on one degree of freedom;
            ``upper`` is infinite where it never rises so far. ``note`` says where an estimate or a
            limit is at a bound.

        Raises
        ------
        ValueError
            The fit has not converged.

        References
        ----------
        Venzon & Moolgavkar (1988) Appl. Stat. 37:87-94.
        """
        if self.verdict != CONVERGED:
            raise ValueError(f"there are no intervals of a fit that has {self.verdict}")
        rise = stats.chi2.ppf(level, 1)
        problem, state, powers = self.model.problem, self.state, self.model.powers
        rows = {}
        for i in np.flatnonzero(powers != 1):
            low, high = (profile_limit(problem, state, i, rise, side) for side in (-1, 1))
            ends = {"estimate": state.theta[i], "lower limit": low, "upper limit": high}
            notes = []
            for bound in (problem.lower[i], problem.upper[i]):
                at = [end for end, value in ends.items() if value == bound < np.inf]
                notes += [f"{' and '.join(at)} at the bound {bound:g}"] if at else []
            unit = self.model.scale ** powers[i]
            rows[self.model.names[i]] = [*(v * unit for v in ends.values()), "; ".join(notes)]
        columns = ["estimate", "lower", "upper", "note"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns)

    def position(self, term: str) -> int:
        """Place of a random term among the model's; ``ValueError`` where there is none of this
        name.
        """
        if term not in self.levels:
            there = ", ".join(self.levels) or "none"
            raise ValueError(f"{term!r} is no random term of this fit; it has {there}")
        return list(self.levels).index(term)

    def weigh(self, weights: pd.DataFrame, together: bool = False) -> np.ndarray:
        """Weights of combinations, a column for every coefficient in order.

        Raises
        ------
        ValueError
            Weights for no coefficient of the fit; for ``together``, combinations that are not
            independent.
        """
        rows = weight_rows(weights, self.coefficients.index)
        if together and np.linalg.matrix_rank(rows) < len(rows):
            raise ValueError("the combinations tested together are not independent; leave some out")
        return rows

    def curvature(self) -> tuple[np.ndarray, np.ndarray]:
        """Places of the covariance's parameters that are at no bound, and the criterion's second
        derivatives by them.

        The parameters are in the model's own units; twice the inverse is their covariance.
        """
        problem, theta = self.model.problem, self.state.theta
        free = np.flatnonzero((theta > problem.lower) & (theta < problem.upper))
        return free, curvature(problem, self.state, free)

    def _satterthwaite(self, rows, variance):
        model, problem, state = self.model, self.model.problem, self.state
        free, curve = self.curvature()
        if not len(free):
            return np.full(len(rows), np.inf)
        spread = 2 * np.linalg.inv(curve)
        df = []
        for row, f in zip(rows * model.unit, variance, strict=True):
            a = state.factor.spread(row)
            gradient = (problem.derivatives(state.theta, a).T @ a)[free]
            df.append(2 * f**2 / (gradient @ spread @ gradient))
        return np.array(df)


def fit_gaussian(
    frame: pd.DataFrame,
    response: str,
    fixed: str | pd.DataFrame,
    random: tuple | list = (),
    *,
    method: str = "reml",
    residual_by: str | None = None,
    known_variance: str | None = None,
    residual: bool | str = True,
) -> GaussianFit:
    """Fit a gaussian linear mixed model.

    Parameters
    ----------
    frame : DataFrame
        One row per record. Rows with a missing response are left out and counted; other columns
        used must be complete.
    response : str
        Column with the response, any unit.
    fixed : str or DataFrame
        Right-hand side of the formula, for example ``'1 + variety'``, or the design itself, one row
        per row of ``frame``.
    random : sequence
        Columns whose levels get a random intercept (``'site:block'`` crosses columns), or terms
        made by :func:`over`, :func:`slopes` and :func:`basis`. Several traits at once are stacked,
        one row per plot and trait, with ``over('hybrid', 'trait', 'unstructured')`` and the same
        over plots.
    method : {'reml', 'ml'}
    residual_by : str, optional
        Column with a residual variance of its own for each level.
    known_variance : str, optional
        Column with the variance of each record's error, squared unit of the response, above 0. The
        residual variance is then not estimated.
    residual : bool or str
        False leaves the residual out, where a kernel over records already holds it. A column of
        numbers above 0 makes the residual variance proportional to it.

    Returns
    -------
    GaussianFit

    Raises
    ------
    ValueError
        Missing or infinite values (column and rows named), aliased fixed columns (named), a random
        term with one level, without a level that has two records, or equal to another term or to
        fixed effects, a residual group with one record, a response that the fixed effects fit
        exactly, crossed terms that both have covariance between inner levels.

    Notes
    -----
    Rounding limits the criterion to about 1e-12 of its size. Memory grows with the squared number
    of crossed levels and with the sum of the squared block sizes.

    References
    ----------
    Patterson & Thompson (1971) Biometrika 58:545-554; Gilmour, Thompson & Cullis (1995) Biometrics
    51:1440-1450 for average information.

    Examples
    --------
    >>> plots = pd.DataFrame({"stems": [52, 48, 61, 57, 40, 44], "hybrid": ["a", "a", "b", "b", "c", "c"]})
    >>> fit = fit_gaussian(plots, "stems", "1", ["hybrid"])
    >>> fit.variances.round(2).to_dict()
    {'hybrid': 68.33, 'residual': 8.0}
    """
    if method not in METHODS:
        raise ValueError(f"method is {method!r}; it must be one of {', '.join(METHODS)}")
    more = residual_by, known_variance, residual
    used, n_missing = used_records(frame, response, fixed, random, *more)
    present = frame[response].notna().to_numpy()
    random = list(random)
    for i, term in enumerate(random):
        if isinstance(term, Basis) and len(term.matrix) == len(frame):
            random[i] = replace(term, matrix=term.matrix[present])
    if isinstance(fixed, str):
        design = model_matrix(fixed, used, na_action="raise")
    else:
        design = fixed.loc[present]
    model = Model(used, response, design, random, method, *more)
    # the lowest criterion that searches from all of the model's starts find, converged ones first
    found = [minimise(model.problem, start) for start in model.starts]
    state, verdict = min(found, key=lambda end: (end[1] != CONVERGED, end[0].criterion))
    names, q, unit = model.columns, model.problem.structure.q, model.unit
    b = state.solution[q:] * unit + model.least_squares / model.column_scale
    covariance = state.factor.h[q:, q:] * np.outer(unit, unit)
    own = state.theta[: model.problem.structure.n_theta]
    variances, kernels = model.problem.structure.variances(own, model.scale**2)
    shapes = pd.Series(state.theta, index=model.names, dtype=float)[model.powers == 0]
    residuals = state.theta[model.problem.residuals] * model.scale**2
    variances |= dict(zip(model.residuals, residuals, strict=True))
    return GaussianFit(
        coefficients=pd.Series(b, index=names),
        covariance=pd.DataFrame(covariance, index=names, columns=names),
        variances=pd.Series(variances, dtype=float),
        shapes=shapes,
        kernels=kernels,
        criterion=model.criterion(state),
        method=method,
        verdict=model.in_words(state, verdict),
        n_records=len(used),
        n_missing=n_missing,
        levels={term.name: term.levels for term in model.terms},
        design=design,
        data=used,
        response=used[response].to_numpy(float),
        model=model,
        state=state,
    )
