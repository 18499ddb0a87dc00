"""One notebook in a kernel of its own: what counts as run, what is left behind. Common practice."""

import json
import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psutil
import pytest

from culmbook.batch.notebook import saved_so_far, tidied, unfinished
from culmbook.batch.workers import MARK, NotebookJob, Pool, kill_marked

ODD = "x\\y\"{z}'\n$é\t007"
START_A_CHILD = "p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(99)'], start_new_session=True)"
SENTINEL = "print('culmbook: finished')"
SAID = "print('first\\nlast but one\\nlast', flush=True)"
PRINTS = (
    "import sys, time, warnings\nfor n in range(3):\n    print('a' * 10**6, flush=True)\n"
    "    time.sleep(time.time() % 0.3)\nprint('end'); print('beside', file=sys.stderr); warnings.warn('odd')",
)
UNPRINTABLE = (
    "from IPython.display import display\n"
    "display({'application/vnd.culmbook.table+json': {'label': 'a'}}, raw=True)"
)


def cell(text, *tags, **more):
    return {
        "cell_type": "code",
        "id": f"c{abs(hash(text)) % 10**8}",
        "metadata": {"tags": list(tags)},
        "source": text,
        "outputs": [],
        "execution_count": None,
        **more,
    }


def write_notebook(
    path,
    *cells,
    parameters_text="site: str = 'A'\nseason: int = 2025\ndata: str = 'd'",
    sentinel=True,
):
    made = [
        cell(parameters_text, "parameters"),
        *[c if isinstance(c, dict) else cell(c) for c in cells],
    ]
    made += [cell(SENTINEL, "sentinel")] if sentinel else []
    for number, one in enumerate(made):
        one["id"] = f"cell-{number}"
    path.write_text(
        json.dumps({"nbformat": 4, "nbformat_minor": 5, "metadata": {}, "cells": made}),
        encoding="utf-8",
    )
    return path


def job(folder, name, *cells, deadline=60, cell_timeout=30, parameters=None, **kw):
    (folder / "out").mkdir(exist_ok=True)
    notebook = write_notebook(folder / f"{name}.ipynb", *cells, **kw)
    return NotebookJob(
        "A",
        name,
        notebook,
        folder / "out" / f"{name}.ipynb",
        parameters or {"site": "B"},
        cell_timeout,
        deadline,
    )


def ran(count=1, outputs=(), text="x = 1", *tags):
    return cell(text, *tags, execution_count=count, outputs=list(outputs))


def stream(text):
    return {"output_type": "stream", "name": "stdout", "text": [text]}


def finished(*cells):
    return {
        "cells": [
            *cells,
            ran(len(cells) + 1, [stream("culmbook: finished\n")], SENTINEL, "sentinel"),
        ]
    }


def test_unfinished_accepts_counts_in_order_and_the_sentinel():
    assert (
        unfinished(
            finished(ran(1), cell("  "), ran(2, [stream("7")]))["cells"]
            and finished(ran(1), ran(2))
        )
        == ""
    )


@pytest.mark.parametrize(
    "cells, word",
    [
        ([ran(2)], "in its turn"),
        ([ran(None)], "in its turn"),
        ([ran(1), ran(1)], "in its turn"),
        ([ran(1, [{"output_type": "error", "ename": "SystemExit", "evalue": "0"}])], "SystemExit"),
    ],
)
def test_unfinished_refuses_gaps_repeats_and_errors(cells, word):
    assert word in unfinished(finished(*cells))


def test_unfinished_needs_a_sentinel_that_printed():
    silent = {"cells": [ran(1, [], SENTINEL, "sentinel")]}
    untagged = {"cells": [ran(1, [stream("culmbook: finished\n")], SENTINEL)]}
    assert (
        "sentinel" in unfinished(silent)
        and "sentinel" in unfinished(untagged)
        and "sentinel" in unfinished({"cells": []})
    )


def test_tidied_leaves_no_clock_times():
    book = {
        "metadata": {"papermill": {"duration": 1}},
        "cells": [{"metadata": {"execution": {"t": 1}, "tags": ["a"]}}],
    }
    assert tidied(book) == {"metadata": {}, "cells": [{"metadata": {"tags": ["a"]}}]}
    assert "papermill" in book["metadata"]


