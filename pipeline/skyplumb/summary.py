"""What summary.json says: the same facts as table and page, for a program.

The records below are the file: written from them, read back into them, and described by a JSON
Schema made from them (`reports/summary.schema.json`). Keys are never taken away; readers pass
over those they do not know.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from skyplumb._data import read_json, read_whole
from skyplumb.digits import to_error
from skyplumb.findings import AS_WRITTEN, Advice, LensField, LensReport, Number, TrailAxes
from skyplumb.plain import json_visible, plain
from skyplumb.records import NAN
from skyplumb.version_0_1 import todays_summary

FORMAT = 1
SCHEMA_ID = "urn:skyplumb:summary:1"
"""Of the schema of that format."""
SCHEMA_FILE = "summary.schema.json"
"""In `reports/`."""

NOT_TOLD = ""
"""An evening in a summary of version 0.1, which did not say it."""


@dataclass(frozen=True, slots=True)
class MountSummary:
    """What the run's pointings say of the tracker; the same for all runs of a setup."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    setup: str = ""
    """One placement of tripod and tracker."""
    frames: int = 0
    """Pointings the fit is made from."""
    axis_alt_error_arcmin: Number = NAN
    """The elevated end of the polar axis is too high by this."""
    axis_alt_error_arcmin_sigma: Number = NAN
    axis_az_error_arcmin: Number = NAN
    """That end is too far east by this, measured along the horizon."""
    axis_az_error_arcmin_sigma: Number = NAN
    axis_total_error_arcmin: Number = NAN
    """On the sky, from the true pole."""
    axis_total_error_arcmin_sigma: Number = NAN
    axis_total_low_arcmin: Number = NAN
    """Where no one number is told: the axis error is between this and the next, 95%, over all that
    the mount may have done."""
    axis_total_high_arcmin: Number = NAN
    rate_error_ppm: Number = NAN
    """The drive is too fast by so many millionths."""
    rate_error_ppm_sigma: Number = NAN
    periodic_amplitude_arcsec: Number = NAN
    """Amplitude of the periodic error: half of peak to peak."""
    periodic_amplitude_arcsec_sigma: Number = NAN
    periodic_period_s: Number = NAN
    periodic_period_s_sigma: Number = NAN
    periodic_phase_deg: Number = NAN
    """Where in its period the error was at the start of the run's first frame: it goes as the sine
    of this angle, + ahead of the sky."""
    slip_arcsec_per_min: Number = NAN
    """How fast the head slips from the onset on, + downwards."""
    slip_arcsec_per_min_sigma: Number = NAN
    slip_before_arcsec_per_min: Number = NAN
    """How fast it slipped already before that: what begins at the onset is more."""
    rate_name: str = ""
    """What the drive did instead of following the stars, such as "half speed"; empty else."""
    residual_arcsec: Number = NAN
    """Scatter of the pointings about the fit."""
    span_min: Number = NAN
    """From the first to the last pointing."""
    degenerate_with: tuple[str, ...] = ()
    """What would look the same on these frames."""
    faults: tuple[str, ...] = ()
    """Faults that stand clear of their errors and are large enough to matter."""
    axis_covariance_arcmin2: tuple[tuple[float, ...], ...] = ()
    """Of the axis in altitude and along the horizon, on the sky; empty if unknown."""
    flexure_arcsec: Number = NAN
    """Bend of the head under a level camera."""
    flexure_arcsec_sigma: Number = NAN
    slip_onset_camera: str = ""
    """When the head began to slip, by the camera's clock."""
    slip_onset_utc: str = ""
    why_not: str | dict[str, str] = field(default_factory=dict)
    """Why a figure is null: by its key, or one reason for all."""

    @property
    def setup_number(self) -> int:
        """Of the placement, by which they are listed; 0 where it has none."""
        return int(self.setup) if self.setup.isdecimal() else 0


