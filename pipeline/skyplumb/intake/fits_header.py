"""FITS headers -> ShotInfo, by the standard's keywords first and the usual ones after."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Callable
from datetime import datetime, timedelta

import erfa
from astropy.io import fits

from skyplumb.intake.fits_file import FitsPicture
from skyplumb.intake.fits_keywords import names
from skyplumb.intake.values import YEARS, angle_deg, likely, number, positive, tidy, time, within
from skyplumb.records import NAN, STACK, ShotInfo

MJD_ZERO = datetime(1858, 11, 17)

IMAGE_TYPES = (
    # An exposure with the shutter shut that matches a flat is a dark, so darks come first;
    # twilight has "light" in it, so flats come before lights.
    ("dark", ("dark",)),
    ("flat", ("flat", "twilight", "dusk", "dawn", "dome", "panel", "lightbox", "tflat")),
    ("bias", ("bias", "zero", "offset")),
    ("light", ("light", "object", "obj", "science", "sci", "target", "standard")),
)
"""Words that IMAGETYP and its like hold for each type, as acquisition programs and observatories
write them: "Light Frame", "LIGHT", "object", "SCIENCE", "Dark Frame", "DARKFLAT", "Flat Field",
"SKYFLAT", "Twilight", "dome flat", "Bias Frame", "zero" (common practice, no source)."""

MANY_IN_ONE = ("master", "stack", "integrat")
"""Words of a picture made of many (common practice, no source). One of darks or flats serves as
they do, one of lights is no exposure."""

ORDERS = ("RGGB", "BGGR", "GRBG", "GBRG")

DAY_S = 86400.0

Scale = Callable[[float, float], tuple[float, float]]
"""A Julian date in two parts in one time scale -> in another."""


def _tdb_tt(day: float, part: float) -> tuple[float, float]:
    """TDB to TT at the Earth's centre; elsewhere it is microseconds off."""
    told: tuple[float, float] = erfa.tdbtt(day, part, erfa.dtdb(day, part, 0.0, 0.0, 0.0, 0.0))
    return told


TO_TT: dict[str, Scale] = {
    "TT": lambda day, part: (day, part),
    "TAI": erfa.taitt,
    "TCG": erfa.tcgtt,
    "TDB": _tdb_tt,
    "TCB": lambda day, part: _tdb_tt(*erfa.tcbtdb(day, part)),
}
"""Time scales from which UTC can be had."""

SAME_SCALE = {
    "": "UTC",
    "UT": "UTC",
    "GMT": "UTC",
    "UT1": "UTC",
    "TDT": "TT",
    "ET": "TT",
    "IAT": "TAI",
}
"""Names of time scales that mean another (standard, table 30; from memory); UT1 is within a
second of UTC."""

ROW_ORDERS = {"TOP-DOWN": 1, "BOTTOM-UP": 4}
"""Orientation, as EXIF numbers it, by what ROWORDER says of the first row (common practice, no
source). Without it nothing is known: the standard has the first row at the bottom, cameras
write it at the top."""


class _Cards:
    """Values by keyword: those of the image's header, then those of the primary one."""

    def __init__(self, *headers: fits.Header) -> None:
        self._headers = headers

    def text(self, *keys: str) -> str:
        """The first that says something."""
        return next((text for key in keys if (text := self._one(key))), "")

    def number(self, *keys: str) -> float:
        """The first that is a number."""
        values = (number(self._one(key)) for key in keys)
        return next((value for value in values if not math.isnan(value)), NAN)

    def angle(self, low: float, high: float, *keys: str) -> float:
        """The first that is an angle in a range, degrees."""
        values = (within(angle_deg(self._one(key)), low, high) for key in keys)
        return next((value for value in values if not math.isnan(value)), NAN)

    def comment(self, key: str) -> str:
        """What stands beside the first that is there."""
        return next((str(one.comments[key]) for one in self._headers if key in one), "")

    def _one(self, key: str) -> str:
        """One value as text; a card that cannot be parsed says nothing."""
        for header in self._headers:
            try:
                value = header.get(key, "")
            except Exception:
                # astropy answers a damaged card by whatever its parser stumbles over
                continue
            if isinstance(value, str | int | float) and (text := tidy(str(value))):
                return text
        return ""


