"""The main job from card to files: measure every shot, resolve the nights, judge each of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from skyplumb._data import cache_folder
from skyplumb._log import heard, logged
from skyplumb.digits import counted
from skyplumb.errors import NothingToAuditError, UserError
from skyplumb.intake.card import walk
from skyplumb.intake.notes import Notes, idle_entries, load_notes, notes_not_read
from skyplumb.intake.overrides import (
    Overrides,
    load_overrides,
    on_card,
    one_for_copies,
)
from skyplumb.intake.overrides_kept import keep_overrides
from skyplumb.intake.rules import Rules, load_rules
from skyplumb.judge.calibrated import depends_on
from skyplumb.judge.focus import keep_sharpest
from skyplumb.judge.zero_points import keep_clearest
from skyplumb.measure.all_shots import CardMeasures, measure_all
from skyplumb.measure.lock import held
from skyplumb.measure.pool import WorkerPool
from skyplumb.measure.progress import Progress
from skyplumb.measure.spared import spared
from skyplumb.measure.store import Store
from skyplumb.measure.workers import Here, Lost, Workers, run_all
from skyplumb.night.sessions import resolve
from skyplumb.night.shot import Session as Night
from skyplumb.options import Options, refuse_jobs
from skyplumb.output.calibration_frames import FOLDERS, Library
from skyplumb.output.earlier import left_behind
from skyplumb.output.history import History, clearest, read_history, sharpest
from skyplumb.output.index import write_index
from skyplumb.output.paths import refuse_card, refuse_no_folder
from skyplumb.output.place import other_cards
from skyplumb.output.table import calibration_rows
from skyplumb.output.xmp import refuse_no_copy
from skyplumb.records import CardFile
from skyplumb.session_task import (
    STORE_FOLDER,
    LensesOfSession,
    SessionTask,
    WrittenNight,
    calibration_is_kept,
    judge_session_task,
    lenses_task,
)

FEW_FRAMES = 4000
"""So many calibrated frames are judged sooner than workers have started."""

Say = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Audited:
    """What an audit has written."""

    index: Path
    """The page over all sessions of the output."""
    sessions: tuple[WrittenNight, ...]
    incomplete: bool = False
    """The card was pulled out in the middle, or a session failed: it is worth calling again."""

    @property
    def folders(self) -> tuple[Path, ...]:
        return tuple(session.folder for session in self.sessions)

    @property
    def lights(self) -> int:
        return sum(session.lights for session in self.sessions)

    @property
    def kept(self) -> int:
        return sum(session.kept for session in self.sessions)

    def _repr_html_(self) -> str:
        """As a notebook shows it: a row a session, which leads to its page."""
        from markupsafe import Markup

        rows = Markup().join(
            Markup('<tr><td><a href="{}">{}</a></td><td>{}</td><td>{}</td></tr>').format(
                (one.folder / "report.html").resolve().as_uri(), one.name, one.kept, one.lights
            )
            for one in self.sessions
        )
        head = "<tr><th>session</th><th>kept</th><th>light frames</th></tr>"
        more = "<p>Incomplete: call it again.</p>" if self.incomplete else ""
        return f"<table>{head}{rows}</table>{more}"


def audit(options: Options, say: Say, warn: Say | None = None) -> Audited:
    """Audit a card.

    Parameters
    ----------
    options : Options
    say : callable
        Told what a person may like to know.
    warn : callable, optional
        Told what a person must know, a line each; `say` if not given.

    Raises
    ------
    UserError
        One line naming the file and the mend: no such card, a mistake in the rules or
        notes, an output that cannot be written or that another audit is writing.
    """
    say, warn = heard(say), heard(warn or say)
    refuse_jobs(options.jobs)
    rules = load_rules(options.rules)
    notes = load_notes(options.notes, options.card)
    given = load_overrides(options.overrides)
    earlier = read_history(options.history)
    listed = walk(options.card)
    shut = [entry for entry in listed if entry.fails]
    if shut:
        warn(
            f"{options.card}: {counted(len(shut), 'folder')} could not be opened, such as "
            f"{shut[0].file}: the card fails or was pulled out. Put it in again and call again: "
            "it goes on from here."
        )
    for line in notes_not_read(options.notes, options.card):
        warn(line)
    _refuse_targets(options)
    with ExitStack() as stack:
        stack.enter_context(held(options.out / STORE_FOLDER, options.out))
        stack.enter_context(logged(options.out / STORE_FOLDER, f"audit: {options}"))
        store = Store(options.out / STORE_FOLDER, warn)
        stack.callback(store.close)
        workers = WorkerPool(options.jobs, options.cluster)
        stack.callback(workers.stop)
        measured = _measured(listed, options, store, workers, say, warn)
        aside = [entry for entry in listed if entry.kind != "light"]
        measured, nights, session_of = nights_of(measured, aside, notes, store, warn)
        for line in idle_entries(notes, ((one.file, one.info) for one in measured.measures)):
            say(line)
        overrides = _by_hand(given, nights, options, say)
        tasks = [
            task_of(night, nights, measured, aside, session_of, notes, rules, overrides, options)
            for night in nights
        ]
        libraries = tuple(
            _library(folder, options, store, workers, warn) for folder in options.darks
        )
        tasks = [replace(task, libraries=libraries) for task in tasks]
        tasks = _with_known_lenses(tasks, earlier, store, workers, options)
        written = _judge_all(tasks, options, store, workers, say, warn)
        _say_stale(nights, written, options.out, warn)
        for other in other_cards(options.out, options.card):
            say(f"{options.out}: another card has sessions there, which are left alone: {other}")
        index = write_index(options.out, {one.folder.name: one.row for one in written}, warn)
    done = Audited(
        index,
        tuple(sorted(written, key=lambda session: session.name)),
        incomplete=bool(measured.unanswered or shut) or len(written) < len(tasks),
    )
    if not (done.lights or done.incomplete):
        warn(f"{options.card}: no light frame could be audited; see the kinds in frames.csv")
    return done


def _refuse_targets(options: Options) -> None:
    """Stop before the work where results cannot go."""
    for option in ("out", "link_into", "xmp_beside"):
        if (target := getattr(options, option)) is not None:
            refuse_card(target, options.card, f"--{option.replace('_', '-')}")
            refuse_no_folder(target, f"--{option.replace('_', '-')}")
        for folder in options.darks:
            if target is not None:
                refuse_card(target, folder, f"--{option.replace('_', '-')}")
    if options.darks and options.link_into is None:
        raise UserError("--darks: is for frames that are laid out; give --link-into, too")
    refuse_card(cache_folder(), options.card, "cache folder with SKYPLUMB_CACHE")
    if options.xmp_beside is not None:
        refuse_no_copy(options.xmp_beside)


def _library(
    folder: Path, options: Options, store: Store, workers: WorkerPool, warn: Say
) -> Library:
    """The darks, flats and bias of a folder beside the card, measured and kept as a card's are."""
    try:
        files = [entry.file for entry in walk(folder) if entry.kind == "light"]
    except NothingToAuditError as error:
        raise UserError(f"--darks {error}") from None
    measured = measure_all(
        folder, files, store, workers.measuring, warn,
        memory_bytes=options.memory_bytes, quiet=options.quiet, send=options.send_files,
    )  # fmt: skip
    for line in measured.complaints(folder):
        warn(line)
    _, nights, _ = nights_of(measured, (), Notes(), store, warn)
    shots = [
        shot
        for night in nights
        for shot in night.shots
        if shot.measure.kind in FOLDERS and not shot.copy_of
    ]
    return Library(folder.absolute(), calibration_rows("", shots))


