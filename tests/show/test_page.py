"""What notebooks hand over: bundles, printed forms, Jupyter's HTML."""

import json
import subprocess
import sys
from html.parser import HTMLParser

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from culmbook.show import page as present
from culmbook.show import palette as style
from culmbook.show.headings import Column
from culmbook.text.glyphs import printable

HOSTILE = [
    "#set page",
    "$x$",
    "a_b_c",
    "*bold*",
    "<script>alert(1)</script>",
    "C:\\temp\\n",
    "@cite",
    "=1+1",
    "Ω–ß",
]


@pytest.fixture
def frame():
    return pd.DataFrame(
        {
            "hybrid": ["A-1", "B-2"],
            "plots": pd.array([3, None], dtype="Int64"),
            "share": [0.5, 0.998],
            "low": [0.4, 0.95],
            "high": [0.6, 1.0],
            "yield_t_ha": [12.345, np.nan],
            "planted_on": pd.to_datetime(["2025-05-02", None]),
            "is_control": [False, True],
        }
    )


@pytest.fixture
def columns():
    return {
        "hybrid": Column("Hybrid"),
        "plots": Column("Plots", kind="count"),
        "share": Column("Stand", kind="share"),
        "interval": Column("95 % interval", kind="share_interval", ends=("low", "high")),
        "yield_t_ha": Column("Yield", "t/ha", 1, "number", "Dry yield."),
        "planted_on": Column("Planted", kind="date"),
    }


def make_figure(width=style.PAGE_WIDTH_IN, size=8.0):
    style.use_style()
    fig, ax = plt.subplots(figsize=(width, 2))
    ax.plot([0, 1], [0, 1])
    ax.set_xlabel("x [cm]", fontsize=size)
    return fig


def test_table_rounds_for_the_page_and_keeps_raw_values(frame, columns):
    bundle = present.table(frame, label="t", caption="c", columns=columns).bundle()
    assert bundle["rows"] == [
        ["A-1", "3", "50", "40 to 60", "12.3", "2025-05-02"],
        ["B-2", "–", ">99", "95 to 100", "–", "–"],
    ]
    assert bundle["values"] == [
        ["A-1", 3, 0.5, [0.4, 0.6], 12.345, "2025-05-02"],
        ["B-2", None, 0.998, [0.95, 1.0], None, None],
    ]
    assert [column["unit"] for column in bundle["columns"]] == ["", "", "%", "%", "t/ha", ""]


def test_table_bundle_is_strict_json_even_with_infinity():
    shown = present.table(
        pd.DataFrame({"x": [np.inf, -np.inf, np.nan]}),
        label="t",
        caption="c",
        columns={"x": Column("x", kind="number")},
    )
    assert json.loads(json.dumps(shown.bundle(), allow_nan=False))["rows"] == [["∞"], ["−∞"], ["–"]]


def test_p_values_are_never_printed_as_zero():
    shown = present.table(
        pd.DataFrame({"p": [0.00001, 0.0321, 0.4, np.nan]}),
        label="t",
        caption="c",
        columns={"p": Column("p", kind="p")},
    )
    assert [row[0] for row in shown.bundle()["rows"]] == ["<0.001", "0.032", "0.400", "–"]


def test_table_leaves_the_frame_alone_and_sorts_a_copy(frame, columns):
    before = frame.copy()
    shown = present.table(
        frame, label="t", caption="c", columns=columns, order="high", strong="is_control"
    )
    pd.testing.assert_frame_equal(frame, before)
    assert [row[0] for row in shown.bundle()["rows"]] == ["A-1", "B-2"]
    assert shown.bundle()["strong"] == [False, True]


@pytest.mark.parametrize(
    "words", [{"label": "Bad Label", "caption": "c"}, {"label": "t", "caption": " "}]
)
def test_table_without_name_or_caption_is_refused(frame, columns, words):
    with pytest.raises(ValueError, match="label|caption"):
        present.table(frame, columns=columns, **words)


def test_table_with_unknown_column_names_those_there_are(frame):
    with pytest.raises(ValueError, match="'stand' is not in the frame, which has: hybrid"):
        present.table(frame, label="t", caption="c", columns={"stand": Column("Stand")})


def test_a_count_that_is_not_whole_is_refused():
    with pytest.raises(ValueError, match="no count"):
        present.table(
            pd.DataFrame({"n": [1.5]}),
            label="t",
            caption="c",
            columns={"n": Column("n", kind="count")},
        )


class _Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.data = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.data.append(data)


def test_html_of_a_table_escapes_every_text():
    shown = present.table(
        pd.DataFrame({"h": HOSTILE}),
        label="t",
        caption=HOSTILE[4],
        note=HOSTILE[4],
        columns={"h": Column(HOSTILE[4], HOSTILE[4])},
    )
    parser = _Tags()
    parser.feed(shown._repr_mimebundle_()["text/html"])
    assert "script" not in parser.tags
    assert [text for text in parser.data if text in HOSTILE][-len(HOSTILE) - 1 : -1] == HOSTILE


@pytest.mark.parametrize(
    "shown",
    [
        present.say(HOSTILE[4]),
        present.finding(HOSTILE[4], label=HOSTILE[4]),
        present.facts({HOSTILE[4]: HOSTILE[4]}),
    ],
)
def test_html_of_text_is_escaped(shown):
    assert "<script" not in shown._repr_mimebundle_()["text/html"]


