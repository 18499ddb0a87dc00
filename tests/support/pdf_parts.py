"""What stands on the pages of a PDF: sizes of text, places of pictures, elements of the structure
tree.
"""

import numpy as np
from pypdf.generic import ContentStream


def matrix(values):
    a, b, c, d, e, f = (float(value) for value in values)
    return np.array([[a, b, 0], [c, d, 0], [e, f, 1]])


def drawn(page, reader):
    """Yield ("text", size [pt]) and ("picture", left, right [pt]) of a page, forms included."""
    yield from _walk(
        ContentStream(page.get_contents(), reader), page["/Resources"], np.eye(3), reader
    )


def _walk(stream, resources, ctm, reader):
    stack, size, text = [], 0.0, np.eye(3)
    for operands, operator in stream.operations:
        if operator == b"q":
            stack.append((ctm, size))
        elif operator == b"Q":
            ctm, size = stack.pop()
        elif operator == b"cm":
            ctm = matrix(operands) @ ctm
        elif operator == b"Tf":
            size = float(operands[1])
        elif operator == b"BT":
            text = np.eye(3)
        elif operator == b"Tm":
            text = matrix(operands)
        elif operator in (b"Tj", b"TJ"):
            yield "text", size * float(np.hypot(*(text @ ctm)[1, :2]))
        elif operator == b"Do":
            yield from _object(resources["/XObject"][operands[0]].get_object(), ctm, reader)


def _object(thing, ctm, reader):
    if thing["/Subtype"] == "/Image":
        corners = np.array([[0, 0, 1], [1, 1, 1]]) @ ctm
        yield "picture", corners[:, 0].min(), corners[:, 0].max()
    else:
        inner = matrix(thing.get("/Matrix", [1, 0, 0, 1, 0, 0])) @ ctm
        yield from _walk(ContentStream(thing, reader), thing.get("/Resources", {}), inner, reader)


def elements(node, found=None):
    """Collect a PDF's structure elements, parents before children."""
    found = [] if found is None else found
    node = node.get_object()
    if isinstance(node, list):
        for child in node:
            elements(child, found)
    elif hasattr(node, "get") and "/S" in node:
        found.append(node)
        if "/K" in node:
            elements(node["/K"], found)
    return found
