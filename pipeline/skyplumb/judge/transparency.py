"""How much starlight each frame lost against the clearest frames of its run, or of other fields.

Within a run each star is compared with itself in the clear frames, so that neither its colour nor
the lens's fall-off at the edge matters. Fields of one night that were shot once or twice each, such
as panels, have no such frames: there the zero points of the catalogue's stars are compared, which
is right to some tenths of a magnitude.

Stars that are missing where those left are as bright as ever, and that the noise of a brighter sky
explains (aurora, a rising Moon), are not lost to cloud.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import catalogue
from skyplumb.measure.flags import BIT
from skyplumb.records import Measure
from skyplumb.rowwise import Rows, medians

Floats = NDArray[np.float64]

FEWEST_STARS = 6
NEARLY_ALL, FEWEST_BRIGHT = 0.9, 12
"""Of the brightest stars, that show in a frame; and how many of them tell more than all that show
(our choice)."""
LEAST_GOOD = 0.3
"""Of a frame's matched stars."""
CLEAR_WITHIN_MAG = 0.08
COUNTS_SLOPE = 0.5
"""Star counts grow as 10^(0.5 m) with the limit of a frame (10^(0.6 m) if strewn evenly, less in
our Galaxy; from memory)."""
FEWEST_FOR_ZERO = 20
"""Stars whose colours and noise leave their median within 0.1 mag."""
AIR_MAG = 0.15
"""Light that one air mass takes in green, mag (common practice, no source; 0.1 to 0.25)."""
LOWEST_DEG = 20.0
"""Lower, three air masses and more leave the zero point open by a tenth of what is sought."""
FIELDS_DOUBT_MAG = 0.2
"""How far the zero points of two fields in clear air may differ, by the colours of their stars,
crowds and the part of the picture that the stars stand in (common practice, no source)."""
AIR_DOUBT_MAG = 0.15
"""How far the light that an air mass takes may be from `AIR_MAG` (common practice, no source)."""
SHAKEN_PX, SPILT_MAG, MOST_SHAKEN_PX = 1.5, 0.4, 5.0
"""Stars that wind drew so long had lost up to 0.37 mag, knocked ones of longer trails up to 0.66,
those that a mount drew evenly nothing (384 clear frames of 32 drawn nights)."""
STEADY_FRAMES, STEADY_MAG = 3, 0.15
"""So many frames in a row that lack the same light to so much show no cloud, which changes."""
DROWNED_WITHIN = 0.63
"""Of the stars that the noise leaves: what the extinction of 0.4 mag hides that the rules allow."""


def extinctions_mag(lights: Sequence[Light]) -> Floats:
    """Star zero point below the run's clearest frames, magnitudes.

    NaN where a frame was not solved or its exposure is not known.

    Parameters
    ----------
    lights : sequence of Light
        One run.
    """
    out = np.full(len(lights), np.nan)
    found = instrument_magnitudes(lights)
    if found is None:
        return out
    owner, star, _, magnitude = found
    offset = magnitude - catalogue().magnitude[star]
    frames, counts = np.unique(owner, return_counts=True)
    by_frame = Rows(counts)
    levels = medians(by_frame.of(offset))
    clearest = float(np.percentile(levels, 10))
    clear = np.isin(owner, frames[levels <= clearest + CLEAR_WITHIN_MAG])
    order = np.argsort(star[clear], kind="stable")
    known, counts = np.unique(star[clear], return_counts=True)
    reference = medians(Rows(counts).of(magnitude[clear][order]))
    often = 2 * counts >= np.count_nonzero(levels <= clearest + CLEAR_WITHIN_MAG)
    known, reference = known[often], reference[often]
    brightest = np.argsort(reference, kind="stable")
    known, reference = known[brightest], reference[brightest]
    ends = np.cumsum(by_frame.lengths)[:-1]
    of_frames = zip(np.split(star, ends), np.split(magnitude, ends), strict=True)
    for n, level, (stars, seen) in zip(frames, levels, of_frames, strict=True):
        lost = _lost_mag(lights[n], known, reference, stars, seen)
        out[n] = lost if np.isfinite(lost) else level - clearest
    return out


def _lost_mag(
    light: Light,
    known: NDArray[np.int64],
    reference: Floats,
    star: NDArray[np.int64],
    magnitude: Floats,
) -> float:
    """Median that one frame's stars lost; NaN where too few are known of the clear frames.

    A cloud with holes hides stars from the faintest on, and those left shine through the holes: so
    only as many of the brightest count as nearly all show, and one of them that is gone lost more
    than any other. `known` are the rows of the catalogue of the clear frames' stars, the brightest
    first, with their magnitudes there; `star` and `magnitude` are those of the frame.
    """
    own = dict(zip(star.tolist(), magnitude.tolist(), strict=True))
    lost = np.array([own.get(row, np.inf) for row in known.tolist()]) - reference
    spoiled = np.isinf(lost) & np.isin(known, light.pointing.catalogue)
    lost = lost[~spoiled]
    shown = np.cumsum(np.isfinite(lost))
    if not len(lost) or shown[-1] < FEWEST_STARS:
        return float("nan")
    nearly = np.flatnonzero(shown >= NEARLY_ALL * np.arange(1, len(lost) + 1))
    last = int(nearly[-1]) + 1 if len(nearly) else 0
    if last < FEWEST_BRIGHT:
        lost = lost[np.isfinite(lost)]
        last = len(lost)
    return float(np.median(lost[:last]))


