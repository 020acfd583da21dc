"""The demo files that a desk begins with where it is given none."""

from __future__ import annotations

from pathlib import Path

from bench.errors import UserError

_FOLDER = Path(__file__).parents[2] / "traces"


def demo_file(name: str, instead: str) -> Path:
    """A file of the repository's demo, named from the present folder where it lies below it. UserError where
    the package was installed without the repository."""
    path = _FOLDER / name
    if not path.is_file():
        raise UserError(f"the demo's {name} is not here: this installation has no traces", right=instead)
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path
