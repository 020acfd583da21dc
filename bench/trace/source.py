"""The bytes of a text file as UTF-8, whatever it was written in."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable
from pathlib import Path

from bench.errors import UserError

Progress = Callable[[float], None]

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_PACKED = {
    b"PK\x03\x04": "a zip or workbook file",
    b"\x1f\x8b": "a gzip file",
    b"BZh": "a bzip2 file",
    b"\xfd7zXZ": "an xz file",
    b"\x28\xb5\x2f\xfd": "a zstd file",
    b"\xd0\xcf\x11\xe0": "a workbook file",
    b"PAR1": "a parquet file",
    b"7z\xbc\xaf\x27\x1c": "a 7z file",
    b"Rar!": "a rar file",
    b"%PDF": "a PDF file",
    b"SQLite format 3": "a database file",
}
_MARKED_UP = (
    (re.compile(rb"\s*(\{\s*[\"}]|\[\s*[\[{\"\d-])"), "JSON"),
    (re.compile(rb"\s*<(\?xml|!doctype|html|[a-z]+[ >])", re.IGNORECASE), "XML or HTML"),
)
_TAR = slice(257, 262)


def text_encoding(head: bytes, whole: bool, where: str) -> tuple[str, int]:
    """(encoding, bytes of its mark) of a text that begins with `head`, which is all of it if `whole`.

    "latin-1" stands for any one-byte text that is not UTF-8. Raises UserError for what is no text.
    """
    for magic, what in _PACKED.items():
        if head.startswith(magic):
            raise UserError(f"this is {what}, not text", where, "unpack it or export it as CSV first")
    if head[_TAR] == b"ustar":
        raise UserError("this is a tar file, not text", where, "unpack it first")
    if where.lower().endswith(".toml"):
        raise UserError("this is a TOML file, not a trace", where, "give a CSV or MDF 4 recording")
    for pattern, what in _MARKED_UP:
        if pattern.match(head.removeprefix(codecs.BOM_UTF8)):
            raise UserError(f"this is {what}, not a table", where, "export it as CSV, one row a line")
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name, len(bom)
    if b"\x00" in head:
        return _unmarked_utf16(head, where), 0
    controls = sum(head[:65536].count(code) for code in range(32) if code not in b"\t\n\r\f\v")
    if controls > 0.01 * min(len(head), 65536) + 2:
        raise UserError("this is a binary file, not text", where, "give a CSV or MDF 4 file")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=whole)
    except UnicodeDecodeError:
        return "latin-1", 0
    return "utf-8", 0


def _unmarked_utf16(head: bytes, where: str) -> str:
    """UTF-16 without its mark shows as a zero in nearly every other byte, on one side only."""
    text = head[: head.index(0)]
    half = max(1, len(head[:65536]) // 2)
    even, odd = (head[side:65536:2].count(0) / half for side in (0, 1))
    if odd > 0.9 and even < 0.01:
        return "utf-16-le"
    if even > 0.9 and odd < 0.01:
        return "utf-16-be"
    if b"\n" in text and not any(code < 32 and code not in b"\t\n\r\f\v" for code in text):
        line = text.count(b"\n") + 1
        right = "the file is damaged or was not closed; cut it off there or export it again"
        raise UserError("NUL bytes in the text", f"{where}:{line}", right)
    raise UserError("this is a binary file, not text", where, "give a CSV or MDF 4 file")


class Utf8Source:
    """A readable stream of the file's text as UTF-8 from byte `start` of that text on.

    One-byte text that is not UTF-8 passes as it is: numbers look the same in both. `markers` are byte strings
    that set `marked` when one of them goes by (found within a block or across two).
    """

    def __init__(
        self,
        path: Path,
        encoding: str,
        bom: int,
        start: int = 0,
        markers: tuple[bytes, ...] = (),
        progress: Progress | None = None,
    ) -> None:
        self._stream = open(path, "rb")  # noqa: SIM115  closed by close()
        self._total = max(1, path.stat().st_size)
        self._stream.seek(bom)
        wide = encoding.startswith(("utf-16", "utf-32"))
        self._decoder = codecs.getincrementaldecoder(encoding)("replace") if wide else None
        self._buffer = b""
        self._markers: tuple[bytes, ...] = ()
        self._tail = b"\n"
        self._progress = progress
        self.marked = False
        if self._decoder is None:
            self._stream.seek(bom + start)
        else:
            while start > 0:
                start -= len(self.read(min(start, 1 << 20)))
        self._markers = markers

    @property
    def closed(self) -> bool:
        """As a file has it."""
        return self._stream.closed

    def close(self) -> None:
        """As a file has it."""
        self._stream.close()

    def readable(self) -> bool:
        """As a file has it."""
        return True

    def read(self, size: int = -1) -> bytes:
        """The next `size` bytes, fewer only at the end of the file."""
        if self._decoder is None:
            block = self._stream.read(size)
        else:
            parts, have = [self._buffer], len(self._buffer)
            while size < 0 or have < size:
                raw = self._stream.read(1 << 20)
                part = self._decoder.decode(raw, final=not raw).encode()
                parts.append(part)
                have += len(part)
                if not raw:
                    break
            joined = b"".join(parts)
            size = len(joined) if size < 0 else size
            block, self._buffer = joined[:size], joined[size:]
        if self._markers and block and not self.marked:
            window = self._tail + block
            # The second half is rare in numbers and, one byte long, found ten times as fast as the whole.
            self.marked = any(marker[1:] in window and marker in window for marker in self._markers)
            self._tail = block[-8:]
        if self._progress is not None:
            self._progress(min(1.0, self._stream.tell() / self._total))
        return block
