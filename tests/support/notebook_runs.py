"""Run a notebook's code cells in this process and collect what they show: quicker than a kernel each."""

import json
from pathlib import Path

import matplotlib.pyplot as plt

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


def cells_of(name):
    return json.loads((NOTEBOOKS / name).read_text(encoding="utf-8"))["cells"]


def shown_by(name, monkeypatch, **parameters):
    """Return the objects a notebook displays, in order, when run with these parameters."""
    shown, space = [], {}
    monkeypatch.setattr("IPython.display.display", lambda *objects, **_: shown.extend(objects))
    with plt.rc_context():
        for cell in cells_of(name):
            if cell["cell_type"] == "code":
                exec(compile("".join(cell["source"]), cell["id"], "exec"), space)
                if "parameters" in cell["metadata"].get("tags", []):
                    space.update(parameters)
    plt.close("all")
    return shown


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
