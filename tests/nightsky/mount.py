"""Attitude of the camera in time, by composing the rotations that really happen.

A tracker turns a platform about an axis; on it a head holds the camera. Seen from the ground
(x east, y north, z up) a camera vector stands at

    turn about the axis (t) * creep of the head (t) * aim * shaking of the camera (t)

each a rotation, none of them small by assumption but the creep's sum. Signs of the axis are those
of Barrett, "Measuring Polar Axis Alignment Error" (2016): of the elevated end, + too high and +
too far east.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .sky import EARTH_RATE, Site, from_altaz

Floats = NDArray[np.float64]
ARCSEC = np.pi / 648_000.0
CREEP_STEP_S = 2.0


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One swing of the drive about its even turn, ahead positive."""

    amplitude_arcsec: float
    period_s: float
    phase_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Slip:
    """The head gives way toward gravity from a moment on, which may lie before the first frame."""

    onset_s: float
    rate_arcsec_per_min: float
    ease_s: float = np.inf
    """The rate falls by e in this time; infinity for a steady slip."""

    def rate(self, at_s: Floats) -> Floats:
        """Arcsec a second at moments."""
        since = np.maximum(at_s - self.onset_s, 0.0)
        return np.where(
            at_s >= self.onset_s, self.rate_arcsec_per_min / 60 * np.exp(-since / self.ease_s), 0.0
        )


@dataclass(frozen=True, slots=True)
class Knock:
    """A jolt: the camera comes to rest elsewhere, after some ringing."""

    at_s: float
    size_arcsec: float
    angle_deg: float
    """Towards where the picture's content moves, from +x to +y."""
    settle_s: float = 0.6
    ring_hz: float = 3.0

    def moved(self, at_s: Floats) -> Floats:
        since = np.maximum(at_s - self.at_s, 0.0)
        rung = 1 - np.exp(-since / self.settle_s) * np.cos(2 * np.pi * self.ring_hz * since)
        return np.where(at_s >= self.at_s, rung, 0.0) * self.size_arcsec


@dataclass(frozen=True, slots=True)
class Gust:
    """Wind for a while: coloured noise that begins and ends at rest."""

    begin_s: float
    length_s: float
    rms_arcsec: float
    seed: int
    along_deg: float | None = None
    """One shaking axis in the picture; None shakes any way."""
    corner_hz: float = 0.8

    def moved(self, at_s: Floats) -> Floats:
        """Arcsec along x and y, shape (n, 2).

        Noise whose power falls with the square of frequency past a corner, as the response of a
        first-order system to white noise does, under a hull: the root of a sine.
        """
        times, noise = _blown(self)
        both = [np.interp(at_s, times, one, left=0.0, right=0.0) for one in noise]
        return np.stack(both, axis=-1) * self.rms_arcsec


@lru_cache(maxsize=64)
def _blown(gust: Gust) -> tuple[Floats, Floats]:
    """Moments, and the noise along x and y then, of unit root mean square."""
    step = 0.04
    count = int(np.ceil(gust.length_s / step)) + 2
    rng = np.random.default_rng([gust.seed, 5])
    frequency = np.fft.rfftfreq(count, step)
    shape = 1 / np.hypot(1, frequency / gust.corner_hz)
    shape[0] = 0.0
    white = rng.standard_normal((2, count))
    noise = np.fft.irfft(np.fft.rfft(white, axis=1) * shape, count, axis=1)
    hull = np.sqrt(np.abs(np.sin(np.pi * np.arange(count) / (count - 1))))
    noise *= hull
    noise /= np.sqrt(np.mean(noise**2, axis=1, keepdims=True))
    if gust.along_deg is not None:
        angle = np.radians(gust.along_deg)
        noise = np.outer([np.cos(angle), np.sin(angle)], noise[0] + 0.15 * noise[1])
    times = gust.begin_s + step * np.arange(count)
    return np.asarray(times, float), noise


