"""What names a report: its title, its running lines, and the facts of its site."""

from collections.abc import Mapping

import pandas as pd

from culmbook import __version__
from culmbook.report.appendix import NETWORK_SCOPES
from culmbook.report.markdown import words
from culmbook.text.glyphs import printable
from culmbook.text.numbers import fmt_list, fmt_number

_LONGEST_RUNNING = 50


def _site_row(sites: pd.DataFrame | None, site: str) -> dict:
    """Give what is known of a site, blanks left out."""
    if sites is None or site in NETWORK_SCOPES:
        return {}
    found = sites[sites["site"] == site]
    return found.iloc[0].dropna().to_dict() if len(found) else {}


def _name(sites: pd.DataFrame | None, site: str) -> str:
    if site in NETWORK_SCOPES:
        return "All sites"
    name = _site_row(sites, site).get("site_name", site)
    return site if name == site else f"{name} ({site})"


def _shortened(name: str) -> str:
    return name if len(name) <= _LONGEST_RUNNING else name[: _LONGEST_RUNNING - 1] + "…"


def _degrees(value: float, letters: str) -> str:
    return f"{abs(value):.2f}° {letters[value < 0]}"


def site_facts(sites: pd.DataFrame | None, site: str) -> dict[str, str]:
    """Give a site's place and soil for the title block.

    Parameters
    ----------
    sites : pandas.DataFrame or None
        Columns site, country, latitude, longitude [decimal degrees], altitude_m, soil_texture,
        previous_crop; blanks are left out.
    site : str
        Site code, or "all": the network has no such facts.

    Examples
    --------
    >>> site_facts(pd.DataFrame({"site": ["A"], "latitude": [53.6], "longitude": [-2.9]}), "A")
    {'Position': '53.60° N, 2.90° W'}
    """
    row, facts = _site_row(sites, site), {}
    if "latitude" in row and "longitude" in row:
        place = f"{_degrees(row['latitude'], 'NS')}, {_degrees(row['longitude'], 'EW')}"
        facts["Position"] = ", ".join(filter(None, [place, str(row.get("country", ""))]))
    if "altitude_m" in row:
        facts["Altitude"] = f"{fmt_number(row['altitude_m'], 0)} m"
    for name, column in (("Soil", "soil_texture"), ("Previous crop", "previous_crop")):
        if column in row:
            facts[name] = str(row[column])
    return facts


def _subtitle(sites: pd.DataFrame | None, site: str, meta: Mapping) -> str:
    said = [str(meta[key]) for key in ("network", "subtitle") if meta.get(key)]
    if not said and sites is not None and site in NETWORK_SCOPES:
        said = [fmt_list(list(sites["site_name"].fillna(sites["site"])), most=8)]
    return " · ".join(said)


def title_words(sites: pd.DataFrame | None, site: str, season: int, meta: Mapping) -> dict:
    """Give the words of the title, the running lines and the document's metadata.

    Parameters
    ----------
    sites : pandas.DataFrame or None
        The table of sites.
    site : str
        Site code, or "all".
    season : int
        Growing season.
    meta : mapping
        May hold `network`, `subtitle` and `notice`, see `culmbook.report.pdf.build_report`.
    """
    scope = "network report" if site in NETWORK_SCOPES else "site report"
    name, footer = _name(sites, site), [str(meta.get("notice", "")), f"culmbook {__version__}"]
    return {
        "title": printable(f"{name}: {scope}, season {season}"),
        "author": printable(str(meta.get("network", "")) or "culmbook"),
        "description": printable(
            f"Results of the trials of {name} in the growing season {season}."
        ),
        "keywords": ["field trial", f"season {season}", printable(name)],
        "kicker": f"{scope.capitalize()} · season {season}",
        "heading": words(name),
        "subtitle": words(_subtitle(sites, site, meta)),
        "running": words(f"{_shortened(name)} · season {season}"),
        "footer": words(" · ".join(filter(None, footer))),
    }
