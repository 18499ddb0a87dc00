"""Good field sheets, and the faults of bytes and form that real files have, each made on a good
sheet.

A :class:`Sheet` says what a reader has to make of it: ``accept``, ``note`` (accepted with a stated
repair), ``rows`` (these rows refused, the others kept) or ``file`` (refused whole), with the code,
the places and the words of its message, and the rows that must come out untouched.
"""

import gzip
import io
import re
import zipfile
from dataclasses import dataclass
from datetime import date, datetime

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

N_ROWS = 12
SHEET_XML = "xl/worksheets/sheet1.xml"
HEADERS = {
    "stand_counts": "site,plot,counted_on,occasion,plants_alive,plants_replanted,emerged_late,observer",
    "harvests": "site,plot,growing_season,harvested_on,harvested_area_m2,fresh_mass_kg,subsample_fresh_g,"
    "subsample_dry_g,cut_height_cm,status,status_reason",
    "weather": "site,date,air_temperature_min_c,air_temperature_max_c,precipitation_mm,wind_speed_2m_m_s",
}
WHOLE = {"plants_alive", "plants_replanted", "growing_season"}
TEXTS = {
    "site",
    "plot",
    "occasion",
    "emerged_late",
    "observer",
    "status",
    "status_reason",
    "plant",
    "height_method",
}


@dataclass(frozen=True)
class Sheet:
    """One sheet on disk and what has to become of it."""

    fault: str
    name: str
    data: bytes
    outcome: str
    code: str = ""
    where: str = ""
    says: str = ""
    mend: str = ""
    rows: tuple = ()


def good_table(table):
    """Return the header and twelve good rows (lists of text) of a table."""
    make = {"stand_counts": _count, "harvests": _harvest, "weather": _day}[table]
    return HEADERS[table].split(","), [make(i) for i in range(N_ROWS)]


def _count(i):
    return ["S01", f"{i + 1:03d}", "2025-06-12", "autumn", str(90 + i), "0", "no", "AB"]


def _harvest(i):
    return [
        "S01",
        f"{i + 1:03d}",
        "2025",
        "2026-02-17",
        "24.5",
        f"{41 + i}.25",
        "812.5",
        f"{600 + i}.5",
        "10",
        "ok",
        "none",
    ]


def _day(i):
    return ["S01", f"2025-01-{i + 1:02d}", f"{i - 6}.5", f"{i}.25", "1.5", "3.75"]


def csv_text(header, rows, delimiter=",", end="\n"):
    """Return a sheet as text; no cell of a good sheet needs quotes."""
    return "".join(delimiter.join(row) + end for row in [header, *rows])


def with_cell(rows, line, column, value):
    """Return the rows with one cell changed; line 2 is the first row."""
    return [
        [value if (i + 2, j) == (line, column) else cell for j, cell in enumerate(row)]
        for i, row in enumerate(rows)
    ]


def _without(rows, *lines):
    return [row for i, row in enumerate(rows) if i + 2 not in lines]


class _Text:
    """Makes the text sheets of one table."""

    def __init__(self, table):
        self.table = table
        self.header, self.good = good_table(table)
        self.width, self.last = len(self.header), self.header[-1]
        self.text = csv_text(self.header, self.good)
        self.lines = self.text.split("\n")[:-1]

    def sheet(
        self, fault, data, outcome, code="", where="", says="", mend="", rows=None, suffix=".csv"
    ):
        data = data.encode() if isinstance(data, str) else data
        if rows is None:
            rows = [] if outcome == "file" else self.good
        return Sheet(
            fault,
            self.table + suffix,
            data,
            outcome,
            code,
            where,
            says,
            mend,
            tuple(tuple(row) for row in rows),
        )

    def joined(self, lines):
        return "".join(line + "\n" for line in lines)

    def with_line(self, line, text):
        """Return the sheet's text with one physical line replaced."""
        return self.joined([text if i + 1 == line else old for i, old in enumerate(self.lines)])

    def with_last(self, line, value):
        """Return the sheet's text and rows with the last cell of one line replaced."""
        rows = with_cell(self.good, line, self.width - 1, value)
        return csv_text(self.header, rows), rows


