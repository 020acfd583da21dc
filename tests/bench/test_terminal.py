"""What the commands put on a terminal, into a pipe, and out as JSON."""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from importlib.metadata import version
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import click
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from bench import cli
from bench.cautions import CAUTIONS
from bench.console import make_console, make_table, print_head, print_list, print_text
from bench.facts import as_json
from bench.trace.text import shown_path
from tests import ROOT
from tests.bench.start.test_start import ANSWERS, options
from tests.vehicle_support import CALIBRATION_PATH, CAR_PATH, NOT_BUILT

PROGRAM = [sys.executable, "-c", "from bench.cli import main; main()"]
LONG = "写真の長い名前 of a folder in which the runs of a whole season lie one beside the other"
TRACES = ROOT / "traces"


def here(*arguments: str | Path) -> tuple[int, str, str]:
    """A command in this process: (exit code, stdout, stderr)."""
    out, err = StringIO(), StringIO()
    with (
        patch.object(sys, "argv", ["liftlatch", *map(str, arguments)]),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.raises(SystemExit) as left,
    ):
        cli.main()
    assert isinstance(left.value.code, int)
    return left.value.code, out.getvalue(), err.getvalue()


class Files:
    """The demo files under names that are long and wide."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / LONG
        self.folder.mkdir()
        names = sorted(path.stem for path in TRACES.glob("*.csv"))
        self.traces = [self._copy(TRACES / f"{name}.csv", f"{LONG} {name}") for name in names]
        self.trace = self.traces[names.index("clean_launch")]
        self.calibration = self._copy(CALIBRATION_PATH, f"[bold]calibration [red] {LONG}")
        self.car = self._copy(CAR_PATH, f"car {LONG}")
        other = CALIBRATION_PATH.read_text(encoding="utf-8").replace("hold_ms = 300", "hold_ms = 123")
        self.other = self.folder / f"other {LONG}.toml"
        self.other.write_text(other, encoding="utf-8")

    def _copy(self, path: Path, name: str) -> Path:
        return Path(shutil.copy(path, self.folder / f"{name}{path.suffix}"))

    def out(self, name: str) -> Path:
        return self.folder / "out" / name


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return Files(tmp_path_factory.mktemp("terminal"))


Words = Callable[[Files], list[Any]]

# Commands that give a result -> the words to call them with.
QUICK: dict[str, Words] = {
    "start": lambda f: ["start", f.out(f"start-{time.monotonic_ns()}"), *options(**ANSWERS)],
    "calibration check": lambda f: ["calibration", "check", f.calibration],
    "calibration show": lambda f: ["calibration", "show", f.calibration],
    "calibration compile": lambda f: ["calibration", "compile", f.calibration, "--out", f.folder / "image"],
    "trace show": lambda f: ["trace", "show", f.trace],
    "replay": lambda f: ["replay", f.trace, "--calibration", f.calibration],
    "sweep": lambda f: [
        "sweep", *f.traces[:4], "--calibration", f.calibration, "--vary", "latch.hold_ms=0:600:300",
        "--vary", "latch.release_percent_per_s=100,12345.678", "--vary", "latch.trigger_percent=1.125,2",
        "--vary", "look_ahead.rising_ms=0,123",
    ],
    "compare": lambda f: [
        "compare", *f.traces[:3], "--calibration", f.calibration, "--calibration", f.other
    ],
    "vectors": lambda f: [
        "vectors", f.trace, "--calibration", f.calibration, "--ticks", "50", "--out", f.out("vectors")
    ],
    "sensor": lambda f: ["sensor", f.trace, "--calibration", f.calibration],
    "stand": lambda f: ["stand", "--calibration", f.calibration, "--out", f.folder / "stand.html"],
    "book add": lambda f: [
        "book", "add", f.trace, "--calibration", f.calibration, "--note", LONG, "--slip", "60=1.021",
        "--book", f.out(f"book-{time.monotonic_ns()}"),
    ],
    "book show": lambda f: ["book", "show", "--book", f.out("no book")],
    "predict": lambda f: [
        "predict", "--vehicle", f.car, "--calibration", f.calibration, "--distance", "60", "--spread", "3"
    ],
}  # fmt: skip
SLOW: dict[str, Words] = {
    "demo": lambda f: ["demo", f.folder],
    "search": lambda f: [
        "search", "--vehicle", f.car, "--calibration", f.calibration, "--limit", "lift_mm=350",
        "--distance", "60ft", "--cars", "8", "--check", "8", "--population", "8", "--generations", "1",
        "--out", f.out("search"),
    ],
    "fit": lambda f: [
        "fit", f.folder / "driven.csv", "--vehicle", f.car, "--calibration", f.calibration,
        "--out", f.out("fit"),
    ],
    "next": lambda f: [
        "next", f.folder / "driven.csv", "--vehicle", f.car, "--calibration", f.calibration,
        "--distance", "60", "--book", f.out(f"book-{time.monotonic_ns()}"),
    ],
}  # fmt: skip
MODELLED = {"predict", "search", "fit", "next"}
ON_A_PORT = {"verify", "load", "device", "record"}


def case(name: str, slow: bool) -> Any:
    without_car = pytest.mark.skipif(name in MODELLED and NOT_BUILT is not None, reason=str(NOT_BUILT))
    return pytest.param(name, marks=[without_car, pytest.mark.slow] if slow else [without_car])


CASES = [*(case(name, False) for name in QUICK), *(case(name, True) for name in SLOW)]


def words_of(name: str, files: Files) -> list[Any]:
    if name in ("fit", "next") and not (files.folder / "driven.csv").exists():
        driven = files.out("driven")
        code, _, err = here(
            "predict", "--vehicle", files.car, "--calibration", files.calibration, "--distance", "60",
            "--out", driven,
        )  # fmt: skip
        assert code == 0, err
        shutil.copy(driven / "trace.csv", files.folder / "driven.csv")
    return {**QUICK, **SLOW}[name](files)


def test_every_command_is_tried_here() -> None:
    tried = {name.split()[0] for name in (*QUICK, *SLOW)} | ON_A_PORT
    assert set(cli.COMMANDS) - tried == {"desk", "completion"}


def too_wide(text: str, columns: int = 80) -> list[str]:
    return [line for line in text.splitlines() if cell_len(line.rstrip()) > columns]


def strict(text: str) -> Any:
    """The one document that a text is: JSON as RFC 8259 has it, which knows no NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("name", CASES)