@dataclass(frozen=True, slots=True)
class Aim:
    """From a moment on the camera looks elsewhere: moved by hand, or by a deliberate dither."""

    at_s: float
    attitude: Rotation | None = None
    """Camera (x right, y down, z forward) to the ground, for an aim at a target."""
    nudge_arcsec: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Else a turn of the camera about its own axes from where it looked."""


@dataclass(frozen=True, slots=True)
class Placement:
    """The axis from a moment on: the tripod was moved."""

    at_s: float
    altitude_error_arcmin: float
    azimuth_error_arcmin: float


@dataclass(frozen=True)
class Mount:
    """A tracker, its faults and what is done to it; times are seconds after the night's start."""

    site: Site
    aims: tuple[Aim, ...]
    altitude_error_arcmin: float = 0.0
    azimuth_error_arcmin: float = 0.0
    speed: float = 1.0
    """1 tracks, 0 stands still, 0.5 half speed, -1 the wrong hemisphere."""
    rate_error_ppm: float = 0.0
    harmonics: tuple[Harmonic, ...] = ()
    slips: tuple[Slip, ...] = ()
    knocks: tuple[Knock, ...] = ()
    gusts: tuple[Gust, ...] = ()
    placements: tuple[Placement, ...] = ()
    halts: tuple[tuple[float, float], ...] = field(default=())
    """Stretches in which the drive stood still."""

    def turned(self, at_s: Floats) -> Floats:
        """How far the drive has turned, radians."""
        stood = sum((np.clip(at_s, a, b) - a for a, b in self.halts), np.zeros_like(at_s))
        even = EARTH_RATE * self.speed * (1 + self.rate_error_ppm * 1e-6) * (at_s - stood)
        swing = sum(
            (
                one.amplitude_arcsec * np.sin(2 * np.pi * at_s / one.period_s + one.phase_rad)
                for one in self.harmonics
            ),
            np.zeros_like(at_s),
        )
        return even + swing * ARCSEC

    def axis(self, at_s: float) -> Floats:
        """Direction of the axis's northern end at a moment."""
        altitude, azimuth = self.altitude_error_arcmin, self.azimuth_error_arcmin
        for one in self.placements:
            if at_s >= one.at_s:
                altitude, azimuth = one.altitude_error_arcmin, one.azimuth_error_arcmin
        up = np.radians(abs(self.site.latitude_deg) + altitude / 60)
        east = np.radians(azimuth / 60)
        if self.site.hemisphere > 0:
            return from_altaz(east, up)
        return -from_altaz(np.pi - east, up)

    @cached_property
    def _held(self) -> list[tuple[float, Rotation]]:
        """For each aim its moment and the camera's attitude then, without shaking."""
        held: list[tuple[float, Rotation]] = []
        for aim in sorted(self.aims, key=lambda one: one.at_s):
            if aim.attitude is not None:
                held.append((aim.at_s, aim.attitude))
                continue
            before = self._carried(np.array([aim.at_s]), *held[-1])[0]
            nudge = Rotation.from_rotvec(np.array(aim.nudge_arcsec) * ARCSEC)
            held.append((aim.at_s, before * nudge))
        return held

    def attitude(self, at_s: Floats) -> Rotation:
        """Camera to ground at moments, shape (n,), all of one aim."""
        held = [one for one in self._held if one[0] <= at_s[0] + 1e-6]
        since, aim = held[-1] if held else self._held[0]
        return self._carried(at_s, since, aim) * Rotation.from_rotvec(self._shaken(at_s, since))

    def _carried(self, at_s: Floats, since: float, aim: Rotation) -> Rotation:
        """Turned by the drive and crept, from an aim on."""
        axis = self.axis(since)
        angle = self.turned(at_s) - self.turned(np.array([since]))
        turn = Rotation.from_rotvec(-np.outer(angle, axis))
        return turn * Rotation.from_rotvec(self._crept(at_s, since, aim)) * aim

    def _crept(self, at_s: Floats, since: float, aim: Rotation) -> Floats:
        """The head's creep in the platform's frame at the moment of the aim, shape (n, 3)."""
        if not self.slips:
            return np.zeros((len(at_s), 3))
        last = float(np.max(at_s))
        count = max(2, int(np.ceil((last - since) / CREEP_STEP_S)) + 1)
        grid = np.linspace(since, max(last, since + 1e-3), count)
        axis = self.axis(since)
        angle = self.turned(grid) - self.turned(np.array([since]))
        looks = Rotation.from_rotvec(-np.outer(angle, axis)).apply(aim.apply([0.0, 0.0, 1.0]))
        # A turn about this horizontal direction sinks what looks along `looks`.
        sinks = np.cross(looks, [0.0, 0.0, -1.0])
        sinks /= np.linalg.norm(sinks, axis=1, keepdims=True)
        on_platform = Rotation.from_rotvec(np.outer(angle, axis)).apply(sinks)
        rate = sum((slip.rate(grid) for slip in self.slips), np.zeros(count)) * ARCSEC
        speed = on_platform * rate[:, None]
        steps = (speed[1:] + speed[:-1]) / 2 * np.diff(grid)[:, None]
        crept = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
        return np.stack([np.interp(at_s, grid, crept[:, k]) for k in range(3)], axis=-1)

    def _shaken(self, at_s: Floats, since: float) -> Floats:
        """Knocks since the aim and gusts, as a turn about the camera's own axes, shape (n, 3)."""
        moved = np.zeros((len(at_s), 2))
        for gust in self.gusts:
            moved += gust.moved(at_s)
        for knock in self.knocks:
            if knock.at_s >= since:
                angle = np.radians(knock.angle_deg)
                moved += np.outer(knock.moved(at_s), [np.cos(angle), np.sin(angle)])
        # Content moves to +x when the camera turns to the left, about -y; to +y about +x.
        return np.column_stack([moved[:, 1], -moved[:, 0], np.zeros(len(at_s))]) * ARCSEC

    def events(self, begin_s: float, end_s: float) -> list[tuple[float, float]]:
        """Stretches of an exposure in which something fast happens, cut to it."""
        spans = [(gust.begin_s, gust.begin_s + gust.length_s) for gust in self.gusts]
        spans += [(one.at_s, one.at_s + 6 * one.settle_s) for one in self.knocks]
        spans += [edge for halt in self.halts for edge in ((halt[0], halt[0] + 0.1), halt)]
        cut = [(max(a, begin_s), min(b, end_s)) for a, b in spans]
        return sorted((a, b) for a, b in cut if b > a)

    def with_only(self, fault: str) -> Mount:
        """This tracker with one of its faults alone: what that fault by itself would have drawn.

        `axis`, `drive`, `slip`, `knock`, `wind`, or `none` for a perfect one.
        """
        plain = replace(
            self,
            altitude_error_arcmin=0.0,
            azimuth_error_arcmin=0.0,
            speed=1.0,
            rate_error_ppm=0.0,
            harmonics=(),
            slips=(),
            knocks=(),
            gusts=(),
            placements=(),
            halts=(),
        )
        kept = {
            "axis": ("altitude_error_arcmin", "azimuth_error_arcmin", "placements"),
            "drive": ("rate_error_ppm", "harmonics"),
            "untracked": ("speed", "halts"),
            "slip": ("slips",),
            "knock": ("knocks",),
            "wind": ("gusts",),
        }.get(fault, ())
        return replace(plain, **{name: getattr(self, name) for name in kept})


FAULTS = ("axis", "drive", "untracked", "slip", "knock", "wind")


def looking_at(azimuth_deg: float, altitude_deg: float, roll_deg: float = 0.0) -> Rotation:
    """Attitude of a camera that looks there, its up edge turned clockwise from the zenith."""
    forward = from_altaz(np.radians(azimuth_deg), np.radians(altitude_deg))
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    upright = Rotation.from_matrix(np.column_stack([right, down, forward]))
    return upright * Rotation.from_rotvec([0.0, 0.0, np.radians(roll_deg)])


def instants(spans: list[tuple[float, float]], begin_s: float, end_s: float, even: int) -> Floats:
    """Edges of the pieces in which an exposure is sampled, shape (n + 1,).

    Evenly many pieces, and 0.05 s pieces where something fast happens.
    """
    edges = [np.linspace(begin_s, end_s, even + 1)]
    edges += [np.linspace(a, b, max(2, int(np.ceil((b - a) / 0.05)) + 1)) for a, b in spans]
    joined = np.unique(np.concatenate(edges))
    apart = np.concatenate([[True], np.diff(joined) > 1e-4])
    joined = joined[apart]
    edge: Floats = joined
    edge[-1] = end_s
    return edge
