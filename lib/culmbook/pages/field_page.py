"""What the frost notebook says of winters in the field, and whether the freeze test saw them coming."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.frost.agreement import freeze_against_field, rank_agreement
from culmbook.frost.freeze_curves import curve_draws
from culmbook.frost.soil import BORROWED, FORMULA, OWN
from culmbook.frost.winter_minimum import DAMPED, MEASURED, winter_severity
from culmbook.frost.winters import (
    FieldFit,
    add_severity,
    field_draws,
    field_shares,
    field_words,
    fit_field,
    observed_by_winter,
    severity_line,
    winters_survived,
)
from culmbook.frost.words import share_words
from culmbook.mixed import CONVERGED
from culmbook.pages.cold_figures import plot_field_against_severity, plot_freeze_against_field
from culmbook.pages.freeze_page import FreezeAnswer
from culmbook.pages.interval_figure import plot_intervals
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_interval, fmt_number, fmt_p, fmt_share
from culmbook.text.words import n_of

NO_WINTER = (
    "No plot was counted before and after a winter, so nothing is said about survival in the field."
)
HOW = {MEASURED: "read", DAMPED: "read at 5 cm", OWN: "from air", BORROWED: "from air, other sites"}
DRAWS = 500  # joint draws behind the chance that freezer and field agree
NOTHING = "There is no survival in the field to set beside the freeze test."


@dataclass(frozen=True)
class FieldAnswer:
    """Survival over all winters counted, or the ``reason`` why hybrids are not compared by it."""

    cells: pd.DataFrame
    level: float
    reason: str = ""
    field: FieldFit | None = None
    shares: pd.DataFrame | None = None


def field_answer(
    tables: dict, minima: pd.DataFrame, season: int, *, level: float = 0.95
) -> FieldAnswer:
    """Fit survival in the field over all winters up to a season's.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Of the network, with ``growing_season`` in the counts.
    minima : DataFrame
        From :func:`culmbook.frost.winter_minimum.winter_minima`; may be empty.
    season : int
        Last growing season whose winter counts.
    level : float
        Confidence, 0-1.

    Returns
    -------
    FieldAnswer
    """
    cells = add_severity(
        winters_survived(tables["plots"], tables["stand_counts"], tables["hybrids"], season), minima
    )
    if cells.empty:
        return FieldAnswer(cells, level, NO_WINTER)
    try:
        field = fit_field(cells, level=level)
    except ValueError as error:
        return FieldAnswer(cells, level, str(error))
    if field.fit.verdict != CONVERGED:
        return FieldAnswer(cells, level, f"Not estimable: the model did {field.fit.verdict}.")
    return FieldAnswer(cells, level, "", field, field_shares(field, level=level))


def show_field(
    answer: FieldAnswer,
    minima: pd.DataFrame,
    weather: pd.DataFrame,
    controls: list[str],
    *,
    rank: int,
) -> tuple:
    """Finding, survival by hybrid, the winters behind it, and survival against severity.

    Parameters
    ----------
    answer : FieldAnswer
    minima : DataFrame
        From :func:`culmbook.frost.winter_minimum.winter_minima`.
    weather : DataFrame
        Table ``weather``.
    controls : list of str
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if answer.cells.empty:
        return (say(answer.reason, kind="refusal"),)
    winters = _winter_table(answer.cells, minima, weather)
    if answer.reason:
        return say(answer.reason, kind="refusal"), winters
    said = finding(
        *field_sentences(answer), rank=rank, label="Winters in the field", see="field-survival"
    )
    severity = answer.field.severity
    told = (
        [severity_sentence(severity, answer.level)]
        if severity and severity["p_value"] >= 1 - answer.level
        else []
    )
    return (
        said,
        say(*field_words(answer.field), *told),
        *_by_hybrid(answer, controls),
        winters,
        *_against_severity(answer, controls),
    )


def field_sentences(answer: FieldAnswer) -> list[str]:
    """What the first page says of winters in the field."""
    cells, shares = answer.cells, answer.shares
    alive, total, n = cells["alive"].sum(), cells["total"].sum(), len(answer.field.winters)
    top, low = shares.iloc[0], shares.iloc[-1]
    ends = [
        f"{share_words(row['share'], row['lower'], row['upper'])} for {row['hybrid']}"
        for row in (low, top)
    ]
    words = [
        f"Over {n_of(n, 'winter')}{_at_sites(cells)}, {fmt_share(alive / total)} of {fmt_count(total)}"
        " plants at risk came through; as if each had stood through all of them, hybrids ranged from"
        f" {ends[0]} to {ends[1]}."
    ]
    severity = answer.field.severity
    if severity and severity["p_value"] < 1 - answer.level:
        words.append(severity_sentence(severity, answer.level))
    return words


def _at_sites(cells):
    sites = cells["site"].nunique()
    return f" of {fmt_count(sites)} sites" if sites > 1 else ""


