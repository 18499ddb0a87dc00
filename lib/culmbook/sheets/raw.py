"""The files of a network folder: which hold which table of which site, and each read into text
cells.

Nothing here judges a value: what a column means, and whether a cell fits, is left to whoever reads
the :class:`RawTable`. What can be known from the bytes alone (encoding, form, file type) is settled
here.
"""

import hashlib
import io
import os
import stat
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from culmbook.sheets.csvtext import read_text
from culmbook.sheets.dictionary import tables
from culmbook.sheets.grid import RawTable, plain_header, shape
from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.values import did_you_mean

TABLE_FILES = (".csv", ".tsv", ".xlsx", ".xlsm", ".xls", ".ods")
BESIDE = ("corrections", "settings", "headings")
# Left aside without a word: notes for people, litter of file managers, the demo's truth
SILENT_NAMES = {"thumbs.db", "desktop.ini", "readme", "truth"}
SILENT_ENDS = (".md", ".txt", ".pdf", ".schema.json")
LARGEST_FILE = 400_000_000  # bytes; a million rows of a field table are some 60 MB
WORKBOOKS = (".xlsx", ".xlsm")
_PERMISSION = "give yourself read permission"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MAGIC = {
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\0": "xz",
    b"7z\xbc\xaf": "7z",
    b"Rar!": "RAR",
    b"\x28\xb5\x2f\xfd": "zstandard",
    b"%PDF": "PDF",
    b"\x89PNG": "PNG picture",
    b"\xff\xd8\xff": "JPEG picture",
    b"PAR1": "Parquet",
    b"SQLite format 3": "SQLite",
    **dict.fromkeys((b"\x80\x02", b"\x80\x03", b"\x80\x04", b"\x80\x05"), "pickle"),
    b"{\\rtf": "RTF",
    b"\x93NUMPY": "NumPy",
    b"ARROW1": "Arrow",
    b"\x89HDF": "HDF5",
}


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
    rule = "no table of this name: not read"
    mend = did_you_mean(table, [*tables(), *BESIDE])
    if table in BESIDE:
        ending = ".csv" if table == "corrections" else ".toml"
        rule = f"{path.name} counts only at the root of the network, as {table}{ending}"
        mend = "move it there"
    elif not mend.startswith("did you mean"):
        mend = "name it after its table, or take it out"
    return note("N-SKIPPED", name, rule, mend, site=site or None)


