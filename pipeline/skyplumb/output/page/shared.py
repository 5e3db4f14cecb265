"""A session's result for a page to give away: without paths, serial numbers and place.

The height of a star at a known time is a circle on the Earth, and two of them are a place. So UTC,
heights, azimuths, the way to the zenith, Sun and Moon go with the coordinates, and so do the axis
error's two parts along the horizon and upwards, whose size on the sky gives away the latitude. What
was not judged is left out, and so are words that a person or the metadata brought in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path, PurePosixPath

from skyplumb.causes import cause_of
from skyplumb.columns import FrameRow
from skyplumb.output.result import SessionResult
from skyplumb.records import NAN, VERDICTS
from skyplumb.summary import RunSummary

HIDDEN = "…"
"""Stands for what was taken out of a text."""
FEWEST = 3
"""Letters of a word that is taken out; shorter ones stand in any other."""


def without_place(result: SessionResult, card: Path) -> SessionResult:
    """The same session for anybody's eyes.

    Parameters
    ----------
    result : SessionResult
    card : Path
        The audited folder, whose path goes.
    """
    rows = [row for row in result.rows if row.kind == "light" and row.verdict in VERDICTS]
    names = _names(row.file for row in rows)
    told = result.summary
    folders = {str(PurePosixPath(file).parent) for file in names} - {"."}
    clean = _cleaner([str(card.absolute()), str(card), result.session, told.serial, *folders])
    title = " ".join(filter(None, (told.evening, clean(told.camera)))) or "A night"

    def row_of(row: FrameRow) -> FrameRow:
        return replace(
            row, file=names[row.file], session=title, camera=clean(row.camera),
            lens=clean(row.lens), reason=clean(row.reason), note="", taken_utc="",
            taken_mid_utc="", altitude_deg=NAN, azimuth_deg=NAN, zenith_deg=NAN,
            zenith_pa_deg=NAN,
        )  # fmt: skip

    summary = replace(
        told,
        session=title,
        serial="",
        clock="",
        latitude_deg=NAN,
        longitude_deg=NAN,
        notices=(),
        sun_and_moon=None,
        changed_verdicts=tuple(
            replace(one, file=names[one.file]) for one in told.changed_verdicts if one.file in names
        ),
        advice=tuple(
            replace(one, mend=_remedy(one.cause) if one.cause == "axis" else clean(one.mend))
            for one in told.advice
        ),
        runs=tuple(_run(run) for run in told.runs),
    )
    return replace(
        result,
        session=title,
        rows=tuple(map(row_of, rows)),
        summary=summary,
        notices=(),
        crops={names[file]: one for file, one in result.crops.items() if file in names},
        fields={names[file]: one for file, one in result.fields.items() if file in names},
        pictures={names[file]: one for file, one in result.pictures.items() if file in names},
        panels=tuple(replace(one, altitude_deg=NAN, above_until=None) for one in result.panels),
    )


def _names(files: Iterable[str]) -> dict[str, str]:
    """Each file's name without its folders, with a number where another one has it."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for file in files:
        path = PurePosixPath(file)
        name, number = path.name, 1
        while name.casefold() in taken:
            number += 1
            name = f"{path.stem} ({number}){path.suffix}"
        taken.add(name.casefold())
        names[file] = name
    return names


def _cleaner(secrets: Iterable[str]) -> Callable[[str], str]:
    """Takes words out of a text, the longest first, since one may stand in another."""
    known = sorted({one for one in secrets if len(one) >= FEWEST}, key=len, reverse=True)
    pattern = re.compile("|".join(map(re.escape, known)) or r"(?!)")
    return lambda text: pattern.sub(HIDDEN, str(text or ""))


def _remedy(cause: str) -> str:
    """The table's own, without what one night shows."""
    words = cause_of(cause).remedy
    return f"{words[0].upper()}{words[1:]}." if words else ""


def _run(run: RunSummary) -> RunSummary:
    mount = replace(
        run.mount, axis_alt_error_arcmin=NAN, axis_alt_error_arcmin_sigma=NAN,
        axis_az_error_arcmin=NAN, axis_az_error_arcmin_sigma=NAN, axis_covariance_arcmin2=(),
    )  # fmt: skip
    return replace(run, mount=mount, notes={})
