"""Scores of spring frost damage, plot by plot: what was scored, by whom, and how long the shoots were up.

Damage is scored 0 (none) to 6 (all leaf killed): an order, not a quantity, so nothing here is a mean score.
"""

import numpy as np
import pandas as pd

from culmbook.text.numbers import fmt_count, fmt_list
from culmbook.trials.entries import is_used
from culmbook.trials.layout import add_strata

HIGHEST = 6
"""Highest damage score."""
PLOT = ["plot", "trial", "replicate", "block", "main_plot", "hybrid", "planting_method", "film"]


def damage_scores(plots, scores, phenology, hybrids, season):
    """Scores of a season's spring frosts, each with its plot, and why some are not used.

    Parameters
    ----------
    plots, phenology, hybrids : pandas.DataFrame
        Tables of these names; `phenology` may be empty.
    scores : pandas.DataFrame
        Table ``frost_scores`` with ``growing_season``.
    season : int

    Returns
    -------
    pandas.DataFrame
        One row per score: site, the plot's columns, status, event (site and date of the frost), frost_on,
        scored_on, observer, damage_score (0–6), leaf_killed (0–1), emerged_on, days_up (days from emergence
        to the frost, negative when it came later; missing where either date is), why_left_out (missing for
        the scores that are used).

    Notes
    -----
    Left out, with the reason: guards, plots set aside by status (unless the hybrid itself was the cause),
    plots not in the table ``plots``, blank scores or observers, and a second score by the same observer of
    the same plot and frost. A frost without a date is known by the day of scoring.
    """
    rows = scores[scores["growing_season"].eq(season)].sort_values(
        ["site", "plot", "scored_on", "observer"]
    )
    kept = ["site", *PLOT, "status", "status_cause"]
    rows = rows.merge(plots[kept], on=["site", "plot"], how="left").merge(
        hybrids[["hybrid", "role"]], on="hybrid", how="left"
    )
    seen = phenology.loc[phenology["growing_season"].eq(season), ["site", "plot", "emerged_on"]]
    rows = rows.merge(seen.drop_duplicates(["site", "plot"]), on=["site", "plot"], how="left")
    frost = pd.to_datetime(rows["frost_on"])
    day = frost.fillna(pd.to_datetime(rows["scored_on"]))
    rows = rows.assign(
        event=rows["site"].astype(str) + " " + day.dt.strftime("%Y-%m-%d"),
        leaf_killed=rows["leaf_killed_pct"].astype("float64") / 100,
        emerged_on=pd.to_datetime(rows["emerged_on"]),
    )
    days_up = (frost - rows["emerged_on"]).dt.days.astype("float64")
    rows = rows.assign(days_up=days_up, why_left_out=_why_left_out(rows))
    columns = [
        "site",
        *PLOT,
        "status",
        "event",
        "frost_on",
        "scored_on",
        "observer",
        "damage_score",
        "leaf_killed",
        "emerged_on",
        "days_up",
        "why_left_out",
    ]
    return rows[columns].reset_index(drop=True)


def _why_left_out(rows):
    again = rows.duplicated(["site", "plot", "event", "observer"])
    reasons = [
        (rows["hybrid"].isna(), "its plot is not in the table of plots"),
        (rows["role"].eq("guard"), "guard plot"),
        (~is_used(rows), "plot set aside by its status"),
        (rows["damage_score"].isna(), "no score"),
        (rows["observer"].isna(), "no observer"),
        (again, "scored again by the same observer"),
    ]
    why = np.select(
        [mask.to_numpy(bool) for mask, _ in reasons], [text for _, text in reasons], default=""
    )
    why = pd.Series(why, index=rows.index, dtype="str")
    return why.where(why.ne(""))


def used_scores(frame):
    """Scores that estimates rest on, as whole numbers."""
    return frame[frame["why_left_out"].isna()].astype({"damage_score": int}).reset_index(drop=True)


def observers_alone(frame):
    """Observers who cannot be told from the site or the block that they scored.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per observer none of whose scores lies where anyone else scored too: observer, where (the
        sites or blocks, in words). Empty when there is one observer only, who differs from nobody.
    """
    rows = add_strata(used_scores(frame))
    if rows["observer"].nunique() < 2:
        return pd.DataFrame({"observer": [], "where": []}, dtype="str")
    word = "block" if rows["block"].notna().all() else "replicate"
    labels = {
        "site": rows["site"].astype(str),
        word: rows["site"].astype(str) + " " + rows[word].astype(str),
    }
    found = {}
    for column, what in (
        (f"{word}_key", word),
        ("site", "site"),
    ):  # a site says more than its blocks
        is_shared = rows.groupby(column)["observer"].transform("nunique").gt(1)
        shares = is_shared.groupby(rows["observer"]).any()
        for observer in shares.index[~shares]:
            places = sorted(labels[what][rows["observer"].eq(observer)].unique())
            found[observer] = f"{what} {fmt_list(places)}"
    return pd.DataFrame(sorted(found.items()), columns=["observer", "where"]).astype("str")


