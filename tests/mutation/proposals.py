"""What may be changed in a syntax tree, one small change at a time.

The operators are those usual in mutation testing (arithmetic, relational, logical, unary, constants one more
and one less, a statement left out, nothing returned) and slips of geometry: sine for cosine, the lesser for
the greater, two arguments in the wrong order. Every replacement is a new node at the place of the old one.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator

ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.MatMult: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
# The first is the other side of the boundary, the second the opposite.
COMPARISON: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_PAIRS = (
    ("min", "max"),
    ("minimum", "maximum"),
    ("fmin", "fmax"),
    ("argmin", "argmax"),
    ("nanmin", "nanmax"),
    ("sin", "cos"),
    ("floor", "ceil"),
    ("any", "all"),
    ("zeros", "ones"),
    ("logical_and", "logical_or"),
    ("less", "greater"),
    ("append", "insert"),
)
CALLED = {a: b for pair in _PAIRS for a, b in (pair, pair[::-1])} | {"insert": "append"}
# Functions of one argument that may be left out.
IDENTITY = frozenset({"abs", "sqrt", "exp", "log", "cumsum", "sorted", "reversed", "negative", "wrap"})

Proposal = tuple[str, ast.AST]


def _changed(node: ast.AST, **fields: object) -> ast.AST:
    """Return a copy with other fields."""
    made = copy.deepcopy(node)
    for name, value in fields.items():
        setattr(made, name, value)
    return made


def _negated(condition: ast.expr) -> ast.expr:
    return ast.UnaryOp(ast.Not(), copy.deepcopy(condition))


def _of_constant(node: ast.Constant) -> Iterator[Proposal]:
    value = node.value
    if isinstance(value, bool):
        yield "boolean", ast.Constant(not value)
    elif isinstance(value, int | float):
        yield "constant+1", ast.Constant(value + 1)
        yield "constant-1", ast.Constant(value - 1)
    elif isinstance(value, str):
        yield "string", ast.Constant(value + "_")


def _of_call(node: ast.Call) -> Iterator[Proposal]:
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    if name in CALLED:
        field = "attr" if isinstance(function, ast.Attribute) else "id"
        yield "function", _changed(node, func=_changed(function, **{field: CALLED[name]}))
    if name in IDENTITY and len(node.args) == 1 and not node.keywords:
        yield "function", copy.deepcopy(node.args[0])
    for place in range(len(node.args) - 1):
        first, second = node.args[place : place + 2]
        # Arguments that look alike: a name for a call would only crash.
        alike = type(first) is type(second) and not isinstance(first, ast.Starred)
        if alike and ast.dump(first) != ast.dump(second):
            swapped = [*node.args[:place], second, first, *node.args[place + 2 :]]
            yield "order", _changed(node, args=copy.deepcopy(swapped))


def proposals(node: ast.AST) -> Iterator[Proposal]:
    """Yield every (kind, replacement) of one node, in a fixed order.

    Parameters
    ----------
    node : ast.AST
        Any node; what is below it has proposals of its own.

    Yields
    ------
    tuple of (str, ast.AST)
        The kind of the change, and what takes the node's place.
    """
    match node:
        case ast.BinOp() if type(node.op) in ARITHMETIC:
            yield "arithmetic", _changed(node, op=ARITHMETIC[type(node.op)]())
        case ast.AugAssign():
            if type(node.op) in ARITHMETIC:
                yield "arithmetic", _changed(node, op=ARITHMETIC[type(node.op)]())
            yield "statement", ast.Pass()
        case ast.Compare():
            for place, operator in enumerate(node.ops):
                for other in COMPARISON[type(operator)]:
                    ops = [*node.ops[:place], other(), *node.ops[place + 1 :]]
                    yield "comparison", _changed(node, ops=ops)
        case ast.BoolOp():
            other_op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "logical", _changed(node, op=other_op)
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert()):
            yield "unary", copy.deepcopy(node.operand)
        case ast.If() | ast.While() | ast.IfExp():
            # A comparison, a conjunction and a negation have proposals of their own.
            if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
                yield "condition", _changed(node, test=_negated(node.test))
        case ast.Constant():
            yield from _of_constant(node)
        case ast.Return(value=ast.expr()) if not (
            isinstance(node.value, ast.Constant) and node.value.value is None
        ):
            yield "return", ast.Return(ast.Constant(None))
        case ast.Break():
            yield "loop", ast.Continue()
        case ast.Continue():
            yield "loop", ast.Break()
        case ast.Expr(value=ast.Call()):
            yield "statement", ast.Pass()
        case ast.Call():
            yield from _of_call(node)
        case _:
            return
