"""One PDF per site: the content of executed notebooks set by one template.

The PDF is tagged (PDF/UA-1) and archival (PDF/A-2a). Data reach the template as JSON and are never
read as markup; the fonts are those shipped with the library, so every machine prints the same page.
"""

import json
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import compress
from pathlib import Path

import pandas as pd
import typst

from culmbook import __version__
from culmbook.report.appendix import NETWORK_SCOPES, appendix, data_tables, of_site
from culmbook.report.compose import Composed, compose, refused, section_title
from culmbook.report.markdown import words
from culmbook.show import palette as style
from culmbook.text.files import write_whole
from culmbook.text.glyphs import FONT_FOLDER, printable
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import is_are, n_of

TEMPLATE = Path(__file__).parent / "template" / "report.typ"
STANDARDS = ["a-2a", "ua-1"]
LOOK = {
    "ink": style.INK,
    "accent": style.ACCENT,
    "muted": style.MUTED,
    "rule": style.RULE,
    "tint": style.PAPER_TINT,
    "control": style.CONTROL,
    "width_mm": style.PAGE_WIDTH_MM,
}
PAGE_PT = 697
"""Height of the text on a page [pt]."""
_CONTENTS_PT = 105  # the list of contents
REMEMBERED = 10
"""Documents of which the typesetter keeps all it worked out, some 200 MB of a report: as many empty
ones after it give that memory free.
"""
_LONGEST_RUNNING = 50
NO_FINDINGS = "The notebooks of this report state no finding; the sections say why."


@dataclass(frozen=True)
class ReportSummary:
    """What the index page says about a report.

    Attributes
    ----------
    headline : str
        First sentence of the first finding; empty when there is none.
    n_pages : int
        Pages of the PDF.
    incomplete, provisional : list of str
        The sentences that say so on its first page.
    places : dict of str to int
        Page of every table and figure, by notebook and label.
    """

    headline: str
    n_pages: int
    incomplete: list[str]
    provisional: list[str]
    places: dict[str, int]


def _refusals(network, site: str) -> list[str]:
    problems = of_site(network.problems, site)
    files = problems.loc[problems["severity"] == "error_file", "file"].dropna().unique()
    rows = problems.loc[problems["severity"] == "error_row", ["file", "line"]].drop_duplicates()
    said = []
    if len(files):
        was = is_are(len(files), "was", "were")
        named = ", ".join(files)
        said.append(f"{n_of(len(files), 'file')} {was} refused whole, with every row: {named}.")
    if len(rows):
        was = is_are(len(rows), "was", "were")
        said.append(f"{n_of(len(rows), 'row')} {was} refused and used in no number.")
    if said:
        said.append("Appendix B lists each with what is wrong and how to fix it.")
    return [" ".join(said)] if said else []


def _finding(bundle: dict) -> dict:
    return {
        "label": words(bundle["label"]),
        "said": words(" ".join(bundle["sentences"])),
        "numbers": [[words(name), words(value)] for name, value in bundle["numbers"]],
        "see": bundle["see"],
    }


