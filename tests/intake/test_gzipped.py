"""FITS files packed with gzip: read as they are, and never past the memory that is allowed."""

from __future__ import annotations

import gzip
import io
from pathlib import Path, PurePosixPath

import numpy as np
import pytest
from astropy.io import fits

from skyplumb.errors import UnreadableError
from skyplumb.intake.gzipped import unpacked
from skyplumb.measure.shot import measure_data, measure_shot

REAL = Path(__file__).parents[1] / "data/real"


@pytest.mark.broad
def test_a_packed_frame_is_measured_like_the_plain_one(tmp_path: Path) -> None:
    plain = (REAL / "unsolved.fits").read_bytes()
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress(plain))
    packed = measure_shot(tmp_path, PurePosixPath("a.fits.gz"))
    known = measure_data(plain, "unsolved.fits")
    assert (packed.kind, packed.stars_found) == ("light", known.stars_found)
    assert packed.info == known.info
    assert packed.stars.tobytes() == known.stars.tobytes()
    assert packed.samples_digest == known.samples_digest


def test_several_members_are_one_file() -> None:
    # RFC 1952, section 2.2; the padding of tapes after them is passed over.
    data = gzip.compress(b"one ") + gzip.compress(b"two") + bytes(512)
    assert unpacked(data, "a.fits.gz") == b"one two"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (gzip.compress(bytes(range(256)) * 40)[:-30], "cut short"),
        (gzip.compress(b"x" * 999)[:10] + b"\xff" * 40, "damaged"),
        (gzip.compress(b"no picture at all"), "named FITS but does not begin as one"),
    ],
    # Not the packed bytes, which hold the time.
    ids=["cut short", "damaged", "no FITS"],
)
def test_damage_is_one_line_that_names_the_file(data: bytes, words: str) -> None:
    measure = measure_data(data, "night/a.fits.gz")
    assert measure.kind == "unreadable"
    assert measure.note.startswith("night/a.fits.gz: ")
    assert words in measure.note
    assert "\n" not in measure.note


@pytest.mark.broad
def test_what_unpacks_without_end_stops_at_the_memory_that_is_allowed() -> None:
    # A megabyte of zeros packs into a thousandth: 64 MB of them here, 16 MB may be had.
    bomb = gzip.compress(bytes(64_000_000))
    assert len(bomb) < 100_000
    with pytest.raises(UnreadableError, match=r"a.fits.gz: .* unpacked.* allowed"):
        unpacked(bomb, "a.fits.gz", 232_000_000)
    assert len(unpacked(bomb, "a.fits.gz", 400_000_000)) == 64_000_000


@pytest.mark.parametrize(
    ("shape", "words"),
    [((12, 40, 60), "12 planes of 60 x 40"), ((2, 4, 40, 60), "8 planes of 60 x 40")],
)
def test_a_picture_of_many_planes_names_them(shape: tuple[int, ...], words: str) -> None:
    stream = io.BytesIO()
    fits.PrimaryHDU(np.arange(np.prod(shape), dtype=np.float32).reshape(shape)).writeto(stream)
    measure = measure_data(stream.getvalue(), "cube.fits")
    assert measure.kind == "unreadable"
    assert words in measure.note
    assert "a FITS file of its own" in measure.note
