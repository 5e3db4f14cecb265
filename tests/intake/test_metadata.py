"""EXIF and FITS headers -> one record, on files made here and on real frames."""

import io
import math
import subprocess
import sys
import warnings
from collections.abc import Callable
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import exiv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS

from skyplumb.errors import UnreadableError
from skyplumb.intake import exif as _exif
from skyplumb.intake.metadata import read_info
from skyplumb.intake.values import LONGEST_TEXT, angle_deg, number, time
from skyplumb.measure.decode import decode
from skyplumb.records import ShotInfo

REAL = Path(__file__).parents[1] / "data/real"
NAN = float("nan")

MakeDng = Callable[..., bytes]


@pytest.fixture
def dng(tmp_path: Path) -> MakeDng:
    """Makes a small DNG with the EXIF tags it is given."""

    def make(**tags: str) -> bytes:
        path = tmp_path / "made.dng"
        identity = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
        tifffile.imwrite(
            path,
            np.full((64, 96), 600, np.uint16),
            photometric=32803,
            rowsperstrip=64,
            metadata=None,
            extratags=[
                (33421, "H", 2, (2, 2), True),
                (33422, "B", 4, bytes([0, 1, 1, 2]), True),
                (50706, "B", 4, bytes([1, 4, 0, 0]), True),
                (50707, "B", 4, bytes([1, 1, 0, 0]), True),
                (50708, "s", 0, "Tarn Works N1", True),
                (50717, "H", 1, 16383, True),
                (50721, "2i", 9, identity, True),
                (50778, "H", 1, 21, True),
                (271, "s", 0, "Tarn Works", True),
                (272, "s", 0, "N1", True),
            ],
        )
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        exif = image.exifData()
        for key, value in tags.items():
            exif["Exif." + key.replace("_", ".")] = value
        image.writeMetadata()
        return path.read_bytes()

    return make


def header(**cards: object) -> ShotInfo:
    unit = fits.PrimaryHDU(np.zeros((4, 4), np.uint16))
    for key, value in cards.items():
        unit.header[key.replace("_", "-")] = value
    return fits_info(fits.HDUList([unit]))


def fits_info(units: fits.HDUList) -> ShotInfo:
    stream = io.BytesIO()
    units.writeto(stream)
    return read_info(stream.getvalue(), "made.fits")


# EXIF ------------------------------------------------------------------------------------


def test_a_full_set_of_tags_becomes_one_record(dng: MakeDng) -> None:
    info = read_info(
        dng(
            Photo_ExposureTime="300/10",
            Photo_FNumber="28/10",
            Photo_ISOSpeedRatings="1600",
            Photo_FocalLength="35/1",
            Photo_DateTimeOriginal="2026:08:14 22:31:05",
            Photo_SubSecTimeOriginal="25",
            Photo_OffsetTimeOriginal="+02:00",
            Photo_LensModel="Sööl 35 mm",
            Photo_BodySerialNumber="70001234",
            GPSInfo_GPSLatitude="33/1 30/1 36/1",
            GPSInfo_GPSLatitudeRef="S",
            GPSInfo_GPSLongitude="8/1 123/10 0/1",
            GPSInfo_GPSLongitudeRef="E",
            GPSInfo_GPSAltitude="21305/10",
            GPSInfo_GPSAltitudeRef="0",
            GPSInfo_GPSDateStamp="2026:08:14",
            GPSInfo_GPSTimeStamp="20/1 31/1 45/10",
            Photo_FocalPlaneXResolution="25400/10",
            Photo_FocalPlaneResolutionUnit="3",
        ),
        "made.dng",
    )
    assert info.camera == "Tarn Works N1"
    assert info.serial == "70001234"
    assert info.lens == "Sööl 35 mm"
    assert (info.focal_mm, info.fnumber, info.exposure_s, info.iso) == (35, 2.8, 30, 1600)
    assert info.clock == datetime(2026, 8, 14, 22, 31, 5, 250_000)
    assert info.taken_camera == "2026:08:14 22:31:05.25"
    assert info.utc_offset_h == 2
    assert info.gps_utc == datetime(2026, 8, 14, 20, 31, 4, 500_000)
    # 33 + 30/60 + 36/3600 = 33.51; 8 + 12.3/60 = 8.205; exact but for floating point
    assert info.latitude_deg == pytest.approx(-33.51, abs=1e-9)
    assert info.longitude_deg == pytest.approx(8.205, abs=1e-9)
    assert info.height_m == 2130.5
    assert info.pixel_um == pytest.approx(10_000 / 2540)
    assert not info.is_fits


