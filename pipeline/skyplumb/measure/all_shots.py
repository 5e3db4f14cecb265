"""Every shot of a card measured: found in the store, or by the workers and then kept there."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any, overload

from skyplumb.errors import UnreadableError
from skyplumb.intake.card import is_gone, read_file
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.measure.progress import Progress
from skyplumb.measure.rows import ARRAYS
from skyplumb.measure.store import Store
from skyplumb.measure.workers import Lost, Workers, WorkLimits, run_all
from skyplumb.records import Measure

CPU_S_A_FRAME = 60.0
FRAME_BYTES = 48_000_000
"""The processor time a file may take: so long for 24 megapixels of 16 bits, more for more."""
WALL_OF_CPU = 10.0
"""By the clock it may take so many times that: common practice, no source. Only what hangs, or a
machine with dozens of other things to do, comes there."""

_MEND = {
    "crashed": "the decoder crashed on it ({words}); copy it from the camera again, or free some"
    " memory",
    "slow": "{words}; copy it from the camera again, or leave it off the card",
    "hung": "{words}: the disk or the machine hangs; call again, or leave it off the card",
    "memory": "{words}; give more with --worker-memory if it is a true picture",
    "fault": "a fault of skyplumb's own: {words}; please report it with the file",
}


@dataclass(frozen=True, slots=True)
class CardMeasures:
    """What is known of every shot of a card, the arrays left in the store."""

    measures: tuple[Measure, ...]
    """In the card's order, without arrays."""
    keys: dict[str, str]
    """Name in the store of each shot that could be read, by file."""
    lost: dict[str, Lost] = field(default_factory=dict)
    """Files that crashed or hung a worker, took too long or too much memory, or met a fault of
    ours."""
    gone: tuple[str, ...] = ()
    """Files that were on the card when it was listed and are not any more."""

    @property
    def unanswered(self) -> frozenset[str]:
        """Files that another call may be able to read: gone, or the worker hung."""
        return frozenset(
            [*self.gone, *(file for file, lost in self.lost.items() if lost.how == "hung")]
        )

    def with_faults(self, broken: Sequence[Measure]) -> CardMeasures:
        """The same with rows for files that met a fault of ours later on."""
        rows = {one.file: one for one in broken}
        lost = {one.file: Lost("fault", one.note) for one in broken}
        measures = tuple(rows.get(one.file, one) for one in self.measures)
        return replace(self, measures=measures, lost=self.lost | lost)

    def complaints(self, card: Path) -> Iterator[str]:
        """A card that was pulled out, and what the workers did not come back from, in lines."""
        if self.gone:
            yield (
                f"{card}: {len(self.gone)} of {len(self.measures)} files could not be "
                "read any more: the card was pulled out, or they were moved. Put it back and call "
                "again: it goes on from here."
            )
        for file, lost in self.lost.items():
            if file not in self.gone:
                yield lost_measure(PurePosixPath(file), lost).note


