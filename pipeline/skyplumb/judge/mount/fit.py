"""The pointings of one setup -> its tracker's axis, rate, periodic error, and the head's slip."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.camera import RAD_TO_ARCSEC
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S, ObservedSky
from skyplumb.judge.mount.by_trails import (
    NO_TRAILS,
    fit_by_trails,
    in_words,
    told_of,
    total_range_arcmin,
)
from skyplumb.judge.mount.model_choice import (
    ASLANT_SLIP,
    SOME_RATE,
    UNEVEN_SLIP,
    can_tell_flexure,
    faults_seen,
    unlikely,
    with_knocks,
)
from skyplumb.judge.mount.regression import (
    Model,
    Observations,
    Regression,
    observations_of,
    pointing_scatter_arcsec,
    regress,
    respond,
    share_of,
    slip_path,
    slip_pull,
)
from skyplumb.judge.mount.result import HALF_RATE, MountFit, Periodic
from skyplumb.judge.mount.samples import (
    FEWEST_FRAMES,
    at_one_rate,
    frames_of_reference,
    often_moved,
    samples_of,
    times_overlap,
    tracked_only,
)
from skyplumb.judge.mount.trail_models import LEAST_SHARE
from skyplumb.judge.mount.trails import Trail
from skyplumb.records import NAN
from skyplumb.robust import median_length

Floats = NDArray[np.float64]

WRONG_WAY = "the drive turned the wrong way: set the hemisphere"
AT_HALF_SPEED = "the drive ran at half speed"
IMPOSSIBLE_TIMES = (
    "the times cannot be true: exposures would begin before the one before had ended; correct "
    "the clock or give the times in the night notes"
)
UNLIKELY = (
    "these frames would need an axis {degrees:.1f}° off and a drive {rate:.1%} wrong, which no "
    "tracker has: the aim was moved between them, or the head slipped unevenly; four frames in a "
    "row that nobody touches would tell"
)
DENSE_SHARE = 0.06
"""Error of a swing's amplitude over what the exposures wear off it. Empirical: 0.04 to 0.08 on
three nights (`tests.bench.honesty`, seeds 150,018, 150,022 and 150,107)."""
NOT_ONE_MOTION = (
    "no single axis and drive rate fit where these frames pointed: the tripod or the aim was "
    "moved; give setups in the night notes"
)
TWO_REFERENCES = (
    "a fault of skyplumb's own: some attitudes are held against the Earth and some against the "
    "stars, which no fit may mix; please report it"
)
FLEXURE_OR_RATE = (
    "a wrong drive rate and a head that bends look alike in a short time on one target; frames of "
    "another part of the sky would tell them apart"
)
AXIS_OR_SLIP = (
    "{what}, or a slip of some {slip:.0f} arcsec a minute; the site and the clock's zone in the "
    "night notes would tell"
)
ARCSEC_PER_MIN_OF_ARCMIN = SIDEREAL_RATE_ARCSEC_S * 60 / RAD_TO_ARCSEC * 60
"""How fast an axis that is an arcminute off turns the camera against the sky."""
OTHER_TARGET_DEG = 20.0
"""Over aims so far apart an axis that is off turns the camera as no slip does (our choice)."""
POOR_MISFIT = 3.0
"""Misfit from which on a fit is said not to tell where frames pointed: three of their errors."""
AXIS_SHARE = 2e-3
"""How far an axis error is off by what its fit does not hold, over its size. Empirical: 0.15 to 0.3
in a hundred on six nights by lot (`tests.bench.honesty`, seeds 262,000 to 262,024)."""


def fit_plain(lights: Sequence[Light]) -> MountFit:
    """Axis and rate alone, in one regression: to rank many guesses, not to be told."""
    found = pointings_of(lights)
    return found if isinstance(found, MountFit) else found.plain()


def fit_mount(
    lights: Sequence[Light], setup: int = 0, trails: Mapping[str, Trail] = NO_TRAILS
) -> MountFit:
    """Fit the tracker of one setup to all its pointings.

    Each added fault (periodic error, slip, elastic flexure) is kept only where it lowers the
    Bayesian information criterion by `MODEL_GAIN`, so that no order of trying decides.

    Parameters
    ----------
    lights : sequence of Light
    setup : int
        Its number, handed on.
    trails : mapping of str to Trail, optional
        What each frame's stars say of its own trail, by file; asked where the aim moved between
        most frames.

    Returns
    -------
    MountFit
        With `why_not` in words where there is too little to fit.
    """
    found = pointings_of(lights, setup, trails)
    return found if isinstance(found, MountFit) else found.whole()


@dataclass(frozen=True)
class Pointings:
    """The pointings of one setup, to be fitted with few faults, and with more where it matters."""

    setup: int
    data: Observations
    air: Floats
    """Rotations, shape (n, 3), arcsec, that the sigma of refraction would have made."""
    latitude_deg: float
    untracked: frozenset[str]
    """Files of frames that were left out, since the camera stood still."""
    by_trails: Callable[[], MountFit] | None = None
    """What their trails say instead; None without any."""
    half_speed: frozenset[str] = frozenset()
    """Files of frames that were left out, since the drive ran at half speed."""

    def plain(self) -> MountFit:
        """With axis and rate alone."""
        return self._fit(self.data, regress(self.data, Model()))

    def without_knocks(self) -> MountFit:
        """With the faults that the evidence asks for, but for small knocks within a run."""
        return self._fit(self.data, self._faults)

    def whole(self) -> MountFit:
        """With all of them; to look for knocks takes most of the time.

        No number is told of an axis and a rate that no tracker has, nor of an axis that may be
        anything.
        """
        return replace(self._whole(), half_speed=self.half_speed)

    def _whole(self) -> MountFit:
        data, best = with_knocks(self.data, self._faults)
        fit = self._fit(data, best)
        if best.rival is not None and best.rival_share > LEAST_SHARE:
            other = self._fit(data, best.rival)
            return self._told(((1 - best.rival_share, fit), (best.rival_share, other)))
        if not fit.earth_fixed:
            return self._of_either(fit)
        if fit.rate_known and unlikely(fit.axis_rate):
            return self._of_no_tracker(fit)
        return fit if fit.axis_told else self._told(((1.0, fit),))

    def _of_either(self, fit: MountFit) -> MountFit:
        """Without a site or UTC nothing says which way is down: a drive that seems wrong as well,
        on one target, is as well a head that slips under a right one, which turns the camera about
        the pole too unless it looks along the meridian."""
        wrong = abs(fit.rate_error_ppm) > max(SOME_RATE * 1e6, 5 * fit.rate_sigma_ppm)
        forward = self.data.forward
        apart = np.degrees(np.arccos(np.clip(forward @ forward.T, -1, 1))).max()
        borne_out = apart > OTHER_TARGET_DEG and fit.misfit < POOR_MISFIT
        if fit.why_not or not wrong or fit.rate_name or borne_out:
            return fit
        size, drive = fit.axis_total_error_arcmin, fit.axis_rate[2] * SIDEREAL_RATE_ARCSEC_S * 60
        slip = np.hypot(size * ARCSEC_PER_MIN_OF_ARCMIN, drive)
        models = ((1.0, fit),)
        return replace(
            fit,
            why_not=AXIS_OR_SLIP.format(what=in_words(fit), slip=slip),
            axis_rate=np.full(3, NAN),
            covariance=np.full((3, 3), NAN),
            models=models,
            axis_range_arcmin=(0.0, total_range_arcmin(models)[1]),
        )

    def _of_no_tracker(self, fit: MountFit) -> MountFit:
        """No number; what moved between the frames is no tracker's, what each drew may be."""
        words = UNLIKELY.format(
            degrees=float(np.degrees(np.hypot(*fit.axis_rate[:2]))), rate=abs(fit.axis_rate[2])
        )
        told = MountFit(self.setup, fit.frames, words, True, untracked=self.untracked)
        trailed = self.by_trails() if self.by_trails is not None else told
        if trailed.unknown:
            return told
        return replace(
            told,
            latitude_deg=self.latitude_deg,
            span_s=fit.span_s,
            models=trailed.candidates,
            axis_range_arcmin=total_range_arcmin(trailed.candidates),
            by_trails=True,
        )

    def _told(self, models: tuple[tuple[float, MountFit], ...]) -> MountFit:
        """What may be told of fits as likely as their shares: what they have in common."""
        fit = models[0][1]
        plain = MountFit(
            self.setup,
            fit.frames,
            latitude_deg=self.latitude_deg,
            span_s=fit.span_s,
            misfit=fit.misfit,
            untracked=self.untracked,
        )
        return told_of(plain, models)

    @cached_property
    def _faults(self) -> Regression:
        return faults_seen(self.data)

    def _fit(self, data: Observations, best: Regression) -> MountFit:
        best = _with_uneven_slip(data, _with_doubtful_air(data, best, self.air))
        fit = _mount_fit(self.setup, data, best, self.latitude_deg)
        fit = replace(fit, untracked=self.untracked)
        if not fit.backwards:
            return fit
        if fit.misfit > POOR_MISFIT:
            return MountFit(
                self.setup, fit.frames, NOT_ONE_MOTION, misfit=fit.misfit, untracked=self.untracked
            )
        # Where the axis of such a drive points says nothing of where it will, once it is set right.
        return MountFit(
            self.setup,
            fit.frames,
            WRONG_WAY,
            data.earth_fixed,
            axis_rate=np.array([NAN, NAN, fit.axis_rate[2]]),
            misfit=fit.misfit,
            untracked=self.untracked,
        )