def rows_to_fit(frame, *, at_equal_emergence=False):
    """Scores that hybrids can be compared by, and in words what had to stay away.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.
    at_equal_emergence : bool
        Keep only plots that were up at the frost, since a known date.

    Returns
    -------
    tuple of (pandas.DataFrame, list of str)
        The scores with the keys of the strata that they lie in, and sentences.

    Raises
    ------
    ValueError
        No score, one hybrid, all scores equal; at equal emergence also no date, or all on one day.
    """
    rows, left_out = add_strata(used_scores(frame)), []
    if at_equal_emergence:
        rows, left_out = _rows_up(rows)
    if rows.empty:
        raise ValueError("There is no damage score to use: nothing is known about spring frost.")
    if rows["hybrid"].nunique() < 2:
        raise ValueError("One hybrid only was scored: there is nothing to compare.")
    if rows["damage_score"].nunique() < 2:
        only = rows["damage_score"].iloc[0]
        raise ValueError(f"Every score is {only}: this frost does not tell hybrids apart.")
    return rows.assign(
        replicates=rows["replicate_key"],
        hybrid_event=rows["hybrid"] + " " + rows["event"],
        plot_event=rows["plot_key"] + " " + rows["event"],
    ).reset_index(drop=True), left_out


def _rows_up(rows):
    if rows["days_up"].isna().all():
        raise ValueError(
            "No date of emergence (or of the frost) is known: "
            "damage cannot be compared at equal emergence."
        )
    is_up, hybrids = rows["days_up"].gt(0), set(rows["hybrid"])
    kept = rows[is_up]
    if kept["days_up"].nunique() < 2:
        raise ValueError(
            "All plots that were up emerged on one day: there is nothing to adjust for."
        )
    words = [
        (rows["days_up"].isna(), "without a date of emergence"),
        (rows["days_up"].le(0), "not yet up at the frost"),
    ]
    n = fmt_count(len(rows))
    left_out = [
        f"{fmt_count(mask.sum())} of {n} scores {'is of a plot' if mask.sum() == 1 else 'are of plots'} "
        f"{text}: left out at equal emergence."
        for mask, text in words
        if mask.any()
    ]
    gone = sorted(hybrids - set(kept["hybrid"]))
    if gone:
        left_out.append(f"No plot of {fmt_list(gone)} is left at equal emergence.")
    return kept, left_out


def refuse_observers_alone(rows):
    """Raise ValueError naming the observers of :func:`observers_alone`."""
    alone = observers_alone(rows)
    if len(alone):
        who = "; ".join(
            f"observer {row.observer} scored {row.where} alone" for row in alone.itertuples()
        )
        raise ValueError(
            f"{who[0].upper()}{who[1:]}: what sets the observer apart cannot be told from the place. "
            "Have some plots of every block scored by two observers."
        )


def score_shares(frame):
    """How the scores of each hybrid are spread, every plot and frost counting once.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid (the index), one column per score 0 … 6: shares that sum to 1. A plot scored by
        several observers gives each of its scores the same part of one.

    Examples
    --------
    >>> scores = pd.DataFrame({"event": "X", "site": "X", "plot": ["1", "1", "2"], "hybrid": "A",
    ...                        "damage_score": [1, 2, 2], "why_left_out": [None] * 3})
    >>> score_shares(scores).loc["A"].tolist()
    [0.0, 0.25, 0.75, 0.0, 0.0, 0.0, 0.0]
    """
    rows = used_scores(frame)
    part = 1.0 / rows.groupby(["site", "plot", "event"])["plot"].transform("size")
    sums = part.groupby([rows["hybrid"], rows["damage_score"]]).sum().unstack(fill_value=0.0)
    shares = sums.reindex(columns=range(HIGHEST + 1), fill_value=0.0)
    return shares.div(shares.sum(axis=1), axis=0)


def leaf_killed(frame):
    """Share of leaf killed by hybrid, where it was recorded.

    Parameters
    ----------
    frame : pandas.DataFrame
        From :func:`damage_scores`.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, least killed first: hybrid, n_plots, median, lower_quartile, upper_quartile (of
        the plots' means, 0–1), least, most. Empty where nothing was recorded. A description: plots differ
        in observer and block, which only the model takes into account.
    """
    rows = used_scores(frame).dropna(subset=["leaf_killed"])
    of_plots = rows.groupby(["hybrid", "site", "plot"])["leaf_killed"].mean().groupby("hybrid")
    table = pd.DataFrame(
        {
            "n_plots": of_plots.size(),
            "median": of_plots.median(),
            "lower_quartile": of_plots.quantile(0.25),
            "upper_quartile": of_plots.quantile(0.75),
            "least": of_plots.min(),
            "most": of_plots.max(),
        }
    )
    return table.reset_index().sort_values(["median", "hybrid"], ignore_index=True)
