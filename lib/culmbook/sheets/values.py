"""What one cell of a sheet says: numbers, dates, codes and choices read exactly or not at all.

Every reader takes a cell's text and returns a :class:`Reading`: a value, or the reason why there is none,
or a value with a note on how it was read. Nothing is guessed: text with two readings has none.
"""

import re
from dataclasses import dataclass
from datetime import date, timedelta
from difflib import get_close_matches

NOTED_MISSING = {".", "*", "n/a", "na", "missing", "nan", "null", "none", "#n/a"}
UNSURE = {"-", "--", "---", "–", "—", "x", "?", "??"}
SENTINELS = {sign * int("9" * n) for n in (2, 3, 4, 5) for sign in (1, -1)} - {99}
LONGEST_NUMBER = 40  # digits
ODD_SPACES = "\u00a0\u2007\u202f\u200b\u200c\u200d\u2060\ufeff"
INVISIBLE = re.compile("[\u200b\u200c\u200d\u2060\ufeff]")
MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]

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
    """Return the text without blanks around it, and without odd or invisible spaces that a code never has.

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
    by_form = {_form(word): word for word in known}
    close = (
        [by_form[_form(text)]] if _form(text) in by_form else get_close_matches(text, known, 1, 0.6)
    )
    if close:
        return f"did you mean {close[0]}?"
    some = sorted(known)[:6]
    return f"known: {', '.join(some)}{' …' if len(known) > len(some) else ''}" if some else ""


def _form(word):
    """Return a word with the characters that hands and eyes mix up made the same."""
    return word.casefold().translate(str.maketrans("oil", "011"))


def read_missing(text, code):
    """Return how a spelling of *missing* reads: silently, with a note, or refused; None if it is none.

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
        return Reading(
            None, "N-MISSING", "spelling of missing, read as not observed", "leave blank"
        )
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
        ``E-NUMBER`` for anything but digits with at most one sign and decimal mark, ``E-RANGE`` for more
        digits than a measured number has, ``N-NUMBER`` where a typographic minus was read as minus.
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
        return Reading(None, "E-NUMBER", _not_a_number(signed, kind), _number_mend(signed))
    if len(match[2]) + len(match[4] or "") > LONGEST_NUMBER:
        digits = len(match[2]) + len(match[4] or "")
        return Reading(
            None, "E-RANGE", f"{digits}-digit number", "write the number as it was measured"
        )
    if match[3] and match[3] != decimal:
        return _wrong_mark(match, decimal)
    value = float(f"{match[1]}{match[2] or 0}.{match[4] or 0}")
    if signed != plain:
        return Reading(
            value, "N-NUMBER", "dash or typographic minus read as minus", "type a plain hyphen"
        )
    return Reading(value)


def _not_a_number(text, kind):
    if kind:
        return f"{text} is a {kind} value in the spreadsheet, not a number"
    if _THOUSANDS.fullmatch(text):
        return _two_readings(text)
    return "not a number"


def _two_readings(text):
    """Return the question that a thousands mark, or a mark that may be one, raises."""
    digits = re.sub("[^0-9+-]", "", text)
    head, tail = re.split(r"[ \u00a0\u202f.,'’](?=[^ \u00a0\u202f.,'’]*$)", text)
    head = re.sub("[^0-9+-]", "", head)
    return f"thousands mark or decimal mark: {digits} or {head}.{tail}?"


def _number_mend(text):
    if _THOUSANDS.fullmatch(text):
        marks = [c for c in text if c in ".,"]
        keeps_last = len(set(marks)) == 2
        last = max(text.rfind("."), text.rfind(",")) if keeps_last else len(text)
        return f"write {re.sub('[^0-9+-]', '', text[:last])}{text[last:]}"
    return "write the number only"


