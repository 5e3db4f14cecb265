"""Stars of known light in clear frames -> the air's extinction, and how bright the sky is.

A star's catalogue magnitude less that of the light it gives is the zero point of its camera, lens,
aperture and gain, less what the air takes, what the lens takes off the middle, and what the green
pixels see of its colour otherwise than the catalogue's band. All are fitted together, to all clear
frames of a session: the extinction by how the zero point falls with the air mass (Kasten and Young
1989 [1]_), between stars of one frame and between frames. The sky's light in a pixel, over the area
of sky that falls on it, then has a magnitude by the same zero point above the air. Cloud that
grows evenly while the stars sink cannot be told from air.

The band is the catalogue's (Gaia G) as the green pixels see a star of a middle colour, BP - RP of
0.8: no standard band. Of other colours, as glow of lamps has them, another band would say otherwise
by some tenths.

References
----------
.. [1] Applied Optics 28, 4735, equation 3.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import RAD_TO_ARCSEC, Camera
from skyplumb.calibrate.light import Light, optics_key
from skyplumb.calibrate.sky import catalogue
from skyplumb.judge.facts import FrameFacts
from skyplumb.judge.transparency import FEWEST_FOR_ZERO, LOWEST_DEG, instrument_magnitudes
from skyplumb.measure.crops import MEAN_STAR_REACH
from skyplumb.records import NAN, Measure
from skyplumb.rowwise import Rows, medians, robust_fits

Floats = NDArray[np.float64]

CLEAR_MAG = 0.4
"""Frames dimmed by more than this against their run's clearest are seen through cloud."""
MOST_FRAMES = 60
"""Of one camera, lens, aperture and gain: evenly over the night."""
USUAL_MAG, USUAL_SIGMA_MAG = 0.20, 0.06
"""Extinction in green on clear nights (common practice, no source: 0.12 to 0.3), which stands in as
far as a session does not tell its own."""
ANY_MAG = 1.0
"""No air takes more or less than the usual by so much."""
WANDER_MAG = 0.02
"""Scatter of the air's light over a clear night, slower than frames (common practice, no source):
an extinction is known no better than that over the scatter of the air masses. Where frames differ
from the fit by more, as they do under thin cloud, no better than what they show."""
CLEAN_MAG = 0.07
"""What air without any haze takes in green at 2,000 m (common practice, no source). A fit under
it saw cloud thicken as the stars rose, or thin as they sank."""
TOLD_MAG = 0.1
"""An extinction with a larger error is not told."""
MIDDLE_COLOUR = 0.8
COLOUR_SLOPES = 0.5
"""Width of a prior about zero, magnitudes a magnitude of BP - RP."""
FALL_OFF_MAG = 1.5
"""The same of what a lens takes at the corner, in the square and the fourth power of the place."""
LEAN_MAG = 0.04
"""The same of what a tilt makes the fits of stars miss towards one side, at half a diagonal: a
slope that the air draws as well. Empirical: 0.00, 0.00, 0.03 and 0.06 on four drawn lenses
(`nightsky`, quiet, seeds 41 to 45)."""
STAR_MAG = 0.05
"""Error of one star's zero point."""
LIGHT_SHARE = 0.04
"""Error of the part of a star's light that its fit leaves out, and of a sky that is not even."""
RING = (14.0, 24.0)
"""Where the mean star's own sky is taken, px."""
GRID = 9
PHASES = 12


