"""The model of the rig and its forecasts, held against seasons drawn from physics."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from drawnseason import CALM, DrawnRig, scale_of, write_season
from skyplumb.season.cross_validation import SeasonModel, fit_plain, leave_nights_out, model_of
from skyplumb.season.drift import Faults, population, refraction_arcsec_min, trail_arcsec
from skyplumb.season.forecast import Ask, Crossing, best_stack, crossing, predict
from skyplumb.season.forecast_words import words
from skyplumb.season.gear import forecast_from
from skyplumb.season.noise import SkyRules
from skyplumb.season.rig import Ahead, Better, Rate, log_gust
from skyplumb.season.rig_model import Counts, counts_of, fit_rig
from skyplumb.season.sessions import Season, read_season
from smallcard import Finished

Command = Callable[..., Finished]

CELLS = ((35.0, 240.0), (85.0, 120.0), (85.0, 240.0), (200.0, 60.0))
RIG = DrawnRig()
NONE = (np.zeros(1), np.zeros(1))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six nights as audits leave them; only to be read."""
    out = tmp_path_factory.mktemp("season")
    return write_season(RIG, np.random.default_rng(11), 6, CELLS, 12, out)


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season([folder])


@pytest.fixture(scope="module")
def model(season: Season) -> SeasonModel:
    return model_of(counts_of(season.frames, season.runs))


def counts_drawn(
    rig: DrawnRig, seed: int, nights: int, cells: tuple[tuple[float, float], ...], out: Path
) -> Counts:
    write_season(rig, np.random.default_rng(seed), nights, cells, 12, out)
    season = read_season([out])
    return counts_of(season.frames, season.runs)


def one(
    axis: float = 0.0, rate: float = 0.0, amplitude: float = 0.0, period: float = 600.0
) -> Faults:
    return Faults(*(np.array([value]) for value in (axis, rate, amplitude, period)))


# The predicted trail


@pytest.mark.parametrize(
    ("latitude", "hour", "dec", "alt", "az", "east", "north"),
    [
        # Drift in arcsec/min, agreeing with Barrett 2016, *Measuring Polar Axis Alignment
        # Error* (15.7 arcsec/min a degree; signs), for errors in arcmin.
        (40, 0, 0, 0, 10, 0, -2.0110),
        (40, -90, 0, 10, 0, 0, 2.6252),
        (40, 30, 40, 10, 0, -1.4613, -1.3126),
        (40, 30, 40, 0, 10, 0.6463, -1.7416),
        (40, -45, 60, 5, -8, 0.1814, 2.0657),
    ],
)
def test_the_trail_of_a_wrong_axis_is_its_drift(
    latitude: float, hour: float, dec: float, alt: float, az: float, east: float, north: float
) -> None:
    u, v = alt, az * np.cos(np.radians(latitude))
    turn = np.radians(hour) + np.arctan2(v, u)
    trail = trail_arcsec(one(float(np.hypot(u, v))), 60.0, dec, turn, 0.0, NONE)
    # Printed to four decimals.
    assert trail[0] == pytest.approx(np.hypot(east, north), abs=1e-4)


def test_a_wrong_rate_trails_along_right_ascension_by_the_cosine_of_declination() -> None:
    # 1000 ppm of 15.041067 arcsec/s for a minute, at declination 10: 0.8888.
    assert trail_arcsec(one(rate=1000.0), 60.0, 10.0, 0.0, 0.0, NONE)[0] == pytest.approx(
        0.8888, abs=5e-5
    )


