"""Cloud that one frame shows by itself, against the catalogue: drawn skies, cloudy and clear."""

from __future__ import annotations

from dataclasses import astuple, replace
from datetime import datetime

import numpy as np
import pytest
from scipy.ndimage import zoom

from bench.clearness import drawn, verdict
from bench.sketch import sketched
from drawnscenes import aurora
from resolved import one_night
from skyplumb.calibrate.camera import Camera
from skyplumb.calibrate.light import Light, light_frames
from skyplumb.calibrate.pointing import Pointing
from skyplumb.calibrate.session import point_session
from skyplumb.calibrate.sky import ObservedSky, catalogue
from skyplumb.demo import Body, Clock, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import load_rules
from skyplumb.judge.cause import explain
from skyplumb.judge.clearness import UNTOLD, Clearness, clearness_of, patches_of_all
from skyplumb.judge.drift import Drift
from skyplumb.judge.motion import Motion
from skyplumb.judge.mount import MountFit
from skyplumb.judge.notices import run_notices
from skyplumb.judge.scene import Scene, Scenes
from skyplumb.judge.transparency import drowned
from skyplumb.judge.verdict import JudgedRun, judge
from skyplumb.measure.stars import measure_stars
from skyplumb.records import STAR_DTYPE, Measure, Plate, ShotInfo

LIMIT_MAG = load_rules(None).extinction_mag.keep_up_to
BROKEN = Sky(patches_mag=1.0, satellites_per_h=0.0)


def exposures(
    focal_mm: float = 50.0, exposure_s: float = 60.0, frames: int = 3, sky: Sky = BROKEN
) -> list[DrawnExposure]:
    body = Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6)
    lens = Lens("glass", focal_mm, 2.8, fwhm_px=2.4, vignetting=0.5)
    start = datetime(2026, 8, 15, 23)
    run = DrawnRun(lens, start, exposure_s, frames, ra_deg=300.0, dec_deg=40.0)
    clock = Clock(utc_offset_h=0.0, gps=True)
    night = Night(DrawnSite(46.0, 8.0, 1000.0), body, Mount(), (run,), sky, clock, seed=3)
    return [DrawnExposure(night, 0, frame) for frame in range(frames)]


def pointed(measures: list[Measure]) -> list[Light]:
    lights, _ = light_frames(one_night(measures))
    return point_session(lights, lambda line: None)[0]


def judged(drawn: list[DrawnExposure]) -> list[JudgedRun]:
    measures = [sketched(one, f"{one.frame}.dng") for one in drawn]
    # A narrow field is sought near its header's place, which spares a pattern database.
    lights = pointed(
        [
            replace(one, info=replace(one.info, ra_hint_deg=300.0, dec_hint_deg=40.0))
            for one in measures
        ]
    )
    return judge(lights, load_rules(None), {light.notes.setup: MountFit() for light in lights})


def picture(drawn: DrawnExposure, light: np.ndarray | None = None) -> Measure:
    """Measured on the drawn mosaic itself, with some light of the sky added to it, in samples."""
    colours = np.array([[0, 1], [1, 2]], np.uint8)
    samples = drawn.draw()
    if light is not None:
        rng = np.random.default_rng(drawn.frame)
        gain = drawn.night.body.gain_e_per_dn
        samples = np.clip(samples + rng.poisson(light * gain) / gain, 0, 16383).astype(np.uint16)
    plate = Plate(samples, colours, np.full((2, 2), 512, np.float32), 16383.0)
    seen = measure_stars(plate)
    return replace(
        sketched(drawn, f"{drawn.frame}.dng"),
        stars=seen.stars,
        stars_found=seen.stars_found,
        sky_level=seen.sky_level,
        noise=seen.noise,
    )


@pytest.mark.broad
@pytest.mark.parametrize(("focal_mm", "frames", "mag"), [(50.0, 3, 1.0), (50.0, 1, 1.0)])
def test_a_run_in_broken_cloud_all_along_is_told(focal_mm: float, frames: int, mag: float) -> None:
    sky = replace(BROKEN, patches_mag=mag)
    (notice,) = run_notices(judged(exposures(focal_mm, frames=frames, sky=sky)))
    assert notice.startswith("No frame of run 01-")
    assert ("judged against each other only" in notice) == (frames > 1)


@pytest.mark.broad
@pytest.mark.parametrize(
    ("focal_mm", "exposure_s", "sky"),
    [
        (50.0, 60.0, Sky()),
        (50.0, 60.0, Sky(mag_arcsec2=17.5, gradient=0.6)),
        (50.0, 60.0, Sky(extinction_mag_per_airmass=0.4)),
        (24.0, 1.0, Sky()),
        (400.0, 60.0, Sky()),
        (400.0, 1.0, Sky()),
    ],
    ids=["clear", "moonlit", "hazy", "short", "long lens", "long lens, short"],
)
def test_a_clear_sky_is_never_called_cloudy(focal_mm: float, exposure_s: float, sky: Sky) -> None:
    runs = judged(exposures(focal_mm, exposure_s, 2, sky))
    assert run_notices(runs) == []
    (run,) = runs
    assert all(one.facts.clearness.shows_no_cloud(LIMIT_MAG) for one in run.frames)


