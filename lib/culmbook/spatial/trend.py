"""Is the field uneven, and how is its unevenness taken out of the hybrids' yields?

A trend is what plots owe to their place and not to their hybrid. Blocks catch it only where they
were laid along it; rows, columns and a smooth surface catch it wherever it runs. Which one suits is
chosen among candidates that differ in the trend alone: hybrids are fixed in each, since their means
are wanted as they are and have to be the same means, replicates and planting treatments are fixed
too, blocks and main plots random.
"""

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from culmbook.consistency.model import season_records
from culmbook.mixed import (
    MOST_RECORDS,
    basis,
    compare,
    enlarged_covariance,
    kenward_roger_contrasts,
    left_out,
    over,
    smooth_line,
    smooth_surface,
)
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of
from culmbook.trials.layout import random_terms
from culmbook.yields.means import MeansFit, fit_means, hybrid_means

BLOCKS = "blocks"
ROWS_COLUMNS = "rows and columns"
SURFACE = "surface"
SURFACE_ROWS_COLUMNS = "surface with rows and columns"
AUTOREGRESSIVE = "autoregressive with nugget"
KINDS = (BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS, AUTOREGRESSIVE)
"""Trends in the order in which they grow; each is added to replicates, blocks and main plots."""
LEAST_POSITIONS = 4
"""A smooth trend needs so many rows or columns."""
_LEFT_OFF = 0.01  # share of a surface's variance that may go for the sake of fewer columns


def trial_records(harvests: pd.DataFrame, plots: pd.DataFrame) -> pd.DataFrame:
    """Log yields of plots of any age with their places, ready for a trend.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`.
    plots : DataFrame
        Table ``plots``.

    Returns
    -------
    DataFrame
        As :func:`culmbook.consistency.model.season_records` gives it, with ``row, column``, missing
        where the table plots has none.

    Raises
    ------
    ValueError
        As there.
    """
    return with_places(season_records(harvests, first_crop_year=1), plots)


def with_places(records: pd.DataFrame, plots: pd.DataFrame) -> pd.DataFrame:
    """Records with the row and column of their plots."""
    places = plots[["site", "plot", "row", "column"]]
    records = records.drop(columns=["row", "column"], errors="ignore")
    return records.merge(places, on=["site", "plot"], how="left")


def placed(records: pd.DataFrame) -> pd.DataFrame:
    """Records of trials in which every plot has a row and a column of its own.

    Raises
    ------
    Refusal
        No trial is so.
    """
    kept, refused = [], []
    for trial, own in records.groupby("trial", sort=True):
        try:
            refuse_unplaced(own)
            kept.append(own)
        except ValueError as error:
            refused.append(f"Trial {trial}: {error}.")
    if not kept:
        raise Refusal(" ".join(refused))
    return pd.concat(kept)


def trend_terms(
    cells: pd.DataFrame, kind: str, *, fixed: pd.DataFrame | None = None, random=()
) -> list:
    """Random terms that a trend adds to a model of one site's records.

    Parameters
    ----------
    cells : DataFrame
        One row per plot, or per plot and season: ``place`` (site and trial), ``plot, row, column``
        and, where plots are cut again, ``season``. Trials at one site have trends of their own with
        common variances.
    kind : str
        One of :data:`KINDS`.
    fixed : DataFrame, optional
        Fixed part of the model the terms go to, rows as ``cells``; terms that follow from it are
        left out.
    random : sequence
        Random terms the model already has; a term with the same levels as one of them is left out.

    Returns
    -------
    list
        Nothing fixed is among them, so that every kind has the same fixed part.

    Raises
    ------
    ValueError
        An unknown kind, places missing or taken twice, or too few rows and columns for the kind.

    Notes
    -----
    *Rows and columns*: a random effect of each. *Surface*: cubic P-splines in mixed-model form, a
    course along rows, one along columns and one over both (one course only where one direction has
    fewer than four positions), each a straight line and wiggles with one variance. Lines are random
    too: as fixed effects they cost precision where the field is even, and models with other fixed
    effects have no comparable criteria. *Autoregressive*: correlation falls by a constant factor
    per row and another per column, beside independent plot errors. Over
    several seasons each kind has a lasting part and a part of each season's own; that of a surface
    has one variance.

    References
    ----------
    Gilmour, Cullis & Verbyla (1997) J. Agric. Biol. Environ. Stat. 2:269-293; Rodriguez-Alvarez et
    al. (2018) Spat. Stat. 23:52-71.

    Examples
    --------
    >>> cells = pd.DataFrame({"place": "A:T", "plot": [str(i) for i in range(30)],
    ...                       "row": [1 + i // 5 for i in range(30)], "column": [1 + i % 5 for i in range(30)]})
    >>> trend_terms(cells, "rows and columns")
    ['place:row', 'place:column']
    >>> [t.name for t in trend_terms(cells, "surface")]
    ['along rows', 'along columns', 'over both']
    """
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}; it must be one of {', '.join(KINDS)}")
    if kind == BLOCKS:
        return []
    refuse_unplaced(cells)
    cells = cells.assign(row=cells["row"].astype(float), column=cells["column"].astype(float))
    if kind == AUTOREGRESSIVE:
        return _autoregressive(cells)
    crossed = _rows_and_columns(cells, fixed, random) if kind != SURFACE else []
    bases = _surfaces(cells) if kind != ROWS_COLUMNS else []
    if not bases and not crossed:
        raise ValueError(
            "the replicates, blocks or main plots are the rows and columns already: there is nothing to add"
        )
    return [*crossed, *bases]


