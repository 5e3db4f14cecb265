"""What a card may hold besides good frames: each costs its row, and nothing else is lost."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from skyplumb.demo import (
    Body,
    DrawnExposure,
    DrawnRun,
    DrawnSite,
    Lens,
    Mount,
    Night,
    Sky,
    Sway,
    draw_frame,
)
from smallcard import MOOR, Finished, change_exif

Command = Callable[..., Finished]

pytestmark = pytest.mark.broad

SHAPE = (480, 640)
GOOD = [f"MIST_000{n}.dng" for n in (1, 2, 3)]


def write_fits(path: Path, samples: NDArray[Any], minute: int, **cards: object) -> None:
    """A frame of a camera of its own, one a minute."""
    image = fits.PrimaryHDU(samples)
    image.header["INSTRUME"] = "Stumpf"
    image.header["DATE-OBS"] = f"2026-09-12T20:{minute:02d}:00"
    image.header["EXPTIME"] = 50.0
    image.header["PEDESTAL"] = 512
    image.header["FOCALLEN"], image.header["XPIXSZ"] = 24.0, 30.0  # so that no scale is tried
    image.header.update(cards)
    image.writeto(path)


def with_card(path: Path, keyword: str, value: str) -> None:
    """Put another value into a header as it stands on disk, sense or not."""
    data = bytearray(path.read_bytes())
    at = data.index(f"{keyword:8}=".encode())
    data[at : at + 80] = f"{keyword:8}= {value:>20}".ljust(80).encode()
    path.write_bytes(data)


@pytest.fixture(scope="module")
def wreck(small_card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three good frames among everything that can go wrong."""
    card = tmp_path_factory.mktemp("wreck") / "card"
    card.mkdir()
    for name in GOOD:
        shutil.copy2(small_card / MOOR / name, card / name)
    whole = (card / GOOD[0]).read_bytes()
    (card / "cut.dng").write_bytes(whole[: len(whole) // 2])
    (card / "empty.nef").touch()
    (card / "text.CR2").write_text("no picture\n" * 100, encoding="utf-8")
    (card / "gone.arw").symlink_to(card / "nowhere.arw")
    rng = np.random.default_rng(3)
    sky = rng.normal(800, 15, SHAPE).astype(np.uint16)
    height, width = SHAPE
    draw = partial(draw_frame, width_px=width, height_px=height, pattern="", sky_e=200.0)
    holes = draw(stars=60).mosaic.astype(np.float32)
    holes[100:120, 200:230] = np.nan
    holes[:, -40:] = np.nan
    middle = np.array([[width / 2, height / 2]])
    pictures: dict[str, NDArray[Any]] = {
        "black.fits": np.zeros(SHAPE, np.uint16),
        "white.fits": np.full(SHAPE, 65535, np.uint16),
        "starless.fits": sky,
        "one-star.fits": draw(stars=1, positions=middle, snr=(300, 300)).mosaic,
        "holes.fits": holes,
        "only-holes.fits": np.full(SHAPE, np.nan, np.float32),
        "streaks.fits": draw(stars=40, sway=Sway(300.0, 20.0), snr=(100, 900)).mosaic,
    }
    for minute, (name, samples) in enumerate(pictures.items()):
        write_fits(card / name, samples, minute)
    for name in ("headless.fits", "absurd.fits", "huge.fits"):
        write_fits(card / name, sky, 30)
    with_card(card / "headless.fits", "BITPIX", "'what'")
    with_card(card / "absurd.fits", "NAXIS", "987654321")
    with_card(card / "huge.fits", "NAXIS1", "2000000000")
    whole = (card / "starless.fits").read_bytes()
    (card / "cut.fits").write_bytes(whole[: len(whole) // 3])
    return card


@pytest.fixture(scope="module")
def wreckage(wreck: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Finished]:
    """Where the one audit of it is kept for all the tests here."""
    return []


@pytest.fixture
def done(
    wreck: Path,
    wreckage: list[Finished],
    skyplumb: Command,
    tmp_path_factory: pytest.TempPathFactory,
) -> Finished:
    """That card audited."""
    if not wreckage:
        wreckage.append(skyplumb("audit", wreck, "--out", tmp_path_factory.mktemp("out")))
    return wreckage[0]


@pytest.mark.slow
def test_nothing_that_can_be_measured_is_lost(done: Finished, wreck: Path) -> None:
    assert done.code == 0
    assert set(done.rows) == {path.name for path in wreck.iterdir()}
    assert {done.rows[name]["verdict"] for name in GOOD} == {"keep"}


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("cut.dng", "damaged or cut short"),
        ("cut.fits", "cut short"),
        ("empty.nef", "empty"),
        ("text.CR2", "no picture that can be read"),
        ("gone.arw", "no such file"),
        ("headless.fits", "FITS"),
        ("absurd.fits", "987654321 axes"),
        ("huge.fits", "2000000000"),
        ("only-holes.fits", "no sample is a number"),
        ("black.fits", "blank"),
    ],
)
def test_a_file_that_cannot_be_read_is_a_row_with_what_is_wrong_and_the_mend(
    done: Finished, file: str, words: str
) -> None:
    row = done.rows[file]
    assert row["kind"] == "unreadable"
    assert row["reason"] and file not in row["reason"]  # it stands in the row
    assert words in row["reason"]
    assert "; " in row["reason"], "no mend in it"
    assert row["verdict"] == row["stars"] == ""


@pytest.mark.parametrize("file", ["white.fits", "starless.fits", "one-star.fits", "streaks.fits"])
def test_a_picture_without_stars_to_measure_is_rejected_for_that(done: Finished, file: str) -> None:
    row = done.rows[file]
    assert (row["kind"], row["verdict"]) == ("light", "reject")
    assert "stars" in row["reason"] or "trailed" in row["reason"]
    # Whatever else is known of it, no trail was measured on fewer than ten stars.
    assert row["trail_px"] == ""


def test_one_star_is_counted_as_one(done: Finished) -> None:
    assert done.rows["one-star.fits"]["stars"] == "1"
    assert done.rows["starless.fits"]["stars"] == "0"


def test_stars_beside_holes_in_a_float_picture_are_measured(done: Finished) -> None:
    row = done.rows["holes.fits"]
    assert row["kind"] == "light"
    # Of 60 drawn, some stand in the 40 columns and the patch that are holes (about 5).
    assert 45 <= int(row["stars"]) <= 60
    # Drawn 2.5 px wide and caught in square pixels (variance 1/12 px^2 more, 0.46 px^2 in FWHM
    # squared): 2.59; a twentieth for the profile and the noise of 60 stars.
    assert float(row["fwhm_px"]) == pytest.approx(2.59, rel=0.05)


def test_two_cameras_on_one_card_are_two_sessions(done: Finished) -> None:
    sessions = {done.rows[name]["session"] for name in GOOD}
    assert len(sessions) == 1
    assert done.rows["starless.fits"]["session"] not in sessions


def test_unknown_is_empty_and_never_nan(done: Finished) -> None:
    for row in done.rows.values():
        values = {value.casefold() for name, value in row.items() if name != "cause"}
        assert not values & {"nan", "inf", "-inf", "none", "nat"}


def test_fewer_than_five_frames_are_judged(done: Finished) -> None:
    runs = {done.rows[name]["run"] for name in GOOD}
    assert len(runs) == 1
    for name in GOOD:
        assert float(done.rows[name]["trail_px"]) < 0.5  # nothing moved when they were drawn


# What the metadata may lack


ODDITIES = ("no-zone", "no-lens", "bulb", "clock")


@pytest.fixture(scope="module")
def oddities(small_card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same three frames from four bodies, each with other words missing or wrong."""
    card = tmp_path_factory.mktemp("oddities") / "card"
    for folder in ODDITIES:
        (card / folder).mkdir(parents=True)
        for name in GOOD:
            path = Path(shutil.copy2(small_card / MOOR / name, card / folder / name))
            change_exif(path, BodySerialNumber=f"LM-{ODDITIES.index(folder)}0000")
            if folder == "no-zone":
                change_exif(path, OffsetTimeOriginal=None)
            if folder == "no-lens":
                change_exif(path, FocalLength="0/1", FNumber="0/1", LensModel="")
            if folder == "bulb":
                change_exif(path, ExposureTime=None)
    change_exif(card / "clock" / GOOD[2], DateTimeOriginal="2026:09:12 20:31:15")
    return card


@pytest.fixture(scope="module")
def told() -> list[Finished]:
    """Where the one audit of it is kept for the tests below."""
    return []


@pytest.fixture
def odd(
    oddities: Path,
    told: list[Finished],
    skyplumb: Command,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
) -> Finished:
    """That card audited."""
    # Four bodies never take one picture, as they do here: it would be one shot and its copies.
    monkeypatch.setattr("skyplumb.night.sessions.find_copies", lambda *_: {})
    if not told:
        told.append(skyplumb("audit", oddities, "--out", tmp_path_factory.mktemp("out")))
    return told[0]


def rows_of(done: Finished, folder: str) -> list[dict[str, str]]:
    return [done.rows[f"{folder}/{name}"] for name in GOOD]


def notices_of(done: Finished, folder: str) -> str:
    session = rows_of(done, folder)[0]["session"]
    summary = json.loads((done.out / session / "summary.json").read_text("utf-8"))
    return " ".join(summary["sessions"][0]["notices"])


@pytest.mark.slow
def test_each_body_is_a_session_although_the_model_is_one(odd: Finished) -> None:
    assert odd.code == 0, odd.stderr
    assert len({row["session"] for row in odd.rows.values()}) == len(ODDITIES)


def test_without_a_zone_utc_stays_empty_and_the_page_says_so(odd: Finished) -> None:
    for row in rows_of(odd, "no-zone"):
        assert row["taken_camera"].startswith("2026:09:12 22:")
        assert row["taken_utc"] == row["altitude_deg"] == row["azimuth_deg"] == ""
        assert (row["solved"], row["verdict"]) == ("true", "keep")
    assert "time zone" in notices_of(odd, "no-zone")
    assert "utc_offset_h" in notices_of(odd, "no-zone")
    assert "time zone" not in notices_of(odd, "bulb")
    page = odd.out / rows_of(odd, "no-zone")[0]["session"] / "report.html"
    assert "time zone of the camera" in page.read_text("utf-8")


def test_without_a_site_altitude_stays_empty_and_the_page_says_so(odd: Finished) -> None:
    for row in rows_of(odd, "bulb"):
        assert row["taken_utc"]
        assert row["altitude_deg"] == row["azimuth_deg"] == ""
    assert "site is unknown" in notices_of(odd, "bulb")


def test_a_lens_without_electronics_gets_its_scale_from_the_sky(odd: Finished) -> None:
    for row in rows_of(odd, "no-lens"):
        # The body's pixels are known from the card's other frames.
        assert (row["lens"], row["focal_mm"]) == ("24 mm (by the stars)", "24")
        assert row["aperture"] == ""
        assert (row["solved"], row["verdict"]) == ("true", "keep")
        # 206265 * 16 um / 24 mm; to a hundredth, as three frames fit lens and distortion at once.
        assert float(row["scale_arcsec_px"]) == pytest.approx(137.5, rel=0.01)


def test_a_missing_bulb_time_is_left_empty_and_the_frames_are_judged(odd: Finished) -> None:
    for row in rows_of(odd, "bulb"):
        assert row["exposure_s"] == ""
        assert row["run"].endswith("time-unknown")
        assert row["verdict"] == "keep"


def test_a_clock_that_jumps_back_loses_no_frame(odd: Finished) -> None:
    rows = rows_of(odd, "clock")
    assert len({row["session"] for row in rows}) == 1
    assert {row["verdict"] for row in rows} == {"keep"}
    assert rows[2]["taken_utc"] == "2026-09-12T18:31:15.000Z"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("notes", "words"),
    [
        # Half past eight in the morning at the site.
        ("site: {latitude_deg: 47.2, longitude_deg: 11.8}\nclock: {utc_offset_h: -10}", "by day"),
        # Swan and Cassiopeia do not rise so far south.
        ("site: {latitude_deg: -75.0, longitude_deg: 11.8}", "below the horizon"),
    ],
)
def test_a_clock_or_site_that_cannot_be_is_said_and_not_used(
    skyplumb: Command, audited: Finished, small_card: Path, tmp_path: Path, notes: str, words: str
) -> None:
    shutil.copytree(audited.out / ".skyplumb", tmp_path / "out" / ".skyplumb")
    (tmp_path / "wrong.yaml").write_text(notes, encoding="utf-8")
    done = skyplumb(
        "audit", small_card, "--out", tmp_path / "out", "--notes", tmp_path / "wrong.yaml"
    )
    assert done.code == 0
    lights = [row for row in done.rows.values() if row["kind"] == "light"]
    assert {row["altitude_deg"] for row in lights} == {""}
    assert {row["solved"] for row in lights} == {"true"}
    (path,) = done.out.glob("*/summary.json")
    (session,) = json.loads(path.read_text("utf-8"))["sessions"]
    assert any("clock or the site is wrong" in one and words in one for one in session["notices"])


# FITS in its varieties


TARGET = (313.0, 40.0)


@pytest.fixture(scope="module")
def observatory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three frames of a monochrome sensor, as float and mirrored, and as compressed integers."""
    card = tmp_path_factory.mktemp("observatory") / "card"
    card.mkdir()
    body = Body("K", "Kauz", "", width_px=1200, height_px=800, pixel_um=16.0, pattern="")
    lens = Lens("", 24.0, 2.0, fwhm_px=2.6)
    start = datetime(2026, 9, 12, 20, 0)
    run = DrawnRun(lens, start, 60.0, 3, ra_deg=TARGET[0], dec_deg=TARGET[1], roll_deg=30.0)
    sky = Sky(mag_arcsec2=18.5, satellites_per_h=0.0)
    night = Night(DrawnSite(47.2, 11.8), body, Mount(), (run,), sky, faint_to_mag=8.0, seed=9)
    for number in range(3):
        mosaic = DrawnExposure(night, 0, number).draw()
        began = start + timedelta(seconds=run.start_of(number))
        header = fits.Header(
            {
                "IMAGETYP": "Light Frame",
                "DATE-OBS": began.isoformat(),
                "EXPTIME": 60.0,
                "FOCALLEN": 24.0,
                "XPIXSZ": 16.0,
                "SITELAT": 47.2,
                "SITELONG": 11.8,
                "PEDESTAL": 512,
            }
        )
        flipped = np.ascontiguousarray(mosaic[:, ::-1]).astype(np.float32)
        mirrored = fits.PrimaryHDU(flipped, header)
        mirrored.header["INSTRUME"] = "Spiegel"
        mirrored.writeto(card / f"mirrored{number}.fit")
        packed = fits.CompImageHDU(mosaic, header, compression_type="RICE_1")
        packed.header["INSTRUME"] = "Kauz K"
        fits.HDUList([fits.PrimaryHDU(), packed]).writeto(card / f"packed{number}.fits.fz")
    return card


@pytest.mark.slow
def test_mirrored_float_and_compressed_fits_point_where_they_were_drawn(
    skyplumb: Command, observatory: Path, tmp_path: Path
) -> None:
    done = skyplumb("audit", observatory, "--out", tmp_path)
    assert done.code == 0, done.stderr
    assert len({row["session"] for row in done.rows.values()}) == 2
    for row in done.rows.values():
        assert (row["kind"], row["solved"], row["verdict"]) == ("light", "true", "keep")
        # As for the small card: half a pixel, 0.02 deg.
        assert float(row["ra_deg"]) == pytest.approx(TARGET[0], abs=0.02)
        assert float(row["dec_deg"]) == pytest.approx(TARGET[1], abs=0.02)
        # Up is up in a mirror, too; a degree is 7 px at the edge.
        assert float(row["roll_pa_deg"]) == pytest.approx(30.0, abs=1.0)
        assert row["taken_utc"].startswith("2026-09-12T20:0")
        assert 45 < float(row["altitude_deg"]) < 90
