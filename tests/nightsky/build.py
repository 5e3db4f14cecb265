"""The parts that cases are put together from: a night by lot, and one fault each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from scipy.spatial.transform import Rotation

from .air import Sky
from .lens import Lens, Sensor
from .mount import Aim, Gust, Knock, Mount, Slip, looking_at
from .night import Night, Shot
from .sky import EARTH_RATE, Air, Site, north_pole
from .tags import Clock

LENSES = {
    14: ("Ostrel 14mm F2.4", 2.8),
    24: ("Ostrel 24mm F1.8", 2.8),
    35: ("Varn 35mm F2", 2.8),
    50: ("Varn 50mm F1.4", 2.8),
    85: ("Ostrel 85mm F1.8", 2.8),
    135: ("Ostrel 135mm F2", 2.8),
    200: ("Varn 200mm F2.8", 3.5),
    300: ("Varn 300mm F4", 4.0),
}
SITES = (
    (46.41, 9.88, 1930.0),
    (52.35, -3.62, 420.0),
    (64.10, -19.6, 610.0),
    (28.75, -17.88, 2150.0),
    (37.05, -110.2, 1650.0),
    (-24.6, 16.1, 1240.0),
    (-44.0, 170.4, 730.0),
    (-33.2, 149.1, 860.0),
)


@dataclass(frozen=True, slots=True)
class Plan:
    """A night and how its body's clock goes."""

    night: Night
    clock: Clock


def quiet(
    seed: int,
    focal_mm: int | None = None,
    exposure_s: float | None = None,
    south: bool | None = None,
    frames: int = 20,
    altitude_deg: tuple[float, float] = (38.0, 72.0),
    hours: float | None = None,
    **mount: object,
) -> Plan:
    """A night without faults: place, date, lens and target by lot where they are not given. Its
    frames follow each other, or stand evenly over so many hours."""
    rng = np.random.default_rng([seed, 21])
    focal = focal_mm or int(rng.choice([24, 35, 50, 85, 135]))
    exposure = exposure_s or float(rng.choice([30.0, 60.0, 120.0, 180.0]))
    sites = [one for one in SITES if south is None or (one[0] < 0) == south]
    latitude, longitude, height = sites[int(rng.integers(len(sites)))]
    site = Site(latitude + float(rng.normal(0, 0.2)), longitude + float(rng.normal(0, 0.2)), height)
    evening = datetime(2024, 2, 5) + timedelta(days=int(rng.integers(0, 640)))
    # About local midnight, when it is dark for long enough anywhere but near the poles.
    start = evening + timedelta(hours=22.0 - site.longitude_deg / 15 + rng.uniform(0, 2.5))
    start += timedelta(microseconds=int(rng.integers(1_000_000)))
    lens = lens_by_lot(focal, rng)
    gap = float(rng.uniform(2.2, 5.0))
    if hours is not None:
        gap = hours * 3600 / frames - exposure
    starts = _starts(frames, exposure, gap)
    sensor = Sensor(pitch_um=6.0, seed=int(rng.integers(1 << 30)), full_well_e=45_000.0)
    shots = tuple(Shot(at, exposure, lens, _iso(exposure)) for at in starts)
    attitude = target(site, starts[-1] + exposure, altitude_deg, rng)
    made = Mount(site, (Aim(0.0, attitude),))
    air = Air.at_height(height, float(rng.uniform(-4, 14)), float(rng.uniform(0.35, 0.9)))
    zone = float(round(site.longitude_deg / 15) + int(rng.integers(0, 2)))
    sky = Sky(float(rng.uniform(20.6, 21.7)), float(rng.uniform(0.13, 0.28)))
    night = Night(
        "quiet",
        seed,
        start,
        site,
        air,
        sensor,
        replace(made, **mount),  # type: ignore[arg-type]
        shots,
        sky,
        serial=str(4_400_000 + seed % 90_000),
    )
    return Plan(night, Clock(zone_h=zone, ahead_s=float(rng.normal(0, 1.5))))


