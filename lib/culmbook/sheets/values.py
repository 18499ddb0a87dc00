"""What one cell of a sheet says: numbers, dates, codes and choices read exactly or not at all.

Every reader takes a cell's text and returns a :class:`Reading`: a value, or the reason why there is
none, or a value with a note on how it was read. Nothing is guessed: text with two readings has
none. A file as a whole settles what its cells leave open: one decimal mark and one order of dates,
or none.
"""

import re
from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, timedelta
from difflib import SequenceMatcher, get_close_matches

from culmbook.sheets.problems import MONTHS

NOTED_MISSING = {".", "*", "n/a", "na", "missing", "nan", "null", "none", "#n/a"}
UNSURE = {"-", "--", "---", "–", "—", "x", "?", "??"}
SENTINELS = {sign * int("9" * n) for n in (2, 3, 4, 5) for sign in (1, -1)} - {99}
LONGEST_NUMBER = 40  # digits
LIKENESS = 0.7  # least likeness of a word to the one that may be meant
ODD_SPACES = "\u00a0\u2007\u202f\u200b\u200c\u200d\u2060\ufeff"
_MIXED_UP = str.maketrans("oil", "011")  # characters that hands and eyes mix up
INVISIBLE = re.compile("[\u200b\u200c\u200d\u2060\ufeff]")
_NUMBER = re.compile(r"([+-]?)([0-9]*)(?:([.,])([0-9]+))?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}(?:[ \u00a0\u202f.,'’][0-9]{3})+(?:[.,][0-9]+)?", re.ASCII)
_YEAR_FIRST = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4})", re.ASCII)
_TIMED = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]([01][0-9]|2[0-3]):[0-5][0-9]"
    r"(?::[0-5][0-9](?:\.[0-9]+)?)?(?:Z|[+-][0-9]{2}:?[0-9]{2})?",
    re.ASCII,
)
_SHORT_YEAR = re.compile(r"[0-9]{1,2}[-/.][0-9]{1,2}[-/.][0-9]{2}", re.ASCII)
_MARKED = re.compile(r"[+\u2212\u2013-]?([0-9]*)([.,])([0-9]+)", re.ASCII)
_SERIAL = re.compile(r"[2-6][0-9]{4}(?:\.[0-9]+)?", re.ASCII)


@dataclass(frozen=True)
class Reading:
    """A cell's value (None = missing or refused) and, with a code, what was refused or noted."""

    value: object = None
    code: str = ""
    rule: str = ""
    mend: str = ""

    @property
    def refused(self):
        """Whether the cell has no valid value."""
        return self.code.startswith("E-")


MISSING = Reading()


def trimmed(text):
    """Return the text without blanks around it, and without odd or invisible spaces that a code
    never has.

    Examples
    --------
    >>> trimmed(" H001\\u00a0"), trimmed("0\\u200b07")
    ('H001', '007')
    """
    return INVISIBLE.sub("", text).strip()


def odd_spaces(text):
    """Return the no-break and zero-width spaces in a text, named; empty when there are none."""
    names = {"\u00a0": "no-break space (U+00A0)", "\u202f": "narrow no-break space (U+202F)"}
    return ", ".join(
        dict.fromkeys(names.get(c, f"U+{ord(c):04X}") for c in text if c in ODD_SPACES)
    )


def did_you_mean(text, known):
    """Return the mend naming the closest known word, or listing some known ones.

    Examples
    --------
    >>> did_you_mean("HO01", ["H001", "H117"])
    'did you mean H001?'
    """
    by_form = {word.casefold().translate(_MIXED_UP): word for word in known}
    form = text.casefold().translate(_MIXED_UP)
    close = [by_form[form]] if form in by_form else get_close_matches(text, known, 2, LIKENESS)
    ratios = [SequenceMatcher(None, word, text).ratio() for word in close]
    if close and (len(close) == 1 or ratios[0] > ratios[1]):  # no other is as like
        return f"did you mean {close[0]}?"
    some = sorted(known)[:6]
    return f"known: {', '.join(some)}{' …' if len(known) > len(some) else ''}" if some else ""


def read_missing(text, code):
    """Return how a spelling of *missing* reads: silently, with a note, or refused; None if it is
    none.

    Parameters
    ----------
    text : str
        Trimmed text.
    code : str
        Code of the refusal for marks that may mean zero, dead or unsure.
    """
    if text in ("", "NA"):
        return MISSING
    if text.casefold() in NOTED_MISSING:
        rule = "spelling of missing, read as not observed"
        return Reading(None, "N-MISSING", rule, "leave blank")
    if text.casefold() in UNSURE:
        return Reading(None, code, "could mean zero, dead or unsure", "write 0, or leave blank")
    return None


