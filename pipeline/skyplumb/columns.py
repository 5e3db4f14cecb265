"""The one list of what stands in frames.csv: a row of the table, each column described once.

From it are made the rows, the CSV and its description for programs, the figures and the words of
the page, and `reports/columns.md`. To add a column, add a field here and fill it in
`output/table.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

NAN = float("nan")

PATH, TEXT, TIME, TRUTH, NUMBER, COUNT = "path", "text", "time", "truth", "number", "count"
"""Kinds of a column: a path on the card, words, ISO 8601 in UTC, true or false, a number, a whole
number."""

CARD = "folder of the card"
FILE = "the file's metadata, corrected by the night notes"
STARS = "star shapes of the frame"
TRAILS = "star shapes less the lens's PSF, see `judge/motion.py`"
POINTING = "stars matched with the catalogue"
PLACE = "pointing, time and site"
NEIGHBOURS = "pointings of the neighbouring frames"
PICTURE = "samples of the picture"
RUN = "comparison within the run"
JUDGE = "rules, and overrides by hand"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of frames.csv."""

    name: str
    title: str
    """As the page calls it."""
    kind: str
    unit: str
    """As the page shows it; empty for a pure number or words."""
    form: str
    """Python's format of a number; empty for words."""
    meaning: str
    source: str
    """What it is worked out from."""

    @property
    def numeric(self) -> bool:
        """Whether its cells are numbers."""
        return self.kind in (NUMBER, COUNT)


def _words(title: str, meaning: str, source: str, kind: str = TEXT) -> Any:
    return field(default="", metadata={"told": (title, kind, "", "", meaning, source)})


