import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from culmbook.season.observers import (
    _icc,
    _icc_one_way,
    agreement,
    double_scores,
    icc_agreement,
    icc_any_two,
    observers_apart,
    overall_agreement,
    weighted_kappa,
)

DAY = pd.Timestamp("2025-05-04")
# Shrout & Fleiss 1979, Psychological Bulletin 86: 420-428, Table 2: six targets, four judges
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
# Agresti, Categorical Data Analysis: answers of 91 married couples (Hout et al. 1987), ordered categories
COUPLES = np.array([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]])


def scores_of(table):
    a, b = np.indices(table.shape)
    return np.repeat(a.ravel(), table.ravel()), np.repeat(b.ravel(), table.ravel())


def frame(rows):
    columns = ["site", "plot", "frost_on", "scored_on", "observer", "damage_score"]
    return pd.DataFrame(rows, columns=columns).astype(
        {"damage_score": "Int64", "frost_on": "datetime64[ns]", "scored_on": "datetime64[ns]"}
    )


def test_icc_matches_shrout_fleiss_1979_table4():
    # ICC(2,1) = .29; value from memory, recomputed with pingouin below
    assert _icc(SHROUT_FLEISS, 0.95)[0] == pytest.approx(0.29, abs=0.005)


def test_one_way_icc_matches_shrout_fleiss_1979_table4():
    # ICC(1,1) = .17; value from memory, recomputed with pingouin below
    assert _icc_one_way(SHROUT_FLEISS, 0.95)[0] == pytest.approx(0.17, abs=0.005)


@pytest.mark.parametrize("function, name", [(_icc, "ICC(A,1)"), (_icc_one_way, "ICC(1,1)")])
def test_icc_interval_matches_pingouin(function, name):
    pg.options["round.column.CI95"] = None
    long = pd.DataFrame(SHROUT_FLEISS).rename_axis("plot").reset_index().melt("plot")
    table = pg.intraclass_corr(long, targets="plot", raters="variable", ratings="value").set_index(
        "Type"
    )
    row = table.loc[name]
    interval = row[[column for column in table.columns if column.startswith("CI95")][0]]
    icc, low, high = function(SHROUT_FLEISS, 0.95)
    assert icc == pytest.approx(row["ICC"], rel=1e-9)
    assert [low, high] == pytest.approx(list(interval), rel=1e-6)


def test_icc_interval_covers_in_small_sets():
    """95 % intervals from 12 plots cover the agreement of the scoring that made them."""
    rng = np.random.default_rng(1979)

    def draw(n):
        true = rng.normal(2.5, 1.2, n)
        noise = rng.normal(0, 0.6, (2, n))
        return np.clip(np.round(true + noise), 0, 6)

    truth = icc_agreement(*draw(300_000))[0]
    hits = [
        low <= truth <= high for _, low, high in (icc_agreement(*draw(12)) for _ in range(1500))
    ]
    assert 0.935 <= np.mean(hits) <= 0.98  # Monte Carlo standard error 0.006


def test_weighted_kappa_with_quadratic_weights_matches_statsmodels():
    expected = cohens_kappa(COUPLES, wt="quadratic").kappa
    assert weighted_kappa(*scores_of(COUPLES)) == pytest.approx(expected, rel=1e-12)


def test_statsmodels_reproduces_the_published_linear_kappa():
    # R's vcd documents 0.2374 (standard error 0.0783) for these couples; value from memory,
    # recomputed with statsmodels: the reference used above is itself checked
    result = cohens_kappa(COUPLES, wt="linear")
    assert (result.kappa, result.std_kappa) == pytest.approx((0.2374, 0.0783), abs=5e-5)


def test_weighted_kappa_is_one_when_all_agree_and_missing_when_all_are_one_value():
    assert weighted_kappa([0, 3, 6], [0, 3, 6]) == 1
    assert np.isnan(weighted_kappa([2, 2, 2], [2, 2, 2]))
    assert np.isnan(icc_agreement([2, 2, 2], [2, 2, 2])[0])


def test_kappa_and_icc_refuse_missing_or_unpaired_scores():
    for function in (weighted_kappa, icc_agreement):
        for a, b in (([1, np.nan], [1, 2]), ([1], [1, 2]), ([], [])):
            with pytest.raises(ValueError, match="same plots"):
                function(a, b)


def test_double_scores_keep_one_event_and_one_site_apart():
    other = DAY + pd.Timedelta(days=9)
    rows = [
        ("A", "1", DAY, DAY, "ann", 1),
        ("A", "1", other, other, "ben", 4),
        ("B", "1", DAY, DAY, "ben", 3),
    ]
    assert double_scores(frame(rows)).empty


def test_double_scores_drop_blank_scores_and_observers():
    rows = [
        ("A", "1", DAY, DAY, name, score) for name, score in (("ann", pd.NA), ("ben", 4), (None, 3))
    ]
    assert double_scores(frame(rows)).empty


