"""Does every report notebook show its analysis: an estimator with its terms, a selection, figures
drawn in view?
"""

import ast

import pytest

from notebook_runs import NOTEBOOKS, cells_of

REPORT = sorted(path.name for path in NOTEBOOKS.glob("[1-7]*.ipynb"))
ESTIMATORS = {"ols", "glm", "mixedlm", "intraclass_corr", "cohen_kappa_score", "pairwise_corr"}
SELECTIONS = {"query", "groupby", "loc", "pivot", "pivot_table", "sort_values", "nlargest", "merge"}


def tree_of(cells):
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    return ast.parse("\n".join(code))


def dotted(node):
    """``show.figure`` of a call to it; the last name alone where it is called on a result."""
    if isinstance(node, ast.Attribute):
        before = dotted(node.value)
        return f"{before}.{node.attr}" if before else node.attr
    return node.id if isinstance(node, ast.Name) else ""


def faults(cells):
    """What keeps a notebook from being open, in words."""
    tree = tree_of(cells)
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    names = [dotted(call.func) for call in calls]
    last = [name.rpartition(".")[2] for name in names]
    imports = [n for n in ast.walk(tree) if isinstance(n, (ast.Import, ast.ImportFrom))]
    modules = [n.module or "" for n in imports if isinstance(n, ast.ImportFrom)]
    bound = {a.asname or a.name for n in imports for a in n.names}
    drawn = [n for n in names if n == "plt.subplots" or n.startswith("sns.")]
    fits = [
        call for call, name in zip(calls, last)
        if (name in ESTIMATORS or name.startswith("fit_")) and len(call.args) + len(call.keywords) > 1
    ]  # fmt: skip
    attributes = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
    checks = {
        "no estimator is called with its terms": fits,
        "no frame is selected from or grouped": attributes & SELECTIONS,
        "fewer than two figures are drawn in view": min(len(drawn), names.count("show.figure"))
        >= 2,
        "culmbook.pages is imported": not any(m.startswith("culmbook.pages") for m in modules),
        "something named show_… is called": not any(name.startswith("show_") for name in last),
        "a function is defined": not any(isinstance(n, ast.FunctionDef) for n in ast.walk(tree)),
        "seaborn is used but not imported": "sns" in bound
        or not any(n.startswith("sns.") for n in names),
    }
    return [fault for fault, is_well in checks.items() if not is_well]


@pytest.mark.parametrize("name", REPORT)
def test_report_notebook_shows_its_analysis(name):
    assert faults(cells_of(name)) == []


def test_a_closed_notebook_is_seen():
    code = "from culmbook.pages import stand_report\ndisplay(*stand_report.show_shares(answer))"
    closed = [{"cell_type": "code", "source": [code]}]
    assert len(faults(closed)) == 5
