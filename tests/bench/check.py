"""Test frames answered on the mountain: is the axis within its stated error, what does it cost?

`python -m tests.bench.check` draws sets of four to six frames with `tests.nightsky`, which shares
no code with the program, 14 to 200 mm, north and south by turns, asks `skyplumb check` of each, and
holds what it says against the truth.

  told       sets whose axis is told for certain
  held       of those, how many have altitude and azimuth both within three of their own errors
  in two     turns within twice their stated error of the true one, of all altitudes and azimuths
  false      turns that are told and are further from the true one than three of their errors
  drive      sets with the drive told right (or told wrong by the right name)
  silent     sets that say why no turn can be told

The cost is that of a check of four frames of 24 megapixels, over decoding them and one sep pass.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from skyplumb.check.answer import Answer
from skyplumb.checking import Asked, check

from ..nightsky import VERSION, seeds
from ..nightsky.build import (
    Plan,
    mounted,
    off_axis,
    px_per_min,
    quiet,
    scattered,
    slipping,
)
from ..nightsky.card import Pictures, plain_card
from ..nightsky.mount import Mount
from ..nightsky.tags import tags_of
from .cards import KEPT, drawn_card
from .cost import cost_night, told_cost, unit_s
from .tables import Table, aim

FOCALS_MM = (14, 24, 35, 50, 85, 135, 200)
SETS = 14
MOST_CHECK_RATIO = 2.9
"""Over decoding and one sep pass on both cores: 4.1 s of two quiet cores, which a whole audit of
four such frames took, where the unit takes 0.71 s a frame."""


def _plan(seed: int, frames: int) -> Plan:
    """A fault-free set: the lens by its turn, the hemisphere by the seed."""
    focal = FOCALS_MM[seed % len(FOCALS_MM)]
    exposure = float([60, 90, 150][seed % 3])
    return quiet(seed, focal, exposure, south=bool((seed // 7 + seed) % 2), frames=frames)


def _axis(seed: int) -> Plan:
    return off_axis(_plan(seed, 4 + seed % 3), 0.7 + seed % 5, most_arcmin=90.0)


def _fields(seed: int) -> Plan:
    plan = off_axis(_plan(seed, 4 + seed % 3), 2.0 + seed % 4, most_arcmin=90.0)
    return scattered(plan, len(plan.night.shots))


def _two_aims(seed: int) -> Plan:
    """Four of one aim and two of another."""
    plan = off_axis(_plan(seed, 6), 1.0 + seed % 4, most_arcmin=90.0)
    aims = scattered(plan, 3).night.mount.aims
    return mounted(plan, aims=(aims[0], aims[2]))


def _slip(seed: int) -> Plan:
    """A head that slips from before the first frame on, under an axis that is nearly right."""
    plan = off_axis(_plan(seed, 4 + seed % 3), 0.2, most_arcmin=4.0)
    return slipping(plan, 2.0 + seed % 4, -0.5)


def _axis_and_slip(seed: int) -> Plan:
    return slipping(_axis(seed), 1.5 + seed % 3, -0.5)


def _rate(seed: int) -> Plan:
    plan = _axis(seed)
    ppm = px_per_min(plan.night, 2.0 + seed % 3) / 902.46 * 1e6
    return mounted(plan, rate_error_ppm=float([-1, 1][seed % 2] * min(ppm, 6000.0)))


def _speed(speed: float) -> Callable[[int], Plan]:
    return lambda seed: mounted(_plan(seed, 4 + seed % 3), speed=speed)


def _few(seed: int) -> Plan:
    return off_axis(_plan(seed, 1 + seed % 3), 3.0, most_arcmin=90.0)


KINDS: dict[str, Callable[[int], Plan]] = {
    "axis": _axis,
    "two aims": _two_aims,
    "single frames": _fields,
    "slip all along": _slip,
    "axis and slip": _axis_and_slip,
    "rate": _rate,
    "one to three": _few,
    "half speed": _speed(0.5),
    "wrong way": _speed(-1.0),
    "not running": _speed(0.0),
}
WRONG = {"half speed": "half speed", "wrong way": "hemisphere", "not running": "does not run"}


@dataclass(slots=True)
class Count:
    """Of one kind of set."""

    sets: int = 0
    told: int = 0
    held: int = 0
    in_two: int = 0
    parts: int = 0
    false: int = 0
    turns: int = 0
    drive: int = 0
    silent: int = 0
    worst: str = ""


def answer(plan: Plan, at: Path) -> Answer:
    """Draw a set and ask of it."""
    shutil.rmtree(at, ignore_errors=True)
    entries = plain_card(plan.night, tags_of(plan.night, plan.clock))
    Pictures(plan.night).write(at, entries, asdict(plan.clock))
    done = check(Asked((at / "card",), out=at / "out", jobs=1, quiet=True), _say)
    assert done.answer is not None
    shutil.rmtree(at, ignore_errors=True)
    return done.answer


def hold(count: Count, told: Answer, mount: Mount, kind: str, seed: int) -> None:
    """Count what was said of one set against the truth."""
    count.sets += 1
    true = (-mount.altitude_error_arcmin, -mount.azimuth_error_arcmin)
    axis = told.axis
    count.told += axis.known
    count.silent += bool(axis.why_no_turn)
    off = [
        abs(turn.arcmin - right) / turn.sigma_arcmin
        for turn, right in zip(axis.turns, true, strict=False)
    ]
    if off:
        count.held += max(off) < 3
        count.in_two += sum(one < 2 for one in off)
        count.parts += len(off)
    for turn, sigmas in zip(axis.turns, off, strict=False):
        count.turns += turn.told
        if turn.told and sigmas > 3:
            count.false += 1
            count.worst += f" {seed}:{turn.adjustment} {turn.arcmin:.1f}±{turn.sigma_arcmin:.1f}"
    if kind in WRONG:
        count.drive += WRONG[kind] in told.drive.words
    elif kind == "rate":
        right = abs(told.drive.rate_error_ppm - mount.rate_error_ppm) < 3 * told.drive.sigma_ppm
        count.drive += bool(right)
    else:
        count.drive += told.drive.state != "wrong"


def cost_table(rounds: int) -> Table:
    """What a check of four frames of 24 megapixels costs."""
    jobs = 2
    card = drawn_card("cost", [cost_night()], "dng", jobs) / "card" / "135mm"
    files = sorted(card.glob("*.dng"))
    out = KEPT / "check" / "cost"
    rows, units, first, again = [], [], [], []
    told_cost(["check", str(card), "--out", str(out), "--jobs", "2", "--json"])  # makes patterns
    for _ in range(rounds):
        units += [sum(unit_s(file)) for file in files]
        shutil.rmtree(out, ignore_errors=True)
        words = ["check", str(card), "--out", str(out), "--jobs", "2", "--json"]
        first.append(told_cost(words))
        again.append(told_cost(words))
    unit = float(np.median(units)) * len(files)
    cpu_s, wall_s = (float(np.median([getattr(one, name) for one in first]))
                     for name in ("cpu_s", "wall_s"))  # fmt: skip
    rows = [
        aim("decoding and one sep pass of four, processor s", unit, None, of=len(units)),
        aim("check of them, processor s", cpu_s, None, of=rounds),
        aim("  over decoding and one sep pass", cpu_s / unit, MOST_CHECK_RATIO, of=rounds),
        aim("  by the clock, s, two workers", wall_s, None, of=rounds),
        aim("  over decoding and one sep pass on both cores", 2 * wall_s / unit, MOST_CHECK_RATIO,
            of=rounds),
        aim("asked again, processor s", float(np.median([one.cpu_s for one in again])), None,
            of=rounds),
    ]  # fmt: skip
    return Table("Cost of a check of four frames of 24 megapixels", HEAD, rows)


HEAD = ("what", "found", "aim", "", "of")


def main() -> None:
    """Parse, draw, ask, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.check", description=__doc__)
    parser.add_argument("--sets", type=int, default=SETS, help="of each kind [default: 14]")
    parser.add_argument("--first", type=int, help="first seed [default: those that judge]")
    parser.add_argument("--kinds", nargs="*", choices=sorted(KINDS), help="[default: all]")
    parser.add_argument("--rounds", type=int, default=3, help="of the cost; 0 for none")
    parser.add_argument("--show", action="store_true", help="print each answer's main figures")
    asked = parser.parse_args()
    first = seeds.JUDGE["check"].start if asked.first is None else asked.first
    begin = time.perf_counter()
    _say(f"renderer {VERSION}, seeds from {first}")
    counts: dict[str, Count] = {}
    for kind in asked.kinds or KINDS:
        counts[kind] = Count()
        for seed in range(first, first + asked.sets):
            plan = KINDS[kind](seed)
            told = answer(plan, KEPT / "check" / f"{kind.replace(' ', '-')}-{seed}")
            hold(counts[kind], told, plan.night.mount, kind, seed)
            if asked.show:
                _show(kind, seed, told, plan)
    head = ("sets of", "sets", "told", "held", "in two", "of", "turns", "false", "drive", "silent",
            "false ones")  # fmt: skip
    rows = [
        (kind, *(str(getattr(one, name)) for name in ("sets", "told", "held", "in_two", "parts",
         "turns", "false", "drive", "silent")), one.worst.strip())
        for kind, one in counts.items()
    ]  # fmt: skip
    _say(Table("Axis and drive of test frames", head, rows).text())
    if asked.rounds:
        _say(cost_table(asked.rounds).text())
    _say(f"{time.perf_counter() - begin:.0f} s")


def _show(kind: str, seed: int, told: Answer, plan: Plan) -> None:
    mount = plan.night.mount
    parts = ", ".join(
        f"{t.arcmin:.2f}±{t.sigma_arcmin:.2f}{'' if t.told else '(' + t.why_not[:7] + ')'}"
        for t in told.axis.turns
    )
    focal = plan.night.shots[0].lens.focal_mm
    _say(
        f"{kind} {seed} {focal} mm x{told.frames}: {parts or told.axis.why_no_turn} | true "
        f"{-mount.altitude_error_arcmin:.2f}, {-mount.azimuth_error_arcmin:.2f} | drive "
        f"{told.drive.state} {told.drive.words} {told.drive.rate_error_ppm:.0f}"
        f"±{told.drive.sigma_ppm:.0f}"
    )


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main())