@dataclass(frozen=True, slots=True)
class SkyLight:
    """What a session's stars say of air and sky."""

    extinction_mag_airmass: float = NAN
    extinction_sigma: float = NAN
    mag_arcsec2: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Of each frame that tells it, by its file: magnitude and standard deviation."""


def sky_light(facts: Sequence[FrameFacts]) -> SkyLight:
    """Fit a session."""
    by_key: dict[Hashable, list[FrameFacts]] = {}
    for fact in sorted(facts, key=lambda one: (one.light.order_s, one.light.file)):
        if _tells(fact):
            by_key.setdefault(_key(fact.light), []).append(fact)
    chosen = [
        fact
        for mine in by_key.values()
        for fact in mine[:: -(-len(mine) // MOST_FRAMES)]
        if not fact.extinction_mag > CLEAR_MAG
    ]
    lights = [fact.light for fact in chosen]
    lost = np.array([left_out_mag(light.measure) for light in lights])
    found = instrument_magnitudes(lights)
    if found is None:
        return SkyLight()
    owner, star, row, magnitude = found
    zero = catalogue().magnitude[star] - (magnitude - lost[owner])
    counts = np.bincount(owner, minlength=len(lights))
    good = np.isfinite(zero) & (counts[owner] >= FEWEST_FOR_ZERO)
    if not good.any():
        return SkyLight()
    owner, star, row, zero = (one[good] for one in (owner, star, row, zero))
    fit = _fit(lights, owner, star, row, zero)
    mags: dict[str, tuple[float, float]] = {}
    for key, mine in by_key.items():
        if (at := fit.keys.get(key)) is None:
            continue
        falls = fit.solution[fit.falls[optics_key(mine[0].light)]]
        error = float(np.hypot(np.sqrt(fit.covariance[at, at]), LIGHT_SHARE * 1.0857))
        for fact in mine:
            level = _level(fact.light, falls)
            if level > 0:
                mag = float(fit.solution[at] - 2.5 * np.log10(level))
                mags[fact.light.file] = (mag, error)
    told = fit.extinction_sigma < TOLD_MAG and fit.extinction > CLEAN_MAG
    return SkyLight(fit.extinction if told else NAN, fit.extinction_sigma if told else NAN, mags)


def left_out_mag(measure: Measure) -> float:
    """How much brighter stars are than the Gaussians that fit them say: halo and wings.

    By the mean star, whose heights are those of the fits; NaN without one.
    """
    star = measure.mean_star.astype(np.float64)
    table = measure.stars
    middle = np.array([measure.width_px - 1, measure.height_px - 1]) / 2
    near = np.hypot(table["x"] - middle[0], table["y"] - middle[1]) < (
        MEAN_STAR_REACH * np.hypot(*middle)
    )
    det = (table["mxx"] * table["myy"] - table["mxy"] ** 2)[near & (table["snr"] > 30)]
    if not star.size or not len(det):
        return NAN
    reach = star.shape[0] // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    radius = np.hypot(x, y)
    ring = (radius > RING[0]) & (radius < RING[1])
    light = float((star - np.median(star[ring]))[radius < RING[0]].sum())
    whole = _light_of_median(float(np.sqrt(np.median(np.maximum(det, 1e-6)))))
    return float(2.5 * np.log10(light / whole)) if light > 0 else NAN


def _light_of_median(variance: float) -> float:
    """Light of the median over all places within a pixel of a Gaussian of height 1 and this
    variance, px^2, sampled once a pixel: of narrow ones another than their own, 2 pi times that."""
    reach = int(np.ceil(6 * np.sqrt(variance))) + 1
    line = np.arange(-reach, reach + 1)
    phase = (np.arange(PHASES) + 0.5) / PHASES - 0.5
    along = np.exp(-((line - phase[:, None]) ** 2) / (2 * variance))
    stars = along[:, None, :, None] * along[None, :, None, :]
    return float(np.median(stars.reshape(-1, len(line), len(line)), axis=0).sum())


def air_mass(altitude_deg: Floats) -> Floats:
    """Kasten and Young's, 1 at the zenith."""
    high = np.maximum(altitude_deg, 0.0)
    return np.asarray(1 / (np.sin(np.radians(high)) + 0.50572 * (high + 6.07995) ** -1.6364))


def _tells(fact: FrameFacts) -> bool:
    """Whether a frame's stars and sky can be told in magnitudes."""
    pointing = fact.light.pointing
    lone = not np.isfinite(fact.motion.doubled_px)
    placed = pointing.solved and pointing.sky is not None and pointing.sky.observed
    exposed = fact.light.info.exposure_s > 0 and fact.light.measure.sky_level > 0
    return bool(placed and lone and exposed and pointing.altitude_deg > LOWEST_DEG)


def _key(light: Light) -> Hashable:
    """Frames that count a star's light alike."""
    info = light.info
    iso, *setting = (info.iso, *info.setting)
    return (optics_key(light), iso if iso == iso else None, tuple(setting))


@dataclass(frozen=True, slots=True)
class _Fit:
    """Zero points above the air and what goes with them."""

    solution: Floats
    covariance: Floats
    keys: dict[Hashable, int]
    """Place of each zero point in the solution."""
    falls: dict[Hashable, slice]
    """Places of each lens's fall-off."""
    extinction: float
    extinction_sigma: float
    """By the session alone."""


