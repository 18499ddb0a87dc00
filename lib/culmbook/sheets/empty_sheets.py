"""Empty sheets to print, type into and read back: one workbook for each table.

A sheet holds a title line, a line of units, the line of column names that the reader
looks for, and then the plots in the order in which the field is walked. The hybrid is not
on it: whoever counts or scores should not know which entry stands there.
"""

from pathlib import Path
from textwrap import wrap

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.pagebreak import Break

from culmbook.sheets.dictionary import column_dictionary, tables
from culmbook.sheets.grid import MUST_BE_FILLED, READ_ME, READ_ME_BEGINS
from culmbook.sheets.headers import WALK
from culmbook.text.workbook_bytes import workbook_bytes

TITLE_ROW, UNIT_ROW, HEADER_ROW = 1, 2, 3
SPARE_ROWS = 200
HINT_WIDTH = 12
"""Characters of the line of units that fit beside one another in the narrowest column."""
PLANTS_PER_PLOT = 5
THIN = Side(style="thin", color="999999")
HOW_TO = (
    READ_ME_BEGINS,
    "Leave a cell blank when something was not observed; write 0 only when none was there.",
    "Leave codes and dates as text: dates are year-month-day, such as 2025-10-07.",
    "Do not rename, reorder or merge the column names; a column of your own may be added at the right.",
)
HOW_TO_WALK = (
    "Leave the row of a plot that you did not visit as it is, or delete it.",
    "The hybrid is left out on purpose; the plots table knows it.",
)


def write_sheets(out, network=None, table=None, site=None, season=None):
    """Write empty sheets for typing observations into.

    Parameters
    ----------
    out : str or path-like
        Folder to write into, made if absent; a file that is there already is never replaced.
    network : culmbook.sheets.read.Network, optional
        With it, the sheets of tables about plots are filled with the plots of each site's
        trials, in walking order, one folder for each site; abandoned plots are left out. Tables that
        are not about plots are then written only when asked for by name.
    table : str, optional
        One table instead of all.
    site : str, optional
        One site of the network instead of all.
    season : int, optional
        Growing season [year] to fill in; trials planted later are left out.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    ValueError
        If there is no such table or site, a site or season comes without a network, no plot is left,
        or a file stands in the way.
    """
    planned = _planned(Path(out), _chosen_tables(table), network, site, season)
    for path, _ in planned:
        if path.exists():
            raise ValueError(
                f"{path} is already there and may hold observations; "
                "choose another folder or move it"
            )
    for path, rows in planned:
        _write(path, rows, season)
    return [path for path, _ in planned]


def _planned(out, chosen, network, site, season):
    """Pairs of a file and the rows to fill in, or None for an empty sheet."""
    if network is None and (site is not None or season is not None):
        raise ValueError("site and season need a network: give the folder with --data")
    about_plots = [name for name in chosen if _is_about_plots(name)]
    if network is None or not about_plots:
        return [(out / f"{name}.xlsx", None) for name in chosen]
    planned = []
    for code in _chosen_sites(network, site):
        plots = _standing_plots(network, code, season)
        planned += [
            (out / code / f"{name}.xlsx", _prefilled(name, plots, network, season))
            for name in about_plots
        ]
    return planned


def _is_about_plots(name):
    return name != "plots" and "plot" in tables()[name].columns


def _chosen_tables(table):
    known = list(tables())
    if table is not None and table not in known:
        raise ValueError(f"no table {table!r}; there are {', '.join(known)}")
    return known if table is None else [table]


def _chosen_sites(network, site):
    known = list(network.tables["plots"]["site"].unique())
    if site in (None, "all"):
        return known
    if site not in known:
        raise ValueError(
            f"no plots of site {site!r}; there are plots of {', '.join(known) or 'no site'}"
        )
    return [site]


def _standing_plots(network, site, season):
    """Plots of a site that still stand, in walking order: up one field row and down the next."""
    plots = network.tables["plots"]
    plots = plots[(plots["site"] == site) & (plots["status"] != "abandoned")]
    if season is not None:
        plots = plots[plots["planted_on"].isna() | (plots["planted_on"].dt.year <= season)]
    if plots.empty:
        raise ValueError(
            f"site {site} has no standing plot" + (f" planted by {season}" if season else "")
        )
    back = plots["column"].where(plots["row"] % 2 == 1, -plots["column"])
    return plots.assign(along=back).sort_values(
        ["trial", "row", "along", "plot"], ignore_index=True
    )


def _prefilled(name, plots, network, season):
    """Rows with what is known before the walk; every other column stays blank."""
    rows = plots[["site", "plot", *WALK]]
    if name == "stem_measures":
        rows = rows.merge(
            pd.DataFrame({"plant": [str(i + 1) for i in range(PLANTS_PER_PLOT)]}), how="cross"
        )
    if name == "plant_gaps":
        rows = _with_positions(rows, network)
    if season is not None and "growing_season" in tables()[name].columns:
        rows = rows.assign(growing_season=season)
    return rows


def _with_positions(rows, network):
    """One row for each plant position mapped before; a plot never mapped has one row."""
    columns = ["site", "plot", "position_row", "position"]
    known = network.tables["plant_gaps"][columns].drop_duplicates().sort_values(columns)
    order = rows.assign(walk=range(len(rows)))
    merged = order.merge(known, on=["site", "plot"], how="left")
    return merged.sort_values(["walk", "position_row", "position"], ignore_index=True).drop(
        columns="walk"
    )


def _write(path, rows, season):
    book = Workbook()
    _fill_sheet(book.active, tables()[path.stem], rows, season)
    _fill_read_me(book.create_sheet(READ_ME), path.stem)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(workbook_bytes(book))


