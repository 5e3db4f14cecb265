"""`skyplumb notes`: what can be said of a night, and whether a file says it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skyplumb._terminal import tell


def notes(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE", help="Night notes to check.", show_default="print the example"
        ),
    ] = None,
) -> None:
    """Print an example of night notes, or check a file."""
    from skyplumb.intake.notes import describe, example_text, read_notes

    tell((example_text() if file is None else describe(read_notes(file))).rstrip())
