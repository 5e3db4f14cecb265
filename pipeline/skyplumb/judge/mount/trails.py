"""What the trails of single frames say of the axis and the rate, where the aim moved between them.

Over one exposure the sky turns rigidly against the camera, by a rotation that is linear in the axis
error (u, v), the rate error and a slip. A frame's trail is the length and the line of that drift
without its sign: its second moments are the square of it. Frames of several directions, or hours on
one, settle the signs against each other, but the opposite of all of them draws the same trails.
That common sign comes from refraction, whose drift is known, and from how the camera turned between
the frames, which a dither hardly touches about the line of sight.

So a fit is started from a ring of axes, and from the opposite of what it found; what the second
leaves more than the first is how surely the sign is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount.model_choice import unlikely
from skyplumb.judge.mount.paths import refraction_path
from skyplumb.judge.mount.regression import slip_pull
from skyplumb.judge.mount.samples import Sample, excess_rotation_arcsec
from skyplumb.robust import cauchy_cut, cauchy_loss, robust_sigma
from skyplumb.rowwise import inverses, solved

Floats = NDArray[np.float64]

SMALLEST_SIGMA_PX2 = 0.01
"""A trail of a third of a pixel: what a lens of unknown shape leaves of a frame's own."""
SHAPE_SHARE = 0.06
"""Of a trail's second moment: 3 % of its length, from the star's profile."""
ROUND_SIGMA_PX2 = 0.05
"""How far from round a lens may draw stars at its centre, px^2, in all frames alike."""
RATE_SIGMA = 3e-4
"""Of a drive that runs at the sky's rate: quartz and gears are good to some parts in ten thousand
(common practice, no source)."""
WRONG_RATE = 0.02
"""Of a drive that is out of order."""
RING, SIZES = 12, (0.5, 1.0, 2.0)
"""Directions of the axes that a fit is started from, and their sizes over that of the trails."""
ROUNDS = 8
WIDE_SCALES = (20.0, 4.0)
"""Over the trails' errors, from which a fit begins."""
FAR_ARCSEC = 7200.0
"""A move between two frames that is a new field and no dither."""
LEAST_MOVE_ARCSEC, LEAST_TURN_ARCSEC = 2.0, 10.0
"""No hand moves a camera by less than about so much, or turns it about its line of sight (our
choice)."""
NO_WORD = 1e6
CENTRED_ANEW = 4.0
"""Chi squared that it costs to say that the moves undid the drift: a chance of one in seven."""
GOOD_ALIGNMENT_ARCMIN = 1.0
FAR_OFF_DEG = 2.0
"""Of an axis that somebody pointed at the pole by eye."""
SETTLED_CHI2 = 9.0
"""Three sigma."""
DRAWN_CHI2 = 6.0
"""95 % of two numbers, from memory."""


@dataclass(frozen=True, slots=True)
class Trail:
    """Stretch of one frame's stars at the middle of the field, beyond the lens's."""

    moments_px2: Floats
    """Shape (2,): mxx - myy and 2 mxy, of an even trail d: d^2 / 12 along twice its angle."""
    sigma_px2: float


@dataclass(frozen=True, slots=True)
class Faults:
    """Which faults a fit of trails holds besides the axis, and how large they may be."""

    rate_sigma: float = RATE_SIGMA
    slip_onset: float | None = None
    """On the session's time line; minus infinity for one that began before the first frame."""

    @property
    def slip(self) -> bool:
        """Whether the head slips."""
        return self.slip_onset is not None

    @property
    def terms(self) -> int:
        """How many numbers are sought, but for the lens's."""
        return 4 if self.slip else 3


