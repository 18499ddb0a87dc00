import numpy as np
import pandas as pd
import pytest

from component_frames import make_ground, make_harvests
from culmbook.text.refusal import Refusal
from culmbook.trials.dry_yield import (
    area_remarks,
    looked_at,
    plantings_looked_at,
    plot_harvests,
    remarks,
)
from culmbook.yields import words

SLIP = pd.DataFrame(
    {
        "code": ["N-SLIP"],
        "file": ["S1/harvests.csv"],
        "line": pd.array([3], dtype="Int64"),
        "column": ["fresh_mass_kg"],
    }
)


def harvested(ground, harvests, **options):
    return plot_harvests(harvests, ground, **options).set_index("plot")


def test_moisture_matches_the_oven_dry_formula():
    # ISO 18134: M = 100 (m2 - m3)/(m2 - m1); dish 50 g, with the sample 350 g, dried 260 g gives
    # 30.0 % (formula
    # from memory): 300 g fresh, 210 g dry
    ground = make_ground()
    cut = make_harvests(ground).assign(subsample_fresh_g=350.0 - 50, subsample_dry_g=260.0 - 50)
    out = harvested(ground, cut)
    assert out["moisture_pct"].to_numpy() == pytest.approx(30.0)
    assert out["dry_yield_t_ha"].to_numpy() == pytest.approx(
        7.0
    )  # 12 kg fresh on 12 m² = 10 t/ha fresh


def test_a_lost_sample_takes_the_hybrids_mean_at_the_site_and_is_flagged():
    ground = make_ground(replicates=3)
    moisture = np.where(ground["hybrid"].eq("H1"), [30.0, 0, 0, 20.0, 0, 0, 0, 0, 0], 40.0)
    cut = make_harvests(ground, moisture_pct=moisture)
    cut.loc[6, ["subsample_fresh_g", "subsample_dry_g"]] = np.nan  # third plot of H1
    out = harvested(ground, cut)
    assert out.loc["007", ["moisture_pct", "moisture_from"]].tolist() == [
        pytest.approx(25.0),
        "hybrid at the site",
    ]
    assert (out["moisture_from"].drop("007") == "measured").all()
    assert "sample of 1 plot was lost" in " ".join(words.left_out(out.reset_index()))


def test_a_hybrid_without_any_sample_takes_the_sites_mean():
    ground = make_ground()
    cut = make_harvests(ground, moisture_pct=np.where(ground["hybrid"].eq("H2"), 20.0, 40.0))
    cut.loc[ground["hybrid"].eq("H1"), "subsample_dry_g"] = np.nan
    out = harvested(ground, cut)
    own = out[out["hybrid"] == "H1"]
    assert (own["moisture_from"] == "site mean").all() and own[
        "moisture_pct"
    ].to_numpy() == pytest.approx(30.0)


def test_all_samples_lost_at_a_site_gives_no_dry_yield_and_says_so():
    ground = make_ground()
    cut = make_harvests(ground).assign(subsample_dry_g=np.nan)
    other = make_harvests(make_ground(site="S2")).assign(source_file="S2/harvests.csv")
    out = plot_harvests(pd.concat([cut, other]), pd.concat([ground, make_ground(site="S2")]))
    first = out[out["site"] == "S1"]
    assert first["dry_yield_t_ha"].isna().all() and first["moisture_from"].isna().all()
    assert (first["left_out"] == "no moisture at the site in this season").all()
    assert out.loc[out["site"] == "S2", "left_out"].isna().all()
    assert any("All moisture samples were lost at S1 in 2025" in s for s in words.left_out(out))


def test_a_plot_cut_early_is_flagged_and_left_out():
    ground = make_ground()
    cut = make_harvests(ground)
    cut.loc[0, "harvested_on"] = pd.Timestamp("2026-01-31")
    cut.loc[1, "harvested_on"] = pd.Timestamp("2026-02-01")
    out = harvested(ground, cut)
    assert out["is_early"].tolist() == [True, *[False] * 8]
    assert out.loc["001", "left_out"] == "cut 14 days or more before the others"


def test_an_early_cut_does_not_fill_another_plots_moisture():
    ground = make_ground()
    cut = make_harvests(ground, moisture_pct=np.r_[60.0, [30.0] * 8])
    cut.loc[0, "harvested_on"] = pd.Timestamp("2025-12-01")
    cut.loc[3, "subsample_dry_g"] = np.nan  # the second plot of the same hybrid
    assert harvested(ground, cut).loc["004", "moisture_pct"] == pytest.approx(30.0)


def test_a_suspected_unit_slip_is_left_out_and_named():
    ground = make_ground()
    out = harvested(ground, make_harvests(ground), slips=SLIP)
    assert out.loc["002", "left_out"] == "unit slip suspected" and out["is_slip"].sum() == 1


def test_a_damaged_plot_is_left_out_and_one_lost_to_its_hybrid_yields_nothing():
    ground = make_ground().assign(status=["damaged", "abandoned", *["ok"] * 7])
    ground["status_cause"] = pd.array(["external", "plant", *[pd.NA] * 7], dtype="str")
    cut = make_harvests(ground).drop(index=[1])
    out = harvested(ground, cut)
    assert out.loc["001", "left_out"] == "plot set aside"
    assert out.loc["002", "dry_yield_t_ha"] == 0 and pd.isna(out.loc["002", "left_out"])


