"""A long run of both controllers side by side: `python -m bench.twin 100000000`."""

import sys

import click

from bench.twin.long import run_long
from firmware_model import binding


@click.command()
@click.argument("ticks", type=click.IntRange(min=1))
@click.option("--first", type=click.IntRange(min=0), default=0, help="Seed of the first case.")
def main(ticks: int, first: int) -> None:
    """Compare the reference and the C core over TICKS random ticks; exit code 1 at a difference."""
    reason = binding.available()
    if reason:
        click.echo(reason, err=True)
        sys.exit(2)
    with click.progressbar(length=ticks, label="ticks", file=sys.stderr) as bar:
        difference = run_long(ticks, first, progress=lambda done: bar.update(done - bar.pos))
    if difference:
        click.echo(difference)
        sys.exit(1)
    click.echo(f"{ticks} ticks: every output, every event and every 500th digest equal")


if __name__ == "__main__":
    main()