def test_double_scores_take_the_first_of_repeated_scores():
    rows = [("A", "1", DAY, DAY + pd.Timedelta(days=k), "ann", s) for k, s in ((6, 5), (1, 2))]
    pairs = double_scores(frame([*rows, ("A", "1", DAY, DAY, "ben", 3)]))
    assert pairs[["a", "b", "days_apart"]].values.tolist() == [[2, 3, 1]]


def test_double_scores_of_three_observers_give_three_pairs():
    rows = [
        ("A", "1", DAY, DAY, name, score) for name, score in (("cid", 1), ("ann", 2), ("ben", 3))
    ]
    pairs = double_scores(frame(rows))
    names = sorted(zip(pairs["observer_a"], pairs["observer_b"]))
    assert names == [("ann", "ben"), ("ann", "cid"), ("ben", "cid")]


def test_agreement_counts_and_refuses_few_plots():
    rows = [
        ("A", str(i), DAY, DAY, o, s)
        for i, pair in enumerate([(1, 2), (3, 3), (0, 2), (4, 3)])
        for o, s in zip(("ann", "ben"), pair)
    ]
    row = agreement(double_scores(frame(rows))).iloc[0]
    assert row["n_scored":"n_b_higher"].tolist() == [4, 4, 1, 3, 1, 2]
    assert row["mean_difference"] == pytest.approx(0.5)
    assert np.isnan(row["icc"]) and row["reason"] == "fewer than 10 plots scored twice"


def test_agreement_of_an_observer_who_scores_high():
    rows = [
        ("A", str(i), DAY, DAY, o, s)
        for i in range(12)
        for o, s in (("ann", i % 4), ("ben", i % 4 + 1))
    ]
    row = agreement(double_scores(frame(rows))).iloc[0]
    assert row["sign_p"] == pytest.approx(2 * 0.5**12)  # twelve of twelve on one side
    assert row["icc"] < 1 and row["mean_difference"] == 1


def test_agreement_says_when_there_is_no_interval():
    rows = [("A", str(i), DAY, DAY, o, i % 4) for i in range(12) for o in ("ann", "ben")]
    row = agreement(double_scores(frame(rows))).iloc[0]
    assert row["icc"] == 1 and np.isnan(row["low"])
    assert row["reason"] == "no error left between the observers: no interval"


def test_agreement_of_no_pairs_is_an_empty_table():
    assert agreement(double_scores(frame([]))).empty


def test_observers_apart_finds_the_one_who_scores_high():
    rows = [
        (site, str(i), DAY, DAY, o, s)
        for site in "AB"
        for i in range(12)
        for o, s in ((("ann", "ben")[i % 2], 1), ("cid", 1 + (site == "A")))
    ]
    apart = observers_apart(double_scores(frame(rows))).set_index(["site", "observer"])
    high = apart.loc[("A", "cid")]
    assert (high["n_higher"], high["n_lower"], high["n_equal"], high["mean_difference"]) == (
        12,
        0,
        0,
        1,
    )
    assert high["sign_p"] == pytest.approx(2 * 0.5**12)
    assert high["adjusted_p"] == pytest.approx(3 * high["sign_p"])
    assert apart.loc[("B", "cid"), "sign_p"] == 1


def test_holm_adjusted_p_matches_statsmodels():
    from statsmodels.stats.multitest import multipletests

    from culmbook.season.observers import _holm

    p = pd.Series([0.04, 0.004, 0.03, 0.6])
    assert _holm(p).tolist() == pytest.approx(list(multipletests(p, method="holm")[1]), rel=1e-12)


def test_overall_agreement_pools_pairs_of_a_site():
    rows = [
        ("A", str(i), DAY, DAY, o, s)
        for i in range(12)
        for o, s in ((("ann", "ben")[i % 2], i % 5), ("cid", (i + i % 3) % 5))
    ]
    row = overall_agreement(double_scores(frame(rows))).iloc[0]
    assert row["n_scored"] == 12 and row["n_equal"] == 4
    expected = icc_any_two([i % 5 for i in range(12)], [(i + i % 3) % 5 for i in range(12)])
    assert row[["icc", "low", "high"]].tolist() == pytest.approx(expected)


def test_overall_agreement_and_observers_of_no_pairs_are_empty_tables():
    pairs = double_scores(frame([]))
    assert overall_agreement(pairs).empty and observers_apart(pairs).empty


def test_sign_test_matches_scipy():
    from scipy.stats import binomtest

    from culmbook.season.observers import _sign_p

    for up, down in ((0, 0), (1, 0), (7, 1), (5, 5), (2, 14), (40, 22)):
        expected = binomtest(up, up + down).pvalue if up + down else 1
        assert _sign_p(up, down) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("function, name", [(icc_agreement, "ICC(A,1)"), (icc_any_two, "ICC(1,1)")])
def test_two_observers_match_pingouin(function, name):
    long = pd.DataFrame(SHROUT_FLEISS[:, [0, 3]]).rename_axis("plot").reset_index().melt("plot")
    table = pg.intraclass_corr(long, targets="plot", raters="variable", ratings="value").set_index(
        "Type"
    )
    assert function(*SHROUT_FLEISS[:, [0, 3]].T)[0] == pytest.approx(
        table.loc[name, "ICC"], rel=1e-9
    )
