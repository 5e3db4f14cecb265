"""Samples and tags -> DNG that LibRaw reads bit for bit, or FITS.

DNG: Adobe's "Digital Negative Specification" 1.4 (tags 50706 and on) over TIFF/EP's mosaic tags
(33421, 33422); metadata by exiv2 under EXIF 2.32's names. FITS: keywords of common practice.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import exiv2
import numpy as np
import tifffile
from astropy.io import fits
from numpy.typing import NDArray

from .lens import Sensor
from .tags import Tags

Samples = NDArray[np.uint16]


def write_dng(path: Path, samples: Samples, sensor: Sensor, tags: Tags, layout: str = "") -> None:
    """A mosaic as an uncompressed DNG.

    `layout` "moved" puts what it can into the TIFF tags of the picture instead of the EXIF ones,
    as converters do, and orders the bytes the other way round.
    """
    if not sensor.mosaic:
        raise ValueError("a sensor without filters writes FITS")
    path.parent.mkdir(parents=True, exist_ok=True)
    codes = bytes("RGB".index(letter) for letter in sensor.mosaic)
    # one-based TIFF types: 1 byte, 3 short, 4 long, 5 rational, 10 signed rational
    extra: list[tuple[int, int | str, int, Any, bool]] = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, codes, True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50707, 1, 4, bytes([1, 1, 0, 0]), True),
        (50714, 4, 1, sensor.black, True),
        (50717, 4, 1, sensor.white, True),
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50728, 5, 3, (1, 2, 1, 1, 1, 2), True),
        (50778, 3, 1, 21, True),
    ]
    if tags.orientation is not None:
        extra.append((274, 3, 1, tags.orientation, True))
    for code, text in ((271, tags.make), (272, tags.model)):
        if text:
            extra.append((code, 2, 0, text, True))
    if tags.model:
        extra.append((50708, 2, 0, f"{tags.make or ''} {tags.model}".strip(), True))
    tifffile.imwrite(
        path,
        samples,
        byteorder=">" if layout == "moved" else "<",
        photometric=32803,
        rowsperstrip=len(samples),
        metadata=None,
        software=False,
        extratags=extra,
    )
    _write_exif(path, tags, layout)


def _write_exif(path: Path, tags: Tags, layout: str) -> None:
    """EXIF and GPS tags into a file that is there."""
    exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.error)
    picture = exiv2.ImageFactory.open(str(path))
    picture.readMetadata()
    data = picture.exifData()
    for key, value in _exif(tags, "Image" if layout == "moved" else "Photo").items():
        data[key] = value
    picture.writeMetadata()


def _exif(tags: Tags, group: str) -> dict[str, str]:
    """Keys and values in exiv2's words."""
    found: dict[str, str] = {}
    if tags.exposure_s is not None:
        found[f"Exif.{group}.ExposureTime"] = _rational(tags.exposure_s)
    if tags.fnumber is not None:
        found[f"Exif.{group}.FNumber"] = _rational(tags.fnumber)
    if tags.focal_mm is not None:
        found[f"Exif.{group}.FocalLength"] = _rational(tags.focal_mm)
    if tags.iso is not None:
        found[f"Exif.{group}.ISOSpeedRatings"] = str(round(tags.iso))
    if tags.lens is not None:
        found["Exif.Photo.LensModel"] = tags.lens
    if tags.serial is not None:
        serial = (
            "Exif.Image.CameraSerialNumber" if group == "Image" else "Exif.Photo.BodySerialNumber"
        )
        found[serial] = tags.serial
    if tags.clock is not None:
        text = tags.clock.strftime("%Y:%m:%d %H:%M:%S")
        found[f"Exif.{group}.DateTimeOriginal"] = text
        found["Exif.Image.DateTime"] = text
        if tags.subseconds:
            found["Exif.Photo.SubSecTimeOriginal"] = f"{tags.clock.microsecond // 10_000:02d}"
            found["Exif.Photo.SubSecTime"] = f"{tags.clock.microsecond // 10_000:02d}"
    if tags.zone_h is not None:
        minutes = round(abs(tags.zone_h) * 60)
        sign = "-" if tags.zone_h < 0 else "+"
        found["Exif.Photo.OffsetTimeOriginal"] = f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
    return found | _gps(tags)


def _gps(tags: Tags) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, angle, sides in (
        ("Latitude", tags.latitude_deg, "NS"),
        ("Longitude", tags.longitude_deg, "EW"),
    ):
        if angle is not None:
            # Degrees, minutes, and seconds to a hundredth: 0.3 m.
            hundredths = round(abs(angle) * 360_000)
            whole, rest = divmod(hundredths, 360_000)
            found[f"Exif.GPSInfo.GPS{name}Ref"] = sides[int(angle < 0)]
            found[f"Exif.GPSInfo.GPS{name}"] = f"{whole}/1 {rest // 6000}/1 {rest % 6000}/100"
    if tags.height_m is not None:
        found["Exif.GPSInfo.GPSAltitudeRef"] = "1" if tags.height_m < 0 else "0"
        found["Exif.GPSInfo.GPSAltitude"] = f"{round(abs(tags.height_m) * 10)}/10"
    if tags.gps_utc is not None:
        at = tags.gps_utc
        found["Exif.GPSInfo.GPSDateStamp"] = at.strftime("%Y:%m:%d")
        found["Exif.GPSInfo.GPSTimeStamp"] = f"{at.hour}/1 {at.minute}/1 {at.second}/1"
    return found


def _rational(value: float) -> str:
    """A fraction such as 28/10, or 1/250."""
    part = Fraction(value).limit_denominator(1000)
    return f"{part.numerator}/{part.denominator}"


def write_fits(path: Path, samples: Samples, sensor: Sensor, tags: Tags) -> None:
    """The same samples as FITS, rows as the sensor reads them out, UTC where the zone is told."""
    path.parent.mkdir(parents=True, exist_ok=True)
    header = fits.Header()
    header["IMAGETYP"] = "Light Frame"
    header["XPIXSZ"] = header["YPIXSZ"] = sensor.pitch_um
    if sensor.mosaic:
        header["BAYERPAT"] = sensor.mosaic
    header["PEDESTAL"] = sensor.black
    start = _fits_start(tags)
    for key, value in {
        "INSTRUME": " ".join(part for part in (tags.make, tags.model) if part) or None,
        "CAMSN": tags.serial,
        "LENS": tags.lens,
        "FOCALLEN": tags.focal_mm,
        "FOCRATIO": tags.fnumber,
        "EXPTIME": tags.exposure_s,
        "ISO": tags.iso,
        "DATE-OBS": start.isoformat(timespec="milliseconds") if start else None,
        "SITELAT": tags.latitude_deg,
        "SITELONG": tags.longitude_deg,
        "SITEELEV": tags.height_m,
    }.items():
        if value is not None:
            header[key] = value
    fits.PrimaryHDU(samples, header).writeto(path, overwrite=True)


def _fits_start(tags: Tags) -> datetime | None:
    """DATE-OBS, UTC (FITS Standard 4.0, 9.2.1.1), or the bare clock where no zone is known."""
    if tags.clock is None:
        return None
    start = tags.clock - timedelta(hours=tags.zone_h or 0.0)
    return start if tags.subseconds else start.replace(microsecond=0)
