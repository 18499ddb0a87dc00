"""Has anything changed that a result depends on? Hashes of inputs, notebook, library, packages."""

import hashlib
import json
import platform
import stat
from importlib.metadata import distributions
from pathlib import Path

from culmbook.batch.parameters import source, tags

NETWORK = "network"
"""The scope of all sites together; no site may have this code."""


def notebook_site(scope):
    """Return what notebooks and the reader of tables call a scope: the network is site ``"all"``."""
    return "all" if scope == NETWORK else scope


def digest(value):
    """Return the SHA-256 (hex) of a value that JSON can hold; the order of dict keys does not
    matter.
    """
    text = json.dumps(value, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def file_digest(path):
    """Return the SHA-256 (hex) of a file's bytes."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


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
    found = {}
    for entry in sorted(Path(data).glob("[!.]*")):
        is_folder = entry.is_dir() and not entry.is_symlink()
        for path in sorted(entry.iterdir()) if is_folder else [entry]:
            if not path.name.startswith("."):
                found[path.relative_to(data).as_posix()] = _content(path)
    return found


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


def library_fingerprint():
    """Hash the installed library: every file of the package, whatever version it calls itself."""
    root = Path(__file__).parents[1]
    files = sorted(p for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return digest({p.relative_to(root).as_posix(): file_digest(p) for p in files})


def package_versions():
    """Return the version of Python and of every installed package, by name."""
    found = {d.name: d.version for d in distributions() if d.name != "culmbook"}
    return {"python": platform.python_version(), **found}