def test_yield_does_not_depend_on_row_order():
    ground = make_ground()
    cut = make_harvests(ground, fresh_kg=np.linspace(5, 20, 9))
    again = plot_harvests(cut.sample(frac=1, random_state=2), ground)
    pd.testing.assert_frame_equal(again, plot_harvests(cut, ground))


def test_areas_up_to_the_edge_too_small_or_unplanned_are_remarked():
    ground = make_ground()
    cut = make_harvests(ground)
    cut["harvested_area_m2"] = [24.0, 2.0, *[12.0] * 7]
    remarks = area_remarks(plot_harvests(cut, ground)).groupby("plot")["remark"].agg(list).to_dict()
    # a strip of 0.5 m off 6 m x 4 m leaves 15 m²
    assert remarks == {
        "001": ["no edge of 0.50 m was left standing", "not the planned area"],
        "002": ["not the planned area", "under 3.0 m² was cut"],
    }


def test_a_season_without_a_cut_is_refused():
    ground = make_ground()
    yields = plot_harvests(make_harvests(ground), ground)
    plantings = plantings_looked_at(ground, 2024)
    with pytest.raises(
        Refusal, match="No plot of the planting looked at has a row for season 2024"
    ):
        looked_at(yields, plantings, 2024, "harvests")
    assert len(looked_at(yields, plantings_looked_at(ground, 2025), 2025, "harvests")) == 9


@pytest.mark.parametrize(
    ("years", "season", "named", "chosen"),
    [
        ((2022, 2025), 2025, 0, [2022]),
        ((2019, 2022, 2025), 2025, 0, [2019, 2022]),
        ((2024, 2025), 2025, 0, [2024]),
        ((2022, 2025), 2025, 2025, [2025]),
    ],
)
def test_plantings_looked_at_are_all_full_grown_ones(years, season, named, chosen):
    plots = pd.DataFrame({"site": "S1", "trial": [f"T{y}" for y in years]})
    plots["planted_on"] = [pd.Timestamp(y, 5, 1) for y in years]
    own = plantings_looked_at(plots, season, named)
    wanted = [[year, season - year + 1] for year in chosen]
    assert own[["planting_season", "crop_year"]].to_numpy().tolist() == wanted


def test_an_unknown_planting_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match="plantings there are: 2022"):
        plantings_looked_at(make_ground(), 2025, 1999)


def test_cuts_not_like_the_others_are_listed_with_their_reason():
    ground = make_ground()
    cut = make_harvests(ground)
    cut.loc[0, "harvested_on"] = pd.Timestamp("2026-01-10")
    cut.loc[1, ["subsample_fresh_g", "subsample_dry_g"]] = np.nan
    cut.loc[2, ["status", "status_reason"]] = ["damaged", "wild boar"]
    cut.loc[3, "harvested_area_m2"] = 20.0
    rows = remarks(plot_harvests(cut, ground)).set_index("plot")
    assert rows.loc["001", "remark"] == "left out: cut 14 days or more before the others"
    assert rows.loc["002", "remark"] == "moisture filled from: hybrid at the site"
    assert rows.loc["003", ["remark", "reason"]].tolist() == [
        "left out: cut set aside",
        "wild boar",
    ]
    assert "not the planned area" in set(rows.loc["004", "remark"])


def test_a_clean_harvest_has_no_remarks():
    ground = make_ground()
    with pytest.raises(Refusal, match="No cut stands out"):
        remarks(plot_harvests(make_harvests(ground), ground))


def test_trials_cut_on_different_days_are_each_their_own_measure():
    first, second = (
        make_ground(),
        make_ground(trial="T2").assign(plot=[f"1{i:02d}" for i in range(9)]),
    )
    late = make_harvests(second, day="2026-03-20", moisture_pct=20.0)
    late.loc[0, "subsample_dry_g"] = np.nan
    out = plot_harvests(
        pd.concat([make_harvests(first), late]), pd.concat([first, second])
    ).set_index("plot")
    assert not out["is_early"].any()  # all of T1 was cut weeks before T2, none before its own trial
    assert out.loc["100", "moisture_pct"] == pytest.approx(20.0)


def test_a_trial_without_samples_takes_the_hybrids_of_another_at_the_site():
    first, second = (
        make_ground(),
        make_ground(trial="T2").assign(plot=[f"1{i:02d}" for i in range(9)]),
    )
    moisture = first["hybrid"].map({"H1": 20.0, "H2": 30.0, "STD": 40.0}).to_numpy()
    lost = make_harvests(second).assign(subsample_dry_g=np.nan)
    out = plot_harvests(
        pd.concat([make_harvests(first, moisture_pct=moisture), lost]), pd.concat([first, second])
    )
    own = out[out["trial"] == "T2"].groupby("hybrid")["moisture_pct"].first()
    assert own.to_dict() == pytest.approx({"H1": 20.0, "H2": 30.0, "STD": 40.0})


def test_two_cuts_of_a_plot_in_a_season_are_refused_and_named():
    ground = make_ground()
    cut = make_harvests(ground)
    with pytest.raises(ValueError, match="S1 001 2025"):
        plot_harvests(pd.concat([cut, cut.iloc[:1]]), ground)
