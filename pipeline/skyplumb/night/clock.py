"""One clock for each body and session: by how many hours it was ahead of UTC.

The stamp of a satellite receiver is the time of its last fix, which is seconds to minutes old, and
differently so from frame to frame, whereas the camera's clock runs evenly. So stamps only tell
how far the clock is from UTC, and they do so only as long as they advance: one that stands still
is carried on from frame to frame and grows old.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from skyplumb.digits import counted, named
from skyplumb.night.shot import OtherClock

ZONES_H = (
    *range(-12, 15),
    *(-9.5, -3.5, -2.5, 3.5, 4.5, 5.5, 5.75, 6.5, 8.75, 9.5, 10.5, 12.75, 13.75),
)
"""Offsets from UTC that civil clocks keep somewhere (from memory)."""

FIX_AGE = timedelta(minutes=5)
"""A stamp further than this from clock minus any zone is an old fix (our choice)."""
ALIKE = timedelta(minutes=1)
"""Stamps of a clock that is wrong by minutes differ from it by the same, within this."""
FEWEST_ALIKE = 3
FEWEST_ADVANCING = 2
"""So many different stamps, one later than the other, show a receiver at work."""


@dataclass(frozen=True, slots=True)
class Dated:
    """One shot of a session with a time of its own."""

    file: str
    clock: datetime
    """Start of exposure by the camera's clock."""
    zone_h: float = math.nan
    """Hours east of UTC as the file states them."""
    stamp: datetime | None = None
    """UTC of the satellites' stamp."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How far a session's clock is ahead of UTC."""

    ahead: timedelta | None = None
    """None where nothing tells it."""
    words: str = ""
    """Where it comes from, in words; empty where unknown."""
    why_not: str = ""
    """Why it is unknown, in words."""
    other: OtherClock | None = None
    """A second clock that the files speak for."""
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Vote:
    """One offset from UTC and the files that speak for it."""

    ahead: timedelta
    files: tuple[str, ...]

    @property
    def zone(self) -> str:
        """As a zone is written: +02:00."""
        return zone_words(self.ahead)


def zone_words(ahead: timedelta) -> str:
    """An offset as ISO 8601 writes zones, to the minute: ``+05:45``."""
    minutes = round(ahead / timedelta(minutes=1))
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def clock_of(shots: Sequence[Dated], *, is_fits: bool = False) -> Clock:
    """The clock of one body's stretch of shots.

    Stamps that advance are believed before the files' zone; where the two differ by a whole
    zone, both are handed on. A stamp counts once, however many frames carry it.

    Parameters
    ----------
    shots : sequence of Dated
        In any order; those whose clock the night notes give are not among them.
    is_fits : bool
        Whether their times are UTC by the FITS standard, for words.
    """
    shots = sorted(shots, key=lambda shot: (shot.clock, shot.file))
    stamps, advancing = _stamps(shots)
    zones = _zones(shots)
    by_file = "FITS times are UTC" if is_fits else "time zone in the files"
    if zones and len(zones) > 1 and len(zones[0].files) == len(zones[1].files):
        if not (stamps and advancing):
            return _two(zones[0], by_file, zones[1], "as many other files", len(shots))
        zones = sorted(zones, key=lambda vote: vote.ahead != stamps[0].ahead)
    notices = list(_strays(zones, "the time zone"))
    if stamps and advancing:
        stamped = stamps[0]
        if not zones or abs(zones[0].ahead - stamped.ahead) < timedelta(minutes=1):
            words = counted(len(stamped.files), "GPS time stamp")
            return Clock(
                stamped.ahead, words, notices=(*notices, *_strays(stamps, "the GPS time stamp"))
            )
        if zone_of(stamped.ahead) is None:  # a clock that is wrong by minutes is no other zone
            off = stamped.ahead - zones[0].ahead
            minutes = abs(off) / timedelta(minutes=1)
            notices.append(
                f"By {counted(len(stamped.files), 'GPS time stamp')} the clock was "
                f"{minutes:.0f} min {'ahead of' if off > timedelta(0) else 'behind'} its zone; "
                "UTC is theirs."
            )
            return Clock(stamped.ahead, "GPS time stamps", notices=tuple(notices))
        return _two(stamped, "GPS time stamps", zones[0], by_file, len(shots))
    if zones:
        if stamps and abs(stamps[0].ahead - zones[0].ahead) >= timedelta(minutes=1):
            notices.append(
                f"The GPS time stamp in {named(stamps[0].files)} contradicts "
                f"{by_file} ({zones[0].zone}) and does not advance from frame to frame: an old "
                "position fix; the zone was taken."
            )
        return Clock(zones[0].ahead, by_file, notices=tuple(notices))
    if stamps and len(stamps) == 1 and _lone(shots):
        return Clock(stamps[0].ahead, "one GPS time stamp")
    mend = "give clock: utc_offset_h in the night notes"
    if any(shot.stamp is not None for shot in shots):
        return Clock(
            why_not="the GPS time stamp is old, or the clock wrong: it does not advance "
            f"with the frames or differs from their times by no time zone; {mend}"
        )
    return Clock(why_not=f"the files give no time zone and no GPS time stamp; {mend}")


