"""How the C core is written and compiled: language, warnings, libraries, layout, files."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from bench.calibration.image import pack
from controller import Calibration, constants
from controller.image import FIELDS, HEADER_BYTES, LENGTH
from firmware_model import binding
from firmware_model.core_sources import CORE, HERE, core_files
from tests import ROOT
from tests.core_support import STRICT, run_core, runner
from tests.support import values
from tests.tools import need, need_core, run

HEADERS = sorted(CORE.glob("*.h"))

# What a freestanding compiler may call by itself, and nothing else.
COMPILER_CALLS = {"memset", "memcpy", "memmove", "memcmp", "_GLOBAL_OFFSET_TABLE_"}

BANNED = {
    "heap": r"\b(malloc|calloc|realloc|free|alloca)\b",
    "floating point": r"\b(float|double)\b|\d\.|\.\d|\b\d+[eE][-+\d]|math\.h",
    "jump": r"\b(goto|setjmp|longjmp)\b",
    "library": r"\b\w*printf\b|\bstd(io|lib)\b|\bstring\.h\b|\bassert\b|\b(mem|str)[a-z]+\(",
    "type without a width": r"(?<!sizeof\()(?<!typedef )\b(int|short|long|unsigned|signed|char)\b",
    "line longer than 110": r"^.{111,}$",
    "tab": r"\t",
}


def without_comments(text: str) -> str:
    return re.sub(r"/\*.*?\*/", lambda found: "\n" * found[0].count("\n"), text, flags=re.DOTALL)


def complaints(text: str) -> list[str]:
    """What the text of a C file uses that it must not."""
    found = [
        f"{number}: {what}"
        for number, line in enumerate(text.splitlines(), 1)
        for what in ("line longer than 110", "tab")
        if re.search(BANNED[what], line)
    ]
    for number, line in enumerate(without_comments(text).splitlines(), 1):
        found += [f"{number}: {what}" for what, pattern in BANNED.items() if re.search(pattern, line)]
        if line.startswith("#include <") and line[10:-1] not in ("stdbool.h", "stddef.h", "stdint.h"):
            found.append(f"{number}: library")
        if re.match(
            r"(static )?(?!const\b|static\b|typedef\b|enum\b|extern\b|#)\w[\w ]* \**\w+(\[.*\])?( =.*)?;",
            line,
        ):
            found.append(f"{number}: variable of its own")
    return found


@pytest.mark.parametrize("path", [*core_files(), *HEADERS], ids=lambda path: path.name)
def test_the_core_keeps_to_its_language(path: Path) -> None:
    assert complaints(path.read_text()) == []


@pytest.mark.parametrize(
    "line",
    [
        "    int count = 0;",
        "    p = malloc(3);",
        "    double x = value;",
        "    goto out;",
        "#include <stdio.h>",
        "static int32_t counter;",
        "int32_t table[3] = {1, 2, 3};",
        "    x = y * 1.5;",
        "    x = y * 1.;",
        "    x = y * 1e3;",
        "    unsigned n;",
        "    printf(text);",
        "    memset(all, 0, 4);",
        "    x = strlen(text);",
        "\tx = 1;",
        "    /* " + "x" * 110 + " */",
    ],
)
def test_what_is_banned_is_found(line: str) -> None:
    assert complaints(line) != []


def test_the_core_has_the_files_of_the_reference() -> None:
    stages = {path.stem for path in (ROOT / "controller").glob("*.py")} - {"__init__"}
    sources = {path.stem for path in core_files()} | {"constants"}
    headers = {path.stem for path in HEADERS} - {"liftlatch", "image_fields"} | {"step"}
    assert sources == headers == stages


# Functions of the reference that have another name in C, or none.
OTHER_NAMES = {
    "__init__": None,  # C has no objects to make
    "_length": None,  # LIFT_IMAGE_BYTES
    "blank": None,  # lift_init needs no calibration to start from
    "_falls": "falls_signed",
    "_use": "use_sample",
    "_refuse": "refuse_sample",
    "_sample": "take_sample",
}


@pytest.mark.parametrize("stage", sorted((ROOT / "controller").glob("*.py")), ids=lambda path: path.stem)
def test_each_function_of_the_reference_has_its_twin(stage: Path) -> None:
    if stage.stem in ("__init__", "constants"):
        return
    text = (CORE / f"{stage.stem}.c").read_text()
    made = set(re.findall(r"^(?:static )?\w+ \*?(\w+)\(", text, flags=re.MULTILINE))
    missing = []
    for node in ast.walk(ast.parse(stage.read_text())):
        if isinstance(node, ast.FunctionDef):
            name = OTHER_NAMES.get(node.name, node.name.lstrip("_"))
            if name is not None and not any(re.fullmatch(rf"(lift_(\w+_)?)?{name}", one) for one in made):
                missing.append(node.name)
    assert missing == []


def test_the_constants_are_those_of_the_reference() -> None:
    need_core()
    names = [name for name in vars(constants) if name.isupper()]
    assert len(names) > 60
    core = binding.constants()
    assert {n: core[f"LIFT_{n}"] for n in names} == {n: getattr(constants, n) for n in names}
    assert core["LIFT_IMAGE_BYTES"] == LENGTH
    assert core["LIFT_HEADER_BYTES"] == HEADER_BYTES


@pytest.mark.parametrize(
    ("compiler", "level"),
    [
        pytest.param(compiler, level, marks=[] if quick else pytest.mark.slow)
        for compiler in ("gcc", "clang", "gcc -m32", "clang -m32")
        for level in ("-O0", "-Os", "-O2")
        for quick in [(compiler, level) in (("gcc", "-O2"), ("clang -m32", "-Os"))]
    ],
)
def test_it_compiles_without_a_warning(compiler: str, level: str, tmp_path: Path) -> None:
    command = need(compiler)
    for i, source in enumerate([*core_files(), HERE / "core_all.c"]):
        run(*command, *STRICT, level, "-ffreestanding", "-c", source, "-o", tmp_path / f"{i}.o")


@pytest.mark.parametrize("header", HEADERS, ids=lambda path: path.name)
def test_each_header_stands_alone(header: Path, tmp_path: Path) -> None:
    alone = tmp_path / "alone.c"
    alone.write_text(f'#include "{header.name}"\n#include "{header.name}"\ntypedef char none;\n')
    run(*need("gcc"), *STRICT, f"-I{CORE}", "-c", alone, "-o", tmp_path / "alone.o")


@pytest.mark.slow
def test_it_needs_no_library_and_has_no_variables(tmp_path: Path) -> None:
    wanted, made = set(), set()
    for source in core_files():
        run(*need("gcc"), *STRICT, "-Os", "-ffreestanding", "-c", source, "-o", tmp_path / "one.o")
        for line in run("nm", "-P", tmp_path / "one.o").stdout.splitlines():
            name, kind, *_ = line.split()
            if kind == "U":
                wanted.add(name)
            elif kind == "T":
                made.add(name)
            else:
                assert kind in "tr", f"{source.name}: {name} is of kind {kind}: not code and not a constant"
    assert all(name.startswith("lift_") for name in made)
    assert wanted - made <= COMPILER_CALLS


def test_the_list_of_fields_is_that_of_the_reference() -> None:
    text = without_comments((CORE / "image_fields.h").read_text())
    text = re.sub(r"INT32_C\((\w+)\)", r"\1", text).replace("(int32_t)", "")
    numbers = {f"LIFT_{name}": value for name, value in vars(constants).items() if name.isupper()}
    codes = {"uint32_t": "I", "uint16_t": "H", "int16_t": "h"}
    found = []
    for row, inside in re.findall(r"^LIFT_(FIELD|ROW)\((.*)\)$", text, flags=re.MULTILINE):
        kind, name, *count, least, greatest = inside.split(", ")
        numbered = [eval(one, {"__builtins__": {}}, numbers) for one in (*count, least, greatest)]
        assert len(count) == (row == "ROW")
        found.append((name, codes[kind], *(numbered if count else [1, *numbered])))
    assert found == list(FIELDS)
    assert set(Calibration.__annotations__) == {name for name, *_ in FIELDS}


def test_the_image_is_laid_out_as_the_reference_says(tmp_path: Path) -> None:
    at = HEADER_BYTES
    lines = ['#include "liftlatch.h"']
    for i, (name, code, count, _, _) in enumerate(FIELDS):
        size = (4 if code == "I" else 2) * count
        sign = "-1" if code == "h" else "1"
        element = f"((lift_image_t *)0)->{name}{'[0]' if count > 1 else ''}"
        lines += [
            f"typedef char place{i}[offsetof(lift_image_t, {name}) == {at} ? 1 : -1];",
            f"typedef char size{i}[sizeof(((lift_image_t *)0)->{name}) == {size} ? 1 : -1];",
            f"typedef char sign{i}[((__typeof__({element}))-1 < 0 ? -1 : 1) == {sign} ? 1 : -1];",
        ]
        at += size
    assert at == LENGTH
    source = tmp_path / "layout.c"
    source.write_text("\n".join(lines) + "\n")
    for compiler in ("gcc", "gcc -m32"):
        run(*need(compiler), f"-I{CORE}", "-c", source, "-o", tmp_path / "layout.o")


@pytest.mark.parametrize("compiler", ["gcc", "gcc -m32"])
def test_the_state_is_below_1_kib(compiler: str, tmp_path: Path) -> None:
    source = tmp_path / "state.c"
    source.write_text(
        '#include "liftlatch.h"\ntypedef char fits[sizeof(lift_controller_t) < 1024 ? 1 : -1];\n'
    )
    run(*need(compiler), f"-I{CORE}", "-c", source, "-o", tmp_path / "state.o")


# ---- an image where it cannot be read is refused

PLACE = """
#include <stdio.h>
#include "liftlatch.h"
static union { uint32_t place[512]; uint8_t bytes[2048]; } memory;
static lift_controller_t controller;
int main(void) {
    for (size_t shift = 0; shift < 5; shift++) {
        rewind(stdin);
        size_t length = fread(memory.bytes + shift, 1, 2000, stdin);
        lift_init(&controller);
        printf("%d ", (int)lift_load(&controller, memory.bytes + shift, length));
    }
    return 0;
}
"""


def test_an_image_at_an_odd_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "place.c").write_text(PLACE)
    (tmp_path / "image").write_bytes(pack(values()))
    run(*need("gcc"), f"-I{CORE}", *core_files(), tmp_path / "place.c", "-o", tmp_path / "place")
    shown = run("sh", "-c", f"'{tmp_path}/place' <'{tmp_path}/image'").stdout
    assert shown == "0 7 7 7 0 "


def test_a_machine_of_the_other_byte_order_refuses_every_image() -> None:
    # gcc can lay out structs as a big-endian machine would (its manual: -fsso-struct, C only).
    swapped = runner("gcc", "-O1", "-fsso-struct=big-endian", "-Wno-scalar-storage-order")
    assert run_core(swapped, pack(values()), [])[0] == "7"
    assert run_core(runner("gcc", "-O1"), pack(values()), [])[0] == "0"
