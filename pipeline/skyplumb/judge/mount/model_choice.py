"""Which faults of the tracker the evidence asks for.

A head that slips all along draws on one target what a wrong rate and a huge axis error would.
Models of equal size are compared with how rare such an axis is before anything is seen; where that
does not decide, both causes are named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount.regression import (
    Model,
    Observations,
    Regression,
    criteria,
    pointing_scatter_arcsec,
    prior_penalty,
    regress,
    share_of,
    slip_pull,
)
from skyplumb.judge.mount.result import MountFit, rate_name_of
from skyplumb.judge.mount.trail_fit import RATE_SIGMA

Floats = NDArray[np.float64]

MOST_SMALL_STEPS = 8
MOST_TRIED = 64
"""Places or onsets that are tried; of more the likeliest, or evenly spread ones, so that a night
of thousands of frames is fitted in seconds."""
EXCESS_SCATTER = 2.5
"""Scatter over its expectation from which on something is not explained yet."""
LONG_BEFORE_S = 600.0
"""Where the onset of a slip is put that began before the first frame."""
MOST_PROMISING = 3
MORE_ONSETS = 5
MOST_DENTS = 6
PERIODS_ALIKE = 6.0
"""Criterion within which one period is as good as another: a likelihood of one in twenty."""
UNLIKELY_AXIS_ARCMIN = 60.0
UNLIKELY_RATE = 1e-2
"""Nobody who looked for the pole is further off, and no drive that runs at a rate with a name is so
wrong, but once in a hundred nights each (our choice): both at once is something else."""
NO_AXIS_ARCMIN = 720.0
"""Nobody who looked where the pole is sets up so far from it (our choice)."""
UNLIKELY_SHARE = 0.01
MET_SLIP, MET_WRONG_RATE = 0.1, 0.03
"""How often a head slips all along, and a drive runs so wrong without a name (our choice)."""
SLIPS_ARCSEC_PER_MIN = 1.0, 100.0
"""Speeds at which heads slip, each as likely as any other by its logarithm (our choice)."""
LEAST_RIVAL = 0.15
"""Share from which on a slip is kept beside an axis error that explains as much."""
SOME_RATE = 2e-3
"""From which on a rate without a name is as rare."""
UNEVEN_SLIP, ASLANT_SLIP = 0.02, 0.005
"""No head slips as evenly as its fit has it, nor quite down: how far it may be from there, over its
whole path, along the pull and across it (our choice)."""
MOST_BY_RARITY = 0.84
"""Share of a model that only rarity speaks for: not enough to be told alone."""
FRAMES_A_PERIOD = 2.15
"""Least, for a period to be told from others: two show a swing, by Nyquist, and as well any other
that is folded about them."""
ALIKE = 0.01
"""By so little no criterion prefers one onset to another between the same frames."""
MODEL_GAIN = 12.0
"""How much an added fault must lower the information criterion; see `fit_mount`."""


def with_knocks(data: Observations, seen: Regression) -> tuple[Observations, Regression]:
    """Start anew where a small knock explains more than it costs; `seen` are the faults without.

    Of several knocks one alone may not pay: while the pointings scatter far more than they
    should, a few further cuts are tried.
    """
    best = seen
    tried, last = data, best
    misses = 0
    for _ in range(MOST_SMALL_STEPS):
        cut = _cut_best(tried, last)
        if cut is None:
            break
        tried, last = cut, faults_seen(cut)
        # One more number than each start counts for: where the step is.
        cost = (misses + 1) * np.log(3 * len(data.samples))
        if last.criterion < best.criterion - MODEL_GAIN - cost:
            data, best, misses = tried, last, 0
            continue
        misses += 1
        if misses > 2 or best.scatter < EXCESS_SCATTER:
            break
    return data, best


def faults_seen(data: Observations) -> Regression:
    """The faults that the evidence asks for."""
    plain = regress(data, Model())
    fits, driven_right = [plain], []
    if data.earth_fixed:
        onsets = _onsets(data)
        before = _long_before(data)
        slips = _best_of(data, [Model(slip_onset=onset) for onset in onsets], plain, MORE_ONSETS)
        fits += [fit for fit in slips if _stands_out(fit)]
        alone = [Model(slip_onset=onset, rate=False) for onset in (before, *onsets)]
        driven_right = _best_of(data, alone, plain, MORE_ONSETS)
        if can_tell_flexure(data):
            fits.append(regress(data, Model(flexure=True)))
    base = min(fits, key=lambda f: f.criterion)
    if base.criterion > plain.criterion - MODEL_GAIN:
        base = plain
    # A clear rate error stands, unless a slip alone tells what was seen far more simply.
    if driven_right and _has_wrong_rate(base):
        best_slip = min(driven_right, key=lambda f: f.criterion).model
        tried = {best_slip.slip_onset, _long_before(data)}
        driven_right += [
            regress(data, replace(best_slip, slip_onset=onset, slips_evenly=True))
            for onset in sorted(one for one in tried if one is not None)
        ]
        base = _rate_or_slip(data, base, min(driven_right, key=lambda f: f.criterion))
    if data.earth_fixed and unlikely(_axis_rate(base)):
        base = _slipping_faster(data, base)
    if base.model.slip_onset is not None and not data.slips_from_start(base.model):
        base = _by_either_law(data, base, onsets)
    best = base
    starts = {id(fit): fit for fit in (plain, base)}.values()
    swings = [swing for start in starts if (swing := _swinging(data, start)) is not None]
    swing = min(swings, key=lambda fit: fit.criterion, default=base)
    if swing.criterion < base.criterion - MODEL_GAIN:
        best = replace(swing, rival=base.rival, rival_share=base.rival_share)
        # A sine that leaves a third of its own scatter, or more, is a wander and no period.
        amplitude = float(np.hypot(*best.solution[-2:])) / np.sqrt(2)
        best = best if amplitude > 3 * pointing_scatter_arcsec(data, best) else base
    named = bool(rate_name_of(float(_axis_rate(best)[2]), 0.0))
    asked = data.earth_fixed and not named and _is_told(best)
    return _axis_or_slip(data, best) if asked else best


def _swinging(data: Observations, like: Regression) -> Regression | None:
    """The same faults with a periodic error of the likeliest period; None where none can show.

    Pointings that are good to a hundredth of a swing put the true period into a dent far narrower
    than the steps between those tried: which is the deepest shows at the bottom of each. Frames in
    an even rhythm, such as two of each panel, make several about as deep: of these the longest is
    taken, as worms turn slowly, and the others are kept beside it.
    """
    periods = _periods(data)
    if len(periods) == 0:
        return None
    models = [replace(like.model, period_s=float(period)) for period in periods]
    tried = np.concatenate([[np.inf], criteria(data, models, like.weights), [np.inf]])
    dents = np.flatnonzero((tried[1:-1] <= tried[:-2]) & (tried[1:-1] <= tried[2:]))
    likeliest = dents[np.argsort(tried[1:-1][dents], kind="stable")][:MOST_DENTS]
    found = [_refine_period(data, regress(data, models[n])) for n in likeliest]
    deepest = min(fit.criterion for fit in found)
    alike = sorted(
        (fit for fit in found if fit.criterion < deepest + PERIODS_ALIKE),
        key=lambda fit: -fit.model.period_s,
    )
    slower = 1 / alike[0].model.period_s + 0.5 / float(np.ptp(data.time))
    others = tuple(fit for fit in alike[1:] if 1 / fit.model.period_s > slower)
    return replace(alike[0], alike=others)


def _long_before(data: Observations) -> float:
    """The onset of a slip that began before the first frame, s."""
    return float(data.time[0]) - LONG_BEFORE_S


def _has_wrong_rate(fit: Regression) -> bool:
    """Whether the drive did not turn as fast as the sky, about whatever axis."""
    turned = np.array([0.0, 0.0, SIDEREAL_RATE_ARCSEC_S]) - fit.solution[:3]
    least = max(RATE_SIGMA * SIDEREAL_RATE_ARCSEC_S, 5 * np.sqrt(fit.covariance[2, 2]))
    return bool(abs(np.linalg.norm(turned) - SIDEREAL_RATE_ARCSEC_S) > least)


def _stands_out(slip: Regression) -> bool:
    """Whether the speed of a slip is three of its own errors: by chance a criterion alone may be
    better."""
    return bool(abs(slip.solution[3]) > 3 * np.sqrt(slip.covariance[3, 3]))


def _by_either_law(data: Observations, slip: Regression, onsets: Floats) -> Regression:
    """The slip by its lean or evenly, whichever is likelier, with its onset sought finer."""
    other = replace(slip.model, slips_evenly=not slip.model.slips_evenly)
    models = [replace(other, slip_onset=onset) for onset in onsets]
    tried = _best_of(data, models, slip, MORE_ONSETS)
    laws = [slip, min(tried, key=lambda fit: fit.criterion)] if tried else [slip]
    best = min((_refine_onset(data, fit) for fit in laws), key=lambda fit: fit.criterion)
    return replace(best, rival=slip.rival, rival_share=slip.rival_share)


def _slipping_faster(data: Observations, base: Regression) -> Regression:
    """A head that slipped all along and faster from some moment on, where that is likelier.

    An axis and a rate that no tracker has stand for a slip that the model does not hold.
    """
    onset = base.model.slip_onset
    some = _onsets(data) if onset is None or data.slips_from_start(base.model) else [onset]
    tried = [
        regress(data, Model(slip_onset=float(one), slips_already=True, rate=False)) for one in some
    ]
    downwards = [fit for fit in tried if (fit.solution[3:5] > 0).all()]
    best = min(downwards, key=lambda fit: fit.criterion, default=base)
    rare = -2 * np.log(UNLIKELY_SHARE * UNLIKELY_SHARE)
    likely = not unlikely(_axis_rate(best))
    return best if likely and best.criterion < base.criterion + rare else base


def _rate_or_slip(data: Observations, rate: Regression, slip: Regression) -> Regression:
    """The likelier of a wrong rate and a head that slips under a right one, the other its rival.

    Any rate and axis on one short target are those of some slip and another axis, to what the
    slip's pull turns in the time. No head slips evenly: where it explains all but a small part of
    its own path, what it leaves along the pull says nothing, and what counts is what either leaves
    across it, and how rare both are, above all the size of the axis error that each needs.
    """
    gain = rate.criterion - slip.criterion
    path = _slip_path_arcsec(data, slip)
    if not path > 0:  # down is positive: no head slips upwards
        return rate
    even = pointing_scatter_arcsec(data, slip) < UNEVEN_SLIP * path
    error = _axis_rate(rate)[2]
    if even and unlikely(_axis_rate(rate)):
        return slip
    most = 1.0
    if even and abs(error) > SOME_RATE and not rate_name_of(float(error), 0.0):
        seen = _without_unevenness(data, path)
        gain = regress(seen, rate.model).criterion - regress(seen, slip.model).criterion
        if abs(gain - prior_penalty(rate.solution) + prior_penalty(slip.solution)) < MODEL_GAIN:
            most = MOST_BY_RARITY
        slips_too = rate.model.slip_onset is not None
        gain += 2 * np.log((1.0 if slips_too else MET_SLIP) / MET_WRONG_RATE)
    elif gain > MODEL_GAIN:
        return slip
    elif gain < -MODEL_GAIN or rate.model.slip_onset is not None:
        return rate
    share = share_of(gain)
    first, second = (slip, rate) if share > 0.5 else (rate, slip)
    return replace(first, rival=second, rival_share=max(min(share, 1 - share), 1 - most))


def _axis_or_slip(data: Observations, axis: Regression) -> Regression:
    """The likelier of an axis error and a head that slips all along, the other its rival.

    Under a drive that runs right a slip turns the camera about one line as an axis error does, but
    for what its pull turns in the time: of a target near the pole, or near the meridian, little.
    Where what was seen does not decide, it is how rare either is: a slip may be of any speed that
    heads slip at, and leaves the axis error that would have drawn the rest.
    """
    if axis.rival_share > LEAST_RIVAL or axis.model.slip_onset is not None or axis.model.flexure:
        return axis
    all_along = replace(axis.model, slip_onset=_long_before(data), rate=_has_wrong_rate(axis))
    slip = min(
        (regress(data, replace(all_along, slips_evenly=evenly)) for evenly in (False, True)),
        key=lambda fit: fit.criterion,
    )
    pull = np.linalg.norm(slip_pull(data.zenith, data.forward, slip.model.slips_evenly), axis=1)
    speeds = np.geomspace(*SLIPS_ARCSEC_PER_MIN, MOST_TRIED) / 60 / float(pull.mean())
    slope = slip.covariance[:, 3] / slip.covariance[3, 3]
    ways = slip.solution + np.outer(speeds - slip.solution[3], slope)
    squares = (speeds - slip.solution[3]) ** 2 / slip.covariance[3, 3]
    likely = np.exp(-(squares + [prior_penalty(way) for way in ways]) / 2)
    gain = axis.criterion - slip.criterion + prior_penalty(slip.solution)
    share = share_of(gain + 2 * np.log(MET_SLIP * likely.mean() + 1e-300))
    if share < LEAST_RIVAL:
        return axis
    mean = np.average(ways, axis=0, weights=likely)
    spread = np.average((ways - mean)[:, 3] ** 2, weights=likely)
    slip = replace(
        slip,
        solution=mean,
        covariance=slip.covariance + np.outer(slope, slope) * (spread - slip.covariance[3, 3]),
    )
    first, second = (slip, axis) if share > 0.5 else (axis, slip)
    return replace(first, rival=second, rival_share=min(share, 1 - share))


def _is_told(fit: Regression) -> bool:
    """Whether the axis is known as well as a number that is told has to be."""
    of_rate = fit.covariance[:3, :3] / SIDEREAL_RATE_ARCSEC_S**2
    return MountFit(axis_rate=_axis_rate(fit), covariance=of_rate).axis_told


def _without_unevenness(data: Observations, path_arcsec: float) -> Observations:
    """The pointings with errors as large as an uneven slip of such a path would have them."""
    pull = slip_pull(data.zenith, data.forward, evenly=True)
    along = (UNEVEN_SLIP * path_arcsec) ** 2 * pull[:, :, None] * pull[:, None, :]
    across = (ASLANT_SLIP * path_arcsec) ** 2 * np.eye(3)
    return data.with_covariance(np.linalg.inv(data.information) + along + across)


def unlikely(axis_rate: Floats) -> bool:
    """Whether an axis and a rate, each or together, are so far off that no tracker has them.

    Parameters
    ----------
    axis_rate : ndarray, shape (3,)
        As `MountFit.axis_rate` has them: two parts of the axis error, rad, and the rate's.
    """
    axis_arcmin = float(np.degrees(np.hypot(*axis_rate[:2])) * 60)
    rate = float(axis_rate[2])
    if rate_name_of(rate, 0.0):
        return False
    both = abs(rate) > UNLIKELY_RATE and axis_arcmin > UNLIKELY_AXIS_ARCMIN
    return both or axis_arcmin > NO_AXIS_ARCMIN or abs(rate) > 1.0


def _axis_rate(fit: Regression) -> Floats:
    return np.asarray(-fit.solution[:3] / SIDEREAL_RATE_ARCSEC_S)


def _slip_path_arcsec(data: Observations, fit: Regression) -> float:
    """How far a head slipped down while it was watched; below zero for one that would rise."""
    onset = fit.model.slip_onset
    assert onset is not None
    evenly = fit.model.slips_evenly
    slipping = np.linalg.norm(slip_pull(data.zenith, data.forward, evenly), axis=1)
    watched = float(data.time[-1] - max(onset, float(data.time[0])))
    return float(fit.solution[3]) * float(slipping.mean()) * watched


def _cut_best(data: Observations, fit: Regression) -> Observations | None:
    """The data with one more start where that helps most; None if no place is left.

    Steps too small to be told from drift by their neighbours still bend the fit.
    """
    cuts = []
    for place in _step_places(data, fit.residual):
        later = np.arange(len(data.segment)) >= place
        cut = replace(data, segment=data.segment + later)
        cuts.append((regress(cut, fit.model, fit.weights).criterion, place, cut))
    return min(cuts, key=lambda c: c[:2])[2] if cuts else None


def _step_places(data: Observations, residual: Floats) -> list[int]:
    """Frames before which a new start leaves two to either side; the likeliest of very many."""
    segment = data.segment
    places = [
        place for place in range(2, len(segment) - 1) if segment[place - 2] == segment[place + 1]
    ]
    if len(places) <= MOST_TRIED:
        return places
    steps = {
        place: float(
            np.linalg.norm(
                residual[place : place + 3].mean(0) - residual[place - 3 : place].mean(0)
            )
        )
        for place in places
        if place >= 3
    }
    return sorted(sorted(steps, key=lambda place: -steps[place])[:MOST_TRIED])


def _best_of(
    data: Observations, models: Sequence[Model], like: Regression, more: int = 0
) -> list[Regression]:
    """The most promising of many models, compared with the weights of a fit already made.

    A fit that is far off has put its weight on the wrong frames: where the first few leave much
    unexplained, so many `more` are tried.
    """
    order = np.argsort(criteria(data, models, like.weights), kind="stable")
    fits = [regress(data, models[n]) for n in order[:MOST_PROMISING]]
    if fits and min(fits, key=lambda fit: fit.criterion).scatter > EXCESS_SCATTER:
        further = order[MOST_PROMISING : MOST_PROMISING + more]
        fits += [regress(data, models[n]) for n in further]
    return fits


def _onsets(data: Observations) -> Floats:
    """Times at which a slip may have begun: between frames, two or more from either end."""
    times = np.unique(data.time)
    if len(times) < 6:
        return np.zeros(0)
    middle = (times[1:] + times[:-1]) / 2
    onsets = np.sort(np.concatenate([middle[1:-1], times[2:-2]]))
    few = np.linspace(0, len(onsets) - 1, min(len(onsets), MOST_TRIED)).round().astype(int)
    return np.asarray(onsets[few])


def _periods(data: Observations) -> Floats:
    """Periods the cadence can show: at least two in the span, and `FRAMES_A_PERIOD`."""
    span = float(np.ptp(data.time))
    cadence = float(np.median(np.diff(np.unique(data.time)))) if len(data.time) > 2 else np.inf
    longest, shortest = span / 1.9, FRAMES_A_PERIOD * cadence
    if not longest > shortest or len(data.time) < 8:
        return np.zeros(0)
    # Frequencies a quarter of the resolution apart.
    count = int(np.ceil(4 * span * (1 / shortest - 1 / longest))) + 2
    return 1 / np.linspace(1 / longest, 1 / shortest, min(count, 400))


def can_tell_flexure(data: Observations) -> bool:
    """Whether gravity changed in more than one way: several targets or hours on one.

    One short target cannot tell an elastic head from a wrong rate and axis.
    """
    forward = np.array([s.forward for s in data.samples])
    starts = np.array([s.segment for s in data.samples])
    firsts = np.array([forward[starts == n][0] for n in np.unique(starts)])
    apart = np.degrees(np.arccos(np.clip(firsts @ firsts.T, -1, 1))).max()
    return bool(apart > 25 or np.ptp(data.time) > 9000)


def _refine_onset(data: Observations, best: Regression) -> Regression:
    """Search the onset of a slip between the times that were tried."""
    finest = float(np.median(np.diff(np.unique(data.time)))) / 128
    width = float(np.median(np.diff(_onsets(data))))
    while width > finest:
        onset = best.model.slip_onset or 0.0
        trials = [
            regress(data, replace(best.model, slip_onset=onset + step))
            for step in (-width / 2, width / 2)
        ]
        best = min([best, *trials], key=lambda f: f.criterion)
        width /= 2
    # Between two frames that nothing ties to each other any moment is as good: the middle.
    times = np.unique(data.time)
    later = int(np.clip(np.searchsorted(times, best.model.slip_onset or 0.0), 1, len(times) - 1))
    between = float(times[later - 1 : later + 1].mean())
    middle = regress(data, replace(best.model, slip_onset=between))
    return middle if middle.criterion < best.criterion + ALIKE else best


def _refine_period(data: Observations, best: Regression) -> Regression:
    """Search finer around the best period."""
    span = float(np.ptp(data.time))
    width = 0.25 / span
    for _ in range(5):
        frequency = 1 / best.model.period_s
        trials = [
            regress(data, replace(best.model, period_s=1 / f))
            for f in frequency + width * np.array([-0.5, 0.5])
            if f > 0
        ]
        best = min([best, *trials], key=lambda f: f.criterion)
        width /= 2
    return best