def pointings_of(
    lights: Sequence[Light], setup: int = 0, trails: Mapping[str, Trail] = NO_TRAILS
) -> Pointings | MountFit:
    """What is there to fit, or a fit that says why nothing can be."""
    reference = frames_of_reference(lights)
    if len(reference) > 1:
        return MountFit(setup, 0, TWO_REFERENCES)
    samples = samples_of(lights)
    frames = [light.pointing.sky for light in lights if light.pointing.solved and light.timed]
    earth_fixed = reference == {True}
    if not lights:
        return MountFit(setup, 0, "no light frames")
    if not any(light.clocked for light in lights):
        return MountFit(setup, 0, "the frames have no times")
    if times_overlap(samples):
        return MountFit(setup, len(samples), IMPOSSIBLE_TIMES)
    solved = len(samples)
    tracked = tracked_only(samples, earth_fixed)
    untracked = frozenset(s.file for s in samples) - {s.file for s in tracked}
    rated = at_one_rate(tracked, earth_fixed)
    samples, half_speed = rated.samples, rated.left_out
    lights = [light for light in lights if light.file not in half_speed]
    if rated.half_speed and len(samples) < FEWEST_FRAMES:
        half = frozenset(s.file for s in samples)
        axis_rate = np.array([NAN, NAN, HALF_RATE])
        return MountFit(setup, solved, AT_HALF_SPEED, axis_rate=axis_rate, half_speed=half)
    if untracked and len(samples) < FEWEST_FRAMES:
        return MountFit(
            setup,
            solved,
            "the camera stood still under the sky",
            axis_rate=np.array([NAN, NAN, -1.0]),
            untracked=untracked,
        )
    by_trails = None
    if trails and earth_fixed and not rated.half_speed and len({s.segment for s in samples}) > 1:
        by_trails = partial(fit_by_trails, lights, samples, trails, setup, untracked)
        if often_moved(lights, samples):
            return replace(by_trails(), half_speed=half_speed)
    sizes = {s.segment: 0 for s in samples}
    for sample in samples:
        sizes[sample.segment] += 1
    samples = [s for s in samples if sizes[s.segment] >= 2]
    if len(samples) < FEWEST_FRAMES:
        return MountFit(
            setup,
            len(samples),
            f"only {len(samples)} frames in a row were solved, needs 4",
            half_speed=half_speed,
        )
    latitude = NAN
    zenith = np.full(3, np.nan)
    air = np.zeros((len(samples), 3))
    if earth_fixed and frames[0] is not None and frames[0].site is not None:
        latitude = frames[0].site.latitude_deg
        zenith = np.array([np.cos(np.radians(latitude)), 0, np.sin(np.radians(latitude))])
        by_file = {light.file: light for light in lights}
        air = _turn_by_air_arcsec([by_file[s.file] for s in samples], frames[0], zenith)
    data = observations_of(samples, earth_fixed, zenith)
    return Pointings(setup, data, air, latitude, untracked, by_trails, half_speed)


