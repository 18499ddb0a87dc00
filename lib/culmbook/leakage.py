"""Electrolyte leakage after freezing: index of injury, its sigmoid over the temperature, and LT50.

Injured cells leak. What a frozen piece leaks, as a share of all it can leak, is set against the unfrozen control and followed
over the temperatures. Leakage measures injury of membranes, not death of plants: its LT50 is compared with
other leakage only, of one protocol and one tissue.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.freeze_tests import HIGH_KILL, LEAST_TEMPERATURES, LOW_KILL
from culmbook.sigmoid import Sigmoid, fit_sigmoid

MOST_LEAKED = 1.1
"""Relative leakage beyond which the two readings cannot both be right; a little over 1 is noise."""
FULL_INJURY = 0.9
"""With a fitted upper limit under this the point of unscaled half injury is shown beside LT50."""
NO_SIGMOID = "injury does not rise clearly with the cold: no LT50"


def injury_index(tests: pd.DataFrame) -> pd.DataFrame:
    """Index of injury of every frozen unit.

    Parameters
    ----------
    tests : DataFrame
        The freeze tests table: ``run, protocol, tissue, hybrid, temperature_c`` [°C, missing for the unfrozen
        control], ``leakage_after, leakage_total`` [µS/cm]. Rows without both readings are not used.

    Returns
    -------
    DataFrame
        The frozen rows with ``relative_leakage`` (after ÷ total), ``unfrozen`` (that of the hybrid's control units in the run,
        or over the runs where the run had none) and ``injury`` (0-1; noise may take it a little outside).

    Raises
    ------
    ValueError
        Leakage far above the total, or a hybrid without any unfrozen control unit in its protocol and tissue.

    Notes
    -----
    I = (R - R0)/(1 - R0), R the relative leakage and R0 the mean of the unfrozen control units.

    References
    ----------
    Flint, Boyce & Beattie (1967) Can. J. Plant Sci. 47:229-230.

    Examples
    --------
    >>> tests = pd.DataFrame({"run": "r1", "protocol": "p", "tissue": "leaf", "hybrid": "A", "temperature_c": [np.nan, -5.0],
    ...                       "leakage_after": [20.0, 60.0], "leakage_total": [100.0, 100.0]})
    >>> injury_index(tests)["injury"].round(6).to_list()
    [0.5]
    """
    read = tests[tests[["leakage_after", "leakage_total"]].notna().all(axis=1)]
    share = read["leakage_after"] / read["leakage_total"]
    if (share > MOST_LEAKED).any():
        rows = ", ".join(str(i) for i in read.index[share > MOST_LEAKED][:5])
        raise ValueError(f"leakage after freezing is above total leakage (index {rows}): were the two columns exchanged?")
    read = read.assign(relative_leakage=share)
    group = ["protocol", "tissue", "hybrid"]
    control = read[read["temperature_c"].isna()]
    in_run = control.groupby([*group, "run"])["relative_leakage"].mean().rename("unfrozen")
    over_runs = control.groupby(group)["relative_leakage"].mean().rename("over_runs")
    frozen = read[read["temperature_c"].notna()].join(in_run, on=[*group, "run"]).join(over_runs, on=group)
    frozen["unfrozen"] = frozen["unfrozen"].fillna(frozen["over_runs"])
    if frozen["unfrozen"].isna().any():
        names = ", ".join(sorted(frozen.loc[frozen["unfrozen"].isna(), "hybrid"].unique()))
        raise ValueError(f"no unfrozen control units of {names}: without them the leakage of uninjured tissue is not known")
    injury = (frozen["relative_leakage"] - frozen["unfrozen"]) / (1 - frozen["unfrozen"])
    return frozen.drop(columns="over_runs").assign(injury=injury)


@dataclass(frozen=True)
class LeakageFit:
    """Sigmoids of one protocol and tissue.

    ``curves`` the sigmoid of each hybrid that has one, by hybrid; ``answers`` what can be said of the others; ``cells`` the mean
    injury of each hybrid in each run and temperature; ``residual_sd`` of these means, over all hybrids, with ``df`` degrees of freedom.
    """

    curves: dict
    answers: dict
    cells: pd.DataFrame
    residual_sd: float
    df: int


def why_no_leakage_curve(injury: pd.DataFrame) -> str | None:
    """Why leakage of one protocol and tissue carries no curve, or None when it does.

    Parameters
    ----------
    injury : DataFrame
        Rows of :func:`injury_index` of one protocol and tissue.

    Returns
    -------
    str or None
    """
    temperatures = injury["temperature_c"]
    if temperatures.empty:
        return "Leakage was read of no frozen unit."
    if (temperatures >= 0).all() and (temperatures > 0).any():
        return "All freezing temperatures are above zero: the minus sign was left out. Enter them as negative numbers."
    if temperatures.nunique() <= LEAST_TEMPERATURES:
        return (f"Leakage was read at {temperatures.nunique()} temperatures: a sigmoid with free limits has four numbers of its "
                f"own and needs at least {LEAST_TEMPERATURES + 1}.")
    return None


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
    ValueError
        With the sentence of :func:`why_no_leakage_curve`, or of two protocols or tissues at once.

    Notes
    -----
    Units of one run and temperature are averaged first: they share its freezer. Runs shift a hybrid's sigmoid
    along the temperature, with shifts that sum to zero.
    """
    if len(injury[["protocol", "tissue"]].drop_duplicates()) > 1:
        raise ValueError("leakage of several protocols or tissues is never joined in one fit: give one")
    if reason := why_no_leakage_curve(injury):
        raise ValueError(reason)
    cells = injury.groupby(["hybrid", "run", "temperature_c"])["injury"].agg(["mean", "size"]).reset_index()
    cells = cells.rename(columns={"mean": "injury", "size": "units"})
    curves, answers = {}, {}
    for hybrid, rows in cells.groupby("hybrid"):
        curve, answers[hybrid] = _curve(rows)
        if not answers[hybrid]:
            curves[hybrid] = curve
    squares, df = (sum(getattr(c, name) for c in curves.values()) for name in ("squares", "df"))
    return LeakageFit(curves, answers, cells, float(np.sqrt(squares / df)) if df else np.nan, int(df))


