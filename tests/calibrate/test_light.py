"""Which shots of a night are its light frames."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from tests.resolved import one_night

from skyplumb.calibrate.light import light_frames
from skyplumb.records import Measure, ShotInfo

NIGHT = datetime(2026, 2, 18, 22, 0)


def test_light_frames_are_all_but_copies_other_kinds_and_what_the_notes_leave_out() -> None:
    info = ShotInfo(camera="Tarn T1", exposure_s=60.0)
    kinds = ("light", "light", "dark", "light", "light", "light")
    night = one_night([
        Measure(f"F{n}", kind, "", replace(info, clock=NIGHT + timedelta(minutes=n)),
                samples_digest=f"{n}")
        for n, kind in enumerate(kinds)
    ])  # fmt: skip
    shots = list(night.shots)
    for n, changes in ((0, {"left_out": "fog"}), (3, {"left_out": "a car"})):
        shots[n] = replace(shots[n], notes=replace(shots[n].notes, **changes))
    shots[4] = replace(shots[4], copy_of="F1")
    lights, excluded = light_frames(replace(night, shots=tuple(shots)))
    assert [light.file for light in lights] == ["F1", "F5"]
    assert excluded == {"F0": "fog", "F3": "a car"}
    assert [light.clock_step_s for light in lights] == [shots[n].clock_step_s for n in (1, 5)]
    assert lights[0].mid_s - lights[0].order_s == 30.0
