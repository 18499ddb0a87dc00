"""One catalogue of columns."""

import csv
from importlib.resources import files

import pandas as pd
import pytest

from culmbook import show

CATALOGUE = list(
    csv.DictReader(files("culmbook.show").joinpath("columns.csv").open("r", encoding="utf-8"))
)


def test_every_listed_column_is_whole_and_stands_once():
    names = [row["name"] for row in CATALOGUE]
    assert len(names) == len(set(names))
    assert list(show.columns(" ".join(names))) == names


def test_columns_keep_order_and_take_the_level():
    assert [c.heading for c in show.columns("interval hybrid", level=0.9).values()] == [
        "90 % interval",
        "Hybrid",
    ]


def test_another_column_of_the_frame_under_a_listed_heading():
    found = show.columns("stood:n_plots")
    assert list(found) == ["stood"] and found["stood"].heading == "Plots"


def test_own_column_goes_before_the_listed_one():
    assert show.columns("hybrid", hybrid=show.Column("Entry"))["hybrid"].heading == "Entry"


def test_unknown_column_is_refused_by_name():
    with pytest.raises(ValueError, match="'n_plot' is not in the catalogue"):
        show.columns("hybrid n_plot")


def test_table_takes_names_and_bold_hybrids():
    frame = pd.DataFrame(
        {"hybrid": ["H1", "STD"], "n_plots": [3, 4], "lower": [0.1, 0.2], "upper": [1.0, 2.0]}
    )
    made = show.table(frame, "hybrid n_plots interval", label="t", caption="C.", strong=["STD"])
    assert made.strong == (False, True)
    assert [column["heading"] for column in made.content["columns"]] == [
        "Hybrid",
        "Plots",
        "95 % interval",
    ]
