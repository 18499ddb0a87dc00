"""Freeze tests as they came in: which belong together, which can carry a curve, and what was seen.

Results are compared only within one protocol and one tissue, and only between hybrids that shared a
freezer run, directly or through others. A cell is a hybrid in one load (one run at one
temperature); the load, not the piece of rhizome in it, is the independent unit.
"""

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from culmbook.text.numbers import MINUS
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import connected

LEAST_TEMPERATURES = 3
# A curve is bracketed when the corrected kill was seen below the first and above the second.
LOW_KILL, HIGH_KILL = 0.30, 0.70
# Share of the unfrozen control that may die; beyond it the material was not sound.
WORST_CONTROL = 0.5
# Chance of a control that much worse than the units frozen least, below which it is not believed.
CONTRADICTION_P = 1e-4
UNFROZEN = "unfrozen"


def survival_sets(tests: pd.DataFrame) -> dict:
    """Counts of units alive, split into sets within which hybrids can be compared.

    Parameters
    ----------
    tests : DataFrame
        The freeze tests table: ``run, protocol, tissue, hybrid, temperature_c`` [°C, missing for
        the unfrozen control], ``units_tested``, ``units_alive``. Rows without units tested
        (leakage) are not survival counts and are not used here.

    Returns
    -------
    dict of (str, str, int) to DataFrame
        By protocol, tissue and part: ``hybrid, run, load, temperature_c, tested, alive``, one row
        per cell. Part is 1 unless some hybrids shared no run with the others, not even through a
        third hybrid.

    Raises
    ------
    ValueError
        A row with units tested has no count of units alive, or more alive than tested.
    Refusal
        No row has units tested.

    Examples
    --------
    >>> tests = pd.DataFrame({"run": "r1", "protocol": "p", "tissue": "rhizome", "hybrid": ["a", "b"],
    ...                       "temperature_c": [np.nan, -3.0], "units_tested": 10, "units_alive": [10, 4]})
    >>> {key: len(cells) for key, cells in survival_sets(tests).items()}
    {('p', 'rhizome', 1): 2}
    """
    counted = tests[tests["units_tested"].notna()]
    if counted.empty:
        raise Refusal("No freeze test of these hybrids counted units alive after regrowth.")
    bad = ~(counted["units_alive"] <= counted["units_tested"]).fillna(False).astype(bool)
    if bad.any():
        rows = ", ".join(str(i) for i in counted.index[bad][:5])
        needed = "rows need 0 <= units_alive <= units_tested"
        raise ValueError(f"freeze tests: {bad.sum()} {needed} (index {rows})")
    sets = {}
    for (protocol, tissue), rows in counted.groupby(["protocol", "tissue"], sort=True):
        cells = _cells(rows)
        part = _parts(cells)
        for k in range(part.max() + 1):
            sets[(protocol, tissue, k + 1)] = cells[part == k].reset_index(drop=True)
    return sets


def named_sets(sets: dict) -> dict:
    """Sets by a name for the reader: the tissue, with protocol and part where it has several.

    Parameters
    ----------
    sets : dict
        By protocol, tissue and perhaps part, as from :func:`survival_sets`.

    Examples
    --------
    >>> list(named_sets({("p", "rhizome", 1): 0, ("q", "rhizome", 1): 0, ("p", "leaf", 1): 0}))
    ['rhizome, protocol p', 'rhizome, protocol q', 'leaf']
    """
    keys = [tuple(map(str, key)) for key in sets]
    protocols = pd.Series(keys).map(lambda key: key[:2]).drop_duplicates().str[1].value_counts()
    parts, names = pd.Series([key[:2] for key in keys]).value_counts(), []
    for protocol, tissue, *part in keys:
        name = f"{tissue}, protocol {protocol}" if protocols[tissue] > 1 else tissue
        names.append(name + (f", part {part[0]}" if parts[(protocol, tissue)] > 1 else ""))
    return dict(zip(names, sets.values(), strict=True))


def _cells(rows):
    keys, counts = ["hybrid", "run", "temperature_c"], ["units_tested", "units_alive"]
    summed = rows.groupby(keys, dropna=False, sort=True)[counts].sum().reset_index()
    cells = summed.rename(columns={"units_tested": "tested", "units_alive": "alive"})
    cells = cells.astype({"tested": float, "alive": float, "temperature_c": float})
    at = cells["temperature_c"].map(lambda t: UNFROZEN if np.isnan(t) else degrees(t))
    cells.insert(2, "load", cells["run"].astype(str) + " @ " + at)
    return cells


def degrees(*temperatures: float) -> str:
    """Temperatures in words, with a true minus sign and no more decimals than they have.

    Examples
    --------
    >>> degrees(-2.5, 0.0)
    '−2.5, 0 °C'
    """
    return ", ".join(f"{t + 0.0:g}".replace("-", MINUS) for t in temperatures) + " °C"


