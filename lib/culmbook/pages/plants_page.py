"""What the notebook on yield components says of how many plants to measure next season."""

import pandas as pd

from culmbook.pages.component_figures import plot_plan
from culmbook.pages.component_page import Components
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share
from culmbook.text.words import n_of
from culmbook.yields.sampling import ENOUGH, PLANTS, plan_plants, plant_spread

MEASUREMENTS = {
    "stems": "Stems per plant",
    "stem_height_cm": "Stem height",
    "stem_diameter_mm": "Stem diameter",
    "stem_dry_mass_g": "Mass per stem",
}


def plan_of(part: Components, network) -> tuple[dict, list[str]]:
    """Spread of each measurement between and within plots, and why there is none.

    Parameters
    ----------
    part : Components
    network : Network

    Returns
    -------
    tuple of dict and list of str
        By column of ``stem_measures``; sentences.
    """
    spreads, refused = {}, []
    for name in MEASUREMENTS if not part.reason else ():
        if part.stems[name].notna().sum() == 0:
            refused.append(f"{MEASUREMENTS[name]}: not measured.")
            continue
        try:
            spreads[name] = plant_spread(part.stems, network.tables["plots"], name)
        except ValueError as error:
            why = str(error).removeprefix(f"{name}: ").replace(name, "it")
            refused.append(f"{MEASUREMENTS[name]}: {why}.")
    return spreads, refused


def show_plan(part: Components, spreads: dict, refused: list[str], *, rank: int) -> tuple:
    """How many plants of a plot to measure next season: finding, figure and table, or why it is not known."""
    if part.reason:
        return (
            say("Without measured plants there is no plan for the next season.", kind="refusal"),
        )
    told = [say(s, kind="refusal") for s in refused]
    if not spreads:
        return tuple(told)
    plots = max(int(part.plots.groupby(["site", "hybrid"]).size().median()), 1)
    plans = {MEASUREMENTS[name]: plan_plants(spread, plots) for name, spread in spreads.items()}
    now = int(round(part.plots["n_plants"].median()))
    sentence = _plan_sentence(spreads, plots, now)
    fig, ax = new_figure(2.9)
    plot_plan(plans, ax=ax)
    drawn = figure(
        fig,
        label="plan",
        data=pd.concat([p.assign(measurement=m) for m, p in plans.items()], ignore_index=True),
        alt=f"Falling curves. {sentence}",
        caption=f"Standard error of a hybrid's mean at one site with {n_of(plots, 'plot')} against the "
        f"plants measured in each plot; rings: plants make up no more "
        f"than {fmt_share(ENOUGH)} of its variance.",
    )
    return (
        finding(sentence, rank=rank, label="Next season", see="plan"),
        *told,
        drawn,
        _plan_table(spreads, plans, now),
    )


def _enough(plan):
    few = plan[plan["is_enough"]]
    return f"{few['plants'].iloc[0]}" if len(few) else f"more than {max(PLANTS)}"


def _plan_sentence(spreads, plots, now):
    more = 2 * now
    words = [
        f"from {fmt_number(_error(s, plots, now), 1)} to {fmt_number(_error(s, plots, more), 1)} % for "
        f"{MEASUREMENTS[name].lower()}"
        for name, s in [*spreads.items()][:2]
    ]
    return (
        f"Next season {more} plants of a plot instead of {now} would bring the standard error of a "
        f"hybrid's mean at one site down {fmt_list(words)}."
    )


def _error(spread, plots, plants):
    return 100 * plan_plants(spread, plots, (plants,))["se_hybrid"].iloc[0]


def _plan_table(spreads, plans, now):
    rows = [
        {
            "label": MEASUREMENTS[name],
            "n_plots": s.n_plots,
            "n_plants": s.n_plants,
            "plots_sd": 100 * s.between_plots**0.5,
            "plants_sd": 100 * s.between_plants**0.5,
            "now": _from_plants(s, now),
            "enough": _enough(plans[MEASUREMENTS[name]]),
        }
        for name, s in spreads.items()
    ]
    columns = {
        "label": Column("Measurement"),
        "n_plots": Column("Plots", kind="count"),
        "n_plants": Column("Plants", kind="count"),
        "plots_sd": Column(
            "Between plots",
            "sd, %",
            digits=0,
            kind="number",
            meaning="Standard deviation of logs between plots of a hybrid.",
        ),
        "plants_sd": Column(
            "Between plants",
            "sd, %",
            digits=0,
            kind="number",
            meaning="Standard deviation of logs between plants of a plot.",
        ),
        "now": Column(
            f"From {n_of(now, 'plant')}",
            kind="share",
            meaning="Share of the variance of a mean that comes from measuring few plants.",
        ),
        "enough": Column("Enough", "plants"),
    }
    return table(
        pd.DataFrame(rows),
        label="plants-to-measure",
        columns=columns,
        caption="How much plants of a plot and plots of a hybrid differ, and how many plants are enough.",
        note=f"Enough: plants make up no more than {fmt_share(ENOUGH)} of the variance of a hybrid's mean "
        f"(common practice, no source).",
    )


def _from_plants(spread, now):
    return plan_plants(spread, 1, (now,))["from_plants"].iloc[0]
