"""`skyplumb plan`: one night ahead."""

from __future__ import annotations

import re
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import tell
from skyplumb.commands.ending import stoppable
from skyplumb.commands.given import Folders
from skyplumb.errors import UserError


class WindOf(StrEnum):
    """Which of the season's nights the wind is like."""

    CALM = "calm"
    USUAL = "usual"
    WORST = "worst"


def plan(
    folders: Folders,
    day: Annotated[
        str, typer.Option("--date", metavar="DAY", help="Evening of the night, as 2026-08-14.")
    ],
    target: Annotated[
        str,
        typer.Option(
            metavar="'RA DEC'|CONSTELLATION",
            help="Where to point: '314.7 44.3' in degrees, '20:58:48 +44:20', or a constellation.",
        ),
    ],
    site: Annotated[
        str | None,
        typer.Option(
            metavar="LAT,LON",
            help="Place, degrees, north and east positive.",
            show_default="that of the last night audited",
        ),
    ] = None,
    lens: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="A lens by (part of) its name.", show_default="every lens audited"
        ),
    ] = None,
    focal: Annotated[
        float | None,
        typer.Option(
            metavar="MM", min=1, max=1e5, help="Focal length, mm, instead of a lens audited."
        ),
    ] = None,
    axis_error: Annotated[
        float | None,
        typer.Option(
            metavar="ARCMIN",
            min=0,
            max=5400,
            help="Polar axis off by, arcmin.",
            show_default="as usually met",
        ),
    ] = None,
    wind: Annotated[
        WindOf, typer.Option(help="As on the season's calmest, middle or windiest night.")
    ] = WindOf.USUAL,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The page, or a folder for it.",
            show_default="plan-DAY.html in this folder",
        ),
    ] = None,
    as_program: Annotated[
        bool, typer.Option("--json", help="Print the plan as JSON, for programs; no page.")
    ] = False,
) -> None:
    """Plan a night: what to shoot with each lens, and how many frames will be good."""
    with stoppable("stopped"):
        from skyplumb.output.paths import write_atomic
        from skyplumb.season.gear import plan_from
        from skyplumb.season.night_ahead import target_of
        from skyplumb.season.plan import PlanAsk
        from skyplumb.season.plan_page import render
        from skyplumb.season.plan_words import as_json, words

        if lens is not None and focal is not None:
            raise UserError("--lens, --focal: give one of them")
        evening = _day(day)
        latitude, longitude = _site(site)
        nan = float("nan")
        told = plan_from(
            folders,
            PlanAsk(
                day=evening,
                target=target_of(target),
                latitude_deg=latitude,
                longitude_deg=longitude,
                lens=lens or "",
                focal_mm=nan if focal is None else focal,
                axis_error_arcmin=nan if axis_error is None else axis_error,
                wind=wind.value,
            ),
        )
        if as_program:
            tell(as_json(told))
            return
        page = out or Path()
        if page.is_dir():
            page /= f"plan-{evening.isoformat()}.html"
        write_atomic(page, render(told).encode())
    tell(words(told))
    tell(str(page.resolve()))


def _day(told: str) -> date:
    try:
        return date.fromisoformat(told.strip())
    except ValueError:
        raise UserError(f"--date {told}: give the evening's date as 2026-08-14") from None


def _site(told: str | None) -> tuple[float, float]:
    if told is None:
        return float("nan"), float("nan")
    parts = re.split(r"[,\s]+", told.strip())
    try:
        latitude, longitude = map(float, parts)
    except ValueError:
        latitude, longitude = float("nan"), float("nan")
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 360):
        raise UserError(f"--site {told}: give LAT,LON in degrees, as 46.6,9.9")
    return latitude, longitude
