"""Sentences about frost: temperatures that kill half, winters survived, spring damage, the site's cold."""

import numpy as np
import pandas as pd

from culmbook.frost import late_frosts, winters
from culmbook.frost.spring_damage import SEVERE, used_scores
from culmbook.frost.winter_survival import MIN_FOR_WORST, SAFE
from culmbook.show import against
from culmbook.text.numbers import (
    fmt_count,
    fmt_date,
    fmt_interval,
    fmt_list,
    fmt_number,
    fmt_p,
    fmt_share,
)
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, n_of

FEW_WINTERS = 8
"""With fewer site-winters the survival of winters is said with a warning."""
MOST_ODDS = 100  # an odds ratio beyond it, or below its inverse, is printed as that
FEW = 0.01  # a chance below it is said as an upper bound


def share_words(share: float, low: float, high: float) -> str:
    """A share with its interval, which is left out where it prints like the share itself.

    Examples
    --------
    >>> share_words(0.87, 0.71, 0.93), share_words(0.999, 0.998, 0.9999)
    ('87 % (71 to 93 %)', '>99 %')
    """
    if fmt_share(low) == fmt_share(high) == fmt_share(share):
        return fmt_share(share)
    return f"{fmt_share(share)} ({fmt_interval(low, high)})"


def degrees_c(value: float, low: float = np.nan, high: float = np.nan) -> str:
    """A temperature, with its interval where that is bounded: '−3.5 °C, −3.8 to −3.2'."""
    limits = f", {_between(low, high)}" if np.isfinite([low, high]).all() else ""
    return f"{fmt_number(value, 1)} °C{limits}"


def _between(low, high, digits=1):
    return fmt_interval(low, high, digits, share=False)


# -- freeze tests --------------------------------------------------------------------------------


def tested(tests: pd.DataFrame) -> str:
    """How many hybrids were tested, in how many runs, and when."""
    days, n = tests["tested_on"].dropna(), tests["run"].nunique()
    when = f", tested from {fmt_date(days.min())} to {fmt_date(days.max())}" if len(days) else ""
    return f"{n_of(tests['hybrid'].nunique(), 'hybrid')} in {n_of(n, 'freezer run')}{when}."


def lethal(found: pd.DataFrame, control: str, level: float, *, together: bool = True) -> list[str]:
    """Which hybrids are hardier or tenderer than the control, the range of LT50, and who has none.

    Parameters
    ----------
    found : DataFrame
        ``set, hybrid, lt50_c, lt50_lower_c, lt50_upper_c, answer, difference_c, lower_c, upper_c`` from
        :func:`culmbook.frost.freeze_curves.lethal_temperatures` or
        :func:`culmbook.frost.leakage.leakage_temperatures` of every set.
    control : str
    level : float
    together : bool
        Whether the intervals of differences hold all at once.
    """
    sets = [(name, rows.set_index("hybrid")) for name, rows in found.groupby("set", sort=False)]
    told = [(name, _lethal_of(rows, control, level, together)) for name, rows in sets]
    return [f"{name}: {text}" if len(sets) > 1 else text for name, text in told]


def _lethal_of(rows, control, level, together):
    gaps = rows.dropna(subset="difference_c").sort_values("difference_c", ascending=False)
    gaps = gaps.rename(columns={"lower_c": "lower", "upper_c": "upper"}).reset_index()
    known, words = rows.dropna(subset="lt50_c").sort_values("lt50_c"), []
    if len(gaps):
        own = rows.loc[control, ["lt50_c", "lt50_lower_c", "lt50_upper_c"]]
        verbs = {"above": "proved tenderer", "below": "proved hardier"}
        value = f"LT50 {degrees_c(*own)}"
        words.append(
            against.words(gaps, control, value=value, level=level, together=together, **verbs)
        )
    if known.empty:
        return "No hybrid has an LT50: the temperatures tested do not hold it between them."
    ends = [f"{degrees_c(lt50)} ({name})" for name, lt50 in known["lt50_c"].iloc[[0, -1]].items()]
    words.append(f"LT50 ranged from {ends[0]} to {ends[1]}, in {n_of(len(known), 'hybrid')}.")
    without = [f"{name} ({answer})" for name, answer in rows["answer"].items() if answer]
    if without:
        words.append(f"Without an LT50: {fmt_list(without, most=3)}.")
    return " ".join(words)


