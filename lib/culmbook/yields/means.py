"""What does each hybrid give on average, and does it beat the control?

One measured quantity per plot of one season (yield, moisture, height, ash …), hybrids and growing
conditions fixed, and everything the plots were laid out in random. Means are those of the
conditions weighed alike.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from culmbook.mixed import CONVERGED, GaussianFit, compare_together, fit_gaussian
from culmbook.text.refusal import Refusal, where_possible
from culmbook.trials.layout import TERMS, add_strata, random_terms

LEAST_DF = 3
MEASURES = {
    "dry_yield_t_ha": ("Yield", "t/ha"),
    "full_stand_t_ha": ("Yield at full stand", "t/ha"),
    "moisture_pct": ("Moisture", "% of fresh mass"),
    "energy_gj_ha": ("Energy", "GJ/ha"),
    "plants_per_m2": ("Plants", "1/m²"),
    "stems_per_plant": ("Stems per plant", "1"),
    "stems_per_m2": ("Stems per m²", "1/m²"),
    "stem_mass_g": ("Mass per stem", "g"),
    "stem_height_cm": ("Stem height", "cm"),
    "stem_diameter_mm": ("Stem diameter", "mm"),
    "leaf_fraction": ("Leaf share", "share of dry mass"),
    "product_t_ha": ("Product of the components", "t/ha"),
    "ash_pct": ("Ash", "% of dry mass"),
    "flowering_day": ("Flowering", "day of year"),
    "senescence_score": ("Senescence", "score 0–9"),
    "rest": ("Not explained", ""),
}
"""What is measured on plots: label and unit."""
BOUNDS = {"senescence_score": (0, 9), "leaf_fraction": (0, 1), "ash_pct": (0, 100)}
_OWN = {"trial:treatment": "condition", "hybrid:trial": "hybrid_place"}


def label_of(measure: str) -> str:
    """How a measured column is called on the page; a column that has no label keeps its name."""
    return MEASURES.get(measure, (measure, ""))[0]


def axis_label(measure: str) -> str:
    """Label and unit of a measured column, for an axis."""
    label, unit = MEASURES[measure]
    return label if unit == "1" else f"{label}\n[{unit}]"


@dataclass(frozen=True)
class MeansFit:
    """A fitted model of means.

    ``fit`` the mixed model; ``weights`` one row per hybrid and one column per coefficient, whose
    product with the coefficients is the hybrid's mean; ``n_plots`` by hybrid; ``response`` its
    column; ``terms`` the random terms and ``fixed`` the fixed factors that entered.
    """

    fit: GaussianFit
    weights: pd.DataFrame
    n_plots: pd.Series
    response: str
    terms: list
    fixed: list

    @property
    def hybrids(self) -> list[str]:
        return list(self.weights.index)


def settled(what: str, *args, **kwargs) -> GaussianFit:
    """Fit a mixed model, or refuse: what cannot be told, and why.

    Parameters
    ----------
    what : str
        Begin of the refusal's sentence.
    *args, **kwargs
        Of :func:`culmbook.mixed.fit_gaussian`.
    """
    try:
        fit = fit_gaussian(*args, **kwargs)
    except ValueError as error:
        raise Refusal(f"{what}, because {error}.") from error
    if fit.verdict != CONVERGED:
        raise Refusal(f"{what}, because their model has {fit.verdict}.")
    return fit


def layout_terms(frame: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Fixed factors and random terms that the plots' layout asks for.

    Parameters
    ----------
    frame : DataFrame
        ``site, trial``.

    Returns
    -------
    tuple of list of str
        For :func:`fit_means`. In one trial replicates and planting treatments are fixed; over
        several trials or sites each trial x treatment is, and hybrid x trial and replicates are
        random. Blocks and main plots are random, and in one trial hybrid x treatment.
    """
    if len(frame[["site", "trial"]].drop_duplicates()) > 1:
        return ["trial:treatment"], ["hybrid:trial", "replicate", "main_plot", "block"]
    return ["replicate", "treatment"], ["main_plot", "block", "hybrid:treatment"]


