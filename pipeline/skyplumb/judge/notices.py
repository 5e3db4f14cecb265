"""What is to be said of whole runs, before any of their frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from skyplumb.judge.clearness import patches_of_all
from skyplumb.judge.verdict import JudgedRun


def run_notices(judged: Sequence[JudgedRun]) -> list[str]:
    """A line for each run that is out of focus as a whole, or has no clear frame."""
    return [*_out_of_focus(judged), *_cloudy(judged)]


def _out_of_focus(judged: Sequence[JudgedRun]) -> list[str]:
    """A line for each run that is out of focus as a whole."""
    out = []
    for one in judged:
        focus, limits, best = one.levels.focus, one.limits, one.levels.focus.best
        begun = f"Run {one.run.name} is out of focus as a whole: FWHM {focus.fwhm_px:.1f} px"
        if best is not None:
            times = focus.fwhm_px / best.fwhm_px
            if times > limits.fwhm_of_best.keep_up_to:
                known = f"{best.fwhm_px:.1f} px {best.where}"
                out.append(
                    f"{begun} in its sharpest frames, {times:.1f} times this lens's best, {known}."
                )
        elif focus.fwhm_px > limits.fwhm_px.keep_up_to:
            out.append(f"{begun} in its sharpest frames, limit {limits.fwhm_px.keep_up_to:g}.")
        elif focus.flat:
            out.append(f"{begun}, stars with the flat tops of those out of focus.")
    return out


def _cloudy(judged: Sequence[JudgedRun]) -> list[str]:
    """A line for each run of which no frame is clear, so that none is a measure for the others."""
    out = []
    for one in judged:
        frames = [frame.facts.clearness for frame in one.frames]
        patches = patches_of_all(frames, one.limits.extinction_mag.keep_up_to)
        if np.isfinite(patches):
            others = "; they are judged against each other only" if len(frames) > 1 else ""
            out.append(
                f"No frame of run {one.run.name} is clear: patchy cloud dims the stars, "
                f"{patches:.1f} mag (standard deviation) between parts of the picture{others}."
            )
    return out
