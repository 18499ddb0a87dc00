"""How cold kills a tenth, half and nine tenths of each hybrid, and is that colder than it kills
the control?

All hybrids of one protocol and tissue are fitted together. Every load (a run at a temperature) and
every hybrid in a load deviates at random; the runs' own shifts are estimated one by one. A run that
froze harder than its thermometer said shifts all hybrids in it alike, so it drops out of
differences, which come first. A single LT50 carries the runs' scatter, of which few runs know
little.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from culmbook.frost.freeze_tests import (
    bracketing,
    cautions,
    degrees,
    named_sets,
    observed_survival,
    survival_sets,
    why_no_curve,
)
from culmbook.mixed import CONVERGED, Laplace, Structure, make_terms, simultaneous_draws
from culmbook.stats.curves import crossing, fieller_limits
from culmbook.stats.shares import combine_limits
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import refuse_control

KILLED = (0.1, 0.5, 0.9)
FLAT = "survival does not fall clearly with the cold: no LT50"
KEY = ["protocol", "tissue", "part"]
SLOPES = ("tested", "common", "own")
# Own slopes are used below it; the test finds 1 in 40 sets of 20 hybrids to differ that do not.
SLOPES_DIFFER_P = 0.01
_LEAST_WEIGHT = 1e-10
_STEEPEST = 20.0  # logits per step of the penalised fit: no curve needs more
_PENALTY_STEPS = 100
_FIRST_VARIANCE = 0.2
_LOGIT_RANGE = (-10.0, 2.0)  # of natural death
_SEARCHES = 3  # a search that stumbles goes on from where it fell
_FLAT = 0.1  # slope of the criterion that counts as none
_DIFFERENCE = 1e-5  # for the search's derivatives: well above the error of a mode
_PRIOR_SCATTER = 0.3
_SCATTERS = np.linspace(0, 1, 101)  # sd of log slopes tried
_STEP = 0.15  # in the logit of natural death, for numerical derivatives


class Survival:
    """Counts ``alive`` of ``tested`` with P(alive) = (1 - c)/(1 + exp(-eta)), c the natural death.

    The weight is the expected information, which is above 0 everywhere; the curvature itself is
    not, since a dead unit at a mild temperature speaks for natural death. ``leverage`` is the
    strength of the penalty: by cell, half of it counts as units that frost spared and half as units
    that frost killed, none of them dead of another cause.
    """

    shape = np.empty(0)

    def __init__(self, alive, tested, natural_death=0.0, leverage=0.0):
        self.y, self.n, self.natural_death, self.leverage = alive, tested, natural_death, leverage
        self.start = np.log((alive + 0.5) / (tested - alive + 0.5))

    def _shares(self, eta):
        """Survival of frost, death by frost, and death by either."""
        survival, killed = special.expit(eta), special.expit(-eta)
        return survival, killed, killed + self.natural_death * survival

    def log_likelihood(self, eta):
        survival, _, dead = self._shares(eta)
        alive = (1 - self.natural_death) * survival
        penalty = self.leverage / 2 * (special.log_expit(eta) + special.log_expit(-eta))
        return (special.xlogy(self.y, alive) + special.xlogy(self.n - self.y, dead) + penalty).sum()

    def derivatives(self, eta):
        """By cell: slope of the log likelihood, expected information, and the information's
        derivative.
        """
        survival, killed, dead = self._shares(eta)
        odds = (1 - self.natural_death) * survival * killed / dead
        of_counts, of_penalty = self.n * odds * killed, self.leverage * survival * killed
        slope = self.y * killed - (self.n - self.y) * odds + self.leverage / 2 * (killed - survival)
        turn = of_counts * (killed - 2 * survival + odds) + of_penalty * (killed - survival)
        return slope, np.maximum(of_counts + of_penalty, _LEAST_WEIGHT), turn


@dataclass(frozen=True)
class FreezeFit:
    """Curves fitted to one set of freeze tests.

    Attributes
    ----------
    cells : DataFrame
        The set, unfrozen control included.
    hybrids : list of str
    estimates : ndarray
        Intercepts by hybrid at ``centre_c``, then the slope (one, or one per hybrid), then the
        runs' shifts but the last; logit scale, temperatures in °C.
    covariance : ndarray
        Of the estimates for these runs, with the uncertainty of the natural death.
    centre_c : float
        Temperature from which intercepts count [°C].
    natural_death, natural_death_lower, natural_death_upper : float
        Share of unfrozen units that die, 0-1, with its 95 % interval; 0 and no interval without a
        control.
    variances : Series
        Of loads and of cells, logit scale.
    runs : list of str
    run_scatter : float
        Variance of the runs' estimated shifts, logit scale, not bounded by what sampling explains;
        missing with one run, and where runs cannot be told from temperatures and are random.
    run_sampling : float
        Part of ``run_scatter`` that is expected from units, cells and loads alone.
    slopes : {'common', 'own'}
    slopes_test : dict
        ``chi2, df, p_value`` of own slopes against a common one, of the bracketed hybrids; empty
        with fewer than two of them.
    df : int
        Frozen cells less estimates.
    verdict : str
        ``'converged'``, or what went wrong.
    slope_scatter : float
        Variance of hybrids' log slopes around the common one; 0 with own slopes, and where slopes
        were not tested.
    """

    cells: pd.DataFrame = field(repr=False)
    hybrids: list
    estimates: np.ndarray
    covariance: np.ndarray = field(repr=False)
    centre_c: float
    natural_death: float
    natural_death_lower: float
    natural_death_upper: float
    variances: pd.Series
    runs: list
    run_scatter: float
    run_sampling: float
    slopes: str
    slopes_test: dict
    df: int
    verdict: str
    slope_scatter: float = 0.0

    def positions(self, hybrid: str) -> list[int]:
        """Places of a hybrid's intercept and slope among the estimates."""
        h, n = self.hybrids.index(hybrid), len(self.hybrids)
        return [h, n + (h if self.slopes == "own" else 0)]

    @property
    def has_run_shifts(self) -> bool:
        """Whether the runs' shifts were estimated one by one."""
        return bool(np.isfinite(self.run_scatter))


