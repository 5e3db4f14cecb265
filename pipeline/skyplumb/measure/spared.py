"""Work on many measures that a single one cannot break."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import PurePosixPath
from typing import TypeVar

from skyplumb._log import LOG
from skyplumb.errors import UserError
from skyplumb.measure.all_shots import lost_measure
from skyplumb.measure.workers import Lost, in_words
from skyplumb.records import Measure

R = TypeVar("R")


def spared(
    measures: Sequence[Measure], work: Callable[[tuple[Measure, ...]], R]
) -> tuple[R, list[Measure]]:
    """Do some work for all measures but those that break it.

    Returns
    -------
    result
        Of the work, for the others.
    list of Measure
        Those that break it also when alone, as rows that say what happened.

    Raises
    ------
    Exception
        What the work raised, if no measure alone is to blame.
    """
    broken: list[Measure] = []
    left = tuple(measures)
    while True:
        try:
            return work(left), broken
        except (UserError, MemoryError):
            raise
        except Exception as error:
            culprit = _culprit(left, work, error)
            if culprit is None:
                raise
            broken.append(culprit)
            left = tuple(one for one in left if one.file != culprit.file)


def _culprit(
    measures: tuple[Measure, ...], work: Callable[[tuple[Measure, ...]], object], error: Exception
) -> Measure | None:
    """The row of a measure that breaks the work by itself, found by halving.

    None where no half does, or where the work breaks even without any.
    """
    if not measures:
        return None
    if len(measures) == 1:
        file = measures[0].file
        LOG.error("%s breaks the work", file, exc_info=error)
        return lost_measure(PurePosixPath(file), Lost("fault", in_words(error)))
    middle = len(measures) // 2
    for half in (measures[:middle], measures[middle:]):
        try:
            work(half)
        except (UserError, MemoryError):
            raise
        except Exception as again:
            return _culprit(half, work, again)
    return None
