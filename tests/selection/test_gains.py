"""Predictions of hybrids, their reliability, and the probability of being among the best k."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from consistency_frames import make_seasons
from culmbook.consistency.draws import SeasonDraws, draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import (
    blup_table,
    candidate_gains,
    chance_beats,
    chance_if_passing,
    chance_in_top,
    covariance_at,
    heritability,
    in_mean_yield,
    in_top,
    lasting_values,
    under_test,
    worthy,
)
from culmbook.text.refusal import Refusal


@pytest.fixture(scope="module")
def seasons():
    return fit_seasons(
        season_records(make_seasons(np.random.default_rng(5), hybrids=12, missing=0.1)), ["H00"]
    )


def lasting_covariance(seasons):
    fit = seasons.conditional
    return covariance_at(fit.model, fit.state.theta, fit.state.factor, seasons.groups)


def predicted(seasons):
    return blup_table(seasons, "H00", draw_seasons(seasons, 400, 3, variances=20))


def mixed_model_equations(seasons):
    """Solution and inverse of Henderson's mixed model equations, set up densely from the records."""
    fit, records = seasons.conditional, seasons.records
    own = fit.variances[list(seasons.terms)]
    z = [pd.get_dummies(records[t].astype("str"), dtype=float) for t in seasons.terms]
    w = np.hstack([fit.design.to_numpy(float), *(part.to_numpy() for part in z)])
    known = (
        fit.data["known"]
        if "known" in fit.data
        else np.full(len(records), fit.variances["residual"])
    )
    ridge = np.concatenate(
        [
            np.zeros(fit.design.shape[1]),
            *(np.full(p.shape[1], 1 / max(v, 1e-12)) for p, v in zip(z, own)),
        ]
    )
    inverse = np.linalg.inv(w.T @ (w / np.asarray(known)[:, None]) + np.diag(ridge))
    names = [
        *fit.design.columns,
        *(f"{t} {c}" for t, part in zip(seasons.terms, z) for c in part.columns),
    ]
    solution = inverse @ w.T @ (records["response"] / known)
    return pd.Series(solution, names), pd.DataFrame(inverse, names, names)


def against(seasons, hybrid, names):
    """Weights of a candidate's lasting value less the control's."""
    row = pd.Series(0.0, names)
    for name, sign in ((hybrid, 1.0), ("H00", -1.0)):
        row[f"hybrid {name}"] += sign
        group = f"group {seasons.groups[name]}"
        if group in names:
            row[group] += sign
    return row


def test_gain_and_its_error_match_hendersons_equations(seasons):
    solution, inverse = mixed_model_equations(seasons)
    value, error = lasting_values(seasons), lasting_covariance(seasons)
    for hybrid in ("H03", "H11"):
        row = against(seasons, hybrid, solution.index)
        variance = (
            error.loc[hybrid, hybrid] + error.loc["H00", "H00"] - 2 * error.loc[hybrid, "H00"]
        )
        assert value[hybrid] - value["H00"] == pytest.approx(row @ solution, rel=1e-6)
        assert variance == pytest.approx(row @ inverse @ row, rel=1e-6)


def test_limits_of_draws_and_of_the_formula_agree(seasons):
    drawn = draw_seasons(seasons, 6_000, 3, variances=0)
    table = blup_table(seasons, "H00", drawn).set_index("hybrid").drop("H00")
    value, error = lasting_values(seasons), lasting_covariance(seasons)
    variance = np.diag(error) + error.loc["H00", "H00"] - 2 * error["H00"]
    gain = value - value["H00"]
    assert np.allclose(table["gain"], np.expm1(gain[table.index]))
    for name, sign in (("lower", -1), ("upper", 1)):
        formula = np.expm1(gain + sign * stats.norm.ppf(0.975) * np.sqrt(variance))
        assert (formula[table.index] - table[name]).abs().max() < 0.03


