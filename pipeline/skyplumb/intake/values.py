"""Texts of EXIF and FITS headers -> numbers, angles and times; NaN or None where they say none."""

from __future__ import annotations

import math
import re
from datetime import datetime
from fractions import Fraction

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?"
_WITH_UNIT = re.compile(rf"\s*({_NUMBER})\s*[^\W\d]*\s*°?\s*[^\W\d]*\s*")
_RATIO = re.compile(r"\s*([+-]?\d+)\s*/\s*([+-]?\d+)\s*")
_ANGLE = re.compile(
    r"""\s*(?P<sign>[+-]?)\s*(?P<deg>\d+(?:\.\d*)?)\s*[d°:\s]?\s*
    (?:(?P<min>\d+(?:\.\d*)?)\s*[m'′:\s]?\s*)?
    (?:(?P<sec>\d+(?:\.\d*)?)\s*[s"″]?\s*)?
    (?P<side>[NSEW]?)\s*""",
    re.VERBOSE | re.IGNORECASE,
)
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


def angle_deg(text: str) -> float:
    """Degrees of ``46.5``, ``-46 30 15.5``, ``46:30:15``, ``46d30m N`` or ``8 12 W``, else NaN."""
    found = _ANGLE.fullmatch(text)
    if not found:
        return number(text)
    minutes, seconds = float(found["min"] or 0), float(found["sec"] or 0)
    if minutes >= 60 or seconds >= 60:
        return math.nan
    value = float(found["deg"]) + minutes / 60 + seconds / 3600
    return -value if (found["sign"] == "-") != (found["side"].upper() in ("S", "W")) else value


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
