"""What a worker process does: take a job, do it, answer, and never outlive the batch."""

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from dataclasses import dataclass, field
from multiprocessing.connection import wait
from pathlib import Path

from culmbook.batch.executed import keep
from culmbook.batch.processes import MARK, kill_below, kill_marked

ENVIRONMENT = {
    # One thread each: two kernels with a thread per core each take longer than one after the other.
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "NUMEXPR_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
    "PYTHONHASHSEED": "0",  # sets of text come in one order, run after run
    "PYDEVD_DISABLE_FILE_VALIDATION": "1",
}
"""Set for workers and, through them, for kernels."""


@dataclass(frozen=True)
class NotebookJob:
    """Execute one notebook for one scope (a site, or ``network``)."""

    scope: str
    name: str
    notebook: Path
    target: Path
    parameters: dict
    cell_timeout: int
    deadline: int

    def salvage(self):
        """Keep what the notebook had reached when its worker was lost."""
        keep(self.target, self.notebook)


@dataclass(frozen=True)
class ReportJob:
    """Make tables and report of one scope from its executed notebooks."""

    scope: str
    folder: Path
    notebooks: tuple
    context: dict
    deadline: int
    name: str = field(default="report", init=False)

    def salvage(self):
        """Nothing is kept of a report that was not finished."""


def serve(connection, mark, scratch):
    """Do jobs from a connection until it closes.

    Parameters
    ----------
    connection : multiprocessing.connection.Connection
        Takes jobs; answers each with a dict with at least ``status``, ``reason`` and ``seconds`` [s].
    mark : str
        Put into the environment of every process started here, so that none can get lost.
    scratch : str
        Folder for sockets, temporary files and this worker's messages.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the batch decides what an interrupt means
    os.environ[MARK] = mark
    os.environ.update(TMPDIR=scratch, TEMP=scratch, TMP=scratch)
    tempfile.tempdir = scratch
    messages = _catch_messages(scratch)
    watch = threading.Thread(target=_end_with_parent, args=(mark, scratch), daemon=True)
    watch.start()
    try:
        connection.send("ready")
        while True:
            job = connection.recv()
            connection.send(_do(job, messages))
            kill_marked(mark)
    except (EOFError, OSError):
        watch.join()  # the batch is gone: the watch clears up and ends this process


def _catch_messages(scratch):
    path = Path(scratch) / f"messages-{os.getpid()}"
    with open(path, "ab") as file:
        for stream in (sys.__stdout__, sys.__stderr__):
            if stream is not None:
                os.dup2(file.fileno(), stream.fileno())
    return path


def _end_with_parent(mark, scratch):
    wait([multiprocessing.parent_process().sentinel])
    kill_below(os.getpid())
    kill_marked(mark)
    shutil.rmtree(scratch, ignore_errors=True)
    os._exit(1)


def _do(job, messages):
    began = time.monotonic()
    heard = messages.stat().st_size
    try:
        answer = _execute(job) if isinstance(job, NotebookJob) else _report(job)
    except Exception as error:  # a fault of one job must not end the worker that serves the others
        traceback.print_exc()
        answer = {"status": "failed", "reason": f"{type(error).__name__}: {error}"[:600]}
    if "kernel" in answer["reason"].lower():
        answer["reason"] += _tail(messages, heard)
    return {**answer, "seconds": round(time.monotonic() - began, 2)}


def _tail(messages, start):
    text = messages.read_bytes()[start:].decode("utf-8", "replace").strip()
    return f" (last message: {text[-200:]})" if text else ""


def _execute(job):
    from culmbook.batch.execution import execute  # a second of imports, in worker processes only

    outcome = execute(job.notebook, job.target, job.parameters, cell_timeout=job.cell_timeout)
    return {"status": outcome.status, "reason": outcome.reason}


def _report(job):
    from culmbook.report.site import make_report

    return {"status": "done", "reason": "", **make_report(job)}
