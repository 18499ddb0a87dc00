"""Do planting method and film change establishment, judged against the units they were given to?

Film and planting machine are applied to main plots, not to plants: the main plots' own scatter, with its
few degrees of freedom, is the error. A test against plants or plots claims far too much.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed import fit_binomial
from culmbook.stand.model import TREATMENTS, add_strata, marginal_share

WORDS = {"film": ("film", "no film"), "planting_method": ("machine", "hand")}


@dataclass(frozen=True)
class TreatmentResult:
    """Effects of the planting treatments.

    ``effects`` one row per effect: ``effect, first, second, share_first, share_second, difference, lower,
    upper, odds_ratio, odds_lower, odds_upper, t, df, p_value``; ``shares`` one row per treatment:
    ``treatment, main_plots, plots, share, lower, upper``; ``units`` the main plots with their logit.
    """

    effects: pd.DataFrame
    shares: pd.DataFrame
    units: pd.DataFrame
    df: int


def why_not_separable(cells: pd.DataFrame) -> str | None:
    """Why the planting treatments cannot be judged here, or None when they can.

    Parameters
    ----------
    cells : DataFrame
        As for :func:`culmbook.stand.model.fit_stand`.

    Returns
    -------
    str or None
        A sentence made from the data.
    """
    cells = add_strata(cells)
    varying = _varying(cells)
    if not varying:
        return f"All plots here were planted alike ({cells['treatment'].iloc[0]}), so nothing is compared."
    names = " and ".join(_name(f) for f in varying)
    if cells.groupby("replicate_key")["treatment"].nunique().max() == 1:
        return f"The {names} changes only from replicate to replicate, never inside one: it cannot be told from the ground."
    mixed = cells.groupby("main_plot_key")["treatment"].nunique()
    if mixed.max() > 1:
        where = ", ".join(mixed.index[mixed > 1][:3])
        return f"The {names} changes inside a main plot ({where}): name the main plot of every treatment in the plots table."
    combinations = cells[TREATMENTS].drop_duplicates()
    if len(varying) == 2 and len(combinations) < 4:
        return "Planting method and film are not crossed within replicates, so their effects cannot be told apart."
    present = cells.groupby("replicate_key")["treatment"].nunique()
    complete = present == cells["treatment"].nunique()
    if complete.sum() < 2:
        held = "Only one replicate holds" if complete.sum() else "No replicate holds"
        return f"{held} all treatments: the main plots' own scatter cannot be estimated."
    return None


def _varying(cells):
    return [f for f in TREATMENTS if cells[f].nunique() > 1]


def _name(factor):
    return factor.replace("_", " ")


def fit_treatments(cells: pd.DataFrame, *, level: float = 0.95) -> TreatmentResult:
    """Effects of planting method and film in the main-plot stratum.

    Parameters
    ----------
    cells : DataFrame
        As for :func:`culmbook.stand.model.fit_stand`.
    level : float
        Confidence level of each interval, 0-1.

    Returns
    -------
    TreatmentResult

    Raises
    ------
    ValueError
        With the sentence of :func:`why_not_separable`, or when too few main plots are left.

    Notes
    -----
    Stage one estimates the logit of every main plot, adjusted for the hybrids it holds (binomial mixed
    model, blocks and plots random). Stage two is the split-plot's analysis of main plots: replicate +
    treatments, t with the main plots' residual degrees of freedom. In the balanced normal case this is
    the classical main-plot F. The main plots' variance is not bounded at zero, so the error rate does
    not depend on how uneven main plots are.

    References
    ----------
    Yates (1935) Suppl. J. R. Stat. Soc. 2:181-247.
    """
    reason = why_not_separable(cells)
    if reason:
        raise ValueError(reason)
    cells = _complete_replicates(add_strata(cells))
    units, hybrid_logits, spread = _main_plots(cells)
    design, names = _stratum_design(units, _varying(cells))
    df = len(units) - np.linalg.matrix_rank(design)
    if df < 1:
        raise ValueError(
            "every main plot is needed to describe the treatments; none is left to show their scatter"
        )
    ols = stratum_fit(design, units["logit"].to_numpy(), df)
    effects = [
        _effect(name, design.columns.get_loc(name), ols, units, hybrid_logits, spread, df, level)
        for name in names
    ]
    return TreatmentResult(
        pd.DataFrame(effects),
        _treatment_shares(cells, units, ols, design, hybrid_logits, spread, df, level),
        units,
        int(df),
    )


def _complete_replicates(cells):
    present = cells.groupby("replicate_key")["treatment"].transform("nunique")
    return cells[present == cells["treatment"].nunique()].reset_index(drop=True)


def _main_plots(cells):
    """Adjusted logit of each main plot, the hybrids' deviations, and the spread of plots in a main plot."""
    unit = pd.get_dummies(cells["main_plot_key"], dtype=float)
    hybrid = pd.get_dummies(cells["hybrid"], dtype=float)
    last = hybrid.columns[-1]
    design = pd.concat([unit, hybrid.drop(columns=last).sub(hybrid[last], axis=0)], axis=1)
    random = ["plot_key"]
    blocks = cells.groupby("main_plot_key")["block_key"].nunique()
    if blocks.max() > 1:
        random.insert(0, "block_key")
    fit = fit_binomial(
        cells, alive="alive", total="total", fixed=design, random=random, half_plant_in="hybrid"
    )
    keys = cells.drop_duplicates("main_plot_key").set_index("main_plot_key")
    units = keys.loc[unit.columns, ["site", "replicate_key", "treatment", *TREATMENTS]].assign(
        logit=fit.coefficients[unit.columns].to_numpy(),
        plots=cells.groupby("main_plot_key").size()[unit.columns].to_numpy(),
    )
    deviations = fit.coefficients[hybrid.columns[:-1]]
    return units.reset_index(), np.append(deviations, -deviations.sum()), fit.spread


