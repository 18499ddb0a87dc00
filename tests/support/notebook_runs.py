"""Run a notebook's code cells in this process and collect what they show: quicker than a kernel
each.
"""

import json
from pathlib import Path
from typing import NamedTuple

import matplotlib.pyplot as plt
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


def cells_of(name):
    return json.loads((NOTEBOOKS / name).read_text(encoding="utf-8"))["cells"]


class Shown(NamedTuple):
    """What a cell showed, as it would stand in the executed notebook."""

    cell: str
    data: dict

    def bundle(self):
        own = [
            value
            for mime, value in self.data.items()
            if mime.startswith("application/vnd.culmbook")
        ]
        return own[0] if own else {}

    def html(self):
        return self.data.get("text/html", "")


class Run(NamedTuple):
    """A notebook that ran: what it showed, in order, and what it printed."""

    shown: list
    printed: str


def run_cells(name, **parameters):
    """Run a notebook in an IPython shell, as Jupyter would; an error is raised as it came."""
    InteractiveShell.clear_instance()
    shell, shown, printed = InteractiveShell.instance(), [], ""
    last = []  # the value of a cell's last expression
    shell.displayhook.write_output_prompt = lambda: None
    shell.displayhook.write_format_data = lambda data, *_: last.append(data)
    try:
        with plt.rc_context():
            for cell in cells_of(name):
                if cell["cell_type"] != "code":
                    continue
                with capture_output() as caught:
                    result = shell.run_cell("".join(cell["source"]), store_history=False)
                result.raise_error()
                outputs = [*(output.data for output in caught.outputs), *last]
                shown += [Shown(cell["id"], data) for data in outputs]
                last.clear()
                printed += caught.stdout
                if "parameters" in cell["metadata"].get("tags", []):
                    shell.user_ns.update(parameters)
    finally:
        plt.close("all")
        InteractiveShell.clear_instance()
    return Run(shown, printed)


def shown_by(name, monkeypatch=None, **parameters):
    """What a notebook hands to the report, in order, when run with these parameters."""
    return [shown for shown in run_cells(name, **parameters).shown if shown.bundle()]


def bundles(shown):
    return [thing.bundle() for thing in shown]


def tables(shown):
    return {b["label"]: b for b in bundles(shown) if "rows" in b}


def figures(shown):
    return {b["label"]: b for b in bundles(shown) if "svg" in b}


def sentences(shown, *kinds):
    """Return what was said, one text per paragraph, of these kinds (all when none is named)."""
    texts = [b for b in bundles(shown) if "sentences" in b]
    return [" ".join(b["sentences"]) for b in texts if not kinds or b["kind"] in kinds]
