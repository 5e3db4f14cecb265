"""The bar of a long job on a terminal; apart from `progress`, since few audits load it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task, TextColumn
from rich.text import Text


def started(verb: str, total: int, pace: Callable[[], str], stream: TextIO) -> Progress:
    """A bar with one task of so many steps, shown from now on.

    Parameters
    ----------
    verb : str
        What stands before it.
    total : int
        Steps.
    pace : callable
        What stands behind it.
    stream : text stream
        The terminal.
    """
    bar = Progress(
        TextColumn(verb),
        BarColumn(),
        MofNCompleteColumn(),
        _Pace(pace),
        console=Console(file=stream),
    )
    bar.add_task("", total=total)
    bar.start()
    return bar


class _Pace(ProgressColumn):
    """The last column of the bar."""

    def __init__(self, pace: Callable[[], str]) -> None:
        super().__init__()
        self._pace = pace

    def render(self, task: Task) -> Text:
        return Text(self._pace())
