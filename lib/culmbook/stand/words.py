"""Sentences on establishment, losses and stand whose words depend on the data."""

import pandas as pd

from culmbook.show import against
from culmbook.stand.counts import VERDICTS
from culmbook.text.numbers import fmt_count, fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.words import at_sites, n_of

_WAYS = {
    "film": "with film than without",
    "planting method": "after machine than after hand planting",
}
_NO_AUTUMN = (
    "No autumn count of the planting year: establishment cannot be separated from the winter.",
    "autumn count of the planting year: left out of establishment and winter survival.",
)
_NO_SUMMER = (
    "No early-summer count: plants that show late still count as dead. Every stand is provisional.",
    "early-summer count: the stand there is provisional or not known.",
)
_TO_DO = {"good": "good", "fill gaps": "to fill", "replant": "to replant"}


def shares(cells: pd.DataFrame, shares: pd.DataFrame, start: str) -> list[str]:
    """How many plants lived, over all and from the lowest to the highest hybrid and site.

    Parameters
    ----------
    cells : DataFrame
        ``site, alive, total``, one row per plot.
    shares : DataFrame
        ``hybrid, share``, highest first.
    start : str
        With ``{}`` for the share: "By autumn 2025, {} of the plants planted lived".
    """
    alive, total = cells["alive"].sum(), cells["total"].sum()
    counted = (
        f"{fmt_count(alive)} of {fmt_count(total)} in {n_of(len(cells), 'plot')}{at_sites(cells)}"
    )
    told = f"{start.format(fmt_share(alive / total))} ({counted}); hybrids {spread(shares)}"
    sites = cells.groupby("site")[["alive", "total"]].sum()
    if len(sites) == 1:
        return [told + "."]
    sites = (sites["alive"] / sites["total"]).rename("share").reset_index()
    told += ", each site weighted alike."
    return [told, f"Sites {spread(sites.sort_values('share', ascending=False))}."]


def spread(shares: pd.DataFrame) -> str:
    """'ranged from 52 % (H07) to 95 % (H01)': the last and the first row, whose name is the first
    column.
    """
    low, top = shares.iloc[-1], shares.iloc[0]
    return (
        f"ranged from {fmt_share(low['share'])} ({low.iloc[0]}) "
        f"to {fmt_share(top['share'])} ({top.iloc[0]})"
    )


def worst_site(sites: pd.DataFrame, contrasts: pd.DataFrame, control: str) -> list[str]:
    """What the mean of sites hides: survival and comparison with the control where fewest lived.

    Parameters
    ----------
    sites : DataFrame
        ``site, share``, and ``minimum_c``: the winter's lowest temperature at rhizome depth [°C],
        missing where it is not known.
    contrasts : DataFrame
        From :func:`culmbook.stand.model.sites_against_control`.
    control : str

    Returns
    -------
    list of str
        No sentence for one site.
    """
    if len(sites) == 1:
        return []
    worst = sites.loc[sites["share"].idxmin()]
    cold = "" if pd.isna(worst["minimum_c"]) else f", at {fmt_number(worst['minimum_c'], 1)} °C"
    said = f"The mean hides the sites: at {worst['site']}{cold}, {fmt_share(worst['share'])} lived"
    own = contrasts[contrasts["site"].eq(worst["site"])]
    if own.empty:
        return [f"{said}; hybrids cannot be compared there."]
    above, below, rest = against.sort_out(own)
    parts = [
        f"{fmt_count(len(names))} hybrids survived {way} ({fmt_list(names)})"
        for names, way in ((above, "better"), (below, "worse"))
        if names
    ]
    if not parts:
        return [f"{said}, and there too no hybrid differs clearly from the control {control}."]
    told = " and ".join(parts).replace("1 hybrids", "1 hybrid")
    return [f"{said}; there {told} than the control {control}."]


def treatments(effects: pd.DataFrame, level: float) -> list[str]:
    """A sentence for each planting treatment of :func:`culmbook.stand.treatments.fit_treatments`."""
    said = []
    for effect in effects[effects["first"] != ""].itertuples():
        way = "higher" if effect.difference > 0 else "lower"
        interval = fmt_interval(100 * effect.lower, 100 * effect.upper, 1, share=False)
        clear = "" if effect.p_value < 1 - level else f"No clear effect of {effect.effect}: t"
        said.append(
            f"{clear or 'T'}he share established was {fmt_number(abs(100 * effect.difference), 1)} points "
            f"{way} {_WAYS[effect.effect]} ({round(100 * level)} % interval {interval}; "
            f"{effect.df} df, {fmt_p(effect.p_value)})."
        )
    return said


def losses(table: pd.DataFrame) -> str:
    """When most plants were lost, from the life table of all plots together."""
    lost, worst = int(table["lost"].sum()), table.loc[table["lost"].idxmax()]
    if not lost:
        return "No plant was lost between the counts."
    step, most = worst["interval"].removesuffix(" count"), int(worst["lost"])
    if len(table) == 1:
        return f"{n_of(lost, 'plant')} went missing between planting and the {step} count."
    part = "most" if most > lost / 2 else "the largest part"
    which = f"{part} of them ({fmt_share(most / lost)})"
    if most == lost:
        which = "all of them" if lost > 1 else "and that"
    return (
        f"{n_of(lost, 'plant')} went missing between planting and the last count, {which} in the "
        f"interval that ended with the {step} count."
    )


