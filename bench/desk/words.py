"""What commands say, for someone at a page: nothing that names an option of the command line."""

from __future__ import annotations

import re

_TABLE = "in the table of columns"
_ROLE = r"--(?P<role>[a-z][a-z-]*)-column"
_SAID: tuple[tuple[str, str], ...] = (
    (
        rf"give {_ROLE} NAME or NUMBER(?:, or --rate HZ)?, or a --layout; `liftlatch trace show` shows every"
        r" column: ",
        rf"say {_TABLE} which one it is: ",
    ),
    (r", for example (?:--[a-z-]+ [\w:.]+ ?)+(?:; `liftlatch trace show` shows [\w ]+)?", ""),
    (
        rf"give {_ROLE} \d+ or another \(or none\)",
        rf"say {_TABLE} which one it is, or that none is",
    ),
    (rf"give {_ROLE} (?P<column>\d+):UNIT", rf"say the unit of column \g<column> {_TABLE}"),
    (rf"give its number: {_ROLE} (?P<column>\d+)", rf"say {_TABLE} that it is column \g<column>"),
    (rf"(?:choose|with) (?:another|the time column) with {_ROLE}", rf"choose another {_TABLE}"),
    (r"give --launch-at, or a speed", "say in the log's table which column is the launch, or the speed"),
    (r"give --launch-at, or another --run", "choose another pass of the log"),
    (r"give --max-gap [\d.e+-]+, or a finer trace", "bring a log with more rows a second"),
    (r", or give (?:--delimiter and )?--decimal\b", ""),
    (r", or --delimiter\b", ""),
    (r"give --layout with one of them", "put one of them out of the folder"),
    (r"time: from --rate,", "time: as you said,"),
    (r"passed over \(--run (\d+)\)", r"passed over (pass \1)"),
    (r"--run (\d+): the trace", r"pass \1: the trace"),
    (r"--rate ([\d.e+-]+) is not a rate", r"\1 is not a rate"),
    (r"--speed ([\d.e+-]+) is", r"\1 km/h is"),
    (r" \(--[a-z-]+\)", ""),
    (rf"{_ROLE}: there is", "there is"),
    (r"; `liftlatch trace show` shows [^;]*", ""),
)
_ANY = re.compile(r"(?:^|[;,]? +|\()(?:or )?(?:give |with |use )?--[a-z][a-z-]*(?: [A-Z]+\b| [\d.:]+\w*)?")
_QUOTED = re.compile(r'("[^"]*")')  # names that a person gave


def on_page(text: str) -> str:
    """A text of a command as a page says it. What is not known is left out with the option in it."""
    if "--" not in text and "`liftlatch" not in text:
        return text
    for said, instead in _SAID:
        text = re.sub(said, instead, text)
    parts = [part if part.startswith('"') else _ANY.sub("", part) for part in _QUOTED.split(text)]
    return "".join(parts).strip(" ;,")