def fit_means(
    frame: pd.DataFrame,
    response: str,
    trend=None,
    *,
    fixed: list[str] | None = None,
    random: list[str] | None = None,
) -> MeansFit:
    """Fit the means of the hybrids.

    Parameters
    ----------
    frame : DataFrame
        One row per plot: ``site, trial, replicate, block, main_plot, plot, hybrid, planting_method,
        film`` and the response; plots without a response are not used. Blocks and main plots may be
        missing.
    response : str
        Column, in any unit.
    trend : callable, optional
        Called with the plots used and the model's ``fixed`` columns and ``random`` terms, as
        :func:`culmbook.spatial.trend.trend_terms` is; gives what a trend over the field adds to
        them.
    fixed : list of str, optional
        Fixed factors beside the hybrids: names as in :func:`layout_terms` or columns, whose levels
        weigh alike in a hybrid's mean; a numeric column is a covariate held at its mean. A factor
        that those before it determine adds nothing. Left out, those of the layout.
    random : list of str, optional
        Random terms: names as in :func:`layout_terms`, of `culmbook.trials.layout.TERMS`, or
        columns. Those that the plots cannot tell from another term or from the fixed part are left
        out.

    Returns
    -------
    MeansFit

    Raises
    ------
    Refusal
        Fewer than two hybrids, fewer than three degrees of freedom for the error, hybrids that
        share no condition, or a search that does not settle.
    ValueError
        A plot twice, or a factor that is no column.
    """
    used, label = frame[frame[response].notna()], label_of(response)
    if used.duplicated(["site", "plot"]).any():
        raise ValueError("a plot has several rows: give one season at a time")
    if used["hybrid"].nunique() < 2:
        raise Refusal(
            f"{label} was observed in fewer than two hybrids: there is nothing to compare."
        )
    cells = add_strata(used)
    cells["place"] = cells["site"].astype(str) + ":" + cells["trial"].astype(str)
    cells["condition"] = cells["place"] + ": " + cells["treatment"]
    cells["hybrid_place"] = cells["hybrid"].astype(str) + ":" + cells["place"]
    usual_fixed, usual_random = layout_terms(cells)
    asked = usual_fixed if fixed is None else fixed
    if unknown := [name for name in asked if _column(name) not in cells]:
        raise ValueError(
            f"fixed factor {unknown[0]!r}: it is neither trial:treatment, hybrid:trial, "
            f"{', '.join(TERMS)}, nor a column of the plots"
        )
    fixed = [_column(name) for name in asked]
    design, weights, entered = _design(cells, fixed)
    if len(cells) - design.shape[1] < LEAST_DF:
        raise Refusal(
            f"{label}: {len(cells)} plots leave fewer than {LEAST_DF} degrees of freedom for the "
            "error, so hybrids are not compared."
        )
    wanted = [_OWN.get(name, name) for name in (usual_random if random is None else random)]
    terms = [*random_terms(cells, wanted, fixed=[*fixed, "place", "hybrid"], residual=True)]
    residual = True
    if trend is not None:
        lines, more, residual = trend(cells, fixed=design, random=terms)
        design, terms = pd.concat([design, lines], axis=1), [*terms, *more]
    what = f"{label}: no means of hybrids"
    fit = settled(what, cells, response, design, terms, residual=residual)
    entered = [name for name in asked if _column(name) in entered]
    return MeansFit(fit, weights, cells.groupby("hybrid").size(), response, terms, entered)


def _column(name):
    return _OWN.get(name) or TERMS.get(name, (name,))[0]


def _design(cells, fixed):
    """Columns of the fixed part, the weights that make a hybrid's mean of them, factors that entered."""
    entered = []
    hybrids = pd.get_dummies(cells["hybrid"], dtype=float).sort_index(axis=1).add_prefix("hybrid ")
    names = [name.removeprefix("hybrid ") for name in hybrids.columns]
    columns, weights = [hybrids], [pd.DataFrame(np.eye(len(names)), names, hybrids.columns)]
    for k, factor in enumerate(fixed):
        if is_numeric_dtype(cells[factor]):
            own = (cells[factor] - cells[factor].mean()).astype(float).to_frame()
            share = np.zeros(1)
        elif k and cells.groupby(fixed[:k])[factor].nunique().max() == 1:
            continue
        else:
            own = pd.get_dummies(cells[factor], dtype=float).sort_index(axis=1)
            own = own.add_prefix(f"{factor} ").iloc[:, 1:]
            site = cells.groupby(factor)["site"].first()
            share = (1 / site.groupby(site).transform("size") / site.nunique()).to_numpy()[1:]
        entered.append(factor)
        columns.append(own)
        weights.append(pd.DataFrame(np.tile(share, (len(names), 1)), names, own.columns))
    return pd.concat(columns, axis=1), pd.concat(weights, axis=1), entered


