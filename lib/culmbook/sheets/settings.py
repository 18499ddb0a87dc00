"""Choices that belong to a network: ``settings.toml``, every key of which may be left out.

The dataclasses below are the documentation: each field has its default, unit, allowed range and
meaning. ``python -m culmbook.sheets.settings`` prints a file with all keys at their defaults.
"""

import re
import tomllib
from dataclasses import dataclass, field, fields, is_dataclass

import numpy as np

from culmbook.sheets.problems import refuse_file
from culmbook.sheets.values import did_you_mean

FILE = "settings.toml"
SHARE = ("share", 0, 1)
_END = 1e-6  # shares of 0 and 1 have no logit


@dataclass(frozen=True)
class Kind:
    """One trait: how it prints, which way is better, what it can be.

    ``label`` and ``unit`` for print, ``better`` {higher, lower}, the least and greatest value that
    can be, and the ``scale`` {raw, log, logit} on which its hybrids vary evenly.
    """

    label: str
    unit: str
    better: str
    low: float
    high: float
    scale: str = "raw"

    @property
    def bound(self) -> str:
        """How a floor reads: 'at least' where more is better, else 'at most'."""
        return "at least" if self.better == "higher" else "at most"

    @property
    def word(self) -> str:
        """The label inside a sentence."""
        return self.label if self.label[1].isupper() else self.label[0].lower() + self.label[1:]

    def to_scale(self, values):
        """Values on the scale on which hybrids vary evenly."""
        values = np.asarray(values, float)
        if self.scale == "logit":
            inner = np.clip(values, _END, 1 - _END)
            return np.log(inner / (1 - inner))
        return np.log(values) if self.scale == "log" else values

    def from_scale(self, values):
        """Back from :meth:`to_scale`."""
        values = np.asarray(values, float)
        if self.scale == "logit":
            return 1 / (1 + np.exp(-values))
        return np.exp(values) if self.scale == "log" else values


KINDS = {
    "yield_t_ha": Kind("Dry yield", "t/ha", "higher", 0.0, 100.0, "log"),
    "stand": Kind("Stand", "share", "higher", 0.0, 1.0, "logit"),
    "lt50_c": Kind("LT50", "°C", "lower", -40.0, 0.0),
    "moisture_pct": Kind("Moisture at harvest", "%", "lower", 0.0, 100.0),
}
"""Traits by the name they have in ``settings.toml``: dry yield of a full-grown stand, plants alive
of those
planted, temperature that kills half, water in the fresh mass at harvest."""


def _key(default, meaning, unit="", low=None, high=None):
    """Return a dataclass field that carries its meaning, unit and range."""
    facts = {"meaning": meaning, "unit": unit, "low": low, "high": high}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=facts)
    return field(default=default, metadata=facts)


@dataclass(frozen=True)
class StandSettings:
    """When a stand is good enough; defaults are common practice."""

    good: float = _key(0.85, "stand from which on a plot is good", *SHARE)
    fill: float = _key(0.70, "stand from which on gaps are filled; below it: replant", *SHARE)
    rank_floor: float = _key(
        0.60, "stand below which a plot's yield is not reckoned to a full stand", *SHARE
    )
    longest_gap: int = _key(5, "run of missing plants that calls for replanting", "plants", 1, 1000)
    probability: float = _key(0.8, "probability that a verdict on a hybrid needs", "share", 0.5, 1)


@dataclass(frozen=True)
class FrostSettings:
    """Where and when frost counts."""

    rhizome_depth_cm: float = _key(5.0, "depth at which the rhizomes lie", "cm", 0, 50)
    frost_c: float = _key(0.0, "frost day: the minimum air temperature is below", "°C", -20, 10)
    hard_frost_c: float = _key(-4.0, "hard frost: the air's minimum is below", "°C", -40, 5)


@dataclass(frozen=True)
class DegreeDaySettings:
    """How warmth is summed."""

    base_c: float = _key(10.0, "base temperature", "°C", -5, 25)


