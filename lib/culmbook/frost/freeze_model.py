"""The model behind a freeze curve: survival against temperature, with natural death and freezer runs.

All hybrids of one protocol and tissue are fitted together. Every load (a run at a temperature) and every
hybrid in a load deviates at random; the runs' own shifts are estimated one by one, so that they drop out of
differences between hybrids, while their scatter is the error of any single LT50.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from culmbook.frost.freeze_tests import bracketing, observed_survival, why_no_curve
from culmbook.mixed import CONVERGED, Laplace, Structure, make_terms

SLOPES = ("tested", "common", "own")
SLOPES_DIFFER_P = 0.01
"""Own slopes are used below it; the test finds 1 in 40 sets of 20 hybrids to differ that do not."""
_LEAST_WEIGHT = 1e-10
_STEEPEST = 20.0  # logits per step of the penalised fit: no curve needs more
_PENALTY_STEPS = 100
_FIRST_VARIANCE = 0.2
_LOGIT_RANGE = (-10.0, 2.0)  # of natural death
_SEARCHES = 3  # a search that stumbles goes on from where it fell
_FLAT = 0.1  # slope of the criterion that counts as none
_DIFFERENCE = 1e-5  # for the search's derivatives: well above the error of a mode
_STEP = 0.15  # in the logit of natural death, for numerical derivatives


class Survival:
    """Counts ``alive`` of ``tested`` with P(alive) = (1 - c)/(1 + exp(-eta)), c the natural death.

    The weight is the expected information, which is above 0 everywhere; the curvature itself is not, since a
    dead unit at a mild temperature speaks for natural death. ``leverage`` is the strength of the penalty: by
    cell, half of it counts as units that frost spared and half as units that frost killed, none of them dead
    of another cause.
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
        """By cell: slope of the log likelihood, expected information, and the information's derivative."""
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
        Intercepts by hybrid at ``centre_c``, then the slope (one, or one per hybrid), then the runs' shifts
        but the last; logit scale, temperatures in °C.
    covariance : ndarray
        Of the estimates for these runs, with the uncertainty of the natural death.
    centre_c : float
        Temperature from which intercepts count [°C].
    natural_death, natural_death_lower, natural_death_upper : float
        Share of unfrozen units that die, 0-1, with its 95 % interval; 0 and no interval without a control.
    variances : Series
        Of loads and of cells, logit scale.
    runs : list of str
    run_scatter : float
        Variance of the runs' estimated shifts, logit scale, not bounded by what sampling explains; missing
        with one run, and where runs cannot be told from temperatures and are random.
    run_sampling : float
        Part of ``run_scatter`` that is expected from units, cells and loads alone.
    slopes : {'common', 'own'}
    slopes_test : dict
        ``chi2, df, p_value`` of own slopes against a common one, of the bracketed hybrids; empty with fewer
        than two of them.
    df : int
        Frozen cells less estimates.
    verdict : str
        ``'converged'``, or what went wrong.
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
        ``'tested'`` gives every hybrid its own slope only where the slopes differ clearly (p < 0.01).
    penalised : bool
        Firth's penalty, which keeps every estimate finite; False for plain maximum likelihood.

    Returns
    -------
    FreezeFit

    Raises
    ------
    ValueError
        With the sentence of :func:`culmbook.frost.freeze_tests.why_no_curve`, or on an unknown choice.

    Notes
    -----
    P(alive) = (1 - c)/(1 + exp(-(a_h + b_h (T - T0) + r + l + e))): r shift of the run, l ~ N(0, s_l) of the
    load, e ~ N(0, s_e) of the hybrid in the load. Variances and c are those of the least criterion by
    Laplace's approximation, the curves integrated out with Jeffreys' prior, expected information in place of
    the observed; unfrozen units have P = 1 - c. Runs are estimated one by one, summing to zero, or are
    random where they cannot be told from temperatures (one temperature to a run). Firth's penalty enters as half a cell's leverage spared by frost and half killed; c gets half a unit dead and
    alive.

    References
    ----------
    Abbott (1925) J. Econ. Entomol. 18:265-267, for natural death; Breslow & Clayton (1993) J. Am. Stat.
    Assoc. 88:9-25; Firth (1993) Biometrika 80:27-38; Heinze & Schemper (2002) Stat. Med. 21:2409-2419.
    """
    if slopes not in SLOPES:
        raise ValueError(f"slopes is {slopes!r}; it must be one of {', '.join(SLOPES)}")
    if reason := why_no_curve(cells):
        raise ValueError(reason)
    test, frozen = {}, cells.dropna(subset="temperature_c")
    temperatures = frozen.groupby("hybrid")["temperature_c"].nunique()
    few = list(temperatures.index[temperatures.eq(1)])
    if slopes == "own" and few:
        raise ValueError(
            f"{', '.join(few)} was frozen at one temperature only and has no slope of its own"
        )
    known = _with_known_slopes(cells)
    if (
        slopes != "common"
        and known.dropna(subset="temperature_c")["hybrid"].nunique() > 1
        and not few
    ):
        test = _Problem(known, True, penalised).test_slopes()
    if slopes == "own" or test.get("p_value", 1.0) < SLOPES_DIFFER_P:
        return _Problem(cells, True, penalised).result(test)
    return _Problem(cells, False, penalised).result(test)


def _with_known_slopes(cells):
    """The cells of bracketed hybrids and all unfrozen units: outside the tested range a slope is a guess."""
    judged = bracketing(observed_survival(cells)).set_index("hybrid")["is_bracketed"]
    kept = cells["hybrid"].map(judged).fillna(False).astype(bool)
    return (
        cells[kept | cells["temperature_c"].isna()].reset_index(drop=True)
        if kept.any()
        else cells[kept]
    )


class _Problem:
    """Counts and designs of one fit, and its least criterion."""

    def __init__(self, cells, own, penalised):
        self.cells, self.own = cells, own
        unfrozen = cells["temperature_c"].isna()
        self.frozen = cells[~unfrozen].reset_index(drop=True)
        self.hybrids, self.runs = (
            sorted(self.frozen["hybrid"].unique()),
            sorted(self.frozen["run"].unique()),
        )
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

        The curve's information depends on natural death. Integrating the curve out with a flat prior would
        favour the natural death that leaves the counts least informative; Jeffreys' prior takes that out.
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
        for _ in range(_SEARCHES):
            found = optimize.minimize(
                self._criterion,
                start,
                method="L-BFGS-B",
                bounds=bounds,
                options={"eps": _DIFFERENCE},
            )
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
        limits = special.expit(
            self.point[-1] + np.sqrt(variance) * stats.norm.ppf([0.025, 0.5, 0.975])
        )
        lower, death, upper = limits if self.has_control else (np.nan, 0.0, np.nan)
        return FreezeFit(
            cells=self.cells,
            hybrids=self.hybrids,
            estimates=self.mode.fixed,
            covariance=covariance,
            centre_c=self.centre,
            natural_death=float(death),
            natural_death_lower=float(lower),
            natural_death_upper=float(upper),
            variances=pd.Series(self.point[:-1], index=self.terms),
            runs=self.runs,
            run_scatter=scatter,
            run_sampling=sampling,
            slopes="own" if self.own else "common",
            slopes_test=test,
            df=len(self.frozen) - self.x.shape[1],
            verdict=self.verdict,
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
        return {
            "chi2": float(max(chi2, 0.0)),
            "df": h - 1,
            "p_value": float(stats.chi2.sf(chi2, h - 1)),
        }


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
    estimate = np.linalg.lstsq(design, np.log((alive + 0.5) / (tested - alive + 0.5)), rcond=None)[
        0
    ]
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
