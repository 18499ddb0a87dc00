"""What is said of decisions: the rule, who is promoted, held and dropped, why, and what would
change it.
"""

import pandas as pd

from culmbook.selection.decide import DROP, EARLY, HOLD, PROMOTE, conditions
from culmbook.selection.index import floor_words
from culmbook.sheets.settings import KINDS
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.words import is_are, n_of

DONE = {PROMOTE: "promoted", HOLD: "held", EARLY: "not decided yet", DROP: "dropped"}
# Traits in a narrow column.
SHORT = {"yield_t_ha": "yield", "stand": "stand", "lt50_c": "LT50", "moisture_pct": "moisture"}
# Probability of being worth promoting from which on a dropped hybrid is named.
LEAST_NAMED = 0.05
NO_CHANGE = "No single change would be enough."
_MOST_NAMED = 6
_LIKELY, _UNLIKELY = 0.5, 0.2
_LIKELY_TURN = 0.1
# Probability of passing the floors; what else holds then is told by few draws.
_SURELY_FAILS = 0.025
_HARDLY = 0.005  # of a saving: rounds to nothing on the page


def fmt_chance(p: float) -> str:
    """A probability from draws: none or all of the draws do not make it 0 or 1.

    Examples
    --------
    >>> fmt_chance(0.0), fmt_chance(0.57), fmt_chance(1.0)
    ('<1 %', '57 %', '>99 %')
    """
    return fmt_share(min(max(p, 0.001), 0.999))


def best_words(k: int, among: str = "among the best") -> str:
    """What a place is called: 'the best', 'among the best 4'."""
    return "the best" if k == 1 else f"{among} {k}"


def _over(rule, control):
    return f"more than {fmt_share(rule['delta'])} above {control}"


def rule_words(rule: dict, control: str, floors: dict, *, is_waiting: bool = True) -> str:
    """Say when a hybrid is worth promoting and how it is decided.

    Parameters
    ----------
    rule : dict
        ``k, delta, costs`` as :func:`culmbook.selection.decide.decide` takes them.
    control : str
    floors : dict of str to float
        Those that are applied.
    is_waiting : bool
        Whether holding is weighed.
    """
    k, costs = rule["k"], rule["costs"]
    best = "is the true best" if k == 1 else f"is among the true best {k}"
    needs = [f"gives {_over(rule, control)}", f"{best} of those that pass" if floors else best]
    if floors:
        needs.insert(0, f"passes the floors ({floor_words(floors)})")
    held = f", and one more season of a hybrid {fmt_number(costs.hold, 2)}" if is_waiting else ""
    early = (
        ""
        if is_waiting
        else " What another season would bring is not known yet, so it is too early to decide on a "
        "hybrid whose interval includes the margin, unless it is as good as sure to fail a floor: "
        "dropping cannot be undone."
    )
    places = "at most one hybrid is" if k == 1 else f"at most {k} hybrids are"
    return (
        f"A hybrid is worth promoting if it {fmt_list(needs)}. Promoting wrongly costs "
        f"{fmt_number(costs.wrong_promote, 2)}, dropping wrongly {fmt_number(costs.wrong_drop, 2)}{held}, in "
        "one and the same unit; each hybrid gets the decision with the least expected loss, and "
        f"{places} promoted.{early}"
    )


def decision_words(decided: pd.DataFrame, rule: dict, control: str) -> str:
    """Say who is promoted, held and dropped, each with its probability of being worth promoting.

    Parameters
    ----------
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide`.
    rule, control
        As in :func:`rule_words`.
    """

    def named(rows):
        pairs = zip(rows["hybrid"], rows["chance_worthy"])
        return fmt_list([f"{h} ({fmt_chance(p)})" for h, p in pairs], _MOST_NAMED) or "none"

    promoted, held, early, dropped = (decided[decided["decision"].eq(d)] for d in DONE)
    near = dropped[dropped["chance_worthy"].ge(LEAST_NAMED)].head(3)
    last = named(dropped)
    if len(dropped) > 2 * len(near):
        last = f"{len(dropped)}{f', the nearest of them {named(near)}' if len(near) else ''}"
    must = [f"giving {_over(rule, control)}", f"being {best_words(rule['k'])}"]
    if decided["p_floors"].notna().any():
        must.insert(0, "passing the floors (limits on other traits)")
    open_now = f"not decided yet, too early: {named(early)}; " if len(early) else ""
    return (
        f"Promote: {named(promoted)}; hold: {named(held)}; {open_now}drop: {last}. In brackets: probability of being "
        f"worth promoting, that is {fmt_list(must)}."
    )


