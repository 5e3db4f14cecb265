"""The camera's attitude from moment to moment, under the faults of its tracker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .heavens import EARTH_RAD_PER_S
from .scene import TRACKING_RATES, DrawnSite, Gusts, Mount

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


def polar_axis(mount: Mount, site: DrawnSite) -> Floats:
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
    site: DrawnSite
    tracking: str
    anchor_s: float
    anchor: Floats
    aimed_s: float
    pushes: tuple[Push, ...] = ()

    def attitude(self, at_s: Floats) -> Floats:
        """Attitudes at some times, shape (t, 3, 3); rows right, down, line of sight."""
        at = np.atleast_1d(np.asarray(at_s, dtype=np.float64))
        anchor = np.array([self.anchor_s])
        dx, dy = self.thrown(at) - self.thrown(anchor)
        # A picture thrown by (dx, dy): vectors in the camera turn about (-dy, dx). A camera
        # that turns one way sees them turn the other.
        turn = np.stack([-dy, dx, np.zeros_like(dx)], axis=-1)
        if self.mount.flexure_arcsec or self.mount.slip_arcsec_per_min:
            turn -= self._flexure_and_slip(at) - self._flexure_and_slip(anchor)
        turned = Rotation.from_rotvec(turn * ARCSEC).as_matrix()
        return np.asarray(np.einsum("tij,tjk->tik", turned, self._carried(at)))

    def _carried(self, at: Floats) -> Floats:
        """Attitudes from the drive alone: as the sky turns by minus the angle, so it carries."""
        angle = self._drive(at) - self._drive(np.array([self.anchor_s]))
        carry = Rotation.from_rotvec(-angle[:, None] * polar_axis(self.mount, self.site))
        return np.asarray(np.einsum("ij,tkj->tik", self.anchor, carry.as_matrix()))

    def _drive(self, at_s: Floats) -> Floats:
        """Angle the drive has turned through, radians, from an arbitrary zero."""
        rate = TRACKING_RATES[self.tracking] * (1.0 + self.mount.rate_error)
        angle = EARTH_RAD_PER_S * rate * at_s
        if rate == 0.0:
            return angle
        phase = 2.0 * np.pi * at_s / self.mount.periodic_s
        wave = np.sin(phase + np.radians(self.mount.periodic_phase_deg))
        return np.asarray(angle + self.mount.periodic_arcsec * ARCSEC * wave)

    def _torque(self, at: Floats) -> Floats:
        """Gravity's pull on the line of sight, in the camera's frame, shape (t, 3).

        As long as the sine of the zenith distance; a camera that slips turns about it.
        """
        latitude = np.radians(self.site.latitude_deg)
        down = -np.array([np.cos(latitude), 0.0, np.sin(latitude)])
        right, below, _ = np.moveaxis(self._carried(at) @ down, -1, 0)
        return np.stack([-below, right, np.zeros_like(right)], axis=-1)

    def _flexure_and_slip(self, at: Floats) -> Floats:
        """How the camera has given way, arcsec about its own axes, shape (t, 3).

        Elastically it follows gravity's present pull; slipping adds up what gravity pulled
        since the onset, while the camera turned under it.
        """
        mount = self.mount
        onset = max(mount.slip_from_s, self.aimed_s)
        span = np.maximum(np.minimum(at, mount.slip_to_s) - onset, 0.0)
        nodes, weights = np.polynomial.legendre.leggauss(5)
        slip = np.zeros((at.size, 3))
        for node, weight in zip(nodes, weights, strict=True):
            slip += weight / 2.0 * self._torque(onset + span * (node + 1.0) / 2.0)
        slipped = (mount.slip_arcsec_per_min * span / 60.0)[:, None]
        roll = np.array([0.0, 0.0, mount.slip_roll])
        return np.asarray(mount.flexure_arcsec * self._torque(at) + slipped * (slip + roll))

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