def lens_by_lot(focal_mm: int, rng: np.random.Generator) -> Lens:
    """One of the lenses, with a shape of its own."""
    name, fnumber = LENSES[focal_mm]
    return Lens(
        name,
        focal_mm,
        fnumber,
        bend=float(rng.uniform(0.82, 1.12)),
        off_axis_px=(float(rng.normal(0, 5)), float(rng.normal(0, 5))),
        blur_px=float(rng.uniform(0.85, 1.15)),
        halo=float(rng.uniform(0.06, 0.16)),
        defocus_px=float(rng.normal(0, 0.3)),
        spherical_px=float(rng.uniform(0.0, 0.5)),
        coma_px=float(rng.uniform(0.1, 0.9)),
        astigmatism_px=float(rng.normal(0, 0.3)),
        curvature_px=float(rng.normal(0, 0.3)),
        tilt_px=(float(rng.normal(0, 0.2)), float(rng.normal(0, 0.2))),
        vignetting=float(rng.uniform(0.1, 0.5)),
    )


def target(
    site: Site, until_s: float, altitude_deg: tuple[float, float], rng: np.random.Generator
) -> Rotation:
    """A view that stays over 30 degrees (or its own lowest) till a moment, and off the zenith."""
    pole = north_pole(site)
    floor = min(30.0, altitude_deg[0])
    for _ in range(400):
        look = looking_at(
            float(rng.uniform(0, 360)), float(rng.uniform(*altitude_deg)), float(rng.normal(0, 25))
        )
        later = Rotation.from_rotvec(-pole * EARTH_RATE * until_s) * look
        height = np.degrees(np.arcsin(later.apply([0.0, 0.0, 1.0])[2]))
        if floor <= height <= 84:
            return look
    raise ValueError("no target stays in the sky so long")


def _starts(frames: int, exposure_s: float, gap_s: float, first_s: float = 40.0) -> list[float]:
    return [first_s + n * (exposure_s + gap_s) for n in range(frames)]


def _iso(exposure_s: float) -> float:
    return 1600.0 if exposure_s <= 60 else 800.0


def px_per_min(night: Night, px: float) -> float:
    """Arcsec a minute that draw a trail of so many pixels in one exposure."""
    shot = night.shots[0]
    return px * shot.lens.scale_arcsec_px(night.sensor) / (shot.exposure_s / 60)


def changed(plan: Plan, **parts: object) -> Plan:
    return replace(plan, night=replace(plan.night, **parts))  # type: ignore[arg-type]


def mounted(plan: Plan, **parts: object) -> Plan:
    return changed(plan, mount=replace(plan.night.mount, **parts))  # type: ignore[arg-type]


def lot(seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, 22])


def off_axis(plan: Plan, px: float, most_arcmin: float = 100.0) -> Plan:
    """An axis that is off far enough to draw so many pixels at worst."""
    rng = np.random.default_rng([plan.night.seed, 23])
    # 0.2625 arcsec a minute for an arcminute (Barrett 2016).
    total = min(px_per_min(plan.night, px) / 0.2625, most_arcmin)
    angle = rng.uniform(0, 2 * np.pi)
    latitude = np.radians(plan.night.site.latitude_deg)
    return mounted(
        plan,
        altitude_error_arcmin=float(total * np.cos(angle)),
        azimuth_error_arcmin=float(total * np.sin(angle) / np.cos(latitude)),
    )


def slipping(plan: Plan, px: float, onset: float, ease_s: float = np.inf) -> Plan:
    """A head that sinks so many pixels a frame from a part of the night on (negative: before)."""
    rate = min(px_per_min(plan.night, px), 400.0)
    last = plan.night.shots[-1].start_s
    slip = Slip(onset * last, float(rate), ease_s)
    return mounted(plan, slips=(*plan.night.mount.slips, slip))


