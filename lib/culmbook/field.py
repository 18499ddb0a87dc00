"""Is the field uneven, and how is its unevenness taken out of the hybrids' yields? Terms that follow the field.

A trend is what plots owe to their place and not to their hybrid. Blocks catch it only where they were laid
along it; rows, columns and a smooth surface catch it wherever it runs.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from culmbook.consistency import season_records
from culmbook.formats import fmt_list
from culmbook.mixed import basis, over, smooth_line, smooth_surface
from culmbook.season_words import n_of

BLOCKS = "blocks"
ROWS_COLUMNS = "rows and columns"
SURFACE = "surface"
SURFACE_ROWS_COLUMNS = "surface with rows and columns"
AR1 = "autoregressive"
AR1_NUGGET = "autoregressive with nugget"
KINDS = (BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS, AR1, AR1_NUGGET)
"""Trends in the order in which they grow; each is added to replicates, blocks and main plots."""
LEAST_POSITIONS = 4
"""A smooth trend needs so many rows or columns."""
_LEFT_OFF = 0.01  # share of a surface's variance that may go for the sake of fewer columns
_NOTHING = 1e-8  # what is left of a column, relative, when others explain all of it


class Trend(NamedTuple):
    """Fixed columns and random terms of a trend; ``residual`` is false where a term holds the residual already."""

    fixed: pd.DataFrame
    terms: list
    residual: bool = True


def trial_records(
    harvests: pd.DataFrame, plots: pd.DataFrame, season: int | None = None, *, scale: str = "log", first_crop_year: int = 1
) -> pd.DataFrame:
    """Yields of plots with their places, ready for a trend.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.harvest.plot_harvests`.
    plots : DataFrame
        Table ``plots``.
    season : int, optional
        Growing season; left out, all seasons.
    scale, first_crop_year
        As in :func:`culmbook.consistency.season_records`.

    Returns
    -------
    DataFrame
        As :func:`culmbook.consistency.season_records` gives it, with ``row, column``, missing where the table
        plots has none.

    Raises
    ------
    ValueError
        As there.
    """
    own = harvests if season is None else harvests[harvests["growing_season"].eq(season)]
    return with_places(season_records(own, scale=scale, first_crop_year=first_crop_year), plots)


def with_places(records: pd.DataFrame, plots: pd.DataFrame) -> pd.DataFrame:
    """Records with the row and column of their plots."""
    places = plots[["site", "plot", "row", "column"]]
    return records.drop(columns=["row", "column"], errors="ignore").merge(places, on=["site", "plot"], how="left")


def trend_terms(cells: pd.DataFrame, kind: str, *, fixed: pd.DataFrame | None = None, random=()) -> Trend:
    """Terms that a trend adds to a model of one site's records.

    Parameters
    ----------
    cells : DataFrame
        One row per plot, or per plot and season: ``place`` (site and trial), ``plot, row, column`` and, where plots are
        cut again, ``season``. Trials at one site have trends of their own with common variances.
    kind : str
        One of :data:`KINDS`.
    fixed : DataFrame, optional
        Fixed part of the model the terms go to, rows as ``cells``; lines and terms that follow from it are left
        out.
    random : sequence
        Random terms the model already has; a term with the same levels as one of them is left out.

    Returns
    -------
    Trend
        ``fixed`` has mean zero over each trial's records, so that adjusted means are those at its mean place.

    Raises
    ------
    ValueError
        An unknown kind, places missing or taken twice, or too few rows and columns for the kind.

    Notes
    -----
    *Rows and columns*: a random effect of each. *Surface*: straight lines along rows and columns and their
    product fixed, wiggles of cubic P-splines random, in five parts with a variance each (three fixed and one random
    part fewer where only one direction has four positions). *Autoregressive*: correlation falls by a constant
    factor per row and another per column, beside independent plot errors where there is a nugget. Over several seasons
    each kind has a lasting part and a part of each season's own; that of a surface has one variance.

    References
    ----------
    Gilmour, Cullis & Verbyla (1997) J. Agric. Biol. Environ. Stat. 2:269-293; Rodriguez-Alvarez et al. (2018) Spat. Stat.
    23:52-71.

    Examples
    --------
    >>> grid = pd.MultiIndex.from_product([range(1, 7), range(1, 6)], names=["row", "column"]).to_frame(index=False)
    >>> cells = grid.assign(place="A:T", plot=grid.index.astype(str))
    >>> trend_terms(cells, "rows and columns").terms
    ['place:row', 'place:column']
    >>> [t.name for t in trend_terms(cells, "surface").terms][:2]
    ['smooth row', 'smooth column']
    """
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}; it must be one of {', '.join(KINDS)}")
    none = pd.DataFrame(index=cells.index)
    if kind == BLOCKS:
        return Trend(none, [])
    cells = _placed(cells)
    base = np.ones((len(cells), 1)) if fixed is None else fixed.to_numpy(float)
    if kind in (AR1, AR1_NUGGET):
        return Trend(none, _autoregressive(cells), kind == AR1_NUGGET)
    lines, bases = _surfaces(cells) if kind != ROWS_COLUMNS else (none, [])
    crossed = _rows_and_columns(cells, base, random) if kind != SURFACE else []
    if not bases and not crossed:
        raise ValueError("the replicates, blocks or main plots are the rows and columns already: there is nothing to add")
    return Trend(_independent(lines, base), [*crossed, *bases])


def refuse_unplaced(cells: pd.DataFrame) -> None:
    """Raise where plots have no place or share one.

    Raises
    ------
    ValueError
    """
    absent = cells[["row", "column"]].isna().any(axis=1)
    if absent.any():
        raise ValueError(f"{n_of(int(absent.sum()), 'plot')} of {len(cells)} {'has' if absent.sum() == 1 else 'have'} "
                         "no row or column, so a trend over the field cannot be fitted")
    keys = [c for c in ("place", "season", "row", "column") if c in cells]
    shared = cells[cells.duplicated(keys, keep=False)]
    if len(shared):
        raise ValueError(f"plots {fmt_list(sorted(shared['plot'].astype(str).unique()))} share a row and column")


def _placed(cells):
    """Cells with rows and columns as numbers, after a look at them."""
    refuse_unplaced(cells)
    return cells.assign(row=cells["row"].astype(float), column=cells["column"].astype(float))


def _has_seasons(cells):
    return "season" in cells and cells.groupby("place")["season"].nunique().max() > 1


def _rows_and_columns(cells, base, random):
    names = ["place:row", "place:column"]
    names += ["place:season:row", "place:season:column"] if _has_seasons(cells) else []
    seen = [_partition(cells, term) for term in random if isinstance(term, str)]
    kept = []
    for name in names:
        levels = _partition(cells, name)
        if 1 < len(set(levels)) < len(cells) and levels not in seen and not _is_determined(levels, base):
            seen.append(levels)
            kept.append(name)
    return kept


def _partition(cells, term):
    return tuple(cells.groupby(term.split(":"), sort=False, dropna=False).ngroup())


def _is_determined(levels, base):
    """Do the fixed columns tell every record's level?"""
    dummies = pd.get_dummies(pd.Series(levels), dtype=float).to_numpy()
    return bool((_left(dummies, base) < _NOTHING * len(dummies)).all())


def _left(columns, base):
    """Sum of squares of each column that the base does not explain."""
    q, size, _ = np.linalg.svd(base, full_matrices=False)
    q = q[:, size > _NOTHING * size.max()]
    return ((columns - q @ (q.T @ columns)) ** 2).sum(axis=0)


def _independent(lines, base):
    """The lines, less those that follow from the base and the lines before them."""
    kept = []
    for name in lines:
        column = lines[[name]].to_numpy()
        if _left(column, base)[0] > _NOTHING * max((column**2).sum(), 1.0):
            kept.append(name)
            base = np.hstack([base, column])
    return lines[kept]


def _autoregressive(cells):
    if cells["row"].nunique() < 2 or cells["column"].nunique() < 2:
        raise ValueError("one row or one column: a correlation along both cannot be estimated")
    inner = ("row", "column")
    if not _has_seasons(cells):
        return [over("place", inner, "separable ar1")]
    return [over("place", inner, "separable ar1"), over("place:season", inner, "separable ar1")]


def _surfaces(cells):
    """Lines of each trial, and bases of all trials together, by part; seasons' own surfaces with one variance."""
    lines, parts, seasonal = [], {}, []
    is_repeated = _has_seasons(cells)
    for place, own in cells.groupby("place", sort=True):
        surface = _surface(own)
        if surface is None:
            continue
        suffix = f" {place}" if cells["place"].nunique() > 1 else ""
        lines.append((surface.fixed - surface.fixed.mean()).add_suffix(suffix))
        for term in surface.terms:
            parts.setdefault(term.name, []).append((own.index, term.matrix))
        if is_repeated:
            together = _compact(np.hstack([lines[-1].to_numpy(), *(t.matrix for t in surface.terms)]))
            where = (np.flatnonzero(own["season"].eq(s)) for s in own["season"].unique())
            seasonal += [(own.index[rows], together[rows]) for rows in where]
    if not lines:
        raise ValueError(f"no trial has {LEAST_POSITIONS} rows or {LEAST_POSITIONS} columns, which a smooth trend needs")
    bases = [basis(name, _stacked(cells, blocks)) for name, blocks in parts.items()]
    if is_repeated:
        bases.append(basis("surface of a season", _stacked(cells, seasonal)))
    return pd.concat(lines, axis=1).reindex(cells.index).fillna(0.0), bases


def _surface(own):
    """Smooth trend of one trial along the directions that have enough positions; None where none has."""
    is_long = {name: own[name].nunique() >= LEAST_POSITIONS for name in ("row", "column")}
    if all(is_long.values()):
        return smooth_surface(own["row"], own["column"])
    along = [name for name, enough in is_long.items() if enough]
    return smooth_line(own[along[0]]) if along else None


def _compact(matrix):
    """Fewer columns with the same variances and covariances of the records, but for a small share."""
    u, size, _ = np.linalg.svd(matrix, full_matrices=False)
    kept = np.searchsorted(np.cumsum(size**2) / (size**2).sum(), 1 - _LEFT_OFF) + 1
    return u[:, :kept] * size[:kept]


def _stacked(cells, blocks):
    """One matrix of the blocks beside each other, scaled to a mean variance of 1 over the records."""
    matrix = np.zeros((len(cells), sum(block.shape[1] for _, block in blocks)))
    start = 0
    for index, block in blocks:
        matrix[cells.index.get_indexer(index), start:start + block.shape[1]] = block
        start += block.shape[1]
    return matrix / np.sqrt((matrix**2).sum(axis=1).mean())
