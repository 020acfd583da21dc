"""What a stand test leaves for other programs: junit.xml."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.document.junit import Case, junit
from bench.stand.facts import failures


def write_junit(folder: Path, facts: dict[str, Any]) -> None:
    """One test case for each step."""
    cases = []
    for step in facts["steps"]:
        wrong = failures(step)
        said = "\n".join(f"{one['what']}: {one['seen']} (right: {one['right']})" for one in step["findings"])
        seconds = step["ticks"] * facts["tick_us"] / 1e6
        failure = (wrong[0], "\n".join(wrong)) if wrong else None
        cases.append(Case(step["name"], seconds, said, failure))
    (folder / "junit.xml").write_bytes(junit("liftlatch stand", cases))
