"""A season's frames -> the kit they were taken with: pixels, lenses, limits, pauses."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np
import pandas as pd

from skyplumb.digits import significant
from skyplumb.errors import UserError
from skyplumb.season.sessions import ARCSEC_PER_RAD_UM_MM, Season, label_of

SAME_SCALE = 0.05
FEWEST_GAPS = 3


def runs_at(season: Season, scale: float) -> pd.DataFrame:
    """Runs of about this scale, in arcsec/px."""
    runs = season.runs
    return runs[(runs["scale_arcsec_px"] / scale - 1).abs() < SAME_SCALE]


def limit_px(season: Season, scale: float) -> float:
    """The limit that most frames of this scale were judged by; NaN if none was."""
    mine = runs_at(season, scale)["trail_limit_px"].dropna()
    return float(mine.median()) if len(mine) else nan


def pixel_pitch(
    season: Season, notices: list[str], asked_um: float = nan, focal_mm: float = nan
) -> float:
    """Pixel pitch, um; NaN where every lens is known by its scale alone.

    Raises
    ------
    UserError
        If a focal length is asked for and no pixel pitch is known.
    """
    if isfinite(asked_um):
        return asked_um
    runs = season.runs[season.runs["pixel_um"] > 0]
    if runs.empty and not isfinite(focal_mm):
        return nan
    if runs.empty:
        raise UserError(
            "--pixel: give the pixel pitch in micrometres; no frame of these sessions was solved "
            "with a known focal length, so it cannot be had from them"
        )
    shots = season.frames["run_id"].map(runs["pixel_um"])
    pitches = shots.dropna().round(2).value_counts()
    pixel = float(pitches.index[0])
    if len(pitches) > 1:
        notices.append(
            f"Cameras of different pixel pitch were audited; this is for {pixel:.2f} um, the one "
            "with most frames. --pixel chooses another."
        )
    return pixel


def gap_between(season: Season, asked_s: float = nan) -> tuple[float, str]:
    """Seconds between the end of a frame and the start of the next, and where they are from."""
    if isfinite(asked_s):
        return asked_s, "asked"
    frames = season.frames.dropna(subset=["utc_s", "exposure_s"]).sort_values(["run_id", "utc_s"])
    exposure = frames.groupby("run_id")["exposure_s"].shift()
    gap = frames.groupby("run_id")["utc_s"].diff() - exposure
    # Clocks that write whole seconds make short gaps look negative now and then; a body that
    # takes a dark after each frame pauses for as long as that was.
    gap = gap[(gap > -2) & (gap < np.maximum(120, 1.5 * exposure))]
    if len(gap) < FEWEST_GAPS:
        return 0.0, "assumed"
    return max(float(gap.median()), 0.0), "measured"


def lenses_of(
    season: Season, pixel_um: float, focal_mm: float = nan
) -> Sequence[tuple[str, float, float]]:
    """Name, focal length (mm, NaN unknown) and scale (arcsec/px) of each, from wide to long; of
    the one that is asked for by its focal length alone.

    Raises
    ------
    UserError
        If no lens is known.
    """
    runs = season.runs
    if isfinite(focal_mm):
        return [(f"{focal_mm:g} mm", focal_mm, ARCSEC_PER_RAD_UM_MM * pixel_um / focal_mm)]
    found: dict[str, tuple[str, float, float]] = {}
    known = runs[(runs["focal_mm"] > 0)] if isfinite(pixel_um) else runs[:0]
    pairs = known[["lens", "focal_mm"]].drop_duplicates().sort_values(["focal_mm", "lens"])
    for lens, focal in pairs.itertuples(index=False):
        name = label_of(str(lens), focal)
        found[name] = (name, float(focal), ARCSEC_PER_RAD_UM_MM * pixel_um / float(focal))
    # A lens whose frames were solved, of unknown focal length: its scale says all there is to say.
    rest = runs[~runs.index.isin(known.index) & (runs["scale_arcsec_px"] > 0)]
    for lens, mine in rest.groupby(rest["lens"].astype(str)):
        for scale in sorted(
            mine["scale_arcsec_px"].map(lambda value: significant(value, 2)).unique()
        ):
            name = f"{lens} ({scale:g} arcsec/px)" if lens else f"{scale:g} arcsec/px"
            found.setdefault(name, (name, nan, float(scale)))
    if not found:
        raise UserError("--focal: give a focal length in mm; these sessions know of none")
    return sorted(found.values(), key=lambda one: -one[2])
