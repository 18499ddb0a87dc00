"""Tables, figures, findings and sentences that a notebook hands to its reader and to the report.

Each object shows itself in Jupyter (escaped HTML) and carries a bundle of its own type with
everything the report and the workbook need, so that an executed notebook is all they read. Text is
plain text everywhere: a `$` or `*` in a hybrid's name is printed, never obeyed.
"""

import base64
import html
import io
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from itertools import compress

import pandas as pd

from culmbook.show.headings import Column, plain_columns, table_content
from culmbook.show.headings import columns as catalogued
from culmbook.show.palette import CONTROL, MIN_TEXT_PT, PAGE_WIDTH_IN
from culmbook.text.glyphs import printable_lines
from culmbook.text.numbers import MISSING, is_missing

TABLE_MIME = "application/vnd.culmbook.table+json"
FIGURE_MIME = "application/vnd.culmbook.figure+json"
TEXT_MIME = "application/vnd.culmbook.text+json"
FACTS_MIME = "application/vnd.culmbook.facts+json"
TEXT_KINDS = ("text", "caution", "refusal", "provisional")  # and, made by others: finding, skipped
_LABEL = re.compile(r"[a-z][a-z0-9-]{0,59}")
# A figure with more marks than this is drawn partly as pixels: as vectors it would slow every
# viewer.
_MOST_VECTOR_POINTS = 5000


def _check_words(label: str, caption: str) -> None:
    if not _LABEL.fullmatch(label):
        raise ValueError(
            f"label {label!r}: use small letters, digits and hyphens, a letter first, up to 60"
        )
    if not caption.strip():
        raise ValueError(
            f"{label}: a caption is needed: it says what is shown, for whom and in which unit"
        )


class Shown:
    """Something a notebook shows: a bundle of its own type beside HTML and plain text."""

    mime = ""

    def bundle(self) -> dict:
        """What the report reads: the fields as JSON holds them, a table's content among them."""
        own = {part.name: getattr(self, part.name) for part in fields(self)}
        return json.loads(json.dumps({"version": 1, **own, **own.pop("content", {})}))

    def html(self) -> str:
        """What Jupyter shows."""
        raise NotImplementedError

    def plain(self) -> str:
        """What a terminal shows."""
        raise NotImplementedError

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        return {self.mime: self.bundle(), "text/html": self.html(), "text/plain": self.plain()}


_LEFT = ("text", "date")
_CAPTION_CSS = (
    "text-align:left;font-weight:600;padding:0 0 .5em;color:inherit;caption-side:top;max-width:60em"
)
_NOTE_CSS = "font-size:.9em;opacity:.8;max-width:60em;margin:.3em 0 0"


def _html_head(column: dict, align: str) -> str:
    unit = f"<br><small>{html.escape(column['unit'])}</small>" if column["unit"] else ""
    return (
        f'<th scope="col" style="text-align:{align};vertical-align:bottom;border-bottom:1px solid">'
        f"{html.escape(column['heading'])}{unit}</th>"
    )


def _html_row(cells: Sequence[str], aligns: Sequence[str], bold: bool) -> str:
    return (
        f'<tr style="font-weight:{600 if bold else 400}">'
        + "".join(
            f'<td style="text-align:{align};font-variant-numeric:tabular-nums">{html.escape(cell)}</td>'
            for align, cell in zip(aligns, cells, strict=True)
        )
        + "</tr>"
    )


def _html_table(caption: str, content: dict, note: str, strong: Sequence[bool]) -> str:
    aligns = ["left" if column["kind"] in _LEFT else "right" for column in content["columns"]]
    heads = "".join(map(_html_head, content["columns"], aligns))
    body = "".join(
        _html_row(row, aligns, bold) for row, bold in zip(content["rows"], strong, strict=True)
    )
    note_html = f'<p style="{_NOTE_CSS}">{html.escape(note)}</p>' if note else ""
    return (
        f'<table><caption style="{_CAPTION_CSS}">{html.escape(caption)}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{note_html}"
    )


