"""What do a few plants of a plot, or a few plots that were cut, tell of all of them?

What the plants of a plot differ by and what plots of a hybrid differ by decide how much another
plant helps. The cheap measurement of all plots moves the mean of the plots that were cut: that is
sound only where chance decided which plots were cut, which is asked, never assumed.
"""

from collections import namedtuple

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.text.refusal import Refusal, where_possible
from culmbook.trials.dry_yield import KEY
from culmbook.yields.means import settled

LEAST_PLOTS, LEAST_CUT = 10, 5
PLANTS = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)
ENOUGH = 0.20  # share of a mean's variance that plants may still make up
MEASUREMENTS = {
    "stems": "Stems per plant",
    "stem_height_cm": "Stem height",
    "stem_diameter_mm": "Stem diameter",
    "stem_dry_mass_g": "Mass per stem",
}


Spread = namedtuple("Spread", "measurement between_plots between_plants n_plots n_plants")
"""Variances of one measurement: between plots of a hybrid and between plants of a plot; and their
numbers.
"""
Estimate = namedtuple("Estimate", "mean se lower upper n_cut n_measured")
"""A mean with its standard error and interval; ``n_cut`` and ``n_measured`` plots stand behind it.
"""


def plant_spread(stems: pd.DataFrame, plots: pd.DataFrame, measurement: str) -> Spread:
    """Variances between plots and between plants on the log scale.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures`` of the season(s) to learn from; pooled samples and blanks are not
        used.
    plots : DataFrame
        Table ``plots``: ``site, plot, trial, replicate, hybrid, status``; only ok ones.
    measurement : str
        Column of ``stems``, over 0.

    Returns
    -------
    Spread

    Raises
    ------
    Refusal
        Fewer than ten plots with two or more plants, or a search that does not settle.

    Notes
    -----
    ``log x = hybrid x trial x season + replicate + plot + plant`` by REML, the first two fixed.
    """
    ok = plots.loc[plots["status"].eq("ok"), ["site", "plot", "trial", "replicate", "hybrid"]]
    rows = stems[stems["plant"].ne("pooled") & stems[measurement].gt(0).fillna(False)]
    rows = rows.merge(ok, on=["site", "plot"])
    rows = rows[rows["measured_on"].eq(rows.groupby(KEY)["measured_on"].transform("max"))]
    rows = rows[rows.groupby(KEY)["plant"].transform("size") > 1]
    site, season = rows["site"].astype(str), rows["growing_season"].astype(str)
    place = site + ":" + rows["trial"].astype(str) + ":" + season
    rows = rows.assign(
        value=np.log(rows[measurement].astype("float64")),
        plot_key=site + ":" + rows["plot"].astype(str) + ":" + season,
        replicate_key=place + ":" + rows["replicate"].astype(str),
        entry=place + ":" + rows["hybrid"].astype(str),
    )
    label, n_plots = MEASUREMENTS.get(measurement, measurement), rows["plot_key"].nunique()
    if n_plots < LEAST_PLOTS:
        raise Refusal(
            f"{label}: fewer than {LEAST_PLOTS} plots with two plants or more, so the spread of "
            "plants is not known."
        )
    design, terms = pd.get_dummies(rows["entry"], dtype=float), ["replicate_key", "plot_key"]
    fit = settled(f"{label}: the spread of plants is not known", rows, "value", design, terms)
    plots_, plants = float(fit.variances["plot_key"]), float(fit.variances["residual"])
    return Spread(measurement, plots_, plants, n_plots, len(rows))