def severity_sentence(severity: dict, level: float) -> str:
    """Survival against the winter's cold, in a sentence.

    Examples
    --------
    >>> severity_sentence({"odds_ratio": 0.5, "lower": -1.0, "upper": -0.4, "p_value": 0.003, "df": 12}, 0.95)
    'For every °C colder at rhizome depth the odds of surviving were 0.50 times as high (0.37 to 0.67, 12
    df, p = 0.003).'
    """
    limits = fmt_interval(np.exp(severity["lower"]), np.exp(severity["upper"]), 2, share=False)
    size = (
        f"{fmt_number(severity['odds_ratio'], 2)} times as high ({limits}, {fmt_count(severity['df'])} df,"
        f" {fmt_p(severity['p_value'])})"
    )
    if severity["p_value"] < 1 - level:
        return f"For every °C colder at rhizome depth the odds of surviving were {size}."
    return (
        "These winters show no clear effect of the cold at rhizome depth: for every °C colder the odds of"
        f" surviving were {size}."
    )


def _by_hybrid(answer, controls):
    shares, percent = answer.shares, round(100 * answer.level)
    fig, ax = new_figure(height_for(len(shares)))
    drawn = shares.assign(**{name: 100 * shares[name] for name in ("share", "lower", "upper")})
    plot_intervals(
        drawn, controls, centre="share", xlabel="Alive after a winter [% of those before it]", ax=ax
    )
    n = shares["n_plots"]
    each = f"{n.min()}" if n.nunique() == 1 else f"{n.min()} to {n.max()}"
    caption = (
        "Survival of a winter in the field, as if every hybrid had stood through all"
        f" {n_of(len(answer.field.winters), 'winter')}: points with {percent} % intervals, {each} plots"
        " per hybrid; controls are squares. Winters are shared by all hybrids and few, so hybrids are told"
        f" apart better than these intervals look.{named_words(len(shares))}"
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "n_plots": Column("Plots", kind="count"),
        "n_winters": Column("Winters", kind="count", meaning="Site-winters with counts."),
        "alive": Column("Alive after", "plants", kind="count"),
        "total": Column("Before", "plants", kind="count"),
        "share": Column(
            "Survival",
            kind="share",
            digits=1,
            meaning="Marginal, as if the hybrid had stood through all winters counted.",
        ),
        "interval": Column(
            f"{percent} % interval", kind="share_interval", digits=1, ends=("lower", "upper")
        ),
    }
    top, low = shares.iloc[0], shares.iloc[-1]
    return (
        figure(
            fig,
            label="field-survival",
            caption=caption,
            data=shares,
            columns=columns,
            alt=(
                f"One line per hybrid with survival and interval, from {fmt_share(top['share'])}"
                f" ({top['hybrid']}) to {fmt_share(low['share'])} ({low['hybrid']})."
            ),
        ),
        table(
            shares.assign(is_control=shares["hybrid"].isin(controls)),
            label="field-hybrids",
            columns=columns,
            strong="is_control",
            caption="Survival of winters in the field, by hybrid.",
            note=(
                "Controls in bold. A plant counts in each of its winters; Survival is the model's, the counts"
                " are plain totals."
            ),
        ),
    )


def _winter_table(cells, minima, weather):
    counted = cells.groupby(["site", "winter", "label"], as_index=False).agg(
        plots=("plot", "size"), total=("total", "sum"), alive=("alive", "sum")
    )
    severity = (
        winter_severity(minima, weather, int(cells["winter"].max()))
        if len(minima)
        else minima.reindex(
            columns=[*minima.columns, "min_air_c", "frost_days", "hard_frost_days", "snow_days"]
        )
    )
    rows = counted.merge(severity.drop(columns="label"), on=["site", "winter"], how="left")
    is_rough = rows["kind"].eq(FORMULA)
    rows = rows.assign(
        label=rows["label"].str.removeprefix("winter "),
        share=rows["alive"] / rows["total"],
        minimum_c=rows["minimum_c"].mask(is_rough),
        how=rows["kind"].mask(is_rough).map(HOW),
    )
    count = {"kind": "number", "digits": 0}
    columns = {
        "site": Column("Site"),
        "label": Column("Winter"),
        "minimum_c": Column("At rhizome depth", "°C", digits=1, kind="number"),
        "how": Column("Soil"),
        "min_air_c": Column("In the air", "°C", digits=1, kind="number"),
        "frost_days": Column("Frost days", "d", **count),
        "hard_frost_days": Column("Hard frost", "d", **count),
        "snow_days": Column("Snow", "d", **count),
        "plots": Column("Plots", kind="count"),
        "total": Column("Before", "plants", kind="count"),
        "share": Column("Alive after", kind="share", digits=1),
    }
    columns = {name: column for name, column in columns.items() if rows[name].notna().any()}
    if rows["site"].nunique() == 1:
        del columns["site"]
    return table(
        rows,
        label="winters-counted",
        columns=columns,
        caption="The winters that plants were counted before and after, with their lowest temperatures.",
        note=(
            "Frost days and hard-frost days of October to March, as set for the network. Without a number:"
            " the record is incomplete, or the soil was never read and a formula alone would be too cold."
            " Sites differ in hybrids, so the shares are no ranking of winters."
        ),
    )


