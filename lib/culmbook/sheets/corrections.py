"""``corrections.csv``: cells to be read differently, each only while the old value still stands there."""

import numpy as np
import pandas as pd

from culmbook.sheets.dictionary import corrections_table, tables
from culmbook.sheets.headers import plain_header
from culmbook.sheets.problems import note
from culmbook.sheets.rows import CORRECTED

OUTCOMES = {"applied": "bool", "outcome": "str"}


def no_corrections():
    """Return the table of corrections without rows."""
    columns = dict.fromkeys(corrections_table().columns, "str") | OUTCOMES
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in columns.items()})


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
        self.rows = rows
        self.frame = no_corrections()
        if rows is None or not rows.ok.any():
            return
        frame = rows.frame[rows.ok].reset_index(drop=True)
        self.lines = frame["source_line"].tolist()
        text = {name: rows.text[name][rows.ok] for name in ("old_value", "new_value")}
        frame = frame.assign(
            **{
                name: pd.Series([str(cell).strip() for cell in cells], dtype="str")
                for name, cells in text.items()
            },
            table=frame["table"].str.strip(),
            column=frame["column"].str.strip(),
            on=frame["on"].dt.strftime("%Y-%m-%d").astype("str"),
            key=_plain_keys(frame["key"]),
            applied=False,
            outcome="no such row",
        )
        known = tables()
        for i, row in frame.iterrows():
            if row["table"] not in known:
                frame.loc[i, "outcome"] = f"{row['table']} is no table"
            elif row["column"] not in known[row["table"]].columns:
                frame.loc[i, "outcome"] = f"{row['column']} is no column of {row['table']}"
        self.frame = frame[no_corrections().columns]
        self._leave_aside_other_sites(site)

    def _leave_aside_other_sites(self, site):
        if site == "all":
            return
        known = tables()
        other = [
            name in known and known[name].has_site and key.split("/")[0] != site
            for name, key in zip(self.frame["table"], self.frame["key"])
        ]
        self.lines = [line for line, is_other in zip(self.lines, other) if not is_other]
        self.frame = self.frame[~np.array(other, bool)].reset_index(drop=True)

    def apply(self, rows, raws):
        """Put the corrections of one table into its sheets.

        Parameters
        ----------
        rows : Rows
            The table as read without corrections.
        raws : dict of str to RawTable
            Its sheets by file; changed in place where a correction applies.

        Returns
        -------
        bool
            Whether any cell was changed.
        """
        wanted = self.frame.index[
            (self.frame["table"] == rows.table.name) & (self.frame["outcome"] == "no such row")
        ]
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
        """Put one correction in if exactly one row has its key and its old value; return whether, and why."""
        if len(found) == 0:
            return False, "no such row"
        column = correction["column"]
        standing = [str(rows.text[column][i]).strip() for i in found]
        matching = [i for i, text in zip(found, standing) if text == correction["old_value"]]
        if not matching:
            old = correction["old_value"]
            return False, f"not applied: “{standing[0]}” stands there, not “{old}”"
        if len(matching) > 1:
            return False, f"not applied: {len(matching)} rows have this key and value"
        file, line = (rows.frame[name].iat[matching[0]] for name in ("source_file", "source_line"))
        if not _replace_cell(raws[file], int(line), column, correction["new_value"]):
            return False, f"not applied: {file} has no column {column}"
        return True, f"applied to {file}, line {line}"

    def problems(self):
        """Return a note for each correction that did not apply."""
        file = (
            "" if self.rows is None or self.frame.empty else self.rows.frame["source_file"].iat[0]
        )
        return [
            note(
                "N-CORRECTION",
                file,
                f"{row.table} {row.key}: {row.outcome}",
                "delete the correction, or correct its key and old value",
                line=line,
                column=row.column,
                value=row.old_value,
                table="corrections",
            )
            for line, row in zip(getattr(self, "lines", []), self.frame.itertuples())
            if not row.applied
        ]


def _plain_keys(keys):
    return pd.Series(
        ["/".join(part.strip() for part in key.split("/")) for key in keys], dtype="str"
    )


def row_keys(rows):
    """Return each row's key as one text: its key columns in order, separated by ``/``.

    A part that could not be read stands as typed.
    """
    parts = []
    for name in rows.table.key:
        values, field = rows.frame[name], rows.table[name]
        words = values.dt.strftime("%Y-%m-%d") if field.type == "date" else values
        words = (
            words.map(lambda x: f"{x:.15g}", na_action="ignore")
            if field.type == "number"
            else words
        )
        typed = np.array([str(cell).strip() for cell in rows.text[name]], dtype=object)
        parts.append(np.where(values.isna(), typed, words.astype("str")))
    return np.array(["/".join(part for part in row) for row in zip(*parts)], dtype=object)


def _replace_cell(raw, line, column, value):
    names = [plain_header(text) for text in raw.header]
    if column not in names:
        return False
    place = raw.lines.index(line), names.index(column)
    raw.rows[place[0]] = [
        *raw.rows[place[0]][: place[1]],
        value,
        *raw.rows[place[0]][place[1] + 1 :],
    ]
    raw.kinds[place] = CORRECTED
    return True