def read_number(text, decimal, kind=None):
    """Return a plain decimal number.

    Parameters
    ----------
    text : str
        The cell.
    decimal : {".", ",", None}
        The file's decimal mark; None when the file does not settle it.
    kind : str, optional
        What the spreadsheet says of the cell (``number``, ``percent``, ``boolean``, …).

    Returns
    -------
    Reading
        ``E-NUMBER`` for anything but digits with at most one sign and decimal mark, ``E-RANGE`` for
        more digits than a measured number has, ``N-NUMBER`` where a typographic minus was read as
        minus.
    """
    if kind in ("number", "percent"):
        return Reading(float(text))
    plain = trimmed(text)
    missing = read_missing(plain, "E-NUMBER")
    if missing is not None:
        return missing
    signed = re.sub(r"^[\u2212\u2013](?=[0-9.,])", "-", plain)
    match = _NUMBER.fullmatch(signed)
    if kind in ("boolean", "date", "datetime", "error") or not match or not (match[2] or match[4]):
        return _no_number(signed, kind)
    sign, whole, mark, fraction = match[1], match[2], match[3], match[4] or ""
    n_digits = len(whole) + len(fraction)
    if n_digits > LONGEST_NUMBER:
        mend = "write the number as it was measured"
        return Reading(None, "E-RANGE", f"{n_digits}-digit number", mend)
    if mark and mark != decimal:
        rule = "the file does not settle which decimal mark it uses"
        mend = "use one decimal mark in the whole file"
        if may_be_thousands(whole, fraction):
            rule, mend = _two_readings(signed), f"write {sign}{whole}{fraction}"
        elif decimal:
            other, own = ("point", "comma") if mark == "." else ("comma", "point")
            rule = f"{signed} has a decimal {other} in a file of decimal {own}s"
            mend = f"write {signed.replace(mark, decimal)}"
        return Reading(None, "E-NUMBER", rule, mend)
    value = float(f"{sign}{whole or 0}.{fraction or 0}")
    if signed == plain:
        return Reading(value)
    rule = "dash or typographic minus read as minus"
    return Reading(value, "N-NUMBER", rule, "type a plain hyphen")


def may_be_thousands(whole, fraction):
    """Return whether the mark between two groups of digits may be one of thousands."""
    return len(fraction) == 3 and 1 <= len(whole) <= 3 and whole != "0"


def _no_number(text, kind):
    """Return the refusal of a text that is no plain decimal number."""
    rule, mend = "not a number", "write the number only"
    if _THOUSANDS.fullmatch(text):
        rule = _two_readings(text)
        keeps_last = len({c for c in text if c in ".,"}) == 2
        last = max(text.rfind("."), text.rfind(",")) if keeps_last else len(text)
        mend = f"write {re.sub('[^0-9+-]', '', text[:last])}{text[last:]}"
    if kind:
        rule = f"{text} is a {kind} value in the spreadsheet, not a number"
    return Reading(None, "E-NUMBER", rule, mend)


def _two_readings(text):
    """Return the question that a thousands mark, or a mark that may be one, raises."""
    digits = re.sub("[^0-9+-]", "", text)
    head, tail = re.split(r"[ \u00a0\u202f.,'’](?=[^ \u00a0\u202f.,'’]*$)", text)
    head = re.sub("[^0-9+-]", "", head)
    return f"thousands mark or decimal mark: {digits} or {head}.{tail}?"


def read_whole(text, decimal, kind=None):
    """Return a whole number, as :func:`read_number`; ``30.0`` is read as 30 with a note."""
    reading = read_number(text, decimal, kind)
    if reading.value is None:
        return reading
    if not reading.value.is_integer():
        mend = "count again, or correct the typing"
        return Reading(None, "E-NUMBER", "a whole number is expected", mend)
    value = int(reading.value)
    if not reading.code and kind is None and re.search("[.,]", text):
        rule = f"{text.strip()} read as the whole number {value}"
        return Reading(value, "N-NUMBER", rule, f"write {value}")
    return replace(reading, value=value)


def check_range(value, field):
    """Return what the range of the column says of a number: refused, noted as unlikely, or
    nothing.
    """
    low, high = field.minimum, field.maximum
    too_low = low is not None and value < low
    too_low = too_low or (field.exclusive_minimum is not None and value <= field.exclusive_minimum)
    unlikely = bool(field.plausible) and not field.plausible[0] <= value <= field.plausible[1]
    impossible = too_low or (high is not None and value > high)
    is_sentinel = value in SENTINELS and (unlikely or impossible)
    if not unlikely and not impossible:
        return Reading(value)
    low = low if field.exclusive_minimum is None else field.exclusive_minimum
    limits = f"possible range {low:g} to {high:g}"
    if field.plausible:
        likely = f"plausible range {field.plausible[0]:g} to {field.plausible[1]:g}"
        limits = f"{likely} ({limits})" if impossible or is_sentinel else likely
    rule, mend = f"{value:.15g} is outside the {limits}", "correct it, or leave blank"
    if is_sentinel:
        mend = f"is {value:g} a missing code? leave blank"
    if impossible or is_sentinel:
        return Reading(None, "E-RANGE", rule, mend)
    return Reading(value, "N-RANGE", rule, "look at it again")