def test_the_predicted_trail_is_that_of_the_path_drawn_step_by_step() -> None:
    rng = np.random.default_rng(3)
    time = (np.arange(4000) + 0.5) / 4000 - 0.5
    for _ in range(30):
        axis, rate, amplitude = rng.uniform(0, 10), rng.normal(0, 200), rng.uniform(0, 8)
        period, exposure, dec = rng.uniform(200, 900), rng.uniform(10, 600), rng.uniform(-30, 70)
        turn, phase = rng.uniform(0, 2 * np.pi, 2)
        drift = rng.normal(0, 0.5, 2)
        d, t = np.radians(dec), time * exposure
        pull = 15.041067 * axis / 3437.7468
        east = t * (15.041067e-6 * rate * np.cos(d) - pull * np.sin(d) * np.cos(turn))
        east = (
            east
            + amplitude * np.cos(d) * np.sin(2 * np.pi * t / period + phase)
            + t * drift[0] / 60
        )
        north = t * (drift[1] / 60 - pull * np.sin(turn))
        least, most = np.linalg.eigvalsh(np.cov(east, north, bias=True))
        found = trail_arcsec(
            one(axis, rate, amplitude, period), exposure, dec, turn, phase, (drift[:1], drift[1:])
        )[0]
        # 4,000 steps are good to their square.
        assert found == pytest.approx(np.sqrt(12 * (most - least)), rel=1e-4)


@pytest.mark.parametrize(("altitude", "median"), [(15, 1.82), (30, 0.56), (40, 0.38), (60, 0.24)])
def test_refraction_drifts_as_much_as_reckoned(altitude: float, median: float) -> None:
    # Medians over azimuths and latitudes of 20 to 60 degrees, arcsec/min, from the derivative
    # of 58.2 arcsec tan z (erfa.refco at 1013 hPa, 10 C); one law for all is good to a tenth.
    found = float(refraction_arcsec_min(np.array([float(altitude)]))[0])
    assert found == pytest.approx(median, rel=0.1)


def test_nights_that_may_come_are_those_that_came_the_better_the_more_there_were() -> None:
    rng = np.random.default_rng(5)
    # Both parts normal about none, 4 arcmin each: Rayleigh's law, root mean square 4 sqrt(2).
    many = np.hypot(*rng.normal(0, 4, (2, 200)))
    amplitude = np.full(200, 4.0)

    def size(nights: int) -> tuple[float, float]:
        seen = Faults(many[:nights], np.zeros(nights), amplitude[:nights], amplitude[:nights] * 100)
        people = population(seen, 5.0, 4000, np.random.default_rng(1))
        log_size = np.log(people.axis_square) / 2
        return float(np.exp(log_size.mean())), float(log_size.std())

    assert size(200)[0] == pytest.approx(np.sqrt((many**2).mean()), rel=0.05)  # a grid of 28 %
    assert size(200)[1] < 0.1
    assert size(1)[1] > 2 * size(10)[1]


def test_axes_of_both_parts_about_none_are_foretold_by_rayleighs_law() -> None:
    seen = np.hypot(*np.random.default_rng(6).normal(0, 4, (2, 400)))
    people = population(
        Faults(seen, 0 * seen, seen * np.nan, seen * np.nan), 5.0, 500, np.random.default_rng(1)
    )
    part = (np.arange(64) + 0.5) / 64
    ahead = people.nights(stats.norm.ppf(part), stats.norm.ppf(part)).axis_arcmin
    wanted = stats.rayleigh.ppf(part, scale=4)
    # 400 nights tell a quantile to some hundredths; the lowest are rare either way.
    assert np.median(ahead, axis=0)[8:] == pytest.approx(wanted[8:], rel=0.12)


# The rig


@pytest.mark.slow
def test_the_hit_rate_falls_with_exposure_and_focal_length(model: SeasonModel) -> None:
    rig = model.rig
    assert rig is not None
    exposures = np.geomspace(5, 900, 8)
    curve = rig.rate(5.0, exposures, draws=100)
    assert (np.diff(curve.middle) < 0).all()
    assert ((curve.low <= curve.middle) & (curve.middle <= curve.high)).all()
    by_scale = rig.rate(np.array([40.0, 10.0, 4.0]), 120.0, draws=100)
    assert (np.diff(by_scale.middle) < 0).all()


