"""Worker processes, each with one notebook's kernel or one report at a time; a lost one costs one
job.

Nothing that is started here is left over: every kernel carries the mark of its job in its
environment, and so do the processes it starts, wherever in the process tree they end up.
"""

import contextlib
import copy
import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from dataclasses import asdict, dataclass, field
from multiprocessing.connection import wait as wait_for
from pathlib import Path

import psutil
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec

from culmbook.batch.notebook import NETWORK, keep, notebook_site, saved_so_far

MARK = "CULMBOOK_BATCH"
"""Environment variable that names the job; a kernel and all below it inherit it."""
ENVIRONMENT = {
    # One thread each: two kernels with a thread per core each take longer than one after the other.
    **{f"{name}_NUM_THREADS": "1" for name in "OMP OPENBLAS MKL NUMEXPR".split()},
    "VECLIB_MAXIMUM_THREADS": "1",
    "PYTHONHASHSEED": "0",  # sets of text come in one order, run after run
    "PYDEVD_DISABLE_FILE_VALIDATION": "1",
}
"""Set for workers and, through them, for kernels."""
_LONGEST_SOCKET_PATH = 90  # the systems allow 104 to 108 bytes, and a port number is added
_SPAWNED = multiprocessing.get_context("spawn")
_KERNEL = "-X frozen_modules=off -m ipykernel_launcher -f {connection_file}"


class OwnKernel(AsyncKernelManager):
    """A kernel of the interpreter that runs the batch, on sockets nobody else can meet.

    A kernel specification found by name might belong to another environment. Sockets are files in a
    folder made for this one kernel; where such files do not exist (Windows, very long paths) it is
    ordinary TCP. `exit_code` is that of the last one that ended.
    """

    exit_code = None

    def __init__(self, **traits):
        super().__init__(**traits)
        self._folder = tempfile.mkdtemp(prefix="k")
        self.connection_file = f"{self._folder}/kernel.json"
        if sys.platform != "win32" and len(self._folder) < _LONGEST_SOCKET_PATH:
            self.transport = "ipc"
            self.ip = f"{self._folder}/s"

    async def cleanup_resources(self, restart=False):
        """Remove the sockets' folder with the rest."""
        await super().cleanup_resources(restart)
        if not restart:
            shutil.rmtree(self._folder, ignore_errors=True)

    async def is_alive(self):
        """Tell whether it lives, and note how it ended."""
        lives, process = await super().is_alive(), self.provisioner and self.provisioner.process
        if process and process.returncode is not None:
            OwnKernel.exit_code = process.returncode
        return lives

    @property
    def kernel_spec(self):
        """The kernel of this interpreter, whatever else is installed under its name."""
        command = [sys.executable, *_KERNEL.split()]
        return KernelSpec(argv=command, display_name="Python 3", language="python")


def execute(notebook, target, parameters, *, cell_timeout=600, start_timeout=60):
    """Execute a notebook and keep it, also when it fails.

    Parameters
    ----------
    notebook, target : Path
        The notebook, and where the executed copy goes. While it runs it is saved after every cell
        under `culmbook.batch.notebook.saved_so_far`.
    parameters : dict
        Checked values for its parameters cell.
    cell_timeout : int
        Longest time for one cell [s]; the kernel is killed after it.
    start_timeout : int
        Longest time for a kernel to start [s]; a start is tried twice.

    Returns
    -------
    str
        Why it does not count as run to its end; empty when it does. Never raises for what happens
        inside the notebook.
    """
    import papermill  # a second of imports, in worker processes only

    # papermill formats the paths it is given
    paths = [str(Path(p).resolve()) for p in (notebook, saved_so_far(target))]
    source, output = (p.replace("{", "{{").replace("}", "}}") for p in paths)
    for attempt in (1, 2):
        started, error = [], ""
        try:
            papermill.execute_notebook(
                source,
                output,
                parameters=copy.deepcopy(parameters),
                progress_bar=False,
                kernel_name="python3",
                language="python",
                start_timeout=start_timeout,
                execution_timeout=cell_timeout,
                shutdown_kernel="immediate",
                kernel_manager_class=OwnKernel,
                on_notebook_start=lambda notebook: started.append(True),
            )
        except Exception as fault:  # whatever it is, it is this notebook's failure and no other's
            error = _what_happened(fault, cell_timeout)
        if started or not error:
            break
    return keep(target, notebook, error)


