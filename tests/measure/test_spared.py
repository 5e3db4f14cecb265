"""Work for many measures, of which one breaks it."""

from __future__ import annotations

import pytest

from skyplumb.measure.spared import spared
from skyplumb.records import Measure


def some() -> list[Measure]:
    return [Measure(f"{n}.fits", "light", "") for n in range(5)]


def test_the_one_that_breaks_the_work_is_a_row_and_the_others_are_done() -> None:
    def work(measures: tuple[Measure, ...]) -> int:
        if any(one.file == "3.fits" for one in measures):
            raise ZeroDivisionError("by the fourth")
        return len(measures)

    done, broken = spared(some(), work)
    assert done == 4
    assert [one.file for one in broken] == ["3.fits"]


@pytest.mark.parametrize("count", [0, 1, 5])
def test_work_that_breaks_without_any_of_them_says_so_and_ends(count: int) -> None:
    def work(measures: tuple[Measure, ...]) -> int:
        raise ZeroDivisionError("whatever is there")

    with pytest.raises(ZeroDivisionError):
        spared(some()[:count], work)
