"""Results as JUnit XML, which build servers read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as xml


@dataclass(frozen=True)
class Case:
    """One thing that was tried: `failure` is (message, text) where it is wrong, `error` why nothing is known
    of it, `said` what else there is to say."""

    name: str
    seconds: float
    said: str
    failure: tuple[str, str] | None = None
    error: str | None = None


def junit(command: str, cases: Sequence[Case]) -> bytes:
    """A suite of all cases, called by the command ("liftlatch verify")."""
    suite = xml.Element(
        "testsuite",
        name=command,
        tests=str(len(cases)),
        failures=str(sum(case.failure is not None for case in cases)),
        errors=str(sum(case.error is not None for case in cases)),
        time=f"{sum(case.seconds for case in cases):.3f}",
    )
    for one in cases:
        case = xml.SubElement(
            suite, "testcase", classname=command.replace(" ", "."), name=one.name, time=f"{one.seconds:.3f}"
        )
        if one.failure is not None:
            xml.SubElement(case, "failure", message=one.failure[0]).text = one.failure[1]
        elif one.error is not None:
            xml.SubElement(case, "error", message=one.error)
        xml.SubElement(case, "system-out").text = one.said
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + xml.tostring(suite) + b"\n"
