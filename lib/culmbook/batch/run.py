"""Run a season: every notebook for every site, then every site's report, skipping what is unchanged."""

from dataclasses import dataclass, field
from pathlib import Path

from culmbook.batch.plan import check_parameters, find_notebooks
from culmbook.batch.record import RUN_FILE, read_record
from culmbook.batch.season import Batch
from culmbook.sheets.read import resolve_data
from culmbook.text.files import LOCK_FILE, locked, remove_leftovers


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
    cell_timeout: int = 600


class Progress:
    """What the batch tells while it runs; does nothing. The command overrides it with a progress bar."""

    def planned(self, n_jobs):
        """Called once, with the number of notebooks and reports to make."""

    def began(self, job):
        """Called when a worker takes a job (its `scope` and `name` say which)."""

    def ended(self, job, answer):
        """Called when a job ends, with its answer (``status``, ``reason``, ``seconds``)."""


def run_season(asked, progress=None):
    """Make all reports of a season.

    Parameters
    ----------
    asked : Season
    progress : Progress, optional

    Returns
    -------
    dict
        The record that is also in ``run.json``, with ``asked``, the scopes this call was about.

    Raises
    ------
    ValueError
        Before anything runs: unknown site, unknown or mistyped parameter, unsuitable notebook or folder.
    culmbook.text.files.OutputBusy
        If another batch writes to the same folder.
    """
    notebooks = find_notebooks(asked.notebooks)
    given = check_parameters(notebooks, asked.given)
    data = _check_folders(asked)
    asked.out.mkdir(parents=True, exist_ok=True)
    with locked(asked.out):
        remove_leftovers(asked.out)
        batch = Batch(asked, notebooks, given, data)
        if not batch.is_known() or batch.plan():
            batch.work(progress or Progress())
        batch.write()
    return {**batch.record, "asked": batch.scopes}


def _check_folders(asked):
    data, out = resolve_data(asked.data), asked.out.resolve()
    if out.is_relative_to(data) or data.is_relative_to(out):
        raise ValueError(
            f"--out {asked.out} and the data in {asked.data} must not lie in one another: raw sheets "
            f"are never written to"
        )
    if asked.out.exists() and not asked.out.is_dir():
        raise ValueError(f"--out {asked.out} is a file; give a folder")
    there = (
        [p.name for p in asked.out.iterdir() if not p.name.startswith(".")]
        if asked.out.is_dir()
        else []
    )
    if there and RUN_FILE not in there and not (asked.out / LOCK_FILE).exists():
        raise ValueError(
            f"--out {asked.out} holds other files ({', '.join(sorted(there)[:3])}); give an empty or "
            f"a new folder"
        )
    earlier = read_record(asked.out).get("season", asked.season)
    if earlier != asked.season:
        raise ValueError(
            f"--out {asked.out} holds season {earlier}; give another folder for {asked.season}"
        )
    return data


def notebooks_folder():
    """Return the folder of culmbook's own notebooks: beside the library, else below the working directory.

    Raises
    ------
    ValueError
        If there is none.
    """
    for folder in (Path(__file__).resolve().parents[3] / "notebooks", Path("notebooks")):
        if folder.is_dir():
            return folder
    raise ValueError(
        "no notebooks folder found beside culmbook or here; say where with --notebooks"
    )
