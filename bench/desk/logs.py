"""The logs that were brought to a desk: kept in a folder of their own while it runs, looked at as `trace
show` looks at them, corrected, and taken as the run that the desk shows.
"""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.desk.words import on_page
from bench.document.message import thinned
from bench.errors import UserError
from bench.files import write_whole
from bench.trace.choice import ColumnChoice
from bench.trace.csv import open_csv
from bench.trace.layout import nearby_layout
from bench.trace.model import Trace
from bench.trace.read import is_mdf, read_trace
from bench.trace.roles import HEIGHT, ROLE_UNITS, WHAT, unit_examples
from bench.trace.show import look_at
from bench.trace.text import shown

LARGEST_LOG = 128 << 20
_MOST_LOGS = 12
_LONGEST_NAME = 60
_LONGEST_UNIT = 40
_SHARED_KEYS = ("form", "columns", "missing", "read", "passes", "doubts", "run", "notes", "rows", "rate_hz")
_SAID_KEYS = ("missing", "doubts", "notes")

SIGNALS = [{"role": role, "words": words, "units": unit_examples(role)} for role, words in WHAT.items()]
"""What a column can be, for the page: the role, its words, and examples of its units."""


@dataclass
class Log:
    """One log that was brought: its own name, where it lies, how it is read, what is known of it. `trace` is
    None until nothing is missing."""

    number: int
    name: str
    path: Path
    choice: ColumnChoice
    facts: dict[str, Any] = field(default_factory=dict)
    trace: Trace | None = None


class Logs:
    """All logs of one desk."""

    def __init__(self) -> None:
        self._place: Path | None = None
        self._logs: dict[int, Log] = {}
        self._last = 0

    def close(self) -> None:
        """Take the copies away."""
        if self._place is not None:
            shutil.rmtree(self._place, ignore_errors=True)
            self._place = None
        self._logs = {}

    def demand_room(self) -> None:
        """Raises UserError where no further log is taken."""
        if len(self._logs) >= _MOST_LOGS:
            raise UserError(f"{_MOST_LOGS} logs are here already", right="put one away first")

    def new_place(self, name: str) -> tuple[int, str, Path]:
        """A number, a harmless name and a place for a log that comes in, of which nothing is known yet."""
        self.demand_room()
        if self._place is None:
            self._place = Path(tempfile.mkdtemp(prefix="liftlatch-desk-"))
        self._last += 1
        plain = "".join(c if c.isprintable() and c not in "/\\" else "_" for c in name)
        plain = plain.strip(". ")[-_LONGEST_NAME:] or "log"
        own = self._place / f"{self._last}"  # so that two of one name do not meet
        own.mkdir()
        return self._last, plain, own / plain

    def add(self, number: int, name: str, path: Path, folder: Path) -> Log:
        """A log that came in. Raises UserError for what is none; its copy is gone then, and nothing else is
        changed."""
        log = Log(number, name, path, ColumnChoice())
        try:
            log.choice = _with_layout_nearby(log, folder)
            _look(log)
        except BaseException:
            self._remove(path)
            raise
        self._logs[number] = log
        return log

    def get(self, number: object) -> Log:
        """The log of that number. UserError where there is none."""
        found = self._logs.get(number) if isinstance(number, int) else None
        if found is None:
            raise UserError("no such log", right="choose one that is here")
        return found

    def put_away(self, number: object) -> None:
        """Forget a log."""
        log = self.get(number)
        del self._logs[log.number]
        self._remove(log.path)

    @staticmethod
    def _remove(path: Path) -> None:
        shutil.rmtree(path.parent, ignore_errors=True)

    def correct(self, number: object, column: object, role: object, unit: object) -> None:
        """Say what a column is: `role` is "" where it is to be no signal. What cannot be read so stays as it
        was, and is said."""
        log = self.get(number)
        known = {one["column"] for one in log.facts["columns"]}
        if isinstance(column, bool) or not isinstance(column, int) or column not in known:
            raise UserError("no such column", right=f"a number from 1 to {len(known)}")
        if role not in ("", *ROLE_UNITS) or not isinstance(role, str):
            raise UserError("no such signal", right="choose one of the list")
        if not isinstance(unit, str) or len(unit) > _LONGEST_UNIT:
            raise UserError("is not a unit", right="for example mm")
        columns = dict(log.choice.columns)
        for its in _roles_of(log, column):
            columns[its] = "none"
        if role:
            columns[role] = f"{column}:{unit.strip()}" if unit.strip() else f"{column}"
        self._again(log, replace(log.choice, columns=columns))

    def rate(self, number: object, rate_hz: object) -> None:
        """Rows a second, for a log without a time; None takes it back."""
        log = self.get(number)
        if rate_hz is not None and (
            isinstance(rate_hz, bool) or not isinstance(rate_hz, int | float) or not 0 < rate_hz < 1e6
        ):
            raise UserError("is not a rate", right="rows a second, for example 100")
        columns = {role: text for role, text in log.choice.columns.items() if role != "time"}
        self._again(log, replace(log.choice, rate_hz=rate_hz, columns=columns))

    @staticmethod
    def _again(log: Log, choice: ColumnChoice) -> None:
        tried = replace(log, choice=choice)
        _look(tried)
        log.choice, log.facts, log.trace = tried.choice, tried.facts, tried.trace

    def keep_layout(self, number: object, name: object, folder: Path) -> Path:
        """Write how a log is read as a layout beside the calibration, where the next desk and every command
        find it by its header. UserError where the name is none or taken."""
        log = self.get(number)
        plain = isinstance(name, str) and name == Path(name).name and name.isprintable()
        if not isinstance(name, str) or not plain or not name.endswith(".toml") or name[0] == ".":
            raise UserError("is not a plain file name that ends in .toml", right="for example logger.toml")
        path = folder / name
        if path.exists():
            raise UserError("is there already", name, "choose another name")
        write_whole(path, log.facts["layout"])
        return path

    def trace(self, number: object, run: object = None) -> Trace:
        """A log as the run to show; `run` is the number of a pass, None takes the best. UserError where
        something is missing still."""
        log = self.get(number)
        if log.trace is None:
            raise UserError("cannot be read yet", shown(log.name, 80), "; ".join(log.facts["missing"]))
        count = len(log.facts.get("passes", ()))
        if run is not None and (isinstance(run, bool) or not isinstance(run, int) or not 1 <= run <= count):
            raise UserError("no such pass", right=f"a number from 1 to {count}")
        return replace(log.trace, run=run)

    def facts(self) -> list[dict[str, Any]]:
        """What pages show of the logs, in the order in which they came."""
        return [_said_of(log) for log in self._logs.values()]


