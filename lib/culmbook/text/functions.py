"""The library's public functions and classes by room, read from its own files."""

import ast
from pathlib import Path

LIBRARY = Path(__file__).parents[1]


def public_functions(room: str = "") -> list[tuple[str, str, str]]:
    """List public functions and classes with the summary of what they do.

    Parameters
    ----------
    room : str
        One room (``"stand"``); blank lists all.

    Returns
    -------
    list of tuple of str
        Module, name with arguments, summary; in the order of rooms, modules and lines.

    Raises
    ------
    ValueError
        For a room that is not there.

    Examples
    --------
    >>> [module for module, name, said in public_functions("text") if name == "Refusal"]
    ['text.refusal']
    """
    rooms = sorted(path.name for path in LIBRARY.iterdir() if (path / "__init__.py").is_file())
    if room and room not in rooms:
        raise ValueError(f"no room {room!r}; there are {', '.join(rooms)}")
    found = []
    for path in sorted(LIBRARY.glob(f"{room or '*'}/*.py")):
        module = f"{path.parent.name}.{path.stem}"
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and node.name[0] != "_":
                arguments = f"({ast.unparse(node.args)})" if hasattr(node, "args") else ""
                said = (ast.get_docstring(node) or "").partition("\n\n")[0].replace("\n", " ")
                found.append((module, node.name + arguments, said))
    return found
