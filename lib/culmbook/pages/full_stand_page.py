"""What the notebook on yield components says of yields at full stand."""

from culmbook.pages.harvest_page import NO_YIELD, Harvest, means_or_reason
from culmbook.show.headings import Column
from culmbook.show.page import say, table
from culmbook.text.numbers import fmt_interval, fmt_number, fmt_share
from culmbook.text.words import n_of
from culmbook.yields.full_stand import at_full_stand, fit_stand_power, with_stand
from culmbook.yields.means import hybrid_means


def show_full_stand(harvest: Harvest, network, site: str) -> tuple:
    """Yields reckoned to a full stand, beside those per planted area, or why they are not.

    Parameters
    ----------
    harvest : Harvest
    network : Network
    site : str

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if harvest.reason:
        return (say(NO_YIELD, kind="refusal"),)
    stopped = network.stopped(site, "stand_counts")
    if stopped:
        return (say(f"{stopped} So there is no yield at full stand.", kind="refusal"),)
    counts, last = network.tables["stand_counts"], harvest.cut["harvested_on"].max()
    standing = _standing(counts[counts["counted_on"] <= last], harvest)
    frame = with_stand(harvest.used, standing)
    try:
        power = fit_stand_power(frame, level=harvest.level)
    except ValueError as error:
        return (say(f"{error}.", kind="refusal"),)
    full = at_full_stand(
        frame, min(max(power.slope, 0.0), 1.0), rank_floor=network.settings.stand.rank_floor
    )
    told = (
        f"Within hybrids, plots with 10 % more of their plants standing yielded "
        f"{fmt_number(100 * (1.1**power.slope - 1), 1)} % more (power {fmt_number(power.slope, 2)}, "
        f"{harvest.percent} % interval {fmt_interval(power.lower, power.upper, 2, share=False)}): 0 "
        f"would be neighbours "
        "that fill every gap, 1 a yield that falls in step with the plants."
    )
    means = means_or_reason(full[full["is_ranked"]], "full_stand_t_ha", "yield at full stand")
    if isinstance(means, str):
        return (say(told), say(means, kind="refusal"))
    return say(told, _unranked_words(full, network.settings.stand.rank_floor)), _full_table(
        full, means, harvest
    )


def _standing(counts, harvest):
    """Last count before the cut: a plot's stand after the winter is not what grew."""
    last = (
        counts.dropna(subset=["plants_alive"])
        .sort_values("counted_on", kind="stable")
        .groupby(["site", "plot"])["plants_alive"]
        .last()
    )
    plots = harvest.plots.merge(
        last.astype("float64").rename("latest_alive").reset_index(), on=["site", "plot"], how="left"
    )
    return plots[["site", "plot", "latest_alive", "plants_planted"]]


def _unranked_words(full, floor):
    n = int((full["stand"].notna() & ~full["is_ranked"]).sum())
    missing = int(full["stand"].isna().sum())
    low = (
        f"{n_of(n, 'plot')} with a stand under {fmt_share(floor)} {'is' if n == 1 else 'are'} not "
        f"reckoned: that is too far."
        if n
        else ""
    )
    blank = (
        f"{n_of(missing, 'plot')} without a count {'is' if missing == 1 else 'are'} left out."
        if missing
        else ""
    )
    return " ".join(filter(None, [low, blank]))


def _full_table(full, means, harvest):
    frame = hybrid_means(means, level=harvest.level)
    stands = full.groupby("hybrid").agg(
        stand=("stand", "mean"), planted_mean=("dry_yield_t_ha", "mean")
    )
    frame = frame.join(stands, on="hybrid").assign(
        is_control=frame["hybrid"].isin(harvest.controls)
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "n_plots": Column("Plots", kind="count"),
        "stand": Column("Mean stand", kind="share"),
        "planted_mean": Column(
            "Per planted area",
            "t/ha",
            digits=2,
            kind="number",
            meaning="Plain mean of all its used plots.",
        ),
        "mean": Column(
            "At full stand",
            "t/ha",
            digits=2,
            kind="number",
            meaning="Mean of the model of yields divided by stand to the power.",
        ),
        "interval": Column(
            f"{harvest.percent} % interval",
            "t/ha",
            digits=2,
            kind="interval",
            ends=("lower", "upper"),
        ),
    }
    return table(
        frame,
        label="full-stand",
        columns=columns,
        strong="is_control",
        caption="Second to the yield per planted area: what a full stand would have given.",
        note="Controls in bold. Yield at full stand tells a poor stand from a poor plant; hybrids that lose "
        "plants still lose them. "
        "The power is taken as known in these intervals.",
    )