def _curve(rows):
    """A hybrid's sigmoid, and what is wrong with it in words."""
    if len(rows) <= 4 + rows["run"].nunique() - 1:
        return None, "too few temperatures and runs for a sigmoid"
    curve = fit_sigmoid(rows["temperature_c"], rows["injury"], groups=rows["run"])
    if curve.verdict != "converged":
        return curve, f"no LT50: {curve.verdict}"
    if not _rises(rows, curve):
        return curve, NO_SIGMOID
    means = rows.groupby("temperature_c")["injury"].mean() / curve.upper
    if means.max() <= HIGH_KILL:
        return curve, f"below {rows['temperature_c'].min():g} °C, or not bracketed: test colder"
    if means.min() >= LOW_KILL:
        return curve, f"above {rows['temperature_c'].max():g} °C, or not bracketed: test warmer"
    return curve, ""


def _rises(rows, curve):
    """Whether the sigmoid explains clearly more than a constant for each run (F test, 5 %)."""
    flat = ((rows["injury"] - rows.groupby("run")["injury"].transform("mean")) ** 2).sum()
    return stats.f.sf((flat - curve.squares) / 3 / (curve.squares / curve.df), 3, curve.df) < 0.05


def leakage_temperatures(fit: LeakageFit, *, level: float = 0.95) -> pd.DataFrame:
    """LT50 by leakage, with intervals that hold for other runs.

    Parameters
    ----------
    fit : LeakageFit
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, runs, temperatures, units, lt50_c, lt50_lower_c, lt50_upper_c`` [°C], ``upper_limit, lower_limit`` of the index (0-1),
        ``half_c`` [°C] where the unscaled index is 0.5 (only where the upper limit is under 0.9 and over 0.5), ``slope`` [1/°C],
        ``answer``. LT50 is where the index is half its fitted upper limit. Limits are missing with one run.

    Notes
    -----
    The variance is the mean square of the runs' shifts, averaged over the hybrids, over the number of runs, plus what is
    the hybrid's own, with Satterthwaite's degrees of freedom: two runs make a wide interval.
    """
    rows = []
    for hybrid, cells in fit.cells.groupby("hybrid"):
        row = {"hybrid": hybrid, "runs": cells["run"].nunique(), "temperatures": cells["temperature_c"].nunique(),
               "units": cells["units"].sum()}
        rows.append(row | (_numbers(fit, hybrid, level) if hybrid in fit.curves else {}) | {"answer": fit.answers[hybrid]})
    columns = ["hybrid", "runs", "temperatures", "units", "lt50_c", "lt50_lower_c", "lt50_upper_c", "upper_limit",
               "lower_limit", "half_c", "slope", "answer"]
    return pd.DataFrame(rows, columns=columns).sort_values(["lt50_c", "hybrid"], ignore_index=True)


