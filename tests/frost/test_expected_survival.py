"""Survival expected from a freeze curve over past winters."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from culmbook.frost.expected_survival import expected_survival


def curves(n=1, sd=0.0, seed=3, **lt50):
    rng = np.random.default_rng(seed)
    return pd.concat(
        [
            pd.DataFrame(
                {"hybrid": h, "draw": range(n), "lt50_c": rng.normal(v, sd, n), "slope": 2.0}
            )
            for h, v in lt50.items()
        ],
        ignore_index=True,
    )


def test_two_winters_by_hand():
    row = expected_survival([-3.0, -5.0], curves(A=-4.0)).iloc[0]
    high, low = 1 / (1 + np.exp(-2)), 1 / (1 + np.exp(2))
    assert row["expected"] == pytest.approx((high + low) / 2) and row["below_lt50"] == 0.5
    assert np.isnan(row["worst_in_ten"])


def test_worst_in_ten_of_eleven_winters_is_the_second_coldest():
    minima = np.arange(-10.0, 1.0)
    row = expected_survival(minima, curves(A=-4.0)).iloc[0]
    assert row["worst_in_ten"] == pytest.approx(1 / (1 + np.exp(-2 * (-9 + 4))))


def test_mild_and_deadly_winters_are_one_and_zero():
    assert expected_survival([20.0] * 12, curves(A=-4.0))["expected"].iloc[0] == pytest.approx(1)
    assert expected_survival([-30.0] * 12, curves(A=-4.0))["worst_in_ten"].iloc[0] == pytest.approx(
        0, abs=1e-12
    )


def test_intervals_come_from_the_draws():
    """One winter, LT50 normal: the limits are the monotone curve's at LT50's 2.5 and 97.5 % points."""
    row = expected_survival([-4.0], curves(40_000, 0.5, A=-4.0)).iloc[0]
    z = 0.5 * norm.ppf(0.975)
    assert row["expected_lower"] == pytest.approx(1 / (1 + np.exp(2 * z)), abs=0.005)
    assert row["expected_upper"] == pytest.approx(1 / (1 + np.exp(-2 * z)), abs=0.005)
    mean = quad(lambda x: norm.pdf(x, -4, 0.5) / (1 + np.exp(-2 * (-4.5 - x))), -9, 1)[0]
    assert expected_survival([-4.5], curves(40_000, 0.5, A=-4.0))["expected"].iloc[
        0
    ] == pytest.approx(mean, abs=0.005)


def test_the_climate_is_less_certain_than_the_record(rng):
    row = expected_survival(rng.normal(-4, 1.5, 20), curves(2000, 0.2, A=-4.0)).iloc[0]
    assert (
        row["climate_lower"] < row["expected_lower"]
        and row["climate_upper"] > row["expected_upper"]
    )


def test_hardiest_first_whatever_the_order_of_draws():
    draws = curves(5, 0.1, A=-3.0, B=-6.0)
    one = expected_survival([-4.0, -5.0], draws)
    assert one["hybrid"].tolist() == ["B", "A"]
    pd.testing.assert_frame_equal(
        one[["hybrid", "expected"]],
        expected_survival([-5.0, -4.0], draws.iloc[::-1])[["hybrid", "expected"]],
    )


def test_faulty_input_is_refused():
    with pytest.raises(ValueError, match="one or more winters"):
        expected_survival([], curves(A=-4.0))
    with pytest.raises(ValueError, match="slope above 0"):
        expected_survival([-4.0], curves(A=-4.0).assign(slope=0.0))
