"""Terms of mixed models: levels of crossed columns, and fixed effects that the data cannot tell apart."""

import numpy as np
import pandas as pd
from scipy import linalg

_NOTHING = 1e-9  # a pivot this much smaller than the largest holds no information


def code_levels(frame: pd.DataFrame, term: str) -> tuple[np.ndarray, pd.Index]:
    """Code the levels of a term.

    Parameters
    ----------
    frame : DataFrame
    term : str
        A column, or several joined by ``:`` (each combination that occurs is a level).

    Returns
    -------
    tuple
        Code of each row, 0 … levels - 1, and the levels' labels with ``:`` between the columns' values.

    Examples
    --------
    >>> plots = pd.DataFrame({"site": ["A", "A", "B"], "block": ["1", "2", "1"]})
    >>> code_levels(plots, "site:block")[0].tolist()
    [0, 1, 2]
    """
    columns = term.split(":")
    code = frame.groupby(columns, sort=True, observed=True, dropna=False).ngroup().to_numpy()
    first = frame.iloc[np.unique(code, return_index=True)[1]]
    labels = first[columns[0]].astype(str)
    for column in columns[1:]:
        labels = labels + ":" + first[column].astype(str)
    return code, pd.Index(labels, name=term)


def refuse_aliased(design: pd.DataFrame) -> None:
    """Raise when a fixed-effect column follows from the others, naming those that do.

    Parameters
    ----------
    design : DataFrame
        One row per record, one column per fixed effect.

    Raises
    ------
    ValueError
    """
    x = design.to_numpy(float)
    r, pivot = linalg.qr(x, mode="r", pivoting=True)
    sizes = np.abs(np.diag(r))
    rank = int((sizes > _NOTHING * sizes[0]).sum()) if sizes.size else 0
    if rank < x.shape[1]:
        names = ", ".join(map(str, design.columns[pivot[rank:]]))
        raise ValueError(f"the data cannot tell these fixed effects from the others: {names}")
