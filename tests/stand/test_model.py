"""Shares of hybrids and contrasts with the control."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from culmbook.mixed import marginal_share, simultaneous_draws
from culmbook.stand.model import (
    against_control,
    chance_of_stand,
    fit_stand,
    hybrid_shares,
    refuse_implausible,
    sites_against_control,
    variance_table,
)
from culmbook.text.refusal import Refusal
from known_truth import draw_trial


@pytest.fixture(scope="module")
def trial():
    return draw_trial(np.random.default_rng(4), hybrids=8, blocks=2)[0]


@pytest.fixture(scope="module")
def stand(trial):
    return fit_stand(trial)


def test_marginal_share_matches_numerical_integral():
    exact = integrate.quad(lambda u: special.expit(1.7 + u) * stats.norm.pdf(u, 0, 0.6), -6, 6)[0]
    assert marginal_share(1.7, 0.6) == pytest.approx(exact, abs=1e-9)


# Dunnett (1955, 1964), two-sided 5 % critical values; from memory, recomputed with scipy's
# multivariate t.
@pytest.mark.parametrize(("k", "df", "critical"), [(2, 10, 2.57), (5, 20, 2.73)])
def test_simultaneous_critical_value_matches_dunnett(k, df, critical):
    rho = np.full((k, k), 0.5) + 0.5 * np.eye(k)
    assert np.quantile(simultaneous_draws(rho, df), 0.95) == pytest.approx(critical, abs=0.01)


def test_simultaneous_value_of_one_contrast_is_students_t():
    assert np.quantile(simultaneous_draws(np.eye(1), 12), 0.95) == pytest.approx(
        stats.t.ppf(0.975, 12), abs=0.005
    )


def test_shares_of_even_plots_are_the_plain_shares():
    """No scatter beyond counting and balanced replicates: the model's share is alive / total."""
    alive = {"a": 30, "b": 24, "c": 18}
    table = hybrid_shares(fit_stand(even_plots(alive))).set_index("hybrid")
    assert table["share"].to_dict() == pytest.approx(
        {h: n / 36 for h, n in alive.items()}, abs=1e-4
    )
    assert table.index.tolist() == ["a", "b", "c"]


def even_plots(alive, total=36, **columns):
    """Plots of three replicates without any scatter: every plot of a hybrid shows the same count."""
    return pd.DataFrame(
        [
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
                "alive": n,
                "total": total,
            }
            | columns
            for r in "123"
            for h, n in alive.items()
        ]
    )


def test_contrasts_of_even_plots_are_the_plain_differences_and_ratios():
    table = against_control(fit_stand(even_plots({"a": 30, "b": 24, "c": 18})), "b").set_index(
        "hybrid"
    )
    assert table["difference"].to_dict() == pytest.approx({"a": 6 / 36, "c": -6 / 36}, abs=2e-4)
    assert table["ratio"].to_dict() == pytest.approx({"a": 30 / 24, "c": 18 / 24}, abs=1e-3)


