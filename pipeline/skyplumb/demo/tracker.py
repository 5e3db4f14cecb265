"""The camera's attitude from moment to moment, under the faults of its tracker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .heavens import EARTH_RAD_PER_S
from .scene import TRACKING_RATES, Gusts, Mount, Site

Floats = NDArray[np.float64]

ARCSEC = np.pi / 648000.0


@dataclass(frozen=True, slots=True)
class Push:
    """One gust: when, and how far the picture is thrown."""

    at_s: float
    dx_arcsec: float
    dy_arcsec: float


def blow(gusts: Gusts, begin_s: float, end_s: float, seed: list[int]) -> tuple[Push, ...]:
    """The gusts between two times, the same for the same seed."""
    first, last = max(begin_s, gusts.from_s), min(end_s, gusts.to_s)
    if last <= first:
        return ()
    rng = np.random.default_rng(seed)
    count = int(rng.poisson(gusts.per_min * (last - first) / 60.0))
    times = np.sort(rng.uniform(first, last, count))
    sizes = rng.exponential(gusts.strength_arcsec, count)
    angle = np.radians(gusts.axis_deg + rng.uniform(-gusts.scatter_deg, gusts.scatter_deg, count))
    return tuple(
        Push(float(t), float(s * np.cos(a)), float(s * np.sin(a)))
        for t, s, a in zip(times, sizes, angle, strict=True)
    )


def polar_axis(mount: Mount, site: Site) -> Floats:
    """The tracker's axis, its northern end, as a unit vector (meridian, east, pole)."""
    hemisphere = 1.0 if site.latitude_deg >= 0 else -1.0
    latitude = np.radians(site.latitude_deg)
    altitude = abs(latitude) + np.radians(mount.axis_alt_error_arcmin / 60.0)
    east_angle = np.radians(mount.axis_az_error_arcmin / 60.0)
    # The elevated end over the horizon: east, poleward along the meridian, up.
    east = np.cos(altitude) * np.sin(east_angle)
    north = hemisphere * np.cos(altitude) * np.cos(east_angle)
    up = np.sin(altitude)
    meridian = -north * np.sin(latitude) + up * np.cos(latitude)
    pole = north * np.cos(latitude) + up * np.sin(latitude)
    return hemisphere * np.array([meridian, east, pole])


@dataclass(frozen=True, slots=True)
class Tracker:
    """A camera on a tracker, known at one moment and carried on from there.

    Attributes
    ----------
    mount, site
    tracking : str
        A name in `TRACKING_RATES`.
    anchor_s : float
        The moment at which the attitude is known.
    anchor : ndarray, shape (3, 3)
        That attitude: rows are the sensor's right, the sensor's down and the line of sight.
    aimed_s : float
        When the camera was aimed; slip and knocks count from here.
    pushes : tuple of Push
        The gusts of the run.
    """

    mount: Mount
    site: Site
    tracking: str
    anchor_s: float
    anchor: Floats
    aimed_s: float
    pushes: tuple[Push, ...] = ()

    def attitude(self, at_s: Floats) -> Floats:
        """Attitudes at some times, shape (t, 3, 3); rows right, down, line of sight."""
        at = np.atleast_1d(np.asarray(at_s, dtype=np.float64))
        anchor = np.array([self.anchor_s])
        turned = self._drive(at) - self._drive(anchor)
        # The sky turns about the pole by minus the angle; so does the camera about its axis.
        carry = Rotation.from_rotvec(-turned[:, None] * polar_axis(self.mount, self.site))
        frame = np.einsum("ij,tkj->tik", self.anchor, carry.as_matrix())
        frame = self._sag(frame, at, anchor)
        dx, dy = self.thrown(at) - self.thrown(anchor)
        # A picture thrown by (dx, dy): vectors in the camera turn about (-dy, dx).
        throw = Rotation.from_rotvec(np.stack([-dy, dx, np.zeros_like(dx)], axis=-1) * ARCSEC)
        return np.asarray(np.einsum("tij,tjk->tik", throw.as_matrix(), frame))

    def _drive(self, at_s: Floats) -> Floats:
        """Angle the drive has turned through, radians, from an arbitrary zero."""
        rate = TRACKING_RATES[self.tracking] * (1.0 + self.mount.rate_error)
        angle = EARTH_RAD_PER_S * rate * at_s
        if rate == 0.0:
            return angle
        phase = 2.0 * np.pi * at_s / self.mount.periodic_s
        wave = np.sin(phase + np.radians(self.mount.periodic_phase_deg))
        return np.asarray(angle + self.mount.periodic_arcsec * ARCSEC * wave)

    def slip_arcsec(self, at_s: Floats) -> Floats:
        """How far a horizontal camera would have slipped since it was aimed."""
        onset = max(self.mount.creep_from_s, self.aimed_s)
        slipping_s = np.maximum(np.minimum(at_s, self.mount.creep_to_s) - onset, 0.0)
        return np.asarray(self.mount.creep_arcsec_per_min * slipping_s / 60.0)

    def _sag(self, frame: Floats, at: Floats, anchor: Floats) -> Floats:
        """Let the line of sight droop: elastically with gravity, and by slipping."""
        if self.mount.elastic_arcsec == 0.0 and self.mount.creep_arcsec_per_min == 0.0:
            return frame
        latitude = np.radians(self.site.latitude_deg)
        down = -np.array([np.cos(latitude), 0.0, np.sin(latitude)])
        torque = np.cross(frame[:, 2], down)  # length: sine of the zenith distance
        torque_then = np.cross(self.anchor[2], down)
        slipped = self.slip_arcsec(at) - self.slip_arcsec(anchor)
        droop = (
            self.mount.elastic_arcsec * (torque - torque_then)
            + slipped[:, None] * torque
            + (self.mount.creep_roll * slipped)[:, None] * frame[:, 2]
        )
        turn = Rotation.from_rotvec(droop * ARCSEC).as_matrix()
        return np.asarray(np.einsum("tij,tkj->tki", turn, frame))

    def thrown(self, at_s: Floats) -> Floats:
        """How far knocks and gusts have thrown the picture, arcsec, shape (2, t)."""
        at = np.asarray(at_s, dtype=np.float64)
        out = np.zeros((2, at.size))
        for knock in self.mount.knocks:
            if knock.at_s >= self.aimed_s:
                out += np.outer([knock.dx_arcsec, knock.dy_arcsec], at >= knock.at_s)
        gusts = self.mount.gusts
        if gusts is not None:
            for push in self.pushes:
                since = np.maximum(at - push.at_s, 0.0)
                swing = np.exp(-since / gusts.decay_s) * np.cos(2 * np.pi * gusts.sway_hz * since)
                out += np.outer([push.dx_arcsec, push.dy_arcsec], swing * (at >= push.at_s))
        return out

    def breaks(self, begin_s: float, end_s: float) -> list[float]:
        """Moments between two times at which the motion jumps."""
        jumps = [knock.at_s for knock in self.mount.knocks] + [push.at_s for push in self.pushes]
        return sorted(t for t in jumps if begin_s < t < end_s)
