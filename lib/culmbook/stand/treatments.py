"""Do planting method and film change establishment, judged against the units they were given to?

Film and planting machine are applied to main plots, not to plants: the main plots' own scatter,
with its few degrees of freedom, is the error. A test against plants or plots claims far too much.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats

from culmbook.mixed import marginal_share
from culmbook.stand.model import settled
from culmbook.text.refusal import Refusal
from culmbook.trials.layout import add_strata

TREATMENTS = {"planting_method": ("machine", "hand"), "film": ("film", "no film")}
"""Columns with the planting treatments, and the words for the level with the effect and that
without it.
"""


@dataclass(frozen=True)
class TreatmentResult:
    """Effects of the planting treatments.

    ``effects`` one row per effect: ``effect, first, second, difference,
    lower, upper, odds_ratio, odds_lower, odds_upper, t, df, p_value``; ``shares`` one row per
    treatment: ``treatment, main_plots, plots, share, lower, upper``; ``units`` the main plots with
    their logit; ``cells`` the plots compared, those of complete replicates; ``df`` the residual
    degrees of freedom.
    """

    effects: pd.DataFrame
    shares: pd.DataFrame
    units: pd.DataFrame
    cells: pd.DataFrame
    df: int


def _refuse_inseparable(cells):
    """Say from the data why planting treatments cannot be judged here."""
    varying = _varying(cells)
    if not varying:
        planted = cells["treatment"].iloc[0]
        raise Refusal(f"All plots here were planted alike ({planted}), so nothing is compared.")
    names = " and ".join(map(_name, varying))
    in_replicate = cells.groupby("replicate_key")["treatment"].nunique()
    if in_replicate.max() == 1:
        raise Refusal(
            f"The {names} changes only from replicate to replicate, never inside one: its effect cannot "
            "be distinguished from the ground's."
        )
    mixed = cells.groupby("main_plot_key")["treatment"].nunique()
    if mixed.max() > 1:
        where = ", ".join(mixed.index[mixed > 1][:3])
        raise Refusal(
            f"The {names} changes inside a main plot ({where}): name the main plot of every treatment "
            "in the plots table."
        )
    if len(varying) == 2 and len(cells[list(TREATMENTS)].drop_duplicates()) < 4:
        raise Refusal(
            "Planting method and film are not crossed within replicates, so their effects cannot be "
            "distinguished."
        )
    complete = int((in_replicate == cells["treatment"].nunique()).sum())
    if complete < 2:
        held = "Only one replicate holds" if complete else "No replicate holds"
        raise Refusal(f"{held} all treatments: the main plots' own scatter cannot be estimated.")


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
    Refusal
        The layout cannot carry the comparison, or too few main plots are left.

    Notes
    -----
    Stage one estimates the logit of every main plot, adjusted for the hybrids it holds (binomial
    mixed model, blocks and plots random). Stage two is the split-plot's analysis of main plots:
    replicate + treatments, t with the main plots' residual degrees of freedom. In the balanced
    normal case this is the classical main-plot F. The main plots' variance is not bounded at zero,
    so the error rate does not depend on how uneven main plots are.

    References
    ----------
    Yates (1935) Suppl. J. R. Stat. Soc. 2:181-247.
    """
    cells = add_strata(cells)
    _refuse_inseparable(cells)
    present = cells.groupby("replicate_key")["treatment"].transform("nunique")
    cells = cells[present == cells["treatment"].nunique()].reset_index(drop=True)
    units, hybrid_logits, spread = _main_plots(cells)
    design, names = _stratum_design(units, _varying(cells))
    ols = sm.OLS(units["logit"], design).fit()
    if ols.df_resid < 1:
        raise Refusal(
            "Every main plot is needed to describe the treatments; none is left to show their scatter."
        )

    def mean_share(logits):
        """Share over all hybrids at each mean logit."""
        return marginal_share(np.asarray(logits)[:, None] + hybrid_logits, spread).mean(axis=1)

    steps = stats.t.ppf(0.5 + level / 2, ols.df_resid) * np.array([0, -1, 1])
    effects = pd.DataFrame([_effect(name, ols, units, steps, mean_share) for name in names])
    shares = _treatment_shares(units, ols, design, steps, mean_share)
    return TreatmentResult(effects, shares, units, cells, int(ols.df_resid))


def _main_plots(cells):
    """Adjusted logit of each main plot, the hybrids' deviations, and the spread of plots in a main
    plot.
    """
    unit = pd.get_dummies(cells["main_plot_key"], dtype=float)
    hybrid = pd.get_dummies(cells["hybrid"], dtype=float)
    last = hybrid.columns[-1]
    design = pd.concat([unit, hybrid.drop(columns=last).sub(hybrid[last], axis=0)], axis=1)
    blocks = cells.groupby("main_plot_key")["block_key"].nunique()
    random = ["block_key", "plot_key"] if blocks.max() > 1 else ["plot_key"]
    fit = settled("Effects of planting treatments", cells, design, random)
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
    effects = {f: units[f].eq(TREATMENTS[f][0]).astype(float) - 0.5 for f in varying}
    if len(varying) == 2:
        effects["interaction"] = 2 * effects[varying[0]] * effects[varying[1]]
    return pd.concat([replicates, pd.DataFrame(effects)], axis=1), list(effects)


def _effect(name, ols, units, steps, mean_share):
    """One row of the effects; the interaction has no two shares to compare."""
    limits = ols.params[name] + steps * ols.bse[name]
    middle = units.groupby("treatment")["logit"].mean().mean()
    first, second = mean_share(middle + limits / 2), mean_share(middle - limits / 2)
    shares = first - second
    words = TREATMENTS.get(name, ("", ""))
    columns = ["difference", "lower", "upper"]
    odds = dict(zip(["odds_ratio", "odds_lower", "odds_upper"], np.exp(limits)))
    return {
        "effect": _name(name),
        "first": words[0],
        "second": words[1],
        **dict(zip(columns, shares if name in TREATMENTS else [np.nan] * 3)),
        **odds,
        "t": ols.tvalues[name],
        "df": int(ols.df_resid),
        "p_value": ols.pvalues[name],
    }


def _treatment_shares(units, ols, design, steps, mean_share):
    rows, n_replicates = [], units["replicate_key"].nunique()
    for treatment, own in units.groupby("treatment"):
        x = design.loc[own.index].mean().to_numpy(copy=True)
        x[:n_replicates] = 1 / n_replicates
        centre, se = x @ ols.params, np.sqrt(x @ ols.cov_params().to_numpy() @ x)
        n_plots, share = int(own["plots"].sum()), mean_share(centre + steps * se)
        rows.append((treatment, len(own), n_plots, *share))
    columns = ["treatment", "main_plots", "plots", "share", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)
