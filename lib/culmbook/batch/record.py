"""What a batch remembers in ``run.json``: what was made, from what, how it went."""

import json
from pathlib import Path

from culmbook.batch.inputs import file_digest
from culmbook.text.files import write_json

RUN_FILE = "run.json"
SUCCEEDED = ("done", "provisional", "incomplete")
"""Statuses of a scope whose report stands; the last two say on its first page what is missing or still to come."""


def read_record(out):
    """Return the record an earlier run left in an output folder, or an empty one.

    Parameters
    ----------
    out : Path

    Returns
    -------
    dict
        With ``scopes``, a dict by site code (or ``network``).

    Raises
    ------
    ValueError
        If ``run.json`` is there but cannot be read.
    """
    path = Path(out) / RUN_FILE
    if not path.exists():
        return {"scopes": {}}
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return {**record, "scopes": dict(record["scopes"])}
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError(
            f"{path} cannot be read ({error}); delete it to compute everything anew"
        ) from error


def write_record(out, record):
    """Write the record, whole or not at all."""
    write_json(Path(out) / RUN_FILE, record)


def blank_scope():
    """Return the record of a scope of which nothing is made yet."""
    return {
        "status": "pending",
        "reason": "",
        "notebooks": {},
        "files": {},
        "headline": "",
        "notes": [],
    }


def is_current_notebook(entry, fingerprint, path):
    """Tell whether an executed notebook needs no work: same fingerprint, ran to its end, file untouched."""
    return (
        entry is not None
        and entry["status"] == "done"
        and entry["fingerprint"] == fingerprint
        and _is_untouched(path, entry["sha256"])
    )


def is_current_report(scope, fingerprint, folder):
    """Tell whether a scope's report and tables need no work."""
    return (
        scope["status"] in SUCCEEDED
        and scope.get("report_fingerprint") == fingerprint
        and scope["files"]
        and all(_is_untouched(Path(folder) / name, sha) for name, sha in scope["files"].items())
    )


def _is_untouched(path, sha256):
    return Path(path).is_file() and file_digest(path) == sha256
