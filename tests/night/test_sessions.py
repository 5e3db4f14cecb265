"""Which night of which body each file belongs to."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import pytest

from skyplumb.intake.notes import Notes, load_notes
from skyplumb.night.sessions import resolve
from skyplumb.records import CardFile, Measure, ShotInfo

NIGHT = datetime(2026, 8, 14, 22, 0)
BODY = "Tarn Works N1"


def sessions_of(
    measures: Iterable[Measure], notes: Notes, others: Iterable[CardFile] = ()
) -> dict[str, str]:
    """File to session name."""
    return resolve(measures, notes, others)[1]


def shot(file: str, clock: datetime | None, **info: Any) -> Measure:
    return Measure(file, "light", "", ShotInfo(clock=clock, **({"camera": BODY} | info)))


def test_a_night_with_a_site_and_utc_runs_from_solar_noon_to_noon() -> None:
    # At 150 degrees east the Sun stands highest at 2 h UTC (mean time), so the clock in UTC
    # crosses midnight in the forenoon and no pause says where a night ends.
    site = {"latitude_deg": -35.0, "longitude_deg": 150.0, "utc_offset_h": 0.0}
    noon = datetime(2026, 8, 14, 2, 0)
    found = sessions_of(
        [
            shot("1.dng", noon - timedelta(minutes=1), **site),
            shot("2.dng", noon + timedelta(minutes=1), **site),
            shot("3.dng", noon + timedelta(hours=23, minutes=59), **site),
        ],
        Notes(),
    )
    assert found == {
        "1.dng": "2026-08-13-tarn-works-n1",
        "2.dng": "2026-08-14-tarn-works-n1",
        "3.dng": "2026-08-14-tarn-works-n1",
    }


def test_without_a_zone_the_clock_is_cut_at_pauses_of_six_hours() -> None:
    times = {
        "1.dng": datetime(2026, 8, 14, 19, 0),
        "2.dng": datetime(2026, 8, 15, 0, 59, 59),
        "3.dng": datetime(2026, 8, 15, 6, 59, 59),
        "4.dng": datetime(2026, 8, 15, 22, 0),
    }
    found = sessions_of([shot(file, clock) for file, clock in times.items()], Notes())
    assert found == {
        "1.dng": "2026-08-14-tarn-works-n1",
        "2.dng": "2026-08-14-tarn-works-n1",
        "3.dng": "2026-08-14-tarn-works-n1-part2",
        "4.dng": "2026-08-15-tarn-works-n1",
    }


def test_frames_after_midnight_belong_to_the_evening_before() -> None:
    assert sessions_of([shot("1.dng", datetime(2026, 8, 15, 3))], Notes()) == {
        "1.dng": "2026-08-14-tarn-works-n1"
    }


def test_a_shot_without_a_fix_goes_with_its_neighbours_that_have_one() -> None:
    gps = {"latitude_deg": 46.0, "longitude_deg": 8.0, "gps_utc": NIGHT - timedelta(hours=2)}
    found = sessions_of(
        [shot("1.dng", NIGHT, **gps), shot("2.dng", NIGHT + timedelta(minutes=2))], Notes()
    )
    assert len(set(found.values())) == 1


def test_two_bodies_of_one_model_have_a_session_each() -> None:
    found = sessions_of(
        [
            shot("1.dng", NIGHT, serial="70001234"),
            shot("2.dng", NIGHT, serial="70005678"),
            shot("3.dng", NIGHT, camera="Fen One"),
        ],
        Notes(),
    )
    assert found == {
        "1.dng": "2026-08-14-tarn-works-n1-001234",
        "2.dng": "2026-08-14-tarn-works-n1-005678",
        "3.dng": "2026-08-14-fen-one",
    }


def test_a_serial_that_changes_with_each_picture_is_none() -> None:
    times = [NIGHT + timedelta(minutes=2 * k) for k in range(12)]
    changing = [shot(f"{k}.dng", time, serial=f"77 {k}") for k, time in enumerate(times)]
    assert set(sessions_of(changing, Notes()).values()) == {"2026-08-14-tarn-works-n1"}
    # Beside them, a body whose number stays is one; who has none of his own is taken for it.
    steady = [shot(f"s{k}.dng", time, serial="70001234") for k, time in enumerate(times)]
    assert len(set(sessions_of(changing + steady, Notes()).values())) == 1
    third = [shot(f"t{k}.dng", time, serial="70005678") for k, time in enumerate(times)]
    assert len(set(sessions_of(changing + steady + third, Notes()).values())) == 3


def test_a_file_without_serial_is_of_the_only_body_of_its_model() -> None:
    found = sessions_of([shot("1.dng", NIGHT, serial="7"), shot("2.dng", NIGHT)], Notes())
    assert found["1.dng"] == found["2.dng"]


def test_a_clock_that_jumps_back_makes_a_session_of_its_own_and_loses_nothing() -> None:
    lost = datetime(2020, 1, 1, 0, 0)
    clocks = [NIGHT, NIGHT + timedelta(minutes=2), lost, lost + timedelta(minutes=2)]
    found = sessions_of([shot(f"{k}.dng", clock) for k, clock in enumerate(clocks)], Notes())
    assert found == {
        "0.dng": "2026-08-14-tarn-works-n1",
        "1.dng": "2026-08-14-tarn-works-n1",
        "2.dng": "2019-12-31-tarn-works-n1",
        "3.dng": "2019-12-31-tarn-works-n1",
    }


def test_a_clock_that_jumps_back_within_the_night_leaves_one_session() -> None:
    clocks = [NIGHT, NIGHT - timedelta(hours=1), NIGHT + timedelta(minutes=3)]
    found = sessions_of([shot(f"{k}.dng", clock) for k, clock in enumerate(clocks)], Notes())
    assert len(set(found.values())) == 1


def test_shots_without_any_time_or_dated_neighbour_have_a_session_of_their_own() -> None:
    found = sessions_of([shot("pole.dng", None), shot("2.dng", NIGHT)], Notes())
    assert found["pole.dng"] == "undated-tarn-works-n1"


def test_files_that_say_nothing_go_with_their_neighbours_in_the_folder() -> None:
    later = NIGHT + timedelta(days=1)
    found = sessions_of(
        [
            shot("a/2.dng", NIGHT),
            shot("a/4.nef", later),
            shot("b/1.dng", later),
            Measure("a/1.dng", "unreadable", "cut"),
            Measure("a/3.dng", "unreadable", "cut"),
            Measure("c/9.dng", "unreadable", "cut"),
        ],
        Notes(),
        [
            CardFile(PurePosixPath("a/4.JPG"), "companion"),
            CardFile(PurePosixPath("b/0.JPG"), "unsupported"),
        ],
    )
    first, second = "2026-08-14-tarn-works-n1", "2026-08-15-tarn-works-n1"
    assert found == {
        "a/1.dng": first,
        "a/2.dng": first,
        "a/3.dng": first,
        "a/4.JPG": second,
        "a/4.nef": second,
        "b/0.JPG": second,
        "b/1.dng": second,
        "c/9.dng": first,
    }


def test_a_card_of_unreadable_files_still_has_a_session() -> None:
    assert sessions_of([Measure("1.dng", "unreadable", "cut")], Notes()) == {
        "1.dng": "undated-camera"
    }
    assert sessions_of([], Notes()) == {}


@pytest.mark.parametrize(
    ("camera", "slug"),
    [
        ("../Fen: One/<2>", "fen-one-2"),
        ("Ｆen　Ünö 星", "fen-ünö-星"),
        ("", "camera"),
        ("\u202e...", "camera"),
        ("星" * 100, "星" * 20),
    ],
)
def test_the_body_is_a_safe_folder_name(camera: str, slug: str) -> None:
    found = sessions_of([shot("1.dng", NIGHT, camera=camera)], Notes())
    assert found == {"1.dng": f"2026-08-14-{slug}"}


def test_bodies_whose_names_would_be_one_folder_are_kept_apart() -> None:
    found = sessions_of(
        [shot("1.dng", NIGHT, camera="Fen One"), shot("2.dng", NIGHT, camera="FEN-ONE")], Notes()
    )
    assert len(set(found.values())) == 2


def test_the_order_of_the_measures_does_not_matter() -> None:
    measures = [
        shot(f"{k}.dng", NIGHT + timedelta(hours=3.5 * k), serial=str(k % 2)) for k in range(12)
    ]
    assert sessions_of(measures, Notes()) == sessions_of(measures[::-1], Notes())


def test_a_lens_without_a_name_goes_by_its_focal_length(tmp_path: Path) -> None:
    noted = tmp_path / "night-notes.yaml"
    noted.write_text('runs:\n  - lens: ""\n    files: "b*"\n    focal_mm: 35.21\n')
    notes = load_notes(noted, tmp_path)

    def lens(file: str, info: ShotInfo) -> str:
        ((night,), _) = resolve([Measure(file, "light", "", info)], notes)
        return night.shots[0].info.lens

    assert lens("a.dng", ShotInfo(focal_mm=7.09375)) == "7.1 mm"
    assert lens("a.dng", ShotInfo()) == ""
    # The pattern is still compared with what the file says, which is nothing.
    assert lens("b.dng", ShotInfo(focal_mm=50)) == "35.2 mm"
