"""How much starlight each frame lost against the clearest frames of its run.

Each star is compared with itself in the clear frames, so that neither its colour nor the
lens's fall-off at the edge matters. Stars that are missing where those left are as bright as ever,
and that the noise of a brighter sky explains (aurora, a rising Moon), are not lost to cloud.
"""

from __future__ import annotations

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
    found = _magnitudes(lights)
    if found is None:
        return out
    owner, star, magnitude = found
    offset = magnitude - catalogue().magnitude[star]
    frames, counts = np.unique(owner, return_counts=True)
    by_frame = Rows(counts)
    levels = medians(by_frame.of(offset))
    clearest = float(np.percentile(levels, 10))
    clear = np.isin(owner, frames[levels <= clearest + CLEAR_WITHIN_MAG])
    order = np.argsort(star[clear], kind="stable")
    known, counts = np.unique(star[clear], return_counts=True)
    reference = medians(Rows(counts).of(magnitude[clear][order]))
    index = np.minimum(np.searchsorted(known, star), len(known) - 1)
    shared = known[index] == star
    lost = by_frame.of(np.where(shared, magnitude - reference[index], np.nan))
    many = np.count_nonzero(np.isfinite(lost), axis=1) >= FEWEST_STARS
    out[frames] = np.where(many, medians(lost), levels - clearest)
    return out


def zero_points_mag(lights: Sequence[Light]) -> Floats:
    """Catalogue magnitude of a star that gives one sample unit a second above the air, by frame.

    Of frames of one camera, lens, aperture and gain it says how much light comes through, from
    night to night as well. NaN where a frame has under `FEWEST_FOR_ZERO` stars of the catalogue,
    stands lower than `LOWEST_DEG` or at an unknown height.
    """
    out = np.full(len(lights), np.nan)
    found = _magnitudes(lights)
    if found is None:
        return out
    owner, star, magnitude = found
    offset = catalogue().magnitude[star] - magnitude
    frames, counts = np.unique(owner, return_counts=True)
    altitude = np.array([lights[n].pointing.altitude_deg for n in frames])
    told = (counts >= FEWEST_FOR_ZERO) & (altitude > LOWEST_DEG)
    air = AIR_MAG / np.sin(np.radians(np.where(told, altitude, 90.0)))
    out[frames] = np.where(told, medians(Rows(counts).of(offset)) + air, np.nan)
    return out


def _magnitudes(
    lights: Sequence[Light],
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats] | None:
    """Which frame each good star is of, its row in the catalogue, and its magnitude by the light
    that it gives in a second; None where no frame has any."""
    owners, ids, magnitudes = [], [], []
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
        magnitudes.append(-2.5 * np.log10(stars["flux"][good].astype(np.float64) / exposure))
    if not owners:
        return None
    return np.concatenate(owners), np.concatenate(ids), np.concatenate(magnitudes)


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
