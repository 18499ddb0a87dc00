"""Chances against the control: closed forms, ties, classes and their words."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.consistency.chances import (
    beats_control,
    chance_erratic,
    few_seasons_words,
    verdict_words,
    verdicts,
    worst_of,
)
from culmbook.consistency.draws import SeasonDraws
from culmbook.text.refusal import Refusal


def draws_of(lasting, *, variances=None, seasonal=None, sites=2, seasons=3, scale="log"):
    """Draws whose hybrids are known without error, unless given by draw."""
    lasting = pd.DataFrame(lasting)
    n, h = lasting.shape
    cells = lasting.to_numpy()[:, :, None, None] + np.zeros((n, h, sites, seasons))
    if seasonal is not None:
        cells = cells + np.asarray(seasonal)[None, :, None, :]
    spread = (
        {
            "hybrid_site": 0.01,
            "hybrid_season": 0.0036,
            "hybrid_site_season": 0.0064,
            "residual": 0.04,
        }
        if variances is None
        else variances
    )
    years = [str(2023 + k) for k in range(seasons)]
    variances = pd.DataFrame({k: np.full(n, v) for k, v in spread.items()})
    return SeasonDraws(
        lasting,
        cells,
        variances,
        list(lasting.columns),
        [f"S{k}" for k in range(sites)],
        years,
        scale,
        ("STD",),
        variances,
    )


def test_chance_is_that_of_a_normal_difference():
    # both hybrids meet the new place with their own interactions: the difference has sd sqrt(2 *
    # 0.02) = 0.2
    table = beats_control(draws_of({"STD": [0.0] * 5, "A": [0.2] * 5}), "STD")
    assert table["chance_next"].iloc[0] == pytest.approx(stats.norm.cdf(1.0))
    assert (
        table["gain"].iloc[0] == pytest.approx(np.exp(0.2) - 1)
        and table["chance_lasting"].iloc[0] == 1
    )


def test_chance_averages_over_what_is_not_known(rng):
    # a lasting difference with sd 0.15 adds to the spread: Phi(0.2 / sqrt(0.15^2 + 0.2^2))
    draws = draws_of({"STD": np.zeros(40_000), "A": rng.normal(0.2, 0.15, 40_000)})
    assert beats_control(draws, "STD")["chance_next"].iloc[0] == pytest.approx(
        stats.norm.cdf(0.2 / 0.25), abs=0.003
    )


def test_worst_of_five_matches_harter_1961():
    # expected extreme of five normal values 1.16296: Harter (1961) Biometrika 48:151-165, table 1;
    # value from memory,
    # recomputed with R 4.2.2 integrate()
    assert worst_of(5) == pytest.approx(-1.16296, abs=5e-6)
    assert worst_of(1) == pytest.approx(0, abs=1e-12)
    row = beats_control(draws_of({"STD": [0.0] * 5, "A": [0.1] * 5}), "STD").iloc[0]
    assert row["worst"] == pytest.approx(np.exp(0.1 - 1.16296 * np.sqrt(0.02)) - 1, abs=1e-5)


def test_margin_and_scale_count():
    log = beats_control(draws_of({"STD": [0.0], "A": [np.log(1.1)]}), "STD", margin=0.1)
    raw = beats_control(draws_of({"STD": [5.0], "A": [6.0]}, scale="raw"), "STD", margin=1.0)
    assert log["chance_next"].iloc[0] == pytest.approx(0.5) and raw["chance_next"].iloc[
        0
    ] == pytest.approx(0.5)
    assert raw["gain"].iloc[0] == pytest.approx(1.0)


def test_perfect_tie_without_spread_does_not_beat():
    none = dict.fromkeys(["hybrid_site", "hybrid_season", "hybrid_site_season"], 0.0)
    table = beats_control(
        draws_of({"STD": [1.0], "A": [1.0], "B": [1.1]}, variances=none), "STD"
    ).set_index("hybrid")
    assert table["chance_next"].to_dict() == {"B": 1.0, "A": 0.0}


def test_refusals():
    draws = draws_of({"STD": [0.0], "A": [0.1]})
    with pytest.raises(ValueError, match="has no yield"):
        beats_control(draws, "OTHER")
    for seasons, why in ((1, "One season"), (3, "takes repeated plots")):
        alone = draws_of(
            {"STD": [0.0], "A": [0.1]}, variances={"hybrid": 1.0, "residual": 1.0}, seasons=seasons
        )
        with pytest.raises(ValueError, match=why):
            beats_control(alone, "STD")
    with pytest.raises(ValueError, match="margin"):
        beats_control(draws, "STD", margin=-0.1)
    with pytest.raises(ValueError, match="promising"):
        verdicts(draws, "STD", pd.Series(False, ["A"]), promising=0.9)
    with pytest.raises(ValueError, match="fall"):
        chance_erratic(draws, fall=1.0)


def test_a_season_that_fell_off_is_erratic_and_common_weather_is_not():
    fell = [[0, 0, 0], [0, 0, -0.6], [0, 0, 0], [0, 0, 0]]
    names = {"STD": [0.0] * 3, "A": [0.3] * 3, "B": [0.3] * 3, "C": [0.1] * 3}
    # A's third season is 0.45 below the mean of all four, its mean over seasons 0.15 below: 0.3 is
    # over -log(0.85)
    chance = chance_erratic(draws_of(names, seasonal=fell))
    assert chance.to_dict() == {"STD": 0, "A": 1, "B": 0, "C": 0}
    weather = chance_erratic(draws_of(names, seasonal=[[0, 0, -0.6]] * 4))
    assert (weather == 0).all()
    assert chance_erratic(draws_of(names, seasons=1)).isna().all()


def test_classes_and_their_sentence():
    fell = [[0, 0, 0], [0, 0, -0.8], [0, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 0]]
    names = {"STD": 0.0, "A": 0.5, "B": 0.4, "C": 0.12, "D": 0.3, "E": -0.1}
    draws = draws_of({k: [v] * 4 for k, v in names.items()}, seasonal=fell)
    table = verdicts(
        draws, "STD", pd.Series({"A": False, "B": False, "C": False, "D": True, "E": False})
    )
    assert table.set_index("hybrid")["verdict"].to_dict() == {
        "A": "erratic",
        "B": "proven",
        "C": "promising but unproven",
        "D": "promising but unproven",
        "E": "not shown to be better",
    }
    words = verdict_words(table, "STD")
    assert (
        "proven: B (98 %)" in words
        and "D (93 %) and C (73 %)" in words
        and "erratic: A (>99 %)" in words.replace("100", ">99")
    )
    assert few_seasons_words(table).startswith("D would count as proven with 3 seasons")
    nobody = verdicts(draws_of({"STD": [0.0], "E": [-1.0]}), "STD", pd.Series({"E": False}))
    assert (
        "proven: none; promising but unproven: none; erratic: none" in verdict_words(nobody, "STD")
        and few_seasons_words(nobody) == ""
    )


def test_second_control_gets_no_verdict():
    drawn = replace(draws_of({"STD": [0.0], "OLD": [0.9], "A": [0.1]}), controls=("STD", "OLD"))
    table = verdicts(drawn, "STD", pd.Series(False, ["A", "OLD"]))
    assert table.set_index("hybrid")["verdict"]["OLD"] == "control"
    assert "OLD" not in verdict_words(table, "STD")


def test_network_without_a_control_is_told_so():
    with pytest.raises(Refusal, match="names no control"):
        beats_control(draws_of({"STD": [0.0], "A": [0.1]}), "")
