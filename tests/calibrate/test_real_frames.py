"""Real frames that their observatory solved itself (from panoptes-utils, see tests/data/real)."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path, PurePosixPath

import numpy as np
import pytest
from scipy.spatial import cKDTree

from skyplumb.calibrate.lens_search import StarField
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.sky import ObservedSky, Site, catalogue, unit_vectors
from skyplumb.calibrate.solve import LensSolution, solve_lens
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import load_rules
from skyplumb.judge.setups import split_setups
from skyplumb.judge.verdict import JudgedRun, judge
from skyplumb.measure.shot import measure_shot
from skyplumb.records import Measure

REAL = Path(__file__).parents[1] / "data/real"


pytestmark = pytest.mark.broad


@pytest.fixture(scope="module")
def pair() -> list[Measure]:
    """Two tracked frames of one field, two minutes each, 128 s apart."""
    return [measure_shot(REAL, PurePosixPath(n)) for n in ("unsolved.fits", "solved.fits.fz")]


@pytest.fixture(scope="module")
def solution(pair: list[Measure]) -> LensSolution:
    """Both frames pointed together; the focal length is given to 5 %, as by a lens's name."""
    exposures = []
    for measure in pair:
        info = measure.info
        assert info.clock is not None
        middle = info.clock + timedelta(seconds=info.exposure_s / 2)
        site = Site(info.latitude_deg, info.longitude_deg, info.height_m)
        exposures.append(StarField(measure, ObservedSky(middle, site)))
    return solve_lens(exposures, 21_000.0)


def judged(names: list[str]) -> list[JudgedRun]:
    """Verdicts of some frames by the shipped rules, not pointed."""
    lights = []
    for number, name in enumerate(names):
        measure = measure_shot(REAL, PurePosixPath(name))
        lights.append(Light(measure, ShotNotes(measure.info), None, 60.0 * number))
    setups = split_setups(lights)
    return judge(setups.lights, load_rules(None), setups.mounts)


@pytest.mark.slow
def test_a_real_field_is_solved_where_its_observatory_found_it(solution: LensSolution) -> None:
    for pointing in solution.pointings:
        # Its own solution: RA 303.20, Dec +46.02, 10.33 arcsec/px, to the digits given; the cut
        # is 2 degrees wide, and its middle is meant.
        assert pointing.solved
        assert pointing.ra_deg == pytest.approx(303.20, abs=0.02)
        assert pointing.dec_deg == pytest.approx(46.02, abs=0.015)
        # Theirs is a mean over the field, ours holds on the axis of a distorted lens.
        assert pointing.scale_arcsec_px == pytest.approx(10.33, rel=0.004)
        # A plate solution with every detection matches 106; those that are saturated or share
        # their light are left out here.
        assert len(pointing.star) > 30
        # Without a distortion model it was 1 px; real stars of S/N over 20 have some 0.1 px.
        assert pointing.rms_px < 0.3
    assert solution.camera is not None
    assert solution.camera.parity == -1  # FITS rows run upwards: mirrored as an array


def test_the_move_between_two_real_frames_is_the_one_of_their_stars(
    pair: list[Measure], solution: LensSolution
) -> None:
    first, second = solution.pointings
    ours, theirs = dict(zip(first.catalogue, first.star, strict=True)), second
    moved = [
        (
            pair[1].stars["x"][row] - pair[0].stars["x"][ours[cat]],
            pair[1].stars["y"][row] - pair[0].stars["y"][ours[cat]],
        )
        for cat, row in zip(theirs.catalogue, theirs.star, strict=True)
        if cat in ours
    ]
    # 145 stars matched from frame to frame, found by other means, shift by (0.52, 1.71) px. Not
    # all are these, the field turns a little, and their centroids had some 0.2 px each.
    assert np.median(moved, axis=0) == pytest.approx([0.52, 1.71], abs=0.1)


def test_real_tracked_stars_are_long_along_right_ascension(
    pair: list[Measure], solution: LensSolution
) -> None:
    for measure, pointing in zip(pair, solution.pointings, strict=True):
        stars = measure.stars[(measure.stars["flags"] == 0) & (measure.stars["snr"] > 20)]
        assert len(stars) > 200
        mxx, myy, mxy = (np.median(stars[c]) for c in ("mxx", "myy", "mxy"))
        # Measured before on the raw mosaic, with other moments: 0.21 and 0.61 px^2.
        assert myy - mxx > 0.15
        along = np.degrees(np.arctan2(2 * mxy, mxx - myy)) / 2
        # Right ascension runs at position angle 90; the polar axis of a real mount is off by a
        # degree or two, and the lens adds a shape of its own.
        assert pointing.position_angle_of(along) == pytest.approx(90, abs=12)


def test_the_longer_drift_of_two_real_frames_shows_in_its_stars(pair: list[Measure]) -> None:
    spread = [np.median(m.stars["myy"] - m.stars["mxx"]) for m in pair]
    # The same measure before gave 0.21 and 0.61 px^2: the second frame trails more.
    assert spread[1] > spread[0] + 0.2


@pytest.mark.parametrize("name", ["pole.fits", "rotation.fits"])
def test_cuts_with_a_handful_of_stars_are_never_called_sharp(name: str) -> None:
    (run,) = judged([name])
    (frame,) = run.frames
    # Cuts of 200 px at the pole: one holds three stars and a burnt-out one, the other, taken
    # while the mount's axis turned, one star's arc from edge to edge.
    assert frame.verdict == "reject"
    assert "sharp" not in frame.reason
    assert "can be measured" in frame.reason or frame.facts.motion.trail_px > 100


def test_real_frames_show_the_stars_of_the_catalogue(
    pair: list[Measure], solution: LensSolution
) -> None:
    stars = catalogue()
    for measure, pointing in zip(pair, solution.pointings, strict=True):
        camera, sky = pointing.camera, pointing.sky
        assert camera is not None and sky is not None
        middle = unit_vectors(np.radians(pointing.ra_deg), np.radians(pointing.dec_deg))
        near = stars.directions @ middle > np.cos(np.radians(1.4))
        seen = sky.directions(stars.ra_rad[near], stars.dec_rad[near])
        x, y = camera.project(seen @ pointing.attitude.T).T
        inside = (x > 5) & (y > 5) & (x < measure.width_px - 6) & (y < measure.height_px - 6)
        found = cKDTree(np.stack([measure.stars["x"], measure.stars["y"]], 1))
        distance, _ = found.query(np.stack([x, y], 1)[inside])
        # Gaia DR3 to G 10 is complete there; 120 s with a small lens reach beyond (the table holds
        # ten times as many). Close pairs come out as one star between the two.
        assert np.count_nonzero(inside) > 30
        assert (distance < 3).mean() > 0.97
