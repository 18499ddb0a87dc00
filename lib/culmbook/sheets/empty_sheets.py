"""Empty sheets to print, type into and read back: one workbook for each table.

A sheet holds a title line, a line of headings in words with units or allowed words, the line of
column names that the reader looks for, and then the plots in the order in which the field is
walked. The hybrid is not on it: whoever counts or scores should not know which entry stands there.
"""

from datetime import datetime
from pathlib import Path
from textwrap import wrap

import pandas as pd
import xlsxwriter

from culmbook.sheets.dictionary import column_dictionary, tables
from culmbook.sheets.grid import MUST_BE_FILLED, READ_ME, READ_ME_BEGINS
from culmbook.sheets.rows import PREFILLED

TITLE_ROW, UNIT_ROW, HEADER_ROW = 1, 2, 3
SPARE_ROWS = 200
TITLE_PT, HINT_PT, NAME_PT = 11, 8, 7
ROW_PT = 19  # of a row to write in by hand
LEAST_WIDTH = 9  # characters of a column to write in by hand
PLANTS_PER_PLOT = 5
BESIDE = {"plants_alive": ("plants_planted", "last_count")}
"""What is shown in grey before a column."""
NOT_READ = {name: (name.capitalize(), "for the walk") for name in ("trial", "row", "column")}
NOT_READ |= {"plants_planted": ("Plants planted", "plants"), "last_count": ("Last count", "plants")}
"""Headings and units of what is shown beside a table's own columns."""
A4 = 9  # paper size
FIXED_DATE = datetime(1980, 1, 1)  # of writing, so that the same sheets are the same bytes
HOW_TO = (
    READ_ME_BEGINS,
    "Leave a cell blank when something was not observed; write 0 only when none was there.",
    "Leave codes and dates as text: dates are year-month-day, such as 2025-10-07.",
    "Do not rename, reorder or merge the column names; a column of your own may be added at the right.",
)
HOW_TO_WALK = (
    "Leave the row of a plot that you did not visit as it is, or delete it. What is grey is not read.",
    "The hybrid is left out on purpose; the plots table knows it.",
)


def write_sheets(
    out, network=None, table=None, site=None, season=None, *, occasion=None, date=None
):
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
    occasion : str, optional
        Occasion of the stand count to fill in.
    date : str, optional
        Day to fill in, year-month-day.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    ValueError
        If there is no such table, site or occasion, what is filled in comes without a network, no
        plot is usable or left, or a file stands in the way.
    """
    allowed = tables()["stand_counts"]["occasion"].enum
    if occasion not in (None, *allowed):
        raise ValueError(f"no occasion {occasion!r}; there are {', '.join(allowed)}")
    if table not in (None, *tables()):
        raise ValueError(f"no table {table!r}; there are {', '.join(tables())}")
    told = {"growing_season": season, "occasion": occasion}
    told |= dict.fromkeys([name for name in PREFILLED if name.endswith("ed_on")], date)
    told = {name: value for name, value in told.items() if value is not None}
    chosen = [table] if table else list(tables())
    planned = _planned(Path(out), chosen, network, site, told)
    for path, _ in planned:
        if path.exists():
            said = "is already there and may hold observations; choose another folder or move it"
            raise ValueError(f"{path} {said}")
    title = ", ".join([f"season {season}"] * bool(season) + [s for s in (occasion, date) if s])
    for path, rows in planned:
        _write(path, rows, title)
    return [path for path, _ in planned]


def _planned(out, chosen, network, site, told):
    """Pairs of a file and the rows to fill in, or None for an empty sheet."""
    if network is None and (site is not None or told):
        raise ValueError(
            "site, season, occasion and date need a network: give the folder with --data"
        )
    about_plots = [name for name in chosen if _is_about_plots(name)]
    if network is None or not about_plots:
        return [(out / f"{name}.xlsx", None) for name in chosen]
    sites = list(network.tables["plots"]["site"].unique())
    if not sites:
        why = network.stopped(site or "all", "plots")
        raise ValueError(f"no plot to write a sheet for. {why}")
    if site not in (None, "all", *sites):
        raise ValueError(f"no plots of site {site!r}; there are plots of {', '.join(sites)}")
    planned = []
    for code in sites if site in (None, "all") else [site]:
        plots = _standing_plots(network, code, told.get("growing_season"))
        for name in about_plots:
            rows = _prefilled(name, plots, network, told)
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


def _prefilled(name, plots, network, told):
    """Rows with what is known before the walk; every other column stays blank."""
    rows = plots[["site", "plot", "trial", "row", "column"]]
    if name == "stand_counts":
        rows = rows.assign(plants_planted=plots["plants_planted"])
        rows = rows.merge(_last_counts(network, told.get("counted_on")), "left", ["site", "plot"])
    if name == "harvests":
        rows = rows.assign(harvested_area_m2=plots["harvest_area_m2"])
    if name == "stem_measures":
        plants = [str(i + 1) for i in range(PLANTS_PER_PLOT)]
        rows = rows.merge(pd.DataFrame({"plant": plants}), how="cross")
    if name == "plant_gaps":  # one row for each position mapped before, or one for the plot
        columns = ["site", "plot", "position_row", "position"]
        mapped = network.tables["plant_gaps"][columns].drop_duplicates().sort_values(columns)
        rows = rows.assign(walk=range(len(rows))).merge(mapped, on=["site", "plot"], how="left")
        rows = rows.sort_values(["walk", "position_row", "position"], ignore_index=True)
        rows = rows.drop(columns="walk")
    return rows.assign(**{c: told[c] for c in tables()[name].columns if c in told})


def _last_counts(network, day):
    """Each plot's last count before a day, in words."""
    counts = network.tables["stand_counts"].dropna(subset="plants_alive")
    counts = counts[counts["counted_on"] < pd.Timestamp(day)] if day else counts
    last = counts.sort_values("counted_on").drop_duplicates(["site", "plot"], keep="last")
    when = last["counted_on"].dt.strftime(" on %Y-%m-%d")
    return last[["site", "plot"]].assign(last_count=last["plants_alive"].astype("str") + when)


