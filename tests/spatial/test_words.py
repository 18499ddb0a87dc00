"""Sentences on a field are true of the models they are made from."""

import numpy as np
import pandas as pd
import pytest

from culmbook.spatial import neighbours, words
from culmbook.spatial.trend import BLOCKS, choose_trend, fit_trends, placed
from culmbook.text.refusal import Refusal
from field_frames import LINES, NONE, make_trial

SIZE = {"hybrids": 12, "rows": 6, "columns": 6}


def two_trials(scenario=LINES):
    one = make_trial(np.random.default_rng(5), scenario, missing=0, **SIZE, share=0.8)
    other = make_trial(np.random.default_rng(6), NONE, missing=0, **SIZE)
    frames = [frame.assign(trial=name) for frame, name in ((one, "T1"), (other, "T2"))]
    return pd.concat(frames, ignore_index=True)


@pytest.fixture(scope="module")
def models():
    return fit_trends(two_trials())


def test_every_trial_is_chosen_for_as_if_alone(models):
    for trial, own in two_trials().groupby("trial"):
        alone = choose_trend(own)
        assert models.chosen[trial] == alone.chosen
        found = models.table.query("trial == @trial").set_index("model")["aic"]
        assert found.to_dict() == pytest.approx(alone.table["aic"].to_dict())


def test_chosen_trend_is_named_with_its_worth(models):
    said = words.choice_words(models)
    row = models.table.query("trial == 'T1' and is_chosen").iloc[0]
    assert "trial T1 best" in said[0]
    assert f"{round(100 * (row['efficiency'] - 1))} % more replicates" in said[0]


def test_means_move_as_the_sentence_says(models):
    means = models.means()
    wide = means.query("trial == 'T1'").pivot(index="hybrid", columns="model", values="mean")
    change = (wide[models.other["T1"]] / wide[BLOCKS] - 1).abs()
    assert (
        f"by up to {round(100 * change.max())} % ({change.idxmax()})"
        in words.order_words(models, means)[0]
    )


def test_a_wrong_yield_is_a_suspect_and_says_how_far_off():
    records = two_trials()
    records.loc[3, "response"] += np.log(10)
    far = fit_trends(records).left_out().query("abs(error) > 3.5 * sd")
    assert list(far["plot"]) == [records.loc[3, "plot"]] and 5 < far["factor"].iloc[0] < 20
    assert str(records.loc[3, "plot"]) in words.suspect_words(far)
    assert words.suspect_words(far.iloc[:0]) == ""


def test_a_trial_without_a_model_is_listed_and_the_others_are_fitted():
    records = two_trials()
    records.loc[records["trial"].eq("T2"), "hybrid"] = "H00"
    found = fit_trends(records)
    assert list(found.chosen) == ["T1"]
    assert "hybrid" in found.refused.query("trial == 'T2'")["reason"].iloc[0]


def test_plots_without_place_are_refused_where_a_place_is_needed():
    records = two_trials().assign(row=np.nan, column=np.nan)
    models = fit_trends(records)
    with pytest.raises(Refusal, match="Trial T1: 36 plots of 36 have no row or column"):
        placed(records)
    with pytest.raises(Refusal, match="no row or column"):
        neighbours.likeness(models)
    with pytest.raises(Refusal, match="plots without row"):
        neighbours.borders_of_trials(records, records, models)
    with pytest.raises(Refusal, match="Blocks alone"):
        words.order_words(models, models.means())


def test_a_border_that_yields_more_is_found():
    records = two_trials(NONE)
    ends = records["row"].isin([records["row"].min(), records["row"].max()])
    records["response"] += np.where(ends, np.log(3), 0)
    found, _ = neighbours.borders_of_trials(records, records, fit_trends(records))
    row = found.query("border == 'first and last row'").iloc[0]
    assert row["lower"] < 2 < row["upper"]  # three times as much is 200 % more
    assert "more than inner ones" in words.border_words(found, 0.95)


def test_likeness_is_said_by_the_side_of_its_expectation():
    row = {"trial": "T", "model": BLOCKS, "reason": "", "expected": -0.05}
    frame = pd.DataFrame(
        [row | {"i": 0.4, "p": 0.001}, row | {"i": -0.4, "p": 0.001}, row | {"i": 0.4, "p": 0.2}]
    )
    for k, text in enumerate(("plots are alike", "less alike than chance", "not clearly alike")):
        assert text in words.neighbour_words(frame.iloc[[k]])[0]
