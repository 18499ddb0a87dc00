"""The report's appendix: data used, rows refused, corrections, methods, cautions,
versions.
"""

from importlib.metadata import version

import pandas as pd

from culmbook.report.compose import Composed, table_block
from culmbook.report.markdown import paragraph
from culmbook.show.headings import Column
from culmbook.show.page import ReportTable, table

NETWORK_SCOPES = ("all", "network")
MOST_ROWS, MOST_NOTES = 150, 40
"""Longest lists of refused rows and of notes that are printed; the workbook holds all of them."""
PACKAGES = ("culmbook", "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "typst")

CAUTIONS = (
    "Results hold for the sites, ages, winters and protocols that were tested. Elsewhere they are no forecast; trials "
    "usually show more than farms do.",
    "Intervals show what this season, these sites and this design leave uncertain; they know nothing of seasons not "
    "sampled, or of faults nobody wrote down.",
    "Hybrids that flower and set fertile seed can spread beyond the plot. Whether a hybrid may be grown, where, and with "
    "which buffer is for the plant-health and invasive-species rules of the country to say.",
    "Film: whether it may stay in the field, and how it is taken off and disposed of, is for the maker and local rules "
    "on waste.",
    "Freezers and cryogens: bare skin burns on contact, and evaporating gas takes the air's place in a closed room. "
    "Ventilate, wear gloves and face protection, never work alone.",
    "Planters, film layers, cutters and balers: guards stay on, nobody clears a blockage while the drive turns, and the "
    "maker's instructions come first.",
    "Bales: dust and mould harm lungs, damp bales heat and can burn, and closed stores can fill with carbon monoxide.",
    "This report is not agronomic, legal or investment advice. Local codes of practice, and people qualified and licensed "
    "in them, decide.",
)


def of_site(frame: pd.DataFrame, site: str) -> pd.DataFrame:
    """Keep the rows that touch a site: its own, and those that belong to no site."""
    if site in NETWORK_SCOPES or "site" not in frame.columns:
        return frame
    return frame[frame["site"].isna() | (frame["site"] == site)]


def _corrections_of(network, site: str) -> pd.DataFrame:
    """Keep the corrections that touch a site; a key starts with its row's site, where the row has
    one.
    """
    first = network.corrections["key"].astype("str").str.split("/").str[0]
    others = set(network.tables["sites"]["site"]) - {site}
    elsewhere = first.isin(others) & (network.corrections["table"] != "sites")
    return network.corrections if site in NETWORK_SCOPES else network.corrections[~elsewhere]


def _problem_table(problems: pd.DataFrame, label: str, caption: str, seen: str) -> ReportTable:
    places = []
    for row in problems.itertuples():
        line = f"line {row.line}" if pd.notna(row.line) else ""
        column = f"column {row.column}" if pd.notna(row.column) else ""
        places.append(", ".join(filter(None, [str(row.file), line, column])))
    columns = {
        "code": Column("Code", meaning="Kind of problem; E- refuses, N- is a note."),
        "place": Column("Where", meaning="File, line (sheet row) and column."),
        "value": Column("Value", meaning="The cell as it stands in the file."),
        "rule": Column(seen, meaning="The rule that the value breaks, or what was noticed."),
        "mend": Column("How to fix it", meaning="What to change in the sheet."),
    }
    shown = problems.assign(place=places)
    return table(shown, columns, label=label, key="", caption=caption)


def data_tables(network, site: str) -> list[ReportTable]:
    """Make the tables about the data themselves; they go into the appendix and the workbook.

    Parameters
    ----------
    network : culmbook.sheets.read.Network
        With `files`, `problems`, `corrections` and `tables`.
    site : str
        A site code, or "all" for the network.

    Returns
    -------
    list of ReportTable
        Labels "files", "refused", "notes", "corrections"; empty ones left out.
    """
    problems = of_site(network.problems, site)
    is_note = problems["severity"] == "note"
    refused = problems[~is_note].sort_values("severity", kind="stable")  # files first
    corrections = _corrections_of(network, site)
    made = [_files_table(of_site(network.files, site), corrections)]
    if len(refused):
        caption = "Files and rows refused: they are in no number."
        made.append(_problem_table(refused, "refused", caption, "What is wrong"))
    if is_note.any():
        caption = "Notes on the files: read and used, but worth a look."
        made.append(_problem_table(problems[is_note], "notes", caption, "What was noticed"))
    if len(corrections):
        made.append(_corrections_table(corrections))
    return made


def _files_table(files: pd.DataFrame, corrections: pd.DataFrame) -> ReportTable:
    kept = files["rows_kept"].mask(files["table"] == "corrections", corrections["applied"].sum())
    used = "Rows that passed every check; of corrections, those applied."
    columns = {
        "file": Column("File", meaning="Path within the network folder."),
        "rows": Column("Rows", kind="count", meaning="Data rows in the file."),
        "rows_kept": Column("Rows used", kind="count", meaning=used),
        "short": Column("SHA-256", meaning="First 12 digits of the file's SHA-256 hash."),
    }
    return table(
        files.assign(short=files["sha256"].str.slice(0, 12), rows_kept=kept),
        columns,
        label="files",
        caption="Files read.",
        note="The hash is that of the file as it was read; its first 12 digits are given. A file for the whole "
        "network also holds rows of other sites, which a site's report does not use.",
    )


def _corrections_table(corrections: pd.DataFrame) -> ReportTable:
    heads = ("table", "key:Row", "column", "old_value", "new_value", "by", "on", "why", "outcome")
    columns = _headed(*heads)
    if pd.api.types.is_datetime64_any_dtype(corrections["on"]):
        columns["on"] = Column("On", kind="date")
    caption = "Corrections kept beside the raw sheets, and what became of each."
    return table(corrections, columns, label="corrections", key="", caption=caption)


def _headed(*names: str) -> dict[str, Column]:
    """Give text columns whose headings are their names, or what stands after a colon."""
    pairs = (name.partition(":")[::2] for name in names)
    return {name: Column(said or name.replace("_", " ").capitalize()) for name, said in pairs}


def _blocks(tables: list[ReportTable], *labels: str) -> list[dict]:
    found = {shown.label: shown for shown in tables if shown.label in labels}
    most = {"notes": MOST_NOTES}
    return [
        table_block(found[label].bundle(), f"appendix/{label}", most.get(label, MOST_ROWS))
        for label in labels
        if label in found
    ]


def appendix(composed: Composed, tables: list[ReportTable]) -> list[dict]:
    """Give the appendix's sections.

    Parameters
    ----------
    composed : Composed
        Content of the notebooks; its `appendix` holds the methods.
    tables : list of ReportTable
        From `data_tables`.

    Returns
    -------
    list of dict
        ``{"title", "blocks"}`` each.
    """
    methods = []
    for part in composed.appendix:
        title = {"t": "heading", "level": 2, "c": [{"t": "text", "s": part["title"]}]}
        methods += [title, *part["blocks"]]
    software = table(
        pd.DataFrame({"package": PACKAGES, "version": map(version, PACKAGES)}),
        _headed("package", "version"),
        label="versions",
        caption="Software that computed this report.",
    )
    items = [[paragraph(caution)] for caution in CAUTIONS]
    cautions = {"t": "list", "ordered": False, "start": 1, "items": items}
    sections = {
        "Data used": _blocks(tables, "files", "corrections") or "No file was read.",
        "Rows refused": _blocks(tables, "refused", "notes") or "No row or file was refused.",
        "Methods and references": methods or "The sections name their methods where they use them.",
        "Cautions": [cautions],
        "Versions": _blocks([software], "versions"),
    }
    return [
        {"title": title, "blocks": [paragraph(found)] if isinstance(found, str) else found}
        for title, found in sections.items()
    ]
