"""All pointings of one setup -> the tracker's axis, rate, periodic error, and the head's sag.

A tracker that follows the sky exactly turns the camera about the true pole at the rate of
the Earth. What its pointings leave over that is a rotation that grows with time; in
axes fixed to the Earth (X meridian at the equator, Y east, Z pole) a wrong axis and a wrong
rate make it grow along one constant direction, -omega (u, v, epsilon) [1]_, for every lens
and target alike: the tracker's own rotation is -omega (u, v, 1 + epsilon). So
the fit is linear: each pointing has its own start, the setup has one axis and one rate, and a
periodic error (about Z), a slipping head (downwards, from an onset) and an elastic one (with
the change of gravity) are added where the evidence asks for them.

Refraction is not in the way: pointings are measured against refracted star places.

References
----------
.. [1] Barrett 2016, *Measuring Polar Axis Alignment Error*, for the signs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S, ObservedSky
from skyplumb.records import NAN

Floats = NDArray[np.float64]

OMEGA = SIDEREAL_RATE_ARCSEC_S
FEWEST_FRAMES = 4
STEP_SIGMAS = 8.0
LEAST_STEP_ARCSEC = 60.0
"""Smaller jumps may be a periodic error: they are left to the fit."""
MOST_SMALL_STEPS = 8
MOST_TRIED = 64
"""Places or onsets that are tried; of more the likeliest, or evenly spread ones, so that a night
of thousands of frames is fitted in seconds."""
EXCESS_SCATTER = 2.5
"""Scatter over its expectation from which on something is not explained yet."""
BEST_ALIGNMENT_ARCMIN = 1.0
LONG_BEFORE_S = 600.0
"""Where the onset of a slip is put that began before the first frame."""
MODEL_GAIN = 12.0
"""How much an added fault must lower the information criterion; see `fit_mount`."""
FLEXURE_OR_RATE = (
    "a rate error and an elastic head look alike on one short target; frames of another part of "
    "the sky would tell them apart"
)
SLIP_OR_RATE = (
    "a head that slips all along looks like this rate and axis error; frames on the other side "
    "of the meridian would tell them apart"
)
POINTING_FLOOR_ARCSEC = 0.15
ROLL_FLOOR_ARCSEC = 1.0
"""Errors of an attitude that its stars' scatter does not show (optics, catalogue)."""
NAMED_RATES = (
    ("lunar rate", -0.0237, 1.5e-3),
    ("solar rate", -0.00273, 2e-4),
    ("half speed", -0.5, 0.01),
    ("not tracking", -1.0, 0.02),
)


@dataclass(frozen=True, slots=True)
class Sample:
    """One solved frame of a setup."""

    file: str
    time_s: float
    """Middle of the exposure."""
    exposure_s: float
    attitude: Floats
    """Sky frame to camera axes."""
    covariance: Floats
    """Of a small rotation about the camera axes, arcsec^2."""
    segment: int = 0
    """Frames of one segment share one starting attitude."""

    @property
    def forward(self) -> Floats:
        """Direction of the optical axis in the sky frame."""
        return np.asarray(self.attitude[2])


@dataclass(frozen=True, slots=True)
class Periodic:
    """A periodic error along right ascension."""

    period_s: float
    sine: float
    cosine: float
    """Arcsec about the axis, of the motion itself (averaging over exposures undone)."""

    @property
    def amplitude_arcsec(self) -> float:
        return float(np.hypot(self.sine, self.cosine))