@dataclass(frozen=True)
class ReportTable(Shown):
    """A table for the page, the notebook and the workbook; made by `table`."""

    label: str
    caption: str
    note: str
    content: dict = field(repr=False)
    strong: tuple[bool, ...] = field(repr=False)
    printed: tuple[bool, ...] = field(repr=False)
    key: tuple[str, ...] = ()
    whole: bool = False
    mime = TABLE_MIME

    def html(self) -> str:
        rows = list(compress(self.content["rows"], self.printed))
        return _html_table(
            self.caption,
            {**self.content, "rows": rows},
            self.note,
            list(compress(self.strong, self.printed)),
        )

    def plain(self) -> str:
        return f"Table: {self.caption} [{len(self.content['rows'])} rows]"


class NoRows(Shown):
    """What stands for a table or figure without rows: nothing on the page."""

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict:
        return {"text/plain": "No rows: nothing to show."}


def table(
    frame: pd.DataFrame,
    columns: str | Mapping[str, Column] = "",
    *,
    label: str,
    caption: str,
    key: str | None = None,
    note: str = "",
    order: str | Sequence[str] | None = None,
    strong: str | Sequence[str] | None = None,
    printed: str | None = None,
    whole: bool = False,
    empty: str = "",
) -> "ReportTable | NoRows | ReportText":
    """Make a table of the report; a frame without rows makes none.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row per row of the table. Values stay raw: they are rounded for the page only.
    columns : str or mapping of str to Column
        The columns to show, in this order: names from the catalogue, as in :func:`columns`, or a
        mapping.
    label : str
        Name of the table, unique in its notebook: small letters, digits, hyphens. The workbook's
        sheet and the CSV file are called after it.
    caption : str
        What is shown, in plain text.
    key : str, optional
        Columns of the table that together name a row, blanks between: "site plot". Left out, the
        first column; blank, rows are known by their number.
    note : str
        Printed small under the caption.
    order : str or sequence of str, optional
        Columns of the frame to sort the rows by; left out, the frame's order stands.
    strong : str or list of str, optional
        Rows set in bold: a yes/no (bool) column of the frame, or a list of hybrids (the controls,
        say).
    printed : str, optional
        A yes/no (bool) column of the frame; only its true rows are shown and printed, all go to the
        workbook.
    whole : bool
        Whether the table moves to a page of its own rather than run over two, where one page holds
        it.
    empty : str
        Sentence that stands in the place of a table without rows; blank for nothing.

    Returns
    -------
    ReportTable, NoRows or ReportText

    Raises
    ------
    ValueError
        For a bad label, an empty caption, a column that the frame or the catalogue lacks, a cell
        that is not of its kind, or two rows under one key.
    """
    _check_words(label, caption)
    columns = catalogued(columns) if isinstance(columns, str) else columns
    if not columns:
        raise ValueError(f"{label}: a table needs at least one column")
    if frame.empty:
        return say(empty) if empty else NoRows()
    by = [order] if isinstance(order, str) else list(order or [])
    rows = frame.sort_values(by, kind="stable") if by else frame
    if strong is not None and not isinstance(strong, str):
        is_strong = tuple(rows["hybrid"].isin(list(strong)))
    else:
        is_strong = _flags(rows, strong, label, False)
    is_printed = _flags(rows, printed, label, True)
    content = table_content(rows, columns)
    key = (next(iter(columns)),) if key is None else tuple(key.split())
    _check_key(content, key, label)
    return ReportTable(label, caption, note, content, is_strong, is_printed, key, whole)


def _check_key(content: dict, key: tuple[str, ...], label: str) -> None:
    """Refuse a key that names a column of no table, or two of its rows."""
    names = [column["name"] for column in content["columns"]]
    if absent := [name for name in key if name not in names]:
        raise ValueError(f"{label}: the key column {absent[0]!r} is not in the table")
    named = Counter(tuple(map(str, key_of(row, names, key))) for row in content["values"] if key)
    twice = [said for said, n in named.items() if n > 1]
    if twice:
        raise ValueError(
            f"{label}: two rows have the key {' '.join(key)} = {', '.join(twice[0])}; give `key` "
            "the columns that together name a row"
        )


def key_of(row: Sequence, names: Sequence[str], key: Sequence[str]) -> list:
    """Give what names a row: its values in the key's columns."""
    return [row[names.index(name)] for name in key]


def _flags(rows: pd.DataFrame, column: str | None, label: str, default: bool) -> tuple[bool, ...]:
    if column is not None and column not in rows.columns:
        raise ValueError(f"{label}: the yes/no column {column!r} is not in the frame")
    if column is None:
        return (default,) * len(rows)
    return tuple(bool(value) for value in rows[column])


