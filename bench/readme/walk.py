"""python -m bench.readme.walk: an own run (bench/trace/OWN_RUN.md), the way from a run to a verified device
(bench/vehicle/WALK.md) and that from an empty folder to a passed stand test (bench/stand/WALK.md), walked.

Runs the commands that stand on those pages, in a new out/walk, says which lines the pages show that they did
not print, and copies the pictures they made (and that of `bench/run`) into this folder. It
takes some minutes, and needs what the emulated board needs.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from pathlib import Path

import click

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
WALK = ROOT / "out" / "walk"
PAGES = tuple(ROOT / "bench" / name for name in ("trace/OWN_RUN.md", "vehicle/WALK.md", "stand/WALK.md"))
# What README's pictures of plots are copies of.
PICTURES = {
    "clean_launch.svg": "demo/run.svg",
    "own_run.svg": "run1/run.svg",
    "fit.svg": "fit/fit.svg",
    "search.svg": "search/search.svg",
    "predict.svg": "predict/predict.svg",
    "stand.svg": "stand/stand.svg",
}
_DEMO = "bench/run replay traces/clean_launch.csv --calibration traces/demo.toml --out out/demo"
_RATE = re.compile(r", \d+ a second")  # of this machine, now


@click.command()
@click.option("--pictures", is_flag=True, help="Only copy the pictures of the walk before.")
def main(pictures: bool) -> None:
    """Walk the ways of the pages, and copy their pictures."""
    missing: list[str] = []
    if not pictures:
        shutil.rmtree(WALK, ignore_errors=True)
        (WALK / "out").mkdir(parents=True)
        for name in ("bench", "traces", ".venv"):
            (WALK / name).symlink_to(ROOT / name)
        page = "\n\n".join(path.read_text(encoding="utf-8") for path in PAGES)
        for command, shown in [(_DEMO, []), *steps(page)]:
            click.echo(command)
            begun = time.monotonic()
            done = subprocess.run(
                ["bash", "-c", command], cwd=WALK, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                text=True, check=True,
            )  # fmt: skip
            click.echo(f"{done.stdout}took {time.monotonic() - begun:.0f} s\n")
            missing += not_printed(shown, done.stdout)
    for name, made in PICTURES.items():
        shutil.copyfile(WALK / "out" / made, HERE / name)
        click.echo(f"{WALK.relative_to(ROOT)}/out/{made} > {HERE.relative_to(ROOT) / name}")
    for line in missing:
        click.echo(f"the page shows what was not printed: {line}")
    click.get_current_context().exit(1 if missing else 0)


def steps(page: str) -> list[tuple[str, list[str]]]:
    """The commands of the page, each with the lines that are shown until the next one."""
    found: list[tuple[str, list[str]]] = []
    for block in re.findall(r"(?:^ {4}.+\n)+", page, flags=re.MULTILINE):
        if re.match(r" +(bench/run|sed|\.venv/bin/python) ", block):
            found.append((block.replace("\\\n", " ").strip(), []))
        else:
            found[-1][1].extend(block.splitlines())
    return found


def not_printed(shown: list[str], printed: str) -> list[str]:
    """Which shown lines were not printed, whatever the spaces, line ends and rates."""

    def plain(text: str) -> str:
        return _RATE.sub("", " ".join(text.split()))

    return [line.strip() for line in shown if plain(line) not in plain(printed)]


if __name__ == "__main__":
    main()
