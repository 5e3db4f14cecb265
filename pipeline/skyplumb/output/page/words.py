"""Every word of the page that stands for something but a cause: kinds, figures, terms."""

from __future__ import annotations

from typing import NamedTuple

from skyplumb.columns import COLUMNS

ASIDE = {
    "unreadable": "Could not be read",
    "excluded": "Left out by the night notes",
    "unsupported": "Not a kind of file that can be measured",
    "other": "Pictures of something else",
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
    least_span: float = 0.0
    """What the axis shows at least: less is noise and no change."""
    least_part: float = 0.0
    """The same as a part of the largest value, for what has no size of its own."""


NIGHT = (
    Panel("trail_px", "Trail", "px", "trail_sigma_px", least_span=1.0),
    Panel("drift_px", "Image drift", "px", least_span=1.0),
    Panel("fwhm_px", "FWHM", "px", least_span=0.5),
    Panel("stars", "Stars", "count", least_span=10),
    Panel("sky_level", "Sky", "raw units", least_part=0.2),
    Panel("extinction_mag", "Transparency loss", "mag", None, True, least_span=0.2),
    Panel("altitude_deg", "Altitude", "°", least_span=2.0),
)


class Figure(NamedTuple):
    """One number of a frame."""

    key: str
    words: str
    unit: str
    digits: int


def _figures(**digits: int) -> tuple[Figure, ...]:
    """Columns of the table with the digits the page shows."""
    return tuple(
        Figure(name, COLUMNS[name].title, COLUMNS[name].unit, n) for name, n in digits.items()
    )


HEAD_FIGURES = _figures(trail_px=2, trail_pa_deg=2, fwhm_px=3, stars=3, altitude_deg=2)
"""What stands beside every frame."""

MORE_FIGURES = _figures(
    exposure_s=4,
    trail_worst_px=2,
    trail_angle_deg=2,
    drift_px=2,
    doubled_px=2,
    fwhm_arcsec=3,
    fwhm_across_px=3,
    ellipticity=2,
    image_angle_deg=2,
    measured_stars=3,
    sky_level=3,
    extinction_mag=2,
    ra_deg=6,
    dec_deg=6,
    azimuth_deg=3,
    roll_pa_deg=4,
    scale_arcsec_px=4,
    pointing_rms_px=2,
    streaks=2,
    confidence=2,
)
"""What a frame shows when it is opened."""

MOUNT = (
    ("axis_total_error_arcmin", "Polar axis off by", "arcmin", ""),
    ("axis_alt_error_arcmin", "Axis in altitude", "arcmin", "+ is too high"),
    ("axis_az_error_arcmin", "Axis along the horizon", "arcmin", "+ is too far east"),
    ("rate_error_ppm", "Drive rate off by", "ppm", "+ is too fast"),
    ("periodic_amplitude_arcsec", "Amplitude of the periodic error", "arcsec", ""),
    ("periodic_period_s", "Periodic error, period", "s", ""),
    ("slip_arcsec_per_min", "Slip of the head", "arcsec/min", "+ is downwards"),
    ("flexure_arcsec", "Bend of the head under a level camera", "arcsec", ""),
)
"""Summary key, words, unit and sense of each figure of the mount."""

GLOSSARY = {
    "verdict": COLUMNS["verdict"].meaning,
    "run": COLUMNS["run"].meaning,
    "placement": COLUMNS["setup"].meaning,
    "trail": f"{COLUMNS['trail_px'].meaning} ± is one standard deviation.",
    "direction": COLUMNS["trail_pa_deg"].meaning,
    "image drift": COLUMNS["drift_px"].meaning,
    "FWHM": f"{COLUMNS['fwhm_px'].meaning} In pixels and, where the scale is known, in arcseconds.",
    "stars": COLUMNS["stars"].meaning,
    "sky": COLUMNS["sky_level"].meaning,
    "transparency loss": COLUMNS["extinction_mag"].meaning,
    "altitude": COLUMNS["altitude_deg"].meaning,
    "ellipticity": COLUMNS["ellipticity"].meaning,
    "arcmin": "A sixtieth of a degree; the full Moon is about 31 wide.",
    "interval": "Where the true share lies with 95% confidence (Wilson): few frames, wide "
    "interval.",
    "UTC": COLUMNS["taken_utc"].meaning,
    "camera clock": COLUMNS["taken_camera"].meaning,
    "confidence": COLUMNS["confidence"].meaning,
    "weight": COLUMNS["weight"].meaning,
    "SNR": "Signal to noise ratio of a faint star in the stack of the kept frames.",
    "ppm": "Parts in a million: 100 ppm fast is 0.15 arcsec in 100 s.",
}
"""What the page's terms mean, those of the table as its columns are described."""

RULE_WORDS = {
    "trail_px": "longest trail",
    "trail_of_fwhm": "trail against star width",
    "trail_worst_px": "trail in the corners",
    "ellipticity": "plain shape of the stars",
    "doubled_px": "stars that stand twice",
    "fwhm_of_best": "star width against the lens's best",
    "fwhm_px": "star width",
    "profile": "flat-topped stars",
    "stars_of_run": "star count",
    "min_stars": "stars that can be measured",
    "extinction_mag": "transparency",
    "sky_of_darkest": "bright sky",
    "lens": "the lens itself",
}
"""What a rule, or a finding without one, is about."""
