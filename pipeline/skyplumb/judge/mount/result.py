"""What the pointings of one setup say of its tracker, in the words of the trade."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from skyplumb.records import NAN

Floats = NDArray[np.float64]

HALF_SPEED, HALF_RATE, HALF_WITHIN = "half speed", -0.5, 0.01
"""A rate that drives have for pictures with a landscape: its name, its difference from the sky's
over that, and within how much it is known."""
NAMED_RATES = (
    ("lunar rate", -0.0237, 1.5e-3),
    ("solar rate", -0.00273, 2e-4),
    (HALF_SPEED, HALF_RATE, HALF_WITHIN),
    ("not tracking", -1.0, 0.02),
)
BACKWARDS = "turning the wrong way"
"""Name of the rate of a drive that is set for the other hemisphere."""

PERIODS_ALIKE = (
    "frames in so even a rhythm show a periodic error of {periods} s alike; a run of frames of one "
    "target, or uneven pauses, would tell which it is"
)
SMALL_ARCMIN = 12.0
"""A range of an axis error as wide as this is told as a number, whatever its value."""
TURNS_BACK = (-3.0, -1.1)
"""Rate errors of a drive that turns against the sky: -2 where it keeps the sky's rate."""


def turns_back(error: float) -> bool:
    """Whether a rate error is that of a drive set for the other hemisphere."""
    return bool(TURNS_BACK[0] < error < TURNS_BACK[1])


def rate_name_of(error: float, sigma: float) -> str:
    """Name of a rate that is a known one other than sidereal; empty else.

    Parameters
    ----------
    error, sigma : float
        Of the rate, over the sky's; a sigma that is not known (NaN) does not count.
    """
    for name, rate, tolerance in NAMED_RATES:
        if abs(error - rate) < max(tolerance, np.fmin(3 * sigma, 0.1 * abs(rate))):
            return name
    return BACKWARDS if turns_back(error) else ""


@dataclass(frozen=True, slots=True)
class Periodic:
    """A periodic error along right ascension."""

    period_s: float
    sine: float
    cosine: float
    """Arcsec about the axis, of the motion itself (averaging over exposures undone)."""

    @property
    def amplitude_arcsec(self) -> float:
        return float(np.hypot(self.sine, self.cosine))

    def period_sigma_s(self, noise_arcsec: float, span_s: float) -> float:
        """Error of the period by that of sine and cosine: of a frequency it is sqrt(6) sigma_A /
        (pi A T) (from memory, regular sampling)."""
        cycles = np.pi * max(self.amplitude_arcsec, 1e-9) * span_s
        return float(np.sqrt(6) * noise_arcsec / cycles * self.period_s**2)