def test_a_file_without_tags_says_nothing_and_nothing_is_made_up(dng: MakeDng) -> None:
    # rawpy would answer for some of these with values that look real.
    info = read_info(dng(), "made.dng")
    said = [one.name for one in fields(ShotInfo) if not same(getattr(info, one.name), one.default)]
    assert said == ["camera"]


def same(value: object, default: object) -> bool:
    """Equal, NaN being equal to NaN."""
    both_nan = isinstance(value, float) and isinstance(default, float) and math.isnan(default)
    return math.isnan(value) if both_nan and isinstance(value, float) else value == default


@pytest.mark.parametrize(
    ("written", "read"), [("1", 1), ("6", 6), ("8", 8), ("0", 0), ("9", 0), ("65535", 0)]
)
def test_how_the_picture_is_turned_is_read_as_exif_numbers_it(
    dng: MakeDng, written: str, read: int
) -> None:
    # EXIF 2.3, table 4, tag 274 Orientation: 1 to 8, others are reserved (from memory).
    assert read_info(dng(Image_Orientation=written), "made.dng").orientation == read


def test_a_fits_header_says_where_its_first_row_lies() -> None:
    assert header(ROWORDER="TOP-DOWN").orientation == 1
    assert header(ROWORDER="bottom-up").orientation == 4
    assert header().orientation == header(ROWORDER="sideways").orientation == 0


def test_zeros_and_blanks_are_unknown(dng: MakeDng) -> None:
    info = read_info(
        dng(
            Photo_ExposureTime="0/1",
            Photo_FNumber="0/0",
            Photo_FocalLength="0/10",
            Photo_LensModel="0.0 mm f/0.0",
            Photo_BodySerialNumber="0000000",
            Photo_DateTimeOriginal="0000:00:00 00:00:00",
            GPSInfo_GPSLatitude="0/1 0/1 0/1",
            GPSInfo_GPSLatitudeRef="N",
            GPSInfo_GPSLongitude="0/1 0/1 0/1",
            GPSInfo_GPSLongitudeRef="E",
        ),
        "made.dng",
    )
    assert math.isnan(info.exposure_s)
    assert math.isnan(info.fnumber)
    assert math.isnan(info.focal_mm)
    assert (info.lens, info.serial, info.clock, info.taken_camera) == ("", "", None, "")
    assert math.isnan(info.latitude_deg)


def test_a_position_without_its_side_is_unknown(dng: MakeDng) -> None:
    info = read_info(
        dng(
            GPSInfo_GPSLatitude="46/1 0/1 0/1",
            GPSInfo_GPSLongitude="8/1 0/1 0/1",
            GPSInfo_GPSLongitudeRef="E",
        ),
        "made.dng",
    )
    assert math.isnan(info.latitude_deg)
    assert math.isnan(info.longitude_deg)


def test_the_stamp_of_a_receiver_that_lost_its_fix_is_passed_over(dng: MakeDng) -> None:
    tags = {
        "GPSInfo_GPSDateStamp": "2026:08:14",
        "GPSInfo_GPSTimeStamp": "20/1 31/1 5/1",
    }
    assert read_info(dng(**tags, GPSInfo_GPSStatus="A"), "a").gps_utc is not None
    assert read_info(dng(**tags, GPSInfo_GPSStatus="V"), "a").gps_utc is None


def test_the_lens_is_named_by_its_range_where_it_has_no_name(dng: MakeDng) -> None:
    zoom = dng(Photo_LensSpecification="24/1 70/1 28/10 40/10")
    assert read_info(zoom, "a").lens == "24-70 mm f/2.8-4"
    single = dng(Photo_LensSpecification="35/1 35/1 0/0 0/0")
    assert read_info(single, "a").lens == "35 mm"
    assert read_info(dng(Photo_LensSpecification="0/0 0/0 0/0 0/0"), "a").lens == ""


def test_a_lens_in_the_makers_notes_is_found_and_one_that_is_none_is_not() -> None:
    # The notes' number goes through exiv2's own list of lenses; 0xffff stands for no lens.
    exif = exiv2.ExifData()
    exif["Exif.CanonCs.LensType"] = "-1"
    assert _exif._lens(_exif._Tags(exif)) == ""
    exif["Exif.Canon.LensModel"] = "Harrow 50 mm"
    assert _exif._lens(_exif._Tags(exif)) == "Harrow 50 mm"