def test_drift_never_seen_yet_is_predicted_from_the_measured_axis(tmp_path: Path) -> None:
    # Only short frames of a wide lens were audited and hardly any was lost; at 200 mm and four
    # minutes the measured axis alone takes most.
    rig = replace(RIG, **CALM, axis_bias_arcmin=12.0)
    counts = counts_drawn(rig, 4, 6, ((35.0, 30.0), (35.0, 60.0), (50.0, 60.0)), tmp_path)
    assert counts.drift.sum() == 0
    found = fit_rig(counts).rate(scale_of(200.0), 240.0)
    wanted = rig.rate(200.0, 240.0)
    assert wanted < 0.3
    # Gusts are as likely as anything while none was seen: they may only take more.
    assert found.middle < wanted + 0.1
    assert found.low < wanted < found.high < 0.6


@pytest.mark.slow
def test_forecasts_hold_against_seasons_drawn_from_physics(tmp_path: Path) -> None:
    asked = ((50.0, 120.0), (85.0, 120.0), (135.0, 60.0), (135.0, 240.0), (200.0, 120.0))
    focal, exposure = np.array(asked).T
    wanted = np.array([RIG.rate(*cell, nights=1500) for cell in asked])
    off, inside = [], []
    for seed in range(8):
        counts = counts_drawn(RIG, seed, 6, CELLS, tmp_path / str(seed))
        found = fit_rig(counts).rate(scale_of(1.0) / focal, exposure, draws=200)
        off.append(found.middle - wanted)
        inside.append((found.low <= wanted) & (wanted <= found.high))
    # One rig, eight seasons: answers of one season hang together, so that the mean error is
    # known to about 0.02, and 8 seasons' worth of evidence puts two standard errors of the
    # coverage at 15 points. The bench draws many rigs.
    assert abs(np.mean(off)) < 0.06
    assert np.sqrt(np.mean(np.square(off))) < 0.12
    assert np.mean(inside) > 0.8


@pytest.mark.parametrize("exposure_s", [15.0, 60.0, 480.0])
def test_the_largest_gust_borne_trails_as_far_as_the_limit(exposure_s: float) -> None:
    # A push of four seconds beside a drift that goes across it: both drawn step by step.
    limit, drift = 12.0, 5.0
    size = 10 * np.exp(log_gust(np.array([drift]), limit, exposure_s)[0])
    time = (np.arange(20000) + 0.5) / 20000 * (exposure_s + 4)
    pushed = np.where(time < 4, size, 0.0)
    assert 12 * pushed.var() + drift**2 == pytest.approx(limit**2, rel=5e-3)


def test_long_exposures_average_short_gusts_and_may_keep_more_than_short_ones(
    tmp_path: Path,
) -> None:
    # Three gusts a minute of much the same size: a frame of 30 s bears few, of 480 s all.
    many = {"gusts_per_min": 3.0, "gust_spread": 0.1, "gust_arcsec": 9.0, "gust_size_spread": 0.3}
    steady = {"axis_arcmin": 0.2, "axis_bias_arcmin": 0.0, "rate_ppm": 0.0, "rate_spread_ppm": 1.0}
    rig = DrawnRig(**CALM | many | steady, periodic_arcsec=0.1)
    cells = ((85.0, 30.0), (85.0, 60.0), (85.0, 120.0), (200.0, 60.0))
    told = fit_rig(counts_drawn(rig, 21, 6, cells, tmp_path)).rate(
        scale_of(85.0), np.array([30.0, 240.0, 480.0])
    )
    truth = np.array([rig.rate(85.0, t) for t in (30.0, 240.0, 480.0)])
    assert truth[0] < truth[1] < truth[2]
    # Neither of the long ones was audited.
    assert told.middle[0] < told.middle[1] and told.middle[1] < told.middle[2]
    assert np.abs(told.middle - truth).max() < 0.1