def test_figure_is_svg_at_its_size_and_the_same_twice():
    first, second = (
        present.figure(make_figure(), label="f", caption="c", alt="a") for _ in range(2)
    )
    assert first.svg == second.svg
    assert f'width="{style.PAGE_WIDTH_IN * 72:.6f}pt"' in first.svg
    assert not plt.get_fignums()


def test_figure_takes_names_as_typed_and_spells_out_what_has_no_glyph():
    fig = make_figure()
    fig.axes[0].set_xticks([0, 1], ["$A$_1", "x\u202ey"])
    svg = present.figure(fig, label="f", caption="c", alt="a").svg
    assert "$A$_1" in svg and "x[U+202E]y" in svg and "\u202e" not in svg


@pytest.mark.parametrize(
    "fig, words, why",
    [
        ({"width": style.PAGE_WIDTH_IN + 0.1}, {"alt": "a"}, "wider than the text"),
        ({"size": 6.5}, {"alt": "a"}, "6.5 pt"),
        ({}, {"alt": " "}, "alternative text"),
    ],
)
def test_figure_that_cannot_be_printed_is_refused(fig, words, why):
    with pytest.raises(ValueError, match=why):
        present.figure(make_figure(**fig), label="f", caption="c", **words)


def test_dense_figure_draws_its_points_as_pixels():
    fig = make_figure()
    fig.axes[0].scatter(*np.random.default_rng(1).normal(size=(2, 8000)), s=1)
    svg = present.figure(fig, label="f", caption="c", alt="a").svg
    assert "<image" in svg and len(svg) < 500_000


def test_nothing_to_say_is_refused():
    with pytest.raises(ValueError, match="nothing to say"):
        present.say("", " ")
    with pytest.raises(ValueError, match="kind"):
        present.say("x", kind="warning")


def test_printable_keeps_letters_and_spells_out_the_unseen():
    """Categories of the Unicode Character Database: Cf, Cc, Cs, Co, Cn and default-ignorable code
    points.
    """
    assert printable("Żółć שלום Ωμ – “q”") == "Żółć שלום Ωμ – “q”"
    assert printable("e\u0301") == "é"
    spelled = {
        "\u200b": "[U+200B]",
        "\u202e": "[U+202E]",
        "\x07": "[U+0007]",
        "\ud800": "[U+D800]",
        "\u00ad": "[U+00AD]",
        "\ufe0f": "[U+FE0F]",
        "🌾": "[U+1F33E]",
        "\ue000": "[U+E000]",
    }
    assert {character: printable(character) for character in spelled} == spelled


# Linear RGB to the RGB that a dichromat sees, after Viénot, Brettel & Mollon (1999), doi
# 10.1002/(SICI)1520-6378(199908)24:4<243::AID-COL5>3.0.CO;2-3; matrices from memory.
DICHROMATS = {
    "protan": [[0.11238, 0.88762, 0], [0.11238, 0.88762, 0], [0.00401, -0.00401, 1]],
    "deutan": [[0.29275, 0.70725, 0], [0.29275, 0.70725, 0], [-0.02234, 0.02234, 1]],
    "normal": np.eye(3),
}


def _lab(linear):
    xyz = linear @ np.array(
        [[0.4124, 0.2126, 0.0193], [0.3576, 0.7152, 0.1192], [0.1805, 0.0722, 0.9505]]
    )
    f = np.cbrt(np.clip(xyz / [0.9505, 1, 1.089], 1e-6, None))
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


@pytest.mark.parametrize("eye", DICHROMATS)
def test_series_colours_differ_for_every_eye(eye):
    """At least 15 CIELAB units (1976) apart; a threshold of common practice, no source."""
    srgb = np.array(
        [[int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)] for colour in style.SERIES]
    )
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    lab = _lab(np.clip(linear @ np.array(DICHROMATS[eye]).T, 0, 1))
    apart = np.linalg.norm(lab[:, None] - lab[None], axis=2)[np.triu_indices(len(lab), 1)]
    assert apart.min() > 15


def test_series_differ_without_colour():
    assert (
        len(set(style.MARKERS))
        == len(set(style.LINES))
        == len(set(style.HATCHES))
        == len(style.SERIES)
    )


def test_present_is_quick_to_import():
    code = (
        "import pandas, matplotlib.pyplot, time; t = time.perf_counter(); import culmbook.show.page; "
        "print(time.perf_counter() - t)"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert float(said) < 0.3


def test_rows_not_meant_for_print_go_to_the_workbook_only():
    frame = pd.DataFrame({"plot": ["a", "b", "c"], "is_printed": [True, False, True]})
    shown = present.table(
        frame, label="t", caption="T", columns={"plot": Column("Plot")}, printed="is_printed"
    )
    assert [row[0] for row in shown.bundle()["rows"]] == ["a", "b", "c"]
    assert ">b<" not in shown.html() and ">c<" in shown.html()
    with pytest.raises(ValueError, match="yes/no column 'no' is not in the frame"):
        present.table(frame, label="t", caption="T", columns={"plot": Column("Plot")}, printed="no")