def with_reasons(
    decided: pd.DataFrame, rule: dict, control: str, passed: pd.DataFrame
) -> pd.DataFrame:
    """Add why each hybrid is promoted, held or dropped, and what would change it.

    Parameters
    ----------
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide`.
    rule, control
        As in :func:`rule_words`.
    passed : DataFrame
        From :func:`culmbook.selection.index.floor_table`.

    Returns
    -------
    DataFrame
        With ``weakest`` (the condition that is least likely, in a few words), ``open`` (conditions
        that are not settled, the least settled first, with their probabilities), ``reason`` and
        ``change`` (short sentences), ``why`` (a clause that follows "as") and ``next`` (what one
        more season would do, a sentence; blank where that is not known).
    """
    chances = conditions(decided)
    floors = passed.set_index("hybrid").filter(like="p_").drop(columns="p_all", errors="ignore")
    floors = floors.rename(columns=lambda name: name.removeprefix("p_")).reindex(chances.index)
    told = [
        _reasons(row, chances.loc[row.hybrid], floors.loc[row.hybrid].dropna(), rule, control)
        for row in decided.itertuples()
    ]
    columns = ["weakest", "open", "reason", "change", "why", "next"]
    return decided.join(pd.DataFrame(told, decided.index, columns))


def _reasons(row, chances, floors, rule, control):
    chances = chances if pd.notna(row.p_floors) else chances.drop("floors")
    k, low = rule["k"], floors.idxmin() if len(floors) else ""
    weakest = "floors" if chances.get("floors", 1) < _SURELY_FAILS else chances.idxmin()
    best, over, worth = best_words(k), _over(rule, control), fmt_chance(row.chance_worthy)
    names = {
        "floors": f"{SHORT[low]} floor" if low else "floors",
        "margin": f"{fmt_share(rule['delta'])} over {control}",
        "place": "being the best" if k == 1 else f"a place in the best {k}",
    }
    says = {
        "floors": f"it passes the floor on {KINDS[low].word}" if low else "it passes the floors",
        "margin": f"it gives {over}",
        "place": f"it is {best}",
    }
    passes = floors.min() if low else row.p_floors
    known = {"floors": passes, "margin": row.p_beats, "place": row.p_top}
    why = f"{says[weakest]} with a probability of {fmt_chance(known[weakest])}"
    every = fmt_list([f"{names[c]} with {fmt_chance(known[c])}" for c in chances.index])
    change = _enough(row, chances, floors, rule["costs"].threshold, names)
    if row.decision == PROMOTE:
        is_likely = row.chance_worthy >= _LIKELY
        reason = "Likely meets all conditions." if is_likely else "Safer than dropping it."
        change = f"Doubt on {names[weakest]}."
        why = f"it is worth it with a probability of {worth} ({every})"
    elif row.untested and row.decision == HOLD:
        reason, change = f"Not tested: {row.untested}.", f"A test of {row.untested}."
        why = f"it was not tested for {row.untested}"
    elif row.decision == EARLY:
        interval = fmt_interval(row.lower, row.upper)
        reason, change = "Too early: one more season tells.", "A season more."
        why = f"its interval ({interval}) includes the margin and what another season would bring is not known"
        if row.lower > rule["delta"]:
            why = "dropping cannot be undone and what another season would bring is not known"
    elif row.is_capped:
        reason, change = "Worth it, but the places are taken.", "A place that gets free."
        why = "the places are taken by hybrids that save more"
    elif row.decision == HOLD:
        reason, change = f"Open: {names[weakest]}.", f"Knowing whether {says[weakest]}."
    elif chances[weakest] >= _LIKELY:
        reason = "Each condition is likely, all together are not."
        why = f"all conditions together hold with a probability of {worth} only ({every})"
    else:
        lacks = {"floors": f"fails the {names['floors']}", "place": f"not {best}"}
        text = lacks.get(weakest, f"not {names['margin']}")
        is_near = chances[weakest] >= _UNLIKELY
        reason = f"Likely {text}." if is_near else f"{text[0].upper()}{text[1:]}."
    unsure = (chances - 0.5).abs().sort_index().sort_values(kind="stable")
    still = unsure.index[unsure < 0.5 - _UNLIKELY]
    still = still if len(still) else unsure.index[:1]
    still = fmt_list([f"{names[c]} (probability {fmt_chance(chances[c])})" for c in still])
    return names[weakest], still, reason, change, why, _next_words(row, rule["costs"])


