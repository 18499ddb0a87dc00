"""Empty sheets to print, type into and read back: one workbook for each table.

A sheet holds a title line, a line of units, the line of column names that the reader
looks for, and then the plots in the order in which the field is walked. The hybrid is not
on it: whoever counts or scores should not know which entry stands there.
"""

from datetime import datetime
from pathlib import Path
from textwrap import wrap

import pandas as pd
import xlsxwriter

from culmbook.sheets.dictionary import column_dictionary, tables
from culmbook.sheets.grid import MUST_BE_FILLED, READ_ME, READ_ME_BEGINS, WALK

TITLE_ROW, UNIT_ROW, HEADER_ROW = 1, 2, 3
SPARE_ROWS = 200
HINT_WIDTH = 12
"""Characters of the line of units that fit beside one another in the narrowest column."""
PLANTS_PER_PLOT = 5
A4 = 9  # paper size
FIXED_DATE = datetime(1980, 1, 1)  # of writing, so that the same sheets are the same bytes
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
        trials, in walking order, one folder for each site; abandoned plots are left out. Tables
        that are not about plots are then written only when asked for by name.
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
        If there is no such table or site, a site or season comes without a network, no plot is
        usable or left, or a file stands in the way.
    """
    if table not in (None, *tables()):
        raise ValueError(f"no table {table!r}; there are {', '.join(tables())}")
    planned = _planned(Path(out), [table] if table else list(tables()), network, site, season)
    for path, _ in planned:
        if path.exists():
            said = "is already there and may hold observations; choose another folder or move it"
            raise ValueError(f"{path} {said}")
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
    sites = list(network.tables["plots"]["site"].unique())
    if not sites:
        why = network.stopped(site or "all", "plots")
        raise ValueError(f"no plot to write a sheet for. {why}")
    if site not in (None, "all", *sites):
        known = ", ".join(sites) or "no site"
        raise ValueError(f"no plots of site {site!r}; there are plots of {known}")
    planned = []
    for code in sites if site in (None, "all") else [site]:
        plots = _standing_plots(network, code, season)
        for name in about_plots:
            rows = _prefilled(name, plots, network, season)
            planned.append((out / code / f"{name}.xlsx", rows))
    return planned


def _is_about_plots(name):
    return name != "plots" and "plot" in tables()[name].columns


def _standing_plots(network, site, season):
    """Plots of a site that still stand, in walking order: up one field row and down the next."""
    plots = network.tables["plots"]
    plots = plots[(plots["site"] == site) & (plots["status"] != "abandoned")]
    if season is not None:
        plots = plots[plots["planted_on"].isna() | (plots["planted_on"].dt.year <= season)]
    if plots.empty:
        when = f" planted by {season}" if season else ""
        raise ValueError(f"site {site} has no standing plot{when}")
    plots = plots.assign(along=plots["column"].where(plots["row"] % 2 == 1, -plots["column"]))
    return plots.sort_values(["trial", "row", "along", "plot"], ignore_index=True)


def _prefilled(name, plots, network, season):
    """Rows with what is known before the walk; every other column stays blank."""
    rows = plots[["site", "plot", *WALK]]
    if name == "stem_measures":
        plants = [str(i + 1) for i in range(PLANTS_PER_PLOT)]
        rows = rows.merge(pd.DataFrame({"plant": plants}), how="cross")
    if name == "plant_gaps":  # one row for each position mapped before, or one for the plot
        columns = ["site", "plot", "position_row", "position"]
        mapped = network.tables["plant_gaps"][columns].drop_duplicates().sort_values(columns)
        rows = rows.assign(walk=range(len(rows))).merge(mapped, on=["site", "plot"], how="left")
        rows = rows.sort_values(["walk", "position_row", "position"], ignore_index=True)
        rows = rows.drop(columns="walk")
    if season is not None and "growing_season" in tables()[name].columns:
        rows = rows.assign(growing_season=season)
    return rows


def _write(path, rows, season):
    path.parent.mkdir(parents=True, exist_ok=True)
    with xlsxwriter.Workbook(path, {"in_memory": True}) as book:
        book.set_properties({"author": "culmbook", "created": FIXED_DATE})
        table = tables()[path.stem]
        sheet = book.add_worksheet(table.name)
        columns = [field.name for field in table.fields if not field.instead_of]
        if rows is not None:
            walk = [name for name in WALK if name not in table.columns]
            columns = [*dict.fromkeys(["site", "plot", *walk, *columns])]
        last = HEADER_ROW + (SPARE_ROWS if rows is None else len(rows))
        _write_heading(book, sheet, table, columns, rows, season)
        for place, name in enumerate(columns):
            field = table[name] if name in table.columns else None
            is_text = field is not None and field.type in ("string", "date")
            form = {"num_format": "@" if is_text else "General"}
            sheet.set_column(place, place, 12 if is_text else 10, book.add_format(form))
            if rows is not None:
                thin = {"bottom": 1, "right": 1, "border_color": "#999999"}
                values = rows.get(name, pd.Series(None, rows.index, object))
                _write_column(sheet, place, values, book.add_format(form | thin))
            if rule := field and _validation(field):
                sheet.data_validation(HEADER_ROW, place, last + SPARE_ROWS - 1, place, rule)
        if rows is not None:
            begins = rows["trial"] != rows["trial"].shift().bfill()
            sheet.set_h_pagebreaks([HEADER_ROW + int(i) for i in rows.index[begins]])
        _set_up_print(sheet, len(columns), last)
        _fill_read_me(book.add_worksheet(READ_ME), path.stem)


def _write_heading(book, sheet, table, columns, rows, season):
    what = f"{table.title}: {table.description[0].lower()}{table.description[1:]}"
    where = "" if rows is None else f". Site {rows['site'].iloc[0]}"
    title = what + where + (f", season {season}" if season else "")
    sheet.write_string(TITLE_ROW - 1, 0, title, book.add_format({"bold": True}))
    unit = book.add_format({"italic": True, "font_size": 8, "text_wrap": True, "valign": "bottom"})
    n_lines = 1
    for place, name in enumerate(columns):
        hint = _hint(table[name] if name in table.columns else None)
        n_lines = max(n_lines, len(wrap(hint, HINT_WIDTH)))
        sheet.write_string(UNIT_ROW - 1, place, hint, unit)
        head = {"bold": True, "bottom": 2, "rotation": 90 if len(name) > 14 else 0}
        sheet.write_string(HEADER_ROW - 1, place, name, book.add_format(head))
    sheet.set_row(UNIT_ROW - 1, 11.5 * n_lines + 4)
    sheet.set_row(HEADER_ROW - 1, 112)


def _hint(field):
    """What the printed sheet says above a column's name: allowed words, or the unit."""
    if field is None:
        return "for the walk"
    needed = f" {MUST_BE_FILLED}" if field.required else ""
    unit = "year-month-day" if field.type == "date" else field.unit
    return (" / ".join(field.enum) or unit or field.content) + needed


