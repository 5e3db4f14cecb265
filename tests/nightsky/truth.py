"""What is true of a drawn night: paths, pointings, faults, and what a frame deserves."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .mount import FAULTS, Aim, Mount
from .night import Night, Shot
from .path import Sightline, moments_of, reference_points

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limit:
    """Up to the first a frame is good, past the second bad; within the margin it proves nothing."""

    good_up_to: float
    bad_over: float
    margin: float

    def grade(self, value: float) -> tuple[int, int]:
        """0 good, 1 between, 2 bad: of the value less and of the value more the margin."""
        low, high = (
            int(moved > self.good_up_to) + int(moved > self.bad_over)
            for moved in (value - self.margin, value + self.margin)
        )
        return low, high


LIMITS = {
    "trail_px": Limit(1.5, 2.5, 0.5),
    "trail_of_fwhm": Limit(1.0, 1.6, 0.2),
    "corner_px": Limit(2.5, np.inf, 0.5),
    "doubled_px": Limit(1.5, 2.5, 0.5),
    "width_of_best": Limit(1.25, 1.4, 0.08),
    "veil_mag": Limit(0.4, 1.0, 0.15),
    "sky_of_darkest": Limit(2.0, 4.0, 0.3),
}
"""The usual limits, which the program ships as its own (common practice, no source)."""

RULE_CAUSES = {
    "width_of_best": "focus",
    "veil_mag": "cloud",
    "sky_of_darkest": "bright-sky",
    "doubled_px": "knock",
}
AT_WORK_PX = 0.3
"""A fault that alone draws less is not at work in a frame."""


def frame_truth(night: Night, number: int) -> dict[str, Any]:
    """All that is true of one frame by itself.

    Lengths in pixels of the sensor; angles in degrees from +x right towards +y down. `trail_px` is
    the even straight trail of the same second moment, sqrt(12 (l1 - l2)) of the path's variances
    along its axes, in the middle of the field; `alone_px` the same of each fault by itself.
    """
    shot, mount, sensor = night.shots[number], night.mount, night.sensor
    sight = Sightline(night, shot, reference_points(night, shot))
    x, y, share = _path(sight, mount, shot)
    moved = [_moments(x[k], y[k], share) for k in range(len(x))]
    centre = moved[0]
    ends = np.array([shot.start_s, shot.start_s + shot.exposure_s])
    drift_x, drift_y = (float(axis[0, 1] - axis[0, 0]) for axis in sight.project(mount, ends))
    middle_s = shot.start_s + shot.exposure_s / 2
    ground = mount.attitude(np.array([middle_s])).apply([0.0, 0.0, 1.0])[0]
    ra, dec = night.place.icrs(ground, middle_s)
    view = _view(night, shot)
    variance = shot.lens.variance_px2(sensor, shot.more_defocus_px)
    return {
        "number": number,
        "start_utc": night.utc(shot.start_s).isoformat(),
        "exposure_s": shot.exposure_s,
        "focal_mm": shot.lens.focal_mm,
        "lens": shot.lens.name,
        "scale_arcsec_px": shot.lens.scale_arcsec_px(sensor),
        "trail_px": centre["length_px"],
        "trail_minor_px": centre["minor_px"],
        "trail_angle_deg": centre["angle_deg"],
        "corner_px": max(one["length_px"] for one in moved[1:]),
        "drift_px": float(np.hypot(drift_x, drift_y)),
        "drift_angle_deg": float(np.degrees(np.arctan2(drift_y, drift_x))),
        "doubled_px": _doubled_px(night, shot),
        "core_minor_px": _core_px(x[0], y[0], share),
        "alone_px": {fault: _alone_px(sight, night, shot, fault) for fault in (*FAULTS, "none")},
        "star_variance_px2": variance,
        "fwhm_px": 2.3548 * float(np.sqrt(variance)),
        "ra_deg": ra,
        "dec_deg": dec,
        "altitude_deg": float(np.degrees(np.arcsin(ground[2]))),
        "azimuth_deg": float(np.degrees(np.arctan2(ground[0], ground[1]))) % 360,
        "hour_angle_deg": night.place.hour_angle_deg(ra, middle_s),
        "roll_deg": _roll_deg(night, shot),
        **view,
    }


def _path(sight: Sightline, mount: Mount, shot: Shot) -> tuple[Floats, Floats, Floats]:
    """Places of the reference points at many instants, and the instants' shares."""
    at_s, share = moments_of(shot, mount, 240)
    x, y = sight.project(mount, at_s)
    return x, y, share


