"""What is between the stars and the lens: air, cloud, glow, land, lamps, passing lights.

Extinction goes with the air mass of Kasten and Young (Applied Optics 28, 4735, 1989); the sky's
own glow grows to the horizon as van Rhijn's layer of 90 km does (from memory). Cloud is a layer of
coloured noise at one height that the wind moves. All brightnesses are choices.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

Floats = NDArray[np.float64]
TILE = 256


@dataclass(frozen=True, slots=True)
class Cloud:
    """A layer of cloud between two moments."""

    mag: float
    """Light lost where it is as thick as its mean, magnitudes."""
    patchy: float = 0.0
    """Scatter of its thickness, of its mean; 0 is even."""
    begin_s: float = -np.inf
    end_s: float = np.inf
    ramp_s: float = 120.0
    """It comes and goes over this time."""
    wind: tuple[float, float] = (4e-3, 1e-3)
    """East and north, layer heights a second: 4e-3 is 8 m/s at 2 km."""
    size: float = 0.3
    """Of its largest patches, layer heights."""
    glow: float = 0.35
    """How much brighter a magnitude of it makes the sky, lit from below."""
    seed: int = 3

    def strength(self, at_s: float) -> float:
        """0 before and after, 1 within."""
        ramp = max(self.ramp_s, 1e-3)
        rises = np.clip((at_s - self.begin_s) / ramp, 0, 1) if np.isfinite(self.begin_s) else 1.0
        falls = np.clip((self.end_s - at_s) / ramp, 0, 1) if np.isfinite(self.end_s) else 1.0
        return float(min(rises, falls))

    def lost_mag(self, directions: Floats, at_s: float) -> Floats:
        """Magnitudes lost towards ground directions, shape (..., 3)."""
        strength = self.strength(at_s)
        if strength == 0:
            return np.zeros(directions.shape[:-1])
        up = np.maximum(directions[..., 2], 0.05)
        thick = np.full(directions.shape[:-1], self.mag * strength)
        if self.patchy == 0:
            return thick
        moved = [directions[..., k] / up - self.wind[k] * at_s for k in (0, 1)]
        # A tile holds its largest patch four times, and repeats.
        places = [(axis / (4 * self.size) * TILE) % TILE for axis in moved]
        noise = map_coordinates(_tile(self.seed), places, order=1, mode="grid-wrap")
        lost: Floats = np.maximum(thick * (1 + self.patchy * noise), 0.0)
        return lost


@lru_cache(maxsize=8)
def _tile(seed: int) -> Floats:
    """Periodic noise of unit scatter whose power falls with the 11/3rd power of frequency,
    as turbulence's does in two dimensions (Kolmogorov; from memory)."""
    rng = np.random.default_rng([seed, 9])
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(TILE), np.fft.fftfreq(TILE)))
    shape = np.where(frequency > 0, np.maximum(frequency, 4 / TILE) ** (-11 / 6), 0.0)
    noise: Floats = np.fft.ifft2(np.fft.fft2(rng.standard_normal((TILE, TILE))) * shape).real
    noise /= noise.std()
    return noise


@dataclass(frozen=True, slots=True)
class Dew:
    """Fog or dew that sets in and grows."""

    begin_s: float
    mag_per_min: float
    blur_px_per_min: float = 0.02
    most_mag: float = 3.0

    def minutes(self, at_s: float) -> float:
        return max(at_s - self.begin_s, 0.0) / 60.0

    def lost_mag(self, at_s: float) -> float:
        return min(self.minutes(at_s) * self.mag_per_min, self.most_mag)


