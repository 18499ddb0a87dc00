"""How cold kills a tenth, half and nine tenths of each hybrid, and is that colder than it kills the control?

Differences from the control come first: a run that froze harder than its thermometer said shifts all hybrids
in it alike, so it drops out of them. A single LT50 carries the runs' scatter, of which few runs know little.
"""

import numpy as np
import pandas as pd
from scipy import special, stats

from culmbook.frost.freeze_model import FreezeFit
from culmbook.frost.freeze_tests import bracketing, observed_survival
from culmbook.mixed import simultaneous_draws
from culmbook.stats.line import crossing, fieller_limits
from culmbook.stats.shares import combine_limits

KILLED = (0.1, 0.5, 0.9)
FLAT = "survival does not fall clearly with the cold: no LT50"


def lethal_temperatures(
    fit: FreezeFit, *, killed: tuple = KILLED, level: float = 0.95
) -> pd.DataFrame:
    """Temperatures that kill given shares of each hybrid, with intervals that hold for other runs.

    Parameters
    ----------
    fit : FreezeFit
    killed : tuple of float
        Shares killed by frost, 0-1, natural death apart.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        Hardiest first, hybrids known only to lie beyond the coldest test before those: ``hybrid, runs,
        temperatures, tested`` (frozen units), for every share ``lt50_c, lt50_lower_c, lt50_upper_c`` [°C] and
        so on, ``slope`` [1/°C], ``df``, ``answer`` (blank, or what can be said in place of a number). Limits
        are missing with one run, and infinite where the data bound them on one side or none.

    Notes
    -----
    LT_q = LT50 + logit(1 - q)/slope. Limits are Fieller's with a t quantile. The variance of a hybrid's
    height is the runs' mean square over their number (runs - 1 degrees of freedom) plus what is the hybrid's
    own; the degrees of freedom of the sum are Satterthwaite's. The runs' variance is not bounded at zero, so
    that the interval keeps its level with three runs.

    References
    ----------
    Satterthwaite (1946) Biometrics Bull. 2:110-114; Fieller (1954) J. R. Stat. Soc. B 16:175-185.
    """
    table = _states(fit)
    rows = [_of_hybrid(fit, row, killed, level) for row in table.itertuples()]
    table = pd.concat([table.drop(columns="answer"), pd.DataFrame(rows, index=table.index)], axis=1)
    return _hardiest_first(table, f"lt{round(100 * killed[len(killed) // 2])}_c")


def _hardiest_first(table, column):
    """By a temperature; hybrids beyond the coldest test on top, other ones without a number at the end."""
    order = table[column].mask(table["side"].eq("cold"), -np.inf).fillna(np.inf)
    table = table.assign(order=order).sort_values(["order", "hybrid"], ignore_index=True)
    return table.drop(columns=["order", "side"])


def _states(fit):
    """Units behind every hybrid, and whether its curve gives a number."""
    frozen = fit.cells[fit.cells["temperature_c"].notna()]
    table = (
        frozen.groupby("hybrid")
        .agg(
            runs=("run", "nunique"),
            temperatures=("temperature_c", "nunique"),
            tested=("tested", "sum"),
        )
        .reset_index()
    )
    judged = bracketing(observed_survival(fit.cells)).set_index("hybrid")
    table = table.join(judged[["side", "answer"]], on="hybrid")
    slopes = np.array([fit.estimates[fit.positions(h)[1]] for h in table["hybrid"]])
    table.loc[table["answer"].eq("") & (slopes <= 0), "answer"] = FLAT
    return table.astype({"tested": int})


