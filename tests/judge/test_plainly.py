"""What is kept of a calibration: all of it, in plain values, and nothing that could do harm."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import zlib
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from skyplumb.judge import calibrated
from skyplumb.judge.calibrated import Calibrated, from_bytes, to_bytes
from skyplumb.judge.mount import MountFit
from skyplumb.judge.mount.result import Periodic
from skyplumb.judge.plainly import packed, unpacked
from skyplumb.measure.rows import DamagedError, inflated, unpack
from skyplumb.measure.store import Store
from skyplumb.output.page import pictures
from skyplumb.records import Measure
from smallcard import SESSION, Finished


def same(one: Any, other: Any) -> bool:
    """Bit for bit and type for type, as a pickle of it shows."""
    return pickle.dumps(one, 5) == pickle.dumps(other, 5) or repr(one) == repr(other)


@pytest.fixture(scope="module")
def kept(audited: Finished) -> tuple[bytes, dict[str, Measure]]:
    """What the small card's audit kept of its calibration, and its measures."""
    store = Store(audited.out / ".skyplumb")
    ((content,),) = store._rows("SELECT data FROM blobs WHERE name = ?", [f"session {SESSION}"])
    keys = [key for (key,) in store._rows("SELECT key FROM shots", [])]
    measures = {one.file: one for one in store.get_all(keys, ()).values()}
    store.close()
    return content, measures


@pytest.mark.parametrize(
    "thing",
    [
        (1, -0.0, float("nan"), float("inf"), None, True, "a\ud800\n", 10**30),
        [np.float64(0.1), np.float32(0.1), np.int64(-3), np.bool_(True)],
        {("a", 1): {"b": [(), {}]}, 2.5: frozenset({"x", "y"}), "s": {3}},
        (datetime(2026, 8, 14, 23, 59, 59, 123456), date(2026, 8, 14), timedelta(-1, 3, 5)),
        MountFit(periodic=Periodic(480.0, 1.0, -2.0), models=((0.6, MountFit(frames=3)),)),
    ],
)
def test_what_went_in_comes_out(thing: Any) -> None:
    assert same(unpacked(packed(thing), {}), thing)


@pytest.mark.parametrize("order", ["C", "F"])
def test_arrays_come_back_bit_for_bit(order: Any) -> None:
    stars = np.zeros(3, [("x", "<f4"), ("flags", "<u2")])
    stars["x"] = [np.nan, -0.0, np.inf]
    matrix = np.asarray(np.arange(6.0).reshape(2, 3), order=order)
    again, table, empty, shared = unpacked(packed([matrix, stars, np.zeros((0, 2)), matrix]), {})
    assert again.tobytes() == matrix.tobytes() and again.strides == matrix.strides
    assert table.dtype == stars.dtype and table.tobytes() == stars.tobytes()
    assert empty.shape == (0, 2) and shared is again
    again[0, 0] = 7.0  # and like a fresh one it may be worked on


def test_the_calibration_of_a_card_comes_back_whole_and_packs_to_the_same(
    kept: tuple[bytes, dict[str, Measure]],
) -> None:
    content, measures = kept
    told = from_bytes(content, measures)
    assert told is not None and len(told.facts) == 2
    assert all(type(one).__module__.startswith("skyplumb") for one in told.runs)
    assert to_bytes(told)[8:] == to_bytes(from_bytes(to_bytes(told), measures))[8:]  # type: ignore[arg-type]
    # Far from what is refused.
    end = 8 + int.from_bytes(content[:8], "little")
    assert len(zlib.decompress(content[end:])) < 20 * len(content[end:])


class Harm:
    """Runs as soon as anything unpickles it."""

    def __reduce__(self) -> Any:
        return os.abort, ()


