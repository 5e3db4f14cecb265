"""Frames to files: DNG with a lossless-JPEG mosaic and EXIF, FITS, and a JPEG companion."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import exiv2
import imagecodecs
import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

from .exposure import DrawnExposure
from .paint import COLOURS, Samples, mosaic_of

# TIFF/EP and DNG tags by number (DNG 1.4).
_CFA, _LOSSLESS_JPEG = 32803, 7
_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _SRATIONAL = 1, 2, 3, 4, 5, 10


def camera_clock(exposure: DrawnExposure) -> datetime:
    """Start of the exposure by the camera's own clock, local time."""
    clock = exposure.night.clock
    true_utc = exposure.night.epoch_utc + timedelta(seconds=exposure.begin_s)
    return true_utc + timedelta(hours=clock.utc_offset_h, seconds=clock.error_s)


def write_dng(path: Path, mosaic: Samples, exposure: DrawnExposure) -> None:
    """Write a colour mosaic as DNG; it reads back bit for bit."""
    body = exposure.night.body
    if not body.pattern:
        raise ValueError("a DNG of this kind holds a colour mosaic; write FITS for monochrome")
    pattern = bytes(mosaic_of(body.pattern).ravel().tolist())
    name = f"{body.maker} {body.name}"
    identity = tuple(v for i in range(9) for v in (int(i % 4 == 0), 1))
    packed = bytes(imagecodecs.ljpeg_encode(mosaic, bitspersample=body.bits))
    tags = [
        (271, _ASCII, 0, body.maker, True),
        (272, _ASCII, 0, body.name, True),
        (274, _SHORT, 1, 1, True),
        (33421, _SHORT, 2, (2, 2), True),
        (33422, _BYTE, 4, pattern, True),
        (50706, _BYTE, 4, bytes([1, 4, 0, 0]), True),
        (50707, _BYTE, 4, bytes([1, 1, 0, 0]), True),
        (50708, _ASCII, 0, name, True),
        (50714, _LONG, 1, body.black, True),
        (50717, _LONG, 1, body.white, True),
        (50721, _SRATIONAL, 9, identity, True),
        (50728, _RATIONAL, 3, (1, 1) * 3, True),
        (50778, _SHORT, 1, 21, True),
    ]
    with tifffile.TiffWriter(path) as tiff:
        tiff.write(
            iter([packed]),
            shape=mosaic.shape,
            dtype=np.uint16,
            photometric=_CFA,
            compression=_LOSSLESS_JPEG,
            rowsperstrip=mosaic.shape[0],
            metadata=None,
            software=False,
            extratags=tags,
        )
    _write_exif(path, exposure)


def _write_exif(path: Path, exposure: DrawnExposure) -> None:
    """Add what a camera writes to a TIFF or JPEG file."""
    night, run = exposure.night, exposure.run
    started = camera_clock(exposure)
    written = run.exposure_s if math.isnan(run.written_exposure_s) else run.written_exposure_s
    stamp = started.strftime("%Y:%m:%d %H:%M:%S")
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = image.exifData()
    exif["Exif.Image.Make"] = night.body.maker
    exif["Exif.Image.Model"] = night.body.name
    exif["Exif.Image.DateTime"] = stamp
    exif["Exif.Photo.DateTimeOriginal"] = stamp
    exif["Exif.Photo.SubSecTimeOriginal"] = f"{started.microsecond // 10000:02d}"
    exif["Exif.Photo.ExposureTime"] = _rational(written)
    exif["Exif.Photo.FNumber"] = _rational(run.lens.fnumber)
    exif["Exif.Photo.ISOSpeedRatings"] = str(run.iso)
    exif["Exif.Photo.FocalLength"] = _rational(run.lens.focal_mm)
    exif["Exif.Photo.LensModel"] = run.lens.name
    exif["Exif.Photo.BodySerialNumber"] = night.body.serial
    per_cm = round(1e4 / night.body.pixel_um * 1000.0)
    for axis in "XY":
        exif[f"Exif.Photo.FocalPlane{axis}Resolution"] = f"{per_cm}/1000"
    exif["Exif.Photo.FocalPlaneResolutionUnit"] = "3"  # centimetres
    if night.photographer:
        exif["Exif.Image.Artist"] = night.photographer
    if night.clock.writes_offset:
        exif["Exif.Photo.OffsetTimeOriginal"] = _offset(night.clock.utc_offset_h)
    if night.clock.gps:
        _write_gps(exif, exposure)
    image.setExifData(exif)
    image.writeMetadata()


