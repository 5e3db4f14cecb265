"""Which RAW families are vouched for by true files, and which by LibRaw's word alone."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest

from skyplumb.intake.card import DECODED_SUFFIXES, RAW_SUFFIXES
from skyplumb.measure.decode import decode

README = Path(__file__).parents[2] / "README.md"
FILES = os.environ.get("SKYPLUMB_TRUE_RAWS", "")
"""A folder with true files of cameras; none of them comes with this project."""


def named(pattern: str) -> set[str]:
    """Suffixes that a sentence of the README names."""
    (words,) = re.findall(pattern, README.read_text(encoding="utf-8"))
    return {f".{word.casefold()}" for word in re.findall(r"\b[A-Z0-9]{2,4}\b", words)}


def test_the_readme_says_which_families_were_decoded_from_true_files() -> None:
    assert named(r"decoded and looked at for ([^(]*)\(") == DECODED_SUFFIXES
    by_word = named(r"only LibRaw's word: ([^.]*)\.")
    assert by_word == RAW_SUFFIXES - DECODED_SUFFIXES - {".dng"}


@pytest.mark.skipif(not FILES, reason="SKYPLUMB_TRUE_RAWS names no folder of true RAW files")
def test_every_family_said_to_be_decoded_is_decoded() -> None:
    met = set()
    for path in sorted(Path(FILES).rglob("*")):
        if path.suffix.casefold() in RAW_SUFFIXES:
            plate = decode(path.read_bytes(), path.name)
            met.add(path.suffix.casefold())
            assert np.unique(plate.samples).size > 200, path
            assert plate.saturation > plate.samples.mean() > plate.black.mean(), path
    assert met >= DECODED_SUFFIXES
