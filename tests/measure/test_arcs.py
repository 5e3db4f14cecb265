"""Star trails drawn about a known centre, and what the judge says of them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from drawnscenes import exposed, star_trails
from skyplumb.calibrate.light import Light
from skyplumb.demo import Sway, draw_frame
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.untracked import stood_still_by_arcs
from skyplumb.measure.stars import StarMeasure, measure_stars
from skyplumb.records import NAN, Measure, Plate, ShotInfo


def seen(samples: NDArray[np.uint16]) -> StarMeasure:
    """The measure of a mosaic of 14 bits over a black level of 512."""
    colours = np.array([[0, 1], [1, 2]], np.uint8)
    return measure_stars(Plate(samples, colours, np.full((2, 2), 512, np.float32), 16383.0))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("centre", "angle"),
    [
        ((400.0, 250.0), 10.0),
        ((400.0, 250.0), 25.0),
        ((850.0, -300.0), 6.0),
        ((-900.0, 300.0), 3.0),
    ],
)
def test_the_centre_and_angle_of_star_trails(centre: tuple[float, float], angle: float) -> None:
    arcs = seen(exposed(star_trails(centre, angle), 1)).arcs
    # A thousand stars over an area 3.9 times the picture's: some 250 start in it, others come in.
    assert 80 < arcs.number < 500
    # A piece of 30 px and 1 px rms has its direction to a degree or so; of a hundred pieces the
    # centre is good to 1 % of the way there and of the picture's size.
    away = np.hypot(centre[0] - 450, centre[1] - 300)
    assert np.hypot(arcs.x_px - centre[0], arcs.y_px - centre[1]) < 5 + 0.05 * away
    # Pieces broken off or merged keep their share: ten per cent.
    assert arcs.angle_deg == pytest.approx(angle, rel=0.1)
    assert arcs.length_px > 15


@pytest.mark.parametrize("sway", [Sway(), Sway(8.0, 30.0), Sway(40.0, 30.0)])
def test_stars_with_a_width_are_no_arcs(sway: Sway) -> None:
    frame = draw_frame(900, 600, stars=100, snr=(100, 600), sway=sway, seed=2)
    arcs = seen(frame.mosaic).arcs
    assert np.isnan(arcs.angle_deg)
    assert arcs.number == 0 or sway.trail_px > 15


@pytest.mark.slow
def test_the_table_of_star_trails_counts_arcs_not_their_pieces() -> None:
    found = seen(exposed(star_trails((400.0, 250.0), 20.0), 4))
    assert found.stars_found == found.arcs.number
    assert found.trails == 0


def light(exposure_s: float, arc_deg: float, arcs: int = 150) -> Light:
    """A light frame of so many arcs."""
    info = ShotInfo(exposure_s=exposure_s)
    measure = Measure("a.fits", "light", "", info, arcs=arcs, arc_deg=arc_deg)
    return Light(measure, ShotNotes(info), None, 0.0)


def test_the_sky_turns_fifteen_degrees_an_hour() -> None:
    # 15.041 arcsec/s (Explanatory Supplement, from memory): 600 s make 2.507 deg.
    assert "as the sky turns in 600 s" in stood_still_by_arcs(light(600.0, 2.51))
    assert stood_still_by_arcs(light(600.0, 5.0)) == ""  # a turn, but another one
    assert stood_still_by_arcs(light(600.0, NAN)) == ""
    assert stood_still_by_arcs(light(600.0, 2.51, arcs=0)) == ""


def test_unknown_exposures_are_bounded_by_their_arcs() -> None:
    words = stood_still_by_arcs(light(NAN, 2.507))
    assert "in 480 to 800 s" in words  # 600 s within a quarter


@pytest.mark.parametrize(
    ("drawn", "exposure_s", "focal_mm", "still"),
    [
        (1.0, 240.0, 50.0, True),
        (0.8, 240.0, 50.0, True),  # 37 degrees from the equator
        (0.5, 240.0, 50.0, False),  # a drive at half the sky's rate
        (1.6, 240.0, 50.0, False),
        (1.0, NAN, 50.0, False),
        (1.0, 240.0, NAN, False),
    ],
)
def test_straight_trails_as_long_as_the_skys_way_are_a_standing_cameras(
    drawn: float, exposure_s: float, focal_mm: float, still: bool
) -> None:
    # 5 um at 50 mm are 20.6 arcsec a pixel; 240 s at the equator 3610 arcsec.
    info = ShotInfo(exposure_s=exposure_s, focal_mm=focal_mm, pixel_um=5.0)
    length = drawn * 15.041 * 240.0 / (206265 * 5e-3 / 50.0)
    measure = Measure("a.fits", "light", "", info, arcs=150, arc_length_px=length)
    words = stood_still_by_arcs(Light(measure, ShotNotes(info), None, 0.0))
    assert ("as the sky moves in 240 s" in words) == still


@pytest.mark.slow
def test_drawn_trails_far_from_the_pole_are_told_as_untracked() -> None:
    found = seen(exposed(star_trails((60_000.0, 40_000.0), 0.08), 6)).arcs
    assert found.number >= 50
    assert np.isnan(found.angle_deg)
    # sqrt(60,000^2 + 40,000^2) px times 0.08 degrees.
    assert found.length_px == pytest.approx(np.radians(0.08) * np.hypot(6e4, 4e4), rel=0.15)
