"""Shots on one time line; those without a time between neighbours, by the files' numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import PurePosixPath

import numpy as np

from skyplumb.night.shot import Shot

FARTHEST = 3
"""A file's number may be so far from its dated neighbours': files between were deleted."""

_NUMBER = re.compile(r"(\d+)(?=\D*$)")


def file_number(file: str) -> tuple[str, int] | None:
    """Folder, name and suffix without the last number in the name, and that number."""
    path = PurePosixPath(file)
    found = _NUMBER.search(path.stem)
    if found is None or len(found[1]) > 12:
        return None
    name = f"{path.stem[: found.start()]}#{path.stem[found.end() :]}{path.suffix}".casefold()
    return f"{path.parent.as_posix()}/{name}", int(found[1])


def neighbours(undated: Iterable[str], dated: Iterable[str]) -> dict[str, tuple[str, str]]:
    """The dated files before and after each undated one, by the camera's numbers.

    Parameters
    ----------
    undated, dated : iterable of str
        Files, relative to the card.

    Returns
    -------
    dict of str to (str, str)
        Of those that have a neighbour within `FARTHEST` numbers, not counting undated files in
        between; an empty name on a side where there is none.
    """
    series: dict[str, list[tuple[int, str, bool]]] = {}
    for files, has_time in ((undated, False), (dated, True)):
        for file in files:
            numbered = file_number(file)
            if numbered is not None:
                series.setdefault(numbered[0], []).append((numbered[1], file, has_time))
    found: dict[str, tuple[str, str]] = {}
    for entries in series.values():
        entries.sort()
        before = _nearest(entries)
        after = _nearest(entries[::-1])
        for _, file, has_time in entries:
            pair = (before.get(file, ""), after.get(file, ""))
            if not has_time and any(pair):
                found[file] = pair
    return found


def _nearest(entries: list[tuple[int, str, bool]]) -> Mapping[str, str]:
    """The dated file last met before each undated one, going through the entries."""
    found: dict[str, str] = {}
    last, number = "", 0
    for here, file, has_time in entries:
        if has_time:
            last, number = file, here
        elif last and abs(here - number) <= FARTHEST:
            found[file] = last
            number = here  # another undated one is no gap
    return found


def on_one_line(
    shots: Sequence[Shot],
    clocks: Mapping[str, datetime],
    steps: Mapping[str, float],
    between: Mapping[str, tuple[str, str]],
) -> list[Shot]:
    """The shots in order of time; those without a time between their neighbours, else at the end.

    One time line holds UTC alone, or the camera's clock alone where UTC is not known of all.
    """
    dated = [one for one in shots if one.file in clocks]
    by_utc = all(one.start_utc is not None for one in dated)
    moments = {one.file: (one.start_utc if by_utc else clocks[one.file]) for one in dated}
    known = {file: moment for file, moment in moments.items() if moment is not None}
    origin = min(known.values(), default=None)
    seconds = {
        file: (moment - origin) / timedelta(seconds=1)
        for file, moment in known.items()
        if origin is not None
    }
    after = max(seconds.values(), default=0.0) + (86400.0 if seconds else 0.0)
    out = []
    lone = 0
    for shot in shots:
        if shot.file in seconds:
            out.append(
                replace(
                    shot,
                    order_s=seconds[shot.file],
                    clocked=True,
                    clock_step_s=steps[shot.file],
                    start_utc=shot.start_utc if by_utc else None,
                )
            )
            continue
        sides = [seconds[side] for side in between.get(shot.file, ()) if side in seconds]
        if sides:
            place = float(np.mean(sides)) if len(sides) == 2 else sides[0]
            # Behind the neighbour before it, before that after it.
            lean = 0.0 if len(sides) == 2 else (0.5 if between[shot.file][0] in seconds else -0.5)
            out.append(replace(shot, order_s=place + lean))
        else:
            out.append(replace(shot, order_s=after + lone))
            lone += 1
    return sorted(out, key=lambda one: (one.order_s, one.file))


def beside_neighbours(shots: Sequence[Shot], between: Mapping[str, tuple[str, str]]) -> list[Shot]:
    """Shots without a time stand on the placement of the neighbour that has one."""
    by_file = {shot.file: shot for shot in shots}
    out = []
    for shot in shots:
        sides = [by_file[side] for side in between.get(shot.file, ()) if side in by_file]
        if sides and not shot.clocked:
            near = sides[0]
            info = replace(
                shot.info,
                latitude_deg=near.info.latitude_deg,
                longitude_deg=near.info.longitude_deg,
                height_m=near.info.height_m,
            )
            shot = replace(shot, notes=replace(shot.notes, info=info, setup=near.notes.setup))
        out.append(shot)
    return out