def read_date(text, order, kind=None):
    """Return a calendar date.

    Parameters
    ----------
    text : str
        The cell.
    order : {"d/m/y", "m/d/y", "y/m/d", "ambiguous", "contradictory"}
        The one reading of year-last dates that the file admits; dates with dots are day first.
    kind : str, optional
        What the spreadsheet says of the cell.

    Returns
    -------
    Reading
        A `datetime.date`; ``E-DATE`` when there is none or more than one reading, ``N-DATE`` when
        the text was not plain ISO 8601.
    """
    plain = trimmed(text)
    missing = read_missing(plain, "E-DATE")
    if missing is not None:
        return missing
    if kind in ("boolean", "error", "percent"):
        return Reading(None, "E-DATE", f"{plain} is a {kind} value, not a date", "write YYYY-MM-DD")
    if timed := _TIMED.fullmatch(plain):
        is_midnight = re.search(r"[T ]00:00(:00(\.0+)?)?$", plain)
        is_date = kind in ("date", "datetime") and is_midnight
        return _date(timed[1], timed[1].split("-"), "" if is_date else "time dropped")
    if year_first := _YEAR_FIRST.fullmatch(plain):
        iso = len(plain) == 10 and year_first[2] == "-"
        return _date(plain, year_first.group(1, 3, 4), "" if iso else "not plain ISO 8601")
    return _year_last_date(plain, order) if _YEAR_LAST.fullmatch(plain) else _no_date(plain)


def _date(text, parts, remark):
    day = _day(*map(int, parts))
    return _dated(day, remark and f"{remark}: {text}") if day else _no_day(text)


def _no_day(text):
    rule = f"{text} is no day of the calendar"
    return Reading(None, "E-DATE", rule, "write the date as YYYY-MM-DD")


def both_orders(text):
    """Return the day a year-last date is if written day first, and if written month first (or
    None).

    Examples
    --------
    >>> [str(day) for day in both_orders("15/06/2025")]
    ['2025-06-15', 'None']
    """
    match = _YEAR_LAST.fullmatch(text)
    if not match:
        return None
    first, second, year = (int(part) for part in match.group(1, 3, 4))
    return _day(year, second, first), _day(year, first, second)


def _day(year, month, day):
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _year_last_date(text, order):
    is_dotted = "." in text
    days = dict(zip(("d/m/y", "m/d/y"), both_orders(text)))
    fitting = {name: day for name, day in days.items() if day}
    if not fitting or is_dotted and "d/m/y" not in fitting:
        return _no_day(text)
    if is_dotted:
        return _dated(fitting["d/m/y"], f"text date, day.month.year: {text}")
    if order in fitting:
        return _dated(fitting[order], f"text date, {order} in the whole file: {text}")
    days = dict.fromkeys(fitting.values())
    either = " or ".join(f"{day.day} {MONTHS.split()[day.month - 1]}" for day in days)
    why = {"ambiguous": "nothing in the file settles it"}
    why["contradictory"] = "the file holds both d/m/y and m/d/y"
    mend = f"write {next(iter(days))}" + (" or the other" if len(fitting) > 1 else "")
    if order == "ambiguous":
        mend += '; or say in headings.toml how the whole file is meant: dates = "dmy" or "mdy"'
    rule = f"{either}? {why.get(order, f'headings.toml says {order}')}"
    return Reading(None, "E-DATE", rule, mend)


def _dated(day, remark):
    if day.year < 1900:
        return Reading(None, "E-DATE", f"{day} lies before 1900", "correct the year")
    if not remark:
        return Reading(day)
    return Reading(day, "N-DATE", f"{remark} read as {day}", "write YYYY-MM-DD")


def _no_date(text):
    rule, mend = "not a date", "write YYYY-MM-DD"
    if _SHORT_YEAR.fullmatch(text):
        rule, mend = f"{text} has a two-digit year", "write the year with four digits"
    elif _SERIAL.fullmatch(text):
        day = date(1899, 12, 30) + timedelta(days=int(text.split(".")[0]))
        rule = f"a spreadsheet's serial number? It would be {day} in the 1900 system"
        mend = "format the column as date and export again"
    return Reading(None, "E-DATE", rule, mend)


