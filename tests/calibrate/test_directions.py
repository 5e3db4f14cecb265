"""Directions, pixels and angles against astropy's WCS and frames, erfa, and scipy's rotations."""

from __future__ import annotations

import math
from datetime import datetime

import astropy.units as u
import erfa
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.calibrate.camera import (
    EDGE_OF_VIEW_RAD,
    FISHEYE,
    PINHOLE,
    Camera,
    camera_columns,
    free_values,
    prior_sigmas,
)
from skyplumb.calibrate.hinted import places_near
from skyplumb.calibrate.lens_search import seen_by
from skyplumb.calibrate.plate_solving import centre_sigma_of, lens_laws
from skyplumb.calibrate.pointing import Pointing, with_places
from skyplumb.calibrate.sky import (
    CATALOGUE_SKY,
    LiftedSky,
    ObservedSky,
    Site,
    carry,
    catalogue,
    east_and_north,
    lifted,
    mean_pressure_hpa,
    raised,
    sidereal_angle_rad,
    unit_vectors,
)
from skyplumb.calibrate.zenith import Air, Zenith
from skyplumb.records import STAR_DTYPE, Measure

Floats = NDArray[np.float64]
SIZE = (3000, 2000)
FISH = (0.0, 0.0, 0.0, 0.0)
UTC = datetime(2026, 8, 14, 23, 10, 7)
SITE = Site(47.3, 11.4, 900.0)


def wcs(ra_deg: float, dec_deg: float, roll_deg: float, focal: float, projection: str) -> WCS:
    """A picture by Paper II (Calabretta & Greisen 2002): x to the west, y to the south, turned."""
    out = WCS(naxis=2)
    out.wcs.ctype = [f"RA---{projection}", f"DEC--{projection}"]
    out.wcs.crval = [ra_deg, dec_deg]
    out.wcs.crpix = [(SIZE[0] + 1) / 2, (SIZE[1] + 1) / 2]
    scale, turn = math.degrees(1 / focal), math.radians(roll_deg)
    out.wcs.cd = scale * np.array(
        [[-math.cos(turn), -math.sin(turn)], [math.sin(turn), -math.cos(turn)]]
    )
    return out


def attitude(ra_deg: float, dec_deg: float, roll_deg: float) -> Floats:
    """Sky to camera of the same: rows right, down, ahead."""
    ahead = unit_vectors(np.radians(np.array(ra_deg)), np.radians(np.array(dec_deg)))
    east, north = east_and_north(ahead)
    west, south = -east, -north
    turn = math.radians(roll_deg)
    right = math.cos(turn) * west + math.sin(turn) * north
    down = math.cos(turn) * south + math.sin(turn) * west
    del south
    return np.stack([right, down, ahead])


@pytest.mark.parametrize(("projection", "law", "radial"), [
    ("TAN", PINHOLE, (0.0, 0.0, 0.0)),
    ("ARC", FISHEYE, FISH),
    # Zenithal equal area, 2 sin(t / 2), and orthographic, sin t, by their series (section 5.1).
    ("ZEA", FISHEYE, (-1 / 24, 1 / 1920, -1 / 322_560, 1 / 92_897_280)),
    ("SIN", FISHEYE, (-1 / 6, 1 / 120, -1 / 5040, 1 / 362_880)),
    ("STG", FISHEYE, (1 / 12, 1 / 120, 17 / 20_160, 31 / 362_880)),
])  # fmt: skip
@pytest.mark.parametrize("place", [(83.0, 12.0, 0.0), (310.0, -63.0, 130.0)])
def test_stars_fall_where_paper_ii_projects_them(
    projection: str, law: str, radial: tuple[float, ...], place: tuple[float, float, float]
) -> None:
    focal = 3000.0
    witness = wcs(*place, focal, projection)
    pixels = np.random.default_rng(1).uniform([200, 200], [2800, 1800], (60, 2))
    ra, dec = witness.all_pix2world(*pixels.T, 0)
    sky = unit_vectors(np.radians(ra), np.radians(dec))
    camera = Camera(focal, *SIZE, radial=radial, projection=law)
    at = attitude(*place)
    assert np.linalg.det(at) == pytest.approx(1.0)
    # Series to the ninth power, half a radian off the axis: the next term is under 1e-5 px.
    assert camera.project(sky @ at.T) == pytest.approx(pixels, abs=1e-4)
    assert camera.directions(pixels) @ at == pytest.approx(sky, abs=1e-7)


