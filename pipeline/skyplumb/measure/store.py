"""The audit's store: what was measured once is kept, and found again after any interruption.

One SQLite database, which is whole after a kill at any moment and which any tool for tables
opens. Measures are rows of `shots` and `arrays` (see `rows`); what later stages keep are
`blobs`. Each entry's check sum covers what the entry is of, so that damage and entries in each
other's place count as absent. What comes out is, bit for bit, what went in, since a resumed
audit must write the same files as an undisturbed one.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from skyplumb._data import refuse_link, write_whole
from skyplumb.errors import UserError
from skyplumb.intake.card import open_file
from skyplumb.keys import Making
from skyplumb.measure import rows
from skyplumb.measure.database import Database, Layout, marks
from skyplumb.records import Measure

MEASURE_VERSION = 16
"""Raise it whenever the same file would be measured differently: old entries then count for
nothing and are measured again. A digest of the code would throw thousands away for a comment."""
DECODERS = ("astropy", "exiv2", "libraw", "rawpy", "sep")
"""What opens files and finds stars: measures by two versions of one never stand in one run. numpy
and scipy, which do the sums, are left out: a last bit is not worth thousands of measures."""

LAYOUT_VERSION = 2
"""Raise it whenever the tables change in more than the records' own fields."""

DATABASE = "measures.sqlite"
_AT_ONCE = 500
"""Entries asked for in one question; SQLite takes 999 values."""

_SETTLED_NS = 3_000_000_000
"""Cards keep times to 2 s (FAT)."""
_END_BYTES = 64 * 1024
_CHUNK_BYTES = 4 * 1024
_CHUNKS = 16

_ABOUT = """\
What skyplumb measured in each shot, so that the next audit into this folder need not do it
again. Safe to delete: the next audit then takes as long as the first. To look at it:

    pandas.read_sql("SELECT * FROM shots", sqlite3.connect("measures.sqlite"))

The table `columns` says what each column and array holds. An array is a zlib-packed .npy file:

    numpy.load(io.BytesIO(zlib.decompress(data)))
"""