def text_sheets(table):
    """Return the faults of bytes and form that a text sheet of `table` can have."""
    make = _Text(table)
    return [
        *_encodings(make),
        *_line_ends(make),
        *_delimiters(make),
        *_widths(make),
        *_quotes(make),
        *_strange_files(make),
        *_strange_cells(make),
        *_tables_within(make),
    ]


def _encodings(make):
    latin, latin_rows = make.with_last(2, "Jürgen")
    mixed = make.with_last(2, "Åsa")[0].encode().replace(b"\n", b"\n", 1).split(b"\n")
    mixed[5] = mixed[5].rsplit(b",", 1)[0] + ",Jürgen".encode("cp1252")
    undefined = make.with_last(4, "caf#")[0].encode().replace(b"#", b"\x8d")
    nul = make.with_line(8, make.lines[7][:6] + "\0" + make.lines[7][6:])
    return [
        make.sheet("reference", make.text, "accept"),
        make.sheet("utf8_mark", b"\xef\xbb\xbf" + make.text.encode(), "accept"),
        make.sheet(
            "cp1252", latin.encode("cp1252"), "note", "N-ENCODING", says="cp1252", rows=latin_rows
        ),
        make.sheet(
            "mixed_encodings",
            b"\n".join(mixed),
            "file",
            "E-ENCODING",
            f"6:{make.last}",
            "line 6",
            "re-save as CSV UTF-8",
        ),
        make.sheet(
            "undefined_byte",
            undefined,
            "file",
            "E-ENCODING",
            f"4:{make.last}",
            "line 4",
            "re-save as CSV UTF-8",
        ),
        make.sheet(
            "utf16",
            b"\xff\xfe" + make.text.encode("utf-16-le"),
            "note",
            "N-ENCODING",
            says="UTF-16",
        ),
        make.sheet(
            "utf16_big_endian",
            b"\xfe\xff" + make.text.encode("utf-16-be"),
            "note",
            "N-ENCODING",
            says="UTF-16",
        ),
        make.sheet(
            "utf16_without_mark",
            make.text.encode("utf-16-le"),
            "file",
            "E-NUL",
            says="NUL",
            mend="save as CSV UTF-8",
        ),
        make.sheet(
            "utf16_cut",
            b"\xff\xfe" + make.text.encode("utf-16-le")[:-1],
            "file",
            "E-ENCODING",
            says="UTF-16",
            mend="copy the file again",
        ),
        make.sheet(
            "utf32",
            b"\xff\xfe\0\0" + make.text.encode("utf-32-le"),
            "file",
            "E-ENCODING",
            says="UTF-32",
        ),
        make.sheet(
            "nul_byte", nul, "file", "E-NUL", "8:", "line 8", "the file is damaged: copy it again"
        ),
    ]


def _line_ends(make):
    mixed = "".join(line + ("\r\n" if i % 2 else "\n") for i, line in enumerate(make.lines))
    stray = make.with_line(2, make.lines[1][:-1] + "\r" + make.lines[1][-1])
    return [
        make.sheet("crlf", csv_text(make.header, make.good, end="\r\n"), "accept"),
        make.sheet("cr_only", csv_text(make.header, make.good, end="\r"), "accept"),
        make.sheet("mixed_line_ends", mixed, "accept"),
        make.sheet("no_final_line_end", make.text[:-1], "accept"),
        make.sheet(
            "stray_cr",
            stray,
            "rows",
            "E-FIELDS",
            "2:",
            "carriage return",
            rows=_without(make.good, 2),
        ),
    ]


