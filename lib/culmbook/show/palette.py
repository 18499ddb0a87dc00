"""How figures look: page measures, fonts, colours, and what stands beside colour in a grey print.

Figures are drawn at the size they are printed, so a point in matplotlib is a point on the page.
"""

import matplotlib as mpl
from cycler import cycler

PAGE_WIDTH_MM = 160
"""Width of the report's text block [mm]; the widest a figure may be."""
PAGE_WIDTH_IN = PAGE_WIDTH_MM / 25.4
"""The same in inches, matplotlib's unit."""
MIN_TEXT_PT = 7.0
"""No text in a figure or on a page is smaller than this [pt]."""

INK = "#22282E"
ACCENT = "#8A4F0F"
MUTED = "#62676D"
RULE = "#C9C4BA"
PAPER_TINT = "#F5F1E8"

SERIES = ("#1D3C6E", "#BF7A14", "#2C9C8C", "#A02C48", "#5E97CC", "#111111")
"""Colours for groups, in the order to use them; distinguished by red- and green-blind readers."""
LINES = (
    "-",
    (0, (5, 1.6)),
    (0, (1.2, 1.2)),
    (0, (6, 1.5, 1.2, 1.5)),
    (0, (3, 1)),
    (0, (8, 2, 1, 1, 1, 2)),
)
"""Dash patterns that go with `SERIES`, so that lines differ without colour."""
MARKERS = ("o", "s", "^", "D", "v", "P")
"""Markers that go with `SERIES`."""

CANDIDATE = SERIES[0]
CONTROL = SERIES[1]
STATUS_HATCHES = {"ok": "", "damaged": "////", "abandoned": "xxxx"}
VERDICT_COLOURS = {
    "good": "#2C9C8C",
    "fill gaps": "#E3B661",
    "replant": "#8E3563",
    "undecided": "#C9C4BA",
}
GRADIENT = mpl.colors.LinearSegmentedColormap.from_list(
    "culmbook", ["#F7F1DF", "#E3B661", "#A9713A", "#5E4652", "#1B2848"]
)
"""Light to dark without a turn, so that order survives a grey print."""
AROUND_ZERO = mpl.colors.LinearSegmentedColormap.from_list(
    "around zero", ["#8A4F0F", "#E3B661", "#F7F4EC", "#9CC3E6", "#1D3C6E"]
)
"""Brown below zero, blue above, which red- and green-blind readers tell apart."""


def use_style() -> None:
    """Set matplotlib up for figures of the report. Call it once, beside the imports.

    Text is taken as typed: `$` starts no formula, because names of hybrids and sites are data. An
    axis that needs powers (a log axis) sets its own plain formatter.
    """
    mpl.rcParams.update(
        {
            "font.family": "DejaVu Sans",
            "font.size": 8,
            "text.parse_math": False,
            "text.color": INK,
            "axes.titlesize": 8.5,
            "axes.titleweight": "bold",
            "axes.titlelocation": "left",
            "axes.labelsize": 8,
            "axes.labelcolor": INK,
            "axes.edgecolor": MUTED,
            "axes.linewidth": 0.7,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.axisbelow": True,
            "axes.unicode_minus": True,
            "axes.formatter.use_mathtext": False,
            "axes.grid": False,
            "grid.color": RULE,
            "grid.linewidth": 0.5,
            "xtick.labelsize": 7.5,
            "ytick.labelsize": 7.5,
            "xtick.color": INK,
            "ytick.color": INK,
            "xtick.major.width": 0.6,
            "ytick.major.width": 0.6,
            "xtick.major.size": 3,
            "ytick.major.size": 3,
            "legend.fontsize": 7.5,
            "legend.title_fontsize": 7.5,
            "legend.frameon": False,
            "figure.titlesize": 9,
            "figure.labelsize": 8,
            "figure.figsize": (PAGE_WIDTH_IN, 3.1),
            "figure.constrained_layout.use": True,
            "figure.dpi": 110,
            "figure.facecolor": "white",
            "lines.linewidth": 1.3,
            "lines.markersize": 4,
            "patch.linewidth": 0.6,
            "hatch.linewidth": 0.6,
            "errorbar.capsize": 0,
            "image.cmap": "cividis",
            "axes.prop_cycle": cycler(color=SERIES) + cycler(linestyle=LINES),
            "savefig.bbox": None,
            "savefig.dpi": 300,
            "svg.fonttype": "none",
            "svg.hashsalt": "culmbook",
        }
    )


def page_size(height_in: float, share: float = 1.0) -> tuple[float, float]:
    """Give a figure size for the page.

    Parameters
    ----------
    height_in : float
        Height [in], over 0 and at most 9 (what a page holds with its caption).
    share : float
        Share of the text width, over 0 and at most 1.

    Returns
    -------
    tuple of float
        Width and height [in] for ``plt.subplots(figsize=...)``.

    Raises
    ------
    ValueError
        When either lies outside its range.
    """
    if not 0 < share <= 1:
        raise ValueError(
            f"share = {share}: a figure takes more than 0 and at most 1 of the text width"
        )
    if not 0 < height_in <= 9:
        raise ValueError(
            f"height_in = {height_in}: a figure on a page is over 0 and at most 9 in high"
        )
    return PAGE_WIDTH_IN * share, height_in