SLIP_SIGMA_ARCSEC_S = 5.0
"""Of a head that slips, level: five arcminutes a minute are much."""
MET = {"axis": 0.82, "rate": 0.08, "slip": 0.1}
"""How often each is met beside an axis error: most drives run right and most heads hold (our
choice)."""
MOST_ONSETS = 8
FINER = 4
"""Halvings of the time between two onsets."""
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Evidence:
    """Frames with their trails, and how the camera turned between them."""

    path: Floats
    """Shape (n, 2, 4): drift over the exposure, px, for a unit of u, v, epsilon and slip."""
    known: Floats
    """Shape (n, 2): drift by refraction, px."""
    moments: Floats
    """Shape (n, 2), px^2."""
    sigma: Floats
    """Shape (n,), px^2."""
    turn: Floats
    """Shape (m, 3): rotations from a frame to the next beyond the sky's, arcsec, camera axes."""
    turned: Floats
    """Shape (m, 3, 4): the same for a unit of each fault."""
    noise: Floats
    """Shape (m, 3): errors of `turn`, moves of the aim not in them."""
    moved: NDArray[np.bool_]
    """Shape (m,): whether the aim was moved between the two."""
    open_s: Floats
    """Shape (n, 2): when each exposure began and ended."""
    between_s: Floats
    """Shape (m, 2): the middles of the two frames of each turn."""

    def slipping_from(self, onset_s: float) -> Evidence:
        """The same with a slip that has its effect from then on alone."""
        path, turned = self.path.copy(), self.turned.copy()
        path[:, :, 3] *= _after(onset_s, self.open_s)[:, None]
        turned[:, :, 3] *= _after(onset_s, self.between_s)[:, None]
        return replace(self, path=path, turned=turned)


@dataclass(frozen=True, slots=True)
class TrailFit:
    """Axis, rate and slip by trails."""

    solution: Floats
    """u and v (rad), epsilon, and a slip's arcsec/s where one is held."""
    covariance: Floats
    chi2: float
    """Robust, with the priors' part."""
    opposite_chi2: float
    """Of the best solution near the opposite of all drifts."""
    scale: float
    """Of the trails' residuals, over their errors."""
    none_chi2: float
    """The same of an axis without error."""
    log_evidence: float
    """Logarithm of the likelihood over all sizes of the faults, but for a constant."""

    @property
    def may_be_none(self) -> bool:
        """Whether an axis without error does not fit clearly worse."""
        return self.none_chi2 - self.chi2 < DRAWN_CHI2

    @property
    def sign_known(self) -> bool:
        """Whether the opposite of all drifts is clearly worse."""
        return self.opposite_chi2 - self.chi2 > SETTLED_CHI2


def _after(onset_s: float, spans_s: Floats) -> Floats:
    """Part of each span, shape (n, 2), that lies after a moment."""
    if np.isneginf(onset_s):
        return np.ones(len(spans_s))
    return np.asarray(np.clip((spans_s[:, 1] - onset_s) / (spans_s[:, 1] - spans_s[:, 0]), 0, 1))


