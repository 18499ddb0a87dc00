"""What may a breeding programme gain that narrows many crosses down to a few hybrids in stages?

A programme is played through many times: crosses with true values get trial means as this network's own
variances make them, the best by all the data so far go on, and at the end it is seen what was kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, special

from culmbook.consistency.model import ESTABLISHED, RESIDUAL
from culmbook.consistency.reliability import error_variance
from culmbook.stats.order import finite_intensity, intensity

SEASONAL = ("hybrid_season", "hybrid_site_season")
_AT_ONCE = 2_000_000
_WIDEST = 100.0
"""Times the hybrids' variance; the best one of a million leaves more than a hundredth of it."""


@dataclass(frozen=True)
class Stage:
    """One stage of a programme.

    Attributes
    ----------
    name : str
    sites, seasons, replicates : int
        Of its trials; seasons are those cut after establishment, the same plots in each. At least 1.
    kept : int
        Hybrids that leave it, at least 1.
    likeness : float
        Genetic correlation of what is measured here with the yield of full plots, over 0, at most 1: spaced
        plants of a nursery do not yield as a stand does.
    residual : float
        Residual variance of a plot here as a multiple of the network's, over 0: small plots vary more.
    """

    name: str
    sites: int
    seasons: int
    replicates: int
    kept: int
    likeness: float = 1.0
    residual: float = 1.0


@dataclass(frozen=True)
class Funnel:
    """Crosses that enter, and the stages they go through.

    Raises
    ------
    ValueError
        A stage that keeps all or more than enter it, or a number out of range.
    """

    entries: int
    stages: tuple

    def __post_init__(self):
        if not self.stages:
            raise ValueError("a funnel has at least one stage")
        for stage, n in zip(self.stages, self.entering, strict=True):
            if not 1 <= stage.kept < n:
                raise ValueError(
                    f"{stage.name}: of {n} hybrids, 1 to {n - 1} can be kept, not {stage.kept}"
                )
            if min(stage.sites, stage.seasons, stage.replicates) < 1:
                raise ValueError(f"{stage.name}: it has at least 1 site, 1 season and 1 replicate")
            if not (0 < stage.likeness <= 1 and stage.residual > 0):
                raise ValueError(
                    f"{stage.name}: likeness lies over 0 and is at most 1, residual is over 0"
                )

    @property
    def entering(self) -> list[int]:
        """Hybrids that enter each stage."""
        return [self.entries, *(stage.kept for stage in self.stages[:-1])]

    @property
    def plots(self) -> list[int]:
        """Plots planted in each stage, controls apart."""
        return [n * s.sites * s.replicates for n, s in zip(self.entering, self.stages, strict=True)]


COMMON = Funnel(
    200,
    (
        Stage("nursery", sites=1, seasons=1, replicates=1, kept=50, likeness=0.7, residual=2.0),
        Stage("replicated", sites=4, seasons=3, replicates=3, kept=8),
        Stage("commercial", sites=5, seasons=3, replicates=3, kept=2),
    ),
)
"""A usual programme (common practice, no source), with assumed likeness and residual of the nursery."""


@dataclass(frozen=True)
class FunnelRuns:
    """Programmes played through.

    Attributes
    ----------
    funnel : Funnel
    gains : ndarray, shape (programmes, stages)
        Mean true value of the kept less the mean of all crosses, on the variances' scale.
    has_best : ndarray of bool, shape (programmes, stages)
        Is the truly best cross among the kept?
    spread : ndarray, shape (programmes, stages)
        Standard deviation of the true values of those that entered the stage.
    accuracy : ndarray, shape (programmes, stages)
        Correlation of criterion and true value among those that entered.
    leads : ndarray, shape (programmes,)
        True value of the best cross less the mean of all crosses to be expected.
    sets : ndarray of int, shape (programmes,)
        Which set of variances was used.
    first_spread : float
        Standard deviation of the true values of all crosses, the mean over sets.
    """

    funnel: Funnel
    gains: np.ndarray = field(repr=False)
    has_best: np.ndarray = field(repr=False)
    spread: np.ndarray = field(repr=False)
    accuracy: np.ndarray = field(repr=False)
    leads: np.ndarray = field(repr=False)
    sets: np.ndarray = field(repr=False)
    first_spread: float


