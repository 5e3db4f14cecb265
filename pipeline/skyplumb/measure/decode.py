"""The bytes of a RAW or FITS file -> the sensor's own samples.

Nothing is interpolated, scaled or subtracted here. What a file says of itself is believed only
as far as its samples agree: a colour order that the samples contradict is turned over, a white
level above the value at which the samples pile up is lowered, a picture with missing parts is
refused.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import io
import sys
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import rawpy
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from skyplumb.errors import UnreadableError
from skyplumb.intake.failures import AGAIN, in_words, library
from skyplumb.intake.fits_file import MAGIC, FitsPicture, open_picture
from skyplumb.intake.memory import MEMORY_BYTES, bytes_needed, refuse_if_too_large
from skyplumb.records import Plate
from skyplumb.robust import mad_sigma

_MONO = np.array([[1]], np.uint8)
_COLOURS = {"R": 0, "G": 1, "B": 2}

_SIDE_LEAST = 16
"""A picture smaller than this has no room for a star and its sky."""

_HIGHEST = 1e12
"""No sensor's sample, nor the sum of a night's, is larger: such a number is damage."""
_LOWEST = 1e-20
"""Nor smaller, whatever its unit, and the square of this is the least that float32 holds."""

_M_PERTURB = -6
"""Of glibc's malloc.h; see mallopt(3)."""

_NEARLY_WHITE = 0.8
"""Equal samples above this part of the white level are an overexposed picture, not a hole."""


def decode(
    data: bytes,
    file: str,
    mosaic_claim: str = "",
    cap_bytes: int = MEMORY_BYTES,
    picture: FitsPicture | None = None,
) -> Plate:
    """Decode one shot; which format it is comes from the bytes, not from the name.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.
    mosaic_claim : str
        Colour order that a FITS header claims, such as RGGB, in array order; see
        `mosaic_of` for how far it is believed. A RAW file brings its own.
    cap_bytes : int
        What a worker may take of memory for this shot; one that claims more is refused.
    picture : FitsPicture, optional
        Of a FITS file, where it was opened before.

    Returns
    -------
    Plate
        Of a picture in separate colour planes, the green plane, as mono.

    Raises
    ------
    UnreadableError
        Not a picture, cut short, damaged or blank. A picture that is white all over, or black
        with its noise, is readable: that it shows no stars is for a later stage to say.
    """
    if not data:
        raise UnreadableError(f"{file}: is empty (0 bytes); {AGAIN}")
    if data.startswith(MAGIC):
        return _decode_fits(picture or open_picture(data, file), file, mosaic_claim, cap_bytes)
    return _decode_raw(data, file, cap_bytes)


def _decode_raw(data: bytes, file: str, cap_bytes: int) -> Plate:
    """Through LibRaw, to the mosaic as it stands in the file, without the masked margin."""
    with library("LibRaw", file), _expected(file), _zeroed_memory():
        raw = rawpy.RawPy()  # left open: the samples stay where LibRaw put them, and go with them
        raw.open_buffer(io.BytesIO(data))
        sides = raw.sizes.raw_width, raw.sizes.raw_height
        needed = bytes_needed(len(data), sides[0] * sides[1])
        claim = f"the header claims {sides[0]} x {sides[1]} samples"
        refuse_if_too_large(needed, cap_bytes, file, claim)
        raw.unpack()
        visible = raw.raw_image_visible
        samples = visible[..., 1].copy() if visible.ndim == 3 else visible
        index = _MONO if visible.ndim == 3 else _raw_pattern(raw)
        letters = raw.color_desc.decode("ascii", "replace")
        levels = np.array(raw.black_level_per_channel, np.float32)
        white = float(raw.white_level or np.inf)
    _check_size(samples.shape, file)
    if index.max() > 3:  # LibRaw's mark for "no filters"
        index = _MONO
    colours = np.array([_COLOURS.get(letter, 2) for letter in letters], np.uint8)[index]
    black = levels[index]
    if not (colours == 1).any():  # a mosaic without green: every site is as good as any other
        colours = _MONO
        black = np.full((1, 1), levels.mean(), np.float32)
    rows = samples.min(axis=1), samples.max(axis=1)
    _check_not_blank(*rows, white, file)
    _check_no_gap(*rows, white, file)
    return Plate(samples, colours, black, min(white, clipping_level(samples, rows[1])))


