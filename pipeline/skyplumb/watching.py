"""A folder watched while frames arrive: measured, judged, told, and audited at the end.

The folder is listed when something changed in it. What has become whole is measured and kept in the
store, as an audit does; the newest frames are judged together with some good earlier ones, which
takes the same time however long the night is; and once a minute at most a worker writes the page of
the whole night. What the watch leaves is written by an audit, and by nothing else.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath

from skyplumb._data import cache_folder
from skyplumb._log import LOG, heard, logged
from skyplumb.auditing import Audited, audit, nights_of, task_of
from skyplumb.checking import calibrated_of
from skyplumb.digits import counted
from skyplumb.errors import NothingToAuditError, UserError
from skyplumb.intake.card import walk
from skyplumb.intake.notes import load_notes
from skyplumb.intake.overrides import Overrides
from skyplumb.intake.rules import load_rules
from skyplumb.judge.verdict import Judged
from skyplumb.measure.all_shots import CardMeasures, measure_all
from skyplumb.measure.lock import held
from skyplumb.measure.pool import WorkerPool
from skyplumb.measure.store import Store
from skyplumb.measure.workers import LostError, WorkLimits, cores
from skyplumb.night.shot import Session
from skyplumb.options import Options, refuse_jobs
from skyplumb.output.files import remove_live_page
from skyplumb.output.history import read_history, sharpest
from skyplumb.output.paths import refuse_card, refuse_no_folder
from skyplumb.output.result import Live
from skyplumb.records import CardFile, Measure
from skyplumb.session_task import STORE_FOLDER, SessionTask, live_page_task
from skyplumb.watch.alarms import Alarm, Alarms, Told, told_of
from skyplumb.watch.arrivals import SETTLED_S, Arrivals, Stamp
from skyplumb.watch.events import OFTEN_S, Events
from skyplumb.watch.room import Room
from skyplumb.watch.words import alarm_line, frame_line

PAGE_EVERY_S = 60.0
NEWEST = 10
"""So many of the newest frames of a lens are judged together with the good ones: enough for a fit
of the mount, and soon done."""
GOOD = 3
"""So many of the sharpest kept frames of the same lens, and of those with most stars, say what the
newest are compared with when all of them are bad."""
MOST_TOLD = 400
"""Frames whose faults are remembered for alarms: ten minutes of one-second frames."""
TRIES_TOLD = 3
"""After so many tries it is said that a file cannot be read."""

Say = Callable[[str], None]


def watch(options: Options, say: Say, warn: Say, ring: Callable[[], None]) -> Audited:
    """Watch a folder until Ctrl-C, then audit it.

    Parameters
    ----------
    options : Options
        As for the audit at the end.
    say, warn : callable
        Told a line for each frame, and what a person must know.
    ring : callable
        Called when an alarm begins.

    Raises
    ------
    UserError
        One line naming the file and the mend.
    KeyboardInterrupt
        Where the audit at the end is stopped too.
    """
    refuse_jobs(options.jobs)
    if not options.card.is_dir():
        raise UserError(f"{options.card}: no such folder; give the one that frames arrive in")
    refuse_card(options.out, options.card, "--out")
    refuse_no_folder(options.out, "--out")
    refuse_card(cache_folder(), options.card, "cache folder with SKYPLUMB_CACHE")
    pages: set[Path] = set()
    with ExitStack() as stack:
        stack.enter_context(held(options.out / STORE_FOLDER, options.out))
        stack.enter_context(logged(options.out / STORE_FOLDER, f"watch: {options}"))
        store = Store(options.out / STORE_FOLDER, heard(warn))
        stack.callback(store.close)
        workers = WorkerPool(options.jobs, options.cluster)
        stack.callback(workers.stop)
        events = stack.enter_context(Events(options.card))
        watching = Watch(options, store, workers, pages, heard(say), heard(warn), ring)
        try:
            watching.until_stopped(events)
        except KeyboardInterrupt as stopped:
            if type(stopped) is not KeyboardInterrupt:  # SIGTERM, which ends at once
                raise
        watching.finish_page()
    say("stopped watching; now the audit of the whole folder (Ctrl-C once more ends without it)")
    done = audit(options, say, warn)
    for folder in pages - set(done.folders):
        remove_live_page(folder, options.out)
    return done


class Watch:
    """What is known of the folder so far."""

    def __init__(
        self,
        options: Options,
        store: Store,
        workers: WorkerPool,
        pages: set[Path],
        say: Say,
        warn: Say,
        ring: Callable[[], None],
    ) -> None:
        self._options, self._store, self._workers = options, store, workers
        self._pages, self._say, self._ring = pages, say, ring
        self._warn = _Once(warn)
        self._rules = load_rules(options.rules)
        self._notes = load_notes(options.notes, options.card)
        self._widths = read_history(options.history).widths
        self._arrivals = Arrivals()
        self.alarms: dict[str, Alarms] = defaultdict(Alarms)
        """Of each night."""
        self._room = Room(options.card, options.out)
        self._listed: dict[PurePosixPath, Stamp] = {}
        self._aside: list[CardFile] = []
        self._measures: dict[str, Measure] = {}
        self._keys: dict[str, str] = {}
        self._told: dict[str, Told] = {}
        self._good: dict[str, tuple[str, float, int]] = {}
        """Kept frames: what they may be compared with, FWHM across the trail, and stars."""
        self._writing: Future[Path | UserError] | None = None
        self._page_due_s = -math.inf
        self._new_for_page = False
        self._newest = ""

    def until_stopped(self, events: Events) -> None:
        """Look, measure, judge, tell, wait; for ever."""
        self._say(f"watching {self._options.card}; Ctrl-C ends it with an audit")
        self.look()
        time.sleep(SETTLED_S)
        self.look()
        self.step(first=True)
        while True:
            if events.wait(self._rest_s()):
                self.look()
            elif self.look():
                events.missed()
            self.step()

    def look(self) -> bool:
        """List the folder; answers whether anything changed."""
        try:
            entries = walk(self._options.card)
        except NothingToAuditError:
            entries = []
        except UserError as error:  # pulled out, or not there just now
            self._warn(str(error))
            return False
        before = self._listed
        self._listed = dict(_stamps(self._options.card, entries))
        self._aside = [entry for entry in entries if entry.kind != "light"]
        for gone in self._measures.keys() - {file.as_posix() for file in self._listed}:
            self._measures.pop(gone)
            self._keys.pop(gone, None)
            self._told.pop(gone, None)
            self._good.pop(gone, None)
        self._arrivals.see(self._listed, time.monotonic())
        return self._listed != before

    def step(self, first: bool = False) -> None:
        """Measure what is whole, judge it, and see to the page."""
        fresh: list[str] = []
        try:
            while files := self._arrivals.whole(time.monotonic()):
                # A few at a time, so that each is told soon.
                fresh += self.measure(files if first else files[: 2 * self._at_once()], first)
                if not first:
                    self.judge(fresh)
                    fresh = []
            if fresh:
                self._say(f"{counted(len(fresh), 'frame')} measured; from now on each has a line")
                self.judge(fresh, lines=False)
            self._see_to_page()
        except UserError as error:  # such as a full disk: the frames are tried again
            self._warn(str(error))
            for file in self._arrivals.whole(time.monotonic()):
                self._arrivals.not_read(file, time.monotonic())

    def measure(self, files: Sequence[PurePosixPath], first: bool = False) -> list[str]:
        """Measure some files; answers those that are light frames."""
        options = self._options
        quiet = options.quiet or not first
        measured = measure_all(
            options.card, files, self._store, self._workers.measuring, self._say,
            memory_bytes=options.memory_bytes, quiet=quiet, send=options.send_files,
        )  # fmt: skip
        now_s = time.monotonic()
        lights = []
        for one in measured.measures:
            file = PurePosixPath(one.file)
            if one.kind == "unreadable":
                if self._arrivals.not_read(file, now_s) == TRIES_TOLD:
                    self._warn(f"{one.note} (tried again while it is watched)")
                continue
            self._arrivals.measured(file, now_s)
            self.take(one, measured.keys[one.file])
            lights += [one.file] if one.kind == "light" else []
        return lights

    def take(self, measure: Measure, key: str) -> None:
        """Take in what was measured of a file, without its arrays, which the store has."""
        self._measures[measure.file] = measure
        self._keys[measure.file] = key

    def judge(self, fresh: Sequence[str], lines: bool = True) -> None:
        """Judge the newest frames, tell each that is new, and what hands are needed for."""
        if not fresh:
            return
        nights = self._nights()[1]
        for night in nights:
            mine = [file for file in fresh if file in {shot.file for shot in night.shots}]
            if mine:
                self._judge_night(night, mine, lines)

    def _judge_night(self, night: Session, fresh: Sequence[str], lines: bool) -> None:
        part = night.only(self._window(night, fresh))
        found = calibrated_of(part, self._keys, self._store, self._warn)
        if found is None:
            return
        known = sharpest(self._widths, {night.name})
        frames = [frame for run in found[1].judged(self._rules, known) for frame in run.frames]
        frames.sort(key=lambda one: (one.facts.light.order_s, one.facts.light.file))
        for frame in frames:
            self._remember(frame)
        new = [frame for frame in frames if frame.facts.light.file in fresh]
        for frame in new:
            self._newest = frame.facts.light.file
            self._new_for_page = True
            if lines:
                self._say(frame_line(frame))
            if lines or frame is new[-1]:
                told = self._until(night, self._told[self._newest])
                self._call(self.alarms[night.name].after(told))
        sizes = [size for size, _ in self._listed.values()]
        self._call(self._room.after(self._newest, sizes))

    def _window(self, night: Session, fresh: Sequence[str]) -> set[str]:
        """The newest light frames and some good earlier ones that they are compared with."""
        lights = [
            shot
            for shot in night.shots
            if shot.measure.kind == "light" and not (shot.copy_of or shot.notes.left_out)
        ]
        lenses = {_lens(shot.measure) for shot in lights if shot.file in fresh}
        lights = [shot for shot in lights if _lens(shot.measure) in lenses]
        lights.sort(key=lambda shot: (shot.order_s, shot.file))
        files = [shot.file for shot in lights]
        least = min((files.index(file) for file in fresh if file in files), default=0)
        newest = set(files[min(max(len(files) - NEWEST, 0), max(least - 2, 0)) :])
        alike = {_alike(shot.measure) for shot in lights if shot.file in newest}
        good = [(file, *self._good[file]) for file in files if file in self._good]
        for key in alike:
            mine = [one for one in good if one[1] == key]
            sharp = sorted(mine, key=lambda one: one[2])[:GOOD]
            rich = sorted(mine, key=lambda one: -one[3])[:GOOD]
            newest |= {one[0] for one in (*sharp, *rich)}
        return newest

    def _remember(self, frame: Judged) -> None:
        """What a frame says, for alarms and for those that come after it."""
        facts = frame.facts
        file = facts.light.file
        alike = _alike(facts.light.measure)
        self._told[file] = told_of(frame, alike)
        if frame.verdict == "keep":
            self._good[file] = (alike, facts.across_fwhm_px, facts.stars)
        else:
            self._good.pop(file, None)

    def _until(self, night: Session, newest: Told) -> list[Told]:
        """What frames of a night up to one say, in order of time."""
        mine = (self._told[shot.file] for shot in night.shots if shot.file in self._told)
        some = sorted(mine, key=lambda one: (one.start_s, one.file))
        place = some.index(newest) + 1
        return some[max(place - MOST_TOLD, 0) : place]

    def _call(self, alarms: Iterable[Alarm]) -> None:
        for alarm in alarms:
            self._warn(alarm_line(alarm), again=True)
            self._new_for_page = True
            if alarm.begins:
                self._ring()

    def _nights(self) -> tuple[CardMeasures, list[Session], dict[str, str]]:
        """The nights of all that was measured so far."""
        try:  # they may be written while the night runs, such as `turned`
            self._notes = load_notes(self._options.notes, self._options.card)
        except UserError as error:
            self._warn(str(error))
        measured = CardMeasures(
            tuple(self._measures[file] for file in sorted(self._measures)), dict(self._keys)
        )
        return nights_of(measured, self._aside, self._notes, self._store, self._warn)

    def finish_page(self) -> None:
        """Take in a page that is being written, once it is."""
        if self._writing is None:
            return
        try:
            written = self._writing.result()
        except LostError as lost:
            LOG.error("the page could not be written\n%s", lost.lost.trace)
            written = UserError(f"the page could not be written ({lost.lost.words})")
        self._writing = None
        if isinstance(written, UserError):
            self._warn(str(written))
        elif written not in self._pages:
            self._pages.add(written)
            self._say(str((written / "report.html").resolve()))

    def _see_to_page(self) -> None:
        """Take in a page that was written, and begin the next one when it is time."""
        if self._writing is not None:
            if not self._writing.done():
                return
            self.finish_page()
        if not self._new_for_page or time.monotonic() < self._page_due_s:
            return
        task = self._page_task()
        if task is None:
            return
        self._new_for_page = False
        self._page_due_s = time.monotonic() + PAGE_EVERY_S
        now = [words for one in self.alarms.values() for words in one.on.values()]
        now += self._room.on.values()
        live = Live(int(PAGE_EVERY_S), self._newest, tuple(now))
        submit = self._workers.here().submit
        self._writing = submit(partial(live_page_task, live), task, WorkLimits())

    def _page_task(self) -> SessionTask | None:
        """The night of the newest frame, for a worker."""
        measured, nights, session_of = self._nights()
        night = next((one for one in nights if self._newest in {s.file for s in one.shots}), None)
        if night is None:
            return None
        task = task_of(
            night, nights, measured, self._aside, session_of, self._notes, self._rules,
            Overrides({}, {}), replace(self._options, quiet=True),
        )  # fmt: skip
        known = sharpest(self._widths, {night.name})
        return replace(task, known={k: one for k, one in known.items() if k in task.lenses})

    def _rest_s(self) -> float:
        """How long there is nothing to do."""
        now_s = time.monotonic()
        due = [self._arrivals.next_s() - now_s]
        if self._writing is not None:
            due.append(OFTEN_S)
        elif self._new_for_page:
            due.append(self._page_due_s - now_s)
        return max(min(due), 0.0)

    def _at_once(self) -> int:
        return self._options.jobs or cores()


class _Once:
    """Says a line once, unless it is news each time."""

    def __init__(self, warn: Say) -> None:
        self._warn, self._said = warn, set[str]()

    def __call__(self, line: str, again: bool = False) -> None:
        if again or line not in self._said:
            self._warn(line)
        self._said.add(line)


def _lens(measure: Measure) -> str:
    """What tells its camera and lens from others'."""
    info = measure.info
    return f"{info.serial or info.camera} {info.lens} {info.focal_mm:.0f}"


def _alike(measure: Measure) -> str:
    """Frames of one lens and setting, in words; good ones of them are a standard for the others."""
    return f"{_lens(measure)} {measure.info.fnumber:.1f} {measure.info.exposure_s:.1f}"


def _stamps(card: Path, entries: Sequence[CardFile]) -> Iterable[tuple[PurePosixPath, Stamp]]:
    """Size and time of each file that may be a light frame."""
    for entry in entries:
        if entry.kind == "light":
            try:
                about = (card / entry.file).stat()
            except OSError:
                continue
            yield entry.file, (about.st_size, about.st_mtime_ns)
