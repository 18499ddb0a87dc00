"""Generalised linear mixed models for plot counts.

The model for cell *i* (a plot, a plot on a date) is binomial with

    logit p_i = x_i'b + sum_k z_ki'u_k + e_i,   u_k ~ N(0, t_k I),   e_i ~ N(0, t_0)

where the terms ``k`` are intercepts for the levels of one or several columns and ``e``, which is
present when a term has one level per cell, is the plot-to-plot overdispersion.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from formulaic import model_matrix
from scipy import special

from culmbook.laplace import CountModel, Profile, minimise
from culmbook.terms import code_levels, refuse_aliased

METHODS = ("restricted", "ml")
_SEPARATED_LOGIT = 15.0  # a fitted logit past this has run off to a boundary


@dataclass(frozen=True)
class BinomialFit:
    """A fitted binomial mixed model.

    Attributes
    ----------
    coefficients : Series
        Fixed effects on the logit scale, by column of the design.
    covariance : DataFrame
        Covariance of the fixed effects given the variances.
    variances : Series
        Variance of each random term on the logit scale, by term.
    effects : dict of str to Series
        Predicted effect of every level of each random term (mode of the joint density).
    design : DataFrame
        Fixed-effect design, one row per cell.
    logit : ndarray
        Fitted logit of each cell, random effects included.
    criterion : float
        -2 log likelihood (``method='ml'``) or its restricted counterpart, binomial coefficients
        included; values are comparable only between fits of one method on the same counts.
    deviance : float
        Residual deviance given the fitted random effects.
    method : {'restricted', 'ml'}
    verdict : str
        ``'converged'``, or what went wrong in words.
    n_cells : int
    problem : object
        Counts and designs as fitted.
    """

    coefficients: pd.Series
    covariance: pd.DataFrame
    variances: pd.Series
    effects: dict
    design: pd.DataFrame
    logit: np.ndarray
    criterion: float
    deviance: float
    method: str
    verdict: str
    n_cells: int
    problem: "CountModel" = field(repr=False, default=None)

    @property
    def spread(self) -> float:
        """Standard deviation of all random effects together, logit scale."""
        return float(np.sqrt(self.variances.sum()))

    def sampling_variance(self) -> pd.Series:
        """Part of each coefficient's variance that is due to counting a finite number of plants."""
        problem = self.problem
        _, weight = problem.weights(self.logit)
        d_inv, inner, _ = problem.factor(weight, self.variances.to_numpy(), True)
        rows = (inner[: problem.p] @ problem.a.T) * d_inv
        return pd.Series((rows**2 / weight).sum(axis=1), index=self.coefficients.index)

    def profile_limits(self, coefficient: str, critical: float) -> tuple[float, float]:
        """Likelihood limits of one fixed effect, the variances held at their estimates.

        Parameters
        ----------
        coefficient : str
            A label of ``coefficients``.
        critical : float
            Signed root of the criterion's rise at the limits, for example a t quantile.

        Returns
        -------
        tuple of float
            Lower and upper limit on the logit scale. The other fixed effects are integrated out at
            every value tried, so the curve is the effect's marginal likelihood by Laplace.

        References
        ----------
        Venzon & Moolgavkar (1988) Appl. Stat. 37:87-94 for limits from the likelihood's drop.
        """
        best, se = self.coefficients[coefficient], np.sqrt(self.covariance.loc[coefficient, coefficient])
        lowest = Profile(self, coefficient)
        return tuple(lowest.limit(best, sign * se, critical) for sign in (-1, 1))

    @property
    def residual_df(self) -> int:
        """Cells less fixed columns: the degrees of freedom behind the plot-to-plot variance."""
        return self.n_cells - len(self.coefficients)


