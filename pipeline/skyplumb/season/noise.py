"""Sky and noise of a season's frames -> from which exposure on the sky rules over read noise, and
what the stack of an hour is worth.

The variance of a sample of the sky is that of its read noise and of its electrons, which grows in
step with the level: a straight line, the photon transfer curve [1]_, whose height at no light is
the read noise. It takes frames of one body and setting under skies of at least two levels; where
there are none, nothing is told. Read noise adds `ADDS` to the noise of a stack of exposures in
which its variance is a tenth of the sky's (common practice, no source). That forbids no shorter
exposure: where long ones trail, many short frames may make the better stack, so that both losses
are weighed in one number, the stack's own signal to noise.

References
----------
.. [1] Janesick 2007, *Photon Transfer* (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb.intervals import CONFIDENCE
from skyplumb.season.sessions import Season

Floats = NDArray[np.float64]

SKY_OVER_READ = 10.0
"""Variance of the sky over that of read noise from which on the sky rules."""
ADDS = (1 + 1 / SKY_OVER_READ) ** 0.5 - 1
"""What read noise adds to the noise then: 5 %."""
LEAST_LEVELS = 1.5
"""The brightest sky of a body and setting over its darkest, for a line to be laid."""
FEWEST_FRAMES = 4
SETTING = ("camera", "iso", "gain")


@dataclass(frozen=True, slots=True)
class SkyRules:
    """From which exposure on the sky rules through a lens, s; NaN where that was not measured."""

    at: float = nan
    low: float = nan
    """Under the brightest of the skies met."""
    high: float = nan
    """Under the darkest."""
    read_e: float = nan
    """Read noise, electrons."""

    @property
    def known(self) -> bool:
        return isfinite(self.at)

    @property
    def electrons_s(self) -> float:
        """Of the sky in a sample, a second."""
        return SKY_OVER_READ * self.read_e**2 / self.at

    def share(self, exposure_s: Floats) -> Floats:
        """What read noise leaves of the light, as exposure time: the stack of shorter ones is as
        noisy as of so much less sky-limited time. All of it where nothing is known."""
        if not self.known:
            return np.ones_like(exposure_s)
        return np.asarray(1 / (1 + self.at / SKY_OVER_READ / exposure_s))

    def stack_min_per_hour(self, exposure_s: Floats, gap_s: float, kept: Floats) -> Floats:
        """What the stack of the frames kept in an hour is worth, as minutes of light that only
        the sky makes noisy: its signal to noise grows with their square root.

        Parameters
        ----------
        exposure_s : ndarray, shape (n,)
        gap_s : float
            Between the end of a frame and the start of the next.
        kept : ndarray, shape (..., n)
            Share of the frames.
        """
        return kept * light_min_per_hour(exposure_s, gap_s) * self.share(exposure_s)

    def told(self, exposure_s: Floats, shortest_s: float) -> NDArray[np.bool_]:
        """Of which exposures the stack's worth is told: where read noise is not known, none under
        the shortest audited, which it may spoil."""
        return self.known | (exposure_s >= shortest_s * (1 - 1e-9))


def light_min_per_hour(exposure_s: Floats, gap_s: float) -> Floats:
    """What an hour of frames collects, the gaps between them taken off."""
    return np.asarray(60 * exposure_s / (exposure_s + gap_s))


def sky_rules(season: Season, focal_mm: float, fnumber: float = nan) -> SkyRules:
    """For a lens, by its own frames, else by those of all lenses; an f-number that is asked for
    scales their skies by its square.

    Parameters
    ----------
    focal_mm : float
        NaN for all lenses.
    fnumber : float
        NaN for the frames' own.
    """
    rates = _seconds(season.frames)
    if rates.empty:
        return SkyRules()
    mine = rates[(rates["focal_mm"] / focal_mm - 1).abs() < 0.02] if focal_mm > 0 else rates
    rates = rates if mine.empty else mine
    seconds = rates["seconds"]
    if isfinite(fnumber):
        seconds = (seconds * (fnumber / rates["aperture"]) ** 2).dropna()
        if seconds.empty:
            return SkyRules()
    tail = (1 - CONFIDENCE) / 2
    at, low, high = (float(seconds.quantile(q)) for q in (0.5, tail, 1 - tail))
    return SkyRules(at, low, high, float(rates["read_e"].median()))


def _seconds(frames: pd.DataFrame) -> pd.DataFrame:
    """Frames whose sky and read noise are known, with the exposure that their sky asks for."""
    clear = frames[~frames["excluded"]]
    told = clear[(clear["sky_level"] > 0) & (clear["sky_noise"] > 0) & (clear["exposure_s"] > 0)]
    parts = []
    for _, some in told.groupby(list(SETTING), observed=True, dropna=False):
        read, slope = photon_transfer(some["sky_level"], some["sky_noise"])
        if isfinite(read):
            grows = slope * some["sky_level"] / some["exposure_s"]
            # The variance grows by one over the electrons to a sample unit.
            seconds = SKY_OVER_READ * read**2 / grows
            parts.append(some.assign(seconds=seconds, read_e=read / slope))
    columns = ["focal_mm", "aperture", "seconds", "read_e"]
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns, dtype=float)


def photon_transfer(level: pd.Series, noise: pd.Series) -> tuple[float, float]:
    """Read noise and how the variance grows with the level, both in sample units; NaN where the
    frames do not tell: too few, skies too alike, or a line that falls or begins under nothing."""
    light, variance = np.asarray(level, float), np.asarray(noise, float) ** 2
    if len(light) < FEWEST_FRAMES or light.max() < LEAST_LEVELS * light.min():
        return nan, nan
    # Frames are measured to parts of their variance, not to equal steps of it.
    slope, start = np.polyfit(light, variance, 1, w=1 / variance)
    if not (slope > 0 and start > 0):
        return nan, nan
    return float(np.sqrt(start)), float(slope)