def fit_freeze(cells: pd.DataFrame, *, slopes: str = "tested", penalised: bool = True) -> FreezeFit:
    """Fit the freeze curves of one set of tests.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`culmbook.frost.freeze_tests.survival_sets`.
    slopes : {'tested', 'common', 'own'}
        ``'tested'`` gives every hybrid its own slope only where the slopes differ clearly (p <
        0.01).
    penalised : bool
        Firth's penalty, which keeps every estimate finite; False for plain maximum likelihood.

    Returns
    -------
    FreezeFit

    Raises
    ------
    Refusal
        With the sentence of :func:`culmbook.frost.freeze_tests.why_no_curve`.
    ValueError
        An unknown choice.

    Notes
    -----
    P(alive) = (1 - c)/(1 + exp(-(a_h + b_h (T - T0) + r + l + e))): r shift of the run, l ~ N(0,
    s_l) of the load, e ~ N(0, s_e) of the hybrid in the load. Variances and c are those of the
    least criterion by Laplace's approximation, the curves integrated out with Jeffreys' prior,
    expected information in place of the observed; unfrozen units have P = 1 - c. Runs are estimated
    one by one, summing to zero, or are random where they cannot be told from temperatures (one
    temperature to a run). Firth's penalty enters as half a cell's leverage spared by frost and half
    killed; c gets half a unit dead and alive.

    References
    ----------
    Abbott (1925) J. Econ. Entomol. 18:265-267, for natural death; Breslow & Clayton (1993) J. Am.
    Stat. Assoc. 88:9-25; Firth (1993) Biometrika 80:27-38; Heinze & Schemper (2002) Stat. Med.
    21:2409-2419.
    """
    if slopes not in SLOPES:
        raise ValueError(f"slopes is {slopes!r}; it must be one of {', '.join(SLOPES)}")
    if reason := why_no_curve(cells):
        raise Refusal(reason)
    frozen = cells.dropna(subset="temperature_c")
    temperatures = frozen.groupby("hybrid")["temperature_c"].nunique()
    few = list(temperatures.index[temperatures.eq(1)])
    if slopes == "own" and few:
        raise Refusal(f"{', '.join(few)} was frozen at one temperature only: it has no slope.")
    judged = bracketing(observed_survival(cells))  # outside the tested range a slope is a guess
    known = judged.loc[judged["is_bracketed"], "hybrid"]
    test, scatter = {}, 0.0
    if slopes != "common" and len(known) > 1 and not few:
        kept = cells["hybrid"].isin(known) | cells["temperature_c"].isna()
        apart = _Problem(cells[kept].reset_index(drop=True), True, penalised)
        test, scatter = apart.test_slopes(), apart.slope_scatter()
    own = slopes == "own" or test.get("p_value", 1.0) < SLOPES_DIFFER_P
    fit = _Problem(cells, own, penalised).result(test)
    return replace(fit, slope_scatter=0.0 if own else scatter)


