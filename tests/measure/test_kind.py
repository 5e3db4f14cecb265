"""Pictures of something else are told from night skies by what is in them and their exposure."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from drawnscenes import (
    NIGHT_SKIES,
    SOMETHING_ELSE,
    X,
    Y,
    cloudy,
    exposed,
    lamps,
    moon,
    star_trails,
)
from skyplumb.demo import Sway, draw_frame
from skyplumb.measure.kind import in_focus_share, kind_of, luminance_cd_m2
from skyplumb.measure.stars import StarMeasure, measure_stars
from skyplumb.records import Plate, ShotInfo

BAYER = np.array([[0, 1], [1, 2]], np.uint8)
MONO = np.ones((1, 1), np.uint8)
DAYLIGHT = ShotInfo(exposure_s=1 / 250, iso=100, fnumber=8.0)
"""Sunlight by the photographer's rule of thumb, f/16 at 1 / ISO (common practice, no source)."""
NIGHT = ShotInfo(exposure_s=60.0, iso=1600, fnumber=2.8)
UNKNOWN = ShotInfo()


def kind(
    samples: NDArray[np.uint16], info: ShotInfo, colours: NDArray[np.uint8] = BAYER
) -> tuple[str, str]:
    """Kind and reason of a picture of 14 bits over a black level of 512."""
    return kind_of(*seen(Picture(samples.tobytes(), samples.shape, colours is MONO)), info)


class Picture(NamedTuple):
    """Samples by value: what is asked with several metadata is measured once."""

    samples: bytes
    shape: tuple[int, ...]
    mono: bool


@lru_cache(maxsize=2)
def seen(picture: Picture) -> tuple[StarMeasure, Plate]:
    """What is in a picture, and the picture."""
    colours = MONO if picture.mono else BAYER
    samples = np.frombuffer(picture.samples, np.uint16).reshape(picture.shape)
    plate = Plate(samples, colours, np.full(colours.shape, 512, np.float32), 16383.0)
    return measure_stars(plate), plate


@lru_cache(maxsize=2)
def night_sky(scene: str) -> NDArray[np.uint16]:
    return exposed(NIGHT_SKIES[scene](), 2)


@lru_cache(maxsize=2)
def star_frame(stars: int, fwhm: float, sway: Sway, sky: float) -> NDArray[np.uint16]:
    return draw_frame(
        900, 600, stars=stars, snr=(100, 800), fwhm_px=fwhm, sway=sway, sky_e=sky, seed=41
    ).mosaic


@lru_cache(maxsize=2)
def trails(stars: int, angle: float) -> NDArray[np.uint16]:
    return exposed(star_trails((400.0, 250.0), angle, stars), 3)


@pytest.mark.broad
@pytest.mark.parametrize("scene", SOMETHING_ELSE)
def test_pictures_by_day_are_something_else_and_say_why(scene: str) -> None:
    found, why = kind(exposed(SOMETHING_ELSE[scene](), 1), DAYLIGHT)
    assert found == "other"
    assert "cd/m2" in why or "no stars" in why


# Soft or mostly plain pictures (box, portrait, lamps) are not told without metadata.
@pytest.mark.broad
@pytest.mark.parametrize("colours", [BAYER, MONO], ids=["mosaic", "mono"])
@pytest.mark.parametrize("scene", ["chart", "day clouds", "foliage", "moon", "small moon", "wall"])
def test_clear_cases_need_no_metadata(scene: str, colours: NDArray[np.uint8]) -> None:
    found, why = kind(exposed(SOMETHING_ELSE[scene](), 1), UNKNOWN, colours)
    assert found == "other"
    assert why.startswith("no stars")


@pytest.mark.broad
@pytest.mark.parametrize("info", [NIGHT, UNKNOWN], ids=["night", "unknown"])
@pytest.mark.parametrize("colours", [BAYER, MONO], ids=["mosaic", "mono"])
@pytest.mark.parametrize("scene", NIGHT_SKIES)
def test_a_cloudy_or_moonlit_night_stays_a_light_frame(
    scene: str, info: ShotInfo, colours: NDArray[np.uint8]
) -> None:
    assert kind(night_sky(scene), info, colours) == ("light", "")


def test_a_round_picture_on_a_wide_sensor_is_no_dark() -> None:
    light = np.where(np.hypot(X - 450, Y - 300) < 230, 300.0, 0.0)
    assert kind(exposed(light, 2), UNKNOWN)[0] == "light"
    assert kind(exposed(0 * light, 2), UNKNOWN)[0] == "dark"