def test_shares_do_not_depend_on_row_order_or_names(trial, stand):
    again = fit_stand(trial.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(hybrid_shares(again), hybrid_shares(stand), rtol=1e-4)
    renamed = fit_stand(trial.assign(hybrid="z$" + trial["hybrid"]))
    assert hybrid_shares(renamed)["share"].tolist() == pytest.approx(
        hybrid_shares(stand)["share"].tolist(), abs=1e-5
    )


def test_hybrid_with_all_or_none_alive_gets_finite_limits(trial):
    cells = trial.assign(
        alive=np.where(
            trial["hybrid"].eq("H00"),
            trial["total"],
            np.where(trial["hybrid"].eq("H01"), 0, trial["alive"]),
        )
    )
    table = hybrid_shares(fit_stand(cells)).set_index("hybrid")
    full, none = table.loc["H00"], table.loc["H01"]
    assert (full["share"], full["upper"]) == (1.0, 1.0) and 0.9 < full["lower"] < 1
    assert (none["share"], none["lower"]) == (0.0, 0.0) and 0 < none["upper"] < 0.1


def test_share_interval_of_few_losses_is_wider_than_exact_binomial(trial):
    """Plots differ, so the interval may not be narrower than Clopper-Pearson's for independent
    plants less 10 %.
    """
    row = hybrid_shares(fit_stand(trial)).iloc[-2]
    exact = stats.binomtest(int(row["alive"]), int(row["total"])).proportion_ci(method="exact")
    assert row["upper"] - row["lower"] > 0.9 * (exact.high - exact.low)


def test_contrasts_contain_simultaneous_and_single_intervals(stand):
    together = against_control(stand, "H02").set_index("hybrid")
    single = against_control(stand, "H02", together=False).set_index("hybrid").loc[together.index]
    assert (together["lower"] < single["lower"]).all() and (
        together["upper"] > single["upper"]
    ).all()
    assert together["difference"].between(together["lower"], together["upper"]).all()
    assert (together["lower"] >= -1).all() and (together["upper"] <= 1).all()


def test_contrasts_need_the_control(stand):
    with pytest.raises(ValueError, match="control STD has no counted plot here"):
        against_control(stand, "STD")


def test_one_hybrid_cannot_be_compared(trial):
    with pytest.raises(ValueError, match="Only one hybrid"):
        fit_stand(trial[trial["hybrid"].eq("H03")])


def test_chance_above_matches_numerical_integral(stand):
    """Binomial counts of a future plot, integrated over its normal logit by scipy's quad, for each
    replicate.
    """
    fit, hybrid = stand.fit, "H03"
    spread = np.hypot(fit.spread, np.sqrt(fit.covariance.loc[hybrid, hybrid]))
    chances = [
        integrate.quad(
            lambda u: (
                stats.binom.sf(
                    28, 36, special.expit(fit.coefficients[hybrid] + deviation + spread * u)
                )
                * stats.norm.pdf(u)
            ),
            -8,
            8,
        )[0]
        for deviation in stand.grid["deviation"]
    ]
    assert chance_of_stand(stand, 0.8, 36)[hybrid] == pytest.approx(
        np.mean(chances), abs=1e-4
    )  # 29 of 36 is the first above


def test_variance_table_gives_standard_deviations_of_every_random_term(stand):
    table = variance_table(stand)
    assert table["source"].tolist() == ["block", "plot (overdispersion)"]
    assert (table["sd_logit"] ** 2).tolist() == pytest.approx(stand.fit.variances.tolist())


def test_plots_that_are_all_or_nothing_give_no_share():
    """Plots wholly alive or wholly dead: no finite variance describes them, so nothing is printed."""
    cells = pd.concat([even_plots(a, 360) for a in ({"a": 360, "b": 0}, {"a": 0, "b": 360})])
    cells = cells.assign(plot=np.arange(len(cells)).astype(str), replicate="1", block="1")
    with pytest.raises(Refusal, match="variance of plot_key runs off to infinity"):
        fit_stand(cells)


def test_a_mean_share_that_was_never_counted_is_refused():
    cells = even_plots({"a": 30, "b": 24}).assign(condition="S: hand")
    refuse_implausible(pd.Series([0.8, 0.7]), cells, "condition")
    with pytest.raises(Refusal, match="a mean share of 100 % where 75 % was counted"):
        refuse_implausible(pd.Series([1.0, 1.0]), cells, "condition")


def test_a_replicate_alone_at_its_site_has_no_variance_of_its_own():
    """Sites are fixed: one replicate each, cut into treatments, leaves nothing to tell it by."""
    alive = {"a": 30, "b": 24, "c": 20}
    parts = [
        even_plots(alive, site=site, film=film, plot=f"{film}{site}").query("replicate == '1'")
        for site in "AB"
        for film in ("film", "none")
    ]
    cells = pd.concat(parts, ignore_index=True)
    cells["plot"] = cells["plot"] + cells["hybrid"]
    assert "replicate_key" not in fit_stand(cells).terms


def test_a_cold_site_is_compared_by_itself():
    """What two mild sites level out stands at the cold one; one without the control is left out."""
    mild, cold, more = {"a": 350, "b": 349}, {"a": 320, "b": 160}, {"a": 100, "c": 200}
    sites = [even_plots(alive, 360, site=s) for s, alive in zip("MCX", (mild, cold, more))]
    found = sites_against_control(pd.concat(sites), "b").set_index("site")
    assert list(found.index) == ["C", "M"]
    assert found.loc["C", "difference"] == pytest.approx(160 / 360, abs=1e-3)
    assert found.loc["C", "lower"] > 0.3 and found.loc["M", "lower"] < 0
    with pytest.raises(Refusal, match="At no site"):
        sites_against_control(pd.concat(sites), "STD")


def test_network_shares_weigh_sites_equally():
    """Two sites with 1 and 3 replicates, no scatter: the hybrid's share is the mean of the sites'
    shares.
    """
    alive = {("A", "a"): 34, ("A", "b"): 30, ("B", "a"): 22, ("B", "b"): 14}
    cells = pd.DataFrame(
        [
            {
                "site": s,
                "trial": "T",
                "replicate": str(r),
                "block": str(r),
                "main_plot": None,
                "plot": f"{r}{h}",
                "hybrid": h,
                "planting_method": "hand",
                "film": "none",
                "alive": alive[s, h],
                "total": 36,
            }
            for s, reps in (("A", 3), ("B", 9))
            for r in range(reps)
            for h in "ab"
        ]
    )
    share = hybrid_shares(fit_stand(cells)).set_index("hybrid")["share"]
    assert share["a"] == pytest.approx((34 + 22) / 72, abs=0.02)
    assert share["b"] == pytest.approx((30 + 14) / 72, abs=0.02)
