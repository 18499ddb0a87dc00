"""What the notebook on choosing knows of each candidate, and the evidence behind the decisions."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from culmbook.consistency.model import is_provisional
from culmbook.pages.seasons_page import Seasons, seasons_of, sentence
from culmbook.pages.selection_figures import LEAST_NAMED, plot_gains, plot_losses
from culmbook.selection.decide import DECISIONS, DROP, Costs, decide, expected_loss
from culmbook.selection.floors import (
    applied_floors,
    floor_table,
    floor_words,
    hold_untested,
    passing,
    unknown_traits,
)
from culmbook.selection.gains import blup_table, candidate_gains, heritability
from culmbook.selection.more_data import hold_table
from culmbook.selection.traits import network_traits, unknown_trait, yield_trait
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share
from culmbook.text.words import is_are, joined, n_of

NO_CONTROL = "The network names no control, and a hybrid is judged by its gain over one: no decision is made."
NO_DECISION = "No decision was made, so this is not answered."
SHORT = {"yield_t_ha": "yield", "stand": "stand", "lt50_c": "LT50", "moisture_pct": "moisture"}
"""Traits in a table's narrow column."""


@dataclass(frozen=True)
class Choice:
    """Everything the decisions rest on, and the decisions.

    ``part`` the yields of established stands with their model; ``reason`` why nothing is decided, blank where
    it is; ``traits`` by name and ``told`` what must be said beside them; ``floors`` those that could be
    judged and ``unjudged`` a sentence on each other; ``gains`` joint draws over the control and ``eligible``
    whether they pass, None without floors; ``passed`` from :func:`culmbook.selection.floors.floor_table`; ``more`` from
    :func:`culmbook.selection.more_data.hold_table`, None where nothing tells of another season, with ``no_more`` the
    reason; ``decided`` from :func:`culmbook.selection.decide.decide` with ``untested``; ``entries`` the table of
    hybrids.
    """

    part: Seasons
    reason: str
    k: int
    delta: float
    costs: Costs
    weights: dict
    entries: pd.DataFrame = field(repr=False)
    traits: dict = field(default_factory=dict, repr=False)
    told: list = field(default_factory=list, repr=False)
    floors: dict = field(default_factory=dict)
    unjudged: list = field(default_factory=list, repr=False)
    gains: pd.DataFrame | None = field(default=None, repr=False)
    eligible: pd.DataFrame | None = field(default=None, repr=False)
    passed: pd.DataFrame | None = field(default=None, repr=False)
    more: pd.DataFrame | None = field(default=None, repr=False)
    no_more: str = ""
    decided: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def control(self) -> str:
        return self.part.control

    @property
    def best(self) -> str:
        """What a place is called: 'the true best', or 'among the true best k'."""
        return "the true best" if self.k == 1 else f"among the true best {self.k}"

    @property
    def rules(self) -> dict:
        """What :func:`culmbook.selection.decide.decide` and its kin take."""
        return {"k": self.k, "delta": self.delta, "costs": self.costs}

    def floor_chances(self, hybrid: str) -> dict:
        """Probability of passing each floor; floors on which the hybrid is not known are left out."""
        if self.passed is None:
            return {}
        own = self.passed.set_index("hybrid").loc[hybrid]
        return {n: own[f"p_{n}"] for n in self.floors if pd.notna(own[f"p_{n}"])}

    def within(self, chances: pd.Series) -> pd.Series:
        """Probabilities as they are printed: none or all of the draws do not make them 0 or 1."""
        half = 0.5 / len(self.gains)
        return chances.clip(half, 1 - half)

    def named(self, decision: str) -> list[str]:
        """Hybrids with a decision, the likeliest worth first."""
        return list(self.decided.loc[self.decided["decision"].eq(decision), "hybrid"])


