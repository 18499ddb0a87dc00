"""Which parameters does a notebook take, and may these values be given to it?

A notebook is run with the values it is told only if its ``parameters`` cell says exactly what it
takes. The cell is therefore read as a syntax tree, never executed, and everything but plain
annotated literals is refused before any kernel starts: a default computed from another one would
keep its old value beside the new one.
"""

import ast
import io
import re
import tokenize
from dataclasses import dataclass
from types import NoneType

PARAMETERS_TAG = "parameters"
GIVEN_BY_BATCH = {"data": "str", "season": "int", "site": "str"}
_PLAIN = (str, bool, int, float, NoneType)
_KINDS = {kind.__name__: kind for kind in (*_PLAIN, list, dict)} | {"None": NoneType}


@dataclass(frozen=True)
class Parameter:
    """One line of a notebook's ``parameters`` cell.

    Parameters
    ----------
    name : str
        Name of the variable.
    type : str
        Its annotation as written, without quotes: ``"float"``, ``"list[str]"``,
        ``"Optional[float]"``.
    default : str, int, float, bool, None, list or dict
        The literal that stands in the notebook.
    meaning, unit : str
        From the comment beside it, ``# meaning [unit]``; empty where nothing is said.
    """

    name: str
    type: str
    default: object
    meaning: str = ""
    unit: str = ""


def tags(cell):
    """Return the tags of a notebook cell (a list of str)."""
    return cell.get("metadata", {}).get("tags", [])


def source(cell):
    """Return the text of a notebook cell, which a notebook file may hold in one piece or in lines."""
    return "".join(cell.get("source", ""))


def read_parameters(notebook, name="notebook"):
    """Read the parameters a notebook declares.

    Parameters
    ----------
    notebook : dict
        A notebook as its JSON file holds it.
    name : str
        What to call the notebook in messages.

    Returns
    -------
    dict of str to Parameter
        In the order of the cell.

    Raises
    ------
    ValueError
        If there is not exactly one cell tagged ``parameters``, or it holds anything but annotated
        literals (``name: type = literal``), names one parameter twice, or a default does not suit
        its own annotation.

    Examples
    --------
    >>> cell = {"cell_type": "code", "metadata": {"tags": ["parameters"]},
    ...         "source": "depth_cm: float = 5.0  # depth of the rhizomes [cm]"}
    >>> read_parameters({"cells": [cell]})["depth_cm"]
    Parameter(name='depth_cm', type='float', default=5.0, meaning='depth of the rhizomes',
    unit='cm')
    """
    cells = [c for c in notebook["cells"] if PARAMETERS_TAG in tags(c)]
    if len(cells) != 1 or cells[0]["cell_type"] != "code":
        raise ValueError(
            f"{name}: exactly one code cell must carry the tag {PARAMETERS_TAG!r}, "
            f"found {len(cells)}; set the tag in the notebook's cell properties"
        )
    text = source(cells[0])
    try:
        tree = ast.parse(text)
    except SyntaxError as error:
        where = f"line {error.lineno}: {error.msg}"
        raise ValueError(f"{name}: the parameters cell is not valid Python ({where})") from None
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    comments = {t.start[0]: t.string for t in tokens if t.type == tokenize.COMMENT}
    found = {}
    for statement in tree.body:
        parameter = _parameter(statement, comments.get(statement.end_lineno, ""), name)
        if parameter.name in found:
            raise ValueError(f"{name}: the parameters cell gives {parameter.name!r} twice")
        found[parameter.name] = parameter
    return found


def _parameter(statement, comment, notebook):
    is_annotated = isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name)
    if not is_annotated or statement.value is None:
        raise ValueError(
            f"{notebook}: line {statement.lineno} of the parameters cell is not of the form "
            f"'name: type = value  # meaning [unit]': {ast.unparse(statement)[:80]!r}"
        )
    name, kind = statement.target.id, statement.annotation
    annotation = kind.value if isinstance(kind, ast.Constant) and kind.value else ast.unparse(kind)
    default = _literal(ast.unparse(statement.value), f"{notebook}: the default of {name!r}")
    fault = mismatch(default, annotation)
    if fault:
        raise ValueError(f"{notebook}: the default of {name!r} {fault}")
    said = comment.lstrip("#").strip()
    with_unit = re.fullmatch(r"(.*?)\s*\[([^\[\]]*)\]", said)
    meaning, unit = with_unit.groups() if with_unit else (said, "")
    return Parameter(name, annotation, default, meaning, unit)