@pytest.mark.parametrize("camera", [
    Camera(1500.0, *SIZE, -1, 12.0, -7.0, (-0.08, 0.02, -0.004), (2e-3, -1e-3)),
    Camera(9000.0, *SIZE, 1, -3.0, 2.0, (0.03, 0.0, 0.0)),
    Camera(1100.0, *SIZE, -1, 5.0, 9.0, (-0.04, 5e-4, 0.0, 0.0), (1e-3, 2e-3), FISHEYE),
])  # fmt: skip
def test_numbers_of_a_camera_move_pixels_as_it_does_when_they_change(camera: Camera) -> None:
    pixels = np.random.default_rng(2).uniform([50, 50], [2950, 1950], (40, 2))
    seen = camera.directions(pixels)
    assert np.linalg.norm(seen, axis=1) == pytest.approx(np.ones(40), abs=1e-12)
    assert camera.project(seen) == pytest.approx(pixels, abs=1e-5)
    names = ["focal_px", "k1", "k2", "k3", "centre_x", "centre_y", "p1", "p2"]
    columns = camera_columns(camera, seen, names)
    assert columns.shape == (40, 2, 11)
    from skyplumb.calibrate.camera import _moved, _value  # central differences of the same numbers

    for n, name in enumerate(names):
        step = 1e-3 * max(abs(_value(camera, name)), 1e-2)
        there, back = (_moved(camera, name, s).project(seen) for s in (step, -step))
        slope = (there - back) / (2 * step)
        assert columns[..., n] == pytest.approx(slope, rel=2e-3, abs=2e-3 * np.abs(slope).max())
    for axis in range(3):
        by = 1e-5 * np.eye(3)[axis]
        there, back = (camera.project(seen @ Rotation.from_rotvec(s * by).as_matrix().T)
                       for s in (1, -1))  # fmt: skip
        slope = (there - back) / 2e-5
        assert columns[..., 8 + axis] == pytest.approx(slope, rel=1e-3, abs=1.0)


def test_what_a_field_can_show_of_its_lens() -> None:
    corner = math.hypot(*SIZE) / 2
    for tangent, free in ((0.09, 2), (0.11, 5), (0.29, 5), (0.31, 8)):
        camera = Camera(corner / tangent, *SIZE, 1, 3.0, -4.0, (0.1, 0.2, 0.3), (0.4, 0.5))
        assert camera.corner == pytest.approx(tangent)
        values = free_values(camera)
        assert len(values) == free
        assert values[:2] == pytest.approx([camera.focal_px, 0.1])
        assert prior_sigmas(camera, 30.0).tolist() == [
            math.inf, 0.1, 0.1, 30.0, 30.0, 0.1, 0.01, 0.01,
        ][:free]  # fmt: skip
        assert centre_sigma_of(camera) == 30.0
    fish = Camera(900.0, *SIZE, radial=(1.0, 2.0, 3.0, 4.0), projection=FISHEYE)
    assert free_values(fish).tolist() == [900.0, 1.0, 2.0, 3.0, 4.0, 0.0, 0.0, 0.0, 0.0]
    assert prior_sigmas(fish, 150.0).tolist() == [
        math.inf, 0.2, 0.05, 0.02, 0.01, 150.0, 150.0, 0.01, 0.01,
    ]  # fmt: skip
    assert centre_sigma_of(fish) == 150.0


