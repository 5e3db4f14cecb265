"""The small records that travel between the stages.

Floats that are not known are NaN, texts that are not known are empty. Angles are
degrees. Pixel positions are (x, y) with the centre of the first pixel at (0, 0),
+x right and +y down as the array is decoded, whatever the orientation flag says.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

NAN = float("nan")

KINDS = (
    "light",
    "dark",
    "flat",
    "bias",
    "other",
    "companion",
    "unsupported",
    "unreadable",
    "excluded",
)

STACK = "stack"
"""Image type of a picture that was made of many light frames: no exposure to be judged."""

VERDICTS = ("keep", "doubtful", "reject")
"""From the best to the worst."""


@dataclass(frozen=True, slots=True)
class ShotInfo:
    """What a file says of itself, in one set of units, before anything is believed."""

    camera: str = ""
    """Body, maker and model without doubled words."""
    serial: str = ""
    """Body serial number, to tell two bodies of one model apart."""
    lens: str = ""
    focal_mm: float = NAN
    """True focal length; NaN for a lens without electronics (0 in the file)."""
    fnumber: float = NAN
    exposure_s: float = NAN
    iso: float = NAN
    clock: datetime | None = None
    """Start of exposure by the camera's own clock, without zone, sub-seconds included."""
    taken_camera: str = ""
    """The same as written in the file."""
    utc_offset_h: float = NAN
    """Zone of `clock` as the file states it, hours east of UTC; 0 for FITS times (UTC)."""
    gps_utc: datetime | None = None
    """UTC of the GPS stamp, without zone object."""
    latitude_deg: float = NAN
    longitude_deg: float = NAN
    """East positive."""
    height_m: float = NAN
    temperature_c: float = NAN
    """Sensor or camera temperature."""
    pixel_um: float = NAN
    """Pixel pitch on the sensor."""
    image_type: str = ""
    """light, dark, flat, bias or `STACK` where the file says so."""
    mosaic_claim: str = ""
    """Colour order a FITS header claims, such as RGGB; not yet believed."""
    gain: float = NAN
    """Gain setting as a FITS header writes it; not an ISO, but it tells runs apart."""
    is_fits: bool = False
    """Read from a FITS header."""
    ra_hint_deg: float = NAN
    dec_hint_deg: float = NAN
    """Where the middle of the picture roughly is on the sky, by a FITS header or the night notes:
    the mount's or the target's place, so good to a degree or so; of date or J2000."""
    orientation: int = 0
    """How the picture is turned for viewing, as EXIF numbers it: where row 0 and column 0 of the
    array lie, 1 top and left, 2 top and right, 3 bottom and right, 4 bottom and left, 5 left and
    top, 6 right and top, 7 right and bottom, 8 left and bottom; 0 unknown."""
    filter_name: str = ""
    """Filter in the beam as a FITS header names it."""
    offset: float = NAN
    """Offset setting as a FITS header writes it."""
    binning: float = NAN
    """Pixels of the sensor to a sample along a row."""
    set_temperature_c: float = NAN
    """What the sensor's cooler was set to."""
    electrons: float = NAN
    """Electrons to a sample unit as a FITS header states it."""

    @property
    def setting(self) -> tuple[object, ...]:
        """What tells frames through one lens apart besides exposure and ISO: filter, gain, offset,
        binning and the cooler's setting; None or empty where a file says nothing."""
        numbers = (self.gain, self.offset, self.binning, self.set_temperature_c)
        known = (None if value != value else round(value, 2) for value in numbers)
        return (self.filter_name.casefold(), *known)


@dataclass(frozen=True, slots=True)
class CardFile:
    """One file found on the card."""

    file: PurePosixPath
    """Relative to the card."""
    kind: str
    """light for anything that may be one; companion or unsupported where the name tells."""
    note: str = ""
    """Why it is not judged, in words."""
    fails: bool = False
    """A folder that the disk did not answer for: what is in it is not known."""