@dataclass(frozen=True, slots=True)
class MountFit:
    """The tracker of one setup. Angles as `summary.json` names them; NaN with a `why_not`."""

    setup: int = 0
    frames: int = 0
    why_not: str = ""
    earth_fixed: bool = True
    """False if site or UTC were unknown: the axis error then has no direction."""
    rate_known: bool = True
    """False if the drive was taken to be right, to tell a slip from it."""
    axis_rate: Floats = field(default_factory=lambda: np.full(3, np.nan))
    """u, v (rad) and epsilon (fraction), see the module's words."""
    covariance: Floats = field(default_factory=lambda: np.full((3, 3), np.nan))
    periodic: Periodic | None = None
    periodic_sigma: tuple[float, float] = (NAN, NAN)
    """Of amplitude (arcsec) and period (s)."""
    slip_arcsec_per_min: float = NAN
    """Downwards, mean of the frames from the onset of a slip on. NaN if none is seen."""
    slip_sin_zenith: float = NAN
    """Mean sine of their zenith distance, with which a slip goes."""
    slip_sigma: float = NAN
    slip_onset_s: float = NAN
    slips_evenly: bool = False
    """Its speed does not go with that sine."""
    slip_from_start: bool = False
    """It slipped before the first frame already; the onset stands for that."""
    slip_before_arcsec_per_min: float = 0.0
    """Where it slipped all along and by more from the onset on: the mean before that."""
    flexure_arcsec: float = NAN
    """Droop of a horizontal camera."""
    flexure_sigma: float = NAN
    residual_arcsec: float = NAN
    """Robust scatter of the pointings about the fit."""
    misfit: float = NAN
    """Median residual of the worst pointing's frames over its expectation: one axis for all
    leaves about 1 where there is one."""
    latitude_deg: float = NAN
    span_s: float = NAN
    untracked: frozenset[str] = frozenset()
    """Files of the frames during which the camera stood still; no figure above is of them."""
    half_speed: frozenset[str] = frozenset()
    """The same of those during which the drive ran at half speed, while others tell of it."""
    degenerate_with: tuple[str, ...] = ()
    """Faults that this evidence cannot tell apart, in words."""
    models: tuple[tuple[float, MountFit], ...] = ()
    """What may have moved the frames and how likely it is, the likeliest first, where more than one
    is, or where the likeliest is not to be told as a number; empty where this fit is all."""
    by_trails: bool = False
    """Found from what single frames drew, since the aim moved between them."""
    sign_known: bool = True
    """False where the opposite of all drifts would have drawn the same trails."""
    may_be_none: bool = False
    """Of trails: whether an axis without error would have drawn them about as well."""
    axis_range_arcmin: tuple[float, float] = (NAN, NAN)
    """Total axis error over all models, 95 %, where no one number is told."""

    @property
    def unknown(self) -> bool:
        """Whether nothing tells what the mount did, nor what it may have done."""
        return bool(self.why_not) and not self.models

    def while_taking(self, files: Sequence[str]) -> MountFit:
        """The tracker as it was set for most of these frames: as it is, or at half speed."""
        if 2 * sum(file in self.half_speed for file in files) <= len(files):
            return self
        # The same axis turns the camera half as fast, and its error with it.
        slower = (1 + HALF_RATE) / (1 + np.nan_to_num(self.axis_rate[2]))
        rate, covariance = slower * self.axis_rate, slower**2 * self.covariance
        rate[2], covariance[2], covariance[:, 2] = HALF_RATE, 0.0, 0.0
        covariance[2, 2] = HALF_WITHIN**2
        return replace(
            self, rate_known=True, axis_rate=rate, covariance=covariance, degenerate_with=()
        )

    def or_of_another_period(self, alike: Sequence[tuple[float, float]]) -> MountFit:
        """The fit where other periods (s), with their amplitudes (arcsec), explain as much."""
        if not alike or self.periodic is None:
            return self
        periods, amplitudes = np.array(alike).T
        off = np.abs(amplitudes - self.periodic.amplitude_arcsec).max()
        away = np.abs(periods - self.periodic.period_s).max()
        own = self.periodic_sigma
        said = " or ".join(f"{one:.0f}" for one in sorted((*periods, self.periodic.period_s)))
        return replace(
            self,
            periodic_sigma=(float(np.hypot(own[0], off)), float(np.hypot(own[1], away))),
            degenerate_with=(*self.degenerate_with, PERIODS_ALIKE.format(periods=said)),
        )

    @property
    def candidates(self) -> tuple[tuple[float, MountFit], ...]:
        """Shares and fits of what may have moved the frames; this fit alone where it is all."""
        return self.models or ((1.0, self),)

    def slip_began(self, reading: datetime | None, at_s: float) -> datetime | None:
        """When the head let go, by a clock that read this at `at_s` of the session's time line.

        None without a clock or a slip, or where it slipped before the first frame already.
        """
        if reading is None or self.slip_from_start or not np.isfinite(self.slip_onset_s):
            return None
        return reading + timedelta(seconds=round(self.slip_onset_s - at_s))

    @property
    def backwards(self) -> bool:
        """Whether the drive turned against the sky: it is set for the other hemisphere."""
        return turns_back(float(self.axis_rate[2]))

    @property
    def directed(self) -> bool:
        """Whether the axis error has a direction that is known."""
        return self.earth_fixed and self.sign_known

    @property
    def hemisphere(self) -> float:
        return 1.0 if not self.latitude_deg < 0 else -1.0

    @property
    def _elevated_end(self) -> Floats:
        """Of the axis, times its speed: towards east, away from the equator, up."""
        u, v, epsilon = self.axis_rate
        phi = np.radians(abs(self.latitude_deg))
        u, v, z = self.hemisphere * u, self.hemisphere * v, 1 + epsilon
        return np.array([v, z * np.cos(phi) - u * np.sin(phi), u * np.cos(phi) + z * np.sin(phi)])

    @property
    def axis_alt_error_arcmin(self) -> float:
        """Elevated end of the axis too high (+)."""
        if not self.directed:
            return NAN
        east, poleward, up = self._elevated_end
        height = np.degrees(np.arctan2(up, np.hypot(east, poleward)))
        return float(height - abs(self.latitude_deg)) * 60

    @property
    def axis_az_error_arcmin(self) -> float:
        """Elevated end too far east (+), measured along the horizon."""
        if not self.directed:
            return NAN
        east, poleward, _ = self._elevated_end
        return float(np.degrees(np.arctan2(east, poleward))) * 60

    @property
    def axis_total_error_arcmin(self) -> float:
        """On the sky, from the true pole."""
        u, v, epsilon = self.axis_rate
        return float(np.degrees(np.arctan2(np.hypot(u, v), 1 + epsilon))) * 60

    @property
    def axis_sigmas_arcmin(self) -> tuple[float, float, float]:
        """One-sigma errors of altitude, azimuth and total error."""
        speed = abs(1 + self.axis_rate[2])  # a slow drive shows little of its axis
        sigma = np.degrees(np.sqrt(np.maximum(np.diag(self.covariance), 0))) * 60 / speed
        u, v = self.axis_rate[:2]
        size = max(float(np.hypot(u, v)), 1e-9)
        slope = np.array([u, v]) / size
        total = float(np.degrees(np.sqrt(slope @ self.covariance[:2, :2] @ slope)) * 60 / speed)
        if not self.directed:
            return NAN, NAN, total
        flat = np.cos(np.radians(self.latitude_deg))
        return float(sigma[0]), float(sigma[1] / flat), total

    @property
    def axis_told(self) -> bool:
        """Whether the axis's two parts are known to a third of its size, or to four arcminutes."""
        speed = abs(1 + self.axis_rate[2])
        largest = float(np.sqrt(np.maximum(np.diag(self.covariance)[:2], 0)).max())
        known = max(self.axis_total_error_arcmin, SMALL_ARCMIN)
        return not 3 * np.degrees(largest) * 60 / speed > known

    @property
    def rate_error_ppm(self) -> float:
        """Drive too fast (+)."""
        if not self.rate_known:
            return NAN
        if np.isnan(self.axis_rate[0]):
            return float(self.axis_rate[2] * 1e6)  # a drive that stands still shows no axis
        return float(np.linalg.norm(self.axis_rate + np.array([0.0, 0.0, 1.0])) - 1) * 1e6

    @property
    def rate_sigma_ppm(self) -> float:
        if not self.rate_known:
            return NAN
        return float(np.sqrt(max(self.covariance[2, 2], 0)) * 1e6)

    @property
    def rate_name(self) -> str:
        """Name of the rate where it is a known one other than sidereal; empty else."""
        return rate_name_of(self.rate_error_ppm * 1e-6, self.rate_sigma_ppm * 1e-6)