def test_table_counts_and_order(seasons):
    table = predicted(seasons)
    records = seasons.records
    own = records[records["hybrid"] == table["hybrid"].iloc[0]]
    assert table["n_plots"].iloc[0] == own[["site", "plot"]].drop_duplicates().shape[0]
    assert (table["n_sites"] == 2).all() and (table["n_seasons"] == 3).all()
    assert table["rank"].tolist()[:-1] == list(range(1, 12)) and pd.isna(table["rank"].iloc[-1])
    control = table.iloc[-1]
    assert (
        control["hybrid"] == "H00"
        and control["gain"] == 0
        and np.isnan(control["reliability"])
        and np.isnan(control["lower"])
    )
    others = table.iloc[:-1]
    assert ((others["lower"] < others["gain"]) & (others["gain"] < others["upper"])).all()
    assert np.allclose(others["mean_t_ha"] / control["mean_t_ha"] - 1, others["gain"])


def test_mean_yield_is_that_of_the_plots_where_there_is_no_noise(rng):
    frame = make_seasons(rng, sites=1, seasons=2, hybrids=6, missing=0.0)
    truth = pd.Series(np.exp(rng.normal(2, 0.3, 6)), [f"H{h:02d}" for h in range(6)])
    seasonal = frame["growing_season"].map({2022: 0.8, 2023: 1.25})
    noise = np.exp(rng.normal(0, 0.01, len(frame)))
    records = season_records(
        frame.assign(dry_yield_t_ha=frame["hybrid"].map(truth) * seasonal * noise)
    )
    table = predicted(fit_seasons(records, ["H00"])).set_index("hybrid")
    assert np.allclose(table["mean_t_ha"], truth[table.index], rtol=0.02)
    assert np.allclose(table["gain"], truth[table.index] / truth["H00"] - 1, atol=0.03)


def balanced(rng, hybrids=14, replicates=4):
    frame = make_seasons(rng, sites=1, seasons=1, hybrids=hybrids, missing=0.0)
    keep = frame[frame["replicate"].isin([str(r) for r in range(replicates)])].assign(block=None)
    return fit_seasons(season_records(keep), ["H00"])


def test_heritability_of_a_balanced_trial_is_the_textbook_one(rng):
    # entry-mean heritability s2g / (s2g + s2e / r): Falconer & Mackay (1996) ch. 8; the generalised
    # one equals it when
    # all hybrids have as many plots: Cullis, Smith & Coombes (2006) section 3
    seasons = balanced(rng)
    own = seasons.fit.variances
    share = own["hybrid"] / (own["hybrid"] + own["residual"] / 3)
    assert heritability(seasons) == pytest.approx(share, rel=1e-6)
    assert predicted(seasons)["reliability"].dropna().to_numpy() == pytest.approx(share, rel=1e-6)


def test_hybrids_that_do_not_differ_have_no_heritability(rng):
    frame = make_seasons(rng, hybrids=6, spreads={"hybrid": 0.0})
    mean = frame.groupby("hybrid")["dry_yield_t_ha"].transform(lambda v: np.exp(np.log(v).mean()))
    seasons = fit_seasons(
        season_records(frame.assign(dry_yield_t_ha=frame["dry_yield_t_ha"] / mean)), ["H00"]
    )
    with pytest.raises(Refusal, match="the variance among hybrids is estimated at 0"):
        heritability(seasons)
    table = predicted(seasons)
    assert table["reliability"].isna().all()


def test_refusals(seasons):
    drawn = draw_seasons(seasons, 50, 1, variances=0)
    for call in (lambda: blup_table(seasons, "X", drawn), lambda: candidate_gains(drawn, "X")):
        with pytest.raises(ValueError, match="The control X has no yield"):
            call()
    records = seasons.records.assign(response=np.exp(seasons.records["response"]))
    raw = fit_seasons(records, ["H00"], scale="raw")
    with pytest.raises(ValueError, match="log yield"):
        blup_table(raw, "H00", drawn)
    with pytest.raises(Refusal, match="names no control"):
        candidate_gains(drawn, "")
    gains = pd.DataFrame({"A": [0.1]})
    with pytest.raises(ValueError, match="k = 0"):
        chance_in_top(gains, 0)
    with pytest.raises(ValueError, match="not in both: A and B"):
        chance_in_top(gains, 1, pd.DataFrame({"B": [True]}))
    with pytest.raises(ValueError, match="gaps"):
        in_top([[0.1, np.nan]], 1)