def test_pixel_pitch_comes_from_the_equivalent_focal_length_where_nothing_better_is(
    dng: MakeDng,
) -> None:
    # A sensor half the full frame's diagonal, 96 x 64 px: 43.2666 / 2 / 115.378 px = 187.5 um
    # is no plausible pitch; at 6000 x 4000 px it is 3.0 um.
    tags = {"Photo_FocalLength": "35/1", "Photo_FocalLengthIn35mmFilm": "70"}
    assert math.isnan(read_info(dng(**tags), "a").pixel_um)
    info = read_info(dng(**tags, Photo_PixelXDimension="6000", Photo_PixelYDimension="4000"), "a")
    assert info.pixel_um == pytest.approx(3.0, abs=1e-6)


def test_sensitivity_above_the_short_tag_is_read_from_the_long_one(dng: MakeDng) -> None:
    data = dng(Photo_ISOSpeedRatings="65535", Photo_RecommendedExposureIndex="102400")
    assert read_info(data, "a").iso == 102_400


class ToldByRawpy:
    """Stands in for a RAW of which only rawpy knows something."""

    other = SimpleNamespace(
        shutter_speed=1.0,
        aperture=1.0,
        focal_length=0.0,
        iso_speed=800.0,
        timestamp=datetime(1970, 1, 1),
    )
    lens = SimpleNamespace(model="Harrow 35 mm")
    sizes = SimpleNamespace(raw_width=96, raw_height=64)

    def __enter__(self) -> "ToldByRawpy":
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def open_buffer(self, _: object) -> None:
        pass


def test_what_rawpy_answers_for_the_unknown_is_not_believed(
    monkeypatch: pytest.MonkeyPatch, dng: MakeDng
) -> None:
    # 1 s, f/1.0 and 1970 were seen to stand for missing tags.
    monkeypatch.setattr("skyplumb.intake.exif.rawpy.RawPy", ToldByRawpy)
    info = read_info(dng(), "a.dng")
    assert math.isnan(info.exposure_s)
    assert math.isnan(info.fnumber)
    assert math.isnan(info.focal_mm)
    assert (info.clock, info.taken_camera) == (None, "")
    assert (info.iso, info.lens) == (800, "Harrow 35 mm")


def test_what_exiv2_read_is_not_overruled_by_rawpy(
    monkeypatch: pytest.MonkeyPatch, dng: MakeDng
) -> None:
    monkeypatch.setattr("skyplumb.intake.exif.rawpy.RawPy", ToldByRawpy)
    info = read_info(dng(Photo_LensModel="Wren 50", Photo_ISOSpeedRatings="3200"), "a.dng")
    assert (info.iso, info.lens) == (3200, "Wren 50")


@pytest.mark.parametrize(
    ("by_exiv2", "by_rawpy", "exposure_s"),
    [
        ("1/1", 4.97, 4.97),  # met in an old RAW: one of the two has read nothing
        ("497/100", 1.0, 4.97),
        ("1/1", 1.1, 1.0),  # a rounding
        ("1/1", 1.0, 1.0),
        ("30/1", 32.0, 30.0),
        (None, 4.97, 4.97),
        (None, 1.0, NAN),
    ],
)
def test_of_two_exposures_the_one_that_is_no_placeholder_holds(
    monkeypatch: pytest.MonkeyPatch,
    dng: MakeDng,
    by_exiv2: str | None,
    by_rawpy: float,
    exposure_s: float,
) -> None:
    told = SimpleNamespace(**(vars(ToldByRawpy.other) | {"shutter_speed": by_rawpy}))
    monkeypatch.setattr("skyplumb.intake.exif.rawpy.RawPy", ToldByRawpy)
    monkeypatch.setattr(ToldByRawpy, "other", told)
    tags = {"Photo_ExposureTime": by_exiv2} if by_exiv2 else {}
    assert read_info(dng(**tags), "a.dng").exposure_s == pytest.approx(exposure_s, nan_ok=True)


def test_the_slow_reader_is_asked_only_where_the_first_one_knows_too_little(
    monkeypatch: pytest.MonkeyPatch, dng: MakeDng
) -> None:
    def never() -> None:
        raise AssertionError("it decodes the whole picture for an answer")

    monkeypatch.setattr("skyplumb.intake.exif.rawpy.RawPy", never)
    info = read_info(
        dng(
            Photo_ExposureTime="30/1",
            Photo_ISOSpeedRatings="1600",
            Photo_FocalLength="0/10",  # a lens without electronics
            Photo_DateTimeOriginal="2026:08:14 22:31:05",
        ),
        "a.dng",
    )
    assert (info.exposure_s, info.iso) == (30, 1600)


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Tarn Works", "N1", "Tarn Works N1"),
        ("TARN", "Tarn N1", "Tarn N1"),
        ("Alder Birch Company", "Birch Digital 5 Zoom", "Alder Birch Digital 5 Zoom"),
        ("Birch Imaging Corp.", "N1", "Birch Imaging N1"),
        ("", "N1", "N1"),
        ("Tarn", "", "Tarn"),
    ],
)
def test_the_makers_name_stands_once_in_the_cameras(make: str, model: str, camera: str) -> None:
    exif = exiv2.ExifData()
    exif["Exif.Image.Make"], exif["Exif.Image.Model"] = make, model
    assert _exif._camera(_exif._Tags(exif)) == camera


