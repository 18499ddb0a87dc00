"""How tall are the hybrids' stems, beside the control? A small question, answered from end to end."""

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

from culmbook.show.page import Column, figure, finding, say, table
from culmbook.show.palette import CANDIDATE, INK, page_size
from culmbook.text.numbers import fmt_list
from culmbook.text.words import is_are, n_of

FORMULA = "stem_height_cm ~ hybrid + unit"


def plot_heights(measures, plots, season, trial):
    """Give each plot of a trial its mean stem height on the season's last day of measuring.

    Parameters
    ----------
    measures : pandas.DataFrame
        Stem measures: site, plot, growing_season, measured_on, stem_height_cm [cm, over 0]; blanks are left
        out.
    plots : pandas.DataFrame
        site, plot, trial, replicate, main_plot, block (the last two may be blank), hybrid, status; only plots
        with status ok are used.
    season : int
    trial : str

    Returns
    -------
    pandas.DataFrame
        site, plot, hybrid, unit (the smallest group of plots the trial was laid out in), measured_on,
        n_plants, stem_height_cm; one row per plot. Plots measured earlier only are left out.

    Examples
    --------
    >>> day = pd.Timestamp("2025-11-12")
    >>> measures = pd.DataFrame({"site": "A", "plot": ["1", "1", "2"], "growing_season": 2025,
    ...                          "measured_on": day, "stem_height_cm": [150.0, 170.0, 140.0]})
    >>> plots = pd.DataFrame({"site": "A", "plot": ["1", "2"], "trial": "T", "replicate": "1",
    ...                       "main_plot": None, "block": ["1", "2"], "hybrid": ["H1", "H2"],
    ...                       "status": ["ok", "damaged"]})
    >>> plot_heights(measures, plots, 2025, "T")[["plot", "unit", "n_plants", "stem_height_cm"]].values
    array([['1', '1 / 1', 2, 160.0]], dtype=object)
    """
    kept = plots[(plots["trial"] == trial) & (plots["status"] == "ok")]
    layers = kept[["replicate", "main_plot", "block"]]
    unit = [" / ".join(str(name) for name in names if not pd.isna(name)) for names in layers.values]
    kept = kept.assign(unit=pd.Series(unit, index=kept.index, dtype="str"))
    rows = measures[measures["growing_season"] == season].dropna(subset=["stem_height_cm"])
    rows = rows.merge(kept[["site", "plot", "hybrid", "unit"]], on=["site", "plot"])
    rows = rows[rows["measured_on"] == rows["measured_on"].max()]
    keys = ["site", "plot", "hybrid", "unit", "measured_on"]
    means = rows.groupby(keys, as_index=False)["stem_height_cm"].agg(
        n_plants="size", stem_height_cm="mean"
    )
    return means


def height_differences(heights, control, formula=FORMULA, level=0.95):
    """Estimate each hybrid's difference from the control within the trial's units.

    Parameters
    ----------
    heights : pandas.DataFrame
        From :func:`plot_heights`.
    control : str
        The hybrid to compare with.
    formula : str
        Linear model of the plot means; `hybrid` must be in it.
    level : float
        Confidence of each interval, between 0 and 1.

    Returns
    -------
    pandas.DataFrame
        hybrid, n_plots, difference_cm, low_cm, high_cm; tallest first, without the control.

    Raises
    ------
    ValueError
        When the control has no plot, a difference cannot be estimated from this layout, or fewer than three
        degrees of freedom are left for the error.

    Notes
    -----
    Least squares with one error for all plots; t intervals, each at `level` on its own: at 95 % about one in
    twenty true differences of 0 would be missed.
    """
    if not 0 < level < 1:
        raise ValueError(f"level = {level}: a confidence level lies between 0 and 1")
    others = sorted(set(heights["hybrid"]) - {control})
    if control not in set(heights["hybrid"]) or not others:
        raise ValueError(
            f"hybrid: the control {control} and another hybrid need a measured plot; "
            f"measured are {', '.join(others) or 'none'}"
        )
    coded = heights.assign(hybrid=pd.Categorical(heights["hybrid"], [control, *others]))
    model = smf.ols(formula, coded)
    _check_estimable(model)
    fit = model.fit()
    names = [f"hybrid[T.{name}]" for name in others]
    limits = fit.conf_int(1 - level).loc[names]
    out = pd.DataFrame(
        {
            "hybrid": others,
            "n_plots": heights.groupby("hybrid").size().loc[others].to_numpy(),
            "difference_cm": fit.params[names].to_numpy(),
            "low_cm": limits[0].to_numpy(),
            "high_cm": limits[1].to_numpy(),
        }
    )
    return out.sort_values(["difference_cm", "hybrid"], ascending=[False, True], ignore_index=True)