@dataclass(frozen=True, slots=True)
class FrameSummary:
    """One judged frame."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    file: str
    """Relative to the card, exactly."""
    verdict: str = ""
    causes: dict[str, float] = field(default_factory=dict)
    """Every cause at work with its share."""
    decided_by: str = "rules"
    """rules or person."""
    rules_verdict: str = ""
    """What the rules alone say."""
    note: str = ""
    """What the person wrote."""


@dataclass(frozen=True, slots=True)
class StackSummary:
    """The weighted mean of some frames of a run, laid star on star."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    frames: int = 0
    minutes: float = 0.0
    fwhm_px: Number = NAN
    ellipticity: Number = NAN
    """1 - b/a of the stacked star."""
    snr_gain: Number = NAN
    """Signal to noise ratio of a faint star over that in one of the run's best frames."""


@dataclass(frozen=True, slots=True)
class SunMoonSummary:
    """Heights of Sun and Moon above the horizon, without refraction, over the session."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    utc: tuple[str, ...]
    sun_altitude_deg: tuple[float, ...]
    moon_altitude_deg: tuple[float, ...]
    moon_lit: float
    """Share of the Moon's disc that is lit, 0..1."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    run: str
    camera: str = ""
    lens: str = ""
    focal_mm: Number = NAN
    aperture: Number = NAN
    exposure_s: Number = NAN
    iso: Number = NAN
    shots: int = 0
    """Judged frames."""
    keep: int = 0
    doubtful: int = 0
    hit_rate: Number = NAN
    """Kept over judged."""
    hit_rate_low: Number = NAN
    """Lower end of its 95% interval (Wilson)."""
    hit_rate_high: Number = NAN
    best_fwhm_px: Number = NAN
    """Of the run's sharpest frames."""
    width_px: int = 0
    """Of its pictures; 0 unknown."""
    height_px: int = 0
    focus_fwhm_px: Number = NAN
    """Of its sharpest solved frames without a trail, where the run is in focus as a whole: what
    its lens is known to give at this aperture, for other runs and nights."""
    loss: dict[str, int] = field(default_factory=dict)
    """Frames not kept, by cause."""
    loss_minutes: dict[str, float] = field(default_factory=dict)
    """Their exposure time, by cause."""
    frames: tuple[FrameSummary, ...] = ()
    closure_slope: Number = NAN
    """How much of the trails the image drift between frames explains: 1 all, 0 none."""
    closure_slope_sigma: Number = NAN
    trail_axes: TrailAxes = field(default_factory=TrailAxes)
    optics: LensReport = field(default_factory=LensReport)
    limits: dict[str, float] = field(default_factory=dict)
    """Limits in force of the rules on shapes and trails, such as trail_px.keep_up_to."""
    stack: StackSummary = field(default_factory=StackSummary)
    """Of the kept frames."""
    stack_with_doubtful: StackSummary = field(default_factory=StackSummary)
    """Of the kept and the doubtful ones."""
    target_ra_deg: Number = NAN
    """Where the run's first solved frame pointed, ICRS."""
    target_dec_deg: Number = NAN
    constellation: str = ""
    """Latin name of the constellation that lies in; empty if unknown."""
    mount: MountSummary = field(default_factory=MountSummary)
    notes: dict[str, str | float | bool] = field(default_factory=dict)
    """What the night notes say of all its frames."""
    zero_mag: Number = NAN
    """Catalogue magnitude (G) of a star that gives one sample unit a second above the air, in its
    clearest frames: how much light comes through, at one camera, lens, aperture and ISO."""
    filter: str = ""
    """Filter in the beam, as its files name it."""
    gain: Number = NAN
    """Gain setting as a FITS header writes it."""
    temperature_c: Number = NAN
    """Of the sensor, the middle of its frames'."""
    sky_mag_arcsec2: Number = NAN
    """Brightness of the sky in the middle one of its frames, magnitudes of Gaia's G per square
    arcsecond as the camera's green sees them, by a zero point above the air."""
    sky_mag_arcsec2_sigma: Number = NAN
    """Of the zero point, which the frames share."""


