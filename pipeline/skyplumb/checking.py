"""Test frames from files to an answer: measured and judged as an audit does, and nothing written
but the store, so that frames that were answered once are not measured again."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from skyplumb._data import cache_folder
from skyplumb._log import heard, logged
from skyplumb.auditing import nights_of
from skyplumb.check.answer import Answer, answer_of
from skyplumb.check.exposures import KnownLens
from skyplumb.digits import counted
from skyplumb.errors import NothingToAuditError, UserError
from skyplumb.intake.card import RAW_SUFFIXES, is_fits_name, walk
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.intake.notes import Notes, idle_entries, load_notes, notes_not_read
from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import Calibrated, calibrate
from skyplumb.measure.all_shots import CardMeasures, measure_all
from skyplumb.measure.lock import held
from skyplumb.measure.pool import WorkerPool
from skyplumb.measure.rows import ARRAYS
from skyplumb.measure.spared import spared
from skyplumb.measure.store import Store
from skyplumb.night.shot import Session
from skyplumb.output.history import read_history, sharpest
from skyplumb.output.paths import refuse_card, refuse_no_folder
from skyplumb.records import Measure
from skyplumb.session_task import STORE_FOLDER, steadily, with_arrays

MOST_FRAMES = 12
"""Of a folder so many of the newest are asked: three rounds of four. All that are named are."""
FOR_PAGES = ("crops", "crop_xy", "thumbnail")
"""Arrays that no answer needs."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a check is asked for."""

    given: tuple[Path, ...]
    """One folder, or files."""
    out: Path | None = None
    """Where the store lies; the cache folder if None."""
    notes: Path | None = None
    rules: Path | None = None
    history: tuple[Path, ...] = ()
    season: tuple[Path, ...] = ()
    jobs: int = 0
    quiet: bool = False
    memory_bytes: int = MEMORY_BYTES


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check came to."""

    answer: Answer | None
    """None where no frame could be asked."""
    incomplete: bool = False
    """A frame could not be read since the card does not answer: worth calling again."""


def check(asked: Asked, warn: Say) -> Checked:
    """Answer a few test frames.

    Parameters
    ----------
    asked : Asked
    warn : callable
        Told what a person must know beside the answer, a line each.

    Raises
    ------
    UserError
        One line naming the file and the mend.
    """
    warn = heard(warn)
    card, files = _frames_of(asked.given, warn)
    rules = load_rules(asked.rules)
    notes = load_notes(asked.notes, card)
    for line in notes_not_read(asked.notes, card):
        warn(line)
    known = sharpest(read_history((*asked.history, *asked.season)).widths, set())
    season = _lenses_of(asked.season)
    out = asked.out if asked.out is not None else cache_folder() / "check"
    refuse_card(out, card, "--out")
    refuse_no_folder(out, "--out")
    refuse_card(cache_folder(), card, "cache folder with SKYPLUMB_CACHE")
    with ExitStack() as stack:
        stack.enter_context(held(out / STORE_FOLDER, out))
        stack.enter_context(logged(out / STORE_FOLDER, f"check: {asked}"))
        store = Store(out / STORE_FOLDER, warn)
        stack.callback(store.close)
        workers = WorkerPool(asked.jobs, "")
        stack.callback(workers.stop)
        measured = measure_all(
            card, files, store, workers.measuring, _silent,
            memory_bytes=asked.memory_bytes, quiet=asked.quiet,
        )  # fmt: skip
        for line in measured.complaints(card):
            warn(line)
        measured, nights, _ = nights_of(measured, (), notes, store, warn)
        # Entries for the rest of the night fit none of a few frames.
        turned = Notes(turned=notes.turned)
        for line in idle_entries(turned, ((one.file, one.info) for one in measured.measures)):
            warn(line)
        night = _newest(nights, warn)
        if night is None:
            _say_why_none(measured, warn)
            return Checked(None, bool(measured.unanswered))
        found = calibrated_of(night, measured.keys, store, warn)
        if found is None:
            _say_why_none(measured, warn)
            return Checked(None, bool(measured.unanswered))
        part, calibrated = found
        with steadily():
            answer = answer_of(part, calibrated, calibrated.judged(rules, known), season)
    return Checked(answer, bool(measured.unanswered))


def _frames_of(given: Sequence[Path], warn: Say) -> tuple[Path, list[PurePosixPath]]:
    """The folder that notes and names hang on, and the frames to ask, relative to it."""
    if len(given) == 1 and not given[0].is_file():
        card = given[0]
        files = [entry.file for entry in walk(card) if entry.kind == "light"]
        files.sort(key=lambda file: (_modified(card / file), file))
        if len(files) > MOST_FRAMES:
            warn(
                f"{card}: {len(files)} frames, of which the newest {MOST_FRAMES} are taken; give "
                "files by name to take others"
            )
        return card, sorted(files[-MOST_FRAMES:])
    for path in given:
        if path.is_dir():
            raise UserError(f"{path}: is a folder among files; give one folder, or files alone")
        if not path.is_file():
            raise UserError(f"{path}: no such file; check the path")
    shots = [p for p in given if p.suffix.casefold() in RAW_SUFFIXES or is_fits_name(p.name)]
    if not shots:
        raise NothingToAuditError(f"{given[0]}: no RAW or FITS file is named; give some")
    try:
        card = Path(os.path.commonpath([path.absolute().parent for path in shots]))
    except ValueError:  # on several disks
        raise UserError(f"{shots[0]}: the files lie on several disks; give those of one") from None
    names = {PurePosixPath(path.absolute().relative_to(card).as_posix()) for path in shots}
    return card, sorted(names)


def _modified(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def _lenses_of(season: Sequence[Path]) -> list[KnownLens]:
    """The lenses of a season's sessions, by what limited their frames."""
    if not season:
        return []
    from skyplumb.season.sessions import read_season  # loads pandas

    runs = read_season(season).runs
    runs = runs[(runs["scale_arcsec_px"] > 0) & (runs["trail_limit_px"] > 0)]
    medians = runs.groupby(["lens", "focal_mm"])[["scale_arcsec_px", "trail_limit_px"]].median()
    return sorted(
        (
            KnownLens(str(lens) or f"{focal:g} mm", float(focal), float(scale), float(limit))
            for (lens, focal), (scale, limit) in zip(medians.index, medians.to_numpy(), strict=True)
        ),
        key=lambda one: (one.focal_mm, one.name),
    )