def _delimiters(make):
    extra = {line: make.lines[line - 1] + ",5" for line in (3, 4, 6)}
    with_extra = make.joined([extra.get(i + 1, line) for i, line in enumerate(make.lines)])
    trailing = make.joined([make.lines[0], *(line + "," for line in make.lines[1:])])
    semicolons = csv_text(make.header, make.good, ";")
    return [
        make.sheet("semicolons", semicolons, "accept"),
        make.sheet("tabs", csv_text(make.header, make.good, "\t"), "accept"),
        make.sheet(
            "semicolons_decimal_comma",
            semicolons.replace(".", ","),
            "accept",
            rows=[[cell.replace(".", ",") for cell in row] for row in make.good],
        ),
        make.sheet("sep_line", "sep=;\n" + semicolons, "note", "N-DELIM", says="sep="),
        make.sheet(
            "comma_and_decimal_comma",
            with_extra,
            "rows",
            "E-FIELDS",
            "3:;4:;6:",
            f"{make.width + 1} fields, header has {make.width}",
            "export with semicolons, or with decimal points",
            _without(make.good, 3, 4, 6),
        ),
        make.sheet(
            "trailing_delimiter_rows", trailing, "note", "N-TRAILSEP", says="trailing delimiter"
        ),
        make.sheet(
            "trailing_delimiter_all",
            make.joined([line + ",,," for line in make.lines]),
            "note",
            "N-EMPTYCOL",
            says="3 empty columns",
        ),
    ]


def _widths(make):
    blank = [*make.lines[:5], "", "   ", "," * (make.width - 1), *make.lines[5:]]
    short = make.lines[1].rsplit(",", 1)[0]
    shifted = make.lines[4].replace(",", ",,", 1)
    cut = make.text[:-1].rsplit(",", 2)[0]
    return [
        make.sheet("blank_lines", make.joined(blank), "note", "N-BLANK", says="3 blank lines"),
        make.sheet(
            "short_row",
            make.with_line(2, short),
            "rows",
            "E-FIELDS",
            "2:",
            f"{make.width - 1} fields, header has {make.width}",
            rows=_without(make.good, 2),
        ),
        make.sheet(
            "shifted_row",
            make.with_line(5, shifted),
            "rows",
            "E-FIELDS",
            "5:",
            f"{make.width + 1} fields",
            rows=_without(make.good, 5),
        ),
        make.sheet(
            "cut_off",
            cut,
            "rows",
            "E-FIELDS",
            f"{N_ROWS + 1}:",
            "cut off",
            "copy the file again",
            make.good[:-1],
        ),
    ]


def _quotes(make):
    opened = make.with_line(5, make.lines[4].replace(",", ',"', 1))
    two_lines, rows = make.with_last(2, "A\nB")
    quoted = "".join(
        ",".join('"' + cell.replace('"', '""') + '"' for cell in row) + "\n"
        for row in [make.header, *make.good]
    )
    tail = make.with_line(3, '"S01"x' + make.lines[2][3:])
    swallowing = opened.replace(make.lines[8], make.lines[8] + '"')
    return [
        make.sheet("all_quoted", quoted, "accept"),
        make.sheet("line_break_in_field", two_lines.replace("A\nB", '"A\nB"'), "accept", rows=rows),
        make.sheet(
            "open_quote",
            opened,
            "file",
            "E-QUOTE",
            f"5:{make.header[1]}",
            "line 5",
            "remove the stray quote",
        ),
        make.sheet(
            "quote_over_rows",
            swallowing,
            "file",
            "E-QUOTE",
            "5:",
            "line 5",
            "remove the stray quote",
        ),
        make.sheet(
            "text_after_quote",
            tail,
            "rows",
            "E-QUOTE",
            "3:",
            "closing quote",
            rows=_without(make.good, 3),
        ),
    ]


