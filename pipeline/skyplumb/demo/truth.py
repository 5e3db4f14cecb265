"""What is true of a drawn frame: pointing, motion, and how much of it each fault made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .exposure import DrawnExposure, without_faults
from .scene import Mount, Night
from .tracker import Tracker, polar_axis

Floats = NDArray[np.float64]

LABELLED_AT: Mapping[str, float] = {
    "trail_px": 1.5,
    "doubled_px": 1.5,
    "focus_ratio": 1.25,
    "extinction_mag": 0.4,
    "sky_ratio": 2.0,
}
"""A frame is given a cause once a truth passes one of these: a way to label, not a verdict."""

DOUBLED_SHARE = 0.15
"""A knock doubles the stars if each rest holds at least this share of the light."""


def trail_of(path: Floats, weights: Floats) -> tuple[float, float, float]:
    """Equivalent uniform trail of a motion.

    Parameters
    ----------
    path : ndarray, shape (t, 2)
        Pixel positions, +x right and +y down.
    weights : ndarray, shape (t,)
        Light at each.

    Returns
    -------
    length_px : float
        sqrt(12 (l1 - l2)) of the path's covariance: the straight uniform trail with the same
        difference between its long and its short axis.
    minor_px : float
        sqrt(12 l2): what blurs alike in all directions, as a length.
    angle_deg : float
        Long axis, from +x right towards +y down, -90..90; NaN without any motion.
    """
    share = weights / weights.sum()
    off = path - share @ path
    xx, yy, xy = share @ off[:, 0] ** 2, share @ off[:, 1] ** 2, share @ (off[:, 0] * off[:, 1])
    half, split = (xx + yy) / 2.0, np.hypot((xx - yy) / 2.0, xy)
    angle = np.degrees(np.arctan2(2.0 * xy, xx - yy) / 2.0) if split > 0 else np.nan
    return (
        float(np.sqrt(24.0 * split)),
        float(np.sqrt(12.0 * max(half - split, 0.0))),
        float(angle),
    )


def frame_truth(exposure: DrawnExposure) -> dict[str, Any]:
    """All that is known of one light frame, ready for JSON; see the module for the words."""
    optics, ticks = exposure.optics, exposure.ticks()
    weights = 10.0 ** (-0.4 * exposure.extinction_mag(ticks))
    middle = exposure.mid_s
    marks = np.vstack([optics.centre, optics.corners])
    path = exposure.path(exposure.apparent_at(marks, middle), ticks)
    trails = [trail_of(track, weights) for track in path if np.isfinite(track).all()]
    length, minor, angle = trails[0]
    ends = exposure.path(
        exposure.apparent_at(optics.centre[None], middle),
        np.array([exposure.begin_s, exposure.end_s]),
    )[0]
    ra, dec, roll = pointing(exposure, middle)
    xx, yy, xy = optics.shape(optics.centre, exposure.hours_into_run)
    fwhm = float((xx * yy - xy * xy) ** 0.25)
    sight = exposure.tracker.attitude(np.array([middle]))[0, 2]
    altitude = float(np.degrees(np.arcsin(sight @ exposure.dome.zenith)))
    budget = fault_budget(exposure)
    doubled = _doubled_px(exposure)
    extinction = abs(float(2.5 * np.log10(weights.mean()))) + _patches_mag(exposure)
    sky = exposure.sky_electrons() / exposure.night.body.gain_e_per_dn
    causes = _causes(exposure, budget, length, doubled, fwhm / optics.lens.fwhm_px, extinction)
    return {
        "ra_deg": ra,
        "dec_deg": dec,
        "roll_pa_deg": roll,
        "scale_arcsec_px": optics.scale_arcsec_px,
        "altitude_deg": altitude,
        "trail_px": length,
        "trail_minor_px": minor,
        "trail_angle_deg": angle if np.isfinite(angle) else None,
        "trail_worst_px": max(trail[0] for trail in trails),
        "drift_px": float(np.hypot(*(ends[1] - ends[0]))),
        "doubled_px": doubled,
        "psf_fwhm_px": fwhm,
        "extinction_mag": extinction,
        "sky_level": sky,
        "budget_px": budget,
        "causes": causes,
        "cause": max(causes, key=lambda name: causes[name]) if causes else "none",
    }


def pointing(exposure: DrawnExposure, at_s: float) -> tuple[float, float, float]:
    """ICRS place seen in the middle of the picture and position angle of up, degrees."""
    optics = exposure.optics
    above = optics.centre - np.array([0.0, 20.0])
    ra, dec = exposure.place_at(np.vstack([optics.centre, above]), at_s)
    (a, b), (d, e) = np.radians(ra), np.radians(dec)
    # Position angle of the second place from the first (spherical triangle with the pole).
    east = np.sin(b - a) * np.cos(e)
    north = np.cos(d) * np.sin(e) - np.sin(d) * np.cos(e) * np.cos(b - a)
    return float(ra[0]), float(dec[0]), float(np.degrees(np.arctan2(east, north)) % 360.0)


def fault_budget(exposure: DrawnExposure) -> dict[str, float]:
    """Trail in the middle of the picture, px, that each fault would have drawn alone."""
    mount = exposure.night.mount
    perfect = without_faults(mount)
    alone: dict[str, tuple[Mount, str]] = {
        "axis": (
            replace(
                perfect,
                axis_alt_error_arcmin=mount.axis_alt_error_arcmin,
                axis_az_error_arcmin=mount.axis_az_error_arcmin,
            ),
            "sidereal",
        ),
        "drive": (
            replace(
                perfect,
                rate_error=mount.rate_error,
                periodic_arcsec=mount.periodic_arcsec,
                periodic_s=mount.periodic_s,
                periodic_phase_deg=mount.periodic_phase_deg,
            ),
            exposure.run.tracking,
        ),
        "wind": (replace(perfect, gusts=mount.gusts), "sidereal"),
        "slip": (
            replace(
                perfect,
                flexure_arcsec=mount.flexure_arcsec,
                slip_arcsec_per_min=mount.slip_arcsec_per_min,
                slip_from_s=mount.slip_from_s,
                slip_to_s=mount.slip_to_s,
                slip_roll=mount.slip_roll,
            ),
            "sidereal",
        ),
        "knock": (replace(perfect, knocks=mount.knocks), "sidereal"),
    }
    if exposure.run.tracking == "off":
        # Without a turning drive there is no axis or rate to be wrong.
        alone["untracked"] = (perfect, "off")
        del alone["axis"], alone["drive"]
    ticks = exposure.ticks()
    weights = 10.0 ** (-0.4 * exposure.extinction_mag(ticks))
    middle = exposure.mid_s
    centre = exposure.optics.centre[None]
    attitude = exposure.tracker.attitude(np.array([middle]))[0]
    out = {}
    for name, (faulty, tracking) in alone.items():
        tracker = Tracker(
            faulty,
            exposure.night.site,
            tracking,
            middle,
            attitude,
            exposure.run_start_s,
            exposure.pushes if faulty.gusts is not None else (),
        )
        star = exposure.apparent_at(centre, middle, air=False)
        out[name] = trail_of(exposure.path(star, ticks, tracker, air=False)[0], weights)[0]
    if exposure.run.tracking != "off":
        exact = Tracker(
            perfect, exposure.night.site, "sidereal", middle, attitude, exposure.run_start_s
        )
        star = exposure.apparent_at(centre, middle)
        out["refraction"] = trail_of(exposure.path(star, ticks, exact)[0], weights)[0]
    return out


def _patches_mag(exposure: DrawnExposure) -> float:
    """What broken cloud takes of the whole picture's starlight."""
    optics = exposure.optics
    x, y = np.meshgrid(np.linspace(0, optics.width_px, 30), np.linspace(0, optics.height_px, 20))
    mags = exposure.patches_mag(np.stack([x.ravel(), y.ravel()], 1))
    return abs(float(2.5 * np.log10(np.mean(10.0 ** (-0.4 * mags)))))


