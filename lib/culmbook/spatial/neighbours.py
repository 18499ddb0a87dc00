"""Do neighbouring plots resemble each other? Moran's I and the variogram along rows and columns."""

from contextlib import suppress
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from culmbook.mixed import part_of, projection, residuals
from culmbook.spatial.trend import BLOCKS, ROWS_COLUMNS, FieldModels, refuse_unplaced, trend_terms
from culmbook.text.refusal import Refusal
from culmbook.yields.means import MeansFit, fit_means, layout_terms

LEAST_PLOTS = 4
DRAWS = 999
_NOTHING = 1e-12


class Moran(NamedTuple):
    """Moran's I of some values.

    Attributes
    ----------
    i : float
        1 or less in practice: positive where neighbours are alike, negative where they differ.
    expected : float
        What it would be on average without any autocorrelation.
    p : float
        Two-sided, by permutations or draws.
    n : int
        Plots with a neighbour; others are left out.
    """

    i: float
    expected: float
    p: float
    n: int


def rook_neighbours(rows, columns) -> np.ndarray:
    """Which plots share a side?

    Parameters
    ----------
    rows, columns : array_like
        Whole numbers, one for each plot.

    Returns
    -------
    ndarray of float, shape (plots, plots)
        1 for neighbours (one row or one column apart), else 0.

    Raises
    ------
    ValueError
        Places missing or no whole numbers.

    Examples
    --------
    >>> rook_neighbours([1, 1, 2], [1, 2, 2]).tolist()
    [[0.0, 1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 1.0, 0.0]]
    """
    places = np.column_stack([np.asarray(rows, float), np.asarray(columns, float)])
    if not np.isfinite(places).all():
        raise ValueError("plots without row or column have no neighbours")
    if not np.allclose(places, np.round(places)):
        raise ValueError("rows and columns are no whole numbers: the plots do not lie on a grid")
    apart = np.abs(places[:, None] - places[None]).sum(axis=2)
    return (np.round(apart) == 1).astype(float)


def _weighted(neighbours):
    """Places that have a neighbour, and the weights among them."""
    w = np.asarray(neighbours, float)
    if w.ndim != 2 or w.shape[0] != w.shape[1] or np.diag(w).any() or (w < 0).any():
        raise ValueError(
            "neighbours must be a square matrix without negative numbers and with a diagonal of zeros"
        )
    linked = np.flatnonzero(w.any(axis=1) | w.any(axis=0))
    if len(linked) < LEAST_PLOTS:
        raise ValueError(
            f"{len(linked)} plots have a neighbour; Moran's I needs at least {LEAST_PLOTS}"
        )
    return linked, w[np.ix_(linked, linked)]


def _index(z, w):
    """Moran's I of deviations, one set to a column."""
    return len(w) / w.sum() * ((w @ z) * z).sum(axis=0) / (z**2).sum(axis=0)


def moran(values, neighbours, *, draws: int = DRAWS, seed: int = 1) -> Moran:
    """Moran's I of observed values.

    Parameters
    ----------
    values : array_like
        One for each plot, complete, any unit.
    neighbours : ndarray, shape (plots, plots)
        From :func:`rook_neighbours`, or any weights of 0 and above.
    draws : int
        Random permutations for ``p``.
    seed : int

    Returns
    -------
    Moran
        The expectation is that of all orders of the values.

    Raises
    ------
    ValueError
        Missing or constant values, fewer than four plots with a neighbour.

    Notes
    -----
    ``I = n / S0 * sum_ij w_ij z_i z_j / sum_i z_i^2`` with deviations z from the mean and the
    weights' sum S0; expectation ``-1/(n - 1)``. For the residuals of a model use
    :func:`moran_of_residuals`: they are correlated even where the field is even.

    References
    ----------
    Moran (1950) Biometrika 37:17-23; Cliff & Ord (1981) Spatial Processes.

    Examples
    --------
    >>> line = rook_neighbours([1] * 6, range(6))
    >>> round(moran([1.0, 2, 3, 4, 5, 6], line).i, 2), moran([1.0, 2, 3, 4, 5, 6], line).expected
    (0.6, -0.2)
    """
    values = np.asarray(values, float)
    if not np.isfinite(values).all():
        raise ValueError("values are missing: give the plots that have one")
    linked, w = _weighted(neighbours)
    z = values[linked] - values[linked].mean()
    if (z**2).sum() <= _NOTHING * max((values[linked] ** 2).sum(), _NOTHING):
        raise Refusal("All values are the same: there is nothing to compare.")
    i, expected = float(_index(z, w)), -1 / (len(z) - 1)
    shuffled = np.random.default_rng(seed).permuted(np.tile(z[:, None], draws), axis=0)
    return Moran(i, expected, _share_as_far(_index(shuffled, w), i, expected), len(z))


