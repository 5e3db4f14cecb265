"""Every word of the page that stands for something but a cause: kinds, figures, terms."""

from __future__ import annotations

from typing import NamedTuple

ASIDE = {
    "unreadable": "Could not be read",
    "excluded": "Left out by the night notes",
    "unsupported": "Not a kind of file that can be measured",
    "companion": "Pictures that belong to a raw file",
    "dark": "Dark frames",
    "flat": "Flat frames",
    "bias": "Bias frames",
    "light": "Light frames without a verdict",
}
"""Headings for what was not judged, what needs a look first."""

MARKS = {
    "keep": "M0,-0.42A0.42,0.42,0,1,1,0,0.42A0.42,0.42,0,1,1,0,-0.42Z",
    "doubtful": "M0,-0.45A0.45,0.45,0,1,1,0,0.45A0.45,0.45,0,1,1,0,-0.45Z"
    "M0,-0.2A0.2,0.2,0,1,0,0,0.2A0.2,0.2,0,1,0,0,-0.2Z",
    "reject": "M-0.5,0.3L0.3,-0.5L0.5,-0.3L-0.3,0.5Z",
}
"""Marks as SVG paths in a unit square: a round star, a hollow one, a streak."""


class Panel(NamedTuple):
    """One curve of the night."""

    field: str
    title: str
    unit: str
    error: str | None = None
    down: bool = False
    """Whether more is drawn downwards."""


NIGHT = (
    Panel("trail_px", "Trail", "px", "trail_sigma_px"),
    Panel("shift_px", "Shift", "px"),
    Panel("fwhm_px", "FWHM", "px"),
    Panel("stars", "Stars", "count"),
    Panel("sky_level", "Sky", "raw units"),
    Panel("extinction_mag", "Dimming", "mag", None, True),
    Panel("altitude_deg", "Altitude", "°"),
)


class Figure(NamedTuple):
    """One number of a frame."""

    key: str
    words: str
    unit: str
    digits: int


HEAD_FIGURES = (
    Figure("trail_px", "Trail", "px", 2),
    Figure("trail_pa_deg", "Direction", "°", 2),
    Figure("fwhm_px", "FWHM", "px", 3),
    Figure("stars", "Stars", "", 3),
    Figure("altitude_deg", "Altitude", "°", 2),
)
"""What stands beside every frame."""

MORE_FIGURES = (
    Figure("exposure_s", "Exposure", "s", 4),
    Figure("trail_worst_px", "Trail at the worst corner", "px", 2),
    Figure("trail_angle_deg", "Trail in the picture, from right towards down", "°", 2),
    Figure("shift_px", "Sky's shift over the sensor", "px", 2),
    Figure("doubled_px", "Doubled stars, apart by", "px", 2),
    Figure("fwhm_arcsec", "FWHM", "arcsec", 3),
    Figure("fwhm_across_px", "FWHM across the trail", "px", 3),
    Figure("ellipticity", "Out of round, 1 − b/a", "", 2),
    Figure("image_angle_deg", "Long axis, from right towards down", "°", 2),
    Figure("measured_stars", "Stars whose shapes count", "", 3),
    Figure("sky_level", "Sky", "raw units", 3),
    Figure("extinction_mag", "Dimming", "mag", 2),
    Figure("ra_deg", "Right ascension", "°", 6),
    Figure("dec_deg", "Declination", "°", 6),
    Figure("azimuth_deg", "Azimuth, north through east", "°", 3),
    Figure("roll_pa_deg", "Picture's up, from north through east", "°", 4),
    Figure("scale_arcsec_px", "Scale", "arcsec/px", 4),
    Figure("pointing_rms_px", "Scatter of the matched stars", "px", 2),
    Figure("streaks", "Satellites and aircraft", "", 2),
    Figure("confidence", "Confidence of the cause", "", 2),
)
"""What a frame shows when it is opened."""

MOUNT = (
    ("axis_total_error_arcmin", "Polar axis off by", "arcmin", ""),
    ("axis_alt_error_arcmin", "Axis in altitude", "arcmin", "+ is too high"),
    ("axis_az_error_arcmin", "Axis along the horizon", "arcmin", "+ is too far east"),
    ("rate_error_ppm", "Drive rate off by", "ppm", "+ is too fast"),
    ("periodic_amplitude_arcsec", "Periodic error, half swing", "arcsec", ""),
    ("periodic_period_s", "Periodic error, period", "s", ""),
    ("sag_arcsec_per_min", "Slip of the head", "arcsec/min", "+ is downwards"),
    ("elastic_arcsec", "Bend of the head under a level camera", "arcsec", ""),
)
"""Summary key, words, unit and sense of each figure of the mount."""

GLOSSARY = {
    "verdict": "Keep: stack it. Doubtful: between the two limits of a rule, look at its stars "
    "first. Reject: past a limit. The limits stand in rules.yaml.",
    "run": "Frames of one night with the same body, lens, focal length, aperture, exposure, ISO "
    "and pointing: what can be compared and stacked together.",
    "setup": "Everything shot from one placement of tripod and tracker: one polar axis, "
    "whatever the lens.",
    "trail": "Length of a straight trail, in pixels of the sensor, that would stretch the stars "
    "at the middle of the field as they are, the lens's own shape taken out; ± is one "
    "standard deviation.",
    "direction": "Where the trail lies on the sky: degrees from north through east, 0 to 180. A "
    "trail has an axis, not a head. Near 90 it lies along right ascension, where the drive turns.",
    "shift": "How far the sky moved over the sensor during the exposure, found from where the "
    "frames before and after pointed, not from the star shapes: pixels.",
    "FWHM": "Full width of a star at half its height, median over the field: in pixels and, "
    "where the scale is known, in arcseconds.",
    "stars": "Stars that stand above the sky.",
    "sky": "Median brightness of the sky above black, in the raw file's own units.",
    "dimming": "How much fainter the stars are than in the run's clearest frames: magnitudes. "
    "Cloud, haze and dew dim them.",
    "altitude": "Height of the field's centre above the horizon, in degrees.",
    "out of round": "1 − b/a, the shorter over the longer width of a star: 0 is round.",
    "arcmin": "A sixtieth of a degree; the full Moon is about 31 wide.",
    "interval": "Where the true share lies with 95 % confidence (Wilson): few frames, wide "
    "interval.",
    "UTC": "World time of the start of the exposure, from the camera's clock, its zone and the "
    "night notes.",
    "camera clock": "Time as the camera wrote it, right or wrong.",
    "confidence": "How sure the cause is, 0 to 1.",
    "ppm": "Parts in a million: 100 ppm fast is 0.15 arcsec in 100 s.",
}