def _moments(x: Floats, y: Floats, share: Floats) -> dict[str, float]:
    """Equivalent even trail of a path: its length, that across it, and its angle."""
    dx, dy = x - x @ share, y - y @ share
    xx, yy, xy = dx**2 @ share, dy**2 @ share, (dx * dy) @ share
    half, apart = (xx + yy) / 2, float(np.hypot((xx - yy) / 2, xy))
    return {
        "length_px": float(np.sqrt(12 * 2 * apart)),
        "minor_px": float(np.sqrt(12 * max(float(half - apart), 0.0))),
        "angle_deg": float(np.degrees(np.arctan2(2 * xy, xx - yy) / 2)),
    }


def _core_px(x: Floats, y: Floats, share: Floats) -> float:
    """How wide the path is by its inner 60 % of the light, as a trail of the same scatter.

    Shaken evenly all through, a star is as wide by its core as by its moments (of a round Gaussian
    the inner 60 % hold 0.39 of the scatter). Shaken for a while, it is a sharp core in a halo.
    """
    square = (x - _median(x, share)) ** 2 + (y - _median(y, share)) ** 2
    order = np.argsort(square)
    near = order[np.cumsum(share[order]) <= 0.6]
    held = float(share[near] @ square[near]) / max(float(share[near].sum()), 1e-9)
    return float(np.sqrt(12 * held / 2 / 0.39))


def _median(values: Floats, share: Floats) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(share[order]), 0.5)])


def _alone_px(sight: Sightline, night: Night, shot: Shot, fault: str) -> float:
    """Trail in the middle that one fault would have drawn on a perfect tracker, refraction too.

    Its whole second moment along its longer axis, sqrt(12 l1), since wind may shake all ways.
    """
    looked = night.mount.attitude(np.array([shot.start_s]))[0]
    alone = replace(night.mount.with_only(fault), aims=(Aim(shot.start_s, looked),))
    at_s, share = moments_of(shot, alone, 60)
    x, y = sight.project(alone, at_s)
    drawn = _moments(x[0], y[0], share)
    return float(np.hypot(drawn["length_px"], drawn["minor_px"]))


def _doubled_px(night: Night, shot: Shot) -> float:
    """How far apart stars stand twice: a knock with 15 % of the light or more on either side."""
    largest = 0.0
    for knock in night.mount.knocks:
        part = (knock.at_s - shot.start_s) / shot.exposure_s
        if 0.15 <= part <= 0.85:
            largest = max(largest, knock.size_arcsec / shot.lens.scale_arcsec_px(night.sensor))
    return largest


def _roll_deg(night: Night, shot: Shot) -> float:
    """Position angle of the sensor's up direction, north through east."""
    at = shot.start_s + shot.exposure_s / 2
    sensor = night.sensor
    x, y = np.full(2, sensor.middle[0]), sensor.middle[1] + np.array([5.0, -5.0])
    ground = night.mount.attitude(np.array([at])).apply(shot.lens.unproject(x, y, sensor))
    (ra, dec), (up_ra, up_dec) = (np.radians(night.place.icrs(one, at)) for one in ground)
    east = np.sin(up_ra - ra) * np.cos(up_dec)
    north = np.cos(dec) * np.sin(up_dec) - np.sin(dec) * np.cos(up_dec) * np.cos(up_ra - ra)
    return float(np.degrees(np.arctan2(east, north))) % 360


def _view(night: Night, shot: Shot) -> dict[str, float]:
    """What stands before the stars: means over the field and the exposure."""
    sensor = night.sensor
    x, y = np.meshgrid(np.linspace(0, sensor.width - 1, 9), np.linspace(0, sensor.height - 1, 7))
    camera = shot.lens.unproject(x.ravel(), y.ravel(), sensor)
    veil, hidden, glow, lost = [], [], [], []
    for part in (0.1, 0.5, 0.9):
        at = shot.start_s + part * shot.exposure_s
        ground = night.mount.attitude(np.array([at])).apply(camera)
        veil.append(night.sky.veil_mag(ground, at))
        lost.append(night.sky.lost_mag(ground, at))
        glow.append(night.sky.glow(ground, at))
        hidden.append(night.land.hides(ground) if night.land else np.zeros(len(ground), bool))
    return {
        "veil_mag": float(np.mean(veil)),
        "veil_worst_mag": float(np.max(np.mean(veil, axis=0))),
        "lost_mag": float(np.mean(lost)),
        "sky_level": float(np.median(glow)),
        "hidden_share": float(np.mean(hidden)),
    }


