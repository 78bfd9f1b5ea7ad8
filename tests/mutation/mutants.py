"""The list of mutants of a source tree, and the sample drawn from it.

Left out, and counted, is what cannot change a result: docstrings, annotations, type aliases and what is there
for the type checker alone, `__all__`, decorators (what they are given guards a class, it computes nothing),
assertions (they are there for the reader and the type checker), what follows `raise`, and text for people: a
string with a space in it, alone or as part of an f-string.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

from proposals import proposals

# From the root of a tree to a node: the field, and the place in it where it holds a list.
Way = tuple[tuple[str, int | None], ...]
# Names whose arguments are types.
TYPING = frozenset({"cast", "TypeVar", "NewType"})


@dataclass(frozen=True)
class Mutant:
    """One change of one module.

    Attributes
    ----------
    name : str
        File below the source root, with forward slashes.
    kind : str
        What kind of change.
    way : tuple
        Where the changed node is in the tree.
    place : int
        Which of the node's proposals.
    first, last : int
        Lines of the smallest statement around it; of a statement with a body, its head.
    at_import : bool
        Whether it runs when the module is loaded: it stands in no function's body.
    before, after : str
        Source of what is changed.
    key : str
        Where and what, without line numbers: function, statement, kind, number among equals.
    """

    name: str
    kind: str
    way: Way
    place: int
    first: int
    last: int
    at_import: bool
    before: str
    after: str
    key: str

    def tree(self, source: str) -> ast.Module:
        """Return the module's tree with the change made."""
        tree = ast.parse(source)
        parent: ast.AST = tree
        for field, index in self.way[:-1]:
            parent = _child(parent, field, index)
        field, index = self.way[-1]
        old = _child(parent, field, index)
        new = list(proposals(old))[self.place][1]
        for node in ast.walk(new):
            ast.copy_location(node, old)
        if index is None:
            setattr(parent, field, new)
        else:
            getattr(parent, field)[index] = new
        return ast.fix_missing_locations(tree)

    def code(self, source: str, path: str) -> CodeType:
        """Return the changed module, compiled."""
        return compile(self.tree(source), path, "exec", dont_inherit=True)


def _child(node: ast.AST, field: str, index: int | None) -> ast.AST:
    value = getattr(node, field)
    found: ast.AST = value if index is None else value[index]
    return found


def _children(node: ast.AST) -> Iterator[tuple[str, int | None, ast.AST]]:
    for field, value in ast.iter_fields(node):
        if isinstance(value, ast.AST):
            yield field, None, value
        elif isinstance(value, list):
            yield from ((field, i, child) for i, child in enumerate(value) if isinstance(child, ast.AST))


def _is_docstring(statement: ast.AST) -> bool:
    return isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)


def _is_alias(statement: ast.AST) -> bool:
    """Whether a module's assignment only names types: no call, no number."""
    if not (isinstance(statement, ast.Assign) and isinstance(statement.value, ast.Subscript | ast.BinOp)):
        return False
    names = statement.targets[0]
    plain = not any(
        isinstance(node, ast.Call) or (isinstance(node, ast.Constant) and node.value is not None)
        for node in ast.walk(statement.value)
    )
    return plain and isinstance(names, ast.Name) and names.id[0].isupper() and not names.id.isupper()


def _is_text(node: ast.AST) -> bool:
    """Whether a string is for people."""
    return any(
        isinstance(part, ast.Constant) and isinstance(part.value, str) and " " in part.value
        for part in ast.walk(node)
    )