def test_views_have_edges() -> None:
    fish = Camera(600.0, *SIZE, radial=FISH, projection=FISHEYE)
    off = np.array([0.0, 1e-13, 1.0, 1.74, 1.76])
    pixels = fish.project(np.stack([np.sin(off), 0 * off, np.cos(off)], 1))
    middle = [(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]
    assert pixels[:4, 0] == pytest.approx(middle[0] + 600 * off[:4])
    assert np.isnan(pixels[4]).all()
    assert fish.width_deg == pytest.approx(math.degrees(2 * 1500 / 600) if EDGE_OF_VIEW_RAD > 2.5
                                           else math.degrees(2 * EDGE_OF_VIEW_RAD))  # fmt: skip
    assert Camera(1000.0, *SIZE, radial=FISH, projection=FISHEYE).width_deg == pytest.approx(
        math.degrees(3.0)
    )
    corner = math.hypot(*SIZE) / 2
    wide = Camera(corner / 1.2, *SIZE, radial=FISH, projection=FISHEYE)
    assert wide.field_radius_rad() == pytest.approx(1.26, abs=1e-6)
    assert math.isnan(wide.corner_distortion())
    pin = Camera(corner / 0.5, *SIZE, radial=(0.02, -0.01, 0.003))
    assert pin.corner_distortion() == pytest.approx(0.013)
    assert pin.field_radius_rad() == pytest.approx(math.atan(0.65) * 1.05 + 0.01)
    assert Camera(10.0, *SIZE).field_radius_rad() == 1.4
    behind = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.01], [0.0, 0.5, 0.03]])
    assert np.isnan(Camera(1000.0, *SIZE).project(behind)).tolist() == [[True] * 2] * 2 + [
        [False] * 2
    ]
    # sin t grows to 90 degrees; t (1 - t^2 / 3) to one radian alone.
    steep = Camera(corner / 1.1, *SIZE, radial=(-1 / 3, 0.0, 0.0, 0.0), projection=FISHEYE)
    assert not steep.grows() and wide.grows()
    far = np.array([[math.sin(1.05), 0.0, math.cos(1.05)], [math.sin(0.95), 0.0, math.cos(0.95)]])
    assert np.isnan(steep.project(far)[0]).all() and np.isfinite(steep.project(far)[1]).all()
    # r (1 + k r^2) with r = 1 at the corner turns back where 3 k < -1 within it.
    for k1, grows in ((-0.31, True), (-0.34, False)):
        assert Camera(corner, *SIZE, radial=(k1, 0.0, 0.0)).grows() == grows


def test_laws_are_told_apart_from_fifty_degrees_on() -> None:
    corner = math.hypot(*SIZE) / 2
    assert [one.projection for one in lens_laws(Camera(corner / math.radians(24.9), *SIZE))] == [
        PINHOLE
    ]
    both = lens_laws(Camera(corner / math.radians(25.1), *SIZE, -1, 3.0, 4.0, (0.1, 0.0, 0.0)))
    assert [one.projection for one in both] == [PINHOLE, FISHEYE]
    assert both[0].radial == (0.0,) * 3 and both[1].radial == FISH
    assert {(one.parity, one.centre_x, one.centre_y) for one in both} == {(-1, 3.0, 4.0)}


# Pointings


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize("place", [(10.0, 20.0, 0.0), (200.0, -70.0, 75.0), (300.0, 5.0, 250.0)])
def test_ways_in_the_picture_are_position_angles_on_the_sky(
    place: tuple[float, float, float], parity: int
) -> None:
    camera = Camera(8000.0, *SIZE, parity, radial=(0.01, 0.0, 0.0))
    at = attitude(*place)
    pointing = with_places(Pointing(True, camera=camera, sky=CATALOGUE_SKY, attitude=at),
                           CATALOGUE_SKY)  # fmt: skip
    here = SkyCoord(pointing.ra_deg, pointing.dec_deg, unit="deg")
    assert (pointing.ra_deg, pointing.dec_deg) == pytest.approx(place[:2], abs=1e-9)
    assert math.isnan(pointing.altitude_deg) and math.isnan(pointing.azimuth_deg)
    assert pointing.scale_arcsec_px == pytest.approx(206264.806 / 8000)
    for turn in (0.0, 30.0, 90.0, 200.0, -90.0):
        step = 2.0 * np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
        middle = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2])
        x, y, z = camera.directions((middle + step)[None])[0] @ at
        there = SkyCoord(x=x, y=y, z=z, representation_type="cartesian")
        there = SkyCoord(there.spherical.lon, there.spherical.lat)
        angle = float(here.position_angle(there).deg)
        # Over 2 px an angle is good to rounding and to the curve of the field.
        assert (pointing.way_pa_deg(turn) - angle + 180) % 360 - 180 == pytest.approx(0, abs=0.02)
        axis = pointing.position_angle_of(turn)
        assert 0 <= axis < 180
        assert (axis - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=0.02)
        direction = unit_vectors(np.array(there.ra.rad), np.array(there.dec.rad))
        back = pointing.image_angle_towards(direction)
        assert (back - turn + 180) % 360 - 180 == pytest.approx(0.0, abs=0.02)
    assert pointing.roll_pa_deg == pytest.approx(pointing.way_pa_deg(-90.0))
    east, north = pointing.on_sky[0]
    pixel_on = camera.directions(middle[None] + np.array([[1.0, 0.0]])) @ at
    beside = SkyCoord(*np.degrees(CATALOGUE_SKY.icrs(pixel_on)), unit="deg")
    moved = here.spherical_offsets_to(beside)
    assert [float(one.rad[0]) for one in moved] == pytest.approx([east, north], rel=1e-4, abs=1e-9)


