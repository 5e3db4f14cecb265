"""EXIF and the makers' own notes -> ShotInfo, by exiv2, with rawpy where exiv2 knows nothing.

exiv2 ends the process when it is asked for a key it has no name for, so every key that is
asked for stands below and a test holds each against exiv2's own list.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import exiv2
import rawpy

from skyplumb.errors import UnreadableError
from skyplumb.intake.failures import AGAIN, SHORT_OF_MEMORY
from skyplumb.intake.memory import MEMORY_BYTES, bytes_needed
from skyplumb.intake.values import YEARS, likely, number, positive, tidy, time, within
from skyplumb.records import NAN, ShotInfo

LENS_KEYS = (
    "Exif.Photo.LensModel",
    "Exif.Canon.LensModel",
    "Exif.OlympusEq.LensModel",
    "Exif.Panasonic.LensType",
    "Exif.CanonCs.LensType",
    "Exif.NikonLd4.LensID",
    "Exif.NikonLd4.LensIDNumber",
    "Exif.NikonLd3.LensIDNumber",
    "Exif.NikonLd2.LensIDNumber",
    "Exif.NikonLd1.LensIDNumber",
    "Exif.Nikon3.Lens",
    "Exif.Pentax.LensType",
    "Exif.PentaxDng.LensType",
    "Exif.OlympusEq.LensType",
    "Exif.Sony2.LensID",
    "Exif.Sony1.LensID",
    "Exif.Minolta.LensID",
    "Exif.Samsung2.LensType",
    "Exif.Sigma.LensRange",
    "Exif.CanonCs.Lens",
)
"""Where lens names stand, the plainest first; numbers come out as exiv2's name for them."""

LENS_RANGE_KEYS = ("Exif.Photo.LensSpecification", "Exif.Image.LensInfo")
SERIAL_KEYS = (
    "Exif.Photo.BodySerialNumber",
    "Exif.Image.CameraSerialNumber",
    "Exif.Canon.SerialNumber",
    "Exif.Nikon3.SerialNumber",
    "Exif.Nikon3.SerialNO",
    "Exif.OlympusEq.SerialNumber",
    "Exif.Fujifilm.SerialNumber",
    "Exif.Pentax.SerialNumber",
    "Exif.PentaxDng.SerialNumber",
    "Exif.Panasonic.InternalSerialNumber",
    "Exif.Sigma.SerialNumber",
)
TIME_KEYS = (
    ("Exif.Photo.DateTimeOriginal", "Exif.Photo.SubSecTimeOriginal"),
    ("Exif.Image.DateTimeOriginal", "Exif.Photo.SubSecTimeOriginal"),
    ("Exif.Photo.DateTimeDigitized", "Exif.Photo.SubSecTimeDigitized"),
    ("Exif.Image.DateTime", "Exif.Photo.SubSecTime"),
)
"""Time and its fraction; the last is the time of the file, in a RAW that of the shot."""

