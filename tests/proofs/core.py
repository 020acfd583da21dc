"""The C core as the proofs see it: its sources, read by pycparser, as Python code that means the same.

Each C function becomes a Python function that the symbolic integers of `symbolic` run through, under the same
units as the reference. Besides the bounds it is proved on the way that nothing happens on which C
compilers may differ: divisions, remainders and shifts are of values not below 0, divisors are above 0, a
cast loses nothing, a place in an array exists. What is trusted is this translation; test_core.py runs it
against the compiled core, number by number.
"""

from __future__ import annotations

import ast
import itertools
import operator
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType, SimpleNamespace
from typing import Any

from pycparser import c_ast, c_generator, c_parser

from firmware_model.core_sources import CORE
from tests.proofs.symbolic import (
    Bool,
    Int,
    _int,
    constant,
    every,
    greatest_of,
    least_of,
    replaced,
    session,
)

FILES = (
    "fixed",
    "image",
    "height",
    "lift",
    "progress",
    "maps",
    "latch",
    "requests",
    "events",
    "step",
)

# The standard headers, as far as the core needs them.
HEADERS = {
    "stdint.h": "typedef signed char int8_t; typedef unsigned char uint8_t; typedef short int16_t;"
    " typedef unsigned short uint16_t; typedef int int32_t; typedef unsigned int uint32_t;"
    " typedef unsigned long uintptr_t;\n#define INT32_MAX 2147483647\n",
    "stdbool.h": "typedef int bool;\n#define true 1\n#define false 0\n",
    "stddef.h": "typedef unsigned long size_t;\n#define NULL 0\n#define offsetof(type, member) 1\n",
}

WIDTHS = {
    "int8_t": (-128, 127),
    "uint8_t": (0, 255),
    "int16_t": (-(1 << 15), (1 << 15) - 1),
    "uint16_t": (0, (1 << 16) - 1),
    "int32_t": (-(1 << 31), (1 << 31) - 1),
}

# Not translated: what works with unsigned words, reads an image before the first tick, copies or clears.
LEFT_OUT = {
    "lift_crc32": "the register of a CRC-32 is an unsigned word",
    "lift_crc32_word": "the register of a CRC-32 is an unsigned word",
    "lift_image_crc": "the register of a CRC-32 is an unsigned word",
    "lift_image_read": "reads an image: unsigned words",
    "number": "reads an image: unsigned words",
    "bytes_of": "reads an image",
    "in_range": "reads an image: unsigned words, cut to int32_t before use",
    "lift_init": "clears bytes",
    "lift_load": "reads an image",
    "lift_outputs": "copies",
    "lift_acting": "copies",
    "lift_safe": "lets the calibrated safe state act",
    "lift_command_act": "packs what acts into an unsigned word",
    "lift_command_acting": "unpacks it",
}

METHODS = {
    "height": {
        "_judge": "judge",
        "_use": "use_sample",
        "_refuse": "refuse_sample",
        "_compare": "compare",
        "_follow_jump": "follow_jump",
        "_follow_chain": "follow_chain",
        "_nose_fall": "nose_fall",
        "_back": "back",
        "_heal": "heal",
        "_believe": "believe",
        "_watch_stuck": "watch_stuck",
    },
    "lift": {"_look": "look", "_median": "median"},
    "maps": {"_find_column": "find_column", "_blend": "blend", "_greatest": "greatest"},
    "controller": {
        "_watch_run": "watch_run",
        "_sample": "take_sample",
        "_watch_faults": "watch_faults",
        "_take_torque": "take_torque",
        "_command": "command",
    },
}
UNCOUNTED = {"is_order": "counts to 12"}  # translated, but its operations are not asked for
FILE_OF = {"lowpass": "lift", "slope": "latch", "curve_request": "requests", "command": "requests"}
FILE_OF["controller"] = "step"

SIZES = {"FIELD_COUNT"}  # constants that only in_range uses

_CONSTANT = {"*": operator.mul, "+": operator.add, "-": operator.sub, "<<": operator.lshift}

STANDS_FOR = {
    "clamp": ("lift_clamp",),
    "saturate": ("lift_saturate",),
    "mul_q12": ("lift_mul_q12",),
    "mul_div": ("lift_mul_div",),
    "round_div": ("lift_round_div",),
    "interpolate": ("lift_interpolate", "lift_interpolate_signed"),
    "segment": ("segment", "segment_signed"),
    "bilinear": ("bilinear",),
    "legal": ("legal",),
    "_rises": ("rises", "rises_signed"),
    "_falls": ("falls_signed",),
    "_is_order": ("is_order",),
}


