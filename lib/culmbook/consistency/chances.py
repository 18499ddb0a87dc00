"""Will a hybrid beat the control next time, how bad can it get, and what may be said of it
already?
"""

import numpy as np
import pandas as pd
from scipy import special

from culmbook.consistency.draws import SeasonDraws, limits
from culmbook.consistency.model import LEAST_SEASONS
from culmbook.stats.extremes import finite_intensity
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.trials.entries import refuse_control

PROVEN = 0.8
PROMISING = 0.6
FALL = 0.15
ERRATIC = 0.8
BAD_SEASONS = 5
PROVEN_CLASS, PROMISING_CLASS = "proven", "promising but unproven"
ERRATIC_CLASS, NOT_SHOWN, CONTROL_CLASS = "erratic", "not shown to be better", "control"


def beats_control(
    drawn: SeasonDraws, control: str, *, margin: float = 0.0, level: float = 0.95
) -> pd.DataFrame:
    """Probability of beating the control in a season and at a site not yet seen.

    Parameters
    ----------
    drawn : SeasonDraws
    control : str
    margin : float
        How much more than the control it must give: share of the control's yield on the log scale,
        dry t/ha on the raw scale; >= 0.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        ``hybrid, gain, lower, upper, chance_next, chance_lasting, worst, worst_lower,
        worst_upper``, highest chance first. ``gain`` is the lasting difference (share of the
        control's yield, or t/ha) and ``chance_lasting`` its probability to be over the margin;
        ``chance_next`` that of a new season at a new site; ``worst`` the difference expected in the
        worst of five seasons at one site. With one site, a new season at that site.

    Raises
    ------
    Refusal
        No control, or one without a record; one season only; no repeated plots.
    ValueError
        A negative margin.

    Notes
    -----
    Of each joint draw with lasting difference d, the chance is ``Phi((d - m) / sqrt(2 v))``, v
    being the draw's sum of the variances of hybrid × site, hybrid × season and hybrid × site ×
    season: both the hybrid and the control meet the new place in their own way. The worst of five
    seasons lies 1.163 standard deviations of the seasonal part below d. The control counts as a
    hybrid of its own kind: were it drawn from the candidates' population, chances near 0 and 1
    would be some points too bold.

    References
    ----------
    Eskridge & Mumm (1992) Theor. Appl. Genet. 84:494-500 for the chance; Harter (1961) Biometrika
    48:151-165 for the worst of five.
    """
    refuse_control(control, drawn.hybrids, "has no yield after establishment")
    drawn.require_seasons("the chances against the control in a new season")
    if margin < 0:
        raise ValueError(f"margin = {margin}: it must be at least 0")
    others = [h for h in drawn.hybrids if h != control]
    apart = drawn.lasting[others].to_numpy() - drawn.lasting[[control]].to_numpy()
    least = np.log1p(margin) if drawn.scale == "log" else margin
    seasonal = drawn.variance("hybrid_season", "hybrid_site_season")
    spread = np.sqrt(2 * (seasonal + drawn.variance("hybrid_site")))[:, None]
    worst = apart + worst_of(BAD_SEASONS) * np.sqrt(2 * seasonal)[:, None]
    as_gain = np.expm1 if drawn.scale == "log" else np.asarray
    table = pd.DataFrame({"hybrid": others})
    table[["gain", "lower", "upper"]] = as_gain(limits(apart, level)).T
    table["chance_next"] = _above(apart - least, spread).mean(axis=0)
    table["chance_lasting"] = (apart > least).mean(axis=0)
    table[["worst", "worst_lower", "worst_upper"]] = as_gain(limits(worst, level)).T
    return table.sort_values(["chance_next", "hybrid"], ascending=[False, True], ignore_index=True)


