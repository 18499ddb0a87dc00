"""Sentences about frost: temperatures that kill half, winters survived, spring damage, the site's
cold.
"""

import numpy as np
import pandas as pd

from culmbook.frost import late_frosts, winters
from culmbook.frost.spring_damage import SEVERE, used_scores
from culmbook.frost.winter_survival import MIN_FOR_WORST, SAFE
from culmbook.show import against
from culmbook.text import numbers
from culmbook.text.numbers import fmt_count, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, n_of

WIDEST_C = 5.0  # a wider interval of a temperature says nothing to a reader
NEAR_C = 0.5  # winters that differ by less are as cold as each other
FEW_WINTERS = 8  # with fewer site-winters survival is said with a warning
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
    return f"{fmt_share(share)} ({numbers.fmt_interval(low, high)})"


def degrees_c(value: float, low: float = np.nan, high: float = np.nan) -> str:
    """A temperature, with its interval where that is bounded and tells something.

    Examples
    --------
    >>> degrees_c(-3.5, -3.8, -3.2), degrees_c(-7.4, -28.7, 13.9)
    ('−3.5 °C, −3.8 to −3.2', '−7.4 °C, known no closer than 5 °C either way')
    """
    said = f"{fmt_number(value, 1)} °C"
    if max(high - value, value - low) > WIDEST_C:
        return f"{said}, known no closer than {WIDEST_C:g} °C either way"
    return said if np.isnan([low, high]).any() else f"{said}, {_between(low, high)}"


def _between(low, high, digits=1):
    return numbers.fmt_interval(low, high, digits, share=False)


def _named(hybrid, control):
    return f"the control {hybrid}" if hybrid == control else hybrid


def _control_and_ends(rows, control):
    """The control's row, and the first and the last one."""
    picked = pd.concat([rows[rows["hybrid"].eq(control)], rows.iloc[[0, -1]]])
    return list(picked.drop_duplicates("hybrid").itertuples())


# -- freeze tests --------------------------------------------------------------------------------


def tested(tests: pd.DataFrame) -> str:
    """How many hybrids were tested, in how many runs, and when."""
    days, n = tests["tested_on"].dropna().map(numbers.fmt_date), tests["run"].nunique()
    when = f", tested from {days.min()} to {days.max()}" if len(days) else ""
    return f"{n_of(tests['hybrid'].nunique(), 'hybrid')} in {n_of(n, 'freezer run')}{when}."


def lethal(found: pd.DataFrame, control: str, level: float, *, together: bool = True) -> list[str]:
    """Which hybrids are hardier or tenderer than the control, the range of LT50, and who has none.

    Parameters
    ----------
    found : DataFrame
        ``set, hybrid, lt50_c, lt50_lower_c, lt50_upper_c, answer, difference_c, lower_c, upper_c``
        from :func:`culmbook.frost.freeze_curves.lethal_temperatures` or
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
    if known.empty:
        return "No hybrid has an LT50: the temperatures tested do not hold it between them."
    if len(gaps):
        own = rows.loc[control, ["lt50_c", "lt50_lower_c", "lt50_upper_c"]]
        given = {"above": "proved tenderer", "below": "proved hardier", "level": level}
        given |= {"value": f"LT50 {degrees_c(*own)}", "together": together}
        words.append(against.words(gaps, control, **given))
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
    tested = f"(chi-squared {fmt_number(chi2, 1)} on {fmt_count(df)} df, {fmt_p(p)})"
    if fit.slopes == "own":
        return (
            f"Curves differ in steepness {tested}: ranks at LT10 or LT90 need not be those at LT50."
        )
    return f"Hybrids share one slope {tested}: they get their own below a p of 0.01."


# -- winters -------------------------------------------------------------------------------------


def survival(shares: pd.DataFrame, fit, level: float) -> list[str]:
    """What came through the winters, at which site least, and how much the cold mattered if clear.

    Parameters
    ----------
    shares : DataFrame
        From :func:`culmbook.frost.winter_survival.winter_shares`.
    fit : WinterFit
    level : float
    """
    (alive, total), sites = shares[["alive", "total"]].sum(), fit.winters["site"].nunique()
    low, high = (
        f"{share_words(row.share, row.lower, row.upper)} for {row.hybrid}"
        for row in shares.iloc[[-1, 0]].itertuples()
    )
    over = f"{n_of(len(fit.winters), 'winter')}{f' of {sites} sites' if sites > 1 else ''}"
    words = [
        f"Over {over}, {fmt_share(alive / total)} of {fmt_count(total)} plants at risk came through; as if"
        f" each had stood through all of them, hybrids ranged from {low} to {high}."
    ]
    if sites > 1:
        words.append(_by_site(fit.winters))
    return [*words, severity(fit, level)] if _is_clear(fit, level) else words


def _is_clear(fit, level):
    return bool(fit.severity) and fit.severity["p_value"] < 1 - level


def _by_site(winters):
    """The sites with least and most survival, with the coldest winter counted at each."""
    sites = winters.groupby("site").agg({"alive": "sum", "total": "sum", "minimum_c": "min"})
    sites = sites.assign(share=sites["alive"] / sites["total"]).sort_values("share").iloc[[0, -1]]
    told = [
        f"{fmt_share(r.share)} at {r.Index}"
        + ("" if pd.isna(r.minimum_c) else f" (winters down to {degrees_c(r.minimum_c)})")
        for r in sites.itertuples()
    ]
    return f"Sites ranged from {told[0]} to {told[1]}."


def severity(fit, level: float) -> str:
    """Survival against the winter's cold at rhizome depth, in a sentence."""
    if not fit.severity:
        return fit.why_no_severity
    ratio, df, p = (fit.severity[name] for name in ("odds_ratio", "df", "p_value"))
    limits = _between(*np.exp([fit.severity["lower"], fit.severity["upper"]]), 2)
    size = f"{fmt_number(ratio, 2)} times as high ({limits}, {fmt_count(df)} df, {fmt_p(p)})."
    cold = "or every °C colder at rhizome depth the odds of surviving were"
    start = (
        "F"
        if _is_clear(fit, level)
        else "These winters do not settle how much the cold mattered: f"
    )
    return f"{start}{cold} {size}"