def test_structure_in_focus_is_told_from_smooth_structure_and_from_noise() -> None:
    rng = np.random.default_rng(9)
    noise = rng.normal(0, 1.0, (600, 900))
    # Edges have amplitudes of frequency^-1.5 over an area: their squares double with the distance.
    # Those of frequency^-3 have second derivatives. Noise alone passes a box in a thousand.
    for slope, strength, least, most in (
        (1.5, 30.0, 0.9, 1.0), (1.0, 0.0, 0.0, 0.02), (3.0, 30.0, 0.0, 0.05),
        (3.0, 1000.0, 0.0, 0.05),
    ):  # fmt: skip
        picture = strength * cloudy(15, slope) + noise
        assert least <= in_focus_share(picture.astype(np.float32)) <= most, (slope, strength)
    assert np.isnan(in_focus_share(np.zeros((100, 100), np.float32)))


@pytest.mark.broad
@pytest.mark.parametrize("info", [NIGHT, UNKNOWN], ids=["night", "unknown"])
@pytest.mark.parametrize(
    ("stars", "fwhm", "sway", "sky"),
    [
        (150, 2.5, Sway(), 200.0),
        (12, 2.5, Sway(), 200.0),
        (150, 2.5, Sway(60.0, 20.0), 200.0),
        (60, 2.5, Sway(300.0, 20.0), 200.0),
        (40, 25.0, Sway(), 200.0),
        (40, 2.5, Sway(), 8000.0),
    ],
    ids=["sharp", "few", "trailed", "long trails", "defocused", "moonlit"],
)
def test_frames_of_stars_stay_light_frames_however_bad(
    stars: int, fwhm: float, sway: Sway, sky: float, info: ShotInfo
) -> None:
    assert kind(star_frame(stars, fwhm, sway, sky), info) == ("light", "")


@pytest.mark.broad
@pytest.mark.parametrize("info", [NIGHT, UNKNOWN], ids=["night", "unknown"])
@pytest.mark.parametrize(("stars", "angle"), [(250, 10.0), (250, 25.0), (20, 45.0)])
def test_star_trails_stay_a_light_frame(stars: int, angle: float, info: ShotInfo) -> None:
    assert kind(trails(stars, angle), info) == ("light", "")


@pytest.mark.broad
def test_stars_over_a_lit_ground_make_a_light_frame() -> None:
    stars = draw_frame(900, 600, stars=120, snr=(50, 500), sky_e=300.0, pattern="", seed=42)
    ground = exposed(lamps(), 4)
    samples = np.where(np.arange(600)[:, None] < 380, stars.mosaic, np.roll(ground, 60, axis=0))
    assert kind(samples.astype(np.uint16), NIGHT) == ("light", "")


def grainy(stars: int, seed: int, flux: tuple[float, float] = (1.0, 30.0)) -> NDArray[np.uint16]:
    """A sky with the grain that pressed film leaves all over, numbers of stars going as 1 / F."""
    rng = np.random.default_rng(seed)
    light = 900 + 60 * gaussian_filter(rng.normal(size=X.shape), 1.6) / 0.18
    for _ in range(stars):
        height = 250.0 * flux[0] / rng.uniform(flux[0] / flux[1], 1.0)
        x, y = rng.uniform(5, 895), rng.uniform(5, 595)
        rows, columns = np.s_[int(y) - 5 : int(y) + 7], np.s_[int(x) - 5 : int(x) + 7]
        away = (X[rows, columns] - x) ** 2 + (Y[rows, columns] - y) ** 2
        light[rows, columns] += height * np.exp(-0.5 * away / 1.2**2)
    return exposed(light, seed)


@pytest.mark.parametrize("seed", range(61, 66))
def test_points_of_one_width_and_a_skys_magnitudes_outweigh_structure(seed: int) -> None:
    without = kind(grainy(0, seed), UNKNOWN, MONO)
    assert without[0] == "other"
    assert "structure" in without[1]
    assert kind(grainy(120, seed), UNKNOWN, MONO) == ("light", "")


