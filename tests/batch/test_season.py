"""A small batch, interrupted, broken and repeated in every way. Common practice, no source."""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time

import psutil
import pytest

from culmbook.batch import workers
from culmbook.batch.index import Progress
from culmbook.batch.notebook import find_notebooks, inputs_of
from culmbook.batch.season import run_season
from culmbook.batch.workers import MARK
from culmbook.command import main
from culmbook.text.files import TEMPORARY, OutputBusy, locked, scope_folder, write_whole
from quick_batch import SITES, AtOnce, asked, write_network, write_notebook

PAGES = "season pages"
READ = """import time
from pathlib import Path
import pandas as pd
from culmbook.show.page import Column, finding, table
files = sorted(Path(data).glob("*/plots.csv" if site == "all" else f"{site}/plots.csv"))
plots = pd.concat(map(pd.read_csv, files))
table(plots, label="plots", key="site plot", caption="Plots", columns={c: Column(c) for c in ("site", "plot", "hybrid")})"""
FIND = "time.sleep(pause)\nfinding(f'{len(plots)} plots at {site}.', rank=1)"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A finished batch: two sites and the network, two notebooks."""
    root = tmp_path_factory.mktemp("batch")
    write_network(root / "data")
    write_notebook(root / "notebooks", "10_plots", READ, FIND)
    write_notebook(
        root / "notebooks", "20_more", "import culmbook", "print(site)", scopes=["site"], order=20
    )
    record = run_season(asked(root))
    return root, record


@pytest.fixture
def case(made, tmp_path):
    """A copy of it to spoil."""
    root = tmp_path / "case"
    shutil.copytree(made[0], root)
    return root


class Seen(Progress):
    def __init__(self):
        super().__init__()
        self.jobs = []

    def planned(self, usual, jobs=1):
        super().planned(usual, jobs)
        self.usual = usual

    def ended(self, job, answer):
        super().ended(job, answer)
        self.jobs.append(f"{job.scope} {job.name}")


def jobs_of(season):
    seen = Seen()
    record = run_season(season, seen)
    return sorted(seen.jobs), record


def tables(out):
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.suffix in (".csv", ".xlsx")
    }


def replace_text(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_run_season_makes_a_report_tables_and_notebooks_for_each_site(made):
    root, record = made
    assert {scope: entry["status"] for scope, entry in record["scopes"].items()} == {
        "ALFA": "done",
        "BETA": "done",
        "network": "done",
    }
    assert record["scopes"]["BETA"]["headline"] == "2 plots at BETA."
    for scope in (*SITES, "network"):
        assert (root / "out" / scope / f"{scope}_2025.pdf").read_bytes().startswith(b"%PDF")
        assert (root / "out" / scope / "tables.xlsx").is_file()
        assert (root / "out" / scope / "notebooks" / "10_plots.ipynb").is_file()
    assert not (root / "out" / "network" / "notebooks" / "20_more.ipynb").exists()


def test_run_json_says_what_was_made_from_what(made):
    root, _ = made
    record = json.loads((root / "out" / "run.json").read_text())
    entry = record["scopes"]["ALFA"]["notebooks"]["10_plots"]
    assert (
        entry["parameters"]["site"] == "ALFA" and entry["seconds"] > 0 and entry["status"] == "done"
    )
    assert set(record["inputs"]) == {"sites.csv", "hybrids.csv", "ALFA/plots.csv", "BETA/plots.csv"}
    assert record["packages"]["pandas"] and record["culmbook"] and record["library"]
    assert record["scopes"]["network"]["notebooks"]["10_plots"]["parameters"]["site"] == "all"


def test_rerun_unchanged_does_nothing_and_is_quick(made):
    out = made[0] / "out"
    before = {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file()}
    began = time.monotonic()
    jobs, record = jobs_of(asked(made[0]))
    assert jobs == [] and time.monotonic() - began < 3
    assert {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file()} == before
    assert [record["scopes"][s]["status"] for s in SITES] == ["done", "done"]


def test_rerun_after_a_change_at_one_site_redoes_that_site_and_the_network(case):
    replace_text(case / "data" / "ALFA" / "plots.csv", "ALFA,2,", "ALFA,9,")
    jobs, _ = jobs_of(asked(case))
    assert jobs == [
        "ALFA 10_plots",
        "ALFA 20_more",
        "ALFA report",
        "network 10_plots",
        "network report",
        PAGES,
    ]
    assert "ALFA,9" in (case / "out" / "ALFA" / "tables" / "10-plots.csv").read_text()


def test_rerun_after_a_change_in_a_notebook_or_a_parameter_redoes_that_notebook(case, monkeypatch):
    monkeypatch.setattr(workers, "Pool", AtOnce)  # which jobs are due does not hang on kernels
    replace_text(case / "notebooks" / "20_more.ipynb", "print(site)", "print(season)")
    jobs, _ = jobs_of(asked(case))
    assert jobs == ["ALFA 20_more", "ALFA report", "BETA 20_more", "BETA report", PAGES]
    jobs, record = jobs_of(asked(case, given={"pause": 0.01}, sites=("BETA",)))
    assert jobs == ["BETA 10_plots", "BETA 20_more", "BETA report", PAGES]
    assert record["scopes"]["ALFA"]["status"] == "done" and record["asked"] == ["BETA"]


def test_rerun_after_a_change_elsewhere_redoes_a_notebook_that_reads_all_sites(case, monkeypatch):
    monkeypatch.setattr(workers, "Pool", AtOnce)  # which jobs are due does not hang on kernels
    write_notebook(
        case / "notebooks",
        "30_others",
        "print(site)",
        scopes=["site"],
        order=30,
        reads_all_sites=True,
    )
    jobs_of(asked(case))
    replace_text(case / "data" / "ALFA" / "plots.csv", "ALFA,2,", "ALFA,9,")
    jobs, _ = jobs_of(asked(case, sites=("BETA",)))
    assert jobs == ["BETA 30_others", "BETA report", PAGES]


def test_reads_all_sites_must_be_true_or_false(case):
    write_notebook(case / "notebooks", "30_others", "1", order=30, reads_all_sites="yes")
    with pytest.raises(ValueError, match="reads_all_sites is 'yes', not true or false"):
        find_notebooks(case / "notebooks")


def test_rerun_restores_a_damaged_result(case):
    table = case / "out" / "ALFA" / "tables" / "10-plots.csv"
    good = table.read_bytes()
    table.write_bytes(good[:-5])
    assert jobs_of(asked(case))[0] == ["ALFA report", PAGES] and table.read_bytes() == good
    (case / "out" / "BETA" / "notebooks" / "20_more.ipynb").unlink()
    assert jobs_of(asked(case))[0] == ["BETA 20_more", "BETA report", PAGES]
    (case / "out" / "index.html").unlink()
    assert jobs_of(asked(case))[0] == [] and (case / "out" / "index.html").is_file()


def test_fresh_computes_all_again_with_the_same_tables_and_knows_how_long_it_took(case):
    before, seen = tables(case / "out"), Seen()
    run_season(asked(case, fresh=True, sites=("ALFA",)), seen)
    assert sorted(seen.jobs) == sorted(seen.usual) and len(seen.jobs) == 4
    assert all(seen.usual.values())
    assert tables(case / "out") == before


def test_one_failing_notebook_stops_no_other(case):
    write_notebook(
        case / "notebooks",
        "20_more",
        "print('begun')",
        "1 / (site != 'ALFA')",
        scopes=["site"],
        order=20,
    )
    assert main(command(case)[3:]) == 1
    scopes = json.loads((case / "out" / "run.json").read_text())["scopes"]
    assert [scopes[s]["status"] for s in ("ALFA", "BETA", "network")] == ["failed", "done", "done"]
    assert (
        "ZeroDivisionError" in scopes["ALFA"]["reason"]
        and (case / "out" / "ALFA" / "ALFA_2025.pdf").is_file()
    )
    kept = json.loads((case / "out" / "ALFA" / "notebooks" / "20_more.ipynb").read_text())
    assert "begun" in "".join(
        o["text"][0] for c in kept["cells"] for o in c.get("outputs", []) if "text" in o
    )


def test_a_provisional_report_is_called_so_and_an_incomplete_one_incomplete(case, capsys):
    say = "from culmbook.show import page as present\npresent.say('The count is to come.', kind='provisional')"
    write_notebook(case / "notebooks", "20_more", say, scopes=["site"], order=20)
    (case / "data" / "settings.toml").write_text(
        '[report]\nnetwork = "Reed trials"\nnotice = "Draft."\n'
    )
    assert main(command(case)[3:]) == 0
    record = json.loads((case / "out" / "run.json").read_text())
    assert {record["scopes"][s]["status"] for s in SITES} == {"provisional"}
    headline = record["scopes"]["ALFA"]["headline"]
    assert headline and f"ALFA     provisional: {headline}" in capsys.readouterr().out
    page = (case / "out" / "index.html").read_text()
    for words in (
        "Reed trials: season 2025",
        "Draft.",
        "The count is to come.",
        "ALFA field",
        headline,
    ):
        assert words in page
    (case / "data" / "ALFA" / "stand_counts.csv").write_text("site,plot\nALFA,1\n")
    assert main(command(case)[3:]) == 0
    scopes = json.loads((case / "out" / "run.json").read_text())["scopes"]
    assert [scopes[s]["status"] for s in SITES] == ["incomplete", "provisional"]


def test_a_site_with_refused_plots_is_stopped_and_others_go_on(case):
    (case / "data" / "ALFA" / "plots.csv").write_bytes(b"site,plot\n\x00\x01")
    assert main(command(case)[3:]) == 1
    scopes = json.loads((case / "out" / "run.json").read_text())["scopes"]
    assert [scopes[s]["status"] for s in ("ALFA", "BETA")] == ["stopped", "done"]
    assert (
        "plots" in scopes["ALFA"]["reason"]
        and "stopped" in (case / "out" / "index.html").read_text()
    )
    assert not list((case / "out" / "ALFA").glob("*.pdf"))


def test_a_refused_row_of_sites_is_a_failure_though_nothing_runs_for_it(case):
    replace_text(case / "data" / "sites.csv", "BETA,BETA field,XA,51.5", "BETA,BETA field,XA,951.5")
    assert main(command(case, "--site", "network")[3:]) == 1
    assert "951.5" in (case / "out" / "index.html").read_text()


@pytest.mark.parametrize("code", ["../x", "CON", "x" * 300, "🌾"])
def test_a_hostile_site_code_writes_nothing_outside_out(case, code):
    shutil.rmtree(case / "out")
    replace_text(case / "data" / "sites.csv", "BETA,BETA", f"{code},BETA")
    before = set(case.rglob("*"))
    assert main(command(case, "--site", code)[3:]) in (1, 2)
    assert set(case.rglob("*")) - before <= {case / "out", *(case / "out").rglob("*")}
    assert [p.name for p in (case / "out").iterdir()] == [".lock"]


@pytest.mark.parametrize("scope", ["../x", "CON", "com1", "x" * 17, "🌾", "", ".", "a/b", "a\n"])
def test_scope_folder_refuses_what_could_lead_elsewhere(tmp_path, scope):
    with pytest.raises(ValueError, match="site code"):
        scope_folder(tmp_path, scope)


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_scope_folder_refuses_a_link_that_leads_out(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "ALFA").symlink_to(tmp_path)
    with pytest.raises(ValueError, match="leads out"):
        scope_folder(tmp_path / "out", "ALFA")


@pytest.mark.parametrize(
    "changes, words",
    [
        ({"sites": ("GAMA",)}, "no such site"),
        ({"season": 2031, "out": "new"}, "season 2031: nothing was planted .*; there are 2025"),
        ({"given": {"paws": 1.0}}, "no notebook takes"),
        ({"given": {"pause": "long"}}, "must be float"),
        ({"given": {"site": "BETA"}}, "given by the batch"),
        ({"season": 2024}, "holds season 2025"),
        ({"data": "nowhere"}, "no such folder"),
    ],
)
def test_run_season_refuses_before_anything_runs(made, changes, words, tmp_path):
    if "out" in changes:
        changes = changes | {"out": tmp_path / changes["out"]}
    began = time.monotonic()
    with pytest.raises(ValueError, match=words):
        run_season(asked(made[0], **changes))
    assert time.monotonic() - began < 3


def test_run_season_refuses_to_write_among_raw_sheets_or_foreign_files(case):
    for out in (case / "data", case / "data" / "ALFA" / "new", case):
        with pytest.raises(ValueError, match="in one another"):
            run_season(asked(case, out=out))
    (case / "mine").mkdir()
    (case / "mine" / "index.html").write_text("mine")
    with pytest.raises(ValueError, match="holds other files"):
        run_season(asked(case, out=case / "mine"))


def test_only_one_batch_at_a_time_writes_to_a_folder(case):
    with locked(case / "out"), pytest.raises(OutputBusy, match="another batch"):
        run_season(asked(case))
    assert jobs_of(asked(case))[0] == []


def test_inputs_of_takes_the_root_and_the_sites_own_folder():
    hashes = {"sites.csv": "1", "ALFA/plots.csv": "2", "ALFA2/plots.csv": "3"}
    assert inputs_of("ALFA", hashes) == {"sites.csv": "1", "ALFA/plots.csv": "2"}
    assert inputs_of("network", hashes) == hashes


def test_write_whole_leaves_the_old_file_when_it_cannot_finish(tmp_path, monkeypatch):
    write_whole(tmp_path / "a.txt", "old")
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError):
        write_whole(tmp_path / "a.txt", "new")
    assert (tmp_path / "a.txt").read_text() == "old"


# Interrupting and killing.


def command(root, *more, jobs=2):
    return [
        sys.executable,
        "-m",
        "culmbook.command",
        "season",
        str(root / "data"),
        "--season",
        "2025",
        "--out",
        str(root / "out"),
        "--notebooks",
        str(root / "notebooks"),
        "--jobs",
        str(jobs),
        *more,
    ]


def processes_of(parent):
    return [psutil.Process(parent.pid), *psutil.Process(parent.pid).children(recursive=True)]


def marked(out):
    from culmbook.batch.notebook import digest

    mark = digest(str(out.resolve()))[:8] + "/"
    found = []
    for process in psutil.process_iter():
        try:
            if process.environ().get(MARK, "").startswith(mark):
                found.append(process)
        except psutil.Error:
            pass
    return found


def start_and_wait_for_kernels(root, seconds=20):
    parent = subprocess.Popen(command(root), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + seconds
    while not marked(root / "out") and parent.poll() is None and time.monotonic() < until:
        time.sleep(0.05)
    return parent


def all_gone(processes, seconds=6):
    _, alive = psutil.wait_procs(processes, timeout=seconds)
    return [p for p in alive if p.status() != psutil.STATUS_ZOMBIE] == []


@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_killed_at_random_moments_a_batch_resumes_to_the_same_tables(made, case):
    expected = tables(made[0] / "out")
    shutil.rmtree(case / "out")
    write_notebook(case / "notebooks", "10_plots", READ, FIND, pause=0.2)
    moments = random.Random(time.time_ns())
    for _ in range(3):
        parent = start_and_wait_for_kernels(case)
        time.sleep(moments.uniform(0, 2.5))
        family = processes_of(parent) if parent.poll() is None else []
        parent.kill()
        parent.wait()
        assert all_gone(family) and marked(case / "out") == []
    assert subprocess.run(command(case), capture_output=True).returncode == 0
    assert tables(case / "out") == expected
    assert not list((case / "out").rglob(f"{TEMPORARY}*"))


@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_a_killed_batch_takes_even_a_kernel_with_it_that_cannot_listen(case):
    write_notebook(case / "notebooks", "10_plots", READ, "sum(range(10**12))")
    parent = start_and_wait_for_kernels(case)
    time.sleep(2)
    family = processes_of(parent)
    os.kill(parent.pid, signal.SIGKILL)
    parent.wait()
    assert len(family) >= 4 and all_gone(family) and marked(case / "out") == []


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_leaves_no_kernel_and_says_how_to_go_on(case, sign):
    write_notebook(case / "notebooks", "10_plots", READ, "import time; time.sleep(60)")
    parent = subprocess.Popen(
        command(case),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + 20
    while not marked(case / "out") and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(0.5)
    family = processes_of(parent)[1:]
    os.killpg(parent.pid, sign) if sign == signal.SIGINT else parent.send_signal(
        sign
    )  # as a terminal does
    _, heard = parent.communicate(timeout=10)
    assert parent.returncode == 130 and "goes on from there" in heard and "Traceback" not in heard
    assert all_gone(family, 1) and marked(case / "out") == []
