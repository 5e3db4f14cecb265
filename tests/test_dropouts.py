"""What the bench of missing tags counts, on a card whose answers are known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from bench.alike import slip_or_axis
from bench.said import Audit, compare, taking_turns
from nightsky.edits import EDITS


def entry(number: int, cause: str, *, clear: bool = True, changed: bool = False) -> dict[str, Any]:
    """A frame's truth: a slip draws 6 px, an axis 5 or 1."""
    alone = {"axis": 5.0 if cause == "axis" else 1.0, "slip": 6.0, "none": 0.0}
    return {
        "file": f"NH2_{number + 1:04d}.dng",
        "number": number,
        "cause": cause,
        "grade": "good" if cause == "none" else "bad",
        "clear": clear,
        "changed": changed,
        "alone_px": alone,
        "at_work": ["axis", "slip"],
        "trail_px": 6.0,
    }


def audited(*said: tuple[str, str, float]) -> Audit:
    """What was said of frames: verdict, cause, confidence."""
    rows = pd.DataFrame(said, columns=["verdict", "cause", "confidence"])
    rows["file"] = [f"NH2_{n + 1:04d}.dng" for n in range(len(rows))]
    rows["kind"], rows["reason"] = "light", ""
    mount = {
        "setup": "1",
        "axis_alt_error_arcmin": 30.0,
        "axis_alt_error_arcmin_sigma": 0.1,
        "axis_az_error_arcmin": 0.0,
        "axis_az_error_arcmin_sigma": 0.1,
    }
    return Audit(rows.set_index("file", drop=False), [mount], 1)


def truth(*entries: dict[str, Any]) -> dict[str, Any]:
    return {
        "seed": 1,
        "files": list(entries),
        "frames": list(entries),
        "site": {"latitude_deg": 40.0},
        "axis_alt_error_arcmin": 30.9,
        "axis_az_error_arcmin": 0.0,
        "axis_total_error_arcmin": 30.9,
    }


def test_what_is_said_is_held_against_the_whole_card_and_the_truth() -> None:
    whole = audited(
        ("reject", "slip", 0.9), ("reject", "slip", 0.9), ("reject", "slip", 0.9), ("keep", "", 0)
    )
    said = audited(
        ("reject", "slip", 0.9),  # as before and true
        ("doubtful", "axis", 0.9),  # near a limit: an axis draws half of it, so not false
        ("reject", "axis", 0.9),  # false: alone it draws 1 px of 6
        ("keep", "wind", 0.9),  # false: nothing is wrong
    )
    score = compare(
        said,
        whole,
        truth(
            entry(0, "slip"),
            {**entry(1, "slip", clear=False), "alone_px": {"axis": 3.1, "slip": 6.0}},
            entry(2, "slip"),
            entry(3, "none"),
        ),
        "kind",
    )
    assert (score.verdict_same, score.verdict_asked) == (3, 4)
    assert (score.cause_same, score.cause_asked) == (1, 3)
    assert (score.cause_true, score.true_asked, score.false) == (1, 2, 2)
    # 0.9 arcmin off is within 1 arcmin, and nine times its own error.
    assert (score.axis_told, score.axis_ok, score.axis_held) == (1, 1, 0)


def test_a_frame_that_lacks_the_tag_need_not_keep_its_cause() -> None:
    whole = audited(("reject", "slip", 0.9), ("reject", "slip", 0.9))
    said = audited(("reject", "unexplained", 0.5), ("reject", "slip", 0.9))
    score = compare(said, whole, truth(entry(0, "slip", changed=True), entry(1, "slip")), "kind")
    assert (score.cause_same, score.cause_asked) == (1, 1)
    assert (score.cause_true, score.unnamed, score.false) == (1, 1, 0)


def test_what_draws_nearly_as_much_is_a_right_answer() -> None:
    whole = audited(("reject", "axis", 0.95))
    assert compare(whole, whole, truth(entry(0, "slip")), "kind").false == 1
    near = entry(0, "slip")
    slight = entry(0, "slip", clear=False)
    assert compare(whole, whole, truth(slight), "kind").false == 1, "1 px of 6"
    near["alone_px"]["axis"] = 5.0
    assert compare(whole, whole, truth(near), "kind").false == 0


@pytest.mark.parametrize("count", [5, 10])
def test_each_kind_has_its_turn(count: int) -> None:
    names = sorted(EDITS)
    asked = [kind for number in range(10) for kind in taking_turns(names, number, count)]
    assert set(asked) == set(names)


@pytest.mark.parametrize(
    ("hours_deg", "dec_deg", "alike"),
    [
        # Near the pole, or for half an hour at the meridian, the level line about which a head
        # gives way hardly turns; over five hours it does.
        ((30, 40), 84, True),
        ((-3, 3), -10, True),
        ((-40, 40), 30, False),
    ],
)
@pytest.mark.parametrize("moved", [True, False])
def test_frames_that_a_slip_and_an_axis_draw_alike_are_known_beforehand(
    hours_deg: tuple[float, float], dec_deg: float, alike: bool, moved: bool
) -> None:
    latitude, dec = np.radians([40.0, dec_deg])
    frames = []
    for hour in np.radians(np.linspace(*hours_deg, 9)):
        # Height and azimuth by the formulas of Meeus, chapter 13 (from memory), north through east.
        height = np.arcsin(
            np.sin(latitude) * np.sin(dec) + np.cos(latitude) * np.cos(dec) * np.cos(hour)
        )
        south = np.arctan2(
            np.sin(hour), np.cos(hour) * np.sin(latitude) - np.tan(dec) * np.cos(latitude)
        )
        frames.append(
            {"altitude_deg": np.degrees(height), "azimuth_deg": np.degrees(south) + 180.0}
        )
    night = {"frames": frames, "aims_s": [0.0] * (9 if moved else 1),
             "site": {"latitude_deg": 40.0}}  # fmt: skip
    assert slip_or_axis(night) == (alike and moved)
