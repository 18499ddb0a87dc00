"""What a person sees of a batch: a bar while it runs, a few lines at its end, a page that leads to
everything.

The page is plain HTML, one file, and needs no network.
"""

from pathlib import Path
from statistics import fmean
from time import monotonic
from urllib.parse import quote

from culmbook.batch.notebook import NETWORK

STATUS_WORDS = {
    "done": "complete",
    "provisional": "provisional",
    "incomplete": "incomplete",
    "failed": "failed",
    "stopped": "stopped",
    "unfinished": "not finished",
    "pending": "not made yet",
}
SUCCEEDED = ("done", "provisional", "incomplete")
"""Statuses of a scope whose report stands; the last two say on its first page what is missing or
still to come.
"""
MOST_KEPT = 10
"""Files that were not ours and are named at the end of a run."""
_LOST = "because its row was refused:"


class Progress:
    """What the batch tells while it runs.

    Parameters
    ----------
    stream : file, optional
        Where to: a bar with the sites and notebooks under way on a terminal, plain lines elsewhere.
        Nothing is told without it.
    """

    def __init__(self, stream=None):
        self._stream, self._bar = stream, None
        self._running, self._took = {}, {}  # by job: since when, and how long [s]

    def planned(self, usual, jobs=1):
        """Called once, with the time that each notebook and report to make took in the last run [s],
        None where that is not known, and how many are made at a time.
        """
        from tqdm import tqdm

        self._usual, self._jobs, n_jobs = usual, jobs, len(usual)
        is_off = self._stream is None or not self._stream.isatty()
        form = "{n_fmt}/{total_fmt} |{bar}| {elapsed} {desc}"
        looks = {"disable": is_off, "dynamic_ncols": True, "bar_format": form}
        self._bar = tqdm(total=n_jobs, file=self._stream, **looks)

    def began(self, job):
        """Called when a worker takes a job (its `scope` and `name` say which)."""
        self._running[f"{job.scope} {job.name}"] = monotonic()
        self._bar.set_description_str(f"{self._left()} {', '.join(self._running)}")

    def ended(self, job, answer):
        """Called when a job ends, with its answer (``status``, ``reason``, ``seconds``)."""
        name = f"{job.scope} {job.name}"
        del self._running[name]
        self._took[name] = answer["seconds"]
        self._bar.update()
        self._bar.set_description_str(f"{self._left()} {', '.join(self._running)}")
        n = f"{len(self._took)} of {len(self._usual)}"
        left = ", ".join(filter(None, [n, self._left()]))
        said = f"{name}: {answer['seconds']:.1f} s ({left})" * self._bar.disable
        if answer["status"] != "done":
            said = f"{name} FAILED: {answer['reason']}"
        if said and self._stream:
            self._bar.write(said, file=self._stream)
            self._stream.flush()

    def _left(self):
        """Say how long the rest will take: as in the last run, at this run's pace so far."""
        known = [s for s in self._usual.values() if s] or [*self._took.values()]
        rest = [name for name in self._usual if name not in self._took]
        if not known or not rest:
            return ""
        usual = {name: seconds or fmean(known) for name, seconds in self._usual.items()}
        pace = sum(self._took.values()) / (sum(usual[name] for name in self._took) or 1)
        now, pace = monotonic(), pace or 1
        left = [pace * usual[name] - (now - self._running.get(name, now)) for name in rest]
        seconds = max(sum(max(s, 0) for s in left) / self._jobs, *left, 5)
        minutes, seconds = divmod(10 * round(seconds / 10) if seconds >= 60 else round(seconds), 60)
        parts = [f"{minutes:.0f} min"] * (minutes > 0) + [f"{seconds:.0f} s"] * (seconds > 0)
        return f"about {' '.join(parts)} left"

    def close(self):
        """Leave the bar as it stands."""
        if self._bar is not None:
            self._bar.close()


