"""`skyplumb watch`: a folder audited while frames arrive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import complain, ring, tell
from skyplumb.commands.ending import INCOMPLETE, NOTHING_AUDITED, silent, stoppable
from skyplumb.commands.given import History, Jobs, RulesFile, WorkerMemory


def watch(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Folder in which frames arrive; only read."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder for the results, as of an audit.",
            show_default="FOLDER-audit beside the folder",
        ),
    ] = None,
    rules: RulesFile = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Night notes; read again while it watches.",
            show_default="night-notes.yaml on or beside the folder",
        ),
    ] = None,
    history: History = None,
    jobs: Jobs = 0,
    worker_memory: WorkerMemory = 1.5,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print alarms and errors only.")] = False,
) -> None:
    """Watch a folder while frames arrive: a line a frame, and an alarm when hands are needed.

    Ctrl-C ends it with an audit of the folder; a second one ends at once.
    """
    with stoppable("stopped; an audit goes on where it was"):
        from skyplumb.options import Options, memory_bytes_of
        from skyplumb.output.paths import default_out
        from skyplumb.watching import watch as run

        options = Options(
            card=folder,
            out=out or default_out(folder),
            rules=rules,
            notes=notes,
            jobs=jobs,
            quiet=quiet,
            history=tuple(history or ()),
            memory_bytes=memory_bytes_of(worker_memory),
        )
        say = silent if quiet else tell
        done = run(options, say, complain, ring)
    say(f"{done.kept} of {done.lights} light frames to stack")
    if done.incomplete:
        raise typer.Exit(INCOMPLETE)
    if done.lights == 0:
        raise typer.Exit(NOTHING_AUDITED)
