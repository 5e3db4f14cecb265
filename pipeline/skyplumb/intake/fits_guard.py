"""What must be known of a FITS file before astropy may open it."""

from __future__ import annotations

from skyplumb.records import UnreadableError

_COUNTS = (b"NAXIS   = ", b"NAXIS  = ", b"TFIELDS = ")
"""Header cards that say how many cards of a kind follow; the second is found in ZNAXIS."""
_MOST = 999
"""FITS standard 4.0, sections 4.4.1.1 and 7.3.1 (from memory)."""


def refuse_absurd_counts(data: bytes, file: str) -> None:
    """Refuse a FITS file that claims more axes or columns than the standard allows.

    astropy would count them one by one, for hours.
    """
    for card in _COUNTS:
        at = data.find(card)
        while at >= 0:
            text = data[at + len(card) : at + 70].split(b"/")[0].strip()
            if text.isdigit() and int(text) > _MOST:
                raise UnreadableError(
                    f"{file}: the FITS header claims {int(text)} axes or columns; "
                    "copy it from the camera again, or leave it off the card"
                )
            at = data.find(card, at + 1)
