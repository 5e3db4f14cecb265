"""A FITS file -> its picture: the one place where FITS is opened, by one rule which unit counts.

The units of a file are walked by their mandatory cards alone, in time that grows with the headers
and no faster. Only the unit that holds the picture is handed to astropy, once what it claims was
found possible; whatever else the file holds is never looked into.

References
----------
.. [1] FITS Standard 4.0, sections 3 to 5, 7.3 and 10; from memory.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from math import prod
from typing import Any

from astropy.io import fits
from numpy.typing import NDArray

from skyplumb.errors import UnreadableError
from skyplumb.intake.failures import AGAIN, library
from skyplumb.intake.memory import MEMORY_BYTES, bytes_needed, refuse_if_too_large

MAGIC = b"SIMPLE  ="

_BLOCK = 2880
_CARD = 80
_BLOCKS_MOST = 1000
"""Of one header: 36,000 cards."""
_UNITS_MOST = 1000
_AXES_MOST = 999
"""Standard, section 4.4.1.1."""
_COLUMNS_MOST = 999
_COLUMNS_OF_A_PICTURE = 20
"""A compressed picture's table has one to five; astropy takes minutes over a hundred."""
_LARGEST = 2**62

_COUNT = re.compile(r"[+-]?\d{1,18}")
_COUNTS = re.compile(r"BITPIX|NAXIS\d*|PCOUNT|GCOUNT|TFIELDS|ZBITPIX|ZNAXIS\d*|ZTILE\d+")
_WORDS = re.compile(r"SIMPLE|XTENSION|GROUPS|ZIMAGE|ZCMPTYPE|ZNAME\d+")
_BITS = (8, 16, 32, 64, -32, -64)


@dataclass(frozen=True, slots=True)
class _Unit:
    """A header and where its data are, by its mandatory cards."""

    cards: dict[str, str]
    starts: int
    data_starts: int
    data_bytes: int

    def count(self, keyword: str, missing: int = 0) -> int:
        return int(self.cards.get(keyword, missing))

    @property
    def compressed(self) -> bool:
        return self.cards.get("ZIMAGE") == "T"

    @property
    def holds_samples(self) -> bool:
        return self.compressed or self.cards.get("XTENSION", "IMAGE") == "IMAGE"

    @property
    def sides(self) -> tuple[int, ...]:
        z = "Z" if self.compressed else ""
        return tuple(self.count(f"{z}NAXIS{axis + 1}") for axis in range(self.count(f"{z}NAXIS")))


@dataclass(frozen=True, slots=True)
class FitsPicture:
    """The unit of a file that holds the picture, not yet decoded."""

    file: str
    header: fits.Header
    """Of that unit; of a compressed picture, that of the table that holds it."""
    primary: fits.Header
    _unit: _Unit
    _data: bytes

    @property
    def sides(self) -> tuple[int, ...]:
        """NAXIS1, NAXIS2 ...: the reverse of an array's shape."""
        return self._unit.sides

    @property
    def bits(self) -> int:
        """BITPIX."""
        return self._unit.count("ZBITPIX" if self._unit.compressed else "BITPIX")

    def samples(self, cap_bytes: int = MEMORY_BYTES) -> NDArray[Any]:
        """The picture as astropy reads it, scaled as the header says.

        Parameters
        ----------
        cap_bytes : int
            What the picture may take of memory when it is read and measured.

        Raises
        ------
        UnreadableError
            If it is damaged or cut short, or claims too much.
        """
        _check_claims(self, cap_bytes)
        unit = self._unit
        end = min(unit.data_starts + _padded(unit.data_bytes), len(self._data))
        alone = self._data if unit.starts == 0 else _EMPTY_PRIMARY + self._data[unit.starts : end]
        samples: NDArray[Any] | None
        with library("astropy", self.file), warnings.catch_warnings():
            # Damage makes astropy warn and go on; what matters of it was checked before.
            warnings.simplefilter("ignore")
            with fits.open(io.BytesIO(alone), memmap=False) as units:
                samples = units[0 if unit.starts == 0 else 1].data
        if samples is None or samples.shape != self.sides[::-1]:
            raise UnreadableError(f"{self.file}: the picture is not of its header's size; {AGAIN}")
        return samples