def _with_layout_nearby(log: Log, folder: Path) -> ColumnChoice:
    """The layout of the folder that knows the log's header, as where the log lay there itself."""
    if is_mdf(log.path):
        return log.choice

    def titles() -> list[str]:
        return [column.title for column in open_csv(log.path, log.choice).dialect.columns]

    layout = nearby_layout(folder / log.name, titles)
    return log.choice if layout is None else replace(log.choice, layouts=(str(layout.path),))


def _look(log: Log) -> None:
    """Look at a log as it is read now; errors name it as the person does."""
    try:
        log.facts = look_at(log.path, log.choice)
        log.trace = None
        if log.facts["read"]:
            log.trace = replace(read_trace(log.path, log.choice), path=Path(log.name))
    except UserError as error:
        where = error.where.replace(str(log.path), shown(log.name, 80))
        raise UserError(error.what.replace(str(log.path), log.name), where, error.right) from None


def _roles_of(log: Log, column: int) -> list[str]:
    """The signals that are taken from a column now."""
    chosen = {one["column"]: one["role"] for one in log.facts["columns"] if one["role"]}
    given = {role: text for role, text in log.choice.columns.items() if text.partition(":")[0] == str(column)}
    return [*given, *([chosen[column]] if chosen.get(column) and chosen[column] not in given else [])]


def _said_of(log: Log) -> dict[str, Any]:
    facts = {key: log.facts[key] for key in _SHARED_KEYS if key in log.facts}
    facts |= {key: [on_page(text) for text in facts[key]] for key in _SAID_KEYS if key in facts}
    likely = tomllib.loads(log.facts["layout"])
    said = {
        int(number): (role, unit)
        for role, text in log.choice.columns.items()
        for number, _, unit in [text.partition(":")]
        if number.isdigit()
    }
    columns = []
    for one in log.facts["columns"]:
        role, unit = said.get(one["column"], (one["role"], ""))
        unit = unit or likely.get(role, {}).get("unit", "") if one["role"] == role else unit
        why = [on_page(text).replace("as an option says", "as you said") for text in one["why"]]
        columns.append({**one, "role": role, "unit": unit or one["unit_in_file"], "why": why})
    return {
        "number": log.number, "name": log.name, **facts, "columns": columns,
        "strip": _profile(log.trace), "rate_given": log.choice.rate_hz,
        "own_controller": any(one["role"].startswith("logged_") for one in log.facts["columns"]),
    }  # fmt: skip


def _profile(trace: Trace | None) -> dict[str, Any] | None:
    """The height over the whole log, with no more points than are seen."""
    if trace is None:
        return None
    channel = trace.channels[HEIGHT]
    times, values = trace.time_s[channel.valid], channel.values[channel.valid]
    kept = thinned(values) if len(values) else np.arange(0)
    return {
        "t": np.round(times[kept], 3).tolist(), "v": np.round(values[kept], 3).tolist(), "unit": channel.unit,
        "from": float(trace.time_s[0]), "to": float(trace.time_s[-1]),
    }  # fmt: skip
