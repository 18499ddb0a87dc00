"""How results reach the output folder: whole or not at all, and by one batch at a time."""

import contextlib
import errno
import hashlib
import json
import os
import re
import shutil
from pathlib import Path

TEMPORARY = ".culmbook-"
"""How every temporary name in an output folder begins; leftovers of a killed run are known by it.
"""
LOCK_FILE = ".lock"
KEPT = "kept files"
"""Folder below the output folder for what was in the way and not ours; no site can have this code."""
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


def place(new, out, name, written):
    """Put a finished file where it is read, or take away one that is no longer made.

    Parameters
    ----------
    new : Path or None
        The finished file, on the same disk; None removes what is there.
    out : Path
        Output folder.
    name : str
        Where it goes: a path relative to `out`, with ``/`` between parts.
    written : collection of str
        SHA-256 of every content that this library may have written there. Anything else is
        somebody's own and is never lost: it stays, or makes room by moving to `KEPT`.

    Returns
    -------
    str
        What was kept and where; empty when nothing was in the way.

    Raises
    ------
    OSError
        If the file there cannot be replaced or removed, or `name` leads out of the folder: what is
        there is as it was.
    """
    path, kept = Path(out, name), ""
    if not path.parent.resolve().joinpath(path.name).is_relative_to(Path(out).resolve()):
        raise PermissionError(errno.EACCES, "it lies outside of the output folder")
    if os.path.lexists(path):
        found = file_digest(path)
        if found not in written and not (new and found == file_digest(new)):
            if not new:
                return f"{name} has been changed since it was written; it was left as it is"
            aside, n = Path(out, KEPT, name), 2
            while os.path.lexists(aside):
                aside, n = aside.with_stem(f"{Path(name).stem}-{n}"), n + 1
            aside.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, aside)
            kept = f"{name} was not as this program wrote it; it is now {aside.relative_to(out)}"
    if new:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.replace(new, path)
    else:
        path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # the first folder that is not empty ends it
            for folder in [*Path(name).parents][:-1]:
                Path(out, folder).rmdir()
    return kept


def file_digest(path):
    """Return the SHA-256 (hex) of a file's bytes."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


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
