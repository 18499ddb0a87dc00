"""Did a notebook run from top to bottom, and what of its run is kept?"""

import copy
import json
from pathlib import Path

from culmbook.batch.parameters import source, tags
from culmbook.text.files import TEMPORARY, write_json

SENTINEL_TAG = "sentinel"
SENTINEL_TEXT = "culmbook: finished"


def saved_so_far(target):
    """Return the temporary name beside `target` under which a running notebook is saved."""
    return Path(target).with_name(f"{TEMPORARY}{Path(target).name}")


def keep(target, notebook):
    """Move what a run left under its temporary name to `target`, and judge it.

    Parameters
    ----------
    target : Path
        Where the executed notebook goes.
    notebook : Path
        The notebook as written, for the case that nothing readable was left.

    Returns
    -------
    str
        Why it does not count as executed; empty when it does.
    """
    temporary = saved_so_far(target)
    try:
        ran = json.loads(temporary.read_text(encoding="utf-8"))
        reason = unfinished(ran)
    except (OSError, ValueError):  # never saved, or killed in the middle of saving
        ran = json.loads(Path(notebook).read_text(encoding="utf-8"))
        reason = "nothing was executed"
    write_json(target, tidied(ran))
    temporary.unlink(missing_ok=True)
    return reason


def unfinished(notebook):
    """Say why an executed notebook cannot count as run from top to bottom.

    The status a notebook file states about itself is not trusted: it says "completed" after an interrupt, a
    dead kernel and a timeout too.

    Parameters
    ----------
    notebook : dict
        The executed notebook.

    Returns
    -------
    str
        The first reason found, or an empty string: no error output, every code cell executed, counts
        1, 2, …, n, and the last one tagged ``sentinel`` and printing its line.
    """
    cells = [c for c in notebook["cells"] if c["cell_type"] == "code" and source(c).strip()]
    for number, cell in enumerate(cells, start=1):
        for output in cell["outputs"]:
            if output["output_type"] == "error":
                return f"code cell {number} stopped with {output['ename']}: {output['evalue']}"[
                    :600
                ]
        if cell["execution_count"] != number:
            return f"code cell {number} was not executed in its turn (its count is {cell['execution_count']})"
    if not cells or SENTINEL_TAG not in tags(cells[-1]) or SENTINEL_TEXT not in _printed(cells[-1]):
        return f"the last code cell must carry the tag {SENTINEL_TAG!r} and print {SENTINEL_TEXT!r}"
    return ""


def _printed(cell):
    texts = [
        o["text"] for o in cell["outputs"] if o["output_type"] == "stream" and o["name"] == "stdout"
    ]
    return "".join(t if isinstance(t, str) else "".join(t) for t in texts)


def tidied(notebook):
    """Return an executed notebook without what differs from run to run: clock times and paths."""
    tidy = copy.deepcopy(notebook)
    for holder in [tidy, *tidy["cells"]]:
        for key in ("papermill", "execution"):
            holder["metadata"].pop(key, None)
    return tidy
