"""Where a plot stands: keys of the strata it lies in, and the random terms that a layout can
carry.
"""

import pandas as pd

TERMS = {
    "hybrid:site": ("hybrid_site", "hybrid x site"),
    "replicate": ("replicate_key", "replicate within site"),
    "main_plot": ("main_plot_key", "main plot"),
    "block": ("block_key", "block"),
    "hybrid:treatment": ("hybrid_treatment", "hybrid x planting treatment"),
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
        over sites and trials.
    """
    site, hybrid = cells["site"].astype(str), cells["hybrid"].astype(str)
    where = site + ":" + cells["trial"].astype(str)
    film = cells["film"].astype("str").map({"film": "film", "none": "no film"})
    treatment = cells["planting_method"].astype(str) + ", " + film
    replicate = where + ":" + cells["replicate"].astype(str)
    return cells.assign(
        treatment=treatment,
        condition=site + ": " + treatment,
        replicate_key=replicate,
        main_plot_key=replicate + ":" + cells["main_plot"].astype("str").fillna("-"),
        block_key=where + ":" + cells["block"].astype("str").fillna("-"),
        plot_key=site + ":" + cells["plot"].astype(str),
        hybrid_site=hybrid + ":" + site,
        hybrid_treatment=hybrid + ":" + treatment,
    ).reset_index(drop=True)


def random_terms(cells: pd.DataFrame, terms, *, fixed=(), residual: bool = False) -> dict[str, str]:
    """Random terms that the layout can carry, of those asked for.

    Parameters
    ----------
    cells : DataFrame
        From :func:`add_strata`.
    terms : iterable of str
        Names of `TERMS`, or columns of `cells`; of two that part the cells alike the first is kept.
    fixed : iterable of str
        Columns that the fixed part of the model holds: a term that parts the cells like one of them
        is left out.
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
    seen = {_partition(cells[column]) for column in fixed}
    if residual:
        seen.add(tuple(range(len(cells))))
    kept = {}
    for term in terms:
        column, meaning = TERMS.get(term, (term, term.replace("_", " ")))
        if column not in cells:
            raise ValueError(
                f"random term {term!r}: it is none of {', '.join(TERMS)}, nor a column"
            )
        partition = _partition(cells[column])
        if cells[column].nunique() > 1 and partition not in seen:
            seen.add(partition)
            kept[column] = meaning
    return kept


def _partition(column):
    return tuple(pd.factorize(column)[0])
