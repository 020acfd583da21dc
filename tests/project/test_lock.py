"""The lock files answer to pyproject.toml. What is checked against: the specifiers of PEP 440 as the library
`packaging` reads them."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests import ROOT
from tests.lock import LOCKS, asked, digest

_STALE = "is stale; write it anew: python -m tests.lock"


def _locked(kind: str) -> Iterator[tuple[Requirement, int]]:
    """Each package of a lock file and how many hashes it has."""
    lines = [line for line in LOCKS[kind].read_text().splitlines() if not line.startswith("#")]
    for block in "\n".join(lines).replace("\\\n", " ").splitlines():
        name, *hashes = re.split(r"\s+--hash=sha256:", block.strip())
        assert all(re.fullmatch("[0-9a-f]{64}", one) for one in hashes), name
        yield Requirement(name), len(hashes)


@pytest.mark.parametrize("kind", LOCKS)
def test_it_is_of_what_is_asked_for_now(kind: str) -> None:
    path = LOCKS[kind]
    assert f"SHA-256 {digest()}\n" in path.read_text(), f"{path.relative_to(ROOT)} {_STALE}"
    found: dict[str, list[str]] = {}
    for requirement, hashes in _locked(kind):
        (only,) = requirement.specifier
        assert only.operator == "==", requirement
        assert hashes, requirement
        found.setdefault(canonicalize_name(requirement.name), []).append(only.version)
    more = [one for extra in asked()["more"].values() for one in extra] if kind == "test" else []
    for text in [*asked()["build"], *asked()["run"], *more]:
        wanted = Requirement(text)
        versions = found.get(canonicalize_name(wanted.name), [])
        assert versions, f"{text}: {path.relative_to(ROOT)} {_STALE}"
        assert all(version in wanted.specifier for version in versions), (text, versions)


def test_both_have_the_same_versions() -> None:
    run, test = ({(one.name, str(one.specifier)) for one, _ in _locked(kind)} for kind in LOCKS)
    assert run < test


@pytest.mark.parametrize("kind", LOCKS)
def test_no_host_is_named(kind: str) -> None:
    text = LOCKS[kind].read_text()
    assert "://" not in text
    assert not re.search(r"(?m)^\s*-(?!-hash=sha256:)", text)


def test_the_digest_notices_a_change(monkeypatch: pytest.MonkeyPatch) -> None:
    before, now = digest(), asked()
    monkeypatch.setattr("tests.lock.asked", lambda: {**now, "run": [*now["run"], "more>=1"]})
    assert digest() != before
