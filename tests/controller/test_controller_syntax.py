"""The controller is written so that a small machine can run it and a C compiler could have.

Walks the syntax tree of every file in controller/: integers only, nothing from outside, no hidden
allocation, no loop without a bound, no exception.
"""

import ast
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import ROOT

FILES = sorted((ROOT / "controller").rglob("*.py"))

BANNED: dict[type[ast.AST], str] = {
    ast.Div: "true division",
    ast.Pow: "power",
    ast.ListComp: "comprehension",
    ast.SetComp: "comprehension",
    ast.DictComp: "comprehension",
    ast.GeneratorExp: "comprehension",
    ast.Dict: "dict",
    ast.Set: "set",
    ast.Raise: "exception",
    ast.Assert: "exception",
    ast.Try: "exception",
    ast.TryStar: "exception",
    ast.While: "unbounded loop",
    ast.AsyncFor: "async",
    ast.AsyncFunctionDef: "async",
    ast.AsyncWith: "async",
    ast.Await: "async",
    ast.With: "with",
    ast.Lambda: "lambda",
    ast.Yield: "yield",
    ast.YieldFrom: "yield",
    ast.Global: "global",
    ast.Nonlocal: "global",
    ast.JoinedStr: "f-string",
    ast.Starred: "unpacking",
    ast.Delete: "del",
}

# Built-in names whose use would bring in a banned thing by another way.
BANNED_NAMES = {
    **dict.fromkeys(("float", "complex", "round", "divmod", "pow"), "float"),
    "dict": "dict",
    **dict.fromkeys(("set", "frozenset"), "set"),
    **dict.fromkeys(("iter", "next", "map", "filter", "zip", "enumerate", "reversed"), "unbounded loop"),
    **dict.fromkeys(("eval", "exec", "compile", "__import__", "globals", "vars"), "dynamic code"),
    **dict.fromkeys(("print", "input", "open"), "input or output"),
    **dict.fromkeys(("hash", "id"), "address"),
}


def complaints(source: str) -> Iterator[str]:
    """What a piece of the controller does that it must not: `line: what`."""
    for node in ast.walk(ast.parse(source)):
        what = complaint(node)
        if what:
            yield f"{getattr(node, 'lineno', '?')}: {what}"


def complaint(node: ast.AST) -> str | None:
    if isinstance(node, ast.BinOp | ast.AugAssign):
        return BANNED.get(type(node.op))
    if isinstance(node, ast.Constant):
        return "float" if isinstance(node.value, float | complex) else None
    if isinstance(node, ast.Name):
        return BANNED_NAMES.get(node.id)
    if isinstance(node, ast.Import):
        outside = any(alias.name.split(".")[0] != "controller" for alias in node.names)
        return "import from outside" if outside else None
    if isinstance(node, ast.ImportFrom):
        # Two dots would leave a package that has no folders of its own.
        inside = node.level == 1 or (node.level == 0 and (node.module or "").split(".")[0] == "controller")
        return None if inside else "import from outside"
    if isinstance(node, ast.For):
        return None if is_bounded(node.iter) else "unbounded loop"
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        if node.decorator_list:
            return "decorator"
        return "recursion" if isinstance(node, ast.FunctionDef) and calls(node, node.name) else None
    return None if isinstance(node, ast.operator) else BANNED.get(type(node))


def is_bounded(iterable: ast.expr) -> bool:
    """`range(...)`, or something that is already there as a whole."""
    if isinstance(iterable, ast.Call):
        return isinstance(iterable.func, ast.Name) and iterable.func.id == "range"
    return isinstance(iterable, ast.Name | ast.Attribute)


def calls(function: ast.FunctionDef, name: str) -> bool:
    return any(
        isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name
        for node in ast.walk(function)
    )


def test_there_are_files_to_check() -> None:
    assert "step.py" in {path.name for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_controller_keeps_the_rules(path: Path) -> None:
    assert list(complaints(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("snippet", "what"),
    [
        ("x = 1.0", "float"),
        ("x = 1e3", "float"),
        ("x = 2j", "float"),
        ("x = float(y)", "float"),
        ("x = round(y)", "float"),
        ("x = y / 2", "true division"),
        ("y /= 2", "true division"),
        ("x = y ** 2", "power"),
        ("y **= 2", "power"),
        ("import math", "import from outside"),
        ("import controller.maps, os", "import from outside"),
        ("from dataclasses import dataclass", "import from outside"),
        ("from controllers import maps", "import from outside"),
        ("from .. import bench", "import from outside"),
        ("from __future__ import annotations", "import from outside"),
        ("def f():\n    import math", "import from outside"),
        ("x = __import__('math')", "dynamic code"),
        ("x = [i for i in y]", "comprehension"),
        ("x = {i for i in y}", "comprehension"),
        ("x = {i: i for i in y}", "comprehension"),
        ("x = sum(i for i in y)", "comprehension"),
        ("x = {}", "dict"),
        ("x = dict(a=1)", "dict"),
        ("x = {1}", "set"),
        ("x = set(y)", "set"),
        ("raise ValueError", "exception"),
        ("assert x", "exception"),
        ("try:\n    x = 1\nexcept ValueError:\n    x = 2", "exception"),
        ("try:\n    x = 1\nexcept* ValueError:\n    x = 2", "exception"),
        ("while x:\n    x -= 1", "unbounded loop"),
        ("for x in f():\n    y = x", "unbounded loop"),
        ("for x in iter(f, 0):\n    y = x", "unbounded loop"),
        ("for x in a.range(3):\n    y = x", "unbounded loop"),
        ("for x in y[0]:\n    z = x", "unbounded loop"),
        ("def f(n):\n    return f(n - 1)", "recursion"),
        ("with x:\n    y = 1", "with"),
        ("x = lambda: 1", "lambda"),
        ("def f():\n    yield 1", "yield"),
        ("def f():\n    yield from y", "yield"),
        ("def f():\n    global x\n    x = 1", "global"),
        ("def f():\n    x = 1\n    def g():\n        nonlocal x\n        x = 2", "global"),
        ("x = f'{y}'", "f-string"),
        ("async def f():\n    x = 1", "async"),
        ("async def f():\n    await x", "async"),
        ("async def f():\n    async for x in y:\n        z = x", "async"),
        ("async def f():\n    async with y:\n        z = 1", "async"),
        ("f(*x)", "unpacking"),
        ("del x", "del"),
        ("@f\ndef g():\n    x = 1", "decorator"),
        ("@f\nclass G:\n    x = 1", "decorator"),
        ("class G:\n    @property\n    def g(self):\n        return 1", "decorator"),
        ("print(x)", "input or output"),
        ("x = id(y)", "address"),
    ],
)
def test_each_banned_construct_is_found(snippet: str, what: str) -> None:
    assert what in {line.split(": ")[1] for line in complaints(snippet)}


def test_what_is_allowed_stays_allowed() -> None:
    snippet = '''
        """A module."""

        from controller import fixed
        from controller.constants import FULL
        from . import maps

        class State:
            __slots__ = ("total",)

            def __init__(self) -> None:
                self.total: int = 0
                self.window: list[int] = [0] * 5

        def step(state: State, values: list[int]) -> int:
            for i in range(len(values)):
                state.total += values[i] * 3 // 2
            for value in state.window:
                state.total = max(state.total, value % 7) << 1
            return -state.total if state.total > FULL else fixed.clamp(state.total, 0, FULL)
    '''
    assert list(complaints(textwrap.dedent(snippet))) == []
