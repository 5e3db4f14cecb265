"""A page of 3,000 frames in a real browser: how soon it is seen, drawn, and filtered.

`python -m tests.bench.page` prints the table; it needs Debian's chromium. Times on the wall
are of a machine that does nothing else; the page's own processor time hardly depends on that.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from ..inventednight import FLAGS, Written, invented_night, with_fields, written
from .tables import Table, aim

FILTER = """() => {
  const form = document.querySelector("form.filter");
  const took = [];
  for (const [name, value] of [
    ["verdict", "reject"], ["verdict", ""], ["run", "2-wide"], ["run", ""],
    ["order", "worst"], ["order", "best"], ["trail_from", "2"], ["trail_from", ""],
    ["order", "time"],
  ]) {
    const start = performance.now();
    form.elements[name].value = value;
    form.dispatchEvent(new Event("input", { bubbles: true }));
    document.body.getBoundingClientRect().height;
    took.push(performance.now() - start);
  }
  return took;
}"""
"""From a choice to the page laid out anew, in ms, for nine choices."""


def measure_page(big: Written, rounds: int) -> Table:
    """Open the page anew so many times; the slowest of each counts."""
    seen, drawn, work, filtered = [], [], [], []
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=shutil.which("chromium"), args=list(FLAGS))
        for _ in range(rounds):
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            metrics = page.context.new_cdp_session(page)
            metrics.send("Performance.enable", {"timeDomain": "threadTicks"})
            start = time.perf_counter()
            page.goto(big.url)
            page.locator("li.frame img").first.wait_for()
            seen.append(time.perf_counter() - start)
            page.locator("#night-chart canvas").wait_for()
            drawn.append(time.perf_counter() - start)
            told = metrics.send("Performance.getMetrics")["metrics"]
            work.append(next(one["value"] for one in told if one["name"] == "TaskDuration"))
            filtered += page.evaluate(FILTER)
            page.close()
        browser.close()
    megabytes = (big.folder / "report.html").stat().st_size / 1e6
    return Table(
        f"a page of {len(big.rows):,} frames, the slowest of {rounds} openings",
        ("what", "found", "aim", "", "of"),
        [
            aim("list and first stars seen, s", max(seen), 3, of=rounds),
            aim("every chart drawn, s", max(drawn), 3, of=rounds),
            aim("  of the page's own work, s", max(work), None, of=rounds),
            aim("filter or sort, slowest, ms", max(filtered), 100, of=len(filtered)),
            aim("  middle, ms", sorted(filtered)[len(filtered) // 2], None, of=len(filtered)),
            aim("page file, MB", megabytes, None),
        ],
    )


def measure_size() -> Table:
    """The page file of 300 frames with all its stars inside."""
    with tempfile.TemporaryDirectory() as folder:
        few = written(with_fields(invented_night(100)), Path(folder))
        size = (few.folder / "report.html").stat().st_size / 1e6
        return Table(
            "a page of 300 frames with its stars inside",
            ("what", "found", "aim", "", "of"),
            [aim("page file, MB", size, 12)],
        )


def main() -> None:
    """Write, open, print."""
    print(measure_size().text())
    with tempfile.TemporaryDirectory() as folder:
        big = written(with_fields(invented_night(1000), many=True), Path(folder))
        print(measure_page(big, rounds=5).text())


if __name__ == "__main__":
    main()
