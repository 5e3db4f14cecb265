"""What is to be said of whole runs, before any of their frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from skyplumb.digits import counted, named
from skyplumb.judge.clearness import patches_of_all
from skyplumb.judge.verdict import JudgedRun

MOST_LINES = 3
"""More runs of which the same is to be said share a line: frames without a time are a run each."""


def run_notices(judged: Sequence[JudgedRun]) -> list[str]:
    """A line for each run that is out of focus as a whole, or has no clear frame."""
    soft = [(one, words) for one in judged if (words := soft_as_a_whole(one))]
    if len(soft) <= MOST_LINES:
        lines = [f"Run {one.run.name} is out of focus as a whole: {words}." for one, words in soft]
    else:
        first, words = soft[0]
        lines = [
            f"{_counted_runs([one for one, _ in soft])} are out of focus as a whole; "
            f"{first.run.name}: {words}."
        ]
    return [*lines, *_cloudy(judged)]


def _counted_runs(runs: Sequence[JudgedRun]) -> str:
    """Such as `16 runs of 18 frames (01-50mm, 02-50mm, 03-50mm and 13 more)`."""
    frames = sum(len(one.frames) for one in runs)
    names = named([one.run.name for one in runs])
    return f"{len(runs)} runs of {counted(frames, 'frame')} ({names})"


def soft_as_a_whole(run: JudgedRun) -> str:
    """How a run is out of focus from its first frame to its last, in words; empty if it is not."""
    focus, limits, best = run.levels.focus, run.limits, run.levels.focus.best
    width = f"FWHM {focus.fwhm_px:.1f} px"
    if best is not None:
        times = focus.fwhm_px / best.fwhm_px
        if not times > limits.fwhm_of_best.keep_up_to:
            return ""
        known = f"{best.fwhm_px:.1f} px {best.where}"
        return f"{width} in its sharpest frames, {times:.1f} times this lens's best, {known}"
    if focus.fwhm_px > limits.fwhm_px.keep_up_to:
        return f"{width} in its sharpest frames, limit {limits.fwhm_px.keep_up_to:g}"
    return f"{width}, stars with the flat tops of those out of focus" if focus.flat else ""


def _cloudy(judged: Sequence[JudgedRun]) -> list[str]:
    """A line for each run of which no frame is clear, so that none is a measure for the others."""
    out, cloudy = [], []
    for one in judged:
        frames = [frame.facts.clearness for frame in one.frames]
        patches = patches_of_all(frames, one.limits.extinction_mag.keep_up_to)
        if np.isfinite(patches):
            cloudy.append((one, patches))
            others = "; they are judged against each other only" if len(frames) > 1 else ""
            out.append(
                f"No frame of run {one.run.name} is clear: patchy cloud dims the stars, "
                f"{patches:.1f} mag (standard deviation) between parts of the picture{others}."
            )
    if len(cloudy) <= MOST_LINES:
        return out
    least, most = (f(patches for _, patches in cloudy) for f in (min, max))
    return [
        f"No frame of {_counted_runs([one for one, _ in cloudy])} is clear: patchy cloud dims the "
        f"stars, {least:.1f} to {most:.1f} mag (standard deviation) between parts of the picture."
    ]
