"""Whether the errors that the program states are true: |said - true| over the stated sigma.

`python -m tests.bench.honesty --folder DIR` reads nights that were drawn with `tests.nightsky` and
audited (DIR/NIGHT/out beside DIR/NIGHT/truth.json, as the benches of cards leave them);
without a folder it draws nights by lot and audits them first. For each number that leaves the
program with an error:

  within 2   part within two of its sigmas; 93 to 98 % is honest (95.4 % of a normal error)
  p95        |said - true| / sigma that 95 % keep within; 2 is honest
  rms        root mean square of said - true, beside the median stated sigma; over 1.5 times the
             error would be widened beyond need
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..nightsky import VERSION, seeds
from ..nightsky.card import Pictures, plain_card
from ..nightsky.cases import case
from ..nightsky.tags import tags_of
from .cards import KEPT
from .said import audit
from .tables import Table

CASE, NIGHTS = "lot", 24
HONEST = (0.93, 0.98)
WIDEST = 1.5
"""Median stated sigma over the root mean square error."""
FRAME = {
    "trail_px": ("trail_px", "trail_sigma_px", "trail_px"),
    "drift_px": ("drift_px", "drift_sigma_px", "drift_px"),
    "extinction_mag": ("extinction_mag", "extinction_sigma_mag", "veil_mag"),
    "ra_deg": ("ra_deg", "ra_sigma_deg", "ra_deg"),
    "dec_deg": ("dec_deg", "dec_sigma_deg", "dec_deg"),
}
"""What of a frame: column, column of its error, what is true of it."""
MOUNT = ("axis_alt_error_arcmin", "axis_az_error_arcmin", "axis_total_error_arcmin",
         "rate_error_ppm")  # fmt: skip


def cases_of(night: Path) -> Iterator[dict[str, Any]]:
    """A row for each number with an error, and what is true, of one night."""
    truth = json.loads((night / "truth.json").read_text(encoding="utf-8"))
    by_file = {f"NH2_{frame['number'] + 1:04d}": frame for frame in truth["frames"]}
    for table in sorted((night / "out").glob("*/frames.csv")):
        rows = pd.read_csv(table)
        for row in rows[rows["kind"] == "light"].to_dict("records"):
            true = by_file.get(Path(str(row["file"])).stem)
            if true is not None:
                yield from _of_frame(night.name, row, true)
        told = json.loads((table.parent / "summary.json").read_text(encoding="utf-8"))
        yield from _of_mounts(night.name, told, truth)


def _of_frame(night: str, row: dict[str, Any], true: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for what, (name, sigma, of) in FRAME.items():
        said, error = row.get(name, math.nan), row.get(sigma, math.nan)
        yield {
            "night": night, "of": row["file"], "what": what, "said": said, "sigma": error,
            "true": true[of], "off": said - true[of], "cause": true["cause"],
            "at_work": "/".join(true["at_work"]), "clear": true["clear"],
            "trail_true": true["trail_px"], "doubled": true["doubled_px"],
            "verdict": row["verdict"], "angle": row.get("trail_angle_deg"),
            "angle_true": true["trail_angle_deg"], "minor_true": true["trail_minor_px"],
            "stars": row.get("measured_stars"), "drift": row.get("drift_px"),
            "focal_mm": row.get("focal_mm"), "fwhm": row.get("fwhm_across_px"),
        }  # fmt: skip


def _of_mounts(night: str, told: dict[str, Any], truth: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Of placements that were told an axis, a swing or a slip, once each."""
    true: dict[str, Any] = {name: truth[name] for name in MOUNT}
    if len(truth["harmonics"]) == 1:
        true["periodic_amplitude_arcsec"] = truth["harmonics"][0]["amplitude_arcsec"]
        true["periodic_period_s"] = truth["harmonics"][0]["period_s"]
    if len(truth["slips"]) == 1 and not math.isfinite(truth["slips"][0].get("ease_s", math.inf)):
        true["slip_arcsec_per_min"] = truth["slips"][0]["rate_arcsec_per_min"]
    if truth["placements"]:
        return
    seen = set()
    for session in told.get("sessions", [told]):
        for run in session["runs"]:
            mount = run.get("mount") or {}
            if not mount or mount.get("setup") in seen:
                continue
            seen.add(mount.get("setup"))
            for name, value in true.items():
                said, sigma = mount.get(name), mount.get(f"{name}_sigma")
                if said is not None and sigma is not None:
                    yield {
                        "night": night, "of": f"placement {mount.get('setup')}", "what": name,
                        "said": said, "sigma": sigma, "true": value, "off": said - value,
                    }  # fmt: skip


