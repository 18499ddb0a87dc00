"""What does each plot owe to its place, and do plots at the border of a trial yield more than the
others?
"""

from functools import partial

import numpy as np
import pandas as pd

from culmbook.mixed import part_of, residuals
from culmbook.spatial.choice import FieldModels
from culmbook.spatial.trend import BLOCKS, ROWS_COLUMNS, Trend, trend_terms
from culmbook.text.refusal import Refusal
from culmbook.yields.means import MeansFit, fit_means

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

    Notes
    -----
    Where a trend without a nugget holds the residual too, the residual is zero.
    """
    fit = means.fit
    fixed = [c for c in fit.design if c.startswith(_OF_PLACE)]
    trend = fit.design[fixed].to_numpy(float) @ fit.coefficients[fixed].to_numpy()
    trend = trend + sum(part_of(fit, term) for term in fit.levels if term != _OF_HYBRIDS)
    trend, rest = trend - trend.mean(), residuals(fit)
    table = fit.data[[c for c in PLACE if c in fit.data]].reset_index(drop=True)
    return table.assign(
        response=fit.response, own=fit.response - trend - rest, trend=trend, residual=rest
    )


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
    return records.assign(
        **{name: records[along].isin(ends[name]).astype(float) for name, along in BORDERS.items()}
    )


def border_effects(
    records: pd.DataFrame,
    plots: pd.DataFrame,
    kind: str,
    *,
    response: str = "response",
    level: float = 0.95,
) -> tuple[pd.DataFrame, dict]:
    """Difference of border plots from inner ones, hybrids and trend taken off.

    Parameters
    ----------
    records, plots
        As in :func:`with_borders`, of one season.
    kind : str
        Trend in the model, of :data:`culmbook.spatial.trend.KINDS`. Rows and columns suit best: a
        smooth surface takes what both ends have in common for its own.
    response : str
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
    cells = with_borders(records[records[response].notna()], plots)
    refused = {name: reason for name in BORDERS if (reason := _no_border(cells, plots, name))}
    asked = [name for name in BORDERS if name not in refused]
    together = _fitted(cells, kind, response, asked)
    rows = []
    for name in asked:
        fit = _fitted(cells, kind, response, [name]) if isinstance(together, str) else together
        row = fit if isinstance(fit, str) else _row(fit, name, cells, level)
        if isinstance(row, str):
            refused[name] = row
        else:
            rows.append(row)
    columns = ["border", "n_border", "n_inner", "estimate", "lower", "upper", "p"]
    return pd.DataFrame(rows, columns=columns), {
        name: refused[name] for name in BORDERS if name in refused
    }


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


def _fitted(cells, kind, response, borders):
    """The model with these borders, or why there is none."""
    if not borders:
        return "no border"
    try:
        return fit_means(cells, response, partial(_with_trend, kind=kind, borders=borders))
    except ValueError as error:
        return str(error)


def _with_trend(cells, *, kind, borders, fixed, random):
    own = pd.concat([fixed, cells[borders]], axis=1)
    trend = trend_terms(cells, kind, fixed=own, random=random)
    return Trend(cells[borders], trend.terms, trend.residual)


def _row(means, name, cells, level):
    """Numbers of one border, or why there are none."""
    own = means.fit.contrast(pd.DataFrame({name: [1.0]}), level).iloc[0]
    if own["df"] < LEAST_DF:
        df = f"{own['df']:.1f} degrees of freedom"
        return f"too few rows and columns to know how much such a difference varies ({df})"
    on = int(cells[name].sum())
    return [name, on, len(cells) - on, own["estimate"], own["lower"], own["upper"], own["p"]]
