"""Hybrids that were not tested for a trait: drawn as further ones of the kind that was tested."""

import numpy as np
import pandas as pd

from culmbook.sheets.trait_kinds import KINDS

LEAST_TESTED = 8
"""Candidates tested from which on the value of one not tested is drawn from their distribution: with fewer,
their spread is not known well enough (common practice)."""
NOT_TESTED, NOT_KNOWN = "not tested", "not known"


def with_untested(
    draws: pd.DataFrame, entries: pd.DataFrame, kind: str, seed: int, *, is_shrunk: bool = False
) -> pd.DataFrame:
    """Draws of all hybrids, those not tested from the distribution of the candidates that were.

    Parameters
    ----------
    draws : DataFrame
        n × hybrids tested, in the trait's unit.
    entries : DataFrame
        ``hybrid, role`` and, where known, ``crop_type``: a candidate is drawn from candidates of its own
        type.
    kind : str
        The trait's name.
    seed : int
    is_shrunk : bool
        Whether the draws are posterior draws of hybrids taken as random.

    Returns
    -------
    DataFrame
        n × hybrids of ``entries``; missing for a control that was not tested, and for a candidate where
        fewer than eight of its type were.

    Notes
    -----
    Per draw a t deviate with m - 1 degrees of freedom, m candidates tested, around their mean in that draw
    with the variance ``G (1 + 1/m)``. G is the variance of the candidates' estimates less their mean error
    variance (plus it, where the estimates are drawn towards each other), on the trait's scale.
    """
    entries = entries.drop_duplicates("hybrid")
    out = draws.reindex(columns=list(entries["hybrid"]))
    groups = (
        entries["crop_type"].astype("str")
        if "crop_type" in entries
        else pd.Series("", entries.index)
    )
    candidates = entries["role"].eq("candidate")
    rng = np.random.default_rng([seed, 71])
    for group in sorted(groups[candidates].unique()):
        own = list(entries.loc[candidates & groups.eq(group), "hybrid"])
        tested = [h for h in own if h in draws and draws[h].notna().all()]
        absent = [h for h in own if h not in tested]
        if len(tested) >= LEAST_TESTED and absent:
            out[absent] = _like_the_tested(draws[tested], KINDS[kind], len(absent), is_shrunk, rng)
    return out


def _like_the_tested(draws, kind, k, is_shrunk, rng):
    values = kind.to_scale(draws.to_numpy())
    m, centre = values.shape[1], values.mean(axis=1)
    spread = true_sd(values, is_shrunk) * np.sqrt(1 + 1 / m)
    return kind.from_scale(centre[:, None] + spread * rng.standard_t(m - 1, size=(len(values), k)))


def true_sd(values, is_shrunk):
    """Standard deviation of hybrids' true values behind draws of them (n × hybrids), on one scale."""
    error = (values - values.mean(axis=1, keepdims=True)).var(axis=0, ddof=1).mean()
    apart = values.mean(axis=0).var(ddof=1)
    return np.sqrt(max(apart + error if is_shrunk else apart - error, 0.0))
