"""What the notebook on yield components says of uncut plots, and of what to measure next season."""

from dataclasses import dataclass

import pandas as pd
from matplotlib.figure import Figure

from culmbook.pages.component_figures import label_of, plot_plane, plot_predicted
from culmbook.pages.component_page import Components, in_words
from culmbook.pages.harvest_page import Harvest
from culmbook.pages.stand_figures import new_figure
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import marked, n_of, shown_of
from culmbook.yields.components import component_means
from culmbook.yields.contributions import HYBRIDS
from culmbook.yields.double_sampling import regression_estimate
from culmbook.yields.harvest import KEY
from culmbook.yields.means import MeansFit, hybrid_means
from culmbook.yields.prediction import calibrate, cross_validate, ladder, predict, prediction_frame

MOST_PANELS = 4  # that fit a page
BOTH = ("stems_per_m2", "stem_height_cm")
NO_PREDICTION = "No yield is predicted, for the reason given above."
AT_RANDOM = (
    "Cut and uncut plots are not joined into one mean. That is sound only where chance decided "
    "which plots were cut: set cut_chosen_at_random to True if it did."
)


@dataclass(frozen=True)
class Prediction:
    """Prediction of yield inside each crop type.

    ``frame`` every plot and season that was measured, from
    :func:`culmbook.yields.prediction.prediction_frame`; ``ladders`` by crop type the errors of sets of
    predictors, or why there are none; ``models`` the model with the least error, where there is one.
    """

    frame: pd.DataFrame
    ladders: dict
    models: dict


def prediction_of(part: Components, network) -> Prediction:
    """Judge sets of predictors and calibrate the best one, crop type by crop type.

    Parameters
    ----------
    part : Components
        From :func:`culmbook.pages.component_page.components_of`.
    network : Network

    Returns
    -------
    Prediction
    """
    frame = prediction_frame(part.every, network.tables["hybrids"])
    types = sorted(frame["crop_type"].dropna().unique())
    ladders = {kind: _ladder(frame, kind) for kind in types}
    models = {
        kind: calibrate(frame, _best(steps), kind)
        for kind, steps in ladders.items()
        if not isinstance(steps, str)
    }
    return Prediction(frame, ladders, models)


def _ladder(frame, kind):
    try:
        return ladder(frame, kind)
    except ValueError as error:
        return in_words(str(error))


def _best(steps):
    return tuple(steps.loc[steps["rmse_log"].idxmin(), "predictors"].split(" + "))


def _named(predictors):
    parts = predictors if isinstance(predictors, tuple) else predictors.split(" + ")
    return fmt_list([label_of(p).lower() for p in parts])


# -- errors ---------------------------------------------------------------------------------------


def show_ladder(part: Components, prediction: Prediction, *, rank: int) -> tuple:
    """Which measurements predict best in site-years that were left out: finding and table, or why not."""
    if part.reason:
        return (say("Without measured stems no yield is predicted.", kind="refusal"),)
    refused = [
        say(f"Crop type {kind}: {why}.", kind="refusal")
        for kind, why in prediction.ladders.items()
        if isinstance(why, str)
    ]
    judged = {
        kind: steps for kind, steps in prediction.ladders.items() if not isinstance(steps, str)
    }
    if not judged:
        return tuple(refused) or (
            say("No crop type is named for the hybrids, so no yield is predicted.", kind="refusal"),
        )
    frame = pd.concat(
        [steps.assign(crop_type=kind) for kind, steps in judged.items()], ignore_index=True
    )
    frame["set"] = [_named(p)[0].upper() + _named(p)[1:] for p in frame["predictors"]]
    columns = {
        "crop_type": Column("Crop type"),
        "set": Column("Measured"),
        "n_plots": Column("Plots", kind="count"),
        "rmse_log": Column(
            "Error",
            "log",
            digits=2,
            kind="number",
            meaning="Root mean squared error of log yield; 0.2 is about 20 %.",
        ),
        "rmse_t_ha": Column(
            "Error", "t/ha", digits=2, kind="number", meaning="Root mean squared error."
        ),
        "rank_correlation": Column(
            "Rank correlation",
            digits=2,
            kind="number",
            meaning="Spearman, inside site-years, mean.",
        ),
        "held": Column(
            "Held by 95 %", kind="share", meaning="Share of plots inside their 95 % interval."
        ),
        "n_outside": Column(
            "Outside",
            "plots",
            kind="count",
            meaning="Plots outside the range of the other site-years: not judged.",
        ),
    }
    without = "; ".join(
        f"{kind} {fmt_number(steps['rmse_none_log'].iloc[0], 2)} "
        f"({int(steps['n_site_years'].max())} site-years)"
        for kind, steps in judged.items()
    )
    listed = table(
        frame,
        label="prediction-errors",
        columns=columns,
        caption="Error of predicted yields in site-years that the model had not seen.",
        note=f"Without any measurement the error on the log scale is: {without}. A site-year is a site in a "
        f"season; all plantings count.",
    )
    said = finding(
        _ladder_sentence(judged), rank=rank, label="Yield without cutting", see="prediction-errors"
    )
    return said, *refused, listed


