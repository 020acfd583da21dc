"""The conformance set that the project has chosen."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from bench.conformance.cases import Case, digest_of_case
from bench.conformance.images import changed_images

SET = Path(__file__).with_name("set.toml")


@dataclass(frozen=True)
class ConformanceSet:
    """The chosen cases, in order. `digest` is SHA-256 over all that is sent and all that is right. Of
    `mutants` of the C core the set finds `found` by outputs, events and verdicts alone (`python -m
    tests.mutation --conformance`)."""

    version: int
    digest: str
    mutants: int
    found: int
    cases: tuple[Case, ...]


@cache
def conformance_set() -> ConformanceSet:
    """The set that the project has chosen."""
    read = tomllib.loads(SET.read_text(encoding="utf-8"))
    cases = tuple(Case(seed, ticks) for seed, ticks in read["cases"])
    return ConformanceSet(read["version"], read["digest"], read["mutants"], read["found"], cases)


def digest_of(cases: Sequence[Case]) -> str:
    """SHA-256, in hexadecimal digits, over those of some cases and over the images that go with the first."""
    digest = hashlib.sha256("".join(digest_of_case(case) for case in cases).encode())
    for image in changed_images(cases[0]):
        digest.update(bytes([image.verdict]) + image.bytes)
    return digest.hexdigest()