def test_a_head_that_slipped_on_one_night_is_not_foretold_to_slip_on_every_night(
    tmp_path: Path,
) -> None:
    drawn = counts_drawn(DrawnRig(**CALM), 22, 6, CELLS, tmp_path)
    # On the first night all but a few frames of each run are lost to it; the others hold.
    lost = np.where(drawn.night == 0, np.floor(0.8 * drawn.keep), 0.0)
    loose = fit_rig(replace(drawn, keep=drawn.keep - lost, slips=lost))
    held = fit_rig(drawn)
    scale, exposure = scale_of(85.0), 120.0
    before, after = (float(rig.rate(scale, exposure).middle) for rig in (held, loose))
    # One night of six loses four fifths, 13 points; the prior's two nights hold.
    assert 0.03 < before - after < 0.13
    # On a night that slips about half is lost, between the prior's tenth and what was counted; on
    # one that holds nothing.
    ahead = Ahead(loose, 200)
    lost_to_slips = 1 - np.exp(-ahead.slips_per_min * 2 * 10 / (1.5 * scale))
    slips = ahead.slips_per_min > 0
    assert 0.4 < lost_to_slips[slips].mean() < 0.8 and (lost_to_slips[~slips] == 0).all()
    # The mean of Beta's law, by its formula; of 200 draws to a tenth.
    a, b = loose.slipping
    assert slips.mean() == pytest.approx(a / (a + b), rel=0.15)
    assert Ahead(loose, 20, better=Better(all_fixed=True)).slips_per_min.max() == 0


@pytest.mark.slow
def test_one_night_gives_a_wide_answer_and_more_nights_a_narrower_one(tmp_path: Path) -> None:
    width = {1: 0.0, 8: 0.0}
    asked = (scale_of(1.0) / np.array([50.0, 85.0, 135.0, 200.0]), 120.0)
    for nights in width:
        for seed in range(3):
            counts = counts_drawn(RIG, seed, nights, CELLS, tmp_path / f"{nights}-{seed}")
            found = fit_rig(counts).rate(*asked, draws=200)
            width[nights] += float((found.high - found.low).mean()) / 3
    assert width[1] > 1.2 * width[8]
    assert width[1] > 0.2


@pytest.mark.broad
def test_the_limit_in_force_decides(model: SeasonModel) -> None:
    rig = model.rig
    assert rig is not None
    strict, lax = (rig.rate(6.0, 240.0, limit_px=limit).middle for limit in (1.0, 3.0))
    assert strict < rig.rate(6.0, 240.0).middle < lax


def test_what_is_mended_keeps_more(model: SeasonModel) -> None:
    rig = model.rig
    assert rig is not None
    as_it_is = rig.rate(4.0, 240.0).middle
    fixed = rig.rate(4.0, 240.0, better=Better(all_fixed=True)).middle
    assert as_it_is < rig.rate(4.0, 240.0, better=Better(axis_arcmin=0.0)).middle <= fixed < 1


def test_frames_lost_to_cloud_do_not_touch_the_model(season: Season) -> None:
    clear = season.frames[~season.frames["excluded"]]
    both = (counts_of(frames, season.runs) for frames in (season.frames, clear))
    one_way, other = both
    assert (one_way.judged == other.judged).all()
    assert one_way.judged.sum() == len(clear)


