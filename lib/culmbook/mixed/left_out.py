"""What a gaussian mixed model says of records it is not shown, and what its parts give every record."""

import numpy as np
import pandas as pd

_NOTHING = (
    1e-9  # a record with this share of its own variance left is fitted exactly, whatever it is
)


def left_out(fit, units=None) -> pd.DataFrame:
    """Errors of the records' predictions from the other records, a unit at a time.

    Parameters
    ----------
    fit : GaussianFit
    units : array_like, optional
        Unit of each record used, for example its plot where plots are cut again; all records of a unit are
        left out together. By default each record is its own.

    Returns
    -------
    DataFrame
        By record of ``fit.data``: ``error`` (observed less predicted, unit of the response) and ``variance``
        (of that error, by the model). Both are missing where the other records cannot tell some fixed effect
        of the unit, as for a hybrid with one plot.

    Raises
    ------
    ValueError
        ``units`` of another length.

    Notes
    -----
    ``P_ss^-1 (Py)_s`` with variance ``P_ss^-1`` for the records s of a unit, exact for the variances of the
    whole fit, which are not estimated again. With ``P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1``.

    References
    ----------
    Cook & Weisberg (1982) Residuals and Influence in Regression, ch. 2, for the ordinary regression; Haslett
    & Hayes (1998) J. R. Stat. Soc. B 60:201-215 for correlated records.

    Examples
    --------
    >>> from culmbook.mixed import fit_gaussian
    >>> plots = pd.DataFrame({"stems": [52.0, 48, 61, 57, 40, 44]})
    >>> left_out(fit_gaussian(plots, "stems", "1"))["error"].round(2).tolist()
    [2.0, -2.8, 12.8, 8.0, -12.4, -7.6]
    """
    code = np.arange(fit.n_records) if units is None else pd.factorize(np.asarray(units))[0]
    if len(code) != fit.n_records:
        raise ValueError(f"{len(code)} units for {fit.n_records} records used")
    p, py, scale = projection(fit), fit.state.py, fit.model.scale
    error, variance = np.full(fit.n_records, np.nan), np.full(fit.n_records, np.nan)
    typical = np.diag(p).max()
    for unit in range(code.max() + 1):
        own = np.flatnonzero(code == unit)
        block = p[np.ix_(own, own)]
        if np.linalg.eigvalsh(block)[0] > _NOTHING * typical:
            inverse = np.linalg.inv(block)
            error[own], variance[own] = inverse @ py[own] * scale, np.diag(inverse) * scale**2
    return pd.DataFrame({"error": error, "variance": variance}, index=fit.data.index)


def projection(fit) -> np.ndarray:
    """``P`` of the records, records x records, for a response divided by ``fit.model.scale``."""
    return fit.state.factor.solve(np.eye(fit.n_records))[1]


def part_of(fit, term: str) -> np.ndarray:
    """What a random term gives each record used, in the response's unit.

    Raises
    ------
    ValueError
        No such term.
    """
    if term not in fit.levels:
        raise ValueError(
            f"{term!r} is no random term of this fit; it has {', '.join(fit.levels) or 'none'}"
        )
    k = list(fit.levels).index(term)
    own, structure = fit.model.terms[k], fit.model.problem.structure
    kernel = structure.terms[k].kernel.matrix(fit.state.theta[structure.places[k]])
    return own.times(own.collect(fit.state.py), kernel) * fit.model.scale


def residuals(fit) -> np.ndarray:
    """Response less fixed and random effects, by record used, in the response's unit."""
    fitted = fit.design.to_numpy(float) @ fit.coefficients.to_numpy()
    return (
        fit.response
        - fitted
        - sum((part_of(fit, term) for term in fit.levels), np.zeros(fit.n_records))
    )