def run_funnel(
    funnel: Funnel,
    variances,
    *,
    spread: float | None = None,
    programmes: int = 2_000,
    same_sites: bool = True,
    seed: int = 1,
) -> FunnelRuns:
    """Play a programme through many times.

    Parameters
    ----------
    funnel : Funnel
    variances : mapping or DataFrame
        Variances by term, as :func:`culmbook.consistency.reliability.estimates` gives them, or a row per draw of them
        (``SeasonDraws.sets``): each is then used for the same number of programmes.
    spread : float, optional
        Standard deviation of the crosses' lasting values, on the variances' scale; by default that of the
        network's hybrids, which were chosen once already, so crosses will rather vary more.
    programmes : int
        At least this many.
    same_sites : bool
        Whether every stage returns to the sites of the one before (a stage with fewer sites to some of them):
        what a hybrid does at a site is then met again.
    seed : int

    Returns
    -------
    FunnelRuns

    Raises
    ------
    ValueError
        No hybrid × site or hybrid × season variance, no spread, or a number out of range.

    Notes
    -----
    A stage's mean is ``likeness g + sqrt(1 - likeness^2) u + e``: g the lasting value, u of the same spread
    and independent, e with the variance of :func:`culmbook.consistency.reliability.error_variance`. The criterion is the
    best linear predictor of g from all means so far (a selection index, Hazel 1943) with the true variances;
    choosing on earlier means does not bias it (Cochran 1951). Sites, seasons and plots are new draws in
    every programme; blocks and trends of the field are taken as removed without loss.

    References
    ----------
    Cochran (1951) Proc. 2nd Berkeley Symp. 449-470; Hazel (1943) Genetics 28:476-490.
    """
    sets = _variance_sets(variances, spread)
    if programmes < 1:
        raise ValueError(f"programmes = {programmes}: at least one is played")
    each = -(-programmes // len(sets))
    most_sites = max(stage.sites for stage in funnel.stages)
    at_once = max(1, _AT_ONCE // (funnel.entries * most_sites))
    parts, numbers = [], []
    for k, own in enumerate(sets):
        rngs = np.random.default_rng([seed, k, 0]), np.random.default_rng([seed, k, 1])
        for start in range(0, each, at_once):
            n = min(at_once, each - start)
            parts.append(_play(funnel, own, n, same_sites, *rngs))
            numbers.append(np.full(n, k))
    joined = [np.concatenate(part) for part in zip(*parts, strict=True)]
    first = float(np.mean([np.sqrt(own["hybrid"]) for own in sets]))
    return FunnelRuns(funnel, *joined, np.concatenate(numbers), first)


def _variance_sets(variances, spread):
    """One mapping of variances per set, the spread of the crosses in place of that of the hybrids."""
    is_many = isinstance(variances, pd.DataFrame)
    sets = variances.to_dict("records") if is_many else [dict(variances)]
    if not sets:
        raise ValueError("there is no set of variances")
    if not any(term in sets[0] for term in SEASONAL):
        raise ValueError(
            "one season was cut after establishment: it does not tell what hybrids do from season to season"
        )
    if "hybrid_site" not in sets[0]:
        raise ValueError(
            "the yields do not tell what hybrids do from site to site: one site, or no hybrid at two"
        )
    if spread is not None:
        if not spread > 0:
            raise ValueError(f"spread = {spread}: it must be over 0")
        sets = [{**own, "hybrid": spread**2} for own in sets]
    if sum(own.get("hybrid", 0.0) for own in sets) <= 0:
        raise ValueError("hybrids do not differ by these variances: there is nothing to choose")
    return sets


def _play(funnel, own, n, same_sites, value_rng, error_rng):
    """Gain, is the best kept, spread and accuracy of n programmes, by stage; the value of the best."""
    true = np.sqrt(own["hybrid"]) * value_rng.normal(size=(n, funnel.entries))
    best, most_sites = true.max(axis=1), max(stage.sites for stage in funnel.stages)
    local = _site_effects(own, (n, funnel.entries, most_sites), error_rng) if same_sites else None
    seen, results = [], []
    for j, stage in enumerate(funnel.stages):
        seen.append(_stage_means(stage, own, true, local, error_rng))
        weights = index_weights(funnel.stages[: j + 1], own, same_sites=same_sites)
        criterion = np.tensordot(weights, np.stack(seen), 1)
        spread, accuracy = true.std(axis=1, ddof=1), _correlation(criterion, true)
        kept = np.argpartition(-criterion, stage.kept - 1, axis=1)[:, : stage.kept]
        true = np.take_along_axis(true, kept, 1)
        seen = [np.take_along_axis(mean, kept, 1) for mean in seen]
        local = np.take_along_axis(local, kept[..., None], 1) if same_sites else None
        results.append((true.mean(axis=1), true.max(axis=1) == best, spread, accuracy))
    return [*(np.stack(part, axis=1) for part in zip(*results, strict=True)), best]


def _site_effects(own, shape, rng):
    return np.sqrt(own["hybrid_site"]) * rng.normal(size=shape)


def _stage_means(stage, own, true, local, rng):
    if local is None:
        local = _site_effects(own, (*true.shape, stage.sites), rng)
    error = np.sqrt(_error_of(stage, own, with_sites=False)) * rng.normal(size=true.shape)
    other = np.sqrt(own["hybrid"] * (1 - stage.likeness**2)) * rng.normal(size=true.shape)
    return stage.likeness * true + other + local[..., : stage.sites].mean(axis=2) + error


def _error_of(stage, own, *, with_sites=True):
    """Variance of a stage's mean around what it measures of a hybrid."""
    plots = {**own, RESIDUAL: stage.residual * own.get(RESIDUAL, 0.0)}
    if not with_sites:
        plots["hybrid_site"] = 0.0
    return error_variance(plots, stage.sites, stage.seasons, stage.replicates)


def _correlation(one, other):
    one, other = (v - v.mean(axis=1, keepdims=True) for v in (one, other))
    size = np.sqrt((one**2).sum(axis=1) * (other**2).sum(axis=1))
    with np.errstate(invalid="ignore"):
        return (one * other).sum(axis=1) / size


def index_weights(stages, variances: Mapping, *, same_sites: bool = True) -> np.ndarray:
    """Weights of the stages' means in the best linear predictor of a hybrid's lasting value.

    Parameters
    ----------
    stages : sequence of Stage
        Those passed so far.
    variances : mapping
        Variances by term, ``hybrid`` that of the crosses.
    same_sites : bool
        As in :func:`run_funnel`.

    Returns
    -------
    ndarray
        One weight per stage.

    Notes
    -----
    ``P^-1 c``: P the covariance of the means, c their covariance with the lasting value. Stages at a and b of
    the same sites share ``hybrid_site / max(a, b)``.

    Examples
    --------
    >>> one = Stage("plots", 1, 1, 1, 1)
    >>> index_weights([one], {"hybrid": 1.0, "residual": 3.0}).round(2)
    array([0.25])
    """
    own = variances["hybrid"]
    like = np.array([stage.likeness for stage in stages])
    sites = np.array([stage.sites for stage in stages])
    shared = (
        variances.get("hybrid_site", 0.0) / np.maximum.outer(sites, sites) if same_sites else 0.0
    )
    covariance = own * np.outer(like, like) + shared
    for j, stage in enumerate(stages):
        covariance[j, j] = own + _error_of(stage, variances)
    return np.linalg.lstsq(covariance, own * like, rcond=None)[0]


def first_stage_gain(funnel: Funnel, variances, *, spread: float | None = None) -> float:
    """Expected gain of the first stage, by the order statistics of so many crosses.

    Parameters
    ----------
    funnel, variances, spread
        As in :func:`run_funnel`.

    Returns
    -------
    float
        On the variances' scale, the mean over sets; what :func:`run_funnel` finds, without simulation.

    Notes
    -----
    ``i r s``: finite-population intensity, accuracy and spread.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 11.
    """
    stage, sets = funnel.stages[0], _variance_sets(variances, spread)
    apart = [_accuracy(stage, own["hybrid"], own) * np.sqrt(own["hybrid"]) for own in sets]
    return finite_intensity(stage.kept, funnel.entries) * float(np.mean(apart))


def _accuracy(stage, hybrid, own):
    return stage.likeness * np.sqrt(hybrid / (hybrid + _error_of(stage, own)))


def spread_before(funnel: Funnel, variances: Mapping) -> float:
    """Spread of all crosses that would leave, after the first stage, the spread of this network's hybrids.

    Parameters
    ----------
    funnel : Funnel
    variances : mapping
        One set, ``hybrid`` that among hybrids that have passed the first stage.

    Returns
    -------
    float
        Standard deviation, on the variances' scale.

    Notes
    -----
    Selection of a share p on a criterion of accuracy r leaves ``1 - r^2 i (i - z)`` of the variance, in a
    population without end; z the threshold, i the intensity.

    References
    ----------
    Cochran (1951) Proc. 2nd Berkeley Symp. 449-470; Bulmer (1971) Am. Nat. 105:201-211.
    """
    (own,) = _variance_sets(variances, None)
    stage, share = funnel.stages[0], funnel.stages[0].kept / funnel.entries
    lost = intensity(share) * (intensity(share) + special.ndtri(share))

    def excess(hybrid):
        return hybrid * (1 - lost * _accuracy(stage, hybrid, own) ** 2) - own["hybrid"]

    return float(np.sqrt(optimize.brentq(excess, own["hybrid"], _WIDEST * own["hybrid"])))


def funnel_table(runs: FunnelRuns, *, scale: str = "log", level: float = 0.95) -> pd.DataFrame:
    """What each stage leaves.

    Parameters
    ----------
    runs : FunnelRuns
    scale : {'log', 'raw'}
        Scale of the variances.
    level : float
        Of the programmes that lie between ``lower`` and ``upper``, 0 to 1.

    Returns
    -------
    DataFrame
        ``stage, entering, kept, sites, seasons, replicates, plots, years`` (since the first planting, two
        years of establishment in each stage included), ``spread`` (standard deviation of the true values that
        enter, on the variances' scale), ``accuracy``, ``gain`` (of the kept over the mean of all crosses:
        share of it on the log scale, else t/ha), ``gain_error`` (Monte Carlo standard error), ``lower,
        upper`` (single programmes), ``p_best`` (probability that the truly best cross is still there),
        ``p_best_error``.

    Notes
    -----
    Errors are those of the means of sets of variances where there are several.
    """
    funnel, stages = runs.funnel, runs.funnel.stages
    gains, tail = as_gain(runs.gains, scale), (1 - level) / 2
    low, high = np.quantile(gains, [tail, 1 - tail], axis=0)
    gain, gain_error = mean_and_error(gains, runs.sets)
    chance, chance_error = mean_and_error(runs.has_best.astype(float), runs.sets)
    table = pd.DataFrame(
        [
            (s.name, n, s.kept, s.sites, s.seasons, s.replicates)
            for s, n in zip(stages, funnel.entering)
        ],
        columns=["stage", "entering", "kept", "sites", "seasons", "replicates"],
    )
    return table.assign(
        plots=funnel.plots,
        years=(table["seasons"] + ESTABLISHED - 1).cumsum(),
        spread=runs.spread.mean(axis=0),
        accuracy=np.nanmean(runs.accuracy, axis=0),
        gain=gain,
        gain_error=gain_error,
        lower=low,
        upper=high,
        p_best=chance,
        p_best_error=chance_error,
    )


def mean_and_error(values: np.ndarray, sets: np.ndarray) -> tuple:
    """Mean over programmes and its Monte Carlo standard error, by column; of sets where there are several."""
    groups = (
        pd.DataFrame(values).groupby(sets).mean() if sets[-1] > sets[0] else pd.DataFrame(values)
    )
    return values.mean(axis=0), groups.std(ddof=1).to_numpy() / np.sqrt(len(groups))


def as_gain(value, scale: str):
    """Give a difference on the variances' scale as a share where that is the log scale."""
    return np.expm1(value) if scale == "log" else value


def best_possible(runs: FunnelRuns, *, scale: str = "log") -> float:
    """Expected lead of the truly best cross over the mean of all, as ``gain`` in :func:`funnel_table`."""
    return float(as_gain(runs.leads, scale).mean())
