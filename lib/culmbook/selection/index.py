"""Traits beside yield: floors that a hybrid must reach in them, traits drawn together, and one figure
for all of them.

A floor on a trait that is better high is a least value, on one that is better low a greatest value.
A hybrid passes with a probability, because its traits are known with error; one whose trait is not
known is never passed in silence. Hybrids' values in all traits are drawn from one model whose
covariance between traits is estimated, so that a hybrid known to be hardy is also expected to be
what hardy hybrids of this network are in other traits. The index of a hybrid by money weights is
what its true values are worth more than the control's.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.consistency.draws import limits
from culmbook.mixed import CONVERGED, draws, fit_gaussian, over
from culmbook.selection.traits import LEAST_TESTED, NOT_TESTED, make_trait
from culmbook.sheets.settings import KINDS
from culmbook.sheets.values import did_you_mean
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of

DIGITS = {"yield_t_ha": 1, "lt50_c": 1, "moisture_pct": 1}


def floor_words(floors: dict) -> str:
    """Say the floors in words.

    Parameters
    ----------
    floors : dict of str to float
        As in ``settings.toml``.

    Returns
    -------
    str

    Examples
    --------
    >>> floor_words({"stand": 0.65, "lt50_c": -2.5})
    'stand at least 65 % and LT50 at most −2.5 °C'
    """
    said = [f"{KINDS[n].word} {KINDS[n].bound} {value_words(n, v)}" for n, v in floors.items()]
    return fmt_list(said)


def value_words(name: str, value: float) -> str:
    """A trait's value with its unit, shares in percent."""
    if KINDS[name].unit == "share":
        return fmt_share(value)
    return f"{fmt_number(value, DIGITS[name])} {KINDS[name].unit}"


def _refuse_unknown(name):
    if name not in KINDS:
        known = fmt_list(list(KINDS))
        raise ValueError(f"{name} is no trait ({known} are): {did_you_mean(name, list(KINDS))}")


def applied_floors(traits: dict, floors: dict) -> tuple[dict, list[str]]:
    """Part the floors that can be judged from those that cannot, with a sentence on each of the
    latter.

    Parameters
    ----------
    traits : dict of str to Trait
    floors : dict of str to float

    Returns
    -------
    dict
        Floors on traits that at least one hybrid's value is known of.
    list of str
    """
    judged, words = {}, []
    for name, value in floors.items():
        _refuse_unknown(name)
        if name in traits and not traits[name].why_not:
            judged[name] = value
            continue
        why = traits[name].why_not if name in traits else "it was not looked at."
        floor = f"{KINDS[name].bound} {value_words(name, value)}"
        words.append(
            f"The floor on {KINDS[name].word} ({floor}) could not be applied to any hybrid: {why}"
        )
    return judged, words


def passing(
    traits: dict, floors: dict, hybrids, n: int, *, unknown: bool = False
) -> pd.DataFrame | None:
    """Does a hybrid pass all floors, in every joint draw?

    Parameters
    ----------
    traits : dict of str to Trait
        A trait's draws are used in their order, from the first again where there are fewer than
        ``n``.
    floors : dict of str to float
        Of :func:`applied_floors`.
    hybrids : sequence of str
    n : int
        Draws.
    unknown : bool
        What a hybrid gets that is not known in one of the traits and fails no other.

    Returns
    -------
    DataFrame or None
        n × hybrids, bool; None without floors.

    Raises
    ------
    ValueError
        A floor on a trait that is not given or of which no hybrid is known.
    """
    hybrids = list(hybrids)
    out = np.ones((n, len(hybrids)), bool)
    for name, value in floors.items():
        if name not in traits or traits[name].why_not:
            raise ValueError(f"the floor on {name} cannot be judged: leave it out, and say so")
        drawn = traits[name].draws
        drawn = drawn.reindex(columns=hybrids).to_numpy()[np.arange(n) % len(drawn)]
        meets = drawn >= value if KINDS[name].better == "higher" else drawn <= value
        out &= np.where(np.isnan(drawn), unknown, meets)
    return pd.DataFrame(out, columns=hybrids) if floors else None


