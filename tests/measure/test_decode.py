"""Decoding: samples as recorded, headers believed as far as they agree, bad files refused."""

from __future__ import annotations

import io
import re
import resource
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from numpy.typing import NDArray

from skyplumb.errors import UnreadableError
from skyplumb.measure.decode import clipping_level, decode, mosaic_of

REAL = Path(__file__).parents[1] / "data" / "real"

RGGB = [[0, 1], [1, 2]]
SIX_BY_SIX = [
    [1, 1, 0, 1, 1, 2],
    [1, 1, 2, 1, 1, 0],
    [2, 0, 1, 0, 2, 1],
    [1, 1, 2, 1, 1, 0],
    [1, 1, 0, 1, 1, 2],
    [0, 2, 1, 2, 0, 1],
]
"""A 6x6 arrangement of 20 green, 8 red and 8 blue sites that is in use (from memory)."""
COLOUR_FILTER_ARRAY, LINEAR_RAW = 32803, 34892
"""Photometric interpretations of the DNG specification."""


def sky(shape: tuple[int, ...] = (120, 160), seed: int = 1) -> NDArray[np.uint16]:
    """Noise of 15 around 700."""
    noise = np.random.default_rng(seed).normal(700.0, 15.0, shape)
    return noise.round().astype(np.uint16)


def dng(
    samples: NDArray[np.uint16],
    pattern: list[list[int]] | None = RGGB,
    photometric: int = COLOUR_FILTER_ARRAY,
    black: tuple[int, ...] = (512,),
    active: tuple[int, int, int, int] | None = None,
    lossless_jpeg: bool = False,
) -> bytes:
    """A DNG of an invented camera; white level 16383."""
    tags: list[tuple[int, int, int, object, bool]] = [
        (50706, 1, 4, (1, 4, 0, 0), True),  # DNGVersion
        (50707, 1, 4, (1, 1, 0, 0), True),  # DNGBackwardVersion
        (50708, 2, 0, "Fernhill One", True),  # UniqueCameraModel
        (50713, 3, 2, (2, 2) if len(black) == 4 else (1, 1), True),  # BlackLevelRepeatDim
        (50714, 3, len(black), black, True),  # BlackLevel
        (50717, 3, 1, 16383, True),  # WhiteLevel
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50728, 5, 3, (1, 1) * 3, True),  # AsShotNeutral
        (50778, 3, 1, 21, True),  # CalibrationIlluminant1
    ]
    if pattern is not None:
        flat = [place for row in pattern for place in row]
        tags.append((33421, 3, 2, (len(pattern), len(pattern[0])), True))  # CFARepeatPatternDim
        tags.append((33422, 1, len(flat), bytes(flat), True))  # CFAPattern
    if active is not None:
        tags.append((50829, 4, 4, active, True))  # ActiveArea: top, left, bottom, right
    # tifffile refuses a linear RAW of one plane, so its tag is changed afterwards.
    linear_mono = photometric == LINEAR_RAW and samples.ndim == 2
    options: dict[str, Any] = {
        "photometric": COLOUR_FILTER_ARRAY if linear_mono else photometric,
        "rowsperstrip": samples.shape[0],
        "metadata": None,
        "software": False,
        "extratags": tags,
    }
    out = io.BytesIO()
    if lossless_jpeg:
        strip = imagecodecs.ljpeg_encode(samples, bitspersample=14)
        tifffile.imwrite(
            out, iter([bytes(strip)]), shape=samples.shape, dtype="u2", compression=7, **options
        )
    else:
        tifffile.imwrite(out, samples, **options)
    content = out.getvalue()
    if linear_mono:
        tag = [struct.pack("<HHIHH", 262, 3, 1, n, 0) for n in (COLOUR_FILTER_ARRAY, LINEAR_RAW)]
        assert content.count(tag[0]) == 1
        content = content.replace(tag[0], tag[1])
    return content


def fits_file(*units: Any, **cards: object) -> bytes:
    """A FITS file of these arrays or header units; the cards go into the last one's header."""
    made = [unit if hasattr(unit, "header") else fits.ImageHDU(unit) for unit in units]
    if len(made) == 1 and not isinstance(made[0], fits.CompImageHDU):
        made = [fits.PrimaryHDU(made[0].data, made[0].header)]
    elif not isinstance(made[0], fits.PrimaryHDU):
        made = [fits.PrimaryHDU(), *made]
    for keyword, value in cards.items():
        made[-1].header[keyword] = value
    out = io.BytesIO()
    fits.HDUList(made).writeto(out)
    return out.getvalue()


