"""Choices that belong to a network: ``settings.toml``, every key of which may be left out.

The dataclasses below are the documentation: each field has its default, unit, allowed range and meaning.
``python -m culmbook.sheets.settings`` prints a file with all keys at their defaults.
"""

import re
import tomllib
from dataclasses import dataclass, field, fields, is_dataclass

from culmbook.sheets.problems import refuse_file
from culmbook.sheets.trait_kinds import KINDS
from culmbook.sheets.values import did_you_mean

FILE = "settings.toml"


def _key(default, meaning, unit="", low=None, high=None):
    """Return a dataclass field that carries its meaning, unit and range."""
    facts = {"meaning": meaning, "unit": unit, "low": low, "high": high}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=facts)
    return field(default=default, metadata=facts)


@dataclass(frozen=True)
class StandSettings:
    """When a stand is good enough; defaults are common practice."""

    good: float = _key(0.85, "stand from which on a plot is good", "share", 0, 1)
    fill: float = _key(
        0.70, "stand from which on gaps are filled; below it: replant", "share", 0, 1
    )
    rank_floor: float = _key(
        0.60, "stand below which the yield of a plot is not ranked", "share", 0, 1
    )
    longest_gap: int = _key(
        5, "run of missing plants from which on the plot is replanted", "plants", 1, 1000
    )
    probability: float = _key(0.8, "probability that a verdict on a hybrid needs", "share", 0.5, 1)


@dataclass(frozen=True)
class FrostSettings:
    """Where and when frost counts."""

    rhizome_depth_cm: float = _key(5.0, "depth at which the rhizomes lie", "cm", 0, 50)
    frost_c: float = _key(0.0, "frost day: the minimum air temperature is below", "°C", -20, 10)
    hard_frost_c: float = _key(
        -4.0, "hard-frost day: the minimum air temperature is below", "°C", -40, 5
    )


@dataclass(frozen=True)
class DegreeDaySettings:
    """How warmth is summed."""

    base_c: float = _key(10.0, "base temperature", "°C", -5, 25)


@dataclass(frozen=True)
class SelectionSettings:
    """How hybrids are chosen."""

    delta: float = _key(
        0.10,
        "margin by which a hybrid must beat the control, as a share of the control",
        "share",
        0,
        10,
    )
    k: int = _key(5, "hybrids that go to the next stage", "hybrids", 1, 10000)
    costs: dict = _key(
        {"wrong_promote": 1.0, "wrong_drop": 1.0, "hold": 0.05},
        "loss from each wrong decision, and what one more season of a hybrid costs: its plots "
        "come to about a twentieth of a wrong decision (common practice)",
        "any one unit",
        0,
    )
    floors: dict = _key(
        {},
        "trait = what a hybrid must reach whatever its index: stand at least [share], "
        "lt50_c at most [°C], moisture_pct at most [%], yield_t_ha at least [t/ha]",
        "the trait's",
    )
    weights: dict = _key(
        {},
        "trait = what one unit more of it is worth per hectare and year: 0 or over for "
        "yield_t_ha and stand, 0 or under for lt50_c and moisture_pct",
        "money per unit of the trait",
    )


@dataclass(frozen=True)
class ReportSettings:
    """What every report of the network says of itself."""

    network: str = _key("", "name of the network, printed above the title")
    notice: str = _key("", "sentence printed at the foot of every page")


@dataclass(frozen=True)
class Settings:
    """All choices of a network."""

    controls: tuple = _key(
        (), "hybrids that are the standard; none named = every hybrid with role control"
    )
    reference_control: str = _key(
        "", "the control that contrasts are made with; blank = the first control"
    )
    crop_types: tuple = _key((), "crop types that hybrids may have; none named = any")
    stand: StandSettings = field(default_factory=StandSettings)
    frost: FrostSettings = field(default_factory=FrostSettings)
    degree_days: DegreeDaySettings = field(default_factory=DegreeDaySettings)
    selection: SelectionSettings = field(default_factory=SelectionSettings)
    report: ReportSettings = field(default_factory=ReportSettings)


