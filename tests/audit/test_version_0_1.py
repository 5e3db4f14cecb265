"""Outputs of version 0.1, such as `data/version-0.1` (its audit of the demo), are read today."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from skyplumb import read_session
from skyplumb.output.earlier import table_rows
from skyplumb.season.rig_model import counts_of
from skyplumb.season.sessions import read_season
from skyplumb.summary import read_summary
from smallcard import Finished

DATA = Path(__file__).parents[1] / "data"
OLD = DATA / "version-0.1"
SLIPPED = "N6_0033.dng"


@pytest.fixture(scope="module")
def cells() -> list[dict[str, str]]:
    """The old table as it stands in the file."""
    with (OLD / "frames.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_a_program_reads_an_old_session_under_todays_names(cells: list[dict[str, str]]) -> None:
    night = read_session(OLD)
    wanted = [float(row["shift_px"] or "nan") for row in cells]
    np.testing.assert_array_equal(night.frames["drift_px"], wanted)
    assert np.isfinite(wanted).sum() == 36
    causes = {"slip" if row["cause"] == "sag" else row["cause"] for row in cells}
    assert set(night.frames["cause"]) == causes > {"slip"}
    assert not {"shift_px", "shift_angle_deg"} & set(night.frames.columns)
    told = night.summary.runs[0].mount
    raw = json.loads((OLD / "summary.json").read_text("utf-8"))["sessions"][0]
    old = raw["runs"][0]["mount"]
    assert told.slip_arcsec_per_min == old["sag_arcsec_per_min"] == pytest.approx(59.43, abs=0.005)
    assert told.slip_arcsec_per_min_sigma == old["sag_arcsec_per_min_sigma"]
    assert [one.cause for one in night.summary.advice] == [
        *("axis", "slip", "wind", "knock", "cloud")
    ]
    assert [run.loss.get("slip", 0) for run in night.summary.runs] == [0, 0, 0, 0, 4]
    assert sum(run.loss_minutes.get("slip", 0.0) for run in night.summary.runs) == 5.0
    shares = {f.file: f.causes for run in night.summary.runs for f in run.frames}
    assert next(causes for file, causes in shares.items() if file.endswith(SLIPPED)) == {
        "slip": 1.0
    }


def test_an_axis_is_no_heading() -> None:
    # Towards which of its two ends the sky moved, version 0.1 did not say.
    assert read_session(OLD).frames["drift_angle_deg"].isna().all()


def test_old_and_new_tables_of_one_card_have_the_same_columns_and_causes(tmp_path: Path) -> None:
    new = shutil.copytree(OLD, tmp_path / "new")
    shutil.copy(DATA / "demo-frames.csv", new / "frames.csv")
    then, now = read_session(OLD).frames, read_session(new).frames
    assert set(then.columns) == set(now.columns)
    assert (then["file"] == now["file"]).all()
    assert (then["cause"] == now["cause"]).all() and (then["verdict"] == now["verdict"]).all()
    # A heading is told both ways round, as an axis cannot be.
    assert now["drift_angle_deg"].min() < -90 or now["drift_angle_deg"].max() > 90


def test_why_a_figure_is_missing_is_read_under_its_name(tmp_path: Path) -> None:
    told = json.loads((OLD / "summary.json").read_text("utf-8"))
    mount = told["sessions"][0]["runs"][0]["mount"]
    mount |= {"sag_arcsec_per_min": None, "why_not": {"sag_arcsec_per_min": "no onset was seen"}}
    told["sessions"][0]["advice"][0]["together_with"] = "sag"
    (tmp_path / "summary.json").write_text(json.dumps(told), "utf-8")
    (night,) = read_summary(tmp_path / "summary.json")
    assert night.runs[0].mount.why_not == {"slip_arcsec_per_min": "no onset was seen"}
    assert np.isnan(night.runs[0].mount.slip_arcsec_per_min)
    assert night.advice[0].together_with == "slip"


def test_a_season_counts_old_slips_as_slips() -> None:
    season = read_season([OLD])
    lost = season.frames[season.frames["cause"] == "slip"]
    assert len(lost) == 4 and (lost["share"] == 1.0).all()
    assert counts_of(season.frames, season.runs).slips.sum() == 4


@pytest.mark.slow
def test_tally_and_forecast_take_an_old_output(skyplumb: object, tmp_path: Path) -> None:
    done: Finished = skyplumb("tally", OLD, "--out", tmp_path)  # type: ignore[operator]
    assert done.code == 0, done.stderr
    costs = json.loads((tmp_path / "tally.json").read_text("utf-8"))["costs"]
    assert {row["cause"]: row["frames"] for row in costs}["slip"] == 4
    done = skyplumb("forecast", OLD, "--focal", "85", "--exposure", "75")  # type: ignore[operator]
    assert done.code == 0 and "85" in done.stdout


def test_what_an_earlier_audit_left_is_known_by_its_old_table(cells: list[dict[str, str]]) -> None:
    rows = table_rows(OLD / "frames.csv")
    assert [row["drift_px"] for row in rows] == [row["shift_px"] for row in cells]
    assert {row["cause"] for row in rows} >= {"slip", "axis"} and "shift_px" not in rows[0]
