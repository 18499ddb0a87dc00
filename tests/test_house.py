"""Does the library keep its house: who may import whom, and how much there is of it?"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIBRARY = ROOT / "lib" / "culmbook"
MOST_LINES, MOST_FILES = 19_300, 123
"""What it holds today, to be lowered: the house is meant for 16,000 lines in 100 files. It rose from 18,950 by
the sheets people really have and by runs that lose nothing (820 lines, each stated in CHANGELOG.md), of which
folding gave back 540."""

_ROOMS = "trials season stand yields frost consistency spatial sites selection".split()
MAY_IMPORT = {
    "text": set(),
    "sheets": {"text"},
    "stats": {"text"},
    "mixed": {"text"},
    "show": {"text"},
    "report": {"text", "show"},
    "batch": {"text", "sheets", "trials", "show", "report"},
} | {room: {"text", "sheets", "stats", "mixed", *_ROOMS[:k]} for k, room in enumerate(_ROOMS)}
"""Beside itself. What words and figures of a question may import in addition is `show`."""


def imported(tree):
    """Modules of the library that a file imports; ``from culmbook.x import y`` may name the module
    x.y.
    """
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def forbidden(path, source):
    """What a file of the library imports against the rule."""
    room = path.parts[0] if len(path.parts) > 1 else ""
    allowed = MAY_IMPORT.get(room, set())
    if path.name in ("words.py", "figures.py"):
        allowed = allowed | {"show"}
    for name in imported(ast.parse(source)):
        top, *rest = name.split(".")
        if top == "matplotlib" and room in _ROOMS and path.name != "figures.py":
            yield f"{path}: {name} (only figures.py draws)"
        if top != "culmbook" or not rest or rest[0] == "__version__":
            continue
        if room and rest[0] != room and rest[0] not in allowed:
            yield f"{path}: {name}"
        inner = LIBRARY / "mixed" / f"{rest[1]}.py" if len(rest) > 1 else None
        if room != "mixed" and rest[0] == "mixed" and inner and inner.is_file() and len(rest) > 2:
            yield f"{path}: {name} (mixed has a front door)"


def code_lines(source):
    """Lines that are neither blank nor comment nor docstring."""
    told = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Module, ast.FunctionDef, ast.ClassDef)) and ast.get_docstring(
            node
        ):
            told |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    lines = enumerate(source.splitlines(), 1)
    return sum(
        bool(t.strip()) and not t.strip().startswith("#") and k not in told for k, t in lines
    )


def test_rooms_import_only_what_stands_before_them():
    files = [(path.relative_to(LIBRARY), path.read_text("utf-8")) for path in LIBRARY.rglob("*.py")]
    assert [fault for path, source in files for fault in forbidden(path, source)] == []


@pytest.mark.parametrize("place, line", [
    ("text/numbers.py", "from culmbook.show import page"),
    ("stand/model.py", "from culmbook.yields import means"),
    ("stand/model.py", "import matplotlib.pyplot as plt"),
    ("yields/means.py", "from culmbook.mixed.gaussian_model import CONVERGED"),
    ("report/pdf.py", "import culmbook.sheets.read"),
])  # fmt: skip
def test_a_forbidden_import_is_seen(place, line):
    assert list(forbidden(Path(place), line))


def test_library_is_small_and_the_readme_says_how_small():
    sources = [path.read_text("utf-8") for path in LIBRARY.rglob("*.py")]
    lines, files = sum(map(code_lines, sources)), len(sources)
    print(f"{lines:,} code lines in {files} files")
    assert lines <= MOST_LINES and files <= MOST_FILES, f"{lines:,} code lines in {files} files"
    said = re.search(r"([\d,]+) lines of code", (ROOT / "README.md").read_text("utf-8"))
    assert said and abs(int(said[1].replace(",", "")) - lines) <= 100, (
        f"README says {said and said[0]}"
    )
