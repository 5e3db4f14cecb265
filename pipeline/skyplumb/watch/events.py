"""What wakes a watch: the system's word that something changed in a folder, else the time.

Local disks give their word at once. A share may give none for what another machine writes, and
some systems have a bound on folders watched; so the folder is listed now and then in any case, and
often where a change was found of which no word had come.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path
from types import TracebackType

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

SELDOM_S, OFTEN_S = 10.0, 1.0
"""Between two listings with events and without."""
LEAST_S = 0.2
"""However many events come, the folder is not listed more often."""
_CHANGES = frozenset({"created", "modified", "moved", "deleted", "closed"})
"""Kinds of events that change what lies there; that a file was opened or read is none."""


class Events:
    """Waits for changes in a folder and all below it.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._woken = threading.Event()
        self._often = True
        self._observer: BaseObserver | None = None

    def __enter__(self) -> Events:
        observer = Observer()
        try:
            observer.schedule(_Wakes(self._woken), str(self._folder), recursive=True)
            observer.start()
        except (OSError, RuntimeError):  # no more watches, or none at all on this disk
            return self
        self._observer, self._often = observer, False
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        observer = self._observer
        if observer is not None:
            observer.stop()
            observer.join(OFTEN_S)

    def wait(self, most_s: float) -> bool:
        """Wait until something changed, and no longer than so many seconds or until it is time to
        list the folder in any case; answers whether a change was told."""
        told = self._woken.wait(max(min(most_s, OFTEN_S if self._often else SELDOM_S), LEAST_S))
        if told:
            time.sleep(LEAST_S)  # what comes with it
            self._woken.clear()
        return told

    def missed(self) -> None:
        """A change was found of which no event has told: if none does now, it is asked often."""
        self._often |= not self._woken.wait(OFTEN_S)


class _Wakes(FileSystemEventHandler):
    """Sets a flag."""

    def __init__(self, woken: threading.Event) -> None:
        self._woken = woken

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Something changed, or was only looked at."""
        if event.event_type in _CHANGES:
            self._woken.set()
