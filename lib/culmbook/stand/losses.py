"""When are plants lost? Life tables over the dates of counting."""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed import CONVERGED
from culmbook.stand.model import fit_stand, hybrid_shares

OCCASIONS = {
    "after_planting": "first count",
    "autumn": "autumn",
    "spring": "spring",
    "summer": "early summer",
}


def life_table(intervals: pd.DataFrame, by: list[str] | None = None) -> pd.DataFrame:
    """Share still alive after each interval, from plants at risk and plants lost.

    Parameters
    ----------
    intervals : DataFrame
        One row per interval (pooled here over plots): the columns in ``by``, ``interval`` (sortable),
        ``at_risk`` and ``lost`` plants, 0 <= lost <= at_risk. Plants no longer followed are simply not
        at risk in later intervals.
    by : list of str, optional
        Columns that separate the tables.

    Returns
    -------
    DataFrame
        ``by``, ``interval, at_risk, lost, hazard, survival, se``; ``se`` is Greenwood's, which
        treats plants as independent.

    Raises
    ------
    ValueError
        More plants lost than at risk.

    References
    ----------
    Kaplan & Meier (1958) J. Am. Stat. Assoc. 53:457-481; Greenwood (1926).

    Examples
    --------
    >>> steps = pd.DataFrame({"interval": [1, 2], "at_risk": [100, 80], "lost": [20, 8]})
    >>> life_table(steps)["survival"].round(4).tolist()
    [0.8, 0.72]
    """
    by = by or []
    if (intervals["lost"] > intervals["at_risk"]).any():
        raise ValueError("an interval lost more plants than were at risk")
    table = intervals.groupby([*by, "interval"], as_index=False, observed=True)[
        ["at_risk", "lost"]
    ].sum()
    table = table[table["at_risk"] > 0].assign(hazard=lambda t: t["lost"] / t["at_risk"])
    alive = table["at_risk"] - table["lost"]
    term = np.where(
        alive > 0, table["lost"] / (table["at_risk"] * alive.where(alive > 0, 1)), np.nan
    )
    steps = table.assign(keep=1 - table["hazard"], term=term)
    groups = steps.groupby(by, observed=True) if by else steps.assign(all=0).groupby("all")
    survival = groups["keep"].cumprod()
    return table.assign(
        survival=survival, se=survival * np.sqrt(groups["term"].cumsum())
    ).reset_index(drop=True)


def median_survival(table: pd.DataFrame) -> float:
    """First interval at which half or fewer are alive; missing when more than half still live."""
    reached = table.loc[table["survival"] <= 0.5, "interval"]
    return float(reached.iloc[0]) if len(reached) else float("nan")


def logrank(
    intervals: pd.DataFrame, group: str, *, inflation: float = 1.0
) -> tuple[float, int, float]:
    """Log-rank test of equal losses over all intervals.

    Parameters
    ----------
    intervals : DataFrame
        ``interval, at_risk, lost`` and the column ``group``.
    group : str
        Column with the groups compared.
    inflation : float
        Variance inflation of plot counts against independent plants, >= 1; the statistic is divided
        by it, since plants of one plot share its fate.

    Returns
    -------
    tuple
        chi-squared, degrees of freedom, p.

    References
    ----------
    Mantel (1966) Cancer Chemother. Rep. 50:163-170; Rao & Scott (1992) Biometrics 48:577-585 for
    dividing by the design effect.
    """
    counts = (
        intervals.groupby(["interval", group], observed=True)[["at_risk", "lost"]]
        .sum()
        .unstack(group, fill_value=0)
    )
    at_risk, lost = counts["at_risk"].to_numpy(float), counts["lost"].to_numpy(float)
    n, d = at_risk.sum(1), lost.sum(1)
    share = at_risk / n[:, None]
    excess = (lost - share * d[:, None]).sum(0)
    spread = np.where(n > 1, d * (n - d) / np.where(n > 1, n - 1, 1), 0.0)
    covariance = np.einsum(
        "t,ti,tij->ij", spread, share, np.eye(at_risk.shape[1])[None] - share[:, None, :]
    )
    chi2 = float(excess @ np.linalg.pinv(covariance) @ excess) / inflation
    df = at_risk.shape[1] - 1
    return chi2, df, float(stats.chi2.sf(chi2, df))


