"""One session from its measures to its files; a worker's task.

Its stages, in order: calibrate, judge, the pictures of its frames, and writing. What the first
and the third find is kept in the store under what it follows from.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from threadpoolctl import threadpool_limits

from skyplumb import __version__
from skyplumb._collector import seldom_collected
from skyplumb._log import logged
from skyplumb._terminal import tell
from skyplumb.errors import UserError
from skyplumb.intake.notes import Notes
from skyplumb.intake.overrides import Overrides
from skyplumb.intake.rules import Rules
from skyplumb.judge.calibrated import (
    LIBRARIES,
    Calibrated,
    calibrate,
    depends_on,
    from_bytes,
    to_bytes,
)
from skyplumb.judge.focus import FocusKey, Known, KnownWidth, focus_of_session, key_of
from skyplumb.judge.notices import run_notices
from skyplumb.judge.overrule import overrule
from skyplumb.judge.verdict import JudgedRun
from skyplumb.judge.zero_points import (
    KnownZero,
    KnownZeros,
    ZeroKey,
    dimmed_notices,
    key_of_shot,
    zeros_of_session,
)
from skyplumb.keys import versions
from skyplumb.measure.rows import ARRAYS, digest
from skyplumb.measure.spared import spared
from skyplumb.measure.store import DECODERS, MEASURE_VERSION, Store
from skyplumb.measure.workers import Lost
from skyplumb.night.shot import Session, Shot
from skyplumb.options import Options
from skyplumb.output.calibration_frames import Library
from skyplumb.output.earlier import better_is_there
from skyplumb.output.files import write_live_page, write_session
from skyplumb.output.index import Row
from skyplumb.output.page import pictures
from skyplumb.output.result import Live, SessionResult
from skyplumb.output.table import Told, calibration_rows, session_result
from skyplumb.output.told import session_lines
from skyplumb.records import CardFile, Measure
from skyplumb.summary import Trace

STORE_FOLDER = ".skyplumb"
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class WrittenNight:
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
class SessionTask:
    """One session for a worker to judge; the star tables are in the store."""

    session: Session
    """Its measures without arrays."""
    keys: Mapping[str, str]
    """Names of its measures in the store."""
    others: tuple[CardFile, ...]
    notes: Notes
    rules: Rules
    overrides: Overrides
    options: Options
    gone: frozenset[str] = frozenset()
    """Files that could not be read since the card is not there any more, or hangs, and folders of
    the card that were not entered for the same reason."""
    lost: Mapping[str, Lost] = field(default_factory=dict)
    """Files that have no measure, and why."""
    calibration: tuple[Shot, ...] = ()
    """Darks, flats and bias of the card's other sessions."""
    whole: str = ""
    """Digest of what the calibration of all its measures follows from."""
    known: Known = field(default_factory=dict)
    """How sharp its lenses were in other sessions."""
    known_zeros: KnownZeros = field(default_factory=dict)
    """How much light its lenses let through there."""
    libraries: tuple[Library, ...] = ()
    """Calibration frames beside the card."""

    @property
    def name(self) -> str:
        return self.session.name

    @property
    def lenses(self) -> frozenset[FocusKey]:
        """Those whose widths and light can be compared with other sessions'."""
        found = {key_of(shot.info, _size(shot)) for shot in self._compared}
        return frozenset(key for key in found if key is not None)

    @property
    def gains(self) -> frozenset[ZeroKey]:
        """The same with the gains that they were used at."""
        found = {key_of_shot(shot.info, _size(shot)) for shot in self._compared}
        return frozenset(key for key in found if key is not None)

    @property
    def _compared(self) -> list[Shot]:
        shots = self.session.shots
        return [one for one in shots if one.measure.kind == "light" and not one.copy_of]

    def calibration_key(self, session: Session) -> str:
        """Digest of what the calibration of the session, or of a part of it, follows from."""
        if self.whole and session is self.session:
            return self.whole
        return depends_on(session, self.keys)


