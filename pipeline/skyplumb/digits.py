"""A number with its error, a length of time, a count and some names, as a reader takes them in."""

from __future__ import annotations

import math
from collections.abc import Sequence

Matrix = tuple[tuple[float, ...], ...]
MOST_DECIMALS = 4


def with_error(value: float, sigma: float) -> str:
    """A value and its standard deviation, both to the second digit of the deviation.

    Where the deviation is unknown (NaN, zero) the value stands alone, to three digits.

    Two digits are what a deviation is known to (JCGM 100:2008, 7.2.6: "at most two significant
    digits"): 15.960 ± 0.059, 130 ± 500. No finer than four decimals.
    """
    if not 0 < sigma < math.inf:
        return f"{float(f'{value:.3g}'):g}"
    # Rounded first: 0.0996 is 0.10.
    rounded = float(f"{sigma:.1e}")
    decimals = min(1 - math.floor(math.log10(rounded)), MOST_DECIMALS)
    shown = (
        format(round(part, decimals), f"z,.{max(decimals, 0)}f")
        for part in (value, max(sigma, 10.0**-decimals))
    )
    return " ± ".join(shown).replace(",", "\u202f").replace("-", "−")


def to_error(value: float, sigma: float, digits: int) -> float:
    """A value rounded to the fourth digit of its standard deviation, two more than are shown.

    Where the deviation is unknown (NaN, zero), to so many significant digits of its own.
    """
    return _like(value, sigma, 4) if 0 < sigma < math.inf else significant(value, digits)


def significant(value: float, digits: int) -> float:
    """A value rounded to so many significant digits."""
    return _like(value, value, digits)


def covariance_digits(matrix: Sequence[Sequence[float]], digits: int) -> Matrix:
    """A covariance matrix of which each element has digits as far as its two deviations go."""
    deviations = [math.sqrt(max(row[n], 0.0)) for n, row in enumerate(matrix)]
    return tuple(
        tuple(
            _like(value, one * other, digits) for value, other in zip(row, deviations, strict=True)
        )
        for row, one in zip(matrix, deviations, strict=True)
    )


def _like(value: float, size: float, digits: int) -> float:
    """A value rounded where so many significant digits of `size` end."""
    if not (math.isfinite(value) and size != 0 and math.isfinite(size)):
        return value
    decimals = digits - 1 - math.floor(math.log10(float(f"{abs(size):.{digits - 1}e}")))
    # A rounded -0.0 is 0, whichever side the last bit fell on.
    return round(value, decimals) + 0.0


def duration(seconds: float) -> str:
    """Seconds as `3 h 05 min`, `12 min` or `40 s`; a half goes up, as in the page's script."""
    if seconds < 59.5:
        return f"{math.floor(seconds + 0.5)} s"
    minutes = math.floor(seconds / 60 + 0.5)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def counted(count: int, thing: str) -> str:
    """A count of things as `1 frame` or `3 frames`."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def named(files: Sequence[str], most: int = 3) -> str:
    """The first few names, and how many there are besides: `a.dng, b.dng and 2 more`."""
    more = len(files) - most
    return ", ".join(files[:most]) + (f" and {more} more" if more > 0 else "")
