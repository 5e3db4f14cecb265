"""Values of a table -> numbers, texts and times as a reader takes them in."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from statistics import median

from skyplumb.digits import with_error
from skyplumb.plain import unknown

STAMP = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[T ](\d\d):(\d\d):(\d\d)")


def words(value: object) -> str:
    """A text; empty for None and NaN."""
    return "" if unknown(value) else str(value)


def number(value: object) -> float | None:
    """A finite number or None."""
    try:
        found = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return found if math.isfinite(found) else None


def middle(values: Iterable[float | None]) -> float | None:
    """Median of what is known."""
    known = [value for value in values if value is not None]
    return number(median(known)) if known else None


def span(values: Iterable[float | None]) -> tuple[float, float] | None:
    """Least and greatest of what is known."""
    known = [value for value in values if value is not None]
    return (min(known), max(known)) if known else None


def stamp(value: object) -> str:
    """A date and time as `2026-08-14 22:04:11`; the text as it stands if it is none."""
    if isinstance(value, datetime) and not unknown(value):
        return value.strftime("%Y-%m-%d %H:%M:%S")
    text = words(value)
    found = STAMP.match(text)
    return "{}-{}-{} {}:{}:{}".format(*found.groups()) if found else text


def milliseconds(text: str) -> int | None:
    """A stamp on a time axis without zones: milliseconds since 1970 as if it were UTC."""
    try:
        return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)
    except ValueError:
        return None


def sky_place(ra_deg: float, dec_deg: float) -> str:
    """A place on the sky in hours, minutes and degrees; empty if unknown."""
    if not (math.isfinite(ra_deg) and math.isfinite(dec_deg)):
        return ""
    minutes = round(ra_deg / 360 * 24 * 60) % (24 * 60)
    sign = "+" if dec_deg >= 0 else "\N{MINUS SIGN}"
    return f"{minutes // 60} h {minutes % 60:02d} min, {sign}{abs(dec_deg):.1f}\N{DEGREE SIGN}"


def figure(value: object, digits: int = 3) -> str:
    """A number to so many significant digits, and no more decimals; – if unknown."""
    known = number(value)
    if known is None:
        return "–"
    if known == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(known))))
    text = format(known, f"z,.{min(decimals, max(digits, 2))}f").replace(",", "\u202f")
    return text.replace("-", "−")


def with_sigma(value: float | None, sigma: float | None) -> str:
    """A value and its standard deviation, see `digits`; the value alone where that is unknown."""
    if value is None or not sigma or not math.isfinite(sigma):
        return figure(value)
    return with_error(value, sigma)


def setting(value: object) -> str:
    """A number as it is engraved on the gear: 85, 2.8, 0.5; – if unknown."""
    known = number(value)
    return "–" if known is None else f"{known:.10g}" if known >= 1000 else f"{known:.3g}"


def percent(share: float | None) -> str:
    """A share as `41%`."""
    return "–" if share is None else f"{100 * share:.0f}%".replace("-", "−")
