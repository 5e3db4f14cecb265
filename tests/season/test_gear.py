"""Hit rates of a season, the model of the rig, its forecast, and the files that tell them."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import vl_convert
from scipy import stats

from drawnseason import DrawnRig, scale_of, windy, write_season
from skyplumb.errors import UserError
from skyplumb.output.index import write_index
from skyplumb.season.comparison import Effect, _correct_for_number, _losses, effects
from skyplumb.season.cross_validation import SeasonModel, model_of
from skyplumb.season.gear_charts import CHARTS, CONFIG
from skyplumb.season.gear_page import gear_page, render
from skyplumb.season.mixed_model import LOGIT, SURVIVAL, Prior, fit_mixed
from skyplumb.season.rig_model import counts_of
from skyplumb.season.sessions import Season, label_of, read_season
from skyplumb.season.tally import (
    best_remedy,
    costs,
    count_by,
    labelled,
    significant_differences,
    tally,
)
from smallcard import Finished

Command = Callable[..., Finished]

CELLS = ((35.0, 240.0), (85.0, 120.0), (85.0, 240.0), (200.0, 60.0), (200.0, 120.0))
RIG = DrawnRig()
PAYLOADS = ({"payload_g": 900.0, "tags.strap": True}, {"payload_g": 2100.0})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight nights of a drawn rig as audits leave them; only to be read."""
    rng, out = np.random.default_rng(11), tmp_path_factory.mktemp("season")
    return write_season(RIG, rng, 8, CELLS, 8, out, PAYLOADS)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two nights of it, where more would be modelled for nothing; only to be read."""
    rng, out = np.random.default_rng(12), tmp_path_factory.mktemp("pair")
    return write_season(RIG, rng, 2, CELLS, 8, out, PAYLOADS)


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season([folder])


@pytest.fixture(scope="module")
def model(season: Season) -> SeasonModel:
    return model_of(counts_of(season.frames, season.runs))


def rows_of(keep: int, lost: int, **more: object) -> pd.DataFrame:
    """Frames of one cell."""
    frame = {
        "night": "2026-01-01-orvane-n6",
        "camera": "Orvane N6",
        "lens": "Orvane 85mm",
        "focal_mm": 85.0,
        "exposure_s": 60.0,
        "setting_s": 60.0,
        "share": np.nan,
        "excluded": False,
        "run_id": 0,
        **more,
    }
    verdicts = ["keep"] * keep + ["reject"] * lost
    frames = pd.DataFrame([frame] * len(verdicts)).assign(verdict=verdicts)
    frames["cause"] = np.where(frames["verdict"] == "keep", "none", more.get("cause", "axis"))
    return labelled(frames)


# Reading what audits left


def test_a_season_counts_every_judged_light_frame_of_every_session(season: Season) -> None:
    # 8 nights of 5 cells of 8 frames, and one lost to cloud each night.
    assert len(season.frames) == 8 * (5 * 8 + 1)
    assert season.sessions == 8
    assert season.frames["excluded"].sum() == 8
    assert season.twice == 0


@pytest.mark.slow
def test_the_same_shots_audited_twice_count_once_with_the_later_verdict(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    again = shutil.copytree(folder, tmp_path / "again")
    table = next(iter(sorted(again.glob("*/frames.csv"))))
    table.write_text(re.sub(",(reject|doubtful),", ",keep,", table.read_text("utf-8")), "utf-8")
    later = table.stat().st_mtime_ns + 5_000_000_000
    for path in again.glob("*/frames.csv"):
        os.utime(path, ns=(later, later))
    for order in ([folder, again], [again, folder], [again, folder, folder]):
        both = read_season(order)
        assert len(both.frames) == len(season.frames) == both.twice
        first = both.frames[both.frames["night"] == table.parent.name[:10]]
        assert (first["verdict"] == "keep").all()
        assert set(both.runs.index) == set(both.frames["run_id"])


def test_nothing_hangs_on_which_night_was_audited_first(folder: Path, tmp_path: Path) -> None:
    again = shutil.copytree(folder, tmp_path / "again")
    for n, path in enumerate(sorted(again.glob("*/frames.csv"), reverse=True)):
        os.utime(path, ns=(n * 10**9, n * 10**9))
    one, other = (read_season([place]) for place in (folder, again))
    pd.testing.assert_frame_equal(one.frames, other.frames)
    pd.testing.assert_frame_equal(one.runs, other.runs)


def test_shots_with_the_same_name_from_different_nights_are_different_shots(
    folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/frames.csv"):
        path.write_text(re.sub(r"N\d+_", "IMG_", path.read_text("utf-8")), "utf-8")
    assert read_season([copy]).twice == 0


def test_shots_without_any_time_are_one_only_at_the_same_place_of_the_same_session(
    folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/frames.csv"):
        text = path.read_text("utf-8")
        text = re.sub(r"2026:\d\d:\d\dT[^,]*,2026[^,]*,", ",,", text)
        path.write_text(re.sub(r"N\d+_", "IMG_", text), "utf-8")
    assert read_season([copy]).twice == 0
    twin = shutil.copytree(copy, tmp_path / "twin")
    assert read_season([copy, twin]).twice == len(read_season([copy]).frames)


def test_a_real_audit_can_be_tallied(audited: Finished) -> None:
    told = json.loads(next(audited.out.glob("*/summary.json")).read_text("utf-8"))
    season = read_season([audited.out])
    lights = sum(one["lights"] for one in told["sessions"])
    assert len(season.frames) >= lights > 0
    assert tally(season).total["frames"].item() == len(season.frames)


def test_night_notes_come_through_the_audit_into_the_runs(audited: Finished) -> None:
    runs = read_season([audited.out]).runs
    told = [
        run.get("notes")
        for path in audited.out.glob("*/summary.json")
        for session in json.loads(path.read_text("utf-8"))["sessions"]
        for run in session["runs"]
    ]
    assert all(isinstance(notes, dict) for notes in told)
    assert sorted(map(str, runs["notes"])) == sorted(map(str, told))


@pytest.mark.parametrize(
    ("spoil", "names"),
    [
        (lambda path: path.write_text("no,table\n1,2\n"), "frames.csv"),
        (lambda path: path.write_bytes(b"\xff\xfe\x00"), "frames.csv"),
        (lambda path: path.write_text(""), "frames.csv"),
        (lambda path: path.write_text(path.read_text().replace(",35.0,", ",wide,")), "focal_mm"),
        (lambda path: (path.parent / "summary.json").write_text("{"), "summary.json"),
        (lambda path: (path.parent / "summary.json").write_text("[]"), "summary.json"),
    ],
)
def test_a_file_that_no_audit_wrote_is_one_line_with_its_name_and_the_mend(
    spoil: Callable[[Path], object], names: str, folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    spoil(sorted(copy.glob("*/frames.csv"))[2])
    with pytest.raises(UserError) as caught:
        read_season([copy])
    assert names in str(caught.value)
    assert "audit again" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.slow
@pytest.mark.parametrize("rows", ["darks", "none"])
def test_a_session_without_a_light_frame_adds_nothing_and_stops_nothing(
    skyplumb: Command, pair: Path, tmp_path: Path, rows: str
) -> None:
    copy = shutil.copytree(pair, tmp_path / "copy")
    extra = shutil.copytree(sorted(copy.iterdir())[0], copy / "2026-03-01-orvane-n6")
    text = (extra / "frames.csv").read_text("utf-8")
    text = text.replace(",light,", ",dark,") if rows == "darks" else text.splitlines()[0] + "\n"
    (extra / "frames.csv").write_text(text, "utf-8")
    told = json.loads((extra / "summary.json").read_text("utf-8"))
    told["sessions"][0]["runs"] = []
    (extra / "summary.json").write_text(json.dumps(told), "utf-8")
    assert len(read_season([copy]).frames) == len(read_season([pair]).frames) > 0
    assert skyplumb("tally", copy, "--out", tmp_path / "out").code == 0
    assert skyplumb("forecast", copy, "--focal", 85).code == 0


def test_a_folder_without_sessions_is_one_line_with_the_mend(
    skyplumb: Command, tmp_path: Path
) -> None:
    for place in (tmp_path, tmp_path / "missing"):
        for command in (("tally", place, "--out", tmp_path / "out"), ("forecast", place)):
            done = skyplumb(*command)
            assert done.code == 2
            assert str(place) in done.stderr
            assert "audit --out" in done.stderr


def test_all_that_lies_in_an_output_can_be_given_at_once(folder: Path, tmp_path: Path) -> None:
    # As a shell writes OUT/* out: the audit's own page over all sessions among them.
    out = shutil.copytree(folder, tmp_path / "out")
    write_index(out)
    assert read_season(sorted(out.iterdir())).sessions == read_season([out]).sessions
    with pytest.raises(UserError, match=r"index\.html: is not a folder"):
        read_season([out / "index.html"])


@pytest.mark.slow
@pytest.mark.parametrize(("place", "linked"), [("season 1", "season%201/"), ("", ""), ("..", None)])
def test_the_index_of_an_output_leads_to_a_season_that_lies_in_it(
    skyplumb: Command, folder: Path, tmp_path: Path, place: str, linked: str | None
) -> None:
    out = shutil.copytree(folder, tmp_path / "deep" / "out")
    index = write_index(out)
    before = index.read_text("utf-8")
    assert "skyplumb tally" in before and "tally.html" not in before
    assert skyplumb("tally", out, "--out", out / place).code == 0
    after = index.read_text("utf-8")
    if linked is None:
        assert after == before
        return
    assert f'href="{linked}tally.html"' in after
    write_index(out)  # as the next audit does
    assert index.read_text("utf-8") == after
    assert skyplumb("tally", out, "--out", out / place).code == 0, "it is no session"


def test_a_missing_summary_leaves_mount_and_notes_unknown_and_counts_all_the_same(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/summary.json"):
        path.unlink()
    bare = read_season([copy])
    assert len(bare.frames) == len(season.frames)
    assert bare.runs["axis_total_error_arcmin"].isna().all()
    assert not counts_of(bare.frames, bare.runs).measured


def test_lenses_without_a_name_go_by_their_focal_length_and_zooms_by_both() -> None:
    assert label_of("", 35.2) == "35.2 mm"
    assert label_of("", float("nan")) == "lens unknown"
    assert label_of("Orvane Reach 85mm F2", 85.0) == "Orvane Reach 85mm F2"
    assert label_of("Orvane Span 24-70mm F4", 35.0) == "Orvane Span 24-70mm F4, 35 mm"


def test_an_unsolved_run_has_the_scale_of_its_camera_and_focal_length(
    folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    scale = f"{scale_of(200.0):.5f}"
    for path in copy.glob("*/frames.csv"):
        path.write_text(path.read_text("utf-8").replace(f",{scale},", ",,"), "utf-8")
    runs = read_season([copy]).runs
    long = runs[runs["focal_mm"] == 200.0]
    # The scales of the other lenses were written to five decimals.
    assert long["scale_arcsec_px"].to_numpy() == pytest.approx(scale_of(200.0), abs=1e-4)


# Hit rates and their intervals


@pytest.mark.parametrize(
    ("kept", "judged", "wilson", "exact"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857, Table I, methods 3 and 5.
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_intervals_are_those_of_newcombes_table(
    kept: int, judged: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    row = count_by(rows_of(kept, judged - kept), ("lens_label",)).iloc[0]
    # Printed to four decimals.
    assert (row["wilson_low"], row["wilson_high"]) == pytest.approx(wilson, abs=5e-5)
    assert (row["exact_low"], row["exact_high"]) == pytest.approx(exact, abs=5e-5)


def test_three_of_three_is_a_wide_interval() -> None:
    row = count_by(rows_of(3, 0), ()).iloc[0]
    assert row["rate"] == 1
    # Closed form: the exact lower limit of n of n is 0.025 ** (1 / n).
    assert row["exact_low"] == pytest.approx(0.025 ** (1 / 3), abs=1e-9)  # rounding
    assert row["wilson_low"] == pytest.approx(3 / (3 + 1.959964**2), abs=1e-6)  # six digits of z


def test_doubtful_is_not_kept_and_cloud_is_no_fault_of_the_gear() -> None:
    frames = pd.concat(
        [
            rows_of(6, 1),
            rows_of(0, 2).assign(verdict="doubtful"),
            rows_of(0, 5, cause="cloud", excluded=True),
        ],
        ignore_index=True,
    )
    row = count_by(frames, ("lens_label",)).iloc[0]
    told = {
        name: int(row[name])
        for name in ("frames", "excluded", "judged", "keep", "doubtful", "reject")
    }
    wanted = {"frames": 14, "excluded": 5, "judged": 9, "keep": 6, "doubtful": 2, "reject": 1}
    assert told == wanted
    assert row["rate"] == pytest.approx(6 / 9)
    assert row["hours"] == pytest.approx(14 / 60)
    assert row["hours_kept"] == pytest.approx(6 / 60)


def test_a_cell_where_nothing_was_judged_has_no_rate() -> None:
    row = count_by(rows_of(0, 4, cause="cloud", excluded=True), ("lens_label",)).iloc[0]
    assert row["judged"] == 0
    assert np.isnan([row["rate"], row["wilson_low"], row["exact_high"]]).all()


def test_frames_of_unknown_exposure_are_counted_and_add_no_time() -> None:
    frames = rows_of(3, 1, exposure_s=np.nan, setting_s=np.nan)
    row = count_by(frames, ("lens_label", "setting_s")).iloc[0]
    assert (row["frames"], row["untimed"], row["hours"]) == (4, 4, 0)


def test_every_breakdown_adds_up_to_the_same_total(season: Season) -> None:
    counted = tally(season)
    names = ["frames", "excluded", "judged", "keep", "doubtful", "reject"]
    total = counted.total[names].iloc[0]
    for table in counted.groups.values():
        assert (table[names].sum() == total).all()
    assert counted.costs["frames"].sum() == total["frames"] - total["keep"]


# Telling apart


def nights_of(chances: np.ndarray, frames: int, seed: int, setting: float) -> pd.DataFrame:
    """A run a night of one lens at one setting, kept by chance."""
    rng = np.random.default_rng([seed, int(setting)])
    parts = []
    for night, chance in enumerate(chances):
        keep = int(rng.binomial(frames, chance))
        some = rows_of(keep, frames - keep, exposure_s=setting, setting_s=setting)
        parts.append(some.assign(night=f"2026-01-{night + 1:02d}"))
    return pd.concat(parts, ignore_index=True)


def tally_of(frames: pd.DataFrame) -> tuple:
    return significant_differences(labelled(frames))


def test_two_cells_that_differ_in_every_night_are_clearly_different() -> None:
    many = [nights_of(np.full(8, p), 20, 3, t) for p, t in ((0.95, 15.0), (0.6, 30.0))]
    (found,) = tally_of(pd.concat(many, ignore_index=True))
    assert found.kind == "pair" and found.significant
    assert "against" in found.words and "settle" not in found.words


@pytest.mark.slow
def test_nights_that_differ_are_not_taken_for_settings_that_do() -> None:
    # Two settings on nights of their own and no difference between settings: frames taken for
    # independent (Fisher's exact test) would call most of these different.
    claimed = fisher = 0
    for seed in range(20):
        rng = np.random.default_rng([seed, 5])
        chance = 1 / (1 + np.exp(-rng.normal(1.2, 1.0, 8)))
        one, other = nights_of(chance[:4], 40, seed, 15.0), nights_of(chance[4:], 40, seed, 30.0)
        other["night"] = other["night"].str.replace("2026-01", "2026-02")
        (found,) = tally_of(pd.concat([one, other], ignore_index=True))
        claimed += found.significant
        kept = [int((some["verdict"] == "keep").sum()) for some in (one, other)]
        fisher += stats.fisher_exact([[kept[0], 160 - kept[0]], [kept[1], 160 - kept[1]]])[1] < 0.05
    # 5 % by design; four of twenty come one time in sixty.
    assert claimed < 4
    assert fisher > 8


def test_a_trend_along_exposure_is_found_and_told_by_its_way() -> None:
    many = [
        nights_of(np.full(6, p), 20, 4, t)
        for p, t in ((0.95, 15.0), (0.85, 30.0), (0.7, 60.0), (0.45, 120.0))
    ]
    found = {one.kind: one for one in tally_of(pd.concat(many, ignore_index=True))}
    assert found["trend"].significant
    assert found["trend"].words == "falls along it"


def test_a_season_with_nothing_lost_differs_in_nothing() -> None:
    many = [nights_of(np.ones(4), 12, 4, t) for t in (15.0, 30.0, 60.0)]
    assert not any(one.significant for one in tally_of(pd.concat(many, ignore_index=True)))


def test_comparisons_are_corrected_for_their_number() -> None:
    cells = zip((15.0, 30.0, 60.0, 120.0), (0.9, 0.7, 0.85, 0.75), strict=True)
    many = [nights_of(np.full(6, p), 12, 2, t) for t, p in cells]
    found = tally_of(pd.concat(many, ignore_index=True))
    plain = sorted(one.p for one in found)
    # Holm 1979: the smallest of m is multiplied by m, the next by m - 1, never falling.
    by_hand = np.minimum(np.maximum.accumulate(np.array(plain) * np.arange(len(plain), 0, -1)), 1)
    assert sorted(one.p_corrected for one in found) == pytest.approx(by_hand)
    assert any(one.p < 0.05 and not one.significant for one in found)


# What causes cost


def test_the_best_remedy_counts_only_frames_that_had_no_other_fault() -> None:
    frames = pd.concat(
        [
            rows_of(5, 4, cause="axis", share=0.55),
            rows_of(0, 3, cause="wind", share=1.0),
            rows_of(0, 9, cause="cloud", share=1.0, excluded=True),
            rows_of(0, 9, cause="unexplained", share=1.0),
        ],
        ignore_index=True,
    )
    table = costs(frames).set_index("cause")
    assert table.loc["axis", ["frames", "alone"]].tolist() == [4, 0]
    assert table.loc["wind", "alone_minutes"] == 3
    best = best_remedy(costs(frames))
    assert best is not None
    assert best["cause"] == "wind"


def test_without_a_loss_there_is_no_remedy() -> None:
    assert best_remedy(costs(rows_of(4, 0))) is None


# The regression with a random effect of the night


@pytest.mark.broad
def test_the_marginal_likelihood_is_what_numerical_integration_gives() -> None:
    # One night, one row, no slope to speak of: the fit maximises prior x integral, which a
    # general integrator can find on its own.
    k, n = 7.0, 10.0
    fit = fit_mixed(
        LOGIT, np.array([k]), np.array([n]), np.ones((1, 1)), np.zeros(1, np.intp), [Prior(0, 2)]
    )

    def cost(at: np.ndarray) -> float:
        from scipy.integrate import quad
        from scipy.special import expit

        def inside(z: float) -> float:
            p = expit(at[0] + np.exp(at[1]) * z)
            return float(stats.norm.pdf(z) * p**k * (1 - p) ** (n - k))

        prior = stats.norm.logpdf(at[0], 0, 2) + stats.norm.logpdf(at[1], np.log(0.4), 0.5)
        return -float(np.log(quad(inside, -9, 9)[0]) + prior)

    from scipy.optimize import minimize

    best = minimize(cost, [0.5, -1.0], method="Nelder-Mead", options={"xatol": 1e-5})
    # Both minimisers stop within a thousandth of the parameters.
    assert fit.params == pytest.approx(best.x, abs=3e-3)


def test_draws_of_a_regression_have_the_mean_that_integration_gives() -> None:
    # One night of nothing but hits: far from normal. The grid is the whole posterior, summed.
    k, priors = 12.0, [Prior(0, 2)]
    fit = fit_mixed(
        SURVIVAL, np.array([k]), np.array([k]), np.ones((1, 1)), np.zeros(1, int), priors
    )
    eta, log_spread = np.meshgrid(np.linspace(-9, 3, 241), np.linspace(-4, 2.5, 131), indexing="ij")
    nights = np.linspace(-5, 5, 201)
    much = np.exp(eta[..., None] + np.exp(log_spread)[..., None] * nights)
    chance = (np.exp(-k * np.minimum(much, 60)) * stats.norm.pdf(nights)).sum(axis=-1)
    weight = chance * stats.norm.pdf(eta, 0, 2) * stats.norm.pdf(log_spread, np.log(0.4), 0.5)
    mean = float((eta * weight).sum() / weight.sum())
    drawn = fit.draws(20_000, np.random.default_rng(1))[:, 0]
    # 800 weighted draws of sd 1.4: two standard errors; the peak lies further off.
    assert drawn.mean() == pytest.approx(mean, abs=0.1)
    assert abs(fit.params[0] - mean) > 0.13


@pytest.mark.parametrize("kept", [0.0, 20.0])
def test_a_season_of_only_hits_or_only_misses_gives_a_finite_fit(kept: float) -> None:
    night = np.repeat(np.arange(4), 2).astype(np.intp)
    fit = fit_mixed(
        LOGIT,
        np.full(8, kept),
        np.full(8, 20.0),
        np.stack([np.ones(8), np.tile([0.0, 1.0], 4)], axis=1),
        night,
        [Prior(0, 4), Prior(0, 1)],
    )
    assert np.isfinite(fit.params).all()
    assert (np.linalg.eigvalsh(fit.covariance) > 0).all()


# What makes the difference


def test_a_real_difference_is_found_and_a_false_one_is_not_claimed(tmp_path: Path) -> None:
    calm = DrawnRig(gusts_per_min=0.05, slip_nights=0.0)
    notes = [
        {
            "payload_g": 900.0 if n % 2 else 2400.0,
            "ground": "rock" if n % 4 < 2 else "turf",
            "alignment": "laser" if n == 3 else "scope",
        }
        for n in range(16)
    ]
    rng = np.random.default_rng(12)
    write_season([windy(calm, 40), calm], rng, 16, CELLS, 12, tmp_path, notes)
    season = read_season([tmp_path])
    found = {one.thing: one for one in effects(season.frames, season.runs)}
    assert set(found) == {"payload, g", "ground", "alignment"}
    payload = found["payload, g"]
    light_side = payload.side == "900"
    assert payload.words == ("better" if light_side else "worse")
    assert (payload.low > 0) == light_side
    assert found["ground"].low < 0 < found["ground"].high
    assert found["alignment"].words == "not enough nights to tell"
    assert np.isnan(found["alignment"].gain)


@pytest.fixture(scope="module")
def trackers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve nights of two trackers in turn, of which one stands in less wind."""
    calm = DrawnRig(gusts_per_min=0.05, slip_nights=0.0)
    notes = [{"tracker": "Tarn" if n % 2 else "Skarn"} for n in range(12)]
    out = tmp_path_factory.mktemp("trackers")
    rng = np.random.default_rng(14)
    return write_season([windy(calm, 40), calm], rng, 12, CELLS, 12, out, notes)


