"""Executed notebooks to the content of a report: sections, findings, facts, tables, an appendix of
methods.

The notebooks are the only source. Code and printed output stay out; what is shown through
`culmbook.show.page` and what stands in markdown cells goes in.
"""

import json
from dataclasses import dataclass, field
from itertools import compress, pairwise, takewhile
from pathlib import Path

from culmbook.report.layout import lay_out
from culmbook.report.markdown import blocks, paragraph, plain, text, words
from culmbook.show.page import FACTS_MIME, FIGURE_MIME, TABLE_MIME, TEXT_MIME


@dataclass
class Composed:
    """Content of a report, in the order of its notebooks.

    Attributes
    ----------
    sections, appendix : list of dict
        ``{"title", "blocks"}`` each; `appendix` holds the markdown cells tagged so.
    findings : list of dict
        Text bundles of kind "finding", lowest rank first, each with the ``section`` it comes from.
    facts : list of tuple of str
        Name and value for the title block; a name given twice keeps its first value.
    provisional : list of str
        What makes the report provisional.
    """

    sections: list = field(default_factory=list)
    appendix: list = field(default_factory=list)
    findings: list = field(default_factory=list)
    facts: list = field(default_factory=list)
    provisional: list = field(default_factory=list)

    @property
    def headline(self) -> str:
        return self.findings[0]["sentences"][0] if self.findings else ""


def read_notebook(path: Path) -> dict:
    """Read an executed notebook (nbformat 4) as it stands; no validation, it was written by the
    batch.
    """
    return json.loads(Path(path).read_text(encoding="utf-8"))


def section_title(name: str) -> str:
    """Give a title for a notebook that has none, from its file's name.

    Examples
    --------
    >>> section_title("30_frost_hardiness")
    'Frost hardiness'
    """
    return name.replace("_", " ").strip("0123456789 ").capitalize() or name


def refused(why: str) -> dict:
    """Give a block that says what could not be answered."""
    return {"t": "say", "kind": "refusal", "label": "", "c": [text(why)]}


def shown_as(cell: dict, mime: str) -> list[dict]:
    """Give what a cell shows in one of the forms of `culmbook.show.page`, blanks left out."""
    shown = (output.get("data", {}).get(mime) for output in cell.get("outputs", []))
    return [content for content in shown if content]


def table_bundles(notebook: dict, name: str) -> list[dict]:
    """Give every table of a notebook, and the data of every figure that carries them."""
    found = []
    for cell in notebook["cells"]:
        found += shown_as(cell, TABLE_MIME)
        drawn = [shown for shown in shown_as(cell, FIGURE_MIME) if shown["data"]]
        note = {"of_figure": True, "note": "The numbers drawn in the figure."}
        found += [{k: s[k] for k in ("label", "caption")} | note | s["data"] for s in drawn]
    return [{**bundle, "notebook": name} for bundle in found]


MOST_ROWS = 600
"""Rows of a table that are printed; what goes beyond is in the workbook, and the table says so."""


def table_block(bundle: dict, place: str, most: int = MOST_ROWS) -> dict:
    """Give a table as a block of the report: the rows meant for print, and at most so many of
    them.
    """
    printed = bundle.get("printed") or [True] * len(bundle["rows"])
    strong = bundle.get("strong") or [False] * len(bundle["rows"])
    more, note = sum(printed) - most, bundle["note"]
    if more > 0:
        note = f"{note} {more} more rows are in the workbook.".strip()
    kept = {
        "rows": list(compress(bundle["rows"], printed))[:most],
        "strong": list(compress(strong, printed))[:most],
    }
    return {
        "t": "table",
        "label": place,
        "caption": words(bundle["caption"]),
        "note": words(note),
        "whole": bundle.get("whole", False),
        "parts": lay_out({**bundle, **kept}),
    }


def figure_block(bundle: dict, place: str) -> dict:
    """Give a figure's bundle as a block of the page."""
    return {
        "t": "figure",
        "label": place,
        "caption": words(bundle["caption"]),
        "alt": words(bundle["alt"]),
        "svg": bundle["svg"],
        "width_pt": bundle["width_in"] * 72,
        "height_pt": bundle["height_in"] * 72,
    }


@dataclass
class _Part:
    """A heading with what stands under it up to the next one; `level` as in markdown, from 2 on."""

    level: int
    blocks: list = field(default_factory=list)
    shows: bool = False
    skipped: list = field(default_factory=list)