@pytest.mark.slow
def test_skies_of_other_lenses_and_airs_are_told_apart() -> None:
    # `python -m tests.bench.clearness` says how often; 14 of these, against 5 where strong stars
    # were chosen by their signal: those that cloud dims were missing.
    clear = [verdict(clearness_of([drawn(seed).light])[0]) for seed in range(16)]
    assert set(clear) <= {"clear", "untold"}
    patchy = [verdict(clearness_of([drawn(seed, "patchy").light])[0]) for seed in range(16)]
    assert patchy.count("cloud") >= 10
    assert patchy.count("clear") <= 3


@pytest.mark.slow
def test_pictures_say_the_same_as_sketches() -> None:
    found = {}
    for name, sky in (("clear", replace(BROKEN, patches_mag=0.0)), ("broken", BROKEN)):
        (drawn,) = exposures(85.0, 4.0, 1, sky)
        (light,) = pointed([picture(drawn)])
        found[name] = clearness_of([light])[0]
    assert found["clear"].shows_no_cloud(LIMIT_MAG)
    assert found["clear"].patches_mag < LIMIT_MAG / 4
    assert found["broken"].patchy(LIMIT_MAG)


@pytest.mark.slow
def test_an_aurora_over_stars_is_no_cloud() -> None:
    # Far brighter than the sky itself, they set in with the fourth of five frames.
    drawn = exposures(frames=5, exposure_s=10.0, sky=Sky(satellites_per_h=0.0))
    curtains = zoom(aurora(), 5 / 3, order=1)  # some 2400 samples over a sky of 35
    measures = [picture(one, curtains if one.frame >= 3 else None) for one in drawn]
    assert measures[4].stars_found < 0.6 * measures[0].stars_found
    lights = pointed(measures)
    (run,) = judge(lights, load_rules(None), {lights[0].notes.setup: MountFit()})
    assert run_notices([run]) == []
    for frame in run.frames[3:]:
        assert frame.facts.light.pointing.solved
        assert frame.verdict != "keep"
        assert "cloud" not in frame.causes
        assert frame.cause == "bright-sky"


def test_noise_explains_the_stars_that_it_drowns_and_no_others() -> None:
    def frame(stars: int, noise: float) -> Measure:
        return Measure("a.dng", "light", "", ShotInfo(), stars_found=stars, noise=noise)

    dark = [frame(1000, 10.0)] * 4
    # Twice the noise is 0.75 mag of limit, which leaves 10^(-0.38) = 42 % of the stars.
    assert drowned([*dark, frame(420, 20.0)], 4)
    assert not drowned([*dark, frame(200, 20.0)], 4)
    assert not drowned([*dark, frame(450, 10.0)], 4)  # the sky is as dark as ever
    assert not drowned([*dark, frame(0, 0.0)], 4)


def test_one_clear_frame_is_measure_enough() -> None:
    cloudy, clear = Clearness(0.5, 20.0, 100, 80), Clearness(0.02, 1.0, 100, 99)
    assert patches_of_all([cloudy, cloudy], LIMIT_MAG) == 0.5
    assert np.isnan(patches_of_all([cloudy, clear, cloudy], LIMIT_MAG))
    assert patches_of_all([cloudy, UNTOLD], LIMIT_MAG) == 0.5
    assert np.isnan(patches_of_all([cloudy, UNTOLD, UNTOLD], LIMIT_MAG))
    assert np.isnan(patches_of_all([UNTOLD], LIMIT_MAG))


def catalogue_frame(dimmed_mag: np.ndarray, missing: float = 0.0) -> Light:
    """Stars of the catalogue on Pogson's scale, dimmed by so much in each of 6 x 4 parts."""
    rng = np.random.default_rng(6)
    camera = Camera(3000.0, 1500, 1000)
    sky, star = ObservedSky(None, None), catalogue()
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    rows = np.flatnonzero((star.directions @ turn[2] > 0.94) & (star.magnitude < 9))
    place = camera.project(star.directions[rows] @ turn.T)
    inside = ((place > 5) & (place < [1495, 995])).all(1)
    rows, place = rows[inside], place[inside]
    part = (place / [250.0, 250.0]).astype(int)
    # Colour makes stars differ from their magnitude by as much as it does in a camera.
    seen_mag = star.magnitude[rows] + rng.normal(0, 0.15, len(rows))
    seen_mag += dimmed_mag[part[:, 1], part[:, 0]]
    table = np.zeros(len(rows), STAR_DTYPE)
    table["x"], table["y"] = place.T
    table["flux"] = 10 ** (-0.4 * (seen_mag - 17.0))
    table["snr"] = table["flux"] / 40.0
    there = rng.random(len(rows)) >= missing
    measure = Measure("a.dng", "light", "", ShotInfo(), 1500, 1000, stars=table[there])
    pointing = Pointing(
        solved=True, camera=camera, sky=sky, attitude=turn,
        star=np.arange(np.count_nonzero(there)), catalogue=rows[there],
    )  # fmt: skip
    return Light(measure, ShotNotes(ShotInfo()), None, 0.0, pointing=pointing)


