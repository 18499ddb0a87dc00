"""The page that leads to everything a batch made: plain HTML, one file, no network needed."""

import html
from urllib.parse import quote

from culmbook.batch.inputs import NETWORK

STATUS_WORDS = {
    "done": "complete",
    "provisional": "provisional",
    "incomplete": "incomplete",
    "failed": "failed",
    "stopped": "stopped",
    "unfinished": "not finished",
    "pending": "not made yet",
}
# Colours of the report; the word always stands beside the mark, so none is needed to read the page.
_STYLE = """
body { font: 16px/1.5 "DejaVu Sans", Verdana, sans-serif; color: #22282E; background: #fff; margin: 0 auto;
       max-width: 62rem; padding: 2.5rem 1.5rem 4rem }
h1 { font-size: 1.6rem; margin: 0 } h2 { font-size: 1.1rem; margin: 0 } p { margin: .3rem 0 }
a { color: #1D3C6E } .kicker, footer, .small { color: #5F646A; font-size: .875rem }
.kicker { border-bottom: 2px solid #8A4F0F; padding-bottom: .4rem; margin-bottom: 1rem }
section { border-top: 1px solid #C9C4BA; padding: 1.1rem 0; display: grid;
          grid-template-columns: 11rem 1fr; gap: 0 1.5rem }
.status { font-weight: 700 } .failed, .stopped { color: #8E3563 } .incomplete, .provisional { color: #8A4F0F }
.headline { font-size: 1.05rem }
.reason { border-left: 3px solid #8E3563; padding-left: .7rem; overflow-wrap: anywhere }
.note { border-left: 3px solid #D08A1E; padding-left: .7rem; overflow-wrap: anywhere }
details { margin: .3rem 0 }
footer { border-top: 1px solid #C9C4BA; padding-top: .8rem }
@media (max-width: 40rem) { section { grid-template-columns: 1fr } }
"""


def index_page(record):
    """Write the index page.

    Parameters
    ----------
    record : dict
        What ``run.json`` holds; see `culmbook.batch.record`.

    Returns
    -------
    str
        HTML; every text from data or notebooks is escaped.
    """
    scopes = record["scopes"]
    order = [
        scope for scope in (NETWORK, *sorted(s for s in scopes if s != NETWORK)) if scope in scopes
    ]
    network = record.get("network", {})
    said = network.get("report", {})
    name, season = said.get("network"), record["season"]
    title = f"{name}: season {season}" if name else f"Season {season}"
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{_text(title)}, reports</title>",
            f"<style>{_STYLE}</style>",
            "</head>",
            "<body>",
            f'<p class="kicker">culmbook {_text(record["culmbook"])} · data from {_text(record["data"])}</p>',
            f"<h1>{_text(title)}</h1>",
            f"<p>{_text(_summary(record))}</p>",
            *[f'<p class="small">{_text(notice)}</p>' for notice in [said.get("notice")] if notice],
            *map(_note, _lost_sites(record)),
            *[
                _scope(scope, scopes[scope], season, network.get("site_names", {}))
                for scope in order
            ],
            _footer(record),
            "</body>",
            "</html>",
            "",
        ]
    )


def _text(value):
    return html.escape(str(value))


def _summary(record):
    sites = [entry for scope, entry in record["scopes"].items() if scope != NETWORK]
    counts = {status: sum(entry["status"] == status for entry in sites) for status in STATUS_WORDS}
    parts = ", ".join(f"{n} {STATUS_WORDS[status]}" for status, n in counts.items() if n)
    return f"{len(sites)} {'site' if len(sites) == 1 else 'sites'}: {parts or 'none'}."


def _lost_sites(record):
    lost = record.get("network", {}).get("sites_refused", [])
    return [f"A site may be missing here, because its row was refused: {text}" for text in lost]


def _note(text):
    return f'<p class="note">{_text(text)}</p>'


def _scope(scope, entry, season, names):
    name = "All sites" if scope == NETWORK else scope
    place = (
        f'<p class="small">{_text(names[scope])}</p>' if names.get(scope, scope) != scope else ""
    )
    status = entry["status"]
    said = [f'<p class="headline">{_text(entry["headline"])}</p>'] if entry["headline"] else []
    said += [f'<p class="reason">{_text(entry["reason"])}</p>'] if entry["reason"] else []
    faults = [one["reason"] for one in entry["notebooks"].values() if one["reason"]]
    said += [_note(note) for note in entry["notes"] if not any(fault in note for fault in faults)]
    said += [_links(scope, entry, season), _notebooks(scope, entry)]
    return (
        f'<section id="{_text(scope)}"><div><h2>{_text(name)}</h2>{place}'
        f'<p class="status {_text(status)}">{STATUS_WORDS[status]}</p></div>'
        f"<div>{''.join(said)}</div></section>"
    )


def _link(words, *parts):
    return f'<a href="{quote("/".join(parts))}">{_text(words)}</a>'


def _links(scope, entry, season):
    files = entry["files"]
    reports = [f for f in files if f.endswith(".pdf")]
    pages = f", {entry['n_pages']} pages" if entry.get("n_pages") else ""
    links = [_link(f"Report {season} (PDF{pages})", scope, name) for name in reports]
    links += [_link("All tables (XLSX)", scope, name) for name in files if name.endswith(".xlsx")]
    tables = sorted(name for name in files if name.endswith(".csv"))
    listed = "".join(
        f"<li>{_link(name.removeprefix('tables/'), scope, name)}</li>" for name in tables
    )
    folded = (
        f"<details><summary>{len(tables)} tables as CSV</summary><ul>{listed}</ul></details>"
        if tables
        else ""
    )
    return (f"<p>{' · '.join(links)}</p>" if links else "") + folded


def _notebooks(scope, entry):
    if not entry["notebooks"]:
        return ""
    listed = [
        _link(name, scope, "notebooks", f"{name}.ipynb")
        + (
            ""
            if one["status"] == "done"
            else f' <span class="failed">failed: {_text(one["reason"])}</span>'
        )
        + f" ({one['seconds']:.0f} s)"
        for name, one in sorted(entry["notebooks"].items())
    ]
    return f'<p class="small">Executed notebooks: {" · ".join(listed)}</p>'


def _footer(record):
    finished = max((entry.get("finished", "") for entry in record["scopes"].values()), default="")
    when = (
        f"Last result {_text(finished.replace('T', ' ').replace('+00:00', ' UTC'))}. "
        if finished
        else ""
    )
    record = _link("run.json", "run.json")
    return f"<footer>{when}Parameters, input hashes, versions and timings: {record}.</footer>"
