"""Small faults that can be put into a module, one node of its syntax tree at a time.

Left out, because no test should depend on them: text (docstrings, messages, labels, format
strings), everything inside ``raise``, type annotations and ``if TYPE_CHECKING``, decorators,
``__repr__`` and ``__str__``, ``__all__``, bare calls of a logger or a progress bar, the guard
``strict=`` of ``zip``, numpy's ``errstate``, the block ``if __name__ == "__main__"`` and the body
that only another operating system runs.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

_COMPARISONS: dict[type[ast.cmpop], tuple[tuple[str, type[ast.cmpop]], ...]] = {
    ast.Lt: (("boundary", ast.LtE), ("comparison", ast.GtE)),
    ast.LtE: (("boundary", ast.Lt), ("comparison", ast.Gt)),
    ast.Gt: (("boundary", ast.GtE), ("comparison", ast.LtE)),
    ast.GtE: (("boundary", ast.Gt), ("comparison", ast.Lt)),
    ast.Eq: (("comparison", ast.NotEq),),
    ast.NotEq: (("comparison", ast.Eq),),
    ast.Is: (("comparison", ast.IsNot),),
    ast.IsNot: (("comparison", ast.Is),),
    ast.In: (("comparison", ast.NotIn),),
    ast.NotIn: (("comparison", ast.In),),
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_TWINS = {
    "minimum": "maximum", "min": "max", "any": "all", "floor": "ceil", "cumsum": "cumprod",
    "nanmin": "nanmax", "argmin": "argmax", "zeros": "ones", "zeros_like": "ones_like",
}  # fmt: skip
_TWIN_OF = _TWINS | {twin: name for name, twin in _TWINS.items()}
_TEXT_METHODS = {"__repr__", "__str__"}
_TELLING = {"log", "logger", "progress", "console", "warnings"}


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One fault: which node of which file, which of its variants, and where to see it."""

    path: str
    node: int
    variant: int
    kind: str
    line: int
    first_line: int
    last_line: int
    at_import: bool


Change = tuple[str, Callable[[], None]]


