"""The night notes: what the photographer knows and the camera does not.

They outrank what the files say. Every time in them is on the camera's own clock (UTC for
FITS), because that is what can be read off the pictures; `clock` says how that clock relates
to UTC.
"""

from __future__ import annotations

import contextlib
import re
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, TypeVar

import yaml
from pydantic import BeforeValidator, Field, model_validator

from skyplumb._data import shipped
from skyplumb.intake.card import is_file, list_files
from skyplumb.intake.values import LIKELY, YEARS
from skyplumb.intake.yaml_file import Line, Settings, like, load_yaml_model, read_text
from skyplumb.records import NAN, ShotInfo

T = TypeVar("T")

SETUP_SERVES = timedelta(hours=12)
"""No tripod is set up longer than this before its first shot (our choice)."""
MOST_ENTRIES = 500
"""Of a kind in one file: each is compared with each shot."""

NAMES = ("night-notes.yaml", "night-notes.yml")
"""Looked for in the card, then beside it."""

NAMED_AS_NOTES = re.compile(r"night[-_ ]?notes(\.\w+)*", re.IGNORECASE)
"""What somebody most likely means to be read, such as `night-notes.yaml.txt`."""
MOST_NOT_READ = 5
"""Of such files have a line each."""


def _clock_time(value: object) -> object:
    """YAML reads a full time as a datetime and one without seconds as text."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            return value
    if isinstance(value, datetime) and value.tzinfo is not None:
        raise ValueError("should be without a zone: the time the camera's own clock showed")
    if isinstance(value, date) and not isinstance(value, datetime):
        raise ValueError("should be a date with a time, such as 2026-08-14 23:40")
    if not isinstance(value, datetime):
        raise ValueError("should be a time, such as 2026-08-14 23:40")
    if not YEARS[0] <= value.year <= YEARS[1]:
        raise ValueError(f"should be of a year from {YEARS[0]} to {YEARS[1]}")
    return value


ClockTime = Annotated[datetime, BeforeValidator(_clock_time)]


def _one_or_more(value: object) -> object:
    """One entry may stand without a list."""
    return value if value is None or isinstance(value, list | tuple) else (value,)


def _quantity(name: str) -> Any:
    """A number that a camera can have."""
    low, high = LIKELY[name]
    return Field(default=None, ge=low, le=high)


class SiteNotes(Settings):
    """Where the tripod stood."""

    latitude_deg: float = Field(ge=-90, le=90)
    """North positive."""
    longitude_deg: float = Field(ge=-180, le=180)
    """East positive."""
    height_m: float | None = Field(default=None, ge=-500, le=9000)
    """Above the sea."""


class ClockNotes(Settings):
    """How a camera's clock relates to UTC."""

    utc_offset_h: float = Field(ge=-12, le=14)
    """Zone the clock was set to, hours east of UTC: 2 for Central European Summer Time."""
    ahead_s: float = Field(default=0.0, ge=-1e9, le=1e9)
    """How far the clock ran ahead of that zone's true time; negative where it was behind."""


class Words(Settings):
    """What may be said of a whole night or of a part of it."""

    site: SiteNotes | None = None
    clock: ClockNotes | None = None
    tracker: Line | None = None
    payload_g: float | None = Field(default=None, gt=0, le=1e6)
    """Mass on the tracker: camera, lens, ball head, plate."""
    alignment: Line | None = None
    """How the polar axis was aligned."""
    wind: Line | None = None
    ground: Line | None = None
    counterweight: Line | None = None
    tags: Mapping[Line, Line | float | bool] = Field(default_factory=dict, max_length=100)
    """Anything else to compare nights by."""


class Match(Settings):
    """Which shots are meant: everything that is given must match."""

    files: Line | None = None
    """Pattern with * and ? for the path on the card, or for the name alone if it has no /."""
    lens: Line | None = None
    """Pattern for the lens name as the file says it; "" for a lens without a name."""
    camera: Line | None = None
    """Pattern for the camera name as the file says it."""
    serial: Line | None = None
    """Serial number of the body."""
    after: ClockTime | None = None
    before: ClockTime | None = None
    """Start of exposure on the camera's clock, both ends included."""

    @model_validator(mode="after")
    def _says_something(self) -> Match:
        if all(getattr(self, name) is None for name in Match.model_fields):
            raise ValueError(f"says no shots; add one of {', '.join(Match.model_fields)}")
        if self.after and self.before and self.before < self.after:
            raise ValueError("before is earlier than after; swap them")
        return self

    def fits(self, file: str, info: ShotInfo) -> bool:
        """Whether a shot is meant; one without a time is in no range of times."""
        path = PurePosixPath(file)
        if self.files is not None:
            target = file if "/" in self.files else path.name
            if not like(target, self.files):
                return False
        for pattern, text in (
            (self.lens, info.lens),
            (self.camera, info.camera),
            (self.serial, info.serial),
        ):
            if pattern is not None and not like(text, pattern):
                return False
        if self.after is None and self.before is None:
            return True
        clock = info.clock
        return (
            clock is not None
            and (self.after is None or clock >= self.after)
            and (self.before is None or clock <= self.before)
        )


