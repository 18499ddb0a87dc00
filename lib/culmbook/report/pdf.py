"""One PDF per site: the content of executed notebooks set by one template.

The PDF is tagged (PDF/UA-1) and archival (PDF/A-2a). Data reach the template as JSON and are never read as
markup; the fonts are those shipped with the library, so every machine prints the same page.
"""

import json
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import typst

from culmbook.report.appendix import appendix, data_tables, of_site
from culmbook.report.compose import Composed, compose, refused, section_title
from culmbook.report.markdown import words
from culmbook.report.titleblock import site_facts, title_words
from culmbook.show import palette as style
from culmbook.text.files import write_whole
from culmbook.text.glyphs import FONT_FOLDER

TEMPLATE = Path(__file__).parent / "template" / "report.typ"
STANDARDS = ["a-2a", "ua-1"]
_PAGE_PT = 697
_CONTENTS_PT = 105  # the list of contents
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
    is_incomplete, is_provisional : bool
        Whether rows, files or sections are missing from it; whether a notebook called itself provisional.
    incomplete, provisional : list of str
        The sentences that say so on its first page.
    """

    headline: str
    n_pages: int
    is_incomplete: bool
    is_provisional: bool
    incomplete: list[str]
    provisional: list[str]


def _counted(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _refusals(network, site: str) -> list[str]:
    problems = of_site(network.problems, site)
    files = problems.loc[problems["severity"] == "error_file", "file"].dropna().unique()
    rows = problems.loc[problems["severity"] == "error_row", ["file", "line"]].drop_duplicates()
    said = []
    if len(files):
        said.append(
            f"{_counted(len(files), 'file was', 'files were')} refused whole, with every row: "
            f"{', '.join(files)}."
        )
    if len(rows):
        said.append(f"{_counted(len(rows), 'row was', 'rows were')} refused and used in no number.")
    if said:
        said.append("Appendix B lists each with what is wrong and what mends it.")
    return [" ".join(said)] if said else []


def _missing_sections(run: dict) -> list[str]:
    return [
        f"The section “{section_title(failed['notebook'])}” (notebook {failed['notebook']}) could not be "
        f"made: {failed['reason']}"
        for failed in run.get("failed", [])
    ]


def _boxes(incomplete: list[str], provisional: list[str]) -> list[dict]:
    both = (("Incomplete", incomplete), ("Provisional", provisional))
    return [
        {"title": title, "lines": [words(line) for line in lines]} for title, lines in both if lines
    ]


def _finding(bundle: dict) -> dict:
    return {
        "label": words(bundle["label"]),
        "said": words(" ".join(bundle["sentences"])),
        "numbers": [[words(name), words(value)] for name, value in bundle["numbers"]],
        "see": bundle["see"],
    }


def _look() -> dict:
    return {
        "ink": style.INK,
        "accent": style.ACCENT,
        "muted": style.MUTED,
        "rule": style.RULE,
        "tint": style.PAPER_TINT,
        "width_mm": style.PAGE_WIDTH_MM,
    }


def _lines(text: str, per_line: int) -> int:
    return -(-len(text) // per_line)


def _finding_height(finding: dict) -> float:
    shown = finding["said"] + "".join(name + value + " " * 4 for name, value in finding["numbers"])
    return 9 + 13.6 * max(_lines(shown + finding["see"][:18], 95), _lines(finding["label"], 17))


def _summary_height(facts: Mapping, notes: list[str]) -> float:
    """Estimate the height of title, facts, boxes and headings of the first page [pt], from their count of characters.

    Asking the typesetter instead would make page numbers depend on themselves.
    """
    fact_rows = -(-sum(_lines(str(value), 28) for value in facts.values()) // 4)
    return 100 + 26 * fact_rows + sum(36 + 14 * _lines(note, 95) for note in notes)


def first_page(bundles: list[dict], heights: list[float], room: float) -> list[bool]:
    """Say which findings stand on the first page: of each section in turn the first, the second and so on.

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
        In the order of `bundles`. The choice ends with the first that does not fit; one always stands there.
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
    composed: Composed, *, site: str, season: int, meta: Mapping, network, run: dict
) -> dict:
    """Give all the template prints, as JSON can hold it; parameters as in `build_report`."""
    sites = None if network is None else network.tables["sites"]
    incomplete = (_refusals(network, site) if network is not None else []) + _missing_sections(run)
    facts = {**site_facts(sites, site), **meta.get("facts", {}), **dict(composed.facts)}
    sections = composed.sections + [
        {"title": section_title(failed["notebook"]), "blocks": [refused(line)]}
        for failed, line in zip(run.get("failed", []), _missing_sections(run), strict=True)
    ]
    tables = data_tables(network, site) if network is not None else []
    findings = [_finding(bundle) for bundle in composed.findings]
    heights, used = (
        [_finding_height(f) for f in findings],
        _summary_height(facts, incomplete + composed.provisional),
    )
    is_whole = used + sum(heights) + _CONTENTS_PT < _PAGE_PT
    chosen = (
        [True] * len(findings)
        if is_whole
        else first_page(composed.findings, heights, _PAGE_PT - used)
    )
    return {
        **title_words(sites, site, season, meta),
        "look": _look(),
        "facts": [[words(str(key)), words(str(value))] for key, value in facts.items()],
        "boxes": _boxes(incomplete, composed.provisional),
        "incomplete": incomplete,
        "findings": [f for f, is_first in zip(findings, chosen, strict=True) if is_first],
        "further": [f for f, is_first in zip(findings, chosen, strict=True) if not is_first],
        "no_findings": NO_FINDINGS,
        "summary_fits": is_whole,
        "sections": [{**part, "title": words(part["title"])} for part in sections],
        "appendix": appendix(composed, tables, run),
    }


