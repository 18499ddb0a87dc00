"""Promote, hold or drop: the decision on each hybrid with the least expected loss.

A hybrid is worth promoting if it passes all floors, beats the control by the margin and is among
the best k of those that pass. It is not known of any hybrid whether it is, so each decision has an
expected loss; what is decided is what has the least. Where the loss of waiting is not known, what
the data leave open is not decided: it is too early.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.consistency.draws import limits
from culmbook.selection.gains import chance_beats, chance_if_passing, chance_in_top, worthy
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_list

PROMOTE, HOLD, EARLY, DROP = "promote", "hold", "too early", "drop"
DECISIONS = (PROMOTE, HOLD, EARLY, DROP)
_NOTHING = 1e-9


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
        for name, value in vars(self).items():
            if not 0 <= value < np.inf:
                raise ValueError(f"the cost {name} is {value}: it must be a number of at least 0")
        if self.wrong_promote == self.wrong_drop == 0:
            raise ValueError("neither wrong decision costs anything: there is nothing to decide")

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
    untested: dict | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Decide on every candidate by least expected loss.

    Parameters
    ----------
    gains : DataFrame
        Joint draws of gains over the control, from
        :func:`culmbook.selection.gains.candidate_gains`.
    eligible : DataFrame of bool, optional
        Draws x hybrids: does it pass all floors? Without it there are no floors.
    k : int
        Places in the next stage, at least 1.
    delta : float
        Least gain over the control, a share.
    costs : Costs
    more : DataFrame, optional
        By hybrid, ``loss_after`` and ``chance_flips`` from
        :func:`culmbook.selection.more_data.hold_table`. Without it waiting is no choice: only
        promoting and dropping are weighed. Where ``loss_after`` is missing, waiting is a choice that
        cannot be valued.
    provisional : Series of bool, optional
        By hybrid, from :func:`culmbook.consistency.model.is_provisional`.
    untested : dict of str to list of str, optional
        By hybrid, from :func:`culmbook.selection.floors.unknown_traits`: traits with a floor that
        it was not tested for. It is held rather than promoted until it is.
    level : float
        Of the gain's limits, 0 to 1.

    Returns
    -------
    DataFrame
        ``hybrid, chance_worthy, p_top, p_beats, p_floors, loss_promote, loss_hold, loss_drop, gain,
        lower, upper, rank, chance_if_passing, is_provisional, loss_after, chance_flips, untested,
        decision, is_capped, loss``: promoted ones first, then held ones, those it is too early to
        decide on and dropped ones, each by chance. ``loss`` is that of the decision (missing where it
        is too early), ``rank`` that of the median gain;
        ``chance_if_passing`` is ``chance_worthy`` were it sure to pass the floors; ``is_capped``:
        promoting had the least loss, but the places were taken; ``untested``: what has to be tested
        before it can be promoted, blank where nothing. ``p_floors`` is missing without floors, the
        loss of holding where ``more`` does not know it.

    Raises
    ------
    ValueError
        ``k`` under 1, ``delta`` under 0, floors or ``more`` for other hybrids.

    Notes
    -----
    With w the probability of being worth it, ``loss(promote) = wrong_promote (1 - w)``,
    ``loss(drop) = wrong_drop w`` and ``loss(hold) = hold + E min(loss(promote), loss(drop))`` after
    one more season's data. Of equal losses dropping is taken before promoting, and both before
    waiting. At most k are promoted: those that save most against the next best decision; the others
    hold. Where waiting cannot be valued it is too early for a hybrid whose gain's limits have the
    margin between them, and for one above it that would be dropped, as dropping cannot be undone;
    neither if it is as good as sure to fail a floor, which no further yield would change.

    References
    ----------
    DeGroot (1970) Optimal Statistical Decisions, ch. 8 and 12.
    """
    if delta < 0:
        raise ValueError(f"delta = {delta}: the margin over the control must be at least 0")
    hybrids = list(gains.columns)
    chance, is_choice = worthy(gains, eligible, k, delta).mean(), more is not None
    if more is None:
        more = pd.DataFrame(np.nan, hybrids, ["loss_after", "chance_flips"])
    if missing := [str(h) for h in hybrids if h not in more.index]:
        raise ValueError(f"nothing says what more data would bring for {fmt_list(missing)}")
    more, few = more.loc[hybrids], {} if provisional is None else provisional
    asked, (_, low, high) = untested or {}, limits(gains.to_numpy(), level)
    table = pd.DataFrame(
        {
            "chance_worthy": chance,
            "p_top": chance_in_top(gains, k, eligible),
            "p_beats": chance_beats(gains, delta),
            "p_floors": np.nan if eligible is None else eligible[hybrids].mean(),
            "loss_promote": costs.wrong_promote * (1 - chance),
            "loss_hold": costs.hold + more["loss_after"],
            "loss_drop": costs.wrong_drop * chance,
            "gain": gains.median(),
            "lower": low,
            "upper": high,
            "rank": gains.median().rank(ascending=False, method="min").astype("int64"),
            "chance_if_passing": chance_if_passing(gains, eligible, k, delta),
            "is_provisional": [bool(few.get(h, len(few) > 0)) for h in hybrids],
            "loss_after": more["loss_after"],
            "chance_flips": more["chance_flips"],
            "untested": [fmt_list([KINDS[t].word for t in asked.get(h, [])]) for h in hybrids],
        },
        index=hybrids,
    ).rename_axis("hybrid")
    table["decision"], table["is_capped"] = _least_loss(table, k)
    waits = table["decision"].eq(PROMOTE) & table["untested"].ne("")
    table["decision"] = table["decision"].mask(waits, HOLD)
    if is_choice:
        is_open = table["upper"].ge(delta) & table["p_floors"].fillna(1).gt((1 - level) / 2)
        is_open &= table["lower"].le(delta) | table["decision"].eq(DROP)
        early = is_open & table["loss_hold"].isna()
        table["decision"], table["is_capped"] = (
            table["decision"].mask(early, EARLY),
            table["is_capped"] & ~early,
        )
    table["loss"] = [row.get(f"loss_{row['decision']}", np.nan) for _, row in table.iterrows()]
    place = table["decision"].map({d: i for i, d in enumerate(DECISIONS)})
    by = ["place", "chance_worthy", "rank", "hybrid"]
    table = table.reset_index().assign(place=place.to_numpy())
    table = table.sort_values(by, ascending=[True, False, True, True], ignore_index=True)
    return table.drop(columns="place")


