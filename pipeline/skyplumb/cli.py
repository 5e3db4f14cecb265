"""Commands: parse, call, print; no logic."""

from __future__ import annotations

import errno
import math
import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from skyplumb import __version__
from skyplumb._collector import seldom_collected
from skyplumb._mistakes import UsageError, in_a_line, understood
from skyplumb._terminal import complain, failure, tell
from skyplumb.digits import counted
from skyplumb.errors import CardFailsError, NothingToAuditError, UserError

app = typer.Typer(
    help="Find the sharp star frames on a card, and why the others trailed.",
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # frames and colours double the time of --help
)

DEMO_LIBRARIES = ("imagecodecs", "tifffile")
"""What the demo extra installs."""

NOTHING_AUDITED = 1
BAD_USAGE = 2
INCOMPLETE = 3
"""The card was pulled out in the middle, or a session failed: call it again."""
INTERRUPTED = 130
TERMINATED = 143
"""128 and the number of the signal, as shells have it."""


class Format(StrEnum):
    """File formats the demo can draw."""

    DNG = "dng"
    FITS = "fits"


Audited = Annotated[
    list[Path], typer.Argument(metavar="DIR...", help="Folders that audit --out wrote.")
]
"""What the commands over many nights begin with."""


@app.callback()
def about(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", is_eager=True)
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", help="With --version: of all that it works with.")
    ] = False,
) -> None:
    """Find the sharp star frames on a card, and why the others trailed."""
    if version:
        tell(f"skyplumb {__version__}")
        if verbose:
            from skyplumb.keys import surroundings

            for name, which in surroundings().items():
                tell(f"{name} {which}")
        raise typer.Exit


@app.command(short_help="Find which frames of a card to stack, and why not the others.")
def audit(
    card: Annotated[
        Path, typer.Argument(metavar="CARD", help="Folder with the RAW or FITS frames; only read.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the results; a second call resumes.",
            show_default="CARD-audit beside the card's folder",
        ),
    ] = None,
    rules: Annotated[
        Path | None,
        typer.Option(help="Rules file; it need only hold what differs.", show_default="shipped"),
    ] = None,
    notes: Annotated[
        Path | None,
        typer.Option(help="Night notes.", show_default="night-notes.yaml on or beside the card"),
    ] = None,
    overrides: Annotated[
        list[Path] | None,
        typer.Option(
            help="File with verdicts changed by hand, as the page exports it; may be given again.",
            show_default="none",
        ),
    ] = None,
    history: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR",
            help="Output of an earlier audit, or a folder that holds such: how sharp a lens was "
            "on other nights is the standard for its focus; may be given again.",
            show_default="none",
        ),
    ] = None,
    jobs: Annotated[
        int, typer.Option(min=0, help="Worker processes, a count; 0 for one a core.")
    ] = 0,
    cluster: Annotated[
        str,
        typer.Option(
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
    worker_memory: Annotated[
        float,
        typer.Option(
            min=0.5, help="Memory a worker may take for one frame, GB; larger ones get a row."
        ),
    ] = 1.5,
    fresh: Annotated[bool, typer.Option("--fresh", help="Measure every frame again.")] = False,
    link_into: Annotated[
        Path | None,
        typer.Option(
            help="Folder in which to lay out the kept frames as links, with the darks, flats and "
            "bias that fit each run.",
            show_default="none",
        ),
    ] = None,
    root: Annotated[
        Path | None,
        typer.Option(
            help="Folder that the card was or will be copied to, for the paths in the lists.",
            show_default="the card",
        ),
    ] = None,
    xmp: Annotated[
        bool, typer.Option("--xmp", help="Write an XMP sidecar a frame under --out.")
    ] = False,
    xmp_beside: Annotated[
        Path | None,
        typer.Option(
            help="Copy of the card, to write an XMP sidecar beside each frame there.",
            show_default="none",
        ),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print errors only.")] = False,
) -> None:
    """Audit a card: which frames to stack, and what happened to the others."""
    say = _silent if quiet else tell
    with _stoppable("stopped; call it again to go on where it was"):
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
            xmp=xmp,
            quiet=quiet,
            overrides=tuple(overrides or ()),
            history=tuple(history or ()),
            memory_bytes=memory_bytes_of(worker_memory),
            root=root,
            xmp_beside=xmp_beside,
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


@app.command(
    short_help="Answer a few test frames: what to turn, set, expose, and shoot next.",
    epilog="Example: skyplumb check /media/you/CARD/DCIM --season season-audits",
)
def check(
    frames: Annotated[
        list[Path],
        typer.Argument(
            metavar="FRAMES...",
            help="Folder, of which the newest 12 frames are asked, or files; only read.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the store of measures; an audit's serves.",
            show_default="the cache folder",
        ),
    ] = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            help="Night notes; `turned: TIME` in them says when the axis was turned.",
            show_default="night-notes.yaml on or beside the folder",
        ),
    ] = None,
    rules: Annotated[
        Path | None,
        typer.Option(help="Rules file; it need only hold what differs.", show_default="shipped"),
    ] = None,
    history: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR",
            help="Output of an earlier audit, or a folder that holds such: how sharp the lens was; "
            "may be given again.",
            show_default="none",
        ),
    ] = None,
    season: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR",
            help="The same, and the longest exposure of each lens in it; may be given again.",
            show_default="none",
        ),
    ] = None,
    jobs: Annotated[
        int, typer.Option(min=0, help="Worker processes, a count; 0 for one a core.")
    ] = 0,
    as_program: Annotated[
        bool, typer.Option("--json", help="Print the answer as JSON, for programs.")
    ] = False,
) -> None:
    """Answer a few test frames while the night runs: polar axis, drive, exposure, focus.

    Four to six of one aim, untouched, tell most. Only a store of measures is written.
    """
    with _stoppable("stopped; call it again to go on where it was"):
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


