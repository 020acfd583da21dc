"""Every place in controller/ where a number is reckoned, so that no proof of bounds leaves one out."""

from __future__ import annotations

import ast
from collections.abc import Iterable
from pathlib import Path
from types import CodeType
from typing import NamedTuple

from tests import ROOT

# What a tick does not do, and unsigned words: the register of a CRC-32 and the numbers read from an image are
# 32 bits wide as such; an image is read before the first tick.
NOT_OF_A_TICK = {
    "crc32": "the register of a CRC-32 is an unsigned word of 32 bits",
    "crc32_word": "the register of a CRC-32 is an unsigned word of 32 bits",
    "image_crc": "the register of a CRC-32 is an unsigned word of 32 bits",
    "digest": "the register of a CRC-32 is an unsigned word of 32 bits",
    "_number": "reads an unsigned field of 16 or 32 bits from an image",
    "_length": "the length of an image, constant",
    "read": "reads an image; values are 16 or 32 bits wide",
    "_is_order": "counts to 12",
}


class Node(NamedTuple):
    """An operation: file, function, line and columns, text."""

    file: str
    function: str
    line: int
    column: int
    end_line: int
    end_column: int
    text: str


def _no_number(node: ast.AST) -> bool:
    """A list made of so many values, or one more bit in a set of constant bits."""
    if isinstance(node, ast.BinOp):
        return isinstance(node.op, ast.Mult) and isinstance(node.left, ast.List)
    return isinstance(node, ast.AugAssign) and isinstance(node.op, ast.BitOr) and _constant(node.value)


def _constant(node: ast.AST) -> bool:
    if isinstance(node, ast.BinOp):
        return _constant(node.left) and _constant(node.right)
    if isinstance(node, ast.UnaryOp):
        return _constant(node.operand)
    return isinstance(node, ast.Constant) or (isinstance(node, ast.Name) and node.id.strip("_").isupper())


def operations(folder: Path = ROOT / "controller") -> list[Node]:
    """Operations on numbers in functions, but those on constants, on bits, and those of NOT_OF_A_TICK."""
    found = []
    for path in sorted(folder.glob("*.py")):
        text = path.read_text(encoding="utf-8")
        for function in ast.walk(ast.parse(text)):
            if not isinstance(function, ast.FunctionDef) or function.name in NOT_OF_A_TICK:
                continue
            for body in function.body:
                for node in ast.walk(body):
                    reckons = isinstance(node, ast.BinOp | ast.AugAssign) or (
                        isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Invert)
                    )
                    if reckons and not _constant(node) and not _no_number(node):
                        assert isinstance(node, ast.expr | ast.stmt)
                        assert node.end_lineno is not None
                        assert node.end_col_offset is not None
                        found.append(
                            Node(
                                path.name,
                                function.name,
                                node.lineno,
                                node.col_offset,
                                node.end_lineno,
                                node.end_col_offset,
                                " ".join((ast.get_source_segment(text, node) or "").split()),
                            )
                        )
    return found


def left_out(places: Iterable[tuple[CodeType, int]], folder: Path = ROOT / "controller") -> list[Node]:
    """The operations for which no bound was noted."""
    seen = set()
    for code, at in places:
        line, end_line, column, end_column = list(code.co_positions())[at // 2]
        seen.add((Path(code.co_filename).name, line, column, end_line, end_column))
    return [
        node
        for node in operations(folder)
        if (node.file, node.line, node.column, node.end_line, node.end_column) not in seen
    ]
