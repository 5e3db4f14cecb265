"""Runs tests in forks of a process that has the libraries loaded, which takes longer than most.

`python -m tests.preloaded` reads a line of JSON for each call, `{"place", "words", "environment",
"timeout_s"}`, and answers with a line: pytest's exit code, or `null` where the time was over.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

LIBRARIES = (
    "astropy.coordinates", "astropy.io.fits", "astropy.time", "jinja2", "numpy", "pandas",
    "PIL.Image", "playwright.sync_api", "pydantic", "rawpy", "scipy.ndimage", "scipy.optimize",
    "scipy.spatial.transform", "scipy.special", "sep", "tifffile", "typer", "yaml",
)  # fmt: skip


class Preloaded:
    """Such a process. It ends with the one that began it, since nothing is left to read."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-B", "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip

    def pytest(
        self, place: Path, words: list[str], environment: dict[str, str], timeout_s: float
    ) -> int | None:
        """The exit code of a run of tests in a checkout; None where the time was over."""
        told = {"place": str(place), "words": words, "environment": environment,
                "timeout_s": timeout_s}  # fmt: skip
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(told) + "\n")
        self._process.stdin.flush()
        code: int | None = json.loads(self._process.stdout.readline())
        return code


def main() -> None:
    """Answer call after call."""
    for name in LIBRARIES:
        importlib.import_module(name)
    for line in sys.stdin:
        told = json.loads(line)
        child = os.fork()
        if child == 0:
            _run(told)
        print(json.dumps(_waited(child, told["timeout_s"])), flush=True)


def _run(told: dict[str, Any]) -> None:
    """What a fork does, to its end."""
    os.setsid()
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(nowhere, stream)
    os.chdir(told["place"])
    os.environ.update(told["environment"])
    sys.path[:0] = [str(Path(told["place"]) / "pipeline"), told["place"]]
    sys.dont_write_bytecode = True
    code = 1
    try:
        code = int(pytest.main(["-q", *told["words"]]))
    finally:
        os._exit(code)


def _waited(child: int, timeout_s: float) -> int | None:
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


if __name__ == "__main__":
    main()
