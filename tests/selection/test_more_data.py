"""Value of more data: closed forms of one and two normal values, limits, and the layout's part
against dense equations.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from consistency_frames import make_seasons
from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import Costs
from culmbook.selection.sensitivity import (
    ONE_SEASON,
    Plan,
    future_means,
    hold_table,
    plan_records,
    plan_table,
    preposterior,
    spreads,
    untold,
)
from culmbook.text.refusal import Refusal

PLANS = (
    ONE_SEASON,
    Plan("one more season, with one more replicate at every site", replicates=1),
    Plan("one more season, with one more site", sites=1),
)
COSTS = Costs(1.0, 1.0, 0.05)
MANY = {"futures": 3_000, "truths": 3_000}


def after_data(before, error):
    """Covariance of normal values once observed with normal errors: Raiffa & Schlaifer (1961), ch.
    12.
    """
    return before - before @ np.linalg.solve(before + error, before)


def frames(mean, before, after):
    names = [f"H{i}" for i in range(len(mean))]
    return pd.Series(mean, names), *(
        pd.DataFrame(np.asarray(c, float), names, names) for c in (before, after)
    )


def test_precisions_add_up(rng):
    # conjugate normal values: DeGroot (1970) Optimal Statistical Decisions, section 9.9
    root, noise = rng.normal(size=(2, 4, 4))
    before, error = root @ root.T + np.eye(4), noise @ noise.T + np.eye(4)
    expected = np.linalg.inv(np.linalg.inv(before) + np.linalg.inv(error))
    assert np.allclose(after_data(before, error), expected)


@pytest.mark.parametrize(
    "u, integral", [(0.0, 0.39894), (0.5, 0.19780), (1.0, 0.08332), (2.0, 0.00849)]
)
def test_linear_loss_matches_raiffa_and_schlaifer_1961(u, integral):
    # expected value of sampling for two acts with linear loss is s L(u), s the standard deviation
    # of the mean that more data
    # lead to and u = m / s: Raiffa & Schlaifer (1961) section 5.4, L from their table II; values
    # from memory, recomputed
    # with R 4.2.2 dnorm(u) - u * pnorm(-u)
    before, error = np.array([[4.0]]), np.array([[4.0]])
    after = after_data(before, error)
    s = np.sqrt(before - after)[0, 0]
    means = future_means(np.array([u * s]), before, after, n=400_000)[:, 0]
    assert (np.maximum(means, 0).mean() - u * s) / s == pytest.approx(integral, abs=0.002)
    assert means.mean() == pytest.approx(u * s, abs=1e-9)


@pytest.mark.parametrize("error", [0.25, 1.0, 9.0])
def test_one_even_candidate_is_sheppards_arc(error):
    # with even odds now, the loss after data is the probability that a value and its new mean
    # differ in sign,
    # 1/2 - asin(r)/pi with r their correlation: Sheppard (1899) Phil. Trans. R. Soc. A 192:101-167
    mean, before, after = frames([0.0], [[1.0]], after_data(np.eye(1), error * np.eye(1)))
    table = preposterior(mean, before, after, k=1, delta=0.0, costs=COSTS, **MANY)
    assert table["loss_before"].iloc[0] == pytest.approx(0.5, abs=0.005)
    assert table["loss_after"].iloc[0] == pytest.approx(
        0.5 - np.arcsin(np.sqrt(1 / (1 + error))) / np.pi, abs=0.01
    )


def test_unequal_costs_and_a_margin_match_quadrature():
    costs, delta, mean, s2, left = Costs(1.0, 3.0, 0.0), 0.1, 0.02, 0.04, 0.015
    spread = np.sqrt(s2 - left)

    def at(now):
        chance = stats.norm.sf(np.log1p(delta), now, np.sqrt(left))
        return min(1.0 * (1 - chance), 3.0 * chance) * stats.norm.pdf(now, mean, spread)

    expected = integrate.quad(at, mean - 8 * spread, mean + 8 * spread, limit=400)[0]
    table = preposterior(*frames([mean], [[s2]], [[left]]), k=3, delta=delta, costs=costs, **MANY)
    assert table["loss_after"].iloc[0] == pytest.approx(expected, abs=0.01)
    # the decision turns where the new mean gives the probability 1/4
    turn = np.log1p(delta) - np.sqrt(left) * stats.norm.isf(0.25)
    assert table["chance_flips"].iloc[0] == pytest.approx(
        stats.norm.cdf(turn, mean, spread), abs=0.02
    )


def test_better_of_two_matches_the_bivariate_normal():
    # best of two with no margin to beat: the difference alone counts, again an arc of its
    # correlation with its new mean
    before = np.array([[1.0, 0.3], [0.3, 1.0]])
    after = after_data(before, 0.5 * np.eye(2))
    r = np.sqrt(((before - after) * [[1, -1], [-1, 1]]).sum() / (before * [[1, -1], [-1, 1]]).sum())
    mean, *both = frames([8.0, 8.0], before, after)  # both far over the control
    table = preposterior(mean, *both, k=1, delta=0.0, costs=COSTS, **MANY)
    assert table["loss_after"].to_numpy() == pytest.approx(0.5 - np.arcsin(r) / np.pi, abs=0.01)


def test_limits_of_no_and_of_perfect_information(rng):
    root = rng.normal(size=(6, 6)) / 5
    mean, before, none = frames(rng.normal(0.1, 0.2, 6), root @ root.T, root @ root.T)
    nothing = preposterior(mean, before, none, k=2, delta=0.1, costs=COSTS)
    assert (
        np.allclose(nothing["loss_after"], nothing["loss_before"])
        and (nothing["chance_flips"] == 0).all()
    )
    useless = pd.DataFrame(
        after_data(before.to_numpy(), 1e9 * np.eye(6)), before.index, before.columns
    )
    assert np.allclose(
        preposterior(mean, before, useless, k=2, delta=0.1, costs=COSTS)["loss_after"],
        nothing["loss_before"],
        atol=1e-3,
    )
    perfect = pd.DataFrame(
        after_data(before.to_numpy(), 1e-9 * np.eye(6)), before.index, before.columns
    )
    told = preposterior(mean, before, perfect, k=2, delta=0.1, costs=COSTS, futures=2_000)
    assert told["loss_after"].max() < 0.01 and told["loss_before"].max() > 0.2
    assert np.allclose(told["chance"], nothing["chance"], atol=0.05)


def test_more_data_never_hurt_and_better_data_help_more(rng):
    root = rng.normal(size=(12, 12)) / 8
    before = root @ root.T + 0.01 * np.eye(12)
    losses = []
    for error in (100.0, 0.05, 0.01, 0.001):
        mean, *both = frames(
            np.linspace(0, 0.4, 12), before, after_data(before, error * np.eye(12))
        )
        table = preposterior(mean, *both, k=4, delta=0.1, costs=COSTS)
        assert (table["loss_after"] <= table["loss_before"] + 1e-12).all()
        losses.append(table["loss_after"].sum())
    assert losses == sorted(losses, reverse=True)


def test_floors_stay_as_open_as_they_are():
    passes = pd.DataFrame({"H0": np.arange(400) % 2 == 0})
    mean, *both = frames([1.0], [[1e-4]], [[1e-6]])
    table = preposterior(mean, *both, passes, k=1, delta=0.1, costs=COSTS, futures=600)
    assert table["loss_before"].iloc[0] == pytest.approx(0.5, abs=0.05)
    assert table["loss_after"].iloc[0] == pytest.approx(0.5, abs=0.05)


@pytest.fixture(scope="module")
def fitted():
    records = season_records(
        make_seasons(np.random.default_rng(8), sites=3, seasons=2, hybrids=10, missing=0.1)
    )
    seasons = fit_seasons(records, ["H00"])
    return seasons, draw_seasons(seasons, 300, 1, variances=20)


def dense_spread(frame, seasons, variances):
    """Covariance of hybrids' lasting values by inverting Henderson's equations of all records."""
    own = (
        seasons.conditional.data["known"]
        if "known" in seasons.conditional.data
        else np.full(len(seasons.records), variances["residual"])
    )
    residual = np.concatenate([own, np.full(len(frame) - len(own), variances["residual"])])
    x = pd.get_dummies(frame["condition"], dtype=float)
    kinds = (
        pd.get_dummies(frame["hybrid"].astype("str").map(seasons.groups), dtype=float)
        .sort_index(axis=1)
        .iloc[:, 1:]
    )
    z = [pd.get_dummies(frame[t].astype("str"), dtype=float) for t in seasons.terms]
    w = np.hstack([part.to_numpy() for part in (x, kinds, *z)])
    ridge = [
        np.zeros(x.shape[1] + kinds.shape[1]),
        *(np.full(p.shape[1], 1 / variances[t]) for p, t in zip(z, seasons.terms)),
    ]
    inverse = np.linalg.inv(w.T @ (w / residual[:, None]) + np.diag(np.concatenate(ridge)))
    names = [
        *x.columns,
        *kinds.columns,
        *(f"{t} {c}" for t, p in zip(seasons.terms, z) for c in p.columns),
    ]
    pick = np.zeros((len(seasons.hybrids), len(names)))
    for i, hybrid in enumerate(seasons.hybrids):
        pick[i] = [(n == f"hybrid {hybrid}") or (n == seasons.groups[hybrid]) for n in names]
    return pick @ inverse @ pick.T


@pytest.mark.parametrize("plan", [None, *PLANS])
def test_layouts_part_matches_hendersons_equations(fitted, plan):
    seasons, drawn = fitted
    frame = seasons.records if plan is None else plan_records(seasons.records, plan)
    expected = dense_spread(frame, seasons, drawn.sets.median())
    apart = np.eye(10) - np.eye(10)[[0] * 10]
    assert np.allclose(
        apart @ spreads(seasons, drawn, plan).to_numpy() @ apart.T,
        apart @ expected @ apart.T,
        rtol=1e-6,
    )


def test_next_season_of_a_balanced_network_follows_the_formula_of_a_mean():
    # error of a mean over s sites, y seasons, r plots: Comstock & Moll (1963) in NAS-NRC
    # 982:164-196
    frame = make_seasons(
        np.random.default_rng(2), sites=4, seasons=2, hybrids=8, missing=0.0
    ).assign(block=None)
    seasons = fit_seasons(season_records(frame), ["H00"])
    assert "residual" in seasons.conditional.variances  # one residual variance serves all
    drawn = draw_seasons(seasons, 100, 1, variances=20)
    v = drawn.sets.median().reindex(
        ["hybrid", "hybrid_site", "hybrid_season", "hybrid_site_season", "plot_key", "residual"],
        fill_value=0.0,
    )
    for y, plan in ((2, None), (3, ONE_SEASON)):
        error = (
            v["hybrid_site"] / 4
            + v["hybrid_season"] / y
            + v["hybrid_site_season"] / (4 * y)
            + v["plot_key"] / 12
            + v["residual"] / (12 * y)
        )
        found = spreads(seasons, drawn, plan)
        apart = found.loc["H03", "H03"] + found.loc["H05", "H05"] - 2 * found.loc["H03", "H05"]
        assert apart == pytest.approx(2 / (1 / v["hybrid"] + 1 / error), rel=1e-6)


def test_records_of_plans(fitted):
    records = fitted[0].records
    last = records["growing_season"].max()
    season = plan_records(records, ONE_SEASON)
    new = season[season["is_new"]]
    standing = records[records["plot_key"].isin(new["plot_key"])]
    assert (
        set(new["growing_season"]) == {last + 1}
        and not new.duplicated("plot_key").any()
        and len(standing)
    )
    assert len(season) - len(new) == len(records)
    replicate = plan_records(records, PLANS[1])
    more = replicate[replicate["is_new"]]
    assert len(more) - len(new) == new.drop_duplicates(["site", "hybrid"]).shape[0]
    site = plan_records(records, PLANS[2])
    own = site[site["site"] == "+0"]
    assert (
        len(own) == 3 * 10
        and set(own["growing_season"]) == {last + 1}
        and own["replicate"].nunique() == 3
    )
    dropped = records[~((records["hybrid"] == "H07") & (records["growing_season"] == last))]
    assert "H07" not in set(plan_records(dropped, ONE_SEASON).query("is_new")["hybrid"])


def test_saving_is_what_waiting_is_worth(fitted):
    seasons, drawn = fitted
    table = hold_table(seasons, drawn, "H00", k=3, delta=0.1, costs=COSTS, all_cut=True)
    assert set(table.index) == {f"H{i:02d}" for i in range(1, 10)}
    assert (table["loss_after"] <= table["loss_now"]).all() and table["saving"].sum() > 0
    asked = {"plans": PLANS, "k": 3, "delta": 0.1, "costs": COSTS}
    plans = plan_table(seasons, drawn, "H00", **asked).set_index("plan")
    assert plans.loc["now", "expected_loss"] == pytest.approx(table["loss_now"].sum())
    assert plans.loc["one more season", "saving"] == pytest.approx(table["saving"].sum())
    assert plans["saving"].iloc[2:].min() > plans.loc["one more season", "saving"]


def test_cutting_only_what_is_kept_tells_less(fitted):
    seasons, drawn = fitted
    rule = {"k": 3, "delta": 0.1, "costs": Costs(1.0, 1.0, 0.01)}
    every, kept = (hold_table(seasons, drawn, "H00", all_cut=cut, **rule) for cut in (True, False))
    assert list(kept.index) == list(every.index) and kept["loss_now"].equals(every["loss_now"])
    assert kept["saving"].sum() < every["saving"].sum()
    held = kept.index[(kept["chance_worthy"] > 0.5) | (kept["saving"] > 0.01)]
    assert 0 < len(held) < len(kept)
    new = plan_records(seasons.records, ONE_SEASON, {"H00", *held}).query("is_new")
    assert set(new["hybrid"]) == {"H00", *held}
    # with waiting so dear that nobody is kept, what is told is the case in which all are cut
    dear = hold_table(seasons, drawn, "H00", k=3, delta=0.9, costs=Costs(1.0, 1.0, 5.0))
    assert dear.equals(
        hold_table(seasons, drawn, "H00", k=3, delta=0.9, costs=Costs(1.0, 1.0, 5.0), all_cut=True)
    )


def test_floors_that_none_passes_leave_nothing_to_learn(fitted):
    seasons, drawn = fitted
    none = pd.DataFrame(False, range(300), [f"H{i:02d}" for i in range(1, 10)])
    table = hold_table(seasons, drawn, "H00", none, k=3, delta=0.1, costs=COSTS)
    assert (table[["loss_now", "loss_after", "chance_flips"]] == 0).all().all()


def test_what_the_records_do_not_tell_is_refused():
    one = fit_seasons(
        season_records(make_seasons(np.random.default_rng(3), sites=3, seasons=1)), ["H00"]
    )
    drawn = draw_seasons(one, 50, 1, variances=0)
    asked = {"k": 2, "delta": 0.1, "costs": COSTS}
    table = hold_table(one, drawn, "H00", **asked)
    assert table["note"].str.startswith("one season was cut").all()
    assert table[["loss_after", "saving", "chance_flips"]].isna().all(axis=None)
    assert table["loss_now"].notna().all()
    with pytest.raises(Refusal, match="is not told: one season was cut"):
        plan_table(one, drawn, "H00", plans=PLANS, **asked)
    place = fit_seasons(
        season_records(make_seasons(np.random.default_rng(3), sites=1, seasons=3)), ["H00"]
    )
    drawn = draw_seasons(place, 100, 1, variances=0)
    table = plan_table(place, drawn, "H00", plans=PLANS, **asked)
    assert table["note"].str.startswith("one site was cut").tolist() == [False] * 3 + [True]
    assert table.loc[3, ["expected_loss", "plots"]].isna().all()
    frame = make_seasons(np.random.default_rng(4), sites=2, seasons=2, hybrids=8, missing=0.0)
    apart = frame[
        frame["site"].eq("S0") == frame["growing_season"].eq(frame["growing_season"].min())
    ]
    assert untold(fit_seasons(season_records(apart), ["H00"]), ONE_SEASON).startswith(
        "no hybrid was cut twice at a site"
    )
