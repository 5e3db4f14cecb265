"""What tests may ask for: an invented night, a drawn card, the command."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from inventednight import FLAGS, invented_night
from once import once
from skyplumb.calibrate import patterns
from skyplumb.cli import main
from skyplumb.measure.workers import Here
from skyplumb.output.result import SessionResult
from smallcard import SKYPLUMB, Finished, draw_small_card


@pytest.fixture(autouse=True, scope="session")
def _ctrl_c_reaches_children() -> None:
    """Started in the background, a shell hands down a Ctrl-C that is ignored; take it back."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One headless browser with a fresh profile."""
    chromium = shutil.which("chromium")
    if chromium is None:
        words = "no chromium here: apt-get install chromium"
        pytest.fail(words) if os.environ.get("CI") else pytest.skip(words)
    with sync_playwright() as tools:
        launched = tools.chromium.launch(executable_path=chromium, args=list(FLAGS))
        yield launched
        launched.close()


@pytest.fixture
def night() -> SessionResult:
    """Three runs of a body that does not exist: all verdicts, kinds and gaps."""
    return invented_night()


@pytest.fixture(scope="session", autouse=True)
def pattern_cache(pytestconfig: pytest.Config) -> Iterator[None]:
    """Keep star patterns made by tests out of the user's cache, unless the runner says where.

    All workers share them, and later runs too while the code that makes them is the same.
    """
    with pytest.MonkeyPatch.context() as patch:
        if "SKYPLUMB_CACHE" not in os.environ:
            maker = hashlib.sha256(Path(patterns.__file__).read_bytes()).hexdigest()[:12]
            patch.setenv("SKYPLUMB_CACHE", str(pytestconfig.cache.mkdir(f"patterns-{maker}")))
        yield


@pytest.fixture(scope="session")
def small_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drawn card with something of every kind on it; only to be read from."""
    return once(tmp_path_factory, "drawn", draw_small_card) / "card"


@pytest.fixture(scope="session")
def audited(
    small_card: Path, pattern_cache: None, tmp_path_factory: pytest.TempPathFactory
) -> Finished:
    """The small card audited by the command, undisturbed; only to be read from."""

    def audit(folder: Path) -> None:
        words = [*SKYPLUMB, "audit", str(small_card), "--out", str(folder / "out"), "--xmp"]
        done = subprocess.run(words, capture_output=True, text=True, timeout=600)
        told = json.dumps([done.returncode, done.stdout, done.stderr])
        (folder / "told.json").write_text(told, encoding="utf-8")

    folder = once(tmp_path_factory, "audited", audit)
    return Finished(folder / "out", *json.loads((folder / "told.json").read_text("utf-8")))


@pytest.fixture
def continued(audited: Finished, tmp_path: Path) -> Path:
    """An output folder in which the small card was audited before."""
    return shutil.copytree(audited.out, tmp_path / "out")


@pytest.fixture
def skyplumb(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Finished]:
    """Run the command in this process, its workers included; answers like a finished one."""

    def run(*words: object) -> Finished:
        capsys.readouterr()
        monkeypatch.setattr(sys, "argv", ["skyplumb", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        out = Path(str(words[words.index("--out") + 1])) if "--out" in words else Path()
        return Finished(out, int(ended.value.code or 0), told.out, told.err)

    monkeypatch.setattr("skyplumb.measure.pool.LocalWorkers", lambda jobs: Here())
    return run