@dataclass(frozen=True, slots=True)
class MountFit:
    """The tracker of one setup. Angles as `summary.json` names them; NaN with a `why_not`."""

    setup: int = 0
    frames: int = 0
    why_not: str = ""
    earth_fixed: bool = True
    """False if site or UTC were unknown: the axis error then has no direction."""
    rate_known: bool = True
    """False if the drive was taken to be right, to tell a slip from it."""
    axis_rate: Floats = field(default_factory=lambda: np.full(3, np.nan))
    """u, v (rad) and epsilon (fraction), see the module's words."""
    covariance: Floats = field(default_factory=lambda: np.full((3, 3), np.nan))
    periodic: Periodic | None = None
    periodic_sigma: tuple[float, float] = (NAN, NAN)
    """Of amplitude (arcsec) and period (s)."""
    slip_arcsec_per_min: float = NAN
    """Downwards, mean of the frames from the onset of a slip on. NaN if none is seen."""
    slip_sin_zenith: float = NAN
    """Mean sine of their zenith distance, with which a slip goes."""
    slip_sigma: float = NAN
    slip_onset_s: float = NAN
    slip_from_start: bool = False
    """It slipped before the first frame already; the onset stands for that."""
    flexure_arcsec: float = NAN
    """Droop of a horizontal camera."""
    flexure_sigma: float = NAN
    residual_arcsec: float = NAN
    """Robust scatter of the pointings about the fit."""
    misfit: float = NAN
    """Median residual of the worst pointing's frames over its expectation: one axis for all
    leaves about 1 where there is one."""
    latitude_deg: float = NAN
    span_s: float = NAN
    slip_degenerate: bool = False
    """A head that slips all along would look like the axis and rate error found."""
    degenerate_with: tuple[str, ...] = ()
    """Faults that this evidence cannot tell apart, in words."""

    @property
    def hemisphere(self) -> float:
        return 1.0 if not self.latitude_deg < 0 else -1.0

    @property
    def _elevated_end(self) -> Floats:
        """Of the axis, times its speed: towards east, away from the equator, up."""
        u, v, epsilon = self.axis_rate
        phi = np.radians(abs(self.latitude_deg))
        u, v, z = self.hemisphere * u, self.hemisphere * v, 1 + epsilon
        return np.array([v, z * np.cos(phi) - u * np.sin(phi), u * np.cos(phi) + z * np.sin(phi)])

    @property
    def axis_alt_error_arcmin(self) -> float:
        """Elevated end of the axis too high (+)."""
        if not self.earth_fixed:
            return NAN
        east, poleward, up = self._elevated_end
        height = np.degrees(np.arctan2(up, np.hypot(east, poleward)))
        return float(height - abs(self.latitude_deg)) * 60

    @property
    def axis_az_error_arcmin(self) -> float:
        """Elevated end too far east (+), measured along the horizon."""
        if not self.earth_fixed:
            return NAN
        east, poleward, _ = self._elevated_end
        return float(np.degrees(np.arctan2(east, poleward))) * 60

    @property
    def axis_total_error_arcmin(self) -> float:
        """On the sky, from the true pole."""
        u, v, epsilon = self.axis_rate
        return float(np.degrees(np.arctan2(np.hypot(u, v), 1 + epsilon))) * 60

    @property
    def axis_sigmas_arcmin(self) -> tuple[float, float, float]:
        """One-sigma errors of altitude, azimuth and total error."""
        speed = 1 + self.axis_rate[2]  # a slow drive shows little of its axis
        sigma = np.degrees(np.sqrt(np.maximum(np.diag(self.covariance), 0))) * 60 / speed
        u, v = self.axis_rate[:2]
        size = max(float(np.hypot(u, v)), 1e-9)
        slope = np.array([u, v]) / size
        total = float(np.degrees(np.sqrt(slope @ self.covariance[:2, :2] @ slope)) * 60 / speed)
        if not self.earth_fixed:
            return NAN, NAN, total
        flat = np.cos(np.radians(self.latitude_deg))
        return float(sigma[0]), float(sigma[1] / flat), total

    @property
    def rate_error_ppm(self) -> float:
        """Drive too fast (+)."""
        if not self.rate_known:
            return NAN
        if np.isnan(self.axis_rate[0]):
            return float(self.axis_rate[2] * 1e6)  # a drive that stands still shows no axis
        return float(np.linalg.norm(self.axis_rate + np.array([0.0, 0.0, 1.0])) - 1) * 1e6

    @property
    def rate_sigma_ppm(self) -> float:
        if not self.rate_known:
            return NAN
        return float(np.sqrt(max(self.covariance[2, 2], 0)) * 1e6)

    @property
    def rate_name(self) -> str:
        """Name of the rate where it is a known one other than sidereal; empty else."""
        error, sigma = self.rate_error_ppm * 1e-6, 3 * self.rate_sigma_ppm * 1e-6
        for name, rate, tolerance in NAMED_RATES:
            if abs(error - rate) < max(tolerance, np.fmin(sigma, 0.1 * abs(rate))):
                return name
        return ""


def samples_of(lights: Sequence[Light]) -> list[Sample]:
    """Solved, clocked frames of one setup in order of time, cut into segments.

    A new segment begins with another lens, and where the pointing jumps: a re-aim, a dither
    or a knock is a new start, not a motion of the tracker.
    """
    usable = [light for light in lights if light.pointing.solved and light.clocked]
    usable = [light for light in usable if np.isfinite(light.info.exposure_s)]
    usable.sort(key=lambda light: (light.mid_s, light.file))
    out: list[Sample] = []
    segment = -1
    last_key: tuple[object, ...] | None = None
    for light in usable:
        key = lens_key(light)
        if key != last_key:
            segment, last_key = segment + 1, key
        covariance = light.pointing.covariance * RAD_TO_ARCSEC**2
        floor = np.diag([POINTING_FLOOR_ARCSEC**2] * 2 + [ROLL_FLOOR_ARCSEC**2])
        out.append(
            Sample(
                light.file,
                light.mid_s,
                light.info.exposure_s,
                light.pointing.attitude,
                covariance + floor,
                segment,
            )
        )
    return _cut_at_steps(out)


