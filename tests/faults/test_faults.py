"""Faults and load, the short versions; the long ones: python -m tests.faults --long"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.faults.__main__ import CHECKS
from tests.tools import need_core

AS_ROOT = {
    "full_disk": "only root may mount a small disk",
    "power_cut": "only root may mount a disk in a file",
    "no_rights": "only root may act as another user",
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CHECKS)
def test_fault(name: str, tmp_path: Path) -> None:
    need_core()
    if name in AS_ROOT and os.geteuid() != 0:
        pytest.skip(AS_ROOT[name])
    try:
        CHECKS[name](_open_to_all(tmp_path), False)
    except (PermissionError, FileNotFoundError) as error:
        # Root in a container may mount nothing; a developer may lack the package.
        if os.environ.get("CI") and not isinstance(error, PermissionError):
            raise
        pytest.skip(str(error))


def _open_to_all(folder: Path) -> Path:
    """pytest's own folders are closed to the other user that a check acts as."""
    for part in (folder, *folder.parents[:3]):
        if part.stat().st_uid == os.geteuid() and "pytest" in str(part):
            part.chmod(0o755)
    return folder
