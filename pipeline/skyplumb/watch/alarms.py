"""When hands are needed: the newest judged frames -> alarms that begin and end.

One alarm a fault: it begins once three frames in a row show it, never for a single frame, and ends
once three in a row do not. Gusts come and go, so that they begin after ten minutes in which most
frames were shaken, and end after ten in which none was.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from skyplumb.judge.verdict import Judged

IN_A_ROW = 3
"""Frames that begin an alarm or end it."""
GUSTS_S = 600.0
SHAKEN = ("wind", "knock")
HIDDEN = ("cloud", "obstruction")
"""Causes for which frames with too few stars count; others have few all night long."""
SOFT = ("focus",)
TRAILED = frozenset({"trail_px", "trail_of_fwhm", "trail_worst_px"})
WIDE = frozenset({"fwhm_of_best", "fwhm_px", "profile"})
DIM = frozenset({"extinction_mag", "stars_of_run"})
HIDES = DIM | {"min_stars"}
SAME_WAY = 0.9
"""Length of the mean of doubled directions from which on trails lie along one: of three, they
are spread by some 13 degrees then. Three by lot are so alike once in 30 times."""
UNTRACKED = "untracked"


@dataclass(frozen=True, slots=True)
class Told:
    """What one frame says of the faults that hands mend."""

    file: str
    lens: str
    """What tells its camera, lens and exposure from others'."""
    start_s: float
    """On the session's own time line."""
    end_s: float
    trailed: bool
    """Trailed by what goes on from frame to frame: axis, drive or a slip, or not known."""
    axis_deg: float
    """Of the trail in the picture."""
    wide: bool
    dim: bool
    shaken: bool
    stopped: bool
    cause: str
    """The likeliest, named or not."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One that begins or ends."""

    fault: str
    """A key of `FAULTS`."""
    begins: bool
    words: str
    file: str
    """The frame after which it was told."""


@dataclass(frozen=True, slots=True)
class _Fault:
    """What it is, and what to look at."""

    words: str
    over: str


FAULTS = {
    "stopped": _Fault(
        "the sky moves over a camera that stands still: look at the drive's power, clutch and "
        "switch",
        "the drive runs again",
    ),
    "trails": _Fault(
        "trails along one direction: {cause}",
        "no more trails along one direction",
    ),
    "wide": _Fault(
        "stars grow wide: look for dew on the lens, then focus again",
        "stars are narrow again",
    ),
    "dim": _Fault(
        "stars are lost: look for cloud, then for dew on the lens",
        "the stars are back",
    ),
    "gusts": _Fault(
        "ten minutes of gusts: shield the tripod, set it low, weigh it down, or expose shorter",
        "no gust for ten minutes",
    ),
}
_LOOK = {
    "axis": "the polar axis is off; `skyplumb check` tells how to turn it",
    "slip": "the head slips; balance the camera and tighten the head",
    "drive": "the drive runs wrong; set its rate, balance it",
    "refraction": "the target stands low; aim higher",
}
_UNKNOWN = "look whether the head slips and the drive runs; `skyplumb check` tells more"


def told_of(judged: Judged, lens: str) -> Told:
    """What a judged frame says.

    Parameters
    ----------
    judged : Judged
    lens : str
        What tells its camera, lens and exposure from others'.
    """
    facts, light = judged.facts, judged.facts.light
    broken = set(judged.broken)
    exposure = light.info.exposure_s
    trailed = bool(broken & TRAILED)
    cause = judged.likeliest or judged.cause
    shaken = cause in SHAKEN
    stopped = cause == UNTRACKED
    return Told(
        light.file,
        lens,
        light.order_s,
        light.order_s + (exposure if np.isfinite(exposure) else 0.0),
        trailed and not shaken and not stopped,
        facts.motion.trail_angle_deg,
        # A trail widens stars and hides faint ones, unless they are lost to something else more.
        bool(broken & WIDE) and (not trailed or cause in SOFT),
        (bool(broken & DIM) and not trailed) or (bool(broken & HIDES) and cause in HIDDEN),
        shaken,
        stopped,
        cause,
    )


class Alarms:
    """Which alarms hold; each is told once when it begins and once when it ends."""

    def __init__(self) -> None:
        self.on: dict[str, str] = {}
        """Fault to the words it began with."""

    def after(self, frames: Sequence[Told]) -> list[Alarm]:
        """Alarms that begin or end with the last of some frames, in order of time.

        Parameters
        ----------
        frames : sequence of Told
            The newest of the night; earlier ones may be missing, later verdicts of the same frame
            take the place of earlier ones.
        """
        if not frames:
            return []
        out = []
        for fault in FAULTS:
            begins, ends = _STATES[fault](frames)
            if fault not in self.on and begins:
                self.on[fault] = _words(fault, frames)
                out.append(Alarm(fault, True, self.on[fault], frames[-1].file))
            elif fault in self.on and ends:
                del self.on[fault]
                out.append(Alarm(fault, False, FAULTS[fault].over, frames[-1].file))
        return out


def _words(fault: str, frames: Sequence[Told]) -> str:
    causes = [one.cause for one in frames[-IN_A_ROW:]]
    same = _LOOK.get(causes[0], _UNKNOWN) if len(set(causes)) == 1 else _UNKNOWN
    return FAULTS[fault].words.format(cause=same)


def _last(frames: Sequence[Told]) -> Sequence[Told]:
    """The last few of one lens; none while another one has fewer, which prove nothing."""
    last = frames[-IN_A_ROW:]
    return last if len(last) == IN_A_ROW and len({one.lens for one in last}) == 1 else ()


def _in_a_row(shows: Callable[[Told], bool]) -> Callable[[Sequence[Told]], tuple[bool, bool]]:
    def state(frames: Sequence[Told]) -> tuple[bool, bool]:
        last = _last(frames)
        seen = [shows(one) for one in last]
        return bool(seen) and all(seen), bool(seen) and not any(seen)

    return state


def _trails(frames: Sequence[Told]) -> tuple[bool, bool]:
    last = _last(frames)
    trailed = [one for one in last if one.trailed]
    begins = len(trailed) == IN_A_ROW and _one_way([one.axis_deg for one in trailed])
    return begins, bool(last) and not trailed


def _one_way(axes_deg: Sequence[float]) -> bool:
    """Whether axes (modulo 180 degrees) lie along one direction."""
    mean = np.mean(np.exp(2j * np.radians(np.asarray(axes_deg, float))))
    return bool(np.abs(mean) > SAME_WAY)


def _gusts(frames: Sequence[Told]) -> tuple[bool, bool]:
    since_s = frames[-1].end_s - GUSTS_S
    last = [one for one in frames if one.end_s > since_s]
    shaken = sum(one.shaken for one in last)
    ten_minutes = frames[0].start_s <= since_s
    return ten_minutes and shaken >= IN_A_ROW and 2 * shaken > len(last), not shaken


_STATES: dict[str, Callable[[Sequence[Told]], tuple[bool, bool]]] = {
    "stopped": _in_a_row(lambda one: one.stopped),
    "trails": _trails,
    "wide": _in_a_row(lambda one: one.wide),
    "dim": _in_a_row(lambda one: one.dim),
    "gusts": _gusts,
}
