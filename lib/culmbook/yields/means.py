"""What does each hybrid give on average, and does it beat the control?

One measured quantity per plot of one season (yield, moisture, height, ash …), hybrids and growing
conditions fixed, and everything the plots were laid out in random. Means are those of the
conditions weighed alike. Amounts (yield, energy, stems …) cannot be below 0 and scatter more where
they are larger: their effects multiply, and their scatter may grow with the mean.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from culmbook.mixed import CONVERGED, GaussianFit, compare_together, fit_gaussian
from culmbook.text.refusal import Refusal, where_possible
from culmbook.trials.entries import refuse_control, refuse_disconnected
from culmbook.trials.layout import TERMS, add_strata, dummies, random_terms

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
AMOUNTS = {
    *("dry_yield_t_ha", "full_stand_t_ha", "energy_gj_ha", "product_t_ha", "plants_per_m2"),
    *("stems_per_plant", "stems_per_m2", "stem_mass_g", "stem_height_cm", "stem_diameter_mm"),
}
"""Measures that cannot be below 0 and may differ many times over: their link is the log."""
LOG, IDENTITY = "log", "identity"
POWERS = (2, 1, 0)  # of the mean that an amount's variance may be proportional to
_SETTLED, _STEPS = 1e-6, 60  # change of a log mean at the end of a search, and its longest
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
    product with the coefficients is the hybrid's mean, with the log link less the ``offset`` and on
    the log scale; ``n_plots`` by hybrid; ``response`` its column; ``terms`` the random terms and
    ``fixed`` the fixed factors that entered; ``power`` of the mean that the plots' variance is
    proportional to, missing with the identity link; ``nothing`` hybrids of which no plot gave
    anything, which have the mean 0 and no interval.
    """

    fit: GaussianFit
    weights: pd.DataFrame
    n_plots: pd.Series
    response: str
    terms: list
    fixed: list
    offset: float = 0.0
    power: float = np.nan
    nothing: tuple = ()

    @property
    def link(self) -> str:
        return IDENTITY if np.isnan(self.power) else LOG

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
    link: str | None = None,
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
        :func:`culmbook.spatial.trend.trend_terms` is; gives the random terms that a trend over the
        field adds to them.
    fixed : list of str, optional
        Fixed factors beside the hybrids: names as in :func:`layout_terms` or columns, whose levels
        weigh alike in a hybrid's mean; a numeric column is a covariate held at its mean. A factor
        that those before it determine adds nothing. Left out, those of the layout.
    random : list of str, optional
        Random terms: names as in :func:`layout_terms`, of `culmbook.trials.layout.TERMS`, or
        columns. Those that the plots cannot tell from another term or from the fixed part are left
        out.
    link : {"log", "identity"}, optional
        Whether effects multiply or add up; left out, they multiply for `AMOUNTS`.

    Returns
    -------
    MeansFit

    Raises
    ------
    Refusal
        Fewer than two hybrids, fewer than three degrees of freedom for the error, hybrids that
        share no condition, or a search that does not settle.
    ValueError
        A plot twice, a factor that is no column, or with the log link a value below 0 or a trend.

    Notes
    -----
    With the log link ``y = m (1 + u + e)`` and ``log m = x'b``: the random effects u and the error
    e are shares of the mean m, and the variance of e is proportional to ``m^(p - 2)``, with the p
    of `POWERS` that the restricted likelihood prefers (2: scatter in step with the mean, 0: the
    same everywhere). Each step fits the mixed model to ``x'b + y/m - 1`` (quasi-likelihood). m is
    the arithmetic mean, so nothing is transformed back, and plots with 0 count as they are. Without
    random terms and with p = 2 it is the gamma regression with the log link. A hybrid, or a fixed
    condition, of which no plot gave anything has the mean 0 and is left out of the search.

    References
    ----------
    Wedderburn (1974) Biometrika 61:439-447; Breslow & Clayton (1993) J. Am. Stat. Assoc. 88:9-25
    (marginal quasi-likelihood); McCullagh & Nelder (1989) Generalized Linear Models, ch. 8.
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
    try:
        if cells["place"].nunique() > 1:
            refuse_disconnected(cells)
    except ValueError as why:
        raise Refusal(f"{label}: no means over all trials, because {why}") from None
    usual_fixed, usual_random = layout_terms(cells)
    asked = usual_fixed if fixed is None else fixed
    if unknown := [name for name in asked if _column(name) not in cells]:
        raise ValueError(
            f"fixed factor {unknown[0]!r}: it is neither trial:treatment, hybrid:trial, "
            f"{', '.join(TERMS)}, nor a column of the plots"
        )
    fixed = [_column(name) for name in asked]
    link = link or (LOG if response in AMOUNTS else IDENTITY)
    grown = cells[~_gave_nothing(cells, response, fixed)] if link == LOG else cells
    nothing = tuple(sorted({*cells["hybrid"]} - {*grown["hybrid"]}))
    if grown["hybrid"].nunique() < 2:
        raise Refusal(f"{label}: fewer than two hybrids gave anything, so they are not compared.")
    design, shares = _design(grown, cells, fixed)
    if len(grown) - design.shape[1] < LEAST_DF:
        raise Refusal(
            f"{label}: {len(grown)} plots leave fewer than {LEAST_DF} degrees of freedom for the "
            "error, so hybrids are not compared."
        )
    wanted = [_OWN.get(name, name) for name in (usual_random if random is None else random)]
    terms = [*random_terms(grown, wanted, fixed=[*fixed, "place", "hybrid"], residual=True)]
    entered = [name for name in asked if _column(name) in shares]
    what, n_plots = f"{label}: no means of hybrids", cells.groupby("hybrid").size()
    if link == LOG:
        if trend is not None:
            raise ValueError("a trend over the field goes with the identity link: give logs to it")
        fit, power = _fit_amounts(grown, response, design, terms, what)
        weights, offset = _weights(design, shares, fit.coefficients)
        return MeansFit(fit, weights, n_plots, response, terms, entered, offset, power, nothing)
    if trend is not None:
        terms += trend(grown, fixed=design, random=terms)
    fit = settled(what, grown, response, design, terms)
    return MeansFit(fit, _weights(design, shares)[0], n_plots, response, terms, entered)


