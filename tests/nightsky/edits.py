"""What happens to a card's files and tags before it is audited, by name.

Each takes the plain card of a night and gives the files of another one; which frame is hit goes
by the night's seed. Pixels stay those of the night.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np

from .card import Entry
from .tags import METRES_A_DEGREE

Entries = list[Entry]
Edit = Callable[[Entries, np.random.Generator], Entries]


def edited(entries: Entries, name: str, seed: int) -> Entries:
    """The card after an edit of `EDITS`.

    Raises
    ------
    KeyError
        If there is no such edit.
    """
    return EDITS[name](entries, np.random.default_rng([seed, 31]))


def _in_one(**tags: object) -> Edit:
    """Other tags in one frame, neither the first nor the last."""

    def edit(entries: Entries, rng: np.random.Generator) -> Entries:
        hit = int(rng.integers(1, len(entries) - 1))
        return [e.but(**tags) if n == hit else e for n, e in enumerate(entries)]

    return edit


def _where(which: Callable[[int, int], bool], **tags: object) -> Edit:
    """Other tags in the frames whose place in the card, of so many, is asked for."""

    def edit(entries: Entries, _: np.random.Generator) -> Entries:
        count = len(entries)
        return [e.but(**tags) if which(n, count) else e for n, e in enumerate(entries)]

    return edit


NO_PLACE = {"latitude_deg": None, "longitude_deg": None, "height_m": None, "gps_utc": None}


def _outlier(entries: Entries, rng: np.random.Generator) -> Entries:
    """One fix on another continent."""
    hit = int(rng.integers(1, len(entries) - 1))
    far = {"latitude_deg": 35.68, "longitude_deg": 139.69, "height_m": 40.0}
    return [e.but(**far) if n == hit else e for n, e in enumerate(entries)]


def _noisy(entries: Entries, rng: np.random.Generator) -> Entries:
    """Fixes that scatter by tens of metres, in height by more."""
    moved = []
    for entry in entries:
        north, east, up = rng.normal(0, [40.0, 40.0, 70.0])
        tags = entry.tags
        assert tags.latitude_deg is not None and tags.longitude_deg is not None
        assert tags.height_m is not None
        moved.append(
            entry.but(
                latitude_deg=tags.latitude_deg + north / METRES_A_DEGREE,
                longitude_deg=tags.longitude_deg
                + east / METRES_A_DEGREE / np.cos(np.radians(tags.latitude_deg)),
                height_m=tags.height_m + up,
            )
        )
    return moved


def _frozen(entries: Entries, _: np.random.Generator) -> Entries:
    """Every stamp is that of the first fix."""
    first = entries[0].tags.gps_utc
    return [entry.but(gps_utc=first) for entry in entries]


def _no_stamps_and_half_the_zones(entries: Entries, _: np.random.Generator) -> Entries:
    """The receiver gives no time; the zone is written in every other frame."""
    return [
        e.but(gps_utc=None, zone_h=None) if n % 2 else replace(e, tags=e.but(gps_utc=None).tags)
        for n, e in enumerate(entries)
    ]


def _places_in_half_and_no_zone(entries: Entries, _: np.random.Generator) -> Entries:
    """Satellites in every other frame, a zone in none."""
    return [
        e.but(zone_h=None, **NO_PLACE) if n % 2 else replace(e, tags=e.but(zone_h=None).tags)
        for n, e in enumerate(entries)
    ]


def _zone_an_hour_off(entries: Entries, _: np.random.Generator) -> Entries:
    """The zone that the files name is not that of the clock: summer time."""
    return [e.but(zone_h=(e.tags.zone_h or 0.0) + 1.0) for e in entries]


def _stamps_an_hour_off(entries: Entries, _: np.random.Generator) -> Entries:
    """The stamps are an hour off, and the zone in the file is right."""
    hour = timedelta(hours=1)
    return [e.but(gps_utc=e.tags.gps_utc - hour if e.tags.gps_utc else None) for e in entries]


def _dateless(entries: Entries, rng: np.random.Generator) -> Entries:
    """One file has no time but its number."""
    hit = int(rng.integers(1, len(entries) - 1))
    none = {"clock": None, "zone_h": None, "gps_utc": None}
    return [e.but(**none) if n == hit else e for n, e in enumerate(entries)]


def _best_ones(entries: Entries, rng: np.random.Generator) -> Entries:
    """Four frames copied into a folder beside them."""
    chosen = sorted(int(n) for n in rng.choice(len(entries), 4, replace=False))
    copies = [
        replace(entries[n], file=f"best ones/{entries[n].file}", changed=True) for n in chosen
    ]
    return [*entries, *copies]


def _fits_copies(entries: Entries, _: np.random.Generator) -> Entries:
    """Every RAW has a FITS beside it that was made from it."""
    copies = [
        replace(e, file=f"converted/{e.file.rsplit('.', 1)[0]}.fits", form="fits", changed=True)
        for e in entries
    ]
    return [*entries, *copies]


def _other_dngs(entries: Entries, rng: np.random.Generator) -> Entries:
    """Five frames copied as DNG by a converter that lays the metadata out its own way."""
    chosen = sorted(int(n) for n in rng.choice(len(entries), 5, replace=False))
    copies = [
        replace(
            entries[n],
            file=f"archive/{entries[n].file.replace('.dng', '-1.dng')}",
            form="dng-moved",
            changed=True,
        )
        for n in chosen
    ]
    return [*entries, *copies]


def _second_card(entries: Entries, _: np.random.Generator) -> Entries:
    """The card was full: the second half lies in a folder whose numbers begin again."""
    half = len(entries) // 2
    return [
        replace(e, file=f"card a/{e.file}")
        if n < half
        else replace(e, file=f"card b/{entries[n - half].file}")
        for n, e in enumerate(entries)
    ]


def _part(which: slice) -> Edit:
    """Only some of the frames."""

    def edit(entries: Entries, _: np.random.Generator) -> Entries:
        return entries[which]

    return edit


def _plain(entries: Entries, _: np.random.Generator) -> Entries:
    return entries


EDITS: dict[str, Edit] = {
    "whole": _plain,
    "gps-missing-one": _in_one(**NO_PLACE),
    "gps-missing-first-half": _where(lambda n, count: n < count // 2, **NO_PLACE),
    "gps-missing-every-other": _where(lambda n, _: n % 2 == 1, **NO_PLACE),
    "gps-outlier-one": _outlier,
    "gps-noise": _noisy,
    "gps-stamp-frozen": _frozen,
    "gps-height-missing": _where(lambda *_: True, height_m=None),
    "zone-every-other": _no_stamps_and_half_the_zones,
    "gps-every-other-no-zone": _places_in_half_and_no_zone,
    "zone-an-hour-off": _zone_an_hour_off,
    "stamps-an-hour-off": _stamps_an_hour_off,
    "no-gps-no-zone": _where(lambda *_: True, zone_h=None, **NO_PLACE),
    "focal-missing-one": _in_one(focal_mm=None),
    "lens-missing-one": _in_one(lens=None),
    "aperture-missing-one": _in_one(fnumber=None),
    "serial-missing-one": _in_one(serial=None),
    "date-missing-one": _dateless,
    "exposure-missing-one": _in_one(exposure_s=None),
    "whole-seconds": _where(lambda *_: True, subseconds=False),
    "orientation-missing-one": _in_one(orientation=None),
    "best-ones-copied": _best_ones,
    "fits-copies": _fits_copies,
    "other-dng-copies": _other_dngs,
    "second-card": _second_card,
    "first-three": _part(slice(3)),
    "last-six": _part(slice(-6, None)),
    "last-twelve": _part(slice(-12, None)),
    "every-third": _part(slice(None, None, 3)),
}