def _above(apart, spread):
    """Chance of a normal value to be over 0; a tie without any spread is not over it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = apart / spread
    return np.where(spread > 0, special.ndtr(np.nan_to_num(z)), apart > 0)


def worst_of(n: int) -> float:
    """Expected least of n standard normal values.

    Examples
    --------
    >>> round(worst_of(5), 4)
    -1.163
    """
    return -finite_intensity(1, n)


def chance_erratic(drawn: SeasonDraws, *, fall: float = FALL) -> pd.Series:
    """Probability that a hybrid fell off in at least one of the seasons seen, common weather apart.

    Parameters
    ----------
    drawn : SeasonDraws
    fall : float
        How far below its own mean it must have fallen: share on the log scale, dry t/ha on the raw
        scale; > 0.

    Returns
    -------
    Series
        0 to 1 by hybrid; NaN with one season.

    Raises
    ------
    ValueError
        ``fall`` is not over 0, or not under 1 on the log scale.

    Notes
    -----
    Seasons are means over the sites cut in them. A hybrid's season less the mean of all hybrids in
    it, less the mean of that over the seasons, must be under ``log(1 - fall)``.
    """
    if fall <= 0 or (drawn.scale == "log" and fall >= 1):
        raise ValueError(f"fall = {fall}: it must be over 0, and under 1 on the log scale")
    if len(drawn.seasons) < 2:
        return pd.Series(np.nan, index=drawn.hybrids)
    seasonal = np.nanmean(drawn.cells - drawn.cells.mean(axis=1, keepdims=True), axis=2)
    seasonal = seasonal - seasonal.mean(axis=2, keepdims=True)
    least = np.log1p(-fall) if drawn.scale == "log" else -fall
    return pd.Series((seasonal.min(axis=2) < least).mean(axis=0), index=drawn.hybrids)


def verdicts(
    drawn: SeasonDraws,
    control: str,
    provisional: pd.Series,
    *,
    proven: float = PROVEN,
    promising: float = PROMISING,
    erratic: float = ERRATIC,
    fall: float = FALL,
    margin: float = 0.0,
    level: float = 0.95,
) -> pd.DataFrame:
    """What may be said of each hybrid already, with the probability behind it.

    Parameters
    ----------
    drawn : SeasonDraws
    control : str
    provisional : Series
        From :func:`culmbook.consistency.model.is_provisional`.
    proven, promising, erratic : float
        Least probabilities, 0 to 1, ``promising <= proven``.
    fall, margin : float
        As in :func:`chance_erratic` and :func:`beats_control`.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        :func:`beats_control`'s columns and ``chance_erratic, is_provisional, verdict``: *erratic*
        goes before all others; *proven* needs enough seasons besides its probability; a hybrid that
        has the probability but not the seasons is *promising but unproven*; controls besides the
        one compared with have no verdict but *control*.

    Raises
    ------
    ValueError
        As the two functions; ``promising`` over ``proven``.
    """
    if promising > proven:
        raise ValueError(f"promising = {promising} is over proven = {proven}")
    table = beats_control(drawn, control, margin=margin, level=level)
    table["chance_erratic"] = table["hybrid"].map(chance_erratic(drawn, fall=fall)).to_numpy()
    table["is_provisional"] = table["hybrid"].map(provisional).astype(bool).to_numpy()
    has_chance = table["chance_next"] >= proven
    cases = {
        CONTROL_CLASS: table["hybrid"].isin(drawn.controls),
        ERRATIC_CLASS: table["chance_erratic"] >= erratic,
        PROVEN_CLASS: has_chance & ~table["is_provisional"],
        PROMISING_CLASS: table["chance_next"] >= promising,
    }
    table["verdict"] = np.select(list(cases.values()), list(cases), NOT_SHOWN)
    return table


def verdict_words(
    table: pd.DataFrame, control: str, *, where: str = "in a new season", most: int = 6
) -> str:
    """One sentence for the first page: who is proven, promising and erratic, and with what
    probability.

    Parameters
    ----------
    table : DataFrame
        From :func:`verdicts`.
    control : str
    where : str
        Where and when the chances hold.
    most : int
        Hybrids named of each kind.

    Returns
    -------
    str
    """
    chances = {
        PROVEN_CLASS: "chance_next",
        PROMISING_CLASS: "chance_next",
        ERRATIC_CLASS: "chance_erratic",
    }
    parts = []
    for verdict, column in chances.items():
        own = table[table["verdict"] == verdict].sort_values(column, ascending=False, kind="stable")
        named = [f"{h} ({fmt_share(p)})" for h, p in zip(own["hybrid"], own[column])]
        parts.append(f"{verdict}: {fmt_list(named, most) if named else 'none'}")
    return (
        f"Against {control} {where}: {'; '.join(parts)}. In brackets is the probability of beating "
        "the control, for erratic hybrids that of having fallen off in a season. Yield alone counts here: "
        "whether a hybrid passes the floors on other traits does not."
    )


def few_seasons_words(
    table: pd.DataFrame, least: int = LEAST_SEASONS, *, proven: float = PROVEN
) -> str:
    """Say which hybrids only lack seasons; blank where none does."""
    is_sure = table["is_provisional"] & (table["chance_next"] >= proven)
    only = table[is_sure & (table["verdict"] == PROMISING_CLASS)]
    if only.empty:
        return ""
    names = fmt_list([str(h) for h in only["hybrid"]])
    return f"{names} would count as proven with {least} seasons after establishment."
