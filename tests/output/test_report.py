"""The page: true to the table, safe with any name, and in need of nothing else."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from inventednight import invented_night, rows_of, table_of
from skyplumb.causes import CAUSES, LASER_CAUTION
from skyplumb.digits import duration
from skyplumb.findings import Advice
from skyplumb.judge.advice import mount_faults
from skyplumb.judge.mount import MountFit, Periodic
from skyplumb.output.index import write_index
from skyplumb.output.page.figures import figure, with_sigma
from skyplumb.output.page.mounts import FAULT_OF, SURE_95, axis_of, setups_of
from skyplumb.output.page.pictures import BESIDE_FROM, from_bytes, pictures_of, to_bytes, whiskers
from skyplumb.output.page.session import render, session_page
from skyplumb.output.page.strips import MOST_STARS, GreyScale, Strip, stretch_of, strip_of
from skyplumb.output.page.totals import spells
from skyplumb.output.page.what_if import taking_the_doubtful, unlocated
from skyplumb.output.result import SessionResult
from skyplumb.output.told import session_lines
from skyplumb.records import FieldShapes, Measure
from skyplumb.summary import (
    MountSummary,
    RunSummary,
    SessionSummary,
    StackSummary,
    SunMoonSummary,
    summary_json,
)


class Page(HTMLParser):
    """The rendered page as a reader's program sees it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self._open = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._open = tag

    def handle_data(self, data: str) -> None:
        self.texts.append((self._open, data))

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]

    def visible(self) -> str:
        words = (data for tag, data in self.texts if tag not in ("script", "style"))
        return re.sub(r"\s+", " ", " ".join(words))


def lights(night: SessionResult) -> pd.DataFrame:
    frames = table_of(night.rows)
    return frames[frames["kind"] == "light"]


def others_of(night: SessionResult) -> pd.DataFrame:
    frames = table_of(night.rows)
    return frames[frames["kind"] != "light"]


@pytest.fixture
def text(night: SessionResult) -> str:
    return render(session_page(night))


# ---- true to the table ------------------------------------------------------------------


def test_the_first_line_counts_what_the_table_holds(night: SessionResult, text: str) -> None:
    judged = lights(night)
    kept = judged[judged["verdict"] == "keep"]
    page = session_page(night)
    assert (page["keep"], page["judged"]) == (len(kept), len(judged))
    assert page["seconds"]["keep"] == kept["exposure_s"].sum()
    assert page["untimed"] == judged["exposure_s"].isna().sum() > 0
    assert f"Stack {len(kept)} of {len(judged)} frames" in Page(text).visible()
    assert duration(kept["exposure_s"].sum()) in Page(text).visible()


def test_losses_add_up_to_the_frames_that_are_not_kept(night: SessionResult) -> None:
    judged = lights(night)
    lost = judged[judged["verdict"] != "keep"]
    losses = session_page(night)["losses"]
    for verdict in ("reject", "doubtful"):
        of_it = lost[lost["verdict"] == verdict]
        counted = of_it.groupby("cause").size().to_dict()
        assert {row["cause"]: row[verdict] for row in losses if row[verdict]} == counted
        assert sum(row["seconds"][verdict] for row in losses) == of_it["exposure_s"].sum()


def test_a_run_card_holds_the_runs_own_figures(night: SessionResult) -> None:
    judged = lights(night)
    runs = session_page(night)["runs"]
    assert [run["run"] for run in runs] == list(judged["run"].unique())
    for run in runs:
        mine = judged[judged["run"] == run["run"]]
        kept = mine[mine["verdict"] == "keep"]
        assert (run["keep"], run["judged"]) == (len(kept), len(mine))
        assert run["rate"] == len(kept) / len(mine)
        assert (run["rate_low"], run["rate_high"]) == (0.454, 0.883)
        assert run["sharpest"]["fwhm_px"] == kept["fwhm_px"].min()
        assert run["kept_fwhm_px"] == pytest.approx(kept["fwhm_px"].median(), rel=1e-12)
        assert run["solved"] == (mine["solved"] == True).sum()  # noqa: E712