def hybrid_means(means: MeansFit, *, level: float = 0.95, contrasts=None) -> pd.DataFrame:
    """Mean of each hybrid with its interval.

    Parameters
    ----------
    means : MeansFit
    level : float
        Confidence of each interval, 0-1.
    contrasts : callable, optional
        Makes the intervals, for example :func:`culmbook.mixed.kenward_roger_contrasts`; called with
        fit, weights and level.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, mean, lower, upper``, highest first; by default t intervals with
        Satterthwaite's degrees of freedom, in the unit of the response.
    """
    if contrasts is None:
        table = means.fit.contrast(means.weights, level)  # weights @ coefficients
    else:
        table = contrasts(means.fit, means.weights, level)
    own = {"mean": table["estimate"], "lower": table["lower"], "upper": table["upper"]}
    return _listed(means, means.hybrids, own, "mean")


def against_control(
    means: MeansFit, control: str, *, level: float = 0.95, together: bool = True
) -> pd.DataFrame:
    """Differences of every hybrid's mean from the control's.

    Parameters
    ----------
    means : MeansFit
    control : str
        A hybrid of the fit; blank where the network names none.
    level : float
        Confidence that all intervals hold at once (or each, if not ``together``), 0-1.
    together : bool

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, mean, difference, lower, upper``, highest difference first.

    Raises
    ------
    Refusal
        No control, or it has no plot here.

    Notes
    -----
    The common critical value is that of correlated t statistics (Dunnett's, for any layout), with
    the least of the differences' degrees of freedom.

    References
    ----------
    Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121; Hothorn, Bretz & Westfall (2008) Biometr. J.
    50:346-363.
    """
    if not control:
        raise Refusal("The network names no control, so hybrids are not compared with one.")
    if control not in means.hybrids:
        raise Refusal(
            f"The control {control} has no plot with {label_of(means.response).lower()} here, so "
            "nothing can be compared with it."
        )
    others = [h for h in means.hybrids if h != control]
    rows = means.weights.loc[others] - means.weights.loc[control]
    compare = compare_together if together else type(means.fit).contrast
    table = compare(means.fit, rows, level)
    own = means.weights.loc[others].to_numpy() @ means.fit.coefficients[rows.columns].to_numpy()
    found = {"mean": own, "difference": table["estimate"]}
    found |= {"lower": table["lower"], "upper": table["upper"]}
    return _listed(means, others, found, "difference")


def _listed(means, hybrids, values, by):
    values = {name: np.asarray(value) for name, value in values.items()}
    n_plots = means.n_plots[hybrids].to_numpy()
    table = pd.DataFrame({"hybrid": hybrids, "n_plots": n_plots} | values)
    return table.sort_values([by, "hybrid"], ascending=[False, True], ignore_index=True)


def means_of(
    frame: pd.DataFrame, names: list[str], *, level: float = 0.95
) -> tuple[pd.DataFrame, list[str]]:
    """Mean of several measured columns by hybrid, with interval, label and unit.

    Parameters
    ----------
    frame : DataFrame
        One season, as for :func:`fit_means`.
    names : list of str
        Columns; limits of shares, per cents and scores stay within their range.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    tuple of DataFrame and list of str
        ``measure, label, unit, hybrid, n_plots, mean, lower, upper``, in the order of ``names``,
        highest mean first; and a sentence for every column that the plots cannot tell of.

    Raises
    ------
    Refusal
        No column has means.

    Notes
    -----
    Arithmetic means: the product of a hybrid's mean components is not its mean product where plots
    vary.
    """

    def of_one(name):
        own = hybrid_means(fit_means(frame, name), level=level)
        low, high = BOUNDS.get(name, (None, None))
        own[["lower", "upper"]] = own[["lower", "upper"]].clip(low, high)
        label, unit = MEASURES.get(name, (name, ""))
        return own.assign(measure=name, label=label, unit=unit)

    found, told = where_possible(names, of_one)
    columns = ["measure", "label", "unit", "hybrid", "n_plots", "mean", "lower", "upper"]
    return pd.concat(found.values(), ignore_index=True)[columns], told
