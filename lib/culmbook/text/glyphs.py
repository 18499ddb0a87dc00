"""Which characters the report can print, and how the others are shown.

Names in a field sheet may hold anything. A character without a glyph, or one that cannot be seen
(it may reverse or hide its neighbours), is printed as its code point, ``[U+202E]``, so that nothing
vanishes.
"""

import unicodedata
from functools import lru_cache
from pathlib import Path

FONT_FOLDER = Path(__file__).parent / "fonts"
TEXT_FONT = FONT_FOLDER / "DejaVuSans.ttf"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
# Default-ignorable characters that Unicode does not file under "format" (Cf).
_UNSEEN = {0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x2800, 0x3164, 0xFFA0}
_UNSEEN |= {*range(0x180B, 0x1810), *range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0)}


@lru_cache(maxsize=1)
def font_characters() -> frozenset[int]:
    """Code points the report's sans face has a glyph for."""
    from fontTools.ttLib import TTFont  # imported here: plain names never need it

    with TTFont(TEXT_FONT, lazy=True) as font:
        return frozenset(font.getBestCmap())


def _is_shown(character: str) -> bool:
    code = ord(character)
    return (
        unicodedata.category(character)[0] != "C"
        and unicodedata.category(character) not in ("Zl", "Zp")
        and code not in _UNSEEN
        and code in font_characters()
    )


def printable(text: str) -> str:
    """Give text as it can be printed.

    Parameters
    ----------
    text : str
        Anything. Line breaks and tabs become spaces.

    Returns
    -------
    str
        The text in Unicode normal form C, with ``[U+XXXX]`` for every character that has no glyph
        or is invisible.

    Examples
    --------
    >>> printable("A#1 $x$ <b>")
    'A#1 $x$ <b>'
    >>> printable("A\\u202eB")
    'A[U+202E]B'
    """
    if text.isascii() and text.isprintable():
        return text
    spaced = "".join(" " if character in "\n\r\t" else character for character in text)
    composed = unicodedata.normalize("NFC", spaced)
    return "".join(c if _is_shown(c) else f"[U+{ord(c):04X}]" for c in composed)


def printable_lines(text: str) -> str:
    """Give text as `printable` does, but keep its line breaks."""
    return "\n".join(printable(line) for line in text.split("\n"))


def safe_text(text: str) -> str:
    """Give text for CSV that no spreadsheet runs as a formula.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("S-07")
    ("'=1+1", 'S-07')
    """
    return "'" + text if text.startswith(FORMULA_STARTS) else text