def _turn_by_air_arcsec(lights: Sequence[Light], sky: ObservedSky, zenith: Floats) -> Floats:
    """Rotations, shape (n, 3), that the sigma of refraction would have put into the attitudes.

    The air lifts a picture, and presses it flat: where the picture is oblong and lies aslant,
    its fit turns about the line of sight too. Both by least squares over an even grid of stars.
    """
    assert sky.site is not None
    steps = (np.arange(5) + 0.5) / 5
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    cameras = [c for light in lights if (c := light.pointing.camera) is not None]
    seen_by = {
        camera: camera.directions(grid * [camera.width_px - 1, camera.height_px - 1])
        for camera in set(cameras)
    }
    attitude = np.array([light.pointing.attitude for light in lights])
    seen = np.array([seen_by[camera] for camera in cameras]) @ attitude
    lift = sky.refraction_rad(seen.reshape(-1, 3)).reshape(seen.shape[:2])
    up = zenith - (seen @ zenith)[..., None] * seen
    up /= np.maximum(np.linalg.norm(up, axis=2, keepdims=True), 1e-9)
    pull = np.cross(seen, lift[..., None] * up).sum(axis=1)
    stiffness = len(grid) * np.eye(3) - np.einsum("nki,nkj->nij", seen, seen)
    turn = np.linalg.solve(stiffness, pull[..., None])[..., 0]
    return np.asarray(turn * RAD_TO_ARCSEC * sky.site.refraction_sigma)