@dataclass(frozen=True, slots=True)
class Sky:
    """The sky's light and what dims the stars."""

    mag_arcsec2: float = 21.2
    """Surface brightness at the zenith."""
    extinction: float = 0.18
    """Magnitudes an air mass; 0.4 and more is haze."""
    town: tuple[float, float] = (0.0, 0.0)
    """Glow of a town: its azimuth, degrees, and how many times the zenith's light at 10 degrees."""
    moon: tuple[float, float, float] | None = None
    """Azimuth and altitude, degrees, and how many times the dark sky's light 30 degrees from it."""
    dawn: tuple[float, float] | None = None
    """Moment from which the sky brightens, and magnitudes a minute (negative before it: dusk)."""
    cloud: Cloud | None = None
    dew: Dew | None = None

    def lost_mag(self, directions: Floats, at_s: float) -> Floats:
        """Magnitudes of starlight lost towards ground directions."""
        lost = self.extinction * air_mass(directions[..., 2])
        if self.cloud:
            lost = lost + self.cloud.lost_mag(directions, at_s)
        return lost + (self.dew.lost_mag(at_s) if self.dew else 0.0)

    def veil_mag(self, directions: Floats, at_s: float) -> Floats:
        """The part of it that comes and goes: cloud and dew."""
        return self.lost_mag(directions, at_s) - self.extinction * air_mass(directions[..., 2])

    def glow(self, directions: Floats, at_s: float) -> Floats:
        """Brightness of the sky over that of a dark zenith."""
        up = np.clip(directions[..., 2], 0.0, 1.0)
        # van Rhijn: 1 / sqrt(1 - (R / (R + h) cos a)^2)
        light = 1 / np.sqrt(1 - (6371 / 6461) ** 2 * (1 - up**2))
        light = light * 10 ** (-0.4 * self.extinction * (air_mass(up) - 1))
        if self.town[1]:
            towards = direction(self.town[0], 0.0)
            near = (1 + directions @ towards) / 2
            light = light + self.town[1] * np.exp(-np.degrees(np.arcsin(up)) / 10 + 1) * near**4
        if self.moon:
            apart = np.degrees(np.arccos(np.clip(directions @ direction(*self.moon[:2]), -1, 1)))
            light = light + self.moon[2] * (0.6 + 0.4 * np.exp(-(apart - 30) / 25)) / 1.0
        if self.dawn:
            minutes = (at_s - self.dawn[0]) / 60 * np.sign(self.dawn[1])
            light = light + 10 ** (0.4 * abs(self.dawn[1]) * max(minutes, 0.0)) - 1
        if self.cloud and self.cloud.strength(at_s):
            light = light * (1 + self.cloud.glow * self.cloud.lost_mag(directions, at_s))
        return light


def air_mass(sine_of_altitude: Floats) -> Floats:
    """Kasten and Young (1989), equation 3; held at that of the horizon below it."""
    altitude = np.degrees(np.arcsin(np.clip(sine_of_altitude, 0.0, 1.0)))
    return 1 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)


@dataclass(frozen=True, slots=True)
class Land:
    """A skyline that stands still on the ground while the camera follows the sky."""

    altitude_deg: float
    rough_deg: float = 3.0
    light: float = 0.06
    """Of the dark zenith's light."""
    lamps: int = 0
    lamp_e_s: float = 3e3
    seed: int = 4

    def skyline_deg(self, azimuth_deg: Floats) -> Floats:
        """Altitude of the skyline: hills of a few waves, and trees."""
        rng = np.random.default_rng([self.seed, 10])
        waves = np.array([3, 5, 8, 13, 21, 34, 55, 144, 377])
        sizes = rng.normal(0, 1, len(waves)) / np.sqrt(waves / 3)
        phases = rng.uniform(0, 2 * np.pi, len(waves))
        angle = np.radians(azimuth_deg)[..., None] * waves + phases
        skyline: Floats = self.altitude_deg + self.rough_deg * np.sin(angle) @ sizes
        return skyline

    def hides(self, directions: Floats) -> NDArray[np.bool_]:
        """Whether the land stands before a ground direction, shape (..., 3)."""
        azimuth = np.degrees(np.arctan2(directions[..., 0], directions[..., 1]))
        altitude = np.degrees(np.arcsin(np.clip(directions[..., 2], -1, 1)))
        return altitude < self.skyline_deg(azimuth)

    def lamp_directions(self, towards: Floats) -> Floats:
        """Ground directions of lamps below the skyline near a direction, shape (lamps, 3)."""
        rng = np.random.default_rng([self.seed, 11])
        azimuth = np.degrees(np.arctan2(towards[0], towards[1])) + rng.uniform(-12, 12, self.lamps)
        altitude = self.skyline_deg(azimuth) - rng.uniform(0.3, 3.0, self.lamps)
        return np.array([direction(a, b) for a, b in zip(azimuth, altitude, strict=True)])


def direction(azimuth_deg: float, altitude_deg: float) -> Floats:
    """East, north, up."""
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    return np.array(
        [np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth), np.sin(altitude)]
    )