def _doubled_px(exposure: DrawnExposure) -> float | None:
    """Separation of doubled stars; None unless a knock leaves enough light on either side."""
    for knock in exposure.night.mount.knocks:
        share = (knock.at_s - exposure.begin_s) / exposure.run.exposure_s
        if DOUBLED_SHARE < share < 1.0 - DOUBLED_SHARE:
            size = np.hypot(knock.dx_arcsec, knock.dy_arcsec)
            return float(size / exposure.optics.scale_arcsec_px)
    return None


def _causes(
    exposure: DrawnExposure,
    budget: Mapping[str, float],
    trail_px: float,
    doubled_px: float | None,
    focus_ratio: float,
    extinction_mag: float,
) -> dict[str, float]:
    """What passes `LABELLED_AT`, each as a multiple of it."""
    out: dict[str, float] = {}
    if trail_px > LABELLED_AT["trail_px"]:
        name = max(budget, key=lambda fault: budget[fault])
        out[name] = trail_px / LABELLED_AT["trail_px"]
    if doubled_px is not None and doubled_px > LABELLED_AT["doubled_px"]:
        out["knock"] = max(out.get("knock", 0.0), doubled_px / LABELLED_AT["doubled_px"])
    if focus_ratio > LABELLED_AT["focus_ratio"]:
        out["focus"] = (focus_ratio - 1.0) / (LABELLED_AT["focus_ratio"] - 1.0)
    if extinction_mag > LABELLED_AT["extinction_mag"]:
        out["cloud"] = extinction_mag / LABELLED_AT["extinction_mag"]
    bright = exposure.night.sky.brightening
    if bright:
        times, factors = np.array(bright, dtype=np.float64).T
        now = float(np.interp(exposure.mid_s, times, factors)) / factors.min()
        if now > LABELLED_AT["sky_ratio"]:
            out["bright-sky"] = now / LABELLED_AT["sky_ratio"]
    return out


def mount_truth(night: Night, run_index: int) -> dict[str, float]:
    """The tracker's true numbers during one run, named as in the results."""
    mount, run = night.mount, night.runs[run_index]
    axis = polar_axis(mount, night.site)
    total = np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), abs(axis[2]))) * 60.0
    middle = DrawnExposure(night, run_index, run.frames // 2)
    sight = middle.tracker.attitude(np.array([middle.mid_s]))[0, 2]
    lean = float(np.sqrt(max(1.0 - (sight @ middle.dome.zenith) ** 2, 0.0)))
    slipping = mount.slip_from_s < middle.mid_s < mount.slip_to_s
    return {
        "axis_alt_error_arcmin": mount.axis_alt_error_arcmin,
        "axis_az_error_arcmin": mount.axis_az_error_arcmin,
        "axis_total_error_arcmin": float(total),
        "rate_error_ppm": mount.rate_error * 1e6,
        "periodic_amplitude_arcsec": mount.periodic_arcsec,
        "periodic_period_s": mount.periodic_s,
        "slip_arcsec_per_min": mount.slip_arcsec_per_min * lean if slipping else 0.0,
        "flexure_arcsec": mount.flexure_arcsec,
    }
