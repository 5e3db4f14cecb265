"""Clock and site held against the stars, on fields that astropy placed over the true site."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import erfa
import numpy as np
import pytest

from skyplumb.calibrate.clock import given_of
from skyplumb.calibrate.lens_search import StarField, find_lens
from skyplumb.calibrate.light import Light
from skyplumb.calibrate.session import point_session
from skyplumb.calibrate.sky import Site, lifted, unit_vectors
from skyplumb.calibrate.zenith import Air, evidence_of, refraction_of
from skyplumb.calibrate.zenith_bounds import bennett, saemundsson, two_constants
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import load_rules
from skyplumb.judge.mount import fit_mount
from skyplumb.judge.verdict import judge
from skyplumb.measure.flags import BIT
from skyplumb.night.shot import OtherClock, Session
from skyplumb.records import ShotInfo
from starfields import NIGHT, SITE, Leaning, Shot, exposure, no_downloads

__all__ = ["no_downloads"]

FOCAL, LONG = 5000.0, 14_000.0


def night(shots: list[Shot], **how: float) -> list[StarField]:
    """Star tables of some shots."""
    return [exposure(shot, seed=n + 1, **how) for n, shot in enumerate(shots)]  # type: ignore[arg-type]


def pointed(
    fields: list[StarField],
    shots: list[Shot],
    ahead_h: float = 0.0,
    site: Site = SITE,
    focal: float = FOCAL,
    clock: Session | None = None,
) -> tuple[list[Light], list[str]]:
    """The session as point_session sees it, by a clock that is ahead and a site."""
    lights = []
    for number, (field, shot) in enumerate(zip(fields, shots, strict=True)):
        utc = shot.utc + timedelta(hours=ahead_h)
        info = ShotInfo(
            camera="One",
            focal_mm=focal * 5e-3,
            pixel_um=5.0,
            exposure_s=0.0,
            clock=utc,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            height_m=site.height_m,
        )
        seconds = (shot.utc - NIGHT) / timedelta(seconds=1)
        measure = replace(field.measure, file=str(number))
        lights.append(Light(measure, ShotNotes(info), utc, seconds))
    return point_session(lights, lambda _: None, clock)


def rms_px(lights: list[Light]) -> float:
    """Mean rms of all frames; NaN if one was not solved."""
    return float(np.mean([light.pointing.rms_px for light in lights]))


SHOTS = [
    Shot(azimuth_deg=140 + 4 * n, altitude_deg=35, utc=NIGHT + timedelta(minutes=20 * n))
    for n in range(3)
]


@pytest.fixture(scope="module")
def fields() -> list[StarField]:
    """A field 33 by 23 degrees wide, 35 degrees high."""
    return night(SHOTS)


@pytest.mark.slow
@pytest.mark.parametrize("ahead_h", [-12, -5, -1, 2, 4, 8])
def test_a_wrong_clock_costs_nothing_and_is_told(fields: list[StarField], ahead_h: float) -> None:
    right, silence = pointed(fields, SHOTS)
    assert silence == []
    assert all(light.start_utc is not None for light in right)
    wrong, (notice,) = pointed(fields, SHOTS, ahead_h)
    assert all(light.pointing.solved for light in wrong)
    # The bar that is aimed at.
    assert rms_px(wrong) < 1.1 * rms_px(right)
    assert "The clock or the site is wrong" in notice
    assert all(light.start_utc is None for light in wrong)
    assert np.isnan([light.pointing.altitude_deg for light in wrong]).all()
    # Half a turn is told from none, but not its way.
    way = "ahead" if ahead_h > 0 else "behind"
    said = float(notice.split("a clock ")[1].split(" h")[0])
    assert said == pytest.approx(abs(ahead_h), abs=0.3)
    assert f"h {way}" in notice or abs(ahead_h) == 12


@pytest.mark.broad
@pytest.mark.parametrize("ahead_h", [0, 1, -1])
def test_of_two_clocks_that_differ_by_a_zone_the_stars_take_the_right_one(
    fields: list[StarField], ahead_h: int
) -> None:
    other = OtherClock(-ahead_h or 1, "the time zone in the files (+01:00, 3 of 3)")
    two = Session("", (), clock_words="GPS time stamps", other_clock=other)
    lights, (line,) = pointed(fields, SHOTS, ahead_h, clock=two)
    assert [light.start_utc for light in lights] == [shot.utc for shot in SHOTS]
    assert all(light.pointing.sky is not None and light.pointing.sky.observed for light in lights)
    assert f"fit the one of {other.words if ahead_h else 'GPS time stamps'}" in line


@pytest.mark.slow
def test_of_two_clocks_neither_is_taken_where_the_stars_do_not_tell() -> None:
    # Centroids off by 12 px: the air's 2 px are lost in them.
    blurred = night(SHOTS, noise_px=12.0)
    other = OtherClock(-1.0, "the time zone in the files (+01:00, 3 of 3)")
    two = Session("", (), clock_words="GPS time stamps", other_clock=other)
    lights, (line,) = pointed(blurred, SHOTS, 1, clock=two)
    assert all(light.start_utc is None for light in lights)
    assert "do not show" in line and other.words in line and "utc_offset_h" in line


@pytest.mark.slow
def test_a_blended_star_at_the_edge_is_no_other_zenith() -> None:
    # A tracker without a fault: the same star stands at the same place in every frame.
    first = Shot(azimuth_deg=200, altitude_deg=44)
    times = [NIGHT + timedelta(minutes=2 * n) for n in range(8)]
    shots = [Leaning(utc=utc, first=first, lean_rad_s=0.0) for utc in times]
    fields = [replace(field, time_s=120.0 * n) for n, field in enumerate(night(list(shots)))]
    seen = refraction_of(fields, find_lens(fields, FOCAL))
    given = given_of([(field.sky.utc, field.time_s) for field in fields], SITE)
    assert seen is not None and given is not None
    corner = np.array([seen.camera.width_px, seen.camera.height_px])
    near = np.hypot(*(seen.camera.project(np.einsum(
        "nij,nj->ni", seen.attitudes[seen.frame], seen.seen)) - corner).T)  # fmt: skip
    which = np.zeros(len(near), bool)
    for n in range(len(seen.times_s)):
        (mine,) = np.nonzero(seen.frame == n)
        which[mine[np.argmin(near[mine])]] = True
    blended = replace(seen, rows=seen.rows + np.pad(
        np.outer(which, [9.0, -9.0]).ravel(), (0, len(seen.rows) - 2 * len(which))))  # fmt: skip
    for one in (seen, blended):
        evidence = evidence_of([one], Air.over(SITE))
        assert evidence is not None
        assert evidence.misfit(given.zenith()) < 4  # two sigma; 11 with the star
    # Many zeniths at once are each as by itself: some put stars below the horizon.
    hours = [given.zenith(float(ahead_h)) for ahead_h in np.linspace(-12, 12, 97)]
    each = [evidence.chi2(zenith) for zenith in hours]
    assert 0 < np.count_nonzero(np.isinf(each)) < 90
    assert evidence.chi2_of_each(hours) == pytest.approx(each, rel=1e-9)


@pytest.mark.slow
def test_after_the_notice_nothing_is_said_of_where_the_axis_points() -> None:
    # A tracker whose axis is off by degrees; 8 frames over 49 minutes.
    times = [NIGHT + timedelta(minutes=7 * n) for n in range(8)]
    first = Shot(azimuth_deg=200, altitude_deg=30)
    shots = [Leaning(utc=utc, first=first, lean_rad_s=2e-6) for utc in times]
    tracked = night(list(shots))
    told = {}
    for ahead_h in (0.0, 5.0):
        lights, notices = pointed(tracked, list(shots), ahead_h)
        lights = [
            replace(one, notes=ShotNotes(replace(one.info, exposure_s=240.0))) for one in lights
        ]
        mount = fit_mount(lights)
        (run,) = judge(lights, load_rules(None), {lights[0].notes.setup: mount})
        told[ahead_h] = (notices, mount)
        claimed = [mount.axis_alt_error_arcmin, mount.axis_az_error_arcmin]
        assert np.isfinite(claimed).all() == (ahead_h == 0.0)
        for frame in run.frames:
            assert np.isfinite(frame.scene.zenith_deg) == (ahead_h == 0.0)
    assert told[0.0][0] == []
    assert "The clock or the site is wrong" in told[5.0][0][0]
    assert told[0.0][1].earth_fixed and not told[5.0][1].earth_fixed


@pytest.mark.slow
@pytest.mark.parametrize(
    ("site", "words"),
    [
        (Site(-SITE.latitude_deg, SITE.longitude_deg, 900.0), "a latitude of the other sign"),
        (Site(SITE.latitude_deg, -SITE.longitude_deg, 900.0), "a longitude of the other sign"),
    ],
)
def test_a_site_of_the_wrong_sign_is_told(fields: list[StarField], site: Site, words: str) -> None:
    right, _ = pointed(fields, SHOTS)
    wrong, (notice,) = pointed(fields, SHOTS, site=site)
    assert words in notice
    assert rms_px(wrong) < 1.1 * rms_px(right)


@pytest.mark.broad
def test_what_no_star_contradicts_is_believed() -> None:
    # A narrow field high up: five minutes do not show.
    shots = [Shot(altitude_deg=80, utc=NIGHT + timedelta(minutes=n)) for n in range(2)]
    lights, notices = pointed(night(shots, focal=40_000.0, faint=10.0), shots, 0.08, focal=40_000.0)
    assert notices == []
    assert all(light.pointing.solved and light.start_utc is not None for light in lights)


@pytest.mark.parametrize("height_m", [0.0, 2500.0])
def test_a_height_that_is_off_by_a_mountain_is_no_wrong_clock(height_m: float) -> None:
    shots = [Shot(altitude_deg=45 - 5 * n, azimuth_deg=90 * n) for n in range(2)]
    site = replace(SITE, height_m=height_m)
    _, notices = pointed(night(shots), shots, site=site)
    assert notices == []


@pytest.mark.broad
def test_saturated_stars_whose_light_ran_over_are_no_other_zenith() -> None:
    times = [NIGHT + timedelta(minutes=2 * n) for n in range(6)]
    shots = [Shot(azimuth_deg=200, altitude_deg=44, utc=utc) for utc in times]
    fields = []
    for field in night(shots):
        stars = field.measure.stars.copy()
        bright = np.argsort(-stars["flux"])[: len(stars) // 2]
        stars["flags"][bright] |= BIT["saturated"]
        # Light that ran over along the rows, one way above the middle and the other way below.
        stars["x"][bright] += 3.0 * (stars["y"][bright] / field.measure.height_px - 0.5)
        fields.append(replace(field, measure=replace(field.measure, stars=stars)))
    _, notices = pointed(fields, shots)
    assert notices == []


@pytest.mark.broad
@pytest.mark.parametrize("seed", range(3))
def test_the_right_clock_is_never_doubted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shots = [
        Shot(
            altitude_deg=float(rng.uniform(20, 80)),
            azimuth_deg=float(rng.uniform(0, 360)),
            roll_deg=float(rng.uniform(0, 360)),
            utc=NIGHT + timedelta(minutes=float(rng.uniform(0, 240))),
        )
        for _ in range(2)
    ]
    lights, notices = pointed(night(shots, k1=float(rng.uniform(-0.05, 0.05))), shots)
    assert all(light.pointing.solved for light in lights)
    assert notices == []


@pytest.fixture(scope="module")
def cold() -> tuple[list[StarField], list[Shot]]:
    """Four fields of an 85 mm lens 14 degrees high at -22 C: 300 stars a frame, 0.05 px off."""
    shots = [
        Shot(
            azimuth_deg=140 + 3 * n,
            altitude_deg=14,
            air_c=-22.0,
            utc=NIGHT + timedelta(minutes=15 * n),
        )
        for n in range(4)
    ]
    return night(shots, focal=LONG, faint=9.5, noise_px=0.05), shots


@pytest.mark.slow
def test_air_that_is_not_the_mean_is_no_wrong_clock(
    cold: tuple[list[StarField], list[Shot]],
) -> None:
    # The best zenith is minutes of arc away, yet many sigma: chi squared alone called it wrong.
    lights, notices = pointed(*cold, focal=LONG)
    assert not any("wrong" in line for line in notices)
    assert all(light.start_utc is not None for light in lights)
    assert np.isfinite([light.pointing.altitude_deg for light in lights]).all()


@pytest.mark.broad
@pytest.mark.parametrize("ahead_h", [0.5, -0.5])
def test_in_the_same_air_half_an_hour_is_found_and_offered(
    cold: tuple[list[StarField], list[Shot]], ahead_h: float
) -> None:
    lights, (notice,) = pointed(*cold, ahead_h, focal=LONG)
    way = "ahead" if ahead_h > 0 else "behind"
    assert "The clock or the site is wrong" in notice and f"a clock 0.5 h {way}" in notice
    assert all(light.start_utc is None for light in lights)


@pytest.mark.slow
@pytest.mark.parametrize("ahead_h", [0, 1])
def test_in_the_same_air_the_right_one_of_two_clocks_is_taken(
    cold: tuple[list[StarField], list[Shot]], ahead_h: int
) -> None:
    other = OtherClock(-ahead_h or 1, "the time zone in the files (+01:00, 4 of 4)")
    two = Session("", (), clock_words="GPS time stamps", other_clock=other)
    lights, (line, *_) = pointed(*cold, ahead_h, focal=LONG, clock=two)
    assert [light.start_utc for light in lights] == [shot.utc for shot in cold[1]]
    assert "which was taken" in line


@pytest.mark.slow
def test_a_small_difference_is_a_number_and_takes_nothing_away(
    cold: tuple[list[StarField], list[Shot]],
) -> None:
    # Four minutes behind at 47 degrees north: the zenith is 0.7 degrees off.
    lights, (notice,) = pointed(*cold, -4 / 60, focal=LONG)
    assert "By the stars the clock is" in notice and "behind" in notice
    said, error = (float(n) for n in notice.split("clock is ")[1].split(" min")[0].split(" ± "))
    assert abs(said - 4) < 2 * error and error < 4 / 3  # told from three errors on
    assert all(light.start_utc is not None for light in lights)
    assert np.isfinite([light.pointing.altitude_deg for light in lights]).all()


@pytest.mark.slow
def test_a_zone_of_half_an_hour_is_offered_as_such(fields: list[StarField]) -> None:
    # By the stars alone it is 5.6 and 5.8 hours, to a tenth; no zone is there.
    for ahead_h, words in ((-5.5, "a clock 5.5 h behind"), (5.75, "a clock 5.75 h ahead")):
        _, (notice,) = pointed(fields, SHOTS, ahead_h)
        assert words in notice


def test_published_laws_of_refraction() -> None:
    # Meeus, Astronomical Algorithms, example 16.a (from memory): 28.754' at an apparent altitude
    # of 0.5 degrees by Bennett's formula, 24.618' at a true one of 0.5541 by Saemundsson's.
    seen = np.array([3.0, 10.0, 40.0])
    lift = 1 / np.tan(np.radians(seen + 7.31 / (seen + 4.4)))
    assert 1 / np.tan(np.radians(0.5 + 7.31 / 4.9)) == pytest.approx(28.754, abs=1e-3)
    assert 60 * np.degrees(bennett(np.radians(seen - lift / 60))) == pytest.approx(lift, abs=5e-3)
    assert 60 * np.degrees(saemundsson(np.radians([0.5541])))[0] == pytest.approx(24.618, abs=2e-3)
    # erfa.atioq has the law with erfa.refco's constants by one step of Newton's.
    astrom = erfa.apco13(2460000.5, 0.0, 0, 0, 0.8, 0, 0, 0, 850.0, -20.0, 0.5, 0.55)[0]
    plain = erfa.apco13(2460000.5, 0.0, 0, 0, 0.8, 0, 0, 0, 0.0, -20.0, 0.5, 0.55)[0]
    ra, dec = np.meshgrid(np.linspace(0, 6, 40), np.linspace(-0.5, 1.4, 30))
    low, high = (erfa.atioq(ra.ravel(), dec.ravel(), one)[1] for one in (plain, astrom))
    up = low < np.radians(85)
    up &= low > np.radians(1)
    lift = two_constants(850.0, -20.0)(np.pi / 2 - low[up])
    assert lift == pytest.approx((low - high)[up], abs=np.radians(0.5 / 3600))
    # At 1013.25 hPa and 10 C, the law that zeniths are looked for with.
    usual = erfa.apco13(2460000.5, 0.0, 0, 0, 0.8, 0, 0, 0, 1013.25, 10.0, 0.5, 0.55)[0]
    high = erfa.atioq(ra.ravel(), dec.ravel(), usual)[1]
    ours = lifted(unit_vectors(np.zeros(up.sum()), np.pi / 2 - low[up]), np.array([0.0, 0.0, 1.0]))
    assert np.arcsin(ours[:, 2]) == pytest.approx(np.pi / 2 - high[up], abs=np.radians(0.1 / 3600))


def test_air_lifts_stars_as_tables_say() -> None:
    # Refraction at 1010 hPa and 10 C: 34.5' on the horizon is out of reach, but 5.3' at 10,
    # 1.7' at 30 and 1.0' at 45 degrees (Bennett 1982, Journal of Navigation 35, 255, by his
    # formula cot(h + 7.31 / (h + 4.4)) for apparent altitudes, in arcminutes).
    zenith = np.array([0.0, 0.0, 1.0])
    for altitude in (10.0, 30.0, 45.0, 70.0):
        true = unit_vectors(np.array([0.0]), np.radians(np.array([altitude])))
        seen = np.degrees(np.arcsin(lifted(true, zenith)[0, 2]))
        bennett = 1 / np.tan(np.radians(seen + 7.31 / (seen + 4.4)))
        # His formula is good to 0.07'; for white light it is 1 % more than for ours.
        assert 60 * (seen - altitude) == pytest.approx(0.99 * bennett, abs=0.07)


def test_the_middle_of_an_exposure_is_half_of_it_after_its_start() -> None:
    def light(exposure_s: float) -> Light:
        told = ShotNotes(ShotInfo(exposure_s=exposure_s))
        return Light(exposure(Shot()).measure, told, NIGHT, 1000.0)

    assert light(90.0).mid_utc == NIGHT + timedelta(seconds=45)
    assert light(90.0).mid_s == 1045.0
    unknown = light(float("nan"))
    assert (unknown.mid_utc, unknown.mid_s) == (NIGHT, 1000.0)
    assert replace(unknown, start_utc=None).mid_utc is None


@pytest.mark.broad
def test_two_lenses_without_metadata_are_told_apart_by_their_stars() -> None:
    shots = [Shot(azimuth_deg=60 + 70 * n) for n in range(4)]
    focals = (5000.0, 8000.0, 5000.0, 8000.0)
    lights = []
    for n, (shot, focal) in enumerate(zip(shots, focals, strict=True)):
        field = exposure(shot, seed=n + 1, focal=focal, faint=8.5)
        measure = replace(field.measure, file=str(n))
        lights.append(Light(measure, ShotNotes(ShotInfo()), None, float(n), False))
    solved, _ = point_session(lights, lambda _: None)
    assert [light.file for light in solved] == ["0", "1", "2", "3"]
    for light, focal in zip(solved, focals, strict=True):
        assert light.pointing.camera is not None
        assert light.pointing.camera.focal_px == pytest.approx(focal, rel=1e-3)