def leg_arcsec(a: Sample, b: Sample, earth_fixed: bool) -> Floats:
    """Rotation of the camera from `a` to `b` beyond that of the sky, arcsec, in sky axes."""
    # rows of an attitude are the camera axes in the sky frame
    change = Rotation.from_matrix(b.attitude.T @ a.attitude).as_rotvec() * RAD_TO_ARCSEC
    if earth_fixed:
        # The sky turns about the pole, westwards. A tracker turns about one axis, so however
        # long the leg, its rotation vector less the sky's is in proportion to the time.
        change[2] += OMEGA * (b.time_s - a.time_s)
    return np.asarray(change)


def _cut_at_steps(samples: list[Sample]) -> list[Sample]:
    """Start a new segment where the pointing jumps and does not come back."""
    moves = _moves(samples)
    out = samples[:1]
    cuts = 0
    for n in range(1, len(samples)):
        if n in moves:
            move, limit = moves[n]
            # A gust throws one frame off: the step there and the step back cancel.
            back = [float(np.linalg.norm(move + moves[m][0])) for m in (n - 1, n + 1) if m in moves]
            size = float(np.linalg.norm(move))
            if size > limit and min(back, default=size) > 0.35 * size:
                cuts += 1
        out.append(replace(samples[n], segment=samples[n].segment + cuts))
    return out


def _moves(samples: list[Sample]) -> dict[int, tuple[Floats, float]]:
    """Jump of the pointing before each frame beyond its neighbours' drift, and a limit for it.

    Both in arcsec; only frames that share a segment with the one before have an entry.
    """
    rates: dict[int, Floats] = {}
    for n in range(1, len(samples)):
        a, b = samples[n - 1], samples[n]
        if a.segment == b.segment and b.time_s > a.time_s:
            rates[n] = leg_arcsec(a, b, True) / (b.time_s - a.time_s)
    out = {}
    for n, rate in rates.items():
        a, b = samples[n - 1], samples[n]
        seconds = b.time_s - a.time_s
        near = [rates[m] for m in range(n - 3, n + 4) if m in rates and m != n]
        usual = np.median(near, axis=0) if near else np.zeros(3)
        # What counts is where the camera points; a turn about its own axis is measured badly.
        moves = np.cross(np.array([rate, *near]) - usual, b.forward) * seconds
        others = np.linalg.norm(moves[1:], axis=1)
        spread = 1.4826 * float(np.median(others)) if len(near) > 1 else 0.0
        noise = float(np.sqrt(np.trace(a.covariance[:2, :2] + b.covariance[:2, :2])))
        out[n] = (moves[0], max(STEP_SIGMAS * noise, LEAST_STEP_ARCSEC, 6 * spread))
    return out


@dataclass(frozen=True, slots=True)
class _Data:
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
    segment: NDArray[np.int64]
    """Number of each frame's segment, from 0 without gaps."""


def fit_mount(lights: Sequence[Light], setup: int = 0) -> MountFit:
    """Fit the tracker of one setup to all its pointings.

    Each added fault (periodic error, slip, elastic flexure) is kept only where it lowers the
    Bayesian information criterion by `MODEL_GAIN`, so that no order of trying decides.

    Returns
    -------
    MountFit
        With `why_not` in words where there is too little to fit.
    """
    samples = samples_of(lights)
    frames = [light.pointing.sky for light in lights if light.pointing.solved]
    earth_fixed = bool(frames) and all(f is not None and f.observed for f in frames)
    if not lights:
        return MountFit(setup, 0, "no light frames")
    if not any(light.clocked for light in lights):
        return MountFit(setup, 0, "the frames have no times")
    solved = len(samples)
    samples = _tracked(samples, earth_fixed)
    if solved >= FEWEST_FRAMES and len(samples) < 2:
        still = np.array([NAN, NAN, -1.0])
        return MountFit(setup, solved, "the camera stood still under the sky", axis_rate=still)
    sizes = {s.segment: 0 for s in samples}
    for sample in samples:
        sizes[sample.segment] += 1
    samples = [s for s in samples if sizes[s.segment] >= 2]
    if len(samples) < FEWEST_FRAMES:
        return MountFit(
            setup, len(samples), f"only {len(samples)} frames in a row were solved, needs 4"
        )
    latitude = NAN
    zenith = np.full(3, np.nan)
    if earth_fixed and frames[0] is not None and frames[0].site is not None:
        latitude = frames[0].site.latitude_deg
        zenith = np.array([np.cos(np.radians(latitude)), 0, np.sin(np.radians(latitude))])
    data = _data(samples, earth_fixed, zenith)
    data, best = _with_small_steps(data)
    return _mount_fit(setup, data, best, latitude)


