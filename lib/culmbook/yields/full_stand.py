"""What would the plots have yielded with every plant standing?

Yield per planted area is the main figure: gaps are the hybrid's own result where it lost the plants. The
yield at full stand is a second one, for telling a poor stand from a poor plant.
"""

import numpy as np
import pandas as pd

from culmbook.stats.line import PartialSlope, partial_slope

LEAST_SPREAD = 0.05  # of the log stand within hybrids: less than 5 % says nothing
RANK_FLOOR = 0.60
KEY = ["site", "plot"]


def with_stand(yields: pd.DataFrame, stand: pd.DataFrame) -> pd.DataFrame:
    """Yields beside the share of planted plants that stood.

    Parameters
    ----------
    yields : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, one season.
    stand : DataFrame
        From :func:`culmbook.stand.counts.plot_stand` of that season: ``site, plot, latest_alive,
        plants_planted``.

    Returns
    -------
    DataFrame
        ``yields`` with ``stand``: plants alive over planted (replants stand too), missing where not counted.
    """
    share = stand["latest_alive"] / stand["plants_planted"].astype("float64")
    return yields.merge(stand[KEY].assign(stand=share), on=KEY, how="left")


def fit_stand_power(frame: pd.DataFrame, *, level: float = 0.95) -> PartialSlope:
    """Power of the stand that yield goes with, within hybrids.

    Parameters
    ----------
    frame : DataFrame
        From :func:`with_stand`; rows left out, without a stand or with nothing to weigh are not used.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    PartialSlope
        ``slope`` 1: yield falls in step with the plants; 0: the neighbours fill every gap.

    Raises
    ------
    ValueError
        Where stands within hybrids are too alike to tell.

    Notes
    -----
    ``log Y = hybrid + site x trial x replicate + power x log stand`` by least squares.
    """
    rows = frame[frame["left_out"].isna() & frame["dry_yield_t_ha"].gt(0) & frame["stand"].gt(0)]
    place = rows["site"].astype(str) + ":" + rows["trial"].astype(str)
    log_stand = np.log(rows["stand"])
    own = log_stand - log_stand.groupby([place, rows["hybrid"]]).transform("mean")
    if len(rows) < 3 or not own.std() >= LEAST_SPREAD:
        raise ValueError(
            "The stands of one hybrid's plots are too alike to tell how yield goes with the "
            "stand, so there is no yield at full stand"
        )
    factors = [
        place + ":" + rows["hybrid"].astype(str),
        place + ":" + rows["replicate"].astype(str),
    ]
    return partial_slope(log_stand, np.log(rows["dry_yield_t_ha"]), factors, level)


def at_full_stand(
    frame: pd.DataFrame, power: float, *, rank_floor: float = RANK_FLOOR
) -> pd.DataFrame:
    """Yield that a plot would have given with every plant standing.

    Parameters
    ----------
    frame : DataFrame
        From :func:`with_stand`.
    power : float
        From :func:`fit_stand_power` or a parameter, 0-1.
    rank_floor : float
        Stand under which a plot's yield is not ranked, 0-1.

    Returns
    -------
    DataFrame
        ``frame`` with ``full_stand_t_ha`` (missing without a stand, or where it is under the floor: that is
        too far to reckon) and ``is_ranked``.

    Raises
    ------
    ValueError
        A power or floor outside 0-1.

    Notes
    -----
    ``Y / stand**power``.

    Examples
    --------
    >>> plot = pd.DataFrame({"dry_yield_t_ha": [8.0, 8.0], "stand": [0.81, 0.5]})
    >>> at_full_stand(plot, 0.5)["full_stand_t_ha"].round(2).tolist()
    [8.89, nan]
    """
    if not (0 <= power <= 1 and 0 <= rank_floor <= 1):
        raise ValueError(f"power = {power} and rank_floor = {rank_floor} must lie between 0 and 1")
    is_ranked = frame["stand"].ge(rank_floor)
    adjusted = frame["dry_yield_t_ha"] / frame["stand"].where(is_ranked) ** power
    return frame.assign(full_stand_t_ha=adjusted, is_ranked=is_ranked)
