"""Mutants of the C core: every one of them in one translation unit, chosen by a number while it runs.

pycparser reads the core. Where an operator of OPERATORS applies, the text that is written instead asks a
global `mutant` which of the ways is meant: `(mutant == 7 ? (a <= b) : (a < b))`. So all mutants are compiled
once. A changed place holds the plain text of its parts, as only one mutant is on at a time.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pycparser import c_ast, c_generator, c_parser

from firmware_model.core_sources import CORE, core_files

# The standard headers, as far as the core needs them.
HEADERS = {
    "stdint.h": "typedef signed char int8_t; typedef unsigned char uint8_t; typedef short int16_t;"
    " typedef unsigned short uint16_t; typedef int int32_t; typedef unsigned int uint32_t;"
    " typedef unsigned long uintptr_t;\n#define INT32_MAX 2147483647\n#define INT32_C(number) number\n",
    "stdbool.h": "typedef _Bool bool;\n#define true 1\n#define false 0\n",
    "stddef.h": "typedef unsigned long size_t;\n#define NULL ((void *)0)\n#define offsetof(type, member) 1\n",
}

# Functions whose mutants outputs and events cannot tell, each with the argument.
LEFT_OUT = {
    "_digest": "only the digest is made of it, which is not compared here",
    "lift_crc32_word": "only the digest is made of it, which is not compared here",
}

RELATIONS = {
    "<": ("<=", ">="), "<=": ("<", ">"), ">": (">=", "<="), ">=": (">", "<"), "==": ("!=",), "!=": ("==",),
}  # fmt: skip
ARITHMETIC = {
    "+": ("-",), "-": ("+",), "*": ("+",), "/": ("*",), "%": ("/",), "<<": (">>",), ">>": ("<<",),
    "&": ("|",), "|": ("&",), "^": ("|",),
}  # fmt: skip
LOGIC = {"&&": "||", "||": "&&"}
ASSIGNED = {
    "^=": "|=", ">>=": "<<=", "+=": "-=", "-=": "+=", "|=": "&=", "&=": "|=", "*=": "+=", "%=": "/=",
}  # fmt: skip
PAIRS = (
    ("reduction", "retard"), ("engine", "shaft"), ("rising", "falling"), ("least", "greatest"),
    ("up", "down"),
    ("trigger", "hysteresis"), ("least", "most"), ("near", "far"), ("low", "high"), ("armed", "launched"),
    ("good", "previous"), ("value", "entry"), ("hold", "hold_left"), ("output", "demand"), ("waited", "gap"),
    ("across", "width"), ("part", "span"), ("first", "second"), ("left", "beside"), ("jump", "chain"),
    ("faulted", "out_of_sight"), ("used", "reseed"), ("agree", "heal"), ("counts", "height"),
)  # fmt: skip
CALLS = {"lift_min": "lift_max", "lift_max": "lift_min"}


@cache
def _lines(file: str) -> list[str]:
    return (CORE / file).read_text(encoding="utf-8").splitlines()


@dataclass(frozen=True)
class Mutant:
    """One change: its number from 1, file and line of the core, function, kind, text before and after."""

    number: int
    file: str
    line: int
    function: str
    kind: str
    was: str
    becomes: str

    @property
    def text(self) -> str:
        """The line of the source that it is in."""
        return _lines(self.file)[self.line - 1].strip()

    def __str__(self) -> str:
        place = f"{self.number} {self.file}:{self.line} {self.function}"
        return f"{place}, {self.kind}: {self.was} -> {self.becomes}"


def preprocessed() -> str:
    """All C files of the core as one text without directives, but for the marks of lines."""
    with tempfile.TemporaryDirectory() as folder:
        for header, content in HEADERS.items():
            Path(folder, header).write_text(content)
        joined = "".join(f'#include "{path.name}"\n' for path in core_files())
        command = ["gcc", "-E", "-nostdinc", "-I", folder, "-I", str(CORE), "-x", "c", "-"]
        done = subprocess.run(command, input=joined, capture_output=True, text=True, check=True)
    return done.stdout


class Writer(c_generator.CGenerator):
    """Writes the core with all mutants in it; `mutants` lists them."""

    def __init__(self, fields: dict[str, set[str]]) -> None:
        super().__init__()
        self.mutants: list[Mutant] = []
        self._plain = c_generator.CGenerator()
        self._siblings = fields
        self._function = ""
        self._names: set[str] = set()
        self._off = 0

    # -- places

    def _add(self, node: c_ast.Node, kind: str, was: str, becomes: str) -> int:
        number = len(self.mutants) + 1
        where = node.coord
        short = [" ".join(text.split()) for text in (was, becomes)]
        self.mutants.append(Mutant(number, Path(where.file).name, where.line, self._function, kind, *short))
        return number

    def _choice(self, node: c_ast.Node, kind: str, texts: list[str], inner: str) -> str:
        """The expression with its mutants before it."""
        if self._off or not self._function:
            return inner
        was = self._plain.visit(node)
        for text in reversed(texts):
            inner = f"(mutant == {self._add(node, kind, was, text)} ? ({text}) : ({inner}))"
        return inner

    def _unchanged(self, node: c_ast.Node) -> str:
        return str(self._plain.visit(node))

    # -- expressions

    def visit_BinaryOp(self, n: c_ast.BinaryOp) -> str:
        left, right = (f"({self._unchanged(part)})" for part in (n.left, n.right))
        inner = f"({self.visit(n.left)}) {n.op} ({self.visit(n.right)})"
        others = [f"{left} {op} {right}" for op in (*RELATIONS.get(n.op, ()), *ARITHMETIC.get(n.op, ()))]
        kind = "relation" if n.op in RELATIONS else "arithmetic"
        if n.op in LOGIC:
            kind, others = "logic", [f"{left} {LOGIC[n.op]} {right}", left, right]
        return self._choice(n, kind, others, f"({inner})")

    def visit_UnaryOp(self, n: c_ast.UnaryOp) -> str:
        if n.op == "&" and isinstance(n.expr, c_ast.StructRef):
            others = [f"&{text}" for text in self._instead(n.expr)]
            return self._choice(n, "name", others, self._unchanged(n))
        if n.op in ("&", "++", "--", "p++", "p--", "sizeof"):
            return self._unchanged(n)
        inner = super().visit_UnaryOp(n)
        plain = self._unchanged(n.expr)
        if n.op == "!":
            return self._choice(n, "logic", [f"{plain} != 0"], inner)
        return self._choice(n, "arithmetic", [plain], inner) if n.op in ("-", "~") else inner

    def visit_Constant(self, n: c_ast.Constant) -> str:
        known = re.fullmatch(r"(0x[0-9A-Fa-f]+|\d+)[uU]?", n.value)
        if not known:
            return str(n.value)
        texts = [f"{n.value} + 1"] if int(known[1], 0) == 0 else [f"{n.value} + 1", f"{n.value} - 1"]
        return self._choice(n, "number", texts, n.value)

    def _flag(self, n: c_ast.Node) -> str:
        """A whole value: of 0 and 1, which may be a flag, only the other one is a mutant."""
        if isinstance(n, c_ast.Constant) and n.value in ("0", "1"):
            return self._choice(n, "number", [str(1 - int(n.value))], n.value)
        return str(self.visit(n))

    def visit_ID(self, n: c_ast.ID) -> str:
        if n.name.startswith("LIFT_") or n.name.isupper():
            return self._choice(n, "number", [f"{n.name} + 1", f"{n.name} - 1"], n.name)
        return self._choice(
            n, "name", [other for other in self._others(n.name) if other in self._names], n.name
        )

    def visit_StructRef(self, n: c_ast.StructRef) -> str:
        return self._choice(n, "name", self._instead(n), self._unchanged(n))

    def _instead(self, n: c_ast.StructRef) -> list[str]:
        """The reference with its field's name, or its owner's, changed to that of a sibling."""
        text, field = self._unchanged(n.name), n.field.name
        near = self._siblings.get(field, set())
        found = [f"{text}{n.type}{other}" for other in self._others(field) if other in near]
        if isinstance(n.name, c_ast.StructRef):
            found += [f"{owner}{n.type}{field}" for owner in self._instead(n.name)]
        return found

    @staticmethod
    def _others(name: str) -> Iterator[str]:
        for pair in PAIRS:
            for one, other in (pair, pair[::-1]):
                found = re.sub(rf"(?<![a-z]){one}(?![a-z])", other, name)
                if found != name:
                    yield found

    def visit_TernaryOp(self, n: c_ast.TernaryOp) -> str:
        plain = [f"({self._unchanged(part)})" for part in (n.cond, n.iftrue, n.iffalse)]
        inner = f"(({self.visit(n.cond)}) ? ({self._flag(n.iftrue)}) : ({self._flag(n.iffalse)}))"
        return self._choice(n, "condition", plain[1:], inner)

    def visit_FuncCall(self, n: c_ast.FuncCall) -> str:
        name = self._unchanged(n.name)
        given = n.args.exprs if n.args else []
        inner = f"{name}({', '.join(self._flag(one) for one in given)})"
        if name in CALLS:
            plain = [self._unchanged(one) for one in given]
            return self._choice(n, "call", [f"{CALLS[name]}({', '.join(plain)})", *plain], inner)
        return inner

    def visit_Cast(self, n: c_ast.Cast) -> str:
        return f"(({self._generate_type(n.to_type, emit_declname=False)})({self.visit(n.expr)}))"

    def visit_ArrayRef(self, n: c_ast.ArrayRef) -> str:
        return f"{self._unchanged(n.name)}[{self.visit(n.subscript)}]"

    # -- statements

    def visit_Assignment(self, n: c_ast.Assignment) -> str:
        to = self._unchanged(n.lvalue)
        if n.op == "=":
            return f"{to} = {self._flag(n.rvalue)}"
        inner = f"{to} {n.op} {self.visit(n.rvalue)}"
        others = [f"{to} {op} {self._unchanged(n.rvalue)}" for op in (ASSIGNED[n.op], "=")]
        return self._choice(n, "arithmetic", others, inner)

    def visit_Decl(self, n: c_ast.Decl, no_type: bool = False) -> str:
        if not self._function:
            return str(super().visit_Decl(n, no_type))
        self._names.add(n.name)
        text = n.name if no_type else self._generate_decl(n)
        return f"{text} = {self.visit(n.init)}" if n.init else text

    def _generate_decl(self, n: c_ast.Decl) -> str:
        self._off += 1
        text = str(super()._generate_decl(n))
        self._off -= 1
        return text

    def visit_If(self, n: c_ast.If) -> str:
        text = f"if ({self._choice(n.cond, 'condition', ['1', '0'], self.visit(n.cond))})\n"
        text += self._generate_stmt(n.iftrue, add_indent=True)
        if n.iffalse:
            text += self._make_indent() + "else\n" + self._generate_stmt(n.iffalse, add_indent=True)
        return text

    def visit_Return(self, n: c_ast.Return) -> str:
        if n.expr is None:
            return "return;"
        inner = self._flag(n.expr)
        if isinstance(n.expr, c_ast.BinaryOp) and n.expr.op in (*RELATIONS, *LOGIC):
            inner = self._choice(n.expr, "condition", [f"!({self._unchanged(n.expr)})"], inner)
        return f"return {inner};"

    def visit_Compound(self, n: c_ast.Compound) -> str:
        lines = [self._make_indent() + "{\n"]
        self.indent_level += 2
        items = n.block_items or []
        swapped = 0
        for item, after in zip(items, [*items[1:], None], strict=True):
            text = self._generate_stmt(item)
            if isinstance(item, c_ast.Assignment | c_ast.FuncCall | c_ast.UnaryOp | c_ast.Break):
                number = self._add(item, "left out", self._unchanged(item), "")
                text = f"if (mutant != {number}) {{ {text} }}\n"
            if swapped:
                text = f"if (mutant != {swapped}) {{ {text} }}\n"
            swapped = 0
            if _same_call(item, after):
                one, other = self._unchanged(item), self._unchanged(after)
                swapped = self._add(item, "order", f"{one}; {other}", f"{other}; {one}")
                text = f"if (mutant == {swapped}) {{ {other}; }}\n{text}"
            lines.append(text)
        self.indent_level -= 2
        lines.append(self._make_indent() + "}\n")
        return "".join(lines)

    def visit_FuncDef(self, n: c_ast.FuncDef) -> str:
        name = n.decl.name
        if any(name.endswith(end) for end in LEFT_OUT):
            return str(self._plain.visit(n))
        declared = self._plain.visit(n.decl)
        self._function = name
        given = n.decl.type.args.params if n.decl.type.args else []
        self._names = {one.name for one in given if one.name}
        body = self.visit(n.body)
        self._function = ""
        return f"{declared}\n{body}\n"


def _same_call(item: c_ast.Node, after: c_ast.Node | None) -> bool:
    """Whether two statements in a row call the same function."""
    calls = [one for one in (item, after) if isinstance(one, c_ast.FuncCall)]
    return len(calls) == 2 and calls[0].name.name == calls[1].name.name


def siblings(tree: c_ast.FileAST) -> dict[str, set[str]]:
    """Field -> the fields that every struct has that has it."""
    near: dict[str, set[str]] = {}
    for node in tree.ext:
        if isinstance(node, c_ast.Typedef) and isinstance(node.type.type, c_ast.Struct):
            names = {field.name for field in node.type.type.decls}
            for name in names:
                near[name] = near[name] & names if name in near else names
    return near


@cache
def all_mutants() -> tuple[str, tuple[Mutant, ...]]:
    """(C source of the core with every mutant in it, the mutants in order). The source reads `int mutant`."""
    tree = c_parser.CParser().parse(preprocessed(), "core")
    writer = Writer(siblings(tree))
    parts = ["extern int mutant;\n"]
    for node in tree.ext:
        if isinstance(node, c_ast.Typedef) and isinstance(node.type, c_ast.ArrayDecl):
            continue  # what the compiler is to assert of the machine
        text = writer.visit(node)
        parts.append(text if isinstance(node, c_ast.FuncDef) else f"{text};\n")
    return "".join(parts), tuple(writer.mutants)