def unknown_traits(traits: dict, floors: dict, hybrids) -> dict:
    """Traits with a floor of which a hybrid's value is not known: a list by hybrid that has any."""
    known = {name: traits[name].draws.notna().any() for name in floors}
    missing = {h: [name for name in floors if not known[name].get(h, False)] for h in hybrids}
    return {h: names for h, names in missing.items() if names}


def floor_table(traits: dict, floors: dict, hybrids, n: int) -> pd.DataFrame:
    """Probability that each hybrid passes each floor and all of them.

    Parameters
    ----------
    traits, floors, hybrids, n
        As in :func:`passing`.

    Returns
    -------
    DataFrame
        ``hybrid``, a column ``p_<trait>`` for every floor (0-1; missing where the trait is not
        known), ``p_all`` (missing where one is not known, unless another is surely failed),
        ``fails_on`` (the trait with the least probability, where ``p_all`` is under one half; blank
        else). Only ``hybrid`` without floors.
    """
    hybrids = list(hybrids)
    table, missing = pd.DataFrame(index=hybrids), unknown_traits(traits, floors, hybrids)
    for name in floors:
        met = passing(traits, {name: floors[name]}, hybrids, n).mean()
        table[f"p_{name}"] = met.mask([name in missing.get(h, ()) for h in hybrids])
    if floors:
        weakest = table.fillna(2).idxmin(axis=1).str.removeprefix("p_")
        best = passing(traits, floors, hybrids, n, unknown=True).mean()
        table["p_all"] = best.mask(table.index.isin(list(missing)) & (best > 0))
        table["fails_on"] = weakest.where(table["p_all"] < 0.5, "")
    return table.rename_axis("hybrid").reset_index()


def passed_words(passed: pd.DataFrame, floors: dict) -> str:
    """Say the floors and who more likely fails them than passes, by the floor it passes least
    likely.

    Parameters
    ----------
    passed : DataFrame
        From :func:`floor_table`.
    floors : dict of str to float
    """
    if not floors:
        return "No floor on another trait is applied: only yield decides."
    fails, n = passed[passed["fails_on"].ne("")], n_of(len(passed), "candidate")
    told = f"None of {n} is more likely to fail them than to pass."
    if len(fails):
        by = [
            f"{KINDS[name].word} ({fmt_list(list(own), 30)})"
            for name, own in fails.groupby("fails_on", sort=False)["hybrid"]
        ]
        more = f"{len(fails)} of {n} are more likely to fail than to pass"
        told = f"{more}, least sure on {fmt_list(by)}."
    return f"Floors: {floor_words(floors)}. {told}"


# Candidates seen in two traits or more from which on their covariance is estimated (common
# practice).
LEAST_HYBRIDS = 15
_VARIANCES = 40


@dataclass(frozen=True)
class JointTraits:
    """Traits as they are to be used together.

    Attributes
    ----------
    traits : dict of str to Trait
        With joint draws, or as they were given where ``is_joint`` is false.
    is_joint : bool
    correlations : DataFrame
        Correlation of candidates' true values between traits, on the traits' scales; empty when not
        joint.
    words : str
        What was done and why, in a sentence or two.
    """

    traits: dict
    is_joint: bool
    correlations: pd.DataFrame = field(repr=False)
    words: str


