"""The verdicts a person has changed by hand, in place of the rules'."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from skyplumb.intake.overrides import Overrides, Overrule
from skyplumb.judge.verdict import Judged, JudgedRun
from skyplumb.records import NAN


def overrule(runs: Sequence[JudgedRun], overrides: Overrides) -> list[JudgedRun]:
    """The runs with the person's verdicts in place of the rules'."""
    by_file = overrides.by_file
    return [
        replace(run, frames=tuple(_decided(frame, by_file) for frame in run.frames)) for run in runs
    ]


def _decided(frame: Judged, by_file: Mapping[str, Overrule]) -> Judged:
    """One frame with the person's verdict, if there is one."""
    said = by_file.get(frame.facts.light.file)
    if said is None:
        return frame
    # What is kept has no cause; a fault that only the person sees has no name here.
    cause = "none" if said.verdict == "keep" else frame.cause
    if said.verdict != "keep" and cause == "none":
        cause = "unexplained"
    note = " ".join(said.note.split())
    return replace(
        frame,
        verdict=said.verdict,
        cause=cause,
        confidence=frame.confidence if cause == frame.cause else NAN,
        causes=frame.causes if said.verdict != "keep" else {},
        reason=f"decided by hand{': ' + note if note else ''}"
        f" (the rules said {frame.verdict}: {frame.reason})",
        rules_verdict=frame.verdict,
        note=note,
    )