def table(cases: pd.DataFrame) -> Table:
    """A row for each number."""
    rows = []
    for what, of in cases.groupby("what", sort=False):
        known = of[np.isfinite(of["off"]) & np.isfinite(of["sigma"]) & (of["sigma"] > 0)]
        untold = int((np.isfinite(of["off"]) & ~np.isfinite(of["sigma"])).sum())
        if not len(known):
            rows.append((str(what), "0", "no sigma", "", "", "", "", str(untold)))
            continue
        over = known["off"].abs() / known["sigma"]
        within, rms = float((over <= 2).mean()), float(np.sqrt(np.mean(known["off"] ** 2)))
        wide = float(known["sigma"].median()) / rms
        honest = HONEST[0] <= within <= HONEST[1] and wide <= WIDEST
        rows.append(
            (
                str(what), str(len(known)), f"{within:.1%}", f"{np.percentile(over, 95):.2f}",
                f"{rms:.3g}", f"{known['sigma'].median():.3g}", "met" if honest else "MISSED",
                str(untold),
            )
        )  # fmt: skip
    head = ("number", "cases", "within 2", "p95", "rms error", "median sigma", "", "without sigma")
    return Table(f"Stated errors, renderer {VERSION}", head, rows)


def draw_and_audit(seed: int, folder: Path, keep_card: bool = False) -> Path:
    """One night by lot, drawn and audited, each unless that was done."""
    at = folder / str(seed)
    if any((at / "out").glob("*/frames.csv")):
        return at
    if not (at / "truth.json").exists():
        shutil.rmtree(at, ignore_errors=True)
        plan = case(CASE, seed)
        plain = plain_card(plan.night, tags_of(plan.night, plan.clock))
        truth = Pictures(plan.night).write(at, plain, asdict(plan.clock))
        assert truth and (at / "truth.json").exists()
    audit(at)
    if not keep_card:
        shutil.rmtree(at / "card")
    return at


def main(words: Sequence[str] | None = None) -> int:
    """Parse, draw and audit or find, read, print."""
    span = seeds.JUDGE["honesty"]
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.honesty",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--folder", type=Path, help="nights drawn and audited before")
    parser.add_argument("--first", type=int, default=span.start, help="first seed to draw")
    parser.add_argument("--nights", type=int, default=NIGHTS, help=f"how many [{NIGHTS}]")
    parser.add_argument("--into", type=Path, default=KEPT / "honesty", help="where to draw")
    parser.add_argument("--keep-cards", action="store_true", help="do not delete the pictures")
    parser.add_argument("--processes", type=int, default=2, help="nights at a time [2]")
    asked = parser.parse_args(words)
    begin = time.perf_counter()
    if asked.folder:
        found = sorted(one.parent for one in asked.folder.glob("*/truth.json"))
    else:
        numbers = range(asked.first, asked.first + asked.nights)
        with ProcessPoolExecutor(asked.processes, get_context("spawn")) as pool:
            waiting = [
                pool.submit(draw_and_audit, n, asked.into, asked.keep_cards) for n in numbers
            ]
            found = [done.result() for done in waiting]
    nights = [one for one in found if any((one / "out").glob("*/frames.csv"))]
    if not nights:
        parser.error(f"no audited nights in {asked.folder}")
    cases = pd.DataFrame([row for night in nights for row in cases_of(night)])
    KEPT.mkdir(parents=True, exist_ok=True)
    cases.to_csv(KEPT / "honesty.csv", index=False)
    print(f"{len(nights)} nights, {nights[0].name} to {nights[-1].name}\n")
    print(table(cases).text())
    print(f"{time.perf_counter() - begin:.0f} s; every case is in {KEPT / 'honesty.csv'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
