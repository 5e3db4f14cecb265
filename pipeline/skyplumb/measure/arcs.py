"""Star trails: long arcs about one centre, as a camera draws them that stands still.

A long trail is no star with a width: it breaks into pieces, crosses its neighbours and leaves the
picture. Each piece still tells its direction, and on every arc that is square to the line to the
centre (the celestial pole in the picture); its length over that radius is its angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skyplumb.measure.detect import Detections
from skyplumb.records import NAN
from skyplumb.robust import mad_sigma, robust_sigma
from skyplumb.rowwise import solved

Floats = NDArray[np.float64]

FEWEST_ARCS = 8
LONG_TO_WIDE = 4.0
LEAST_LENGTH_PX = 15.0
"""Shorter trails are measured as stars."""
ARC_SHARE = 0.5
"""Of the brightest detections, so many are long where the sky itself is trailed."""
BRIGHTEST = 300
MOST_SCATTER_DEG = 6.0
"""Scatter of the pieces about the direction that a common centre gives them."""
TURNED_SIGMAS = 5.0
"""Directions must turn over the picture by so many times their scatter to have a centre."""


@dataclass(frozen=True, slots=True)
class Arcs:
    """Star trails of one picture; NaN what cannot be told."""

    number: int = 0
    """How many arcs, pieces put together; 0 where the picture is not trailed so."""
    x_px: float = NAN
    """Centre in the picture, which it may lie far outside of; NaN for straight trails."""
    y_px: float = NAN
    angle_deg: float = NAN
    """Angle of the arcs about the centre."""
    angle_sigma_deg: float = NAN
    length_px: float = NAN
    """Median length of whole arcs."""


def find_arcs(detections: Detections) -> Arcs:
    """Arcs among the detections of a picture, if it is trailed all over."""
    found, scale = detections.found, float(detections.scale)
    long = (found["a"] > LONG_TO_WIDE * found["b"]) & (
        found["a"] * scale * np.sqrt(12) > LEAST_LENGTH_PX
    )
    brightest = np.argsort(-found["flux"], kind="stable")[:BRIGHTEST]
    if np.count_nonzero(long) < FEWEST_ARCS or long[brightest].mean() < ARC_SHARE:
        return Arcs()
    pieces = found[long]
    place = scale * np.stack([pieces["x"], pieces["y"]], 1) + (scale - 1) / 2
    along = np.stack([np.cos(pieces["theta"]), np.sin(pieces["theta"])], 1).astype(np.float64)
    spread = scale * np.sqrt(np.maximum(pieces["a"] ** 2 - pieces["b"] ** 2, 0)).astype(np.float64)
    weight = np.sqrt(pieces["npix"].astype(np.float64))
    centre, off_deg = _common_centre(place, along, weight)
    scatter = robust_sigma(off_deg)
    if scatter > MOST_SCATTER_DEG:
        return Arcs()
    whole = np.argsort(-pieces["cpeak"], kind="stable")[: max(FEWEST_ARCS, len(pieces) // 3)]
    if _turn_deg(along) < TURNED_SIGMAS * max(scatter, 0.1):
        length = float(np.median(spread[whole]) * np.sqrt(12))
        return Arcs(max(FEWEST_ARCS, round(float(np.sum(spread)) * np.sqrt(12) / length)),
                    length_px=length)  # fmt: skip
    fits = np.abs(off_deg) < max(3 * scatter, 1.0)
    radius = np.hypot(*(place - centre).T)
    angle = _arc_angle(spread / np.maximum(radius, 1.0))
    # A piece is an arc cut short; the brighter the star, the less it is cut.
    bright = whole[fits[whole]]
    first = float(np.median(angle[bright]))
    core = bright[np.abs(angle[bright] / first - 1) < 0.3]
    typical = float(np.median(angle[core]))
    error = mad_sigma(angle[core]) / np.sqrt(len(core))
    return Arcs(
        number=max(1, round(float(angle[fits].sum()) / typical)),
        x_px=float(centre[0]),
        y_px=float(centre[1]),
        angle_deg=float(np.degrees(typical)),
        angle_sigma_deg=float(np.degrees(np.hypot(error, 0.01 * typical))),
        length_px=float(np.median(typical * radius[core])),
    )


def _common_centre(place: Floats, along: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Point that all pieces are square to, (2,), and how far each is from that, degrees."""
    middle = place.mean(axis=0)
    size = float(np.ptp(place, axis=0).max()) + 1.0
    off = (place - middle) / size
    offset = np.sum(along * off, axis=1)
    pull = weight / weight.mean()
    centre = np.zeros(2)
    angle = np.zeros(len(place))
    for _ in range(12):
        weighed = along * pull[:, None] ** 2
        normal = np.einsum("ni,nj->ij", weighed, along)
        # Straight trails have their centre anywhere far off.
        normal += 1e-12 * np.trace(normal) * np.eye(2)
        centre = solved(normal[None], np.einsum("ni,n->i", weighed, offset)[None])[0]
        arm = off - centre
        distance = np.maximum(np.hypot(arm[:, 0], arm[:, 1]), 1e-3)
        angle = np.arcsin(np.clip(np.sum(along * arm, axis=1) / distance, -1, 1))
        width = max(robust_sigma(angle), 1e-4)
        # A direction is known to an angle, whatever the arm's length; strays count for little.
        pull = weight / distance / (1 + (angle / (2 * width)) ** 2)
        pull /= pull.mean()
    return middle + size * centre, np.degrees(angle)


def _turn_deg(along: Floats) -> float:
    """How far directions turn over the picture, degrees: spread of axes about their mean."""
    doubled = 2 * np.arctan2(along[:, 1], along[:, 0])
    mean = np.angle(np.mean(np.exp(1j * doubled)))
    off = np.angle(np.exp(1j * (doubled - mean))) / 2
    return float(np.degrees(np.percentile(off, 90) - np.percentile(off, 10)))


def _arc_angle(spread: Floats) -> Floats:
    """Angle of an arc from its moment along itself: s^2 = (1 - sin t / t) / 2 for radius 1."""
    angle = np.linspace(1e-4, 4.0, 2000)
    return np.asarray(np.interp(spread, np.sqrt((1 - np.sin(angle) / angle) / 2), angle))