def script_data(text: str) -> dict[str, Any]:
    """What the page's script is given, read as strictly as JSON is defined."""
    (words,) = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', text, re.S)

    def refuse(word: str) -> float:
        raise AssertionError(f"{word} is no JSON")

    return dict(json.loads(words, parse_constant=refuse))


def test_the_script_gets_every_frame_with_its_verdict_reason_and_both_times(
    night: SessionResult, text: str
) -> None:
    data = script_data(text)
    # Six digits are more than a chart shows, and fewer than differ between processors.
    shown = json.dumps(session_page(night)["data"])
    assert data == json.loads(shown, parse_float=lambda digits: float(f"{float(digits):.6g}"))
    rows = [dict(zip(data["frames"]["names"], r, strict=True)) for r in data["frames"]["rows"]]
    judged = lights(night)
    assert [row["file"] for row in rows] == list(judged["file"])
    for row, record in zip(rows, judged.to_dict("records"), strict=True):
        assert (row["verdict"], row["reason"]) == (record["verdict"], record["reason"])
        assert data["runs"][row["run"]]["run"] == record["run"]
        for name in ("trail_px", "fwhm_px", "stars", "altitude_deg", "exposure_s"):
            if pd.isna(record[name]):
                assert row[name] is None
            else:
                # rel: the page is given six significant digits.
                assert row[name] == pytest.approx(record[name], rel=5e-6)
    assert rows[0]["clock"] == "2026-08-14 21:40:00"
    assert rows[0]["utc"] == "2026-08-14 19:40:00"


def test_without_a_script_all_frames_stand_in_a_plain_table(
    night: SessionResult, text: str
) -> None:
    (table,) = re.findall(r"<noscript>\s*<table(.*?)</table>", text, re.S)
    visible = Page(table).visible()
    for record in lights(night).to_dict("records"):
        assert re.sub(r"\s+", " ", record["file"]) in visible
        assert record["reason"] in visible


def test_every_file_not_judged_is_listed_with_its_reason(night: SessionResult, text: str) -> None:
    others = others_of(night)
    visible = Page(text).visible()
    assert len(others) == 7
    for file, reason in zip(others["file"], others["reason"], strict=True):
        assert f"{file} {reason}" in visible.replace("  ", " ")


def test_the_unknown_is_a_dash_or_words_and_never_nan(text: str) -> None:
    visible = Page(text).visible()
    assert not re.search(r"\b(nan|none|null|undefined|NaT)\b", visible, re.I)
    assert "not known: cannot be told from the axis error here" in visible
    assert "not known: no frame of this run was solved" in visible


def test_a_frame_keeps_its_address_when_frames_are_added(night: SessionResult) -> None:
    fewer = replace(night, rows=rows_of(lights(night).tail(5)))
    all_ids = {row["file"]: row["id"] for row in session_page(night)["frames"]}
    assert len(set(all_ids.values())) == len(all_ids)
    for row in session_page(fewer)["frames"]:
        assert row["id"] == all_ids[row["file"]]


# ---- safe with any name, needs nothing --------------------------------------------------


def test_hostile_names_are_shown_as_words_and_never_become_markup(
    night: SessionResult, text: str
) -> None:
    page = Page(text)
    assert [a.get("type") for a in page.named("script")] == ["application/json", None]
    assert not page.named("img")
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert "<b>UTC</b>" in page.visible()
    for column in ("lens", "file"):
        (hostile,) = {v for v in lights(night)[column] if "</script>" in v}
        assert hostile in page.visible()


