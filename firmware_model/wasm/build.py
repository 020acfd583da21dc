"""Builds core.wasm, which is shipped: `python -m firmware_model.wasm.build` writes it anew.

The compiler is Debian's clang with lld. Equal sources and equal versions of these give equal bytes.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import click

HERE = Path(__file__).parent
MODULE = HERE / "core.wasm"
_FLAGS = (
    "--target=wasm32", "-std=c99", "-Os", "-ffreestanding", "-nostdlib", "-mbulk-memory",
    "-fvisibility=hidden", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-Wl,--no-entry", "-Wl,--strip-all",
    "-Wl,-z,stack-size=16384",
)  # fmt: skip


def missing() -> str | None:
    """None where the compiler is there, else one line that says what would help."""
    if shutil.which("clang") and shutil.which("wasm-ld"):
        return None
    return "no clang with wasm-ld here; run: apt-get install clang lld"


def build(to: Path) -> None:
    """Compile the module into a file. Raises CalledProcessError with the compiler's words in stderr."""
    words = ["clang", *_FLAGS, f"-I{HERE.parent}", str(HERE / "core.c"), "-o", str(to)]
    subprocess.run(words, check=True, capture_output=True, text=True)


@click.command(help=__doc__)
def main() -> None:
    """Write the shipped module anew."""
    reason = missing()
    if reason:
        click.echo(f"liftlatch: {reason}", err=True)
        sys.exit(2)
    build(MODULE)
    click.echo(f"{MODULE.name}: {MODULE.stat().st_size} bytes")


if __name__ == "__main__":
    main()
