"""What the figures of sites show is what was found."""

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from test_site_agreement import means_of
from test_site_correlation import made

from culmbook.site_agreement import fit_site_agreement
from culmbook.site_figures import ladder_height, plot_site_against_rest, plot_site_ladder


@pytest.fixture
def ax():
    figure, axes = plt.subplots()
    yield axes
    plt.close(figure)


def test_hybrids_lie_where_both_places_put_them(ax):
    found = fit_site_agreement(means_of(21, apart=[("H05", "S1", 1.2)]), "S1", ["H00"])
    assert plot_site_against_rest(found, ["H00"], ax=ax) == 0
    row = found.table.set_index("hybrid").loc["H00"]
    control = ax.lines[1].get_xydata()
    assert control.tolist() == [pytest.approx([100 * np.expm1(row["rest"]), 100 * np.expm1(row["own"])])]
    assert len(ax.lines[0].get_xydata()) == len(found.table) - 1
    assert [t.get_text() for t in ax.texts] == ["H05"]
    assert "S1 [% from the mean]" in ax.get_ylabel() and "the other sites" in ax.get_xlabel()
    filled = [p for p in ax.patches if p.get_alpha() == 0.35]
    apart = found.table.set_index("hybrid").loc["H05"]
    assert len(filled) == 1 and filled[0].get_xy()[:4, 1].max() == pytest.approx(100 * np.expm1(apart["own_upper"]))


def test_raw_scale_and_one_other_site(ax):
    found = fit_site_agreement(means_of(3, sites=2), "S0", ["H00"])
    plot_site_against_rest(found, [], ax=ax, scale="raw")
    assert "S1 [t/ha from the mean]" in ax.get_xlabel()
    assert ax.lines[0].get_xydata()[:, 1].tolist() == pytest.approx(found.table["own"].tolist())


def laddered(n):
    r = np.full((n, n), 0.2) + 0.8 * np.eye(n)
    r[0, 1] = r[1, 0] = 0.9
    return made(r)


def test_ladder_has_every_neighbour_of_every_site(ax):
    found = laddered(4)
    groups = pd.Series([1, 1, 2, 2], found.correlation.index)
    plot_site_ladder(found, groups, ax=ax)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["S0", "S1", "S2", "S3"] and len(ax.lines) == 12
    assert ax.texts[0].get_text() == "S1" and ax.lines[0].get_xdata()[0] == 0.9  # nearest of S0 on top
    assert ax.lines[0].get_marker() != ax.lines[1].get_marker()
    assert ax.collections[0].get_segments()[0][:, 0].tolist() == pytest.approx([0.8, 1.0])


def test_many_sites_lose_names_and_unknown_correlations_are_refused(ax):
    plot_site_ladder(laddered(8), ax=ax)
    assert not ax.texts and ladder_height(8) < ladder_height(7) and ladder_height(40) == 8.5
    found = laddered(3)
    none = type(found)(**{**vars(found), "pairs": found.pairs.assign(correlation=np.nan)})
    with pytest.raises(ValueError, match="nothing to draw"):
        plot_site_ladder(none, ax=ax)
