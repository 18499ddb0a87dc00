"""What the frost notebook says of spring frost damage: chances, odds against the control, observers."""

from dataclasses import dataclass

import pandas as pd

from culmbook.frost.damage_scores import damage_scores, leaf_killed, score_shares, used_scores
from culmbook.frost.damage_words import (
    chance_sentence,
    equal_sentence,
    odds,
    odds_sentence,
    proportional_words,
)
from culmbook.frost.spring_damage import (
    SEVERE,
    DamageFit,
    damage_against_control,
    damage_chances,
    fit_damage,
    other_effects,
    proportionality,
)
from culmbook.pages.damage_figures import plot_damage
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count, fmt_date, fmt_list
from culmbook.text.words import n_of

NO_SCORES = "No score of spring frost damage came in for this season, so nothing is said about it."
NBSP = "\u00a0"  # keeps an interval on one line


@dataclass(frozen=True)
class DamageAnswer:
    """Damage scores modelled as hybrids stood and at equal emergence, or the ``reason`` why not."""

    scores: pd.DataFrame
    control: str
    level: float
    reason: str = ""
    damage: DamageFit | None = None
    chances: pd.DataFrame | None = None
    no_chance: str = ""
    contrasts: pd.DataFrame | None = None
    equal: DamageFit | None = None
    equal_contrasts: pd.DataFrame | None = None
    not_equal: str = ""


def damage_answer(tables: dict, control: str, season: int, *, level: float = 0.95) -> DamageAnswer:
    """Model a season's damage scores.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Of the network, with ``growing_season`` in the scores.
    control : str
        Hybrid to compare with; blank where there is none.
    season : int
    level : float
        Confidence, 0-1.

    Returns
    -------
    DamageAnswer
    """
    scores = damage_scores(
        tables["plots"], tables["frost_scores"], tables["phenology"], tables["hybrids"], season
    )
    given = {"scores": scores, "control": control, "level": level}
    if scores.empty:
        return DamageAnswer(**given, reason=NO_SCORES)
    try:
        damage = fit_damage(scores)
    except ValueError as error:
        return DamageAnswer(**given, reason=_sentence(error))
    found = {"damage": damage, "contrasts": _contrasts(damage, control, level)}
    try:
        found["chances"] = damage_chances(damage, level=level)
    except ValueError as error:
        found["no_chance"] = _sentence(error)
    try:
        found["equal"] = fit_damage(scores, at_equal_emergence=True)
        found["equal_contrasts"] = _contrasts(found["equal"], control, level)
    except ValueError as error:
        found["not_equal"] = _sentence(error)
    return DamageAnswer(**given, **found)


def _contrasts(damage, control, level):
    """Odds ratios against the control, or None where it was not scored."""
    return (
        damage_against_control(damage, control, level=level)
        if control in set(damage.scores["hybrid"])
        else None
    )


def _sentence(error):
    text = str(error)
    return f"{text[0].upper()}{text[1:].removesuffix('.')}."


