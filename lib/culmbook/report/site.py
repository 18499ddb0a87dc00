"""The last step for one site: its report and its tables, from its executed notebooks. Runs in a worker."""

import tempfile
from dataclasses import asdict
from pathlib import Path

from culmbook.batch.inputs import file_digest, notebook_site
from culmbook.report.pdf import build_report
from culmbook.report.workbook import write_tables
from culmbook.text.files import TEMPORARY, publish
from culmbook.trials.seasons import of_season

OWNED = ["*.pdf", "*.xlsx", "tables/*.csv"]
"""Files of a site's folder that belong to this step."""


def make_report(job):
    """Make the report and the tables of one scope, and put them in place together.

    Parameters
    ----------
    job : culmbook.batch.worker.ReportJob
        Its context holds ``season``, ``network``, ``started`` (ISO 8601) and ``failed``, the notebooks
        left out.

    Returns
    -------
    dict
        ``headline``, ``n_pages``, ``is_incomplete``, ``is_provisional``, ``notes`` (sentences of the first
        page) and ``files``, hash by path relative to the scope's folder.
    """
    season = job.context["season"]
    network = of_season(job.context["network"], season)
    site = notebook_site(job.scope)
    made = Path(tempfile.mkdtemp(prefix=TEMPORARY, dir=job.folder))
    summary = build_report(
        list(job.notebooks),
        made / f"{job.scope}_{season}.pdf",
        site=site,
        season=season,
        facts=asdict(network.settings.report),
        network=network,
        run={k: job.context[k] for k in ("started", "failed")},
    )
    write_tables(list(job.notebooks), made, network=network, site=site)
    files = publish(made, job.folder, OWNED)
    return {
        "headline": summary.headline,
        "n_pages": summary.n_pages,
        "is_incomplete": summary.is_incomplete,
        "is_provisional": summary.is_provisional,
        "notes": [*summary.incomplete, *summary.provisional],
        "files": {name: file_digest(job.folder / name) for name in files},
    }