def open_picture(data: bytes, file: str) -> FitsPicture:
    """The first picture of a FITS file: two axes longer than one, or three of which one is colour.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.

    Raises
    ------
    UnreadableError
        If the headers are broken or there is no picture.
    """
    primary: fits.Header | None = None
    many: tuple[int, ...] = ()
    for unit in _units(data, file):
        wanted = _is_picture(unit)
        if wanted or primary is None:
            header = _header(data, unit, file)
            primary = primary or header
        if wanted:
            return FitsPicture(file, header, primary, unit, data)
        many = many or _planes(unit)
    if many:
        raise UnreadableError(
            f"{file}: holds {prod(many[2:])} planes of {many[0]} x {many[1]} samples, where a "
            "picture has one, or three of its colours; write each exposure as a FITS file of its "
            "own"
        )
    raise UnreadableError(f"{file}: a FITS file without a picture in it; leave it off the card")


def _units(data: bytes, file: str) -> Iterator[_Unit]:
    """The units of a file, one after the other."""
    at = 0
    for _ in range(_UNITS_MOST):
        if at >= len(data):
            return
        if at > 0 and not data[at : at + 8].startswith(b"XTENSION"):
            return  # what follows the last unit is no concern of anybody (standard, section 3.5)
        cards, data_starts = _mandatory_cards(data, at, file)
        unit = _Unit(cards, at, data_starts, _data_bytes(cards, file))
        yield unit
        at = data_starts + _padded(unit.data_bytes)


def _mandatory_cards(data: bytes, at: int, file: str) -> tuple[dict[str, str], int]:
    """The cards that say how large a unit is, and where its header ends."""
    cards: dict[str, str] = {}
    for block in range(at, min(at + _BLOCK * _BLOCKS_MOST, len(data)), _BLOCK):
        for place in range(block, min(block + _BLOCK, len(data)), _CARD):
            card = data[place : place + _CARD]
            keyword = card[:8].decode("ascii", "replace").strip()
            if keyword == "END" and not card[8:].strip():
                return cards, block + _BLOCK
            name = keyword.upper()
            if card[8:9] != b"=" or not (_COUNTS.fullmatch(name) or _WORDS.fullmatch(name)):
                continue
            if name != keyword or name in cards:
                raise _broken(file, f"{keyword} stands twice or in small letters")
            cards[name] = _value(name, card[9:].decode("ascii", "replace"), file)
    raise _broken(file, "the header has no end")


def _value(name: str, text: str, file: str) -> str:
    """The value of a mandatory card."""
    value = text.split("/")[0].strip()
    if name.startswith("ZNAME") and not value.startswith("'"):
        raise _broken(file, f"{name} is no text")
    if _WORDS.fullmatch(name):
        return value.strip("' ")
    if not _COUNT.fullmatch(value):
        shown = "".join(c if c.isprintable() else "?" for c in value[:30])
        raise _broken(file, f"{name} is no number that can be: {shown}")
    if name.endswith("NAXIS") and int(value) > _AXES_MOST:
        raise _broken(file, f"claims {int(value)} axes")
    if name == "TFIELDS" and int(value) > _COLUMNS_MOST:
        raise _broken(file, f"claims {int(value)} columns")
    if int(value) < 0 and not name.endswith("BITPIX"):
        raise _broken(file, f"{name} is below 0")
    return value