class _Walk:
    """One notebook on its way into the report."""

    def __init__(self, name: str, composed: Composed):
        self.name, self.composed, self.title = name, composed, ""
        self.parts, self.methods, self.places = [_Part(1, shows=True)], [], set()
        self.refusals = {}

    def place(self, label: str) -> str:
        """Give a label that is unique in the report."""
        place, n = f"{self.name}/{label}", 2
        while place in self.places:
            place, n = f"{self.name}/{label}-{n}", n + 1
        self.places.add(place)
        return place

    def markdown(self, cell: dict, tags: set[str]) -> None:
        for block in blocks("".join(cell["source"])):
            is_heading = block["t"] == "heading"
            named = plain(block["c"]).strip() if is_heading else ""
            if is_heading and block["level"] == 1 and not self.title:
                self.title = named
            elif "remove-cell" in tags or (is_heading and not named):
                continue  # no reader could name a heading without words
            elif "appendix" in tags:
                self.methods.append(block)
            else:
                if is_heading:
                    self.parts.append(_Part(max(block["level"], 2)))
                self.parts[-1].blocks.append(block)

    def output(self, output: dict) -> None:
        part, data = self.parts[-1], output.get("data", {})
        if output["output_type"] == "error":
            why = f"{output['ename']}: {output['evalue']}"
            part.blocks.append(refused(f"This section stopped at an error: {why}"))
            part.shows = True
        for mime, block in ((TABLE_MIME, table_block), (FIGURE_MIME, figure_block)):
            if mime in data:
                part.blocks.append(block(data[mime], self.place(data[mime]["label"])))
                part.shows = True
        if TEXT_MIME in data:
            self.text(data[TEXT_MIME], part)
        if FACTS_MIME in data:
            self.composed.facts += [tuple(pair) for pair in data[FACTS_MIME]["facts"]]
            part.shows = True

    def text(self, bundle: dict, part: _Part) -> None:
        said, kind = " ".join(bundle["sentences"]), bundle["kind"]
        if kind in ("refusal", "skipped") and said in self.refusals:
            part.skipped.append(said)
            return
        part.shows = True
        if kind == "finding":
            see = f"{self.name}/{bundle['see']}" if bundle["see"] else ""
            self.composed.findings.append({**bundle, "see": see, "section": self.name})
        if kind == "provisional":
            self.composed.provisional.append(said)
        block = {"t": "par", "c": [text(said)]}
        if kind != "text":
            shown = "refusal" if kind == "skipped" else kind
            block |= {"t": "say", "kind": shown, "label": words(bundle.get("label", ""))}
        if kind in ("refusal", "skipped"):
            self.refusals[said] = block
        part.blocks.append(block)

    def cell(self, cell: dict) -> None:
        tags = set(cell.get("metadata", {}).get("tags", []))
        if cell["cell_type"] == "markdown":
            self.markdown(cell, tags)
        elif cell["cell_type"] == "code" and "remove-cell" not in tags:
            for output in cell.get("outputs", []):
                self.output(output)

    def body(self) -> list[dict]:
        """Give the blocks of the section; headings under which all was skipped are left out.

        The refusal on which they rest names them instead. A heading without code cells stays,
        unless all headings below it are left out.
        """
        kept, unanswered = [], {}
        for at, part in enumerate(self.parts):
            below = list(takewhile(lambda p, of=part: p.level > of.level, self.parts[at + 1 :]))
            ends = [p for p, after in pairwise([part, *below, part]) if after.level <= p.level]
            is_empty = not any(p.shows for p in (part, *below))
            if not is_empty or not all(p.skipped for p in ends):
                kept += part.blocks
            elif part.skipped:
                unanswered.setdefault(part.skipped[0], []).append(plain(part.blocks[0]["c"]))
        for said, titles in unanswered.items():
            ending = "" if titles[-1].endswith(("?", "!")) else "."
            more = f" Not answered therefore: {'; '.join(titles)}{ending}"
            self.refusals[said]["c"].append(text(more))
        return levelled(kept, 2)


def levelled(found: list[dict], least: int) -> list[dict]:
    """Give headings levels from `least` to 4 without a leap: a reader's outline may not skip one."""
    level = least - 1
    for block in found:
        if block["t"] == "heading":
            block["level"] = level = min(max(block["level"], least), level + 1, 4)
    return found


def compose(notebooks: list[Path]) -> Composed:
    """Walk executed notebooks, in the order given.

    Parameters
    ----------
    notebooks : list of pathlib.Path
        Executed notebooks of one site (or of the network).

    Returns
    -------
    Composed
    """
    composed = Composed()
    for path in notebooks:
        walk = _Walk(Path(path).stem, composed)
        for cell in read_notebook(path)["cells"]:
            walk.cell(cell)
        title = walk.title or section_title(walk.name)
        body = walk.body() or [paragraph("Nothing to report.")]
        composed.sections.append({"title": title, "blocks": body})
        if walk.methods:
            methods = levelled(walk.methods, 3)
            composed.appendix.append({"title": title, "blocks": methods})
    composed.findings.sort(key=lambda bundle: bundle["rank"])
    first = dict(reversed(composed.facts))
    composed.facts = list(first.items())[::-1]
    return composed
