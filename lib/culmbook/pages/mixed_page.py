"""What the notebook on mixed models shows: invented plots, fits, kernels as pictures, refusals, checks."""

import numpy as np
import pandas as pd
from matplotlib import pyplot as plt

from culmbook.mixed import (
    CONVERGED,
    compare,
    draws,
    factor_analytic,
    fit_binomial,
    fit_gaussian,
    fit_ordinal,
    kenward_roger,
    kernels,
    over,
)
from culmbook.show.headings import Column
from culmbook.show.page import figure, say, table
from culmbook.show.palette import GRADIENT, page_size
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import n_of
from published_checks import R_ONLY, check_published, published_folder

SEASONS = (2021, 2022, 2024, 2025)
TRUE = {
    "hybrid": 2.2,
    "correlation": 0.7,
    "block": 0.4,
    "plot": 0.5,
    "residual": 0.8,
    "plot_logit": 0.3,
}
"""What the invented plots are made with: variances [(t/ha)²], correlation a year apart, logit variance."""
_PICTURES = {
    "diagonal": ("diagonal", [1.0, 0.5, 0.8, 0.3, 0.6, 0.9]),
    "unstructured": ("unstructured", None),
    "ar1, correlation 0.7": ("autoregressive", [1.0, 0.7]),
    "separable ar1 on a grid": ("separable autoregressive", [1.0, 0.8, 0.4]),
    "exponential by distance": ("exponential", [1.0, np.log(2.0)]),
    "gaussian by distance": ("gaussian", [1.0, np.log(2.0)]),
    "rational quadratic": ("rational quadratic", [1.0, np.log(2.0)]),
    "one common factor": (
        factor_analytic(1),
        [1.0, 0.8, -0.6, 0.9, 0.2, 0.7, 0.2, 0.3, 0.4, 0.1, 0.8, 0.3],
    ),
}
PARAMETER_COLUMNS = {
    "parameter": Column("Parameter"),
    "estimate": Column(
        "Estimate", kind="number", digits=3, meaning="Variance, correlation or log range."
    ),
}
INTERVAL_COLUMNS = PARAMETER_COLUMNS | {
    "interval": Column(
        "Interval",
        kind="interval",
        digits=3,
        ends=("lower", "upper"),
        meaning="Profile likelihood.",
    ),
    "note": Column("Note", meaning="What lies at a bound."),
}
MEAN_COLUMNS = {
    "level": Column("Level"),
    "estimate": Column("Estimate", kind="number", digits=2, meaning="In the response's unit."),
    "se": Column("Standard error", kind="number", digits=2),
    "df": Column("Degrees of freedom", kind="number", digits=1, meaning="Satterthwaite's."),
    "interval": Column("Interval", kind="interval", digits=2, ends=("lower", "upper")),
}
SPREAD_COLUMNS = {
    "coefficient": Column("Coefficient"),
    "held": Column("Variances held at their estimates", kind="number", digits=2),
    "free": Column("With their uncertainty", kind="number", digits=2),
}
CRITERIA_COLUMNS = {
    "model": Column("Model"),
    "criterion": Column("-2 log likelihood", kind="number", digits=2),
    "parameters": Column("Parameters", kind="count"),
    "aic": Column("AIC", kind="number", digits=2, meaning="Akaike's information criterion."),
    "above_best": Column("Above the best", kind="number", digits=2),
}
ANSWER_COLUMNS = {
    "asked": Column("Asked for"),
    "answer": Column("Answer", meaning="The library's own sentence."),
}
CHECK_COLUMNS = {
    "analysis": Column("Analysis"),
    "quantity": Column("Quantity"),
    "published": Column(
        "Published", meaning="As the source prints it, or from the reference software."
    ),
    "ours": Column(
        "Ours", meaning="Computed as this notebook ran, two digits more than published."
    ),
    "difference": Column("Difference", meaning="Ours less the published value."),
    "tolerance": Column(
        "Tolerance", meaning="Half the last printed digit, or as the source allows."
    ),
    "verdict": Column("Verdict"),
    "source": Column("Source"),
    "seen": Column("Number", meaning="Where the published number comes from."),
}


