"""One SQLite file that several processes share, whole after a kill and mended once when damaged.

Who meets damage first puts all rows that can still be read into a new file and that in the place
of the old one; the others wait for it, see that the file is another and go on with it. Writing
waits for the same lock, so that nothing is written to a file that is just being replaced.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from skyplumb._data import lock_of, own, refuse_link

T = TypeVar("T")

_BUSY_S = 60.0


@dataclass(frozen=True, slots=True)
class Layout:
    """What is in the file."""

    tables: Mapping[str, str]
    """SQL of the columns of each table; the first column is what rows are found by."""
    indices: Mapping[str, str]
    """Name of an index and what it is on, such as `arrays (key)`."""
    told: Mapping[str, Sequence[Sequence[Any]]]
    """Rows that a new file begins with, by their table."""
    version: int
    """A file of another version is emptied."""


class Database:
    """The file and a connection to it.

    Parameters
    ----------
    path : Path
    layout : Layout
    emptied : callable
        Told when the tables of another version went.
    mended : callable
        Told of how many rows of the first table of a damaged file could be saved.

    Raises
    ------
    OSError, sqlite3.OperationalError
        If it cannot be written to.
    UserError
        If it is a link: what is written would land elsewhere.
    """

    def __init__(
        self,
        path: Path,
        layout: Layout,
        emptied: Callable[[], None],
        mended: Callable[[int], None],
    ) -> None:
        self.path, self._layout = path, layout
        self._emptied, self._mended = emptied, mended
        self._db: sqlite3.Connection | None = None
        self._file = (-1, -1)
        beside = [path.with_name(path.name + ending) for ending in ("", "-wal", "-shm")]
        refuse_link(*beside)
        self._lock = lock_of(path.with_suffix(".lock"))
        with self._lock:
            for file in beside:
                own(file)
            self._tried(lambda _: None)

    def rows(self, question: str, values: Sequence[Any]) -> list[Any]:
        """Answers to a question."""
        return self._tried(lambda db: db.execute(question, values).fetchall())

    def write(self, commands: Iterable[tuple[str, Sequence[Sequence[Any]]]]) -> None:
        """Do all of the commands, each with its entries, or nothing."""
        commands = list(commands)

        def act(db: sqlite3.Connection) -> None:
            with db:
                for command, entries in commands:
                    db.executemany(command, entries)

        with self._lock:
            self._tried(act)

    def __del__(self) -> None:
        """Whoever forgets to close it leaves nothing open, either."""
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def _tried(self, act: Callable[[sqlite3.Connection], T]) -> T:
        """What an action gives on the file of today; a damaged one is mended and asked again."""
        try:
            return act(self.connected())
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError:
            self._mend(self._file)
            return act(self.connected())

    def connected(self) -> sqlite3.Connection:
        """The connection; a new one if another process has put another file in the place."""
        if self._db is not None and _identity(self.path) == self._file:
            return self._db
        with self._lock:
            self.close()
            self._file = _identity(self.path)
            db = _opened(self.path, self._layout, self._emptied)
            self._file = _identity(self.path)
            self._db = db
        return self._db

    def _mend(self, damaged: tuple[int, int]) -> None:
        """A new file with all that can still be read, unless another process has made it."""
        with self._lock:
            self.close()
            if _identity(self.path) != damaged:
                return
            new = self.path.with_name(self.path.name + ".mending")
            new.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(new)) as db:
                _lay_out(db, self._layout)
                saved = _saved(self.path, db, self._layout)
            for ending in ("-wal", "-shm"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
            new.replace(self.path)
            self._mended(saved)


def _identity(path: Path) -> tuple[int, int]:
    """Which file lies there; (-1, -1) for none."""
    try:
        about = path.stat()
    except FileNotFoundError:
        return -1, -1
    return about.st_dev, about.st_ino


def _opened(path: Path, layout: Layout, emptied: Callable[[], None]) -> sqlite3.Connection:
    """A connection to a file of today's layout."""
    db = sqlite3.connect(path, timeout=_BUSY_S, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        held = db.execute("PRAGMA user_version").fetchone()[0]
        if held != layout.version:
            if held:
                emptied()
            _lay_out(db, layout)
    except BaseException:
        db.close()
        raise
    return db


def _lay_out(db: sqlite3.Connection, layout: Layout) -> None:
    """Empty tables in place of whatever there is."""
    with db:
        db.execute("BEGIN IMMEDIATE")
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            db.execute(f'DROP TABLE "{name}"')
        for name, columns in layout.tables.items():
            db.execute(f"CREATE TABLE {name} ({columns})")
        for name, on in layout.indices.items():
            db.execute(f"CREATE INDEX {name} ON {on}")
        for name, entries in layout.told.items():
            for entry in entries:
                db.execute(f"INSERT INTO {name} VALUES ({marks(entry)})", entry)
        db.execute(f"PRAGMA user_version = {layout.version}")


def _saved(path: Path, into: sqlite3.Connection, layout: Layout) -> int:
    """Copy what can be read of a damaged file; how many rows of the first table that were."""
    counts = []
    with contextlib.closing(sqlite3.connect(path, timeout=_BUSY_S)) as old:
        if list(_each(old, "PRAGMA user_version")) != [(layout.version,)]:
            return 0
        for table, columns in layout.tables.items():
            wide = len(into.execute(f"PRAGMA table_info({table})").fetchall())
            before = into.total_changes
            with into:
                for row in _readable(old, table, columns.split()[0]):
                    if len(row) == wide:
                        into.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks(row)})", row)
            counts.append(into.total_changes - before)
    return counts[0]


def _readable(old: sqlite3.Connection, table: str, key: str) -> Iterator[tuple[Any, ...]]:
    """Every row that can be read.

    A walk through a table or an index ends at the first page that is damaged, so each is walked
    from both ends; then each row is asked for by itself.
    """
    numbers: set[int] = set()
    for order in ("rowid", "rowid DESC", key, f"{key} DESC"):
        numbers |= {
            number for (number,) in _each(old, f"SELECT rowid FROM {table} ORDER BY {order}")
        }
    for number in sorted(numbers):
        yield from _each(old, f"SELECT * FROM {table} WHERE rowid = ?", [number])


def _each(db: sqlite3.Connection, question: str, values: Sequence[Any] = ()) -> Iterator[Any]:
    """Answers up to the first place that cannot be read."""
    with contextlib.suppress(sqlite3.Error):
        yield from db.execute(question, values)


def marks(values: Sequence[Any]) -> str:
    """As many question marks as values."""
    return ", ".join("?" * len(values))
