"""Runs mutmut on the mutants named by the arguments, in the folder where it is started.

mutmut puts a switch before every function that has mutants, which looks up at each call which one is meant.
The controller's functions are short and called some fifty times a tick: with switches a step takes five times
as long. So each process that tests one mutant first puts the functions themselves where the switches were,
and the one mutant in its place. A switch that this does not reach still works as before.

Start it with `python -P`: mutmut itself says what is imported from where.
"""

import re
import sys
from types import FunctionType, ModuleType
from typing import Any

from mutmut import __main__ as mutmut
from mutmut.runners.harness import PytestRunner

_SWITCHES = re.compile(r"mutants_(x.+)__mutmut")


def settle(mutant: str) -> None:
    """Puts functions in the place of their switches, in every module that knows them."""
    instead: dict[int, FunctionType] = {}
    for module in list(sys.modules.values()):
        for name, choices in list(vars(module).items()) if isinstance(module, ModuleType) else []:
            mangled = _SWITCHES.fullmatch(name)
            if mangled and isinstance(choices, dict):
                here, _, wanted = mutant.rpartition(".")
                function = choices.get(wanted if module.__name__ == here else "", choices["_mutmut_orig"])
                _put(module, mangled[1], function, instead)
    for module in list(sys.modules.values()):
        for name, value in list(vars(module).items()) if isinstance(module, ModuleType) else []:
            if id(value) in instead:
                setattr(module, name, instead[id(value)])


def _put(module: ModuleType, mangled: str, function: Any, instead: dict[int, FunctionType]) -> None:
    if mangled.startswith("xǁ"):
        _, owner, name = mangled.split("ǁ")
        made = getattr(module, owner)
        if isinstance(vars(made)[name], FunctionType):  # no class method or the like
            setattr(made, name, function)
    else:
        instead[id(getattr(module, mangled[2:]))] = function


_plain_run = PytestRunner.run_tests


def _settled_run(self: PytestRunner, *, mutant_name: str | None, tests: Any) -> int:
    if mutant_name is not None:
        settle(mutant_name)
    return _plain_run(self, mutant_name=mutant_name, tests=tests)


PytestRunner.run_tests = _settled_run  # type: ignore[method-assign]

if __name__ == "__main__":
    mutmut._run(sys.argv[1:], 1)