def test_what_is_not_solved_has_no_angles() -> None:
    none = Pointing()
    assert math.isnan(none.way_pa_deg(10.0)) and math.isnan(none.position_angle_of(10.0))
    assert math.isnan(none.image_angle_towards(np.array([1.0, 0.0, 0.0])))
    assert math.isnan(none.scale_arcsec_px)
    assert np.isnan([none.rms_px, none.ra_deg, none.dec_deg, none.roll_pa_deg, none.altitude_deg,
                     none.azimuth_deg]).all()  # fmt: skip
    assert np.isnan(none.attitude).all() and np.isnan(none.covariance).all()
    assert none.on_sky.shape == (2, 2) and np.isnan(none.on_sky).all()
    assert len(none.star) == len(none.catalogue) == 0
    solved = Pointing(True, camera=Camera(5000.0, *SIZE), attitude=np.eye(3), sky=CATALOGUE_SKY)
    assert math.isnan(solved.way_pa_deg(math.nan))
    # The way to where it points is none.
    assert math.isnan(solved.image_angle_towards(solved.middle_direction()))
    # Without its table of the middle, an angle is worked out anew.
    known = with_places(solved, CATALOGUE_SKY)
    assert solved.way_pa_deg(33.0) == pytest.approx(known.way_pa_deg(33.0), abs=1e-9)


# The sky


@pytest.mark.parametrize("site", [SITE, Site(-31.3, 149.1, 1100.0), Site(60.0, -3.0)])
def test_refraction_is_erfas(site: Site) -> None:
    sky = ObservedSky(UTC, site)
    altitude = np.array([1.0, 2.0, 5.0, 20.0, 60.0, 89.0])
    azimuth = np.array([10.0, 100.0, 200.0, 300.0, 350.0, 0.0])
    a, b = erfa.refco(site.pressure_hpa, 10.0, 0.5, 0.55)
    tangent = np.tan(np.radians(90 - np.maximum(altitude, 2.0)))
    # Directions of these: hour angle and declination by erfa, X to the meridian, Y east.
    hour, dec = erfa.ae2hd(np.radians(azimuth), np.radians(altitude), np.radians(site.latitude_deg))
    seen = unit_vectors(-hour, dec)
    assert sky.refraction_rad(seen) == pytest.approx(a * tangent + b * tangent**3, rel=1e-9)
    told = sky.altitude_azimuth_deg(seen)
    assert told[0] == pytest.approx(altitude) and told[1][:5] == pytest.approx(azimuth[:5])
    assert np.isnan(ObservedSky(UTC, None).refraction_rad(seen)).all()
    assert np.isnan(ObservedSky(None, None).refraction_rad(seen)).all()


