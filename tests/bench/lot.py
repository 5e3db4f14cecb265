"""Nights by lot, half of them with an aim that moves: what is said of them, and what is true.

`python -m tests.bench.lot` draws nights with `tests.nightsky`, which shares no code with the
program: any lens, exposure, site and target; an axis that is off, and up to two more faults; on
every other night dithers, a hand's re-aim, panels, or fields all over the sky. Each is audited from
outside and its frames.csv and summary.json are held against the truth.

  verdict    rows with the verdict that the frame deserves, of frames far from every limit
  cause      cause right, of frames clearly bad; right are the fault that alone would have drawn the
             longest trail (or past its limit the furthest), and others at 75 % of it
  unnamed    of those, how many were given no cause
  both       of those, how many were right by two named together, the true one among them, on frames
             that nobody could tell (`tests.bench.alike`)
  false      causes stated with a confidence over 0.85 that are none of these, of all so stated
  axis ok    placements whose axis is within 1 arcmin or 5 % of the truth, on the sky, of those told
  held       axes whose altitude and azimuth are both within three of their own errors
  silent     placements whose axis was not told
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..nightsky import VERSION, seeds
from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.edits import edited
from ..nightsky.tags import tags_of
from .alike import TWINS, slip_or_axis
from .cards import KEPT
from .said import (
    AXIS_ARCMIN,
    AXIS_SHARE,
    NO_CAUSE,
    SURE,
    Audit,
    Counts,
    Score,
    audit,
    hold_axis,
    is_false,
    read,
    right_causes,
)
from .tables import Table, aim

CASE = "lot"
LOWEST_DEG = 8.0
"""Nights with lower fields are drawn, since lots are drawn blindly, and not counted."""
NIGHTS, QUICK_NIGHTS = 100, 6
VERDICT = {"good": "keep", "doubtful": "doubtful", "bad": "reject"}
BINS = (0.0, 0.4, 0.6, 0.7, 0.8, SURE, 0.9, 0.95, 1.0)


@dataclass(slots=True)
class Count(Counts):
    """Counts of some nights."""

    nights: int = 0
    verdict: int = 0
    verdicts: int = 0
    cause: int = 0
    causes: int = 0
    unnamed: int = 0
    both: int = 0
    false: int = 0
    sure: int = 0
    axis_ok: int = 0
    axis_held: int = 0
    axis_told: int = 0
    axis_silent: int = 0
    rows: list[dict[str, Any]] = field(default_factory=list)
    axes: list[dict[str, Any]] = field(default_factory=list)


def drawn(seed: int, edit: str, folder: Path, keep_card: bool, audited: bool) -> None:
    """Draw one night into a folder, unless that was done, and audit it."""
    at = folder / f"{seed}-{edit}"
    if not (at / "truth.json").exists():
        shutil.rmtree(at, ignore_errors=True)
        plan = case(CASE, seed)
        entries = edited(plain_card(plan.night, tags_of(plan.night, plan.clock)), edit, seed)
        Pictures(plan.night).write(at, entries, asdict(plan.clock))
    if audited:
        audit(at)
        if not keep_card:
            shutil.rmtree(at / "card")


def count(at: Path) -> Count:
    """What was said of one night against the truth."""
    truth = json.loads((at / "truth.json").read_text(encoding="utf-8"))
    said = read(at)
    found = Count(nights=1)
    alike = slip_or_axis(truth)
    for entry in truth["files"]:
        if entry["file"] in said.rows.index and said.rows.loc[entry["file"], "kind"] == "light":
            both = said.both.get(entry["file"]) == TWINS if alike else False
            _count_frame(found, said.rows.loc[entry["file"]], entry, truth["seed"], both)
    _count_axes(found, said, truth)
    return found


def _count_frame(
    found: Count, row: pd.Series, entry: dict[str, Any], seed: int, both: bool
) -> None:
    """`both`: whether two causes are named of a frame that nobody could tell."""
    right = right_causes(entry)
    both = both and bool(right & TWINS)
    if entry["clear"]:
        found.verdicts += 1
        found.verdict += int(row["verdict"] == VERDICT[entry["grade"]])
    stated = row["cause"] not in NO_CAUSE
    false = is_false(row, entry, right)
    found.sure += int(stated and row["confidence"] > SURE)
    found.false += int(false)
    if entry["clear"] and entry["grade"] == "bad":
        found.causes += 1
        found.cause += int(row["cause"] in right or both)
        found.unnamed += int(not stated and not both)
        found.both += int(both)
    elif not false:
        return
    found.rows.append(
        {
            "seed": seed,
            "file": entry["file"],
            "clear": entry["clear"],
            "grade": entry["grade"],
            "verdict": row["verdict"],
            "cause": row["cause"],
            "confidence": row["confidence"],
            "truth": "/".join(sorted(right)) or "none",
            "right": row["cause"] in right or both,
            "false": false,
            "trail_px": entry["trail_px"],
            "alone": " ".join(f"{k} {v:.1f}" for k, v in entry["alone_px"].items() if v > 0.3),
            "reason": row["reason"],
        }
    )


def _count_axes(found: Count, said: Audit, truth: dict[str, Any]) -> None:
    for mount in said.mounts:
        score = Score()
        hold_axis(score, mount, truth, "lot")
        found.axis_told += score.axis_told
        found.axis_ok += score.axis_ok
        found.axis_held += score.axis_held
        found.axis_silent += int(not score.axis_told)
        found.axes += [
            {"seed": truth["seed"], "said": one["reason"], "true": one["truth"]}
            for one in score.wrong
        ]
        if not score.axis_told:
            found.axes.append(
                {
                    "seed": truth["seed"],
                    "said": f"nothing: {mount.get('why_not')}",
                    "true": f"{truth['axis_total_error_arcmin']:.1f} arcmin",
                }
            )


def has_set(at: Path) -> bool:
    """Whether a field of the night was drawn too low for anyone to shoot it."""
    frames = json.loads((at / "truth.json").read_text(encoding="utf-8"))["frames"]
    return min(frame["altitude_deg"] for frame in frames) < LOWEST_DEG


def groups(counts: dict[str, Count]) -> Iterator[tuple[str, Count]]:
    """The nights by whether the aim moved, and all."""
    for name, pick in (("aim left alone", 0), ("aim moved", 1), ("all", None)):
        whole = Count()
        for night, one in counts.items():
            if pick is None or int(night.partition("-")[0]) % 2 == pick:
                whole.add(one)
        yield name, whole


def tables(counts: dict[str, Count]) -> list[Table]:
    """A row a group, the aims, and confidence by bins."""
    head = (
        "nights", "number", "verdict", "cause", "both", "unnamed", f"false > {SURE}", "axis ok",
        "held", "silent",
    )  # fmt: skip
    rows = []
    whole = Count()
    for name, one in groups(counts):
        whole = one
        rows.append(
            (
                name,
                str(one.nights),
                _share(one.verdict, one.verdicts),
                _share(one.cause, one.causes),
                str(one.both),
                str(one.unnamed),
                f"{one.false} of {one.sure}",
                f"{one.axis_ok} of {one.axis_told}",
                str(one.axis_held),
                str(one.axis_silent),
            )
        )
    aims = [
        _aim("verdict right", whole.verdict, whole.verdicts, 0.99),
        _aim("cause right of clearly bad", whole.cause, whole.causes, 0.97),
        aim(
            f"false of causes stated over {SURE}",
            whole.false / max(whole.sure, 1),
            0.01,
            percent=True,
            of=whole.sure,
        ),
        _aim(
            f"axis within {AXIS_ARCMIN:g} arcmin or {AXIS_SHARE:.0%}",
            whole.axis_ok,
            whole.axis_told,
            1.0,
        ),
    ]
    return [
        Table(f"Nights by lot, renderer {VERSION}", head, rows),
        Table("All nights", ("what", "found", "aim", "", "of"), aims),
        _confidence(whole),
    ]


def _aim(what: str, part: int, of: int, least: float) -> tuple[str, ...]:
    return aim(what, part / max(of, 1), least, least=True, percent=True, of=of)


def _share(part: int, of: int) -> str:
    return f"{part / of:.1%} of {of}" if of else "none"


def _confidence(whole: Count) -> Table:
    """Stated confidence against how often it was right, of clearly bad frames."""
    asked = [one for one in whole.rows if one["clear"] and one["grade"] == "bad"]
    stated = np.array([one["confidence"] for one in asked if np.isfinite(one["confidence"])])
    right = np.array([one["right"] for one in asked if np.isfinite(one["confidence"])])
    rows = []
    for low, high in pairwise(BINS):
        mine = (stated > low) & (stated <= high)
        if mine.any():
            mean, share = float(stated[mine].mean()), float(right[mine].mean())
            rows.append(
                (f"{low:g} to {high:g}", str(mine.sum()), f"{mean:.3f}", f"{share:.3f}",
                 f"{mean - share:+.3f}")
            )  # fmt: skip
    return Table("Confidence", ("stated", "frames", "mean", "right", "too sure"), rows)


def _edit_of(seed: int, edits: list[str]) -> str:
    return edits[seed // 2 % len(edits)]


def main() -> int:
    """Parse, draw, audit, print."""
    span = seeds.JUDGE["lot"]
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.lot",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--first", type=int, default=span.start, help="first seed")
    parser.add_argument("--nights", type=int, help=f"how many seeds [default: {NIGHTS}]")
    parser.add_argument("--moved", action="store_true", help="only nights whose aim moves")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_NIGHTS} nights")
    parser.add_argument("--edits", nargs="+", default=["whole"], help="cards, in turns")
    parser.add_argument("--processes", type=int, default=2, help="nights at a time [default: 2]")
    parser.add_argument("--folder", type=Path, default=KEPT / "lot", help="where nights lie")
    parser.add_argument("--keep-cards", action="store_true", help="do not remove the pictures")
    parser.add_argument("--draw", action="store_true", help="draw the cards alone")
    asked = parser.parse_args()
    nights = asked.nights or (QUICK_NIGHTS if asked.quick else NIGHTS)
    begin = time.perf_counter()
    names = []
    with ProcessPoolExecutor(asked.processes, get_context("spawn")) as pool:
        waiting = []
        for seed in range(asked.first, asked.first + nights):
            if asked.moved and not seed % 2:
                continue
            edit = _edit_of(seed, asked.edits)
            name = f"{seed}-{edit}"
            names.append(name)
            call = seed, edit, asked.folder, asked.keep_cards, not asked.draw
            waiting.append(pool.submit(drawn, *call))
        for name, done in zip(names, waiting, strict=True):
            done.result()
            print(f"{name} {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)
    if asked.draw:
        return 0
    seen = [name for name in names if not has_set(asked.folder / name)]
    print(f"{len(names) - len(seen)} nights are not counted: a field had set")
    counts = {name: count(asked.folder / name) for name in seen}
    print(f"seeds {asked.first} to {asked.first + nights - 1}, case {CASE}, renderer {VERSION}\n")
    for table in tables(counts):
        print(table.text())
    wrong = [one for found in counts.values() for one in found.rows if not one["right"]]
    pd.DataFrame(wrong).to_csv(asked.folder / "wrong.csv", index=False)
    axes = [one for found in counts.values() for one in found.axes]
    pd.DataFrame(axes).to_csv(asked.folder / "axes.csv", index=False)
    spent = time.perf_counter() - begin
    print(f"{spent:.0f} s; what differs is in {asked.folder}/wrong.csv and axes.csv")
    return 0


if __name__ == "__main__":
    sys.exit(main())
