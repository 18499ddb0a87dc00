"""Faults of bytes and of workbooks, made again on the small network's tables (see ``bad_sheets``)."""

import gzip
import io
import zipfile

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from bad_sheets import CUT, STAND, STEMS, WEATHER, fault
from faulty_files import SHEET_XML, saved, typed_cell, with_part, with_shared_strings
from small_network import Sheet

OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)


def with_line(sheet, line, change):
    """Return the sheet's text with one physical line changed."""
    lines = sheet.text().split("\n")
    lines[line - 1] = change(lines[line - 1])
    return "\n".join(lines)


# ---- bytes


@fault("a01", STAND, CUT)
def untouched(sheet):
    return sheet.text()


@fault("a06", STEMS, WEATHER, where="3: 5:", says="fields, header has")
def bare_decimal_commas(sheet, names):
    for line in (3, 5):
        sheet.put(line, names["number"], "150,5")
    return sheet.text().replace('"', "")


@fault("a07", STEMS, WEATHER, says="decimal comma")
def quoted_decimal_commas(sheet):
    sheet.rows = [[cell.replace(".", ",") for cell in row] for row in sheet.rows]


@fault("a08", STAND)
def mark_of_utf8(sheet):
    return b"\xef\xbb\xbf" + sheet.text().encode()


@fault("a10", STAND, CUT, says="cp1252")
def cp1252_in_free_text(sheet, names):
    return sheet.put(2, names["text"], "Jürgen").text().encode("cp1252")


@fault("a11", STAND, STEMS, where="2:plot", says="Hö01")
def cp1252_in_a_code(sheet):
    return sheet.put(2, "plot", "Hö01").text().encode("cp1252")


@fault("a12", STAND, where="6:observer", says="line 6")
def two_encodings(sheet):
    text = sheet.put(2, "observer", "Åsa").put(6, "observer", "J#rgen").text()
    return text.encode().replace(b"#", b"\xfc")


@fault("a14", STAND, says="UTF-16")
def utf16(sheet):
    return b"\xff\xfe" + sheet.text().encode("utf-16-le")


@fault("a15", STAND, says="NUL")
def utf16_without_mark(sheet):
    return sheet.text().encode("utf-16-le")


@fault("a16", STAND, CUT, where="8:", says="line 8")
def nul_in_a_code(sheet):
    return sheet.put(8, "plot", "0\x0003").text()


@fault("a18", STAND)
def two_kinds_of_line_end(sheet):
    return sheet.text().replace("\n", "\r\n", 7)


@fault("a19", STAND)
def last_line_not_ended(sheet):
    return sheet.text()[:-1]


@fault("a20", STAND, says="sep=")
def sep_line(sheet):
    return "sep=;\n" + sheet.text(";")


@fault("a23", STAND, says="3 blank lines")
def blank_lines(sheet):
    return with_line(sheet, 5, lambda line: line + "\n\n   \n" + "," * (len(sheet.header) - 1))


@fault("a24", STAND, says="trailing delimiter")
def trailing_delimiter_in_rows(sheet):
    head, _, rows = sheet.text().partition("\n")
    return head + "\n" + rows.replace("\n", ",\n")


@fault("a25", STAND, says="3 empty columns")
def nameless_columns(sheet):
    return sheet.text().replace("\n", ",,,\n")


@fault("a26", STAND, where="2:", says="fields, header has")
def cell_too_few(sheet):
    return with_line(sheet, 2, lambda line: line.rpartition(",")[0])


@fault("a28", STAND, where="37:", says="cut off")
def cut_in_the_last_row(sheet):
    return sheet.text()[:-1].rsplit(",", 3)[0]


@fault("a29", STAND, CUT, where="5:plot", says="line 5")
def open_quote(sheet):
    return with_line(sheet, 5, lambda line: line.replace(",", ',"', 1))


@fault("a31", STAND, where="4:plants_alive", says="x")
def line_break_in_a_field(sheet):
    return sheet.put(2, "observer", "A\nB").put(3, "plants_alive", "x")


@fault("a33", STAND, says="empty")
def only_a_mark(sheet):
    return b"\xef\xbb\xbf"


@fault("a34", STAND, says="empty")
def only_blank_lines(sheet):
    return "\n\n   \n"


@fault("a36", STAND, says="header")
def no_header(sheet):
    return sheet.text().partition("\n")[2]


@fault("a38", STAND, where="5:", says="<<<<<<<")
def conflict_left(sheet):
    return with_line(sheet, 5, lambda line: f"<<<<<<< HEAD\n{line}\n=======\n{line}\n>>>>>>> other")


@fault("a39", STAND, says="web page")
def web_page(sheet):
    return "<!DOCTYPE html><html><body><table><tr><td>site</td></tr></table></body></html>\n"


@fault("a40", STAND, says="JSON")
def json(sheet):
    return '[{"site":"S01","plot":"001"}]\n'


