"""Write the demo tables as files that are the same, byte for byte, at every run."""

import csv
import zipfile
from datetime import date, datetime
from io import BytesIO

import pandas as pd
import xlsxwriter

DECIMALS = {
    "latitude": 2,
    "longitude": 2,
    "plot_length_m": 1,
    "plot_width_m": 1,
    "harvest_area_m2": 1,
    "leaf_killed_pct": 0,
    "temperature_c": 1,
    "leakage_initial": 1,
    "leakage_after": 1,
    "leakage_total": 1,
    "stem_height_cm": 0,
    "stem_diameter_mm": 1,
    "stem_dry_mass_g": 1,
    "leaf_fraction": 2,
    "harvested_area_m2": 1,
    "fresh_mass_kg": 1,
    "subsample_fresh_g": 1,
    "subsample_dry_g": 1,
    "cut_height_cm": 0,
    "lodged_pct": 0,
    "ash_pct": 2,
    "air_temperature_min_c": 1,
    "air_temperature_max_c": 1,
    "precipitation_mm": 1,
    "soil_temperature_5cm_min_c": 1,
    "relative_humidity_pct": 0,
    "wind_speed_2m_m_s": 1,
    "shortwave_mj_m2": 1,
    "snow_depth_cm": 0,
}
FIXED_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that an archive can hold
# the one column where NA is a value: the unfrozen control of a freezer run
BLANK_AS = {"temperature_c": "NA"}


def as_text(frame):
    """Every cell as it is to stand in a file; missing cells are blank.

    Parameters
    ----------
    frame : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        Text columns: ISO dates, numbers with the decimals that field sheets carry.
    """
    return pd.DataFrame(
        {
            name: [
                BLANK_AS.get(name, "") if pd.isna(v) else _cell(v, DECIMALS.get(name))
                for v in frame[name]
            ]
            for name in frame.columns
        }
    )


def write_csv(path, frame, delimiter=",", decimal="."):
    """Write a table of text cells as UTF-8 CSV with LF line ends.

    Parameters
    ----------
    path : pathlib.Path
    frame : pandas.DataFrame
        Numbers keep their type until here, so that a decimal comma touches only them.
    delimiter, decimal : str
    """
    text = as_text(frame)
    for name in frame.columns if decimal != "." else ():
        if name in DECIMALS:
            text[name] = text[name].str.replace(".", decimal)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, delimiter=delimiter, lineterminator="\n")
        writer.writerow(text.columns)
        writer.writerows(text.itertuples(index=False))


def write_xlsx(path, frame):
    """Write a table as a one-sheet workbook: codes as text, dates as dates, numbers as numbers.

    Parameters
    ----------
    path : pathlib.Path
    frame : pandas.DataFrame
    """
    packed = BytesIO()
    with xlsxwriter.Workbook(packed, {"in_memory": True}) as book:
        book.set_properties({"author": "culmbook", "created": datetime(*FIXED_DATE)})
        sheet = book.add_worksheet(path.stem)
        for column, name in enumerate(frame.columns):
            sheet.write_string(0, column, name)
            form = {"M": "yyyy-mm-dd", "O": "@"}.get(frame[name].dtype.kind, "General")
            form = book.add_format({"num_format": form})
            for row, value in enumerate(frame[name], start=1):
                if isinstance(value, str):
                    sheet.write_string(row, column, value, form)
                elif not pd.isna(value):
                    sheet.write(row, column, value, form)
    # stored, not compressed: the bytes then do not depend on the machine's zlib
    with zipfile.ZipFile(packed) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            target.writestr(zipfile.ZipInfo(name, FIXED_DATE), source.read(name))


def _cell(value, decimals):
    if isinstance(value, (pd.Timestamp, date)):
        return value.strftime("%Y-%m-%d")
    if decimals is not None and not isinstance(value, str):
        text = f"{value:.{decimals}f}"
        return text.replace("-", "") if float(text) == 0 else text
    return str(value)
