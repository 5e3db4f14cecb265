"""Texts of EXIF and FITS headers -> numbers, angles and times; NaN or None where they say none."""

from __future__ import annotations

import math
import re
import warnings
from datetime import datetime
from fractions import Fraction

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?"
_WITH_UNIT = re.compile(rf"\s*({_NUMBER})\s*[^\W\d]*\s*°?\s*[^\W\d]*\s*")
_RATIO = re.compile(r"\s*([+-]?\d+)\s*/\s*([+-]?\d+)\s*")
LONGEST_TEXT = 80
"""No number, angle or time of a header is longer; the parsers of damaged ones must not dwell."""
_TIME = re.compile(
    r"\s*(\d{4})[-:/.](\d\d)[-:/.](\d\d)[T ]+(\d\d):(\d\d)(?::(\d\d)(?:[.,](\d*))?)?\s*Z?\s*"
)


def number(text: str) -> float:
    """A number such as ``28/10``, ``1.5E3`` or ``44 C`` (its unit is not looked at), else NaN."""
    if ratio := _RATIO.fullmatch(text):
        above, below = int(ratio[1]), int(ratio[2])
        return float(Fraction(above, below)) if below else math.nan
    found = _WITH_UNIT.fullmatch(text)
    value = float(found[1].replace("d", "e").replace("D", "e")) if found else math.nan
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

    Parameters
    ----------
    text : str
    fraction : str
        Digits after the second that stand elsewhere, such as EXIF's SubSecTime.
    """
    found = _TIME.fullmatch(text)
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part or 0) for part in found.groups()[:6])
    digits = found[7] or (fraction.strip() if fraction.strip().isdecimal() else "")
    try:
        return datetime(year, month, day, hour, minute, second, int((digits + "000000")[:6]))
    except ValueError:
        return None


def positive(value: float) -> float:
    """The value if it is finite and above 0, else NaN: headers write 0 for what is not known."""
    return value if math.isfinite(value) and value > 0 else math.nan


def within(value: float, low: float, high: float) -> float:
    """The value if it lies in a range, ends included, else NaN."""
    return value if low <= value <= high else math.nan


def tidy(text: str) -> str:
    """A text without padding, NULs and other control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text.split("\0")[0]).split())