@dataclass(frozen=True)
class ReportFigure(Shown):
    """A vector figure with caption, alternative text and its data; made by `figure`."""

    label: str
    caption: str
    alt: str
    svg: str = field(repr=False)
    width_in: float
    height_in: float
    data: dict | None = field(repr=False)
    mime = FIGURE_MIME

    def html(self) -> str:
        source = base64.b64encode(self.svg.encode()).decode()
        return (
            '<figure style="margin:0;background:white;color:#22282E;padding:.5em;width:max-content">'
            f'<img alt="{html.escape(self.alt)}" src="data:image/svg+xml;base64,{source}" '
            f'style="width:{self.width_in * 120:.0f}px;max-width:100%">'
            f'<figcaption style="max-width:60em;font-weight:600">{html.escape(self.caption)}</figcaption>'
            "</figure>"
        )

    def plain(self) -> str:
        return f"Figure: {self.caption}"


def _check_figure(fig, label: str, alt: str) -> None:
    from matplotlib.text import Text

    if not alt.strip():
        raise ValueError(f"{label}: a figure needs alternative text for readers who cannot see it")
    width = fig.get_figwidth()
    if width > PAGE_WIDTH_IN + 1e-6:
        raise ValueError(
            f"{label}: {width:.2f} in is wider than the text ({PAGE_WIDTH_IN:.2f} in); "
            "use culmbook.show.palette.page_size"
        )
    small = [
        t
        for t in fig.findobj(Text)
        if t.get_visible() and t.get_text().strip() and t.get_fontsize() < MIN_TEXT_PT - 1e-6
    ]
    if small:
        raise ValueError(
            f"{label}: the text {small[0].get_text()!r} is {small[0].get_fontsize():.1f} pt; "
            f"nothing on the page is under {MIN_TEXT_PT:g} pt"
        )


def _spell_ticks(formatter) -> None:
    given = formatter.format_ticks
    formatter.format_ticks = lambda values: [printable_lines(str(label)) for label in given(values)]


def _make_printable(fig) -> None:
    """Spell out what the font lacks before the layout is worked out; tick labels live in their
    formatter.
    """
    from matplotlib.text import Text

    for axes in fig.axes:
        for axis in (axes.xaxis, axes.yaxis):
            _spell_ticks(axis.get_major_formatter())
    for text in fig.findobj(Text):
        text.set_text(printable_lines(text.get_text()))


def _n_points(artist) -> int:
    from matplotlib.collections import PathCollection, QuadMesh
    from matplotlib.lines import Line2D

    if isinstance(artist, Line2D):
        return len(artist.get_xdata(orig=True))
    if isinstance(artist, QuadMesh):
        return artist.get_array().size
    return len(artist.get_offsets()) if isinstance(artist, PathCollection) else 0


def _rasterise_dense(fig) -> None:
    for artist in fig.findobj(lambda artist: _n_points(artist) > _MOST_VECTOR_POINTS):
        artist.set_rasterized(True)


def _svg(fig) -> str:
    """Draw the figure at its size, without a date, its text limited to characters the font has."""
    buffer = io.StringIO()
    fig.savefig(buffer, format="svg", bbox_inches=None, metadata={"Date": None})
    return printable_lines(buffer.getvalue())


def figure(
    fig,
    *,
    label: str,
    caption: str,
    alt: str,
    data: pd.DataFrame | None = None,
    columns: str | Mapping[str, Column] | None = None,
) -> ReportFigure:
    """Make a figure of the report from a matplotlib figure, and close that one.

    Parameters
    ----------
    fig : matplotlib.figure.Figure or Axes
        Drawn at its printed size (`culmbook.show.palette.page_size`), all text at 7 pt or more.
    label, caption : str
        As in `table`.
    alt : str
        What a reader who cannot see the figure should know.
    data : pandas.DataFrame, optional
        The numbers drawn; they go to the workbook and a CSV file, not to the page.
    columns : mapping of str to Column, optional
        As in `table`; left out, the frame's columns are described by their names and types.

    Returns
    -------
    ReportFigure

    Raises
    ------
    ValueError
        For a bad label, empty caption or alternative text, a figure wider than the text, or text
        that is too small to print.
    """
    import matplotlib.pyplot as plt

    fig = getattr(fig, "figure", fig)  # axes, or a grid of them
    _check_words(label, caption)
    _make_printable(fig)
    fig.draw_without_rendering()
    _check_figure(fig, label, alt)
    _rasterise_dense(fig)
    columns = catalogued(columns) if isinstance(columns, str) else columns
    content = None if data is None else table_content(data, columns or plain_columns(data))
    shown = ReportFigure(
        label, caption, alt, _svg(fig), fig.get_figwidth(), fig.get_figheight(), content
    )
    plt.close(fig)
    return shown


