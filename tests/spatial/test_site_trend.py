"""Trends of a site over its seasons: found where they are put, plots left out whole, refusals."""

import numpy as np
import pandas as pd
import pytest

from culmbook.mixed import left_out
from culmbook.sites.first_stage import fit_site, site_means
from culmbook.spatial.site_trend import choose_site_trend
from culmbook.trials.layout import add_strata
from field_frames import LINES, NONE, make_trial


def _seasons(rng, lasting, spread=0.05):
    """Three seasons of the same plots; rows and columns differ for good, or in each season anew."""
    one = make_trial(rng, LINES if lasting else NONE, missing=0, share=0.8)
    frames = []
    for year in ("2023", "2024", "2025"):
        other = make_trial(rng, NONE if lasting else LINES, missing=0, share=0.8, spread=0, sd=0.15)
        frames.append(one.assign(season=year, response=one["response"] + other["response"]))
    cells = add_strata(pd.concat(frames, ignore_index=True))
    return cells.assign(
        condition=cells["place"] + ":" + cells["season"],
        hybrid_season=cells["hybrid"] + ":" + cells["season"],
        replicate_season=cells["replicate_key"] + ":" + cells["season"],
        main_plot_season=cells["main_plot_key"] + ":" + cells["season"],
    )


@pytest.mark.parametrize("lasting", [True, False])
def test_trend_of_a_site_is_found_and_placed_in_the_plots_or_in_the_season(lasting):
    cells = _seasons(np.random.default_rng(6), lasting)
    found = choose_site_trend(cells, candidates=["rows and columns"])
    assert found.chosen == "rows and columns" and found.table["n_left_out"].eq(len(cells)).all()
    fit, _ = fit_site(cells, found.chosen)
    share = {t: fit.variances[[f"{t}:row", f"{t}:column"]].sum() for t in ("place", "place:season")}
    assert (share["place"] > share["place:season"]) == lasting
    (other,) = [m.means for m in site_means(cells, trend=found.chosen)]
    assert found.means[found.chosen][other.index].to_numpy() == pytest.approx(other.to_numpy())


def test_plots_of_a_site_are_left_out_with_all_their_seasons():
    cells = _seasons(np.random.default_rng(6), True)
    fit, _ = fit_site(cells)
    v = fit.model.covariance(fit.state)[0] * fit.model.scale**2
    own = (cells["plot"] == "0304").to_numpy()
    x, y, inverse = fit.design.to_numpy(float), fit.response, np.linalg.inv(v[np.ix_(~own, ~own)])
    b = np.linalg.solve(x[~own].T @ inverse @ x[~own], x[~own].T @ inverse @ y[~own])
    predicted = x[own] @ b + v[np.ix_(own, ~own)] @ inverse @ (y[~own] - x[~own] @ b)
    found = left_out(fit, cells["plot"])["error"][own]
    assert found.to_numpy() == pytest.approx(y[own] - predicted, rel=1e-6)


def test_records_of_two_sites_are_refused(rng):
    one = _seasons(rng, True)
    with pytest.raises(ValueError, match="one site at a time"):
        choose_site_trend(pd.concat([one, one.assign(site="S2")]))
