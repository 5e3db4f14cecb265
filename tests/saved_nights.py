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
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from html.parser import HTMLParser
from pathlib import Path

import numpy as np

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
from .drawnseason import DrawnRig, windy, write_season
from .lotcards import LOT
from .oddcards import CARDS, stars_of
from .resolved import one_night

SAVED = DATA / "nights"
FIRST = 90_000
"""The bench says of no such number how often anything is right."""
NIGHTS = (5, 14, 16, 21, 32, 36, 39, 42, 44, 53, 57, 61, 65, 66, 68, 77, 78)
"""Of the eighty from `FIRST` on: those that, for the time that they take, run most branches of
judging and calibrating; together 97 % of what all eighty run."""
ODD = {**CARDS, **LOT}
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
    """The same of each session of one of `ODD`."""
    measures = ODD[name]()
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
    """What some nights tell together, a part of `SEASON`, in a folder of its own."""
    kept = folder / part
    kept.mkdir()
    nights_in, told = SEASON[part]
    with tempfile.TemporaryDirectory() as empty:
        told(nights_in(Path(empty)), kept)
    return kept


def _saved(_: Path) -> list[Path]:
    return sorted(SAVED.glob("night-*"))


def _cards(_: Path) -> list[Path]:
    return sorted((SAVED / "cards").iterdir())


def _noted(empty: Path) -> list[Path]:
    """Ten nights in a calm and a windy valley, with two loads and all that notes may tell; two
    lenses of nearly one scale."""
    still = DrawnRig(slip_nights=0.2)
    notes: list[dict[str, object]] = [
        {"payload_g": load, "tags.valley": "Tarn" if n % 2 else "Orve", "tags.hood": n < 4}
        for n, load in enumerate((700, 1400, 900, 1600, 800, 1500, 1000, 1700, 1100, 1800))
    ]
    cells = ((24.0, 120.0), (85.0, 60.0), (90.0, 60.0), (135.0, 30.0), (135.0, 120.0))
    write_season(
        (still, windy(still, 9.0)), np.random.default_rng(90_001), 10, cells, 9, empty, notes
    )
    return [empty]


def _bare(empty: Path) -> list[Path]:
    """Three nights of few frames without a mount's numbers."""
    rig, cells = DrawnRig(axis_arcmin=9.0), ((50.0, 60.0), (50.0, 240.0))
    write_season(rig, np.random.default_rng(90_002), 3, cells, 4, empty, mounts=False, cloud=False)
    return [empty]


def _so_many(empty: Path, nights: int) -> list[Path]:
    """Few nights: what is told of four is not told of three."""
    rig, cells = DrawnRig(), ((50.0, 120.0), (135.0, 30.0), (135.0, 180.0))
    write_season(rig, np.random.default_rng(90_010 + nights), nights, cells, 2 + nights, empty)
    return [empty]


def _tally(nights: Sequence[Path], folder: Path, by: str = "") -> None:
    with tempfile.TemporaryDirectory() as whole:
        write_tally(nights, Path(whole), by=by)
        for name in TABLES:
            if (Path(whole) / name).exists():
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


def _forecast(nights: Sequence[Path], folder: Path, ask: Ask) -> None:
    told = forecast_from(nights, ask)
    _write(folder, forecast_json(told), forecast_words(told))


def _plan(nights: Sequence[Path], folder: Path, ask: PlanAsk = PLAN) -> None:
    told = plan_from(nights, ask)
    _write(folder, plan_json(told), plan_words(told))
    _read(plan_page(told), folder / "page.txt")


def _write(folder: Path, text: str, words: str) -> None:
    (folder / "told.json").write_text(text + "\n", "utf-8")
    (folder / "told.txt").write_text(words + "\n", "utf-8")


GIVEN = Ask(
    focal_mm=200.0, fnumber=4.0, pixel_um=6.0, sensor_width_mm=24.0, declination_deg=-20.0,
    gap_s=12.0, exposure_s=90.0,
)  # fmt: skip
SETTING = PlanAsk(
    date(2026, 3, 24), Target("M 42", 83.8, -5.4), latitude_deg=-31.0, longitude_deg=149.0,
    focal_mm=100.0, axis_error_arcmin=3.0, wind="worst",
)  # fmt: skip
NEVER = replace(SETTING, day=date(2026, 12, 21), target=Target("M 8", 271.0, -24.4))
CALM = PlanAsk(date(2026, 4, 12), Target("M 51", 202.5, 47.2), lens="135", wind="calm")
_Nights = Callable[[Path], Sequence[Path]]
"""Given an empty folder."""
_Told = Callable[[Sequence[Path], Path], None]
SEASON: dict[str, tuple[_Nights, _Told]] = {
    "tally": (_saved, _tally),
    "forecast": (_saved, partial(_forecast, ask=Ask())),
    "forecast-as-given": (
        _saved,
        partial(_forecast, ask=Ask(focal_mm=135.0, axis_error_arcmin=8.0)),
    ),
    "plan": (_saved, _plan),
    "cards-tally": (_cards, _tally),
    "noted-tally": (_noted, _tally),
    "noted-by-hood": (_noted, partial(_tally, by="tags.hood")),
    "noted-by-cause": (_noted, partial(_tally, by="cause")),
    "noted-forecast": (_noted, partial(_forecast, ask=GIVEN)),
    "noted-plan": (_noted, partial(_plan, ask=CALM)),
    "noted-plan-setting": (_noted, partial(_plan, ask=SETTING)),
    "noted-plan-never": (_noted, partial(_plan, ask=NEVER)),
    "bare-tally": (_bare, _tally),
    "bare-forecast": (_bare, partial(_forecast, ask=Ask())),
}
for count in range(1, 8):
    SEASON[f"tally-of-{count}"] = partial(_so_many, nights=count), _tally
    SEASON[f"forecast-of-{count}"] = partial(_so_many, nights=count), partial(_forecast, ask=Ask())


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
    for name in ODD:
        with tempfile.TemporaryDirectory() as folder:
            for made in judged_card(name, Path(folder)):
                shutil.copytree(made, SAVED / "cards" / made.name)
    for part in SEASON:
        with tempfile.TemporaryDirectory() as folder:
            shutil.copytree(season(part, Path(folder)), SAVED / "season" / part)


if __name__ == "__main__":
    main()
