"""How far from its true place the stars may show the zenith, for all that is not known.

The bend of a field is worked out with one law of refraction in mean air, and stars are taken to
stand where light falls together. Other published laws, the air of a cold or a warm night and the
coma of a lens would have moved the same stars a little otherwise. Each such change, at its
largest, is laid on the stars; how far it moves the zenith that fits them best, camera and air
fitted again, is how far it may have moved the one that was found. What a camera can do it takes
up: coma that grows with the distance from the axis mostly goes into the scale.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import erfa
import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import AIR_C, LOWEST_COSINE, east_and_north
from skyplumb.calibrate.zenith import Refraction, Zenith, ZenithEvidence

Floats = NDArray[np.float64]
Law = Callable[[Floats], Floats]
"""True altitudes, rad -> how far stars are lifted, rad."""

NEAR_DEG = 1.0
"""A zenith that is off by less is some minutes of the clock, or a degree of the site: no wrong
zone, and no wrong sign."""
PRESSURES_HPA = (650.0, 1050.0)
"""From a high ridge in a low to the sea in a high; common practice, no source."""
TEMPERATURES_C = (-25.0, 30.0)
"""Of nights out of doors; common practice, no source."""
HUMIDITY, WAVELENGTH_UM = 0.5, 0.55
COMA_PX = 2.0
"""How far coma may pull a star's found place at the edge of the field; common practice, no
source."""
STEP_RAD = float(np.radians(0.05))
UNHELD_RAD = float(np.radians(60.0))
"""Where the stars hardly hold the zenith, no shift is larger."""


def saemundsson(altitude_rad: Floats) -> Floats:
    """Saemundsson 1986, Sky and Telescope 72, 70: 1.02' cot(h + 10.3 / (h + 5.11)), h in degrees.

    Of true altitudes, at 1010 hPa and 10 C.
    """
    h = np.degrees(altitude_rad)
    return np.asarray(np.radians(1.02 / 60) / np.tan(np.radians(h + 10.3 / (h + 5.11))))


def bennett(altitude_rad: Floats) -> Floats:
    """Bennett 1982, Journal of Navigation 35, 255: cot(h + 7.31 / (h + 4.4)), h in degrees.

    His h is the altitude at which a star is seen, which is found by turns.
    """
    true = np.degrees(altitude_rad)
    seen = true
    for _ in range(3):
        lift = 1 / 60 / np.tan(np.radians(seen + 7.31 / (seen + 4.4)))
        seen = true + lift
    return np.asarray(np.radians(lift))


def two_constants(pressure_hpa: float, temperature_c: float) -> Law:
    """A tan z + B tan^3 z of the seen zenith distance z, as `erfa.refco` gives A and B."""
    a, b = erfa.refco(pressure_hpa, temperature_c, HUMIDITY, WAVELENGTH_UM)

    def law(altitude_rad: Floats) -> Floats:
        zenith_rad = np.pi / 2 - altitude_rad
        seen = zenith_rad
        for _ in range(3):
            tangent = np.tan(seen)
            lift = a * tangent + b * tangent**3
            seen = zenith_rad - lift
        return np.asarray(lift)

    return law


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far from the best zenith that of a right clock and site may lie."""

    shifts: Floats
    """Shape (n, 2): to the east and to the north, rad; each alone, at its largest."""
    information: Floats
    """Shape (2, 2): inverse covariance of the best zenith by the scatter of the stars, 1/rad^2."""

    @property
    def covariance(self) -> Floats:
        """Of the shifts together, shape (2, 2), rad^2: they have nothing to do with each other."""
        return np.asarray(self.shifts.T @ self.shifts)

    def axes(self) -> Floats:
        """Half axes, shape (2, 2) a row each, rad, of what is near: a degree beyond the shifts."""
        values, vectors = np.linalg.eigh(self.covariance)
        sizes = np.radians(NEAR_DEG) + np.sqrt(np.maximum(values, 0.0))
        return np.asarray((vectors * np.minimum(sizes, UNHELD_RAD)).T)


def bounds_of(evidence: ZenithEvidence) -> Bounds:
    """How far all that is not known moves the best zenith of a night, which has one."""
    zenith = evidence.best
    assert zenith is not None
    information, asked = np.eye(2) / UNHELD_RAD**2, np.zeros((2, 0))
    for lens, variance in zip(evidence.lenses, evidence.variances, strict=True):
        moves = _moves(lens, zenith, evidence.amount)
        changes = _changes(lens, zenith, evidence)
        bend = lens.bend([zenith])[0]
        # The air is fitted for each lens, as `ZenithEvidence.chi2` does.
        columns = lens.without_camera(np.column_stack([*moves, bend, *changes]))
        columns = columns / np.sqrt(variance)
        move, bend, change = columns[:, :2], columns[:, 2], columns[:, 3:]
        held = bend @ bend + 1 / evidence.air.sigma**2
        information += move.T @ move - np.outer(move.T @ bend, bend @ move) / held
        mine = move.T @ change - np.outer(move.T @ bend, bend @ change) / held
        asked = mine if not asked.size else asked + mine
    shifts: Floats = np.linalg.solve(information, asked).T.astype(np.float64)
    laws, weather, coma = shifts[:3], shifts[3:5], shifts[5:]
    largest = [_largest(laws), _largest(weather), _largest(coma)]
    return Bounds(np.array(largest), information)


