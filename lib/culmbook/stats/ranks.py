"""Do seasons (or sites, or observers) put the hybrids into the same order?"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats


class Concordance(NamedTuple):
    """Kendall's coefficient, its chi-squared statistic, degrees of freedom and p; NaN where all is tied."""

    w: float
    chi2: float
    df: int
    p: float


def _complete(values, rows, columns):
    table = np.asarray(values, float)
    if table.ndim != 2 or table.shape[0] < rows or table.shape[1] < columns:
        raise ValueError(
            f"the table has shape {table.shape}; it takes {rows} rows and {columns} columns at least"
        )
    if np.isnan(table).any():
        why = "the table has missing cells, and ranks of an incomplete table are not comparable"
        raise ValueError(f"{why}; take the model's values of every cell instead")
    return table


def concordance(values) -> Concordance:
    """Agreement of several rankings of the same hybrids: Kendall's W.

    Parameters
    ----------
    values : array_like, shape (judges, hybrids)
        Numbers to be ranked within each row (a season, a site); complete; two rows and two columns at least.

    Returns
    -------
    Concordance
        1 is the same order everywhere, 0 none in common. Ties get mean ranks and the correction for them.

    Raises
    ------
    ValueError
        Missing cells, fewer than two rows or columns.

    Notes
    -----
    ``W = 12 S / (m^2 (n^3 - n) - m T)`` with S the squared deviations of the rank sums, T the sum of ``t^3
    - t`` over ties; ``m (n - 1) W`` is Friedman's statistic, chi-squared with n - 1 degrees of freedom
    (poor for few hybrids and rows).

    References
    ----------
    Kendall & Gibbons (1990) Rank Correlation Methods, ch. 6; Siegel (1956) Nonparametric Statistics, ch. 9.

    Examples
    --------
    >>> concordance([[1, 2, 3], [10, 20, 30]]).w
    1.0
    """
    table = _complete(values, 2, 2)
    m, n = table.shape
    ranks = stats.rankdata(table, axis=1)
    squares = ((ranks.sum(axis=0) - m * (n + 1) / 2) ** 2).sum()
    counts = [np.unique(row, return_counts=True)[1] for row in table]
    ties = sum((count**3 - count).sum() for count in counts)
    whole = m**2 * (n**3 - n) - m * ties
    if whole == 0:
        return Concordance(np.nan, np.nan, n - 1, np.nan)
    w = 12 * squares / whole
    chi2 = m * (n - 1) * w
    return Concordance(float(w), float(chi2), n - 1, float(stats.chi2.sf(chi2, n - 1)))


def friedman(values) -> tuple[float, float]:
    """Friedman's test that all hybrids rank alike on average: statistic and p.

    Parameters
    ----------
    values : array_like, shape (blocks, hybrids)
        Complete, three hybrids at least.

    References
    ----------
    Friedman (1937) J. Am. Stat. Assoc. 32:675-701.
    """
    table = _complete(values, 2, 3)
    if (table == table[:, :1]).all():
        raise ValueError("all hybrids are tied in every row: there is no order to test")
    statistic, p = stats.friedmanchisquare(*table.T)
    return float(statistic), float(p)


def intraclass(values: pd.DataFrame) -> pd.DataFrame:
    """The six intraclass correlations of hybrids over seasons.

    Parameters
    ----------
    values : DataFrame
        One row per hybrid (five at least), one column per season (two at least), complete.

    Returns
    -------
    DataFrame
        ``form, icc, lower, upper`` (95 % limits): single and mean of all columns; one-way, two-way with
        absolute agreement, two-way with consistency.

    Raises
    ------
    ValueError
        Missing cells, too few rows or columns, no variation at all.

    References
    ----------
    Shrout & Fleiss (1979) Psychol. Bull. 86:420-428; McGraw & Wong (1996) Psychol. Methods 1:30-46.
    """
    table = _complete(values, 5, 2)
    if np.ptp(table) == 0:
        raise ValueError("all values are the same: a correlation needs variation")
    import pingouin  # slow to load

    pingouin.options["round.column.CI95"] = None
    rows, columns = np.indices(table.shape)
    long = pd.DataFrame({"row": rows.ravel(), "column": columns.ravel(), "value": table.ravel()})
    out = pingouin.intraclass_corr(long, "row", "column", "value").reset_index(drop=True)
    lower, upper = np.array([np.asarray(pair, float) for pair in out["CI95"]]).T
    return pd.DataFrame({"form": out["Type"], "icc": out["ICC"], "lower": lower, "upper": upper})