class TargetNotes(Settings):
    """About where the middle of the picture was on the sky, within a degree or two."""

    ra_deg: float = Field(ge=0, lt=360)
    """Right ascension in degrees: hours times 15."""
    dec_deg: float = Field(ge=-90, le=90)


class RunNotes(Match, Words):
    """What is different for some of the shots, and what their files get wrong."""

    lens_name: Line | None = None
    """The lens that was really on."""
    focal_mm: float | None = _quantity("focal_mm")
    """Its true focal length."""
    fnumber: float | None = _quantity("fnumber")
    camera_name: Line | None = None
    exposure_s: float | None = _quantity("exposure_s")
    """The true time behind a rounded or missing one."""
    target: TargetNotes | None = None
    """Helps to find a narrow field in the star catalogue."""


class LeaveOut(Match):
    """Shots that are not to be judged."""

    reason: Annotated[Line, Field(min_length=3)]


@dataclass(frozen=True, slots=True)
class ShotNotes:
    """What the notes make of one shot."""

    info: ShotInfo
    """What its file says, corrected by the notes."""
    left_out: str = ""
    """Why it is not to be judged; empty for a shot that is."""
    utc_offset_h: float = NAN
    """Zone of the camera's clock by the notes, hours east of UTC."""
    clock_ahead_s: float = 0.0
    """How far that clock ran ahead."""
    site_by_notes: bool = False
    """Whether the site is theirs."""
    setup: int = 0
    """How often the tripod had been moved before it, by the notes."""
    tracker: str = ""
    payload_g: float = NAN
    alignment: str = ""
    wind: str = ""
    ground: str = ""
    counterweight: str = ""
    tags: Mapping[str, str | float | bool] = field(default_factory=dict)


class Notes(Words):
    """A whole night-notes file; an empty one says nothing."""

    runs: Annotated[tuple[RunNotes, ...], Field(strict=False, max_length=MOST_ENTRIES)] = ()
    """Parts of the night; where several fit a shot, a later one outranks an earlier one."""
    leave_out: Annotated[tuple[LeaveOut, ...], Field(strict=False, max_length=MOST_ENTRIES)] = ()
    setups: Annotated[tuple[ClockTime, ...], Field(strict=False, max_length=MOST_ENTRIES)] = ()
    """When the tripod or the tracker was set up anew, on the camera's clock."""
    turned: Annotated[
        tuple[ClockTime, ...],
        BeforeValidator(_one_or_more),
        Field(strict=False, max_length=MOST_ENTRIES),
    ] = ()
    """When the polar axis was turned by its adjustments, a time or several: a new placement too."""

    def for_shot(self, file: str, info: ShotInfo) -> ShotNotes:
        """What the notes say of a shot.

        Parameters
        ----------
        file : str
            Relative to the card, with / separators.
        info : ShotInfo
            What the file says, uncorrected: patterns are compared with that.
        """
        runs = [run for run in self.runs if run.fits(file, info)]
        out = next((entry.reason for entry in self.leave_out if entry.fits(file, info)), "")
        # FITS times are UTC by the standard, so a clock meant for the cameras of the night
        # must not move them; one that is given for certain shots does what it says.
        spoken: list[Words] = [self, *runs]
        clock = _last(words.clock for words in (runs if info.is_fits else spoken))
        tags: dict[str, str | float | bool] = {}
        for words in spoken:
            tags |= words.tags
        site = _last(words.site for words in spoken)
        placed = {*self.setups, *self.turned}
        return ShotNotes(
            info=_corrected(info, site, runs),
            left_out=out,
            utc_offset_h=clock.utc_offset_h if clock else NAN,
            clock_ahead_s=clock.ahead_s if clock else 0.0,
            site_by_notes=site is not None,
            setup=sum(time <= info.clock for time in placed) if info.clock else 0,
            tracker=_last(words.tracker for words in spoken) or "",
            payload_g=_last(words.payload_g for words in spoken) or NAN,
            alignment=_last(words.alignment for words in spoken) or "",
            wind=_last(words.wind for words in spoken) or "",
            ground=_last(words.ground for words in spoken) or "",
            counterweight=_last(words.counterweight for words in spoken) or "",
            tags=tags,
        )