def read_settings(path, hybrids=None):
    """Return the settings of a network and what was wrong in them.

    Parameters
    ----------
    path : pathlib.Path
        ``settings.toml``; need not exist.
    hybrids : collection of str, optional
        Known hybrids; controls must be among them.

    Returns
    -------
    settings : Settings
        The defaults when there is no file, or when it was refused.
    problems : list of Problem
        ``E-SETTINGS`` for a file that cannot be parsed, an unknown key, a wrong type or a value out of range.
    """
    if not path.exists() and not path.is_symlink():
        return Settings(), []
    if not path.is_file():
        return Settings(), [
            _refusal("not a regular file", "replace it by a text file, or remove it")
        ]
    try:
        text = path.read_bytes().decode("utf-8-sig")
        values = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, OSError, RecursionError) as error:
        return Settings(), [
            _refusal(f"cannot be read: {error}", "see https://toml.io for the format")
        ]
    problems = []
    settings = _filled(Settings, values, "", text, problems)
    if not problems:
        problems = _check_together(settings, hybrids, text)
    return (Settings() if problems else settings), problems


def _refusal(rule, mend, line=None, key=None, value=None):
    return refuse_file(
        "E-SETTINGS",
        FILE,
        rule,
        mend,
        line=line,
        column=key,
        table="settings",
        value=None if value is None else str(value),
    )


def _filled(kind, values, prefix, text, problems):
    """Return the dataclass `kind` filled from a TOML table; faults are appended to `problems`."""
    known = {f.name: f for f in fields(kind)}
    good = {}
    for name, value in values.items():
        if name not in known:
            problems.append(
                _refusal(
                    f"unknown key {prefix}{name}",
                    did_you_mean(name, list(known)),
                    _line_of(text, prefix, name),
                    f"{prefix}{name}",
                    value,
                )
            )
        elif is_dataclass(known[name].type):
            if isinstance(value, dict):
                good[name] = _filled(known[name].type, value, f"{prefix}{name}.", text, problems)
            else:
                problems.append(
                    _refusal(
                        f"{name} is a section",
                        f"write [{name}] on a line of its own",
                        _line_of(text, prefix, name),
                        name,
                        value,
                    )
                )
        else:
            good[name] = _checked(known[name], value, prefix, text, problems)
    return kind(**good)


def _line_of(text, prefix, name):
    """Return the line on which a key stands, or None when it cannot be told."""
    section, key = prefix.rstrip("."), rf"[\"']?{re.escape(name)}[\"']?"
    inside = ""
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        if header:
            inside = header[1].replace('"', "").replace(" ", "")
            if inside in (f"{prefix}{name}", name) or inside.startswith(f"{prefix}{name}."):
                return number
        elif (inside == section and re.match(rf"\s*{key}\s*[=.]", line)) or re.match(
            rf"\s*{re.escape(prefix)}{key}\s*=", line
        ):
            return number
    return None


def _checked(spec, value, prefix, text, problems):
    """Return a value in the type of its field; a wrong type, range or name is appended to `problems`.

    A table with named defaults, such as the costs, takes no other names.
    """
    wanted, value = _in_type(spec, value)
    facts = spec.metadata
    numbers = value.values() if isinstance(value, dict) else [value]
    numbers = [] if wanted or isinstance(value, (str, tuple)) else numbers
    low, high = facts["low"], facts["high"]
    out = [x for x in numbers if (low is not None and x < low) or (high is not None and x > high)]
    known = spec.default_factory() if spec.type is dict else {}
    unknown = [name for name in value if name not in known] if known and not wanted else []
    if unknown:
        mend = did_you_mean(unknown[0], list(known))
        problems.append(
            _refusal(
                f"unknown key {spec.name}.{unknown[0]}",
                mend,
                _line_of(text, prefix, spec.name),
                f"{prefix}{spec.name}",
                value,
            )
        )
    if wanted or out:
        limits = " ".join(
            part
            for part in (
                "" if low is None else f"from {low:g}",
                "" if high is None else f"to {high:g}",
                facts["unit"],
            )
            if part
        )
        rule = wanted or f"outside the allowed range {limits}"
        problems.append(
            _refusal(
                rule,
                facts["meaning"],
                _line_of(text, prefix, spec.name),
                f"{prefix}{spec.name}",
                value,
            )
        )
    return known | value if known and not wanted else value


