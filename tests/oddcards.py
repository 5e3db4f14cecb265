"""Cards as people bring them, sketched: single aims, a drive that is off, missing tags, copies."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from skyplumb.demo import (
    Body,
    Clock,
    DrawnExposure,
    DrawnRun,
    DrawnSite,
    Gusts,
    Knock,
    Lens,
    Mount,
    Night,
    Sky,
)
from skyplumb.records import Measure

from .bench.sketch import sketched

BODY = Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6)
OTHER = replace(BODY, name="Ardil", serial="A7")
SITE = DrawnSite(46.2, 9.4, 1400.0)
LONG, MIDDLE = (
    Lens("Tarn Bench 135mm", 135.0, 2.8, fwhm_px=2.2),
    Lens("Tarn Bench 50mm", 50.0, 2.8, fwhm_px=2.3, k1=-0.01),
)
WIDE = Lens("Tarn Bench 24mm", 24.0, 2.8, fwhm_px=2.2, radial_px=1.2)
START = datetime(2026, 2, 18, 19, 30)
QUIET = Sky(satellites_per_h=0.0)
KNOWN = Clock(utc_offset_h=1.0, gps=True)


def drawn(night: Night, folder: str) -> list[Measure]:
    """All frames of a night."""
    return [
        sketched(DrawnExposure(night, run, frame), f"{folder}/{run:02d}-{frame:02d}.fits")
        for run, one in enumerate(night.runs)
        for frame in range(one.frames)
    ]


def night(
    runs: Sequence[DrawnRun],
    mount: Mount | None = None,
    sky: Sky = QUIET,
    clock: Clock = KNOWN,
    body: Body = BODY,
    seed: int = 1,
) -> Night:
    return Night(
        SITE, body, mount or Mount(), tuple(runs), sky, clock, seed=seed, faint_to_mag=10.5
    )


def told(measures: Sequence[Measure], **tags: object) -> list[Measure]:
    """The same with other tags."""
    return [replace(one, info=replace(one.info, **tags)) for one in measures]  # type: ignore[arg-type]


def strewn(lens: Lens, aims: int, low_deg: float, up_deg: float, on_deg: float) -> list[DrawnRun]:
    """Aims all over the sky, a frame each: five heights from the lowest up, round and round."""
    return [
        DrawnRun(lens, START + timedelta(minutes=4 * n), 120.0, 1,
                 alt_deg=low_deg + up_deg * (n % 5), az_deg=(n * on_deg) % 360)
        for n in range(aims)
    ]  # fmt: skip


def single_aims() -> list[Measure]:
    """Fourteen aims all over the sky, a frame each, an axis that is far off."""
    runs = strewn(MIDDLE, 14, 35.0, 9.0, 137.5)
    return drawn(night(runs, Mount(axis_alt_error_arcmin=55.0, axis_az_error_arcmin=-70.0)), "all")


def slipping_aims() -> list[Measure]:
    """Twelve aims, a frame each, a head that slips."""
    runs = strewn(LONG, 12, 30.0, 11.0, 99.0)
    return drawn(night(runs, Mount(slip_arcsec_per_min=25.0), seed=2), "sky")


def drive_off() -> list[Measure]:
    """Seven frames with the drive off, then six with it on, of another lens; then off again."""
    aims = {"alt_deg": 52.0, "az_deg": 150.0}
    later = [START + timedelta(minutes=m) for m in (10, 40)]
    runs = [
        DrawnRun(WIDE, START, 15.0, 7, **aims, tracking="off"),
        DrawnRun(LONG, later[0], 60.0, 6, **aims),
        DrawnRun(LONG, later[1], 5.0, 4, **aims, tracking="off"),
    ]
    return drawn(night(runs, seed=3), "fixed")


def panels_under_cloud() -> list[Measure]:
    """Seven aims beside one another, two frames each, cloud over the fourth and the fifth."""
    runs = [
        DrawnRun(LONG, START + timedelta(minutes=4 * n), 60.0, 2,
                 ra_deg=88.0 + 5.5 * n, dec_deg=12.0)
        for n in range(7)
    ]  # fmt: skip
    cloud = ((650.0, 0.0), (700.0, 1.1), (1100.0, 1.3), (1150.0, 0.0))
    return drawn(night(runs, sky=replace(QUIET, cloud=cloud), seed=4), "pano")


def nowhere() -> list[Measure]:
    """Copies in a second folder; a frame without an exposure and one without a time."""
    run = DrawnRun(MIDDLE, START, 60.0, 9, alt_deg=55.0, az_deg=210.0)
    mount = Mount(axis_alt_error_arcmin=25.0, axis_az_error_arcmin=10.0)
    clock = Clock(utc_offset_h=1.0, error_s=3600.0, writes_offset=False)
    first = drawn(night([run], mount, clock=clock, seed=5), "DCIM")
    first[4:5] = told(first[4:5], exposure_s=float("nan"))
    first[7:8] = told(first[7:8], clock=None)
    copies = [
        replace(one, file=one.file.replace("DCIM", "sorted/again").replace(".fits", ".fit"))
        for one in first[:3]
    ]
    return [*first, *copies]


def moved_tripod() -> list[Measure]:
    """Two placements of one tracker, two aims each, a knock in one and gusts throughout."""
    gusts = Gusts(0.3, 6.0)
    axes = ((20.0, -25.0), (-30.0, 15.0))
    out = []
    for n, (high, east) in enumerate(axes):
        begin = START + timedelta(minutes=70 * n)
        runs = [
            DrawnRun(LONG, begin + timedelta(minutes=25 * k), 90.0, 10, alt_deg=45.0 + 12 * k,
                     az_deg=120.0 + 90 * k)
            for k in range(2)
        ]  # fmt: skip
        knock = (Knock(300.0, 60.0, -35.0),) if n else ()
        out += drawn(night(runs, Mount("", high, east, gusts=gusts, knocks=knock), seed=6), f"p{n}")
    return out


def two_bodies() -> list[Measure]:
    """Two bodies; a haze over the second run of one; a second evening."""
    hazy = replace(QUIET, cloud=((3000.0, 0.0), (3010.0, 0.9), (9000.0, 0.9), (9010.0, 0.0)))
    aim = {"alt_deg": 60.0, "az_deg": 100.0}
    first = [
        DrawnRun(LONG, START, 60.0, 6, **aim),
        DrawnRun(LONG, START + timedelta(minutes=60), 60.0, 6, alt_deg=58.0, az_deg=200.0),
    ]
    other = [DrawnRun(MIDDLE, START + timedelta(minutes=3), 120.0, 5, **aim)]
    late = [DrawnRun(MIDDLE, START + timedelta(days=1), 120.0, 5, **aim)]
    behind = Clock(utc_offset_h=0.0, error_s=-1500.0, writes_offset=False)
    return [
        *drawn(night(first, sky=hazy, seed=7), "A"),
        *drawn(night(other, Mount(rate_error=4e-3), clock=behind, body=OTHER, seed=8), "B"),
        *drawn(night(late, Mount(periodic_arcsec=18.0, periodic_s=480.0), seed=9), "C"),
    ]


def lenses_untold() -> list[Measure]:
    """Frames of two lenses whose files tell neither, nor the aperture."""
    aim = {"alt_deg": 63.0, "az_deg": 160.0}
    runs = [
        DrawnRun(WIDE, START, 60.0, 5, **aim),
        DrawnRun(LONG, START + timedelta(minutes=20), 60.0, 6, **aim),
    ]
    plain = drawn(night(runs, Mount(axis_az_error_arcmin=18.0), seed=10), "x")
    unknown = float("nan")
    return told(plain, lens="", focal_mm=unknown, fnumber=unknown)


def undated() -> list[Measure]:
    """No times at all."""
    run = DrawnRun(LONG, START, 60.0, 8, alt_deg=50.0, az_deg=250.0)
    dim = tuple((68.0 * n, 0.7 if n in (3, 4) else 0.0) for n in range(9))
    plain = drawn(night([run], sky=replace(QUIET, cloud=dim), seed=11), "no time")
    return told(plain, clock=None, gps_utc=None, utc_offset_h=float("nan"))


CARDS: Mapping[str, Callable[[], list[Measure]]] = {
    one.__name__.replace("_", "-"): one
    for one in (single_aims, slipping_aims, drive_off, panels_under_cloud, nowhere, moved_tripod,
                two_bodies, lenses_untold, undated)
}  # fmt: skip


def stars_of(measures: Sequence[Measure]) -> Callable[[Sequence[str]], dict[str, np.ndarray]]:
    """As the store gives star tables to whoever tells copies."""
    tables = {one.file: one.stars for one in measures}
    return lambda files: {file: tables[file] for file in files}