def _ladder_sentence(judged):
    """Errors of the best set of measurements, its name once where it is the best in every crop type."""
    best = {kind: steps.loc[steps["rmse_log"].idxmin()] for kind, steps in judged.items()}
    sets = {row["predictors"] for row in best.values()}
    parts = [
        f"{fmt_number(100 * row['rmse_log'], 0)} % in {kind}"
        + (f" from {_named(row['predictors'])}" if len(sets) > 1 else "")
        + f" ({fmt_number(row['rmse_t_ha'], 1)} t/ha; {n_of(int(row['n_plots']), 'cut plot')} in "
        f"{int(row['n_site_years'])} site-years)"
        for kind, row in best.items()
    ]
    what = f"from {_named(sets.pop())} " if len(sets) == 1 else ""
    cheap = [steps.iloc[0] for steps in judged.values()]
    errors = fmt_list([fmt_number(100 * row["rmse_log"], 0) for row in cheap])
    alone = f" With {_named(cheap[0]['predictors'])} alone the error was {errors} %."
    return f"Predicting a plot's yield in an unseen site-year {what}erred by about {fmt_list(parts)}.{alone}"


def show_predicted(prediction: Prediction) -> tuple:
    """Predicted against cut yield, a panel for each crop type, or why there are none."""
    kinds = [*prediction.models][:MOST_PANELS]
    if not kinds:
        return (say(NO_PREDICTION, kind="refusal"),)
    tables = {
        k: cross_validate(prediction.frame, prediction.models[k].predictors, k) for k in kinds
    }
    across = min(len(kinds), 2)
    down = (len(kinds) + 1) // 2
    fig = Figure(figsize=page_size(3.4 * down, 1.0 if across == 2 else 0.6), layout="constrained")
    axes = fig.subplots(down, across, squeeze=False).ravel()
    for ax, (kind, own) in zip(axes, tables.items()):
        plot_predicted(own, ax=ax)
        ax.set_title(kind)
        ax.get_legend().remove()
    for ax in axes[len(kinds) :]:
        ax.remove()
    fig.legend(*axes[0].get_legend_handles_labels(), loc="outside upper center", ncols=3)
    drawn = pd.concat(
        [own.assign(crop_type=kind) for kind, own in tables.items()], ignore_index=True
    )
    held = "; ".join(
        f"{kind} {int((~own['is_outside']).sum())} plots" for kind, own in tables.items()
    )
    measured = "; ".join(f"{kind}: {_named(prediction.models[kind].predictors)}" for kind in kinds)
    more = len(prediction.models) - len(kinds)
    rest = f" {n_of(more, 'crop type')} more not drawn." if more else ""
    return (
        figure(
            fig,
            label="predicted-and-cut",
            data=drawn,
            alt=f"Cut against predicted yield of plots, points along the diagonal: {held}.",
            caption=f"Cut yield against the yield predicted from other site-years ({held}), both axes "
            f"logarithmic. Measured: {measured}. Some 95 % intervals are drawn.{rest}",
        ),
    )


def _looked_at(part, prediction):
    """Rows of the prediction's frame for the season and plantings looked at."""
    return prediction.frame.merge(part.plots[KEY], on=KEY)


