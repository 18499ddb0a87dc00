"""Life tables and log-rank test against published survival data."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.hazard_regression import PHReg

from culmbook.stand.losses import fit_hazards, life_table, logrank, plot_intervals

PUBLISHED = Path(__file__).parents[1] / "published"


def _median(table):
    """First interval at which half or fewer are alive."""
    return table.loc[table["survival"] <= 0.5, "interval"].iloc[0]


def _intervals(frame, group):
    """Risk sets of individually followed subjects: every event time of either group is an
    interval.
    """
    times = np.unique(frame.loc[frame["cens"].eq(1), "time"])
    return pd.DataFrame(
        [
            {
                group: name,
                "interval": t,
                "at_risk": (rows["time"] >= t).sum(),
                "lost": ((rows["time"] == t) & rows["cens"].eq(1)).sum(),
            }
            for name, rows in frame.groupby(group)
            for t in times
        ]
    )


@pytest.fixture
def gehan():
    return pd.read_csv(PUBLISHED / "freireich_1963_gehan.csv", comment="#")


def test_life_table_matches_freireich_1963(gehan):
    # Values from memory of Kalbfleisch & Prentice and Kleinbaum (file's header).
    table = life_table(_intervals(gehan, "treat"), ["treat"])
    drug = table[table["treat"].eq("6-MP") & table["lost"].gt(0)].set_index("interval")
    published = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    assert drug["survival"].to_dict() == pytest.approx(published, abs=0.0005)
    assert drug.loc[6, "se"] == pytest.approx(0.0764, abs=5e-5)
    medians = {name: _median(rows) for name, rows in table.groupby("treat")}
    assert medians == {"6-MP": 23, "control": 8}


def test_logrank_matches_freireich_1963(gehan):
    chi2, df, p = logrank(_intervals(gehan, "treat"), "treat")
    assert chi2 == pytest.approx(16.79, abs=0.005)
    assert df == 1 and p < 1e-4


def test_gehan_file_gives_the_published_cox_coefficient(gehan):
    """The library has no Cox model; this guards the copied data with statsmodels'."""
    placebo = gehan["treat"].eq("control").astype(float).to_numpy()[:, None]
    for ties, published in (("breslow", 1.509), ("efron", 1.572)):
        fit = PHReg(gehan["time"], placebo, status=gehan["cens"], ties=ties).fit()
        assert fit.params[0] == pytest.approx(published, abs=0.0005)


def test_logrank_and_medians_match_miller_1997():
    # R survival vignette: 3.4 on 1 df, p 0.07; medians 31 and 23.
    aml = pd.read_csv(PUBLISHED / "miller_1997_aml.csv", comment="#")
    intervals = _intervals(aml, "group")
    chi2, _, p = logrank(intervals, "group")
    assert chi2 == pytest.approx(3.4, abs=0.05)
    assert p == pytest.approx(0.07, abs=0.005)
    assert [_median(t) for _, t in life_table(intervals, ["group"]).groupby("group")] == [31, 23]


def test_logrank_divides_by_the_inflation(gehan):
    intervals = _intervals(gehan, "treat")
    assert logrank(intervals, "treat", inflation=2.0)[0] == pytest.approx(
        logrank(intervals, "treat")[0] / 2
    )


def test_late_emerger_was_alive_before():
    history = pd.DataFrame(
        {
            "site": "S",
            "plot": "1",
            "occasion": ["planting", "autumn", "spring", "summer"],
            "alive": [36.0, 30, 22, 27],
        }
    )
    steps = plot_intervals(history)
    assert steps["interval"].tolist() == ["autumn", "spring", "early summer"]
    assert steps["lost"].tolist() == [6, 3, 0]


def test_fit_hazards_of_even_plots_are_plain_shares_and_a_quiet_interval_stays_as_observed():
    plots = [
        {
            "site": "S",
            "trial": "T",
            "replicate": r,
            "block": r,
            "main_plot": None,
            "plot": f"{r}{h}",
            "hybrid": h,
            "planting_method": "hand",
            "film": "none",
        }
        for r in "1234"
        for h in "abc"
    ]
    lost = {("autumn", "a"): 3, ("autumn", "b"): 6, ("autumn", "c"): 12}
    steps = pd.DataFrame(
        [
            p
            | {
                "order": k,
                "interval": name,
                "at_risk": 30,
                "lost": lost.get((name, p["hybrid"]), 0),
            }
            for k, name in enumerate(["autumn", "spring"])
            for p in plots
        ]
    )
    table = fit_hazards(steps)
    quiet, autumn = (table[table["interval"].eq(name)] for name in ("spring", "autumn"))
    assert quiet["hazard"].eq(0).all() and quiet["lower"].isna().all()
    assert autumn["hazard"].tolist() == pytest.approx([0.1, 0.2, 0.4], abs=5e-4)
    assert (autumn["lower"] < autumn["hazard"]).all() and (autumn["hazard"] < autumn["upper"]).all()


def test_life_table_refuses_more_lost_than_at_risk():
    with pytest.raises(ValueError, match="more plants than were at risk"):
        life_table(pd.DataFrame({"interval": [1], "at_risk": [2], "lost": [3]}))
