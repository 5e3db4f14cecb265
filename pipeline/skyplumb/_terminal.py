"""What is said on the terminal, whatever state it is in.

A night's work must not end since nobody listens any more: a pipe that was closed or a disk that
is full takes the words, not the audit. Words that come from files cannot steer the terminal.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
from typing import TextIO

_STEERS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]|\r")
_failed: dict[str, OSError] = {}


def tell(text: str) -> None:
    """A line on stdout."""
    _write("stdout", text)


def complain(text: str) -> None:
    """A line on stderr."""
    _write("stderr", text)


def ring() -> None:
    """The terminal's bell, where somebody sits at one."""
    if sys.stderr is not None and "stderr" not in _failed and sys.stderr.isatty():
        try:
            sys.stderr.write("\a")
            sys.stderr.flush()
        except (OSError, ValueError) as error:
            _mute("stderr", error)


def clean(text: str) -> str:
    """The text with what would steer a terminal or turn its letters round shown as an escape."""
    return _STEERS.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


def failure(name: str) -> OSError | None:
    """What was wrong with `stdout` or `stderr`, flushed now; None if all was said."""
    stream: TextIO | None = getattr(sys, name)
    if stream is not None and name not in _failed:
        try:
            stream.flush()
        except (OSError, ValueError) as error:
            _mute(name, error)
    return _failed.get(name)


def _write(name: str, text: str) -> None:
    stream: TextIO | None = getattr(sys, name)
    if stream is None or name in _failed:
        return
    try:
        encoding = getattr(stream, "encoding", None) or "utf-8"
        plain = clean(text).encode(encoding, "backslashreplace").decode(encoding)
        stream.write(plain + "\n")  # one write: a signal between two would leave half a line
        stream.flush()
    except (OSError, ValueError) as error:
        _mute(name, error)


def _mute(name: str, error: OSError | ValueError) -> None:
    """Nothing more goes there: Python would try again at its end, and fail with a traceback."""
    _failed[name] = error if isinstance(error, OSError) else OSError(str(error))
    with contextlib.suppress(OSError, ValueError):
        number = getattr(sys, name).fileno()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, number)
        os.close(nowhere)
