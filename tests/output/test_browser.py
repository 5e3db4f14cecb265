"""The page in a real browser: what is seen, pressed, kept, saved, and what it costs.

Needs Debian's chromium. Where there is none these tests are left out, except on CI
(`CI` set), where that is a failure.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from inventednight import (
    HOSTILE_FILE,
    HOSTILE_LENS,
    Written,
    invented_night,
    with_fields,
    written,
)
from skyplumb.digits import duration
from skyplumb.intake.overrides import load_overrides
from skyplumb.intake.rules import Rules, load_rules
from skyplumb.records import ShotInfo
from smallcard import MOOR, Finished

SCREENS = Path(__file__).parents[2] / "bench-out" / "screens"
"""Where CI finds the screenshots."""


@pytest.fixture(scope="module")
def night_page(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return written(with_fields(invented_night()), tmp_path_factory.mktemp("night"))


Opened = Callable[..., Page]


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opened]:
    """Open a page and see that it stays quiet: no error, no dialog, nothing asked for."""
    contexts = []
    faults: list[str] = []

    def open_(url: str, **options: Any) -> Page:
        context = browser.new_context(viewport=options.pop("viewport", None), **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        beside: list[str] = []
        page.on("pageerror", lambda error: faults.append(f"error: {error}"))
        page.on(
            "console",
            lambda said: faults.append(said.text) if said.type in ("error", "warning") else None,
        )

        def asked(address: str) -> None:
            if address.startswith("file:") and address.endswith("/report.html"):
                beside.append(address.removesuffix("report.html") + "stars/")
            elif not address.startswith(("data:", "blob:file:", *beside)):
                faults.append(f"asked for {address}")

        page.on("request", lambda request: asked(request.url))
        page.goto(url)
        return page

    yield open_
    for context in contexts:
        context.close()
    assert faults == []


def names(page: Page) -> list[str]:
    return page.locator("li.frame button.name").evaluate_all("all => all.map(one => one.title)")


def status(page: Page) -> str:
    return page.locator(".tray [role=status]").inner_text()


def saved(page: Page, what: str) -> str:
    with page.expect_download() as waiting:
        page.locator(f"[data-save={what}]").click()
    return Path(waiting.value.path()).read_text("utf-8")


# ---- what is seen -----------------------------------------------------------------------


def test_the_first_screen_says_what_the_csv_says(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url, viewport={"width": 1280, "height": 800})
    rows = night_page.rows
    kept = [row for row in rows if row["verdict"] == "keep"]
    assert page.locator("h1").inner_text() == f"Stack {len(kept)} of {len(rows)} frames"
    light = sum(float(row["exposure_s"] or 0) for row in kept)
    assert f"That is {duration(light)} of light" in page.locator(".lead").inner_text()
    shown = {
        row.locator("th button").get_attribute("data-cause"): row.locator("td").all_inner_texts()
        for row in page.locator(".glance .losses tbody tr").all()
    }
    lost = [row for row in rows if row["verdict"] != "keep"]
    assert set(shown) == {row["cause"] for row in lost}
    for cause, (rejected, doubtful, seconds, _) in shown.items():
        mine = [row for row in lost if row["cause"] == cause]
        assert int(rejected) == sum(row["verdict"] == "reject" for row in mine)
        assert int(doubtful) == sum(row["verdict"] == "doubtful" for row in mine)
        known = [float(row["exposure_s"]) for row in mine if row["exposure_s"]]
        assert seconds == (duration(sum(known)) if known else "–")
    remedy = page.locator(".remedy").inner_text()
    assert "Turn the axis <b>east</b>. 3 more frames, 4 min of light." in remedy
    assert "Caution. Mind the aircraft." in remedy
    # Without scrolling: what to stack, what was lost to what, the axis against the pole, and the
    # remedy that saves most.
    page.locator(".aim svg").wait_for()
    for part in ("h1", ".glance .losses", ".aim .chart", ".remedy p"):
        box = page.locator(part).first.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 800


def test_every_chart_is_drawn_and_named(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    charts = page.locator(".chart.axis, .chart.compass, #night-chart")
    assert charts.count() == 1 + 2 + 1
    for chart in charts.all():
        chart.locator("svg").wait_for()
        assert chart.get_attribute("role") == "img"
        assert len(chart.get_attribute("aria-label") or "") > 20
    for name in (
        "Trail",
        "Image drift",
        "FWHM",
        "Stars",
        "Sky",
        "Transparency",
        "Altitude",
        "slip sets in",
    ):
        assert name in page.locator("#night-chart").inner_text()
    for name in ("right ascension", "declination", "down"):
        assert name in page.locator(".chart.compass").first.inner_text()


def test_hostile_names_stay_words(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    page.select_option("[name=run]", "2-wide")
    assert HOSTILE_FILE in names(page)
    assert HOSTILE_LENS in page.locator("#run-2").inner_text()
    hostile = page.locator("li.frame", has=page.locator(f"[title={quoted(HOSTILE_FILE)}]"))
    hostile.locator("button.name").click()
    assert HOSTILE_FILE in hostile.locator(".figures").inner_text()
    # A dialog would have stopped the page; an element of theirs would be counted.
    assert page.locator("img[src='x'], [onerror]").count() == 0
    assert page.locator("script").count() == 2


def quoted(text: str) -> str:
    """A text in a CSS selector."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def test_an_opened_frame_shows_its_neighbours_and_its_field(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url)
    rows = night_page.rows
    third = page.locator("li.frame").nth(3)
    assert rows[3]["verdict"] == "reject"
    third.locator("button.name").click()
    captions = third.locator(".compare figcaption").all_inner_texts()
    assert [caption.split(":")[0] for caption in captions] == [
        "This frame", "Nearest kept", "Nearest rejected",
    ]  # fmt: skip
    assert rows[2]["file"].rpartition("/")[2] in captions[1]
    assert rows[8]["file"].rpartition("/")[2] in captions[2]
    strips = third.locator(".compare img").evaluate_all("all => all.map(one => one.naturalWidth)")
    assert strips == [7 * 50 - 1] * 3
    third.locator(".field svg").nth(1).wait_for()
    labels = [one.get_attribute("aria-label") or "" for one in third.locator(".field .chart").all()]
    assert "60 stars" in labels[0] and "as measured" in labels[0]
    assert "without the lens" in labels[1]