def _in_type(spec, value):
    """Return what type was wanted (empty if the value has it) and the value in that type."""

    def is_number(x):
        return (
            isinstance(x, (int, float))
            and not isinstance(x, bool)
            and x == x
            and abs(x) != float("inf")
        )

    if spec.type is float:
        return ("", float(value)) if is_number(value) else ("a number is expected", value)
    if spec.type is int:
        good = isinstance(value, int) and not isinstance(value, bool)
        return ("" if good else "a whole number is expected"), value
    if spec.type is str:
        return ("" if isinstance(value, str) else "a text in quotes is expected"), value
    if spec.type is tuple:
        good = isinstance(value, list) and all(isinstance(x, str) for x in value)
        return (
            ("", tuple(value))
            if good
            else ('a list of texts is expected, such as ["C1", "C2"]', value)
        )
    good = isinstance(value, dict) and all(is_number(x) for x in value.values())
    return ("", dict(value)) if good else ("name = number pairs are expected", value)


def _check_together(settings, hybrids, text):
    """Return faults that only several keys, or the hybrids, show."""
    found = []
    stand = settings.stand
    if not stand.rank_floor <= stand.fill <= stand.good:
        found.append(
            _refusal(
                "rank_floor ≤ fill ≤ good is expected",
                "correct one of the three",
                _line_of(text, "", "stand"),
                "stand",
            )
        )
    found += _check_traits(settings.selection, text)
    named = dict.fromkeys([*settings.controls, *filter(None, [settings.reference_control])])
    for name in named if hybrids is not None else ():
        if name not in hybrids:
            key = "controls" if name in settings.controls else "reference_control"
            found.append(
                _refusal(
                    f"{name} is no hybrid of the table hybrids",
                    did_you_mean(name, hybrids),
                    _line_of(text, "", key),
                    key,
                    name,
                )
            )
    reference = settings.reference_control
    if settings.controls and reference and reference not in settings.controls:
        found.append(
            _refusal(
                "the reference control must be one of the controls",
                "name it in controls too",
                _line_of(text, "", "reference_control"),
                "reference_control",
                reference,
            )
        )
    return found


def _check_traits(selection, text):
    """Return faults of floors and weights: unknown traits, impossible floors, weights of a wrong sign."""
    found = []
    for key in ("floors", "weights"):
        for name, value in getattr(selection, key).items():
            if name not in KINDS:
                rule, mend = (
                    f"{name} is no trait",
                    f"{did_you_mean(name, list(KINDS))} ({', '.join(KINDS)})",
                )
            elif fault := _trait_fault(key, name, value):
                rule, mend = fault
            else:
                continue
            line = _line_of(text, f"selection.{key}.", name) or _line_of(text, "selection.", key)
            found.append(_refusal(rule, mend, line, f"selection.{key}.{name}", value))
    return found


def _trait_fault(key, name, value):
    """Return rule and mend for a value that a trait cannot have as its floor or weight, else None."""
    kind = KINDS[name]
    if key == "floors" and not kind.low <= value <= kind.high:
        limits = f"from {kind.low:g} to {kind.high:g} {kind.unit}"
        return f"outside the allowed range {limits}", "correct the floor"
    if key == "weights" and (value < 0 if kind.better == "higher" else value > 0):
        right = "0 or over" if kind.better == "higher" else "0 or under"
        return f"{name} is better {kind.better}, so its weight must be {right}", "turn the sign"
    return None


def settings_page(kind=Settings, prefix=""):
    """Return a settings file with every key at its default and its meaning, ready to be edited.

    Examples
    --------
    >>> print(settings_page().splitlines()[0])
    controls = []  # hybrids that are the standard; none named = every hybrid with role control
    """
    plain = [f for f in fields(kind) if not is_dataclass(f.type)]
    lines = [] if not prefix else [f"\n[{prefix}]"]
    lines += [_default_line(f) for f in plain]
    lines += [settings_page(f.type, f.name) for f in fields(kind) if is_dataclass(f.type)]
    return "\n".join(lines)


def _default_line(spec):
    default = spec.default_factory() if callable(spec.default_factory) else spec.default
    if isinstance(default, dict):
        value = "{" + ", ".join(f"{k} = {v}" for k, v in default.items()) + "}"
    elif isinstance(default, tuple):
        value = "[]"
    else:
        value = f'"{default}"' if isinstance(default, str) else str(default)
    unit = f" [{spec.metadata['unit']}]" if spec.metadata["unit"] else ""
    return f"{spec.name} = {value}  # {spec.metadata['meaning']}{unit}"


if __name__ == "__main__":
    print(settings_page())
