"""What a frame lacks of lens, body and settings, taken from its neighbours where only one fits.

A frame between two that agree has what they have. At either end of a night, or beside a change of
lens, one neighbour alone says little, since a lens without electronics tells nothing in any of
its frames: there the stars have to show its scale (`Shot.doubtful_lens`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from skyplumb.digits import counted, named
from skyplumb.night.shot import Shot
from skyplumb.records import ShotInfo

FIELDS = {
    "serial": ("serial number", "{}"),
    "focal_mm": ("focal length", "{:g} mm"),
    "lens": ("lens name", "{}"),
    "fnumber": ("aperture", "f/{:g}"),
    "pixel_um": ("pixel pitch", "{:.3g} µm"),
    "orientation": ("orientation", "{}"),
    "iso": ("ISO", "{:g}"),
}
"""What may be taken from neighbours, how a person calls it and how it is written."""

SCALE_FIELDS = ("lens", "focal_mm")
"""What only one lens has: held against the scale of the stars."""
LONGEST_GAP = 3
"""So many frames in a row may lack a lens and have it from both sides; more of them had another
lens, which tells nothing."""


@dataclass(frozen=True, slots=True)
class _Source:
    """What a neighbour says of one field."""

    value: Any
    shot: Shot


def complete_lenses(shots: Sequence[Shot]) -> tuple[list[Shot], list[str]]:
    """Fill what frames lack from their neighbours, and say so.

    Parameters
    ----------
    shots : sequence of Shot
        Light frames of one session in order of time.

    Returns
    -------
    list of Shot
        In the same order.
    list of str
        A line for each quantity that was taken over.
    """
    out = list(shots)
    notices = []
    for name, (words, form) in FIELDS.items():
        lacking = [n for n, shot in enumerate(shots) if _unknown(getattr(shot.info, name))]
        if not lacking or len(lacking) == len(shots):
            continue
        taken: dict[str, list[str]] = {}
        for n in lacking:
            found = _from_neighbours(out, shots, n, name)
            if found is None:
                continue
            value, sure = found
            shot = out[n]
            info = replace(shot.info, **{name: value})
            out[n] = replace(
                shot,
                notes=replace(shot.notes, info=info),
                taken_over=(*shot.taken_over, name),
                doubtful_lens=shot.doubtful_lens or (name in SCALE_FIELDS and not sure),
            )
            taken.setdefault(form.format(value), []).append(shot.file)
        for value, files in taken.items():
            notices.append(
                f"{counted(len(files), 'frame')} without {words} ({named(files)}): {value}, as "
                "in the frames around them."
            )
    return out, notices


def without_assumptions(shot: Shot) -> Shot:
    """The same with the lens that its file tells, since the stars contradict its neighbours'."""
    told = {name: getattr(shot.told, name) for name in shot.taken_over}
    info = replace(shot.info, **told)
    return replace(shot, notes=replace(shot.notes, info=info), taken_over=(), doubtful_lens=False)


def _from_neighbours(
    now: Sequence[Shot], told: Sequence[Shot], n: int, name: str
) -> tuple[Any, bool] | None:
    """The value of the nearest frames that tell it, and whether both sides do; None if unlike."""
    gap, before = _nearest(told, n, name, -1)
    after_gap, after = _nearest(told, n, name, +1)
    sides = [side for side in (before, after) if side is not None]
    if not sides:
        return None
    values = {side.value for side in sides}
    fitting = [side for side in sides if _fits(now[n].info, side.shot.info, name)]
    if len(values) == 1 and fitting:
        sure = len(sides) == 2 and gap + after_gap - 1 <= LONGEST_GAP
        return sides[0].value, sure or name not in SCALE_FIELDS
    # Beside a change of lens the one whose other settings are the frame's own.
    if len(fitting) == 1 and any(
        _same(getattr(now[n].info, other), getattr(fitting[0].shot.info, other))
        and not _same(getattr(now[n].info, other), getattr(side.shot.info, other))
        for other in ("lens", "focal_mm", "fnumber")
        for side in sides
        if side is not fitting[0]
    ):
        return fitting[0].value, False
    return None


def _nearest(shots: Sequence[Shot], n: int, name: str, step: int) -> tuple[int, _Source | None]:
    """How far away the nearest frame of this picture size that tells a field is, and what."""
    size = (shots[n].measure.width_px, shots[n].measure.height_px)
    away = 0
    m = n + step
    while 0 <= m < len(shots):
        other = shots[m]
        if (other.measure.width_px, other.measure.height_px) == size:
            away += 1
            value = getattr(other.info, name)
            if not _unknown(value):
                return away, _Source(value, other)
        m += step
    return away, None


def _fits(info: ShotInfo, other: ShotInfo, name: str) -> bool:
    """Whether nothing that both frames tell of lens and body speaks against one lens."""
    asked = ("camera", "serial", "lens", "focal_mm", "pixel_um")
    if name == "fnumber" and _unknown(info.focal_mm) and not _unknown(other.focal_mm):
        return False  # a lens that tells nothing tells no aperture either
    return all(
        _unknown(getattr(info, one))
        or _unknown(getattr(other, one))
        or _same(getattr(info, one), getattr(other, one))
        for one in asked
    )


def _same(a: Any, b: Any) -> bool:
    """Alike, both known; numbers to a per cent."""
    if _unknown(a) or _unknown(b):
        return False
    if isinstance(a, str):
        return bool(a == b)
    return math.isclose(a, b, rel_tol=0.01)


def _unknown(value: Any) -> bool:
    """Empty, NaN, or the 0 of an orientation that is not told."""
    return value in ("", 0) or value != value