@dataclass(frozen=True)
class SelectionSettings:
    """How hybrids are chosen."""

    delta: float = _key(0.10, "margin over the control to be beaten, as its share", "share", 0, 10)
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
    notice: str = _key("", "sentence printed at the foot of every page", "characters", 0, 200)


@dataclass(frozen=True)
class Settings:
    """All choices of a network."""

    controls: tuple = _key(
        (), "hybrids that are the standard; none named = every hybrid with role control"
    )
    reference_control: str = _key("", "control of all contrasts; blank = the first control")
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
        ``E-SETTINGS`` for a file that cannot be parsed, an unknown key, a wrong type or a value out
        of range.
    """
    text, values, problems = read_toml(path)
    faults = Faults(text, FILE, problems)
    settings = _filled(Settings, values, "", faults)
    if not faults.found:
        _check_together(settings, hybrids, faults)
    return (Settings() if faults.found else settings), faults.found


def read_toml(path):
    """Return the text and the content of a TOML file, and why it cannot be read: in a list of
    problems.

    A file that is not there is empty.
    """
    rule, mend = "", "see https://toml.io for the format"
    text, values = "", {}
    if path.exists() and not path.is_file() or path.is_symlink() and not path.exists():
        rule, mend = "not a regular file", "replace it by a text file, or remove it"
    elif path.exists():
        try:
            text = path.read_bytes().decode("utf-8-sig")
            values = tomllib.loads(text)
        except (UnicodeDecodeError, tomllib.TOMLDecodeError, OSError, RecursionError) as error:
            rule = f"cannot be read: {error}"
    place = {"table": path.stem}
    return (
        text,
        values,
        [refuse_file(_code(path.name), path.name, rule, mend, **place)] * bool(rule),
    )


def _code(file):
    return f"E-{file.split('.')[0].upper()}"


@dataclass
class Faults:
    """What was wrong in a TOML file, each with the line on which its key stands."""

    text: str
    file: str
    found: list

    def tell(self, rule, mend, prefix, name, value=None):
        """Keep one fault of the key `name` in the section `prefix`, which ends with a dot."""
        parent, _, own = prefix.rstrip(".").rpartition(".")
        line = self._line_of(prefix, name) or self._line_of(parent + "." * bool(parent), own)
        place = {"line": line, "column": f"{prefix}{name}", "table": self.file.split(".")[0]}
        place["value"] = None if value is None else str(value)
        self.found.append(refuse_file(_code(self.file), self.file, rule, mend, **place))

    def _line_of(self, prefix, name):
        """Return the line on which a key stands, or None when it cannot be told."""
        section, key = prefix.rstrip("."), rf"[\"']?{re.escape(name)}[\"']?"
        inside = ""
        for number, line in enumerate(self.text.splitlines() if name else (), 1):
            if header := re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line):
                inside = header[1].replace('"', "").replace(" ", "")
                if inside in (f"{prefix}{name}", name) or inside.startswith(f"{prefix}{name}."):
                    return number
            elif inside == section and re.match(rf"\s*{key}\s*[=.]", line):
                return number
            elif re.match(rf"\s*{re.escape(prefix)}{key}\s*=", line):
                return number
        return None


def _filled(kind, values, prefix, faults):
    """Return the dataclass `kind` filled from a TOML table."""
    known = {f.name: f for f in fields(kind)}
    good = {}
    for name, value in values.items():
        if name not in known:
            mend = did_you_mean(name, list(known))
            faults.tell(f"unknown key {prefix}{name}", mend, prefix, name, value)
        elif not is_dataclass(known[name].type):
            good[name] = _checked(known[name], value, prefix, faults)
        elif isinstance(value, dict):
            good[name] = _filled(known[name].type, value, f"{prefix}{name}.", faults)
        else:
            mend = f"write [{name}] on a line of its own"
            faults.tell(f"{name} is a section", mend, prefix, name, value)
    return kind(**good)


def _checked(spec, value, prefix, faults):
    """Return a value in the type of its field; a table with named defaults takes no other names."""
    wanted, value = _in_type(spec, value)
    facts = spec.metadata
    numbers = value.values() if isinstance(value, dict) else [value]
    numbers = [len(value)] if isinstance(value, str) else numbers
    numbers = [] if wanted or isinstance(value, tuple) else numbers
    low, high = facts["low"], facts["high"]
    out = [x for x in numbers if (low is not None and x < low) or (high is not None and x > high)]
    known = spec.default_factory() if spec.type is dict else {}
    unknown = [name for name in value if name not in known] if known and not wanted else []
    if unknown:
        mend = did_you_mean(unknown[0], list(known))
        faults.tell(f"unknown key {spec.name}.{unknown[0]}", mend, prefix, spec.name, value)
    if wanted or out:
        limits = "" if low is None else f" from {low:g}"
        limits += "" if high is None else f" to {high:g}"
        limits += f" {facts['unit']}" if facts["unit"] else ""
        rule = wanted or f"outside the allowed range{limits}"
        faults.tell(rule, facts["meaning"], prefix, spec.name, value)
    return known | value if known and not wanted else value


def _is_number(value):
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return is_number and value == value and abs(value) != float("inf")


def _in_type(spec, value):
    """Return (what is wanted instead, or nothing; the value in the type of its field)."""
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    is_list = isinstance(value, list) and all(isinstance(x, str) for x in value)
    is_table = isinstance(value, dict) and all(map(_is_number, value.values()))
    said = {
        float: (_is_number(value), "a number is expected"),
        int: (is_whole, "a whole number is expected"),
        str: (isinstance(value, str), "a text in quotes is expected"),
        tuple: (is_list, 'a list of texts is expected, such as ["C1", "C2"]'),
        dict: (is_table, "name = number pairs are expected"),
    }
    is_good, wanted = said[spec.type]
    return ("", spec.type(value)) if is_good else (wanted, value)


def _check_together(settings, hybrids, faults):
    """Tell faults that only several keys, or the hybrids, show."""
    stand = settings.stand
    if not stand.rank_floor <= stand.fill <= stand.good:
        mend = "correct one of the three"
        faults.tell("rank_floor ≤ fill ≤ good is expected", mend, "", "stand")
    for key in ("floors", "weights"):
        for name, value in getattr(settings.selection, key).items():
            if fault := _trait_fault(key, name, value):
                faults.tell(*fault, f"selection.{key}.", name, value)
    controls, reference = settings.controls, settings.reference_control
    named = dict.fromkeys([*controls, *filter(None, [reference])])
    for name in named if hybrids is not None else ():
        if name not in hybrids:
            key = "controls" if name in controls else "reference_control"
            mend = did_you_mean(name, hybrids)
            faults.tell(f"{name} is no hybrid of the table hybrids", mend, "", key, name)
    if controls and reference and reference not in controls:
        rule = "the reference control must be one of the controls"
        faults.tell(rule, "name it in controls too", "", "reference_control", reference)


def _trait_fault(key, name, value):
    """Return rule and mend for a name or value that a floor or weight cannot have, else None."""
    if name not in KINDS:
        return f"{name} is no trait", f"{did_you_mean(name, list(KINDS))} ({', '.join(KINDS)})"
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
    value = f'"{default}"' if isinstance(default, str) else str(default)
    if isinstance(default, dict):
        value = "{" + ", ".join(f"{k} = {v}" for k, v in default.items()) + "}"
    elif isinstance(default, tuple):
        value = "[]"
    unit = f" [{spec.metadata['unit']}]" if spec.metadata["unit"] else ""
    return f"{spec.name} = {value}  # {spec.metadata['meaning']}{unit}"


if __name__ == "__main__":
    print(settings_page())
