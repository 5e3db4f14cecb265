"""The trails of one placement -> what its mount may have done, in the words of the trade.

What the trails leave open is told as a range and in words; see `trails` for the fit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import SIDEREAL_RATE_ARCSEC_S
from skyplumb.judge.mount.regression import slip_pull
from skyplumb.judge.mount.result import SMALL_ARCMIN, MountFit, Periodic
from skyplumb.judge.mount.samples import Sample
from skyplumb.judge.mount.trail_models import Weighed, weigh
from skyplumb.judge.mount.trails import Evidence, Trail, evidence_of

Floats = NDArray[np.float64]

NO_TRAILS: Mapping[str, Trail] = MappingProxyType({})
FEWEST_TRAILS = 4
FEWEST_DIRECTIONS, FAR_APART_DEG = 3, 40.0
"""Single frames of so many directions may tell as much as four of any."""
CLEAR_SHARE = 0.85
"""From which on the likeliest model is told alone."""
CHI2_OF_95 = 5.99
"""Of two numbers."""
MOST_OF_VALUE = 0.5
"""A number whose 95 % range is wider than so much of it is told as a range."""
LEAST_RATE_PPM = 1000.0

TOO_FEW = "only {count} frames show how they were trailed, needs 4; four in a row would tell"
NOT_TOLD = (
    "the aim moved between the frames, and their trails alone leave the axis anywhere "
    "{range} arcmin off; four frames in a row that nobody touches would tell"
)
WIDE = (
    "these frames leave the axis anywhere {range} arcmin off; frames toward another part of the "
    "sky would tell"
)
MAY_BE = "{what}; {decides} would tell"
EITHER_WAY = (
    "the aim moved between the frames, and the trails of single frames do not tell which way: "
    "{first}, or {second}; two frames in a row that nobody touches would tell"
)


def fit_by_trails(
    lights: Sequence[Light],
    samples: Sequence[Sample],
    trails: Mapping[str, Trail],
    setup: int,
    untracked: frozenset[str],
) -> MountFit:
    """The mount by what single frames drew and how the camera turned between them.

    Parameters
    ----------
    lights : sequence of Light
        Of one placement.
    samples : sequence of Sample
        Of those that are solved, timed and driven, in order of time.
    trails : mapping
        By file.
    setup : int
    untracked : frozenset of str
        Files of frames during which the camera stood still.
    """
    some = [sample for sample in samples if sample.file in trails]
    few = len(some) < FEWEST_TRAILS
    if few and not (len(some) >= FEWEST_DIRECTIONS and _all_far_apart(some)):
        return _too_few(setup, some, untracked)
    by_file = {light.file: light for light in lights}
    sky = next(by_file[one.file].pointing.sky for one in samples)
    assert sky is not None and sky.site is not None
    latitude = np.radians(sky.site.latitude_deg)
    zenith = np.array([np.cos(latitude), 0.0, np.sin(latitude)])
    moved = _moved(by_file, samples)
    data = evidence_of(lights, samples, trails, moved, zenith)
    plain = MountFit(
        setup,
        len(some),
        latitude_deg=sky.site.latitude_deg,
        span_s=samples[-1].time_s - samples[0].time_s,
        untracked=untracked,
        by_trails=True,
    )
    forward = np.array([one.forward for one in some])
    weighed = weigh(data)
    models = []
    for one in weighed:
        pull = slip_pull(zenith, forward, one.fit.faults.slips_evenly)
        models.append((one.share, _model(plain, data, one, np.linalg.norm(pull, axis=1))))
    if few and not _surely_off(models):
        return _too_few(setup, some, untracked)
    return told_of(plain, tuple(models))


def _too_few(setup: int, some: Sequence[Sample], untracked: frozenset[str]) -> MountFit:
    return MountFit(setup, len(some), TOO_FEW.format(count=len(some)), untracked=untracked)


def _all_far_apart(some: Sequence[Sample]) -> bool:
    forward = np.array([one.forward for one in some])
    near = np.cos(np.radians(FAR_APART_DEG))
    return bool((forward @ forward.T < near)[np.triu_indices(len(some), 1)].all())


def _surely_off(models: Sequence[tuple[float, MountFit]]) -> bool:
    """Whether all that may have drawn the trails has an axis error, about as large."""
    low, high = total_range_arcmin(models)
    value = models[0][1].axis_total_error_arcmin
    return bool(low > 0 and high - low < MOST_OF_VALUE * value) and not any(
        fit.may_be_none for _, fit in models
    )


def _moved(by_file: Mapping[str, Light], samples: Sequence[Sample]) -> frozenset[str]:
    """Files before which the aim was moved, a new field and another lens among them."""
    out = {one.file for one in samples if by_file[one.file].moved}
    for before, after in pairwise(samples):
        if before.segment != after.segment:
            out.add(after.file)
    return frozenset(out)


def _model(plain: MountFit, data: Evidence, one: Weighed, pull: Floats) -> MountFit:
    """One of the models as a fit of the mount."""
    fit = one.fit
    model = replace(
        plain,
        axis_rate=fit.solution[:3],
        covariance=fit.covariance[:3, :3],
        sign_known=fit.sign_known,
        may_be_none=fit.may_be_none,
        misfit=fit.scale,
    )
    if fit.faults.period_s:
        # In arcsec about the axis, which the stars move against.
        sine, cosine = -SIDEREAL_RATE_ARCSEC_S * fit.solution[-2:]
        sigma = float(SIDEREAL_RATE_ARCSEC_S * np.sqrt(np.diag(fit.covariance)[-2:].mean()))
        periodic = Periodic(fit.faults.period_s, float(sine), float(cosine))
        model = replace(
            model,
            periodic=periodic,
            periodic_sigma=(sigma, periodic.period_sigma_s(sigma, plain.span_s)),
        )
    onset = fit.faults.slip_onset
    if onset is None:
        return model
    slipping = pull if np.isneginf(onset) else pull[data.open_s[:, 1] > onset]
    lean = float(slipping.mean())
    return replace(
        model,
        slip_arcsec_per_min=float(fit.solution[3]) * 60 * lean,
        slip_sigma=float(np.sqrt(fit.covariance[3, 3])) * 60 * lean,
        slip_sin_zenith=lean,
        slips_evenly=fit.faults.slips_evenly,
        slip_onset_s=float(data.open_s[0, 0]) - plain.span_s if np.isneginf(onset) else onset,
        slip_from_start=bool(np.isneginf(onset)),
        slip_before_arcsec_per_min=float(fit.solution[4]) * 60 * lean
        if fit.faults.slips_already
        else 0.0,
    )


def told_of(plain: MountFit, models: tuple[tuple[float, MountFit], ...]) -> MountFit:
    """What may be told of these models: the likeliest with its numbers, or a range and words."""
    share, best = models[0]
    clear = share >= CLEAR_SHARE
    alike = len({_kind(fit) for _, fit in models[:2]}) < 2
    low, high = total_range_arcmin(models)
    own = total_range_arcmin(models[:1]) if clear else (low, high)
    narrow = max(MOST_OF_VALUE * best.axis_total_error_arcmin, SMALL_ARCMIN)
    spread = _spread_over(models)
    if own[1] - own[0] <= narrow and spread.axis_told:
        told = replace(spread, models=models if len(models) > 1 else ())
        if not best.sign_known:
            return replace(
                told, models=models, axis_range_arcmin=(low, high), degenerate_with=(_either(best),)
            )
        return told if clear or alike else replace(told, degenerate_with=(what_it_may_be(models),))
    within = f"from {low:.0f} to {high:.0f}" if low > 0 else f"up to {high:.0f}"
    words = (NOT_TOLD if plain.by_trails else WIDE).format(range=within)
    if not (clear or alike):
        words = what_it_may_be(models)
    return replace(
        plain,
        why_not=words,
        models=models,
        axis_range_arcmin=(low, high),
        degenerate_with=() if clear else (words,),
    )


def _spread_over(models: tuple[tuple[float, MountFit], ...]) -> MountFit:
    """The likeliest model, its errors widened by what the others say instead."""
    (_, best), *others = models
    covariance = best.covariance.copy()
    slip2 = best.slip_sigma**2
    for share, other in others:
        away = np.nan_to_num(other.axis_rate - best.axis_rate)
        covariance = covariance + share * np.outer(away, away)
        slip2 += share * (np.nan_to_num(other.slip_arcsec_per_min) - best.slip_arcsec_per_min) ** 2
    return replace(best, covariance=covariance, slip_sigma=float(np.sqrt(slip2)))


def _either(fit: MountFit) -> str:
    """Both answers of trails that do not tell which way."""
    known = replace(fit, sign_known=True)
    other = replace(known, axis_rate=-fit.axis_rate)
    return EITHER_WAY.format(first=_where(known), second=_where(other))


def _where(fit: MountFit) -> str:
    up, east = fit.axis_alt_error_arcmin, fit.axis_az_error_arcmin
    return (
        f"{abs(up):.0f} arcmin too {'high' if up > 0 else 'low'} and {abs(east):.0f} too far "
        f"{'east' if east > 0 else 'west'}"
    )


def total_range_arcmin(models: Sequence[tuple[float, MountFit]]) -> tuple[float, float]:
    """The axis error's 95 % range over all models, from the true pole, arcmin.

    It begins at 0 where no error at all lies within the 95 % ellipse of a model that counts: sizes
    of points about the true pole are never small, however little is known.
    """
    rng = np.random.default_rng(1)
    drawn, weight = [], []
    for share, fit in models:
        spread = rng.multivariate_normal(
            fit.axis_rate[:2], fit.covariance[:2, :2], 400, method="cholesky"
        )
        sizes = np.degrees(np.hypot(*spread.T)) * 60
        if fit.may_be_none:
            sizes *= np.linspace(0, 1, 400)
        drawn.append(sizes)
        weight.append(np.full(400, share))
    values, shares = np.concatenate(drawn), np.concatenate(weight)
    order = np.argsort(values, kind="stable")
    values, shares = values[order], shares[order] / shares.sum()
    # Between two draws by how near they are: no rounding of a share may choose one.
    low, high = np.interp((0.025, 0.975), np.cumsum(shares) - shares / 2, values).tolist()
    none = sum(share for share, fit in models if _may_be_right(fit))
    return 0.0 if none > 0.025 else low, high


def _may_be_right(fit: MountFit) -> bool:
    """Whether an axis that is not off lies within its 95 % ellipse."""
    mean = fit.axis_rate[:2]
    return bool(mean @ np.linalg.solve(fit.covariance[:2, :2], mean) < CHI2_OF_95)


def what_it_may_be(models: Sequence[tuple[float, MountFit]]) -> str:
    """Such as "an axis 91 arcmin off, or a slip of 34 arcsec a minute; ... would tell"."""
    said = list(dict.fromkeys(in_words(fit) for _, fit in models[:2]))
    if len(models) > 2 and len(said) < 2:
        said = list(dict.fromkeys(in_words(fit) for _, fit in models))[:2]
    decides = "frames toward another part of the sky, on the other side of the meridian"
    return MAY_BE.format(what=", or ".join(said), decides=decides)


def _kind(fit: MountFit) -> tuple[bool, bool]:
    """Whether a model holds a slip, and a rate worth a word."""
    rate = fit.rate_error_ppm
    wrong = bool(abs(rate) > max(LEAST_RATE_PPM, 2 * fit.rate_sigma_ppm))
    return bool(np.isfinite(fit.slip_arcsec_per_min)), wrong


def in_words(fit: MountFit) -> str:
    """Such as "an axis 40 arcmin off with a slip of 12 arcsec a minute"."""
    parts = [f"an axis {fit.axis_total_error_arcmin:.0f} arcmin off"]
    slips, wrong_rate = _kind(fit)
    if slips:
        before, more = fit.slip_before_arcsec_per_min, fit.slip_arcsec_per_min
        began = f"{before:.0f} to " if before > 0 else ""
        parts.append(f"a slip of {began}{before + more:.0f} arcsec a minute")
    if wrong_rate:
        rate = fit.rate_error_ppm
        parts.append(f"a drive {abs(rate) / 1e4:.1f}% too {'fast' if rate > 0 else 'slow'}")
    return " with ".join(parts)
