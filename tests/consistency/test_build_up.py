"""Build-up: shares by hand, tests with their power, what cannot be distinguished, refusals."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from consistency_frames import make_seasons
from culmbook.consistency.build_up import (
    aliasing_words,
    build_up_records,
    crop_year_table,
    decline,
    decline_words,
    established_words,
    fit_build_up,
    fit_curves,
    full_yield_test,
    plateau_shares,
)
from culmbook.consistency.model import season_records
from culmbook.text.refusal import Refusal

SMALL = {
    "hybrid_site": 0.0,
    "hybrid_season": 0.02,
    "hybrid_site_season": 0.02,
    "plot_key": 0.02,
    "block_key": 0.0,
    "replicate_season": 0.01,
    "residual": 0.03,
}


def grow(rng, shares=None, **layout):
    """Rows from crop year 2 on; hybrids reach the given shares in it, others 0.8."""
    frame = make_seasons(
        rng, **{"first_crop_year": 2, "seasons": 4, "hybrids": 6, "spreads": SMALL, **layout}
    )
    early = frame["hybrid"].map(shares or {}).fillna(0.8).to_numpy(float)
    return frame.assign(
        dry_yield_t_ha=frame["dry_yield_t_ha"] * np.where(frame["crop_year"] == 2, early, 1.0)
    )


@pytest.fixture(scope="module")
def built():
    return fit_build_up(
        grow(np.random.default_rng(8), {"H02": 1.0, "H03": 0.5}, missing=0.0), "H00"
    )


def test_balanced_share_relative_to_the_control_is_a_ratio_of_means(built):
    # one cut of every plot in every season: the unshrunk share is the ratio of geometric means,
    # hybrid over control
    logs = built.records.groupby(["hybrid", "stage"])["response"].mean().unstack()
    step = logs["early"] - logs["plateau"]
    table = full_yield_test(built).set_index("hybrid")
    for hybrid in built.candidates:
        assert table.loc[hybrid, "relative"] == pytest.approx(
            np.exp(step[hybrid] - step["H00"]), rel=1e-6
        )


def test_test_and_power_are_those_of_student(built):
    row = full_yield_test(built, margin=0.2, alpha=0.05).set_index("hybrid").loc["H03"]
    se = np.log(row["relative"] / row["lower"]) / stats.t.ppf(0.95, row["df"])
    t = (np.log(row["relative"]) - np.log(0.8)) / se
    assert row["p"] == pytest.approx(stats.t.sf(t, row["df"])) and row["is_shown"] == (
        row["lower"] > 0.8
    )
    drawn = np.random.default_rng(1).normal(np.log(0.95 / 0.8) / se, 1, 200_000) / np.sqrt(
        np.random.default_rng(2).chisquare(row["df"], 200_000) / row["df"]
    )
    assert row["power"] == pytest.approx((drawn > stats.t.ppf(0.95, row["df"])).mean(), abs=0.005)


def test_shrunk_shares_lie_between_the_candidates_mean_and_their_own(built):
    shares = plateau_shares(built, n=400, variances=40).set_index("hybrid")
    own = full_yield_test(built).set_index("hybrid")["relative"]
    assert shares.loc["H00", "relative"] == 1 and shares.loc["H03", "relative"] == pytest.approx(
        own["H03"], rel=0.08
    )
    assert shares["relative"].idxmin() == "H03"
    assert (
        (shares["relative_lower"] <= shares["relative"])
        & (shares["relative"] <= shares["relative_upper"])
    ).all()
    assert 0.3 < shares.loc["H00", "share"] < 1.6 and (shares["lower"] < shares["share"]).all()


def test_full_yield_is_shown_where_it_is_and_not_where_it_is_not(built):
    table = full_yield_test(built).set_index("hybrid")
    assert table.loc["H02", "is_shown"] and not table.loc["H03", "is_shown"]
    assert (table["power"] > 0.02).all() and (
        full_yield_test(built, margin=0.3)["power"] > full_yield_test(built)["power"]
    ).all()


def test_single_planting_confounds_age_and_weather_and_names_the_seasons(built):
    words = aliasing_words(built.records)
    assert (
        "Age and weather cannot be distinguished" in words
        and "2021" in words
        and "2022, 2023 and 2024" in words
    )


def test_staggered_plantings_drop_that_sentence_and_say_what_is_known(rng):
    words = aliasing_words(build_up_records(grow(rng, plantings=(2020, 2021, 2022))))
    assert "cannot be distinguished" not in words
    assert (
        "can be told from the weather" in words
        and "planting years are taken as random" in words
        and "2020, 2021 and 2022" in words
    )


def test_one_planting_with_two_full_seasons_has_no_absolute_share(rng):
    built = fit_build_up(grow(rng, seasons=3), "H00")
    shares = plateau_shares(built, n=100, variances=20)
    assert built.absolute is None and "2 seasons on the plateau" in built.why_no_absolute
    assert shares["share"].isna().all() and shares["relative"].notna().all()


def test_limits_of_the_share_itself_are_students_where_seasons_rule(rng):
    # the early season beside the mean of three others: t with 2 degrees of freedom, variance s^2 (1
    # + 1/3)
    calm = dict.fromkeys(SMALL, 0.0) | {"residual": 0.01}
    built = fit_build_up(grow(rng, sites=1, missing=0.0, spreads=calm), "H00")
    means = built.records.groupby("season")["response"].mean()
    reach = stats.t.ppf(0.975, 2) * means.iloc[1:].std() * np.sqrt(4 / 3)
    row = plateau_shares(built, n=1_500, variances=1_500).set_index("hybrid").loc["H00"]
    assert np.log(row["share"]) == pytest.approx(means.iloc[0] - means.iloc[1:].mean(), abs=0.05)
    assert np.log(row["upper"] / row["lower"]) / 2 == pytest.approx(reach, rel=0.2)


@pytest.mark.parametrize(
    "change, word",
    [
        (lambda t: t[t["crop_year"] > 2], "no hybrid was cut both"),
        (
            lambda t: t[~((t["hybrid"] == "H00") & (t["crop_year"] == 2))],
            "control H00 was not cut both",
        ),
        (lambda t: t[t["hybrid"].isin(["H00", "H01"])], "fewer than two candidates"),
        (lambda t: t[t["crop_year"] == 2], "no hybrid was cut both"),
        (lambda t: t.assign(dry_yield_t_ha=5.0), "no variance to estimate"),
    ],
)
def test_unfit_build_ups_are_refused(rng, change, word):
    with pytest.raises(ValueError, match=word):
        fit_build_up(change(grow(rng)), "H00")


def test_unfit_margins_are_refused(built):
    with pytest.raises(ValueError, match="margin"):
        full_yield_test(built, margin=0.0)


def test_what_a_season_does_to_one_planting_alone_is_part_of_the_share_itself(rng):
    # each planting at each site has a deviation of its own in every season, sd 0.3
    frame = grow(rng, sites=4, seasons=5, hybrids=4, plantings=(2020, 2021))
    key = frame["site"] + frame["trial"] + frame["growing_season"].astype(str)
    own = pd.Series(rng.normal(0, 0.3, key.nunique()), key.unique())
    moved = frame.assign(dry_yield_t_ha=frame["dry_yield_t_ha"] * np.exp(key.map(own)))
    found = fit_build_up(moved, "H00").absolute.variances
    assert found["trial_season"] == pytest.approx(0.3**2, rel=0.5)


@pytest.mark.parametrize("sites", [1, 3])
def test_one_season_of_full_yield_tells_no_build_up(rng, sites):
    # every hybrid builds up alike here; what each did in 2022 would be told as faster and slower
    spreads = SMALL | {"hybrid_season": 0.2}
    with pytest.raises(Refusal, match=r"one season of full yield only \(2022\)"):
        fit_build_up(grow(rng, sites=sites, seasons=2, spreads=spreads), "H00")


def test_another_planting_tells_build_up_from_what_a_season_did(rng):
    # planted in 2020 and 2021: 2022 has both stages, so age and season come apart
    built = fit_build_up(grow(rng, seasons=2, plantings=(2020, 2021)), "H00")
    assert "hybrid_season" in built.relative.variances.index


def test_control_missing_in_a_plateau_season_and_variances_of_zero_still_give_shares(rng):
    frame = grow(rng, spreads=dict.fromkeys(SMALL, 0.0) | {"residual": 0.03})
    gone = frame[~((frame["hybrid"] == "H00") & (frame["growing_season"] == 2023))]
    shares = plateau_shares(fit_build_up(gone, "H00"), n=100, variances=20)
    assert len(shares) == 6 and shares.notna().all(axis=None)


def test_crop_year_table_gives_geometric_means_of_complete_years(rng):
    frame = grow(rng, missing=0.0)
    table = crop_year_table(frame).set_index(["hybrid", "crop_year"])
    plain = np.exp(
        np.log(frame["dry_yield_t_ha"]).groupby([frame["hybrid"], frame["crop_year"]]).mean()
    )
    assert table["yield_t_ha"].to_numpy() == pytest.approx(plain[table.index].to_numpy(), rel=1e-6)
    assert (table["n_plots"] == 6).all()


def test_decline_is_found_in_old_stands_of_several_plantings(rng):
    frame = make_seasons(rng, seasons=10, hybrids=5, plantings=(2016, 2018, 2020), spreads=SMALL)
    old = frame.assign(
        dry_yield_t_ha=frame["dry_yield_t_ha"] * 0.9 ** (frame["crop_year"] - 5).clip(lower=0)
    )
    own = decline(old)
    assert own["lower"] < -0.1 < own["upper"] and own["p"] < 0.05
    # a fall along a column of the design shifts its estimate by just that much
    assert (1 + own["change"]) / (1 + decline(frame)["change"]) == pytest.approx(0.9, rel=1e-5)


def test_decline_needs_old_stands_and_more_than_one_planting(rng):
    with pytest.raises(ValueError, match="two seasons past crop year 5"):
        decline(make_seasons(rng, seasons=3))
    with pytest.raises(ValueError, match="look the same"):
        decline(make_seasons(rng, seasons=6))


def test_first_year_shares_and_a_year_on_the_plateau(rng):
    frame = make_seasons(rng, first_crop_year=1, seasons=5, hybrids=6, spreads=SMALL)
    assert set(build_up_records(frame, 1)["crop_year"]) == {1, 3, 4, 5}
    with pytest.raises(ValueError, match="before the plateau"):
        build_up_records(frame, 3)
    assert isinstance(build_up_records(frame), pd.DataFrame)


def test_curve_gives_back_the_year_of_full_yield_it_was_made_with():
    year = np.arange(1.0, 7)
    rising = 10 * -np.expm1(-1.5 * (year - 0.5))  # 95 % after 0.5 + log(20) / 1.5 crop years
    late = 10 * -np.expm1(-0.3 * (year - 0.5))
    ages = [
        pd.DataFrame({"hybrid": h, "crop_year": year, "yield_t_ha": y})
        for h, y in (("A", rising), ("B", late))
    ]
    dates, points = fit_curves(pd.concat(ages, ignore_index=True))
    assert (
        dates["hybrid"].tolist() == ["A", "B"]
        and dates["shape"].iloc[0] == "monomolecular with lag"
    )
    assert dates["full"].iloc[0] == pytest.approx(0.5 + np.log(20) / 1.5, abs=0.02)
    assert np.isnan(dates["full"].iloc[1])  # only after the last cut
    assert points.groupby("hybrid")["yield_t_ha"].last()["A"] == pytest.approx(rising[-1], rel=1e-3)


def test_stands_of_one_age_show_no_build_up(rng):
    with pytest.raises(Refusal, match="Stands of one age only"):
        crop_year_table(grow(rng, seasons=1))


def test_what_age_hides_among_established_stands_is_said(rng):
    one = season_records(grow(rng))
    assert "look the same" in established_words(one)
    mixed = season_records(grow(rng, plantings=(2020, 2021)))
    assert "can in part be told" in established_words(mixed)
    first = one[one["season"] == one["season"].min()]
    assert established_words(first).startswith("One season (")


def test_decline_in_words():
    row = pd.Series({"change": -0.04, "lower": -0.06, "upper": -0.01, "p": 0.01, "n_seasons": 4})
    assert decline_words(row).startswith("In old stands yield falls: −4 % per year")
    assert "is not shown to change" in decline_words(row.replace({-0.01: 0.02}))