def test_a_summary_fits_80_columns(name: str, files: Files) -> None:
    code, out, err = here(*words_of(name, files))
    assert code == 0, err
    assert out
    assert too_wide(out) == []
    assert "\x1b" not in out + err


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_json_is_one_document_and_nothing_else(name: str, files: Files) -> None:
    words = words_of(name, files)
    code, out, err = here(*words, "--json")
    assert code == 0, err
    facts = strict(out)
    assert out == as_json(facts)
    first = list(facts)[:3]
    assert first == ["summary_version", "liftlatch", "command_line"]
    assert isinstance(facts["summary_version"], int)
    assert facts["liftlatch"] == version("liftlatch")
    assert facts["command_line"].startswith(f"liftlatch {name} ")
    if "--out" in words and (summary := Path(words[words.index("--out") + 1]) / "summary.json").exists():
        assert strict(summary.read_text(encoding="utf-8")) == facts


@pytest.mark.slow
@pytest.mark.parametrize("name", ["replay", "sweep"])
def test_json_equals_summary_json(name: str, files: Files, tmp_path: Path) -> None:
    code, out, _ = here(*words_of(name, files), "--json", "--out", tmp_path / "out")
    assert code == 0
    assert (tmp_path / "out" / "summary.json").read_text(encoding="utf-8") == out


