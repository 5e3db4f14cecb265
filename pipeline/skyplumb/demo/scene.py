"""What an invented night is made of: site, camera, lens, tracker, sky and runs.

Everything here is plain data. Times written as `_s` are seconds after the start of the
night's first run (`Night.epoch_utc`). Image directions are the sensor's own: +x right, +y
down. The signs of the tracker's faults are those of the results table: an axis error is that
of the elevated end, altitude positive when too high, azimuth positive when too far east.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

NAN = float("nan")

TRACKING_RATES = {
    "sidereal": 1.0,
    # Names for rates in units of the Earth's own rotation: Moon on average, half, none.
    "lunar": 1.0 - 0.0237,
    "half": 0.5,
    "off": 0.0,
}


@dataclass(frozen=True, slots=True)
class DrawnSite:
    """Where the tripod stands."""

    latitude_deg: float
    longitude_deg: float
    """East positive."""
    height_m: float = 0.0
    temperature_c: float = 8.0

    @property
    def pressure_hpa(self) -> float:
        """Air pressure of the standard atmosphere at this height (ICAO 1993, troposphere)."""
        return float(1013.25 * (1.0 - 2.25577e-5 * self.height_m) ** 5.25588)


@dataclass(frozen=True, slots=True)
class Body:
    """A camera body and its sensor."""

    name: str
    maker: str
    serial: str
    width_px: int = 3000
    height_px: int = 2000
    pixel_um: float = 7.8
    black: int = 512
    white: int = 16383
    """Samples are clipped here."""
    bits: int = 14
    read_noise_e: float = 3.0
    gain_e_per_dn: float = 0.8
    """At the ISO that is used; one number, since a night seldom changes it."""
    dark_e_per_s: float = 0.02
    pattern: str = "RGGB"
    """Colours of the upper left 2 x 2 samples, row by row; empty for a monochrome sensor."""
    hot_pixels: int = 250
    """Their places and strengths belong to the serial number."""


@dataclass(frozen=True, slots=True)
class Lens:
    """A lens: where light falls and how a star looks there.

    The star is a Moffat profile. Its squared full width is a tensor: the square of `fwhm_px`,
    plus what the lens adds in quadrature along and across the radius, which grows with
    `growth` powers of the distance from the (decentred) axis, plus defocus, which is round.
    """

    name: str
    focal_mm: float
    fnumber: float
    fwhm_px: float = 2.4
    beta: float = 3.0
    radial_px: float = 0.0
    """Full width added in quadrature along the radius, at the corner."""
    tangential_px: float = 0.0
    """The same across the radius."""
    growth: float = 2.0
    """Power of the radius with which the added squared width grows."""
    decentre_px: tuple[float, float] = (0.0, 0.0)
    """Where the lens is at its best, from the centre of the picture."""
    tilt_px: tuple[float, float] = (0.0, 0.0)
    """Defocus (full width, px) at the right and at the lower edge of a tilted sensor."""
    focus_drift_px_per_h: float = 0.0
    """Growth of defocus (full width, px) from the start of the run."""
    k1: float = 0.0
    """Radial distortion: relative shift outwards at the corner, growing as r^2."""
    k2: float = 0.0
    """The same, growing as r^4."""
    vignetting: float = 0.3
    """Share of the light that is missing in the corner."""
    throughput: float = 0.08
    """Green electrons per photon that enters the aperture in the catalogue's band."""


@dataclass(frozen=True, slots=True)
class Gusts:
    """Wind: pushes that come at random and swing out."""

    per_min: float
    strength_arcsec: float
    """Mean push; single ones are exponentially distributed."""
    decay_s: float = 2.0
    sway_hz: float = 0.0
    """The camera swings back at this frequency; 0 lets it come back slowly."""
    axis_deg: float = 0.0
    """Image angle of the usual push."""
    scatter_deg: float = 180.0
    """Pushes are spread evenly within this angle on either side of the axis."""
    from_s: float = 0.0
    to_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Knock:
    """A push after which the camera stays where it is, until it is aimed again."""

    at_s: float
    dx_arcsec: float
    dy_arcsec: float
    """Displacement of the picture on the sensor."""