def read_choice(text, choices, kind=None):
    """Return one of the allowed words; other case is read with a note, anything else refused."""
    plain = trimmed(text)
    if plain in choices:
        return Reading(plain)
    same = [word for word in choices if word.casefold() == plain.casefold()]
    if same:
        return Reading(same[0], "N-CASE", f"{plain} read as {same[0]}", f"write {same[0]}")
    missing = read_missing(plain, "E-CODE")
    if missing is not None:
        return missing
    mend = did_you_mean(plain, list(choices))
    if not mend.startswith("did you mean"):
        mend = "write one of them, or state in headings.toml what the word stands for"
    return Reading(None, "E-CODE", f"allowed: {', '.join(choices)}", mend)


def read_code(text, pattern=None, kind=None, max_length=None, shape=""):
    """Return a code as text: never a number, never missing unless blank."""
    plain = trimmed(text)
    if plain == "":
        return MISSING
    if kind in ("date", "datetime", "error"):
        rule = f"Excel holds a {kind} here, not a code"
        return Reading(None, "E-CODE", rule, "format the column as text before typing")
    if pattern and not re.fullmatch(pattern, plain):
        shape = shape or (
            "up to 40 letters, digits, _ . + - and single spaces inside, starting with a letter, "
            "digit or _"
        )
        return Reading(None, "E-CODE", "not a valid code", f"use {shape}")
    if max_length is not None and len(plain) > max_length:
        rule = f"{len(plain)} characters, at most {max_length}"
        return Reading(None, "E-CODE", rule, "shorten it")
    return Reading(plain)


def with_space_note(reading, text):
    """Return the reading, noted when odd spaces were taken out of the text and nothing else was
    noted.
    """
    spaces = odd_spaces(text)
    if not spaces or reading.code:
        return reading
    return Reading(reading.value, "N-SPACE", f"{spaces} removed", "type a plain space, or none")


def read_text(text, max_length=None):
    """Return free text exactly as typed; text that a spreadsheet would run as a formula gets a
    note.
    """
    if text.strip() == "":
        return MISSING
    if max_length is not None and len(text) > max_length:
        rule = f"{len(text)} characters, at most {max_length}"
        return Reading(None, "E-LONG", rule, "shorten it")
    if text[0] in "=+-@\t\r":
        mend = "kept as text; neutralised in every exported table"
        return Reading(text, "N-FORMULA", "starts like a spreadsheet formula", mend)
    return Reading(text)


@dataclass(frozen=True)
class Conventions:
    """The file's decimal mark (``.``, ``,`` or None when unsettled) and its order of year-last
    dates.
    """

    decimal: str | None
    order: str


def decimal_mark(texts, delimiter=None):
    """Return the decimal mark that the distinct number texts of a file settle.

    ``1,234`` may be a thousands mark and settles nothing; ``0,234``, ``1,5`` and ``12,3456`` do.
    Where both marks occur the commoner one is the file's; a tie settles nothing. A file without any
    settling cell uses the point, except that a semicolon file holding only cells like ``1.234``
    stays unsettled.

    Examples
    --------
    >>> decimal_mark(["1,5", "30"]), decimal_mark(["1,234"]), decimal_mark(["30"])
    (',', None, '.')
    """
    settling, unsettling = Counter(), Counter()
    for match in filter(None, (_MARKED.fullmatch(trimmed(text)) for text in texts)):
        whole, mark, fraction = match.groups()
        (unsettling if may_be_thousands(whole, fraction) else settling)[mark] += 1
    if settling["."] != settling[","]:
        return "." if settling["."] > settling[","] else ","
    open_question = settling["."] or unsettling[","] or (unsettling["."] and delimiter == ";")
    return None if open_question else "."


def date_order(texts):
    """Return the one order that all year-last dates of a file admit; dates with dots settle nothing.

    Returns
    -------
    str
        ``d/m/y`` or ``m/d/y``; ``ambiguous`` when both fit and differ; ``contradictory`` when some
        dates fit only the one and some only the other. Without such dates ``d/m/y``, which then is
        never used.

    Examples
    --------
    >>> date_order(["15/06/2025", "05/06/2025"]), date_order(["05/06/2025"])
    ('d/m/y', 'ambiguous')
    """
    found = [both_orders(trimmed(text)) for text in texts if "." not in text]
    found = [days for days in found if days and any(days)]
    day_first, month_first = all(days[0] for days in found), all(days[1] for days in found)
    if day_first and month_first:
        return "ambiguous" if any(first != second for first, second in found) else "d/m/y"
    if day_first or month_first:
        return "d/m/y" if day_first else "m/d/y"
    return "contradictory"
