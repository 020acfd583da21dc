"""Rooms: imports run one way, between the rooms and within them, and never in a circle."""

from __future__ import annotations

import ast
from collections.abc import Mapping, Set
from pathlib import Path

from tests import ROOT

# From the ground up: a room imports only rooms that stand before it. What bench.cli, bench.replay.ids,
# bench.options.completes and bench.result load by name when it is asked for (commands, replay ids, words for
# a shell, layouts beside a trace) is not an import.
ORDER = (
    *("controller", "firmware_model"),
    *("bench.errors", "bench.system", "bench.random", "bench.cautions", "bench.completion", "bench.console"),
    *("bench.facts", "bench.files", "bench.toml", "bench.units", "bench.options", "bench.folder"),
    "bench.result",
    *("bench.trace", "bench.calibration", "bench.page", "bench.document", "bench.replay", "bench.sweep"),
    *(
        "bench.twin",
        "bench.link",
        "bench.conformance",
        "bench.vectors",
        "bench.blackbox",
        "bench.device",
        "bench.pytest_device",
    ),
    *(
        "bench.vehicle",
        "bench.compare",
        "bench.start",
        "bench.sensor",
        "bench.verify",
        "bench.fit",
        "bench.search",
    ),
    *("bench.demo", "bench.desk", "bench.stand", "bench.book", "bench.next"),
    *("bench.cli", "bench.build_backend", "bench.benchmarks", "bench.readme"),
)
ALONE = ("controller", "firmware_model")  # they import nothing but themselves


def modules(root: Path) -> dict[str, Path]:
    """The modules of the three packages by their names."""
    found = {}
    for top in ("controller", "firmware_model", "bench"):
        for path in sorted((root / top).glob("**/*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports(module: str, path: Path, known: Set[str]) -> set[str]:
    """The modules among `known` that one imports anywhere in its text, for types only as well."""
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join((*above, base)).rstrip(".")
            whole = [f"{base}.{alias.name}" for alias in node.names]
            found |= {name if name in known else base for name in whole}
    return (found & known) - {module}


def room(module: str) -> str:
    """The room that a module belongs to: a package, or a part of bench."""
    return ".".join(module.split(".")[: 2 if module.startswith("bench.") else 1])


def wrong_ways(graph: Mapping[str, set[str]]) -> list[str]:
    """Imports of a room that does not stand before the importing one."""
    place = {name: i for i, name in enumerate(ORDER)}
    wrong = []
    for module, imported in sorted(graph.items()):
        for other in sorted(imported):
            here, there = room(module), room(other)
            if there not in (here, "bench") and (here in ALONE or place[there] > place[here]):
                wrong.append(f"{module} imports {other}")
    return wrong


def circles(graph: Mapping[str, set[str]]) -> set[frozenset[str]]:
    """The sets of modules that all reach one another."""
    reached: dict[str, set[str]] = {}
    for start in graph:
        seen: set[str] = set()
        left = [*graph[start]]
        while left:
            if (module := left.pop()) not in seen:
                seen.add(module)
                left += graph[module]
        reached[start] = seen
    return {
        frozenset(other for other in reached[module] if module in reached[other])
        for module in graph
        if module in reached[module]
    }


def graph_of(root: Path) -> dict[str, set[str]]:
    """Each module and what it imports of the three packages."""
    known = modules(root)
    return {name: imports(name, path, known.keys()) for name, path in known.items()}


GRAPH = graph_of(ROOT)


def test_the_order_names_every_room_once() -> None:
    assert sorted(ORDER) == sorted({room(module) for module in GRAPH} - {"bench"})


def test_imports_run_one_way() -> None:
    assert wrong_ways(GRAPH) == []


def test_there_are_no_circles() -> None:
    assert circles(GRAPH) == set()


def test_wrong_ways_and_circles_are_found(tmp_path: Path) -> None:
    for name, text in {
        "controller/step.py": "from .fixed import clamp\n",
        "controller/fixed.py": "from firmware_model import binding\n",
        "firmware_model/binding.py": "",
        "bench/__init__.py": "",
        "bench/trace/read.py": "def f():\n    from bench.replay import run\n",
        "bench/trace/one.py": "from bench.trace import two\n",
        "bench/trace/two.py": "if TYPE_CHECKING:\n    from bench.trace.one import One\n",
        "bench/replay/run.py": "import bench.trace.read\nfrom bench.errors import UserError\n",
        "bench/errors.py": "",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    graph = graph_of(tmp_path)
    assert graph["controller.step"] == {"controller.fixed"}
    assert wrong_ways(graph) == [
        "bench.trace.read imports bench.replay.run",
        "controller.fixed imports firmware_model.binding",
    ]
    assert circles(graph) == {
        frozenset({"bench.replay.run", "bench.trace.read"}),
        frozenset({"bench.trace.one", "bench.trace.two"}),
    }
