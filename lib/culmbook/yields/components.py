"""How does each plot's yield come about: plants, stems per plant, and mass per stem? What would a
full stand give? How many plants are worth measuring?

Yield per planted area is the main figure: gaps are the hybrid's own result where it lost the
plants. The yield at full stand is a second one, for telling a poor stand from a poor plant.
"""

from collections import namedtuple

import numpy as np
import pandas as pd

from culmbook.stats.curves import PartialSlope, partial_slope
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal, where_possible
from culmbook.trials.dry_yield import KEY, PLACE, STRATA, is_slip
from culmbook.trials.seasons import planting_year
from culmbook.yields.means import label_of, settled

COMPONENTS = ("plants_per_m2", "stems_per_plant", "stem_mass_g")
"""Components whose product is the yield."""
MEASURED = (*COMPONENTS, "stem_height_cm", "stem_diameter_mm", "leaf_fraction", "product_t_ha")
NOT_STATED = "not stated"
LEAST_SPREAD = 0.05  # of the log stand within hybrids: less than 5 % says nothing
RANK_FLOOR = 0.60
LEAST_PLOTS = 10
PLANTS = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20)
ENOUGH = 0.20  # share of a mean's variance that plants may still make up
MEASUREMENTS = {
    "stems": "Stems per plant",
    "stem_height_cm": "Stem height",
    "stem_diameter_mm": "Stem diameter",
    "stem_dry_mass_g": "Mass per stem",
}
Spread = namedtuple("Spread", "measurement between_plots between_plants n_plots n_plants")
"""Variances of one measurement: between plots of a hybrid and between plants of a plot; and their
numbers.
"""
_VALUES = ["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g", "leaf_fraction"]
_SITE_YEAR = ["site", "growing_season"]