def judge_session_task(task: SessionTask) -> WrittenNight | UserError | None:
    """Calibrate and judge one session and write its files; a worker's task.

    None where an earlier audit left a more complete result, since the card is gone now; an error
    where its files could not be written, so that those of the others are.
    """
    measures = task.session.measures
    options = task.options
    if task.gone and better_is_there(options.out, task.name, measures, options.card, task.gone):
        return None
    store = Store(options.out / STORE_FOLDER)
    try:
        with logged(options.out / STORE_FOLDER), steadily():
            result, broken = _judged(task, store)
            elsewhere = calibration_rows(task.name, task.calibration)
            written = write_session(
                result, options.targets, options.card, elsewhere, task.libraries
            )
    except UserError as error:
        return error
    finally:
        store.close()
    told = written.summary
    faults = tuple(one.note for one in broken)
    lines = (*session_lines(told, written.folder), *written.told)
    return WrittenNight(
        task.name, written.folder, told.lights, told.keep, written.row, faults, lines
    )


@contextmanager
def steadily() -> Iterator[None]:
    """Several threads add up in another order than one, and wait for each other where the machine
    is busy; with one, the same measures always give the same bytes."""
    with threadpool_limits(limits=1), seldom_collected():
        yield


def _judged(task: SessionTask, store: Store) -> tuple[SessionResult, list[Measure]]:
    """The session's result, and the rows of measures that met a fault of ours."""
    result, broken = spared(task.session.measures, partial(_result_of, task, store))
    lost = dict(task.lost)
    if broken:  # once more, with a row for each of them
        lost |= {one.file: Lost("fault", one.note) for one in broken}
        rows = {one.file: one for one in broken}
        shots = tuple(
            replace(shot, measure=rows.get(shot.file, shot.measure)) for shot in task.session.shots
        )
        result = _result(task, store, replace(task.session, shots=shots))
    summary = replace(result.summary, trace=_trace(task, lost))
    return replace(result, summary=summary), broken


def live_page_task(live: Live, task: SessionTask) -> Path | UserError:
    """Write the page of a session whose frames still arrive; a worker's task."""
    store = Store(task.options.out / STORE_FOLDER)
    try:
        with logged(task.options.out / STORE_FOLDER), steadily():
            result, _ = _judged(task, store)
            return write_live_page(result, task.options.targets, task.options.card, live)
    except UserError as error:
        return error
    finally:
        store.close()


@dataclass(frozen=True, slots=True)
class LensesOfSession:
    """What one session says of its lenses, for the verdicts of others."""

    widths: dict[FocusKey, KnownWidth] = field(default_factory=dict)
    zeros: dict[ZeroKey, KnownZero] = field(default_factory=dict)


def lenses_task(task: SessionTask) -> LensesOfSession:
    """How sharp each lens of one session was, and how much light it let through; a worker's task.

    What goes wrong here goes wrong again when the session is judged, and is told then.
    """
    evening = task.session.evening
    where = f"on {evening.isoformat()}" if evening else f"in session {task.name}"
    store = Store(task.options.out / STORE_FOLDER)
    try:
        with steadily():
            calibrated = _calibrated(task, store, task.session)
            runs, facts = calibrated.runs, calibrated.facts
            widths = focus_of_session(runs, facts, task.rules, where)
            return LensesOfSession(widths, zeros_of_session(runs, facts, where))
    except Exception:
        return LensesOfSession()
    finally:
        store.close()


def _size(shot: Shot) -> tuple[int, int]:
    return shot.measure.width_px, shot.measure.height_px


def judge_session(
    session: Session, rules: Rules, say: Callable[[str], None]
) -> tuple[list[JudgedRun], dict[str, str], list[str]]:
    """The runs of one session with their verdicts, what the notes leave out, and notices."""
    calibrated = calibrate(session, say)
    judged = calibrated.judged(rules)
    dimmed = dimmed_notices(calibrated.runs, calibrated.facts, rules, {})
    return judged, calibrated.excluded, [*run_notices(judged), *dimmed, *calibrated.notices]


def _result_of(task: SessionTask, store: Store, measures: tuple[Measure, ...]) -> SessionResult:
    """The session, or what is left of it without some measures, calibrated and judged."""
    whole = len(measures) == len(task.session.shots)
    session = task.session if whole else task.session.only({one.file for one in measures})
    return _result(task, store, session)