class Store:
    """Measures and blobs of later stages under one folder.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    warn : callable, optional
        Told, in one line, of damage that was found.

    Raises
    ------
    UserError
        If it cannot be written to: before the work of a night, not after it.
    """

    def __init__(self, folder: Path, warn: Callable[[str], None] | None = None) -> None:
        self.folder = folder
        self.path = folder / DATABASE
        self._warn = warn or _silent
        refuse_link(folder)
        with self._said():
            write_whole(folder / "ABOUT.txt", _ABOUT.encode())
            self._db = self._open()

    def key(self, card: Path, file: PurePosixPath | str) -> str:
        """Name under which a shot's measure is kept.

        From its place on the card, its size and time, both ends and sixteen places between:
        cheap on a card of 100 GB, and different as soon as the shot is another. A file that
        cannot be read gets a name too, so that it costs a row and not the audit. A file whose
        place, size and times are those of an earlier call is not read again.
        """
        try:
            known = self._state(card, file)
        except (OSError, ValueError):
            known = b""
        if known:
            for key, told in self._rows("SELECT key, digest FROM seen WHERE state = ?", [known]):
                if told == rows.digest(known, key):
                    return str(key)
        digest = hashlib.blake2b(digest_size=20)
        digest.update(f"{measured_by()}\0{PurePosixPath(file)}\0".encode("utf-8", "surrogatepass"))
        try:
            with open_file(card, file) as shot:
                about = os.fstat(shot.fileno())
                digest.update(f"{about.st_size}\0{about.st_mtime_ns}\0".encode())
                for start, length in _sampled(about.st_size):
                    shot.seek(start)
                    digest.update(shot.read(length) or b"")
        except (OSError, ValueError) as error:
            digest.update(f"unreadable {getattr(error, 'errno', '')}".encode())
            return digest.hexdigest()
        key = digest.hexdigest()
        if known:
            entry = (known, key, rows.digest(known, key))
            self._write(("INSERT OR REPLACE INTO seen VALUES (?, ?, ?)", [entry]))
        return key

    def get(self, key: str) -> Measure | None:
        """A measure kept before; None if there is none, or it is damaged or of another version."""
        return self.get_all([key]).get(key)

    def get_all(
        self, keys: Iterable[str], arrays: Sequence[str] = rows.ARRAYS
    ) -> dict[str, Measure]:
        """Measures kept before, by key; those absent or damaged are left out.

        Parameters
        ----------
        keys : iterable of str
        arrays : sequence of str
            Which arrays are wanted; the others are empty in what comes back.
        """
        found: dict[str, Measure] = {}
        keys = list(dict.fromkeys(keys))
        for start in range(0, len(keys), _AT_ONCE):
            some = keys[start : start + _AT_ONCE]
            held = self._arrays_of(some, arrays)
            names = ", ".join(rows.COLUMNS)
            question = f"SELECT key, digest, {names} FROM shots WHERE key IN ({marks(some)})"
            for key, told, *row in self._rows(question, some):
                measure = None
                if told == rows.digest(key, *row) and held.get(key, {}).keys() == set(arrays):
                    with contextlib.suppress(rows.DamagedError):
                        measure = rows.from_row(row, held.get(key, {}))
                if measure is not None:
                    found[key] = measure
                else:
                    self._warn(
                        f"{self.path}: what was kept of {row[0]} is damaged; it is measured again"
                    )
        return found

    def put(self, key: str, measure: Measure) -> None:
        """Keep a measure.

        Raises
        ------
        UserError
            If the disk is full or does not let itself be written to.
        """
        row = rows.to_row(measure)
        packed = [(name, rows.pack(getattr(measure, name))) for name in rows.ARRAYS]
        parts = [(key, name, rows.digest(key, name, data), data) for name, data in packed]
        whole = [key, rows.digest(key, *row), *row]
        self._write(
            ("DELETE FROM arrays WHERE key = ?", [[key]]),
            ("INSERT INTO arrays VALUES (?, ?, ?, ?)", parts),
            (f"INSERT OR REPLACE INTO shots VALUES ({marks(whole)})", [whole]),
        )

    def get_blob(self, name: str, depends: str = "") -> bytes | None:
        """A blob kept before; None if there is none, it is damaged, or depended on other things."""
        question = "SELECT digest, data FROM blobs WHERE name = ? AND depends = ?"
        for told, data in self._rows(question, [name, depends]):
            if told == rows.digest(name, depends, data):
                return bytes(data)
            self._warn(f"{self.path}: what was kept of {name} is damaged; it is made again")
        return None

    def has_blob(self, name: str, depends: str = "") -> bool:
        """Whether a blob was kept that depends on just that; it may yet be damaged."""
        question = "SELECT 1 FROM blobs WHERE name = ? AND depends = ?"
        return bool(self._rows(question, [name, depends]))

    def put_blob(self, name: str, data: bytes, depends: str = "") -> None:
        """Keep bytes of a later stage, in place of what was kept under the name.

        Parameters
        ----------
        name : str
        data : bytes
        depends : str
            A digest of all they were made from.
        """
        entry = (name, depends, rows.digest(name, depends, data), data)
        self._write(("INSERT OR REPLACE INTO blobs VALUES (?, ?, ?, ?)", [entry]))

    def close(self) -> None:
        """Let go of the database; nothing is lost without it."""
        self._db.close()

    def _open(self) -> Database:
        """The database, with the tables of today; what is older counts for nothing."""
        if self.path.exists() and not self.path.is_file():
            self._warn(f"{self.path}: is no file; set aside, everything is measured again")
            self.path.rename(_free_name(self.path))
        columns = ", ".join(f"{name} {kind}" for name, kind in rows.COLUMNS.items())
        shots = f"key TEXT PRIMARY KEY, digest BLOB, {columns}"
        told = rows.digest(LAYOUT_VERSION, measured_by(), shots, rows.ARRAYS)
        layout = Layout(
            {
                "shots": shots,
                "arrays": "key TEXT, name TEXT, digest BLOB, data BLOB",
                "blobs": "name TEXT PRIMARY KEY, depends TEXT, digest BLOB, data BLOB",
                "seen": "state BLOB PRIMARY KEY, key TEXT, digest BLOB",
                "columns": "name TEXT PRIMARY KEY, meaning TEXT",
            },
            {"of_shot": "arrays (key)"},
            {"columns": list(rows.meanings().items())},
            int.from_bytes(told[:3], "little"),
        )
        return Database(
            self.path,
            layout,
            lambda: self._warn(
                f"{self.path}: kept by another version of skyplumb or of a library that opens "
                "files; everything is measured again"
            ),
            lambda saved: self._warn(
                f"{self.path}: damaged; {saved} measures could be saved, others are made again"
            ),
        )

    def _arrays_of(self, keys: Sequence[str], wanted: Sequence[str]) -> dict[str, dict[str, Any]]:
        """Sound arrays of some shots, by key and name."""
        found: dict[str, dict[str, Any]] = {}
        if not wanted:
            return found
        question = (
            f"SELECT key, name, digest, data FROM arrays WHERE key IN ({marks(keys)})"
            f" AND name IN ({marks(wanted)})"
        )
        for key, name, told, data in self._rows(question, [*keys, *wanted]):
            with contextlib.suppress(rows.DamagedError):
                if told == rows.digest(key, name, data):
                    found.setdefault(key, {})[name] = rows.unpack(name, data)
        return found

    def _rows(self, question: str, values: Sequence[Any]) -> list[Any]:
        """Answers of the database."""
        with self._said():
            return self._db.rows(question, values)

    def _write(self, *commands: tuple[str, Sequence[Sequence[Any]]]) -> None:
        """All of it or nothing."""
        with self._said():
            self._db.write(commands)

    @contextlib.contextmanager
    def _said(self) -> Iterator[None]:
        """A disk that is full or may not be written to is one line with the mend."""
        try:
            yield
        except (OSError, sqlite3.OperationalError) as error:
            reason = (getattr(error, "strerror", None) or str(error)).lower()
            raise UserError(
                f"{self.folder}: cannot be written to ({reason}); "
                "make room or choose another output folder, then start again: it goes on from here"
            ) from None

    @staticmethod
    def _state(card: Path, file: PurePosixPath | str) -> bytes:
        """What an untouched file keeps: its place, size, times and number on the disk.

        Nothing for a file that changed just now: it may change again within the same tick of
        the disk's clock.
        """
        about = (card / file).stat()
        if time.time_ns() - max(about.st_mtime_ns, about.st_ctime_ns) < _SETTLED_NS:
            return b""
        return rows.digest(
            measured_by(), str(card.absolute()), str(PurePosixPath(file)), about.st_size,
            about.st_mtime_ns, about.st_ctime_ns, about.st_ino, about.st_dev,
        )  # fmt: skip


def measured_by() -> str:
    """Digest of what a measure follows from besides the file."""
    return Making(DECODERS, by_hand=MEASURE_VERSION).digest


def _sampled(size: int) -> list[tuple[int, int]]:
    """Start and length of the stretches of a file that its key is made from."""
    if size <= 2 * _END_BYTES + _CHUNKS * _CHUNK_BYTES:
        return [(0, size)]
    between = size - 2 * _END_BYTES - _CHUNK_BYTES
    chunks = [(_END_BYTES + between * n // (_CHUNKS - 1), _CHUNK_BYTES) for n in range(_CHUNKS)]
    return [(0, _END_BYTES), *chunks, (size - _END_BYTES, _END_BYTES)]


def _free_name(path: Path) -> Path:
    """A name beside a path that nothing has."""
    number = 1
    while path.with_name(f"{path.name}.damaged-{number}").exists():
        number += 1
    return path.with_name(f"{path.name}.damaged-{number}")


def _silent(_: str) -> None:
    pass
