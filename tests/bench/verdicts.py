"""The verdict a frame deserves, from what is true of it: the one place that defines "right".

The shipped rules are applied to the truth instead of to what was measured. A frame counts only
if its verdict is the same with every true number moved by its margin towards either side, so
that a frame near a limit proves nothing either way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skyplumb.intake.rules import Limits

VERDICTS = ("keep", "doubtful", "reject")
MARGIN_PX = 0.5
MARGIN_WIDTH = 0.08
"""Of the run's best width: 0.13 to 0.36 px on the lenses of the bench."""
MARGIN_MAG = 0.1
MARGIN_SKY = 0.1
"""Share of the limit."""

DEFINITION = f"""\
Truth verdict: the shipped rules, each applied to the drawn truth of a frame and its run:
  trail_px, trail_of_fwhm   equivalent uniform trail, sqrt(12 (l1 - l2)) of the path in the middle
  doubled_px                size of a knock with 15 % of the light or more on either side
  worst corner              doubtful where the trail there passes the reject limit
  fwhm_of_best              star's width with the path's own narrow axis, over the run's 10th %ile
  extinction_mag            over the run's 10th percentile
  sky_of_darkest            over the run's 10th percentile
A frame counts if its verdict is the same with every number moved up and down by {MARGIN_PX:g} px
({MARGIN_WIDTH:g} of the best width for fwhm_of_best, {MARGIN_MAG:g} mag, {MARGIN_SKY:.0%} of the sky limit).
Right is the same word of keep, doubtful, reject; doubtful for either other is wrong."""  # noqa: E501


@dataclass(frozen=True, slots=True)
class TruthVerdict:
    """What a frame deserves."""

    verdict: str
    clear: bool
    """Not near a limit."""


@dataclass(frozen=True, slots=True)
class _Check:
    """One true number against one rule."""

    value: float
    keep_up_to: float
    reject_over: float
    margin: float

    def severity(self, moved: int) -> int:
        value = self.value + moved * self.margin
        return int(value > self.keep_up_to) + int(value > self.reject_over)


def run_verdicts(frames: Sequence[Mapping[str, Any]], limits: Limits) -> list[TruthVerdict]:
    """Verdicts of the light frames of one run from their entries in truth.json."""
    out = []
    for checks in _run_checks(frames, limits):
        low, right, high = (
            max(check.severity(moved) for check in checks.values()) for moved in (-1, 0, 1)
        )
        out.append(TruthVerdict(VERDICTS[right], low == high))
    return out


def true_excess(frames: Sequence[Mapping[str, Any]], limits: Limits) -> list[dict[str, float]]:
    """How far the true numbers of each frame of a run are past each rule, 1 at its keep limit.

    A width counts by the blur that was added to the best one, so that it can be set beside a
    trail; a sky by its brightness.
    """
    out = []
    for checks in _run_checks(frames, limits):
        past = {rule: check.value / check.keep_up_to for rule, check in checks.items()}
        wide, sky = checks["fwhm_of_best"], checks["sky_of_darkest"]
        added = max(wide.value**2 - 1, 0.0) / (wide.keep_up_to**2 - 1)
        past["fwhm_of_best"] = float(np.sqrt(added))
        past["sky_of_darkest"] = float(np.exp(sky.value - sky.keep_up_to))
        out.append(past)
    return out


def _run_checks(frames: Sequence[Mapping[str, Any]], limits: Limits) -> Iterator[dict[str, _Check]]:
    """The checks of each frame of one run against that run's best."""
    widths = [true_width_px(frame) for frame in frames]
    best = float(np.percentile(widths, 10))
    clearest = float(np.percentile([frame["extinction_mag"] for frame in frames], 10))
    darkest = float(np.percentile([frame["sky_level"] for frame in frames], 10))
    for frame, width in zip(frames, widths, strict=True):
        yield _checks(frame, limits, width, best, clearest, darkest)


def true_width_px(frame: Mapping[str, Any]) -> float:
    """FWHM across the trail: the lens and what the path blurs alike in all directions."""
    blur = 8.0 * np.log(2.0) * frame["trail_minor_px"] ** 2 / 12.0
    return float(np.sqrt(frame["psf_fwhm_px"] ** 2 + blur))


def _checks(
    frame: Mapping[str, Any],
    limits: Limits,
    width: float,
    best: float,
    clearest: float,
    darkest: float,
) -> dict[str, _Check]:
    trail, relative = limits.trail_px, limits.trail_of_fwhm
    double, fwhm = limits.doubled_px, limits.fwhm_of_best
    cloud, sky = limits.extinction_mag, limits.sky_of_darkest
    return {
        "trail_px": _Check(frame["trail_px"], trail.keep_up_to, trail.reject_over, MARGIN_PX),
        "trail_of_fwhm": _Check(
            frame["trail_px"], relative.keep_up_to * best, relative.reject_over * best, MARGIN_PX
        ),
        "trail_worst_px": _Check(frame["trail_worst_px"], trail.reject_over, np.inf, MARGIN_PX),
        "doubled_px": _Check(
            frame["doubled_px"] or 0.0, double.keep_up_to, double.reject_over, MARGIN_PX
        ),
        "fwhm_of_best": _Check(width / best, fwhm.keep_up_to, fwhm.reject_over, MARGIN_WIDTH),
        "extinction_mag": _Check(
            frame["extinction_mag"] - clearest, cloud.keep_up_to, cloud.reject_over, MARGIN_MAG
        ),
        # The margin is a share, so it is taken of the logarithm.
        "sky_of_darkest": _Check(
            float(np.log(frame["sky_level"] / darkest)),
            float(np.log(sky.keep_up_to)),
            float(np.log(sky.reject_over)),
            MARGIN_SKY,
        ),
    }
