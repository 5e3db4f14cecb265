"""Panels of a mosaic, by the solved sky: a drawn mosaic of twelve, and pairs of pointings."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from bench.sketch import sketched
from resolved import one_night
from skyplumb.demo import (
    Body,
    Clock,
    DrawnExposure,
    DrawnRun,
    DrawnSite,
    Knock,
    Lens,
    Mount,
    Night,
    Sky,
)
from skyplumb.intake.rules import load_rules
from skyplumb.output.files import Targets, write_session
from skyplumb.output.page.mosaics import mosaics
from skyplumb.output.page.session import render, session_page
from skyplumb.output.panels import LOW_DEG, Panel, panels_csv
from skyplumb.output.result import SessionResult
from skyplumb.output.table import session_result
from skyplumb.session_task import judge_session
from skyplumb.summary import read_summary

pytestmark = pytest.mark.broad

COLUMNS, ROWS, FRAMES = 4, 3, 3
STEP = 0.75
"""Of a field's side from one panel to the next."""
WIDE, TALL = 1500, 1000
BODY = Body("Vesna", "Tarn", "T1", width_px=WIDE, height_px=TALL, pixel_um=15.6)
LONG = Lens("Tarn Bench 135mm", 135.0, 2.8, fwhm_px=2.2)
SHORT = Lens("Tarn Bench 24mm", 24.0, 2.8, fwhm_px=2.2)
WIDTH_DEG = 2 * np.degrees(np.arctan(WIDE * BODY.pixel_um / 2000 / LONG.focal_mm))
HEIGHT_DEG = 2 * np.degrees(np.arctan(TALL * BODY.pixel_um / 2000 / LONG.focal_mm))
RA, DEC = 150.0, 8.0
POOR = (1, 2)
"""Row and column of the panel whose frames are knocked."""


def drawn_mosaic() -> tuple[Night, list[tuple[int, int]]]:
    """Twelve aims in no order, one in between through a short lens, one aim shot twice."""
    places = [(row, column) for row in range(ROWS) for column in range(COLUMNS)]
    order = [places[n] for n in np.random.default_rng(5).permutation(len(places))]
    order.append(order[0])
    start, runs = datetime(2026, 3, 14, 21, 0), []
    for number, (row, column) in enumerate(order):
        dec = DEC + STEP * HEIGHT_DEG * (row - (ROWS - 1) / 2)
        away = STEP * WIDTH_DEG * (column - (COLUMNS - 1) / 2) / np.cos(np.radians(dec))
        exposure = 30.0 if number == COLUMNS * ROWS else 60.0
        runs.append(
            DrawnRun(LONG, start, exposure, FRAMES, ra_deg=RA - away, dec_deg=dec, folder="pano")
        )
        start += timedelta(seconds=runs[-1].start_of(FRAMES) + 20.0)
    runs.append(DrawnRun(SHORT, start, 30.0, FRAMES, ra_deg=RA, dec_deg=DEC, folder="wide"))
    night = Night(
        DrawnSite(47.0, 9.0, 1000.0), BODY, Mount(), tuple(runs), Sky(satellites_per_h=0.0),
        Clock(utc_offset_h=2.0, gps=True), seed=3, faint_to_mag=10.0,
    )  # fmt: skip
    poor = order.index(POOR)
    push = 8.0 * np.degrees(BODY.pixel_um / 1000 / LONG.focal_mm) * 3600
    knocks = tuple(
        Knock(night.start_s(poor) + runs[poor].start_of(n) + 30.0, float(push), 0.0) for n in (0, 1)
    )
    return replace(night, mount=Mount(knocks=knocks)), order


@pytest.fixture(scope="module")
def mosaic() -> tuple[SessionResult, list[tuple[int, int]]]:
    """The mosaic, judged, and the order of its aims."""
    night, order = drawn_mosaic()
    measures = [
        sketched(DrawnExposure(night, run, frame), f"{drawn.folder}/{run:02d}-{frame}.fits")
        for run, drawn in enumerate(night.runs)
        for frame in range(drawn.frames)
    ]
    session, rules = one_night(measures), load_rules(None)
    judged, excluded, notices = judge_session(session, rules, lambda line: None)
    return session_result(session, judged, excluded, (), rules, notices), order[:-1]


