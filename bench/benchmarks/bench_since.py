"""What a person waits for, today against an earlier commit: `python -m bench.benchmarks.bench_since`.

Installs that commit and the present one into folders of their own, and lets both do the same work in turn,
so that every figure is a ratio of one run on one machine. Rows with "against" hold today against today: what
stands there takes the earlier commit's place. `wanted` is what we would like; exit code 1 where today is
above `at most`, what it once was with some room. `--long` adds what takes minutes. What a change at the desk
costs the browser is `bench_desk`'s.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from bench.console import make_console, make_table, print_table

_ROOT = Path(__file__).parents[2]
SINCE = "7eb35ec"
Place = tuple[Path, Path]  # a checkout, and what to import from
_TURNS = 3

# One thread's time where one does the work: that of the process has numpy's idle threads in it.
_COMPILE = """
from pathlib import Path
from time import thread_time
from bench.calibration import compile_text
text, spent = Path("traces/demo.toml").read_text(), []
for number in range(30):
    other = text.replace("greatest_reduction_percent = ", f"greatest_reduction_percent = {number + 10}  # ")
    full = f"reduction_full_mm = [4{number + 10}, 410, 409, 408]  # ["
    other = other.replace("reduction_full_mm = [", full)
    began = thread_time()
    compile_text(other, "demo.toml")
    spent.append(thread_time() - began)
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
_DESK = """
import os, tempfile
from pathlib import Path
from time import thread_time
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp()
from bench.calibration import compile_text
from bench.desk.result import View, work_out
from bench.desk.session import Session
from bench.replay.inputs import Options
from bench.trace.read import read_trace
try:
    from bench.desk.source import Source
except ImportError:
    from bench.desk.result import Source
session = Session(Path("traces/demo.toml"), copy=True)
source = Source(read_trace(Path("traces/clean_launch.csv")), Options(), None)
spent = []
for number in range(30):
    first, *others = session.values["reduction_full"]
    values = {**session.values, "reduction_full": [first + 0.25, *others]}
    began = thread_time()
    session.set(values)
    cal = compile_text(session.settings.text_to_try(session.values), session.name)
    json.dumps(work_out(source, cal, View()))
    spent.append(thread_time() - began)
print(json.dumps([sorted(spent)[15]]))
"""
_LIMITS = """
from time import thread_time
import bench.search.study
from bench.search.limits import read_limits
began = thread_time()
read_limits(("lift_mm=300", "landing_m_per_s=1.0", "bar_kn=10"))
print(json.dumps([thread_time() - began]))
"""
_COMMAND = """
import resource, subprocess, tempfile
from pathlib import Path

def write_log(file, seconds, step_ms):
    with file.open("w") as out:
        out.write("Time [s],Height [mm],Speed [km/h],Armed,Launch\\n")
        for i in range(0, 1000 * seconds, step_ms):
            t = i % 22_500  # ms, a launch each
            lift = max(0, 150 - abs(t - 1500) / 5) if t > 1000 else 0
            speed, armed = min(250, max(0, t - 1000) / 20), int(t < 12_000)
            launch = int(1000 < t < 12_000)
            out.write(f"{i / 1000},{130 + lift + i % 3 / 4:.2f},{speed:.1f},{armed},{launch}\\n")

def command(words):
    with tempfile.TemporaryDirectory() as folder:
        words = [word.replace("FOLDER", folder) for word in words]
        for log, seconds, step_ms in (("HOUR", 3600, 1), ("DAY", 86_400, 100)):
            if log in words:
                file = Path(folder) / "log.csv"
                write_log(file, seconds, step_ms)
                words[words.index(log)] = str(file)
        program = "import sys; from bench.cli import main; sys.argv[0] = 'liftlatch'; main()"
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run([sys.executable, "-P", "-c", program, *words], capture_output=True, text=True)
        # 1: a search that found nothing within limits
        assert done.returncode == 0 or (words[0] == "search" and done.returncode == 1), done.stderr
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
        page = Path(folder) / "out" / "report.html"
        size = page.stat().st_size / 1e6 if page.exists() else 0.0
        return [spent, used.ru_maxrss * 1024 / 1e6, size]
"""
_SEARCH = (
    *("search", "--vehicle", "traces/demo_car.toml", "--calibration", "traces/demo.toml"),
    *("--limit", "lift_mm=300", "--out", "FOLDER/out"),
)
_QUICK = f"""{_COMMAND}
full, quick = (command([*{_SEARCH}, *more])[0] for more in ((), ("--quick",)))
print(json.dumps([[full], [quick]]))
"""
_CLUSTER = """
from bench.benchmarks.bench_cluster import measure
found = measure()
print(json.dumps([[found.here, found.compile], [found.there, found.client]]))
"""


