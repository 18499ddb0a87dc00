"""What winters left in the field, what freeze curves expect of them, and whether the two rank
hybrids alike.

Counts before and after each winter, hybrid by hybrid, with how severe the winter was. The unit is
the site's winter: all plots of a site share it, so few winters say little about severity, however
many plants were counted. Survival expected puts every winter's minimum at rhizome depth into the
hybrid's freeze curve. It is a calculation, not an observation: a freezer run cools pieces of
rhizome for hours after a set hardening, while the field does it for days, to plants hardened by
their own autumn, under residue and snow. It ranks hybrids and sites; it does not forecast plants.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit

from culmbook.frost.winters import FORMULA, how_known, known_minima
from culmbook.mixed import BinomialFit, marginal_share
from culmbook.season.weather import WINTER
from culmbook.stand.counts import PLOT_COLUMNS, plot_stand
from culmbook.stand.model import refuse_implausible, settled
from culmbook.text.numbers import fmt_count
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of
from culmbook.trials.entries import is_used, without_guards
from culmbook.trials.layout import degrees_left, random_terms

# Fewest hybrids for a rank correlation.
MIN_HYBRIDS = 5
# Fewest winters with which the worst in ten is given.
MIN_FOR_WORST = 10
# Where this much of every hybrid is expected to live nothing is drawn.
SAFE = 0.98
# Fewest site-winters with which severity is put into the model.
MIN_WINTERS = 3
# With more plots the plots' own term is left to the overdispersion: it takes most of the time.
MOST_PLOTS = 500


def winters_survived(plots, counts, hybrids, season):
    """Plants alive before and after every winter of each plot, up to a season's.

    Parameters
    ----------
    plots, counts, hybrids : pandas.DataFrame
        Tables ``plots``, ``stand_counts`` with ``growing_season``, and ``hybrids``.
    season : int
        Last growing season whose winter counts.

    Returns
    -------
    pandas.DataFrame
        One row per plot and winter: the plot's columns, planting_season, winter (growing season
        that it ends), label, before ('autumn', or 'early summer' of the year before where no autumn
        count was made), total (alive before), alive, is_first (the planting's first winter),
        is_provisional (no early-summer count after it). Original plants only; plots with hidden
        replants, set aside by status, or with nothing alive before are not in it.

    Notes
    -----
    A plant seen later was alive before, so a smaller earlier count is raised. From the second
    winter on only survivors of the winters before are at risk: a hybrid looks hardier once its
    tender plants are dead.

    Raises
    ------
    Refusal
        No plot was counted before and after a winter.
    """
    first = pd.to_datetime(plots["planted_on"]).dt.year.min()
    first = season if pd.isna(first) else int(first)
    parts, previous = [], None
    for year in range(first, season + 1):
        stand = plot_stand(plots, counts, year)
        stand = without_guards(stand[is_used(stand)], hybrids).set_index(["site", "plot"])
        if len(stand):
            parts.append(_one_winter(stand, previous, year))
        previous = stand
    found = [rows for rows in parts if len(rows)]
    if not found:
        raise Refusal("No plot was counted before and after a winter: its survival is not known.")
    columns = "planting_season winter label before total alive is_first is_provisional".split()
    return pd.concat(found, ignore_index=True)[[*PLOT_COLUMNS, *columns]]


def _one_winter(stand, previous, year):
    after = stand["original_summer"].where(stand["alive_summer"].notna(), stand["original_spring"])
    autumn = stand["original_autumn"]
    summer = autumn * np.nan
    if previous is not None:
        summer = previous["original_summer"].reindex(stand.index)
    before = np.fmax(autumn.fillna(summer), after).where(autumn.notna() | summer.notna())
    rows = stand.assign(winter=year, label=WINTER.label(year), total=before, alive=after)
    rows = rows.assign(
        is_first=stand["planting_season"].eq(year),
        before=np.where(autumn.notna(), "autumn", "early summer"),
        is_provisional=stand["alive_summer"].isna(),
    )
    rows = rows[before.gt(0) & after.notna()]
    return rows.astype({"total": int, "alive": int}).reset_index()


def add_severity(cells, minima):
    """Give each plot's winter its lowest temperature at rhizome depth.

    Parameters
    ----------
    cells : pandas.DataFrame
        From :func:`winters_survived`.
    minima : pandas.DataFrame
        From :func:`culmbook.frost.winters.winter_minima`.

    Returns
    -------
    pandas.DataFrame
        `cells` with minimum_c [°C], missing where the winter's record is incomplete, and where the
        soil was never read and the formula alone stands in: its minima are too cold by an amount
        that differs between sites.
    """
    known = minima.loc[minima["kind"].ne(FORMULA), ["site", "winter", "minimum_c"]]
    return cells.merge(known, on=["site", "winter"], how="left")


@dataclass(frozen=True)
class WinterFit:
    """Overwinter survival fitted.

    ``fit`` the binomial mixed model; ``cells`` what it used; ``winters`` one row per site-winter
    (site, winter, label, minimum_c, is_first share, alive, total); ``severity`` per °C colder:
    log_odds, lower, upper, odds_ratio, p_value, df, or None with ``why_no_severity`` in words;
    ``terms`` the random terms kept; ``df`` degrees of freedom that the first of them leaves.
    """

    fit: BinomialFit
    cells: pd.DataFrame
    winters: pd.DataFrame
    severity: dict | None
    why_no_severity: str | None
    terms: list
    df: int


# Random terms: winter of a site, hybrid in it, plot over its winters, plot in one winter
# (overdispersion).
TERMS = ("site_winter", "hybrid_site_winter", "plot_key", "cell")


def fit_winters(cells, *, random=TERMS, level=0.95):
    """Model overwinter survival by hybrid, with the winter's severity.

    Parameters
    ----------
    cells : pandas.DataFrame
        From :func:`add_severity`.
    random : sequence of str
        Random terms wanted, of :data:`TERMS`.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    WinterFit

    Raises
    ------
    Refusal
        No cell, fewer than two hybrids, no plant lost at all (or none left), or no estimate.

    Notes
    -----
    logit P(alive) = hybrid + severity (°C colder than the mean winter) + first winter or later +
    site × winter + hybrid × site × winter + plot + overdispersion, the last four random and kept
    where the fixed effects leave something to tell them by: with one planting and two winters
    "first or later" is the difference of the winters, and the shares are those of these winters
    only. Severity is tested by t with site-winters less the fixed terms that vary between them as
    degrees of freedom. Winters without a minimum have a mean of their own: they say how hybrids
    differ and nothing about severity.
    """
    why, site_winter = _why_no_severity(cells), cells["site"] + "/" + cells["winter"].astype(str)
    cells = cells.assign(
        site_winter=site_winter,
        hybrid_site_winter=cells["hybrid"] + "/" + site_winter,
        plot_key=cells["site"] + "/" + cells["plot"],
        cell=np.arange(len(cells)).astype(str),
    ).reset_index(drop=True)
    if cells["hybrid"].nunique() < 2:
        raise Refusal(
            "Survival of winters is compared between two or more hybrids: one was counted."
        )
    lost, alive = (cells["total"] - cells["alive"]).sum(), cells["alive"].sum()
    if lost == 0 or alive == 0:
        which, n = "No" if lost == 0 else "Every", cells["site_winter"].nunique()
        lost_in = f"{which} plant was lost in {n_of(n, 'winter')}"
        raise Refusal(f"{lost_in}: hybrids do not differ in it.")
    many = cells["plot_key"].nunique() > MOST_PLOTS
    wanted = [term for term in random if term != "plot_key" or not many]
    design = _design(cells, why is None)
    terms = list(random_terms(cells, wanted, fixed=design))
    fit = settled("Survival of winters", cells, design, terms)
    told = {"minimum_c": "first", "is_first": "mean", "alive": "sum", "total": "sum"}
    winters = cells.groupby(["site", "winter", "label"]).agg(told).reset_index()
    n_known = int(winters["minimum_c"].notna().sum())
    severity = None if why else _severity(fit, n_known, design, level)
    df = degrees_left(cells[terms[0]], design) if terms else fit.residual_df
    return WinterFit(fit, cells, winters, severity, why, terms, df)


def _why_no_severity(cells):
    known = cells.dropna(subset=["minimum_c"]).drop_duplicates(["site", "winter"])
    needed = MIN_WINTERS + cells["is_first"].nunique() - 1
    if len(known) < needed:
        n = n_of(len(known), "site-winter")
        return f"{n} with a known minimum: at least {needed} are needed to relate survival to severity."
    if np.ptp(known["minimum_c"]) == 0:
        return "All winters counted were equally cold, so survival cannot be related to severity."
    return None


def _design(cells, has_severity):
    """One column per hybrid; the others are centred, so that a hybrid's column is its mean logit."""
    design = pd.get_dummies(cells["hybrid"], dtype=float)
    winters = cells.drop_duplicates("site_winter")
    if has_severity:
        design["colder_c"] = (winters["minimum_c"].mean() - cells["minimum_c"]).fillna(0.0)
        unknown = cells["minimum_c"].isna().astype(float)
        if unknown.any():
            design["is_unknown"] = unknown - unknown.mean()
    if cells["is_first"].nunique() > 1:
        design["is_later"] = (~cells["is_first"]).astype(float) - (~cells["is_first"]).mean()
    return design


def _severity(fit, n_winters, design, level):
    df = n_winters - 1 - sum(name in design for name in ("colder_c", "is_later"))
    value = float(fit.coefficients["colder_c"])
    se = float(np.sqrt(fit.covariance.loc["colder_c", "colder_c"]))
    critical = float(stats.t.ppf(0.5 + level / 2, df))
    lower, upper = value - critical * se, value + critical * se
    p = float(2 * stats.t.sf(abs(value) / se, df))
    found = {"log_odds": value, "lower": lower, "upper": upper, "odds_ratio": float(np.exp(value))}
    return found | {"p_value": p, "df": df}


def winter_shares(field, *, level=0.95):
    """Overwinter survival of each hybrid, as if it had stood through all the winters counted.

    Parameters
    ----------
    field : WinterFit
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, best first: hybrid, n_plots, n_winters (site-winters with counts),
        alive, total, share, lower, upper (0–1).

    Raises
    ------
    Refusal
        The model's shares are none that the counts could give.

    Notes
    -----
    Marginal: averaged over site-winters, blocks and plots. The interval is Wald's on the logit with
    t and the degrees of freedom of the coarsest random term, which are the site-winters less the
    fixed effects that vary between them: winters are shared by all hybrids and few, so differences
    between hybrids are known better than the intervals look.
    """
    fit, cells = field.fit, field.cells
    counts = cells.groupby("hybrid")[["plot_key", "site_winter"]].nunique()
    counts.columns = ["n_plots", "n_winters"]
    counts = counts.join(cells.groupby("hybrid")[["alive", "total"]].sum())
    logit = fit.coefficients[counts.index].to_numpy()
    critical = stats.t.ppf(0.5 + level / 2, field.df)
    half = critical * np.sqrt(np.diag(fit.covariance.loc[counts.index, counts.index]))
    extra = [name for name in ("colder_c", "is_unknown", "is_later") if name in fit.design]
    over = np.unique(fit.design[extra].to_numpy() @ fit.coefficients[extra].to_numpy().reshape(-1))
    for name, d in (("share", 0), ("lower", -half), ("upper", half)):
        at = (logit + d)[:, None] + over
        counts[name] = marginal_share(at, np.full((1, 1), fit.spread)).mean(axis=1)
    refuse_implausible(counts["share"], cells, "site_winter")
    table = counts.reset_index()
    return table.sort_values(["share", "hybrid"], ascending=[False, True], ignore_index=True)


def observed_by_winter(cells):
    """Survival by hybrid and site-winter, to draw against severity.

    Parameters
    ----------
    cells : pandas.DataFrame
        From :func:`add_severity`.

    Returns
    -------
    pandas.DataFrame
        site, winter, label, minimum_c [°C], hybrid, n_plots, alive, total, share (0–1).

    Raises
    ------
    Refusal
        Fewer than two different minima at rhizome depth are known.
    """
    if cells["minimum_c"].nunique() < 2:
        raise Refusal(
            "Survival is not drawn against cold: fewer than two winters have a known minimum."
        )
    keys = ["site", "winter", "label", "minimum_c", "hybrid"]
    grouped = cells.groupby(keys, dropna=False)
    table = grouped[["alive", "total"]].sum()
    table.insert(0, "n_plots", grouped.size())
    table = table.reset_index()
    return table.assign(share=table["alive"] / table["total"])


def severity_line(field, n=60):
    """Survival of the mean hybrid along severity, for the figure: minimum_c [°C] and share (0–1).

    Empty where the model has no severity.
    """
    if field.why_no_severity:
        return pd.DataFrame(columns=["minimum_c", "share"])
    known = field.winters["minimum_c"]
    grid = np.linspace(known.min(), known.max(), n)
    hybrids = sorted(field.cells["hybrid"].unique())
    colder = (known.mean() - grid)[:, None] * field.fit.coefficients["colder_c"]
    logit = field.fit.coefficients[hybrids].to_numpy() + colder
    share = marginal_share(logit, np.full((1, 1), field.fit.spread)).mean(axis=1)
    return pd.DataFrame({"minimum_c": grid, "share": share})


# -- freeze test beside winters ------------------------------------------------------------------


def rank_agreement(both, *, level=0.95):
    """Does the freeze test order hybrids as the field does?

    Parameters
    ----------
    both : pandas.DataFrame
        Hybrids known in both: hybrid, lt50_c [°C], share (0–1) of :func:`winter_shares`.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        Two rows, 'Spearman' and 'Kendall': coefficient, estimate (positive: hardier in the test,
        better in the field), lower, upper, n_hybrids, p_value.

    Raises
    ------
    Refusal
        Fewer than 5 hybrids in both, or all alike on one side.

    Notes
    -----
    Interval by Fisher's z with the number of hybrids: variance (1 + r²/2)/(n - 3) for Spearman,
    0.437/(n - 4) for Kendall. It is about estimates, whose errors on both sides are part of the
    scatter it measures; the errors make the coefficient smaller than that of the true values.

    References
    ----------
    Bonett, D. & Wright, T. 2000, Psychometrika 65: 23–28; Fieller, E., Hartley, H. & Pearson, E.
    1957, Biometrika 44: 470–481.
    """
    n = len(both)
    if n < MIN_HYBRIDS:
        there = f"{fmt_count(n) if n else 'none'} known in both"
        raise Refusal(f"A rank correlation needs {MIN_HYBRIDS} hybrids; here are {there}.")
    if both["lt50_c"].nunique() == 1 or both["share"].nunique() == 1:
        raise Refusal("All hybrids are alike in the freeze test or in the field: nothing to rank.")
    rows = []
    for name, test, variance, swap in (
        ("Spearman", stats.spearmanr, lambda r: (1 + r**2 / 2) / (n - 3), 12 / (n**3 - n)),
        ("Kendall", stats.kendalltau, lambda r: 0.437 / (n - 4), 4 / (n**2 - n)),
    ):
        r, p_value = test(-both["lt50_c"], both["share"])
        rows.append((name, r, *_fisher(r, variance, 1 - swap, level), n, p_value))
    columns = ["coefficient", "estimate", "lower", "upper", "n_hybrids", "p_value"]
    return pd.DataFrame(rows, columns=columns)


def _fisher(r, variance, next_to_one, level):
    """Limits; where all ranks agree z is infinite: the limit towards zero is then that of one
    swap.
    """
    inner = np.clip(r, -next_to_one, next_to_one)
    half = stats.norm.ppf(0.5 + level / 2) * np.sqrt(variance(inner))
    low, high = np.tanh(np.arctanh(inner) + np.array([-half, half]))
    return (-1.0 if r <= -1 + 1e-12 else low), (1.0 if r >= 1 - 1e-12 else high)


# -- survival expected ----------------------------------------------------------------------------


def expected_survival(minima, draws, *, level=0.95, seed=1):
    """Survival that a freeze curve expects over the winters on record.

    Parameters
    ----------
    minima : array_like
        Lowest temperature at rhizome depth of every complete winter [°C], none missing; one site.
    draws : pandas.DataFrame
        Joint draws of the curves: hybrid, draw, lt50_c [°C], slope [1/°C], above 0.
    level : float
        Level of the intervals, 0–1.
    seed : int
        For the winters drawn again.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, hardiest first: hybrid, expected (mean over the winters), worst_in_ten
        (survival that one winter in ten falls below; missing under 10 winters), below_lt50 (share
        of winters colder than LT50), each with ``_lower`` and ``_upper``; climate_lower,
        climate_upper (of `expected`, the winters also taken as a sample of the site's climate);
        n_winters. Shares 0–1.

    Raises
    ------
    ValueError
        No winter, a missing minimum, a missing draw, or a slope not above 0.

    Notes
    -----
    P(alive | T) = 1/(1 + exp(-slope (T - LT50))), the freezer's natural death taken out. A point
    estimate is the mean over draws, an interval their quantiles: it holds what is uncertain of the
    curve, and nothing of freezer against field. For the climate the winters are weighted anew in
    each draw (Bayesian bootstrap).

    References
    ----------
    Rubin, D. B. 1981, Annals of Statistics 9: 130–134, for the weights.

    Examples
    --------
    >>> curve = pd.DataFrame({"hybrid": "A", "draw": [0, 1], "lt50_c": [-4.0, -4.0], "slope": 2.0})
    >>> float(expected_survival([-4.0, -4.0], curve)["expected"].iloc[0])
    0.5
    """
    minima = np.asarray(minima, dtype=float)
    if len(minima) == 0 or np.isnan(minima).any():
        raise ValueError("minima: give one or more winters, none missing")
    known = draws[["lt50_c", "slope"]]
    if draws.empty or known.isna().any(axis=None) or not (draws["slope"] > 0).all():
        raise ValueError("draws: every one needs lt50_c and a slope above 0")
    most = int(draws.groupby("hybrid").size().max())
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(minima)), size=most)
    curves = draws.groupby("hybrid", sort=True)
    rows = [{"hybrid": h, **_of_hybrid(minima, curve, weights, level)} for h, curve in curves]
    table = pd.DataFrame(rows).assign(n_winters=len(minima))
    return table.sort_values(["expected", "hybrid"], ascending=[False, True], ignore_index=True)


