"""A step of the axis is a new setup; a re-aim, a knock, a slip and a soft head are not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from skyplumb.calibrate.light import Light
from skyplumb.judge.setups import split_setups
from tracker import NORTHERN, SOUTHERN, Errors, Plan, Tracker, shoot, unknown

TARGETS = (
    Plan(hour_deg=-40.0, dec_deg=20.0),
    Plan(hour_deg=10.0, dec_deg=45.0, start_s=1500.0),
)
LATER = (
    Plan(hour_deg=-20.0, dec_deg=30.0, start_s=3600.0),
    Plan(hour_deg=25.0, dec_deg=5.0, start_s=5100.0),
)


def one_after_another(*shots: list[Light]) -> list[Light]:
    """Lights of several placements with file names of their own."""
    return [
        replace(light, measure=replace(light.measure, file=f"{n}/{light.file}"))
        for n, lights in enumerate(shots)
        for light in lights
    ]


@pytest.mark.broad
@pytest.mark.parametrize("site", [NORTHERN, SOUTHERN])
@pytest.mark.parametrize("seed", range(3))
def test_a_moved_tripod_starts_a_new_setup(site: object, seed: int) -> None:
    first = Tracker(site, too_high_arcmin=12.0, too_far_east_arcmin=-20.0)  # type: ignore[arg-type]
    second = Tracker(site, too_high_arcmin=-9.0, too_far_east_arcmin=5.0)  # type: ignore[arg-type]
    lights = one_after_another(
        shoot(first, TARGETS, Errors(), seed), shoot(second, LATER, Errors(), seed + 50)
    )
    found = split_setups(lights)
    assert [light.notes.setup for light in found.lights] == [0] * 24 + [1] * 24
    assert [light.file for light in found.lights] == [light.file for light in lights]
    assert len(found.notices) == 1
    assert lights[24].file in found.notices[0]
    before, after = found.mounts[0], found.mounts[1]
    assert before.axis_alt_error_arcmin == pytest.approx(12.0, abs=1.5)
    assert after.axis_alt_error_arcmin == pytest.approx(-9.0, abs=1.5)


@pytest.mark.broad
def test_setups_of_the_night_notes_stay_and_are_counted_on() -> None:
    first = Tracker(too_high_arcmin=12.0)
    second = Tracker(too_high_arcmin=-20.0)
    third = Tracker(too_far_east_arcmin=25.0)
    much_later = tuple(replace(plan, start_s=plan.start_s + 4000.0) for plan in LATER)
    lights = one_after_another(
        shoot(first, TARGETS, Errors()), shoot(second, LATER, Errors()), shoot(third, much_later)
    )
    noted = [
        replace(light, notes=replace(light.notes, setup=int(n >= 48)))
        for n, light in enumerate(lights)
    ]
    found = split_setups(noted)
    assert [light.notes.setup for light in found.lights] == [0] * 24 + [1] * 24 + [2] * 24
    assert len(found.notices) == 1
    assert [found.mounts[n].setup for n in range(3)] == [0, 1, 2]


@pytest.mark.broad
@pytest.mark.parametrize(
    "fault",
    [
        {},
        {"too_high_arcmin": 40.0, "too_far_east_arcmin": -40.0},
        {"too_fast": 0.003},
        {"periodic_arcsec": 20.0, "period_s": 480.0},
        {"slip_arcsec_per_min": 20.0, "slip_from_s": 2000.0},
        {"flexure_arcsec": 600.0},
        {"knocks": ((700.0, 300.0, 200.0), (4000.0, -500.0, 100.0))},
    ],
)
@pytest.mark.parametrize("seed", range(2))
def test_one_placement_stays_one_setup(fault: dict[str, object], seed: int) -> None:
    tracker = Tracker(**fault)  # type: ignore[arg-type]
    lights = shoot(tracker, (*TARGETS, *LATER), Errors(), seed)
    found = split_setups(lights)
    assert found.notices == []
    assert found.lights == lights
    assert list(found.mounts) == [0]


def test_without_pointings_nothing_is_split() -> None:
    lights = [unknown(light) for light in shoot(Tracker(), TARGETS)]
    found = split_setups(lights)
    assert found.lights == lights
    assert found.mounts[0].why_not
