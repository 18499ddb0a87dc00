"""Freeze tests as they came in: which belong together, which can carry a curve, and what was seen.

Results are compared only within one protocol and one tissue, and only between hybrids that shared a freezer
run, directly or through others. A cell is a hybrid in one load (one run at one temperature); the load, not
the piece of rhizome in it, is the independent unit.
"""

import numpy as np
import pandas as pd
from scipy import sparse, stats

from culmbook.stats.shares import share_interval
from culmbook.text.numbers import MINUS

LEAST_TEMPERATURES = 3
LOW_KILL, HIGH_KILL = 0.30, 0.70
"""A curve is bracketed when the corrected kill was seen below the first and above the second."""
WORST_CONTROL = 0.5
"""Share of the unfrozen control that may die; beyond it the material was not sound."""
CONTRADICTION_P = 1e-4
"""Chance of a control that much worse than the units frozen least, below which it is not believed."""
UNFROZEN = "unfrozen"


def survival_sets(tests: pd.DataFrame) -> dict:
    """Counts of units alive, split into sets within which hybrids can be compared.

    Parameters
    ----------
    tests : DataFrame
        The freeze tests table: ``run, protocol, tissue, hybrid, temperature_c`` [°C, missing for the unfrozen
        control], ``units_tested``, ``units_alive``. Rows without units tested (leakage) are not survival
        counts and are not used here.

    Returns
    -------
    dict of (str, str, int) to DataFrame
        By protocol, tissue and part: ``hybrid, run, load, temperature_c, tested, alive``, one row per cell.
        Part is 1 unless some hybrids shared no run with the others, not even through a third hybrid.

    Raises
    ------
    ValueError
        A row with units tested has no count of units alive, or more alive than tested.

    Examples
    --------
    >>> tests = pd.DataFrame({"run": "r1", "protocol": "p", "tissue": "rhizome", "hybrid": ["a", "b"],
    ...                       "temperature_c": [np.nan, -3.0], "units_tested": 10, "units_alive": [10, 4]})
    >>> {key: len(cells) for key, cells in survival_sets(tests).items()}
    {('p', 'rhizome', 1): 2}
    """
    counted = tests[tests["units_tested"].notna()]
    bad = ~(counted["units_alive"] <= counted["units_tested"]).fillna(False).astype(bool)
    if bad.any():
        rows = ", ".join(str(i) for i in counted.index[bad][:5])
        raise ValueError(
            f"freeze tests: {bad.sum()} rows need 0 <= units_alive <= units_tested (index {rows})"
        )
    sets = {}
    for (protocol, tissue), rows in counted.groupby(["protocol", "tissue"], sort=True):
        cells = _cells(rows)
        part = _parts(cells)
        for k in range(part.max() + 1):
            sets[(protocol, tissue, k + 1)] = cells[part == k].reset_index(drop=True)
    return sets


def _cells(rows):
    keys = ["hybrid", "run", "temperature_c"]
    summed = (
        rows.groupby(keys, dropna=False, sort=True)[["units_tested", "units_alive"]]
        .sum()
        .reset_index()
    )
    cells = summed.rename(columns={"units_tested": "tested", "units_alive": "alive"})
    cells = cells.astype({"tested": float, "alive": float, "temperature_c": float})
    return cells.assign(load=cells["run"].astype(str) + " @ " + cells["temperature_c"].map(_named))[
        ["hybrid", "run", "load", "temperature_c", "tested", "alive"]
    ]


def _named(temperature):
    return UNFROZEN if np.isnan(temperature) else degrees(temperature)


def degrees(*temperatures: float) -> str:
    """Temperatures in words, with a true minus sign and no more decimals than they have.

    Examples
    --------
    >>> degrees(-2.5, 0.0)
    '−2.5, 0 °C'
    """
    return ", ".join(f"{t + 0.0:g}".replace("-", MINUS) for t in temperatures) + " °C"


def _parts(cells):
    """Number of the part of each cell; unfrozen units tie no runs together and follow their run or hybrid."""
    frozen = cells["temperature_c"].notna()
    if not frozen.any():
        return np.zeros(len(cells), int)
    part = pd.Series(
        _connected(cells.loc[frozen, "run"], cells.loc[frozen, "hybrid"]), index=cells.index[frozen]
    )
    by_run, by_hybrid = (
        part.groupby(cells.loc[frozen, column]).first() for column in ("run", "hybrid")
    )
    own = cells["run"].map(by_run).fillna(cells["hybrid"].map(by_hybrid)).fillna(0)
    return part.reindex(cells.index).fillna(own).to_numpy(int)


