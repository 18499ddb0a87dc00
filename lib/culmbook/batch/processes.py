"""Ending processes for certain: a worker, its kernel, and whatever the kernel started."""

import os

import psutil

MARK = "CULMBOOK_BATCH"
"""Environment variable that every worker and kernel of a batch inherits, and their children from them."""


def descendants(pid):
    """Return the processes below `pid` that are alive, as a list of `psutil.Process`."""
    try:
        return psutil.Process(pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return []


def kill_tree(pid):
    """Kill a process and all below it, then wait until they are gone.

    Parameters
    ----------
    pid : int
        Process the caller started.
    """
    below = descendants(pid)
    try:
        top = [psutil.Process(pid)]
    except psutil.NoSuchProcess:
        top = []
    _kill([*top, *below])


def kill_below(pid):
    """Kill all processes below `pid` but not itself."""
    _kill(descendants(pid))


def kill_marked(mark):
    """Kill the processes whose `MARK` begins with `mark`, wherever in the process tree they ended up.

    A process that outlived its parent is nobody's child, but still has the environment it began with. The
    caller and the processes above it are spared.

    Parameters
    ----------
    mark : str
        As given to `MARK`; must not be empty.

    Returns
    -------
    int
        How many were killed.

    Raises
    ------
    ValueError
        If `mark` is empty, which would match every batch.
    """
    if not mark:
        raise ValueError("an empty mark would match the processes of every batch")
    me = psutil.Process()
    spared = {me.pid, *(p.pid for p in me.parents())}
    found = [
        p for p in psutil.process_iter() if p.pid not in spared and _mark_of(p).startswith(mark)
    ]
    _kill(found)
    return len(found)


def _mark_of(process):
    try:
        return process.environ().get(MARK, "")
    except (psutil.Error, OSError):  # gone, a zombie, or another user's: not ours
        return ""


def _kill(processes):
    for process in processes:
        try:
            if process.pid != os.getpid():
                process.kill()
        except psutil.NoSuchProcess:
            pass
    psutil.wait_procs(processes, timeout=5)