def _write_gps(exif: exiv2.ExifData, exposure: DrawnExposure) -> None:
    """Place and true UTC, as a receiver in the camera gives them."""
    site = exposure.night.site
    utc = exposure.night.epoch_utc + timedelta(seconds=exposure.begin_s)
    second = Fraction(utc.second * 1000 + utc.microsecond // 1000, 1000)
    for name, degrees, signs in (
        ("Latitude", site.latitude_deg, "NS"),
        ("Longitude", site.longitude_deg, "EW"),
    ):
        exif[f"Exif.GPSInfo.GPS{name}Ref"] = signs[degrees < 0]
        exif[f"Exif.GPSInfo.GPS{name}"] = _sexagesimal(abs(degrees))
    exif["Exif.GPSInfo.GPSAltitudeRef"] = "0" if site.height_m >= 0 else "1"
    exif["Exif.GPSInfo.GPSAltitude"] = _rational(abs(site.height_m))
    exif["Exif.GPSInfo.GPSDateStamp"] = utc.strftime("%Y:%m:%d")
    exif["Exif.GPSInfo.GPSTimeStamp"] = (
        f"{utc.hour}/1 {utc.minute}/1 {second.numerator}/{second.denominator}"
    )


def _rational(value: float) -> str:
    """A number as EXIF writes it."""
    exact = Fraction(value).limit_denominator(10000)
    return f"{exact.numerator}/{exact.denominator}"


def _sexagesimal(degrees: float) -> str:
    """Degrees as three rationals, to a thousandth of a second."""
    thousandths = round(degrees * 3_600_000)
    whole, rest = divmod(thousandths, 3_600_000)
    minutes, seconds = divmod(rest, 60_000)
    return f"{whole}/1 {minutes}/1 {seconds}/1000"


def _offset(hours: float) -> str:
    """Hours east of UTC as +hh:mm."""
    minutes = round(abs(hours) * 60)
    return f"{'-' if hours < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def write_fits(path: Path, mosaic: Samples, exposure: DrawnExposure) -> None:
    """Write a mosaic as 16-bit FITS with common keywords.

    The time is the true one: a computer takes such frames, and its clock is set from outside.
    """
    night, run = exposure.night, exposure.run
    started = night.epoch_utc + timedelta(seconds=exposure.begin_s)
    image = fits.PrimaryHDU(mosaic)  # BZERO 32768, since the samples are unsigned
    written = run.exposure_s if math.isnan(run.written_exposure_s) else run.written_exposure_s
    cards = [
        ("IMAGETYP", run.kind.upper(), "kind of frame"),
        ("DATE-OBS", started.isoformat(timespec="milliseconds"), "UTC, start of exposure"),
        ("EXPTIME", written, "s"),
        ("INSTRUME", _plain(f"{night.body.maker} {night.body.name}"), "camera"),
        ("CAMSN", night.body.serial, "serial number"),
        ("LENS", _plain(run.lens.name), "lens"),
        ("FOCALLEN", run.lens.focal_mm, "mm"),
        ("FOCRATIO", run.lens.fnumber, "focal ratio"),
        ("XPIXSZ", night.body.pixel_um, "um"),
        ("YPIXSZ", night.body.pixel_um, "um"),
        ("ISOSPEED", run.iso, "ISO speed"),
        ("EGAIN", night.body.gain_e_per_dn, "electrons per unit"),
        ("PEDESTAL", night.body.black, "black level"),
        ("SITELAT", night.site.latitude_deg, "deg, north positive"),
        ("SITELONG", night.site.longitude_deg, "deg, east positive"),
        ("SITEELEV", night.site.height_m, "m"),
        ("OBSERVER", _plain(night.photographer), ""),
        ("ROWORDER", "TOP-DOWN", "first row is the top of the picture"),
    ]
    if night.body.pattern:
        cards.append(("BAYERPAT", night.body.pattern, "colours of the first 2 x 2 samples"))
    image.header.extend(cards)
    image.writeto(path)


def _plain(text: str) -> str:
    """FITS headers hold ASCII only: accents are dropped."""
    apart = unicodedata.normalize("NFKD", text)
    return apart.encode("ascii", "ignore").decode()


def write_jpeg(path: Path, mosaic: Samples, exposure: DrawnExposure) -> None:
    """Write the small picture a camera keeps beside its raw file."""
    body = exposure.night.body
    colours = mosaic_of(body.pattern)
    planes = []
    for colour in range(len(COLOURS)):
        phases = [
            mosaic[row::2, column::2].astype(np.float32)
            for row in range(2)
            for column in range(2)
            if colours[row, column] == colour or not body.pattern
        ]
        plane = sum(phases[1:], phases[0]) / len(phases) - np.median(phases[0])
        planes.append(np.clip(30.0 + 25.0 * np.arcsinh(plane / 40.0), 0, 255))
    picture = np.stack(planes, axis=-1).astype(np.uint8)
    Image.fromarray(picture, "RGB").save(path, quality=85)
    _write_exif(path, exposure)


WRITERS: dict[str, Callable[[Path, Samples, DrawnExposure], None]] = {
    "dng": write_dng,
    "fits": write_fits,
}
