"""`skyplumb check`: a few test frames, answered at the tripod."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import complain, tell
from skyplumb.commands.ending import INCOMPLETE, NOTHING_AUDITED, stoppable
from skyplumb.commands.given import History, Jobs, RulesFile


def check(
    frames: Annotated[
        list[Path],
        typer.Argument(
            metavar="FRAMES",
            help="Folder, of which the newest 12 frames are taken, or files; only read.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder for what was measured; the output of an audit will do.",
            show_default="the cache folder",
        ),
    ] = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Night notes; `turned: TIME` in them says when the axis was turned.",
            show_default="night-notes.yaml on or beside the folder",
        ),
    ] = None,
    rules: RulesFile = None,
    history: History = None,
    season: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR",
            help="As --history, and tell the longest exposure of each lens in it; may be given "
            "again.",
            show_default="none",
        ),
    ] = None,
    jobs: Jobs = 0,
    as_program: Annotated[
        bool, typer.Option("--json", help="Print the answer as JSON, for programs.")
    ] = False,
) -> None:
    """Answer a few test frames while the night runs: polar axis, drive, exposure, focus.

    Four to six of one aim, untouched, tell most. Only a store of measures is written.
    """
    with stoppable("stopped; call it again to go on where it was"):
        from skyplumb.check.words import as_json, screen
        from skyplumb.checking import Asked
        from skyplumb.checking import check as run

        asked = Asked(
            given=tuple(frames),
            out=out,
            notes=notes,
            rules=rules,
            history=tuple(history or ()),
            season=tuple(season or ()),
            jobs=jobs,
            quiet=as_program,
        )
        done = run(asked, complain)
    if done.answer is not None:
        width = shutil.get_terminal_size().columns
        tell(as_json(done.answer) if as_program else screen(done.answer, width))
    if done.incomplete:
        raise typer.Exit(INCOMPLETE)
    if done.answer is None:
        raise typer.Exit(NOTHING_AUDITED)
