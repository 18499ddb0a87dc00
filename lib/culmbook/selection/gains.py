"""Which hybrids are the best, how well is that known, and what is the probability of being among the best k?

The predictions come from the model over sites and seasons (:mod:`culmbook.consistency.model`). What a candidate
gives more than the control is what the control's own effect and the candidates' common mean leave
uncertain too, so every error here is that of the whole difference.
"""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.consistency.draws import SeasonDraws, limits
from culmbook.consistency.model import SeasonsFit
from culmbook.mixed import Factor, Heritability, Model
from culmbook.text.numbers import fmt_list


def lasting_covariance(seasons: SeasonsFit) -> pd.DataFrame:
    """Prediction error covariance of what lasts of each hybrid: its group's mean and its own effect.

    Parameters
    ----------
    seasons : SeasonsFit

    Returns
    -------
    DataFrame
        Hybrids x hybrids, squared unit of the response, the variances taken as known. Only differences
        mean something: the first group's mean is the origin.

    Notes
    -----
    With ``b`` the fixed effects, ``u`` the hybrids' and ``w_i`` a hybrid's group,
    ``cov = W C W' + E - W C X'V^-1 Z G - (W C X'V^-1 Z G)'``, C the covariance of the estimates of b and E
    the prediction error covariance of u.

    References
    ----------
    Henderson (1975) Biometrics 31:423-447.
    """
    fit = seasons.conditional
    return covariance_at(fit.model, fit.state.theta, fit.state.factor, seasons.groups)


def covariance_at(
    model: Model, theta: np.ndarray, factor: Factor, groups: pd.Series
) -> pd.DataFrame:
    """The same of any model over seasons, at given variances.

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
    """
    place = [t.name for t in model.terms].index("hybrid")
    term, structure = model.terms[place], model.problem.structure
    own = float(theta[structure.places[place]][0])
    weights = _group_weights(groups, model.columns).to_numpy() * model.unit
    errors = own * np.eye(len(term.levels)) - own**2 * factor.levels_p(place)
    crossed = own * model.scale * (factor.spread(weights.T).T @ term.z)
    order = term.levels.get_indexer(groups.index)
    fixed = weights @ factor.h[structure.q :, structure.q :] @ weights.T
    values = (
        fixed
        + errors[np.ix_(order, order)] * model.scale**2
        - crossed[:, order]
        - crossed[:, order].T
    )
    return pd.DataFrame(values, groups.index, groups.index)


def _hybrid_variance(fit):
    return float(fit.variances["hybrid"])


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
    seasons: SeasonsFit, control: str, drawn: SeasonDraws | None = None, *, level: float = 0.95
) -> pd.DataFrame:
    """Predicted yield of every hybrid and its gain over the control, with what is behind it.

    Parameters
    ----------
    seasons : SeasonsFit
        Of log yield.
    control : str
    drawn : SeasonDraws, optional
        Of the same fit. With it the limits hold the uncertainty of the variances too; without, they are
        those of a normal distribution at the estimated variances, a little too narrow.
    level : float
        Of the intervals, 0 to 1.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, n_sites, n_seasons, mean_t_ha, gain, lower, upper, reliability, rank``, highest
        first. ``mean_t_ha`` is the dry yield of the median plot, the growing conditions weighed alike;
        ``gain`` a share of the control's yield; ``reliability`` 0 to 1, missing where the hybrids do not
        differ and for a hybrid that is alone in its group. Controls come last, without rank and reliability.

    Raises
    ------
    ValueError
        The control has no record, or the model is not one of log yield.

    Notes
    -----
    Reliability of hybrid i is ``1 - mean_j var(d_ij) / (2 s2)`` over the other candidates j of its group,
    ``var(d_ij)`` the prediction error variance of their difference and s2 the variance of hybrids.

    References
    ----------
    Henderson (1975) Biometrics 31:423-447; Cullis, Smith & Coombes (2006) J. Agric. Biol. Environ. Stat.
    11:381-393.
    """
    _refuse_control(control, seasons.hybrids, seasons.scale)
    value, hybrids = lasting_values(seasons), seasons.hybrids
    low, high = _gain_limits(seasons, control, drawn, value, level)
    counts = _counts(seasons.records).loc[hybrids]
    table = counts.reset_index().assign(
        mean_t_ha=np.exp(value + _average_condition(seasons.conditional)).to_numpy(),
        gain=np.expm1(value - value[control]).to_numpy(),
        lower=low,
        upper=high,
        reliability=_reliabilities(seasons).to_numpy(),
    )
    is_candidate = ~table["hybrid"].isin(seasons.controls)
    table["rank"] = (
        table["gain"].where(is_candidate).rank(ascending=False, method="min").astype("Int64")
    )
    return table.sort_values(
        ["rank", "gain", "hybrid"], ascending=[True, False, True], ignore_index=True
    )


def _refuse_control(control, hybrids, scale):
    if control not in hybrids:
        raise ValueError(
            f"the control {control!r} has no yield here, so nothing can be compared with it"
        )
    if scale != "log":
        raise ValueError(
            "a gain as a share of the control needs the model of log yield (scale='log')"
        )


def _counts(records):
    names = records["hybrid"].astype("str").rename("hybrid")
    columns = {"n_plots": "plot_key", "n_sites": "site", "n_seasons": "season"}
    return (
        records.groupby(names)[list(columns.values())]
        .nunique()
        .rename(columns={old: new for new, old in columns.items()})
    )


