"""A number with its error as a reader takes it in."""

from __future__ import annotations

import math

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
