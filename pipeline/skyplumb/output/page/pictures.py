"""What a frame looks like on the page, encoded once: a changed rule draws no picture again.

Strips of stars, the whole picture and the whiskers of its stars follow from measures and
calibration alone; `to_bytes` and `from_bytes` keep them in the store.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.angles import position_axis_deg
from skyplumb.keys import Making
from skyplumb.measure.rows import inflated
from skyplumb.orientation import places_seen
from skyplumb.output.page.strips import GreyScale, chosen_crops, stretch_of, strip_of, whole_picture
from skyplumb.records import FieldShapes, Measure

MOST_OF_PACKED = 20
"""Times its packed size that what is kept may take: JPEG in base64 takes 1.3, the rest of it 5."""
_LEAST_BYTES = 1_000_000
BESIDE_FROM = 1000
"""From so many frames the crops lie in a folder beside the page."""
MOST_WHISKERS = 60_000
"""Stars with a whisker on one page: 150 a frame up to 400 frames, 20 a frame for 3,000."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One frame; pictures are JPEG in base64, empty where there is none."""

    strip: str = ""
    strip_width_px: int = 0
    strip_height_px: int = 0
    strip_stars: int = 0
    thumbnail: str = ""
    crop_places: str = ""
    """Width and height of the viewed picture, then the places of the strip's stars in it, px:
    "6000,4000 x,y x,y"."""
    whiskers: str = ""
    width_px: int = 0
    height_px: int = 0
    """Of the frame itself."""


NOTHING = Picture()


def pictures_of(
    runs: Mapping[str, Sequence[str]],
    measures: Mapping[str, Measure],
    fields: Mapping[str, FieldShapes],
    orientations: Mapping[str, int] | None = None,
) -> dict[str, Picture]:
    """Every judged frame's picture.

    Parameters
    ----------
    runs : mapping
        Files of each run, which share one grey stretch.
    measures : mapping
        Of each file that has one, with crops and thumbnail.
    fields : mapping
        Star shapes of each file.
    orientations : mapping, optional
        How each file is turned for viewing; what it says itself where not given.
    """
    count = sum(len(files) for files in runs.values())
    most = min(150, MOST_WHISKERS // max(count, 1))
    found = {}
    for files in runs.values():
        stretch = stretch_of(measures[file] for file in files if file in measures)
        for file in files:
            measure = measures.get(file)
            found[file] = NOTHING if measure is None else _picture(
                measure, stretch, fields.get(file), most, count >= BESIDE_FROM,
                (orientations or {}).get(file, measure.info.orientation),
            )  # fmt: skip
    return found


def to_bytes(pictures: Mapping[str, Picture]) -> bytes:
    """As the store keeps them."""
    told = {file: list(asdict(one).values()) for file, one in pictures.items()}
    return zlib.compress(json.dumps(told).encode("ascii"), 1)


def from_bytes(content: bytes) -> dict[str, Picture] | None:
    """What `to_bytes` kept; None if it holds anything else."""
    try:
        told = json.loads(inflated(content, max(_LEAST_BYTES, MOST_OF_PACKED * len(content))))
        found = {file: Picture(*values) for file, values in told.items()}
    except (ValueError, TypeError, AttributeError, RecursionError):
        return None
    kinds = [type(value) for value in asdict(NOTHING).values()]
    like = (list(map(type, asdict(one).values())) == kinds for one in found.values())
    return found if all(like) else None


def drawn_by() -> str:
    """Digest of the code that draws them, and of its libraries."""
    return Making(("numpy", "pillow"), (__name__,)).digest


def _picture(
    measure: Measure,
    stretch: GreyScale,
    shapes: FieldShapes | None,
    most_whiskers: int,
    beside: bool,
    orientation: int,
) -> Picture:
    size = (measure.width_px, measure.height_px)
    strip = strip_of(measure, stretch)
    thumbnail = crop_places = ""
    if not beside:  # a page with its strips beside it has no small pictures
        thumbnail = base64.b64encode(whole_picture(measure, orientation)).decode("ascii")
        places = measure.crop_xy[chosen_crops(len(measure.crop_xy))]
        seen, viewed = places_seen(places, size, orientation)
        crop_places = " ".join(f"{x:.0f},{y:.0f}" for x, y in [viewed, *seen])
    return Picture(
        base64.b64encode(strip.jpeg).decode("ascii") if strip else "",
        strip.width_px if strip else 0,
        strip.height_px if strip else 0,
        strip.stars if strip else 0,
        thumbnail,
        crop_places,
        whiskers(shapes, size, most_whiskers) if shapes is not None and size[0] else "",
        *size,
    )


def whiskers(shapes: FieldShapes, picture: tuple[int, int], most: int) -> str:
    """Six bytes a star, base64: x, y, then ellipticity and which way, twice.

    x and y are in 255ths of the picture; ellipticity is 1 - b/a in 255ths, the angle
    from +x towards +y in 255ths of 180 degrees; first as measured, then without the lens.
    """
    size = np.array(picture, float)
    place = shapes.place[:most] * np.hypot(*size) / 2 / size + 0.5
    parts = [place]
    for moments in (shapes.moments[:most], shapes.moments_without_lens[:most]):
        stretch = np.hypot(moments[:, 1], moments[:, 2])
        # Noise can leave a narrow star more stretch than width: a line, ellipticity 1.
        width = np.maximum(moments[:, 0], stretch)
        round_ = np.sqrt((width - stretch) / np.maximum(width + stretch, 1e-9))
        turn = position_axis_deg(np.degrees(np.arctan2(moments[:, 2], moments[:, 1])) / 2)
        parts.append(np.stack([1 - round_, turn / 180], 1))
    packed: NDArray[np.uint8] = np.round(255 * np.clip(np.concatenate(parts, 1), 0, 1)).astype(
        np.uint8
    )
    return base64.b64encode(packed.tobytes()).decode("ascii")
