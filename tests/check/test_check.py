"""`skyplumb check` on frames drawn by the second renderer, which knows the truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nightsky import seeds
from nightsky.build import Plan, mounted, quiet, slipping
from nightsky.card import Pictures, plain_card
from nightsky.mount import Aim, Placement
from nightsky.tags import tags_of
from skyplumb.check import drive, exposures
from skyplumb.judge.mount import MountFit
from smallcard import Finished

Command = Callable[..., Finished]
SEED = seeds.JUDGE["tests"][40]


def draw(plan: Plan, at: Path) -> Path:
    """The folder with the frames."""
    entries = plain_card(plan.night, tags_of(plan.night, plan.clock))
    Pictures(plan.night).write(at, entries, asdict(plan.clock))
    return at / "card"


def tilted(frames: int, high: float, east: float, south: bool = False, focal: int = 135) -> Plan:
    """A set with an axis that is off so far."""
    plan = quiet(SEED + south, focal, 60.0, south=south, frames=frames)
    return mounted(plan, altitude_error_arcmin=high, azimuth_error_arcmin=east)


def ask(skyplumb: Command, card: Path, *words: object) -> dict[str, Any]:
    """The answer for programs; the screen has the same and fits."""
    out = card.parent / "store"
    shown = skyplumb("check", card, "--out", out, *words)
    assert shown.code == 0, shown.stderr
    lines = shown.stdout.splitlines()
    assert len(lines) <= 24 and max(map(len, lines)) <= 80
    done = skyplumb("check", card, "--out", out, "--json", *words)
    assert done.code == 0 and not done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    told["screen"] = shown.stdout
    return told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("south", "words"),
    [
        (False, ("lower the axis by", "east, to your right", "looking north to the pole")),
        (True, ("lower the axis by", "east, to your left", "looking south to the pole")),
    ],
)
def test_four_frames_tell_the_turns(
    skyplumb: Command, tmp_path: Path, south: bool, words: tuple[str, ...]
) -> None:
    card = draw(tilted(4, 21.0, -34.0, south), tmp_path)
    before = {path.name: path.read_bytes() for path in card.iterdir()}
    told = ask(skyplumb, card)
    for turn, right in zip(told["axis"]["turns"], (-21.0, 34.0), strict=True):
        assert abs(turn["arcmin"] - right) < 3 * turn["sigma_arcmin"]
        assert turn["words"] in told["screen"]
    assert all(some in told["screen"] for some in words)
    assert "laser" in told["screen"]
    assert told["drive"]["state"] != "wrong"
    assert 0 < told["longest"]["worst_s"] < told["longest"]["turned_worst_s"]
    assert "toward the" in told["take_next"]  # one part of the sky does not tell a slip
    # Nothing but a store, and the card as it was.
    assert {path.name: path.read_bytes() for path in card.iterdir()} == before
    assert [path.name for path in (tmp_path / "store").iterdir()] == [".skyplumb"]


@pytest.mark.slow
def test_three_frames_tell_their_drift(skyplumb: Command, tmp_path: Path) -> None:
    card = draw(tilted(3, 40.0, 60.0), tmp_path)
    truth = json.loads((tmp_path / "truth.json").read_text("utf-8"))["frames"][-1]
    told = ask(skyplumb, card)
    assert not told["axis"]["known"] and not told["axis"]["turns"]
    drift = told["drift"]
    wanted = truth["trail_px"] / truth["exposure_s"] * 60
    assert abs(drift["px_a_min"] - wanted) < max(3 * drift["sigma_px_a_min"], 0.1 * wanted)
    assert "px a minute along position angle" in told["screen"]
    assert told["take_next"].startswith("1 more frame of 60 s")
    assert "laser" not in told["screen"]


@pytest.mark.slow
def test_one_frame_tells_its_trail(skyplumb: Command, tmp_path: Path) -> None:
    card = draw(tilted(1, 60.0, 80.0), tmp_path)
    told = ask(skyplumb, card)
    assert told["drift"]["axis_only"]
    assert "3 more frames of 60 s" in told["take_next"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("speed", "words"),
    [(0.5, "half speed"), (-1.0, "set the hemisphere"), (0.0, "does not run")],
)
@pytest.mark.parametrize("frames", [3, 5])
def test_a_drive_that_is_set_wrong(
    skyplumb: Command, tmp_path: Path, speed: float, words: str, frames: int
) -> None:
    plan = mounted(quiet(SEED, 50, 30.0, frames=frames), speed=speed)
    told = ask(skyplumb, draw(plan, tmp_path))
    assert told["drive"]["state"] == "wrong"
    assert words in told["drive"]["words"] and words in told["screen"]
    assert told["take_next"] == "four of 30 s in a row, once the drive is set right"


@pytest.mark.parametrize(
    ("fit", "few", "state", "words"),
    [
        (MountFit(why_not="too few frames"), "lunar rate", "not known", "a head that slips or"),
        (MountFit(rate_known=False), "lunar rate", "not known", "taken as right"),
        (MountFit(rate_known=False), "half speed", "wrong", "set it to sidereal"),
        (MountFit(why_not="too few frames"), "", "not known", ""),
    ],
)
def test_what_a_slip_draws_as_well_is_no_wrong_drive(
    monkeypatch: pytest.MonkeyPatch, fit: MountFit, few: str, state: str, words: str
) -> None:
    monkeypatch.setattr(drive, "_rate_of_few", lambda _: few)
    told = drive.drive_of(fit, None, [], exposures.KnownLens("", 135.0, 6.0, 1.5))
    assert told.state == state
    assert words in told.words and ("set" in told.words) == (state == "wrong")


def test_a_rate_that_costs_nothing_beside_a_bad_axis_is_not_right() -> None:
    tilt = np.radians(2.0)
    about_the_pole = np.cos(tilt) - 1  # of a drive that runs right about an axis off so far
    beyond = exposures.Beyond(
        np.array([0.0, tilt, about_the_pole + 0.006]), 1e-10 * np.eye(3), 47.0
    )
    fit = MountFit(axis_rate=beyond.rate, covariance=beyond.covariance)
    told = drive.drive_of(fit, beyond, [], exposures.KnownLens("", 50.0, 16.0, 1.5))
    assert (told.state, told.words) == ("wrong", "it runs 0.6% too fast")
    exact = replace(beyond, rate=np.array([0.0, tilt, about_the_pole + 2e-6]))
    fit = replace(fit, axis_rate=exact.rate)
    assert (
        drive.drive_of(fit, exact, [], exposures.KnownLens("", 50.0, 16.0, 1.5)).words
        == "rate right"
    )
    fit = replace(fit, axis_rate=beyond.rate)
    wide = drive.drive_of(fit, beyond, [], exposures.KnownLens("", 14.0, 90.0, 1.5))
    assert (wide.state, wide.words) == (
        "right",
        "0.6% too fast, which costs nothing up to 8 min with this lens",
    )


@pytest.mark.slow
def test_trails_too_long_to_be_read_ask_for_a_short_exposure_and_tell_no_speed(
    skyplumb: Command, tmp_path: Path
) -> None:
    plan = mounted(quiet(SEED, 85, 150.0, frames=4), speed=0.0)
    told = ask(skyplumb, draw(plan, tmp_path))
    truth = json.loads((tmp_path / "truth.json").read_text("utf-8"))["frames"][-1]
    assert truth["trail_px"] > 40
    assert not (told["focus"] or {}).get("again")
    if told["solved"] < 4:
        assert told["take_next"].startswith("four of ") and "too far" in told["take_next"]
    else:
        assert "does not run" in told["drive"]["words"]
    if told["drift"]:
        speed = truth["trail_px"] / 150 * 60
        assert told["drift"]["px_a_min"] == pytest.approx(speed, rel=0.2)


@pytest.mark.slow
def test_without_the_zone_the_first_line_says_what_gives_it(
    skyplumb: Command, tmp_path: Path
) -> None:
    plan = tilted(4, 21.0, -34.0)
    zone = plan.clock.zone_h
    plan = replace(plan, clock=replace(plan.clock, zone_told=False, gps=""))
    card = draw(plan, tmp_path)
    told = ask(skyplumb, card)
    first = told["screen"].splitlines()
    assert first[0].startswith("no turn") and "night-notes.yaml" in " ".join(first[:2])
    given = told["axis"]["notes_line"].splitlines()
    assert all(line in told["screen"] for line in given)
    assert not told["axis"]["turns"]
    # With those lines, and the site's own figures in them, turns are told.
    site = plan.night.site
    lines = {
        "clock": f"clock: {{utc_offset_h: {zone:g}}}",
        "site": f"site: {{latitude_deg: {site.latitude_deg}, longitude_deg: {site.longitude_deg}}}",
    }
    notes = tmp_path / "night-notes.yaml"
    notes.write_text("\n".join(lines[line.split(":")[0]] for line in given), encoding="utf-8")
    told = ask(skyplumb, card)
    assert told["axis"]["known"] and told["axis"]["notes_line"] == ""


@pytest.mark.slow
def test_the_newest_placement_is_answered_beside_the_one_before(
    skyplumb: Command, tmp_path: Path
) -> None:
    """What `turned` in the notes settles: a small turn that no fit would cut by itself."""
    plan = tilted(8, 21.0, -34.0)
    at = plan.night.shots[4].start_s - 2.0
    carried = Aim(at + 0.5, None, (600.0, 900.0, 0.0))  # the camera turns with the axis
    aims = (*plan.night.mount.aims, carried)
    plan = mounted(plan, placements=(Placement(at, 3.0, -30.0),), aims=aims)
    card = draw(plan, tmp_path)
    clock = plan.night.start_utc + timedelta(hours=plan.clock.zone_h, seconds=at)
    notes = tmp_path / "night-notes.yaml"
    notes.write_text(f"turned: {clock:%Y-%m-%d %H:%M:%S}\n", encoding="utf-8")
    told = ask(skyplumb, card)
    assert (told["placements"], told["frames"]) == (2, 4)
    for turn, right in zip(told["axis"]["turns"], (-3.0, 30.0), strict=True):
        assert abs(turn["arcmin"] - right) < 3 * turn["sigma_arcmin"]
    for moved, asked, done in zip(told["axis"]["moved"], (-21.0, 34.0), (-18.0, 4.0), strict=True):
        assert abs(moved["moved_arcmin"] - done) < 3 * moved["sigma_arcmin"]
        assert abs(moved["asked_arcmin"] - asked) < 2
    assert " of the 21 asked" in told["screen"] or " of the 20 asked" in told["screen"]


@pytest.mark.slow
def test_a_head_that_slips_all_along_gives_no_false_turn(skyplumb: Command, tmp_path: Path) -> None:
    plan = slipping(quiet(SEED, 135, 60.0, frames=5), 4.0, -0.5)
    told = ask(skyplumb, draw(plan, tmp_path))
    assert not any(
        not turn["why_not"] and abs(turn["arcmin"]) > 3 * turn["sigma_arcmin"]
        for turn in told["axis"]["turns"]
    )


@pytest.mark.slow
def test_the_best_known_width_is_that_of_earlier_audits(
    skyplumb: Command, tmp_path: Path, audited: Finished, small_card: Path
) -> None:
    frames = sorted((small_card / "DCIM/100MOOR Süd").glob("MIST_000[1-5].dng"))
    plain = skyplumb("check", *frames, "--out", tmp_path / "a", "--json")
    told = json.loads(plain.stdout)
    assert told["focus"]["best_px"] is None
    done = skyplumb("check", *frames, "--out", tmp_path / "a", "--json", "--season", audited.out)
    told = json.loads(done.stdout)
    assert told["focus"]["best_px"] > 0 and "2026-09-12" in told["focus"]["where"]
    assert not told["focus"]["again"]


def test_mistakes_and_empty_folders_end_as_an_audit_does(
    skyplumb: Command, tmp_path: Path, small_card: Path
) -> None:
    (tmp_path / "empty").mkdir()
    out = tmp_path / "store"
    assert skyplumb("check", tmp_path / "empty", "--out", out).code == 1
    missing = skyplumb("check", tmp_path / "nowhere.dng", "--out", out)
    assert missing.code == 2 and "no such" in missing.stderr
    assert skyplumb("check", small_card, "--out", small_card / "here").code == 2
    dark = next((small_card / "dunkel").glob("*.dng"))
    none = skyplumb("check", dark, "--out", out)
    assert none.code == 1 and "no light frame" in none.stderr and not none.stdout


@pytest.mark.slow
def test_of_a_full_folder_the_newest_are_asked(
    skyplumb: Command, tmp_path: Path, small_card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("skyplumb.checking.MOST_FRAMES", 4)
    done = skyplumb("check", small_card / "DCIM/101MOOR", "--out", tmp_path / "store", "--json")
    assert "of which the newest 4 are taken" in done.stderr
    assert json.loads(done.stdout)["frames"] <= 4
