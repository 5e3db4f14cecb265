"""What earlier audits left in an output."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence, Set
from dataclasses import replace
from pathlib import Path, PurePosixPath

from skyplumb._data import read_whole
from skyplumb.output.place import holds_card, holds_shots_of
from skyplumb.records import Measure
from skyplumb.summary import ChangedVerdict, SessionSummary, read_summary
from skyplumb.version_0_1 import todays_row


def better_is_there(
    out: Path, name: str, measures: Sequence[Measure], card: Path, gone: Set[str] = frozenset()
) -> bool:
    """Whether an earlier audit of the same card could read more of this session's files.

    Parameters
    ----------
    out : Path
    name : str
        The session's.
    measures : sequence of Measure
    card : Path
    gone : set of str
        Files, and folders with all that was in them, which the disk does not answer for.
    """
    mine = {one.file: one.kind != "unreadable" for one in measures}
    for table in out.glob(f"{name}*/frames.csv"):
        if not holds_card(table.parent, card):
            continue
        rows = [
            row
            for row in table_rows(table)
            if row["file"] in mine
            or not gone.isdisjoint(map(str, PurePosixPath(row["file"]).parents))
        ]
        read = [row for row in rows if row["kind"] not in ("unreadable", "")]
        if len(read) > sum(mine.values()):
            return True
    return False


def against_earlier(folder: Path, now: SessionSummary) -> SessionSummary:
    """The summary with the verdicts that differ from those of an earlier audit into the folder.

    Where none differs, what that audit said of the one before it still holds. So an audit that
    is repeated, or killed and called again, says the same as one that ran through: all that is
    asked is in the earlier summary.json, which is replaced at once.
    """
    try:
        (before,) = read_summary(folder / "summary.json")
    except (OSError, ValueError):
        return now
    was, today = _verdicts(before), _verdicts(now)
    changed = tuple(
        ChangedVerdict(file, was[file], verdict)
        for file, verdict in today.items()
        if was.get(file, verdict) != verdict
    )
    if changed:
        return replace(now, changed_verdicts=changed, changed_by=_changed_by(before, now))
    kept = tuple(one for one in before.changed_verdicts if one.file in today)
    return replace(now, changed_verdicts=kept, changed_by=before.changed_by if kept else ())


def _verdicts(told: SessionSummary) -> dict[str, str]:
    return {frame.file: frame.verdict for run in told.runs for frame in run.frames}


def _changed_by(before: SessionSummary, now: SessionSummary) -> tuple[str, ...]:
    """What the two were not made alike from or with."""

    def parts(told: SessionSummary) -> dict[str, object]:
        trace = told.trace
        return {
            "version": (trace.version, trace.measure_version, trace.libraries),
            "rules": trace.rules_digest,
            "night notes": trace.notes_digest,
            "verdicts by hand": trace.overrides_digest,
            "widths of the lens in other nights": trace.focus_digest,
            "frames": _verdicts(told).keys(),
        }

    then, today = parts(before), parts(now)
    return tuple(name for name in then if then[name] != today[name])


def left_behind(out: Path, shots: Set[tuple[str, str]], folders: Set[str]) -> list[Path]:
    """Folders of sessions that an audit would not write any more.

    Parameters
    ----------
    out : Path
    shots : set of tuple of str
        File and time by the camera of every shot audited now.
    folders : set of str
        Names of the sessions' folders of today.
    """
    found = []
    today = [out / name for name in folders]
    for table in sorted(out.glob("*/frames.csv")):
        if table.parent.name in folders:
            continue
        lights = [row for row in table_rows(table) if row["kind"] == "light"]
        held = [(row["file"], row["taken_camera"]) for row in lights]
        if held and shots >= set(held) and holds_shots_of(table.parent, today):
            found.append(table.parent)
    return found


def table_rows(table: Path) -> list[dict[str, str]]:
    """The rows of a table that an audit wrote, under today's names; none if it cannot be read."""
    try:
        lines = io.StringIO(read_whole(table).decode("utf-8"), newline="")
        return [
            todays_row(row)
            for row in csv.DictReader(lines)
            if {"file", "kind", "taken_camera"} <= row.keys()
        ]
    except (OSError, ValueError, csv.Error):
        return []