def _wrong_mark(match, decimal):
    """Return the refusal of a number whose mark is not the file's."""
    text = match[0]
    maybe_thousands = len(match[4]) == 3 and 1 <= len(match[2]) <= 3 and match[2] != "0"
    if maybe_thousands:
        return Reading(
            None, "E-NUMBER", _two_readings(text), f"write {match[1]}{match[2]}{match[4]}"
        )
    if decimal is None:
        return Reading(
            None,
            "E-NUMBER",
            "the file does not settle which decimal mark it uses",
            "use one decimal mark in the whole file",
        )
    names = {".": "point", ",": "comma"}
    return Reading(
        None,
        "E-NUMBER",
        f"{text} has a decimal {names[match[3]]} in a file of decimal {names[decimal]}s",
        f"write {text.replace(match[3], decimal)}",
    )


def read_whole(text, decimal, kind=None):
    """Return a whole number, as :func:`read_number`; ``30.0`` is read as 30 with a note."""
    reading = read_number(text, decimal, kind)
    if reading.value is None:
        return reading
    if not reading.value.is_integer():
        return Reading(
            None, "E-NUMBER", "a whole number is expected", "count again, or correct the typing"
        )
    value = int(reading.value)
    if not reading.code and kind is None and re.search("[.,]", text):
        rule = f"{text.strip()} read as the whole number {value}"
        return Reading(value, "N-NUMBER", rule, f"write {value}")
    return Reading(value, reading.code, reading.rule, reading.mend)


def check_range(value, field):
    """Return what the range of the column says of a number: refused, noted as unlikely, or nothing."""
    low, high = field.minimum, field.maximum
    too_low = low is not None and value < low
    too_low = too_low or (field.exclusive_minimum is not None and value <= field.exclusive_minimum)
    unlikely = bool(field.plausible) and not field.plausible[0] <= value <= field.plausible[1]
    impossible = too_low or (high is not None and value > high)
    is_sentinel = value in SENTINELS and (unlikely or impossible)
    if impossible or is_sentinel:
        mend = (
            f"is {value:g} a missing code? leave blank"
            if is_sentinel
            else "correct it, or leave blank"
        )
        return Reading(None, "E-RANGE", f"{value:.15g} is outside {_range_words(field)}", mend)
    if unlikely:
        return Reading(
            value, "N-RANGE", f"{value:.15g} is outside {_range_words(field)}", "look at it again"
        )
    return Reading(value)


def _range_words(field):
    low = field.minimum if field.exclusive_minimum is None else field.exclusive_minimum
    possible = f"possible range {low:g} to {field.maximum:g}"
    if not field.plausible:
        return f"the {possible}"
    return f"the plausible range {field.plausible[0]:g} to {field.plausible[1]:g} ({possible})"


def read_date(text, order, kind=None):
    """Return a calendar date.

    Parameters
    ----------
    text : str
        The cell.
    order : {"d/m/y", "m/d/y", "ambiguous", "contradictory"}
        The one reading of year-last dates that the file admits.
    kind : str, optional
        What the spreadsheet says of the cell.

    Returns
    -------
    Reading
        A `datetime.date`; ``E-DATE`` when there is none or more than one reading, ``N-DATE`` when the text
        was not plain ISO 8601.
    """
    plain = trimmed(text)
    missing = read_missing(plain, "E-DATE")
    if missing is not None:
        return missing
    if kind in ("boolean", "error", "percent"):
        return Reading(None, "E-DATE", f"{plain} is a {kind} value, not a date", "write YYYY-MM-DD")
    timed = _TIMED.fullmatch(plain)
    if timed:
        return _date(
            timed[1], timed[1].split("-"), None if _is_midnight(plain, kind) else "time dropped"
        )
    year_first = _YEAR_FIRST.fullmatch(plain)
    if year_first:
        iso = len(plain) == 10 and year_first[2] == "-"
        return _date(plain, year_first.group(1, 3, 4), None if iso else "not plain ISO 8601")
    return _year_last_date(plain, order) if _YEAR_LAST.fullmatch(plain) else _no_date(plain)


def _is_midnight(text, kind):
    return kind in ("date", "datetime") and re.search(r"[T ]00:00(:00(\.0+)?)?$", text)


