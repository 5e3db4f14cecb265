"""A step of the polar axis during the night -> a new setup, though no night note says so.

Someone who moves the tripod, or kicks it, starts anew with another axis. Only the pointings
tell, and they do only where one axis for all of them leaves far more than their errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from skyplumb.calibrate.light import Light
from skyplumb.judge.mount import FEWEST_FRAMES, IMPOSSIBLE_TIMES, MountFit, fit_mount, samples_of

MISFIT = 2.5
"""Scatter of some pointing's frames about the common axis, over what was expected, below
which nothing is split. Far less than a step of the axis makes, so that it costs little time
on ordinary nights."""
LEAST_STEP_ARCMIN = 5.0
"""What is smaller is left to the one axis: tripods settle."""
CLEAR_STEP_CHI2 = 60.0
"""Of the two axes' difference (two numbers): nearly eight sigma, since faults that the model
does not hold also make two halves of a night differ."""
MOST_PLACES = 12


@dataclass(frozen=True, slots=True)
class Setups:
    """Lights with their setups numbered, and the tracker of each."""

    lights: list[Light]
    """In the order they were given in."""
    mounts: dict[int, MountFit]
    """By `notes.setup`."""
    notices: list[str]
    """One for each step that was found."""


def split_setups(lights: Sequence[Light]) -> Setups:
    """Fit the tracker of each setup, and number the setups anew where an axis stepped.

    Parameters
    ----------
    lights : sequence of Light
        Of one session, with their pointings; `notes.setup` as the night notes say.
    """
    groups: list[_Placed] = []
    for setup in sorted({light.notes.setup for light in lights}):
        mine = [light for light in lights if light.notes.setup == setup]
        groups += _split(sorted(mine, key=lambda one: (one.order_s, one.file)), setup)
    steps = [group.notice for group in groups if group.notice]
    notices = steps + [
        f"From {group.lights[0].file} on {IMPOSSIBLE_TIMES}. No figure of the mount was computed."
        for group in groups
        if group.fit.why_not == IMPOSSIBLE_TIMES
    ]
    if not steps:
        return Setups(list(lights), {g.lights[0].notes.setup: g.fit for g in groups}, notices)
    number = {light.file: n for n, group in enumerate(groups) for light in group.lights}
    return Setups(
        [replace(light, notes=replace(light.notes, setup=number[light.file])) for light in lights],
        {n: replace(group.fit, setup=n) for n, group in enumerate(groups)},
        notices,
    )


@dataclass(frozen=True, slots=True)
class _Placed:
    """Lights of one placement in order of time."""

    lights: list[Light]
    fit: MountFit
    notice: str = ""
    """Of the step before it."""


def _split(lights: list[Light], setup: int) -> list[_Placed]:
    """One setup's lights in order of time, cut where the axis stepped."""
    whole = _Placed(lights, fit_mount(lights, setup))
    if not whole.fit.misfit > MISFIT:
        return [whole]
    best = max(
        (_step(lights, place) for place in _places(lights)),
        key=lambda found: found[0],
        default=(0.0, 0.0, 0),
    )
    chi2, step_arcmin, place = best
    if chi2 < CLEAR_STEP_CHI2:
        return [whole]
    notice = (
        f"The polar axis stepped by {step_arcmin:.0f} arcmin before {lights[place].file}: "
        "what follows is taken as a new setup."
    )
    before, (after, *later) = _split(lights[:place], setup), _split(lights[place:], setup)
    return [*before, replace(after, notice=notice), *later]


def _places(lights: Sequence[Light]) -> list[int]:
    """Indices before which the tripod may have been moved: a new start after a pause."""
    samples = samples_of(lights)
    index = {light.file: n for n, light in enumerate(lights)}
    pauses = []
    for n in range(FEWEST_FRAMES, len(samples) - FEWEST_FRAMES + 1):
        a, b = samples[n - 1], samples[n]
        if a.segment != b.segment:
            pauses.append((b.time_s - a.time_s, index[b.file]))
    return [place for _, place in sorted(pauses, reverse=True)[:MOST_PLACES]]


def _step(lights: Sequence[Light], place: int) -> tuple[float, float, int]:
    """How clearly the axes before and after a place differ: chi2, arcmin, the place."""
    before, after = fit_mount(lights[:place]), fit_mount(lights[place:])
    if not (_known(before) and _known(after)):
        return 0.0, 0.0, place
    apart = (after.axis_rate - before.axis_rate)[:2]
    step_arcmin = float(np.degrees(np.hypot(*apart)) * 60)
    if step_arcmin < LEAST_STEP_ARCMIN:
        return 0.0, step_arcmin, place
    covariance = (before.covariance + after.covariance)[:2, :2]
    return float(apart @ np.linalg.solve(covariance, apart)), step_arcmin, place


def _known(fit: MountFit) -> bool:
    return fit.earth_fixed and bool(np.isfinite(fit.axis_rate).all())