def refuse_unplaced(cells: pd.DataFrame) -> None:
    """Raise where plots have no place or share one.

    Raises
    ------
    ValueError
    """
    absent = cells[["row", "column"]].isna().any(axis=1)
    if absent.any():
        raise ValueError(
            f"{n_of(int(absent.sum()), 'plot')} of {len(cells)} {'has' if absent.sum() == 1 else 'have'} "
            "no row or column, so a trend over the field cannot be fitted"
        )
    keys = [c for c in ("place", "season", "row", "column") if c in cells]
    shared = cells[cells.duplicated(keys, keep=False)]
    if len(shared):
        raise ValueError(
            f"plots {fmt_list(sorted(shared['plot'].astype(str).unique()))} share a row and column"
        )


def _has_seasons(cells):
    return "season" in cells and cells.groupby("place")["season"].nunique().max() > 1


def _rows_and_columns(cells, fixed, random):
    """Those of rows and columns that neither the model's other terms nor its fixed part hold."""
    names = ["place:row", "place:column"]
    names += ["place:season:row", "place:season:column"] if _has_seasons(cells) else []
    levels = {f"levels of {term}": cells.groupby(term.split(":")).ngroup() for term in random}
    levels |= {name: cells.groupby(name.split(":")).ngroup() for name in names}
    held = () if fixed is None else fixed
    kept = random_terms(pd.DataFrame(levels), levels, fixed=held, residual=True)
    return [name for name in names if name in kept]


def _autoregressive(cells):
    if cells["row"].nunique() < 2 or cells["column"].nunique() < 2:
        raise ValueError("one row or one column: a correlation along both cannot be estimated")
    outer = ["place", "place:season"] if _has_seasons(cells) else ["place"]
    return [over(term, ("row", "column"), "separable autoregressive") for term in outer]


def _surfaces(cells):
    """Bases of all trials together: lasting courses, and seasons' own with one variance."""
    parts, seasonal = {}, []
    for _, own in cells.groupby("place", sort=True):
        courses = _courses(own)
        for name, matrix in courses.items():
            parts.setdefault(name, []).append((own.index, _compact(matrix)))
        if courses and _has_seasons(cells):
            together = _compact(np.hstack(list(courses.values())))
            where = (np.flatnonzero(own["season"].eq(s)) for s in own["season"].unique())
            seasonal += [(own.index[rows], together[rows]) for rows in where]
    if not parts:
        raise ValueError(
            f"no trial has {LEAST_POSITIONS} rows or {LEAST_POSITIONS} columns, which a smooth trend needs"
        )
    blocks = parts | ({"surface of a season": seasonal} if seasonal else {})
    return [basis(name, _stacked(cells, each)) for name, each in blocks.items()]


def _courses(own):
    """A trial's smooth courses along the directions that have enough positions, line and wiggles
    together.
    """
    along = [name for name in ("row", "column") if own[name].nunique() >= LEAST_POSITIONS]
    if not along:
        return {}
    if len(along) == 1:
        smooth = smooth_line(own[along[0]])
        return {f"along {along[0]}s": np.hstack([smooth.fixed, smooth.terms[0].matrix])}
    smooth = smooth_surface(own["row"], own["column"])
    lines, (rows, columns, *both) = smooth.fixed.to_numpy(), (term.matrix for term in smooth.terms)
    return {
        "along rows": np.hstack([lines[:, [0]], rows]),
        "along columns": np.hstack([lines[:, [1]], columns]),
        "over both": np.hstack([lines[:, [2]], *both]),
    }