def _strange_files(make):
    conflict = [
        *make.lines[:4],
        "<<<<<<< HEAD",
        make.lines[4],
        "=======",
        make.lines[4],
        ">>>>>>> other",
        *make.lines[5:],
    ]
    page = "<!DOCTYPE html><html><body><table><tr><td>site</td></tr></table></body></html>\n"
    wide = ",".join([*make.header, *(f"x{i}" for i in range(20_000))])
    old = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
    return [
        make.sheet("empty", b"", "file", "E-EMPTY", says="empty"),
        make.sheet("only_mark", b"\xef\xbb\xbf", "file", "E-EMPTY", says="empty"),
        make.sheet("only_blank", "\n\n   \n", "file", "E-EMPTY", says="empty"),
        make.sheet("no_header", make.joined(make.lines[1:]), "file", "E-HEADER", says="header"),
        make.sheet(
            "merge_conflict",
            make.joined(conflict),
            "file",
            "E-CONFLICT",
            "5:",
            "<<<<<<<",
            "resolve the conflict",
        ),
        make.sheet("web_page", page, "file", "E-TYPE", says="web page"),
        make.sheet("json", '[{"site":"S01","plot":"001"}]\n', "file", "E-TYPE", says="JSON"),
        make.sheet(
            "gzip", gzip.compress(make.text.encode(), mtime=0), "file", "E-TYPE", says="gzip"
        ),
        make.sheet(
            "pickle",
            b"\x80\x04\x95\x12\0\0\0\0\0\0\0\x8c\x05posix\x94.",
            "file",
            "E-TYPE",
            says="not a text table",
        ),
        make.sheet("wide_header", make.with_line(1, wide), "file", "E-HEADER", says="columns"),
        make.sheet(
            "workbook_named_csv",
            workbook_bytes(make.table),
            "file",
            "E-TYPE",
            says="workbook",
            mend="rename to .xlsx",
        ),
        make.sheet(
            "old_workbook_named_csv", old, "file", "E-TYPE", says="old .xls", mend="save as .xlsx"
        ),
    ]


def _strange_cells(make):
    first, second = make.header[1], make.last
    escape = with_cell(with_cell(make.good, 2, make.width - 1, "A\x1b[31mB"), 6, 1, "0\u202e02")
    long = make.with_last(2, "A" * 300_000)[0]
    return [
        make.sheet(
            "control_characters",
            csv_text(make.header, escape),
            "rows",
            "E-CTRL",
            f"2:{second};6:{first}",
            "control character",
            rows=_without(make.good, 2, 6),
        ),
        make.sheet(
            "long_field",
            long,
            "rows",
            "E-LONG",
            f"2:{second}",
            "300000",
            rows=_without(make.good, 2),
        ),
    ]


def _tables_within(make):
    n = N_ROWS + 3
    below = make.text + f"\nsite,{make.header[1]},remark\nS01,001,flooded\n"
    again = make.text + make.text
    return [
        make.sheet(
            "title_rows",
            "Trial T25A, season 2025\n\n" + make.text,
            "note",
            "N-TITLE",
            says="2 rows above the header",
        ),
        make.sheet("second_table", below, "rows", "E-TABLE2", f"{n}:;{n + 1}:", "second table"),
        make.sheet(
            "header_again",
            again,
            "rows",
            "E-TABLE2",
            f"{N_ROWS + 2}:",
            "second table",
            rows=make.good + make.good,
        ),
    ]


def typed_cell(column, text):
    """Return a cell as a spreadsheet program stores it: dates and numbers typed, codes as text."""
    if column in TEXTS or text == "":
        return text
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        return datetime.fromisoformat(text)
    return int(text) if column in WHOLE else float(text)


def fill_sheet(sheet, table, top=1):
    """Write a good table into a worksheet, its header in row `top`."""
    header, rows = good_table(table)
    for j, name in enumerate(header):
        sheet.cell(top, j + 1, name)
        for i, row in enumerate(rows):
            cell = sheet.cell(top + 1 + i, j + 1, typed_cell(name, row[j]))
            if isinstance(cell.value, datetime):
                cell.number_format = "yyyy-mm-dd"
    return sheet


