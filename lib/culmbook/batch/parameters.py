"""Which parameters does a notebook take, and may these values be given to it?

A notebook is run with the values it is told only if its ``parameters`` cell says exactly what it takes. The
cell is therefore read as a syntax tree, never executed, and everything but plain annotated literals is
refused before any kernel starts: a default computed from another one would keep its old value beside
the new one.
"""

import ast
import io
import re
import tokenize
from dataclasses import dataclass
from types import NoneType

PARAMETERS_TAG = "parameters"
_SCALARS = {
    "str": str,
    "int": int,
    "float": float,
    "bool": bool,
    "None": NoneType,
    "list": list,
    "dict": dict,
}
_LITERAL_TYPES = (str, bool, int, float, NoneType)


@dataclass(frozen=True)
class Parameter:
    """One line of a notebook's ``parameters`` cell.

    Parameters
    ----------
    name : str
        Name of the variable.
    type : str
        Its annotation as written, e.g. ``"float"``, ``"list[str]"``, ``"float | None"``.
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
    text = cell.get("source", "")
    return text if isinstance(text, str) else "".join(text)


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
        If there is not exactly one cell tagged ``parameters``, or it holds anything but annotated literals
        (``name: type = literal``), names one parameter twice, or a default does not suit its own annotation.

    Examples
    --------
    >>> cell = {"cell_type": "code", "metadata": {"tags": ["parameters"]},
    ...         "source": "depth_cm: float = 5.0  # depth of the rhizomes [cm]"}
    >>> read_parameters({"cells": [cell]})["depth_cm"]
    Parameter(name='depth_cm', type='float', default=5.0, meaning='depth of the rhizomes', unit='cm')
    """
    text = source(_parameters_cell(notebook, name))
    try:
        tree = ast.parse(text)
    except SyntaxError as error:
        raise ValueError(
            f"{name}: the parameters cell is not valid Python (line {error.lineno}: {error.msg})"
        ) from None
    comments = _comments(text)
    found = {}
    for statement in tree.body:
        parameter = _parameter(statement, comments, name)
        if parameter.name in found:
            raise ValueError(
                f"{name}: the parameters cell gives {parameter.name!r} twice; keep one"
            )
        found[parameter.name] = parameter
    return found


def _parameters_cell(notebook, name):
    cells = [c for c in notebook["cells"] if PARAMETERS_TAG in tags(c)]
    if len(cells) != 1 or cells[0]["cell_type"] != "code":
        raise ValueError(
            f"{name}: exactly one code cell must carry the tag {PARAMETERS_TAG!r}, "
            f"found {len(cells)}; set the tag in the notebook's cell properties"
        )
    return cells[0]


def _parameter(statement, comments, name):
    is_annotated = isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name)
    if not is_annotated or statement.value is None:
        raise ValueError(
            f"{name}: line {statement.lineno} of the parameters cell is not of the form "
            f"'name: type = value  # meaning [unit]': {ast.unparse(statement)[:80]!r}"
        )
    annotation = ast.unparse(statement.annotation)
    default = _literal(statement.value, f"{name}: the default of {statement.target.id!r}")
    fault = mismatch(default, annotation)
    if fault:
        raise ValueError(f"{name}: the default of {statement.target.id!r} {fault}")
    meaning, unit = _meaning_and_unit(comments.get(statement.end_lineno, ""))
    return Parameter(statement.target.id, annotation, default, meaning, unit)


def _comments(text):
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return {t.start[0]: t.string for t in tokens if t.type == tokenize.COMMENT}


def _meaning_and_unit(comment):
    text = comment.lstrip("#").strip()
    match = re.fullmatch(r"(.*?)\s*\[([^\[\]]*)\]", text)
    return (match[1], match[2]) if match else (text, "")


def _literal(node, what):
    try:
        value = ast.literal_eval(node)
    except (ValueError, TypeError, SyntaxError, MemoryError, RecursionError):
        shown = node if isinstance(node, str) else ast.unparse(node)
        raise ValueError(
            f"{what} must be a plain literal, not {shown[:80]!r}: text in quotes, a number, "
            f"True, False, None, or a list or dict of these"
        ) from None
    if not _is_plain(value):
        raise ValueError(
            f"{what} may hold only text, numbers, True, False, None, lists and dicts of these"
        )
    return value


def _is_plain(value):
    if isinstance(value, dict):
        return all(isinstance(k, _LITERAL_TYPES) and _is_plain(v) for k, v in value.items())
    if isinstance(value, list):
        return all(_is_plain(v) for v in value)
    if isinstance(value, float):
        return abs(value) != float("inf")  # 1e999 is a literal too
    return isinstance(value, _LITERAL_TYPES)


def mismatch(value, annotation):
    """Say why a value does not suit a parameter's annotation.

    Parameters
    ----------
    value : object
        The value to be given.
    annotation : str
        ``str``, ``int``, ``float``, ``bool``, ``None``, ``list``, ``dict``, ``list[…]``, ``dict[…, …]`` and
        alternatives of these joined by ``|``. A whole number suits ``float``; ``True`` suits only ``bool``.

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
    >>> mismatch(["A", "B"], "list[str] | None") is None
    True
    """
    if _suits(value, ast.parse(annotation, mode="eval").body, annotation):
        return None
    return f"must be {annotation}, not {value!r} ({type(value).__name__})"


def _suits(value, node, annotation):
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr):
        return any(_suits(value, side, annotation) for side in (node.left, node.right))
    if isinstance(node, ast.Subscript):
        return _suits_container(value, node, annotation)
    kind = _SCALARS.get(ast.unparse(node))
    if kind is None:
        raise ValueError(
            f"the annotation {annotation!r} is not understood: use str, int, float, bool, None, "
            f"list, dict, list[…], dict[…, …], joined by | where several are allowed"
        )
    if kind is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    return isinstance(value, kind) and (kind is bool or not isinstance(value, bool))


def _suits_container(value, node, annotation):
    outer = ast.unparse(node.value)
    inner = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
    if outer == "list" and len(inner) == 1:
        return isinstance(value, list) and all(_suits(v, inner[0], annotation) for v in value)
    if outer == "dict" and len(inner) == 2:
        return isinstance(value, dict) and all(
            _suits(k, inner[0], annotation) and _suits(v, inner[1], annotation)
            for k, v in value.items()
        )
    raise ValueError(
        f"the annotation {annotation!r} is not understood: write list[type] or dict[type, type]"
    )


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
        If no notebook takes a name, or a value does not suit a notebook that does; all faults in one message.
    """
    takers = {name: [n for n, takes in notebooks.items() if name in takes] for name in given}
    known = sorted({name for takes in notebooks.values() for name in takes})
    faults = [
        f"no notebook takes a parameter {name!r}; there are: {', '.join(known)}"
        for name, takes in takers.items()
        if not takes
    ]
    for name, takes in takers.items():
        for notebook in takes:
            fault = mismatch(given[name], notebooks[notebook][name].type)
            if fault:
                faults.append(f"{notebook}: {name!r} {fault}")
    if faults:
        raise ValueError("\n".join(faults))
    return {
        n: {name: given[name] for name in given if name in takes} for n, takes in notebooks.items()
    }
