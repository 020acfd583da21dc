"""Fuzzing: every reader of bytes from outside under a coverage-guided fuzzer.

targets.py names the targets; core/ holds those in C (libFuzzer, address and undefined-behaviour sanitizers),
the modules beside it those in Python (atheris). seeds/TARGET are the inputs that a search starts from,
found/TARGET the smallest inputs that once broke something: test_fuzz.py replays both. results.toml says how
long each ran.

    python -m tests.fuzz TARGET [options of libFuzzer]
    python -m tests.fuzz --minute | --hour [--jobs N] [--note] [TARGET ...]
"""

from pathlib import Path

HERE = Path(__file__).parent
SEEDS = HERE / "seeds"
FOUND = HERE / "found"
# A file is written for each input: in memory where the system has such a folder.
MEMORY = next((folder for folder in (Path("/dev/shm"),) if folder.is_dir()), None)
