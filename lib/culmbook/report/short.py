"""Short reports and the page of a hybrid, composed of what the notebooks show: nothing is computed
here.

``short.csv`` lists what may stand in a short report, each item with a rank. What has the highest
rank is left out first where the pages do not suffice, and named with its page in the full record.
"""

import csv
from functools import cache
from importlib.resources import files

import pandas as pd

from culmbook.report.appendix import CAUTIONS
from culmbook.report.compose import figure_block, section_title, table_block
from culmbook.report.frames import HAS_VALUE, NETWORK
from culmbook.report.glance import glance
from culmbook.report.markdown import paragraph, text, words
from culmbook.report.pdf import PAGE_PT, SetReport, set_pdf, title_words
from culmbook.show.headings import Column
from culmbook.show.page import table
from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of

MOST_PAGES = {NETWORK: 10, "site": 8}
SHORT_CAUTIONS = (CAUTIONS[0], CAUTIONS[2], CAUTIONS[-1])
BY_SITE = {
    "yield": "Dry yield by site [t/ha]",
    "overwinter": "Plants that survived this winter, by site [%]",
}
"""Questions whose answers the network's short report sets side by side, sites in columns."""


@cache
def plan() -> pd.DataFrame:
    """What may stand in a short report: scope, section, what {finding, table, figure}, notebook,
    label (a finding's rank), rank, most (rows of a table), in the order of the page.
    """
    rows = csv.DictReader(files("culmbook.report").joinpath("short.csv").open(encoding="utf-8"))
    found = pd.DataFrame(list(rows))
    return found.assign(rank=found["rank"].astype(int))


def _item(asked, said: pd.DataFrame, items: dict, places: dict, record: str) -> dict | None:
    """Give one block, with its rank and its page in the full record; None where there is nothing."""
    if asked.what == "finding":
        is_it = said["notebook"].eq(asked.notebook) & said["kind"].eq("finding")
        found = said[is_it & said["rank"].eq(int(asked.label))]
        if found.empty:
            return None
        label = {"t": "strong", "c": [text(f"{found['label'].iloc[0]}. ")]}
        return {
            "t": "par",
            "c": [label, text(" ".join(found["text"]))],
            "rank": asked.rank,
            "height": 30,
        }
    bundle = items.get((asked.notebook, asked.label))
    if bundle is None:
        return None
    place = f"{asked.notebook}/{asked.label}"
    page = (
        {"record": {"url": f"{record}#page={places[place]}", "page": places[place]}}
        if place in places
        else {}
    )
    if asked.what == "table":
        block = table_block(bundle, place, int(asked.most))
        return {
            **block,
            **page,
            "rank": asked.rank,
            "height": 60 + 14 * sum(len(p["rows"]) for p in block["parts"]),
        }
    block = figure_block(bundle, place)
    return {**block, **page, "rank": asked.rank, "height": block["height_pt"] + 45}


def _by_site(
    answers: pd.DataFrame, question: str, sites: list[str], order: list[str]
) -> dict | None:
    """Set the sites' answers to one question side by side, hybrids in the order of the glance."""
    own = answers[answers["question"].eq(question) & answers["scope"].isin(sites)]
    told = set(own.loc[own["state"].isin(HAS_VALUE), "scope"])
    silent, sites = [s for s in sites if s not in told], [s for s in sites if s in told]
    if not sites or len(sites) + len(silent) < 2:
        return None
    wide = own.pivot(index="hybrid", columns="scope", values="value").reindex(
        index=order, columns=sites
    )
    columns = {"hybrid": Column("Hybrid")}
    for site in sites:
        here = own[own["scope"].eq(site)]
        kind, digits = here["kind"].dropna().max(), here["digits"].dropna().max()
        kind = kind if isinstance(kind, str) and kind else "number"
        columns[site] = Column(site, kind=kind, digits=int(digits) if pd.notna(digits) else 0)
    shown = table(
        wide.astype("object").where(wide.notna(), None).reset_index(), columns, label=question, caption=BY_SITE[question],
        note="Not tested at a site, or not to be told there: an en dash. Sites differ in season and soil: compare within a column."
        + f" No answer at {fmt_list(silent)}." * bool(silent),
    )  # fmt: skip
    return table_block(shown.bundle(), f"sites/{question}") | {
        "rank": 3,
        "height": 60 + 14 * len(wide),
    }