@pytest.mark.parametrize("name", ["replay", "calibration show", "sweep"])
def test_a_failure_prints_no_json(name: str, files: Files, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[sensor]\n")
    words = [wrong if word == files.calibration else word for word in words_of(name, files)]
    plain, with_json = here(*words), here(*words, "--json")
    assert plain == with_json
    code, out, err = with_json
    assert (code, out) == (2, "")
    assert all(line.startswith("liftlatch: ") for line in err.splitlines())


def test_a_number_that_is_none_is_null() -> None:
    text = as_json({"a": [float("nan"), 1.5], "b": {"c": (float("inf"), float("-inf"))}})
    assert strict(text) == {"a": [None, 1.5], "b": {"c": [None, None]}}


def test_markup_in_a_name_is_text(files: Files) -> None:
    marked = shutil.copy(files.trace, files.folder / "[red]x[bold]y.csv")
    words = ["--calibration", files.calibration, "--vary", "hold_ms=0,300"]
    _, out, err = here("sweep", marked, files.trace, *words)
    assert "[red]x[bold]y.csv" in out, err


# -- tables and lines


WORD = st.text("abc写é[/]- ", max_size=30)
FIGURE = st.decimals(-99999, 99999, places=3).map(lambda d: f"{d} mm")


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[tuple[str, bool]], list[list[str]], int]:
    sides = draw(st.lists(st.booleans(), min_size=1, max_size=9))
    titles = st.sampled_from(["", "run", "peak lift", "torque-\ntime s", "写真"])
    columns = [(draw(titles), side) for side in sides]
    rows = draw(st.lists(st.tuples(*(FIGURE if side else WORD for side in sides)), min_size=1, max_size=3))
    return columns, [list(row) for row in rows], draw(st.integers(32, 100))


def printed(what: Callable[[Console], None], width: int) -> str:
    console = make_console()
    console.width = width
    with console.capture() as caught:
        what(console)
    return str(caught.get())


@settings(max_examples=60)
@given(tables())
def test_no_table_is_too_wide_and_no_figure_is_cut(
    given_table: tuple[list[tuple[str, bool]], list[list[str]], int],
) -> None:
    columns, rows, width = given_table
    table = make_table(*columns)
    for row in rows:
        table.add_row(*row)
    text = printed(lambda console: console.print(table), width)
    assert too_wide(text, width) == []
    for row in rows:
        for (_, right), cell in zip(columns, row, strict=True):
            if right:
                assert cell in text


def test_a_table_too_wide_goes_on_below_with_its_labels() -> None:
    table = make_table(("name", False), *((f"column {i}", True) for i in range(8)))
    table.add_row("first", *(f"{i}.25" for i in range(8)))
    text = printed(lambda console: console.print(table), 40)
    blocks = text.strip().split("\n\n")
    assert len(blocks) > 1
    assert all("first" in block for block in blocks)
    assert [f for block in blocks for f in re.findall(r"\d\.25", block)] == [f"{i}.25" for i in range(8)]


def test_a_title_wraps_before_a_table_is_cut() -> None:
    table = make_table(*((f"a long title {i}", True) for i in range(4)))
    table.add_row(*(f"{i}.5" for i in range(4)))
    text = printed(lambda console: console.print(table), 40)
    assert too_wide(text, 40) == []
    assert text.splitlines()[-1].split() == ["0.5", "1.5", "2.5", "3.5"]


def test_lines_wrap_under_their_beginning() -> None:
    def lines(console: Console) -> None:
        print_head(console, [("trace", "one two three four five six seven eight")])
        print_list(console, "title", ["one two three four five six seven eight nine"])
        print_text(console, "[bold]one[/] two", style="bold")

    assert printed(lines, 32).splitlines() == [
        "trace       one two three four",
        "            five six seven eight",
        "",
        "title",
        "- one two three four five six",
        "  seven eight nine",
        "[bold]one[/] two",
    ]