def _compact(matrix):
    """Fewer columns with the same variances and covariances of the records, but for a small share."""
    u, size, _ = np.linalg.svd(matrix, full_matrices=False)
    kept = np.searchsorted(np.cumsum(size**2) / (size**2).sum(), 1 - _LEFT_OFF) + 1
    return u[:, :kept] * size[:kept]


def _stacked(cells, blocks):
    """One matrix of the blocks beside each other, scaled to a mean variance of 1 over the records.

    Each block is then centred, so that a trend has mean zero over a trial and means are those at
    its mean place.
    """
    matrix = np.zeros((len(cells), sum(block.shape[1] for _, block in blocks)))
    start, squares = 0, 0.0
    for index, block in blocks:
        rows, end = cells.index.get_indexer(index), start + block.shape[1]
        matrix[rows, start:end] = block - block.mean(axis=0)
        start, squares = end, squares + (block**2).sum()
    return matrix / np.sqrt(squares / len(cells))


CANDIDATES = (BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS)
"""Trends that are compared unless others are named."""


@dataclass(frozen=True)
class TrendChoice:
    """Candidates for one trial in one season.

    Attributes
    ----------
    fits : dict of str to MeansFit
        By candidate, in order; hybrids' means are ``hybrid_means(fits[kind])``.
    refused : dict of str to str
        Why a candidate could not be fitted.
    table : DataFrame
        From :func:`compare_fits`.
    chosen : str
        The candidate chosen.
    """

    fits: dict[str, MeansFit] = field(repr=False)
    refused: dict[str, str]
    table: pd.DataFrame = field(repr=False)
    chosen: str


def choose_trend(records: pd.DataFrame, candidates=CANDIDATES) -> TrendChoice:
    """Fit one trial and season with each trend and choose among them.

    Parameters
    ----------
    records : DataFrame
        One trial's plots in one season, from :func:`culmbook.spatial.trend.trial_records`.
    candidates : sequence of str
        Of :data:`culmbook.spatial.trend.KINDS`; blocks only is always among them.

    Returns
    -------
    TrendChoice
        The candidate with the least criterion of Akaike.

    Raises
    ------
    ValueError
        Blocks only cannot be fitted: fewer than two hybrids, too few plots, no settled search.

    Notes
    -----
    All candidates have the same fixed part, so their restricted likelihoods may be compared; each
    variance and correlation counts as a parameter. Prediction of left-out plots, the other way to
    choose, takes a trend for real more often where there is none. Choosing makes the chosen model
    look a little better than it is.

    References
    ----------
    Akaike (1974) IEEE Trans. Autom. Control 19:716-723.
    """
    fits, refused = {BLOCKS: fit_means(records, "response")}, {}
    for kind in (k for k in candidates if k != BLOCKS):
        try:
            fits[kind] = fit_means(records, "response", partial(trend_terms, kind=kind))
        except ValueError as error:
            refused[kind] = str(error)
    table = compare_fits(fits)
    return TrendChoice(fits, refused, table, table["aic"].idxmin())


