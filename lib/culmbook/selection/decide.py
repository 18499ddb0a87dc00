"""Promote, hold or drop: the decision on each hybrid with the least expected loss.

A hybrid is worth promoting if it passes all floors, beats the control by the margin and is among the best k
of those that pass. It is not known of any hybrid whether it is, so each decision has an expected loss; what
is decided is what has the least.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.consistency.draws import limits
from culmbook.selection.gains import chance_beats, chance_if_passing, chance_in_top, worthy
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share

PROMOTE, HOLD, DROP = "promote", "hold", "drop"
DECISIONS = (PROMOTE, HOLD, DROP)
LIKELY = 0.5
_NOTHING = 1e-9
_HARDLY = 0.005  # of a saving: rounds to nothing on the page


@dataclass(frozen=True)
class Costs:
    """What each wrong decision, and waiting, costs: any one unit, each at least 0.

    Attributes
    ----------
    wrong_promote : float
        Promoting a hybrid that is not worth it.
    wrong_drop : float
        Dropping a hybrid that is worth promoting.
    hold : float
        Testing a hybrid for one more season.
    """

    wrong_promote: float = 1.0
    wrong_drop: float = 1.0
    hold: float = 0.05

    def __post_init__(self):
        values = {
            "wrong_promote": self.wrong_promote,
            "wrong_drop": self.wrong_drop,
            "hold": self.hold,
        }
        for name, value in values.items():
            if not 0 <= value < np.inf:
                raise ValueError(f"the cost {name} is {value}: it must be a number of at least 0")
        if self.wrong_promote == self.wrong_drop == 0:
            raise ValueError(
                "neither wrong decision costs anything: then there is nothing to decide"
            )

    @property
    def threshold(self) -> float:
        """Probability of being worth it above which promoting loses less than dropping."""
        return self.wrong_promote / (self.wrong_promote + self.wrong_drop)

    def least(self, chance):
        """Expected loss of the better of promoting and dropping, by probability of being worth it."""
        return np.minimum(self.wrong_promote * (1 - chance), self.wrong_drop * chance)


def decide(
    gains: pd.DataFrame,
    eligible: pd.DataFrame | None = None,
    *,
    k: int,
    delta: float,
    costs: Costs,
    more: pd.DataFrame | None = None,
    provisional: pd.Series | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Decide on every candidate by least expected loss.

    Parameters
    ----------
    gains : DataFrame
        Joint draws of gains over the control, from :func:`culmbook.selection.gains.candidate_gains`.
    eligible : DataFrame of bool, optional
        Draws x hybrids: does it pass all floors? Without it there are no floors.
    k : int
        Places in the next stage, at least 1.
    delta : float
        Least gain over the control, a share.
    costs : Costs
    more : DataFrame, optional
        By hybrid, ``loss_after`` and ``chance_flips`` from :func:`culmbook.selection.more_data.hold_table`. Without
        it nothing is known of what waiting would bring, and only promoting and dropping are weighed.
    provisional : Series of bool, optional
        By hybrid, from :func:`culmbook.consistency.model.is_provisional`.
    level : float
        Of the gain's limits, 0 to 1.

    Returns
    -------
    DataFrame
        ``hybrid, decision, chance_worthy, p_top, p_beats, p_floors, loss_promote, loss_hold, loss_drop,
        loss, gain, lower, upper, rank, chance_if_passing, is_capped, is_provisional, loss_after,
        chance_flips``: promoted ones first, then held and dropped ones, each by chance. ``loss`` is that of
        the decision, ``rank`` that of the median gain; ``chance_if_passing`` is ``chance_worthy`` were it
        sure to pass the floors; ``is_capped``: promoting had the least loss, but the places were taken.
        ``p_floors`` is missing without floors, the loss of holding without ``more``.

    Raises
    ------
    ValueError
        ``k`` under 1, ``delta`` under 0, floors or ``more`` for other hybrids.

    Notes
    -----
    With w the probability of being worth it, ``loss(promote) = wrong_promote (1 - w)``, ``loss(drop) =
    wrong_drop w`` and ``loss(hold) = hold + E min(loss(promote), loss(drop))`` after one more season's
    data. Of equal losses dropping is taken before promoting, and both before waiting. At most k are
    promoted: those that save most against the next best decision; the others hold.

    References
    ----------
    DeGroot (1970) Optimal Statistical Decisions, ch. 8 and 12.
    """
    if delta < 0:
        raise ValueError(f"delta = {delta}: the margin over the control must be at least 0")
    chance = worthy(gains, eligible, k, delta).mean()
    more = _matched(more, gains.columns)
    _, low, high = limits(gains.to_numpy(), level)
    middle = gains.median()
    table = pd.DataFrame(
        {
            "chance_worthy": chance,
            "p_top": chance_in_top(gains, k, eligible),
            "p_beats": chance_beats(gains, delta),
            "p_floors": np.nan if eligible is None else eligible[list(gains.columns)].mean(),
            "loss_promote": costs.wrong_promote * (1 - chance),
            "loss_hold": costs.hold + more["loss_after"],
            "loss_drop": costs.wrong_drop * chance,
            "gain": middle,
            "lower": low,
            "upper": high,
            "rank": middle.rank(ascending=False, method="min").astype("int64"),
            "chance_if_passing": chance_if_passing(gains, eligible, k, delta),
            "is_provisional": _is_provisional(provisional, gains.columns),
        },
        index=gains.columns,
    ).join(more)
    return _sorted(_decided(table, k))


