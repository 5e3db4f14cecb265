"""The main job from card to files: measure every shot, point every lens, judge every night."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path, PurePosixPath

import numpy as np
from threadpoolctl import threadpool_limits

from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.pointing import StarField, solve_lens
from skyplumb.calibrate.sky import ObservedSky, Site
from skyplumb.intake.card import sessions, walk, when_utc
from skyplumb.intake.notes import Notes, load_notes
from skyplumb.intake.overrides import Overrides, load_overrides, refuse_unknown_files
from skyplumb.intake.rules import Rules, load_rules
from skyplumb.judge.overrule import overrule
from skyplumb.judge.runs import exposure_notices
from skyplumb.judge.setups import split_setups
from skyplumb.judge.verdict import JudgedRun, judge
from skyplumb.measure.progress import Progress
from skyplumb.measure.shot import measure_shot
from skyplumb.measure.store import Store
from skyplumb.measure.workers import run_all
from skyplumb.output.files import write_session
from skyplumb.output.table import session_result
from skyplumb.records import CardFile, Measure, SessionResult, UserError

STORE_FOLDER = ".skyplumb"
SUN_UP_STARS = 20
"""So many stars do not show with the Sun above the horizon: the clock or the site is wrong."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line asks for."""

    card: Path
    out: Path
    rules: Path | None = None
    notes: Path | None = None
    jobs: int = 0
    """Worker processes; 0 for one a core."""
    fresh: bool = False
    link_into: Path | None = None
    xmp: bool = False
    quiet: bool = False
    overrides: tuple[Path, ...] = ()
    """Files with verdicts by hand."""


@dataclass(frozen=True, slots=True)
class Audited:
    """What an audit has written."""

    folders: tuple[Path, ...]
    lights: int
    kept: int


def audit(options: Options, say: Callable[[str], None]) -> Audited:
    """Audit a card.

    Raises
    ------
    UserError
        One line naming the file and the mend: no such card, a mistake in the rules or
        notes, an output that cannot be written.
    """
    rules = load_rules(options.rules)
    notes = load_notes(options.notes, options.card)
    overrides = load_overrides(options.overrides)
    listed = walk(options.card)
    for option, target in (("--out", options.out), ("--link-into", options.link_into)):
        if target is not None and _inside(target, options.card):
            raise UserError(
                f"{target}: lies on the card, which is never written to; choose another {option}"
            )
    measures = _measure_all(listed, options, say)
    refuse_unknown_files(overrides, (m.file for m in measures if _is_judged(m, notes)))
    aside = [entry for entry in listed if entry.kind not in ("light",)]
    sessions_of = sessions(measures, notes, aside)
    folders, lights, kept = [], 0, 0
    for name in sorted(set(sessions_of.values())):
        mine = [m for m in measures if sessions_of[m.file] == name]
        others = [entry for entry in aside if sessions_of[entry.file.as_posix()] == name]
        # Several threads add up in another order than one, and wait for each other where the
        # machine is busy; with one, the same measures always give the same bytes.
        with threadpool_limits(limits=1):
            result = audit_session(name, mine, others, notes, rules, say, overrides)
        folders.append(
            write_session(result, options.out, options.card, options.link_into, options.xmp)
        )
        lights += int(result.summary["lights"])  # type: ignore[call-overload]
        kept += int(result.summary["keep"])  # type: ignore[call-overload]
    return Audited(tuple(folders), lights, kept)


def audit_session(
    name: str,
    measures: Sequence[Measure],
    others: Sequence[CardFile],
    notes: Notes,
    rules: Rules,
    say: Callable[[str], None],
    overrides: Overrides | None = None,
) -> SessionResult:
    """Point and judge one session."""
    judged, excluded, notices = judge_session(measures, notes, rules, say)
    if overrides is not None:
        judged = overrule(judged, overrides)
    return session_result(name, judged, measures, excluded, others, notes, rules, notices)


def judge_session(
    measures: Sequence[Measure], notes: Notes, rules: Rules, say: Callable[[str], None]
) -> tuple[list[JudgedRun], dict[str, str], list[str]]:
    """The runs of one session with their verdicts, what the notes leave out, and notices."""
    lights, excluded = _lights(measures, notes)
    lights, notices = _point(lights, say)
    setups = split_setups(lights)
    notices += [*setups.notices, *exposure_notices(lights)]
    lights = mark_hot(setups.lights, [one for one in measures if one.kind == "dark"])
    return judge(lights, rules, setups.mounts), excluded, notices


