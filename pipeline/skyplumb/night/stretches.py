"""Each body's shots on one clock: UTC, sites and evenings."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby, pairwise

from skyplumb.intake.notes import ShotNotes
from skyplumb.night.bodies import Body
from skyplumb.night.clock import FIX_AGE, Clock, Dated, clock_of
from skyplumb.night.order import file_number, neighbours
from skyplumb.night.site import Position, places_of
from skyplumb.records import ShotInfo

GAP = timedelta(hours=6)
"""A pause of the camera's clock that ends a session where noon is not known."""
FEWEST_OF_A_ZONE = 3
"""So many files in a row with another zone than those before were taken after the clock was set
anew; fewer are strays (our choice)."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A dated shot with what its stretch makes of it."""

    file: str
    clock: datetime
    start_utc: datetime | None
    evening: date
    placement: int
    """Of the tripod, counted within the stretch."""
    site: tuple[float, float, float]
    """Latitude, longitude, degrees; height, m."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Shots of one body on one clock."""

    shots: tuple[Timed, ...]
    clock: Clock
    step_s: float
    notices: tuple[str, ...]
    by_sun: bool
    """Whether evenings are counted from solar noon."""


def dated_stretches(
    noted: Mapping[str, ShotNotes], bodies: Mapping[str, Body]
) -> tuple[list[tuple[Body, list[str]]], dict[str, tuple[str, str]]]:
    """Each body's dated files, cut where the clock paused or was set anew; and the others' places.

    Times in UTC (FITS) and those of a camera's clock are not laid on one line. A file without a
    clock stands between its neighbours, see `neighbours`; one that has none and carries a stamp
    of the satellites has that for its time, which is up to minutes old.
    """
    dated: dict[tuple[Body, bool], list[str]] = defaultdict(list)
    clocked = [file for file in bodies if noted[file].info.clock is not None]
    clockless = [file for file in bodies if noted[file].info.clock is None]
    between = neighbours(clockless, clocked)
    for file in (*clocked, *clockless):
        info = noted[file].info
        if file not in between and _clock(info) is not None:
            dated[bodies[file], info.is_fits].append(file)
    out = []
    for (body, _), files in sorted(dated.items()):
        for block in _zone_blocks(files, noted):
            clocks = {file: _clock(noted[file].info) or datetime.min for file in block}
            ordered = sorted(block, key=lambda file: (clocks[file], file))
            start = 0
            for n, (before, after) in enumerate(pairwise(ordered), 1):
                if clocks[after] - clocks[before] >= GAP:
                    out.append((body, ordered[start:n]))
                    start = n
            out.append((body, ordered[start:]))
    return out, between


def _clock(info: ShotInfo) -> datetime | None:
    """A file's own time; that of its stamp where it has no other."""
    return info.clock or info.gps_utc


def _zone_blocks(files: Sequence[str], noted: Mapping[str, ShotNotes]) -> list[list[str]]:
    """Files, cut where from one on all state another zone: the clock was set anew there."""

    def number(file: str) -> tuple[str, int, str]:
        series = file_number(file)
        return (*series, file) if series else (file, 0, file)

    ordered = sorted(files, key=number)
    stated = [f for f in ordered if not math.isnan(noted[f].info.utc_offset_h)]
    runs = [list(some) for _, some in groupby(stated, lambda f: noted[f].info.utc_offset_h)]
    if len(runs) < 2 or any(len(run) < FEWEST_OF_A_ZONE for run in runs):
        return [list(files)]
    starts = {run[0] for run in runs[1:]}
    blocks: list[list[str]] = [[]]
    for file in ordered:
        if file in starts:
            blocks.append([])
        blocks[-1].append(file)
    return blocks


def on_clocks(files: Sequence[str], noted: Mapping[str, ShotNotes]) -> list[Stretch]:
    """One stretch on one clock, with UTC, sites and evenings; two where notes give some a clock."""
    by_notes = [f for f in files if not math.isnan(noted[f].utc_offset_h)]
    by_files = [f for f in files if math.isnan(noted[f].utc_offset_h)]
    return [
        _one_clock(some, noted, told)
        for some, told in ((by_notes, True), (by_files, False))
        if some
    ]