def _fit(
    lights: Sequence[Light],
    owner: NDArray[np.int64],
    star: NDArray[np.int64],
    row: NDArray[np.int64],
    zero: Floats,
) -> _Fit:
    """Zero points, extinction, fall-off and colour, by all stars of all frames."""
    known = catalogue()
    mass, place = np.zeros(len(zero)), np.zeros((len(zero), 2))
    frames, counts = np.unique(owner, return_counts=True)
    for number in frames:
        light, mine = lights[number], np.flatnonzero(owner == number)
        sky, measure = light.pointing.sky, light.measure
        assert sky is not None
        seen = sky.directions(known.ra_rad[star[mine]], known.dec_rad[star[mine]])
        mass[mine] = air_mass(sky.altitude_azimuth_deg(seen)[0])
        middle = np.array([measure.width_px - 1, measure.height_px - 1]) / 2
        at = measure.stars[row[mine]]
        place[mine] = (np.stack([at["x"], at["y"]], 1) - middle) / np.hypot(*middle)
    keys = {key: n for n, key in enumerate(dict.fromkeys(_key(lights[n]) for n in frames))}
    lenses = list(dict.fromkeys(optics_key(lights[n]) for n in frames))
    first = len(keys) + 2
    falls: dict[Hashable, slice] = {
        key: slice(first + 4 * n, first + 4 * n + 4) for n, key in enumerate(lenses)
    }
    design = np.zeros((len(zero), first + 4 * len(lenses)))
    key_of = np.array([keys.get(_key(light), 0) for light in lights])
    lens_of = np.array([falls[optics_key(light)].start if optics_key(light) in falls else 0
                        for light in lights])  # fmt: skip
    rows = np.arange(len(zero))
    design[rows, key_of[owner]] = 1
    usual = float(mass.mean())
    design[:, len(keys)] = usual - mass
    colour = known.colour[star]
    design[:, len(keys) + 1] = np.where(np.isfinite(colour), colour - MIDDLE_COLOUR, 0.0)
    square = (place**2).sum(axis=1)
    for n, column in enumerate((square, square**2, *place.T)):
        design[rows, lens_of[owner] + n] = -column
    of_lens = (FALL_OFF_MAG, FALL_OFF_MAG, LEAN_MAG, LEAN_MAG)
    priors = (*[np.inf] * len(keys), ANY_MAG, COLOUR_SLOPES, *of_lens * len(lenses))
    prior = np.array(priors)
    # What the usual air takes is taken off first, so that nothing told leaves that.
    zero = zero + USUAL_MAG * (mass - usual)
    errors = np.full(len(zero), STAR_MAG)
    (solution,), _ = robust_fits(design.T[None], zero[None], errors[None], prior)
    rest = zero - design @ solution
    # A star is off in every frame, a frame in every star: errors are of groups of both kinds
    # (Cameron, Gelbach, Miller 2011, "Robust inference with multiway clustering", without what both
    # share, which of few groups may leave less than nothing; from memory).
    cut = 3 * 1.4826 * float(np.median(np.abs(rest)))
    scores = design * np.clip(rest, -cut, cut)[:, None]
    normal = np.linalg.inv(design.T @ design + np.diag(errors[0] ** 2 / prior**2))
    middle_part = sum(
        sign * _gathered(scores, group) for sign, group in ((1.0, star), (1.0, owner), (-1.0, rows))
    )
    covariance = normal @ middle_part @ normal
    at = len(keys)
    solution[at] += USUAL_MAG
    wander = float(np.std(medians(Rows(counts).of(rest))))
    covariance[at, at] += (max(WANDER_MAG, wander) / max(float(mass.std()), 1e-3)) ** 2
    extinction, variance = float(solution[at]), float(covariance[at, at])
    gain = covariance[:, at] / (variance + USUAL_SIGMA_MAG**2)
    # From the usual air mass to above the air.
    up = np.eye(len(solution))
    up[:at, at] = usual
    return _Fit(
        up @ (solution + gain * (USUAL_MAG - extinction)),
        up @ (covariance - np.outer(gain, covariance[at])) @ up.T,
        keys,
        falls,
        extinction,
        float(np.sqrt(variance)),
    )


def _gathered(scores: Floats, group: NDArray[np.int64]) -> Floats:
    """Sum of the outer products of each group's sum."""
    index = np.unique(group, return_inverse=True)[1]
    sums = np.stack([np.bincount(index, column) for column in scores.T], axis=1)
    return np.asarray(sums.T @ sums)


def _level(light: Light, falls: Floats) -> float:
    """Light of the sky in a second and a square arcsecond, as the middle of the lens would give
    it, sample units."""
    camera = light.pointing.camera
    assert camera is not None
    area, square = _areas(camera)
    through = 10 ** (-0.4 * (falls[0] * square + falls[1] * square**2))
    whole = float(np.median(area * through))
    return float(light.measure.sky_level / light.info.exposure_s / whole)


@lru_cache(maxsize=64)
def _areas(camera: Camera) -> tuple[Floats, Floats]:
    """Sky on a pixel, square arcseconds, and the square of the distance from the middle over the
    half diagonal, at places all over the picture."""
    size = np.array([camera.width_px, camera.height_px], float)
    x, y = np.meshgrid(*(np.linspace(0.5 / GRID, 1 - 0.5 / GRID, GRID) * side for side in size))
    at = np.stack([x.ravel(), y.ravel()], 1) - 0.5
    here, right, down = (camera.directions(at + step) for step in ((0, 0), (1, 0), (0, 1)))
    area = np.linalg.norm(np.cross(right - here, down - here), axis=1) * RAD_TO_ARCSEC**2
    middle = (size - 1) / 2
    return area, ((at - middle) ** 2).sum(axis=1) / (middle @ middle)
