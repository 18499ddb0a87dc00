"""Run a season: every notebook for every site, then every site's report, skipping what is
unchanged.

What was made, from what, and how it went stands in ``run.json``.
"""

import json
import shutil
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from culmbook import __version__
from culmbook.batch.index import SUCCEEDED, Progress, index_page
from culmbook.batch.notebook import (
    NETWORK,
    digest,
    find_notebooks,
    input_hashes,
    inputs_of,
    library_fingerprint,
    notebook_site,
    package_versions,
)
from culmbook.batch.parameters import GIVEN_BY_BATCH, check_given
from culmbook.sheets.read import resolve_data
from culmbook.text import files
from culmbook.text.files import file_digest
from culmbook.text.numbers import fmt_list
from culmbook.trials.seasons import seasons_there

RUN_FILE = "run.json"
INDEX_FILE = "index.html"
REPORT_DEADLINE = 1800
"""Longest time for the report and tables of one site [s]."""
NEEDED = "plots"
"""The table without which there is nothing to report on; the tables it points at come with it."""


@dataclass(frozen=True)
class Season:
    """What a batch is asked to do.

    Parameters
    ----------
    data : str
        Network folder as the user wrote it.
    season : int
        Growing season.
    out : Path
        Output folder.
    sites : tuple of str
        Site codes (or ``network``) to do; empty for all.
    notebooks : Path
        Folder of the notebooks.
    given : dict
        Parameter values beside ``data``, ``season`` and ``site``.
    jobs : int
        How many notebooks run at a time.
    fresh : bool
        Whether to compute anew what is unchanged.
    cell_timeout : int
        Longest time for one cell [s]; a notebook may take three times as long.
    """

    data: str
    season: int
    out: Path
    notebooks: Path
    sites: tuple = ()
    given: dict = field(default_factory=dict)
    jobs: int = 1
    fresh: bool = False
    cell_timeout: int = 1800


def run_season(asked, progress=None):
    """Make all reports of a season.

    Parameters
    ----------
    asked : Season
    progress : Progress, optional

    Returns
    -------
    dict
        The record that is also in ``run.json``, with ``asked``, the scopes this call was about,
        ``kept``, what it says of files that were not its own, and ``held``, what it says of those
        that could not be replaced, by path.

    Raises
    ------
    ValueError
        Before anything runs: unknown site, unknown or mistyped parameter, unsuitable notebook or
        folder.
    culmbook.text.files.OutputBusy
        If another batch writes to the same folder.
    """
    notebooks = find_notebooks(asked.notebooks)
    own = sorted(set(asked.given) & set(GIVEN_BY_BATCH))
    if own:
        raise ValueError(
            f"{', '.join(own)}: given by the batch itself; use DATA, --season and --site"
        )
    given = check_given(asked.given, {n.name: n.parameters for n in notebooks})
    data = _check_folders(asked)
    asked.out.mkdir(parents=True, exist_ok=True)
    with files.locked(asked.out):
        files.remove_leftovers(asked.out)
        batch = Batch(asked, notebooks, given, data)
        if not batch.is_known() or batch.plan() or not batch.has_pages():
            batch.work(progress or Progress())
        batch.write()
    return {**batch.record, "asked": batch.scopes, "kept": batch.kept, "held": batch.held}


def _check_folders(asked):
    data, out = resolve_data(asked.data), asked.out.resolve()
    if out.is_relative_to(data) or data.is_relative_to(out):
        raise ValueError(
            f"--out {asked.out} and the data in {asked.data} must not lie in one another: raw sheets "
            f"are never written to"
        )
    if asked.out.exists() and not asked.out.is_dir():
        raise ValueError(f"--out {asked.out} is a file; give a folder")
    names = sorted(p.name for p in asked.out.iterdir()) if asked.out.is_dir() else []
    shown = [name for name in names if not name.startswith(".")]
    if shown and RUN_FILE not in shown and files.LOCK_FILE not in names:
        raise ValueError(
            f"--out {asked.out} holds other files ({', '.join(shown[:3])}); give an empty or a new folder"
        )
    earlier = read_record(asked.out).get("season", asked.season)
    if earlier != asked.season:
        raise ValueError(
            f"--out {asked.out} holds season {earlier}; give another folder for {asked.season}"
        )
    return data


