"""Read a network folder: every table checked, every problem listed, only good rows kept."""

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd

from culmbook.sheets import rules
from culmbook.sheets.corrections import Corrections
from culmbook.sheets.crosschecks import cross_checks
from culmbook.sheets.dictionary import corrections_table, tables
from culmbook.sheets.headings import AllHeadings, mapping_notes, unfolded
from culmbook.sheets.problems import problems_frame, refuse_file
from culmbook.sheets.raw import list_folder, read_raw, site_folders
from culmbook.sheets.rows import Rows, read_sheet
from culmbook.sheets.settings import FILE as SETTINGS_FILE
from culmbook.sheets.settings import Settings, read_settings
from culmbook.sheets.values import Conventions, did_you_mean
from culmbook.text.refusal import Refusal

FILE_COLUMNS = ["file", "table", "site", "rows", "rows_kept", "sha256", "bytes"]
FILE_COLUMNS += ["encoding", "delimiter", "decimal"]


@dataclass
class Network:
    """Everything that was read from a network folder.

    Attributes
    ----------
    folder : pathlib.Path
    site : str
        ``all``, or the one site whose rows are held.
    tables : dict of str to pandas.DataFrame
        Every table of the dictionary; only rows that passed every check, sorted by site and key.
        Text is ``str``, whole numbers ``Int64``, numbers ``float64``, dates ``datetime64[us]``; a
        blank is missing. ``source_file`` and ``source_line`` say where a row stands. A table
        without file has no rows.
    settings : Settings
    problems : pandas.DataFrame
        As :func:`culmbook.sheets.problems.problems_frame`.
    files : pandas.DataFrame
        One row per table file: file, table, site, rows, rows_kept, sha256, bytes, encoding,
        delimiter, decimal.
    corrections : pandas.DataFrame
        The corrections with ``applied`` (bool) and ``outcome`` (words).
    """

    folder: Path
    site: str
    tables: dict
    settings: Settings
    problems: pd.DataFrame
    files: pd.DataFrame
    corrections: pd.DataFrame

    def stopped(self, site, *needed):
        """Return why a section cannot run for a site, in a sentence, or None when it can.

        Parameters
        ----------
        site : str
            A site, or ``all``.
        *needed : str
            The tables it needs; the tables those point at are needed too.
        """
        wanted = [*dict.fromkeys([*_with_parents(needed), *needed])]
        errors = self.problems[self.problems["severity"] == "error_file"]
        general = [*wanted, "settings", "headings", "corrections"]
        of_network = errors["site"].isna() & errors["table"].isin(general)
        of_site = (errors["site"] == site) & (errors["table"].isna() | errors["table"].isin(wanted))
        errors = errors[of_network | of_site.fillna(False)]
        if len(errors):
            first = errors.iloc[0]
            fate = "is missing" if first["code"] == "E-MISSING" else "was refused"
            return f"{first['file']} {fate} ({first['code']}): {first['rule']}."
        for name in wanted:
            frame = self.tables[name]
            if frame.empty or "site" in frame and site not in ("all", *frame["site"].unique()):
                where = "" if site == "all" or not tables()[name].has_site else f" for site {site}"
                return f"The table {name} has no usable rows{where}."
        return None

    def required(self, *names):
        """Return tables that a section needs, one frame each (a single frame for one name).

        Raises
        ------
        Refusal
            If one of them, or a table it points at, was refused, is missing or has no rows for the
            site.
        """
        if reason := self.stopped(self.site, *names):
            raise Refusal(reason)
        found = tuple(self.tables[name] for name in names)
        return found if len(found) > 1 else found[0]

    def is_incomplete(self, site):
        """Return whether any row or file that touches the site (``all``: any at all) was refused."""
        errors = self.problems[self.problems["severity"] != "note"]
        touched = errors["site"].isna() | (errors["site"] == site) | (site == "all")
        return bool(touched.any())


def _with_parents(needed):
    """Return the tables that the needed ones point at, those that point at nothing first."""
    known, found = tables(), set()
    todo = list(needed)
    while todo:
        for link in known[todo.pop()].foreign_keys:
            if link.table not in found:
                found.add(link.table)
                todo.append(link.table)
    return [name for name in known if name in found]


def resolve_data(data):
    """Return the network folder meant by `data`: from the working directory, else from the
    repository.

    Parameters
    ----------
    data : str or path-like
        Such as ``data/demo``.

    Raises
    ------
    ValueError
        If there is no such folder.
    """
    repository = Path(__file__).resolve().parents[3]
    for folder in (Path(data), repository / data):
        if folder.is_dir():
            return folder.resolve()
    looked = " or ".join(dict.fromkeys([str(Path.cwd()), str(repository)]))
    raise ValueError(
        f"data={str(data)!r}: no such folder in {looked}; give the folder that holds sites.csv"
    )


def demo_folder():
    """Return the folder of the invented demo network in the repository."""
    return resolve_data("data/demo")


