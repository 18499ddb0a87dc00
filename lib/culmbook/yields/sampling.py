"""How many plants should be measured in a plot next season?

What the plants of a plot differ by and what plots of a hybrid differ by decide how much another plant helps.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from culmbook.mixed import CONVERGED, fit_gaussian
from culmbook.yields.harvest import KEY

LEAST_PLOTS = 10
PLANTS = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)
ENOUGH = 0.20  # share of a mean's variance that plants may still make up


class Spread(NamedTuple):
    """Variances of one measurement: between plots of a hybrid and between plants of a plot; and their
    numbers."""

    measurement: str
    between_plots: float
    between_plants: float
    n_plots: int
    n_plants: int


def plant_spread(stems: pd.DataFrame, plots: pd.DataFrame, measurement: str) -> Spread:
    """Variances between plots and between plants on the log scale.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures`` of the season(s) to learn from; pooled samples and blanks are not used.
    plots : DataFrame
        Table ``plots``: ``site, plot, trial, replicate, hybrid, status``; only ok ones.
    measurement : str
        Column of ``stems``, over 0.

    Returns
    -------
    Spread

    Raises
    ------
    ValueError
        Fewer than ten plots with two or more plants, or a search that does not settle.

    Notes
    -----
    ``log x = hybrid x trial x season + replicate + plot + plant`` by REML, the first two fixed.
    """
    ok = plots.loc[plots["status"].eq("ok"), ["site", "plot", "trial", "replicate", "hybrid"]]
    rows = stems[stems["plant"].ne("pooled") & stems[measurement].gt(0).fillna(False)].merge(
        ok, on=["site", "plot"]
    )
    day = rows.groupby(KEY)["measured_on"].transform("max")
    rows = rows[rows["measured_on"].eq(day)]
    rows = rows[rows.groupby(KEY)["plant"].transform("size") > 1]
    season = rows["growing_season"].astype(str)
    place = rows["site"].astype(str) + ":" + rows["trial"].astype(str) + ":" + season
    rows = rows.assign(
        value=np.log(rows[measurement].astype("float64")),
        plot_key=rows["site"].astype(str) + ":" + rows["plot"].astype(str) + ":" + season,
        replicate_key=place + ":" + rows["replicate"].astype(str),
        entry=place + ":" + rows["hybrid"].astype(str),
    )
    if rows["plot_key"].nunique() < LEAST_PLOTS:
        raise ValueError(
            f"{measurement}: fewer than {LEAST_PLOTS} plots with two plants or more, so the "
            "spread of plants is not known"
        )
    design = pd.get_dummies(rows["entry"], dtype=float)
    fit = fit_gaussian(rows, "value", design, ["replicate_key", "plot_key"])
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of {measurement} has {fit.verdict}")
    return Spread(
        measurement,
        float(fit.variances["plot_key"]),
        float(fit.variances["residual"]),
        rows["plot_key"].nunique(),
        len(rows),
    )


def plan_plants(
    spread: Spread, plots: int, plants: tuple = PLANTS, *, enough: float = ENOUGH
) -> pd.DataFrame:
    """What measuring more plants of each plot would bring.

    Parameters
    ----------
    spread : Spread
    plots : int
        Plots of each hybrid, over 0.
    plants : sequence of int
        Numbers of plants to look at, each over 0.
    enough : float
        Share of the mean's variance that plants may still make up, 0-1.

    Returns
    -------
    DataFrame
        ``plants, plots, se_hybrid`` (standard error of a hybrid's mean, log scale: 0.1 is about 10 %),
        ``from_plants`` (share of its variance that comes from measuring few plants), ``is_enough``.

    Raises
    ------
    ValueError
        A number that is not over 0.

    Notes
    -----
    ``(v_plots + v_plants / n) / r``. However many plants are measured, the first term stays: past some number
    only more plots help.

    Examples
    --------
    >>> plan = plan_plants(Spread("stems", 0.04, 0.09, 60, 300), 3, (1, 9))
    >>> plan.round(3)[["plants", "se_hybrid", "from_plants"]]
       plants  se_hybrid  from_plants
    0       1      0.208        0.692
    1       9      0.129        0.200
    """
    if plots < 1 or min(plants) < 1:
        raise ValueError("plots and plants must be over 0")
    n = np.asarray(plants, float)
    own = spread.between_plants / n
    variance = spread.between_plots + own
    share = own / variance
    return pd.DataFrame(
        {
            "plants": np.asarray(plants, int),
            "plots": plots,
            "se_hybrid": np.sqrt(variance / plots),
            "from_plants": share,
            "is_enough": share <= enough + 1e-12,
        }
    )


def best_plants(spread: Spread, cost_plot: float, cost_plant: float) -> float:
    """Plants per plot that give the smallest error for the money.

    Parameters
    ----------
    spread : Spread
    cost_plot : float
        Cost of one more plot without its plants' measuring, over 0, any unit.
    cost_plant : float
        Cost of measuring one more plant, over 0, the same unit.

    Returns
    -------
    float
        Not rounded; infinite where plots of a hybrid do not differ.

    Raises
    ------
    ValueError
        A cost that is not over 0.

    Notes
    -----
    ``sqrt(v_plants / v_plots x cost_plot / cost_plant)``.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., section 10.6.

    Examples
    --------
    >>> best_plants(Spread("stems", 0.04, 0.09, 60, 300), 16, 1)
    6.0
    """
    if min(cost_plot, cost_plant) <= 0:
        raise ValueError("both costs must be over 0")
    if spread.between_plots <= 0:
        return float("inf")
    return float(np.sqrt(spread.between_plants / spread.between_plots * cost_plot / cost_plant))
