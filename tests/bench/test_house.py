"""The repository's layout, its checks and the behaviour of the command as a whole."""

import json
import os
import signal
import subprocess
import sys
import textwrap
from importlib import import_module, metadata
from pathlib import Path
from typing import IO

import click
import pytest

from bench import cli
from tests import ROOT

LAYOUT = {
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
    *("controller", "bench", "firmware_model", "tests", "traces", ".ci"),
}
HEAVY = {"numpy", "matplotlib", "pyarrow", "pint", "scipy", "tomlkit", "serial", "rich", "crcmod", "cobs"}


def run(*command: str | Path, stdout: int | IO[str] = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        timeout=300,
        check=False,
        stdout=stdout,
    )


def liftlatch(*arguments: str) -> subprocess.CompletedProcess[str]:
    return run(sys.executable, "-c", "from bench.cli import main; main()", *arguments)


def with_command(body: str, stdout: int | IO[str] = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    """Run the command line with one subcommand more, `probe`, which does what `body` says."""
    program = f"""
import sys, types, click
from bench import cli
from bench.errors import UserError, UserErrors
@click.command()
@click.option("--number", type=int)
def probe(number):
{textwrap.indent(textwrap.dedent(body), "    ")}
module = types.ModuleType("probe_module")
module.probe = probe
sys.modules["probe_module"] = module
cli.COMMANDS["probe"] = ("probe_module:probe", "A probe.")
sys.argv = ["liftlatch", "probe"]
cli.main()
"""
    return run(sys.executable, "-c", program, stdout=stdout)


def test_layout() -> None:
    listed = run("git", "-c", "safe.directory=*", "ls-files").stdout.splitlines()
    top = {name.split("/")[0] for name in listed}
    assert top >= LAYOUT
    assert {name for name in top - LAYOUT if not name.startswith(".")} == set()


def test_ruff_is_clean() -> None:
    done = run(sys.executable, "-m", "ruff", "check", ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_types_are_clean() -> None:
    done = run(sys.executable, "-m", "mypy")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_checks_can_fail(tmp_path: Path) -> None:
    (tmp_path / "wrong.py").write_text('def double(x):\n    print(x)\n    return x + 1.0 + "1"\n')
    linted = run(sys.executable, "-m", "ruff", "check", "--config", ROOT / "pyproject.toml", tmp_path)
    assert linted.returncode == 1
    assert "T201" in linted.stdout
    typed = run(sys.executable, "-m", "mypy", "--config-file", ROOT / "pyproject.toml", tmp_path / "wrong.py")
    assert typed.returncode == 1
    assert "no-untyped-def" in typed.stdout


def test_help_lists_every_command_and_imports_nothing_heavy() -> None:
    program = """
        import atexit, json, sys
        atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr))
        sys.argv = ["liftlatch", "--help"]
        from bench.cli import main
        main()
    """
    done = run(sys.executable, "-c", textwrap.dedent(program))
    assert done.returncode == 0
    for name, (_, text) in cli.COMMANDS.items():
        assert name in done.stdout
        assert text in done.stdout
    assert "not a safety device" in done.stdout
    imported = {name.split(".")[0] for name in json.loads(done.stderr)}
    assert "click" in imported
    assert imported & HEAVY == set()
    assert "controller" not in imported


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_listed_command_is_there(name: str) -> None:
    module, attribute = cli.COMMANDS[name][0].split(":")
    command = getattr(import_module(module), attribute)
    assert isinstance(command, click.Command)
    assert command.name == name
    assert command.help


def test_version() -> None:
    assert liftlatch("--version").stdout == f"liftlatch {metadata.version('liftlatch')}\n"


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["frobnicate"], f"no command 'frobnicate'; there are {', '.join(cli.COMMANDS)}"),
        (["--loud"], "No such option"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_code_2(arguments: list[str], line: str) -> None:
    done = liftlatch(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("liftlatch: ")
    assert line in done.stderr
    assert done.stderr.endswith("; see 'liftlatch --help'\n")
    assert done.stderr.count("\n") == 1


def test_no_arguments_shows_the_help() -> None:
    done = liftlatch()
    assert done.returncode == 2
    assert "replay" in done.stderr


@pytest.mark.parametrize(
    ("body", "line"),
    [
        ("raise UserError('is empty', 'run.csv', 'give rows')", "run.csv: is empty; give rows"),
        ("raise MemoryError", "not enough memory for this; use a shorter trace or a longer tick"),
        ("open('/nowhere/x')", "/nowhere/x: No such file or directory; check the name"),
        ("open('/')", "/: Is a directory; name a file instead of a folder"),
        (
            "raise PermissionError(13, 'Permission denied', 'x.csv')",
            "x.csv: Permission denied; check the rights of the file and its folder",
        ),
        (
            "with open('/dev/full', 'w') as full: full.write('x')",
            "No space left on device; free some space or write elsewhere",
        ),
    ],
)
def test_what_a_person_can_put_right_is_one_line(body: str, line: str) -> None:
    done = with_command(body)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", f"liftlatch: {line}\n")


def test_several_mistakes_are_a_line_each() -> None:
    done = with_command("raise UserErrors([UserError('odd', 'a:1'), UserError('wrong', 'a:2')])")
    assert (done.returncode, done.stderr) == (2, "liftlatch: a:1: odd\nliftlatch: a:2: wrong\n")


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ("click.get_current_context().exit(1)", 1),
        ("sys.exit(1)", 1),
        ("raise BrokenPipeError(32, 'Broken pipe')", 141),
        ("pass", 0),
    ],
)
def test_quiet_exit_codes(body: str, code: int) -> None:
    done = with_command(body)
    assert (done.returncode, done.stderr) == (code, "")


@pytest.mark.parametrize("body", ["raise KeyboardInterrupt", "raise click.Abort"])
def test_being_stopped_is_one_line(body: str) -> None:
    done = with_command(body)
    assert (done.returncode, done.stderr.lstrip("\n")) == (130, "liftlatch: stopped\n")


def test_a_mistake_of_ours_shows_its_traceback_but_not_exit_code_1() -> None:
    done = with_command("1 // 0")
    assert done.returncode == 2
    assert "ZeroDivisionError" in done.stderr
    assert done.stderr.endswith("liftlatch: internal error: please report the lines above\n")


def test_a_reader_that_goes_away_is_no_error() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as closed:
        done = with_command("for _ in range(100_000): click.echo('x' * 80)", stdout=closed)
    assert (done.returncode, done.stderr) == (141, "")


def test_a_short_output_that_nobody_reads_is_no_error() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as closed:
        done = with_command("sys.stdout.write('x')", stdout=closed)
    assert (done.returncode, done.stderr) == (141, "")


def test_output_to_a_full_disk_is_one_line() -> None:
    with open("/dev/full", "w") as full:
        done = with_command("click.echo('x')", stdout=full)
    assert (done.returncode, done.stderr) == (
        2,
        "liftlatch: No space left on device; free some space or write elsewhere\n",
    )


@pytest.mark.parametrize("shell", [">&-", "2>&-", "<&-"])
def test_a_stream_that_is_closed_is_as_good_as_none(shell: str) -> None:
    command = f'exec "$0" -c "from bench.cli import main; main()" --help {shell}'
    done = run("sh", "-c", command, sys.executable)
    assert (done.returncode, done.stderr) == (0, "")
    assert ("replay" in done.stdout) == (shell != ">&-")


def test_a_letter_that_the_output_cannot_show_is_replaced() -> None:
    program = "import sys; sys.stdout.reconfigure(encoding='ascii', errors='strict')"
    program += "; from bench.cli import _prepare_streams as prepare; prepare(); print('7.9\u00b0')"
    done = run(sys.executable, "-c", program)
    assert (done.returncode, done.stdout, done.stderr) == (0, "7.9?\n", "")


def test_ctrl_c() -> None:
    done = with_command(f"import os, time; os.kill(os.getpid(), {signal.SIGINT:d}); time.sleep(60)")
    assert (done.returncode, done.stderr.lstrip("\n")) == (130, "liftlatch: stopped\n")


def test_commands_use_one_thread_of_linear_algebra() -> None:
    """With more, a fit's last bits depend on the number of cores, and so does which step `next` takes."""
    program = (
        "import os, sys; from bench.cli import main; assert 'numpy' not in sys.modules\n"
        "try: main()\nfinally: print(os.environ['OPENBLAS_NUM_THREADS'])"
    )
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", program, "--help"], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "1"