def show_uncut(part: Components, prediction: Prediction) -> tuple:
    """Predicted yields of the season's plots without a usable cut, and the reasons where there is none."""
    if part.reason or not prediction.models:
        return (say(NO_PREDICTION, kind="refusal"),)
    rows = _looked_at(part, prediction)
    rows = rows[rows["dry_yield_t_ha"].isna()]
    if rows.empty:
        return (
            say(
                "Every measured plot of the season has a cut that can be used: none is left to predict."
            ),
            *_limits(prediction),
        )
    parts = [
        predict(m, rows[rows["crop_type"].eq(kind)], level=part.harvest.level)
        for kind, m in prediction.models.items()
    ]
    others = rows[~rows["crop_type"].isin([*prediction.models])]
    known = pd.concat(
        [*parts, others.assign(refused="no prediction for its crop type")], ignore_index=True
    )
    why = [in_words(w) for w in known["refused"].fillna("")]
    known = known.assign(why=why).sort_values(["site", "plot"], kind="stable")
    known["is_printed"] = known.groupby("site").cumcount() < (
        25 if known["site"].nunique() == 1 else 6
    )
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "hybrid": Column("Hybrid"),
        "crop_type": Column("Crop type"),
        "predicted_t_ha": Column("Predicted", "t/ha", digits=1, kind="number"),
        "interval": Column(
            f"{part.harvest.percent} % interval",
            "t/ha",
            digits=1,
            kind="interval",
            ends=("lower_t_ha", "upper_t_ha"),
        ),
        "why": Column("Why not"),
    }
    if known["why"].eq("").all():
        del columns["why"]
    n, refused = len(known), int(known["refused"].notna().sum())
    words = (
        f"{n_of(n, 'measured plot')} of the season {'has' if n == 1 else 'have'} no cut that can be "
        f"used; {n - refused} can be predicted."
    )
    listed = table(
        known,
        label="uncut",
        columns=columns,
        printed="is_printed",
        caption="Yields predicted for measured plots without a usable cut.",
        note=shown_of(int(known["is_printed"].sum()), n, "without a usable cut"),
    )
    return say(words), listed, *_limits(prediction)


def _limits(prediction):
    rows = [
        {
            "crop_type": kind,
            "label": label_of(name),
            "low": model.ranges.loc[name, "min"],
            "high": model.ranges.loc[name, "max"],
        }
        for kind, model in prediction.models.items()
        for name in model.predictors
    ]
    columns = {
        "crop_type": Column("Crop type"),
        "label": Column("Measured"),
        "low": Column("From", digits=1, kind="number"),
        "high": Column("To", digits=1, kind="number"),
    }
    return (
        table(
            pd.DataFrame(rows),
            label="prediction-limits",
            columns=columns,
            caption="Range of the calibrated plots: a plot outside it gets no number.",
            note="Stems per m², height in cm, diameter in mm.",
        ),
    )


# -- the plane ------------------------------------------------------------------------------------


def show_plane(part: Components, prediction: Prediction) -> tuple:
    """Hybrids by stems and height with lines of equal yield, a figure for each crop type, or why not."""
    if part.reason:
        return (
            say(
                "Without measured stems hybrids cannot be placed by stems and height.",
                kind="refusal",
            ),
        )
    own = _looked_at(part, prediction)
    means, refused = component_means(own, BOTH)
    if set(means["measure"]) != set(BOTH):
        return (say(*[in_words(r) for r in refused], kind="refusal"),)
    wide = (
        means.pivot(index="hybrid", columns="measure", values="mean")
        .reset_index()
        .merge(own[["hybrid", "crop_type"]].drop_duplicates(), on="hybrid")
    )
    shown = []
    for number, kind in enumerate(sorted(wide["crop_type"].dropna().unique()), 1):
        shown.append(
            _plane(
                wide[wide["crop_type"].eq(kind)].dropna().reset_index(drop=True),
                prediction,
                kind,
                number,
                part.harvest,
            )
        )
    return tuple(shown)


def _plane(frame, prediction, kind, number, harvest):
    try:
        model = calibrate(prediction.frame, BOTH, kind)
    except ValueError as error:
        return say(f"No lines of equal yield for {kind}: {in_words(str(error))}.", kind="refusal")
    fig, ax = new_figure(3.6)
    plot_plane(frame, model, harvest.controls, ax=ax)
    top, tall = (
        frame.loc[frame["stems_per_m2"].idxmax()],
        frame.loc[frame["stem_height_cm"].idxmax()],
    )
    return figure(
        fig,
        label=f"stems-and-height-{number}",
        data=frame,
        caption=f"Hybrids of crop type {kind} by stems and height, season {harvest.season}; lines join "
        f"equal predicted "
        f"yield in an average site and season and end where the {len(model.plots)} calibrated plots "
        f"do.{marked(frame['hybrid'], harvest.controls)}",
        alt=f"{len(frame)} hybrids between lines of equal yield; most stems {top['hybrid']} "
        f"({fmt_number(top['stems_per_m2'], 0)} per m²), tallest "
        f"{tall['hybrid']} ({fmt_number(tall['stem_height_cm'], 0)} cm).",
    )


