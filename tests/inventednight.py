"""An invented night, with everything in it that a page or a table may trip over."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from skyplumb.columns import COLUMNS, FrameRow
from skyplumb.findings import Advice
from skyplumb.output.files import Targets, write_session
from skyplumb.output.result import SessionResult
from skyplumb.plain import unknown
from skyplumb.records import FieldShapes, Measure
from skyplumb.summary import MountSummary, RunSummary, SessionSummary, StackSummary

HOSTILE_LENS = "</script><script>alert('lens')</script> & Søn \"35\" f/1.4"
HOSTILE_FILE = "DCIM/=cmd|' </script><img src=x onerror=alert(1)>&.DNG"
NAN = float("nan")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
"""How the tests start a browser: nothing of its own goes out, a fresh profile."""


BROKEN_BY = {
    "cloud": "extinction_mag trail_px",
    "bright-sky": "sky_of_darkest",
    "knock": "doubled_px",
    "focus": "fwhm_of_best",
    "none": "",
}
"""Rules that a frame lost to this cause does not meet, where it is not its trail alone."""
TRIED = {
    "trail_px.keep_up_to": 1.5,
    "trail_px.reject_over": 2.5,
    "trail_of_fwhm.keep_up_to": 1.0,
    "trail_of_fwhm.reject_over": 1.6,
    "fwhm_of_best.keep_up_to": 1.25,
    "fwhm_of_best.reject_over": 1.4,
    "ellipticity.keep_up_to": 0.2,
    "ellipticity.reject_over": 0.35,
    "min_stars.at_least": 10,
}


def invented_night(per_run: int = 14, seed: int = 5) -> SessionResult:
    """Build the night with `per_run` lights a run; the same seed gives the same night."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    crops: dict[str, Measure] = {}
    runs: list[RunSummary] = []
    clock = pd.Timestamp("2026-08-14 21:40:00")
    plans = (
        ("1-tarn-85", "Tarnlight 85 mm", 85.0, 120.0, 9.1, ("drive", "wind", "cloud")),
        ("2-wide", HOSTILE_LENS, 20.0, 60.0, 38.6, ("axis", "knock", "bright-sky")),
        ("3/manual: ±?", "", NAN, 240.0, NAN, ("slip", "focus", "unexplained")),
    )
    for run, lens, focal, exposure, scale, causes in plans:
        mine: list[dict[str, object]] = []
        for n in range(per_run):
            verdict, cause, trail = "keep", "none", abs(rng.normal(0.5, 0.2))
            if n % 5 == 3:
                verdict, cause, trail = "reject", causes[n % 3], 2.0 + rng.exponential(2.0)
            elif n % 7 == 5:
                verdict, cause, trail = "doubtful", causes[n % 3], 1.6
            file = f"DCIM/{100 + len(runs)}FERN/FRN_{len(rows) + n:04d}.DNG"
            if run == "2-wide" and n == 3:
                file = HOSTILE_FILE
            known = not (run.startswith("3") and n % 4 == 1)
            row: dict[str, object] = dict.fromkeys(COLUMNS, NAN)
            row |= {
                "file": file,
                "session": "2026-08-14-fernhill-one",
                "run": run,
                "kind": "light",
                "taken_camera": clock.strftime("%Y:%m:%d %H:%M:%S.50") if known else "",
                "taken_utc": (clock - pd.Timedelta(hours=2)).isoformat() if known else "",
                "camera": "Fernhill One",
                "lens": lens,
                "focal_mm": focal,
                "aperture": 2.8 if lens else NAN,
                "exposure_s": exposure if known else NAN,
                "iso": 1600.0,
                "stars": float(rng.integers(300, 420) // (4 if cause == "cloud" else 1)),
                "fwhm_px": rng.normal(2.3, 0.1) + (2 if cause == "focus" else 0),
                "ellipticity": 0.4 if verdict != "keep" and not known else 0.1,
                "image_angle_deg": -12.5,
                "trail_px": trail if known else NAN,
                "trail_worst_px": trail * 1.3 if known else NAN,
                "trail_sigma_px": 0.12 if known else NAN,
                "trail_angle_deg": rng.uniform(-90, 90),
                "doubled_px": 4.2 if cause == "knock" else NAN,
                "solved": scale == scale,
                "sky_level": 210.0 + 0.8 * n,
                "verdict": verdict,
                "cause": cause,
                "confidence": 0.83,
                "reason": "sharp: 0.4 px, limit 1.5"
                if verdict == "keep"
                else f"trailed {trail:.1f} px along position angle 114°, limit 1.5 <{cause}>",
                "taken_mid_utc": "",
                "setup": 1.0,
                "weight": 0.9,
                "fwhm_of_best": 1.9 if cause == "focus" else 1.1,
                "trail_of_fwhm": trail / 10 if known else NAN,
                "rules_broken": BROKEN_BY.get(cause, "trail_px" if known else "ellipticity"),
            }
            if scale == scale:
                row |= {
                    "fwhm_arcsec": float(str(row["fwhm_px"])) * scale,
                    "trail_pa_deg": rng.uniform(60, 120),
                    "drift_px": trail,
                    "ra_deg": 303.2,
                    "dec_deg": 46.02,
                    "roll_pa_deg": 12.0,
                    "scale_arcsec_px": scale,
                    "altitude_deg": 62.0 - 0.5 * n,
                    "azimuth_deg": 80.0 + n,
                    "extinction_mag": 0.05,
                }
            mine.append(row)
            crops[file] = _measure(file, trail, verdict, rng)
            clock += pd.Timedelta(seconds=exposure + 6)
        clock += pd.Timedelta(minutes=9)
        rows += mine
        runs.append(_told(run, lens, focal, exposure, mine))
    rows += _not_judged()
    summary = SessionSummary("2026-08-14-fernhill-one", runs=tuple(runs))
    notice = "The time zone of this camera is unknown: <b>UTC</b> is left empty."
    told = rows_of(pd.DataFrame(rows))
    return SessionResult("2026-08-14-fernhill-one", told, summary, crops, (notice,))


def table_of(rows: Iterable[FrameRow]) -> pd.DataFrame:
    """The rows as a DataFrame, which is easier to ask and to change."""
    return pd.DataFrame([asdict(row) for row in rows], columns=list(COLUMNS))


def rows_of(table: pd.DataFrame) -> tuple[FrameRow, ...]:
    """The rows of such a table; what is missing or unknown in it is as a `FrameRow` has it."""
    return tuple(
        FrameRow(**{str(key): value for key, value in one.items() if not unknown(value)})
        for one in table.to_dict("records")
    )


def _told(
    run: str, lens: str, focal: float, exposure: float, rows: list[dict[str, object]]
) -> RunSummary:
    """The run's entry in the summary."""
    keep = sum(row["verdict"] == "keep" for row in rows)
    mount = MountSummary(
        setup="1",
        axis_total_error_arcmin=11.4,
        axis_total_error_arcmin_sigma=0.8,
        axis_alt_error_arcmin=np.float64(-4.2),
        axis_alt_error_arcmin_sigma=0.6,
        axis_az_error_arcmin=14.1,
        axis_az_error_arcmin_sigma=0.9,
        periodic_amplitude_arcsec=21.0,
        periodic_period_s=599.0,
        slip_arcsec_per_min=59.43,
        slip_arcsec_per_min_sigma=0.043,
        why_not={"rate_error_ppm": "cannot be told from the axis error here <yet>"},
    )
    return RunSummary(
        run,
        lens=lens,
        focal_mm=focal,
        exposure_s=exposure,
        shots=len(rows),
        keep=keep,
        hit_rate=keep / len(rows),
        limits=TRIED,
        stack=StackSummary(keep, 20.0, 2.4, 0.05, 3.0),
        stack_with_doubtful=StackSummary(keep + 2, 24.0, 2.5, 0.08, 3.3),
        hit_rate_low=0.454,
        hit_rate_high=0.883,
        mount=mount if lens else MountSummary("2", why_not="no frame of this run was solved"),
    )


def _measure(file: str, trail: float, verdict: str, rng: np.random.Generator) -> Measure:
    """Seven Gaussian stars drawn out along x, brightest in the middle; none for one frame."""
    size = 49
    y, x = np.mgrid[:size, :size] - size // 2
    peaks = 4000 * 0.8 ** np.arange(7)
    width = np.sqrt(1.0 + trail**2 / 12)
    stars = [p * np.exp(-0.5 * ((x / width) ** 2 + y**2)) for p in peaks]
    drawn = (np.stack(stars) + rng.normal(0, 12, (7, size, size))).astype(np.float32)
    if verdict == "doubtful":
        drawn[0, :4] = np.nan
    crop_xy = np.column_stack([np.linspace(3000, 5900, 7), np.linspace(2000, 3900, 7)])
    return Measure(file, "light", "", noise=12.0, crops=drawn, crop_xy=crop_xy.astype(np.float32))


def _not_judged() -> list[dict[str, object]]:
    """A file of every other kind, each with its reason."""
    reasons = {
        "dark": "no stars and no sky in the picture",
        "flat": "evenly lit",
        "bias": "shortest exposure, no light",
        "companion": "belongs to FRN_0000.DNG",
        "unsupported": "a JPEG alone has no raw samples to measure",
        "unreadable": "the file ends after 1024 of 24,003,112 bytes; copy it again",
        "excluded": "night notes leave out 21:40 to 21:50",
    }
    blank: dict[str, object] = dict.fromkeys(COLUMNS, NAN)
    return [
        blank
        | {
            "file": f"-odd/+{kind} <é>.DNG",
            "session": "2026-08-14-fernhill-one",
            "run": "",
            "kind": kind,
            "verdict": "",
            "cause": "",
            "reason": reason,
        }
        for kind, reason in reasons.items()
    ]


@dataclass(frozen=True)
class Written:
    """An invented night as its files lie on disk."""

    folder: Path
    card: Path
    result: SessionResult

    @property
    def url(self) -> str:
        return (self.folder / "report.html").as_uri()

    @property
    def rows(self) -> list[dict[str, str]]:
        with (self.folder / "frames.csv").open(encoding="utf-8", newline="") as lines:
            return [row for row in csv.DictReader(lines) if row["kind"] == "light"]


def with_fields(night: SessionResult, many: bool = False) -> SessionResult:
    """The night with a picture size and star shapes, as an audit has them."""
    rng = np.random.default_rng(2)
    place = rng.uniform(-0.5, 0.5, (60, 2))
    moments = np.column_stack([np.full(60, 2.0), rng.normal(0.3, 0.1, (60, 2))])
    shapes = FieldShapes(place, moments, moments - [0, 0.3, 0])
    one = next(iter(night.crops.values()))
    few = replace(one, crops=one.crops[:1], crop_xy=one.crop_xy[:1])
    crops = {
        # Thousands of frames get the same star: only their number matters there.
        file: replace(few if many else shown, file=file, width_px=6000, height_px=4000)
        for file, shown in night.crops.items()
    }
    frames = [replace(row, zenith_pa_deg=2 * row.altitude_deg) for row in night.rows]
    axis = Advice("axis", 3, 4.0, "Turn the axis <b>east</b>.", 3, 4.0, "Mind the aircraft.")
    summary = replace(night.summary, advice=(axis,))
    return replace(
        night, rows=tuple(frames), crops=crops, fields=dict.fromkeys(crops, shapes), summary=summary
    )


def lay_down(
    result: SessionResult, out: Path, card: Path, link_into: Path | None = None, xmp: bool = False
) -> Path:
    """Write the files of a session and answer its folder."""
    return write_session(result, Targets(out, link_into, xmp), card).folder


def written(result: SessionResult, root: Path) -> Written:
    card = root / "card"
    card.mkdir()
    return Written(lay_down(result, root / "out", card), card, result)