def saved(book):
    """Return a workbook's bytes."""
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def workbook_bytes(table, change=None, top=1):
    """Return a workbook with a good table on its sheet `data`, after `change(sheet)`."""
    book = Workbook()
    book.active.title = "data"
    fill_sheet(book.active, table, top)
    if change:
        change(book.active)
    return saved(book)


def with_part(data, part, change):
    """Return a workbook's bytes with one part of the archive changed, or added where it is not
    there.
    """
    target = io.BytesIO()
    packed = zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED)
    with zipfile.ZipFile(io.BytesIO(data)) as source, packed as out:
        names = source.namelist()
        for name in names if part in names else [*names, part]:
            old = source.read(name) if name in names else b""
            out.writestr(name, change(old) if name == part else old)
    return target.getvalue()


def with_shared_strings(data, strings):
    """Return a workbook with its texts moved into a part of shared strings, as most programs write
    them.
    """
    texts = []

    def share(match):
        texts.append(strings.get(match[2], b"<t>" + match[2] + b"</t>"))
        return match[1] + b't="s"><v>%d</v></c>' % (len(texts) - 1)

    inline = rb'(<c [^>]*)t="inlineStr"><is><t>([^<]*)</t></is></c>'
    data = with_part(data, SHEET_XML, lambda xml: re.sub(inline, share, xml))
    data = with_part(
        data,
        "xl/sharedStrings.xml",
        lambda _: (
            b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
            + b"".join(b"<si>" + text + b"</si>" for text in texts)
            + b"</sst>"
        ),
    )
    link = (
        b'<Relationship Id="rId99" Target="sharedStrings.xml" Type="http://schemas.openxmlformats.org/'
        b'officeDocument/2006/relationships/sharedStrings"/></Relationships>'
    )
    data = with_part(
        data, "xl/_rels/workbook.xml.rels", lambda xml: xml.replace(b"</Relationships>", link)
    )
    kind = (
        b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-'
        b'officedocument.spreadsheetml.sharedStrings+xml"/></Types>'
    )
    return with_part(data, "[Content_Types].xml", lambda xml: xml.replace(b"</Types>", kind))


def workbook_sheets(table):
    """Return the faults that a workbook of `table` can have."""
    make = _Text(table)
    return [
        _book(make, *fault)
        for fault in [*_book_files(table), *_book_forms(table), *_book_looks(table)]
    ]


def _book(make, fault, data, outcome, code="", where="", says="", mend="", suffix=".xlsx"):
    return make.sheet(fault, data, outcome, code, where, says, mend, suffix=suffix)


def _stating_another_size(xml):
    return re.sub(rb'(<dimension ref=")[^"]*', rb"\1A1", xml)


