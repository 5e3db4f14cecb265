"""Skies drawn by astropy are read as they were drawn, and no number said of them changes unseen."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from tests.saved_skies import (
    HALF_EXPOSURE,
    MEANT,
    SKIES,
    answers,
    changed,
    kept,
    pointed,
)

from skyplumb.calibrate.light import Light
from skyplumb.measure.flags import BIT

NO_ALTITUDE = ("a clock two hours ahead", "a site of the other sign", "nothing told",
               "no time at all")  # fmt: skip
"""The clock is not known, or told to be wrong."""
SAID = {
    "a clock two hours ahead": ["a clock 2 h ahead (within 0.1 h)"],
    "stamps against a zone": ["fit the one of GPS time stamps (+02:00, 3 of 3 frames)"],
    "nothing told": ["The time zone of the camera's clock is unknown"],
    "half the focal length told": ["which is 45 mm at that pixel", "which is 30 mm at that pixel"],
    "a last frame by another lens": ["F1_0004.dng: the lens is unknown"],
    "a last frame under cloud": ["F1_0003.dng: the lens is unknown"],
    "a site of the other sign": ["a latitude of the other sign"],
    "a clock four minutes behind": ["min behind, or the site lies 0.8° further east"],
}
"""What must be said; of the others nothing."""


def off(one: float, other: float) -> float:
    """Between two angles, degrees."""
    return (one - other + 180) % 360 - 180


@pytest.mark.broad
@pytest.mark.parametrize("name", [name for name in SKIES if name != "points by lot"])
def test_a_sky_is_read_as_it_was_drawn_and_as_it_was_before(name: str) -> None:
    lights, notices = pointed(name)
    _held_to_the_truth(name, lights, notices)
    told = changed(answers(lights, notices), name, "found")
    assert not told, MEANT + "\n".join(told)


def _held_to_the_truth(name: str, lights: list[Light], notices: list[str]) -> None:
    sky, truths = SKIES[name], kept(name).truth
    noise_px = sky.how.get("noise_px", 0.1)
    cold = name == "a clock four minutes behind"
    for n, (light, truth) in enumerate(zip(lights, truths, strict=True)):
        at = light.pointing
        if n in sky.few:
            # Held against stars where its neighbours tell its aim, else sought by patterns.
            beside = "too few catalogue stars fit the picture"
            assert not at.solved
            assert at.why_not in (beside, f"only {sky.few[n]} stars were found")
            continue
        assert at.solved and at.camera is not None, at.why_not
        scale_deg = math.degrees(1 / truth["focal_px"])
        level = math.cos(math.radians(truth["dec_deg"]))
        # Five errors of a mean of the stars' places, 900 px from the middle in the mean; and what
        # the air bends where it is not known, light that ran over, or -22 C are not.
        room = 5 * noise_px * math.sqrt(2 / len(at.star))
        bent = room + 0.2 * (name == "no time at all" or cold)
        placed = (bent if cold else room) * scale_deg
        assert abs(off(at.ra_deg, truth["ra_deg"])) * level < placed
        assert at.dec_deg == pytest.approx(truth["dec_deg"], abs=placed)
        turn = off(at.roll_pa_deg, truth["roll_pa_deg"])
        # Near a pole east turns with the place; the place is right by then.
        assert abs(turn) < math.degrees(bent / 900) / max(level, 0.05)
        assert at.camera.parity == (-1 if sky.how.get("mirrored") else 1)
        # 0.1 px at the edge is 1e-4; two laws of air, 5e-4 (see `zenith_bounds`).
        close = 8e-4 if bent > room else 1.5e-4
        assert at.camera.focal_px == pytest.approx(truth["focal_px"], rel=close)
        if not sky.saturated and not bent > room:
            # Of n stars the scatter is good to 1 / sqrt(4 n): five of it.
            assert abs(at.rms_px / noise_px - 1) < 5 / math.sqrt(4 * len(at.star)) + 0.05
        began = datetime.fromisoformat(truth["utc"]) - HALF_EXPOSURE
        if name in NO_ALTITUDE:
            assert math.isnan(at.altitude_deg) and light.start_utc is None
        elif cold:
            assert light.start_utc == began - timedelta(minutes=4)
        else:
            # Polar motion is left out, 0.5 arcsec.
            room_deg = room * scale_deg + 0.5 / 3600
            assert at.altitude_deg == pytest.approx(truth["altitude_deg"], abs=room_deg)
            way = off(at.azimuth_deg, truth["azimuth_deg"])
            assert abs(way) * math.cos(math.radians(at.altitude_deg)) < room_deg
            assert light.start_utc == began
        hot = light.measure.stars["flags"] & BIT["hot"] > 0
        assert np.count_nonzero(hot) == sky.warm
        assert not hot[at.star].any()
    assert len(notices) == len(SAID.get(name, ()))
    assert all(words in line for words, line in zip(SAID.get(name, ()), notices, strict=True))


@pytest.mark.broad
def test_points_by_lot_are_no_sky() -> None:
    (light,), notices = pointed("points by lot")
    assert not light.pointing.solved and notices == []
    assert light.pointing.why_not == "no star pattern of the catalogue fits"
    assert not changed(answers([light], notices), "points by lot", "found")