@dataclass(frozen=True, slots=True)
class Mount:
    """A tracker on its tripod, with the faults it is given."""

    name: str = "travel tracker"
    axis_alt_error_arcmin: float = 0.0
    axis_az_error_arcmin: float = 0.0
    rate_error: float = 0.0
    """Relative; positive runs too fast."""
    periodic_arcsec: float = 0.0
    """Amplitude of the periodic error, about the axis."""
    periodic_s: float = 600.0
    periodic_phase_deg: float = 0.0
    flexure_arcsec: float = 0.0
    """Droop of a horizontal camera; it follows gravity as the camera turns."""
    slip_arcsec_per_min: float = 0.0
    """Slip of a horizontal camera downwards, from `slip_from_s` on or from a later new aim."""
    slip_from_s: float = 0.0
    slip_to_s: float = float("inf")
    """When somebody tightened the head."""
    slip_roll: float = 0.0
    """Roll that goes with the slip, as a share of it (a side-loaded head)."""
    gusts: Gusts | None = None
    knocks: tuple[Knock, ...] = ()


@dataclass(frozen=True, slots=True)
class Sky:
    """Brightness and clearness of the night."""

    mag_arcsec2: float = 21.0
    gradient: float = 0.15
    """Relative change of the sky from the centre of the picture to its lower edge."""
    cloud: tuple[tuple[float, float], ...] = ()
    """Extinction: (time_s, magnitudes), straight between, clear outside."""
    brightening: tuple[tuple[float, float], ...] = ()
    """Moon or twilight: (time_s, factor on the sky level), straight between, held outside."""
    extinction_mag_per_airmass: float = 0.18
    satellites_per_h: float = 4.0
    """Streaks through the picture."""
    patches_mag: float = 0.0
    """Mean extinction of broken cloud, all night; it is uneven by as much, and never under 0."""
    patches_size: float = 0.25
    """Size of its pieces as a share of the picture's width."""
    patches_drift: float = 0.2
    """Widths of the picture that they drift in a minute."""


@dataclass(frozen=True, slots=True)
class Clock:
    """What the camera knows of time and place."""

    utc_offset_h: float = 2.0
    error_s: float = 0.0
    """Camera clock minus the true local time."""
    writes_offset: bool = True
    """The zone is in the file (EXIF OffsetTimeOriginal)."""
    gps: bool = False
    """Place and UTC are in the file."""


@dataclass(frozen=True, slots=True)
class DrawnRun:
    """Exposures taken one after the other with one lens and one aim."""

    lens: Lens
    start_utc: datetime
    exposure_s: float
    frames: int
    ra_deg: float = NAN
    """Target, ICRS; or give altitude and azimuth."""
    dec_deg: float = NAN
    alt_deg: float = NAN
    az_deg: float = NAN
    """North through east."""
    roll_deg: float = 0.0
    """Position angle of the sensor's up direction on the sky, north through east."""
    gap_s: float = 4.0
    iso: int = 800
    kind: str = "light"
    """light, dark, flat or bias."""
    tracking: str = "sidereal"
    """One of `TRACKING_RATES`."""
    dithers: tuple[tuple[int, float, float], ...] = ()
    """(frame, dx_px, dy_px): steps of the picture before that frame, which stay."""
    written_exposure_s: float = NAN
    """What the file says, if not the truth."""
    folder: str = ""
    companions: tuple[int, ...] = ()
    """Frames that get a JPEG beside them."""
    broken: tuple[int, ...] = ()
    """Frames whose file ends early, as after a full card or a flat battery."""

    def start_of(self, frame: int) -> float:
        """Seconds from the start of the run to the start of a frame."""
        return frame * (self.exposure_s + self.gap_s)


@dataclass(frozen=True, slots=True)
class Night:
    """One tripod, one body, one placement of the polar axis, and its runs."""

    site: DrawnSite
    body: Body
    mount: Mount
    runs: tuple[DrawnRun, ...]
    sky: Sky = field(default_factory=Sky)
    clock: Clock = field(default_factory=Clock)
    photographer: str = ""
    seed: int = 1
    faint_to_mag: float = 11.5
    """Below the catalogue's G 10, invented stars go on to here."""

    @property
    def epoch_utc(self) -> datetime:
        """Zero of all `_s` times: the start of the earliest run, UTC, without zone object."""
        return min(plain_utc(run.start_utc) for run in self.runs)

    def start_s(self, run: int) -> float:
        """Start of a run in seconds after the epoch."""
        return (plain_utc(self.runs[run].start_utc) - self.epoch_utc).total_seconds()


def plain_utc(moment: datetime) -> datetime:
    """UTC without a zone object; a moment without one is taken as UTC."""
    return moment if moment.tzinfo is None else moment.astimezone(UTC).replace(tzinfo=None)
