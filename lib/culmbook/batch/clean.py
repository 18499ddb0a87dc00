"""Keep notebooks fit for version control: no outputs but the headline cell's, no leftovers.

``python -m culmbook.batch.clean notebooks`` runs each notebook on its defaults, stores what its
headline cell prints and clears everything else. ``--keep`` only clears; ``--check`` changes nothing
and lists what is wrong.
"""

import argparse
import ast
import json
import os
import re
import sys
import tempfile
from pathlib import Path

from culmbook.batch.notebook import SENTINEL_TAG, code_cells, read_notebook
from culmbook.batch.parameters import PARAMETERS_TAG, read_parameters, source, tags
from culmbook.batch.workers import ENVIRONMENT, execute
from culmbook.text.files import write_whole

HEADLINE_TAG = "nbval-check-output"
TEMPLATE = "00_template.ipynb"
LONGEST_CELL = 15
"""Lines of code in one cell, blank ones not counted; the parameters cell may have more."""
_ITALIC = re.compile(
    r"(?<![*\w\\])\*(?![\s*])([^*]+?)(?<!\s)\*(?![*\w])|(?<![_\w\\])_(?![\s_])([^_]+?)(?<!\s)_(?![_\w])"
)
_MACHINE_PATH = re.compile(r"/home/\w|/root/|/Users/\w|[A-Z]:\\Users|/tmp/")


def cleaned(notebook, ran=None):
    """Return a notebook as it is committed.

    Parameters
    ----------
    notebook : dict
        As found.
    ran : dict, optional
        The same notebook after a run on its defaults; its headline cell's output and count are
        taken over.

    Returns
    -------
    dict
        Outputs and counts cleared but for the headline cell's; of the metadata of cells only tags
        are kept.
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
    kept["metadata"] = {"tags": tags(cell)} if tags(cell) else {}
    kept["source"] = source(cell).splitlines(keepends=True)
    if cell["cell_type"] != "code":
        return kept
    shown = headline or {"outputs": [], "execution_count": None}
    return kept | {k: shown[k] for k in ("outputs", "execution_count")}


def as_text(notebook):
    """Return a notebook as the text of its file."""
    return json.dumps(notebook, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def placeholders(notebook):
    """Return the passages in italics, which a template leaves to be replaced, with white space
    evened out.
    """
    cells = [source(c) for c in notebook["cells"] if c["cell_type"] == "markdown"]
    found = [groups for text in cells for groups in _ITALIC.findall(text)]
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
    checks = (_dirt, _cell_faults, _headline_faults, _parameter_faults)
    found = [fault for check in checks for fault in check(notebook)]
    left = placeholders(notebook) & placeholders(template) if template else set()
    return found + [f"text of the template remains: *{text}*" for text in sorted(left)]


def _dirt(notebook):
    if as_text(notebook) != as_text(cleaned(notebook)):
        yield "outputs, execution counts or metadata remain: run python -m culmbook.batch.clean"
    ids = [c.get("id") for c in notebook["cells"]]
    if None in ids or len(set(ids)) < len(ids):
        yield "every cell needs an id of its own (nbformat 4.5)"
    if match := _MACHINE_PATH.search(as_text(notebook)):
        yield f"a path of one machine stands in it: {match[0]}…"


def _cell_faults(notebook):
    cells = code_cells(notebook)
    for number, cell in enumerate(cells, start=1):
        text, place = source(cell), f"code cell {number}"
        n_lines = sum(bool(line.strip()) for line in text.splitlines())
        if n_lines > LONGEST_CELL and PARAMETERS_TAG not in tags(cell):
            yield f"{place} has {n_lines} lines, more than {LONGEST_CELL}: divide it, or shorten the step"
        if "raises-exception" in tags(cell):
            yield f"{place} is tagged raises-exception; the batch takes that as a failure"
        try:
            nodes = list(ast.walk(ast.parse(text)))
        except SyntaxError as error:
            yield f"{place} is not plain Python (line {error.lineno}); no magics, no shell commands"
            continue
        for node in nodes:
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
                yield f"{place} defines {node.name!r}: move it into the library, with a test"
    if not cells or SENTINEL_TAG not in tags(cells[-1]):
        yield f"the last code cell must carry the tag {SENTINEL_TAG!r}"


def _headline_faults(notebook):
    cells = [c for c in code_cells(notebook) if HEADLINE_TAG in tags(c)]
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


def headline(notebook):
    """Return what the headline cell's stored output prints."""
    cells = [c for c in notebook["cells"] if HEADLINE_TAG in tags(c)]
    return "".join("".join(o.get("text", "")) for c in cells for o in c.get("outputs", []))


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
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / Path(path).name
        if reason := execute(path, target, {}):
            raise ValueError(reason)
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
    old, new = headline(notebook).strip(), headline(after).strip()
    return "cleaned" if old == new else f"headline changed\n- {old or '(none)'}\n+ {new}"


def main(arguments=None):
    """Run the command line; return 0 if all notebooks are (now) clean, else 1."""
    about = __doc__.splitlines()[0]
    parser = argparse.ArgumentParser(prog="python -m culmbook.batch.clean", description=about)
    parser.add_argument("paths", nargs="+", type=Path, help="notebooks, or folders of notebooks")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--keep", action="store_true", help="only clear; do not run")
    how.add_argument("--check", action="store_true", help="change nothing, list what is wrong")
    asked = parser.parse_args(arguments)
    os.environ.update(ENVIRONMENT)  # as in a batch, so that the same numbers come out
    files = [sorted(p.glob("*.ipynb")) if p.is_dir() else [p] for p in asked.paths]
    is_all_clean = any(files)
    for path in [path for group in files for path in group]:
        try:
            found = check_file(path) if asked.check else []
            said = "\n  ".join(found) if asked.check else clean(path, asked.keep)
        except ValueError as error:
            found = [error]
            said = f"left as it is: {error}"
        is_all_clean &= not found
        print(f"{path}: {said or 'clean'}")
    return 0 if is_all_clean else 1


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


if __name__ == "__main__":
    sys.exit(main())
