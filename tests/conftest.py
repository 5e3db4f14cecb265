"""An invented night, with everything in it that a page or a table may trip over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from skyplumb.cli import main
from skyplumb.outputs import FRAME_COLUMNS
from skyplumb.records import Measure, SessionResult
from smallcard import SKYPLUMB, Finished, draw_small_card

HOSTILE_LENS = "</script><script>alert('lens')</script> & Søn \"35\" f/1.4"
HOSTILE_FILE = "DCIM/=cmd|' </script><img src=x onerror=alert(1)>&.DNG"
NAN = float("nan")


@pytest.fixture(autouse=True, scope="session")
def _ctrl_c_reaches_children() -> None:
    """Started in the background, a shell hands down a Ctrl-C that is ignored; take it back."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def night() -> SessionResult:
    """Three runs of a body that does not exist: all verdicts, kinds and gaps."""
    return invented_night()


def invented_night(per_run: int = 14, seed: int = 5) -> SessionResult:
    """Build the night with `per_run` lights a run; the same seed gives the same night."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    crops: dict[str, Measure] = {}
    runs: list[dict[str, object]] = []
    clock = pd.Timestamp("2026-08-14 21:40:00")
    plans = (
        ("1-tarn-85", "Tarnlight 85 mm", 85.0, 120.0, 9.1, ("drive", "wind", "cloud")),
        ("2-wide", HOSTILE_LENS, 20.0, 60.0, 38.6, ("axis", "knock", "bright-sky")),
        ("3/manual: ±?", "", NAN, 240.0, NAN, ("sag", "focus", "unexplained")),
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
            row: dict[str, object] = dict.fromkeys(FRAME_COLUMNS, NAN)
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
                "ellipticity": 0.1,
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
                else f"trailed {trail:.1f} px towards 114 deg east of north, limit 1.5 <{cause}>",
                "taken_mid_utc": "",
                "setup": "1",
                "pointing": float(len(runs)),
            }
            if scale == scale:
                row |= {
                    "fwhm_arcsec": float(str(row["fwhm_px"])) * scale,
                    "trail_pa_deg": rng.uniform(60, 120),
                    "shift_px": trail,
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
    frames = pd.DataFrame(rows)
    frames["solved"] = frames["solved"].astype(object).where(frames["kind"] == "light", None)
    summary: dict[str, object] = {"session": "2026-08-14-fernhill-one", "runs": runs, "odd": NAN}
    notice = "The time zone of this camera is unknown: <b>UTC</b> is left empty."
    return SessionResult("2026-08-14-fernhill-one", frames, summary, crops, (notice,))


def _told(
    run: str, lens: str, focal: float, exposure: float, rows: list[dict[str, object]]
) -> dict[str, object]:
    """The run's entry in the summary."""
    keep = sum(row["verdict"] == "keep" for row in rows)
    mount: dict[str, object] = {
        "setup": "1",
        "axis_total_error_arcmin": 11.4,
        "axis_total_error_arcmin_sigma": 0.8,
        "axis_alt_error_arcmin": np.float64(-4.2),
        "axis_alt_error_arcmin_sigma": 0.6,
        "axis_az_error_arcmin": 14.1,
        "axis_az_error_arcmin_sigma": 0.9,
        "rate_error_ppm": None,
        "periodic_amplitude_arcsec": 21.0,
        "periodic_amplitude_arcsec_sigma": NAN,
        "periodic_period_s": 599.0,
        "sag_arcsec_per_min": None,
        "why_not": {"rate_error_ppm": "cannot be told from the axis error here <yet>"},
    }
    return {
        "run": run,
        "lens": lens,
        "focal_mm": focal,
        "exposure_s": exposure,
        "shots": len(rows),
        "keep": keep,
        "hit_rate": keep / len(rows),
        "hit_rate_low": 0.454,
        "hit_rate_high": 0.883,
        "loss": {},
        "mount": mount if lens else {"setup": "2", "why_not": "no frame of this run was solved"},
    }


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
    blank: dict[str, object] = dict.fromkeys(FRAME_COLUMNS, NAN)
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


@pytest.fixture(scope="session", autouse=True)
def pattern_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep star patterns made by tests out of the user's cache, unless the runner says where."""
    with pytest.MonkeyPatch.context() as patch:
        if "SKYPLUMB_CACHE" not in os.environ:
            patch.setenv("SKYPLUMB_CACHE", str(tmp_path_factory.mktemp("patterns")))
        yield


@pytest.fixture(scope="session")
def small_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drawn card with something of every kind on it; only to be read from."""
    return draw_small_card(tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="session")
def audited(
    small_card: Path, pattern_cache: None, tmp_path_factory: pytest.TempPathFactory
) -> Finished:
    """The small card audited by the command, undisturbed; only to be read from."""
    out = tmp_path_factory.mktemp("audited")
    done = subprocess.run(
        [*SKYPLUMB, "audit", str(small_card), "--out", str(out), "--xmp"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    return Finished(out, done.returncode, done.stdout, done.stderr)


@pytest.fixture
def skyplumb(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Finished]:
    """Run the command in this process, its workers included; answers like a finished one."""

    def in_this_process(
        task: Callable[[Any], Any], items: Sequence[Any], *_: object, **__: object
    ) -> Iterator[tuple[int, Any]]:
        return ((number, task(item)) for number, item in enumerate(items))

    def run(*words: object) -> Finished:
        capsys.readouterr()
        monkeypatch.setattr(sys, "argv", ["skyplumb", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        out = Path(str(words[words.index("--out") + 1])) if "--out" in words else Path()
        return Finished(out, int(ended.value.code or 0), told.out, told.err)

    monkeypatch.setattr("skyplumb.audit.run_all", in_this_process)
    return run
