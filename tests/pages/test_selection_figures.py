"""Figures of choosing: what is drawn is what the table says."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from culmbook.pages.selection_figures import LEAST_NAMED, plot_gains, plot_losses, plot_plans
from culmbook.selection.decide import Costs, decide
from culmbook.show.palette import use_style


@pytest.fixture
def decided(rng):
    use_style()
    gains = pd.DataFrame(
        rng.normal(np.linspace(-0.3, 0.3, 12), 0.15, (200, 12)),
        columns=[f"H{i}" for i in range(12)],
    )
    more = pd.DataFrame({"loss_after": 0.05, "chance_flips": 0.1}, gains.columns)
    return decide(gains, k=3, delta=0.1, costs=Costs(), more=more)


def _points(ax):
    return sorted(
        (float(x), float(y))
        for line in ax.lines
        if line.get_linestyle() == "None" and line.get_marker() != "x"
        for x, y in zip(line.get_xdata(), line.get_ydata())
    )


def test_plot_gains_draws_every_candidate_once_in_both_panels(decided):
    axes = Figure(figsize=(6, 4), layout="constrained").subplots(1, 2, sharey=True)
    frame = decided.sort_values("gain", ascending=False, ignore_index=True)
    left, right = plot_gains(frame, delta=0.1, k=3, axes=axes)
    place = np.arange(12)[::-1]
    assert _points(left) == sorted(zip(frame["gain"], place.astype(float)))
    assert _points(right) == sorted(zip(frame["p_top"], place.astype(float)))
    assert [t.get_text() for t in left.get_yticklabels()] == list(frame["hybrid"])
    assert right.get_xlabel() == "Among the best 3 [% probability]"


def test_plot_losses_puts_promoted_and_dropped_on_their_lines(decided):
    ax = Figure(figsize=(6, 3), layout="constrained").subplots()
    hidden = plot_losses(decided, Costs(), ax=ax)
    assert _points(ax) == sorted(zip(decided["chance_worthy"], decided["loss"]))
    taken = decided[decided["decision"].isin(["promote", "drop"])]
    line = np.where(
        taken["decision"] == "promote", 1 - taken["chance_worthy"], taken["chance_worthy"]
    )
    np.testing.assert_allclose(taken["loss"], line)
    assert ax.get_ylim()[1] > decided["loss"].max()
    named = {t.get_text() for t in ax.texts} & set(decided["hybrid"])
    assert len(named) + hidden == (decided["chance_worthy"] >= LEAST_NAMED).sum()


def test_plot_losses_without_holding_and_with_a_free_error_still_draws(decided):
    ax = Figure(figsize=(6, 3), layout="constrained").subplots()
    plot_losses(decided.assign(loss_hold=np.nan), Costs(wrong_promote=1.0, wrong_drop=0.0), ax=ax)
    assert np.isfinite(ax.get_ylim()).all()


def test_plot_plans_draws_what_is_saved():
    ax = Figure(figsize=(6, 2), layout="constrained").subplots()
    table = pd.DataFrame({"plan": ["now", "one more season"], "expected_loss": [2.0, 1.5]})
    plot_plans(table, ax=ax)
    assert _points(ax) == [(1.5, 0.0), (2.0, 1.0)]
    [bars] = ax.collections
    assert [tuple(sorted(segment[:, 0])) for segment in bars.get_segments()] == [
        (2.0, 2.0),
        (1.5, 2.0),
    ]
