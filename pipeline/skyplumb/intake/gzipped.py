"""A FITS file packed with gzip -> its bytes, no more of them than memory allows.

References
----------
.. [1] RFC 1952, *GZIP file format specification*: a file is one member or several.
"""

from __future__ import annotations

import zlib

from skyplumb.errors import UnreadableError
from skyplumb.intake.failures import AGAIN
from skyplumb.intake.memory import MEMORY_BYTES, PROGRAM_BYTES, bytes_needed, refuse_if_too_large

MAGIC = b"\x1f\x8b"

_GZIP = 16 + zlib.MAX_WBITS


def unpacked(data: bytes, file: str, cap_bytes: int = MEMORY_BYTES) -> bytes:
    """What a gzip file holds.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.
    cap_bytes : int
        What may be taken of memory for this shot. How much a file holds shows only as it is
        unpacked, so that this stops once it is too much: a few bytes can claim any size.

    Raises
    ------
    UnreadableError
        If it is damaged or cut short, or holds too much.
    """
    most = max((cap_bytes - PROGRAM_BYTES) // 2, 0)
    out = bytearray()
    rest = data
    while rest.startswith(MAGIC):
        member = zlib.decompressobj(_GZIP)
        try:
            out += member.decompress(rest, most + 1 - len(out))
        except zlib.error as error:
            raise UnreadableError(f"{file}: damaged ({error}); {AGAIN}") from None
        if len(out) > most:
            claim = f"more than {most / 1e9:.1f} GB unpacked"
            refuse_if_too_large(bytes_needed(len(out), 0), cap_bytes, file, claim)
        if not member.eof:
            raise UnreadableError(f"{file}: cut short; {AGAIN}")
        rest = member.unused_data.lstrip(b"\0")
    return bytes(out)
