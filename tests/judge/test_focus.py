"""A run that is out of focus as a whole, by what is known of its lens elsewhere; from tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from roundstars import INFO, SIZE, light, pointed
from skyplumb.calibrate.light import Light
from skyplumb.intake.rules import load_rules
from skyplumb.judge.facts import frame_facts
from skyplumb.judge.focus import FocusKey, KnownWidth, focus_of_session, key_of
from skyplumb.judge.notices import run_notices
from skyplumb.judge.runs import group_runs
from skyplumb.judge.setups import split_setups
from skyplumb.judge.verdict import JudgedRun, judge_runs
from skyplumb.records import ShotInfo

RULES = load_rules(None)
KEY = key_of(INFO, SIZE)
FWHM_TO_SIGMA = 2.3548
"""2 sqrt(2 ln 2), of a Gaussian."""


def frames(
    fwhm_px: float,
    *,
    first: int = 0,
    count: int = 5,
    info: ShotInfo = INFO,
    kurt: float = 2.0,
    solved: bool = True,
    trail: float = 0.0,
) -> list[Light]:
    """Frames of one run whose stars are so wide."""
    out = []
    for number in range(first, first + count):
        width = (fwhm_px / FWHM_TO_SIGMA) ** 2
        one = light(number, trail, info=info, width=width, angle=37.0 * number)
        stars = one.measure.stars.copy()
        stars["kurt"] = kurt
        one = replace(one, measure=replace(one.measure, stars=stars))
        out.append(pointed(one) if solved else one)
    return out


def judged(*lights: Light, known: Mapping[FocusKey, KnownWidth] | None = None) -> list[JudgedRun]:
    setups = split_setups(lights)
    runs = group_runs(setups.lights)
    facts, optics = frame_facts(runs)
    return judge_runs(runs, facts, optics, setups.mounts, RULES, known)


def verdicts(run: JudgedRun) -> set[str]:
    return {frame.verdict for frame in run.frames}


LONGER = replace(INFO, exposure_s=120.0)


def test_a_soft_run_is_told_by_a_sharper_one_of_the_same_lens() -> None:
    sharp, soft = judged(*frames(2.7), *frames(5.1, first=10, info=LONGER))
    assert verdicts(sharp) == {"keep"}
    assert verdicts(soft) == {"reject"}
    for frame in soft.frames:
        assert frame.cause == "focus"
        assert frame.reason.startswith("FWHM 5.1 px, 1.9 times this lens's best, 2.7 px in run 01-")
        assert frame.reason.endswith(", limit 1.4")
    (notice,) = run_notices([sharp, soft])
    assert notice.startswith("Run 02-85mm-120s is out of focus as a whole: FWHM 5.1 px")
    assert "1.9 times this lens's best, 2.7 px in run 01-85mm-60s" in notice


def test_few_stars_a_frame_say_together_how_sharp_a_lens_is() -> None:
    def few(*lights: Light) -> list[Light]:
        matched = {"star": np.arange(8), "catalogue": np.arange(500, 508)}
        return [replace(one, pointing=replace(one.pointing, **matched)) for one in lights]

    _, soft = judged(*few(*frames(2.7, count=3)), *few(*frames(4.6, first=10, info=LONGER)))
    assert "1.7 times this lens's best, 2.7 px in run 01-85mm-60s" in soft.frames[0].reason
    # One such frame is too little.
    _, soft = judged(*few(*frames(2.7, count=1)), *few(*frames(4.6, first=10, info=LONGER)))
    assert "this lens's best" not in soft.frames[0].reason


def test_a_soft_run_is_told_by_another_night() -> None:
    assert KEY is not None
    (soft,) = judged(*frames(4.6), known={KEY: KnownWidth(2.7, "on 2026-08-14")})
    assert verdicts(soft) == {"reject"}
    assert "1.7 times this lens's best, 2.7 px on 2026-08-14, limit 1.4" in soft.frames[0].reason
    # By itself nothing tells: as sharp as its own best frames, and no wider than lenses draw.
    (alone,) = judged(*frames(4.6))
    assert verdicts(alone) == {"keep"} and run_notices([alone]) == []
    # A night that was no sharper changes nothing.
    (beside,) = judged(*frames(4.6), known={KEY: KnownWidth(4.5, "on 2026-08-14")})
    assert verdicts(beside) == {"keep"} and run_notices([beside]) == []


@pytest.mark.parametrize(
    "other",
    [
        replace(LONGER, fnumber=8.0),
        replace(LONGER, lens="Tarnlight 85"),
        replace(LONGER, camera="Mistel 4"),
        replace(LONGER, focal_mm=70.0),
        replace(LONGER, fnumber=float("nan")),
    ],
)
def test_another_lens_aperture_or_camera_is_no_standard(other: ShotInfo) -> None:
    runs = judged(*frames(2.7), *frames(4.6, first=10, info=other))
    assert [verdicts(run) for run in runs] == [{"keep"}, {"keep"}]


def test_a_lens_is_known_by_its_name_or_by_its_focal_length() -> None:
    for lens, focal_mm, known in (("", 85.0, True), ("Fen 85", np.nan, True), ("", np.nan, False)):
        told = key_of(replace(INFO, lens=lens, focal_mm=focal_mm), SIZE)
        assert (told is not None) == known


def test_an_unknown_aperture_is_no_standard_for_an_unknown_one() -> None:
    lost = replace(INFO, fnumber=float("nan"))
    runs = judged(*frames(2.7, info=lost), *frames(4.6, first=10, info=replace(lost, iso=100.0)))
    assert [verdicts(run) for run in runs] == [{"keep"}, {"keep"}]


@pytest.mark.parametrize("solved", [True, False])
@pytest.mark.parametrize(
    ("fwhm_px", "verdict"),
    # The shipped limits are 5 and 8 px.
    [(4.8, "keep"), (5.3, "doubtful"), (7.7, "doubtful"), (8.4, "reject")],
)
def test_of_a_lens_that_is_not_known_only_very_wide_stars_are_soft(
    fwhm_px: float, verdict: str, solved: bool
) -> None:
    (run,) = judged(*frames(fwhm_px, solved=solved))
    assert verdicts(run) == {verdict}
    if verdict != "keep":
        assert {frame.cause for frame in run.frames} == {"focus"}
        assert f"FWHM {fwhm_px:.1f} px, limit " in run.frames[0].reason
        assert "out of focus as a whole" in run_notices([run])[0]


def test_a_lens_that_is_known_to_be_as_wide_is_not_soft() -> None:
    assert KEY is not None
    (run,) = judged(*frames(6.0), known={KEY: KnownWidth(5.8, "on 2026-08-14")})
    assert verdicts(run) == {"keep"}


def test_trailed_frames_do_not_say_that_a_run_is_soft() -> None:
    # Shaken all the time: wide across the trail as well.
    (run,) = judged(*frames(5.6, trail=6.0))
    assert {frame.cause for frame in run.frames} != {"focus"}
    assert run_notices([run]) == []


@pytest.mark.parametrize(
    ("fwhm_px", "kurt", "verdict"),
    # A Gaussian has 2; a disc 1.65 and three times the blur 1.9 on drawn nights. Stars of a pixel's
    # width have its flat top.
    [(4.0, 1.7, "doubtful"), (4.0, 1.95, "keep"), (4.0, 2.2, "keep"), (2.0, 1.7, "keep")],
)
def test_stars_with_flat_tops_are_out_of_focus(fwhm_px: float, kurt: float, verdict: str) -> None:
    (run,) = judged(*frames(fwhm_px, kurt=kurt))
    assert verdicts(run) == {verdict}
    if verdict != "keep":
        assert run.frames[0].cause == "focus"
        assert "stars have flat tops, as those out of focus do" in run.frames[0].reason


def test_only_a_solved_run_in_focus_sets_a_standard() -> None:
    def told(*lights: Light) -> list[float]:
        runs = group_runs(split_setups(lights).lights)
        facts, _ = frame_facts(runs)
        found = focus_of_session(runs, facts, RULES, "on 2026-08-14")
        assert {one.where for one in found.values()} <= {"on 2026-08-14"}
        assert set(found) <= {KEY}
        return [one.fwhm_px for one in found.values()]

    assert told(*frames(2.7)) == pytest.approx([2.7], rel=0.03)
    assert told(*frames(3.3), *frames(2.7, first=10, info=LONGER)) == pytest.approx([2.7], rel=0.03)
    assert told(*frames(2.7, solved=False)) == []
    assert told(*frames(6.5)) == []
    assert told(*frames(4.0, kurt=1.7)) == []


def test_many_runs_of_which_the_same_is_to_be_said_share_a_line() -> None:
    (soft,) = judged(*frames(9.0))
    assert len(run_notices([soft] * 3)) == 3
    (line,) = run_notices([soft] * 16)
    assert line.startswith(f"16 runs of {16 * len(soft.frames)} frames (01-85mm-60s, ")
    assert "and 13 more) are out of focus as a whole; 01-85mm-60s: FWHM 9.0 px" in line
