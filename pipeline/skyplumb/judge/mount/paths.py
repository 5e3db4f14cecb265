"""The path of the stars across the sensor that each fault of a tracker draws in one exposure."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import rotation
from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S, ObservedSky
from skyplumb.judge.mount.regression import flexure_rate, slip_pull
from skyplumb.judge.mount.result import MountFit

Floats = NDArray[np.float64]


def motion_terms(fit: MountFit, light: Light, steps: int = 9) -> dict[str, Floats] | None:
    """Path of the stars across the sensor that each fault draws during one exposure.

    Returns
    -------
    dict of str to ndarray, shape (steps, 2)
        Pixels from the path's own mean, evenly spaced in time (see `time_mean`): axis, drive,
        slip and refraction. None if the frame or the mount is not known, and of a frame without a
        time, whose attitude is held against the stars while the mount's may be against the Earth.
    """
    pointing = light.pointing
    camera, frame = pointing.camera, pointing.sky
    if (
        not pointing.solved
        or camera is None
        or frame is None
        or not light.timed
        or frame.observed != fit.earth_fixed
        or not np.isfinite(fit.axis_rate).all()
    ):
        return None
    exposure = light.info.exposure_s
    around = np.linspace(-0.5, 0.5, steps) * exposure
    now = light.mid_s + around
    turns: dict[str, Floats] = {}
    u, v, epsilon = fit.axis_rate
    turns["axis"] = -SIDEREAL_RATE_ARCSEC_S * np.outer(around, [u, v, 0.0])
    drive = -SIDEREAL_RATE_ARCSEC_S * around * epsilon
    if fit.periodic is not None:
        phase = 2 * np.pi * now / fit.periodic.period_s
        drive = drive + fit.periodic.sine * np.sin(phase) + fit.periodic.cosine * np.cos(phase)
    turns["drive"] = np.outer(drive, [0.0, 0.0, 1.0])
    slip = np.zeros((steps, 3))
    if frame.site is not None:
        phi = np.radians(frame.site.latitude_deg)
        zenith = np.array([np.cos(phi), 0.0, np.sin(phi)])
        if np.isfinite(fit.slip_arcsec_per_min):
            a_minute = np.maximum(now - fit.slip_onset_s, 0) * fit.slip_arcsec_per_min
            a_minute = a_minute + around * fit.slip_before_arcsec_per_min
            pull = slip_pull(zenith, pointing.attitude[2], fit.slips_evenly)
            slip = slip + np.outer(a_minute / 60 / max(fit.slip_sin_zenith, 1e-3), pull)
        if np.isfinite(fit.flexure_arcsec):
            flexure = fit.flexure_arcsec * flexure_rate(zenith, pointing.attitude[2])
            slip = slip + np.outer(around, flexure)
    turns["slip"] = slip
    out: dict[str, Floats] = {}
    for name, turn in turns.items():
        # The camera turns one way, the stars in its picture the other.
        body = turn @ pointing.attitude.T / RAD_TO_ARCSEC
        path = camera.focal_px * np.stack([-camera.parity * body[:, 1], body[:, 0]], 1)
        out[name] = path - time_mean(path)
    out["refraction"] = refraction_path(light, around)
    return out


def time_mean(values: Floats) -> Floats:
    """Average over an exposure of values at evenly spaced moments, both ends among them.

    Simpson's rule along the first axis, of odd length: exact for the square of an even drift.
    """
    weight = np.full(len(values), 2.0)
    weight[1::2] = 4.0
    weight[[0, -1]] = 1.0
    return np.asarray(np.tensordot(weight / weight.sum(), values, axes=1))


def refraction_path(light: Light, around: Floats) -> Floats:
    """How changing refraction moves a star in the picture of a camera that follows the pole."""
    pointing = light.pointing
    camera, frame = pointing.camera, pointing.sky
    still = np.zeros((len(around), 2))
    if camera is None or frame is None or frame.site is None or frame.utc is None:
        return still
    ra, dec = frame.icrs(pointing.middle_direction()[None, :])
    ends = []
    for seconds in (float(around[0]), float(around[-1])):
        then = ObservedSky(frame.utc + timedelta(seconds=seconds), frame.site)
        back = rotation(np.array([0, 0, SIDEREAL_RATE_ARCSEC_S / RAD_TO_ARCSEC * seconds]))
        ends.append(then.directions(ra, dec)[0] @ back.T)
    places = camera.project(np.array(ends) @ pointing.attitude.T)
    if not np.isfinite(places).all():
        return still
    return np.asarray(np.outer(around / (around[-1] - around[0]), places[1] - places[0]))