def _measured(
    listed: Sequence[CardFile],
    options: Options,
    store: Store,
    workers: WorkerPool,
    say: Say,
    warn: Say,
) -> CardMeasures:
    """Every shot measured, and what could not be read said."""
    measured = measure_all(
        options.card, [entry.file for entry in listed if entry.kind == "light"], store,
        workers.measuring, say,
        fresh=options.fresh, memory_bytes=options.memory_bytes, quiet=options.quiet,
        send=options.send_files,
    )  # fmt: skip
    for line in measured.complaints(options.card):
        warn(line)
    return measured


def nights_of(
    measured: CardMeasures, aside: Sequence[CardFile], notes: Notes, store: Store, warn: Say
) -> tuple[CardMeasures, list[Night], dict[str, str]]:
    """The card's nights, resolved; the measures, with a row for each that met a fault of ours;
    and the session of every file."""

    def stars_of(files: Sequence[str]) -> dict[str, NDArray[np.void]]:
        keys = {file: measured.keys[file] for file in files if file in measured.keys}
        found = store.get_all(keys.values(), ("stars",))
        return {file: found[key].stars for file, key in keys.items() if key in found}

    resolved, broken = spared(measured.measures, lambda some: resolve(some, notes, aside, stars_of))
    for one in broken:
        warn(one.note)
    if broken:  # rows of their own beside their neighbours
        measured = measured.with_faults(broken)
        resolved = resolve(measured.measures, notes, aside, stars_of)
    return measured, *resolved


def _by_hand(given: Overrides, nights: Sequence[Night], options: Options, say: Say) -> Overrides:
    """Verdicts by hand that hold now; one for a copy is one for its shot."""
    shots = [shot for night in nights for shot in night.shots]
    judged = [
        shot.measure
        for shot in shots
        if shot.measure.kind == "light" and not shot.notes.left_out and not shot.copy_of
    ]
    copy_of = {shot.file: shot.copy_of for shot in shots if shot.copy_of}
    given = on_card(given, (*(one.file for one in judged), *copy_of))
    given = one_for_copies(given, copy_of)
    return keep_overrides(given, options.out, judged, say)


