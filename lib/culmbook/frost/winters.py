"""What did the winters leave in the field, and did the freeze test see it coming?

Counts before and after each winter, hybrid by hybrid, with how severe the winter was. The unit is the
site's winter: all plots of a site share it, so few winters say little about severity, however many plants
were counted.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.frost.soil import FORMULA
from culmbook.mixed import BinomialFit, fit_binomial, marginal_share
from culmbook.season.weather import WINTER
from culmbook.stand.counts import PLOT_COLUMNS, plot_stand
from culmbook.text.numbers import fmt_count
from culmbook.trials.entries import is_used, without_guards

MIN_WINTERS = 3
"""Fewest site-winters with which severity is put into the model."""
FEW_WINTERS = 8
"""With fewer site-winters the page warns."""
MOST_PLOTS = 500
"""With more plots the plots' own term is left to the overdispersion: it takes most of the time."""


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
        One row per plot and winter: the plot's columns, planting_season, winter (growing season that it
        ends), label, before ('autumn', or 'early summer' of the year before where no autumn count was
        made), total (alive before), alive, is_first (the planting's first winter), is_provisional (no
        early-summer count after it). Original plants only; plots with hidden replants, set aside by status,
        or with nothing alive before are not in it.

    Notes
    -----
    A plant seen later was alive before, so a smaller earlier count is raised. From the second winter on
    only survivors of the winters before are at risk: a hybrid looks hardier once its tender plants are
    dead.
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
    columns = [
        *PLOT_COLUMNS,
        "planting_season",
        "winter",
        "label",
        "before",
        "total",
        "alive",
        "is_first",
        "is_provisional",
    ]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _one_winter(stand, previous, year):
    after = stand["original_summer"].where(stand["alive_summer"].notna(), stand["original_spring"])
    autumn = stand["original_autumn"]
    summer = (
        previous["original_summer"].reindex(stand.index)
        if previous is not None
        else autumn * np.nan
    )
    before = np.fmax(autumn.fillna(summer), after).where(autumn.notna() | summer.notna())
    rows = stand.assign(
        winter=year,
        label=WINTER.label(year),
        total=before,
        alive=after,
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
        From :func:`culmbook.frost.winter_minimum.winter_minima`.

    Returns
    -------
    pandas.DataFrame
        `cells` with minimum_c [°C], missing where the winter's record is incomplete, and where the soil was
        never read and the formula alone stands in: its minima are too cold by an amount that differs
        between sites.
    """
    known = minima.loc[minima["kind"].ne(FORMULA), ["site", "winter", "minimum_c"]]
    return cells.merge(known, on=["site", "winter"], how="left")


@dataclass(frozen=True)
class FieldFit:
    """Overwinter survival fitted.

    ``fit`` the binomial mixed model; ``cells`` what it used; ``winters`` one row per site-winter (site,
    winter, label, minimum_c, is_first share); ``severity`` per °C colder: log_odds, lower, upper,
    odds_ratio, p_value, df, or None with ``why_no_severity`` in words; ``terms`` the random terms kept.
    """

    fit: BinomialFit
    cells: pd.DataFrame
    winters: pd.DataFrame
    severity: dict | None
    why_no_severity: str | None
    terms: dict


TERMS = {
    "site_winter": "site × winter",
    "hybrid_site_winter": "hybrid × site × winter",
    "plot_key": "plot over its winters",
    "cell": "plot in one winter (overdispersion)",
}


def fit_field(cells, *, level=0.95):
    """Model overwinter survival by hybrid, with the winter's severity.

    Parameters
    ----------
    cells : pandas.DataFrame
        From :func:`add_severity`.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    FieldFit

    Raises
    ------
    ValueError
        No cell, fewer than two hybrids, or no plant lost at all (or none left).

    Notes
    -----
    logit P(alive) = hybrid + severity (°C colder than the mean winter) + first winter or later + site ×
    winter + hybrid × site × winter + plot + overdispersion, the last four random and kept where the counts
    can tell them apart. Severity is tested by t with site-winters less the fixed terms that vary between
    them as degrees of freedom. Winters without a minimum have a mean of their own: they say how hybrids
    differ and nothing about severity.
    """
    why = _why_no_severity(cells)
    cells = _with_keys(cells)
    if cells.empty or cells["hybrid"].nunique() < 2:
        raise ValueError(
            "Survival in the field is compared between two or more hybrids that were counted before and "
            "after a winter."
        )
    lost = int((cells["total"] - cells["alive"]).sum())
    if lost == 0 or cells["alive"].sum() == 0:
        which = "No plant" if lost == 0 else "Every plant"
        raise ValueError(
            f"{which} was lost in {_n(cells['site_winter'].nunique(), 'winter')}: "
            "hybrids cannot be told apart by it."
        )
    design, terms = _design(cells, why is None), _random_terms(cells)
    fit = fit_binomial(
        cells,
        alive="alive",
        total="total",
        fixed=design,
        random=list(terms),
        half_plant_in="hybrid",
    )
    winters = cells.groupby(["site", "winter", "label"], as_index=False).agg(
        minimum_c=("minimum_c", "first"),
        is_first=("is_first", "mean"),
        alive=("alive", "sum"),
        total=("total", "sum"),
    )
    severity = (
        None if why else _severity(fit, int(winters["minimum_c"].notna().sum()), design, level)
    )
    return FieldFit(fit, cells, winters, severity, why, terms)


def _why_no_severity(cells):
    known = cells.dropna(subset=["minimum_c"]).drop_duplicates(["site", "winter"])
    needed = MIN_WINTERS + cells["is_first"].nunique() - 1
    if len(known) < needed:
        return (
            f"{_n(len(known), 'site-winter')} with a known minimum and counts: at least {needed} are needed "
            "to relate survival to severity."
        )
    if np.ptp(known["minimum_c"]) == 0:
        return "All winters counted were equally cold, so survival cannot be related to severity."
    return None


def _n(count, what):
    return f"1 {what}" if count == 1 else f"{fmt_count(count) if count else 'No'} {what}s"


def _with_keys(cells):
    site_winter = cells["site"] + "/" + cells["winter"].astype(str)
    return cells.assign(
        site_winter=site_winter,
        hybrid_site_winter=cells["hybrid"] + "/" + site_winter,
        plot_key=cells["site"] + "/" + cells["plot"],
        cell=np.arange(len(cells)).astype(str),
    ).reset_index(drop=True)


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


def _random_terms(cells):
    """Terms that have two or more levels, some level with several rows, and no other term's partition."""
    kept, seen = {}, set()
    for term, words in TERMS.items():
        if term == "plot_key" and cells[term].nunique() > MOST_PLOTS:
            continue
        partition = tuple(pd.factorize(cells[term])[0])
        n_levels = cells[term].nunique()
        if n_levels > 1 and partition not in seen and (n_levels < len(cells) or term == "cell"):
            kept[term] = words
            seen.add(partition)
    return kept


def _severity(fit, n_winters, design, level):
    df = n_winters - 1 - sum(name in design for name in ("colder_c", "is_later"))
    value = float(fit.coefficients["colder_c"])
    se = float(np.sqrt(fit.covariance.loc["colder_c", "colder_c"]))
    critical = float(stats.t.ppf(0.5 + level / 2, df))
    return {
        "log_odds": value,
        "lower": value - critical * se,
        "upper": value + critical * se,
        "odds_ratio": float(np.exp(value)),
        "p_value": float(2 * stats.t.sf(abs(value) / se, df)),
        "df": df,
    }


def field_shares(field, *, level=0.95):
    """Overwinter survival of each hybrid, as if it had stood through all the winters counted.

    Parameters
    ----------
    field : FieldFit
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per hybrid, best first: hybrid, n_plots, n_winters (site-winters with counts), alive, total,
        share, lower, upper (0–1).

    Notes
    -----
    Marginal: averaged over site-winters, blocks and plots. The interval is Wald's on the logit with t and
    the site-winters' degrees of freedom, since the winters are shared by all hybrids and few; differences
    between hybrids are known better than the intervals look.
    """
    fit, cells = field.fit, field.cells
    counts = cells.groupby("hybrid").agg(
        n_plots=("plot_key", "nunique"),
        n_winters=("site_winter", "nunique"),
        alive=("alive", "sum"),
        total=("total", "sum"),
    )
    logit = fit.coefficients[counts.index].to_numpy()
    half = _critical(field, level) * np.sqrt(
        np.diag(fit.covariance.loc[counts.index, counts.index])
    )
    over = _deviations(field)
    share = [_averaged(logit + d, over, fit.spread) for d in (0, -half, half)]
    table = counts.assign(share=share[0], lower=share[1], upper=share[2])
    return table.reset_index().sort_values(
        ["share", "hybrid"], ascending=[False, True], ignore_index=True
    )


def _critical(field, level):
    return stats.t.ppf(0.5 + level / 2, max(len(field.winters) - 1, 1))


def _deviations(field):
    """Fixed part of every cell's logit beside its hybrid: what the shares are averaged over."""
    extra = [c for c in ("colder_c", "is_unknown", "is_later") if c in field.fit.design]
    return (
        np.unique(
            field.fit.design[extra].to_numpy()
            @ field.fit.coefficients[extra].to_numpy().reshape(-1)
        )
        if extra
        else np.zeros(1)
    )


def _averaged(logit, deviations, spread):
    return marginal_share(logit[:, None] + deviations, np.full((1, 1), spread)).mean(axis=1)


def field_draws(field, n=2000, seed=1):
    """Draws of the hybrids' mean logits, the winters shared, for ranks and correlations.

    Returns
    -------
    pandas.DataFrame
        One row per draw, one column per hybrid; normal, given the variances.
    """
    names = sorted(field.cells["hybrid"].unique())
    covariance = field.fit.covariance.loc[names, names].to_numpy()
    draws = np.random.default_rng(seed).multivariate_normal(
        field.fit.coefficients[names], covariance, size=n, method="cholesky"
    )
    return pd.DataFrame(draws, columns=names)


def observed_by_winter(cells):
    """Plants alive and at risk by hybrid and site-winter, with the observed share, for the figure.

    Returns
    -------
    pandas.DataFrame
        site, winter, label, minimum_c, hybrid, n_plots, alive, total, share (0–1).
    """
    table = cells.groupby(
        ["site", "winter", "label", "minimum_c", "hybrid"], as_index=False, dropna=False
    ).agg(n_plots=("plot", "size"), alive=("alive", "sum"), total=("total", "sum"))
    return table.assign(share=table["alive"] / table["total"])


def severity_line(field, n=60):
    """Survival of the mean hybrid along severity, for the figure: minimum_c [°C] and share (0–1).

    Raises
    ------
    ValueError
        With the reason, when the model has no severity.
    """
    if field.why_no_severity:
        raise ValueError(field.why_no_severity)
    known = field.winters["minimum_c"]
    grid = np.linspace(known.min(), known.max(), n)
    hybrids = sorted(field.cells["hybrid"].unique())
    logit = (
        field.fit.coefficients[hybrids].to_numpy()
        + (known.mean() - grid)[:, None] * field.fit.coefficients["colder_c"]
    )
    return pd.DataFrame(
        {
            "minimum_c": grid,
            "share": marginal_share(logit, np.full((1, 1), field.fit.spread)).mean(axis=1),
        }
    )


def field_words(field):
    """What limits the field's answer, in sentences.

    Parameters
    ----------
    field : FieldFit

    Returns
    -------
    list of str
    """
    n, cells = len(field.winters), field.cells
    alive, total = (fmt_count(cells[name].sum()) for name in ("alive", "total"))
    told = [
        f"{_n(cells['hybrid'].nunique(), 'hybrid')} in {_n(n, 'site-winter')}: {alive} of {total} plants "
        "came through (a plant counts in each of its winters)."
    ]
    if n < FEW_WINTERS:
        told.append("These are few winters: they say what happened, and little about colder ones.")
    unknown = int(field.winters["minimum_c"].isna().sum())
    if field.why_no_severity:
        told.append(field.why_no_severity)
    elif unknown:
        told.append(
            f"For {fmt_count(unknown)} of them the lowest temperature at rhizome depth is not known well "
            "enough: they tell hybrids apart and say nothing about severity."
        )
    if not cells["is_first"].all():
        told.append(
            "From the second winter on only plants that survived the ones before were at risk."
        )
    if cells["before"].eq("early summer").any():
        told.append(
            "Where no autumn count was made, the winter is counted from the early summer before it and holds "
            "that summer's losses too."
        )
    if cells["is_provisional"].any():
        told.append(
            "Some plots were last counted in spring: plants that show late still count as dead there, so "
            "this is provisional."
        )
    return told
