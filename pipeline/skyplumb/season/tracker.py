"""The tracker as each placement met it -> how it is, and how that goes with date, load and cold.

A placement is one set-up of tripod and tracker: one fit of the mount, whatever was shot from it.
Values differ from one to the next by more than their errors, which the ranges hold (`trend`).
Trackers that the night notes tell apart are told apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from skyplumb.records import NAN
from skyplumb.season.sessions import Season
from skyplumb.season.trend import Line, line_of

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of the tracker that a fit of the mount tells."""

    name: str
    """Its column, beside whose own `_sigma` is its error."""
    title: str
    unit: str


FIGURES = (
    Figure("axis_total_error_arcmin", "Polar axis off by", "arcmin"),
    Figure("axis_alt_error_arcmin", "Axis too high by", "arcmin"),
    Figure("axis_az_error_arcmin", "Axis too far east by", "arcmin"),
    Figure("rate_error_ppm", "Drive too fast by", "ppm"),
    Figure("periodic_amplitude_arcsec", "Periodic error, amplitude", "arcsec"),
    Figure("periodic_period_s", "Periodic error, period", "s"),
    Figure("slip_arcsec_per_min", "Slip, where it slipped", "arcsec a minute"),
)


@dataclass(frozen=True, slots=True)
class Against:
    """What figures are held against."""

    name: str
    title: str
    per: float
    """How much of it slopes are told for."""
    unit: str


AGAINST = (
    Against("day", "date", 30.0, "30 days"),
    Against("payload_g", "load", 1000.0, "kg"),
    Against("temperature_c", "temperature", 10.0, "10 °C"),
)
FEWEST_PHASES = 5
"""Fewer phases lie alike by chance too often."""


@dataclass(frozen=True, slots=True)
class Trend:
    """One figure of one tracker."""

    tracker: str
    """As the night notes call it; empty where they do not."""
    figure: Figure
    placements: int
    mean: Line
    along: tuple[tuple[Against, Line], ...]
    """Slopes for `per` of what they are held against; of those that differ alone."""


def placements(season: Season) -> pd.DataFrame:
    """A row for each placement with a fit of the mount, in order of time: `night`, `session`,
    `setup`, `tracker`, `payload_g`, `temperature_c`, `day` (since 1970) and the mount's figures
    with their errors and `periodic_phase_deg`; NaN where unknown."""
    runs = season.runs.copy()
    runs["tracker"] = [str(notes.get("tracker", "")) for notes in runs["notes"]]
    runs["payload_g"] = [_number(notes.get("payload_g")) for notes in runs["notes"]]
    nights = runs["night"].astype(str)
    # A night's name begins with its date where it has one.
    days = pd.to_datetime(nights.str[:10], errors="coerce", format="%Y-%m-%d")
    runs["day"] = (days - pd.Timestamp(0)).dt.total_seconds() / 86400
    runs["night"] = nights
    told = [one.name for one in FIGURES]
    keys = ["night", "session", "setup"]
    columns = [
        *(*keys, "tracker", "payload_g", "temperature_c", "day", "mount_frames"),
        *(name for one in told for name in (one, f"{one}_sigma")),
        "periodic_phase_deg",
    ]
    known = runs[runs[told].notna().any(axis=1)]
    first = known.sort_values([*keys, "tracked", "mount_frames"]).drop_duplicates(keys, keep="last")
    load = known.groupby(keys)[["payload_g", "temperature_c"]].median()
    first = first.drop(columns=["payload_g", "temperature_c"]).join(load, on=keys)
    return first[columns].sort_values(keys).reset_index(drop=True)


def trends(table: pd.DataFrame) -> list[Trend]:
    """Every figure of every tracker that a placement tells."""
    out = []
    for tracker, mine in table.groupby("tracker", sort=True):
        for figure in FIGURES:
            values = mine[figure.name].to_numpy(float)
            if not np.isfinite(values).any():
                continue
            sigmas = mine[f"{figure.name}_sigma"].to_numpy(float)
            along = []
            for against in AGAINST:
                at = mine[against.name].to_numpy(float) / against.per
                if len(np.unique(at[np.isfinite(at) & np.isfinite(values)])) > 1:
                    along.append((against, line_of(values, sigmas, at)))
            count = int(np.isfinite(values).sum())
            mean = line_of(values, sigmas)
            out.append(Trend(str(tracker), figure, count, mean, tuple(along)))
    return out


def phases(table: pd.DataFrame) -> tuple[int, float]:
    """How many phases of the periodic error are known, and the chance that as many lie as much
    alike where each is by chance (Rayleigh's test); NaN of few.

    The p of n mean resultants R is exp(sqrt(1 + 4n + 4(n^2 - (nR)^2)) - (1 + 2n)) (Zar,
    *Biostatistical Analysis*, 27.4; from memory).
    """
    known = np.radians(table["periodic_phase_deg"].dropna().to_numpy(float))
    n = len(known)
    if n < FEWEST_PHASES:
        return n, NAN
    along = hypot(np.cos(known).sum(), np.sin(known).sum())
    return n, float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - along**2)) - (1 + 2 * n)))


def trend_words(found: Sequence[Trend]) -> list[str]:
    """What stands clear of chance, a sentence each."""
    out = []
    for one in found:
        for against, line in one.along:
            if line.clear:
                whose = f" of {one.tracker}" if one.tracker else ""
                out.append(
                    f"{one.figure.title}{whose}: {line.slope:+.2g} {one.figure.unit} for "
                    f"{against.unit} of {against.title} ({line.slope_low:+.2g} to "
                    f"{line.slope_high:+.2g}), {line.count} placements".replace("-", "−")
                )
    return out


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) and isfinite(value) else NAN
