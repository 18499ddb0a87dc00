"""Keys of strata, and the random terms that a layout can carry."""

import pytest

from culmbook.trials.layout import add_strata, random_terms
from stand_frames import make_plots

ALL = ("hybrid:site", "replicate", "main_plot", "block", "hybrid:treatment", "plot")
CROSSED = (("machine", "film"), ("machine", "none"), ("hand", "film"))


def test_strata_of_two_sites_are_never_the_same():
    one, two = add_strata(make_plots(site="S1")), add_strata(make_plots(site="S2"))
    for key in ("replicate_key", "main_plot_key", "block_key", "plot_key", "condition"):
        assert not set(one[key]) & set(two[key])
    assert set(one["treatment"]) == {"machine, no film"}


def test_terms_that_part_the_plots_alike_are_kept_once():
    cells = add_strata(make_plots())  # blocks are replicates, no main plots, one treatment and site
    assert random_terms(cells, ALL) == {
        "hybrid_site": "hybrid × site",
        "replicate_key": "replicate within site",
        "plot_key": "plot (overdispersion)",
    }
    assert list(random_terms(cells, ALL, fixed=["hybrid", "replicate_key"])) == ["plot_key"]
    assert list(random_terms(cells, ALL, fixed=["hybrid"], residual=True)) == ["replicate_key"]


def test_split_plots_have_main_plots_and_hybrids_by_treatment():
    cells = add_strata(make_plots(treatments=CROSSED))
    kept = random_terms(cells, ALL, fixed=["hybrid", "replicate_key", "treatment"])
    assert list(kept) == ["main_plot_key", "hybrid_treatment", "plot_key"]


def test_a_column_may_be_a_term_and_an_unknown_name_is_refused():
    cells = add_strata(make_plots()).assign(counted_by=list("AB" * 4) + ["A"])
    assert random_terms(cells, ["counted_by"]) == {"counted_by": "counted by"}
    with pytest.raises(ValueError, match="random term 'shed'"):
        random_terms(cells, ["shed"])
