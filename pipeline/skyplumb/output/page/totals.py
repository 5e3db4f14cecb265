"""Judged frames of the page -> counts, losses, spells and runs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from skyplumb.causes import cause_of
from skyplumb.columns import FrameRow
from skyplumb.findings import Advice, TrailAxes
from skyplumb.output.page.figures import (
    STAMP,
    middle,
    milliseconds,
    number,
    setting,
    sky_place,
    span,
    words,
)
from skyplumb.output.page.words import ASIDE
from skyplumb.plain import visible
from skyplumb.records import VERDICTS
from skyplumb.summary import RunSummary, SessionSummary

Plain = dict[str, Any]


def count(rows: list[Plain]) -> Plain:
    """Frames and seconds by verdict."""
    seconds = {v: _seconds(row for row in rows if row["verdict"] == v) for v in VERDICTS}
    return {
        "judged": len(rows),
        **{v: sum(row["verdict"] == v for row in rows) for v in VERDICTS},
        "seconds": {**seconds, "judged": sum(seconds.values())},
        "untimed": sum(row["exposure_s"] is None for row in rows),
    }


def losses(rows: list[Plain]) -> list[Plain]:
    """Frames not kept by cause, the costliest in light first; in frames where times are unknown."""
    missed = [row for row in rows if row["verdict"] != "keep"]
    timed = all(row["exposure_s"] is not None for row in missed)
    found = []
    for cause in sorted({row["cause"] for row in missed}):
        told, one = cause_of(cause), count([row for row in missed if row["cause"] == cause])
        cost = one["seconds"] if timed else one
        cost = {verdict: cost[verdict] for verdict in ("reject", "doubtful")}
        found.append(
            {"cause": cause, "label": told.label, "meaning": told.words, "cost": cost, **one}
        )
    whole = max((sum(one["cost"].values()) for one in found), default=0) or 1
    for one in found:
        one["bar"] = {verdict: 100 * cost / whole for verdict, cost in one["cost"].items()}
        one["of"] = "In minutes" if timed else "In frames"
    return sorted(
        found, key=lambda one: (-one["cost"]["reject"], -sum(one["cost"].values()), one["cause"])
    )


def advice(told: Iterable[Advice]) -> list[Plain]:
    """The summary's remedies in its own order: the one that saves most first."""
    return [
        {
            "cause": one.cause,
            "label": cause_of(one.cause).label,
            "remedy": one.mend,
            "has_remedy": bool(
                cause_of(one.cause).remedy and (one.saves_frames or one.together_frames)
            ),
            "caution": one.caution,
            "saves_frames": one.saves_frames,
            "saves_seconds": 60 * one.saves_minutes,
            "together_with": cause_of(one.together_with).label if one.together_with else "",
            "together_frames": one.together_frames,
        }
        for one in told
        if one.mend
    ]


def spells(rows: list[Plain]) -> list[Plain]:
    """Rows of frames lost to one cause: what it was, when it set in and when it was over.

    `start` and `end` are on the page's time axis: from the first frame's start to the last
    one's end, or half a frame to either side where the axis only counts.
    """
    found: list[Plain] = []
    last = None
    for row in sorted((r for r in rows if r["time"] is not None), key=lambda r: r["time"]):
        lost = row["verdict"] != "keep" and row["cause"] not in ("", "none")
        if lost and last and last["cause"] == row["cause"] and last["run"] == row["run"]:
            found[-1]["end"] = _end(row)
            found[-1]["frames"] += 1
        elif lost:
            label = cause_of(row["cause"]).on_time_axis
            spell = {"cause": row["cause"], "label": label, "run": row["run"], "frames": 1}
            found.append(spell | {"start": row["time"], "end": _end(row)})
        last = row if lost else None
    return found