def slopes(fit) -> str:
    """Common or own slopes of the freeze curves, in a sentence."""
    if not fit.slopes_test:
        return "Steepness was not compared: it needs two hybrids with an LT50."
    chi2, df, p = fit.slopes_test.values()
    tested = f"chi-squared {fmt_number(chi2, 1)} on {fmt_count(df)} df, {fmt_p(p)}"
    if fit.slopes == "own":
        return (
            f"Curves differ in steepness ({tested}), so every hybrid has a slope of its own: ranks at LT10 or"
            " LT90 need not be those at LT50."
        )
    return (
        f"Curves do not differ clearly in steepness ({tested}), so hybrids share one slope: differences at"
        " LT10 and LT90 are those at LT50."
    )


# -- winters -------------------------------------------------------------------------------------


def survival(shares: pd.DataFrame, fit, level: float) -> list[str]:
    """What came through the winters, and how much the cold mattered.

    Parameters
    ----------
    shares : DataFrame
        From :func:`culmbook.frost.winter_survival.winter_shares`.
    fit : WinterFit
    level : float
    """
    alive, total, sites = (
        shares["alive"].sum(),
        shares["total"].sum(),
        fit.winters["site"].nunique(),
    )
    worst, best = (
        f"{share_words(row.share, row.lower, row.upper)} for {row.hybrid}"
        for row in shares.iloc[[-1, 0]].itertuples()
    )
    at = f" of {sites} sites" if sites > 1 else ""
    came = f"{fmt_share(alive / total)} of {fmt_count(total)} plants at risk came through"
    words = [
        f"Over {n_of(len(fit.winters), 'winter')}{at}, {came}; as if each had stood through all of them,"
        f" hybrids ranged from {worst} to {best}."
    ]
    if fit.severity and fit.severity["p_value"] < 1 - level:
        words.append(severity(fit, level))
    return words


def severity(fit, level: float) -> str:
    """Survival against the winter's cold at rhizome depth, in a sentence."""
    found = fit.severity
    if not found:
        return fit.why_no_severity
    limits = _between(np.exp(found["lower"]), np.exp(found["upper"]), 2)
    size = (
        f"for every °C colder at rhizome depth the odds of surviving were"
        f" {fmt_number(found['odds_ratio'], 2)} times as high ({limits}, {fmt_count(found['df'])} df,"
        f" {fmt_p(found['p_value'])})"
    )
    if found["p_value"] < 1 - level:
        return f"{size[0].upper()}{size[1:]}."
    return f"These winters show no clear effect of the cold: {size}."


def limits_of_survival(fit) -> list[str]:
    """What limits the answer of :func:`survival`, in sentences."""
    cells, n = fit.cells, len(fit.winters)
    unknown = int(fit.winters["minimum_c"].isna().sum())
    told = {
        "These are few winters: they say what happened, and little about colder ones.": n
        < FEW_WINTERS,
        f"For {fmt_count(unknown)} of {n_of(n, 'site-winter')} the lowest temperature at rhizome depth is not"
        " known well enough: they compare hybrids and say nothing about severity.": unknown
        and fit.severity,
        "From the second winter on only plants that survived the ones before were at"
        " risk.": not cells["is_first"].all(),
        "Where no autumn count was made, the winter is counted from the early summer before it and holds that"
        " summer's losses too.": cells["before"].eq("early summer").any(),
        "Some plots were last counted in spring: plants that show late still count as dead there, so this is"
        " provisional.": cells["is_provisional"].any(),
    }
    return [text for text, is_so in told.items() if is_so]


def agreement(row: pd.Series) -> str:
    """Rank correlation of freeze test and winters (a row of ``rank_agreement``), in a sentence."""
    size = (
        f"Spearman's rank correlation {fmt_number(row['estimate'], 2)}"
        f" ({_between(row['lower'], row['upper'], 2)}, {n_of(row['n_hybrids'], 'hybrid')})"
    )
    if row["lower"] > 0:
        return f"The freeze test ranked hybrids in line with the field's winters: {size}."
    if row["upper"] < 0:
        return (
            f"The freeze test ranked hybrids against the field's winters: {size}. Look for exchanged labels,"
            " or a field where something else kills."
        )
    return f"It is not shown that the freeze test ranks hybrids as the field's winters did: {size}."


# -- spring damage -------------------------------------------------------------------------------


def frosts(scores: pd.DataFrame) -> str:
    """The frosts that scores were made after: 'the frost of 2025-05-14'."""
    days = scores.groupby("event")[["site", "frost_on", "scored_on"]].min()
    named = [
        f"{f'{r.site} ' if days['site'].nunique() > 1 else ''}"
        + (
            fmt_date(r.frost_on)
            if pd.notna(r.frost_on)
            else f"undated, scored {fmt_date(r.scored_on)}"
        )
        for r in days.itertuples()
    ]
    return f"the {is_are(len(named), 'frost', 'frosts')} of {fmt_list(named)}"


