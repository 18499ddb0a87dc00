"""A first ``headings.toml`` for sheets with headings of their own: what they likely mean, to be read
and corrected by a person.

A heading is proposed for a column if its words are like the column's and like no other's, and if the
cells below it can be read as that column. Everything else stands in a comment, with the reason.
"""

import json
import re
from collections import Counter
from datetime import date
from difflib import SequenceMatcher
from pathlib import Path

from culmbook.sheets import values as cells
from culmbook.sheets.dictionary import tables
from culmbook.sheets.grid import plain_header
from culmbook.sheets.headings import Heading, Headings, conversion, replaced, unit_in, vocabulary
from culmbook.sheets.raw import list_folder, read_raw
from culmbook.sheets.rows import column_of, read_cell
from culmbook.sheets.values import Conventions

ALIKE, APART = 0.82, 0.12  # least likeness of a heading to its column, and least lead over the next
LEVEL = 0.02  # columns as like as that are told apart by their cells alone
FITTING = 0.9  # least share of cells that can be read as the column
WIDE_FROM = 3  # headings alike but for their digits that may be a wide sheet


def propose(folder):
    """Return a ``headings.toml`` for the sheets of a network folder.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    str
        Sections only for files with headings that are no columns; empty when there are none.
    """
    folder = Path(folder)
    found, subfolders, _ = list_folder(folder, folder)
    for inner in subfolders:
        found += list_folder(inner, folder, inner.name)[0]
    order = list(tables())
    files = sorted((f for f in found if f.table in order), key=lambda f: order.index(f.table))
    known, lines, refused = {}, {}, []
    for file in files:
        raw = read_raw(file.path, folder)
        refused += [f"# {p.file}: {p.rule}" for p in raw.problems if p.severity == "error_file"]
        if raw.header:
            said = _section(raw, tables()[file.table], known, file.site)
            lines.setdefault(file.table, {})[raw.file] = said
    parts = []
    for name, of_files in lines.items():
        same = len(set(map(tuple, of_files.values()))) == 1
        for file, said in list(of_files.items())[: 1 if same else None]:
            section = name if same else json.dumps(file)
            parts += [f"[{section}]", *said, ""] if said else []
    about = "# Proposed by culmbook headings. Read every line: it is taken at its word."
    return "\n".join([about, *refused, "", *parts]) if parts or refused else ""


def _section(raw, table, known, site):
    """Return the lines about one file; the codes that it defines go into `known`."""
    own = {plain_header(text): text for text in raw.header}
    free = [f for f in table.fields if f.name not in own]
    columns = {text: column_of(raw, j) for j, text in enumerate(raw.header)}
    wanted, doubts = {}, {}
    for text in raw.header:
        if plain_header(text) not in table.columns and text.strip():
            field, why = _likely(text, columns[text], free, known)
            (wanted if field else doubts)[text] = field or why
    counts = Counter([field.name for field in wanted.values()])
    for text, field in list(wanted.items()):
        if counts[field.name] > 1 or raw.header.count(text) > 1:
            doubts[text] = f"two headings may be {field.name}: which one?"
            del wanted[text]
    there = own | {field.name: text for text, field in wanted.items()}
    key = [name for name in table.key if name in there]
    if len(key) >= len(table.key) - bool(site):
        rows = set(zip(*(columns[there[name]].text for name in key)))
        for name in key if len(rows) < FITTING * len(raw.rows) else ():
            if there[name] in wanted:
                doubts[there[name]] = f"{name}? too many rows would share their {', '.join(key)}"
                del wanted[there.pop(name)]
    lines = []
    for text, field in wanted.items():
        said, unit = f'"{field.name}"', unit_in(text)
        if unit and unit != field.unit:
            said = f'{{column = "{field.name}", unit = "{unit}"}}'
        elif not unit and conversion(field.unit, field.unit):
            said += f"  # taken as {field.unit}"
        lines.append(f"{_quoted(text)} = {said}")
    as_named = {own[f.name]: f for f in table.fields if f.name in own}
    for text, field in (wanted | as_named).items():
        if pairs := _words(columns[text], field):
            pairs = ", ".join(f'{_quoted(typed)} = "{word}"' for typed, word in pairs.items())
            lines.append(f"values.{field.name} = {{{pairs}}}")
    lines += _remarks(raw, table, wanted, doubts, site)
    if table.name in ("sites", "hybrids", "plots") and table.key[-1] in there:
        codes = map(cells.trimmed, columns[there[table.key[-1]]].text)
        known.setdefault(table.key[-1], set()).update(codes)
    return lines


def _quoted(text):
    return json.dumps(text.strip(), ensure_ascii=False)


def _likely(text, column, free, known):
    """Return (the column that a heading means, None), or (None, why none is proposed)."""
    likeness = {field.name: _likeness(text, field) for field in free}
    ranked = sorted(free, key=lambda field: -likeness[field.name])
    best = ranked[0] if ranked else None
    if best is None or likeness[best.name] < ALIKE:
        return None, "like no column that is missing"
    near = [f for f in ranked if likeness[f.name] > likeness[best.name] - APART]
    misfits = {f.name: _misfit(text, column, f, known) for f in near}
    good = [f for f in near if not misfits[f.name]]
    if len(good) > 1:
        return None, f"may be {' or '.join(f.name for f in good)}"
    if good and likeness[good[0].name] > likeness[best.name] - LEVEL:
        return good[0], None
    return None, f"{best.name}? {misfits[best.name]}"