def zone_of(ahead: timedelta) -> float | None:
    """The civil zone, hours, by which a clock is ahead of a fresh stamp, if by any."""
    hours = ahead / timedelta(hours=1)
    nearest = min(ZONES_H, key=lambda zone: abs(zone - hours))
    return nearest if abs(nearest - hours) <= FIX_AGE / timedelta(hours=1) else None


def _stamps(shots: Sequence[Dated]) -> tuple[list[_Vote], bool]:
    """Offsets that the stamps speak for, the most first, and whether the stamps advance.

    Each stamp speaks once, by the first frame that carries it, where it is the freshest.
    """
    latest: datetime | None = None
    fresh: list[tuple[str, timedelta]] = []
    for shot in shots:
        if shot.stamp is not None and (latest is None or shot.stamp > latest):
            latest = shot.stamp
            fresh.append((shot.file, shot.clock - shot.stamp))
    by_zone: dict[float, list[str]] = {}
    for file, ahead in fresh:
        zone = zone_of(ahead)
        if zone is not None:
            by_zone.setdefault(zone, []).append(file)
    votes = [_Vote(timedelta(hours=zone), tuple(files)) for zone, files in by_zone.items()]
    votes.sort(key=lambda vote: -len(vote.files))
    if not votes and len(fresh) >= FEWEST_ALIKE:
        offsets = np.array([ahead / timedelta(seconds=1) for _, ahead in fresh])
        near = np.abs(offsets - np.median(offsets)) <= ALIKE / timedelta(seconds=1)
        if near.sum() >= max(FEWEST_ALIKE, 0.8 * len(fresh)):
            # A stamp is never younger than its frame: the least old one is the best.
            least = timedelta(seconds=float(offsets[near].min()))
            files = tuple(file for (file, _), good in zip(fresh, near, strict=True) if good)
            votes = [_Vote(least, files)]
    return votes, bool(votes) and len(votes[0].files) >= FEWEST_ADVANCING


def _lone(shots: Sequence[Dated]) -> bool:
    """Whether the only stamp stands on one frame, or on frames that one fix may serve."""
    clocks = [shot.clock for shot in shots if shot.stamp is not None]
    return max(clocks) - min(clocks) <= FIX_AGE


def _zones(shots: Sequence[Dated]) -> list[_Vote]:
    """Offsets that the files state, the most first."""
    counts = Counter(shot.zone_h for shot in shots if not math.isnan(shot.zone_h))
    return [
        _Vote(timedelta(hours=zone), tuple(shot.file for shot in shots if shot.zone_h == zone))
        for zone, _ in sorted(counts.items(), key=lambda one: (-one[1], one[0]))
    ]


def _two(first: _Vote, whose: str, second: _Vote, theirs: str, frames: int) -> Clock:
    """Two clocks; the first is taken for the order until the stars have decided."""
    later = (first.ahead - second.ahead) / timedelta(hours=1)
    return Clock(
        first.ahead,
        f"{whose} ({first.zone}, {len(first.files)} of {frames} frames)",
        other=OtherClock(later, f"{theirs} ({second.zone}, {len(second.files)} of {frames})"),
    )


def _strays(votes: Sequence[_Vote], what: str) -> list[str]:
    """A line for the files that contradict most others."""
    files = [file for vote in votes[1:] for file in vote.files]
    if not files:
        return []
    most = votes[0]
    return [
        f"{named(files)}: {what} contradicts that of {counted(len(most.files), 'frame')} of the "
        f"night ({most.zone}), which was taken."
    ]
