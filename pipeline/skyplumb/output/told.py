"""A session in a few lines for a terminal: on a mountain without a browser they are the audit."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from skyplumb.summary import SessionSummary

MOST_LOSSES = 3


def session_lines(told: SessionSummary, folder: Path) -> tuple[str, ...]:
    """What was kept, the largest losses, the best mend, notices, and where page and list are."""
    lost_frames: Counter[str] = Counter()
    lost_minutes: Counter[str] = Counter()
    for run in told.runs:
        lost_frames.update(run.loss)
        for cause, minutes in run.loss_minutes.items():
            lost_minutes[cause] += minutes  # type: ignore[assignment]
    judged_minutes = told.keep_minutes + sum(lost_minutes.values())
    lines = [
        f"{told.session}: {told.keep} of {told.lights} light frames kept, "
        f"{told.keep_minutes:.0f} of {judged_minutes:.0f} minutes"
    ]
    losses = sorted(lost_frames, key=lambda cause: (-lost_minutes[cause], cause))[:MOST_LOSSES]
    if losses:
        words = (f"{c} {lost_frames[c]} ({lost_minutes[c]:.0f} min)" for c in losses)
        lines.append(f"  lost to {', '.join(words)}")
    best = max(told.advice, key=lambda one: (one.saves_minutes, one.saves_frames), default=None)
    if best is not None and best.saves_frames:
        lines.append(
            f"  {best.mend} Saves {best.saves_frames} "
            f"{'frame' if best.saves_frames == 1 else 'frames'}, {best.saves_minutes:.0f} min."
        )
        if best.caution:
            lines.append(f"  {best.caution}")
    lines += [f"  ! {notice}" for notice in told.notices]
    lines += [f"  {(folder / name).resolve()}" for name in ("report.html", "stackable.txt")]
    return tuple(lines)