# -- joining cut and uncut plots ------------------------------------------------------------------


def show_double_sampling(
    part: Components, prediction: Prediction, *, cut_chosen_at_random: bool
) -> tuple:
    """Mean yield of all measured plots, joined with predictions only if chance chose the cut ones."""
    if not cut_chosen_at_random:
        return (say(AT_RANDOM),)
    if part.reason or not prediction.models:
        return (say(NO_PREDICTION, kind="refusal"),)
    own = _looked_at(part, prediction)
    rows, refused = [], []
    for (site, kind), plots in own.groupby(["site", "crop_type"]):
        if kind not in prediction.models:
            continue
        cheap = predict(prediction.models[kind], plots, level=part.harvest.level)
        cheap = cheap[cheap["refused"].isna()]
        try:
            rows.append(
                {"site": site, "crop_type": kind}
                | regression_estimate(
                    cheap["predicted_t_ha"],
                    cheap["dry_yield_t_ha"],
                    chosen_at_random=True,
                    n_population=len(cheap),
                    level=part.harvest.level,
                )._asdict()
            )
        except ValueError as error:
            refused.append(say(f"{site}, {kind}: {error}.", kind="refusal"))
    if not rows:
        return tuple(refused)
    columns = {
        "site": Column("Site"),
        "crop_type": Column("Crop type"),
        "n_cut": Column("Cut", "plots", kind="count"),
        "n_measured": Column("Measured", "plots", kind="count"),
        "mean": Column("Mean yield", "t/ha", digits=2, kind="number"),
        "se": Column("Standard error", "t/ha", digits=2, kind="number"),
        "interval": Column(
            f"{part.harvest.percent} % interval",
            "t/ha",
            digits=2,
            kind="interval",
            ends=("lower", "upper"),
        ),
    }
    return *refused, table(
        pd.DataFrame(rows),
        label="joined-means",
        columns=columns,
        caption="Mean yield of all measured plots, from the cut ones and the predictions of all.",
        note="Taken as said: chance decided which plots were cut. The mean is for the measured plots "
        "themselves.",
    )


# -- limits and headline --------------------------------------------------------------------------


def show_unknown(harvest: Harvest, part: Components) -> tuple:
    """What these data do not carry, one paragraph each."""
    told = []
    if not harvest.reason:
        told.append(
            "One season's yields say nothing of a hybrid's steadiness over years. Small plots, cut "
            "with care, give more than fields do: compare hybrids, and expect less per hectare."
        )
    if not part.reason and not harvest.reason:
        told.append(
            "Contributions and paths describe how these hybrids differ in one season. They do not "
            "say what selecting for one component would do to the others: that takes the parents' "
            "and their offspring's records."
        )
    if not part.reason:
        told.append(
            "Stems were measured on a few plants of each plot, before the cut: what fell in winter "
            "is in the yield but not in the components."
        )
    return tuple(say(t, kind="caution") for t in told) or (
        say("Without a harvest and without stems nothing is concluded here.", kind="caution"),
    )


def headline(
    harvest: Harvest,
    means: MeansFit | str,
    gaps: pd.DataFrame | str,
    shares: pd.DataFrame | str,
    prediction: Prediction,
) -> str:
    """Main results as a few coarse lines of plain text, equal on every machine."""
    lines = []
    if isinstance(means, str):
        lines.append("dry yield: no answer")
    else:
        frame = hybrid_means(means, level=harvest.level)
        best = frame.iloc[0]
        lines.append(
            f"dry yield: {frame['mean'].mean():.1f} t/ha; highest {best['hybrid']} "
            f"{best['mean']:.1f} ({best['lower']:.1f} to {best['upper']:.1f})"
        )
        if not isinstance(gaps, str):
            lines.append(
                f"against {harvest.control}: {(gaps['lower'] > 0).sum()} more, "
                f"{(gaps['upper'] < 0).sum()} less, of {len(gaps)}"
            )
    if isinstance(shares, str):
        lines.append("contributions: no answer")
    else:
        own = shares[shares["among"].eq(HYBRIDS)]
        lines.append(
            "contributions: "
            + ", ".join(f"{label_of(r.component).lower()} {r.share:.2f}" for r in own.itertuples())
        )
    for kind, steps in prediction.ladders.items():
        best = None if isinstance(steps, str) else steps.loc[steps["rmse_log"].idxmin()]
        lines.append(
            f"prediction, {kind}: "
            + ("no answer" if best is None else f"error {best['rmse_log']:.2f} on the log scale")
        )
    return "\n".join(lines)