@contextlib.contextmanager
def _expected(file: str) -> Iterator[None]:
    """What LibRaw says of files that are no RAW, or damaged, in words of ours."""
    try:
        yield
    except rawpy.LibRawFileUnsupportedError:
        words = "not a RAW or FITS picture that can be opened"
    except (rawpy.LibRawTooBigError, rawpy.LibRawUnsufficientMemoryError):
        raise MemoryError from None
    except (rawpy.LibRawDataError, rawpy.LibRawIOError) as error:
        words = f"damaged or cut short ({in_words(error)})"
    except NotImplementedError:
        words = "its colour pattern is of a kind that is not known"
    else:
        return
    raise UnreadableError(f"{file}: {words}; {AGAIN}") from None


@contextlib.contextmanager
def _zeroed_memory() -> Iterator[None]:
    """Let memory be empty when it is handed out.

    A RAW whose data are missing can decode "successfully" to whatever stood in LibRaw's memory,
    which may be the frame before. Emptied, it is a blank. Only glibc can be told so; most other
    systems hand out large blocks empty anyway.
    """
    adjust = _mallopt()
    if adjust is None:
        yield
        return
    adjust(_M_PERTURB, 0xFF)  # glibc fills new blocks with the complement of this byte
    try:
        yield
    finally:
        adjust(_M_PERTURB, 0)  # and with nothing


@functools.cache
def _mallopt() -> Callable[[int, int], int] | None:
    """glibc's adjustment of its memory, None where there is another C library."""
    if sys.platform != "linux":
        return None
    adjust: Callable[[int, int], int] | None = getattr(ctypes.CDLL(None), "mallopt", None)
    return adjust


def _raw_pattern(raw: Any) -> NDArray[np.intp]:
    """LibRaw's channel numbers at the visible picture's first corner.

    `raw_pattern` itself starts at the corner of the masked margin, which for a 6x6 pattern
    is another place of the pattern.
    """
    rows, columns = raw.raw_pattern.shape
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    return np.array(
        [[raw.raw_color(top + y, left + x) for x in range(columns)] for y in range(rows)], np.intp
    )


def _decode_fits(picture: FitsPicture, file: str, mosaic_claim: str, cap_bytes: int) -> Plate:
    """The picture of a FITS file, or the green one of its three planes."""
    header = picture.header
    samples, planes = _green_plane(picture.samples(cap_bytes))
    _check_size(samples.shape, file)
    samples = _native(samples)
    ceiling = min(_number(header, "SATURATE", np.inf), _type_ceiling(header, picture.bits))
    finite = (samples > -_HIGHEST) & (samples < _HIGHEST)  # and a number at all
    if finite.all():
        _check_not_blank(samples, samples, ceiling, file)
    else:
        _check_not_blank(samples[finite], samples[finite], ceiling, file)
        samples, ceiling = _fill_holes(samples, finite, ceiling)
    colours = _MONO if planes else mosaic_of(samples, mosaic_claim)
    black = np.full(colours.shape, _pedestal(header, samples), np.float32)
    return Plate(samples, colours, black, min(ceiling, clipping_level(samples)))


def _green_plane(samples: NDArray[Any]) -> tuple[NDArray[Any], bool]:
    """Two dimensions of what may have more, and whether it was one plane of three."""
    samples = samples.squeeze()
    if samples.ndim == 2:
        return samples, False
    return (samples[1] if samples.shape[0] == 3 else samples[..., 1]), True


def _type_ceiling(header: fits.Header, bits: int) -> float:
    """The highest value that the file's integers can hold; +inf for floats."""
    if bits < 0:
        return np.inf
    top = 255 if bits == 8 else 2 ** (bits - 1) - 1
    return _number(header, "BZERO", 0.0) + _number(header, "BSCALE", 1.0) * top


def _native(samples: NDArray[Any]) -> NDArray[Any]:
    """uint16 where that holds every value exactly, else float32."""
    whole = np.issubdtype(samples.dtype, np.integer)
    if whole and samples.min() >= 0 and samples.max() <= 65535:
        return np.ascontiguousarray(samples, np.uint16)
    with np.errstate(over="ignore", invalid="ignore"):  # beyond float32: a hole, see below
        floats = np.ascontiguousarray(samples, np.float32)
    floats[(floats > -_LOWEST) & (floats < _LOWEST)] = 0.0
    return floats


