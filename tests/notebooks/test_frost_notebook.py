"""The frost notebook without one of its tables: the section says so and leaves nothing else
behind.
"""

import re

import numpy as np
import pandas as pd
import pytest

from notebook_runs import bundles, figures, sentences, shown_by, tables
from small_network import Sheet, small_network, write_network

FROST = "30_frost_hardiness.ipynb"
FREEZER = {
    "freeze-sets",
    "lt50-differences",
    "lethal-temperatures",
    "freeze-curves",
    "freeze-unevenness",
}
LEAKAGE = {"leakage-differences", "leakage-temperatures"}
FIELD = {"field-survival", "field-hybrids", "winters-counted"}
DAMAGE = {"damage-scores", "damage-hybrids", "damage-cuts", "damage-equal", "damage-effects"}
LEVELS, EXPECTED = (
    {"return-levels", "return-level-table"},
    {"expected-survival", "expected-hybrids"},
)
LATE = {"frost-calendar", "frost-after-emergence", "frost-sites"}
AGREE = {"freeze-field"}
GONE_WITH = {
    "freeze_tests": (FREEZER | LEAKAGE | AGREE | EXPECTED, {30, 31, 33, 36}),
    "stand_counts": (FIELD | AGREE, {32, 33}),
    "frost_scores": (DAMAGE, {34}),
    "phenology": (LATE, {37}),
    "weather": (LEVELS | EXPECTED | LATE, {35, 36, 37}),
}
"""Labels and ranks of findings that cannot be there when a table is away."""
HYBRIDS = [f"H{i:03d}" for i in range(1, 7)]
LT50 = dict(zip(HYBRIDS, (-5.0, -4.4, -3.9, -3.5, -3.0, -2.5)))
SURVIVAL = dict(zip(HYBRIDS, (0.98, 0.95, 0.9, 0.8, 0.65, 0.5)))


def _logistic(x):
    return 1 / (1 + np.exp(-x))


