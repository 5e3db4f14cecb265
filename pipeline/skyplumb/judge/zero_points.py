"""Whether a run is dimmed as a whole, by how much light its lens is known to give elsewhere.

An even cloud or haze from the first frame to the last leaves no frame to compare the others with.
Camera, lens, aperture and gain tell how much of a star's light is counted: the standard is the most
that they gave in the session's other runs, in other sessions of the call, in the earlier nights of
`--history`. Dew on the lens and a filter take light as well, so no frame is judged by it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from skyplumb.digits import named
from skyplumb.intake.rules import Limits, Rules
from skyplumb.judge.facts import FrameFacts, percentile
from skyplumb.judge.focus import FocusKey, focus_key, key_of
from skyplumb.judge.runs import Run
from skyplumb.records import ShotInfo

ZeroKey = tuple[FocusKey, float, float]
"""What `FocusKey` holds, the ISO and the gain, 0 where the file tells none of either."""

FEWEST_FRAMES = 3
"""Of a run: one frame's zero point may be a lamp's or a leaf's."""
DOUBT_MAG = 0.2
"""How far the zero points of two clear nights may differ by the colours of the stars, the part of
the picture that they stand in, air and focus (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class KnownZero:
    """The most light that a lens is known to give."""

    zero_mag: float
    """See `transparency.zero_points_mag`."""
    where: str
    """Such as "on 2026-08-14" or "in run 02-85mm-75s"."""


KnownZeros = Mapping[ZeroKey, KnownZero]


def zero_key(info: ShotInfo, focus: FocusKey | None) -> ZeroKey | None:
    """By what zero points can be compared; None where lens, camera or aperture is unknown, or
    neither ISO nor gain is told."""
    iso, gain = (one if np.isfinite(one) else 0.0 for one in (info.iso, info.gain))
    return (focus, iso, gain) if focus is not None and (iso or gain) else None


def key_of_run(run: Run) -> ZeroKey | None:
    """Of the run's frames, which share what the key holds."""
    return zero_key(run.lights[0].info, focus_key(run.lights[0]))


def key_of_shot(info: ShotInfo, size: tuple[int, int]) -> ZeroKey | None:
    """Of one shot."""
    return zero_key(info, key_of(info, size))


def run_zero_mag(facts: Sequence[FrameFacts]) -> float:
    """Zero point of the run's clearest frames; NaN where too few tell one."""
    told = [
        fact.zero_mag
        for fact in facts
        if np.isfinite(fact.zero_mag) and not np.isfinite(fact.motion.doubled_px)
    ]
    return percentile(told, 90) if len(told) >= FEWEST_FRAMES else float("nan")


def keep_clearest(known: dict[ZeroKey, KnownZero], key: ZeroKey, one: KnownZero) -> None:
    """Add what is known of a lens; of equals the first stays."""
    if key not in known or one.zero_mag > known[key].zero_mag:
        known[key] = one


def zeros_of_session(
    runs: Sequence[Run], facts: Mapping[str, Sequence[FrameFacts]], where: str
) -> dict[ZeroKey, KnownZero]:
    """How much light each lens gave in one session, for others."""
    out: dict[ZeroKey, KnownZero] = {}
    for one in _told_together(runs, facts):
        keep_clearest(out, one.key, KnownZero(one.zero_mag, where))
    return out


@dataclass(frozen=True, slots=True)
class _Told:
    """One run, or several of too few frames each, such as panels, which together tell how much
    light came through."""

    runs: tuple[Run, ...]
    key: ZeroKey
    zero_mag: float


def _told_together(
    runs: Sequence[Run], facts: Mapping[str, Sequence[FrameFacts]]
) -> Iterator[_Told]:
    few: dict[ZeroKey, list[Run]] = defaultdict(list)
    for run in runs:
        key, zero = key_of_run(run), run_zero_mag(facts[run.name])
        if key is not None and np.isfinite(zero):
            yield _Told((run,), key, zero)
        elif key is not None:
            few[key].append(run)
    for key, some in few.items():
        zero = run_zero_mag([fact for run in some for fact in facts[run.name]])
        if np.isfinite(zero):
            yield _Told(tuple(some), key, zero)


def dimmed_notices(
    runs: Sequence[Run],
    facts: Mapping[str, Sequence[FrameFacts]],
    rules: Rules,
    known: KnownZeros,
) -> list[str]:
    """A line for the runs of each lens whose clearest frames lack light that it gives elsewhere."""
    dim: dict[str, list[tuple[str, float]]] = {}
    together = list(_told_together(runs, facts))
    for one in together:
        best = dict(known)
        # Where frames were judged by the night's other fields, that says it already.
        told = any(fact.by_other_fields for run in one.runs for fact in facts[run.name])
        for other in () if told else together:
            if other is not one and other.key == one.key:
                where = f"in run {other.runs[0].name}"
                keep_clearest(best, one.key, KnownZero(other.zero_mag, where))
        info = one.runs[0].lights[0].info
        lost = best[one.key].zero_mag - one.zero_mag if one.key in best else 0.0
        if lost > _least_mag(rules.limits_for(info.lens, info.focal_mm)):
            found = [(run.name, lost) for run in one.runs]
            dim.setdefault(best[one.key].where, []).extend(found)
    return [_words(found, where) for where, found in dim.items()]


def _words(found: Sequence[tuple[str, float]], where: str) -> str:
    names, lost = zip(*found, strict=True)
    least, most = f"{min(lost):.1f}", f"{max(lost):.1f}"
    by = most if least == most else f"{least} to {most}"
    runs = f"Run {names[0]} is" if len(names) == 1 else f"Runs {named(names)} are"
    its = "its" if len(names) == 1 else "their"
    return (
        f"{runs} dimmed from {its} first frame to {its} last: the stars are {by} mag fainter than "
        f"this lens gave {where}. A sheet of cloud, haze, dew on the lens or a filter does that; "
        "the frames are judged against each other only."
    )


def _least_mag(limits: Limits) -> float:
    return limits.extinction_mag.keep_up_to + DOUBT_MAG