def _date(text, parts, remark):
    day = _day(*map(int, parts))
    if day is None:
        return Reading(
            None, "E-DATE", f"{text} is no day of the calendar", "write the date as YYYY-MM-DD"
        )
    return _dated(day, remark and f"{remark}: {text}")


def both_orders(text):
    """Return the day a year-last date is if written day first, and if written month first (or None).

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
    days = dict(zip(("d/m/y", "m/d/y"), both_orders(text)))
    fitting = {name: day for name, day in days.items() if day}
    if not fitting:
        return Reading(
            None, "E-DATE", f"{text} is no day of the calendar", "write the date as YYYY-MM-DD"
        )
    if order in fitting:
        return _dated(fitting[order], f"text date, {order} in the whole file: {text}")
    either = " or ".join(
        f"{day.day} {MONTHS[day.month - 1]}" for day in dict.fromkeys(fitting.values())
    )
    why = (
        "nothing in the file settles it"
        if order == "ambiguous"
        else "the file holds both d/m/y and m/d/y"
    )
    return Reading(
        None,
        "E-DATE",
        f"{either}? {why}",
        f"write {next(iter(fitting.values()))}" + (" or the other" if len(fitting) > 1 else ""),
    )


def _dated(day, remark):
    if day.year < 1900:
        return Reading(None, "E-DATE", f"{day} lies before 1900", "correct the year")
    return (
        Reading(day, "N-DATE", f"{remark} read as {day}", "write YYYY-MM-DD")
        if remark
        else Reading(day)
    )


def _no_date(text):
    if _SHORT_YEAR.fullmatch(text):
        return Reading(
            None, "E-DATE", f"{text} has a two-digit year", "write the year with four digits"
        )
    if _SERIAL.fullmatch(text):
        day = date(1899, 12, 30) + timedelta(days=int(text.split(".")[0]))
        return Reading(
            None,
            "E-DATE",
            f"a spreadsheet's serial number? It would be {day} in the 1900 system",
            "format the column as date and export again",
        )
    return Reading(None, "E-DATE", "not a date", "write YYYY-MM-DD")


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
    return Reading(
        None, "E-CODE", f"allowed: {', '.join(choices)}", did_you_mean(plain, list(choices))
    )


def read_code(text, pattern=None, kind=None, max_length=None):
    """Return a code as text: never a number, never missing unless blank."""
    plain = trimmed(text)
    if plain == "":
        return MISSING
    if kind in ("date", "datetime", "error"):
        return Reading(
            None,
            "E-CODE",
            f"Excel holds a {kind} here, not a code",
            "format the column as text before typing",
        )
    if pattern and not re.fullmatch(pattern, plain):
        return Reading(
            None,
            "E-CODE",
            "not a valid code",
            "use up to 40 letters, digits, _ . + - and single "
            "spaces inside, starting with a letter, digit or _",
        )
    if max_length is not None and len(plain) > max_length:
        return Reading(
            None, "E-CODE", f"{len(plain)} characters, at most {max_length}", "shorten it"
        )
    return Reading(plain)


def with_space_note(reading, text):
    """Return the reading, noted when odd spaces were taken out of the text and nothing else was noted."""
    spaces = odd_spaces(text)
    if not spaces or reading.code:
        return reading
    return Reading(reading.value, "N-SPACE", f"{spaces} removed", "type a plain space, or none")


def read_text(text, max_length=None):
    """Return free text exactly as typed; text that a spreadsheet would run as a formula gets a note."""
    if text.strip() == "":
        return MISSING
    if max_length is not None and len(text) > max_length:
        return Reading(
            None, "E-LONG", f"{len(text)} characters, at most {max_length}", "shorten it"
        )
    if text[0] in "=+-@\t\r":
        return Reading(
            text,
            "N-FORMULA",
            "starts like a spreadsheet formula",
            "kept as text; neutralised in every exported table",
        )
    return Reading(text)