def alive(pid):
    return psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """One pool of two workers does every kind of notebook, good and bad."""
    folder = tmp_path_factory.mktemp("a {b} 'c'")
    jobs = [
        job(folder, "good", "print(site, season)"),
        job(folder, "raises", "print('before')", "1 / 0", "print('after')"),
        job(folder, "exits", "import sys; sys.exit(0)"),
        job(folder, "dies", SAID, "import os; os._exit(3)"),
        job(folder, "killed", SAID, "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"),
        job(folder, "faulty", SAID, "import ctypes; ctypes.string_at(0)"),
        job(folder, "prints", *PRINTS),
        job(folder, "prints_again", *PRINTS),
        job(folder, "unprintable", UNPRINTABLE),
        job(folder, "slow", SAID + "; import time; time.sleep(60)", cell_timeout=1),
        job(folder, "unended", "print(1)", sentinel=False),
        job(folder, "children", "import subprocess, sys", START_A_CHILD, "print(p.pid)"),
        job(
            folder,
            "stuck",
            "import subprocess, sys",
            START_A_CHILD,
            "print(p.pid)",
            "sum(range(10**12))",
            deadline=5,
            cell_timeout=60,
        ),
        job(
            folder,
            "kills",
            "import os, signal, subprocess, sys",
            START_A_CHILD,
            "print(p.pid)",
            "os.kill(os.getppid(), signal.SIGKILL)\nsum(range(10**12))",
        ),
        job(
            folder,
            "odd",
            "print([a, b, c])",
            parameters_text="a: str = ''\nb: list = []\nc: dict = {}",
            parameters={"a": ODD, "b": [1, None, True], "c": {"k": -0.5}},
        ),
        job(
            folder,
            "threads",
            "import os",
            "print(os.environ['OMP_NUM_THREADS'], os.environ['PYTHONHASHSEED'])",
        ),
    ]
    seen = {}
    with Pool(2, "test-worker") as pool:
        for done, answer in pool.run(jobs[::-1]):
            cells = json.loads(done.target.read_text(encoding="utf-8"))["cells"]
            seen[done.name] = (answer, cells)
    return seen, folder


def printed(cells):
    return "".join(
        "".join(o.get("text", ""))
        for c in cells
        for o in c.get("outputs", [])
        if o["output_type"] == "stream"
    )


def test_execute_passes_parameters_as_values(answers):
    answer, cells = answers[0]["good"]
    assert answer["status"] == "done" and answer["reason"] == ""
    assert printed(cells) == "B 2025\nculmbook: finished\n"


def test_execute_passes_odd_text_unchanged(answers):
    assert printed(answers[0]["odd"][1]).startswith(f"{[ODD, [1, None, True], {'k': -0.5}]}\n")


def test_execute_keeps_a_failed_notebook_up_to_its_failing_cell(answers):
    answer, cells = answers[0]["raises"]
    assert (
        answer["status"] == "failed" and "ZeroDivisionError: division by zero" in answer["reason"]
    )
    assert printed(cells) == "before\n"


@pytest.mark.parametrize(
    "name, word",
    [
        ("exits", "SystemExit"),
        ("dies", "code cell 4: the kernel ended by itself with exit code 3"),
        ("killed", "code cell 4: the kernel was ended by signal 9 (SIGKILL), as happens when mem"),
        ("faulty", "code cell 4: the kernel was ended by signal 11 (SIGSEGV)"),
        ("slow", "code cell 3: stopped after 1 s, the longest time for one cell"),
        ("stuck", "code cell 6: stopped after 5 s, the longest time allowed"),
        ("unprintable", "it shows what cannot be printed (KeyError: 'rows')"),
        ("unended", "sentinel"),
    ],
)
def test_execute_fails_what_did_not_reach_its_end(answers, name, word):
    answer, _ = answers[0][name]
    assert answer["status"] == "failed" and word in answer["reason"]


@pytest.mark.parametrize("name, at", [("dies", 2), ("slow", 2), ("stuck", 5)])
def test_execute_tells_what_happened_in_the_cell_where_it_happened(answers, name, at):
    answer, cells = answers[0][name]
    stopped = [c for c in cells if any(o["output_type"] == "error" for o in c.get("outputs", []))]
    assert len(stopped) == 1 and stopped[0]["outputs"][-1]["evalue"] in answer["reason"]
    said = "; it printed last: first / last but one / last" * (name == "slow")
    assert said in answer["reason"] and stopped[0]["execution_count"] in (at + 1, at + 2, None)


