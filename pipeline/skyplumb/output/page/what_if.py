"""What else could be stacked, what to check first, and the heights of Sun and Moon."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from skyplumb.output.page.figures import figure, milliseconds, number
from skyplumb.summary import SessionSummary, StackSummary

Plain = dict[str, Any]


def limits_tried(summary: SessionSummary) -> Plain | None:
    """The limits in force that a reader can move; None where no run says them.

    Of several lenses with limits of their own, those of the run with most frames.
    """
    run = max(summary.runs, key=lambda one: one.shots, default=None)
    if run is None or not run.limits:
        return None
    told = run.limits
    return {
        "trail_keep": told["trail_px.keep_up_to"],
        "trail_reject": told["trail_px.reject_over"],
        "trail_of_fwhm_keep": told["trail_of_fwhm.keep_up_to"],
        "width_keep": told["fwhm_of_best.keep_up_to"],
        "width_reject": told["fwhm_of_best.reject_over"],
    }


def taking_the_doubtful(card: Plain) -> str:
    """What a run's doubtful frames would add to its stack, and what they would cost it."""
    now: StackSummary | None = card["stack"]
    then: StackSummary | None = card["stack_with_doubtful"]
    if now is None or then is None or not card["doubtful"] or then.frames == now.frames:
        return ""
    gain = f"{then.minutes - now.minutes:.0f} min of light"
    if not now.frames:
        return (
            f"{card['title']}: with its {card['doubtful']} doubtful frames there would be {gain} "
            f"and stars {figure(then.fwhm_px)} px wide, {then.ellipticity:.2f} out of round."
        )
    percent = 100 * (then.snr_gain / now.snr_gain - 1)
    return (
        f"{card['title']}: its {card['doubtful']} doubtful frames would add {gain} and "
        f"{percent:.0f} % of signal over noise; the stars of the stack would go from "
        f"{figure(now.fwhm_px)} to {figure(then.fwhm_px)} px wide and from "
        f"{now.ellipticity:.2f} to {then.ellipticity:.2f} out of round."
    )


def unlocated(cards: Sequence[Plain]) -> list[str]:
    """A line for each run of which no frame was found on the sky, with what to check."""
    return [
        f"Run {card['number']} ({card['title']}) was not found on the sky, so where it pointed, "
        "its altitude and the mount's faults are unknown. Check its focal length and pixel size "
        "in the night notes, and whether its stars are sharp enough to make a pattern."
        for card in cards
        if card["judged"] and not card["solved"]
    ]


def sun_and_moon(summary: SessionSummary, rows: Sequence[Plain], axis: str) -> Plain | None:
    """Heights of Sun and Moon on the page's own time axis; None where that only counts."""
    told = summary.sun_and_moon
    if told is None or axis == "order":
        return None
    ahead = pd.Series(
        [
            row["time"] - utc
            for row in rows
            if row["time"] is not None and (utc := milliseconds(row["utc"])) is not None
        ]
    )
    if ahead.empty:
        return None
    shift = float(ahead.median())
    moments = [pd.Timestamp(moment).timestamp() * 1000 + shift for moment in told.utc]
    return {
        "time": moments,
        "sun": [number(one) for one in told.sun_altitude_deg],
        "moon": [number(one) for one in told.moon_altitude_deg],
        "lit": told.moon_lit,
    }
