"""settings.toml: every key has a default, unknown keys and bad values are refused with their line."""

import pytest

from culmbook.sheets.read import read_network
from culmbook.sheets.settings import Settings, read_settings, settings_page
from small_network import TODAY, small_network, write_network


def read(tmp_path, text, hybrids=("C1", "C2", "H1")):
    path = tmp_path / "settings.toml"
    path.write_text(text)
    return read_settings(path, set(hybrids))


def test_no_file_gives_the_defaults(tmp_path):
    assert read_settings(tmp_path / "settings.toml") == (Settings(), [])


def test_printed_page_reads_back_as_the_defaults(tmp_path):
    assert read(tmp_path, settings_page()) == (Settings(), [])


def test_values_are_taken(tmp_path):
    settings, problems = read(
        tmp_path,
        'controls = ["C1", "C2"]\nreference_control = "C1"\n[stand]\ngood = 0.9\n'
        "[selection]\nfloors = {stand = 0.7}\n[frost]\nhard_frost_c = -5\n",
    )
    assert problems == [] and settings.controls == ("C1", "C2") and settings.stand.good == 0.9
    assert settings.selection.floors == {"stand": 0.7} and settings.frost.hard_frost_c == -5.0


@pytest.mark.parametrize(
    "text, line, says",
    [
        ("controls = []\n[stand]\ngod = 0.9", 3, "did you mean good?"),
        ("[stnd]\ngood = 0.9", 1, "did you mean stand?"),
        ("\n[stand]\nlongest_gap = 2.5", 3, "whole number"),
        ("[stand]\nlongest_gap = true", 2, "whole number"),
        ("[stand]\ngood = 85", 2, "from 0 to 1"),
        ("[stand]\ngood = nan", 2, "a number"),
        ("[stand]\ngood = '0.9'", 2, "a number"),
        ("controls = 'C1'", 1, "a list of texts"),
        ("controls = ['C9']", 1, "C9 is no hybrid"),
        ("controls = ['C1']\nreference_control = 'C2'", 2, "one of the controls"),
        ("[stand]\ngood = 0.5", 1, "rank_floor"),
        ("stand = 3", 1, "section"),
        ("[selection]\ncosts = {wrong_drp = 1}", 2, "did you mean wrong_drop?"),
        ("stand.god = 3", 1, "did you mean good?"),
        ("[selection]\nk = 3\nfloors = {stnd = 0.7}", 3, "did you mean stand?"),
        ("[selection.floors]\nstand = 0.7\nlt50 = -3", 3, "did you mean lt50_c?"),
        ("[selection]\nfloors = {stand = 65}", 2, "from 0 to 1 share"),
        ("[selection]\nfloors = {lt50_c = 3}", 2, "from -40 to 0 °C"),
        ("[selection]\nweights = {moisture_pct = 4}", 2, "0 or under"),
        ("[selection]\nweights = {yield_t_ha = -4}", 2, "0 or over"),
        ("[selection]\ncosts = {hold = -1}", 2, "from 0"),
        (f"[report]\nnotice = '{'x' * 201}'", 2, "from 0 to 200 characters"),  # two lines
    ],
)
def test_bad_key_or_value_is_refused_with_its_line(tmp_path, text, line, says):
    settings, problems = read(tmp_path, text)
    assert settings == Settings() and [p.code for p in problems] == ["E-SETTINGS"]
    assert problems[0].line == line and says in f"{problems[0].rule} {problems[0].mend}"


def test_costs_left_out_keep_their_default(tmp_path):
    settings, problems = read(tmp_path, "[selection]\ncosts = {wrong_drop = 4}")
    assert problems == []
    assert settings.selection.costs == {"wrong_promote": 1.0, "wrong_drop": 4, "hold": 0.05}


def test_page_says_which_way_a_floor_holds():
    line = next(line for line in settings_page().splitlines() if line.startswith("floors"))
    assert "stand at least [share]" in line and "moisture_pct at most [%]" in line


def test_all_faults_come_in_one_pass(tmp_path):
    assert len(read(tmp_path, "a = 1\nb = 2\n[stand]\ngood = 'x'\nfill = 7")[1]) == 4


def test_broken_file_is_refused_and_stops_every_site(tmp_path):
    sheets = small_network() | {"settings.toml": "controls = ["}
    network = read_network(write_network(tmp_path, sheets), today=TODAY)
    assert network.problems["code"].tolist() == ["E-SETTINGS"]
    assert "settings.toml was refused" in network.stopped("S01", "plots")
    assert network.stopped("all", "plots") and network.is_incomplete("S02")
