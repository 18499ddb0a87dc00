"""Can the effect of a stand's age be told from the weather of its seasons?"""

import numpy as np
import pandas as pd

from culmbook.text.numbers import fmt_list

EARLY, PLATEAU = "early", "plateau"


def is_apart(cells, column):
    """Is a column more than a function of plantings and seasons?

    Parameters
    ----------
    cells : DataFrame
        ``site, cohort`` (planting year) and ``season``.
    column : array_like
        Numbers by row.

    Returns
    -------
    bool
        False where plantings and seasons together determine the column, so that its effect is theirs too.
    """
    place = cells["site"].astype(str) + ":" + cells["cohort"]
    known = pd.concat(
        [
            pd.get_dummies(place, dtype=float),
            pd.get_dummies(cells["season"], dtype=float).iloc[:, 1:],
        ],
        axis=1,
    ).to_numpy()
    q = np.linalg.svd(known, full_matrices=False)
    basis = q[0][:, q[1] > 1e-9 * q[1][0]]
    own = np.asarray(column, float)
    rest = own - basis @ (basis.T @ own)
    return bool(rest @ rest > 1e-9 * (own @ own))


def aliasing_words(records: pd.DataFrame, early_year: int = 2) -> str:
    """Say what age, season and planting year leave together in these data, and what is known in spite of it.

    Parameters
    ----------
    records : DataFrame
        From :func:`build_up_records`.
    early_year : int

    Returns
    -------
    str
    """
    early = fmt_list(sorted(records.loc[records["stage"] == EARLY, "season"].unique()))
    late = fmt_list(sorted(records.loc[records["stage"] == PLATEAU, "season"].unique()))
    planted = f"Planted in {fmt_list(sorted(records['cohort'].unique()))}"
    if not is_apart(records, records["stage"].eq(EARLY).astype(float)):
        return (
            f"{planted}: crop year {early_year} is the season {early} for every plot it is known from, the "
            f"plateau is {late}. Age and weather cannot be told apart: if {early} was a poor season, it "
            "looks like a slow build-up. The share relative to the control is free of this: both met the "
            "same seasons."
        )
    return (
        f"{planted}: crop year {early_year} fell into {early}, so plots of different ages stood in the same "
        "seasons and the step from early to full yield can be told from the weather. A steady trend over the "
        "years still cannot be shared out between age, season and planting year; planting years are taken as "
        "random here, so such a trend is read as one of age and season."
    )