def frost_network():
    """Six hybrids with freeze tests, leakage, twenty winters and scores of two observers."""
    sheets, rng = small_network(), np.random.default_rng(11)
    hybrids = sheets["hybrids.csv"]
    hybrids.rows = [
        [h, "control" if h == "H004" else "candidate", *hybrids.rows[0][2:]] for h in HYBRIDS
    ]
    plots = sheets["S01/plots.csv"]
    plots.rows = [
        [
            "S01",
            f"{i:03d}",
            "T24A",
            str(1 + i // 6),
            f"B{1 + i // 6}",
            str(1 + i // 6),
            str(1 + i % 6),
            "",
            HYBRIDS[i % 6],
            *plots.rows[0][9:],
        ]
        for i in range(30)
    ]
    layout = [(row[1], row[8]) for row in plots.rows]
    counts = sheets["S01/stand_counts.csv"]
    counts.rows = [
        ["S01", plot, day, occasion, str(alive), "0", "no", "0", "AB"]
        for plot, h in layout
        for day, occasion, alive in (
            ("2024-10-05", "autumn", 36),
            ("2025-06-22", "summer", rng.binomial(36, SURVIVAL[h])),
        )
    ]
    scores = sheets["S01/frost_scores.csv"]
    scores.rows = [
        [
            "S01",
            plot,
            "2025-05-04",
            "2025-05-08",
            str(int(np.clip(HYBRIDS.index(h) + rng.integers(-1, 2), 0, 6))),
            "20",
            observer,
        ]
        for plot, h in layout
        for observer in ("AB", "CD")
    ]
    phenology = sheets["S01/phenology.csv"]
    phenology.rows = [
        [
            "S01",
            plot,
            "2025",
            f"2025-04-{1 + HYBRIDS.index(h) + rng.integers(0, 3):02d}",
            *phenology.rows[0][4:],
        ]
        for plot, h in layout
    ]
    sheets["S01/weather.csv"].rows = _weather(rng)
    sheets["freeze_tests.csv"].rows = [*_survival(), *_leakage(rng)]
    for name in ("harvests", "stem_measures"):
        del sheets[f"S01/{name}.csv"]
    del sheets["S02/plots.csv"]
    return sheets


def _weather(rng):
    days = pd.date_range("2005-07-01", "2025-06-30")
    cold = pd.Series(rng.normal(0, 2, 30), index=range(2000, 2030))[
        days.year - (days.month < 7)
    ].to_numpy()
    mean = (
        9
        - 9 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365.25)
        + cold
        + rng.normal(0, 2, len(days))
    )
    return [
        [
            "S01",
            f"{day:%Y-%m-%d}",
            f"{m - 5:.1f}",
            f"{m + 5:.1f}",
            "1.5",
            f"{m / 2 - 2:.1f}",
            "70",
            "2",
            "9",
            "0",
        ]
        for day, m in zip(days, mean)
    ]


def _survival():
    return [
        [
            run,
            "2025-01-20",
            "slow",
            h,
            "rhizome",
            t,
            "20",
            str(round(19 * (1 if t == "NA" else _logistic(2 * (float(t) - LT50[h]))))),
            "S01",
            "2025-01-10",
            "",
            "",
            "",
            "",
        ]
        for run in ("R1", "R2", "R3")
        for h in HYBRIDS
        for t in ("NA", "-1", "-2", "-3", "-4", "-5", "-6", "-7")
    ]


def _leakage(rng):
    return [
        [
            run,
            "2025-01-21",
            "fast",
            h,
            "leaf",
            t,
            "",
            "",
            "S01",
            "2025-01-10",
            unit,
            "10",
            (
                f"{150 * (0.15 + (0 if t == 'NA' else 0.75 * _logistic(-2.5 * (float(t) - LT50[h])))) + rng.normal(0, 2):.1f}"
            ),
            "150",
        ]
        for run in ("L1", "L2")
        for h in HYBRIDS
        for t in ("NA", "-1", "-2", "-3", "-4", "-5", "-6", "-7")
        for unit in ("1", "2")
    ]


def _labels(shown):
    return {*tables(shown), *figures(shown)}


def _ranks(shown):
    return {b["rank"] for b in bundles(shown) if b.get("kind") == "finding"}


def _run(tmp_path, monkeypatch, sheets, **parameters):
    folder = str(write_network(tmp_path / "net", sheets))
    return shown_by(
        FROST,
        monkeypatch,
        **({"data": folder, "site": "S01", "season": 2025, "draws": 200} | parameters),
    )


def test_whole_network_answers_every_question(tmp_path, monkeypatch):
    shown = _run(tmp_path, monkeypatch, frost_network())
    assert _labels(shown) >= FREEZER | LEAKAGE | FIELD | DAMAGE | LEVELS | EXPECTED | LATE | AGREE
    ranks = [b["rank"] for b in bundles(shown) if b.get("kind") == "finding"]
    assert sorted(ranks) == list(range(30, 38))
    assert max(f["height_in"] for f in figures(shown).values()) <= 8.5 and all(
        len(f["alt"]) > 40 for f in figures(shown).values()
    )


@pytest.mark.parametrize("away", list(GONE_WITH))
def test_missing_table_is_refused_in_words_and_leaves_nothing_behind(away, tmp_path, monkeypatch):
    sheets = {
        name: sheet for name, sheet in frost_network().items() if not name.endswith(f"{away}.csv")
    }
    shown = _run(tmp_path, monkeypatch, sheets)
    labels, ranks = GONE_WITH[away]
    assert not labels & _labels(shown) and not ranks & _ranks(shown)
    assert _ranks(shown) == set(range(30, 38)) - ranks
    refused, skipped = sentences(shown, "refusal"), sentences(shown, "skipped")
    assert refused and all(text.endswith(".") for text in refused)
    assert set(skipped) <= set(refused) and sum(away in text for text in refused) >= 1
    said = {b["see"] for b in bundles(shown) if b.get("see")}
    assert said <= _labels(shown)


def test_network_with_plots_only_has_no_finding_and_no_table(tmp_path, monkeypatch):
    sheets = {
        name: sheet
        for name, sheet in frost_network().items()
        if name.split("/")[-1] in ("sites.csv", "hybrids.csv", "plots.csv")
    }
    shown = _run(tmp_path, monkeypatch, sheets)
    assert not _labels(shown) and not sentences(shown, "finding")
    refused = " ".join(sentences(shown, "refusal"))
    assert all(name in refused for name in GONE_WITH if name != "phenology")


def test_positive_temperatures_are_refused_with_the_mend(tmp_path, monkeypatch):
    sheets = frost_network()
    sheets["freeze_tests.csv"].put_all("temperature_c", lambda old: old.replace("-", ""))
    text = " ".join(sentences(_run(tmp_path, monkeypatch, sheets), "refusal"))
    assert "the minus sign was left out" in text and "Enter them as negative numbers" in text


def test_hostile_names_do_not_break_out(tmp_path, monkeypatch):
    name = "H$1_*<b>#&'\"\\alpha"
    sheets = frost_network()
    for sheet in sheets.values():
        if isinstance(sheet, Sheet):
            sheet.rows = [[name if cell == "H001" else cell for cell in row] for row in sheet.rows]
    shown = _run(tmp_path, monkeypatch, sheets)
    assert name in {row[0] for row in tables(shown)["lethal-temperatures"]["rows"]}
    assert "<b>" not in "".join(re.sub(r'src="[^"]*"', "", thing.html()) for thing in shown)
