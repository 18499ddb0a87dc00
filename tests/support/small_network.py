"""A small good network, invented: two sites, four hybrids, twelve plots; every sheet reads without
a word.
"""

import csv
import io
from datetime import date, timedelta
from pathlib import Path

TODAY = date(2025, 12, 31)
PLOTS = [f"{i:03d}" for i in range(1, 13)]
HYBRIDS = ["H001", "H002", "H003", "H004"]


class Sheet:
    """Header and rows of one table as text, with what a test needs to spoil them."""

    def __init__(self, header, rows):
        self.header, self.rows = header.split(","), [[str(cell) for cell in row] for row in rows]

    def place(self, column):
        return self.header.index(column)

    def get(self, line, column):
        return self.rows[line - 2][self.place(column)]

    def put(self, line, column, value):
        """Write a cell by its line in the file; the header is line 1."""
        self.rows[line - 2][self.place(column)] = value
        return self

    def put_all(self, column, value):
        """Write a whole column; `value` may be a function of the old text."""
        for row in self.rows:
            old = row[self.place(column)]
            row[self.place(column)] = value(old) if callable(value) else value
        return self

    def drop(self, column):
        i = self.place(column)
        for row in [self.header, *self.rows]:
            del row[i]
        return self

    def text(self, delimiter=",", end="\n"):
        out = io.StringIO()
        csv.writer(out, delimiter=delimiter, lineterminator=end).writerows(
            [self.header, *self.rows]
        )
        return out.getvalue()


def small_network():
    """Return the sheets by path within the network folder."""
    return {
        "sites.csv": Sheet(
            "site,site_name,country,latitude,longitude,altitude_m,soil_texture,previous_crop",
            [
                ["S01", "First site", "XA", 50.5, 3.25, 40, "loam", "wheat"],
                ["S02", "Second site", "XB", 52.5, 5.25, 5, "clay", "barley"],
            ],
        ),
        "hybrids.csv": Sheet(
            "hybrid,role,propagation,stage,crop_type,seed_lot,female_parent,male_parent",
            [
                [
                    h,
                    "control" if h == "H004" else "candidate",
                    "plug",
                    "replicated",
                    "one",
                    "L1",
                    "F",
                    "M",
                ]
                for h in HYBRIDS
            ],
        ),
        "S01/plots.csv": _plots("S01"),
        "S02/plots.csv": _plots("S02"),
        "S01/stand_counts.csv": _stand_counts(),
        "S01/harvests.csv": _harvests(),
        "S01/stem_measures.csv": _stem_measures(),
        "S01/weather.csv": _weather(),
        "S01/phenology.csv": _phenology(),
        "S01/frost_scores.csv": _frost_scores(),
        "freeze_tests.csv": _freeze_tests(),
    }


