"""Which notebooks make up a report, what do their results depend on, did one run from top to bottom,
and what of its run is kept?
"""

import copy
import hashlib
import json
import platform
import re
import stat
from dataclasses import dataclass
from importlib.metadata import distributions
from pathlib import Path

from culmbook.batch.parameters import GIVEN_BY_BATCH, read_parameters, source, tags
from culmbook.text.files import TEMPORARY, file_digest, write_json

NETWORK = "network"
"""The scope of all sites together; no site may have this code."""
SENTINEL_TAG = "sentinel"
SENTINEL_TEXT = "culmbook: finished"
SCOPE_KINDS = ("site", "network")
LONGEST_PRINT = 100_000
"""Characters of printed text that are kept of a cell, of each stream."""
LAST_LINES, LAST = 3, 200
"""Printed lines, and their characters, that are told of a cell that was stopped."""
_KERNEL_FILE = re.compile(r"^\S*[/\\]ipykernel_\d+[/\\]\d+\.py", re.MULTILINE)


def notebook_site(scope):
    """Return what notebooks and the reader of tables call a scope: the network is site ``"all"``."""
    return "all" if scope == NETWORK else scope


def digest(value):
    """Return the SHA-256 (hex) of a value that JSON can hold; the order of dict keys does not
    matter.
    """
    text = json.dumps(value, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True)
class ReportNotebook:
    """A notebook that is a section of reports.

    Parameters
    ----------
    name : str
        File name without its ending.
    path : Path
        The notebook file.
    order : int
        Place in the report.
    scopes : tuple of str
        ``"site"``, ``"network"`` or both.
    parameters : dict of str to Parameter
        What it takes.
    fingerprint : str
        Hash of its cells.
    reads_all_sites : bool
        Whether its results for one site depend on the other sites' files too.
    """

    name: str
    path: Path
    order: int
    scopes: tuple
    parameters: dict
    fingerprint: str
    reads_all_sites: bool = False

    def serves(self, scope):
        """Tell whether it is a section of the report of this scope (a site code or ``"network"``)."""
        return (NETWORK if scope == NETWORK else "site") in self.scopes


