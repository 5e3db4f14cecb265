"""Hot pixels that look like stars: known by darks, and by standing still while the sky moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import ObservedSky
from skyplumb.intake.notes import ShotNotes
from skyplumb.measure.flags import BIT
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo

INFO = ShotInfo(camera="Fen One", serial="F1")
WARM = np.array([[400.2, 300.7], [1200.0, 150.5]])
"""Two places on the sensor that shine in every frame."""
CAMERA = Camera(4000.0, 1500, 1000)


def table(places: np.ndarray) -> np.ndarray:
    stars = np.zeros(len(places), STAR_DTYPE)
    stars["x"], stars["y"] = places.T
    stars["flux"], stars["snr"] = 1000.0, 50.0
    return stars


def light(name: str, ra_deg: float, seed: int) -> Light:
    """A frame aimed at this right ascension on the equator: 80 stars of its own, and WARM."""
    own = np.random.default_rng(seed).uniform([20, 20], [1480, 980], (80, 2))
    stars = table(np.concatenate([WARM, own]))
    measure = Measure(name, "light", "", INFO, 1500, 1000, stars)
    ra = np.radians(ra_deg)
    z = np.array([np.cos(ra), np.sin(ra), 0.0])
    x = np.array([np.sin(ra), -np.cos(ra), 0.0])
    pointing = Pointing(
        solved=True,
        camera=CAMERA,
        sky=ObservedSky(None, None),
        attitude=np.stack([x, np.cross(z, x), z]),
        star=np.arange(2, 82),
        ra_deg=ra_deg,
        dec_deg=0.0,
    )
    return Light(measure, ShotNotes(INFO), None, float(seed), True, pointing)


def hot_rows(one: Light) -> list[int]:
    return np.flatnonzero(one.measure.stars["flags"] & BIT["hot"]).tolist()


def test_what_stands_still_while_the_sky_moves_is_hot() -> None:
    # Half a degree on the sky is 35 px here.
    lights = [light(f"{n}", 10.0 + 0.5 * n, n) for n in range(4)]
    for one in mark_hot(lights, []):
        assert hot_rows(one) == [0, 1]


def test_stars_that_are_tracked_stand_still_and_are_not_hot() -> None:
    first = light("0", 10.0, 7)
    lights = [replace(first, measure=replace(first.measure, file=f"{n}")) for n in range(5)]
    for one in mark_hot(lights, []):
        assert hot_rows(one) == []


@pytest.mark.parametrize("lone", [True, False])
def test_what_shines_in_a_dark_is_hot(lone: bool) -> None:
    shine = WARM.astype(np.float32)
    dark = Measure("d", "dark", "", INFO, 1500, 1000)
    # Lone pixels are listed beside the table, clusters stand in it.
    dark = replace(dark, hot_xy=shine) if lone else replace(dark, stars=table(WARM))
    assert hot_rows(mark_hot([light("0", 10.0, 1)], [dark])[0]) == [0, 1]


def test_the_dark_of_another_body_says_nothing() -> None:
    dark = Measure("d", "dark", "", ShotInfo(serial="F2"), 1500, 1000, table(WARM))
    assert hot_rows(mark_hot([light("0", 10.0, 1)], [dark])[0]) == []


def test_what_is_much_narrower_than_the_catalogues_stars_is_hot() -> None:
    one = light("0", 10.0, 1)
    stars = one.measure.stars.copy()
    stars["mxx"] = stars["myy"] = 3.0
    stars["mxx"][:2] = stars["myy"][:2] = 0.4
    # A narrow star that the catalogue holds is a star, and a faint one of usual width too.
    stars["mxx"][5] = stars["myy"][5] = 0.4
    more = np.concatenate([stars, stars[10:11]])
    one = replace(one, measure=replace(one.measure, stars=more))
    assert hot_rows(mark_hot([one], [])[0]) == [0, 1]