def task_of(
    night: Night,
    nights: Sequence[Night],
    measured: CardMeasures,
    aside: Sequence[CardFile],
    session_of: dict[str, str],
    notes: Notes,
    rules: Rules,
    overrides: Overrides,
    options: Options,
) -> SessionTask:
    """What a worker needs for one night."""
    files = {shot.file for shot in night.shots}
    keys = {file: measured.keys[file] for file in files if file in measured.keys}
    return SessionTask(
        night,
        keys,
        tuple(entry for entry in aside if session_of[entry.file.as_posix()] == night.name),
        notes,
        rules,
        overrides.only(files),
        options,
        frozenset(files & measured.unanswered | {str(one.file) for one in aside if one.fails}),
        {file: why for file, why in measured.lost.items() if file in files},
        tuple(
            shot
            for other in nights
            if other is not night
            for shot in other.shots
            if shot.measure.kind in FOLDERS and not shot.copy_of
        ),
        depends_on(night, keys),
    )


def _with_known_lenses(
    tasks: Sequence[SessionTask],
    earlier: History,
    store: Store,
    workers: WorkerPool,
    options: Options,
) -> list[SessionTask]:
    """The sessions with what the others and earlier nights say of their lenses: how sharp they are
    and how much light they let through.

    Only sessions that share a lens are calibrated before any is judged.
    """
    names = {task.name for task in tasks}
    widths, zeros = sharpest(earlier.widths, names), clearest(earlier.zeros, names)
    uses = Counter(key for task in tasks for key in task.lenses)
    shared = [task for task in tasks if any(uses[key] > 1 for key in task.lenses)]
    told: dict[str, LensesOfSession] = {}
    if shared:
        begun = f"calibrating {counted(len(shared), 'session')}"
        hands = _hands(shared, store, workers)
        with Progress(
            len(shared), quiet=options.quiet, verb="calibrated", what="sessions", begun=begun
        ) as progress:
            for number, found in run_all(lenses_task, shared, hands):
                none = LensesOfSession()
                told[shared[number].name] = none if isinstance(found, Lost) else found
                progress.step()
    out = []
    for task in tasks:
        known = {key: one for key, one in widths.items() if key in task.lenses}
        light = {key: one for key, one in zeros.items() if key in task.gains}
        for name in sorted(told.keys() - {task.name}):
            for key in sorted(told[name].widths.keys() & task.lenses):
                keep_sharpest(known, key, told[name].widths[key])
            for gained in sorted(told[name].zeros.keys() & task.gains):
                keep_clearest(light, gained, told[name].zeros[gained])
        out.append(replace(task, known=known, known_zeros=light))
    return out


def _hands(tasks: Sequence[SessionTask], store: Store, workers: WorkerPool) -> Workers:
    """Who calibrate or judge some sessions: this process where that is done sooner."""
    ready = all(calibration_is_kept(task, store) for task in tasks)
    few = sum(len(task.session.shots) for task in tasks) <= FEW_FRAMES
    return Here() if ready and few else workers.here()


def _judge_all(
    tasks: Sequence[SessionTask],
    options: Options,
    store: Store,
    workers: WorkerPool,
    say: Say,
    warn: Say,
) -> list[WrittenNight]:
    """Judge every session, several at a time; one that cannot be written stops no other."""
    written: list[WrittenNight] = []
    refused: list[UserError] = []
    hands = _hands(tasks, store, workers)
    begun = f"judging {counted(len(tasks), 'session')}"
    with Progress(
        len(tasks), quiet=options.quiet, verb="judged", what="sessions", begun=begun
    ) as progress:
        for number, session in run_all(judge_session_task, tasks, hands):
            name = tasks[number].name
            if isinstance(session, Lost):
                warn(
                    f"{name}: could not be judged, a fault of skyplumb's own "
                    f"({session.words}); please report it; the other sessions are not touched"
                )
            elif session is None:
                warn(f"{name}: the more complete result of an earlier audit was kept")
            elif isinstance(session, UserError):
                refused.append(session)
            else:
                written.append(session)
                for line in session.faults:
                    warn(line)
            progress.step()
    for session in sorted(written, key=lambda one: one.name):
        for line in session.lines:
            say(line)
    if refused and not written:
        raise refused[0]
    for error in refused:
        warn(str(error))
    return written


def _say_stale(
    nights: Sequence[Night], written: Sequence[WrittenNight], out: Path, warn: Say
) -> None:
    """Folders of sessions that this card does not make any more, such as after a changed clock."""
    shots = {(m.file, m.info.taken_camera) for night in nights for m in night.measures}
    folders = {session.folder.name for session in written} | {night.name for night in nights}
    for folder in left_behind(out, shots, folders):
        warn(
            f"{folder}: of an earlier audit, before clock or notes were changed; its "
            "frames are in other sessions now; remove it"
        )
