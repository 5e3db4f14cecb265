"""Pictures of something else than tracked stars, drawn by rule: no photograph, no code of ours."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Light = NDArray[np.float64]
WIDTH, HEIGHT = 900, 600
Y, X = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)


def exposed(light: Light, seed: int) -> NDArray[np.uint16]:
    """Electrons to samples of 14 bits over a black level of 512, with photon and read noise."""
    rng = np.random.default_rng(seed)
    counted = rng.poisson(np.clip(light, 0, None)) + rng.normal(0, 3, light.shape)
    return np.clip(np.rint(counted / 0.8 + 512), 0, 16383).astype(np.uint16)


def cloudy(seed: int, slope: float) -> Light:
    """Structure of all sizes, mean 0 and deviation 1: amplitude ~ frequency^-slope."""
    rng = np.random.default_rng(seed)
    down, across = np.fft.fftfreq(HEIGHT)[:, None], np.fft.rfftfreq(WIDTH)[None]
    frequency = np.hypot(down, across)
    frequency[0, 0] = np.inf
    picture = np.fft.irfft2(
        np.fft.rfft2(rng.normal(size=(HEIGHT, WIDTH))) / frequency**slope, s=(HEIGHT, WIDTH)
    )
    return np.asarray(picture / picture.std())


def foliage() -> Light:
    """Leaves in daylight."""
    return 3000 * np.exp(0.6 * cloudy(1, 1.0))


def box() -> Light:
    """Printed cardboard: patches with sharp edges."""
    rng = np.random.default_rng(2)
    picture = np.full((HEIGHT, WIDTH), 1500.0)
    for _ in range(60):
        x, y = rng.integers(0, WIDTH - 40), rng.integers(0, HEIGHT - 40)
        w, h = rng.integers(10, 250, 2)
        picture[y : y + h, x : x + w] = rng.uniform(200, 8000)
    return gaussian_filter(picture, 1.0)


def chart() -> Light:
    """A colour chart of rows of squares."""
    rng = np.random.default_rng(3)
    picture = np.full((HEIGHT, WIDTH), 300.0)
    for column in range(14):
        for row in range(9):
            part = np.s_[20 + row * 62 : 70 + row * 62, 20 + column * 62 : 70 + column * 62]
            picture[part] = rng.uniform(200, 9000)
    return gaussian_filter(picture, 0.8)


def portrait() -> Light:
    """Head and shoulders before a soft background."""
    picture = 1200 + 300 * cloudy(4, 2.5)
    for x, y, wide, high, light, soft in (
        (450, 640, 300, 250, 800, 3), (450, 280, 120, 160, 5000, 2.5),
        (450, 150, 140, 70, 400, 3), (405, 250, 18, 9, 7000, 1.5), (495, 250, 18, 9, 7000, 1.5),
        (450, 360, 40, 10, 2500, 1.5),
    ):  # fmt: skip
        inside = ((X - x) / wide) ** 2 + ((Y - y) / high) ** 2 < 1
        mask = gaussian_filter(inside.astype(float), soft)
        picture = picture * (1 - mask) + light * mask
    return picture


def moon(radius: float = 110.0) -> Light:
    """A full Moon in the middle of a dark sky."""
    away = np.hypot(X - 430, Y - 300)
    disc = gaussian_filter((away < radius).astype(float), 1.0)
    return 3 + 9000 * disc * (1 + 0.15 * np.clip(cloudy(5, 1.3), -2, 2)) + 200 * np.exp(-away / 150)


def lamps() -> Light:
    """Lamps along a skyline over uneven ground, dusk above."""
    rng = np.random.default_rng(6)
    skyline = 330 + np.cumsum(rng.normal(0, 2, WIDTH))
    picture = np.where(skyline < Y, 80 + 600 * np.exp(0.8 * cloudy(6, 1.0)), 300 + 200 * Y / HEIGHT)
    for _ in range(45):
        x = int(rng.integers(10, WIDTH - 10))
        y, size = skyline[x] + abs(rng.normal(15, 40)), rng.uniform(1, 4)
        picture += 10 ** rng.uniform(3, 5) * np.exp(-0.5 * ((X - x) ** 2 + (Y - y) ** 2) / size**2)
    return picture


def day_clouds() -> Light:
    """Clouds by day."""
    return 5000 * np.exp(0.35 * cloudy(8, 1.6))


def night_clouds() -> Light:
    """Clouds lit from a town, without a gap."""
    return 900 * (1 + 0.2 * cloudy(10, 1.8))


def all_sky(moonlight: bool = True) -> Light:
    """The round picture of an all-sky camera in cloud, trees around, with or without a Moon."""
    picture = 1500 * (1 + 0.25 * gaussian_filter(cloudy(9, 1.8), 6))
    if moonlight:
        picture += 40000 * np.exp(-np.hypot(X - 520, Y - 200) / 25)
    turn = np.arctan2(Y - 300, X - 450)
    trees = 18 * np.abs(np.sin(9 * turn) * np.sin(23 * turn + 1) * np.cos(2 * turn))
    return np.where(np.hypot(X - 450, Y - 300) < 285 - trees, picture, 30.0)


def aurora() -> Light:
    """Curtains of light over an all-sky camera: steep across, smooth along, bright at the rim."""
    rng = np.random.default_rng(11)
    picture = 2000 + 100 * cloudy(12, 3.0)
    for _ in range(10):
        middle, bend, wide = rng.uniform(100, 800), rng.uniform(-120, 120), rng.uniform(5, 12)
        away = (X - middle - bend * ((Y - 300) / 280) ** 2) / wide
        ray = np.exp(-0.5 * np.where(away < 0, away, away / 2.5) ** 2)
        picture += rng.uniform(500, 1500) * ray * (1 + 0.3 * np.sin(Y / 55 + middle))
    radius = np.hypot(X - 450, Y - 300)
    for away, wide in ((425, 8), (395, 5), (350, 12)):
        picture += 4000 * np.exp(-0.5 * ((radius - away) / wide) ** 2)
    return np.asarray(gaussian_filter(np.where(radius < 435, picture, 30.0), 2.0))


def wall() -> Light:
    """Courses of bricks with their mortar: long straight lines all over."""
    course, stone = (Y // 24).astype(int), X + 30 * ((Y // 24) % 2)
    rough = np.exp(0.25 * cloudy(13, 1.0))
    mortar = (Y % 24 < 4) | (stone % 60 < 4)
    shade = np.random.default_rng(14).uniform(700, 1300, (26, 17))
    return np.asarray(
        gaussian_filter(
            np.where(mortar, 2600.0, shade[course % 26, (stone // 60).astype(int) % 17]) * rough,
            1.2,
        )
    )


def star_trails(
    centre: tuple[float, float], angle_deg: float, stars: int = 250, seed: int = 20
) -> Light:
    """Stars turned about a centre by an angle, evenly, as a camera at rest draws them."""
    rng = np.random.default_rng(seed)
    reach = 400
    place = rng.uniform([-reach, -reach], [WIDTH + reach, HEIGHT + reach], (4 * stars, 2))
    light = 10 ** rng.uniform(3.0, 4.6, len(place))
    away = np.hypot(*(place - centre).T)
    picture = np.full((HEIGHT, WIDTH), 200.0)
    begin = np.arctan2(place[:, 1] - centre[1], place[:, 0] - centre[0])
    for radius, start, flux in zip(away, begin, light, strict=True):
        steps = max(int(4 * radius * np.radians(angle_deg)), 4)
        turn = start + np.radians(angle_deg) * (np.arange(steps) + 0.5) / steps
        x = np.rint(centre[0] + radius * np.cos(turn)).astype(int)
        y = np.rint(centre[1] + radius * np.sin(turn)).astype(int)
        inside = (x >= 0) & (y >= 0) & (x < WIDTH) & (y < HEIGHT)
        np.add.at(picture, (y[inside], x[inside]), 40 * flux / steps)
    return np.asarray(gaussian_filter(picture, 1.1))


SOMETHING_ELSE: dict[str, Callable[[], Light]] = {
    "foliage": foliage, "box": box, "chart": chart, "portrait": portrait, "moon": moon,
    "small moon": lambda: moon(30.0), "lamps": lamps, "day clouds": day_clouds,
    "wall": wall,
}  # fmt: skip
NIGHT_SKIES: dict[str, Callable[[], Light]] = {
    "night clouds": night_clouds, "all-sky": all_sky, "all-sky, no moon": lambda: all_sky(False),
    "aurora": aurora,
}  # fmt: skip
