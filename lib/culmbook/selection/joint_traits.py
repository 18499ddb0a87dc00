"""Traits together: what one trait of a hybrid says of its others.

Hybrids' values in all traits are drawn from one model whose covariance between traits is estimated, so that a
hybrid known to be hardy is also expected to be what hardy hybrids of this network are in other traits. Where
too few hybrids were seen in several traits, or the model does not settle, traits stay independent, and that
is said.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from culmbook.selection.traits import make_trait
from culmbook.selection.untested import LEAST_TESTED, NOT_TESTED
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_list, fmt_number

LEAST_HYBRIDS = 15
"""Candidates seen in two traits or more from which on their covariance is estimated (common practice)."""
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
        Correlation of candidates' true values between traits, on the traits' scales; empty when not joint.
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
        ``hybrid, role`` and, where known, ``crop_type``: candidates of each type have means of their own,
        controls are fixed.
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
    Each trait's estimate of a hybrid, on the trait's scale, is its group's mean plus the hybrid's effect plus
    an error of known variance; effects have any covariance between traits. Errors are taken as independent
    between hybrids, once what all of them share is taken off (it is put back into the draws as it was), and
    between traits. Hybrids that lie beyond a test keep their own draws in it.

    References
    ----------
    Henderson & Quaas (1976) J. Anim. Sci. 43:1188-1197.
    """
    used = {name: trait for name, trait in traits.items() if not trait.why_not}
    if len({len(trait.draws) for trait in used.values()}) > 1:
        raise ValueError("traits to be drawn together need the same number of draws")
    frame = _stacked(used, entries)
    seen = frame[frame["role"].eq("candidate")].groupby("hybrid")["trait"].nunique()
    n_seen = int(seen.ge(2).sum())
    if len(used) < 2:
        return _independent(traits, "fewer than two traits are known")
    if n_seen < LEAST_HYBRIDS:
        return _independent(
            traits,
            f"only {n_seen} candidates were seen in two traits or more, and their "
            f"covariance takes {LEAST_HYBRIDS}",
        )
    from culmbook.mixed import CONVERGED, draws, fit_gaussian, over

    term = over("hybrid", "trait", "unstructured")
    fit = fit_gaussian(frame, "value", _design(frame), [term], known_variance="variance")
    if fit.verdict != CONVERGED:
        return _independent(traits, f"the model of all traits has {fit.verdict}")
    n = len(next(iter(used.values())).draws)
    try:
        drawn = draws(fit, n, seed, min(_VARIANCES, n))
    except ValueError:  # a covariance that nearly vanishes in some direction
        return _independent(
            traits, "the estimates tell too little of the covariance between traits"
        )
    joint = {
        name: _drawn_trait(trait, drawn, term.name, frame, entries) for name, trait in used.items()
    }
    correlations = _correlations(fit.kernels[term.name])
    return JointTraits(traits | joint, True, correlations, _joint_words(correlations, n_seen))


def _independent(traits, why):
    words = (
        f"Traits are drawn independently of each other, because {why}: what one trait says of another "
        "is not used."
    )
    return JointTraits(traits, False, pd.DataFrame(), words)


# -- the model ------------------------------------------------------------------------------------


def _stacked(traits, entries):
    """One row per trait and hybrid tested: value and variance on the trait's scale in units of its spread."""
    kinds = entries.drop_duplicates("hybrid").set_index("hybrid")
    parts = [_estimates(trait).assign(trait=name) for name, trait in traits.items()]
    frame = (
        pd.concat(parts, ignore_index=True)
        if parts
        else pd.DataFrame(columns=["hybrid", "trait", "value", "variance"])
    )
    frame = frame[frame["hybrid"].isin(kinds.index)].reset_index(drop=True)
    types = (
        kinds["crop_type"].astype("str")
        if "crop_type" in kinds
        else pd.Series("candidates", kinds.index)
    )
    names = pd.Series(kinds.index, kinds.index).astype("str")
    group = types.where(kinds["role"].eq("candidate"), "control " + names)
    return frame.assign(role=frame["hybrid"].map(kinds["role"]), group=frame["hybrid"].map(group))