def limits_of_survival(fit, level: float) -> list[str]:
    """What :func:`survival` leaves open, in sentences: a severity that is not clear, and its limits."""
    cells, unknown = fit.cells, fit.severity and int(fit.winters["minimum_c"].isna().sum())
    told = [] if _is_clear(fit, level) else [severity(fit, level)]
    if len(fit.winters) < FEW_WINTERS:
        told.append("These are few winters: they say what happened, and little about colder ones.")
    if unknown:
        of = f"{fmt_count(unknown)} of {n_of(len(fit.winters), 'site-winter')}"
        told.append(
            f"Of {of} the minimum at rhizome depth is not known: severity rests on the others."
        )
    if not cells["is_first"].all():
        told.append(
            "From the second winter on only plants that survived the ones before were at risk."
        )
    if cells["before"].eq("early summer").any():
        told.append(
            "Without an autumn count a winter holds the losses of the summer before it too."
        )
    if cells["is_provisional"].any():
        told.append(
            "Some plots were last counted in spring: plants that show late count as dead there."
        )
    return told


def agreement(row: pd.Series) -> str:
    """Rank correlation of freeze test and winters (a row of ``rank_agreement``), in a sentence."""
    limits = f"{_between(row['lower'], row['upper'], 2)}, {n_of(row['n_hybrids'], 'hybrid')}"
    size = f"Spearman's rank correlation {fmt_number(row['estimate'], 2)} ({limits})"
    if row["lower"] > 0:
        return f"The freeze test ranked hybrids in line with the field's winters: {size}."
    if row["upper"] < 0:
        against_it = "The freeze test ranked hybrids against the field's winters"
        return f"{against_it}: {size}. Look for exchanged labels, or something else that kills."
    return f"It is not shown that the freeze test ranks hybrids as the field's winters did: {size}."


# -- spring damage -------------------------------------------------------------------------------


def frosts(scores: pd.DataFrame) -> str:
    """The frosts that scores were made after: 'the frost of 2025-05-14'."""
    days = scores.groupby("event")[["site", "frost_on", "scored_on"]].min()
    seen = "undated, scored " + days["scored_on"].map(numbers.fmt_date)
    named = days["frost_on"].map(numbers.fmt_date, na_action="ignore").astype("object").fillna(seen)
    if days["site"].nunique() > 1:
        named = days["site"] + " " + named
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
    plots, by = len(rows[["site", "plot"]].drop_duplicates()), rows["observer"].nunique()
    again = int(rows.groupby(["site", "plot", "event"]).size().gt(1).sum())
    more = f"; {n_of(again, 'plot')} had more than one score" if again else ""
    words = f"{n_of(len(rows), 'score')} of {n_of(plots, 'plot')} by {n_of(by, 'observer')}"
    return [f"{words}, after {frosts(rows)}{more}.", *told]


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
    """Which hybrids were more or less damaged than the control, by simultaneous intervals of the
    odds.
    """
    gaps = contrasts.dropna(subset="odds_ratio").sort_values("odds_ratio", ascending=False)
    gaps = gaps.assign(lower=np.log(gaps["all_lower"]), upper=np.log(gaps["all_upper"]))
    return against.words(gaps, control, above="suffered more", below="suffered less", level=level)