def _one_clock(files: Sequence[str], noted: Mapping[str, ShotNotes], told: bool) -> Stretch:
    infos = {file: noted[file].info for file in files}
    utc: dict[str, datetime | None] = {}
    if told:
        clock = Clock(words="night notes")
        for file, info in infos.items():
            start, zone = _clock(info), timedelta(hours=noted[file].utc_offset_h)
            if info.clock is None:
                zone = timedelta(0)  # the stamp is UTC
            assert start is not None
            utc[file] = start - zone - timedelta(seconds=noted[file].clock_ahead_s)
    else:
        own = [
            Dated(file, info.clock, info.utc_offset_h, info.gps_utc)
            for file, info in infos.items()
            if info.clock is not None
        ]
        is_fits = any(info.is_fits for info in infos.values())
        clock = clock_of(own, is_fits=is_fits) if own else Clock(words="GPS time stamps")
        for file, info in infos.items():
            if info.clock is None:
                utc[file] = info.gps_utc
            else:
                utc[file] = info.clock - clock.ahead if clock.ahead is not None else None
    placements, sites, notices = _sites(files, noted)
    clocks = {file: _clock(info) or datetime.min for file, info in infos.items()}
    evenings, by_sun = _evenings(clocks, utc, sites)
    whole = all(moment.microsecond == 0 for moment in clocks.values())
    shots = tuple(Timed(f, clocks[f], utc[f], evenings[f], placements[f], sites[f]) for f in files)
    return Stretch(shots, clock, float(whole), (*clock.notices, *notices), by_sun)


def _sites(
    files: Sequence[str], noted: Mapping[str, ShotNotes]
) -> tuple[dict[str, int], dict[str, tuple[float, float, float]], list[str]]:
    """Placement and site of each file, and what was found on the way."""
    placements: dict[str, int] = {}
    sites: dict[str, tuple[float, float, float]] = {}
    notices: list[str] = []
    stale = _stale(files, noted)
    by_setup: dict[int, list[str]] = defaultdict(list)
    for file in files:
        by_setup[noted[file].setup].append(file)
    added = 0
    for setup, some in sorted(by_setup.items()):
        found = places_of([_position(file, noted[file], file in stale) for file in some])
        notices += found.notices
        for n, place in enumerate(found.places):
            added += n > 0
            for file in place.files:
                placements[file] = setup + added
                sites[file] = (place.latitude_deg, place.longitude_deg, place.height_m)
    # A placement none of whose frames has a position stood near the only other one.
    known = {site for site in sites.values() if not math.isnan(site[0])}
    if len(known) == 1:
        (site,) = known
        sites = dict.fromkeys(sites, site)
    return placements, sites, notices


def _position(file: str, noted: ShotNotes, stale: bool) -> Position:
    info = noted.info
    return Position(
        file, info.latitude_deg, info.longitude_deg, info.height_m, noted.site_by_notes, stale
    )


def _stale(files: Sequence[str], noted: Mapping[str, ShotNotes]) -> set[str]:
    """Files whose stamp is that of a frame long before: the receiver had lost the satellites."""
    first: dict[datetime, datetime] = {}
    out = set()
    for file in files:
        info = noted[file].info
        if info.gps_utc is None or info.clock is None:
            continue
        if info.clock - first.setdefault(info.gps_utc, info.clock) > FIX_AGE:
            out.add(file)
    return out


def _evenings(
    clocks: Mapping[str, datetime],
    utc: Mapping[str, datetime | None],
    sites: Mapping[str, tuple[float, float, float]],
) -> tuple[dict[str, date], bool]:
    """The day on which the night of each file began.

    From local mean solar noon, which the true noon is up to 16 minutes off (equation of time),
    when nobody photographs stars; without UTC or longitude, that of the stretch's first clock.
    """
    by_sun = {
        file: (moment + timedelta(hours=sites[file][1] / 15 - 12)).date()
        for file, moment in utc.items()
        if moment is not None and not math.isnan(sites[file][1])
    }
    if not by_sun:
        first = (min(clocks.values()) - timedelta(hours=12)).date()
        return dict.fromkeys(clocks, first), False
    for file in clocks.keys() - by_sun.keys():
        near = min(by_sun, key=lambda one: (abs(clocks[one] - clocks[file]), one))
        by_sun[file] = by_sun[near]
    return by_sun, True


def parts_of(stretches: Sequence[Stretch]) -> list[list[Stretch]]:
    """One body's stretches of one evening, as sessions.

    Where the Sun tells the night they are one; where it does not, each that the camera's clock
    parts is one.
    """
    by_sun = [one for one in stretches if one.by_sun]
    by_clock = [one for one in stretches if not one.by_sun]
    return ([by_sun] if by_sun else []) + [[one] for one in by_clock]