def _write_column(sheet, place, values, form):
    for line, value in enumerate(values, start=HEADER_ROW):
        if pd.isna(value):
            sheet.write_blank(line, place, None, form)
        elif isinstance(value, str):
            sheet.write_string(line, place, value, form)
        else:
            sheet.write_number(line, place, value, form)


def _validation(field):
    """What the spreadsheet program lets a cell of the column hold, and says of it; None for any
    text.
    """
    said = {
        "input_title": field.title[:32],
        "input_message": f"{field.description}. {field.allowed}"[:255],
        "error_title": field.name[:32],
        "error_message": f"Allowed: {field.allowed}"[:225],
    }
    if field.enum:
        return said | {"validate": "list", "source": list(field.enum)}
    if field.type == "date":
        return said | {"validate": "length", "criteria": "==", "value": 10}
    # a column where NA is a value must take letters too
    if field.type == "string" or field.na_means:
        return None
    said["validate"] = field.type if field.type == "integer" else "decimal"
    if field.exclusive_minimum is not None:
        return said | {"criteria": ">", "value": field.exclusive_minimum}
    return said | {"criteria": "between", "minimum": field.minimum, "maximum": field.maximum}


def _set_up_print(sheet, n_columns, last):
    sheet.freeze_panes(HEADER_ROW, 2)
    sheet.repeat_rows(TITLE_ROW - 1, HEADER_ROW - 1)
    sheet.print_area(0, 0, last - 1, n_columns - 1)
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.hide_gridlines(0)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&Rpage &P of &N")


def _fill_read_me(sheet, name):
    meanings = column_dictionary(name)
    how_to = HOW_TO + (HOW_TO_WALK if _is_about_plots(name) else ())
    heading = [f"About {column}" for column in meanings.columns]
    lines = [*([line] for line in how_to), [], heading, *meanings.values.tolist()]
    for i, line in enumerate(lines):
        for j, text in enumerate(line):
            sheet.write_string(i, j, text)
    for place, width in enumerate((28, 26, 16, 10, 34, 90)):
        sheet.set_column(place, place, width)
    sheet.set_landscape()
    sheet.set_paper(A4)
