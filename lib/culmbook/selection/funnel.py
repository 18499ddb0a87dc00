"""What may a breeding programme gain that narrows many crosses down to a few hybrids in stages?

A programme is played through many times: crosses with true values get trial means as this network's
own variances make them, the best by all the data so far go on, and at the end it is seen what was
kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, special

from culmbook.consistency.model import ESTABLISHED, RESIDUAL
from culmbook.consistency.reliability import error_variance
from culmbook.stats.extremes import finite_intensity, intensity
from culmbook.text.numbers import fmt_interval, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of

# Times the hybrids' variance; the best one of a million leaves more than a hundredth of it.
_WIDEST = 100.0


@dataclass(frozen=True)
class Stage:
    """One stage of a programme.

    Attributes
    ----------
    name : str
    sites, seasons, replicates : int
        Of its trials; seasons are those cut after establishment, the same plots in each. At least
        1.
    kept : int
        Hybrids that leave it, at least 1.
    likeness : float
        Genetic correlation of what is measured here with the yield of full plots, over 0, at most
        1: spaced plants of a nursery do not yield as a stand does.
    residual : float
        Residual variance of a plot here as a multiple of the network's, over 0: small plots vary
        more.
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
                raise ValueError(f"{stage.name}: of {n} hybrids, 1 to {n - 1} can be kept")
            if min(stage.sites, stage.seasons, stage.replicates) < 1:
                raise ValueError(f"{stage.name}: it has at least 1 site, 1 season and 1 replicate")
            if not (0 < stage.likeness <= 1 and stage.residual > 0):
                limits = "likeness lies over 0 and is at most 1, residual is over 0"
                raise ValueError(f"{stage.name}: {limits}")

    @property
    def entering(self) -> list[int]:
        """Hybrids that enter each stage."""
        return [self.entries, *(stage.kept for stage in self.stages[:-1])]

    @property
    def plots(self) -> list[int]:
        """Plots planted in each stage, controls apart."""
        return [n * s.sites * s.replicates for n, s in zip(self.entering, self.stages, strict=True)]