class _Problem:
    """Counts and designs of one fit, and its least criterion."""

    def __init__(self, cells, own, penalised):
        self.cells, self.own = cells, own
        unfrozen = cells["temperature_c"].isna()
        self.frozen = cells[~unfrozen].reset_index(drop=True)
        self.hybrids = sorted(self.frozen["hybrid"].unique())
        self.runs = sorted(self.frozen["run"].unique())
        self.centre = float(self.frozen["temperature_c"].mean())
        self.x, self.has_shifts = self._design()
        control = cells.loc[unfrozen, ["alive", "tested"]].sum()
        self.has_control = control["tested"] > 0
        half = 0.5 if penalised else 0.0
        self.dead, self.alive = control["tested"] - control["alive"] + half, control["alive"] + half
        first = self.dead / (self.dead + self.alive) if self.has_control else 0.0
        y, n = (self.frozen[c].to_numpy(float) for c in ("alive", "tested"))
        leverage = firth_leverage(self.x, y, n, first) if penalised else np.zeros(len(y))
        self.counts = {"alive": y, "tested": n, "leverage": leverage}
        self.terms = self._terms()
        frame = self.frozen.assign(cell=self.frozen.index.astype(str))
        self.laplace = Laplace(None, Structure(self.x, make_terms(frame, self.terms)))
        self._search(np.clip(special.logit(max(first, 1e-12)), *_LOGIT_RANGE))

    def _design(self):
        hybrid = _dummies(self.frozen["hybrid"], self.hybrids)
        beyond = (self.frozen["temperature_c"] - self.centre).to_numpy()[:, None]
        runs = _dummies(self.frozen["run"], self.runs)
        curve = np.hstack([hybrid, hybrid * beyond if self.own else beyond])
        both = np.hstack([curve, runs[:, :-1] - runs[:, -1:]])
        apart = len(self.runs) > 1 and np.linalg.matrix_rank(both) == both.shape[1]
        return (both, True) if apart else (curve, False)

    def _terms(self):
        """Random terms that these cells can tell apart."""
        loads = self.frozen["load"].nunique()
        both = np.hstack([self.x, _dummies(self.frozen["load"], self.frozen["load"].unique())])
        spare = np.linalg.matrix_rank(both) - np.linalg.matrix_rank(self.x)
        load = ["load"] if loads < len(self.frozen) and spare > 1 else []
        run = ["run"] if not self.has_shifts and 1 < len(self.runs) < loads else []
        return [*run, *load, "cell"]

    def _criterion(self, point):
        """Criterion at the terms' variances and, last, the logit of natural death.

        The curve's information depends on natural death. Integrating the curve out with a flat
        prior would favour the natural death that leaves the counts least informative; Jeffreys'
        prior takes that out.
        """
        death = special.expit(point[-1]) if self.has_control else 0.0
        self.laplace.family = Survival(natural_death=death, **self.counts)
        mode = self.laplace.at(point[:-1])
        information = np.linalg.slogdet((self.x * mode.weight[:, None]).T @ self.x)[1]
        return mode.criterion - information + self._of_control(point[-1])

    def _of_control(self, logit_death):
        if not self.has_control:
            return 0.0
        dead, alive = special.log_expit(logit_death), special.log_expit(-logit_death)
        return -2 * (self.dead * dead + self.alive * alive)

    def _search(self, logit_death):
        start = np.append(np.full(len(self.terms), _FIRST_VARIANCE), logit_death)
        fixed = (logit_death, logit_death)
        bounds = [(0.0, None)] * len(self.terms) + [_LOGIT_RANGE if self.has_control else fixed]
        given = {"method": "L-BFGS-B", "bounds": bounds, "options": {"eps": _DIFFERENCE}}
        for _ in range(_SEARCHES):
            found = optimize.minimize(self._criterion, start, **given)
            rough = not found.success and np.max(np.abs(found.jac)) > _FLAT
            start = found.x
            if not rough:
                break
        self.point, self.height = found.x, self._criterion(found.x)
        self.mode = self.laplace.at(self.point[:-1])
        self.verdict = f"not converged: {found.message}" if rough else CONVERGED

    def _natural_death(self):
        """Variance of the logit of natural death, and the estimates' derivative by it."""
        if not self.has_control:
            return 0.0, np.zeros(self.x.shape[1])
        step = _STEP * (np.arange(len(self.point)) == len(self.point) - 1)
        heights, estimates = [], []
        for end in (self.point - step, self.point + step):
            heights.append(self._criterion(end))
            estimates.append(self.laplace.at(end[:-1]).fixed)
        self._criterion(self.point)
        curvature = max((sum(heights) - 2 * self.height) / _STEP**2, 1e-6)
        return 2 / curvature, (estimates[1] - estimates[0]) / (2 * _STEP)

    def result(self, test):
        variance, direction = self._natural_death()
        covariance = self.mode.factor.h[self.laplace.structure.q :, self.laplace.structure.q :]
        covariance = covariance + variance * np.outer(direction, direction)
        scatter, sampling = self._runs_apart(covariance)
        z = stats.norm.ppf([0.5, 0.025, 0.975])
        deaths = special.expit(self.point[-1] + np.sqrt(variance) * z)
        return FreezeFit(
            self.cells,
            self.hybrids,
            self.mode.fixed,
            covariance,
            self.centre,
            *map(float, deaths if self.has_control else (0.0, np.nan, np.nan)),
            pd.Series(self.point[:-1], index=self.terms),
            self.runs,
            scatter,
            sampling,
            "own" if self.own else "common",
            test,
            len(self.frozen) - self.x.shape[1],
            self.verdict,
        )

    def _runs_apart(self, covariance):
        """Variance of the runs' shifts, and what of it sampling explains."""
        n = len(self.runs) - 1
        if not self.has_shifts:
            return np.nan, np.nan
        turn = np.vstack([np.eye(n), -np.ones(n)])  # the last run is minus the sum of the others
        shifts = turn @ self.mode.fixed[-n:]
        return float(shifts @ shifts / n), float(np.trace(turn @ covariance[-n:, -n:] @ turn.T) / n)

    def test_slopes(self):
        """Likelihood ratio of own slopes against a common one, at the own slopes' variances."""
        h, theta = len(self.hybrids), self.point[:-1]
        slope = self.x[:, h : 2 * h].sum(axis=1, keepdims=True)
        common = np.hstack([self.x[:, :h], slope, self.x[:, 2 * h :]])
        alike = Laplace(self.laplace.family, Structure(common, self.laplace.structure.terms))
        fits = [(alike, alike.at(theta)), (self.laplace, self.mode)]
        chi2 = np.subtract(*(model.at(theta, None, mode.fixed).criterion for model, mode in fits))
        p_value = float(stats.chi2.sf(chi2, h - 1))
        return {"chi2": float(max(chi2, 0.0)), "df": h - 1, "p_value": p_value}

    def slope_scatter(self):
        """Variance of the hybrids' log slopes: mean of its posterior, with a half-normal prior.

        Not a maximum, which is zero half of the time where slopes differ little, and would make the
        intervals of LT10 and LT90 too narrow then. The prior's sd of 0.3 (hybrids' slopes within
        twofold of each other, common practice, no source) matters with few hybrids only.
        """
        h, q = len(self.hybrids), self.laplace.structure.q
        slope, variance = self.mode.fixed[h : 2 * h], np.diag(self.mode.factor.h)[q + h : q + 2 * h]
        rises = slope > 0
        if rises.sum() < 2:
            return 0.0
        at, sd = np.log(slope[rises]), _SCATTERS[:, None]
        weight = 1 / (variance[rises] / slope[rises] ** 2 + sd**2)
        mean = (weight * at).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
        height = np.log(weight).sum(axis=1) - np.log(weight.sum(axis=1))
        height -= (weight * (at - mean) ** 2).sum(axis=1) + (_SCATTERS / _PRIOR_SCATTER) ** 2
        likely = np.exp((height - height.max()) / 2)
        return float(likely @ _SCATTERS**2 / likely.sum())