def _explain(data: _Data) -> _Regression:
    """The faults that the evidence asks for."""
    plain = _regress(data, _Model())
    fits, driven_right = [plain], []
    if data.earth_fixed:
        onsets = _onsets(data)
        before = float(data.time[0]) - LONG_BEFORE_S
        fits += _best_of(data, [_Model(slip_onset=onset) for onset in onsets], plain)
        slips = [_Model(slip_onset=onset, rate=False) for onset in (before, *onsets)]
        driven_right = _best_of(data, slips, plain)
        if _shows_flexure(data):
            fits.append(_regress(data, _Model(flexure=True)))
    base = min(fits, key=lambda f: f.criterion)
    if base.criterion > plain.criterion - MODEL_GAIN:
        base = plain
    # A clear rate error stands, unless a slip alone tells what was seen far more simply.
    turned = np.array([0.0, 0.0, OMEGA]) - base.solution[:3]
    wrong_rate = abs(np.linalg.norm(turned) - OMEGA) > 5 * np.sqrt(base.covariance[2, 2])
    if wrong_rate and driven_right:
        simpler = min(driven_right, key=lambda f: f.criterion)
        gain = base.criterion - simpler.criterion
        if gain > MODEL_GAIN:
            base = simpler
        elif gain > -MODEL_GAIN and base.model.slip_onset is None:
            base = replace(base, slip_degenerate=True)
    if base.model.slip_onset is not None and base.model.slip_onset > data.time[0]:
        base = _refine_onset(data, base)
    best = base
    for start in {id(fit): fit for fit in (plain, base)}.values():
        models = [replace(start.model, period_s=float(period)) for period in _periods(data)]
        for trial in _best_of(data, models, start):
            if trial.criterion < min(best.criterion, base.criterion - MODEL_GAIN):
                best = trial
    if not best.model.period_s:
        return base
    best = replace(_refine_period(data, best), slip_degenerate=base.slip_degenerate)
    # A sine that leaves a third of what it explains, or more, is a wander and no period.
    swing = float(np.hypot(*best.solution[-2:]))
    return best if swing > 2.5 * _scatter_arcsec(data, best) else base


def _with_small_steps(data: _Data) -> tuple[_Data, _Regression]:
    """Start anew where a small knock explains more than it costs.

    Of several knocks one alone may not pay: while the pointings scatter far more than they
    should, a few further cuts are tried.
    """
    best = _explain(data)
    tried, last = data, best
    misses = 0
    for _ in range(MOST_SMALL_STEPS):
        cut = _cut_best(tried, last)
        if cut is None:
            break
        tried, last = cut, _explain(cut)
        # One more number than each start counts for: where the step is.
        cost = (misses + 1) * np.log(3 * len(data.samples))
        if last.criterion < best.criterion - MODEL_GAIN - cost:
            data, best, misses = tried, last, 0
            continue
        misses += 1
        if misses > 2 or best.scatter < EXCESS_SCATTER:
            break
    return data, best


def _cut_best(data: _Data, fit: _Regression) -> _Data | None:
    """The data with one more start where that helps most; None if no place is left.

    Steps too small to be told from drift by their neighbours still bend the fit.
    """
    cuts = []
    for place in _step_places(data, fit.residual):
        later = np.arange(len(data.segment)) >= place
        cut = replace(data, segment=data.segment + later)
        cuts.append((_regress(cut, fit.model, fit.weights).criterion, place, cut))
    return min(cuts, key=lambda c: c[:2])[2] if cuts else None


def _step_places(data: _Data, residual: Floats) -> list[int]:
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
    data: _Data, models: Sequence[_Model], like: _Regression, most: int = 3
) -> list[_Regression]:
    """The most promising of many models, compared with the weights of a fit already made."""
    quick = sorted(
        (_regress(data, model, like.weights) for model in models), key=lambda f: f.criterion
    )
    return [_regress(data, fit.model) for fit in quick[:most]]


def _tracked(samples: list[Sample], earth_fixed: bool) -> list[Sample]:
    """Leave out frames during which the camera stood still: they say nothing of the axis."""
    if not earth_fixed:
        return samples
    still = set()
    for a, b in pairwise(samples):
        if a.segment == b.segment and b.time_s > a.time_s:
            rate = leg_arcsec(a, b, True) / (b.time_s - a.time_s) / OMEGA
            if np.linalg.norm(rate - [0, 0, 1]) < 0.05:
                still |= {a.file, b.file}
    return [s for s in samples if s.file not in still]