def invented_plots(seed: int = 1) -> pd.DataFrame:
    """Plots of an invented trial: 12 hybrids in 3 blocks, harvested in four seasons.

    Parameters
    ----------
    seed : int

    Returns
    -------
    DataFrame
        One row per plot and season: ``hybrid, block, plot, row, column, season, year`` (centred),
        ``yield_t_ha, height_m``, and of the first season's planting ``planted, alive`` and a ``damage``
        score 0-3. Made with the variances in ``TRUE``; nothing here was measured.

    Examples
    --------
    >>> invented_plots()[["plot", "season"]].nunique().to_dict()
    {'plot': 36, 'season': 4}
    """
    draw = np.random.default_rng(seed)
    m = len(SEASONS)
    hybrids, plots = np.repeat(np.arange(12), 3), np.arange(36)
    place = (
        np.concatenate([12 * b + draw.permutation(12) for b in range(3)]).reshape(3, 12).T.ravel()
    )
    gaps = np.abs(np.subtract.outer(SEASONS, SEASONS))
    over_seasons = draw.multivariate_normal(
        np.zeros(m), TRUE["hybrid"] * TRUE["correlation"] ** gaps, 12
    )
    block, plot = (
        draw.normal(0, np.sqrt(TRUE["block"]), 3),
        draw.normal(0, np.sqrt(TRUE["plot"]), 36),
    )
    frame = pd.DataFrame(
        {
            "hybrid": np.repeat([f"H{h + 1:02d}" for h in hybrids], m),
            "block": np.repeat([f"B{i % 3 + 1}" for i in plots], m),
            "plot": np.repeat([f"P{i + 1:02d}" for i in place], m),
            "row": np.repeat(place // 6 + 1, m),
            "column": np.repeat(place % 6 + 1, m),
            "season": np.tile(SEASONS, 36),
        }
    )
    level = (
        over_seasons[hybrids]
        + (block[plots % 3] + plot)[:, None]
        + np.array([4.0, 9.0, 14.0, 15.0])
    )
    frame["yield_t_ha"] = (level + draw.normal(0, np.sqrt(TRUE["residual"]), (36, m))).ravel()
    frame["year"] = (frame["season"] - 2023) / 2
    logit = 1.0 + 0.5 * over_seasons[hybrids, 0] + draw.normal(0, np.sqrt(TRUE["plot_logit"]), 36)
    frame["planted"] = 40
    frame["alive"] = np.repeat(draw.binomial(40, 1 / (1 + np.exp(-logit))), m)
    frame["damage"] = np.repeat(np.digitize(draw.logistic(size=36) - logit, [-2.0, -0.5, 1.0]), m)
    taller = np.repeat(draw.normal(0, 0.15, 12), 3 * m)
    frame["height_m"] = 1.2 + 0.1 * frame["yield_t_ha"] + taller + draw.normal(0, 0.1, len(frame))
    return frame


def season_of(plots: pd.DataFrame, season: int) -> pd.DataFrame:
    """Plots of one season, one row each.

    Raises
    ------
    ValueError
        No plot was harvested in the season; those that there are, are listed.
    """
    if season not in SEASONS:
        raise ValueError(
            f"season={season}: the invented plots were harvested in {fmt_list(SEASONS)}"
        )
    return plots[plots["season"] == season]


def show_plots(plots: pd.DataFrame) -> list:
    """What the invented plots are and what they were made with."""
    seasons = fmt_list(plots["season"].unique())
    hybrids, units, blocks = (
        n_of(plots[name].nunique(), name) for name in ("hybrid", "plot", "block")
    )
    size = f"{hybrids} on {units} in {blocks}"
    made = fmt_list([f"{name} {TRUE[name]:g}" for name in ("hybrid", "block", "plot", "residual")])
    return [
        say(
            f"Invented: {size}, harvested in {seasons}.",
            f"Yields were drawn with these variances [(t/ha)²]: {made}. A hybrid's yields of seasons d years "
            f"apart correlate by {TRUE['correlation']:g} to the power d.",
        )
    ]


def parameters_of(fit) -> pd.DataFrame:
    """Variances, then shapes where the fit has such, as ``parameter, estimate``."""
    series = pd.concat([fit.variances, fit.shapes]) if hasattr(fit, "shapes") else fit.variances
    return series.rename("estimate").rename_axis("parameter").reset_index()


def show_fit(fit, label: str, caption: str) -> list:
    """Covariance parameters of a fit as a table, and its verdict in a sentence."""
    return [
        table(parameters_of(fit), label=label, caption=caption, columns=PARAMETER_COLUMNS),
        show_verdict(fit),
    ]


def show_verdict(fit):
    """One sentence on whether the fit may be used, and which variances are zero."""
    if fit.verdict != CONVERGED:
        return say(f"The fit may not be used: {fit.verdict}.", kind="refusal")
    zero = list(fit.variances.index[fit.variances == 0])
    none = f" Estimated at exactly 0: {fmt_list(zero)}." if zero else ""
    return say(f"Verdict: {fit.verdict}, criterion {fmt_number(fit.criterion, 2)}.{none}")


def show_kernel(fit, term: str, label: str) -> list:
    """Covariance of a term over its inner index, as a correlation with the standard deviations beside it."""
    k = fit.kernels[term]
    sd = np.sqrt(np.diag(k))
    frame = pd.DataFrame(k.to_numpy() / np.outer(sd, sd), columns=[f"r_{c}" for c in k.columns])
    frame.insert(0, "level", [str(c) for c in k.index])
    frame.insert(1, "sd", sd)
    columns = {
        "level": Column("Level"),
        "sd": Column("Standard deviation", kind="number", digits=2),
    } | {
        f"r_{c}": Column(str(c), kind="number", digits=2, meaning=f"Correlation with {c}.")
        for c in k.columns
    }
    return [
        table(
            frame,
            label=label,
            caption=f"{term}: standard deviations and correlations",
            columns=columns,
        )
    ]


def show_criteria(fits: dict) -> list:
    """Information criteria of models that may be compared, best first."""
    frame = compare(fits).rename_axis("model").reset_index()
    return [
        table(
            frame,
            label="criteria",
            columns=CRITERIA_COLUMNS,
            caption="Models of the same yields, best first",
            note="A difference under about 2 says nothing.",
        )
    ]


def show_estimates(estimates: pd.DataFrame, label: str, caption: str) -> list:
    """Means or differences with their intervals."""
    frame = estimates.rename_axis("level").reset_index()
    return [
        table(
            frame.assign(level=frame["level"].astype(str)),
            label=label,
            caption=caption,
            columns=MEAN_COLUMNS,
        )
    ]


def show_intervals(fit, label: str, caption: str) -> list:
    """Profile intervals of variances and shapes, with what lies at a bound."""
    frame = fit.intervals().rename_axis("parameter").reset_index()
    return [table(frame, label=label, caption=caption, columns=INTERVAL_COLUMNS)]


def show_spread(fit, coefficients: list[str], n: int = 2_000) -> list:
    """How much wider intervals are when the variances are not taken as known."""
    held, free = (
        draws(fit, n, variances=v).fixed[coefficients].quantile([0.025, 0.975]) for v in (0, 100)
    )
    widths = pd.DataFrame(
        {
            "coefficient": coefficients,
            "held": held.diff().iloc[1].to_numpy(),
            "free": free.diff().iloc[1].to_numpy(),
        }
    )
    return [
        table(
            widths,
            label="spread",
            columns=SPREAD_COLUMNS,
            caption="Width of 95 % intervals from draws",
        )
    ]


def _small_kernel(kernel, theta):
    grid = np.array([[r, c] for r in range(2) for c in range(3)], float)
    places = grid if kernel == "separable autoregressive" else np.arange(6.0)[:, None]
    made = kernels.make(kernel, list("123456"), places, ["row", "column"][: places.shape[1]])
    return made.matrix(
        made.start(1.0, np.linspace(0.7, 1.3, 6)) if theta is None else np.array(theta)
    )


def show_kernels() -> list:
    """Covariances over six inner levels, one picture per kernel."""
    fig, axes = plt.subplots(2, 4, figsize=page_size(3.4))
    for ax, (title, (kernel, theta)) in zip(axes.flat, _PICTURES.items(), strict=True):
        image = ax.imshow(_small_kernel(kernel, theta), cmap=GRADIENT, vmin=-0.7, vmax=1.3)
        ax.set_title(title, fontsize=7, fontweight="normal")
        ax.set_xticks([])
        ax.set_yticks([])
    bar = fig.colorbar(image, ax=axes, shrink=0.7)
    bar.set_label("Covariance")
    return [
        figure(
            fig,
            label="kernels",
            caption="What each kernel assumes of six inner levels",
            alt="Eight square heat maps of 6 by 6 covariances. Diagonal: the diagonal alone, uneven. "
            "Unstructured: all cells free. AR1: fading evenly off the diagonal. Separable AR1: blocks of the "
            "rows and columns of a grid. Exponential, gaussian and rational quadratic fade with distance, "
            "steeply, roundly and with a long tail. One factor: stripes, one level against the others.",
        )
    ]


def _refusals(plots):
    """What is asked for and the call that asks."""
    crossed = [over("hybrid", "season", "autoregressive"), over("block", "year", "unstructured")]
    many = pd.concat(
        [plots.assign(year=plots["year"] + 10 * i) for i in range(11)], ignore_index=True
    )
    few = plots[plots["season"] == SEASONS[0]]
    reml, other = (
        fit_gaussian(plots, "yield_t_ha", fixed, ["hybrid"]) for fixed in ("1", "C(season)")
    )
    ar1 = fit_gaussian(
        plots, "yield_t_ha", "C(season)", [over("hybrid", "season", "autoregressive")]
    )
    season = pd.DataFrame({"C(season)[T.2022]": [1.0]})
    dead = few.assign(alive=few["alive"].where(few["hybrid"] != "H01", 0))
    return {
        "crossed terms, each with its own covariance, many records": lambda: fit_gaussian(
            many, "yield_t_ha", "1", crossed
        ),
        "two factors over four seasons": lambda: fit_gaussian(
            plots, "yield_t_ha", "1", [over("hybrid", "season", factor_analytic(2))]
        ),
        "a plot effect where each plot has one record": lambda: fit_gaussian(
            few, "yield_t_ha", "1", ["plot"]
        ),
        "hybrid fixed and random": lambda: fit_gaussian(plots, "yield_t_ha", "hybrid", ["hybrid"]),
        "REML criteria with other fixed effects": lambda: compare(
            {"one mean": reml, "a mean per season": other}
        ),
        "Kenward–Roger with correlated seasons": lambda: kenward_roger(ar1, season),
        "draws of a maximum likelihood fit": lambda: draws(
            fit_gaussian(few, "yield_t_ha", "1", ["hybrid"], method="ml")
        ),
        "counts with a hybrid all dead": lambda: fit_binomial(
            dead, alive="alive", total="planted", fixed="0 + hybrid"
        ),
        "scores without an order": lambda: fit_ordinal(
            few.assign(damage="some"), score="damage", fixed="hybrid"
        ),
    }


def show_refusals(plots: pd.DataFrame) -> list:
    """Requests that the library turns down, with its own sentences, asked anew each time."""
    rows = []
    for asked, call in _refusals(plots).items():
        try:
            call()
            rows.append((asked, "answered"))
        except ValueError as error:
            rows.append((asked, str(error)))
    frame = pd.DataFrame(rows, columns=["asked", "answer"])
    return [
        table(
            frame,
            label="refusals",
            columns=ANSWER_COLUMNS,
            caption="Asked for, and why there is no answer",
        )
    ]


def checks() -> pd.DataFrame | None:
    """Published numbers beside ours, or None where the published data are not there."""
    folder = published_folder()
    return None if folder is None else check_published(folder)


def show_checks(checked: pd.DataFrame | None) -> list:
    """The check table and a sentence on it, or a sentence on why there is none."""
    if checked is None:
        return [
            say(
                "The published data are part of the project's folder tests/published, which is not beside "
                "this installation; the checks are not repeated here.",
                kind="refusal",
            )
        ]
    failed = checked[~checked["holds"]]
    frame = checked.assign(
        verdict=np.where(checked["holds"], "holds", "FAILS"),
        published=checked["published"].map("{:.10g}".format),
        ours=[
            f"{v:.{_decimals(t) + 2}f}"
            for v, t in zip(checked["ours"], checked["tolerance"], strict=True)
        ],
        difference=checked["difference"].map("{:.1e}".format),
        tolerance=checked["tolerance"].map("{:g}".format),
    )
    note = (
        "Numbers from memory were recomputed with lme4, nlme, lmerTest, MASS or ordinal under R 4.2.2, or "
        "with scipy 1.17. The criterion of the herds is a little lower than R's, which stops early."
    )
    said = say(
        f"{len(checked)} numbers of {checked['analysis'].nunique()} analyses: "
        f"{'all hold' if failed.empty else f'{len(failed)} do not hold'}; "
        f"{(checked['seen'] == R_ONLY).sum()} of them come from reference software alone.",
        kind="text" if failed.empty else "caution",
    )
    return [
        said,
        table(
            frame,
            label="checks",
            columns=CHECK_COLUMNS,
            note=note,
            caption="Published numbers and ours",
        ),
    ]


def _decimals(tolerance):
    return max(0, int(np.ceil(-np.log10(2 * tolerance) - 1e-9)))


def headline(fit, counts, scores, checked: pd.DataFrame | None) -> str:
    """The results to compare after any change."""
    shape = fit.shapes.iloc[0]
    held = (
        "not repeated here"
        if checked is None
        else f"{int(checked['holds'].sum())} of {len(checked)} hold"
    )
    return "\n".join(
        [
            f"yield: variance of hybrids {fit.variances.iloc[0]:.2f}, "
            f"correlation of seasons a year apart {shape:.2f}",
            f"counts: variance of plots {counts.variances['plot']:.2f} on the logit scale",
            f"scores: {scores.verdict}, {len(scores.thresholds)} thresholds",
            f"published checks: {held}",
        ]
    )
