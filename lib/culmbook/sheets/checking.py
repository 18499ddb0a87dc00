"""Check a network folder and say all that is wrong with it."""

import pandas as pd

from culmbook.sheets.problems import format_problems
from culmbook.sheets.read import read_network


def check(data, *, site="all", errors_only=False, today=None):
    """Return the report on a network folder and an exit status.

    Parameters
    ----------
    data : str or path-like
        Network folder.
    site : str
        ``all``, or one site.
    errors_only : bool
        List only what was refused; notes are counted.
    today : datetime.date, optional
        Dates after it are refused; the clock's date by default.

    Returns
    -------
    report : str
        The files that were read, every problem by site and file, and which sites are incomplete or stopped.
    status : int
        0 when nothing was refused, 1 when a row or file was, 2 when the folder cannot be read at all.
    """
    try:
        network = read_network(data, site=site, today=today)
    except ValueError as error:
        return f"culmbook check: {error}\n", 2
    refused = network.problems["severity"] != "note"
    parts = [
        f"Network folder {network.folder}",
        "",
        _files_in_words(network.files),
        "",
        format_problems(network.problems, errors_only=errors_only),
        *_corrections_in_words(network.corrections),
        *_sites_in_words(network),
    ]
    return "\n".join(parts) + "\n", int(refused.any())


def _files_in_words(files):
    if files.empty:
        return "No table was found."
    width = max(len(name) for name in files["file"])
    return "\n".join(
        f"{row.file:<{width}}  {row.rows:>7} rows, {row.rows_kept:>7} kept"
        + (f"  decimal {row.decimal}" if row.decimal == "," else "")
        + ("" if pd.isna(row.encoding) or row.encoding == "utf-8" else f"  {row.encoding}")
        for row in files[files["table"] != "corrections"].itertuples()
    )


def _corrections_in_words(corrections):
    if corrections.empty:
        return []
    n = int(corrections["applied"].sum())
    return [f"{n} of {len(corrections)} corrections applied."]


def _sites_in_words(network):
    incomplete = [site for site in network.tables["sites"]["site"] if network.is_incomplete(site)]
    stopped = {site: network.stopped(site, "plots") for site in network.tables["sites"]["site"]}
    lines = [f"Incomplete: {', '.join(incomplete)}."] if incomplete else []
    return lines + [
        f"Site {site} cannot be reported on: {why}" for site, why in stopped.items() if why
    ]