def _with_doubtful_air(data: Observations, fit: Regression, turn_arcsec: Floats) -> Regression:
    """The fit with what an error of refraction would do to it in its covariance.

    The rotations `turn_arcsec`, shape (n, 3), are of one sign all night: the air was warmer or
    thinner than thought. What they make of each number is the number's own error from it.
    """
    if not data.earth_fixed:
        return fit
    response = respond(data, fit, turn_arcsec)
    return replace(fit, covariance=fit.covariance + np.outer(response, response))


def _with_uneven_slip(data: Observations, fit: Regression) -> Regression:
    """The fit with what a slip that wears off, or is not quite down, would do to its numbers.

    Over one target either looks like another axis. How much it may be the frames say: what no axis
    and rate take up would show in their scatter.
    """
    if fit.model.slip_onset is None or fit.model.slips_already:
        return fit
    path, since = slip_path(data, fit.model, float(fit.solution[3]))
    bent = UNEVEN_SLIP * path * (since / max(float(since[-1]), 1.0))[:, None]
    covariance = fit.covariance
    for further in (bent, ASLANT_SLIP * np.cross(data.forward, path)):
        taken = regress(replace(data, turn=further), fit.model, fit.weights)
        left = pointing_scatter_arcsec(data, taken)
        share = min(1.0, pointing_scatter_arcsec(data, fit) / max(left, 1e-9))
        response = share * taken.solution
        covariance = covariance + np.outer(response, response)
    return replace(fit, covariance=covariance)


