"""Headers that tell a wrong focal length or pixel size: fields whose stars astropy placed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from resolved import one_night
from skyplumb.calibrate import lens_search
from skyplumb.calibrate.light import Light, lens_key
from skyplumb.calibrate.session import point_session
from skyplumb.calibrate.told_lens import as_marked
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import load_rules
from skyplumb.output.table import session_result
from skyplumb.records import STAR_DTYPE, Measure, ShotInfo
from skyplumb.season.sessions import label_of
from skyplumb.session_task import judge_session
from starfields import FOCAL, HEIGHT, NIGHT, WIDTH, Shot, exposure, no_downloads

__all__ = ["no_downloads"]

PIXEL_UM = 5.0
TRUE_MM = FOCAL * PIXEL_UM / 1000
ASTROPY_ARCSEC = 60.0
"""Frames without a clock are placed as refraction and aberration shift them, see test_pointing."""


def light(measure: Measure, number: int, told_mm: float, lens: str = "") -> Light:
    """A frame whose header tells a lens and the right pixel size."""
    info = ShotInfo("Vesna Tarn", "T1", lens, focal_mm=told_mm, pixel_um=PIXEL_UM)
    return Light(
        replace(measure, file=f"{number}.fits", info=info),
        ShotNotes(info),
        None,
        float(number),
        False,
    )


def frames(told_mm: float, true_px: Sequence[float], first: int = 0, lens: str = "") -> list[Light]:
    """Frames of one header, with the true focal length of each."""
    return [
        light(exposure(Shot(), focal=px, seed=first + n).measure, first + n, told_mm, lens)
        for n, px in enumerate(true_px)
    ]


def wrong(lines: Sequence[str]) -> list[str]:
    return [line for line in lines if "header is wrong" in line]


def assert_points_right(one: Light, focal_px: float = FOCAL) -> None:
    found = SkyCoord(one.pointing.ra_deg * u.deg, one.pointing.dec_deg * u.deg)
    assert found.separation(Shot().centre()).arcsec < ASTROPY_ARCSEC
    assert one.pointing.camera is not None
    assert one.pointing.camera.focal_px == pytest.approx(focal_px, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("times", [0.25, 0.5, 0.7, 1.4, 2.0, 4.0])
def test_a_wrong_focal_length_costs_no_sky_and_is_told_with_the_one_that_fits(times: float) -> None:
    lights, lines = point_session(frames(times * TRUE_MM, [FOCAL] * 3), lambda line: None)
    for one in lights:
        assert_points_right(one)
    (line,) = wrong(lines)
    # 1e-3 of 25.0 mm; the pixel size that fits the header's focal length is in proportion.
    assert "25 mm at that pixel size" in line
    assert f"pixels of {PIXEL_UM * times:.3g} µm" in line
    assert "3 frames" in line and "0.fits" in line


@pytest.mark.parametrize("times", [0.95, 1.0, 1.05])
def test_a_header_that_is_right_as_lenses_are_marked_is_not_called_wrong(times: float) -> None:
    lights, lines = point_session(frames(times * TRUE_MM, [FOCAL]), lambda line: None)
    assert_points_right(lights[0])
    assert not wrong(lines)


@pytest.mark.slow
def test_two_pixel_sizes_under_one_header_are_two_lenses_and_each_is_pointed() -> None:
    # Every second picture is cropped and enlarged to the size of the others.
    true_px = [FOCAL, 2 * FOCAL] * 3
    lights, lines = point_session(frames(TRUE_MM, true_px), lambda line: None)
    for one, px in zip(lights, true_px, strict=True):
        assert_points_right(one, px)
    keys = [lens_key(one) for one in lights]
    assert len(set(keys[::2])) == len(set(keys[1::2])) == 1 and keys[0] != keys[1]
    (line,) = wrong(lines)
    assert "1.fits, 3.fits, 5.fits)" in line and "50 mm at that pixel size" in line


@pytest.mark.broad
def test_the_bodys_next_lens_starts_from_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []
    plain = lens_search.plate_solve

    def plate_solve(measure: Measure, focal_px: float, *rest: object) -> object:
        asked.append(focal_px)
        return plain(measure, focal_px, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(lens_search, "plate_solve", plate_solve)
    # All pictures were binned two by two, and the header has the pixels of the whole.
    first = frames(2 * TRUE_MM, [FOCAL], lens="short")
    second = frames(3 * TRUE_MM, [1.5 * FOCAL] * 2, first=1, lens="long")
    lights, lines = point_session([*first, *second], lambda line: None)
    for one, px in zip(lights, [FOCAL, 1.5 * FOCAL, 1.5 * FOCAL], strict=True):
        assert_points_right(one, px)
    assert len(wrong(lines)) == 2
    # One frame of all was sought at every scale.
    assert np.isnan(asked).sum() == 1


@pytest.mark.slow
def test_points_by_lot_say_nothing_against_a_header() -> None:
    rng = np.random.default_rng(5)
    strewn = []
    for n in range(4):
        stars = np.zeros(200, STAR_DTYPE)
        stars["x"], stars["y"] = rng.uniform(0, [[WIDTH], [HEIGHT]], (2, 200))
        stars["flux"] = np.sort(10 ** rng.uniform(2, 5, 200))[::-1]
        stars["snr"], stars["mxx"], stars["myy"] = 60.0, 1.2, 1.2
        measure = Measure("", "light", "", width_px=WIDTH, height_px=HEIGHT, stars=stars)
        strewn.append(light(measure, n, TRUE_MM))
    lights, lines = point_session(strewn, lambda line: None)
    assert not any(one.pointing.solved for one in lights)
    assert not wrong(lines)


@pytest.mark.parametrize(
    "marked_mm", [8, 10.5, 14, 20, 24, 35, 50, 55, 85, 100, 105, 135, 180, 200, 300, 400, 600]
)
def test_focal_lengths_are_named_as_lenses_are_marked(marked_mm: float) -> None:
    # Common practice, no source; a focus or a temperature moves them by some tenths of a per cent.
    for share in (0.996, 1.0, 1.004):
        assert as_marked(share * marked_mm) == marked_mm


@pytest.mark.slow
def test_a_lens_that_tells_nothing_goes_by_its_stars_under_one_name_everywhere() -> None:
    # f = 206265 p / s: 9.167 arcsec/px on pixels of 6.0 um are 135 mm.
    focal_px = 206265 / 9.167
    measures = []
    for n in range(6):
        measure = exposure(Shot(), focal=focal_px if n else FOCAL, seed=n, faint=9.0).measure
        stars = measure.stars.copy()
        stars["kurt"] = 2.0
        info = ShotInfo("Vesna Tarn", "T1", exposure_s=60.0, iso=800)
        if n == 0:
            info = replace(info, lens="Short", focal_mm=30.0, pixel_um=6.0, fnumber=2.8)
        info = replace(info, clock=NIGHT + timedelta(seconds=70 * n))
        measures.append(replace(measure, file=f"{n}.fits", info=info, kind="light", stars=stars))
    session = one_night(measures)
    judged, excluded, lines = judge_session(session, load_rules(None), lambda line: None)
    told = session_result(session, judged, excluded, (), load_rules(None), lines)
    name = "135 mm (by the stars)"
    assert {row.lens for row in told.rows} == {"Short", name}
    assert {row.focal_mm for row in told.rows} == {30.0, 135.0}
    run = next(one for one in told.summary.runs if one.lens == name)
    assert run.focal_mm == 135.0 and run.shots == 5 and "135mm" in run.run
    assert label_of(run.lens, run.focal_mm) == name
    assert not wrong(lines)
