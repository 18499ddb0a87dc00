"""The command line: quick help, clear refusals, exit statuses. Common practice, no source."""

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from culmbook.command import main

DEMO = Path(__file__).parents[1] / "data" / "demo"
SEASON = ["season", str(DEMO), "--season", "2025"]


def run(*arguments):
    """Return the exit status, whoever ends the command: argparse or we."""
    try:
        return main([str(a) for a in arguments])
    except SystemExit as ended:
        return ended.code


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("sign", ["SIGTERM", "SIGHUP"])
def test_a_signal_in_the_first_moment_is_answered_in_words(sign):
    code = (
        f"import os, signal, sys; from culmbook import command\n"
        f"command._parser = lambda: os.kill(os.getpid(), signal.{sign})\n"
        f"sys.exit(command.main([]))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ended.returncode == 130 and ended.stderr.startswith("\nInterrupted.")


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["season", "--help"],
        ["check", "--help"],
        ["sheets", "--help"],
        ["functions", "--help"],
        ["--version"],
    ],
)
def test_help_and_version_answer_at_once_and_need_no_pandas(arguments):
    code = (
        f"import sys; from culmbook.command import main\n"
        f"try: main({arguments!r})\nfinally: assert 'pandas' not in sys.modules"
    )
    began = time.monotonic()
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ended.returncode == 0 and "culmbook" in ended.stdout and time.monotonic() - began < 1.5


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["report"],
        ["season"],
        ["season", "d"],
        [*SEASON],
        ["season", "d", "--season", "25", "--out", "o"],
        ["season", "d", "--season", "2025.5", "--out", "o"],
        [*SEASON, "--out", "o", "--jobs", "0"],
        [*SEASON, "--out", "o", "--jobs", "two"],
        [*SEASON, "--out", "o", "--cell-timeout", "-1"],
        ["check"],
        ["sheets"],
    ],
)
def test_wrong_usage_exits_2_and_shows_the_usage(arguments, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(*arguments) == 2 and "usage: culmbook" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "more, word",
    [
        (["--param", "level"], "NAME=value"),
        (["--param", "level=007"], "literal"),
        (["--param", "x=1", "--param", "x=2"], "twice"),
        (["--param", "nonsense=1"], "no notebook takes"),
        (["--param", "site='A'"], "given by the batch"),
        (["--param", "season=2024"], "given by the batch"),
        (["--notebooks", "nowhere"], "no notebook"),
    ],
)
def test_season_refuses_wrong_parameters_before_it_writes(more, word, capsys, tmp_path):
    assert run(*SEASON, "--out", tmp_path / "out", *more) == 2
    assert word in capsys.readouterr().err and not (tmp_path / "out").exists()


def test_season_says_which_folder_is_missing(capsys, tmp_path):
    assert run("season", tmp_path / "nowhere", "--season", 2025, "--out", tmp_path / "out") == 2
    heard = capsys.readouterr().err
    assert "nowhere" in heard and "Traceback" not in heard and not (tmp_path / "out").exists()


def test_check_exits_0_on_the_demo_and_1_on_an_error(capsys, tmp_path):
    (tmp_path / "DRYSA").mkdir()
    for name in ("sites.csv", "hybrids.csv", "DRYSA/plots.csv"):
        shutil.copy(DEMO / name, tmp_path / name)
    assert run("check", tmp_path) == 0
    capsys.readouterr()
    (tmp_path / "hybrids.csv").write_text(
        (DEMO / "hybrids.csv").read_text() + "H99,king,plug,nursery,x,L,F,M\n"
    )
    assert run("check", tmp_path) == 1
    heard = capsys.readouterr().out
    assert "hybrids.csv" in heard and "king" in heard
    assert run("check", tmp_path, "--site", "DRYSA", "--errors") == 1
    heard = capsys.readouterr().out
    assert "king" in heard and "[N-" not in heard
    assert run("check", tmp_path, "--site", "NOWHERE") == 2 and "NOWHERE" in capsys.readouterr().err
    assert run("check", tmp_path / "nowhere") == 2