def run_card(run: str, place: int, rows: list[Plain], summary: SessionSummary) -> Plain:
    """The card of one run."""
    mine = [row for row in rows if row["run"] == run]
    kept = [row for row in mine if row["verdict"] == "keep"]
    told = told_of(run, summary)
    sharpest = min(
        (row for row in kept or mine if row["fwhm_px"] is not None),
        key=lambda row: row["fwhm_px"],
        default=None,
    )
    lens = mine[0]["lens"]
    first = next((row for row in mine if row["exposure_s"] is not None), mine[0])
    settings = {name: first[name] for name in ("focal_mm", "aperture", "iso", "exposure_s")}
    optics = lens or (
        f"{setting(settings['focal_mm'])} mm" if settings["focal_mm"] else "Unnamed lens"
    )
    exposure = settings["exposure_s"]
    return {
        "id": f"run-{place}",
        "run": run,
        "number": place,
        "title": f"{optics}, {setting(exposure)}\u00a0s" if exposure else optics,
        "lens": lens,
        **settings,
        **count(mine),
        "rate": len(kept) / len(mine),
        "rate_low": number(told.hit_rate_low),
        "rate_high": number(told.hit_rate_high),
        "losses": losses(mine),
        "sharpest": sharpest,
        "scale_arcsec_px": middle(row["scale_arcsec_px"] for row in mine),
        "kept_trail_px": middle(row["trail_px"] for row in kept),
        "kept_fwhm_px": middle(row["fwhm_px"] for row in kept),
        "solved": sum(row["solved"] for row in mine),
        "altitudes": span(row["altitude_deg"] for row in mine),
        "picture": next((row["picture"] for row in mine if row["picture"][0]), (0, 0)),
        "directed": sum(row["trail_pa_deg"] is not None for row in mine),
        "closure": number(told.closure_slope),
        "closure_sigma": number(told.closure_slope_sigma),
        "axes": _axes(told.trail_axes),
        "shaken": _shaken(mine),
        "stack": told.stack,
        "stack_with_doubtful": told.stack_with_doubtful,
        "constellation": told.constellation,
        "place": sky_place(told.target_ra_deg, told.target_dec_deg),
        "first": min((row["clock"] for row in mine if row["clock"]), default=""),
        "last": max((row["clock"] for row in mine if row["clock"]), default=""),
    }


def aside(others: Iterable[FrameRow]) -> list[Plain]:
    """What was not judged, by kind, each file with its reason."""
    by_kind: dict[str, list[Plain]] = {}
    for row in others:
        shown = {"file": visible(row.file), "reason": visible(words(row.reason))}
        by_kind.setdefault(row.kind, []).append(shown)
    groups = []
    for kind in [*ASIDE, *sorted(by_kind.keys() - ASIDE.keys())]:
        files = by_kind.get(kind)
        if files:
            groups.append({"kind": kind, "heading": ASIDE.get(kind, kind), "files": files})
    return groups


def in_order(runs: Iterable[object], summary: SessionSummary) -> list[str]:
    """Run names as the summary orders them, then any it does not name."""
    met = [str(run) for run in runs]
    told = [run.run for run in summary.runs]
    return [run for run in dict.fromkeys([*told, *met]) if run in set(met)]


def told_of(run: str, summary: SessionSummary) -> RunSummary:
    """The run's own entry in the summary; one with nothing known if there is none."""
    return next((told for told in summary.runs if told.run == run), RunSummary(run))


def evening(rows: list[Plain]) -> str:
    """First and last start by the camera's clock, in words; empty if no frame has a time."""
    stamps = sorted(s for s in (row["clock"] or row["utc"] for row in rows) if STAMP.match(s))
    if not stamps:
        return ""
    first, last = stamps[0], stamps[-1]
    return f"{first[:16]} to {last[11:16] if last[:10] == first[:10] else last[:16]}"


def clock_ahead_s(rows: list[Plain]) -> int | None:
    """How far the camera's clock is ahead of UTC; None if that is unknown or changes."""
    ahead = set()
    for row in rows:
        clock, utc = milliseconds(row["clock"]), milliseconds(row["utc"])
        if clock is not None and utc is not None:
            ahead.add(round((clock - utc) / 1000))
    return min(ahead) if ahead and max(ahead) - min(ahead) <= 2 else None


def clock_note(rows: list[Plain]) -> str:
    """How the camera's clock relates to UTC, in words; empty if that is unknown or changes."""
    seconds = clock_ahead_s(rows)
    if seconds is None:
        return ""
    minutes, rest = divmod(abs(seconds), 60)
    parts = [(minutes // 60, "h"), (minutes % 60, "min"), (rest, "s")]
    spoken = " ".join(f"{value} {unit}" for value, unit in parts if value) or "0 s"
    if seconds == 0:
        return "which showed UTC"
    return f"{spoken} {'ahead of' if seconds > 0 else 'behind'} UTC"


def _axes(told: TrailAxes) -> Plain | None:
    """Whether the run's trails share an axis; None if that is not known."""
    found = {key: number(value) for key, value in asdict(told).items()}
    return found if found["p"] is not None else None


def _shaken(rows: list[Plain]) -> bool:
    """Whether most frames that trailed were shaken: their direction is the rig's, not the sky's."""
    trailed = [row["cause"] for row in rows if row["verdict"] != "keep" and row["trail_px"]]
    return 2 * sum(cause in ("wind", "knock") for cause in trailed) > len(trailed)


def _end(row: Plain) -> int:
    """End of a frame's exposure on the time axis; whole, as milliseconds since 1970 have more
    digits than a chart's number keeps."""
    by_clock = row["time"] > 1e6
    return int(row["time"]) + (round(1000 * (row["exposure_s"] or 0)) if by_clock else 0)


def _seconds(rows: Iterable[Plain]) -> float:
    """Exposure time; frames of unknown exposure add nothing (`untimed` counts them)."""
    return math.fsum(row["exposure_s"] or 0.0 for row in rows)