def _inside(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def _measure_all(
    listed: Iterable[CardFile], options: Options, say: Callable[[str], None]
) -> list[Measure]:
    """Every shot's measure, from the store where it was measured before."""
    files = [entry.file for entry in listed if entry.kind == "light"]
    store = Store(options.out / STORE_FOLDER)
    keys = {file: store.key(options.card, file) for file in files}
    found: dict[PurePosixPath, Measure] = {}
    if not options.fresh:
        for file in files:
            measure = store.get(keys[file])
            if measure is not None:
                # The same file may have stood elsewhere on the card before.
                found[file] = replace(measure, file=file.as_posix())
    todo = [file for file in files if file not in found]
    if found and todo:
        say(f"{len(found)} of {len(files)} frames were measured before")
    jobs = options.jobs or len(os.sched_getaffinity(0))
    with Progress(len(todo), quiet=options.quiet) as progress:
        task = partial(measure_shot, options.card)
        for number, measure in run_all(task, todo, jobs, on_crash=_crashed):
            # What could not be read is tried again by the next call: the card may have been pulled
            # out, memory short, or the file copied anew with its old date.
            if measure.kind != "unreadable":
                store.put(keys[todo[number]], measure)
            found[todo[number]] = measure
            progress.step()
    return [found[file] for file in files]


def _is_judged(measure: Measure, notes: Notes) -> bool:
    """Whether a shot gets a verdict."""
    return measure.kind == "light" and not notes.for_shot(measure.file, measure.info).left_out


def _crashed(file: PurePosixPath) -> Measure:
    """The row of a file that brought its decoder down."""
    return Measure(
        file.as_posix(),
        "unreadable",
        f"{file}: the decoder crashed on it; copy it from the camera again, or free some memory",
    )


def _lights(measures: Sequence[Measure], notes: Notes) -> tuple[list[Light], dict[str, str]]:
    """Light frames in order of time, and the ones the notes leave out with the reason."""
    excluded: dict[str, str] = {}
    lights: list[Light] = []
    for measure in measures:
        if measure.kind != "light":
            continue
        noted = notes.for_shot(measure.file, measure.info)
        if noted.left_out:
            excluded[measure.file] = noted.left_out
            continue
        utc = when_utc(noted.info, noted).start_utc
        lights.append(Light(measure, noted, utc, np.nan, False))
    clocks = [light.start_utc or light.info.clock for light in lights]
    known = [clock for clock in clocks if clock is not None]
    origin = min(known, default=None)
    after = (max(known) - origin).total_seconds() + 86400.0 if origin is not None else 0.0
    timed = []
    for number, (light, clock) in enumerate(zip(lights, clocks, strict=True)):
        if clock is None or origin is None:
            timed.append(replace(light, order_s=after + number))
        else:
            seconds = (clock - origin) / timedelta(seconds=1)
            timed.append(replace(light, order_s=seconds, clocked=True))
    return sorted(timed, key=lambda light: (light.order_s, light.file)), excluded


def _point(lights: Sequence[Light], say: Callable[[str], None]) -> tuple[list[Light], list[str]]:
    """Solve every frame, lens by lens; what a reader must know of it."""
    groups: dict[tuple[object, ...], list[Light]] = defaultdict(list)
    for light in lights:
        groups[lens_key(light)].append(light)
    pointed: list[Light] = []
    notices: list[str] = []
    for group in groups.values():
        info = group[0].info
        focal_px = info.focal_mm / info.pixel_um * 1000.0
        frames = [ObservedSky(light.mid_utc, _site(light)) for light in group]
        wrong = _sun_is_up(group, frames)
        solution = None
        if not wrong:
            solution = solve_lens(_exposures(group, frames), focal_px, say)
            wrong = solution.below_horizon
        if wrong or solution is None:
            notices.append(
                "The clock or the site is wrong: the frames would have been taken "
                f"{'by day' if solution is None else 'below the horizon'}. Nothing that needs "
                "the time was computed; give clock and site in the night notes."
            )
            group = [replace(light, start_utc=None) for light in group]
            frames = [ObservedSky(None, None) for _ in group]
            solution = solve_lens(_exposures(group, frames), focal_px, say)
        if solution.fisheye:
            notices.append(f"{info.lens or 'A lens'} is a fisheye: judged without pointing.")
        pointed += [
            replace(light, pointing=pointing)
            for light, pointing in zip(group, solution.pointings, strict=True)
        ]
    if any(light.start_utc is None and light.clocked for light in lights):
        notices.append(
            "The time zone of the camera's clock is unknown, so UTC, altitude and all that needs "
            "them are left empty; give clock: utc_offset_h in the night notes."
        )
    if any(light.start_utc is not None and _site(light) is None for light in lights):
        notices.append(
            "The site is unknown, so altitude, gravity and refraction are; give site in the "
            "night notes."
        )
    order = {light.file: n for n, light in enumerate(lights)}
    return sorted(pointed, key=lambda light: order[light.file]), list(dict.fromkeys(notices))


def _exposures(group: Sequence[Light], frames: Sequence[ObservedSky]) -> list[StarField]:
    return [StarField(light.measure, frame) for light, frame in zip(group, frames, strict=True)]


def _site(light: Light) -> Site | None:
    info = light.info
    if not (np.isfinite(info.latitude_deg) and np.isfinite(info.longitude_deg)):
        return None
    height = info.height_m if np.isfinite(info.height_m) else 0.0
    return Site(info.latitude_deg, info.longitude_deg, height)


def _sun_is_up(group: Sequence[Light], frames: Sequence[ObservedSky]) -> bool:
    """Whether starry frames would have been taken by day."""
    starry = [
        frame.sun_altitude_deg()
        for light, frame in zip(group, frames, strict=True)
        if len(light.measure.stars) >= SUN_UP_STARS
    ]
    known = [altitude for altitude in starry if np.isfinite(altitude)]
    return bool(known) and float(np.median(known)) > 0
