"""Whether a run is in focus, by what is known of its lens outside of the run.

A run that is out of focus from its first frame to its last is as sharp as its own best frames. The
standard is the sharpest that the same lens gave at the same aperture on the same camera: in the
session's other runs, in other sessions of the call, in the earlier nights of `--history`. Where
nothing is known of the lens, a run is soft where its stars have flat tops, as those out of focus
do, or are wider than a rule allows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from skyplumb.calibrate.light import Light
from skyplumb.intake.rules import Limits, Rules
from skyplumb.judge.facts import FrameFacts, percentile
from skyplumb.judge.runs import Run
from skyplumb.records import NAN, ShotInfo

FocusKey = tuple[str, str, float, float, str, int, int]
"""Camera (its serial number where it has one), lens, focal length, aperture, filter, size of the
picture: widths in pixels of frames alike in these can be compared."""

WIDTH_STARS, WIDTH_STARS_A_FRAME = 15, 6
"""Fewer, of all frames of a run and of each, do not say how wide its sharp stars are."""
TRAILED_SHARE = 0.3
"""A trail of so much of a star's width hardly widens it."""
FLAT_TOP_KURT = 1.88
"""Fourth moment below which a profile has a flat top or a hole: stars in focus have 2.0 to 2.3,
2.0 for a Gaussian, out of focus by three times their width 1.9, discs 1.65 (drawn stars)."""
LEAST_FLAT_PX = 3.0
"""Narrower stars have the flat top of a pixel."""


@dataclass(frozen=True, slots=True)
class KnownWidth:
    """The sharpest that a lens is known to give."""

    fwhm_px: float
    where: str
    """Such as "on 2026-08-14" or "in run 02-85mm-75s"."""


Known = Mapping[FocusKey, KnownWidth]
"""What other sessions say of lenses."""


@dataclass(frozen=True, slots=True)
class RunFocus:
    """How wide the sharpest stars of a run are, and what is known of its lens elsewhere."""

    fwhm_px: float = NAN
    """Of its sharpest frames that are surely of stars and not trailed; NaN without any."""
    profile: float = NAN
    """Fourth moment of their stars; NaN where none was solved."""
    best: KnownWidth | None = None
    """The sharpest that its lens gave elsewhere; None where nothing is known."""

    def soft(self, limits: Limits) -> bool:
        """Whether the run is out of focus as a whole by its own stars alone."""
        return self.fwhm_px > limits.fwhm_px.keep_up_to or self.flat

    @property
    def flat(self) -> bool:
        """Whether its stars have flat tops."""
        return self.fwhm_px > LEAST_FLAT_PX and self.profile < FLAT_TOP_KURT


def focus_key(light: Light) -> FocusKey | None:
    """By what a frame's widths can be compared; None where lens, aperture or camera is unknown."""
    size = (light.measure.width_px, light.measure.height_px)
    return key_of(light.info, size) if not light.lens_by_stars else None


def key_of(info: ShotInfo, size: tuple[int, int]) -> FocusKey | None:
    """The same of metadata and the size of the picture."""
    camera = info.serial or info.camera
    named = info.lens or np.isfinite(info.focal_mm)
    if not (camera and named and np.isfinite(info.fnumber) and min(size) > 0):
        return None
    focal = round(info.focal_mm, 1) if np.isfinite(info.focal_mm) else 0.0
    return camera, info.lens, focal, round(info.fnumber, 2), info.filter_name.casefold(), *size


def run_focus(facts: Sequence[FrameFacts], limits: Limits) -> RunFocus:
    """What the frames of one run say of its focus."""
    sharp = [
        fact
        for fact in facts
        if fact.sure_stars >= WIDTH_STARS_A_FRAME
        and not np.isfinite(fact.motion.doubled_px)
        and fact.motion.trail_px
        <= max(limits.trail_px.keep_up_to, TRAILED_SHARE * fact.across_fwhm_px)
    ]
    if sum(fact.sure_stars for fact in sharp) < WIDTH_STARS:
        return RunFocus()
    solved = [fact.profile for fact in sharp if fact.light.pointing.solved]
    return RunFocus(
        percentile([fact.across_fwhm_px for fact in sharp], 10),
        float(np.median(solved)) if solved else NAN,
    )


def standard_of(focus: RunFocus, limits: Limits) -> float:
    """The width that a run in focus sets for its lens, px; NaN where it sets none.

    Only solved frames do: nothing else is surely of stars.
    """
    solved = np.isfinite(focus.profile)
    return focus.fwhm_px if solved and not focus.soft(limits) else NAN


def keep_sharpest(known: dict[FocusKey, KnownWidth], key: FocusKey, one: KnownWidth) -> None:
    """Add what is known of a lens; of equal widths the first stays."""
    if key not in known or one.fwhm_px < known[key].fwhm_px:
        known[key] = one


def focus_of_runs(
    runs: Sequence[Run], facts: Mapping[str, Sequence[FrameFacts]], rules: Rules, known: Known
) -> list[tuple[RunFocus, Limits]]:
    """Of each run its focus beside what is known of its lens elsewhere, and the rules for it."""
    found = _alone(runs, facts, rules)
    out = []
    for run, focus, limits in found:
        mine = focus_key(run.lights[0])
        elsewhere = dict(known)
        for other, theirs, limit in found:
            width = standard_of(theirs, limit)
            same_lens = other is not run and focus_key(other.lights[0]) == mine
            if mine is not None and same_lens and np.isfinite(width):
                keep_sharpest(elsewhere, mine, KnownWidth(width, f"in run {other.name}"))
        best = elsewhere.get(mine) if mine is not None else None
        out.append((replace(focus, best=best), limits))
    return out


def focus_of_session(
    runs: Sequence[Run], facts: Mapping[str, Sequence[FrameFacts]], rules: Rules, where: str
) -> dict[FocusKey, KnownWidth]:
    """How sharp each lens was in one session, for the verdicts of others."""
    out: dict[FocusKey, KnownWidth] = {}
    for run, focus, limits in _alone(runs, facts, rules):
        key, width = focus_key(run.lights[0]), standard_of(focus, limits)
        if key is not None and np.isfinite(width):
            keep_sharpest(out, key, KnownWidth(width, where))
    return out


def _alone(
    runs: Sequence[Run], facts: Mapping[str, Sequence[FrameFacts]], rules: Rules
) -> list[tuple[Run, RunFocus, Limits]]:
    """Each run with its own focus and the rules for it."""
    out = []
    for run in runs:
        info = run.lights[0].info
        limits = rules.limits_for(info.lens, info.focal_mm)
        out.append((run, run_focus(facts[run.name], limits), limits))
    return out