def _lines(text: str, per_line: int) -> int:
    return -(-len(text) // per_line)


def _finding_height(finding: dict) -> float:
    shown = finding["said"] + "".join(name + value + " " * 4 for name, value in finding["numbers"])
    return 9 + 13.6 * max(_lines(shown + finding["see"][:18], 95), _lines(finding["label"], 17))


def _summary_height(facts: Mapping, notes: list[str]) -> float:
    """Estimate the height of title, facts, boxes and headings of the first page [pt], from their
    characters.

    Asking the typesetter instead would make page numbers depend on themselves.
    """
    fact_rows = -(-sum(_lines(str(value), 28) for value in facts.values()) // 4)
    return 100 + 26 * fact_rows + sum(36 + 14 * _lines(note, 95) for note in notes)


def first_page(bundles: list[dict], heights: list[float], room: float) -> list[bool]:
    """Say which findings stand on the first page: of each section in turn the first, the second
    and so on.

    Parameters
    ----------
    bundles : list of dict
        Findings with ``section``, lowest rank first.
    heights : list of float
        Of each, in pt.
    room : float
        Height for all of them, in pt.

    Returns
    -------
    list of bool
        In the order of `bundles`. The choice ends with the first that does not fit; one always
        stands there.
    """
    turns, seen = [], Counter()
    for bundle in bundles:
        turns.append(seen[bundle["section"]])
        seen[bundle["section"]] += 1
    chosen, used = [False] * len(bundles), 0.0
    for k in sorted(range(len(bundles)), key=lambda k: (turns[k], k)):
        used += heights[k]
        if used > room and any(chosen):
            break
        chosen[k] = True
    return chosen


def report_content(
    composed: Composed, *, site: str, season: int, meta: Mapping, network, failed: list
) -> dict:
    """Give all the template prints, as JSON can hold it; parameters as in `build_report`."""
    sites = None if network is None else network.tables["sites"]
    missing, gaps = [], [] if network is None else _refusals(network, site)
    for one in failed:
        title = section_title(one["notebook"])
        about = f"The section “{title}” (notebook {one['notebook']})"
        gaps.append(f"{about} could not be made: {one['reason']}")
        missing.append({"title": title, "blocks": [refused(gaps[-1])]})
    facts = {**site_facts(sites, site), **meta.get("facts", {}), **dict(composed.facts)}
    boxes = {"Incomplete": gaps, "Provisional": composed.provisional}
    tables = [] if network is None else data_tables(network, site)
    findings = [_finding(bundle) for bundle in composed.findings]
    heights = [_finding_height(finding) for finding in findings]
    room = PAGE_PT - _summary_height(facts, gaps + composed.provisional)
    is_whole = sum(heights) + _CONTENTS_PT < room
    chosen = first_page(composed.findings, heights, float("inf") if is_whole else room)
    return {
        **title_words(sites, site, season, meta),
        "kicker": f"Full record · season {season}",
        "facts": [[words(str(key)), words(str(value))] for key, value in facts.items()],
        "boxes": [
            {"title": k, "lines": list(map(words, said))} for k, said in boxes.items() if said
        ],
        "incomplete": gaps,
        "findings": list(compress(findings, chosen)),
        "further": list(compress(findings, (not is_first for is_first in chosen))),
        "no_findings": NO_FINDINGS,
        "summary_fits": is_whole,
        "sections": [{**s, "title": words(s["title"])} for s in [*composed.sections, *missing]],
        "appendix": appendix(composed, tables),
    }


def _site_row(sites: pd.DataFrame | None, site: str) -> dict:
    """Give what is known of a site, blanks left out."""
    if sites is None or site in NETWORK_SCOPES:
        return {}
    found = sites[sites["site"] == site]
    return found.iloc[0].dropna().to_dict() if len(found) else {}


def site_facts(sites: pd.DataFrame | None, site: str) -> dict[str, str]:
    """Give a site's place and soil for the title block.

    Parameters
    ----------
    sites : pandas.DataFrame or None
        Columns site, country, latitude, longitude [decimal degrees], altitude_m, soil_texture,
        previous_crop; blanks are left out.
    site : str
        Site code, or "all": the network has no such facts.

    Examples
    --------
    >>> site_facts(pd.DataFrame({"site": ["A"], "latitude": [53.6], "longitude": [-2.9]}), "A")
    {'Position': '53.60° N, 2.90° W'}
    """
    row, facts = _site_row(sites, site), {}
    if "latitude" in row and "longitude" in row:
        north, east = row["latitude"], row["longitude"]
        place = f"{abs(north):.2f}° {'NS'[north < 0]}, {abs(east):.2f}° {'EW'[east < 0]}"
        facts["Position"] = ", ".join(filter(None, [place, str(row.get("country", ""))]))
    if "altitude_m" in row:
        facts["Altitude"] = f"{fmt_number(row['altitude_m'], 0)} m"
    for name, column in (("Soil", "soil_texture"), ("Previous crop", "previous_crop")):
        if column in row:
            facts[name] = str(row[column])
    return facts


def title_words(sites: pd.DataFrame | None, site: str, season: int, meta: Mapping) -> dict:
    """Give the words of the title, the running lines and the document's metadata.

    Parameters
    ----------
    sites : pandas.DataFrame or None
        The table of sites.
    site : str
        Site code, or "all".
    season : int
        Growing season.
    meta : mapping
        May hold `network`, `subtitle` and `notice`, see `culmbook.report.pdf.build_report`.
    """
    is_network = site in NETWORK_SCOPES
    scope = "network report" if is_network else "site report"
    name = "All sites" if is_network else _site_row(sites, site).get("site_name", site)
    if not is_network and name != site:
        name = f"{name} ({site})"
    subtitle = [str(meta[key]) for key in ("network", "subtitle") if meta.get(key)]
    if not subtitle and sites is not None and is_network:
        subtitle = [fmt_list(list(sites["site_name"].fillna(sites["site"])), most=8)]
    running = name if len(name) <= _LONGEST_RUNNING else f"{name[: _LONGEST_RUNNING - 1]}…"
    footer = [str(meta.get("notice", "")), f"culmbook {__version__}"]
    about = f"Results of the trials of {name} in the growing season {season}."
    return {
        "title": printable(f"{name}: {scope}, season {season}"),
        "author": printable(str(meta.get("network", "")) or "culmbook"),
        "description": printable(about),
        "keywords": ["field trial", f"season {season}", printable(name)],
        "kicker": f"{scope.capitalize()} · season {season}",
        "heading": words(name),
        "subtitle": words(" · ".join(subtitle)),
        "running": words(f"{running} · season {season}"),
        "footer": words(" · ".join(filter(None, footer))),
    }


@dataclass(frozen=True)
class SetReport:
    """A report as set: its bytes, its pages, and the page of every table and figure by place."""

    pdf: bytes
    n_pages: int
    places: dict[str, int]


def set_pdf(content: dict, season: int) -> SetReport:
    """Set a report.

    Parameters
    ----------
    content : dict
        From `report_content`, or of the same form.
    season : int
        Growing season, whose last day is the PDF's date: the same input gives the same bytes.

    Raises
    ------
    ValueError
        When the typesetter refuses, with its reason.
    """
    with tempfile.TemporaryDirectory(prefix="culmbook-") as folder:
        shutil.copytree(TEMPLATE.parent, folder, dirs_exist_ok=True)
        data = json.dumps({"look": LOOK, **content}, ensure_ascii=False)
        (Path(folder) / "report.json").write_text(data, encoding="utf-8")
        compiler = typst.Compiler(
            Path(folder) / TEMPLATE.name,
            root=folder,
            font_paths=[FONT_FOLDER],
            ignore_system_fonts=True,
        )
        try:
            pdf, warnings = compiler.compile_with_warnings(
                format="pdf",
                pdf_standards=STANDARDS,
                timestamp=datetime(season, 12, 31, tzinfo=UTC),
            )
        except typst.TypstError as error:
            said = f"{error.message} {error.diagnostic}"
            raise ValueError(f"the report could not be set: {said}") from error
        places = dict(json.loads(compiler.query("<places>", field="value", one=True)))
    for _ in range(REMEMBERED):
        typst.compile(b"", ignore_system_fonts=True)
    if warnings:  # a page number that did not settle, say: print nothing rather than a wrong one
        said = "; ".join(w.message for w in warnings)
        raise ValueError(f"the report was not set cleanly: {said}")
    return SetReport(pdf, len(re.findall(rb"/Type\s*/Page\b", pdf)), places)


def build_report(
    notebooks: list[Path],
    out_pdf: Path,
    *,
    site: str,
    season: int,
    facts: Mapping | None = None,
    network=None,
    failed: list = (),
) -> ReportSummary:
    """Write the PDF of one site, or of the network.

    Parameters
    ----------
    notebooks : list of pathlib.Path
        Executed notebooks in the order of their sections.
    out_pdf : pathlib.Path
        Written whole or not at all.
    site : str
        Site code, or "all" for the network.
    season : int
        Growing season.
    facts : mapping, optional
        Words about the report: `network` (name of the programme), `subtitle`, `notice` (printed on
        every page) and `facts`, a mapping for the title block. Facts that notebooks give come after
        these and replace those of the same name.
    network : culmbook.sheets.read.Network, optional
        Where refused rows, corrections and file hashes come from.
    failed : list of dict
        ``{"notebook", "reason"}`` for each section that could not be made.

    Returns
    -------
    ReportSummary

    Raises
    ------
    ValueError
        When the report cannot be set.
    """
    composed, meta = compose(notebooks), facts or {}
    content = report_content(
        composed, site=site, season=season, meta=meta, network=network, failed=failed
    )
    made = set_pdf(content, season)
    write_whole(out_pdf, made.pdf)
    gaps, provisional = content["incomplete"], composed.provisional
    return ReportSummary(composed.headline, made.n_pages, gaps, provisional, made.places)