@pytest.mark.parametrize(
    ("stamp", "known"),
    [
        ("20/1 31/1 5/1", True),
        ("2147483647/1 0/1 0/1", False),
        ("20/1 2147483647/1 5/1", False),
        ("24/1 0/1 0/1", False),
        ("0/0 0/0 0/0", False),
    ],
)
def test_a_gps_time_that_cannot_be_is_none(dng: MakeDng, stamp: str, known: bool) -> None:
    info = read_info(dng(GPSInfo_GPSDateStamp="2026:08:14", GPSInfo_GPSTimeStamp=stamp), "a")
    assert (info.gps_utc is not None) == known


def test_what_a_camera_cannot_have_is_unknown(dng: MakeDng) -> None:
    info = read_info(
        dng(
            Photo_ExposureTime="2147483647/1",
            Photo_FocalLength="2147483647/1",
            Photo_FNumber="2147483647/1",
            Photo_DateTimeOriginal="0001:01:01 00:00:00",
            Photo_LensModel="x" * 10_000,
        ),
        "a.dng",
    )
    assert math.isnan(info.exposure_s)
    assert math.isnan(info.focal_mm)
    assert math.isnan(info.fnumber)
    assert info.clock is None
    assert len(info.lens) == 200


def test_a_tag_over_which_the_reader_stumbles_costs_itself_only() -> None:
    class Stumbles:
        def findKey(self, _: object) -> None:  # noqa: N802
            raise OverflowError("too large")

    assert _exif._Tags(Stumbles()).text("Exif.Image.Make") == ""


def test_every_key_asked_for_is_one_exiv2_knows() -> None:
    # exiv2 ends the process at a key it does not know, so the lists are compared by name.
    known = {
        f"Exif.{group.groupName}.{tag.name}"
        for group in exiv2.ExifTags.groupList()
        for tag in (group.tagList() if group.tagList else ())
    }
    asked = {
        key
        for name in dir(_exif)
        if name.endswith("_KEYS")
        for entry in getattr(_exif, name)
        for key in ([entry] if isinstance(entry, str) else entry)
    }
    assert len(asked) > 50
    assert asked <= known


def test_text_named_as_a_raw_is_told_by_name_and_mend() -> None:
    for data in (b"Dear diary, clear skies at last.\n" * 20, bytes(4096), b"\xff" * 64):
        with pytest.raises(UnreadableError, match=r"N_0001\.CR2: .*copy it"):
            read_info(data, "N_0001.CR2")


def test_a_file_cut_anywhere_gives_a_record_or_one_clear_error(dng: MakeDng) -> None:
    data = dng(Photo_ExposureTime="30/1", Photo_LensModel="Harrow 35 mm")
    refused, read = 0, set()
    for length in range(0, len(data), 397):
        try:
            read.add(read_info(data[:length], "cut.dng").lens)
        except UnreadableError as error:
            assert str(error).startswith("cut.dng: ")
            refused += 1
    # Cut early it is no picture, cut late its tags are there or not.
    assert refused > 0
    assert read <= {"", "Harrow 35 mm"} and read


# FITS ------------------------------------------------------------------------------------


def test_the_real_frames_are_read_as_their_headers_say() -> None:
    # Values as printed in the files' own headers (panoptes-utils, tests/data; MIT).
    for name, clock, temperature in (
        ("unsolved.fits", datetime(2016, 9, 9, 8, 12, 26), 11),
        ("solved.fits.fz", datetime(2016, 9, 9, 8, 14, 34), 13),
    ):
        info = read_info((REAL / name).read_bytes(), name)
        assert info.clock == clock
        assert info.taken_camera == clock.isoformat()
        assert (info.exposure_s, info.iso, info.serial) == (120.4, 100, "012070048413")
        assert (info.latitude_deg, info.longitude_deg, info.height_m) == (19.54, -155.58, 3400)
        assert (info.temperature_c, info.mosaic_claim, info.utc_offset_h) == (
            temperature,
            "RGGB",
            0,
        )
        assert info.is_fits


def test_blank_cards_of_the_real_pole_frames_are_unknown() -> None:
    for name, exposure in (("pole.fits", 30.1), ("rotation.fits", 25.2)):
        info = read_info((REAL / name).read_bytes(), name)
        assert info.exposure_s == exposure
        assert (info.camera, info.lens, info.mosaic_claim) == ("", "", "")
        assert math.isnan(info.latitude_deg)
        assert math.isnan(info.height_m)


