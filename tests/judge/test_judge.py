"""Verdicts and their reasons, from star tables made here; nothing is drawn or pointed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from inventednight import table_of
from roundstars import INFO, SIZE, light, pointed
from skyplumb.calibrate.light import Light
from skyplumb.intake.notes import ShotNotes
from skyplumb.intake.rules import Ceiling, Rules, load_rules
from skyplumb.judge import verdict as judging
from skyplumb.judge.setups import split_setups
from skyplumb.judge.verdict import Judged, JudgedRun
from skyplumb.night.shot import Session, Shot
from skyplumb.output.result import SessionResult
from skyplumb.output.table import session_result
from skyplumb.records import NAN, ShotInfo


def judge(lights: Sequence[Light], rules: Rules) -> list[JudgedRun]:
    """Judge them by what their pointings, here none, say of the tracker."""
    setups = split_setups(lights)
    return judging.judge(setups.lights, rules, setups.mounts)


def run_of(*odd: Light, rules: Rules | None = None) -> JudgedRun:
    """Eight sharp frames, then the odd ones; all of one run."""
    (run,) = judge([*(light(n) for n in range(8)), *odd], rules or load_rules(None))
    return run


def verdict_of(odd: Light, rules: Rules | None = None) -> Judged:
    """The verdict of one odd frame among eight sharp ones."""
    return run_of(odd, rules=rules).frames[-1]


def ruled(folder: Path, text: str) -> Rules:
    """The shipped rules with some others laid over them."""
    path = folder / "rules.yaml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def test_sharp_frames_are_kept_and_say_so() -> None:
    for frame in run_of().frames:
        assert frame.verdict == "keep"
        assert frame.cause == "none"
        assert frame.reason.startswith("sharp: trail ")
        assert "limit 1.5" in frame.reason


@pytest.mark.parametrize(
    ("trail", "verdict"),
    # The shipped limits are 1.5 and 2.5 px; 0.2 px is three times what 120 stars leave open.
    [(1.0, "keep"), (1.25, "keep"), (1.75, "doubtful"), (2.25, "doubtful"), (2.8, "reject")],
)
def test_trails_are_judged_by_their_length(trail: float, verdict: str) -> None:
    found = verdict_of(light(20, trail))
    assert found.facts.motion.trail_px == pytest.approx(trail, abs=0.2)
    assert found.verdict == verdict
    assert found.facts.motion.trail_angle_deg == pytest.approx(20, abs=6)
    if verdict != "keep":
        assert found.reason.startswith(f"trailed {found.facts.motion.trail_px:.1f} px at ")
        # The limit that was broken, not the one below it.
        limit = {"doubtful": "1.5", "reject": "2.5"}[verdict]
        assert f"° in the picture, limit {limit}" in found.reason


@pytest.mark.broad
def test_a_value_on_its_limit_is_on_the_better_side(tmp_path: Path) -> None:
    odd = light(20, 2.0)
    value = verdict_of(odd).facts.motion.trail_px
    # Other trail rules out of the way: only this limit speaks.
    rest = "trail_of_fwhm: {keep_up_to: 9, reject_over: 9}\n"
    for keep, reject, verdict in (
        (value, 9.0, "keep"),
        (value * (1 - 1e-12), 9.0, "doubtful"),
        (0.5, value, "doubtful"),
        (0.5, value * (1 - 1e-12), "reject"),
    ):
        text = rest + f"trail_px: {{keep_up_to: {keep!r}, reject_over: {reject!r}}}\n"
        assert verdict_of(odd, ruled(tmp_path, text)).verdict == verdict


def test_points_without_a_common_width_are_not_judged_sharp() -> None:
    frames = [light(n, stars=200) for n in range(4)]
    rng = np.random.default_rng(31)
    for one in frames:
        table = one.measure.stars
        wide = np.exp(rng.normal(0, 1.2, len(table)))
        for name in ("mxx", "myy", "mxy"):
            table[name] *= wide
    (run,) = judge(frames, load_rules(None))
    for found in run.frames:
        assert found.verdict == "reject"
        assert found.reason.startswith("200 points of light without a width in common")
    # As many of one width are.
    assert verdict_of(light(20, stars=200)).verdict == "keep"


def test_a_changed_limit_for_one_lens_holds_for_that_lens(tmp_path: Path) -> None:
    text = """
limits:
  - lens: "lerchau*"
    trail_px: {keep_up_to: 3.5, reject_over: 5.0}
    trail_of_fwhm: {keep_up_to: 3.0, reject_over: 4.0}