def _share_as_far(drawn, observed, centre):
    """Two-sided p: share of draws as far from the centre, the observed one among them."""
    as_far = np.abs(drawn - centre) >= abs(observed - centre) - _NOTHING
    return float((1 + as_far.sum()) / (1 + len(drawn)))


def moran_of_residuals(fit, neighbours, *, draws: int = DRAWS, seed: int = 1) -> Moran:
    """Moran's I of a mixed model's residuals, against what the model itself makes of it.

    Parameters
    ----------
    fit : GaussianFit
        With a residual.
    neighbours : ndarray, shape (records, records)
        Of the records used.
    draws, seed
        As in :func:`moran`.

    Returns
    -------
    Moran
        ``expected`` and ``p`` from residuals drawn from the model: what is left
        once its hybrids, blocks and trend are taken off plots whose errors are independent.

    Raises
    ------
    ValueError
        As in :func:`moran`.

    Notes
    -----
    Residuals are ``s Py`` with the residual variance s and have covariance ``s^2 P``. Fixed and
    random effects tie them together, so that their I is below ``-1/(n - 1)`` on average even in an
    even field. Variances are taken as known.

    References
    ----------
    Cliff & Ord (1981) Spatial Processes, ch. 8, for the residuals of a regression.
    """
    linked, w = _weighted(neighbours)
    p = projection(fit)
    size, vectors = np.linalg.eigh((p + p.T) / 2)
    normal = np.random.default_rng(seed).normal(size=(len(p), draws))
    drawn = (vectors * np.sqrt(np.maximum(size, 0))) @ normal
    each = _index(_centred(drawn[linked]), w)
    i, expected = float(_index(_centred(fit.state.py[linked]), w)), float(each.mean())
    return Moran(i, expected, _share_as_far(each, i, expected), len(linked))


