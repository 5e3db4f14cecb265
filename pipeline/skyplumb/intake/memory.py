"""How much memory a shot will take, told from what its header claims before any is taken."""

from __future__ import annotations

from skyplumb.errors import UnreadableError

MEMORY_BYTES = 1_500_000_000
"""What one worker may take unless it is told otherwise."""
PROGRAM_BYTES = 200_000_000
BYTES_A_SAMPLE = 2
"""Both above what was measured, on frames of 6 and 24 megapixels of each format: 100 MB and, beside
two copies of the file and one of the samples, nothing a sample."""


def bytes_needed(file_bytes: int, samples: int, sample_bytes: int = 2) -> int:
    """An upper estimate of a worker's memory for one shot.

    Parameters
    ----------
    file_bytes : int
        Size of the file, which is in memory twice while a library opens it.
    samples : int
        How many the header claims, all planes.
    sample_bytes : int
        Of one as the file stores it.
    """
    return PROGRAM_BYTES + 2 * file_bytes + samples * (BYTES_A_SAMPLE + sample_bytes)


def refuse_if_too_large(needed_bytes: int, cap_bytes: int, file: str, claim: str) -> None:
    """Stop before memory is taken.

    Raises
    ------
    UnreadableError
        If more is needed than may be taken; names the claim.
    """
    if needed_bytes > cap_bytes:
        # Damage makes numbers of any length.
        needed = f"{needed_bytes / 1e9:,.1f} GB" if needed_bytes < 1e15 else "more than any machine"
        raise UnreadableError(
            f"{file}: {claim}, which takes {needed} to measure and {cap_bytes / 1e9:,.1f} GB are "
            "allowed; leave it off the card, or allow more memory if it is a true picture"
        )
