"""What is costly to draw is made once for all workers of a run of the tests."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def common_folder(folders: pytest.TempPathFactory) -> Path:
    """The temporary folder that all workers of this run have in common."""
    own = folders.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def once(folders: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that the first worker to ask for it fills, while others wait; only to be read.

    Where making it fails, it fails for each that asks.
    """
    folder = common_folder(folders) / f"once-{name}"
    with FileLock(folder.with_suffix(".lock")):
        whole = folder.with_suffix(".whole")
        if not whole.exists():
            folder.mkdir()
            make(folder)
            whole.touch()
    return folder