def test_the_air_of_a_site_and_how_well_it_is_known() -> None:
    # ICAO Doc 7488: 1013.25, 898.746, 540.199 hPa at 0, 1,000 and 5,000 m; to half a digit.
    for height, hpa in ((0.0, 1013.25), (1000.0, 898.746), (5000.0, 540.199)):
        assert mean_pressure_hpa(height) == pytest.approx(hpa, abs=0.02)
    assert mean_pressure_hpa(-600.0) == mean_pressure_hpa(-500.0) > mean_pressure_hpa(-499.0)
    assert mean_pressure_hpa(9500.0) == mean_pressure_hpa(9000.0)
    assert Site(0, 0).pressure_hpa == 1013.25
    known, unknown = Site(0, 0, 0.0).refraction_sigma, Site(0, 0).refraction_sigma
    assert known == pytest.approx(math.hypot(10 / 283.15, 10 / 1013.25))
    assert unknown == pytest.approx(math.hypot(known, 1 - 898.746 / 1013.25), abs=2e-4)
    air = Air.over(Site(0, 0, 1000.0))
    assert air.mean == pytest.approx(898.746 / 1013.25, abs=2e-5)
    assert air.sigma == pytest.approx(air.mean * math.hypot(10 / 283.15, 10 / 898.746), abs=1e-5)
    assert (Air.over(None).mean, Air.over(None).sigma) == (0.9, 0.1)
    # Bayes: residuals that ask for 1.2 as strongly as is known beforehand meet halfway.
    assert Air(0.8, 0.1).amount(1.2 * 100.0, 100.0) == pytest.approx(1.0)
    assert Air(0.8, 0.1).amount(0.0, 0.0) == pytest.approx(0.8)


def test_stars_are_lifted_towards_the_zenith_and_back() -> None:
    zenith = unit_vectors(np.array(1.0), np.array(0.8))
    altitude = np.radians([2.0, 4.0, 10.0, 45.0, 89.9])
    east, _ = east_and_north(zenith)
    low = np.cos(altitude)[:, None] * east + np.sin(altitude)[:, None] * zenith
    for amount in (0.5, 1.0):
        up = lifted(low, zenith, amount)
        assert np.linalg.norm(up, axis=1) == pytest.approx(np.ones(5))
        lift = np.arcsin(np.clip(up @ zenith, -1, 1)) - altitude
        a, b = amount * np.radians(58.207 / 3600), amount * np.radians(-0.0652 / 3600)
        tangent = 1 / np.tan(altitude + lift)
        # One step of Newton's: 1 % at 4 degrees, no more.
        assert lift[1:4] == pytest.approx((a * tangent + b * tangent**3)[1:4], rel=0.01)
        assert lift[0] == pytest.approx(lift[0]) and lift[0] > 0 and abs(lift[4]) < 1e-6
    by = np.radians([0.1, 0.2, 0.3, 0.4, 0.05])
    assert np.arcsin(raised(low, zenith, by) @ zenith) - altitude == pytest.approx(by, rel=2e-3)
    sky = LiftedSky(UTC, zenith, 0.9)
    plain = ObservedSky(UTC, None)
    ra, dec = np.array([0.9, 1.1, 1.6]), np.array([0.2, -0.4, 0.9])
    seen = sky.directions(ra, dec)
    assert seen == pytest.approx(lifted(plain.directions(ra, dec), zenith, 0.9))
    assert np.stack(sky.icrs(seen)) == pytest.approx(np.stack([ra, dec]), abs=1e-10)
    assert not sky.observed and sky.site is None


def test_an_attitude_is_carried_from_sky_to_sky_with_its_stars() -> None:
    one, other = ObservedSky(UTC, SITE), ObservedSky(datetime(2026, 8, 15, 1, 0), SITE)
    at = Rotation.from_euler("zyx", [-20, -15, 100], degrees=True).as_matrix()
    # A star in the middle, and one to the right.
    at[2] = one.directions(np.array([5.6]), np.array([0.5]))[0]
    at[0] = np.cross([0.0, 0.0, 1.0], at[2]) / np.hypot(*at[2][:2])
    at[1] = np.cross(at[2], at[0])
    moved = carry(at, one, other)
    assert moved @ moved.T == pytest.approx(np.eye(3), abs=1e-12)
    assert moved[2] == pytest.approx(
        other.directions(np.array([5.6]), np.array([0.5]))[0], abs=1e-9
    )
    near = at[2] + 0.01 * at[0]
    there = other.directions(*one.icrs(near[None] / np.linalg.norm(near)))[0] @ moved.T
    assert there[1] / there[0] == pytest.approx(0.0, abs=1e-3)
    assert there[0] / there[2] == pytest.approx(0.01, abs=1e-5)
    assert carry(at, one, one) is at


