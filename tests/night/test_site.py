"""One site for each placement, from positions that stray, are old or are not there."""

from __future__ import annotations

import math

import numpy as np
import pytest

from skyplumb.night.site import Position, distance_km, places_of

HERE = (46.52, 8.13, 1840.0)


def positions(count: int = 16, noise_m: float = 0.0) -> list[Position]:
    rng = np.random.default_rng(5)
    out = []
    for n in range(count):
        north, east = rng.normal(size=2) * noise_m / 111_000.0
        out.append(
            Position(f"{n:02d}.dng", HERE[0] + north, HERE[1] + east / 0.688, HERE[2] + north)
        )
    return out


def nowhere(n: int) -> Position:
    return Position(f"{n:02d}.dng")


def test_distances_are_those_of_a_sphere() -> None:
    """A degree of latitude is 111.19 km on a sphere of 6,371 km: 2 pi R / 360."""
    assert distance_km(0, 0, 1, 0) == pytest.approx(111.1949, abs=1e-3)
    assert distance_km(0, 179.5, 0, -179.5) == pytest.approx(111.1949, abs=1e-3)
    assert distance_km(90, 0, -90, 120) == pytest.approx(math.pi * 6371.0, abs=1e-6)


def test_frames_without_a_position_take_that_of_the_others() -> None:
    some = positions()
    some[3] = nowhere(3)
    some[:2] = [nowhere(0), nowhere(1)]
    (place,) = places_of(some).places
    assert len(place.files) == 16
    assert (place.latitude_deg, place.longitude_deg, place.height_m) == HERE


def test_metres_of_noise_are_no_new_site() -> None:
    found = places_of(positions(noise_m=60.0))
    (place,) = found.places
    assert not found.notices
    assert distance_km(place.latitude_deg, place.longitude_deg, *HERE[:2]) < 0.06


def test_an_outlier_is_told_and_has_no_say() -> None:
    some = positions()
    some[5] = Position("05.dng", -33.9, 151.2, 3.0)
    found = places_of(some)
    (place,) = found.places
    assert (place.latitude_deg, place.longitude_deg) == HERE[:2]
    (line,) = found.notices
    assert "05.dng" in line and "km" in line


def test_positions_elsewhere_before_or_after_the_others_are_another_placement() -> None:
    some = positions()
    for n in range(10, 16):
        some[n] = Position(f"{n:02d}.dng", HERE[0] + 0.3, HERE[1], 900.0)
    some[12] = nowhere(12)
    found = places_of(some)
    assert [len(place.files) for place in found.places] == [10, 6]
    assert found.places[1].latitude_deg == HERE[0] + 0.3
    assert "From 10.dng on" in found.notices[0]


def test_the_night_notes_outrank_every_receiver_and_old_fixes_are_passed_over() -> None:
    some = positions()
    some[4] = Position("04.dng", 60.0, 11.0, 20.0, by_notes=True)
    assert places_of(some).places[0].latitude_deg == 60.0
    old = [Position(f"{n:02d}.dng", 10.0, 10.0, stale=True) for n in range(12)]
    (place,) = places_of([*old, *positions(16)[12:]]).places
    assert place.latitude_deg == HERE[0]


def test_without_any_position_the_site_is_unknown() -> None:
    (place,) = places_of([nowhere(n) for n in range(3)]).places
    assert math.isnan(place.latitude_deg) and len(place.files) == 3


def test_a_site_at_the_date_line_is_one() -> None:
    some = [Position(f"{n}.dng", -17.0, 179.999 if n % 2 else -179.999) for n in range(8)]
    (place,) = places_of(some).places
    assert abs(place.longitude_deg) == pytest.approx(180.0, abs=0.002)