def zero_points_mag(lights: Sequence[Light]) -> Floats:
    """Catalogue magnitude of a star that gives one sample unit a second above the air, by frame.

    Of frames of one camera, lens, aperture and gain it says how much light comes through, from
    night to night as well. NaN where a frame has under `FEWEST_FOR_ZERO` stars of the catalogue,
    stands lower than `LOWEST_DEG` or at an unknown height.
    """
    out = np.full(len(lights), np.nan)
    found = instrument_magnitudes(lights)
    if found is None:
        return out
    owner, star, _, magnitude = found
    offset = catalogue().magnitude[star] - magnitude
    frames, counts = np.unique(owner, return_counts=True)
    altitude = np.array([lights[n].pointing.altitude_deg for n in frames])
    told = (counts >= FEWEST_FOR_ZERO) & (altitude > LOWEST_DEG)
    air = AIR_MAG / np.sin(np.radians(np.where(told, altitude, 90.0)))
    out[frames] = np.where(told, medians(Rows(counts).of(offset)) + air, np.nan)
    return out


def lost_beside_other_fields_mag(
    lights: Sequence[Light],
    zeros: Floats,
    fields: Sequence[tuple[object, object]],
    trails_px: Floats,
) -> Floats:
    """Light that frames lack against the clearest fields of the night, mag; NaN where no cloud is
    surely told.

    Parameters
    ----------
    lights : sequence of Light
        Of one session.
    zeros : ndarray
        What `zero_points_mag` gives; NaN where a frame is to have no say.
    fields : sequence of tuple
        Of each frame the camera, lens and settings by which its light can be compared, None where
        they are unknown, and the field.
    trails_px : ndarray
        Of each frame.
    """
    out = np.full(len(lights), np.nan)
    order = sorted(range(len(lights)), key=lambda n: (lights[n].order_s, lights[n].file))
    by_settings: dict[object, list[int]] = defaultdict(list)
    for n in order:
        if fields[n][0] is not None and np.isfinite(zeros[n]):
            by_settings[fields[n][0]].append(n)
    for rows in by_settings.values():
        zero = zeros[rows]
        best = _borne_out(zero)
        if best is None or len({fields[n][1] for n in rows}) == 1:
            continue
        altitude = np.array([lights[n].pointing.altitude_deg for n in rows])
        more_air = np.abs(1 / np.sin(np.radians(altitude)) - 1 / np.sin(np.radians(altitude[best])))
        lost = zero[best] - zero
        dim = lost > FIELDS_DOUBT_MAG + AIR_DOUBT_MAG * more_air + _spilt_mag(trails_px[rows])
        begins = np.flatnonzero(np.diff(dim, prepend=False, append=False)).reshape(-1, 2)
        for begin, end in begins:
            # What dims frame after frame by the same amount may be a filter that no header names.
            if end - begin >= STEADY_FRAMES and np.ptp(zero[begin:end]) < STEADY_MAG:
                dim[begin:end] = False
        out[rows] = np.where(dim, lost, np.nan)
    return out


def _spilt_mag(trails_px: Floats) -> Floats:
    """What a frame may lack because its stars' light went into wings, as gusts and knocks do."""
    spilt = np.where(trails_px > SHAKEN_PX, SPILT_MAG, 0.0)
    return np.asarray(np.where(trails_px > MOST_SHAKEN_PX, np.inf, spilt))


def _borne_out(zeros: Floats) -> int | None:
    """Which frame gave the most light, if another gave about as much; None without any such."""
    order = np.argsort(-zeros, kind="stable")
    alike = np.flatnonzero(-np.diff(zeros[order]) < FIELDS_DOUBT_MAG)
    return int(order[alike[0]]) if len(alike) else None


def instrument_magnitudes(
    lights: Sequence[Light],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], Floats] | None:
    """Which frame each good star is of, its rows in the catalogue and in the frame's star table,
    and its magnitude by the light that it gives in a second; None where no frame has any."""
    owners, ids, places, magnitudes = [], [], [], []
    for number, light in enumerate(lights):
        rows, cats = light.pointing.star, light.pointing.catalogue
        stars = light.measure.stars[rows]
        spoiled = BIT["saturated"] | BIT["blended"] | BIT["edge"] | BIT["unfit"]
        good = ((stars["flags"] & spoiled) == 0) & (stars["flux"] > 0)
        exposure = light.info.exposure_s
        # Where nearly all that the catalogue holds are saturated, the others are chance matches.
        if np.count_nonzero(good) < max(FEWEST_STARS, LEAST_GOOD * len(rows)) or not exposure > 0:
            continue
        owners.append(np.full(np.count_nonzero(good), number))
        ids.append(cats[good])
        places.append(rows[good])
        magnitudes.append(-2.5 * np.log10(stars["flux"][good].astype(np.float64) / exposure))
    if not owners:
        return None
    owner, star, row = (np.concatenate(one) for one in (owners, ids, places))
    return owner, star, row, np.concatenate(magnitudes)


def drowned(measures: Sequence[Measure], number: int) -> bool:
    """Whether the noise of a brighter sky explains what a frame lacks of its run's stars.

    Aurora, a Moon or twilight raises a frame's limit by 2.5 log10 of what the noise grew by.

    Parameters
    ----------
    measures : sequence of Measure
        Of one run.
    number : int
        Which of them; that its stars lost no light is known by other means.
    """
    seen = [one for one in measures if one.noise > 0]
    if not measures[number].noise > 0:
        return False
    noise = measures[number].noise / np.percentile([one.noise for one in seen], 10)
    usual = np.percentile([one.stars_found for one in seen], 80)
    left = noise ** (-2.5 * COUNTS_SLOPE)
    return bool(measures[number].stars_found > DROWNED_WITHIN * usual * left)
