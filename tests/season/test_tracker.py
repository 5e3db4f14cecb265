"""The tracker over time: trends that were drawn are found, others are not claimed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drawnseason import DrawnRig, write_season
from skyplumb.season.gear import write_tally
from skyplumb.season.sessions import read_season
from skyplumb.season.tracker import FIGURES, phases, placements, trend_words, trends
from skyplumb.season.tracker_page import tracker_page, tracker_table


def table(count: int, seed: int, wear: float = 0.0, load: float = 0.0) -> pd.DataFrame:
    """Placements a week apart, whose periodic error grows by `wear` arcsec a month and `load` a
    kilogram, beside a scatter of 0.4 and errors of 0.3."""
    rng = np.random.default_rng(seed)
    days = 20_000 + 7.0 * np.arange(count)
    grams = rng.choice([600.0, 1200.0, 2000.0], count)
    rows = pd.DataFrame({"day": days, "payload_g": grams, "tracker": "Zwirn"})
    rows["night"] = pd.to_datetime(days, unit="D").strftime("%Y-%m-%d")
    rows["temperature_c"] = np.nan
    rows["periodic_phase_deg"] = np.nan
    for one in FIGURES:
        rows[one.name], rows[f"{one.name}_sigma"] = np.nan, np.nan
    drawn = 4 + wear * (days - days[0]) / 30 + load * grams / 1000
    rows["periodic_amplitude_arcsec"] = drawn + rng.normal(0, 0.5, count)
    rows["periodic_amplitude_arcsec_sigma"] = 0.3
    return rows


def test_wear_and_load_are_found() -> None:
    (worn,) = trends(table(20, 1, wear=1.0))
    along = {against.name: line for against, line in worn.along}
    assert "temperature_c" not in along  # nobody told it
    assert along["day"].slope_low < 1.0 < along["day"].slope_high
    assert along["day"].slope == pytest.approx(1.0, abs=0.3)
    (words,) = trend_words([worn])
    assert words.startswith("Periodic error, amplitude of Zwirn: +")
    (loaded,) = trends(table(20, 2, load=2.0))
    line = {against.name: line for against, line in loaded.along}["payload_g"]
    assert line.slope == pytest.approx(2.0, abs=0.6)
    assert line.slope_low > 0


@pytest.mark.slow
def test_trends_are_claimed_by_chance_as_rarely_as_said() -> None:
    claimed = [
        line.clear for seed in range(300) for _, line in trends(table(8, 100 + seed))[0].along
    ]
    # 5 % of 600, and three standard deviations of that.
    assert np.mean(claimed) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)


def test_phases_alike_and_phases_by_chance() -> None:
    rng = np.random.default_rng(5)
    alike = pd.DataFrame({"periodic_phase_deg": rng.normal(350, 20, 9) % 360})
    chance = [
        phases(pd.DataFrame({"periodic_phase_deg": rng.uniform(0, 360, 9)}))[1] for _ in range(400)
    ]
    assert phases(alike)[1] < 0.001
    assert np.mean(np.array(chance) < 0.05) == pytest.approx(0.05, abs=0.035)
    assert np.isnan(phases(alike.head(4))[1])
    assert phases(alike.head(5))[1] < 0.01


def test_why_a_phase_has_no_trend_is_said_where_one_is_known() -> None:
    placed = table(6, 3)
    assert tracker_page(placed, trends(placed))["phase"] == ""
    for known, compared in ((3, False), (6, True)):
        placed["periodic_phase_deg"] = np.where(np.arange(6) < known, 40.0 * np.arange(6), np.nan)
        said = tracker_page(placed, trends(placed))["phase"]
        assert "has no trend" in said
        assert (f"({known} placements)" in said) == compared


@pytest.mark.slow
def test_each_placement_counts_once_and_is_told(tmp_path: Path) -> None:
    cells = [(85.0, 60.0), (35.0, 120.0)]
    write_season(DrawnRig(), np.random.default_rng(4), 5, cells, 6, tmp_path / "in")
    season = read_season([tmp_path / "in"])
    placed = placements(season)
    assert len(placed) == season.runs["night"].nunique()
    assert len(season.runs) > len(placed)
    done = write_tally([tmp_path / "in"], tmp_path / "out")
    rows = pd.read_csv(tmp_path / "out" / "tracker.csv")
    assert len(rows) == len(placed)
    told = json.loads((tmp_path / "out" / "tally.json").read_text("utf-8"))["tracker"]
    assert {one["figure"] for one in told["trends"]} <= {one.name for one in FIGURES}
    page = done.page.read_text("utf-8")
    assert "The tracker over time" in page
    assert page.count('class="dot"') >= len(placed)


def test_a_placement_with_a_run_at_half_speed_has_the_rate_of_the_others(tmp_path: Path) -> None:
    cells = [(85.0, 60.0), (35.0, 120.0)]
    write_season(DrawnRig(rate_ppm=50.0), np.random.default_rng(5), 2, cells, 6, tmp_path)
    for n, path in enumerate(sorted(tmp_path.glob("*/summary.json"))):
        told = json.loads(path.read_text("utf-8"))
        # Be it the first or the last.
        slow = told["sessions"][0]["runs"][n]["mount"]
        slow |= {"rate_name": "half speed", "rate_error_ppm": -500_000.0}
        path.write_text(json.dumps(told), "utf-8")
    placed = placements(read_season([tmp_path]))
    assert len(placed) == 2
    assert (placed["rate_error_ppm"].abs() < 1000).all()


def test_a_season_without_a_fit_has_no_section() -> None:
    assert tracker_page(table(1, 1).head(0), []) == {}
    assert "day" not in tracker_table(table(2, 1)).columns
