"""What this process may take, where the system can hold it to that."""

from __future__ import annotations

import contextlib
import math
import signal
import sys
import time


def cap_cpu(seconds: float) -> None:
    """End this process after so much more processor time, where the system can.

    A limit of the system's, since a decoder may keep every thread of Python waiting.
    """
    if sys.platform == "win32":
        return
    try:
        import resource

        kind = resource.RLIMIT_CPU
        _, most = resource.getrlimit(kind)
        wanted = resource.RLIM_INFINITY
        if math.isfinite(seconds):
            wanted = math.ceil(time.process_time() + seconds)
        if most != resource.RLIM_INFINITY:
            wanted = min(wanted if math.isfinite(seconds) else most, most)
        resource.setrlimit(kind, (wanted, most))
    except (ImportError, AttributeError, OSError, ValueError):
        pass


def over_its_time(exit_code: int | None) -> bool:
    """Whether a process ended since it used up its processor time (POSIX.1-2017, `setrlimit`)."""
    number = getattr(signal, "SIGXCPU", None)
    return number is not None and exit_code == -number


def cap_memory(memory_bytes: int) -> None:
    """Refuse this process more private memory than that, where the system can; 0 for no limit."""
    if sys.platform == "win32":
        return
    try:
        import resource

        kind = resource.RLIMIT_DATA
        _, most = resource.getrlimit(kind)
        wanted = memory_bytes or resource.RLIM_INFINITY
        if most != resource.RLIM_INFINITY:
            wanted = min(memory_bytes or most, most)
        resource.setrlimit(kind, (wanted, most))
    except (ImportError, AttributeError, OSError, ValueError):
        pass


def leave_no_core() -> None:
    """A process that ends over its time leaves no picture of its memory behind."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(ImportError, AttributeError, OSError, ValueError):
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_CORE)
        resource.setrlimit(resource.RLIMIT_CORE, (0, most))
