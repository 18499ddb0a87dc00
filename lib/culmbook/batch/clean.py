"""Keep notebooks fit for version control: no outputs but the headline cell's, no leftovers.

``python -m culmbook.batch.clean notebooks`` runs each notebook on its defaults, stores what its headline cell
prints and clears everything else. ``--keep`` only clears; ``--check`` changes nothing and
lists what is wrong.
"""

import argparse
import ast
import json
import os
import re
import sys
import tempfile
from pathlib import Path

from culmbook.batch.executed import SENTINEL_TAG
from culmbook.batch.parameters import PARAMETERS_TAG, read_parameters, source, tags
from culmbook.batch.worker import ENVIRONMENT
from culmbook.text.files import write_whole

HEADLINE_TAG = "nbval-check-output"
TEMPLATE = "00_template.ipynb"
LONGEST_CELL = 10
"""Lines of code in one cell, blank ones not counted; the parameters cell may have more."""
_ITALIC = re.compile(
    r"(?<![*\w\\])\*(?![\s*])([^*]+?)(?<!\s)\*(?![*\w])|(?<![_\w\\])_(?![\s_])([^_]+?)(?<!\s)_(?![_\w])"
)
_MACHINE_PATH = re.compile(r"/home/\w|/root/|/Users/\w|[A-Z]:\\Users|/tmp/")


def read_notebook(path):
    """Return a notebook file's content (dict)."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def cleaned(notebook, ran=None):
    """Return a notebook as it is committed.

    Parameters
    ----------
    notebook : dict
        As found.
    ran : dict, optional
        The same notebook after a run on its defaults; its headline cell's output and count are taken over.

    Returns
    -------
    dict
        Outputs and counts cleared but for the headline cell's; of the metadata of cells only tags are kept.
    """
    headlines = {c["id"]: c for c in (ran or notebook)["cells"] if HEADLINE_TAG in tags(c)}
    about = {k: v for k, v in notebook["metadata"].items() if k in ("culmbook", "kernelspec")}
    return {
        "nbformat": notebook["nbformat"],
        "nbformat_minor": notebook["nbformat_minor"],
        "metadata": about | {"language_info": {"name": "python"}},
        "cells": [_cleaned_cell(c, headlines.get(c.get("id"))) for c in notebook["cells"]],
    }


def _cleaned_cell(cell, headline):
    kept = {k: cell[k] for k in ("cell_type", "id") if k in cell}
    kept |= {
        "metadata": {"tags": tags(cell)} if tags(cell) else {},
        "source": source(cell).splitlines(keepends=True),
    }
    if cell["cell_type"] != "code":
        return kept
    shown = headline or {"outputs": [], "execution_count": None}
    return kept | {"outputs": shown["outputs"], "execution_count": shown["execution_count"]}


def as_text(notebook):
    """Return a notebook as the text of its file."""
    return json.dumps(notebook, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def placeholders(notebook):
    """Return the passages in italics, which a template leaves to be replaced, with white space evened out."""
    found = (
        match
        for c in notebook["cells"]
        if c["cell_type"] == "markdown"
        for match in _ITALIC.findall(source(c))
    )
    return {" ".join("".join(groups).split()) for groups in found}


def faults(notebook, template=None):
    """List what keeps a notebook from being committed.

    Parameters
    ----------
    notebook : dict
        As found.
    template : dict, optional
        The notebook that new ones are copied from; its italic passages may not remain.

    Returns
    -------
    list of str
        Empty when the notebook is clean.
    """
    found = [
        *_dirt(notebook),
        *_cell_faults(notebook),
        *_headline_faults(notebook),
        *_parameter_faults(notebook),
    ]
    left = placeholders(notebook) & placeholders(template) if template else set()
    return found + [f"text of the template remains: *{text}*" for text in sorted(left)]


def _dirt(notebook):
    if as_text(notebook) != as_text(cleaned(notebook)):
        yield "outputs, execution counts or metadata remain: run python -m culmbook.batch.clean"
    ids = [c.get("id") for c in notebook["cells"]]
    if None in ids or len(set(ids)) < len(ids):
        yield "every cell needs an id of its own (nbformat 4.5)"
    match = _MACHINE_PATH.search(as_text(notebook))
    if match:
        yield f"a path of one machine stands in it: {match[0]}…"


def _cell_faults(notebook):
    for number, cell in enumerate(_code_cells(notebook), start=1):
        lines = [line for line in source(cell).splitlines() if line.strip()]
        if len(lines) > LONGEST_CELL and PARAMETERS_TAG not in tags(cell):
            yield (
                f"code cell {number} has {len(lines)} lines, more than {LONGEST_CELL}: "
                f"move steps into the library"
            )
        if "raises-exception" in tags(cell):
            yield f"code cell {number} is tagged raises-exception; the batch takes that as a failure"
        yield from _code_faults(source(cell), number)
    cells = _code_cells(notebook)
    if not cells or SENTINEL_TAG not in tags(cells[-1]):
        yield f"the last code cell must carry the tag {SENTINEL_TAG!r}"


def _code_faults(text, number):
    try:
        tree = ast.parse(text)
    except SyntaxError as error:
        yield f"code cell {number} is not plain Python (line {error.lineno}); no magics, no shell commands"
        return
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            yield f"code cell {number} defines {node.name!r}: move it into the library, with a test"


def _headline_faults(notebook):
    cells = [c for c in _code_cells(notebook) if HEADLINE_TAG in tags(c)]
    if len(cells) != 1:
        yield f"exactly one code cell must carry the tag {HEADLINE_TAG!r}, found {len(cells)}"
    for cell in cells:
        if cell["execution_count"] is None or not cell["outputs"]:
            yield "the headline cell has no stored output to compare with: run python -m culmbook.batch.clean"
        if any(output["output_type"] != "stream" for output in cell["outputs"]):
            yield "the headline cell must print plain text only"


def _parameter_faults(notebook):
    try:
        found = read_parameters(notebook)
    except ValueError as error:
        yield str(error)
        return
    for parameter in found.values():
        if not parameter.meaning:
            yield f"parameter {parameter.name!r} needs its meaning and unit beside it: # meaning [unit]"


def _code_cells(notebook):
    return [c for c in notebook["cells"] if c["cell_type"] == "code" and source(c).strip()]


def headline(notebook):
    """Return what the headline cell's stored output prints."""
    texts = [
        o.get("text", "")
        for c in notebook["cells"]
        if HEADLINE_TAG in tags(c)
        for o in c.get("outputs", [])
    ]
    return "".join(text if isinstance(text, str) else "".join(text) for text in texts)


