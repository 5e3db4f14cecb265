"""A tracker put together from plain rotations, to test what is read back from its pointings.

Everything here lives in the observer's east, north, up axes and knows nothing of the axes,
signs and linearisations of the code under test: a rotor on a tilted axis, a head that slips,
a camera. It is itself compared with astropy and with the published drifts in `test_mount`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.sky import ObservedSky, Site
from skyplumb.intake.notes import ShotNotes
from skyplumb.judge.drift import drifts
from skyplumb.judge.motion import Motion
from skyplumb.judge.scene import Scene, scene_of
from skyplumb.records import Measure, ShotInfo

Floats = NDArray[np.float64]

NIGHT = datetime(2026, 8, 14, 21, 0, 0)
ARCSEC = np.pi / 648000
ARCMIN = 60 * ARCSEC
EARTH_RATE = 2 * np.pi * 1.00273781191135448 / 86400
"""rad a second of UT1: the Earth rotation angle of IERS Conventions 2010, equation 5.15."""
NORTHERN = Site(47.3, 11.4, 0.0)
SOUTHERN = Site(-33.0, 18.4, 0.0)
CAMERA = Camera(10000.0, 3000, 2000)
"""20.6 arcsec a pixel."""


@dataclass(frozen=True)
class Tracker:
    """What is wrong with a tracker and its head."""

    site: Site = NORTHERN
    too_high_arcmin: float = 0.0
    """Elevated end of the axis."""
    too_far_east_arcmin: float = 0.0
    """The same, as an angle of azimuth."""
    too_fast: float = 0.0
    """Fraction of the sky's rate; -1 stands still."""
    periodic_arcsec: float = 0.0
    """Amplitude of the periodic error."""
    period_s: float = 600.0
    periodic_phase: float = 0.7
    slip_arcsec_per_min: float = 0.0
    """How fast the picture's middle is carried down once the head slips, with the camera level."""
    slip_from_s: float = -1e9
    slips_evenly: bool = False
    """Whether it slips so fast whatever the camera's height, and not by the sine of its lean."""
    slip_again: tuple[float, float] = (0.0, 0.0)
    """Speed of a second slip besides, as the first's, and when it begins, s."""
    flexure_arcsec: float = 0.0
    """How far an elastic head hangs with the camera level; less as it looks higher."""
    knocks: tuple[tuple[float, float, float], ...] = ()
    """(time s, turn about the vertical arcsec, about the east-west line arcsec): the head is
    pushed round on the tracker, for good."""

    def driven(self, time_s: Floats) -> Floats:
        """How far the rotor has turned since time 0, in east, north, up; shape (n, 3, 3)."""
        hand = 1.0 if self.site.latitude_deg >= 0 else -1.0
        height = np.radians(abs(self.site.latitude_deg)) + self.too_high_arcmin * ARCMIN
        east = self.too_far_east_arcmin * ARCMIN
        # The elevated end: over the north point, or over the south point in the south.
        end = np.array(
            [
                np.cos(height) * np.sin(east),
                hand * np.cos(height) * np.cos(east),
                np.sin(height),
            ]
        )
        angle = EARTH_RATE * (1 + self.too_fast) * time_s + self.periodic_arcsec * ARCSEC * np.sin(
            2 * np.pi * time_s / self.period_s + self.periodic_phase
        )
        # Looking up at the north pole the stars wheel against the clock, at the south pole with
        # it: seen from outside along the axis, -1 and +1.
        return np.asarray(Rotation.from_rotvec(-hand * angle[:, None] * end).as_matrix())

    def axes(self, aim: Floats, time_s: Floats) -> Floats:
        """Camera axes over time, rows in east, north, up; shape (n, 3, 3).

        `aim` are those that the camera would have at time 0 without slips and knocks.
        """
        held = np.broadcast_to(aim.T, (len(time_s), 3, 3))
        for when, about_up, about_east in self.knocks:
            turn = np.array([about_east, 0.0, about_up]) * ARCSEC
            held = Rotation.from_rotvec((time_s >= when)[:, None] * turn).as_matrix() @ held
        first = self._sunk(aim, time_s, self.slip_arcsec_per_min, self.slip_from_s)
        out = self.driven(time_s) @ self._sunk(aim, time_s, *self.slip_again) @ first @ held
        up = np.array([0.0, 0.0, 1.0])
        forward = out[:, :, 2]
        level = np.cross(up, forward)  # turning about it lowers the view
        flexure = Rotation.from_rotvec(self.flexure_arcsec * ARCSEC * level).as_matrix()
        return np.asarray((flexure @ out).transpose(0, 2, 1))

    def _sunk(self, aim: Floats, time_s: Floats, arcsec_per_min: float, from_s: float) -> Floats:
        """How far the head has slipped, turned back to time 0; shape (n, 3, 3).

        It slips a little at a time, always about what is level at that time, and each slip is
        then carried on by the drive.
        """
        since = np.maximum(time_s - from_s, 0.0)
        if arcsec_per_min == 0 or not np.any(since):
            return np.broadcast_to(np.eye(3), (len(time_s), 3, 3))
        nodes, weights = np.polynomial.legendre.leggauss(6)
        when = time_s[:, None] - since[:, None] * (1 - nodes) / 2
        up = self.driven(when.ravel())[:, 2, :]  # the zenith, turned back to time 0
        level = np.cross(up, aim[2])
        # Its pull goes with the sine of the zenith distance, which is the length of `level`.
        if self.slips_evenly:
            level = level / np.linalg.norm(level, axis=1, keepdims=True)
        level = level.reshape(*when.shape, 3)
        slip = since[:, None] * np.einsum("k,nki->ni", weights / 2, level)
        return np.asarray(Rotation.from_rotvec(slip * arcsec_per_min / 60 * ARCSEC).as_matrix())