@dataclass(frozen=True, slots=True)
class NeighbourSummary:
    """Another panel of the mosaic beside one."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    panel: int
    overlap: float
    """Share of the panel that this one covers too, 0..1; 0 where a gap is left."""


@dataclass(frozen=True, slots=True)
class PanelSummary:
    """One aim of a mosaic or panorama, as in panels.csv."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    mosaic: int
    panel: int
    """In the order in which they were first shot."""
    lens: str = ""
    focal_mm: Number = NAN
    runs: tuple[str, ...] = ()
    ra_deg: Number = NAN
    """Middle of its first solved frame, ICRS."""
    dec_deg: Number = NAN
    roll_pa_deg: Number = NAN
    """Position angle of the sensor's up direction, north through east."""
    frames: int = 0
    keep: int = 0
    keep_minutes: float = 0.0
    stack_fwhm_px: Number = NAN
    """Of the stack of its kept frames, the run with most light in it."""
    stack_snr_of_best: Number = NAN
    """Signal over noise of a faint star in that stack, over that of the mosaic's best panel."""
    neighbours: tuple[NeighbourSummary, ...] = ()
    altitude_deg: Number = NAN
    """At the session's last frame."""
    above_30_deg_until_utc: str = ""
    """When it sinks under 30 degrees; empty where it does not within half a day, stands lower
    already, or time or site are unknown."""


@dataclass(frozen=True, slots=True)
class Trace:
    """What the session was made from and with: the same trace and files give the same bytes, but
    for what is said of an earlier audit."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    version: str = ""
    """Of skyplumb."""
    measure_version: int = 0
    """Of the way a shot is measured."""
    rules_digest: str = ""
    """Of the rules in force, shipped ones included (BLAKE2b, 128 bits)."""
    notes_digest: str = ""
    """Of the night notes as they were understood."""
    overrides_digest: str = ""
    """Of the verdicts by hand that were applied."""
    focus_digest: str = ""
    """Of what other sessions and `--history` tell of its lenses; empty where they tell nothing."""
    calibration_digest: str = ""
    """Of the shots, the notes on them, and the code that calibrates."""
    libraries: dict[str, str] = field(default_factory=dict)
    """Versions of those that a number depends on, and of Python."""
    options: dict[str, float] = field(default_factory=dict)
    """Options that can change what this file says."""
    lost_files: dict[str, str] = field(default_factory=dict)
    """Files that were too slow, too large, crashed a worker or met a fault of ours: what was."""


@dataclass(frozen=True, slots=True)
class ChangedVerdict:
    """A frame that an earlier audit judged otherwise."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    file: str
    """Relative to the card, exactly."""
    was: str
    now: str


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """One session: a night of one camera."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    session: str
    evening: str | None = NOT_TOLD
    """ISO date of the evening on which the night began; null where undated."""
    camera: str = ""
    """Maker and model of the body."""
    serial: str = ""
    """Its serial number; empty if unknown."""
    clock: str = ""
    """Where UTC comes from, and how many frames say so; empty where it is unknown."""
    latitude_deg: Number = NAN
    """Of the site, north positive; the median of the frames'."""
    longitude_deg: Number = NAN
    """East positive."""
    shots: int = 0
    """Files of any kind."""
    kinds: dict[str, int] = field(default_factory=dict)
    """Files by kind."""
    lights: int = 0
    """Judged frames."""
    keep: int = 0
    keep_minutes: float = 0.0
    notices: tuple[str, ...] = ()
    """What a reader must know first."""
    changed_verdicts: tuple[ChangedVerdict, ...] = ()
    """Against the last audit into this folder that judged a frame otherwise, which may have been
    stacked by it."""
    changed_by: tuple[str, ...] = ()
    """What was another one then: version, rules, night notes, verdicts by hand, frames."""
    advice: tuple[Advice, ...] = ()
    """The remedy that saves most first."""
    runs: tuple[RunSummary, ...] = ()
    sun_and_moon: SunMoonSummary | None = None
    """Null where time or site is unknown."""
    trace: Trace = field(default_factory=Trace)
    table_rows: int = 0
    """Of the frames.csv beside it."""
    table_digest: str = ""
    """Of its bytes (BLAKE2b, 128 bits); empty in a summary of an earlier version."""
    lenses: tuple[LensField, ...] = ()
    """What each lens and aperture draws over the field, for the season to pool."""
    panels: tuple[PanelSummary, ...] = ()
    """Of its mosaics and panoramas; none where no two aims of one lens meet."""
    sky_extinction_mag_airmass: Number = NAN
    """Starlight in green that an air mass took, by the session's clear frames; null where they tell
    it to no better than 0.1."""
    sky_extinction_mag_airmass_sigma: Number = NAN

    @property
    def judged_minutes(self) -> float:
        """Exposure time of the judged frames, kept or not."""
        return self.keep_minutes + sum(sum(run.loss_minutes.values()) for run in self.runs)

    @property
    def best_remedy(self) -> Advice | None:
        """The first of `advice`, where it saves a frame by itself or with another remedy."""
        best = self.advice[0] if self.advice else None
        return best if best and (best.saves_frames or best.together_frames) else None