@dataclass(frozen=True)
class ReportText(Shown):
    """A paragraph of plain text; made by `say` and `finding`."""

    kind: str
    sentences: tuple[str, ...]
    rank: int = 50
    label: str = ""
    numbers: tuple[tuple[str, str], ...] = ()
    see: str = ""
    mime = TEXT_MIME

    def html(self) -> str:
        colour = {"text": "transparent", "finding": "#2C9C8C", "skipped": "#C9C4BA"}.get(
            self.kind, CONTROL
        )
        label = "Skipped:" if self.kind == "skipped" else self.label
        head = f"<strong>{html.escape(label)}</strong> " if label else ""
        numbers = "".join(
            f"<br><small>{html.escape(name)}: <strong>{html.escape(value)}</strong></small>"
            for name, value in self.numbers
        )
        return (
            f'<p style="max-width:60em;border-left:4px solid {colour};padding-left:.8em">{head}'
            f"{html.escape(' '.join(self.sentences))}{numbers}</p>"
        )

    def plain(self) -> str:
        return " ".join(self.sentences)


def _sentences(sentences: Sequence[str]) -> tuple[str, ...]:
    kept = tuple(sentence.strip() for sentence in sentences if sentence and sentence.strip())
    if not kept:
        raise ValueError("nothing to say: give at least one sentence")
    return kept


def say(*sentences: str, kind: str = "text") -> ReportText:
    """Make a paragraph.

    Parameters
    ----------
    *sentences : str
        Plain text; blank ones are left out.
    kind : {"text", "caution", "refusal", "provisional"}
        A caution stands in a box; a refusal says what the data cannot carry; "provisional" is
        repeated on the report's first page.

    Raises
    ------
    ValueError
        When nothing is said, or the kind is not known.
    """
    if kind not in TEXT_KINDS:
        raise ValueError(f"kind {kind!r} is none of {', '.join(TEXT_KINDS)}")
    return ReportText(kind, _sentences(sentences))


def finding(
    *sentences: str,
    rank: int = 50,
    label: str = "",
    numbers: Mapping[str, str] | None = None,
    see: str = "",
) -> ReportText:
    """Make a finding: printed here and on the report's first page.

    Parameters
    ----------
    *sentences : str
        Plain text, the answer first; the first sentence of the first finding is the report's
        headline.
    rank : int
        Place on the first page, lowest first.
    label : str
        A word or two above it, for example "Stand".
    numbers : mapping of str to str, optional
        The numbers behind it, formatted, at most four: ``{"Plots counted": "76 of 78"}``.
    see : str
        Label of the table or figure behind it, in the same notebook.

    Raises
    ------
    ValueError
        When nothing is said, or more than four numbers are given.
    """
    pairs = tuple((str(name), str(value)) for name, value in (numbers or {}).items())
    if len(pairs) > 4:
        raise ValueError(
            f"{len(pairs)} numbers behind one finding: four at most fit the first page"
        )
    return ReportText("finding", _sentences(sentences), rank, label, pairs, see)


@dataclass(frozen=True)
class ReportFacts(Shown):
    """Facts for the report's title block; made by `facts`."""

    facts: tuple[tuple[str, str], ...]
    mime = FACTS_MIME

    def html(self) -> str:
        rows = "".join(
            f'<tr><th scope="row" style="text-align:left">{html.escape(name)}</th>'
            f'<td style="text-align:left">{html.escape(value)}</td></tr>'
            for name, value in self.facts
        )
        return f"<table><tbody>{rows}</tbody></table>"

    def plain(self) -> str:
        return "; ".join(f"{name}: {value}" for name, value in self.facts)


def facts(mapping: Mapping[str, object]) -> ReportFacts:
    """Make facts for the title block: ``facts({"Plots": "78", "Planted": "2025-05-02"})``."""
    if not mapping:
        raise ValueError("no facts given")
    return ReportFacts(
        tuple(
            (str(name), MISSING if is_missing(value) else str(value))
            for name, value in mapping.items()
        )
    )