def _data(samples: list[Sample], earth_fixed: bool, zenith: Floats) -> _Data:
    time = np.array([s.time_s for s in samples])
    turn = np.zeros((len(samples), 3))
    for n in range(1, len(samples)):
        if samples[n].segment == samples[n - 1].segment:
            turn[n] = turn[n - 1] + leg_arcsec(samples[n - 1], samples[n], earth_fixed)
    roots = []
    for sample in samples:
        sky = sample.attitude.T @ sample.covariance @ sample.attitude
        values, vectors = np.linalg.eigh(sky)
        roots.append((vectors / np.sqrt(np.maximum(values, 1e-8))) @ vectors.T)
    root = np.array(roots)
    _, segment = np.unique([s.segment for s in samples], return_inverse=True)
    forward = np.array([s.forward for s in samples])
    return _Data(
        samples, earth_fixed, zenith, time - time.mean(), turn, root, forward, root @ root, segment
    )


@dataclass(frozen=True, slots=True)
class _Model:
    """Which faults a regression holds besides axis and rate."""

    slip_onset: float | None = None
    """Onset on the data's time line."""
    flexure: bool = False
    period_s: float = 0.0
    rate: bool = True
    """False for a drive that is taken to be right, where a head that slipped all along would
    be mistaken for a wrong one."""


@dataclass(frozen=True, slots=True)
class _Regression:
    model: _Model
    solution: Floats
    covariance: Floats
    criterion: float
    weights: Floats
    scatter: float
    """Scale of the whitened residuals; 1 where the errors tell all."""
    residual: Floats
    slip_degenerate: bool = False
    """A head that slips all along explains what the rate and axis explain here."""


def _columns(data: _Data, model: _Model) -> Floats:
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
        angle = OMEGA / RAD_TO_ARCSEC * time
        w = OMEGA / RAD_TO_ARCSEC
        zero = np.zeros(count)
        columns.append(np.stack([np.sin(angle) / w, (1 - np.cos(angle)) / w, zero], 1))
        columns.append(np.stack([-(1 - np.cos(angle)) / w, np.sin(angle) / w, zero], 1))
        columns.append(np.stack([zero, zero, time], 1))
    if model.slip_onset is not None:
        # Gravity pulls a tilted camera with the sine of its distance from the zenith.
        pull = np.cross(data.zenith, data.forward)
        columns.append(_integral(pull, np.maximum(time - model.slip_onset, 0)))
    if model.flexure:
        columns.append(_integral(_flexure_rate(data.zenith, data.forward), time))
    if model.period_s:
        phase = 2 * np.pi * time / model.period_s
        # An exposure averages the motion: sinc(T / P).
        worn = np.sinc(np.array([s.exposure_s for s in data.samples]) / model.period_s)
        axis = np.array([0.0, 0.0, 1.0])
        columns.append(np.outer(worn * np.sin(phase), axis))
        columns.append(np.outer(worn * np.cos(phase), axis))
    return np.stack(columns, -1)


def _integral(rate: Floats, clock: Floats) -> Floats:
    """Rotation since the first frame, shape (n, 3), of a rate that changes as the sky turns."""
    steps = np.diff(clock)[:, None] * (rate[1:] + rate[:-1]) / 2
    return np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])


def _flexure_rate(zenith: Floats, forward: Floats) -> Floats:
    """Rotation a second of an elastic head that follows the sky, per unit of its flexure.

    The flexure d = zenith x forward is carried round with the sky as it changes: what is left is
    d' - sky x d = (zenith x sky) x forward, a turn without roll.
    """
    sky = np.array([0.0, 0.0, -OMEGA / RAD_TO_ARCSEC])
    return np.cross(np.cross(zenith, sky), forward)


def _regress(data: _Data, model: _Model, weights: Floats | None = None) -> _Regression:
    """Robust generalised least squares with one weight a frame.

    Given `weights` they are kept: one cheap round, to compare many models of one kind.
    """
    design = _columns(data, model)
    count, _, terms = design.shape
    rounds = 12 if weights is None else 1
    weight = np.ones(count) if weights is None else weights
    scatter = 1.0
    for _ in range(rounds):
        information = weight[:, None, None] * data.information
        solution, covariance, starts = _solve(data, design, information)
        left = data.turn - design @ solution - starts[data.segment]
        residual = np.einsum("nij,nj->ni", data.root, left)
        pull = np.linalg.norm(residual, axis=1) / np.sqrt(3)
        free = terms + 3 * len(starts)
        freedom = max(3 * count - free, 1) / (3 * count)
        scatter = max(1.4826 * float(np.median(pull)) / 1.3 / np.sqrt(freedom), 0.3)
        if weights is None:
            weight = 1 / (1 + (pull / (3 * scatter)) ** 2)
    # Robust sum of squares, so that one gust does not buy a fault of its own; Bayesian
    # criterion with unknown noise, and the correction for few data of Hurvich & Tsai 1989.
    number = 3 * count
    cut = 3 * max(scatter, 1e-3)
    squares = cut**2 * float(np.sum(np.log1p(np.sum(residual**2, axis=1) / 3 / cut**2)) * 3)
    searched = model.slip_onset is not None and model.slip_onset > data.time[0]
    free += int(bool(model.period_s)) + int(searched) - int(not model.rate)
    spare = max(number - free - 1, 1)
    criterion = (
        number * np.log(squares / number + 1e-4)
        + free * np.log(number)
        + 2 * free * (free + 1) / spare
        + _prior_penalty(solution)
    )
    covariance = covariance * max(scatter, 1.0) ** 2
    return _Regression(model, solution, covariance, criterion, weight, scatter, residual)