@given(st.text(max_size=200), st.integers(20, 80))
def test_a_path_is_shortened_in_its_middle(text: str, cells: int) -> None:
    short = shown_path(text, cells)
    assert cell_len(short) <= max(cells, 0)
    assert short.isprintable()
    if text.isascii() and text.isprintable():
        assert short == text if len(text) <= cells else (short[:5], short[-9:]) == (text[:5], text[-9:])


# -- colour


def on_a_terminal(words: Sequence[Any], **environment: str) -> str:
    """What a command writes to a terminal of 80 columns."""
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 80, 0, 0))
    kept = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "TERM")}
    process = subprocess.Popen(
        [*PROGRAM, *map(str, words)], cwd=ROOT, stdout=theirs, stderr=theirs, env={**kept, **environment}
    )
    os.close(theirs)
    written = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        written += part
    os.close(ours)
    assert process.wait(60) == 0
    return written.decode()


# ECMA-48, select graphic rendition: 30 to 37, 40 to 47 and (by use) 90 to 107 and 38, 48 are colours.
COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;\d+)*m")
SHOWN = ["calibration", "show", CALIBRATION_PATH]


@pytest.mark.slow
def test_a_terminal_gets_bold_titles_and_a_dumb_one_plain_text() -> None:
    fine = on_a_terminal(SHOWN, TERM="xterm-256color")
    assert "\x1b[1m" in fine
    without = re.sub(r"\x1b\[[\d;]*m", "", fine)
    assert too_wide(without.replace("\r", "")) == []
    assert "\x1b" not in without
    dumb = on_a_terminal(SHOWN, TERM="dumb")
    assert "\x1b" not in dumb
    assert dumb == without


def test_no_color_means_no_colour() -> None:
    """https://no-color.org: when NO_COLOR is present and not empty, no colour; bold is allowed."""
    program = "from bench.console import make_console as c, print_text as p; p(c(), 'x', style='bold red')"
    with patch(f"{__name__}.PROGRAM", [sys.executable, "-c", program]):
        assert COLOUR.search(on_a_terminal([], TERM="xterm"))
        plain = on_a_terminal([], TERM="xterm", NO_COLOR="1")
    assert not COLOUR.search(plain)
    assert "x" in plain


def test_a_pipe_gets_no_escapes_and_80_columns_whatever_the_environment_says() -> None:
    forced = {"FORCE_COLOR": "1", "CLICOLOR_FORCE": "1", "TTY_COMPATIBLE": "1", "TERM": "xterm-256color"}
    done = subprocess.run(
        [*PROGRAM, *map(str, SHOWN)], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60,
        env={**os.environ, **forced, "COLUMNS": "200"},
    )  # fmt: skip
    assert "\x1b" not in done.stdout + done.stderr
    assert too_wide(done.stdout) == []
    assert max(map(len, done.stdout.splitlines())) > 70


# -- commands that talk with a device


@contextmanager
def device(*options: str) -> Iterator[dict[str, Any]]:
    """A device model as a process, and what it says of itself as JSON."""
    command = [*PROGRAM, "device", "--json", *options]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    lines = ""
    try:
        while not lines.endswith("}\n"):
            lines += process.stdout.readline()
        yield strict(lines)
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


@pytest.mark.slow
def test_verify_prints_json_and_says_the_rest_on_standard_error(files: Files, tmp_path: Path) -> None:
    with device("--bug", "hold-short") as found:
        assert found["summary_version"] == 1
        plain = files.folder / "plain.toml"
        shutil.copyfile(TRACES / "plain.toml", plain)
        (high,) = (trace for trace in files.traces if "high_wheelstand" in trace.name)
        words = ["verify", high, "--calibration", plain, "--port", found["port"]]
        code, out, err = here(*words, "--json", "--out", tmp_path / "out")
        assert code == 1
        facts = strict(out)
        assert facts == strict((tmp_path / "out" / "verify.json").read_text(encoding="utf-8"))
        assert facts["verdict"] == "different"
        assert "different at tick" in " ".join(err.split())
        code, out, err = here(*words)
        assert (code, err) == (1, "")
    wide = too_wide(out)
    # A replay id stays on one line, so that it can be copied.
    assert [line.split()[:2] for line in wide] == [["replay", "id"]]
    again = facts["traces"][0]["difference"]["replay_id"]
    code, out, err = here("replay", again, "--json")
    assert code == 0, err
    shown = strict(out)
    difference = facts["traces"][0]["difference"]
    there = next(row for row in shown["ticks"] if row["tick"] == difference["tick"])
    assert all(there[field["name"]] == field["expected"] for field in difference["fields"])
    code, out, _ = here("replay", again)
    assert code == 0
    assert too_wide(out) == []