def plant_spreads(stems: pd.DataFrame, plots: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Spread of every measurement that was taken on single plants.

    Parameters
    ----------
    stems, plots : DataFrame
        As for :func:`plant_spread`.

    Returns
    -------
    tuple of DataFrame and list of str
        ``label`` and the fields of :class:`Spread`; and why other measurements have none.

    Raises
    ------
    Refusal
        None has one.
    """
    found, told = where_possible(MEASUREMENTS, lambda name: plant_spread(stems, plots, name))
    spreads = pd.DataFrame(found.values())
    return spreads.assign(label=spreads["measurement"].map(MEASUREMENTS)), told


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
        ``plants, plots, se_hybrid`` (standard error of a hybrid's mean, log scale: 0.1 is about 10
        %), ``from_plants`` (share of its variance that comes from measuring few plants),
        ``is_enough``.

    Raises
    ------
    ValueError
        A number that is not over 0.

    Notes
    -----
    ``(v_plots + v_plants / n) / r``. However many plants are measured, the first term stays: past
    some number only more plots help.

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
    n = np.asarray(plants)
    own = spread.between_plants / n
    variance = spread.between_plots + own
    plan = pd.DataFrame({"plants": n, "plots": plots, "se_hybrid": np.sqrt(variance / plots)})
    share = own / variance
    return plan.assign(from_plants=share, is_enough=share <= enough + 1e-12)


def plan_each(spreads: pd.DataFrame, plots: int, plants: tuple = PLANTS) -> pd.DataFrame:
    """The plan of every measurement, one under the other.

    Parameters
    ----------
    spreads : DataFrame
        From :func:`plant_spreads`.
    plots, plants
        As for :func:`plan_plants`.

    Returns
    -------
    DataFrame
        As :func:`plan_plants`, with ``measurement``.
    """
    rows = spreads.itertuples()
    parts = [plan_plants(row, plots, plants).assign(measurement=row.label) for row in rows]
    return pd.concat(parts, ignore_index=True)


def regression_estimate(
    cheap,
    outcome,
    *,
    chosen_at_random: bool | None,
    n_population: int | None = None,
    level: float = 0.95,
) -> Estimate:
    """Mean of all measured plots from the outcome of those cut and a cheap measurement of all.

    Parameters
    ----------
    cheap : array_like
        Measurement of every plot (a predicted yield, for one), none missing.
    outcome : array_like
        Yield of the plots that were cut, missing for the others.
    chosen_at_random : bool or None
        Whether chance decided which plots were cut; otherwise, and where nobody knows, it is
        refused.
    n_population : int, optional
        Plots the mean is for, where the measured ones are a random part of them; none = very many.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate

    Raises
    ------
    Refusal
        Plots not chosen by chance or not known to be, fewer than five cut, a missing or constant
        measurement.

    Notes
    -----
    ``mean = y + b (X - x)`` with y, x means and b the slope among cut plots, X the mean of all
    measured; variance ``s²_yx [1/n + (X - x)² / S_xx] + b² s²_x' / N'`` less the finite part, t
    with n - 2 degrees of freedom. Where the measured plots are all there are, the last term is 0.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sections 7.4 and 12.6.
    """
    if not chosen_at_random:
        raise Refusal(
            "Cut and uncut plots are not joined into one mean: that is sound only where chance decided "
            "which plots were cut, and nobody says that they were chosen at random."
        )
    x, y = np.asarray(cheap, float), np.asarray(outcome, float)
    cut = ~np.isnan(y)
    n, n_all = int(cut.sum()), len(x)
    population = np.inf if n_population is None else n_population
    if not np.isfinite(x).all():
        raise ValueError("the cheap measurement is missing in some plots: leave them out first")
    if population < n_all:
        raise ValueError(f"n_population = {n_population}, but {n_all} plots were measured")
    if n < LEAST_CUT:
        raise Refusal(f"{n} cut plots: at least {LEAST_CUT} are needed.")
    if np.ptp(x[cut]) == 0:
        raise Refusal("The cheap measurement is the same in all cut plots: it tells nothing.")
    dx, dy = x[cut] - x[cut].mean(), y[cut] - y[cut].mean()
    slope = dx @ dy / (dx @ dx)
    rest = ((dy - slope * dx) ** 2).sum() / (n - 2)
    away = x.mean() - x[cut].mean()
    first = rest * (1 / n - 1 / n_all + away**2 / (dx @ dx))
    second = (slope**2 * x.var(ddof=1) + rest) * (1 / n_all - 1 / population)
    mean, se = y[cut].mean() + slope * away, np.sqrt(first + second)
    half = stats.t.ppf(0.5 + level / 2, n - 2) * se
    return Estimate(*map(float, (mean, se, mean - half, mean + half)), n, n_all)


def joined_means(
    predicted: pd.DataFrame, *, chosen_at_random: bool | None, level: float = 0.95
) -> tuple[pd.DataFrame, list[str]]:
    """Mean yield of all measured plots of each site and crop type, from the cut ones and all
    predictions.

    Parameters
    ----------
    predicted : DataFrame
        From :func:`culmbook.yields.prediction.predict_each`; plots that were refused are not used.
    chosen_at_random, level
        As for :func:`regression_estimate`.

    Returns
    -------
    tuple of DataFrame and list of str
        ``site, crop_type`` and the fields of :class:`Estimate`, for the measured plots themselves;
        and why other places have none.

    Raises
    ------
    Refusal
        No place has one.
    """
    known = predicted[predicted["refused"].isna()]
    places = dict([*known.groupby(["site", "crop_type"])])

    def of_one(place):
        x, y = places[place]["predicted_t_ha"], places[place]["dry_yield_t_ha"]
        return regression_estimate(
            x, y, chosen_at_random=chosen_at_random, n_population=len(x), level=level
        )

    if not places:
        raise Refusal("No plot is predicted.")
    named = (lambda place, why: f"{', '.join(place)}: {why}") if chosen_at_random else str
    found, told = where_possible(places, of_one, named)
    table = pd.DataFrame(found.values())
    table.insert(0, "site", [site for site, _ in found])
    table.insert(1, "crop_type", [kind for _, kind in found])
    return table, told
