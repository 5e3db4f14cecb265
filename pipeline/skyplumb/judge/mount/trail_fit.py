"""The faults that draw the trails of one placement's frames, where the aim moved between them.

Frames of several directions, or hours on one, settle the signs of their trails against each other,
but the opposite of all faults draws the same trails. That common sign comes from refraction, whose
drift is known, and from how the camera turned between the frames, which a dither hardly touches
about the line of sight.

So a fit is started from a ring of axes, and from the opposite of what it found; what the second
leaves more than the first is how surely the sign is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from skyplumb.judge.mount.paths import time_mean
from skyplumb.judge.mount.trails import Evidence
from skyplumb.robust import cauchy_cut, cauchy_loss, robust_sigma
from skyplumb.rowwise import inverses, solved

Floats = NDArray[np.float64]

ROUND_SIGMA_PX2 = 0.05
"""How far from round a lens may draw stars at its centre, px^2, in all frames alike."""
RATE_SIGMA = 3e-4
"""Of a drive that runs at the sky's rate: quartz and gears are good to some parts in ten thousand
(common practice, no source)."""
SLIP_SIGMA_ARCSEC_S = 5.0
"""Of a head that slips, level: five arcminutes a minute are much."""
SWING_SIGMA_S = 2.0
"""Of a periodic error's sine and cosine, in seconds of the sky's turn: half an arcminute (common
practice of small trackers, no source)."""
STEPS = 9
"""Moments of an exposure at which its path is known."""
RING, SIZES = 12, (0.5, 1.0, 2.0)
"""Directions of the axes that a fit is started from, and their sizes over that of the trails."""
PHASES = 6
"""Of a periodic error, that a fit is started from."""
ROUNDS = 8
WIDE_SCALES = (20.0, 4.0)
"""Over the trails' errors, from which a fit begins."""
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
class Faults:
    """Which faults a fit of trails holds besides the axis, and how large they may be."""

    rate_sigma: float = RATE_SIGMA
    slip_onset: float | None = None
    """On the session's time line; minus infinity for one that began before the first frame."""
    slips_already: bool = False
    """Whether the head slipped all along, and by more from the onset on."""
    slips_evenly: bool = False
    """Whether it slips at one rate whatever its lean."""
    period_s: float | None = None
    """Of a periodic error of the drive."""

    @property
    def slips(self) -> int:
        """How many slips, one upon the other."""
        return 0 if self.slip_onset is None else 1 + self.slips_already

    @property
    def terms(self) -> int:
        """How many numbers are sought, but for the lens's: u, v, epsilon, slips, sine, cosine."""
        return 3 + self.slips + 2 * (self.period_s is not None)

    def held(self) -> Floats:
        """One over the square of what is known beforehand of each number, the lens's too."""
        sigmas = [np.radians(FAR_OFF_DEG), np.radians(FAR_OFF_DEG), self.rate_sigma]
        sigmas += [SLIP_SIGMA_ARCSEC_S] * self.slips
        if self.period_s is not None:
            sigmas += [SWING_SIGMA_S, SWING_SIGMA_S]
        return 1 / np.array([*sigmas, ROUND_SIGMA_PX2, ROUND_SIGMA_PX2]) ** 2


@dataclass(frozen=True)
class Drawn:
    """What a unit of each of some faults draws in each frame, and turns between two."""

    evidence: Evidence
    faults: Faults

    @cached_property
    def squares(self) -> Floats:
        """Second moments, shape (n, 2, k + 1, k + 1), as quadratic forms of the k numbers and a
        one, which stands for refraction: mxx - myy and 2 mxy, px^2."""
        data = self.evidence
        part = np.linspace(0, 1, STEPS)
        time = data.open_s[:, :1] + part * np.ptp(data.open_s, axis=1)[:, None]
        effect = _effect(self.faults, time, data.open_s.mean(1)[:, None])
        each = [
            data.rate[:, None, :, column] * values[:, :, None]
            for values, column in zip(effect, _columns(self.faults), strict=True)
        ]
        path = np.stack([*each, data.known[:, None, :] * part[:, None]], -1)
        path = np.moveaxis(path, 1, 0)
        path = path - time_mean(path)
        x, y = path[:, :, 0], path[:, :, 1]
        xx, yy, xy = (
            time_mean(a[..., :, None] * b[..., None, :]) for a, b in ((x, x), (y, y), (x, y))
        )
        return np.stack([xx - yy, xy + np.swapaxes(xy, -1, -2)], 1)

    @cached_property
    def turned(self) -> Floats:
        """Rotations between frames, shape (m, 3, k), arcsec, of a unit of each fault."""
        data = self.evidence
        effect = _effect(self.faults, data.between_s, data.between_s[:, :1])
        each = [
            data.turn_rate[:, :, column] * np.diff(values, axis=1)
            for values, column in zip(effect, _columns(self.faults), strict=True)
        ]
        return np.stack(each, -1)

    def without_axis(self) -> Drawn:
        """The same of an axis without error."""
        fewer = replace(self.evidence, rate=self.evidence.rate.copy())
        fewer.rate[:, :, :2] = 0
        return Drawn(
            replace(fewer, turn_rate=self.evidence.turn_rate * [0, 0, 1, 1, 1]), self.faults
        )


