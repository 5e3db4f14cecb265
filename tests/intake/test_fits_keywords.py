"""Every FITS keyword that is read, a line each: what a header says by it and nothing else."""

from __future__ import annotations

import io
import math
from datetime import datetime
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from skyplumb.intake.fits_keywords import KEYWORDS
from skyplumb.intake.metadata import read_info
from skyplumb.measure.shot import measure_data
from skyplumb.records import ShotInfo

START = datetime(2026, 8, 14, 20, 31)
STAMP, MIDDLE, END = "2026-08-14T20:31:00", "2026-08-14T20:31:30", "2026-08-14T20:32:00"
MJD = 61266 + (20 * 60 + 31) / 1440
"""61266 is 2026-08-14: 2000-01-01 is 51544, and 9722 days follow."""
LONG = {"EXPTIME": 60.0}

LINES: list[tuple[str, Any, dict[str, Any], str, Any]] = [
    ("EXPTIME", 60.0, {}, "exposure_s", 60.0),
    ("EXPOSURE", 60.0, {}, "exposure_s", 60.0),
    ("XPOSURE", 60.0, {}, "exposure_s", 60.0),
    ("DATE-BEG", STAMP, {"DATE-OBS": MIDDLE}, "clock", START),
    ("DATE-OBS", STAMP, {}, "clock", START),
    ("TIME-OBS", "20:31:00", {"DATE-OBS": "2026-08-14"}, "clock", START),
    ("UT-OBS", "20:31:00", {"DATE-OBS": "2026-08-14"}, "clock", START),
    ("UT", "20:31:00", {"DATE-OBS": "2026-08-14"}, "clock", START),
    ("MJD-BEG", MJD, {}, "clock", START),
    ("MJD-OBS", MJD, {}, "clock", START),
    ("DATE-AVG", MIDDLE, LONG, "clock", START),
    ("MJD-AVG", MJD + 30 / 86400, LONG, "clock", START),
    ("DATE-END", END, LONG, "clock", START),
    ("MJD-END", MJD + 60 / 86400, LONG, "clock", START),
    ("DATE-LOC", STAMP, {}, "clock", START),
    ("LOCTIME", STAMP, {}, "clock", START),
    ("TIMESYS", "TAI", {"DATE-OBS": "2026-08-14T20:31:37"}, "clock", START),
    ("FOCALLEN", 200.0, {}, "focal_mm", 200.0),
    ("FOCAL", 200.0, {}, "focal_mm", 200.0),
    ("FNUMBER", 4.0, {}, "fnumber", 4.0),
    ("FOCRATIO", 4.0, {}, "fnumber", 4.0),
    ("APTDIA", 50.0, {"FOCALLEN": 200.0}, "fnumber", 4.0),
    ("XPIXSZ", 7.52, {"XBINNING": 2}, "pixel_um", 7.52),
    ("PIXSIZE1", 3.76, {"XBINNING": 2}, "pixel_um", 7.52),
    ("PIXSIZE", 3.76, {}, "pixel_um", 3.76),
    ("XBINNING", 2, {}, "binning", 2.0),
    ("BINX", 2, {}, "binning", 2.0),
    ("BINNING", 2, {}, "binning", 2.0),
    ("INSTRUME", "Fen One", {}, "camera", "Fen One"),
    ("CAMERA", "Fen One", {}, "camera", "Fen One"),
    ("DETNAM", "Fen One", {}, "camera", "Fen One"),
    ("CAMSN", "F1", {}, "serial", "F1"),
    ("SERIAL", "F1", {}, "serial", "F1"),
    ("SERIALNO", "F1", {}, "serial", "F1"),
    ("CAMID", "F1", {}, "serial", "F1"),
    ("LENS", "Harrow 200", {}, "lens", "Harrow 200"),
    ("LENSNAME", "Harrow 200", {}, "lens", "Harrow 200"),
    ("TELESCOP", "Harrow 200", {}, "lens", "Harrow 200"),
    ("ISO", 800, {}, "iso", 800.0),
    ("ISOSPEED", 800, {}, "iso", 800.0),
    ("GAIN", 0, {}, "gain", 0.0),
    ("OFFSET", 30, {}, "offset", 30.0),
    ("EGAIN", 0.25, {}, "electrons", 0.25),
    ("CCD-TEMP", -9.8, {"SET-TEMP": -10.0}, "temperature_c", -9.8),
    ("CAMTEMP", -9.8, {}, "temperature_c", -9.8),
    ("DET-TEMP", -9.8, {}, "temperature_c", -9.8),
    ("SET-TEMP", -10.0, {"CCD-TEMP": -9.8}, "set_temperature_c", -10.0),
    ("CCD-TSET", -10.0, {}, "set_temperature_c", -10.0),
    ("TEMPSET", -10.0, {}, "set_temperature_c", -10.0),
    ("SETTEMP", -10.0, {}, "set_temperature_c", -10.0),
    ("FILTER", "OIII", {}, "filter_name", "OIII"),
    ("FILTNAM", "OIII", {}, "filter_name", "OIII"),
    ("FILTER1", "OIII", {}, "filter_name", "OIII"),
    ("IMAGETYP", "Flat Field", {}, "image_type", "flat"),
    ("OBSTYPE", "BIAS", {}, "image_type", "bias"),
    ("FRAMETYP", "Dark", {}, "image_type", "dark"),
    ("FRAME", "Light", {}, "image_type", "light"),
    ("EXPTYPE", "object", {}, "image_type", "light"),
    ("BAYERPAT", "RGGB", {"ROWORDER": "BOTTOM-UP"}, "mosaic_claim", "RGGB"),
    ("COLORTYP", "RGGB", {}, "mosaic_claim", "RGGB"),
    ("CFAPAT", "RGGB", {}, "mosaic_claim", "RGGB"),
    ("FILTER", "RGGB", {}, "mosaic_claim", "RGGB"),
    ("XBAYROFF", 1, {"BAYERPAT": "RGGB"}, "mosaic_claim", "GRBG"),
    ("YBAYROFF", 1, {"BAYERPAT": "RGGB"}, "mosaic_claim", "GBRG"),
    ("ROWORDER", "BOTTOM-UP", {}, "orientation", 4),
    ("OBSGEO-B", -33.5, {"OBSGEO-L": 20.5}, "latitude_deg", -33.5),
    ("SITELAT", "-33 30 00", {"SITELONG": 20.5}, "latitude_deg", -33.5),
    ("LAT-OBS", -33.5, {"SITELONG": 20.5}, "latitude_deg", -33.5),
    ("OBSLAT", -33.5, {"SITELONG": 20.5}, "latitude_deg", -33.5),
    ("OBS-LAT", "33:30:00 S", {"SITELONG": 20.5}, "latitude_deg", -33.5),
    ("LATITUDE", -33.5, {"SITELONG": 20.5}, "latitude_deg", -33.5),
    ("OBSGEO-L", 20.5, {"OBSGEO-B": -33.5}, "longitude_deg", 20.5),
    ("SITELONG", "-20 30 00", {"SITELAT": -33.5}, "longitude_deg", -20.5),
    ("SITELON", "20:30:00", {"SITELAT": -33.5}, "longitude_deg", 20.5),
    ("LONG-OBS", 339.5, {"SITELAT": -33.5}, "longitude_deg", -20.5),
    ("OBSLONG", 20.5, {"SITELAT": -33.5}, "longitude_deg", 20.5),
    ("OBS-LONG", "20 30 W", {"SITELAT": -33.5}, "longitude_deg", -20.5),
    ("LONGITUD", 20.5, {"SITELAT": -33.5}, "longitude_deg", 20.5),
    ("OBSGEO-H", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("SITEELEV", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("ELEV-OBS", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("ALT-OBS", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("OBSALT", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("OBS-ELEV", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    ("ELEVATIO", 1600.0, {"SITELAT": 1.0, "SITELONG": 2.0}, "height_m", 1600.0),
    # On the equator, on the meridian, and at a pole of WGS84: 6378137 and 6356752.3142 m.
    ("OBSGEO-X", 6378137.0, {"OBSGEO-Y": 0.0, "OBSGEO-Z": 0.0}, "height_m", 0.0),
    ("OBSGEO-Y", 6378137.0, {"OBSGEO-X": 0.0, "OBSGEO-Z": 0.0}, "longitude_deg", 90.0),
    ("OBSGEO-Z", 6356752.3142, {"OBSGEO-X": 0.0, "OBSGEO-Y": 0.0}, "latitude_deg", 90.0),
    ("RA", 83.75, {"DEC": -5.5}, "ra_hint_deg", 83.75),
    ("RA", "05 35 00", {"DEC": -5.5}, "ra_hint_deg", 83.75),
    ("RA-MNT", "05:35:00", {"DEC-MNT": -5.5}, "ra_hint_deg", 83.75),
    ("TELRA", 83.75, {"TELDEC": -5.5}, "ra_hint_deg", 83.75),
    ("RA_TEL", 83.75, {"DEC_TEL": -5.5}, "ra_hint_deg", 83.75),
    ("OBJCTRA", "05 35 00", {"OBJCTDEC": "-05 30 00"}, "ra_hint_deg", 83.75),
    ("RA_OBJ", 83.75, {"DEC_OBJ": -5.5}, "ra_hint_deg", 83.75),
    ("OBJRA", 83.75, {"OBJDEC": -5.5}, "ra_hint_deg", 83.75),
    ("DEC", "-05 30 00", {"RA": 83.75}, "dec_hint_deg", -5.5),
    ("DEC-MNT", -5.5, {"RA-MNT": 83.75}, "dec_hint_deg", -5.5),
    ("TELDEC", -5.5, {"TELRA": 83.75}, "dec_hint_deg", -5.5),
    ("DEC_TEL", -5.5, {"RA_TEL": 83.75}, "dec_hint_deg", -5.5),
    ("OBJCTDEC", "-05 30 00", {"OBJCTRA": "05 35 00"}, "dec_hint_deg", -5.5),
    ("DEC_OBJ", -5.5, {"RA_OBJ": 83.75}, "dec_hint_deg", -5.5),
    ("OBJDEC", -5.5, {"OBJRA": 83.75}, "dec_hint_deg", -5.5),
]


def told(**cards: object) -> ShotInfo:
    """What a header of these cards says."""
    return read_info(written(**cards), "made.fits")


def written(**cards: object) -> bytes:
    """A FITS file of these cards."""
    unit = fits.PrimaryHDU(np.arange(1024, dtype=np.uint16).reshape(32, 32))
    for key, value in cards.items():
        unit.header[key] = value
    stream = io.BytesIO()
    unit.writeto(stream)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("keyword", "value", "beside", "field", "expected"),
    LINES,
    ids=[f"{line[0]}-{line[3]}" for line in LINES],
)
def test_a_keyword_says_what_the_list_says(
    keyword: str, value: object, beside: dict[str, object], field: str, expected: object
) -> None:
    found = getattr(told(**{keyword: value}, **beside), field)
    if isinstance(expected, datetime):
        # A modified Julian date in double precision is good to a microsecond.
        assert abs((found - expected).total_seconds()) < 1e-5
    elif isinstance(expected, float):
        # Double precision of an angle, and of a height some 1e-9 of the Earth's radius.
        assert found == pytest.approx(expected, abs=1e-4 if field == "height_m" else 1e-9)
    else:
        assert found == expected
    without = getattr(told(**beside), field)
    assert without != found or found != found


def test_every_keyword_of_the_list_has_its_line() -> None:
    listed = {name for one in KEYWORDS.values() for name in one.names}
    assert listed == {line[0] for line in LINES}
    assert len(KEYWORDS["ra"].names) == len(KEYWORDS["dec"].names)


def test_the_clock_of_the_place_has_no_zone_and_yields_to_utc() -> None:
    alone = told(**{"DATE-LOC": STAMP})
    assert math.isnan(alone.utc_offset_h)
    both = told(**{"DATE-LOC": "2026-08-14T22:31:00", "DATE-OBS": STAMP})
    assert (both.clock, both.utc_offset_h) == (START, 0.0)


@pytest.mark.parametrize("text", ["Master Light", "masterLight", "Stacked Light", "Integration"])
def test_many_lights_in_one_are_no_light_frame(text: str) -> None:
    # common practice, no source
    measure = measure_data(written(IMAGETYP=text), "made.fits")
    assert measure.kind == "other"
    assert "stack" in measure.note
    assert measure_data(written(IMAGETYP="Master Flat"), "made.fits").kind == "flat"
    assert measure_data(written(IMAGETYP="Master Bias"), "made.fits").kind == "bias"