def test_execute_gives_the_same_bytes_again_and_keeps_no_flood_of_print(answers):
    seen, folder = answers
    one, two = ((folder / "out" / f"{n}.ipynb").read_bytes() for n in ("prints", "prints_again"))
    assert seen["prints"][0]["status"] == "done" and one == two and len(one) < 250_000
    assert f"[{3 * (10**6 + 1) + len('end ') - 10**5} characters left out]" in printed(
        seen["prints"][1]
    )


def test_execute_runs_kernels_with_one_thread_and_fixed_hashes(answers):
    assert printed(answers[0]["threads"][1]).startswith("1 0\n")


def test_pool_stops_a_stuck_kernel_and_goes_on(answers):
    answer, cells = answers[0]["stuck"]
    assert answer["status"] == "failed" and "longest time allowed" in answer["reason"]
    assert answer["seconds"] < 15 and len(answers[0]) == 16


@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_a_killed_worker_costs_one_job(answers):
    answer, cells = answers[0]["kills"]
    assert (answer["status"], answer["reason"]) == (
        "failed",
        "code cell 6: the worker process died",
    )
    assert printed(cells).strip().isdigit()
    assert [n for n, (a, _) in answers[0].items() if "worker" in a["reason"]] == ["kills"]


@pytest.mark.parametrize("name", ["children", "stuck", "kills"])
def test_pool_leaves_no_grandchild(answers, name):
    pid = int(printed(answers[0][name][1]).split()[0])
    assert not alive(pid)


def test_pool_leaves_only_the_executed_notebooks(answers):
    seen, folder = answers
    assert sorted(p.name for p in (folder / "out").iterdir()) == sorted(
        f"{name}.ipynb" for name in seen
    )
    assert not saved_so_far(folder / "out" / "x.ipynb").exists()
    assert not list(Path(os.environ.get("TMPDIR", "/tmp")).glob("culmbook-test-worker-*"))


class DiesWhenRead:
    """Ends the process that unpickles it, as if it were killed while it takes a job."""

    def __reduce__(self):
        return os._exit, (9,)


def workers():
    return psutil.Process().children()


def ended(pool, jobs, seconds=120):
    """Status by name; fails rather than wait for ever."""
    with ThreadPoolExecutor(1) as thread:
        found = thread.submit(lambda: {job.name: a["status"] for job, a in pool.run(jobs)})
        try:
            return found.result(seconds)
        except TimeoutError:
            for process in psutil.Process().children(recursive=True):
                process.kill()
            raise


def test_a_worker_killed_as_it_takes_a_job_costs_that_job_only(tmp_path):
    jobs = [job(tmp_path, name, "print(1)") for name in ("one", "two")]
    jobs.insert(1, job(tmp_path, "lost", "print(1)", parameters={"site": DiesWhenRead()}))
    with Pool(1, "test-taking") as pool:
        found = ended(pool, jobs)
    assert found == {"one": "done", "two": "done", "lost": "failed"}


@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_idle_workers_that_are_killed_cost_no_job(tmp_path):
    before = set(workers())
    with Pool(2, "test-idle") as pool:
        idle = [p for p in workers() if p not in before and "spawn_main" in " ".join(p.cmdline())]
        for process in idle:
            process.kill()
        psutil.wait_procs(idle, timeout=5)
        found = ended(pool, [job(tmp_path, name, "print(1)") for name in ("one", "two")])
    assert len(idle) == 2 and found == {"one": "done", "two": "done"}


def test_kill_marked_spares_itself_and_other_batches(monkeypatch):
    monkeypatch.setenv(MARK, "other/1/")
    sleeper = psutil.Popen(["sleep", "30"]) if os.name != "nt" else pytest.skip("POSIX")
    time.sleep(0.1)
    assert kill_marked("test-none/") == 0 and sleeper.is_running()
    assert kill_marked("other/") == 1 and sleeper.wait(5) != 0
    with pytest.raises(ValueError, match="every batch"):
        kill_marked("")
