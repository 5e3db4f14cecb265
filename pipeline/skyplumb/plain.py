"""What values become in a file that other programs read: JSON, and cells of a CSV."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

UNSEEN = re.compile(
    "[\\x00-\\x1f\\x7f-\\x9f\\u061c\\u200e\\u200f\\u2028-\\u202e\\u2066-\\u2069\\ufeff\\ud800-\\udfff]"
)
"""Control characters, line ends and marks that turn the direction of text (Unicode categories Cc,
Zl, Zp and the bidirectional controls of UAX #9), and halves of characters."""

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is run as a formula by a spreadsheet (OWASP, "CSV Injection", from
memory)."""

_GUARD = re.compile(r"^(?:'|\./)(?=[=+\-@\t\r])")


def plain(value: object) -> Any:
    """Numbers, texts, lists and dicts only, as JSON knows them; NaN and infinity are None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if unknown(value):
        return None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, bool | int | str):
        return value
    return text_of(value)


def unknown(value: object) -> bool:
    """Whether a value is None, NaN or one of pandas' own words for them."""
    if isinstance(value, float):
        return math.isnan(value)
    # By name, so that a worker that writes no table need not load pandas.
    return value is None or type(value).__name__ in ("NaTType", "NAType")


def text_of(value: object) -> str:
    """A value as words; empty for what is not known, ISO 8601 for a time."""
    if unknown(value):
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    return str(value)


def guarded(text: str, path: bool = False) -> str:
    """A text that a spreadsheet takes for a text: an apostrophe stands before a formula's sign.

    A relative path gets `./` instead, which leaves it the same path to every program.
    """
    if not text.startswith(FORMULA):
        return text
    return f"./{text}" if path else f"'{text}"


def unguarded(text: str) -> str:
    """The text before `guarded`."""
    return _GUARD.sub("", text) if text.startswith(("'", ".")) else text


def visible(text: str) -> str:
    """A text of which nothing acts on what shows it: a newline is the two signs \\n, and so on.

    So a name cannot forge a line, colour a terminal or turn the direction of what stands after
    it. For reading; a path to be opened stays as it is.
    """
    return UNSEEN.sub(lambda found: _escape(found.group()), text)


def json_visible(text: str) -> str:
    """JSON text with such signs escaped as JSON has it, which any reader turns back."""
    # The line ends between the parts of the text are its own.
    return UNSEEN.sub(
        lambda found: found.group() if found.group() == "\n" else f"\\u{ord(found.group()):04x}",
        text,
    )


def _escape(sign: str) -> str:
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(sign, f"\\u{ord(sign):04x}")
