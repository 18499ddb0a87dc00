"""What a person sees of a batch: a bar while it runs, a few lines at its end."""

import sys

from tqdm import tqdm

from culmbook.batch.index import STATUS_WORDS
from culmbook.batch.record import SUCCEEDED
from culmbook.batch.run import Progress


class Bar(Progress):
    """A progress bar with the sites and notebooks under way; plain lines where there is no terminal.

    Parameters
    ----------
    stream : file, optional
        Where to; standard error by default.
    """

    def __init__(self, stream=None):
        self._stream = stream or sys.stderr
        self._bar = None
        self._running = []

    def __enter__(self):
        return self

    def __exit__(self, *exception):
        if self._bar is not None:
            self._bar.close()

    def planned(self, n_jobs):
        self._bar = tqdm(
            total=n_jobs,
            file=self._stream,
            unit="job",
            disable=not self._stream.isatty(),
            dynamic_ncols=True,
            bar_format="{n_fmt}/{total_fmt} |{bar}| {elapsed} {desc}",
        )

    def began(self, job):
        self._running.append(f"{job.scope} {job.name}")
        self._show()

    def ended(self, job, answer):
        self._running.remove(f"{job.scope} {job.name}")
        self._bar.update()
        if answer["status"] != "done":
            tqdm.write(f"{job.scope} {job.name} FAILED: {answer['reason']}", file=self._stream)
        elif self._bar.disable:
            print(
                f"{job.scope} {job.name}: {answer['seconds']:.1f} s", file=self._stream, flush=True
            )
        self._show()

    def _show(self):
        self._bar.set_description_str(", ".join(self._running))


def closing_words(record, out):
    """Sum up a batch.

    Parameters
    ----------
    record : dict
        From `culmbook.batch.run.run_season`.
    out : Path
        The output folder.

    Returns
    -------
    tuple
        The lines, one per site that was asked for, and whether every one of them has its report.
    """
    entries = {scope: record["scopes"][scope] for scope in record["asked"]}
    width = max(map(len, entries), default=0)
    lines = [_line(scope.ljust(width), entry) for scope, entry in entries.items()]
    lost = record["network"]["sites_refused"]
    lines += [f"A site may be missing, because its row was refused: {text}" for text in lost]
    lines.append(f"Open {out / 'index.html'}")
    return "\n".join(lines), not lost and all(
        entry["status"] in SUCCEEDED for entry in entries.values()
    )


def _line(name, entry):
    said = entry["reason"] or entry["headline"] or " ".join(entry["notes"][:1])
    return f"{name}  {STATUS_WORDS[entry['status']]}{': ' if said else ''}{said}"