def closing_words(record, out):
    """Sum up a batch.

    Parameters
    ----------
    record : dict
        From `culmbook.batch.season.run_season`.
    out : Path
        The output folder.

    Returns
    -------
    tuple
        The lines, one per site that was asked for, and whether every one of them has its report.
    """
    entries = {scope: record["scopes"][scope] for scope in record["asked"]}
    width = max(map(len, entries), default=0)
    lines = []
    for scope, entry in entries.items():
        said = entry["reason"] or entry["headline"] or " ".join(entry["notes"][:1])
        word = STATUS_WORDS[entry["status"]]
        lines.append(f"{scope.ljust(width)}  {word}{': ' if said else ''}{said}")
    lost = record["network"]["sites_refused"]
    lines += [f"A site may be missing, {_LOST} {text}" for text in lost]
    why = record.get("pages", {}).get("reason", "")
    lines += [f"The short reports could not be made: {why}"] * bool(why)
    kept, held = record["kept"], list(record["held"].values())
    lines += [*held, *kept[:MOST_KEPT]]
    lines += [f"{len(kept) - MOST_KEPT} more files were kept so."] * (len(kept) > MOST_KEPT)
    lines.append(f"Open {out / 'index.html'}")
    return "\n".join(lines), not (lost or why or held) and all(
        e["status"] in SUCCEEDED for e in entries.values()
    )


def index_page(record, glance=""):
    """Write the index page; it opens with the network's glance.

    Parameters
    ----------
    record : dict
        What ``run.json`` holds; see `culmbook.batch.season`.
    glance : str
        The network's glance, an HTML page written by this library.

    Returns
    -------
    str
        HTML; every text from data or notebooks is escaped.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined)
    environment.filters["quote"] = lambda parts: quote("/".join(parts))
    page = environment.from_string(Path(__file__).with_suffix(".html").read_text(encoding="utf-8"))
    network = record.get("network", {})
    said, names = network.get("report", {}), network.get("site_names", {})
    name, season = said.get("network"), record["season"]
    sites = {s: record["scopes"][s] for s in sorted(record["scopes"]) if s != NETWORK}
    both = {NETWORK: record["scopes"][NETWORK]} if NETWORK in record["scopes"] else {}
    statuses = [entry["status"] for entry in sites.values()]
    counts = {word: statuses.count(status) for status, word in STATUS_WORDS.items()}
    pages = record.get("pages", {"files": {}, "n_pages": {}})
    parts = ", ".join(f"{n} {word}" for word, n in counts.items() if n)
    finished = max((entry.get("finished", "") for entry in record["scopes"].values()), default="")
    return page.render(
        words=STATUS_WORDS,
        culmbook=record["culmbook"],
        data=Path(record["data"]).resolve().name,
        title=f"{name}: season {season}" if name else f"Season {season}",
        summary=f"{len(sites)} {'site' if len(sites) == 1 else 'sites'}: {parts or 'none'}.",
        notice=said.get("notice"),
        lost=[f"A site may be missing here, {_LOST} {t}" for t in network.get("sites_refused", [])],
        scopes={s: _shown(s, entry, pages, names) for s, entry in (both | sites).items()},
        glance=Markup(glance.partition("<body>")[2].partition("</body>")[0]),
        hybrids=[f.split("/") for f in pages["files"] if "/hybrids_" in f],
        finished=finished.replace("T", " ").replace("+00:00", " UTC"),
    )


def _shown(scope, entry, pages, names):
    """Return what the page shows of a scope; a note that repeats a notebook's fault is left out."""
    files, notebooks = sorted(entry["files"]), entry["notebooks"]
    faults = [one["reason"] for one in notebooks.values() if one["reason"]]
    n_short, n_record = pages["n_pages"].get(scope), entry.get("n_pages")
    short = [
        f.removeprefix(f"{scope}/") for f in pages["files"] if f.startswith(f"{scope}/{scope}_")
    ]
    main = [(f"Report (PDF, {n_short} pages)", name) for name in short]
    records = [f for f in files if f.endswith(".pdf")]
    main += [(f"Full record (PDF{f', {n_record} pages' if n_record else ''})", f) for f in records]
    return entry | {
        "name": "All sites" if scope == NETWORK else scope,
        "place": names[scope] if names.get(scope, scope) != scope else "",
        "notes": [n for n in entry["notes"] if not any(fault in n for fault in faults)],
        "main": main + [("All tables (XLSX)", f) for f in files if f.endswith(".xlsx")],
        "tables": [f for f in files if f.endswith(".csv")],
        "notebooks": sorted(notebooks.items()),
    }
