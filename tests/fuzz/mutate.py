"""A true file and a number -> a damaged file; the same number always gives the same bytes."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable
from random import Random

ABSURD_NUMBERS = (
    *("0", "-1", "1", "2", "7", "112", "999", "1000", "65535", "32000", "4294967295"),
    *("+3", "-2147483648", "1E300", "1E-300", "-1E50", "1D12", "NaN", "INF", "1/0", ".", "1.5"),
    *("9" * 20, "9" * 60, "0" * 60, "1E400", "16" + "0" * 21),
)
ABSURD_TEXTS = (
    *("''", "'", "'X'", "T", "F", "'=1+1'", "'<b>&amp;'", "'../../x'", "'\x1b[31m'", "'RGGB'"),
    *("'2026-09-12T20:00:00'", "'0001-01-01T00:00:00'", "'9999-12-31T23:59:59'", "'12/12/99'"),
    *("'Dark Frame'", "'Twilight'", "'TAI'", "'RICE_1'", "'GZIP_1'", "'RA---TAN'", "'1 1 1 1'"),
    *("'" + "1:" * 30 + "'", "'" + "1" * 65 + "'", "'" + " " * 60 + "x'", "1 2 3", "(1,2)"),
)
KEYWORDS = (
    *("NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "BITPIX", "BZERO", "BSCALE", "BLANK", "PCOUNT"),
    *("GCOUNT", "TFIELDS", "THEAP", "ZIMAGE", "ZNAXIS", "ZNAXIS1", "ZNAXIS2", "ZBITPIX", "ZTILE1"),
    *("ZTILE2", "ZNAME1", "ZVAL1", "ZCMPTYPE", "ZQUANTIZ", "ZDITHER0", "TFORM1", "TTYPE1"),
    *("GROUPS", "EXTEND", "XTENSION", "SIMPLE", "END", "EXPTIME", "FOCALLEN", "XPIXSZ", "DATE-OBS"),
    *("MJD-OBS", "DATE-END", "TIMESYS", "RA", "DEC", "CRVAL1", "CRPIX1", "CTYPE1", "CD1_1"),
    *("CDELT1", "SITELAT", "SITELONG", "OBSGEO-X", "PEDESTAL", "SATURATE", "BAYERPAT", "XBAYROFF"),
    *("IMAGETYP", "INSTRUME", "CAMSN", "GAIN", "ISO", "CCD-TEMP", "LENS", "CONTINUE", "HIERARCH"),
)
_CARD, _BLOCK = 80, 2880


def mutated(seed_name: str, content: bytes, case: int) -> bytes:
    """One damaged file.

    Parameters
    ----------
    seed_name : str
    content : bytes
    case : int
        Chooses the ways and places of damage.
    """
    rng = Random(f"{seed_name} {case}")
    data = bytearray(content)
    aimed = _FITS if ".fit" in seed_name else _TIFF
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        rng.choice((*_BLIND, *aimed, *aimed))(data, rng)
    return bytes(data)


def _flip(data: bytearray, rng: Random) -> None:
    for _ in range(rng.choice((1, 4, 30, 300))):
        at = _place(data, rng)
        data[at : at + 1] = bytes([(data[at] if data else 0) ^ 1 << rng.randrange(8)])


def _blot(data: bytearray, rng: Random) -> None:
    at, length = _place(data, rng), rng.choice((1, 8, 80, 2880, 20_000))
    length = min(length, len(data) - at)
    data[at : at + length] = rng.choice((bytes(length), b"\xff" * length, rng.randbytes(length)))


def _cut(data: bytearray, rng: Random) -> None:
    del data[_place(data, rng) :]


def _drop(data: bytearray, rng: Random) -> None:
    at = _place(data, rng)
    del data[at : at + rng.choice((1, 80, 2880, 10_000))]


def _repeat(data: bytearray, rng: Random) -> None:
    at = _place(data, rng)
    data[at:at] = data[at : at + rng.choice((1, 80, 2880, 20_000))]


def _swap(data: bytearray, rng: Random) -> None:
    a, b, length = _place(data, rng), _place(data, rng), rng.choice((2, 80, 2880))
    if abs(a - b) >= length:
        first, second = data[a : a + length], data[b : b + length]
        data[a : a + length], data[b : b + length] = second, first


def _place(data: bytearray, rng: Random) -> int:
    """Anywhere, but in two of three cases near the front, where headers are."""
    most = max(1, len(data))
    return rng.randrange(most if rng.random() < 0.33 else min(most, 6000))


def _cards(data: bytearray) -> list[int]:
    """Where cards with a value stand in the file's headers."""
    return [
        found.start()
        for found in re.finditer(rb"[A-Z][A-Z0-9_-]{0,7} *= ", bytes(data[:40_000]))
        if found.start() % _CARD == 0
    ]


