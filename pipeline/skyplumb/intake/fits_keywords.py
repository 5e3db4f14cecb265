"""The one list of FITS keywords that are read, for what, and who says that they mean it.

`reports/fits-keywords.md` is made from it. To have another keyword read, add it here and a line to
`tests/intake/test_fits_keywords.py`, which asks every one.
"""

from __future__ import annotations

from dataclasses import dataclass

STANDARD = "FITS Standard 4.0, section {}; from memory"
TIMES = STANDARD.format("9")
CUSTOM = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Keywords:
    """Keywords that say one thing."""

    names: tuple[str, ...]
    """In the order in which they are asked: the first that says something counts."""
    meaning: str
    source: str


def _custom(names: str, meaning: str) -> Keywords:
    return Keywords(tuple(names.split()), meaning, CUSTOM)


KEYWORDS = {
    "exposure_s": Keywords(
        ("EXPTIME", "EXPOSURE", "XPOSURE"),
        "Exposure, s.",
        f"{CUSTOM}; XPOSURE: {TIMES}",
    ),
    "begin": Keywords(("DATE-BEG",), "Start of the exposure.", TIMES),
    "date": Keywords(
        ("DATE-OBS",),
        "Start of the exposure: the standard leaves open which part it is, the start is what it "
        "nearly always means. Before 1999 written day/month/year.",
        f"{TIMES}; that it is the start: {CUSTOM}",
    ),
    "time": _custom("TIME-OBS UT-OBS UT", "Time of day where DATE-OBS holds the date alone."),
    "begin_mjd": Keywords(
        ("MJD-BEG", "MJD-OBS"), "The same as a modified Julian date, days.", TIMES
    ),
    "middle": Keywords(("DATE-AVG",), "Middle of the exposure.", TIMES),
    "middle_mjd": Keywords(("MJD-AVG",), "The same as a modified Julian date.", TIMES),
    "end": Keywords(("DATE-END",), "End of the exposure.", TIMES),
    "end_mjd": Keywords(("MJD-END",), "The same as a modified Julian date.", TIMES),
    "local": _custom(
        "DATE-LOC LOCTIME",
        "Start by the clock of the place, where nothing above is there: its zone is not known.",
    ),
    "scale": Keywords(("TIMESYS",), "Time scale of all of these; UTC without it.", TIMES),
    "focal_mm": _custom("FOCALLEN FOCAL", "Focal length, mm."),
    "fnumber": _custom("FNUMBER FOCRATIO", "f-number."),
    "aperture_mm": _custom("APTDIA", "Diameter of the aperture, mm, where no f-number is."),
    "pixel_um": _custom(
        "XPIXSZ", "Pitch of the recorded samples, micrometres, XBINNING pixels of the sensor each."
    ),
    "pixel_unbinned_um": _custom(
        "PIXSIZE1 PIXSIZE", "Pitch of the sensor's pixels, micrometres; times XBINNING."
    ),
    "binning": _custom("XBINNING BINX BINNING", "Pixels of the sensor to a sample along a row."),
    "camera": _custom("INSTRUME CAMERA DETNAM", "Name of the camera."),
    "serial": _custom("CAMSN SERIAL SERIALNO CAMID", "Its serial number."),
    "lens": _custom("LENS LENSNAME TELESCOP", "Name of the lens."),
    "iso": _custom("ISO ISOSPEED", "ISO setting."),
    "gain": _custom("GAIN", "Gain setting."),
    "offset": _custom("OFFSET", "Offset setting."),
    "electrons": _custom("EGAIN", "Electrons to a sample unit."),
    "temperature_c": _custom("CCD-TEMP CAMTEMP DET-TEMP", "Temperature of the sensor, deg C."),
    "set_temperature_c": _custom(
        "SET-TEMP CCD-TSET TEMPSET SETTEMP", "What the cooler was set to, deg C."
    ),
    "filter_name": _custom("FILTER FILTNAM FILTER1", "Filter; a colour order is none."),
    "image_type": _custom(
        "IMAGETYP OBSTYPE FRAMETYP FRAME EXPTYPE",
        "Light, dark, flat or bias in their usual spellings; a master or stacked light is no "
        "single exposure.",
    ),
    "mosaic": _custom(
        "BAYERPAT COLORTYP CFAPAT FILTER",
        "Colour order of the first row and the one after it; the samples show when it was written "
        "for the rows in the other order.",
    ),
    "mosaic_x": _custom("XBAYROFF", "Columns by which the colour order is moved."),
    "mosaic_y": _custom("YBAYROFF", "Rows by which it is moved."),
    "row_order": _custom("ROWORDER", "TOP-DOWN or BOTTOM-UP: where the first row lies."),
    "latitude_deg": Keywords(
        ("OBSGEO-B", "SITELAT", "LAT-OBS", "OBSLAT", "OBS-LAT", "LATITUDE"),
        "Latitude, degrees or degrees, minutes and seconds.",
        f"OBSGEO-B: {STANDARD.format('8.4.1')}; others: {CUSTOM}",
    ),
    "longitude_deg": Keywords(
        ("OBSGEO-L", "SITELONG", "SITELON", "LONG-OBS", "OBSLONG", "OBS-LONG", "LONGITUD"),
        "Longitude, east positive, -180 to 360.",
        f"OBSGEO-L: {STANDARD.format('8.4.1')}; others: {CUSTOM}",
    ),
    "height_m": Keywords(
        ("OBSGEO-H", "SITEELEV", "ELEV-OBS", "ALT-OBS", "OBSALT", "OBS-ELEV", "ELEVATIO"),
        "Height above the sea, m.",
        f"OBSGEO-H: {STANDARD.format('8.4.1')}; others: {CUSTOM}",
    ),
    "geocentric_m": Keywords(
        ("OBSGEO-X", "OBSGEO-Y", "OBSGEO-Z"),
        "The place in Earth-centred coordinates, m, all three.",
        STANDARD.format("8.4.1"),
    ),
    "ra": _custom(
        "RA RA-MNT TELRA RA_TEL OBJCTRA RA_OBJ OBJRA",
        "Right ascension of about the middle, degrees, or hours, minutes and seconds; each goes "
        "with the declination of the same place in the list.",
    ),
    "dec": _custom(
        "DEC DEC-MNT TELDEC DEC_TEL OBJCTDEC DEC_OBJ OBJDEC",
        "Its declination, degrees, or degrees, minutes and seconds.",
    ),
}
"""By the field of `ShotInfo` or what is asked."""


def names(quantity: str) -> tuple[str, ...]:
    """Keywords that say it, in the order in which they are asked."""
    return KEYWORDS[quantity].names