"""
    rules = ruled(tmp_path, text)
    assert verdict_of(light(20, 3.0), rules).verdict == "keep"
    other = replace(INFO, lens="Tarnlight 85")
    lights = [light(n, info=other) for n in range(8)] + [light(20, 3.0, info=other)]
    assert judge(lights, rules)[0].frames[-1].verdict == "reject"


@pytest.mark.parametrize(
    ("shape_stars", "verdict"), [(10, "keep"), (9, "reject"), (4, "reject"), (0, "reject")]
)
def test_a_frame_needs_ten_measured_stars(shape_stars: int, verdict: str) -> None:
    # As many stars are found as usual; most of them cannot be measured.
    odd = light(20, stars=shape_stars, found=120)
    found = verdict_of(odd)
    assert found.verdict == verdict
    if verdict == "reject":
        assert f"but only {shape_stars} can be measured, needs 10" in found.reason


def test_few_stars_do_not_get_a_verdict_by_their_shape() -> None:
    found = verdict_of(light(20, 2.2, stars=6))
    assert "6 stars that can be measured, needs 10" in found.reason
    assert "ellipticity" not in found.reason


@pytest.mark.parametrize(
    ("found", "verdict"), [(70, "keep"), (50, "doubtful"), (30, "reject")]
)  # of 120: limits 0.5 and 0.3
def test_missing_stars_are_noticed(found: int, verdict: str) -> None:
    odd = verdict_of(light(20, stars=found))
    assert odd.verdict == verdict
    if verdict != "keep":
        assert f"{found / 120:.0%} of the run's star count, limit " in odd.reason
        assert f"limit {'50%' if verdict == 'doubtful' else '30%'}" in odd.reason


@pytest.mark.parametrize(("sky", "verdict"), [(480.0, "keep"), (520, "doubtful"), (1100, "reject")])
def test_a_bright_sky_is_noticed(sky: float, verdict: str) -> None:
    odd = verdict_of(light(20, sky=sky))
    assert odd.verdict == verdict
    if verdict != "keep":
        assert f"sky {sky / 250:.1f} times the run's darkest, limit " in odd.reason
        assert f"limit {2 if verdict == 'doubtful' else 4}" in odd.reason
        assert odd.cause == "bright-sky"


@pytest.mark.parametrize(("wider", "verdict"), [(1.2, "keep"), (1.32, "doubtful"), (1.5, "reject")])
def test_wide_stars_are_noticed(wider: float, verdict: str) -> None:
    odd = verdict_of(light(20, width=1.3 * wider**2))
    assert odd.verdict == verdict
    if verdict != "keep":
        limit = {"doubtful": "1.25", "reject": "1.4"}[verdict]
        assert f"times the run's best, limit {limit}" in odd.reason
        assert odd.cause == "focus"


def test_a_short_trail_matters_where_stars_are_very_small() -> None:
    # FWHM 1.28 px: a trail of 1.4 px is within its own limit, but over one width.
    small = [light(n, width=0.295) for n in range(8)]
    (run,) = judge([*small, light(20, 1.42, width=0.295)], load_rules(None))
    odd = run.frames[-1]
    assert odd.verdict == "doubtful"
    assert "times the width of the run's sharp stars" in odd.reason


def test_every_rule_that_binds_is_quoted_with_its_own_limit() -> None:
    # FWHM 1.28 px: 2.2 px is doubtful by its length, limit 1.5, and rejected by the width, 1.6.
    small = [light(n, width=0.295) for n in range(8)]
    (run,) = judge([*small, light(20, 2.35, width=0.295)], load_rules(None))
    odd = run.frames[-1]
    assert odd.verdict == "reject"
    assert "px at 2" in odd.reason and "limit 1.5" in odd.reason
    assert "times the width of the run's sharp stars, limit 1.6" in odd.reason
    assert odd.reason.count("trailed") == 1


def test_frames_whose_sky_was_not_solved_never_set_the_runs_best_width() -> None:
    # With a wrong latitude a third of the frames was not solved, and a foreground's lamps, or
    # stars that were found narrow, made the sharp ones "focus".
    sharp = [pointed(light(n)) for n in range(8)]
    narrow = [light(20 + n, width=0.5) for n in range(4)]
    (run,) = judge([*sharp, *narrow], load_rules(None))
    assert run.best_fwhm_px == pytest.approx(2.3548 * np.sqrt(1.3), rel=0.05)
    assert [frame.verdict for frame in run.frames[:8]] == ["keep"] * 8
    # With none solved there is no better witness than the narrow ones.
    (run,) = judge([*(light(n) for n in range(8)), *narrow], load_rules(None))
    assert run.best_fwhm_px < 2.0
    # Long trails do not say how wide a sharp star is while there is one that is not trailed.
    trailed = [pointed(light(30 + n, 12.0, width=0.9)) for n in range(6)]
    (run,) = judge([*sharp[:2], *trailed], load_rules(None))
    assert run.best_fwhm_px == pytest.approx(2.3548 * np.sqrt(1.3), rel=0.05)


def test_light_is_not_compared_between_exposures_that_are_not_known() -> None:
    # Bulb frames of 60 and 180 s, whose files say neither: 1.2 mag and three times the sky.
    bulb = replace(INFO, exposure_s=float("nan"))
    short = [light(n, info=bulb, stars=60, sky=250.0) for n in range(4)]
    long = [light(10 + n, info=bulb, stars=150, sky=1100.0) for n in range(4)]
    (run,) = judge([*short, *long], load_rules(None))
    assert {frame.verdict for frame in run.frames} == {"keep"}
    assert all(np.isnan(frame.facts.extinction_mag) for frame in run.frames)
    # The same with known ones is a bright sky and missing stars.
    (run,) = judge(
        [
            replace(one, measure=replace(one.measure, info=INFO), notes=ShotNotes(INFO))
            for one in (*short, *long)
        ],
        load_rules(None),
    )
    assert {frame.cause for frame in run.frames} == {"cloud", "bright-sky"}


def test_a_trail_under_three_sigma_has_no_direction_and_rejects_nothing() -> None:
    # Twelve stars whose shapes are 8 px^2 off: chance draws them "4 px long".
    rough = light(20, stars=12, found=120)
    rng = np.random.default_rng(8)
    for name in ("mxx", "myy", "mxy"):
        rough.measure.stars[name] += rng.normal(0, 4.0, 12)
        rough.measure.stars["s" + name[1:]] = 4.0
    rough.measure.stars["mxx"] += 6
    rough.measure.stars["myy"] += 6
    found = verdict_of(rough)
    motion = found.facts.motion
    assert motion.trail_sigma_px > 1.5 and not motion.directed
    assert np.isnan(motion.direction_deg)
    assert "trailed" not in found.reason
    rows = table_of(result_of([run_of(rough)]).rows)
    assert np.isnan(rows.iloc[-1]["trail_angle_deg"])  # type: ignore[attr-defined]
    assert np.isnan(rows.iloc[0]["trail_angle_deg"])  # type: ignore[attr-defined]


def test_trails_that_break_up_are_rejected_and_have_no_length() -> None:
    broken = light(20, stars=40, found=400)
    # Streaks along one way, of lengths by lot: too wide to be measured as stars.
    stars = broken.measure.stars
    stars["mxx"] = np.random.default_rng(8).uniform(30, 800, len(stars))
    stars["myy"], stars["flags"] = 1.2, 0
    found = verdict_of(broken)
    assert found.verdict == "reject"
    assert found.cause == "unexplained"
    assert "trailed by more than" in found.reason
    assert "so far that trails break up" in found.reason
    row = table_of(result_of([run_of(broken)]).rows).iloc[-1]
    assert row["trail_angle_deg"] == pytest.approx(0.0, abs=0.1)
    for unknown in ("trail_px", "trail_worst_px", "trail_sigma_px", "trail_of_fwhm", "fwhm_px"):
        assert np.isnan(row[unknown])


@pytest.mark.parametrize(
    ("trail", "sigma", "said"),
    [
        (0.9, 0.2, "sharp: trail 0.9 px, limit 1.5; FWHM 2.6 px"),
        # Longer than its limit, and within three of its errors: the shape has decided.
        (
            2.4,
            0.9,
            "round: ellipticity 0.12, limit 0.2 (a trail of 2.4 ± 0.9 px is too uncertain to "
            "count); FWHM 2.6 px",
        ),
        (
            0.3,
            1.8,
            "round: ellipticity 0.12, limit 0.2 (a trail of 0.3 ± 1.8 px is too uncertain to "
            "count); FWHM 2.6 px",
        ),
        (NAN, NAN, "ellipticity 0.12, limit 0.2; FWHM 2.6 px"),
    ],
)
def test_a_kept_frame_names_the_rule_that_it_was_judged_by(
    trail: float, sigma: float, said: str
) -> None:
    run = run_of()
    fact = run.frames[0].facts
    motion = replace(
        fact.motion, trail_px=trail, trail_sigma_px=sigma, trail_worst_px=trail, turn_rad=0.0
    )
    fact = replace(fact, motion=motion, ellipticity=0.12, fwhm_px=2.6)
    assert judging._findings(fact, run.levels, run.limits) == []
    assert judging._reason_kept(fact, run.levels, run.limits) == said


def test_few_stars_are_no_cloud_unless_some_are_missing() -> None:
    # A run in which every frame has six stars: nothing says that there were ever more.
    (run,) = judge([light(n, stars=6) for n in range(6)], load_rules(None))
    assert {frame.cause for frame in run.frames} == {"few-stars"}
    assert {frame.verdict for frame in run.frames} == {"reject"}
    # Six among frames of 120 are missing.
    assert verdict_of(light(20, stars=6)).cause == "cloud"


# ------------------------------------------------------------------------ the lens itself


def tilted(one: Light, px2: float) -> Light:
    """Stars wider by a moment of so many px^2 at the right edge, narrower at the left."""
    share = one.measure.stars["x"] / (SIZE[0] / 2) - 1
    for name in ("mxx", "myy"):
        one.measure.stars[name] += px2 * share
    return one


@pytest.mark.broad
def test_a_tilted_lens_is_told_and_rejects_nothing() -> None:
    (run,) = judge([tilted(light(n, width=2.0), 1.0) for n in range(8)], load_rules(None))
    # sqrt(3 / 1) at the very edges.
    assert {frame.verdict for frame in run.frames} == {"doubtful"}
    assert {frame.cause for frame in run.frames} == {"optics"}
    assert "at the right edge 1." in run.frames[0].reason and "left one" in run.frames[0].reason
    assert np.isnan(run.frames[0].confidence)
    # A fifth is as lenses are; and what a frame has of its own comes first.
    (run,) = judge([tilted(light(n, width=2.0), 0.3) for n in range(8)], load_rules(None))
    assert {frame.verdict for frame in run.frames} == {"keep"}
    (run,) = judge(
        [tilted(light(n, 5.0 * (n > 6), width=2.0), 1.0) for n in range(8)], load_rules(None)
    )
    assert run.frames[-1].verdict == "reject" and run.frames[-1].cause != "optics"
    # Two frames do not say what a lens does.
    (run,) = judge([tilted(light(n, width=2.0), 1.0) for n in range(2)], load_rules(None))
    assert {frame.verdict for frame in run.frames} == {"keep"}


def test_a_decentred_lens_is_told_from_drift_by_the_pointings() -> None:
    # 2.9 px along one direction in every frame, the sharpest too, and the sky stood still.
    def still(n: int) -> Light:
        return replace(pointed(light(n, 2.9)), order_s=70.0 * n)

    (run,) = judge([still(n) for n in range(10)], load_rules(None))
    assert {frame.cause for frame in run.frames} == {"optics"}
    assert "in the middle 2." in run.frames[0].reason
    # Without pointings nothing tells it from a drift.
    (run,) = judge([light(n, 2.9) for n in range(10)], load_rules(None))
    assert {frame.cause for frame in run.frames} == {"unexplained"}


def test_stars_drawn_out_along_the_radius_are_the_lenss() -> None:
    # 20 stars of one frame: too few to learn a lens from, but they turn around the middle.
    one = light(1, stars=20, found=120)
    stars = one.measure.stars
    x, y = (stars["x"] - 1500) / 1803, (stars["y"] - 1000) / 1803
    stars["mxx"] += 5 * x * x
    stars["myy"] += 5 * y * y
    stars["mxy"] += 5 * x * y
    (run,) = judge([one], load_rules(None))
    assert run.frames[0].facts.motion.lens_like
    assert run.frames[0].cause in ("none", "optics")
    assert "trailed" not in run.frames[0].reason


def test_doubled_stars_are_rejected_as_knocked() -> None:
    odd = verdict_of(light(20, double=9.0))
    assert odd.verdict == "reject"
    assert odd.cause == "knock"
    assert "stars stand twice, 9.0 px apart, limit 2.5" in odd.reason


def test_the_worst_finding_is_named_first() -> None:
    # A doubtful sky and a trail that is far beyond its limit.
    odd = verdict_of(light(20, 6.0, sky=700.0))
    words = odd.reason.split("; ")
    assert words[0].startswith("trailed")
    assert words[-1].startswith("sky 2.8 times")
    # And the other way round.
    odd = verdict_of(light(20, 1.8, sky=5000.0))
    assert odd.reason.startswith("sky 20.0 times")
    assert odd.verdict == "reject"


def test_what_is_not_known_decides_nothing() -> None:
    # No sky level, no pointing, no clock, no metadata at all.
    bare = ShotInfo()
    lights = [
        replace(
            one := light(n, info=bare, sky=float("nan")),
            clocked=False,
            measure=replace(one.measure, noise=float("nan")),
        )
        for n in range(6)
    ]
    # Nothing says that they show one field, so none is held against another.
    frames = [frame for run in judge(lights, load_rules(None)) for frame in run.frames]
    assert [frame.verdict for frame in frames] == ["keep"] * 6
    assert np.isnan(frames[0].facts.extinction_mag)
    assert np.isnan(frames[0].facts.drift.length_px)


def test_one_frame_alone_is_judged_by_what_it_shows() -> None:
    rules = load_rules(None)
    assert judge([light(1)], rules)[0].frames[0].verdict == "keep"
    assert judge([light(1, 5.0)], rules)[0].frames[0].verdict == "reject"
    assert judge([light(1, stars=0)], rules)[0].frames[0].verdict == "reject"
    assert judge([], rules) == []


def test_a_run_in_which_all_frames_trail_keeps_none() -> None:
    (run,) = judge([light(n, 4.0) for n in range(8)], load_rules(None))
    assert {frame.verdict for frame in run.frames} == {"reject"}


def test_the_order_of_frames_on_the_card_does_not_matter() -> None:
    lights = [light(n, 0.4 * n) for n in range(10)]
    rules = load_rules(None)
    forward, backward = judge(lights, rules), judge(lights[::-1], rules)
    assert [f.reason for f in forward[0].frames] == [f.reason for f in backward[0].frames]


def test_settings_part_the_runs() -> None:
    longer, other = replace(INFO, exposure_s=120.0), replace(INFO, fnumber=4.0)
    rounded = replace(INFO, exposure_s=60.5)
    lights = [light(0), light(1, info=longer), light(2), light(3, info=other)]
    lights.append(light(4, info=rounded))
    runs = judge(lights, load_rules(None))
    assert [len(run.frames) for run in runs] == [3, 1, 1]
    assert [run.run.name for run in runs] == ["01-85mm-60s", "02-85mm-120s", "03-85mm-60s"]


def result_of(runs: list[JudgedRun]) -> SessionResult:
    """The tables of a session."""
    lights = [frame.facts.light for run in runs for frame in run.frames]
    night = Session("night", tuple(Shot(one.measure, one.notes) for one in lights))
    return session_result(night, runs, {}, [], load_rules(None), ())


@pytest.mark.parametrize(
    ("keep", "shots", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17, 857, table I, Wilson's interval without
    # continuity correction; to half the last printed digit.
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_hit_rates_carry_their_published_interval(
    keep: int, shots: int, low: float, high: float
) -> None:
    run = run_of(light(20, 5.0))
    sharp, bad = run.frames[0], run.frames[-1]
    many = replace(run, frames=(sharp,) * keep + (bad,) * (shots - keep))
    (told,) = result_of([many]).summary.runs
    assert (told.keep, told.shots) == (keep, shots)
    assert told.hit_rate == pytest.approx(keep / shots)
    assert told.hit_rate_low == pytest.approx(low, abs=5e-5)
    assert told.hit_rate_high == pytest.approx(high, abs=5e-5)


def test_rows_say_what_was_judged_and_leave_the_unknown_empty() -> None:
    result = result_of([run_of(light(20, 2.0))])
    rows = table_of(result.rows)
    assert list(rows["file"]) == [f"M_{n:04d}.dng" for n in (*range(8), 20)]
    last = rows.iloc[-1]
    assert last["verdict"] == "doubtful"
    assert last["trail_px"] == pytest.approx(2.0, abs=0.2)
    assert last["solved"] == False  # noqa: E712
    for unknown in ("ra_deg", "scale_arcsec_px", "trail_pa_deg", "altitude_deg", "drift_px"):
        assert np.isnan(last[unknown])
    assert last["taken_utc"] == ""


@pytest.mark.parametrize(
    ("digits", "kind", "value", "limit", "told"),
    [
        (0, "%", 0.29, 0.3, "29%"),
        (0, "%", 0.2967, 0.3, "29.7%"),
        (0, "%", 0.29996, 0.3, "29.996%"),
        (1, "f", 1.52, 1.5, "1.52"),
        (1, "f", 1.6, 1.5, "1.6"),
    ],
)
def test_a_value_never_reads_as_the_limit_that_it_is_past(
    digits: int, kind: str, value: float, limit: float, told: str
) -> None:
    assert judging._shown(value, limit, digits, kind) == told


def test_what_a_findings_words_say_besides_may_hold_any_sign() -> None:
    # A night's folder may be called so.
    found = judging._above("a", 1.52, Ceiling(keep_up_to=1.5, reject_over=2.5), "{value} {x:.9} {}")
    assert found is not None and found.words == "1.52 {x:.9} {}, limit 1.5"
