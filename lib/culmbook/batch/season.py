"""One run of a season over one output folder: what is due, doing it, and noting every result as it comes."""

from dataclasses import asdict
from datetime import UTC, datetime

from culmbook import __version__
from culmbook.batch.index import index_page
from culmbook.batch.inputs import (
    NETWORK,
    digest,
    file_digest,
    input_hashes,
    inputs_of,
    library_fingerprint,
    notebook_site,
    package_versions,
)
from culmbook.batch.plan import parameters_for
from culmbook.batch.record import (
    blank_scope,
    is_current_notebook,
    is_current_report,
    read_record,
    write_record,
)
from culmbook.batch.worker import NotebookJob, ReportJob
from culmbook.text.files import scope_folder, write_whole

REPORT_DEADLINE = 600
"""Longest time for the report and tables of one site [s]."""
INDEX_FILE = "index.html"
NEEDED = "plots"
"""The table without which there is nothing to report on; the tables it points at come with it."""


class Batch:
    """One run of a season.

    Parameters
    ----------
    asked : culmbook.batch.run.Season
        What to do.
    notebooks : list of culmbook.batch.plan.ReportNotebook
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
    """

    def __init__(self, asked, notebooks, given, data):
        self.asked = asked
        self.notebooks = notebooks
        self.given = given
        self.data = data
        self.scopes = []
        self.hashes = input_hashes(data)
        self.versions = package_versions()
        self.library = library_fingerprint()
        self.record = read_record(asked.out) | {
            "culmbook": __version__,
            "season": asked.season,
            "data": asked.data,
            "given": asked.given,
            "inputs": self.hashes,
            "library": self.library,
            "packages": self.versions,
        }

    def is_known(self):
        """Tell whether an earlier run has read this very data, and take the sites from its record if so."""
        if self.record.get("network", {}).get("fingerprint") != self._network_fingerprint():
            return False
        self._choose_scopes()
        return True

    def plan(self):
        """Return the notebook jobs that are due, by scope, for every scope whose report must be made."""
        plan = {}
        for scope in self.scopes:
            if self._why_stopped(scope):
                continue
            jobs = [self._notebook_job(scope, notebook) for notebook in self._due(scope)]
            if jobs or self.asked.fresh or not self._is_reported(scope):
                plan[scope] = jobs
        return plan

    def work(self, progress):
        """Do what is due.

        Parameters
        ----------
        progress : culmbook.batch.run.Progress
        """
        from culmbook.batch.workers import Pool
        from culmbook.sheets.read import read_network

        with Pool(self.asked.jobs, digest(str(self.asked.out.resolve()))[:8]) as pool:
            network = read_network(self.data)  # while the workers start
            self.learn(network)
            plan = self.plan()
            self._open(plan)
            progress.planned(sum(len(jobs) + 1 for jobs in plan.values()))
            waits_for = {scope: len(jobs) for scope, jobs in plan.items()}
            queue = [job for jobs in plan.values() for job in jobs][::-1]
            queue += [self._report_job(scope, network) for scope, jobs in plan.items() if not jobs]
            for job, answer in pool.run(queue, progress.began):
                self._note(job, answer)
                progress.ended(job, answer)
                waits_for[job.scope] -= 1
                if waits_for[job.scope] == 0:
                    queue.append(self._report_job(job.scope, network))

    def learn(self, network):
        """Note which sites a network has and which of them cannot be reported on.

        Parameters
        ----------
        network : culmbook.sheets.read.Network
            All sites.
        """
        sites = list(network.tables["sites"]["site"])
        refused = network.problems[network.problems["severity"] != "note"]
        lost = refused[refused["table"] == "sites"]
        self.record["network"] = {
            "fingerprint": self._network_fingerprint(),
            "sites": sites,
            "report": asdict(network.settings.report),
            "site_names": _names_of(network.tables["sites"]),
            "n_refused": len(refused),
            "stopped": {
                scope: network.stopped(notebook_site(scope), NEEDED) for scope in [NETWORK, *sites]
            },
            "sites_refused": [
                f"{row.file}: {row.rule}"
                if row.value is None
                else f"{row.file}: {row.value!r}: {row.rule}"
                for row in lost.itertuples()
            ],
        }
        self._choose_scopes()

    def write(self):
        """Write the record and the index page, unless they stand as they are."""
        if read_record(self.asked.out) != self.record:
            write_record(self.asked.out, self.record)
        page, path = index_page(self.record), self.asked.out / INDEX_FILE
        if not path.is_file() or path.read_text(encoding="utf-8") != page:
            write_whole(path, page)

    def _network_fingerprint(self):
        return digest([self.hashes, self.library])

    def _choose_scopes(self):
        known = [NETWORK, *self.record["network"]["sites"]]
        unknown = [site for site in self.asked.sites if site not in known]
        if unknown:
            raise ValueError(
                f"--site {', '.join(unknown)}: no such site; there are {', '.join(known)}"
            )
        self.scopes = [
            scope for scope in known if not self.asked.sites or scope in self.asked.sites
        ]
        entries = self.record["scopes"]
        self.record["scopes"] = {scope: entries.get(scope) or blank_scope() for scope in known}

    def _why_stopped(self, scope):
        return self.record["network"]["stopped"][scope]

    def _folder(self, scope):
        return scope_folder(self.asked.out, scope)

    def _sections(self, scope):
        return [notebook for notebook in self.notebooks if notebook.serves(scope)]

    def _target(self, scope, name):
        return self._folder(scope) / "notebooks" / f"{name}.ipynb"

    def _parameters(self, scope, notebook):
        return parameters_for(scope, self.asked.data, self.asked.season, self.given[notebook.name])

    def _fingerprint(self, scope, notebook):
        parameters = self._parameters(scope, notebook)
        del parameters["data"]  # the same data under another path give the same results
        read = self.hashes if notebook.reads_all_sites else inputs_of(scope, self.hashes)
        return digest([read, notebook.fingerprint, self.library, self.versions, parameters])

    def _due(self, scope):
        entries = self.record["scopes"][scope]["notebooks"]
        return [
            notebook
            for notebook in self._sections(scope)
            if self.asked.fresh
            or not is_current_notebook(
                entries.get(notebook.name),
                self._fingerprint(scope, notebook),
                self._target(scope, notebook.name),
            )
        ]

    def _notebook_job(self, scope, notebook):
        return NotebookJob(
            scope,
            notebook.name,
            notebook.path.resolve(),
            self._target(scope, notebook.name).resolve(),
            self._parameters(scope, notebook),
            self.asked.cell_timeout,
            3 * self.asked.cell_timeout,
        )

    def _report_fingerprint(self, scope):
        made = [
            [n.name, self.record["scopes"][scope]["notebooks"].get(n.name)]
            for n in self._sections(scope)
        ]
        made = [
            [name, entry and [entry["status"], entry["reason"], entry["sha256"]]]
            for name, entry in made
        ]
        return digest([made, inputs_of(scope, self.hashes), self.library, self.versions])

    def _is_reported(self, scope):
        return is_current_report(
            self.record["scopes"][scope], self._report_fingerprint(scope), self._folder(scope)
        )

    def _report_job(self, scope, network):
        entries = self.record["scopes"][scope]["notebooks"]
        made = tuple(
            self._target(scope, n.name).resolve()
            for n in self._sections(scope)
            if entries[n.name]["status"] == "done"
        )
        failed = [
            {"notebook": name, "reason": entry["reason"]}
            for name, entry in entries.items()
            if entry["status"] != "done"
        ]
        context = {
            "season": self.asked.season,
            "network": network,
            "failed": failed,
            "started": _now(),
        }
        return ReportJob(scope, self._folder(scope).resolve(), made, context, REPORT_DEADLINE)

    def _open(self, plan):
        """Note what is about to be made and take away what no longer stands."""
        for scope in self.scopes:
            if self._why_stopped(scope):
                self._withdraw(scope)
                self.record["scopes"][scope] = blank_scope() | {
                    "status": "stopped",
                    "reason": self._why_stopped(scope),
                }
        for scope in plan:
            self._target(scope, "").parent.mkdir(parents=True, exist_ok=True)
            names = [notebook.name for notebook in self._sections(scope)]
            for stale in self._target(scope, "").parent.glob("*.ipynb"):
                if stale.stem not in names:
                    stale.unlink()
            entry = self.record["scopes"][scope]
            entry |= {
                "status": "unfinished",
                "reason": "",
                "notebooks": {n: entry["notebooks"][n] for n in names if n in entry["notebooks"]},
            }
        self.write()

    def _withdraw(self, scope):
        for name in self.record["scopes"][scope]["files"]:
            (self._folder(scope) / name).unlink(missing_ok=True)

    def _note(self, job, answer):
        if isinstance(job, NotebookJob):
            self._note_notebook(job, answer)
        else:
            self._note_report(job, answer)
        write_record(self.asked.out, self.record)

    def _note_notebook(self, job, answer):
        notebook = next(n for n in self.notebooks if n.name == job.name)
        self.record["scopes"][job.scope]["notebooks"][job.name] = {
            **answer,
            "fingerprint": self._fingerprint(job.scope, notebook),
            "sha256": file_digest(job.target),
            "parameters": job.parameters,
            "finished": _now(),
        }

    def _note_report(self, job, answer):
        entry = self.record["scopes"][job.scope]
        reasons = [
            f"notebook {failed['notebook']}: {failed['reason']}" for failed in job.context["failed"]
        ]
        if answer["status"] != "done":
            self._withdraw(job.scope)
            reasons.append(f"report: {answer['reason']}")
        status = "failed" if reasons else _status_of(answer)
        made = {
            key: answer.get(key, default)
            for key, default in (("headline", ""), ("notes", []), ("files", {}), ("n_pages", 0))
        }
        entry |= made | {
            "status": status,
            "reason": "; ".join(reasons),
            "finished": _now(),
            "report_seconds": answer["seconds"],
            "report_fingerprint": self._report_fingerprint(job.scope),
        }


def _names_of(sites):
    return {row.site: row.site_name for row in sites.dropna(subset="site_name").itertuples()}


def _status_of(answer):
    """Return the status of a report that was made; what was refused matters more than what is still to come."""
    if answer["is_incomplete"]:
        return "incomplete"
    return "provisional" if answer["is_provisional"] else "done"


def _now():
    return datetime.now(UTC).isoformat(timespec="seconds")
