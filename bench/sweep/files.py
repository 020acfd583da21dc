"""sweep.csv: a row for each setting and trace."""

from __future__ import annotations

import csv
import io
from typing import Any


def as_csv(facts: dict[str, Any]) -> str:
    """The text of sweep.csv: a row for each setting and trace."""
    keys = [one["key"] for one in facts["vary"]]
    names = list(facts["settings"][0]["traces"][0])
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*keys, "trace", *names])
    for setting in facts["settings"]:
        for trace, row in zip(facts["traces"], setting["traces"], strict=True):
            values = [_cell(setting["values"][key]) for key in keys]
            writer.writerow([*values, trace["file"], *(_cell(row[name]) for name in names)])
    return stream.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)