@pytest.mark.slow
def test_a_mosaic_of_twelve_is_told_whatever_the_order(
    mosaic: tuple[SessionResult, list[tuple[int, int]]],
) -> None:
    result, order = mosaic
    assert [one.panel for one in result.panels] == list(range(1, 13))
    assert {one.mosaic for one in result.panels} == {1}, "one aim of the other lens is no mosaic"
    for one, (row, column) in zip(result.panels, order, strict=True):
        dec = DEC + STEP * HEIGHT_DEG * (row - (ROWS - 1) / 2)
        assert one.dec_deg == pytest.approx(dec, abs=0.02)  # some pixels of 0.4 arcmin
        beside = {
            order.index((row + up, column + right)) + 1
            for up in (-1, 0, 1)
            for right in (-1, 0, 1)
            if (up or right) and (row + up, column + right) in order
        }
        assert {other.panel for other in one.neighbours} == beside
        for other in one.neighbours:
            there = order[other.panel - 1]
            sides = (row == there[0]) + (column == there[1])
            # A quarter of a side is shared with the next panel, a quarter of both at a corner; on
            # a sphere rows are not quite as long as their middle one.
            expected = (1 - STEP) ** (2 - sides)
            assert other.overlap == pytest.approx(expected, abs=0.035)


def test_an_aim_shot_twice_is_one_panel_with_both_exposures(
    mosaic: tuple[SessionResult, list[tuple[int, int]]],
) -> None:
    panels = mosaic[0].panels
    assert [one.frames for one in panels] == [2 * FRAMES, *[FRAMES] * 11]
    assert len(panels[0].runs) == 2
    assert panels[0].keep_minutes == pytest.approx(FRAMES * 1.5)
    assert panels[0].snr_of_best == 1.0
    # A third of the frames and twice the signal each: 1 / sqrt(1 + 1/2) of the best, and some for
    # the noise of the shorter frames and the height.
    others = [one.snr_of_best for one in panels[1:] if one.keep == FRAMES]
    assert np.median(others) == pytest.approx(0.85, abs=0.1)


def test_a_poor_panel_is_told_with_the_time_that_is_left(
    mosaic: tuple[SessionResult, list[tuple[int, int]]],
) -> None:
    result, order = mosaic
    poor = result.panels[order.index(POOR)]
    assert poor.keep == 1
    page = session_page(result)
    (shown,) = page["mosaics"]
    (words,) = shown["words"]
    assert words.startswith(f"Panel {poor.panel} has 1 of 3 good frames; it is above 30°")
    assert poor.above_until is not None
    assert words.endswith(f"until {poor.above_until:%H:%M}."), "a sketch's clock shows UTC"
    assert shown["gaps"] == []
    html = render(page)
    assert "12 panels, Tarn Bench 135mm" in html
    assert html.count('<path d="M') >= 12


def test_how_long_a_panel_stays_up_is_what_astropy_says(
    mosaic: tuple[SessionResult, list[tuple[int, int]]],
) -> None:
    """Astropy's own chain of transformations, with refraction, from the panel's ICRS place."""
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    panel = next(one for one in mosaic[0].panels if one.above_until is not None)
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        site = EarthLocation.from_geodetic(9.0 * u.deg, 47.0 * u.deg, 1000.0 * u.m)
        seen = AltAz(
            obstime=Time(panel.above_until), location=site, pressure=900 * u.hPa,
            temperature=10 * u.deg_C, relative_humidity=0.5, obswl=0.55 * u.um,
        )  # fmt: skip
        place = SkyCoord(panel.ra_deg * u.deg, panel.dec_deg * u.deg)
        altitude = place.transform_to(seen).alt.deg
    # Even between steps of five minutes; the sky sinks by a quarter degree a minute at most.
    assert altitude == pytest.approx(LOW_DEG, abs=0.03)


