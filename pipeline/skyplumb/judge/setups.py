"""A step of the polar axis during the night -> a new setup, though no night note says so.

Someone who moves the tripod, or kicks it, starts anew with another axis. Only the pointings
tell, and they do only where one axis for all of them leaves far more than their errors.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from skyplumb.calibrate.light import Light
from skyplumb.judge.mount import (
    FEWEST_FRAMES,
    IMPOSSIBLE_TIMES,
    NO_TRAILS,
    MountFit,
    Trail,
    fit_mount,
    fit_plain,
    pointings_of,
    samples_of,
)

MISFIT = 2.5
"""Scatter of some pointing's frames about the common axis, over what was expected, below
which nothing is split. Far less than a step of the axis makes, so that it costs little time
on ordinary nights."""
LEAST_STEP_ARCMIN = 5.0
"""What is smaller is left to the one axis: tripods settle."""
CLEAR_STEP_CHI2 = 60.0
"""Of the two axes' difference (two numbers): nearly eight sigma, since faults that the model
does not hold also make two halves of a night differ."""
MOST_PLACES, MOST_BY_WHOLE_FITS = 40, 6
"""Of more pauses the longest: a tripod is not moved in a second. Fits with all faults take far
longer than plain ones."""


@dataclass(frozen=True, slots=True)
class Setups:
    """Lights with their setups numbered, and the tracker of each."""

    lights: list[Light]
    """In the order they were given in."""
    mounts: dict[int, MountFit]
    """By `notes.setup`."""
    notices: list[str]
    """One for each step that was found."""


def split_setups(lights: Sequence[Light], trails: Mapping[str, Trail] = NO_TRAILS) -> Setups:
    """Fit the tracker of each setup, and number the setups anew where an axis stepped.

    Parameters
    ----------
    lights : sequence of Light
        Of one session, with their pointings; `notes.setup` as the night notes say.
    trails : mapping of str to Trail, optional
        What each frame's stars say of its own trail, by file.
    """
    groups: list[_Placed] = []
    for setup in sorted({light.notes.setup for light in lights}):
        mine = [light for light in lights if light.notes.setup == setup]
        groups += _split(sorted(mine, key=lambda one: (one.order_s, one.file)), setup, trails)
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


def _split(lights: list[Light], setup: int, trails: Mapping[str, Trail]) -> list[_Placed]:
    """One setup's lights in order of time, cut where the axis stepped.

    The cuts are searched with plain fits, which take a slip or a periodic error for steps too; then
    every part is fitted with all faults, and parts whose axes do not differ clearly are one
    placement after all. A knock in a part hides its axis from a plain fit: where none shows a step
    and no one placement fits, the longest pauses are tried with all faults.
    """
    found = pointings_of(lights, setup, trails)
    if isinstance(found, MountFit):
        return [_Placed(lights, found)]
    # The plain fit settles most nights; knocks within a run hide no step of the axis.
    if not found.plain().misfit > MISFIT or not found.without_knocks().misfit > MISFIT:
        return [_Placed(lights, found.whole())]
    parts = _cut(lights, fit_plain, MOST_PLACES)
    if len(parts) == 1:
        whole = found.whole()
        if not whole.misfit > MISFIT:
            return [_Placed(lights, whole)]
        parts = _cut(lights, partial(fit_mount, trails=trails), MOST_BY_WHOLE_FITS)
        if len(parts) == 1:
            return [_Placed(lights, whole)]
    placed = [_Placed(part, fit_mount(part, setup, trails)) for part in parts]
    out = placed[:1]
    for part in placed[1:]:
        before = out[-1]
        step = _step(before.fit, part.fit)
        if step.clear:
            notice = (
                f"The polar axis stepped by {step.arcmin:.0f} arcmin before "
                f"{part.lights[0].file}: what follows is taken as a new placement."
            )
            out.append(replace(part, notice=notice))
        else:
            joined = [*before.lights, *part.lights]
            out[-1] = replace(before, lights=joined, fit=fit_mount(joined, setup, trails))
    return out


def _cut(
    lights: list[Light], fit: Callable[[Sequence[Light]], MountFit], most: int
) -> list[list[Light]]:
    """The lights in parts between what may be steps of the axis, at no more pauses than so many."""
    if not fit(lights).misfit > MISFIT:
        return [lights]
    steps = [
        (_step(fit(lights[:place]), fit(lights[place:])), place) for place in _places(lights, most)
    ]
    best, place = max(steps, key=lambda found: found[0].chi2, default=(Step(), 0))
    if not best.clear:
        return [lights]
    return [*_cut(lights[:place], fit, most), *_cut(lights[place:], fit, most)]


def _places(lights: Sequence[Light], most: int) -> list[int]:
    """Indices before which the tripod may have been moved: a new start after a pause."""
    samples = samples_of(lights)
    index = {light.file: n for n, light in enumerate(lights)}
    pauses = []
    for n in range(FEWEST_FRAMES, len(samples) - FEWEST_FRAMES + 1):
        a, b = samples[n - 1], samples[n]
        if a.segment != b.segment:
            pauses.append((b.time_s - a.time_s, index[b.file]))
    return [place for _, place in sorted(pauses, reverse=True)[:most]]


@dataclass(frozen=True, slots=True)
class Step:
    """How the axes of two fits differ."""

    chi2: float = 0.0
    """Of two numbers; 0 where one axis is not known or the step is small."""
    arcmin: float = 0.0

    @property
    def clear(self) -> bool:
        return self.chi2 >= CLEAR_STEP_CHI2


def _step(before: MountFit, after: MountFit) -> Step:
    if not (_known(before) and _known(after)):
        return Step()
    apart = (after.axis_rate - before.axis_rate)[:2]
    arcmin = float(np.degrees(np.hypot(*apart)) * 60)
    if arcmin < LEAST_STEP_ARCMIN:
        return Step(0.0, arcmin)
    covariance = (before.covariance + after.covariance)[:2, :2]
    return Step(float(apart @ np.linalg.solve(covariance, apart)), arcmin)


def _known(fit: MountFit) -> bool:
    return fit.earth_fixed and bool(np.isfinite(fit.axis_rate).all())