def joint_traits(traits: dict, entries: pd.DataFrame, *, seed: int = 1) -> JointTraits:
    """Draw traits together.

    Parameters
    ----------
    traits : dict of str to Trait
        Those with a ``why_not`` stay as they are.
    entries : DataFrame
        ``hybrid, role`` and, where known, ``crop_type``: candidates of each type have means of
        their own, controls are fixed.
    seed : int

    Returns
    -------
    JointTraits

    Raises
    ------
    ValueError
        Traits with different numbers of draws; a model with fixed hybrids that does not settle.

    Notes
    -----
    Each trait's estimate of a hybrid, on the trait's scale, is its group's mean plus the hybrid's
    effect plus an error of known variance; effects have any covariance between traits. Errors are
    taken as independent between hybrids, once what all of them share is taken off (it is put back
    into the draws as it was), and between traits. Hybrids that lie beyond a test keep their own
    draws in it.

    References
    ----------
    Henderson & Quaas (1976) J. Anim. Sci. 43:1188-1197.
    """
    used = {name: trait for name, trait in traits.items() if not trait.why_not}
    sizes = {len(trait.draws) for trait in used.values()}
    if len(sizes) > 1:
        raise ValueError("traits to be drawn together need the same number of draws")
    if len(used) < 2:
        return _independent(traits, "fewer than two traits are known")
    frame = _stacked(used, entries)
    seen = frame[frame["role"].eq("candidate")].groupby("hybrid")["trait"].nunique()
    n_seen, n = int(seen.ge(2).sum()), sizes.pop()
    if n_seen < LEAST_HYBRIDS:
        few = f"only {n_seen} candidates were seen in two traits or more"
        return _independent(traits, f"{few}, and their covariance takes {LEAST_HYBRIDS}")
    term = over("hybrid", "trait", "unstructured")
    design = pd.get_dummies(frame["cell"], dtype=float).sort_index(axis=1)
    fit = fit_gaussian(frame, "value", design, [term], known_variance="variance")
    if fit.verdict != CONVERGED:
        return _independent(traits, f"the model of all traits has {fit.verdict}")
    try:
        drawn = draws(fit, n, seed, min(_VARIANCES, n))
    except ValueError:  # a covariance that nearly vanishes in some direction
        told = "the estimates tell too little of the covariance between traits"
        return _independent(traits, told)
    joint = {name: _drawn_trait(trait, drawn, term.name, frame) for name, trait in used.items()}
    kernel = fit.kernels[term.name]
    sd = np.sqrt(np.diag(kernel))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlations = kernel / np.outer(sd, sd)
    return JointTraits(traits | joint, True, correlations, _joint_words(correlations, n_seen))


def _independent(traits, why):
    words = (
        f"Traits are drawn independently of each other, because {why}: what one trait says of another "
        "is not used."
    )
    return JointTraits(traits, False, pd.DataFrame(), words)


def _stacked(traits, entries):
    """One row per trait and hybrid tested: value and variance on the trait's scale in units of its
    spread.
    """
    kinds = entries.drop_duplicates("hybrid").set_index("hybrid")
    parts = [_estimates(trait).assign(trait=name) for name, trait in traits.items()]
    frame = pd.concat(parts).rename_axis("hybrid").reset_index()
    frame = frame[frame["hybrid"].isin(kinds.index)].reset_index(drop=True)
    group = kinds.get("crop_type", pd.Series("candidates", kinds.index)).astype("str")
    group = group.where(kinds["role"].eq("candidate"), "control " + kinds.index.astype("str"))
    frame = frame.assign(role=frame["hybrid"].map(kinds["role"]), group=frame["hybrid"].map(group))
    return frame.assign(cell=frame["trait"] + ": " + frame["group"])


def _estimates(trait):
    """Estimates of hybrids with a value of their own; what all of them share is not in the
    variance.
    """
    scaled, unit = _scaled(trait)
    tested = trait.table.loc[trait.table["remark"].eq(""), "hybrid"]
    if trait.unshrunk is not None:
        own = trait.unshrunk()
        own = own.loc[[h for h in tested if h in own.index]]
        value, variance = own["estimate"], own["variance"]
    else:
        scaled = scaled[list(tested)]
        value, variance = scaled.mean(), scaled.sub(scaled.mean(axis=1), axis=0).var()
    return pd.DataFrame({"value": value / unit, "variance": variance / unit**2})


