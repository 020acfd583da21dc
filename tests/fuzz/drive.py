"""Runs a Python target under atheris: python -m tests.fuzz.drive TARGET [options of libFuzzer]"""

from __future__ import annotations

import importlib
import random
import sys

import atheris


def main() -> None:
    name = sys.argv.pop(1)
    with atheris.instrument_imports(include=["bench", "controller"]):
        target = importlib.import_module(f"tests.fuzz.{name}_target")

    def mutate(data: bytes, most: int, seed: int) -> bytes:
        made: bytes = target.mutate(data, most, random.Random(seed), atheris.Mutate)
        return made[:most]

    if hasattr(target, "prepare"):
        target.prepare()
    atheris.Setup(sys.argv, target.one_input, custom_mutator=mutate)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