def show_damage(answer: DamageAnswer, controls: list[str], *, rank: int) -> tuple:
    """Finding, distributions and odds of spring frost damage, or why there are none.

    Parameters
    ----------
    answer : DamageAnswer
    controls : list of str
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if answer.scores.empty:
        return (say(answer.reason, kind="refusal"),)
    scored = say(*scored_words(answer.scores))
    if answer.reason:
        return scored, say(answer.reason, kind="refusal")
    missing = [
        say(text, kind="refusal")
        for text in (answer.no_chance, "" if answer.contrasts is not None else _no_control(answer))
        if text
    ]
    said = finding(*damage_sentences(answer), rank=rank, label="Spring frost", see="damage-hybrids")
    return (
        said,
        scored,
        *missing,
        _distribution(answer, controls),
        _hybrid_table(answer, controls),
        *_equal(answer),
        *_beside(answer),
    )


def _no_control(answer):
    why = (
        f"The control {answer.control} has no damage score here"
        if answer.control
        else "The network names no control"
    )
    return f"{why}, so hybrids are not compared with one."


def scored_words(scores: pd.DataFrame) -> list[str]:
    """What was scored, by whom, after which frosts, and what was left out."""
    rows = used_scores(scores)
    out = scores["why_left_out"].dropna().value_counts()
    told = [f"{n_of(int(n), 'score')} left out: {why}." for why, n in out.items()]
    if rows.empty:
        return ["No score can be used.", *told]
    plots = len(rows[["site", "plot"]].drop_duplicates())
    observers = n_of(rows["observer"].nunique(), "observer")
    again = rows.groupby(["site", "plot", "event"]).size().gt(1).sum()
    words = (
        f"{n_of(len(rows), 'score')} of {n_of(plots, 'plot')} by {observers}, after {_frosts(rows)}"
    )
    return [
        words + (f"; {n_of(int(again), 'plot')} had more than one score." if again else "."),
        *told,
    ]


def _frosts(rows):
    days = rows.groupby("event").agg(
        site=("site", "first"), day=("frost_on", "first"), seen=("scored_on", "min")
    )
    at = rows["site"].nunique() > 1
    named = [
        f"{f'{r.site} ' if at else ''}"
        + (fmt_date(r.day) if pd.notna(r.day) else f"undated, scored {fmt_date(r.seen)}")
        for r in days.itertuples()
    ]
    return f"the frost{'s' if len(named) > 1 else ''} of {fmt_list(named)}"


def damage_sentences(answer: DamageAnswer) -> list[str]:
    """What the first page says of spring frost damage."""
    words = []
    if answer.chances is not None:
        words.append(chance_sentence(answer.chances, answer.control, _frosts(answer.damage.scores)))
    if answer.contrasts is not None:
        words.append(odds_sentence(answer.contrasts, answer.control, answer.level))
    if answer.equal_contrasts is not None:
        words.append(equal_sentence(answer.equal_contrasts, answer.control))
    return words or [f"{answer.no_chance or _no_control(answer)}"]


def _distribution(answer, controls):
    shares = score_shares(answer.scores)
    order = (
        answer.chances["hybrid"]
        if answer.chances is not None
        else shares.sort_values(0, ascending=False).index
    )
    shares = shares.loc[list(order)]
    fig, ax = new_figure(min(height_for(len(shares)) + 0.45, 8.5))
    plot_damage(shares, controls, ax=ax)
    rows = used_scores(answer.scores)
    plots = rows.drop_duplicates(["site", "plot", "event"]).groupby("hybrid").size()
    each = (
        fmt_count(plots.min())
        if plots.nunique() == 1
        else f"{fmt_count(plots.min())} to {fmt_count(plots.max())}"
    )
    on_top = (
        "least damaged on top by the model"
        if answer.chances is not None
        else "most without damage on top"
    )
    caption = (
        f"How the damage scores of each hybrid are spread after {_frosts(rows)},"
        f" {on_top}:"
        f" {each} scored plots per hybrid, a plot with several scores counting once; controls"
        f" framed.{named_words(len(shares))}"
    )
    data = shares.rename(columns=lambda score: f"score_{score}").reset_index()
    return figure(
        fig,
        label="damage-scores",
        caption=caption,
        data=data,
        alt=f"One stacked bar per hybrid. {' '.join(damage_sentences(answer))}",
    )


def _hybrid_table(answer, controls):
    percent = round(100 * answer.level)
    counts = (
        answer.damage.scores.groupby("hybrid")
        .agg(
            n_plots=("plot_key", "nunique"),
            observed=("damage_score", lambda s: float(s.ge(SEVERE).mean())),
        )
        .reset_index()
    )
    frame, columns = (
        counts,
        {
            "hybrid": Column("Hybrid"),
            "n_plots": Column("Plots", kind="count"),
            "observed": Column(
                f"Scored {SEVERE}–6", kind="share", meaning="Plain share of its scores."
            ),
        },
    )
    if answer.chances is not None:
        frame = answer.chances
        columns |= {
            "chance": Column(
                f"Chance of {SEVERE}–6",
                kind="share",
                meaning="From the model, averaged over frosts, replicates, treatments, observers.",
            ),
            "interval": Column(
                f"{percent} % interval", kind="share_interval", ends=("lower", "upper")
            ),
        }
    for found, name, heading in (
        (answer.contrasts, "as_stood", "Odds ratio"),
        (answer.equal_contrasts, "equal", "Equal emergence"),
    ):
        if found is not None:
            frame = frame.merge(_odds_cells(found, name), on="hybrid", how="left")
            columns |= {
                name: Column(
                    heading,
                    meaning="Odds of a higher score against the control's; above 1 = more damage.",
                ),
                f"{name}_interval": Column(
                    "Interval", meaning="Simultaneous interval of the odds ratio."
                ),
            }
    killed = leaf_killed(answer.scores)
    if len(killed):
        frame = frame.merge(killed[["hybrid", "median"]], on="hybrid", how="left")
        columns["median"] = Column(
            "Leaf killed", kind="share", meaning="Median of the plots' means, as recorded."
        )
    equal = (
        " At equal emergence: how tender its leaf is; plots not up yet are left out there."
        if answer.equal_contrasts is not None
        else ""
    )
    against = (
        f" Odds ratios are against {answer.control}; their intervals hold together with {percent} %."
        if answer.contrasts is not None
        else ""
    )
    return table(
        frame.assign(is_control=frame["hybrid"].isin(controls)),
        label="damage-hybrids",
        columns=columns,
        strong="is_control",
        caption="Spring frost damage by hybrid, least damaged first.",
        note=(
            f"Controls in bold. Scores 0 (none) to 6 (all leaf killed).{against} As hybrids stood: a late one"
            f" may have escaped.{equal}"
        ),
    )


def _odds_cells(contrasts, name):
    return pd.DataFrame(
        {
            "hybrid": contrasts["hybrid"],
            name: contrasts["odds_ratio"].map(odds),
            f"{name}_interval": [
                f"{odds(low)}{NBSP}to{NBSP}{odds(high)}"
                for low, high in zip(contrasts["all_lower"], contrasts["all_upper"], strict=True)
            ],
        }
    )


def _equal(answer):
    if answer.equal is None:
        return [
            say(
                f"Not compared at an equal time since emergence: {answer.not_equal}", kind="refusal"
            )
        ]
    return [say(*answer.equal.left_out)] if answer.equal.left_out else []


def _beside(answer):
    """Observers and time since emergence, and whether one odds ratio holds at every score."""
    damage = answer.equal or answer.damage
    effects, percent = other_effects(damage, level=answer.level), round(100 * answer.level)
    shown = [say(*proportional_words(proportionality(answer.damage)))]
    if effects.empty:
        return shown
    rows = effects.assign(
        ratio=effects["odds_ratio"].map(odds),
        effect=effects["effect"].str.capitalize(),
        limits=[
            f"{odds(low)} to {odds(high)}"
            for low, high in zip(effects["lower"], effects["upper"], strict=True)
        ],
    )
    columns = {
        "effect": Column("Effect"),
        "name": Column("Of"),
        "ratio": Column("Odds ratio"),
        "limits": Column(f"{percent} % interval"),
        "p_value": Column("p", kind="p"),
    }
    note = (
        "Observers against the mean observer: above 1, the observer scores higher; hybrids are compared as if"
        " all had scored all."
    )
    return [
        *shown,
        table(
            rows,
            label="damage-effects",
            columns=columns,
            caption="What else went with a higher score.",
            note=note if "Observer" in set(rows["effect"]) else "",
        ),
    ]


def headline_words(answer: DamageAnswer) -> str:
    """Spring frost in one coarse line, equal on every machine."""
    if answer.damage is None:
        return "spring frost: no answer"
    told = f"spring frost: {len(answer.damage.scores)} scores"
    if answer.chances is None:
        return told
    return f"{told}; least damaged {answer.chances['hybrid'].iloc[0]}, most {answer.chances['hybrid'].iloc[-1]}"