def with_card(content: bytes, keyword: str, value: str) -> bytes:
    """The same file with one header value written over."""
    return re.sub(
        rb"(?<![A-Z])" + f"{keyword:8}= ".encode() + rb".{70}",
        f"{keyword:8}= {value:>20}{'':50}".encode(),
        content,
        count=1,
    )


class TestRaw:
    @pytest.mark.parametrize("lossless_jpeg", [False, True])
    def test_the_mosaic_comes_out_bit_for_bit(self, lossless_jpeg: bool) -> None:
        drawn = sky()
        plate = decode(dng(drawn, lossless_jpeg=lossless_jpeg), "a.dng")
        assert plate.samples.dtype == np.uint16
        np.testing.assert_array_equal(plate.samples, drawn)
        assert plate.colours.tolist() == RGGB
        assert plate.black.tolist() == [[512.0, 512.0], [512.0, 512.0]]
        assert plate.saturation == 16383

    @pytest.mark.parametrize(
        "pattern",
        [RGGB, [[1, 0], [2, 1]], [[1, 2], [0, 1]], [[2, 1], [1, 0]], SIX_BY_SIX],
        ids=["RGGB", "GRBG", "GBRG", "BGGR", "six by six"],
    )
    @pytest.mark.parametrize("corner", [(0, 0), (3, 5), (4, 2)])
    def test_every_colour_order_is_right_at_the_visible_corner(
        self, pattern: list[list[int]], corner: tuple[int, int]
    ) -> None:
        """Each site holds its own colour, so that a pattern that is out of step shows.

        The pattern starts at the corner of the active area (DNG specification, from memory).
        """
        size = len(pattern)
        tiled = np.roll(np.tile(pattern, (240 // size, 240 // size)), corner, (0, 1))
        drawn = (1000 * tiled + sky((240, 240))).astype(np.uint16)
        plate = decode(dng(drawn, pattern, active=(*corner, 240, 240)), "a.dng")
        height, width = plate.samples.shape
        assert height >= 234 and width >= 234  # a margin may be made even, not more
        rows, columns = plate.colours.shape
        seen = np.tile(plate.colours, (height // rows + 1, width // columns + 1))[:height, :width]
        np.testing.assert_array_equal(plate.samples // 1000, seen)  # 700 +- 75 stays below 1000

    def test_samples_stay_when_other_pictures_are_decoded(self) -> None:
        """They stand in the decoder's own memory, which must live as long as they do."""
        drawn = sky((1024, 1024))
        plate = decode(dng(drawn), "a.dng")
        for seed in range(2, 6):
            decode(dng(sky((1024, 1024), seed)), "b.dng")
        np.testing.assert_array_equal(plate.samples, drawn)

    def test_each_channel_keeps_its_own_black(self) -> None:
        plate = decode(dng(sky(), [[1, 0], [2, 1]], black=(500, 510, 520, 530)), "a.dng")
        assert plate.black.tolist() == [[500.0, 510.0], [520.0, 530.0]]

    def test_a_linear_raw_of_three_planes_gives_its_green_one(self) -> None:
        drawn = sky((120, 160, 3))
        plate = decode(dng(drawn, None, LINEAR_RAW), "a.dng")
        np.testing.assert_array_equal(plate.samples, drawn[:, :, 1])
        assert plate.colours.tolist() == [[1]]
        assert plate.black.tolist() == [[512.0]]

    def test_four_planes_without_a_pattern_are_mono(self) -> None:
        plate = decode(dng(sky((120, 160, 4)), None, LINEAR_RAW), "a.dng")
        assert plate.samples.shape == (120, 160)
        assert plate.colours.tolist() == [[1]]

    def test_a_monochrome_sensor_is_mono(self) -> None:
        drawn = sky()
        plate = decode(dng(drawn, None, LINEAR_RAW), "a.dng")
        np.testing.assert_array_equal(plate.samples, drawn)
        assert (plate.colours.tolist(), plate.black.tolist()) == ([[1]], [[512.0]])

    def test_what_is_cut_short_is_refused(self) -> None:
        for lossless_jpeg in (False, True):
            whole = dng(sky(), lossless_jpeg=lossless_jpeg)
            for part in (0.02, 0.3, 0.9, 0.999):
                with pytest.raises(UnreadableError, match=r"^a\.dng: .*copy it from the camera"):
                    decode(whole[: int(part * len(whole))], "a.dng")

    def test_a_lossless_jpeg_with_a_hole_is_refused(self) -> None:
        content = bytearray(dng(sky((240, 320)), lossless_jpeg=True))
        middle = len(content) // 2
        content[middle : middle + 4096] = bytes(4096)
        with pytest.raises(UnreadableError, match=r"a\.dng: damaged or cut short"):
            decode(bytes(content), "a.dng")

    @pytest.mark.skipif(sys.platform != "linux", reason="other systems' memory cannot be told")
    def test_a_raw_without_its_data_is_not_taken_for_the_frame_before(self) -> None:
        whole = dng(sky((600, 800)), lossless_jpeg=True)
        strip = whole.index(b"\xff\xd8")  # where the lossless JPEG starts
        hollow = whole[:strip] + bytes(len(whole) - strip)
        for _ in range(3):
            decode(whole, "before.dng")
            with pytest.raises(UnreadableError, match=r"a\.dng: blank, every sample is 0;"):
                decode(hollow, "a.dng")

    @pytest.mark.parametrize("value", [0, 512, 700])
    def test_a_blank_mosaic_is_refused(self, value: int) -> None:
        with pytest.raises(UnreadableError, match=rf"a\.dng: blank, every sample is {value};"):
            decode(dng(np.full((120, 160), value, np.uint16)), "a.dng")

    def test_a_mosaic_with_a_band_missing_is_refused(self) -> None:
        drawn = sky()
        drawn[90:] = 0
        with pytest.raises(UnreadableError, match="25% of the picture is missing"):
            decode(dng(drawn), "a.dng")

    @pytest.mark.parametrize("value", [16383, 15200])
    def test_a_picture_that_is_white_all_over_is_readable_and_saturated(self, value: int) -> None:
        plate = decode(dng(np.full((120, 160), value, np.uint16)), "a.dng")
        assert (np.asarray(plate.samples, float) >= plate.saturation).all()

    def test_a_dark_with_its_noise_is_readable_and_not_saturated(self) -> None:
        noise = np.random.default_rng(4).normal(512.0, 0.6, (400, 600)).round().astype(np.uint16)
        plate = decode(dng(noise), "a.dng")
        assert plate.saturation == 16383

    @pytest.mark.parametrize(
        "content",
        [b"Notes of the night: clouds from two on.\n" * 50, bytes(5000)],
        ids=["text", "zeros"],
    )
    def test_what_is_no_picture_is_refused_by_name(self, content: bytes) -> None:
        with pytest.raises(UnreadableError, match=r"^DCIM/a\.CR2: not a RAW or FITS picture"):
            decode(content, "DCIM/a.CR2")

    def test_a_scrap_of_a_picture_is_refused(self) -> None:
        with pytest.raises(UnreadableError, match=r"^DCIM/a\.CR2: "):
            decode(b"\xff\xd8\xff\xe0 jpeg", "DCIM/a.CR2")

    def test_an_empty_file_is_refused(self) -> None:
        with pytest.raises(UnreadableError, match=r"a\.dng: is empty"):
            decode(b"", "a.dng")

    def test_a_colour_pattern_that_is_not_known_is_a_row(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def unknown(_: object) -> None:
            raise NotImplementedError("raw pattern of another size")

        monkeypatch.setattr("skyplumb.measure.decode._raw_pattern", unknown)
        with pytest.raises(
            UnreadableError, match=r"^a\.dng: its colour pattern .* not known; copy"
        ):
            decode(dng(sky()), "a.dng")


class TestFits:
    @pytest.mark.parametrize(
        ("make", "dtype"),
        [
            (lambda d: d, np.uint16),
            (lambda d: d.astype(np.uint8), np.uint16),
            (lambda d: d.astype(np.int16), np.uint16),
            (lambda d: d.astype(np.int32), np.uint16),
            (lambda d: d.astype(np.int32) - 800, np.float32),
            (lambda d: d.astype(np.float32), np.float32),
            (lambda d: d.astype(np.float64), np.float32),
            (lambda d: d.astype(np.int32) * 1000, np.float32),
        ],
        ids=["uint16", "uint8", "int16", "int32", "negative", "float32", "float64", "large"],
    )
    def test_every_kind_of_number_comes_out_by_value(
        self, make: Callable[[Any], Any], dtype: type
    ) -> None:
        drawn = make(sky())
        plate = decode(fits_file(drawn), "a.fits")
        assert plate.samples.dtype == dtype and plate.samples.dtype.isnative
        np.testing.assert_array_equal(plate.samples, drawn.astype(np.float32))
        assert plate.colours.tolist() == [[1]]

    def test_scaled_integers_come_out_scaled(self) -> None:
        drawn = sky().astype(np.int16)
        content = fits_file(drawn, BSCALE=0.5, BZERO=100.0)
        plate = decode(content, "a.fits")
        np.testing.assert_array_equal(plate.samples, 100.0 + 0.5 * drawn)  # exact in float32
        assert plate.saturation == 100.0 + 0.5 * 32767

    @pytest.mark.parametrize("method", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
    def test_compressed_integers_come_out_exactly(self, method: str) -> None:
        drawn = sky()
        unit = fits.CompImageHDU(drawn, compression_type=method)
        np.testing.assert_array_equal(decode(fits_file(unit), "a.fits.fz").samples, drawn)

    def test_the_first_image_of_two_dimensions_is_taken(self) -> None:
        table = fits.BinTableHDU.from_columns([fits.Column("x", "E", array=np.ones(3))])
        content = fits_file(fits.PrimaryHDU(), table, np.ones(500, "f4"), sky(), sky(seed=2))
        np.testing.assert_array_equal(decode(content, "a.fits").samples, sky())

    @pytest.mark.parametrize("axis", [0, 2])
    def test_of_three_colour_planes_the_green_one_is_taken(self, axis: int) -> None:
        planes = np.stack([sky(seed=n) for n in range(3)], axis=axis)
        plate = decode(fits_file(planes), "a.fits", "RGGB")
        np.testing.assert_array_equal(plate.samples, sky(seed=1))
        assert plate.colours.tolist() == [[1]]

    def test_a_cube_of_one_plane_is_a_picture(self) -> None:
        np.testing.assert_array_equal(decode(fits_file(sky()[None]), "a.fits").samples, sky())

    @pytest.mark.parametrize(
        ("cards", "black"),
        [
            ({}, 0.0),
            ({"PEDESTAL": 300}, 300.0),
            ({"PEDESTAL": -300}, 300.0),
            ({"BLKLEVEL": 64.0}, 64.0),
            ({"BLACKLVL": 5000}, 0.0),  # above the picture: not in its units
            ({"PEDESTAL": "unknown"}, 0.0),
        ],
    )
    def test_black_is_what_the_header_says_and_the_picture_allows(
        self, cards: dict[str, object], black: float
    ) -> None:
        plate = decode(fits_file(sky(), **cards), "a.fits", "RGGB")
        assert plate.black.tolist() == [[black, black], [black, black]]

    def test_saturation_is_the_header_s_or_the_format_s_limit(self) -> None:
        assert decode(fits_file(sky(), SATURATE=4000), "a.fits").saturation == 4000
        assert decode(fits_file(sky()), "a.fits").saturation == 65535
        assert decode(fits_file(sky().astype("f4")), "a.fits").saturation == np.inf

    def test_a_hole_inside_counts_as_saturated_and_one_at_the_edge_as_sky(self) -> None:
        drawn = sky().astype(np.float32)
        drawn[50, 60] = 9000.0
        drawn[70:73, 80:83] = np.nan
        drawn[20, 20] = np.inf
        drawn[:, 150:] = np.nan
        plate = decode(fits_file(drawn), "a.fits")
        saturated = np.asarray(plate.samples, float) >= plate.saturation
        assert saturated.sum() == 11  # nine, the infinite one, and the brightest that is a number
        assert saturated[70:73, 80:83].all() and saturated[20, 20] and saturated[50, 60]
        assert (plate.samples[:, 150:] == np.median(drawn[np.isfinite(drawn)])).all()
        seen = np.isfinite(drawn)
        np.testing.assert_array_equal(plate.samples[seen], drawn[seen])

    @pytest.mark.parametrize("value", [1e30, -1e30, 3e38, 1e13])
    def test_what_no_sensor_counts_is_a_hole(self, value: float) -> None:
        drawn = sky().astype(np.float32)
        drawn[50, 60] = 9000.0
        drawn[70:73, 80:83] = value
        plate = decode(fits_file(drawn), "a.fits")
        assert (plate.samples[70:73, 80:83] == 9000.0).all()
        with pytest.raises(UnreadableError, match="no sample is a number"):
            decode(fits_file(np.full_like(drawn, value)), "a.fits")

    def test_what_is_too_small_to_be_squared_is_nothing(self) -> None:
        drawn = sky().astype(np.float32)
        drawn[:60] *= np.float32(1e-41)
        assert (decode(fits_file(drawn), "a.fits").samples[:60] == 0.0).all()

    def test_integers_with_a_blank_value_are_holes_too(self) -> None:
        drawn = sky().astype(np.int16)
        drawn[40, 40] = -1
        plate = decode(fits_file(drawn, BLANK=-1), "a.fits")
        assert np.isfinite(plate.samples).all()
        assert float(plate.samples[40, 40]) >= plate.saturation

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (fits_file(np.zeros((120, 160), np.uint16)), "blank, every sample is 0;"),
            (fits_file(np.full((120, 160), 3.5, np.float32)), "blank, every sample is 3.5;"),
            (fits_file(np.full((120, 160), np.nan, np.float32)), "no sample is a number"),
            (fits_file(sky())[:20000], "cut short"),
            (fits_file(fits.CompImageHDU(sky()))[:9000], "cut short"),
            (fits_file(sky())[:500], "the header has no end"),
            (fits_file(fits.PrimaryHDU()), "without a picture"),
            (fits_file(np.ones(500, "f4")), "without a picture"),
            (fits_file(sky((8, 8))), "no star frame"),
            (with_card(fits_file(sky()), "NAXIS1", "99999999"), "claims 99999999 x 120 samples"),
            (with_card(fits_file(sky()), "NAXIS1", "-160"), "NAXIS1 is below 0"),
            (with_card(fits_file(sky()), "NAXIS", "999999999999"), "claims 999999999999 axes"),
            (
                with_card(fits_file(sky()), "NAXIS", "'two'"),
                "NAXIS is no number that can be: 'two'",
            ),
            (with_card(fits_file(sky()), "BITPIX", "17"), "BITPIX 17"),
            (
                with_card(fits_file(fits.CompImageHDU(sky())), "ZNAXIS1", "999999999"),
                "claims 999999999 x 120 samples",
            ),
            (
                with_card(fits_file(fits.CompImageHDU(sky())), "ZCMPTYPE", "'X'"),
                "astropy failed on it",
            ),
        ],
    )
    def test_bad_files_are_one_line_that_names_the_file_and_the_mend(
        self, content: bytes, words: str
    ) -> None:
        with pytest.raises(UnreadableError, match=re.escape(words)) as told:
            decode(content, "DCIM/a.fits")
        line = str(told.value)
        assert line.startswith("DCIM/a.fits: ") and "leave it off the card" in line
        assert "\n" not in line

    @pytest.mark.parametrize(
        ("keyword", "value", "words"),
        [
            ("NAXIS1", "+160", ""),
            ("NAXIS", "+999999999", "claims 999999999 axes"),
            ("naxis", "999999999", "in small letters"),
            ("BITPIX", "16" + "0" * 21, "BITPIX is no number that can be"),
            ("NAXIS2", "9" * 30, "NAXIS2 is no number that can be"),
            ("NAXIS2", "9" * 18, "claims 160 x 999999999999999999 samples"),
            ("PCOUNT", "9" * 23, "PCOUNT is no number that can be"),
            ("GCOUNT", "1E300", "GCOUNT is no number that can be"),
            ("GCOUNT", "-1", "GCOUNT is below 0"),
        ],
    )
    def test_absurd_sizes_are_refused_from_the_header(
        self, keyword: str, value: str, words: str
    ) -> None:
        content = fits_file(fits.PrimaryHDU(), sky())
        at = content.rindex(f"{keyword.upper():8}=".encode())
        card = f"{keyword:8}= {value:>20}".ljust(80).encode()
        content = content[:at] + card + content[at + 80 :]
        if not words:
            np.testing.assert_array_equal(decode(content, "a.fits").samples, sky())
            return
        with pytest.raises(UnreadableError, match=r"^a\.fits: .*; .*leave it off the card") as told:
            decode(content, "a.fits")
        assert words in str(told.value)

    @pytest.mark.parametrize(
        ("keyword", "value", "words"),
        [
            ("TFIELDS", "112", "a picture in 112 columns"),
            ("TFIELDS", "5000", "claims 5000 columns"),
            ("ZTILE1", "1E300", "ZTILE1 is no number that can be"),
            ("ZTILE1", "0", "tiles of 0"),
            ("ZTILE2", "2000000000", "tiles of 2000000000"),
            ("ZNAME1", "42", "ZNAME1 is no text"),
            ("ZBITPIX", "17", "ZBITPIX 17"),
            ("ZNAXIS2", "9999", "9999 tiles in 120 rows"),
            ("ZNAXIS2", "999999", "999999 tiles in 120 rows"),
            ("PCOUNT", "999999999", "cut short"),
        ],
    )
    def test_absurd_claims_of_a_compressed_picture_are_refused_from_its_header(
        self, keyword: str, value: str, words: str
    ) -> None:
        whole = fits_file(fits.CompImageHDU(sky(), compression_type="RICE_1"))
        content = with_card(whole, keyword, value)
        assert content != whole
        with pytest.raises(UnreadableError, match=r"^a\.fits\.fz: ") as told:
            decode(content, "a.fits.fz")
        assert words in str(told.value)

    def test_hidden_units_after_the_picture_are_never_looked_into(self) -> None:
        whole = fits_file(fits.PrimaryHDU(), sky(), sky(seed=2))
        at = whole.rindex(b"NAXIS   =")
        content = whole[:at] + b"NAXIS   = 99999999999".ljust(80) + whole[at + 80 :]
        np.testing.assert_array_equal(decode(content, "a.fits").samples, sky())

    def test_white_all_over_is_readable_and_saturated(self) -> None:
        plate = decode(fits_file(np.full((120, 160), 65535, np.uint16)), "a.fits")
        assert (np.asarray(plate.samples, float) >= plate.saturation).all()

    @pytest.mark.slow
    def test_random_damage_is_refused_or_read_and_nothing_else(self) -> None:
        """Warnings are errors here, so that none gets out either."""
        rng = np.random.default_rng(11)
        seeds = [
            fits_file(sky((48, 64))),
            fits_file(sky((48, 64)).astype("f4")),
            fits_file(fits.CompImageHDU(sky((48, 64)))),
            fits_file(fits.CompImageHDU(sky((48, 64)).astype("f4"))),
        ]
        refused = 0
        for n in range(400):
            damaged = bytearray(seeds[n % len(seeds)])
            for place in rng.integers(10, min(len(damaged), 9000), 4):
                damaged[place] = rng.integers(32, 127)
            try:
                decode(bytes(damaged), "a.fits", "RGGB")
            except UnreadableError:
                refused += 1
        assert 40 < refused < 400  # the damage reaches headers, and not only them


class TestFailures:
    """Expected damage, a library that stumbles, and a fault of our own are told apart."""

    def test_a_library_that_stumbles_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def stumbles(*_: object, **__: object) -> None:
            raise AssertionError("out of step\nat row 3")

        monkeypatch.setattr("skyplumb.intake.fits_file.fits.open", stumbles)
        with pytest.raises(
            UnreadableError, match=r"^a\.fits: astropy failed on it \(out of step at row 3\); copy"
        ):
            decode(fits_file(sky()), "a.fits")

    @pytest.mark.parametrize("make", [dng, fits_file])
    def test_a_fault_of_our_own_is_not_taken_for_damage(
        self, monkeypatch: pytest.MonkeyPatch, make: Callable[..., bytes]
    ) -> None:
        def at_fault(*_: object) -> float:
            raise KeyError("ours")

        monkeypatch.setattr("skyplumb.measure.decode.clipping_level", at_fault)
        with pytest.raises(KeyError, match="ours"):
            decode(make(sky()), "a.dng")

    @pytest.mark.parametrize("make", [dng, fits_file])
    def test_memory_that_runs_short_is_not_called_damage(
        self, monkeypatch: pytest.MonkeyPatch, make: Callable[..., bytes]
    ) -> None:
        def short(_: object) -> None:
            raise MemoryError

        content = make(sky())
        monkeypatch.setattr("skyplumb.intake.fits_file.io.BytesIO", short)
        with pytest.raises(UnreadableError, match=r"not enough memory.*--jobs") as told:
            decode(content, "a.dng")
        assert "damaged" not in str(told.value)

    @pytest.mark.parametrize(
        "content",
        [
            fits_file(sky((1200, 1600))),
            fits_file(fits.CompImageHDU(sky((1200, 1600)))),
            dng(sky((1200, 1600)), lossless_jpeg=True),
        ],
        ids=["fits", "fz", "dng"],
    )
    def test_a_picture_over_the_memory_cap_is_refused_by_name_and_mend(
        self, content: bytes
    ) -> None:
        cap = 205_000_000
        with pytest.raises(UnreadableError, match=r"^a: the .*header claims 1600 x 1200") as told:
            decode(content, "a", cap_bytes=cap)
        assert "0.2 GB are allowed; leave it off the card, or allow more memory" in str(told.value)
        assert decode(content, "a").samples.shape == (1200, 1600)

    def test_a_small_dng_that_claims_a_giant_picture_is_refused_before_memory_is_taken(
        self,
    ) -> None:
        content = dng(sky((480, 640)), lossless_jpeg=True)
        for tag, side in ((256, 640), (257, 480)):  # TIFF 6: ImageWidth, ImageLength
            old = [struct.pack("<HHII", tag, kind, 1, side) for kind in (3, 4)]
            (found,) = [one for one in old if content.count(one) == 1]
            content = content.replace(found, struct.pack("<HHII", tag, 4, 1, 32_000))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        with pytest.raises(UnreadableError, match="claims 32000 x 32000 samples, which takes"):
            decode(content, "a.dng")
        # The samples alone would be two million kilobytes.
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


class TestMosaic:
    def mosaic(
        self, levels: tuple[float, float, float, float], seed: int = 2
    ) -> NDArray[np.float64]:
        """Four phase levels in array order, noise 15, a gradient and a bright blob over them."""
        rng = np.random.default_rng(seed)
        drawn = rng.normal(0.0, 15.0, (400, 600)) + np.linspace(0.0, 200.0, 600)
        drawn[100:140, 200:260] += 5000.0
        for n, level in enumerate(levels):
            drawn[n // 2 :: 2, n % 2 :: 2] += level
        return drawn

    def test_a_claim_that_the_levels_bear_out_stands(self) -> None:
        assert mosaic_of(self.mosaic((600, 700, 700, 640)), "RGGB").tolist() == RGGB
        assert mosaic_of(self.mosaic((700, 640, 600, 700)), "GBRG").tolist() == [[1, 2], [0, 1]]

    def test_a_claim_for_the_other_order_of_rows_is_turned_over(self) -> None:
        drawn = self.mosaic((600, 700, 700, 640))[::-1]
        assert mosaic_of(drawn, "RGGB").tolist() == [[1, 2], [0, 1]]

    def test_a_claim_stands_where_the_levels_do_not_tell(self) -> None:
        for levels in ((700, 700, 700, 700), (690, 700, 700, 690), (700, 710, 708, 703)):
            assert mosaic_of(self.mosaic(levels), "GBRG").tolist() == [[1, 2], [0, 1]]

    def test_slightly_unequal_greens_do_not_overturn_a_claim(self) -> None:
        """Greens 1 % apart, red and blue alike: the equal pair is not the green one."""
        assert mosaic_of(self.mosaic((550, 700, 707, 550.5)), "RGGB").tolist() == RGGB

    def test_without_a_claim_clear_levels_make_a_mosaic(self) -> None:
        assert mosaic_of(self.mosaic((600, 700, 700, 640)))[0, 1] == 1
        assert mosaic_of(self.mosaic((600, 700, 700, 600)))[0, 1] == 1
        assert mosaic_of(self.mosaic((700, 640, 600, 700)))[0, 0] == 1

    @pytest.mark.parametrize(
        "levels",
        [(700, 700, 700, 700), (700, 720, 700, 720), (700, 700, 720, 720), (700, 720, 720, 740)],
        ids=["even", "columns", "rows", "both"],
    )
    def test_a_mono_sensor_with_uneven_amplifiers_stays_mono(
        self, levels: tuple[float, float, float, float]
    ) -> None:
        assert mosaic_of(self.mosaic(levels)).tolist() == [[1]]

    def test_one_channel_with_a_trace_of_a_lattice_is_no_mosaic(self) -> None:
        # A twenty-fifth of the noise, clear over so many cells: interpolation leaves as much.
        assert mosaic_of(self.mosaic((700, 700.6, 700.6, 700))).tolist() == [[1]]
        assert mosaic_of(self.mosaic((700, 702.0, 702.0, 700)))[0, 1] == 1

    @pytest.mark.parametrize("claim", ["", "COLOR", "RGB", "RRGB", "CYGM", "GRGB"])
    def test_what_is_no_colour_order_counts_as_no_claim(self, claim: str) -> None:
        assert mosaic_of(self.mosaic((700, 700, 700, 700)), claim).tolist() == [[1]]

    def test_few_levels_and_small_scales_do_not_confuse_it(self) -> None:
        drawn = self.mosaic((600, 700, 700, 640))
        assert mosaic_of(drawn / 65535.0).tolist() == mosaic_of(drawn).tolist()
        coarse = (drawn / 16.0).round().astype(np.uint16)
        assert mosaic_of(coarse).tolist() == mosaic_of(drawn).tolist()


class TestClipping:
    def stars(self, ceiling: float, seed: int = 3) -> NDArray[np.uint16]:
        """Stars of a steep brightness distribution on a noisy sky, cut at the ceiling."""
        rng = np.random.default_rng(seed)
        drawn = rng.normal(700.0, 15.0, (800, 1200))
        profile = np.exp(-(np.arange(-8, 9) ** 2) / 4.5)
        for flux in 100.0 * rng.pareto(0.9, 600):
            y, x = rng.integers(8, 792), rng.integers(8, 1192)
            drawn[y - 8 : y + 9, x - 8 : x + 9] += flux * np.outer(profile, profile)
        top = min(ceiling, 60000.0)
        if not np.isfinite(ceiling):  # not cut: the brightest star's peak is made to fit
            bright = drawn > 1000.0
            drawn[bright] = 1000.0 + (drawn[bright] - 1000.0) * (59000.0 / (drawn.max() - 1000.0))
        return np.minimum(drawn, top).round().astype(np.uint16)

    def test_a_pile_of_star_cores_gives_the_level(self) -> None:
        level = clipping_level(self.stars(15200.0))
        assert 15200 - 0.015 * 15200 < level <= 15200  # one to two steps of 0.5 % below the pile

    def test_a_few_hot_sites_above_do_not_hide_it(self) -> None:
        drawn = self.stars(15200.0)
        drawn[5, 5], drawn[300, 7] = 15500, 15900
        assert 15200 - 0.015 * 15900 < clipping_level(drawn) <= 15200

    @pytest.mark.parametrize("seed", range(5))
    def test_stars_that_are_not_cut_have_none(self, seed: int) -> None:
        assert clipping_level(self.stars(np.inf, seed)) == np.inf

    @pytest.mark.parametrize("spread", [0.4, 1.0, 15.0])
    def test_noise_alone_has_none(self, spread: float) -> None:
        noise = np.random.default_rng(8).normal(512.0, spread, (500, 500))
        assert clipping_level(noise.round().astype(np.uint16)) == np.inf
        assert clipping_level((16 * noise.round()).astype(np.uint16)) == np.inf
        assert clipping_level(noise.astype(np.float32)) == np.inf


class TestRealFrames:
    """Cut from real frames (tests/data/real, licence beside them)."""

    @pytest.mark.parametrize("name", ["unsolved.fits", "solved.fits.fz"])
    @pytest.mark.parametrize("claim", ["", "RGGB", "GBRG"])
    def test_the_greens_are_where_the_levels_say(self, name: str, claim: str) -> None:
        """Their header claims RGGB; the equal phases are the first and the last."""
        plate = decode((REAL / name).read_bytes(), name, claim)
        assert plate.samples.shape == (700, 700) and plate.samples.dtype == np.uint16
        assert plate.colours[0, 0] == plate.colours[1, 1] == 1
        assert sorted([plate.colours[0, 1], plate.colours[1, 0]]) == [0, 2]
        if claim:
            # The header's MEASRGGB has more signal in blue than in red, as these sites do.
            assert plate.colours.tolist() == [[1, 2], [0, 1]]

    @pytest.mark.parametrize("name", ["unsolved.fits", "solved.fits.fz", "pole.fits"])
    def test_the_pile_of_saturated_samples_is_found(self, name: str) -> None:
        """A hundred samples or more stand at 13583 and a handful of hot ones above it (counted)."""
        plate = decode((REAL / name).read_bytes(), name)
        assert 13400 < plate.saturation <= 13583
        assert 100 <= (np.asarray(plate.samples, float) >= plate.saturation).sum() < 400

    def test_a_real_frame_that_is_not_saturated_has_only_the_format_s_limit(self) -> None:
        assert decode((REAL / "rotation.fits").read_bytes(), "rotation.fits").saturation == 65535
