"""The car's folder: one with a liftlatch.toml, in which and below which commands find what the command line
does not say.

Options win, and what was taken is said on standard error and kept in the result. Outside such a folder
nothing of this happens.
"""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from bench.errors import UserError
from bench.facts import TAKEN
from bench.options import TOML_FILE
from bench.toml import parse_toml, read_small

FILE = "liftlatch.toml"
_NOTHING = (None, (), False)
_MOST_BYTES = 1 << 16

Values = Mapping[str, Any]


def find(start: Path | None = None) -> Path | None:
    """The liftlatch.toml of a folder (this process's own unless given), or of the nearest one above it."""
    here = Path.cwd() if start is None else start
    found = next((folder / FILE for folder in (here, *here.parents) if (folder / FILE).is_file()), None)
    return Path(os.path.relpath(found)) if found else None


def read(path: Path) -> dict[str, Any]:
    """What a liftlatch.toml says, checked, with the defaults of what it leaves out: `calibration`, `vehicle`,
    `book` (paths), `layouts`, `limits` (lists of words as options take them), `port`, `baud`, `distance_ft`.
    Files are named from its own folder. Raises UserError for anything else in it."""
    try:
        text = read_small(path, _MOST_BYTES).decode("utf-8")
    except UnicodeDecodeError:
        raise UserError("is no text", path, "a TOML file in UTF-8") from None
    content = parse_toml(text, path, "car's folder")
    for key in content:
        if key not in _READ:
            near = difflib.get_close_matches(key, _READ, 1)
            right = f"did you mean {near[0]}?" if near else f"it may have {', '.join(_READ)}"
            raise UserError(f"there is no key {key!r}", path, right)
    folder = Path(os.path.relpath(path.parent))
    content.setdefault("book", "book")
    return {key: _READ[key](value, folder, f"{path}: {key}") for key, value in content.items()}


def _file(value: Any, folder: Path, where: str) -> str:
    if not isinstance(value, str) or not value:
        raise UserError("is no file's name", where, "write it in quotes, from this folder on")
    return str(folder / value)


def _text(value: Any, folder: Path, where: str) -> str:
    if not isinstance(value, str) or not value:
        raise UserError("is no text", where, "write it in quotes")
    return value


def _number(value: Any, folder: Path, where: str) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UserError("is no number", where, "write a plain number")
    return f"{value:g}" if isinstance(value, float) else str(value)


def _layouts(value: Any, folder: Path, where: str) -> list[str]:
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list):
        raise UserError("is no list of layouts", where, 'write ["LAYOUT"] or ["PATTERN=LAYOUT"]')
    found = []
    for text in texts:
        pattern, mark, name = _text(text, folder, where).rpartition("=")
        found.append(f"{pattern}{mark}{folder / name}")
    return found


def _limits(value: Any, folder: Path, where: str) -> list[str]:
    if not isinstance(value, dict):
        raise UserError("is no table", where, "write [limits] and below it lines such as lift_mm = 300")
    return [f"{name}={_number(most, folder, f'{where}.{name}')}" for name, most in value.items()]


_READ: dict[str, Callable[[Any, Path, str], Any]] = {
    "calibration": _file,
    "vehicle": _file,
    "layouts": _layouts,
    "port": _text,
    "baud": _number,
    "distance_ft": _number,
    "book": _file,
    "limits": _limits,
}
# A parameter of a command -> the key that stands in for it.
_STANDS_IN = {
    "calibration_path": "calibration",
    "calibration_paths": "calibration",
    "vehicle_path": "vehicle",
    "layouts": "layouts",
    "port": "port",
    "baud": "baud",
    "feet": "distance_ft",
    "limit_texts": "limits",
    "book_path": "book",
}


def _made_up(given: Values) -> bool:
    return bool(given.get("conformance") or given.get("generated"))


# Where a parameter is not taken from the folder, by command (None: any).
_NOT: dict[tuple[str | None, str], Callable[[Values], bool]] = {
    ("desk", "port"): lambda given: True,  # the page's
    ("device", "port"): lambda given: True,  # the device's own
    ("device", "baud"): lambda given: True,
    ("device", "calibration_path"): lambda given: not given["plays"],
    ("stand", "port"): lambda given: not given["checks"] or given["emulated"],
    (None, "port"): lambda given: bool(given.get("emulated")),
    (None, "calibration_path"): lambda given: _made_up(given) or bool(given.get("only_show")),
    ("verify", "vehicle_path"): lambda given: _made_up(given) or bool(given["traces"]),
}


def _key(command: click.Command, name: str) -> str | None:
    """The key that stands in for a parameter of a command."""
    if any(one.name == name == "file" and one.type is TOML_FILE for one in command.params):
        return "calibration"
    return _STANDS_IN.get(name)


class _Defaults(dict[str, Any]):
    """What stands in for the parameters of a command; the file is read when the first of them is asked
    for."""

    def __init__(self, command: click.Command) -> None:
        super().__init__()
        self._command = command
        self._content: dict[str, Any] | None = None
        self.path: Path | None = None

    def __contains__(self, name: object) -> bool:
        key = _key(self._command, str(name))
        if key is None:
            return False
        if self._content is None:
            self.path = find()
            self._content = read(self.path) if self.path else {}
        return key in self._content

    def __getitem__(self, name: str) -> Any:
        assert name in self
        assert self._content is not None
        value = self._content[_key(self._command, name) or ""]
        multiple = any(one.name == name and getattr(one, "multiple", False) for one in self._command.params)
        return [value] if multiple and not isinstance(value, list) else value


class _Context(click.Context):
    """The context of a command that looks into the car's folder."""

    def __init__(self, command: click.Command, **given: Any) -> None:
        super().__init__(command, **given)
        self._defaults = _Defaults(command)
        if not self.resilient_parsing:
            self.default_map = self._defaults

    def get_help(self) -> str:
        """The help, which is the same everywhere."""
        self.default_map = None
        return super().get_help()

    def invoke(self, callback: Any, /, *args: Any, **given: Any) -> Any:
        if callback is self.command.callback:
            given |= self._settle(given)
        return super().invoke(callback, *args, **given)

    def _settle(self, given: Values) -> dict[str, Any]:
        """Say what was taken, and give back what is not wanted beside the rest."""
        back, taken = {}, {}
        for one in self.command.params:
            name = one.name or ""
            if self.get_parameter_source(name) is not ParameterSource.DEFAULT_MAP:
                continue
            unwanted = [_NOT.get((command, name)) for command in (self.command.name, None)]
            if any(rule(given) for rule in unwanted if rule):
                back[name] = self.params[name] = one.type_cast_value(self, _plain_default(one))
                self.set_parameter_source(name, ParameterSource.DEFAULT)
            elif self.params[name] not in _NOTHING:
                value = self.params[name]
                words = [str(word) for word in (value if isinstance(value, tuple) else [value])]
                taken[one.opts[0] if isinstance(one, click.Option) else one.human_readable_name] = words
        if taken:
            self.meta[TAKEN] = {"file": str(self._defaults.path), **taken}
            words = [f"{option} {word}" for option, values in taken.items() for word in values]
            click.echo(f"liftlatch: from {self._defaults.path}: {', '.join(words)}", err=True)
        return back


def _plain_default(parameter: click.Parameter) -> Any:
    """A parameter's own default, None where it has none."""
    plain = parameter.default
    return plain if isinstance(plain, str | int | float | Path | tuple | list) else None


def use_folder(command: click.Command) -> click.Command:
    """Let a command, and those in it, find in the car's folder what the command line does not say."""
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            use_folder(inner)
    else:
        command.context_class = _Context
    return command