def test_the_whole_picture_is_shown_as_it_is_viewed_with_its_stars_in_place(
    opened: Opened, tmp_path: Path
) -> None:
    night = with_fields(invented_night())
    file = next(iter(night.crops))
    upright = replace(
        night.crops[file],
        info=ShotInfo(orientation=6),
        thumbnail=np.zeros((40, 60), np.uint8),
    )
    page = opened(written(replace(night, crops=night.crops | {file: upright}), tmp_path).url)
    frame = page.locator("li.frame").first
    frame.locator("button.name").click()
    picture = frame.locator(".whole img")
    assert picture.evaluate("one => [one.naturalWidth, one.naturalHeight]") == [40, 60]
    drawing = frame.locator(".whole svg")
    assert drawing.get_attribute("viewBox") == "0 0 4000 6000"
    # The first star at (3000, 2000) of 6000 x 4000 px, a quarter of a turn with the clock.
    ring = drawing.locator("circle").first
    assert [ring.get_attribute(name) for name in ("cx", "cy")] == ["1999", "3000"]


def test_strips_are_shown_at_the_sensors_own_pixels(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    strip = page.locator("img.strip").first
    box = strip.bounding_box()
    assert box is not None
    assert (box["width"], box["height"]) == (7 * 50 - 1, 49)
    page.select_option("[name=zoom]", "2")
    wider = page.locator("img.strip").first.bounding_box()
    assert wider is not None
    assert wider["width"] == 2 * (7 * 50 - 1)


# ---- filter, order, keys -----------------------------------------------------------------


def test_the_filter_shows_what_the_csv_says(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    rows = night_page.rows

    def expect(test: Callable[[dict[str, str]], bool]) -> None:
        wanted = [row["file"].removeprefix("./") for row in rows if test(row)]
        page.wait_for_function(
            "n => document.querySelectorAll('li.frame').length === n", arg=min(len(wanted), 42)
        )
        # Of a long list only the head stands in the page until the reader comes near its end.
        shown = names(page)
        assert len(shown) >= min(len(wanted), 16)
        assert shown == wanted[: len(shown)]
        assert page.locator(".filter output").inner_text().startswith(f"{len(wanted)} ")
        page.get_by_role("button", name="Show all").click()

    page.select_option("[name=verdict]", "doubtful")
    expect(lambda row: row["verdict"] == "doubtful")
    page.select_option("[name=run]", "2-wide")
    page.select_option("[name=cause]", "knock")
    expect(lambda row: row["run"] == "2-wide" and row["cause"] == "knock")
    page.fill("[name=trail_from]", "1")
    page.fill("[name=trail_to]", "3.5")
    expect(lambda row: row["trail_px"] != "" and 1 <= float(row["trail_px"]) <= 3.5)
    page.fill("[name=fwhm_from]", "2.4")
    expect(lambda row: float(row["fwhm_px"]) >= 2.4)
    page.locator(".glance button.cause").first.click()
    cause = page.locator(".glance button.cause").first.get_attribute("data-cause")
    expect(lambda row: row["cause"] == cause and row["verdict"] != "keep")


def test_the_order_puts_worst_or_best_first_and_the_unknown_last(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url)
    frames = pd.DataFrame(night_page.rows)
    frames["trail"] = pd.to_numeric(frames["trail_px"])
    frames["rank"] = frames["verdict"].map({"keep": 0, "doubtful": 1, "reject": 2})
    for order, by, up in (
        ("worst", ["rank", "trail"], [False, False]),
        ("best", ["rank", "trail"], [True, True]),
        ("trail-down", ["trail"], [False]),
    ):
        page.select_option("[name=order]", order)
        shown = names(page)
        wanted = frames.sort_values(by, ascending=up, kind="stable", na_position="last")
        assert shown[:10] == [f.removeprefix("./") for f in wanted["file"].head(10)]


def test_a_keyboard_alone_reads_judges_and_notes(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    files = names(page)
    page.locator("button.name").first.focus()
    focused = "document.activeElement.title"
    for _ in range(2):
        page.keyboard.press("ArrowDown")
    assert page.evaluate(focused) == files[2]
    page.keyboard.press("r")
    # On to the next one, so that a night is gone through with one hand.
    assert page.evaluate(focused) == files[3]
    third = page.locator("li.frame").nth(2)
    assert third.locator(".verdict").first.inner_text() == "reject"
    assert "by hand; rules: keep" in third.inner_text()
    page.keyboard.press("ArrowUp")
    page.keyboard.press("n")
    page.keyboard.type("drift, kept no detail")
    page.keyboard.press("Tab")
    assert "drift, kept no detail" in saved(page, "overrides")
    third.locator("button.name").focus()
    page.keyboard.press("b")
    assert third.locator(".verdict").first.inner_text() == "keep"
    page.keyboard.press("End")
    assert page.evaluate(focused) == night_page.rows[-1]["file"]
    # Keys mean nothing elsewhere: K in a field is a letter, not a verdict.
    page.locator("[name=trail_from]").focus()
    page.keyboard.press("k")
    assert "nothing changed by hand" in status(page)


def test_more_is_offered_only_where_there_is_more(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    more = page.locator("button.more")
    assert more.is_visible()
    page.locator("[name=verdict]").select_option("doubtful")
    assert 0 < page.locator("li.frame").count() < 16
    assert more.is_hidden()


# ---- other limits, many at once ---------------------------------------------------------


def test_other_limits_say_what_they_would_keep_and_come_out_as_rules(
    night_page: Written, opened: Opened, tmp_path: Path
) -> None:
    page = opened(night_page.url)
    rows = night_page.rows
    sum_of = page.locator(".limits .sum")
    # Nothing is moved yet, so nothing is told to become what it is.
    assert "→" not in page.locator("table.what-if").inner_text()
    kept = [row for row in rows if row["verdict"] == "keep"]
    assert sum_of.inner_text().startswith(f"{len(kept)} frames")
    page.locator("#try-trail").evaluate(
        "one => { one.value = 6; one.dispatchEvent(new Event('input', {bubbles: true})); }"
    )
    tried = {"trail_px", "trail_of_fwhm", "trail_worst_px", "fwhm_of_best"}

    def passes(row: dict[str, str]) -> bool:
        over = [float(row[name] or 0) > most for name, most in
                (("trail_px", 6.0), ("trail_worst_px", 10.0), ("fwhm_of_best", 1.25))]  # fmt: skip
        return set(row["rules_broken"].split()) <= tried and not any(over)

    wanted = sum(map(passes, rows))
    assert wanted > len(kept)
    assert "→" in page.locator("table.what-if").inner_text()
    assert sum_of.inner_text().startswith(f"{wanted} frames")
    assert f"today {len(kept)}" in sum_of.inner_text()
    # What the moved limit does not free is told with the rule that holds it, and as often.
    held = page.locator(".limits .held").inner_text()
    wide = sum(float(row["fwhm_of_best"] or 0) > 1.25 for row in rows if not passes(row))
    assert f"star width against the lens's best {wide}" in held
    clouds = sum("extinction_mag" in row["rules_broken"].split() for row in rows)
    assert wide and clouds and f"transparency {clouds}" in held
    file = tmp_path / "rules.yaml"
    file.write_text(saved(page, "rules"), "utf-8")
    limits = load_rules(file).limits_for("", 50.0)
    assert (limits.trail_px.keep_up_to, limits.trail_px.reject_over) == (6.0, 10.0)
    assert limits.fwhm_of_best.keep_up_to == 1.25


def test_limits_that_nobody_moved_keep_what_the_judge_keeps_and_are_saved_with_all_others(
    opened: Opened, tmp_path: Path
) -> None:
    night = invented_night()
    own = {"trail_px.keep_up_to": 3.0, "trail_px.reject_over": 5.0}
    runs = [replace(one, limits=one.limits | own if n == 0 else one.limits | {
        "trail_px.keep_up_to": 1.23, "trail_px.reject_over": 2.5})
        for n, one in enumerate(night.summary.runs)]  # fmt: skip
    changed: dict[str, dict[str, Any]] = {
        # Within its lens's own limit.
        runs[0].run: {"trail_px": 2.8, "trail_of_fwhm": 0.9, "trail_worst_px": 3.0},
        # Longer than the limit, but not clear of its error: its plain shape is what counts.
        runs[1].run: {"trail_px": 1.9, "trail_sigma_px": 0.9, "trail_angle_deg": np.nan},
        # No trail of that length would have been seen.
        runs[2].run: {"trail_px": 1.5, "trail_sigma_px": 1.4, "trail_worst_px": 9.0},
    }
    rows = [
        replace(one, trail_px=one.trail_px + 3)
        if one.run == runs[0].run and one.verdict != "keep"
        else one
        for one in night.rows
    ]
    for run, values in changed.items():
        place = next(n for n, one in enumerate(rows) if one.run == run and one.verdict == "keep")
        rows[place] = replace(rows[place], **values)
    rules = {
        "min_stars": {"at_least": 7, "why": 'said "so"\nby me\x85'},
        "limits": [{"lens": "Tarn*", "trail_px": {"keep_up_to": 3.0, "reject_over": 5.0}}],
    }
    told = replace(night, rows=tuple(rows), summary=replace(night.summary, runs=tuple(runs)))
    page = opened(written(replace(told, rules=rules), tmp_path).url)
    kept = sum(row.verdict == "keep" for row in rows)
    shown = page.locator(".limits .sum")
    table = page.locator("table.what-if")
    assert shown.inner_text().startswith(f"{kept} frames")
    assert "→" not in table.inner_text()
    assert page.locator("[data-for=trail]").inner_text() == "1.23 to 3 px, by lens"

    def read(name: str) -> Rules:
        (tmp_path / name).write_text(saved(page, "rules"), "utf-8")
        return load_rules(tmp_path / name)

    before = read("untouched.yaml")
    assert (before.min_stars.at_least, before.min_stars.why) == (7, rules["min_stars"]["why"])
    assert before.trail_px == load_rules(None).trail_px
    assert before.limits_for("Tarnlight 85 mm", 85.0).trail_px.keep_up_to == 3.0
    # Moved and put back, the other limit judges every frame anew, and as the judge did.
    move = (
        "(one, to) => { one.value = to; one.dispatchEvent(new Event('input', {bubbles: true})); }"
    )
    page.locator("#try-width").evaluate(move, 1.25)
    assert shown.inner_text().startswith(f"{kept} frames")
    assert "→" not in table.inner_text()
    page.locator("#try-trail").evaluate(move, 2.0)
    assert "→" in table.inner_text()
    after = read("moved.yaml")
    assert after.min_stars.at_least == 7
    for lens in ("Tarnlight 85 mm", "any other"):
        # The ratio of both limits is that of the run with most frames.
        trail = after.limits_for(lens, 85.0).trail_px
        assert (trail.keep_up_to, trail.reject_over) == (2.0, 3.33)
    page.get_by_text("Back to today's limits").click()
    page.wait_for_function("!document.querySelector('table.what-if').innerText.includes('→')")


def test_the_page_and_the_judge_agree_on_an_audited_night(
    audited: Finished, opened: Opened
) -> None:
    (report,) = audited.out.glob("*/report.html")
    page = opened(report.as_uri())
    for slider in ("trail", "width"):
        # To where it stands: from now on the page judges every frame by itself.
        page.locator(f"#try-{slider}").evaluate(
            "one => one.dispatchEvent(new Event('input', {bubbles: true}))"
        )
        kept = sum(row["verdict"] == "keep" for row in audited.rows.values())
        assert page.locator(".limits .sum").inner_text().startswith(f"{kept} frames")
        assert "→" not in page.locator("table.what-if").inner_text()


def test_a_range_and_all_that_is_shown_are_decided_at_once(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url)
    page.on("dialog", lambda dialog: dialog.accept())
    page.locator("button.name").first.focus()
    page.keyboard.press("r")
    for _ in range(2):
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Shift+R")
    told = page.locator("li.frame .row .verdict").all_inner_texts()
    assert told[:4] == ["reject"] * 4
    assert "4 verdicts by hand" in status(page)
    page.locator(".together [data-all='']").click()
    assert "nothing changed by hand" in status(page)


def test_a_pinned_frame_stands_beside_an_opened_one(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    first, other = page.locator("li.frame").nth(0), page.locator("li.frame").nth(4)
    first.locator("button.name").focus()
    page.keyboard.press("p")
    other.locator("button.name").click()
    pinned = other.locator(".compare").inner_text()
    assert "Pinned:" in pinned
    assert first.locator("button.name").inner_text() in pinned


# ---- disagree ---------------------------------------------------------------------------


def test_changes_survive_a_reload_and_come_out_as_files(
    night_page: Written, opened: Opened, tmp_path: Path
) -> None:
    page = opened(night_page.url)
    rows = night_page.rows
    kept = [row["file"] for row in rows if row["verdict"] == "keep"]
    lost = next(row["file"] for row in rows if row["verdict"] == "reject")
    page.locator("li.frame").nth(3).locator("button.name").click()
    page.locator("li.frame").nth(3).locator(".disagree").get_by_text("keep").click()
    page.locator("[name=note]").fill('"good": enough # \u2028 für uns')
    page.locator("[name=note]").press("Tab")
    page.locator("li.frame button.name").first.focus()
    page.keyboard.press("d")
    page.reload()
    expected = {*kept, lost} - {rows[0]["file"]}
    assert status(page).startswith(f"Your list: {len(expected)} frames, ")
    assert "2 verdicts by hand" in status(page)
    assert f"stack {len(expected)}" in page.locator(".corrected").inner_text()
    listed = saved(page, "list").splitlines()
    assert set(listed) == {
        str(night_page.card.absolute() / file.removeprefix("./")) for file in expected
    }
    path = tmp_path / "overrides.yaml"
    path.write_text(saved(page, "overrides"), encoding="utf-8")
    read = load_overrides([path]).by_file
    assert {file: entry.verdict for file, entry in read.items()} == {
        lost: "keep",
        rows[0]["file"]: "doubtful",
    }
    assert read[lost].note == '"good": enough # \u2028 für uns'
    page.once("dialog", lambda dialog: dialog.accept())
    page.locator("[data-save=undo]").click()
    page.reload()
    assert "nothing changed by hand" in status(page)
    assert page.locator(".corrected").is_hidden()


def test_an_untouched_page_saves_the_list_that_the_audit_wrote(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url)
    assert saved(page, "list") == (night_page.folder / "stackable.txt").read_text("utf-8")


@pytest.mark.broad
def test_a_page_judged_anew_with_the_saved_changes_says_who_decided(
    audited: Finished,
    small_card: Path,
    skyplumb: Callable[..., Finished],
    opened: Opened,
    tmp_path: Path,
) -> None:
    (report,) = audited.out.glob("*/report.html")
    page = opened(report.as_uri())
    page.select_option("[name=verdict]", "reject")
    page.locator("button.name").first.focus()
    page.keyboard.press("k")
    file = f"{MOOR}/MIST_0004.dng"
    path = tmp_path / "overrides.yaml"
    path.write_text(saved(page, "overrides"), encoding="utf-8")
    assert list(load_overrides([path]).by_file) == [file]
    shutil.copytree(audited.out, tmp_path / "out")
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--overrides", path)
    assert done.code == 0, done.stderr
    assert done.rows[file]["decided_by"] == "person"
    (report,) = done.out.glob("*/report.html")
    again = opened(report.as_uri())
    assert "1 was decided by a person." in again.locator(".lead").inner_text()
    again.select_option("[name=verdict]", "mine")
    assert names(again) == [file]
    assert "by hand; rules: reject" in again.locator("li.frame").inner_text()
    # Saved again it is still there; given back to the rules that is said: the results hold it.
    assert file in saved(again, "overrides")
    again.locator("button.name").focus()
    again.keyboard.press("b")
    assert again.locator("li.frame .verdict").first.inner_text() == "reject"
    path.write_text(saved(again, "overrides"), encoding="utf-8")
    assert {name: one.verdict for name, one in load_overrides([path]).by_file.items()} == {
        file: "rules"
    }
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--overrides", path)
    assert (done.rows[file]["decided_by"], done.rows[file]["verdict"]) == ("rules", "reject")


# ---- made well --------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(night_page: Written, opened: Opened, scheme: str) -> None:
    page = opened(night_page.url, color_scheme=scheme, viewport={"width": 1280, "height": 900})
    page.locator("#night-chart svg").wait_for()
    page.locator("li.frame button.name").nth(3).click()
    page.locator(".field svg").nth(1).wait_for()
    page.locator("button.name").first.focus()
    page.keyboard.press("r")
    page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    found = Axe().run(page).response
    assert len(found["passes"]) > 20
    faults = [
        (one["id"], one["nodes"][0]["html"], one["nodes"][0]["failureSummary"])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical", "moderate")
    ]
    assert faults == []


@pytest.mark.parametrize("width", [360, 820, 1280])
def test_nothing_runs_over_the_edge_at_three_widths(
    night_page: Written, opened: Opened, width: int
) -> None:
    page = opened(night_page.url, viewport={"width": width, "height": 900})
    page.locator("li.frame button.name").nth(3).click()
    page.locator(".field svg").nth(1).wait_for()
    for chart in page.locator(".chart.axis, .chart.compass, #night-chart").all():
        chart.locator("svg").wait_for()
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / f"page-{width}.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # A number and its unit stand in one line; only a path may need more.
    broken = page.locator(".detail .figures dd").evaluate_all(
        "all => all.map((one) => { const range = document.createRange();"
        "range.selectNodeContents(one); return [one.textContent, range.getClientRects().length]; })"
    )
    assert broken and [text for text, lines in broken if lines > 1 and "/" not in text] == []
    small = page.locator("button:visible, select:visible, input:visible").evaluate_all(
        "all => all.filter((one) => one.getBoundingClientRect().height < 24)"
        ".map((one) => one.outerHTML)"
    )
    # WCAG 2.2, 2.5.8 Target Size (Minimum), AA: 24 by 24 CSS pixels.
    assert small == []


def test_paper_gets_every_frame_and_no_controls(night_page: Written, opened: Opened) -> None:
    page = opened(night_page.url)
    page.locator("#night-chart svg").wait_for()
    SCREENS.mkdir(parents=True, exist_ok=True)
    paper = page.pdf(path=SCREENS / "page.pdf", format="A4")
    page.emulate_media(media="print")
    assert len(names(page)) == len(night_page.rows)
    # The first frames too, to which no one scrolled; pictures that are alike may be one.
    pictures = page.locator("li.frame img").evaluate_all("all => all.map(one => one.src)")
    assert len(pictures) > 16
    assert paper.count(b"/Subtype /Image") >= len(set(pictures))
    for part in (".filter", ".tray", ".keys", "button.more", "#try-trail", ".limits .buttons"):
        assert page.locator(part).is_hidden()
    assert page.locator("li.frame .reason").first.is_visible()


def test_without_a_script_the_figures_still_stand(night_page: Written, browser: Browser) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(night_page.url)
    assert page.locator("table.plain tbody tr").count() == len(night_page.rows)
    assert page.locator("table.plain").is_visible()
    context.close()


# ---- size -------------------------------------------------------------------------------


@pytest.mark.slow
def test_three_thousand_frames_load_their_stars_as_they_come_into_view(
    opened: Opened, tmp_path: Path
) -> None:
    big = written(with_fields(invented_night(1000), many=True), tmp_path)
    page = opened(big.url, viewport={"width": 1280, "height": 900})
    page.locator("li.frame img").first.wait_for()
    page.locator("#night-chart canvas").wait_for()
    assert page.locator("li.frame").count() < 400
    page.locator("button.name").first.focus()
    page.keyboard.press("End")
    page.locator("li.frame img").last.scroll_into_view_if_needed()
    page.wait_for_function("[...document.querySelectorAll('li.frame img')].at(-1).naturalWidth > 0")
    assert len(list((big.folder / "stars").glob("*.jpg"))) == 3000
    assert not re.search(r"data:image/jpeg", (big.folder / "report.html").read_text("utf-8"))


def test_a_chosen_mark_brings_its_frame_into_the_middle_and_closes_its_words(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url, viewport={"width": 1280, "height": 800})
    tip = page.locator("#vg-tooltip-element.visible")
    marks = page.locator("#night-chart svg path[aria-label], #night-chart svg .mark-symbol path")
    marks.first.wait_for()
    page.locator("#night").scroll_into_view_if_needed()
    marks.first.hover(force=True)
    tip.wait_for()
    assert "cause" in tip.inner_text()
    marks.first.click(force=True)
    tip.wait_for(state="hidden")
    name = page.locator(".frame .name:focus")
    box = name.evaluate("e => e.closest('.frame').getBoundingClientRect().toJSON()")
    middle = (box["top"] + box["bottom"]) / 2
    # Half a frame of leave: its list may end there.
    assert abs(middle - 400) < box["height"] / 2 + 40


def test_a_filter_that_nothing_passes_says_so_and_offers_all(
    night_page: Written, opened: Opened
) -> None:
    page = opened(night_page.url)
    nothing = page.locator(".nothing")
    assert not nothing.is_visible()
    page.fill("[name=trail_from]", "1000")
    nothing.wait_for()
    assert page.locator(".frame").count() == 0
    nothing.get_by_role("button", name="Show all").click()
    nothing.wait_for(state="hidden")
    assert page.locator(".frame").count() > 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_brass_is_dark_enough_for_words(night_page: Written, opened: Opened, scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: text has a contrast of 4.5 to 1 at least."""
    page = opened(night_page.url, color_scheme=scheme)
    colours = page.evaluate(
        "() => ['brass', 'paper', 'card', 'note'].map((n) =>"
        " getComputedStyle(document.documentElement).getPropertyValue('--' + n).trim())"
    )
    brass, *grounds = (luminance(colour) for colour in colours)
    for ground in grounds:
        light, dark = max(brass, ground), min(brass, ground)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def luminance(colour: str) -> float:
    """Relative luminance of a colour such as #94742a (WCAG 2.2, its definition)."""
    colour = colour.lstrip("#")
    colour = "".join(2 * sign for sign in colour) if len(colour) == 3 else colour
    parts = [int(colour[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