def choice_of(
    network, site: str, season: int, *, level: float = 0.95, draws: int = 800, seed: int = 1
) -> Choice:
    """Gather yields and traits, apply the floors and decide on every candidate.

    Parameters
    ----------
    network : Network
        As :func:`culmbook.trials.seasons.of_season` gives it.
    site : str
        A site, or 'all'.
    season : int
        Growing season reported.
    level : float
        Confidence of every interval, 0-1.
    draws, seed : int

    Returns
    -------
    Choice
    """
    part = seasons_of(network, site, level=level, draws=draws, seed=seed)
    chosen = network.settings.selection
    rest = (
        chosen.k,
        chosen.delta,
        Costs(**chosen.costs),
        dict(chosen.weights),
        network.tables["hybrids"],
    )
    reason = part.reason or ("" if part.control else NO_CONTROL)
    if reason:
        return Choice(part, reason, *rest)
    try:
        among = under_test(part, network.tables["decisions"], season)
        gains = candidate_gains(part.drawn, part.control, among)
    except ValueError as error:
        return Choice(part, sentence(error), *rest)
    traits, told = network_traits(network, season, n=draws, seed=seed)
    traits["yield_t_ha"] = _yield_trait(part, network.tables["hybrids"])
    return _decided(
        Choice(part, "", *rest, traits=traits, told=told, gains=gains), dict(chosen.floors)
    )


def _yield_trait(part, entries):
    try:
        return yield_trait(part.fit, part.drawn, entries)
    except ValueError as error:
        return unknown_trait(
            "yield_t_ha", entries["hybrid"], len(part.drawn.lasting), sentence(error)
        )


def under_test(part: Seasons, decisions: pd.DataFrame, season: int) -> list[str]:
    """Candidates with a yield, but for those dropped before that were not cut in the last season.

    Parameters
    ----------
    part : Seasons
    decisions : DataFrame
        Table ``decisions``.
    season : int
        Growing season reported.

    Returns
    -------
    list of str
    """
    before = decisions[decisions["growing_season"] < season].sort_values(
        "growing_season", kind="stable"
    )
    last = before.drop_duplicates("hybrid", keep="last").set_index("hybrid")["decision"]
    out = set(last.index[last.eq(DROP)])
    cut = set(part.records.loc[part.records["season"].eq(part.seasons[-1]), "hybrid"].astype(str))
    return [h for h in part.fit.hybrids if h not in part.controls and (h in cut or h not in out)]


def _decided(choice, floors):
    judged, unjudged = applied_floors(choice.traits, floors)
    hybrids, n = list(choice.gains.columns), len(choice.gains)
    eligible = passing(choice.traits, judged, hybrids, n, unknown=True) if judged else None
    missing = unknown_traits(choice.traits, judged, hybrids)
    more, no_more = _one_season(choice, eligible)
    decided = decide(
        choice.gains,
        eligible,
        **choice.rules,
        more=more,
        level=choice.part.level,
        provisional=is_provisional(choice.part.records),
    )
    return replace(
        choice,
        floors=judged,
        unjudged=unjudged,
        eligible=eligible,
        passed=floor_table(choice.traits, judged, hybrids, n) if judged else None,
        more=more,
        no_more=no_more,
        decided=_with_losses(hold_untested(decided, missing)),
    )


def _one_season(choice, eligible):
    try:
        return hold_table(
            choice.part.fit,
            choice.part.drawn,
            choice.control,
            eligible,
            among=list(choice.gains),
            **choice.rules,
        ), ""
    except ValueError as error:
        return None, sentence(error)


def _with_losses(decided):
    """Decisions in order again, each with the loss that it has after untested hybrids were held."""
    place = {d: i for i, d in enumerate(DECISIONS)}
    own = [row[f"loss_{row['decision']}"] for _, row in decided.iterrows()]
    by = ["place", "chance_worthy", "rank", "hybrid"]
    return (
        decided.assign(loss=own, place=decided["decision"].map(place))
        .sort_values(by, ascending=[True, False, True, True], ignore_index=True)
        .drop(columns="place")
    )


