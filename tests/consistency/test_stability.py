"""Stability variance, regression on the environment and superiority: published and recomputed
values, limits, refusals.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.consistency.stability import (
    cell_means,
    complete_table,
    environment_regression,
    stability_variances,
    superiority_of,
)
from culmbook.text.refusal import Refusal

PUBLISHED = Path(__file__).parents[1] / "published"
GAPS = [("V1", "P2"), ("V4", "P5")]


@pytest.fixture(scope="module")
def references():
    """Printed by consistency_references.R, R 4.2.2, base packages, each by the source's formula
    and lm().
    """
    return (
        pd.read_csv(PUBLISHED / "consistency_references.csv", comment="#")
        .set_index(["table", "quantity", "variety"])["value"]
        .sort_index()
    )


def barley(table="balanced"):
    frame = pd.read_csv(PUBLISHED / "immer_1934_barley.csv", comment="#")
    cells = pd.DataFrame(
        {
            "hybrid": frame["variety"],
            "environment": frame["place"],
            "value": frame["yield_1931"] + frame["yield_1932"],
            "error_variance": 0.0,
        }
    )
    gone = pd.MultiIndex.from_frame(cells[["hybrid", "environment"]]).isin(GAPS)
    return cells[~gone] if table == "unbalanced" else cells


def test_stability_variances_match_shukla_1972_table4():
    # Shukla (1972) Heredity 29:237-245, table 4, as in Fernandez (1991) HortScience 26:947-950,
    # table 3; there divided by the
    # six plots behind a cell
    printed = {"V1": 25.88, "V2": 75.68, "V3": 19.60, "V4": 225.53, "V5": 22.73}
    own = stability_variances(barley()).set_index("hybrid")["stability_variance"] / 6
    assert own.to_dict() == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize("table", ["balanced", "unbalanced"])
def test_stability_variances_match_r(references, table):
    own = stability_variances(barley(table)).set_index("hybrid")["stability_variance"]
    assert own.to_dict() == pytest.approx(
        references[table, "stability_variance"].to_dict(), rel=1e-7
    )


@pytest.mark.parametrize("table", ["balanced", "unbalanced"])
def test_environment_regression_matches_r(references, table):
    own = environment_regression(barley(table)).set_index("hybrid")
    for column in ("mean", "slope", "slope_lower", "slope_upper", "deviation_variance"):
        printed = references[table, f"{column} excluded"]
        assert own[column].to_dict() == pytest.approx(printed.to_dict(), rel=1e-6), column


def test_superiority_matches_r(references):
    wide = barley().pivot(index="hybrid", columns="environment", values="value")
    own = dict(zip(wide.index, superiority_of(wide.to_numpy())))
    assert own == pytest.approx(references["balanced", "superiority"].to_dict(), rel=1e-7)


def test_error_variance_is_taken_off():
    with_error = barley().assign(error_variance=12.0)
    slopes = (
        environment_regression(barley())["deviation_variance"]
        - environment_regression(with_error)["deviation_variance"]
    )
    assert slopes.to_numpy() == pytest.approx(12)


def test_limits_of_stability_variances_cover_the_truth(rng):
    inside, above, n = 0, 0, 300
    sd = np.array([0.5, 1.0, 1.0, 2.0, 1.0, 1.0, 1.0, 1.0])
    for _ in range(n):
        cells = pd.MultiIndex.from_product(
            [range(8), range(12)], names=["hybrid", "environment"]
        ).to_frame(index=False)
        cells["value"] = (
            rng.normal(size=96) * sd[cells["hybrid"]]
            + rng.normal(size=12)[cells["environment"]] * 3
        )
        own = stability_variances(cells[rng.random(96) > 0.1])
        inside += ((own["lower"] <= sd**2) & (sd**2 <= own["upper"])).mean()
        above += own["stability_variance"].to_numpy() / sd**2
    # each set's mean of eight coverages has an sd of about 0.08: two standard errors are 0.01
    assert abs(inside / n - 0.95) < 0.02
    assert above / n == pytest.approx(1, abs=0.25)


def test_row_order_and_names_do_not_matter(rng):
    mixed = barley("unbalanced").sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(
        stability_variances(mixed), stability_variances(barley("unbalanced"))
    )
    scaled = stability_variances(barley().assign(value=lambda t: 10 * t["value"] + 3))
    ratio = scaled["stability_variance"] / stability_variances(barley())["stability_variance"]
    assert ratio.to_numpy() == pytest.approx(100)


@pytest.mark.parametrize(
    "change, word",
    [
        (lambda t: t[t["environment"].isin(["P1", "P2"])], "at least"),
        (lambda t: t[t["hybrid"].isin(["V1", "V2"])], "at least"),
        (lambda t: t[(t["hybrid"] < "V3") == (t["environment"] < "P3")], "share no environment"),
        (lambda t: pd.concat([t, t.iloc[:1]]), "two values"),
        (lambda t: t.assign(value=np.inf), "no finite value"),
    ],
)
def test_unfit_tables_are_refused(change, word):
    with pytest.raises(ValueError, match=word):
        stability_variances(change(barley()))


@pytest.mark.parametrize("call", [stability_variances, environment_regression])
@pytest.mark.parametrize("column", ["hybrid", "environment"])
def test_one_hybrid_or_environment(call, column):
    only = barley().loc[lambda t: t[column] == t[column].iloc[0]]
    with pytest.raises(ValueError, match=f"here are .*1 {column}"):
        call(only)


def test_environments_all_alike_give_no_slope():
    flat = barley().assign(value=lambda t: t["hybrid"].str[1:].astype(float))
    with pytest.raises(ValueError, match="nothing to regress on"):
        environment_regression(flat)


def test_ties_everywhere_are_no_distance_and_no_variance():
    flat = barley().assign(value=5.0)
    assert superiority_of(np.full((4, 5), 5.0)) == pytest.approx(0)
    own = stability_variances(flat)
    assert own[["stability_variance", "lower", "upper"]].to_numpy() == pytest.approx(0, abs=1e-20)


def test_cell_means_of_complete_replicates_are_means(season_rows):
    cells, refused = cell_means(season_rows)
    plain = season_rows.groupby(["hybrid", "environment"])["response"].mean()
    own = cells.set_index(["hybrid", "environment"])["value"]
    assert own.to_numpy() == pytest.approx(plain[own.index].to_numpy()) and not refused
    assert (cells["error_variance"] > 0).all()


def test_incomplete_and_tied_tables_have_no_order(season_rows):
    cells, _ = cell_means(season_rows)
    assert complete_table(cells).notna().all(axis=None)
    with pytest.raises(Refusal, match="1 hybrid did not stand everywhere"):
        complete_table(cells.iloc[1:])
    with pytest.raises(Refusal, match="no order that could be agreed on"):
        complete_table(cells.assign(value=1.0))


@pytest.fixture
def season_rows(rng):
    from consistency_frames import make_seasons
    from culmbook.consistency.model import season_records

    return season_records(make_seasons(rng, missing=0.0))
