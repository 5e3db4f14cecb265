"""Which audited sessions are one night: one evening at one site, whatever the body or the folder.

Two bodies on one ridge and two cards of one body share the wind, the ground and the person who
aligned the axis, so they are one night; the same evening at two sites is two. Frames of one night
are not independent, so a night counted twice makes intervals too narrow.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from skyplumb.digits import counted
from skyplumb.records import NAN

SAME_SITE_KM = 50.0
"""Sites closer than this share a night's weather, and mostly its photographer (our choice)."""
EARTH_KM = 6371.0


@dataclass(frozen=True, slots=True)
class Identity:
    """When and where an audited session was taken."""

    session: str
    """What it goes by where nothing says when it was."""
    evening: str = ""
    """ISO date of the evening; empty where undated."""
    latitude_deg: float = NAN
    longitude_deg: float = NAN
    frames: int = 0
    told: bool = True
    """Whether the audit said so itself, as those of versions before 0.2 did not."""

    @property
    def located(self) -> bool:
        """Whether the site is known."""
        return isfinite(self.latitude_deg) and isfinite(self.longitude_deg)


def nights_of(sessions: Sequence[Identity]) -> list[str]:
    """The night of each session, by a name that sorts by date.

    A session of unknown site belongs to the evening alone: it joins the other sessions of its
    evening, of several sites the one with most frames. Rather one night too few, whose intervals
    are too wide, than one too many. An undated session is a night of its own.
    """
    by_evening: dict[str, list[int]] = defaultdict(list)
    for n, one in enumerate(sessions):
        by_evening[one.evening].append(n)
    names = [one.session for one in sessions]
    for evening, members in by_evening.items():
        if not evening:
            continue
        sites = _sites([n for n in members if sessions[n].located], sessions)
        for n in members:
            mine = next((site for site in sites if n in site), sites[0] if sites else [])
            place = f" {_place([sessions[m] for m in mine])}" if len(sites) > 1 else ""
            names[n] = f"{evening}{place}"
    return names


def older_sessions(sessions: Sequence[Identity]) -> str:
    """What to say of sessions whose audit did not tell evening and site; empty without any."""
    older = sum(not one.told for one in sessions)
    if not older:
        return ""
    return (
        f"{older} of {counted(len(sessions), 'session')} {'tells' if older == 1 else 'tell'} "
        "neither evening nor site (audited by version 0.1, or without a summary.json): the evening "
        "is that of the session's name, else of its frames' times, and it counts to the same "
        "night as any other session of that evening; audit again to tell sites apart."
    )


def _sites(members: Sequence[int], sessions: Sequence[Identity]) -> list[list[int]]:
    """Members that are within reach of each other, the site with most frames first."""
    sites: list[list[int]] = []
    for n in members:
        near = [
            site
            for site in sites
            if any(_apart_km(sessions[n], sessions[m]) <= SAME_SITE_KM for m in site)
        ]
        sites = [site for site in sites if site not in near]
        sites.append(sorted([n, *(m for site in near for m in site)]))
    return sorted(sites, key=lambda site: (-sum(sessions[n].frames for n in site), site))


def _apart_km(one: Identity, other: Identity) -> float:
    """Along a great circle, by the haversine formula."""
    lat = np.radians([one.latitude_deg, other.latitude_deg])
    lon = np.radians(one.longitude_deg - other.longitude_deg)
    half = np.sin((lat[0] - lat[1]) / 2) ** 2 + np.cos(lat).prod() * np.sin(lon / 2) ** 2
    return float(2 * EARTH_KM * np.arcsin(np.sqrt(min(half, 1.0))))


def _place(site: Sequence[Identity]) -> str:
    """The first of its places in words: a tenth of a degree is 11 km at most, so no two sites of
    an evening have one name."""
    lat, lon = min((round(one.latitude_deg, 1), round(one.longitude_deg, 1)) for one in site)
    return f"{abs(lat)}{'N' if lat >= 0 else 'S'} {abs(lon)}{'E' if lon >= 0 else 'W'}"