def test_the_usual_keywords_become_one_record() -> None:
    info = header(
        INSTRUME="Fen One",
        TELESCOP="Harrow 200",
        FOCALLEN=200.0,
        APTDIA=50.0,
        EXPTIME=90,
        DATE_OBS="2026-08-14T20:31:05.123",
        XPIXSZ=3.76,
        GAIN=100,
        CCD_TEMP=-9.8,
        BAYERPAT="RGGB",
        YBAYROFF=1,
        SITELAT="-33 30 36",
        SITELONG="20:12:18.0",
        SITEELEV=1600,
    )
    assert (info.camera, info.lens, info.fnumber) == ("Fen One", "Harrow 200", 4)
    assert info.clock == datetime(2026, 8, 14, 20, 31, 5, 123_000)
    assert (info.pixel_um, info.temperature_c, info.gain) == (3.76, -9.8, 100)
    assert math.isnan(info.iso)
    assert info.mosaic_claim == "GBRG"
    assert info.latitude_deg == pytest.approx(-33.51, abs=1e-9)  # floating point only
    assert info.longitude_deg == pytest.approx(20.205, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Light Frame", "light"),
        ("LIGHT", "light"),
        ("object", "light"),
        ("Dark Frame", "dark"),
        ("master dark", "dark"),
        ("FlatDark", "dark"),
        ("Flat Field", "flat"),
        ("SKYFLAT", "flat"),
        ("Twilight", "flat"),
        ("TWILIGHT FLAT", "flat"),
        ("Dome", "flat"),
        ("DOMEFLAT", "flat"),
        ("Lightbox", "flat"),
        ("SCIENCE", "light"),
        ("DARKFLAT", "dark"),
        ("Offset", "bias"),
        ("Bias Frame", "bias"),
        ("zero", "bias"),
        ("focus", ""),
        ("", ""),
    ],
)
def test_image_types_are_told_in_their_usual_spellings(text: str, kind: str) -> None:
    # common practice, no source
    assert header(IMAGETYP=text).image_type == kind
    assert header(FRAME=text).image_type == kind


@pytest.mark.parametrize(
    "cards",
    [
        {"DATE_BEG": "2026-08-14T20:31:00", "DATE_OBS": "2026-08-14T20:31:30"},
        {"DATE_OBS": "2026-08-14T20:31:00.0Z"},
        {"DATE_OBS": "2026-08-14", "TIME_OBS": "20:31:00"},
        {"DATE_AVG": "2026-08-14T20:31:30"},
        {"DATE_END": "2026-08-14T20:32:00"},
        # MJD of 2026-08-14 is 61266 (2000-01-01 is 51544, and 9722 days follow)
        {"MJD_OBS": 61266 + (20 * 60 + 31) / 1440},
        # TAI was 37 s ahead of UTC since 2017, TT is 32.184 s ahead of TAI, GPS 19 s behind
        {"DATE_OBS": "2026-08-14T20:31:37", "TIMESYS": "TAI"},
        {"DATE_OBS": "2026-08-14T20:32:09.184", "TIMESYS": "TT"},
        {"DATE_OBS": "2026-08-14T20:31:18", "TIMESYS": "GPS"},
        {"DATE_OBS": "2026-08-14T20:31:37", "TIMESYS": "IAT"},
        {"DATE_OBS": "2026-08-14T20:31:00", "TIMESYS": "UT"},
    ],
)
def test_the_start_is_found_in_every_way_a_header_may_give_it(cards: dict[str, object]) -> None:
    info = header(**cards, EXPTIME=60)
    assert info.clock is not None
    off = info.clock - datetime(2026, 8, 14, 20, 31)
    # 10 us: a modified Julian date in double precision is good to a microsecond
    assert abs(off.total_seconds()) < 1e-5
    assert info.utc_offset_h == 0


@pytest.mark.parametrize("scale", ["TAI", "TT", "TDB", "TCG", "TCB"])
def test_utc_of_every_time_scale_is_that_of_astropy(scale: str) -> None:
    for written in ("1999-03-01T23:59:50.25", "2017-01-01T00:00:30", "2026-08-14T20:31:37.5"):
        told = header(DATE_OBS=written, TIMESYS=scale)
        utc = Time(written, scale=scale.lower()).utc.to_datetime()
        assert told.clock is not None
        # astropy takes the Earth's centre, too, and both round to the microsecond.
        assert abs((told.clock - utc).total_seconds()) < 3e-6
        assert told.utc_offset_h == 0