def measure_all(
    card: Path,
    files: Sequence[PurePosixPath],
    store: Store,
    workers: Callable[[], Workers],
    say: Callable[[str], None],
    *,
    fresh: bool = False,
    memory_bytes: int = MEMORY_BYTES,
    quiet: bool = False,
    send: bool = False,
) -> CardMeasures:
    """Measure what is not in the store yet.

    Parameters
    ----------
    card : Path
    files : sequence of PurePosixPath
        Relative to the card.
    store : Store
    workers : callable
        Gives the workers, once there is something for them to do.
    say : callable
        Told how many were measured before.
    fresh : bool
        Measure all of them again.
    memory_bytes : int
        What a worker may take.
    quiet : bool
        Show no progress.
    send : bool
        Read the files here and send them along, for workers that do not see the card.
    """
    keys = {file: store.key(card, file) for file in files}
    found: dict[PurePosixPath, Measure] = {}
    if not fresh:
        held = store.get_all(keys.values(), arrays=())
        # The same file may have stood elsewhere on the card before.
        found = {f: replace(held[k], file=f.as_posix()) for f, k in keys.items() if k in held}
    todo = [file for file in files if file not in found]
    if found and todo:
        say(f"{len(found)} of {len(files)} frames were measured before")
    lost: dict[str, Lost] = {}
    if todo:
        task: Callable[[Any], Measure] = partial(_measured, card, memory_bytes)
        items: Sequence[Any] = todo
        if send:
            task, items = partial(_measured_data, memory_bytes), Sent(card, todo, memory_bytes)
        with Progress(len(todo), quiet=quiet) as progress:
            limits = partial(_limits, card, memory_bytes)
            for number, result in run_all(task, items, workers(), limits):
                file = todo[number]
                if isinstance(result, Lost):
                    lost[file.as_posix()] = result
                    result = lost_measure(file, result)
                # What could not be read is tried again by the next call: the card may have been
                # pulled out, memory short, or the file copied anew with its old date.
                elif result.kind != "unreadable":
                    store.put(keys[file], result)
                    result = bare(result)
                found[file] = result
                progress.step()
    gone = [f.as_posix() for f in todo if found[f].kind == "unreadable" and is_gone(card, f)]
    return CardMeasures(
        tuple(found[file] for file in files),
        {f.as_posix(): keys[f] for f in files if found[f].kind != "unreadable"},
        lost,
        tuple(gone),
    )


def _measured(card: Path, memory_bytes: int, file: PurePosixPath) -> Measure:
    """A worker's task; it alone loads what decodes and measures."""
    from skyplumb.measure.shot import measure_shot

    return measure_shot(card, file, memory_bytes=memory_bytes)


@dataclass(frozen=True, slots=True)
class SentFile:
    """A file with its content, for a worker that does not see the card."""

    name: str
    data: bytes = b""
    why_not: str = ""
    """Why it could not be read."""


class Sent(Sequence[SentFile]):
    """The files of a card, each read when it is asked for."""

    def __init__(self, card: Path, files: Sequence[PurePosixPath], memory_bytes: int) -> None:
        self._card, self._files, self._memory_bytes = card, files, memory_bytes

    def __len__(self) -> int:
        return len(self._files)

    @overload
    def __getitem__(self, number: int) -> SentFile: ...
    @overload
    def __getitem__(self, number: slice) -> Sequence[SentFile]: ...
    def __getitem__(self, number: int | slice) -> SentFile | Sequence[SentFile]:
        """One file of them, read now."""
        if isinstance(number, slice):
            return Sent(self._card, self._files[number], self._memory_bytes)
        file = self._files[number]
        try:
            return SentFile(file.as_posix(), read_file(self._card, file, self._memory_bytes))
        except UnreadableError as error:
            return SentFile(file.as_posix(), why_not=str(error))


def _measured_data(memory_bytes: int, sent: SentFile) -> Measure:
    """The same for a file that was sent along."""
    from skyplumb.measure.shot import measure_data

    if sent.why_not:
        return Measure(sent.name, "unreadable", sent.why_not)
    return measure_data(sent.data, sent.name, memory_bytes)


def bare(measure: Measure) -> Measure:
    """The same without its arrays."""
    nothing = Measure("", "", "")
    return replace(measure, **{name: getattr(nothing, name) for name in ARRAYS})


def lost_measure(file: PurePosixPath, lost: Lost) -> Measure:
    """The row of a file that has no result."""
    words = _MEND[lost.how].format(words=lost.words)
    return Measure(file.as_posix(), "unreadable", f"{file}: {words}")


def _limits(card: Path, memory_bytes: int, file: PurePosixPath | SentFile) -> WorkLimits:
    """What a file may take, by its size."""
    if isinstance(file, SentFile):
        size = len(file.data)
    else:
        try:
            size = (card / file).stat().st_size
        except OSError:
            size = 0
    cpu_s = CPU_S_A_FRAME * max(1.0, size / FRAME_BYTES)
    return WorkLimits(cpu_s, WALL_OF_CPU * cpu_s, memory_bytes)
