"""The palette's contrast and how far its colours lie apart, also for a red-blind eye.

Contrast: Web Content Accessibility Guidelines 2.2, 1.4.3 and 1.4.11. Difference of colours: Sharma, Wu
and Dalal 2005, Color Research & Application 30:21-30. Red-blind eye: Machado, Oliveira and Fernandes
2009, IEEE TVCG 15:1291-1298 (severity 1; matrix from memory).
"""

from itertools import combinations

import numpy as np
import pytest

from culmbook.show import palette

RED_BLIND = np.array(
    [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]
)
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def linear(colour):
    parts = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    low, high = sorted(linear(c) @ TO_XYZ[1] for c in (one, other))
    return (high + 0.05) / (low + 0.05)


def lab(rgb):
    ratio = TO_XYZ @ rgb / WHITE
    f = np.where(ratio > 0.008856, np.cbrt(ratio), ratio * 7.787 + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def delta_e(one, other):
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean**7 / (mean**7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for b, a in ((b1, a1), (b2, a2)))
    turn = (h2 - h1 + 180) % 360 - 180 if c1 * c2 else 0.0
    big = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    level, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = (h1 + turn / 2) % 360 if c1 * c2 else h1 + h2
    t = 1 - 0.17 * np.cos(np.radians(hue - 30)) + 0.24 * np.cos(np.radians(2 * hue))
    t += 0.32 * np.cos(np.radians(3 * hue + 6)) - 0.20 * np.cos(np.radians(4 * hue - 63))
    s_l = 1 + 0.015 * (level - 50) ** 2 / np.sqrt(20 + (level - 50) ** 2)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    r = (
        -2
        * np.sqrt(chroma**7 / (chroma**7 + 25**7))
        * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    )
    parts = (l2 - l1) / s_l, (c2 - c1) / s_c, big / s_h
    return np.sqrt(sum(part**2 for part in parts) + r * parts[1] * parts[2])


def test_measures_match_sharma_2005_and_wcag():
    # Sharma et al., table 1, pairs 1 and 7
    assert delta_e((50, 2.6772, -79.7751), (50, 0, -82.7485)) == pytest.approx(2.0425, abs=5e-5)
    assert delta_e((50, 0, 0), (50, -1, 2)) == pytest.approx(2.3669, abs=5e-5)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=5e-3)


@pytest.mark.parametrize("colour", [*palette.SERIES, palette.CANDIDATE, palette.CONTROL])
def test_marks_stand_out_from_the_paper(colour):
    assert contrast(colour, "#FFFFFF") >= 3


@pytest.mark.parametrize("paper", ["#FFFFFF", palette.PAPER_TINT])
@pytest.mark.parametrize("colour", [palette.INK, palette.ACCENT, palette.MUTED])
def test_text_stands_out_from_the_paper(colour, paper):
    assert contrast(colour, paper) >= 4.5


@pytest.mark.parametrize("eye", [np.eye(3), RED_BLIND])
def test_colours_of_groups_differ_and_have_dash_and_marker_of_their_own(eye):
    seen = [lab(np.clip(eye @ linear(colour), 0, 1)) for colour in palette.SERIES]
    apart = {(i, j): delta_e(seen[i], seen[j]) for i, j in combinations(range(len(seen)), 2)}
    assert min(apart.values()) >= 16
    assert len(set(palette.MARKERS)) == len(set(palette.LINES)) == len(palette.SERIES)
