"""A small part of the demo, without one of its tables."""

import shutil

import pandas as pd

from culmbook.sheets.read import demo_folder

SITES = ("DRYSA", "MELDO")  # a simple trial, and one with records of gaps


def rows_of(path):
    """A sheet as text, and how it is written."""
    coding = "utf-8-sig" if path.read_bytes().startswith(b"\xef\xbb\xbf") else "utf-8"
    way = {"sep": ";" if ";" in path.read_text(coding).splitlines()[0] else ",", "encoding": coding}
    return pd.read_csv(path, dtype=str, keep_default_na=False, **way), way


def taken_away(folder, table, at):
    """Every other hybrid of two demo sites, without a table at one of them or at all ('*')."""
    for path in demo_folder().glob("*.*"):
        folder.mkdir(exist_ok=True)
        shutil.copy(path, folder)
    for site in SITES:
        (folder / site).mkdir()
        plots = rows_of(demo_folder() / site / "plots.csv")[0]
        names = sorted(plots["hybrid"].unique())
        kept = plots.loc[plots["hybrid"].isin([*names[::2], "STD"]), "plot"]
        for path in (demo_folder() / site).glob("*.csv"):
            rows, way = rows_of(path)
            if "plot" in rows:
                rows = rows[rows["plot"].isin(kept)]
            rows.to_csv(folder / site / path.name, index=False, **way)
    for path in [*folder.glob(f"{at}/{table}.*"), *folder.glob(f"{table}.*")]:
        path.unlink()
    return folder