@dataclass(frozen=True)
class Plan:
    """Frames of one target."""

    hour_deg: float = 0.0
    """Hour angle at the first frame's start, west positive."""
    dec_deg: float = 20.0
    frames: int = 12
    exposure_s: float = 60.0
    every_s: float = 109.0
    """Start to start: 12 frames fill 20 min."""
    start_s: float = 0.0
    roll_deg: float = 15.0
    lens: str = "Tarnlight 85 mm"
    camera: Camera = field(default=CAMERA)


@dataclass(frozen=True)
class Errors:
    """Scatter of the measured attitudes, arcsec, one sigma each."""

    pointing: float = 0.5
    roll: float = 6.0


NO_ERRORS = Errors(0.0, 0.0)


def sky_axes(site: Site) -> Floats:
    """Rows: the meridian at the equator, east, the north pole; in east, north, up."""
    phi = np.radians(site.latitude_deg)
    return np.array(
        [[0, -np.sin(phi), np.cos(phi)], [1, 0, 0], [0, np.cos(phi), np.sin(phi)]], np.float64
    )


def aimed(site: Site, hour_deg: float, dec_deg: float, roll_deg: float = 0.0) -> Floats:
    """Camera axes, rows in east, north, up: right, down, forward.

    With no roll the sensor's up is north, so right is west.
    """
    hour, dec, roll = np.radians([hour_deg, dec_deg, roll_deg])
    forward = np.array([np.cos(dec) * np.cos(hour), -np.cos(dec) * np.sin(hour), np.sin(dec)])
    west = np.array([-np.sin(hour), -np.cos(hour), 0.0])
    north = np.cross(forward, -west)
    right = np.cos(roll) * west + np.sin(roll) * north
    up = np.cos(roll) * north - np.sin(roll) * west
    return np.asarray(np.stack([right, -up, forward]) @ sky_axes(site))


def attitudes(tracker: Tracker, plan: Plan, starts_s: Floats) -> Floats:
    """Sky frame to camera axes, averaged over each exposure; shape (n, 3, 3).

    The aim is what an exact tracker would need to look at the plan's place at its start.
    """
    first = float(starts_s[0])
    aim = aimed(tracker.site, plan.hour_deg, plan.dec_deg, plan.roll_deg)
    # The mount has turned since time 0: undo that, for the plan's place at the plan's start.
    still = aim @ tracker.driven(np.array([first]))[0]
    inside = (np.arange(9) + 0.5) / 9 * plan.exposure_s
    out = []
    for start in starts_s:
        over = tracker.axes(still, start + inside) @ sky_axes(tracker.site).T
        out.append(Rotation.from_matrix(over).mean().as_matrix())
    return np.array(out)


def shoot(
    tracker: Tracker,
    plans: Sequence[Plan],
    errors: Errors = NO_ERRORS,
    seed: int = 0,
    *,
    night: datetime = NIGHT,
    site_known: bool = True,
    clock_known: bool = True,
) -> list[Light]:
    """Solved light frames of one setup."""
    rng = np.random.default_rng(seed)
    out: list[Light] = []
    for plan in plans:
        starts = plan.start_s + plan.every_s * np.arange(plan.frames, dtype=np.float64)
        for start, attitude in zip(starts, attitudes(tracker, plan, starts), strict=True):
            sigma = np.array([errors.pointing, errors.pointing, errors.roll])
            measured = Rotation.from_rotvec(rng.normal(size=3) * sigma * ARCSEC)
            utc = night + timedelta(seconds=float(start))
            mid = utc + timedelta(seconds=plan.exposure_s / 2)
            seen = ObservedSky(mid, tracker.site)
            frame = ObservedSky(mid if clock_known else None, tracker.site if site_known else None)
            real = measured.as_matrix() @ attitude
            if not frame.observed:
                real = among_the_stars(real, seen, frame)
            out.append(
                light_of(
                    plan,
                    len(out),
                    float(start),
                    utc if clock_known else None,
                    Pointing(
                        solved=True,
                        camera=plan.camera,
                        sky=frame,
                        attitude=real,
                        covariance=np.diag(np.maximum(sigma, 0.05) ** 2) * ARCSEC**2,
                    ),
                )
            )
    return out