def test_gains_are_shares_and_leave_controls_out(seasons):
    drawn = draw_seasons(seasons, 200, 1, variances=0)
    gains = candidate_gains(drawn, "H00")
    assert list(gains.columns) == [f"H{h:02d}" for h in range(1, 12)]
    assert np.allclose(gains["H04"], np.exp(drawn.lasting["H04"] - drawn.lasting["H00"]) - 1)
    some = candidate_gains(drawn, "H00", {"H04", "H00", "H02"})
    assert list(some.columns) == ["H02", "H04"] and some.equals(gains[["H02", "H04"]])
    for among, message in (
        (["H02", "X"], "no yield to choose by: X"),
        (["H00"], "nothing to choose from"),
    ):
        with pytest.raises(ValueError, match=message):
            candidate_gains(drawn, "H00", among)


def test_hybrid_at_one_site_only_is_known_less_well(rng):
    frame = make_seasons(rng, sites=4, seasons=2, hybrids=10, missing=0.0)
    alone = frame[(frame["hybrid"] != "H05") | (frame["site"] == "S0")]
    table = predicted(fit_seasons(season_records(alone), ["H00"])).set_index("hybrid")
    assert table.loc["H05", "n_sites"] == 1 and table.loc["H05", "n_plots"] == 3
    others = table.drop(["H00", "H05"])
    assert table.loc["H05", "reliability"] < others["reliability"].min()
    width = np.log1p(table["upper"]) - np.log1p(table["lower"])
    assert width["H05"] > width[others.index].max()


def test_one_season_is_enough_to_predict(rng):
    seasons = fit_seasons(season_records(make_seasons(rng, sites=3, seasons=1, hybrids=8)), ["H00"])
    table = predicted(seasons)
    assert (table["n_seasons"] == 1).all() and table["gain"].notna().all()
    assert candidate_gains(draw_seasons(seasons, 40, 1, variances=0), "H00").shape == (40, 7)


def test_crop_types_have_means_of_their_own(rng):
    frame = make_seasons(rng, sites=3, seasons=2, hybrids=13, missing=0.0)
    kind = frame["hybrid"].map(lambda h: "tall" if h > "H06" else "short")
    records = season_records(
        frame.assign(
            crop_type=kind,
            dry_yield_t_ha=frame["dry_yield_t_ha"] * np.where(kind == "tall", 3.0, 1.0),
        )
    )
    seasons = fit_seasons(records, ["H00"])
    gains = predicted(seasons).set_index("hybrid")["gain"].drop("H00").sort_index()
    tall = gains.index > "H06"
    # three times the yield of the one kind stays in the predictions: it is a fixed effect, not
    # drawn to the common mean
    log = np.log1p(gains)
    raw = (
        np.log(records["dry_yield_t_ha"])
        .groupby(records["hybrid"].astype("str"))
        .mean()
        .drop("H00")
    )
    assert log[tall].mean() - log[~tall].mean() == pytest.approx(
        raw[tall].mean() - raw[~tall].mean(), abs=0.02
    )
    solution, inverse = mixed_model_equations(seasons)
    row = against(seasons, "H09", solution.index) - against(seasons, "H02", solution.index)
    error = lasting_covariance(seasons)
    variance = error.loc["H09", "H09"] + error.loc["H02", "H02"] - 2 * error.loc["H09", "H02"]
    assert variance == pytest.approx(row @ inverse @ row, rel=1e-6)


