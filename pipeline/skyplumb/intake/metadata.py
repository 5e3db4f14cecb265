"""EXIF and FITS headers -> one record with units.

What a file does not say stays empty or NaN. Nothing here is believed yet: the night notes
may know better, and the sky shows when a clock or a focal length is wrong.
"""

from __future__ import annotations

from skyplumb.errors import UnreadableError
from skyplumb.intake.card import is_fits_name
from skyplumb.intake.exif import exif_info
from skyplumb.intake.fits_file import MAGIC, FitsPicture, open_picture
from skyplumb.intake.fits_header import fits_info
from skyplumb.intake.memory import MEMORY_BYTES
from skyplumb.records import ShotInfo


def read_info(
    data: bytes,
    file: str,
    cap_bytes: int = MEMORY_BYTES,
    picture: FitsPicture | None = None,
) -> ShotInfo:
    """What a shot says of itself.

    Parameters
    ----------
    data : bytes
        The whole file. What it is, is told by its content and not by its name.
    file : str
        Its name, for errors.
    cap_bytes : int
        What may be taken of memory; a RAW that claims more is not opened to fill gaps.
    picture : FitsPicture, optional
        Of a FITS file, where it was opened before.

    Raises
    ------
    UnreadableError
        If no header can be read; names the file and the mend.
    """
    if not data:
        raise UnreadableError(f"{file}: is empty; copy it from the card again")
    if data.startswith(MAGIC):
        return fits_info(picture or open_picture(data, file))
    if is_fits_name(file):
        raise UnreadableError(
            f"{file}: named FITS but does not begin as one; write the file again or remove it"
        )
    return exif_info(data, file, cap_bytes)
