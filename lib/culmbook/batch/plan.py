"""Which notebooks make up a report, for which scopes, and with what parameters?"""

import json
from dataclasses import dataclass
from pathlib import Path

from culmbook.batch.executed import SENTINEL_TAG
from culmbook.batch.inputs import NETWORK, notebook_fingerprint, notebook_site
from culmbook.batch.parameters import check_given, read_parameters, source, tags

GIVEN_BY_BATCH = {"data": "str", "season": "int", "site": "str"}
SCOPE_KINDS = ("site", "network")


@dataclass(frozen=True)
class ReportNotebook:
    """A notebook that is a section of reports.

    Parameters
    ----------
    name : str
        File name without its ending.
    path : Path
        The notebook file.
    order : int
        Place in the report.
    scopes : tuple of str
        ``"site"``, ``"network"`` or both.
    parameters : dict of str to Parameter
        What it takes.
    fingerprint : str
        Hash of its cells.
    reads_all_sites : bool
        Whether its results for one site depend on the other sites' files too.
    """

    name: str
    path: Path
    order: int
    scopes: tuple
    parameters: dict
    fingerprint: str
    reads_all_sites: bool = False

    def serves(self, scope):
        """Tell whether it is a section of the report of this scope (a site code or ``"network"``)."""
        return (NETWORK if scope == NETWORK else "site") in self.scopes


def find_notebooks(folder):
    """Find the notebooks that say in their metadata that they belong into reports.

    Parameters
    ----------
    folder : Path
        Holds ``*.ipynb``; a notebook with ``metadata.culmbook`` of the form
        ``{"report": true, "scopes": […], "order": n}`` is taken; ``"reads_all_sites": true`` says that a
        site's section needs the other sites' files as well.

    Returns
    -------
    list of ReportNotebook
        In report order.

    Raises
    ------
    ValueError
        If there is none, or one is not readable, states its metadata wrongly, lacks the parameters every
        batch gives (``data``, ``season``, ``site``), or cannot say that it finished; all faults
        come in one message.
    """
    found, faults = [], []
    for path in sorted(Path(folder).glob("*.ipynb")):
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            about = content["metadata"].get("culmbook", {})
            if about.get("report"):
                found.append(_checked(path, content, about))
        except (ValueError, KeyError, AttributeError, TypeError) as error:
            faults.append(
                str(error)
                if str(error).startswith(path.name)
                else f"{path.name}: is no readable notebook ({type(error).__name__}: {error})"
            )
    if not found and not faults:
        faults = [f"{folder} holds no notebook with metadata.culmbook.report.pdf = true"]
    if faults:
        raise ValueError("\n".join(faults))
    return sorted(found, key=lambda n: (n.order, n.name))


def _checked(path, content, about):
    scopes, order = about.get("scopes"), about.get("order")
    if (
        not isinstance(scopes, list)
        or not scopes
        or set(scopes) - set(SCOPE_KINDS)
        or type(order) is not int
    ):
        raise ValueError(
            f"{path.name}: metadata.culmbook needs scopes, a list from {list(SCOPE_KINDS)}, and "
            f"order, a whole number; it has scopes {scopes!r} and order {order!r}"
        )
    reads_all = about.get("reads_all_sites", False)
    if type(reads_all) is not bool:
        raise ValueError(
            f"{path.name}: metadata.culmbook reads_all_sites is {reads_all!r}, not true or false"
        )
    parameters = read_parameters(content, path.name)
    for name, kind in GIVEN_BY_BATCH.items():
        if name not in parameters or parameters[name].type != kind:
            raise ValueError(f"{path.name}: the parameters cell must hold '{name}: {kind} = …'")
    code = [c for c in content["cells"] if c["cell_type"] == "code" and source(c).strip()]
    if SENTINEL_TAG not in tags(code[-1]):
        raise ValueError(
            f"{path.name}: the last code cell must carry the tag {SENTINEL_TAG!r}; without it nobody "
            f"can tell that the notebook reached its end"
        )
    return ReportNotebook(
        path.stem, path, order, tuple(scopes), parameters, notebook_fingerprint(content), reads_all
    )


def check_parameters(notebooks, given):
    """Check parameters typed by the user against all notebooks, before any of them runs.

    Parameters
    ----------
    notebooks : list of ReportNotebook
    given : dict
        Values by name.

    Returns
    -------
    dict of str to dict
        For each notebook name the values it takes.

    Raises
    ------
    ValueError
        As `culmbook.batch.parameters.check_given`, and for parameters that the batch gives itself.
    """
    own = sorted(set(given) & set(GIVEN_BY_BATCH))
    if own:
        raise ValueError(
            f"{', '.join(own)}: given by the batch itself; use DATA, --season and --site"
        )
    return check_given(given, {n.name: n.parameters for n in notebooks})


def parameters_for(scope, data, season, given):
    """Return all values a notebook is run with.

    Parameters
    ----------
    scope : str
        Site code or ``"network"``; notebooks know the network as site ``"all"``.
    data : str
        Network folder as the user wrote it.
    season : int
        Growing season.
    given : dict
        Values for this notebook from `check_parameters`.

    Returns
    -------
    dict
    """
    return {"data": data, "season": season, "site": notebook_site(scope), **given}