def test_best_of_two_is_the_normal_probability(rng):
    gains = pd.DataFrame({"A": rng.normal(0.3, 0.2, 60_000), "B": rng.normal(0.1, 0.1, 60_000)})
    assert chance_in_top(gains, 1)["A"] == pytest.approx(
        stats.norm.cdf(0.2 / np.hypot(0.2, 0.1)), abs=0.005
    )
    assert chance_beats(gains, 0.2)["A"] == pytest.approx(stats.norm.cdf(0.5), abs=0.005)


def test_probability_of_the_best_matches_bechhofer_1954(rng):
    # four populations, the best 2.9162 standard errors of a mean ahead of equals: probability 0.95
    # that its mean is the
    # highest. Bechhofer (1954) Ann. Math. Stat. 25:16-39, table I; value from memory, recomputed
    # with R 4.2.2 integrate()
    values = rng.normal(size=(400_000, 4)) + [2.9162, 0, 0, 0]
    assert chance_in_top(pd.DataFrame(values), 1)[0] == pytest.approx(0.95, abs=0.0015)


def test_share_of_draws_over_the_margin():
    gains = pd.DataFrame({"A": [0.0, 0.1, 0.11, 0.5], "B": [-0.1, -0.2, 0.0, 0.1]})
    assert chance_beats(gains, 0.1).to_dict() == {"A": 0.5, "B": 0.0} and chance_beats(
        gains, 0.0
    ).to_dict() == {"A": 0.75, "B": 0.25}


def test_equal_hybrids_share_the_places(rng):
    gains = pd.DataFrame(rng.normal(size=(40_000, 8)))
    assert np.allclose(chance_in_top(gains, 3), 3 / 8, atol=0.01)
    same = pd.DataFrame(np.full((5, 8), 0.2))
    assert np.allclose(chance_in_top(same, 3), 3 / 8) and np.allclose(
        worthy(same, None, 3, 0.1), 3 / 8
    )


def test_top_matches_a_full_sort_and_adds_up_to_the_places(rng):
    gains, passes = rng.integers(0, 6, (300, 9)) / 10, rng.random((300, 9)) < 0.6
    for k in (1, 4, 9, 12):
        found = in_top(gains, k, passes)
        assert np.allclose(found.sum(axis=1), np.minimum(k, passes.sum(axis=1)))
        for value, ok, top in zip(gains, passes, found, strict=True):
            order = sorted(value[ok], reverse=True)
            last = order[min(k, len(order)) - 1] if order else np.inf
            assert (top[ok & (value > last)] == 1).all() and (top[~ok | (value < last)] == 0).all()


def test_all_conditions_must_hold_together():
    gains = pd.DataFrame({"A": [0.5, 0.5, 0.05], "B": [0.2, 0.6, 0.01], "C": [0.4, 0.1, 0.02]})
    passes = pd.DataFrame({"C": [True] * 3, "B": [True, True, False], "A": [False, True, True]})
    assert worthy(gains, passes, 1, 0.1).to_numpy().tolist() == [[0, 0, 1], [0, 1, 0], [0, 0, 0]]
    assert worthy(gains, passes, 7, 0.1).to_numpy().tolist() == [[0, 1, 1], [1, 1, 0], [0, 0, 0]]
    nobody = pd.DataFrame(False, gains.index, gains.columns)
    assert (chance_in_top(gains, 2, nobody) == 0).all() and (
        worthy(gains, nobody, 9, 0.0) == 0
    ).all().all()


def test_chance_if_passing_is_that_of_letting_it_pass(rng):
    gains = pd.DataFrame(rng.normal(0.2, 0.2, (500, 7)), columns=list("ABCDEFG"))
    passes = pd.DataFrame(rng.random((500, 7)) < 0.4, columns=gains.columns)
    for k in (1, 3, 7):
        found = chance_if_passing(gains, passes, k, 0.1)
        for hybrid in gains:
            assert found[hybrid] == pytest.approx(
                worthy(gains, passes.assign(**{hybrid: True}), k, 0.1)[hybrid].mean()
            )
    assert chance_if_passing(gains, None, 3, 0.1).equals(worthy(gains, None, 3, 0.1).mean())