def _what_happened(fault, cell_timeout):
    """Say what ended a run; an error inside a cell stands in its outputs."""
    kind, code = type(fault).__name__, OwnKernel.exit_code
    if kind == "PapermillExecutionError":
        return ""
    if kind == "CellTimeoutError":
        return f"stopped after {cell_timeout} s, the longest time for one cell (--cell-timeout)"
    if kind == "DeadKernelError" and code is not None and code < 0:
        more = ", as happens when memory runs out" * (code == -9)
        return f"the kernel was ended by signal {-code} ({signal.Signals(-code).name}){more}"
    if kind == "DeadKernelError":
        return f"the kernel ended by itself with exit code {code}"
    lines = [line for line in str(fault).splitlines() if line.strip()]
    return f"{kind}: {' '.join(lines[:3])}"[:600]


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

    def run(self):
        limit = {"cell_timeout": self.cell_timeout}
        reason = execute(self.notebook, self.target, self.parameters, **limit)
        reason = reason or _unprintable(self.target)
        return {"status": "failed" if reason else "done", "reason": reason}


def _unprintable(path):
    """Say why no report can be made of what an executed notebook shows; it must cost no other."""
    from culmbook.report.compose import compose  # in worker processes only
    from culmbook.report.frames import read_book
    from culmbook.report.workbook import collect_tables

    try:
        compose([path]), collect_tables([path]), read_book("", path)
    except Exception as error:  # a bundle may be anything
        return f"it shows what cannot be printed ({type(error).__name__}: {error})"
    return ""


@dataclass(frozen=True)
class ReportJob:
    """Make the report and the tables of one scope from its executed notebooks.

    Parameters
    ----------
    scope : str
        Site code or ``network``.
    made : Path
        Folder for what it makes, below the scope's name.
    notebooks : tuple of Path
        Executed notebooks in report order.
    context : dict
        ``season``, ``network`` (`culmbook.sheets.read.Network`) and ``failed``, as `build_report`
        takes it.
    deadline : int
        Longest time [s].
    """

    scope: str
    made: Path
    notebooks: tuple
    context: dict
    deadline: int
    name: str = field(default="report", init=False)

    def run(self):
        """Return what the record says of the report: headline, pages, notes of its first page."""
        from culmbook.report.pdf import build_report  # in worker processes only
        from culmbook.report.workbook import write_tables
        from culmbook.trials.seasons import of_season

        season, site = self.context["season"], notebook_site(self.scope)
        network = of_season(self.context["network"], season)
        folder = self.made / self.scope
        folder.mkdir(parents=True)
        summary = build_report(
            self.notebooks,
            folder / f"{self.scope}_{season}_record.pdf",
            site=site,
            season=season,
            facts=asdict(network.settings.report),
            network=network,
            failed=self.context["failed"],
        )
        write_tables(self.notebooks, folder, network=network, site=site)
        return {"status": "done", "reason": "", **asdict(summary)}


