"""Python's collector of circles, called less often where it would find none."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

_EVERY = (100_000, 20, 100)
"""New containers before it looks through the young ones, rounds before through the older ones.
Python's own (700, 10, 10) cost some 3 to 5 % of a start-up and of a changed rule."""


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Look for circles seldom, since modules and a night's records, thousands at once, have none.

    Still at times, for what libraries leave behind; as it was before once this ends.
    """
    before = gc.get_threshold()
    gc.set_threshold(*_EVERY)
    try:
        yield
    finally:
        gc.set_threshold(*before)
