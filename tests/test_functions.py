"""The index of functions is read from the library, so it cannot drift."""

import importlib
import inspect

import pytest

from culmbook.command import public_functions


def test_every_public_function_says_what_it_does():
    assert [
        (m, name) for m, name, said in public_functions() if not said.endswith((".", "?"))
    ] == []


def test_index_names_what_can_be_imported():
    for module, name, _ in public_functions("trials"):
        held = getattr(importlib.import_module(f"culmbook.{module}"), name.partition("(")[0])
        assert inspect.isfunction(held) or inspect.isclass(held)


STILL_TWICE = {
    "Column", "against_control", "in_words", "left_out", "minimise", "placed", "plot_traits", "random_terms",
    "read_notebook", "read_text", "settled", "words",
}  # fmt: skip
"""Names that two rooms share today; the list may only become shorter."""


def test_no_two_rooms_share_a_public_name():
    seen = {}
    for module, name, _ in public_functions():
        # these are called with their module's name
        if module.split(".")[1] not in ("words", "figures"):
            seen.setdefault(name.partition("(")[0], set()).add(module)
    assert {name for name, places in seen.items() if len(places) > 1} <= STILL_TWICE


def test_unknown_room_is_refused():
    with pytest.raises(ValueError, match="no room 'barn'"):
        public_functions("barn")
