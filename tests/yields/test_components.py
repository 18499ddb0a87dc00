import numpy as np
import pandas as pd
import pytest

from component_frames import make_counts, make_ground, make_harvests, make_stems
from culmbook.sheets.crosschecks import component_product
from culmbook.yields.components import (
    COMPONENTS,
    component_means,
    component_words,
    log_components,
    log_words,
    plot_components,
    with_yield,
)
from culmbook.yields.harvest import plot_harvests


def components(ground, stems, alive=24, slips=None):
    return plot_components(stems, make_counts(ground, alive), ground, slips).set_index("plot")


def test_product_of_components_is_the_yield_of_a_plot_reckoned_by_hand():
    # 24 plants on 24 m², 30 stems of 20 g each: 600 g per m² = 6 t/ha
    ground = make_ground()
    row = components(ground, make_stems(ground)).iloc[0]
    assert row[[*COMPONENTS, "product_t_ha"]].tolist() == [1.0, 30.0, 20.0, 6.0]
    assert row["crop_year"] == 4 and row["n_plants"] == 3


def test_mass_per_stem_weighs_plants_by_their_stems():
    # 10 stems of 30 g and 30 stems of 10 g: 600 g in 40 stems
    ground = make_ground(replicates=1)
    stems = make_stems(ground, plants=2, stems=np.tile([10, 30], 3), mass=np.tile([30.0, 10.0], 3))
    row = components(ground, stems).iloc[0]
    assert row["stem_mass_g"] == 15.0 and row["product_t_ha"] == pytest.approx(1 * 300 * 10 / 1000)


def test_components_agree_with_the_products_that_reading_checks():
    ground = make_ground()
    tables = {
        "stem_measures": make_stems(ground),
        "stand_counts": make_counts(ground),
        "plots": ground,
    }
    assert component_product(tables)["product"].to_numpy() == pytest.approx(
        components(ground, make_stems(ground))["product_t_ha"]
    )


def test_a_later_round_with_heights_only_does_not_hide_the_stems():
    ground = make_ground()
    late = make_stems(ground, day="2025-12-12", height=150.0).assign(
        stems=pd.NA, stem_dry_mass_g=np.nan
    )
    row = components(ground, pd.concat([make_stems(ground), late])).iloc[0]
    assert row["measured_on"] == pd.Timestamp("2025-11-12") and row["product_t_ha"] == 6.0


def test_an_absent_component_leaves_the_product_missing_and_is_named():
    ground = make_ground()
    stems = make_stems(ground).assign(stem_dry_mass_g=np.nan)
    frame = components(ground, stems).reset_index()
    assert frame["product_t_ha"].isna().all() and frame["stems_per_plant"].notna().all()
    assert component_words(stems, frame) == ["Not observed in any plot: mass per stem."]
    with pytest.raises(ValueError, match="stem_mass_g"):
        log_components(frame)


def test_heights_by_two_methods_are_kept_apart_with_a_message():
    ground = make_ground()
    stems = make_stems(ground)
    panicle = stems["plot"].isin(["001", "002"])
    stems = stems.assign(
        height_method=np.where(panicle, "panicle", "ligule"),
        stem_height_cm=np.where(panicle, 260.0, 200.0),
    )
    frame = components(ground, stems)
    assert frame["stem_height_cm"].isna().tolist() == [True, True, *[False] * 7]
    assert frame["stem_height_cm"].dropna().eq(200).all() and set(
        frame["height_method"].dropna()
    ) == {"ligule"}
    (told,) = component_words(stems, frame.reset_index())
    assert "two methods (ligule and panicle)" in told and "only those by ligule are used" in told


def test_a_plant_with_a_unit_slip_is_not_averaged_and_counted():
    ground = make_ground()
    stems = make_stems(ground)
    stems.loc[1, "stem_dry_mass_g"] = 20000.0
    slips = pd.DataFrame(
        {"code": ["N-SLIP"], "file": ["S1/stem_measures.csv"], "line": pd.array([3], dtype="Int64")}
    )
    frame = components(ground, stems, slips=slips)
    assert frame.loc["001", ["n_plants", "n_slips", "stem_mass_g"]].tolist() == [2, 1, 20.0]
    assert (
        "1 measured plant with a suspected unit slip"
        in component_words(stems, frame.reset_index())[0]
    )


def test_damaged_plots_have_no_components():
    ground = make_ground().assign(status=["damaged", *["ok"] * 8])
    assert "001" not in components(ground, make_stems(ground)).index


def test_density_is_that_of_the_last_count_before_measuring():
    ground = make_ground()
    counts = pd.concat(
        [
            make_counts(ground, 12, "2024-06-24"),
            make_counts(ground, 24, "2025-06-24"),
            make_counts(ground, 6, "2026-06-24"),
        ]
    )
    assert plot_components(make_stems(ground), counts, ground)["plants_per_m2"].eq(1.0).all()


def test_logs_keep_plots_with_everything_and_their_rest():
    ground = make_ground()
    cut = make_harvests(ground, fresh_kg=np.r_[0.0, [12.0] * 8])
    frame = with_yield(
        plot_components(make_stems(ground), make_counts(ground), ground), plot_harvests(cut, ground)
    )
    logs = log_components(frame, outcome="dry_yield_t_ha")
    assert len(logs) == 8  # the plot without yield has no log
    assert logs["rest"].to_numpy() == pytest.approx(np.log(7 / 600))
    assert (
        log_words(frame, logs)
        == "Left out without every component and a yield: 1 of 9 plots, 1 because nothing grew or was cut."
    )
    assert log_words(logs, logs) == ""
    assert frame["product_ratio"].iloc[1:].to_numpy() == pytest.approx(6 / 7)


def test_means_by_hybrid_carry_units_and_leave_out_what_was_not_observed(rng):
    ground = make_ground(("H1", "H2", "STD"), replicates=4)
    stems = make_stems(
        ground, stems=rng.integers(20, 40, 36), mass=20 + rng.normal(size=36)
    ).assign(stem_diameter_mm=np.nan)
    frame = components(ground, stems).reset_index()
    table, told = component_means(frame)
    assert set(table["measure"]) == {"stems_per_plant", "stem_mass_g", "product_t_ha"}
    assert (
        len(told) == 4
        and told[2]
        == "Stem diameter: no means by hybrid, because stem_diameter_mm was observed in fewer than two hybrids: there is nothing to compare."
    )
    own = table[table["measure"] == "stem_mass_g"].set_index("hybrid")
    assert own["unit"].eq("g").all() and own["n_plots"].eq(4).all()
    assert own["mean"].sort_index().to_numpy() == pytest.approx(
        frame.groupby("hybrid")["stem_mass_g"].mean().to_numpy()
    )


def test_a_hybrid_in_one_plot_has_a_mean_with_a_wide_interval(rng):
    ground = make_ground(("H1", "H2", "STD"), replicates=4).drop(index=[0, 3, 6])
    frame = components(ground, make_stems(ground, mass=20 + rng.normal(size=27))).reset_index()
    own = component_means(frame, ("stem_mass_g",))[0].set_index("hybrid")
    width = own["upper"] - own["lower"]
    assert own.loc["H1", "n_plots"] == 1 and width["H1"] > 1.5 * width["H2"]
