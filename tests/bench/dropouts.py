"""Cards whose tags are missing, wrong or doubled, against the whole, clean card of the same night.

`python -m tests.bench.dropouts` draws nights with `tests.nightsky`, which shares no code with the
program, writes each night's card whole and in many damaged ways with the same pixels, audits each
from outside and reads frames.csv and summary.json. What is said of a frame should be what was
said of it on the whole card, and true.

  verdict    rows with the verdict that the frame has on the whole card, of all that were judged
  cause      rows with the cause that it has there, of those not kept there; frames that lack the
             tag are left out where others on the card have it
  true       cause right, of frames clearly bad in truth; right are the fault that alone would have
             drawn the longest trail (or past its limit the furthest), and others at 75 % of it
  false      causes stated with a confidence over 0.85 that are none of these; near a limit any
             fault that is at work in the frame is right
  axis ok    placements whose axis is within 1 arcmin or 5 % of the truth, on the sky, of those
             told; a card without place tells none
  held       axes whose altitude and azimuth are both within three of their own errors
  sessions   cards that were not taken for one night of one body
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pandas as pd

import skyplumb

from ..nightsky import VERSION, seeds
from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.edits import EDITS, edited
from ..nightsky.tags import tags_of
from .cards import KEPT
from .tables import Table, aim

CASE = "dropouts"
NIGHTS, KINDS_A_NIGHT = 10, 10
QUICK_NIGHTS, QUICK_KINDS = 3, 5
SURE = 0.85
NEAR = 0.75
"""Of the largest fault's own trail: what draws as much is as right an answer."""
AXIS_ARCMIN, AXIS_SHARE = 1.0, 0.05
OLD_NAMES = {"sag": "slip"}
NO_CAUSE = ("", "none", "unexplained", "few-stars")
"""What states no cause."""


@dataclass(slots=True)
class Score:
    """Counts of one kind of card, or of several."""

    cards: int = 0
    files: int = 0
    judged: int = 0
    verdict_same: int = 0
    verdict_asked: int = 0
    cause_same: int = 0
    cause_asked: int = 0
    cause_true: int = 0
    true_asked: int = 0
    unnamed: int = 0
    """Of those asked for the truth, how many were given no cause."""
    false: int = 0
    axis_ok: int = 0
    axis_held: int = 0
    axis_told: int = 0
    split: int = 0
    seconds: float = 0.0
    wrong: list[dict[str, Any]] = field(default_factory=list)

    def add(self, other: Score) -> None:
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


@dataclass(frozen=True, slots=True)
class Audit:
    """What the program said of one card."""

    rows: pd.DataFrame
    mounts: list[dict[str, Any]]
    sessions: int


def bench_night(seed: int, kinds: Sequence[str], folder: Path) -> dict[str, Score]:
    """Draw a night once, audit its whole card and those of `kinds`; scores by kind."""
    plan = case(CASE, seed)
    pictures = Pictures(plan.night)
    plain = plain_card(plan.night, tags_of(plan.night, plan.clock))
    scores: dict[str, Score] = {}
    whole: Audit | None = None
    for kind in ("whole", *kinds):
        at = folder / str(seed) / kind
        shutil.rmtree(at, ignore_errors=True)
        truth = pictures.write(at, edited(plain, kind, seed), asdict(plan.clock))
        begin = _processor_s()
        said = audit(at)
        spent = _processor_s() - begin
        shutil.rmtree(at / "card")
        whole = whole or said
        scores[kind] = compare(said, whole, truth, kind)
        scores[kind].seconds = spent
    return scores


def _processor_s() -> float:
    """Processor time of this process and of those it waited for."""
    return sum(os.times()[:4])


def audit(at: Path) -> Audit:
    """Audit `at`/card and read what came out, under today's names or those of version 0.1."""
    done = skyplumb.audit(at / "card", at / "out", jobs=1)
    tables = [pd.read_csv(folder / "frames.csv", keep_default_na=False) for folder in done.folders]
    rows = pd.concat(tables, ignore_index=True)
    rows["cause"] = rows["cause"].replace(OLD_NAMES)
    rows["confidence"] = pd.to_numeric(rows["confidence"], errors="coerce")
    mounts = []
    for folder in done.folders:
        told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        mounts += list(_mounts(told))
    return Audit(rows.set_index("file", drop=False), mounts, len(done.folders))


