"""A few worker processes that can be killed: one lost worker costs one job, never the batch."""

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from multiprocessing.connection import wait
from pathlib import Path

from culmbook.batch.processes import kill_marked, kill_tree
from culmbook.batch.worker import ENVIRONMENT, serve

START_LIMIT = 120
"""Longest time for a worker to import what it needs [s]."""


class Pool:
    """Workers for one batch.

    Parameters
    ----------
    n_workers : int
        How many jobs run at a time.
    token : str
        Names the output folder; what an earlier, killed batch of the same token left running is killed.

    Notes
    -----
    Use it in a ``with`` block: on leaving it, also by an exception or Ctrl-C, every worker, kernel and
    process below them is gone.
    """

    def __init__(self, n_workers, token):
        self._token = token
        self._n_started = 0
        self._scratch = None
        self._n_workers = n_workers
        self._slots = []

    def __enter__(self):
        kill_marked(f"{self._token}/")
        for old in Path(tempfile.gettempdir()).glob(f"culmbook-{self._token}-*"):
            shutil.rmtree(old, ignore_errors=True)
        self._scratch = tempfile.mkdtemp(prefix=f"culmbook-{self._token}-")
        self._slots = [self._start() for _ in range(self._n_workers)]
        return self

    def __exit__(self, *exception):
        for slot in self._slots:
            slot.kill()
        kill_marked(f"{self._token}/")
        shutil.rmtree(self._scratch, ignore_errors=True)

    def _start(self):
        self._n_started += 1
        return _Slot(f"{self._token}/{self._n_started}/", self._scratch)

    def run(self, queue, on_start=None):
        """Do jobs and yield each with its answer as it ends.

        Parameters
        ----------
        queue : list
            Jobs, the next one last. The caller may add to it while it takes answers.
        on_start : callable, optional
            Called with each job as a worker takes it.

        Yields
        ------
        tuple
            Job and answer, a dict with ``status``, ``reason`` and ``seconds``; a job whose worker died or
            ran over its deadline has status ``failed``.
        """
        while queue or any(slot.job for slot in self._slots):
            for slot in self._slots:
                if queue and slot.is_free():
                    job = queue.pop()
                    slot.give(job)
                    if on_start:
                        on_start(job)
            yield from self._ended()

    def _ended(self):
        now = time.monotonic()
        wait(
            [s.connection for s in self._slots],
            timeout=max(0.0, min(s.due for s in self._slots) - now),
        )
        for index, slot in enumerate(self._slots):
            job = slot.job
            answer = slot.answer()
            if slot.is_lost:
                self._slots[index] = self._start()
            if job is not None and answer is not None:
                yield job, answer


class _Slot:
    """One worker process, the job it has, and when that job is due."""

    def __init__(self, mark, scratch):
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        self._mark = mark
        self._process = context.Process(target=serve, args=(theirs, mark, scratch), daemon=True)
        with _environment(ENVIRONMENT), _hidden_main(), _deaf_to_interrupts():
            self._process.start()
        theirs.close()
        self.job = None
        self.is_lost = False
        self._is_ready = False
        self._began = time.monotonic()
        self.due = self._began + START_LIMIT

    def is_free(self):
        return self.job is None and self._is_ready

    def give(self, job):
        self.job = job
        self._began = time.monotonic()
        self.due = self._began + job.deadline
        try:
            self.connection.send(job)
        except OSError:  # died while idle: answer() finds the connection at its end
            pass

    def answer(self):
        """Return the answer to the job if it has ended, one way or another, else None."""
        try:
            if self.connection.poll():
                return self._take(self.connection.recv())
        except (EOFError, OSError):
            return self._lose("the worker process died")
        if time.monotonic() >= self.due:
            return self._lose(
                f"stopped after {self.due - self._began:.0f} s, the longest time allowed"
            )
        return None

    def _take(self, message):
        self.due = float("inf")
        self._is_ready = True
        self.job = None
        return message if message != "ready" else None

    def _lose(self, reason):
        if not self._is_ready:
            raise RuntimeError(f"a worker process could not start: {reason}")
        self.kill()
        self.is_lost = True
        if self.job:
            self.job.salvage()
        self.job = None
        return {
            "status": "failed",
            "reason": reason,
            "seconds": round(time.monotonic() - self._began, 2),
        }

    def kill(self):
        kill_tree(self._process.pid)
        kill_marked(self._mark)
        self._process.join()
        self.connection.close()


@contextmanager
def _environment(values):
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name) if value is None else os.environ.__setitem__(name, value)


@contextmanager
def _hidden_main():
    """Let a spawned worker not import the script that started the batch, which may run it a second time."""
    main = sys.modules["__main__"]
    hidden = {
        name: main.__dict__.pop(name) for name in ("__file__", "__spec__") if name in main.__dict__
    }
    main.__spec__ = None
    try:
        yield
    finally:
        main.__dict__.update(hidden)


@contextmanager
def _deaf_to_interrupts():
    """Let a worker be born deaf to Ctrl-C, which a terminal sends to it too while it still imports."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
