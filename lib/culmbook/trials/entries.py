"""Which hybrids are judged and against what: controls, guards, plots that count; and whether the
trials hang together through them.

Hybrids and growing conditions (site x trial x season x planting treatment) are the two kinds of
knots of a network; every yield ties a hybrid to a condition. Parts of the network without a tie
between them have no comparison with each other, whatever model is fitted: a difference between them
may be one of hybrids or one of ground and weather.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from culmbook.sheets.values import did_you_mean
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of


def control_of(network) -> str:
    """The reference control: the one settings name, else the first hybrid with the role control;
    '' if none.
    """
    controls = controls_of(network)
    return network.settings.reference_control or (controls[0] if controls else "")


def controls_of(network) -> list[str]:
    """All controls of the network, the settings' own list first."""
    named = list(network.settings.controls)
    hybrids = network.tables["hybrids"]
    return named or list(hybrids.loc[hybrids["role"].eq("control"), "hybrid"])


def without_guards(plots: pd.DataFrame, hybrids: pd.DataFrame) -> pd.DataFrame:
    """Plots of candidates and controls: a guard shields its neighbours and is not judged.

    Parameters
    ----------
    plots : DataFrame
        With ``hybrid``.
    hybrids : DataFrame
        Table ``hybrids``: ``hybrid, role``.
    """
    return plots[~plots["hybrid"].isin(hybrids.loc[hybrids["role"].eq("guard"), "hybrid"])]


def trial_of(plots: pd.DataFrame, trial: str = "") -> str:
    """The trial asked for, or the first by name; ``ValueError`` with those there are for another."""
    there = sorted(plots["trial"].unique())
    if trial and trial not in there:
        meant = did_you_mean(trial, there)
        raise ValueError(
            f"trial = {trial!r}: no plot stands in it; trials there are: {fmt_list(there)}"
            + f"; {meant}" * meant.startswith("did")
        )
    return trial or there[0]


def is_used(stand: pd.DataFrame) -> pd.Series:
    """Plots that estimates rest on: status ok, or lost to the hybrid itself (then the loss is its
    result).
    """
    return stand["status"].eq("ok") | stand["status_cause"].eq("plant")


def refuse_incomparable(frame: pd.DataFrame, control: str) -> None:
    """Raise a Refusal where a frame of plots holds no plot of the control, or of no other hybrid."""
    there = sorted(frame["hybrid"].unique())
    if control not in there or len(there) < 2:
        raise Refusal(
            f"The hybrids cannot be compared: the control {control} and another hybrid need a measured "
            f"plot; measured are {fmt_list(there) or 'none'}."
        )


def refuse_control(control: str, there, lacks: str) -> None:
    """Raise where hybrids cannot be compared with the control, because it ``lacks`` something or
    because there is none.

    Raises
    ------
    Refusal
    """
    if control not in there:
        start = f"The control {control} {lacks}" if control else "The network names no control"
        raise Refusal(f"{start}, so hybrids are not compared with one.")


def connected(first: pd.Series, second: pd.Series) -> np.ndarray:
    """Number of the part of each record: records that share a level of either column, directly or
    through others, are of one part.
    """
    one, other = (pd.factorize(column, sort=True)[0] for column in (first, second))
    size = one.max() + other.max() + 2
    ties = sparse.coo_array((np.ones(len(one)), (one, one.max() + 1 + other)), shape=(size, size))
    return csgraph.connected_components(ties, directed=False)[1][one]


class ConnectedSet(NamedTuple):
    """Hybrids that hang together and the sites where they stand, sorted by name."""

    hybrids: list
    sites: list


def connected_sets(records: pd.DataFrame) -> list[ConnectedSet]:
    """Sets of hybrids and conditions within which all hybrids can be compared.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`; ``site, hybrid, condition`` are
        used, none missing.

    Returns
    -------
    list of ConnectedSet
        The set with most hybrids first; one set where everything hangs together.

    Raises
    ------
    ValueError
        No record.

    Notes
    -----
    Connected components of the graph in which a record joins its hybrid and its condition: within
    one, every difference of two hybrids is estimable when hybrids and conditions are fixed.

    References
    ----------
    Weeks & Williams (1964) Technometrics 6:319-324; Searle (1987) Linear Models for Unbalanced
    Data, ch. 5.

    Examples
    --------
    >>> rows = [("S1", "a", "S1:1"), ("S1", "b", "S1:1"), ("S2", "b", "S2:1"), ("S3", "c", "S3:1")]
    >>> [s.hybrids for s in connected_sets(pd.DataFrame(rows, columns=["site", "hybrid", "condition"]))]
    [['a', 'b'], ['c']]
    """
    if records.empty:
        raise ValueError("there is no record, so nothing can hang together")
    own = records[["site", "hybrid", "condition"]].astype(str)
    parts = own.groupby(connected(own["hybrid"], own["condition"]))
    sets = [
        ConnectedSet(*(sorted(rows[c].unique()) for c in ("hybrid", "site"))) for _, rows in parts
    ]
    return sorted(sets, key=lambda s: (-len(s.hybrids), s.hybrids))


