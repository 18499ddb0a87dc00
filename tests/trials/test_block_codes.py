"""Codes of blocks written anew in every replicate or main plot give the numbers of codes that are
never used twice, in every model with strata; numbers of a published trial.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.consistency.model import fit_seasons, season_records
from culmbook.frost.spring_damage import fit_damage, observers_alone
from culmbook.sites.two_stage import site_means
from culmbook.spatial.trend import choose_trend
from culmbook.stand.model import fit_stand
from culmbook.stand.treatments import fit_treatments
from culmbook.trials.layout import add_strata
from culmbook.yields.means import fit_means

PUBLISHED = Path(__file__).parents[1] / "published" / "john_1995_alpha.csv"
OATS = {"site": "S", "trial": "T", "main_plot": None, "planting_method": "hand", "film": "none"}


@pytest.fixture
def oats():
    frame = pd.read_csv(PUBLISHED, comment="#", dtype={"plot": str})
    return frame.rename(columns={"variety": "hybrid"}).assign(**OATS)


def test_blocks_numbered_anew_in_each_replicate_match_john_1995(oats):
    means = fit_means(oats, "yield", link="identity")
    assert means.fit.variances["block_key"] == pytest.approx(0.06194, abs=5e-6)
    assert means.fit.variances["residual"] == pytest.approx(0.08523, abs=5e-6)
    over_replicates = (means.weights @ means.fit.coefficients)[[f"G{i:02d}" for i in range(1, 7)]]
    printed = np.array([5.146433, 4.517265, 3.537934, 4.528828, 5.075944, 4.575394])
    differences = (over_replicates - over_replicates["G01"]).to_numpy()
    assert differences == pytest.approx(printed - printed[0], abs=5e-6)
    assert over_replicates["G01"] == pytest.approx(5.108, abs=5e-4)


def _network(rng):
    """Two sites of split plots in three seasons; four blocks to a main plot, codes all different."""
    names = ["site", "replicate", "main", "block", "place", "season"]
    grid = pd.MultiIndex.from_product(
        [["S1", "S2"], list("123"), list("ab"), list("1234"), range(3), range(2022, 2025)],
        names=names,
    ).to_frame(index=False)
    main = grid["replicate"] + grid["main"]
    block = main + grid["block"]
    hybrid = (grid["place"] + 3 * grid["block"].astype(int) + 5 * (grid["main"] == "b")) % 6
    of_block = (grid["site"] + block).map(
        {key: rng.normal() for key in sorted(set(grid["site"] + block))}
    )
    latent = 0.8 * of_block + rng.normal(0, 0.5, len(grid)) + 0.2 * hybrid
    return pd.DataFrame(
        {
            "site": grid["site"],
            "trial": "T" + grid["site"],
            "plot": block + grid["place"].astype(str),
            "replicate": grid["replicate"],
            "main_plot": main,
            "block": block,
            "row": 2 * grid["replicate"].astype(int) + (grid["main"] == "b"),
            "column": 3 * grid["block"].astype(int) + grid["place"],
            "hybrid": "H" + hybrid.astype(str),
            "planting_method": "hand",
            "film": np.where(grid["main"].eq("b"), "film", "none"),
            "growing_season": grid["season"],
            "crop_year": grid["season"] - 2019,
            "left_out": None,
            "place": grid["site"],
            "dry_yield_t_ha": np.exp(2 + 0.2 * latent),
            "response": latent,
            "alive": (40 / (1 + np.exp(-latent))).round().clip(1, 39),
            "total": 40,
            "damage_score": np.digitize(latent, [-0.7, 0.5, 1.3]),
            "why_left_out": None,
            "event": "frost",
            "observer": np.where(grid["place"] == 0, "A", "B"),
        }
    )


def _fitted(fit):
    return [fit.variances, fit.coefficients]


def _at_one_site(frame):
    return frame.query("site == 'S1' and growing_season == 2022").reset_index(drop=True)


def _one_season(frame):
    return frame.query("growing_season == 2022").reset_index(drop=True)


MODELS = {
    "yields": lambda frame: _fitted(fit_means(_at_one_site(frame), "dry_yield_t_ha").fit),
    "yields over trials": lambda frame: _fitted(fit_means(_one_season(frame), "response").fit),
    "field": lambda frame: [choose_trend(_at_one_site(frame)).table.select_dtypes("number")],
    "stand": lambda frame: _fitted(fit_stand(_one_season(frame)).fit),
    "treatments": lambda frame: [fit_treatments(_one_season(frame)).shares.select_dtypes("number")],
    "seasons": lambda frame: _fitted(fit_seasons(season_records(frame)).fit),
    "first stage": lambda frame: [
        part for s in site_means(season_records(frame)) for part in (s.means, s.covariance)
    ],
    "spring frost": lambda frame: _fitted(fit_damage(_one_season(frame)).fit),
}


@pytest.mark.parametrize("name", MODELS)
def test_repeated_and_unique_block_codes_give_the_same_numbers(name, rng):
    unique = _network(rng)
    in_main_plots = unique.assign(block="B" + unique["block"].str[-1])
    in_replicates = unique.assign(block="B" + unique["block"].str[1:])
    expected = MODELS[name](unique)
    for repeated in (in_main_plots, in_replicates):
        for found, wanted in zip(MODELS[name](repeated), expected, strict=True):
            np.testing.assert_array_equal(np.asarray(found), np.asarray(wanted))


def test_observers_are_alone_in_blocks_not_in_codes_of_blocks(rng):
    unique = _at_one_site(_network(rng))
    unique["observer"] = np.where(unique["block"].eq("1a1"), "A", "B")
    repeated = unique.assign(block="B" + unique["block"].str[1:])
    told = {
        name: observers_alone(frame).set_index("observer")["where"]
        for name, frame in (("unique", unique), ("repeated", repeated))
    }
    assert told["unique"]["A"] == "block S1 1a1"
    assert told["repeated"]["A"] == "block S1 Ba1 of replicate 1"


def test_a_blank_block_stands_for_no_block(oats):
    keys = add_strata(oats.assign(block=None))["block_key"]
    assert keys.nunique() == 1
