"""The trails of one placement -> the faults that may have drawn them, each with its share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from skyplumb.judge.mount.model_choice import unlikely
from skyplumb.judge.mount.trail_fit import FAR_OFF_DEG, Faults, TrailFit, fit_trails
from skyplumb.judge.mount.trails import Evidence

Floats = NDArray[np.float64]

WRONG_RATE = 0.02
"""Of a drive that is out of order."""
MET = {"axis": 0.82, "rate": 0.08, "slip": 0.1}
"""How often each is met beside an axis error: most drives run right and most heads hold (our
choice). Half of the heads that slip did so before the first frame."""
LAWS = 2
"""Of how a head slips: with its lean, or evenly; neither is more likely."""
MET_PERIODIC = 0.3
"""How often a drive swings so that trails show it (our choice)."""
MOST_ONSETS = 8
FINER = 4
"""Halvings of the step between two onsets or periods."""
LEAST_SHARE = 0.1
UNEXPLAINED = 1.3
"""Scatter of the trails over their errors from which on a periodic error is looked for."""
FEWEST_FOR_PERIOD, MOST_PERIODS = 8, 120
SHORTEST_PERIOD_S = 120.0
"""Worms of small trackers turn in some 2 to 15 minutes (common practice, no source); what is faster
is told from a slower one by nothing but its even cadence."""
EXPOSURES = 1.2
"""Periods shorter than so many exposures leave as good as no trace from frame to frame."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """One of the models that may have drawn the trails."""

    share: float
    """How likely it is, of all that were tried."""
    fit: TrailFit


@dataclass(frozen=True, slots=True)
class _Tried:
    """A model with the logarithm of its chance: how well it fits and how rare it is."""

    met: float
    fit: TrailFit

    @property
    def chance(self) -> float:
        return float(np.log(self.met) + self.fit.log_evidence)


def weigh(data: Evidence) -> list[Weighed]:
    """The models that explain the trails, the likeliest first, by how well and how rare they are.

    The chance of each is its likelihood over all sizes of its faults (Laplace's approximation)
    times that of meeting it; what is less likely than `LEAST_SHARE` is left out.
    """
    plain = _Tried(MET["axis"], fit_trails(data, Faults()))
    found = [plain]
    fit = fit_trails(data, Faults(WRONG_RATE), plain.fit)
    if not unlikely(fit.solution[:3]):
        found.append(_Tried(MET["rate"], fit))
    onsets = _onsets(data)
    found += _slips(data, onsets, plain, evenly=False)
    best = max(found, key=lambda one: one.chance)
    if best.fit.faults.slips or _axis_deg(best) > FAR_OFF_DEG:
        found += _slips(data, onsets, plain, evenly=True)
    found += _slipping_faster(data, max(found, key=lambda one: one.chance), onsets)
    best = max(found, key=lambda one: one.chance)
    swings = _with_period(data, best)
    found += swings
    best = max(swings, key=lambda one: one.chance, default=best)
    if swings and best.fit.scale > UNEXPLAINED and not best.fit.faults.slips:
        besides = [one for law in (False, True) for one in _slips(data, onsets, best, law)]
        found += [*besides, *_with_finer_period(data, besides)]
    most = max(one.chance for one in found)
    chances = np.exp([one.chance - most for one in found])
    shares = chances / chances.sum()
    weighed = [
        Weighed(float(share), one.fit)
        for share, one in zip(shares, found, strict=True)
        if share > LEAST_SHARE
    ]
    return sorted(weighed, key=lambda one: -one.share)


def _axis_deg(tried: _Tried) -> float:
    """How far off its axis is."""
    return float(np.degrees(np.hypot(*tried.fit.solution[:2])))


def _slips(data: Evidence, onsets: Sequence[float], base: _Tried, evenly: bool) -> list[_Tried]:
    """The faults of `base`, and a head that slips from each of some onsets on; the likeliest is
    sought finer."""
    slips = []
    met = base.met / MET["axis"] * MET["slip"] / LAWS
    for onset in onsets:
        faults = replace(base.fit.faults, slip_onset=onset, slips_evenly=evenly)
        fit = fit_trails(data, faults, base.fit)
        if fit.solution[3] > 0:  # no head slips upwards
            share = 0.5 if np.isneginf(onset) else 0.5 / max(len(onsets) - 1, 1)
            slips.append(_Tried(met * share, fit))
    return _with_finest(data, slips, base.fit)


def _slipping_faster(data: Evidence, best: _Tried, onsets: Sequence[float]) -> list[_Tried]:
    """A head that slipped all along and faster from some moment on, where all else leaves much of
    the trails or needs an axis that nobody pointed at the pole."""
    if best.fit.scale < UNEXPLAINED and _axis_deg(best) < FAR_OFF_DEG:
        return []
    later = [onset for onset in onsets if np.isfinite(onset)]
    tried = []
    evenly = best.fit.faults.slips_evenly
    for onset in later:
        faults = Faults(slip_onset=onset, slips_already=True, slips_evenly=evenly)
        fit = fit_trails(data, faults, best.fit)
        if (fit.solution[3:5] > 0).all():
            tried.append(_Tried(MET["slip"] ** 2 / len(later), fit))
    return tried


def _with_finest(data: Evidence, slips: list[_Tried], plain: TrailFit) -> list[_Tried]:
    """The slips, the likeliest with its onset sought between the frames where that leads."""
    if not slips:
        return []
    best = max(slips, key=lambda one: one.chance)
    others = [one for one in slips if one is not best]
    if np.isneginf(best.fit.faults.slip_onset or 0.0):
        return slips
    width = float(np.ptp(data.open_s)) / MOST_ONSETS / 2
    for _ in range(FINER):
        for moved in (-width, width):
            onset = (best.fit.faults.slip_onset or 0.0) + moved
            fit = fit_trails(data, replace(best.fit.faults, slip_onset=onset), plain)
            tried = replace(best, fit=fit)
            if fit.solution[3] > 0 and tried.chance > best.chance:
                best = tried
        width /= 2
    return [*others, best]


def _with_period(data: Evidence, base: _Tried) -> list[_Tried]:
    """The likeliest model with a periodic error besides, where it leaves much of the trails."""
    periods = _periods(data)
    if base.fit.scale < UNEXPLAINED or len(periods) == 0:
        return []

    tried = partial(_with_this_period, data, base, base.met * MET_PERIODIC / len(periods))
    spectrum = [tried(float(period)) for period in periods]
    step = abs(1 / periods[0] - 1 / periods[-1]) / max(len(periods) - 1, 1) / 2
    return [_with_finest_period(tried, one, step) for one in _peaks(spectrum)]


def _with_finer_period(data: Evidence, swinging: Sequence[_Tried]) -> list[_Tried]:
    """The likeliest of some with its period sought anew, since a fault was added to it."""
    if not swinging:
        return []
    best = max(swinging, key=lambda one: one.chance)
    tried = partial(_with_this_period, data, best, best.met)
    return [_with_finest_period(tried, best, 1 / (4 * float(np.ptp(data.open_s))))]


def _with_this_period(data: Evidence, base: _Tried, met: float, period_s: float) -> _Tried:
    """A model, met so often, with a periodic error of this period besides."""
    faults = replace(base.fit.faults, period_s=period_s)
    return _Tried(met, fit_trails(data, faults, base.fit))


def _peaks(spectrum: Sequence[_Tried]) -> list[_Tried]:
    """The likeliest of the periods, and the likeliest that is no neighbour of it."""
    chance = np.array([one.chance for one in spectrum])
    best = int(np.argmax(chance))
    others = np.where(np.abs(np.arange(len(chance)) - best) > 1, chance, -np.inf)
    rival = int(np.argmax(others))
    return [spectrum[best], *([spectrum[rival]] if np.isfinite(others[rival]) else [])]


def _with_finest_period(tried: Callable[[float], _Tried], best: _Tried, step_hz: float) -> _Tried:
    """The same with its frequency sought between those tried."""
    for _ in range(FINER):
        centre = 1 / (best.fit.faults.period_s or np.inf)
        near = [tried(1 / (centre + moved)) for moved in (-step_hz, step_hz)]
        best = max([best, *near], key=lambda one: one.chance)
        step_hz /= 2
    return best


def _periods(data: Evidence) -> Floats:
    """Periods that frames can show, up to all of the night, since a trail tells how fast the drive
    was at each moment; frequencies half a cycle of the night apart."""
    if len(data.moments) < FEWEST_FOR_PERIOD:
        return np.zeros(0)
    longest = float(np.ptp(data.open_s))
    worn_off = EXPOSURES * float(np.median(np.ptp(data.open_s, axis=1)))
    shortest = max(worn_off, SHORTEST_PERIOD_S)
    if not longest > shortest:
        return np.zeros(0)
    count = int(np.ceil(2 * longest * (1 / shortest - 1 / longest))) + 1
    return 1 / np.linspace(1 / longest, 1 / shortest, min(count, MOST_PERIODS))


def _onsets(data: Evidence) -> list[float]:
    """When a slip may have begun: before all frames, or between some of them."""
    begins = data.open_s[2:-2, 0]
    few = np.linspace(0, len(begins) - 1, min(len(begins), MOST_ONSETS)).round().astype(int)
    return [-np.inf, *(float(begins[n]) for n in few)]
