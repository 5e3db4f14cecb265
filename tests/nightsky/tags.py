"""What a camera writes beside the samples, with its own idea of time and place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from .night import Night

METRES_A_DEGREE = 111_320.0


@dataclass(frozen=True, slots=True)
class Clock:
    """The body's clock and its receiver of satellites."""

    zone_h: float = 2.0
    """Hours that the clock is set ahead of UTC."""
    ahead_s: float = 0.0
    """Seconds it is fast besides."""
    zone_told: bool = True
    subseconds: bool = True
    gps: str = "fresh"
    """`fresh`: each frame has a stamp some seconds to a minute old; `frozen`: all have that of the
    first fix; empty: no receiver."""
    gps_noise_m: float = 4.0
    height_told: bool = True


@dataclass(slots=True)
class Tags:
    """Metadata of one file; None is left out."""

    make: str | None
    model: str | None
    serial: str | None
    lens: str | None
    focal_mm: float | None
    fnumber: float | None
    exposure_s: float | None
    iso: float | None
    clock: datetime | None
    """As the body's clock stood when the exposure began, without zone."""
    subseconds: bool
    zone_h: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    height_m: float | None
    gps_utc: datetime | None
    orientation: int | None = 1

    def without_place(self) -> None:
        """No satellites at all."""
        self.latitude_deg = self.longitude_deg = self.height_m = self.gps_utc = None


def tags_of(night: Night, clock: Clock) -> list[Tags]:
    """What the body would write of each exposure of a night."""
    rng = np.random.default_rng([night.seed, 2])
    first_fix = night.utc(night.shots[0].start_s - 25.0).replace(tzinfo=None)
    wander = np.cumsum(rng.normal(0, 0.35, (len(night.shots), 2)), axis=0)
    make, _, model = night.camera.rpartition(" ")
    all_tags = []
    for shot, (north, east) in zip(night.shots, wander * clock.gps_noise_m, strict=True):
        start = night.utc(shot.start_s).replace(tzinfo=None)
        stamp = start - timedelta(seconds=float(rng.uniform(2, 60)))
        one = Tags(
            make=make,
            model=model,
            serial=night.serial,
            lens=shot.lens.name,
            focal_mm=shot.lens.focal_mm,
            fnumber=shot.lens.fnumber,
            exposure_s=shot.exposure_s,
            iso=shot.iso,
            clock=start + timedelta(hours=clock.zone_h, seconds=clock.ahead_s),
            subseconds=clock.subseconds,
            zone_h=clock.zone_h if clock.zone_told else None,
            latitude_deg=night.site.latitude_deg + north / METRES_A_DEGREE,
            longitude_deg=night.site.longitude_deg
            + east / METRES_A_DEGREE / np.cos(np.radians(night.site.latitude_deg)),
            height_m=night.site.height_m + float(rng.normal(0, 2 * clock.gps_noise_m)),
            gps_utc=(first_fix if clock.gps == "frozen" else stamp).replace(microsecond=0),
        )
        if not clock.gps:
            one.without_place()
        if not clock.height_told:
            one.height_m = None
        all_tags.append(one)
    return all_tags
