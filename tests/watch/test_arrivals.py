"""Which files are whole."""

from __future__ import annotations

from pathlib import PurePosixPath

from skyplumb.watch.arrivals import FIRST_TRY_S, MOST_TRY_S, SETTLED_S, Arrivals

FILE = PurePosixPath("DCIM/RIDG_0001.dng")
OTHER = PurePosixPath("DCIM/RIDG_0002.dng")


def test_a_file_is_whole_a_second_after_its_last_change() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 1)}, 10.0)
    assert arrivals.whole(10.0) == []
    arrivals.see({FILE: (200, 1)}, 10.9)
    assert arrivals.whole(11.5) == []
    assert arrivals.next_s() == 10.9 + SETTLED_S
    assert arrivals.whole(11.9) == [FILE]


def test_a_change_of_its_time_alone_is_a_change() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 1)}, 0.0)
    arrivals.see({FILE: (100, 2)}, 0.9)
    assert arrivals.whole(1.5) == []


def test_a_measured_file_is_asked_again_only_when_it_changes() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 1)}, 0.0)
    arrivals.measured(FILE, 2.0)
    assert arrivals.whole(1e6) == []
    assert arrivals.next_s() == float("inf")
    arrivals.see({FILE: (140, 2)}, 3.0)
    assert arrivals.whole(4.0) == [FILE]


def test_what_cannot_be_read_is_tried_ever_more_seldom() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 1)}, 0.0)
    now, waits = SETTLED_S, []
    for tries in range(1, 9):
        assert arrivals.whole(now) == [FILE]
        assert arrivals.not_read(FILE, now) == tries
        waits.append(arrivals.next_s() - now)
        now = arrivals.next_s()
    assert waits[:3] == [FIRST_TRY_S, 2 * FIRST_TRY_S, 4 * FIRST_TRY_S]
    assert waits[-1] == MOST_TRY_S


def test_an_empty_file_has_only_been_made() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (0, 1)}, 0.0)
    assert arrivals.whole(1e6) == []
    assert arrivals.next_s() == float("inf")


def test_files_come_in_the_order_of_their_last_change() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 7), OTHER: (100, 3)}, 0.0)
    assert arrivals.whole(2.0) == [OTHER, FILE]


def test_a_file_that_goes_is_forgotten() -> None:
    arrivals = Arrivals()
    arrivals.see({FILE: (100, 1)}, 0.0)
    arrivals.see({}, 0.5)
    assert arrivals.whole(9.0) == []
    assert arrivals.not_read(FILE, 9.0) == 0
