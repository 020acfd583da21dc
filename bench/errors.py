"""The one kind of error that a person can put right."""

from collections.abc import Iterable

MOST_SHOWN = 20


def printable(text: str) -> str:
    """A text on one line and without what a terminal would obey: line ends are blanks, other control and
    formatting characters are told by their numbers."""
    return escaped(" ".join(text.splitlines()))


def escaped(text: str) -> str:
    """A text in which control and formatting characters, line ends too, are told by their numbers."""
    return text if text.isprintable() else "".join(map(_told, text))


def _told(char: str) -> str:
    code = ord(char)
    if char.isprintable():
        return char
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"


class UserError(Exception):
    """Something the person gave is wrong: shown as one line, exit code 2, no traceback.

    what: what is wrong; where: file, file:line, key or option; right: what would be right.
    `str()` gives `where: what; right`, leaving out the empty parts.
    """

    def __init__(self, what: str, where: object = "", right: str = "") -> None:
        super().__init__(what, where, right)
        self.what = what
        self.where = str(where)
        self.right = right

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        line = f"{head}; {self.right}" if self.right else head
        return printable(line)


class UserErrors(UserError):
    """Several mistakes shown at once, one line each, in the order given (at least one); those beyond
    MOST_SHOWN are only counted."""

    def __init__(self, errors: Iterable[UserError]) -> None:
        self.errors = tuple(errors)
        first = self.errors[0]
        super().__init__(first.what, first.where, first.right)

    def __str__(self) -> str:
        lines = [str(error) for error in self.errors[:MOST_SHOWN]]
        more = len(self.errors) - len(lines)
        if more:
            lines.append(f"and {more} more mistake{'s' * (more > 1)}")
        return "\n".join(lines)