def damage(found: pd.DataFrame, control: str, level: float, after: str) -> list[str]:
    """Chance of severe damage of the control and the ends of the range, and the odds against the
    control.

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
    severe = f"scored {SEVERE} or more"
    if len(rows):
        told = [
            f"{share_words(r.chance, r.lower, r.upper)} for {_named(r.hybrid, control)}"
            for r in _control_and_ends(rows, control)
        ]
        told = f"{fmt_list(told)}, in {n_of(len(rows), 'hybrid')}"
        words.append(f"After {after}, the chance that a plot was {severe} was {told}.")
    if found["odds_ratio"].notna().any():
        words.append(odds_sentence(found, control, level))
    return words or [f"After {after}, no plot was {severe}, or every plot was."]


def unshrunk(share: float) -> str:
    """Warning that a ranking is not shrunk, from :func:`spring_damage.spread_by_chance`."""
    return (
        f"Not shrunk: plots of hybrids all alike would show {fmt_share(share)} of the variance of log "
        "odds found here, so hybrids at the ends of the list are likely nearer its middle."
    )


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
    told, lent = [], winters.lent_damping(weather)
    for site, rows in found.groupby("site", sort=True):
        damping = winters.site_damping(weather[weather["site"].eq(site)], lent)
        told.append(f"{site}: {' '.join(_minima_of(rows, damping))}")
    return told


def _minima_of(rows, damping):
    known, out = rows[rows["reason"].isna()], rows[rows["reason"].notna()]
    told = [f"{n_of(len(known), 'winter')} on record can be used."]
    if len(out):
        named = fmt_list([f"{r.label} ({r.reason})" for r in out.itertuples()])
        told.append(f"Left out, as a missing day may have been the coldest: {named}.")
    if n := int(known["kind"].str.startswith("estimated").sum()):
        of = fmt_count(n) if n < len(known) else "all"
        told.append(
            f"In {of} of them the soil was not read, or not every day: {_estimate(damping)}"
        )
    if known["kind"].eq(winters.DAMPED).any():
        told.append("The soil was read at 5 cm; at rhizome depth it is approximated from that.")
    if not winters.why_no_levels(known["minimum_c"]) and not winters.why_no_depth(rows):
        told.append(_drift(known))
    return told


def _estimate(damping):
    if damping.kind == winters.FORMULA:
        return "the air and a formula for bare ground give minima too cold by an unknown amount."
    where = "this site's own" if damping.kind == winters.OWN else "other sites'"
    error = f"a winter's minimum is uncertain by about {degrees_c(damping.error_c)}"
    return (
        f"it is approximated from the air, fitted to {where} readings; {error}. Snow is not in it."
    )


def _drift(known):
    change, low, high, p = winters.trend(known["minimum_c"], known["winter"])
    size = f"{fmt_number(change, 1)} °C in ten years ({_between(low, high)}, {fmt_p(p)})"
    if p < 0.05:
        return f"The minima changed over the record by {size}, so return levels are off for years to come."
    return f"No clear drift of the minima over the record: {size}."


def levels(found: pd.DataFrame, known: pd.DataFrame) -> list[str]:
    """How cold one winter in ten gets at every site, coldest first, and the coldest winter on
    record.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winters.site_levels`.
    known : DataFrame
        From :func:`culmbook.frost.winters.known_minima`.
    """
    ten = found[found["period"].eq(10)].sort_values(["minimum_c", "site"])
    lent = ten["how"].str.contains("other sites").map({True: ", soil estimated", False: ""})
    told = [
        f"{degrees_c(r.minimum_c)} at {r.site} ({_between(r.lower_c, r.upper_c)}{how})"
        for r, how in zip(ten.itertuples(), lent, strict=True)
    ]
    row = known.loc[known["minimum_c"].idxmin()]
    coldest = f"{row['label'].removeprefix('winter ')} at {row['site']}"
    return [
        f"One winter in ten is expected to be colder at rhizome depth than {fmt_list(told, most=8)}.",
        f"Coldest of {n_of(len(known), 'winter')}: {coldest} with {degrees_c(row['minimum_c'])}.",
    ]


def expected(found: pd.DataFrame, control: str) -> list[str]:
    """Survival that freeze curves expect of the control and the range, at the site with most loss.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winter_survival.expected_by_site`.
    control : str
    """
    site, n = found["site"].iloc[0], int(found["n_winters"].iloc[0])
    column, when = "worst_in_ten", "In a winter as cold as one in ten"
    if n < MIN_FOR_WORST:
        column, when = "expected", "Averaged over the winters on record"
    if found[["expected", "worst_in_ten"]].min(axis=None) >= SAFE:
        told = f"{fmt_share(SAFE)} or more of every hybrid to survive at every site"
        return [f"{when} the freeze curves expect {told}. This is no forecast."]
    rows = found[found["site"].eq(site)].sort_values([column, "hybrid"], ascending=[False, True])
    names = [column, f"{column}_lower", f"{column}_upper"]
    told, mean = [], []
    for row in _control_and_ends(rows, control):
        share = share_words(*(getattr(row, name) for name in names))
        told.append(f"{share} of {_named(row.hybrid, control)}")
        mean.append(f"{fmt_share(row.expected)} of {row.hybrid}")
    where = f"at {site}{', the site with most loss,' if found['site'].nunique() > 1 else ''}"
    return [
        f"{when} {where} the freeze curves expect {fmt_list(told)} to survive.",
        f"Averaged over {n_of(n, 'winter')} on record: {fmt_list(mean)}. This is no forecast.",
    ]


def beyond_counted(found: pd.DataFrame, winters_counted: pd.DataFrame) -> str:
    """Whether plants were counted in winters as cold as those of :func:`expected`, in a sentence.

    Parameters
    ----------
    found : DataFrame
        From :func:`culmbook.frost.winter_survival.expected_by_site`.
    winters_counted : DataFrame
        ``site, label, minimum_c`` of winters that plants were counted after.
    """
    site, cold = found["site"].iloc[0], found["cold_c"].iloc[0]
    known = winters_counted["minimum_c"].dropna()
    told = f"The winter so expected at {site} goes down to {degrees_c(cold)}"
    near = int(known.le(cold + NEAR_C).sum())
    n, of = fmt_count(near) if near else "none", n_of(len(known), "winter")
    told += f"; of {of} with a known minimum that plants were counted after, {n} came within {NEAR_C} °C of it"
    return told + ("." if near else ", so losses that the curves expect cannot show in the counts.")


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
    than = f"the LT50 of the control {control} ({degrees_c(lt50.iloc[0])})"
    return f"The chance that a winter at {known['site'].iloc[0]} is colder than {than} is {size} a year."


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
        n = fmt_count(int(known["latest_day"].notna().sum()))
        of = f"{n} of {n_of(len(known), 'spring')} on record"
        opens = late_frosts.day_name(rows["first_day"].iloc[0])
        told.append(f"{site}: {of} had a frost below {below(damaging_c)} after {opens}.")
        if len(unknown):
            named = [f"{r.year} ({n_of(r.n_missing, 'day')})" for r in unknown.itertuples()]
            told.append(f"Left out, as days after the last frost are missing: {fmt_list(named)}.")
        try:
            told.append(_one_in_ten(late_frosts.latest_levels(known, (10,), level=level).iloc[0]))
        except Refusal as why:
            told.append(str(why))
    return told


def below(value: float) -> str:
    """A limit of temperature: '−2 °C'."""
    return f"{value:g} °C".replace("-", numbers.MINUS)


def _one_in_ten(row):
    days = row[["lower", "day", "upper"]]
    low, day, high = (late_frosts.day_name(x) if pd.notna(x) else "" for x in days)
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
    frost, n = f"frost below {below(damaging_c)}", fmt_count(chances["n_years"].max())
    if chances["n_after"].eq(0).all():
        return f"In none of {n} springs did a {frost} come after the mean emergence of any hybrid."
    if chances["site"].nunique() > 1:
        ends = chances.groupby("site")["chance"].agg(["min", "max"])
        ends = ends.sort_values("max", ascending=False, kind="stable")
        told = [f"{site} {share_range(*limits)}" for site, *limits in ends.itertuples()]
        start = (
            f"Chance per year that a {frost} finds shoots, from the latest hybrid to the earliest"
        )
        return f"{start}: {fmt_list(told, most=8)}."
    told = [
        f"{_named(r.hybrid, control)} (up on {late_frosts.day_name(r.day)}) in {fmt_count(r.n_after)}"
        f" ({fmt_share(r.chance)}, {share_range(r.lower, r.upper)})"
        for r in _control_and_ends(chances.sort_values(["day", "hybrid"]), control)
    ]
    return f"A {frost} came after emergence of {fmt_list(told)} of {n} springs."


def share_range(low: float, high: float) -> str:
    """Two shares, or one where they are the same."""
    return fmt_share(low) if low == high else numbers.fmt_interval(low, high)
