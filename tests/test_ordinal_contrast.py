"""Log odds ratios corrected for few scores."""

import numpy as np
import pandas as pd
import pytest

from culmbook.mixed import fit_ordinal


def test_contrast_is_the_estimate_less_what_few_scores_add():
    rng = np.random.default_rng(2)
    plots = pd.DataFrame({"hybrid": np.repeat(list("abcd"), 6), "score": rng.integers(0, 4, 24)})
    fit = fit_ordinal(plots, score="score", fixed="hybrid")
    weights = pd.DataFrame({"hybrid[T.b]": [1.0, 0.0], "hybrid[T.c]": [0.0, 1.0]}, index=["b", "c"])
    found = fit.contrast(weights)
    shrunk = np.sqrt((24 - 4) / 24)
    assert found["estimate"].to_numpy() == pytest.approx(shrunk * fit.coefficients[["hybrid[T.b]", "hybrid[T.c]"]].to_numpy())
    assert found["se"]["b"] == pytest.approx(np.sqrt(fit.covariance.loc["hybrid[T.b]", "hybrid[T.b]"]))
    with pytest.raises(ValueError, match="no such coefficient: b"):
        fit.contrast(pd.DataFrame({"b": [1.0]}))