def plot_components(
    stems: pd.DataFrame,
    counts: pd.DataFrame,
    plots: pd.DataFrame,
    slips: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Yield components of every plot and season in which stems were measured.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures``; blanks are not observed.
    counts : DataFrame
        Table ``stand_counts``.
    plots : DataFrame
        Table ``plots``; plots with a status other than ok are not in the result.
    slips : DataFrame, optional
        Problems of the network (``code, file, line``); plants noted with ``N-SLIP`` are not
        averaged and are counted in ``n_slips``.

    Returns
    -------
    DataFrame
        One row per plot and season: the plot's columns, ``growing_season, crop_year, measured_on``,
        ``n_plants, n_slips``, ``plants_per_m2, stems_per_plant, stem_mass_g, stem_height_cm,
        stem_diameter_mm, leaf_fraction``, ``height_method`` and ``product_t_ha``. The plot's last
        day of counting or weighing stems counts, else its last day of measuring. A component that
        was not observed is missing, and so is the product.

    Notes
    -----
    ``Y = plants per m² x stems per plant x grams per stem / 100`` [t/ha]. Plants per m² are those
    alive at the last count up to the day of measuring, over the plot's area. Grams per stem is the
    mass of all stems over their number where both were observed, so that the product is the mean
    mass of a plant. Where a site measured height by two methods in one season, only the method with
    more plots fills ``stem_height_cm``: heights to the ligule and to the panicle are different
    things.
    """
    ok = plots[plots["status"].eq("ok")]
    rows = stems.merge(ok[["site", "plot"]], on=["site", "plot"])
    rows = _last_day(rows.assign(is_slip=is_slip(rows, slips)))
    kept = rows[~rows["is_slip"]]
    n_slips = rows.groupby(KEY)["is_slip"].sum().rename("n_slips").reset_index()
    frame = _averaged(kept).merge(n_slips, on=KEY, how="left")
    frame = frame.merge(_heights(kept), on=KEY, how="left")
    ground = ok[PLACE].assign(planting_season=planting_year(plots))
    frame = _with_density(frame.merge(ground, on=["site", "plot"]), counts)
    crop_year = frame["growing_season"].astype("float64") - frame["planting_season"] + 1
    product = frame["plants_per_m2"] * frame["stems_per_plant"] * frame["stem_mass_g"] / 100
    frame = frame.assign(crop_year=crop_year, product_t_ha=product)
    return frame.sort_values(KEY, ignore_index=True)


def _last_day(rows):
    """Rows of the last day on which a plot's stems were counted or weighed, else of its last day."""
    tells = rows["measured_on"].where(rows["stems"].notna() | rows["stem_dry_mass_g"].notna())
    last = tells.groupby([rows[k] for k in KEY]).transform("max")
    last = last.fillna(rows.groupby(KEY)["measured_on"].transform("max"))
    return rows[rows["measured_on"].eq(last)]


def _averaged(rows):
    values = rows.assign(**{name: rows[name].astype("float64") for name in _VALUES})
    both = values["stems"].notna() & values["stem_dry_mass_g"].notna()
    values["mass"] = (values["stems"] * values["stem_dry_mass_g"]).where(both)
    values["weighed"] = values["stems"].where(both)
    groups = values.groupby(KEY)
    sums, means = groups[["mass", "weighed"]].sum(min_count=1), groups[_VALUES].mean()
    mass = sums["mass"] / sums["weighed"].where(sums["weighed"] > 0)
    frame = means[["stem_diameter_mm", "leaf_fraction"]].assign(
        stems_per_plant=means["stems"],
        stem_mass_g=mass.fillna(means["stem_dry_mass_g"]),
        n_plants=groups.size(),
        measured_on=groups["measured_on"].max(),
    )
    return frame.reset_index()


def _heights(rows):
    """Mean height by the method that most plots of a site and season were measured with, and its
    name.
    """
    rows = with_method(rows)
    rows = rows.merge(usual_methods(rows).rename("usual").reset_index(), on=_SITE_YEAR)
    rows = rows[rows["height_method"].eq(rows["usual"])]
    return rows.groupby([*KEY, "height_method"], as_index=False)["stem_height_cm"].mean()


def with_method(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``stem_measures`` with a height, and how it was measured."""
    rows = rows.dropna(subset=["stem_height_cm"])
    return rows.assign(height_method=rows["height_method"].astype("str").fillna(NOT_STATED))


def usual_methods(rows: pd.DataFrame) -> pd.Series:
    """The method with most plots in each site and season; a tie goes to the first by name."""
    plots = rows.drop_duplicates([*KEY, "height_method"])
    sizes = plots.groupby([*_SITE_YEAR, "height_method"]).size().rename("n").reset_index()
    sizes = sizes.sort_values(["n", "height_method"], ascending=[False, True], kind="stable")
    return sizes.drop_duplicates(_SITE_YEAR).set_index(_SITE_YEAR)["height_method"]


def _with_density(frame, counts):
    known = counts.dropna(subset=["plants_alive"]).rename(columns={"counted_on": "measured_on"})
    known = known[["site", "plot", "measured_on", "plants_alive"]]
    frame, known = (t.sort_values("measured_on", kind="stable") for t in (frame, known))
    frame = pd.merge_asof(frame, known, on="measured_on", by=["site", "plot"])
    area = frame["plot_length_m"] * frame["plot_width_m"]
    frame["plants_per_m2"] = frame["plants_alive"].astype("float64") / area
    return frame.drop(columns="plants_alive")


def with_yield(components: pd.DataFrame, yields: pd.DataFrame) -> pd.DataFrame:
    """Components beside the yield that was cut.

    Parameters
    ----------
    components : DataFrame
        From :func:`plot_components`.
    yields : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`; rows left out there have no yield here.

    Returns
    -------
    DataFrame
        ``components`` with ``dry_yield_t_ha``, missing where the plot was not cut or left out.
    """
    used = yields.loc[yields["left_out"].isna(), [*KEY, "dry_yield_t_ha"]]
    return components.merge(used, on=KEY, how="left")


def log_components(
    frame: pd.DataFrame, names=COMPONENTS, *, outcome: str = "product_t_ha"
) -> pd.DataFrame:
    """Logs of components and of a yield, for plots where all are over 0.

    Parameters
    ----------
    frame : DataFrame
        From :func:`with_yield` or :func:`plot_components`.
    names : sequence of str
        Components.
    outcome : str
        ``product_t_ha`` or ``dry_yield_t_ha``.

    Returns
    -------
    DataFrame
        ``frame``'s columns, each name and the outcome on the natural log scale; ``rest`` = log
        outcome less the logs of the components (constant for the product), and ``unit``: plots of
        one replicate and planting treatment share a level. Plots with a value that is missing or 0
        are not in it.

    Raises
    ------
    Refusal
        A column that was observed in no plot (named).
    """
    wanted = [*names, outcome]
    absent = [c for c in wanted if c not in frame or frame[c].isna().all()]
    if absent:
        named = fmt_list([label_of(c).lower() for c in absent])
        raise Refusal(
            f"Not observed in any plot: {named}; what makes the yield cannot be told without."
        )
    whole = frame[(frame[wanted] > 0).all(axis=1)]
    logs = np.log(whole[wanted])
    keys = ["site", "trial", "replicate", "main_plot", "planting_method", "film"]
    return whole.assign(
        **{c: logs[c] for c in wanted},
        rest=logs[outcome] - logs[list(names)].sum(axis=1),
        unit=whole[keys].astype("str").fillna("").agg(":".join, axis=1),
    ).reset_index(drop=True)


def plot_traits(
    plots: pd.DataFrame,
    components: pd.DataFrame,
    yields: pd.DataFrame,
    phenology: pd.DataFrame,
    season: int,
) -> pd.DataFrame:
    """Leaf share, ash, day of flowering and senescence of the plots in a season.

    Parameters
    ----------
    plots : DataFrame
        Table ``plots``, those looked at.
    components : DataFrame
        From :func:`plot_components`.
    yields : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`; rows left out tell of no ash.
    phenology : DataFrame
        Table ``phenology``; ``flowered = no`` with a blank date is a plot that never flowered,
        which is not missing. Only of ok plots.
    season : int

    Returns
    -------
    DataFrame
        One row per plot: its columns, ``leaf_fraction, ash_pct, flowering_day`` (1 =
        1 January; missing where it did not happen or was not seen), ``flowered`` {yes, no,
        missing}, ``senescence_score``.
    """
    seen = phenology.merge(plots.loc[plots["status"].eq("ok"), ["site", "plot"]])
    seen = seen.assign(
        flowering_day=seen["flowered_on"].dt.day_of_year.astype("float64"),
        senescence_score=seen["senescence_score"].astype("float64"),
    )
    frame = plots[STRATA]
    for source, names in (
        (components, ["leaf_fraction"]),
        (yields[yields["left_out"].isna()], ["ash_pct"]),
        (seen, ["flowering_day", "flowered", "senescence_score"]),
    ):
        own = source.loc[source["growing_season"].eq(season), ["site", "plot", *names]]
        frame = frame.merge(own, on=["site", "plot"], how="left")
    return frame


def fit_stand_power(frame: pd.DataFrame, *, level: float = 0.95) -> PartialSlope:
    """Power of the stand that yield goes with, within hybrids.

    Parameters
    ----------
    frame : DataFrame
        Yields of one season with ``stand``, the share of planted plants alive (replants stand too).
        Rows left out, without a stand or with nothing to weigh are not used.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    PartialSlope
        ``slope`` 1: yield falls in step with the plants; 0: the neighbours fill every gap.

    Raises
    ------
    Refusal
        Where stands within hybrids are too alike to tell.

    Notes
    -----
    ``log Y = hybrid + site x trial x replicate + power x log stand`` by least squares.
    """
    rows = frame[frame["left_out"].isna() & frame["dry_yield_t_ha"].gt(0) & frame["stand"].gt(0)]
    place = rows["site"].astype(str) + ":" + rows["trial"].astype(str) + ":"
    entry, replicate = place + rows["hybrid"].astype(str), place + rows["replicate"].astype(str)
    log_stand = np.log(rows["stand"])
    own = log_stand - log_stand.groupby(entry).transform("mean")
    if len(rows) < 3 or not own.std() >= LEAST_SPREAD:
        raise Refusal(
            "The stands of one hybrid's plots are too alike to tell how yield goes with the "
            "stand, so there is no yield at full stand."
        )
    return partial_slope(log_stand, np.log(rows["dry_yield_t_ha"]), [entry, replicate], level)


def at_full_stand(
    frame: pd.DataFrame, power: float, *, rank_floor: float = RANK_FLOOR
) -> pd.DataFrame:
    """Yield that a plot would have given with every plant standing.

    Parameters
    ----------
    frame : DataFrame
        Yields with ``stand``.
    power : float
        From :func:`fit_stand_power` or a parameter, 0-1.
    rank_floor : float
        Stand under which a plot's yield is not reckoned to a full one, 0-1.

    Returns
    -------
    DataFrame
        ``frame`` with ``full_stand_t_ha`` (missing without a stand, or where it is under the floor:
        that is too far to reckon) and ``is_ranked``.

    Raises
    ------
    ValueError
        A power or floor outside 0-1.

    Notes
    -----
    ``Y / stand**power``.

    Examples
    --------
    >>> plot = pd.DataFrame({"dry_yield_t_ha": [8.0, 8.0], "stand": [0.81, 0.5]})
    >>> at_full_stand(plot, 0.5)["full_stand_t_ha"].round(2).tolist()
    [8.89, nan]
    """
    if not (0 <= power <= 1 and 0 <= rank_floor <= 1):
        raise ValueError(f"power = {power} and rank_floor = {rank_floor} must lie between 0 and 1")
    is_ranked = frame["stand"].ge(rank_floor)
    adjusted = frame["dry_yield_t_ha"] / frame["stand"].where(is_ranked) ** power
    return frame.assign(full_stand_t_ha=adjusted, is_ranked=is_ranked)


def plant_spread(stems: pd.DataFrame, plots: pd.DataFrame, measurement: str) -> Spread:
    """Variances between plots and between plants on the log scale.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures`` of the season(s) to learn from; pooled samples and blanks are not
        used.
    plots : DataFrame
        Table ``plots``: ``site, plot, trial, replicate, hybrid, status``; only ok ones.
    measurement : str
        Column of ``stems``, over 0.

    Returns
    -------
    Spread

    Raises
    ------
    Refusal
        Fewer than ten plots with two or more plants, or a search that does not settle.

    Notes
    -----
    ``log x = hybrid x trial x season + replicate + plot + plant`` by REML, the first two fixed.
    """
    ok = plots.loc[plots["status"].eq("ok"), ["site", "plot", "trial", "replicate", "hybrid"]]
    rows = stems[stems["plant"].ne("pooled") & stems[measurement].gt(0).fillna(False)]
    rows = rows.merge(ok, on=["site", "plot"])
    rows = rows[rows["measured_on"].eq(rows.groupby(KEY)["measured_on"].transform("max"))]
    rows = rows[rows.groupby(KEY)["plant"].transform("size") > 1]
    site, season = rows["site"].astype(str), rows["growing_season"].astype(str)
    place = site + ":" + rows["trial"].astype(str) + ":" + season
    rows = rows.assign(
        value=np.log(rows[measurement].astype("float64")),
        plot_key=site + ":" + rows["plot"].astype(str) + ":" + season,
        replicate_key=place + ":" + rows["replicate"].astype(str),
        entry=place + ":" + rows["hybrid"].astype(str),
    )
    label, n_plots = MEASUREMENTS.get(measurement, measurement), rows["plot_key"].nunique()
    if n_plots < LEAST_PLOTS:
        raise Refusal(
            f"{label}: fewer than {LEAST_PLOTS} plots with two plants or more, so the spread of "
            "plants is not known."
        )
    design, terms = pd.get_dummies(rows["entry"], dtype=float), ["replicate_key", "plot_key"]
    fit = settled(f"{label}: the spread of plants is not known", rows, "value", design, terms)
    plots_, plants = float(fit.variances["plot_key"]), float(fit.variances["residual"])
    return Spread(measurement, plots_, plants, n_plots, len(rows))


def plant_spreads(stems: pd.DataFrame, plots: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Spread of every measurement that was taken on single plants.

    Parameters
    ----------
    stems, plots : DataFrame
        As for :func:`plant_spread`.

    Returns
    -------
    tuple of DataFrame and list of str
        ``label`` and the fields of :class:`Spread`; and why other measurements have none.

    Raises
    ------
    Refusal
        None has one.
    """
    found, told = where_possible(MEASUREMENTS, lambda name: plant_spread(stems, plots, name))
    spreads = pd.DataFrame(found.values())
    return spreads.assign(label=spreads["measurement"].map(MEASUREMENTS)), told


def plan_plants(spreads: pd.DataFrame, plots: int, plants: tuple = PLANTS) -> pd.DataFrame:
    """What measuring more plants of each plot would bring.

    Parameters
    ----------
    spreads : DataFrame
        From :func:`plant_spreads`.
    plots : int
        Plots of each hybrid, over 0.
    plants : sequence of int
        Numbers of plants to look at, each over 0.

    Returns
    -------
    DataFrame
        ``plants, plots, se_hybrid`` (standard error of a hybrid's mean, log scale: 0.1 is about 10
        %), ``from_plants`` (share of its variance that comes from measuring few plants),
        ``is_enough, measurement``; the measurements one under the other.

    Notes
    -----
    ``(v_plots + v_plants / n) / r``. However many plants are measured, the first term stays: past
    some number only more plots help.

    Examples
    --------
    >>> spreads = pd.DataFrame({"label": ["Stems"], "between_plots": 0.04, "between_plants": 0.09})
    >>> plan_plants(spreads, 3, (1, 9)).round(3)[["plants", "se_hybrid", "from_plants"]]
       plants  se_hybrid  from_plants
    0       1      0.208        0.692
    1       9      0.129        0.200
    """
    plan = spreads.merge(pd.DataFrame({"plants": plants, "plots": plots}), how="cross")
    own = plan["between_plants"] / plan["plants"]
    variance = plan["between_plots"] + own
    return plan[["plants", "plots"]].assign(
        se_hybrid=np.sqrt(variance / plots),
        from_plants=own / variance,
        is_enough=own / variance <= ENOUGH + 1e-12,
        measurement=plan["label"],
    )