@fault("a42", STAND, says="gzip")
def gzipped(sheet):
    return gzip.compress(sheet.text().encode(), mtime=0)


@fault("a43", STAND, says="not a text table")
def pickled(sheet):
    return b"\x80\x04\x95\x12\0\0\0\0\0\0\0\x8c\x05posix\x94."


@fault("a44", STAND, where="2:observer 6:plot", says="control character")
@fault("a44", CUT, where="2:status_reason 6:plot", says="control character")
def control_characters(sheet, names):
    sheet.put(2, names["text"], "A\x1b[31mB").put(6, "plot", "0\u202e02")


@fault("a45", STAND, CUT, where="2:{text}", says="300000")
def cell_far_too_long(sheet, names):
    sheet.put(2, names["text"], "A" * 300_000)


@fault("a46", STAND, says="columns")
def thousands_of_columns(sheet):
    return with_line(sheet, 1, lambda line: line + "".join(f",x{i}" for i in range(20_000)))


@fault("a48", STAND, CUT, says="no-break space")
def no_break_space_behind_codes(sheet):
    sheet.put_all("plot", lambda old: old + "\u00a0")


@fault("a49", STAND, CUT, says="U+200B")
def zero_width_space(sheet):
    sheet.put(2, "plot", "\u200b001")


@fault("a51", STAND, says="UTF-16")
def utf16_cut(sheet):
    return b"\xff\xfe" + sheet.text().encode("utf-16-le")[:-1]


@fault("a52", STAND, where="2:", says="carriage return")
def stray_carriage_return(sheet):
    return with_line(sheet, 2, lambda line: line[:-1] + "\rx" + line[-1])


@fault("e14", STAND, CUT, WEATHER, where="5:", says="fields, header has")
def row_shifted(sheet):
    return with_line(sheet, 5, lambda line: line.replace(",", ",,", 1))


# ---- workbooks


def filled(worksheet, sheet, top=1):
    """Write a sheet into a worksheet as a spreadsheet program stores it."""
    for j, name in enumerate(sheet.header, 1):
        worksheet.cell(top, j, name)
        for i, row in enumerate(sheet.rows, top + 1):
            cell = worksheet.cell(i, j, typed_cell(name, row[j - 1]))
            if hasattr(cell.value, "isoformat"):
                cell.number_format = "yyyy-mm-dd"
    return worksheet


def book(sheet: Sheet, change=None, top=1):
    """Return a workbook's bytes with the sheet on its tab `data`, after `change(worksheet)`."""
    workbook = Workbook()
    workbook.active.title = "data"
    filled(workbook.active, sheet, top)
    if change:
        change(workbook.active)
    return saved(workbook)


def workbook_fault(id, *tables, suffix=".xlsx", **expected):
    """Register a fault of a workbook; the file is named after its table."""

    def register(make):
        for table in tables:
            fault(id, table, file=table + suffix, **expected)(make)
        return make

    return register


def typing(cell, value):
    """Return a change of a worksheet that puts a value into one cell."""
    return lambda worksheet: worksheet.__setitem__(cell, value)


def column_letter(sheet, name):
    return "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[sheet.place(name)]


@workbook_fault("f01", STAND, CUT)
def good_workbook(sheet):
    return book(sheet)


@workbook_fault("f02", STAND, CUT, where="2:site 2:plot", says="unmerge and fill down")
def merged_cells(sheet):
    def merge(worksheet):
        worksheet.merge_cells("A2:A20")
        worksheet.merge_cells("B2:B4")

    return book(sheet, merge)


@workbook_fault("f03", STAND, says="2 rows above the header")
def merged_title(sheet):
    def title(worksheet):
        worksheet["A1"] = "Trial T24A"
        worksheet.merge_cells("A1:F1")

    return book(sheet, title, top=3)


@workbook_fault("f04", STAND, STEMS, where="2:{number}", says="formula")
def formula_without_result(sheet, names):
    return book(sheet, typing(column_letter(sheet, names["number"]) + "2", "=15*2"))


@workbook_fault("f07", STAND, says="stored as text")
def numbers_as_text(sheet, names):
    place = sheet.place(names["number"])

    def as_text(worksheet):
        for i, row in enumerate(sheet.rows, 2):
            worksheet.cell(i, place + 1, row[place])

    return book(sheet, as_text)


@workbook_fault("f08", STAND, CUT, says="1 read as 001")
def plots_as_numbers(sheet):
    def as_number(worksheet):
        for i, row in enumerate(sheet.rows, 2):
            worksheet.cell(i, 2, int(row[1]))

    return book(sheet, as_number)


@workbook_fault("f10", CUT, says="percent format")
def percent_format(sheet):
    def percent(worksheet):
        cell = worksheet[column_letter(sheet, "ash_pct") + "2"]
        cell.value, cell.number_format = 0.025, "0.0%"

    return book(sheet, percent)