def _estimates(trait):
    """Estimates of hybrids with a value of their own; what all of them share is not in the variance."""
    unit = _spread(trait)
    tested = trait.table.loc[trait.table["remark"].eq(""), "hybrid"]
    if trait.unshrunk is not None:
        own = trait.unshrunk()
        own = own.loc[[h for h in tested if h in own.index]]
        value, variance = own["estimate"], own["variance"]
    else:
        scaled = _scaled(trait)[list(tested)]
        value, variance = scaled.mean(), scaled.sub(scaled.mean(axis=1), axis=0).var()
    return pd.DataFrame(
        {
            "hybrid": value.index,
            "value": value.to_numpy() / unit,
            "variance": variance.to_numpy() / unit**2,
        }
    )


def _scaled(trait):
    return pd.DataFrame(
        KINDS[trait.name].to_scale(trait.draws.to_numpy()), columns=trait.draws.columns
    )


def _spread(trait):
    """Unit in which a trait enters, so that all are of a size."""
    spread = float(_scaled(trait).mean().std())
    return spread if spread > 0 else 1.0


def _design(frame):
    cell = frame["trait"] + ": " + frame["group"]
    return pd.get_dummies(cell, dtype=float).sort_index(axis=1)


# -- its draws ------------------------------------------------------------------------------------


def _drawn_trait(trait, drawn, term, frame, entries):
    """The trait with joint draws where the model has them."""
    kind, unit = KINDS[trait.name], _spread(trait)
    scaled = _scaled(trait)
    tested = list(trait.table.loc[trait.table["remark"].eq(""), "hybrid"])
    shared = scaled[tested].mean(axis=1).to_numpy()
    out = trait.draws.copy()
    for hybrid in _modelled(trait, frame, entries):
        group = frame.loc[frame["hybrid"].eq(hybrid), "group"].iloc[0]
        value = drawn.fixed[f"{trait.name}: {group}"] + drawn.effects[term][(hybrid, trait.name)]
        out[hybrid] = kind.from_scale(value.to_numpy() * unit + shared - shared.mean())
    own = trait.table.set_index("hybrid")
    beyond = own[~own["remark"].isin(["", NOT_TESTED])]
    answers = {h: (row["remark"], row["lower"], row["upper"]) for h, row in beyond.iterrows()}
    made = make_trait(trait.name, out, own["n"], answers=answers, unshrunk=trait.unshrunk)
    return replace(made, label=trait.label, unit=trait.unit)


def _modelled(trait, frame, entries):
    """Hybrids whose value the model gives: those tested, and others of a group that was tested enough."""
    own = frame[frame["trait"].eq(trait.name)]
    size = own.groupby("group").size()
    groups = frame.drop_duplicates("hybrid").set_index("hybrid")["group"]
    remark = trait.table.set_index("hybrid")["remark"]
    tested = list(own["hybrid"])
    others = [
        h
        for h, group in groups.items()
        if h not in tested and size.get(group, 0) >= LEAST_TESTED and remark.get(h) == NOT_TESTED
    ]
    return [*tested, *others]


def _correlations(kernel):
    sd = np.sqrt(np.diag(kernel))
    with np.errstate(divide="ignore", invalid="ignore"):
        return kernel / sd[:, None] / sd[None, :]


def _joint_words(correlations, n_seen):
    names = list(correlations.index)
    pairs = [
        (abs(correlations.loc[a, b]), a, b)
        for i, a in enumerate(names)
        for b in names[i + 1 :]
        if np.isfinite(correlations.loc[a, b])
    ]
    text = f"Traits are drawn together, with the covariance that {n_seen} candidates show between traits"
    if not pairs:
        return f"{text}."
    _, a, b = max(pairs)
    listed = fmt_list([KINDS[name].word for name in names])
    return (
        f"{text} ({listed}); the strongest correlation is {fmt_number(correlations.loc[a, b], 2)}, of "
        f"{KINDS[a].word} with {KINDS[b].word}."
    )