def _mounts(told: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The mount of each placement, once."""
    for session in told.get("sessions", [told]):
        seen = set()
        for run in session["runs"]:
            mount = run.get("mount")
            if mount and mount.get("setup") not in seen:
                seen.add(mount.get("setup"))
                yield mount


def compare(said: Audit, whole: Audit, truth: dict[str, Any], kind: str) -> Score:
    """Count what was said of a card against the whole card and the truth."""
    score = Score(cards=1, files=len(truth["files"]), split=int(said.sessions != 1))
    numbers = {f"NH2_{frame['number'] + 1:04d}.dng": frame["number"] for frame in truth["frames"]}
    before = {numbers[str(file)]: row for file, row in whole.rows.iterrows()}
    all_changed = all(entry["changed"] for entry in truth["files"])
    for entry in truth["files"]:
        if entry["file"] not in said.rows.index:
            continue
        row, old = said.rows.loc[entry["file"]], before[entry["number"]]
        if row["kind"] != "light":
            continue
        score.judged += 1
        score.verdict_asked += 1
        score.verdict_same += int(row["verdict"] == old["verdict"])
        if old["verdict"] != "keep" and (all_changed or not entry["changed"]):
            score.cause_asked += 1
            score.cause_same += int(row["cause"] == old["cause"])
        right = _right_causes(entry)
        if entry["clear"] and entry["grade"] == "bad":
            score.true_asked += 1
            score.cause_true += int(row["cause"] in right)
            score.unnamed += int(row["cause"] in NO_CAUSE)
        false = _is_false(row, entry, right)
        score.false += int(false)
        if false or row["verdict"] != old["verdict"] or row["cause"] != old["cause"]:
            score.wrong.append(_quote(kind, truth, entry, row, old, right, false))
    for mount in said.mounts:
        _hold_axis(score, mount, truth, kind)
    return score


def _right_causes(entry: dict[str, Any]) -> set[str]:
    """The true cause of a frame that deserves one, and what draws as much."""
    if entry["cause"] == "none":
        return set()
    right = {entry["cause"]}
    alone = entry["alone_px"]
    if entry["cause"] in alone:
        right |= {fault for fault, px in alone.items() if px >= NEAR * alone[entry["cause"]]}
    return right


def _is_false(row: pd.Series, entry: dict[str, Any], right: set[str]) -> bool:
    """Whether a cause is stated, surely, that is not true."""
    if row["cause"] in NO_CAUSE or not row["confidence"] > SURE:
        return False
    allowed = right if entry["clear"] else right | set(entry["at_work"])
    return row["cause"] not in allowed


def _quote(
    kind: str,
    truth: dict[str, Any],
    entry: dict[str, Any],
    row: pd.Series,
    old: pd.Series,
    right: set[str],
    false: bool,
) -> dict[str, Any]:
    """One frame of which something else was said than on the whole card, or nothing true."""
    return {
        "false": false,
        "seed": truth["seed"],
        "kind": kind,
        "file": entry["file"],
        "verdict": row["verdict"],
        "cause": row["cause"],
        "confidence": row["confidence"],
        "reason": row["reason"],
        "whole_verdict": old["verdict"],
        "whole_cause": old["cause"],
        "whole_confidence": old["confidence"],
        "grade": entry["grade"] if entry["clear"] else f"{entry['grade']}, near a limit",
        "truth": "/".join(sorted(right)) or "none",
        "at_work": "/".join(entry["at_work"]),
        "trail_px": entry["trail_px"],
        "changed": entry["changed"],
    }


def _hold_axis(score: Score, mount: dict[str, Any], truth: dict[str, Any], kind: str) -> None:
    """Hold the axis of one placement against the truth, on the sky."""
    altitude, azimuth = mount.get("axis_alt_error_arcmin"), mount.get("axis_az_error_arcmin")
    if altitude is None or azimuth is None:
        return
    score.axis_told += 1
    cosine = math.cos(math.radians(truth["site"]["latitude_deg"]))
    off_altitude = altitude - truth["axis_alt_error_arcmin"]
    off_azimuth = azimuth - truth["axis_az_error_arcmin"]
    errors = mount["axis_alt_error_arcmin_sigma"], mount["axis_az_error_arcmin_sigma"]
    held = abs(off_altitude) <= 3 * errors[0] and abs(off_azimuth) <= 3 * errors[1]
    off = math.hypot(off_altitude, off_azimuth * cosine)
    ok = off <= max(AXIS_ARCMIN, AXIS_SHARE * truth["axis_total_error_arcmin"])
    score.axis_ok += int(ok)
    score.axis_held += int(held)
    if ok and held:
        return
    score.wrong.append(
        {
            "false": False,
            "axis": not held,
            "seed": truth["seed"],
            "kind": kind,
            "file": f"axis of placement {mount.get('setup')}",
            "verdict": f"off {off:.1f} arcmin",
            "reason": f"told altitude {altitude:+.1f} ± {errors[0]:.1f}, azimuth {azimuth:+.1f} "
            f"± {errors[1]:.1f} arcmin",
            "truth": f"altitude {truth['axis_alt_error_arcmin']:+.1f}, "
            f"azimuth {truth['axis_az_error_arcmin']:+.1f}",
        }
    )


def kinds_of(number: int, count: int) -> list[str]:
    """Kinds of the bench's night of a number: by rotation, so that each has its turn."""
    names = [name for name in EDITS if name != "whole"]
    begin = number * count
    return [names[(begin + k) % len(names)] for k in range(count)]


def tables(by_kind: dict[str, Score]) -> list[Table]:
    """A row a kind, then all but the whole cards, and what was missed."""
    head = (
        "kind", "cards", "files", "judged", "verdict same", "cause same", "cause true", "unnamed",
        f"false > {SURE}", "axis ok", "held", "split", "s",
    )  # fmt: skip
    total = Score()
    for kind, score in by_kind.items():
        if kind != "whole":
            total.add(score)
    rows = [_row(kind, score) for kind, score in by_kind.items()]
    rows.append(_row("all but whole", total))
    aims = [
        aim(
            "verdict as on the whole card",
            _part(total.verdict_same, total.verdict_asked),
            None,
            percent=True,
            of=total.verdict_asked,
        ),
        aim(
            "cause as on the whole card",
            _part(total.cause_same, total.cause_asked),
            0.97,
            least=True,
            percent=True,
            of=total.cause_asked,
        ),
        aim(f"false causes over {SURE}", total.false, 0, of=total.judged),
        aim(
            f"axis within {AXIS_ARCMIN:g} arcmin or {AXIS_SHARE:.0%}",
            _part(total.axis_ok, total.axis_told),
            1.0,
            least=True,
            percent=True,
            of=total.axis_told,
        ),
    ]
    return [
        Table(f"Missing and wrong tags, renderer {VERSION}", head, rows),
        Table("All but the whole cards", ("what", "found", "aim", "", "of"), aims),
    ]


def _row(kind: str, score: Score) -> tuple[str, ...]:
    return (
        kind,
        str(score.cards),
        str(score.files),
        str(score.judged),
        _share(score.verdict_same, score.verdict_asked),
        _share(score.cause_same, score.cause_asked),
        _share(score.cause_true, score.true_asked),
        str(score.unnamed),
        str(score.false),
        f"{score.axis_ok} of {score.axis_told}",
        str(score.axis_held),
        str(score.split),
        f"{score.seconds:.0f}",
    )


def _part(part: int, of: int) -> float:
    return part / of if of else math.nan


def _share(part: int, of: int) -> str:
    return f"{part / of:.1%} of {of}" if of else "none"


def quotes(wrong: Sequence[dict[str, Any]], most: int) -> str:
    """The surest false statements, one of each kind and cause a night, and how to draw them."""
    lines, seen = ["The surest false statements", "---------------------------"], set()
    false = sorted((one for one in wrong if one["false"]), key=lambda one: -one["confidence"])
    for one in false:
        alike = one["seed"], one["kind"], one["cause"], one["truth"]
        if alike in seen or len(seen) >= most:
            continue
        seen.add(alike)
        lines += [
            f"{one['seed']} {one['kind']} {one['file']}: {one['verdict']}, {one['cause']} "
            f"{one['confidence']:.2f}; truth {one['grade']}, {one['truth']} (at work "
            f"{one['at_work'] or 'nothing'}), trail {one['trail_px']:.1f} px; on the whole card "
            f"{one['whole_verdict']} {one['whole_cause']} {one['whole_confidence']:.2f}",
            f"    {one['reason']}",
            f"    python -m tests.nightsky {CASE} --seed {one['seed']} --edit {one['kind']} "
            "--out DIR",
        ]
    lines += [] if seen else ["none"]
    lines += ["", "Axes past three of their own errors", "-----------------------------------"]
    axes = [one for one in wrong if one.get("axis")]
    lines += [
        f"{one['seed']} {one['kind']} {one['file']}: {one['reason']}; truth {one['truth']}"
        for one in axes[:most]
    ]
    return "\n".join(lines if axes else [*lines, "none"])


def main() -> int:
    """Parse, draw, audit, print."""
    span = seeds.JUDGE["dropouts"]
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.dropouts",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--first", type=int, default=span.start, help="first seed")
    parser.add_argument("--nights", type=int, help=f"how many seeds [default: {NIGHTS}]")
    parser.add_argument("--kinds", nargs="+", choices=list(EDITS), help="these on every night")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_NIGHTS} nights")
    parser.add_argument("--processes", type=int, default=2, help="nights at a time [default: 2]")
    parser.add_argument("--quotes", type=int, default=20, help="statements to print at most")
    asked = parser.parse_args()
    nights = asked.nights or (QUICK_NIGHTS if asked.quick else NIGHTS)
    count = QUICK_KINDS if asked.quick else KINDS_A_NIGHT
    folder = KEPT / "dropouts"
    begin = time.perf_counter()
    by_kind = {name: Score() for name in EDITS}
    with ProcessPoolExecutor(asked.processes, get_context("spawn")) as pool:
        waiting = {
            asked.first + n: pool.submit(
                bench_night, asked.first + n, asked.kinds or kinds_of(n, count), folder
            )
            for n in range(nights)
        }
        for seed, done in waiting.items():
            for kind, score in done.result().items():
                by_kind[kind].add(score)
            print(f"{seed} {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)
    by_kind = {kind: score for kind, score in by_kind.items() if score.cards}
    print(f"seeds {asked.first} to {asked.first + nights - 1}, case {CASE}, renderer {VERSION}\n")
    for table in tables(by_kind):
        print(table.text())
    wrong = [one for score in by_kind.values() for one in score.wrong]
    folder.mkdir(parents=True, exist_ok=True)
    pd.DataFrame(wrong).to_csv(folder / "wrong.csv", index=False)
    print(quotes(wrong, asked.quotes))
    print(f"\n{time.perf_counter() - begin:.0f} s; all that differs is in {folder / 'wrong.csv'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