ASKS_NOTHING = """
import datetime, socket, sys
from astropy.time import Time
from astropy.utils import iers

def refuse(*_, **__):
    sys.exit("asked the network")

socket.socket.connect = socket.getaddrinfo = refuse
iers.LeapSeconds._today = staticmethod(lambda: Time("2060-01-01", scale="tai"))

from skyplumb.calibrate.almanac import constellations
from skyplumb.intake.fits_header import _utc

for scale in ("TAI", "TT", "TDB", "TCG", "TCB", "GPS"):
    print(_utc(datetime.datetime(2058, 8, 14, 20, 31, 37), scale))
print(constellations([83.8], [-5.4]))
"""


@pytest.mark.broad
def test_old_leap_seconds_send_nobody_to_the_network() -> None:
    # A leap second table of 2026 has long expired in 2060, when astropy would fetch a newer one.
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", ASKS_NOTHING], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert "2058-08-14 20:31:00\n" in done.stdout
    assert "Orion" in done.stdout


def test_dates_of_the_last_century_are_read_in_their_old_form() -> None:
    # FITS before 1999: dd/mm/yy; from memory
    info = header(DATE_OBS="25/12/97", TIME_OBS="01:02:03.5")
    assert info.clock == datetime(1997, 12, 25, 1, 2, 3, 500_000)


def test_a_date_without_time_or_in_an_unknown_scale_is_no_utc() -> None:
    info = header(DATE_OBS="2026-08-14")
    assert (info.clock, info.taken_camera) == (None, "2026-08-14")
    assert math.isnan(header(DATE_OBS="2026-08-14T20:31:00", TIMESYS="LOCAL").utc_offset_h)


def test_a_site_in_earth_centred_coordinates_is_turned_into_angles() -> None:
    # WGS84 check of liberfa, eraGc2gd: e 0.9827937232473290680 rad, phi
    # 0.97160184819075459 rad, h 331.4172461426059892 m for x, y, z = 2e6, 3e6, 5.244e6 m
    # (t_erfa_c.c, from memory)
    info = header(**{"OBSGEO-X": 2e6, "OBSGEO-Y": 3e6, "OBSGEO-Z": 5.244e6})
    assert info.longitude_deg == pytest.approx(math.degrees(0.9827937232473290680), abs=1e-12)
    assert info.latitude_deg == pytest.approx(math.degrees(0.97160184819075459), abs=1e-12)
    assert info.height_m == pytest.approx(331.4172461426059892, abs=1e-8)


def test_longitudes_past_180_are_turned_west_and_nowhere_is_unknown() -> None:
    assert header(SITELAT=19.5, SITELONG=204.42).longitude_deg == pytest.approx(-155.58)
    assert math.isnan(header(SITELAT=0.0, SITELONG=0.0).latitude_deg)
    assert math.isnan(header(SITELAT=95.0, SITELONG=8.0).latitude_deg)


def test_the_first_image_counts_and_the_primary_header_fills_its_gaps() -> None:
    primary = fits.PrimaryHDU()
    primary.header["EXPTIME"] = 60
    primary.header["INSTRUME"] = "Fen One"
    image = fits.ImageHDU(np.zeros((4, 4), np.uint16))
    image.header["EXPTIME"] = 90
    later = fits.ImageHDU(np.zeros((4, 4), np.uint16))
    later.header["EXPTIME"] = 120
    info = fits_info(fits.HDUList([primary, image, later]))
    assert (info.exposure_s, info.camera) == (90, "Fen One")


def test_the_picture_whose_header_is_read_is_the_one_that_is_decoded() -> None:
    # A strip of one row and a stack of five planes come first, and are no pictures.
    units = [fits.PrimaryHDU()]
    for shape, exposure in (((1, 50), 1), ((5, 40, 40), 2), ((40, 40), 3), ((40, 40), 4)):
        units.append(fits.ImageHDU(np.full(shape, exposure, np.uint16)))
        units[-1].header["EXPTIME"] = exposure
    units[-2].data[0, 0] = 0  # not blank
    stream = io.BytesIO()
    fits.HDUList(units).writeto(stream)
    info = read_info(stream.getvalue(), "a.fits")
    plate = decode(stream.getvalue(), "a.fits")
    assert info.exposure_s == plate.samples[1, 1] == 3


def test_a_compressed_image_is_read_like_a_plain_one() -> None:
    image = fits.CompImageHDU(np.zeros((40, 40), np.uint16))
    image.header["EXPTIME"] = 90
    assert fits_info(fits.HDUList([fits.PrimaryHDU(), image])).exposure_s == 90