def _likeness(text, field):
    """Return how alike a heading and a column's names are, from 0 to 1."""
    unit = unit_in(text)
    if unit and field.unit and not conversion(unit, field.unit):
        return 0.0
    bare = re.sub(r"[\[(].*?[\])]\s*$", "", text) if unit else text
    names = [field.name, field.title, *vocabulary()["headings"].get(field.name, ())]
    suffix = "_" + field.name.rsplit("_", 1)[-1]
    names += [field.name.removesuffix(suffix)] * bool(field.unit and field.type == "number")
    alike = [SequenceMatcher(None, _bare(bare), _bare(name)).ratio() for name in names]
    return max([*alike, *(SequenceMatcher(None, _bare(text), _bare(n)).ratio() for n in names)])


def _bare(text):
    return re.sub(r"[\W_]+", " ", text.casefold()).strip()


def _misfit(text, column, field, known):
    """Return why the cells of a sheet's column cannot be those of a table's; blank when they can."""
    texts = [cell for cell, kind in column.distinct if cell.strip() and kind is None]
    order = cells.date_order(texts)
    order = order if order in ("d/m/y", "m/d/y") else "d/m/y"
    conventions = Conventions(cells.decimal_mark(texts) or ",", order)
    unit = unit_in(text)
    units = {field.name: Heading(text, field.name, unit)} if unit and unit != field.unit else {}
    own = Headings(units, {field.name: _words(column, field)})
    read = {
        cell: read_cell(cell, kind, field, conventions, date.max, own)
        for cell, kind in column.distinct
        if cell.strip()
    }
    bad = {cell: r.rule for cell, r in read.items() if r.refused or r.code == "N-RANGE"}
    if field.name in known and field.name in ("site", "hybrid", "plot"):
        codes = {code.lstrip("0").casefold() for code in known[field.name]}
        is_known = {cell: cell.strip().lstrip("0").casefold() in codes for cell in read}
        bad |= {cell: f"no such {field.name}" for cell in read if not is_known[cell]}
    if field.content == "code":
        odd = re.compile(r"\d+[.,]\d+|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}")
        bad |= {cell: "a number or date, no code" for cell in read if odd.fullmatch(cell.strip())}
    if len(bad) > (1 - FITTING) * len(read):
        cell = next(iter(bad))
        return (
            f"{len(bad)} of {len(read)} different cells do not fit, such as “{cell}”: {bad[cell]}"
        )
    return "" if read else "it has no cell to judge by"


def _words(column, field):
    """Return the words of a sheet's column that stand for choices of the table's."""
    meant = {}
    for choice in field.enum:
        meant |= dict.fromkeys(
            [choice.replace("_", " "), *vocabulary()["values"].get(choice, ())], choice
        )
    texts = {cells.trimmed(cell) for cell, _ in column.distinct}
    new = {t: meant.get(t.casefold()) for t in sorted(texts) if t.casefold() not in field.enum}
    return {text: word for text, word in new.items() if word}


def _remarks(raw, table, wanted, doubts, site):
    """Return comments: headings without a proposal, columns not found, dates, a wide sheet."""
    there = {plain_header(text) for text in raw.header} | {field.name for field in wanted.values()}
    there |= replaced(table, there) | ({"site"} if site else set())
    absent = [f for f in table.fields if not f.optional and f.name not in there]
    forms = {text: re.sub(r"\d+", "#", text) for text in doubts}
    wide = [text for text, form in forms.items() if [*forms.values()].count(form) >= WIDE_FROM]
    lines = [f"# {_quoted(text)}: {why}" for text, why in doubts.items() if text not in wide]
    if absent and (doubts or wanted):
        lines.append(f"# needed and not found: {', '.join(f.name for f in absent)}")
        if one := [f'{f.name} = "{f.enum[0]}"' for f in absent if f.enum]:
            lines.append(f"# if it is the same in every row: constants = {{{', '.join(one)}}}")
    dates = {f.name for f in table.fields if f.type == "date"}
    texts = {
        row[j]
        for j, text in enumerate(raw.header)
        if (wanted[text].name if text in wanted else plain_header(text)) in dates
        for row in raw.rows
    }
    if cells.date_order(texts) == "ambiguous":
        lines.append(f'# dates = "dmy"  # {min(texts - {""})}: is the day or the month first?')
    if wide:
        lines.append("# a wide sheet? Complete what each of its headings holds:")
    order = cells.date_order(wide)
    for text in wide:
        said = {f.name: "…" for f in absent if f.required} | {"unit": unit_in(text)}
        day, number = cells.read_date(text.strip(), order).value, re.findall(r"\d+", text)
        said |= {name: str(day) for name in said if day and name in dates}
        said |= {"plant": number[0]} if "plant" in said and len(number) == 1 else {}
        column = next((f.name for f in absent if not f.required), "…")
        pairs = [f'{name} = "{word}"' for name, word in ({"column": column} | said).items() if word]
        lines.append(f"# {_quoted(text)} = {{{', '.join(pairs)}}}")
    return lines
