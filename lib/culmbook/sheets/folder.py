"""Which files of a network folder hold which table of which site."""

from dataclasses import dataclass
from pathlib import Path

from culmbook.sheets.dictionary import tables
from culmbook.sheets.headers import plain_header
from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.values import did_you_mean

TABLE_FILES = (".csv", ".tsv", ".xlsx", ".xlsm", ".xls", ".ods")
BESIDE = ("corrections", "settings")
# Left aside without a word: notes for people, litter of file managers, the demo's truth
SILENT_NAMES = {"thumbs.db", "desktop.ini", "readme", "truth"}
SILENT_ENDS = (".md", ".txt", ".pdf", ".schema.json")


@dataclass(frozen=True)
class TableFile:
    """A file that holds the rows of one table; `site` is empty at the root of the network."""

    path: Path
    table: str
    site: str


def list_folder(folder, root, site=""):
    """Return the table files that stand in one folder, its subfolders, and what was set aside.

    Parameters
    ----------
    folder, root : pathlib.Path
        The folder to list, and the network folder.
    site : str
        Site of the folder; empty for the network folder itself.

    Returns
    -------
    files : list of TableFile
        At most one per table: a table that is there twice is refused.
    subfolders : list of pathlib.Path
    problems : list of Problem
    """
    files, subfolders, problems = [], [], []
    for path in sorted(folder.iterdir()):
        name, table = path.relative_to(root).as_posix(), plain_header(path.stem)
        is_table_file = path.suffix.lower() in TABLE_FILES
        if path.name.startswith("~$"):
            rule = (
                f"a lock file: {path.name[2:]} was open in Excel; its last changes may not be saved"
            )
            mend = "close the workbook and run again"
            problems.append(note("N-SKIPPED", name, rule, mend, site=site or None))
        elif path.name.startswith(".") or {path.name.lower(), path.stem.lower()} & SILENT_NAMES:
            continue
        elif is_table_file and (table in tables() or (table == "corrections" and not site)):
            files.append(TableFile(path, table, site))
        elif path.is_dir() and not is_table_file:
            subfolders.append(path)
        elif path.suffix.lower() not in SILENT_ENDS and not (table in BESIDE and not site):
            problems.append(_skipped(path, name, table, site))
    return _once_each(files, root, problems), subfolders, problems


def _skipped(path, name, table, site):
    mend = did_you_mean(table, [*tables(), *BESIDE])
    if table in BESIDE:
        return note(
            "N-SKIPPED",
            name,
            f"{path.name} counts only at the root of the network, as {table}"
            + (".toml" if table == "settings" else ".csv"),
            "move it there",
            site=site or None,
        )
    mend = mend if mend.startswith("did you mean") else "name it after its table, or take it out"
    return note("N-SKIPPED", name, "no table of this name: not read", mend, site=site or None)


def _once_each(files, root, problems):
    """Return the files without the tables that stand twice in one folder; those are refused."""
    kept = []
    for file in files:
        same = [other.path.name for other in files if other.table == file.table]
        if len(same) == 1:
            kept.append(file)
            continue
        problems.append(
            refuse_file(
                "E-SHEET",
                file.path.relative_to(root).as_posix(),
                f"{' and '.join(same)} both hold the table {file.table}: which one?",
                "delete one, or put their rows together",
                table=file.table,
                site=file.site or None,
            )
        )
    return kept


def site_folders(subfolders, sites, root):
    """Return the folders named by a known site, and a problem for each other folder.

    Parameters
    ----------
    subfolders : list of pathlib.Path
    sites : collection of str
        Known site codes.
    root : pathlib.Path

    Returns
    -------
    folders : dict of str to pathlib.Path
    problems : list of Problem
        ``E-SITE`` for a folder that holds tables but no known site's name, ``E-PATH`` for a link that leaves
        the network folder, else ``N-SKIPPED``.
    """
    folders, problems = {}, []
    for path in subfolders:
        name, site = path.name, path.name if path.name in sites else None
        try:
            is_outside = not path.resolve().is_relative_to(root.resolve())
            inside = [] if is_outside else [plain_header(inner.stem) for inner in path.iterdir()]
        except OSError as error:
            problems.append(
                refuse_file(
                    "E-PATH",
                    name,
                    f"the folder cannot be read: {error.strerror}",
                    "give yourself read permission",
                    site=site,
                )
            )
            continue
        if is_outside:
            problems.append(
                refuse_file(
                    "E-PATH",
                    name,
                    "a link that leads outside the network folder",
                    "copy the folder itself",
                    site=site,
                )
            )
        elif site:
            folders[name] = path
        elif set(inside) & set(tables()):
            rule = "the folder holds tables but its name is no site of the table sites"
            problems.append(
                refuse_file("E-SITE", name, rule, did_you_mean(name, list(sites)), value=name)
            )
        else:
            problems.append(note("N-SKIPPED", name, "a folder that is no site: not read"))
    return folders, problems