def _prior_penalty(solution: Floats) -> float:
    """Minus twice the logarithm of how likely an axis error is before anything is seen.

    Any size is as likely as any other by its logarithm, down to what an alignment can reach,
    so that in the plane of the two errors the density falls with the square of the size. It
    tells a head that slips all along from the huge axis and rate errors that would mimic it.
    """
    size_arcmin = np.degrees(np.hypot(*solution[:2]) / OMEGA) * 60
    return float(4 * np.log(max(size_arcmin, BEST_ALIGNMENT_ARCMIN)))


def _solve(data: _Data, design: Floats, information: Floats) -> tuple[Floats, Floats, Floats]:
    """Weighted least squares with a free start a segment, the starts eliminated by hand.

    Returns the solution, its covariance, and the starts, shape (segments, 3).
    """
    count = int(data.segment.max()) + 1
    by_segment = np.zeros((count, 3, 3))
    np.add.at(by_segment, data.segment, information)
    inverse = np.linalg.inv(by_segment)
    pulled = information @ design
    pushed = (information @ data.turn[:, :, None])[:, :, 0]
    sums = np.zeros((count, 3, design.shape[2]))
    np.add.at(sums, data.segment, pulled)
    totals = np.zeros((count, 3))
    np.add.at(totals, data.segment, pushed)
    started = inverse @ sums
    normal = _stacked(design).T @ _stacked(pulled) - _stacked(sums).T @ _stacked(started)
    slope = _stacked(design).T @ pushed.ravel() - _stacked(started).T @ totals.ravel()
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    covariance = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    covariance = covariance / np.outer(scale, scale)
    solution = covariance @ slope
    starts = (inverse @ (totals - sums @ solution)[:, :, None])[:, :, 0]
    return solution, covariance, starts


def _stacked(blocks: Floats) -> Floats:
    """Blocks of three rows each as one tall matrix."""
    return blocks.reshape(-1, blocks.shape[-1])


def _onsets(data: _Data) -> Floats:
    """Times at which a slip may have begun: between frames, two or more from either end."""
    times = np.unique(data.time)
    if len(times) < 6:
        return np.zeros(0)
    middle = (times[1:] + times[:-1]) / 2
    onsets = np.sort(np.concatenate([middle[1:-1], times[2:-2]]))
    few = np.linspace(0, len(onsets) - 1, min(len(onsets), MOST_TRIED)).round().astype(int)
    return np.asarray(onsets[few])


def _periods(data: _Data) -> Floats:
    """Periods the cadence can show: at least two in the span, over two frames in each."""
    span = float(np.ptp(data.time))
    cadence = float(np.median(np.diff(np.unique(data.time)))) if len(data.time) > 2 else np.inf
    longest, shortest = span / 1.9, 2.5 * cadence
    if not longest > shortest or len(data.time) < 8:
        return np.zeros(0)
    # Frequencies a quarter of the resolution apart.
    count = int(np.ceil(4 * span * (1 / shortest - 1 / longest))) + 2
    return 1 / np.linspace(1 / longest, 1 / shortest, min(count, 400))


def _shows_flexure(data: _Data) -> bool:
    """Whether gravity changed in more than one way: several targets or hours on one.

    One short target cannot tell an elastic head from a wrong rate and axis.
    """
    forward = np.array([s.forward for s in data.samples])
    starts = np.array([s.segment for s in data.samples])
    firsts = np.array([forward[starts == n][0] for n in np.unique(starts)])
    apart = np.degrees(np.arccos(np.clip(firsts @ firsts.T, -1, 1))).max()
    return bool(apart > 25 or np.ptp(data.time) > 9000)


def _refine_onset(data: _Data, best: _Regression) -> _Regression:
    """Search the onset of a slip between the times that were tried."""
    finest = float(np.median(np.diff(np.unique(data.time)))) / 128
    width = float(np.median(np.diff(_onsets(data))))
    while width > finest:
        onset = best.model.slip_onset or 0.0
        trials = [
            _regress(data, replace(best.model, slip_onset=onset + step))
            for step in (-width / 2, width / 2)
        ]
        best = min([best, *trials], key=lambda f: f.criterion)
        width /= 2
    return best


