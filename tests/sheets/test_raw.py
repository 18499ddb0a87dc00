"""What the file system can do to a sheet: links, folders, pipes, permissions, changes while it is
read.
"""

import os

import pytest

from culmbook.sheets import raw as rawtable
from culmbook.sheets.raw import read_raw
from faulty_files import csv_text, good_table


@pytest.fixture
def good(tmp_path):
    root = tmp_path / "network"
    root.mkdir()
    (root / "weather.csv").write_text(csv_text(*good_table("weather")))
    return root


def only_problem(raw):
    assert raw.refused and raw.rows == []
    (problem,) = raw.problems
    return problem


def test_read_raw_link_inside_the_folder_is_followed(good):
    (good / "S01").mkdir()
    (good / "S01" / "weather.csv").symlink_to(good / "weather.csv")
    raw = read_raw(good / "S01" / "weather.csv", good)
    assert raw.file == "S01/weather.csv" and not raw.refused


def test_read_raw_link_leaving_the_folder_is_refused(good, tmp_path):
    (tmp_path / "outside.csv").write_text("a,b\n1,2\n")
    (good / "plots.csv").symlink_to(tmp_path / "outside.csv")
    problem = only_problem(read_raw(good / "plots.csv", good))
    assert problem.code == "E-PATH" and "outside" in problem.rule


def test_read_raw_link_to_nothing_or_itself_is_refused(good):
    (good / "plots.csv").symlink_to(good / "nowhere.csv")
    (good / "loop.csv").symlink_to(good / "loop.csv")
    for name in ("plots.csv", "loop.csv"):
        assert only_problem(read_raw(good / name, good)).code == "E-PATH"


def test_read_raw_folder_named_as_table_is_refused(good):
    (good / "plots.csv").mkdir()
    problem = only_problem(read_raw(good / "plots.csv", good))
    assert problem.code == "E-PATH" and "folder" in problem.rule


def test_read_raw_pipe_is_refused_without_waiting(good):
    os.mkfifo(good / "plots.csv")
    problem = only_problem(read_raw(good / "plots.csv", good))
    assert problem.code == "E-PATH" and "not a regular file" in problem.rule


def test_read_raw_unreadable_file_is_refused(good):
    path = good / "weather.csv"
    path.chmod(0)
    is_root = os.geteuid() == 0
    if is_root:  # root may read everything: look through the eyes of another user
        for folder in (good, *good.parents[:3]):
            folder.chmod(folder.stat().st_mode | 0o055)
        os.seteuid(65534)
    try:
        problem = only_problem(read_raw(path, good))
    finally:
        if is_root:
            os.seteuid(0)
    assert problem.code == "E-PATH" and "permission" in problem.rule


def test_read_raw_file_that_grows_while_read_is_refused(good, monkeypatch):
    read_all = rawtable._read_all

    def growing(path):
        data = read_all(path)
        with open(path, "a") as target:
            target.write("S01,2025-02-01,1,2,3,4\n")
        return data

    monkeypatch.setattr(rawtable, "_read_all", growing)
    problem = only_problem(read_raw(good / "weather.csv", good))
    assert problem.code == "E-CHANGED" and "changed" in problem.rule and problem.mend == "run again"


def test_read_raw_too_large_file_is_refused_unread(good):
    with open(good / "plots.csv", "wb") as target:
        target.truncate(rawtable.LARGEST_FILE + 1)
    problem = only_problem(read_raw(good / "plots.csv", good))
    assert problem.code == "E-SIZE" and str(rawtable.LARGEST_FILE + 1) in problem.rule


def test_read_raw_gone_file_is_refused(good):
    assert only_problem(read_raw(good / "plots.csv", good)).code == "E-PATH"
