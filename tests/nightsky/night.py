"""What a night is made of: everything that `draw` needs, and nothing of files."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import erfa

from .air import Land, Sky
from .lens import Lens, Sensor
from .mount import Mount
from .sky import Air, Place, Site


@dataclass(frozen=True, slots=True)
class Shot:
    """One exposure."""

    start_s: float
    """After the night's start."""
    exposure_s: float
    lens: Lens
    iso: float = 800.0
    more_defocus_px: float = 0.0
    """Focus that moved since the lens was set."""


@dataclass(frozen=True, slots=True)
class Flyer:
    """A light that crosses the sky on a straight way: a satellite, or an aircraft that strobes."""

    begin_s: float
    end_s: float
    begin_at: tuple[float, float]
    """Azimuth and altitude, degrees."""
    end_at: tuple[float, float]
    light_e_s: float
    """Of the steady light, electrons a second."""
    flash_every_s: float = 0.0
    flash_e: float = 0.0
    """Electrons of one anticollision flash."""


@dataclass(frozen=True)
class Night:
    """A night of one body."""

    case: str
    seed: int
    start_utc: datetime
    """Moment zero of all times, without zone object."""
    site: Site
    air: Air
    sensor: Sensor
    mount: Mount
    shots: tuple[Shot, ...]
    sky: Sky = field(default_factory=Sky)
    land: Land | None = None
    flyers: tuple[Flyer, ...] = ()
    camera: str = "Harrow Works H2"
    serial: str = "4410982"

    @property
    def place(self) -> Place:
        """Directions over the site."""
        return Place(self.site, self.air, self.start_jd)

    @property
    def start_jd(self) -> tuple[float, float]:
        """UTC as ERFA's two-part (quasi-)Julian date."""
        at = self.start_utc
        day, part = erfa.dtf2d(
            b"UTC", at.year, at.month, at.day, at.hour, at.minute, at.second + at.microsecond / 1e6
        )
        return float(day), float(part)

    def utc(self, at_s: float) -> datetime:
        """UTC of a moment, with its zone object."""
        return (self.start_utc + timedelta(seconds=at_s)).replace(tzinfo=UTC)