def read_notebook(path):
    """Return a notebook file's content (dict)."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def code_cells(notebook):
    """Return the code cells of a notebook that hold anything."""
    return [c for c in notebook["cells"] if c["cell_type"] == "code" and source(c).strip()]


def notebook_fingerprint(notebook):
    """Hash what a notebook does and says; its stored outputs and counts do not count.

    Parameters
    ----------
    notebook : dict
        A notebook as its JSON file holds it.

    Returns
    -------
    str
    """
    cells = [[c["cell_type"], c.get("id"), sorted(tags(c)), source(c)] for c in notebook["cells"]]
    return digest([cells, notebook.get("metadata", {}).get("culmbook")])


def input_hashes(data):
    """Hash all that a network folder holds.

    Parameters
    ----------
    data : Path
        Network folder. Names beginning with a dot are left out; one level of subfolders is read, as
        by the reader of tables.

    Returns
    -------
    dict of str to str
        Hash by path relative to `data`, with ``/`` between parts. What is no regular file (a link,
        a pipe) is not opened: its kind stands instead of a hash.
    """
    found = []
    for entry in sorted(Path(data).glob("[!.]*")):
        is_folder = entry.is_dir() and not entry.is_symlink()
        found += sorted(entry.glob("[!.]*")) if is_folder else [entry]
    return {path.relative_to(data).as_posix(): _content(path) for path in found}


def _content(path):
    mode = path.lstat().st_mode
    if not stat.S_ISREG(mode):
        return f"link {path.readlink()}" if stat.S_ISLNK(mode) else "special"
    try:
        return file_digest(path)
    except OSError as error:
        return f"unreadable: {error.strerror}"


def inputs_of(scope, hashes):
    """Return the part of `input_hashes` that a scope depends on.

    Parameters
    ----------
    scope : str
        A site code: the files at the root and those in that site's folder; or ``"network"``: all.
    hashes : dict of str to str
        From `input_hashes`.

    Returns
    -------
    dict of str to str
    """
    return {
        path: value
        for path, value in hashes.items()
        if scope == NETWORK or "/" not in path or path.startswith(f"{scope}/")
    }


def library_fingerprint():
    """Hash the installed library: every file of the package, whatever version it calls itself."""
    root = Path(__file__).parents[1]
    files = sorted(p for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return digest({p.relative_to(root).as_posix(): file_digest(p) for p in files})


def package_versions():
    """Return the version of Python and of every installed package, by name."""
    found = {d.name: d.version for d in distributions() if d.name != "culmbook"}
    return {"python": platform.python_version(), **found}


def find_notebooks(folder):
    """Find the notebooks that say in their metadata that they belong into reports.

    Parameters
    ----------
    folder : Path
        Holds ``*.ipynb``; a notebook with ``metadata.culmbook`` of the form
        ``{"report": true, "scopes": […], "order": n}`` is taken; ``"reads_all_sites": true`` says
        that a site's section needs the other sites' files as well.

    Returns
    -------
    list of ReportNotebook
        In report order.

    Raises
    ------
    ValueError
        If there is none, or one is not readable, states its metadata wrongly, lacks the parameters
        every batch gives (``data``, ``season``, ``site``), or cannot say that it finished; all
        faults come in one message.
    """
    found, faults = [], []
    for path in sorted(Path(folder).glob("*.ipynb")):
        try:
            content = read_notebook(path)
            about = content["metadata"].get("culmbook", {})
            if about.get("report"):
                found.append(_checked(path, content, about))
        except (ValueError, KeyError, AttributeError, TypeError) as error:
            said = f"{path.name}: is no readable notebook ({type(error).__name__}: {error})"
            faults.append(str(error) if str(error).startswith(path.name) else said)
    if not found and not faults:
        faults = [f"{folder} holds no notebook with metadata.culmbook.report = true"]
    if faults:
        raise ValueError("\n".join(faults))
    return sorted(found, key=lambda n: (n.order, n.name))


def _checked(path, content, about):
    scopes, order = about.get("scopes"), about.get("order")
    reads_all = about.get("reads_all_sites", False)
    is_list = isinstance(scopes, list) and scopes and set(scopes) <= set(SCOPE_KINDS)
    fault = ""
    if not is_list or type(order) is not int:
        fault = (
            f"metadata.culmbook needs scopes, a list from {list(SCOPE_KINDS)}, and order, a whole "
            f"number; it has scopes {scopes!r} and order {order!r}"
        )
    elif type(reads_all) is not bool:
        fault = f"metadata.culmbook reads_all_sites is {reads_all!r}, not true or false"
    elif SENTINEL_TAG not in tags(code_cells(content)[-1]):
        fault = f"the last code cell must carry the tag {SENTINEL_TAG!r}, the sign of the end"
    parameters = read_parameters(content, path.name)
    for name, kind in GIVEN_BY_BATCH.items():
        if name not in parameters or parameters[name].type != kind:
            fault = fault or f"the parameters cell must hold '{name}: {kind} = …'"
    if fault:
        raise ValueError(f"{path.name}: {fault}")
    about = (order, tuple(scopes), parameters, notebook_fingerprint(content), reads_all)
    return ReportNotebook(path.stem, path, *about)


def saved_so_far(target):
    """Return the temporary name beside `target` under which a running notebook is saved."""
    return Path(target).with_name(f"{TEMPORARY}{Path(target).name}")


def keep(target, notebook, why=""):
    """Move what a run left under its temporary name to `target`, and judge it.

    Parameters
    ----------
    target : Path
        Where the executed notebook goes, in the form of `tidied`.
    notebook : Path
        The notebook as written, for the case that nothing readable was left.
    why : str
        What ended the run from outside. It is put into the cell in which the run was.

    Returns
    -------
    str
        Why it does not count as executed; empty when it does.
    """
    temporary, written = saved_so_far(target), read_notebook(notebook)
    try:
        ran = read_notebook(temporary)
        reason = unfinished(ran)
    except (OSError, ValueError):  # never saved, or killed in the middle of saving
        ran, reason = written, "nothing was executed"
    begun = [c for c in code_cells(ran) if c["metadata"].get("papermill", {}).get("start_time")]
    ran = tidied(ran, [cell.get("id") for cell in written["cells"]])
    if why and reason and begun:
        cell = code_cells(ran)[len(begun) - 1]
        said = [line for output in cell["outputs"] for line in output.get("text", [])]
        last = " / ".join("".join(said).split("\n")[-LAST_LINES - 1 :]).strip(" /")[-LAST:]
        reason = f"code cell {len(begun)}: {why}" + f"; it printed last: {last}" * bool(last)
        fault = {"output_type": "error", "ename": "Stopped", "evalue": why, "traceback": [why]}
        cell["outputs"].append(fault)
    write_json(target, ran)
    temporary.unlink(missing_ok=True)
    return why if why and reason and not begun else reason


def unfinished(notebook):
    """Say why an executed notebook cannot count as run from top to bottom.

    The status a notebook file states about itself is not trusted: it says "completed" after an
    interrupt, a dead kernel and a timeout too.

    Parameters
    ----------
    notebook : dict
        The executed notebook.

    Returns
    -------
    str
        The first reason found, or an empty string: no error output, every code cell executed,
        counts 1, 2, …, n, and the last one tagged ``sentinel`` and printing its line.
    """
    cells, printed = code_cells(notebook), ""
    for number, cell in enumerate(cells, start=1):
        for output in cell["outputs"]:
            if output["output_type"] == "error":
                said = f"{output['ename']}: {output['evalue']}"
                return f"code cell {number} stopped with {said}"[:600]
        if cell["execution_count"] != number:
            count = cell["execution_count"]
            return f"code cell {number} was not executed in its turn (its count is {count})"
        printed = "".join("".join(o["text"]) for o in cell["outputs"] if o.get("name") == "stdout")
    if not cells or SENTINEL_TAG not in tags(cells[-1]) or SENTINEL_TEXT not in printed:
        return f"the last code cell must carry the tag {SENTINEL_TAG!r} and print {SENTINEL_TEXT!r}"
    return ""


def tidied(notebook, ids=None):
    """Return an executed notebook without what differs from run to run, or is too much to keep.

    Parameters
    ----------
    notebook : dict
        The executed notebook.
    ids : collection of str, optional
        Cells that have these ids keep them; others, which are given at random, are named by place.

    Returns
    -------
    dict
        Without clock times and paths. Printed text stands first in a cell, in one piece for each
        stream, which arrive as the clock will have it; of long ones the middle is left out.
    """
    tidy = copy.deepcopy(notebook)
    for holder in [tidy, *tidy["cells"]]:
        for key in ("papermill", "execution"):
            holder["metadata"].pop(key, None)
    for place, cell in enumerate(tidy["cells"]):
        if ids and cell.get("id", ids[0]) not in ids:
            cell["id"] = f"place-{place}"
        if outputs := cell.get("outputs"):
            others = [output for output in outputs if output["output_type"] != "stream"]
            cell["outputs"] = [*_printed(outputs), *others]
    return tidy


def _printed(outputs):
    for name in ("stdout", "stderr"):
        text = "".join("".join(o["text"]) for o in outputs if o.get("name") == name)
        text, over = _KERNEL_FILE.sub("this cell", text), len(text) - LONGEST_PRINT
        if over > 0:
            half = LONGEST_PRINT // 2
            text = f"{text[:half]}\n[{over} characters left out]\n{text[-half:]}"
        if text:
            yield {"output_type": "stream", "name": name, "text": text.splitlines(keepends=True)}
