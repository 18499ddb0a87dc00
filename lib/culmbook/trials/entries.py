"""Which hybrids are judged and against what: controls, guards, plots that count."""

import pandas as pd

from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal


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
        raise ValueError(
            f"trial = {trial!r}: no plot stands in it; trials there are: {fmt_list(there)}"
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
