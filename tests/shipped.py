"""Files under `reports/` that are made from code; `make shipped` writes them anew.

README's picture is made from the demo's page where the demo was audited and Chromium is there; a
picture differs from browser to browser, so that no test compares it.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import vl_convert

from skyplumb.columns import COLUMNS
from skyplumb.intake.fits_keywords import KEYWORDS
from skyplumb.output.page.render import LIBRARY
from skyplumb.summary import SCHEMA_FILE, schema

ROOT = Path(__file__).parents[1]
REPORTS = ROOT / "reports"
PICTURE = "first-screen.png"
WIDTH, HEIGHT = 1280, 800


def summary_schema() -> str:
    """The JSON Schema of summary.json."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def columns_words() -> str:
    """The columns of frames.csv as a table for people."""
    lines = [
        "# The columns of frames.csv",
        "",
        "Made from the list in `pipeline/skyplumb/columns.py`. An empty cell is what is not known. "
        "`frames.csv-metadata.json` beside the table says the same for programs (W3C CSV on the "
        "Web).",
        "",
        "| column | unit | meaning | from |",
        "| --- | --- | --- | --- |",
        *(f"| `{c.name}` | {c.unit} | {c.meaning} | {c.source} |" for c in COLUMNS.values()),
    ]
    return "\n".join(lines) + "\n"


def fits_keywords_words() -> str:
    """The FITS keywords that are read, as a table for people."""
    lines = [
        "# FITS keywords that are read",
        "",
        "Made from the list in `pipeline/skyplumb/intake/fits_keywords.py`. Of several in a line "
        "the first that says something counts. The picture's header is asked first, the primary "
        "one after it. A value that no camera can have counts as unknown.",
        "",
        "| keywords | meaning | source |",
        "| --- | --- | --- |",
        *(
            f"| {', '.join(f'`{name}`' for name in one.names)} | {one.meaning} | {one.source} |"
            for one in KEYWORDS.values()
        ),
    ]
    return "\n".join(lines) + "\n"


def charts_library() -> str:
    """Vega, Vega-Lite and Vega-Embed with all they need; `LICENSE.charts-library.txt` goes with
    them."""
    bundle = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    versions = {
        "Vega": vl_convert.get_vega_version(),
        "Vega-Lite": vl_convert.get_vegalite_versions()[-1],
        "Vega-Embed": vl_convert.get_vega_embed_version(),
    }
    told = ", ".join(f"{name} {version}" for name, version in versions.items())
    head = f"// {told}; see LICENSE.charts-library.txt; made by `make shipped`."
    return f'{head}\n(() => {{\n"use strict";\n{bundle}\n}})();\n'


MADE: dict[str, Callable[[], str]] = {
    SCHEMA_FILE: summary_schema,
    "columns.md": columns_words,
    "fits-keywords.md": fits_keywords_words,
    LIBRARY: charts_library,
}
"""Name in `reports/` and what makes its text."""


def picture(page: Path) -> bytes:
    """The first screen of a report, as PNG."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tools:
        browser = tools.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        shown = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        shown.goto(page.resolve().as_uri())
        shown.locator(".chart.axis svg").wait_for()
        png = shown.screenshot()
        browser.close()
    return png


if __name__ == "__main__":
    for name, make in MADE.items():
        (REPORTS / name).write_text(make(), "utf-8")
    pages = sorted((ROOT / "demo-audit").glob("*/report.html"))
    if pages and shutil.which("chromium"):
        (REPORTS / PICTURE).write_bytes(picture(pages[0]))
