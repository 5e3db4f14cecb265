"""Which audited sessions are one night, and what that does to a season's intervals."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from drawnseason import DrawnRig, scale_of, write_season
from skyplumb.season.nights import Identity, nights_of
from skyplumb.season.rig_model import Counts, Floats, counts_of, fit_rig
from skyplumb.season.sessions import Season, read_season
from skyplumb.season.tally import tally
from smallcard import Finished

Command = Callable[..., Finished]
Row = dict[str, str]

OLD = Path(__file__).parents[1] / "data" / "version-0.1"
CELLS = ((35.0, 120.0), (85.0, 60.0), (135.0, 60.0))

RIDGE = Identity("a", "2026-08-14", 46.6, 9.9, frames=20)
FAR = replace(RIDGE, session="b", latitude_deg=48.8, longitude_deg=12.0, frames=30)
"""290 km away."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six nights of a drawn rig as audits leave them, a session each; only to be read."""
    where = tmp_path_factory.mktemp("season")
    return write_season(DrawnRig(), np.random.default_rng(11), 6, CELLS, 12, where)


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season([folder])


def split(
    folder: Path,
    out: Path,
    change: Callable[[Row], Row] = lambda row: row,
    **told: Any,
) -> Path:
    """The same season with every second frame of each night in a session of its own.

    `change` makes a row of that session, `told` is what its summary says of itself.
    """
    for session in sorted(folder.iterdir()):
        one = shutil.copytree(session, out / session.name)
        other = shutil.copytree(session, out / f"{session.name}-2")
        with (session / "frames.csv").open(encoding="utf-8", newline="") as lines:
            reader = csv.DictReader(lines)
            rows, names = list(reader), reader.fieldnames or ()
        for place, some in ((one, rows[::2]), (other, [change(row) for row in rows[1::2]])):
            with (place / "frames.csv").open("w", encoding="utf-8", newline="") as table:
                writer = csv.DictWriter(table, names)
                writer.writeheader()
                writer.writerows(some)
            summary = json.loads((place / "summary.json").read_text("utf-8"))
            summary["sessions"][0] |= told if place == other else {}
            files = {row["file"] for row in some}
            for run in summary["sessions"][0]["runs"]:
                run["frames"] = [one for one in run.get("frames", ()) if one["file"] in files]
            (place / "summary.json").write_text(json.dumps(summary), "utf-8")
    return out


def nights(season: Season) -> int:
    return int(tally(season).total["nights"].item())


# Sessions and nights


