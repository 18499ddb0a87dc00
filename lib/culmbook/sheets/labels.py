"""Plots that behave like another hybrid in every season, and observers who score apart from the others."""

import numpy as np
import pandas as pd

from culmbook.sheets.problems import note

FEWEST_SEASONS = 2  # seasons needed before a label is doubted
SWAP_EVIDENCE = 25.0  # drop in squared standardised distance, summed over seasons and traits
MEDIAN_DIFFERENCE = 0.9539  # median |difference| of two normal values of standard deviation 1
FEWEST_SHARED = 5  # plots scored by an observer and by others
APART_T = 3.0  # t value from which on an observer sits apart
APART_CLASSES = 0.5  # and the least mean difference [classes]


def swap_notes(tables):
    """Return a note for each plot whose stems, height and flowering fit another hybrid in every season.

    Each trait is centred on its trial and season. A plot is noted when, in every season, it lies nearer to
    one and the same other hybrid than to its own (whose mean is taken without it), and the squared distances
    in units of the spread within hybrids differ by more than ``SWAP_EVIDENCE`` in all.
    """
    traits = plot_traits(tables)
    found = []
    for (site, _), trial in traits.groupby(["site", "trial"], sort=True):
        swaps = swapped_plots(trial)
        doubtful = [plot for plot, _, _ in swaps]
        found += [_swap_note(tables["plots"], site, *swap, doubtful) for swap in swaps]
    return found


def plot_traits(tables):
    """Return log stems, log height and flowering day of each plot and season (site, trial, plot, hybrid)."""
    key = ["site", "plot", "growing_season"]
    stems = tables["stem_measures"]
    log = stems[key].assign(
        stems=np.log(stems["stems"].astype("float64").where(lambda x: x > 0)),
        height=np.log(stems["stem_height_cm"]),
    )
    means = log.groupby(key, as_index=False).mean()
    flowering = tables["phenology"][key].assign(
        flowering=tables["phenology"]["flowered_on"].dt.day_of_year
    )
    plots = tables["plots"].loc[
        tables["plots"]["status"] == "ok", ["site", "plot", "trial", "hybrid"]
    ]
    return means.merge(flowering, on=key).merge(plots, on=["site", "plot"]).dropna()


def swapped_plots(trial):
    """Return (plot, hybrid that it resembles, evidence) for the doubtful plots of one trial.

    The most doubtful plot is taken out before the others are judged again, since it spoils the mean of the
    hybrid whose label it bears.

    Parameters
    ----------
    trial : pandas.DataFrame
        As returned by :func:`plot_traits`, one trial.
    """
    found = []
    while doubtful := _doubtful_plots(trial):
        found.append(max(doubtful, key=lambda swap: swap[2]))
        trial = trial[trial["plot"] != found[-1][0]]
    return sorted(found)


def _doubtful_plots(trial):
    names = ["stems", "height", "flowering"]
    seasons, hybrids = sorted(trial["growing_season"].unique()), sorted(trial["hybrid"].unique())
    n_plots = trial.groupby("hybrid")["plot"].nunique()
    if len(seasons) < FEWEST_SEASONS or len(hybrids) < 3 or n_plots.max() < 2:
        return []
    own, other, plots = [], [], sorted(trial["plot"].unique())
    for _, season in trial.groupby("growing_season"):
        distances = _distances(season.set_index("plot"), names, hybrids, plots)
        own.append(distances[0])
        other.append(distances[1])
    return _nearer_elsewhere(np.array(own), np.array(other), plots, hybrids)


def _distances(season, names, hybrids, plots):
    """Return squared distances of each plot to its own hybrid without it, and to every other hybrid."""
    values, hybrid = season[names], season["hybrid"]
    grouped = values.groupby(hybrid)
    n = grouped[names[0]].transform("size")
    means = grouped.mean().reindex(hybrids)
    spread = _spread_within(values, hybrid)
    without = grouped.transform("sum").sub(values).div((n - 1).where(n > 1), axis=0)
    own_weight = (1 + 1 / (n - 1).where(n > 1)).to_numpy()
    own = (((values - without) / spread) ** 2).sum(axis=1, skipna=False) / own_weight
    sizes = hybrid.value_counts().reindex(hybrids).to_numpy()
    to_all = (
        ((values.to_numpy()[:, None, :] - means.to_numpy()[None]) / spread.to_numpy()) ** 2
    ).sum(axis=2)
    to_all = to_all / (1 + 1 / sizes)
    to_all[np.arange(len(values)), [hybrids.index(h) for h in hybrid]] = np.inf
    return own.reindex(plots).to_numpy(), pd.DataFrame(to_all, index=season.index).reindex(
        plots
    ).to_numpy()