def references(page: Page) -> Iterator[str]:
    """Everything a browser would follow or load by itself."""
    for tag, attrs in page.tags:
        for name in (
            "src",
            "srcset",
            "href",
            "xlink:href",
            "action",
            "formaction",
            "poster",
            "data",
        ):
            if attrs.get(name):
                yield str(attrs[name])
        assert tag not in ("link", "iframe", "object", "embed", "base", "video", "audio")


def test_the_page_asks_for_nothing_from_outside(text: str) -> None:
    page = Page(text)
    ids = {attrs.get("id") for _, attrs in page.tags}
    for reference in references(page):
        if not reference.startswith("#"):
            # Files that every session has beside its page.
            assert reference in ("frames.csv", "summary.json", "stackable.txt", "stackable/")
            continue
        # Frames get their ids from the script.
        assert reference[1:] in ids or reference.startswith("#frame-")
    style = " ".join(data for tag, data in page.texts if tag == "style")
    assert "url(" not in style
    assert "@import" not in style
    # Whatever a script may try, the browser itself refuses: only what is in the page.
    (policy,) = [a["content"] for a in page.named("meta") if a.get("http-equiv")]
    assert policy is not None
    sources = dict(part.split(maxsplit=1) for part in policy.split("; "))
    assert sources.pop("default-src") == "'none'"
    assert sources["img-src"] == "'self' data:"
    assert set(" ".join(sources.values()).split()) <= {
        "'self'",
        "data:",
        "'none'",
        "'unsafe-inline'",
        "'unsafe-eval'",
    }


def test_every_cause_of_the_contract_has_words() -> None:
    # The list as the design of frames.csv gives it.
    contract = (
        "none axis drive wind slip knock untracked refraction focus cloud obstruction optics "
        "bright-sky unexplained"
    )
    assert set(contract.split()) <= CAUSES.keys()


# ---- sessions with little in them -------------------------------------------------------


def test_without_a_summary_the_page_still_counts(night: SessionResult) -> None:
    page = session_page(replace(night, summary=SessionSummary("s")))
    assert page["keep"] == session_page(night)["keep"]
    assert page["runs"][0]["rate_low"] is None
    assert page["setups"][0]["why_not"]
    assert "95% interval" not in Page(render(page)).visible()


def test_a_session_with_nothing_judged_says_so_and_lists_the_files(night: SessionResult) -> None:
    others = others_of(night)
    visible = Page(render(session_page(replace(night, rows=rows_of(others))))).visible()
    assert "Nothing to stack" in visible
    assert "copy it again" in visible


def test_frames_without_any_clock_are_charted_by_number(night: SessionResult) -> None:
    frames = lights(night).assign(taken_camera="", taken_utc="")
    page = session_page(replace(night, rows=rows_of(frames)))
    assert page["time_axis"] == "order"
    assert [row["time"] for row in page["frames"]] == list(range(1, len(frames) + 1))


def test_light_of_frames_of_unknown_exposure_is_not_told_as_none(night: SessionResult) -> None:
    frames = lights(night).assign(exposure_s=float("nan"))
    visible = Page(render(session_page(replace(night, rows=rows_of(frames))))).visible()
    assert "How long they were exposed is not known" in visible
    assert "That is 0 s" not in visible
    assert "add no time" not in visible


def test_frames_without_crops_are_listed_without_a_strip(night: SessionResult) -> None:
    rows = session_page(replace(night, crops={}))["frames"]
    assert {row["strip"]["uri"] for row in rows} == {""}


# ---- strips -----------------------------------------------------------------------------


def measure(crops: Any, noise: float = 10.0) -> Measure:
    return Measure("a", "light", "", noise=noise, crops=np.asarray(crops, np.float32))


def strip_with(measured: Measure, stretch: GreyScale) -> Strip:
    strip = strip_of(measured, stretch)
    assert strip is not None
    return strip


def pixels(strip: Strip) -> np.ndarray[Any, Any]:
    picture = Image.open(io.BytesIO(strip.jpeg))
    return np.asarray(picture.convert("L"))