def _average_condition(fit):
    own = fit.coefficients[fit.coefficients.index.str.startswith("condition ")]
    return float(own.mean())


def _gain_limits(seasons, control, drawn, value, level):
    if drawn is not None:
        apart = drawn.lasting[seasons.hybrids].sub(drawn.lasting[control], axis=0)
        _, low, high = limits(apart.to_numpy(), level)
    else:
        error = lasting_covariance(seasons)
        variance = np.diag(error) + error.loc[control, control] - 2 * error[control]
        reach = stats.norm.ppf(0.5 + level / 2) * np.sqrt(np.maximum(variance, 0.0))
        low, high = value - value[control] - reach, value - value[control] + reach
    is_same = np.array(seasons.hybrids) == control
    return tuple(np.where(is_same, np.nan, np.expm1(np.asarray(v))) for v in (low, high))


def _reliabilities(seasons):
    """One less the mean error variance of differences within the group over that of true differences."""
    mean = pd.Series(np.nan, seasons.hybrids)
    variance = _hybrid_variance(seasons.conditional)
    for errors in _group_errors(seasons) if variance > 0 else ():
        between = _difference_variances(errors)
        mean[errors.index] = 1 - between.sum(axis=1) / (len(errors) - 1) / (2 * variance)
    return mean


def _group_errors(seasons):
    """Prediction error covariance of each group of two candidates or more."""
    errors = seasons.conditional.prediction_covariance("hybrid")
    groups = seasons.groups[~seasons.groups.index.isin(seasons.controls)]
    for _, names in groups.groupby(groups):
        if len(names) > 1:
            yield errors.loc[names.index, names.index]


def _difference_variances(errors):
    own = np.diag(errors)
    return own[:, None] + own[None, :] - 2 * errors.to_numpy()


def heritability(seasons: SeasonsFit) -> Heritability:
    """Generalised heritability of the candidates' lasting differences over the sites and seasons at hand.

    Parameters
    ----------
    seasons : SeasonsFit

    Returns
    -------
    Heritability
        ``value`` 0 to 1 and ``verdict``, ``'estimated'`` or why there is no value.

    Notes
    -----
    ``1 - v / (2 s2)``, v the mean prediction error variance of a difference of two candidates of a group and
    s2 the variance of hybrids. Controls, which have fixed effects, are not part of it.

    References
    ----------
    Cullis, Smith & Coombes (2006) J. Agric. Biol. Environ. Stat. 11:381-393.
    """
    variance = _hybrid_variance(seasons.conditional)
    if variance <= 0:
        return Heritability(np.nan, "not estimable: the variance among hybrids is estimated at 0")
    total, pairs = 0.0, 0
    for errors in _group_errors(seasons):
        total += _difference_variances(errors).sum()
        pairs += len(errors) * (len(errors) - 1)
    if not pairs:
        return Heritability(np.nan, "not estimable: no two candidates are of one group")
    return Heritability(float(1 - total / pairs / (2 * variance)), "estimated")


def candidate_gains(drawn: SeasonDraws, control: str, among=None) -> pd.DataFrame:
    """Joint draws of the candidates' lasting gain over the control.

    Parameters
    ----------
    drawn : SeasonDraws
        Of log yield.
    control : str
    among : collection of str, optional
        Hybrids still under test. Others, such as those dropped in earlier seasons, stay in the model but
        are not chosen from. Without it every hybrid with a record is.

    Returns
    -------
    DataFrame
        One row per draw, one column per candidate: share of the control's yield. Controls are no candidates.

    Raises
    ------
    ValueError
        The control or a hybrid of ``among`` has no record, there is no candidate, or the model is not one of
        log yield.
    """
    _refuse_control(control, drawn.hybrids, drawn.scale)
    absent = sorted(set(among or ()) - set(drawn.hybrids))
    if absent:
        raise ValueError(f"no yield to choose by: {fmt_list(absent)}")
    candidates = [h for h in drawn.hybrids if h != control and h not in drawn.controls]
    candidates = [h for h in candidates if among is None or h in set(among)]
    if not candidates:
        raise ValueError("no hybrid with a yield is a candidate: there is nothing to choose from")
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
        1 or 0; hybrids that tie for the last places share them, so that the values of a draw add up to k or
        to the number of eligible hybrids.

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
        1 where the hybrid passes all floors, beats the control by more than ``delta`` and is among the best
        k of those that pass, else 0; between where hybrids tie.

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
    """Probability of each hybrid to be worth promoting were it sure to pass all floors, others as they are.

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
    top = in_top(values, k, passes)
    if passes is not None:
        n = values.shape[1]
        last = np.full((len(values), 1), -np.inf)
        if k < n:
            last = np.partition(np.where(passes, values, -np.inf), n - k, axis=1)[:, [n - k]]
        top = top + (~passes & (values > last))
    return pd.Series((top * (values > delta)).mean(axis=0), gains.columns)


def _matched(gains, eligible):
    """Floors passed in the order of the gains' hybrids."""
    if eligible is None:
        return None
    if set(eligible.columns) != set(gains.columns) or len(eligible) != len(gains):
        missing = sorted(set(gains.columns) ^ set(eligible.columns))
        if missing:
            named = fmt_list(missing)
            raise ValueError(f"floors and gains must be of the same hybrids (not in both: {named})")
        raise ValueError(
            f"floors and gains must have as many draws: there are {len(eligible)} and {len(gains)} of them"
        )
    return eligible[list(gains.columns)].to_numpy(dtype=bool)