# -- reading C ------------------------------------------------------------------------------------------


@cache
def _preprocessed(name: str, text: str | None = None) -> str:
    with tempfile.TemporaryDirectory() as folder:
        for header, content in HEADERS.items():
            Path(folder, header).write_text(content)
        source = CORE / f"{name}.c"
        command = ["gcc", "-E", "-nostdinc", "-I", folder, "-I", str(CORE)]
        if text is None:
            command.append(str(source))
        else:
            command += ["-x", "c", "-"]
        done = subprocess.run(command, input=text, capture_output=True, text=True, check=True)
    return done.stdout


class Translation:
    """One C file as Python functions; `operations` are the places where a number is reckoned."""

    def __init__(self, name: str, text: str | None = None) -> None:
        self.name = name
        self.path = str(CORE / f"{name}.c")
        tree = c_parser.CParser().parse(_preprocessed(name, text), self.path)
        self.constants: dict[str, int] = {}
        self.structs: dict[str, list[str]] = {}
        self.operations: dict[tuple[int, int], str] = {}
        self.functions: list[ast.FunctionDef] = []
        self.tables: dict[str, list[list[int]]] = {}
        self._places = itertools.count(1)
        for node in tree.ext:
            for enum in _enums(node):
                self._enumerate(enum)
            if isinstance(node, c_ast.Typedef) and isinstance(node.type.type, c_ast.Struct):
                self.structs[node.name] = [field.name for field in node.type.type.decls]
            elif isinstance(node, c_ast.Decl) and node.name == "FIELDS":
                rows = [row.exprs for row in node.init.exprs]
                self.tables[node.name] = [[self._number(value) for value in row] for row in rows]
            elif isinstance(node, c_ast.FuncDef) and not _left_out(node.decl.name):
                self.functions.append(self._function(node))
        module = ast.Module(list(self.functions), [])
        self.code: CodeType = compile(ast.fix_missing_locations(module), self.path, "exec")

    def _enumerate(self, enum: c_ast.Enum) -> None:
        value = -1
        for one in enum.values.enumerators:
            if one.name in SIZES:
                continue
            value = self._number(one.value) if one.value is not None else value + 1
            self.constants[one.name] = value

    def _number(self, node: Any) -> int:
        if isinstance(node, c_ast.Constant):
            return ord(node.value[1]) if node.type == "char" else int(node.value.rstrip("uUlL"), 0)
        if isinstance(node, c_ast.ID):
            return self.constants[node.name]
        if isinstance(node, c_ast.UnaryOp) and node.op == "-":
            return -self._number(node.expr)
        if isinstance(node, c_ast.FuncCall) and node.name.name == "INT32_C":
            return self._number(node.args.exprs[0])
        if isinstance(node, c_ast.Cast):  # only a wider type, so that a narrow int does not overflow
            return self._number(node.expr)
        if isinstance(node, c_ast.BinaryOp):
            one, other = self._number(node.left), self._number(node.right)
            return int(_CONSTANT[node.op](one, other))
        raise NotImplementedError(f"{self.path}:{node.coord}: a constant")

    # functions and statements

    def _function(self, node: c_ast.FuncDef) -> ast.FunctionDef:
        parameters = [p.name for p in node.decl.type.args.params]
        self._boxed = {
            one.expr.name
            for one in _every(node.body, c_ast.UnaryOp)
            if one.op == "&" and isinstance(one.expr, c_ast.ID)
        }
        # A struct is an object, and its address is the object itself.
        self._boxed -= {
            one.name for one in _every(node.body, c_ast.Decl) if _type_name(one.type).startswith("lift_")
        }
        self._line = node.coord.line
        self._counted = node.decl.name not in UNCOUNTED
        body = self._block(node.body) or [ast.Pass()]
        return self._at(
            ast.FunctionDef(
                name=node.decl.name,
                args=ast.arguments([], [ast.arg(name) for name in parameters], None, [], [], None, []),
                body=body,
                decorator_list=[],
            )
        )

    def _block(self, node: Any) -> list[ast.stmt]:
        if node is None:
            return []
        if isinstance(node, c_ast.Compound):
            return [made for one in node.block_items or [] for made in self._statement(one)]
        return self._statement(node)

    def _statement(self, node: Any) -> list[ast.stmt]:
        self._line = node.coord.line if node.coord else self._line
        match node:
            case c_ast.Compound():
                return self._block(node)
            case c_ast.Decl() if _type_name(node.type).startswith("lift_"):
                made = self._at(ast.Call(ast.Name("_struct", ast.Load()), [], []))
                return [self._at(ast.Assign([ast.Name(node.name, ast.Store())], made))]
            case c_ast.Decl():
                if node.init is None and node.name not in self._boxed:
                    return []  # so that Python refuses to read it before it is written
                value = self._expression(node.init) if node.init is not None else ast.Constant(0)
                kind = _type_name(node.type)
                if kind in WIDTHS:
                    value = self._call(f"_{kind}", value)
                if node.name in self._boxed:
                    value = ast.List([value], ast.Load())
                return [self._at(ast.Assign([ast.Name(node.name, ast.Store())], value))]
            case c_ast.DeclList():
                return [made for one in node.decls for made in self._statement(one)]
            case c_ast.Assignment():
                target = self._target(node.lvalue)
                value = self._expression(node.rvalue)
                if node.op == "=":
                    return [self._at(ast.Assign([target], value))]
                sign = {"+=": ast.Add, "-=": ast.Sub, "|=": ast.BitOr, "%=": ast.Mod, "*=": ast.Mult}[
                    node.op
                ]()
                if node.op == "%=":
                    load = self._expression(node.lvalue)
                    value = self._marked(
                        ast.BinOp(self._call("_whole", load), sign, self._call("_above", value)), node
                    )
                    return [self._at(ast.Assign([target], value))]
                return [self._marked(ast.AugAssign(target, sign, value), node)]
            case c_ast.UnaryOp(op="p++"):
                return [
                    self._marked(ast.AugAssign(self._target(node.expr), ast.Add(), ast.Constant(1)), node)
                ]
            case c_ast.If() if (pair := _keeps_greater(node)) is not None:
                larger = ast.Call(
                    ast.Name("_greater", ast.Load()), [self._expression(one) for one in pair], []
                )
                return [self._at(ast.Assign([self._target(pair[0])], larger))]
            case c_ast.If():
                test = self._expression(node.cond)
                yes, no = self._block(node.iftrue) or [ast.Pass()], self._block(node.iffalse)
                return [self._at(ast.If(test, yes, no))]
            case c_ast.While():
                return [self._at(ast.While(self._expression(node.cond), self._block(node.stmt), []))]
            case c_ast.For():
                first = self._statement(node.init)
                test = self._expression(node.cond)
                body = self._block(node.stmt) + self._statement(node.next)
                return [*first, self._at(ast.While(test, body, []))]
            case c_ast.Return():
                return [self._at(ast.Return(self._expression(node.expr) if node.expr is not None else None))]
            case c_ast.FuncCall() | c_ast.Cast():
                return [self._at(ast.Expr(self._expression(node)))]
        raise NotImplementedError(f"{self.path}:{self._line}: {type(node).__name__}")

    def _target(self, node: Any) -> Any:
        made = self._expression(node)
        made.ctx = ast.Store()
        return made

    # expressions

    def _expression(self, node: Any) -> Any:
        if node.coord:
            self._line = node.coord.line
        match node:
            case c_ast.Constant():
                return self._at(ast.Constant(self._number(node)))
            case c_ast.ID():
                if node.name in self.constants:
                    return self._at(ast.Constant(self.constants[node.name]))
                name = self._at(ast.Name(node.name, ast.Load()))
                if node.name in self._boxed:
                    return self._at(ast.Subscript(name, ast.Constant(0), ast.Load()))
                return name
            case c_ast.StructRef():
                return self._at(ast.Attribute(self._expression(node.name), node.field.name, ast.Load()))
            case c_ast.ArrayRef():
                base, place = self._expression(node.name), self._expression(node.subscript)
                return self._at(ast.Subscript(base, place, ast.Load()))
            case c_ast.FuncCall(name=c_ast.ID(name="INT32_C")):
                return self._expression(node.args.exprs[0])
            case c_ast.FuncCall():
                arguments = [self._expression(one) for one in (node.args.exprs if node.args else [])]
                return self._at(ast.Call(ast.Name(node.name.name, ast.Load()), arguments, []))
            case c_ast.TernaryOp():
                return self._at(
                    ast.IfExp(*(self._expression(one) for one in (node.cond, node.iftrue, node.iffalse)))
                )
            case c_ast.Cast():
                value = self._expression(node.expr)
                kind = _type_name(node.to_type.type)
                return value if kind == "void" else self._call(f"_{kind}", value)
            case c_ast.UnaryOp():
                return self._unary(node)
            case c_ast.BinaryOp():
                return self._binary(node)
        raise NotImplementedError(f"{self.path}:{self._line}: {type(node).__name__}")

    def _unary(self, node: c_ast.UnaryOp) -> Any:
        if node.op == "&":
            if isinstance(node.expr, c_ast.ID):
                return self._at(ast.Name(node.expr.name, ast.Load()))  # a box
            return self._expression(node.expr)
        value = self._expression(node.expr)
        if node.op == "*":
            return self._at(ast.Subscript(value, ast.Constant(0), ast.Load()))
        if node.op == "!":
            return self._at(ast.UnaryOp(ast.Not(), value))
        made = ast.UnaryOp({"-": ast.USub, "~": ast.Invert}[node.op](), value)
        return self._at(made) if isinstance(value, ast.Constant) else self._marked(made, node)

    def _binary(self, node: c_ast.BinaryOp) -> Any:
        if node.op in ("&&", "||"):
            both = [self._expression(node.left), self._expression(node.right)]
            return self._at(ast.BoolOp(ast.And() if node.op == "&&" else ast.Or(), both))
        left, right = self._expression(node.left), self._expression(node.right)
        compared = {
            "==": ast.Eq,
            "!=": ast.NotEq,
            "<": ast.Lt,
            "<=": ast.LtE,
            ">": ast.Gt,
            ">=": ast.GtE,
        }
        if node.op in compared:
            return self._at(ast.Compare(left, [compared[node.op]()], [right]))
        operators = {
            "+": ast.Add,
            "-": ast.Sub,
            "*": ast.Mult,
            "/": ast.FloorDiv,
            "%": ast.Mod,
            "<<": ast.LShift,
            ">>": ast.RShift,
            "&": ast.BitAnd,
            "|": ast.BitOr,
        }
        if node.op in ("/", "%"):
            left, right = self._call("_whole", left), self._call("_above", right)
        elif node.op in ("<<", ">>"):
            left = self._call("_whole", left)
        made = ast.BinOp(left, operators[node.op](), right)
        if isinstance(left, ast.Constant) and isinstance(right, ast.Constant):
            return self._at(made)
        return self._marked(made, node)

    def _call(self, name: str, value: Any) -> Any:
        return self._at(ast.Call(ast.Name(name, ast.Load()), [value], []))

    def _at(self, made: Any) -> Any:
        if not hasattr(made, "lineno"):
            made.lineno = made.end_lineno = self._line
            made.col_offset, made.end_col_offset = 0, 1
        return made

    def _marked(self, made: Any, node: Any) -> Any:
        """An operation: its place gets a number of its own in place of the column."""
        place = next(self._places)
        self._at(made)
        made.lineno = made.end_lineno = self._line
        made.col_offset, made.end_col_offset = place, place + 1
        if self._counted:
            self.operations[self._line, place] = c_generator.CGenerator().visit(node)
        return made


