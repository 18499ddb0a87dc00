"""Promote, hold or drop: predicted gains over the control, the chances that follow from them, and the
decision on each hybrid with the least expected loss.

A hybrid is worth promoting if it passes all floors, beats the control by the margin and is among
the best k of those that pass. It is not known of any hybrid whether it is, so each decision has an
expected loss; what is decided is what has the least. Where the loss of waiting is not known, what
the data leave open is not decided: it is too early.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws, limits
from culmbook.consistency.model import SeasonsFit, usable
from culmbook.mixed import Factor, Model
from culmbook.sheets.settings import KINDS
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import refuse_control


def covariance_at(
    model: Model, theta: np.ndarray, factor: Factor, groups: pd.Series
) -> pd.DataFrame:
    """Prediction error covariance of what lasts of each hybrid: its group's mean and its own
    effect.

    Parameters
    ----------
    model : Model
        With a random term ``hybrid``, and a column ``group {name}`` for every group but the first.
    theta : ndarray
        Its parameters, in the model's own units.
    factor : Factor
        Of its structure at ``theta``.
    groups : Series
        Group by hybrid.

    Returns
    -------
    DataFrame
        Hybrids x hybrids, squared unit of the response, the variances taken as known. Only
        differences mean something: the first group's mean is the origin.

    Notes
    -----
    With ``b`` the fixed effects, ``u`` the hybrids' and ``w_i`` a hybrid's group,
    ``cov = W C W' + E - W C X'V^-1 Z G - (W C X'V^-1 Z G)'``, C the covariance of the estimates of
    b and E the prediction error covariance of u.

    References
    ----------
    Henderson (1975) Biometrics 31:423-447.
    """
    place = [t.name for t in model.terms].index("hybrid")
    term, structure = model.terms[place], model.problem.structure
    own = float(theta[structure.places[place]][0])
    weights = _group_weights(groups, model.columns).to_numpy() * model.unit
    errors = own * np.eye(len(term.levels)) - own**2 * factor.levels_p(place)
    crossed = own * model.scale * (factor.spread(weights.T).T @ term.z)
    order = term.levels.get_indexer(groups.index)
    fixed = weights @ factor.h[structure.q :, structure.q :] @ weights.T
    errors, crossed = errors[np.ix_(order, order)] * model.scale**2, crossed[:, order]
    return pd.DataFrame(fixed + errors - crossed - crossed.T, groups.index, groups.index)


def _group_weights(groups, columns):
    """One row per hybrid, one column per coefficient: the fixed effect of its group."""
    values = ("group " + groups).to_numpy()[:, None] == np.array(columns, dtype=object)[None, :]
    return pd.DataFrame(values.astype(float), groups.index, columns)


def lasting_values(seasons: SeasonsFit) -> pd.Series:
    """Best linear unbiased prediction of what lasts of each hybrid, from the first group's mean on.

    Returns
    -------
    Series
        By hybrid, unit of the response.
    """
    fit = seasons.conditional
    group = _group_weights(seasons.groups, fit.coefficients.index) @ fit.coefficients
    return group + fit.effects("hybrid").reindex(group.index)


def blup_table(
    seasons: SeasonsFit, control: str, drawn: SeasonDraws, *, level: float = 0.95
) -> pd.DataFrame:
    """Predicted yield of every hybrid and its gain over the control, with what is behind it.

    Parameters
    ----------
    seasons : SeasonsFit
        Of log yield.
    control : str
    drawn : SeasonDraws
        Of the same fit: the limits hold the uncertainty of the variances too.
    level : float
        Of the intervals, 0 to 1.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, n_sites, n_seasons, mean_t_ha, gain, lower, upper, reliability, rank``,
        highest first. ``mean_t_ha`` is the dry yield of the median plot, the growing conditions
        weighed alike; ``gain`` a share of the control's yield; ``reliability`` 0 to 1, missing
        where the hybrids do not differ and for a hybrid that is alone in its group. Controls come
        last, without rank and reliability.

    Raises
    ------
    Refusal
        The control has no record.
    ValueError
        The model is not one of log yield.

    Notes
    -----
    Reliability of hybrid i is ``1 - mean_j var(d_ij) / (2 s2)`` over the other candidates j of its
    group, ``var(d_ij)`` the prediction error variance of their difference and s2 the variance of
    hybrids.

    References
    ----------
    Henderson (1975) Biometrics 31:423-447; Cullis, Smith & Coombes (2006) J. Agric. Biol. Environ.
    Stat. 11:381-393.
    """
    _refuse_control(control, seasons.hybrids, seasons.scale)
    fit, value, hybrids = seasons.conditional, lasting_values(seasons), seasons.hybrids
    apart = drawn.lasting[hybrids].sub(drawn.lasting[control], axis=0)
    _, low, high = limits(apart.to_numpy(), level)
    records = seasons.records
    counted = records.groupby(records["hybrid"].astype("str"))[["plot_key", "site", "season"]]
    counts = counted.nunique().set_axis(["n_plots", "n_sites", "n_seasons"], axis=1)
    condition = fit.coefficients[fit.coefficients.index.str.startswith("condition ")].mean()
    reliability = pd.Series(np.nan, hybrids)
    variance = float(fit.variances["hybrid"])
    for names, between in _difference_variances(seasons) if variance > 0 else ():
        mean = between.sum(axis=1) / (len(names) - 1)
        reliability[names] = 1 - mean / (2 * variance)
    table = counts.loc[hybrids].rename_axis("hybrid").reset_index()
    is_control = np.array(hybrids) == control
    table = table.assign(
        mean_t_ha=np.exp(value + condition).to_numpy(),
        gain=np.expm1(value - value[control]).to_numpy(),
        lower=np.where(is_control, np.nan, np.expm1(low)),
        upper=np.where(is_control, np.nan, np.expm1(high)),
        reliability=reliability.to_numpy(),
    )
    gain = table["gain"].where(~table["hybrid"].isin(seasons.controls))
    table["rank"] = gain.rank(ascending=False, method="min").astype("Int64")
    by = ["rank", "gain", "hybrid"]
    return table.sort_values(by, ascending=[True, False, True], ignore_index=True)


def _refuse_control(control, hybrids, scale):
    refuse_control(control, hybrids, "has no yield here")
    if scale != "log":
        raise ValueError("a gain as a share of the control needs the model of log yield")


def _difference_variances(seasons):
    """Candidates of each group of two or more, and the error variances of their differences."""
    errors = seasons.conditional.prediction_covariance("hybrid")
    groups = seasons.groups[~seasons.groups.index.isin(seasons.controls)]
    for _, own in groups.groupby(groups):
        if len(own) > 1:
            error = errors.loc[own.index, own.index].to_numpy()
            variance = np.diag(error)
            yield own.index, variance[:, None] + variance[None, :] - 2 * error


def heritability(seasons: SeasonsFit) -> float:
    """Generalised heritability of the candidates' lasting differences over the sites and seasons
    at hand.

    Parameters
    ----------
    seasons : SeasonsFit

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    Refusal
        Hybrids do not differ, or no two candidates are of one group.

    Notes
    -----
    ``1 - v / (2 s2)``, v the mean prediction error variance of a difference of two candidates of a
    group and s2 the variance of hybrids. Controls, which have fixed effects, are not part of it.

    References
    ----------
    Cullis, Smith & Coombes (2006) J. Agric. Biol. Environ. Stat. 11:381-393.
    """
    variance = float(seasons.conditional.variances["hybrid"])
    if variance <= 0:
        raise Refusal("No heritability is told: the variance among hybrids is estimated at 0.")
    found = [between for _, between in _difference_variances(seasons)]
    if not found:
        raise Refusal("No heritability is told: no two candidates are of one group.")
    pairs = sum(len(between) * (len(between) - 1) for between in found)
    return float(1 - sum(between.sum() for between in found) / pairs / (2 * variance))


def under_test(
    records: pd.DataFrame, decisions: pd.DataFrame, season: int, controls=()
) -> list[str]:
    """Candidates with a yield, but for those dropped before that were not cut in the last season.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.
    decisions : DataFrame
        Table ``decisions``.
    season : int
        Growing season reported.
    controls : sequence of str

    Returns
    -------
    list of str
    """
    before = decisions[decisions["growing_season"] < season]
    last = before.sort_values("growing_season", kind="stable").groupby("hybrid").tail(1)
    out = set(last.loc[last["decision"].eq("drop"), "hybrid"])
    names = records["hybrid"].astype("str")
    cut = set(names[records["season"].eq(records["season"].max())])
    return [h for h in sorted(names.unique()) if h not in controls and (h in cut or h not in out)]


def in_mean_yield(
    drawn: SeasonDraws, cuts: pd.DataFrame, control: str, seed: int = 1
) -> SeasonDraws:
    """Draws of what lasts of each hybrid whose difference from the control is one in mean yield.

    Parameters
    ----------
    drawn : SeasonDraws
        Of log yield, which knows only cuts that gave something, and in which a plot or site where a
        hybrid nearly fails weighs like one where it thrives.
    cuts : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, all seasons.
    control : str
    seed : int

    Returns
    -------
    SeasonDraws
        The control's values are as they were.

    Notes
    -----
    Of hybrid h at the sites where it was cut, ``J_h = log sum_s p_hs r_hs exp(v_hs) - mean_s v_hs``:
    v the log of the true yield there, p the share of cuts that give anything, and r the arithmetic
    over the geometric mean of those, each cut against the mean log of its site and season. ``J_h -
    J_c``, the control's at the same sites, is added to what lasts of h: 0 where both go through
    plots and sites alike. p is drawn from a beta distribution: the plots, each counted by the share
    of its cuts that gave something, and one more plot of the network's own share.

    References
    ----------
    Aitchison (1955) J. Am. Stat. Assoc. 50:901-908, for yields that may be 0.
    """
    if control not in drawn.hybrids:
        return drawn
    used = usable(cuts).astype({"hybrid": "str", "site": "str"})
    used = used.assign(gave=used["dry_yield_t_ha"].gt(0))
    logs = np.log(used["dry_yield_t_ha"].where(used["gave"]).astype("float64"))
    apart = logs - logs.groupby([used["site"], used["growing_season"]]).transform("mean")
    groups = used.assign(log=apart, times=np.exp(apart)).groupby(["hybrid", "site"])
    told = groups.agg(
        gave=("gave", "mean"),
        plots=("plot", "nunique"),
        log=("log", "mean"),
        times=("times", "mean"),
    )
    told["ratio"] = (told["times"] / np.exp(told["log"])).fillna(1.0)
    every = pd.MultiIndex.from_product([drawn.hybrids, drawn.sites])
    told = told.reindex(every).fillna({"plots": 0, "gave": 0, "ratio": 1})
    shape, usual = drawn.cells.shape[1:3], used["gave"].mean()
    plots, gave, kept = (told[c].to_numpy().reshape(shape) for c in ("plots", "gave", "ratio"))
    if usual < 1:
        rng, alive = np.random.default_rng([seed, 73]), plots * gave
        kept = kept * rng.beta(alive + usual, plots - alive + 1 - usual, drawn.cells.shape[:3])
    values, kept = np.nanmean(drawn.cells, axis=3), np.broadcast_to(kept, drawn.cells.shape[:3])

    def above(h, there):
        own = values[:, h, there]
        return np.log((kept[:, h, there] * np.exp(own)).sum(axis=1)) - own.mean(axis=1)

    own, where = drawn.hybrids.index(control), plots > 0
    shift = [above(h, there) - above(own, there) for h, there in enumerate(where)]
    shift = np.column_stack(shift)
    cells = drawn.cells + shift[:, :, None, None]
    return replace(drawn, lasting=drawn.lasting + shift, cells=cells)


def candidate_gains(drawn: SeasonDraws, control: str, among=None) -> pd.DataFrame:
    """Joint draws of the candidates' lasting gain over the control.

    Parameters
    ----------
    drawn : SeasonDraws
        Of log yield.
    control : str
    among : collection of str, optional
        Hybrids still under test. Others, such as those dropped in earlier seasons, stay in the
        model but are not chosen from. Without it every hybrid with a record is.

    Returns
    -------
    DataFrame
        One row per draw, one column per candidate: share of the control's yield. Controls are no
        candidates.

    Raises
    ------
    Refusal
        The network names no control, or it has no record; there is no candidate.
    ValueError
        A hybrid of ``among`` has no record, or the model is not one of log yield.
    """
    _refuse_control(control, drawn.hybrids, drawn.scale)
    if absent := sorted(set(among or ()) - set(drawn.hybrids)):
        raise ValueError(f"no yield to choose by: {fmt_list(absent)}")
    candidates = [h for h in drawn.hybrids if h != control and h not in drawn.controls]
    candidates = [h for h in candidates if among is None or h in set(among)]
    if not candidates:
        raise Refusal("No hybrid with a yield is a candidate: there is nothing to choose from.")
    return np.expm1(drawn.lasting[candidates].sub(drawn.lasting[control], axis=0))


def in_top(gains, k: int, eligible=None) -> np.ndarray:
    """Is each hybrid among the best k of those that are eligible, draw by draw?

    Parameters
    ----------
    gains : array_like, shape (..., hybrids)
    k : int
        At least 1; where fewer are eligible all of them are among the best.
    eligible : array_like of bool, same shape, optional

    Returns
    -------
    ndarray
        1 or 0; hybrids that tie for the last places share them, so that the values of a draw add up
        to k or to the number of eligible hybrids.

    Examples
    --------
    >>> in_top([[3.0, 1.0, 2.0], [1.0, 1.0, 0.0]], 1).tolist()
    [[1.0, 0.0, 0.0], [0.5, 0.5, 0.0]]
    """
    if k < 1:
        raise ValueError(f"k = {k}: at least one hybrid is chosen")
    values = np.asarray(gains, float)
    if np.isnan(values).any():
        raise ValueError("draws of gains have gaps: every hybrid needs a value in every draw")
    if eligible is not None:
        values = np.where(np.asarray(eligible, bool), values, -np.inf)
    n = values.shape[-1]
    if k >= n:
        return np.isfinite(values).astype(float)
    last = np.partition(values, n - k, axis=-1)[..., [n - k]]
    above, tied = values > last, (values == last) & np.isfinite(values)
    n_tied = tied.sum(axis=-1, keepdims=True)
    if (n_tied <= 1).all():
        return (above | tied).astype(float)
    places = k - above.sum(axis=-1, keepdims=True)
    return above + tied * places / np.maximum(n_tied, 1)


def chance_in_top(gains: pd.DataFrame, k: int, eligible: pd.DataFrame | None = None) -> pd.Series:
    """Probability of each hybrid to be among the true best k of the eligible ones.

    Parameters
    ----------
    gains : DataFrame
        From :func:`candidate_gains`.
    k : int
        At least 1.
    eligible : DataFrame of bool, optional
        Draws x hybrids: does it pass all floors? Without it all hybrids are eligible.

    Returns
    -------
    Series
        0 to 1 by hybrid.

    Raises
    ------
    ValueError
        ``k`` is under 1; ``eligible`` has other hybrids or another number of draws.
    """
    return pd.Series(in_top(gains, k, _matched(gains, eligible)).mean(axis=0), gains.columns)


def chance_beats(gains: pd.DataFrame, delta: float) -> pd.Series:
    """Probability of each hybrid's lasting gain over the control to be over ``delta`` (a share).

    Examples
    --------
    >>> chance_beats(pd.DataFrame({"A": [0.05, 0.15, 0.25, 0.30]}), 0.10).to_dict()
    {'A': 0.75}
    """
    return (gains > delta).mean()


def worthy(
    gains: pd.DataFrame, eligible: pd.DataFrame | None, k: int, delta: float
) -> pd.DataFrame:
    """Is a hybrid worth promoting, draw by draw?

    Parameters
    ----------
    gains, k, eligible
        As in :func:`chance_in_top`.
    delta : float
        Least gain over the control, a share.

    Returns
    -------
    DataFrame
        1 where the hybrid passes all floors, beats the control by more than ``delta`` and is among
        the best k of those that pass, else 0; between where hybrids tie.

    Examples
    --------
    >>> draws = pd.DataFrame({"A": [0.3, 0.3], "B": [0.2, 0.4], "C": [0.5, 0.1]})
    >>> passes = pd.DataFrame({"A": [True, True], "B": [True, True], "C": [False, True]})
    >>> worthy(draws, passes, 1, 0.1).to_numpy().tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    """
    values = in_top(gains, k, _matched(gains, eligible)) * (gains.to_numpy() > delta)
    return pd.DataFrame(values, gains.index, gains.columns)


def chance_if_passing(
    gains: pd.DataFrame, eligible: pd.DataFrame | None, k: int, delta: float
) -> pd.Series:
    """Probability of each hybrid to be worth promoting were it sure to pass all floors, others as
    they are.

    Parameters
    ----------
    gains, eligible, k, delta
        As in :func:`worthy`.

    Returns
    -------
    Series
        0 to 1 by hybrid, never under the mean of :func:`worthy`.

    Examples
    --------
    >>> draws = pd.DataFrame({"A": [0.3, 0.5], "B": [0.4, 0.4]})
    >>> passes = pd.DataFrame({"A": [False, False], "B": [True, True]})
    >>> chance_if_passing(draws, passes, 1, 0.1).to_dict()
    {'A': 0.5, 'B': 1.0}
    """
    passes, values = _matched(gains, eligible), gains.to_numpy()
    top, n = in_top(values, k, passes), values.shape[1]
    if passes is not None:
        last = np.full((len(values), 1), -np.inf)
        if k < n:
            last = np.partition(np.where(passes, values, -np.inf), n - k, axis=1)[:, [n - k]]
        top = top + (~passes & (values > last))
    return pd.Series((top * (values > delta)).mean(axis=0), gains.columns)


def _matched(gains, eligible):
    """Floors passed in the order of the gains' hybrids."""
    if eligible is None:
        return None
    if missing := sorted(set(gains.columns) ^ set(eligible.columns)):
        named = fmt_list(missing)
        raise ValueError(f"floors and gains must be of the same hybrids (not in both: {named})")
    if len(eligible) != len(gains):
        had = f"there are {len(eligible)} and {len(gains)} of them"
        raise ValueError(f"floors and gains must have as many draws: {had}")
    return eligible[list(gains.columns)].to_numpy(dtype=bool)


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
        :func:`culmbook.selection.decide.candidate_gains`.
    eligible : DataFrame of bool, optional
        Draws x hybrids: does it pass all floors? Without it there are no floors.
    k : int
        Places in the next stage, at least 1.
    delta : float
        Least gain over the control, a share.
    costs : Costs
    more : DataFrame, optional
        By hybrid, ``loss_after`` and ``chance_flips`` from
        :func:`culmbook.selection.sensitivity.hold_table`. Without it waiting is no choice: only
        promoting and dropping are weighed. Where ``loss_after`` is missing, waiting is a choice that
        cannot be valued.
    provisional : Series of bool, optional
        By hybrid, from :func:`culmbook.consistency.model.is_provisional`.
    untested : dict of str to list of str, optional
        By hybrid, from :func:`culmbook.selection.index.unknown_traits`: traits with a floor that
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
        table["decision"] = table["decision"].mask(early, EARLY)
        table["is_capped"] &= ~early
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
