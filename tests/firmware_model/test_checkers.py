"""What cppcheck, clang-tidy and gcc's analyzer say of the C sources: what DEVIATIONS.md allows."""

from __future__ import annotations

import re
import shutil
from collections import Counter
from pathlib import Path

import pytest

from firmware_model.core_sources import HERE
from tests.tools import need, need_program, run

pytestmark = pytest.mark.slow

FOLDERS = ("core", "link", "store")
PAGE = (HERE / "DEVIATIONS.md").read_text(encoding="utf-8")
COMPLEXITY = 25

Found = Counter[tuple[str, str]]
"""(rule, folder) -> findings."""


def allowed(section: str) -> dict[tuple[str, str], int]:
    """(rule, folder) -> the most findings, from a table of the page."""
    part = PAGE[PAGE.index(f"## {section}") :].split("\n## ", 2)
    rows = re.findall(r"^\| ([\w.,\- ]+?) \| ((?:\w+ \d+(?:, )?)+) \|", part[0] or part[1], re.MULTILINE)
    return {
        (rule, folder): int(most)
        for rule, where in rows
        for folder, most in re.findall(r"(\w+) (\d+)", where)
    }


def sources(folder: Path = HERE) -> list[str]:
    return [str(path.relative_to(folder)) for name in FOLDERS for path in sorted((folder / name).glob("*.c"))]


def misra(folder: Path) -> Found:
    """What cppcheck says of the sources below a folder; its own findings under their names."""
    program = need_program("cppcheck", "cppcheck")
    options = ["--std=c99", "--enable=warning,style,performance,portability", "--quiet", "--addon=misra"]
    template = "--template={file} {id}"
    told = ["--suppress=missingIncludeSystem", template, f"-I{folder}"]
    files = [str(folder / name) for name in sources(folder)]
    lines = run(program, *options, *told, *files).stderr.splitlines()
    found = set_apart(line.split() for line in lines)
    return Counter({(rule.removeprefix("misra-c2012-"), place): n for (rule, place), n in found.items()})


def set_apart(pairs: object) -> Found:
    counted: Found = Counter()
    for path, rule in pairs:  # type: ignore[attr-defined]
        counted[rule, Path(path).parent.name] += 1
    return counted


def tidy(folder: Path) -> Found:
    program = need_program("clang-tidy", "clang-tidy")
    checks = "--checks=-*,bugprone-*,cert-*,readability-function-cognitive-complexity"
    limit = f"{{key: readability-function-cognitive-complexity.Threshold, value: {COMPLEXITY}}}"
    files = [str(folder / name) for name in sources(folder)]
    words = [
        checks,
        f"--config={{CheckOptions: [{limit}]}}",
        "--quiet",
        *files,
        "--",
        "-std=c99",
        f"-I{folder}",
    ]
    said = run(program, *words).stdout
    pairs = re.findall(r"^(\S+?):\d+:\d+: warning: .* \[([\w.,-]+)\]$", said, re.MULTILINE)
    return set_apart((path, rule.replace(",", ", ")) for path, rule in pairs)


def analyzer(folder: Path, to: Path) -> list[str]:
    """The warnings of gcc's analyzer."""
    said = []
    for name in sources(folder):
        words = [
            *need("gcc"),
            "-std=c99",
            "-O1",
            "-fanalyzer",
            "-c",
            str(folder / name),
            "-o",
            str(to / "one.o"),
        ]
        said += [line for line in run(*words).stderr.splitlines() if "warning:" in line]
    return said


def beyond(found: Found, most: dict[tuple[str, str], int]) -> list[str]:
    """What is found more often than allowed, and what is allowed and no longer found."""
    wrong = [
        f"{key}: {n} found, {most.get(key, 0)} allowed" for key, n in found.items() if n > most.get(key, 0)
    ]
    return wrong + [f"{key}: none found any more" for key in most if not found[key]]


def test_misra_is_departed_from_as_recorded_only() -> None:
    assert beyond(misra(HERE), allowed("MISRA C:2012")) == []


def test_clang_tidy_finds_what_is_recorded_only() -> None:
    assert beyond(tidy(HERE), allowed("clang-tidy")) == []


def test_the_analyzer_of_gcc_finds_nothing(tmp_path: Path) -> None:
    assert analyzer(HERE, tmp_path) == []


# -- and they find what is planted

TANGLED = "".join(f"{'    ' * i}if (value > {i}) {{\n" for i in range(1, 9)) + "return 1;\n" + "}\n" * 8
PLANTED = {
    "15.1": "static int32_t planted(int32_t value) {\n    goto end;\nend:\n    return value;\n}\n",
    "17.2": "int32_t planted(int32_t value);\nint32_t planted(int32_t value) { return planted(value); }\n",
    "uninitvar": (
        "int32_t planted(void);\nint32_t planted(void) {\n    int32_t value;\n    return value + 1;\n}\n"
    ),
    "bugprone-infinite-loop": (
        "int32_t planted(int32_t n);\nint32_t planted(int32_t n) {\n    int32_t i = 0;\n"
        "    while (i < n) {\n    }\n    return i;\n}\n"
    ),
    "readability-function-cognitive-complexity": (
        f"int32_t planted(int32_t value);\nint32_t planted(int32_t value) {{\n{TANGLED}    return 0;\n}}\n"
    ),
    "analyzer": (
        "int32_t planted(int32_t *at, int32_t n);\nint32_t planted(int32_t *at, int32_t n) {\n"
        "    int32_t *from = n > 3 ? NULL : at;\n    return *from;\n}\n"
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_mistake_is_found(name: str, tmp_path: Path) -> None:
    for folder in FOLDERS:
        (tmp_path / folder).mkdir()
    for header in (HERE / "core").glob("*.h"):
        shutil.copy(header, tmp_path / "core")
    (tmp_path / "core" / "latch.c").write_text('#include "latch.h"\n\n' + PLANTED[name])
    if name == "analyzer":
        assert analyzer(tmp_path, tmp_path)
    elif "-" in name:
        assert tidy(tmp_path)[name, "core"]
    else:
        assert misra(tmp_path)[name, "core"]
