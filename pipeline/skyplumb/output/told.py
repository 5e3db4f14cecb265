"""A session in a few lines for a terminal: on a mountain without a browser they are the audit."""

from __future__ import annotations

from collections import Counter, defaultdict
from math import isnan
from pathlib import Path, PurePosixPath

from skyplumb.causes import cause_of
from skyplumb.digits import duration, with_error
from skyplumb.output.page.words import ASIDE
from skyplumb.plain import visible
from skyplumb.summary import MountSummary, SessionSummary

MOST_LOSSES = 3
MOST_CHANGED = 3
"""Frames of another verdict that are named in a line."""


def session_lines(told: SessionSummary, folder: Path) -> tuple[str, ...]:
    """What was kept, the largest losses, the best remedy, notices, and where page and list are."""
    lines = [f"{told.session}: {_kept(told)}"]
    losses = losses_of(told)[:MOST_LOSSES]
    if losses:
        words = (
            f"{cause_of(cause).label} {frames}{_in_brackets(minutes)}"
            for cause, frames, minutes in losses
        )
        lines.append(f"  lost to {', '.join(words)}")
    lines += _axis_lines(told)
    best = told.best_remedy
    if best is not None:
        lines.append(f"  {best.mend} {best.saving}")
        if best.caution:
            lines.append(f"  {best.caution}")
    lines += [f"  ! {notice}" for notice in (*changed_verdicts(told), *told.notices)]
    lines += [f"  {(folder / name).resolve()}" for name in ("report.html", "stackable.txt")]
    return tuple(lines)


def losses_of(told: SessionSummary) -> list[tuple[str, int, float]]:
    """Cause, frames and minutes of what was not kept, the most light first."""
    frames: Counter[str] = Counter()
    minutes: dict[str, float] = defaultdict(float)
    for run in told.runs:
        frames.update(run.loss)
        for cause, lost in run.loss_minutes.items():
            minutes[cause] += lost
    causes = sorted(frames, key=lambda cause: (-minutes[cause], cause))
    return [(cause, frames[cause], minutes[cause]) for cause in causes]


def changed_verdicts(told: SessionSummary, most: int = MOST_CHANGED) -> list[str]:
    """A line on the frames that an earlier audit judged otherwise, some of them by name; none
    where there are none."""
    changed = told.changed_verdicts
    if not changed:
        return []
    names = [
        f"{visible(PurePosixPath(one.file).name)} {one.was} -> {one.now}" for one in changed[:most]
    ]
    if len(changed) > most:
        names.append(f"{len(changed) - most} more")
    differ = "verdict differs" if len(changed) == 1 else "verdicts differ"
    other = f" ({', '.join(f'other {what}' for what in told.changed_by)})" * bool(told.changed_by)
    return [
        f"{len(changed)} {differ} from the audit before{other}: {', '.join(names)}; "
        "some of them may be stacked already"
    ]


def light_kept(told: SessionSummary) -> str:
    """Exposure time kept of that judged, such as `32 min of 1 h 10 min`; empty if unknown."""
    if not told.judged_minutes > 0:
        return ""
    return f"{duration(60 * told.keep_minutes)} of {duration(60 * told.judged_minutes)}"


def _range_of(mount: MountSummary) -> str:
    """What is known of an axis of which no one number is told, and what would tell more."""
    low, high = mount.axis_total_low_arcmin, mount.axis_total_high_arcmin
    why = f": {mount.why_not}" if isinstance(mount.why_not, str) and mount.why_not else ""
    within = f"between {low:.0f} and" if low > 0 else "up to"
    return f"{within} {high:.0f} arcmin from the pole{why}"


def _kept(told: SessionSummary) -> str:
    """How much was kept, or what there is where nothing could be judged."""
    if not told.lights:
        kinds = (f"{ASIDE.get(kind, kind).lower()} {n}" for kind, n in told.kinds.items() if n)
        return f"no light frame was judged ({', '.join(kinds)})"
    light = light_kept(told) or "of unknown exposure"
    return f"{told.keep} of {told.lights} light frames kept, {light}"


def _in_brackets(minutes: float) -> str:
    return f" ({duration(60 * minutes)})" if minutes > 0 else ""


def _axis_lines(told: SessionSummary) -> list[str]:
    """Where the polar axis points, a line a placement of the tripod; for a few test frames this
    is what they were taken for."""
    mounts = {run.mount.setup: run.mount for run in told.runs if run.mount.setup}
    lines = []
    for setup, mount in sorted(mounts.items(), key=lambda one: one[1].setup_number):
        of = f" of placement {setup}" if len(mounts) > 1 else ""
        total, sigma = mount.axis_total_error_arcmin, mount.axis_total_error_arcmin_sigma
        up, along = mount.axis_alt_error_arcmin, mount.axis_az_error_arcmin
        if isnan(total):
            if not isnan(mount.axis_total_low_arcmin):
                lines.append(f"  polar axis{of} {_range_of(mount)}")
            continue
        line = f"  polar axis{of} {with_error(total, sigma)} arcmin from the pole"
        if total < 2 * sigma:
            line += ", no more than its error"
        elif not (isnan(up) or isnan(along)):
            high = with_error(abs(up), mount.axis_alt_error_arcmin_sigma)
            far = with_error(abs(along), mount.axis_az_error_arcmin_sigma)
            line += f": {high} too {'high' if up > 0 else 'low'}, {far} too far "
            line += f"{'east' if along > 0 else 'west'} along the horizon"
        lines.append(line)
    return lines
