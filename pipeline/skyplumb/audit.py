"""The main job from card to files: measure every shot, calibrate and judge every night."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import TypeVar

from threadpoolctl import threadpool_limits

from skyplumb._terminal import tell
from skyplumb.intake.card import walk
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.intake.nights import sessions
from skyplumb.intake.notes import Notes, idle_entries, load_notes
from skyplumb.intake.overrides import Overrides, load_overrides, refuse_unknown_files
from skyplumb.intake.overrides_kept import keep_overrides
from skyplumb.intake.rules import Rules, load_rules
from skyplumb.judge.calibrated import Calibrated, calibrate, depends_on, from_bytes, to_bytes
from skyplumb.judge.overrule import overrule
from skyplumb.judge.verdict import JudgedRun
from skyplumb.measure.all_shots import CardMeasures, lost_measure, measure_all
from skyplumb.measure.lock import held
from skyplumb.measure.progress import Progress
from skyplumb.measure.rows import ARRAYS
from skyplumb.measure.store import Store
from skyplumb.measure.workers import Here, LocalWorkers, Lost, Workers, cores, in_words, run_all
from skyplumb.output.calibration_frames import FOLDERS
from skyplumb.output.files import Targets, write_session
from skyplumb.output.result import SessionResult
from skyplumb.output.table import calibration_table, session_result
from skyplumb.records import CardFile, Measure, UserError

STORE_FOLDER = ".skyplumb"
FEW_FRAMES = 4000
"""So many calibrated frames are judged sooner than workers have started."""

R = TypeVar("R")
Say = Callable[[str], None]


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
    memory_bytes: int = MEMORY_BYTES
    """What a worker may take while it measures."""
    root: Path | None = None
    """Where the card was copied to, for the lists."""
    xmp_beside: Path | None = None
    """A copy of the card that gets sidecars."""

    @property
    def targets(self) -> Targets:
        """Where the files of a session go."""
        return Targets(self.out, self.link_into, self.xmp, self.xmp_beside, self.root)


@dataclass(frozen=True, slots=True)
class Session:
    """One session as it was written."""

    name: str
    folder: Path
    lights: int
    kept: int
    faults: tuple[str, ...] = ()
    """What went wrong that nobody foresaw, a line each."""
    told: tuple[str, ...] = ()
    """What a person may like to know of what was written, a line each."""


@dataclass(frozen=True, slots=True)
class Audited:
    """What an audit has written."""

    sessions: tuple[Session, ...]
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


@dataclass(frozen=True, slots=True)
class Night:
    """One session for a worker to judge; the star tables are in the store."""

    name: str
    measures: tuple[Measure, ...]
    """Without arrays."""
    keys: Mapping[str, str]
    """Their names in the store."""
    others: tuple[CardFile, ...]
    notes: Notes
    rules: Rules
    overrides: Overrides
    options: Options
    gone: frozenset[str] = frozenset()
    """Files that could not be read since the card is not there any more."""
    faults: Mapping[str, str] = field(default_factory=dict)
    """Files that met a fault of ours before."""
    calibration: tuple[Measure, ...] = ()
    """Darks, flats and bias of the card's other sessions."""


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
    warn = warn or say
    rules = load_rules(options.rules)
    notes = load_notes(options.notes, options.card)
    given = load_overrides(options.overrides)
    listed = walk(options.card)
    _refuse_targets_on_the_card(options)
    with ExitStack() as stack:
        stack.enter_context(held(options.out / STORE_FOLDER, options.out))
        store = Store(options.out / STORE_FOLDER, warn)
        stack.callback(store.close)
        workers = _Workers(options)
        stack.callback(workers.stop)
        shots = [entry.file for entry in listed if entry.kind == "light"]
        measured = measure_all(
            options.card, shots, store, workers.get, say,
            fresh=options.fresh, memory_bytes=options.memory_bytes, quiet=options.quiet,
        )  # fmt: skip
        _say_what_was_lost(measured, options, warn)
        judged = [one for one in measured.measures if _is_judged(one, notes)]
        refuse_unknown_files(given, (one.file for one in judged))
        for line in idle_entries(notes, ((one.file, one.info) for one in measured.measures)):
            say(line)
        overrides = keep_overrides(given, options.out, judged, say)
        aside = [entry for entry in listed if entry.kind != "light"]
        nights = nights_of(measured, aside, notes, rules, overrides, options)
        written = _judge_all(nights, options, store, workers, say, warn)
    return Audited(
        tuple(sorted(written, key=lambda session: session.name)),
        incomplete=bool(measured.gone) or len(written) < len(nights),
    )