def _column(name):
    return _OWN.get(name) or TERMS.get(name, (name,))[0]


def _gave_nothing(cells, response, fixed):
    """Plots of a hybrid, or of a level of a fixed factor, none of whose plots gave anything."""
    if (cells[response] < 0).any():
        raise ValueError(f"{response} is below 0 in some plots: an amount cannot be")
    factors = ["hybrid", *(f for f in fixed if not is_numeric_dtype(cells[f]))]
    totals = [cells.groupby(factor)[response].transform("sum") for factor in factors]
    return np.min(totals, axis=0) == 0


def _design(cells, laid_out, fixed):
    """Columns of the fixed part, and how its factors' levels are weighed in a hybrid's mean.

    ``laid_out`` holds the plots that gave nothing too: a level weighs what it weighs among them.
    """
    columns, shares = [dummies(cells, "hybrid")], {}
    for k, factor in enumerate(fixed):
        if is_numeric_dtype(cells[factor]):
            columns.append((cells[factor] - cells[factor].mean()).astype(float).to_frame())
            shares[factor] = pd.Series(dtype=float)
        elif not k or cells.groupby(fixed[:k])[factor].nunique().max() > 1:
            columns.append(dummies(cells, factor).iloc[:, 1:])
            site = laid_out.groupby(factor)["site"].first()
            share = 1 / site.groupby(site).transform("size") / site.nunique()
            shares[factor] = share[sorted(cells[factor].unique())].add_prefix(f"{factor} ")
    return pd.concat(columns, axis=1), shares


def _weights(design, shares, coefficients=None):
    """Weights that make hybrids' means of the coefficients, and what is added on the log scale.

    With ``coefficients`` they are on the log scale: the log of the sum of ``share x exp(b)`` is
    taken at its tangent, whose weights are the levels' parts in that sum.
    """
    names = [c.removeprefix("hybrid ") for c in design.columns if c.startswith("hybrid ")]
    weights = pd.DataFrame(0.0, names, design.columns)
    weights[[f"hybrid {name}" for name in names]] = np.eye(len(names))
    offset = 0.0
    for share in shares.values():
        if coefficients is not None and len(share):
            effects = coefficients.reindex(share.index).fillna(0.0)  # of the first level: 0
            total = (share * np.exp(effects)).sum()
            share = share * np.exp(effects) / total
            offset += np.log(total) - (share * effects).sum()
        weights[share.index[1:]] = share.to_numpy()[1:]
    return weights, float(offset)