def _write(path, rows, title):
    path.parent.mkdir(parents=True, exist_ok=True)
    plain = {"strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(path, {"in_memory": True} | plain) as book:
        book.set_properties({"author": "culmbook", "created": FIXED_DATE})
        table = tables()[path.stem]
        sheet = book.add_worksheet(table.name)
        columns = [field.name for field in table.fields if not field.instead_of]
        if rows is not None:
            beside = [[*BESIDE.get(name, ()), name] for name in columns]
            columns = ["site", "plot", "trial", "row", "column", *sum(beside, [])]
            columns = [n for n in dict.fromkeys(columns) if n in table.columns or n in rows]
        last = HEADER_ROW + (SPARE_ROWS if rows is None else len(rows))
        widths = [_width(table, name, rows) for name in columns]
        _write_heading(book, sheet, table, columns, rows, title, widths)
        for place, name in enumerate(columns):
            field = table[name] if name in table.columns else None
            is_text = field is not None and field.type in ("string", "date")
            form = {"num_format": "@" if is_text else "General"}
            sheet.set_column(place, place, widths[place], book.add_format(form))
            if rows is not None:
                values = rows.get(name, pd.Series(None, rows.index, object))
                form |= {"bottom": 1, "right": 1, "border_color": "#777777", "valign": "vcenter"}
                form |= {"left": 1, "indent": 1, "align": "left"}
                form |= {"font_color": "#777777"} if name in sum(BESIDE.values(), ()) else {}
                thick = book.add_format(form | {"bottom": 2})  # the walk turns into another row
                _write_column(sheet, place, values, book.add_format(form), thick, rows["row"])
            if rule := field and _validation(field):
                sheet.data_validation(HEADER_ROW, place, last + SPARE_ROWS - 1, place, rule)
        if rows is not None:
            begins = rows["trial"] != rows["trial"].shift().bfill()
            sheet.set_h_pagebreaks([HEADER_ROW + int(i) for i in rows.index[begins]])
            sheet.set_default_row(ROW_PT)
        _set_up_print(sheet, len(columns), last, has_borders=rows is not None)
        _fill_read_me(book, path.stem)


def _write_heading(book, sheet, table, columns, rows, title, widths):
    what = f"{table.title}: {table.description[0].lower()}{table.description[1:]}"
    where = "" if rows is None else f". Site {rows['site'].iloc[0]}"
    title = what + where + (f", {title}" if title else "")
    sheet.write_string(TITLE_ROW - 1, 0, title, book.add_format({"bold": True}))
    bold = book.add_format({"bold": True, "font_size": TITLE_PT})
    small = book.add_format({"italic": True, "font_size": HINT_PT})
    cell = book.add_format({"text_wrap": True, "valign": "bottom"})
    name_form = book.add_format({"font_size": NAME_PT, "bottom": 2})
    high = 0
    for place, (name, width) in enumerate(zip(columns, widths)):
        said, hint = _heading(table, name)
        sheet.write_rich_string(UNIT_ROW - 1, place, bold, said, small, f"\n{hint}", cell)
        lines = (_lines(said, width, TITLE_PT), _lines(hint, width, HINT_PT))
        high = max(high, 1.4 * (lines[0] * TITLE_PT + lines[1] * HINT_PT))
        sheet.write_string(HEADER_ROW - 1, place, name, name_form)
    sheet.set_row(TITLE_ROW - 1, ROW_PT)
    sheet.set_row(UNIT_ROW - 1, round(high))
    sheet.set_row(HEADER_ROW - 1, 2 * NAME_PT)


def _heading(table, name):
    """What a column is called, and the unit or allowed words that stand below."""
    if name not in table.columns:
        return NOT_READ[name]
    field = table[name]
    needed = f" {MUST_BE_FILLED}" if field.required else ""
    unit = "year-month-day" if field.type == "date" else field.unit
    return field.title, (" / ".join(field.enum) or unit or field.content) + needed


def _width(table, name, rows):
    """Width of a column [characters of 11 points] that clips nothing."""
    said, hint = _heading(table, name)
    filled = [] if rows is None or name not in rows else rows[name].dropna().astype("str")
    texts = [(word, TITLE_PT) for word in said.split()] + [(word, HINT_PT) for word in hint.split()]
    texts += [(name, NAME_PT), *((value, TITLE_PT) for value in set(filled))]
    widest = max(1.1 * len(text) * points / TITLE_PT for text, points in texts) + 2
    return max(widest, 0 if len(filled) else LEAST_WIDTH)


def _lines(text, width, points):
    """Lines that a text takes in a column, words kept whole."""
    return len(wrap(text, int(width * TITLE_PT / points / 1.1), break_long_words=False))


def _write_column(sheet, place, values, form, last_form, row):
    row = row.astype("str").fillna("")
    last = (row != row.shift(-1)).tolist()
    for line, (value, is_last) in enumerate(zip(values, last, strict=True), start=HEADER_ROW):
        value = None if pd.isna(value) else value
        sheet.write(line, place, value, last_form if is_last else form)


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


def _set_up_print(sheet, n_columns, last, has_borders):
    sheet.freeze_panes(HEADER_ROW, 2)
    sheet.repeat_rows(TITLE_ROW - 1, HEADER_ROW - 1)
    sheet.print_area(0, 0, last - 1, n_columns - 1)
    sheet.hide_gridlines(int(has_borders))
    sheet.set_footer("&L&A&Rpage &P of &N")
    _fit(sheet, 0)


def _fit(sheet, n_pages):
    """Print on A4, all columns on one page."""
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.set_margins(0.4, 0.4, 0.5, 0.6)
    sheet.fit_to_pages(1, n_pages)


def _fill_read_me(book, name):
    sheet, meanings = book.add_worksheet(READ_ME), column_dictionary(name).drop(columns="type")
    how_to = HOW_TO + (HOW_TO_WALK if _is_about_plots(name) else ())
    heading = [f"About {column}" for column in meanings.columns]
    lines = [*([line] for line in how_to), [], heading, *meanings.values.tolist()]
    wrapped, widths = book.add_format({"text_wrap": True, "valign": "top"}), (25, 22, 16, 32, 65)
    for i, line in enumerate(lines):
        for j, text in enumerate(line):
            sheet.write_string(i, j, text, *[wrapped] * (i > len(how_to)))
        if i > len(how_to):
            lines_here = max(_lines(text, width, TITLE_PT) for text, width in zip(line, widths))
            sheet.set_row(i, 1.4 * TITLE_PT * lines_here)
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    _fit(sheet, 1)
