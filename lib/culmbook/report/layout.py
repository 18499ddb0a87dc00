"""Widths, type size and parts of a printed table, from the length of what stands in it."""

from culmbook.report.markdown import pieces, words
from culmbook.show.palette import PAGE_WIDTH_IN
from culmbook.text.glyphs import printable

TABLE_SIZES_PT = (9.0, 8.5, 8.0, 7.5)
_TEXT_PT = PAGE_WIDTH_IN * 72
_GUTTER_PT = 10
# A table is set smaller before a cell takes more than a few lines, and split before it takes more
# than the most.
_FEW_LINES, _MOST_LINES, _ANY_LINES = 3, 5, 1e4
# A table that is to stay on one page is set smaller before its cells take more than one or two
# lines.
_FLAT_LINES = 1.7
_ONE_LINE_EM = 6  # a verdict of two short words stays on one line
_BOLD = 1.09
# Rows stay on one page unless a cell is longer than this: it might be taller than a page.
_LONGEST_UNBROKEN = 600
_SHORT = 150  # rows of shorter cells may be held together four at a time
_LEFT = ("text", "date")
# Mean advances [em] of the report's serif face by class of character, a little generous.
_ADVANCES = (
    (set("fijlrtI .,:;'!|()[]{}/\\-"), 0.31),
    (set("mwMW@%"), 0.86),
    (set("0123456789"), 0.47),
)


def _advance(character: str) -> float:
    for members, width in _ADVANCES:
        if character in members:
            return width
    if not character.isascii() and character not in "–−·°²³×≥≤":
        return 0.72
    return 0.69 if character.isupper() else 0.51


def _em(text: str) -> float:
    return sum(map(_advance, text))


def _widths(column: dict, cells: list[str]) -> tuple[float, float]:
    """Give the least and the natural width of a column [em]; only text wraps, and headings."""

    def longest(text: str) -> float:
        return max((_em(piece) for word in text.split(" ") for piece in pieces(word)), default=0)

    heading = printable(column["heading"])
    word = max(longest(heading), _em(column["unit"])) * _BOLD
    widest = max(map(_em, cells), default=0) * 1.04
    natural = max(word, widest, _em(heading) * 0.6 * _BOLD)
    if column["kind"] != "text" or widest <= _ONE_LINE_EM:
        return max(word, widest), natural
    return max([word, *(longest(cell) * 1.04 for cell in cells)]), natural


def _filled(
    least: list[float], natural: list[float], room: float, most_lines: float
) -> list[float] | None:
    """Give widths at which the tallest cell takes the fewest lines, or None when that is more than
    the most.
    """

    def wrapped(lines: float) -> list[float]:
        return [max(m, n / lines) for m, n in zip(least, natural, strict=True)]

    if sum(wrapped(most_lines)) > room:
        return None
    low, high = 1.0, most_lines
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if sum(wrapped(middle)) <= room else (middle, high)
    return natural if sum(natural) <= room else wrapped(high)


def _room(n_columns: int, size: float) -> float:
    """Give the width left for what stands in n columns [em]."""
    return (_TEXT_PT - _GUTTER_PT * n_columns) / size


def _part(bundle: dict, picked: list[int], size: float, widths: list[float]) -> dict:
    columns = [bundle["columns"][at] for at in picked]
    return {
        "size": size,
        "widths": [round(width * size + _GUTTER_PT, 2) for width in widths],
        "align": ["left" if column["kind"] in _LEFT else "right" for column in columns],
        "head": [{"heading": words(c["heading"]), "unit": words(c["unit"])} for c in columns],
        "rows": [[words(row[at]) for at in picked] for row in bundle["rows"]],
        "strong": bundle.get("strong") or [False] * len(bundle["rows"]),
        "short": all(len(cell) <= _SHORT for row in bundle["rows"] for cell in row),
        "unbroken": all(len(cell) <= _LONGEST_UNBROKEN for row in bundle["rows"] for cell in row),
    }


def lay_out(bundle: dict) -> list[dict]:
    """Lay a table out for the page.

    Parameters
    ----------
    bundle : dict
        A table bundle: `columns` and `rows` of printed strings.

    Returns
    -------
    list of dict
        One part, or several below one another when the columns do not fit side by side at the
        smallest type size; each with size [pt], widths [pt], alignment, heads, rows.
    """
    columns, n = bundle["columns"], len(bundle["columns"])
    bold = _BOLD if any(bundle.get("strong") or []) else 1
    cells = [[row[at] for row in bundle["rows"]] for at in range(n)]
    both = [[w * bold for w in _widths(*pair)] for pair in zip(columns, cells, strict=True)]
    least, natural = map(list, zip(*both, strict=True))
    smallest = TABLE_SIZES_PT[-1]
    # All side by side at the largest size at which few lines do, or at the least size at all.
    flat = [(_FLAT_LINES, size) for size in TABLE_SIZES_PT] if bundle.get("whole") else []
    few = [(_FEW_LINES, size) for size in TABLE_SIZES_PT]
    for lines, size in (*flat, *few, (_MOST_LINES, smallest)):
        widths = _filled(least, natural, _room(n, size), lines)
        if widths:
            return [_part(bundle, list(range(n)), size, widths)]
    parts = [[0]]  # the first column is repeated in each
    for at in range(1, n):
        wanted = [*parts[-1], at]
        too_wide = sum(least[i] for i in wanted) > _room(len(wanted), smallest)
        if len(parts[-1]) > 1 and too_wide:
            parts.append([0])
        parts[-1].append(at)
    made = []
    for picked in parts:
        room, few = _room(len(picked), smallest), [least[at] for at in picked]
        widths = _filled(few, [natural[at] for at in picked], room, _ANY_LINES)
        made.append(_part(bundle, picked, smallest, widths or [room / len(picked)] * len(picked)))
    return made