def scored(scores: pd.DataFrame) -> list[str]:
    """What was scored, by whom, after which frosts, and what was left out.

    Parameters
    ----------
    scores : DataFrame
        From :func:`culmbook.frost.spring_damage.damage_scores`.
    """
    rows, out = used_scores(scores), scores["why_left_out"].dropna().value_counts()
    told = [f"{n_of(int(n), 'score')} left out: {why}." for why, n in out.items()]
    if rows.empty:
        return ["No score can be used.", *told]
    sizes = rows.groupby(["site", "plot", "event"]).size()
    plots, again = len(rows[["site", "plot"]].drop_duplicates()), int(sizes.gt(1).sum())
    words = (
        f"{n_of(len(rows), 'score')} of {n_of(plots, 'plot')} by"
        f" {n_of(rows['observer'].nunique(), 'observer')}, after {frosts(rows)}"
    )
    return [
        f"{words}; {n_of(again, 'plot')} had more than one score." if again else f"{words}.",
        *told,
    ]


def odds(ratio: float) -> str:
    """An odds ratio with two figures; beyond a hundred, or below its inverse, only that.

    Examples
    --------
    >>> odds(17.1), odds(0.082), odds(2.04), odds(52000.0), odds(0.0002)
    ('17', '0.08', '2.0', '>100', '<0.01')
    """
    if ratio > MOST_ODDS:
        return f">{MOST_ODDS}"
    if ratio < 1 / MOST_ODDS:
        return f"<{1 / MOST_ODDS:g}"
    return fmt_number(ratio, 0 if ratio >= 10 else 1 if ratio >= 1 else 2)


def odds_between(frame: pd.DataFrame, low: str = "all_lower", high: str = "all_upper") -> list[str]:
    """Intervals of odds ratios, on one line each."""
    limits = zip(frame[low], frame[high], strict=True)
    return [None if pd.isna(a) else f"{odds(a)}\u00a0to\u00a0{odds(b)}" for a, b in limits]


def odds_sentence(contrasts: pd.DataFrame, control: str, level: float) -> str:
    """Which hybrids were more or less damaged than the control, by simultaneous intervals of the odds."""
    gaps = contrasts.dropna(subset="odds_ratio").sort_values("odds_ratio", ascending=False)
    gaps = gaps.assign(lower=np.log(gaps["all_lower"]), upper=np.log(gaps["all_upper"]))
    return against.words(gaps, control, above="suffered more", below="suffered less", level=level)


def damage(found: pd.DataFrame, control: str, level: float, after: str) -> list[str]:
    """Chance of severe damage of the control and the ends of the range, and the odds against the control.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.spring_damage.damage_by_hybrid`.
    control : str
    level : float
    after : str
        The frosts, from :func:`frosts`.
    """
    words, rows = [], found.dropna(subset="chance")
    if len(rows):
        picked = pd.concat([rows[rows["hybrid"].eq(control)], rows.iloc[[0, -1]]])
        told = [
            f"{share_words(r.chance, r.lower, r.upper)} for {_named(r.hybrid, control)}"
            for r in picked.drop_duplicates("hybrid").itertuples()
        ]
        words.append(
            f"After {after}, the chance that a plot was scored {SEVERE} or more was {fmt_list(told)}, in"
            f" {n_of(len(rows), 'hybrid')}."
        )
    if found["odds_ratio"].notna().any():
        words.append(odds_sentence(found, control, level))
    return words or [f"After {after}, no plot was scored {SEVERE} or more, or every plot was."]


def _named(hybrid, control):
    return f"the control {hybrid}" if hybrid == control else hybrid


# -- the site's cold -----------------------------------------------------------------------------


def minima(found: pd.DataFrame, weather: pd.DataFrame) -> list[str]:
    """What stands behind the winter minima of every site, and whether they drift, in sentences.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winters.site_winters`.
    weather : DataFrame
        Table ``weather``.
    """
    told = []
    for site, rows in found.groupby("site", sort=True):
        damping = winters.site_damping(
            weather[weather["site"].eq(site)], winters.lent_damping(weather)
        )
        told.append(f"{site}: {' '.join(_minima_of(rows, damping))}")
    return told


