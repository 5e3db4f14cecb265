"""How far a long job is: a bar on a terminal, now and then a line elsewhere, or nothing."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, TextIO

from ..digits import duration

if TYPE_CHECKING:
    from rich.progress import Progress as Bar

_EVERY_PART = 0.05
_EVERY_S = 30.0


class Progress:
    """Counts frames done and says so, with the rate and the time left.

    Parameters
    ----------
    total : int
        Frames to do.
    quiet : bool
        Say nothing.
    stream : text stream, optional
        Where to; stderr if not given. A terminal gets a bar that stays in its line, anything
        else a plain line for every twentieth part or every 30 s, whichever comes first.
    clock : callable
        Seconds that never go back.
    verb, what : str
        What was done to what, in words.
    begun : str, optional
        A line to begin with where there is no bar to be seen, for what is long in coming.
    """

    def __init__(
        self,
        total: int,
        quiet: bool = False,
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
        verb: str = "measured",
        what: str = "frames",
        begun: str = "",
    ) -> None:
        self._verb, self._what, self._begun = verb, what, begun
        self.total = total
        self.done = 0
        self._stream = stream if stream is not None else sys.stderr
        self._quiet = quiet or total == 0 or self._stream is None  # None where it was closed
        self._clock = clock
        self._started = self._last_s = clock()
        self._last_done = 0
        self._bar: Bar | None = None

    def __enter__(self) -> Progress:
        self._started = self._last_s = self._clock()
        if not self._quiet and self._stream.isatty():
            from skyplumb.measure import bar

            self._bar = bar.started(self._verb, self.total, self.pace, self._stream)
        elif self._begun:
            self._write(self._begun)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
        elif self._last_done < self.done:
            self._say()

    def step(self, frames: int = 1) -> None:
        """So many more are done."""
        self.done += frames
        if self._bar is not None:
            self._bar.advance(self._bar.task_ids[0], frames)
            return
        part = (self.done - self._last_done) / max(1, self.total)
        if part >= _EVERY_PART or self._clock() - self._last_s >= _EVERY_S:
            self._say()

    def pace(self) -> str:
        """Rate and time left in words, such as `0.8 frames/s, 18 min left`."""
        spent = self._clock() - self._started
        if self.done == 0 or spent <= 0.0:
            return ""
        rate = self.done / spent
        shown = (
            f"{rate:.1f} {self._what}/s"
            if rate >= 0.1
            else f"{1.0 / rate:.0f} s a {self._what.removesuffix('s')}"
        )
        return f"{shown}, {duration((self.total - self.done) / rate)} left"

    def _say(self) -> None:
        """One plain line."""
        self._last_done, self._last_s = self.done, self._clock()
        part = self.done / self.total
        things = self._what if self.total != 1 else self._what.removesuffix("s")
        line = f"{self._verb} {self.done} of {self.total} {things} ({part:.0%}), {self.pace()}"
        self._write(line.rstrip(", "))

    def _write(self, line: str) -> None:
        if self._quiet:
            return
        try:
            # One write: a signal between text and end of line would leave half a line.
            self._stream.write(line + "\n")
            self._stream.flush()
        except (OSError, ValueError):
            self._quiet = True  # nobody listens any more; the work goes on
