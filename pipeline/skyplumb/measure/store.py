"""The audit's store: what was measured once is kept, and found again after any interruption.

One file a shot, written beside its place and moved onto it, so that a reader sees all of it or
nothing, wherever the audit was stopped. It is a zip of plain JSON and the arrays' own bytes, with
zip's check sums against damage and without pickles: nothing in it is ever executed. What comes
out is, bit for bit, what went in, since a resumed audit must write the same files as an
undisturbed one.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import os
import re
import shutil
import zipfile
import zlib
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb._data import write_whole
from skyplumb.intake.card import open_file
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo, UserError

MEASURE_VERSION = 6
"""Raise it whenever the same file would be measured differently: old entries then count for
nothing and are measured again."""

_END_BYTES = 64 * 1024
_CHUNK_BYTES = 4 * 1024
_CHUNKS = 16

_ABOUT = """\
What skyplumb measured in each shot, so that the next audit into this folder need not do it
again. Safe to delete: the next audit then takes as long as the first.
"""


class Store:
    """Measures and small blobs under one folder.

    Parameters
    ----------
    folder : Path
        Made if it is not there.

    Raises
    ------
    UserError
        If it cannot be written to: before the work of a night, not after it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._write(folder / "ABOUT.txt", _ABOUT.encode())

    def key(self, card: Path, file: PurePosixPath | str) -> str:
        """Name under which a shot's measure is kept.

        From its place on the card, its size and time, both ends and sixteen places between:
        cheap on a card of 100 GB, and different as soon as the shot is another. A file that
        cannot be read gets a name too, so that it costs a row and not the audit.
        """
        digest = hashlib.blake2b(digest_size=20)
        digest.update(
            f"{MEASURE_VERSION}\0{PurePosixPath(file)}\0".encode(errors="surrogateescape")
        )
        try:
            with open_file(card, file) as shot:
                about = os.fstat(shot.fileno())
                digest.update(f"{about.st_size}\0{about.st_mtime_ns}\0".encode())
                for start, length in _sampled(about.st_size):
                    shot.seek(start)
                    digest.update(shot.read(length))
        except OSError as error:
            digest.update(f"unreadable {error.errno}".encode())
        return digest.hexdigest()

    def get(self, key: str) -> Measure | None:
        """A measure kept before; None if there is none, or it is damaged or of another version."""
        try:
            return _unpack(self._measure_path(key).read_bytes())
        except (OSError, ValueError, KeyError, TypeError, EOFError):
            return None
        except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError):
            return None  # what zipfile answers to damage

    def put(self, key: str, measure: Measure) -> None:
        """Keep a measure.

        Raises
        ------
        UserError
            If the disk is full or does not let itself be written to.
        """
        self._write(self._measure_path(key), _pack(measure))

    def get_blob(self, name: str) -> bytes | None:
        """A blob kept before; None if there is none or it is damaged."""
        try:
            content = self._blob_path(name).read_bytes()
        except OSError:
            return None
        digest, data = content[:16], content[16:]
        return data if hashlib.blake2b(data, digest_size=16).digest() == digest else None

    def put_blob(self, name: str, data: bytes) -> None:
        """Keep a few bytes of a later stage under a name of letters, digits, dots and dashes."""
        digest = hashlib.blake2b(data, digest_size=16).digest()
        self._write(self._blob_path(name), digest + data)

    def clear(self) -> None:
        """Forget everything."""
        for folder in ("measures", "blobs"):
            shutil.rmtree(self.folder / folder, ignore_errors=True)

    def _measure_path(self, key: str) -> Path:
        return self.folder / "measures" / key[:2] / f"{key}.npz"

    def _blob_path(self, name: str) -> Path:
        if not re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]*", name):
            raise ValueError(f"not a blob's name: {name!r}")
        return self.folder / "blobs" / name

    def _write(self, path: Path, content: bytes) -> None:
        """All of it or nothing."""
        try:
            write_whole(path, content)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise UserError(
                f"{path.parent}: cannot be written to ({reason}); "
                "make room or choose another output folder, then start again: it goes on from here"
            ) from None