def clipped_moon(seed: int, level: float = -1.0, radius: float = 60.0) -> Plate:
    """A Moon of 8 bits in a sky that is cut off at black: peaks of noise are all that is left."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(level, 1.0, X.shape)
    noise += 0.5 * gaussian_filter(rng.normal(size=X.shape), 1) / 0.28
    disc = gaussian_filter((np.hypot(X - 430, Y - 300) < radius).astype(float), 1.0)
    samples = np.rint(noise + 180 * disc * (1 + 0.15 * np.clip(cloudy(5, 1.3), -2, 2)))
    counted = (256 * samples.clip(0, 255)).astype(np.uint16)
    return Plate(counted, MONO, np.zeros((1, 1), np.float32), 65535.0)


@pytest.mark.parametrize("exposure_s", [float("nan"), 0.5])
@pytest.mark.parametrize("radius", [60.0, 110.0])
def test_a_moon_is_a_bright_body_however_many_points_stand_around_it(
    radius: float, exposure_s: float
) -> None:
    plate = clipped_moon(71, radius=radius)
    seen = measure_stars(plate)
    found, why = kind_of(seen, plate, ShotInfo(exposure_s=exposure_s))
    assert found == "other"
    assert "a bright body" in why


def test_a_moon_among_stars_is_a_light_frame() -> None:
    sky = draw_frame(
        900, 600, stars=200, snr=(20, 800), sky_e=30.0, pattern="", seed=72
    ).mosaic  # fmt: skip
    samples = np.maximum(sky, exposed(moon(), 72))
    assert kind(samples, UNKNOWN, MONO) == ("light", "")


@pytest.mark.parametrize("level", [6000, 11000])
def test_a_cut_of_a_bright_sky_with_few_stars_is_no_flat(level: int) -> None:
    rng = np.random.default_rng(73)
    light = rng.normal(level, 60, (256, 256))
    y, x = np.mgrid[:256, :256]
    for at in ((40, 50), (200, 60), (120, 130), (70, 210)):
        light += 2500 * np.exp(-0.5 * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / 1.5**2)
    assert kind(light.round().clip(0, 16383).astype(np.uint16), UNKNOWN, MONO)[0] == "light"


def test_luminance_is_that_of_the_standard() -> None:
    # ISO 12232:2019: S_sat = 78 / H_sat with H = 0.65 L t / N^2 (from memory). Full range at
    # ISO 100, f/16, 1/100 s: 0.78 lx s = 0.65 L / 25600, L = 30,720 cd/m2.
    info = ShotInfo(exposure_s=0.01, iso=100, fnumber=16.0)
    assert luminance_cd_m2(1.0, info) == pytest.approx(30_720)
    assert np.isnan(luminance_cd_m2(0.5, UNKNOWN))


def test_the_moon_is_known_by_what_its_disc_shines_with() -> None:
    # So small a disc hardly lifts the picture's middle; 0.5 s at ISO 100 and f/8 keep its sky dark.
    info = ShotInfo(exposure_s=1 / 60, iso=100, fnumber=8.0)
    assert kind(exposed(moon(30.0) / 2, 5), info)[0] == "other"


def photograph(name: str, colours: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """A photograph that scikit-image ships (sources in its `skimage.data`), as a sensor's samples.

    Linear light (the curve of sRGB, IEC 61966-2-1), its red and blue on their places of a mosaic,
    or its green alone; with the noise of 8000 electrons in white.
    """
    picture = np.asarray(Image.open(DATA / name).convert("RGB")).astype(np.float64) / 255
    light = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    rows, columns = (side // 2 * 2 for side in light.shape[:2])
    light = light[:rows, :columns]
    chosen = np.tile(colours, np.array([rows, columns]) // colours.shape)
    return exposed(8000 * np.take_along_axis(light, chosen[:, :, None].astype(int), 2)[:, :, 0], 7)


DATA = Path(skimage.data.__file__).parent


@pytest.mark.broad
@pytest.mark.parametrize("colours", [BAYER, MONO], ids=["mosaic", "mono"])
@pytest.mark.parametrize(
    "name",
    [
        "astronaut.png", "brick.png", "camera.png", "chelsea.png", "coffee.png", "coins.png",
        "grass.png", "gravel.png", "moon.png", "motorcycle_left.png", "retina.jpg",
    ],
)  # fmt: skip
def test_real_photographs_are_something_else_without_metadata(
    name: str, colours: NDArray[np.uint8]
) -> None:
    # All of its photographs were looked at when the rule was made; its launch pad at night, with
    # 139 lamps and stars under an even sky, is not told in colours.
    assert kind(photograph(name, colours), UNKNOWN, colours)[0] == "other"