@dataclass(frozen=True)
class PagesJob:
    """Make the season's frames and short pages from the executed notebooks of all scopes.

    Parameters
    ----------
    made : Path
        Folder for what it makes.
    notebooks : dict of str to tuple of Path
        Executed notebooks of each scope, in report order.
    context : dict
        ``season``, ``network`` (`culmbook.sheets.read.Network`), and by scope ``places`` (pages of
        the full record) and ``gaps``.
    deadline : int
        Longest time [s].
    """

    made: Path
    notebooks: dict
    context: dict
    deadline: int
    scope: str = field(default="season", init=False)
    name: str = field(default="pages", init=False)

    def run(self):
        """Return what the record says of the short pages: pages of each report."""
        from culmbook.report.season import season_frames, write_pages  # in worker processes only
        from culmbook.trials.entries import control_of, controls_of, without_guards
        from culmbook.trials.seasons import of_season

        season, whole = self.context["season"], self.context["network"]
        network = of_season(whole, season)
        hybrids, control = network.tables["hybrids"], control_of(network)
        plots = without_guards(network.tables["plots"], hybrids)
        entries = {
            scope: sorted(
                plots.loc[plots["site"].eq(scope) | (scope == NETWORK), "hybrid"].unique()
            )
            for scope in self.notebooks
        }
        controls = [control, *(name for name in controls_of(network) if name != control)]
        found = season_frames(self.notebooks, entries, list(filter(None, controls)), season)
        about = self.context | {
            "sites": network.tables["sites"],
            "meta": asdict(network.settings.report),
        }
        n_pages = write_pages(self.made, season, found, hybrids, about)
        return {"status": "done", "reason": "", "n_pages": n_pages}


class _Worker:
    """A process that does one job after another, on a pipe of its own.

    When the process is gone its pipe says so, whatever it was doing; workers that share a queue
    can take its lock with them.
    """

    def __init__(self, token, scratch):
        self._token, (self.pipe, far_end) = token, _SPAWNED.Pipe()
        self._process = _SPAWNED.Process(target=_serve, args=(far_end, token, scratch), daemon=True)
        self._process.start()
        far_end.close()

    def is_alive(self):
        """Tell whether it lives; asked while it is idle, when only its end can be heard."""
        try:
            return not self.pipe.poll()
        except OSError:
            return False

    def begin(self, job):
        """Hand it a job."""
        self.job, self._began = job, time.monotonic()
        self.ends = self._began + job.deadline
        with contextlib.suppress(OSError):  # it has just died: its pipe will say so
            self.pipe.send(job)

    def answer(self):
        """Return what it answers; if it died or took too long, it is gone and the job has failed."""
        reason = f"stopped after {self.job.deadline} s, the longest time allowed"
        try:
            if self.pipe.poll():
                return self.pipe.recv()
        except (OSError, EOFError):
            reason = "the worker process died"
        self.end()
        kill_marked(_mark(self._token, self.job))
        if isinstance(self.job, NotebookJob):  # what it had reached is kept
            reason = keep(self.job.target, self.job.notebook, reason)
        seconds = round(time.monotonic() - self._began, 2)
        return {"status": "failed", "reason": reason, "seconds": seconds}

    def end(self):
        """Kill it at once: asked politely, it would go on with its notebook."""
        self._process.kill()
        self._process.join()
        self.pipe.close()


class Pool:
    """Workers for one batch.

    Parameters
    ----------
    n_workers : int
        How many jobs run at a time.
    token : str
        Names the output folder; what an earlier, killed batch of the same token left running is
        killed.

    Notes
    -----
    Use it in a ``with`` block: on leaving it, also by an exception or Ctrl-C, every worker, kernel
    and process below them is gone.
    """

    def __init__(self, n_workers, token):
        self._n_workers, self._token = n_workers, token

    def __enter__(self):
        self._end_leftovers()
        self._scratch = tempfile.mkdtemp(prefix=f"culmbook-{self._token}-")
        self._environment = dict(os.environ)
        os.environ.update(ENVIRONMENT)  # a worker started later, for a lost one, has it as well
        self._busy, self._idle = [], []
        self._idle += [self._started() for _ in range(self._n_workers)]
        return self

    def _started(self):
        # A terminal sends Ctrl-C to the workers too, while they still import: they are born deaf to
        # it.
        is_main = threading.current_thread() is threading.main_thread()
        before = signal.signal(signal.SIGINT, signal.SIG_IGN) if is_main else None
        try:
            return _Worker(self._token, self._scratch)
        finally:
            if is_main:
                signal.signal(signal.SIGINT, before)

    def __exit__(self, *exception):
        for worker in self._idle + self._busy:
            worker.end()
        self._end_leftovers()
        os.environ.clear()
        os.environ.update(self._environment)

    def _end_leftovers(self):
        kill_marked(f"{self._token}/")
        for old in Path(tempfile.gettempdir()).glob(f"culmbook-{self._token}-*"):
            shutil.rmtree(old, ignore_errors=True)

    def run(self, queue, on_start=None):
        """Do jobs and yield each with its answer as it ends.

        Parameters
        ----------
        queue : list
            Jobs, the next one last. The caller may add to it while it takes answers.
        on_start : callable, optional
            Called with each job as it is handed to a worker.

        Yields
        ------
        tuple
            Job and answer, a dict with ``status``, ``reason`` and ``seconds``; a job whose worker
            died or ran over its deadline has status ``failed``.
        """
        busy = self._busy
        while queue or busy:
            while queue and len(busy) < self._n_workers:
                busy.append(self._living_worker())
                busy[-1].begin(queue.pop())
                if on_start:
                    on_start(busy[-1].job)
            # Without a time limit some systems would not notice Ctrl-C.
            heard = wait_for([worker.pipe for worker in busy], timeout=1)
            now = time.monotonic()
            for worker in [w for w in busy if w.pipe in heard or w.ends < now]:
                answer = worker.answer()
                busy.remove(worker)
                self._idle.append(worker)
                yield worker.job, answer

    def _living_worker(self):
        worker = self._idle.pop()
        if worker.is_alive():
            return worker
        worker.end()
        return self._started()