@dataclass(frozen=True)
class FunnelRuns:
    """Programmes played through.

    Attributes
    ----------
    funnel : Funnel
    gains : ndarray, shape (programmes, stages)
        Mean true value of the kept less the mean of all crosses, on the log scale.
    has_best : ndarray of bool, shape (programmes, stages)
        Is the truly best cross among the kept?
    spread : ndarray, shape (programmes, stages)
        Standard deviation of the true values of those that entered the stage.
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
    leads: np.ndarray = field(repr=False)
    sets: np.ndarray = field(repr=False)
    first_spread: float


def run_funnel(funnel: Funnel, variances, *, programmes: int = 2_000, seed: int = 1) -> FunnelRuns:
    """Play a programme through many times.

    Parameters
    ----------
    funnel : Funnel
    variances : mapping or DataFrame
        Variances of log yield by term, as :func:`culmbook.consistency.reliability.estimates` gives
        them, or a row per draw of them (``SeasonDraws.sets``): each is then used for the same
        number of programmes. ``hybrid`` is that of the crosses: that of the network's hybrids,
        which were chosen once already, is rather too small.
    programmes : int
        At least this many.
    seed : int

    Returns
    -------
    FunnelRuns

    Raises
    ------
    Refusal
        No hybrid × site or hybrid × season variance, or hybrids that do not differ.
    ValueError
        A number out of range.

    Notes
    -----
    A stage's mean is ``likeness g + sqrt(1 - likeness^2) u + e``: g the lasting value, u of the
    same spread and independent, e with the variance of
    :func:`culmbook.consistency.reliability.error_variance`. Every stage returns to the sites of the
    one before (a stage with fewer sites to some of them), where what a hybrid does is met again.
    The criterion is the best linear predictor of g from all means so far (a selection index, Hazel
    1943) with the true variances; choosing on earlier means does not bias it (Cochran 1951). Sites,
    seasons and plots are new draws in every programme; blocks and trends of the field are taken as
    removed without loss.

    References
    ----------
    Cochran (1951) Proc. 2nd Berkeley Symp. 449-470; Hazel (1943) Genetics 28:476-490.
    """
    sets = _variance_sets(variances)
    if programmes < 1:
        raise ValueError(f"programmes = {programmes}: at least one is played")
    each, parts = -(-programmes // len(sets)), []
    for k, own in enumerate(sets):
        rngs = np.random.default_rng([seed, k, 0]), np.random.default_rng([seed, k, 1])
        parts.append(_play(funnel, own, each, *rngs))
    joined = [np.concatenate(part) for part in zip(*parts, strict=True)]
    first = float(np.mean([np.sqrt(own["hybrid"]) for own in sets]))
    return FunnelRuns(funnel, *joined, np.repeat(np.arange(len(sets)), each), first)


def _variance_sets(variances):
    """One mapping of variances per set."""
    is_many = isinstance(variances, pd.DataFrame)
    sets = variances.to_dict("records") if is_many else [dict(variances)]
    if not sets:
        raise ValueError("there is no set of variances")
    why = ""
    if not {"hybrid_season", "hybrid_site_season"} & set(sets[0]):
        why = "one season was cut, or the model leaves out what changes from season to season"
    elif "hybrid_site" not in sets[0]:
        why = "one site, or no hybrid at two, says nothing of what hybrids do from site to site"
    elif sum(own.get("hybrid", 0.0) for own in sets) <= 0:
        why = "hybrids do not differ by these variances, so there is nothing to choose"
    if why:
        raise Refusal(f"What a programme may gain is not told: {why}.")
    return sets


def _play(funnel, own, n, value_rng, error_rng):
    """Gain, is the best kept and spread of n programmes, by stage; the value of the best."""
    true = np.sqrt(own["hybrid"]) * value_rng.normal(size=(n, funnel.entries))
    shape = (n, funnel.entries, max(stage.sites for stage in funnel.stages))
    local, best = np.sqrt(own["hybrid_site"]) * error_rng.normal(size=shape), true.max(axis=1)
    seen, results = [], []
    for j, stage in enumerate(funnel.stages):
        error = np.sqrt(_error_of(stage, {**own, "hybrid_site": 0.0}))
        error = error * error_rng.normal(size=true.shape)
        other = np.sqrt(own["hybrid"] * (1 - stage.likeness**2))
        other = other * error_rng.normal(size=true.shape)
        at_sites = local[..., : stage.sites].mean(axis=2)
        seen.append(stage.likeness * true + other + at_sites + error)
        criterion = np.tensordot(index_weights(funnel.stages[: j + 1], own), np.stack(seen), 1)
        spread = true.std(axis=1, ddof=1)
        kept = np.argpartition(-criterion, stage.kept - 1, axis=1)[:, : stage.kept]
        true = np.take_along_axis(true, kept, 1)
        seen = [np.take_along_axis(mean, kept, 1) for mean in seen]
        local = np.take_along_axis(local, kept[..., None], 1)
        results.append((true.mean(axis=1), true.max(axis=1) == best, spread))
    return [*(np.stack(part, axis=1) for part in zip(*results, strict=True)), best]


def _error_of(stage, own):
    """Variance of a stage's mean around what it measures of a hybrid."""
    plots = {**own, RESIDUAL: stage.residual * own.get(RESIDUAL, 0.0)}
    return error_variance(plots, stage.sites, stage.seasons, stage.replicates)


