"""Are hands called for in time, and never for nothing?

`python -m tests.bench.watch` sketches nights (see `sketch`) that a fault sets in on, and nights
without one that lasts, and has them judged frame by frame as `skyplumb watch` does while they
arrive.

  faults     nights on which at least three frames in a row deserve an alarm by their truth
  in time    of those, with the right alarm by the third frame after the onset, and for gusts by
             the third after ten minutes of them
  late       with the right alarm later than that
  frames     from the onset to the alarm, the median
  others     alarms for something else on those nights: a gust that also widens the stars is none
             of the fault's own
  false      alarms on nights of a small axis error, a knock, a gust, a dither and a second aim
"""

from __future__ import annotations

import argparse
import shutil
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from skyplumb.demo import DrawnExposure, DrawnRun, Gusts, Knock, Night
from skyplumb.demo.truth import frame_truth
from skyplumb.intake.rules import load_rules
from skyplumb.measure.all_shots import bare
from skyplumb.measure.pool import WorkerPool
from skyplumb.measure.store import Store
from skyplumb.options import Options
from skyplumb.watch.alarms import GUSTS_S
from skyplumb.watching import Watch

from ..nightsky import seeds
from .cards import KEPT
from .nights import SIDEREAL_ARCSEC_S, bench_night, lens_by_lot, setting_of
from .sketch import sketched
from .tables import Table
from .verdicts import true_excess

WIDTH, HEIGHT = 1500, 1000
FOCALS_MM = (24.0, 35.0, 50.0, 85.0, 135.0, 200.0)
AFTER = 6
"""Frames after the onset."""
CLEAR_FRAMES = 24
CLEAR_FROM = 5000
"""Seeds of clear nights begin so many after those of faults."""
IN_TIME = 3
MOSTLY = 0.7
"""Of the frames under gusts so many are spoiled."""


