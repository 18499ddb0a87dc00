"""Markdown cells of a notebook as blocks and inlines the report can set.

Only structure is taken over. Text stays text: HTML in a cell is printed as typed, an image becomes
its description, and nothing is ever handed on as markup. Formulas in LaTeX are translated to the
report's math.
"""

import html
import re
from functools import lru_cache

import typst
from tylax import L2TOptions, latex_to_typst_diagnostics

from culmbook.text.glyphs import printable, printable_lines

LONGEST_WORD = 16
"""A longer word may break: at its own joints, and after every `_PIECE` characters where it has
none.
"""
_PIECE = 10
_SIZED = re.compile(r"\\[bB]igg?([lr])(?![a-zA-Z])")
_JOINTS = re.compile(r"(?<=[/_.:;,=&?-])(?=\w)")
_BREAK = "\u200b"
# Spaces at which no line may break: before a unit sign, and within "p = 0.02".
_TIED = re.compile(r"(?<=\d) (?=[%°])|(?<=\bp) (?=[=<])|(?<=\bp [=<]) (?=\d)")
_LINKS = ("https://", "http://", "mailto:")
_WORDS = re.compile(r'#text\[([^\[\]#"\\]*)\]')
_DEEP = re.compile(r"[_^]\s*\{[^{}]*[_^]|[_^]\s*\\\w+\s*\{[^{}]*[_^]")


def words(text: str) -> str:
    """Give printable text whose overlong words can break across lines, and whose numbers keep
    their unit.
    """
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


def has_deep_scripts(tex: str) -> bool:
    """True when a script carries a script: such a formula is set larger, so that all of it can be
    read.

    Examples
    --------
    >>> has_deep_scripts(r"\\sigma_{b_j}"), has_deep_scripts(r"\\sigma_{bj}^2")
    (True, False)
    """
    return bool(_DEEP.search(tex))


@lru_cache(maxsize=1)
def _compiler() -> typst.Compiler:
    return typst.Compiler(b"", ignore_system_fonts=True)


@lru_cache(maxsize=512)
def typst_math(tex: str) -> str | None:
    """Translate one formula.

    Parameters
    ----------
    tex : str
        LaTeX without its dollar signs.

    Returns
    -------
    str or None
        Math source that compiles, or None when the formula cannot be translated and is to be shown
        as typed.
    """
    # a bracket after 1/pi would join the denominator; brackets of a size of their own are dropped
    tex = _SIZED.sub(lambda found: "\\left" if found[1] == "l" else "\\right", tex)
    result = latex_to_typst_diagnostics(tex, options=L2TOptions(frac_to_slash=False))
    source = _WORDS.sub(r'" \1 "', result.output.strip())
    # A hash would leave math for code; a warning means something was dropped.
    if not source or "#" in source or result.warnings:
        return None
    try:
        _compiler().compile(f"$ {source} $".encode(), format="pdf")
    except typst.TypstError:
        return None
    return source


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


def _inline(token: dict) -> list[dict]:
    match token["type"]:
        case "text":
            return [text(html.unescape(token["raw"]))]
        case "inline_html":
            return [text(token["raw"])]
        case "softbreak":
            return [{"t": "text", "s": " "}]
        case "linebreak":
            return [{"t": "br"}]
        case "codespan":
            return [{"t": "code", "s": words(token["raw"])}]
        case "inline_math" | "block_math":
            return [_formula(token["raw"], block=False)]
    inside = inlines(token.get("children", []))
    if token["type"] == "link":
        url = token["attrs"]["url"]
        is_shown = "".join(part.get("s", "") for part in inside).strip()
        if is_shown and url.isascii() and url.startswith(_LINKS):
            return [{"t": "link", "url": url, "c": inside}]
        return inside or [text(url)]
    wrapped = {"emphasis": "em", "strong": "strong", "strikethrough": "strike"}.get(token["type"])
    return [{"t": wrapped, "c": inside}] if wrapped else inside


def inlines(tokens: list[dict]) -> list[dict]:
    """Turn inline tokens into inlines."""
    return [part for token in tokens for part in _inline(token)]


def _table(token: dict) -> dict:
    head, *rest = token["children"]
    rows = rest[0]["children"] if rest else []
    return {
        "t": "mdtable",
        "align": [cell["attrs"].get("align") or "left" for cell in head["children"]],
        "head": [inlines(cell["children"]) for cell in head["children"]],
        "rows": [[inlines(cell["children"]) for cell in row["children"]] for row in rows],
    }


def _block(token: dict) -> dict | None:
    attrs, children = token.get("attrs", {}), token.get("children", [])
    match token["type"]:
        case "heading":
            return {"t": "heading", "level": attrs["level"], "c": inlines(children)}
        case "paragraph" | "block_text":
            return {"t": "par", "c": inlines(children)}
        case "list":
            items = [_blocks(item["children"]) for item in children]
            start = attrs.get("start", 1)
            return {"t": "list", "ordered": attrs["ordered"], "start": start, "items": items}
        case "block_math":
            return _formula(token["raw"], block=True)
        case "block_code":
            return {"t": "pre", "s": printable_lines(token["raw"].rstrip())}
        case "block_quote":
            return {"t": "quote", "c": _blocks(children)}
        case "block_html":
            return paragraph(token["raw"].strip())
        case "table":
            return _table(token)


def _blocks(tokens: list[dict]) -> list[dict]:
    return [block for block in map(_block, tokens) if block]


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