OFFSET_KEYS = (
    "Exif.Photo.OffsetTimeOriginal",
    "Exif.Photo.OffsetTimeDigitized",
    "Exif.Photo.OffsetTime",
)
EXPOSURE_KEYS = ("Exif.Photo.ExposureTime", "Exif.Image.ExposureTime")
FNUMBER_KEYS = ("Exif.Photo.FNumber", "Exif.Image.FNumber")
FOCAL_KEYS = ("Exif.Photo.FocalLength", "Exif.Image.FocalLength")
ISO_KEYS = (
    "Exif.Photo.ISOSpeedRatings",
    "Exif.Photo.RecommendedExposureIndex",
    "Exif.Photo.StandardOutputSensitivity",
    "Exif.Photo.ISOSpeed",
    "Exif.Image.ISOSpeedRatings",
)
TEMPERATURE_KEYS = (
    "Exif.CanonSi.CameraTemperature",
    "Exif.OlympusFi.SensorTemperature",
    "Exif.SonyMisc1.CameraTemperature",
    "Exif.Pentax.Temperature",
)
PITCH_KEYS = (
    ("Exif.Photo.FocalPlaneXResolution", "Exif.Photo.FocalPlaneResolutionUnit"),
    ("Exif.Image.FocalPlaneXResolution", "Exif.Image.FocalPlaneResolutionUnit"),
)
OTHER_KEYS = (
    "Exif.Image.Make",
    "Exif.Image.Model",
    "Exif.Image.UniqueCameraModel",
    "Exif.Image.Orientation",
    "Exif.Photo.ShutterSpeedValue",
    "Exif.Photo.ApertureValue",
    "Exif.Photo.FocalLengthIn35mmFilm",
    "Exif.Photo.PixelXDimension",
    "Exif.Photo.PixelYDimension",
    "Exif.GPSInfo.GPSLatitude",
    "Exif.GPSInfo.GPSLatitudeRef",
    "Exif.GPSInfo.GPSLongitude",
    "Exif.GPSInfo.GPSLongitudeRef",
    "Exif.GPSInfo.GPSAltitude",
    "Exif.GPSInfo.GPSAltitudeRef",
    "Exif.GPSInfo.GPSDateStamp",
    "Exif.GPSInfo.GPSTimeStamp",
    "Exif.GPSInfo.GPSStatus",
)

UNIT_UM = {"2": 25_400.0, "3": 10_000.0, "4": 1_000.0, "5": 1.0}
"""FocalPlaneResolutionUnit in micrometres: inch, cm (EXIF), mm, um (TIFF/EP)."""

PLACEHOLDER_S = 1.0
"""An exposure that old RAWs are read as that have none."""

FULL_FRAME_DIAGONAL_MM = math.hypot(36, 24)

NO_LENS = re.compile(
    r"[\s()\-+.\d]*|0+(\.0*)?\s*mm.*|.*\b(no lens|n/?a|none|unknown|manual lens)\b.*", re.IGNORECASE
)
"""What stands for a lens where the camera knows of none."""

FIRM = re.compile(r",|\b(corporation|corp|company|co|ltd|inc|gmbh|ag)\b\.?", re.IGNORECASE)


class _Tags:
    """Tags of one file by key; missing, blank and malformed ones are empty or NaN."""

    def __init__(self, exif: exiv2.ExifData) -> None:
        self._exif = exif

    def text(self, *keys: str) -> str:
        """The first that says something, as it is stored."""
        return next((text for key in keys if (text := self._raw(key))), "")

    def words(self, key: str) -> str:
        """A tag with its number put into words."""
        return self._told(key, lambda tag: tag.print(self._exif))

    def number(self, *keys: str) -> float:
        """The first that is a number above 0."""
        values = (positive(number(self._raw(key))) for key in keys)
        return next((value for value in values if not math.isnan(value)), NAN)

    def numbers(self, key: str) -> list[float]:
        """All numbers of a tag that holds several."""
        return [number(part) for part in self._raw(key).split()]

    def _raw(self, key: str) -> str:
        """A tag's stored text."""
        return self._told(key, lambda tag: tag.toString())

    def _told(self, key: str, question: Callable[[Any], str]) -> str:
        """What exiv2 answers about a tag; nothing where the file has none."""
        try:
            found = self._exif.findKey(exiv2.ExifKey(key))
            return tidy(question(found)) if found != self._exif.end() else ""
        except Exception:
            # exiv2 answers a damaged tag by whatever it stumbles over: numbers too large, text
            # that is none; such a tag says nothing
            return ""


def exif_info(data: bytes, file: str, cap_bytes: int = MEMORY_BYTES) -> ShotInfo:
    """What a RAW says of itself.

    Raises
    ------
    UnreadableError
        If neither library finds a picture in it.
    """
    exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.mute)
    try:
        image = exiv2.ImageFactory.open(data)
        image.readMetadata()
        tags, size = _Tags(image.exifData()), (image.pixelWidth(), image.pixelHeight())
    except MemoryError:
        raise UnreadableError(f"{file}: {SHORT_OF_MEMORY}") from None
    except Exception:
        # Its own class for what it does not know, others for damage; rawpy may read it still.
        info, complete = ShotInfo(), False
    else:
        info = _from_tags(tags, *size)
        complete = _is_complete(info, tags)
    return info if complete else _filled(info, data, file, cap_bytes)


