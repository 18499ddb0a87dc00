"""Every notebook keeps to its anatomy, and the season's data cope with whatever is not there."""

import json
import re
import shutil

import numpy as np
import pandas as pd
import pytest

from culmbook.sheets.read import demo_folder, read_network
from notebook_runs import (
    NOTEBOOKS,
    bundles,
    cells_of,
    figures,
    run_cells,
    sentences,
    shown_by,
    tables,
)
from small_network import Sheet, small_network, write_network

SITES = list(pd.read_csv(demo_folder() / "sites.csv", dtype=str)["site"])
SEASON = "10_season_data.ipynb"
ABOUT_PLOTS = {"status", "map-1", "rounds"}
GONE_WITH = {
    "sites": ABOUT_PLOTS,
    "hybrids": ABOUT_PLOTS,
    "plots": ABOUT_PLOTS,
    "frost_scores": {"agreement"},
    "weather": {"temperatures", "weather-sums", "weather-record-1"},
    "stand_counts": set(),
    "stem_measures": set(),
    "harvests": set(),
    "phenology": set(),
    "freeze_tests": set(),
}
"""What the season's data cannot show when a table is away."""


def scopes():
    """Notebooks that no report holds, by scope; the others run in ``test_season_reports``."""
    about = {
        path.name: json.loads(path.read_text(encoding="utf-8"))["metadata"]["culmbook"]
        for path in sorted(NOTEBOOKS.glob("*.ipynb"))
    }
    return [
        (name, site)
        for name, said in about.items()
        for site in (*SITES, "all")
        if ("network" if site == "all" else "site") in said["scopes"] and not said["report"]
    ]


def season_network():
    """The small network with twelve years of weather and plots scored twice."""
    sheets = small_network()
    days = pd.date_range("2014-07-01", "2026-06-30")
    mean = 10 - 12 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365.25)
    sheets["S01/weather.csv"].rows = [
        [
            "S01",
            f"{day:%Y-%m-%d}",
            f"{m - 4:.1f}",
            f"{m + 4:.1f}",
            "1.5",
            f"{m / 2:.1f}",
            "70",
            "2",
            "9",
            "0",
        ]
        for day, m in zip(days, mean)
    ]
    scores = sheets["S01/frost_scores.csv"]
    scores.rows += [
        [*row[:4], str(int(row[4]) + i % 2), "", "CD"] for i, row in enumerate(list(scores.rows))
    ]
    return sheets


def written(tmp_path, sheets):
    return str(write_network(tmp_path / "net", sheets))


def text_of(shown):
    return " ".join(sentences(shown))


@pytest.mark.parametrize("name, site", scopes())
def test_notebook_outside_reports_runs_for_every_scope(name, site, monkeypatch):
    shown = shown_by(name, monkeypatch, site=site)
    labels = [b["label"] for b in bundles(shown) if b.get("label") and "sentences" not in b]
    assert sentences(shown) and len(labels) == len(set(labels))
    said = {b["see"] for b in bundles(shown) if b.get("see")}
    assert said <= set(labels)  # a finding points at a table or figure that is there


@pytest.mark.parametrize("name", [path.name for path in sorted(NOTEBOOKS.glob("*.ipynb"))])
def test_notebook_keeps_to_its_anatomy(name):
    cells = cells_of(name)
    code = [c for c in cells if c["cell_type"] == "code"]
    assert cells[0]["cell_type"] == "markdown" and "".join(cells[0]["source"]).startswith("# ")
    assert "".join(code[-1]["source"]) == 'print("culmbook: finished")'
    assert not [
        c["id"] for c in code if re.search(r"^\s*(def|class|!|%)", "".join(c["source"]), re.M)
    ]
    if name != "00_template.ipynb":
        assert "*Replace" not in " ".join("".join(c["source"]) for c in cells)


# ---------------------------------------------------------------- the season's data


def test_season_of_a_demo_site_shows_maps_weather_and_work(monkeypatch):
    shown = shown_by(SEASON, monkeypatch, site="MELDO")
    plots = read_network("data/demo", site="MELDO").tables["plots"]
    assert {"map-1", "map-2", "weather-record-1"} <= set(figures(shown))
    assert f"{len(plots)} plots in {plots['trial'].nunique()} trials." in text_of(shown)
    assert f"{(plots['status'] != 'ok').sum()} plots" in text_of(shown)
    assert len(tables(shown)["lost-plots"]["rows"]) == (plots["status"] != "ok").sum()


def test_season_figures_carry_words_and_data(monkeypatch):
    for figure in figures(shown_by(SEASON, monkeypatch, site="all")).values():
        assert (
            figure["caption"].endswith(".") and len(figure["alt"]) > 40 and figure["data"]["rows"]
        )


def test_season_of_a_whole_small_network_shows_everything(tmp_path, monkeypatch):
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, season_network()), site="S01")
    assert set.union(*GONE_WITH.values()) <= {*tables(shown), *figures(shown)}
    assert not sentences(shown, "refusal")


@pytest.mark.parametrize("away", list(GONE_WITH))
def test_season_says_which_table_is_away(away, tmp_path, monkeypatch):
    sheets = {
        name: sheet for name, sheet in season_network().items() if not name.endswith(f"{away}.csv")
    }
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="S01")
    assert re.search(rf"No file came for [^.]*\b{away}\b", text_of(shown))
    assert not GONE_WITH[away] & {*tables(shown), *figures(shown)}
    assert bool(sentences(shown, "refusal")) == bool(GONE_WITH[away])


