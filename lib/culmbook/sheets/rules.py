"""Codes that must be found in another table, rows that must be unique, and what cannot be true of
a row.

Each check takes the rows under reading and refuses them in place. Rows that were refused earlier
are not judged again.
"""

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from culmbook.sheets.problems import refuse_file
from culmbook.sheets.rows import positions_of
from culmbook.sheets.values import did_you_mean

_FIRST = "mend that row first"
MANY = 100  # unknown codes of one column for which the likely one is looked up
FEW = 6  # lines listed of rows that share a key
OF_PLOT = ["site", "plot", "planted_on", "plants_planted", "plot_length_m", "plot_width_m"]

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
    everywhere = np.arange(len(rows.ok))
    for code, where, nth in _unknown_codes(rows, everywhere, column, known.good):
        if code in known.refused:
            rule = f"{code} was itself refused ({known.refused[code]})"
            rows.withdraw(where, "E-CODE", column, rule, _FIRST)
            continue
        rule, mend = f"{code} is not in the list", _closest(code, known.good, nth)
        rows.refuse(where, "E-CODE", column, rule, mend)


def _unknown_codes(rows, positions, column, good, restored=None):
    """Yield (code, its rows, its number) of each code that stands for no known one; read as that
    one else.
    """
    which, distinct = pd.factorize(rows.frame[column].iloc[positions])
    unknown = [(number, code) for number, code in enumerate(distinct) if code not in good]
    if not unknown:
        return
    zeros = restored(unknown, set(distinct)) if restored else {}
    folded, places = _by_form(good, str.casefold), positions_of(which)
    for nth, (number, code) in enumerate(unknown):
        where = positions[places(number)]
        meant = zeros.get(code) or folded.get(code.casefold())
        if not meant:
            yield code, where, nth
            continue
        rows.frame.loc[where, column] = meant
        rule = f"{code} read as {meant}" + (f" in {len(where)} rows" if len(where) > 1 else "")
        said = "N-ZEROS" if code in zeros else "N-CASE"
        rows.remark([int(where[0])], said, column, rule, f"write {meant}")


def _closest(code, known, nth):
    """Return what was likely meant, for the first unknown codes only: looking it up takes a while."""
    return did_you_mean(code, known) if nth < MANY else ""


def _by_form(codes, form):
    """Return the codes by their form; forms that several codes share are left out."""
    found = {}
    for code in codes:
        found.setdefault(form(code), []).append(code)
    return {key: same[0] for key, same in found.items() if len(same) == 1}


def check_folder_site(rows):
    """Refuse rows that stand in the folder of another site."""
    site = rows.frame["site"]
    other = (rows.folder_site != "") & site.notna().to_numpy()
    other &= site.fillna("").to_numpy(dtype=object) != rows.folder_site
    for i in np.flatnonzero(other):
        rule = f"a row of site {site.iat[i]} in the folder of {rows.folder_site[i]}"
        rows.refuse([i], "E-SITE", "site", rule, f"move to the file of {site.iat[i]}")


def withdraw_without_layout(rows, plots):
    """Withdraw the rows of sites that have no usable plot: one refusal per file, not one per row.

    Parameters
    ----------
    rows, plots : Rows
        Those to withdraw, changed in place, and the table of plots.
    """
    site = rows.frame["site"]
    sites = set(plots.frame["site"][plots.ok & ~plots.withdrawn])
    bare = rows.ok & (site.notna() & ~site.isin(sites)).to_numpy(bool)
    for (file, code), group in rows.frame[bare].groupby(["source_file", "site"], sort=False):
        lack = f"the table plots has no usable plot of {code}"
        rule = f"{len(group)} rows of {code} cannot be used: {lack}"
        place = {"table": rows.table.name, "site": code}
        problem = refuse_file("E-LAYOUT", file, rule, "mend or add its plots first", **place)
        rows.problems.append(problem)
    rows.withdrawn |= bare


def check_plots(rows, known):
    """Refuse rows whose plot is not in the layout of their site; lost zeros and case are read with
    notes.

    Parameters
    ----------
    rows : Rows
        Changed in place.
    known : Known
        Pairs (site, plot).
    """
    good, refused = _by_site(known.good), _by_site(known.refused)
    sites = rows.frame["site"].where(rows.ok)
    groups = rows.frame.groupby([rows.frame["source_file"], sites], sort=False).indices
    for (_, site), positions in groups.items():
        if not {site} & {*good, *refused}:
            continue  # nothing is known of its plots
        layout = good.get(site) or refused.get(site, set())
        restored = partial(_restored_zeros, layout)
        for code, where, nth in _unknown_codes(rows, positions, "plot", layout, restored):
            if code in refused.get(site, ()):
                rule = f"plot {code} was itself refused ({known.refused[site, code]})"
                rows.withdraw(where, "E-LAYOUT", "plot", rule, _FIRST)
                continue
            rule, mend = _unknown_plot(code, layout, site, nth)
            rows.refuse(where, "E-LAYOUT", "plot", rule, mend)


