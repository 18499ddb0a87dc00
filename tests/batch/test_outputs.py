"""What becomes of files in the output folder: ours renewed, others' never lost. Common practice."""

import json
import os
import random
import shutil

import pytest

from culmbook.batch.index import closing_words
from culmbook.batch.notebook import digest
from culmbook.batch.season import run_season
from culmbook.text import files
from quick_batch import AREA, asked, changed, contents, quicken, write_network, write_notebook


@pytest.fixture
def case(tmp_path, monkeypatch):
    quicken(monkeypatch)
    write_network(tmp_path / "data")
    write_notebook(tmp_path / "notebooks", "10_plots")
    run_season(asked(tmp_path))
    return tmp_path


def kept(out):
    return {p.read_bytes() for p in out.rglob("*") if p.is_file()}


OWN = (
    "ALFA/letter.pdf",
    "ALFA/notes.xlsx",
    "ALFA/tables/mine.csv",
    "ALFA/notebooks/11_a_students_copy.ipynb",
    "ALFA/ALFA_2024.pdf",
    "network/frames/mine.csv",
)
OURS = ("ALFA/ALFA_2025_record.pdf", "ALFA/tables/ALFA-1.csv", "ALFA/notebooks/10_plots.ipynb")


@pytest.mark.parametrize("stopped", [False, True])
def test_a_persons_own_files_outlive_the_next_run(case, stopped):
    for name in OWN:
        (case / "out" / name).parent.mkdir(exist_ok=True)
        (case / "out" / name).write_text(f"own {name}")
    write_network(case / "data", {"ALFA": (AREA,), "BETA": (AREA,)})
    if stopped:
        (case / "data" / "ALFA" / "plots.csv").write_bytes(b"site,plot\n\x00\x01")
    record = run_season(asked(case))
    assert record["scopes"]["ALFA"]["status"] == ("stopped" if stopped else "done")
    assert [(case / "out" / name).read_text() for name in OWN] == [f"own {name}" for name in OWN]
    assert not (case / "out" / "ALFA" / "tables" / "ALFA-2.csv").exists() and not record["kept"]


def test_an_output_that_somebody_changed_is_kept_beside_the_new_one(case):
    for name in (*OURS, "index.html"):
        (case / "out" / name).write_text(f"own {name}")
    write_network(case / "data", {"ALFA": (AREA, 7), "BETA": (AREA,)})
    record = run_season(asked(case))
    said, all_well = closing_words(record, case / "out")
    for name in (*OURS, "index.html"):
        assert (case / "out" / "kept files" / name).read_text() == f"own {name}"
        assert (case / "out" / name).read_text() != f"own {name}" and name in said
    assert all_well and "kept files" in said
    (case / "out" / OURS[0]).write_text("own again")
    run_season(asked(case))
    again = case / "out" / "kept files" / "ALFA" / "ALFA_2025_record-2.pdf"
    assert again.read_text() == "own again"


def test_a_changed_output_that_is_no_longer_made_stays(case):
    table = case / "out" / "BETA" / "tables" / "BETA-2.csv"
    table.write_text("own")
    write_network(case / "data", {"ALFA": (AREA, AREA)})
    record = run_season(asked(case))
    assert table.read_text() == "own" and "BETA-2.csv has been changed" in " ".join(record["kept"])
    assert [p.name for p in (case / "out" / "BETA").rglob("*")] == ["tables", "BETA-2.csv"]
    assert run_season(asked(case))["kept"] == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: "",
        lambda text: "[]",
        lambda text: "[" * 100_000,
        lambda text: "\x00",
        lambda text: '{"scopes": 7, "seal": "x"}',
        lambda text: text.replace('"tables/ALFA-1.csv"', '"../../mine.txt"'),
        lambda text: text.replace('"season": 2025', '"season": []'),
    ],
)
def test_a_damaged_record_is_not_believed_and_deletes_nothing(case, spoil):
    (case / "mine.txt").write_text("mine")
    before, path = contents(case / "out"), case / "out" / "run.json"
    spoilt = spoil(path.read_text())
    path.write_text(spoilt)
    (case / "out" / OURS[0]).write_text("own")
    write_network(case / "data", {"ALFA": (AREA, AREA)})
    record = run_season(asked(case))
    assert record["scopes"]["ALFA"]["status"] == "done" and (case / "mine.txt").exists()
    assert (case / "out" / "kept files" / "run.json").read_text() == spoilt
    assert {b"own", *before.values()} - {before[OURS[0]]} <= kept(case / "out")
    assert (
        contents(case / "out").items() >= {n: b for n, b in before.items() if "ALFA/" in n}.items()
    )