def test_a_stretch_runs_from_black_to_white_and_never_turns_back() -> None:
    stretch = GreyScale(black=-20, white=1000, bend=50)
    light = np.linspace(-100, 2000, 500, dtype=np.float32)
    grey = stretch.grey(light)
    assert grey[light <= -20].max() == 0
    assert grey[light >= 1000].min() == 255
    assert np.all(np.diff(grey.astype(int)) >= 0)
    assert stretch.grey(np.array([np.nan], np.float32))[0] == 0


def test_a_strip_shows_the_crops_in_the_order_given() -> None:
    levels = [0, 100, 300, 900, 2700]
    crops = [np.full((49, 49), level) for level in levels]
    shown = measure(crops)
    strip = strip_with(shown, GreyScale(black=0, white=2700, bend=50))
    assert (strip.width_px, strip.height_px, strip.stars) == (5 * 50 - 1, 49, 5)
    greys = [pixels(strip)[24, 24 + 50 * n] for n in range(5)]
    exact = GreyScale(black=0, white=2700, bend=50).grey(np.array(levels, np.float32))
    # 4 of 255: JPEG is lossy.
    np.testing.assert_allclose(greys, exact, atol=4)


def test_of_many_stars_an_even_choice_with_both_ends_is_shown() -> None:
    crops = [np.full((9, 9), 10.0 * n) for n in range(100)]
    strip = strip_with(measure(crops), GreyScale(black=0, white=990, bend=1e6))
    row = pixels(strip)[4, 4::10].astype(int)
    assert strip.stars == len(row) == MOST_STARS
    # 6 of 255: as above, and the line between two tiles bleeds into crops this small.
    np.testing.assert_allclose(row, np.linspace(0, 255, MOST_STARS), atol=6)


def test_one_stretch_serves_a_run_and_follows_its_noise_and_peaks() -> None:
    faint = measure(np.full((3, 9, 9), 500.0), noise=10)
    bright = measure(np.full((3, 9, 9), 1500.0), noise=30)
    stretch = stretch_of([faint, bright])
    assert stretch == GreyScale(black=-40, white=1000, bend=100)


def test_crops_without_a_noise_figure_are_stretched_by_their_own_scatter() -> None:
    sky = np.random.default_rng(1).normal(0, 20, (7, 49, 49))
    stretch = stretch_of([measure(sky, noise=float("nan"))])
    # 3 %: three sigma of the median absolute deviation, which is 37 % efficient on a Gaussian
    # (from memory): 1 / sqrt(2 * 0.37 * 16807) = 0.9 %.
    assert stretch.black == pytest.approx(-40, rel=0.03)


def noisy_night(per_run: int) -> SessionResult:
    """An invented night whose crops and fields are as hard to pack as noise is."""
    night = invented_night(per_run)
    rng = np.random.default_rng(3)
    files = list(night.crops)
    place = rng.uniform(-0.8, 0.8, (150, 2)) * [0.83, 0.55]
    shapes = FieldShapes(place, rng.uniform(1, 3, (150, 3)), rng.uniform(1, 3, (150, 3)))
    crops = rng.normal(0, 40, (5, 12, 49, 49)).astype(np.float32)
    measures = {
        file: replace(night.crops[file], crops=crops[n % 5], width_px=6000, height_px=4000)
        for n, file in enumerate(files)
    }
    return replace(night, crops=measures, fields=dict.fromkeys(files, shapes))


@pytest.mark.broad
def test_a_page_of_three_hundred_noisy_frames_stays_under_twelve_megabytes() -> None:
    page = session_page(noisy_night(100))
    assert page["judged"] == 300
    assert not page["beside"]
    assert len(render(page).encode()) < 12e6