def _check_estimable(model):
    """Refuse a layout that does not connect the hybrids, or leaves nothing to judge the error by."""
    if np.linalg.matrix_rank(model.exog) < model.exog.shape[1]:
        raise ValueError(
            "hybrid: some hybrids never share a unit with the others, directly or through a "
            "third; compare them in a trial that connects them, or leave the unit out of the "
            "formula"
        )
    if model.df_resid < 3:
        raise ValueError(
            f"stem_height_cm: {len(model.endog)} plots leave {model.df_resid:.0f} degrees of "
            "freedom for the error; at least 3 are needed"
        )


def plot_differences(differences, control, ax):
    """Draw differences from the control with their intervals, one line per hybrid.

    Parameters
    ----------
    differences : pandas.DataFrame
        From :func:`height_differences`.
    control : str
        For the axis.
    ax : matplotlib.axes.Axes

    Returns
    -------
    matplotlib.axes.Axes
    """
    place = np.arange(len(differences))[::-1]
    ax.axvline(0, color=INK, linewidth=0.8)
    ax.hlines(place, differences["low_cm"], differences["high_cm"], color=CANDIDATE)
    ax.plot(differences["difference_cm"], place, marker="o", linestyle="", color=CANDIDATE)
    ax.set_yticks(place, differences["hybrid"])
    ax.set(xlabel=f"Stem height less that of {control} [cm]", ylim=(-0.7, len(differences) - 0.3))
    return ax


def in_words(differences, control):
    """Say how many hybrids are taller or shorter than the control.

    Examples
    --------
    >>> frame = pd.DataFrame({"hybrid": ["H1"], "low_cm": [2.0], "high_cm": [9.0], "difference_cm": [5.5]})
    >>> in_words(frame, "STD")
    'Compared with STD, of 1 hybrid 1 is taller.'
    """
    n, up = len(differences), int((differences["low_cm"] > 0).sum())
    down = int((differences["high_cm"] < 0).sum())
    kinds = ((up, "taller"), (down, "shorter"), (n - up - down, "not to be told apart from it"))
    parts = [f"{count} {is_are(count)} {kind}" for count, kind in kinds if count]
    return f"Compared with {control}, of {n_of(n, 'hybrid')} {fmt_list(parts)}."


def show_heights(heights, control, formula=FORMULA, level=0.95, why=None):
    """Show the differences from the control, or say why there are none.

    Parameters
    ----------
    heights, control, formula, level
        As for :func:`height_differences`.
    why : str, optional
        Why the section cannot run.

    Returns
    -------
    list
        A finding, a table and a figure; or one refusal.
    """
    if why or heights.empty:
        return [say(why or "No stem height was measured in this trial and season.", kind="refusal")]
    try:
        differences = height_differences(heights, control, formula, level)
    except ValueError as reason:
        return [say(f"The hybrids cannot be compared. {reason}.", kind="refusal")]
    text, day = in_words(differences, control), heights["measured_on"].iloc[0]
    fig, ax = plt.subplots(figsize=page_size(min(0.9 + 0.19 * len(differences), 8)))
    plot_differences(differences, control, ax)
    day = f"{day:%Y-%m-%d}"
    about = (
        f"Stem height less that of {control}, measured on {day}, with {100 * level:g} % intervals"
    )
    return [
        finding(text, rank=90, label="Stem height", see="height"),
        table(differences, label="height", caption=f"{about}.", columns=COLUMNS),
        figure(
            fig,
            label="height-figure",
            caption=f"{about}, each on its own.",
            alt=text,
            data=differences,
            columns=COLUMNS,
        ),
    ]


_LIMIT = {"unit": "cm", "kind": "number", "digits": 0}
COLUMNS = {
    "hybrid": Column("Entry"),
    "n_plots": Column("Plots", kind="count"),
    "difference_cm": Column("Difference", **_LIMIT),
    "low_cm": Column("from", **_LIMIT),
    "high_cm": Column("to", **_LIMIT),
}