def _parts(cells):
    """Number of the part of each cell; unfrozen units tie no runs together and follow their run or
    hybrid.
    """
    frozen = cells[cells["temperature_c"].notna()]
    if frozen.empty:
        return np.zeros(len(cells), int)
    part = pd.Series(connected(frozen["hybrid"], frozen["run"]), frozen.index)
    by_run, by_hybrid = (part.groupby(frozen[name]).first() for name in ("run", "hybrid"))
    own = cells["run"].map(by_run).fillna(cells["hybrid"].map(by_hybrid)).fillna(0)
    return part.reindex(cells.index).fillna(own).to_numpy(int)


def why_no_curve(cells: pd.DataFrame) -> str | None:
    """Why a set of freeze tests carries no curve, or None when it does.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`survival_sets`.

    Returns
    -------
    str or None
        A sentence that says what is the matter and what to do about it.
    """
    frozen, control = _split(cells)
    at = np.sort(frozen["temperature_c"].unique())[::-1]
    if len(at) == 0:
        return "Only unfrozen control units were counted: without frozen units there is no curve."
    if (at >= 0).all() and (at > 0).any():
        start = f"All freezing temperatures are above zero ({degrees(*at)})"
        return f"{start}: the minus sign was left out. Enter them as negative numbers."
    if slipped := [t for t in at if t > 0 and -t in at]:
        start = f"Temperatures appear with and without a minus sign ({degrees(*slipped)})"
        return f"{start}: freezing ones are negative numbers, the unfrozen control NA."
    if len(at) < LEAST_TEMPERATURES:
        n = "Only one temperature was" if len(at) == 1 else f"Only {len(at)} temperatures were"
        return f"{n} tested ({degrees(*at)}): a curve needs at least {LEAST_TEMPERATURES}."
    return _wrong_control(frozen, control, at[0]) or _nothing_happened(frozen, at)


def _split(cells):
    unfrozen = cells["temperature_c"].isna()
    return cells[~unfrozen], cells[unfrozen]


def _wrong_control(frozen, control, warmest):
    """Half or more of the unfrozen units died, or clearly more of them than of the ones frozen
    least.
    """
    mild = frozen[frozen["temperature_c"].eq(warmest)]
    (alive, dead), (mild_alive, mild_dead) = counts = [
        (part["alive"].sum(), (part["tested"] - part["alive"]).sum()) for part in (control, mild)
    ]
    if dead > WORST_CONTROL * (alive + dead):
        died = f"{dead:.0f} of {alive + dead:.0f} unfrozen control units died"
        return f"{died}: the material was not sound, and what the frost did to it is not known."
    if control.empty or stats.fisher_exact(counts, "less").pvalue > CONTRADICTION_P:
        return None
    died = (
        f"Of the unfrozen control units {dead:.0f} of {alive + dead:.0f} died, of those frozen to"
    )
    few = f"{degrees(warmest)} only {mild_dead:.0f} of {mild_alive + mild_dead:.0f}"
    return f"{died} {few}: the control was damaged, or control and frozen units were exchanged."


def _nothing_happened(frozen, temperatures):
    alive, beyond = frozen["alive"].sum(), "for every hybrid. Test"
    if alive == frozen["tested"].sum():
        coldest = degrees(temperatures[-1])
        return f"All units lived at every temperature: LT50 is below {coldest} {beyond} colder."
    warmest = degrees(temperatures[0])
    return None if alive else f"All frozen units died: LT50 is above {warmest} {beyond} warmer."


def cautions(cells: pd.DataFrame) -> list[str]:
    """What a reader must know of a set besides its curve.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`survival_sets`.

    Returns
    -------
    list of str
        Sentences; empty when there is nothing to say.
    """
    frozen, control = _split(cells)
    runs, words = frozen.groupby("run")["temperature_c"].nunique(), []
    missing = sorted(set(frozen["hybrid"]) - set(control["hybrid"]))
    if control.empty:
        words.append(
            "There was no unfrozen control: all deaths count as frost, and LT50 is given too warm."
        )
    elif missing:
        words.append(f"No unfrozen control of {', '.join(missing)}: the others' death is used.")
    if len(runs) == 1:
        words.append(
            "There was one freezer run, and a run that froze too hard looks like tender hybrids: LT50 has no"
            " interval of its own, only its difference from the control has."
        )
    elif runs.max() == 1:
        words.append("Every run froze at one temperature only, so intervals are wide.")
    if (p := same_natural_death(control)) < 0.01:
        words.append(f"Natural death differs among hybrids (p = {p:.2g}); a common share is used.")
    return words