@pytest.mark.parametrize("name", ["../../mine.txt", "{case}/mine.txt", "ALFA/../../mine.txt"])
def test_a_record_that_is_sealed_reaches_nothing_outside(case, name):
    (case / "mine.txt").write_text("mine")
    path = case / "out" / "run.json"
    record = json.loads(path.read_text())
    del record["seal"]
    sha = files.file_digest(case / "mine.txt")
    record["written"][name.format(case=case)] = [sha]
    record["scopes"]["ALFA"]["files"] = {name.format(case=case): sha}
    path.write_text(json.dumps(record | {"seal": digest(record)}))
    said, all_well = closing_words(run_season(asked(case)), case / "out")
    assert (case / "mine.txt").read_text() == "mine"
    assert not all_well and "mine.txt could not be" in said and "outside of the output" in said


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_a_folder_that_leads_elsewhere_is_not_written_to(case):
    shutil.rmtree(case / "out" / "ALFA" / "tables")
    (case / "elsewhere").mkdir()
    (case / "out" / "ALFA" / "tables").symlink_to(case / "elsewhere")
    record = run_season(asked(case))
    assert list((case / "elsewhere").iterdir()) == []
    assert record["scopes"]["ALFA"]["status"] == "failed"


def hold(monkeypatch, *names):
    """Let files be as if another program held them open, as Windows does."""
    replace, unlink = os.replace, os.unlink

    def guarded(act):
        def do(path, *more, **how):
            if str(path).endswith(names) or (more and str(more[0]).endswith(names)):
                raise PermissionError(13, "Permission denied", str(path))
            return act(path, *more, **how)

        return do

    monkeypatch.setattr(os, "replace", guarded(replace))
    monkeypatch.setattr(os, "unlink", guarded(unlink))


def test_an_output_that_is_held_open_stays_and_costs_no_other(case, monkeypatch):
    before = contents(case / "out")
    write_network(case / "data", {"ALFA": (AREA, 7), "BETA": (AREA, 7)})
    with monkeypatch.context() as held:
        hold(held, "ALFA/tables.xlsx", "BETA/BETA_2025.pdf")
        record = run_season(asked(case))
    said, all_well = closing_words(record, case / "out")
    after, statuses = contents(case / "out"), {s: e["status"] for s, e in record["scopes"].items()}
    assert statuses == {"ALFA": "failed", "BETA": "done", "network": "done"} and not all_well
    assert "ALFA/tables.xlsx could not be replaced" in said and "close it" in said
    assert "BETA/BETA_2025.pdf could not be replaced" in said
    for name in ("ALFA/tables.xlsx", "BETA/BETA_2025.pdf"):
        assert after[name] == before[name]
    assert after["ALFA/ALFA_2025_record.pdf"] != before["ALFA/ALFA_2025_record.pdf"]
    assert closing_words(run_season(asked(case)), case / "out")[1]
    assert contents(case / "out") == from_nothing(case) and not kept_files(case)


def test_a_held_output_of_a_site_that_is_stopped_costs_no_other(case, monkeypatch):
    (case / "data" / "ALFA" / "plots.csv").write_bytes(b"site,plot\n\x00\x01")
    with monkeypatch.context() as held:
        hold(held, "ALFA/tables.xlsx")
        record = run_season(asked(case))
    said, all_well = closing_words(record, case / "out")
    assert record["scopes"]["BETA"]["status"] == "done" and not all_well
    assert "ALFA/tables.xlsx could not be" in said and (case / "out/ALFA/tables.xlsx").exists()
    run_season(asked(case))
    assert not (case / "out" / "ALFA").exists()


def from_nothing(case):
    shutil.rmtree(case / "new", ignore_errors=True)
    run_season(asked(case, out=case / "new"))
    return contents(case / "new")


def kept_files(case):
    return [p for p in case.glob("out/kept files/**/*") if p.is_file()]


class Killed(BaseException):
    """Ends a run at once."""


def kill_after(monkeypatch, n):
    """End the run as it is about to move its n-th file."""
    replace, left = os.replace, [n]

    def do(*paths):
        left[0] -= 1
        if left[0] < 0:
            raise Killed
        return replace(*paths)

    monkeypatch.setattr(os, "replace", do)


def test_after_whatever_happened_a_season_is_as_made_from_nothing(case, monkeypatch):
    """A soak; the long one, with true kernels and kills, is in tests/judge."""
    chance, plots, own = random.Random(5), {"ALFA": (AREA, AREA), "BETA": (AREA, AREA)}, []
    for turn in range(8):
        plots = changed(plots, chance)
        write_network(case / "data", plots)
        with monkeypatch.context() as mischief:
            what = turn % 4
            if what == 0:
                hold(mischief, chance.choice(OURS), "network/glance.html")
            elif what == 1:
                kill_after(mischief, chance.randrange(20))
            elif what == 2:
                own.append(f"own {turn}".encode())
                (case / "out" / OURS[0]).write_bytes(own[-1])
            try:
                run_season(asked(case))
            except Killed:
                pass
        if chance.random() < 0.3:  # a change more before anybody runs it again
            continue
        run_season(asked(case))
        assert contents(case / "out") == from_nothing(case)
    assert sorted(p.read_bytes() for p in kept_files(case)) == own
