"""How much light came through a whole run, against what its lens is known to give."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest

from bench.sketch import sketched
from resolved import one_night
from skyplumb.demo import Body, Clock, DrawnExposure, DrawnRun, DrawnSite, Lens, Mount, Night, Sky
from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import Calibrated, calibrate
from skyplumb.judge.transparency import lost_beside_other_fields_mag
from skyplumb.judge.verdict import Judged
from skyplumb.judge.zero_points import (
    KnownZero,
    dimmed_notices,
    key_of_run,
    run_zero_mag,
    zeros_of_session,
)
from skyplumb.records import ShotInfo

RULES = load_rules(None)
LENS = Lens("Tarnlight 85 mm", 85.0, 2.8, fwhm_px=2.4)


@cache
def night(
    haze_mag: float = 0.0,
    exposure_s: float = 60.0,
    alt_deg: float = 60.0,
    mag_arcsec2: float = 21.0,
    seed: int = 1,
    frames: int = 3,
    iso: int = 1600,
) -> Calibrated:
    """A run under a sky that is dimmed from its first frame to its last."""
    cloud = ((-1e6, haze_mag), (1e6, haze_mag)) if haze_mag else ()
    start = datetime(2026, 1, 15, 21, 30)
    run = DrawnRun(LENS, start, exposure_s, frames, alt_deg=alt_deg, az_deg=160.0, iso=iso)
    drawn = Night(
        DrawnSite(47.0, 9.0, 1000.0),
        Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6),
        Mount(),
        (run,),
        Sky(cloud=cloud, mag_arcsec2=mag_arcsec2),
        Clock(utc_offset_h=0.0, gps=True),
        seed=seed,
        faint_to_mag=11.5,
    )
    frames_ = [sketched(DrawnExposure(drawn, 0, n), f"{n}.fits") for n in range(frames)]
    return calibrate(one_night(frames_), lambda line: None)


def zero_of(told: Calibrated) -> float:
    (run,) = told.runs
    return run_zero_mag(told.facts[run.name])


def lines(told: Calibrated, best_mag: float) -> list[str]:
    """What is said where the lens gave that much on another night."""
    key = key_of_run(told.runs[0])
    known = {} if key is None else {key: KnownZero(best_mag, "on 2026-08-14")}
    return dimmed_notices(told.runs, told.facts, RULES, known)


@pytest.mark.slow
def test_clear_nights_give_one_zero_point_whatever_the_exposure_height_and_sky() -> None:
    zeros = [
        zero_of(night()),
        zero_of(night(exposure_s=120.0, seed=2)),
        zero_of(night(alt_deg=32.0, seed=3)),
        zero_of(night(mag_arcsec2=19.0, seed=4)),
    ]
    # Drawn air takes 0.18 mag an air mass, 0.15 is allowed for; 50 stars and the corners' shade.
    assert np.ptp(zeros) < 0.15


@pytest.mark.broad
@pytest.mark.parametrize("haze_mag", [0.8, 1.2, 2.0])
def test_an_even_haze_all_night_is_told_against_the_lens_s_best_night(haze_mag: float) -> None:
    best = zero_of(night())
    hazy = night(haze_mag, seed=5)
    # What was drawn, to the scatter of clear nights.
    assert best - zero_of(hazy) == pytest.approx(haze_mag, abs=0.15)
    (line,) = lines(hazy, best)
    assert line.startswith("Run 01-85mm-60s is dimmed from its first frame to its last")
    assert f"{best - zero_of(hazy):.1f} mag fainter than this lens gave on 2026-08-14" in line


@pytest.mark.broad
def test_a_clear_night_is_not_called_dim() -> None:
    best = zero_of(night())
    assert not lines(night(alt_deg=32.0, seed=3), best)
    # What the rules allow for a frame is allowed for a night.
    assert not lines(night(), best + 0.3)


@pytest.mark.broad
def test_little_evidence_says_nothing() -> None:
    best = zero_of(night())
    # One frame; or a gain that is not known, as that of a file without ISO.
    assert np.isnan(zero_of(night(2.0, frames=1, seed=6)))
    assert not lines(night(2.0, frames=1, seed=6), best)
    hazy = night(2.0, seed=5)
    (run,) = hazy.runs
    untold = [
        replace(one, notes=replace(one.notes, info=replace(one.info, iso=float("nan"))))
        for one in run.lights
    ]
    assert key_of_run(replace(run, lights=tuple(untold))) is None
    assert isinstance(untold[0].info, ShotInfo)


@pytest.mark.broad
def test_another_run_of_the_night_tells_as_well() -> None:
    clear, hazy = night(), night(1.2, exposure_s=120.0, seed=7)
    runs = (*clear.runs, *(replace(run, name="02") for run in hazy.runs))
    facts = {runs[0].name: clear.facts[runs[0].name], "02": hazy.facts[hazy.runs[0].name]}
    (line,) = dimmed_notices(runs, facts, RULES, {})
    assert line.startswith("Run 02 is dimmed") and "gave in run 01-85mm-60s." in line


@cache
def panels(cloud_mag: tuple[float, ...], alt_deg: tuple[float, ...] = ()) -> Calibrated:
    """Fields shot once each, each under even cloud of its own."""
    start = datetime(2026, 1, 15, 21, 30)
    altitudes = alt_deg or tuple(40.0 + 6.0 * n for n in range(len(cloud_mag)))
    runs = tuple(
        DrawnRun(
            LENS, start + timedelta(minutes=5 * n), 60.0, 1, alt_deg=alt, az_deg=110.0 + 14.0 * n
        )
        for n, alt in enumerate(altitudes)
    )
    drawn = Night(
        DrawnSite(47.0, 9.0, 1000.0),
        Body("Vesna", "Tarn", "T1", width_px=1500, height_px=1000, pixel_um=15.6),
        Mount(),
        runs,
        Sky(
            cloud=tuple(
                (300.0 * n + edge, mag)
                for n, mag in enumerate(cloud_mag)
                for edge in (-100.0, 160.0)
            )
        ),
        Clock(utc_offset_h=0.0, gps=True),
        seed=11,
        faint_to_mag=11.5,
    )
    frames = [sketched(DrawnExposure(drawn, n, 0), f"{n}.fits") for n in range(len(runs))]
    return calibrate(one_night(frames), lambda line: None)


def panel_frames(told: Calibrated) -> list[Judged]:
    """The verdict of each, in order."""
    frames = [frame for run in told.judged(RULES) for frame in run.frames]
    return sorted(frames, key=lambda frame: frame.facts.light.file)


@pytest.mark.slow
def test_cloud_over_fields_shot_once_each_is_told_by_the_night_s_other_fields() -> None:
    cloud = (0.0, 0.0, 0.7, 1.6, 0.9, 0.0)
    told = panels(cloud)
    assert len(told.runs) == 6
    frames = panel_frames(told)
    for frame, mag in zip(frames, cloud, strict=True):
        assert frame.facts.by_other_fields == (mag > 0)
        # As far as clear fields differ.
        assert frame.facts.extinction_mag == pytest.approx(mag, abs=0.2)
    verdicts = [(frame.verdict, frame.cause) for frame in frames]
    cloudy = [("doubtful", "cloud"), ("reject", "cloud"), ("doubtful", "cloud")]
    assert verdicts == [("keep", "none")] * 2 + cloudy + [("keep", "none")]
    assert "mag fainter than in the night's clearest fields, limit 1" in frames[3].reason


@pytest.mark.slow
def test_clear_fields_high_and_low_are_not_told_from_each_other() -> None:
    frames = panel_frames(panels((0.0,) * 6, (75.0, 27.0, 60.0, 30.0, 45.0, 35.0)))
    assert [frame.verdict for frame in frames] == ["keep"] * 6
    assert not any(frame.facts.by_other_fields for frame in frames)


@pytest.mark.slow
def test_what_dims_field_after_field_evenly_may_be_a_filter_and_judges_none() -> None:
    frames = panel_frames(panels((0.0, 0.0, 0.0, 0.9, 0.9, 0.9)))
    assert not any(frame.facts.by_other_fields for frame in frames)
    # Two of them may be no filter: nobody takes it off again for one field.
    frames = panel_frames(panels((0.0, 0.0, 0.0, 0.9, 0.9, 0.0)))
    assert [frame.facts.by_other_fields for frame in frames] == [0, 0, 0, 1, 1, 0]


@pytest.mark.slow
def test_haze_over_all_panels_of_a_night_is_told_by_the_lens_s_best_night() -> None:
    clear, hazy = panels((0.0,) * 4), panels((1.2,) * 4)
    ((key, best),) = zeros_of_session(clear.runs, clear.facts, "on 2026-08-14").items()
    known = {key: best}
    (line,) = dimmed_notices(hazy.runs, hazy.facts, RULES, known)
    names = [run.name for run in hazy.runs]
    assert line.startswith(f"Runs {', '.join(names[:3])} and 1 more are dimmed")
    assert "the stars are 1.2 mag fainter than this lens gave on 2026-08-14" in line
    assert not dimmed_notices(clear.runs, clear.facts, RULES, known)


@pytest.mark.broad
def test_fields_are_not_compared_where_the_gain_is_unknown_or_one_alone_is_bright() -> None:
    told = panels((0.0, 0.0, 0.7, 1.6, 0.9, 0.0))
    facts = [fact for run in told.runs for fact in told.facts[run.name]]
    lights = [fact.light for fact in facts]
    zeros = np.array([fact.zero_mag for fact in facts])
    fields: list[tuple[object, object]] = [("a lens", n) for n in range(6)]
    still = np.zeros(6)
    dim = lost_beside_other_fields_mag(lights, zeros, fields, still)
    assert np.array_equal(np.isfinite(dim), [False, False, True, True, True, False])
    unknown: list[tuple[object, object]] = [(None, n) for n in range(6)]
    assert np.isnan(lost_beside_other_fields_mag(lights, zeros, unknown, still)).all()
    one_field: list[tuple[object, object]] = [("a lens", 0)] * 6
    assert np.isnan(lost_beside_other_fields_mag(lights, zeros, one_field, still)).all()
    # Gusts and knocks spill light beside the stars: less than a magnitude may be theirs.
    shaken = lost_beside_other_fields_mag(lights, zeros, fields, np.array([0, 0, 6, 2, 2, 0.0]))
    assert np.array_equal(np.isfinite(shaken), [False, False, False, True, True, False])
    # The brightest by far may be a mistake of its own: the next that another bears out counts.
    zeros[0] += 1.5
    again = lost_beside_other_fields_mag(lights, zeros, fields, still)
    np.testing.assert_allclose(again, dim, atol=0.2)
