"""`skyplumb tally` and `skyplumb forecast`: many nights, and the next."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import tell
from skyplumb.commands.ending import stoppable
from skyplumb.commands.given import Folders
from skyplumb.digits import counted
from skyplumb.errors import UserError


def tally(
    folders: Folders,
    out: Annotated[
        Path,
        typer.Option(metavar="FOLDER", help="Folder for tally.html, tally.csv and tally.json."),
    ],
    cluster: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Read the sessions on a Dask cluster whose workers see the folders: its "
            "scheduler's address, or local.",
            show_default="own process",
        ),
    ] = "",
    by: Annotated[
        str,
        typer.Option(
            metavar="COLUMN",
            help="What to compare: a column of frames.csv or what the night notes tell, such as "
            "tracker, payload_g or tags.head.",
            show_default="all that the notes tell",
        ),
    ] = "",
) -> None:
    """Count sessions audited before: hit rates by lens and exposure, across nights."""
    with stoppable("stopped; nothing but whole files was written"):
        from skyplumb.season.gear import write_tally

        done = write_tally(folders, out, cluster, by)
    tell(str(done.page.resolve()))
    tell(f"{done.keep} of {done.judged} judged frames kept in {counted(done.sessions, 'session')}")
    for sentence in done.compared:
        tell(sentence)
    if done.why_no_model:
        tell(f"no model: {done.why_no_model}")
    for notice in done.notices:
        tell(notice)


def forecast(
    folders: Folders,
    focal: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            min=1,
            max=1e5,
            help="Focal length, mm.",
            show_default="every lens audited",
        ),
    ] = None,
    fnumber: Annotated[
        float | None,
        typer.Option(
            metavar="NUMBER",
            min=0.5,
            max=1000,
            help="Aperture, f-number; for the untracked rule.",
            show_default="none",
        ),
    ] = None,
    pixel: Annotated[
        float | None,
        typer.Option(
            metavar="MICROMETRES",
            min=0.5,
            max=1000,
            help="Pixel pitch, micrometres.",
            show_default="the camera audited",
        ),
    ] = None,
    sensor_width: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            min=1,
            max=1000,
            help="Sensor width, mm; for the field and its turning.",
            show_default="none",
        ),
    ] = None,
    axis_error: Annotated[
        float | None,
        typer.Option(
            metavar="ARCMIN",
            min=0,
            max=5400,
            help="Polar axis off by, arcmin.",
            show_default="as the nights audited",
        ),
    ] = None,
    declination: Annotated[
        float | None,
        typer.Option(
            metavar="DEGREES",
            min=-90,
            max=90,
            help="Declination, degrees.",
            show_default="the targets audited",
        ),
    ] = None,
    gap: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS",
            min=0,
            max=86400,
            help="Pause between two frames, s.",
            show_default="as measured",
        ),
    ] = None,
    exposure: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS",
            min=0.1,
            max=1800,
            help="Wanted exposure, s; for the axis it needs.",
            show_default="120",
        ),
    ] = None,
    tables: Annotated[
        bool, typer.Option("--tables", help="Tell every exposure of each lens.")
    ] = False,
    as_program: Annotated[
        bool, typer.Option("--json", help="Print the forecast as JSON, for programs.")
    ] = False,
) -> None:
    """Predict what a lens and exposure will yield, and where a sturdier mount pays."""
    with stoppable("stopped"):
        from skyplumb.season.forecast import Ask
        from skyplumb.season.forecast_words import as_json, words
        from skyplumb.season.gear import forecast_from

        asked = {
            "focal_mm": focal,
            "fnumber": fnumber,
            "pixel_um": pixel,
            "sensor_width_mm": sensor_width,
            "axis_error_arcmin": axis_error,
            "declination_deg": declination,
            "gap_s": gap,
            "exposure_s": exposure,
        }
        given = {name: value for name, value in asked.items() if value is not None}
        for name, value in given.items():
            if not math.isfinite(value):
                raise UserError(f"{name} {value}: should be a number")
        told = forecast_from(folders, Ask(**given))
    tell(as_json(told) if as_program else words(told, tables))