def _scaled(trait):
    """Draws on the trait's scale, and the unit in which it enters, so that all are of a size."""
    values = KINDS[trait.name].to_scale(trait.draws.to_numpy())
    scaled = pd.DataFrame(values, columns=trait.draws.columns)
    spread = float(scaled.mean().std())
    return scaled, spread if spread > 0 else 1.0


def _drawn_trait(trait, drawn, term, frame):
    """The trait with joint draws of hybrids tested, and of others of a group that was tested
    enough.
    """
    scaled, unit = _scaled(trait)
    table = trait.table.set_index("hybrid")
    shared = scaled[list(table.index[table["remark"].eq("")])].mean(axis=1).to_numpy()
    own = frame[frame["trait"].eq(trait.name)]
    size, groups = own.groupby("group").size(), frame.drop_duplicates("hybrid").set_index("hybrid")
    out, tested = trait.draws.copy(), list(own["hybrid"])
    for hybrid, group in groups["group"].items():
        is_like = size.get(group, 0) >= LEAST_TESTED and table["remark"].get(hybrid) == NOT_TESTED
        if hybrid in tested or is_like:
            value = (
                drawn.fixed[f"{trait.name}: {group}"] + drawn.effects[term][(hybrid, trait.name)]
            )
            value = value.to_numpy() * unit + shared - shared.mean()
            out[hybrid] = KINDS[trait.name].from_scale(value)
    beyond = table[~table["remark"].isin(["", NOT_TESTED])]
    answers = {row.Index: (row.remark, row.lower, row.upper) for row in beyond.itertuples()}
    return make_trait(trait.name, out, table["n"], answers=answers, unshrunk=trait.unshrunk)


def _joint_words(correlations, n_seen):
    names = list(correlations.index)
    text = f"Traits are drawn together, with the covariance that {n_seen} candidates show between traits"
    pairs = correlations.where(np.triu(np.ones(correlations.shape), 1) > 0).stack().dropna()
    if pairs.empty:
        return f"{text}."
    a, b = pairs.abs().idxmax()
    return (
        f"{text} ({fmt_list([KINDS[name].word for name in names])}); the strongest correlation is "
        f"{fmt_number(pairs[a, b], 2)}, of {KINDS[a].word} with {KINDS[b].word}."
    )


# -- the index
# ----------------------------------------------------------------------------------------


def index_draws(traits: dict, weights: dict, control: str) -> pd.DataFrame:
    """Worth of every hybrid over the control, draw by draw.

    Parameters
    ----------
    traits : dict of str to Trait
        Those with a weight must be there; draws of the same number belong together.
    weights : dict of str to float
        Money per unit of the trait, hectare and year.
    control : str

    Returns
    -------
    DataFrame
        Draws × hybrids but the control, money per hectare and year; missing for a hybrid that is
        not known in a trait with a weight.

    Raises
    ------
    Refusal
        No weight; a trait that is not known of any hybrid, or not of the control.

    Notes
    -----
    ``sum_t a_t (x_t - x_t,control)``. Given joint draws, its mean is the index of best linear
    prediction, which for known covariances equals the one of Smith and Hazel. Yield per planted
    area already holds what a poor stand costs: a weight on the stand is for what it costs besides.

    References
    ----------
    Henderson (1963) in Statistical Genetics and Plant Breeding, NAS-NRC 982:141-163.
    """
    weights = {name: a for name, a in weights.items() if a != 0}
    if not weights:
        raise Refusal(
            "No money weights are set (settings, selection.weights), so there is no index over traits."
        )
    for name in weights:
        _refuse_unknown(name)
        if name not in traits or traits[name].why_not:
            why = traits[name].why_not if name in traits else "it was not looked at."
            raise Refusal(f"{KINDS[name].label} has a weight but is not known of any hybrid: {why}")
        if control not in traits[name].draws or traits[name].draws[control].isna().all():
            raise Refusal(
                f"The control {control} is not known in {KINDS[name].word}, so worth over it is not either."
            )
    known = dict.fromkeys(h for name in weights for h in traits[name].draws.columns)
    hybrids = [h for h in known if h != control]
    total = 0.0
    for name, a in weights.items():
        drawn = traits[name].draws.reindex(columns=[*hybrids, control]).reset_index(drop=True)
        total = total + a * drawn[hybrids].sub(drawn[control], axis=0)
    return total