def _spread_within(values, hybrid):
    """Return the standard deviation within hybrids from the median difference of two plots of a hybrid.

    The median is not moved by the few plots whose label is wrong.
    """
    pairs = [
        np.abs(group[:, None] - group)[np.triu_indices(len(group), 1)]
        for group in (values.to_numpy()[hybrid.to_numpy() == name] for name in hybrid.unique())
    ]
    return pd.Series(
        np.median(np.concatenate(pairs), axis=0) / MEDIAN_DIFFERENCE, index=values.columns
    )


def _nearer_elsewhere(own, other, plots, hybrids):
    """Return the plots nearer to one other hybrid in every season in which they were measured."""
    seen = np.isfinite(own)
    gain = np.where(seen[..., None], own[..., None] - other, np.nan)
    found = []
    for i in range(len(plots)):
        per_season = gain[seen[:, i], i, :]
        if len(per_season) < FEWEST_SEASONS:
            continue
        always = (per_season > 0).all(axis=0)
        total = np.where(always, per_season.sum(axis=0), -np.inf)
        best = int(total.argmax())
        if total[best] > SWAP_EVIDENCE:
            found.append((plots[i], hybrids[best], float(total[best])))
    return found


def _swap_note(plots, site, plot, hybrid, evidence, doubtful):
    row = plots[(plots["site"] == site) & (plots["plot"] == plot)].iloc[0]
    others = ", ".join(other for other in doubtful if other != plot)
    mend = f"labels exchanged with {others}?" if others else "label exchanged?"
    rule = (
        f"plot {plot} is labelled {row['hybrid']}, but its stems, height and flowering are nearer to "
        f"those of {hybrid} in every season (squared distance smaller by {evidence:.0f})"
    )
    return note(
        "N-LABEL",
        row["source_file"],
        rule,
        f"{mend} Check in the field",
        column="hybrid",
        line=int(row["source_line"]),
        value=row["hybrid"],
        table="plots",
        site=site,
    )


def observer_notes(scores):
    """Return a note for each observer whose damage scores sit apart from the others' on shared plots.

    Only plots that several observers scored on the same day count: the mean difference from the others' mean
    is noted when it is at least half a class and three standard errors from zero.
    """
    key = ["site", "plot", "scored_on"]
    frame = scores.dropna(subset=["damage_score"]).copy()
    group = frame.groupby(key)["damage_score"]
    n, total = group.transform("count"), group.transform("sum").astype("float64")
    score = frame["damage_score"].astype("float64")
    frame["difference"] = score - (total - score) / (n - 1).where(n > 1)
    frame["others"] = score - frame["difference"]
    found = []
    for (site, observer), shared in frame.dropna(subset=["difference"]).groupby(
        ["site", "observer"]
    ):
        difference = shared["difference"]
        mean, error = difference.mean(), difference.std() / np.sqrt(len(shared))
        if len(shared) >= FEWEST_SHARED and abs(mean) >= max(APART_CLASSES, APART_T * error):
            found.append(_observer_note(site, observer, shared, mean))
    return found


def _observer_note(site, observer, shared, mean):
    first = shared.loc[
        (np.sign(mean) * shared["difference"]).idxmax()
    ]  # the plot that shows it best
    side = "higher" if mean > 0 else "lower"
    rule = (
        f"observer {observer} scores {abs(mean):.1f} classes {side} than the others on {len(shared)} "
        f"shared plots (here {first['damage_score']} beside {first['others']:g})"
    )
    return note(
        "N-OBSERVER",
        first["source_file"],
        rule,
        "agree on the scale and score some plots together",
        line=int(first["source_line"]),
        column="damage_score",
        value=str(first["damage_score"]),
        table="frost_scores",
        site=site,
    )
