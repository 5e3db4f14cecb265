"""The page: true to the table, safe with any name, and in need of nothing else."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from skyplumb.records import Measure, SessionResult
from skyplumb.report import CAUSES, _duration, _figure, render, session_page
from skyplumb.strips import MOST_STARS, Stretch, stretch_of, strip_uri


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
    frames = night.frames
    assert isinstance(frames, pd.DataFrame)
    return frames[frames["kind"] == "light"]


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
    assert _duration(kept["exposure_s"].sum()) in Page(text).visible()


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


def test_each_frame_has_one_row_with_its_verdict_reason_and_both_times(
    night: SessionResult, text: str
) -> None:
    rows = {a["data-file"]: a for a in Page(text).named("tbody") if a.get("data-file")}
    judged = lights(night)
    assert list(rows) == list(judged["file"])
    page = {row["file"]: row for row in session_page(night)["frames"]}
    for record in judged.to_dict("records"):
        row = page[record["file"]]
        assert rows[record["file"]]["data-verdict"] == record["verdict"] == row["verdict"]
        assert row["reason"] == record["reason"]
        assert row["trail_px"] == (None if pd.isna(record["trail_px"]) else record["trail_px"])
    first = judged.iloc[0]["file"]
    assert (page[first]["clock"], page[first]["utc"]) == (
        "2026-08-14 21:40:00",
        "2026-08-14 19:40:00",
    )


def test_the_script_gets_the_same_frames_as_strict_json(night: SessionResult, text: str) -> None:
    (words,) = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', text, re.S)

    def refuse(word: str) -> float:
        raise AssertionError(f"{word} is no JSON")

    data = json.loads(words, parse_constant=refuse)
    assert data == json.loads(json.dumps(session_page(night)["data"]))
    assert [frame["file"] for frame in data["frames"]] == list(lights(night)["file"])
    ids = {attrs.get("id") for _, attrs in Page(text).tags}
    assert {frame["id"] for frame in data["frames"]} < ids


def test_every_file_not_judged_is_listed_with_its_reason(night: SessionResult, text: str) -> None:
    assert isinstance(night.frames, pd.DataFrame)
    others = night.frames[night.frames["kind"] != "light"]
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
    fewer = replace(night, frames=lights(night).tail(5))
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
    assert all((a.get("src") or "").startswith("data:image/") for a in page.named("img"))
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert "<b>UTC</b>" in page.visible()
    for column in ("lens", "file"):
        (hostile,) = {v for v in lights(night)[column] if "</script>" in v}
        shown = page.visible() if column == "lens" else [a.get("data-file") for _, a in page.tags]
        assert hostile in shown


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
        assert reference.startswith("data:image/webp;base64,") or reference[1:] in ids
    style = " ".join(data for tag, data in page.texts if tag == "style")
    assert "url(" not in style
    assert "@import" not in style
    # Whatever a script may try, the browser itself refuses: only what is in the page.
    (policy,) = [a["content"] for a in page.named("meta") if a.get("http-equiv")]
    assert policy is not None
    sources = dict(part.split(maxsplit=1) for part in policy.split("; "))
    assert sources.pop("default-src") == "'none'"
    assert set(" ".join(sources.values()).split()) <= {
        "data:",
        "'none'",
        "'unsafe-inline'",
        "'unsafe-eval'",
    }


def test_verdicts_are_told_by_word_and_mark_not_by_colour_alone(
    night: SessionResult, text: str
) -> None:
    rows = re.findall(r'data-slot="verdict">(.*?)</td>', text, re.S)
    assert [re.sub(r"<.*?>", "", row) for row in rows] == list(lights(night)["verdict"])
    shapes = {(re.sub(r"<.*?>", "", row), *re.findall(r' d="(.*?)"', row)) for row in rows}
    assert len({shape for _, shape in shapes}) == len(shapes) == 3


def test_every_cause_of_the_contract_has_words() -> None:
    # The list as the design of frames.csv gives it.
    assert " ".join(CAUSES) == (
        "none axis drive wind sag knock untracked refraction focus cloud obstruction optics "
        "bright-sky unexplained"
    )


# ---- sessions with little in them -------------------------------------------------------


def test_without_a_summary_the_page_still_counts(night: SessionResult) -> None:
    page = session_page(replace(night, summary={}))
    assert page["keep"] == session_page(night)["keep"]
    assert page["runs"][0]["rate_low"] is None
    assert page["runs"][0]["mount"]["why_not"]
    assert "95 % interval" not in Page(render(page)).visible()


def test_a_session_with_nothing_judged_says_so_and_lists_the_files(night: SessionResult) -> None:
    assert isinstance(night.frames, pd.DataFrame)
    others = night.frames[night.frames["kind"] != "light"]
    visible = Page(render(session_page(replace(night, frames=others)))).visible()
    assert "Nothing to stack" in visible
    assert "copy it again" in visible


def test_frames_without_any_clock_are_charted_by_number(night: SessionResult) -> None:
    frames = lights(night).assign(taken_camera="", taken_utc="")
    page = session_page(replace(night, frames=frames))
    assert page["time_axis"] == "order"
    assert [row["time"] for row in page["frames"]] == list(range(1, len(frames) + 1))


def test_frames_without_crops_are_listed_without_a_strip(night: SessionResult) -> None:
    text = render(session_page(replace(night, crops={})))
    assert "no star crops" in text
    assert not Page(text).named("img")


# ---- strips -----------------------------------------------------------------------------


def measure(crops: Any, noise: float = 10.0) -> Measure:
    return Measure("a", "light", "", noise=noise, crops=np.asarray(crops, np.float32))


def pixels(uri: str) -> np.ndarray[Any, Any]:
    picture = Image.open(io.BytesIO(base64.b64decode(uri.partition(",")[2])))
    return np.asarray(picture.convert("L"))


def test_a_stretch_runs_from_black_to_white_and_never_turns_back() -> None:
    stretch = Stretch(black=-20, white=1000, bend=50)
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
    uri, width, height, count = strip_uri(shown, Stretch(black=0, white=2700, bend=50))
    assert (width, height, count) == (5 * 50 - 1, 49, 5)
    greys = [pixels(uri)[24, 24 + 50 * n] for n in range(5)]
    exact = Stretch(black=0, white=2700, bend=50).grey(np.array(levels, np.float32))
    # 4 of 255: WebP at quality 85 is lossy, and its grey is squeezed to 16..235.
    np.testing.assert_allclose(greys, exact, atol=4)


def test_of_many_stars_an_even_choice_with_both_ends_is_shown() -> None:
    crops = [np.full((9, 9), 10.0 * n) for n in range(100)]
    uri, _, _, count = strip_uri(measure(crops), Stretch(black=0, white=990, bend=1e6))
    row = pixels(uri)[4, 4::10].astype(int)
    assert count == len(row) == MOST_STARS
    # 6 of 255: as above, and the line between two tiles bleeds into crops this small.
    np.testing.assert_allclose(row, np.linspace(0, 255, MOST_STARS), atol=6)


def test_one_stretch_serves_a_run_and_follows_its_noise_and_peaks() -> None:
    faint = measure(np.full((3, 9, 9), 500.0), noise=10)
    bright = measure(np.full((3, 9, 9), 1500.0), noise=30)
    stretch = stretch_of([faint, bright])
    assert stretch == Stretch(black=-40, white=1000, bend=100)


def test_crops_without_a_noise_figure_are_stretched_by_their_own_scatter() -> None:
    sky = np.random.default_rng(1).normal(0, 20, (7, 49, 49))
    stretch = stretch_of([measure(sky, noise=float("nan"))])
    # 3 %: three sigma of the median absolute deviation, which is 37 % efficient on a Gaussian
    # (from memory): 1 / sqrt(2 * 0.37 * 16807) = 0.9 %.
    assert stretch.black == pytest.approx(-40, rel=0.03)


def test_a_page_of_three_hundred_noisy_frames_stays_under_twelve_megabytes(
    night: SessionResult,
) -> None:
    rng = np.random.default_rng(3)
    noisy = measure(rng.normal(0, 40, (7, 49, 49)), noise=10)
    strip = len(strip_uri(noisy, stretch_of([noisy]))[0])
    page = session_page(night)
    shown = len(render(page)) - sum(len(row["strip"]["uri"]) for row in page["frames"])
    bare = len(render({**page, "frames": [], "data": {**page["data"], "frames": []}}))
    a_frame = (shown - bare) / len(page["frames"])
    assert bare + 300 * (a_frame + strip) < 12e6


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
    assert _figure(value, digits) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(40, "40 s"), (59.7, "1 min"), (720, "12 min"), (3599, "1 h 00 min"), (11100, "3 h 05 min")],
)
def test_durations_carry_over(seconds: float, words: str) -> None:
    assert _duration(seconds) == words
