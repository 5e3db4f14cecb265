"""One model of the tracker against all pointings of a setup: robust linear least squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount.samples import Sample, excess_rotation_arcsec
from skyplumb.robust import (
    Scale,
    Weighting,
    cauchy_loss,
    cauchy_weighting,
    even,
    median_length,
    reweighted,
)

Floats = NDArray[np.float64]

BEST_ALIGNMENT_ARCMIN = 1.0
EFFICIENCY = 0.99
"""Of the robust weights. A dozen frames have no wild values but gusts, which lie far out; weights
that bite earlier would follow the noise."""
LEAST_SCATTER = 0.3
"""Of the whitened residuals: a few frames may agree by chance."""


@dataclass(frozen=True, slots=True)
class Observations:
    """The regression's left side: cumulative rotation of each frame, whitened later."""

    samples: list[Sample]
    earth_fixed: bool
    zenith: Floats
    """In the sky frame; NaN without a site."""
    time: Floats
    """s from the middle of the setup's frames."""
    turn: Floats
    """Shape (n, 3), arcsec in sky axes, each segment from its own zero."""
    root: Floats
    """Shape (n, 3, 3): inverse square root of each frame's covariance in sky axes."""
    forward: Floats
    """Shape (n, 3): optical axes."""
    information: Floats
    """The same squared: the inverse covariances."""
    exposure_s: Floats
    segment: NDArray[np.int64]
    """Number of each frame's segment, from 0 without gaps."""

    @property
    def segments(self) -> int:
        """How many there are."""
        return int(self.segment.max()) + 1

    def slips_from_start(self, model: Model) -> bool:
        """Whether a model's slip began before the first frame; its onset then stands for that."""
        return model.slip_onset is not None and bool(model.slip_onset < self.time[0])

    def with_covariance(self, covariance: Floats) -> Observations:
        """The same with other errors, shape (n, 3, 3) in sky axes, arcsec^2."""
        root = inverse_roots(covariance)
        return replace(self, root=root, information=root @ root)


def inverse_roots(covariance: Floats) -> Floats:
    """Inverse square roots of covariances, shape (n, 3, 3)."""
    values, vectors = np.linalg.eigh(covariance)
    size = np.sqrt(np.maximum(values, 1e-8))[:, None, :]
    return np.asarray((vectors / size) @ np.swapaxes(vectors, 1, 2))


def observations_of(samples: list[Sample], earth_fixed: bool, zenith: Floats) -> Observations:
    time = np.array([s.time_s for s in samples])
    turn = np.zeros((len(samples), 3))
    for n in range(1, len(samples)):
        if samples[n].segment == samples[n - 1].segment:
            turn[n] = turn[n - 1] + excess_rotation_arcsec(samples[n - 1], samples[n], earth_fixed)
    sky = [one.attitude.T @ one.covariance @ one.attitude for one in samples]
    root = inverse_roots(np.array(sky).reshape(-1, 3, 3))
    _, segment = np.unique([s.segment for s in samples], return_inverse=True)
    forward = np.array([s.forward for s in samples])
    exposure = np.array([s.exposure_s for s in samples])
    return Observations(
        samples,
        earth_fixed,
        zenith,
        time - time.mean(),
        turn,
        root,
        forward,
        root @ root,
        exposure,
        segment,
    )


@dataclass(frozen=True, slots=True)
class Model:
    """Which faults a regression holds besides axis and rate."""

    slip_onset: float | None = None
    """Onset on the data's time line."""
    slips_already: bool = False
    """Whether the head slipped all along, and by more from the onset on."""
    flexure: bool = False
    period_s: float = 0.0
    slips_evenly: bool = False
    """Whether the head slips at one rate whatever its lean."""
    rate: bool = True
    """False for a drive that is taken to be right, where a head that slipped all along would
    be mistaken for a wrong one."""


@dataclass(frozen=True, slots=True)
class Regression:
    model: Model
    solution: Floats
    covariance: Floats
    criterion: float
    weights: Floats
    scatter: float
    """Scale of the whitened residuals; 1 where the errors tell all."""
    residual: Floats
    rival: Regression | None = None
    """Another model that explains the pointings about as well."""
    rival_share: float = 0.0
    """How likely that is, of the two."""
    alike: tuple[Regression, ...] = ()
    """The same faults with other periods, which explain the pointings about as well."""


