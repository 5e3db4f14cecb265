"""The nights that can be drawn, each by its name and a seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from .air import Cloud, Dew, Land
from .build import (
    Plan,
    changed,
    dithered,
    gusty,
    knocked,
    lot,
    mosaic,
    mounted,
    off_axis,
    px_per_min,
    quiet,
    re_aimed,
    scattered,
    slipping,
)
from .mount import Aim, Harmonic, Placement, looking_at
from .night import Flyer


def case(name: str, seed: int, frames: int | None = None) -> Plan:
    """A case of `CASES` by a seed.

    Raises
    ------
    KeyError
        If there is no such case.
    """
    plan = CASES[name](seed)
    if frames is not None:
        plan = replace(plan, night=replace(plan.night, shots=plan.night.shots[:frames]))
    return replace(plan, night=replace(plan.night, case=name))


def dropout_night(seed: int) -> Plan:
    """A mixture for the bench of missing and wrong tags: what a night may hold, by lot.

    Axis error on all; a slip, gusts, a knock, a hand's re-aim or dithers on some; 16 to 24
    frames of 24 to 135 mm and 30 to 180 s, every other seed in the south.
    """
    rng = lot(seed)
    focal = int([24, 35, 50, 85, 135][seed % 5])
    exposure = float([30, 60, 120, 180][(seed // 2) % 4])
    frames = int(rng.integers(16, 25))
    plan = quiet(seed, focal, exposure, south=bool(seed % 2), frames=frames)
    plan = off_axis(plan, float(rng.uniform(1.0, 4.0)), most_arcmin=150.0)
    if seed % 3 == 0:
        plan = slipping(plan, float(rng.uniform(1.5, 3.5)), float(rng.uniform(0.3, 0.7)))
    free = [int(n) for n in rng.permutation(np.arange(2, frames - 1))]
    plan = gusty(plan, free[0], float(rng.uniform(1.2, 3.0)))
    plan = gusty(plan, free[1], float(rng.uniform(1.2, 3.0)))
    plan = knocked(plan, free[2], float(rng.uniform(3.5, 9.0)), float(rng.uniform(0.3, 0.7)))
    if seed % 4 == 1:
        plan = dithered(plan, float(rng.uniform(4, 15)))
    if seed % 4 == 2:
        plan = re_aimed(plan, frames // 2, float(rng.uniform(0.2, 0.45)))
    return plan


def lot_night(seed: int) -> Plan:
    """Any lens, exposure, site and target, one fault or two or none, and in every other night the
    aim moves between frames: dithers, a re-aim, panels, fields all over the sky.
    """
    rng = np.random.default_rng([seed, 29])
    focal = int(rng.choice([14, 24, 35, 50, 85, 135, 200]))
    exposure = float(rng.choice([30, 60, 120, 180, 240]))
    if focal >= 135:
        exposure = min(exposure, 120.0)
    frames = int(rng.integers(16, 25))
    lowest = float(rng.choice([22.0, 38.0, 50.0]))
    plan = quiet(
        seed, focal, exposure, frames=frames, altitude_deg=(lowest, min(lowest + 30, 80.0))
    )
    if rng.random() < 0.75:
        plan = off_axis(plan, float(rng.uniform(0.8, 7.0)), most_arcmin=float(rng.uniform(20, 150)))
    for _ in range(int(rng.choice([0, 1, 1, 2]))):
        plan = _one_fault(plan, rng)
    if seed % 2:
        plan = _moved_aim(plan, rng)
    return plan


def _one_fault(plan: Plan, rng: np.random.Generator) -> Plan:
    """One of what happens on a night, besides an axis that is off."""
    frames = len(plan.night.shots)
    some = [int(n) for n in rng.permutation(np.arange(1, frames - 1))]
    fault = str(
        rng.choice(
            ["gusts", "knocks", "slip", "slip-before", "rate", "periodic", "defocus", "cloud"],
            p=[0.27, 0.2, 0.15, 0.1, 0.1, 0.08, 0.05, 0.05],
        )
    )
    if fault == "gusts":
        for number in some[: int(rng.integers(1, 6))]:
            plan = gusty(plan, number, float(rng.uniform(1.2, 4.0)))
    elif fault == "knocks":
        for number in some[: int(rng.integers(1, 4))]:
            plan = knocked(
                plan, number, float(rng.uniform(3.5, 9.0)), float(rng.uniform(0.25, 0.75))
            )
    elif fault == "slip":
        plan = slipping(plan, float(rng.uniform(2.0, 6.0)), float(rng.uniform(0.15, 0.7)))
    elif fault == "slip-before":
        plan = slipping(plan, float(rng.uniform(2.0, 6.0)), -0.2)
    elif fault == "rate":
        sign = float(rng.choice([-1.0, 1.0]))
        ppm = px_per_min(plan.night, float(rng.uniform(2.0, 6.0))) / 902.46 * 1e6
        plan = mounted(plan, rate_error_ppm=sign * min(float(ppm), 6_000.0))
    elif fault == "periodic":
        period = float(rng.uniform(300, 700))
        swing = px_per_min(plan.night, float(rng.uniform(2.0, 5.0))) / 60 / (2 * np.pi / period)
        swing = min(float(swing), 60.0)
        plan = mounted(plan, harmonics=(Harmonic(swing, period, float(rng.uniform(0, 6))),))
    elif fault == "defocus":
        grows = float(rng.uniform(0.1, 0.25))
        shots = tuple(replace(s, more_defocus_px=grows * n) for n, s in enumerate(plan.night.shots))
        plan = changed(plan, shots=shots)
    else:
        last = plan.night.shots[-1].start_s
        cloud = Cloud(float(rng.uniform(0.8, 1.6)), float(rng.choice([0.0, 0.8])), 0.4 * last,
                      0.8 * last, seed=plan.night.seed % 97)  # fmt: skip
        plan = changed(plan, sky=replace(plan.night.sky, cloud=cloud))
    return plan


def _moved_aim(plan: Plan, rng: np.random.Generator) -> Plan:
    """The aim changed between frames, which is no fault."""
    frames = len(plan.night.shots)
    way = str(
        rng.choice(["each", "some", "hand", "panels", "fields"], p=[0.5, 0.15, 0.1, 0.1, 0.15])
    )
    if way == "each":
        return dithered(plan, float(rng.uniform(3, 15)))
    if way == "some":
        return dithered(plan, float(rng.uniform(3, 15)), int(rng.integers(2, 5)))
    if way == "hand":
        return re_aimed(plan, int(frames * rng.uniform(0.3, 0.7)), float(rng.uniform(0.1, 0.45)))
    if way == "panels":
        return mosaic(plan, int(rng.integers(3, 7)))
    return scattered(plan, frames // int(rng.integers(1, 4)))


def _defocused(seed: int) -> Plan:
    plan = quiet(seed)
    shots = tuple(replace(s, more_defocus_px=0.25 * n) for n, s in enumerate(plan.night.shots))
    return changed(plan, shots=shots)


def _far_out_of_focus(seed: int) -> Plan:
    plan = quiet(seed, frames=8)
    return changed(plan, shots=tuple(replace(s, more_defocus_px=9.0) for s in plan.night.shots))


def _clouded(seed: int, patchy: float, mag: float) -> Plan:
    plan = quiet(seed)
    last = plan.night.shots[-1].start_s
    cloud = Cloud(mag, patchy, 0.4 * last, 0.8 * last, seed=seed % 97)
    return changed(plan, sky=replace(plan.night.sky, cloud=cloud))


def _sky(seed: int, **parts: object) -> Plan:
    plan = quiet(seed)
    return changed(plan, sky=replace(plan.night.sky, **parts))  # type: ignore[arg-type]


def _passing(seed: int, aircraft: bool) -> Plan:
    """Something flies through every third frame, near the middle of the field."""
    plan = quiet(seed, focal_mm=35)
    rng = lot(seed)
    flyers = []
    for shot in plan.night.shots[1::3]:
        middle_s = shot.start_s + shot.exposure_s / 2
        look = plan.night.mount.attitude(np.array([middle_s])).apply([0.0, 0.0, 1.0])[0]
        azimuth, altitude = np.degrees([np.arctan2(look[0], look[1]), np.arcsin(look[2])])
        off = rng.normal(0, 6, 4)
        flyers.append(
            Flyer(
                middle_s - 12,
                middle_s + 12,
                (azimuth - 20 + off[0], altitude + off[1]),
                (azimuth + 20 + off[2], altitude + off[3]),
                light_e_s=1e4 if aircraft else 6e4,
                flash_every_s=1.1 if aircraft else 0.0,
                flash_e=1.5e6,
            )
        )
    return changed(plan, flyers=tuple(flyers))


def _landscape(seed: int) -> Plan:
    """Land in the lower third of an upright view, with lamps."""
    plan = quiet(seed, focal_mm=24, altitude_deg=(16.0, 16.1))
    upright = plan.night.mount.aims[0].attitude
    assert upright is not None
    look = upright.apply([0.0, 0.0, 1.0])
    azimuth = float(np.degrees(np.arctan2(look[0], look[1])))
    land = Land(11.0, 1.0, lamps=6, seed=seed % 89)
    mount = replace(plan.night.mount, aims=(Aim(0.0, looking_at(azimuth, 14.0)),))
    return changed(plan, mount=mount, land=land)


def _moved_tripod(seed: int) -> Plan:
    plan = off_axis(quiet(seed), 2.5)
    mount = plan.night.mount
    at = plan.night.shots[len(plan.night.shots) // 2].start_s - 1.5
    moved = Placement(at, -0.6 * mount.altitude_error_arcmin, mount.azimuth_error_arcmin - 25.0)
    plan = mounted(plan, placements=(moved,))
    return re_aimed(plan, len(plan.night.shots) // 2, 0.3)


def _clock(seed: int, **parts: object) -> Plan:
    plan = off_axis(quiet(seed), 2.5)
    return replace(plan, clock=replace(plan.clock, **parts))  # type: ignore[arg-type]


def _mono(seed: int) -> Plan:
    plan = off_axis(quiet(seed, 135, 120.0), 2.5)
    return changed(plan, sensor=replace(plan.night.sensor, mosaic=""))


def _periodic(seed: int) -> Plan:
    plan = quiet(seed, 135, 30.0, frames=40)
    swing = px_per_min(plan.night, 3.0) / 60 / (2 * np.pi / 480)
    return mounted(
        plan,
        harmonics=(Harmonic(float(swing), 480.0, 1.0), Harmonic(float(swing) / 4, 160.0, 2.0)),
    )


def _halted(seed: int) -> Plan:
    plan = quiet(seed)
    shots = plan.night.shots
    return mounted(plan, halts=((shots[-5].start_s + 3.0, shots[-1].start_s + 1e4),))


CASES: dict[str, Callable[[int], Plan]] = {
    "quiet": quiet,
    "axis": lambda seed: off_axis(quiet(seed), 3.0),
    "axis-south": lambda seed: off_axis(quiet(seed, south=True), 3.0),
    "rate": lambda seed: mounted(
        quiet(seed, 135), rate_error_ppm=float(lot(seed).choice([-3000.0, 4000.0]))
    ),
    "lunar": lambda seed: mounted(quiet(seed, 135), speed=1 - 0.0237),
    "periodic": _periodic,
    "slip": lambda seed: slipping(quiet(seed), 3.0, 0.4),
    "slip-from-before": lambda seed: slipping(quiet(seed), 3.0, -0.2),
    "slip-easing": lambda seed: slipping(quiet(seed), 4.0, 0.3, 900.0),
    "axis-and-slip": lambda seed: slipping(off_axis(quiet(seed), 1.5), 2.5, 0.5),
    "knock": lambda seed: knocked(knocked(quiet(seed), 5, 7.0), 12, 4.5, 0.35),
    "gusts": lambda seed: gusty(gusty(gusty(quiet(seed), 4, 1.5), 9, 2.5), 15, 2.0),
    "re-aimed": lambda seed: re_aimed(off_axis(quiet(seed), 2.5), 10, 0.35),
    "dithered": lambda seed: dithered(off_axis(quiet(seed), 2.5), 10.0),
    "mosaic": lambda seed: mosaic(off_axis(quiet(seed), 2.5), 4),
    "untracked": lambda seed: mounted(quiet(seed, frames=8), speed=0.0),
    "wrong-hemisphere": lambda seed: mounted(quiet(seed, frames=8), speed=-1.0),
    "half-speed": lambda seed: mounted(quiet(seed, frames=12), speed=0.5),
    "halted": _halted,
    "moved-tripod": _moved_tripod,
    "defocus": _defocused,
    "far-out-of-focus": _far_out_of_focus,
    "cloud-even": lambda seed: _clouded(seed, 0.0, 1.3),
    "cloud-patchy": lambda seed: _clouded(seed, 0.8, 0.9),
    "fog": lambda seed: _sky(seed, dew=Dew(600.0, 0.06)),
    "haze": lambda seed: _sky(seed, extinction=0.5),
    "moon": lambda seed: _sky(seed, moon=(120.0, 35.0, 9.0)),
    "town": lambda seed: _sky(seed, town=(200.0, 8.0)),
    "dawn": lambda seed: _sky(seed, dawn=(900.0, 0.12)),
    "low": lambda seed: quiet(seed, 135, 120.0, altitude_deg=(11.0, 17.0)),
    "landscape": _landscape,
    "aircraft": lambda seed: _passing(seed, aircraft=True),
    "satellites": lambda seed: _passing(seed, aircraft=False),
    "wide-14": lambda seed: off_axis(quiet(seed, 14, 180.0), 2.5),
    "tele-200": lambda seed: off_axis(quiet(seed, 200, 60.0), 3.0),
    "tele-300": lambda seed: off_axis(quiet(seed, 300, 30.0), 3.0),
    "mono-fits": _mono,
    "clock-minutes-off": lambda seed: _clock(seed, ahead_s=190.0),
    "clock-no-zone": lambda seed: _clock(seed, zone_told=False, gps=""),
    "whole-seconds": lambda seed: _clock(seed, subseconds=False),
    "gps-frozen": lambda seed: _clock(seed, gps="frozen", height_told=False),
    "dropouts": dropout_night,
    "lot": lot_night,
    "fields": lambda seed: scattered(off_axis(quiet(seed, 135, 60.0, frames=24), 3.0), 8),
}
