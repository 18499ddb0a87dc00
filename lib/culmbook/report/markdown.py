"""Markdown cells of a notebook as blocks and inlines the report can set.

Only structure is taken over. Text stays text: HTML in a cell is printed as typed, an image becomes its
description, and nothing is ever handed on as markup.
"""

import html
import re
from functools import lru_cache

from culmbook.report.formulas import has_deep_scripts, typst_math
from culmbook.text.glyphs import printable, printable_lines

LONGEST_WORD = 16
"""A longer word may break: at its own joints, and after every `_PIECE` characters where it has none."""
_PIECE = 10
_JOINTS = re.compile(r"(?<=[/_.:;,=&?-])(?=\w)")
_BREAK = "\u200b"
# Spaces at which no line may break: before a unit sign, and within "p = 0.02".
_TIED = re.compile(r"(?<=\d) (?=[%°])|(?<=\bp) (?=[=<])|(?<=\bp [=<]) (?=\d)")
_LINKS = ("https://", "http://", "mailto:")


def words(text: str) -> str:
    """Give printable text whose overlong words can break across lines, and whose numbers keep their unit."""
    breakable = " ".join(_BREAK.join(pieces(word)) for word in printable(text).split(" "))
    return _TIED.sub("\u00a0", breakable)


def pieces(word: str) -> list[str]:
    """Give the parts of a word between which a line may break.

    Examples
    --------
    >>> pieces("KRAVO/stem_measures.csv"), pieces("x" * 24)
    (['KRAVO/', 'stem_', 'measures.', 'csv'], ['xxxxxxxxxx', 'xxxxxxxxxx', 'xxxx'])
    """
    if len(word) <= LONGEST_WORD:
        return [word]
    parts = _JOINTS.split(word)
    return [part[at : at + _PIECE] for part in parts for at in range(0, len(part), _PIECE)]


def text(content: str) -> dict:
    """Give an inline of plain text."""
    return {"t": "text", "s": words(content)}


def paragraph(content: str) -> dict:
    """Give a block of one paragraph of plain text."""
    return {"t": "par", "c": [text(content)]}


@lru_cache(maxsize=1)
def _parser():
    import mistune

    return mistune.create_markdown(renderer="ast", plugins=["math", "table", "strikethrough"])


def _formula(raw: str, *, block: bool) -> dict:
    source = typst_math(raw)
    if source is None:
        return {"t": "code", "s": printable(raw)}
    return {
        "t": "math",
        "typst": source,
        "tex": printable(raw.strip()),
        "block": block,
        "deep": has_deep_scripts(raw),
    }


def _link(token: dict) -> list[dict]:
    inside, url = inlines(token["children"]), token["attrs"]["url"]
    shown = "".join(part.get("s", "") for part in inside).strip()
    if not shown or not url.isascii() or not url.startswith(_LINKS):
        return inside or [text(url)]
    return [{"t": "link", "url": url, "c": inside}]


def _inline(token: dict) -> list[dict]:
    kind = token["type"]
    if kind in ("text", "inline_html"):
        return [text(html.unescape(token["raw"]) if kind == "text" else token["raw"])]
    if kind in ("softbreak", "linebreak"):
        return [{"t": "text", "s": " "} if kind == "softbreak" else {"t": "br"}]
    if kind == "codespan":
        return [{"t": "code", "s": words(token["raw"])}]
    if kind in ("inline_math", "block_math"):
        return [_formula(token["raw"], block=False)]
    if kind == "link":
        return _link(token)
    wrapped = {"emphasis": "em", "strong": "strong", "strikethrough": "strike"}.get(kind)
    inside = inlines(token.get("children", []))
    return [{"t": wrapped, "c": inside}] if wrapped else inside


def inlines(tokens: list[dict]) -> list[dict]:
    """Turn inline tokens into inlines."""
    return [part for token in tokens for part in _inline(token)]


def _list(token: dict) -> dict:
    items = [_blocks(item["children"]) for item in token["children"]]
    attrs = token["attrs"]
    return {
        "t": "list",
        "ordered": attrs["ordered"],
        "start": attrs.get("start", 1),
        "items": items,
    }


def _table(token: dict) -> dict:
    head, *rest = token["children"]
    rows = rest[0]["children"] if rest else []
    return {
        "t": "mdtable",
        "align": [cell["attrs"].get("align") or "left" for cell in head["children"]],
        "head": [inlines(cell["children"]) for cell in head["children"]],
        "rows": [[inlines(cell["children"]) for cell in row["children"]] for row in rows],
    }


def _block(token: dict) -> list[dict]:
    kind = token["type"]
    if kind == "heading":
        return [{"t": "heading", "level": token["attrs"]["level"], "c": inlines(token["children"])}]
    if kind in ("paragraph", "block_text"):
        return [{"t": "par", "c": inlines(token["children"])}]
    if kind == "list":
        return [_list(token)]
    if kind == "block_math":
        return [_formula(token["raw"], block=True)]
    if kind == "block_code":
        return [{"t": "pre", "s": printable_lines(token["raw"].rstrip())}]
    if kind == "block_quote":
        return [{"t": "quote", "c": _blocks(token["children"])}]
    if kind == "block_html":
        return [paragraph(token["raw"].strip())]
    return [_table(token)] if kind == "table" else []


def _blocks(tokens: list[dict]) -> list[dict]:
    return [block for token in tokens for block in _block(token)]


def plain(parts: list[dict]) -> str:
    """Give the text of inlines, for an outline or a running header."""
    said = (part.get("tex") or part.get("s") or plain(part.get("c", [])) for part in parts)
    return "".join(said).replace(_BREAK, "")


def blocks(source: str) -> list[dict]:
    """Parse one markdown cell.

    Parameters
    ----------
    source : str
        Markdown with `$…$` and `$$…$$` formulas and pipe tables.

    Returns
    -------
    list of dict
        Blocks: heading, par, list, math, pre, quote, mdtable; each with a type `t`.

    Examples
    --------
    >>> blocks("# A & *b*")[0]["level"], plain(blocks("# A & *b*")[0]["c"])
    (1, 'A & b')
    """
    return _blocks(_parser()(source))
