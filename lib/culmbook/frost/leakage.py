"""Electrolyte leakage after freezing: index of injury, its sigmoid over the temperature, and LT50.

Injured cells leak. What a frozen piece leaks, as a share of all it can leak, is set against the
unfrozen control and followed over the temperatures. Leakage measures injury of membranes, not death
of plants: its LT50 is compared with other leakage only, of one protocol and one tissue.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats

from culmbook.frost.freeze_curves import fit_sets, with_differences
from culmbook.frost.freeze_tests import HIGH_KILL, LEAST_TEMPERATURES, LOW_KILL, degrees, named_sets
from culmbook.stats.curves import fit_sigmoid
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import refuse_control

# Relative leakage beyond which the two readings cannot both be right; a little over 1 is noise.
MOST_LEAKED = 1.1
# With a fitted upper limit under this the point of unscaled half injury is shown beside LT50.
FULL_INJURY = 0.9
_REWEIGHTED = 2
_MOST_LEVERAGE = 0.9  # a cell that the sigmoid all but passes through tells little of the errors
_LEAST_PART = 1e-2  # of the mean squared residual: the least of any cell
NO_SIGMOID = "injury does not rise clearly with the cold: no LT50"


def injury_index(tests: pd.DataFrame) -> pd.DataFrame:
    """Index of injury of every frozen unit.

    Parameters
    ----------
    tests : DataFrame
        The freeze tests table: ``run, protocol, tissue, hybrid, temperature_c`` [°C, missing for
        the unfrozen control], ``leakage_after, leakage_total`` [µS/cm]. Rows without both readings
        are not used.

    Returns
    -------
    DataFrame
        The frozen rows with ``relative_leakage`` (after ÷ total), ``unfrozen`` (that of the
        hybrid's control units in the run, or over the runs where the run had none),
        ``unfrozen_variance`` (of that mean, from how much units of one control differ) and
        ``injury`` (0-1; noise may take it a little outside).

    Raises
    ------
    Refusal
        Leakage far above the total, or a hybrid without any unfrozen control unit in its protocol
        and tissue.

    Notes
    -----
    I = (R - R0)/(1 - R0), R the relative leakage and R0 the mean of the unfrozen control units.

    References
    ----------
    Flint, Boyce & Beattie (1967) Can. J. Plant Sci. 47:229-230.

    Examples
    --------
    >>> tests = pd.DataFrame({"run": "r1", "protocol": "p", "tissue": "leaf", "hybrid": "A",
    ...                       "temperature_c": [np.nan, -5.0], "leakage_after": [20.0, 60.0],
    ...                       "leakage_total": 100.0})
    >>> injury_index(tests)["injury"].round(6).to_list()
    [0.5]
    """
    read = tests[tests[["leakage_after", "leakage_total"]].notna().all(axis=1)]
    share = read["leakage_after"] / read["leakage_total"]
    if (share > MOST_LEAKED).any():
        rows = ", ".join(str(i) for i in read.index[share > MOST_LEAKED][:5])
        raise Refusal(
            f"Leakage after freezing is above total leakage (index {rows}): were the two columns exchanged?"
        )
    read = read.assign(relative_leakage=share)
    group = ["protocol", "tissue", "hybrid"]
    control = read[read["temperature_c"].isna()]
    in_run = control.groupby([*group, "run"])["relative_leakage"].mean().rename("unfrozen")
    over_runs = control.groupby(group)["relative_leakage"].mean().rename("over_runs")
    frozen = read[read["temperature_c"].notna()].join(in_run, on=[*group, "run"])
    frozen = frozen.join(over_runs, on=group)
    frozen["unfrozen"] = frozen["unfrozen"].fillna(frozen["over_runs"])
    if frozen["unfrozen"].isna().any():
        names = ", ".join(sorted(frozen.loc[frozen["unfrozen"].isna(), "hybrid"].unique()))
        raise Refusal(f"No unfrozen control units of {names}: uninjured leakage is not known.")
    injury = (frozen["relative_leakage"] - frozen["unfrozen"]) / (1 - frozen["unfrozen"])
    frozen = frozen.join(_control_variance(control, group), on=[*group, "run"])
    unsure = frozen["unfrozen_variance"].fillna(0.0)
    return frozen.drop(columns="over_runs").assign(injury=injury, unfrozen_variance=unsure)


def _control_variance(control, group):
    """Variance of the mean of each control, units pooled over all controls of the protocol and
    tissue.
    """
    parts = control.groupby([*group, "run"])["relative_leakage"].agg(["size", "var"])
    parts["squares"] = parts["var"].fillna(0.0) * (parts["size"] - 1)
    parts["df"] = parts["size"] - 1
    pooled = parts.groupby(["protocol", "tissue"])[["squares", "df"]].transform("sum")
    variance = (pooled["squares"] / pooled["df"].where(pooled["df"] > 0)).fillna(0.0)
    return (variance / parts["size"]).rename("unfrozen_variance")


@dataclass(frozen=True)
class LeakageFit:
    """Sigmoids of one protocol and tissue.

    ``curves`` the sigmoid of each hybrid that has one, by hybrid; ``answers`` what can be said of
    the others; ``cells`` the mean injury of each hybrid in each run and temperature, with its
    ``sd`` by the model of the errors; ``residual_sd`` what these have to be multiplied by (about
    1), over all hybrids, with ``df`` degrees of freedom.
    """

    curves: dict
    answers: dict
    cells: pd.DataFrame
    residual_sd: float
    df: int


def _refuse_temperatures(temperatures):
    if temperatures.empty:
        raise Refusal("Leakage was read of no frozen unit.")
    if (temperatures >= 0).all() and (temperatures > 0).any():
        raise Refusal(
            "All freezing temperatures are above zero: the minus sign was left out. Enter them as negative numbers."
        )
    if temperatures.nunique() <= LEAST_TEMPERATURES:
        n = f"Leakage was read at {temperatures.nunique()} temperatures"
        raise Refusal(f"{n}: a sigmoid with free limits needs at least {LEAST_TEMPERATURES + 1}.")


def fit_leakage(injury: pd.DataFrame) -> LeakageFit:
    """Fit a sigmoid to the index of injury of every hybrid of one protocol and tissue.

    Parameters
    ----------
    injury : DataFrame
        Rows of :func:`injury_index` of one protocol and tissue.

    Returns
    -------
    LeakageFit

    Raises
    ------
    Refusal
        No frozen unit, temperatures without their minus sign, or too few of them.
    ValueError
        Two protocols or tissues at once.

    Notes
    -----
    Units of one run and temperature are averaged first: they share its freezer. Runs shift a
    hybrid's sigmoid along the temperature, with shifts that sum to zero. A freezer that is a little
    off matters most where the sigmoid is steep, and a share near a half is the least certain one,
    so the variance of a mean is s0² + s1² steepness² + s2² R²(1 - R)², found (twice) from the
    squared residuals of all hybrids over one minus their leverage. An error of the control is
    shared by all temperatures of its run and enters the limits as such.

    References
    ----------
    MacKinnon & White (1985) J. Econom. 29:305-325, for residuals and leverage.
    """
    if len(injury[["protocol", "tissue"]].drop_duplicates()) > 1:
        raise ValueError("leakage of several protocols or tissues is never joined: give one")
    _refuse_temperatures(injury["temperature_c"])
    cells = injury.groupby(["hybrid", "run", "temperature_c"]).agg(
        injury=("injury", "mean"),
        units=("injury", "size"),
        unfrozen=("unfrozen", "first"),
        unfrozen_variance=("unfrozen_variance", "first"),
    )
    cells = cells.reset_index().assign(sd=1.0)
    curves = _fit_all(cells, {})
    for _ in range(_REWEIGHTED):
        cells["sd"] = _error_sd(cells, curves)
        curves = _fit_all(cells, curves)
    answers = {name: _answer(rows, curves.get(name)) for name, rows in cells.groupby("hybrid")}
    curves = {hybrid: curve for hybrid, curve in curves.items() if not answers[hybrid]}
    squares, df = (sum(getattr(c, name) for c in curves.values()) for name in ("squares", "df"))
    sd = float(np.sqrt(squares / df)) if df else np.nan
    return LeakageFit(curves, answers, cells, sd, int(df))


def _fit_all(cells, before):
    """Sigmoid of every hybrid with enough cells; the search starts from an earlier fit that
    converged.
    """
    curves = {}
    for hybrid, rows in cells.groupby("hybrid"):
        near = before.get(hybrid)
        near = near if near is not None and near.verdict == "converged" else None
        if len(rows) > 4 + rows["run"].nunique() - 1:
            x, y = rows["temperature_c"], rows["injury"]
            curves[hybrid] = fit_sigmoid(x, y, groups=rows["run"], sd=rows["sd"], near=near)
    return curves


def _error_sd(cells, curves):
    """Standard deviation of each cell's mean: even, from temperatures that are off, from reading a
    share.
    """
    squares, steep, unsure = np.full(len(cells), np.nan), np.zeros(len(cells)), np.zeros(len(cells))
    for hybrid, curve in curves.items():
        here = cells["hybrid"].eq(hybrid).to_numpy()
        rows = cells[here]
        shifts = dict(zip(sorted(rows["run"].unique()), curve.shifts, strict=True))
        at = rows["temperature_c"].to_numpy() - rows["run"].map(shifts)
        left = 1 - np.minimum(curve.leverage, _MOST_LEVERAGE)
        squares[here] = (rows["injury"] - curve.height(at)) ** 2 / left
        steep[here] = curve.steepness(at)
        leaked = rows["unfrozen"] + (1 - rows["unfrozen"]) * np.clip(curve.height(at), 0, 1)
        unsure[here] = leaked * (1 - leaked)
    known = np.isfinite(squares)
    if not known.any():
        return np.ones(len(cells))
    parts = np.column_stack([np.ones(len(cells)), steep**2, unsure**2])
    size = optimize.nnls(parts[known], squares[known])[0]
    return np.sqrt(np.maximum(parts @ size, _LEAST_PART * squares[known].mean()))


def _answer(rows, curve):
    """What is wrong with a hybrid's sigmoid, in words; blank if nothing is."""
    if curve is None:
        return "too few temperatures and runs for a sigmoid"
    if curve.verdict != "converged":
        return f"no LT50: {curve.verdict}"
    if not _rises(rows, curve):
        return NO_SIGMOID
    means = rows.groupby("temperature_c")["injury"].mean() / curve.upper
    if means.max() <= HIGH_KILL:
        return f"below {degrees(rows['temperature_c'].min())}, or not bracketed: test colder"
    if means.min() >= LOW_KILL:
        return f"above {degrees(rows['temperature_c'].max())}, or not bracketed: test warmer"
    return ""


def _rises(rows, curve):
    """Whether the sigmoid explains clearly more than a constant for each run (F test, 5 %)."""
    weight = 1 / rows["sd"] ** 2
    mean = (weight * rows["injury"]).groupby(rows["run"]).sum() / weight.groupby(rows["run"]).sum()
    flat = (weight * (rows["injury"] - rows["run"].map(mean)) ** 2).sum()
    return stats.f.sf((flat - curve.squares) / 3 / (curve.squares / curve.df), 3, curve.df) < 0.05


def leakage_temperatures(
    fit: LeakageFit, control: str = "", *, level: float = 0.95
) -> pd.DataFrame:
    """LT50 by leakage, with intervals that hold for other runs.

    Parameters
    ----------
    fit : LeakageFit
    control : str
        Hybrid to compare with; blank for none.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, runs, units, lt50_c, lt50_lower_c, lt50_upper_c`` [°C], ``upper_limit`` of the
        index (0-1), ``half_c`` [°C] where the unscaled index is 0.5 (only where the upper limit is
        under 0.9 and over 0.5), ``answer``,
        ``difference_c, lower_c, upper_c`` of :func:`leakage_against_control`. LT50 is where the
        index is half its fitted upper limit. Limits are missing with one run.

    Notes
    -----
    The variance is the mean square of the runs' shifts, averaged over the hybrids, over the number
    of runs, plus what is the hybrid's own, with Satterthwaite's degrees of freedom: two runs make a
    wide interval.
    """
    rows = []
    for hybrid, cells in fit.cells.groupby("hybrid"):
        row = {"hybrid": hybrid, "runs": cells["run"].nunique(), "units": cells["units"].sum()}
        row["answer"] = fit.answers[hybrid]
        if curve := fit.curves.get(hybrid):
            row["lt50_c"] = lt50 = curve.at(curve.upper / 2)
            row["lt50_lower_c"], row["lt50_upper_c"] = _limits(fit, hybrid, lt50, level)
            row["half_c"] = curve.at(0.5) if 0.5 < curve.upper < FULL_INJURY else np.nan
            row["upper_limit"] = curve.upper
        rows.append(row)
    columns = "hybrid runs units lt50_c lt50_lower_c lt50_upper_c upper_limit half_c answer"
    table = pd.DataFrame(rows, columns=columns.split())
    table = table.sort_values(["lt50_c", "hybrid"], ignore_index=True)
    return with_differences(table, leakage_against_control, fit, control, level)


def _covariance(fit, hybrid):
    """Covariance of a sigmoid's estimates for its own runs, with the error of each run's control."""
    curve, rows = fit.curves[hybrid], fit.cells[fit.cells["hybrid"].eq(hybrid)]
    covariance = fit.residual_sd**2 * curve.unscaled
    # the change of a cell for an error of its control
    pull = (1 - rows["injury"]) / (1 - rows["unfrozen"]) / rows["sd"]
    for run, part in pull.groupby(rows["run"]):
        moved = curve.unscaled @ curve.jacobian[rows["run"].eq(run).to_numpy()].T @ part.to_numpy()
        variance = rows.loc[part.index[0], "unfrozen_variance"]
        covariance = covariance + variance * np.outer(moved, moved)
    return covariance


def _variance(fit, hybrid):
    """Variance of a hybrid's LT50 for its own runs."""
    gradient = fit.curves[hybrid].half_gradient()
    return gradient @ _covariance(fit, hybrid) @ gradient


def _limits(fit, hybrid, lt50, level):
    """Limits with the runs as a sample; their shifts are averaged over the hybrids in the same
    runs.
    """
    runs = fit.cells.groupby("hybrid")["run"].agg(frozenset)
    n = len(runs[hybrid])
    if n < 2:
        return np.nan, np.nan
    alike = [other for other in fit.curves if runs[other] == runs[hybrid]]
    shifts = np.mean([fit.curves[other].shifts for other in alike], axis=0)
    traces = sum(np.trace(fit.curves[other].of_shifts(_covariance(fit, other))) for other in alike)
    sampling = traces / len(alike) ** 2 / (n - 1)
    between, own = shifts @ shifts / (n - 1) / n, max(_variance(fit, hybrid) - sampling / n, 0.0)
    df = (between + own) ** 2 / (between**2 / (n - 1) + own**2 / fit.df)
    half_width = stats.t.ppf(0.5 + level / 2, df) * np.sqrt(between + own)
    return lt50 - half_width, lt50 + half_width


def leakage_against_control(fit: LeakageFit, control: str, *, level: float = 0.95) -> pd.DataFrame:
    """Differences of LT50 by leakage from the control, each with its own confidence.

    Parameters
    ----------
    fit : LeakageFit
    control : str
    level : float
        0-1

    Returns
    -------
    DataFrame
        ``hybrid, difference_c, lower_c, upper_c`` [°C] (below 0: hardier than the control),
        ``answer``. Only for hybrids in the control's runs, whose shifts then cancel.

    Raises
    ------
    Refusal
        The control was not tested here, or nothing in its runs has an LT50 beside it.
    """
    refuse_control(control, fit.answers, "has no leakage here")
    why = fit.answers[control] or "no other hybrid of its runs has an LT50"
    runs, rows = fit.cells.groupby("hybrid")["run"].agg(frozenset), []
    for hybrid, answer in fit.answers.items():
        if hybrid == control:
            continue
        if not answer and runs[hybrid] != runs[control]:
            answer = "not in the control's runs"
        has_none = answer or fit.answers[control]
        numbers = (np.nan,) * 3 if has_none else _difference(fit, hybrid, control, level)
        rows.append((hybrid, *numbers, answer))
    columns = ["hybrid", "difference_c", "lower_c", "upper_c", "answer"]
    table = pd.DataFrame(rows, columns=columns)
    if table["difference_c"].isna().all():
        raise Refusal(f"Nothing can be compared with the control by leakage: {why}.")
    return table.sort_values(["difference_c", "hybrid"], ignore_index=True)


def _difference(fit, hybrid, control, level):
    one, other = fit.curves[hybrid], fit.curves[control]
    difference = one.at(one.upper / 2) - other.at(other.upper / 2)
    se = np.sqrt(_variance(fit, hybrid) + _variance(fit, control))
    half = stats.t.ppf(0.5 + level / 2, fit.df) * se
    return difference, difference - half, difference + half


def leakage_answers(tests: pd.DataFrame) -> pd.DataFrame:
    """Fit leakage of every protocol and tissue that was read.

    Parameters
    ----------
    tests : DataFrame
        Table ``freeze_tests`` of the hybrids wanted.

    Returns
    -------
    DataFrame
        As :func:`culmbook.frost.freeze_curves.fit_sets`.

    Raises
    ------
    Refusal
        Leakage was not read.
    """
    read = tests[tests[["leakage_after", "leakage_total"]].notna().all(axis=1)]
    if read.empty:
        raise Refusal("No freeze test of these hybrids read electrolyte leakage.")
    sets = dict(list(read.groupby(["protocol", "tissue"])))
    return fit_sets(named_sets(sets), lambda rows: fit_leakage(injury_index(rows)))
