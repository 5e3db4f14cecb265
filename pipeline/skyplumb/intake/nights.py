"""When each shot was taken, and which night of which camera it belongs to."""

from __future__ import annotations

import math
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from skyplumb.intake.card import stem
from skyplumb.records import CardFile, Measure, ShotInfo

if TYPE_CHECKING:
    from skyplumb.intake.notes import Notes, ShotNotes

GAP = timedelta(hours=6)
"""A pause of the camera's clock that ends a session where noon is not known."""

LONE_SERIALS = 4
"""Nobody puts one shot each of so many bodies of one model on a card (our choice)."""

ZONES_H = (
    *range(-12, 15),
    *(-9.5, -3.5, -2.5, 3.5, 4.5, 5.5, 5.75, 6.5, 8.75, 9.5, 10.5, 12.75, 13.75),
)
"""Offsets from UTC that civil clocks keep somewhere (from memory)."""

FIX_AGE = timedelta(minutes=5)
"""A GPS stamp further than this from clock minus any zone is an old fix (our choice)."""


@dataclass(frozen=True, slots=True)
class UtcTime:
    """When an exposure began."""

    start_utc: datetime | None
    """UTC without zone object; None where it cannot be known."""
    source: str = ""
    """Where it comes from, in words; empty where unknown."""
    why_not: str = ""
    """Why it is unknown, in words."""


def when_utc(info: ShotInfo, notes: ShotNotes) -> UtcTime:
    """Start of exposure in UTC: by the night notes, else the GPS stamp, else the file's offset.

    A GPS stamp is the time of the last fix, which is seconds to minutes old and differently so
    from frame to frame, whereas the camera's clock runs evenly. So the stamp
    only tells the clock's zone (the civil zone nearest to clock minus stamp) and the seconds
    stay the clock's. A stamp not within `FIX_AGE` of any zone is an old fix (or the clock is
    wrong by minutes: the notes can say so) and is passed over.

    Parameters
    ----------
    info : ShotInfo
        The corrected one, `notes.info`, or the file's own: their times are the same.
    notes : ShotNotes
    """
    if info.clock is None:
        if info.gps_utc is not None:
            return UtcTime(info.gps_utc, "GPS stamp, the file has no other time")
        return UtcTime(None, why_not="the file has no time")
    if not math.isnan(notes.utc_offset_h):
        behind = timedelta(hours=notes.utc_offset_h, seconds=notes.clock_ahead_s)
        return UtcTime(info.clock - behind, "night notes")
    stale = False
    if info.gps_utc is not None:
        zone = _zone(info.clock - info.gps_utc)
        if zone is not None:
            return UtcTime(info.clock - timedelta(hours=zone), "GPS stamp")
        stale = True
    if not math.isnan(info.utc_offset_h):
        source = "FITS time" if info.is_fits else "time zone in the file"
        return UtcTime(info.clock - timedelta(hours=info.utc_offset_h), source)
    if stale:
        return UtcTime(
            None,
            why_not="the GPS stamp is old or the clock wrong: they differ by no time zone; "
            "give clock: utc_offset_h in the night notes",
        )
    return UtcTime(
        None,
        why_not="the file gives no time zone and no GPS stamp; "
        "give clock: utc_offset_h in the night notes",
    )


def sessions(
    measures: Iterable[Measure], notes: Notes, others: Iterable[CardFile] = ()
) -> dict[str, str]:
    """Which session each file belongs to: one night of one camera body.

    A night lasts from local solar noon to noon where UTC and longitude are known, else the
    camera's clock is cut at pauses of six hours. A shot that lacks them goes with the nearest
    shot of the same body within such a stretch that has them.

    Parameters
    ----------
    measures : iterable of Measure
        In any order; the camera's clock may jump.
    notes : Notes
    others : iterable of CardFile
        Companions and unsupported files: they go with their neighbours in the folder.

    Returns
    -------
    dict of str to str
        File to session name, such as ``2026-08-14-tarn-works-n1``: the date of the evening and
        the body. Files without any time are in ``undated-`` and the body.
    """
    measures = list(measures)
    noted = {one.file: notes.for_shot(one.file, one.info) for one in measures}
    # A file that could not be read and has no time says too little to have a place of its own.
    placed = [one.file for one in measures if one.kind != "unreadable" or one.info.clock]
    bodies = _bodies({file: noted[file].info for file in placed})
    names = _body_names(bodies.values())
    dated: dict[tuple[str, str], list[_Dated]] = defaultdict(list)
    found: dict[str, str] = {}
    for file, body in bodies.items():
        info = noted[file].info
        utc = when_utc(info, noted[file]).start_utc
        clock = info.clock or utc
        if clock is None:
            found[file] = f"undated-{names[body]}"
        else:
            dated[body].append(_Dated(clock, file, _evening(utc, info.longitude_deg)))
    for body, shots in dated.items():
        taken: dict[date, int] = {}
        for evening, files in _nights(shots):
            count = taken[evening] = taken.get(evening, 0) + 1
            part = f"-part{count}" if count > 1 else ""
            found |= dict.fromkeys(files, f"{evening}-{names[body]}{part}")
    return found | _with_neighbours([*noted, *(other.file.as_posix() for other in others)], found)


def evening_of(session: str) -> str | None:
    """The evening that `sessions` put first into a name, as an ISO date; None where undated."""
    try:
        return date.fromisoformat(session[:10]).isoformat()
    except ValueError:
        return None