def set_pdf(content: dict, started: datetime) -> bytes:
    """Set a report.

    Parameters
    ----------
    content : dict
        From `report_content`.
    started : datetime.datetime
        With time zone; the PDF's date, so that the same run gives the same bytes.

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    ValueError
        When the typesetter refuses, with its reason.
    """
    with tempfile.TemporaryDirectory(prefix="culmbook-") as folder:
        shutil.copy(TEMPLATE, folder)
        (Path(folder) / "report.json").write_text(
            json.dumps(content, ensure_ascii=False), encoding="utf-8"
        )
        try:
            pdf, warnings = typst.compile_with_warnings(
                Path(folder) / TEMPLATE.name,
                root=folder,
                font_paths=[FONT_FOLDER],
                ignore_system_fonts=True,
                pdf_standards=STANDARDS,
                timestamp=started,
            )
        except typst.TypstError as error:
            raise ValueError(
                f"the report could not be set: {error.message} {error.diagnostic}"
            ) from error
    if (
        warnings
    ):  # a page number that did not settle is one of these: print nothing rather than a wrong one
        raise ValueError(
            f"the report was not set cleanly: {'; '.join(w.message for w in warnings)}"
        )
    return pdf


def build_report(
    notebooks: list[Path],
    out_pdf: Path,
    *,
    site: str,
    season: int,
    facts: Mapping | None = None,
    network=None,
    run: dict,
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
        Words about the report: `network` (name of the programme), `subtitle`, `notice` (printed on every
        page) and `facts`, a mapping for the title block. Facts that notebooks give come after these and
        replace those of the same name.
    network : culmbook.sheets.read.Network, optional
        Where refused rows, corrections and file hashes come from.
    run : dict
        `started` (ISO 8601 with time zone) and, if wanted, `versions` (package to version) and `failed`, a
        list of ``{"notebook", "reason"}`` for sections that could not be made.

    Returns
    -------
    ReportSummary

    Raises
    ------
    ValueError
        When the report cannot be set.
    """
    composed = compose(notebooks)
    content = report_content(
        composed, site=site, season=season, meta=facts or {}, network=network, run=run
    )
    pdf = set_pdf(content, datetime.fromisoformat(run["started"]))
    write_whole(out_pdf, pdf)
    return ReportSummary(
        composed.headline,
        _n_pages(pdf),
        bool(content["incomplete"]),
        bool(composed.provisional),
        content["incomplete"],
        composed.provisional,
    )


def _n_pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))