def rule_words(choice: Choice) -> str:
    """Say when a hybrid is worth promoting and how it is decided, with the settings used."""
    costs = choice.costs
    floors = choice.floors
    best = f"is {choice.best}"
    needs = [
        *([f"passes the floors ({floor_words(floors)})"] if floors else []),
        f"gives more than {fmt_share(choice.delta)} above {choice.control}",
        f"{best} of those that pass" if floors else best,
    ]
    held = (
        f", and one more season of a hybrid {fmt_number(costs.hold, 2)}"
        if choice.more is not None
        else ""
    )
    places = "at most one hybrid is" if choice.k == 1 else f"at most {choice.k} hybrids are"
    return (
        f"A hybrid is worth promoting if it {fmt_list(needs)}. Promoting wrongly costs "
        f"{fmt_number(costs.wrong_promote, 2)}, dropping wrongly "
        f"{fmt_number(costs.wrong_drop, 2)}{held}, in "
        "one and the same unit; each hybrid gets the decision with the least expected loss, and "
        f"{places} promoted."
    )


def no_floor_words(choice: Choice) -> str:
    """Say that there is no floor, or which could not be applied; blank where all were."""
    if choice.unjudged:
        return joined(*choice.unjudged)
    return "" if choice.floors else "No floor on another trait is set: only yield decides."


def hardly_worthy(decided: pd.DataFrame) -> pd.Series:
    """Dropped hybrids that hardly could be worth it: left to the workbook unless all hybrids are such."""
    is_clear = decided["decision"].eq(DROP) & decided["chance_worthy"].lt(LEAST_NAMED)
    return is_clear & ~is_clear.all()


def clear_words(n: int) -> str:
    """Where dropped hybrids that hardly could be worth it are listed; blank where there is none."""
    if not n:
        return ""
    which = f"{n_of(n, 'dropped hybrid')} with a probability under {fmt_share(LEAST_NAMED)}"
    return f"{which} {is_are(n)} in the workbook."


# -- yields ---------------------------------------------------------------------------------------