def _refine_period(data: _Data, best: _Regression) -> _Regression:
    """Search finer around the best period."""
    span = float(np.ptp(data.time))
    width = 0.25 / span
    for _ in range(5):
        frequency = 1 / best.model.period_s
        trials = [
            _regress(data, replace(best.model, period_s=1 / f))
            for f in frequency + width * np.array([-0.5, 0.5])
            if f > 0
        ]
        best = min([best, *trials], key=lambda f: f.criterion)
        width /= 2
    return best


def _mount_fit(setup: int, data: _Data, best: _Regression, latitude: float) -> MountFit:
    """The regression in the words of the trade."""
    solution, covariance = best.solution, best.covariance
    axis_rate = -solution[:3] / OMEGA
    rate_covariance = covariance[:3, :3] / OMEGA**2
    if not data.earth_fixed:
        # Refraction could not be taken out: it looks like some arcminutes of axis error and
        # a part in a thousand of rate (King 1931; at 30 degrees altitude, median).
        rate_covariance = rate_covariance + np.diag(
            [np.radians(2.0 / 60) ** 2, np.radians(2.0 / 60) ** 2, 5e-4**2]
        )
    at = 3
    fit = MountFit(
        setup=setup,
        frames=len(data.samples),
        earth_fixed=data.earth_fixed,
        rate_known=best.model.rate,
        axis_rate=axis_rate,
        covariance=rate_covariance,
        residual_arcsec=_scatter_arcsec(data, best),
        misfit=_misfit(data, best),
        latitude_deg=latitude,
        span_s=float(np.ptp(data.time)),
        slip_degenerate=best.slip_degenerate,
        degenerate_with=(
            *_degenerate_pairs(rate_covariance),
            *([SLIP_OR_RATE] if best.slip_degenerate else []),
        ),
    )
    fast = abs(fit.rate_error_ppm) > 3 * fit.rate_sigma_ppm and not fit.rate_name
    if fast and data.earth_fixed and not _shows_flexure(data):
        fit = replace(fit, degenerate_with=(*fit.degenerate_with, FLEXURE_OR_RATE))
    mean_time = float(np.mean([s.time_s for s in data.samples]))
    if best.model.slip_onset is not None:
        slipping = data.forward[data.time >= best.model.slip_onset]
        lean = float(np.linalg.norm(np.cross(data.zenith, slipping), axis=1).mean())
        fit = replace(
            fit,
            slip_arcsec_per_min=float(solution[at] * 60) * lean,
            slip_sigma=float(np.sqrt(covariance[at, at]) * 60) * lean,
            slip_sin_zenith=lean,
            slip_onset_s=best.model.slip_onset + mean_time,
            slip_from_start=bool(best.model.slip_onset < data.time[0]),
        )
        at += 1
    if best.model.flexure:
        fit = replace(
            fit,
            flexure_arcsec=float(solution[at]),
            flexure_sigma=float(np.sqrt(covariance[at, at])),
        )
        at += 1
    if best.model.period_s:
        sine, cosine = solution[at], solution[at + 1]
        # Phase is kept on the session's own time line.
        turn = 2 * np.pi * mean_time / best.model.period_s
        periodic = Periodic(
            best.model.period_s,
            float(sine * np.cos(turn) + cosine * np.sin(turn)),
            float(cosine * np.cos(turn) - sine * np.sin(turn)),
        )
        amplitude = max(periodic.amplitude_arcsec, 1e-9)
        sigma = float(np.sqrt((covariance[at, at] + covariance[at + 1, at + 1]) / 2))
        # Error of a frequency: sqrt(6) sigma_A / (pi A T) (from memory, regular sampling).
        period_sigma = (
            np.sqrt(6) * sigma / (np.pi * amplitude * fit.span_s) * best.model.period_s**2
        )
        fit = replace(fit, periodic=periodic, periodic_sigma=(sigma, float(period_sigma)))
    return fit


def _scatter_arcsec(data: _Data, best: _Regression) -> float:
    """Robust scatter of the pointing part of the residuals."""
    left = np.linalg.solve(data.root, best.residual[..., None])[..., 0]
    seen = [np.linalg.norm(np.cross(r, s.forward)) for r, s in zip(left, data.samples, strict=True)]
    return float(1.4826 * np.median(seen) / 1.1774)


def _misfit(data: _Data, best: _Regression) -> float:
    """The largest median residual of a segment, in units of the frames' own errors."""
    pull = np.linalg.norm(best.residual, axis=1) / 1.538  # median length of 3 unit normals
    whole = [pull[data.segment == n] for n in range(int(data.segment.max()) + 1)]
    return max((float(np.median(one)) for one in whole if len(one) >= FEWEST_FRAMES), default=0.0)


