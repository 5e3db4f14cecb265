"""How commands end: their exit codes, and what stops them."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import typer

from skyplumb._terminal import complain

NOTHING_AUDITED = 1
BAD_USAGE = 2
INCOMPLETE = 3
"""The card was pulled out in the middle, or a session failed: call it again."""
FAULT = 70
"""A fault of skyplumb's own; the number that sysexits.h has for one."""
INTERRUPTED = 130
TERMINATED = 143
"""128 and the number of the signal, as shells have it."""

_ENDS = {
    0: "done",
    NOTHING_AUDITED: "nothing could be audited",
    BAD_USAGE: "a mistake in what it was given",
    INCOMPLETE: "the card fails or was pulled out, or a session failed: call it again",
    FAULT: "a fault of skyplumb's own",
    INTERRUPTED: "stopped",
}


def epilog(*examples: str, codes: Sequence[int] = (0, BAD_USAGE)) -> str:
    """What stands below the options: calls as they are typed, and what the exit codes say."""
    lines = ["\b", "Examples:", *(f"  skyplumb {example}" for example in examples)]
    codes = sorted({*codes, FAULT})
    lines += ["", "\b", "Exit codes:", *(f"  {code:<3} {_ENDS[code]}" for code in codes)]
    return "\n".join(lines)


AUDITS = (0, NOTHING_AUDITED, BAD_USAGE, INCOMPLETE, INTERRUPTED)
"""How what reads a card may end."""


class _Terminated(KeyboardInterrupt):
    """SIGTERM; it stops what Ctrl-C stops, and in the same way."""


def _terminate(number: int, frame: object) -> None:
    raise _Terminated


@contextmanager
def stoppable(words: str) -> Iterator[None]:
    """Ctrl-C and SIGTERM are one line and the shell's own exit code for them."""
    before = signal.signal(signal.SIGTERM, _terminate)
    try:
        yield
    except KeyboardInterrupt as stopped:
        complain(words)
        code = TERMINATED if isinstance(stopped, _Terminated) else INTERRUPTED
        raise typer.Exit(code) from None
    finally:
        signal.signal(signal.SIGTERM, before)


def silent(_: str) -> None:
    """Take a line and say nothing."""
