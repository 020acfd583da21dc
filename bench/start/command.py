"""`liftlatch start`: some questions about a new car, and a folder with its first files."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from bench.facts import head, json_option, print_json
from bench.options import FOLDER
from bench.start.questions import QUESTIONS, Question

SUMMARY_VERSION = 1


def _answers(command: Callable[..., Any]) -> Callable[..., Any]:
    """An option for each question."""
    for question in reversed(QUESTIONS):
        unit = f" Plain numbers are {question.unit}." if question.unit else ""
        guess = f" [left out: {question.guess}]" if question.guess else ""
        text = f"{question.asks} {question.measure}{unit}{guess}"
        command = click.option(question.option, question.name, metavar="ANSWER", help=text)(command)
    return command


@click.command()
@click.argument("folder", type=FOLDER)
@_answers
@json_option
def start(folder: Path, as_json: bool, **answers: str | None) -> None:
    """Ask about a new car, and write its calibration and its car file into FOLDER, and a liftlatch.toml by
    which commands find them there.

    What is not answered by an option is asked for on a terminal. Numbers may carry their unit ("47 in",
    "2650 lb"). Each number in the files says whether it was measured, computed or guessed; "calibration
    check" lists the guesses. The calibration is a mild start, not a setting for a race: try it on stands,
    engine off, before the strip.
    """
    from bench.calibration.compile import compile_text
    from bench.calibration.guesses import guesses
    from bench.cautions import CAUTIONS
    from bench.console import make_console, print_list, print_text
    from bench.errors import UserError
    from bench.files import write_whole
    from bench.start import files
    from bench.start.placing import place
    from bench.start.questions import demand_all
    from bench.trace.text import shown_path
    from bench.vehicle.vehicle_file import read

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UserError("is there already and not empty", folder, "name a new folder")
    told = {name: text for name, text in answers.items() if text}
    if _can_ask() and not as_json:
        _ask(told)
    demand_all(told)
    begun = place(told)
    calibration, car = files.calibration_text(begun), files.car_text(begun)
    compiled = compile_text(calibration, folder / files.CALIBRATION)
    vehicle = read(car, folder / files.CAR)
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / files.CALIBRATION, calibration)
    write_whole(folder / files.CAR, car)
    write_whole(folder / files.FOLDER, files.folder_text(begun))
    left = [*guesses(calibration, folder / files.CALIBRATION), *guesses(car, folder / files.CAR)]
    facts = {
        **head(SUMMARY_VERSION),
        "written": [str(folder / name) for name in (files.CALIBRATION, files.CAR, files.FOLDER)],
        "warnings": [*compiled.warnings, *vehicle.warnings],
        "guessed": left,
        "estimated": vehicle.estimated,
        "cautions": CAUTIONS,
    }
    if as_json:
        print_json(facts)
        return
    console = make_console()
    print_text(console, f"Written to {shown_path(folder)}: {files.CALIBRATION}, {files.CAR}, {files.FOLDER}")
    print_list(console, "Guessed, until you know better", left)
    print_list(console, "Estimated for the car model from the rest", vehicle.estimated)
    print_list(console, "Warnings", facts["warnings"])
    console.print()
    print_text(console, CAUTIONS)


def _can_ask() -> bool:
    return sys.stdin.isatty()


def _ask(told: dict[str, str]) -> None:
    """Ask for what no option answered, each until the answer can be read."""
    for question in QUESTIONS:
        if question.name not in told:
            click.echo(f"\n{question.asks}\n  {question.measure}")
            told[question.name] = _answer(question)


def _answer(question: Question) -> str:
    from bench.errors import UserError
    from bench.start.questions import numbers

    unit = f" ({question.unit})" if question.unit else ""
    words = f"{question.name.replace('_', ' ')}{unit}"
    while True:
        text = f"{words}, Enter for: {question.guess}" if question.guess else words
        given: str = click.prompt(text, default="", show_default=False)
        if not given.strip() and question.guess:
            return ""
        try:
            if question.name != "name":
                numbers(question, given)
            if given.strip():
                return given
        except UserError as error:
            click.echo(f"  {error}")