def forged(**told: Any) -> bytes:
    text = json.dumps({"records": [], "sizes": [], "is": None} | told).encode()
    return zlib.compress(len(text).to_bytes(8, "little") + text)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"anything",
        zlib.compress(pickle.dumps(Harm())),
        zlib.compress(b""),
        forged()[:-6],
        forged(sizes=[10**12]),
        forged(sizes=[-1]),
        forged(**{"is": ["r", 0]}),
        forged(**{"is": ["m", "no such file"]}),
        forged(**{"is": {"a": 1}}),
        forged(**{"is": ["x"]}),
        forged(**{"is": ["T", 10**30, 0, 0]}),
        forged(**{"is": ["D", "yesterday"]}),
        forged(records=[["os:abort"]]),
        forged(records=[["skyplumb.judge.calibrated:calibrate"]]),
        forged(records=[["skyplumb.judge.no_such:Thing"]]),
        forged(records=[["skyplumb.judge.mount.result:MountFit", 1]]),
        forged(**{"is": json.loads("[" * 900 + '"t"' + "]" * 900)}),
    ],
    ids=range(18),
)
def test_whatever_else_lies_there_is_damage(content: bytes) -> None:
    with pytest.raises(DamagedError):
        unpacked(content, {})
    size = len(content).to_bytes(8, "little")
    assert from_bytes(size + content + content, {}) is None


def test_an_array_that_claims_more_than_there_is_takes_no_memory() -> None:
    header = b"{'descr': '<f8', 'fortran_order': False, 'shape': (10000000000000,)}"
    npy = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header + b"\0" * 80
    text = json.dumps({"records": [], "sizes": [len(npy)], "is": ["a", 0]}).encode()
    with pytest.raises(DamagedError):
        unpacked(zlib.compress(len(text).to_bytes(8, "little") + text + npy), {})
    objects = header.replace(b"<f8", b"|O")
    npy = b"\x93NUMPY\x01\x00" + len(objects).to_bytes(2, "little") + objects + b"\0" * 80
    with pytest.raises(DamagedError):
        unpack("crops", zlib.compress(npy))


ZEROS = """
import sys, zlib
from skyplumb.judge.calibrated import from_bytes
from skyplumb.measure.rows import DamagedError, unpack
from skyplumb.output.page import pictures
import resource
def zeros():
    # Packed with all forgotten in between, the same ten million are the same bytes 400 times.
    packer = zlib.compressobj(wbits=-15)
    part = packer.compress(bytes(10**7)) + packer.flush(zlib.Z_FULL_FLUSH)
    # RFC 1950: a header, and of n zeros the sums 1 and n.
    end = packer.flush() + (4 * 10**9 % 65521 << 16 | 1).to_bytes(4, "big")
    return bytes([0x78, 0x9C]) + 400 * part + end
blob = zeros()
size = len(blob).to_bytes(8, "little")
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
assert from_bytes(size + blob + blob, {}) is None
assert pictures.from_bytes(blob) is None
try:
    unpack("crops", blob)
except DamagedError:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="memory is counted in kB there")
def test_a_few_megabytes_of_zeros_never_take_gigabytes() -> None:
    """4 GB of zeros, packed: a thousandth of it is what lies in the file."""
    path = str(Path(calibrated.__file__).parents[2])
    done = subprocess.run(
        [sys.executable, "-c", ZEROS],
        env=os.environ | {"PYTHONPATH": path}, capture_output=True, text=True, timeout=100,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) < 1_000_000  # kB


def test_damage_by_lot_is_never_more_than_damage(kept: tuple[bytes, dict[str, Measure]]) -> None:
    """Of the packed content and, since whoever forges packs again, of what is inside."""
    content, measures = kept
    end = 8 + int.from_bytes(content[:8], "little")
    inside = zlib.decompress(content[end:])
    lot = np.random.default_rng(11)
    whole = 0
    for number in range(200):
        damaged = bytearray(inside if number % 2 else content)
        for place in lot.integers(0, len(damaged), 3):
            damaged[place] = lot.integers(256)
        forged = content[:end] + zlib.compress(bytes(damaged), 1) if number % 2 else bytes(damaged)
        told = from_bytes(forged, measures)
        assert told is None or isinstance(told, Calibrated)
        whole += told is not None
    assert whole < 190


def test_pictures_of_another_kind_are_damage() -> None:
    def kept(*values: object) -> bytes:
        return zlib.compress(json.dumps({"a.dng": values}).encode())

    assert pictures.from_bytes(kept("strip", 10, 20)) is not None
    for values in (("strip", "10"), (1,), (None,), [{}] * 3, range(40)):
        assert pictures.from_bytes(kept(*values)) is None
    assert pictures.from_bytes(zlib.compress(b"[" * 100_000)) is None


def test_no_more_is_unpacked_than_is_asked_for() -> None:
    content = zlib.compress(bytes(1000))
    assert inflated(content, 1000) == bytes(1000)
    with pytest.raises(DamagedError, match="more than"):
        inflated(content, 999)