def show_gains(choice: Choice) -> tuple:
    """Predicted yields and gains with what is behind them: figure and table, or why not.

    Parameters
    ----------
    choice : Choice

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    found = heritability(choice.part.fit)
    told = (
        "The generalised heritability of the candidates' lasting differences is "
        f"{fmt_number(found.value, 2)}: 0 would mean that the yields at hand say nothing of them, 1 that "
        "they "
        "say all."
        if np.isfinite(found.value)
        else f"Heritability is {found.verdict}."
    )
    return say(told), _gain_figure(choice), _gain_table(choice, _predictions(choice))


def _predictions(choice):
    """Adjusted means with the gains of the decisions, which are medians of the draws."""
    part = choice.part
    frame = blup_table(part.fit, choice.control, part.drawn, level=part.level).set_index("hybrid")
    own = choice.decided.set_index("hybrid")
    frame["rank"] = own["rank"].reindex(frame.index).astype("Int64")
    frame["gain"] = own["gain"].reindex(frame.index).fillna(frame["gain"])
    return frame.reset_index().sort_values(["rank", "hybrid"], ignore_index=True)


def _gain_figure(choice):
    frame = choice.decided.sort_values(
        ["gain", "hybrid"], ascending=[False, True], ignore_index=True
    )
    n, part = len(frame), choice.part
    fig = Figure(figsize=page_size(height_for(n)), layout="constrained")
    axes = fig.subplots(1, 2, sharey=True, width_ratios=[2.4, 1])
    fig.get_layout_engine().set(wspace=0.06)
    plot_gains(frame, delta=choice.delta, k=choice.k, axes=axes)
    best = frame.iloc[0]
    return figure(
        fig,
        label="gains",
        data=frame[["hybrid", "decision", "gain", "lower", "upper", "p_top", "p_beats"]],
        alt=f"Predicted gain of {n_of(n, 'candidate')} over {choice.control} with intervals, highest first, "
        f"and the probability of being {choice.best}. {best['hybrid']} is highest with "
        f"{fmt_share(best['gain'])}.",
        caption=f"Predicted lasting gain in dry yield over {choice.control} with {part.percent} % intervals "
        f"(left), and the probability of being {choice.best}"
        f"{' of those that pass the floors' if choice.floors else ''} (right). The broken line is "
        f"{choice.control} itself, the dotted one the margin of {fmt_share(choice.delta)}. Colour and "
        "marker: "
        f"the decision.{named_words(n)} {part.mark}".strip(),
    )


def _gain_table(choice, frame):
    part = choice.part
    columns = {
        "rank": Column("Rank", kind="count", meaning="By predicted gain; controls have none."),
        "hybrid": Column("Hybrid"),
        "n_plots": Column("Plots", kind="count"),
        "n_sites": Column("Sites", kind="count"),
        "n_seasons": Column("Seasons", kind="count"),
        "mean_t_ha": Column(
            "Adjusted mean",
            "t/ha",
            digits=1,
            kind="number",
            meaning="Dry yield of the median plot, growing conditions weighed alike.",
        ),
        "gain": Column(
            "Gain", kind="share", meaning=f"Over {choice.control}: median of the joint draws."
        ),
        "interval": Column(
            f"{part.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "reliability": Column(
            "Reliability", digits=2, kind="number", meaning="0 to 1, of differences in its group."
        ),
    }
    return table(
        frame.assign(is_control=frame["hybrid"].isin(part.controls)),
        label="adjusted-means",
        columns=columns,
        strong="is_control",
        caption=f"Adjusted mean yields after establishment and predicted gains over {choice.control}.",
        note=joined(
            part.mark,
            "Candidates are pulled towards the mean of their crop type as far as their own data are few; "
            "controls (in bold) are not. Intervals hold the uncertainty of the control and of all "
            "variances.",
        ),
    )


# -- losses ---------------------------------------------------------------------------------------


def show_losses(choice: Choice) -> tuple:
    """What each decision on each candidate is expected to lose: figure and table, or why not."""
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    total = expected_loss(choice.decided)
    told = (
        "Promoting loses less than dropping where the probability of being worth it is over "
        f"{fmt_share(choice.costs.threshold)}."
    )
    if np.isfinite(total):
        n = n_of(len(choice.decided), "candidate")
        told += f" Over all {n} the expected loss is {fmt_number(total, 2)}."
    if choice.more is None:
        told += f" Holding is not weighed: {choice.no_more[0].lower()}{choice.no_more[1:]}"
    return say(told), _loss_figure(choice), _loss_table(choice)


def _loss_figure(choice):
    fig = Figure(figsize=page_size(3.0), layout="constrained")
    hidden = plot_losses(choice.decided, choice.costs, ax=fig.subplots())
    columns = ["hybrid", "decision", "chance_worthy", "loss_promote", "loss_hold", "loss_drop"]
    unnamed = f" {n_of(hidden, 'name')} found no room; the table has them." if hidden else ""
    held = ", a cross what holding it would lose" if choice.more is not None else ""
    return figure(
        fig,
        label="losses",
        data=choice.decided[columns],
        alt="Expected loss against the probability of being worth it: a falling line for promoting, a "
        "rising "
        f"one for dropping, and a point for each of {n_of(len(choice.decided), 'candidate')}.",
        caption="Expected loss against the probability of being worth promoting. Lines: promoting and "
        f"dropping; each point is the decision taken on a hybrid{held}. Named are hybrids with a "
        "probability of "
        f"{fmt_share(LEAST_NAMED)} or more.{unnamed}",
    )


def _loss_table(choice):
    columns = {
        "hybrid": Column("Hybrid"),
        "decision": Column("Decision"),
        "chance_worthy": Column(
            "Worth it", kind="share", meaning="Probability of being worth promoting."
        ),
        "loss_promote": Column("Promote", digits=2, kind="number", meaning="Expected loss."),
        "loss_hold": Column(
            "Hold", digits=2, kind="number", meaning="Expected loss, the cost of holding included."
        ),
        "loss_drop": Column("Drop", digits=2, kind="number", meaning="Expected loss."),
        "chance_flips": Column(
            "Turns",
            kind="share",
            meaning="Probability that one more season turns the better of promoting and dropping.",
        ),
    }
    decided = choice.decided
    is_clear = hardly_worthy(decided)
    return table(
        decided.assign(chance_worthy=choice.within(decided["chance_worthy"]), is_printed=~is_clear),
        label="expected-losses",
        columns=columns,
        printed="is_printed",
        caption="Expected loss of each decision, in the unit of the costs.",
        note=joined(
            "Turns: probability that one more season changes which of promoting and dropping loses less.",
            clear_words(int(is_clear.sum())),
            choice.part.mark,
        ),
    )
