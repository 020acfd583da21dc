"""What the page of a comparison is made of, without a browser."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bench.calibration import CalibrationFile, compile_text
from bench.compare.document import make_document
from bench.compare.facts import make_facts
from bench.compare.study import Study, read_and_run
from bench.document.blocks import Bands, Document, Panel, Strip, Table, Text
from bench.replay.inputs import Options
from bench.trace.choice import ColumnChoice
from tests.replay_support import FILE, write_trace

HEADER = "Time [s],Height [mm],Speed [km/h],Armed,Launch"


def launches(path: Path, tops_mm: list[float]) -> Path:
    """A trace with a launch each 3 s, whose nose rises by `tops_mm`."""
    rows = []
    for i in range(300 * len(tops_mm)):
        at = (i % 300) / 100 - 1
        lift = tops_mm[i // 300] * np.sin(np.pi * at) if 0 < at < 1 else 0.0
        speed = max(0.0, 60 * at) if at < 1.5 else 0.0
        rows.append(
            (i / 100, round(130 + lift, 1), round(speed, 1), int(-0.8 < at < 1.5), int(0 <= at < 1.5))
        )
    return write_trace(path, HEADER, rows)


def compared(paths: list[Path], *calibrations: CalibrationFile) -> Document:
    study: Study = read_and_run(paths, calibrations, ColumnChoice(), Options(), "reference")
    facts = make_facts(study, "liftlatch compare")
    return make_document(facts, study)


def strip(made: Document, name: str) -> Strip:
    blocks = [block for section in made.sections for block in section.blocks]
    return next(block for block in blocks if isinstance(block, Strip) and block.name == name)


def lift_lines(made: Document) -> dict[str, str]:
    panel = strip(made, "trace-1").panels[0]
    assert isinstance(panel, Panel)
    return {line.label: line.look for line in panel.lines}


A = compile_text(FILE, "a.toml")
LONGER = compile_text(FILE.replace("hold_ms = 300", "hold_ms = 500"), "b.toml")
LOWER = compile_text(FILE.replace("[250, 250]\ngreatest", "[200, 180]\ngreatest"), "c.toml")


def test_of_many_runs_the_furthest_are_drawn_and_all_are_listed(tmp_path: Path) -> None:
    tops = [150.0, 155, 100, 152, 210, 151, 60, 230, 20, 149]
    made = compared([launches(tmp_path / "many.csv", tops)], A)
    section = next(section for section in made.sections if section.title == "Runs by their launch")
    drawn = strip(made, "by-launch")
    furthest = sorted(range(1, len(tops)), key=lambda i: -abs(tops[i] - tops[0]))[:5]
    assert set(drawn.series) == {"run-0", *(f"run-{i}" for i in furthest)}
    panel = drawn.panels[0]
    assert isinstance(panel, Panel)
    # each has a look of its own, and is called by its launch
    assert len({line.look for line in panel.lines}) == len(panel.lines) == 6
    assert [line.label.rsplit(" ", 1)[1] for line in panel.lines] == [
        "1",
        *(str(i + 1) for i in sorted(furthest)),
    ]
    table = next(block for block in section.blocks if isinstance(block, Table))
    assert len(table.rows) == len(tops) - 1
    assert any(
        "all 10" in text for block in section.blocks if isinstance(block, Text) for text in block.paragraphs
    )


def test_ceilings_that_are_the_same_are_one_line(tmp_path: Path) -> None:
    trace = launches(tmp_path / "run.csv", [150.0])
    assert lift_lines(compared([trace], A, LONGER)) == {"lift": "main", "full reduction": "limit"}
    lines = lift_lines(compared([trace], A, LONGER, LOWER))
    assert list(lines) == ["lift", "full reduction, A and B", "full reduction, C"]
    assert len(set(lines.values())) == 3


def test_a_difference_of_the_retard_alone_is_told(tmp_path: Path) -> None:
    trace = launches(tmp_path / "run.csv", [110.0])  # above where the retard begins, below the reduction
    made = compared([trace], A, LONGER)
    base = strip(made, "trace-1").series
    retard = [base[letter].columns["retard"].numbers.astype(int) for letter in "AB"]
    most = np.abs(retard[0] - retard[1]).max() / 10
    assert most > 0
    assert made.answer[0].endswith(f"Only the retard differs, by {most:.1f}° at most.")
    assert f"retard +{most:.1f}°" in strip(made, "trace-1").places[0].title


def test_more_calibrations_than_can_be_told_apart(tmp_path: Path) -> None:
    """Curves of the first ones, each of a look of its own; bands and tables of all."""
    trace = launches(tmp_path / "run.csv", [150.0])
    full = "[250, 250]\ngreatest"
    others = [
        compile_text(FILE.replace(full, f"[{top}, 240]\ngreatest"), f"{top}.toml") for top in range(241, 248)
    ]
    made = compared([trace], A, *others)
    whole = strip(made, "trace-1")
    for panel in whole.panels:
        if isinstance(panel, Panel):
            looks = [line.look for line in panel.lines if line.label != "lift"]
            assert len(set(looks)) == len(looks) == 6
    bands = next(panel for panel in whole.panels if isinstance(panel, Bands))
    assert [row.label for row in bands.rows if row.label.endswith(" by")] == [f"{c} by" for c in "ABCDEFGH"]
    said = [text for s in made.sections for b in s.blocks if isinstance(b, Text) for text in b.paragraphs]
    assert any("of A to F" in text for text in said)
    taken = next(
        b for s in made.sections for b in s.blocks if isinstance(b, Table) and b.caption == "What each takes"
    )
    assert [row[0] for row in taken.rows] == list("ABCDEFGH")