def test_hybrid_dropped_before_and_no_longer_cut_is_not_chosen_from():
    rows = [
        ("A", "2024"),
        ("A", "2025"),
        ("B", "2024"),
        ("C", "2024"),
        ("C", "2025"),
        ("S", "2025"),
    ]
    records = pd.DataFrame(rows, columns=["hybrid", "season"])
    before = pd.DataFrame(
        {"hybrid": list("BCB"), "growing_season": [2024, 2024, 2023], "decision": ["drop"] * 3}
    )
    assert under_test(records, before, 2025, ["S"]) == ["A", "C"]
    held = before.assign(decision=["hold", "drop", "drop"])
    assert under_test(records, held, 2025, ["S"]) == ["A", "B", "C"]
    assert under_test(records, before, 2024, ["S"]) == ["A", "C"]


def test_plots_that_gave_nothing_lower_the_gain_by_their_share():
    # known truth: of H01 every third plot dies at every site, which takes a third of its yield; the
    # records of cuts that gave something do not know it
    cuts = make_seasons(np.random.default_rng(8), hybrids=12, sites=6, seasons=2, missing=0.0)
    is_dead = cuts["hybrid"].eq("H01") & cuts["replicate"].eq(cuts["replicate"].min())
    dead = cuts.assign(dry_yield_t_ha=cuts["dry_yield_t_ha"].mask(is_dead, 0.0))
    fit = fit_seasons(season_records(dead), ["H00"])
    drawn = draw_seasons(fit, 400, 3, variances=20)
    gains = candidate_gains(in_mean_yield(drawn, dead, "H00"), "H00").median() + 1
    # the same yields as if nothing had died: what lasts is estimated from them alone
    alive = dead[dead["dry_yield_t_ha"] > 0]
    ratio = gains / (candidate_gains(in_mean_yield(drawn, alive, "H00"), "H00").median() + 1)
    # mean of a beta distribution of 3 plots, 2 of them alive, and one of the network's share
    assert ratio["H01"] == pytest.approx((2 + 1 - is_dead.mean()) / 4, rel=0.06)
    assert ratio["H01"] < 0.8 and ratio.drop("H01").between(0.97, 1.03).all()


def test_site_where_a_hybrid_fails_counts_by_its_tonnes():
    # by hand: 10, 10 and 1 t/ha beside 10 everywhere is 7 to 10, though the mean log says 4.6
    drawn = SeasonDraws(
        pd.DataFrame(0.0, range(2), ["H00", "H01"]),
        np.log(np.tile([[[10.0], [10.0], [10.0]], [[10.0], [10.0], [1.0]]], (2, 1, 1, 1))),
        *(pd.DataFrame(), ["H00", "H01"], ["A", "B", "C"], ["2025"], "log", ("H00",), None),
    )
    drawn.lasting["H01"] = np.log([1, 1, 0.1]).mean()
    cuts = pd.MultiIndex.from_product([["H00", "H01"], list("ABC")], names=["hybrid", "site"])
    cuts = cuts.to_frame(index=False).assign(
        plot="1", crop_year=3, left_out=None, growing_season=2025
    )
    cuts = cuts.assign(dry_yield_t_ha=1.0)
    assert candidate_gains(in_mean_yield(drawn, cuts, "H00"), "H00")["H01"].to_numpy() == (
        pytest.approx(7 / 10 - 1)
    )
    # where it stood at one site only, it is held against the control there, and nothing changes
    one = cuts[cuts["hybrid"].eq("H00") | cuts["site"].eq("C")]
    assert np.allclose(in_mean_yield(drawn, one, "H00").lasting, drawn.lasting)
