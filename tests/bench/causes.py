"""Causes against what was drawn: nights with one fault, with two, and mixed ones.

`python -m tests.bench.causes --single 84 --double 72 --mixed 400` prints the tables; five
seconds a night and core. A frame's true cause is what its true numbers break the shipped
rules with the furthest; of a trail, the fault that alone would have drawn most of it. The
first two kinds ask only frames that are clearly bad in truth, and of a pair that no evidence
of one short target can tell apart take either. Mixed nights (one to three faults, runs of
1 to 20 frames, a third without place and clock) ask every frame that was rejected, strictly:
they say whether the stated confidence is kept.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from itertools import combinations, pairwise

import numpy as np
import pandas as pd

from skyplumb.demo import DrawnExposure, Mount, Night, frame_truth
from skyplumb.demo.truth import mount_truth
from skyplumb.intake.rules import load_rules
from skyplumb.output.table import session_result
from skyplumb.records import NAN
from skyplumb.session_task import judge_session

from ..resolved import one_night
from .nights import FAULTS_BY_NAME, FOCALS_MM, bench_night, lens_by_lot, setting_of
from .sketch import sketched
from .tables import Table, aim
from .verdicts import run_verdicts, true_excess

WIDTH, HEIGHT = 1200, 800
FRAMES = 20
SINGLE = (
    "axis",
    "drive",
    "lunar",
    "half",
    "periodic",
    "slip",
    "wind",
    "sway",
    "knock",
    "cloud",
    "focus",
    "bright-sky",
    "untracked",
    "low",
)
PAIRED = ("axis", "drive", "periodic", "slip", "wind", "knock", "cloud", "focus", "bright-sky")
DEGENERATE_PAIRS = ({"axis", "drive"}, {"drive", "slip"}, {"axis", "slip"}, {"cloud", "focus"})
"""Pairs that one short target cannot tell apart; right when both are named."""

CAUSE_OF_RULE = {
    "doubled_px": "knock",
    "fwhm_of_best": "focus",
    "extinction_mag": "cloud",
    "sky_of_darkest": "bright-sky",
}
FIRST_MIXED = 60_000
"""Not the nights from which `tests.bench.confidence` learns, which begin at 20,000."""
CONFIDENCE_BINS = (0.0, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class CauseNight:
    """A night with one or two faults."""

    number: int
    faults: tuple[str, ...]
    night: Night
    shown: range = range(FRAMES)
    """The frames that were kept on the card."""
    bare: bool = False
    """Neither the place nor the time zone is known."""


def cause_nights(count: int, double: bool) -> list[CauseNight]:
    """The first so many nights, faults taking turns."""
    kinds = list(combinations(PAIRED, 2)) if double else [(name,) for name in SINGLE]
    nights = []
    for n in range(count):
        faults = kinds[n % len(kinds)]
        number = n + (10_000 if double else 5_000)
        nights.append(CauseNight(number, faults, _night(number, faults)))
    return nights


def mixed_nights(count: int, first_number: int = FIRST_MIXED) -> list[CauseNight]:
    """The first so many nights of any faults, of any length, with and without a place."""
    nights = []
    for number in range(first_number, first_number + count):
        rng = np.random.default_rng([number, 3])
        size = int(rng.choice([1, 2, 3], p=[0.25, 0.45, 0.3]))
        kinds = [*PAIRED, "sway", "low", "lunar", "half", "untracked"]
        chosen = tuple(str(kind) for kind in rng.choice(kinds, size=size, replace=False))
        length = int(rng.choice([1, 2, 4, 8, 12, 20], p=[0.04, 0.08, 0.18, 0.2, 0.2, 0.3]))
        first = int(rng.integers(0, FRAMES - length + 1))
        night = _night(number, chosen)
        shown = range(FRAMES)[first : first + length]
        shown = shown if night.runs[0].frames == FRAMES else range(night.runs[0].frames)
        nights.append(CauseNight(number, chosen, night, shown, bool(rng.random() < 0.33)))
    return nights


def _night(number: int, faults: Sequence[str]) -> Night:
    """One run of `FRAMES` frames of a lens by lot, with these faults laid over one another."""
    base = bench_night(number * 11, WIDTH, HEIGHT).night  # a multiple of 11 has no fault yet
    rng = np.random.default_rng([number, 77])
    lens, _ = lens_by_lot(float(rng.choice(FOCALS_MM)), rng)
    exposure = float(rng.choice([30.0, 60.0, 120.0, 300.0]))
    run = replace(base.runs[0], lens=lens, frames=FRAMES, exposure_s=exposure, kind="light")
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
        if fault == "axis":
            # Its size is that of the longest drift; most targets drift by half of it.
            night = replace(night, mount=_twice_the_axis_error(night.mount))
    return night


def _twice_the_axis_error(mount: Mount) -> Mount:
    return replace(
        mount,
        axis_alt_error_arcmin=2 * mount.axis_alt_error_arcmin,
        axis_az_error_arcmin=2 * mount.axis_az_error_arcmin,
    )


def measure_causes(nights: Sequence[CauseNight], jobs: int, say: Say) -> pd.DataFrame:
    """Sketch and judge; one row a frame with the true and the found cause."""
    rows = []
    with ProcessPoolExecutor(jobs) as pool:
        for done, one in enumerate(pool.map(judged_night, nights), start=1):
            rows.append(one)
            if done % 20 == 0 or done == len(nights):
                say(f"{done} of {len(nights)} nights")
    return pd.concat(rows, ignore_index=True)


def judged_night(one: CauseNight) -> pd.DataFrame:
    """Truth and result of one night."""
    run = one.night.runs[0]
    exposures = [DrawnExposure(one.night, 0, n) for n in one.shown]
    measures = [sketched(exposure, f"frames/{exposure.frame:04d}.fits") for exposure in exposures]
    if one.bare:
        unknown = {"latitude_deg": NAN, "longitude_deg": NAN, "utc_offset_h": NAN}
        measures = [replace(one, info=replace(one.info, **unknown)) for one in measures]
    truths = [frame_truth(exposure) for exposure in exposures]
    rules = load_rules(None)
    limits = rules.limits_for(run.lens.name, run.lens.focal_mm)
    deserved = run_verdicts(truths, limits)
    truth = pd.DataFrame(truths).add_prefix("true_")
    truth["true_cause"] = [
        true_cause(excess, frame["budget_px"])
        for excess, frame in zip(true_excess(truths, limits), truths, strict=True)
    ]
    truth["deserved"] = [verdict.verdict for verdict in deserved]
    truth["clear"] = [verdict.clear for verdict in deserved]
    truth["file"] = [measure.file for measure in measures]
    night = one_night(measures)
    judged, excluded, notices = judge_session(night, rules, lambda _: None)
    written = session_result(night, judged, excluded, (), rules, notices)
    found = pd.DataFrame(
        {
            "file": frame.facts.light.file,
            "verdict": frame.verdict,
            "cause": frame.cause,
            "confidence": frame.confidence,
            "causes": frame.causes,
            "likeliest": frame.likeliest,
            "evidence": None if frame.evidence is None else frame.evidence.terms(),
            "trail_px": frame.facts.motion.trail_px,
            "reason": frame.reason,
            "taken_utc": f"{start.isoformat()}Z" if (start := frame.facts.light.start_utc) else "",
        }
        for run_judged in judged
        for frame in run_judged.frames
    )
    joined = truth.merge(found, on="file", how="left")
    return joined.assign(
        night=one.number,
        faults="+".join(one.faults),
        bare=one.bare,
        focal=run.lens.focal_mm,
        mount=[asdict(written.summary.runs[0].mount)] * len(joined),
        true_mount=[mount_truth(one.night, 0)] * len(joined),
    )


def true_cause(excess: Mapping[str, float], budget_px: Mapping[str, float]) -> str:
    """What breaks the rules the furthest; of a trail, the fault that alone draws most of it."""
    severity = {CAUSE_OF_RULE.get(rule, "trail"): 0.0 for rule in excess}
    for rule, past in excess.items():
        cause = CAUSE_OF_RULE.get(rule, "trail")
        severity[cause] = max(severity[cause], past)
    worst = max(severity, key=lambda cause: severity[cause])
    return max(budget_px, key=lambda fault: budget_px[fault]) if worst == "trail" else worst


def is_right(row: pd.Series) -> bool:
    """Whether the named cause is the true one, or its twin that cannot be told from it."""
    if row["cause"] == row["true_cause"]:
        return True
    pair = {row["cause"], row["true_cause"]}
    return pair in DEGENERATE_PAIRS and row["true_cause"] in row["causes"]


def reliability(frames: pd.DataFrame) -> list[Table]:
    """Stated confidence of every rejected frame against how often its cause was the true one."""
    bad = frames[(frames["verdict"] == "reject") & frames["confidence"].notna()]
    right = bad["cause"] == bad["true_cause"]
    rows, worst = [], 0.0
    for low, high in pairwise(CONFIDENCE_BINS):
        mine = (bad["confidence"] > low) & (bad["confidence"] <= high)
        count = int(mine.sum())
        if not count:
            continue
        stated, found = bad.loc[mine, "confidence"].mean(), right[mine].mean()
        if count >= 100:
            worst = max(worst, abs(stated - found))
        rows.append((f"{low:.2f} to {high:.2f}", f"{stated:.3f}", f"{found:.3f}", str(count)))
    unknown = int(((frames["verdict"] == "reject") & frames["confidence"].isna()).sum())
    return [
        Table(
            "confidence of rejected frames, mixed nights",
            ("what", "found", "aim", "", "of"),
            [
                aim("frames with a confidence", len(bad), 2000, least=True),
                aim("  without one", unknown, None),
                aim("cause right, strictly", right.mean(), None, percent=True, of=len(bad)),
                aim("worst bin of 100 or more", worst, 0.07),
            ],
        ),
        Table("stated and found", ("confidence", "stated", "right", "frames"), rows),
    ]


def cause_tables(frames: pd.DataFrame, double: bool) -> list[Table]:
    """Share of right causes, and the confusion table."""
    bad = frames[frames["clear"] & (frames["deserved"] == "reject")].copy()
    bad["right"] = bad.apply(is_right, axis=1)
    strictly = (bad["cause"] == bad["true_cause"]).mean()
    found = bad[bad["verdict"] != "keep"]
    title = "two faults a night" if double else "one fault a night"
    summary = Table(
        f"causes, {title}",
        ("what", "found", "aim", "", "of"),
        [
            aim("cause right on clearly bad frames, either of a degenerate pair",
                bad["right"].mean(), 0.85 if double else 0.95, least=True, percent=True,
                of=len(bad)),
            aim("  strictly, the twin of a degenerate pair counted as wrong", strictly, None,
                percent=True, of=len(bad)),
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
    parser.add_argument("--mixed", type=int, default=40, help="nights of any faults [40]")
    parser.add_argument("--jobs", type=int, default=0, help="processes; 0 for one a core")
    asked = parser.parse_args()
    jobs = asked.jobs or len(os.sched_getaffinity(0))
    for count, double in ((asked.single, False), (asked.double, True)):
        if count:
            frames = measure_causes(cause_nights(count, double), jobs, print)
            for table in cause_tables(frames, double):
                print(table.text())
    if asked.mixed:
        frames = measure_causes(mixed_nights(asked.mixed), jobs, print)
        for table in reliability(frames):
            print(table.text())


if __name__ == "__main__":
    main()
