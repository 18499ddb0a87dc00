"""Codes that must be found in another table, and rows that must be unique."""

import re
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.sheets.problems import refuse_file
from culmbook.sheets.rows import positions_of
from culmbook.sheets.values import did_you_mean

MANY = 100  # unknown codes of one column for which the likely one is looked up
FEW = 6  # lines listed of rows that share a key

_EXCEL_DAMAGE = re.compile(
    r"\d{1,2}-[A-Za-z]{3}(-\d{2,4})?|[A-Za-z]{3}-\d{2,4}|\d+(\.\d+)?[Ee]\+\d+|\d+\.0+|"
    r"\d{4}-\d{2}-\d{2}.*|\d{1,2}/\d{1,2}/\d{4}"
)


@dataclass
class Known:
    """The codes of a parent table: good ones, and where refused ones stand."""

    good: set = field(default_factory=set)
    refused: dict = field(default_factory=dict)  # code -> "file line n"


def known_codes(rows, columns):
    """Return the codes (tuples for several columns) that the rows of a parent table define."""
    if len(columns) == 1:
        codes = rows.frame[columns[0]]
    else:
        codes = pd.Series(list(zip(*(rows.frame[name] for name in columns))), dtype=object)
    known = Known(set(codes[rows.ok].dropna()))
    for i in np.flatnonzero(~rows.ok):
        if codes.iat[i] not in known.good:
            line = rows.frame["source_line"].iat[i]
            known.refused[codes.iat[i]] = f"{rows.frame['source_file'].iat[i]}, line {line}"
    return known


def check_single_codes(rows, column, known):
    """Refuse rows whose code in `column` is not known; other case is read with a note.

    Parameters
    ----------
    rows : Rows
        Changed in place: refusals, notes and codes read in the parent's case.
    column : str
    known : Known
    """
    which, distinct = pd.factorize(rows.frame[column])
    folded = _by_form(known.good, str.casefold)
    unknown = [(position, code) for position, code in enumerate(distinct) if code not in known.good]
    places = positions_of(which)
    for nth, (position, code) in enumerate(unknown):
        where = places(position)
        match = folded.get(code.casefold())
        if match:
            _read_as(rows, where, column, "N-CASE", code, match)
        elif code in known.refused:
            rows.refuse(
                where,
                "E-CODE",
                column,
                f"{code} was itself refused ({known.refused[code]})",
                "mend that row first",
            )
        else:
            rows.refuse(
                where,
                "E-CODE",
                column,
                f"{code} is not in the list",
                _closest(code, known.good, nth),
            )


def _closest(code, known, nth):
    """Return what was likely meant, for the first unknown codes only: looking it up takes a while."""
    return did_you_mean(code, known) if nth < MANY else ""


def _by_form(codes, form):
    """Return the codes by their form; forms that several codes share are left out."""
    found = {}
    for code in codes:
        found.setdefault(form(code), []).append(code)
    return {key: same[0] for key, same in found.items() if len(same) == 1}


def _read_as(rows, where, column, code, old, new):
    """Replace a code by the one it stands for in some rows, and note it once."""
    rows.frame.loc[where, column] = new
    first, n = int(where[0]), len(where)
    rows.remark(
        [first],
        code,
        column,
        f"{old} read as {new}" + (f" in {n} rows" if n > 1 else ""),
        f"write {new}",
    )


def check_folder_site(rows):
    """Refuse rows that stand in the folder of another site."""
    other = (rows.folder_site != "") & rows.frame["site"].notna().to_numpy()
    other &= rows.frame["site"].fillna("").to_numpy(dtype=object) != rows.folder_site
    site = rows.frame["site"]
    rows.refuse(
        other,
        "E-SITE",
        "site",
        lambda i: f"a row of site {site.iat[i]} in the folder of {rows.folder_site[i]}",
        lambda i: f"move to the file of {site.iat[i]}",
    )


def set_aside_without_layout(rows, sites):
    """Take out the rows of sites that have no usable plot: one refusal per file, not one per row.

    Parameters
    ----------
    rows : Rows
        Changed in place.
    sites : set of str
        Sites with at least one usable plot.
    """
    site = rows.frame["site"]
    bare = rows.ok & (site.notna() & ~site.isin(sites)).to_numpy(bool)
    for (file, code), group in rows.frame[bare].groupby(["source_file", "site"], sort=False):
        rows.problems.append(
            refuse_file(
                "E-LAYOUT",
                file,
                f"{len(group)} rows of {code} cannot be used: the table plots has no usable "
                f"plot of {code}",
                "mend or add its plots first",
                table=rows.table.name,
                site=code,
            )
        )
    rows.ok[bare] = False


def check_plots(rows, known):
    """Refuse rows whose plot is not in the layout of their site; lost zeros and case are read with notes.

    Parameters
    ----------
    rows : Rows
        Changed in place.
    known : Known
        Pairs (site, plot).
    """
    good, refused = _by_site(known.good), _by_site(known.refused)
    sites = rows.frame["site"].where(rows.ok)
    group = rows.frame.groupby([rows.frame["source_file"], sites], sort=False).indices
    for (_, site), positions in group.items():
        _check_plots_of_site(
            rows, positions, good.get(site, set()), refused.get(site, set()), known
        )


def _by_site(pairs):
    found = {}
    for pair in pairs:
        if not any(pd.isna(part) for part in pair):
            found.setdefault(pair[0], set()).add(pair[1])
    return found


