"""The main job from card to files: measure every shot, calibrate and judge every night."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from threadpoolctl import threadpool_limits

from skyplumb import __version__
from skyplumb._collector import seldom_collected
from skyplumb._terminal import tell
from skyplumb.digits import counted
from skyplumb.errors import UserError
from skyplumb.intake.card import walk
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.intake.nights import sessions
from skyplumb.intake.notes import Notes, idle_entries, load_notes, notes_not_read
from skyplumb.intake.overrides import Overrides, load_overrides, on_card
from skyplumb.intake.overrides_kept import keep_overrides
from skyplumb.intake.rules import Rules, load_rules
from skyplumb.judge.calibrated import (
    LIBRARIES,
    Calibrated,
    calibrate,
    depends_on,
    from_bytes,
    to_bytes,
)
from skyplumb.judge.overrule import overrule
from skyplumb.judge.verdict import JudgedRun, cloudy_run_notices
from skyplumb.measure.all_shots import CardMeasures, measure_all
from skyplumb.measure.lock import held
from skyplumb.measure.progress import Progress
from skyplumb.measure.rows import ARRAYS, digest
from skyplumb.measure.spared import spared
from skyplumb.measure.store import MEASURE_VERSION, Store
from skyplumb.measure.workers import Here, LocalWorkers, Lost, Workers, cores, run_all
from skyplumb.output.calibration_frames import FOLDERS
from skyplumb.output.earlier import better_is_there, left_behind
from skyplumb.output.files import Targets, write_session
from skyplumb.output.index import Row, write_index
from skyplumb.output.page import pictures
from skyplumb.output.paths import refuse_card, refuse_no_folder
from skyplumb.output.result import SessionResult
from skyplumb.output.table import calibration_rows, session_result
from skyplumb.output.told import session_lines
from skyplumb.output.xmp import refuse_no_copy
from skyplumb.records import CardFile, Measure
from skyplumb.summary import Trace

STORE_FOLDER = ".skyplumb"
FEW_FRAMES = 4000
"""So many calibrated frames are judged sooner than workers have started."""

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
    cluster: str = ""
    """Address of a Dask scheduler whose workers measure, or `local`; empty for own processes."""
    send_files: bool = False
    """Whether its workers get the files sent, since they do not see the card."""

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
    row: Row
    """On the page over all sessions."""
    faults: tuple[str, ...] = ()
    """What went wrong that nobody foresaw, a line each."""
    lines: tuple[str, ...] = ()
    """The session in a few lines for a person, and what else was laid out."""


@dataclass(frozen=True, slots=True)
class Audited:
    """What an audit has written."""

    index: Path
    """The page over all sessions of the output."""
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
class SessionTask:
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
    lost: Mapping[str, Lost] = field(default_factory=dict)
    """Files that have no measure, and why."""
    calibration: tuple[Measure, ...] = ()
    """Darks, flats and bias of the card's other sessions."""
    whole: str = ""
    """Digest of what the calibration of all its measures follows from."""

    def depends(self, measures: tuple[Measure, ...]) -> str:
        """Digest of what the calibration of some or all of its measures follows from."""
        if self.whole and measures is self.measures:
            return self.whole
        return depends_on(measures, self.keys, self.notes)


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
    for line in notes_not_read(options.notes, options.card):
        warn(line)
    for option in ("out", "link_into", "xmp_beside"):
        if (target := getattr(options, option)) is not None:
            refuse_card(target, options.card, f"--{option.replace('_', '-')}")
            refuse_no_folder(target, f"--{option.replace('_', '-')}")
    if options.xmp_beside is not None:
        refuse_no_copy(options.xmp_beside)
    with ExitStack() as stack:
        stack.enter_context(held(options.out / STORE_FOLDER, options.out))
        store = Store(options.out / STORE_FOLDER, warn)
        stack.callback(store.close)
        workers = _Workers(options)
        stack.callback(workers.stop)
        measured = measure_all(
            options.card, [entry.file for entry in listed if entry.kind == "light"], store,
            workers.measuring, say, fresh=options.fresh, memory_bytes=options.memory_bytes,
            quiet=options.quiet, send=options.send_files,
        )  # fmt: skip
        for line in measured.complaints(options.card):
            warn(line)
        judged = [one for one in measured.measures if _is_judged(one, notes)]
        given = on_card(given, (one.file for one in judged))
        for line in idle_entries(notes, ((one.file, one.info) for one in measured.measures)):
            say(line)
        overrides = keep_overrides(given, options.out, judged, say)
        aside = [entry for entry in listed if entry.kind != "light"]
        nights = nights_of(measured, aside, notes, rules, overrides, options)
        written = _judge_all(nights, options, store, workers, say, warn)
        _say_stale(nights, written, options.out, warn)
        index = write_index(options.out, {one.folder.name: one.row for one in written})
    done = Audited(
        index,
        tuple(sorted(written, key=lambda session: session.name)),
        incomplete=bool(measured.gone) or len(written) < len(nights),
    )
    if not (done.lights or done.incomplete):
        warn(f"{options.card}: no light frame could be audited; see the kinds in frames.csv")
    return done


