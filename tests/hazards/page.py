"""Write the tables of README.md from what is pinned: python -m tests.hazards.page."""

from __future__ import annotations

from pathlib import Path

from .cells import CELLS, FAILURES, story
from .closed_loop import Line, as_markdown, pins
from .loop_stories import CALIBRATIONS, STORIES
from .tally import RUNS, name_of, pinned

PAGE = Path(__file__).with_name("README.md")


def open_loop() -> list[str]:
    """A row for each failure in which torque came back, a cut stayed or a clean car lost time."""
    record = pinned()
    lines = [
        "| failure | torque back, runs | cut stays, runs | of | clean car loses, s | what it is |",
        "|---|---|---|---|---|---|",
    ]
    for failure in FAILURES:
        names = [name_of(*cell, look) for cell in CELLS if cell[0] == failure for look in (False, True)]
        back = sum(len(record.back.get(name, ())) for name in names)
        stays = sum(len(record.stays.get(name, ())) for name in names)
        lost = [record.lost[name] for name in names if name in record.lost]
        mean = f"{sum(lost) / len(lost):.3f}" if lost else "-"
        if back or stays or any(lost):
            row = (failure, str(back), str(stays), str(RUNS * len(names)), mean, story(failure))
            lines.append("| " + " | ".join(row) + " |")
    return lines


def closed_loop() -> list[str]:
    """The closed-loop table as pinned."""
    record = pins()
    lines: dict[tuple[str, str], Line] = {}
    for name in STORIES:
        for calibration in CALIBRATIONS:
            values = dict(record[f"{name} / {calibration}"])
            said = values.pop("said")
            assert isinstance(said, list)
            lines[name, calibration] = Line(said=tuple(said), **{k: float(str(v)) for k, v in values.items()})
    return as_markdown(lines)


def written(text: str) -> str:
    """The page's text with both tables as pinned."""
    for mark, table in (("open loop", open_loop()), ("closed loop", closed_loop())):
        start, end = f"<!-- {mark} -->\n", f"<!-- end of {mark} -->"
        head, rest = text.split(start)
        text = head + start + "\n".join(table) + "\n" + end + rest.split(end)[1]
    return text


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text()))
