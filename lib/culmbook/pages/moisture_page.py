"""What the notebook on yield components says of moisture, energy and drying."""

from culmbook.pages.harvest_figures import plot_dry_down, plot_yields
from culmbook.pages.harvest_page import Harvest, means_or_reason
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_list, fmt_number
from culmbook.text.words import each_n, marked, n_of
from culmbook.yields.energy import NCV_DRY_MJ_KG, energy_yield, moisture_class
from culmbook.yields.harvest import MEASURED
from culmbook.yields.means import hybrid_means
from culmbook.yields.moisture import LEAST_DAYS, fit_dry_down, fit_winter_loss, trend_words


def show_moisture(harvest: Harvest, *, ncv_dry_mj_kg: float = NCV_DRY_MJ_KG, rank: int) -> tuple:
    """Moisture and energy of the hybrids, or why they cannot be compared.

    Parameters
    ----------
    harvest : Harvest
    ncv_dry_mj_kg : float
        Net calorific value of dry matter [MJ/kg].
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if harvest.reason:
        return (
            say(
                "Nothing is known of moisture or energy, for the reason given above.",
                kind="refusal",
            ),
        )
    rows = harvest.used[harvest.used["moisture_from"].eq(MEASURED)]
    days = rows.groupby(["site", "trial"])["harvested_on"].agg(["min", "max"])
    spread = (days["max"] - days["min"]).dt.days
    if (spread >= LEAST_DAYS).any():
        return (
            say(
                f"{fmt_list([t for _, t in spread[spread >= LEAST_DAYS].index])}: hybrids were cut on "
                f"days up to {int(spread.max())} days apart, "
                "so their moistures as cut are not comparable; they would have to be moved along a "
                "dry-down line.",
                kind="refusal",
            ),
        )
    means = means_or_reason(rows, "moisture_pct", "moisture")
    if isinstance(means, str):
        return (say(means, kind="refusal"),)
    frame = hybrid_means(means, level=harvest.level).sort_values("mean", ignore_index=True)
    frame = _with_energy(
        frame.assign(moisture_class=moisture_class(frame["mean"])), harvest, ncv_dry_mj_kg
    )
    dry, wet = frame.iloc[0], frame.iloc[-1]
    sentence = (
        f"At the cut, moisture ranged from {fmt_number(dry['mean'], 1)} % of fresh mass "
        f"({dry['hybrid']}) to {fmt_number(wet['mean'], 1)} % ({wet['hybrid']}), "
        f"{n_of(int(frame['n_plots'].sum()), 'plot')} with a sample of their own."
    )
    fig, ax = new_figure(height_for(len(frame)))
    plot_yields(frame, harvest.controls, ax=ax, xlabel="Moisture at the cut [% of fresh mass]")
    drawn = figure(
        fig,
        label="moisture-hybrids",
        data=frame,
        alt=f"One line per hybrid with its moisture and interval. {sentence}",
        caption=f"Moisture at the cut, driest first, with {harvest.percent} % intervals; "
        f"{each_n(frame)}.{marked(frame['hybrid'], harvest.controls)}"
        f"{named_words(len(frame))}",
    )
    return (
        finding(sentence, rank=rank, label="Moisture", see="moisture-hybrids"),
        drawn,
        _moisture_table(frame, harvest, ncv_dry_mj_kg),
    )


def _with_energy(frame, harvest, ncv):
    known = harvest.used[
        harvest.used["moisture_pct"].notna() & harvest.used["dry_yield_t_ha"].notna()
    ]
    energy = means_or_reason(
        known.assign(energy=energy_yield(known["dry_yield_t_ha"], known["moisture_pct"], ncv)),
        "energy",
        "energy",
    )
    if isinstance(energy, str):
        return frame.assign(
            energy=float("nan"), energy_lower=float("nan"), energy_upper=float("nan")
        )
    names = {"mean": "energy", "lower": "energy_lower", "upper": "energy_upper"}
    return frame.merge(
        hybrid_means(energy, level=harvest.level)[["hybrid", *names]].rename(columns=names),
        on="hybrid",
        how="left",
    )


def _moisture_table(frame, harvest, ncv):
    columns = {
        "hybrid": Column("Hybrid"),
        "n_plots": Column(
            "Plots", kind="count", meaning="Plots with a moisture sample of their own."
        ),
        "mean": Column(
            "Moisture", "%", digits=1, kind="number", meaning="Wet basis: water of fresh mass."
        ),
        "interval": Column(
            f"{harvest.percent} % interval", "%", digits=1, kind="interval", ends=("lower", "upper")
        ),
        "moisture_class": Column("Class", meaning="Next class limit at or above the mean."),
        "energy": Column(
            "Energy",
            "GJ/ha",
            digits=0,
            kind="number",
            meaning="Dry yield as used at its moisture, net calorific value as received.",
        ),
        "energy_interval": Column(
            f"{harvest.percent} % interval",
            "GJ/ha",
            digits=0,
            kind="interval",
            ends=("energy_lower", "energy_upper"),
        ),
    }
    return table(
        frame.assign(is_control=frame["hybrid"].isin(harvest.controls)),
        label="moisture",
        columns=columns,
        strong="is_control",
        caption="Moisture at the cut, and energy of a hectare's harvest burnt at that moisture.",
        note=f"Controls in bold. Net calorific value of dry matter taken as {fmt_number(ncv, 1)} MJ/kg for "
        f"every hybrid: energy differs through "
        "yield and water alone. Filled moistures count for energy, not for moisture.",
    )


def show_dry_down(harvest: Harvest) -> tuple:
    """The dry-down line and the winter loss of each site, or why there are none."""
    if harvest.reason:
        return (say("There is no dry-down line, for the reason given above.", kind="refusal"),)
    sites = sorted(harvest.cut["site"].unique())
    lines = {site: _line(fit_dry_down, harvest, site) for site in sites}
    losses = {site: _line(fit_winter_loss, harvest, site) for site in sites}
    told = [
        say(f"{site}: moisture changed by {trend_words(line)}")
        for site, line in lines.items()
        if not isinstance(line, str)
    ]
    told += [
        say(f"{site}: yield changed by {trend_words(loss, is_loss=True)}")
        for site, loss in losses.items()
        if not isinstance(loss, str)
    ]
    drawn = {site: line for site, line in lines.items() if not isinstance(line, str)}
    figures = [
        _dry_figure(harvest, site, line, number)
        for number, (site, line) in enumerate(drawn.items(), 1)
    ]
    refused = [site for site, line in lines.items() if isinstance(line, str)]
    if refused:
        where = f" at {fmt_list(refused)}" if len(sites) > 1 else ""
        reasons = {lines[site] for site in refused}
        told.append(
            say(
                f"{reasons.pop() if len(reasons) == 1 else 'There is no dry-down line'}{where}, so "
                f"neither drying nor what standing longer "
                "costs can be told; cutting a few plots of every trial a week or more earlier would "
                "show both.",
                kind="refusal",
            )
        )
    return (*told, *figures)


def _line(fit, harvest, site):
    try:
        return fit(harvest.yields[harvest.yields["site"].eq(site)], level=harvest.level)
    except ValueError as error:
        return str(error)


def _dry_figure(harvest, site, line, number):
    rows = harvest.yields[
        harvest.yields["site"].eq(site) & harvest.yields["growing_season"].eq(harvest.season)
    ]
    fig, ax = new_figure(3.0)
    plot_dry_down(rows, line, harvest.controls, ax=ax)
    measured = rows.loc[
        rows["moisture_from"].eq(MEASURED), ["plot", "hybrid", "harvested_on", "moisture_pct"]
    ]
    return figure(
        fig,
        label=f"dry-down-{number}",
        data=measured,
        caption=f"Moisture on the day of cutting at {site}, one point per plot "
        f"({fmt_count(len(measured))} plots), with the dry-down line.",
        alt=f"Moisture of plots by day of cutting: {trend_words(line)}",
    )