def _mount_fit(setup: int, data: Observations, best: Regression, latitude: float) -> MountFit:
    """The regression in the words of the trade."""
    misfit = _misfit(data, best)
    # Where one segment's frames lie far off, no number is better than they are.
    doubt = max(misfit, 1.0) if misfit > POOR_MISFIT else 1.0
    solution, covariance = best.solution, best.covariance * doubt**2
    axis_rate = -solution[:3] / SIDEREAL_RATE_ARCSEC_S
    rate_covariance = covariance[:3, :3] / SIDEREAL_RATE_ARCSEC_S**2
    if not data.earth_fixed:
        # Refraction could not be taken out: it looks like some arcminutes of axis error and
        # a part in a thousand of rate (King 1931; at 30 degrees altitude, median).
        rate_covariance = rate_covariance + np.diag(
            [np.radians(2.0 / 60) ** 2, np.radians(2.0 / 60) ** 2, 5e-4**2]
        )
    degenerate = _degenerate_pairs(rate_covariance)
    own = AXIS_SHARE * float(np.hypot(*axis_rate[:2]))
    rate_covariance = rate_covariance + np.diag([own**2, own**2, 0.0])
    at = 3
    fit = MountFit(
        setup=setup,
        frames=len(data.samples),
        earth_fixed=data.earth_fixed,
        rate_known=best.model.rate,
        axis_rate=axis_rate,
        covariance=rate_covariance,
        residual_arcsec=pointing_scatter_arcsec(data, best),
        misfit=misfit,
        latitude_deg=latitude,
        span_s=float(np.ptp(data.time)),
        degenerate_with=degenerate,
    )
    fast = abs(fit.rate_error_ppm) > 3 * fit.rate_sigma_ppm and not fit.rate_name
    if fast and data.earth_fixed and not can_tell_flexure(data):
        fit = replace(fit, degenerate_with=(*fit.degenerate_with, FLEXURE_OR_RATE))
    mean_time = float(np.mean([s.time_s for s in data.samples]))
    if best.model.slip_onset is not None:
        slipping = data.forward[data.time >= best.model.slip_onset]
        evenly = best.model.slips_evenly
        lean = _mean_pull(data, slipping, evenly)
        slip = float(solution[at] * 60) * lean
        # Whether a head slips by the torque on it or at one rate is not known: root mean square of
        # nothing and of what the other law makes of the same frames.
        other = regress(data, replace(best.model, slips_evenly=not evenly), best.weights)
        told = float(other.solution[at] * 60) * _mean_pull(data, slipping, not evenly)
        law = (told - slip) / np.sqrt(2)
        # The axis error that the other law leaves, as likely as that law.
        share = share_of(best.criterion - other.criterion)
        moved = (other.solution[:3] - solution[:3]) / SIDEREAL_RATE_ARCSEC_S
        fit = replace(
            fit,
            covariance=fit.covariance + share * np.outer(moved, moved),
            slip_arcsec_per_min=slip,
            slip_sigma=float(np.hypot(np.sqrt(covariance[at, at]) * 60 * lean, law)),
            slip_sin_zenith=lean,
            slips_evenly=evenly,
            slip_onset_s=best.model.slip_onset + mean_time,
            slip_from_start=data.slips_from_start(best.model),
        )
        at += 1
        if best.model.slips_already:
            before = float(solution[at] * 60) * lean
            fit = replace(fit, slip_before_arcsec_per_min=before)
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
        amplitude = periodic.amplitude_arcsec
        noise = float(np.sqrt((covariance[at, at] + covariance[at + 1, at + 1]) / 2))
        # A star's fitted place leans to where its path is dense, and a swing is slow at its ends.
        worn = float(np.sinc(np.median(data.exposure_s) / best.model.period_s))
        smeared = 1 / max(worn, 0.1) - 1
        sigma = float(np.hypot(noise, DENSE_SHARE * amplitude * smeared))
        period_sigma = periodic.period_sigma_s(noise, fit.span_s)
        fit = replace(fit, periodic=periodic, periodic_sigma=(sigma, period_sigma))
        alike = [(one.model.period_s, float(np.hypot(*one.solution[-2:]))) for one in best.alike]
        fit = fit.or_of_another_period(alike)
    return fit


def _mean_pull(data: Observations, forward: Floats, evenly: bool) -> float:
    return float(np.linalg.norm(slip_pull(data.zenith, forward, evenly), axis=1).mean())


def _misfit(data: Observations, best: Regression) -> float:
    """The largest median residual of a segment, in units of the frames' own errors."""
    pull = np.linalg.norm(best.residual, axis=1) / median_length(3)
    whole = [pull[data.segment == n] for n in range(data.segments)]
    return max((float(np.median(one)) for one in whole if len(one) >= FEWEST_FRAMES), default=0.0)


def _degenerate_pairs(covariance: Floats) -> tuple[str, ...]:
    """Pairs that the pointings hold only together."""
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    correlation = covariance / np.outer(sigma, sigma)
    words = []
    axis_sigma_arcmin = np.degrees(max(sigma[0], sigma[1])) * 60
    if max(abs(correlation[0, 2]), abs(correlation[1, 2])) > 0.95 and axis_sigma_arcmin > 2:
        words.append(
            "a wrong drive rate, a head that bends and the part of the axis error that drifts "
            "along right ascension look alike here; frames of another part of the sky would tell "
            "them apart"
        )
    return tuple(words)
