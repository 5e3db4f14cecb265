"""One clock for each session, from stamps that come and go and zones that contradict them."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from skyplumb.night.clock import Clock, Dated, clock_of, zone_words

START = datetime(2026, 8, 14, 22, 0, 7, 250_000)
NAN = float("nan")


def shots(
    count: int = 16,
    zones: list[float] | float = NAN,
    ages_s: dict[int, float] | None = None,
    true_zone_h: float = 2.0,
) -> list[Dated]:
    """Frames two minutes apart; some with stamps so many seconds old."""
    out = []
    for n in range(count):
        clock = START + timedelta(minutes=2 * n)
        stamp = None
        if ages_s and n in ages_s:
            stamp = clock - timedelta(hours=true_zone_h, seconds=ages_s[n])
        zone = zones[n] if isinstance(zones, list) else zones
        out.append(Dated(f"{n:02d}.dng", clock, zone, stamp))
    return out


def frozen(count: int, true_zone_h: float, age_s: float, zone_h: float = NAN) -> list[Dated]:
    """All frames carry the stamp of a fix before the first."""
    stamp = START - timedelta(hours=true_zone_h, seconds=age_s)
    return [
        Dated(one.file, one.clock, zone_h, stamp) for one in shots(count, true_zone_h=true_zone_h)
    ]


def hours(clock: Clock) -> float | None:
    return None if clock.ahead is None else clock.ahead / timedelta(hours=1)


def test_stamps_in_some_frames_give_all_of_them_their_clock() -> None:
    found = clock_of(shots(ages_s={n: 20.0 + n for n in range(0, 16, 2)}))
    assert hours(found) == 2.0
    assert "8 GPS time stamps" in found.words
    assert not found.notices and found.other is None


def test_a_zone_in_some_frames_gives_all_of_them_their_clock() -> None:
    found = clock_of(shots(zones=[2.0 if n % 2 else NAN for n in range(16)]))
    assert (hours(found), found.notices) == (2.0, ())


@pytest.mark.parametrize("zone_h", [2.0, 5.75, -9.5, 0.0])
@pytest.mark.parametrize("age_s", [0.0, 40.0, 250.0, -20.0])
def test_stamps_give_the_zone_and_the_clock_the_seconds(zone_h: float, age_s: float) -> None:
    found = clock_of(shots(ages_s={n: age_s + n for n in range(8)}, true_zone_h=zone_h))
    assert hours(found) == zone_h


def test_a_frozen_stamp_never_overrides_the_files_own_zone() -> None:
    # An hour and two minutes old at the first frame: by itself it looks like another zone.
    found = clock_of(frozen(40, 2.0, 3600.0 + 120.0, zone_h=2.0))
    assert hours(found) == 2.0
    (line,) = found.notices
    assert "does not advance" in line and "00.dng" in line
    fresh = clock_of(frozen(40, 2.0, 30.0, zone_h=2.0))
    assert (hours(fresh), fresh.notices) == (2.0, ())


def test_a_frozen_stamp_alone_says_nothing() -> None:
    found = clock_of(frozen(40, 2.0, 3600.0))
    assert hours(found) is None
    assert "does not advance" in found.why_not and "utc_offset_h" in found.why_not


def test_one_stamp_on_one_frame_is_better_than_nothing() -> None:
    assert hours(clock_of(shots(ages_s={3: 15.0}))) == 2.0


def test_a_stamp_far_from_every_zone_is_passed_over() -> None:
    assert hours(clock_of(shots(ages_s={3: 23 * 60.0}))) is None
    assert hours(clock_of(shots(ages_s={3: 23 * 60.0}, zones=2.0))) == 2.0
    assert hours(clock_of(shots(ages_s={3: 24 * 3600.0}))) is None


def test_a_stamp_that_many_frames_carry_speaks_once() -> None:
    # Eleven frames carry a fix of an hour ago, five their own: five stamps against one.
    old = START - timedelta(hours=3)
    some = [
        Dated(one.file, one.clock, NAN, old) if n < 11 else one
        for n, one in enumerate(shots(ages_s=dict.fromkeys(range(11, 16), 5.0)))
    ]
    found = clock_of(some)
    assert hours(found) == 2.0
    assert any("00.dng" in line for line in found.notices)


def test_stamps_and_zone_that_differ_by_a_whole_zone_are_both_handed_on() -> None:
    found = clock_of(shots(zones=1.0, ages_s=dict.fromkeys(range(16), 10.0)))
    assert hours(found) == 2.0
    assert found.other is not None
    assert found.other.later_h == 1.0
    assert "+02:00" in found.words and "+01:00" in found.other.words


def test_files_that_disagree_evenly_are_both_handed_on_and_a_stray_is_told() -> None:
    even = clock_of(shots(zones=[1.0, 2.0] * 8))
    assert even.other is not None and abs(even.other.later_h) == 1.0
    stray = clock_of(shots(zones=[2.0] * 15 + [-5.0]))
    assert hours(stray) == 2.0 and stray.other is None
    assert any("15.dng" in line for line in stray.notices)


def test_a_clock_that_is_wrong_by_minutes_is_set_right_by_stamps_that_agree() -> None:
    # Twelve minutes ahead of its zone: no zone at all by any single stamp.
    ages = {n: 12 * 60.0 + 2.0 * (n % 7) for n in range(16)}
    found = clock_of(shots(zones=2.0, ages_s=ages))
    assert hours(found) == pytest.approx(2.2, abs=1e-9)
    assert any("12 min ahead" in line for line in found.notices)
    # Scattered ages are no clock.
    scattered = clock_of(shots(zones=2.0, ages_s={n: 720.0 + 400.0 * n % 900 for n in range(16)}))
    assert hours(scattered) == 2.0


def test_a_zone_is_written_as_the_standard_has_it() -> None:
    """ISO 8601-1:2019, 4.3.13: sign, hours and minutes."""
    told = [zone_words(timedelta(hours=h)) for h in (2, 5.75, -9.5, 0)]
    assert told == ["+02:00", "+05:45", "-09:30", "+00:00"]