def nights_of(
    measured: CardMeasures,
    aside: Sequence[CardFile],
    notes: Notes,
    rules: Rules,
    overrides: Overrides,
    options: Options,
) -> list[Night]:
    """The card's sessions, in order of their names."""
    faults = {file: lost.words for file, lost in measured.lost.items() if lost.how == "fault"}
    measures = {one.file: one for one in measured.measures}
    names, found = spared(measured.measures, lambda some: sessions(some, notes, aside))
    measures |= {one.file: one for one in found}
    faults |= {one.file: one.note for one in found}
    if found:  # rows of their own beside their neighbours
        names = sessions(measures.values(), notes, aside)
    nights = []
    for name in sorted(set(names.values())):
        mine = tuple(one for one in measures.values() if names[one.file] == name)
        files = {one.file for one in mine}
        nights.append(
            Night(
                name,
                mine,
                {file: measured.keys[file] for file in files if file in measured.keys},
                tuple(entry for entry in aside if names[entry.file.as_posix()] == name),
                notes,
                rules,
                Overrides(
                    {f: one for f, one in overrides.by_file.items() if f in files},
                    overrides.stands_at,
                ),
                options,
                frozenset(files & set(measured.gone)),
                {file: words for file, words in faults.items() if file in files},
                tuple(
                    one
                    for one in measures.values()
                    if one.kind in FOLDERS and one.file not in files
                ),
            )
        )
    return nights


def judge_night(night: Night) -> Session | UserError | None:
    """Calibrate and judge one session and write its files; a worker's task.

    None where an earlier audit left a more complete result, since the card is gone now; an error
    where its files could not be written, so that those of the others are.
    """
    if night.gone and _better_is_there(night):
        return None
    options = night.options
    store = Store(options.out / STORE_FOLDER)
    try:
        # Several threads add up in another order than one, and wait for each other where the
        # machine is busy; with one, the same measures always give the same bytes.
        with threadpool_limits(limits=1):
            result, broken = spared(night.measures, partial(_result, night, store))
            faults = dict(night.faults)
            if broken:  # once more, with a row for each of them
                faults |= {one.file: one.note for one in broken}
                rows = {one.file: one for one in (*night.measures, *broken)}
                result = _result(night, store, tuple(rows.values()))
            elsewhere = calibration_table(night.name, night.calibration, night.notes)
            written = write_session(result, options.targets, options.card, elsewhere)
    except UserError as error:
        return error
    finally:
        store.close()
    told = result.summary
    return Session(
        night.name, written.folder, told.lights, told.keep, tuple(faults.values()), written.told
    )


def judge_session(
    measures: Sequence[Measure], notes: Notes, rules: Rules, say: Say
) -> tuple[list[JudgedRun], dict[str, str], list[str]]:
    """The runs of one session with their verdicts, what the notes leave out, and notices."""
    calibrated = calibrate(measures, notes, say)
    return calibrated.judged(rules), calibrated.excluded, list(calibrated.notices)


def spared(
    measures: Sequence[Measure], work: Callable[[tuple[Measure, ...]], R]
) -> tuple[R, list[Measure]]:
    """Do some work for all measures but those that break it.

    Returns
    -------
    result
        Of the work, for the others.
    list of Measure
        Those that break it also when alone, as rows that say what happened.

    Raises
    ------
    Exception
        What the work raised, if no measure alone is to blame.
    """
    broken: list[Measure] = []
    left = tuple(measures)
    while True:
        try:
            return work(left), broken
        except (UserError, MemoryError):
            raise
        except Exception as error:
            culprit = _culprit(left, work, error)
            if culprit is None:
                raise
            broken.append(culprit)
            left = tuple(one for one in left if one.file != culprit.file)


def _culprit(
    measures: tuple[Measure, ...], work: Callable[[tuple[Measure, ...]], object], error: Exception
) -> Measure | None:
    """The row of a measure that breaks the work by itself; found by halving."""
    if len(measures) == 1:
        file = measures[0].file
        return lost_measure(PurePosixPath(file), Lost("fault", in_words(error)))
    middle = len(measures) // 2
    for half in (measures[:middle], measures[middle:]):
        try:
            work(half)
        except (UserError, MemoryError):
            raise
        except Exception as again:
            return _culprit(half, work, again)
    return None


def _result(night: Night, store: Store, measures: tuple[Measure, ...]) -> SessionResult:
    """A session calibrated and judged."""
    calibrated = _calibrated(night, store, measures)
    judged = overrule(calibrated.judged(night.rules), night.overrides)
    pictured = _with_arrays(night, store, measures, ("crops", "crop_xy"))
    return session_result(
        night.name, judged, pictured, calibrated.excluded, night.others, night.notes, night.rules,
        calibrated.notices,
    )  # fmt: skip


