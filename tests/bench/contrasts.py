"""How often comparisons claim what is not, and find what is: `python -m tests.bench.contrasts`.

Nights, runs and frames are drawn from a logistic law with a known spread. Beside the comparison
stands a likelihood-ratio test that is given that spread, which nobody has: its likelihood is
integrated here by Gauss and Hermite's rule, with code of its own.
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit, logsumexp
from scipy.stats import chi2

from skyplumb.season.contrast import contrast

from .tables import Table

Floats = NDArray[np.float64]

SEASONS = 200
FIRST_SEED = 7000
"""Nothing was set on these seeds."""
FALSE = 0.05
KINDS = (
    # sides differ by night or within each, nights, runs a night, frames a run, spread, of runs
    ("by night", 12, 3, 16, 0.4, 0.0),
    ("by night", 12, 3, 16, 0.8, 0.0),
    ("by night", 24, 2, 30, 0.6, 0.3),
    ("by night", 6, 2, 12, 0.5, 0.0),
    ("within", 6, 2, 12, 0.5, 0.0),
    ("within", 12, 2, 16, 0.8, 0.3),
)
STEP = 0.9
"""In log odds: 75 % to 88 %."""


def drawn(
    seed: int, kind: tuple[str, int, int, int, float, float], step: float
) -> tuple[Floats, ...]:
    """Kept, judged, night and side of each run."""
    how, nights, runs, frames, spread, of_runs = kind
    rng = np.random.default_rng([seed, 11])
    night = np.repeat(np.arange(nights), runs)
    side = (night if how == "by night" else np.tile(np.arange(runs), nights)) % 2
    eta = 1.1 + spread * rng.standard_normal(nights)[night]
    eta = eta + of_runs * rng.standard_normal(len(night)) + step * side
    keep = rng.binomial(frames, expit(eta)).astype(float)
    return keep, np.full(len(night), float(frames)), night, side.astype(float)


def ratio_test(keep: Floats, judged: Floats, night: Floats, side: Floats, spread: float) -> float:
    """p of the likelihood-ratio test that knows the nights' spread."""
    at, weight = np.polynomial.hermite_e.hermegauss(31)
    starts = np.flatnonzero(np.r_[True, np.diff(night) != 0])

    def cost(params: Floats) -> float:
        eta = (params[0] + params[1] * side)[:, None] + spread * at
        rows = keep[:, None] * log_expit(eta) + (judged - keep)[:, None] * log_expit(-eta)
        each = np.add.reduceat(rows, starts, axis=0) + np.log(weight / weight.sum())
        return -float(logsumexp(each, axis=1).sum())

    without = minimize(lambda p: cost(np.array([p[0], 0.0])), [1.0], method="Nelder-Mead").fun
    with_it = minimize(cost, [1.0, 0.0], method="Nelder-Mead").fun
    return float(chi2.sf(2 * (without - with_it), 1))


def claimed(args: tuple[int, tuple[str, int, int, int, float, float], float]) -> tuple[bool, bool]:
    """Whether the comparison, and the test that knows the spread, call it a difference."""
    seed, kind, step = args
    keep, judged, night, side = drawn(seed, kind, step)
    ours = contrast(keep, judged, night.astype(np.intp), side).p < FALSE
    # Runs that scatter by themselves are all the spread there is to that test.
    known = float(np.hypot(kind[4], kind[5]))
    return ours, ratio_test(keep, judged, night, side, known) < FALSE


def comparison_table(seasons: int, jobs: int) -> Table:
    """False and right claims."""
    rows: list[tuple[str, ...]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for kind in KINDS:
            how, nights, runs, frames, spread, of_runs = kind
            shares = []
            for step in (0.0, STEP):
                tasks = [(FIRST_SEED + n, kind, step) for n in range(seasons)]
                shares.append(np.array(list(pool.map(claimed, tasks, chunksize=10))).mean(axis=0))
            (false, their_false), (right, theirs) = shares
            words = f"{how}, {nights} nights of {runs} x {frames}, spread {spread:g}, {of_runs:g}"
            met = false <= FALSE + 2 * np.sqrt(FALSE * (1 - FALSE) / seasons)
            enough = right >= 0.9 * theirs
            rows.append(
                (
                    *(words, f"{false:.1%}", f"{their_false:.1%}", "met" if met else "MISSED"),
                    *(f"{right:.0%}", f"{theirs:.0%}", "met" if enough else "MISSED"),
                )
            )
    heads = ("seasons", "false", "knowing", "5 %", "right", "knowing", "9 in 10")
    return Table(f"Comparisons, {seasons} seasons each, log odds {STEP:g} apart", heads, rows)


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.contrasts", description=__doc__)
    parser.add_argument("--seasons", type=int, default=SEASONS)
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    asked = parser.parse_args()
    begin = time.perf_counter()
    print(comparison_table(asked.seasons, asked.jobs).text(), flush=True)
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