def _literal(text, what):
    try:
        value = ast.literal_eval(text)
    except (ValueError, TypeError, SyntaxError, MemoryError, RecursionError):
        value = ...
    if not _is_plain(value):
        raise ValueError(
            f"{what} must be a plain literal, not {text[:80]!r}: text in quotes, a number, "
            f"True, False, None, or a list or dict of these"
        )
    return value


def _is_plain(value):
    if isinstance(value, dict):
        return all(isinstance(k, _PLAIN) and _is_plain(v) for k, v in value.items())
    if isinstance(value, list):
        return all(map(_is_plain, value))
    is_endless = isinstance(value, float) and abs(value) == float("inf")  # 1e999 is a literal too
    return isinstance(value, _PLAIN) and not is_endless


def mismatch(value, annotation):
    """Say why a value does not suit a parameter's annotation.

    Parameters
    ----------
    value : object
        The value to be given.
    annotation : str
        ``str``, ``int``, ``float``, ``bool``, ``None``, ``list``, ``dict``, ``list[…]``, ``dict[…,
        …]``, ``Optional[…]`` and alternatives of these joined by ``|``. A whole number suits
        ``float``; ``True`` suits only ``bool``.

    Returns
    -------
    str or None
        ``"must be int, not '7' (str)"``, or None when the value suits.

    Raises
    ------
    ValueError
        If the annotation is none of those above.

    Examples
    --------
    >>> mismatch("007", "int")
    "must be int, not '007' (str)"
    >>> mismatch(["A", "B"], "Optional[list[str]]") is None
    True
    """
    try:
        suits = _suits(value, ast.parse(annotation, mode="eval").body)
    except (KeyError, SyntaxError):
        raise ValueError(
            f"the annotation {annotation!r} is not understood: use str, int, float, bool, None, "
            f"list, dict, list[…], dict[…, …], Optional[…]"
        ) from None
    return None if suits else f"must be {annotation}, not {value!r} ({type(value).__name__})"


def _suits(value, node):
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr):
        return _suits(value, node.left) or _suits(value, node.right)
    if isinstance(node, ast.Subscript):
        inner = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
        match ast.unparse(node.value), inner:
            case "Optional", [kind]:
                return value is None or _suits(value, kind)
            case "list", [kind]:
                return isinstance(value, list) and all(_suits(v, kind) for v in value)
            case "dict", [key, kind]:
                pairs = value.items() if isinstance(value, dict) else [(None, None)]
                return all(_suits(k, key) and _suits(v, kind) for k, v in pairs)
    kind = _KINDS[ast.unparse(node)]
    if isinstance(value, bool):
        return kind is bool
    return isinstance(value, (int, float) if kind is float else kind)


def parse_assignment(text):
    """Read ``NAME=literal`` as typed on a command line.

    Nothing is guessed: ``007`` and ``NO`` are refused, because only quotes tell text from a number.

    Parameters
    ----------
    text : str
        E.g. ``"depth_cm=7.5"`` or ``"hybrids=['A', 'B']"``.

    Returns
    -------
    tuple
        Name and value.

    Raises
    ------
    ValueError
        If there is no ``=``, the name is no identifier, or the value is no plain literal.

    Examples
    --------
    >>> parse_assignment("code='007'")
    ('code', '007')
    """
    name, equals, literal = text.partition("=")
    name = name.strip()
    if not equals or not name.isidentifier():
        raise ValueError(f"a parameter is given as NAME=value, not {text!r}")
    return name, _literal(literal.strip(), f"the value of {name!r}")


def check_given(given, notebooks):
    """Check values meant for a set of notebooks before any of them runs.

    Parameters
    ----------
    given : dict
        Parameter values by name.
    notebooks : dict of str to dict of str to Parameter
        What each notebook takes, by notebook name.

    Returns
    -------
    dict of str to dict
        For each notebook the values among `given` that it takes.

    Raises
    ------
    ValueError
        If no notebook takes a name, or a value does not suit a notebook that does; all faults in
        one message.
    """
    known = sorted({name for takes in notebooks.values() for name in takes})
    faults = [
        f"no notebook takes a parameter {name!r}; there are: {', '.join(known)}"
        for name in given
        if name not in known
    ]
    taken = {n: {k: v for k, v in given.items() if k in takes} for n, takes in notebooks.items()}
    for notebook, values in taken.items():
        unsuited = {name: mismatch(v, notebooks[notebook][name].type) for name, v in values.items()}
        faults += [f"{notebook}: {name!r} {fault}" for name, fault in unsuited.items() if fault]
    if faults:
        raise ValueError("\n".join(faults))
    return taken
