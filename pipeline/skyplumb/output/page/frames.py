"""The rows of a session -> what the page knows of each judged frame."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import position_axis_deg
from skyplumb.output.page.figures import milliseconds, number, stamp, words
from skyplumb.output.page.strips import Stretch, chosen_crops, strip_of, whole_picture
from skyplumb.output.page.words import HEAD_FIGURES, MORE_FIGURES
from skyplumb.plain import visible
from skyplumb.records import FieldShapes, Measure

Plain = dict[str, Any]

BESIDE_FROM = 1000
"""From so many frames the crops lie in a folder beside the page."""
STRIP_FOLDER = "stars"
MOST_WHISKERS = 60_000
"""Stars with a whisker on one page: 150 a frame up to 400 frames, 20 a frame for 3,000."""

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

TRIED_RULES = {"trail_px", "trail_of_fwhm", "trail_worst_px", "fwhm_of_best"}
"""Rules whose limits a reader can try out in the page; `other_rules` says that all others hold."""

_SCRIPT_TEXTS = (
    *("id", "file", "verdict", "cause", "reason", "clock", "utc", "time"),
    *("decided_by", "rules_verdict", "note", "whiskers", "other_rules"),
    *("thumbnail", "crop_places"),
)
_NOT_FOR_SCRIPT = ("focal_mm", "aperture", "iso", "setup")


@dataclass(frozen=True, slots=True)
class Look:
    """What a frame looks like."""

    measure: Measure | None
    stretch: Stretch
    shapes: FieldShapes | None
    most_whiskers: int
    beside: bool
    """Whether its strip is a file beside the page, which then has no small pictures."""


def frame_row(record: Mapping[Any, Any], look: Look) -> tuple[Plain, bytes]:
    """One frame of the page, and its strip where that is a file of its own (empty else)."""
    file = str(record["file"])
    # From the name, so that a link still points to the frame after judging again.
    name = hashlib.blake2b(file.encode("utf-8", "replace"), digest_size=6).hexdigest()
    strip = strip_of(look.measure, look.stretch) if look.measure else None
    uri = thumbnail = crop_places = ""
    if look.measure is not None and not look.beside:
        small = base64.b64encode(whole_picture(look.measure)).decode("ascii")
        thumbnail = f"data:image/webp;base64,{small}" if small else ""
        places = look.measure.crop_xy[chosen_crops(len(look.measure.crop_xy))].round()
        crop_places = " ".join(f"{x:.0f},{y:.0f}" for x, y in places)
    if strip is not None:
        packed = base64.b64encode(strip.webp).decode("ascii")
        uri = f"{STRIP_FOLDER}/{name}.webp" if look.beside else f"data:image/webp;base64,{packed}"
    verdict = str(record["verdict"])
    picture = (look.measure.width_px, look.measure.height_px) if look.measure else (0, 0)
    row: Plain = {
        "id": f"frame-{name}",
        "file": file,
        "name": visible(file.rpartition("/")[2]),
        "run": str(record["run"]),
        "lens": visible(words(record["lens"])),
        "verdict": verdict,
        "cause": words(record["cause"]),
        "reason": visible(words(record["reason"])),
        "decided_by": words(record.get("decided_by")) or "rules",
        "rules_verdict": words(record.get("rules_verdict")) or verdict,
        "note": words(record.get("note")),
        "other_rules": not set(words(record.get("rules_broken")).split()) - TRIED_RULES,
        "clock": stamp(record["taken_camera"]),
        "utc": stamp(record["taken_utc"]),
        "solved": record["solved"] is True,
        **{key: number(record.get(key)) for key in FIGURES},
        "strip": {
            "uri": uri,
            "width": strip.width_px if strip else 0,
            "height": strip.height_px if strip else 0,
            "stars": strip.stars if strip else 0,
        },
        "picture": picture,
        "thumbnail": thumbnail,
        "crop_places": crop_places,
        "whiskers": "",
    }
    if look.shapes is not None and picture[0]:
        row["whiskers"] = whiskers(look.shapes, picture, look.most_whiskers)
    return row, strip.webp if strip and look.beside else b""


def set_times(rows: list[Plain]) -> str:
    """Give every row its place on the time axis; answer the axis: clock, utc or order."""
    axis = next((key for key in ("clock", "utc") if any(row[key] for row in rows)), "order")
    for count, row in enumerate(rows, 1):
        row["time"] = count if axis == "order" else milliseconds(row[axis])
    return axis


def whiskers(shapes: FieldShapes, picture: tuple[int, int], most: int) -> str:
    """Six bytes a star, base64: x, y, then how far out of round and which way, twice.

    x and y are in 255ths of the picture; "out of round" is 1 - b/a in 255ths, the angle
    from +x towards +y in 255ths of 180 degrees; first as measured, then without the lens.
    """
    size = np.array(picture, float)
    place = shapes.place[:most] * np.hypot(*size) / 2 / size + 0.5
    parts = [place]
    for moments in (shapes.moments[:most], shapes.moments_without_lens[:most]):
        stretch = np.hypot(moments[:, 1], moments[:, 2])
        # Noise can leave a narrow star more stretch than width: a line, 1 out of round.
        width = np.maximum(moments[:, 0], stretch)
        round_ = np.sqrt((width - stretch) / np.maximum(width + stretch, 1e-9))
        turn = position_axis_deg(np.degrees(np.arctan2(moments[:, 2], moments[:, 1])) / 2)
        parts.append(np.stack([1 - round_, turn / 180], 1))
    packed: NDArray[np.uint8] = np.round(255 * np.clip(np.concatenate(parts, 1), 0, 1)).astype(
        np.uint8
    )
    return base64.b64encode(packed.tobytes()).decode("ascii")


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
                *(_short(row[key]) for key in figures),
                places[row["run"]],
                *(strip["uri"], strip["width"], strip["height"], strip["stars"]),
            ]
        )
    return {"names": names, "rows": table}


def _short(value: float | None) -> float | int | None:
    """Enough digits for any figure of the page."""
    if value is None:
        return None
    return int(value) if value.is_integer() else float(f"{value:.8g}")