@app.command()
def rules(
    file: Annotated[
        Path | None,
        typer.Argument(help="Rules file to check.", show_default="print the shipped rules"),
    ] = None,
) -> None:
    """Print the shipped rules, or check a file."""
    from skyplumb.intake.rules import describe, load_rules, shipped_text

    tell((shipped_text() if file is None else describe(load_rules(file))).rstrip())


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="New or empty folder for the invented card.")],
    format: Annotated[
        Format, typer.Option(help="File format of the frames.", case_sensitive=False)
    ] = Format.DNG,
) -> None:
    """Draw an invented card with known truth."""
    with _stoppable(f"stopped; remove {out} before drawing again"):
        try:
            from skyplumb.demo import render_card
        except ModuleNotFoundError as missing:
            if (missing.name or "").partition(".")[0] not in DEMO_LIBRARIES:
                raise
            raise UserError(
                f"{missing.name}: not installed, and the demo writes its files with it; "
                "run: pip install 'skyplumb[demo]'"
            ) from None
        card = render_card(out, format.value)
    tell(f"{card}")


@app.command(short_help="Count sessions audited before: hit rates by lens and exposure.")
def tally(
    folders: Audited,
    out: Annotated[Path, typer.Option(help="Folder for tally.html, tally.csv and tally.json.")],
    cluster: Annotated[
        str,
        typer.Option(
            help="Read the sessions on a Dask cluster whose workers see the folders: its "
            "scheduler's address, or local.",
            show_default="own process",
        ),
    ] = "",
) -> None:
    """Count sessions audited before: hit rates by lens and exposure, across nights."""
    with _stoppable("stopped; nothing but whole files was written"):
        from skyplumb.season.gear import write_tally

        done = write_tally(folders, out, cluster)
    tell(str(done.page.resolve()))
    tell(f"{done.keep} of {done.judged} judged frames kept in {counted(done.sessions, 'session')}")
    if done.why_no_model:
        tell(f"no model: {done.why_no_model}")
    for notice in done.notices:
        tell(notice)


@app.command(short_help="Predict what a lens and exposure will yield.")
def forecast(
    folders: Audited,
    focal: Annotated[
        float | None,
        typer.Option(min=1, max=1e5, help="Focal length, mm.", show_default="every lens audited"),
    ] = None,
    fnumber: Annotated[
        float | None,
        typer.Option(
            min=0.5,
            max=1000,
            help="Aperture, f-number; for the untracked rule.",
            show_default="none",
        ),
    ] = None,
    pixel: Annotated[
        float | None,
        typer.Option(
            min=0.5, max=1000, help="Pixel pitch, micrometres.", show_default="the camera audited"
        ),
    ] = None,
    sensor_width: Annotated[
        float | None,
        typer.Option(
            min=1,
            max=1000,
            help="Sensor width, mm; for the field and its turning.",
            show_default="none",
        ),
    ] = None,
    axis_error: Annotated[
        float | None,
        typer.Option(
            min=0, max=5400, help="Polar axis off by, arcmin.", show_default="as the nights audited"
        ),
    ] = None,
    declination: Annotated[
        float | None,
        typer.Option(
            min=-90, max=90, help="Declination, degrees.", show_default="the targets audited"
        ),
    ] = None,
    gap: Annotated[
        float | None,
        typer.Option(
            min=0, max=86400, help="Pause between two frames, s.", show_default="as measured"
        ),
    ] = None,
    exposure: Annotated[
        float | None,
        typer.Option(
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
    with _stoppable("stopped"):
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


class _Terminated(KeyboardInterrupt):
    """SIGTERM; it stops what Ctrl-C stops, and in the same way."""


def _terminate(number: int, frame: object) -> None:
    raise _Terminated


@contextmanager
def _stoppable(words: str) -> Iterator[None]:
    """Ctrl-C and SIGTERM are one line and the shell's own exit code for them."""
    before = signal.signal(signal.SIGTERM, _terminate)
    try:
        yield
    except KeyboardInterrupt as stopped:
        complain(words)
        code = TERMINATED if isinstance(stopped, _Terminated) else INTERRUPTED
        raise typer.Exit(code) from None
    finally:
        signal.signal(signal.SIGTERM, before)


def _refuse_no_place() -> None:
    """A folder that somebody removed: nothing has an absolute path from there."""
    try:
        Path.cwd()
    except OSError:
        raise UserError(
            "this folder is not there any more; go to another, then start again"
        ) from None


def _silent(_: str) -> None:
    pass


def main() -> None:
    """Parse and run: a known mistake is one line on stderr, never a traceback."""
    code: int | str | None = 0
    try:
        _refuse_no_place()
        with seldom_collected():
            code = app(understood(sys.argv[1:]), prog_name="skyplumb", standalone_mode=False)
    except UsageError as error:
        complain(in_a_line(error))
        code = BAD_USAGE
    except NothingToAuditError as error:
        complain(str(error))
        code = NOTHING_AUDITED
    except CardFailsError as error:
        complain(str(error))
        code = INCOMPLETE
    except UserError as error:
        complain(str(error))
        code = BAD_USAGE
    except OSError as error:
        if error.errno != errno.EPIPE:
            raise
    except SystemExit as ended:
        code = ended.code
    unsaid = failure("stdout")
    if unsaid is not None and unsaid.errno != errno.EPIPE:
        complain(f"stdout: cannot be written ({unsaid.strerror}); what was asked for is done")
    failure("stderr")
    sys.exit(code)