def _is_complete(info: ShotInfo, tags: _Tags) -> bool:
    """Whether the other reader, which decodes the whole picture first, need not be asked.

    A focal length of 0 is a lens that does not tell it; a missing one is an old RAW that keeps
    it elsewhere. An exposure of just 1 s is what old RAWs are read as that have none.
    """
    known = info.clock and not math.isnan(info.exposure_s + info.iso)
    return bool(known and tags.text(*FOCAL_KEYS) and info.exposure_s != PLACEHOLDER_S)


def _from_tags(tags: _Tags, width: int, height: int) -> ShotInfo:
    """The record of what the tags say."""
    clock, taken = _clock(tags)
    latitude, longitude = _position(tags)
    focal = likely("focal_mm", tags.number(*FOCAL_KEYS))
    return ShotInfo(
        camera=_camera(tags),
        serial=_serial(tags),
        lens=_lens(tags),
        focal_mm=focal,
        fnumber=_fnumber(tags),
        exposure_s=_exposure_s(tags),
        iso=_iso(tags),
        clock=clock,
        taken_camera=taken,
        utc_offset_h=_offset_h(tags.text(*OFFSET_KEYS)),
        gps_utc=_gps_utc(tags),
        latitude_deg=latitude,
        longitude_deg=longitude,
        height_m=_height_m(tags),
        temperature_c=_temperature_c(tags),
        pixel_um=_pixel_um(tags, focal, width, height),
        orientation=_orientation(tags),
    )


def _filled(info: ShotInfo, data: bytes, file: str, cap_bytes: int) -> ShotInfo:
    """The record with its gaps filled from rawpy, as far as rawpy can be believed.

    rawpy answers for what it does not know with 0, with an exposure of 1 s at f/1.0, and
    with a time in 1970: these are taken for unknown, even where they were true.
    """
    clock: datetime | None
    try:
        with rawpy.RawPy() as raw:
            raw.open_buffer(io.BytesIO(data))
            # Asked for anything else than sizes, rawpy decodes the picture.
            samples = raw.sizes.raw_width * raw.sizes.raw_height
            if bytes_needed(len(data), samples) > cap_bytes:
                return info  # decoding says so
            told, name = raw.other, tidy(raw.lens.model)
            clock = told.timestamp
    except Exception as error:
        # Whatever the library stumbles over: what exiv2 has read stands.
        # By their words: what is not known, NaN, is not even equal to itself.
        if repr(info) == repr(ShotInfo()) and isinstance(error, rawpy.LibRawError):
            raise UnreadableError(f"{file}: no picture that can be read; {AGAIN}") from None
        return info
    if clock is None or not 1990 <= clock.year <= YEARS[1]:
        clock = None

    def gap(quantity: str, known: float, offered: float, *, false: float = 0.0) -> float:
        offered = likely(quantity, offered)
        return offered if math.isnan(known) and offered != false else known

    return replace(
        info,
        exposure_s=_settled(info.exposure_s, likely("exposure_s", told.shutter_speed)),
        fnumber=gap("fnumber", info.fnumber, told.aperture, false=1.0),
        focal_mm=gap("focal_mm", info.focal_mm, told.focal_length),
        iso=gap("iso", info.iso, told.iso_speed),
        lens=info.lens or ("" if NO_LENS.fullmatch(name) else name),
        clock=info.clock or clock,
        taken_camera=info.taken_camera or (clock.strftime("%Y:%m:%d %H:%M:%S") if clock else ""),
    )