def mean_lean(lights: Sequence[Light], from_s: float) -> float:
    """Mean sine of the zenith distance of the frames in the middle of which a time has passed."""
    leans = []
    for light in lights:
        if light.mid_s >= from_s and light.pointing.sky is not None:
            site = light.pointing.sky.site
            assert site is not None
            phi = np.radians(site.latitude_deg)
            up = light.pointing.attitude[2] @ np.array([np.cos(phi), 0.0, np.sin(phi)])
            leans.append(np.sqrt(1 - up**2))
    return float(np.mean(leans))


def light_of(
    plan: Plan, number: int, start_s: float, utc: datetime | None, pointing: Pointing
) -> Light:
    """One light frame around a pointing."""
    info = ShotInfo(
        camera="Fernbody One",
        lens=plan.lens,
        focal_mm=plan.camera.focal_px * 4.3e-3,
        fnumber=2.8,
        exposure_s=plan.exposure_s,
        iso=1600.0,
        clock=utc,
    )
    measure = Measure(
        file=f"DCIM/100FERN/FRN_{number:04d}.DNG",
        kind="light",
        note="",
        info=info,
        width_px=plan.camera.width_px,
        height_px=plan.camera.height_px,
        stars_found=400,
        sky_level=100.0,
    )
    return Light(measure, ShotNotes(info), utc, start_s, True, pointing)


def among_the_stars(attitude: Floats, seen: ObservedSky, frame: ObservedSky) -> Floats:
    """An attitude as it is measured without site or clock: against unrefracted star places."""
    z = attitude[2]
    near = z + 0.02 * attitude[0]
    places = np.stack([z, near / np.linalg.norm(near)])
    both = frame.directions(*seen.icrs(places))
    x = both[1] - (both[1] @ both[0]) * both[0]
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(both[0], x), both[0]])


def unknown(light: Light) -> Light:
    """The same frame, not solved."""
    return Light(
        light.measure,
        light.notes,
        light.start_utc,
        light.order_s,
        light.clocked,
        Pointing(why_not="too few stars"),
    )


def shaken(light: Light, about_x: float, about_y: float) -> Light:
    """The same frame, thrown off by some arcsec about the camera's axes."""
    move = Rotation.from_rotvec(np.array([about_x, about_y, 0.0]) * ARCSEC).as_matrix()
    pointing = light.pointing
    moved = Pointing(
        solved=True,
        camera=pointing.camera,
        sky=pointing.sky,
        attitude=move @ pointing.attitude,
        covariance=pointing.covariance,
    )
    return Light(light.measure, light.notes, light.start_utc, light.order_s, light.clocked, moved)


def trail_moments(tracker: Tracker, plan: Plan, start_s: float, first_s: float) -> Floats:
    """Second moments xx, yy, xy (px^2) of the path of a star across one exposure.

    The star is in the middle of the picture half-way; refraction is left out.
    """
    aim = aimed(tracker.site, plan.hour_deg, plan.dec_deg, plan.roll_deg)
    still = aim @ tracker.driven(np.array([first_s]))[0]
    when = start_s + (np.arange(41) + 0.5) / 41 * plan.exposure_s
    axes = tracker.axes(still, when) @ sky_axes(tracker.site).T
    middle = axes[20, 2]
    turned = Rotation.from_rotvec(np.outer(-EARTH_RATE * (when - when[20]), [0, 0, 1]))
    stars = turned.apply(middle)
    xy = plan.camera.project(np.einsum("nij,nj->ni", axes, stars))
    spread = np.cov(xy.T, bias=True)
    return np.array([spread[0, 0], spread[1, 1], spread[0, 1]])


def motion_from(moments: Floats, sigma_px: float = 0.1) -> Motion:
    """The even trail with these second moments."""
    xx, yy, xy = moments
    size = float(np.hypot(xx - yy, 2 * xy))
    return Motion(
        trail_px=float(np.sqrt(12 * size)),
        trail_sigma_px=sigma_px,
        trail_angle_deg=float(np.degrees(np.arctan2(2 * xy, xx - yy)) / 2),
        across_px2=1.5,
        kurt=2.0,
    )


def line_moments(length_px: float, angle_deg: float) -> Floats:
    """Second moments of an even trail; of a shaken frame, of the shaking."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(length_px**2 / 12 * np.array([c * c, s * s, c * s]))


def scenes_of(
    tracker: Tracker,
    plan: Plan,
    lights: Sequence[Light],
    shaking: Floats | None = None,
) -> list[Scene]:
    """What the causes see of a run: true trails with shaking (n, 3) added, measured drift."""
    moves = drifts(
        [one.pointing for one in lights],
        [one.mid_s for one in lights],
        [one.info.exposure_s for one in lights],
    )
    out = []
    for number, (light, drift) in enumerate(zip(lights, moves, strict=True)):
        moments = trail_moments(tracker, plan, light.order_s, lights[0].order_s)
        if shaking is not None:
            moments = moments + shaking[number]
        out.append(scene_of(light, motion_from(moments), drift, 0.0))
    return out