def test_patches_are_measured_on_pogsons_scale() -> None:
    # The outside check: magnitudes of Gaia DR3 are the given, 5 mag a factor of 100 in light.
    board = np.indices((4, 6)).sum(axis=0) % 2
    for mag in (0.3, 0.6, 1.2):
        # Half of the parts dimmed by m: a standard deviation of m / 2.
        (found,) = clearness_of([catalogue_frame(mag * board)])
        assert found.patches_mag == pytest.approx(mag / 2, rel=0.1)
    (even,) = clearness_of([catalogue_frame(np.full((4, 6), 1.5))])
    assert even.patches_mag < 0.05
    assert even.patches_sigmas < 4
    # A hill or a mast in two parts of 24 is not cloud.
    hill = np.zeros((4, 6))
    hill[3, 4:] = 2.0
    (found,) = clearness_of([catalogue_frame(hill)])
    assert not found.patchy(LIMIT_MAG)


def test_stars_that_should_be_there_are_counted() -> None:
    for missing in (0.0, 0.5):
        (found,) = clearness_of([catalogue_frame(np.zeros((4, 6)), missing)])
        assert found.expected > 100
        assert found.missing == pytest.approx(missing, abs=0.08)
        assert found.shows_no_cloud(LIMIT_MAG) == (missing == 0.0)
    unsolved = replace(catalogue_frame(np.zeros((4, 6))), pointing=Pointing())
    assert clearness_of([unsolved]) == [UNTOLD]


def test_what_a_frame_says_does_not_depend_on_those_beside_it() -> None:
    board = np.indices((4, 6)).sum(axis=0) % 2
    frames = [catalogue_frame(board * mag, missing) for mag in (0.0, 0.5) for missing in (0.0, 0.6)]
    frames.insert(1, replace(frames[0], pointing=Pointing()))
    alone = [one for frame in frames for one in clearness_of([frame])]
    for here, there in zip(clearness_of(frames), alone, strict=True):
        # Sums of other lengths round otherwise, in the last digits.
        assert astuple(here) == pytest.approx(astuple(there), rel=1e-9, nan_ok=True)
    assert len({one.found for one in alone}) == 5


@pytest.mark.parametrize(
    ("findings", "clear", "cause"),
    [
        ([("stars_of_run", 1.6)], None, "cloud"),
        ([("stars_of_run", 1.6)], False, "cloud"),
        ([("stars_of_run", 1.6)], True, "few-stars"),
        ([("sky_of_darkest", 1.2), ("stars_of_run", 1.6)], True, "bright-sky"),
        ([("sky_of_darkest", 1.2), ("stars_of_run", 1.6)], None, "cloud"),
        ([("extinction_mag", 2.0), ("stars_of_run", 1.6)], None, "cloud"),
        ([("min_stars", 2.0)], None, "few-stars"),
        ([("min_stars", 2.0)], True, "few-stars"),
        ([("min_stars", 2.0)], False, "cloud"),
    ],
)
def test_cloud_needs_evidence(
    findings: list[tuple[str, float]], clear: bool | None, cause: str
) -> None:
    light = catalogue_frame(np.zeros((4, 6)))
    scene = Scene(light, Motion(), Drift(), 0.0, clear=clear)
    assert explain(findings, Scenes([scene]), 0, MountFit()).cause == cause


@pytest.mark.slow
def test_stars_lost_to_a_rising_moon_are_not_lost_to_cloud() -> None:
    rising = ((0.0, 1.0), (300.0, 1.0), (330.0, 30.0))
    (run,) = judged(exposures(frames=7, sky=Sky(brightening=rising, satellites_per_h=0.0)))
    causes = [one.cause for one in run.frames]
    assert causes[:4] == ["none"] * 4
    assert run.frames[-1].verdict == "reject"
    assert "stars_of_run" in run.frames[-1].broken
    assert "cloud" not in run.frames[-1].causes
    assert run.frames[-1].cause == "bright-sky"