def test_season_with_plots_only(tmp_path, monkeypatch):
    sheets = {
        name: sheet
        for name, sheet in season_network().items()
        if name.endswith(("sites.csv", "hybrids.csv", "plots.csv"))
    }
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="S01")
    assert "12 plots in 1 trial. All have the status ok. No plot has been counted." in text_of(
        shown
    )
    assert "None of 3 rounds is complete." in text_of(shown)
    assert "Hatched" in figures(shown)["map-1"]["caption"]


def test_season_under_way_lists_the_plots_left(tmp_path, monkeypatch):
    sheets = season_network()
    counts = sheets["S01/stand_counts.csv"]
    counts.rows = [
        [*row[:2], row[2].replace("2025-", "2026-"), *row[3:]]
        for row in counts.rows
        if row[1] != "005" or row[3] != "summer"
    ]
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="S01")
    assert [row[4] for row in tables(shown)["to-measure"]["rows"]] == ["005"]
    assert "stand count in early summer (T24A, 1 plot)" in text_of(shown)


def test_season_of_one_plot_and_one_lost_plot(tmp_path, monkeypatch):
    sheets = {
        name: sheet
        for name, sheet in season_network().items()
        if not name.startswith("S01/") or name.endswith("plots.csv")
    }
    plots = sheets["S01/plots.csv"]
    plots.rows = plots.rows[:2]
    plots.put(3, "status", "damaged").put(3, "status_reason", "hail").put(
        3, "status_cause", "plant"
    )
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="S01")
    assert "1 plot (50 %) is not ok: 1 damaged; 1 lost by the hybrid itself." in text_of(shown)
    assert text_of(shown).count("No plot has been counted.") == 1


def test_season_shows_a_refused_row_first(tmp_path, monkeypatch):
    sheets = season_network()
    sheets["S01/stand_counts.csv"].put(4, "plants_alive", "-3")
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="S01")
    assert "1 row was refused" in text_of(shown)
    assert tables(shown)["look-first"]["rows"][0][0] == "row refused"


def test_agreement_of_observers_in_the_finding_stands_in_its_table(monkeypatch):
    shown = shown_by(SEASON, monkeypatch, site="all")
    said = re.search(r"intraclass correlation\) (\S+) at (\w+)", " ".join(sentences(shown)))
    rows = {row[0]: row for row in tables(shown)["agreement"]["rows"]}
    assert said[1] in rows[said[2]]


def test_season_with_hostile_names_prints_them_as_typed(tmp_path, monkeypatch):
    name, reason = "H$1_*<b>#&'\"\\alpha", "$x$ <script>"
    sheets = season_network()
    for sheet in sheets.values():
        sheet.rows = [[name if cell == "H001" else cell for cell in row] for row in sheet.rows]
    plots = sheets["S01/plots.csv"].put(2, "status", "damaged").put(2, "status_reason", reason)
    assert plots.get(2, "hybrid") == name
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="all")
    row = tables(shown)["lost-plots"]["rows"][0]
    assert name in row and reason in row
    assert "<script>" not in "".join(thing.html() for thing in shown)


def test_season_in_autumn_compares_the_same_part_of_other_winters(tmp_path, monkeypatch):
    folder = tmp_path / "cut"
    shutil.copytree(demo_folder() / "DRYSA", folder / "DRYSA")
    for name in ("sites.csv", "hybrids.csv"):
        shutil.copy(demo_folder() / name, folder / name)
    weather = pd.read_csv(folder / "DRYSA" / "weather.csv", dtype=str)
    weather[weather["date"] <= "2025-12-05"].to_csv(folder / "DRYSA" / "weather.csv", index=False)
    shown = shown_by(SEASON, monkeypatch, data=str(folder), site="DRYSA")
    assert "from 2025-10-01 to 2025-12-05" in text_of(shown)
    assert "Not over in these data: winter 2025/26 and year 2025." in text_of(shown)


def test_season_before_the_first_planting_says_so(monkeypatch):
    shown = shown_by(SEASON, monkeypatch, site="DRYSA", season=2015)
    assert "The table plots has no usable rows" in text_of(shown) and not tables(shown).get(
        "status"
    )


def test_season_of_a_short_weather_record_says_how_short(tmp_path, monkeypatch):
    shown = shown_by(SEASON, monkeypatch, data=written(tmp_path, small_network()), site="S01")
    # the record runs from 1 June to 6 July 2025: 30 of the 91 days of spring, 36 of the season's
    # first 97
    assert "holds too little of season 2025 for any index" in text_of(shown)
    assert "61 of 91 days missing; 61 of 97 days missing" in text_of(shown)


def test_season_of_many_sites_draws_figures_that_fit_the_page(tmp_path, monkeypatch):
    sheets = season_network()
    weather, rows = sheets["S01/weather.csv"], []
    for code in (f"S{i:02d}" for i in range(1, 8)):
        rows.append([code, f"Site {code}", "XA", "50", "3", "40", "loam", "wheat"])
        sheets[f"{code}/plots.csv"] = small_network()["S01/plots.csv"].put_all("site", code)
        sheets[f"{code}/weather.csv"] = Sheet(",".join(weather.header), weather.rows).put_all(
            "site", code
        )
    sheets["sites.csv"].rows = rows
    shown = figures(shown_by(SEASON, monkeypatch, data=written(tmp_path, sheets), site="all"))
    assert {"map-1", "scored-twice", "weather-record-1"} == set(shown)
    assert max(figure["height_in"] for figure in shown.values()) <= 9


def test_a_mistyped_trial_stops_the_template_with_the_trials_there_are():
    with pytest.raises(ValueError, match="trial = 'UPLEN99'.*trials there are: MEL"):
        run_cells("00_template.ipynb", trial="UPLEN99")