def _keeps_greater(node: c_ast.If) -> tuple[Any, Any] | None:
    """`if (x > y) { y = x; }`: y and x, to be said as a maximum, which needs no two ways."""
    match node:
        case c_ast.If(
            cond=c_ast.BinaryOp(op=">", left=c_ast.ID() as one, right=c_ast.ID() as other),
            iftrue=c_ast.Compound(
                block_items=[c_ast.Assignment(op="=", lvalue=c_ast.ID() as to, rvalue=c_ast.ID() as value)]
            ),
            iffalse=None,
        ) if to.name == other.name and value.name == one.name:
            return other, one
    return None


def _left_out(function: str) -> bool:
    return function in LEFT_OUT or function.endswith("_digest")


def _every(node: Any, kind: type) -> Iterator[Any]:
    if isinstance(node, kind):
        yield node
    for _, child in node.children():
        yield from _every(child, kind)


def _enums(node: Any) -> Iterator[c_ast.Enum]:
    for enum in _every(node, c_ast.Enum):
        if enum.values is not None:
            yield enum


def _type_name(node: Any) -> str:
    if isinstance(node, c_ast.TypeDecl) and isinstance(node.type, c_ast.IdentifierType):
        return " ".join(node.type.names)
    return ""


# -- what the translated code calls ----------------------------------------------------------------------


