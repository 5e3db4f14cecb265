"""What is said of some sketched nights, and of the season that they make, held to the digit.

A saved answer is no truth (tests of each stage and the bench have that); it is what was said when
it was saved, so that no change of a number goes unseen: every cell of the frames' tables, every
fact of the sessions' summaries, of the tally, of a forecast and of a plan.

`python -m tests.saved_nights` saves them anew, where a change is meant.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from html.parser import HTMLParser
from pathlib import Path

from skyplumb.demo import DrawnExposure
from skyplumb.intake.notes import Notes
from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import calibrate
from skyplumb.judge.notices import run_notices
from skyplumb.judge.zero_points import dimmed_notices
from skyplumb.night.sessions import resolve
from skyplumb.night.shot import Session
from skyplumb.output.files import Targets, write_session
from skyplumb.output.table import Told, session_result
from skyplumb.season.forecast import Ask
from skyplumb.season.forecast_words import as_json as forecast_json
from skyplumb.season.forecast_words import words as forecast_words
from skyplumb.season.gear import forecast_from, plan_from, write_tally
from skyplumb.season.night_ahead import Target
from skyplumb.season.plan import PlanAsk
from skyplumb.season.plan_page import render as plan_page
from skyplumb.season.plan_words import as_json as plan_json
from skyplumb.season.plan_words import words as plan_words

from .bench.causes import mixed_nights
from .bench.sketch import sketched
from .demo_table import DATA, alike_but
from .oddcards import CARDS, stars_of
from .resolved import one_night

SAVED = DATA / "nights"
FIRST = 90_000
"""The bench says of no such number how often anything is right."""
NIGHTS = (5, 14, 16, 21, 32, 36, 39, 42, 44, 53, 57, 61, 65, 66, 68, 77, 78)
"""Of the eighty from `FIRST` on: those that, for the time that they take, run most branches of
judging and calibrating; together 97 % of what all eighty run."""
KEPT = ("frames.csv", "summary.json")
TABLES = ("tally.csv", "tally.json", "lens.csv", "tracker.csv")
MADE_WITH = ("trace", "table_digest")
MEANT = "if that is meant: python -m tests.saved_nights\n"
CLOSE = 1e-7
"""Of a number that is told with all its digits."""
LESS_CLOSE = {"tally.json": 2e-3, "lens.csv": 2e-3, "lenses.html.txt": 2e-3}
"""A lens of few frames: a search ends anywhere in a flat valley, far within its errors."""
LATE_SUMMER = date(2026, 8, 14)
WREATH = Target("Cygnus", 305.0, 40.0)
PLAN = PlanAsk(LATE_SUMMER, WREATH, latitude_deg=47.0, longitude_deg=11.0)


def judged(number: int, folder: Path) -> Path:
    """One of the nights judged as by an audit, and what is kept of it in a folder of its own."""
    one = mixed_nights(1, FIRST + number)[0]
    measures = [
        sketched(DrawnExposure(one.night, 0, frame), f"frames/{frame:04d}.fits")
        for frame in one.shown
    ]
    return _kept(one_night(measures), folder, f"night-{number:02d}")


def judged_card(name: str, folder: Path) -> list[Path]:
    """The same of each session of one of `CARDS`."""
    measures = CARDS[name]()
    sessions, _ = resolve(measures, Notes(), stars_of=stars_of(measures))
    return [_kept(one, folder, f"{name}-{n}") for n, one in enumerate(sessions, 1)]


def _kept(session: Session, folder: Path, name: str) -> Path:
    rules = load_rules(None)
    calibrated = calibrate(session, lambda _: None)
    runs = calibrated.judged(rules)
    dimmed = dimmed_notices(calibrated.runs, calibrated.facts, rules, {})
    result = session_result(
        session, runs, calibrated.excluded, (), rules,
        [*run_notices(runs), *dimmed, *calibrated.notices],
        Told(calibrated.lenses, calibrated.sky),
    )  # fmt: skip
    written = write_session(result, Targets(folder / "out"), folder / "card").folder
    place = folder / name
    place.mkdir()
    for table in KEPT:
        shutil.copy2(written / table, place)
    return place


def season(part: str, folder: Path) -> Path:
    """What the saved nights tell together, a part of `SEASON`, in a folder of its own."""
    kept = folder / part
    kept.mkdir()
    SEASON[part](sorted(SAVED.glob("night-*")), kept)
    return kept


def _tally(nights: Sequence[Path], folder: Path) -> None:
    with tempfile.TemporaryDirectory() as whole:
        write_tally(nights, Path(whole))
        for name in TABLES:
            shutil.copy2(Path(whole) / name, folder)
        for page in Path(whole).glob("*.html"):
            _read(page.read_text("utf-8"), folder / f"{page.name}.txt")


class _Read(HTMLParser):
    """What a page says, and what its charts draw, an entry a line."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._within = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        data = ("type", "application/json") in attrs
        self._within = "data" if data else tag if tag in ("script", "style") else ""

    def handle_endtag(self, tag: str) -> None:
        self._within = ""

    def handle_data(self, data: str) -> None:
        if self._within == "data":
            drawn = json.loads(data)
            self.lines += [f"{key}: {json.dumps(value)}" for key, value in drawn.items()]
        elif not self._within and data.strip():
            self.lines.append(" ".join(data.split()))