def nights_of(
    measured: CardMeasures,
    aside: Sequence[CardFile],
    notes: Notes,
    rules: Rules,
    overrides: Overrides,
    options: Options,
) -> list[SessionTask]:
    """The card's sessions, in order of their names."""
    lost = dict(measured.lost)
    measures = {one.file: one for one in measured.measures}
    names, found = spared(measured.measures, lambda some: sessions(some, notes, aside))
    measures |= {one.file: one for one in found}
    lost |= {one.file: Lost("fault", one.note) for one in found}
    if found:  # rows of their own beside their neighbours
        names = sessions(measures.values(), notes, aside)
    nights = []
    for name in sorted(set(names.values())):
        mine = tuple(one for one in measures.values() if names[one.file] == name)
        files = {one.file for one in mine}
        keys = {file: measured.keys[file] for file in files if file in measured.keys}
        nights.append(
            SessionTask(
                name,
                mine,
                keys,
                tuple(entry for entry in aside if names[entry.file.as_posix()] == name),
                notes,
                rules,
                Overrides(
                    {f: one for f, one in overrides.by_file.items() if f in files},
                    overrides.stands_at,
                ),
                options,
                frozenset(files & set(measured.gone)),
                {file: why for file, why in lost.items() if file in files},
                tuple(
                    one
                    for one in measures.values()
                    if one.kind in FOLDERS and one.file not in files
                ),
                depends_on(mine, keys, notes),
            )
        )
    return nights


def judge_night(night: SessionTask) -> Session | UserError | None:
    """Calibrate and judge one session and write its files; a worker's task.

    None where an earlier audit left a more complete result, since the card is gone now; an error
    where its files could not be written, so that those of the others are.
    """
    if night.gone and better_is_there(
        night.options.out, night.name, night.measures, night.options.card
    ):
        return None
    options = night.options
    store = Store(options.out / STORE_FOLDER)
    try:
        # Several threads add up in another order than one, and wait for each other where the
        # machine is busy; with one, the same measures always give the same bytes.
        with threadpool_limits(limits=1), seldom_collected():
            result, broken = spared(night.measures, partial(_result, night, store))
            lost = dict(night.lost)
            if broken:  # once more, with a row for each of them
                lost |= {one.file: Lost("fault", one.note) for one in broken}
                rows = {one.file: one for one in (*night.measures, *broken)}
                result = _result(night, store, tuple(rows.values()))
            result = replace(result, summary=replace(result.summary, trace=_trace(night, lost)))
            elsewhere = calibration_rows(night.name, night.calibration, night.notes)
            written = write_session(result, options.targets, options.card, elsewhere)
    except UserError as error:
        return error
    finally:
        store.close()
    told = result.summary
    faults = tuple(one.note for one in broken)
    lines = (*session_lines(told, written.folder), *written.told)
    return Session(night.name, written.folder, told.lights, told.keep, written.row, faults, lines)


def _trace(night: SessionTask, lost: Mapping[str, Lost]) -> Trace:
    """What the session is made from and with."""
    return Trace(
        version=__version__,
        measure_version=MEASURE_VERSION,
        rules_digest=digest(night.rules.model_dump()).hex(),
        notes_digest=digest(night.notes.model_dump()).hex(),
        overrides_digest=digest(
            [night.overrides.by_file[file].model_dump() for file in sorted(night.overrides.by_file)]
        ).hex(),
        calibration_digest=night.depends(night.measures),
        libraries={"python": platform.python_version()}
        | {name: version(name) for name in (*LIBRARIES, "astropy", "exiv2", "rawpy", "sep")},
        options={"worker_memory_gb": night.options.memory_bytes / 1e9},
        lost_files={file: f"{why.how}: {why.words}" for file, why in sorted(lost.items())},
    )


def judge_session(
    measures: Sequence[Measure], notes: Notes, rules: Rules, say: Say
) -> tuple[list[JudgedRun], dict[str, str], list[str]]:
    """The runs of one session with their verdicts, what the notes leave out, and notices."""
    calibrated = calibrate(measures, notes, say)
    judged = calibrated.judged(rules)
    return judged, calibrated.excluded, [*calibrated.notices, *cloudy_run_notices(judged)]


