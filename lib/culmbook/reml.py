"""Gaussian linear mixed models by restricted or full maximum likelihood.

The model for a record is ``y = x'b + sum_k z_k'u_k + e`` with ``u_k ~ N(0, s_k I)`` over the levels of one
or several columns, crossed or nested in any way, and ``e`` with one variance, a variance for each level of
a column, or known variances. Variances are found by average-information steps in the box of variances
that are not negative, so an estimate of zero is exactly zero.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from formulaic import model_matrix
from scipy import stats

from culmbook.reml_criterion import State
from culmbook.reml_model import Model, used_records
from culmbook.reml_search import CONVERGED, curvature, minimise, profile_limit

METHODS = ("reml", "ml")


class Heritability(NamedTuple):
    """Generalised heritability of a term; ``value`` is NaN where ``verdict`` is not ``'estimated'``."""

    value: float
    verdict: str


class FTest(NamedTuple):
    """F test of several contrasts at once."""

    f: float
    df_numerator: int
    df_denominator: float
    p: float


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
        Variance of each random term, then the residual variance (``'residual'``, or
        ``'residual[level]'`` for each level of ``residual_by``; none where they were known).
    criterion : float
        -2 log likelihood, restricted for ``method='reml'``. Restricted values are comparable only between
        models with the same fixed effects.
    method : {'reml', 'ml'}
    verdict : str
        ``'converged'``, or what went wrong in words.
    n_records : int
        Records used.
    n_missing : int
        Records left out because the response is missing.
    levels : dict of str to Index
        Levels of each random term.
    """

    coefficients: pd.Series
    covariance: pd.DataFrame
    variances: pd.Series
    criterion: float
    method: str
    verdict: str
    n_records: int
    n_missing: int
    levels: dict
    model: Model = field(repr=False)
    state: State = field(repr=False)

    @property
    def information_criterion(self) -> float:
        """Akaike's criterion; with ``method='reml'`` only the variances count as parameters."""
        n_fixed = len(self.coefficients) if self.method == "ml" else 0
        return self.criterion + 2 * (len(self.variances) + n_fixed)

    def effects(self, term: str) -> pd.Series:
        """Best linear unbiased predictions of a random term's levels, in the response's unit."""
        k = self._position(term)
        problem = self.model.problem
        sums = np.bincount(problem.codes[k], self.state.py, minlength=len(self.levels[term]))
        return pd.Series(self.state.theta[k] * sums * self.model.scale, index=self.levels[term], name=term)

    def prediction_covariance(self, term: str) -> pd.DataFrame:
        """Prediction error covariance of a random term: of predicted less true effects.

        Notes
        -----
        ``G - G Z'PZ G``, fixed effects' uncertainty included, the variances taken as known. It is of
        the size levels x levels.
        """
        k = self._position(term)
        g = self.state.theta[k]
        values = -(g**2) * self.model.problem.levels_p(self.state, k)
        values[np.diag_indices_from(values)] += g
        index = self.levels[term]
        return pd.DataFrame(values * self.model.scale**2, index=index, columns=index)

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
        variance = self.variances.iloc[self._position(term)]
        if self.verdict != CONVERGED:
            return Heritability(np.nan, f"not estimable: {self.verdict}")
        if variance == 0:
            return Heritability(np.nan, f"not estimable: the variance of {term} is 0")
        errors = self.prediction_covariance(term).to_numpy()
        n, own = len(errors), np.trace(errors)
        between = (errors.sum() - own) / (n * (n - 1))
        return Heritability(float(1 - (own / n - between) / variance), "estimated")

    def contrast(self, weights, level: float = 0.95) -> pd.DataFrame:
        """Estimates of linear combinations of the fixed effects with Satterthwaite's degrees of freedom.

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
        ``df = 2 f^2 / (g'Ag)``: f the combination's variance, g its gradient by the variances, A their
        covariance from the observed second derivatives. Variances at zero are held there; where all
        variances are known or zero the degrees of freedom are infinite.

        References
        ----------
        Satterthwaite (1946) Biometrics Bull. 2:110-114; Kuznetsova et al. (2017) J. Stat. Softw. 82(13).
        """
        rows = self.weigh(weights)
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        estimate, se = rows @ self.coefficients.to_numpy(), np.sqrt(variance)
        df = self._satterthwaite(rows, variance)
        t, critical = estimate / se, stats.t.ppf(0.5 + level / 2, df)
        return pd.DataFrame(
            {"estimate": estimate, "se": se, "df": df, "t": t, "p": 2 * stats.t.sf(np.abs(t), df),
             "lower": estimate - critical * se, "upper": estimate + critical * se}, index=weights.index)

    def f_test(self, weights) -> FTest:
        """F test that all combinations in ``weights`` are zero, with Satterthwaite's degrees of freedom.

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
        """Profile likelihood intervals of the variances.

        Returns
        -------
        DataFrame
            ``variance``, ``lower``, ``upper`` and ``note`` by term. The limits are where the criterion,
            least over all other parameters, has risen by the chi-squared quantile on one degree of
            freedom; ``upper`` is infinite where it never rises so far. ``note`` says where an estimate
            or a limit is at the bound 0.

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
        problem, state = self.model.problem, self.state
        rows = [[profile_limit(problem, state, i, rise, side) for side in (-1, 1)]
                for i in range(len(self.variances))]
        limits = pd.DataFrame(rows, columns=["lower", "upper"], index=self.variances.index)
        limits *= self.model.scale**2
        limits.insert(0, "variance", self.variances)
        both = np.where(limits["variance"] == 0, "estimate and lower limit", "lower limit")
        return limits.assign(note=np.where(limits["lower"] == 0, both + " at the bound 0", ""))

    def _position(self, term):
        if term not in self.levels:
            there = ", ".join(self.levels) or "none"
            raise ValueError(f"{term!r} is no random term of this fit; it has {there}")
        return list(self.levels).index(term)

    def weigh(self, weights: pd.DataFrame, together: bool = False) -> np.ndarray:
        """Weights of combinations, a column for every coefficient in order.

        Raises
        ------
        ValueError
            Weights for no coefficient of the fit; for ``together``, combinations that are not independent.
        """
        unknown = [str(c) for c in weights.columns if c not in self.coefficients.index]
        if unknown:
            there = ", ".join(self.coefficients.index)
            raise ValueError(f"no such coefficient: {', '.join(unknown)}; there are {there}")
        rows = weights.reindex(columns=self.coefficients.index, fill_value=0.0).to_numpy(float)
        if together and np.linalg.matrix_rank(rows) < len(rows):
            raise ValueError("the combinations to be tested together are not independent; leave some out")
        return rows

    def _satterthwaite(self, rows, variance):
        model, problem, theta = self.model, self.model.problem, self.state.theta
        free = np.flatnonzero(theta > 0)
        if not len(free):
            return np.full(len(rows), np.inf)
        spread = 2 * np.linalg.inv(curvature(problem, self.state, free))
        df = []
        for row, f in zip(rows * model.unit, variance, strict=True):
            a = problem.spread(self.state, self.state.h[:, problem.q :] @ row)
            gradient = problem.through(a)[0][free]
            df.append(2 * f**2 / (gradient @ spread @ gradient))
        return np.array(df)