def regress(data: Observations, model: Model, weights: Floats | None = None) -> Regression:
    """Robust generalised least squares with one weight a frame.

    Given `weights` they are kept: one cheap round, to compare many models of one kind.
    """
    design = _columns(data, model)
    count, _, terms = design.shape
    free = terms + 3 * data.segments
    solution, covariance, residual = np.zeros(terms), np.zeros((terms, terms)), np.zeros((count, 3))

    def solve(weighting: Weighting) -> Floats:
        nonlocal solution, covariance, residual
        information = weighting.weights[:, None, None] * data.information
        # A drive that runs right turns as fast as the sky about its own axis, and by the cosine of
        # how far that is off about the pole's: a second order that a degree makes as large as a
        # slip's.
        pole = 0.0 if model.rate or not data.earth_fixed else _about_the_pole(solution)
        seen = replace(data, turn=data.turn - np.outer(data.time, [0.0, 0.0, pole]))
        solution, covariance, starts = _solve(seen, design, information)
        left = seen.turn - design @ solution - starts[data.segment]
        if pole:
            solution[2] = pole
        residual = np.einsum("nij,nj->ni", data.root, left)
        return np.asarray(residual)

    scale = Scale(free=free, efficiency=EFFICIENCY, least=LEAST_SCATTER)
    if weights is None:
        last = reweighted(solve, even(count), 12, **scale)
        weights = last.weights
    else:
        last = cauchy_weighting(solve(Weighting(weights, np.ones(count))), **scale)
    scatter = float(last.sigma[0])
    criterion = _criterion(data, model, free, residual, scatter) + prior_penalty(solution)
    covariance = covariance * max(scatter, 1.0) ** 2
    return Regression(model, solution, covariance, criterion, weights, scatter, residual)


def _about_the_pole(solution: Floats) -> float:
    """What a drive at the sky's rate lacks about the pole, as the third of a solution has it."""
    off = float(np.hypot(*solution[:2])) / SIDEREAL_RATE_ARCSEC_S
    return SIDEREAL_RATE_ARCSEC_S * (1 - float(np.sqrt(max(1 - off**2, 0.0))))


def _criterion(
    data: Observations, model: Model, free: int, residual: Floats, scatter: float
) -> float:
    """What a model costs, but for how likely its axis error is.

    Robust sum of squares, so that one gust does not buy a fault of its own; Bayesian criterion with
    unknown noise, and the correction for few data of Hurvich & Tsai 1989.
    """
    number = residual.size
    squares = cauchy_loss(residual, scatter, EFFICIENCY)
    searched = model.slip_onset is not None and not data.slips_from_start(model)
    free += int(bool(model.period_s)) + int(searched) - int(not model.rate)
    spare = max(number - free - 1, 1)
    return float(
        number * np.log(squares / number + 1e-4)
        + free * np.log(number)
        + 2 * free * (free + 1) / spare
    )


def criteria(data: Observations, models: Sequence[Model], weights: Floats) -> Floats:
    """Criterion of each of many models, of `regress` with the same weights, solved together.

    What the models have in common is solved once; of each only its own columns are solved, less
    what the common ones explain of them (Frisch & Waugh 1933).

    Parameters
    ----------
    data : Observations
    models : sequence of Model
        Alike but for their periods or, without one, their onsets.
    weights : ndarray, shape (n,)
    """
    found: list[float] = []
    if not models:
        return np.array(found)
    periodic = bool(models[0].period_s)
    common = replace(models[0], period_s=0.0) if periodic else replace(models[0], slip_onset=None)
    weighed = np.sqrt(np.maximum(weights, 1e-12))[:, None]
    root = weighed[:, :, None] * data.root
    starts = (data.segment[:, None] == np.arange(data.segments))[:, None, :, None] * root[
        :, :, None
    ]
    starts = starts.reshape(*root.shape[:2], -1)
    base = _stacked(np.concatenate([root @ _columns(data, common), starts], axis=2))
    size = np.maximum(np.linalg.norm(base, axis=0), 1e-15)
    shared, values, back = np.linalg.svd(base / size, full_matrices=False)
    told = values > UNTOLD * values[0]
    shared, back = shared[:, told], (back[told] / values[told, None] / size).T
    turn = (root @ data.turn[:, :, None]).ravel()
    pulled = turn @ shared
    turn = turn - shared @ pulled
    for start in range(0, len(models), AT_ONCE):
        some = models[start : start + AT_ONCE]
        if periodic:
            own = _sines(data, [model.period_s for model in some])
        else:
            own = _slips(data, [one.slip_onset or 0.0 for one in some], models[0].slips_evenly)
        count, terms = own.shape[:2]
        # Rows are columns here, whitened as the others are.
        own = (root @ own.reshape(count * terms, -1, 3).transpose(1, 2, 0)).reshape(len(turn), -1).T
        size = np.maximum(np.linalg.norm(own, axis=1).reshape(count, terms, 1), 1e-15)
        explained = own @ shared
        own = (own - explained @ shared.T).reshape(count, terms, -1) / size
        values, vectors = np.linalg.eigh(own @ np.swapaxes(own, 1, 2))
        inverse = np.where(values > UNTOLD**2, 1 / values, 0.0)
        part = np.swapaxes(vectors, 1, 2) @ (own @ turn)[..., None]
        solution = vectors @ (inverse[..., None] * part)
        residuals = turn - (np.swapaxes(solution, 1, 2) @ own)[:, 0]
        residuals = residuals.reshape(count, -1, 3) / weighed
        explained = (explained.reshape(count, terms, -1) * (solution / size)).sum(axis=1)
        axes = (pulled - explained) @ back[:2].T
        free = base.shape[1] + terms
        scale = Scale(free=free, efficiency=EFFICIENCY, least=LEAST_SCATTER)
        for model, axis, residual in zip(some, axes, residuals, strict=True):
            scatter = float(cauchy_weighting(residual, **scale).sigma[0])
            found.append(_criterion(data, model, free, residual, scatter) + prior_penalty(axis))
    return np.array(found)