def test_broken_fits_is_told_by_name_and_mend() -> None:
    whole = (REAL / "pole.fits").read_bytes()
    table = io.BytesIO()
    columns = [fits.Column("a", "E", array=np.zeros(3))]
    fits.HDUList([fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns)]).writeto(table)
    for data in (
        whole[:80],
        whole[:1000],
        whole.replace(b"NAXIS   =                    2", b"NAXIS   =                 some"),
        whole.replace(b"NAXIS1  =                  200", b"NAXIS1  =                 -200"),
        whole.replace(b"NAXIS1  =", b"NAXOS1  ="),
        table.getvalue(),
        b"no FITS at all" * 300,
        b"",
    ):
        with pytest.raises(UnreadableError, match=r"^bad\.fits: .+; "):
            read_info(data, "bad.fits")


def test_a_card_that_cannot_be_parsed_costs_its_own_value_only() -> None:
    whole = (REAL / "pole.fits").read_bytes()
    data = whole.replace(b"EXPTIME =                 30.1", b"EXPTIME =               30 1 s")
    assert data != whole
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        info = read_info(data, "odd.fits")
    assert math.isnan(info.exposure_s)
    assert info.iso == 100


ORION = {"ra": 83.822, "dec": -5.391}  # Trapezium: 5 h 35 m 17.3 s, -5 deg 23' 28" (from memory)


@pytest.mark.parametrize(
    "cards",
    [
        {"RA": 83.822, "DEC": -5.391},
        {"RA": "83.822", "DEC": "-05 23 27.6"},
        {"RA": "5:35:17.28", "DEC": "-5:23:27.6"},
        {"OBJCTRA": "05 35 17.28", "OBJCTDEC": "-05 23 27.6"},
        {"OBJCTRA": "05h35m17.28s", "OBJCTDEC": "-5d23m27.6s"},
        {"RA": (5.588133, "[hours] where it pointed"), "DEC": -5.391},
        {"RA_MNT": 83.822, "DEC_MNT": -5.391, "OBJCTRA": "00 00 00", "OBJCTDEC": "+10 00 00"},
        {"RA": 0.0, "DEC": 0.0, "OBJCTRA": "05 35 17.28", "OBJCTDEC": "-05 23 27.6"},
    ],
)
def test_the_place_on_the_sky_is_offered_as_headers_write_it(cards: dict[str, object]) -> None:
    info = header(**cards)
    # 0.001 deg: hours are given to 1e-6, 15 times that in degrees; a hint is good to a degree
    assert info.ra_hint_deg == pytest.approx(ORION["ra"], abs=0.001)
    assert info.dec_hint_deg == pytest.approx(ORION["dec"], abs=0.001)


@pytest.mark.parametrize(
    "cards",
    [
        {},
        {"RA": 83.8},
        {"RA": "unknown", "DEC": "unknown"},
        {"RA": 383.8, "DEC": -5.4},
        {"RA": 0, "DEC": 0},
        {"CTYPE1": "", "CTYPE2": "", "CRVAL1": 5.0, "CRVAL2": 6.0, "CRPIX1": 1.0, "CRPIX2": 1.0},
    ],
)
def test_no_place_is_made_up(cards: dict[str, object]) -> None:
    info = header(**cards)
    assert math.isnan(info.ra_hint_deg)
    assert math.isnan(info.dec_hint_deg)


def test_world_coordinates_are_carried_to_the_middle_of_the_picture() -> None:
    # Against astropy's own reading of the same cards.
    for cards in (
        {"CD1_1": -0.02, "CD1_2": 0.01, "CD2_1": 0.01, "CD2_2": 0.02},
        {"CDELT1": -0.02, "CDELT2": 0.02},
    ):
        unit = fits.PrimaryHDU(np.zeros((100, 200), np.uint16))
        unit.header.update(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=313.0, CRVAL2=60.0)
        unit.header.update(CRPIX1=20.0, CRPIX2=90.0, **cards)
        ra, dec = WCS(unit.header).wcs_pix2world(100.5, 50.5, 1)
        info = fits_info(fits.HDUList([unit]))
        assert info.ra_hint_deg == pytest.approx(float(ra), abs=1e-9)  # floating point only
        assert info.dec_hint_deg == pytest.approx(float(dec), abs=1e-9)


def test_the_header_of_a_larger_picture_does_not_say_where_a_cut_one_is() -> None:
    # Its reference pixel is (2604.5, 1738.5), the cut has 200 x 200.
    assert math.isnan(read_info((REAL / "pole.fits").read_bytes(), "pole.fits").ra_hint_deg)