@dataclass(frozen=True, slots=True)
class Plate:
    """A decoded shot: the sensor's own samples, untouched."""

    samples: NDArray[np.generic]
    """Shape (height, width), uint16 or float32, as recorded (black not yet subtracted)."""
    colours: NDArray[np.uint8]
    """Repeating colour pattern, shape (rows, columns): 0 red, 1 green, 2 blue; [[1]] if mono."""
    black: NDArray[np.float32]
    """Black level for each place of `colours`, same shape, in sample units."""
    saturation: float
    """Samples at or above this are saturated; +inf if not known."""


STAR_DTYPE = np.dtype(
    [
        ("x", "f4"),  # centroid, px
        ("y", "f4"),
        ("flux", "f4"),  # sample units above the sky, Gaussian-weighted fit
        ("snr", "f4"),  # flux over its error
        ("peak", "f4"),  # highest sample above the sky
        ("mxx", "f4"),  # adaptive Gaussian-weighted second moments, px^2
        ("myy", "f4"),
        ("mxy", "f4"),
        ("sxx", "f4"),  # their one-sigma errors, px^2
        ("syy", "f4"),
        ("sxy", "f4"),
        ("kurt", "f4"),  # weighted radial fourth moment; 2 for a Gaussian
        ("flags", "u2"),  # see stars.FLAGS; 0 votes
    ]
)


@dataclass(frozen=True, slots=True)
class Measure:
    """All that is known of one shot by itself; computed once and kept in the store."""

    file: str
    """Relative to the card, with / separators."""
    kind: str
    """light, dark, flat, bias, other or unreadable, by the header or by what is in the picture."""
    note: str
    """Why it could not be read or is not a light frame; empty for a light."""
    info: ShotInfo = ShotInfo()
    width_px: int = 0
    height_px: int = 0
    stars: NDArray[np.void] = field(default_factory=lambda: np.zeros(0, STAR_DTYPE))
    """Structured array of `STAR_DTYPE`, brightest first; the brightest of a crowded frame only."""
    stars_found: int = 0
    """How many stars stand above the sky."""
    sky_level: float = NAN
    """Median green sky above black, sample units."""
    noise: float = NAN
    """Standard deviation of one green sample of the sky, sample units."""
    trails: int = 0
    """Long straight streaks (satellites, aircraft) that were left out of the star table."""
    hot_pixels: int = 0
    """Detections narrower than any star."""
    hot_xy: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    """Their places, px, the brightest first; at most 2000."""
    crops: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0, 0), np.float32))
    """Star crops at 100 %, shape (n, size, size), sample units above the sky, unstretched."""
    crop_xy: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    """Their centres in the picture, px, ordered by distance from the optical axis."""
    mean_star: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    """Median of the brighter stars of the middle of the field, each of height 1, shape (size,
    size); it shows the faint tails that a gust leaves and a single star hides in its noise."""
    thumbnail: NDArray[np.uint8] = field(default_factory=lambda: np.zeros((0, 0), np.uint8))
    """The whole green picture, small, grey 0..255; for the eye alone."""
    arcs: int = 0
    """Star trails too long to be measured as stars; 0 where the picture is not trailed so."""
    arc_x_px: float = NAN
    """Their common centre in the picture, often far outside of it; NaN for straight trails."""
    arc_y_px: float = NAN
    arc_deg: float = NAN
    """Their angle about that centre, and its one-sigma error."""
    arc_sigma_deg: float = NAN
    arc_length_px: float = NAN
    """Median length of a whole one."""
    samples_digest: str = ""
    """Of the decoded samples of every eighth row: alike in copies of one shot alone; empty where
    all of them are equal."""


@dataclass(frozen=True, slots=True)
class FieldShapes:
    """Shapes of some stars of one frame, for a picture of the field; all have n rows."""

    place: NDArray[np.float64]
    """Shape (n, 2): from the middle of the picture, over its half diagonal."""
    moments: NDArray[np.float64]
    """Shape (n, 3): trace mxx + myy, mxx - myy, 2 mxy as measured, px^2."""
    moments_without_lens: NDArray[np.float64]
    """The same less what the lens adds there over the middle of the picture."""