UNTOLD = 1e-6
"""Part of a column beyond which another one explains it: rounding, squared."""
AT_ONCE = 64
"""So many models are solved together: of 300 frames they take 3 MB."""


def respond(data: Observations, fit: Regression, turn: Floats) -> Floats:
    """How a further rotation of the frames, shape (n, 3) in arcsec, would change the solution."""
    information = fit.weights[:, None, None] * data.information
    return _solve(replace(data, turn=turn), _columns(data, fit.model), information)[0]


def share_of(gain: float) -> float:
    """How likely the better of two models is, by how much lower its criterion is: criteria are
    minus twice the logarithm of a likelihood each."""
    return float(1 / (1 + np.exp(-np.clip(gain / 2, -50, 50))))


def prior_penalty(solution: Floats) -> float:
    """Minus twice the logarithm of how likely an axis error is before anything is seen.

    Any size is as likely as any other by its logarithm, down to what an alignment can reach,
    so that in the plane of the two errors the density falls with the square of the size. It
    tells a head that slips all along from the huge axis and rate errors that would mimic it.
    """
    size_arcmin = np.degrees(np.hypot(*solution[:2]) / SIDEREAL_RATE_ARCSEC_S) * 60
    return float(4 * np.log(max(size_arcmin, BEST_ALIGNMENT_ARCMIN)))


def _solve(
    data: Observations, design: Floats, information: Floats
) -> tuple[Floats, Floats, Floats]:
    """Weighted least squares with a free start a segment, the starts eliminated by hand.

    `design` has shape (n, 3, terms). Returns the solution, its covariance, and the starts, shape
    (segments, 3).
    """
    member = np.arange(data.segments)[:, None] == data.segment
    inverse = np.linalg.inv(_summed(member, information))
    pulled = information @ design
    pushed = (information @ data.turn[:, :, None])[:, :, 0]
    sums = _summed(member, pulled)
    totals = _summed(member, pushed[:, :, None])[..., 0]
    started = inverse @ sums
    turned = np.swapaxes(_stacked(design), -1, -2)
    normal = turned @ _stacked(pulled) - np.swapaxes(_stacked(sums), -1, -2) @ _stacked(started)
    slope = turned @ pushed.ravel() - np.swapaxes(_stacked(started), -1, -2) @ totals.ravel()
    # A rate that is taken to be right has a column of zeros: rounding must not blow it up.
    own = np.diagonal(normal, axis1=-2, axis2=-1)
    size = np.where(own > 0, np.sqrt(np.maximum(own, 0.0)), 1.0)
    sizes = size[..., :, None] * size[..., None, :]
    covariance = np.linalg.pinv(normal / sizes, rcond=1e-12, hermitian=True) / sizes
    solution = (covariance @ slope[..., None])[..., 0]
    left = totals - (sums @ solution[..., None, :, None])[..., 0]
    starts = (inverse @ left[..., None])[..., 0]
    return solution, covariance, starts


def _summed(member: NDArray[np.bool_], blocks: Floats) -> Floats:
    """Blocks of three rows, shape (..., n, 3, terms), summed by segment."""
    flat = blocks.reshape(*blocks.shape[:-2], -1)
    sums = member.astype(float) @ flat
    return np.asarray(sums.reshape(*sums.shape[:-1], *blocks.shape[-2:]))


def _stacked(blocks: Floats) -> Floats:
    """Blocks of three rows each as one tall matrix."""
    return blocks.reshape(*blocks.shape[:-3], -1, blocks.shape[-1])