def clustering(tests: pd.DataFrame) -> list[str]:
    """Whether missing plants lie together, a sentence per site of
    :func:`culmbook.stand.losses.clustering`.
    """
    said, several = [], len(tests) > 1
    for test in tests[tests["plots"] > 0].itertuples():
        more, so = "no more", ""
        if test.p_value < 0.05:
            more, so = "more", ", so look for a fault of field or machine"
        counted = (
            f"{fmt_count(test.missing)} missing in {n_of(test.plots, 'plot')} tested, "
            f"{n_of(test.joins, 'neighbouring pair')} against {fmt_number(test.joins_expected, 0)} "
            f"expected, longest run {fmt_count(test.longest_run)}"
        )
        start = f"{test.site}: missing" if several else "Missing"
        counted = f"{n_of(test.plots, 'plot')} tested" if several else counted
        said.append(
            f"{start} plants lie together {more} than chance would have it{so} ({fmt_p(test.p_value)}; {counted})."
        )
    untested = list(tests.loc[tests["plots"] == 0, "site"])
    if untested:
        said.append(
            f"Not tested at {fmt_list(untested)}: no plot there has two missing and two living plants."
        )
    return said


def verdicts(judged: pd.DataFrame, rules) -> list[str]:
    """How many plots are good, to fill and to replant, and how many are too poor to reckon
    their yield to a full stand.
    """
    counted = judged[judged["verdict"].notna()]
    numbers, low = counted["verdict"].value_counts(), int((~counted["is_ranked"]).sum())
    words = ", ".join(f"{fmt_count(numbers[v])} {_TO_DO[v]}" for v in VERDICTS if v in numbers)
    stands, their = ("stands", "its") if low == 1 else ("stand", "their")
    said = [f"Of {n_of(len(counted), 'plot')} judged by the last count: {words}."]
    if low:
        floor = fmt_share(rules.rank_floor)
        said.append(
            f"{fmt_count(low)} of them {stands} below {floor}: {their} yield counts per planted area "
            "as it is and is not reckoned to a full stand."
        )
    return said


def future(hybrids: pd.DataFrame, rules) -> str:
    """For which hybrids the stand of a future plot is sure enough."""
    good, fill = fmt_share(rules.good), fmt_share(rules.fill)
    stands = dict(zip(VERDICTS, [f"at {good} or more", f"at {fill} or more", f"below {fill}"]))
    named = hybrids[hybrids["verdict"].isin(VERDICTS)].groupby("verdict")["hybrid"].agg(list)
    sure = [f"{stands[v]} for {fmt_list(named[v])}" for v in VERDICTS if v in named]
    chance = fmt_share(rules.probability)
    if not sure:
        return f"For no hybrid is the stand of a future plot {chance} sure."
    return f"A future plot's stand is, with a chance of {chance} or more, {'; '.join(sure)}."


def unknown(stand: pd.DataFrame, gaps: pd.DataFrame, season: int) -> list[tuple[str, str]]:
    """What the counts at hand do not allow to be concluded: kind of paragraph and sentence of each.

    Parameters
    ----------
    stand : DataFrame
        From :func:`culmbook.stand.counts.plot_stand`.
    gaps : DataFrame
        Table ``plant_gaps``, possibly empty.
    season : int
    """
    if stand["latest_alive"].isna().all():
        why = "No plot was counted in this season: nothing is concluded on establishment or stand."
        return [("caution", why)]
    new = stand[stand["planting_season"].eq(season)]
    said = [
        _missing(new["alive_autumn"], *_NO_AUTUMN),
        _missing(stand["alive_summer"], *_NO_SUMMER),
    ]
    if new.empty:
        said[0] = (
            f"No plot was planted in {season}, so there is no establishment to report; the stand of an "
            "older planting is shown."
        )
    if gaps.empty:
        said.append(
            "No gap records: whether missing plants lie together (field or machine) or apart (the plant's "
            "own) is not known."
        )
    hidden = stand.loc[stand["is_bounded"], ["site", "plot"]].agg(" ".join, axis=1)
    if len(hidden):
        said.append(
            f"Replants cannot be distinguished from original plants in {n_of(len(hidden), 'plot')} "
            f"({fmt_list(list(hidden), most=5)}): the original plants' share is only bounded, so nothing "
            "there enters a comparison."
        )
    told = [("provisional" if "provisional" in text else "caution", text) for text in said if text]
    return told or [("text", "No count that these questions need is missing.")]


def _missing(counts, none, some):
    n = int(counts.isna().sum())
    if n == len(counts):
        return none
    return f"{n_of(n, 'plot')} {'has' if n == 1 else 'have'} no {some}" if n else ""