def _newest(nights: Sequence[Session], warn: Say) -> Session | None:
    """The night of the newest light frame; None where there is none."""
    lights = {
        night.name: [
            shot.info.clock
            for shot in night.shots
            if shot.measure.kind == "light" and not shot.copy_of and not shot.notes.left_out
        ]
        for night in nights
    }
    some = [night for night in nights if lights[night.name]]
    if not some:
        return None

    def last(night: Session) -> tuple[str, str]:
        clocks = [clock.isoformat() for clock in lights[night.name] if clock is not None]
        return max(clocks, default=""), night.name

    newest = max(some, key=last)
    if len(some) > 1:
        others = ", ".join(night.name for night in some if night is not newest)
        warn(
            f"answered for {newest.name} alone; frames of {others} lie beside it: give their files "
            "by name to ask about them"
        )
    return newest


def _say_why_none(measured: CardMeasures, warn: Say) -> None:
    """Why there is nothing to answer."""
    kinds = ", ".join(sorted({one.kind for one in measured.measures}))
    what = counted(len(measured.measures), "file")
    warn(f"no light frame among {what} ({kinds}); give frames of the night sky")
    for one in measured.measures:
        if one.note and one.file not in measured.lost:
            warn(one.note)


def calibrated_of(
    night: Session, keys: Mapping[str, str], store: Store, warn: Say
) -> tuple[Session, Calibrated] | None:
    """A night, or a part of it, and its calibration, kept nowhere; None where each of its frames
    met a fault of ours. `keys` are the names of its measures in the store."""
    arrays = [name for name in ARRAYS if name not in FOR_PAGES]

    def work(some: tuple[Measure, ...]) -> tuple[Session, Calibrated]:
        part = night.only({one.file for one in some})
        return part, calibrate(with_arrays(store, keys, part, arrays), _silent)

    with steadily():
        (part, calibrated), broken = spared(night.measures, work)
    for one in broken:
        warn(one.note)
    return (part, calibrated) if calibrated.runs else None


def _silent(_: str) -> None:
    pass