def left_out(node: ast.AST, field: str, parent: ast.AST) -> str | None:
    """Return why a node and all below it is left out, or None."""
    called = getattr(parent.func, "id", "") if isinstance(parent, ast.Call) else ""
    reason: str | None = None
    if _is_docstring(node):
        reason = "docstring"
    elif (
        field in ("annotation", "returns")
        or (isinstance(parent, ast.Module) and _is_alias(node))
        or (isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING")
        or (called in TYPING and field == "args")
    ):
        reason = "annotation"
    elif isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in ("__all__", "__slots__"):
        reason = "names given out"
    elif field == "decorator_list":
        reason = "decorator"
    elif isinstance(node, ast.Assert | ast.Raise):
        reason = type(node).__name__.lower()
    elif isinstance(node, ast.JoinedStr | ast.Constant) and _is_text(node):
        reason = "text"
    return reason


def _head(statement: ast.stmt) -> tuple[int, int]:
    """Return the lines of a statement, of a compound one those before its body."""
    body = getattr(statement, "body", None)
    last = statement.end_lineno or statement.lineno
    return statement.lineno, last if not body else max(statement.lineno, body[0].lineno - 1)


@dataclass
class _Walk:
    """One module on the way to its list of mutants."""

    name: str
    found: list[Mutant]
    skipped: Counter[str]
    seen: Counter[str]

    def visit(self, node: ast.AST, way: Way, statement: ast.stmt | None, scope: str, late: bool) -> None:
        """List the mutants of a node and of all below it."""
        if isinstance(node, ast.stmt):
            statement = node
        if statement is not None:
            self._add(node, way, statement, scope, late)
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            scope = f"{scope}.{node.name}"
        for field, index, child in _children(node):
            reason = left_out(child, field, node)
            if reason is None:
                inside = isinstance(node, ast.FunctionDef | ast.Lambda) and field == "body"
                self.visit(child, (*way, (field, index)), statement, scope, late or inside)
            else:
                self.skipped[reason] += sum(1 for below in ast.walk(child) for _ in proposals(below))

    def _add(self, node: ast.AST, way: Way, statement: ast.stmt, scope: str, late: bool) -> None:
        for place, (kind, new) in enumerate(proposals(node)):
            first, last = _head(statement)
            before, after = _line(node), _line(new)
            text = f"{self.name}|{scope}|{_line(statement)}|{kind}|{before}|{after}"
            self.seen[text] += 1
            key = f"{text}|{self.seen[text]}"
            found = Mutant(self.name, kind, way, place, first, last, not late, before, after, key)
            self.found.append(found)


def _line(node: ast.AST) -> str:
    """Return the source of a node, of a compound statement its head, in one line."""
    return ast.unparse(ast.fix_missing_locations(node)).split(":\n")[0].replace("\n", " ")


def mutants_of(name: str, source: str) -> tuple[list[Mutant], Counter[str]]:
    """Return every mutant of a module in the order of its tree, and how many were left out, by reason."""
    walk = _Walk(name, [], Counter(), Counter())
    walk.visit(ast.parse(source), (), None, "", False)
    return walk.found, walk.skipped


def code_lines(source: str) -> int:
    """Return how many lines begin or continue a statement; docstrings, comments and blanks do not count."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.stmt) and not _is_docstring(node):
            first, last = _head(node)
            body = getattr(node, "body", None)
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and body:
                last = node.lineno
            lines.update(range(first, last + 1))
    return len(lines)


def draw(modules: dict[str, str], size: int, seed: int) -> tuple[list[Mutant], Counter[str], int]:
    """Draw a sample, each module's part in proportion to its lines of code.

    Within a module the mutants are put in the order of a digest of the seed and of what is changed; the first
    are taken. So an edit elsewhere leaves a module's order as it is.

    Parameters
    ----------
    modules : dict
        Source of every module by its name.
    size : int
        How many mutants are wanted.
    seed : int
        Another seed, another sample.

    Returns
    -------
    sample : list of Mutant
        By module, in the order of the names; within one in the order drawn.
    skipped : Counter
        Left out in all modules, by reason.
    total : int
        How many mutants there are.
    """
    names = sorted(modules)
    lines = {name: code_lines(modules[name]) for name in names}
    listed = {name: mutants_of(name, modules[name]) for name in names}
    skipped: Counter[str] = Counter()
    for _, left in listed.values():
        skipped.update(left)
    names = [name for name in names if listed[name][0]]
    quota = _shares({name: lines[name] for name in names}, size)
    sample: list[Mutant] = []
    for name in names:
        sample += sorted(listed[name][0], key=lambda mutant: _digest(seed, mutant.key))[: quota[name]]
    return sample, skipped, sum(len(listed[name][0]) for name in names)


def _shares(weights: dict[str, int], size: int) -> dict[str, int]:
    """Return whole numbers in proportion to the weights, by largest remainder."""
    exact = {name: size * weight / sum(weights.values()) for name, weight in weights.items()}
    whole = {name: int(share) for name, share in exact.items()}
    by_rest: Iterable[str] = sorted(exact, key=lambda name: (whole[name] - exact[name], name))
    for name in list(by_rest)[: size - sum(whole.values())]:
        whole[name] += 1
    return whole


def _digest(seed: int, key: str) -> str:
    return hashlib.sha256(f"{seed}|{key}".encode()).hexdigest()


def read_modules(source: Path, packages: Iterable[str]) -> dict[str, str]:
    """Return the source of every module of some packages."""
    files = (path for package in packages for path in sorted((source / package).rglob("*.py")))
    return {path.relative_to(source).as_posix(): path.read_text() for path in files}