def fit_binomial(
    frame: pd.DataFrame,
    *,
    alive: str,
    total: str,
    fixed: str | pd.DataFrame,
    random: tuple[str, ...] | list[str] = (),
    method: str = "restricted",
    half_plant_in: str | None = None,
) -> BinomialFit:
    """Fit a binomial mixed model with a logit link.

    Parameters
    ----------
    frame : DataFrame
        One row per cell; no missing values in the columns used.
    alive, total : str
        Columns with the count that succeeded and the count at risk, 0 <= alive <= total, total > 0.
    fixed : str or DataFrame
        Right-hand side of the formula, for example ``'0 + hybrid + replicate'``, or the design itself,
        one row per row of ``frame``.
    random : sequence of str
        Columns whose levels get a random intercept; ``'site:block'`` crosses columns. A term with one
        level per row is the overdispersion.
    method : {'restricted', 'ml'}
        ``'restricted'`` integrates the fixed effects out as well, which removes most of the downward
        bias of the variances; ``'ml'`` maximises the Laplace likelihood over fixed effects and variances.
    half_plant_in : str, optional
        Column whose levels each receive half a plant alive and half a plant dead, spread over the
        level's cells in proportion to their totals. It is Jeffreys' prior for a level's share, and keeps
        a level at 0 % or 100 % finite.

    Returns
    -------
    BinomialFit

    Raises
    ------
    ValueError
        Counts out of range, a fixed column that the others determine (named), a random term with a
        single level or no level seen twice, or a share at 0 or 1 that has no finite estimate.

    Notes
    -----
    Laplace's approximation at the joint mode; for ``'ml'`` it is the likelihood that lme4's ``glmer``
    maximises with ``nAGQ = 1``. It is poor for counts of one or two plants per cell.

    References
    ----------
    Breslow & Clayton (1993) J. Am. Stat. Assoc. 88:9-25; Bates et al. (2015) J. Stat. Softw. 67(1);
    Firth (1993) Biometrika 80:27-38 for the half plant.

    Examples
    --------
    >>> plots = pd.DataFrame({"alive": [30, 28, 20, 22], "planted": 36, "hybrid": ["a", "a", "b", "b"]})
    >>> fit = fit_binomial(plots, alive="alive", total="planted", fixed="0 + hybrid")
    >>> fit.coefficients.round(3).to_dict()
    {'hybrid[a]': 1.421, 'hybrid[b]': 0.336}
    """
    if method not in METHODS:
        raise ValueError(f"method is {method!r}; it must be one of {', '.join(METHODS)}")
    y, n = _counts(frame, alive, total)
    design = model_matrix(fixed, frame) if isinstance(fixed, str) else fixed
    refuse_aliased(design)
    terms = _levels(frame, random)
    extra = _half_plants(frame, n, half_plant_in)
    problem = CountModel(y + extra, n + 2 * extra, design.to_numpy(float), terms)
    variances, state, verdict = minimise(problem, method)
    _refuse_separated(state.eta, half_plant_in)
    return _result(problem, variances, state, design, terms, method, verdict)


def _counts(frame, alive, total):
    y, n = frame[alive].to_numpy(float), frame[total].to_numpy(float)
    bad = ~((n > 0) & (y >= 0) & (y <= n))
    if bad.any():
        rows = ", ".join(str(i) for i in frame.index[bad][:5])
        raise ValueError(f"{bad.sum()} rows break 0 <= {alive} <= {total}, {total} > 0 (index {rows})")
    return y, n


def _levels(frame, random):
    terms = {}
    for term in random:
        code, levels = code_levels(frame, term)
        if len(levels) < 2:
            raise ValueError(f"random term {term!r} has one level: its variance cannot be estimated")
        terms[term] = (code, levels)
    own = [term for term, (_, levels) in terms.items() if len(levels) == len(frame)]
    if len(own) > 1:
        raise ValueError(f"these random terms all have one level per row, keep one: {', '.join(own)}")
    return terms


def _half_plants(frame, n, column):
    if column is None:
        return np.zeros(len(frame))
    per_level = pd.Series(n, index=frame.index).groupby(frame[column].astype(str)).transform("sum")
    return 0.5 * n / per_level.to_numpy(float)


def _refuse_separated(eta, half_plant_in):
    if half_plant_in is None and np.max(np.abs(eta)) > _SEPARATED_LOGIT:
        raise ValueError(
            "a fixed effect has no finite estimate: all plants of one of its levels live or all are dead; "
            "give half_plant_in, the column whose levels should each get half a plant"
        )


def _result(problem, variances, state, design, terms, method, verdict):
    names = list(design.columns)
    if method == "ml":  # the covariance of b needs the fixed effects in the factor
        _, weight = problem.weights(state.eta)
        inner = problem.factor(weight, variances, True)[1]
    else:
        inner = state.inner
    effects = {}
    for k, (term, (code, levels)) in enumerate(terms.items()):
        if k == problem.own:
            effects[term] = pd.Series(state.own[np.argsort(code)], index=levels)
        else:
            block = problem.blocks[k]
            effects[term] = pd.Series(state.effects[block.start - problem.p : block.stop - problem.p], index=levels)
    p = problem.p
    return BinomialFit(
        coefficients=pd.Series(state.fixed, index=names),
        covariance=pd.DataFrame(inner[:p, :p], index=names, columns=names),
        variances=pd.Series(variances, index=list(terms), dtype=float),
        effects=effects,
        design=pd.DataFrame(design.to_numpy(float), columns=names),
        logit=state.eta,
        criterion=state.criterion,
        deviance=_residual_deviance(problem.y, problem.n, state.eta),
        method=method,
        verdict=verdict,
        n_cells=len(problem.y),
        problem=problem,
    )


def _residual_deviance(y, n, eta):
    mean = n * special.expit(eta)
    return 2 * (special.xlogy(y, y / mean) + special.xlogy(n - y, (n - y) / (n - mean))).sum()