def _result(task: SessionTask, store: Store, session: Session) -> SessionResult:
    calibrated = _calibrated(task, store, session)
    judged = overrule(calibrated.judged(task.rules, task.known), task.overrides)
    dimmed = dimmed_notices(calibrated.runs, calibrated.facts, task.rules, task.known_zeros)
    result = session_result(
        session, judged, calibrated.excluded, task.others, task.rules,
        [*run_notices(judged), *dimmed, *calibrated.notices],
        Told(calibrated.lenses, calibrated.sky),
    )  # fmt: skip
    return replace(result, pictures=_pictures(task, store, session, calibrated))


def calibration_is_kept(task: SessionTask, store: Store) -> bool:
    """Whether the session needs no calibrating; what is kept may yet be damaged."""
    return store.has_blob(f"session {task.name}", task.calibration_key(task.session))


def _calibrated(task: SessionTask, store: Store, session: Session) -> Calibrated:
    """What does not depend on rules."""

    def run() -> Calibrated:
        say = _silent if task.options.quiet else tell
        return calibrate(with_arrays(store, task.keys, session, ARRAYS), say)

    measures = {one.file: one for one in session.measures}
    return _kept(
        store, f"session {task.name}", task.calibration_key(session), run,
        to_bytes, lambda content: from_bytes(content, measures),
    )  # fmt: skip


def _pictures(
    task: SessionTask, store: Store, session: Session, calibrated: Calibrated
) -> dict[str, pictures.Picture]:
    """What the frames look like."""

    def run() -> dict[str, pictures.Picture]:
        some = with_arrays(store, task.keys, session, ("crops", "crop_xy", "thumbnail"))
        facts = [fact for run in calibrated.runs for fact in calibrated.facts[run.name]]
        return pictures.pictures_of(
            {run.name: [light.file for light in run.lights] for run in calibrated.runs},
            {one.file: one for one in some.measures},
            {fact.light.file: fact.field for fact in facts},
            {shot.file: shot.info.orientation for shot in session.shots},
        )

    depends = task.calibration_key(session) + pictures.drawn_by()
    return _kept(
        store, f"pictures {task.name}", depends, run, pictures.to_bytes, pictures.from_bytes
    )


def _kept(
    store: Store,
    name: str,
    depends: str,
    run: Callable[[], T],
    pack: Callable[[T], bytes],
    unpack: Callable[[bytes], T | None],
) -> T:
    """A stage's result, from the store where all that it follows from is as it was."""
    content = store.get_blob(name, depends)
    found = unpack(content) if content is not None else None
    if found is None:
        found = run()
        store.put_blob(name, pack(found), depends)
    return found


def with_arrays(
    store: Store, keys: Mapping[str, str], session: Session, arrays: Sequence[str]
) -> Session:
    """The session with some of its measures' arrays; `keys` are their names in the store.

    Raises
    ------
    UserError
        If the store has lost one since it was asked a moment ago.
    """
    held = store.get_all((keys[m.file] for m in session.measures if m.file in keys), arrays)
    try:
        shots = [
            replace(shot, measure=replace(held[keys[shot.file]], file=shot.file))
            if shot.file in keys and shot.measure.kind != "unreadable"
            else shot
            for shot in session.shots
        ]
    except KeyError:
        raise UserError(
            f"{store.path}: was damaged while it was read; start again: it is measured anew"
        ) from None
    return replace(session, shots=tuple(shots))


def _trace(task: SessionTask, lost: Mapping[str, Lost]) -> Trace:
    """What the session is made from and with."""
    return Trace(
        version=__version__,
        measure_version=MEASURE_VERSION,
        rules_digest=digest(task.rules.model_dump()).hex(),
        notes_digest=digest(task.notes.model_dump()).hex(),
        overrides_digest=digest(
            [task.overrides.by_file[file].model_dump() for file in sorted(task.overrides.by_file)]
        ).hex(),
        focus_digest=_digest_of_known(task),
        calibration_digest=task.calibration_key(task.session),
        libraries={"python": platform.python_version(), **versions((*LIBRARIES, *DECODERS))},
        options={"worker_memory_gb": task.options.memory_bytes / 1e9},
        lost_files={file: f"{why.how}: {why.words}" for file, why in sorted(lost.items())},
    )


def _digest_of_known(task: SessionTask) -> str:
    """Of what other sessions say of the lenses; empty where they say nothing."""
    known = [*sorted(task.known.items()), *sorted(task.known_zeros.items())]
    return digest(known).hex() if known else ""


def _silent(_: str) -> None:
    pass
