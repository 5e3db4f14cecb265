"""The rows of a session -> what the page knows of each judged frame."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from typing import Any

from skyplumb.columns import FrameRow
from skyplumb.output.page.figures import milliseconds, number, stamp, words
from skyplumb.output.page.pictures import Picture
from skyplumb.output.page.words import HEAD_FIGURES, MORE_FIGURES
from skyplumb.plain import visible

Plain = dict[str, Any]

STRIP_FOLDER = "stars"
_JPEG = "data:image/jpeg;base64,"

FIGURES = tuple(
    dict.fromkeys(
        (
            *(one.key for one in (*HEAD_FIGURES, *MORE_FIGURES)),
            *("trail_sigma_px", "zenith_pa_deg", "focal_mm", "aperture", "iso", "setup"),
            *("weight", "fwhm_of_best", "trail_of_fwhm"),
        )
    )
)
"""Numbers of a row."""

TRIED_RULES = {"trail_px", "trail_of_fwhm", "trail_worst_px", "fwhm_of_best", "ellipticity"}
"""Rules that the page applies again under the limits that a reader tries out; `other_rules` are
the others that a frame does not meet."""

_SCRIPT_TEXTS = (
    *("id", "file", "verdict", "cause", "reason", "clock", "utc", "time"),
    *("decided_by", "rules_verdict", "note", "whiskers", "rules_broken", "other_rules"),
    *("thumbnail", "crop_places"),
)
_NOT_FOR_SCRIPT = ("focal_mm", "aperture", "iso", "setup")


def frame_row(shot: FrameRow, look: Picture, beside: bool) -> tuple[Plain, bytes]:
    """One frame of the page, and its strip where that is a file of its own (empty else)."""
    file = shot.file
    # From the name, so that a link still points to the frame after judging again.
    name = hashlib.blake2b(file.encode("utf-8", "replace"), digest_size=6).hexdigest()
    uri = f"{STRIP_FOLDER}/{name}.jpg" if beside else f"{_JPEG}{look.strip}"
    row: Plain = {
        "id": f"frame-{name}",
        "file": file,
        "name": visible(file.rpartition("/")[2]),
        "run": shot.run,
        "lens": visible(words(shot.lens)),
        "verdict": shot.verdict,
        "cause": words(shot.cause),
        "reason": visible(words(shot.reason)),
        "decided_by": words(shot.decided_by) or "rules",
        "rules_verdict": words(shot.rules_verdict) or shot.verdict,
        "note": words(shot.note),
        "rules_broken": words(shot.rules_broken),
        "other_rules": " ".join(
            rule for rule in words(shot.rules_broken).split() if rule not in TRIED_RULES
        ),
        "clock": stamp(shot.taken_camera),
        "utc": stamp(shot.taken_utc),
        "solved": shot.solved is True,
        **{key: number(getattr(shot, key)) for key in FIGURES},
        "strip": {
            "uri": uri if look.strip else "",
            "width": look.strip_width_px,
            "height": look.strip_height_px,
            "stars": look.strip_stars,
        },
        "picture": (look.width_px, look.height_px),
        "thumbnail": f"{_JPEG}{look.thumbnail}" if look.thumbnail else "",
        "crop_places": look.crop_places,
        "whiskers": look.whiskers,
    }
    return row, base64.b64decode(look.strip) if beside else b""


def set_times(rows: list[Plain]) -> str:
    """Give every row its place on the time axis; answer the axis: clock, utc or order."""
    axis = next((key for key in ("clock", "utc") if any(row[key] for row in rows)), "order")
    for count, row in enumerate(rows, 1):
        row["time"] = count if axis == "order" else milliseconds(row[axis])
    return axis


def for_script(rows: Iterable[Plain], runs: Iterable[str]) -> Plain:
    """The rows as columns' names and lists, which is a third of the bytes."""
    places = {run: n for n, run in enumerate(runs)}
    figures = [key for key in FIGURES if key not in _NOT_FOR_SCRIPT]
    names = [*_SCRIPT_TEXTS, *figures, "run", "strip", "strip_width", "strip_height", "crops"]
    table = []
    for row in rows:
        strip = row["strip"]
        table.append(
            [
                *(row[key] for key in _SCRIPT_TEXTS),
                *(row[key] for key in figures),
                places[row["run"]],
                *(strip["uri"], strip["width"], strip["height"], strip["stars"]),
            ]
        )
    return {"names": names, "rows": table}