def _fill_holes(
    samples: NDArray[Any], finite: NDArray[np.bool_], ceiling: float
) -> tuple[NDArray[Any], float]:
    """Put a number where a float picture has none (NaN, infinite, or beyond any sensor).

    A hole inside the picture is a saturated core or a dead site: it is made saturated, so that
    no star on it votes. A hole that reaches the edge lies outside the picture, as in frames that
    were shifted onto each other: it gets the median, so that no light is invented.
    """
    ceiling = min(ceiling, float(samples[finite].max()))
    holes, count = ndimage.label(~finite)
    border = np.concatenate([holes[0], holes[-1], holes[:, 0], holes[:, -1]])
    outside = np.zeros(count + 1, bool)
    outside[border] = True
    outside[0] = False
    filled = np.where(finite, samples, np.float32(ceiling))
    filled[outside[holes]] = np.median(samples[finite])
    return filled, ceiling


def _pedestal(header: fits.Header, samples: NDArray[Any]) -> float:
    """Black level of a FITS picture; 0 if the header has none.

    PEDESTAL is found with both signs (what was added, what to add), so its size is taken. The
    others are camera settings that need not be in sample units: a black that is above most of
    the picture is no black, and is not believed.
    """
    middle = float(np.median(samples[::7, ::7]))
    for keyword in ("PEDESTAL", "BLKLEVEL", "BLACKLVL"):
        level = abs(_number(header, keyword, np.inf))
        if level <= middle:
            return level
    return 0.0


def _number(header: fits.Header, keyword: str, missing: float) -> float:
    """A header's number, `missing` if it is not there or not one."""
    try:
        value = float(header.get(keyword, missing))
    except Exception:
        # astropy answers a damaged card by whatever its parser stumbles over
        return missing
    return missing if np.isnan(value) else value


def clipping_level(samples: NDArray[Any], highest: NDArray[Any] | None = None) -> float:
    """The value at which the brightest samples pile up.

    Sensors often stop short of the white level that their maker states. Star light thins out
    towards the top of the range, so a narrow pile up there, with next to nothing above it (a few
    hot sites may stand higher), is where it was cut. The pile must hold at least ten samples,
    five times what the steps below it hold on average and five times all that is above it; a
    step is 0.5 % of the range. (Our choice, tried on real and drawn frames in the tests.) A range
    that noise alone can fill, or of less than two hundred steps of the recorder, tells nothing.

    Parameters
    ----------
    samples : ndarray, shape (height, width)
    highest : ndarray, shape (height,), optional
        Of each row, where it is known.

    Returns
    -------
    float
        Sample units, one step below the pile; +inf where nothing piles up.
    """
    if highest is None:
        highest = samples.max(axis=1)
    top = float(highest.max())
    stride = max(1, int(np.sqrt(samples.size / 250_000))) | 1  # odd: all phases of a mosaic
    sparse = samples[::stride, ::stride].astype(np.float64)
    middle = float(np.median(sparse))
    span = top - middle
    if span <= 0.0:
        return top  # white all over
    noise = mad_sigma(sparse)
    values = np.unique(sparse)
    quantum = float(np.diff(values).min()) if values.size > 1 else span
    if span < max(20.0 * noise, 200.0 * quantum):
        return np.inf
    floor = middle + 0.5 * span
    bright = samples[highest > floor]  # few rows, as a rule, so that few samples are compared
    counts, edges = np.histogram(bright[bright > floor], bins=100, range=(floor, top))
    pile = int(counts.argmax())
    below = counts[max(0, pile - 20) : max(0, pile - 1)]
    if not below.size or counts[pile] < max(10.0, 5.0 * below.mean()):
        return np.inf
    if counts[pile] < 5 * counts[pile + 2 :].sum():
        return np.inf
    return float(edges[pile - 1])


LEAST_CONTRAST = 0.05
"""Of the noise of a sample: green that is 30 % brighter than red and blue under a sky of half an
electron, beside a read noise of 3 electrons. Less is what a single channel's handling leaves, such
as interpolation or rounding, and too little to matter to any star."""