def idle_entries(notes: Notes, shots: Iterable[tuple[str, ShotInfo]]) -> list[str]:
    """What the notes say of no shot of the card: most likely a slip.

    Parameters
    ----------
    notes : Notes
    shots : iterable of (file, info)
        Every shot, with what its file says, uncorrected.

    Returns
    -------
    list of str
        A line for each entry of `runs` and `leave_out` that fits no shot, and for each of
        `setups` and `turned` after which no shot was taken for half a day.
    """
    shots = list(shots)
    clocks = sorted(info.clock for _, info in shots if info.clock is not None)
    lines = []
    for name, entries in (("runs", notes.runs), ("leave_out", notes.leave_out)):
        for number, entry in enumerate(entries, 1):
            if not any(entry.fits(file, info) for file, info in shots):
                lines.append(
                    f"night notes: {name}.{number} ({_pattern(entry)}) fits no shot of the card; "
                    "correct or remove it"
                )
    for name, times in (("setups", notes.setups), ("turned", notes.turned)):
        for number, setup in enumerate(times, 1):
            after = bisect_left(clocks, setup)
            if after == len(clocks) or clocks[after] - setup > SETUP_SERVES:
                lines.append(
                    f"night notes: {name}.{number} ({setup:%Y-%m-%d %H:%M}): no shot was taken "
                    "within 12 h of it; it should be a time of the camera's own clock"
                )
    return lines


def _pattern(entry: Match) -> str:
    """What an entry matches by, as it was written."""
    given = ((name, getattr(entry, name)) for name in Match.model_fields)
    return ", ".join(f"{name}: {value}" for name, value in given if value is not None)


def load_notes(path: Path | None, card: Path) -> Notes:
    """The night notes at `path`, else those in the card, else those beside it, else none.

    Raises
    ------
    SettingsError
        One line for each mistake, with file, line and key.
    """
    path = path or _found(card)
    return read_notes(path) if path else Notes()


def read_notes(path: Path) -> Notes:
    """The night notes in a file.

    Raises
    ------
    SettingsError
        One line for each mistake, with file, line and key.
    """
    return load_yaml_model(path, read_text(path), Notes)


def example_text() -> str:
    """The shipped example as it stands in its file, comments included."""
    return (shipped("config") / "night-notes.example.yaml").read_text(encoding="utf-8")


def describe(notes: Notes) -> str:
    """What was said, as it was understood: night notes again, without comments."""
    told = notes.model_dump(exclude_unset=True, exclude_none=True)
    if not told:
        return "says nothing, and that is fine\n"
    return str(yaml.safe_dump(told, sort_keys=False, allow_unicode=True))


def notes_not_read(path: Path | None, card: Path) -> list[str]:
    """A line for each file on or beside the card that is named as night notes are and not read.

    Parameters
    ----------
    path : Path or None
        Night notes that were asked for by name.
    card : Path
    """
    read = path or _found(card)
    beside = card.resolve().parent
    places = [card / file for file in list_files(card)]
    with contextlib.suppress(OSError):
        places += sorted(place for place in beside.iterdir() if place.is_file())
    lines = []
    for place in places:
        if not NAMED_AS_NOTES.fullmatch(place.name) or (read and _same(place, read)):
            continue
        if place.name in NAMES and place.parent in (card, beside):
            why = f"{read} are the night notes; remove one of the two"
        else:
            why = (
                f"night notes lie in {card} or beside it and are called {NAMES[0]}; "
                "move and name it so, or give it by --notes"
            )
        lines.append(f"{place}: is not read: {why}")
    if len(lines) > MOST_NOT_READ:
        more = len(lines) - MOST_NOT_READ
        lines[MOST_NOT_READ:] = [f"{card}: so are {more} more files named as night notes"]
    return lines


def _found(card: Path) -> Path | None:
    """The night notes that nobody had to name; None if there are none."""
    places = (folder / name for folder in (card, card.resolve().parent) for name in NAMES)
    return next((place for place in places if is_file(place)), None)


def _same(one: Path, other: Path) -> bool:
    """Whether two paths are one file, which on some disks may be written in capitals or not."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def _corrected(info: ShotInfo, site: SiteNotes | None, runs: Sequence[RunNotes]) -> ShotInfo:
    """What the file says, with what the notes know better."""
    if site is not None:
        height = info.height_m if site.height_m is None else site.height_m
        info = replace(
            info,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            height_m=height,
        )
    for run in runs:
        info = replace(
            info,
            lens=run.lens_name or info.lens,
            focal_mm=run.focal_mm or info.focal_mm,
            fnumber=run.fnumber or info.fnumber,
            camera=run.camera_name or info.camera,
            exposure_s=run.exposure_s or info.exposure_s,
            ra_hint_deg=run.target.ra_deg if run.target else info.ra_hint_deg,
            dec_hint_deg=run.target.dec_deg if run.target else info.dec_hint_deg,
        )
    return info


def _last(values: Iterable[T | None]) -> T | None:
    """The last that is there."""
    return next((value for value in reversed(list(values)) if value is not None), None)