def _width(name: str) -> Any:
    least, greatest = WIDTHS[name]

    def fits(value: Any) -> Int:
        """A conversion to a type that holds the value."""
        if isinstance(value, Bool | bool):
            value = 1 if value else 0
        number = _int(value)
        session().prove(every(number >= least, number <= greatest), f"fits {name}")
        return number

    return fits


def _uint32(value: Any) -> Int:
    number = _int(value)
    if number.least >= 0:
        return number
    wrapped, turns = session().fresh(0, (1 << 32) - 1), session().fresh(-1, 0)
    session().assume(Bool(wrapped.term == number.term - turns.term * (1 << 32)))
    return wrapped


def _whole(value: Any) -> Int:
    number = _int(value)
    session().prove(number >= 0, "not below 0 where C leaves open what is meant")
    return number if number.least >= 0 else Int(number.terms, 0, number.greatest)


def _above(value: Any) -> Int:
    number = _int(value)
    session().prove(number > 0, "a divisor above 0")
    return number


RUNTIME: dict[str, Any] = {f"_{name}": _width(name) for name in WIDTHS}
RUNTIME |= {"_uint32_t": _uint32, "_whole": _whole, "_above": _above, "_bool": lambda value: value}
RUNTIME |= {"_greater": greatest_of, "_struct": SimpleNamespace}


