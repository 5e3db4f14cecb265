"""What frames lack of lens and time, taken from their neighbours; and when it is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest

from skyplumb.intake.notes import Notes
from skyplumb.night.order import neighbours
from skyplumb.night.sessions import resolve
from skyplumb.night.shot import Session
from skyplumb.records import NAN, Measure, ShotInfo

START = datetime(2026, 8, 14, 22, 0, 7, 250_000)
FULL = ShotInfo(
    camera="Tarn Works N1",
    serial="70001234",
    lens="Fen 85/1.8",
    focal_mm=85.0,
    fnumber=2.8,
    exposure_s=60.0,
    iso=1600.0,
    utc_offset_h=2.0,
    latitude_deg=46.5,
    longitude_deg=8.1,
    pixel_um=6.0,
    orientation=1,
)


def night(lacking: dict[int, dict[str, Any]], count: int = 12) -> Session:
    """A night of frames, some with other metadata."""
    measures = []
    for n in range(count):
        info = replace(FULL, clock=START + timedelta(seconds=70 * n))
        info = replace(info, **lacking.get(n, {}))
        measures.append(Measure(f"FRN_{n + 100:04d}.dng", "light", "", info, 1600, 1064))
    (found,), _ = resolve(measures, Notes())
    return found


@pytest.mark.parametrize(
    ("name", "empty", "form"),
    [
        ("lens", "", "Fen 85/1.8"),
        ("focal_mm", NAN, "85 mm"),
        ("fnumber", NAN, "f/2.8"),
        ("serial", "", "70001234"),
        ("orientation", 0, "orientation"),
        ("pixel_um", NAN, "6 µm"),
    ],
)
def test_what_one_frame_lacks_its_neighbours_give(name: str, empty: Any, form: str) -> None:
    found = night({5: {name: empty}})
    shot = found.shots[5]
    assert getattr(shot.info, name) == getattr(FULL, name)
    assert shot.taken_over == (name,) and not shot.doubtful_lens
    (line,) = found.notices
    assert "FRN_0105.dng" in line and form in line
    assert all(not other.taken_over for n, other in enumerate(found.shots) if n != 5)


def test_every_other_frame_may_lack_it() -> None:
    found = night({n: {"focal_mm": NAN, "lens": ""} for n in range(1, 11, 2)})
    assert {(shot.info.focal_mm, shot.info.lens) for shot in found.shots} == {(85.0, "Fen 85/1.8")}
    assert not any(shot.doubtful_lens for shot in found.shots)


def test_from_one_side_alone_the_stars_have_to_confirm_it() -> None:
    found = night({n: {"focal_mm": NAN} for n in range(6)})
    assert all(shot.info.focal_mm == 85.0 for shot in found.shots)
    assert [shot.doubtful_lens for shot in found.shots] == [True] * 6 + [False] * 6


def test_a_lens_that_tells_nothing_in_many_frames_is_not_taken_for_its_neighbours() -> None:
    silent = {"focal_mm": NAN, "lens": "", "fnumber": NAN}
    found = night(dict.fromkeys(range(4, 9), silent))
    assert all(shot.doubtful_lens for shot in found.shots[4:9])


def test_beside_a_change_of_lens_only_one_that_fits_is_taken() -> None:
    other = {"lens": "Fen 24/2", "focal_mm": 24.0}
    changed: dict[int, dict[str, Any]] = dict.fromkeys(range(6, 12), other)
    # Nothing tells which of the two it was.
    unknown = night(changed | {6: {"focal_mm": NAN, "lens": ""}})
    assert np.isnan(unknown.shots[6].info.focal_mm)
    # The name tells.
    named = night(changed | {6: {"focal_mm": NAN, "lens": "Fen 24/2"}})
    assert named.shots[6].info.focal_mm == 24.0


def test_the_night_notes_are_not_overruled() -> None:
    measures = [
        Measure(shot.file, "light", "", shot.measure.info, 1600, 1064)
        for shot in night({3: {"focal_mm": NAN, "lens": ""}}).shots
    ]
    notes = Notes.model_validate(
        {"runs": ({"files": "FRN_0103.dng", "lens_name": "Fen 200/4", "focal_mm": 200.0},)}
    )
    (found,), _ = resolve(measures, notes)
    assert (found.shots[3].info.focal_mm, found.shots[3].taken_over) == (200.0, ())


# order -----------------------------------------------------------------------------------


def test_a_frame_without_a_date_keeps_its_place_for_the_order_alone() -> None:
    found = night({5: {"clock": None, "latitude_deg": NAN, "longitude_deg": NAN}})
    assert [shot.file for shot in found.shots] == [f"FRN_{n + 100:04d}.dng" for n in range(12)]
    shot = found.shots[5]
    assert (shot.clocked, shot.start_utc) == (False, None)
    assert found.shots[4].order_s < shot.order_s < found.shots[6].order_s
    assert (shot.info.latitude_deg, shot.notes.setup) == (46.5, 0)
    assert any("FRN_0105.dng" in line for line in found.notices)


def test_a_stamp_alone_is_no_time_beside_frames_that_have_a_clock() -> None:
    # The fix may be a minute old, and frames are a minute apart.
    stamp = START + timedelta(seconds=70 * 5 - 55, hours=-2)
    found = night({5: {"clock": None, "gps_utc": stamp}})
    assert [shot.file for shot in found.shots] == [f"FRN_{n + 100:04d}.dng" for n in range(12)]
    assert (found.shots[5].clocked, found.shots[5].start_utc) == (False, None)
    alone = Measure("x.dng", "light", "", replace(FULL, clock=None, gps_utc=stamp))
    ((only,), _) = resolve([alone], Notes())
    assert only.shots[0].start_utc == stamp


def test_the_first_and_the_last_frame_too() -> None:
    found = night({0: {"clock": None}, 11: {"clock": None}})
    assert [shot.file for shot in found.shots][::11] == ["FRN_0100.dng", "FRN_0111.dng"]


def test_numbers_join_files_of_one_series_only() -> None:
    dated = ["a/FRN_0100.dng", "a/FRN_0102.dng", "b/FRN_0101.dng", "a/XYZ_0104.dng"]
    assert neighbours(["a/FRN_0101.dng"], dated) == {
        "a/FRN_0101.dng": ("a/FRN_0100.dng", "a/FRN_0102.dng")
    }
    assert neighbours(["a/FRN_0150.dng", "a/cover.dng"], dated) == {}
    # Two without a time in a row are no gap.
    assert neighbours(["a/FRN_0103.dng", "a/FRN_0104.dng"], dated)["a/FRN_0104.dng"] == (
        "a/FRN_0102.dng",
        "",
    )


def test_clocks_of_whole_seconds_are_told_from_those_with_fractions() -> None:
    assert {shot.clock_step_s for shot in night({}).shots} == {0.0}
    whole = {
        n: {"clock": START.replace(microsecond=0) + timedelta(seconds=70 * n)} for n in range(12)
    }
    assert {shot.clock_step_s for shot in night(whole).shots} == {1.0}


def test_a_zone_set_anew_in_the_middle_of_the_night_leaves_one_time_line() -> None:
    # The clock is put back an hour and its zone with it, between the sixth and the seventh.
    later = {
        n: {"clock": START + timedelta(seconds=70 * n, hours=-1), "utc_offset_h": 1.0}
        for n in range(6, 12)
    }
    found = night(later)
    utc = [shot.start_utc for shot in found.shots]
    assert [shot.file for shot in found.shots] == [f"FRN_{n + 100:04d}.dng" for n in range(12)]
    assert utc == [START + timedelta(seconds=70 * n, hours=-2) for n in range(12)]


def test_gps_and_zone_in_some_frames_leave_one_frame_of_reference() -> None:
    for lacking in (
        {n: {"latitude_deg": NAN, "longitude_deg": NAN} for n in (7,)},
        {n: {"latitude_deg": NAN, "longitude_deg": NAN} for n in range(6)},
        {n: {"utc_offset_h": NAN} for n in range(0, 12, 2)},
    ):
        found = night(lacking)
        assert {shot.info.latitude_deg for shot in found.shots} == {46.5}
        assert [shot.start_utc for shot in found.shots] == [
            START + timedelta(seconds=70 * n, hours=-2) for n in range(12)
        ]
        assert not found.notices
