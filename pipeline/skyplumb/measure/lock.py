"""One audit at a time into one output."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import Timeout

from skyplumb._data import lock_of, refuse_link, write_whole
from skyplumb.errors import UserError


@contextmanager
def held(folder: Path, out: Path) -> Iterator[None]:
    """Keep other audits from an output; the system lets go of it however this process ends.

    Parameters
    ----------
    folder : Path
        Where the lock lies; made if missing.
    out : Path
        The output, for the message.

    Raises
    ------
    UserError
        At once, if another audit is at work there, or the folder cannot be written to.
    """
    path = folder / "lock"
    told = folder / "lock.txt"
    try:
        refuse_link(folder, path)
        folder.mkdir(parents=True, exist_ok=True)
        lock = lock_of(path)
        lock.acquire(timeout=0)
    except Timeout:
        raise UserError(
            f"{out}: another audit{_who(told)} is writing there; wait until it is done or choose "
            "another --out"
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UserError(
            f"{folder}: cannot be written to ({reason}); make room or choose another output folder"
        ) from None
    try:
        # Only for the message of the next one: whatever is in its place, the audit goes on.
        with suppress(OSError):
            write_whole(told, str(os.getpid()).encode("ascii"))
        yield
    finally:
        with suppress(OSError):
            told.unlink(missing_ok=True)
        lock.release()


def _who(told: Path) -> str:
    """The process at work, as far as it says."""
    try:
        return f" (process {int(told.read_text('ascii'))})"
    except (OSError, ValueError):
        return ""
