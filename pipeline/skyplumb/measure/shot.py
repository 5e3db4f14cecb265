"""One shot by itself: bytes -> metadata, plate, star table, and what kind of shot it is."""

from __future__ import annotations

import hashlib
from pathlib import Path, PurePosixPath

import numpy as np

from skyplumb.errors import UnreadableError
from skyplumb.intake import gzipped
from skyplumb.intake.card import read_file
from skyplumb.intake.fits_file import MAGIC, open_picture
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.intake.metadata import read_info
from skyplumb.measure.decode import decode
from skyplumb.measure.kind import kind_of
from skyplumb.measure.stars import measure_stars
from skyplumb.records import STACK, Measure, Plate, ShotInfo


def measure_shot(card: Path, file: PurePosixPath, memory_bytes: int = MEMORY_BYTES) -> Measure:
    """Measure one file; a file that cannot be read is a result, not an error."""
    try:
        data = read_file(card, file, memory_bytes)
    except UnreadableError as error:
        return Measure(file.as_posix(), "unreadable", str(error))
    return measure_data(data, file.as_posix(), memory_bytes)


def measure_data(data: bytes, name: str, memory_bytes: int = MEMORY_BYTES) -> Measure:
    """Measure one file by its content."""
    info = ShotInfo()
    try:
        if data.startswith(gzipped.MAGIC):
            data = gzipped.unpacked(data, name, memory_bytes)
        picture = open_picture(data, name) if data.startswith(MAGIC) else None
        info = read_info(data, name, memory_bytes, picture)
        plate = decode(data, name, info.mosaic_claim, memory_bytes, picture)
    except UnreadableError as error:
        return Measure(name, "unreadable", str(error), info)
    del data, picture
    height, width = plate.samples.shape
    alike = samples_digest(plate)
    if info.image_type in ("flat", "bias"):
        note = f"{info.image_type} frame by its header"
        return Measure(name, info.image_type, note, info, width, height, samples_digest=alike)
    if info.image_type == STACK:
        note = "a stack of light frames by its header, no single exposure"
        return Measure(name, "other", note, info, width, height, samples_digest=alike)
    # What shines in a dark is no star: its places are wanted.
    seen = measure_stars(plate)
    if info.image_type == "dark":
        kind, note = "dark", "dark frame by its header"
    elif info.image_type == "light":
        kind, note = "light", ""
    else:
        kind, note = kind_of(seen, plate, info)
    return Measure(
        file=name,
        kind=kind,
        note=note,
        info=info,
        width_px=width,
        height_px=height,
        samples_digest=alike,
        stars=seen.stars,
        stars_found=seen.stars_found,
        sky_level=seen.sky_level,
        noise=seen.noise,
        trails=seen.trails,
        hot_pixels=seen.hot_pixels,
        hot_xy=seen.hot_xy,
        crops=seen.crops,
        crop_xy=seen.crop_xy,
        mean_star=seen.mean_star,
        thumbnail=seen.thumbnail,
        arcs=seen.arcs.number,
        arc_x_px=seen.arcs.x_px,
        arc_y_px=seen.arcs.y_px,
        arc_deg=seen.arcs.angle_deg,
        arc_sigma_deg=seen.arcs.angle_sigma_deg,
        arc_length_px=seen.arcs.length_px,
    )


def samples_digest(plate: Plate) -> str:
    """What tells that two files hold the same samples, whatever their form; empty if all are equal.

    Every eighth row is asked: noise makes no two exposures alike, and all rows would cost a
    twentieth of a frame's measure.
    """
    rows = plate.samples[::8]
    if rows.min() == rows.max():
        return ""
    digest = hashlib.blake2b(repr(plate.samples.shape).encode(), digest_size=16)
    digest.update(np.ascontiguousarray(rows, dtype="<f4").data)
    return digest.hexdigest()
