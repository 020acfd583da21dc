"""What of a state is new to a page: only that is sent.

A state is a tree of dicts. Its branches below are taken apart into their keys, everything else is sent whole
where it is not what was sent last. What is not new stays the very same object in the page, which needs not
draw it again.
"""

from __future__ import annotations

from typing import Any

_BRANCHES = {
    (),
    ("result",),
    ("result", "path"),
    ("result", "strip"),
    ("result", "strip", "series"),
    ("result", "predicted"),
    ("result", "predicted", "strip"),
    ("result", "predicted", "strip", "series"),
}
_ONLY_NEW = ("result", "disk")
"""What a state may come without: the page keeps what it has."""

Path = tuple[str, ...]


class News:
    """What one page has been sent."""

    def __init__(self) -> None:
        self._sent: dict[Path, Any] = {}

    def of(self, state: dict[str, Any]) -> dict[str, Any]:
        """The message that makes what the page has into a state: `new` are paths and what stands there now,
        `gone` the paths that are no more; `fresh` says whether the state has a result."""
        parts = _parts(state)
        absent = [key for key in _ONLY_NEW if key not in state]
        gone = [path for path in self._sent if path not in parts and path[0] not in absent]
        new = [(p, v) for p, v in parts.items() if p not in self._sent or self._sent[p] != v]
        for path in gone:
            del self._sent[path]
        self._sent.update(new)
        return {"kind": "state", "fresh": "result" in state, "gone": gone, "new": new}


def _parts(tree: dict[str, Any], above: Path = ()) -> dict[Path, Any]:
    found: dict[Path, Any] = {}
    for key, value in tree.items():
        path = (*above, key)
        if path in _BRANCHES and isinstance(value, dict) and value:
            found |= _parts(value, path)
        else:
            found[path] = value
    return found