def mosaic_of(samples: NDArray[Any], claim: str = "") -> NDArray[np.uint8]:
    """The colour pattern of a FITS picture, by its claim and by its own samples.

    In a 2x2 mosaic the two green phases see the same sky, so that they have equal levels and lie
    on a diagonal, while red and blue on the other one differ from them and, nearly always, from
    each other. A claim whose greens lie on the wrong diagonal was written for the picture with
    its rows in the other order (FITS rows run upwards); it is turned over.

    Without a claim, the picture is a mosaic if the levels say so clearly, beyond five standard
    errors; green is then the brighter diagonal (a night sky through common filters: common
    practice, no source), and which of the others is red is not known: the first is called so.

    Parameters
    ----------
    samples : ndarray, shape (height, width)
    claim : str
        Four letters of R, G and B, row by row in array order, with greens on a diagonal; any
        other text counts as no claim.

    Returns
    -------
    ndarray of uint8, shape (2, 2) or, for mono, (1, 1)
        As `Plate.colours`.
    """
    claimed = _parse_claim(claim)
    equal, brighter = _green_diagonal(samples)
    if claimed is not None:
        contradicted = equal is not None and (claimed[0, 0] == 1) != (equal == 0)
        return claimed[::-1].copy() if contradicted else claimed
    if brighter is None or equal not in (brighter, None):
        return _MONO
    return np.array([[1, 0], [2, 1]] if brighter == 0 else [[0, 1], [1, 2]], np.uint8)


def _parse_claim(claim: str) -> NDArray[np.uint8] | None:
    """The claim as numbers, None if it is not a 2x2 mosaic with its greens on a diagonal."""
    letters = claim.strip().upper()
    if sorted(letters) != ["B", "G", "G", "R"]:
        return None
    pattern = np.array([_COLOURS[letter] for letter in letters], np.uint8).reshape(2, 2)
    return pattern if pattern[0, 0] == pattern[1, 1] or pattern[0, 1] == pattern[1, 0] else None


def _green_diagonal(samples: NDArray[Any]) -> tuple[int | None, int | None]:
    """Which diagonal of the 2x2 cells holds two equal levels, and which is the brighter one.

    0 is the main diagonal, 1 the other, None that the levels do not tell. Differences are taken
    within cells, which neither stars nor gradients disturb. Differences between columns or rows
    alone (two amplifiers) leave both diagonals equally bright.
    """
    rows, columns = (side // 2 * 2 for side in samples.shape)
    step = 2 * max(1, int(np.sqrt(rows * columns / 4 / 250_000)))  # some 250,000 cells are plenty
    a, b, c, d = (
        samples[y:rows:step, x:columns:step].astype(np.float32) for y in (0, 1) for x in (0, 1)
    )
    main, main_error = _typical(a - d)
    other, other_error = _typical(b - c)
    between = ((a + d) - (b + c)) / 2
    contrast, contrast_error = _typical(between)
    noise = float(np.subtract(*np.percentile(between, (84.0, 16.0)))) / 2
    least, most, size = *sorted((abs(main), abs(other))), abs(contrast)
    told = most > 5.0 * max(main_error, other_error) and most > 0.25 * size and least < 0.5 * most
    equal = int(abs(other) < abs(main)) if told else None
    # Two greens may differ by a hundredth, and red and blue be alike: neither may decide alone.
    bright = size > 5.0 * contrast_error and (told or most < 0.5 * size)
    bright = bright and size > LEAST_CONTRAST * noise
    return equal, int(contrast < 0.0) if bright else None


def _typical(values: NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Mean of the inner nine tenths, and its standard error."""
    low, high = np.percentile(values, (5.0, 95.0))
    inner = values[(values >= low) & (values <= high)]
    return float(inner.mean()), float(inner.std() / np.sqrt(inner.size))


def _check_size(shape: tuple[int, ...], file: str) -> None:
    if min(shape) < _SIDE_LEAST:
        raise UnreadableError(
            f"{file}: a picture of {shape[1]} x {shape[0]} samples is no star frame; "
            "leave it off the card"
        )


def _check_not_blank(lowest: NDArray[Any], highest: NDArray[Any], white: float, file: str) -> None:
    """Refuse a blank picture: files whose data are missing decode to one without an error.

    The lowest and the highest sample are among these.
    """
    if not lowest.size:
        raise UnreadableError(f"{file}: no sample is a number; {AGAIN}")
    least = float(lowest.min())
    if least == float(highest.max()) and least < _NEARLY_WHITE * white:
        raise UnreadableError(f"{file}: blank, every sample is {least:g}; {AGAIN}")


def _check_no_gap(lowest: NDArray[Any], highest: NDArray[Any], white: float, file: str) -> None:
    """Refuse a RAW with a band of blank rows, by the rows' extremes: no sensor is without noise."""
    blank = (lowest == highest) & (lowest < _NEARLY_WHITE * white)
    if blank.mean() > 0.01:
        raise UnreadableError(f"{file}: {blank.mean():.0%} of the picture is missing; {AGAIN}")