def _plots(site):
    header = (
        "site,plot,trial,replicate,block,row,column,main_plot,hybrid,planting_method,film,planted_on,"
        "plot_length_m,plot_width_m,harvest_area_m2,plants_planted,status,status_reason,status_cause"
    )
    return Sheet(
        header,
        [
            [
                site,
                plot,
                "T24A",
                1 + i // 4,
                f"B{1 + i // 2}",
                1 + i // 4,
                1 + i % 4,
                "",
                HYBRIDS[(i + i // 4) % 4],
                "machine",
                "none",
                "2024-05-10",
                6,
                4,
                12,
                36,
                "ok",
                "",
                "",
            ]
            for i, plot in enumerate(PLOTS)
        ],
    )


def _stand_counts():
    header = "site,plot,counted_on,occasion,plants_alive,plants_replanted,emerged_late,replants_alive,observer"
    days = (
        ("2024-06-20", "after_planting", 35),
        ("2024-10-05", "autumn", 32),
        ("2025-06-22", "summer", 30),
    )
    return Sheet(
        header,
        [
            ["S01", plot, day, occasion, alive - i % 3, 0, "no", 0, "AB"]
            for i, plot in enumerate(PLOTS)
            for day, occasion, alive in days
        ],
    )


def _harvests():
    header = (
        "site,plot,growing_season,harvested_on,harvested_area_m2,fresh_mass_kg,subsample_fresh_g,"
        "subsample_dry_g,cut_height_cm,lodged_pct,ash_pct,status,status_reason"
    )
    cuts = ((2024, "2025-02-20", 4.5, 301.5), (2025, "2025-12-15", 15.5, 275.5))
    return Sheet(
        header,
        [
            [
                "S01",
                plot,
                season,
                day,
                12.5,
                fresh + 0.25 * (i % 4),
                500.5 + i,
                dry + i,
                10,
                0,
                2.5 + 0.1 * (i % 3),
                "ok",
                "",
            ]
            for i, plot in enumerate(PLOTS)
            for season, day, fresh, dry in cuts
        ],
    )


def _stem_measures():
    header = (
        "site,plot,growing_season,measured_on,plant,stems,stem_height_cm,height_method,stem_diameter_mm,"
        "stem_dry_mass_g,leaf_fraction"
    )
    return Sheet(
        header,
        [
            [
                "S01",
                plot,
                2025,
                "2025-11-20",
                plant,
                20 + i % 4,
                150.5 + 2 * i + plant,
                "ligule",
                8.5 + 0.1 * (i % 5),
                24.5 + 0.5 * (i % 4),
                0.25 + 0.01 * (i % 3),
            ]
            for i, plot in enumerate(PLOTS)
            for plant in (1, 2, 3)
        ],
    )


def _weather():
    header = (
        "site,date,air_temperature_min_c,air_temperature_max_c,precipitation_mm,soil_temperature_5cm_min_c,"
        "relative_humidity_pct,wind_speed_2m_m_s,shortwave_mj_m2,snow_depth_cm"
    )
    return Sheet(
        header,
        [
            [
                "S01",
                date(2025, 6, 1) + timedelta(days=i),
                8.5 + 0.1 * i,
                19.5 + 0.2 * i,
                0.2 * (i % 4),
                12.5 + 0.1 * i,
                70.5 + i % 5,
                2.1,
                18.5 + 0.1 * i,
                0,
            ]
            for i in range(36)
        ],
    )


def _phenology():
    header = "site,plot,growing_season,emerged_on,flowered,flowered_on,senescence_score"
    return Sheet(
        header,
        [
            ["S01", plot, 2025, f"2025-05-{1 + i:02d}", "yes", f"2025-09-{1 + i:02d}", 5]
            for i, plot in enumerate(PLOTS)
        ],
    )


def _frost_scores():
    header = "site,plot,frost_on,scored_on,damage_score,leaf_killed_pct,observer"
    return Sheet(
        header,
        [
            ["S01", plot, "2025-05-04", "2025-05-08", i % 4, 10 * (i % 4), "AB"]
            for i, plot in enumerate(PLOTS)
        ],
    )


def _freeze_tests():
    header = (
        "run,tested_on,protocol,hybrid,tissue,temperature_c,units_tested,units_alive,source_site,lifted_on,unit,"
        "leakage_initial,leakage_after,leakage_total"
    )
    return Sheet(
        header,
        [
            [
                "R1",
                "2025-01-20",
                "P1",
                hybrid,
                "rhizome",
                temperature,
                10,
                alive,
                "S01",
                "2025-01-10",
                "",
                "",
                "",
                "",
            ]
            for hybrid in HYBRIDS
            for temperature, alive in (("NA", 10), (-2, 9), (-6, 2))
        ],
    )


def write_network(folder, sheets):
    """Write sheets (``Sheet``, text or bytes) under `folder` and return it."""
    folder = Path(folder)
    for name, sheet in sheets.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        content = sheet.text() if isinstance(sheet, Sheet) else sheet
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder
