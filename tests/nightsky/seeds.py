"""Which seeds may set a constant of the program and which may judge it: never the same.

One list, so that an overlap shows; `tests/test_nightsky.py` holds that there is none.
"""

from __future__ import annotations

LEARN = {
    "constants": range(100_000, 150_000),
    "confidence": range(150_000, 200_000),
    "lot": range(260_000, 264_584),
    "check": range(280_000, 282_000),
    "watch": range(290_000, 292_000),
    "watch, clear nights": range(295_000, 297_000),
}
"""Nights that may be looked at while a constant or a law is set."""

JUDGE = {
    "tests": range(200_000, 210_000),
    "dropouts": range(210_000, 220_000),
    "causes": range(220_000, 230_000),
    "verdicts": range(230_000, 240_000),
    "mounts": range(240_000, 250_000),
    "clocks": range(250_000, 260_000),
    "lot": range(264_584, 270_000),
    "honesty": range(270_000, 280_000),
    "check": range(282_000, 290_000),
    "watch": range(292_000, 295_000),
    "watch, clear nights": range(297_000, 300_000),
}
"""Nights that are only ever drawn to count what the program says of them."""

LOOKING = range(100_000)
"""Nights drawn by hand, to look at: they prove nothing."""