def notebooks_folder():
    """Return the folder of culmbook's own notebooks: beside the library, else below the working
    directory.

    Raises
    ------
    ValueError
        If there is none.
    """
    for folder in (Path(__file__).resolve().parents[3] / "notebooks", Path("notebooks")):
        if folder.is_dir():
            return folder
    raise ValueError("no folder of notebooks beside culmbook or here; say where with --notebooks")


def read_record(out):
    """Return the record an earlier run left in an output folder.

    Parameters
    ----------
    out : Path

    Returns
    -------
    dict
        With ``scopes``, a dict by site code (or ``network``), and ``written``. Both are empty when
        there is no record, or one that is not just as it was written: nothing in it is believed.
    """
    try:
        record = json.loads((Path(out) / RUN_FILE).read_text(encoding="utf-8"))
        if record.pop("seal") == digest(record):
            return record
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        pass
    return {"scopes": {}, "written": {}}


def blank_scope(**more):
    """Return the record of a scope of which nothing is made yet, or what `more` says."""
    blank = {"status": "pending", "reason": "", "headline": ""}
    return blank | {"notebooks": {}, "files": {}, "notes": []} | more


class Batch:
    """One run of a season over one output folder: what is due, doing it, noting every result as it
    comes.

    Parameters
    ----------
    asked : Season
        What to do.
    notebooks : list of culmbook.batch.notebook.ReportNotebook
        Sections of the reports, in order.
    given : dict of str to dict
        Checked parameter values by notebook.
    data : pathlib.Path
        Network folder.

    Attributes
    ----------
    record : dict
        What ``run.json`` holds.
    scopes : list of str
        Site codes and ``network`` that this run is about; known after `is_known` or `work`.
    kept : list of str
        Sentences on files that were not its own, and where they are now.
    held : dict of str
        Why a file could not be replaced or removed, by its path below the output folder.

    Notes
    -----
    ``record["written"]`` holds the SHA-256 of every file in the output folder that was written by
    a batch, and, noted before it is put in its place, of the one about to be. Only what has such a
    content is replaced or removed.
    """

    def __init__(self, asked, notebooks, given, data):
        self.asked, self.notebooks, self.given, self.data = asked, notebooks, given, data
        self.scopes, self.kept, self.held = [], [], {}
        self.hashes = input_hashes(data)
        self.software = [library_fingerprint(), package_versions()]
        self.network_fingerprint = digest([self.hashes, self.software[0]])
        self.record = read_record(asked.out)
        if not self.record["written"] and (asked.out / RUN_FILE).exists():
            self.kept.append(files.place(self._temporary(RUN_FILE, "{}"), asked.out, RUN_FILE, ()))
        self.record |= {"culmbook": __version__, "inputs": self.hashes}
        self.record |= {name: getattr(asked, name) for name in ("season", "data", "given")}
        self.record |= dict(zip(("library", "packages"), self.software))

    def is_known(self):
        """Tell whether an earlier run has read this very data, and take the sites from its record
        if so.
        """
        known = self.record.get("network", {}).get("fingerprint") == self.network_fingerprint
        if known:
            self._choose_scopes()
        return known

    def plan(self):
        """Return the notebook jobs that are due, by scope, for every scope whose report must be
        made.
        """
        plan, stopped = {}, self.record["network"]["stopped"]
        for scope in (scope for scope in self.scopes if not stopped[scope]):
            sections = self._sections(scope)
            jobs = [self._notebook_job(scope, n) for n in sections if self._is_due(scope, n)]
            if jobs or self.asked.fresh or not self._is_reported(scope):
                plan[scope] = jobs
        return plan

    def work(self, progress):
        """Do what is due.

        Parameters
        ----------
        progress : culmbook.batch.index.Progress
        """
        from culmbook.batch.workers import Pool, ReportJob
        from culmbook.sheets.read import read_network

        with Pool(self.asked.jobs, digest(str(self.asked.out.resolve()))[:8]) as pool:
            network = read_network(self.data)  # while the workers start
            self.learn(network)
            plan = self.plan()
            progress.planned(self._usual_seconds(plan), self.asked.jobs)
            self._open(plan)
            waits_for = {scope: len(jobs) for scope, jobs in plan.items()}
            queue = [job for jobs in plan.values() for job in jobs][::-1]
            queue += [self._report_job(scope, network) for scope, jobs in plan.items() if not jobs]
            for job, answer in pool.run(queue, progress.began):
                is_report = isinstance(job, ReportJob)
                self._note_report(job, answer) if is_report else self._note_notebook(job, answer)
                self._write_record()
                progress.ended(job, answer)
                waits_for[job.scope] -= 1
                if waits_for[job.scope] == 0:
                    queue.append(self._report_job(job.scope, network))
            for job, answer in pool.run([self._pages_job(network)], progress.began):
                self._note_pages(job, answer)
                progress.ended(job, answer)

    def _usual_seconds(self, plan):
        """Return the time that each job of a plan took in the last run [s], None where unknown."""
        usual = {}
        for scope, jobs in plan.items():
            entry = self.record["scopes"][scope]
            for job in jobs:
                made = entry["notebooks"].get(job.name, {})
                usual[f"{scope} {job.name}"] = made.get("seconds")
            usual[f"{scope} report"] = entry.get("report_seconds")
        return usual | {"season pages": self.record.get("pages", {}).get("seconds")}

    def has_pages(self):
        """Tell whether the short pages stand as they were made, from what stands now."""
        pages = self.record.get("pages", {})
        return (
            pages.get("fingerprint") == self._pages_fingerprint()
            and pages["status"] == "done"
            and all(
                _is_untouched(self.asked.out / name, sha) for name, sha in pages["files"].items()
            )
        )

    def _pages_fingerprint(self):
        entries = self.record["scopes"]
        return digest(
            [self.software, {s: entries[s].get("report_fingerprint") for s in sorted(entries)}]
        )

    def _pages_job(self, network):
        from culmbook.batch.workers import PagesJob

        reported = [s for s, e in self.record["scopes"].items() if e.get("files")]
        notebooks = {scope: self._done(scope) for scope in reported}
        entries = {scope: self.record["scopes"][scope] for scope in reported}
        context = {
            "season": self.asked.season,
            "network": network,
            "places": {scope: entry["places"] for scope, entry in entries.items()},
            "gaps": {scope: entry["incomplete"] for scope, entry in entries.items()},
        }
        return PagesJob(self._made("season", "pages"), notebooks, context, REPORT_DEADLINE)

    def learn(self, network):
        """Note which sites a network has and which of them cannot be reported on.

        Parameters
        ----------
        network : culmbook.sheets.read.Network
            All sites.
        """
        table = network.tables["sites"]
        sites = list(table["site"])
        named = table.dropna(subset="site_name")
        refused = network.problems[network.problems["severity"] != "note"]
        lost = refused[refused["table"] == "sites"].itertuples()
        self.record["network"] = {
            "fingerprint": self.network_fingerprint,
            "sites": sites,
            "seasons": seasons_there(network),
            "report": asdict(network.settings.report),
            "site_names": dict(zip(named["site"], named["site_name"], strict=True)),
            "n_refused": len(refused),
            "stopped": {s: network.stopped(notebook_site(s), NEEDED) for s in [NETWORK, *sites]},
            "sites_refused": [
                ": ".join([r.file, *[repr(r.value)] * isinstance(r.value, str), r.rule])
                for r in lost
            ],
        }
        self._choose_scopes()

    def write(self):
        """Write the record and the index page, unless they stand as they are."""
        glance, path = self.asked.out / NETWORK / "glance.html", self.asked.out / INDEX_FILE
        page = index_page(self.record, glance.read_text("utf-8") if glance.is_file() else "")
        is_new = not path.is_file() or path.read_bytes() != page.encode()
        self._settle({INDEX_FILE: self._temporary(INDEX_FILE, page)} if is_new else {})
        if read_record(self.asked.out) != self.record:
            self._write_record()

    def _write_record(self):
        files.write_json(self.asked.out / RUN_FILE, self.record | {"seal": digest(self.record)})

    def _temporary(self, name, text):
        path = self.asked.out / f"{files.TEMPORARY}{name}"
        files.write_whole(path, text)
        return path

    def _settle(self, new):
        """Put finished files in place and take away what no longer stands.

        Parameters
        ----------
        new : dict of str to Path
            Finished files by their path below the output folder.

        Returns
        -------
        str
            What could not be done.
        """
        written, out = self.record["written"], self.asked.out
        for name, path in new.items():
            written.setdefault(name, []).append(file_digest(path))
        moves = dict.fromkeys(set(written) - self._standing()) | new
        if moves:
            self._write_record()
        held = {}
        for name, path in sorted(moves.items()):
            try:
                self.kept += filter(None, [files.place(path, out, name, written[name])])
                written[name] = written[name][-1:]
            except OSError as error:
                held[name] = (
                    f"{name} could not be replaced ({error.strerror}) and is as it was: close it "
                    f"where it is open, then run the same command again"
                )
                continue
            if path is None:
                del written[name]
        self.held |= held
        return "; ".join(held.values())

    def _standing(self):
        """Return the paths of all files that the record says belong into the output folder."""
        names = {INDEX_FILE, *self.record.get("pages", {"files": {}})["files"]}
        for scope, entry in self.record["scopes"].items():
            notebooks = [f"notebooks/{name}.ipynb" for name in entry["notebooks"]]
            names |= {f"{scope}/{name}" for name in [*entry["files"], *notebooks]}
        return names

    def _made(self, scope, name):
        """Return the folder in which a job makes its files, each where it belongs below it."""
        return self.asked.out.resolve() / f"{files.TEMPORARY}{scope}-{name}"

    def _finished(self, job):
        """Return what a job has made, by path below the output folder."""
        made = self._made(job.scope, job.name)
        found = sorted(p for p in made.rglob("[!.]*") if p.is_file())
        return {path.relative_to(made).as_posix(): path for path in found}

    def _choose_scopes(self):
        known = [NETWORK, *self.record["network"]["sites"]]
        unknown = ", ".join(site for site in self.asked.sites if site not in known)
        if unknown:
            raise ValueError(f"--site {unknown}: no such site; there are {', '.join(known)}")
        seasons = self.record["network"]["seasons"]
        if seasons and self.asked.season not in seasons:
            raise ValueError(
                f"--season {self.asked.season}: nothing was planted or observed in that season; "
                f"there are {fmt_list([str(year) for year in seasons])}"
            )
        wanted = self.asked.sites or known
        self.scopes = [scope for scope in known if scope in wanted]
        entries = self.record["scopes"]
        self.record["scopes"] = {scope: entries.get(scope) or blank_scope() for scope in known}

    def _folder(self, scope):
        return files.scope_folder(self.asked.out, scope)

    def _sections(self, scope):
        return [notebook for notebook in self.notebooks if notebook.serves(scope)]

    def _target(self, scope, name):
        return self._folder(scope) / "notebooks" / f"{name}.ipynb"

    def _parameters(self, scope, notebook):
        own = {"data": self.asked.data, "season": self.asked.season, "site": notebook_site(scope)}
        return own | self.given[notebook.name]

    def _fingerprint(self, scope, notebook):
        parameters = self._parameters(scope, notebook)
        del parameters["data"]  # the same data under another path give the same results
        read = self.hashes if notebook.reads_all_sites else inputs_of(scope, self.hashes)
        return digest([read, notebook.fingerprint, *self.software, parameters])

    def _is_due(self, scope, notebook):
        """Tell whether a notebook must run: asked anew, of another fingerprint, failed, or its
        file touched.
        """
        entry = self.record["scopes"][scope]["notebooks"].get(notebook.name)
        return (
            self.asked.fresh
            or not entry
            or entry["status"] != "done"
            or entry["fingerprint"] != self._fingerprint(scope, notebook)
            or not _is_untouched(self._target(scope, notebook.name), entry["sha256"])
        )

    def _notebook_job(self, scope, notebook):
        from culmbook.batch.workers import NotebookJob

        target = self._target(scope, notebook.name).relative_to(self.asked.out)
        paths = (notebook.path.resolve(), self._made(scope, notebook.name) / target)
        parameters, limit = self._parameters(scope, notebook), self.asked.cell_timeout
        return NotebookJob(scope, notebook.name, *paths, parameters, limit, 3 * limit)

    def _report_fingerprint(self, scope):
        entries = self.record["scopes"][scope]["notebooks"]
        made = [[n.name, entries.get(n.name)] for n in self._sections(scope)]
        made = [[name, e and [e["status"], e["reason"], e["sha256"]]] for name, e in made]
        return digest([made, inputs_of(scope, self.hashes), *self.software])

    def _is_reported(self, scope):
        entry, folder = self.record["scopes"][scope], self._folder(scope)
        return (
            entry["status"] in SUCCEEDED
            and entry.get("report_fingerprint") == self._report_fingerprint(scope)
            and entry["files"]
            and all(_is_untouched(folder / name, sha) for name, sha in entry["files"].items())
        )

    def _report_job(self, scope, network):
        from culmbook.batch.workers import ReportJob

        entries = self.record["scopes"][scope]["notebooks"]
        failed = {name: e["reason"] for name, e in entries.items() if e["status"] != "done"}
        failed = [{"notebook": n, "reason": why} for n, why in failed.items()]
        context = {"season": self.asked.season, "network": network, "failed": failed}
        made = self._made(scope, "report")
        return ReportJob(scope, made, self._done(scope), context, REPORT_DEADLINE)

    def _done(self, scope):
        entries = self.record["scopes"][scope]["notebooks"]
        names = [n.name for n in self._sections(scope) if n.name in entries]
        done = [name for name in names if entries[name]["status"] == "done"]
        return tuple(self._target(scope, name).resolve() for name in done)

    def _open(self, plan):
        """Note what is about to be made and what no longer stands."""
        for scope in self.scopes:
            if reason := self.record["network"]["stopped"][scope]:
                self.record["scopes"][scope] = blank_scope(status="stopped", reason=reason)
        for scope, jobs in plan.items():
            for job in jobs:
                job.target.parent.mkdir(parents=True)
            names = [notebook.name for notebook in self._sections(scope)]
            entry = self.record["scopes"][scope]
            made = {n: entry["notebooks"][n] for n in names if n in entry["notebooks"]}
            entry |= {"status": "unfinished", "reason": "", "notebooks": made}
        self.write()

    def _note_notebook(self, job, answer):
        notebook = next(n for n in self.notebooks if n.name == job.name)
        made = self._finished(job)
        entry = self.record["scopes"][job.scope]["notebooks"][job.name] = {
            **answer,
            "fingerprint": self._fingerprint(job.scope, notebook),
            "sha256": next(map(file_digest, made.values()), ""),  # a full disk leaves none
            "parameters": job.parameters,
            "finished": _now(),
        }
        if held := self._put(job, made):
            entry |= {"status": "failed", "reason": held}

    def _note_report(self, job, answer):
        failed = job.context["failed"]
        reasons = [f"notebook {section['notebook']}: {section['reason']}" for section in failed]
        made = self._finished(job) if answer["status"] == "done" else {}
        if not made:
            reasons.append(f"report: {answer['reason']}")
        blank = {"headline": "", "n_pages": 0, "places": {}, "incomplete": []}
        notes = {name: answer[name] for name in ("incomplete", "provisional") if answer.get(name)}
        entry = self.record["scopes"][job.scope]
        entry |= {
            **{name: answer.get(name, nothing) for name, nothing in blank.items()},
            "files": {n.removeprefix(f"{job.scope}/"): file_digest(p) for n, p in made.items()},
            "notes": [sentence for said in notes.values() for sentence in said],
            "finished": _now(),
            "report_seconds": answer["seconds"],
            "report_fingerprint": self._report_fingerprint(job.scope),
        }
        reasons += filter(None, [self._put(job, made)])
        entry["status"] = "failed" if reasons else next(iter(notes), "done")
        entry["reason"] = "; ".join(reasons)

    def _note_pages(self, job, answer):
        made = self._finished(job) if answer["status"] == "done" else {}
        digests = {name: file_digest(path) for name, path in made.items()}
        entry = {"n_pages": {}} | answer | {"files": digests}
        self.record["pages"] = entry | {"fingerprint": self._pages_fingerprint()}
        if held := self._put(job, made):
            self.record["pages"] |= {"status": "failed", "reason": held}

    def _put(self, job, made):
        held = self._settle(made)
        shutil.rmtree(self._made(job.scope, job.name), ignore_errors=True)
        return held


def _is_untouched(path, sha256):
    return path.is_file() and file_digest(path) == sha256


def _now():
    return datetime.now(UTC).isoformat(timespec="seconds")