def index_weights(stages, variances: Mapping) -> np.ndarray:
    """Weights of the stages' means in the best linear predictor of a hybrid's lasting value.

    Parameters
    ----------
    stages : sequence of Stage
        Those passed so far.
    variances : mapping
        Variances by term, ``hybrid`` that of the crosses.

    Returns
    -------
    ndarray
        One weight per stage.

    Notes
    -----
    ``P^-1 c``: P the covariance of the means, c their covariance with the lasting value. Stages at
    a and b of the same sites share ``hybrid_site / max(a, b)``.

    Examples
    --------
    >>> one = Stage("plots", 1, 1, 1, 1)
    >>> index_weights([one], {"hybrid": 1.0, "residual": 3.0}).round(2)
    array([0.25])
    """
    own = variances["hybrid"]
    like = np.array([stage.likeness for stage in stages])
    sites = np.array([stage.sites for stage in stages])
    shared = variances.get("hybrid_site", 0.0) / np.maximum.outer(sites, sites)
    covariance = own * np.outer(like, like) + shared
    for j, stage in enumerate(stages):
        covariance[j, j] = own + _error_of(stage, variances)
    return np.linalg.lstsq(covariance, own * like, rcond=None)[0]


def first_stage_gain(funnel: Funnel, variances) -> float:
    """Expected gain of the first stage, by the order statistics of so many crosses.

    Parameters
    ----------
    funnel, variances
        As in :func:`run_funnel`.

    Returns
    -------
    float
        On the log scale, the mean over sets; what :func:`run_funnel` finds, without simulation.

    Notes
    -----
    ``i r s``: finite-population intensity, accuracy and spread.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 11.
    """
    stage, sets = funnel.stages[0], _variance_sets(variances)
    apart = [_accuracy(stage, own["hybrid"], own) * np.sqrt(own["hybrid"]) for own in sets]
    return finite_intensity(stage.kept, funnel.entries) * float(np.mean(apart))


def _accuracy(stage, hybrid, own):
    return stage.likeness * np.sqrt(hybrid / (hybrid + _error_of(stage, own)))


def spread_before(funnel: Funnel, variances: Mapping) -> float:
    """Spread of all crosses that would leave, after the first stage, the spread of this network's
    hybrids.

    Parameters
    ----------
    funnel : Funnel
    variances : mapping
        One set, ``hybrid`` that among hybrids that have passed the first stage.

    Returns
    -------
    float
        Standard deviation of log yield.

    Notes
    -----
    Selection of a share p on a criterion of accuracy r leaves ``1 - r^2 i (i - z)`` of the
    variance, in a population without end; z the threshold, i the intensity.

    References
    ----------
    Cochran (1951) Proc. 2nd Berkeley Symp. 449-470; Bulmer (1971) Am. Nat. 105:201-211.
    """
    (own,) = _variance_sets(variances)
    stage, share = funnel.stages[0], funnel.stages[0].kept / funnel.entries
    lost = intensity(share) * (intensity(share) + special.ndtri(share))

    def excess(hybrid):
        return hybrid * (1 - lost * _accuracy(stage, hybrid, own) ** 2) - own["hybrid"]

    return float(np.sqrt(optimize.brentq(excess, own["hybrid"], _WIDEST * own["hybrid"])))


def funnel_table(runs: FunnelRuns, *, level: float = 0.95) -> pd.DataFrame:
    """What each stage leaves.

    Parameters
    ----------
    runs : FunnelRuns
    level : float
        Of the programmes that lie between ``lower`` and ``upper``, 0 to 1.

    Returns
    -------
    DataFrame
        ``stage, entering, kept, sites, seasons, replicates, plots, years`` (since the first
        planting, two years of establishment in each stage included), ``spread`` (standard deviation
        of the true log yields that enter), ``gain`` (of the kept over the mean of all crosses, a
        share of it), ``lower, upper`` (single programmes), ``p_best`` (probability that the truly
        best cross is still there).
    """
    funnel, gains, tail = runs.funnel, np.expm1(runs.gains), (1 - level) / 2
    low, high = np.quantile(gains, [tail, 1 - tail], axis=0)
    table = pd.DataFrame(funnel.stages).rename(columns={"name": "stage"})
    columns = ["stage", "entering", "kept", "sites", "seasons", "replicates"]
    return table.assign(entering=funnel.entering)[columns].assign(
        plots=funnel.plots,
        years=(table["seasons"] + ESTABLISHED - 1).cumsum(),
        spread=runs.spread.mean(axis=0),
        gain=gains.mean(axis=0),
        lower=low,
        upper=high,
        p_best=runs.has_best.mean(axis=0),
    )


