"""Earlier nights as the standard for this one's focus: `--history`."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from smallcard import SESSION, Finished

Run = Callable[..., Finished]


def earlier(
    place: Path, audited: Finished, *, sharper: float, night: str, brighter_mag: float = 0.0
) -> Path:
    """An output of another night with the same lens, whose stars were so many times as narrow and
    so much brighter."""
    folder = place / night
    folder.mkdir(parents=True)
    (name,) = [one.parent for one in audited.out.glob("*/summary.json")]
    shutil.copy(name / "frames.csv", folder)
    told = json.loads((name / "summary.json").read_text("utf-8"))
    (session,) = told["sessions"]
    session |= {"session": night, "evening": night[:10]}
    for run in session["runs"]:
        run["focus_fwhm_px"] /= sharper
        run["zero_mag"] += brighter_mag
    (folder / "summary.json").write_text(json.dumps(told), encoding="utf-8")
    return place


@pytest.fixture
def out(audited: Finished, tmp_path: Path) -> Path:
    """Measured already."""
    return shutil.copytree(audited.out, tmp_path / "out")


def test_a_sharper_night_is_named_by_the_frames_and_first_of_all(
    audited: Finished, small_card: Path, out: Path, tmp_path: Path, skyplumb: Run
) -> None:
    # Two nights: the sharper one is the standard, wherever it lies and whatever is named first.
    older = earlier(tmp_path / "a", audited, sharper=1.9, night="2026-05-02-lerchau-mistel-3")
    newer = earlier(tmp_path / "b", audited, sharper=1.1, night="2026-08-14-lerchau-mistel-3")
    written = []
    for order in ((older, newer), (newer, older / "2026-05-02-lerchau-mistel-3")):
        words = [word for folder in order for word in ("--history", folder)]
        done = skyplumb("audit", small_card, "--out", out, *words)
        assert done.code == 0
        written.append((out / SESSION / "frames.csv").read_bytes())
    assert written[0] == written[1]
    lights = [row for row in done.rows.values() if row["kind"] == "light"]
    named = [row for row in lights if "this lens's best" in row["reason"]]
    assert len(named) >= 9
    for row in named:
        assert "on 2026-05-02, limit 1.4" in row["reason"]
        assert row["verdict"] == "reject"
    (session,) = json.loads((out / SESSION / "summary.json").read_text("utf-8"))["sessions"]
    assert session["notices"][0].startswith("Run 01-24mm-60s is out of focus as a whole: FWHM ")
    assert session["notices"][0].endswith("on 2026-05-02.")
    assert "widths of the lens in other nights" in session["changed_by"]
    page = (out / SESSION / "report.html").read_text("utf-8")
    first = page.index('aria-label="Read this first"')
    assert page.index("is out of focus as a whole", first) < page.index("At a glance", first)


def test_a_night_with_more_light_through_the_lens_is_named(
    audited: Finished, small_card: Path, out: Path, tmp_path: Path, skyplumb: Run
) -> None:
    night = "2026-05-02-lerchau-mistel-3"
    brighter = earlier(tmp_path / "a", audited, sharper=1.0, night=night, brighter_mag=1.2)
    done = skyplumb("audit", small_card, "--out", out, "--history", brighter)
    assert done.code == 0
    (session,) = json.loads((out / SESSION / "summary.json").read_text("utf-8"))["sessions"]
    told = [one for one in session["notices"] if "dimmed" in one]
    assert told
    words = "last: the stars are 1.2 mag fainter than this lens gave on 2026-05-02."
    assert all(words in line for line in told)
    # It is said, and no frame is judged by it.
    assert not session["changed_verdicts"]


def test_what_lies_in_the_output_is_no_history(
    audited: Finished, small_card: Path, out: Path, skyplumb: Run
) -> None:
    earlier(out, audited, sharper=1.9, night="2026-05-02-lerchau-mistel-3")
    assert skyplumb("audit", small_card, "--out", out).code == 0
    for name in ("frames.csv", "summary.json"):
        now = (out / SESSION / name).read_bytes()
        assert now == audited.files[f"{SESSION}/{name}"]
    # This night's own earlier result is not another night.
    assert skyplumb("audit", small_card, "--out", out, "--history", audited.out).code == 0
    now = (out / SESSION / "summary.json").read_bytes()
    assert now == audited.files[f"{SESSION}/summary.json"]


@pytest.mark.parametrize("kind", ["missing", "empty", "damaged"])
def test_a_history_that_cannot_be_read_is_one_line(
    small_card: Path, audited: Finished, tmp_path: Path, skyplumb: Run, kind: str
) -> None:
    place = tmp_path / "earlier"
    if kind != "missing":
        place.mkdir()
    if kind == "damaged":
        earlier(place, audited, sharper=1.0, night="2026-05-02-x")
        (place / "2026-05-02-x" / "summary.json").write_text("{", encoding="utf-8")
    done = skyplumb("audit", small_card, "--out", tmp_path / "out", "--history", place)
    assert done.code == 2
    (line,) = done.stderr.strip().splitlines()
    assert str(place) in line and "--history" in line
    assert not (tmp_path / "out").exists()