def test_two_bodies_of_one_evening_are_one_night(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    def body(row: Row) -> Row:
        return row | {"camera": "Tarn Works N1"}

    two = read_season([split(folder, tmp_path, body, camera="Tarn Works N1", serial="TW-3")])
    assert two.sessions == 12
    assert nights(two) == nights(season) == 6
    assert len(two.frames) == len(season.frames)
    assert set(two.frames["night"]) == set(season.frames["night"])


def test_two_cards_of_one_evening_are_one_night_whatever_their_folders(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    cards = split(folder, tmp_path / "both")
    second = tmp_path / "second"
    second.mkdir()
    for n, session in enumerate(sorted(cards.glob("*-2"))):
        session.rename(second / f"card {n}")
    assert nights(read_season([cards, second])) == nights(season) == 6


def test_two_sites_far_apart_on_one_evening_are_two_nights(folder: Path, tmp_path: Path) -> None:
    far = split(folder, tmp_path / "far", latitude_deg=46.0, longitude_deg=9.9 + 3.9)
    assert nights(read_season([far])) == 12  # 300 km along the 46th parallel
    near = split(folder, tmp_path / "near", latitude_deg=46.0, longitude_deg=9.9 + 0.5)
    assert nights(read_season([near])) == 6  # 39 km


def test_sites_within_50_km_are_one_and_those_beyond_are_named() -> None:
    # One degree along a meridian is 111.2 km (2 pi 6371 km / 360).
    near = replace(RIDGE, session="b", latitude_deg=46.6 + 49 / 111.2)
    past = replace(RIDGE, session="b", latitude_deg=46.6 + 51 / 111.2)
    assert nights_of([RIDGE, near]) == ["2026-08-14"] * 2
    assert nights_of([RIDGE, past]) == ["2026-08-14 46.6N 9.9E", "2026-08-14 47.1N 9.9E"]
    assert nights_of([past, RIDGE]) == ["2026-08-14 47.1N 9.9E", "2026-08-14 46.6N 9.9E"]
    # Along a parallel a degree is less, and 179.9 east lies beside 179.9 west.
    east = replace(RIDGE, longitude_deg=179.9)
    assert nights_of([east, replace(RIDGE, longitude_deg=-179.9)]) == ["2026-08-14"] * 2
    assert len(set(nights_of([RIDGE, replace(RIDGE, longitude_deg=10.6)]))) == 2  # 53 km
    assert nights_of([RIDGE, replace(FAR, evening="2026-08-15")]) == ["2026-08-14", "2026-08-15"]


def test_a_session_of_unknown_site_joins_its_evening_and_of_two_sites_the_larger() -> None:
    lost = Identity("c", "2026-08-14", frames=5)
    assert nights_of([lost, RIDGE]) == ["2026-08-14"] * 2
    assert nights_of([lost, replace(lost, session="d")]) == ["2026-08-14"] * 2
    for order in ([lost, RIDGE, FAR], [FAR, lost, RIDGE]):
        found = dict(zip([one.session for one in order], nights_of(order), strict=True))
        assert found["a"] != found["b"] == found["c"]


def test_undated_sessions_are_nights_of_their_own() -> None:
    undated = Identity("out/undated-n6", "", 46.6, 9.9)
    assert nights_of([undated, replace(undated, session="more/undated-n6"), RIDGE]) == [
        *("out/undated-n6", "more/undated-n6", "2026-08-14")
    ]


# What versions before did not tell


@pytest.mark.slow
def test_an_older_output_has_its_evening_by_its_name_and_a_line_says_so(
    skyplumb: Command, tmp_path: Path
) -> None:
    old = shutil.copytree(OLD, tmp_path / "renamed")
    season = read_season([old])
    assert set(season.frames["night"]) == {"2026-08-14"}
    (line,) = season.notices
    assert "1 of 1 session tells neither evening nor site" in line and "audit again" in line
    done = skyplumb("tally", old, "--out", tmp_path / "out")
    assert line in done.stdout
    assert line.replace("'", "&#39;") in (tmp_path / "out" / "tally.html").read_text("utf-8")
    assert json.loads((tmp_path / "out" / "tally.json").read_text("utf-8"))["notices"] == [line]
    assert line in skyplumb("forecast", old, "--focal", 85).stdout


def test_an_older_output_joins_the_session_of_its_evening(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path / "season")
    old = shutil.copytree(OLD, tmp_path / "old")
    for name in ("frames.csv", "summary.json"):
        text = (old / name).read_text("utf-8")
        (old / name).write_text(text.replace("2026-08-14", "2026-01-04"), "utf-8")
    both = read_season([tmp_path / "season", old])
    assert nights(both) == 6
    assert "1 of 7 sessions tells" in both.notices[0]


def test_without_a_name_that_tells_the_evening_it_is_that_of_the_frames_times(
    tmp_path: Path,
) -> None:
    old = shutil.copytree(OLD, tmp_path / "my ridge")
    text = (old / "frames.csv").read_text("utf-8").replace("2026-08-14-orvane-n6", "mine")
    (old / "frames.csv").write_text(text, "utf-8")
    (old / "summary.json").unlink()
    # Taken on both sides of midnight by the camera's clock, as by UTC: one evening.
    assert set(read_season([old]).frames["night"]) == {"2026-08-14"}
    frames = pd.read_csv(old / "frames.csv", dtype=str, keep_default_na=False)
    frames.assign(taken_camera="").to_csv(old / "frames.csv", index=False)
    assert set(read_season([old]).frames["night"]) == {"2026-08-14"}
    frames.assign(taken_camera="", taken_utc="").to_csv(old / "frames.csv", index=False)
    assert set(read_season([old]).frames["night"]) == {"my ridge"}


def test_a_season_of_today_has_nothing_to_say(season: Season) -> None:
    assert season.notices == ()


# Shots


def test_a_shot_audited_twice_counts_once_and_two_bodies_in_step_count_twice(
    folder: Path, season: Season, tmp_path: Path
) -> None:
    again = shutil.copytree(folder, tmp_path / "again")
    assert read_season([folder, again]).twice == len(season.frames)
    for path in again.glob("*/summary.json"):
        # Of a version that told no serial: still the same shots.
        path.write_text(path.read_text("utf-8").replace('"OR-17"', '""'), "utf-8")
    assert read_season([folder, again]).twice == len(season.frames)
    twins = shutil.copytree(folder, tmp_path / "twins")
    for path in twins.glob("*/summary.json"):
        # Another body of the model, released by the same cable: names and times are the same.
        path.write_text(path.read_text("utf-8").replace("OR-17", "OR-18"), "utf-8")
    both = read_season([folder, twins])
    assert (both.twice, len(both.frames)) == (0, 2 * len(season.frames))
    assert nights(both) == nights(season)


# Intervals


def test_intervals_are_those_of_the_right_nights_and_wider_than_of_a_night_a_session(
    tmp_path: Path,
) -> None:
    rig = DrawnRig(gust_spread=1.0)
    whole = write_season(rig, np.random.default_rng(13), 6, CELLS, 40, tmp_path / "whole")
    halves = read_season([split(whole, tmp_path / "halves")])
    counts = counts_of(halves.frames, halves.runs)
    # Runs come session by session, so that this is a night for each.
    by_session = replace(counts, night=np.arange(len(counts.night)) // len(CELLS))
    assert len(np.unique(by_session.night)) == halves.sessions == 12

    def width(some: Counts) -> Floats:
        focal, exposure = np.array(CELLS).T
        found = fit_rig(some).rate(scale_of(1.0) / focal, exposure)
        return np.asarray(found.high - found.low)

    season = read_season([whole])
    right, wrong = width(counts), width(by_session)
    # Of the same frames of the same nights, whichever run they are in: but for rounding.
    assert right == pytest.approx(width(counts_of(season.frames, season.runs)), rel=0.01)
    # By the root of two where nights alone count; what physics leaves is as wide in both.
    assert (right > wrong).all()
    assert (right / wrong).max() > 1.2