def _numbers(fit, hybrid, level):
    curve = fit.curves[hybrid]
    lt50 = curve.at(curve.upper / 2)
    low, high = _limits(fit, hybrid, lt50, level)
    half = curve.at(0.5) if 0.5 < curve.upper < FULL_INJURY else np.nan
    return {"lt50_c": lt50, "lt50_lower_c": low, "lt50_upper_c": high, "upper_limit": curve.upper,
            "lower_limit": curve.lower, "half_c": half, "slope": curve.slope}


def _variance(fit, curve):
    """Variance of a hybrid's LT50 for its own runs."""
    gradient = curve.half_gradient()
    return fit.residual_sd**2 * gradient @ curve.unscaled @ gradient


def _limits(fit, hybrid, lt50, level):
    """Limits with the runs as a sample; their shifts are averaged over the hybrids that were in the same runs."""
    runs = fit.cells.groupby("hybrid")["run"].agg(frozenset)
    n = len(runs[hybrid])
    if n < 2:
        return np.nan, np.nan
    alike = [curve for other, curve in fit.curves.items() if runs[other] == runs[hybrid]]
    shifts = np.mean([curve.shifts for curve in alike], axis=0)
    traces = sum(np.trace(curve.shift_covariance()) for curve in alike)
    sampling = fit.residual_sd**2 * traces / len(alike) ** 2 / (n - 1)
    between, own = shifts @ shifts / (n - 1) / n, max(_variance(fit, fit.curves[hybrid]) - sampling / n, 0.0)
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
        ``hybrid, difference_c, lower_c, upper_c`` [°C] (below 0: hardier than the control), ``answer``. Only for hybrids in the
        control's runs, whose shifts then cancel.

    Raises
    ------
    ValueError
        The control was not tested here.
    """
    if control not in fit.answers:
        raise ValueError(f"the control {control!r} has no leakage here, so nothing can be compared with it")
    runs = fit.cells.groupby("hybrid")["run"].agg(frozenset)
    rows = []
    for hybrid, answer in fit.answers.items():
        if hybrid != control:
            answer = answer or (f"no number for the control ({fit.answers[control]})" if fit.answers[control] else "")
            answer = answer or ("" if runs[hybrid] == runs[control] else "not in the control's runs")
            rows.append({"hybrid": hybrid} | ({} if answer else _difference(fit, hybrid, control, level)) | {"answer": answer})
    columns = ["hybrid", "difference_c", "lower_c", "upper_c", "answer"]
    return pd.DataFrame(rows, columns=columns).sort_values(["difference_c", "hybrid"], ignore_index=True)


def _difference(fit, hybrid, control, level):
    one, other = fit.curves[hybrid], fit.curves[control]
    difference = one.at(one.upper / 2) - other.at(other.upper / 2)
    half_width = stats.t.ppf(0.5 + level / 2, fit.df) * np.sqrt(_variance(fit, one) + _variance(fit, other))
    return {"difference_c": difference, "lower_c": difference - half_width, "upper_c": difference + half_width}


def leakage_curves(fit: LeakageFit, temperatures) -> pd.DataFrame:
    """Fitted index of injury for drawing: ``hybrid, temperature_c, injury`` (0-1), for the mean of the runs."""
    at = np.asarray(temperatures, float)
    parts = [pd.DataFrame({"hybrid": h, "temperature_c": at, "injury": c.height(at)}) for h, c in fit.curves.items()]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"hybrid": [], "temperature_c": [], "injury": []})