def _degenerate_pairs(covariance: Floats) -> tuple[str, ...]:
    """Pairs that the pointings hold only together."""
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    correlation = covariance / np.outer(sigma, sigma)
    words = []
    axis_sigma_arcmin = np.degrees(max(sigma[0], sigma[1])) * 60
    if max(abs(correlation[0, 2]), abs(correlation[1, 2])) > 0.95 and axis_sigma_arcmin > 2:
        words.append(
            "a rate error, elastic sag and the part of the axis error that drifts along right "
            "ascension look alike here; frames of another part of the sky would tell them apart"
        )
    return tuple(words)


def motion_terms(fit: MountFit, light: Light, steps: int = 9) -> dict[str, Floats] | None:
    """Path of the stars across the sensor that each fault draws during one exposure.

    Returns
    -------
    dict of str to ndarray, shape (steps, 2)
        Pixels from the path's own mean, evenly spaced in time (see `time_mean`): axis, drive,
        sag and refraction. None if the frame or the mount is not known.
    """
    pointing = light.pointing
    camera, frame = pointing.camera, pointing.sky
    if (
        not pointing.solved
        or camera is None
        or frame is None
        or not np.isfinite(fit.axis_rate).all()
    ):
        return None
    exposure = light.info.exposure_s
    if not np.isfinite(exposure):
        return None
    around = np.linspace(-0.5, 0.5, steps) * exposure
    now = light.mid_s + around
    turns: dict[str, Floats] = {}
    u, v, epsilon = fit.axis_rate
    turns["axis"] = -OMEGA * np.outer(around, [u, v, 0.0])
    drive = -OMEGA * around * epsilon
    if fit.periodic is not None:
        phase = 2 * np.pi * now / fit.periodic.period_s
        drive = drive + fit.periodic.sine * np.sin(phase) + fit.periodic.cosine * np.cos(phase)
    turns["drive"] = np.outer(drive, [0.0, 0.0, 1.0])
    sag = np.zeros((steps, 3))
    if frame.site is not None:
        phi = np.radians(frame.site.latitude_deg)
        zenith = np.array([np.cos(phi), 0.0, np.sin(phi)])
        if np.isfinite(fit.slip_arcsec_per_min):
            rate = fit.slip_arcsec_per_min / 60 / max(fit.slip_sin_zenith, 1e-3)
            pull = np.cross(zenith, pointing.attitude[2])
            sag = sag + np.outer(np.maximum(now - fit.slip_onset_s, 0) * rate, pull)
        if np.isfinite(fit.flexure_arcsec):
            flexure = fit.flexure_arcsec * _flexure_rate(zenith, pointing.attitude[2])
            sag = sag + np.outer(around, flexure)
    turns["sag"] = sag
    out: dict[str, Floats] = {}
    for name, turn in turns.items():
        # The camera turns one way, the stars in its picture the other.
        body = turn @ pointing.attitude.T / RAD_TO_ARCSEC
        path = camera.focal_px * np.stack([-camera.parity * body[:, 1], body[:, 0]], 1)
        out[name] = path - time_mean(path)
    out["refraction"] = _refraction_path(light, around)
    return out


def time_mean(values: Floats) -> Floats:
    """Average over an exposure of values at evenly spaced moments, both ends among them.

    Simpson's rule along the first axis, of odd length: exact for the square of an even drift.
    """
    weight = np.full(len(values), 2.0)
    weight[1::2] = 4.0
    weight[[0, -1]] = 1.0
    return np.asarray(np.tensordot(weight / weight.sum(), values, axes=1))


def _refraction_path(light: Light, around: Floats) -> Floats:
    """How changing refraction moves a star in the picture of a camera that follows the pole."""
    pointing = light.pointing
    camera, frame = pointing.camera, pointing.sky
    still = np.zeros((len(around), 2))
    if camera is None or frame is None or frame.site is None or frame.utc is None:
        return still
    ra, dec = frame.icrs(pointing.middle_direction()[None, :])
    ends = []
    for seconds in (float(around[0]), float(around[-1])):
        then = ObservedSky(frame.utc + timedelta(seconds=seconds), frame.site)
        back = Rotation.from_rotvec([0, 0, OMEGA / RAD_TO_ARCSEC * seconds]).as_matrix()
        ends.append(then.directions(ra, dec)[0] @ back.T)
    places = camera.project(np.array(ends) @ pointing.attitude.T)
    if not np.isfinite(places).all():
        return still
    return np.asarray(np.outer(around / (around[-1] - around[0]), places[1] - places[0]))