def _book_files(table):
    good = workbook_bytes(table)
    bomb = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]>'
    outside = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    ole = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
    document = io.BytesIO()
    with zipfile.ZipFile(document, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    return [
        ("workbook", good, "accept"),
        (
            "truncated",
            good[: len(good) * 2 // 3],
            "file",
            "E-TYPE",
            "",
            "damaged",
            "copy the file again",
        ),
        (
            "entity_bomb",
            with_part(good, SHEET_XML, lambda old: bomb + old),
            "file",
            "E-TYPE",
            "",
            "DOCTYPE",
        ),
        (
            "external_entity",
            with_part(good, SHEET_XML, lambda old: outside + old),
            "file",
            "E-TYPE",
            "",
            "DOCTYPE",
        ),
        (
            "zip_bomb",
            with_part(good, "xl/media/x.bin", lambda _: bytes(150_000_000)),
            "file",
            "E-SIZE",
            "",
            "150",
        ),
        ("old_workbook", ole, "file", "E-TYPE", "", "old .xls", "save as .xlsx"),
        (
            "password",
            ole + "EncryptedPackage".encode("utf-16-le"),
            "file",
            "E-PASSWORD",
            "",
            "password",
            "save without password",
        ),
        (
            "open_document",
            document.getvalue(),
            "file",
            "E-TYPE",
            "",
            "OpenDocument",
            "save as .xlsx or .csv",
        ),
        (
            "text_named_xlsx",
            csv_text(*good_table(table)),
            "file",
            "E-TYPE",
            "",
            "not a workbook",
            "rename to .csv",
        ),
        (
            "macro",
            with_part(good, "xl/vbaProject.bin", lambda _: b"stub"),
            "note",
            "N-MACRO",
            "",
            "macro",
            "",
            ".xlsm",
        ),
        ("wrong_dimension", with_part(good, SHEET_XML, _stating_another_size), "accept"),
    ]


def _book_forms(table):
    header, _ = good_table(table)
    site = f"2:site;2:{header[1]}"

    def merge(sheet):
        sheet.merge_cells(f"A2:A{N_ROWS + 1}")
        sheet.merge_cells("B2:B4")

    def title(sheet):
        sheet["A1"] = "Trial T25A, season 2025"
        sheet.merge_cells(start_row=1, end_row=1, start_column=1, end_column=len(header))

    def readme_first(sheet):
        sheet.parent.create_sheet("readme", 0)["A1"] = "Read me first"

    def twice(sheet):
        fill_sheet(sheet.parent.create_sheet("data (2)"), table)

    def hidden_sheet(sheet):
        fill_sheet(sheet.parent.create_sheet("old"), table).sheet_state = "veryHidden"

    def stray(sheet):
        sheet.cell(200_000, len(header), " ")

    def protect(sheet):
        sheet.protection.password = "x"
        sheet.protection.enable()

    def empty(sheet):
        sheet.delete_rows(1, N_ROWS + 1)

    return [
        (
            "merged",
            workbook_bytes(table, merge),
            "file",
            "E-MERGED",
            site,
            f"A2:A{N_ROWS + 1}",
            "unmerge and fill down",
        ),
        (
            "merged_title",
            workbook_bytes(table, title, top=3),
            "note",
            "N-TITLE",
            "",
            "2 rows above the header",
        ),
        ("second_sheet", workbook_bytes(table, readme_first), "note", "N-SHEET", "", "data"),
        ("two_sheets", workbook_bytes(table, twice), "file", "E-SHEET", "", "data (2)"),
        ("hidden_sheet", workbook_bytes(table, hidden_sheet), "note", "N-HIDDEN", "", "old"),
        ("stray_far_cell", workbook_bytes(table, stray), "note", "N-BLANK", "", "200000"),
        ("protected_sheet", workbook_bytes(table, protect), "accept"),
        ("empty_workbook", workbook_bytes(table, empty), "file", "E-EMPTY", "", "empty"),
    ]


def _book_looks(table):
    def hide_rows(sheet):
        for line in (2, 4, 5):
            sheet.row_dimensions[line].hidden = True

    def hide_column(sheet):
        sheet.column_dimensions["B"].hidden = True

    def mark(sheet):
        for line in (2, 5, 8):
            sheet.cell(line, 5).fill = PatternFill("solid", fgColor="FFFF0000")
        sheet.cell(11, 5).font = Font(strike=True)
        sheet.cell(3, 5).comment = Comment("dead?", "AB")

    return [
        ("hidden_rows", workbook_bytes(table, hide_rows), "note", "N-HIDDEN", "", "3 hidden rows"),
        ("hidden_column", workbook_bytes(table, hide_column), "note", "N-HIDDEN", "", "column B"),
        ("coloured", workbook_bytes(table, mark), "note", "N-FORMATTING", "", "3 coloured"),
    ]


def shown_as_text(header, rows):
    """Return rows as a workbook gives them: whole numbers without decimals, others in shortest
    form.
    """

    def shown(column, text):
        value = typed_cell(column, text)
        if isinstance(value, date):
            return text
        return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)

    return [tuple(shown(column, cell) for column, cell in zip(header, row)) for row in rows]
