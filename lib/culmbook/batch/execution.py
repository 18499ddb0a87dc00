"""Run one notebook in a kernel of its own and say whether it really ran to its end.

Imported by worker processes only: the import of papermill costs about a second.
"""

import copy
import shutil
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import papermill
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec

from culmbook.batch.executed import keep, saved_so_far

_LONGEST_SOCKET_PATH = 90  # the systems allow 104 to 108 bytes, and a port number is added
_KERNEL_COMMAND = [
    sys.executable,
    "-X",
    "frozen_modules=off",
    "-m",
    "ipykernel_launcher",
    "-f",
    "{connection_file}",
]


@dataclass(frozen=True)
class Outcome:
    """How the execution of a notebook ended.

    Parameters
    ----------
    status : {"done", "failed"}
        ``done`` only if every code cell ran in order and the last one said so.
    reason : str
        One or more sentences for a failed notebook, else empty.
    seconds : float
        Wall-clock time [s].
    """

    status: str
    reason: str
    seconds: float


class OwnKernel(AsyncKernelManager):
    """A kernel of the interpreter that runs the batch, on sockets nobody else can meet.

    A kernel specification found by name might belong to another environment. Sockets are files in a folder
    made for this one kernel; where such files do not exist (Windows, very long paths) it is ordinary TCP.
    """

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

    @property
    def kernel_spec(self):
        """The kernel of this interpreter, whatever else is installed under its name."""
        return KernelSpec(argv=_KERNEL_COMMAND, display_name="Python 3", language="python")


def execute(notebook, target, parameters, *, cell_timeout=600, start_timeout=60):
    """Execute a notebook and keep it, also when it fails.

    Parameters
    ----------
    notebook, target : Path
        The notebook, and where the executed copy goes. While it runs it is saved after every cell under
        `saved_so_far(target)`.
    parameters : dict
        Checked values for its parameters cell.
    cell_timeout : int
        Longest time for one cell [s]; the kernel is killed after it.
    start_timeout : int
        Longest time for a kernel to start [s]; a start is tried twice.

    Returns
    -------
    Outcome
        Never raises for what happens inside the notebook.
    """
    began = time.monotonic()
    error = _run(notebook, saved_so_far(target), parameters, cell_timeout, start_timeout)
    reason = keep(target, notebook) or error
    return Outcome("failed" if reason else "done", reason, time.monotonic() - began)


def _run(notebook, output, parameters, cell_timeout, start_timeout):
    for attempt in (1, 2):
        started = []
        try:
            papermill.execute_notebook(
                _verbatim(notebook),
                _verbatim(output),
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
            return ""
        except Exception as error:  # whatever it is, it is this notebook's failure and no other's
            if started or attempt == 2:
                return _in_words(error)


def _verbatim(path):
    return (
        str(Path(path).resolve()).replace("{", "{{").replace("}", "}}")
    )  # papermill formats the paths it is given


def _in_words(error):
    lines = [line for line in str(error).splitlines() if line.strip()]
    detail = lines[-1] if getattr(error, "ename", "") else " ".join(lines[:3])
    return f"{type(error).__name__}: {detail}"[:600]