def _columns(faults: Faults) -> list[int]:
    """Which of a frame's rates goes with each number."""
    return [
        0,
        1,
        2,
        *[3 + faults.slips_evenly] * faults.slips,
        *([2, 2] if faults.period_s else []),
    ]


def _effect(faults: Faults, time_s: Floats, middle_s: Floats) -> list[Floats]:
    """How far a unit of each fault has gone, in seconds of its rate, at some moments."""
    since = time_s - middle_s
    out = [since, since, since]
    if faults.slip_onset is not None:
        begun = not np.isneginf(faults.slip_onset)
        out.append(np.maximum(time_s - faults.slip_onset, 0) if begun else since)
        out += [since] * faults.slips_already
    if faults.period_s:
        phase = 2 * np.pi * time_s / faults.period_s
        out += [np.sin(phase), np.cos(phase)]
    return out


@dataclass(frozen=True, slots=True)
class TrailFit:
    """Axis, rate and slip by trails."""

    faults: Faults
    solution: Floats
    """u and v (rad), epsilon, and where they are sought slips (arcsec/s), and the sine and cosine
    of a periodic error (seconds of the sky's turn)."""
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


def fit_trails(data: Evidence, faults: Faults, near: TrailFit | None = None) -> TrailFit:
    """The faults that draw these trails and turns, by robust least squares from many starts.

    Parameters
    ----------
    data : Evidence
    faults : Faults
    near : TrailFit, optional
        A fit with fewer faults: then fewer starts all round are tried besides.
    """
    drawn = Drawn(data, faults)
    terms = faults.terms
    if near is None:
        starts = _ring(drawn, SIZES)
        noise = _with_moves(drawn, np.zeros(terms))
    else:
        also = _beside(drawn, near)
        starts = np.concatenate([also, _ring(drawn, SIZES[1:2])[::3]])
        noise = _with_moves(drawn, also[0, :terms])
    scale = 1.0
    # Far from the truth most trails are many errors off, and robust weights know no way down.
    for wide in WIDE_SCALES:
        starts, _ = _climbed(drawn, starts, noise, wide)
    for _ in range(2 if near is None else 1):
        found, chi2 = _climbed(drawn, starts, noise, scale)
        best = found[int(np.argmin(_possible(faults, found, chi2)))]
        noise = _with_moves(drawn, best[:terms])
        freedom = 1 - (terms + 2) / max(2 * len(data.moments), terms + 3)
        left = _trail_residuals(drawn, best[None])[0][0]
        scale = max(robust_sigma(left, max(freedom, 0.2)), 1.0)
        starts = np.stack([best, _opposite(best, terms), *starts[:: max(len(starts) // 4, 1)]])
    found, chi2 = _climbed(drawn, starts, noise, scale)
    n = int(np.argmin(_possible(faults, found, chi2)))
    best = found[n]
    away, other = _climbed(drawn, _opposite(best, terms)[None], noise, scale)
    same = bool(np.dot(away[0][:2], best[:2]) > 0)
    ours, theirs = _moves_chi2(drawn, [best[:terms], away[0][:terms]])
    other = _possible(faults, away, other)
    mine, opposite = float(chi2[n]) + ours, float(other[0]) + theirs
    if not same and opposite < mine:
        best, mine, opposite = away[0], opposite, mine
    normal = _normal(drawn, best[None], noise, scale)[0][0]
    covariance = inverses(normal[None])[0]
    # Any size of an axis error is as likely as another by its logarithm, down to a good alignment.
    size = max(float(np.hypot(*best[:2])), np.radians(GOOD_ALIGNMENT_ARCMIN / 60))
    log_evidence = (
        -mine / 2
        - 2 * len(data.moments) * np.log(scale)
        + np.linalg.slogdet(covariance)[1] / 2
        + np.sum(np.log(faults.held()[2:])) / 2
        - 2 * np.log(size)
    )
    return TrailFit(
        faults=faults,
        solution=best[:terms],
        covariance=covariance[:terms, :terms],
        chi2=mine,
        opposite_chi2=float(np.inf) if same else opposite,
        none_chi2=_chi2_without(drawn, best, noise, scale),
        scale=scale,
        log_evidence=float(log_evidence),
    )


def _chi2_without(drawn: Drawn, solution: Floats, noise: Floats, scale: float) -> float:
    """Robust chi squared of all but the axis error, fitted again."""
    fewer = drawn.without_axis()
    start = solution.copy()
    start[:2] = 0
    found, chi2 = _climbed(fewer, start[None], noise, scale)
    (ours,) = _moves_chi2(fewer, [found[0][: drawn.faults.terms]])
    return float(chi2[0]) + ours


def _possible(faults: Faults, solutions: Floats, chi2: Floats) -> Floats:
    """The chi squared, infinite where a head would slip upwards: gravity settles the sign."""
    downwards = (solutions[:, 3 : 3 + faults.slips] > 0).all(1)
    return np.where(downwards, chi2, np.inf)


def _ring(drawn: Drawn, sizes: Sequence[float]) -> Floats:
    """Starts, shape (s, terms + 2): axes all round that draw trails as long as these."""
    per_unit = drawn.evidence.rate[:, :, :2] * np.ptp(drawn.evidence.open_s, axis=1)[:, None, None]
    size = _usual_px(drawn) / max(float(np.sqrt(np.mean(per_unit**2) * 2)), 1e-9)
    angles = 2 * np.pi * np.arange(RING) / RING
    starts = np.zeros((RING * len(sizes), drawn.faults.terms + 2))
    for n, share in enumerate(sizes):
        rows = slice(n * RING, (n + 1) * RING)
        starts[rows, 0] = share * size * np.cos(angles)
        starts[rows, 1] = share * size * np.sin(angles)
    return starts


def _beside(drawn: Drawn, near: TrailFit) -> Floats:
    """Starts, shape (s, terms + 2): a fit with fewer faults, and its opposite; with a periodic
    error of each phase that draws half of a usual trail, where one is sought."""
    faults, known = drawn.faults, near.solution
    start = np.zeros(faults.terms + 2)
    start[:3] = known[:3]
    if faults.slips and near.faults.slips:
        start[3] = known[3]
    starts = np.stack([start, _opposite(start, faults.terms)])
    if not faults.period_s:
        return starts
    per_s = float(np.sqrt(np.mean((drawn.evidence.rate[:, :, 2] ** 2).sum(1))))
    seconds = float(np.median(np.ptp(drawn.evidence.open_s, axis=1)))
    swing = _usual_px(drawn) / 2 / max(per_s * 2 * np.pi * seconds / faults.period_s, 1e-9)
    starts = np.repeat(starts, PHASES, axis=0)
    phases = 2 * np.pi * np.arange(len(starts)) / PHASES
    at = faults.terms - 2
    starts[:, at] = swing * np.cos(phases)
    starts[:, at + 1] = swing * np.sin(phases)
    return starts


def _usual_px(drawn: Drawn) -> float:
    """Length of a usual trail."""
    return float(np.sqrt(np.median(12 * np.hypot(*drawn.evidence.moments.T)) + 0.05))


def _opposite(solution: Floats, terms: int) -> Floats:
    """What draws every trail the other way round."""
    return np.concatenate([-solution[:terms], solution[terms:]])


def _with_moves(drawn: Drawn, solution: Floats) -> Floats:
    """Errors of the turns, shape (m, 3), with those of the moves between frames.

    About the line of sight a move is as large as its scatter; across it, it says nothing here (see
    `_moves_chi2`).
    """
    data = drawn.evidence
    noise = data.noise.copy()
    if not data.moved.any():
        return noise
    left = (data.turn - drawn.turned @ solution)[data.moved]
    about = max(robust_sigma(left[:, 2]), LEAST_TURN_ARCSEC)
    noise[data.moved] = np.hypot(noise[data.moved], [NO_WORD, NO_WORD, about])
    return noise


def _moves_chi2(drawn: Drawn, fits: Sequence[Floats]) -> list[float]:
    """How badly each of some solutions fits the moves between frames, as far as they say anything.

    A dither scatters about where the mount has drifted to, so that its moves show the drift on
    the average; whoever centres the target anew undoes it, and then they show none. So each is
    held against the likelier of the two.
    """
    data = drawn.evidence
    if not data.moved.any():
        return [0.0] * len(fits)
    turn, turned = data.turn[data.moved, :2], drawn.turned[data.moved, :2]
    left = [turn - turned @ one for one in fits]
    scatter = max(min(robust_sigma(one) for one in (turn, *left)), LEAST_MOVE_ARCSEC)
    undone, *chi2 = (cauchy_loss(one / scatter, 1.0) for one in (turn, *left))
    return [min(one, undone + CENTRED_ANEW) for one in chi2]


def _trail_residuals(drawn: Drawn, x: Floats) -> tuple[Floats, Floats]:
    """Of the trails that each solution draws, over their errors, and how these change with it.

    Shapes (s, n, 2) and (s, n, 2, terms).
    """
    terms, data = drawn.faults.terms, drawn.evidence
    whole = np.concatenate([x[:, :terms], np.ones((len(x), 1))], axis=1)
    bent = np.einsum("nikl,sl->snik", drawn.squares, whole)
    moments = np.einsum("snik,sk->sni", bent, whole) + x[:, None, terms:]
    sigma = data.sigma[:, None]
    return (data.moments - moments) / sigma, 2 * bent[..., :terms] / sigma[..., None]


def _climbed(drawn: Drawn, starts: Floats, noise: Floats, scale: float) -> tuple[Floats, Floats]:
    """Gauss and Newton's steps from many starts; solutions and their chi squared."""
    x = starts
    normal, slope, chi2 = _normal(drawn, x, noise, scale)
    damping = np.full(len(x), 0.1)
    for _ in range(ROUNDS):
        diagonal = np.einsum("sii->si", normal)
        damped = normal + damping[:, None, None] * (diagonal[:, :, None] * np.eye(x.shape[1]))
        tried = x + solved(damped, slope)
        ours, theirs, value = _normal(drawn, tried, noise, scale)
        better = value < chi2
        x = np.where(better[:, None], tried, x)
        normal = np.where(better[:, None, None], ours, normal)
        slope = np.where(better[:, None], theirs, slope)
        chi2 = np.where(better, value, chi2)
        damping = np.where(better, damping * 0.3, damping * 5)
    return x, chi2


def _normal(drawn: Drawn, x: Floats, noise: Floats, scale: float) -> tuple[Floats, Floats, Floats]:
    """Normal equations of each solution, and its robust chi squared."""
    data = drawn.evidence
    left, slopes = _trail_residuals(drawn, x)
    of_lens = np.eye(2) / data.sigma[:, None, None]
    both = np.concatenate([slopes, np.broadcast_to(of_lens, (*slopes.shape[:2], 2, 2))], -1)
    normal, slope, chi2 = _summed(left / scale, both / scale)
    turned = drawn.turned / noise[:, :, None]
    turned = np.concatenate([turned, np.zeros((*turned.shape[:2], 2))], -1)
    over = data.turn / noise - np.einsum("mij,sj->smi", turned, x)
    wide = np.broadcast_to(turned, (len(x), *turned.shape))
    for some in (slice(0, 2), slice(2, 3)):
        n, s, c = _summed(over[:, :, some], wide[:, :, some])
        normal, slope, chi2 = normal + n, slope + s, chi2 + c
    # What is known of any drive and lens.
    held = drawn.faults.held()
    off, away = _from_the_usual(x)
    normal = normal + np.einsum("sij,i,sik->sjk", away, held, away)
    slope = slope - np.einsum("sij,i,si->sj", away, held, off)
    chi2 = chi2 + (held * off**2).sum(1)
    return normal, slope, chi2


def _from_the_usual(x: Floats) -> tuple[Floats, Floats]:
    """How far solutions are from what is usual, shape (s, k), and how that changes with them.

    A drive that runs right turns as fast as the sky about its own axis, and by the cosine of how
    far that is off about the pole's.
    """
    off = x.copy()
    off[:, 2] += (x[:, 0] ** 2 + x[:, 1] ** 2) / 2
    away = np.broadcast_to(np.eye(x.shape[1]), (len(x), x.shape[1], x.shape[1])).copy()
    away[:, 2, :2] = x[:, :2]
    return off, away


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