def _of_hybrid(fit, row, killed, level):
    names = [f"lt{round(100 * q)}" for q in killed]
    found = {f"{name}_{part}": np.nan for name in names for part in ("c", "lower_c", "upper_c")}
    found |= {"slope": np.nan, "df": np.nan, "answer": row.answer}
    if row.answer:
        return found
    intercept, slope = fit.estimates[fit.positions(row.hybrid)]
    for name, q in zip(names, killed, strict=True):
        at = special.logit(1 - q)
        found[f"{name}_c"] = fit.centre_c + crossing(intercept, slope, at)
        if len(fit.runs) > 1:
            covariance, df = _over_runs(fit, row.hybrid, at)
            limits = fieller_limits(
                intercept, slope, covariance, stats.t.ppf(0.5 + level / 2, df), at
            )
            found[f"{name}_lower_c"], found[f"{name}_upper_c"] = fit.centre_c + np.array(limits)
            found["df"] = df if name == names[len(names) // 2] else found["df"]
    return found | {"slope": slope}


def _over_runs(fit, hybrid, at):
    """Covariance of a hybrid's intercept and slope with the runs as a sample, and its degrees of freedom."""
    place = fit.positions(hybrid)
    covariance = fit.covariance[np.ix_(place, place)].copy()
    n = len(fit.runs)
    if not fit.has_run_shifts:  # the loads' variance holds the runs'
        return covariance, max(fit.cells.dropna(subset="temperature_c")["load"].nunique() - 2, 1)
    between, own = fit.run_scatter / n, max(covariance[0, 0] - fit.run_sampling / n, 0.0)
    covariance[0, 0] = between + own
    direction = np.array([1.0, crossing(*fit.estimates[place], at)])
    variance = direction @ covariance @ direction
    rest = max(variance - between, 0.0)
    return covariance, variance**2 / (between**2 / (n - 1) + rest**2 / fit.df)


def against_control(
    fit: FreezeFit, control: str, *, level: float = 0.95, together: bool = True
) -> pd.DataFrame:
    """Differences of LT50 from the control.

    Parameters
    ----------
    fit : FreezeFit
    control : str
        A hybrid of the set.
    level : float
        Confidence that all intervals hold at once, or with ``together=False`` of each alone, 0-1.
    together : bool

    Returns
    -------
    DataFrame
        Hardiest first: ``hybrid, difference_c, lower_c, upper_c`` [°C] (below 0: hardier than the control),
        ``answer`` as in :func:`lethal_temperatures`. Numbers are missing where the hybrid or the control has
        none.

    Raises
    ------
    ValueError
        The control is not in the set.

    Notes
    -----
    The runs' shifts cancel, so one run is enough. With a common slope the difference is a ratio of estimates
    with Fieller's limits; with own slopes limits of either LT50 are joined. The critical value is a t
    quantile with the frozen cells' residual degrees of freedom, or for all at once that of the largest of the
    correlated contrasts.

    References
    ----------
    Zou & Donner (2008) Stat. Med. 27:1693-1702; Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121.
    """
    if control not in fit.hybrids:
        raise ValueError(
            f"the control {control!r} is not in this set of freeze tests, "
            "so nothing can be compared with it"
        )
    table = _states(fit)[["hybrid", "side", "answer"]]
    own = table.loc[table["hybrid"].eq(control), "answer"].iloc[0]
    table = table[table["hybrid"].ne(control)]
    judged = table["hybrid"][table["answer"].eq("") & (own == "")]
    table.loc[table["answer"].eq("") & (own != ""), "answer"] = f"no number for the control ({own})"
    critical = _critical(fit, control, list(judged), level, together)
    rows = pd.DataFrame(
        [_difference(fit, h, control, critical) for h in judged],
        index=judged.index,
        columns=["difference_c", "lower_c", "upper_c"],
    )
    table = table.join(rows)[["hybrid", "difference_c", "lower_c", "upper_c", "answer", "side"]]
    return _hardiest_first(table, "difference_c")


def _gradient(fit, hybrid):
    """Derivative of a hybrid's LT50 by the estimates."""
    place, gradient = fit.positions(hybrid), np.zeros(len(fit.estimates))
    intercept, slope = fit.estimates[place]
    gradient[place] = -1 / slope, intercept / slope**2
    return gradient


def _critical(fit, control, others, level, together):
    if not together or len(others) < 2:
        return float(stats.t.ppf(0.5 + level / 2, fit.df))
    contrast = np.array([_gradient(fit, h) for h in others]) - _gradient(fit, control)
    joint = contrast @ fit.covariance @ contrast.T
    se = np.sqrt(np.diag(joint))
    return float(np.quantile(simultaneous_draws(joint / np.outer(se, se), fit.df), level))


def _difference(fit, hybrid, control, critical):
    if fit.slopes == "common":
        return _parallel(fit, hybrid, control, critical)
    return _own(fit, hybrid, control, critical)


def _parallel(fit, hybrid, control, critical):
    """Distance of two parallel lines along the temperature."""
    (h, slope), (c, _) = fit.positions(hybrid), fit.positions(control)
    turn = np.zeros((2, len(fit.estimates)))
    turn[0, h], turn[0, c], turn[1, slope] = 1, -1, 1
    height, steepness = turn @ fit.estimates
    covariance = turn @ fit.covariance @ turn.T
    return crossing(height, steepness), *fieller_limits(height, steepness, covariance, critical)


def _own(fit, hybrid, control, critical):
    triples = []
    for one in (hybrid, control):
        place = fit.positions(one)
        line = fit.estimates[place]
        covariance = fit.covariance[np.ix_(place, place)]
        triples.append((crossing(*line), *fieller_limits(*line, covariance, critical)))
    if not np.isfinite(triples).all():
        return triples[0][0] - triples[1][0], -np.inf, np.inf
    first, second = _gradient(fit, hybrid), _gradient(fit, control)
    shared = first @ fit.covariance @ second
    correlation = shared / np.sqrt(
        (first @ fit.covariance @ first) * (second @ fit.covariance @ second)
    )
    lower, upper = combine_limits(*triples, correlation)
    return triples[0][0] - triples[1][0], float(lower), float(upper)


def survival_curves(fit: FreezeFit, temperatures, *, level: float = 0.95) -> pd.DataFrame:
    """Fitted survival for drawing.

    Parameters
    ----------
    fit : FreezeFit
    temperatures : array_like
        [°C]
    level : float
        Confidence at each temperature, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, temperature_c, alive, lower, upper`` (shares 0-1 of the units put in, natural death
        included). The band is for the mean of the runs tested: their scatter and the uncertainty of natural
        death's own share are not in it.
    """
    at = np.asarray(temperatures, float)
    quantile, parts = stats.t.ppf(0.5 + level / 2, fit.df), []
    for hybrid in fit.hybrids:
        place = fit.positions(hybrid)
        rows = np.column_stack([np.ones(len(at)), at - fit.centre_c])
        eta = rows @ fit.estimates[place]
        se = np.sqrt(np.einsum("ij,jk,ik->i", rows, fit.covariance[np.ix_(place, place)], rows))
        shares = [
            (1 - fit.natural_death) * special.expit(eta + k * quantile * se) for k in (0, -1, 1)
        ]
        parts.append(
            pd.DataFrame(
                {
                    "hybrid": hybrid,
                    "temperature_c": at,
                    "alive": shares[0],
                    "lower": shares[1],
                    "upper": shares[2],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def curve_draws(fit: FreezeFit, n: int, seed: int) -> pd.DataFrame:
    """Joint draws of the curves, for what is calculated from them.

    Parameters
    ----------
    fit : FreezeFit
    n : int
        Draws.
    seed : int

    Returns
    -------
    DataFrame
        ``hybrid, draw`` (0 … n - 1), ``lt50_c`` [°C], ``slope`` [1/°C], above 0. In one draw the runs' mean
        is off by the same amount for all hybrids; with one run that part is unknown and left out. Hybrids
        without a number are left out.

    Notes
    -----
    Normal draws of the estimates; the runs' mean, off by a t deviate with (runs - 1) degrees of freedom. A
    draw with a slope not above 0 is drawn again for all hybrids.
    """
    rng, state = np.random.default_rng(seed), _states(fit)
    hybrids = list(state["hybrid"][state["answer"].eq("")])
    places = np.array([fit.positions(h) for h in hybrids])
    if not hybrids:
        return pd.DataFrame({"hybrid": [], "draw": [], "lt50_c": [], "slope": []})
    kept = np.empty((0, len(fit.estimates)))
    for _ in range(50):
        drawn = rng.multivariate_normal(fit.estimates, fit.covariance, size=n, method="eigh")
        kept = np.vstack([kept, drawn[(drawn[:, places[:, 1]] > 0).all(axis=1)]])[:n]
        if len(kept) == n:
            break
    else:
        raise ValueError("the curves are too uncertain for draws: slopes are not clearly above 0")
    shift = np.zeros((n, 1))
    if fit.has_run_shifts:
        extra = max(fit.run_scatter - fit.run_sampling, 0.0) / len(fit.runs)
        shift = np.sqrt(extra) * rng.standard_t(len(fit.runs) - 1, size=(n, 1))
    slope = kept[:, places[:, 1]]
    lt50 = fit.centre_c - (kept[:, places[:, 0]] + shift) / slope
    return pd.DataFrame(
        {
            "hybrid": np.repeat(hybrids, n),
            "draw": np.tile(np.arange(n), len(hybrids)),
            "lt50_c": lt50.T.ravel(),
            "slope": slope.T.ravel(),
        }
    )


def unevenness(fit: FreezeFit) -> pd.DataFrame:
    """Where survival varied beyond chance: ``source, levels, sd_logit, sd_c`` [°C of the mean slope].

    The runs' part is what their scatter holds beyond sampling, not below 0; missing with one run.
    """
    words = {"run": "run", "load": "load (run x temperature)", "cell": "hybrid in a load"}
    frozen = fit.cells[fit.cells["temperature_c"].notna()]
    levels = {"run": len(fit.runs), "load": frozen["load"].nunique(), "cell": len(frozen)}
    run = max(fit.run_scatter - fit.run_sampling, 0.0) if fit.has_run_shifts else np.nan
    rows = [] if "run" in fit.variances else [("run", len(fit.runs), np.sqrt(run))]
    rows += [(words[term], levels[term], np.sqrt(v)) for term, v in fit.variances.items()]
    slope = np.mean([fit.estimates[fit.positions(h)[1]] for h in fit.hybrids])
    table = pd.DataFrame(rows, columns=["source", "levels", "sd_logit"])
    return table.assign(sd_c=table["sd_logit"] / slope)