def test_pictures_that_were_kept_are_those_that_are_drawn() -> None:
    noisy = noisy_night(3)
    files = {run: some["file"].tolist() for run, some in lights(noisy).groupby("run")}
    drawn = pictures_of(files, noisy.crops, noisy.fields)
    assert from_bytes(to_bytes(drawn)) == drawn
    assert all(one.strip and one.whiskers for one in drawn.values())
    kept = session_page(replace(noisy, pictures=drawn, crops={}, fields={}))
    assert kept["frames"] == session_page(noisy)["frames"]
    assert from_bytes(b"anything else") is None


@pytest.mark.slow
def test_from_a_thousand_frames_the_strips_lie_beside_the_page() -> None:
    page = session_page(noisy_night(-(-BESIDE_FROM // 3)))
    assert page["judged"] >= BESIDE_FROM == 1000
    uris = [row["strip"]["uri"] for row in page["frames"]]
    assert set(uris) == set(page["beside"])
    assert all(re.fullmatch(r"stars/[0-9a-f]{12}\.jpg", uri) for uri in uris)
    first = page["beside"][uris[0]]
    assert Image.open(io.BytesIO(first)).size == (12 * 50 - 1, 49)
    assert "base64" not in json.dumps(page["data"])


# ---- whiskers, the axis, spells --------------------------------------------------------


def test_whiskers_keep_place_roundness_and_axis_of_a_star() -> None:
    # A star of widths 2 and 1 px along 30 degrees: moments 4 and 1, so 1 - b/a = 0.5.
    turn = np.radians(2 * 30)
    long = [5.0, 3 * np.cos(turn), 3 * np.sin(turn)]
    picture = (600, 400)
    half = np.hypot(*picture) / 2
    shapes = FieldShapes(
        np.array([[150 / half, -100 / half], [0, 0]]),
        np.array([long, [2.0, 0, 0]]),
        np.array([[2.0, 0, 0], [1.0, 0, -4.0]]),
    )
    stars = np.frombuffer(base64.b64decode(whiskers(shapes, picture, 150)), np.uint8)
    x, y, before, angle, after, _ = stars[:6] / 255
    # 0.002: half a step of a byte.
    np.testing.assert_allclose([x, y, before, angle], [0.75, 0.25, 0.5, 30 / 180], atol=0.002)
    assert after == 0
    # Noise that leaves more stretch than width is a line, along -45 = 135 degrees.
    np.testing.assert_allclose(stars[10:12] / 255, [1, 135 / 180], atol=0.002)
    assert len(base64.b64decode(whiskers(shapes, picture, 1))) == 6


def test_the_axis_stands_where_its_errors_say_with_a_region_of_95_percent() -> None:
    told = MountSummary(
        axis_total_error_arcmin=5.0,
        axis_alt_error_arcmin=-3.0,
        axis_az_error_arcmin=8.0,
        axis_covariance_arcmin2=((0.04, 0.0), (0.0, 0.01)),
    )
    axis = axis_of(told)
    assert axis is not None
    # 3, 4, 5: what lies 8 along the horizon is 4 on the sky where the pole stands 60 high.
    assert (axis["x"], axis["y"]) == (4.0, -3.0)
    ring = np.array(axis["ring"])
    spread = (ring.max(0) - ring.min(0)) / 2
    # 0.001: the outline is rounded to 0.0001 and touches its extremes.
    np.testing.assert_allclose(spread, [0.1 * SURE_95, 0.2 * SURE_95], atol=0.001)
    draws = np.random.default_rng(1).standard_normal((20000, 2))
    # 0.006: four standard errors of a share of 0.95 from 20,000 draws.
    assert np.mean(np.hypot(*draws.T) < SURE_95) == pytest.approx(0.95, abs=0.006)


def test_an_axis_of_unknown_direction_is_a_distance_and_an_unknown_one_nothing() -> None:
    only = axis_of(MountSummary(axis_total_error_arcmin=5.0))
    assert only is not None
    assert (only["total"], only["x"], only["ring"]) == (5.0, None, [])
    assert axis_of(MountSummary(why_not="too few frames")) is None


def test_runs_of_one_setup_share_one_card_and_setups_do_not() -> None:
    one = MountSummary("1", axis_total_error_arcmin=3.0)
    two = MountSummary("2", why_not="too few frames")
    cards = setups_of([("a", 3, one, ()), ("b", 9, two, ()), ("c", 8, one, ())])
    assert [(c["setup"], c["runs"], c["frames"]) for c in cards] == [
        ("1", ["a", "c"], 11),
        ("2", ["b"], 9),
    ]
    assert cards[0]["axis"] is not None and cards[1]["why_not"] == "too few frames"


def test_a_placement_is_told_by_the_run_that_followed_the_sky_with_the_faults_of_all() -> None:
    axis = {"axis_total_error_arcmin": 3.0, "rate_error_ppm": 40.0}
    slow = MountSummary("1", rate_name="half speed", faults=("drive at half speed",), **axis)
    driven = MountSummary("1", faults=("polar axis 3 arcmin off",), **axis)
    (card,) = setups_of([("a", 3, slow, {"drive"}), ("b", 9, driven, ())])
    assert (card["rate_name"], card["faults"]) == ("", ["drive at half speed"])
    assert card["idle_faults"] == ["polar axis 3 arcmin off"]


def test_placements_stand_in_order_of_their_numbers() -> None:
    # As words, 10 comes before 2.
    numbers = ["2", "10", "1", "9"]
    cards = setups_of([(f"run {n}", 3, MountSummary(n), ()) for n in numbers])
    assert [card["setup"] for card in cards] == ["1", "2", "9", "10"]
    runs = tuple(RunSummary(n, mount=MountSummary(n, axis_total_error_arcmin=3.0)) for n in numbers)
    told = session_lines(SessionSummary("night", runs=runs), Path("night"))
    placements = [line.split()[4] for line in told if "of placement" in line]
    assert placements == ["1", "2", "9", "10"]


def test_a_spell_lasts_from_the_first_frame_to_the_end_of_the_last() -> None:
    def row(minute: int, verdict: str, cause: str, run: str = "1") -> dict[str, Any]:
        time = 1_000_000_000 + 60_000 * minute
        lost = {"verdict": verdict, "cause": cause, "run": run, "exposure_s": 50.0}
        return {"time": time, **lost}

    rows = [
        row(0, "keep", "none"), row(1, "reject", "wind"), row(2, "doubtful", "wind"),
        row(3, "keep", "none"), row(4, "reject", "wind"), row(5, "reject", "slip"),
        row(6, "reject", "slip", run="2"),
    ]  # fmt: skip
    found = spells(rows)
    assert [(s["label"], s["frames"]) for s in found] == [
        ("gust", 2), ("gust", 1), ("slip sets in", 1), ("slip sets in", 1)
    ]  # fmt: skip
    assert found[0]["start"] == rows[1]["time"]
    assert found[0]["end"] == rows[2]["time"] + 50_000


# ---- figures in words -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [
        (0.4567, 2, "0.46"),
        (-4.2, 3, "−4.20"),
        (1234567.0, 3, "1\u202f234\u202f567"),
        (303.2, 6, "303.200"),
        (0, 3, "0"),
        (float("nan"), 3, "–"),
        (None, 3, "–"),
    ],
)
def test_figures_have_significant_digits_and_a_dash_for_the_unknown(
    value: float | None, digits: int, words: str
) -> None:
    assert figure(value, digits) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(40, "40 s"), (59.7, "1 min"), (720, "12 min"), (3599, "1 h 00 min"), (11100, "3 h 05 min")],
)
def test_durations_carry_over(seconds: float, words: str) -> None:
    assert duration(seconds) == words


