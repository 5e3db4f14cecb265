"""The command line: which commands there are, and how a mistake is told."""

from __future__ import annotations

import errno
import sys
from pathlib import Path
from typing import Annotated

import typer

from skyplumb import __version__
from skyplumb._collector import seldom_collected
from skyplumb._mistakes import Plain, UsageError, in_a_line, understood
from skyplumb._terminal import complain, failure, tell
from skyplumb.commands.audit import audit
from skyplumb.commands.check import check
from skyplumb.commands.demo import demo
from skyplumb.commands.ending import (
    AUDITS,
    BAD_USAGE,
    FAULT,
    INCOMPLETE,
    INTERRUPTED,
    NOTHING_AUDITED,
    epilog,
)
from skyplumb.commands.notes import notes
from skyplumb.commands.plan import plan
from skyplumb.commands.rules import rules
from skyplumb.commands.season import forecast, tally
from skyplumb.commands.watch import watch
from skyplumb.errors import CardFailsError, NothingToAuditError, UserError

app = typer.Typer(
    help="Find the sharp star frames on a card, and why the others trailed.",
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # frames and colours double the time of --help
)

_SHORT = {
    "audit": "Find which frames of a card to stack, and why not the others.",
    "check": "Answer a few test frames: what to turn, set, expose, and shoot next.",
    "watch": "Watch a folder while frames arrive, and call when hands are needed.",
    "tally": "Count sessions audited before: hit rates by lens and exposure.",
    "forecast": "Predict what a lens and exposure will yield.",
    "plan": "Plan a night: what to shoot with each lens, and how many frames will be good.",
}
_EPILOGS = {
    "audit": epilog(
        "audit /media/you/CARD/DCIM",
        "audit CARD --out results --rules mine.yaml --notes night-notes.yaml",
        "audit CARD --link-into sharp --history earlier-audits",
        codes=AUDITS,
    ),
    "check": epilog(
        "check /media/you/CARD/DCIM",
        "check one.dng two.dng three.dng four.dng --season season-audits",
        codes=AUDITS,
    ),
    "watch": epilog("watch incoming --out results", codes=AUDITS),
    "rules": epilog("rules > mine.yaml", "rules mine.yaml"),
    "notes": epilog("notes > night-notes.yaml", "notes night-notes.yaml"),
    "demo": epilog("demo --out demo-card", codes=(0, BAD_USAGE, INTERRUPTED)),
    "tally": epilog("tally audits --out season", codes=(0, BAD_USAGE, INTERRUPTED)),
    "forecast": epilog(
        "forecast audits --focal 135 --exposure 120", codes=(0, BAD_USAGE, INTERRUPTED)
    ),
    "plan": epilog(
        "plan season-audits --date 2026-08-14 --target Cygnus", codes=(0, BAD_USAGE, INTERRUPTED)
    ),
}
for _command in (audit, check, watch, rules, notes, demo, tally, forecast, plan):
    _name = _command.__name__
    app.command(cls=Plain, short_help=_SHORT.get(_name), epilog=_EPILOGS[_name])(_command)


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
                if name != "skyplumb":
                    tell(f"{name} {which}")
        raise typer.Exit


def _refuse_no_place() -> None:
    """A folder that somebody removed: nothing has an absolute path from there."""
    try:
        Path.cwd()
    except OSError:
        raise UserError(
            "this folder is not there any more; go to another, then start again"
        ) from None


def _of_a_fault(error: Exception) -> str:
    """In a line, with where the whole account is; also where its traceback is written, if not."""
    from skyplumb._log import log_of
    from skyplumb.measure.workers import in_words

    where = log_of(error)
    report = f"please report it with {where}" if where else "please report it"
    return f"a fault of skyplumb's own ({in_words(error)}); {report}"


def main() -> None:
    """Parse and run: a mistake, or a fault of ours, is one line on stderr, never a traceback."""
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
    except SystemExit as ended:
        code = ended.code
    except Exception as error:
        if isinstance(error.__cause__, KeyboardInterrupt):  # it fell into the making of a class
            code = INTERRUPTED
        elif not (isinstance(error, OSError) and error.errno == errno.EPIPE):
            complain(_of_a_fault(error))
            code = FAULT
    unsaid = failure("stdout")
    if unsaid is not None and unsaid.errno != errno.EPIPE:
        complain(f"stdout: cannot be written ({unsaid.strerror}); what was asked for is done")
    failure("stderr")
    sys.exit(code)