def _fill_sheet(sheet, table, rows, season):
    sheet.title = table.name
    columns = _columns(table, rows)
    last = HEADER_ROW + (SPARE_ROWS if rows is None else len(rows))
    _write_heading(sheet, table, columns, rows, season)
    for place, name in enumerate(columns, start=1):
        field = table[name] if name in table.columns else None
        _format_column(sheet, place, field, 0 if rows is None else len(rows))
        if field is not None:
            _add_validation(sheet, place, field, last + SPARE_ROWS)
    if rows is not None:
        _write_rows(sheet, columns, rows)
    _set_up_print(sheet, len(columns), last)


def _columns(table, rows):
    if rows is None:
        return table.columns
    places = [name for name in WALK if name not in table.columns]
    return [
        "site",
        "plot",
        *places,
        *[name for name in table.columns if name not in ("site", "plot")],
    ]


def _write_heading(sheet, table, columns, rows, season):
    what = f"{table.title}: {table.description[0].lower()}{table.description[1:]}"
    where = "" if rows is None else f". Site {rows['site'].iloc[0]}"
    sheet.cell(TITLE_ROW, 1, what + where + (f", season {season}" if season else "")).font = Font(
        bold=True
    )
    sheet.row_dimensions[HEADER_ROW].height = 112
    n_lines = 1
    for place, name in enumerate(columns, start=1):
        field = table[name] if name in table.columns else None
        unit = sheet.cell(UNIT_ROW, place, _hint(field))
        n_lines = max(n_lines, len(wrap(unit.value, HINT_WIDTH)))
        unit.font = Font(italic=True, size=8)
        unit.alignment = Alignment(wrap_text=True, vertical="bottom")
        head = sheet.cell(HEADER_ROW, place, name)
        head.font = Font(bold=True)
        head.alignment = Alignment(text_rotation=90 if len(name) > 14 else 0, vertical="bottom")
        head.border = Border(bottom=Side(style="medium"))
    sheet.row_dimensions[UNIT_ROW].height = 11.5 * n_lines + 4


def _hint(field):
    """What the printed sheet says above a column's name: allowed words, or the unit."""
    if field is None:
        return "for the walk"
    needed = f" {MUST_BE_FILLED}" if field.required else ""
    unit = "year-month-day" if field.type == "date" else field.unit
    return (" / ".join(field.enum) or unit or field.content) + needed


def _format_column(sheet, place, field, n_rows):
    """Format the column as a whole, so that rows added later keep it, and each cell there is."""
    dimension = sheet.column_dimensions[get_column_letter(place)]
    form = "@" if field is not None and field.type in ("string", "date") else "General"
    dimension.width = 12 if form == "@" else 10
    dimension.number_format = form
    for row in range(HEADER_ROW + 1, HEADER_ROW + n_rows + 1):
        cell = sheet.cell(row, place)
        cell.border = Border(bottom=THIN, right=THIN)
        cell.number_format = form


def _add_validation(sheet, place, field, last):
    rule = _validation(field)
    if rule is None:
        return
    rule.allow_blank = True
    rule.promptTitle = field.title[:32]
    rule.prompt = f"{field.description}. {field.allowed}"[:255]
    rule.errorTitle = field.name[:32]
    rule.error = f"Allowed: {field.allowed}"[:225]
    rule.showInputMessage = rule.showErrorMessage = True
    letter = get_column_letter(place)
    rule.add(f"{letter}{HEADER_ROW + 1}:{letter}{last}")
    sheet.add_data_validation(rule)


def _validation(field):
    if field.enum:
        return DataValidation(type="list", formula1=f'"{",".join(field.enum)}"')
    if field.type == "date":
        return DataValidation(type="textLength", operator="equal", formula1="10")
    # a column where NA is a value must take letters too
    if field.type == "string" or field.na_means:
        return None
    kind = "whole" if field.type == "integer" else "decimal"
    if field.exclusive_minimum is not None:
        return DataValidation(
            type=kind, operator="greaterThan", formula1=f"{field.exclusive_minimum:g}"
        )
    low, high = f"{field.minimum:.12g}", f"{field.maximum:.12g}"
    return DataValidation(type=kind, operator="between", formula1=low, formula2=high)


def _write_rows(sheet, columns, rows):
    trial = None
    for line, record in enumerate(rows.to_dict("records"), start=HEADER_ROW + 1):
        for place, name in enumerate(columns, start=1):
            value = record.get(name)
            if value is not None and not pd.isna(value):
                sheet.cell(line, place).value = value.item() if hasattr(value, "item") else value
        if trial not in (None, record["trial"]):
            sheet.row_breaks.append(Break(id=line - 1))
        trial = record["trial"]


def _set_up_print(sheet, n_columns, last):
    sheet.freeze_panes = sheet.cell(HEADER_ROW + 1, 3)
    sheet.print_title_rows = f"{TITLE_ROW}:{HEADER_ROW}"
    sheet.print_area = f"A1:{get_column_letter(n_columns)}{last}"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.print_options.gridLines = True
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = "&A"
    sheet.oddFooter.right.text = "page &P of &N"


def _fill_read_me(sheet, name):
    for line in HOW_TO + (HOW_TO_WALK if _is_about_plots(name) else ()):
        sheet.append([line])
    sheet.append([])
    meanings = column_dictionary(name)
    sheet.append([f"About {column}" for column in meanings.columns])
    for row in meanings.itertuples(index=False):
        sheet.append(list(row))
    for letter, width in zip("ABCDEF", (28, 26, 16, 10, 34, 90)):
        sheet.column_dimensions[letter].width = width
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