def _refusals(said: pd.DataFrame) -> list[dict]:
    """List what could not be answered in one table; it is never left out."""
    found = said[said["kind"].eq("refusal")]
    if found.empty:
        return []
    shown = table(
        found.assign(part=found["notebook"].map(section_title)),
        {"part": Column("Part"), "text": Column("Why there is no answer")},
        label="not-answered", key="", caption=f"Not answered: {n_of(len(found), 'question')}, and why.",
    )  # fmt: skip
    return [table_block(shown.bundle(), "short/not-answered") | {"rank": 0, "height": 0}]


def short_content(scope: str, season: int, frames: dict, about: dict) -> dict:
    """Give the content of a scope's short report, everything in it.

    Parameters
    ----------
    scope : str
        A site, or ``network``.
    season : int
        Growing season.
    frames : dict
        From `culmbook.report.season.season_frames`.
    about : dict
        ``sites`` (table), ``meta`` (words about the report), ``places`` (pages of the full record),
        ``gaps`` (what makes the report incomplete).
    """
    answers, said = frames["answers"], frames["sentences"]
    own, items = said[said["scope"].eq(scope)], frames["items"][scope]
    page = glance(answers, said, scope, frames["controls"])
    page["below"] = [["Incomplete", words(gap)] for gap in about["gaps"]] + page["below"]
    words_of = title_words(
        about["sites"], "all" if scope == NETWORK else scope, season, about["meta"]
    )
    record, sections = f"{scope}_{season}_record.pdf", []
    for section, rows in plan()[
        plan()["scope"].eq(NETWORK if scope == NETWORK else "site")
    ].groupby("section", sort=False):
        made = [_item(asked, own, items, about["places"], record) for asked in rows.itertuples()]
        sections.append({"title": words(section), "blocks": [block for block in made if block]})
    if scope == NETWORK:
        sites = sorted(set(answers["scope"]) - {NETWORK})
        order = [h for h in page["order"] if h in set(answers["hybrid"])]
        beside = {q: _by_site(answers, q, sites, order) for q in BY_SITE}
        _section(sections, "Gains and floors")["blocks"] += filter(None, [beside["yield"]])
        _section(sections, "Hardy where it is coldest?")["blocks"] += filter(
            None, [beside["overwinter"]]
        )
    cautions = {
        "t": "list",
        "ordered": False,
        "start": 1,
        "items": [[paragraph(c)] for c in SHORT_CAUTIONS],
    }
    sections.append({"title": "What to bear in mind", "blocks": [*_refusals(own), cautions]})
    return {**words_of, "glance": page, "sections": [s for s in sections if s["blocks"]]}


def _section(sections: list[dict], title: str) -> dict:
    return next(section for section in sections if section["title"] == words(title))


def set_short(content: dict, scope: str, season: int) -> SetReport:
    """Set a short report; what has the highest rank goes until the pages suffice.

    What was left out is named with its page in the full record. Refusals and cautions stay, even
    where they run over.
    """
    most, out = MOST_PAGES[NETWORK if scope == NETWORK else "site"], []
    while True:
        made = set_pdf(_with_left_out(content, out), season)
        over = made.n_pages - most
        ranked = [
            b
            for s in content["sections"]
            for b in s["blocks"]
            if b.get("rank", 0) > 1 and b not in out
        ]
        if over <= 0 or not ranked:
            return made
        ranked.sort(key=lambda block: block["rank"])
        freed = 0.0
        while ranked and freed < (over - 0.6) * PAGE_PT:
            out.append(ranked.pop())
            freed += out[-1]["height"]


def _with_left_out(content: dict, out: list[dict]) -> dict:
    kept = [{**s, "blocks": [b for b in s["blocks"] if b not in out]} for s in content["sections"]]
    named = [
        f"{b['caption'].split('.')[0]} (page {b['record']['page']})" for b in out if "record" in b
    ]
    if named:
        kept[-1]["blocks"] = [
            paragraph(f"In the full record only: {'; '.join(named)}."),
            *kept[-1]["blocks"],
        ]
    return {**content, "sections": [section for section in kept if section["blocks"]]}