def _changes(node: ast.AST) -> list[Change]:
    """Kinds of fault that this node can get, each with a function that puts it in."""
    found: list[Change] = []

    def setting(kind: str, name: str, value: object) -> None:
        found.append((kind, lambda: setattr(node, name, value)))

    if isinstance(node, ast.Compare):
        for at, operator in enumerate(node.ops):
            for kind, other in _COMPARISONS[type(operator)]:
                setting(kind, "ops", [*node.ops[:at], other(), *node.ops[at + 1 :]])
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _ARITHMETIC:
        setting("arithmetic", "op", _ARITHMETIC[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        setting("boolean", "op", ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.UnaryOp):
        found.append(("unary", lambda: None))
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            setting("constant", "value", not node.value)
        elif isinstance(node.value, int | float):
            setting("constant", "value", node.value + 1)
    elif isinstance(node, ast.Return):
        if node.value is not None and not _is_none(node.value):
            setting("return", "value", ast.Constant(None))
    elif isinstance(node, ast.Slice):
        if node.lower is not None:
            setting("slice", "lower", None)
        elif node.step is None:
            setting("slice", "lower", ast.Constant(1))
        if node.upper is not None:
            setting("slice", "upper", None)
        elif node.step is None:
            setting("slice", "upper", ast.UnaryOp(ast.USub(), ast.Constant(1)))
        if node.step is not None:
            setting("slice", "step", None)
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        if not isinstance(node.test, ast.Compare | ast.UnaryOp):
            setting("condition", "test", ast.UnaryOp(ast.Not(), node.test))
    elif isinstance(node, ast.comprehension):
        if node.ifs:
            setting("condition", "ifs", [])
    elif isinstance(node, ast.Continue):
        found.append(("jump", lambda: setattr(node, "__class__", ast.Break)))
    elif isinstance(node, ast.Call):
        if isinstance(node.func, ast.Attribute) and node.func.attr in _TWIN_OF:
            func = node.func
            other_name = _TWIN_OF[func.attr]
            found.append(("function", lambda: setattr(func, "attr", other_name)))
        elif isinstance(node.func, ast.Name) and node.func.id in {"min", "max", "any", "all"}:
            setting("function", "func", ast.Name(_TWIN_OF[node.func.id], ast.Load()))
    return found


def _is_none(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _name_of(node: ast.AST) -> str:
    """The first or the last name of a dotted call, whichever tells more."""
    while isinstance(node, ast.Attribute | ast.Call):
        node = node.value if isinstance(node, ast.Attribute) else node.func
    return node.id if isinstance(node, ast.Name) else ""


def _left_out(node: ast.AST) -> bool:
    if isinstance(node, ast.Raise | ast.JoinedStr):
        return True
    if isinstance(node, ast.FunctionDef) and node.name in _TEXT_METHODS:
        return True
    if isinstance(node, ast.If):
        named = {n.id for n in ast.walk(node.test) if isinstance(n, ast.Name)}
        return bool(named & {"TYPE_CHECKING", "__name__"})
    if isinstance(node, ast.Assign):
        return any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets)
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        return _name_of(node.value.func) in _TELLING
    if isinstance(node, ast.keyword):
        return node.arg == "strict"
    if isinstance(node, ast.Call):
        return isinstance(node.func, ast.Attribute) and node.func.attr == "errstate"
    return False


def _of_another_system(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.If)
        and ast.unparse(node.test).startswith("sys.platform == ")
        and repr(sys.platform) not in ast.unparse(node.test)
    )


@dataclass(frozen=True)
class _Place:
    node: ast.AST
    statement: ast.stmt
    parent: ast.AST
    field: str
    in_function: bool

    def change(self, variant: int) -> None:
        """Put the fault in; an operator that goes leaves its operand in its place."""
        if isinstance(self.node, ast.UnaryOp):
            value = getattr(self.parent, self.field)
            if isinstance(value, list):
                value[value.index(self.node)] = self.node.operand
            else:
                setattr(self.parent, self.field, self.node.operand)
        else:
            _changes(self.node)[variant][1]()


def _places(tree: ast.Module) -> list[_Place]:
    """Nodes that may get a fault, always in the same order."""
    found: list[_Place] = []

    def descend(node: ast.AST, statement: ast.stmt | None, inside: bool) -> None:
        for field, value in ast.iter_fields(node):
            if field in {"annotation", "returns", "decorator_list", "type_params"}:
                continue
            if field in {"test", "body"} and _of_another_system(node):
                continue
            for child in value if isinstance(value, list) else [value]:
                if not isinstance(child, ast.AST) or _left_out(child):
                    continue
                holder = child if isinstance(child, ast.stmt) else statement
                # Defaults of arguments are worked out when the module is loaded.
                default = isinstance(node, ast.arguments)
                if holder is not None:
                    found.append(_Place(child, holder, node, field, inside and not default))
                within = inside or isinstance(child, ast.FunctionDef | ast.Lambda)
                descend(child, holder, within)

    descend(tree, None, False)
    return found


def _lines(statement: ast.stmt) -> tuple[int, int]:
    """Lines of a statement; of a compound one only its head."""
    first, last = statement.lineno, statement.end_lineno or statement.lineno
    body = getattr(statement, "body", None)
    if isinstance(body, list) and body:
        last = max(first, body[0].lineno - 1)
    return first, last


def _shown(place: _Place) -> str:
    """What is printed of a place: the nearest thing that reads as a piece of program."""
    node = place.node
    if isinstance(node, ast.If | ast.While | ast.IfExp):
        node = node.test
    elif isinstance(node, ast.comprehension):
        return ast.unparse(ast.GeneratorExp(ast.Constant(...), [node]))
    elif isinstance(node, ast.Constant | ast.Slice | ast.UnaryOp):
        node = place.statement
    text = ast.unparse(ast.fix_missing_locations(node)).splitlines()
    return text[0] if len(text) == 1 else f"{text[0]} ..."


def find(root: Path, path: str) -> list[Mutant]:
    """All faults that one file can get.

    Parameters
    ----------
    root : Path
        Folder of the checkout.
    path : str
        File below it.
    """
    found: list[Mutant] = []
    for index, place in enumerate(_places(ast.parse((root / path).read_text(encoding="utf-8")))):
        first, last = _lines(place.statement)
        for variant, (kind, _) in enumerate(_changes(place.node)):
            found.append(
                Mutant(
                    path=path,
                    node=index,
                    variant=variant,
                    kind=kind,
                    line=getattr(place.node, "lineno", first),
                    first_line=first,
                    last_line=last,
                    at_import=not place.in_function,
                )
            )
    return found


@dataclass(frozen=True)
class Faulty:
    """A file with the fault in it, and the place before and after."""

    code: CodeType
    before: str
    after: str


def put_in(root: Path, mutant: Mutant) -> Faulty:
    """Compile the file with the fault in it."""
    tree = ast.parse((root / mutant.path).read_text(encoding="utf-8"))
    place = _places(tree)[mutant.node]
    before = _shown(place)
    place.change(mutant.variant)
    after = _shown(place)
    code = compile(ast.fix_missing_locations(tree), str(root / mutant.path), "exec")
    return Faulty(code, before, after)