def fit_gaussian(
    frame: pd.DataFrame,
    response: str,
    fixed: str | pd.DataFrame,
    random: tuple[str, ...] | list[str] = (),
    *,
    method: str = "reml",
    residual_by: str | None = None,
    known_variance: str | None = None,
) -> GaussianFit:
    """Fit a gaussian linear mixed model.

    Parameters
    ----------
    frame : DataFrame
        One row per record. Rows with a missing response are left out and counted; other columns used
        must be complete.
    response : str
        Column with the response, any unit.
    fixed : str or DataFrame
        Right-hand side of the formula, for example ``'1 + variety'``, or the design itself, one row per
        row of ``frame``.
    random : sequence of str
        Columns whose levels get a random intercept; ``'site:block'`` crosses columns.
    method : {'reml', 'ml'}
    residual_by : str, optional
        Column with a residual variance of its own for each level.
    known_variance : str, optional
        Column with the variance of each record's error, squared unit of the response, above 0. The
        residual variance is then not estimated.

    Returns
    -------
    GaussianFit

    Raises
    ------
    ValueError
        Missing or infinite values (column and rows named), aliased fixed columns (named), a random term
        with one level, without a level that has two records, or equal to another term or to fixed
        effects, a residual group with one record, a response that the fixed effects fit exactly.

    Notes
    -----
    Rounding limits the criterion to about 1e-12 of its size. Memory grows with the squared number of
    crossed levels and with the sum of the squared block sizes.

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
    used, n_missing = used_records(frame, response, fixed, random, residual_by, known_variance)
    present = frame[response].notna().to_numpy()
    design = model_matrix(fixed, used, na_action="raise") if isinstance(fixed, str) else fixed.loc[present]
    model = Model(used, response, design, random, method, residual_by, known_variance)
    state, verdict = minimise(model.problem, model.start)
    return _result(model, state, model.in_words(state, verdict), n_missing)


def _result(model, state, verdict, n_missing):
    problem, names = model.problem, model.columns
    unit = model.unit
    b = state.solution[problem.q :] * unit + model.least_squares / model.column_scale
    covariance = state.h[problem.q :, problem.q :] * np.outer(unit, unit)
    return GaussianFit(
        coefficients=pd.Series(b, index=names),
        covariance=pd.DataFrame(covariance, index=names, columns=names),
        variances=pd.Series(state.theta * model.scale**2, index=model.names, dtype=float),
        criterion=model.criterion(state),
        method=model.method,
        verdict=verdict,
        n_records=problem.n,
        n_missing=n_missing,
        levels=model.levels,
        model=model,
        state=state,
    )