def _quiet(
    seed: int, frames: int, focals_mm: Sequence[float] = FOCALS_MM
) -> tuple[Night, np.random.Generator]:
    """A night of one run without a fault, the lens by its turn at another pace than the faults."""
    rng = np.random.default_rng([seed, 31])
    base = bench_night(11 * seed, WIDTH, HEIGHT).night  # a multiple of 11 has no fault yet
    lens, _ = lens_by_lot(focals_mm[seed // len(FAULTS) % len(focals_mm)], rng)
    exposure = float(rng.choice([30.0, 60.0, 120.0]))
    run = replace(base.runs[0], lens=lens, frames=frames, exposure_s=exposure, kind="light")
    sky = replace(base.sky, satellites_per_h=0.0)
    return replace(base, runs=(run,), sky=sky, faint_to_mag=9.8), rng


def _mounted(night: Night, **parts: Any) -> Night:
    return replace(night, mount=replace(night.mount, **parts))


def _axis_of(night: Night, rng: np.random.Generator, px: float) -> Night:
    setting = setting_of(night, rng)
    error = px * setting.scale_arcsec_px / (SIDEREAL_ARCSEC_S * setting.exposure_s)
    arcmin = min(np.degrees(error) * 60.0, 240.0)
    turn = rng.uniform(0, 2 * np.pi)
    latitude = np.radians(abs(night.site.latitude_deg))
    return _mounted(
        night,
        axis_alt_error_arcmin=float(arcmin * np.cos(turn)),
        axis_az_error_arcmin=float(arcmin * np.sin(turn) / np.cos(latitude)),
    )


def _axis(seed: int) -> Night:
    night, rng = _quiet(seed, AFTER, FOCALS_MM[-3:])
    # No tracker is off by what it takes with shorter ones.
    night = replace(night, runs=(replace(night.runs[0], exposure_s=240.0),))
    return _axis_of(night, rng, float(rng.uniform(4.0, 9.0)))


def _slip(seed: int) -> Night:
    onset = 3 + seed % 4
    night, rng = _quiet(seed, onset + AFTER)
    setting = setting_of(night, rng)
    length = float(rng.uniform(2.5, 8.0)) * setting.scale_arcsec_px
    rate = length / (setting.exposure_s / 60.0) / setting.lean
    return _mounted(night, slip_arcsec_per_min=rate, slip_from_s=setting.moment(onset, 0.3))


def _focus(seed: int) -> Night:
    onset = 4 + seed % 3
    night, _ = _quiet(seed, onset + AFTER)
    run = night.runs[0]
    hours = run.start_of(onset) / 3600.0
    lens = replace(run.lens, focus_drift_px_per_h=0.85 * run.lens.fwhm_px / hours)
    return replace(night, runs=(replace(run, lens=lens),))


def _cloud(seed: int) -> Night:
    onset = 3 + seed % 4
    night, rng = _quiet(seed, onset + AFTER)
    run = night.runs[0]
    begin, full = run.start_of(onset), run.start_of(onset + 1 + seed % 2)
    deepest = float(rng.uniform(0.8, 2.0))
    cloud = ((begin, 0.0), (full, deepest), (run.start_of(60), deepest))
    return replace(night, sky=replace(night.sky, cloud=cloud))


def _stopped(seed: int) -> Night:
    onset = 3 + seed % 4
    night, _ = _quiet(seed, onset, FOCALS_MM[:3])
    run = night.runs[0]
    gap = timedelta(seconds=run.start_of(onset))
    still = replace(run, start_utc=run.start_utc + gap, frames=AFTER, tracking="off")
    return replace(night, runs=(run, still))


def _gusts(seed: int) -> Night:
    onset = 3 + seed % 3
    night, rng = _quiet(seed, onset)
    run = replace(night.runs[0], exposure_s=max(night.runs[0].exposure_s, 60.0))
    blown = int(np.ceil(GUSTS_S / (run.exposure_s + run.gap_s))) + 4
    night = replace(night, runs=(replace(run, frames=onset + blown),))
    setting = setting_of(night, rng)
    gusts = Gusts(
        per_min=float(rng.uniform(4.0, 8.0)),
        strength_arcsec=float(rng.uniform(4.0, 8.0)) * setting.scale_arcsec_px,
        decay_s=float(rng.uniform(1.5, 4.0)),
        axis_deg=float(rng.uniform(0.0, 180.0)),
        scatter_deg=180.0,
        from_s=setting.moment(onset, 0.0),
    )
    return _mounted(night, gusts=gusts)


def _clear(seed: int) -> Night:
    """What happens on any night, and is over with the frame."""
    first = CLEAR_FRAMES // 2
    night, rng = _quiet(seed, first)
    night = _axis_of(night, rng, 0.5)
    run = replace(night.runs[0], dithers=((4, 6.0, -4.0), (8, -5.0, 7.0)))
    later = timedelta(seconds=run.start_of(first) + 90.0)
    second = replace(
        run,
        start_utc=run.start_utc + later,
        alt_deg=float(rng.uniform(45.0, 70.0)),
        az_deg=float(rng.uniform(0.0, 360.0)),
    )
    night = replace(night, runs=(run, second))
    setting = setting_of(night, rng)
    push = 5.0 * setting.scale_arcsec_px
    gusts = Gusts(6.0, push, from_s=setting.moment(9, 0.0), to_s=setting.moment(9, 1.0))
    return _mounted(night, knocks=(Knock(setting.moment(5, 0.5), push, push),), gusts=gusts)


FAULTS: dict[str, tuple[Callable[[int], Night], str, tuple[str, ...]]] = {
    "axis": (_axis, "trails", ("trail_px", "trail_of_fwhm")),
    "slip": (_slip, "trails", ("trail_px", "trail_of_fwhm")),
    "focus": (_focus, "wide", ("fwhm_of_best",)),
    "cloud": (_cloud, "dim", ("extinction_mag",)),
    "stopped": (_stopped, "stopped", ("trail_px",)),
    "gusts": (_gusts, "gusts", ("trail_px", "fwhm_of_best")),
}
"""Kind to how it is drawn, the alarm that it deserves, and the rules that its frames break."""


@dataclass(slots=True)
class Count:
    """Of one kind of night."""

    nights: int = 0
    in_time: int = 0
    late: int = 0
    after: list[int] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    missed: list[int] = field(default_factory=list)


def told_at(night: Night, at: Path) -> dict[str, int]:
    """Each alarm that begins, with the number of the frame after which it does."""
    shutil.rmtree(at, ignore_errors=True)
    (at / "card").mkdir(parents=True)
    store = Store(at / "out" / ".skyplumb")
    watch = Watch(
        Options(at / "card", at / "out"),
        store,
        WorkerPool(1, ""),
        set(),
        _none,
        _none,
        lambda: None,
    )
    begun: dict[str, int] = {}
    for number, exposure in enumerate(_exposures(night)):
        measure = sketched(exposure, f"{number:04d}.fits")
        key = f"{night.seed} {number}"
        store.put(key, measure)
        watch.take(bare(measure), key)
        watch.judge([measure.file])
        for alarms in watch.alarms.values():
            for fault in alarms.on:
                begun.setdefault(fault, number)
    store.close()
    shutil.rmtree(at, ignore_errors=True)
    return begun


def _exposures(night: Night) -> list[DrawnExposure]:
    return [
        DrawnExposure(night, number, frame)
        for number, run in enumerate(night.runs)
        for frame in range(run.frames)
    ]


def onset_of(night: Night, kind: str) -> int | None:
    """The first frame of those to the end that deserve an alarm, four at least; of gusts most."""
    rules = FAULTS[kind][2]
    truths: list[Mapping[str, Any]] = [frame_truth(one) for one in _exposures(night)]
    lens = night.runs[0].lens
    limits = load_rules(None).limits_for(lens.name, lens.focal_mm)
    past = [max(one[rule] for rule in rules) > 1 for one in true_excess(truths, limits)]
    if kind == "gusts":
        onset = next(
            n for n, one in enumerate(_exposures(night)) if one.begin_s >= night.mount.gusts.from_s
        )  # type: ignore[union-attr]
        return onset if np.mean(past[onset:]) > MOSTLY else None
    onset = len(past)
    while onset and past[onset - 1]:
        onset -= 1
    if kind == "axis" and onset:
        return None
    return onset if len(past) - onset >= IN_TIME + 1 else None


def _due(night: Night, kind: str, onset: int) -> int:
    """The last frame that is in time: two more show the fault, and one may come between."""
    run: DrawnRun = night.runs[0]
    wait = int(np.ceil(GUSTS_S / (run.exposure_s + run.gap_s))) if kind == "gusts" else 0
    return onset + wait + IN_TIME


def main() -> None:
    """Parse, sketch, watch, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.watch", description=__doc__)
    parser.add_argument("--nights", type=int, default=50, help="of all faults [default: 50]")
    parser.add_argument("--clear", type=int, default=50, help="clear nights [default: 50]")
    parser.add_argument("--first", type=int, help="first seed [default: those that judge]")
    parser.add_argument("--kinds", nargs="*", choices=sorted(FAULTS), help="[default: all]")
    asked = parser.parse_args()
    first = seeds.JUDGE["watch"].start if asked.first is None else asked.first
    begin = time.perf_counter()
    kinds = asked.kinds or list(FAULTS)
    counts = {kind: Count() for kind in kinds}
    seed, drawn = first, 0
    while drawn < asked.nights:
        kind = kinds[seed % len(kinds)]
        make, alarm, _ = FAULTS[kind]
        night = make(seed)
        onset = onset_of(night, kind)
        if onset is not None:
            drawn += 1
            _count(counts[kind], told_at(night, KEPT / "watch" / str(seed)), alarm,
                   onset, _due(night, kind, onset), seed)  # fmt: skip
        seed += 1
    false: Counter[str] = Counter()
    for number in range(first + CLEAR_FROM, first + CLEAR_FROM + asked.clear):
        told = told_at(_clear(number), KEPT / "watch" / str(number))
        false.update(told.keys())
        if told:
            print(f"clear night {number}: {told}", flush=True)
    print(_table(counts).text())
    print(f"false alarms: {sum(false.values())} on {asked.clear} clear nights {dict(false)}")
    print(f"seeds {first} to {seed - 1}, clear from {first + CLEAR_FROM}")
    print(f"{time.perf_counter() - begin:.0f} s")


def _count(
    count: Count, told: Mapping[str, int], alarm: str, onset: int, due: int, seed: int
) -> None:
    count.nights += 1
    at = told.get(alarm)
    if at is None or at < onset:
        count.missed.append(seed)
        print(f"{seed}: {alarm} due {onset} to {due}, told {dict(told)}", flush=True)
    else:
        count.in_time += at <= due
        count.late += at > due
        count.after.append(at - onset)
        if at > due:
            print(f"{seed}: {alarm} due {onset} to {due}, told {dict(told)}", flush=True)
    count.others.update(told.keys() - {alarm})


def _table(counts: Mapping[str, Count]) -> Table:
    rows = []
    for kind, one in counts.items():
        after = f"{np.median(one.after):.0f}" if one.after else ""
        others = ", ".join(f"{name} {n}" for name, n in one.others.items())
        rows.append((kind, str(one.nights), str(one.in_time), str(one.late), after, others))
    sums = (
        sum(getattr(one, name) for one in counts.values()) for name in ("nights", "in_time", "late")
    )
    rows.append(("all", *map(str, sums), "", ""))
    return Table("Alarms", ("fault", "nights", "in time", "late", "frames", "others"), rows)


def _none(_: str) -> None:
    pass


if __name__ == "__main__":
    main()
