"""Causes against what was drawn: nights with one fault and with two, many of them small.

`python -m tests.bench.causes --single 84 --double 72` prints the tables; ten seconds a night.
Only frames that are clearly bad in truth are asked for their cause. On a night with two
faults the larger one in the frame's own budget is right; of a pair that no evidence of one
short target can tell apart, either.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from skyplumb.audit import audit_session
from skyplumb.demo import Exposure, Night, frame_truth
from skyplumb.demo.truth import mount_truth
from skyplumb.notes import Notes
from skyplumb.rules import load_rules

from .nights import FAULTS_BY_NAME, bench_night, setting_of
from .sketch import sketched_night
from .tables import Table, aim
from .verdicts import run_verdicts

WIDTH, HEIGHT = 1200, 800
FRAMES = 20
SINGLE = (
    "axis",
    "drive",
    "lunar",
    "half",
    "periodic",
    "sag",
    "wind",
    "sway",
    "knock",
    "cloud",
    "focus",
    "bright-sky",
    "untracked",
    "low",
)
PAIRED = ("axis", "drive", "periodic", "sag", "wind", "knock", "cloud", "focus", "bright-sky")
ALIKE = ({"axis", "drive"}, {"drive", "sag"}, {"axis", "sag"}, {"cloud", "focus"})
"""Pairs that one short target cannot tell apart; right when both are named."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class CauseNight:
    """A night with one or two faults."""

    number: int
    faults: tuple[str, ...]
    night: Night


def cause_nights(count: int, double: bool) -> list[CauseNight]:
    """The first so many nights, faults taking turns."""
    kinds = list(combinations(PAIRED, 2)) if double else [(name,) for name in SINGLE]
    nights = []
    for n in range(count):
        faults = kinds[n % len(kinds)]
        number = n + (10_000 if double else 5_000)
        nights.append(CauseNight(number, faults, _night(number, faults)))
    return nights


def _night(number: int, faults: Sequence[str]) -> Night:
    """One run of `FRAMES` frames of a lens by lot, with these faults laid over one another."""
    base = bench_night(number * 11, WIDTH, HEIGHT).night  # a multiple of 11 has no fault yet
    run = replace(base.runs[0], frames=FRAMES, kind="light")
    rng = np.random.default_rng([number, 77])
    run = replace(run, exposure_s=float(rng.choice([30.0, 60.0, 120.0, 300.0])))
    night = replace(
        base, runs=(run,), sky=replace(base.sky, satellites_per_h=0.0), faint_to_mag=9.8
    )
    if "low" in faults:
        night = replace(night, runs=(replace(run, alt_deg=float(rng.uniform(9, 14))),))
    setting = setting_of(night, rng)
    for fault in faults:
        if fault in ("lunar", "half"):
            night = replace(night, runs=tuple(replace(one, tracking=fault) for one in night.runs))
        elif fault == "sway":
            night = FAULTS_BY_NAME["wind"](night, setting)
            gusts = replace(night.mount.gusts, scatter_deg=5.0, sway_hz=0.9)  # type: ignore[type-var]
            night = replace(night, mount=replace(night.mount, gusts=gusts))
        elif fault != "low":
            night = FAULTS_BY_NAME[fault](night, setting)
    return night


def measure_causes(nights: Sequence[CauseNight], say: Say) -> pd.DataFrame:
    """Sketch and judge; one row a frame with the true and the found cause."""
    rows = []
    for done, one in enumerate(nights, start=1):
        rows.append(_judged(one))
        say(f"night {done} of {len(nights)}: {' and '.join(one.faults)}")
    return pd.concat(rows, ignore_index=True)


def _judged(one: CauseNight) -> pd.DataFrame:
    """Truth and result of one night."""
    measures = sketched_night(one.night)
    run = one.night.runs[0]
    truths = [frame_truth(Exposure(one.night, 0, n)) for n in range(run.frames)]
    rules = load_rules(None)
    deserved = run_verdicts(truths, rules.limits_for(run.lens.name, run.lens.focal_mm))
    truth = pd.DataFrame(truths).add_prefix("true_")
    truth["deserved"] = [verdict.verdict for verdict in deserved]
    truth["clear"] = [verdict.clear for verdict in deserved]
    truth["file"] = [measure.file for measure in measures]
    result = audit_session("bench", measures, (), Notes(), rules, lambda _: None)
    found = pd.DataFrame(result.frames)
    causes = {
        frame["file"]: frame["causes"]
        for told in result.summary["runs"]  # type: ignore[attr-defined]
        for frame in told["frames"]
    }
    found["causes"] = [causes.get(file, {}) for file in found["file"]]
    mount = result.summary["runs"][0]["mount"]  # type: ignore[index]
    joined = truth.merge(found, on="file", how="left")
    return joined.assign(
        night=one.number,
        faults="+".join(one.faults),
        focal=run.lens.focal_mm,
        mount=[mount] * len(joined),
        true_mount=[mount_truth(one.night, 0)] * len(joined),
    )


def is_right(row: pd.Series) -> bool:
    """Whether the named cause is the true one."""
    if row["cause"] == row["true_cause"]:
        return True
    pair = {row["cause"], row["true_cause"]}
    return pair in ALIKE and row["true_cause"] in row["causes"]


def cause_tables(frames: pd.DataFrame, double: bool) -> list[Table]:
    """Share of right causes, and the confusion table."""
    bad = frames[frames["clear"] & (frames["deserved"] == "reject")].copy()
    bad["right"] = bad.apply(is_right, axis=1)
    found = bad[bad["verdict"] != "keep"]
    title = "two faults a night" if double else "one fault a night"
    summary = Table(
        f"causes, {title}",
        ("what", "found", "aim", "", "of"),
        [
            aim("cause right on clearly bad frames", bad["right"].mean(), 0.85 if double else 0.95,
                least=True, percent=True, of=len(bad)),
            aim("  of those not kept", found["right"].mean(), None, percent=True, of=len(found)),
        ],
    )  # fmt: skip
    cross = pd.crosstab(bad["true_cause"], bad["cause"])
    rows = [[name, *(str(n) for n in cross.loc[name])] for name in cross.index]
    confusion = Table("true cause (rows) and the one named", ("true", *cross.columns), rows)
    return [summary, confusion]


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.causes", description=__doc__)
    parser.add_argument("--single", type=int, default=28, help="nights of one fault [28]")
    parser.add_argument("--double", type=int, default=36, help="nights of two faults [36]")
    asked = parser.parse_args()
    for count, double in ((asked.single, False), (asked.double, True)):
        frames = measure_causes(cause_nights(count, double), print)
        for table in cause_tables(frames, double):
            print(table.text())


if __name__ == "__main__":
    main()
