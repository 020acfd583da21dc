"""What a start asks: each answer's option, its words, where to read or measure it, and what stands in."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from bench.errors import UserError
from bench.units import convert_suffix

_NUMBER = re.compile(r"\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*?)\s*$")


@dataclass(frozen=True)
class Question:
    """`unit` is the one of a bare number; `guess` stands in where nobody knows: a text as a person would
    answer, or nothing where only the car can tell. `count`: how many numbers, or how many at least and at
    most."""

    name: str
    asks: str
    measure: str
    unit: str = ""
    guess: str = ""
    count: tuple[int, int] = (1, 1)
    least: float = 0.0
    greatest: float = math.inf

    @property
    def option(self) -> str:
        """The option that answers it."""
        return f"--{self.name.replace('_', '-')}"


QUESTIONS: tuple[Question, ...] = (
    Question("name", "What is the car called?", "Any name; it stands on reports.", guess="My car"),
    Question(
        "mass",
        "What does the car weigh with its driver, ready to run?",
        "All four wheels on scales, added up.",
        "kg", least=300, greatest=3000,
    ),
    Question(
        "front_weight",
        "How much of that do the front wheels carry?",
        "The two front scales, added up. It says where the centre of gravity is.",
        "kg", least=50, greatest=2500,
    ),
    Question(
        "wheelbase", "How long is the wheelbase?", "From a front wheel's centre to the rear wheel's.",
        "mm", least=1500, greatest=8000,
    ),
    Question(
        "cg_height",
        "How high is the centre of gravity?",
        "Weigh the front again with the rear axle raised, or let it be guessed from the wheelbase.",
        "mm", guess="0.21 of the wheelbase, 650 mm at most", least=100, greatest=1500,
    ),
    Question(
        "droop",
        "How far do the front wheels drop when the nose is lifted off them?",
        "Jack the nose up slowly: how far does the body rise at the axle until the tyres leave the ground?",
        "mm", least=1, greatest=400,
    ),
    Question(
        "tyres",
        "How high above the ground are the axles, rear and front?",
        "The car standing: from the ground to the centre of a rear wheel, then of a front one.",
        "mm", count=(2, 2), least=150, greatest=700,
    ),
    Question(
        "bar",
        "Wheelie bar: how far behind the rear axle is its wheel, and how high over the ground?",
        "The car standing. Answer 0 for a car without a bar.",
        "mm", count=(1, 2), greatest=4000,
    ),
    Question(
        "sensor_ahead",
        "How far ahead of the front axle does the height sensor look down?",
        "From the centre of a front wheel forwards to the beam; below 0 behind it.",
        "mm", least=-4000, greatest=2500,
    ),
    Question(
        "sensor_rest", "How high is the sensor with the car standing?", "From the sensor straight down.",
        "mm", least=1, greatest=2000,
    ),
    Question(
        "sensor_volts",
        "Which voltages does the sensor give, at the lowest and at the highest height that it reads?",
        "Its data sheet, or a meter and two blocks of known height.",
        "V", count=(2, 2), greatest=30,
    ),
    Question(
        "sensor_range", "Which heights are those?", "The same two, in the same order.",
        "mm", count=(2, 2), greatest=5000,
    ),
    Question(
        "sensor_period",
        "How often does the sensor have a new reading?",
        "Its data sheet: a rate of 100 Hz is 10 ms.",
        "ms", guess="10", least=0.5, greatest=50,
    ),
    Question(
        "adc", "Up to which voltage does the controller's converter read, and how many bits has it?",
        "The controller's manual.",
        "", guess="5, 12", count=(2, 2), least=1, greatest=30,
    ),
    Question(
        "power", "What does the engine give at its best, and at which speed?",
        "A dyno sheet, or an honest guess. The second number is in rpm.",
        "kW", count=(2, 2), least=50, greatest=15000,
    ),
    Question(
        "launch_speed", "At which engine speed does it leave?", "The launch control's setting, or a log.",
        "rpm", least=500, greatest=15000,
    ),
    Question(
        "gears", "Which ratios has the gearbox, first gear first?", "Its data sheet.",
        "", count=(1, 6), least=0.3, greatest=10,
    ),
    Question(
        "final_drive", "And the final drive?", "Ring gear teeth over pinion teeth.", "", least=1, greatest=10
    ),
    Question(
        "shift_speed", "At which engine speed is it shifted?", "The shift light's setting, or a log.",
        "rpm", guess="the speed of its best power", least=500, greatest=15000,
    ),
    Question(
        "firing_order", "In which order do the cylinders fire?", "The engine's manual.",
        "", count=(1, 12), least=1, greatest=12,
    ),
)  # fmt: skip
BY_NAME = {question.name: question for question in QUESTIONS}


def numbers(question: Question, text: str) -> list[float]:
    """An answer as numbers in the question's unit: "47 in", "1200", "1.76, 1". Raises UserError."""
    parts = [part for part in re.split(r"[;\s]*[;,]\s+|;|\s+(?=[-+.\d])", text.strip()) if part]
    found: list[float] = []
    units: list[str] = []
    for part in parts:
        match = _NUMBER.match(part)
        if match is None:
            raise UserError(f"{part!r} is not a number", question.option, _right(question))
        found.append(float(match[1].replace(",", ".")))
        units.append(match[2])
    least, most = question.count
    if not least <= len(found) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        raise UserError(f"has {len(found)} numbers", question.option, f"{wanted}: {_right(question)}")
    given = next((unit for unit in reversed(units) if unit), "")
    if question.name == "power":
        given = units[0]
    found = [_in_unit(question, value, given if i == 0 or question.name != "power" else "")
             for i, value in enumerate(found)]  # fmt: skip
    for value in found if question.name not in ("bar", "power", "adc") else found[:1]:
        if not question.least <= value <= question.greatest and not (question.name == "bar" and value == 0):
            right = f"{question.least:g} to {question.greatest:g} {question.unit}".rstrip()
            raise UserError(f"{value:g} {question.unit} cannot be".replace("  ", " "), question.option, right)
    return found


def _in_unit(question: Question, value: float, given: str) -> float:
    if not given or not question.unit:
        if given:
            raise UserError(f"takes no unit, and {given!r} stands there", question.option, "plain numbers")
        return value
    if question.unit == "kW":
        factor = {"kw": 1.0, "hp": 0.7456998716, "ps": 0.73549875}.get(given.lower())
        if factor is None:
            raise UserError(f"{given!r} is no unit of power", question.option, "kW or hp")
        return value * factor
    try:
        return float(convert_suffix(value, given.lower(), question.unit))
    except ValueError:
        right = f"for example {question.unit}"
        raise UserError(f"{given!r} is no unit of this kind", question.option, right) from None


def _right(question: Question) -> str:
    example = ", ".join(["12.5"] * question.count[0])
    return f"for example {example} {question.unit}".rstrip()


def demand_all(answers: Mapping[str, str]) -> None:
    """Raises UserError where an answer is missing that nothing can stand in for."""
    missing = [q.option for q in QUESTIONS if not q.guess and not answers.get(q.name)]
    if missing:
        right = "give these options, or call it on a terminal, where it asks"
        raise UserError(f"not answered: {', '.join(missing)}", right=right)
