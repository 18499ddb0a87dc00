"""Cells without their data say why, and what rests on them is skipped: run in a real IPython
shell.
"""

import matplotlib.pyplot as plt
import pytest
from IPython.core.interactiveshell import InteractiveShell

from culmbook.show import sections
from culmbook.text.refusal import Refusal


@pytest.fixture
def run():
    shell = InteractiveShell()
    sections.begin(shell)
    shell.user_ns |= {"Refusal": Refusal, "plt": plt}

    def cell(source):
        result = shell.run_cell(source)
        result.raise_error()
        return result.result

    return cell


def kind(shown):
    return shown.kind, shown.sentences


REFUSED = "a = 1\nraise Refusal('No harvest came in.')\nb = 2"
WORDS = ("No harvest came in.",)


def test_refusal_is_shown_and_the_cell_counts_as_run(run):
    assert kind(run(REFUSED)) == ("refusal", WORDS)


def test_names_set_before_the_refusal_stay_and_those_after_it_are_missing(run):
    run(REFUSED)
    assert run("a") == 1
    assert kind(run("b + 1")) == ("skipped", WORDS)


def test_a_skipped_cell_hands_its_reason_on(run):
    run(REFUSED)
    run("c = b + 1")
    assert kind(run("d = c")) == ("skipped", WORDS)
    assert kind(run("d")) == ("skipped", WORDS)


def test_a_name_set_again_is_there_again(run):
    run(REFUSED)
    run("b = 5")
    assert run("b") == 5


def test_a_value_of_an_earlier_run_is_not_taken_for_the_refused_one(run):
    run("b = 7")
    run(REFUSED)
    assert kind(run("b")) == ("skipped", WORDS)


@pytest.mark.parametrize("source", [
    "sum(b for b in [1, 2, 3])", "(lambda b: b)(6)", "b = 6\nb", "from math import factorial as b\nb(3)",
])  # fmt: skip
def test_names_of_the_cell_itself_are_not_missing(run, source):
    run(REFUSED)
    assert run(source) is not None
    run("b = 1")


@pytest.mark.parametrize("source", ["b += 1", "b.append(1)", "b['x'] = 1", "print(f'{b}')"])
def test_every_use_of_a_missing_name_skips(run, source):
    run(REFUSED)
    assert kind(run(source)) == ("skipped", WORDS)


def test_other_errors_stop_the_cell(run):
    with pytest.raises(ZeroDivisionError):
        run("1 / 0")
    with pytest.raises(ValueError, match="plain"):
        run("raise ValueError('plain')")


def test_no_begun_figure_is_left(run):
    run("fig, ax = plt.subplots()\nraise Refusal('Nothing to draw.')")
    assert plt.get_fignums() == []


def test_the_last_value_is_shown_as_ever(run):
    assert run("x = 3\nx * 2") == 6
    assert run("x = 3") is None


def test_outside_a_notebook_a_refusal_is_an_error_in_words():
    with pytest.raises(ValueError, match="No harvest"):
        raise Refusal("No harvest came in.")