def night_truth(night: Night, frames: list[dict[str, Any]]) -> dict[str, Any]:
    """All that is true of a night, and of its frames beside one another: what each deserves."""
    mount = night.mount
    altitude = np.radians(abs(night.site.latitude_deg) + mount.altitude_error_arcmin / 60)
    judged = [
        {**frame, **deserved} for frame, deserved in zip(frames, _deserved(frames), strict=True)
    ]
    return {
        "case": night.case,
        "seed": night.seed,
        "site": asdict(night.site),
        "air": asdict(night.air),
        "camera": night.camera,
        "serial": night.serial,
        "axis_alt_error_arcmin": mount.altitude_error_arcmin,
        "axis_az_error_arcmin": mount.azimuth_error_arcmin,
        "axis_total_error_arcmin": float(
            np.hypot(mount.altitude_error_arcmin, mount.azimuth_error_arcmin * np.cos(altitude))
        ),
        "placements": [asdict(one) for one in mount.placements],
        "speed": mount.speed,
        "rate_error_ppm": mount.rate_error_ppm,
        "harmonics": [asdict(one) for one in mount.harmonics],
        "slips": [asdict(one) for one in mount.slips],
        "knocks": [asdict(one) for one in mount.knocks],
        "gusts": [asdict(one) for one in mount.gusts],
        "aims_s": [aim.at_s for aim in mount.aims],
        "frames": judged,
    }


def _deserved(frames: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """`grade`: good, doubtful or bad; `clear`: far from every limit; `cause`; `causes` at work."""
    by_lens: dict[tuple[str, float], list[dict[str, Any]]] = {}
    for frame in frames:
        by_lens.setdefault((frame["lens"], frame["exposure_s"]), []).append(frame)
    return [_one_deserved(f, by_lens[f["lens"], f["exposure_s"]]) for f in frames]


def _one_deserved(frame: dict[str, Any], run: list[dict[str, Any]]) -> dict[str, Any]:
    width = np.array([np.sqrt(f["star_variance_px2"] + f["trail_minor_px"] ** 2 / 12) for f in run])
    own = float(np.sqrt(frame["star_variance_px2"] + frame["trail_minor_px"] ** 2 / 12))
    best = float(np.percentile(width, 10))
    clearest = float(np.percentile([f["veil_mag"] for f in run], 10))
    darkest = float(np.percentile([f["sky_level"] for f in run], 10))
    values = {
        "trail_px": frame["trail_px"],
        "trail_of_fwhm": frame["trail_px"] / (2.3548 * best),
        "corner_px": frame["corner_px"],
        "doubled_px": frame["doubled_px"],
        "width_of_best": own / best,
        "veil_mag": frame["veil_mag"] - clearest,
        "sky_of_darkest": frame["sky_level"] / darkest,
    }
    grades = {rule: LIMITS[rule].grade(value) for rule, value in values.items()}
    # A sharp core in a halo is wide or not as one likes: both have to say the same.
    core = min(frame["core_minor_px"], frame["trail_minor_px"])
    narrow = float(np.sqrt(frame["star_variance_px2"] + core**2 / 12)) / best
    limit = LIMITS["width_of_best"]
    grades["width_of_best"] = limit.grade(narrow)[0], limit.grade(own / best)[1]
    low = max(grade[0] for grade in grades.values())
    high = max(grade[1] for grade in grades.values())
    # A width counts by the blur that was added to the best one.
    past = {rule: value / LIMITS[rule].good_up_to for rule, value in values.items()}
    good = LIMITS["width_of_best"].good_up_to
    past["width_of_best"] = float(
        np.sqrt(max(values["width_of_best"] ** 2 - 1, 0.0) / (good**2 - 1))
    )
    alone = frame["alone_px"]
    perfect = alone["none"]
    worst = max(FAULTS, key=lambda fault: alone[fault])
    by_trail = worst if alone[worst] > max(perfect, AT_WORK_PX) else "refraction"
    first = max(past, key=lambda rule: past[rule])
    cause = RULE_CAUSES.get(first, by_trail)
    stars = np.sqrt([f["star_variance_px2"] for f in run])
    if first == "width_of_best" and own / best > 1.1 * np.sqrt(
        frame["star_variance_px2"]
    ) / np.percentile(stars, 10):
        cause = by_trail  # wide by motion across the trail, not by the lens
    at_work = [fault for fault in FAULTS if alone[fault] > perfect + AT_WORK_PX]
    at_work += [
        RULE_CAUSES[rule]
        for rule in ("width_of_best", "veil_mag", "sky_of_darkest")
        if past[rule] > 1
    ]
    return {
        "grade": ("good", "doubtful", "bad")[min(low, high) if low == high else high],
        "clear": low == high,
        "cause": "none" if high == 0 else cause,
        "at_work": at_work,
        "hidden": frame["hidden_share"] > 0.02,
    }