def same_natural_death(control: pd.DataFrame, *, tables: int = 2000, seed: int = 1) -> float:
    """Probability of controls as uneven as these if all hybrids died naturally at one rate.

    Parameters
    ----------
    control : DataFrame
        ``hybrid, tested, alive`` of unfrozen units.
    tables : int
        Random tables with the same margins.
    seed : int

    Returns
    -------
    float
        1.0 when nothing can differ: fewer than two hybrids, none dead, or all dead.

    Notes
    -----
    Pearson's chi-squared statistic against tables drawn with the margins held, as the deaths are
    too few for the chi-squared distribution.
    """
    sums = control.groupby("hybrid")[["tested", "alive"]].sum()
    tested = sums["tested"].to_numpy(int)
    dead = tested - sums["alive"].to_numpy(int)
    if len(sums) < 2 or dead.sum() in (0, tested.sum()):
        return 1.0
    drawn = stats.MonteCarloMethod(n_resamples=tables, rng=np.random.default_rng(seed))
    counts = [dead, tested - dead]
    return float(stats.chi2_contingency(counts, method=drawn, correction=False).pvalue)


def observed_survival(cells: pd.DataFrame) -> pd.DataFrame:
    """What was counted by hybrid and temperature, over the runs.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`survival_sets`.

    Returns
    -------
    DataFrame
        ``hybrid, temperature_c`` (missing: unfrozen), ``runs, tested, alive, share, lower, upper``
        (Wilson; it takes units as independent, so it is a lower bound of the uncertainty), ``kill``
        (corrected for natural death, 0-1).

    Notes
    -----
    Kill is 1 - share/(1 - c), c the share of the set's unfrozen units that died (0 without any),
    and 0 where more lived than of the control.

    References
    ----------
    Abbott (1925) J. Econ. Entomol. 18:265-267.
    """
    alive, tested = _split(cells)[1][["alive", "tested"]].sum()
    natural_death = 1 - alive / tested if tested else 0.0
    grouped = cells.groupby(["hybrid", "temperature_c"], dropna=False)
    table = grouped.agg(runs=("run", "nunique"), tested=("tested", "sum"), alive=("alive", "sum"))
    table = table.reset_index().sort_values(
        ["hybrid", "temperature_c"], ascending=[True, False], na_position="first", ignore_index=True
    )
    lower, upper = proportion_confint(table["alive"], table["tested"], method="wilson")
    share = table["alive"] / table["tested"]
    kill = np.maximum(1 - share / (1 - natural_death), 0.0).where(table["temperature_c"].notna())
    return table.assign(share=share, lower=lower, upper=upper, kill=kill)


def bracketing(observed: pd.DataFrame) -> pd.DataFrame:
    """Whether the temperatures tested hold each hybrid's LT50 between them, in words.

    Parameters
    ----------
    observed : DataFrame
        From :func:`observed_survival`.

    Returns
    -------
    DataFrame
        ``hybrid, is_bracketed, side`` (where LT50 lies beyond the test: ``cold``, ``warm`` or
        blank), ``least_kill, most_kill`` (corrected, 0-1), ``warmest_c, coldest_c`` [°C] tested,
        ``answer``: blank when bracketed, else what can be said instead of a number.

    Notes
    -----
    Bracketed means that the corrected kill was under 30 % at one temperature and over 70 % at
    another.
    """
    frozen = observed[observed["temperature_c"].notna()].groupby("hybrid")
    table = frozen["kill"].agg(["min", "max"]).set_axis(["least_kill", "most_kill"], axis=1)
    table["warmest_c"] = frozen["temperature_c"].max()
    table["coldest_c"] = frozen["temperature_c"].min()
    cold, warm = table["most_kill"].le(HIGH_KILL), table["least_kill"].ge(LOW_KILL)
    side = np.select([cold & ~warm, warm & ~cold], ["cold", "warm"], "")
    table = table.reset_index().assign(is_bracketed=(~cold & ~warm).to_numpy(), side=side)
    return table.assign(answer=[_answer(row) for row in table.itertuples()])


def _answer(row):
    least, most = (f"{100 * kill:.0f} %" for kill in (row.least_kill, row.most_kill))
    if row.is_bracketed:
        return ""
    if row.side == "":
        return f"not bracketed: {least} to {most} killed at every temperature"
    kill, limit, side = most, degrees(row.coldest_c), "below"
    if row.side == "warm":
        kill, limit, side = least, degrees(row.warmest_c), "above"
    if (row.most_kill if row.side == "cold" else 1 - row.least_kill) <= 0.5:
        return f"{side} {limit}"
    seen = f"at {'most' if row.side == 'cold' else 'least'} {kill} killed"
    return f"not bracketed: {seen}, test {side} {limit}"
