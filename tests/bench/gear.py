"""What the tally, the model of the rig and the forecast are worth: `python -m tests.bench.gear`.

Seasons are drawn from the model itself, with rigs of many kinds, so that what is measured is
whether its intervals say what they claim. Tally time is taken from folders as audits leave them.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

# As the command line does, before anything loads numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom
from statsmodels.stats.proportion import proportion_confint

from skyplumb.season.forecast import GRID_S, longest
from skyplumb.season.rig_model import fit_rig

from ..drawnseason import Truth, scale_of, write_season
from .tables import Table, aim

SEASONS = 2000
CELLS = ((35.0, 120.0), (35.0, 300.0), (85.0, 60.0), (85.0, 120.0), (200.0, 60.0), (200.0, 120.0))
CALM = {"drift_spread": 0.15, "events_spread": 0.2, "rest_spread": 0.2, "axis_spread": 0.15}
"""Nights much alike."""
EXPOSURES = (30.0, 60.0, 120.0, 240.0)
FOCAL = 85.0
SESSIONS = (250, 500, 1000, 2000)
FRAMES = 300


def some_truth(rng: np.random.Generator) -> Truth:
    """A rig of any kind that small trackers are: ours, no source."""
    return Truth(
        limit_px=rng.uniform(1.2, 3.0),
        steepness=rng.uniform(1.2, 3.0),
        drift_spread=rng.uniform(0.1, 0.7),
        events_per_min=float(np.exp(rng.uniform(np.log(0.01), np.log(0.1)))),
        scale_power=rng.uniform(0.5, 2.0),
        events_spread=rng.uniform(0.2, 0.8),
        rest_log_odds=rng.uniform(3.0, 5.0),
        rest_spread=rng.uniform(0.2, 0.7),
        axis_arcmin=rng.uniform(3.0, 10.0),
        axis_spread=rng.uniform(0.2, 0.6),
        rate_ppm=rng.uniform(50.0, 300.0),
        periodic_arcsec=rng.uniform(0.0, 5.0),
    )


def season_covers(seed: int) -> tuple[int, list[bool], list[bool]]:
    """Nights of one drawn season, and for each cell whether the truth lies in the interval of
    the model and in Wilson's of the counted frames."""
    rng = np.random.default_rng([20, seed])
    truth, nights = some_truth(rng), int(rng.integers(5, 31))
    focal, exposure = np.array(CELLS).T
    counts = truth.draw(rng, nights, CELLS, 20)
    rate = fit_rig(counts).rate(scale_of(1.0) / focal, exposure, draws=500)
    wanted = np.array([truth.rate(*cell, nights=4000) for cell in CELLS])
    kept = counts.keep.reshape(nights, -1).sum(axis=0)
    judged = counts.judged.reshape(nights, -1).sum(axis=0)
    low, high = proportion_confint(kept, judged, 0.05, "wilson")
    inside = (rate.low <= wanted) & (wanted <= rate.high)
    return nights, inside.tolist(), ((low <= wanted) & (wanted <= high)).tolist()


def longest_off(args: tuple[int, int, bool]) -> tuple[float, bool, float]:
    """How far the forecast's longest 90 % exposure is off, as a share of the true one (NaN if the
    truth lies outside the exposures shot), from five nights of so many frames an exposure;
    whether the truth lies in its interval; and how far off five nights are that are known
    perfectly: no forecast from five nights can be sure to do better."""
    seed, frames, calm = args
    rng = np.random.default_rng([21, seed])
    truth = some_truth(rng)
    if calm:
        truth = replace(truth, **CALM)
    grid, scale = GRID_S[::2], scale_of(FOCAL)
    true_s = _crossing([truth.rate(FOCAL, float(t), nights=3000) for t in grid], grid)
    if not EXPOSURES[0] <= true_s <= EXPOSURES[-1]:
        return np.nan, False, np.nan
    faults, shift = truth.faults(rng, 5), rng.standard_normal((5, 3))
    five = [
        truth.chances(faults.trail_px(scale, float(t), 0.0), scale, float(t), shift)
        .prod(axis=-1)
        .mean()
        for t in grid
    ]
    counts = truth.draw(rng, 5, [(FOCAL, t) for t in EXPOSURES], frames)
    found = longest(fit_rig(counts).rate(scale, grid, draws=300), grid, 0.9)
    inside = found.low_s <= true_s <= found.high_s
    return found.exposure_s / true_s - 1, inside, _crossing(five, grid) / true_s - 1


def _crossing(rates: Sequence[float], exposures_s: NDArray[np.float64]) -> float:
    """Where a falling hit rate passes 90 %."""
    under = int(np.argmax(np.array(rates) < 0.9))
    around = slice(max(under - 1, 0), under + 1)
    return float(np.interp(-0.9, -np.array(rates[around]), exposures_s[around]))


