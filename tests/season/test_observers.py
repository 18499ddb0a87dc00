import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from culmbook.season.observers import agreement, double_scores, observers_apart, overall_agreement
from culmbook.text.refusal import Refusal

DAY = pd.Timestamp("2025-05-04")
# Shrout & Fleiss 1979, Psychological Bulletin 86: 420-428, Table 2: six targets, four judges
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
# Agresti, Categorical Data Analysis: answers of 91 married couples (Hout et al. 1987), ordered
# categories
COUPLES = np.array([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]])


def scores_of(table):
    a, b = np.indices(table.shape)
    return np.repeat(a.ravel(), table.ravel()), np.repeat(b.ravel(), table.ravel())


def frame(rows):
    columns = ["site", "plot", "frost_on", "scored_on", "observer", "damage_score"]
    return pd.DataFrame(rows, columns=columns).astype(
        {"damage_score": "Int64", "frost_on": "datetime64[ns]", "scored_on": "datetime64[ns]"}
    )


def pairs_of(a, b):
    """Pairs of two observers at one site, as `double_scores` gives them."""
    pairs = pd.DataFrame({"plot": range(len(a)), "a": a, "b": b})
    return pairs.assign(site="A", frost_on=DAY, observer_a="ann", observer_b="ben", days_apart=0)


@pytest.mark.parametrize("kind, published", [("ICC(A,1)", 0.29), ("ICC(1,1)", 0.17)])
def test_pingouin_gives_the_icc_of_shrout_fleiss_1979_table4(kind, published):
    # values from memory; the library's own coefficients were equal to these to 1e-9 before
    long = pd.DataFrame(SHROUT_FLEISS).rename_axis("plot").reset_index().melt("plot")
    table = pg.intraclass_corr(long, targets="plot", raters="variable", ratings="value")
    assert table.set_index("Type").loc[kind, "ICC"] == pytest.approx(published, abs=0.005)


def test_icc_interval_covers_in_small_sets():
    """95 % intervals from 12 plots cover the agreement of the scoring that made them."""
    rng = np.random.default_rng(1979)

    def judged(n):
        true = rng.normal(2.5, 1.2, n)
        scores = np.clip(np.round(true + rng.normal(0, 0.6, (2, n))), 0, 6)
        return agreement(pairs_of(*scores)).iloc[0]

    truth = judged(3000)["icc"]
    hits = [row["low"] <= truth <= row["high"] for row in (judged(12) for _ in range(300))]
    assert 0.935 <= np.mean(hits) <= 0.98


def test_weighted_kappa_with_quadratic_weights_matches_statsmodels():
    expected = cohens_kappa(COUPLES, wt="quadratic").kappa
    found = agreement(pairs_of(*scores_of(COUPLES)))["kappa"].iloc[0]
    assert found == pytest.approx(expected, rel=1e-12)


def test_classes_that_nobody_gave_count_as_distance():
    far = agreement(pairs_of([0, 0, 0, 6, 6, 6] * 2, [0, 0, 6, 6, 6, 0] * 2))
    mixed = agreement(pairs_of([0, 0, 1, 6, 6, 6] * 2, [0, 0, 6, 6, 6, 0] * 2))
    a, b = np.array([0, 0, 1, 6, 6, 6] * 2), np.array([0, 0, 6, 6, 6, 0] * 2)
    by_chance = ((a[:, None] - b[None, :]) ** 2).mean()
    assert far["kappa"].iloc[0] == pytest.approx(1 / 3)
    assert mixed["kappa"].iloc[0] == pytest.approx(1 - ((a - b) ** 2).mean() / by_chance)


def test_statsmodels_reproduces_the_published_linear_kappa():
    # R's vcd documents 0.2374 (standard error 0.0783) for these couples; value from memory,
    # recomputed with statsmodels: the reference used above is itself checked
    result = cohens_kappa(COUPLES, wt="linear")
    assert (result.kappa, result.std_kappa) == pytest.approx((0.2374, 0.0783), abs=5e-5)


def test_kappa_is_one_when_all_agree_and_missing_when_all_are_one_value():
    assert agreement(pairs_of([0, 3, 6, 1] * 3, [0, 3, 6, 1] * 3))["kappa"].iloc[0] == 1
    same = agreement(pairs_of([2] * 12, [2] * 12)).iloc[0]
    assert np.isnan(same["kappa"]) and np.isnan(same["icc"])
    assert same["reason"] == "all scores are the same"


def test_double_scores_keep_one_event_and_one_site_apart():
    other = DAY + pd.Timedelta(days=9)
    rows = [
        ("A", "1", DAY, DAY, "ann", 1),
        ("A", "1", other, other, "ben", 4),
        ("B", "1", DAY, DAY, "ben", 3),
    ]
    with pytest.raises(Refusal, match="agreement cannot be judged"):
        double_scores(frame(rows))


def test_double_scores_drop_blank_scores_and_observers():
    rows = [
        ("A", "1", DAY, DAY, name, score) for name, score in (("ann", pd.NA), ("ben", 4), (None, 3))
    ]
    with pytest.raises(Refusal, match="agreement cannot be judged"):
        double_scores(frame(rows))


def test_season_without_a_score_says_so():
    with pytest.raises(Refusal, match="No frost damage was scored"):
        double_scores(frame([]))


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
    counts = ["n_scored", "n_equal", "n_within_1", "n_a_higher", "n_b_higher"]
    assert row[counts].tolist() == [4, 1, 3, 1, 2]
    assert np.isnan(row["icc"]) and row["reason"] == "fewer than 10 plots scored twice"


def test_agreement_of_an_observer_who_scores_high():
    rows = [
        ("A", str(i), DAY, DAY, o, s)
        for i in range(12)
        for o, s in (("ann", i % 4), ("ben", i % 4 + 1))
    ]
    pairs = double_scores(frame(rows))
    apart = observers_apart(pairs).set_index("observer").loc["ben"]
    assert apart["sign_p"] == pytest.approx(2 * 0.5**12)  # twelve of twelve on one side
    assert agreement(pairs)["icc"].iloc[0] < 1 and apart["mean_difference"] == 1


def test_agreement_says_when_there_is_no_interval():
    rows = [("A", str(i), DAY, DAY, o, i % 4) for i in range(12) for o in ("ann", "ben")]
    row = agreement(double_scores(frame(rows))).iloc[0]
    assert row["icc"] == 1 and np.isnan(row["low"])
    assert row["reason"] == "no error left between the observers: no interval"


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


def test_overall_agreement_pools_pairs_of_a_site():
    rows = [
        ("A", str(i), DAY, DAY, o, s)
        for i in range(12)
        for o, s in ((("ann", "ben")[i % 2], i % 5), ("cid", (i + i % 3) % 5))
    ]
    row = overall_agreement(double_scores(frame(rows))).iloc[0]
    assert row["n_scored"] == 12 and row["n_equal"] == 4
    scores = np.array([[i % 5 for i in range(12)], [(i + i % 3) % 5 for i in range(12)]])
    between, within = 2 * scores.mean(axis=0).var(ddof=1), scores.var(axis=0, ddof=1).mean()
    assert row["icc"] == pytest.approx((between - within) / (between + within))