def _connected(run, hybrid):
    """Number of the connected part of the graph of runs and hybrids, by row."""
    runs, run_levels = pd.factorize(run, sort=True)
    hybrids, hybrid_levels = pd.factorize(hybrid, sort=True)
    size = len(hybrid_levels) + len(run_levels)
    edges = sparse.coo_array(
        (np.ones(len(run)), (hybrids, len(hybrid_levels) + runs)), shape=(size, size)
    )
    return sparse.csgraph.connected_components(edges, directed=False)[1][hybrids]


def why_no_curve(cells: pd.DataFrame) -> str | None:
    """Why a set of freeze tests carries no curve, or None when it does.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`survival_sets`.

    Returns
    -------
    str or None
        A sentence that says what is the matter and what mends it.
    """
    frozen, control = _split(cells)
    temperatures = np.sort(frozen["temperature_c"].unique())[::-1]
    if len(temperatures) == 0:
        return "Only unfrozen control units were counted: without frozen units there is no curve."
    return (
        _wrong_sign(temperatures)
        or _too_few(temperatures)
        or _unsound_control(control)
        or _contradiction(frozen, control)
        or _nothing_happened(frozen, temperatures)
    )


def _split(cells):
    unfrozen = cells["temperature_c"].isna()
    return cells[~unfrozen], cells[unfrozen]


def _wrong_sign(temperatures):
    if (temperatures >= 0).all() and (temperatures > 0).any():
        return (
            f"All freezing temperatures are above zero ({degrees(*temperatures)}): the minus sign was "
            "left out. Enter them as negative numbers."
        )
    slipped = [t for t in temperatures if t > 0 and -t in temperatures]
    if slipped:
        return (
            f"Temperatures appear with and without a minus sign ({degrees(*slipped)}): enter frozen "
            "units with negative numbers and the unfrozen control as NA."
        )
    return None


def _too_few(temperatures):
    if len(temperatures) >= LEAST_TEMPERATURES:
        return None
    if len(temperatures) == 1:
        return (
            f"Only one temperature was tested ({degrees(temperatures[0])}): it says how many units lived "
            "there, and nothing of the temperature that kills half. "
            f"At least {LEAST_TEMPERATURES} temperatures are needed."
        )
    return (
        f"Only {len(temperatures)} temperatures were tested ({degrees(*temperatures)}): a curve could "
        f"be laid through them, but not judged. At least {LEAST_TEMPERATURES} are needed."
    )


def _unsound_control(control):
    dead, tested = (control["tested"] - control["alive"]).sum(), control["tested"].sum()
    if tested and dead > WORST_CONTROL * tested:
        return (
            f"{dead:.0f} of {tested:.0f} unfrozen control units died: the material was not sound, and "
            "what the frost did to it cannot be told."
        )
    return None


def _contradiction(frozen, control):
    """Unfrozen units that died clearly more often than the ones frozen least."""
    if control.empty:
        return None
    warmest = frozen["temperature_c"].max()
    mild = frozen.loc[frozen["temperature_c"].eq(warmest), ["alive", "tested"]].sum()
    whole = control[["alive", "tested"]].sum()
    counts = [[part["alive"], part["tested"] - part["alive"]] for part in (whole, mild)]
    if stats.fisher_exact(counts, alternative="less").pvalue > CONTRADICTION_P:
        return None
    return (
        f"Of the unfrozen control units {counts[0][1]:.0f} of {whole['tested']:.0f} died, of those "
        f"frozen to {degrees(warmest)} only {counts[1][1]:.0f} of {mild['tested']:.0f}: the control was "
        "damaged, or control and frozen units were exchanged. No natural death can be taken from it."
    )


