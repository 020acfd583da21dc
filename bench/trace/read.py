"""Reading a recorded run from a file of either kind."""

from __future__ import annotations

import hashlib
import math
import os
import stat
from pathlib import Path

from bench.errors import UserError
from bench.trace.choice import ColumnChoice
from bench.trace.model import Trace
from bench.trace.source import Progress
from bench.trace.table import to_trace

_MDF_MAGIC = b"MDF     "
_UNFINISHED_MDF_MAGIC = b"UnFinMF "


def read_trace(
    path: str | os.PathLike[str],
    choice: ColumnChoice | None = None,
    progress: Progress | None = None,
    tick_us: int | None = None,
) -> Trace:
    """The recorded run in `path`: CSV, or MDF 4 where the file begins as one, whatever it is called.

    `progress` is called with the share read so far (0 to 1). With `tick_us` a CSV whose compact replay would
    not fit into memory is refused after its first rows. Raises UserError for anything that is not a
    readable trace: one line with file, line where there is one, and what would be right.
    """
    path, choice = Path(path), choice or ColumnChoice()
    if choice.rate_hz is not None and not (math.isfinite(choice.rate_hz) and choice.rate_hz > 0):
        raise UserError(
            f"--rate {choice.rate_hz:g} is not a rate", right="give rows a second, for example 100"
        )
    if not math.isfinite(choice.height_offset_mm):
        raise UserError(f"--height-offset {choice.height_offset_mm} is not a length", right="give mm")
    magic, digest, size = _looked_at(path)
    if magic in (_MDF_MAGIC, _UNFINISHED_MDF_MAGIC):
        from bench.trace.mdf import read_mdf

        table = read_mdf(path, choice)
    else:
        from bench.trace.csv import read_csv

        table = read_csv(path, choice, progress, tick_us)
    return to_trace(table, choice, path, size, digest)


def is_mdf(path: Path) -> bool:
    """True for a file that begins as MDF. Raises UserError for what is no file that can be read."""
    return _looked_at(path)[0] in (_MDF_MAGIC, _UNFINISHED_MDF_MAGIC)


def _looked_at(path: Path) -> tuple[bytes, str, int]:
    """(first bytes, SHA-256 in hex, size in bytes) of a file that can be read."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise UserError("is a folder", path, "give a CSV or MDF 4 file")
        if not stat.S_ISREG(status.st_mode):
            raise UserError("is not a file", path, "give a CSV or MDF 4 file")
        with open(path, "rb") as stream:
            magic = stream.read(8)
            stream.seek(0)
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        raise UserError("there is no such file", path, "check the name") from None
    except PermissionError:
        raise UserError(
            "no permission to read it", path, "check the rights of the file and its folder"
        ) from None
    except (OSError, ValueError) as error:
        text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise UserError(f"cannot be read ({text})", path, "check the name") from error
    return magic, digest, status.st_size