def _dummies(column, levels):
    return (column.to_numpy()[:, None] == np.asarray(levels)).astype(float)


def firth_leverage(
    design: np.ndarray, alive: np.ndarray, tested: np.ndarray, natural_death: float
) -> np.ndarray:
    """Leverages by which a penalty keeps the estimates finite.

    Parameters
    ----------
    design : ndarray, shape (cells, columns)
        Fixed effects, full rank.
    alive, tested : ndarray
    natural_death : float
        Share 0-1.

    Returns
    -------
    ndarray
        By cell, as for :class:`Survival`. They sum to the number of columns.

    References
    ----------
    Firth (1993) Biometrika 80:27-38, section 3.3; Kosmidis & Firth (2009) Biometrika 96:793-804.

    Examples
    --------
    >>> firth_leverage(np.ones((2, 1)), np.array([5.0, 5.0]), np.array([5.0, 5.0]), 0.0).round(6)
    array([0.5, 0.5])
    """
    leverage = np.full(len(alive), design.shape[1] / len(alive))
    logit = np.log((alive + 0.5) / (tested - alive + 0.5))
    estimate = np.linalg.lstsq(design, logit, rcond=None)[0]
    for _ in range(_PENALTY_STEPS):
        eta = np.clip(design @ estimate, -_STEEPEST, _STEEPEST)
        slope, weight, _ = Survival(alive, tested, natural_death, leverage).derivatives(eta)
        step = np.linalg.solve((design * weight[:, None]).T @ design, design.T @ slope)
        estimate = estimate + step * min(1.0, 5 / max(np.max(np.abs(design @ step)), 5))
        weight = Survival(alive, tested, natural_death).derivatives(eta)[1]
        information = np.linalg.inv((design * weight[:, None]).T @ design)
        new = weight * np.einsum("ij,jk,ik->i", design, information, design)
        moved = np.max(np.abs(new - leverage))
        leverage = (leverage + new) / 2
        if moved < 1e-6:
            break
    return leverage