def _nothing_happened(frozen, temperatures):
    alive, tested = frozen["alive"].sum(), frozen["tested"].sum()
    if alive == tested:
        return (
            "All units lived at every temperature: LT50 is below "
            f"{degrees(temperatures[-1])} for every hybrid. Test colder."
        )
    if alive == 0:
        return (
            f"All frozen units died: LT50 is above {degrees(temperatures[0])} for every hybrid. "
            "Test warmer."
        )
    return None


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
    words = []
    if control.empty:
        words.append(
            "There was no unfrozen control: natural death is taken as none, and units that died of "
            "something else count as killed by frost. LT50 is then given too warm."
        )
    elif missing := sorted(set(frozen["hybrid"]) - set(control["hybrid"])):
        words.append(
            f"No unfrozen control of {', '.join(missing)}: the others' natural death is used."
        )
    if frozen["run"].nunique() == 1:
        words.append(
            "There was one freezer run, so a run that froze harder than its thermometer said cannot "
            "be told from tender hybrids: LT50 has no interval of its own, only its difference from "
            "the control has."
        )
    elif frozen.groupby("run")["temperature_c"].nunique().max() == 1:
        words.append(
            "Every run froze at one temperature only, so the runs' shifts are part of what sets "
            "temperatures apart, and intervals are wide."
        )
    if (probability := same_natural_death(control)) < 0.01:
        words.append(
            "Natural death differs among the hybrids' unfrozen controls "
            f"(p = {probability:.2g}); one common share is used."
        )
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
    Pearson's chi-squared statistic against tables drawn with the margins held, as the deaths are too few for
    the chi-squared distribution.
    """
    sums = control.groupby("hybrid")[["tested", "alive"]].sum()
    tested = sums["tested"].to_numpy(int)
    dead = tested - sums["alive"].to_numpy(int)
    if len(sums) < 2 or dead.sum() in (0, tested.sum()):
        return 1.0
    expected = tested * dead.sum() / tested.sum()
    drawn = np.random.default_rng(seed).multivariate_hypergeometric(
        tested, int(dead.sum()), size=tables
    )
    distance = ((drawn - expected) ** 2 / expected).sum(axis=1)
    seen = ((dead - expected) ** 2 / expected).sum()
    return float((1 + (distance >= seen - 1e-9).sum()) / (tables + 1))


def observed_survival(cells: pd.DataFrame, natural_death: float | None = None) -> pd.DataFrame:
    """What was counted by hybrid and temperature, over the runs.

    Parameters
    ----------
    cells : DataFrame
        One set of :func:`survival_sets`.
    natural_death : float, optional
        Share of units that die unfrozen, 0-1; by default the share of the set's own control, 0 without one.

    Returns
    -------
    DataFrame
        ``hybrid, temperature_c`` (missing: unfrozen), ``runs, tested, alive, share, lower, upper`` (Wilson;
        it takes units as independent, so it is a lower bound of the uncertainty), ``kill`` (corrected for
        natural death, 0-1).

    Notes
    -----
    Kill is 1 - share/(1 - c), c the natural death, and 0 where more lived than of the control.

    References
    ----------
    Abbott (1925) J. Econ. Entomol. 18:265-267.
    """
    if natural_death is None:
        control = _split(cells)[1]
        natural_death = (
            1 - control["alive"].sum() / control["tested"].sum() if len(control) else 0.0
        )
    table = (
        cells.groupby(["hybrid", "temperature_c"], dropna=False)
        .agg(runs=("run", "nunique"), tested=("tested", "sum"), alive=("alive", "sum"))
        .reset_index()
    )
    lower, upper = share_interval(table["alive"], table["tested"])
    share = table["alive"] / table["tested"]
    kill = np.maximum(1 - share / (1 - natural_death), 0.0)
    kill = kill.where(table["temperature_c"].notna())
    return table.assign(share=share, lower=lower, upper=upper, kill=kill).sort_values(
        ["hybrid", "temperature_c"], ascending=[True, False], na_position="first", ignore_index=True
    )


def bracketing(observed: pd.DataFrame) -> pd.DataFrame:
    """Whether the temperatures tested hold each hybrid's LT50 between them, in words.

    Parameters
    ----------
    observed : DataFrame
        From :func:`observed_survival`.

    Returns
    -------
    DataFrame
        ``hybrid, is_bracketed, side`` (where LT50 lies beyond the test: ``cold``, ``warm`` or blank),
        ``least_kill, most_kill`` (corrected, 0-1), ``warmest_c, coldest_c`` [°C] tested, ``answer``: blank
        when bracketed, else what can be said instead of a number.

    Notes
    -----
    Bracketed means that the corrected kill was under 30 % at one temperature and over 70 % at another.
    """
    frozen = observed[observed["temperature_c"].notna()]
    table = (
        frozen.groupby("hybrid")
        .agg(
            least_kill=("kill", "min"),
            most_kill=("kill", "max"),
            warmest_c=("temperature_c", "max"),
            coldest_c=("temperature_c", "min"),
        )
        .reset_index()
    )
    cold, warm = table["most_kill"].le(HIGH_KILL), table["least_kill"].ge(LOW_KILL)
    table["is_bracketed"] = ~cold & ~warm
    table["side"] = np.select([cold & ~warm, warm & ~cold], ["cold", "warm"], "")
    table["answer"] = [_answer(row) for row in table.itertuples()]
    return table[
        [
            "hybrid",
            "is_bracketed",
            "side",
            "least_kill",
            "most_kill",
            "warmest_c",
            "coldest_c",
            "answer",
        ]
    ]


def _answer(row):
    least, most = (f"{100 * kill:.0f} %" for kill in (row.least_kill, row.most_kill))
    if row.is_bracketed:
        return ""
    if row.side == "":
        return f"not bracketed: {least} to {most} killed at every temperature"
    if row.side == "cold":
        return (
            f"below {degrees(row.coldest_c)}"
            if row.most_kill <= 0.5
            else (f"not bracketed: at most {most} killed, test below {degrees(row.coldest_c)}")
        )
    return (
        f"above {degrees(row.warmest_c)}"
        if row.least_kill >= 0.5
        else (f"not bracketed: at least {least} killed, test above {degrees(row.warmest_c)}")
    )
