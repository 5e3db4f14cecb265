"""Camera bodies on a card, and names for them that are fit for folders."""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping

from skyplumb.records import ShotInfo

Body = tuple[str, str]
"""Camera and serial number."""

LONE_SERIALS = 4
"""Nobody puts one shot each of so many bodies of one model on a card (our choice)."""


def bodies_of(infos: Mapping[str, ShotInfo]) -> dict[str, Body]:
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


def body_names(bodies: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
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