def refuse_disconnected(records: pd.DataFrame) -> None:
    """Raise where records fall into parts that share no hybrid.

    Parameters
    ----------
    records : DataFrame
        As in :func:`connected_sets`.

    Raises
    ------
    ValueError
        Names the hybrids and sites of each part, and what would join them.
    """
    sets = connected_sets(records)
    if len(sets) == 1:
        return
    parts = "; ".join(_part_words(s) for s in sets)
    raise ValueError(
        f"the trials fall into {len(sets)} parts that have no hybrid in common, so hybrids of different "
        f"parts cannot be compared: {parts}. A control that stands in every trial would join them; until "
        "then give the records of one part at a time."
    )


def _part_words(part):
    hybrids, sites = n_of(len(part.hybrids), "hybrid"), "site" if len(part.sites) == 1 else "sites"
    return f"{hybrids} ({fmt_list(part.hybrids)}) at {sites} {fmt_list(part.sites)}"


def common_entries(records: pd.DataFrame, controls=()) -> pd.DataFrame:
    """How strongly sites hang together: hybrids that every pair of sites has in common.

    Parameters
    ----------
    records : DataFrame
        As in :func:`connected_sets`; ``condition`` is not needed.
    controls : sequence of str

    Returns
    -------
    DataFrame
        ``site, other, n_hybrids, n_other, n_common, n_common_controls``: hybrids with records at
        either, at both, and controls among the latter. One row per pair, sorted by name; empty with
        one site.
    """
    stands = pd.crosstab(records["site"].astype(str), records["hybrid"].astype(str)).gt(0)
    common = stands.astype(int) @ stands.astype(int).T
    own = stands.loc[:, stands.columns.isin(list(controls))].astype(int)
    shared = own @ own.T
    rows = [
        (a, b, common.loc[a, a], common.loc[b, b], common.loc[a, b], shared.loc[a, b])
        for i, a in enumerate(stands.index)
        for b in stands.index[i + 1 :]
    ]
    columns = ["site", "other", "n_hybrids", "n_other", "n_common", "n_common_controls"]
    return pd.DataFrame(rows, columns=columns)


def linking_words(records: pd.DataFrame, controls=()) -> str:
    """Say how strongly the sites hang together.

    Parameters
    ----------
    records : DataFrame
        As in :func:`connected_sets`.
    controls : sequence of str

    Returns
    -------
    str
        The pair with fewest hybrids in common, and pairs that are compared through other sites
        only.

    Raises
    ------
    Refusal
        One site.
    """
    pairs = common_entries(records, controls)
    if pairs.empty:
        raise Refusal("The yields are of one site: a link between trials takes two.")
    sites = n_of(len(set(pairs["site"]) | set(pairs["other"])), "site")
    apart = pairs[pairs["n_common"] == 0]
    if len(apart):
        named = fmt_list([f"{row.site} and {row.other}" for row in apart.itertuples()])
        verb = "has" if len(apart) == 1 else "have"
        return (
            f"Of the {len(pairs)} pairs among {sites}, {len(apart)} {verb} no hybrid in common ({named}): "
            "their hybrids are compared through others, if at all."
        )
    least = pairs.loc[pairs["n_common"].idxmin()]
    return (
        f"Every pair of the {sites} has hybrids in common; fewest have {least['site']} and {least['other']}: "
        f"{n_of(least['n_common'], 'hybrid')}, of {least['n_hybrids']} and {least['n_other']} there{_only(least)}."
    )


def _only(pair):
    """What the hybrids in common are where all of them are controls; blank otherwise."""
    if pair["n_common_controls"] < pair["n_common"]:
        return ""
    return "; no candidate is among them" if pair["n_common"] > 1 else "; it is a control"
