"""The page of the gear in a browser: the right count beside the right exposure, at any width."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from drawnseason import DrawnRig, write_season
from skyplumb.season.gear import write_tally

SCREENS = Path(__file__).parents[2] / "bench-out" / "screens"
CELLS = ((85.0, 25.0), (85.0, 60.0), (135.0, 25.0), (135.0, 90.0), (200.0, 90.0))


@pytest.fixture(scope="module")
def tallied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four nights, on the last two another lens of the same 135 mm, with other exposures too."""
    folder = tmp_path_factory.mktemp("gear")
    rig = DrawnRig()
    write_season(rig, np.random.default_rng(3), 2, CELLS, 9, folder / "a")
    write_season(
        rig,
        np.random.default_rng(4),
        2,
        ((135.0, 40.0), (135.0, 90.0)),
        11,
        folder / "b",
        lens="Grandfather {focal:g}mm",
    )
    write_tally([folder / "a", folder / "b"], folder / "out")
    return folder / "out" / "tally.html"


def opened(browser: object, path: Path, width: int, **options: str) -> Page:
    page = browser.new_page(viewport={"width": width, "height": 900}, **options)  # type: ignore[attr-defined]
    page.set_default_timeout(60_000)
    said: list[str] = []
    page.on("console", lambda one: said.append(one.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(path.as_uri())
    for chart in page.locator(".gear-chart .chart").all():
        chart.locator("svg").wait_for()
    assert said == []
    return page


def middles(page: Page, texts: str) -> list[tuple[str, float]]:
    """Texts of the first chart and the height on the page of their middles."""
    found = page.locator(f"#chart-cells svg {texts} text").evaluate_all(
        "all => all.map((one) => { const box = one.getBoundingClientRect();"
        "return [one.textContent, box.top + box.height / 2]; })"
    )
    return [(str(text), float(y)) for text, y in found]


@pytest.mark.slow
def test_each_count_stands_beside_its_lens_and_exposure(browser: object, tallied: Path) -> None:
    page = opened(browser, tallied, 1280)
    wanted = {
        (row[0], row[1]): row[2]
        for row in page.locator("#table-cells tbody tr").evaluate_all(
            "all => all.map((one) => [...one.cells].map((cell) => cell.textContent))"
        )
    }
    lenses = sorted(middles(page, ".role-title-text"), key=lambda one: one[1])
    exposures = middles(page, ".role-axis-label")
    seen = {}
    for words, y in middles(page, ".mark-text.role-mark"):
        lens = max((one for one in lenses if one[1] < y), key=lambda one: one[1])[0]
        (exposure,) = [text for text, at in exposures if abs(at - y) < 6 and text.endswith(" s")]
        seen[lens, exposure] = words
    assert len({lens for lens, _ in seen}) == 4
    assert seen == {(lens, f"{t} s"): words for (lens, t), words in wanted.items()}
    page.close()


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_charts_fit_and_nothing_runs_over_the_edge(
    browser: object, tallied: Path, width: int
) -> None:
    page = opened(browser, tallied, width)
    SCREENS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SCREENS / f"gear-{width}.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for chart in page.locator(".gear-chart .chart").all():
        inner, outer = chart.evaluate("one => [one.scrollWidth, one.clientWidth]")
        # Less than a pixel is rounding.
        assert inner <= outer + 1
        drawn = chart.locator("svg").evaluate(
            "one => [one.getBoundingClientRect().width, Number(one.getAttribute('width'))]"
        )
        # Not shrunk either: letters keep their size.
        assert drawn[0] == pytest.approx(drawn[1], abs=1)
    page.close()


def test_its_tables_stay_on_a_sheet_of_paper(browser: object, tallied: Path) -> None:
    page = opened(browser, tallied, 794)
    page.emulate_media(media="print")
    assert page.evaluate("document.documentElement.scrollWidth") <= 794
    page.close()


def test_every_mark_that_is_not_hidden_has_a_name(browser: object, tallied: Path) -> None:
    page = opened(browser, tallied, 1280)
    marks = page.locator(".chart svg [role]").evaluate_all(
        "all => all.filter((one) => !one.closest('[aria-hidden=true]'))"
        ".map((one) => one.getAttribute('aria-label'))"
    )
    assert len(marks) > 20
    assert all(marks)
    assert any("135" in name and " kept, " in name for name in marks)
    page.close()


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_the_gears_page(
    browser: object, tallied: Path, scheme: str
) -> None:
    page = opened(browser, tallied, 360, color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    faults = [
        (one["id"], one["nodes"][0]["html"], one["nodes"][0]["failureSummary"])
        for one in Axe().run(page).response["violations"]
        if one["impact"] in ("serious", "critical", "moderate")
    ]
    assert faults == []
    page.close()