def evidence_of(
    lights: Sequence[Light],
    samples: Sequence[Sample],
    trails: Mapping[str, Trail],
    moved: frozenset[str],
    zenith: Floats,
) -> Evidence:
    """The frames with known trails, and the turns between all of them.

    Parameters
    ----------
    lights : sequence of Light
        Solved and timed, held against the Earth.
    samples : sequence of Sample
        Of the same frames, in order of time.
    trails : mapping
        By file.
    moved : frozenset of str
        Files of frames before which the aim was moved.
    zenith : ndarray, shape (3,)
    """
    by_file = {light.file: light for light in lights}
    path, known, moments, sigma, open_s = [], [], [], [], []
    for sample in samples:
        trail = trails.get(sample.file)
        if trail is None:
            continue
        light = by_file[sample.file]
        camera = light.pointing.camera
        assert camera is not None
        a = sample.attitude
        per_arcsec = camera.focal_px / RAD_TO_ARCSEC * np.stack([-camera.parity * a[1], a[0]])
        columns = _faults(sample, zenith, sample.exposure_s)
        path.append(per_arcsec @ columns.T)
        air = refraction_path(light, np.linspace(-0.5, 0.5, 3) * sample.exposure_s)
        known.append(air[-1] - air[0])
        moments.append(trail.moments_px2)
        open_s.append(sample.time_s + np.array([-0.5, 0.5]) * sample.exposure_s)
        size = float(np.hypot(*trail.moments_px2))
        sigma.append(
            float(np.sqrt(trail.sigma_px2**2 + SMALLEST_SIGMA_PX2**2 + (SHAPE_SHARE * size) ** 2))
        )
    turn, turned, noise, was_moved, between_s = [], [], [], [], []
    for before, after in pairwise(samples):
        seconds = after.time_s - before.time_s
        if seconds <= 0 or by_file[before.file].info.lens != by_file[after.file].info.lens:
            continue
        excess = after.attitude @ excess_rotation_arcsec(before, after, True)
        if np.hypot(*excess[:2]) > FAR_ARCSEC:
            continue
        turn.append(excess)
        turned.append(after.attitude @ _faults(after, zenith, seconds).T)
        noise.append(np.sqrt(np.diag(before.covariance) + np.diag(after.covariance)))
        was_moved.append(after.file in moved)
        between_s.append((before.time_s, after.time_s))
    return Evidence(
        np.array(path).reshape(-1, 2, 4),
        np.array(known).reshape(-1, 2),
        np.array(moments).reshape(-1, 2),
        np.array(sigma),
        np.array(turn).reshape(-1, 3),
        np.array(turned).reshape(-1, 3, 4),
        np.array(noise).reshape(-1, 3),
        np.array(was_moved, bool),
        np.array(open_s).reshape(-1, 2),
        np.array(between_s).reshape(-1, 2),
    )


def _faults(sample: Sample, zenith: Floats, seconds: float) -> Floats:
    """Rotation, arcsec in sky axes, that a unit of each fault makes in a time; shape (4, 3)."""
    axis_rate = -SIDEREAL_RATE_ARCSEC_S * seconds * np.eye(3)
    pull = slip_pull(zenith, sample.forward, evenly=False)
    return np.concatenate([axis_rate, seconds * pull[None]])


