"""One page over all sessions of an output: what was kept, the best remedy, and where to read on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from urllib.parse import quote

from skyplumb.causes import cause_of
from skyplumb.digits import counted, duration
from skyplumb.output.page.render import fill_template
from skyplumb.output.paths import write_atomic
from skyplumb.output.told import changed_verdicts, light_kept, losses_of
from skyplumb.plain import visible
from skyplumb.summary import SessionSummary, read_summary

INDEX = "index.html"
SEASON = "tally.html"
"""The page of the season, which `tally` writes."""


@dataclass(frozen=True, slots=True)
class Row:
    """One session."""

    name: str
    href: str
    list_href: str
    keep: int
    lights: int
    keep_minutes: float
    light: str
    remedy: str
    caution: str
    notices: tuple[str, ...]
    what: str = ""
    """Camera, lenses and targets, which tell sessions of one night apart."""
    lost_to: str = ""
    """The cause that cost most light, with how much."""


def write_index(
    out: Path,
    known: Mapping[str, Row] | None = None,
    warn: Callable[[str], None] = lambda _: None,
) -> Path:
    """Write `out`/index.html over every session in it and answer its path.

    A folder without a summary that can be read is left out.

    Parameters
    ----------
    out : Path
    known : mapping, optional
        Rows of the folders that were written just now, by name; they are not read again.
    warn : callable, optional
        Told of each summary that cannot be read.
    """
    known = known or {}
    rows = []
    for summary in sorted(out.glob("*/summary.json")):
        folder = summary.parent.name
        if folder in known:
            rows.append(known[folder])
            continue
        try:
            told = read_summary(summary)
        except (OSError, ValueError) as error:
            warn(f"{summary}: passed over ({error}); audit that card again, or remove the folder")
            continue
        rows += [row_of(one, folder) for one in told]
    page = {
        "rows": rows,
        "keep": sum(row.keep for row in rows),
        "lights": sum(row.lights for row in rows),
        "keep_minutes": sum(row.keep_minutes for row in rows),
        "season": _season_in(out),
        "cautions": sorted({row.caution for row in rows} - {""}),
    }
    html = fill_template("index.html", page, (), {"duration": duration}, {})
    write_atomic(out / INDEX, html.encode("utf-8", "backslashreplace"))
    return out / INDEX


def link_season(page: Path) -> None:
    """Let the index of an output lead to a page of the season that was written into it."""
    for out in (page.parent, page.parent.parent):
        if (out / INDEX).is_file() and any(out.glob("*/summary.json")):
            write_index(out)
            return


def _season_in(out: Path) -> str:
    """Address of the page of the season that lies in an output or a folder of it; or empty."""
    pages = [out / SEASON, *sorted(out.glob(f"*/{SEASON}"))]
    return next((quote(one.relative_to(out).as_posix()) for one in pages if one.is_file()), "")


def row_of(told: SessionSummary, folder: str) -> Row:
    """The row of a session that lies in a folder of this name."""
    best = told.best_remedy
    return Row(
        name=told.session,
        href=f"{quote(folder, safe='')}/report.html",
        list_href=f"{quote(folder, safe='')}/stackable.txt",
        keep=told.keep,
        lights=told.lights,
        keep_minutes=told.keep_minutes,
        light=light_kept(told),
        remedy=f"{best.mend} {best.saving}" if best else "",
        caution=best.caution if best else "",
        notices=(*changed_verdicts(told), *told.notices),
        what=_what(told),
        lost_to=_lost_to(told),
    )


def _what(told: SessionSummary) -> str:
    """Such as `Orvane N6 · Reach 85mm: Cygnus, Lyra · 14 mm: Aquila`."""
    targets: dict[str, list[str]] = {}
    for run in told.runs:
        focal = f"{run.focal_mm:g} mm" if isfinite(run.focal_mm) else "lens unknown"
        mine = targets.setdefault(run.lens or focal, [])
        if run.constellation and run.constellation not in mine:
            mine.append(run.constellation)
    lenses = (f"{lens}: {', '.join(some)}" if some else lens for lens, some in targets.items())
    return visible(" · ".join(filter(None, (told.camera, *lenses))))


def _lost_to(told: SessionSummary) -> str:
    """What cost most light; empty where nothing was lost."""
    losses = losses_of(told)
    if not losses:
        return ""
    cause, frames, minutes = losses[0]
    light = f", {duration(60 * minutes)}" if minutes > 0 else ""
    return f"{cause_of(cause).label} ({counted(frames, 'frame')}{light})"
