"""The mount's numbers against what was drawn, through the whole audit of sketched frames.

`python -m tests.bench.mounts` prints the tables; five seconds a night and core.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from skyplumb.demo import Mount, Night

from .causes import CauseNight, measure_causes
from .nights import FOCALS_MM, bench_night, setting_of
from .tables import Table, aim

WIDTH, HEIGHT = 3000, 2000
"""Of the frames; sketches cost the same whatever their size."""
AXIS_FRAMES, AXIS_SPAN_S = 12, 1200.0
MOTION_FRAMES = 24


@dataclass(frozen=True, slots=True)
class _Plan:
    """What a night is to show."""

    frames: int
    exposure_s: float
    mount: Callable[[Night, np.random.Generator], Mount]


def mount_nights(kind: str, count: int) -> list[CauseNight]:
    """The first so many nights of a kind: axis, periodic, slip or perfect."""
    first = 40_000 + 1000 * sorted(PLANS).index(kind)
    return [CauseNight(n, (kind,), night, range(night.runs[0].frames))
            for n in range(first, first + count) for night in [_night(n, PLANS[kind])]]  # fmt: skip


def _night(number: int, plan: _Plan) -> Night:
    """One run without a fault but those of the plan; focal lengths take turns."""
    base = bench_night(number * 11, WIDTH, HEIGHT).night  # a multiple of 11 has no fault yet
    rng = np.random.default_rng([number, 41])
    gap = base.runs[0].gap_s
    exposure = plan.exposure_s or float(rng.choice([30.0, 60.0, 120.0, 300.0]))
    lens = replace(base.runs[0].lens, focal_mm=FOCALS_MM[number % len(FOCALS_MM)])
    run = replace(
        base.runs[0], lens=lens, kind="light", frames=plan.frames, exposure_s=exposure - gap
    )
    night = replace(
        base, runs=(run,), sky=replace(base.sky, satellites_per_h=0.0), faint_to_mag=9.8
    )
    return replace(night, mount=plan.mount(night, rng))


def _axis(night: Night, rng: np.random.Generator) -> Mount:
    """Off by up to 40 arcmin in any direction."""
    size, turn = rng.uniform(3.0, 40.0), rng.uniform(0.0, 2 * np.pi)
    flat = np.cos(np.radians(night.site.latitude_deg))
    return replace(
        night.mount,
        axis_alt_error_arcmin=float(size * np.cos(turn)),
        axis_az_error_arcmin=float(size * np.sin(turn) / flat),
    )


def _periodic(night: Night, rng: np.random.Generator) -> Mount:
    """A worm of 1 to 4 px, four to ten frames a period."""
    run = night.runs[0]
    cadence = run.exposure_s + run.gap_s
    setting = setting_of(night, rng)
    amplitude = rng.uniform(1.0, 4.0) * setting.scale_arcsec_px / setting.flat_speed
    return replace(
        night.mount,
        periodic_arcsec=float(amplitude),
        periodic_s=float(rng.uniform(4.0, 10.0) * cadence),
        periodic_phase_deg=float(rng.uniform(0.0, 360.0)),
    )


def _slip(night: Night, rng: np.random.Generator) -> Mount:
    """A head that lets go at some moment, by 1 to 8 px a frame."""
    setting = setting_of(night, rng)
    per_frame = rng.uniform(1.0, 8.0) * setting.scale_arcsec_px / setting.lean
    onset = setting.moment(int(rng.integers(4, MOTION_FRAMES - 6)), float(rng.uniform(0, 1)))
    return replace(
        night.mount,
        slip_arcsec_per_min=float(per_frame / (setting.exposure_s / 60.0)),
        slip_from_s=onset,
    )


PLANS = {
    "axis": _Plan(AXIS_FRAMES, AXIS_SPAN_S / AXIS_FRAMES, _axis),
    "periodic": _Plan(MOTION_FRAMES, 0.0, _periodic),
    "slip": _Plan(MOTION_FRAMES, 0.0, _slip),
    "perfect": _Plan(MOTION_FRAMES, 0.0, lambda night, _: night.mount),
}


def mount_tables(frames: pd.DataFrame) -> list[Table]:
    """One table for each kind of night."""
    tables = []
    for kind, of_kind in frames.groupby("faults", sort=False):
        nights = [night for _, night in of_kind.groupby("night")]
        tables.append(
            Table(
                f"mount, {len(nights)} {kind} nights",
                ("what", "found", "aim", "", "of"),
                ROWS[str(kind)](nights),
            )
        )
    return tables


def _numbers(nights: Sequence[pd.DataFrame], name: str) -> tuple[np.ndarray, ...]:
    """Found, its stated error, and the truth; NaN where not found."""
    first = [night.iloc[0] for night in nights]
    columns = [
        [row["mount"].get(name) for row in first],
        [row["mount"].get(name + "_sigma") for row in first],
        [row["true_mount"][name] for row in first],
    ]
    return tuple(np.array(column, dtype=np.float64) for column in columns)


def _axis_rows(nights: Sequence[pd.DataFrame]) -> list[tuple[str, ...]]:
    rows = []
    total = np.array([night.iloc[0]["true_mount"]["axis_total_error_arcmin"] for night in nights])
    allowed = np.maximum(1.0, 0.05 * total)
    for name in ("axis_alt_error_arcmin", "axis_az_error_arcmin", "axis_total_error_arcmin"):
        found, sigma, true = _numbers(nights, name)
        off = np.abs(found - true)
        rows += [
            aim(f"{name}: within 1 or 5 %", np.nanmean(off <= allowed), 1.0, least=True,
                percent=True, of=int(np.isfinite(off).sum())),
            aim("  stated error under half of that: within",
                np.mean((off <= allowed)[sigma < allowed / 2]), 0.95, least=True, percent=True,
                of=int((sigma < allowed / 2).sum())),
            aim("  median error, arcmin", np.nanmedian(off), None),
            aim("  within two stated errors", np.nanmean(off <= 2 * sigma), 0.9, least=True,
                percent=True, of=len(off)),
        ]  # fmt: skip
    found, _, true = _numbers(nights, "rate_error_ppm")
    rows.append(aim("rate error, median, ppm", np.nanmedian(np.abs(found - true)), 50))
    return rows


def _periodic_rows(nights: Sequence[pd.DataFrame]) -> list[tuple[str, ...]]:
    rows = []
    for name in ("periodic_amplitude_arcsec", "periodic_period_s"):
        found, _, true = _numbers(nights, name)
        off = np.abs(found / true - 1)
        rows += [
            aim(f"{name}: found", np.isfinite(off).mean(), None, percent=True, of=len(off)),
            aim("  within 15 %, of all", np.mean(off <= 0.15), 0.95, least=True, percent=True,
                of=len(off)),
            aim("  median error", np.nanmedian(off), 0.15, percent=True),
        ]  # fmt: skip
    return rows


def _slip_rows(nights: Sequence[pd.DataFrame]) -> list[tuple[str, ...]]:
    found, _, _ = _numbers(nights, "slip_arcsec_per_min")
    true, late = [], []
    for night in nights:
        drawn = _night(int(night.iloc[0]["night"]), PLANS["slip"])
        run, mount = drawn.runs[0], drawn.mount
        middles = [run.start_of(n) + run.exposure_s / 2 for n in range(run.frames)]
        slipping = night["true_altitude_deg"][np.array(middles) > mount.slip_from_s]
        # It goes with the sine of the zenith distance; stated is the mean from the onset on.
        true.append(mount.slip_arcsec_per_min * np.cos(np.radians(slipping)).mean())
        told = pd.to_datetime(night.iloc[0]["mount"]["slip_onset_utc"])
        begun = pd.to_datetime(night.iloc[0]["taken_utc"])
        seconds = (told - begun).total_seconds() - mount.slip_from_s
        late.append(seconds / (run.exposure_s + run.gap_s))
    off = np.abs(found / np.array(true) - 1)
    return [
        aim("slip found", np.isfinite(off).mean(), None, percent=True, of=len(off)),
        aim("  within 20 %, of all", np.mean(off <= 0.2), 0.95, least=True, percent=True,
            of=len(off)),
        aim("  median error", np.nanmedian(off), 0.2, percent=True),
        aim("onset within two frames, of all", np.mean(np.abs(late) <= 2), 0.95, least=True,
            percent=True, of=len(late)),
    ]  # fmt: skip


def _perfect_rows(nights: Sequence[pd.DataFrame]) -> list[tuple[str, ...]]:
    first = [night.iloc[0]["mount"] for night in nights]
    reported = [bool(mount.get("faults")) for mount in first]
    blamed = [int(night["cause"].isin(["axis", "drive", "slip", "wind", "knock"]).sum())
              for night in nights]  # fmt: skip
    return [
        aim("nights with a fault reported", sum(reported), 0, of=len(nights)),
        aim("frames blamed on the mount", sum(blamed), 0, of=sum(len(night) for night in nights)),
    ]


ROWS = {
    "axis": _axis_rows,
    "periodic": _periodic_rows,
    "slip": _slip_rows,
    "perfect": _perfect_rows,
}


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mounts", description=__doc__)
    parser.add_argument("--nights", type=int, default=50, help="of each kind [50]")
    parser.add_argument("--only", choices=tuple(PLANS), help="one kind [default: all]")
    parser.add_argument("--jobs", type=int, default=0, help="processes; 0 for one a core")
    asked = parser.parse_args()
    jobs = asked.jobs or len(os.sched_getaffinity(0))
    for kind in [asked.only] if asked.only else PLANS:
        frames = measure_causes(mount_nights(kind, asked.nights), jobs, print)
        for table in mount_tables(frames):
            print(table.text())


if __name__ == "__main__":
    main()
