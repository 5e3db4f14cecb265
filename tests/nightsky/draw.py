"""One exposure of a night -> samples, and the paths that its stars took on the sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .air import direction
from .light import Dots, Picture, counted, lay
from .night import Flyer, Night, Shot
from .path import (
    MANY_PLACES,
    TRAIL_STEP_PX,
    Paths,
    Sightline,
    even_pieces,
    in_pieces,
    merged,
    moments_of,
    reference_points,
)
from .sky import Stars, stars_near

Floats = NDArray[np.float64]

ZERO_MAG_E_S_CM2 = 3e5
"""Green electrons a second and square centimetre of a star of G 0 (a choice; some 1e6 photons
arrive in the band above the air, from memory)."""
FAINTEST_SN = 6.0
"""Stars under this are lost in the sky and left out."""
MOST_STARS = 1300
WIDEST_FAINT_DEG = 9.0
"""Fields that reach further hold enough catalogue stars; fainter ones are invented within it."""
COLOURS = {"R": (0.60, 0.22), "G": (1.0, 0.0), "B": (0.62, -0.25), "": (2.1, 0.0)}
"""Light in each colour beside green, and how it grows with G_BP - G_RP from 0.8, dex."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A frame."""

    samples: NDArray[np.uint16]
    stars: int
    """How many were drawn with a signal over ten times the noise."""


def draw(night: Night, number: int) -> Drawn:
    """Draw one of a night's exposures."""
    shot, sensor = night.shots[number], night.sensor
    rng = np.random.default_rng([night.seed, number, 1])
    sky_e, dark_sky_e = _sky(night, shot)
    blur = shot.lens.blur_px
    if night.sky.dew:
        blur += night.sky.dew.minutes(shot.start_s) * night.sky.dew.blur_px_per_min
    reference = Sightline(night, shot, reference_points(night, shot))
    even = even_pieces(reference, night.mount, shot)
    at_s, share = moments_of(shot, night.mount, even)
    trail_px = even * TRAIL_STEP_PX
    middle = night.mount.attitude(np.array([shot.start_s + shot.exposure_s / 2])).apply(
        [0.0, 0.0, 1.0]
    )[0]
    noise = np.sqrt(dark_sky_e + sensor.read_noise_e**2)
    faintest_e = (
        FAINTEST_SN * noise * np.sqrt(4 * np.pi) * blur * np.sqrt(1 + trail_px / (3.5 * blur))
    )
    stars = _stars(night, shot, middle, faintest_e, trail_px)
    sight = Sightline(night, shot, stars)
    x, y = sight.project(night.mount, at_s)
    light = _starlight(night, shot, stars, sight, x @ share, y @ share)
    paths, lost_px2 = merged(Paths(x, y, share), reference, night.mount, at_s)
    blur = float(np.sqrt(blur**2 + lost_px2))
    bright = light.max(axis=(1, 2)) > faintest_e / FAINTEST_SN
    paths = Paths(paths.x[bright], paths.y[bright], paths.share)
    light = light[bright]
    _lay_stars(sky_e, night, shot, paths, light, blur)
    _lay_ground_lights(sky_e, night, shot, at_s, share, middle, blur)
    clear = int(np.count_nonzero(light.max(axis=(1, 2)) > 10 / FAINTEST_SN * faintest_e))
    return Drawn(counted(sky_e, sensor, shot.iso, shot.exposure_s, rng), clear)


def _stars(night: Night, shot: Shot, middle: Floats, faintest_e: float, trail_px: float) -> Stars:
    """Stars of the field, brightest first, as many as may show."""
    at = shot.start_s + shot.exposure_s / 2
    ra, dec = np.radians(night.place.icrs(middle, at))
    towards = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    reach = shot.lens.reach_deg(night.sensor)
    trail_deg = trail_px * shot.lens.scale_arcsec_px(night.sensor) / 3600
    to_mag = 2.5 * np.log10(_zero_e(shot) / faintest_e)
    to_mag = min(to_mag, 13.4 if reach <= WIDEST_FAINT_DEG else 10.0)
    found = stars_near(towards, reach * 1.03 + trail_deg + 0.05, to_mag)
    # About half of a circle's stars lie in the frame.
    found = found.chosen(np.argsort(found.mag, kind="stable")[: 3 * MOST_STARS])
    x, y = Sightline(night, shot, found).project(night.mount, np.array([at]))
    margin = trail_px + 20.0
    near = (x > -margin) & (x < night.sensor.width + margin)
    near &= (y > -margin) & (y < night.sensor.height + margin)
    return found.chosen(np.flatnonzero(near[:, 0])[:MOST_STARS])