def _stratum_design(units, varying):
    """Replicates, then one -1/2, +1/2 column per two-level effect and their interaction."""
    replicates = pd.get_dummies(units["replicate_key"], dtype=float)
    effects = {f: units[f].eq(WORDS[f][0]).astype(float) - 0.5 for f in varying}
    if len(varying) == 2:
        effects["interaction"] = 2 * effects[varying[0]] * effects[varying[1]]
    return pd.concat([replicates, pd.DataFrame(effects)], axis=1), list(effects)


def stratum_fit(design: pd.DataFrame, y, df: int) -> tuple[np.ndarray, np.ndarray]:
    """Least squares on the units of one stratum, with the units' own scatter as error.

    Parameters
    ----------
    design : DataFrame
        One row per main plot.
    y : array_like
        The main plots' values.
    df : int
        Residual degrees of freedom of the stratum, >= 1.

    Returns
    -------
    tuple of ndarray
        Coefficients and their covariance.
    """
    x = design.to_numpy()
    inverse = np.linalg.pinv(x.T @ x)
    coefficient = inverse @ x.T @ y
    scale = ((y - x @ coefficient) ** 2).sum() / df
    return coefficient, inverse * scale


def _effect(name, j, ols, units, hybrid_logits, spread, df, level):
    coefficient, covariance = ols
    value, se = coefficient[j], np.sqrt(covariance[j, j])
    q = stats.t.ppf(0.5 + level / 2, df)
    limits = np.array([value, value - q * se, value + q * se])
    middle = units.groupby("treatment")["logit"].mean().mean()
    first, second = (_mean_share(middle + s * limits / 2, hybrid_logits, spread) for s in (1, -1))
    words = WORDS.get(name, ("", ""))
    is_contrast = name in WORDS
    share = (lambda v: float(v)) if is_contrast else (lambda v: np.nan)
    return {
        "effect": _name(name),
        "first": words[0],
        "second": words[1],
        "share_first": share(first[0]),
        "share_second": share(second[0]),
        "difference": share((first - second)[0]),
        "lower": share((first - second)[1]),
        "upper": share((first - second)[2]),
        "odds_ratio": np.exp(limits[0]),
        "odds_lower": np.exp(limits[1]),
        "odds_upper": np.exp(limits[2]),
        "t": value / se if se > 0 else np.nan,
        "df": int(df),
        "p_value": 2 * stats.t.sf(abs(value) / se, df) if se > 0 else np.nan,
    }


def _mean_share(logits, hybrid_logits, spread):
    return marginal_share(np.asarray(logits)[:, None] + hybrid_logits, spread).mean(axis=1)


def _treatment_shares(cells, units, ols, design, hybrid_logits, spread, df, level):
    coefficient, covariance = ols
    q, rows = stats.t.ppf(0.5 + level / 2, df), []
    n_replicates = units["replicate_key"].nunique()
    for treatment, own in units.groupby("treatment"):
        x = design.loc[own.index].mean().to_numpy(copy=True)
        x[:n_replicates] = 1 / n_replicates
        centre, se = x @ coefficient, np.sqrt(x @ covariance @ x)
        share = _mean_share(centre + q * se * np.array([0, -1, 1]), hybrid_logits, spread)
        rows.append((treatment, len(own), int(own["plots"].sum()), *share))
    return pd.DataFrame(
        rows, columns=["treatment", "main_plots", "plots", "share", "lower", "upper"]
    )