def _data_bytes(cards: dict[str, str], file: str) -> int:
    """How long the data of a unit are, without padding; standard, equations 1, 2 and 4."""
    bits, axes = int(cards.get("BITPIX", 0)), int(cards.get("NAXIS", -1))
    if bits not in _BITS or axes < 0:
        raise _broken(file, f"BITPIX {cards.get('BITPIX', 'is missing')}" if axes >= 0 else "NAXIS")
    if any(f"NAXIS{axis + 1}" not in cards for axis in range(axes)):
        raise _broken(file, "an axis has no length")
    sides = [int(cards[f"NAXIS{axis + 1}"]) for axis in range(axes)]
    if sides and sides[0] == 0 and cards.get("GROUPS") == "T":
        sides = sides[1:]
    samples = int(cards.get("PCOUNT", 0)) + (prod(sides) if sides else 0)
    found = abs(bits) // 8 * int(cards.get("GCOUNT", 1)) * samples
    if found > _LARGEST:
        raise _broken(file, f"claims {' x '.join(map(str, sides[:4]))} samples")
    return found


def _is_picture(unit: _Unit) -> bool:
    """Whether a unit is of a picture's shape."""
    if not unit.holds_samples:
        return False
    sides = [side for side in unit.sides if side != 1]
    return all(sides) and (len(sides) == 2 or (len(sides) == 3 and 3 in (sides[0], sides[2])))


def _planes(unit: _Unit) -> tuple[int, ...]:
    """Sides of a unit that holds several pictures; empty for any other."""
    sides = tuple(side for side in unit.sides if side != 1)
    return sides if unit.holds_samples and len(sides) > 2 and all(sides) else ()


def _check_claims(picture: FitsPicture, cap_bytes: int) -> None:
    """Refuse what asks for too much memory, is cut short, or would lead a decoder astray."""
    file, unit, sides = picture.file, picture._unit, picture.sides
    claim = f"the FITS header claims {' x '.join(map(str, sides[:4]))} samples"
    file_bytes = len(picture._data)
    # Scaled integers are floats on the way.
    needed = bytes_needed(file_bytes, prod(sides), max(abs(picture.bits) // 8, 4))
    refuse_if_too_large(needed, cap_bytes, file, claim)
    if unit.data_starts + unit.data_bytes > file_bytes:
        raise UnreadableError(f"{file}: cut short; {AGAIN}")
    if not unit.compressed:
        return
    if picture.bits not in _BITS:
        raise _broken(file, f"ZBITPIX {picture.bits}")
    if not 1 <= unit.count("TFIELDS") <= _COLUMNS_OF_A_PICTURE:
        raise _broken(file, f"a picture in {unit.count('TFIELDS')} columns")
    tiles = 1
    for axis, side in enumerate(sides):
        # Row by row where nothing else is said; standard, section 10.1.2.
        tile = unit.count(f"ZTILE{axis + 1}", side if axis == 0 else 1)
        if not 1 <= tile <= side:
            raise _broken(file, f"tiles of {tile} on a side of {side}")
        tiles *= -(-side // tile)
    if tiles != unit.count("NAXIS2"):
        raise _broken(file, f"{tiles} tiles in {unit.count('NAXIS2')} rows")


def _header(data: bytes, unit: _Unit, file: str) -> fits.Header:
    """A unit's header by astropy, which parses each card only when it is asked for."""
    with library("astropy", file), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return fits.Header.fromstring(data[unit.starts : unit.data_starts])


def _padded(length: int) -> int:
    """A length in whole blocks."""
    return -(-length // _BLOCK) * _BLOCK


def _broken(file: str, words: str) -> UnreadableError:
    return UnreadableError(f"{file}: broken FITS header ({words}); {AGAIN}")


_EMPTY_PRIMARY = b"".join(
    card.ljust(_CARD)
    for card in (
        b"SIMPLE  =                    T",
        b"BITPIX  =                    8",
        b"NAXIS   =                    0",
        b"EXTEND  =                    T",
        b"END",
    )
).ljust(_BLOCK)
"""A primary unit without data, which every file must begin with."""