@pytest.mark.slow
def test_record_prints_json(files: Files) -> None:
    lines = files.trace.read_text(encoding="utf-8").splitlines(keepends=True)
    short = files.folder / "short.csv"
    short.write_text("".join(lines[:300]), encoding="utf-8")
    target = files.folder / f"recorded {LONG}.csv"
    with device("--plays", str(short), "--calibration", str(files.calibration)) as found:
        words = ["record", target, "--port", found["port"], "--quiet", "0.5"]
        code, out, err = here(*words, "--json")
        assert code == 0, err
        facts = strict(out)
        assert facts["ticks"] > 100
        assert facts["tick_us"] == 1000
        target.unlink()
        code, out, _ = here(*words)
    assert code == 0
    assert too_wide(out) == []


@pytest.mark.slow
def test_many_traces_fit_too(files: Files) -> None:
    code, out, err = here(
        "sweep", *files.traces, "--calibration", files.calibration, "--vary", "latch.hold_ms=0:600:20"
    )
    if "front wheel" in err:
        pytest.fail(err)
    assert code == 0, err
    assert too_wide(out) == []


def every_command() -> Iterator[tuple[str, click.Command]]:
    def walk(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
        if isinstance(command, click.Group):
            for inner in command.commands.values():
                yield from walk(inner, f"{name} {inner.name}")
        else:
            yield name, command

    for name in cli.COMMANDS:
        command = cli.liftlatch.get_command(click.Context(cli.liftlatch), name)
        assert command is not None
        yield from walk(command, name)


def test_groups_and_options_are_click_commands() -> None:
    """Each command with a result takes --json, in the words of one declaration."""
    for full, one in every_command():
        options = [p for p in one.params if "--json" in p.opts]
        assert (len(options) == 1) == (full not in ("desk", "completion")), full


@pytest.mark.slow
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "2>/dev/full", "<&- >&- 2>&-"])
def test_a_closed_or_full_stream_changes_no_exit_code(closed: str, tmp_path: Path) -> None:
    demo = ("--calibration", str(ROOT / "traces" / "demo.toml"))
    run = str(ROOT / "traces" / "clean_launch.csv")
    out = tmp_path / "out"
    fine = ("vectors", run, *demo, "--ticks", "20", "--out", str(out))
    wrong = ("replay", str(tmp_path / "none.csv"), *demo)
    for words, code in ((fine, 0), (wrong, 2), (("nonsense",), 2)):
        done = subprocess.run(
            ["sh", "-c", f'exec "$@" {closed}', "sh", *PROGRAM, *words], capture_output=True, check=False
        )
        assert done.returncode == code, (words, done.stderr)
    assert {"vectors.h", "vectors.jsonl", "vectors_main.c"} <= {path.name for path in out.iterdir()}


def test_help_tells_no_range_without_bounds_and_cautions_where_a_device_or_a_car_is_reached() -> None:
    told = {name: command.get_help(click.Context(command)) for name, command in every_command()}
    assert [name for name, text in told.items() if "<=None" in text] == []
    careful = ("calibration compile", "vectors", "verify", "load", "record", "stand")
    for name in careful:
        assert " ".join(CAUTIONS.split()) in " ".join(told[name].split()), name
