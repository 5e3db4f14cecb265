"""Texts of EXIF and FITS headers -> numbers, angles and times; NaN or None where they say none."""

from __future__ import annotations

import math
import re
import warnings
from datetime import datetime

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eEdD][+-]?\d+)?", re.ASCII)
_RATIO = re.compile(r"([+-]?\d+) ?/ ?([+-]?\d+)", re.ASCII)
LONGEST_TEXT = 80
"""No number, angle or time of a header is longer; the parsers of damaged ones must not dwell."""
LONGEST_NAME = 200
"""Names are cut here, letters; a tag may hold a megabyte."""

YEARS = (1900, 2199)
"""Of a time that is believed: digitised plates, and clocks set wrong within reason."""
LIKELY = {
    "exposure_s": (1e-6, 1e6),
    "focal_mm": (0.5, 1e5),
    "fnumber": (0.1, 1000.0),
    "iso": (1.0, 1e8),
    "gain": (-1e9, 1e9),
    "offset": (-1e9, 1e9),
    "binning": (1.0, 64.0),
    "electrons": (1e-6, 1e6),
    "pixel_um": (1.0, 100.0),
    "temperature_c": (-150.0, 100.0),
    "height_m": (-500.0, 9000.0),
}
"""What can be of a camera (our choice, wide); all else is damage and counts as unknown."""
_TIME = re.compile(
    r"\s*(\d{4})[-:/.](\d\d)[-:/.](\d\d)[T ]+(\d\d):(\d\d)(?::(\d\d)(?:[.,](\d*))?)?\s*Z?\s*",
    re.ASCII,
)


def number(text: str) -> float:
    """A number such as ``28/10``, ``1.5E3`` or ``44 C`` (its unit is not looked at), else NaN."""
    text = text.strip()
    if len(text) > LONGEST_TEXT:
        return math.nan
    if ratio := _RATIO.fullmatch(text):
        above, below = int(ratio[1]), int(ratio[2])
        return above / below if below else math.nan
    found = _NUMBER.match(text)
    if not found:
        return math.nan
    unit = text[found.end() :].replace("°", " ", 1).split()
    if len(unit) > 2 or not all(word.isalpha() for word in unit):
        return math.nan
    value = float(found[0].replace("d", "e").replace("D", "e"))
    return value if math.isfinite(value) else math.nan


def angle_deg(text: str, *, hours: bool = False) -> float:
    """Degrees of ``46.5``, ``-46 30 15.5``, ``46:30:15``, ``46d30m15s N`` or ``8 12 W``, else NaN.

    Parameters
    ----------
    text : str
    hours : bool
        Whether a text that does not say otherwise is in hours, minutes and seconds.
    """
    if len(text) > LONGEST_TEXT:
        return math.nan
    # Here, since a worker that meets no FITS file need not wait for it (0.3 s).
    from astropy.coordinates import Angle

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of 60 minutes or seconds, which it carries over
        try:
            value = float(Angle(text, "hourangle" if hours else "deg").deg)
        except (ValueError, OverflowError, TypeError):
            return number(text)
    return value if math.isfinite(value) else math.nan


def time(text: str, fraction: str = "") -> datetime | None:
    """A date with a time, EXIF or ISO 8601, to the microsecond, without zone; else None.

    A year outside `YEARS` is none.

    Parameters
    ----------
    text : str
    fraction : str
        Digits after the second that stand elsewhere, such as EXIF's SubSecTime.
    """
    found = _TIME.fullmatch(text) if len(text) <= LONGEST_TEXT else None
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part or 0) for part in found.groups()[:6])
    digits = found[7] or (fraction.strip() if fraction.strip().isdecimal() else "")
    try:
        when = datetime(year, month, day, hour, minute, second, int((digits + "000000")[:6]))
    except ValueError:
        return None
    return when if YEARS[0] <= year <= YEARS[1] else None


def likely(quantity: str, value: float) -> float:
    """The value if a camera can have it by `LIKELY`, else NaN: headers write 0 for the unknown."""
    return within(value, *LIKELY[quantity])


def positive(value: float) -> float:
    """The value if it is finite and above 0, else NaN."""
    return value if math.isfinite(value) and value > 0 else math.nan


def within(value: float, low: float, high: float) -> float:
    """The value if it lies in a range, ends included, else NaN."""
    return value if low <= value <= high else math.nan


def tidy(text: str) -> str:
    """A text without padding, NULs and other control characters, of `LONGEST_NAME` at most."""
    text = text[: 4 * LONGEST_NAME].split("\0")[0]
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:LONGEST_NAME]