def _of_hybrid(minima, curve, weights, level):
    lt50, slope = (curve[name].to_numpy(float)[:, None] for name in ("lt50_c", "slope"))
    survival = expit(slope * (minima - lt50))
    expected = survival.mean(axis=1)
    cold = np.quantile(minima, 0.1) if len(minima) >= MIN_FOR_WORST else np.nan
    quantities = {
        "expected": expected,
        "worst_in_ten": expit(slope[:, 0] * (cold - lt50[:, 0])),
        "below_lt50": (minima < lt50).mean(axis=1),
    }
    tails = [(1 - level) / 2, (1 + level) / 2]
    out = {}
    for name, values in quantities.items():
        low, high = np.quantile(values, tails)
        out |= {name: values.mean(), f"{name}_lower": low, f"{name}_upper": high}
    climate = np.quantile((survival * weights[: len(survival)]).sum(axis=1), tails)
    return out | {"climate_lower": climate[0], "climate_upper": climate[1]}


def expected_by_site(minima, draws, *, level=0.95):
    """Survival that freeze curves expect over every site's winters on record.

    Parameters
    ----------
    minima : pandas.DataFrame
        From :func:`culmbook.frost.winters.site_winters`.
    draws : pandas.DataFrame
        As for :func:`expected_survival`.
    level : float
        Level of the intervals, 0–1.

    Returns
    -------
    pandas.DataFrame
        site, how (how the minima are known, in words), cold_c (minimum of a winter as cold as one in
        ten, or of the coldest of fewer than ten) [°C], the columns of :func:`expected_survival`;
        site with most loss first.

    Raises
    ------
    Refusal
        No winter's minimum is known at rhizome depth, or no hybrid has a curve.
    """
    if draws.empty:
        raise Refusal("No hybrid has a freeze curve, so no survival is expected from past winters.")
    parts = []
    for site, rows in known_minima(minima).groupby("site", sort=True):
        found = expected_survival(rows["minimum_c"], draws, level=level)
        tenth = 0.1 if len(rows) >= MIN_FOR_WORST else 0
        cold = np.quantile(rows["minimum_c"], tenth)
        parts.append(found.assign(site=site, how=how_known(rows), cold_c=cold))
    parts = sorted(parts, key=lambda rows: rows["expected"].mean())
    return pd.concat(parts, ignore_index=True)


def with_loss(expected):
    """Sites where more than next to nothing of some hybrid is expected to die, to draw.

    Parameters
    ----------
    expected : pandas.DataFrame
        From :func:`expected_by_site`.

    Returns
    -------
    pandas.DataFrame
        Its rows of these sites with share, lower, upper: in the worst of ten winters, or over the
        winters on record where they are fewer than ten.

    Raises
    ------
    Refusal
        There is none: no figure is needed.
    """
    least = expected[["expected", "worst_in_ten"]].min(axis=1).groupby(expected["site"]).min()
    found = expected[expected["site"].map(least) < SAFE]
    if found.empty:
        raise Refusal("Next to nothing is expected to die at any site, so nothing is drawn.")
    ends = {"share": "", "lower": "_lower", "upper": "_upper"}
    shown = {k: found[f"worst_in_ten{e}"].fillna(found[f"expected{e}"]) for k, e in ends.items()}
    return found.assign(**shown)
