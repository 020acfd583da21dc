"""The pages of the stand: one HTML file in which style, script, the core and a calibration stand; and the one
that the live stand serves."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.calibration.image import REFUSALS, field_places
from bench.cautions import CAUTIONS, SHORT
from bench.page import built
from bench.replay.codes import FAULTS, REASONS, STATES
from bench.trace.text import shown
from controller import constants as c
from firmware_model import wasm
from firmware_model.binding import OUTPUT_TYPES

if TYPE_CHECKING:
    from jinja2 import Template

    from bench.calibration import CalibrationFile

_HERE = Path(__file__).parent

# What the page says of the sensor: the first of these that is on.
_SENSOR_BITS = (c.FAULT_ACQUIRING, c.FAULT_OUT_OF_SIGHT, c.FAULT_STUCK, c.FAULT_FALL, c.FAULT_SENSOR)


def _spec(calibration: CalibrationFile) -> dict[str, Any]:
    """What the script of either page is told."""
    return {
        "image": base64.b64encode(calibration.image).decode(),
        "fields": field_places(),
        "outputs": list(OUTPUT_TYPES),
        "reasons": REASONS,
        "states": {state: name.replace("_", " ") for state, name in STATES.items()},
        "sensor": [(bit, FAULTS[bit][1]) for bit in _SENSOR_BITS],
        "refusals": REFUSALS,
    }


def _made(calibration: CalibrationFile, version: str) -> list[tuple[str, str]]:
    return [
        ("Calibration", shown(str(calibration.path))),
        ("Its image", f"CRC-32 {calibration.crc:08x}, {len(calibration.image)} bytes"),
        ("Liftlatch", version),
    ]


def render(calibration: CalibrationFile, version: str) -> str:
    """The text of the page for a calibration; `version` is Liftlatch's."""
    controller = f"core.wasm, SHA-256 {hashlib.sha256(wasm.module()).hexdigest()[:16]}…"
    return _template("page.html").render(
        spec={**_spec(calibration), "core": base64.b64encode(wasm.module()).decode()},
        name=shown(calibration.path.name),
        made=[*_made(calibration, version), ("The controller", controller)],
        short=SHORT,
        cautions=CAUTIONS,
        style=built("stand.css").decode(),
        script=_script(),
        licences=built("stand-licences.txt").decode(),
    )


def render_live(calibration: CalibrationFile, version: str, fed: str, every: int, loads: bool) -> str:
    """The text of the page that the live stand serves: it shows each `every`-th tick; `fed` says of what,
    `loads` whether it may load the calibration's file anew."""
    return _template("live.html").render(
        spec={**_spec(calibration), "live": {"every": every, "loads": loads, "file": calibration.path.name}},
        name=shown(calibration.path.name),
        fed=fed,
        made=[*_made(calibration, version), ("Fed by", fed)],
        cautions=CAUTIONS,
    )


@cache
def _template(name: str) -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template(name)


@cache
def _script() -> str:
    text = built("stand.js").decode()
    assert "</script" not in text.lower()
    assert "<!--" not in text
    return text