def read_network(data, *, site="all", today=None):
    """Read and check a network folder.

    Parameters
    ----------
    data : str or path-like
        The folder; see :func:`resolve_data`.
    site : str
        ``all``, or one site: then only the files at the root and those of the site are read, and
        only its rows are held (``hybrids`` whole; ``freeze_tests`` and ``decisions`` of the hybrids
        it grows).
    today : datetime.date, optional
        Dates after it are refused; the clock's date by default.

    Returns
    -------
    Network

    Raises
    ------
    ValueError
        If there is no such folder or site. Faults of files and rows are never raised: see
        ``Network.problems``.
    """
    if not isinstance(site, str):
        raise ValueError(
            f"site={site!r} is no text: give the code as text (papermill: -r site {site})"
        )
    reader = _Reader(resolve_data(data), site, today or date.today())
    reader.read()
    return reader.network()


@dataclass
class _Reader:
    """The state of one reading: tables are read in order, those that others point at first."""

    folder: Path
    site: str
    today: date
    problems: list = field(default_factory=list)
    rows: dict = field(default_factory=dict)
    facts: list = field(default_factory=list)
    unusable: set = field(default_factory=set)  # (table, site) whose codes cannot be compared with

    def read(self):
        """Read every table."""
        self.table_files, subfolders, problems = list_folder(self.folder, self.folder)
        self.problems += problems
        self._mark_unusable(problems)
        self.headings = AllHeadings(self.folder)
        self.problems += self.headings.problems
        self.corrections = Corrections()
        self.corrections = Corrections(self._read_corrections(), self.site)
        for name in ("sites", "hybrids"):
            self._read_table(name)
        self._check_site()
        self._add_site_folders(subfolders)
        for name in tables():
            if name not in self.rows:
                self._read_table(name)
        self._read_settings()
        self._check_missing()
        self.problems += self.headings.unused() if self.site == "all" else []
        self.problems += self.corrections.problems()

    def _check_site(self):
        known = sorted(self.known_sites())
        if self.site != "all" and known and self.site not in known:
            meant = did_you_mean(self.site, known)
            raise ValueError(f"site={self.site!r} is not in the table sites; {meant}")

    def known_sites(self):
        """Return the codes of the sites, of those with a refused row too."""
        return set(self.rows["sites"].frame["site"].dropna())

    def _add_site_folders(self, subfolders):
        site = self.site.casefold()
        wanted = [path for path in subfolders if site in ("all", path.name.casefold())]
        known = self.known_sites() or {path.name for path in wanted}
        folders, problems = site_folders(wanted, known, self.folder)
        self.problems += problems
        for name, folder in folders.items():
            files, _, problems = list_folder(folder, self.folder, name)
            self.table_files += files
            self.problems += problems
            self._mark_unusable(problems)

    def _mark_unusable(self, problems):
        self.unusable |= {(p.table, p.site) for p in problems if p.severity == "error_file"}

    def _read_corrections(self):
        files = [file for file in self.table_files if file.table == "corrections"]
        if not files:
            return None
        rows, raw, conventions = self._read_file(files[0], corrections_table())
        self._add_facts(raw, files[0], conventions)
        self.problems += rows.problems
        rules.check_key(rows)
        return rows

    def _read_table(self, name):
        """Read all files of one table, put its corrections in, and keep its rows and problems."""
        table = tables()[name]
        files = [file for file in self.table_files if file.table == name]
        read = [self._read_file(file, table) for file in files]
        rows = self._checked(table, [part for part, _, _ in read])
        owns = [self._own(file, table) for file in files]
        raws = {raw.file: (raw, own) for own, (_, raw, _) in zip(owns, read)}
        if self.corrections.apply(rows, raws):
            read = [self._read_again(file, table, raw) for file, (_, raw, _) in zip(files, read)]
            rows = self._checked(table, [part for part, _, _ in read])
        for file, (part, raw, conventions) in zip(files, read):
            self._add_facts(raw, file, conventions)
            if not len(part.ok):
                self._mark_unusable(part.problems)
        self.problems += rows.problems
        self.rows[name] = rows

    def _read_file(self, file, table):
        own = self._own(file, table)
        raw = read_raw(file.path, self.folder, [*table.columns, *own.named])
        if not raw.refused:
            raw.problems += mapping_notes(raw, table, own)
        return self._read_again(file, table, unfolded(raw, own))

    def _own(self, file, table):
        path = file.path.relative_to(self.folder).as_posix()
        return self.headings.of(path, table, file.site)

    def _read_again(self, file, table, raw):
        own = self._own(file, table)
        rows, conventions = read_sheet(raw, table, self.today, file.site, own)
        if file.site and not table.has_site:
            rule = f"rows of {table.name} belong to no single site"
            mend = "move the file to the root of the network"
            place = {"table": table.name, "site": file.site}
            rows = Rows.empty(table, [refuse_file("E-SITE", raw.file, rule, mend, **place)])
        return rows, raw, conventions or Conventions(None, "ambiguous")

    def _checked(self, table, parts):
        """Return the rows of all files of one table after every check between rows and tables."""
        rows = Rows.joined(table, parts)
        self._check_links(rows)
        if table.name == "sites":
            rules.check_folded(rows, "site")
        rules.check_key(rows)
        rules.check_unique_sets(rows)
        rules.check_rules(rows, self.rows)
        lacking = {(p.file, p.column) for p in rows.problems if p.code == "E-HEADER"}
        told = [
            p for p in rows.problems if p.code == "E-HEADER" or (p.file, p.column) not in lacking
        ]
        rows.problems = told  # not every row of a column that is missing
        if any(link.table == "plots" for link in self._known_links(table)):
            rules.withdraw_without_layout(rows, self.rows["plots"])
        return rows

    def _known_links(self, table):
        return [
            link
            for link in table.foreign_keys
            if (link.table, None) not in self.unusable and len(self.rows[link.table].ok)
        ]

    def _check_links(self, rows):
        for link in self._known_links(rows.table):
            known = rules.known_codes(self.rows[link.table], link.columns)
            if len(link.fields) == 1:
                rules.check_single_codes(rows, link.fields[0], known)
            else:
                rules.check_plots(rows, known)
            if link.fields == ("site",) and rows.table.has_site:
                rules.check_folder_site(rows)
                rows.keep_site(self.site, known.good)

    def _check_missing(self):
        """Refuse a network without the tables that all others point at."""
        there = {file.table for file in self.table_files}
        for name in ("sites", "hybrids", "plots"):
            if name not in there and (name, None) not in self.unusable:
                site = self.site if name == "plots" and self.site != "all" else None
                said = (f"the table {name} is missing", f"add {name}.csv or {name}.xlsx")
                place = {"table": name, "site": site}
                self.problems.append(refuse_file("E-MISSING", f"{name}.csv", *said, **place))

    def _add_facts(self, raw, file, conventions):
        of_file = [raw.file, file.table, file.site or None, raw.n_rows, None]
        of_bytes = [raw.sha256, raw.n_bytes, raw.encoding, raw.delimiter]
        self.facts.append([*of_file, *of_bytes, conventions.decimal])

    def _read_settings(self):
        hybrids = self.rows["hybrids"]
        names = set(hybrids.frame["hybrid"][hybrids.ok]) if len(hybrids.ok) else None
        self.settings, problems = read_settings(self.folder / SETTINGS_FILE, names)
        self.problems += problems
        crops = self.settings.crop_types
        if crops:
            named = hybrids.frame["crop_type"]
            unnamed = hybrids.ok & (named.notna() & ~named.isin(crops)).to_numpy(bool)
            said = ("not among the crop_types of settings.toml", f"named there: {', '.join(crops)}")
            n_before = len(hybrids.problems)
            hybrids.remark(unnamed, "N-CROPTYPE", "crop_type", *said)
            self.problems += hybrids.problems[n_before:]

    def network(self):
        """Return what was read, cut to the site that was asked for."""
        kept = {name: rows.kept() for name, rows in self.rows.items()}
        if self.site != "all":
            grown, sites = kept["plots"]["hybrid"], kept["sites"]
            for name in ("freeze_tests", "decisions"):
                kept[name] = kept[name][kept[name]["hybrid"].isin(grown)].reset_index(drop=True)
            kept["sites"] = sites[sites["site"] == self.site].reset_index(drop=True)
        kept = {name: kept[name] for name in tables()}
        self.problems += cross_checks(kept)
        dtypes = dict.fromkeys(FILE_COLUMNS, "str")
        dtypes |= dict.fromkeys(("rows", "rows_kept", "bytes"), "Int64")
        files = pd.DataFrame(self.facts, columns=FILE_COLUMNS).astype(dtypes)
        n_kept = pd.concat([frame["source_file"] for frame in kept.values()]).value_counts()
        files["rows_kept"] = files["file"].map(n_kept).fillna(0).astype("Int64")
        read = (self.settings, self._problems(), files, self.corrections.frame)
        return Network(self.folder, self.site, kept, *read)

    def _problems(self):
        frame = self._with_plots(problems_frame(self.problems))
        known = self.known_sites()
        if known:
            frame["site"] = frame["site"].where(frame["site"].isin(known))
        if self.site == "all":
            return frame
        return frame[frame["site"].isna() | (frame["site"] == self.site)].reset_index(drop=True)

    def _with_plots(self, frame):
        """Return the problems with the plot of their row and its hybrid."""
        source = ["source_file", "source_line"]
        held = [r.frame for r in self.rows.values() if "plot" in r.table.columns]
        lines = pd.concat([rows[[*source, "site", "plot"]] for rows in held])
        lines = lines[lines["source_line"].isin(frame["line"])].drop_duplicates(source)
        plots = (
            self.rows["plots"].frame[["site", "plot", "hybrid"]].drop_duplicates(["site", "plot"])
        )
        found = lines.merge(plots, "left").set_index(source)[["plot", "hybrid"]]
        at = pd.MultiIndex.from_frame(frame[["file", "line"]])
        return frame.assign(**{name: found[name].reindex(at).to_numpy() for name in found})