@dataclass(frozen=True, slots=True)
class Summary:
    """The whole file."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    sessions: tuple[SessionSummary, ...]
    format: int = FORMAT
    """Raised where a key's meaning changed or a key went."""


def table_digest(content: bytes) -> str:
    """By which a frames.csv is known that is not what was written beside its summary."""
    return hashlib.blake2b(content, digest_size=16).hexdigest()


def read_table(path: Path, told: SessionSummary) -> bytes:
    """The bytes of the frames.csv beside a summary, all of them as they were written.

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If it is not what the summary says: cut, edited, or of an audit that was killed.
    """
    content = read_whole(path)
    if told.table_digest and table_digest(content) != told.table_digest:
        raise ValueError(f"is not the table of {told.table_rows} rows that its summary.json tells")
    return content


def summary_json(session: SessionSummary) -> str:
    """One session as the text of its summary.json; NaN is null.

    Numbers have the digits that they are known to, so that the last bits of a sum, which differ
    between processors, are not written: see `_written`.
    """
    told = plain(asdict(_written(Summary((session,)))))
    return json_visible(json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False)) + "\n"


DIGITS = 6
"""Significant digits of a number without an error."""
_DIGITS = {
    **dict.fromkeys(("target_ra_deg", "target_dec_deg", "ra_deg", "dec_deg"), 8),
    **dict.fromkeys(("stack_fwhm_px", "stack_snr_of_best", "altitude_deg", "residual_arcsec"), 4),
    "mxx_myy_px4": 4,
    "p": 3,
}


def _written(record: Any) -> Any:
    """A record whose own numbers are rounded, and those of the records in it.

    With an error (`..._sigma`) to the fourth digit of that, else to so many significant digits.
    What is kept by name (limits, notes, options) is what others said, and lists are rounded
    where they are made.
    """
    told: dict[str, Any] = {}
    for one in fields(record):
        value = getattr(record, one.name)
        if is_dataclass(value):
            told[one.name] = _written(value)
        elif isinstance(value, tuple) and value and is_dataclass(value[0]):
            told[one.name] = tuple(map(_written, value))
        elif isinstance(value, float):
            digits = 4 if one.name.endswith("_sigma") else _DIGITS.get(one.name, DIGITS)
            told[one.name] = to_error(value, getattr(record, f"{one.name}_sigma", NAN), digits)
    return replace(record, **told)


def read_summary(path: Path) -> tuple[SessionSummary, ...]:
    """The sessions of a summary.json, of version 0.1 too; null is NaN again.

    Raises
    ------
    OSError
        If it cannot be read, FileNotFoundError among them.
    ValueError
        If it is no summary, with the key and what is wrong in one line.
    """
    try:
        told = read_json(path)
        # Version 0.1 told no format.
        if not (isinstance(told, dict) and "format" in told):
            told = todays_summary(told)
        return _adapter().validate_python(told).sessions
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise ValueError(f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from error


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of summary.json."""
    # Meanings are read from the source, which takes longer than all else and only a schema needs.
    AS_WRITTEN["use_attribute_docstrings"] = True
    try:
        told = TypeAdapter(Summary).json_schema(mode="serialization")
    finally:
        del AS_WRITTEN["use_attribute_docstrings"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        **_without(told, "title", "default"),
        "title": "summary.json of skyplumb",
    }


@cache
def _adapter() -> TypeAdapter[Summary]:
    return TypeAdapter(Summary)


def _without(schema: Any, *words: str) -> Any:
    """A schema without some of its words; a property of that name stays."""
    if isinstance(schema, list):
        return [_without(one, *words) for one in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: {name: _without(one, *words) for name, one in value.items()}
        if key in ("properties", "$defs")
        else _without(value, *words)
        for key, value in schema.items()
        if key not in words
    }
