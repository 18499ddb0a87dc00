"""The demo's files: which table goes where, in which form."""

from make_demo.scenario import CLONE, FINE, STANDARD, TALL
from make_demo.write import write_csv, write_xlsx

ROOT_TABLES = ("sites", "hybrids", "freeze_tests", "decisions", "corrections")
OPTIONAL = ("replants_alive", "soil_temperature_5cm_min_c")
# one continental export with semicolons and decimal commas, and one workbook, as they come in
SEMICOLON = {("DRYSA", "harvests")}
WORKBOOK = {("UPLEN", "phenology")}

README = """This trial network is invented.

No site, hybrid, person, season or measurement in this folder is real. Coordinates lie
in open water and country codes are from the range that ISO 3166-1 leaves to users.
The files are written by `make demo`; do not edit them by hand.
`make_demo.truth()` tells what is true here.

Sites     MELDO  maritime, machine planting, planted 2022 and 2025
          KRAVO  continental, planting method x film in main plots, 2022 and 2025
          DRYSA  warm and dry, hand planting, 2023 and 2025
          UPLEN  upland and wet, planting method x film in main plots, 2022 and 2025;
                 no soil probe
          ISKEY  ocean island, machine planting, 2023 and 2025
Entries   24 candidates H01 ... H24 and two controls: STD (raised in plugs) and CLONE
          (raised from rhizomes). KRAVO and UPLEN hold every other candidate each.
Counts    up to 24 June 2026; weather from July 2006 to June 2026.

Faults put in on purpose, as real sheets have them: damaged and abandoned plots with
reasons, plots not cut or not counted, lost moisture samples, a blocked planter unit in
six plots, two replanted plots (one sheet tells replants apart, one does not), plants
that emerged late, one fresh mass with a slipped unit, one height that fell, two
exchanged labels, an observer who scores high, nine days without weather, a decimal-comma
file, a workbook, and one mistyped count that corrections.csv puts right.
"""

SETTINGS = f"""# Settings of the invented demo network. Every key has a default; these are the ones we state.
controls = ["{STANDARD}", "{CLONE}"]
reference_control = "{STANDARD}"
crop_types = ["{TALL}", "{FINE}"]

[stand]
good = 0.85
fill = 0.70

[degree_days]
base_c = 10.0

# A good hybrid dropped is lost for good; a poor one promoted costs a few large plots. Prices are invented.
[selection]
delta = 0.05
k = 4
costs = {{wrong_promote = 1.0, wrong_drop = 3.0, hold = 0.05}}
floors = {{stand = 0.60, lt50_c = -2.5, moisture_pct = 30.0}}
weights = {{yield_t_ha = 60.0, moisture_pct = -6.0}}

[report]
network = "Invented demo network"
notice = "All data in this report are invented."
"""


def write_network(tables, folder):
    """Write a network folder: root tables, one folder for each site, settings and a read-me.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        As `make_demo.network.make_tables` gives them.
    folder : pathlib.Path
        Made if absent; files of the same names are replaced.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        if name in ROOT_TABLES:
            write_csv(folder / f"{name}.csv", frame)
            continue
        for site, rows in frame.groupby("site", sort=False):
            (folder / site).mkdir(exist_ok=True)
            _write_site_table(folder / site, site, name, _observed(rows))
    (folder / "README.txt").write_text(README, encoding="utf-8", newline="\n")
    (folder / "settings.toml").write_text(SETTINGS, encoding="utf-8", newline="\n")


def _observed(rows):
    """Without the optional columns in which a site has nothing."""
    return rows.drop(columns=[c for c in OPTIONAL if c in rows and rows[c].isna().all()])


def _write_site_table(folder, site, name, rows):
    if (site, name) in WORKBOOK:
        write_xlsx(folder / f"{name}.xlsx", rows)
    elif (site, name) in SEMICOLON:
        write_csv(folder / f"{name}.csv", rows, delimiter=";", decimal=",")
    else:
        write_csv(folder / f"{name}.csv", rows)
