"""The one kind of error that a person can put right."""

from collections.abc import Iterable


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
        return " ".join(line.splitlines())


class UserErrors(UserError):
    """Several mistakes shown at once, one line each, in the order given (at least one)."""

    def __init__(self, errors: Iterable[UserError]) -> None:
        self.errors = tuple(errors)
        first = self.errors[0]
        super().__init__(first.what, first.where, first.right)

    def __str__(self) -> str:
        return "\n".join(str(error) for error in self.errors)
