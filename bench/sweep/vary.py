"""Which settings a sweep tries: `--vary` in, a calibration for each setting out."""

from __future__ import annotations

import difflib
import itertools
import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from bench import units
from bench.calibration import CalibrationMistakes, compile_text
from bench.calibration.quantity import unit_after
from bench.calibration.rewrite import Rewriter, in_unit_of_file
from bench.errors import UserError, UserErrors
from bench.sweep import lines
from bench.trace.text import quoted

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Value = int | float | bool | str

MOST_SETTINGS = 20_000
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")
_FORM = "KEY=from:to:step or KEY=value,value"
# Says the same as a rate, in the place of one.
_RELEASE, _STEP = "release", "step"
_RATE = {"latch": "release_percent_per_s", "latch.retard": "release_deg_per_s"}


@dataclass(frozen=True)
class Varied:
    """One key that a sweep varies: its dotted name, its values in the order given, and the value in the file
    where it stands there."""

    key: str
    values: tuple[Value, ...]
    in_file: Value | None

    @property
    def numeric(self) -> bool:
        """Whether all of its values are numbers."""
        return all(is_number(value) for value in self.values)


@dataclass(frozen=True)
class Setting:
    """One value for each varied key, and the calibration with them."""

    values: tuple[Value, ...]
    calibration: CalibrationFile


def is_number(value: Value) -> bool:
    """True for a number, which a bool is not here."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def written(value: Value) -> str:
    """A value as it stands in a file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else f"{value:.12g}"


def read_varied(texts: Sequence[str], calibration: CalibrationFile) -> list[Varied]:
    """The keys and values of all `--vary` options. UserError for a form, a key or a number of settings that
    cannot be."""
    varied: list[Varied] = []
    for text in texts:
        name, equals, right = text.partition("=")
        if not equals or not name.strip() or not right.strip():
            raise UserError(
                f"--vary {quoted(text)} is not {_FORM}", right="for example latch.hold_ms=0:600:20"
            )
        key = _whole_key(name.strip(), calibration)
        if any(other.key == key for other in varied):
            raise UserError(f"--vary {key} is there twice", right="give all of its values in one")
        varied.append(Varied(key, _values(name.strip(), right.strip()), _in_file(key, calibration)))
    count = _product(varied)
    if count > MOST_SETTINGS:
        raise UserError(f"--vary makes {count} settings", right=f"at most {MOST_SETTINGS}; take larger steps")
    return varied


def _whole_key(name: str, calibration: CalibrationFile) -> str:
    line = lines.split(name)
    if line is None:
        return find_key(name, calibration)
    base = line.base if line.base.startswith(lines.ALL) else find_key(line.base, calibration)
    return f"{base}.{line.what}"


def _product(varied: Sequence[Varied]) -> int:
    count = 1
    for one in varied:
        count *= len(one.values)
    return count


def _values(name: str, text: str) -> tuple[Value, ...]:
    values = _span(name, text) if ":" in text else tuple(_literal(name, part) for part in text.split(","))
    shown = [written(value) for value in values]
    for i, one in enumerate(shown):
        if one in shown[:i]:
            raise UserError(f"--vary {name} has the value {one} twice", right="each value once")
    return values


def _span(name: str, text: str) -> tuple[Value, ...]:
    """The values of from:to:step, exactly; `to` is one of them only where a step falls on it."""
    parts = [part.strip() for part in text.split(":")]
    if len(parts) != 3 or not all(_NUMBER.fullmatch(part) for part in parts):
        raise UserError(f"--vary {name}: {quoted(text)} is not from:to:step", right="three numbers, 0:600:20")
    start, stop, step = (Fraction(part) for part in parts)
    if step == 0 or (stop - start) * step < 0:
        right = "a step that leads from the first number to the second"
        raise UserError(f"--vary {name}: {quoted(text)} never arrives", right=right)
    count = int((stop - start) / step) + 1
    if count > MOST_SETTINGS:
        raise UserError(f"--vary {name} makes {count} values", right=f"at most {MOST_SETTINGS}")
    return tuple(_plain(start + i * step) for i in range(count))


def _plain(exact: Fraction) -> int | float:
    return exact.numerator if exact.denominator == 1 else float(exact)


def _literal(name: str, text: str) -> Value:
    text = text.strip()
    if not text:
        raise UserError(f"--vary {name} has an empty value", right=_FORM)
    if text in ("true", "false"):
        return text == "true"
    if _NUMBER.fullmatch(text):
        return _plain(Fraction(text))
    return text.strip("\"'")