def _settled(by_exiv2: float, by_rawpy: float) -> float:
    """The exposure of two that were read, s.

    Where they are more than a third of a stop apart and one is just 1 s, that one is the
    placeholder; else the standard's own tag holds.
    """
    if math.isnan(by_rawpy) or by_rawpy == PLACEHOLDER_S:
        return by_exiv2
    apart = abs(math.log2(by_exiv2 / by_rawpy)) > 1 / 3
    doubted = by_exiv2 == PLACEHOLDER_S and apart
    return by_rawpy if math.isnan(by_exiv2) or doubted else by_exiv2


def _orientation(tags: _Tags) -> int:
    """1 to 8 as the tag numbers them; 0 where it says none of these."""
    told = tags.number("Exif.Image.Orientation")
    return int(told) if told in range(1, 9) else 0


def _camera(tags: _Tags) -> str:
    """Maker and model, the maker's name once and without its legal form."""
    make = FIRM.sub(" ", tags.text("Exif.Image.Make")).split()
    model = tags.text("Exif.Image.Model", "Exif.Image.UniqueCameraModel")
    small_make, small_model = (
        [word.casefold() for word in words] for words in (make, model.split())
    )
    if small_model and small_make[:1] and small_make[0] in small_model:
        return model
    for shared in range(len(make), 0, -1):  # "Alder Birch" and "Birch Digital 5"
        if small_make[-shared:] == small_model[:shared]:
            make = make[:-shared]
            break
    return " ".join([*make, model]).strip()


def _serial(tags: _Tags) -> str:
    """Serial number of the body; rows of zeros are none."""
    serials = (tags.text(key) for key in SERIAL_KEYS)
    return next((serial for serial in serials if serial.strip("0 .-")), "")


def _lens(tags: _Tags) -> str:
    """Name of the lens, else what its focal lengths and apertures are, else empty."""
    for key in LENS_KEYS:
        name = tags.words(key)
        if name and not NO_LENS.fullmatch(name):
            return name
    for key in LENS_RANGE_KEYS:
        values = tags.numbers(key)
        focal = _range(*values[:2]) if len(values) == 4 else ""
        if focal:
            light = _range(*values[2:])
            return f"{focal} mm" + (f" f/{light}" if light else "")
    return ""


def _range(low: float, high: float) -> str:
    """``24-70``, or ``35`` where both ends are one; empty where unknown."""
    if math.isnan(positive(low)) or math.isnan(positive(high)):
        return ""
    return f"{low:g}" if low == high else f"{low:g}-{high:g}"


def _exposure_s(tags: _Tags) -> float:
    """Exposure time, else that of the APEX value 2^-Tv."""
    seconds = likely("exposure_s", tags.number(*EXPOSURE_KEYS))
    if not math.isnan(seconds):
        return seconds
    apex = number(tags.text("Exif.Photo.ShutterSpeedValue"))
    return 2.0**-apex if abs(apex) <= 15 and apex != 0 else NAN


def _fnumber(tags: _Tags) -> float:
    """F-number, else that of the APEX value 2^(Av/2)."""
    fnumber = likely("fnumber", tags.number(*FNUMBER_KEYS))
    if not math.isnan(fnumber):
        return fnumber
    apex = tags.number("Exif.Photo.ApertureValue")
    return 2.0 ** (apex / 2) if apex <= 15 else NAN


def _iso(tags: _Tags) -> float:
    """ISO; 65535 in the short tag says to look in the longer ones."""
    isos = (likely("iso", tags.number(key)) for key in ISO_KEYS)
    return next((iso for iso in isos if not math.isnan(iso) and iso != 65_535), NAN)


def _clock(tags: _Tags) -> tuple[datetime | None, str]:
    """Start of exposure by the camera's clock, and how the file writes it."""
    for key, fraction_key in TIME_KEYS:
        text, fraction = tags.text(key), tags.text(fraction_key)
        clock = time(text, fraction)
        if clock:
            return clock, f"{text}.{fraction}" if fraction.isdecimal() else text
    return None, ""