@pytest.mark.slow
def test_two_trackers_are_compared_in_a_sentence(
    skyplumb: Command, trackers: Path, tmp_path: Path
) -> None:
    done = skyplumb("tally", trackers, "--out", tmp_path / "out", "--by", "tracker")
    assert done.code == 0
    said = next(line for line in done.stdout.splitlines() if line.startswith("Tarn holds"))
    assert " better than Skarn: " in said and " points), most of it wind" in said
    numbers = [int(one) for one in re.findall(r"(\d+)%", said)]
    low, high = map(int, re.findall(r"difference (\d+) to (\d+) points", said)[0])
    assert low < numbers[0] - numbers[1] < high
    (told,) = json.loads((tmp_path / "out" / "tally.json").read_text("utf-8"))["effects"]
    assert told["sentence"] == said
    here, there = told["losses"]["wind"]
    assert here < there
    page = (tmp_path / "out" / "tally.html").read_text("utf-8")
    assert said in page


@pytest.mark.slow
def test_a_column_that_tells_nothing_is_said_to(
    skyplumb: Command, trackers: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = skyplumb("tally", trackers, "--out", out, "--by", "camera")
    assert (done.code, "the same in all frames" in done.stdout) == (0, True)
    height = skyplumb("tally", trackers, "--out", out, "--by", "altitude_deg")
    assert re.search(r"(up to|over) [0-9.]+", height.stdout)
    wrong = skyplumb("tally", trackers, "--out", out, "--by", "colour")
    assert wrong.code == 2
    assert wrong.stderr == (
        "--by colour: is no column of frames.csv, and no night note tells it; "
        "the notes tell tracker\n"
    )


def test_what_is_open_says_how_many_more_nights_would_settle_it(tmp_path: Path) -> None:
    calm = DrawnRig(slip_nights=0.0)
    notes = [{"tracker": "Tarn" if n % 2 else "Skarn"} for n in range(6)]
    rng = np.random.default_rng(15)
    write_season([windy(calm, 1.6), calm], rng, 6, CELLS, 6, tmp_path, notes)
    season = read_season([tmp_path])
    (found,) = effects(season.frames, season.runs, "tracker")
    assert found.open
    assert found.sentence.startswith("Open: ")
    assert "more nights" in found.sentence or "no number of nights" in found.sentence


def test_a_difference_counts_after_holms_correction_only() -> None:
    def one(p: float, words: str) -> Effect:
        return Effect("wind", "a", "b", (5, 5), (9, 9), (0.5, 0.5), 0.1, 0.01, 0.2, p, words)

    told = [one(0.04, "better"), one(0.001, "worse"), one(0.3, "no difference seen")]
    told.append(one(float("nan"), "not enough nights to tell"))
    # Holm 1979: 0.001 against 0.05 / 3, then 0.04 against 0.05 / 2.
    assert [effect.words for effect in _correct_for_number(told)] == [
        "may be chance, in 3 comparisons",
        "worse",
        "no difference seen",
        "not enough nights to tell",
    ]


@pytest.mark.slow
def test_of_many_comparisons_without_a_difference_few_are_claimed() -> None:
    words = []
    for seed in range(25):
        rng = np.random.default_rng([seed, 8])
        # Nights that differ by chance alone: hit rates of each from one law.
        chance = 1 / (1 + np.exp(-rng.normal(1.5, 0.6, 9)))
        sides = rng.integers(0, 2, (9, 4))
        runs = [
            {
                "night": f"2026-01-{night + 1:02d}",
                "camera": "Orvane N6",
                "lens": "Reach",
                "focal_mm": focal,
                "scale_arcsec_px": scale_of(focal),
                "setting_s": setting,
                "notes": {f"tags.{n}": f"side {side}" for n, side in enumerate(sides[night])},
            }
            for night in range(9)
            for focal, setting in CELLS
        ]
        frames = [
            {"run_id": n, "verdict": v, "excluded": False}
            for n in range(len(runs))
            for keep in [rng.binomial(20, chance[n // len(CELLS)])]
            for v in ["keep"] * keep + ["reject"] * (20 - keep)
        ]
        told = [one.words for one in effects(pd.DataFrame(frames), pd.DataFrame(runs))]
        words.append(any(one in ("better", "worse") for one in told))
    # 5 % of seasons by design (Holm 1979); 5 of 25 or more would come one time in 150.
    assert sum(words) < 5


def test_what_is_the_same_in_all_runs_is_not_compared(season: Season) -> None:
    found = {one.thing for one in effects(season.frames, season.runs)}
    assert found == {"payload, g"}


# Files and page


@pytest.fixture(scope="module")
def page(season: Season, model: SeasonModel) -> dict:
    counted = tally(season)
    return gear_page(season, counted, model, effects(season.frames, season.runs))


@pytest.mark.slow
def test_tally_writes_table_facts_and_page(
    skyplumb: Command, folder: Path, season: Season, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = skyplumb("tally", folder, "--out", out)
    assert done.code == 0
    assert sorted(path.name for path in out.iterdir()) == [
        *("tally.csv", "tally.html", "tally.json", "tracker.csv")
    ]
    told = json.loads((out / "tally.json").read_text("utf-8"))
    with (out / "tally.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    total = next(row for row in rows if row["by"] == "all")
    keep = int((season.frames["verdict"] == "keep").sum())
    assert int(total["keep"]) == told["total"]["keep"] == keep
    assert f"{keep} of {told['total']['judged']}" in done.stdout
    assert {row["by"] for row in rows} == {"all", *told["hit_rates"], "cause"}
    lost = {row["cause"]: int(row["frames"]) for row in rows if row["by"] == "cause"}
    assert lost == {one["cause"]: one["frames"] for one in told["costs"]}
    assert told["model"]["used"] in ("rig", "plain")
    assert "Infinity" not in (out / "tally.json").read_text("utf-8")


@pytest.mark.slow
def test_tally_leaves_what_it_reads_untouched_and_answers_the_same_again(
    skyplumb: Command, pair: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in pair.rglob("*") if path.is_file()}
    texts = []
    for name in ("one", "two"):
        assert skyplumb("tally", pair, "--out", tmp_path / name).code == 0
        texts.append([p.read_bytes() for p in sorted((tmp_path / name).iterdir())])
    assert texts[0] == texts[1]
    assert before == {path: path.read_bytes() for path in pair.rglob("*") if path.is_file()}


def test_a_file_in_the_way_of_the_output_folder_is_one_line(
    skyplumb: Command, folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "out").write_text("mine")
    done = skyplumb("tally", folder, "--out", tmp_path / "out")
    assert done.code == 2
    assert "--out" in done.stderr


@pytest.mark.slow
def test_the_groups_in_the_page_add_up_to_its_tables(page: dict) -> None:
    groups, names = page["data"]["groups"], page["data"]["names"]
    table = pd.DataFrame(groups)
    assert table["n"].sum() == page["total"]["frames"]
    kept = table[table["verdict"] == names["verdict"].index("keep")]
    cells = next(one for one in page["breakdowns"] if one["id"] == "cells")
    for row in cells["rows"]:
        lens, setting = row["keys"]
        here = kept[
            (kept["lens"] == names["lens"].index(lens))
            & (kept["setting"] == names["setting"].index(setting))
        ]
        assert here["n"].sum() == row["keep"]


@pytest.mark.broad
def test_lenses_are_told_from_wide_to_long(page: dict) -> None:
    assert page["data"]["names"]["lens"] == ["Orvane 35mm", "Orvane 85mm", "Orvane 200mm"]


@pytest.mark.broad
def test_only_what_was_met_is_told_as_not_the_gear(page: dict) -> None:
    assert page["not_the_gear"] == ["cloud"]


def test_the_page_asks_for_nothing_from_outside(page: dict) -> None:
    text = render(page)
    head = text[: text.index('<script type="application/json"')]
    assert "default-src 'none'" in head
    assert not re.search(r"""(?:src|href)=["']?(?:https?:)?//""", head)
    assert "<noscript>" in head
    for chart in CHARTS:
        if page["data"]["calibration"] or chart != "calibration":
            assert f'data-chart="{chart}"' in head


def test_every_chart_has_its_numbers_in_a_table_below(page: dict) -> None:
    text = render(page)
    for section in text.split("<section>")[1:]:
        if "data-chart" in section:
            chart = section.index("data-chart")
            assert section.index("<table") > chart


def test_a_hostile_lens_name_comes_out_escaped(tmp_path: Path) -> None:
    lens = '</script><img src=x onerror="alert(1)">{focal:g}'
    rng = np.random.default_rng(2)
    season = read_season([write_season(RIG, rng, 3, CELLS[:2], 6, tmp_path / "in", lens=lens)])
    model = model_of(counts_of(season.frames, season.runs))
    text = render(gear_page(season, tally(season), model, effects(season.frames, season.runs)))
    assert "<img src=x" not in text
    assert "&lt;img src=x" in text


@pytest.mark.broad
def test_a_name_that_a_spreadsheet_would_run_is_guarded_there_and_read_back_plain(
    skyplumb: Command, tmp_path: Path
) -> None:
    rng = np.random.default_rng(2)
    folder = write_season(RIG, rng, 3, CELLS[:2], 6, tmp_path / "in", lens="'=1+{focal:g}mm")
    assert set(read_season([folder]).frames["lens"]) == {"=1+35mm", "=1+85mm"}
    skyplumb("tally", folder, "--out", tmp_path / "out")
    text = (tmp_path / "out" / "tally.csv").read_text("utf-8")
    assert "'=1+35mm" in text
    assert ",=1+" not in text


@pytest.mark.broad
def test_a_season_of_one_night_has_its_page_with_a_model(tmp_path: Path) -> None:
    season = read_season([write_season(RIG, np.random.default_rng(2), 1, CELLS, 6, tmp_path)])
    model = model_of(counts_of(season.frames, season.runs))
    assert model.used == "rig"
    text = render(gear_page(season, tally(season), model, effects(season.frames, season.runs)))
    assert "No model" not in text
    assert "Nights were left out" not in text


@pytest.mark.parametrize("name", sorted(CHARTS))
def test_every_chart_draws(name: str, page: dict) -> None:
    rows = {
        "cells": [
            {
                "lens": "A",
                "setting": 60,
                "rate": 0.8,
                "low": 0.6,
                "high": 0.9,
                "words": "8 of 10",
                "told": "8 of 10",
            },
        ],
        "curves": [
            *page["data"]["curves"],
            {
                "kind": "seen",
                "lens": "Orvane 35mm",
                "path": 90,
                "rate": 0.8,
                "low": 0.6,
                "high": 0.9,
                "words": "8 of 10",
                "told": "8 of 10",
            },
        ],
        "losses": [{"label": "wind", "minutes": 40, "alone": 25, "words": "12", "told": "wind"}],
        "nights": [
            {"night": "2026-01-01", "rate": 0.8, "low": 0.6, "high": 0.9, "told": "8 of 10"}
        ],
        "calibration": [{**row, "told": "kept"} for row in page["data"]["calibration"]],
        "reach": list(page["data"]["reach"]),
    }[name]
    colours = {"$paper": "#fff", "$ink": "#111", "$soft": "#555", "$line": "#ccc"}
    colours |= {"$from": 0.5, "$width": 300, "$lenses": ["A", "Orvane 35mm"]}
    text = json.dumps({**CHARTS[name](), "config": CONFIG, "data": {"values": rows}})
    for mark, value in colours.items():
        text = text.replace(json.dumps(mark), json.dumps(value))
    assert "$" not in text.replace("$schema", "")
    svg = vl_convert.vegalite_to_svg(json.loads(text))
    assert svg.startswith("<svg")
    marks = len(re.findall(r"<path[^>]*aria-roledescription=\"(?:point|rule mark|bar)", svg))
    assert marks > 0 or "mark-symbol" in svg or "mark-rect" in svg
    # Black, greys and white alone: nothing is told by colour.
    used = set(re.findall(r"#[0-9a-f]{3,6}\b", svg))
    assert used <= {"#fff", "#111", "#555", "#ccc", "#ddd", "#888", "#000"}


def test_what_is_not_known_of_the_gear_is_told_as_not_known(
    skyplumb: Command, folder: Path, tmp_path: Path
) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/frames.csv"):
        text = re.sub(
            r"Orvane N6,Orvane \d+mm,[\d.]+,[\d.]+,[\d.]+,", ",,,,,", path.read_text("utf-8")
        )
        path.write_text(text, "utf-8")
    out = tmp_path / "out"
    done = skyplumb("tally", copy, "--out", out)
    assert done.code == 0
    told = json.loads((out / "tally.json").read_text("utf-8"))
    (cell,) = told["hit_rates"]["lens and exposure"]
    assert cell["setting_s"] is None
    assert cell["untimed"] == cell["frames"] == told["total"]["frames"]
    assert told["model"]["used"] == "none"
    page = (out / "tally.html").read_text("utf-8")
    page = page[: page.index('<script type="application/json"')]
    assert "not known" in page
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.S).casefold().split()


def test_a_season_of_clouds_has_no_hit_rate(folder: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(folder, tmp_path / "copy")
    for path in copy.glob("*/frames.csv"):
        text = path.read_text("utf-8")
        path.write_text(
            re.sub(r",(?:keep,none|(?:reject|doubtful),\w+)\r?\n", ",reject,cloud\n", text), "utf-8"
        )
    season = read_season([copy])
    counted = tally(season)
    assert counted.total["judged"].item() == 0
    model = model_of(counts_of(season.frames, season.runs))
    assert model.used == "none"
    text = render(gear_page(season, counted, model, effects(season.frames, season.runs)))
    assert "0</strong> of 0 frames kept" in text


def test_losses_of_two_sides_are_compared_cell_by_cell() -> None:
    # Ten frames of either side in the first cell, four of one alone in the second, which says
    # nothing of the other: 3 of 10 lost to wind against 1 of 10, 1 to the axis against none.
    pair = pd.DataFrame(
        {
            "x": [1.0, 1.0, 2.0],
            "judged": [10, 10, 4],
            "lost wind": [3, 1, 4],
            "lost axis": [1, 0, 0],
            "lost focus": [0, 0, 0],
        }
    )
    told = _losses(pair, pd.Series([True, False, True]))
    assert list(told) == ["wind", "axis"]
    assert told["wind"] == pytest.approx((0.3, 0.1))
    assert told["axis"] == pytest.approx((0.1, 0.0))