def test_sheets_writes_a_sheet_and_never_over_one(capsys, tmp_path):
    assert run("sheets", tmp_path / "s", "--table", "stand_counts") == 0
    assert Path(capsys.readouterr().out.strip()).is_file()
    assert run("sheets", tmp_path / "s", "--table", "stand_counts") == 2
    assert run("sheets", tmp_path / "s", "--table", "nonsense") == 2


def test_check_prints_json_for_other_programs(capsys, tmp_path):
    plots = _plots_alone(tmp_path)
    assert run("check", tmp_path, "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["status"] == 0 and said["incomplete"] == [] and said["stopped"].keys() >= {"KRAVO"}
    assert "DRYSA" not in said["stopped"]
    plots.write_text(plots.read_text().replace(",hand,", ",claw,", 1))
    assert run("check", tmp_path, "--json", "--errors") == 1
    said = json.loads(capsys.readouterr().out)
    (fault,) = said["problems"]
    assert (fault["code"], fault["line"], fault["value"]) == ("E-CODE", 2, "claw")
    assert said["status"] == 1 and said["incomplete"] == ["DRYSA"]
    assert {f["file"]: f["rows"] for f in said["files"]}["sites.csv"] == 5
    assert run("check", tmp_path / "nowhere", "--json") == 2
    heard = capsys.readouterr()
    assert "nowhere" in heard.err and heard.out == ""


def _plots_alone(folder):
    (folder / "DRYSA").mkdir(parents=True)
    for name in ("sites.csv", "hybrids.csv", "DRYSA/plots.csv"):
        shutil.copy(DEMO / name, folder / name)
    return folder / "DRYSA" / "plots.csv"


def test_sheets_says_so_when_plots_are_not_usable(capsys, tmp_path):
    plots = _plots_alone(tmp_path / "data")
    text = plots.read_text()
    first = next(line for line in text.splitlines() if line.startswith("DRYSA,"))
    plots.write_text(text.replace(first, first.replace(",hand,", ",claw,")))
    to, told = ["--data", tmp_path / "data", "--table", "stand_counts"], "DRYSA/plots.csv"
    assert run("sheets", tmp_path / "one", *to) == 1
    heard = capsys.readouterr()
    assert "stand_counts.xlsx" in heard.out and told in heard.err
    plots.write_text(text.replace(",hand,", ",claw,").replace(",machine,", ",claw,"))
    assert run("sheets", tmp_path / "none", *to) == 2
    heard = capsys.readouterr()
    assert heard.out == "" and "no usable rows" in heard.err and not (tmp_path / "none").exists()


@pytest.mark.parametrize("code", ["CON", "com1", "../x", "a/b", "C:x"])
def test_a_site_code_that_is_a_device_or_a_path_is_refused_in_words(code, capsys, tmp_path):
    _plots_alone(tmp_path)
    sites = tmp_path / "sites.csv"
    sites.write_text(sites.read_text().replace("DRYSA,", f"{code},"))
    assert run("check", tmp_path, "--errors") == 1
    heard = capsys.readouterr().out
    assert f"“{code}”: not a valid code → use 1 to 16 letters" in heard and "device name" in heard


def test_functions_lists_a_room_and_refuses_an_unknown_one(capsys):
    assert run("functions", "stand") == 0
    heard = capsys.readouterr().out
    assert "stand." in heard and "yields." not in heard
    assert run("functions") == 0 and "yields." in capsys.readouterr().out
    assert run("functions", "cellar") == 2 and "there are batch" in capsys.readouterr().err


def test_a_closed_pipe_is_no_crash():
    reader = subprocess.Popen(
        [sys.executable, "-m", "culmbook.command", "check", str(DEMO)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    reader.stdout.close()
    heard = reader.stderr.read()
    assert reader.wait(60) in (0, 1) and b"Traceback" not in heard