def _zone(ahead: timedelta) -> float | None:
    """The civil zone, hours, by which a clock is ahead of a fresh GPS stamp, if by any."""
    hours = ahead / timedelta(hours=1)
    nearest = min(ZONES_H, key=lambda zone: abs(zone - hours))
    fresh = abs(nearest - hours) <= FIX_AGE / timedelta(hours=1)
    return nearest if fresh else None


@dataclass(frozen=True, slots=True, order=True)
class _Dated:
    """A shot with a time."""

    clock: datetime
    file: str
    evening: date | None
    """Evening of its night by the Sun, None where UTC or longitude is unknown."""


def _evening(utc: datetime | None, longitude_deg: float) -> date | None:
    """The day on which the night that holds a moment began, from local mean solar noon.

    The true noon is up to 16 minutes off (equation of time), when nobody photographs stars.
    """
    if utc is None or math.isnan(longitude_deg):
        return None
    return (utc + timedelta(hours=longitude_deg / 15 - 12)).date()


def _nights(shots: Sequence[_Dated]) -> list[tuple[date, list[str]]]:
    """The shots of one body, night by night: the evening and the files."""
    by_sun: dict[date, list[str]] = defaultdict(list)
    by_clock: list[tuple[date, list[str]]] = []
    for stretch in _stretches(sorted(shots, key=lambda shot: (shot.clock, shot.file))):
        known = [(shot.clock, shot.evening) for shot in stretch if shot.evening is not None]
        if not known:
            first = (stretch[0].clock - timedelta(hours=12)).date()
            by_clock.append((first, [shot.file for shot in stretch]))
            continue
        for shot in stretch:
            evening = shot.evening
            if evening is None:
                evening = min(known, key=lambda one: abs(one[0] - shot.clock))[1]
            by_sun[evening].append(shot.file)
    return sorted([*by_sun.items(), *by_clock], key=lambda night: night[0])


def _stretches(shots: Sequence[_Dated]) -> list[list[_Dated]]:
    """Shots in order of the clock, cut at its long pauses."""
    stretches = [[shots[0]]]
    for before, shot in pairwise(shots):
        if shot.clock - before.clock >= GAP:
            stretches.append([])
        stretches[-1].append(shot)
    return stretches


def _bodies(infos: Mapping[str, ShotInfo]) -> dict[str, tuple[str, str]]:
    """File to body: camera and its serial number, else its model's only one, else none.

    Some cameras write another number into each picture where others have the serial: where a
    model has `LONE_SERIALS` or more that stand on one shot only, those are no serial numbers.
    """
    shots: dict[str, Counter[str]] = defaultdict(Counter)
    for info in infos.values():
        if info.serial:
            shots[info.camera][info.serial] += 1
    serials: dict[str, set[str]] = {}
    for camera, counts in shots.items():
        lone = {serial for serial, count in counts.items() if count == 1}
        serials[camera] = set(counts) - (lone if len(lone) >= LONE_SERIALS else set())

    def body(info: ShotInfo) -> tuple[str, str]:
        known = serials.get(info.camera, set())
        only = next(iter(known)) if len(known) == 1 else ""
        return info.camera, info.serial if info.serial in known else only

    return {file: body(info) for file, info in infos.items()}


def _body_names(bodies: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Body to a name that is fit for a folder and unlike that of any other body."""
    names: dict[tuple[str, str], str] = {}
    bodies = sorted(set(bodies))
    slugs = {camera: _slug(camera) for camera, _ in bodies}
    twins = Counter(slugs[camera] for camera, _ in bodies)
    taken: Counter[str] = Counter()
    for camera, serial in bodies:
        name = slugs[camera] or "camera"
        if twins[slugs[camera]] > 1 and serial:
            name += f"-{_slug(serial)[-6:]}"
        while taken[name]:
            taken[name] += 1
            name += f"-{taken[name]}"
        taken[name] += 1
        names[camera, serial] = name
    return names


def _slug(text: str) -> str:
    """Small letters and digits of any script, joined by hyphens; short enough for a folder."""
    plain = unicodedata.normalize("NFKC", text).casefold()
    spaced = "".join(letter if letter.isalnum() else " " for letter in plain)
    return "-".join(spaced.split()).encode()[:60].decode(errors="ignore")


def _with_neighbours(files: Iterable[str], found: Mapping[str, str]) -> dict[str, str]:
    """Sessions of the files not yet `found`: that of the same name, else of the nearest before."""
    ordered = sorted({PurePosixPath(file) for file in (*files, *found)}, key=_folder_order)
    by_stem = {stem(PurePosixPath(file)): session for file, session in found.items()}
    session_of: dict[str, str] = {}
    for direction in (ordered, ordered[::-1]):  # the second round is for the first of a folder
        folder, last = None, ""
        for path in direction:
            file = path.as_posix()
            if path.parent != folder:
                folder, last = path.parent, ""
            last = found.get(file, last)
            session = found.get(file) or by_stem.get(stem(path)) or last
            if session and file not in found:
                session_of.setdefault(file, session)
    anywhere = min(found.values(), default="undated-camera")
    return {path.as_posix(): session_of.get(path.as_posix(), anywhere) for path in ordered} | dict(
        found
    )


def _folder_order(path: PurePosixPath) -> tuple[str, str]:
    """Order by folder, then by name, capitals or not."""
    return path.parent.as_posix(), path.name.casefold()
