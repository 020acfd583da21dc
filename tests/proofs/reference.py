"""The reference as the proofs see it: its parts by themselves, and what stands in for a call.

`Part` gives the fields of the reference and of the C core one name: those of the core, with no underscores.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from controller import events, fixed, height, image, latch, lift, maps, progress, requests, step
from tests.proofs.symbolic import Bool, Int, replaced, session, symbolic_builtins

MODULES = {
    "fixed": fixed,
    "height": height,
    "lift": lift,
    "progress": progress,
    "maps": maps,
    "latch": latch,
    "requests": requests,
    "events": events,
    "step": step,
    "image": image,
}

CLASSES: dict[str, type] = {
    "height": height.Height,
    "lowpass": lift.LowPass,
    "lift": lift.Lift,
    "progress": progress.Progress,
    "maps": maps.Maps,
    "latch": latch.Latch,
    "slope": latch.Slope,
    "curve_request": requests.CurveRequest,
    "command": requests.Command,
    "events": events.Events,
    "controller": step.Controller,
}

_OTHER_NAMES = {
    "asked_reduction": "_reduction",
    "asked_retard": "_retard",
    "who": "_who",
    "asking": "_asking",
}


class Part:
    """One object of the reference, its fields by the names of the core."""

    def __init__(self, kind: str) -> None:
        of = CLASSES[kind]
        object.__setattr__(self, "real", of.__new__(of))

    def _name(self, name: str) -> str:
        slots = type(self.real).__slots__
        if name in _OTHER_NAMES and _OTHER_NAMES[name] in slots:
            return _OTHER_NAMES[name]
        return name if name in slots else "_" + name

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, self._name(name))

    def __setattr__(self, name: str, value: Any) -> None:
        setattr(self.real, self._name(name), value.real if isinstance(value, Part) else value)

    def has(self, name: str) -> bool:
        return self._name(name) in type(self.real).__slots__

    def call(self, method: str, *arguments: Any) -> Any:
        """A method by its name in the reference."""
        return getattr(self.real, method)(*arguments)


class Reference:
    """controller/ run by Python itself."""

    name = "reference"
    watch = "/controller/"
    is_core = False

    def part(self, kind: str) -> Any:
        return Part(kind)

    def function(self, module: str, name: str) -> Any:
        return getattr(MODULES[module], name)

    # What differs between the reference and the core, so that one text proves both.

    def flag(self, name: str) -> Any:
        return session().integer(name, 0, 1)

    def input_flag(self, name: str) -> Any:
        return session().integer(name, -(1 << 31), (1 << 31) - 1)

    def flag_value(self, value: Int) -> Any:
        return value

    def is_set(self, flag: Any) -> Any:
        return flag == 1

    def integer(self, value: Any) -> Any:
        return _number(value)

    def reset(self, part: Any, calibration: Any) -> None:
        part.calibration = calibration
        with self.standing_in():
            part.call("reset")

    def interpolate(self, signed: bool) -> Any:
        return fixed.interpolate

    def segment(self, signed: bool) -> Any:
        return maps._segment

    def bilinear(self, *arguments: Any) -> Any:
        return maps._bilinear(*arguments)

    def bilinear_as(self, stand_in: Any) -> Any:
        return stand_in

    def loaded(self, part: Any) -> None:
        part.real._loaded = True

    @contextmanager
    def parts_standing_in(self, calls: Any = None) -> Iterator[None]:
        yield

    def step(self, part: Any, inputs: dict[str, Any]) -> None:
        part.call("step", *inputs.values())

    def parts_of(self, part: Any) -> None:
        """Event and spark only hand on."""

    @contextmanager
    def standing_in(self, **calls: Any) -> Iterator[None]:
        """Runs with other functions in place of some.

        `function=` stands in wherever a module knows the function by that name; `kind__method=` is called
        with the Part and the arguments.
        """
        changes: list[tuple[Any, str, Any]] = []
        for name, call in calls.items():
            if "__" in name:
                kind, method = name.split("__", 1)
                of = CLASSES[kind]
                real = "_" + method if "_" + method in of.__dict__ else method
                if real not in of.__dict__:
                    raise AttributeError(f"{of.__name__} has no {method}")
                changes.append((of, real, _as_method(kind, call)))
            else:
                found = [m for m in MODULES.values() if name in m.__dict__ or "_" + name in m.__dict__]
                if not found:
                    raise AttributeError(name)
                changes += [(m, name if name in m.__dict__ else "_" + name, call) for m in found]
        with ExitStack() as stack:
            stack.enter_context(symbolic_builtins(*MODULES.values()))
            stack.enter_context(replaced(*changes))
            yield


def _number(value: Any) -> Any:
    """A flag as 0 or 1 where the code gives a truth value."""
    if isinstance(value, Bool):
        return 1 if value else 0
    return int(value) if isinstance(value, bool) else value


def _as_method(kind: str, call: Any) -> Any:
    def method(real: Any, *arguments: Any) -> Any:
        part = Part(kind)
        object.__setattr__(part, "real", real)
        return call(part, *arguments)

    return method