def test_runs_with_the_tracker_off_say_nothing_of_its_faults(folder: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    path = sorted(copy.glob("*/summary.json"))[0]
    told = json.loads(path.read_text("utf-8"))
    for run in told["sessions"][0]["runs"]:
        run["mount"]["rate_name"] = "not tracking"
    path.write_text(json.dumps(told), "utf-8")
    off = read_season([copy])
    assert len(np.unique(counts_of(off.frames, off.runs).night)) == 5


def test_an_audit_that_told_no_limit_was_judged_by_the_shipped_one(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/summary.json"):
        text = path.read_text("utf-8")
        path.write_text(text.replace('"limits"', '"unheard_of"'), "utf-8")
    assert (read_season([copy]).runs["trail_limit_px"] == 1.5).all()
    assert (season.runs["trail_limit_px"] == 1.5).all()


# Choosing the model


def test_the_rig_is_believed_until_a_plain_regression_is_clearly_better(model: SeasonModel) -> None:
    assert model.check is not None
    assert model.used == "rig"
    assert model.check.frames == 6 * 4 * 12


@pytest.mark.slow
def test_the_plain_regression_is_used_where_it_predicts_better(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    cells = tuple((f, t) for f in (20.0, 50.0, 135.0) for t in (15.0, 60.0, 240.0))
    drawn = counts_drawn(RIG, 6, 14, cells, tmp_path)
    # A rig without physics: what is kept is a logistic curve of focal length x exposure, steeper
    # than any gust or drift would have it, and causes are named at random.
    chance = 1 / (1 + np.exp(2.5 * (np.log(drawn.focal_mm * drawn.exposure_s) - np.log(1000))))
    keep = rng.binomial(60, chance)
    lost = rng.multinomial(60 - keep, [1 / 3, 1 / 3, 1 / 3]).astype(float)
    plain = replace(
        drawn,
        keep=keep.astype(float),
        drift=lost[:, 0],
        slips=0 * lost[:, 0],
        events=lost[:, 1],
        rest=lost[:, 2],
    )
    model = model_of(plain)
    assert model.used == "plain"
    at = model.rate(10.0, 100.0, 10.0)
    assert float(at.middle) == pytest.approx(0.5, abs=0.03)  # two standard errors of 7,560 frames


def test_the_plain_regression_is_that_of_statsmodels_but_for_one_frame(season: Season) -> None:
    import statsmodels.api as sm

    drawn = counts_of(season.frames, season.runs)
    fit = fit_plain(drawn)
    assert fit is not None
    design = np.stack([np.ones(len(drawn.keep)), np.log(drawn.focal_mm * drawn.exposure_s)], axis=1)
    both = np.stack([drawn.keep, drawn.judged - drawn.keep], axis=1)
    reference = sm.GLM(both, design, family=sm.families.Binomial()).fit()
    # Half a frame kept and half lost among 288 moves the fit by well under its own error.
    assert (np.abs(fit.params - reference.params) < 0.2 * reference.bse).all()


@pytest.mark.broad
def test_left_out_nights_are_scored_whole(season: Season) -> None:
    check = leave_nights_out(counts_of(season.frames, season.runs))
    assert check.calibration["judged"].sum() == check.frames
    # A coin would score log 2 a frame.
    assert -np.log(2) * check.frames < check.rig_score < 0


# Forecast


def test_the_longest_exposure_is_where_the_curve_crosses() -> None:
    exposures = np.geomspace(1, 1000, 200)
    curve = np.exp(-exposures / 300)
    rate = Rate(curve, curve, curve, np.tile(curve, (5, 1)))
    # Closed form: exp(-t / 300) = 0.9 at 300 ln(1 / 0.9); linear between points 3.5 % apart.
    assert crossing(rate, exposures, 0.9).at == pytest.approx(300 * np.log(1 / 0.9), rel=1e-3)
    assert crossing(rate, exposures, 0.999).at == 0
    assert crossing(rate, exposures, 0.01).at == np.inf


def test_an_interval_that_spans_everything_is_only_a_range() -> None:
    inf = float("inf")
    assert Crossing(0.9, 120, 80, 200).known
    assert Crossing(0.9, inf, inf, inf).known
    assert not Crossing(0.9, 595, 3, inf).known


@pytest.mark.slow
def test_a_line_a_lens_comes_first_and_tables_are_asked_for(
    season: Season, model: SeasonModel
) -> None:
    told = predict(season, model, Ask())
    lines = words(told).splitlines()
    assert [line.split(":")[0] for line in lines[:3]] == [lens.name for lens in told.lenses]
    assert "95% interval" not in words(told)
    assert words(told, tables=True).count("95% interval") == 3
    assert "aircraft" in words(told)


@pytest.mark.slow
def test_json_holds_what_programs_were_promised(skyplumb: Command, tmp_path: Path) -> None:
    folder = write_season(RIG, np.random.default_rng(11), 2, CELLS, 12, tmp_path)
    done = skyplumb("forecast", folder, "--json")
    assert done.code == 0
    told = json.loads(done.stdout)
    assert [lens["focal_mm"] for lens in told["lenses"]] == [35, 85, 200]
    for lens in told["lenses"]:
        count = len(lens["exposures_s"])
        rates = zip(lens["rate_low"], lens["rate"], lens["rate_high"], strict=True)
        assert len(lens["rate"]) == count > 5
        assert all(0 <= low <= rate <= high <= 1 for low, rate, high in rates)
    assert "Infinity" not in done.stdout
    assert skyplumb("forecast", folder, "--json").stdout == done.stdout


@pytest.mark.broad
def test_a_forecast_names_the_trade_rules_as_common_practice(
    season: Season, model: SeasonModel
) -> None:
    told = predict(season, model, Ask(focal_mm=20.0, fnumber=2.8, pixel_um=4.3))
    lens = told.lenses[0]
    # Common practice, no source: 500 / f, and (35 N + 30 p) / f.
    assert lens.rule_500_s == 25
    assert lens.rule_pixel_s == pytest.approx((35 * 2.8 + 30 * 4.3) / 20)
    assert "common practice" in words(told, tables=True)


@pytest.mark.slow
def test_a_better_axis_keeps_more_and_the_needed_one_gives_the_goal(
    season: Season, model: SeasonModel
) -> None:
    rates = [
        predict(season, model, Ask(focal_mm=135.0, axis_error_arcmin=axis)).lenses[0].rate.middle
        for axis in (0.0, 10.0, 40.0)
    ]
    assert (rates[0][1:] > rates[1][1:]).all()
    assert (rates[1][1:] > rates[2][1:]).all()
    ask = Ask(focal_mm=35.0, exposure_s=240.0)
    found = predict(season, model, ask).lenses[0].axis_needed
    needed = found.at
    assert 0 < needed < 120
    assert found.low < needed < found.high
    there = predict(season, model, replace(ask, axis_error_arcmin=needed)).lenses[0]
    assert there.wanted.middle[0] == pytest.approx(0.9, abs=2e-3)  # 0.01 arcmin


@pytest.mark.broad
def test_the_edge_turns_about_the_target_as_two_skies_do(
    season: Season, model: SeasonModel
) -> None:
    ask = Ask(focal_mm=85.0, axis_error_arcmin=30.0, declination_deg=35.0, sensor_width_mm=36.0)
    told = predict(season, model, replace(ask, pixel_um=5.0)).lenses[0]
    # The sky turns a minute about its pole and the tracker back about its own.
    tilted = Rotation.from_euler("x", 30 / 60, degrees=True).apply([0.0, 0.0, 1.0])
    minute = 2 * np.pi / 1436.0682
    back = Rotation.from_rotvec(-minute * tilted)
    turns = []
    for hour in np.radians(np.arange(0, 360, 5)):
        dec = np.radians(35.0)
        star = np.array([np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)])
        seen = Rotation.from_rotvec([0.0, 0.0, minute]) * back
        turns.append(seen.as_rotvec() @ star)
    edge_px = 36.0 / 2 / 0.005
    rms = np.sqrt(np.mean(np.square(turns)))
    assert told.turn_edge_px_min == pytest.approx(rms * edge_px, rel=0.005)
    said = words(predict(season, model, replace(ask, pixel_um=5.0)), tables=True)
    assert f"turns the field: {told.turn_edge_px_min:.2f} px/min" in said


@pytest.mark.broad
def test_what_cannot_be_fixed_bounds_what_can(season: Season, model: SeasonModel) -> None:
    (told,) = predict(season, model, Ask(exposure_s=240.0)).sturdier
    assert told.as_it_is.at < told.all_fixed.at
    assert told.all_fixed.low <= told.all_fixed.at <= told.all_fixed.high


@pytest.mark.slow
def test_a_longer_gap_favours_longer_exposures(season: Season, model: SeasonModel) -> None:
    best = [
        predict(season, model, Ask(focal_mm=85.0, gap_s=gap)).lenses[0].best for gap in (1.0, 60.0)
    ]
    assert best[0].exposure_s < best[1].exposure_s
    assert best[0].minutes > best[1].minutes
    assert 0 < best[1].low_minutes < best[1].minutes < best[1].high_minutes < 60
    assert best[1].low_s <= best[1].exposure_s <= best[1].high_s


def test_a_body_that_takes_a_dark_after_each_frame_pauses_for_as_long(
    season: Season, model: SeasonModel
) -> None:
    frames = season.frames.copy()
    frames["utc_s"] += (frames["exposure_s"] - 5) * frames.groupby("run_id").cumcount()
    # 240 and 120 s and as long again, 60 s and 60: the middle of 12 frames a run each.
    told = predict(replace(season, frames=frames), model, Ask(focal_mm=85.0, exposure_s=120.0))
    assert (told.gap_s, told.gap_from) == (pytest.approx(180.0, abs=61), "measured")


def test_the_best_stack_is_that_of_the_best_signal_to_noise() -> None:
    times = np.geomspace(1, 1000, 400)
    curve = np.exp(-times / 300)
    rate = Rate(curve, curve, curve, np.tile(curve, (5, 1)))
    # Without gap and read noise the shortest is best, and there it has all of the hour.
    free = best_stack(rate, times, 0.0, SkyRules(), 1.0)
    assert (free.exposure_s, free.minutes) == (1.0, pytest.approx(60 * np.exp(-1 / 300)))
    # The signal to noise of a stack, counted in electrons: of each of its frames a source of 3
    # electrons a second over a sky of 2, read noise 5 (Howell 2006, the CCD equation, from memory).
    for gap in (0.0, 10.0):
        frames = 3600 / (times + gap) * curve
        snr = frames * 3 * times / np.sqrt(frames * (2 * times + 5**2))
        at = 10 * 5**2 / 2  # s, where the sky's variance is ten times that of the read noise
        sky = SkyRules(at, at, at, 5.0)
        best = best_stack(rate, times, gap, sky, 1000.0)
        assert best.exposure_s == times[np.argmax(snr)] < at
        assert best.minutes == pytest.approx(frames[np.argmax(snr)] * best.exposure_s / 60)
        worth = sky.stack_min_per_hour(times, gap, curve)
        assert worth == pytest.approx(worth.max() * (snr / snr.max()) ** 2)
    # Read noise of a tenth of the sky's variance takes a tenth of the light.
    assert SkyRules(100.0).share(np.array([100.0])) == pytest.approx(1 / 1.1)


def test_draws_that_keep_less_have_their_best_stack_with_shorter_exposures() -> None:
    times = np.geomspace(1, 1000, 400)
    draws = np.exp(-times / np.array([100.0, 300.0, 900.0])[:, None])
    rate = Rate(draws[1], draws[0], draws[2], draws)
    best = best_stack(rate, times, 5.0, SkyRules(100.0, 90.0, 110.0, 5.0), 1.0)
    assert best.low_s < 0.8 * best.exposure_s and best.high_s > 1.2 * best.exposure_s
    assert best.low_minutes < best.minutes < best.high_minutes


@pytest.mark.broad
def test_the_best_stack_with_unknown_read_noise_is_no_shorter_than_what_was_shot(
    season: Season, model: SeasonModel
) -> None:
    best = predict(season, model, Ask(gap_s=0.0)).lenses[-1].best
    assert best.exposure_s >= best.least_s == 60


@pytest.mark.slow
def test_a_declination_that_never_rises_is_one_line(skyplumb: Command, folder: Path) -> None:
    done = skyplumb("forecast", folder, "--declination", -60)
    assert done.code == 2
    assert done.stderr == (
        "--declination -60: never rises at 46.0 N, where these sessions were taken; give one of "
        "-44.0 to 90\n"
    )
    assert skyplumb("forecast", folder, "--declination", -43, "--focal", 35).code == 0


@pytest.mark.slow
def test_the_axis_is_told_as_given_or_as_each_nights_own(
    season: Season, model: SeasonModel
) -> None:
    given = words(predict(season, model, Ask(focal_mm=85.0, axis_error_arcmin=20.0)))
    assert "Polar axis off by 20.0 arcmin, as given." in given
    own = words(predict(season, model, Ask(focal_mm=85.0)))
    assert "as on each night by itself" in own and "as given" not in own


@pytest.mark.slow
def test_a_lens_named_by_the_stars_and_one_of_its_scale_alone_take_part(
    folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/frames.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table.loc[table["focal_mm"] == "35.0", "lens"] = "35 mm (by the stars)"
        table.loc[table["focal_mm"] == "200.0", ["lens", "focal_mm"]] = ""
        table.to_csv(path, index=False)
    told = forecast_from([copy], Ask(exposure_s=60.0))
    assert [lens.name for lens in told.lenses] == [
        "35 mm (by the stars)", "Orvane 85mm", "4.1 arcsec/px",
    ]  # fmt: skip
    # 4 um at 200 mm: 4.125 arcsec/px, told to two digits.
    named = forecast_from([folder], Ask(exposure_s=60.0)).lenses[-1]
    nameless = told.lenses[-1]
    assert nameless.wanted.middle == pytest.approx(named.wanted.middle, abs=0.02)
    assert np.isnan(nameless.rule_500_s)
    assert "500 rule" not in words(told, tables=True).split("4.1 arcsec/px: ")[-1]


@pytest.mark.slow
def test_every_question_of_the_first_night_has_a_best_guess_and_a_range(
    folder: Path, tmp_path: Path
) -> None:
    night = sorted(folder.iterdir())[0]
    shutil.copytree(night, tmp_path / night.name)
    told = words(forecast_from([tmp_path], Ask()), tables=True)
    assert "not known yet" not in told
    asked = ("longest for", "best stack with", "axis for", "as it is, beyond")
    for line in told.splitlines():
        for what in (one for one in asked if one in line):
            assert " to " in line[line.index(what) :] or "and more" in line, line


@pytest.mark.slow
def test_beside_what_was_audited_an_answer_is_said_to_be_physics(
    season: Season, model: SeasonModel
) -> None:
    told = predict(season, model, Ask(exposure_s=60.0))
    lines = dict(line.split(": ", 1) for line in words(told).splitlines()[:3])
    assert "(not audited: by physics)" in lines["Orvane 85mm"]  # 120 and 240 s were
    assert "by physics" not in lines["Orvane 200mm"]
    long = words(predict(season, model, Ask(exposure_s=480.0))).splitlines()
    assert "(beyond what was audited: by physics)" in long[2]


@pytest.mark.broad
def test_the_gap_is_measured_from_the_clocks(season: Season, model: SeasonModel) -> None:
    told = predict(season, model, Ask(focal_mm=85.0))
    # Drawn with 5 s between frames.
    assert (told.gap_s, told.gap_from) == (5.0, "measured")


@pytest.mark.broad
def test_exposures_beyond_those_audited_are_marked(season: Season, model: SeasonModel) -> None:
    told = predict(season, model, Ask(focal_mm=200.0))
    lens = told.lenses[0]
    # 240 s at 85 mm ask more of the tracker than 60 s at 200 mm.
    assert lens.audited_to_s == pytest.approx(240 * 85 / 200 * 1.25, rel=1e-3)
    lines = words(told, tables=True).splitlines()
    assert "*" in next(line for line in lines if " 480 s" in line)


@pytest.mark.slow
def test_what_was_never_measured_is_one_line_and_no_guess(
    skyplumb: Command, folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/summary.json"):
        path.unlink()
    done = skyplumb("forecast", copy, "--axis-error", 5)
    assert done.code == 2
    assert done.stderr.startswith("--axis-error: ")
    bare = skyplumb("forecast", copy, "--focal", 85)
    assert bare.code == 0
    assert "No night has a mount fit" in bare.stdout


@pytest.mark.slow
def test_the_first_night_is_forecast_already(
    skyplumb: Command, folder: Path, tmp_path: Path
) -> None:
    night = sorted(folder.iterdir())[0]
    shutil.copytree(night, tmp_path / night.name)
    done = skyplumb("forecast", tmp_path, "--focal", 85, "--sensor-width", 36, "--tables")
    assert done.code == 0
    assert "of 1 night," in done.stdout
    assert "field 23.9° wide" in done.stdout  # 2 atan(18 / 85)