def _check_plots_of_site(rows, positions, layout, refused, known):
    site = rows.frame["site"].iat[positions[0]]
    which, distinct = pd.factorize(rows.frame["plot"].iloc[positions])
    unknown = [code for code in distinct if code not in layout]
    if not unknown:
        return
    zeros = _restored_zeros(unknown, layout, set(distinct))
    folded = _by_form(layout, str.casefold)
    number = {code: i for i, code in enumerate(distinct)}
    places = positions_of(which)
    for nth, code in enumerate(unknown):
        where = positions[places(number[code])]
        if code in zeros:
            _read_as(rows, where, "plot", "N-ZEROS", code, zeros[code])
        elif code.casefold() in folded:
            _read_as(rows, where, "plot", "N-CASE", code, folded[code.casefold()])
        elif code in refused:
            rows.refuse(
                where,
                "E-LAYOUT",
                "plot",
                f"plot {code} was itself refused ({known.refused[site, code]})",
                "mend that row first",
            )
        else:
            rows.refuse(where, "E-LAYOUT", "plot", *_unknown_plot(code, layout, site, nth))


def _restored_zeros(unknown, layout, present):
    """Return the layout's code for each code that lost its leading zeros, if that is one-to-one."""
    stripped = _by_form(layout, lambda code: code.lstrip("0") if code.isdigit() else code)
    found = {
        code: stripped[code.lstrip("0")]
        for code in unknown
        if code.isdigit() and code.lstrip("0") in stripped
    }
    meant = list(found.values())
    return {
        code: match
        for code, match in found.items()
        if match not in present and meant.count(match) == 1
    }


def _unknown_plot(code, layout, site, nth):
    if _EXCEL_DAMAGE.fullmatch(code):
        return (
            f"{code} is no plot of the layout of {site}; Excel writes a code so when it takes it for a "
            "number or date",
            "format the column as text before typing",
        )
    same = [plot for plot in layout if plot.lstrip("0") == code.lstrip("0")]
    if same:
        return (
            f"{code} may be {same[0]}, which also stands in the file",
            f"write {same[0]} if that is meant",
        )
    return f"plot {code} is not in the layout of {site}", _closest(code, layout, nth)


def check_key(rows):
    """Keep the first of rows that are the same, with a note; refuse rows that share a key and differ."""
    key = list(rows.table.key)
    needed = [name for name in key if rows.table[name].required and not rows.table[name].na_means]
    usable = rows.ok & rows.frame[needed].notna().all(axis=1).to_numpy()
    candidates = rows.frame.loc[usable, key]
    twice = candidates[candidates.duplicated(keep=False)]
    if twice.empty:
        return
    group = twice.groupby(key, dropna=False, sort=False).ngroup().to_numpy()
    values = rows.frame.loc[twice.index, rows.table.columns].apply(
        lambda column: pd.factorize(column)[0]
    )
    differs = (values != values.groupby(group).transform("first")).groupby(group).any()
    places = positions_of(group)
    for number, flags in enumerate(differs.to_numpy()):
        differing = [name for name, flag in zip(rows.table.columns, flags) if flag]
        _check_same(rows, twice.index[places(number)].to_numpy(), differing)


def _check_same(rows, positions, differing):
    """Judge the rows of one key: the same throughout, or different in some columns."""
    lines = _lines(rows, positions)
    if not differing:
        rows.remark(
            positions[1:],
            "N-DUPLICATE",
            None,
            f"the same row twice: lines {lines}",
            "kept once; delete the copy",
        )
        rows.ok[positions[1:]] = False
        return
    shown = _some(
        [rows.text[differing[0]][i] or "blank" for i in positions[: FEW + 1]], len(positions)
    )
    mend = (
        "prefix the plot codes with the trial"
        if rows.table.name == "plots" and "trial" in differing
        else "find out which is right and delete the other"
    )
    rows.refuse(
        positions,
        "E-DUPLICATE",
        differing[0],
        f"the same {', '.join(rows.table.key)} on lines "
        f"{lines} with different {', '.join(differing)}: {shown}",
        mend,
    )


def _lines(rows, positions):
    """Return the lines of some rows in words, with their files when those differ."""
    files = rows.frame["source_file"].iloc[positions]
    lines = rows.frame["source_line"].iloc[positions[: FEW + 1]]
    if files.nunique() == 1:
        return _some([str(line) for line in lines], len(positions))
    return _some([f"{line} of {file}" for line, file in zip(lines, files)], len(positions))


def _some(words, n):
    """Return the first of `n` words joined by *and*, and how many are left out."""
    return " and ".join(words[:FEW]) + (f" and {n - FEW} more" if n > FEW else "")


def check_unique_sets(rows):
    """Refuse rows that share what the table says is unique beside its key, such as a place in the field."""
    for columns in rows.table.unique_sets:
        candidates = rows.frame.loc[rows.ok, list(columns)].dropna()
        twice = candidates[candidates.duplicated(keep=False)]
        for positions in twice.groupby(list(columns), sort=False).indices.values():
            where = twice.index[positions].to_numpy()
            rule = f"lines {_lines(rows, where)} share the same {', '.join(columns)}"
            rows.refuse(where, "E-DUPLICATE", columns[-1], rule, "correct one of them")


def check_folded(rows, column):
    """Refuse codes that differ only in case: they would share a folder on some computers."""
    folded = rows.frame[column].str.casefold()
    clash = (folded.duplicated(keep=False) & rows.ok & folded.notna()).to_numpy()
    clash = clash & ~rows.frame[column].duplicated(keep=False).to_numpy()
    rows.refuse(
        clash,
        "E-DUPLICATE",
        column,
        lambda i: f"another {column} differs from {rows.frame[column].iat[i]} only in case",
        "rename one",
    )