def test_the_table_has_a_row_a_panel_and_goes_when_there_are_none(
    mosaic: tuple[SessionResult, list[tuple[int, int]]], tmp_path: Path
) -> None:
    result, _ = mosaic
    folder = write_session(result, Targets(tmp_path / "out"), tmp_path / "card").folder
    rows = list(csv.DictReader(io.StringIO((folder / "panels.csv").read_text("utf-8"))))
    assert len(rows) == 12
    first = rows[0]
    assert (first["panel"], first["frames"], first["lens"]) == ("1", "6", LONG.name)
    assert len(first["neighbours"].split()) == len(first["overlaps"].split())
    assert first["above_30_deg_until_utc"].endswith("Z")
    (told,) = read_summary(folder / "summary.json")
    for row, one in zip(rows, told.panels, strict=True):
        for key in row.keys() - {"neighbours", "overlaps", "runs"}:
            value = getattr(one, key)
            assert row[key] == (f"{value:.10g}" if isinstance(value, float) else str(value)), key
        assert row["runs"].split() == list(one.runs)
        assert row["neighbours"].split() == [str(two.panel) for two in one.neighbours]
        assert row["overlaps"].split() == [f"{two.overlap:.3f}" for two in one.neighbours]
    write_session(replace(result, panels=()), Targets(tmp_path / "out"), tmp_path / "card")
    assert not (folder / "panels.csv").exists()


def panel(number: int, **parts: object) -> Panel:
    """A panel that nothing is known of but where it is."""
    corner = float(10 * number)
    outline = ((corner, 0.0), (corner, 5.0), (corner + 8, 5.0), (corner + 8, 0.0))
    known = Panel(
        1, number, "=lens", 135.0, ("01-135mm-60s",), corner, 2.5, 0.0, 3, 2, 2.0, np.nan, np.nan,
        (), outline,
    )  # fmt: skip
    return replace(known, **parts)  # type: ignore[arg-type]


def test_what_is_not_known_is_empty_and_a_lens_is_no_formula() -> None:
    row = panels_csv([panel(1)]).splitlines()[1]
    assert row == "1,1,'=lens,135,01-135mm-60s,10,2.5,0,3,2,2,,,,,,"


def test_panels_without_time_or_place_are_told_without_a_time() -> None:
    (shown,) = mosaics([panel(1, keep=3), panel(2, keep=0)], None)
    assert shown["words"] == ["Panel 2 has 0 of 3 good frames."]
    assert shown["panels"][1]["few"]
    low = panel(2, keep=1, altitude_deg=21.4)
    (shown,) = mosaics([panel(1, keep=3), low], 7200)
    assert shown["words"][0].endswith("at the last frame it stood 21° high.")


def test_times_are_by_the_cameras_clock_where_that_is_known() -> None:
    until = datetime(2026, 3, 15, 0, 40)
    poor = panel(2, keep=1, altitude_deg=50.0, above_until=until)
    for ahead_s, told in ((7200, "until 02:40."), (None, "until 00:40 UTC.")):
        (shown,) = mosaics([panel(1, keep=3), poor], ahead_s)
        assert shown["words"] == [f"Panel 2 has 1 of 3 good frames; it is above 30° {told}"]


def test_outlines_are_drawn_north_up_and_east_to_the_left() -> None:
    first, north, east = panel(1), panel(2), panel(3)
    north = replace(north, outline=tuple((a, d + 6) for a, d in first.outline))
    east = replace(east, outline=tuple((a + 9, d) for a, d in first.outline))
    (shown,) = mosaics([first, north, east], None)
    one, up, left = shown["panels"]
    assert up["y"] < one["y"]
    assert left["x"] < one["x"]
    wide, tall = shown["size"]
    assert all(0 < row["x"] < wide and 0 < row["y"] < tall for row in shown["panels"])
