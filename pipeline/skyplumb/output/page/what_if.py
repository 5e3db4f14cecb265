"""What else could be stacked, what to check first, and the heights of Sun and Moon."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from statistics import median
from typing import Any

from skyplumb.digits import counted, duration, named
from skyplumb.output.page.figures import figure, milliseconds, number
from skyplumb.summary import RunSummary, SessionSummary, StackSummary

Plain = dict[str, Any]


def limits_tried(summary: SessionSummary) -> Plain | None:
    """The limits in force that a reader can move; None where no run says them.

    Of several lenses with limits of their own, those of the run with most frames.
    """
    run = max(summary.runs, key=lambda one: one.shots, default=None)
    return limits_of(run) if run is not None else None


def limits_of(run: RunSummary) -> Plain | None:
    """The limits by which the page judges a run's frames again; None where it does not say them."""
    told = run.limits
    if not told:
        return None
    return {
        "trail_keep": told["trail_px.keep_up_to"],
        "trail_reject": told["trail_px.reject_over"],
        "trail_of_fwhm_keep": told["trail_of_fwhm.keep_up_to"],
        "width_keep": told["fwhm_of_best.keep_up_to"],
        "width_reject": told["fwhm_of_best.reject_over"],
        "ellipticity_keep": told["ellipticity.keep_up_to"],
        "fewest_stars": told["min_stars.at_least"],
    }


def taking_the_doubtful(card: Plain) -> str:
    """What a run's doubtful frames would add to its stack, and what they would cost it."""
    now: StackSummary | None = card["stack"]
    then: StackSummary | None = card["stack_with_doubtful"]
    if now is None or then is None or not card["doubtful"] or then.frames == now.frames:
        return ""
    one = card["doubtful"] == 1
    they = "its doubtful frame" if one else f"its {card['doubtful']} doubtful frames"
    minutes = then.minutes - now.minutes
    light = f"{duration(60 * minutes)} of light" if minutes > 0 else "light of unknown length"
    if not now.frames:
        return (
            f"{card['title']}: with {they} there would be {light} and stars "
            f"{figure(then.fwhm_px)} px wide, of ellipticity {then.ellipticity:.2f}."
        )
    percent = f"{100 * (then.snr_gain / now.snr_gain - 1):.0f}"
    gain = f"{light} and {percent}% of SNR"
    if percent in ("0", "-0"):
        gain = f"{light} and no more SNR"
    width = _change(figure(now.fwhm_px), figure(then.fwhm_px), " px")
    ellipticity = _change(f"{now.ellipticity:.2f}", f"{then.ellipticity:.2f}")
    return (
        f"{card['title']}: {they} would add {gain}; the stars' FWHM in the stack would {width}, "
        f"their ellipticity would {ellipticity}."
    )


def _change(now: str, then: str, unit: str = "") -> str:
    """How a number changes as it is shown."""
    return f"stay {now}{unit}" if now == then else f"go from {now} to {then}{unit}"


def unlocated(cards: Sequence[Plain]) -> list[str]:
    """A line for the runs of each lens and exposure of which no frame was found on the sky, with
    what to check. Frames that may belong together and tell no time are a run each."""
    lost: dict[str, list[Plain]] = {}
    for card in cards:
        if card["judged"] and not card["solved"]:
            lost.setdefault(card["title"], []).append(card)
    return [
        f"{_runs_words(title, mine)} not found on the sky, so where "
        f"{'it' if len(mine) == 1 else 'they'} pointed, "
        "the altitude and the mount's faults are unknown. Check the focal length and pixel size "
        "in the night notes, and whether the stars are sharp enough to make a pattern."
        for title, mine in lost.items()
    ]


def _runs_words(title: str, cards: Sequence[Plain]) -> str:
    """Such as "Run 5 (85 mm, 60 s) was" or "16 runs of 18 frames (Unnamed lens; runs 1, 2, 3 and
    13 more) were"."""
    if len(cards) == 1:
        return f"Run {cards[0]['number']} ({title}) was"
    frames = sum(card["judged"] for card in cards)
    numbers = named([str(card["number"]) for card in cards])
    return f"{len(cards)} runs of {counted(frames, 'frame')} ({title}; runs {numbers}) were"


def sun_and_moon(summary: SessionSummary, rows: Sequence[Plain], axis: str) -> Plain | None:
    """Heights of Sun and Moon on the page's own time axis; None where that only counts."""
    told = summary.sun_and_moon
    if told is None or axis == "order":
        return None
    ahead = [
        row["time"] - utc
        for row in rows
        if row["time"] is not None and (utc := milliseconds(row["utc"])) is not None
    ]
    if not ahead:
        return None
    offset = float(median(ahead))
    # Whole, as milliseconds since 1970 have more digits than a chart's number keeps.
    moments = [
        round(datetime.fromisoformat(moment).timestamp() * 1000 + offset) for moment in told.utc
    ]
    return {
        "time": moments,
        "sun": [number(one) for one in told.sun_altitude_deg],
        "moon": [number(one) for one in told.moon_altitude_deg],
        "lit": told.moon_lit,
    }
