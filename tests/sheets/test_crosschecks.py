"""Values that do not fit beside others are noted with both values and the likely slip, and kept."""

import numpy as np
import pandas as pd
import pytest

from culmbook.sheets.crosschecks import (
    component_product,
    dry_yield,
    neighbour_pairs,
    observer_notes,
    swap_notes,
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


TRAITS = ("stems", "height", "diameter", "flowering")


def trial_with_traits(
    rng, swapped=(), n_hybrids=12, seasons=(2024, 2025), between=(1, 1, 1, 1), lasting=0.0
):
    """Return plot traits of an invented trial, three plots per hybrid, spread 0.3 within and 1
    between; of the spread within, the share `lasting` of the variance is of the plot, the same in
    every season.
    """
    centres = rng.normal(0, 1, (n_hybrids, 4)) * between
    plots = [(f"P{h:02d}{r}", h) for h in range(n_hybrids) for r in range(3)]
    own = {plot: 0.3 * np.sqrt(lasting) * rng.normal(0, 1, 4) for plot, _ in plots}
    true = dict(plots)
    for one, other in swapped:
        true[one], true[other] = true[other], true[one]
    rows = []
    for season in seasons:
        for plot, label in plots:
            error = 0.3 * np.sqrt(1 - lasting) * rng.normal(0, 1, 4)
            values = dict(zip(TRAITS, centres[true[plot]] + own[plot] + error))
            about = {"growing_season": season, "plot": plot, "hybrid": f"H{label:02d}"}
            rows.append(about | values)
    return pd.DataFrame(rows)


def doubted(seed, swapped=(), **more):
    trial = trial_with_traits(np.random.default_rng(seed), swapped, **more)
    return {plot for plot, *_ in swapped_plots(trial)}


def test_swapped_labels_are_found_and_no_others():
    found = [doubted(seed, [("P000", "P050")]) for seed in range(40)]
    assert sum(len(plots & {"P000", "P050"}) for plots in found) >= 55  # of 80
    assert sum(len(plots - {"P000", "P050"}) for plots in found) <= 1


@pytest.mark.parametrize("lasting", [0.0, 1.0])
def test_right_labels_are_rarely_doubted(lasting):
    n = sum(len(doubted(seed, seasons=(2022, 2023, 2024), lasting=lasting)) for seed in range(30))
    assert n <= 1  # of 30 trials × 36 plots, two networks


def test_swapped_labels_that_only_diameter_tells_are_found():
    swap = [("P000", "P050")]
    found = [doubted(seed, swap, between=(0, 0, 8, 0)) & {"P000", "P050"} for seed in range(20)]
    assert sum(map(len, found)) >= 30  # of 40


def test_a_hybrid_just_as_near_is_named_too():
    trial = trial_with_traits(np.random.default_rng(4), [("P000", "P050")], between=(3, 3, 3, 3))
    twins = trial[trial["hybrid"] == "H00"].assign(hybrid="H99", plot=lambda t: "Q" + t["plot"])
    twins[list(TRAITS)] += np.random.default_rng(5).normal(0, 0.1, (len(twins), 4))
    twins = twins[twins["plot"] != "QP000"]
    named = {plot: set(like) for plot, _, like, _ in swapped_plots(pd.concat([trial, twins]))}
    assert named["P050"] == {"H00", "H99"} and named["P000"] == {"H05"}


def test_exchanged_labels_are_named_pair_by_pair(tmp_path):
    tables = read_network(write_network(tmp_path, small_network()), today=TODAY).tables
    trial = trial_with_traits(
        np.random.default_rng(2), [("P000", "P050"), ("P010", "P070")], between=(3, 3, 3, 3)
    )
    plots = trial.drop_duplicates("plot").assign(site="S01", trial="T", status="ok")
    plots = plots.assign(source_file="plots.csv", source_line=range(2, len(plots) + 2))
    stems = trial.assign(site="S01", plant="1", stems=np.exp(trial["stems"]))
    stems["stem_height_cm"], stems["stem_diameter_mm"] = (
        np.exp(trial[name]) for name in ("height", "diameter")
    )
    days = pd.Timestamp("2025-01-01") + pd.to_timedelta(200 + 10 * trial["flowering"], unit="D")
    tables |= {"plots": plots, "stem_measures": stems, "phenology": trial.assign(site="S01")}
    tables["phenology"]["flowered_on"] = days
    found = swap_notes(tables)
    pairs = {note.line: note.mend.split(" with ")[1].split("?")[0] for note in found}
    at = plots.set_index("plot")["source_line"]
    expected = {"P000": "P050", "P050": "P000", "P010": "P070", "P070": "P010"}
    assert pairs == {at[plot]: other for plot, other in expected.items()}


def test_one_season_doubts_no_label(rng=np.random.default_rng(1)):
    assert swapped_plots(trial_with_traits(rng, [("P000", "P050")], seasons=(2025,))) == []


def scores(shift, n=12, seed=3, days_later=0, others=("AA",), year=2025):
    rng = np.random.default_rng(seed)
    truth = rng.integers(1, 4, n)
    rows = [
        {
            "site": "S01",
            "plot": f"{i:03d}",
            "frost_on": pd.Timestamp(f"{year}-05-04"),
            "scored_on": pd.Timestamp(f"{year}-05-08")
            + pd.Timedelta(days=days_later * (who == "CC")),
            "observer": who,
            "damage_score": truth[i] + (shift if who == "CC" else 0) + rng.integers(0, 2),
            "source_file": "f",
            "source_line": 2 + i,
        }
        for i in range(n)
        for who in (*others, "CC")
    ]
    return pd.DataFrame(rows).astype({"damage_score": "Int64", "source_line": "Int64"})


@pytest.mark.parametrize("days_later", [0, 1])
def test_observer_who_scores_high_is_noted(days_later):
    (note,) = observer_notes({"frost_scores": scores(2, days_later=days_later)})
    assert "CC" in note.rule and "AA" in note.rule and "on 12 shared plots" in note.rule


def test_of_three_observers_only_the_one_apart_is_noted():
    (note,) = observer_notes({"frost_scores": scores(2, others=("AA", "BB"), n=30)})
    assert "observer CC scores" in note.rule and "higher than AA, BB" in note.rule


def test_an_observer_is_noted_in_the_season_in_which_the_scores_sit_apart():
    both = pd.concat([scores(2, year=2023), scores(0, year=2025)], ignore_index=True)
    both.loc[both.index[24:], "source_line"] += 100
    (note,) = observer_notes({"frost_scores": both})
    assert note.line < 100


def test_observers_alike_are_not_noted():
    assert observer_notes({"frost_scores": scores(0)}) == []


def test_a_plot_whose_mean_height_falls_is_noted_though_its_plants_are_others(tmp_path):
    sheets = small_network()
    stems = sheets["S01/stem_measures.csv"]
    for i, row in enumerate([list(row) for row in stems.rows]):
        stems.rows.append(row)
        plant, height = str(int(row[4]) + 3), float(row[6]) * (1.04 - 0.01 * (i % 3))
        stems.put(38 + i, "measured_on", "2025-12-10").put(38 + i, "plant", plant)
        stems.put(38 + i, "stem_height_cm", f"{height * (0.7 if 5 <= i // 3 < 7 else 1):.1f}")
    found = notes(tmp_path, "N-FALL", sheets)
    assert len(found) == 1 and "2 of 24 rows" in found["rule"].iat[0]
    assert "mean height of 3 plants" in found["rule"].iat[0] and found["line"].iat[0] in (53, 56)


def test_unlikely_values_of_one_cause_site_and_season_are_one_note(tmp_path):
    sheets = small_network()
    cuts, stems = sheets["S01/harvests.csv"], sheets["S01/stem_measures.csv"]
    for line in (3, 5, 7, 9):  # of 2025
        cuts.put(line, "subsample_dry_g", f"{150 + line}")
        cuts.put(line, "ash_pct", f"{11 + line / 10}")
    for line in range(2, 38):
        stems.put(line, "stem_dry_mass_g", f"{float(stems.get(line, 'stem_dry_mass_g')) * 3:g}")
    found = notes(tmp_path, "N-RANGE", sheets)
    assert found["column"].tolist() == ["subsample_dry_g", "ash_pct"]
    assert found["line"].tolist() == [3, 9]  # those farthest off
    assert found["rule"].str.contains("4 of 12 rows of the season").all()
    products = read_network(tmp_path, today=TODAY).problems.query("code == 'N-PRODUCT'")
    assert len(products) == 1 and "12 of 12 rows of the season" in products["rule"].iat[0]


def test_a_block_in_two_main_plots_of_a_replicate_is_noted_once_for_a_trial(tmp_path):
    sheets = small_network()
    plots = sheets["S01/plots.csv"]
    for line in range(2, 10):  # eight plots: two replicates of four
        plots.put(line, "main_plot", "ab"[line % 2])
        plots.put(line, "block", "B1")
    found = notes(tmp_path, "N-BLOCK", sheets)
    assert found[["line", "column", "value"]].values.tolist() == [[2, "block", "B1"]]
    assert "2 main plots of replicate 1" in found["rule"].iat[0]
    assert "2 such codes in trial T24A" in found["rule"].iat[0]


def test_a_block_code_written_anew_in_every_replicate_is_no_fault(tmp_path):
    sheets = small_network()
    sheets["S01/plots.csv"].put_all("block", "B1")
    assert notes(tmp_path, "N-BLOCK", sheets).empty