def _fit_amounts(cells, response, design, terms, what):
    """Mixed model of the log means of an amount, and the power of the mean its variance goes by."""
    x, y = design.to_numpy(), cells[response].to_numpy(float)
    log_mean = np.log((y + cells.groupby("hybrid")[response].transform("mean").to_numpy()) / 2)
    power, fit = None, None
    for step in range(_STEPS):
        mean = np.exp(log_mean)
        own = cells.assign(log_mean=log_mean + y / mean - 1)
        if step < 5:  # a start by least squares
            coefficients = np.linalg.lstsq(x, own["log_mean"], rcond=None)[0]
        else:
            fits = {}
            for p in POWERS if power is None else [power]:
                spread = mean ** (p - 2.0)
                own["spread"] = spread / spread.mean()
                fits[p] = settled(what, own, "log_mean", design, terms, residual="spread")
            power = min(fits, key=lambda p: fits[p].criterion)
            fit, coefficients = fits[power], fits[power].coefficients.to_numpy()
        change = np.abs(x @ coefficients - log_mean).max()
        log_mean = x @ coefficients
        if fit is not None and change < _SETTLED:
            return fit, power
    raise Refusal(f"{what}, because their search does not settle.")


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
    compare = contrasts or type(means.fit).contrast
    table = compare(means.fit, means.weights, level)[["estimate", "lower", "upper"]]
    if means.link == LOG:
        table = np.exp(table + means.offset).reindex([*means.hybrids, *means.nothing])
        table["estimate"] = table["estimate"].fillna(0.0)
    return _listed(means, table.rename(columns={"estimate": "mean"}), "mean")


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
    lacks = f"has no plot with {label_of(means.response).lower()} here"
    gave_nothing = control in means.nothing
    refuse_control(control, means.hybrids, "gave nothing here" if gave_nothing else lacks)
    others = [h for h in means.hybrids if h != control]
    weights, level_of = means.weights, means.weights @ means.fit.coefficients[means.weights.columns]
    if means.link == LOG:  # differences of exp(log mean), at their tangent
        level_of = np.exp(level_of + means.offset)
        weights = weights.mul(level_of, axis=0)
    compare = compare_together if together else type(means.fit).contrast
    table = compare(means.fit, weights.loc[others] - weights.loc[control], level)
    found = pd.DataFrame({"mean": level_of, "difference": level_of - level_of[control]})
    limits = table[["lower", "upper"]].sub(table["estimate"], axis=0)
    found = found.join(limits.add(found["difference"], axis=0)).drop(control)
    for hybrid in means.nothing:
        found.loc[hybrid] = [0.0, -level_of[control], np.nan, np.nan]
    return _listed(means, found, "difference")


def _listed(means, table, by):
    table = table.rename_axis("hybrid").reset_index()
    table.insert(1, "n_plots", means.n_plots[table["hybrid"]].to_numpy())
    return table.sort_values([by, "hybrid"], ascending=[False, True], ignore_index=True)


def trial_means(
    frame: pd.DataFrame, response: str, *, level: float = 0.95
) -> tuple[pd.DataFrame, list[str]]:
    """Means of the hybrids in each trial by itself, at sites that have several.

    Parameters
    ----------
    frame : DataFrame
        As for :func:`fit_means`, with ``crop_year``.
    response : str
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    tuple of DataFrame and list of str
        ``site, trial, crop_year`` and the columns of :func:`hybrid_means`, no row where every site
        has one trial; and why a trial has none.
    """
    trials = dict([*frame.groupby(["site", "trial", "crop_year"])])
    sites = pd.Series([site for site, *_ in trials]).value_counts()
    several = [key for key in trials if sites[key[0]] > 1]
    if not several:
        return pd.DataFrame(columns=["site", "trial", "crop_year", "hybrid"]), []
    found, told = where_possible(
        several,
        lambda key: hybrid_means(fit_means(trials[key], response), level=level),
        "{0[0]}, {0[1]}: {1}".format,
    )
    names = ["site", "trial", "crop_year", "row"]
    return pd.concat(found, names=names).reset_index().drop(columns="row"), told


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
