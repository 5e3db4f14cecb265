"""The main job from card to files: measure every shot, point every lens, judge every night."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path, PurePosixPath

from threadpoolctl import threadpool_limits

from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.light import light_frames
from skyplumb.calibrate.session import point_session
from skyplumb.intake.card import walk
from skyplumb.intake.nights import sessions
from skyplumb.intake.notes import Notes, idle_entries, load_notes
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
from skyplumb.output.result import SessionResult
from skyplumb.output.table import session_result
from skyplumb.records import CardFile, Measure, UserError

STORE_FOLDER = ".skyplumb"


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
    for line in idle_entries(notes, ((m.file, m.info) for m in measures)):
        say(line)
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
        lights += result.summary.lights
        kept += result.summary.keep
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
    lights, excluded = light_frames(measures, notes)
    lights, notices = point_session(lights, say)
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
