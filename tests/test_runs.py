"""What the times between starts say of exposures."""

from __future__ import annotations

from skyplumb.calibrate.light import Light
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.runs import exposure_notices
from skyplumb.records import Measure, ShotInfo


def light(start_s: float, exposure_s: float) -> Light:
    info = ShotInfo(camera="Fen One", serial="F1", exposure_s=exposure_s)
    measure = Measure(f"{start_s:g}", "light", "", info)
    return Light(measure, ShotNotes(info), None, start_s, True)


def test_a_missing_exposure_is_bounded_by_the_next_start() -> None:
    told = exposure_notices([light(0, float("nan")), light(64, 60), light(128, 60)])
    assert len(told) == 1
    assert "1 frames have no exposure time" in told[0]
    assert "64 s" in told[0]


def test_an_exposure_longer_than_until_the_next_start_cannot_be_true() -> None:
    told = exposure_notices([light(0, 60), light(31, 60), light(95, 60)])
    assert len(told) == 1
    assert "1 frames say they lasted longer" in told[0]


def test_ordinary_nights_say_nothing() -> None:
    assert exposure_notices([light(64.0 * n, 60) for n in range(5)]) == []