def _minima_of(rows, damping):
    known, out = rows[rows["reason"].isna()], rows[rows["reason"].notna()]
    told = [f"{n_of(len(known), 'winter')} on record can be used."]
    if len(out):
        named = fmt_list([f"{r.label} ({r.reason})" for r in out.itertuples()])
        told.append(
            f"Left out because days are missing, of which one may have been the coldest: {named}."
        )
    n = int(known["kind"].str.startswith("estimated").sum())
    if n:
        told.append(_estimate(n, len(known), damping))
    if known["kind"].eq(winters.DAMPED).any():
        told.append(
            "The soil was read at 5 cm; the temperature at rhizome depth is approximated from it."
        )
    if not winters.why_no_levels(known["minimum_c"]) and not winters.why_no_depth(rows):
        told.append(_drift(known))
    return told


def _estimate(n, of, damping):
    start = (
        f"In {fmt_count(n) if n < of else 'all'} of them the soil was not read (or not every day): its"
        " temperature is approximated from the air"
    )
    if damping.kind == winters.FORMULA:
        return (
            f"{start} by the damping of heat in even, bare, unfrozen ground. Snow and freezing water keep real"
            " ground warmer, so these minima are too cold by an unknown amount, often by several degrees."
        )
    where = "this site's own" if damping.kind == winters.OWN else "other sites'"
    return (
        f"{start}, fitted to {where} soil readings; a winter's minimum is uncertain by about"
        f" {degrees_c(damping.error_c)} (winters left out and predicted). Snow is not in it."
    )


def _drift(known):
    change, low, high, p = winters.trend(known["minimum_c"], known["winter"])
    size = f"{fmt_number(change, 1)} °C in ten years ({_between(low, high)}, {fmt_p(p)})"
    if p < 0.05:
        return (
            f"The minima changed over the record by {size}; return levels take the climate as steady, so they"
            " are off for the years to come."
        )
    return f"No clear drift of the minima over the record: {size}."


def levels(found: pd.DataFrame, known: pd.DataFrame) -> list[str]:
    """How cold one winter in ten gets at every site, coldest first, and the coldest winter on record.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winters.site_levels`.
    known : DataFrame
        From :func:`culmbook.frost.winters.known_minima`.
    """
    ten = found[found["period"].eq(10)].sort_values(["minimum_c", "site"])
    lent = ", soil estimated with readings of other sites, whose error is not in this"
    told = [
        f"{degrees_c(r.minimum_c)} at {r.site} ({_between(r.lower_c, r.upper_c)}"
        f"{lent if 'other sites' in r.how else ''})"
        for r in ten.itertuples()
    ]
    row = known.loc[known["minimum_c"].idxmin()]
    return [
        f"One winter in ten is expected to be colder at rhizome depth than {fmt_list(told, most=8)}.",
        f"The coldest of {n_of(len(known), 'winter')} on record was {row['label'].removeprefix('winter ')} at"
        f" {row['site']} with {degrees_c(row['minimum_c'])}.",
    ]


def expected(found: pd.DataFrame, control: str) -> list[str]:
    """Survival that freeze curves expect of the control and the range, at the site with most loss.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winter_survival.expected_by_site`.
    control : str
    """
    rows = found[found["site"].eq(found["site"].iloc[0])]
    n, site = int(rows["n_winters"].iloc[0]), rows["site"].iloc[0]
    column = "worst_in_ten" if n >= MIN_FOR_WORST else "expected"
    when = (
        "In a winter as cold as one in ten" if n >= MIN_FOR_WORST else "Averaged over its winters"
    )
    if found[["expected", "worst_in_ten"]].min(axis=None) >= SAFE:
        safe = f"{fmt_share(SAFE)} or more of every hybrid to survive"
        return [f"{when} the freeze curves expect {safe} at every site. It is no forecast."]
    rows = rows.sort_values([column, "hybrid"], ascending=[False, True])
    picked = pd.concat([rows[rows["hybrid"].eq(control)], rows.iloc[[0, -1]]]).drop_duplicates(
        "hybrid"
    )
    told = [
        f"{share_words(row[column], row[f'{column}_lower'], row[f'{column}_upper'])} of"
        f" {_named(row['hybrid'], control)}"
        for _, row in picked.iterrows()
    ]
    mean = [f"{fmt_share(r.expected)} of {r.hybrid}" for r in picked.itertuples()]
    where = f"at {site}{', the site with most loss,' if found['site'].nunique() > 1 else ''}"
    return [
        f"{when} {where} the freeze curves expect {fmt_list(told)} to survive.",
        f"Averaged over the {n_of(n, 'winter')} on record: {fmt_list(mean)}. This compares hybrids and sites"
        " and is no forecast.",
    ]


