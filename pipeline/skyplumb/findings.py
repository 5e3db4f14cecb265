"""What calibrating and judging find of a run, in the records that the summary tells it by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import BeforeValidator, ConfigDict, WithJsonSchema

from skyplumb.causes import CAUSES
from skyplumb.digits import counted, duration
from skyplumb.records import NAN

Number = Annotated[
    float,
    BeforeValidator(lambda value: NAN if value is None else value),
    WithJsonSchema({"type": ["number", "null"]}),
]
"""NaN where unknown, which is null in the file."""

AS_WRITTEN = ConfigDict(json_schema_serialization_defaults_required=True)
"""A schema of what is written, where every key stands."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What one cause cost and its remedy."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    cause: str
    frames: int
    """Lost to it, doubtful ones included."""
    minutes: float
    mend: str
    """The remedy, in plain words, with this night's numbers."""
    saves_frames: int
    """How many of all lost frames would have been kept without this cause."""
    saves_minutes: float
    caution: str = ""
    together_with: str = ""
    """The other cause whose remedy adds most to this one's; empty where none does."""
    together_frames: int = 0
    """How many would have been kept without either."""
    together_minutes: float = 0.0

    @property
    def saving(self) -> str:
        """What the remedy saves, in a sentence or two; empty if nothing."""
        parts = []
        if self.saves_frames:
            frames = counted(self.saves_frames, "frame")
            parts.append(f"Saves {frames}{_light(self.saves_minutes)}.")
        if self.together_with:
            other = CAUSES.get(self.together_with)
            parts.append(
                f"With the remedy for {other.label if other else self.together_with} both together "
                f"save {self.together_frames}{_light(self.together_minutes)}."
            )
        return " ".join(parts)


def _light(minutes: float) -> str:
    """Such as ", 28 min"; empty for frames of unknown exposure."""
    return f", {duration(60 * minutes)}" if minutes > 0 else ""


@dataclass(frozen=True, slots=True)
class LensReport:
    """What a lens does to stars, whatever carries it; lengths as an even trail would stretch."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    corner_stretch_px: Number = NAN
    """Longest stretch at a corner."""
    centre_stretch_px: Number = NAN
    """Stretch at the very centre that the image drift does not explain: decentring."""
    tilt_x_fwhm_px: Number = NAN
    """FWHM at the right edge less that at the left edge, both of the sensor's own frame."""
    tilt_y_fwhm_px: Number = NAN
    """FWHM at the lower edge less that at the upper edge."""
    left_fwhm_px: Number = NAN
    """FWHM at the left edge, of the sensor's own frame."""
    upper_fwhm_px: Number = NAN
    frames: int = 0
    """How many sharp frames it was learned from."""


@dataclass(frozen=True, slots=True)
class LensZone:
    """What a lens makes of a star in one part of the picture, without motion: second moments of the
    elliptical Gaussian that fits it best, the pixel in them, of the sensor's own frame (+x right,
    +y down)."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    x: float
    """Middle of the part, from the middle of the picture, over the half diagonal."""
    y: float
    stars: int
    """Different ones of the catalogue."""
    mxx_px2: float
    mxx_px2_sigma: Number
    myy_px2: float
    myy_px2_sigma: Number
    mxy_px2: float
    mxy_px2_sigma: Number
    profile: float
    """Weighted fourth moment of the profile: 2 for a Gaussian, more with wings."""
    mxx_myy_px4: Number = NAN
    """Covariance of the errors of mxx and myy, which share focus and seeing."""


@dataclass(frozen=True, slots=True)
class LensField:
    """One lens at one aperture on one camera over a session: its shape over the field at its
    sharpest, by well-tracked frames and stars of the catalogue alone, and how its focus moved."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    camera: str = ""
    serial: str = ""
    lens: str = ""
    focal_mm: Number = NAN
    aperture: Number = NAN
    filter: str = ""
    width_px: int = 0
    height_px: int = 0
    scale_arcsec_px: Number = NAN
    frames: int = 0
    """Sharp ones that it was learned from."""
    stars: int = 0
    """Different ones of the catalogue."""
    sharpest_fwhm_px: Number = NAN
    """FWHM at the middle of the sharpest frames, across their trail."""
    sharpest_fwhm_px_sigma: Number = NAN
    temperature_c: Number = NAN
    """Of the sensor in these frames."""
    focus_px_per_h: Number = NAN
    """How that FWHM changed through the night, by all well-tracked frames."""
    focus_px_per_h_sigma: Number = NAN
    focus_px_per_c: Number = NAN
    """The same with the sensor's temperature; the two go together on most nights."""
    focus_px_per_c_sigma: Number = NAN
    zones: tuple[LensZone, ...] = ()
    """Row by row; parts of the picture with too few stars are not in it."""


@dataclass(frozen=True, slots=True)
class TrailAxes:
    """Directions of the trails of a run; n is the number of frames, not of stars."""

    __pydantic_config__: ClassVar[ConfigDict] = AS_WRITTEN

    frames: int = 0
    concentration: Number = NAN
    """Mean resultant length of the doubled position angles: 1 all alike, 0 scattered."""
    p: Number = NAN
    """Rayleigh test: chance of so much likeness among random directions."""
    ra_share: Number = NAN
    """Mean cos 2 (angle from right ascension): 1 all along it, -1 all across, 0 neither."""
