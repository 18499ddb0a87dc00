"""How does each plot's yield come about: plants, stems per plant, and mass per stem?"""

import numpy as np
import pandas as pd

from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of
from culmbook.trials.seasons import planting_year
from culmbook.yields.harvest import KEY, PLACE, is_slip
from culmbook.yields.means import fit_means, hybrid_means

COMPONENTS = {
    "plants_per_m2": ("Plants", "1/m²"),
    "stems_per_plant": ("Stems per plant", "1"),
    "stem_mass_g": ("Mass per stem", "g"),
}
"""Components whose product is the yield: label and unit."""
MEASURES = COMPONENTS | {
    "stem_height_cm": ("Stem height", "cm"),
    "stem_diameter_mm": ("Stem diameter", "mm"),
    "leaf_fraction": ("Leaf share", "share"),
    "product_t_ha": ("Product of the components", "t/ha"),
}
NOT_STATED = "not stated"
_VALUES = ["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g", "leaf_fraction"]


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
        Problems of the network (``code, file, line``); plants noted with ``N-SLIP`` are not averaged and are
        counted in ``n_slips``.

    Returns
    -------
    DataFrame
        One row per plot and season: the plot's columns, ``growing_season, crop_year, measured_on``,
        ``n_plants, n_slips``, ``plants_per_m2, stems_per_plant, stem_mass_g, stem_height_cm,
        stem_diameter_mm, leaf_fraction``, ``height_method`` and ``product_t_ha``. The plot's last
        day of counting or weighing stems counts, else its last day of measuring. A component that was not
        observed is missing, and so is the product.

    Notes
    -----
    ``Y = plants per m² x stems per plant x grams per stem / 100`` [t/ha]. Plants per m² are those alive at
    the last count up to the day of measuring, over the plot's area. Grams per stem is the mass of all
    stems over their number where both were observed, so that the product is the mean mass of a plant.
    Where a site measured height by two methods in one season, only the method with more plots fills
    ``stem_height_cm``: heights to the ligule and to the panicle are different things.
    """
    ok = plots[plots["status"].eq("ok")]
    rows = stems.merge(ok[["site", "plot"]], on=["site", "plot"])
    rows = _last_day(rows.assign(is_slip=is_slip(rows, slips)))
    frame = _averaged(rows[~rows["is_slip"]])
    n_slips = rows.groupby(KEY)["is_slip"].sum().rename("n_slips").reset_index()
    frame = frame.merge(n_slips, on=KEY, how="left").merge(
        _heights(rows[~rows["is_slip"]]), on=KEY, how="left"
    )
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
    sums = groups[["mass", "weighed"]].sum(min_count=1)
    means = groups[_VALUES].mean()
    mass = (sums["mass"] / sums["weighed"].where(sums["weighed"] > 0)).fillna(
        means["stem_dry_mass_g"]
    )
    frame = means[["stem_diameter_mm", "leaf_fraction"]].assign(
        stems_per_plant=means["stems"],
        stem_mass_g=mass,
        n_plants=groups.size(),
        measured_on=groups["measured_on"].max(),
    )
    return frame.reset_index()


def _heights(rows):
    """Mean height by the method that most plots of a site and season were measured with, and its name."""
    rows = rows.dropna(subset=["stem_height_cm"]).assign(height_method=_method(rows))
    usual = _usual_methods(rows).rename("usual").reset_index()
    rows = rows.merge(usual, on=["site", "growing_season"])
    rows = rows[rows["height_method"].eq(rows["usual"])]
    return rows.groupby([*KEY, "height_method"], as_index=False)["stem_height_cm"].mean()


def _method(rows):
    return rows["height_method"].astype("str").fillna(NOT_STATED)


def _usual_methods(rows):
    """The method with most plots in each site and season; a tie goes to the first by name."""
    plots = rows.drop_duplicates([*KEY, "height_method"])
    sizes = (
        plots.groupby(["site", "growing_season", "height_method"]).size().rename("n").reset_index()
    )
    sizes = sizes.sort_values(["n", "height_method"], ascending=[False, True], kind="stable")
    return sizes.drop_duplicates(["site", "growing_season"]).set_index(["site", "growing_season"])[
        "height_method"
    ]


def _with_density(frame, counts):
    known = counts.dropna(subset=["plants_alive"]).sort_values("counted_on", kind="stable")
    known = known[["site", "plot", "counted_on", "plants_alive"]]
    frame = pd.merge_asof(
        frame.sort_values("measured_on", kind="stable"),
        known,
        left_on="measured_on",
        right_on="counted_on",
        by=["site", "plot"],
    )
    area = frame["plot_length_m"] * frame["plot_width_m"]
    return frame.assign(plants_per_m2=frame["plants_alive"].astype("float64") / area).drop(
        columns=["plants_alive", "counted_on"]
    )


def with_yield(components: pd.DataFrame, yields: pd.DataFrame) -> pd.DataFrame:
    """Components beside the yield that was cut.

    Parameters
    ----------
    components : DataFrame
        From :func:`plot_components`.
    yields : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`; rows left out there have no yield here.

    Returns
    -------
    DataFrame
        ``components`` with ``dry_yield_t_ha`` (missing where the plot was not cut or left out) and
        ``product_ratio``, the product over the cut yield.
    """
    used = yields.loc[yields["left_out"].isna(), [*KEY, "dry_yield_t_ha"]]
    frame = components.merge(used, on=KEY, how="left")
    cut = frame["dry_yield_t_ha"].where(frame["dry_yield_t_ha"] > 0)
    return frame.assign(product_ratio=frame["product_t_ha"] / cut)


def log_components(
    frame: pd.DataFrame, names=tuple(COMPONENTS), *, outcome: str = "product_t_ha"
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
        ``frame``'s columns, each name and the outcome on the natural log scale; ``rest`` = log outcome
        less the logs of the components (constant for the product). Plots with a value that is missing or 0
        are not in it.

    Raises
    ------
    ValueError
        A column that does not exist or was observed in no plot (named).
    """
    wanted = [*names, outcome]
    absent = [c for c in wanted if c not in frame or frame[c].isna().all()]
    if absent:
        raise ValueError(
            f"not observed in any plot: {fmt_list(absent)}; the components cannot be told "
            "apart without"
        )
    whole = frame[(frame[wanted] > 0).all(axis=1)]
    logs = np.log(whole[wanted])
    out = whole.assign(**{c: logs[c] for c in wanted})
    return out.assign(rest=logs[outcome] - logs[list(names)].sum(axis=1)).reset_index(drop=True)


def log_words(frame: pd.DataFrame, logs: pd.DataFrame) -> str:
    """Say how many plots the analysis of logs cannot use; blank if it uses all.

    Parameters
    ----------
    frame : DataFrame
        What :func:`log_components` was given.
    logs : DataFrame
        What it returned.
    """
    missing = len(frame) - len(logs)
    if not missing:
        return ""
    nothing = int(
        frame[[c for c in (*COMPONENTS, "dry_yield_t_ha") if c in frame]].eq(0).any(axis=1).sum()
    )
    zero = f", {nothing} because nothing grew or was cut" if nothing else ""
    return f"Left out without every component and a yield: {missing} of {n_of(len(frame), 'plot')}{zero}."


def component_means(
    frame: pd.DataFrame, names=tuple(MEASURES), *, level: float = 0.95
) -> tuple[pd.DataFrame, list[str]]:
    """Mean of every component by hybrid, with its interval and unit.

    Parameters
    ----------
    frame : DataFrame
        From :func:`plot_components` or :func:`with_yield`, one season.
    names : sequence of str
        Columns.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    tuple of DataFrame and list of str
        ``measure, label, unit, hybrid, n_plots, mean, lower, upper``, in the order of ``names``, highest
        mean first; and a sentence for every component that the plots cannot tell of.

    Notes
    -----
    Arithmetic means: the product of a hybrid's mean components is not its mean product where plots vary.
    """
    parts, told = [], []
    for name in names:
        label, unit = MEASURES.get(name, (name, ""))
        try:
            means = hybrid_means(fit_means(frame, name), level=level)
        except ValueError as reason:
            told.append(f"{label}: no means by hybrid, because {reason}.")
            continue
        parts.append(means.assign(measure=name, label=label, unit=unit))
    columns = ["measure", "label", "unit", "hybrid", "n_plots", "mean", "lower", "upper"]
    table = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return table, told


def component_words(stems: pd.DataFrame, components: pd.DataFrame) -> list[str]:
    """Say what stands in the way of comparing components, in sentences.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures``, the seasons of interest.
    components : DataFrame
        From :func:`plot_components`, the same seasons.

    Returns
    -------
    list of str
    """
    if components.empty:
        return ["No stems were measured, so how the yield comes about is not known."]
    absent = [
        MEASURES[c][0].lower()
        for c in MEASURES
        if components[c].isna().all() and c != "product_t_ha"
    ]
    told = [f"Not observed in any plot: {fmt_list(absent)}."] if absent else []
    told += _method_words(stems)
    slips = int(components["n_slips"].sum())
    if slips:
        told.append(
            f"{n_of(slips, 'measured plant')} with a suspected unit slip is left out of the means; "
            "see the list of problems."
        )
    return told


def _method_words(stems):
    rows = stems.dropna(subset=["stem_height_cm"]).assign(height_method=_method(stems))
    used = rows.groupby(["site", "growing_season"])["height_method"].agg(lambda v: sorted(set(v)))
    usual = _usual_methods(rows) if len(rows) else None
    return [
        f"{site}, {season}: heights were measured by two methods ({fmt_list(methods)}). They are "
        f"different things and are kept apart: only those by {usual[(site, season)]} are used."
        for (site, season), methods in used.items()
        if len(methods) > 1
    ]
