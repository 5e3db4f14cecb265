"""One site for each placement of the tripod: the median of the positions that agree.

A receiver strays by metres, and now and then by a continent. Frames without a position were
taken where their neighbours were.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skyplumb.digits import counted, named

EARTH_RADIUS_KM = 6371.0
"""Mean radius (IUGG)."""
SAME_SITE_KM = 5.0
"""Positions nearer than this are one site: that far along a parallel turns the sky by under three
arcminutes (1 degree of the Earth is 111 km), and no receiver that has a fix is so far off."""
FEWEST_MOVED = 4
"""So many frames elsewhere, all before or after the others, were taken from another place."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where one frame says it was taken."""

    file: str
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    """East positive."""
    height_m: float = math.nan
    by_notes: bool = False
    """Whether the night notes say so; they outrank all receivers."""
    stale: bool = False
    """Whether the receiver's stamp is that of a frame long before: an old fix."""

    @property
    def known(self) -> bool:
        return not math.isnan(self.latitude_deg + self.longitude_deg)


@dataclass(frozen=True, slots=True)
class Place:
    """A site and the frames that were taken there."""

    files: tuple[str, ...]
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    height_m: float = math.nan


@dataclass(frozen=True, slots=True)
class Places:
    """The sites of one placement, in order of time; more than one if it was moved unsaid."""

    places: tuple[Place, ...]
    notices: tuple[str, ...] = ()


def places_of(positions: Sequence[Position]) -> Places:
    """Sites of the frames of what the night notes call one placement.

    Parameters
    ----------
    positions : sequence of Position
        Of every frame, in order of time.
    """
    files = tuple(one.file for one in positions)
    known = [one for one in positions if one.known]
    for better in (
        [one for one in known if one.by_notes],
        [one for one in known if not one.stale],
    ):
        if better:
            known = better
            break
    if not known:
        return Places((Place(files),))
    groups = sorted(_groups(known), key=len, reverse=True)
    main, others = groups[0], groups[1:]
    order = {file: n for n, file in enumerate(files)}
    moved: list[Group] = []
    strays: list[Group] = []
    for group in others:
        (moved if _apart(main, group, order) else strays).append(group)
    stray = [one.file for group in strays for one in group]
    notices = []
    if stray:
        far = min(_km(_middle(main), _middle(group)) for group in strays)
        notices.append(
            f"{named(stray)}: the position is {far:.0f} km or more from that of "
            f"{counted(len(main), 'frame')} of the night, which was taken."
        )
    sites = sorted([main, *moved], key=lambda group: order[group[0].file])
    if len(sites) == 1:
        return Places((_place(files, main),), tuple(notices))
    starts = [0, *(order[group[0].file] for group in sites[1:]), len(files)]
    places = [
        _place(files[start:end], group)
        for group, start, end in zip(sites, starts[:-1], starts[1:], strict=True)
    ]
    for before, after in pairwise(places):
        km = _km(_point(before), _point(after))
        notices.append(
            f"From {after.files[0]} on the positions are {km:.0f} km from those before: taken as "
            "another placement of the tripod."
        )
    return Places(tuple(places), tuple(notices))


def distance_km(
    latitude_deg: float, longitude_deg: float, other_latitude_deg: float, other_longitude_deg: float
) -> float:
    """Great-circle distance of two places on a sphere (haversine formula)."""
    a = np.radians([latitude_deg, longitude_deg])
    b = np.radians([other_latitude_deg, other_longitude_deg])
    half = np.sin((b - a) / 2) ** 2
    chord = half[0] + np.cos(a[0]) * np.cos(b[0]) * half[1]
    return float(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(min(chord, 1.0))))


Group = list[Position]


def _groups(known: Sequence[Position]) -> list[Group]:
    """Positions in groups of `SAME_SITE_KM` around their first."""
    groups: list[Group] = []
    for one in known:
        for group in groups:
            if _km(_point(group[0]), _point(one)) <= SAME_SITE_KM:
                group.append(one)
                break
        else:
            groups.append([one])
    return groups


def _apart(main: Group, group: Group, order: dict[str, int]) -> bool:
    """Whether a group is frames of another time as well as of another place."""
    ours, theirs = ([order[one.file] for one in some] for some in (main, group))
    return len(group) >= FEWEST_MOVED and (max(theirs) < min(ours) or min(theirs) > max(ours))


def _middle(group: Group) -> tuple[float, float]:
    """Median latitude and longitude, degrees, also across the date line."""
    latitude = np.array([one.latitude_deg for one in group])
    longitude = np.array([one.longitude_deg for one in group])
    around = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    east = (longitude[0] + float(np.median(around)) + 180.0) % 360.0 - 180.0
    return float(np.median(latitude)), float(east)


def _place(files: tuple[str, ...], group: Group) -> Place:
    heights: NDArray[np.float64] = np.array([one.height_m for one in group])
    heights = heights[np.isfinite(heights)]
    height = float(np.median(heights)) if len(heights) else math.nan
    # Frames that all say the same keep it to the last digit.
    same = len({_point(one) for one in group}) == 1
    latitude, longitude = _point(group[0]) if same else _middle(group)
    return Place(files, latitude, longitude, height)


def _point(one: Position | Place) -> tuple[float, float]:
    return one.latitude_deg, one.longitude_deg


def _km(a: tuple[float, float], b: tuple[float, float]) -> float:
    return distance_km(*a, *b)
