"""Where a plot stands: keys of the strata it lies in, and the random terms that a layout can
carry.
"""

import numpy as np
import pandas as pd
from scipy import linalg

TERMS = {
    "hybrid:site": ("hybrid_site", "hybrid × site"),
    "replicate": ("replicate_key", "replicate within site"),
    "main_plot": ("main_plot_key", "main plot"),
    "block": ("block_key", "block"),
    "hybrid:treatment": ("hybrid_treatment", "hybrid × planting treatment"),
    "plot": ("plot_key", "plot (overdispersion)"),
}
"""Names of random terms, with the column of :func:`add_strata` and the meaning of each."""


def add_strata(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells with the keys of the strata they lie in.

    Parameters
    ----------
    cells : DataFrame
        ``site, trial, replicate, block, main_plot, plot, hybrid, planting_method, film``; ``block``
        and ``main_plot`` may be missing.

    Returns
    -------
    DataFrame
        In addition ``treatment, condition, replicate_key, main_plot_key, block_key, plot_key,
        hybrid_site, hybrid_treatment``: text that is the same for all plots of one stratum, unique
        over sites and trials. The key of a stratum begins with that of the stratum above it (site,
        trial, replicate, main plot, block), so codes may be given anew in each.
    """
    site, hybrid = cells["site"].astype(str), cells["hybrid"].astype(str)
    where = site + ":" + cells["trial"].astype(str)
    film = cells["film"].astype("str").map({"film": "film", "none": "no film"})
    treatment = cells["planting_method"].astype(str) + ", " + film
    replicate = where + ":" + cells["replicate"].astype(str)
    main_plot = replicate + ":" + cells["main_plot"].astype("str").fillna("-")
    block = main_plot + ":" + cells["block"].astype("str")
    return cells.assign(
        treatment=treatment,
        condition=site + ": " + treatment,
        replicate_key=replicate,
        main_plot_key=main_plot,
        block_key=block.fillna(where + ":-"),  # blank: blocks are complete
        plot_key=site + ":" + cells["plot"].astype(str),
        hybrid_site=hybrid + ":" + site,
        hybrid_treatment=hybrid + ":" + treatment,
    ).reset_index(drop=True)


def dummies(cells: pd.DataFrame, column: str) -> pd.DataFrame:
    """A column of 0 and 1 for each level, named ``column level``, in the order of the levels."""
    return pd.get_dummies(cells[column], dtype=float).sort_index(axis=1).add_prefix(f"{column} ")


def random_terms(cells: pd.DataFrame, terms, *, fixed=(), residual: bool = False) -> dict[str, str]:
    """Random terms that the layout can carry, of those asked for.

    Parameters
    ----------
    cells : DataFrame
        From :func:`add_strata`.
    terms : iterable of str
        Names of `TERMS`, or columns of `cells`; of two that part the cells alike the first is kept.
    fixed : iterable of str or DataFrame
        The fixed part of the model: columns of `cells`, or its design, one row per cell. A term
        whose levels it determines is left out: nothing is left to tell the term's variance.
    residual : bool
        Whether the model has a residual, which then stands for a term with a level for every cell.

    Returns
    -------
    dict of str to str
        Column of each term kept, with its meaning.

    Raises
    ------
    ValueError
        A term that is neither.
    """
    seen, kept = {tuple(range(len(cells)))} if residual else set(), {}
    design = [np.ones(len(cells))]
    if isinstance(fixed, pd.DataFrame):
        design.append(fixed)
    else:
        design += [pd.get_dummies(cells[name]) for name in fixed]
    held = linalg.orth(np.column_stack(design).astype(float))
    for term in terms:
        column, meaning = TERMS.get(term, (term, term.replace("_", " ")))
        if column not in cells:
            raise ValueError(
                f"random term {term!r}: it is none of {', '.join(TERMS)}, nor a column"
            )
        level = pd.factorize(cells[column], use_na_sentinel=False)[0]
        inside = sum(np.bincount(level, direction) ** 2 for direction in held.T)
        is_told = (inside < np.bincount(level) * (1 - 1e-9)).any()
        if is_told and tuple(level) not in seen:
            seen.add(tuple(level))
            kept[column] = meaning
    return kept


def degrees_left(levels: pd.Series, fixed: pd.DataFrame) -> int:
    """Degrees of freedom that a design leaves to the levels of a random term.

    Parameters
    ----------
    levels : Series
        Level of every cell.
    fixed : DataFrame
        Design, one row per cell.

    Returns
    -------
    int
        Rank of the levels once the design is taken off: levels less what is fixed between them.
    """
    level = pd.get_dummies(levels, dtype=float).to_numpy()
    held = linalg.orth(fixed.to_numpy(float))
    return int(np.linalg.matrix_rank(level - held @ (held.T @ level), tol=1e-8 * len(level)))