@pytest.mark.parametrize(
    ("value", "sigma", "words"),
    [
        (15.9602, 0.0592, "15.960 ± 0.059"),
        (10.96, 0.113, "10.96 ± 0.11"),
        (62.4, 23.2, "62 ± 23"),
        (-3.2, 0.5, "−3.20 ± 0.50"),
        (130.3, 501.2, "130 ± 500"),
        (1234.5, 9.96, "1\u202f234 ± 10"),
        (3.4, 0.0000056, "3.4000 ± 0.0001"),
        (21.0, None, "21.0"),
    ],
)
def test_a_value_has_no_more_decimals_than_its_uncertainty(
    value: float, sigma: float | None, words: str
) -> None:
    assert with_sigma(value, sigma) == words


def test_the_terminal_tells_the_axis_of_each_placement_of_the_tripod() -> None:
    known = MountSummary(
        "1",
        axis_total_error_arcmin=15.9558,
        axis_total_error_arcmin_sigma=0.0598,
        axis_alt_error_arcmin=10.952,
        axis_alt_error_arcmin_sigma=0.110,
        axis_az_error_arcmin=-17.0013,
        axis_az_error_arcmin_sigma=0.0614,
    )
    vague = MountSummary("2", axis_total_error_arcmin=3.0, axis_total_error_arcmin_sigma=2.0)
    told = SessionSummary(
        "night", runs=(RunSummary("a", mount=known), RunSummary("b", mount=vague))
    )
    axis = [line for line in session_lines(told, Path("night")) if "axis" in line]
    assert axis == [
        "  polar axis of placement 1 15.956 ± 0.060 arcmin from the pole: "
        "10.95 ± 0.11 too high, 17.001 ± 0.061 too far west along the horizon",
        "  polar axis of placement 2 3.0 ± 2.0 arcmin from the pole, no more than its error",
    ]


