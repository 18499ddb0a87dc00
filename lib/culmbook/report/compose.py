"""Executed notebooks to the content of a report: sections, findings, facts, tables, an appendix of methods.

The notebooks are the only source. Code and printed output stay out; what is shown through
`culmbook.show.page` and what stands in markdown cells goes in.
"""

import json
from dataclasses import dataclass, field
from itertools import compress
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
    tables : list of dict
        Table bundles, and the data of figures, each with the `notebook` it came from.
    """

    sections: list = field(default_factory=list)
    appendix: list = field(default_factory=list)
    findings: list = field(default_factory=list)
    facts: list = field(default_factory=list)
    provisional: list = field(default_factory=list)
    tables: list = field(default_factory=list)

    @property
    def headline(self) -> str:
        return self.findings[0]["sentences"][0] if self.findings else ""


def read_notebook(path: Path) -> dict:
    """Read an executed notebook (nbformat 4) as it stands; no validation, it was written by the batch."""
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


def _joined(source: str | list[str]) -> str:
    return source if isinstance(source, str) else "".join(source)


def _bundles(cell: dict, mime: str) -> list[dict]:
    shown = (output.get("data", {}).get(mime) for output in cell.get("outputs", []))
    return [content for content in shown if content]


def table_bundles(notebook: dict, name: str) -> list[dict]:
    """Give every table of a notebook, and the data of every figure that carries them."""
    found = []
    for cell in notebook["cells"]:
        found += _bundles(cell, TABLE_MIME)
        for shown in _bundles(cell, FIGURE_MIME):
            if shown["data"]:
                found.append(
                    {
                        "label": shown["label"],
                        "caption": shown["caption"],
                        "of_figure": True,
                        "note": "The numbers drawn in the figure.",
                        **shown["data"],
                    }
                )
    return [{**bundle, "notebook": name} for bundle in found]


MOST_ROWS = 600
"""Rows of a table that are printed; what goes beyond is in the workbook, and the table says so."""


def table_block(bundle: dict, place: str, most: int = MOST_ROWS) -> dict:
    """Give a table as a block of the report: the rows meant for print, and at most so many of them."""
    printed = bundle.get("printed") or [True] * len(bundle["rows"])
    strong = bundle.get("strong") or [False] * len(bundle["rows"])
    bundle = {
        **bundle,
        "rows": list(compress(bundle["rows"], printed)),
        "strong": list(compress(strong, printed)),
    }
    more = len(bundle["rows"]) - most
    if more > 0:
        bundle = {
            **bundle,
            "rows": bundle["rows"][:most],
            "strong": bundle["strong"][:most],
            "note": f"{bundle['note']} {more} more rows are in the workbook.".strip(),
        }
    return {
        "t": "table",
        "label": place,
        "caption": words(bundle["caption"]),
        "note": words(bundle["note"]),
        "whole": bundle.get("whole", False),
        "parts": lay_out(bundle),
    }


def _figure_block(bundle: dict, place: str) -> dict:
    return {
        "t": "figure",
        "label": place,
        "caption": words(bundle["caption"]),
        "alt": words(bundle["alt"]),
        "svg": bundle["svg"],
        "width_pt": bundle["width_in"] * 72,
        "height_pt": bundle["height_in"] * 72,
    }


def _text_block(bundle: dict) -> dict:
    kind = "par" if bundle["kind"] == "text" else "say"
    return {
        "t": kind,
        "kind": bundle["kind"],
        "label": words(bundle["label"]),
        "c": [text(" ".join(bundle["sentences"]))],
    }


def _is_worded(block: dict) -> bool:
    """False for a heading without words: no reader could name it."""
    return block["t"] != "heading" or bool(plain(block["c"]).strip())


class _Walk:
    """One notebook on its way into the report."""

    def __init__(self, name: str, composed: Composed):
        self.name, self.composed = name, composed
        self.title, self.level = "", 1
        self.body, self.methods, self.places = [], [], set()

    def place(self, label: str) -> str:
        """Give a label that is unique in the report."""
        place, n = f"{self.name}/{label}", 2
        while place in self.places:
            place, n = f"{self.name}/{label}-{n}", n + 1
        self.places.add(place)
        return place

    def markdown(self, cell: dict, tags: set[str]) -> None:
        found = blocks(_joined(cell["source"]))
        for block in found:
            if block["t"] == "heading" and block["level"] == 1 and not self.title:
                self.title = plain(block["c"])
                block["t"] = "title"
        if "remove-cell" in tags:
            return
        kept = [block for block in found if block["t"] != "title" and _is_worded(block)]
        if "appendix" in tags:
            self.methods += self.levelled(kept, 3)
        else:
            self.body += self.levelled(kept, 2)

    def levelled(self, found: list[dict], least: int) -> list[dict]:
        """Give headings levels without a leap: a reader's outline may not skip one."""
        for block in found:
            if block["t"] == "heading":
                deepest = max(self.level + 1, least)
                block["level"] = self.level = min(max(block["level"], least), deepest, 4)
        return found

    def output(self, output: dict) -> None:
        if output["output_type"] == "error":
            why = f"{output['ename']}: {output['evalue']}"
            self.body.append(refused(f"This section stopped at an error: {why}"))
        data = output.get("data", {})
        if TABLE_MIME in data:
            self.body.append(table_block(data[TABLE_MIME], self.place(data[TABLE_MIME]["label"])))
        if FIGURE_MIME in data:
            self.body.append(
                _figure_block(data[FIGURE_MIME], self.place(data[FIGURE_MIME]["label"]))
            )
        if TEXT_MIME in data:
            self.text(data[TEXT_MIME])
        if FACTS_MIME in data:
            self.composed.facts += [tuple(pair) for pair in data[FACTS_MIME]["facts"]]

    def text(self, bundle: dict) -> None:
        if bundle["kind"] == "finding":
            see = f"{self.name}/{bundle['see']}" if bundle["see"] else ""
            self.composed.findings.append({**bundle, "see": see, "section": self.name})
        if bundle["kind"] == "provisional":
            self.composed.provisional.append(" ".join(bundle["sentences"]))
        self.body.append(_text_block(bundle))

    def cell(self, cell: dict) -> None:
        tags = set(cell.get("metadata", {}).get("tags", []))
        if cell["cell_type"] == "markdown":
            self.markdown(cell, tags)
        elif cell["cell_type"] == "code" and "remove-cell" not in tags:
            for output in cell.get("outputs", []):
                self.output(output)


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
        walk, notebook = _Walk(Path(path).stem, composed), read_notebook(path)
        for cell in notebook["cells"]:
            walk.cell(cell)
        title = walk.title or section_title(walk.name)
        composed.sections.append(
            {"title": title, "blocks": walk.body or [paragraph("Nothing to report.")]}
        )
        if walk.methods:
            composed.appendix.append({"title": title, "blocks": walk.methods})
        composed.tables += table_bundles(notebook, walk.name)
    composed.findings.sort(key=lambda bundle: bundle["rank"])
    composed.facts = list(
        {name: (name, value) for name, value in reversed(composed.facts)}.values()
    )[::-1]
    return composed