@workbook_fault("f11", STAND, where="2:counted_on 3:counted_on", says="2025-06-15")
@workbook_fault("f11", CUT, where="2:harvested_on 3:harvested_on", says="2025-06-15")
def bare_serial_numbers(sheet, names):
    def serial(worksheet):
        for line in "23":
            cell = worksheet[column_letter(sheet, names["date"]) + line]
            cell.value, cell.number_format = 45823, "General"

    return book(sheet, serial)


@workbook_fault("f12", STAND, says="text date")
def real_and_typed_dates(sheet):
    return book(sheet, typing("C2", "20/06/2024"))


@workbook_fault("f15", STAND, says="3 hidden rows")
def hidden_rows(sheet):
    def hide(worksheet):
        for line in (2, 4, 5):
            worksheet.row_dimensions[line].hidden = True

    return book(sheet, hide)


@workbook_fault("f16", STAND, says="column B")
def hidden_column(sheet):
    return book(sheet, lambda worksheet: setattr(worksheet.column_dimensions["B"], "hidden", True))


@workbook_fault("f17", STAND, says="data")
def rows_on_the_second_sheet(sheet):
    return book(
        sheet,
        lambda worksheet: worksheet.parent.create_sheet("readme", 0).append(["Read me first"]),
    )


@workbook_fault("f18", STAND, says="data (2)")
def two_sheets_fit(sheet):
    return book(sheet, lambda worksheet: filled(worksheet.parent.create_sheet("data (2)"), sheet))


@workbook_fault("f19", STAND, says="old")
def hidden_sheet(sheet):
    def hide(worksheet):
        filled(worksheet.parent.create_sheet("old"), sheet).sheet_state = "veryHidden"

    return book(sheet, hide)


@workbook_fault("f23", STAND, says="3 coloured")
def colour_strike_comment(sheet):
    def mark(worksheet):
        for line in (2, 5, 8):
            worksheet.cell(line, 5).fill = PatternFill("solid", fgColor="FFFF0000")
        worksheet.cell(11, 5).font = Font(strike=True)
        worksheet.cell(3, 5).comment = Comment("dead?", "AB")

    return book(sheet, mark)


@workbook_fault("f24", STAND, says="200000")
def stray_far_cell(sheet):
    return book(sheet, lambda worksheet: worksheet.cell(200_000, 5, " "))


@workbook_fault("f25", STAND)
def wrong_size_stated(sheet):
    start, end = b'<dimension ref="', b'" />'

    def state(xml):
        head, _, rest = xml.partition(start)
        return head + start + b"A1" + end + rest.partition(end)[2]

    return with_part(book(sheet), SHEET_XML, state)


@workbook_fault("f26", STAND, says="damaged")
def workbook_cut_off(sheet):
    return book(sheet)[:4000]


@fault("f28", STAND, says="workbook")
def workbook_under_a_text_name(sheet):
    return book(sheet)


@workbook_fault("f29", STAND, says="old .xls")
def old_workbook(sheet):
    return OLE


@workbook_fault("f31", STAND, says="DOCTYPE")
def entity_bomb(sheet):
    bomb = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]>'
    return with_part(book(sheet), SHEET_XML, lambda xml: bomb + xml)


@workbook_fault("f32", STAND, says="DOCTYPE")
def outside_entity(sheet):
    outside = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    return with_part(book(sheet), SHEET_XML, lambda xml: outside + xml)


@workbook_fault("f34", STAND, suffix=".xlsm", says="macro")
def macro(sheet):
    return with_part(book(sheet), "xl/vbaProject.bin", lambda _: b"stub")


@workbook_fault("f35", STAND, CUT, says="formula")
def formula_in_free_text(sheet, names):
    cell = column_letter(sheet, names["text"]) + "2"
    return book(sheet, typing(cell, '=HYPERLINK("http://example.invalid","AB")'))


@workbook_fault("f37", STAND, where="2:{number}", says="TRUE")
def truth_value(sheet, names):
    return book(sheet, typing(column_letter(sheet, names["number"]) + "2", True))


@workbook_fault("f39", STAND, says="time dropped")
def time_of_day(sheet, names):
    def late(worksheet):
        cell = worksheet[column_letter(sheet, names["date"]) + "2"]
        cell.value, cell.number_format = cell.value.replace(hour=8), "yyyy-mm-dd hh:mm"

    return book(sheet, late)


@workbook_fault("f41", STAND, says="password")
def password(sheet):
    return OLE + "EncryptedPackage".encode("utf-16-le")


@workbook_fault("f42", STAND)
def protected_sheet(sheet):
    return book(sheet, lambda worksheet: worksheet.protection.enable())


@workbook_fault("f43", STAND, says="OpenDocument")
def open_document(sheet):
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    return target.getvalue()


@workbook_fault("f45", STAND)
def shared_strings(sheet):
    return with_shared_strings(book(sheet), {})