def likeness(models: FieldModels) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Moran's I and variograms of the residuals, with blocks only and with the trend shown beside
    them.

    Parameters
    ----------
    models : FieldModels

    Returns
    -------
    DataFrame
        ``trial, model, is_chosen, n, i, expected, p`` and ``reason`` where there is none.
    DataFrame
        ``trial, model`` and the columns of :func:`variogram`.

    Raises
    ------
    Refusal
        No trial has neighbouring plots.
    """
    rows, curves = [], []
    for (trial, model), means in models.fits.items():
        if model not in (BLOCKS, models.other.get(trial)):
            continue
        fit, row = means.fit, {"trial": trial, "model": model, "reason": ""}
        try:
            refuse_unplaced(fit.data)
            near = rook_neighbours(fit.data["row"], fit.data["column"])
            row |= moran_of_residuals(fit, near)._asdict()
            table = variogram(residuals(fit), fit.data["row"], fit.data["column"])
            curves.append(table.assign(trial=trial, model=model))
        except ValueError as error:
            row["reason"] = str(error)
        rows.append(row | {"is_chosen": model == models.chosen[trial]})
    if not curves:
        why = dict.fromkeys(f"Trial {row['trial']}: {row['reason']}." for row in rows)
        raise Refusal(" ".join(why))
    return pd.DataFrame(rows), pd.concat(curves, ignore_index=True)


def _centred(z):
    return z - z.mean(axis=0)


def variogram(values, rows, columns) -> pd.DataFrame:
    """Semivariance of values by the distance between plots, along rows and along columns, up to half
    the field's length in each direction.

    Parameters
    ----------
    values : array_like
        One for each plot, complete.
    rows, columns : array_like
        Whole numbers.

    Returns
    -------
    DataFrame
        ``direction`` ('across rows': plots of one column, some rows apart; 'across columns': plots
        of one row), ``distance`` [plots], ``semivariance`` (squared unit of the values),
        ``n_pairs``. Distances without a pair have no row.

    Notes
    -----
    Half the mean squared difference of all pairs at that distance. The further apart, the fewer the
    pairs.

    References
    ----------
    Matheron (1963) Econ. Geol. 58:1246-1266.

    Examples
    --------
    >>> table = variogram([1.0, 2, 4, 8], [1, 1, 1, 1], [1, 2, 3, 4])
    >>> table[["distance", "semivariance", "n_pairs"]].values.tolist()
    [[1.0, 3.5, 3.0], [2.0, 11.25, 2.0]]
    """
    given = np.asarray(values), np.asarray(rows), np.asarray(columns)
    frame = pd.DataFrame(dict(zip(("value", "row", "column"), given, strict=True)), dtype=float)
    parts = [_along(frame, "row", "column"), _along(frame, "column", "row")]
    return pd.concat(parts, ignore_index=True)


def _along(frame, along, within):
    most = max(1, int(frame[along].max() - frame[along].min() + 1) // 2)
    one, other = np.triu_indices(len(frame), 1)
    place, line, value = (frame[c].to_numpy() for c in (along, within, "value"))
    distance = np.abs(place[one] - place[other])
    kept = (line[one] == line[other]) & (distance > 0) & (distance <= most)
    half = (value[one] - value[other])[kept] ** 2 / 2
    by = pd.Series(half).groupby(distance[kept].astype(int))
    by = by.agg(semivariance="mean", n_pairs="size")
    by.insert(0, "direction", f"across {along}s")
    by.insert(1, "distance", by.index)
    return by


PLACE = ["site", "trial", "plot", "row", "column", "replicate", "block", "main_plot", "hybrid"]
END_ROWS, END_COLUMNS = "first and last row", "first and last column"
BORDERS = {END_ROWS: "row", END_COLUMNS: "column"}
LEAST_DF = 2.0
"""With fewer degrees of freedom an interval says nothing."""
_OF_PLACE = "replicate_key "
_OF_HYBRIDS = "hybrid_treatment"


def plot_parts(means: MeansFit) -> pd.DataFrame:
    """Each plot's response in three parts: hybrid and treatment, trend, rest.

    Parameters
    ----------
    means : MeansFit
        Of one trial in one season.

    Returns
    -------
    DataFrame
        ``site, trial, plot, row, column, replicate, block, main_plot, hybrid, response, own, trend,
        residual``, in the unit of the response. The trend holds all that belongs to the place
        (replicates, blocks, main plots, rows, columns, surface) and is zero on average over the
        plots used.
    """
    fit = means.fit
    fixed = [c for c in fit.design if c.startswith(_OF_PLACE)]
    trend = fit.design[fixed].to_numpy(float) @ fit.coefficients[fixed].to_numpy()
    trend = trend + sum(part_of(fit, term) for term in fit.levels if term != _OF_HYBRIDS)
    trend, rest = trend - trend.mean(), residuals(fit)
    table = fit.data[[c for c in PLACE if c in fit.data]].reset_index(drop=True)
    own = fit.response - trend - rest
    return table.assign(response=fit.response, own=own, trend=trend, residual=rest)


def parts_of_plots(models: FieldModels) -> pd.DataFrame:
    """Each plot's response in parts under the model chosen for its trial, as :func:`plot_parts`
    gives them.
    """
    fits = [models.fits[pair] for pair in models.chosen.items()]
    return pd.concat([plot_parts(means) for means in fits], ignore_index=True)


def with_borders(records: pd.DataFrame, plots: pd.DataFrame) -> pd.DataFrame:
    """Records with a column for each kind of border, 1 for plots that lie on it, else 0.

    Parameters
    ----------
    records : DataFrame
        Of one trial, with ``row, column``.
    plots : DataFrame
        All plots of the trial, guards and lost plots too: they say where the border is.

    Returns
    -------
    DataFrame
        A trial of fewer than three rows (columns) has no inner ones.
    """
    ends = {name: [plots[along].min(), plots[along].max()] for name, along in BORDERS.items()}
    lies = {name: records[along].isin(ends[name]) for name, along in BORDERS.items()}
    return records.assign(**lies).astype(dict.fromkeys(BORDERS, float))


def border_effects(
    records: pd.DataFrame, plots: pd.DataFrame, kind: str, *, level: float = 0.95
) -> tuple[pd.DataFrame, dict]:
    """Difference of border plots from inner ones, hybrids and trend taken off.

    Parameters
    ----------
    records, plots
        As in :func:`with_borders`, of one season.
    kind : str
        Trend in the model, of :data:`culmbook.spatial.trend.KINDS`. Rows and columns suit best: a
        smooth surface takes what both ends have in common for its own.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``border, n_border, n_inner, estimate, lower, upper, p`` in the unit of the response; rows
        and columns estimated together, intervals by Satterthwaite's degrees of freedom.
    dict of str to str
        Why a border has no estimate.
    """
    cells = with_borders(records, plots)
    why = {name: _no_border(cells, plots, name) for name in BORDERS}
    asked, together, rows = [name for name in BORDERS if not why[name]], None, []
    with suppress(ValueError):
        together = _fitted(cells, kind, asked)
    for name in asked:
        try:
            rows.append(_row(together or _fitted(cells, kind, [name]), name, cells, level))
        except ValueError as error:
            why[name] = str(error)
    columns = ["border", "n_border", "n_inner", "estimate", "lower", "upper", "p"]
    return pd.DataFrame(rows, columns=columns), {name: text for name, text in why.items() if text}


def borders_of_trials(
    records: pd.DataFrame, plots: pd.DataFrame, models: FieldModels, *, level: float = 0.95
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Border plots of every trial against the others, with rows and columns where they can be
    fitted.

    Parameters
    ----------
    records, plots
        As in :func:`border_effects`, of all trials.
    models : FieldModels
    level : float

    Returns
    -------
    DataFrame
        ``trial`` and the columns of :func:`border_effects`, estimates and limits as shares (0.1 =
        10 % more), and ``model``.
    DataFrame
        ``trial, border, reason`` of those without an estimate.

    Raises
    ------
    Refusal
        No border has one.
    """
    frames, refused = [], []
    for trial in models.chosen:
        kind = ROWS_COLUMNS if (trial, ROWS_COLUMNS) in models.fits else BLOCKS
        own, ground = records[records["trial"].eq(trial)], plots[plots["trial"].eq(trial)]
        found, why = border_effects(own, ground, kind, level=level)
        frames.append(found.assign(trial=trial, model=kind))
        refused += [(trial, border, reason) for border, reason in why.items()]
    table = pd.concat(frames, ignore_index=True)
    if table.empty:
        raise Refusal(
            " ".join(f"Trial {trial}, {border}: {why}." for trial, border, why in refused)
        )
    shares = {name: np.expm1(table[name]) for name in ("estimate", "lower", "upper")}
    return table.assign(**shares), pd.DataFrame(refused, columns=["trial", "border", "reason"])


def _no_border(cells, plots, name):
    along = BORDERS[name]
    if cells[along].isna().any() or plots[along].isna().any():
        return f"plots without {along}"
    if plots[along].nunique() < 3:
        return f"the trial has fewer than three {along}s, so none is inside"
    n_border = int(cells[name].sum())
    if n_border == 0:
        return f"no plot in the {name} has a yield"
    return "every plot with a yield lies there" if n_border == len(cells) else ""


def _fitted(cells, kind, borders):
    """The model with these borders beside the layout."""
    fixed, trend = [*layout_terms(cells)[0], *borders], partial(trend_terms, kind=kind)
    return fit_means(cells, "response", trend, fixed=fixed)


def _row(means, name, cells, level):
    """Numbers of one border."""
    own = means.fit.contrast(pd.DataFrame({name: [1.0]}), level).iloc[0]
    if own["df"] < LEAST_DF:
        df = f"{own['df']:.1f} degrees of freedom"
        why = "too few rows and columns to know how much such a difference varies"
        raise ValueError(f"{why} ({df})")
    on = int(cells[name].sum())
    return [name, on, len(cells) - on, own["estimate"], own["lower"], own["upper"], own["p"]]
