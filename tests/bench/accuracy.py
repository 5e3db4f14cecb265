"""Verdicts, trails and pointings against what was drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from skyplumb.auditing import audit
from skyplumb.intake.rules import load_rules
from skyplumb.options import Options

from .cards import KEPT, drawn_card, truth_of
from .nights import BenchNight
from .tables import Table, aim
from .verdicts import run_verdicts

PERFECT_BELOW_PX = 0.15
"""A frame whose true trail is shorter was tracked perfectly."""
SHAKEN = ("wind", "knock")
"""Faults that leave no even trail to measure the length of."""
LENGTH_BINS_PX = (0.5, 1.0, 2.0, 4.0, 8.0)

Say = Callable[[str], None]


def measure_nights(
    nights: Sequence[BenchNight], jobs: int, say: Say, fresh: bool = True
) -> pd.DataFrame:
    """Draw and audit every night; one row a frame, truth (`true_*`) beside what was found.

    Without `fresh`, frames measured in an earlier bench are only judged again.
    """
    rows = []
    for done, bench in enumerate(nights, start=1):
        width = bench.night.body.width_px
        folder = drawn_card(f"night-{bench.number:03d}-{width}", [bench.night], bench.fmt, jobs)
        out = KEPT / "audits" / folder.name
        for table in out.glob("*/frames.csv"):
            table.unlink()
        audit(Options(folder / "card", out, jobs=jobs, fresh=fresh, quiet=True), _silent)
        rows.append(_joined(bench, folder, out))
        lens = bench.night.runs[0].lens
        say(f"night {done} of {len(nights)}: {lens.focal_mm:g} mm, {bench.fault}")
    return pd.concat(rows, ignore_index=True)


def _silent(_: str) -> None:
    pass


def _joined(bench: BenchNight, folder: Path, out: Path) -> pd.DataFrame:
    """Truth and results of one night."""
    truth = truth_of(folder)
    rules = load_rules(None)
    frames = pd.DataFrame(truth["frames"])
    deserved: dict[str, tuple[str, bool]] = {}
    lights = [frame for frame in truth["frames"] if frame["kind"] == "light"]
    for number, run in enumerate(bench.night.runs):
        mine = [frame for frame in lights if frame["run"] == number]
        if not mine:
            continue
        verdicts = run_verdicts(mine, rules.limits_for(run.lens.name, run.lens.focal_mm))
        for frame, verdict in zip(mine, verdicts, strict=True):
            deserved[frame["file"]] = (verdict.verdict, verdict.clear)
    frames = frames.add_prefix("true_").rename(columns={"true_file": "file"})
    frames["true_verdict"] = [deserved.get(file, ("", False))[0] for file in frames["file"]]
    frames["clear"] = [deserved.get(file, ("", False))[1] for file in frames["file"]]
    found = pd.concat(
        [
            pd.read_csv(path, dtype=str, keep_default_na=False)
            for path in sorted(out.glob("*/frames.csv"))
        ]
    )
    numbers = (
        "trail_px", "trail_sigma_px", "trail_angle_deg", "trail_worst_px", "pointing_rms_px",
        "ra_deg", "dec_deg", "drift_px", "extinction_mag", "fwhm_px", "doubled_px", "stars",
        "fwhm_across_px", "measured_stars",
    )  # fmt: skip
    for name in numbers:
        found[name] = pd.to_numeric(found[name])
    joined = frames.merge(found, on="file", how="left", validate="one_to_one")
    lens = bench.night.runs[0].lens
    return joined.assign(
        night=bench.number,
        fault=bench.fault,
        strong_corners=bench.strong_corners,
        lens_mm=lens.focal_mm,
        lens_fwhm=lens.fwhm_px,
        lens_beta=lens.beta,
        mono=bench.fmt == "fits",
    )


def accuracy_tables(frames: pd.DataFrame) -> list[Table]:
    """Every table of the accuracy half, from the rows of `measure_nights`."""
    lights = frames[frames["true_kind"] == "light"].copy()
    lights["error_px"] = lights["trail_px"] - lights["true_trail_px"]
    lights["allowed_px"] = 0.15 + 0.03 * lights["true_trail_px"]
    lights["even"] = ~lights["fault"].isin(SHAKEN)
    turned = lights["trail_angle_deg"] - lights["true_trail_angle_deg"].astype(float)
    lights["angle_error_deg"] = (turned + 90.0) % 180.0 - 90.0
    return [
        _summary(frames, lights),
        _confusion(lights),
        _by("fault", lights, lights["fault"]),
        _by("lens, mm", lights[lights["even"]], lights["lens_mm"]),
        _by(
            "true trail, px",
            lights[lights["even"]],
            pd.cut(lights["true_trail_px"], LENGTH_BINS_PX).astype(str),
        ),
    ]


def _summary(frames: pd.DataFrame, lights: pd.DataFrame) -> Table:
    clear = lights[lights["clear"]]
    right = clear["verdict"] == clear["true_verdict"]
    kept = (clear["verdict"] == "keep") == (clear["true_verdict"] == "keep")
    even = lights[lights["even"] & lights["true_trail_px"].between(0.5, 8.0)]
    shaken = lights[~lights["even"] & lights["true_trail_px"].between(0.5, 8.0)]
    turned = lights[lights["even"] & (lights["true_trail_px"] > 1.5)]
    turned = turned[turned["trail_angle_deg"].notna()]
    still = lights[(lights["true_trail_px"] < PERFECT_BELOW_PX) & lights["strong_corners"]]
    phantom = still["trail_px"] > 0.5
    tracked = lights[lights["fault"] != "untracked"]
    untrailed = lights[lights["true_trail_px"] < 0.5]
    rows = [
        aim("verdict right, clear frames", right.mean(), 0.98, least=True, percent=True,
            of=len(right)),
        aim("kept or not right, clear frames", kept.mean(), None, percent=True, of=len(kept)),
        aim("trail length, rms of error / (0.15 px + 3 %), even trails 0.5..8 px",
            _rms(even["error_px"] / even["allowed_px"]), 1.0, of=len(even)),
        aim("  the same, in px", _rms(even["error_px"]), None, of=len(even)),
        aim("  not measured, even trails 0.5..8 px", even["trail_px"].isna().mean(), None,
            percent=True, of=len(even)),
        aim("  the same ratio, wind and knocks",
            _rms(shaken["error_px"] / shaken["allowed_px"]), None, of=len(shaken)),
        aim("trail angle, rms, even trails over 1.5 px, deg", _rms(turned["angle_error_deg"]),
            3.0, of=len(turned)),
        aim("  within 3 deg", (turned["angle_error_deg"].abs() <= 3.0).mean(), None,
            percent=True, of=len(turned)),
        aim("trail over 0.5 px on perfectly tracked frames, strong corners", phantom.mean(),
            0.0, percent=True, of=len(still)),
    ]  # fmt: skip
    for focal in (14.0, 200.0):
        mine = untrailed[untrailed["lens_mm"] == focal]
        rms = mine["pointing_rms_px"]
        rows.append(
            aim(f"pointing, rms of stars of S/N over 20, untrailed, {focal:g} mm, px",
                rms.max(), 0.15, of=int(rms.notna().sum()))
        )  # fmt: skip
    solved = tracked["solved"] == "true"
    rows.append(aim("solved, tracked frames", solved.mean(), None, percent=True, of=len(solved)))
    off = _pointing_error_px(untrailed)
    rows.append(
        aim("middle of the picture against truth, untrailed, rms px", _rms(off), None, of=len(off))
    )
    other = frames[frames["true_kind"] != "light"]
    told = (frames["kind"] == frames["true_kind"]).mean()
    rows.append(aim("kind told right, all frames", told, None, percent=True, of=len(frames)))
    rows.append(
        aim("  darks and flats", (other["kind"] == other["true_kind"]).mean(), None, percent=True,
            of=len(other))
    )  # fmt: skip
    return Table("Accuracy", ("what", "found", "aim", "", "of"), rows)


def _confusion(lights: pd.DataFrame) -> Table:
    clear = lights[lights["clear"]]
    words = ("keep", "doubtful", "reject")
    rows = [
        (truth, *(str(((clear["true_verdict"] == truth) & (clear["verdict"] == w)).sum())
                  for w in words))
        for truth in words
    ]  # fmt: skip
    return Table("Verdicts of clear frames", ("deserved", *words), rows)


def _by(title: str, lights: pd.DataFrame, groups: pd.Series) -> Table:
    """Verdicts and trails, split by something."""
    rows = []
    for name, part in lights.groupby(groups.loc[lights.index]):
        clear = part[part["clear"]]
        long = part[part["true_trail_px"].between(0.5, 8.0) & part["trail_px"].notna()]
        turned = part[(part["true_trail_px"] > 1.5) & part["trail_angle_deg"].notna()]
        still = part[part["true_trail_px"] < PERFECT_BELOW_PX]
        rows.append(
            (
                str(name) if not isinstance(name, float) else f"{name:g}",
                str(len(part)),
                _share(clear["verdict"] == clear["true_verdict"]),
                _number(_rms(long["error_px"] / long["allowed_px"])),
                _number(_rms(long["error_px"])),
                _number(long["error_px"].mean()),
                str(len(long)),
                _number(_rms(turned["angle_error_deg"]), 1),
                _share(still["trail_px"] > 0.5),
                _share(part["solved"] == "true"),
                _number(part["pointing_rms_px"][part["true_trail_px"] < 0.5].median(), 3),
            )
        )
    head = (
        title, "frames", "right", "ratio", "rms px", "mean px", "of", "angle rms",
        "phantom", "solved", "pointing",
    )  # fmt: skip
    return Table(f"By {title}", head, rows)


def _rms(values: pd.Series) -> float:
    known = values.dropna()
    return float(np.sqrt(np.mean(known**2))) if len(known) else float("nan")


def _share(flags: pd.Series) -> str:
    return f"{flags.mean():.1%} of {len(flags)}" if len(flags) else ""


def _number(value: float, digits: int = 2) -> str:
    return f"{value:.{digits}f}" if np.isfinite(value) else ""


def _pointing_error_px(frames: pd.DataFrame) -> pd.Series:
    """Distance of the pointing from the truth, px."""
    north = frames["dec_deg"] - frames["true_dec_deg"]
    east = (frames["ra_deg"] - frames["true_ra_deg"] + 180.0) % 360.0 - 180.0
    east *= np.cos(np.radians(frames["true_dec_deg"].astype(float)))
    apart: pd.Series = np.hypot(north, east) * 3600.0 / frames["true_scale_arcsec_px"]
    return apart.dropna()


def worst_frames(frames: pd.DataFrame, most: int = 40) -> Table:
    """Clear frames whose verdict is wrong, and the worst trails: where to look first."""
    lights = frames[frames["true_kind"] == "light"]
    wrong = lights[lights["clear"] & (lights["verdict"] != lights["true_verdict"])]
    rows = [
        (
            f"{row.night}", f"{row.lens_mm:g}", str(row.fault), Path(str(row.file)).name,
            f"{row.true_trail_px:.2f}", _number(float(str(row.trail_px))),
            f"{row.true_verdict}", f"{row.verdict}", str(row.reason),
        )
        for row in wrong.head(most).itertuples()
    ]  # fmt: skip
    head = ("night", "mm", "fault", "file", "true", "found", "deserved", "verdict", "reason")
    return Table(f"Wrong verdicts ({len(wrong)})", head, rows)
