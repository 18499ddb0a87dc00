"""How likely is it that the best hybrids are the ones picked, and how many replicates does that take?"""

import numpy as np
from scipy import integrate, optimize, special, stats

from culmbook.consistency.reliability import error_variance

MOST_REPLICATES = 100
_FAR = 10.0


def chance_correct(entries: int, distance: float, best: int = 1) -> float:
    """Least probability that the best entries have the highest means.

    Parameters
    ----------
    entries : int
        At least 2.
    distance : float
        How far the best lie above the next in true value, in standard deviations of an entry's mean; >= 0.
    best : int
        How many are picked, under ``entries``; which of those is the very best does not matter.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    ValueError
        A number out of range.

    Notes
    -----
    ``best * integral phi(x) (1 - Phi(x))^(best-1) Phi(x + distance)^(entries-best) dx``: the chance when all
    the best are alike, all others are alike, and just this far apart. Any other true values at least this
    far apart make it higher. Means are normal with one variance and independent.

    References
    ----------
    Bechhofer (1954) Ann. Math. Stat. 25:16-39, eq. 21.

    Examples
    --------
    >>> round(chance_correct(4, 2.9162), 3)
    0.95
    """
    _check(entries, best)
    if not distance >= 0:
        raise ValueError(f"distance = {distance}: it must be at least 0")

    def density(x):
        lowest = best * stats.norm.pdf(x) * special.ndtr(-x) ** (best - 1)
        return lowest * special.ndtr(x + distance) ** (entries - best)

    return float(min(integrate.quad(density, -_FAR, _FAR, epsabs=1e-11, limit=200)[0], 1.0))


def _check(entries, best):
    if not 1 <= best < entries:
        raise ValueError(
            f"best = {best} of {entries} entries: at least 1 is picked and at least 1 is not"
        )


def distance_needed(entries: int, chance: float = 0.95, best: int = 1) -> float:
    """How far apart the best and the next must lie for the best to be picked with a given probability.

    Parameters
    ----------
    entries, best
        As in :func:`chance_correct`.
    chance : float
        Over that of drawing lots, under 1.

    Returns
    -------
    float
        In standard deviations of an entry's mean.

    Raises
    ------
    ValueError
        A number out of range.

    References
    ----------
    Bechhofer (1954), table I.

    Examples
    --------
    >>> round(distance_needed(2), 4)
    2.3262
    """
    _check(entries, best)
    lots = 1 / special.comb(entries, best)
    if not lots < chance < 1:
        raise ValueError(
            f"chance = {chance}: it lies over {lots:.3g}, the chance of drawing lots, and under 1"
        )
    return float(
        optimize.brentq(lambda d: chance_correct(entries, d, best) - chance, 0, 4 * _FAR, xtol=1e-9)
    )


def plan_chance(
    variances, entries: int, gap: float, sites: int, seasons: int, replicates: int, *, best: int = 1
) -> float:
    """Least probability that a trial picks the best entries, where they lie a given step above the rest.

    Parameters
    ----------
    variances : mapping
        Variances by term, as in :func:`culmbook.consistency.reliability.reliability`.
    entries, best
        As in :func:`chance_correct`.
    gap : float
        The step, on the scale of the variances' square roots: on the log scale ``log1p`` of a share; >= 0.
    sites, seasons, replicates : int

    Returns
    -------
    float
        0 to 1. A step above 0 is always found where the variances leave no error.

    Raises
    ------
    ValueError
        A number out of range.

    Examples
    --------
    >>> round(plan_chance({"residual": 1.0}, 2, 1.0, 1, 1, 6), 2)
    0.96
    """
    spread = np.sqrt(error_variance(variances, sites, seasons, replicates))
    if spread == 0:
        _check(entries, best)
        return 1.0 if gap > 0 else chance_correct(entries, 0.0, best)
    return chance_correct(entries, gap / spread, best)


def replicates_needed(
    variances,
    entries: int,
    gap: float,
    sites: int,
    seasons: int,
    *,
    chance: float = 0.95,
    best: int = 1,
    most: int = MOST_REPLICATES,
) -> int | None:
    """Least number of replicates per site with which the best entries are picked.

    Parameters
    ----------
    variances, entries, gap, sites, seasons, best
        As in :func:`plan_chance`; ``gap`` over 0.
    chance : float
        As in :func:`distance_needed`.
    most : int
        Replicates looked at.

    Returns
    -------
    int or None
        None where no number up to ``most`` is enough: what hybrids do from site to site and from season to
        season then sets the limit, and replicates do nothing about it.

    Raises
    ------
    ValueError
        A number out of range.

    Notes
    -----
    The variance of a mean may be at most ``(gap / d)^2``, d from :func:`distance_needed`; without any
    interaction that is Bechhofer's ``n = (d sigma / gap)^2``.

    Examples
    --------
    >>> replicates_needed({"residual": 1.0}, 4, 1.0, 1, 1)
    9
    """
    if not gap > 0:
        raise ValueError(f"gap = {gap}: the best must lie above the rest")
    allowed = (gap / distance_needed(entries, chance, best)) ** 2
    numbers = np.arange(1, most + 1)
    enough = np.flatnonzero(
        error_variance(variances, sites, seasons, numbers) <= allowed * (1 + 1e-9)
    )
    return int(numbers[enough[0]]) if len(enough) else None