def _value(rng: Random) -> bytes:
    return rng.choice((*ABSURD_NUMBERS, *ABSURD_TEXTS)).encode("latin-1")


def _card_value(data: bytearray, rng: Random) -> None:
    """Another value for a card that is there."""
    if places := _cards(data):
        at = rng.choice(places)
        data[at + 10 : at + _CARD] = b" " + _value(rng).rjust(19).ljust(_CARD - 11)[: _CARD - 11]


def _card_new(data: bytearray, rng: Random) -> None:
    """A card more, of a keyword that means something, in place of another."""
    if places := _cards(data):
        at = rng.choice(places)
        keyword = rng.choice(KEYWORDS)
        keyword = rng.choice((keyword, keyword, keyword.lower()))
        card = f"{keyword:8}= ".encode() + _value(rng).rjust(20)
        data[at : at + _CARD] = card.ljust(_CARD)[:_CARD]


def _card_keyword(data: bytearray, rng: Random) -> None:
    """Another name for a card."""
    if places := _cards(data):
        at = rng.choice(places)
        data[at : at + 8] = rng.choice((*KEYWORDS, "", "naxis")).ljust(8).encode()[:8]


def _block_more(data: bytearray, rng: Random) -> None:
    """A block of cards more in the header."""
    at = rng.randrange(max(1, min(len(data), 12_000) // _BLOCK)) * _BLOCK
    card = f"{rng.choice(KEYWORDS):8}= ".encode() + _value(rng)
    data[at:at] = card.ljust(_CARD)[:_CARD] * (_BLOCK // _CARD)


def _tags(data: bytearray) -> list[tuple[int, str]]:
    """Where entries of TIFF directories stand, and the byte order."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(data[:2]), "")
    if not order or len(data) < 8:
        return []
    found, seen = [], set()
    to_read = [struct.unpack_from(order + "I", data, 4)[0]]
    while to_read and len(found) < 500:
        start = to_read.pop()
        if start in seen or start + 2 > len(data):
            continue
        seen.add(start)
        for n in range(min(struct.unpack_from(order + "H", data, start)[0], 100)):
            at = start + 2 + 12 * n
            if at + 12 > len(data):
                break
            found.append((at, order))
            tag, _, _, value = struct.unpack_from(order + "HHII", data, at)
            if tag in (330, 34665, 34853):  # SubIFDs, Exif, GPS
                to_read.append(value)
    return found


def _tag(data: bytearray, rng: Random) -> None:
    """Another number, type, count or value for an entry of a TIFF directory."""
    if not (places := _tags(data)):
        return
    at, order = rng.choice(places)
    part, size = rng.choice(((0, "H"), (2, "H"), (4, "I"), (8, "I"), (8, "I"), (8, "I")))
    most = 65535 if size == "H" else 4294967295
    near = struct.unpack_from(order + size, data, at + part)[0] + rng.choice((-1, 1, 2))
    value = rng.choice((0, 1, 3, 255, 32000, 65535, most // 2, most, rng.randrange(most), near))
    struct.pack_into(order + size, data, at + part, min(max(value, 0), most))


def _tag_content(data: bytearray, rng: Random) -> None:
    """Another content for an entry that keeps it elsewhere: a time, a rational, a name."""
    if not (places := _tags(data)):
        return
    at, order = rng.choice(places)
    _, kind, count, start = struct.unpack_from(order + "HHII", data, at)
    length = count * {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}.get(kind, 1)
    if length <= 4 or start + length > len(data) or length > 10_000:
        return
    number = struct.pack(order + "I", rng.choice((0, 1, 4294967295, 2147483648, 65535)))
    text = rng.choice(ABSURD_TEXTS).strip("'").encode("latin-1") or b"\0"
    new = rng.choice((number, text, rng.randbytes(8), b"\xff", b"\0"))
    data[start : start + length] = (new * (length // len(new) + 1))[:length]


def _bomb(data: bytearray, rng: Random) -> None:
    """A long run of zeros, compressed, in place of a stretch."""
    at = _place(data, rng)
    bomb = zlib.compress(bytes(3_000_000))
    data[at : at + len(bomb)] = bomb


_Damage = Callable[[bytearray, Random], None]
_BLIND: tuple[_Damage, ...] = (_flip, _blot, _cut, _drop, _repeat, _swap)
_FITS: tuple[_Damage, ...] = (
    _card_value,
    _card_value,
    _card_new,
    _card_new,
    _card_keyword,
    _block_more,
    _bomb,
)
_TIFF: tuple[_Damage, ...] = (_tag, _tag, _tag_content)