def _zero_e(shot: Shot) -> float:
    """Green electrons of a star of G 0 in the exposure."""
    area = np.pi / 4 * (shot.lens.focal_mm / shot.lens.fnumber / 10) ** 2
    return float(ZERO_MAG_E_S_CM2 * area * shot.exposure_s)


def _starlight(
    night: Night, shot: Shot, stars: Stars, sight: Sightline, x: Floats, y: Floats
) -> Floats:
    """Electrons in each colour place, shape (n, 2, 2)."""
    sensor = night.sensor
    got = np.zeros(len(stars.mag))
    for at in shot.start_s + shot.exposure_s * np.array([0.1, 0.5, 0.9]):
        ground = sight.ground(float(at))
        seen = 10 ** (-0.4 * night.sky.lost_mag(ground, float(at)))
        if night.land:
            seen = np.where(night.land.hides(ground), 0.0, seen)
        got += seen / 3
    light = _zero_e(shot) * 10 ** (-0.4 * stars.mag) * got
    light = light * np.nan_to_num(shot.lens.throughput(x, y, sensor))
    return light[:, None, None] * _colour_places(night, stars.colour)


def _colour_places(night: Night, colour: Floats) -> Floats:
    """Share of green light in each place of the mosaic's 2 x 2, shape (n, 2, 2)."""
    letters = night.sensor.mosaic or [""] * 4
    one = [COLOURS[letter][0] * 10 ** (COLOURS[letter][1] * (colour - 0.8)) for letter in letters]
    return np.stack(one, axis=-1).reshape(-1, 2, 2)


def _lay_stars(
    canvas: Picture, night: Night, shot: Shot, paths: Paths, light: Floats, blur: float
) -> None:
    """Stars as rays along their paths, each ray's core and, without rays, the halo."""
    lens = shot.lens
    rays = lens.rays_for(shot.more_defocus_px)
    if max(rays) > 6:
        blur = max(blur, 1.0)
    good = np.all(np.isfinite(paths.x + paths.y), axis=1)
    x, y, light = paths.x[good], paths.y[good], light[good]
    share = paths.share
    if not len(x):
        return
    dx, dy = lens.spots(x @ share, y @ share, night.sensor, rays, shot.more_defocus_px)
    weights = lens.ray_weights(rays)
    if len(share) > MANY_PLACES:
        dx, dy, weights = _four_rays(dx, dy, weights)
    x, y, share, of = in_pieces(x, y, share)
    each = share.sum(axis=1)
    share = share / each[:, None]
    piece_e = light[of] * each[:, None, None]
    core = (x[:, :, None] + dx[of][:, None, :]).reshape(len(x), -1)
    core_y = (y[:, :, None] + dy[of][:, None, :]).reshape(len(x), -1)
    weight = (share[:, :, None] * weights).reshape(len(x), -1)
    strong = piece_e.max(axis=(1, 2)) > 3e4
    reach = np.where(strong, 5.5, 4.0)
    lay(canvas, Dots(core, core_y, weight, piece_e * (1 - lens.halo), blur, reach))
    spread = np.sqrt((2.3 * blur) ** 2 + float(np.mean(dx**2 + dy**2)) / 2)
    lay(canvas, Dots(x, y, share, piece_e * lens.halo, spread, np.where(strong, 5.0, 3.5)))