def _is_provisional(provisional, hybrids):
    """A hybrid of which nothing is said has too few seasons."""
    if provisional is None:
        return False
    return np.array([bool(provisional.get(h, True)) for h in hybrids])


def _matched(more, hybrids):
    if more is None:
        return pd.DataFrame(np.nan, hybrids, ["loss_after", "chance_flips"])
    missing = [str(h) for h in hybrids if h not in more.index]
    if missing:
        raise ValueError(f"nothing says what more data would bring for {fmt_list(missing)}")
    return more.loc[hybrids, ["loss_after", "chance_flips"]]


def _decided(table, k):
    """Take the least loss, then let go of promotions beyond the k that save most."""
    losses = table[["loss_drop", "loss_promote", "loss_hold"]].fillna(np.inf)
    best = np.where(
        losses["loss_promote"] < losses["loss_drop"] - _NOTHING, "loss_promote", "loss_drop"
    )
    least = losses[["loss_drop", "loss_promote"]].min(axis=1)
    best = np.where(losses["loss_hold"] < least - _NOTHING, "loss_hold", best)
    next_best = losses[["loss_drop", "loss_hold"]].min(axis=1)
    saving = (next_best - losses["loss_promote"]).where(best == "loss_promote").dropna()
    capped = saving.sort_values(ascending=False, kind="stable").index[k:]
    decision = (
        pd.Series(best, table.index).str.removeprefix("loss_").mask(table.index.isin(capped), HOLD)
    )
    loss = pd.Series({h: table.at[h, f"loss_{d}"] for h, d in decision.items()})
    return table.assign(decision=decision, loss=loss, is_capped=table.index.isin(capped))


def _sorted(table):
    first = ["hybrid", "decision", "chance_worthy", "p_top", "p_beats", "p_floors"]
    first += [*(f"loss_{d}" for d in DECISIONS), "loss", "gain", "lower", "upper", "rank"]
    order = [
        *first,
        "chance_if_passing",
        "is_capped",
        "is_provisional",
        "loss_after",
        "chance_flips",
    ]
    place = table["decision"].map({d: i for i, d in enumerate(DECISIONS)})
    table = table.rename_axis("hybrid").reset_index().assign(place=place.to_numpy())
    by = ["place", "chance_worthy", "rank", "hybrid"]
    return table.sort_values(by, ascending=[True, False, True, True], ignore_index=True)[order]


def expected_loss(table: pd.DataFrame) -> float:
    """Sum of the expected losses of the decisions taken; NaN where one is not known.

    Parameters
    ----------
    table : DataFrame
        From :func:`decide`.
    """
    return float(table["loss"].sum(skipna=False))


def reason_words(row, *, k: int, delta: float, control: str, floors: dict | None = None) -> str:
    """Say in a sentence why a hybrid is promoted, held or dropped.

    Parameters
    ----------
    row : Series or mapping
        A row of :func:`decide`.
    k, delta
        As there.
    control : str
    floors : dict, optional
        Probability of passing each floor, 0 to 1, by its name on the page.

    Returns
    -------
    str
    """
    worth = f"Worth promoting with probability {_chance(row['chance_worthy'])}"
    if row["decision"] == PROMOTE:
        text = f"{worth}: {_all_words(row, k, delta, control)}"
    elif row["is_capped"]:
        taken = "the place is" if k == 1 else f"the {k} places are"
        text = f"{worth}, but {taken} taken by hybrids whose promotion is expected to save more"
    else:
        text = _lacking_words(row, worth, k, delta, control, floors or {})
        if row["decision"] == HOLD:
            text += "; one more season is expected to lose less than deciding now"
    few = (
        "; provisional, as it has too few seasons after establishment"
        if row["is_provisional"]
        else ""
    )
    return f"{text}{few}."


def _chance(p):
    """A probability from draws in words: none or all of the draws do not make it 0 or 1."""
    return fmt_share(min(max(p, 0.001), 0.999))


