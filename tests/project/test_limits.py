"""No function is longer than 80 lines and no module than 500, unless pyproject.toml gives a reason.

How complex a function may be is ruff's rule C901, there as well. Test modules may be longer: they are lists.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import ROOT

FUNCTION, MODULE = 80, 500
LONGER = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["liftlatch"]["longer"]
C_FUNCTION = re.compile(r"[a-z]\w*[ *].*?(\w+)\(")  # at the beginning of a line; it ends with a line of one }


def sources(root: Path) -> Iterator[Path]:
    """The Python and C sources of the four folders."""
    for top in ("controller", "firmware_model", "bench", "tests"):
        for path in sorted((root / top).rglob("*")):
            if path.suffix in (".py", ".c", ".h") and "node_modules" not in path.parts:
                yield path


def functions(path: Path) -> Iterator[tuple[str, int]]:
    """The functions of a source with their lengths in lines."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                yield node.name, (node.end_lineno or node.lineno) - node.lineno + 1
    else:
        begun: tuple[str, int] | None = None
        for i, line in enumerate(text.splitlines()):
            if found := C_FUNCTION.match(line):
                begun = found[1], i
            elif line == "}" and begun is not None:
                yield begun[0], i - begun[1] + 1
                begun = None


def too_long(root: Path) -> set[str]:
    """Modules, and functions after their module's name, that are longer than they may be."""
    found = set()
    for path in sources(root):
        name = path.relative_to(root).as_posix()
        if not name.startswith("tests/") and path.read_text(encoding="utf-8").count("\n") > MODULE:
            found.add(name)
        found |= {f"{name} {function}" for function, lines in functions(path) if lines > FUNCTION}
    return found


@pytest.mark.slow
def test_what_is_longer_has_a_reason_and_no_reason_is_left_over() -> None:
    assert too_long(ROOT) == set(LONGER)


def test_a_long_function_and_a_long_module_are_found(tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "a.py").write_text(
        "def f():\n" + "    x = 1\n" * 80 + "def g():\n" + "    x = 1\n" * 79
    )
    (tmp_path / "bench" / "b.c").write_text(
        "static int32_t f(int x,\n    int y) {\n"
        + "    x = 1;\n" * 80
        + "}\n\nint g(void) {\n    x = 2;\n}\n"
    )
    (tmp_path / "bench" / "c.h").write_text("int x;\n" * 501)
    assert too_long(tmp_path) == {"bench/a.py f", "bench/b.c f", "bench/c.h"}