def lethal_temperatures(
    fit: FreezeFit, control: str = "", *, killed: tuple = KILLED, level: float = 0.95
) -> pd.DataFrame:
    """Temperatures that kill given shares of each hybrid, with intervals that hold for other runs.

    Parameters
    ----------
    fit : FreezeFit
    control : str
        Hybrid to compare with; blank for none.
    killed : tuple of float
        Shares killed by frost, 0-1, natural death apart.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        Hardiest first, hybrids known only to lie beyond the coldest test before those: ``hybrid,
        runs, temperatures, tested`` (frozen units), for every share ``lt50_c, lt50_lower_c,
        lt50_upper_c`` [°C] and so on, ``slope`` [1/°C], ``df``, ``answer`` (blank, or what can be
        said in place of a number), ``difference_c, lower_c, upper_c`` of :func:`against_control`.
        Limits are missing with one run, and infinite where the data bound them on one side or none.

    Notes
    -----
    LT_q = LT50 + logit(1 - q)/slope. Limits are Fieller's with a t quantile; under a common slope
    they are widened, at LT10 and LT90, by how much hybrids' slopes scatter around it (Zou & Donner
    2008). The variance of a
    hybrid's height is the runs' mean square over their number (runs - 1 degrees of freedom) plus
    what is the hybrid's own; the degrees of freedom of the sum are Satterthwaite's. The runs'
    variance is not bounded at zero, so that the interval keeps its level with three runs.

    References
    ----------
    Satterthwaite (1946) Biometrics Bull. 2:110-114; Fieller (1954) J. R. Stat. Soc. B 16:175-185;
    Zou & Donner (2008) Stat. Med. 27:1693-1702.
    """
    table = _states(fit)
    rows = [_of_hybrid(fit, row, killed, level) for row in table.itertuples()]
    table = pd.concat([table.drop(columns="answer"), pd.DataFrame(rows, index=table.index)], axis=1)
    table = _hardiest_first(table, f"lt{round(100 * killed[len(killed) // 2])}_c")
    return with_differences(table, against_control, fit, control, level)


def with_differences(table, differences, fit, control, level):
    """Rows of hybrids with their differences from the control, missing where these are refused."""
    try:
        found = differences(fit, control, level=level).drop(columns="answer")
    except Refusal:
        return table.assign(difference_c=np.nan, lower_c=np.nan, upper_c=np.nan)
    return table.merge(found, on="hybrid", how="left")


def _hardiest_first(table, column):
    """By a temperature; hybrids beyond the coldest test on top, other ones without a number at the
    end.
    """
    order = table[column].mask(table["side"].eq("cold"), -np.inf).fillna(np.inf)
    table = table.assign(order=order).sort_values(["order", "hybrid"], ignore_index=True)
    return table.drop(columns=["order", "side"])


def _states(fit):
    """Units behind every hybrid, and whether its curve gives a number."""
    frozen = fit.cells[fit.cells["temperature_c"].notna()]
    grouped = frozen.groupby("hybrid")
    table = grouped[["run", "temperature_c"]].nunique().set_axis(["runs", "temperatures"], axis=1)
    table = table.assign(tested=grouped["tested"].sum()).reset_index()
    judged = bracketing(observed_survival(fit.cells)).set_index("hybrid")
    table = table.join(judged[["side", "answer"]], on="hybrid")
    slopes = np.array([fit.estimates[fit.positions(h)[1]] for h in table["hybrid"]])
    table.loc[table["answer"].eq("") & (slopes <= 0), "answer"] = FLAT
    return table.astype({"tested": int})


