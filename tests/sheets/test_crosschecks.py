"""Values that do not fit beside others are noted with both values and the likely slip, and kept."""

import numpy as np
import pandas as pd
import pytest

from culmbook.sheets.crosschecks import (
    component_product,
    dry_yield,
    neighbour_pairs,
    observer_notes,
    swapped_plots,
)
from culmbook.sheets.read import read_network
from small_network import TODAY, small_network, write_network


def notes(tmp_path, code, sheets):
    problems = read_network(write_network(tmp_path, sheets), today=TODAY).problems
    assert (problems["severity"] == "note").all(), problems.to_string()
    return problems[problems["code"] == code]


def test_dry_yield_by_hand():
    cut = pd.DataFrame(
        {
            "subsample_dry_g": [60.0],
            "subsample_fresh_g": [100.0],
            "fresh_mass_kg": [15.0],
            "harvested_area_m2": [12.5],
        }
    )
    moisture, dry = dry_yield(cut)
    assert moisture.iat[0] == pytest.approx(40) and dry.iat[0] == pytest.approx(
        7.2
    )  # 15 kg × 0.6 ÷ 12.5 m² × 10


def test_component_product_by_hand(tmp_path):
    tables = read_network(write_network(tmp_path, small_network()), today=TODAY).tables
    product = component_product(tables).set_index("plot")["product"]
    assert product["001"] == pytest.approx(
        30 / 24 * 20 * 24.5 / 100
    )  # plants ÷ area × stems × g ÷ 100


@pytest.mark.parametrize(
    "factor, says", [(10, "× 10"), (0.1, "÷ 10"), (0.01, "÷ 100"), (1000, "× 1000")]
)
@pytest.mark.parametrize("column", ["stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"])
def test_unit_slip_of_a_stem_is_noted(column, factor, says, tmp_path):
    sheets = small_network()
    stems = sheets["S01/stem_measures.csv"]
    stems.put(9, column, f"{float(stems.get(9, column)) * factor:g}")
    found = notes(tmp_path, "N-SLIP", sheets)
    assert found["line"].tolist() == [9] and found["column"].tolist() == [column]
    assert says in found["rule"].iat[0] and stems.get(9, column) in found["rule"].iat[0]


def test_unit_slip_of_a_harvest_is_noted_and_its_product(tmp_path):
    sheets = small_network()
    sheets["S01/harvests.csv"].put(3, "fresh_mass_kg", "155")
    assert notes(tmp_path, "N-SLIP", sheets)["line"].tolist() == [3]
    product = notes(tmp_path, "N-PRODUCT", sheets)
    assert product["line"].tolist() == [3] and "ratio 0.09" in product["rule"].iat[0]


def test_falling_height_is_noted(tmp_path):
    sheets = small_network()
    stems = sheets["S01/stem_measures.csv"]
    later = [list(row) for row in stems.rows[:3]]
    stems.rows += later
    for line, height in ((38, "51.5"), (39, "152"), (40, "160")):
        stems.put(line, "measured_on", "2025-12-10").put(line, "stem_height_cm", height)
    found = notes(tmp_path, "N-FALL", sheets)
    assert (
        found["line"].tolist() == [38] and "151.5 cm on 2025-11-20 (line 2)" in found["rule"].iat[0]
    )


def test_moisture_and_odd_occasion_are_noted(tmp_path):
    sheets = small_network()
    sheets["S01/harvests.csv"].put(3, "subsample_dry_g", "490")
    sheets["S01/stand_counts.csv"].put(4, "occasion", "autumn")
    assert "moisture 2.1 %" in notes(tmp_path, "N-RANGE", sheets)["rule"].iat[0]
    assert "2025-06-22" in notes(tmp_path, "N-OCCASION", sheets)["rule"].iat[0]


def test_neighbours_touch_in_one_trial(tmp_path):
    plots = read_network(write_network(tmp_path, small_network()), today=TODAY).tables["plots"]
    pairs = neighbour_pairs(plots)
    of_corner = pairs[(pairs["site"] == "S01") & (pairs["plot"] == "001")]["neighbour"]
    assert sorted(of_corner) == ["002", "005", "006"]


def trial_with_traits(rng, swapped=(), n_hybrids=12, seasons=(2024, 2025)):
    """Return plot traits of an invented trial, three plots per hybrid, spread 0.3 within and 1
    between.
    """
    centres = rng.normal(0, 1, (n_hybrids, 3))
    plots = [(f"P{h:02d}{r}", h) for h in range(n_hybrids) for r in range(3)]
    true = dict(plots)
    for one, other in swapped:
        true[one], true[other] = true[other], true[one]
    rows = [
        {
            "growing_season": season,
            "plot": plot,
            "hybrid": f"H{label:02d}",
            **dict(
                zip(("stems", "height", "flowering"), centres[true[plot]] + rng.normal(0, 0.3, 3))
            ),
        }
        for season in seasons
        for plot, label in plots
    ]
    return pd.DataFrame(rows)


def doubted(seed, swapped=()):
    return {
        plot
        for plot, _, _ in swapped_plots(trial_with_traits(np.random.default_rng(seed), swapped))
    }


def test_swapped_labels_are_found_and_no_others():
    found = [doubted(seed, [("P000", "P050")]) for seed in range(40)]
    assert sum(len(plots & {"P000", "P050"}) for plots in found) >= 55  # of 80
    assert sum(len(plots - {"P000", "P050"}) for plots in found) <= 1


def test_right_labels_are_rarely_doubted():
    assert sum(len(doubted(seed)) for seed in range(60)) <= 1  # of 60 trials × 36 plots


def test_one_season_doubts_no_label(rng=np.random.default_rng(1)):
    assert swapped_plots(trial_with_traits(rng, [("P000", "P050")], seasons=(2025,))) == []


def scores(shift, n=12, seed=3):
    rng = np.random.default_rng(seed)
    truth = rng.integers(1, 5, n)
    rows = [
        {
            "site": "S01",
            "plot": f"{i:03d}",
            "scored_on": pd.Timestamp("2025-05-08"),
            "observer": who,
            "damage_score": truth[i] + (shift if who == "CC" else 0) + rng.integers(0, 2),
            "source_file": "f",
            "source_line": 2 + i,
        }
        for i in range(n)
        for who in ("AA", "CC")
    ]
    return pd.DataFrame(rows).astype({"damage_score": "Int64", "source_line": "Int64"})


def test_observer_who_scores_high_is_noted():
    assert any(
        "observer CC scores" in note.rule and "higher" in note.rule
        for note in observer_notes(scores(2))
    )


def test_observers_alike_are_not_noted():
    assert observer_notes(scores(0)) == []