def _number(title: str, unit: str, form: str, meaning: str, source: str) -> Any:
    kind = COUNT if form == ".0f" else NUMBER
    return field(default=NAN, metadata={"told": (title, kind, unit, form, meaning, source)})


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """One shot; what is not known is NaN, None or empty.

    Angles in the picture run from +x (right) towards +y (down) in the sensor's own frame,
    position angles on the sky from north through east.
    """

    file: str = _words("File", "Path relative to the card, with / between folders.", CARD, PATH)
    session: str = _words("Session", "One night of one camera.", FILE)
    run: str = _words(
        "Run",
        "Frames of one night with the same body, lens, focal length, aperture, exposure, ISO, "
        "filter, gain, offset, binning, cooler setting and pointing: what can be compared and "
        "stacked together.",
        FILE,
    )
    kind: str = _words(
        "Kind",
        "light, dark, flat, bias, companion, other, unsupported, unreadable or excluded.",
        "metadata, picture and night notes",
    )
    taken_camera: str = _words("Camera clock", "Time as the camera wrote it, right or wrong.", FILE)
    taken_utc: str = _words(
        "UTC",
        "World time of the start of the exposure, from the camera's clock, its zone and the night "
        "notes.",
        FILE,
        TIME,
    )
    camera: str = _words("Camera", "Maker and model of the body.", FILE)
    lens: str = _words(
        "Lens",
        "Name of the lens; of one that tells neither name nor focal length such as `135 mm (by the "
        "stars)`.",
        FILE,
    )
    focal_mm: float = _number(
        "Focal length",
        "mm",
        ".6g",
        "Focal length of the lens; where the file tells none, by the scale of the stars and the "
        "pixel size, in steps as lenses are marked.",
        FILE,
    )
    aperture: float = _number("Aperture", "", ".4g", "f-number.", FILE)
    exposure_s: float = _number("Exposure", "s", ".6g", "Time the shutter was open.", FILE)
    iso: float = _number("ISO", "", ".0f", "ISO setting.", FILE)
    stars: float = _number("Stars", "", ".0f", "Stars that stand above the sky.", PICTURE)
    fwhm_px: float = _number(
        "FWHM",
        "px",
        ".3f",
        "Full width of a star at half its height, median over the field.",
        STARS,
    )
    fwhm_arcsec: float = _number(
        "FWHM", "arcsec", ".3f", "The same on the sky, where the scale is known.", STARS
    )
    ellipticity: float = _number(
        "Ellipticity, 1 − b/a",
        "",
        ".4f",
        "1 − b/a, the shorter over the longer width of a star, median over the field as measured: "
        "0 is round.",
        STARS,
    )
    image_angle_deg: float = _number(
        "Long axis, from right towards down",
        "°",
        ".2f",
        "Direction of the stars' longer width in the picture, from right towards down, -90 to 90.",
        STARS,
    )
    trail_px: float = _number(
        "Trail",
        "px",
        ".3f",
        "Length of a straight trail of even speed, in pixels of the sensor, that would stretch the "
        "stars at the middle of the field as they are, the lens's own PSF taken out: "
        "sqrt(12 (l1 - l2)) with the variances l1 and l2 of a star's path along and across.",
        TRAILS,
    )
    trail_worst_px: float = _number(
        "Trail at the worst corner", "px", ".3f", "The same at the worst corner.", TRAILS
    )
    trail_sigma_px: float = _number(
        "Error of the trail", "px", ".3f", "Standard deviation of the trail's length.", TRAILS
    )
    trail_angle_deg: float = _number(
        "Trail in the picture, from right towards down",
        "°",
        ".2f",
        "Direction of the trail in the picture, from right towards down, -90 to 90.",
        TRAILS,
    )
    trail_pa_deg: float = _number(
        "Direction",
        "°",
        ".2f",
        "Where the trail lies on the sky: degrees from north through east, 0 to 180. A trail has "
        "an axis, not a head. Near 90 it lies along right ascension, where the drive turns.",
        TRAILS,
    )
    drift_px: float = _number(
        "Image drift",
        "px",
        ".3f",
        "How far the sky moved on the sensor during the exposure, found from where the frames "
        "before and after pointed, not from the star shapes.",
        NEIGHBOURS,
    )
    doubled_px: float = _number(
        "Doubled stars, apart by", "px", ".3f", "How far apart stars stand that show twice.", STARS
    )
    solved: bool | None = field(
        default=None,
        metadata={
            "told": (
                *("Found on the sky", TRUTH, "", ""),
                "Whether the frame was plate-solved: its stars found in the catalogue.",
                POINTING,
            )
        },
    )
    ra_deg: float = _number(
        "Right ascension", "°", ".6f", "Of the middle of the picture, J2000.", POINTING
    )
    dec_deg: float = _number(
        "Declination", "°", ".6f", "Of the middle of the picture, J2000.", POINTING
    )
    roll_pa_deg: float = _number(
        "Picture's up, from north through east",
        "°",
        ".4f",
        "Position angle of the sensor's up direction, north through east.",
        POINTING,
    )
    scale_arcsec_px: float = _number(
        "Scale", "arcsec/px", ".5f", "Sky that falls on one pixel at the middle.", POINTING
    )
    altitude_deg: float = _number(
        "Altitude", "°", ".3f", "Height of the field's centre above the horizon.", PLACE
    )
    azimuth_deg: float = _number(
        "Azimuth, north through east", "°", ".3f", "Of the field's centre.", PLACE
    )
    sky_level: float = _number(
        "Sky",
        "raw units",
        ".6g",
        "Median brightness of the sky above black, in the raw file's own units.",
        PICTURE,
    )
    extinction_mag: float = _number(
        "Transparency loss",
        "mag",
        ".3f",
        "How much fainter the stars are than in the run's clearest frames, or, where that is more, "
        "than in the night's clearest fields through the same lens at the same settings, "
        "magnitudes. Cloud, haze and dew dim them.",
        RUN,
    )
    verdict: str = _words(
        "Verdict",
        "keep: stack it. doubtful: between the two limits of a rule, look at its stars first. "
        "reject: past a limit. The limits stand in rules.yaml.",
        JUDGE,
    )
    cause: str = _words(
        "Cause", "The largest part of what went wrong.", "how the trail divides among the causes"
    )
    confidence: float = _number(
        "Confidence of the cause",
        "",
        ".3f",
        "How often a cause named on such evidence was the true one on simulated nights, 0 to 1.",
        "see `judge/confidence.py`",
    )
    reason: str = _words("Reason", "Why the verdict, in words.", JUDGE)
    # What follows was added to the columns that design promises.
    taken_mid_utc: str = _words("Middle, UTC", "World time of mid-exposure.", FILE, TIME)
    setup: float = _number(
        "Setup",
        "",
        ".0f",
        "Everything shot from one placement of tripod and tracker: one polar axis, whatever the "
        "lens.",
        POINTING,
    )
    fwhm_across_px: float = _number(
        "FWHM across the trail",
        "px",
        ".3f",
        "Width of the stars across the trail: lens, focus and seeing without the motion.",
        TRAILS,
    )
    measured_stars: float = _number(
        "Stars whose shapes count", "", ".0f", "Stars bright and whole enough to measure.", STARS
    )
    matched_stars: float = _number(
        "Stars matched", "", ".0f", "Stars found in the catalogue.", POINTING
    )
    pointing_rms_px: float = _number(
        "Scatter of the matched stars",
        "px",
        ".3f",
        "Root mean square distance of the matched stars from their catalogue places.",
        POINTING,
    )
    weight: float = _number(
        "Worth in a stack",
        "",
        ".4f",
        "Information on a faint star, against the run's best frames: signal squared over noise "
        "squared and the star's area. Stack by it as weight.",
        "transparency, sky noise, exposure and width, see `judge/stack.py`",
    )
    fwhm_of_best: float = _number(
        "FWHM over the lens's best",
        "",
        ".3f",
        "Width across the trail over that of the run's sharpest frames, or of sharper ones that "
        "the lens gave at this aperture in another run or night that is known.",
        RUN,
    )
    trail_of_fwhm: float = _number(
        "Trail over the run's best FWHM",
        "",
        ".3f",
        "Trail over the width of the run's sharpest frames.",
        RUN,
    )
    rules_broken: str = _words(
        "Rules not met", "Names of the rules it does not meet, the worst first.", JUDGE
    )
    streaks: float = _number(
        "Satellites and aircraft", "", ".0f", "Long streaks left out of the stars.", PICTURE
    )
    drift_angle_deg: float = _number(
        "Heading of the image drift",
        "°",
        ".2f",
        "Towards where the sky moved on the sensor: a heading, from right towards down, -180 to "
        "180.",
        NEIGHBOURS,
    )
    east_deg: float = _number(
        "East in the picture", "°", ".2f", "Way to the east, from right towards down.", POINTING
    )
    zenith_deg: float = _number(
        "Zenith in the picture", "°", ".2f", "Way to the zenith, from right towards down.", PLACE
    )
    zenith_pa_deg: float = _number(
        "Zenith on the sky", "°", ".2f", "Position angle of the way to the zenith, 0 to 360.", PLACE
    )
    temperature_c: float = _number("Sensor", "°C", ".1f", "Temperature of the sensor.", FILE)
    decided_by: str = _words("Decided by", "rules or person.", JUDGE)
    rules_verdict: str = _words(
        "Rules' verdict", "What the rules alone say; the same as verdict mostly.", JUDGE
    )
    note: str = _words("Note", "What a person wrote beside a verdict by hand.", "overrides file")
    taken_over: str = _words(
        "Taken from neighbours",
        "Names of the columns here whose value the file lacks and the frames around it gave.",
        "the night's other frames",
    )
    drift_sigma_px: float = _number(
        "Error of the image drift",
        "px",
        ".3f",
        "Standard deviation of the image drift's length: by the pointings' own errors, by how the "
        "sky's rate changes beside the frame, and by a clock of whole seconds.",
        NEIGHBOURS,
    )
    filter: str = _words("Filter", "Filter in the beam, as the file names it.", FILE)
    gain: float = _number(
        "Gain", "", ".6g", "Gain setting as a FITS header writes it; no ISO.", FILE
    )
    offset: float = _number("Offset", "", ".6g", "Offset setting as a FITS header has it.", FILE)
    binning: float = _number(
        "Binning", "", ".0f", "Pixels of the sensor to a sample along a row.", FILE
    )
    set_temperature_c: float = _number(
        "Cooler", "°C", ".1f", "What the sensor's cooler was set to.", FILE
    )
    electrons: float = _number(
        "Electrons", "e-", ".6g", "Electrons to a sample unit, as a FITS header states it.", FILE
    )
    sky_noise: float = _number(
        "Noise of the sky",
        "raw units",
        ".6g",
        "Standard deviation of one green sample of the sky, in the raw file's own units.",
        PICTURE,
    )
    sky_mag_arcsec2: float = _number(
        "Sky brightness",
        "mag/arcsec²",
        ".3f",
        "Magnitudes of a square arcsecond of sky, in Gaia's G as the camera's green pixels see a "
        "star of BP − RP 0.8: no standard band; of glow of another colour another band would say "
        "otherwise by some tenths. The zero point is that above the air.",
        "stars of the catalogue in clear frames, see `judge/sky_light.py`",
    )
    sky_mag_arcsec2_sigma: float = _number(
        "Error of the sky brightness",
        "mag/arcsec²",
        ".3f",
        "Standard deviation; most of it is the zero point's, which frames of one camera, lens, "
        "aperture and gain share.",
        "stars of the catalogue in clear frames, see `judge/sky_light.py`",
    )


COLUMNS: dict[str, Column] = {
    one.name: Column(one.name, *one.metadata["told"]) for one in fields(FrameRow)
}
"""Every column of frames.csv by its name, in the order in which they are written."""