def nearest_misfit(evidence: ZenithEvidence, zenith: Zenith, bounds: Bounds) -> float:
    """Least misfit of the zeniths that may be meant by one: those near it, see `Bounds.axes`."""
    axes = bounds.axes()
    turns = np.arange(24) * 2 * np.pi / 24
    disc = np.array(
        [(0.0, 0.0)]
        + [(r * np.cos(t), r * np.sin(t)) for r in (0.25, 0.5, 0.75, 1.0) for t in turns]
    )
    misfits = _misfits(evidence, zenith, disc @ axes)
    at, least, step = disc[np.argmin(misfits)], float(np.min(misfits)), 0.15
    ways = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b])
    while step > 0.01:
        tries = at + step * ways
        tries /= np.maximum(np.hypot(*tries.T), 1.0)[:, None]
        found = _misfits(evidence, zenith, tries @ axes)
        if found.min() < least:
            at, least = tries[np.argmin(found)], float(found.min())
        else:
            step /= 2
    return least


def away(zenith: Zenith, offset_rad: Floats) -> Zenith:
    """The zenith so far to the east and to the north of one."""
    here = zenith.direction
    size = float(np.hypot(*offset_rad))
    if size == 0:
        return zenith
    there = np.cos(size) * here + np.sin(size) / size * (offset_rad @ east_and_north(here))
    return Zenith(float(np.arctan2(there[1], there[0])), float(np.arcsin(np.clip(there[2], -1, 1))))


def offset_between(zenith: Zenith, other: Zenith) -> Floats:
    """The way from one zenith to another, to the east and to the north, rad."""
    here, there = zenith.direction, other.direction
    flat = east_and_north(here) @ there
    size = float(np.hypot(*flat))
    return np.asarray(flat * (zenith.apart_rad(other) / size if size > 0 else 1.0))


def _misfits(evidence: ZenithEvidence, zenith: Zenith, offsets_rad: Floats) -> Floats:
    near = [away(zenith, offset) for offset in offsets_rad]
    return np.asarray(evidence.chi2_of_each(near) - evidence.chi2(evidence.best))


def _largest(shifts: Floats) -> Floats:
    """Of changes that exclude each other the one that moves the most."""
    return np.asarray(shifts[np.argmax(np.hypot(*shifts.T))])


def _moves(lens: Refraction, zenith: Zenith, amount: float) -> list[Floats]:
    """How the stars' places change with the zenith, to the east and to the north."""
    bends = [
        amount * lens.bend([away(zenith, STEP_RAD * sign * way)])[0]
        for way in np.eye(2)
        for sign in (1, -1)
    ]
    return [(bends[0] - bends[1]) / (2 * STEP_RAD), (bends[2] - bends[3]) / (2 * STEP_RAD)]


def _changes(lens: Refraction, zenith: Zenith, evidence: ZenithEvidence) -> list[Floats]:
    """Other laws, other weather, coma: what each adds to the stars' places over their errors."""
    ours = lens.bend([zenith])[0]
    mean = _lifted(lens, zenith, two_constants(1013.25, AIR_C))
    laws = [_lifted(lens, zenith, law) - ours for law in (bennett, saemundsson)]
    laws.append(mean - ours)
    laws = [evidence.amount * change for change in laws]
    # The pressure is known as well as the height is.
    hpa = float(np.clip(1013.25 * evidence.air.mean, *PRESSURES_HPA))
    usual = _lifted(lens, zenith, two_constants(hpa, AIR_C))
    weather = [
        _lifted(lens, zenith, two_constants(hpa, celsius)) - usual for celsius in TEMPERATURES_C
    ]
    return [*laws, *weather, *_coma(lens)]


def _coma(lens: Refraction) -> list[Floats]:
    """Pulls outwards that grow with the second and the fourth power of the field.

    Third-order coma, which grows evenly, is a change of scale that the camera takes up; the core
    that a fit keeps to and higher orders make it steeper.
    """
    size = np.array([lens.camera.width_px, lens.camera.height_px])
    from_axis = (lens.places - size / 2) / (np.hypot(*size) / 2)
    field = np.hypot(*from_axis.T)[:, None]
    pulls = [field * from_axis, field**3 * from_axis]
    return [lens.row_of(COMA_PX * np.nan_to_num(pull)) for pull in pulls]


def _lifted(lens: Refraction, zenith: Zenith, law: Law) -> Floats:
    """What a law of refraction adds to the stars' places over their errors."""
    sine = np.clip(lens.sines_of_altitude(zenith), LOWEST_COSINE, 1.0)
    return lens.bend_by(zenith, law(np.arcsin(sine)))
