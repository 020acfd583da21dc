"""What a person waits for, today against an earlier commit: `python -m bench.benchmarks.bench_since`.

Installs that commit and the present one into folders of their own, and lets both do the same work in turn,
so that every figure is a ratio of one run on one machine. `wanted` is what we would like; exit code 1 where
today is above `at most`, what it once was with some room. `--long` adds what takes minutes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import click

from bench.console import make_console, make_table, print_table

_ROOT = Path(__file__).parents[2]
SINCE = "7eb35ec"
_TURNS = 3

_COMPILE = """
from pathlib import Path
from time import process_time
from bench.calibration import compile_text
text, spent = Path("traces/demo.toml").read_text(), []
for number in range(30):
    other = text.replace("greatest_reduction_percent = ", f"greatest_reduction_percent = {number + 10}  # ")
    full = f"reduction_full_mm = [4{number + 10}, 410, 409, 408]  # ["
    other = other.replace("reduction_full_mm = [", full)
    began = process_time()
    compile_text(other, "demo.toml")
    spent.append(process_time() - began)
print(json.dumps([sorted(spent)[15]]))
"""
_DRIVE = """
from dataclasses import replace
from pathlib import Path
from time import process_time
from bench.calibration import load
from bench.vehicle import car, compiled
from bench.vehicle.road import profile
from bench.vehicle.track import Track
try:
    from bench.vehicle.vehicle_file import load as load_vehicle
except ImportError:
    from bench.vehicle.car import load as load_vehicle
vehicle, plain = load_vehicle(Path("traces/demo_car.toml")), load(Path("traces/demo.toml"))
track = Track(noise=0.001, road=profile("A", 600.0, 1), distance=201.168)
cases = [compiled.Case(car.scattered(vehicle, i), plain, replace(track, seed=i)) for i in range(288)]
began = process_time()
compiled.batch(cases)
print(json.dumps([process_time() - began]))
"""
_COMMAND = """
import resource, subprocess, tempfile
from pathlib import Path
with tempfile.TemporaryDirectory() as folder:
    words = [word.replace("FOLDER", folder) for word in WORDS]
    if "HOUR" in words:
        hour = Path(folder) / "hour.csv"
        with hour.open("w") as out:
            out.write("Time [s],Height [mm],Speed [km/h],Armed,Launch\\n")
            for i in range(3_600_000):
                t = i % 20_000
                lift = max(0, 150 - abs(t - 1500) / 5) if t > 1000 else 0
                speed = min(250, max(0, t - 1000) / 20)
                out.write(f"{i / 1000},{130 + lift + i % 3 / 4:.2f},{speed:.1f},1,{int(t > 1000)}\\n")
        words[words.index("HOUR")] = str(hour)
    program = "import sys; from bench.cli import main; sys.argv[0] = 'liftlatch'; main()"
    done = subprocess.run([sys.executable, "-P", "-c", program, *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    page = Path(folder) / "out" / "report.html"
    print(json.dumps([used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, page.stat().st_size / 1e6]))
"""


@dataclass(frozen=True)
class Task:
    """Work that both do, and its figures: (name, unit, what we would like, what it is at most; ratios)."""

    script: str
    figures: tuple[tuple[str, str, float, float], ...]
    long: bool = False


def _run(*words: str) -> str:
    return f"WORDS = {json.dumps(words)}\n{_COMMAND}"


_REPLAY = ("replay", "--calibration", "traces/demo.toml", "--out", "FOLDER/out")
TASKS = (
    Task(_COMPILE, (("compile a calibration, processor", "s", 0.25, 0.5),)),
    Task(_DRIVE, (("drive 288 cars to 660 ft, processor", "s", 0.35, 0.5),)),
    Task(
        _run(*_REPLAY, "traces/clean_launch.csv"),
        (
            ("replay --out of a run of 7 s, processor", "s", 0.46, 0.75),
            ("memory", "MB", 1, 1.1),
            ("its page", "MB", 0.2, 0.2),
        ),
    ),
    Task(
        _run(*_REPLAY, "HOUR"),
        (
            ("replay --out of an hour, 180 launches, processor", "s", 0.34, 1.1),
            ("memory", "MB", 0.47, 1.1),
            ("its page", "MB", 1, 1.1),
        ),
        long=True,
    ),
)


def _build(source: Path, into: Path) -> None:
    """Install a checkout with what it needs, which was not the same before."""
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-build-isolation"]
    subprocess.run([*pip, "--target", str(into), str(source)], check=True)


def install(commit: str, folder: Path, name: str) -> tuple[Path, Path]:
    """Install a commit below a folder; gives its checkout and what to import from. Raises ClickException."""
    checkout, site = folder / name, folder / f"{name}-site"
    checkout.mkdir()
    # A copy, so that nothing is built into a checkout that somebody works in.
    archive = subprocess.run(["git", "archive", commit], cwd=_ROOT, capture_output=True, check=False)
    if archive.returncode:
        raise click.ClickException(f"no commit {commit} here: {archive.stderr.decode().strip()}")
    subprocess.run(["tar", "-x", "-C", str(checkout)], input=archive.stdout, check=True)
    _build(checkout, site)
    return checkout, site


def _figures(task: Task, checkout: Path, site: Path) -> list[float]:
    environment = {**os.environ, "PYTHONPATH": str(site)}
    words = [sys.executable, "-P", "-c", f"import json, sys\n{task.script}"]
    done = subprocess.run(words, cwd=checkout, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise click.ClickException(done.stderr[-2000:])
    figures: list[float] = json.loads(done.stdout)
    return figures


@click.command()
@click.option("--since", default=SINCE, show_default=True, metavar="COMMIT", help="The earlier commit.")
@click.option("--long", "all_of_them", is_flag=True, help="Work of minutes as well.")
def main(since: str, all_of_them: bool) -> None:
    """Compare what a person waits for with an earlier commit."""
    tasks = [task for task in TASKS if all_of_them or not task.long]
    table = make_table(
        ("", False), (since, True), ("today", True), ("ratio", True), ("wanted", True), ("at most", True)
    )
    wrong = False
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        places = {name: install(commit, folder, name) for name, commit in (("old", since), ("new", "HEAD"))}
        for task in tasks:
            found: dict[str, list[list[float]]] = {"old": [], "new": []}
            for _ in range(1 if task.long else _TURNS):
                for name, figures in found.items():
                    figures.append(_figures(task, *places[name]))
            least = {
                name: [min(column) for column in zip(*rows, strict=True)] for name, rows in found.items()
            }
            for (title, unit, wanted, most), old, new in zip(
                task.figures, least["old"], least["new"], strict=True
            ):
                ratio = new / old
                wrong = wrong or ratio > most
                table.add_row(
                    title,
                    f"{old:.4g} {unit}",
                    f"{new:.4g} {unit}",
                    f"{ratio:.2f}",
                    f"{wanted:.2f}",
                    f"{most:.2f}",
                )
    print_table(make_console(), "What a person waits for", table)
    sys.exit(wrong)


if __name__ == "__main__":
    main()
