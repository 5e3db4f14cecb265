"""What a report of a fault needs: `log.txt` beside what is kept of an output.

It holds what each call was given and said, the versions that it worked with, and the whole
traceback of every fault. Nothing is sent anywhere.
"""

from __future__ import annotations

import logging
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from skyplumb._data import cache_folder, own, refuse_link, refuse_no_file
from skyplumb.errors import UserError
from skyplumb.keys import surroundings

LOG = logging.getLogger("skyplumb")
LOG.addHandler(logging.NullHandler())
LOG.setLevel(logging.INFO)

NAME = "log.txt"
BEFORE = "log-before.txt"
MOST_BYTES = 1_000_000
"""A longer one is put aside, in the place of the one put aside before."""


class _File(logging.FileHandler):
    """Appends to a file; a full disk takes the words, not the audit."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (its name there)
        """Say nothing: the terminal has its own lines."""


@contextmanager
def logged(folder: Path, given: str = "") -> Iterator[None]:
    """Keep a log in a folder that is there, and in it whatever ends the work inside.

    Parameters
    ----------
    folder : Path
        Where it cannot be written there is none.
    given : str
        What begins, with all that it was given; nothing for a part of what has begun.

    Raises
    ------
    UserError
        If somebody laid a link in its place.
    Exception
        What the work raised; where it is a fault, with a note of the log that holds it.
    """
    path = folder / NAME
    refuse_link(path, folder / BEFORE)
    if str(path.absolute()) in (getattr(one, "baseFilename", "") for one in LOG.handlers):
        yield
        return
    handler = _opened(path, given)
    if handler is None:
        yield
        return
    LOG.addHandler(handler)
    try:
        if given:
            LOG.info("%s", given)
            LOG.info("%s", ", ".join(" ".join(pair) for pair in surroundings().items()))
        yield
    except UserError as error:
        LOG.error("ended: %s", error)
        raise
    except Exception as error:
        LOG.exception("ended by a fault")
        error.add_note(str(path))
        raise
    except BaseException as stopped:
        LOG.error("stopped: %s", type(stopped).__name__)
        raise
    else:
        if given:
            LOG.info("done")
    finally:
        LOG.removeHandler(handler)
        handler.close()


def _opened(path: Path, given: str) -> logging.Handler | None:
    try:
        if path.exists():
            refuse_no_file(path.stat())
            own(path)
            if given and path.stat().st_size > MOST_BYTES:
                path.replace(path.with_name(BEFORE))
        handler = _File(path, encoding="utf-8", errors="backslashreplace")
    except OSError:
        return None
    lines = logging.Formatter("%(asctime)sZ %(message)s", "%Y-%m-%dT%H:%M:%S")
    lines.converter = time.gmtime
    handler.setFormatter(lines)
    return handler


def heard(say: Callable[[str], None]) -> Callable[[str], None]:
    """Say a line and keep it."""

    def told(line: str) -> None:
        LOG.info("%s", line)
        say(line)

    return told


def traced(error: BaseException) -> str:
    """The whole traceback, to send along from another process."""
    return "".join(traceback.format_exception(error))


def log_of(error: Exception) -> str:
    """Where the whole account of a fault is, written now if it is in no log yet; or nowhere."""
    for note in getattr(error, "__notes__", ()):
        if note.endswith(NAME):
            return str(note)
    with suppress(Exception):
        folder = cache_folder()
        folder.mkdir(parents=True, exist_ok=True)
        with logged(folder, "a fault"):
            LOG.error("nothing else keeps it", exc_info=error)
        return str(folder / NAME)
    return ""