def plot_intervals(history: pd.DataFrame) -> pd.DataFrame:
    """Plants at risk and lost between one count of a plot and the next.

    Parameters
    ----------
    history : DataFrame
        One row per plot and count in order: plot columns, ``occasion`` in {planting, after_planting,
        autumn, spring, summer}, ``alive`` (original plants).

    Returns
    -------
    DataFrame
        Plot columns, ``interval`` (the count that ends it: 'first count', 'autumn' …), ``order``,
        ``at_risk``, ``lost``, ``alive``. A plant seen later was alive before: an earlier, smaller count is
        raised to the later one. Where a count is missing, the interval reaches back to the one before.
    """
    order = {name: i for i, name in enumerate(["planting", *OCCASIONS])}
    rows = history.assign(order=history["occasion"].map(order)).sort_values(
        ["site", "plot", "order"]
    )
    plot = [rows["site"], rows["plot"]]
    seen = rows["alive"][::-1].groupby([p[::-1] for p in plot]).cummax()[::-1]
    before = seen.groupby(plot).shift()
    out = rows.assign(
        at_risk=before, lost=before - seen, alive=seen, interval=rows["occasion"].map(OCCASIONS)
    )
    return out[before.notna() & (before > 0)].astype({"at_risk": int, "lost": int})


def fit_hazards(intervals: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Chance that a plant alive at the start of an interval is lost in it, by hybrid.

    Parameters
    ----------
    intervals : DataFrame
        From :func:`plot_intervals`, with the columns of the stand model.
    level : float
        Confidence level, 0-1.

    Returns
    -------
    DataFrame
        ``interval, order, hybrid, plots, lost, at_risk, hazard, lower, upper``. An interval in which no
        plant at all was lost (or all were), or that the model cannot be fitted to (one hybrid, few plots),
        is given as observed, without limits.

    Notes
    -----
    Discrete-time survival: the likelihood is a product over intervals, so each interval has its own
    binomial mixed model (:func:`culmbook.stand.model.fit_stand`) of the plants lost.

    References
    ----------
    Allison (1982) Sociol. Methodol. 13:61-98.
    """
    tables = []
    for (order, interval), rows in intervals.groupby(["order", "interval"]):
        cells = rows.assign(alive=rows["lost"], total=rows["at_risk"])
        tables.append(_hazards(cells, level).assign(interval=interval, order=order))
    names = ["interval", "order", "hybrid", "plots", "lost", "at_risk", "hazard", "lower", "upper"]
    return (
        pd.concat(tables)[names].reset_index(drop=True) if tables else pd.DataFrame(columns=names)
    )


def _hazards(cells, level):
    fit = None if cells["alive"].sum() in (0, cells["total"].sum()) else _fitted(cells)
    if fit is None:
        counts = cells.groupby("hybrid").agg(
            plots=("alive", "size"), alive=("alive", "sum"), total=("total", "sum")
        )
        shares = counts.reset_index().assign(
            share=lambda t: t["alive"] / t["total"], lower=np.nan, upper=np.nan
        )
    else:
        shares = hybrid_shares(fit, level=level)
    return shares.rename(
        columns={"alive": "lost", "total": "at_risk", "share": "hazard"}
    ).sort_values("hybrid")


def _fitted(cells):
    try:
        stand = fit_stand(cells)
    except ValueError:  # too few hybrids or plots; the caller gives the counts instead
        return None
    return stand if stand.fit.verdict == CONVERGED else None