def run_on_defaults(path):
    """Run a notebook on the defaults of its parameters cell.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict
        The executed notebook.

    Raises
    ------
    ValueError
        If it does not run to its end.
    """
    from culmbook.batch.execution import execute

    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / Path(path).name
        outcome = execute(Path(path), target, {})
        if outcome.status != "done":
            raise ValueError(outcome.reason)
        return read_notebook(target)


def clean(path, keep=False):
    """Clean one notebook file, and renew its headline.

    Parameters
    ----------
    path : Path
    keep : bool
        Keep the stored headline instead of running the notebook.

    Returns
    -------
    str
        What was done, in a line or two; empty when nothing changed.

    Raises
    ------
    ValueError
        If the notebook does not run; the file is then left as it is.
    """
    before = Path(path).read_text(encoding="utf-8")
    notebook = json.loads(before)
    after = cleaned(notebook, None if keep else run_on_defaults(path))
    if as_text(after) == before:
        return ""
    write_whole(path, as_text(after))
    old, new = headline(notebook), headline(after)
    return (
        "cleaned"
        if old == new
        else f"headline changed\n- {old.strip() or '(none)'}\n+ {new.strip()}"
    )


def main(arguments=None):
    """Run the command line; return 0 if all notebooks are (now) clean, else 1."""
    parser = argparse.ArgumentParser(
        prog="python -m culmbook.batch.clean", description=__doc__.splitlines()[0]
    )
    parser.add_argument("paths", nargs="+", type=Path, help="notebooks, or folders of notebooks")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--keep", action="store_true", help="only clear; do not run")
    how.add_argument("--check", action="store_true", help="change nothing, list what is wrong")
    asked = parser.parse_args(arguments)
    os.environ.update(ENVIRONMENT)  # as in a batch, so that the same numbers come out
    paths = [
        p
        for given in asked.paths
        for p in (sorted(given.glob("*.ipynb")) if given.is_dir() else [given])
    ]
    said = {path: _checked(path) if asked.check else _tried(path, asked.keep) for path in paths}
    for path, (lines, _) in said.items():
        print(f"{path}: {lines or 'clean'}")
    return 0 if paths and all(is_clean for _, is_clean in said.values()) else 1


def check_file(path):
    """List the faults of a notebook file, measured against the template in its folder.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of str
        As `faults`.
    """
    template = Path(path).with_name(TEMPLATE)
    is_copy = template.is_file() and Path(path).name != TEMPLATE
    return faults(read_notebook(path), read_notebook(template) if is_copy else None)


def _checked(path):
    found = check_file(path)
    return "\n  ".join(found), not found


def _tried(path, keep):
    try:
        return clean(path, keep), True
    except ValueError as error:
        return f"left as it is: {error}", False


if __name__ == "__main__":
    sys.exit(main())