def _act(c: Any, reduction: Any, retard: Any, reason: Any) -> None:
    c._acting = SimpleNamespace(reduction=reduction, retard=retard, reason=reason)


def _acting(c: Any, out: Any) -> None:
    out.__dict__.update(c._acting.__dict__)


class Part:
    """A struct of the core."""

    def __init__(self, kind: str, core: Core) -> None:
        self._kind, self._core = kind, core

    def has(self, name: str) -> bool:
        struct = "lift_controller_t" if self._kind == "controller" else f"lift_{self._kind}_t"
        return name in self._core.structs[struct]

    def call(self, method: str, *arguments: Any) -> Any:
        name = self._core.function_of(self._kind, method)
        return self._core.namespaces[FILE_OF.get(self._kind, self._kind)][name](self, *arguments)


class Core:
    """firmware_model/core run by Python through its translation; `changes` put a fault into a copy of it."""

    name = "C core"
    watch = "/core/"
    is_core = True

    def __init__(self, *changes: tuple[str, str, str]) -> None:
        self.translations = {}
        for name in FILES:
            text = None
            for module, before, after in changes:
                if module == name:
                    text = text or (CORE / f"{name}.c").read_text(encoding="utf-8")
                    if text.count(before) != 1:
                        raise ValueError(f"{before!r} stands {text.count(before)} times in {name}.c")
                    text = text.replace(before, after)
            self.translations[name] = Translation(name, text)
        self.structs = self.translations["step"].structs
        self.namespaces: dict[str, dict[str, Any]] = {}
        self.modules: dict[str, ModuleType] = {}
        for name, one in self.translations.items():
            self.modules[name] = ModuleType(f"core_{name}")
            space = self.modules[name].__dict__
            space.update(RUNTIME)
            exec(one.code, space)
            self.namespaces[name] = space
        shared = {
            key: value
            for space in self.namespaces.values()
            for key, value in space.items()
            if key.startswith("lift_")
        }
        shared |= {"lift_command_act": _act, "lift_command_acting": _acting}
        for space in self.namespaces.values():
            space.update(shared)

    def part(self, kind: str) -> Part:
        return Part(kind, self)

    def function_of(self, kind: str, method: str) -> str:
        if kind == "controller" and method == "step":
            return "lift_step"
        for name in (method, "_" + method):
            if name in METHODS.get(kind, {}):
                return METHODS[kind][name]
        return f"lift_{kind}_{method}"

    def function(self, module: str, name: str) -> Any:
        if name == "_in_order":
            return self.namespaces["image"]["in_order"]
        return self.namespaces[module][f"lift_{name}"]

    # What differs between the reference and the core, so that one text proves both.

    def flag(self, name: str) -> Any:
        return session().integer(name, 0, 1) == 1

    def input_flag(self, name: str) -> Any:
        return self.flag(name)

    def flag_value(self, value: Int) -> Any:
        return value == 1

    def is_set(self, flag: Any) -> Any:
        return flag

    def truth(self, value: Any) -> Any:
        return value == 1

    def integer(self, value: Any) -> Any:
        if isinstance(value, Bool | bool):
            return 1 if value else 0
        return value

    def reset(self, part: Any, calibration: Any) -> None:
        with self.standing_in():
            part.call("reset", calibration)

    def reset_whole(self, part: Any) -> None:
        self.namespaces["step"]["lift_reset"](part)

    def interpolate(self, signed: bool) -> Any:
        return self.namespaces["fixed"]["lift_interpolate_signed" if signed else "lift_interpolate"]

    def segment(self, signed: bool) -> Any:
        return self.namespaces["maps"]["segment_signed" if signed else "segment"]

    def bilinear(
        self, table: Any, cell: Any, down: Any, right: Any, part: Any, span: Any, across: Any, width: Any
    ) -> Any:
        m = SimpleNamespace(right=right, across=across, width=width)
        return self.namespaces["maps"]["bilinear"](m, table, cell, down, part, span)

    def bilinear_as(self, stand_in: Any) -> Any:
        return lambda m, table, cell, down, part, span: stand_in(
            table, cell, down, m.right, part, span, m.across, m.width
        )

    def axis_checks(self) -> list[tuple[Any, bool]]:
        image = self.namespaces["image"]
        return [(image["rises"], True), (image["rises_signed"], True), (image["falls_signed"], False)]

    def loaded(self, part: Any) -> None:
        """A controller with a calibration is one."""

    @contextmanager
    def parts_standing_in(self, calls: Any) -> Iterator[None]:
        changes = [
            (self.modules["step"], self.function_of(kind, method), call)
            for kind, methods in calls.items()
            for method, call in methods.items()
        ]
        with replaced(*changes):
            yield

    def inputs_standing_in(self) -> dict[str, Any]:
        """The cut of an input with its fault bit (proved in bounds.core_legal)."""

        def legal(value: Any, greatest: Any, faults: list[Any]) -> Any:
            faults[0] = session().fresh(0, 2047)
            return greatest_of(0, least_of(greatest, value))

        return {"legal": legal}

    def step(self, part: Any, inputs: dict[str, Any]) -> None:
        part.call("step", SimpleNamespace(**inputs))

    @contextmanager
    def standing_in(self, **calls: Any) -> Iterator[None]:
        """As in the reference: a function's name, or kind__method."""
        spaces = self.modules
        named = {"lift_min": least_of, "lift_max": greatest_of, "lift_abs": lambda value: abs(_int(value))}
        changes = [(space, name, call) for space in spaces.values() for name, call in named.items()]
        for name, call in calls.items():
            if "__" in name and not name.startswith("_"):
                kind, method = name.split("__", 1)
                function = self.function_of(kind, method)
                owners = [space for space in spaces.values() if function in space.__dict__]
                changes += [(space, function, call) for space in owners]
                continue
            functions = STANDS_FOR[name] if name in STANDS_FOR else STANDS_FOR["_" + name]
            found = [
                (space, function, call)
                for space in spaces.values()
                for function in functions
                if function in space.__dict__
            ]
            if not found:
                raise AttributeError(name)
            changes += found
        with replaced(*changes):
            yield

    # places

    def operations(self) -> int:
        return len(self._operations())

    def _operations(self) -> dict[tuple[str, int, int], str]:
        """File, line and number of each operation, and its text."""
        return {
            (name, *place): text
            for name, one in self.translations.items()
            for place, text in one.operations.items()
        }

    def where(self, place: tuple[CodeType, int]) -> str:
        code, at = place
        line, _, number, _ = list(code.co_positions())[at // 2]
        name = Path(code.co_filename).stem
        text = self.translations[name].operations.get((line or 0, number or 0), "")
        return f"{name}.c:{line} {code.co_name}: {text}"

    def left_out(self, places: Any) -> list[str]:
        """The operations for which no bound was noted."""
        seen = set()
        for code, at in places:
            line, _, number, _ = list(code.co_positions())[at // 2]
            seen.add((Path(code.co_filename).stem, line, number))
        return [f"{key[0]}.c:{key[1]}: {text}" for key, text in self._operations().items() if key not in seen]


__all__ = ["Core", "Part", "Translation", "constant"]
