"""How results reach the output folder: whole or not at all, and by one batch at a time."""

import contextlib
import json
import os
import re
import shutil
from pathlib import Path

TEMPORARY = ".culmbook-"
"""How every temporary name in an output folder begins; leftovers of a killed run are known by it.
"""
LOCK_FILE = ".lock"
_FOLDER_NAME = re.compile(r"[A-Za-z0-9_-]{1,16}")
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{i}" for d in ("com", "lpt") for i in range(1, 10))}


class OutputBusy(ValueError):
    """Another batch is writing to the same folder."""


def scope_folder(out, scope):
    """Return the folder of one site (or of ``network``) below the output folder.

    Parameters
    ----------
    out : Path
        The output folder.
    scope : str
        A site code or ``"network"``.

    Returns
    -------
    Path
        Not created.

    Raises
    ------
    ValueError
        If the code is not 1–16 letters, digits, ``_`` or ``-``, is a device name of Windows, or the
        folder is a link that leads out of the output folder.
    """
    if not _FOLDER_NAME.fullmatch(scope) or scope.lower() in _DEVICES:
        raise ValueError(
            f"{scope[:40]!r} cannot be a site code: 1 to 16 letters A-Z, digits, '_' or '-', "
            f"and no device name such as CON"
        )
    folder = Path(out) / scope
    if not folder.resolve().is_relative_to(Path(out).resolve()):
        raise ValueError(f"{folder} is a link that leads out of the output folder; remove it")
    return folder


def write_whole(path, content):
    """Write a file so that nobody ever sees half of it.

    Parameters
    ----------
    path : Path
        Where it goes; the folder must exist.
    content : str or bytes
        Text is written as UTF-8 with ``\\n`` line ends.
    """
    path = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = path.with_name(f"{TEMPORARY}{os.getpid()}-{path.name}")
    with open(temporary, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)


def write_json(path, value):
    """Write `value` as JSON with sorted keys, whole or not at all."""
    write_whole(path, json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n")


def publish(made, folder, owned):
    """Move finished files from a temporary folder to where they are read.

    Parameters
    ----------
    made : Path
        Temporary folder on the same disk, holding the new files at any depth.
    folder : Path
        Where they go, keeping their relative paths.
    owned : list of str
        Patterns (relative to `folder`) of files an earlier run left; those not made again are
        removed.

    Returns
    -------
    list of str
        Relative paths of the files now there, sorted, with ``/`` between parts.
    """
    new = sorted(p.relative_to(made) for p in Path(made).rglob("*") if p.is_file())
    old = {
        p.relative_to(folder)
        for pattern in owned
        for p in Path(folder).glob(pattern)
        if p.is_file()
    }
    for name in new:
        _sync(made / name)
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(made / name, folder / name)
    for name in old.difference(new):
        (folder / name).unlink()
    shutil.rmtree(made)
    return [name.as_posix() for name in new]


def _sync(path):
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def remove_leftovers(out):
    """Remove what a killed run left under temporary names. Only for the holder of the folder's
    lock.
    """
    for path in [*Path(out).glob(f"{TEMPORARY}*"), *Path(out).glob(f"*/**/{TEMPORARY}*")]:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def locked(out):
    """Hold an output folder for one batch; the system lets go of it even when the batch is killed.

    Parameters
    ----------
    out : Path
        Existing output folder; it keeps the empty file ``.lock``.

    Raises
    ------
    OutputBusy
        If another batch holds it.
    """
    with open(Path(out) / LOCK_FILE, "a+b") as file:
        if not _try_lock(file):
            raise OutputBusy(
                f"another batch is writing to {out}; wait for it to end, or choose another --out"
            )
        try:
            yield
        finally:
            _unlock(file)


if os.name == "nt":
    import msvcrt

    def _try_lock(file):
        try:
            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(file):
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
else:
    import fcntl

    def _try_lock(file):
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _unlock(file):
        fcntl.flock(file, fcntl.LOCK_UN)