def test_a_zenith_turns_with_the_earth() -> None:
    zenith = Zenith(1.0, 0.5)
    assert zenith.direction == pytest.approx(unit_vectors(np.array(1.0), np.array(0.5)))
    day = 86_164.0905  # seconds of a sidereal day
    assert zenith.at(day) == pytest.approx(zenith.direction, abs=1e-5)
    assert zenith.at(day / 4) == pytest.approx(
        unit_vectors(np.array(1.0 + math.pi / 2), np.array(0.5)), abs=1e-5
    )
    here = SkyCoord(1.0 * u.rad, 0.5 * u.rad)
    there = SkyCoord(1.7 * u.rad, -0.2 * u.rad)
    assert zenith.apart_rad(Zenith(1.7, -0.2)) == pytest.approx(here.separation(there).rad)
    assert zenith.apart_rad(zenith) == pytest.approx(0.0, abs=1e-7)
    assert sidereal_angle_rad(UTC) == pytest.approx(float(erfa.era00(2461266.5, 0.965358796296)),
                                                    abs=1e-6)  # fmt: skip


def test_the_same_middle_is_seen_by_two_cameras() -> None:
    old = Camera(5000.0, *SIZE, 1, 20.0, -30.0, (0.02, 0.0, 0.0))
    new = Camera(5010.0, *SIZE)
    at = Rotation.from_euler("xyz", [10, 50, 20], degrees=True).as_matrix()
    moved, nothing = seen_by(new, old, [at, None])
    assert nothing is None and moved is not None
    middle = np.array([[SIZE[0] / 2, SIZE[1] / 2]])
    assert new.directions(middle) @ moved == pytest.approx(old.directions(middle) @ at, abs=5e-5)
    assert moved @ moved.T == pytest.approx(np.eye(3), abs=1e-12)


# Near a hint


@pytest.mark.broad
@pytest.mark.parametrize(
    ("parity", "dec_deg", "off_deg"), [(1, 26.0, 1.2), (-1, 26.0, 0.0), (-1, -61.0, 0.9)]
)
def test_a_narrow_field_is_laid_on_its_stars(parity: int, dec_deg: float, off_deg: float) -> None:
    focal = 55_000.0
    camera = Camera(focal, *SIZE, parity)
    place = (307.0, dec_deg, 20.0)
    at = attitude(*place)
    known = catalogue()
    pixels = camera.project(known.directions @ at.T)
    with np.errstate(invalid="ignore"):
        inside = np.flatnonzero((pixels > 0).all(1) & (pixels < np.array(SIZE)).all(1))
    stars = np.zeros(len(inside), STAR_DTYPE)
    stars["x"], stars["y"] = pixels[inside].T
    measure = Measure("a", "light", "", width_px=SIZE[0], height_px=SIZE[1], stars=stars)
    hint = (place[0], dec_deg + off_deg)
    guess = Camera(1.04 * focal, *SIZE)
    found = list(places_near(measure, guess, hint, (0.9, 1.1)))
    assert found
    best = min(found, key=lambda one: abs(one[0].focal_px - focal))
    assert best[0].focal_px == pytest.approx(focal, rel=2e-4)
    assert best[0].parity == parity
    # Gnomonic about a patch and a plane fit: half a pixel.
    assert np.degrees(np.arccos(min(best[1][2] @ at[2], 1.0))) * 3600 < 4.0
    assert best[1] == pytest.approx(at, abs=3e-4)
    assert list(places_near(measure, guess, (math.nan, 0.0), (0.9, 1.1))) == []
    wide = Camera(SIZE[0] / 2 / math.tan(math.radians(30.5)), *SIZE)
    assert list(places_near(measure, wide, hint, (0.9, 1.1))) == []
    only = list(places_near(measure, guess, hint, (0.9, 1.1), (-parity,)))
    assert all(lens.parity == -parity for lens, _ in only)