def _once_each(files, root, problems):
    """Return the files without the tables that stand twice in one folder; those are refused."""
    kept = []
    for file in files:
        same = [other.path.name for other in files if other.table == file.table]
        if len(same) == 1:
            kept.append(file)
            continue
        rule = f"{' and '.join(same)} both hold the table {file.table}: which one?"
        mend = "delete one, or put their rows together"
        place = {"table": file.table, "site": file.site or None}
        name = file.path.relative_to(root).as_posix()
        problems.append(refuse_file("E-SHEET", name, rule, mend, **place))
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
        ``E-SITE`` for a folder that holds tables but no known site's name, ``E-PATH`` for a link
        that leaves the network folder, else ``N-SKIPPED``.
    """
    folders, problems = {}, []
    for path in subfolders:
        name, site = path.name, path.name if path.name in sites else None
        try:
            is_outside = not path.resolve().is_relative_to(root.resolve())
            inside = set() if is_outside else {plain_header(inner.stem) for inner in path.iterdir()}
        except OSError as error:
            rule, mend = f"the folder cannot be read: {error.strerror}", _PERMISSION
            problems.append(refuse_file("E-PATH", name, rule, mend, site=site))
            continue
        if is_outside:
            rule, mend = "a link that leads outside the network folder", "copy the folder itself"
            problems.append(refuse_file("E-PATH", name, rule, mend, site=site))
        elif site:
            folders[name] = path
        elif inside & set(tables()):
            rule = "the folder holds tables but its name is no site of the table sites"
            mend = did_you_mean(name, list(sites))
            problems.append(refuse_file("E-SITE", name, rule, mend, value=name))
        else:
            problems.append(note("N-SKIPPED", name, "a folder that is no site: not read"))
    return folders, problems


def read_raw(path, root, names=()):
    """Read a CSV file or an XLSX workbook into text cells.

    Parameters
    ----------
    path, root : path-like
        The file, and the network folder it must lie in.
    names : iterable of str
        Column names of the table, if known: they tell the header from title rows, the table's sheet
        from others, and the delimiter in doubtful files.

    Returns
    -------
    RawTable
        Never raises for bad content: a refused file comes back without rows, with an ``error_file``
        problem.
    """
    path, root = Path(path), Path(root)
    file = os.path.relpath(path, root).replace(os.sep, "/")
    data, fault = _content(path, root, file)
    facts = {} if fault else {"sha256": hashlib.sha256(data).hexdigest(), "n_bytes": len(data)}
    fault = fault or foreign_bytes(data, file)
    if fault:
        return RawTable(file, problems=[fault], **facts)
    names = frozenset(map(plain_header, names))
    if path.suffix.lower() in WORKBOOKS:
        from culmbook.sheets.xlsx import read_workbook  # loads only when a workbook turns up

        grid, table = read_workbook(data, file, names)
    else:
        grid, table = read_text(data, file, names), None
    if any(p.severity == "error_file" for p in grid.problems):
        table = RawTable(file, grid.sheet, delimiter=grid.delimiter, encoding=grid.encoding)
    else:
        table = table or shape(grid, names)
        table.n_rows += sum(p.severity == "error_row" for p in grid.problems)
    table.problems = [*grid.problems, *table.problems]
    table.sha256, table.n_bytes = facts["sha256"], facts["n_bytes"]
    if table.refused:
        table.lines, table.rows, table.kinds = [], [], {}
    return table


def _content(path, root, file):
    """Return (bytes, None), or (None, problem) for what is not a plain readable file inside
    `root`.
    """
    copy = "copy the file itself into the folder"

    def refuse(rule, mend="", code="E-PATH"):
        return None, refuse_file(code, file, rule, mend)

    try:
        if not path.resolve(strict=True).is_relative_to(root.resolve()):
            return refuse("a link that leads outside the network folder", copy)
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            return refuse("a folder with the name of a table", "rename or remove the folder")
        if not stat.S_ISREG(mode):
            return refuse("not a regular file", "remove it")
        before = _stamp(path)
        if before[0] > LARGEST_FILE:
            rule = f"{before[0]} bytes, at most {LARGEST_FILE} are read"
            return refuse(rule, "split the table by site", "E-SIZE")
        data = _read_all(path)
        if _stamp(path) != before or len(data) != before[0]:
            return refuse("the file changed while it was read", "run again", "E-CHANGED")
        return data, None
    except PermissionError:
        return refuse("no permission to read the file", _PERMISSION)
    except FileNotFoundError:
        return refuse("the file is not there (a link that leads nowhere)", copy)
    except (OSError, RuntimeError) as error:
        return refuse(f"the file cannot be read: {error}", "copy the file again")


def _stamp(path):
    """Return what changes when a file does: size, time of change, identity."""
    now = path.stat()
    return now.st_size, now.st_mtime_ns, now.st_ino


def _read_all(path):
    # O_NONBLOCK: were the file swapped for a pipe after the check, opening it would otherwise wait
    # for ever
    flag = getattr(os, "O_NONBLOCK", 0)
    with open(path, "rb", opener=lambda p, flags: os.open(p, flags | flag)) as source:
        return source.read()


def foreign_bytes(data, file):
    """Return the problem of a file that is not what its name says, or None.

    Parameters
    ----------
    data : bytes
    file : str
        Name, whose ending says what is expected: a workbook (.xlsx, .xlsm) or text (anything else).

    Returns
    -------
    Problem or None
        E-TYPE or E-PASSWORD, naming what the bytes are and what to do. Nothing is unpacked or
        loaded.
    """
    is_workbook = PurePosixPath(file).suffix.lower() in WORKBOOKS
    code, fault = "E-TYPE", None
    if data.startswith(_OLE):
        fault = "an old .xls workbook (or other old office file)", "save as .xlsx"
        if "EncryptedPackage".encode("utf-16-le") in data:
            code = "E-PASSWORD"
            fault = "the workbook is protected by a password", "save without password"
    elif data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        fault = _archive_fault(data, is_workbook)
    elif kind := next((name for magic, name in _MAGIC.items() if data.startswith(magic)), None):
        rule = f"this is {kind} data, not a text table or workbook"
        fault = rule, "export the table itself as CSV UTF-8 or XLSX"
    elif is_workbook and data.strip():
        rule = "this is not a workbook, whatever its name says (text or damaged)"
        fault = rule, "rename to .csv if it is text; else copy the file again"
    return fault and refuse_file(code, file, *fault)


def _archive_fault(data, is_workbook):
    """Return (rule, mend) of a ZIP archive that is no workbook, or not named as one; else None."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = set(archive.namelist())
            mimetype = archive.open("mimetype").read(100) if "mimetype" in parts else b""
    except Exception:  # a damaged archive can raise nearly anything; it begins like a workbook
        return "a workbook that is damaged or cut off", "copy the file again"
    if mimetype.startswith(b"application/vnd.oasis"):
        return "an OpenDocument file", "save as .xlsx or .csv"
    if "xl/workbook.bin" in parts:
        return "a binary workbook (.xlsb)", "save as .xlsx"
    if not any(part.startswith("xl/") for part in parts):
        return "a ZIP archive, but no workbook", "unpack it first"
    return (
        None if is_workbook else ("this is a workbook, whatever its name says", "rename to .xlsx")
    )