# -- other funnels
# -----------------------------------------------------------------------------------


def compare_funnels(funnels: Mapping[str, Funnel], variances, **options) -> pd.DataFrame:
    """Funnels side by side.

    Parameters
    ----------
    funnels : mapping of str to Funnel
        The first is the one that others are compared with.
    variances, **options
        As in :func:`run_funnel`.

    Returns
    -------
    DataFrame
        ``funnel, plots, gain, p_best, difference, difference_error``: the last stage's gain and
        probability of :func:`funnel_table`; the difference in gain from the first funnel with its
        Monte Carlo standard error (of the means of sets of variances where there are several).
        Where as many crosses enter, they are the same crosses.
    """
    rows, first = [], None
    for name, funnel in funnels.items():
        runs = run_funnel(funnel, variances, **options)
        gains = np.expm1(runs.gains[:, -1])
        first = gains if first is None else first
        apart = pd.Series(gains - first)
        groups = apart.groupby(runs.sets).mean() if runs.sets[-1] > runs.sets[0] else apart
        error = groups.std() / np.sqrt(len(groups))
        best = runs.has_best[:, -1].mean()
        rows.append((name, sum(funnel.plots), gains.mean(), best, apart.mean(), error))
    columns = ["funnel", "plots", "gain", "p_best", "difference", "difference_error"]
    return pd.DataFrame(rows, columns=columns)


# -- in words
# ------------------------------------------------------------------------------------------


def funnel_words(runs: FunnelRuns, *, level: float = 0.95) -> str:
    """Say what the whole funnel may gain and how likely the best cross comes through.

    Parameters
    ----------
    runs : FunnelRuns
    level : float
        As in :func:`culmbook.selection.funnel.funnel_table`.

    Returns
    -------
    str
    """
    table = funnel_table(runs, level=level)
    end, steps = table.iloc[-1], " → ".join(map(str, [runs.funnel.entries, *table["kept"]]))
    left, them = f"the {end['kept']} hybrids left are", "among them"
    if end["kept"] == 1:
        left, them = "the hybrid left is", "the one"
    return (
        f"{steps} hybrids in {end['years']} years and {n_of(table['plots'].sum(), 'plot')}: {left} expected "
        f"to yield {fmt_share(end['gain'])} more than the mean of all crosses "
        f"({fmt_interval(end['lower'], end['upper'])} in {fmt_share(level)} of programmes), and the truly "
        f"best cross is {them} with a probability of {fmt_share(end['p_best'])}. That cross is expected to "
        f"lie {fmt_share(np.expm1(runs.leads).mean())} above the mean."
    )


def comparison_words(compared: pd.DataFrame) -> str:
    """Say whether another layout of as many plots gains more.

    Parameters
    ----------
    compared : DataFrame
        From :func:`compare_funnels`; the first row is what is planned. A
        difference within two Monte Carlo errors does not count.

    Returns
    -------
    str
    """
    planned, others = compared.iloc[0], compared.iloc[1:]
    if others.empty:
        return "There is no other layout with as many plots to compare with."
    better = others[others["difference"] > 2 * others["difference_error"]]
    if better.empty:
        tried = "The other layout" if len(others) == 1 else f"None of {len(others)} other layouts"
        gains = "does not gain" if len(others) == 1 else "gains"
        return f"{tried} with as many plots {gains} more than the planned one."
    best = better.sort_values("difference").iloc[-1]
    return (
        f"With as many plots, another layout ({best['funnel']}) would gain {fmt_share(best['gain'])} instead "
        f"of {fmt_share(planned['gain'])}, and keep the best cross with a probability of "
        f"{fmt_share(best['p_best'])} instead of {fmt_share(planned['p_best'])}."
    )
