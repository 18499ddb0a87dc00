"""The notebook on mixed models: its invented plots, its check table, its refusals and sentences."""

import numpy as np
import pandas as pd
import pytest

import published_checks as mixed_checks
from culmbook.batch.plan import find_notebooks
from culmbook.mixed import fit_gaussian, over
from culmbook.pages import mixed_page
from notebook_runs import NOTEBOOKS, shown_by, tables

NOTEBOOK = "90_mixed_models.ipynb"


@pytest.fixture(scope="module")
def checked():
    return mixed_page.checks()


@pytest.fixture(scope="module")
def plots():
    return mixed_page.invented_plots()


def test_every_published_number_is_met(checked):
    assert len(checked) == sum(len(check.expected) for check in mixed_checks.CHECKS)
    assert checked["holds"].all(), checked.loc[
        ~checked["holds"], ["analysis", "quantity", "ours"]
    ].to_string()


def test_a_number_missed_is_shown_as_such(checked):
    spoilt = checked.assign(ours=checked["ours"].where(checked.index != 3, checked["ours"] * 1.01))
    spoilt["difference"] = spoilt["ours"] - spoilt["published"]
    spoilt["holds"] = spoilt["difference"].abs() <= spoilt["tolerance"]
    said, table = mixed_page.show_checks(spoilt)
    assert "1 do not hold" in said.plain() and said.kind == "caution"
    assert [row[6] for row in table.content["rows"]].count("FAILS") == 1
    assert "all hold" in mixed_page.show_checks(checked)[0].plain()


def test_without_the_published_data_the_page_says_so(monkeypatch):
    monkeypatch.setattr(mixed_page, "published_folder", lambda: None)
    (said,) = mixed_page.show_checks(mixed_page.checks())
    assert said.kind == "refusal" and "tests/published" in said.plain()


def test_check_table_prints_two_digits_more_than_the_source(checked):
    rows = {(r[0], r[1]): r for r in mixed_page.show_checks(checked)[1].content["rows"]}
    assert rows["Dyestuff, one-way", "REML criterion"][3] == "319.65428"  # 319.654 printed
    assert rows["Dyestuff, one-way", "batch variance"][3] == "1764.05"


def test_invented_plots_have_the_variances_they_were_made_with():
    # over 40 seeds, as one trial has far too few blocks to tell
    found = []
    for seed in range(40):
        frame = mixed_page.invented_plots(seed)
        fit = fit_gaussian(
            frame,
            "yield_t_ha",
            "C(season)",
            [over("hybrid", "season", "autoregressive"), "block", "plot"],
        )
        found.append([*fit.variances, *fit.shapes])
    mean, se = np.mean(found, axis=0), np.std(found, axis=0) / np.sqrt(len(found))
    true = [
        mixed_page.TRUE[name] for name in ("hybrid", "block", "plot", "residual", "correlation")
    ]
    assert np.abs((mean - true) / se).max() < 3.5


def test_invented_plots_are_a_trial_of_complete_blocks(plots):
    assert len(plots) == 144 and not plots.isna().any().any()
    assert (plots.groupby(["block", "season"])["hybrid"].nunique() == 12).all()
    first = plots[plots["season"] == 2021]
    assert not first.duplicated(["row", "column"]).any()
    assert (first.groupby("block")["row"].nunique() == 2).all()  # two rows of six make a block
    assert (plots["alive"] <= plots["planted"]).all()
    assert not plots.equals(mixed_page.invented_plots(2))
    pd.testing.assert_frame_equal(plots, mixed_page.invented_plots(1))


def test_a_season_that_is_not_there_is_refused(plots):
    with pytest.raises(
        ValueError,
        match="season=2023: the invented plots were harvested in 2021, 2022, 2024 and 2025",
    ):
        mixed_page.season_of(plots, 2023)


def test_every_request_of_the_page_is_refused_in_words(plots):
    rows = mixed_page.show_refusals(plots)[0].content["rows"]
    assert len(rows) == 9
    assert not [asked for asked, answer in rows if answer == "answered"]


def test_verdict_names_zeros_and_failures(plots):
    one = plots[plots["season"] == 2021]
    flat = one.assign(
        nothing=np.tile([1.0, -1.0, 0.5, -0.5], 9), pair=np.repeat(np.arange(9), 4).astype(str)
    )
    said = mixed_page.show_verdict(fit_gaussian(flat, "nothing", "1", ["pair"]))
    assert "Estimated at exactly 0: pair." in said.plain()
    trend = over("site", ("row", "column"), "separable autoregressive")
    stuck = fit_gaussian(one.assign(site="s"), "yield_t_ha", "1", ["hybrid", trend])
    object.__setattr__(stuck, "verdict", "not converged: no step lowers the criterion")
    said = mixed_page.show_verdict(stuck)
    assert said.kind == "refusal" and "may not be used: not converged" in said.plain()


def test_kernel_table_shows_correlations(plots):
    fit = fit_gaussian(
        plots, "yield_t_ha", "C(season)", [over("hybrid", "season", "autoregressive")]
    )
    rows = mixed_page.show_kernel(fit, "hybrid over season", "k")[0].content["rows"]
    rho = fit.shapes.iloc[0]
    assert [float(row[2]) for row in rows] == pytest.approx([1, rho, rho**3, rho**4], abs=0.006)


@pytest.mark.parametrize("parameters", [{"seed": 2}, {"season": 2021}, {"level": 0.8}])
def test_notebook_runs_with_the_changes_it_suggests(parameters, monkeypatch):
    shown = tables(shown_by(NOTEBOOK, monkeypatch, **parameters))
    assert {
        "plain",
        "autoregressive",
        "criteria",
        "counts",
        "means",
        "intervals",
        "refusals",
        "checks",
    } <= set(shown)


def test_notebook_is_no_part_of_a_report():
    names = [notebook.path.name for notebook in find_notebooks(NOTEBOOKS)]
    assert names and NOTEBOOK not in names