def test_the_real_frames_say_where_they_are() -> None:
    # CRVAL of the solved one, the mount's own place of the other, as printed in their headers.
    for name, ra, dec in (
        ("solved.fits.fz", 303.206422334, 46.0173987483),
        ("unsolved.fits", 301.56439, 44.456875),
    ):
        info = read_info((REAL / name).read_bytes(), name)
        assert (info.ra_hint_deg, info.dec_hint_deg) == (
            pytest.approx(ra, abs=1e-6),  # as printed
            pytest.approx(dec, abs=1e-6),
        )


# values ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [("28/10", 2.8), ("-3/2", -1.5), ("1.5E3", 1500), ("44 C", 44), ("-10.5°C", -10.5)],
)
def test_numbers_are_read_with_and_without_units(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "1/0", "nan", "inf", "-", "a lot", "1 2", "True"])
def test_what_is_no_number_is_unknown(text: str) -> None:
    assert math.isnan(number(text))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("46.5", 46.5),
        ("-0 30 0", -0.5),
        ("46:30:18", 46.505),
        ("46d30m18s", 46.505),
        ("46° 30' 18\" S", -46.505),
        ("8 12 W", -8.2),
    ],
)
def test_angles_are_read_in_the_ways_headers_write_them(text: str, value: float) -> None:
    assert angle_deg(text) == pytest.approx(value, abs=1e-12)  # floating point only


@pytest.mark.parametrize("year", [1, 1899, 2200, 9999])
def test_a_year_of_no_camera_is_no_time(year: int) -> None:
    assert time(f"{year:04d}-08-14T20:31:00") is None
    info = header(DATE_OBS=f"{year:04d}-08-14T20:31:00", EXPTIME=60)
    assert info.clock is None


@pytest.mark.parametrize(
    "cards",
    [
        {"EXPTIME": 1e12, "FOCALLEN": 1e50, "GAIN": 1e300, "XPIXSZ": 1e30, "FNUMBER": 1e9},
        {"EXPTIME": -1.0, "FOCALLEN": -50, "XPIXSZ": 0, "FNUMBER": 0},
        {"EXPTIME": "9" * 60, "FOCALLEN": "1E400", "GAIN": "9" * 60, "XPIXSZ": "1E99"},
        {"DATE_END": "2026-08-14T20:31:00", "EXPTIME": 1e15},
        {"MJD_OBS": 1e300, "OBSGEO-X": 1e300, "OBSGEO-Y": 1e300, "OBSGEO-Z": 1e300},
    ],
)
def test_absurd_numbers_of_a_header_are_unknown(cards: dict[str, object]) -> None:
    info = header(**cards)
    for value in (info.exposure_s, info.focal_mm, info.gain, info.pixel_um, info.fnumber):
        assert math.isnan(value)
    assert math.isnan(info.latitude_deg)


@pytest.mark.parametrize("parse", [number, angle_deg, time])
@pytest.mark.parametrize(
    "text", ["1" * 5000, "1." * 2500, "1 " * 2500, "1:" * 2500, " " * 5000 + "x", "1e" * 2500]
)
def test_endless_texts_are_told_from_numbers_at_once(
    parse: Callable[[str], float | datetime | None], text: str
) -> None:
    # A thousand digits took the angle pattern 21 s; steps are counted, not seconds: what is
    # longer than any header's card is never parsed.
    assert len(text) > LONGEST_TEXT
    value = parse(text)
    assert value is None or (isinstance(value, float) and math.isnan(value))


@pytest.mark.parametrize("text", ["", "46:75:00", "north", "46:30:18:02"])
def test_what_is_no_angle_is_unknown(text: str) -> None:
    assert math.isnan(angle_deg(text))


def test_fractions_of_a_second_are_kept_to_the_microsecond() -> None:
    assert time("2026:08:14 22:31:05", "1234567") == datetime(2026, 8, 14, 22, 31, 5, 123_456)
    assert time("2026-08-14T22:31:05.5") == datetime(2026, 8, 14, 22, 31, 5, 500_000)
    assert time("2026-08-14T22:31") == datetime(2026, 8, 14, 22, 31)
    for text in ("2026-02-31T00:00:00", "2026-08-14", "    :  :     :  :  ", ""):
        assert time(text) is None


def test_a_file_of_which_nothing_is_known_is_no_picture_whatever_nan_is_equal_to() -> None:
    # From Python 3.13 on a record is compared field by field, and NaN is unlike itself.
    nothing = ShotInfo(focal_mm=float("nan"), latitude_deg=float("nan"))
    with pytest.raises(UnreadableError, match="no picture that can be read"):
        _exif._filled(nothing, b"milk, bread, batteries " * 100, "a.dng", 10**9)