def _result(night: SessionTask, store: Store, measures: tuple[Measure, ...]) -> SessionResult:
    """A session calibrated and judged."""
    calibrated = _calibrated(night, store, measures)
    judged = overrule(calibrated.judged(night.rules), night.overrides)
    result = session_result(
        night.name, judged, measures, calibrated.excluded, night.others, night.notes, night.rules,
        [*calibrated.notices, *cloudy_run_notices(judged)],
    )  # fmt: skip
    return replace(result, pictures=_pictures(night, store, measures, calibrated))


def _pictures(
    night: SessionTask, store: Store, measures: tuple[Measure, ...], calibrated: Calibrated
) -> dict[str, pictures.Picture]:
    """What the frames look like, from the store where nothing has changed."""
    name = f"pictures {night.name}"
    depends = night.depends(measures) + pictures.drawn_by()
    kept = store.get_blob(name, depends)
    found = pictures.from_bytes(kept) if kept is not None else None
    if found is None:
        some = _with_arrays(night, store, measures, ("crops", "crop_xy", "thumbnail"))
        facts = [fact for run in calibrated.runs for fact in calibrated.facts[run.name]]
        found = pictures.pictures_of(
            {run.name: [light.file for light in run.lights] for run in calibrated.runs},
            {one.file: one for one in some},
            {fact.light.file: fact.field for fact in facts},
        )
        store.put_blob(name, pictures.to_bytes(found), depends)
    return found


def _calibrated(night: SessionTask, store: Store, measures: tuple[Measure, ...]) -> Calibrated:
    """What does not depend on rules, from the store where nothing has changed."""
    depends = night.depends(measures)
    kept = store.get_blob(_blob(night), depends)
    if kept is not None:
        found = from_bytes(kept, {one.file: one for one in measures})
        if found is not None:
            return found
    say = (lambda _: None) if night.options.quiet else tell
    found = calibrate(_with_arrays(night, store, measures, ARRAYS), night.notes, say)
    store.put_blob(_blob(night), to_bytes(found), depends)
    return found


def _blob(night: SessionTask) -> str:
    return f"session {night.name}"


def _with_arrays(
    night: SessionTask, store: Store, measures: Sequence[Measure], arrays: Sequence[str]
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
    nights: Sequence[SessionTask],
    options: Options,
    store: Store,
    workers: _Workers,
    say: Say,
    warn: Say,
) -> list[Session]:
    """Judge every session, several at a time; one that cannot be written stops no other."""
    written: list[Session] = []
    refused: list[UserError] = []
    ready = all(store.has_blob(_blob(night), night.depends(night.measures)) for night in nights)
    few = sum(len(night.measures) for night in nights) <= FEW_FRAMES
    hands = Here() if ready and few else workers.get()
    begun = f"judging {counted(len(nights), 'session')}"
    with Progress(
        len(nights), quiet=options.quiet, verb="judged", what="sessions", begun=begun
    ) as progress:
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
        for line in session.lines:
            say(line)
    if refused and not written:
        raise refused[0]
    for error in refused:
        warn(str(error))
    return written


class _Workers:
    """Those of this machine and of a cluster, started when there is something for them to do."""

    def __init__(self, options: Options) -> None:
        self._options = options
        self._started: dict[str, Workers] = {}

    def get(self) -> Workers:
        """This machine's, the same ones each time."""
        if "" not in self._started:
            self._started[""] = LocalWorkers(self._options.jobs or cores())
        return self._started[""]

    def measuring(self) -> Workers:
        """Those that measure: the cluster's, where one was given."""
        address = self._options.cluster
        if not address:
            return self.get()
        from skyplumb.measure.cluster import ClusterWorkers

        if address not in self._started:
            self._started[address] = ClusterWorkers(address, self._options.jobs or cores())
        return self._started[address]

    def stop(self) -> None:
        """End them."""
        for workers in self._started.values():
            workers.stop()


def _is_judged(measure: Measure, notes: Notes) -> bool:
    """Whether a shot gets a verdict."""
    return measure.kind == "light" and not notes.for_shot(measure.file, measure.info).left_out


def _say_stale(
    nights: Sequence[SessionTask], written: Sequence[Session], out: Path, warn: Say
) -> None:
    """Folders of sessions that this card does not make any more, such as after a changed clock."""
    shots = {(m.file, m.info.taken_camera) for night in nights for m in night.measures}
    folders = {session.folder.name for session in written} | {night.name for night in nights}
    for folder in left_behind(out, shots, folders):
        warn(
            f"{folder}: of an earlier audit, before clock or notes were changed; its "
            "frames are in other sessions now; remove it"
        )
