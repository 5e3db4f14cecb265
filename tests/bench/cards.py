"""Drawn cards, kept in `bench-out/` and used again while what draws them is the same."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import skyplumb.demo
from skyplumb.demo import Night, render_card

KEPT = Path(__file__).parents[2] / "bench-out"


def drawn_card(label: str, nights: Sequence[Night], fmt: str, jobs: int) -> Path:
    """A folder with `card/` and `truth.json` of these nights, drawn if it is not there yet."""
    key = hashlib.blake2b(repr((nights, fmt)).encode() + _drawn_by(), digest_size=6).hexdigest()
    folder = KEPT / "cards" / f"{label}-{key}"
    if not folder.is_dir():
        for old in folder.parent.glob(f"{label}-*"):
            shutil.rmtree(old)
        half_done = folder.with_name(f"{label}-unfinished")
        render_card(half_done, fmt, nights=nights, jobs=jobs)
        half_done.rename(folder)
    return folder


def truth_of(folder: Path) -> dict[str, Any]:
    """What is true of a drawn card."""
    truth: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return truth


@cache
def _drawn_by() -> bytes:
    """The code that draws."""
    sources = Path(str(skyplumb.demo.__file__)).parent.glob("*.py")
    return b"".join(path.read_bytes() for path in sorted(sources))
