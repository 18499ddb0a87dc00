"""Corrections kept beside the raw sheets: put in on reading, while the old value still stands there."""

import numpy as np
import pandas as pd

from culmbook.sheets.dictionary import corrections_table, tables
from culmbook.sheets.problems import note
from culmbook.sheets.rows import CORRECTED, Rows

WAITING = "no such row"  # unless one is found


class Corrections:
    """The corrections of a network and what became of each.

    Parameters
    ----------
    rows : Rows or None
        The rows read from the corrections file.
    site : str
        ``all``, or the one site that is read; corrections of other sites are left aside.
    """

    def __init__(self, rows=None, site="all"):
        rows = Rows.empty(corrections_table()) if rows is None else rows
        self.rows, known = rows, tables()
        frame = rows.frame[rows.ok].assign(applied=False, outcome=WAITING)
        for name in ("table", "key", "column", "old_value", "new_value"):
            frame[name] = pd.Series(rows.text[name][rows.ok], frame.index, dtype="str").str.strip()
        frame["key"] = frame["key"].str.replace(r"\s*/\s*", "/", regex=True)
        frame["on"] = frame["on"].dt.strftime("%Y-%m-%d").astype("str")
        for i, row in frame.iterrows():
            if row["table"] not in known:
                frame.loc[i, "outcome"] = f"{row['table']} is no table"
            elif row["column"] not in known[row["table"]].columns:
                frame.loc[i, "outcome"] = f"{row['column']} is no column of {row['table']}"
        of_sites = frame["table"].isin([name for name, table in known.items() if table.has_site])
        if site != "all":
            frame = frame[~of_sites | (frame["key"].str.split("/").str[0] == site)]
        self.lines = frame["source_line"].tolist()
        frame = frame.drop(columns=["source_file", "source_line"]).reset_index(drop=True)
        self.frame = frame.astype({"outcome": "str", "applied": "bool"})

    def apply(self, rows, raws):
        """Put the corrections of one table into its sheets.

        Parameters
        ----------
        rows : Rows
            The table as read without corrections.
        raws : dict of str to (RawTable, Headings)
            Its sheets by file; changed in place where a correction applies.

        Returns
        -------
        bool
            Whether any cell was changed.
        """
        is_open = (self.frame["table"] == rows.table.name) & (self.frame["outcome"] == WAITING)
        wanted = self.frame.index[is_open]
        if wanted.empty:
            return False
        keys = row_keys(rows)
        for i in wanted:
            found = np.flatnonzero(keys == self.frame.at[i, "key"])
            done, outcome = self._apply_one(self.frame.loc[i], found, rows, raws)
            self.frame.loc[i, "applied"] = done
            self.frame.loc[i, "outcome"] = outcome
        return bool(self.frame.loc[wanted, "applied"].any())

    def _apply_one(self, correction, found, rows, raws):
        """Put one correction in if exactly one row has its key and its old value; return whether,
        and why.
        """
        if len(found) == 0:
            return False, WAITING
        column = correction["column"]
        standing = [str(rows.text[column][i]).strip() for i in found]
        matching = [i for i, text in zip(found, standing) if text == correction["old_value"]]
        if not matching:
            old = correction["old_value"]
            return False, f"not applied: “{standing[0]}” stands there, not “{old}”"
        if len(matching) > 1:
            return False, f"not applied: {len(matching)} rows have this key and value"
        file, line = (rows.frame[name].iat[matching[0]] for name in ("source_file", "source_line"))
        raw, own = raws[file]
        places = {own.column(text): place for place, text in enumerate(raw.header)}
        if column not in places:
            return False, f"not applied: {file} has no column {column}"
        key = {places[n]: rows.text[n][matching[0]] for n in rows.table.key if n in places}
        lines = [at for at, n in enumerate(raw.lines) if n == line]
        if len(lines) > 1:  # rows of a wide sheet
            is_key = [all(raw.rows[at][j] == cell for j, cell in key.items()) for at in lines]
            lines = [at for at, same in zip(lines, is_key) if same]
        if not lines:
            return False, "not applied: another correction has changed the key of its row"
        at = lines[0]
        raw.rows[at] = list(raw.rows[at])
        raw.rows[at][places[column]] = correction["new_value"]
        raw.kinds[at, places[column]] = CORRECTED
        return True, f"applied to {file}, line {line}"

    def problems(self):
        """Return a note for each correction that did not apply."""
        found, mend = [], "delete the correction, or correct its key and old value"
        for line, row in zip(self.lines, self.frame.itertuples()):
            if not row.applied:
                file = self.rows.frame["source_file"].iat[0]
                rule = f"{row.table} {row.key}: {row.outcome}"
                place = {"line": line, "column": row.column, "value": row.old_value}
                found.append(note("N-CORRECTION", file, rule, mend, table="corrections", **place))
        return found


def row_keys(rows):
    """Return each row's key as one text: its key columns in order, separated by ``/``.

    A part that could not be read stands as typed.
    """
    parts = []
    for name in rows.table.key:
        values, field = rows.frame[name], rows.table[name]
        words = values.dt.strftime("%Y-%m-%d") if field.type == "date" else values
        if field.type == "number":
            words = values.map(lambda x: f"{x:.15g}", na_action="ignore")
        typed = np.array([str(cell).strip() for cell in rows.text[name]], dtype=object)
        parts.append(np.where(values.isna(), typed, words.astype("str")))
    return np.array(["/".join(part for part in row) for row in zip(*parts)], dtype=object)
