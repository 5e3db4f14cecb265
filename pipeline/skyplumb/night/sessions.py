"""Measures and night notes -> sessions, each one night of one camera body."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from skyplumb.digits import counted, named
from skyplumb.night.bodies import Body, bodies_of, body_names
from skyplumb.night.clock import Clock
from skyplumb.night.copies import StarsOf, find_copies
from skyplumb.night.lens import complete_lenses
from skyplumb.night.neighbours import with_neighbours
from skyplumb.night.order import beside_neighbours, on_one_line
from skyplumb.night.shot import Session, Shot
from skyplumb.night.stretches import Stretch, Timed, dated_stretches, on_clocks, parts_of
from skyplumb.records import CardFile, Measure

if TYPE_CHECKING:
    from skyplumb.intake.notes import Notes, ShotNotes


def resolve(
    measures: Iterable[Measure],
    notes: Notes,
    others: Iterable[CardFile] = (),
    stars_of: StarsOf | None = None,
) -> tuple[list[Session], dict[str, str]]:
    """Resolve the nights of a card.

    A night lasts from local solar noon to noon where UTC and longitude are known, else the
    camera's clock is cut at pauses of six hours. A shot that lacks them goes with the nearest
    shot of the same body within such a stretch that has them.

    Parameters
    ----------
    measures : iterable of Measure
        Without arrays; in any order; the camera's clock may jump.
    notes : Notes
    others : iterable of CardFile
        Companions and unsupported files: they go with their neighbours in the folder.
    stars_of : callable, optional
        Gives star tables of a few files from the store, to tell converted copies from shots.

    Returns
    -------
    list of Session
        In order of their names, such as ``2026-08-14-tarn-works-n1``: the date of the evening
        and the body. Files without any time are in ``undated-`` and the body.
    dict of str to str
        Every file, `others` among them, with the name of its session.
    """
    measures = sorted(measures, key=lambda one: one.file)
    noted = {one.file: notes.for_shot(one.file, one.info) for one in measures}
    copies = find_copies(
        [one for one in measures if one.kind != "unreadable" and not noted[one.file].left_out],
        stars_of or _no_stars,
    )
    originals = [one for one in measures if one.file not in copies]
    # A file that could not be read and has no time says too little to have a place of its own.
    placed = [one.file for one in originals if one.kind != "unreadable" or one.info.clock]
    bodies = bodies_of({file: noted[file].info for file in placed})
    names = body_names(bodies.values())
    stretches, between = dated_stretches(noted, bodies)
    times: dict[str, Timed] = {}
    nights: dict[tuple[Body, date], list[Stretch]] = defaultdict(list)
    for body, files in stretches:
        for stretch in on_clocks(files, noted):
            times |= {one.file: one for one in stretch.shots}
            for evening in {one.evening for one in stretch.shots}:
                some = tuple(one for one in stretch.shots if one.evening == evening)
                nights[body, evening].append(replace(stretch, shots=some))
    session_of: dict[str, str] = {}
    parts: dict[str, _Part] = {}
    for (body, evening), clocked in sorted(nights.items()):
        for number, part in enumerate(parts_of(clocked), 1):
            name = f"{evening}-{names[body]}" + (f"-part{number}" if number > 1 else "")
            parts[name] = _Part(body, evening, tuple(part))
            session_of |= {one.file: name for stretch in part for one in stretch.shots}
    for file in bodies.keys() - times.keys():
        sides = {session_of[side] for side in between.get(file, ()) if side}
        same = len(sides) == 1 and bodies[file] in {bodies[side] for side in between[file] if side}
        session_of[file] = sides.pop() if same else f"undated-{names[bodies[file]]}"
    session_of |= {file: session_of[first] for file, first in copies.items() if first in session_of}
    whole = with_neighbours([*noted, *(other.file.as_posix() for other in others)], session_of)
    mine: dict[str, list[Shot]] = defaultdict(list)
    for one in measures:
        mine[whole[one.file]].append(_shot(one, noted[one.file], times.get(one.file), copies))
    return [
        _session(name, mine[name], parts.get(name) or _undated(name, whole, bodies), between)
        for name in sorted(mine)
    ], whole


@dataclass(frozen=True, slots=True)
class _Part:
    """What one session is made of."""

    body: Body
    evening: date | None = None
    stretches: tuple[Stretch, ...] = ()


def _undated(name: str, session_of: Mapping[str, str], bodies: Mapping[str, Body]) -> _Part:
    """A session of files without any time."""
    mine = (
        bodies[file] for file, session in session_of.items() if session == name and file in bodies
    )
    return _Part(next(mine, ("", "")))


def _shot(
    measure: Measure, noted: ShotNotes, timed: Timed | None, copies: Mapping[str, str]
) -> Shot:
    """A shot with its own time and the site of its placement."""
    info = noted.info
    if timed is not None:
        latitude, longitude, height = timed.site
        info = replace(info, latitude_deg=latitude, longitude_deg=longitude, height_m=height)
        noted = replace(noted, setup=timed.placement)
    return Shot(
        measure,
        replace(noted, info=info),
        timed.start_utc if timed is not None else None,
        told=info,
        copy_of=copies.get(measure.file, ""),
    )


def _session(
    name: str,
    shots: Sequence[Shot],
    part: _Part,
    between: Mapping[str, tuple[str, str]],
) -> Session:
    """One session whole: the time line, the lens of every frame, and what is to be said."""
    clocks = {one.file: one.clock for stretch in part.stretches for one in stretch.shots}
    steps = {one.file: stretch.step_s for stretch in part.stretches for one in stretch.shots}
    shots = beside_neighbours(on_one_line(shots, clocks, steps, between), between)
    lights = [one for one in shots if one.measure.kind == "light" and not one.copy_of]
    completed, lens_notices = complete_lenses(lights)
    new = {one.file: one for one in completed}
    shots = [_lens_named(new.get(one.file, one)) for one in shots]
    notices = list(dict.fromkeys(line for stretch in part.stretches for line in stretch.notices))
    late = [one.file for one in lights if not one.clocked and math.isfinite(one.order_s) and clocks]
    if late:
        notices.append(
            f"{counted(len(late), 'frame')} without a time of their own ({named(late)}): put in "
            "order by the file's number."
        )
    contested = next((s.clock for s in part.stretches if s.clock.other is not None), None)
    first = part.stretches[0].clock if part.stretches else Clock()
    return Session(
        name,
        tuple(shots),
        part.evening,
        *part.body,
        clock_words=(contested or first).words,
        clock_why_not=first.why_not,
        other_clock=contested.other if contested is not None else None,
        notices=(*notices, *lens_notices),
    )


def _lens_named(shot: Shot) -> Shot:
    """A nameless lens goes by its focal length."""
    info = shot.info
    if info.lens or math.isnan(info.focal_mm):
        return shot
    named_so = replace(info, lens=f"{round(info.focal_mm, 1):g} mm")
    return replace(shot, notes=replace(shot.notes, info=named_so))


def _no_stars(_: Sequence[str]) -> Mapping[str, np.ndarray]:
    return {}
