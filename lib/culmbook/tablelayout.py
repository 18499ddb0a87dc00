"""Widths, type size and parts of a printed table, from the length of what stands in it."""

from culmbook.glyphs import printable
from culmbook.markdown import pieces, words
from culmbook.style import PAGE_WIDTH_IN

TABLE_SIZES_PT = (9.0, 8.5, 8.0, 7.5)
_TEXT_PT = PAGE_WIDTH_IN * 72
_GUTTER_PT = 10
# A text column is comfortable at this width [em], or when its longest cell takes this many lines; a table in
# which a cell would take more than the most lines is split instead.
_COMFORT_EM, _LINES, _MOST_LINES = 9, 3, 4
_BOLD = 1.09
# Rows stay on one page unless a cell is longer than this: it might be taller than a page.
_LONGEST_UNBROKEN = 600
_LEFT = ("text", "date")
# Mean advances [em] of the report's serif face by class of character, a little generous.
_ADVANCES = ((set("fijlrtI .,:;'!|()[]{}/\\-"), 0.31), (set("mwMW@%"), 0.86), (set("0123456789"), 0.47))


def _advance(character: str) -> float:
    for members, width in _ADVANCES:
        if character in members:
            return width
    if not character.isascii() and character not in "–−·°²³×≥≤":
        return 0.72
    return 0.69 if character.isupper() else 0.51


def _em(text: str) -> float:
    return sum(map(_advance, text))


def _longest_word(text: str) -> float:
    return max((_em(piece) for word in text.split(" ") for piece in pieces(word)), default=0)


def _widths(column: dict, cells: list[str]) -> tuple[float, float]:
    """Give the least and the natural width of a column [em]; only text wraps, and headings."""
    heading = printable(column["heading"])
    word = max(_longest_word(heading), _em(column["unit"])) * _BOLD
    widest = max(map(_em, cells), default=0) * 1.04
    natural = max(word, widest, _em(heading) * 0.6 * _BOLD)
    if column["kind"] != "text":
        return max(word, widest), natural
    return max([word, *(_longest_word(cell) * 1.04 for cell in cells)]), natural


def _filled(least: list[float], natural: list[float], room: float) -> list[float] | None:
    """Raise all widths to one common cap until the room is used; None when even the least do not fit."""
    if sum(natural) <= room:
        return natural
    if sum(least) > room:
        return None
    low, high = 0.0, max(natural)
    for _ in range(40):
        cap = (low + high) / 2
        used = sum(max(m, min(n, cap)) for m, n in zip(least, natural, strict=True))
        low, high = (cap, high) if used <= room else (low, cap)
    return [max(m, min(n, low)) for m, n in zip(least, natural, strict=True)]


def _room(n_columns: int, size: float) -> float:
    """Give the width left for what stands in n columns [em]."""
    return (_TEXT_PT - _GUTTER_PT * n_columns) / size


def _split(least: list[float], size: float) -> list[list[int]]:
    """Share columns out over parts, the first column repeated in each."""
    parts = [[0]]
    for at in range(1, len(least)):
        wanted = [*parts[-1], at]
        if len(parts[-1]) > 1 and sum(least[i] for i in wanted) > _room(len(wanted), size):
            parts.append([0])
        parts[-1].append(at)
    return parts


def _part(bundle: dict, picked: list[int], size: float, widths: list[float]) -> dict:
    columns = [bundle["columns"][at] for at in picked]
    return {"size": size, "widths": [round(width * size + _GUTTER_PT, 2) for width in widths],
            "align": ["left" if column["kind"] in _LEFT else "right" for column in columns],
            "head": [{"heading": words(c["heading"]), "unit": words(c["unit"])} for c in columns],
            "rows": [[words(row[at]) for at in picked] for row in bundle["rows"]],
            "strong": bundle.get("strong") or [False] * len(bundle["rows"]),
            "unbroken": all(len(cell) <= _LONGEST_UNBROKEN for row in bundle["rows"] for cell in row)}


def _whole(bundle: dict, least: list[float], natural: list[float]) -> dict | None:
    """Lay all columns side by side at the largest size at which text columns are comfortable, or at all."""
    both = list(zip(least, natural, strict=True))
    comfort = [max(m, min(n, max(_COMFORT_EM, n / _LINES))) for m, n in both]
    tight = [max(m, n / _MOST_LINES) for m, n in both]
    for floor, sizes in ((comfort, TABLE_SIZES_PT), (tight, TABLE_SIZES_PT[-1:])):
        for size in sizes:
            widths = _filled(floor, natural, _room(len(least), size))
            if widths:
                return _part(bundle, list(range(len(least))), size, widths)
    return None


def _pieces(bundle: dict, least: list[float], natural: list[float]) -> list[dict]:
    size, made = TABLE_SIZES_PT[-1], []
    for picked in _split(least, size):
        room = _room(len(picked), size)
        widths = _filled([least[at] for at in picked], [natural[at] for at in picked], room)
        made.append(_part(bundle, picked, size, widths or [room / len(picked)] * len(picked)))
    return made


def lay_out(bundle: dict) -> list[dict]:
    """Lay a table out for the page.

    Parameters
    ----------
    bundle : dict
        A table bundle: `columns` and `rows` of printed strings.

    Returns
    -------
    list of dict
        One part, or several below one another when the columns do not fit side by side at the smallest
        type size; each with size [pt], widths [pt], alignment, heads, rows.
    """
    cells = list(zip(*bundle["rows"], strict=True)) or [()] * len(bundle["columns"])
    bold = _BOLD if any(bundle.get("strong") or []) else 1
    sizes = [_widths(column, list(values)) for column, values in zip(bundle["columns"], cells, strict=True)]
    least, natural = [s[0] * bold for s in sizes], [s[1] * bold for s in sizes]
    whole = _whole(bundle, least, natural)
    return [whole] if whole else _pieces(bundle, least, natural)
