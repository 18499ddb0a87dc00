"""Formulas: LaTeX in a notebook's markdown to the report's math."""

import re
from functools import lru_cache

import typst
from tylax import latex_to_typst_diagnostics

_WORDS = re.compile(r'#text\[([^\[\]#"\\]*)\]')
_DEEP = re.compile(r"[_^]\s*\{[^{}]*[_^]|[_^]\s*\\\w+\s*\{[^{}]*[_^]")


def has_deep_scripts(tex: str) -> bool:
    """True when a script carries a script: such a formula is set larger, so that all of it can be read.

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
        Math source that compiles, or None when the formula cannot be translated and is to be shown as typed.
    """
    result = latex_to_typst_diagnostics(tex)
    source = _WORDS.sub(r'" \1 "', result.output.strip())
    # A hash would leave math for code; a warning means something was dropped.
    if not source or "#" in source or result.warnings:
        return None
    try:
        _compiler().compile(f"$ {source} $".encode(), format="pdf")
    except typst.TypstError:
        return None
    return source
