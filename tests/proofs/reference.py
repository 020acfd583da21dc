"""The reference as the proofs see it: its parts by themselves, and what stands in for a call.

`Part` gives the fields of the reference and of the C core one name: those of the core, with no underscores.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

from tests import ROOT
from tests.proofs import nodes
from tests.proofs.symbolic import Bool, Int, replaced, session, symbolic_builtins, where

# In the order in which they import one another.
NAMES = (
    "constants",
    "fixed",
    "image",
    "height",
    "lift",
    "progress",
    "maps",
    "latch",
    "requests",
    "events",
    "step",
)

CLASSES = {
    "height": ("height", "Height"),
    "lowpass": ("lift", "LowPass"),
    "lift": ("lift", "Lift"),
    "progress": ("progress", "Progress"),
    "maps": ("maps", "Maps"),
    "latch": ("latch", "Latch"),
    "slope": ("latch", "Slope"),
    "curve_request": ("requests", "CurveRequest"),
    "command": ("requests", "Command"),
    "events": ("events", "Events"),
    "controller": ("step", "Controller"),
}

_OTHER_NAMES = {
    "asked_reduction": "_reduction",
    "asked_retard": "_retard",
    "who": "_who",
    "asking": "_asking",
}

Change = tuple[str, str, str]  # module, text, other text


def _modules(changes: tuple[Change, ...]) -> dict[str, ModuleType]:
    """The modules of controller/, or a copy of them all in which some text is another."""
    if not changes:
        return {name: importlib.import_module(f"controller.{name}") for name in NAMES}
    package = ModuleType("changed_controller")
    package.__path__ = []
    modules: dict[str, ModuleType] = {}
    sys.modules[package.__name__] = package
    try:
        for name in NAMES:
            path = Path(ROOT / "controller" / f"{name}.py")
            text = path.read_text(encoding="utf-8")
            for module, before, after in changes:
                if module == name:
                    if text.count(before) != 1:
                        raise ValueError(f"{before!r} stands {text.count(before)} times in {path.name}")
                    text = text.replace(before, after)
            made = ModuleType(f"{package.__name__}.{name}")
            made.__file__ = str(path)
            made.__package__ = package.__name__
            sys.modules[made.__name__] = made
            exec(compile(text, str(path), "exec"), made.__dict__)
            modules[name] = made
    finally:
        for name in (package.__name__, *(module.__name__ for module in modules.values())):
            sys.modules.pop(name, None)
    return modules


class Part:
    """One object of the reference, its fields by the names of the core."""

    def __init__(self, real: Any) -> None:
        object.__setattr__(self, "real", real)

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
    """controller/ run by Python itself; `changes` put a fault into a copy of it."""

    name = "reference"
    watch = "/controller/"
    is_core = False

    def __init__(self, *changes: Change) -> None:
        self.modules = _modules(changes)
        self.classes = {kind: getattr(self.modules[module], name) for kind, (module, name) in CLASSES.items()}

    def part(self, kind: str) -> Part:
        of = self.classes[kind]
        return Part(of.__new__(of))

    def function(self, module: str, name: str) -> Any:
        return getattr(self.modules[module], name)

    # What differs between the reference and the core, so that one text proves both.

    def flag(self, name: str) -> Any:
        return session().integer(name, 0, 1)

    def input_flag(self, name: str) -> Any:
        return session().integer(name, -(1 << 31), (1 << 31) - 1)

    def flag_value(self, value: Int) -> Any:
        return value

    def is_set(self, flag: Any) -> Any:
        return flag == 1

    def truth(self, value: Any) -> Any:
        return value

    def integer(self, value: Any) -> Any:
        """A flag as 0 or 1 where the code gives a truth value."""
        if isinstance(value, Bool):
            return 1 if value else 0
        return int(value) if isinstance(value, bool) else value

    def reset(self, part: Any, calibration: Any) -> None:
        part.calibration = calibration
        with self.standing_in():
            part.call("reset")

    def reset_whole(self, part: Any) -> None:
        part.call("reset")

    def interpolate(self, signed: bool) -> Any:
        return self.function("fixed", "interpolate")

    def segment(self, signed: bool) -> Any:
        return self.function("maps", "_segment")

    def bilinear(self, *arguments: Any) -> Any:
        return self.function("maps", "_bilinear")(*arguments)

    def bilinear_as(self, stand_in: Any) -> Any:
        return stand_in

    def axis_checks(self) -> list[tuple[Any, bool]]:
        """The functions of the image check that pass an axis, and whether it rises."""
        return [(self.function("image", "_rises"), True), (self.function("image", "_falls"), False)]

    def loaded(self, part: Any) -> None:
        part.real._loaded = True

    @contextmanager
    def parts_standing_in(self, calls: Any) -> Iterator[None]:
        """The controller's parts are objects that bring their methods with them."""
        yield

    def inputs_standing_in(self) -> dict[str, Any]:
        """Inputs are cut by clamp."""
        return {}

    def step(self, part: Any, inputs: dict[str, Any]) -> None:
        part.call("step", *inputs.values())

    # places

    def where(self, place: tuple[CodeType, int]) -> str:
        return where(place)

    def operations(self) -> int:
        return len(nodes.operations())

    def left_out(self, places: Any) -> list[str]:
        """The operations for which no bound was noted."""
        return [f"{node.file}:{node.line}: {node.text}" for node in nodes.left_out(places)]

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
                of = self.classes[kind]
                real = "_" + method if "_" + method in of.__dict__ else method
                if real not in of.__dict__:
                    raise AttributeError(f"{of.__name__} has no {method}")
                changes.append((of, real, _as_method(call)))
            else:
                owners = [m for m in self.modules.values() if name in m.__dict__ or "_" + name in m.__dict__]
                if not owners:
                    raise AttributeError(name)
                changes += [(m, name if name in m.__dict__ else "_" + name, call) for m in owners]
        with ExitStack() as stack:
            stack.enter_context(symbolic_builtins(*self.modules.values()))
            stack.enter_context(replaced(*changes))
            yield


def _as_method(call: Any) -> Any:
    def method(real: Any, *arguments: Any) -> Any:
        return call(Part(real), *arguments)

    return method
