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
from collections.abc import Iterator
from datetime import date
from pathlib import Path

from skyplumb.demo import DrawnExposure
from skyplumb.intake.rules import load_rules
from skyplumb.judge.calibrated import calibrate
from skyplumb.judge.notices import run_notices
from skyplumb.judge.zero_points import dimmed_notices
from skyplumb.output.files import Targets, write_session
from skyplumb.output.table import Told, session_result
from skyplumb.season.forecast import Ask
from skyplumb.season.forecast_words import as_json as forecast_json
from skyplumb.season.forecast_words import words as forecast_words
from skyplumb.season.gear import forecast_from, plan_from, write_tally
from skyplumb.season.night_ahead import Target
from skyplumb.season.plan import PlanAsk
from skyplumb.season.plan_words import as_json as plan_json
from skyplumb.season.plan_words import words as plan_words

from .bench.causes import mixed_nights
from .bench.sketch import sketched
from .demo_table import DATA, alike_but
from .resolved import one_night

SAVED = DATA / "nights"
FIRST = 90_000
"""The bench says of no such number how often anything is right."""
NIGHTS = (0, 2, 5, 10, 13, 14, 18, 20, 22, 36)
"""Of those from `FIRST` on: some of each kind of fault, lens, hemisphere and length."""
KEPT = ("frames.csv", "summary.json")
SEASON = ("tally.csv", "tally.json", "lens.csv", "tracker.csv")
MADE_WITH = ("trace", "table_digest")
CLOSE = 1e-7
"""Of a number that is told with all its digits."""
LATE_SUMMER = date(2026, 8, 14)
WREATH = Target("Cygnus", 305.0, 40.0)


def judged(number: int, folder: Path) -> Path:
    """One of the nights judged as by an audit, and what is kept of it in a folder of its own."""
    one = mixed_nights(1, FIRST + number)[0]
    measures = [
        sketched(DrawnExposure(one.night, 0, frame), f"frames/{frame:04d}.fits")
        for frame in one.shown
    ]
    rules = load_rules(None)
    session = one_night(measures)
    calibrated = calibrate(session, lambda _: None)
    runs = calibrated.judged(rules)
    dimmed = dimmed_notices(calibrated.runs, calibrated.facts, rules, {})
    result = session_result(
        session, runs, calibrated.excluded, (), rules,
        [*run_notices(runs), *dimmed, *calibrated.notices],
        Told(calibrated.lenses, calibrated.sky),
    )  # fmt: skip
    written = write_session(result, Targets(folder / "out"), folder / "card").folder
    place = folder / f"night-{number:02d}"
    place.mkdir()
    for name in KEPT:
        shutil.copy2(written / name, place)
    return place


def season(folder: Path) -> Path:
    """What the saved nights tell together: tables, and a text each of a forecast and a plan."""
    nights = sorted(SAVED.glob("night-*"))
    write_tally(nights, folder)
    ask = Ask(focal_mm=135.0, axis_error_arcmin=8.0)
    wanted = PlanAsk(LATE_SUMMER, WREATH, latitude_deg=47.0, longitude_deg=11.0)
    told = forecast_from(nights, Ask()), forecast_from(nights, ask), plan_from(nights, wanted)
    kept = folder / "season"
    kept.mkdir()
    for name in SEASON:
        shutil.copy2(folder / name, kept)
    for name, text, words in (
        ("forecast", forecast_json(told[0]), forecast_words(told[0])),
        ("forecast-as-given", forecast_json(told[1]), forecast_words(told[1])),
        ("plan", plan_json(told[2]), plan_words(told[2])),
    ):
        (kept / f"{name}.json").write_text(text + "\n", "utf-8")
        (kept / f"{name}.txt").write_text(words + "\n", "utf-8")
    return kept


def changes(now: Path, before: Path) -> list[str]:
    """A line for each fact that differs from a saved one."""
    out = []
    for path in sorted(before.iterdir()):
        pairs = zip(_lines(path), _lines(now / path.name), strict=False)
        count = len(list(_lines(path))), len(list(_lines(now / path.name)))
        out += [f"{path.name}: {count[1]} lines, {count[0]} were saved"] * (count[0] != count[1])
        out += [
            f"{path.name}: {a!r} was saved, {b!r} is found" for a, b in pairs if not _alike(a, b)
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


def _alike(one: str, other: str) -> bool:
    """Whether two lines say the same, numbers to a unit of the last digit or to `CLOSE`: kernels
    of other processors round differently."""
    return one == other or alike_but(
        one, other, lambda unit, number: max(unit if unit > 1e-7 else 0.0, CLOSE * abs(number))
    )


def main() -> None:
    """Judge all anew and save."""
    shutil.rmtree(SAVED, ignore_errors=True)
    SAVED.mkdir()
    for number in NIGHTS:
        with tempfile.TemporaryDirectory() as folder:
            shutil.copytree(judged(number, Path(folder)), SAVED / f"night-{number:02d}")
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(season(Path(folder)), SAVED / "season")


if __name__ == "__main__":
    main()
