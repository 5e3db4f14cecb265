"""Lenses over a season: trends, third-order fields, pooled nights, and the files that tell them."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from drawnseason import DrawnRig, write_season
from skyplumb.findings import LensField, LensZone
from skyplumb.season.aberrations import aberrations
from skyplumb.season.gear import write_tally
from skyplumb.season.lenses import season_lenses
from skyplumb.season.sessions import NightLens
from skyplumb.season.trend import line_of

HALF = np.array([1600, 1064]) / np.hypot(1600, 1064)
PLACES = np.array(
    [HALF * (2 * (n % 7 + 0.5) / 7 - 1, 2 * (n // 7 + 0.5) / 5 - 1) for n in range(35)]
)
CORNERS = PLACES[[0, 6, 28, 34]]


def moments(
    focus: float, coma: float, astigmatism: float, curvature: float, tilt: float = 0.0
) -> NDArray[np.float64]:
    """Trace, mxx - myy and 2 mxy of rays through a round pupil, summed one by one."""
    p, w = (a.ravel() for a in np.meshgrid(np.sqrt((np.arange(40) + 0.5) / 40), np.arange(48)))
    w = w * 2 * np.pi / 48
    out = []
    for x, y in PLACES:
        h, along = np.hypot(x, y), np.arctan2(y, x)
        here = focus + tilt * x
        radial = coma * h * p**2 * (2 + np.cos(2 * w))
        radial += ((3 * astigmatism + curvature) * h**2 + here) * p * np.cos(w)
        sagittal = coma * h * p**2 * np.sin(2 * w)
        sagittal += ((astigmatism + curvature) * h**2 + here) * p * np.sin(w)
        dx = radial * np.cos(along) - sagittal * np.sin(along)
        dy = radial * np.sin(along) + sagittal * np.cos(along)
        xx, yy, xy = np.cov([dx, dy], bias=True)[[0, 1, 0], [0, 1, 1]]
        out.append([2 + xx + yy, xx - yy, 2 * xy])
    return np.array(out)


@pytest.mark.parametrize(
    ("focus", "coma", "astigmatism", "curvature"),
    [(0.1, 0.9, 0.0, 0.2), (0.3, 0.2, 0.6, 0.3), (-0.2, 0.5, -0.4, 0.5), (0.5, 0.0, 0.0, 0.8)],
)
def test_a_field_of_third_order_falls_into_its_parts(
    focus: float, coma: float, astigmatism: float, curvature: float
) -> None:
    told = moments(focus, coma, astigmatism, curvature, tilt=0.2)
    rng = np.random.default_rng(3)
    found = aberrations(
        PLACES, told + rng.normal(0, 0.005, told.shape), np.full(told.shape, 0.005), CORNERS
    )
    square = (CORNERS**2).sum(axis=1)
    truth = {
        "coma": float((2 / 3 * coma**2 * square).mean()),
        "astigmatism": float((astigmatism**2 * square**2 / 2).mean()),
    }
    excess = float(told[[0, 6, 28, 34], 0].mean() - told[17, 0])
    assert found.excess.value == pytest.approx(excess, abs=3 * found.excess.sigma)
    for name, value in truth.items():
        term = getattr(found, name)
        # Within three errors, and no error as large as all there is.
        assert term.value == pytest.approx(value, abs=3 * term.sigma + 0.01)
        assert term.sigma < 0.5 * excess
    parts = found.coma.value + found.astigmatism.value + found.focus.value
    assert parts == pytest.approx(found.excess.value, abs=0.1 * excess)


def test_an_axis_beside_the_middle_is_found() -> None:
    at, moved = PLACES, np.array([0.06, -0.04])
    square = ((at - moved) ** 2).sum(axis=1)
    dx, dy = (at - moved).T
    told = np.stack([2 + square * 0.5, 0.2 * (dx**2 - dy**2), 0.4 * dx * dy], axis=1)
    found = aberrations(at, told, np.full(told.shape, 0.003), CORNERS)
    assert found.axis_x.value == pytest.approx(0.06, abs=0.015)
    assert found.axis_y.value == pytest.approx(-0.04, abs=0.015)


def test_a_line_through_sure_values_is_that_of_scipy() -> None:
    rng = np.random.default_rng(8)
    at = rng.uniform(0, 10, 9)
    values = 2 + 0.3 * at + rng.normal(0, 1, 9)
    found = line_of(values, np.full(9, 1e-6), at)
    theirs = stats.linregress(at, values)
    reach = stats.t.ppf(0.975, 7) * theirs.stderr
    assert found.slope == pytest.approx(theirs.slope, rel=1e-4)
    assert found.slope_high - found.slope == pytest.approx(reach, rel=1e-3)
    mean = stats.ttest_1samp(values, 0).confidence_interval()
    assert (found.mean_low, found.mean_high) == pytest.approx((mean.low, mean.high), rel=1e-3)


@pytest.mark.parametrize(("scatter", "count"), [(0.0, 5), (0.5, 5), (2.0, 12)])
def test_ranges_hold_the_truth_as_often_as_they_say(scatter: float, count: int) -> None:
    rng = np.random.default_rng([int(10 * scatter), count])
    held = []
    for _ in range(400):
        sigma = rng.uniform(0.3, 1.5, count)
        at = rng.uniform(0, 1, count)
        values = 1 + 2 * at + rng.normal(0, np.hypot(sigma, scatter))
        found = line_of(values, sigma, at)
        held.append(found.slope_low <= 2 <= found.slope_high)
    # 95 % less three standard deviations of a share of 400; rather too wide than too narrow.
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)


def lens(night: int, wider: float = 0.0, fnumber: float = 2.8, seed: int = 0) -> LensField:
    """A lens whose corners are drawn out, with errors of 0.01 px^2."""
    rng = np.random.default_rng([night, seed])
    zones = []
    for (x, y), (trace, plus, cross) in zip(PLACES, moments(0.2, 0.5, 0.3, 0.2), strict=True):
        values = np.array([(trace + plus) / 2 + wider, (trace - plus) / 2 + wider, cross / 2])
        xx, yy, xy = values + rng.normal(0, 0.01, 3)
        zones.append(LensZone(x, y, 20, xx, 0.01, yy, 0.01, xy, 0.01, 2.1))
    return LensField(
        "Mistel 3", "1234", "Lerchau 85mm F1.8", 85.0, fnumber, "", 1600, 1064, 14.5, 10, 700,
        2.35 * np.sqrt(1 + wider), 0.005, 10.0 + night, 0.02, 0.01, zones=tuple(zones),
    )  # fmt: skip


def test_nights_are_pooled_and_one_out_of_focus_is_left_out() -> None:
    nights = [NightLens(f"2026-08-{n:02d}", f"s{n}", lens(n)) for n in range(1, 6)]
    soft = NightLens("2026-08-09", "s9", lens(9, wider=0.5))
    (found,) = season_lenses([*nights, soft])
    (alone,) = season_lenses(nights[:1])
    assert (found.nights, found.of_nights) == (5, 6)
    corner, before = found.places[0], alone.places[0]
    truth = moments(0.2, 0.5, 0.3, 0.2)[0]
    assert corner.moments[2].sigma < 0.7 * before.moments[2].sigma
    assert 2 * corner.moments[2].value == pytest.approx(truth[2], abs=6 * corner.moments[2].sigma)
    assert found.sharpest_px == pytest.approx(2.35, abs=1e-3)
    # From night to night it went with the temperature only by the one that was out of focus.
    assert found.per_hour.mean == pytest.approx(0.02, abs=1e-6)
    assert found.corners.fwhm_px.value > found.centre.fwhm_px.value
    assert found.corners.ellipticity.value > 10 * found.corners.ellipticity.sigma


def test_what_a_night_does_to_all_stars_counts_once_a_night() -> None:
    shifts = (0.0, 0.05, 0.02, 0.08)
    alike = [NightLens(f"2026-08-{n:02d}", f"s{n}", lens(n)) for n in range(1, 5)]
    shifted = [
        NightLens(one.night, one.session, lens(n, wider=shift))
        for n, (one, shift) in enumerate(zip(alike, shifts, strict=True), 1)
    ]
    (still,), (moved,) = season_lenses(alike), season_lenses(shifted)
    assert moved.nights == 4
    # Standard deviation over the root of the nights, of mxx and of myy; not over that of the 16
    # values which four edges have on four nights.
    least = np.std(shifts, ddof=1) / np.sqrt(4)
    assert all(one.moments[0].sigma > 0.9 * least for one in moved.places)
    width, before = moved.edges.fwhm_px, still.edges.fwhm_px
    trace = sum(term.value for term in moved.places[17].moments[:2])
    more = np.sqrt(width.sigma**2 - before.sigma**2)
    assert more == pytest.approx(width.value * least / trace, rel=0.3)  # errors of 0.01 px^2
    # A shift of the whole field tilts nothing and stretches nothing.
    assert moved.tilt_x_px.sigma == pytest.approx(still.tilt_x_px.sigma, rel=0.1)
    assert moved.corners.ellipticity.sigma == pytest.approx(
        still.corners.ellipticity.sigma, rel=0.1
    )


def test_a_session_audited_again_counts_once_by_its_later_audit() -> None:
    old, new = lens(1), lens(1, wider=0.02, seed=5)
    (found,) = season_lenses([NightLens("2026-08-01", "s", old), NightLens("2026-08-01", "s", new)])
    assert found.places[0].moments[0].value == pytest.approx(new.zones[0].mxx_px2)


@pytest.mark.slow
def test_a_tally_tells_of_lenses_on_a_page_and_in_a_table(tmp_path: Path) -> None:
    write_season(DrawnRig(), np.random.default_rng(4), 3, [(85.0, 60.0)], 6, tmp_path / "in")
    for number, summary in enumerate(sorted((tmp_path / "in").glob("*/summary.json"))):
        told = json.loads(summary.read_text("utf-8"))
        told["sessions"][0]["lenses"] = [
            _plain(lens(number)),
            _plain(replace(lens(number, 0.3), aperture=1.8)),
        ]
        summary.write_text(json.dumps(told), "utf-8")
    done = write_tally([tmp_path / "in"], tmp_path / "out")
    page = (tmp_path / "out" / "lenses.html").read_text("utf-8")
    assert "f/1.8" in page
    assert "f/2.8" in page
    assert page.count("<ellipse") == 2 * 2 * 35
    assert 'href="lenses.html"' in done.page.read_text("utf-8")
    with (tmp_path / "out" / "lens.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["part"] for row in rows[:4]] == ["centre", "edges", "corners", "worst corner"]
    assert len(rows) == 2 * (4 + 35)
    facts = json.loads((tmp_path / "out" / "tally.json").read_text("utf-8"))
    assert float(rows[0]["fwhm_px"]) == pytest.approx(
        facts["lenses"][0]["centre"]["fwhm_px"]["value"], rel=1e-5
    )


def _plain(one: LensField) -> dict[str, object]:
    from dataclasses import asdict

    from skyplumb.plain import plain

    return dict(plain(asdict(one)))