def _sampled(size: int) -> list[tuple[int, int]]:
    """Start and length of the stretches of a file that its key is made from."""
    if size <= 2 * _END_BYTES + _CHUNKS * _CHUNK_BYTES:
        return [(0, size)]
    between = size - 2 * _END_BYTES - _CHUNK_BYTES
    chunks = [(_END_BYTES + between * n // (_CHUNKS - 1), _CHUNK_BYTES) for n in range(_CHUNKS)]
    return [(0, _END_BYTES), *chunks, (size - _END_BYTES, _END_BYTES)]


def _pack(measure: Measure) -> bytes:
    """A measure as a zip: told.json, and a member for each array."""
    told: dict[str, object] = {}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as entry:
        for field in dataclasses.fields(measure):
            value = getattr(measure, field.name)
            if isinstance(value, np.ndarray):
                stored = _halved(value)
                told[field.name] = {
                    "shape": value.shape,
                    "dtype": np.lib.format.dtype_to_descr(value.dtype),
                    "stored": np.lib.format.dtype_to_descr(stored.dtype),
                }
                entry.writestr(field.name, _byte_planes(stored))
            else:
                told[field.name] = _plain(value)
        entry.writestr("told.json", json.dumps(told))
    return out.getvalue()


def _unpack(content: bytes) -> Measure:
    """The measure back from its zip; ValueError if it is not of today's shape."""
    with zipfile.ZipFile(io.BytesIO(content)) as entry:
        told = json.loads(entry.read("told.json"))
        if told.keys() != {field.name for field in dataclasses.fields(Measure)}:
            raise ValueError("kept by another version")
        values: dict[str, Any] = {
            name: _array(entry.read(name), value)
            if isinstance(value, dict) and "stored" in value
            else value
            for name, value in told.items()
        }
    values["info"] = _shot_info(values["info"])
    if values["stars"].dtype != STAR_DTYPE:
        raise ValueError("kept by another version")
    return Measure(**values)


def _plain(value: Any) -> Any:
    """As JSON has it; NaN and infinity as Python's json writes them."""
    if isinstance(value, ShotInfo):
        return {
            field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)
        }
    if isinstance(value, datetime):
        return {"time": value.isoformat()}
    if isinstance(value, np.generic):
        return value.item()
    return value


def _shot_info(told: dict[str, Any]) -> ShotInfo:
    """What `_plain` made of it, back; ValueError if it has other fields."""
    if told.keys() != {field.name for field in dataclasses.fields(ShotInfo)}:
        raise ValueError("kept by another version")
    values: dict[str, Any] = {
        name: datetime.fromisoformat(value["time"]) if isinstance(value, dict) else value
        for name, value in told.items()
    }
    return ShotInfo(**values)


def _halved(values: NDArray[Any]) -> NDArray[Any]:
    """At half precision, where that loses nothing."""
    if values.dtype != np.float32:
        return values
    with np.errstate(over="ignore", invalid="ignore"):
        half = values.astype(np.float16)
    back = half.astype(np.float32)
    same = np.array_equal(back.view(np.uint32), np.ascontiguousarray(values).view(np.uint32))
    return half if same else values


def _byte_planes(values: NDArray[Any]) -> bytes:
    """All first bytes, then all second bytes and so on: like bytes together compress better."""
    flat = np.frombuffer(values.tobytes(), np.uint8)
    return flat.reshape(-1, values.dtype.itemsize).T.tobytes()


def _array(content: bytes, told: dict[str, Any]) -> NDArray[Any]:
    """What `_byte_planes` made of it, back."""
    dtype, stored = (_dtype(told[name]) for name in ("dtype", "stored"))
    planes = np.frombuffer(content, np.uint8).reshape(stored.itemsize, -1)
    values = np.frombuffer(planes.T.tobytes(), stored).reshape(told["shape"])
    return values.astype(dtype)  # a copy that can be written to


def _dtype(told: Any) -> np.dtype[Any]:
    """A numpy type as JSON has it: a name, or a list of fields."""
    return np.dtype(told if isinstance(told, str) else [(name, kind) for name, kind in told])