def _calibrated(night: Night, store: Store, measures: tuple[Measure, ...]) -> Calibrated:
    """What does not depend on rules, from the store where nothing has changed."""
    depends = depends_on(measures, night.keys, night.notes)
    kept = store.get_blob(_blob(night), depends)
    if kept is not None:
        some = _with_arrays(night, store, measures, ("stars",))
        found = from_bytes(kept, {one.file: one for one in some})
        if found is not None:
            return found
    say = _silent if night.options.quiet else tell
    found = calibrate(_with_arrays(night, store, measures, ARRAYS), night.notes, say)
    store.put_blob(_blob(night), to_bytes(found), depends)
    return found


def _blob(night: Night) -> str:
    return f"session {night.name}"


def _with_arrays(
    night: Night, store: Store, measures: Sequence[Measure], arrays: Sequence[str]
) -> list[Measure]:
    """The measures with some of their arrays.

    Raises
    ------
    UserError
        If the store has lost one since it was asked a moment ago.
    """
    held = store.get_all((night.keys[m.file] for m in measures if m.file in night.keys), arrays)
    try:
        return [
            replace(held[night.keys[one.file]], file=one.file)
            if one.file in night.keys and one.kind != "unreadable"
            else one
            for one in measures
        ]
    except KeyError:
        raise UserError(
            f"{store.path}: was damaged while it was read; start again: it is measured anew"
        ) from None


def _judge_all(
    nights: Sequence[Night],
    options: Options,
    store: Store,
    workers: _Workers,
    say: Say,
    warn: Say,
) -> list[Session]:
    """Judge every session, several at a time; one that cannot be written stops no other."""
    written: list[Session] = []
    refused: list[UserError] = []
    ready = all(
        store.has_blob(_blob(night), depends_on(night.measures, night.keys, night.notes))
        for night in nights
    )
    few = sum(len(night.measures) for night in nights) <= FEW_FRAMES
    hands = Here() if ready and few else workers.get()
    with Progress(len(nights), quiet=options.quiet, verb="judged", what="sessions") as progress:
        for number, session in run_all(judge_night, nights, hands):
            night = nights[number]
            if isinstance(session, Lost):
                warn(
                    f"{night.name}: could not be judged, a fault of skyplumb's own "
                    f"({session.words}); please report it; the other sessions are not touched"
                )
            elif session is None:
                warn(f"{night.name}: the more complete result of an earlier audit was kept")
            elif isinstance(session, UserError):
                refused.append(session)
            else:
                written.append(session)
                for line in session.faults:
                    warn(line)
            progress.step()
    for session in sorted(written, key=lambda one: one.name):
        for line in session.told:
            say(line)
    if refused:
        raise refused[0]
    return written


class _Workers:
    """The machine's workers, started when there is something for them to do."""

    def __init__(self, options: Options) -> None:
        self._options = options
        self._workers: Workers | None = None

    def get(self) -> Workers:
        """The same ones each time."""
        if self._workers is None:
            self._workers = LocalWorkers(self._options.jobs or cores())
        return self._workers

    def stop(self) -> None:
        """End them."""
        if self._workers is not None:
            self._workers.stop()


def _refuse_targets_on_the_card(options: Options) -> None:
    targets = (
        ("--out", options.out),
        ("--link-into", options.link_into),
        ("--xmp-beside", options.xmp_beside),
    )
    for option, target in targets:
        if target is not None and _inside(target, options.card):
            raise UserError(
                f"{target}: lies on the card, which is never written to; choose another {option}"
            )


def _inside(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def _is_judged(measure: Measure, notes: Notes) -> bool:
    """Whether a shot gets a verdict."""
    return measure.kind == "light" and not notes.for_shot(measure.file, measure.info).left_out


def _say_what_was_lost(measured: CardMeasures, options: Options, warn: Say) -> None:
    """A card that was pulled out, and what the workers did not come back from."""
    if measured.gone:
        warn(
            f"{options.card}: {len(measured.gone)} of {len(measured.measures)} files could not be "
            "read any more: the card was pulled out, or they were moved. Put it back and call "
            "again: it goes on from here."
        )
    for file, lost in measured.lost.items():
        if file not in measured.gone:
            warn(lost_measure(PurePosixPath(file), lost).note)


def _better_is_there(night: Night) -> bool:
    """Whether an earlier audit could read more of this session's files than this one."""
    mine = {one.file: one.kind != "unreadable" for one in night.measures}
    for table in night.options.out.glob(f"{night.name}*/frames.csv"):
        try:
            with table.open(encoding="utf-8", newline="") as lines:
                rows = [row for row in csv.DictReader(lines) if row["file"] in mine]
            read = [row for row in rows if row["kind"] not in ("unreadable", "")]
        except (OSError, ValueError, KeyError, csv.Error):
            continue
        if len(read) > sum(mine.values()):
            return True
    return False


def _silent(_: str) -> None:
    pass