def _enough(row, chances, floors, turn, names):
    """The condition that would carry a dropped hybrid over the threshold, were it sure.

    A hybrid is worth promoting only if a condition holds, so its probability once that is sure is
    the present one over the condition's; for floors, which a hybrid may pass in no draw, it is
    counted.
    """
    sure = row.chance_worthy / chances.clip(lower=1e-9)
    if "floors" in sure:
        sure["floors"] = row.chance_if_passing
    enough = chances[sure > turn]
    if enough.empty:
        return NO_CHANGE
    lacks = enough.idxmin()
    if lacks == "floors":
        weak = "floors" if (floors < _LIKELY).sum() > 1 else names["floors"]
        return f"Passing the {weak} would promote it."
    gain = names["margin"].replace(" over", " gain over")
    return f"A sure {gain if lacks == 'margin' else 'place'} would promote it."


def _next_words(row, costs):
    if pd.isna(row.loss_after):
        return ""
    now = costs.least(row.chance_worthy)
    if now - row.loss_after < _HARDLY:
        return "One more season would hardly lower the expected loss."
    return (
        f"One more season is expected to lower the loss, in the unit of the costs, from {fmt_number(now, 2)} "
        f"to {fmt_number(row.loss_after, 2)}, and turns the choice between promoting and dropping with a "
        f"probability of {fmt_chance(row.chance_flips)}."
    )


def top_words(told: pd.DataFrame, rule: dict, control: str, *, level: float = 0.95) -> list[str]:
    """What becomes of the candidates with the highest predicted yields, and why.

    Parameters
    ----------
    told : DataFrame
        From :func:`with_reasons`.
    rule, control
        As in :func:`rule_words`.
    level : float
        Of the gain's limits.

    Returns
    -------
    list of str
    """
    by_gain = told.sort_values(["rank", "hybrid"])
    first, costs = by_gain.iloc[0], rule["costs"]
    way = "above" if first["gain"] >= 0 else "below"
    said = [
        f"{first['hybrid']} has the highest predicted yield, {fmt_share(abs(first['gain']))} {way} {control} "
        f"({fmt_share(level)} interval {fmt_interval(first['lower'], first['upper'])}): "
        f"{DONE[first['decision']]}, as {first['why']}."
    ]
    others = by_gain[by_gain["rank"].between(first["rank"] + 1, rule["k"])]
    for row in others[others["decision"].ne(PROMOTE)].head(2).itertuples():
        place = f"number {row.rank} by yield ({fmt_share(row.gain)})"
        said.append(f"{row.hybrid}, {place}, is {DONE[row.decision]}, as {row.why}.")
    dropped = told.loc[told["decision"].eq(DROP), "weakest"].value_counts()
    if len(dropped):
        past = ", its place taken as past the floors" if told["p_floors"].notna().any() else ""
        counts = fmt_list([f"{name} ({n})" for name, n in dropped.items()])
        said.append(f"Dropped, by what each is least likely to reach{past}: {counts}.")
    once = ", once another season can be valued" if told["decision"].eq(EARLY).any() else ""
    said.append(
        f"With your costs, promote from a {fmt_share(costs.threshold)} chance upward{once}."
    )
    if (told["decision"].eq(HOLD) & ~told["is_capped"] & told["loss_hold"].notna()).any():
        waits = "A hybrid on hold is expected to lose less still by waiting, at"
        said.append(f"{waits} {fmt_number(costs.hold, 2)} a season.")
    return said


