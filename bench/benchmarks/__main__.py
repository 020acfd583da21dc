"""All benchmarks, one after the other, on a quiet machine: `python -m bench.benchmarks`.

Each is a process of its own and prints what it measures. Exit code 1 when one is not as promised.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click


@click.command()
def main() -> None:
    """Run every bench_*.py of this folder."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("bench_*.py"))
    wrong = []
    for name in names:
        click.echo(f"== {name}")
        code = subprocess.run([sys.executable, "-m", f"bench.benchmarks.{name}"], check=False).returncode
        if code != 0:
            wrong.append(f"{name} (exit code {code})")
        click.echo()
    kept = f"{len(names) - len(wrong)} of {len(names)} benchmarks as promised"
    click.echo(kept + (f"; not: {', '.join(wrong)}" if wrong else ""))
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