def wilson_average(method: str) -> tuple[float, float]:
    """Coverage of an interval over hit rates from 0.5 to 0.99, averaged: exact, not drawn.
    The average over 5 to 200 frames, and the least average of one count of frames."""
    rates = np.linspace(0.5, 0.99, 491)
    means = []
    for n in (5, 8, 10, 15, 20, 30, 50, 100, 200):
        k = np.arange(n + 1)
        low, high = proportion_confint(k, n, 0.05, method)
        inside = (low[:, None] <= rates) & (rates <= high[:, None])
        means.append(float((inside * binom.pmf(k[:, None], n, rates)).sum(axis=0).mean()))
    return float(np.mean(means)), min(means)


def coverage_table(seasons: int, jobs: int) -> Table:
    """How often intervals hold the truth."""
    with ProcessPoolExecutor(jobs) as pool:
        done = list(pool.map(season_covers, range(seasons), chunksize=20))
    inside = np.array([cells for _, cells, _ in done])
    counted = np.array([cells for _, _, cells in done])
    nights = np.array([one for one, _, _ in done])
    few = nights <= 10
    total = str(len(done))
    least, most = inside.mean(axis=0).min(), inside.mean(axis=0).max()
    dependent = "Wilson over the same frames, which are not independent"
    rows = [
        ("model", f"{inside.mean():.1%}", "93 % to 97 %", _within(inside.mean()), total),
        ("  seasons of 5 to 10 nights", f"{inside[few].mean():.1%}", "", "", str(few.sum())),
        ("  seasons of 11 to 30 nights", f"{inside[~few].mean():.1%}", "", "", str((~few).sum())),
        ("  least, most of the lenses x exposures", f"{least:.1%}, {most:.1%}", "", "", total),
        (dependent, f"{counted.mean():.1%}", "", "", total),
    ]
    for name, method in (("Wilson", "wilson"), ("exact", "beta")):
        mean, worst = wilson_average(method)
        words = f"{name}, independent frames, rates 0.5 to 0.99"
        rows.append(aim(words, mean, 0.93, least=True, percent=True))
        rows.append(("  least of one count from 5 to 200 frames", f"{worst:.1%}", "", "", ""))
    return Table("Coverage of 95 % intervals", ("what", "found", "aim", "", "seasons"), rows)


def _within(share: float) -> str:
    return "met" if 0.93 <= share <= 0.97 else "MISSED"


def longest_table(seasons: int, jobs: int) -> Table:
    """The longest 90 % exposure from five nights at four exposures."""
    rows: list[tuple[str, ...]] = []
    kinds = (
        (15, False, "any rig, 60 frames a night"),
        (60, False, "any rig, 240 frames a night"),
        (60, True, "rig whose nights are much alike, 240"),
    )
    with ProcessPoolExecutor(jobs) as pool:
        for frames, calm, words in kinds:
            tasks = [(n, frames, calm) for n in range(seasons)]
            off, inside, floor = np.array(list(pool.map(longest_off, tasks, chunksize=10))).T
            there = np.isfinite(off)
            off, floor, of = np.abs(off[there]), np.abs(floor[there]), int(there.sum())
            within = f"{(off <= 0.15).mean():.0%}, {(floor <= 0.15).mean():.0%}"
            held = f"{inside[there].mean():.0%}"
            rows += [
                aim(f"{words}: median error", float(np.median(off)), 0.15, percent=True, of=of),
                ("  of five nights known perfectly", f"{np.median(floor):.1%}", "", "", str(of)),
                ("  within 15 %: forecast, five nights", within, "", "", str(of)),
                ("  truth in the told interval", held, "", "", str(of)),
            ]
    title = "The longest exposure for 90 % kept, from five nights of four exposures"
    return Table(title, ("what", "found", "aim", "", "seasons"), rows)


def many_sessions(folder: Path, count: int) -> Iterator[int]:
    """Lay down sessions of 300 frames with all columns an audit writes, as copies of one night."""
    counts = Truth().draw(np.random.default_rng(1), 12, [*CELLS[:5]], (FRAMES - 1) // 5)
    nights = folder / "nights"
    write_season(counts, nights)
    # The columns of an audit that a tally does not read are there to be skipped.
    filler = "," + ",".join(f"column_{n}" for n in range(30))
    values = "," + ",".join(f"{n}.12345" for n in range(29)) + ',"sharp: trail 0.3 px, limit 1.5"'
    texts = []
    for path in sorted(nights.iterdir()):
        head, *lines = (path / "frames.csv").read_text("utf-8").splitlines()
        table = "\n".join([head + filler, *(line + values for line in lines)]) + "\n"
        texts.append((path.name[:10], table, (path / "summary.json").read_text("utf-8")))
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
    parser.add_argument("--seasons", type=int, default=SEASONS, help="drawn for coverage")
    parser.add_argument("--only", choices=("coverage", "longest", "tally"))
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    asked = parser.parse_args()
    begin = time.perf_counter()
    if asked.only in (None, "tally"):
        print(tally_table().text(), flush=True)
    if asked.only in (None, "longest"):
        print(longest_table(max(asked.seasons // 5, 20), asked.jobs).text(), flush=True)
    if asked.only in (None, "coverage"):
        print(coverage_table(asked.seasons, asked.jobs).text(), flush=True)
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
