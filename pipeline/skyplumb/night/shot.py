"""What the night makes of one file and of one session; handed on to all later stages."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from skyplumb.intake.notes import ShotNotes
from skyplumb.records import NAN, Measure, ShotInfo


@dataclass(frozen=True, slots=True)
class Shot:
    """One file as its night has it: with the session's clock, site and lens."""

    measure: Measure
    notes: ShotNotes
    """`notes.info` has the metadata as the night resolved them, not as the file alone says."""
    start_utc: datetime | None = None
    """Start of exposure, UTC; None where the session's clock does not tell it."""
    order_s: float = NAN
    """Place on the session's own time line, s; for a shot without a time of its own one between
    its neighbours' that says nothing but the order."""
    clocked: bool = False
    """Whether `order_s` is a time."""
    clock_step_s: float = 0.0
    """What the camera's clock is written to: 1 where it tells whole seconds alone."""
    taken_over: tuple[str, ...] = ()
    """Names of `ShotInfo` fields that the file lacks and that its neighbours gave."""
    doubtful_lens: bool = False
    """Whether the lens was taken from one side alone, so that only its stars can confirm it."""
    told: ShotInfo = field(default_factory=ShotInfo)
    """What the file and the night notes say without its neighbours."""
    copy_of: str = ""
    """The file that this one is a copy of."""

    @property
    def file(self) -> str:
        """Relative to the card."""
        return self.measure.file

    @property
    def info(self) -> ShotInfo:
        """The metadata as the night resolved them."""
        return self.notes.info


@dataclass(frozen=True, slots=True)
class OtherClock:
    """Another clock that the files speak for as well as the one that was taken."""

    later_h: float
    """How much later UTC would be by it."""
    words: str
    """Whose word it is, and what zone it gives."""


@dataclass(frozen=True, slots=True)
class Session:
    """One night of one camera body, resolved."""

    name: str
    shots: tuple[Shot, ...]
    evening: date | None = None
    camera: str = ""
    serial: str = ""
    clock_words: str = ""
    """Where UTC comes from, in words; empty where it is unknown."""
    clock_why_not: str = ""
    """Why UTC is unknown, in words, with the mend."""
    other_clock: OtherClock | None = None
    """Where two clocks are spoken for: the stars decide, and UTC is unknown where they cannot."""
    notices: tuple[str, ...] = ()
    """What a person must know of the night's metadata, a line each."""

    @property
    def measures(self) -> tuple[Measure, ...]:
        """Those of its shots."""
        return tuple(shot.measure for shot in self.shots)

    def only(self, files: Collection[str]) -> Session:
        """The same with some of its shots."""
        return replace(self, shots=tuple(shot for shot in self.shots if shot.file in files))
