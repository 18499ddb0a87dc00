"""Freeze test against field: rank correlations with intervals, refusals."""

import numpy as np
import pandas as pd
import pytest

from culmbook.frost.agreement import freeze_against_field, rank_agreement


def both(lt50, share):
    names = [f"H{i}" for i in range(len(lt50))]
    return freeze_against_field(
        pd.DataFrame({"hybrid": names, "lt50_c": lt50}),
        pd.DataFrame({"hybrid": names, "share": share}),
    )


def test_spearman_interval_matches_bonett_2000():
    """Formula of the paper by hand for 10 hybrids and one far swap: r = 1 - 6·2·81/990 = 0.0182."""
    lt50 = -np.arange(10.0)
    share = np.array([9, 1, 2, 3, 4, 5, 6, 7, 8, 0]) / 10
    row = rank_agreement(both(lt50, share)).set_index("coefficient").loc["Spearman"]
    r = 1 - 6 * 2 * 81 / 990
    half = 1.959964 * np.sqrt((1 + r**2 / 2) / 7)
    assert row["estimate"] == pytest.approx(r)
    assert [row["lower"], row["upper"]] == pytest.approx(
        np.tanh(np.arctanh(r) + np.array([-half, half])).tolist()
    )


def test_full_agreement_is_one_but_not_certain():
    table = rank_agreement(both(-np.arange(8.0), np.linspace(0.2, 0.9, 8)))
    assert (
        table["estimate"].tolist() == pytest.approx([1, 1])
        and (table["upper"] == 1).all()
        and (table["lower"] < 0.95).all()
    )


def test_joint_draws_give_the_chance_of_a_positive_correlation(rng):
    names = [f"H{i}" for i in range(8)]
    lt50 = pd.concat(
        [
            pd.DataFrame({"hybrid": h, "draw": range(200), "lt50_c": rng.normal(-i, 0.1, 200)})
            for i, h in enumerate(names)
        ]
    )
    logits = pd.DataFrame({h: rng.normal(i, 0.1, 200) for i, h in enumerate(names)})
    table = rank_agreement(
        both(-np.arange(8.0), np.linspace(0.2, 0.9, 8)), curve_draws=lt50, logit_draws=logits
    )
    assert (table["p_positive"] == 1).all()


def test_few_or_equal_hybrids_are_refused():
    with pytest.raises(ValueError, match="needs 5 hybrids known in both; here are 2"):
        rank_agreement(both([-1.0, -2.0], [0.5, 0.6]))
    with pytest.raises(ValueError, match="nothing to rank"):
        rank_agreement(both([-1.0] * 6, np.linspace(0, 1, 6)))


def test_hybrids_without_a_curve_are_left_out():
    assert both([-1.0, np.nan, -3.0], [0.1, 0.2, 0.3])["hybrid"].tolist() == ["H2", "H0"]
