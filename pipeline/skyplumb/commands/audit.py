"""`skyplumb audit`: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import complain, tell
from skyplumb.commands.ending import INCOMPLETE, NOTHING_AUDITED, silent, stoppable
from skyplumb.commands.given import History, Jobs, RulesFile, WorkerMemory


def audit(
    card: Annotated[
        Path, typer.Argument(metavar="CARD", help="Folder with the RAW or FITS frames; only read.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder for the results; a second call resumes.",
            show_default="CARD-audit beside the card's folder",
        ),
    ] = None,
    rules: RulesFile = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Night notes.",
            show_default="night-notes.yaml on or beside the card",
        ),
    ] = None,
    overrides: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="File with verdicts changed by hand, as the page exports it; may be given again.",
            show_default="none",
        ),
    ] = None,
    history: History = None,
    jobs: Jobs = 0,
    cluster: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Measure on a Dask cluster: the scheduler's address, such as tcp://host:8786, or "
            "local to start one here; needs skyplumb[cluster].",
            show_default="own processes",
        ),
    ] = "",
    send_files: Annotated[
        bool,
        typer.Option(
            "--send-files", help="Send each file to the cluster, whose workers do not see the card."
        ),
    ] = False,
    worker_memory: WorkerMemory = 1.5,
    fresh: Annotated[bool, typer.Option("--fresh", help="Measure every frame again.")] = False,
    link_into: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder in which to lay out the kept frames as links, with the darks, flats and "
            "bias that fit each run.",
            show_default="none",
        ),
    ] = None,
    darks: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR",
            help="Folder of more darks, flats and bias; of all that fit a run, those nearest to it "
            "in time are laid out; only read; may be given again.",
            show_default="the card's own",
        ),
    ] = None,
    root: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Folder that the card was or will be copied to, for the paths in the lists.",
            show_default="the card",
        ),
    ] = None,
    xmp: Annotated[
        bool, typer.Option("--xmp", help="Write an XMP sidecar for each frame under --out.")
    ] = False,
    xmp_beside: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Copy of the card, to write an XMP sidecar beside each frame there.",
            show_default="none",
        ),
    ] = None,
    share: Annotated[
        bool,
        typer.Option(
            "--share",
            help="Also write report-share.html: the page without paths, serial numbers and place.",
        ),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Audit a card: which frames to stack, and what happened to the others."""
    say = silent if quiet else tell
    with stoppable("stopped; call it again to go on where it was"):
        from skyplumb.auditing import audit as run
        from skyplumb.options import Options, memory_bytes_of
        from skyplumb.output.paths import default_out

        options = Options(
            card=card,
            out=out or default_out(card),
            rules=rules,
            notes=notes,
            jobs=jobs,
            fresh=fresh,
            link_into=link_into,
            darks=tuple(darks or ()),
            xmp=xmp,
            quiet=quiet,
            overrides=tuple(overrides or ()),
            history=tuple(history or ()),
            memory_bytes=memory_bytes_of(worker_memory),
            root=root,
            xmp_beside=xmp_beside,
            share=share,
            cluster=cluster,
            send_files=send_files,
        )
        done = run(options, say, complain)
    if len(done.sessions) > 1:
        say(str(done.index.resolve()))
    say(f"{done.kept} of {done.lights} light frames to stack")
    if done.incomplete:
        raise typer.Exit(INCOMPLETE)
    if done.lights == 0:
        raise typer.Exit(NOTHING_AUDITED)