def find_key(name: str, calibration: CalibrationFile) -> str:
    """The dotted key of a calibration that a name means: the whole key, or its last part or parts where only
    one key ends so, or where one that does is in [latch]. UserError naming the possible ones."""
    *sections, key = name.split(".")
    known = [(shown.section, shown.key) for shown in calibration.shown]
    found = []
    for section, other in known:
        full = f"{section}.{key}"
        fits = _same_thing(section, key, other) and _ends_with(section.split("."), sections)
        if fits and full not in found:
            found.append(full)
    exact = [full for full in found if full in (name, f"latch.{name}")]
    if exact or len(found) == 1:
        return (exact or found)[0]
    if found:
        raise UserError(f"--vary {name} may be {' or '.join(found)}", right="give the whole key")
    if sections:
        # What is wrong with it, and what would be right, the calibration itself tells best.
        return name
    near = set(difflib.get_close_matches(key, [other for _, other in known], 3, 0.6))
    names = [f"{section}.{other}" for section, other in known if other in near][:4]
    right = (
        f"the nearest are {', '.join(names)}" if names else "a key with its section, such as latch.hold_ms"
    )
    raise UserError(f"--vary {name} is no key of {calibration.path}", right=right)


def _ends_with(parts: list[str], tail: list[str]) -> bool:
    return not tail or parts[-len(tail) :] == tail


def _same_thing(section: str, key: str, known: str) -> bool:
    """Whether two keys of a section say the same, perhaps in other units of one kind."""
    if key == known:
        return True
    split = units.split_suffix(key)
    if split is None:
        return False
    if split[0] == known == _RELEASE and section in _RATE:
        known = _RATE[section]
    mine, theirs = unit_after(key, split[0]), unit_after(known, split[0])
    return mine is not None and theirs is not None and units.kind_of(mine[0]) == units.kind_of(theirs[0])


def _in_file(key: str, calibration: CalibrationFile) -> Value | None:
    line = lines.split(key)
    if line is not None:
        return _plain(lines.in_file(line, calibration))
    content: Any = tomllib.loads(calibration.text)
    *sections, last = key.split(".")
    for section in sections:
        content = content.get(section) if isinstance(content, dict) else None
    if not isinstance(content, dict):
        return None
    there, factor = in_unit_of_file(content, last)
    value = content.get(there)
    if value is None and _base(last) == _RELEASE:
        value = content.get(_RELEASE)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _plain(Fraction(repr(value)) / factor)
    return value if isinstance(value, bool | str) else None


def _base(key: str) -> str:
    split = units.split_suffix(key)
    return split[0] if split else key


def combinations(varied: Sequence[Varied]) -> list[tuple[Value, ...]]:
    """All combinations of the values, the last key changing fastest."""
    return list(itertools.product(*(one.values for one in varied)))


class Maker:
    """Makes the calibration of each combination of values."""

    def __init__(self, calibration: CalibrationFile, varied: Sequence[Varied]) -> None:
        self._calibration = calibration
        self._varied = varied
        self._rewriter = Rewriter(calibration.text)

    def make(self, combination: Sequence[Value]) -> Setting:
        """One setting. UserErrors with the mistakes told as for a file, and the setting named."""
        changes: dict[str, Any] = {}
        for one, value in zip(self._varied, combination, strict=True):
            changes.update(_change(one.key, value, self._calibration, changes))
        # What is taken out would be gone for the next ones.
        own = None in changes.values()
        text = (Rewriter(self._calibration.text) if own else self._rewriter).set(changes)
        try:
            return Setting(tuple(combination), compile_text(text, self._calibration.path))
        except CalibrationMistakes as mistakes:
            raise UserErrors(_with(mistakes, self._varied, combination)) from None


def settings(
    calibration: CalibrationFile,
    varied: Sequence[Varied],
    progress: Callable[[float], None] = lambda share: None,
) -> list[Setting]:
    """A setting for each combination. The first one that is wrong stops it, as `Maker` does."""
    maker = Maker(calibration, varied)
    wanted = combinations(varied)
    made = []
    for combination in wanted:
        made.append(maker.make(combination))
        progress(len(made) / len(wanted))
    return made


def _change(key: str, value: Value, calibration: CalibrationFile, before: dict[str, Any]) -> dict[str, Any]:
    """What to write for a value. A release in one step and a rate take one another's place; changes of one
    list add up with those `before`."""
    line = lines.split(key)
    if line is not None:
        if not is_number(value):
            raise UserError(f"--vary {key}={written(value)} is no number", right=f"{key}=-20,0,20")
        return lines.changed(line, Fraction(repr(value)), calibration, before)
    section, _, last = key.rpartition(".")
    if _base(last) != _RELEASE:
        return {key: value}
    if value == _STEP:
        rates = [
            f"{section}.{shown.key}"
            for shown in calibration.shown
            if shown.section == section and shown.key != _RELEASE and _base(shown.key) == _RELEASE
        ]
        return {**dict.fromkeys([*rates, key], None), f"{section}.{_RELEASE}": _STEP}
    return {key: value} if last == _RELEASE else {f"{section}.{_RELEASE}": None, key: value}


def _with(mistakes: UserErrors, varied: Sequence[Varied], values: Sequence[Value]) -> Iterator[UserError]:
    place = setting_text(varied, values)
    for mistake in mistakes.errors:
        yield UserError(f"{mistake.what} (with {place})", mistake.where, mistake.right)


def setting_text(varied: Sequence[Varied], values: Sequence[Value]) -> str:
    """Such as "latch.hold_ms = 200, latch.release = step"."""
    return ", ".join(f"{one.key} = {written(value)}" for one, value in zip(varied, values, strict=True))
