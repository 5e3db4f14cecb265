"""What an audit said of a drawn card, held against the whole card of the same night and the truth.

The program is driven and read from outside: `skyplumb.audit`, frames.csv and summary.json.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import pandas as pd

import skyplumb

SURE = 0.85
NEAR = 0.75
"""Of the largest fault's own trail: what draws as much is as right an answer."""
NEAR_A_LIMIT = 0.5
"""The same of a frame near a limit."""
AXIS_ARCMIN, AXIS_SHARE = 1.0, 0.05
OLD_NAMES = {"sag": "slip"}
NOWHERE_TOLD = ("no-gps-no-zone",)
"""Cards on which no frame has what the cause may need; elsewhere, where all frames were changed,
each still has it."""
NO_CAUSE = ("", "none", "unexplained", "few-stars")
"""What states no cause."""


class Counts:
    """Counts that are added up field by field."""

    __slots__ = ()

    def add(self, other: Self) -> None:
        """Those of other cards besides."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


@dataclass(slots=True)
class Score(Counts):
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


@dataclass(frozen=True, slots=True)
class Audit:
    """What the program said of one card."""

    rows: pd.DataFrame
    mounts: list[dict[str, Any]]
    sessions: int
    both: dict[str, frozenset[str]] = field(default_factory=dict)
    """Of frames without a cause whose reason names two: these, by file."""


def audit(at: Path) -> Audit:
    """Audit `at`/card and read what came out."""
    skyplumb.audit(at / "card", at / "out", jobs=1)
    return read(at)


def read(at: Path) -> Audit:
    """What an audit wrote into `at`/out, under today's names or those of version 0.1."""
    folders = sorted(table.parent for table in (at / "out").glob("*/frames.csv"))
    tables = [pd.read_csv(folder / "frames.csv", keep_default_na=False) for folder in folders]
    rows = pd.concat(tables, ignore_index=True)
    rows["cause"] = rows["cause"].replace(OLD_NAMES)
    rows["confidence"] = pd.to_numeric(rows["confidence"], errors="coerce")
    rows = rows.set_index("file", drop=False)
    mounts, both = [], {}
    for folder in folders:
        told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        mounts += list(_mounts(told))
        both |= dict(_two_named(told, rows))
    return Audit(rows, mounts, len(folders), both)


def _two_named(told: dict[str, Any], rows: pd.DataFrame) -> Iterator[tuple[str, frozenset[str]]]:
    """The two likeliest causes of frames that were given none, where the reason names both."""
    runs = [run for session in told.get("sessions", [told]) for run in session["runs"]]
    for frame in (frame for run in runs for frame in run["frames"]):
        causes = frame.get("causes") or {}
        two = sorted(causes, key=lambda name: -causes[name])[:2]
        row = rows.loc[frame["file"]]
        if row["cause"] == "unexplained" and all(name in row["reason"] for name in two):
            yield frame["file"], frozenset(two)


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
    all_changed = all(entry["changed"] for entry in truth["files"]) and kind not in NOWHERE_TOLD
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
        right = right_causes(entry)
        if entry["clear"] and entry["grade"] == "bad":
            score.true_asked += 1
            score.cause_true += int(row["cause"] in right)
            score.unnamed += int(row["cause"] in NO_CAUSE)
        false = is_false(row, entry, right)
        score.false += int(false)
        if false or row["verdict"] != old["verdict"] or row["cause"] != old["cause"]:
            score.wrong.append(_quote(kind, truth, entry, row, old, right, false))
    for mount in said.mounts:
        hold_axis(score, mount, truth, kind)
    return score


def right_causes(entry: dict[str, Any]) -> set[str]:
    """The true cause of a frame that deserves one, and what draws as much."""
    if entry["cause"] == "none":
        return set()
    right = {entry["cause"]}
    alone = entry["alone_px"]
    if entry["cause"] in alone:
        right |= {fault for fault, px in alone.items() if px >= NEAR * alone[entry["cause"]]}
    return right


def is_false(row: pd.Series, entry: dict[str, Any], right: set[str]) -> bool:
    """Whether a cause is stated, surely, that is not true."""
    if row["cause"] in NO_CAUSE or not row["confidence"] > SURE:
        return False
    if entry["clear"]:
        return row["cause"] not in right
    # Near a limit it is open which rule is broken, not which fault is slight.
    alone = entry["alone_px"]
    largest = max(alone.values())
    at_work = {
        fault for fault in entry["at_work"] if alone.get(fault, largest) >= largest * NEAR_A_LIMIT
    }
    return row["cause"] not in right | at_work


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


def hold_axis(score: Score, mount: dict[str, Any], truth: dict[str, Any], kind: str) -> None:
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


def taking_turns(names: Sequence[str], number: int, count: int) -> list[str]:
    """So many of the names for the bench's night of a number, so that each has its turn."""
    return [names[(number * count + k) % len(names)] for k in range(count)]