def _least_loss(table, k):
    """The decision with the least loss, once promotions beyond the k that save most are let go of;
    and these.
    """
    losses = table[["loss_drop", "loss_promote", "loss_hold"]].fillna(np.inf)
    is_safer = losses["loss_promote"] < losses["loss_drop"] - _NOTHING
    best = np.where(is_safer, PROMOTE, DROP)
    least = losses[["loss_drop", "loss_promote"]].min(axis=1)
    best = np.where(losses["loss_hold"] < least - _NOTHING, HOLD, best)
    saving = losses[["loss_drop", "loss_hold"]].min(axis=1) - losses["loss_promote"]
    saving = saving[best == PROMOTE].sort_values(ascending=False, kind="stable")
    is_capped = table.index.isin(saving.index[k:])
    return np.where(is_capped, HOLD, best), is_capped


def conditions(decided: pd.DataFrame) -> pd.DataFrame:
    """Probability of ``floors`` and ``margin``, and of ``place`` among the best once past the
    floors.

    Parameters
    ----------
    decided : DataFrame
        From :func:`decide`.

    Returns
    -------
    DataFrame
        By hybrid, 0 to 1.
    """
    own = decided.set_index("hybrid")
    passes = own["p_floors"].fillna(1.0)
    place = (own["p_top"] / passes.where(passes > 0)).fillna(1.0)
    return pd.DataFrame({"floors": passes, "margin": own["p_beats"], "place": place})