def knocked(plan: Plan, number: int, px: float, part: float = 0.5) -> Plan:
    """A jolt in one frame."""
    rng = np.random.default_rng([plan.night.seed, number, 24])
    shot = plan.night.shots[number]
    knock = Knock(
        shot.start_s + part * shot.exposure_s,
        px * shot.lens.scale_arcsec_px(plan.night.sensor),
        float(rng.uniform(-180, 180)),
        float(rng.uniform(0.3, 1.0)),
        float(rng.uniform(2, 5)),
    )
    return mounted(plan, knocks=(*plan.night.mount.knocks, knock))


def gusty(plan: Plan, number: int, px: float) -> Plan:
    """Wind through one frame, of a root mean square over it."""
    rng = np.random.default_rng([plan.night.seed, number, 25])
    shot = plan.night.shots[number]
    length = float(min(shot.exposure_s * rng.uniform(0.4, 0.9), 90.0))
    begin = shot.start_s + rng.uniform(0, shot.exposure_s - length)
    rms = px * shot.lens.scale_arcsec_px(plan.night.sensor) * np.sqrt(shot.exposure_s / length)
    along = None if rng.random() < 0.4 else float(rng.uniform(0, 180))
    gust = Gust(float(begin), length, float(rms), int(rng.integers(1 << 30)), along)
    return mounted(plan, gusts=(*plan.night.mount.gusts, gust))


def dithered(plan: Plan, px: float, every: int = 1) -> Plan:
    """Deliberate small moves between frames."""
    rng = np.random.default_rng([plan.night.seed, 26])
    arcsec = px * plan.night.shots[0].lens.scale_arcsec_px(plan.night.sensor)
    nudges = [
        Aim(shot.start_s - 0.5, None, (*rng.normal(0, arcsec, 2), 0.0))
        for n, shot in enumerate(plan.night.shots)
        if n and n % every == 0
    ]
    return mounted(plan, aims=(*plan.night.mount.aims, *nudges))


def re_aimed(plan: Plan, number: int, field: float) -> Plan:
    """The camera moved by hand before a frame, by a share of the field, and turned a little."""
    rng = np.random.default_rng([plan.night.seed, number, 27])
    shot = plan.night.shots[number]
    wide = plan.night.sensor.width * shot.lens.scale_arcsec_px(plan.night.sensor) * field
    angle = rng.uniform(0, 2 * np.pi)
    nudge = (wide * np.cos(angle), wide * np.sin(angle), rng.normal(0, 3) * 3600)
    aim = Aim(shot.start_s - 1.0, None, nudge)
    return mounted(plan, aims=tuple(sorted((*plan.night.mount.aims, aim), key=lambda a: a.at_s)))


def scattered(plan: Plan, fields: int) -> Plan:
    """Fields all over the sky, an equal number of frames each, aimed at afresh."""
    rng = np.random.default_rng([plan.night.seed, 28])
    shots, site = plan.night.shots, plan.night.site
    each = max(1, len(shots) // fields)
    lasts = each * (shots[1].start_s - shots[0].start_s)
    aims = [
        Aim(shots[n].start_s - 1.0, target(site, lasts, (32.0, 78.0), rng))
        for n in range(each, len(shots), each)
    ]
    return mounted(plan, aims=(*plan.night.mount.aims, *aims))


def mosaic(plan: Plan, panels: int) -> Plan:
    """Panels side by side, an equal number of frames each, four fifths of a field apart."""
    shots = plan.night.shots
    each = max(1, len(shots) // panels)
    wide = plan.night.sensor.width * shots[0].lens.scale_arcsec_px(plan.night.sensor) * 0.8
    aims = [Aim(shots[n * each].start_s - 1.0, None, (0.0, wide, 0.0)) for n in range(1, panels)]
    return mounted(plan, aims=(*plan.night.mount.aims, *aims))