def chance_colder(known: pd.DataFrame, lethal: pd.DataFrame, control: str, level: float) -> str:
    """The chance that a winter of a site is colder than the control's LT50, in a sentence.

    Parameters
    ----------
    known : DataFrame
        Winters of one site, from :func:`culmbook.frost.winters.known_minima`.
    lethal : DataFrame
        ``hybrid, lt50_c`` of one set.
    control : str
    level : float

    Raises
    ------
    Refusal
        The control has no LT50, or the winters are too few.
    """
    lt50 = lethal.loc[lethal["hybrid"].eq(control), "lt50_c"].dropna()
    if lt50.empty:
        raise Refusal("The control has no LT50 to compare winters with.")
    share, low, high = winters.chance_colder(known["minimum_c"], lt50.iloc[0], level=level)
    size = share_words(share, low, high) if share >= FEW else f"under {fmt_share(max(high, FEW))}"
    return (
        f"The chance that a winter at {known['site'].iloc[0]} is colder than the LT50 of the control"
        f" {control} ({degrees_c(lt50.iloc[0])}) is {size} a year."
    )


def springs(latest: pd.DataFrame, damaging_c: float, level: float) -> list[str]:
    """What stands behind the springs of every site, and how late frosts come, in sentences.

    Parameters
    ----------
    latest : DataFrame
        From :func:`culmbook.frost.late_frosts.latest_frosts`.
    damaging_c : float
    level : float
    """
    told = []
    for site, rows in latest.groupby("site", sort=True):
        known, unknown = rows[rows["is_known"]], rows[~rows["is_known"]]
        n, with_frost = len(known), int(known["latest_day"].notna().sum())
        some = fmt_count(with_frost) if with_frost else "none"
        opens = late_frosts.day_name(rows["first_day"].iloc[0])
        words = f"{site}: {some} of {n_of(n, 'spring')} on record had a frost below {_below(damaging_c)}"
        told.append(f"{words} after {opens}.")
        if len(unknown):
            named = fmt_list(
                [f"{r.year} ({n_of(r.n_missing, 'day')})" for r in unknown.itertuples()]
            )
            told.append(f"Left out, because days after the last frost found are missing: {named}.")
        try:
            told.append(_one_in_ten(late_frosts.latest_levels(known, (10,), level=level).iloc[0]))
        except Refusal as why:
            told.append(str(why))
    return told


def _below(value):
    return f"{value:g} °C".replace("-", "−")


def _one_in_ten(row):
    low, day, high = (
        late_frosts.day_name(row[name]) if pd.notna(row[name]) else ""
        for name in ("lower", "day", "upper")
    )
    between = f" ({low or 'before the window'} to {high})" if high else ""
    when = f"after {day}" if day else "before the window looked at"
    return f"In one spring in ten the last damaging frost is expected {when}{between}."


def late_frost_chances(chances: pd.DataFrame, control: str, damaging_c: float) -> str:
    """How often a damaging frost finds shoots: of the control and the range, or of every site.

    Parameters
    ----------
    chances : DataFrame
        From :func:`culmbook.frost.late_frosts.frost_after`.
    control : str
    damaging_c : float
    """
    frost, n = f"a frost below {_below(damaging_c)}", fmt_count(chances["n_years"].max())
    if chances["n_after"].eq(0).all():
        return f"In none of {n} springs did {frost} come after the mean emergence of any hybrid."
    if chances["site"].nunique() > 1:
        ends = chances.groupby("site")["chance"].agg(["min", "max"])
        ends = ends.sort_values("max", ascending=False, kind="stable")
        told = [
            f"{site} {fmt_share(high) if low == high else fmt_interval(low, high)}"
            for site, low, high in ends.itertuples()
        ]
        return (
            f"Chance per year that {frost} finds shoots, from the latest hybrid to the earliest:"
            f" {fmt_list(told, most=8)}."
        )
    rows = chances.sort_values(["day", "hybrid"])
    picked = pd.concat([rows.iloc[[0, -1]], rows[rows["hybrid"].eq(control)]]).drop_duplicates(
        "hybrid"
    )
    told = [
        f"{_named(r.hybrid, control)} (up on {late_frosts.day_name(r.day)}) in {fmt_count(r.n_after)}"
        f" ({share_words(r.chance, r.lower, r.upper)})"
        for r in picked.itertuples()
    ]
    return f"{frost[0].upper()}{frost[1:]} came after emergence of {fmt_list(told)} of {n} springs."
