"""When hands are needed: alarms begin and end once, and never for a single frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from skyplumb.watch import room
from skyplumb.watch.alarms import FAULTS, GUSTS_S, Alarm, Alarms, Told, told_of
from skyplumb.watch.room import AGAIN, CARD, FEW_FRAMES, LEAST_BYTES, OUT, Room

SOUND = Told("a.dng", "85 mm", 0.0, 60.0, False, 0.0, False, False, False, False, "none")
BAD = {
    "stopped": replace(SOUND, stopped=True, cause="untracked"),
    "trails": replace(SOUND, trailed=True, axis_deg=40.0, cause="slip"),
    "wide": replace(SOUND, wide=True, cause="focus"),
    "dim": replace(SOUND, dim=True, cause="cloud"),
}


def night(*frames: Told, every_s: float = 64.0) -> list[Told]:
    """Frames one after the other."""
    return [
        replace(one, file=f"{n}.dng", start_s=n * every_s, end_s=n * every_s + 60.0)
        for n, one in enumerate(frames)
    ]


def told(frames: Sequence[Told]) -> list[tuple[int, str, bool]]:
    """Every alarm of a night, by the number of the frame after which it is told."""
    alarms = Alarms()
    out: list[tuple[int, str, bool]] = []
    for number in range(len(frames)):
        out += [(number, a.fault, a.begins) for a in alarms.after(frames[: number + 1])]
    return out


@pytest.mark.parametrize("fault", BAD)
def test_three_frames_begin_an_alarm_and_three_end_it(fault: str) -> None:
    bad = BAD[fault]
    frames = night(SOUND, bad, bad, bad, bad, bad, SOUND, SOUND, SOUND, SOUND)
    assert told(frames) == [(3, fault, True), (8, fault, False)]


@pytest.mark.parametrize("fault", BAD)
def test_one_or_two_frames_are_no_alarm_and_one_sound_one_ends_none(fault: str) -> None:
    bad = BAD[fault]
    assert told(night(SOUND, bad, SOUND, bad, bad, SOUND)) == []
    assert told(night(bad, bad, bad, SOUND, bad, SOUND, SOUND, bad)) == [(2, fault, True)]


def test_trails_of_several_directions_are_no_drift() -> None:
    trail = BAD["trails"]
    spread = [replace(trail, axis_deg=axis) for axis in (10.0, 60.0, 120.0, 170.0)]
    assert told(night(*spread)) == []
    # Axes have no head: 175 and -10 degrees are 15 apart.
    near = [replace(trail, axis_deg=axis) for axis in (175.0, -10.0, 2.0)]
    assert told(night(*near)) == [(2, "trails", True)]


def test_an_alarm_says_what_to_look_at() -> None:
    (alarm,) = Alarms().after(night(*[BAD["trails"]] * 3))
    assert "head slips" in alarm.words
    mixed = [replace(BAD["trails"], cause=cause) for cause in ("slip", "axis", "drive")]
    (alarm,) = Alarms().after(night(*mixed))
    assert "skyplumb check" in alarm.words
    assert "{" not in "".join(fault.over for fault in FAULTS.values())


@pytest.mark.parametrize(
    ("broken", "likeliest", "wide", "dim"),
    [
        (("extinction_mag", "stars_of_run"), "cloud", False, True),
        (("extinction_mag", "stars_of_run", "trail_px"), "cloud", False, True),
        (("extinction_mag", "trail_px"), "axis", False, False),
        (("min_stars", "trail_px"), "cloud", False, True),
        (("min_stars",), "few-stars", False, False),
        (("fwhm_of_best",), "focus", True, False),
        (("fwhm_of_best", "trail_px"), "focus", True, False),
        (("fwhm_of_best", "trail_px"), "slip", False, False),
    ],
)
def test_a_frame_that_also_trailed_counts_for_what_it_is_lost_to(
    broken: tuple[str, ...], likeliest: str, wide: bool, dim: bool
) -> None:
    light = SimpleNamespace(info=SimpleNamespace(exposure_s=60.0), file="a.dng", order_s=0.0)
    facts = SimpleNamespace(light=light, motion=SimpleNamespace(trail_angle_deg=0.0))
    judged = SimpleNamespace(facts=facts, broken=broken, likeliest=likeliest, cause=likeliest)
    one = told_of(judged, "85 mm")  # type: ignore[arg-type]
    assert (one.wide, one.dim) == (wide, dim)


def test_another_lens_begins_anew() -> None:
    wide = BAD["wide"]
    other = replace(wide, lens="24 mm")
    assert told(night(wide, wide, other, other)) == []
    assert told(night(wide, wide, other, other, other)) == [(4, "wide", True)]


def test_gusts_call_after_ten_minutes_and_end_after_ten_without() -> None:
    shaken = replace(SOUND, shaken=True, cause="wind")
    frames = night(*[SOUND] * 4, *[shaken] * 14, *[SOUND] * 14)
    (first, fault, begins), (last, again, ends) = told(frames)
    assert (fault, begins, again, ends) == ("gusts", True, "gusts", False)
    onset, over = frames[4].start_s, frames[17].end_s
    # Most of ten minutes are gusts after a little more than five.
    assert GUSTS_S / 2 < frames[first].end_s - onset < GUSTS_S + 3 * 64.0
    assert GUSTS_S <= frames[last].end_s - over < GUSTS_S + 2 * 64.0


def test_a_gust_now_and_then_is_no_alarm() -> None:
    shaken = replace(SOUND, shaken=True, cause="wind")
    assert told(night(*[SOUND, SOUND, shaken] * 12)) == []


def test_no_gusts_before_ten_minutes_of_a_night() -> None:
    shaken = replace(SOUND, shaken=True, cause="wind")
    assert told(night(*[shaken] * 9)) == []


def test_a_disk_that_fills_calls_once_and_again_when_there_is_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    free = {Path("card"): 10**12, Path("out"): 10**12}
    monkeypatch.setattr(room, "free_bytes", lambda folder: free[folder])
    watched = Room(Path("card"), Path("out"))
    size = 50_000_000

    def after() -> list[tuple[str, bool]]:
        return [(a.fault, a.begins) for a in watched.after("a.dng", [size] * 5)]

    assert after() == []
    free[Path("card")] = FEW_FRAMES * size - 1
    alarms: list[Alarm] = watched.after("a.dng", [size] * 5)
    assert [(a.fault, a.begins) for a in alarms] == [(CARD, True)]
    assert f"{FEW_FRAMES - 1} more frames" in alarms[0].words
    assert after() == []
    free[Path("out")] = LEAST_BYTES - 1
    assert after() == [(OUT, True)]
    free[Path("card")] = int(AGAIN * FEW_FRAMES * size)
    assert after() == [], "it does not come and go at the limit"
    free[Path("card")] += 1
    assert after() == [(CARD, False)]