def fit_trails(data: Evidence, faults: Faults, near: TrailFit | None = None) -> TrailFit:
    """The faults that draw these trails and turns, by robust least squares from many starts.

    Parameters
    ----------
    data : Evidence
    faults : Faults
    near : TrailFit, optional
        A fit with fewer faults: then fewer starts all round are tried besides.
    """
    terms = faults.terms
    if faults.slip_onset is not None:
        data = data.slipping_from(faults.slip_onset)
    starts = _ring(data, terms, SIZES) if near is None else _ring(data, terms, SIZES[1:2])[::3]
    noise = _with_moves(data, np.zeros(4))
    if near is not None:
        also = np.zeros((2, terms + 2))
        also[:, :3] = near.solution[:3]
        also[1] *= -1
        starts = np.concatenate([also, starts])
        noise = _with_moves(data, np.append(near.solution[:3], 0.0))
    scale = 1.0
    # Far from the truth most trails are many errors off, and robust weights know no way down.
    for wide in WIDE_SCALES:
        starts, _ = _climbed(data, faults, starts, noise, wide)
    for _ in range(2 if near is None else 1):
        found, chi2 = _climbed(data, faults, starts, noise, scale)
        best = found[int(np.argmin(_possible(faults, found, chi2)))]
        noise = _with_moves(data, np.concatenate([best[:terms], np.zeros(4 - terms)]))
        freedom = 1 - (terms + 2) / max(2 * len(data.moments), terms + 3)
        drift = _drifts(data, best[None], terms)
        left = _trail_residuals(data, drift, best[None], terms)[0]
        scale = max(robust_sigma(left, max(freedom, 0.2)), 1.0)
        starts = np.stack([best, _opposite(best, terms), *starts[:: max(len(starts) // 4, 1)]])
    found, chi2 = _climbed(data, faults, starts, noise, scale)
    n = int(np.argmin(_possible(faults, found, chi2)))
    best = found[n]
    away, other = _climbed(data, faults, _opposite(best, terms)[None], noise, scale)
    same = bool(np.dot(away[0][:2], best[:2]) > 0)
    ours, theirs = _moves_chi2(data, [best[:terms], away[0][:terms]])
    other = _possible(faults, away, other)
    mine, opposite = float(chi2[n]) + ours, float(other[0]) + theirs
    if not same and opposite < mine:
        best, mine, opposite = away[0], opposite, mine
    normal = _normal(data, faults, best[None], noise, scale)[0][0]
    covariance = inverses(normal[None])[0]
    # Any size of an axis error is as likely as another by its logarithm, down to a good alignment.
    size = max(float(np.hypot(*best[:2])), np.radians(GOOD_ALIGNMENT_ARCMIN / 60))
    log_evidence = (
        -mine / 2
        - 2 * len(data.moments) * np.log(scale)
        + np.linalg.slogdet(covariance)[1] / 2
        + np.sum(np.log(_held(faults)[2:])) / 2
        - 2 * np.log(size)
    )
    return TrailFit(
        solution=best[:terms],
        covariance=covariance[:terms, :terms],
        chi2=mine,
        opposite_chi2=float(np.inf) if same else opposite,
        none_chi2=_chi2_without(data, faults, best, noise, scale),
        scale=scale,
        log_evidence=float(log_evidence),
    )


def _chi2_without(
    data: Evidence, faults: Faults, solution: Floats, noise: Floats, scale: float
) -> float:
    """Robust chi squared of all but the axis error, fitted again."""
    fewer = replace(data, path=data.path.copy(), turned=data.turned.copy())
    fewer.path[:, :, :2] = 0
    fewer.turned[:, :, :2] = 0
    start = solution.copy()
    start[:2] = 0
    found, chi2 = _climbed(fewer, faults, start[None], noise, scale)
    (ours,) = _moves_chi2(fewer, [found[0][: faults.terms]])
    return float(chi2[0]) + ours


def _held(faults: Faults) -> Floats:
    """One over the square of what is known beforehand of each number."""
    held = np.zeros(faults.terms + 2)
    held[:2] = 1 / np.radians(FAR_OFF_DEG) ** 2
    held[2] = 1 / faults.rate_sigma**2
    if faults.slip:
        held[3] = 1 / SLIP_SIGMA_ARCSEC_S**2
    held[faults.terms :] = 1 / ROUND_SIGMA_PX2**2
    return held


def _possible(faults: Faults, solutions: Floats, chi2: Floats) -> Floats:
    """The chi squared, infinite where a head would slip upwards: gravity settles the sign."""
    return np.where(solutions[:, 3] > 0, chi2, np.inf) if faults.slip else chi2


def _ring(data: Evidence, terms: int, sizes: Sequence[float]) -> Floats:
    """Starts, shape (s, terms + 2): axes all round that draw trails as long as these."""
    length2 = 12 * np.hypot(*data.moments.T)
    per_unit = np.sqrt(np.mean(data.path[:, :, :2] ** 2) * 2)
    size = float(np.sqrt(np.median(length2) + 0.05)) / max(float(per_unit), 1e-9)
    angles = 2 * np.pi * np.arange(RING) / RING
    starts = np.zeros((RING * len(sizes), terms + 2))
    for n, share in enumerate(sizes):
        rows = slice(n * RING, (n + 1) * RING)
        starts[rows, 0] = share * size * np.cos(angles)
        starts[rows, 1] = share * size * np.sin(angles)
    return starts


def _opposite(solution: Floats, terms: int) -> Floats:
    """What draws every trail the other way round."""
    return np.concatenate([-solution[:terms], solution[terms:]])


def _with_moves(data: Evidence, solution: Floats) -> Floats:
    """Errors of the turns, shape (m, 3), with those of the moves between frames.

    About the line of sight a move is as large as its scatter; across it, it says nothing here (see
    `_moves_chi2`).
    """
    noise = data.noise.copy()
    if not data.moved.any():
        return noise
    left = (data.turn - data.turned @ solution)[data.moved]
    about = max(robust_sigma(left[:, 2]), LEAST_TURN_ARCSEC)
    noise[data.moved] = np.hypot(noise[data.moved], [NO_WORD, NO_WORD, about])
    return noise


def _moves_chi2(data: Evidence, fits: Sequence[Floats]) -> list[float]:
    """How badly each of some solutions fits the moves between frames, as far as they say anything.

    A dither scatters about where the mount has drifted to, so that its moves show the drift on
    the average; whoever centres the target anew undoes it, and then they show none. So each is
    held against the likelier of the two.
    """
    if not data.moved.any():
        return [0.0] * len(fits)
    turn, turned = data.turn[data.moved, :2], data.turned[data.moved, :2]
    left = [turn - turned[:, :, : len(one)] @ one for one in fits]
    scatter = max(min(robust_sigma(one) for one in (turn, *left)), LEAST_MOVE_ARCSEC)
    undone, *chi2 = (cauchy_loss(one / scatter, 1.0) for one in (turn, *left))
    return [min(one, undone + CENTRED_ANEW) for one in chi2]


def _drifts(data: Evidence, x: Floats, terms: int) -> Floats:
    """Over each exposure, px, by each solution; shape (s, n, 2)."""
    drift = data.known + np.einsum("nij,sj->sni", data.path[:, :, :terms], x[:, :terms])
    return np.asarray(drift)


def _trail_residuals(data: Evidence, drift: Floats, x: Floats, terms: int) -> Floats:
    """Of the trails that these drifts draw, over their errors; shape (s, n, 2)."""
    return np.asarray((data.moments - _squared(drift) - x[:, None, terms:]) / data.sigma[:, None])


def _squared(drift: Floats) -> Floats:
    """Second moments of even trails: mxx - myy and 2 mxy, px^2."""
    return (
        np.stack([drift[..., 0] ** 2 - drift[..., 1] ** 2, 2 * drift[..., 0] * drift[..., 1]], -1)
        / 12
    )


def _climbed(
    data: Evidence, faults: Faults, starts: Floats, noise: Floats, scale: float
) -> tuple[Floats, Floats]:
    """Gauss and Newton's steps from many starts; solutions and their chi squared."""
    x = starts
    normal, slope, chi2 = _normal(data, faults, x, noise, scale)
    damping = np.full(len(x), 0.1)
    for _ in range(ROUNDS):
        diagonal = np.einsum("sii->si", normal)
        damped = normal + damping[:, None, None] * (diagonal[:, :, None] * np.eye(x.shape[1]))
        tried = x + solved(damped, slope)
        ours, theirs, value = _normal(data, faults, tried, noise, scale)
        better = value < chi2
        x = np.where(better[:, None], tried, x)
        normal = np.where(better[:, None, None], ours, normal)
        slope = np.where(better[:, None], theirs, slope)
        chi2 = np.where(better, value, chi2)
        damping = np.where(better, damping * 0.3, damping * 5)
    return x, chi2


def _normal(
    data: Evidence, faults: Faults, x: Floats, noise: Floats, scale: float
) -> tuple[Floats, Floats, Floats]:
    """Normal equations of each solution, and its robust chi squared."""
    terms = faults.terms
    path = data.path[:, :, :terms]
    drift = _drifts(data, x, terms)
    left = _trail_residuals(data, drift, x, terms) / scale
    dx, dy = drift[..., 0], drift[..., 1]
    change = np.stack([np.stack([dx, -dy], -1), np.stack([dy, dx], -1)], -2) / 6
    slopes = np.einsum("snij,njk->snik", change, path)
    both = np.concatenate([slopes, np.broadcast_to(np.eye(2), (*slopes.shape[:2], 2, 2))], -1)
    both = both / (scale * data.sigma[:, None, None])
    normal, slope, chi2 = _summed(left, both)
    turned = data.turned[:, :, :terms] / noise[:, :, None]
    turned = np.concatenate([turned, np.zeros((*turned.shape[:2], 2))], -1)
    over = data.turn / noise - np.einsum("mij,sj->smi", turned, x)
    wide = np.broadcast_to(turned, (len(x), *turned.shape))
    for some in (slice(0, 2), slice(2, 3)):
        n, s, c = _summed(over[:, :, some], wide[:, :, some])
        normal, slope, chi2 = normal + n, slope + s, chi2 + c
    # What is known of any drive and lens.
    held = _held(faults)
    normal = normal + np.diag(held)
    slope = slope - held * x
    chi2 = chi2 + (held * x**2).sum(1)
    return normal, slope, chi2


def _summed(left: Floats, design: Floats) -> tuple[Floats, Floats, Floats]:
    """Of residuals, shape (s, n, d), and their design (s, n, d, k): with Cauchy's weights."""
    if left.shape[1] == 0:
        size = design.shape[-1]
        return np.zeros((len(left), size, size)), np.zeros((len(left), size)), np.zeros(len(left))
    cut2 = cauchy_cut(left.shape[2]) ** 2
    square = (left**2).sum(2)
    weight = 1 / (1 + square / cut2)
    weighed = design * weight[:, :, None, None]
    normal = np.einsum("sndk,sndl->skl", weighed, design)
    slope = np.einsum("sndk,snd->sk", weighed, left)
    return normal, slope, cut2 * np.log1p(square / cut2).sum(1)


@dataclass(frozen=True, slots=True)
class Weighed:
    """One of the models that may have drawn the trails."""

    share: float
    """How likely it is, of all that were tried."""
    faults: Faults
    fit: TrailFit


_Tried = tuple[float, Faults, TrailFit]
"""Logarithm of a model's chance, the model, its fit."""


def weigh(data: Evidence) -> list[Weighed]:
    """The models that explain the trails, the likeliest first, by how well and how rare they are.

    The chance of each is its likelihood over all sizes of its faults (Laplace's approximation)
    times that of meeting it; what is less likely than `LEAST_SHARE` is left out.
    """
    plain = fit_trails(data, Faults())
    found: list[_Tried] = [(np.log(MET["axis"]) + plain.log_evidence, Faults(), plain)]
    wrong = Faults(WRONG_RATE)
    fit = fit_trails(data, wrong, plain)
    if not unlikely(fit.solution[:3]):
        found.append((np.log(MET["rate"]) + fit.log_evidence, wrong, fit))
    onsets = _onsets(data)
    for onset in onsets:
        slipping = Faults(slip_onset=onset)
        fit = fit_trails(data, slipping, plain)
        if fit.solution[3] > 0:  # no head slips upwards
            chance = np.log(MET["slip"] / len(onsets)) + fit.log_evidence
            found.append((chance, slipping, fit))
    found += _with_finer_onset(data, found, plain)
    best = max(one[0] for one in found)
    chances = np.exp([one[0] - best for one in found])
    shares = chances / chances.sum()
    weighed = [
        Weighed(float(share), faults, fit)
        for share, (_, faults, fit) in zip(shares, found, strict=True)
        if share > LEAST_SHARE
    ]
    return sorted(weighed, key=lambda one: -one.share)


def _with_finer_onset(data: Evidence, found: list[_Tried], plain: TrailFit) -> list[_Tried]:
    """The best of the slips with its onset sought between the frames, where it leads."""
    best = max(found, key=lambda one: one[0])
    onset = best[1].slip_onset
    if onset is None or np.isneginf(onset):
        return []
    width = float(np.ptp(data.open_s)) / MOST_ONSETS / 2
    for _ in range(FINER):
        for moved in (-width, width):
            slipping = Faults(slip_onset=(best[1].slip_onset or 0.0) + moved)
            fit = fit_trails(data, slipping, plain)
            # Of one slip, looked for at two moments: it is not likelier for that.
            chance = best[0] - best[2].log_evidence + fit.log_evidence
            if fit.solution[3] > 0 and chance > best[0]:
                best = (chance, slipping, fit)
        width /= 2
    return [best]


def _onsets(data: Evidence) -> list[float]:
    """When a slip may have begun: before all frames, or between some of them."""
    begins = data.open_s[2:-2, 0]
    few = np.linspace(0, len(begins) - 1, min(len(begins), MOST_ONSETS)).round().astype(int)
    return [-np.inf, *(float(begins[n]) for n in few)]