def _by_site(pairs):
    found = {}
    for pair in pairs:
        if not any(pd.isna(part) for part in pair):
            found.setdefault(pair[0], set()).add(pair[1])
    return found


def _restored_zeros(layout, unknown, present):
    """Return the layout's code for each code that lost its leading zeros, if that is one-to-one."""
    stripped = _by_form(layout, lambda code: code.lstrip("0") if code.isdigit() else code)
    found = {code: stripped.get(code.lstrip("0")) for _, code in unknown if code.isdigit()}
    meant = Counter(found.values())
    clear = {code for code, match in found.items() if match not in present and meant[match] == 1}
    return {code: match for code, match in found.items() if match and code in clear}


def _unknown_plot(code, layout, site, nth):
    """Return (rule, mend) for a plot that is not in the layout."""
    if _EXCEL_DAMAGE.fullmatch(code):
        why = "Excel writes a code so when it takes it for a number or date"
        mend = "format the column as text before typing"
        return f"{code} is no plot of the layout of {site}; {why}", mend
    same = [plot for plot in layout if plot.lstrip("0") == code.lstrip("0")]
    if same:
        rule = f"{code} may be {same[0]}, which also stands in the file"
        return rule, f"write {same[0]} if that is meant"
    return f"plot {code} is not in the layout of {site}", _closest(code, layout, nth)


def check_key(rows):
    """Keep the first of rows that are the same, with a note; refuse rows that share a key and
    differ.
    """
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
        positions = twice.index[places(number)].to_numpy()
        lines = _lines(rows, positions)
        if not differing:
            rule = f"the same row twice: lines {lines}"
            rows.remark(positions[1:], "N-DUPLICATE", None, rule, "kept once; delete the copy")
            rows.ok[positions[1:]] = False
            continue
        typed = rows.text[differing[0]]
        shown = _some([typed[i] or "blank" for i in positions[: FEW + 1]], len(positions))
        where = f"on lines {lines} with different {', '.join(differing)}: {shown}"
        mend = "find out which is right and delete the other"
        if rows.table.name == "plots" and "trial" in differing:
            mend = "prefix the plot codes with the trial"
        rule = f"the same {', '.join(key)} {where}"
        rows.refuse(positions, "E-DUPLICATE", differing[0], rule, mend)


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
    """Refuse rows that share what the table says is unique beside its key, such as a place in the
    field.
    """
    for columns in rows.table.unique_sets:
        candidates = rows.frame.loc[rows.ok, list(columns)].dropna()
        twice = candidates[candidates.duplicated(keep=False)]
        for positions in twice.groupby(list(columns), sort=False).indices.values():
            where = twice.index[positions].to_numpy()
            rule = f"lines {_lines(rows, where)} share the same {', '.join(columns)}"
            rows.refuse(where, "E-DUPLICATE", columns[-1], rule, "correct one of them")


def check_folded(rows, column):
    """Refuse codes that differ only in case: they would share a folder on some computers."""
    codes = rows.frame[column]
    folded = codes.str.casefold()
    clash = (folded.duplicated(keep=False) & rows.ok & folded.notna()).to_numpy()
    clash = clash & ~codes.duplicated(keep=False).to_numpy()
    rule = f"another {column} differs from {{}} only in case"
    rows.refuse(clash, "E-DUPLICATE", column, lambda i: rule.format(codes.iat[i]), "rename one")


