"""What a watch says: a line a frame, and a line an alarm."""

from __future__ import annotations

from math import isfinite
from pathlib import PurePosixPath

from skyplumb.causes import cause_of
from skyplumb.judge.verdict import Judged
from skyplumb.plain import visible
from skyplumb.watch.alarms import Alarm

NAME_WIDTH = 14


def frame_line(judged: Judged) -> str:
    """Verdict, trail, FWHM, transparency loss and cause, such as
    `N6_0012.dng     reject    trail  3.8 px  FWHM  2.9 px  dimmed  0.1 mag  wind`."""
    facts = judged.facts
    name = visible(PurePosixPath(facts.light.file).name)
    cause = cause_of(judged.cause).label if judged.verdict != "keep" else ""
    parts = [
        f"{name:<{NAME_WIDTH}}",
        f"{judged.verdict:<8}",
        _figure("trail", facts.motion.trail_px, "px"),
        _figure("FWHM", facts.fwhm_px, "px"),
        _figure("dimmed", facts.extinction_mag, "mag"),
        cause,
    ]
    return "  ".join(parts).rstrip()


def _figure(name: str, value: float, unit: str) -> str:
    shown = f"{round(value, 1) + 0.0:4.1f}" if isfinite(value) else "   ?"
    return f"{name} {shown} {unit}"


def alarm_line(alarm: Alarm) -> str:
    """What to look at, or that it is over."""
    return f"{'!! ' if alarm.begins else 'over: '}{alarm.words}"
