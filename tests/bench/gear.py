"""What the tally, the model of the rig and the forecast are worth: `python -m tests.bench.gear`.

Seasons are drawn from physics, frame by frame, by code that shares nothing with the model: many
rigs, each with four lenses and exposures audited and ten forecast. Tally time is taken from
folders as audits leave them.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from datetime import date
from itertools import product
from pathlib import Path
from typing import Literal

# As the command line does, before anything loads numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from skyplumb.findings import LensField, LensZone
from skyplumb.intervals import binomial_interval
from skyplumb.judge.lens_field import ZONES
from skyplumb.plain import plain
from skyplumb.season.gear import plan_from
from skyplumb.season.mixed_model import Prior
from skyplumb.season.night_ahead import Target
from skyplumb.season.plan import PlanAsk
from skyplumb.season.rig_model import Spreads, counts_of, fit_rig
from skyplumb.season.sessions import read_season
from skyplumb.summary import FORMAT

from ..drawnseason import DrawnRig, GustyRig, Nights, scale_of, some_rig, write_season
from .tables import Table, aim

SEASONS = 40
CELLS = ((35.0, 120.0), (35.0, 300.0), (85.0, 60.0), (85.0, 120.0), (200.0, 60.0))
LENSES, TIMES = (24.0, 50.0, 85.0, 135.0, 200.0), (30.0, 60.0, 120.0, 240.0)
AUDITED, ASKED = 4, 10
FOCUS_SPREAD = 0.5
"""Of frames out of focus from night to night, as drawn."""
FIRST_SEED = 3000
"""Priors were weighed on seasons of seeds under 3,000 and of 50,000 to 50,099: these are others."""
SESSIONS = (250, 500, 1000, 2000)
FRAMES = 300


def forecast_errors(args: tuple[int, int, int, type[DrawnRig]]) -> NDArray[np.float64]:
    """One drawn season: predicted, low, high and true hit rate of each cell asked for, the rate
    counted in those audited (NaN in the others), and the interval's width of the same model
    given the true spread of nights, shape (6, ASKED)."""
    seed, nights, frames, kind = args
    rng = np.random.default_rng([77, seed])
    rig = some_rig(rng, kind)
    every = [(focal, t) for focal in LENSES for t in TIMES]
    asked = [every[n] for n in rng.permutation(len(every))[:ASKED]]
    with tempfile.TemporaryDirectory(prefix="skyplumb-bench-") as name:
        write_season(rig, rng, nights, asked[:AUDITED], frames, Path(name))
        season = read_season([Path(name)])
    focal, exposure = np.array(asked).T
    counts = counts_of(season.frames, season.runs)
    found = fit_rig(counts).rate(scale_of(1.0) / focal, exposure)
    true = Spreads(events=_exactly(rig.gust_spread), rest=_exactly(FOCUS_SPREAD))
    given = fit_rig(counts, true).rate(scale_of(1.0) / focal, exposure)
    truth = [rig.rate(*cell) for cell in asked]
    gear = season.frames[~season.frames["excluded"]]
    kept = (gear["verdict"] == "keep").groupby([gear["focal_mm"], gear["setting_s"]]).mean()
    counted = [kept.get(cell, np.nan) if n < AUDITED else np.nan for n, cell in enumerate(asked)]
    width = given.high - given.low
    return np.array([found.middle, found.low, found.high, truth, counted, width], float)


def _exactly(spread: float) -> Prior:
    return Prior(float(np.log(spread)), 0.01)


def forecast_table(seasons: int, jobs: int) -> Table:
    """Errors, coverage and width of forecasts from six nights and from one."""
    rows: list[tuple[str, ...]] = []
    kinds = [
        (nights, frames, 0.02, rms, (0.93, 0.97), kind)
        for kind in (DrawnRig, GustyRig)
        for nights, rms in ((6, 0.06), (1, 0.09))
        for frames in (12, 40)
    ]
    with ProcessPoolExecutor(jobs) as pool:
        for nights, frames, most_bias, most_rms, (least, most), kind in kinds:
            tasks = [(FIRST_SEED + n, nights, frames, kind) for n in range(seasons)]
            done = np.stack(list(pool.map(forecast_errors, tasks)))
            middle, low, high, truth, counted, given = np.moveaxis(done, 1, 0)
            off, inside = middle - truth, (low <= truth) & (truth <= high)
            of = str(off.size)
            bias, rms, cover = off.mean(), np.sqrt((off**2).mean()), inside.mean()
            words = f"{nights} night{'s' * (nights > 1)} of {frames} frames a cell"
            words += " in bursts of wind" * (kind is GustyRig)
            near, met = f"within {most_bias:g}", _met(abs(bias) <= most_bias)
            wider = np.median(high - low) / np.median(given)
            by_count = np.sqrt(np.nanmean((counted - truth) ** 2))
            rows += [
                (f"{words}: bias", f"{bias:+.3f}", near, met, of),
                ("  rms", f"{rms:.3f}", f"{most_rms:g}", _met(rms <= most_rms), of),
                (
                    "  95 % intervals hold the truth",
                    f"{cover:.1%}",
                    f"{least:.0%} to {most:.0%}",
                    _met(least <= cover <= most),
                    of,
                ),
                ("  median error", f"{np.median(np.abs(off)):.3f}", "", "", of),
                ("  median width", f"{np.median(high - low):.3f}", "", "", of),
                ("    over that of true spreads", f"{wider:.2f}", "1.3", _met(wider <= 1.3), of),
            ]
            for name, part in (
                ("audited", slice(0, AUDITED)),
                ("not audited", slice(AUDITED, None)),
            ):
                error = np.sqrt((off[:, part] ** 2).mean())
                told = f"{off[:, part].mean():+.3f}, {error:.3f}, {inside[:, part].mean():.1%}"
                rows.append((f"  {name}: bias, rms, coverage", told, "", "", ""))
            rows.append(("  audited, by counting alone: rms", f"{by_count:.3f}", "", "", ""))
    title = f"Forecasts of {ASKED} lenses and exposures, {AUDITED} of them audited"
    return Table(title, ("what", "found", "aim", "", "forecasts"), rows)


class KnownNights(DrawnRig):
    """A rig that remembers which nights were drawn."""

    def nights(self, rng: np.random.Generator, count: int) -> Nights:
        drawn = super().nights(rng, count)
        if count == 1:
            WINDS.append(float(drawn.gusts_per_min[0]))
        return drawn


WINDS: list[float] = []
"""Gusts a minute of the nights drawn one by one, in their order."""
PLANNED = ((300.0, 20.0), (310.0, 45.0), (30.0, 60.0))
"""Targets, right ascension and declination, degrees; one a season in turn."""


def plan_errors(args: tuple[int, int, int]) -> NDArray[np.float64]:
    """One drawn season and a plan: share, low, high and truth of every exposure of every lens for
    a wind of one kind, then good frames low, high and of one drawn night; shape (7, n)."""
    seed, nights, frames = args
    rng = np.random.default_rng([78, seed])
    rig = some_rig(rng, KnownNights)
    WINDS.clear()
    every = [(focal, t) for focal in LENSES for t in TIMES]
    cells = [every[n] for n in rng.permutation(len(every))[:AUDITED]]
    with tempfile.TemporaryDirectory(prefix="skyplumb-bench-") as name:
        write_season(rig, rng, nights, cells, frames, Path(name))
        gusts = np.array(WINDS)
        wind = ("calm", "usual", "worst")[seed % 3]
        target = Target("drawn", *PLANNED[seed // 3 % 3])
        ask = PlanAsk(date(2026, 8, 1 + seed % 28), target, rig.latitude_deg, 9.9, wind=wind)
        told = plan_from([Path(name)], ask)
    blows = {"calm": gusts.min(), "usual": np.median(gusts), "worst": gusts.max()}[wind]
    hours = told.night.hour_angle_deg[told.night.usable]
    rows = []
    for lens in told.lenses:
        for one in lens.choices:
            cell = (float(blows), hours, target.dec_deg, lens.focal_mm, one.exposure_s)
            truth = _kept(rig, rng, *cell, 400, 10).mean()
            good = _kept(rig, rng, *cell, 1, one.frames).sum()
            rows.append((one.share, one.low, one.high, truth, one.good_low, one.good_high, good))
    return np.array(rows, float).T


def _kept(
    rig: DrawnRig,
    rng: np.random.Generator,
    gusts: float,
    hours: NDArray[np.float64],
    dec: float,
    focal: float,
    exposure_s: float,
    nights: int,
    frames: int,
) -> NDArray[np.bool_]:
    """Frames through drawn nights of that wind, good or not, shape (nights, frames)."""
    drawn = rig.nights(rng, nights + 1)
    drawn = replace(drawn, gusts_per_min=np.full(nights + 1, gusts))
    rows = np.repeat(np.arange(nights), frames)
    part = np.tile((np.arange(frames) + 0.5) / frames, nights)
    hour = hours[(part * len(hours)).astype(int)]
    phase = rng.uniform(0, 2 * np.pi, len(rows))
    night = drawn.at(rows)
    found = rig.frames(rng, night, part, hour, np.full(len(rows), dec), phase, focal, exposure_s)
    return np.asarray((found.verdict == "keep").reshape(nights, frames))


def plan_table(seasons: int, jobs: int) -> Table:
    """Errors and coverage of a plan's shares and of its good frames."""
    rows: list[tuple[str, ...]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for nights, most_rms in ((6, 0.06), (1, 0.09)):
            tasks = [(FIRST_SEED + n, nights, 20) for n in range(seasons)]
            done = np.concatenate(list(pool.map(plan_errors, tasks)), axis=1)
            share, low, high, truth, least, most, good = done
            off, inside = share - truth, ((low <= truth) & (truth <= high)).mean()
            bias, rms = off.mean(), np.sqrt((off**2).mean())
            of, words = str(off.size), f"{nights} night{'s' * (nights > 1)} of 20 frames a cell"
            counted = ((least <= good) & (good <= most)).mean()
            cover = _met(0.93 <= inside <= 0.97)
            rows += [
                (f"{words}: bias", f"{bias:+.3f}", "within 0.02", _met(abs(bias) <= 0.02), of),
                ("  rms", f"{rms:.3f}", f"{most_rms:g}", _met(rms <= most_rms), of),
                ("  95 % intervals hold the truth", f"{inside:.1%}", "93% to 97%", cover, of),
                ("  good frames of one night in their range", f"{counted:.1%}", "", "", of),
            ]
    title = "Plans: share of good frames with each lens and exposure, calm, usual and worst wind"
    return Table(title, ("what", "found", "aim", "", "shares"), rows)


def _met(met: bool | np.bool_) -> str:
    return "met" if met else "MISSED"


def interval_average(method: Literal["wilson", "exact"]) -> tuple[float, float]:
    """Coverage of an interval over hit rates from 0.5 to 0.99, averaged: exact, not drawn.
    The average over 5 to 200 frames, and the least average of one count of frames."""
    rates = np.linspace(0.5, 0.99, 491)
    means = []
    for n in (5, 8, 10, 15, 20, 30, 50, 100, 200):
        k = np.arange(n + 1)
        low, high = binomial_interval(k, np.full_like(k, n), method)
        inside = (low[:, None] <= rates) & (rates <= high[:, None])
        means.append(float((inside * binom.pmf(k[:, None], n, rates)).sum(axis=0).mean()))
    return float(np.mean(means)), min(means)


def interval_table() -> Table:
    """How often intervals of a counted rate hold the truth."""
    rows: list[tuple[str, ...]] = []
    methods: tuple[Literal["wilson", "exact"], ...] = ("wilson", "exact")
    for method in methods:
        mean, worst = interval_average(method)
        words = f"{method}, independent frames, rates 0.5 to 0.99"
        rows.append(aim(words, mean, 0.93, least=True, percent=True))
        rows.append(("  least of one count from 5 to 200 frames", f"{worst:.1%}", "", "", ""))
    return Table("Coverage of 95 % intervals of a count", ("what", "found", "aim", "", ""), rows)


def drawn_lens(rng: np.random.Generator, focal_mm: float) -> LensField:
    """What an audit tells of a lens whose corners are drawn out along the radius."""
    half = np.array([6000, 4000]) / np.hypot(6000, 4000)
    zones = []
    for row, column in product(range(ZONES[1]), range(ZONES[0])):
        x, y = half * (2 * (np.array([column, row]) + 0.5) / ZONES - 1)
        shape = np.array([1 + 0.4 * x * x, 1 + 0.4 * y * y, 0.4 * x * y])
        xx, yy, xy = shape + rng.normal(0, 0.01, 3)
        zones.append(LensZone(x, y, 20, xx, 0.01, yy, 0.01, xy, 0.01, 2.1, 2e-5))
    return LensField(
        *("Orvane N6", "OR-17", f"Orvane {focal_mm:g}mm", focal_mm, 2.8, "", 6000, 4000),
        *(scale_of(focal_mm), 16, 700, 2.35 + rng.normal(0, 0.01), 0.01, rng.uniform(-5, 15)),
        *(0.02, 0.01, 0.0, 0.01, tuple(zones)),
    )


def many_sessions(folder: Path, count: int) -> Iterator[int]:
    """Lay down sessions of 300 frames with all columns an audit writes and three lenses each, as
    copies of one night."""
    nights = folder / "nights"
    rng = np.random.default_rng(2)
    write_season(DrawnRig(), np.random.default_rng(1), 12, CELLS, (FRAMES - 1) // 5, nights)
    # The columns of an audit that a tally does not read are there to be skipped.
    filler = "," + ",".join(f"column_{n}" for n in range(30))
    values = "," + ",".join(f"{n}.12345" for n in range(29)) + ',"sharp: trail 0.3 px, limit 1.5"'
    texts = []
    for path in sorted(nights.iterdir()):
        head, *lines = (path / "frames.csv").read_text("utf-8").splitlines()
        table = "\n".join([head + filler, *(line + values for line in lines)]) + "\n"
        summary = json.loads((path / "summary.json").read_text("utf-8"))
        lenses = [drawn_lens(rng, focal) for focal in sorted({focal for focal, _ in CELLS})]
        summary["format"] = FORMAT
        summary["sessions"][0]["lenses"] = [plain(asdict(one)) for one in lenses]
        texts.append((path.name[:10], table, json.dumps(summary)))
    for n in range(count):
        day, table, summary = texts[n % len(texts)]
        there = str(np.datetime64("2000-01-01") + 3 * n)
        out = folder / "season" / f"{there}-orvane-n6"
        out.mkdir(parents=True)
        colons = (day.replace("-", ":"), there.replace("-", ":"))
        (out / "frames.csv").write_text(table.replace(day, there).replace(*colons), "utf-8")
        (out / "summary.json").write_text(summary.replace(day, there), "utf-8")
        yield n + 1


def tally_table() -> Table:
    """Time and memory of `skyplumb tally` for more and more sessions."""
    rows: list[tuple[str, ...]] = []
    taken: list[float] = []
    with tempfile.TemporaryDirectory(prefix="skyplumb-bench-") as name:
        folder = Path(name)
        for there in many_sessions(folder, max(SESSIONS)):
            if there not in SESSIONS:
                continue
            seconds, peak_mb = _timed(folder)
            taken.append(seconds)
            each = f"{1e3 * seconds / there:.1f} ms"
            rows.append((str(there), f"{seconds:.1f} s", each, f"{peak_mb:.0f} MB"))
    slope = np.polyfit(np.log(SESSIONS), np.log(taken), 1)[0]
    rows.append(("grows as their power", f"{slope:.2f}", "", "aim 1, under 1000 MB"))
    title = f"skyplumb tally, sessions of {FRAMES} frames"
    return Table(title, ("sessions", "CPU time", "a session", "peak memory"), rows)


def _timed(folder: Path) -> tuple[float, float]:
    """CPU seconds and peak memory of one tally in a process of its own."""
    code = (
        "import resource, sys; from pathlib import Path;"
        "from skyplumb.season.gear import write_tally;"
        "write_tally([Path(sys.argv[1])], Path(sys.argv[2]));"
        "u = resource.getrusage(resource.RUSAGE_SELF);"
        "print(u.ru_utime + u.ru_stime, u.ru_maxrss / 1000)"
    )
    words = [sys.executable, "-c", code, str(folder / "season"), str(folder / "out")]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    seconds, peak = map(float, done.stdout.split())
    return seconds, peak


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.gear", description=__doc__)
    parser.add_argument("--seasons", type=int, default=SEASONS, help="drawn for the forecast")
    parser.add_argument("--only", choices=("forecast", "plan", "intervals", "tally"))
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    asked = parser.parse_args()
    begin = time.perf_counter()
    if asked.only in (None, "tally"):
        print(tally_table().text(), flush=True)
    if asked.only in (None, "intervals"):
        print(interval_table().text(), flush=True)
    if asked.only in (None, "plan"):
        print(plan_table(asked.seasons, asked.jobs).text(), flush=True)
    if asked.only in (None, "forecast"):
        print(forecast_table(asked.seasons, asked.jobs).text(), flush=True)
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