def _columns(data: Observations, model: Model) -> Floats:
    """Design, shape (n, 3, terms): u, v, epsilon, then the model's faults."""
    count = len(data.samples)
    columns: list[Floats] = []
    time = data.time
    if data.earth_fixed:
        for axis in np.eye(3):
            columns.append(np.outer(time, axis))
        if not model.rate:
            columns[2] = np.zeros_like(columns[2])
    else:
        # The Earth's axes turn in the frame of the stars: u and v turn with them.
        angle = SIDEREAL_RATE_ARCSEC_S / RAD_TO_ARCSEC * time
        w = SIDEREAL_RATE_ARCSEC_S / RAD_TO_ARCSEC
        zero = np.zeros(count)
        columns.append(np.stack([np.sin(angle) / w, (1 - np.cos(angle)) / w, zero], 1))
        columns.append(np.stack([-(1 - np.cos(angle)) / w, np.sin(angle) / w, zero], 1))
        columns.append(np.stack([zero, zero, time], 1))
    if model.slip_onset is not None:
        onsets = [model.slip_onset, *([data.time[0]] if model.slips_already else [])]
        columns += [one[0] for one in _slips(data, onsets, model.slips_evenly)]
    if model.flexure:
        columns.append(_integral(flexure_rate(data.zenith, data.forward), time))
    if model.period_s:
        columns += list(_sines(data, [model.period_s])[0])
    return np.stack(columns, -1)


def _slips(data: Observations, onsets: Sequence[float], evenly: bool = False) -> Floats:
    """Column of a slip from each onset on, shape (onsets, 1, n, 3)."""
    pull = slip_pull(data.zenith, data.forward, evenly)
    return _integral(pull, np.maximum(data.time - np.array(onsets)[:, None, None], 0))


def slip_path(data: Observations, model: Model, arcsec_per_s: float) -> tuple[Floats, Floats]:
    """How far a head has slipped at each frame, shape (n, 3), arcsec, and for how long, s."""
    assert model.slip_onset is not None
    path = _slips(data, [model.slip_onset], model.slips_evenly)[0, 0]
    since = np.maximum(data.time - max(model.slip_onset, float(data.time[0])), 0.0)
    return arcsec_per_s * path, since


def _sines(data: Observations, periods_s: Sequence[float]) -> Floats:
    """Columns of a periodic error of each period, shape (periods, 2, n, 3)."""
    period = np.array(periods_s)[:, None]
    phase = 2 * np.pi * data.time / period
    # An exposure averages the motion: sinc(T / P).
    worn = np.sinc(data.exposure_s / period)
    return np.stack([worn * np.sin(phase), worn * np.cos(phase)], 1)[..., None] * [0.0, 0.0, 1.0]


def _integral(rate: Floats, clock: Floats) -> Floats:
    """Rotation since the first frame, shape (..., n, 3), of a rate that changes as the sky turns.

    `rate` has shape (n, 3), `clock` (..., n).
    """
    steps = np.diff(clock)[..., None] * (rate[1:] + rate[:-1]) / 2
    return np.concatenate([np.zeros_like(steps[..., :1, :]), np.cumsum(steps, axis=-2)], axis=-2)


def slip_pull(zenith: Floats, forward: Floats, evenly: bool) -> Floats:
    """Rotation of a head that gives way, per unit of its speed, shape (..., 3).

    Gravity pulls a tilted camera with the sine of its distance from the zenith; a head that slips
    `evenly` has that direction alone.
    """
    pull = np.cross(zenith, forward)
    if evenly:
        pull = pull / np.maximum(np.linalg.norm(pull, axis=-1, keepdims=True), 1e-6)
    return np.asarray(pull)


def flexure_rate(zenith: Floats, forward: Floats) -> Floats:
    """Rotation a second of an elastic head that follows the sky, per unit of its flexure.

    The flexure d = zenith x forward is carried round with the sky as it changes: what is left is
    d' - sky x d = (zenith x sky) x forward, a turn without roll.
    """
    sky = np.array([0.0, 0.0, -SIDEREAL_RATE_ARCSEC_S / RAD_TO_ARCSEC])
    return np.cross(np.cross(zenith, sky), forward)


def pointing_scatter_arcsec(data: Observations, best: Regression) -> float:
    """Robust scatter of the pointing part of the residuals."""
    left = np.linalg.solve(data.root, best.residual[..., None])[..., 0]
    # What moves the stars is the turn across the line of sight: two numbers.
    across = np.linalg.norm(np.cross(left, data.forward), axis=1)
    freedom = 1 - (len(best.solution) + 3 * data.segments) / (3 * len(left))
    return float(np.median(across)) / median_length(2) / float(np.sqrt(max(freedom, 1 / len(left))))