@dataclass(frozen=True)
class Task:
    """Work that both do, and its figures: (name, unit, what we would like, what it is at most; ratios). With
    `own` today's does it alone and gives both columns."""

    script: str
    figures: tuple[tuple[str, str, float, float], ...]
    long: bool = False
    own: bool = False


def _run(*words: str) -> str:
    return f"{_COMMAND}\nprint(json.dumps(command({list(words)})))"


_REPLAY = ("replay", "--calibration", "traces/demo.toml")
_OUT = ("--out", "FOLDER/out")
TASKS = (
    Task(_COMPILE, (("compile a calibration", "s", 0.25, 0.5),)),
    Task(_DRIVE, (("drive 288 cars to 660 ft, processor", "s", 0.35, 0.5),)),
    Task(_DESK, (("a change at the desk, the program", "s", 0.27, 0.9),)),
    Task(_LIMITS, (("search: --limit read", "s", 0.05, 0.1),)),
    Task(
        _run(*_REPLAY, *_OUT, "traces/clean_launch.csv"),
        (
            ("replay --out of a run of 7 s, processor", "s", 0.46, 0.6),
            ("memory", "MB", 1, 1.1),
            ("its page", "MB", 0.2, 0.2),
        ),
    ),
    Task(
        _run(*_REPLAY, *_OUT, "HOUR"),
        (
            ("replay --out of an hour, 160 launches, processor", "s", 0.34, 0.7),
            ("memory", "MB", 0.47, 0.55),
            ("its page", "MB", 1, 1.1),
        ),
        long=True,
    ),
    Task(
        _run(*_REPLAY, "DAY"),
        (("replay of a day, ten rows a second, processor", "s", 0.34, 0.5), ("memory", "MB", 0.18, 0.2)),
        long=True,
    ),
    Task(_run(*_SEARCH), (("search, as each sets it, processor", "s", 0.39, 0.6),), long=True),
    Task(_QUICK, (("search --quick, processor, against without", "s", 0.2, 0.5),), long=True, own=True),
    Task(
        _CLUSTER,
        (
            ("a sweep's processor on a cluster, against here", "s", 1.05, 1.18),
            ("its client's a run, against one compile", "s", 0.06, 0.06),
        ),
        long=True,
        own=True,
    ),
)


def _build(source: Path, into: Path) -> None:
    """Install a checkout with what it needs, which was not the same before."""
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-build-isolation"]
    subprocess.run([*pip, "--target", str(into), str(source)], check=True)


def install(commit: str, folder: Path, name: str) -> Place:
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


def _figures(task: Task, checkout: Path, site: Path) -> Any:
    environment = {**os.environ, "PYTHONPATH": str(site)}
    words = [sys.executable, "-P", "-c", f"import json, sys\n{task.script}"]
    done = subprocess.run(words, cwd=checkout, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise click.ClickException(done.stderr[-2000:])
    return json.loads(done.stdout)


def _least(task: Task, before: Place, now: Place) -> tuple[list[float], list[float]]:
    """The figures of the earlier commit and of today, each the least of its turns."""
    old, new = [], []
    for _ in range(1 if task.long else _TURNS):
        figures = _figures(task, *now) if task.own else [_figures(task, *place) for place in (before, now)]
        old.append(figures[0])
        new.append(figures[1])
    columns = ([min(column) for column in zip(*rows, strict=True)] for rows in (old, new))
    return next(columns), next(columns)


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
        before, now = install(since, folder, "old"), install("HEAD", folder, "new")
        for part in ("bench/benchmarks", "traces"):  # which are not shipped
            shutil.copytree(now[0] / part, now[1] / part, dirs_exist_ok=True)
        for task in tasks:
            # a command gives more figures than are asked for
            for (title, unit, wanted, most), old, new in zip(
                task.figures, *_least(task, before, now), strict=False
            ):
                ratio = new / old
                wrong = wrong or ratio > most
                click.echo(f"{title}: {old:.4g} {unit}, {new:.4g} {unit}, {ratio:.2f}", err=True)
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