def test_the_terminal_says_what_there_is_where_nothing_was_judged_or_no_time_is_known() -> None:
    (first, *_) = session_lines(SessionSummary("day", kinds={"other": 2, "flat": 1}), Path("day"))
    assert first == "day: no light frame was judged (pictures of something else 2, flat frames 1)"
    told = SessionSummary("night", lights=8, keep=8, runs=(RunSummary("a"),))
    (first, *_) = session_lines(told, Path("night"))
    assert first == "night: 8 of 8 light frames kept, of unknown exposure"


def test_what_doubtful_frames_would_add_is_told_as_it_is_counted_and_shown() -> None:
    now = StackSummary(6, 6.0, 2.676, 0.031, 2.0)
    card = {"title": "14 mm, 60 s", "doubtful": 1, "stack": now}
    same = StackSummary(7, 7.0, 2.678, 0.029, 2.05)
    assert taking_the_doubtful(card | {"stack_with_doubtful": same}) == (
        "14 mm, 60 s: its doubtful frame would add 1 min of light and 2% of SNR; "
        "the stars' FWHM in the stack would stay 2.68 px, their ellipticity would stay 0.03."
    )
    wider = StackSummary(8, 7.0, 2.9, 0.1, 2.001)
    assert taking_the_doubtful(card | {"stack_with_doubtful": wider, "doubtful": 2}) == (
        "14 mm, 60 s: its 2 doubtful frames would add 1 min of light and no more SNR; "
        "the stars' FWHM in the stack would go from 2.68 to 2.90 px, their ellipticity "
        "would go from 0.03 to 0.10."
    )
    assert taking_the_doubtful(card | {"stack_with_doubtful": now}) == ""


def test_the_page_over_all_sessions_cautions_and_knows_what_it_does_not_know(
    tmp_path: Path,
) -> None:
    remedy = Advice("axis", 1, 1.0, "Align the polar axis better.", 1, 1.0, LASER_CAUTION)
    undated = SessionSummary("undated", lights=8, keep=8, runs=(RunSummary("a"),), advice=(remedy,))
    for told in (undated, SessionSummary("day", kinds={"other": 1})):
        (tmp_path / told.session).mkdir()
        (tmp_path / told.session / "summary.json").write_text(summary_json(told), "utf-8")
    seen = Page(write_index(tmp_path).read_text("utf-8")).visible()
    assert LASER_CAUTION in seen
    assert "8 of 8 unknown" in " ".join(seen.split())
    assert "0 s" not in seen


