"""Log odds ratios with limits for few scores."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.mixed import fit_ordinal


def test_contrast_has_t_limits():
    rng = np.random.default_rng(2)
    plots = pd.DataFrame({"hybrid": np.repeat(list("abcd"), 6), "score": rng.integers(0, 4, 24)})
    fit = fit_ordinal(plots, score="score", fixed="hybrid")
    weights = pd.DataFrame({"hybrid[T.b]": [1.0, 0.0], "hybrid[T.c]": [0.0, 1.0]}, index=["b", "c"])
    found = fit.contrast(weights)
    assert found["estimate"].to_numpy() == pytest.approx(
        fit.coefficients[["hybrid[T.b]", "hybrid[T.c]"]].to_numpy()
    )
    assert found["se"]["b"] == pytest.approx(
        np.sqrt(fit.covariance.loc["hybrid[T.b]", "hybrid[T.b]"])
    )
    half = stats.t.ppf(0.975, 20) * found["se"]
    assert (found["upper"] - found["lower"]).to_numpy() == pytest.approx(2 * half.to_numpy())
    assert found["p"].to_numpy() == pytest.approx(
        2 * stats.t.sf(np.abs(found["estimate"] / found["se"]), 20)
    )
    with pytest.raises(ValueError, match="no such coefficient: b"):
        fit.contrast(pd.DataFrame({"b": [1.0]}))
