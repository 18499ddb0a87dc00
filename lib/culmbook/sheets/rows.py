"""The rows of one table while they are being checked: values, the text they came from, what was refused."""

import numpy as np
import pandas as pd

from culmbook.sheets.dictionary import SOURCE, empty_table
from culmbook.sheets.problems import note, refuse_row


class Rows:
    """All rows read for one table, good and refused, and the problems found in them.

    Attributes
    ----------
    table : culmbook.sheets.dictionary.Table
    frame : pandas.DataFrame
        The table's columns with their dtypes, ``source_file`` and ``source_line``; a refused cell is missing.
    text : dict of str to numpy.ndarray
        Each column's cells as typed.
    ok : numpy.ndarray of bool
        False where a row was refused.
    folder_site : numpy.ndarray of str
        Site of the folder the row's file stands in; empty for files at the root.
    problems : list of Problem
    """

    def __init__(self, table, frame, text, ok, folder_site, problems):
        self.table, self.frame, self.text, self.ok = table, frame, text, ok
        self.folder_site, self.problems = folder_site, problems

    @classmethod
    def empty(cls, table):
        """Return no rows."""
        frame = empty_table(table.name)
        text = {name: np.empty(0, object) for name in table.columns}
        return cls(table, frame, text, np.zeros(0, bool), np.empty(0, object), [])

    @classmethod
    def joined(cls, table, parts):
        """Return the rows of several files of one table as one."""
        problems = [problem for part in parts for problem in part.problems]
        parts = [part for part in parts if len(part.ok)] or [cls.empty(table)]
        text = {name: np.concatenate([part.text[name] for part in parts]) for name in table.columns}
        frame = pd.concat([part.frame for part in parts], ignore_index=True)
        return cls(
            table,
            frame,
            text,
            np.concatenate([part.ok for part in parts]),
            np.concatenate([part.folder_site for part in parts]),
            problems,
        )

    def place(self, i, column=None):
        """Return where row `i` stands, as keywords of a problem."""
        row_site = (
            self.frame["site"].iat[i] if self.table.has_site or self.table.name == "sites" else None
        )
        value = None if column is None else self.text[column][i]
        return {
            "line": int(self.frame["source_line"].iat[i]),
            "column": column,
            "value": value,
            "table": self.table.name,
            "site": self.folder_site[i] or (row_site if isinstance(row_site, str) else None),
        }

    def refuse(self, where, code, column, rule, mend=""):
        """Refuse the rows where `where` holds; `rule` and `mend` may be functions of the row's position."""
        for i in _positions(where):
            self.problems.append(
                refuse_row(
                    code,
                    self.frame["source_file"].iat[i],
                    rule=_words(rule, i),
                    mend=_words(mend, i),
                    **self.place(i, column),
                )
            )
            self.ok[i] = False

    def remark(self, where, code, column, rule, mend=""):
        """Note something about the rows where `where` holds, as :meth:`refuse`."""
        for i in _positions(where):
            self.problems.append(
                note(
                    code,
                    self.frame["source_file"].iat[i],
                    rule=_words(rule, i),
                    mend=_words(mend, i),
                    **self.place(i, column),
                )
            )

    def keep_site(self, site, known):
        """Drop the rows of other known sites when only one site is read; nothing when `site` is ``all``."""
        if site == "all":
            return
        codes = self.frame["site"]
        mine = ((codes == site) | ~codes.isin(known)).to_numpy(bool)
        self.frame = self.frame[mine].reset_index(drop=True)
        self.text = {name: cells[mine] for name, cells in self.text.items()}
        self.ok, self.folder_site = self.ok[mine], self.folder_site[mine]

    def kept(self):
        """Return the rows that passed, sorted by key."""
        frame = self.frame[self.ok].sort_values(
            list(self.table.key), kind="stable", na_position="first"
        )
        return frame.reset_index(drop=True)


def _positions(where):
    where = np.asarray(where)
    return np.flatnonzero(where) if where.dtype == bool else where.astype(int)


def positions_of(which):
    """Return a function from a group's number to the positions of its rows; `which` is each row's number.

    One sort serves every group: comparing `which` with each number would take rows × groups steps.
    """
    order = np.argsort(which, kind="stable")
    bounds = np.searchsorted(which[order], np.arange(which.max(initial=-1) + 2))
    return lambda number: order[bounds[number] : bounds[number + 1]]


def _words(words, i):
    return words(i) if callable(words) else words


def source_columns(file, lines):
    """Return the two columns that say where each row was read."""
    return {
        "source_file": pd.Series([file] * len(lines), dtype=SOURCE["source_file"]),
        "source_line": pd.Series(lines, dtype=SOURCE["source_line"]),
    }
