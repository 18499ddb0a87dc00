"""Cells that cannot be answered say why, and those that rest on them are skipped.

A notebook reads straight on, without branches: where a table is missing or a model cannot be
estimated, the library raises a :class:`~culmbook.text.refusal.Refusal`. Its sentence is then shown
once, the names that the cell would have set count as missing, and a later cell that uses one of
them is skipped. Every other error stops the notebook as ever.
"""

import ast

from culmbook.show.page import ReportText
from culmbook.text.refusal import Refusal

_SELF, _SHOWN = "_culmbook_sections", "_culmbook_shown"


class Sections(ast.NodeTransformer):
    """Rewrites each cell before it runs; holds the names that are missing, with the reason of
    each.
    """

    def __init__(self):
        self.missing: dict[str, str] = {}
        self.refusal = Refusal
        self._statements: list[tuple[int, set]] = []

    def visit(self, tree: ast.Module) -> ast.Module:
        """Give the cell as it is to run: skipped, or with its refusals caught."""
        self._statements = [(node.end_lineno, _stored(node)) for node in tree.body]
        stored = set().union(*(names for _, names in self._statements))
        used = _used(tree.body) & set(self.missing)
        if used:
            reason = self.missing[min(used, key=list(self.missing).index)]
            self.missing |= dict.fromkeys(stored, reason)
            return _parsed(f"{_SELF}.skipped({reason!r})")
        for name in stored:
            self.missing.pop(name, None)
        if not tree.body:
            return tree
        frame = _parsed(
            f"{_SHOWN} = None\ntry:\n    pass\nexcept {_SELF}.refusal as _why:\n"
            f"    {_SHOWN} = {_SELF}.refused(_why)\n{_SHOWN}"
        )
        *body, last = tree.body
        if isinstance(last, ast.Expr):
            target = ast.copy_location(ast.Name(_SHOWN, ast.Store()), last)
            last = ast.copy_location(ast.Assign([target], last.value), last)
        frame.body[1].body = [*body, last]
        return ast.fix_missing_locations(frame)

    def refused(self, why: Refusal) -> ReportText:
        """Note what the refused cell did not set, and give the sentence to show."""
        import matplotlib.pyplot as plt

        plt.close("all")  # a figure begun in the cell would be shown empty
        at, reason = why.__traceback__.tb_lineno, str(why)
        for last_line, names in self._statements:
            if last_line >= at:
                self.missing |= dict.fromkeys(names, reason)
        return ReportText("refusal", (reason,))

    @staticmethod
    def skipped(reason: str) -> ReportText:
        """What stands under a cell that was not run."""
        return ReportText("skipped", (reason,))


def _parsed(source: str) -> ast.Module:
    return ast.parse(source)


def _names(node: ast.AST, context: type) -> set:
    return {n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, context)}


def _stored(node: ast.AST) -> set:
    """Names that a statement sets; an item or attribute set on a name changes that name's value."""
    names = _names(node, ast.Store)
    for part in ast.walk(node):
        if isinstance(part, (ast.Import, ast.ImportFrom)):
            names |= {(alias.asname or alias.name).split(".")[0] for alias in part.names}
    return names


def _used(body: list) -> set:
    """Names that a cell takes from earlier cells."""
    used, own = set(), set()
    for node in body:
        added = {n.target.id for n in ast.walk(node)
                 if isinstance(n, ast.AugAssign) and isinstance(n.target, ast.Name)}  # fmt: skip
        used |= (_names(node, ast.Load) | added) - own - _bound_inside(node)
        own |= _stored(node)
    return used


def _bound_inside(node: ast.AST) -> set:
    """Names of comprehensions and lambdas, which are not the notebook's, and those that a loop
    sets before it uses them.
    """
    names = set()
    for part in ast.walk(node):
        if isinstance(part, ast.comprehension):
            names |= _names(part.target, ast.Store)
        if isinstance(part, ast.For):
            names |= _stored(part)
        if isinstance(part, ast.Lambda):
            names |= {argument.arg for argument in part.args.args}
    return names


def begin(shell) -> None:
    """Let the cells of a running IPython shell say what cannot be answered; once per shell."""
    if _SELF not in shell.user_ns:
        shell.user_ns[_SELF] = sections = Sections()
        shell.ast_transformers.append(sections)
