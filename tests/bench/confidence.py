"""The law of confidence, learnt on drawn nights and held against others.

`python -m tests.bench.confidence --learn 400 --hold 400` prints the six numbers of
`skyplumb.judge.confidence.LAW` with their errors, how often the causes it would not name were
right, and how far what it states is from what comes true on nights of other numbers. Nothing
is written: who changes the judge runs it and copies the numbers by hand.
"""

from __future__ import annotations

import argparse
import os
from itertools import pairwise

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy.special import expit

from skyplumb.judge.confidence import LAW, LEAST_NAMED

from .causes import measure_causes, mixed_nights
from .tables import Table, aim

FIRST_LEARNT, FIRST_HELD = 20_000, 60_000
"""Numbers of the nights: the two never meet."""
TERMS = ("constant", "lead", "local", "site missing", "mount missing", "log misfit")
BINS = (0.0, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


def usable(frames: pd.DataFrame) -> pd.DataFrame:
    """Rejected frames with evidence, and whether the likeliest cause is the true one."""
    asked = frames[(frames["verdict"] == "reject") & frames["evidence"].notna()].copy()
    asked["right"] = asked["likeliest"] == asked["true_cause"]
    return asked


def learn(frames: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and their errors, clustered by night: frames of one night are alike."""
    rows = np.stack(frames["evidence"].to_list())
    fit = sm.GLM(frames["right"].astype(float), rows, family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": frames["night"].to_numpy()}
    )
    return np.asarray(fit.params), np.asarray(fit.bse)


def held_table(frames: pd.DataFrame, law: np.ndarray, title: str) -> list[Table]:
    """Stated against found, in bins."""
    stated = expit(np.stack(frames["evidence"].to_list()) @ law)
    right = frames["right"].to_numpy()
    rows, worst = [], 0.0
    for low, high in pairwise(BINS):
        mine = (stated > low) & (stated <= high)
        count = int(mine.sum())
        if not count:
            continue
        said, found = float(stated[mine].mean()), float(right[mine].mean())
        if count >= 100:
            worst = max(worst, abs(said - found))
        rows.append((f"{low:.2f} to {high:.2f}", f"{said:.3f}", f"{found:.3f}", str(count)))
    summary = [
        aim("frames with evidence", len(frames), 2000, least=True),
        aim("likeliest cause right", float(right.mean()), None, percent=True, of=len(frames)),
        aim("worst bin of 100 or more", worst, 0.07),
        aim(
            f"right of those under {LEAST_NAMED:g}",
            float(right[stated < LEAST_NAMED].mean()) if (stated < LEAST_NAMED).any() else np.nan,
            None,
            percent=True,
            of=int((stated < LEAST_NAMED).sum()),
        ),
    ]
    return [
        Table(title, ("what", "found", "aim", "", "of"), summary),
        Table(f"{title}: stated and found", ("confidence", "stated", "right", "frames"), rows),
    ]


def main() -> None:
    """Parse, draw, learn, hold, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.confidence", description=__doc__)
    parser.add_argument("--learn", type=int, default=400, help="nights to learn on [400]")
    parser.add_argument("--hold", type=int, default=400, help="other nights to hold it to [400]")
    parser.add_argument("--jobs", type=int, default=0, help="processes; 0 for one a core")
    asked = parser.parse_args()
    jobs = asked.jobs or os.cpu_count() or 1
    law = LAW
    if asked.learn:
        frames = usable(measure_causes(mixed_nights(asked.learn, FIRST_LEARNT), jobs, print))
        law, error = learn(frames)
        print(
            Table(
                f"law learnt on {len(frames)} rejected frames of {asked.learn} nights",
                ("term", "log odds", "error", "today's"),
                [
                    (name, f"{one:.2f}", f"{sigma:.2f}", f"{now:.2f}")
                    for name, one, sigma, now in zip(TERMS, law, error, LAW, strict=True)
                ],
            ).text()
        )
    if asked.hold:
        held = usable(measure_causes(mixed_nights(asked.hold, FIRST_HELD), jobs, print))
        for title, one in (("today's law", LAW), ("the law just learnt", law)):
            for table in held_table(held, one, f"{title}, on nights it was not learnt on"):
                print(table.text())


if __name__ == "__main__":
    main()