def _offset_h(text: str) -> float:
    """Hours east of UTC of ``+05:45`` or ``Z``."""
    if text.upper() == "Z":
        return 0.0
    found = re.fullmatch(r"([+-])(\d\d):?(\d\d)", text)
    if not found:
        return NAN
    hours = int(found[2]) + int(found[3]) / 60
    return within(-hours if found[1] == "-" else hours, -12, 14)


def _position(tags: _Tags) -> tuple[float, float]:
    """Latitude and longitude, degrees, north and east positive; NaN, NaN without a fix."""
    latitude = _gps_angle(tags, "Exif.GPSInfo.GPSLatitude", "N", "S", 90)
    longitude = _gps_angle(tags, "Exif.GPSInfo.GPSLongitude", "E", "W", 180)
    nowhere = math.isnan(latitude + longitude) or latitude == longitude == 0
    return (NAN, NAN) if nowhere else (latitude, longitude)


def _gps_angle(tags: _Tags, key: str, plus: str, minus: str, limit: float) -> float:
    """Degrees from the three rationals and the letter of the side; no letter, no angle."""
    side = tags.text(key + "Ref")[:1].upper()
    parts = tags.numbers(key)
    if side not in (plus, minus) or not parts or math.isnan(parts[0]):
        return NAN
    whole = sum(part / 60**k for k, part in enumerate(parts) if not math.isnan(part))
    return within(whole if side == plus else -whole, -limit, limit)


def _height_m(tags: _Tags) -> float:
    """Metres above the sea; the reference says 1 (or 3) for below."""
    height = number(tags.text("Exif.GPSInfo.GPSAltitude"))
    below = tags.text("Exif.GPSInfo.GPSAltitudeRef") in ("1", "3")
    return likely("height_m", -height if below else height)


def _gps_utc(tags: _Tags) -> datetime | None:
    """UTC of the fix; None where the receiver says that it has lost the satellites."""
    if tags.text("Exif.GPSInfo.GPSStatus").upper() == "V":
        return None
    day = time(tags.text("Exif.GPSInfo.GPSDateStamp") + " 00:00:00")
    parts = tags.numbers("Exif.GPSInfo.GPSTimeStamp")
    if day is None or len(parts) != 3:
        return None
    hours, minutes, seconds = parts
    if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
        return None
    return day + timedelta(hours=hours, minutes=minutes, seconds=seconds)


def _temperature_c(tags: _Tags) -> float:
    """Temperature of the camera or its sensor, as exiv2 words it; 0 stands for unknown."""
    values = (number(tags.words(key).split(" (")[0]) for key in TEMPERATURE_KEYS)
    return next((value for value in values if -60 <= value <= 100 and value != 0), NAN)


def _pixel_um(tags: _Tags, focal_mm: float, width: int, height: int) -> float:
    """Pixel pitch from the resolution in the focal plane, else from the 35 mm equivalent.

    The equivalent focal length is rounded to whole millimetres, so the second is good to a
    few per cent only; it stands where nothing better does.
    """
    for key, unit_key in PITCH_KEYS:
        unit = UNIT_UM.get(tags.text(unit_key), NAN)
        pitch = within(unit / tags.number(key), 1, 30)
        if not math.isnan(pitch):
            return pitch
    equivalent = tags.number("Exif.Photo.FocalLengthIn35mmFilm")
    size = (
        max(width, int(_or_zero(tags.number("Exif.Photo.PixelXDimension")))),
        max(height, int(_or_zero(tags.number("Exif.Photo.PixelYDimension")))),
    )
    diagonal_px = math.hypot(*size)
    if diagonal_px == 0:
        return NAN
    return within(FULL_FRAME_DIAGONAL_MM * focal_mm / equivalent * 1000 / diagonal_px, 1, 30)


def _or_zero(value: float) -> float:
    """A value, 0 where unknown."""
    return 0.0 if math.isnan(value) else value
