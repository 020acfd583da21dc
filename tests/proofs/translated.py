"""The translated C core beside the compiled one: the same inputs, the whole state compared after each tick.

The translated functions run on constants of the kind that the proofs use, so this also compares the proofs'
arithmetic with a C compiler's.
"""

from __future__ import annotations

import random
from types import SimpleNamespace
from typing import Any

from bench.calibration.image import pack
from bench.twin.generate import make_inputs, make_values
from controller import Calibration, read
from firmware_model import binding
from tests.proofs.core import Core, Part
from tests.proofs.symbolic import Int, NotProved, Session, constant

TICKS = 1000
SOON = 250  # ticks after which a case's sensor is believed: others would show little

_KINDS = {"maps": "maps", "reduction": "latch", "retard": "latch", "blind_slope": "slope"}
_KINDS |= {"engine": "curve_request", "shaft": "curve_request", "speed": "lowpass"}


class _Chance:
    """A source of choices with a seed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def whole(self, below: int) -> int:
        return self._random.randrange(below)


def _copy(state: Any, ffi: Any, core: Core, kind: str, calibration: Any) -> Part:
    """A struct of the compiled core as a part of the translated one."""
    part = core.part(kind)
    for name, field in ffi.typeof(state).fields:
        value = getattr(state, name)
        if field.type.kind == "struct":
            inner = "slope" if kind == "curve_request" else _KINDS.get(name, name)
            setattr(part, name, _copy(value, ffi, core, inner, calibration))
        elif field.type.kind == "array":
            setattr(part, name, [constant(one) for one in value])
        elif field.type.kind == "pointer":
            setattr(part, name, _pointed(kind, name, calibration))
        else:
            setattr(part, name, constant(value))
    return part


def _pointed(kind: str, name: str, calibration: Any) -> Any:
    if name == "calibration":
        return calibration
    fields = {
        "ms": "ms",
        "rpm": "rpm",
        "line": "over_rpm",
        "line_reduction": "reduction",
        "line_retard": "retard",
    }
    return f"{fields[name]}"


def _wire(part: Part, calibration: Any) -> None:
    """Curves point into the calibration."""
    for request in ("engine", "shaft"):
        inner = getattr(part, request)
        for name in ("ms", "rpm", "line", "line_reduction", "line_retard"):
            setattr(inner, name, getattr(calibration, f"{request}_{getattr(inner, name)}"))


# What acts is packed by what is not translated (core.LEFT_OUT); the digest knows nothing of it either.
_PACKED = ("acting", "newest")


def _compare(part: Any, state: Any, ffi: Any, at: str) -> None:
    for name, field in ffi.typeof(state).fields:
        if name in _PACKED:
            continue
        mine, theirs = getattr(part, name), getattr(state, name)
        if field.type.kind == "struct":
            _compare(mine, theirs, ffi, f"{at}.{name}")
        elif field.type.kind == "array":
            if [_plain(one) for one in mine] != list(theirs):
                raise NotProved(f"{at}.{name} differs")
        elif field.type.kind != "pointer" and _plain(mine) != theirs:
            raise NotProved(f"{at}.{name}: translated {_plain(mine)}, compiled {theirs}")


def _plain(value: Any) -> int:
    if isinstance(value, Int):
        assert value.known is not None
        return value.known
    return int(value)


def seeds(count: int) -> list[int]:
    """The first so many seeds whose calibration believes its sensor soon."""
    found: list[int] = []
    seed = 0
    while len(found) < count:
        values = make_values(_Chance(seed))
        heal, every = values["heal_samples"], values["sample_ticks"]
        assert isinstance(heal, int)
        assert isinstance(every, int)
        if heal * every <= SOON:
            found.append(seed)
        seed += 1
    return found


def differences(seed: int, ticks: int = TICKS, core: Core | None = None) -> int:
    """Runs one random calibration and trace; how many ticks were equal. NotProved at the first difference."""
    source = _Chance(seed)
    values = make_values(source)
    image = pack(values)
    inputs = make_inputs(source, values, ticks)
    compiled = binding.Core()
    calibration = Calibration()
    if compiled.load(image) or read(image, calibration):
        raise ValueError("the image is refused")
    for name, value in vars(calibration).items():
        setattr(
            calibration, name, [constant(v) for v in value] if isinstance(value, list) else constant(value)
        )
    translated = core or Core()
    names = ("counts", "speed", "speed_valid", "engine", "shaft", "armed", "launch")
    names += ("request_reduction", "request_retard", "request_reason")
    equal = 0

    def run() -> None:
        nonlocal equal
        ffi = compiled._ffi
        part = _copy(compiled._state[0], ffi, translated, "controller", calibration)
        _wire(part, calibration)
        for tick in range(ticks):
            row = [int(inputs[name][tick]) for name in names]
            number = int(inputs["tick"][tick]) & 0xFFFF
            compiled.step(number, *row)
            given = dict(zip(("tick", *names), (number, *row), strict=True))
            given["engine_speed"], given["shaft_speed"] = given.pop("engine"), given.pop("shaft")
            part.call("step", SimpleNamespace(**{key: constant(v) for key, v in given.items()}))
            cylinder = 1 + source.whole(12)
            bits = _plain(translated.namespaces["step"]["lift_event"](part, constant(cylinder)))
            spark = _plain(translated.namespaces["step"]["lift_spark"](part, constant(cylinder)))
            if (bits, spark) != (compiled.event(cylinder), compiled.spark(cylinder)):
                raise NotProved(f"seed {seed}, tick {tick}: the event of cylinder {cylinder}")
            _compare(part, compiled._state[0], ffi, f"seed {seed}, tick {tick}")
            equal += 1

    Session().run(run)
    return equal