def _against_severity(answer, controls):
    observed = observed_by_winter(answer.cells)
    if observed["minimum_c"].nunique() < 2:
        return (
            say(
                "Survival is not drawn against severity: fewer than two winters counted have a known minimum"
                " at rhizome depth.",
                kind="refusal",
            ),
        )
    known = observed.dropna(subset=["minimum_c"])
    line = severity_line(answer.field) if answer.field.severity else None
    order = list(answer.shares["hybrid"])
    named = list(dict.fromkeys([*[c for c in controls if c in order][:4], order[0], order[-1]]))
    fig, ax = new_figure(2.6)
    plot_field_against_severity(observed, ax=ax, named=named, line=line)
    lowest = 10 * np.floor(10 * known["share"].min())
    ax.set(ylim=(lowest - 0.03 * (100 - lowest + 10), 100 + 0.03 * (100 - lowest + 10)))
    ax.set_yticks([tick for tick in ax.get_yticks() if lowest <= tick <= 100])
    n = known[["site", "winter"]].drop_duplicates()
    caption = (
        "Survival of every hybrid in every winter against the winter's lowest temperature at rhizome depth"
        f" ({n_of(len(n), 'winter')}{_at_sites(known)}, {n_of(known['hybrid'].nunique(), 'hybrid')})."
        f" Named: {'controls, and ' if len(named) > 2 else ''}best and worst over all"
        f" winters{'; line: the mean hybrid, model' if line is not None else ''}."
    )
    told = (
        severity_sentence(answer.field.severity, answer.level)
        if answer.field.severity
        else answer.field.why_no_severity
    )
    return (
        figure(
            fig,
            label="field-severity",
            caption=caption,
            data=observed,
            alt=f"Dots of survival by winter minimum. {told}",
        ),
    )


def show_agreement(
    freeze: FreezeAnswer | None, answer: FieldAnswer, controls: list[str], *, rank: int
) -> tuple:
    """Whether the freeze test orders hybrids as the field did: finding and figure.

    Parameters
    ----------
    freeze : FreezeAnswer or None
        From :func:`culmbook.pages.freeze_page.main_set`.
    answer : FieldAnswer
    controls : list of str
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if freeze is None or answer.shares is None:
        why = (
            "No set of freeze tests of rhizomes gives LT50, so the field has nothing to be set beside."
            if freeze is None
            else NOTHING
        )
        return (say(why, kind="refusal"),)
    both = freeze_against_field(freeze.temperatures, answer.shares)
    try:
        drawn = curve_draws(freeze.fit, DRAWS, 1)
        found = rank_agreement(
            both,
            level=answer.level,
            curve_draws=drawn,
            logit_draws=field_draws(answer.field, DRAWS),
        )
    except ValueError as error:
        text = str(error)
        return (say(f"{text[0].upper()}{text[1:].removesuffix('.')}.", kind="refusal"),)
    sentence = agreement_sentence(found, answer.level)
    fig, ax = new_figure(2.6)
    plot_freeze_against_field(both, ax=ax, controls=controls)
    percent = round(100 * answer.level)
    caption = (
        f"LT50 in the freeze test ({freeze.name}) against survival of winters in the field:"
        f" {n_of(len(both), 'hybrid')}, lines are {percent} % intervals, controls named. Both are about"
        " other runs and winters too, so intervals overlap more than hybrids do."
    )
    return (
        finding(sentence, rank=rank, label="Freeze test and field", see="freeze-field"),
        figure(fig, label="freeze-field", caption=caption, data=both, alt=sentence),
        say(
            "The coefficient is of estimates: their errors make it smaller than that of the true values, and"
            " survivors of earlier winters are hardier than what was planted. A high one says that the test"
            " ranks hybrids, not that it foretells a share."
        ),
    )


def agreement_sentence(found: pd.DataFrame, level: float) -> str:
    """Rank correlation of freezer and field, in a sentence."""
    row = found.set_index("coefficient").loc["Spearman"]
    size = (
        f"Spearman's rank correlation {fmt_number(row['estimate'], 2)}"
        f" ({fmt_interval(row['lower'], row['upper'], 2, share=False)},"
        f" {n_of(row['n_hybrids'], 'hybrid')})"
    )
    if row["lower"] > 0:
        return f"The freeze test ranked hybrids in line with the field's winters: {size}."
    if row["upper"] < 0:
        return (
            f"The freeze test ranked hybrids against the field's winters: {size}. Look for exchanged labels,"
            " or a field where something else kills."
        )
    return f"It is not shown that the freeze test ranks hybrids as the field's winters did: {size}."


def headline_words(answer: FieldAnswer) -> str:
    """Winters in the field in one coarse line, equal on every machine."""
    if answer.shares is None:
        return "winters in the field: no answer"
    top = answer.shares.iloc[0]
    total = answer.cells["alive"].sum() / answer.cells["total"].sum()
    return f"winters in the field: {total:.3f} of plants; best {top['hybrid']} {top['share']:.2f}"