def index_gains(traits: dict, weights: dict, control: str) -> pd.DataFrame:
    """Index as a share of what the control's yield is worth, on the scale on which gains are
    decided.

    Parameters
    ----------
    traits, weights, control
        As in :func:`index_draws`; ``yield_t_ha`` needs a weight over 0.

    Returns
    -------
    DataFrame
        Draws × hybrids. With a weight on yield alone these are the gains in yield.

    Raises
    ------
    Refusal
        As :func:`index_draws`.
    ValueError
        Without a weight on yield.
    """
    price = weights.get("yield_t_ha", 0.0)
    if price <= 0:
        raise ValueError(
            "the index is held against the worth of the control's yield, which needs a weight "
            "over 0 for yield_t_ha"
        )
    worth = price * traits["yield_t_ha"].draws[control].reset_index(drop=True)
    return index_draws(traits, weights, control).div(worth, axis=0)


def index_table(index: pd.DataFrame, gains: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Index of each hybrid with its limits and rank, beside its rank by yield alone.

    Parameters
    ----------
    index : DataFrame
        From :func:`index_draws`.
    gains : DataFrame
        Draws of gains in yield, from :func:`culmbook.selection.decide.candidate_gains`; its hybrids
        are listed.
    level : float
        Of the limits, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, index, lower, upper`` (money per hectare and year over the control), ``p_above``
        (probability of being worth more than the control, 0-1), ``rank, yield_rank``; highest index
        first, hybrids without an index (missing) last.

    Raises
    ------
    Refusal
        No candidate has an index.
    """
    shown = index.reindex(columns=list(gains.columns))
    if shown.isna().all(axis=None):
        raise Refusal("No candidate is known in all traits with a weight, so there is no index.")
    middle, low, high = limits(shown.to_numpy(), level)
    table = pd.DataFrame({"index": middle, "lower": low, "upper": high}, gains.columns)
    table["p_above"] = shown.gt(0).mean().where(shown.notna().all())
    for name, values in (("rank", table["index"]), ("yield_rank", gains.median())):
        table[name] = values.rank(ascending=False, method="min").astype("Int64")
    by = ["rank", "yield_rank", "hybrid"]
    return table.rename_axis("hybrid").reset_index().sort_values(by, ignore_index=True)


def index_words(table: pd.DataFrame, weights: dict, control: str) -> str:
    """Say which hybrids are worth most over the control and how that differs from their yields.

    Parameters
    ----------
    table : DataFrame
        From :func:`index_table`.
    weights : dict of str to float
    control : str

    Returns
    -------
    str
    """
    best, given = table.iloc[0], []
    for name, a in weights.items():
        kind = KINDS[name]
        of, a = ("percentage point", a / 100) if kind.unit == "share" else (kind.unit, a)
        given += [f"{fmt_number(a, 1)} per {of} of {kind.word}"] if a else []
    worth = (
        f"no hybrid is estimated to be worth more than {control}; the nearest is {best['hybrid']}"
    )
    if best["index"] > 0:
        worth = (
            f"{best['hybrid']} is worth {fmt_number(best['index'], 0)} more per hectare and year than "
            f"{control} ({fmt_interval(best['lower'], best['upper'], share=False)})"
        )
    top = table.loc[table["yield_rank"].eq(1), ["hybrid", "rank"]].iloc[0]
    place = "has no index" if pd.isna(top["rank"]) else f"is number {top['rank']} by the index"
    other = f"{top['hybrid']}, first by yield alone, {place}"
    if top["hybrid"] == best["hybrid"]:
        other = "it is also first by yield alone"
    return f"By the weights stated ({fmt_list(given)}), {worth}; {other}."
