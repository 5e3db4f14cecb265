"""A season's model -> where this tracker keeps 90 % and 75 %, focal length against exposure.

For who thinks of a longer lens or another mount: along each exposure the focal length at which the
hit rate falls to a goal, with its 95 % interval, the cells with frames, and one sentence.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

import numpy as np

from skyplumb.digits import duration, significant
from skyplumb.season.cross_validation import SeasonModel
from skyplumb.season.forecast import Crossing, crossing
from skyplumb.season.kit import pixel_pitch
from skyplumb.season.rig import QUICK_DRAWS, Rig
from skyplumb.season.sessions import ARCSEC_PER_RAD_UM_MM, Season

GOALS = (0.90, 0.75)
EXPOSURES_S = (15.0, 30.0, 60.0, 90.0, 120.0, 180.0, 240.0, 360.0, 480.0)
FOCALS_MM = np.geomspace(14, 800, 13)
SAID_S = 120.0
"""The exposure that the sentence is about."""
SHARES = (
    *((0.95, "nineteen of twenty"), (0.9, "nine of ten"), (0.8, "four of five")),
    *((0.75, "three of four"), (2 / 3, "two of three"), (0.5, "one of two")),
    *((1 / 3, "one of three"), (0.25, "one of four"), (0.1, "one of ten")),
)


@dataclass(frozen=True, slots=True)
class Reach:
    """The chart and its sentence."""

    rows: tuple[dict[str, Any], ...]
    """Of the contours (`kind` contour): `goal`, `exposure`, `focal`, `low`, `high`; of the cells
    audited (`kind` seen): `exposure`, `focal`, `told`."""
    sentence: str


def reach(season: Season, model: SeasonModel) -> Reach:
    """Empty where there is no model of the rig, or no pixel pitch is known."""
    pixel_um = pixel_pitch(season, [])
    if model.rig is None or not isfinite(pixel_um):
        return Reach((), "")
    found = {t: _crossings(model.rig, pixel_um, t) for t in EXPOSURES_S}
    rows = [
        {
            "kind": "contour",
            "goal": f"{one.goal:.0%} kept",
            "exposure": t,
            **{
                name: float(np.clip(getattr(one, place), *FOCALS_MM[[0, -1]]))
                for name, place in (("focal", "at"), ("low", "low"), ("high", "high"))
            },
        }
        for t, each in found.items()
        for one in each
        if 0 < one.at < inf
    ]
    return Reach((*rows, *_seen(season)), _sentence(season, model.rig, pixel_um))


def _crossings(rig: Rig, pixel_um: float, exposure_s: float) -> tuple[Crossing, ...]:
    scales = ARCSEC_PER_RAD_UM_MM * pixel_um / FOCALS_MM
    rate = rig.rate(scales, exposure_s, draws=QUICK_DRAWS)
    return tuple(crossing(rate, FOCALS_MM, goal) for goal in GOALS)


def _seen(season: Season) -> list[dict[str, Any]]:
    ours = season.frames[~season.frames["excluded"]]
    keep = (ours["verdict"] == "keep").groupby([ours["focal_mm"], ours["setting_s"]])
    return [
        {
            "kind": "seen",
            "exposure": float(setting),
            "focal": float(focal),
            "told": f"{focal:.4g} mm, {setting:.4g} s: {int(kept)} of {int(judged)} kept",
        }
        for (focal, setting), kept, judged in zip(
            keep.sum().index, keep.sum(), keep.size(), strict=True
        )
    ]


def _sentence(season: Season, rig: Rig, pixel_um: float) -> str:
    """How far it reaches, and what the longest lens audited keeps."""
    one = _crossings(rig, pixel_um, SAID_S)[0]
    time = duration(SAID_S)
    if one.at == 0:
        said = f"In {time} it keeps {_share(one.goal)} with no lens"
    elif one.at == inf:
        said = f"In {time} it keeps {_share(one.goal)} with any lens"
    else:
        said = f"Up to {_mm(one.at)} mm ({_mm(one.low)} to {_mm(one.high)}) and {time} it keeps "
        said += _share(one.goal)
    longest = float(season.runs["focal_mm"].max())
    rate = rig.rate(ARCSEC_PER_RAD_UM_MM * pixel_um / longest, SAID_S)
    low, middle, high = (float(value) for value in (rate.low, rate.middle, rate.high))
    return f"{said}; at {longest:.4g} mm {_share(middle)} ({low:.0%} to {high:.0%})."


def _share(rate: float) -> str:
    """A rate as the fraction that is nearest, as people say it."""
    return min(SHARES, key=lambda one: abs(one[0] - rate))[1]


def _mm(focal: float) -> str:
    if focal == 0:
        return "none"
    return "any" if focal == inf else f"{significant(focal, 2):g}"