def conditions(row):
    """Probability of ``floors`` and ``margin``, and of ``place`` among the best once past the floors.

    Parameters
    ----------
    row : Series or mapping
        A row of :func:`decide`.
    """
    passes = 1.0 if np.isnan(row["p_floors"]) else row["p_floors"]
    place = row["p_top"] / passes if passes > 0 else 1.0
    return {"floors": passes, "margin": row["p_beats"], "place": place}


def _best_words(k):
    return "the best" if k == 1 else f"among the best {k}"


def _floor_words(floors):
    """Floors that it likely fails, or else the one that it passes least likely, with its chance."""
    if len(floors) < 2:
        return "".join(floors)
    weak = [name for name, p in floors.items() if p < LIKELY] or [min(floors, key=floors.get)]
    return ", ".join(f"{name}: {_chance(floors[name])}" for name in weak)


def _all_words(row, k, delta, control):
    parts = [
        f"{_best_words(k)} with {_chance(row['p_top'])}",
        f"more than {fmt_share(delta)} above {control} with {_chance(row['p_beats'])}",
    ]
    if not np.isnan(row["p_floors"]):
        parts.append(f"past all floors with {_chance(row['p_floors'])}")
    return fmt_list(parts)


def _lacking_words(row, worth, k, delta, control, floors):
    """The least likely of the conditions; all of them where each by itself is likely."""
    chances = conditions(row)
    weakest = min(chances, key=chances.get)
    but = ", although its predicted yield is the highest" if row["rank"] == 1 else ""
    margin = f"ore than {fmt_share(delta)} above {control} with "
    if chances[weakest] >= LIKELY:
        return f"{worth}, as all of this must hold: {_all_words(row, k, delta, control)}{but}"
    if weakest == "floors":
        named = f" ({_floor_words(floors)})" if floors else ""
        return f"Passes all floors with probability {_chance(row['p_floors'])}{named}{but}"
    if weakest == "margin":
        return f"M{margin}probability {_chance(row['p_beats'])}{but}"
    if row["p_beats"] >= LIKELY:
        but = f", although m{margin}{_chance(row['p_beats'])}"
    return f"{_best_words(k).capitalize()} with probability {_chance(row['p_top'])}{but}"


def settle_words(
    row, *, k: int, delta: float, control: str, costs: Costs, floors: dict | None = None
) -> str:
    """Say what would change the decision on a hybrid.

    Parameters
    ----------
    row : Series or mapping
        A row of :func:`decide`.
    k, delta, control, floors
        As in :func:`reason_words`.
    costs : Costs

    Returns
    -------
    str
    """
    return _turning_words(row, k, delta, control, costs, floors or {}) + _season_words(row, costs)


def _turning_words(row, k, delta, control, costs, floors):
    """The condition that decides: the least sure of a likely hybrid, the one that an unlikely one lacks.

    A hybrid is worth promoting only if a condition holds, so its probability once that is sure is the
    present one over the condition's; for floors, which a hybrid may pass in no draw, it is counted.
    """
    chances, turn = conditions(row), costs.threshold
    once = "" if np.isnan(row["p_floors"]) else " once past the floors"
    over, best = f"more than {fmt_share(delta)} above {control}", f"{_best_words(k)}{once}"
    says = {
        "floors": ("passes all floors", "pass all floors"),
        "margin": (f"gives {over}", f"give {over}"),
        "place": (f"is {best}", f"be {best}"),
    }
    known = {name: f"probability {_chance(p)}" for name, p in chances.items()}
    if floors:
        known["floors"] += f"; {_floor_words(floors)}"
    weakest = min(chances, key=chances.get)
    if row["chance_worthy"] > turn:
        return f"Least sure is whether it {says[weakest][0]} ({known[weakest]})."
    sure = {name: row["chance_worthy"] / max(p, _NOTHING) for name, p in chances.items()}
    sure["floors"] = row["chance_if_passing"]
    enough = {name: p for name, p in chances.items() if sure[name] > turn}
    if not enough:
        return f"No single condition, were it sure, would carry it over {fmt_share(turn)}."
    lacks = min(enough, key=enough.get)
    how = "; its own counts and tests tell that, not yields" if lacks == "floors" else ""
    sure = f"Were it sure to {says[lacks][1]} (now {known[lacks]})"
    return f"{sure}, promoting would lose less than dropping{how}."


def _season_words(row, costs):
    if np.isnan(row["loss_after"]):
        return ""
    now = costs.least(row["chance_worthy"])
    if now - row["loss_after"] < _HARDLY:
        return " One more season would hardly lower the expected loss."
    return (
        f" One more season is expected to lower the loss from {fmt_number(now, 2)} to "
        f"{fmt_number(row['loss_after'], 2)}, and changes whether promoting or dropping loses less with "
        f"probability {_chance(row['chance_flips'])}."
    )
