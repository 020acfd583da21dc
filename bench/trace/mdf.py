"""MDF 4 (ASAM standard), read in a process of its own: the library that does it can crash on a damaged file,
and takes only that process with it."""

from __future__ import annotations

import importlib.util
import os
import pickle
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from bench.errors import UserError
from bench.system import KILLED
from bench.trace.choice import ColumnChoice
from bench.trace.roles import TIME
from bench.trace.survey import ColumnFacts
from bench.trace.table import Table

_LONGEST_S = 600
_PROGRAM = ("-m", "bench.trace.mdf_reading")


def read_mdf(path: Path, choice: ColumnChoice) -> Table:
    """The chosen channels of an MDF 4 file. A column number counts the channels in the order of the file,
    time channels left out.

    Raises UserError where the extra is not installed, the file is damaged or of another version, or a channel
    cannot be used.
    """
    _refuse_text_options(choice, str(path))
    return _ask(path, "read", path, choice)  # type: ignore[no-any-return]


def survey_mdf(path: Path) -> tuple[list[ColumnFacts], str]:
    """(what each channel holds, the form of the file). Raises UserError as `read_mdf` does."""
    return _ask(path, "survey", path)  # type: ignore[no-any-return]


def _ask(path: Path, *request: object) -> Any:
    _check_version(path, str(path))
    if not _installed():
        raise UserError("reading MDF 4 needs an extra", path, "pip install 'liftlatch[mdf]'")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(part or os.getcwd() for part in sys.path)}
    try:
        done = subprocess.run(
            [sys.executable, *_PROGRAM],
            input=pickle.dumps(request),
            capture_output=True,
            timeout=_LONGEST_S,
            env=environment,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise UserError(f"not read in {_LONGEST_S} s", path, "export it again, or as CSV") from None
    if done.returncode == KILLED:
        raise MemoryError
    if done.returncode:
        how = f"signal {-done.returncode}" if done.returncode < 0 else f"exit code {done.returncode}"
        what = f"damaged: the library that reads MDF 4 crashed on it ({how})"
        raise UserError(what, path, "export it again, or as CSV")
    good, answer = pickle.loads(done.stdout)
    if not good:
        raise UserError(*answer)
    return answer


def _installed() -> bool:
    try:
        return importlib.util.find_spec("asammdf") is not None
    except ValueError:  # marked as missing
        return False


def _refuse_text_options(choice: ColumnChoice, where: str) -> None:
    for name, given in (
        ("--rate", choice.rate_hz),
        ("--delimiter", choice.delimiter),
        ("--decimal", choice.decimal),
        ("--time-column", choice.columns.get(TIME)),
    ):
        if given is not None:
            raise UserError(f"{name} does not apply to MDF 4", where, "leave it out")


def _check_version(path: Path, where: str) -> None:
    """The identification block (64 bytes, version at byte 8, ASAM MDF 4) must be whole and name a version
    4."""
    with open(path, "rb") as stream:
        block = stream.read(64)
    version = block[8:16].rstrip(b" \0").decode("latin-1")
    if block.startswith(b"UnFinMF"):
        raise UserError("the MDF file was never finished by its logger", where, "finish or export it again")
    if len(block) < 64 or not re.fullmatch(r"\d\.\d\d", version, re.ASCII):
        raise UserError("damaged or not an MDF 4 file", where, "export it again")
    if not version.startswith("4"):
        raise UserError(f"this is MDF {version}", where, "convert it to MDF 4")