def _four_rays(dx: Floats, dy: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Four rays with the second moments of many: out and back along both axes of the spot."""
    xx, yy, xy = dx**2 @ weights, dy**2 @ weights, (dx * dy) @ weights
    angle = np.arctan2(2 * xy, xx - yy) / 2
    half, apart = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    long, short = np.sqrt(2 * (half + apart)), np.sqrt(2 * np.maximum(half - apart, 0))
    along = np.stack([long, -long, 0 * long, 0 * long], axis=1)
    across = np.stack([0 * long, 0 * long, short, -short], axis=1)
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return along * cos - across * sin, along * sin + across * cos, np.full(4, 0.25)


def _sky(night: Night, shot: Shot) -> tuple[Picture, float]:
    """Electrons of sky and land in each pixel, and those of the middle of a clear field."""
    sensor, lens = night.sensor, shot.lens
    step = 4 if night.land else 16
    rows, columns = _grid(sensor.height, step), _grid(sensor.width, step)
    x, y = np.meshgrid(columns, rows)
    camera = lens.unproject(x, y, sensor)
    scale = lens.scale_arcsec_px(sensor)
    zenith_e = _zero_e(shot) * 10 ** (-0.4 * night.sky.mag_arcsec2) * scale**2
    coarse = np.zeros(x.shape)
    # Land smears along its edge, cloud moves; else the sky looks the same all through.
    count = 7 if night.land else 3 if night.sky.cloud else 1
    times = (np.arange(count) + 0.5) / count
    for part in times:
        at = shot.start_s + shot.exposure_s * part
        ground = (
            night.mount.attitude(np.array([at])).apply(camera.reshape(-1, 3)).reshape(camera.shape)
        )
        light = night.sky.glow(ground, at)
        if night.land:
            light = np.where(night.land.hides(ground), night.land.light, light)
        coarse += light / len(times)
    middle = float(np.median(coarse)) * zenith_e
    coarse = coarse * lens.throughput(x, y, sensor) * zenith_e
    fine = (
        _stretch(rows, sensor.height)
        @ coarse.astype(np.float32)
        @ _stretch(columns, sensor.width).T
    )
    colours = _colour_places(night, np.array([0.9]))[0].astype(np.float32)
    for row in (0, 1):
        for column in (0, 1):
            fine[row::2, column::2] *= colours[row, column]
    return fine, middle


def _grid(size: int, step: int) -> Floats:
    return np.linspace(0, size - 1, size // step + 1)


def _stretch(coarse: Floats, size: int) -> Picture:
    """Matrix that interpolates linearly from coarse places to all pixels."""
    out = np.zeros((size, len(coarse)), np.float32)
    place = np.arange(size) / (coarse[1] - coarse[0])
    left = np.minimum(place.astype(int), len(coarse) - 2)
    part = place - left
    out[np.arange(size), left] = 1 - part
    out[np.arange(size), left + 1] = part
    return out


def _lay_ground_lights(
    canvas: Picture,
    night: Night,
    shot: Shot,
    at_s: Floats,
    share: Floats,
    middle: Floats,
    blur: float,
) -> None:
    """Lamps on the land, which the camera turns away from, and what flies through."""
    places = (
        np.array([1.0, 0.7, 0.7, 0.4]).reshape(2, 2) if night.sensor.mosaic else np.ones((2, 2))
    )
    if night.land and night.land.lamps:
        lamps = night.land.lamp_directions(middle)
        to_camera = night.mount.attitude(at_s).inv().as_matrix()
        directions = np.einsum("mij,nj->nmi", to_camera, lamps)
        x, y = shot.lens.project(directions, night.sensor)
        good = np.all(np.isfinite(x), axis=1)
        light = np.full(int(good.sum()), night.land.lamp_e_s * shot.exposure_s)
        x, y, cut, of = in_pieces(x[good], y[good], share)
        each = cut.sum(axis=1)
        lay(
            canvas,
            Dots(x, y, cut / each[:, None], (light[of] * each)[:, None, None] * places, blur),
        )
    for flyer in night.flyers:
        _lay_flyer(canvas, night, shot, flyer, places, blur)


def _lay_flyer(
    canvas: Picture, night: Night, shot: Shot, flyer: Flyer, places: Floats, blur: float
) -> None:
    """The steady light as many dots, and each flash as one."""
    begin = max(flyer.begin_s, shot.start_s)
    end = min(flyer.end_s, shot.start_s + shot.exposure_s)
    if end <= begin:
        return
    steady = np.linspace(begin, end, 4000)
    light = np.full(len(steady), flyer.light_e_s * (end - begin) / len(steady))
    if flyer.flash_every_s:
        flashes = np.arange(begin, end, flyer.flash_every_s)
        steady = np.concatenate([steady, flashes])
        light = np.concatenate([light, np.full(len(flashes), flyer.flash_e)])
    part = ((steady - flyer.begin_s) / (flyer.end_s - flyer.begin_s))[:, None]
    ground = (1 - part) * direction(*flyer.begin_at) + part * direction(*flyer.end_at)
    order = np.argsort(steady, kind="stable")
    attitudes = night.mount.attitude(steady[order]).inv()
    camera = np.empty_like(ground)
    camera[order] = attitudes.apply(ground[order])
    x, y = shot.lens.project(camera, night.sensor)
    good = np.isfinite(x) & (np.abs(x) < 1e5) & (np.abs(y) < 1e5)
    lay(
        canvas,
        Dots(
            x[good, None],
            y[good, None],
            np.ones((int(good.sum()), 1)),
            light[good, None, None] * places,
            blur,
        ),
    )