def next_season_words(told: pd.DataFrame, more: pd.DataFrame, rule: dict) -> list[str]:
    """Say what next season must settle of the hybrids promoted, held or not decided yet.

    Parameters
    ----------
    told : DataFrame
        From :func:`with_reasons`.
    more : DataFrame
        From :func:`culmbook.selection.sensitivity.hold_table`.
    rule : dict
        As in :func:`rule_words`.

    Returns
    -------
    list of str
        Where waiting cannot be valued, why, and what one more season will make possible. What
        waiting saves is told of the hybrids held for that reason, beside what it costs.
    """
    early = list(told.loc[told["decision"].eq(EARLY), "hybrid"])
    if more["loss_after"].isna().all():
        one = f"What another season would bring cannot be valued yet: {more['note'].iloc[0]}."
        cuts = "Once the same plots have been cut in a second season, it can"
        if not early:
            return [one, f"{cuts}."]
        are = is_are(len(early))
        these = f"{n_of(len(early), 'hybrid')} that {are} not decided yet"
        return [one, f"{cuts}, and the {these} can be promoted, held or dropped."]
    kept = told[told["decision"].ne(DROP)].set_index("hybrid")
    if kept.empty:
        return ["No hybrid is promoted or held, so next season has nothing to settle of these."]
    turns = more.loc[kept.index, "chance_flips"].sort_values(ascending=False, kind="stable")
    turns = turns[turns >= _LIKELY_TURN]
    named = [f"{h} (probability {fmt_share(p)})" for h, p in turns.items()]
    rare = f"no hybrid with a probability of {fmt_share(_LIKELY_TURN)} or more"
    waits = kept[kept["decision"].eq(HOLD) & ~kept["is_capped"] & kept["untested"].eq("")]
    own = more.loc[waits.index, ["saving", "loss_now"]].sum()
    paid = (
        f"Another season for {fmt_list(list(waits.index), _MOST_NAMED)} costs "
        f"{fmt_number(len(waits) * rule['costs'].hold, 2)} and is expected to take {fmt_number(own['saving'], 2)} off "
        f"the {fmt_number(own['loss_now'], 2)} that deciding now would lose."
    )
    return [
        "After one more season the choice between promoting and dropping may come out the other way for "
        f"{fmt_list(named, 8) if named else rare}.",
        *(f"Open for {h}: {kept.at[h, 'open']}." for h in turns.index[:2]),
        *([paid] if len(waits) else []),
    ]


def loss_words(decided: pd.DataFrame, more: pd.DataFrame) -> list[str]:
    """Say what the decisions are expected to lose in all, beside promoting or dropping every hybrid
    now.

    Parameters
    ----------
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide`.
    more : DataFrame
        As in :func:`next_season_words`.

    Returns
    -------
    list of str
    """
    known, n = decided["loss"].notna(), len(decided)
    now, said = more["loss_now"].sum(), fmt_number(decided["loss"].sum(), 2)
    if known.all():
        said = [f"Over all {n_of(n, 'candidate')} the expected loss is {said}."]
        if decided["decision"].eq(HOLD).any():
            said.append(f"Were none held, it would be {fmt_number(now, 2)}.")
    elif known.any():
        said = [
            f"Over the {int(known.sum())} of {n} candidates decided on the expected loss is {said}."
        ]
    else:
        said = [
            f"None of the {n_of(n, 'candidate')} is decided on, so no loss is expected of a decision."
        ]
    return said + [f"Holding is not weighed: {why}." for why in more["note"].unique() if why]