def _of_hybrid(fit, row, killed, level):
    names = [f"lt{round(100 * q)}" for q in killed]
    found = {f"{name}_{part}": np.nan for name in names for part in ("c", "lower_c", "upper_c")}
    found |= {"slope": np.nan, "df": np.nan, "answer": row.answer}
    if row.answer:
        return found
    line = fit.estimates[fit.positions(row.hybrid)]
    found["slope"] = line[1]
    for name, q in zip(names, killed, strict=True):
        at = special.logit(1 - q)
        found[f"{name}_c"] = fit.centre_c + crossing(*line, at)
        if len(fit.runs) > 1:
            covariance, df = _over_runs(fit, row.hybrid, at)
            limits = fieller_limits(*line, covariance, stats.t.ppf(0.5 + level / 2, df), at)
            beyond = np.array(limits) + fit.centre_c - found[f"{name}_c"]
            apart = stats.norm.ppf(0.5 + level / 2) * np.sqrt(fit.slope_scatter) * at / line[1]
            beyond = np.sign(beyond) * np.hypot(beyond, apart)
            found[f"{name}_lower_c"], found[f"{name}_upper_c"] = found[f"{name}_c"] + beyond
            found["df"] = df if name == names[len(names) // 2] else found["df"]
    return found


def _over_runs(fit, hybrid, at):
    """Covariance of a hybrid's intercept and slope with the runs as a sample, and its degrees of
    freedom.
    """
    place = fit.positions(hybrid)
    covariance = fit.covariance[np.ix_(place, place)].copy()
    n = len(fit.runs)
    if not fit.has_run_shifts:  # the loads' variance holds the runs'
        return covariance, max(fit.cells.dropna(subset="temperature_c")["load"].nunique() - 2, 1)
    between = fit.run_scatter / n
    covariance[0, 0] = between + max(covariance[0, 0] - fit.run_sampling / n, 0.0)
    direction = np.array([1.0, crossing(*fit.estimates[place], at)])
    variance = direction @ covariance @ direction
    rest = max(variance - between, 0.0)
    return covariance, variance**2 / (between**2 / (n - 1) + rest**2 / fit.df)


def against_control(
    fit: FreezeFit, control: str, *, level: float = 0.95, together: bool = True
) -> pd.DataFrame:
    """Differences of LT50 from the control.

    Parameters
    ----------
    fit : FreezeFit
    control : str
        A hybrid of the set.
    level : float
        Confidence that all intervals hold at once, or with ``together=False`` of each alone, 0-1.
    together : bool

    Returns
    -------
    DataFrame
        Hardiest first: ``hybrid, difference_c, lower_c, upper_c`` [°C] (below 0: hardier than the
        control), ``answer`` as in :func:`lethal_temperatures`. Numbers are missing where the hybrid
        has none.

    Raises
    ------
    Refusal
        The control is not in the set, it or every other hybrid has no LT50.

    Notes
    -----
    The runs' shifts cancel, so one run is enough. With a common slope the difference is a ratio of
    estimates with Fieller's limits; with own slopes limits of either LT50 are joined. The critical
    value is a t quantile with the frozen cells' residual degrees of freedom, or for all at once
    that of the largest of the correlated contrasts.

    References
    ----------
    Zou & Donner (2008) Stat. Med. 27:1693-1702; Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121.
    """
    refuse_control(control, fit.hybrids, "was not in these runs")
    table = _states(fit)[["hybrid", "side", "answer"]]
    own = table.loc[table["hybrid"].eq(control), "answer"].iloc[0]
    table = table[table["hybrid"].ne(control)]
    judged = table.loc[table["answer"].eq(""), "hybrid"]
    if own or judged.empty:
        why = f"The control {control} has no LT50 ({own})" if own else "No other hybrid has an LT50"
        raise Refusal(f"{why}, so there are no differences from the control.")
    critical = _critical(fit, control, list(judged), level, together)
    difference = _parallel if fit.slopes == "common" else _own
    rows = [difference(fit, hybrid, control, critical) for hybrid in judged]
    names = ["difference_c", "lower_c", "upper_c"]
    table = table.join(pd.DataFrame(rows, judged.index, names))
    return _hardiest_first(table[["hybrid", *names, "answer", "side"]], "difference_c")


def _gradient(fit, hybrid):
    """Derivative of a hybrid's LT50 by the estimates."""
    place, gradient = fit.positions(hybrid), np.zeros(len(fit.estimates))
    intercept, slope = fit.estimates[place]
    gradient[place] = -1 / slope, intercept / slope**2
    return gradient


def _critical(fit, control, others, level, together):
    if not together or len(others) < 2:
        return float(stats.t.ppf(0.5 + level / 2, fit.df))
    contrast = np.array([_gradient(fit, h) for h in others]) - _gradient(fit, control)
    joint = contrast @ fit.covariance @ contrast.T
    return float(np.quantile(simultaneous_draws(joint, fit.df), level))


def _parallel(fit, hybrid, control, critical):
    """Distance of two parallel lines along the temperature."""
    (h, slope), (c, _) = fit.positions(hybrid), fit.positions(control)
    turn = np.zeros((2, len(fit.estimates)))
    turn[0, h], turn[0, c], turn[1, slope] = 1, -1, 1
    height, steepness = turn @ fit.estimates
    covariance = turn @ fit.covariance @ turn.T
    return crossing(height, steepness), *fieller_limits(height, steepness, covariance, critical)


def _own(fit, hybrid, control, critical):
    triples = []
    for one in (hybrid, control):
        place = fit.positions(one)
        line = fit.estimates[place]
        covariance = fit.covariance[np.ix_(place, place)]
        triples.append((crossing(*line), *fieller_limits(*line, covariance, critical)))
    if not np.isfinite(triples).all():
        return triples[0][0] - triples[1][0], -np.inf, np.inf
    first, second = _gradient(fit, hybrid), _gradient(fit, control)
    shared = first @ fit.covariance @ second
    own = (first @ fit.covariance @ first) * (second @ fit.covariance @ second)
    correlation = shared / np.sqrt(own)
    lower, upper = combine_limits(*triples, correlation)
    return triples[0][0] - triples[1][0], float(lower), float(upper)


def survival_curves(fit: FreezeFit, temperatures, *, level: float = 0.95) -> pd.DataFrame:
    """Fitted survival for drawing.

    Parameters
    ----------
    fit : FreezeFit
    temperatures : array_like
        [°C]
    level : float
        Confidence at each temperature, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, temperature_c, alive, lower, upper`` (shares 0-1 of the units put in, natural
        death included). The band is for the mean of the runs tested: their scatter and the
        uncertainty of natural death's own share are not in it.
    """
    at = np.asarray(temperatures, float)
    quantile, parts = stats.t.ppf(0.5 + level / 2, fit.df), []
    for hybrid in fit.hybrids:
        place = fit.positions(hybrid)
        rows = np.column_stack([np.ones(len(at)), at - fit.centre_c])
        eta, covariance = rows @ fit.estimates[place], fit.covariance[np.ix_(place, place)]
        variance = np.einsum("ij,jk,ik->i", rows, covariance, rows) + fit.slope_scatter * eta**2
        se = np.sqrt(variance)
        shares = {
            name: (1 - fit.natural_death) * special.expit(eta + k * quantile * se)
            for name, k in (("alive", 0), ("lower", -1), ("upper", 1))
        }
        parts.append(pd.DataFrame({"hybrid": hybrid, "temperature_c": at, **shares}))
    return pd.concat(parts, ignore_index=True)


def curve_draws(fit: FreezeFit, n: int, seed: int) -> pd.DataFrame:
    """Joint draws of the curves, for what is calculated from them.

    Parameters
    ----------
    fit : FreezeFit
    n : int
        Draws.
    seed : int

    Returns
    -------
    DataFrame
        ``hybrid, draw`` (0 … n - 1), ``lt50_c`` [°C], ``slope`` [1/°C], above 0. In one draw the
        runs' mean is off by the same amount for all hybrids; with one run that part is unknown and
        left out. Hybrids without a number are left out.

    Notes
    -----
    Normal draws of the estimates; the runs' mean, off by a t deviate with (runs - 1) degrees of
    freedom. A draw with a slope not above 0 is drawn again for all hybrids.
    """
    rng, state = np.random.default_rng(seed), _states(fit)
    hybrids = list(state["hybrid"][state["answer"].eq("")])
    places = np.array([fit.positions(h) for h in hybrids])
    if not hybrids:
        return pd.DataFrame(columns=["hybrid", "draw", "lt50_c", "slope"])
    kept = np.empty((0, len(fit.estimates)))
    for _ in range(50):
        drawn = rng.multivariate_normal(fit.estimates, fit.covariance, size=n, method="eigh")
        kept = np.vstack([kept, drawn[(drawn[:, places[:, 1]] > 0).all(axis=1)]])[:n]
        if len(kept) == n:
            break
    else:
        raise Refusal("The freeze curves are too uncertain: their slopes are not clearly above 0.")
    shift = np.zeros((n, 1))
    if fit.has_run_shifts:
        extra = max(fit.run_scatter - fit.run_sampling, 0.0) / len(fit.runs)
        shift = np.sqrt(extra) * rng.standard_t(len(fit.runs) - 1, size=(n, 1))
    slope = kept[:, places[:, 1]]
    lt50 = fit.centre_c - (kept[:, places[:, 0]] + shift) / slope
    slope = slope * np.exp(np.sqrt(fit.slope_scatter) * rng.normal(size=slope.shape))
    columns = {"lt50_c": lt50.T.ravel(), "slope": slope.T.ravel()}
    index = pd.MultiIndex.from_product([hybrids, range(n)], names=["hybrid", "draw"])
    return pd.DataFrame(columns, index).reset_index()


def unevenness(fit: FreezeFit) -> pd.DataFrame:
    """Where survival varied beyond chance: ``source, levels, sd_logit, sd_c`` [°C of the mean
    slope].

    The runs' part is what their scatter holds beyond sampling, not below 0; missing with one run.
    """
    words = {"run": "run", "load": "load (run × temperature)", "cell": "hybrid in a load"}
    frozen = fit.cells[fit.cells["temperature_c"].notna()]
    levels = {"run": len(fit.runs), "load": frozen["load"].nunique(), "cell": len(frozen)}
    run = max(fit.run_scatter - fit.run_sampling, 0.0) if fit.has_run_shifts else np.nan
    rows = [] if "run" in fit.variances else [("run", len(fit.runs), np.sqrt(run))]
    rows += [(words[term], levels[term], np.sqrt(v)) for term, v in fit.variances.items()]
    slope = np.mean([fit.estimates[fit.positions(h)[1]] for h in fit.hybrids])
    table = pd.DataFrame(rows, columns=["source", "levels", "sd_logit"])
    return table.assign(sd_c=table["sd_logit"] / slope)


# -- sets of protocols and tissues ---------------------------------------------------------------


def freeze_answers(tests: pd.DataFrame, *, slopes: str = "tested") -> pd.DataFrame:
    """Fit every set of freeze tests that carries a curve.

    Parameters
    ----------
    tests : DataFrame
        Table ``freeze_tests`` of the hybrids wanted.
    slopes : {'tested', 'common', 'own'}
        As in :func:`fit_freeze`.

    Returns
    -------
    DataFrame
        As :func:`fit_sets` (named by :func:`culmbook.frost.freeze_tests.named_sets`) with
        ``protocol, tissue, from_to`` (temperatures), ``frozen, unfrozen`` (units), ``death, death_lower,
        death_upper`` (natural death, 0-1), ``cautions`` (sentences).

    Raises
    ------
    Refusal
        No unit was counted alive or dead.
    """
    sets = survival_sets(tests)
    cells = named_sets(sets)
    table = fit_sets(cells, lambda rows: _converged(fit_freeze(rows, slopes=slopes)))
    rows = [_of_set(cells[name], table.at[name, "fit"]) for name in cells]
    return table.join(pd.DataFrame(rows, table.index)).assign(
        **pd.DataFrame(list(sets), table.index, KEY)[KEY[:2]]
    )


def fit_sets(sets: dict, fit) -> pd.DataFrame:
    """Fit sets of freeze tests one by one.

    Parameters
    ----------
    sets : dict of str to DataFrame
        Records with ``hybrid, run, temperature_c`` by the set's name.
    fit : callable
        Gives the fit of a set's records, or raises Refusal.

    Returns
    -------
    DataFrame
        Indexed by name: ``set, hybrids, runs, n_temperatures, fit`` (or None), ``answer`` (why
        there is no fit, or blank).
    """
    rows = {}
    for name, records in sets.items():
        counts = records[["hybrid", "run", "temperature_c"]].nunique()
        found, answer = None, ""
        try:
            found = fit(records)
        except Refusal as why:
            answer = str(why)
        rows[name] = [name, *counts, found, answer]
    columns = ["set", "hybrids", "runs", "n_temperatures", "fit", "answer"]
    return pd.DataFrame.from_dict(rows, "index", columns=columns)


def _converged(fit):
    if fit.verdict != CONVERGED:
        raise Refusal(f"Not estimable: the model of the curves has {fit.verdict}.")
    return fit


def _of_set(cells, fit):
    frozen = cells[cells["temperature_c"].notna()]
    at, units = frozen["temperature_c"], frozen["tested"].sum()
    row = {"frozen": units, "unfrozen": cells["tested"].sum() - units, "cautions": cautions(cells)}
    row["from_to"] = f"{degrees(at.max())} to {degrees(at.min())}".replace(" °C", "")
    for name in ("death", "death_lower", "death_upper"):
        is_known = fit and row["unfrozen"]
        row[name] = getattr(fit, f"natural_{name}") if is_known else np.nan
    return row


def main_set(answers: pd.DataFrame, tissue: str = "rhizome") -> pd.Series:
    """The set that winters are compared with: of the tissue, with LT50, of most hybrids.

    Parameters
    ----------
    answers : DataFrame
        From :func:`freeze_answers`.
    tissue : str

    Returns
    -------
    Series
        Its row; ``name`` is the set's name.

    Raises
    ------
    Refusal
        No set of the tissue gives an LT50.
    """
    fits = answers.loc[answers["tissue"].eq(tissue), "fit"].dropna()
    known = [name for name, fit in fits.items() if _states(fit)["answer"].eq("").any()]
    n = fits[known].map(lambda fit: len(fit.hybrids))
    if n.empty:
        raise Refusal(f"No set of freeze tests of {tissue}s gives an LT50 to compare winters with.")
    return answers.loc[n.idxmax()]


def each_set(answers: pd.DataFrame, estimator, *given, **named) -> pd.DataFrame:
    """Results of an estimator in every set, one below the other.

    Parameters
    ----------
    answers : DataFrame
        ``fit, answer``, indexed by set, as from :func:`freeze_answers`.
    estimator : callable
        Takes a fit first, and gives a frame or raises Refusal.
    *given, **named
        What it takes beside.

    Returns
    -------
    DataFrame
        ``set`` and the columns of the estimator.

    Raises
    ------
    Refusal
        No set gives a result, with the reasons of all.
    """
    found, why = {}, [answer for answer in answers["answer"] if answer]
    for name, fit in answers["fit"].dropna().items():
        try:
            found[name] = estimator(fit, *given, **named)
        except Refusal as error:
            why.append(str(error))
    if not found:
        raise Refusal(" ".join(dict.fromkeys(why)))
    return pd.concat(found, names=["set"]).reset_index("set").reset_index(drop=True)
