"""A step of the polar axis during the night -> a new setup, though no night note says so.

Someone who moves the tripod, or kicks it, starts anew with another axis. Only the pointings
tell, and they do only where one axis for all of them leaves far more than their errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from skyplumb.mount import FEWEST_FRAMES, MountFit, fit_mount, samples_of
from skyplumb.runs import Light

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


def split_setups(lights: Sequence[Light]) -> tuple[list[Light], list[str]]:
    """Number the setups anew where the axis stepped.

    Parameters
    ----------
    lights : sequence of Light
        Of one session, with their pointings; `notes.setup` as the night notes say.

    Returns
    -------
    list of Light
        The same in the same order, setups counted from 0 in order of time.
    list of str
        A notice for each step that was found.
    """
    told = sorted({light.notes.setup for light in lights})
    groups: list[list[Light]] = []
    notices: list[str] = []
    for setup in told:
        mine = [light for light in lights if light.notes.setup == setup]
        parts, words = _split(sorted(mine, key=lambda one: (one.order_s, one.file)))
        groups += parts
        notices += words
    number = {light.file: n for n, group in enumerate(groups) for light in group}
    if not notices:
        return list(lights), []
    return [
        replace(light, notes=replace(light.notes, setup=number[light.file])) for light in lights
    ], notices


def _split(lights: list[Light]) -> tuple[list[list[Light]], list[str]]:
    """One setup's lights in order of time, cut where the axis stepped."""
    if not fit_mount(lights).misfit > MISFIT:
        return [lights], []
    best = max(
        (_step(lights, place) for place in _places(lights)),
        key=lambda found: found[0],
        default=(0.0, 0.0, 0),
    )
    chi2, step_arcmin, place = best
    if chi2 < CLEAR_STEP_CHI2:
        return [lights], []
    before, earlier = _split(lights[:place])
    after, later = _split(lights[place:])
    notice = (
        f"The polar axis stepped by {step_arcmin:.0f} arcmin before {lights[place].file}: "
        "what follows is taken as a new setup."
    )
    return before + after, [*earlier, notice, *later]


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