def fits_info(picture: FitsPicture) -> ShotInfo:
    """What the header of the picture in a FITS file says."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of odd cards: each costs its own value only
        return _from_cards(_Cards(picture.header, picture.primary))


def _from_cards(cards: _Cards) -> ShotInfo:
    """The record of what the cards say."""
    exposure = likely("exposure_s", cards.number(*names("exposure_s")))
    start, written, known_scale = _start(cards, exposure)
    focal = likely("focal_mm", cards.number(*names("focal_mm")))
    latitude, longitude, height = _site(cards)
    ra, dec = _pointing(cards)
    return ShotInfo(
        camera=cards.text(*names("camera")),
        serial=cards.text(*names("serial")),
        lens=cards.text(*names("lens")),
        focal_mm=focal,
        fnumber=_fnumber(cards, focal),
        exposure_s=exposure,
        iso=likely("iso", cards.number(*names("iso"))),
        clock=start,
        taken_camera=written,
        utc_offset_h=0.0 if start and known_scale else NAN,
        latitude_deg=latitude,
        longitude_deg=longitude,
        height_m=height,
        temperature_c=likely("temperature_c", cards.number(*names("temperature_c"))),
        pixel_um=_pixel_um(cards),
        image_type=_image_type(cards.text(*names("image_type"))),
        mosaic_claim=_mosaic_claim(cards),
        gain=likely("gain", cards.number(*names("gain"))),
        is_fits=True,
        ra_hint_deg=ra,
        dec_hint_deg=dec,
        orientation=ROW_ORDERS.get(cards.text(*names("row_order")).upper(), 0),
        filter_name=_filter_name(cards),
        offset=likely("offset", cards.number(*names("offset"))),
        binning=likely("binning", cards.number(*names("binning"))),
        set_temperature_c=likely("temperature_c", cards.number(*names("set_temperature_c"))),
        electrons=likely("electrons", cards.number(*names("electrons"))),
    )


def _start(cards: _Cards, exposure_s: float) -> tuple[datetime | None, str, bool]:
    """Start of exposure in UTC, how the file writes it, and whether its time scale is known.

    The standard [1]_ leaves open to which part of the exposure DATE-OBS belongs; the start
    is what it nearly always is. DATE-BEG, DATE-AVG and DATE-END say it.

    References
    ----------
    .. [1] FITS Standard 4.0, section 9.5; from memory.
    """
    dates = ("begin", "date", "middle", "end", "local")
    written = cards.text(*(key for kind in dates for key in names(kind)))
    shift = timedelta()
    when = _date(cards, "begin") or _date_obs(cards) or _mjd(cards, "begin_mjd")
    if when is None and not math.isnan(exposure_s):
        shift = timedelta(seconds=exposure_s / 2)
        when = _date(cards, "middle") or _mjd(cards, "middle_mjd")
        if when is None:
            shift = timedelta(seconds=exposure_s)
            when = _date(cards, "end") or _mjd(cards, "end_mjd")
    if when is None:
        return _date(cards, "local"), written, False
    utc = _utc(when - shift, cards.text(*names("scale")).upper())
    return utc or when - shift, written or when.isoformat(), utc is not None


def _date(cards: _Cards, kind: str) -> datetime | None:
    """A date with its time of day."""
    return time(cards.text(*names(kind)))


def _date_obs(cards: _Cards) -> datetime | None:
    """DATE-OBS, with the time of day in a card of its own where it is not in it."""
    date = cards.text(*names("date"))
    if old := re.fullmatch(r"(\d\d)/(\d\d)/(\d\d)", date):  # before 1999: day, month, 19..
        date = f"19{old[3]}-{old[2]}-{old[1]}"
    return time(date) or time(f"{date} {cards.text(*names('time'))}")


def _mjd(cards: _Cards, kind: str) -> datetime | None:
    """A modified Julian date as a datetime."""
    days = cards.number(*names(kind))
    when = MJD_ZERO + timedelta(days=days) if 0 < days < 200_000 else None
    return when if when and YEARS[0] <= when.year <= YEARS[1] else None


def _utc(when: datetime, scale: str) -> datetime | None:
    """UTC of a time in the scale TIMESYS names; None for a scale that is not known.

    With the leap seconds that install with erfa: a table of today's would be asked of a network.
    """
    scale = SAME_SCALE.get(scale, scale)
    if scale == "GPS":
        when, scale = when + timedelta(seconds=19), "TAI"
    if scale == "UTC":
        return when
    if scale not in TO_TT:
        return None
    days, seconds = divmod((when - MJD_ZERO).total_seconds(), DAY_S)
    tai = erfa.tttai(*TO_TT[scale](erfa.DJM0 + days, seconds / DAY_S))
    year, month, day, clock = erfa.d2dtf("UTC", 6, *erfa.taiutc(*tai))
    hours, minutes, seconds, millionths = clock.item()
    # A leap second, 23:59:60, is the first of the next day, since no clock of ours writes it.
    return datetime(int(year), int(month), int(day)) + timedelta(
        hours=hours, minutes=minutes, seconds=seconds, microseconds=millionths
    )


def _fnumber(cards: _Cards, focal_mm: float) -> float:
    """F-number, else focal length over aperture."""
    fnumber = likely("fnumber", cards.number(*names("fnumber")))
    if not math.isnan(fnumber):
        return fnumber
    return likely("fnumber", focal_mm / positive(cards.number(*names("aperture_mm"))))


def _site(cards: _Cards) -> tuple[float, float, float]:
    """Latitude, longitude (east positive, -180..180) and height of the place, degrees and m."""
    latitude = cards.angle(-90, 90, *names("latitude_deg"))
    longitude = cards.angle(-180, 360, *names("longitude_deg"))
    height = likely("height_m", cards.number(*names("height_m")))
    x, y, z = (cards.number(key) for key in names("geocentric_m"))
    if math.isnan(latitude + longitude) and 6e6 < math.hypot(x, y, z) < 7e6:
        east, north, up = erfa.gc2gd(1, (x, y, z))  # 1: WGS84
        return math.degrees(north), math.degrees(east), likely("height_m", float(up))
    if math.isnan(latitude + longitude) or latitude == longitude == 0:
        return NAN, NAN, NAN
    return latitude, longitude - 360 if longitude > 180 else longitude, height


def _pointing(cards: _Cards) -> tuple[float, float]:
    """Right ascension and declination of about the middle of the picture, degrees; else NaN, NaN.

    That of the world coordinates where they are there, since they say where a pixel is and not
    where a mount believed to be.
    """
    found = [_reference(cards)]
    for ra_key, dec_key in zip(names("ra"), names("dec"), strict=True):
        found.append((_right_ascension(cards, ra_key), cards.angle(-90, 90, dec_key)))
    known = (
        (ra, dec) for ra, dec in found if not math.isnan(ra + dec) and not ra == dec == 0.0
    )  # both zero stand for what is not known
    return next(known, (NAN, NAN))


def _right_ascension(cards: _Cards, key: str) -> float:
    """Degrees; of hours, minutes and seconds where they stand apart or the comment says hours."""
    text = cards.text(key)
    apart = math.isnan(number(text))
    hours = apart or "hour" in cards.comment(key).casefold()
    return within(angle_deg(text, hours=hours), 0.0, 360.0) % 360.0


def _reference(cards: _Cards) -> tuple[float, float]:
    """The middle of the picture by its world coordinates, taken for a tangent plane.

    A reference pixel outside the picture is passed over: cut pictures keep the header of the
    whole one.

    References
    ----------
    .. [1] FITS Standard 4.0, section 8; from memory.
    """
    axes = [cards.text(f"CTYPE{axis}").upper()[:2] for axis in (1, 2)]
    if sorted(axes) != ["DE", "RA"]:
        return NAN, NAN
    sides = [cards.number(f"ZNAXIS{axis}", f"NAXIS{axis}") for axis in (1, 2)]
    pixel = [cards.number(f"CRPIX{axis}") for axis in (1, 2)]
    if not all(0.5 <= at <= side + 0.5 for at, side in zip(pixel, sides, strict=True)):
        return NAN, NAN
    offset = [(side + 1) / 2 - at for side, at in zip(sides, pixel, strict=True)]
    plane = []
    for row in (1, 2):
        scale = cards.number(f"CDELT{row}")
        steps = [
            cards.number(f"CD{row}_{axis}") if math.isnan(scale) else scale * (row == axis)
            for axis in (1, 2)
        ]
        moved = sum(step * off for step, off in zip(steps, offset, strict=True))
        plane.append(0.0 if math.isnan(moved) else math.radians(within(moved, -90.0, 90.0)))
    place = [within(cards.number(f"CRVAL{axis}"), -90.0, 360.0) for axis in (1, 2)]
    if axes[0] == "DE":
        plane, place = plane[::-1], place[::-1]
    ra, dec = erfa.tpsts(*plane, *map(math.radians, place))
    return math.degrees(ra), within(math.degrees(dec), -90.0, 90.0)


def _pixel_um(cards: _Cards) -> float:
    """Pixel pitch as recorded: XPIXSZ holds it with binning, PIXSIZE1 without (from memory)."""
    pitch = likely("pixel_um", cards.number(*names("pixel_um")))
    if not math.isnan(pitch):
        return pitch
    binning = positive(cards.number(*names("binning")))
    unbinned = cards.number(*names("pixel_unbinned_um"))
    return likely("pixel_um", unbinned * (binning if binning > 1 else 1))


def _image_type(text: str) -> str:
    """light, dark, flat or bias, `STACK` for many lights in one, or empty for anything else."""
    words = text.casefold()
    found = (kind for kind, told in IMAGE_TYPES if any(word in words for word in told))
    kind = next(found, "")
    many = any(word in words for word in MANY_IN_ONE)
    return STACK if many and kind in ("", "light") else kind


def _filter_name(cards: _Cards) -> str:
    """The filter's name; a colour order that stands there is none."""
    name = cards.text(*names("filter_name"))
    return "" if name.upper() in ORDERS else name


def _mosaic_claim(cards: _Cards) -> str:
    """The colour order the header names, moved by the offsets it gives."""
    claims = (cards.text(key).upper() for key in names("mosaic"))
    claim = next((claim for claim in claims if claim in ORDERS), "")
    if claim and cards.number(*names("mosaic_x")) % 2 == 1:
        claim = claim[1] + claim[0] + claim[3] + claim[2]
    if claim and cards.number(*names("mosaic_y")) % 2 == 1:
        claim = claim[2:] + claim[:2]
    return claim
