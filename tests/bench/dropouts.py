"""Cards whose tags are missing, wrong or doubled, against the whole, clean card of the same night.

`python -m tests.bench.dropouts` draws nights with `tests.nightsky`, which shares no code with the
program, writes each night's card whole and in many damaged ways with the same pixels, audits each
from outside and reads frames.csv and summary.json. What is said of a frame should be what was
said of it on the whole card, and true.

  verdict    rows with the verdict that the frame has on the whole card, of all that were judged
  cause      rows with the cause that it has there, of those not kept there; frames that lack the
             tag are left out
  true       cause right, of frames clearly bad in truth; right are the fault that alone would have
             drawn the longest trail (or past its limit the furthest), and others at 75 % of it
  false      causes stated with a confidence over 0.85 that are none of these; near a limit any
             fault at work in the frame that draws half as much as the largest is right
  axis ok    placements whose axis is within 1 arcmin or 5 % of the truth, on the sky, of those
             told; a card without place tells none
  held       axes whose altitude and azimuth are both within three of their own errors
  split      cards that were not taken for one night of one body
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pandas as pd

from ..nightsky import VERSION, seeds
from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.edits import EDITS, edited
from ..nightsky.tags import tags_of
from .cards import KEPT
from .said import AXIS_ARCMIN, AXIS_SHARE, SURE, Audit, Score, audit, compare, read, taking_turns
from .tables import Table, aim

CASE = "dropouts"
NIGHTS, KINDS_A_NIGHT = 10, 10
KINDS = tuple(name for name in EDITS if name != "whole")
QUICK_NIGHTS, QUICK_KINDS = 3, 5


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


def count_again(folder: Path) -> Iterator[tuple[str, Score]]:
    """Scores of what an earlier bench left, finished or not."""
    for night in sorted(path for path in folder.iterdir() if path.is_dir()):
        kinds = [kind for kind in EDITS if any((night / kind / "out").glob("*/frames.csv"))]
        for kind in kinds if "whole" in kinds else ():
            truth = json.loads((night / kind / "truth.json").read_text(encoding="utf-8"))
            yield kind, compare(read(night / kind), read(night / "whole"), truth, kind)


def _processor_s() -> float:
    """Processor time of this process and of those it waited for."""
    return sum(os.times()[:4])


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
    lines = ["The surest false statements", "---------------------------"]
    seen: set[tuple[str, ...]] = set()
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


def _measured(
    kinds: Mapping[int, Sequence[str]], folder: Path, processes: int
) -> Iterator[tuple[str, Score]]:
    """Scores of nights by seed, each with the kinds asked of it."""
    begin = time.perf_counter()
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        waiting = {seed: pool.submit(bench_night, seed, kinds[seed], folder) for seed in kinds}
        for seed, done in waiting.items():
            yield from done.result().items()
            print(f"{seed} {time.perf_counter() - begin:.0f} s", file=sys.stderr, flush=True)


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
    parser.add_argument(
        "--count-again", action="store_true", help="only count what an earlier bench left"
    )
    parser.add_argument("--quotes", type=int, default=20, help="statements to print at most")
    asked = parser.parse_args()
    nights = asked.nights or (QUICK_NIGHTS if asked.quick else NIGHTS)
    count = QUICK_KINDS if asked.quick else KINDS_A_NIGHT
    folder = KEPT / "dropouts"
    begin = time.perf_counter()
    by_kind = {name: Score() for name in EDITS}
    if asked.count_again:
        scores = count_again(folder)
    else:
        spans = {
            asked.first + n: asked.kinds or taking_turns(KINDS, n, count) for n in range(nights)
        }
        scores = _measured(spans, folder, asked.processes)
    for kind, score in scores:
        by_kind[kind].add(score)
    by_kind = {kind: score for kind, score in by_kind.items() if score.cards}
    span_text = f"seeds {asked.first} to {asked.first + nights - 1}"
    seen = "an earlier bench" if asked.count_again else span_text
    print(f"{seen}, case {CASE}, renderer {VERSION}\n")
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