def _read(page: str, into: Path) -> None:
    read = _Read()
    read.feed(page)
    into.write_text("\n".join(read.lines) + "\n", "utf-8")


def _forecast(ask: Ask, nights: Sequence[Path], folder: Path) -> None:
    told = forecast_from(nights, ask)
    _write(folder, forecast_json(told), forecast_words(told))


def _plan(nights: Sequence[Path], folder: Path) -> None:
    told = plan_from(nights, PLAN)
    _write(folder, plan_json(told), plan_words(told))
    _read(plan_page(told), folder / "page.txt")


def _write(folder: Path, text: str, words: str) -> None:
    (folder / "told.json").write_text(text + "\n", "utf-8")
    (folder / "told.txt").write_text(words + "\n", "utf-8")


SEASON: Mapping[str, Callable[[Sequence[Path], Path], None]] = {
    "tally": _tally,
    "forecast": partial(_forecast, Ask()),
    "forecast-as-given": partial(_forecast, Ask(focal_mm=135.0, axis_error_arcmin=8.0)),
    "plan": _plan,
}


def changes(now: Path, before: Path) -> list[str]:
    """A line for each fact that differs from a saved one."""
    out = []
    for path in sorted(before.iterdir()):
        pairs = zip(_lines(path), _lines(now / path.name), strict=False)
        count = len(list(_lines(path))), len(list(_lines(now / path.name)))
        out += [f"{path.name}: {count[1]} lines, {count[0]} were saved"] * (count[0] != count[1])
        close = LESS_CLOSE.get(path.name, CLOSE)
        out += [
            f"{path.name}: {a!r} was saved, {b!r} is found"
            for a, b in pairs
            if not _alike(a, b, close)
        ]
    return out


def _lines(path: Path) -> Iterator[str]:
    """The file's lines; without what a session was made with."""
    text = path.read_text("utf-8")
    if path.name == "summary.json":
        told = json.loads(text)
        for one in told["sessions"]:
            for name in MADE_WITH:
                del one[name]
        text = json.dumps(told, indent=1, ensure_ascii=False)
    yield from text.splitlines()


def _alike(one: str, other: str, close: float) -> bool:
    """Whether two lines say the same, numbers to a unit of the last digit or so close: kernels of
    other processors round differently."""
    return one == other or alike_but(
        one, other, lambda unit, number: max(unit if unit > 1e-7 else 0.0, close * abs(number))
    )


def main() -> None:
    """Judge all anew and save."""
    shutil.rmtree(SAVED, ignore_errors=True)
    SAVED.mkdir()
    for number in NIGHTS:
        with tempfile.TemporaryDirectory() as folder:
            shutil.copytree(judged(number, Path(folder)), SAVED / f"night-{number:02d}")
    for name in CARDS:
        with tempfile.TemporaryDirectory() as folder:
            for made in judged_card(name, Path(folder)):
                shutil.copytree(made, SAVED / "cards" / made.name)
    for part in SEASON:
        with tempfile.TemporaryDirectory() as folder:
            shutil.copytree(season(part, Path(folder)), SAVED / "season" / part)


if __name__ == "__main__":
    main()