def check_rules(rows, read):
    """Refuse the rows of one table that break a rule of the table.

    Parameters
    ----------
    rows : Rows
        Changed in place.
    read : dict of str to Rows
        Tables read before; ``plots`` for the tables of plots.
    """
    frame, table = rows.frame, rows.table
    facts = frame
    if table.name != "plots" and "plot" in table.columns and "plots" in read:
        plots = read["plots"].frame.drop_duplicates(["site", "plot"])
        facts = frame.merge(plots[OF_PLOT], on=["site", "plot"], how="left")
    if "plot_length_m" in facts:
        facts = facts.assign(area=facts["plot_length_m"] * facts["plot_width_m"])
    for column in table.fields:
        name, code = column.name, "E-DATE" if column.type == "date" else "E-NUMBER"
        for other, values in column.required_if:
            blank = frame[name].isna() & frame[other].isin(values)
            mend = f"fill in {name}, or give another {other} and a reason"
            rule = f"blank, but {other} is {' or '.join(values)}"
            _refuse(rows, facts, blank, code, name, rule, mend)
    if {"status", "status_reason"} <= set(table.columns):
        bare = (frame["status"] != "ok") & frame["status"].notna() & frame["status_reason"].isna()
        rule, mend = "blank, but the status is {status}", "write why in status_reason"
        _refuse(rows, facts, bare, "E-RULE", "status_reason", rule, mend)
    if "planted_on" in facts and table.name != "plots":
        planted = facts["planted_on"]
        when = "before the plot was planted; planted {planted_on:%Y-%m-%d}"
        for column in table.fields:
            if column.type == "date":
                early = frame[column.name] < planted
                _refuse(rows, facts, early, "E-DATE", column.name, when, "correct the date")
        if "growing_season" in frame:
            early, mend = frame["growing_season"] < planted.dt.year, "correct growing_season"
            _refuse(rows, facts, early, "E-RANGE", "growing_season", "a season " + when, mend)
    if table.name == "stand_counts":
        check_counts(rows, facts)
    for said in table.rules:
        wrong = facts.eval(said["wrong"], engine="python")
        _refuse(rows, facts, wrong, said["code"], said["column"], said["rule"], said["mend"])


def _refuse(rows, facts, where, code, column, rule, mend):
    """Refuse the rows still good where a condition holds; `rule` is filled in from the row's
    facts.
    """
    where = rows.ok & where.fillna(False).to_numpy(dtype=bool)
    rows.refuse(where, code, column, lambda i: rule.format_map(facts.iloc[i]), mend)


def check_counts(rows, facts):
    """Refuse counts above what was planted, and rises that neither replants nor late shoots
    explain.
    """
    by_date = {"by": "counted_on", "kind": "stable"}
    order = facts[rows.ok].sort_values(**by_date)
    replanted = order["plants_replanted"].fillna(0).groupby([order["site"], order["plot"]]).cumsum()
    facts = facts.assign(replanted=replanted)
    facts["most"] = facts["plants_planted"] + facts["replanted"]
    alive = facts["plants_alive"]
    rule = "outside 0 to {most}: {plants_planted} planted and {replanted} replanted until then"
    mend = "count again, or enter plants_replanted"
    _refuse(rows, facts, alive > facts["most"], "E-RANGE", "plants_alive", rule, mend)

    order = facts[rows.ok].sort_values(**by_date)
    total = order["plants_replanted"].fillna(0).groupby([order["site"], order["plot"]]).cumsum()
    order = order.assign(total=total)[order["plants_alive"].notna()]
    plot = order.groupby(["site", "plot"])
    told = ["plants_alive", "plants_replanted", "counted_on", "source_line"]
    order = order.join(plot[told].shift(1).add_prefix("before_"))
    order["since"] = order["total"] - plot["total"].shift(1).fillna(0)
    unexplained = order["plants_alive"] - order["before_plants_alive"] - order["since"]
    is_late = (order["emerged_late"] == "yes").fillna(False)
    risen = order[((unexplained > 0) & ~is_late).fillna(False)]
    is_round_late = (unexplained <= order["before_plants_replanted"]).fillna(False)
    rule = (
        "{plants_alive} alive, but {before_plants_alive} on {before_counted_on:%Y-%m-%d} "
        "(line {before_source_line}) and {since} replanted since"
    )
    set_before = (
        "; the {before_plants_replanted} replanted in line {before_source_line} count as set before "
        "that count and among its plants"
    )
    mend = "correct a count, enter plants_replanted, or write yes in emerged_late"
    set_after = "if they were set after it, enter them in this line instead; else "
    rules = {
        i: (rule + set_before * bool(is_round_late[i])).format_map(row)
        for i, row in risen.iterrows()
    }
    mends = {i: set_after * bool(is_round_late[i]) + mend for i in risen.index}
    positions = risen.index.to_numpy()
    rows.refuse(positions, "E-RULE", "plants_alive", rules.get, mends.get)

    at_most = np.minimum(alive.fillna(facts["most"]), facts["replanted"])
    of_replants = facts["replants_alive"] > at_most
    rule = "more than were replanted ({replanted}) or are alive"
    mend = "correct the count"
    _refuse(rows, facts, of_replants, "E-RANGE", "replants_alive", rule, mend)