def test_a_mend_that_saves_nothing_by_itself_says_so(night: SessionResult) -> None:
    told = (
        Advice("wind", 2, 2.0, "Shield it.", 0, 0.0, "", "focus", 2, 2.0),
        Advice("cloud", 1, 1.0, "Nothing would have helped.", 0, 0.0),
    )
    changed = replace(night, summary=replace(night.summary, advice=told))
    seen = " ".join(Page(render(session_page(changed))).visible().split())
    assert "Shield it. No frame by itself. With the remedy for focus too, 2." in seen
    assert seen.count("By itself it would have saved none.") == 1


def test_runs_alike_that_were_not_found_on_the_sky_share_a_line() -> None:
    cards = [{"number": n, "title": "Unnamed lens", "judged": 1, "solved": 0} for n in range(1, 17)]
    other = {"number": 17, "title": "85 mm, 60 s", "judged": 4, "solved": 0}
    found = {"number": 18, "title": "85 mm, 60 s", "judged": 4, "solved": 4}
    many, single = unlocated([*cards, other, found])
    assert many.startswith("16 runs of 16 frames (Unnamed lens; runs 1, 2, 3 and 13 more) were not")
    assert single.startswith("Run 17 (85 mm, 60 s) was not found on the sky, so where it pointed")


def test_a_fault_that_cost_no_frame_is_not_said_to_be_at_fault() -> None:
    found = ("polar axis 16.0 ± 0.1 arcmin off", "head slips 9.0 ± 1.0 arcsec/min downwards")
    mount = MountSummary("1", faults=found)
    runs = [("a", 3, mount, {"slip"}), ("b", 4, mount, {"wind"})]
    (card,) = setups_of(runs)
    assert (card["faults"], card["idle_faults"]) == ([found[1]], [found[0]])
    (card,) = setups_of([*runs, ("c", 2, mount, {"axis"})])
    assert (card["faults"], card["idle_faults"]) == (list(found), [])


def test_every_fault_of_a_mount_has_its_cause() -> None:
    fit = MountFit(
        axis_rate=np.array([0.006, 0.0, 0.004]),
        covariance=np.eye(3) * 1e-10,
        latitude_deg=47.0,
        periodic=Periodic(600.0, 20.0, 1.0),
        slip_arcsec_per_min=30.0,
        slip_sigma=1.0,
        flexure_arcsec=400.0,
        flexure_sigma=1.0,
    )
    told = mount_faults(fit)
    assert len(told) == 5
    assert all(any(words.startswith(begin) for begin in FAULT_OF) for words in told)
    assert set(FAULT_OF.values()) <= CAUSES.keys()


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(1350.0, "23 min"), (1290.0, "22 min"), (0.5, "1 s"), (5370.0, "1 h 30 min")],
)
def test_a_half_is_rounded_up_as_the_script_does(seconds: float, told: str) -> None:
    assert duration(seconds) == told


def test_times_in_the_charts_keep_all_their_digits(night: SessionResult) -> None:
    utc = ("2026-08-14T20:00:00.123Z", "2026-08-14T20:10:00.456Z")
    sky = SunMoonSummary(utc, (-12.0, -13.0), (5.0, 4.0), 0.3)
    page = session_page(replace(night, summary=replace(night.summary, sun_and_moon=sky)))
    told = re.search(r'id="session-data">(.*?)</script>', render(page), re.DOTALL)
    assert told is not None
    written = json.loads(told[1])
    assert written["spells"] == page["data"]["spells"] != []
    ends = [spell["end"] - spell["start"] for spell in written["spells"]]
    assert all(0 < length < 12 * 3600 * 1000 for length in ends)
    first, second = written["sky"]["time"]
    assert second - first == pytest.approx(600_333, abs=1)