def _mark(token, job):
    return f"{token}/{job.scope}/{job.name}/"


def _serve(pipe, token, scratch):
    """Do jobs in a worker: files for sockets, messages and the like in `scratch`, and no life after
    the batch.
    """
    os.environ.update(TMPDIR=scratch, TEMP=scratch, TMP=scratch)
    tempfile.tempdir = scratch
    with open(_messages(), "ab") as file:
        for stream in (sys.__stdout__, sys.__stderr__):
            if stream is not None:
                os.dup2(file.fileno(), stream.fileno())
    threading.Thread(target=_end_with_parent, args=(token, scratch)).start()
    with contextlib.suppress(OSError, EOFError):  # the parent is gone
        while True:
            pipe.send(_do(pipe.recv(), token))


def _messages():
    return Path(tempfile.gettempdir()) / f"messages-{os.getpid()}"


def _end_with_parent(token, scratch):
    wait_for([multiprocessing.parent_process().sentinel])
    _kill(psutil.Process().children(recursive=True))
    kill_marked(f"{token}/")
    shutil.rmtree(scratch, ignore_errors=True)
    os._exit(1)


def _do(job, token):
    """Do a job in a worker."""
    began, heard = time.monotonic(), _messages().stat().st_size
    os.environ[MARK] = _mark(token, job)
    try:
        answer = job.run()
    except Exception as error:  # a fault of one job must not end the worker that serves the others
        traceback.print_exc()
        answer = {"status": "failed", "reason": f"{type(error).__name__}: {error}"[:600]}
    kill_marked(os.environ[MARK])
    if "kernel" in answer["reason"].lower():
        said = _messages().read_bytes()[heard:].decode("utf-8", "replace").strip()
        answer["reason"] += f" (last message: {said[-200:]})" if said else ""
    return {**answer, "seconds": round(time.monotonic() - began, 2)}


def kill_marked(mark):
    """Kill the processes whose `MARK` begins with `mark`, wherever in the process tree they ended
    up.

    A process that outlived its parent is nobody's child, but still has the environment it began
    with. The caller and the processes above it are spared.

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
    others = [process for process in psutil.process_iter() if process.pid not in spared]
    found = [process for process in others if _mark_of(process).startswith(mark)]
    _kill(found)
    return len(found)


def _mark_of(process):
    try:
        return process.environ().get(MARK, "")
    except (psutil.Error, OSError):  # gone, a zombie, or another user's: not ours
        return ""


def _kill(processes):
    for process in processes:
        with contextlib.suppress(psutil.NoSuchProcess):
            process.kill()
    psutil.wait_procs(processes, timeout=5)