@dataclass(frozen=True)
class FieldModels:
    """Trends of all trials of a site in one season.

    Attributes
    ----------
    fits : dict of (str, str) to MeansFit
        By trial and model.
    table : DataFrame
        ``trial, model``, the columns of :func:`compare_fits`, ``se`` (root of
        ``difference_variance``) and ``is_chosen``.
    chosen : dict of str to str
        By trial, the model chosen.
    other : dict of str to str
        By trial, the trend shown beside blocks only: the chosen one, else the next best; trials
        with blocks only are left out.
    refused : DataFrame
        ``trial, model, reason``; a trial that no model can be fitted to has the model 'blocks'.
    """

    fits: dict[tuple[str, str], MeansFit] = field(repr=False)
    table: pd.DataFrame
    chosen: dict[str, str]
    other: dict[str, str]
    refused: pd.DataFrame

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Means of the hybrids under every model: ``trial, model, hybrid, n_plots, mean, lower,
        upper``.

        Exponentials of means of the log response: what the middle plot gives, in the response's
        unit.
        """
        frames = []
        for (trial, model), means in self.fits.items():
            own = hybrid_means(means, level=level, contrasts=contrasts)
            back = {name: np.exp(own[name]) for name in ("mean", "lower", "upper")}
            frames.append(own.assign(trial=trial, model=model, **back))
        return pd.concat(frames, ignore_index=True)

    def left_out(self) -> pd.DataFrame:
        """Errors of plots left out under the chosen models: ``trial, plot, hybrid, error, sd,
        factor``.

        ``factor`` is how many times the yield is what the other plots let expect.
        """
        frames = []
        for trial, model in self.chosen.items():
            fit = self.fits[trial, model].fit
            errors = left_out(fit)
            own = fit.data[["plot", "hybrid"]].assign(trial=trial, error=errors["error"])
            frames.append(own.assign(sd=np.sqrt(errors["variance"])))
        table = pd.concat(frames, ignore_index=True)
        return table.assign(factor=np.exp(table["error"]))


def fit_trends(records: pd.DataFrame, candidates=CANDIDATES) -> FieldModels:
    """Fit every trial of a site with each trend and choose among them, trial by trial.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.spatial.trend.trial_records`, of one season.
    candidates : sequence of str
        As in :func:`choose_trend`.

    Returns
    -------
    FieldModels

    Raises
    ------
    Refusal
        No trial carries a model.
    """
    choices, refused = {}, []
    for trial, own in records.groupby("trial", sort=True):
        try:
            choices[str(trial)] = choose_trend(own, candidates=candidates)
        except ValueError as error:
            refused.append((str(trial), BLOCKS, str(error)))
    if not choices:
        said = "; ".join(f"trial {trial}: {reason}" for trial, _, reason in refused)
        raise Refusal(f"The yields carry no model ({said}). So nothing is said of the field.")
    table = pd.concat({t: c.table for t, c in choices.items()}, names=["trial", "model"])
    table = table.reset_index().assign(se=lambda t: np.sqrt(t["difference_variance"]))
    chosen = {trial: choice.chosen for trial, choice in choices.items()}
    trends = table[table["model"].ne(BLOCKS)].sort_values("aic", kind="stable")
    other = trends.drop_duplicates("trial").set_index("trial")["model"].to_dict()
    refused += [(t, kind, why) for t, c in choices.items() for kind, why in c.refused.items()]
    return FieldModels(
        {(t, kind): means for t, c in choices.items() for kind, means in c.fits.items()},
        table.assign(is_chosen=table["model"].eq(table["trial"].map(chosen))),
        chosen,
        {trial: other[trial] for trial in chosen if trial in other},
        pd.DataFrame(refused, columns=["trial", "model", "reason"]),
    )


def compare_fits(fits: dict[str, MeansFit]) -> pd.DataFrame:
    """Candidates side by side.

    Parameters
    ----------
    fits : dict of str to MeansFit
        By candidate; ``'blocks'`` first.

    Returns
    -------
    DataFrame
        By candidate: ``parameters`` and ``aic`` of its covariance, ``above_best``; ``error`` (root
        mean square of the errors of left-out records, unit of the response), ``n_left_out`` records
        it rests on; ``difference_variance`` (mean variance of a difference of two hybrids' means,
        squared unit) and ``efficiency``: that of the first candidate over it.

    Raises
    ------
    ValueError
        Candidates with other records or other fixed effects than the first.
    """
    rows = {}
    for name, means in fits.items():
        fit, weights = means.fit, means.fit.weigh(means.weights)
        errors = left_out(fit)["error"].dropna()
        covariance = enlarged_covariance(fit) if _is_sum_of_variances(fit) else fit.covariance
        own = weights @ covariance.to_numpy() @ weights.T
        rows[name] = {
            "error": float(np.sqrt((errors**2).mean())),
            "n_left_out": len(errors),
            "difference_variance": mean_difference_variance(own),
        }
    table = pd.DataFrame.from_dict(rows, orient="index")
    criteria = compare({name: means.fit for name, means in fits.items()})
    table = criteria[["parameters", "aic", "above_best"]].reindex(table.index).join(table)
    variance = table["difference_variance"]
    return table.assign(efficiency=variance.iloc[0] / variance)


def contrasts(fit, weights: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Contrasts of a fit with a trend: by Kenward and Roger where they can be had, else by
    Satterthwaite.

    Notes
    -----
    A trend of several variances known from few plots makes plain standard errors too small:
    intervals of 95 % held in 91 to 94 % of simulated trials. Correlations along rows and columns,
    and more than 1,500 plots, are beyond the method.
    """
    if _is_sum_of_variances(fit):
        return kenward_roger_contrasts(fit, weights, level)
    return fit.contrast(weights, level)


def _is_sum_of_variances(fit):
    """Can the variances' uncertainty be allowed for?"""
    is_diagonal = all(term.kernel.is_diagonal for term in fit.model.terms)
    return is_diagonal and fit.n_records <= MOST_RECORDS


def mean_difference_variance(covariance: np.ndarray) -> float:
    """Mean variance of a difference between two of several means, from their covariance."""
    n = len(covariance)
    return float(2 * (np.trace(covariance) - covariance.sum() / n) / (n - 1))
